//! How an error speaks: what went wrong, where, and what to do next.

use std::borrow::Cow;

/// An error that also tells the user what to do next.
///
/// `Display` says what is wrong and where (the file, the line, the feature);
/// [`Explain::next_step`] says what the user can do about it, as a sentence.
pub trait Explain: std::error::Error {
    /// One sentence, in the imperative, that a fabricator can follow.
    fn next_step(&self) -> Cow<'static, str>;
}
