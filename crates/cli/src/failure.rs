//! How a command ends: what it prints, what it says on the side, and its exit status.

use std::path::PathBuf;
use std::process::ExitCode;
use stringline_core::Explain;

/// A command that could not do what it was asked to.
#[derive(Debug)]
pub(crate) struct Failure {
    what: String,
    next_step: String,
    wrong_usage: bool,
}

impl Failure {
    /// Says what is wrong and what to do about it.
    pub(crate) fn new(what: impl Into<String>, next_step: impl Into<String>) -> Self {
        Failure { what: what.into(), next_step: next_step.into(), wrong_usage: false }
    }

    /// As [`Failure::new`], of arguments that cannot be.
    pub(crate) fn usage(what: impl Into<String>, next_step: impl Into<String>) -> Self {
        Failure { wrong_usage: true, ..Failure::new(what, next_step) }
    }

    /// The exit status: 1 could not do it, 2 wrong usage.
    pub(crate) fn status(&self) -> ExitCode {
        ExitCode::from(if self.wrong_usage { 2 } else { 1 })
    }
}

impl Failure {
    /// Says in which file.
    pub(crate) fn at(self, path: &std::path::Path) -> Self {
        Failure { what: format!("{}: {}", path.display(), self.what), ..self }
    }
}

impl<E: Explain> From<E> for Failure {
    fn from(error: E) -> Self {
        Failure::new(error.to_string(), error.next_step())
    }
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}\nWhat to do: {}", self.what, self.next_step)
    }
}

/// What a command that came to an end has to say.
#[derive(Debug, Default)]
pub(crate) struct Outcome {
    /// The result, for standard output.
    pub(crate) text: String,
    /// Messages, for standard error.
    pub(crate) messages: Vec<String>,
    /// Something of what was asked could not be done; `messages` says what.
    pub(crate) in_part: bool,
    /// The job to show in the window afterwards.
    pub(crate) shows: Option<PathBuf>,
}

impl Outcome {
    /// A result as JSON.
    ///
    /// # Errors
    /// None for our own types.
    pub(crate) fn json(value: &impl serde::Serialize) -> Result<Self, Failure> {
        let text = serde_json::to_string_pretty(value).map_err(|error| {
            Failure::new(
                format!("the result cannot be written as JSON: {error}"),
                "Report this as a fault of the program.",
            )
        })?;
        Ok(Outcome { text: text + "\n", ..Outcome::default() })
    }

    /// The exit status: 0 done, 3 done in part.
    pub(crate) fn status(&self) -> ExitCode {
        if self.in_part { ExitCode::from(3) } else { ExitCode::SUCCESS }
    }
}
