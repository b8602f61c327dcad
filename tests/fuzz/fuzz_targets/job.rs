//! Any bytes as a job file: an error, or a job that is saved and read as the same, and that can
//! be evaluated though none of its scans can be had.

#![no_main]

use stringline_job::{Job, LoadError, evaluate};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let Ok(job) = Job::from_json(data) else {
        return;
    };
    let saved = job.to_json().expect("a job that was read can be written");
    let again = Job::from_json(&saved).expect("what was written can be read");
    assert_eq!(again.to_json().expect("as before"), saved);
    let results =
        evaluate(&job, &|_, _| Err(LoadError::Io { path: "none".into(), cause: std::io::ErrorKind::NotFound.into() }));
    assert!(results.features.is_empty());
});
