//! The recovery log: what was done since the job was last saved.
//!
//! One JSON object a line, each on the disk before the operation counts as done:
//! `{"base":HASH}` names the saved file that the following lines start from,
//! `{"op":{…}}` is an operation, `{"state":{…},"step":…}` the whole job after an undo or a redo.
//! Before a save the hash of the coming file is noted as a further base, so that whichever
//! of the two files a crash leaves behind, the log says what is missing from it.

use crate::disk;
use crate::{Job, Op};
use serde::{Deserialize, Serialize};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Where the recovery log of a job is.
pub fn log_of(job: &Path) -> PathBuf {
    disk::beside(job, ".log")
}

/// One line of the log.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Entry {
    /// SHA-256 of the saved job that the lines after this one start from.
    Base(String),
    /// An operation.
    Op(Box<Op>),
    /// Where an undo or a redo led.
    #[serde(untagged)]
    Restored {
        /// The job as it then was.
        state: Box<Job>,
        /// What to call the step.
        step: String,
    },
}

/// What a log holds that the saved job does not.
#[derive(Debug, Default)]
pub(crate) struct Unsaved {
    /// What was done after the save, in order.
    pub(crate) entries: Vec<Entry>,
    /// No line of the log starts from this file.
    pub(crate) of_another_file: bool,
    /// Number of the first line (from 1) that could not be read; it and what follows is not in `entries`.
    pub(crate) unreadable_from: Option<usize>,
}

impl Unsaved {
    /// What of the log cannot be used, and why.
    pub(crate) fn trouble(&self) -> Option<String> {
        match (self.of_another_file, self.unreadable_from) {
            (true, _) => Some("the recovery log belongs to another version of the job".into()),
            (false, Some(line)) => {
                Some(format!("line {line} of the recovery log was cut short; what came before it was recovered"))
            }
            (false, None) => None,
        }
    }
}

/// Reads the log of a job whose saved bytes hash to `saved`; `None` where there is no log.
pub(crate) fn read(job: &Path, saved: &str) -> io::Result<Option<Unsaved>> {
    let bytes = match fs::read(log_of(job)) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error),
    };
    let mut unsaved = Unsaved { of_another_file: true, ..Unsaved::default() };
    for (index, line) in bytes.split_inclusive(|&b| b == b'\n').enumerate() {
        // A line without its end was being written when the power went.
        let Some(Ok(entry)) = line.strip_suffix(b"\n").map(serde_json::from_slice) else {
            unsaved.unreadable_from = Some(index + 1);
            break;
        };
        match entry {
            Entry::Base(hash) if hash == saved => {
                unsaved.of_another_file = false;
                unsaved.entries.clear();
            }
            // A save that did not come about: what follows starts from the same state.
            Entry::Base(_) => {}
            entry => unsaved.entries.push(entry),
        }
    }
    if unsaved.of_another_file {
        unsaved.entries.clear();
    }
    Ok(Some(unsaved))
}

/// The log of an open job, to append to.
#[derive(Debug)]
pub(crate) struct Journal {
    file: File,
}

impl Journal {
    /// Begins a new log that starts from the saved file with hash `base`.
    pub(crate) fn begin(job: &Path, base: &str) -> io::Result<Self> {
        let path = log_of(job);
        disk::replace_result(&path, &line(&Entry::Base(base.to_owned()))?)?;
        Ok(Journal { file: OpenOptions::new().append(true).open(path)? })
    }

    /// Appends entries; on return they are on the disk.
    pub(crate) fn note(&mut self, entries: &[&Entry]) -> io::Result<()> {
        let mut bytes = Vec::new();
        for entry in entries {
            bytes.extend(line(entry)?);
        }
        let before = self.file.metadata()?.len();
        let written = self.file.write_all(&bytes).and_then(|()| self.file.sync_data());
        if written.is_err() {
            // Half a line would hide all that is noted after it.
            let _ = self.file.set_len(before);
        }
        written
    }
}

fn line(entry: &Entry) -> io::Result<Vec<u8>> {
    let mut bytes = serde_json::to_vec(entry)?;
    bytes.push(b'\n');
    Ok(bytes)
}
