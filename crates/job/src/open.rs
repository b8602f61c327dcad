//! A job that is open: its file, its history and its recovery log.

use crate::disk::replace_file;
use crate::journal::{self, Entry, Journal, log_of};
use crate::{Change, History, Job, JobError, Op, OpError, ScanFile, plan};
use sha2::{Digest, Sha256};
use std::borrow::Cow;
use std::fs;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stringline_core::Explain;

/// A job open for work. Each operation is in the recovery log, on the disk, when it returns.
#[derive(Debug)]
pub struct OpenJob {
    path: PathBuf,
    history: History,
    journal: Journal,
    /// The revision that the file holds.
    saved: Option<u64>,
}

/// What was found beside a job that had not been saved.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Recovered {
    /// The steps done since the last save, done again; each can be undone.
    pub steps: Vec<String>,
    /// What of the log could not be used, and why.
    pub trouble: Option<String>,
}

/// Why a job cannot be opened or saved.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// The file system refused.
    #[error("cannot {doing} {}: {cause}", path.display())]
    Io {
        /// Read, save or note.
        doing: &'static str,
        /// Which file.
        path: PathBuf,
        /// What the system says.
        cause: io::Error,
    },
    /// The file is no job that this program reads.
    #[error("{}: {cause}", path.display())]
    Job {
        /// Which file.
        path: PathBuf,
        /// What is wrong with it.
        cause: JobError,
    },
    /// A new job would take the place of a file.
    #[error("there is a file {} already", path.display())]
    Exists {
        /// Which file.
        path: PathBuf,
    },
    /// The operation cannot be done.
    #[error(transparent)]
    Op(#[from] OpError),
}

impl Explain for FileError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            FileError::Io { cause, doing, .. } => io_next_step(cause, doing),
            FileError::Job { cause, .. } => cause.next_step(),
            FileError::Exists { .. } => "Choose another name, or open that job.".into(),
            FileError::Op(error) => error.next_step(),
        }
    }
}

/// What to do about an error of the file system.
pub fn io_next_step(cause: &io::Error, doing: &str) -> Cow<'static, str> {
    match cause.kind() {
        io::ErrorKind::NotFound => "Check the path; the file may have been moved or renamed.".into(),
        io::ErrorKind::PermissionDenied => {
            format!("Ask for permission to {doing} it, or use a copy in a folder of your own.").into()
        }
        io::ErrorKind::IsADirectory => "Name a file; this is a folder.".into(),
        io::ErrorKind::FileTooLarge => "Name the job or the hardpoint set; this file is too large to be one.".into(),
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "Make room on the disk, or save to another one; what was saved before is untouched.".into()
        }
        io::ErrorKind::ReadOnlyFilesystem => "Save to a disk that can be written.".into(),
        _ => "Check that the disk is connected and works, then try again.".into(),
    }
}

/// SHA-256 of bytes, 64 hexadecimal digits.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// Reads a job's file without opening it for work: the recovery log is left alone.
///
/// # Errors
/// [`FileError::Io`] and [`FileError::Job`].
pub fn read_job(path: &Path) -> Result<Job, FileError> {
    read(path).map(|(job, _)| job)
}

/// How many steps beside the saved job its recovery log holds.
pub fn unsaved_steps(path: &Path) -> usize {
    let unsaved = read_file(path).and_then(|bytes| journal::read(path, &sha256(&bytes)));
    unsaved.ok().flatten().map_or(0, |unsaved| unsaved.entries.len())
}

fn read(path: &Path) -> Result<(Job, Vec<u8>), FileError> {
    let bytes = read_file(path).map_err(|cause| FileError::Io { doing: "read", path: path.to_owned(), cause })?;
    match Job::from_json(&bytes) {
        Ok(job) => Ok((job, bytes)),
        Err(cause) => Err(FileError::Job { path: path.to_owned(), cause }),
    }
}

/// The largest file that can be a job or a hardpoint set, bytes.
const LARGEST: u64 = 1 << 28;

