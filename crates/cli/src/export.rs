//! `stringline export`: a hardpoint set to other files.

use crate::args::ExportArgs;
use crate::failure::{Failure, Outcome};
use crate::run::{evaluate_file, files_text, trouble};
use serde::Serialize;
use std::path::{Path, PathBuf};
use stringline_core::Explain;
use stringline_hardpoints::HardpointSet;
use stringline_job::{SetFormat, io_next_step, read_file, write_set};
use stringline_kinematics::{Variant, designed_set};

/// What was written, and what was not.
#[derive(Debug, Default)]
pub(crate) struct Written {
    pub(crate) files: Vec<PathBuf>,
    pub(crate) trouble: Vec<String>,
}

#[derive(Serialize)]
struct Report {
    files: Vec<PathBuf>,
}

pub(crate) fn export(args: &ExportArgs) -> Result<Outcome, Failure> {
    // An ending that cannot be is said before anything is written.
    for path in &args.to {
        SetFormat::of(path).map_err(|error| Failure::usage(error.to_string(), error.next_step()))?;
    }
    let Source { mut set, variants, messages, in_part } = read(&args.source)?;
    if let Some(name) = &args.variant {
        set = designed_set(&set, &variants, name).map_err(|error| Failure::from(error).at(&args.source))?;
    }
    for path in &args.to {
        write_set(&set, path)?;
    }
    let report = Report { files: args.to.clone() };
    let outcome = if args.json {
        Outcome::json(&report)?
    } else {
        Outcome { text: files_text(&report.files), ..Outcome::default() }
    };
    Ok(Outcome { messages, in_part, ..outcome })
}

/// A job's or a file's hardpoints.
pub(crate) struct Source {
    pub(crate) set: HardpointSet,
    /// The job's variants.
    pub(crate) variants: Vec<Variant>,
    /// What to say about it.
    pub(crate) messages: Vec<String>,
    /// Some of it could not be had.
    pub(crate) in_part: bool,
}

/// Reads a job, evaluating it, or a hardpoint-set file.
pub(crate) fn read(source: &Path) -> Result<Source, Failure> {
    /// What kind of file it is.
    #[derive(serde::Deserialize)]
    struct Heading {
        #[serde(default)]
        format: serde_json::Value,
    }
    let failed = |cause: std::io::Error| {
        Failure::new(format!("cannot read {}: {cause}", source.display()), io_next_step(&cause, "read"))
    };
    let text = read_file(source).map_err(failed)?;
    let heading = serde_json::from_slice::<Heading>(&text);
    if heading.is_ok_and(|heading| heading.format == stringline_hardpoints::set::FORMAT) {
        // Valid JSON is valid UTF-8.
        let text = String::from_utf8_lossy(&text);
        let set = HardpointSet::from_json(&text).map_err(|error| {
            let failure = Failure::from(error);
            failure.at(source)
        })?;
        return Ok(Source { set, variants: Vec::new(), messages: Vec::new(), in_part: false });
    }
    let (evaluated, mut messages) = evaluate_file(source)?;
    messages.extend(trouble(&evaluated.results));
    if evaluated.results.set.hardpoints.is_empty() && evaluated.results.set.datums.is_empty() {
        messages.insert(0, format!("{}: the job gives no hardpoint and no placed feature", source.display()));
        return Err(Failure::new(messages.join("\n"), "See to the above, place the scans, and construct hardpoints."));
    }
    let in_part = !evaluated.results.is_complete();
    let variants = evaluated.job.variants.iter().map(|v| Variant::clone(v)).collect();
    Ok(Source { set: evaluated.results.set, variants, messages, in_part })
}
