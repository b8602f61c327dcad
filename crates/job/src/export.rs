//! A hardpoint set to files: the ending says in which format.

use crate::disk::replace_result;
use crate::open::io_next_step;
use std::borrow::Cow;
use std::io;
use std::path::{Path, PathBuf};
use stringline_core::Explain;
use stringline_hardpoints::export::{ExportError, to_csv, to_dxf, to_step};
use stringline_hardpoints::{HardpointSet, SetError};

/// The formats of a hardpoint set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SetFormat {
    /// The set itself, with covariances.
    Json,
    /// Solids and axes for CAD.
    Step,
    /// Flat views.
    Dxf,
    /// A table.
    Csv,
}

/// Why a hardpoint set cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The ending says no format.
    #[error("{}: the ending does not say in which format", path.display())]
    Ending {
        /// As given.
        path: PathBuf,
    },
    /// The set is not sound.
    #[error(transparent)]
    Set(#[from] SetError),
    /// The format does not take it.
    #[error(transparent)]
    Format(#[from] ExportError),
    /// The file system refused.
    #[error("cannot write {}: {cause}", path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// What the system says.
        cause: io::Error,
    },
}

impl Explain for WriteError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            WriteError::Ending { .. } => "End the name in .json, .step, .dxf or .csv.".into(),
            WriteError::Set(error) => error.next_step(),
            WriteError::Format(error) => error.next_step(),
            WriteError::Io { cause, .. } => io_next_step(cause, "write"),
        }
    }
}

impl SetFormat {
    /// The format that a path's ending says.
    ///
    /// # Errors
    /// [`WriteError::Ending`].
    pub fn of(path: &Path) -> Result<SetFormat, WriteError> {
        let ending = path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
        match ending.as_deref() {
            Some("json") => Ok(SetFormat::Json),
            Some("step" | "stp") => Ok(SetFormat::Step),
            Some("dxf") => Ok(SetFormat::Dxf),
            Some("csv") => Ok(SetFormat::Csv),
            _ => Err(WriteError::Ending { path: path.to_owned() }),
        }
    }
}

/// Writes a set in the format that the path's ending says; what stood there is replaced as a whole.
///
/// # Errors
/// See [`WriteError`].
pub fn write_set(set: &HardpointSet, path: &Path) -> Result<(), WriteError> {
    let text = match SetFormat::of(path)? {
        SetFormat::Json => set.to_json()?,
        SetFormat::Step => {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            // The time, as ISO 8601 has it.
            let now = humantime::format_rfc3339_seconds(std::time::SystemTime::now()).to_string();
            to_step(set, &name, &now)?
        }
        SetFormat::Dxf => to_dxf(set)?,
        SetFormat::Csv => to_csv(set)?,
    };
    replace_result(path, text.as_bytes()).map_err(|cause| WriteError::Io { path: path.to_owned(), cause })
}