/// The bytes of a job's or a hardpoint set's file.
///
/// # Errors
/// Those of [`fs::read`]; a folder and a file too large to be either are errors of their own.
pub fn read_file(path: &Path) -> io::Result<Vec<u8>> {
    let file = fs::File::open(path)?;
    // Some systems open folders, and say so only on reading, in other words.
    if file.metadata()?.is_dir() {
        return Err(io::ErrorKind::IsADirectory.into());
    }
    let mut bytes = Vec::new();
    file.take(LARGEST + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > LARGEST {
        return Err(io::ErrorKind::FileTooLarge.into());
    }
    Ok(bytes)
}

impl OpenJob {
    /// Begins a new job in a new file.
    ///
    /// # Errors
    /// [`FileError::Exists`] where there is a file; [`FileError::Io`] where none can be made.
    pub fn create(path: &Path, job: Job) -> Result<Self, FileError> {
        if path.exists() {
            return Err(FileError::Exists { path: path.to_owned() });
        }
        let bytes = checked_bytes(path, &job)?;
        write(path, &bytes)?;
        let journal = Journal::begin(path, &sha256(&bytes)).map_err(|cause| log_error(path, cause))?;
        let history = History::new(job);
        let saved = Some(history.job().revision());
        Ok(OpenJob { path: path.to_owned(), history, journal, saved })
    }

    /// Opens a job. What was done and not saved, because the program was cut off, is done
    /// again from the recovery log.
    ///
    /// # Errors
    /// [`FileError::Io`] and [`FileError::Job`]. Trouble with the log is no error: it is told
    /// in [`Recovered`], and the log is kept aside.
    pub fn open(path: &Path) -> Result<(Self, Recovered), FileError> {
        let (job, bytes) = read(path)?;
        let base = sha256(&bytes);
        let unsaved = journal::read(path, &base).map_err(|cause| log_error(path, cause))?;
        let mut history = History::new(job);
        let saved = Some(history.job().revision());
        let mut recovered = Recovered::default();
        let mut redone = Vec::new();
        if let Some(unsaved) = unsaved {
            recovered.trouble = unsaved.trouble();
            for entry in unsaved.entries {
                match redo(&mut history, &entry) {
                    Ok(step) => recovered.steps.push(step),
                    Err(error) => {
                        recovered.trouble = Some(format!("one step cannot be done again: {error}"));
                        break;
                    }
                }
                redone.push(entry);
            }
            if let Some(trouble) = &mut recovered.trouble {
                let aside = crate::disk::beside(path, ".log.unused");
                if fs::rename(log_of(path), &aside).is_ok() {
                    trouble.push_str(&format!("; the log is kept as {}", aside.display()));
                }
            }
        }
        let journal = Journal::begin(path, &base)
            .and_then(|mut journal| {
                journal.note(&redone.iter().collect::<Vec<_>>())?;
                Ok(journal)
            })
            .map_err(|cause| log_error(path, cause))?;
        Ok((OpenJob { path: path.to_owned(), history, journal, saved }, recovered))
    }

    /// The job's file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The job as it is now.
    pub fn job(&self) -> &Arc<Job> {
        self.history.job()
    }

    /// What can be undone and done again.
    pub fn history(&self) -> &History {
        &self.history
    }

    /// Whether the file holds the job as it is now.
    pub fn is_saved(&self) -> bool {
        self.saved == Some(self.job().revision())
    }

    /// Plans and commits an operation.
    ///
    /// # Errors
    /// As for [`OpenJob::commit`], and what [`plan`] refuses.
    pub fn apply(&mut self, op: &Op) -> Result<(), FileError> {
        self.commit(plan(self.job(), op)?)
    }

    /// Makes a planned change the job.
    ///
    /// # Errors
    /// [`OpError::Stale`] for a change that was planned on another state of the job;
    /// [`FileError::Io`] where it cannot be noted in the recovery log. The job is then as before.
    pub fn commit(&mut self, change: Change) -> Result<(), FileError> {
        self.history.accepts(&change)?;
        self.note(&Entry::Op(Box::new(change.op.clone())))?;
        self.history.commit(change)?;
        Ok(())
    }

    /// Goes back one step; its name, or `None` at the beginning.
    ///
    /// # Errors
    /// [`FileError::Io`] as for [`OpenJob::commit`].
    pub fn undo(&mut self) -> Result<Option<String>, FileError> {
        self.travel("Undo", History::undo, History::redo)
    }

    /// Does the undone step again; its name, or `None` where nothing is undone.
    ///
    /// # Errors
    /// [`FileError::Io`] as for [`OpenJob::commit`].
    pub fn redo(&mut self) -> Result<Option<String>, FileError> {
        self.travel("Redo", History::redo, History::undo)
    }

    fn travel(
        &mut self,
        verb: &str,
        go: fn(&mut History) -> Option<&str>,
        back: fn(&mut History) -> Option<&str>,
    ) -> Result<Option<String>, FileError> {
        let Some(step) = go(&mut self.history).map(str::to_owned) else {
            return Ok(None);
        };
        let state = Box::new(Job::clone(self.job()));
        let noted = self.note(&Entry::Restored { state, step: format!("{verb}: {step}") });
        if noted.is_err() {
            back(&mut self.history);
        }
        noted.map(|()| Some(step))
    }

    fn note(&mut self, entry: &Entry) -> Result<(), FileError> {
        self.journal.note(&[entry]).map_err(|cause| log_error(&self.path, cause))
    }

    /// Writes the job to its file; the one before is kept beside it, with `.previous` at its end.
    ///
    /// # Errors
    /// [`FileError::Io`]; the file then holds what it held before, and the recovery log what
    /// was done since.
    pub fn save(&mut self) -> Result<(), FileError> {
        let bytes = checked_bytes(&self.path, self.job())?;
        let base = sha256(&bytes);
        // Should the power go between the two files, the log fits either job.
        self.note(&Entry::Base(base.clone()))?;
        write(&self.path, &bytes)?;
        self.saved = Some(self.job().revision());
        self.journal = Journal::begin(&self.path, &base).map_err(|cause| log_error(&self.path, cause))?;
        Ok(())
    }

    /// Writes the job to another file, in place of what stood there, and goes on in that one:
    /// its scans are named from the new folder, and every step can still be undone. What the
    /// recovery log beside the file left behind held is in the new file; that log goes.
    ///
    /// # Errors
    /// [`FileError::Io`]; the job is then open as before.
    pub fn save_as(&mut self, path: &Path) -> Result<(), FileError> {
        if path == self.path {
            return self.save();
        }
        let (from, to) = (folder_of(&self.path).to_owned(), folder_of(path).to_owned());
        let moved = |job: &Job| {
            let mut job = job.clone();
            for scan in job.scans.values_mut() {
                let file = crate::scans::named_from(&scan.file, &from, &to);
                if file != scan.file {
                    *scan = Arc::new(ScanFile { file, ..ScanFile::clone(scan) });
                }
            }
            job
        };
        let mut history = self.history.clone();
        history.rewrite(moved);
        let bytes = checked_bytes(path, history.job())?;
        write(path, &bytes)?;
        let journal = Journal::begin(path, &sha256(&bytes)).map_err(|cause| log_error(path, cause))?;
        let left = std::mem::replace(&mut self.path, path.to_owned());
        self.saved = Some(history.job().revision());
        (self.history, self.journal) = (history, journal);
        // It holds nothing that is not in the new file, so no harm where it cannot be removed.
        let _ = fs::remove_file(log_of(&left));
        Ok(())
    }

    /// Closes a job; the recovery log goes where all is saved.
    pub fn close(self) {
        if self.is_saved() {
            // A log without operations does no harm where it cannot be removed.
            let _ = fs::remove_file(log_of(&self.path));
        }
    }
}

/// The folder that a job's scans are named from.
pub fn folder_of(job: &Path) -> &Path {
    match job.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

fn log_error(job: &Path, cause: io::Error) -> FileError {
    FileError::Io { doing: "write", path: log_of(job), cause }
}

/// The bytes of a job's file, after making sure that they read back as the same job.
fn checked_bytes(path: &Path, job: &Job) -> Result<Vec<u8>, FileError> {
    let wrong = |cause| FileError::Job { path: path.to_owned(), cause };
    let bytes = job.to_json().map_err(wrong)?;
    Job::from_json(&bytes).map_err(wrong)?;
    Ok(bytes)
}

/// Writes a job to a file without opening it for work; a file that was there is kept beside
/// it, with `.previous` at its end.
///
/// # Errors
/// [`FileError::Io`]; the path then holds what it held before.
pub fn write_job(path: &Path, job: &Job) -> Result<(), FileError> {
    write(path, &checked_bytes(path, job)?)
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), FileError> {
    replace_file(path, bytes).map_err(|cause| FileError::Io { doing: "save", path: path.to_owned(), cause })
}

fn redo(history: &mut History, entry: &Entry) -> Result<String, OpError> {
    match entry {
        Entry::Base(_) => Ok(String::new()),
        Entry::Op(op) => history.apply(op).map(|()| op.step()),
        Entry::Restored { state, step } => {
            state.check()?;
            history.push(step.clone(), Job::clone(state));
            Ok(step.clone())
        }
    }
}
