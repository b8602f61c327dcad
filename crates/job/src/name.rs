//! Plain names: what the parts of a job are called.

use serde::{Deserialize, Serialize};
use std::borrow::{Borrow, Cow};
use stringline_core::Explain;

/// The name of a scan, a feature or a group in a job.
///
/// Plain enough to be part of a file name on any system: 1 to 64 characters, no control
/// characters, none of `/ \ : * ? " < > |`, and no space or full stop at either end.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(try_from = "String", into = "String")]
pub struct Name(
    #[schemars(
        length(min = 1, max = 64),
        regex(pattern = r#"^[^ ./\\:*?"<>|\x00-\x1f]([^/\\:*?"<>|\x00-\x1f]*[^ ./\\:*?"<>|\x00-\x1f])?$"#)
    )]
    String,
);

/// A name that is not plain.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the name \"{}\" is not a plain one", name.escape_debug())]
pub struct NameError {
    /// The name as given.
    pub name: String,
}

impl Explain for NameError {
    fn next_step(&self) -> Cow<'static, str> {
        "Use 1 to 64 letters, digits, spaces, dashes, underscores or full stops, with no space \
         or full stop at either end."
            .into()
    }
}

impl Name {
    /// Longest name, characters.
    const LONGEST: usize = 64;

    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl TryFrom<String> for Name {
    type Error = NameError;

    fn try_from(name: String) -> Result<Self, NameError> {
        let forbidden = |c: char| c.is_control() || matches!(c, '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|');
        let plain = !name.is_empty()
            && name.chars().count() <= Name::LONGEST
            && !name.contains(forbidden)
            && !name.starts_with([' ', '.'])
            && !name.ends_with([' ', '.']);
        if plain { Ok(Name(name)) } else { Err(NameError { name }) }
    }
}

impl std::str::FromStr for Name {
    type Err = NameError;

    fn from_str(name: &str) -> Result<Self, NameError> {
        Name::try_from(name.to_owned())
    }
}

impl From<Name> for String {
    fn from(name: Name) -> String {
        name.0
    }
}

impl Borrow<str> for Name {
    fn borrow(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Display for Name {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_names_pass_and_others_are_refused() {
        for good in ["hub bore", "arm_front", "Ø20 pin", "a", "left-2.1"] {
            assert!(good.parse::<Name>().is_ok(), "{good}");
        }
        let long = "x".repeat(65);
        for bad in ["", " a", "a ", ".a", "a.", "..", "a/b", "a\\b", "a\nb", "c:d", &long] {
            assert!(bad.parse::<Name>().is_err(), "{bad:?}");
        }
    }
}
