//! Why a scan could not be read: what, where, and what to do next.

use std::borrow::Cow;
use std::fmt;
use std::io;

use stringline_core::Explain;

use super::FileFormat;

/// A scan file that could not be read.
#[derive(Debug, thiserror::Error)]
#[error("{file}: {problem}")]
pub struct ReadError {
    /// The file's name, as it was given.
    pub file: String,
    /// What is wrong with it.
    #[source]
    pub problem: Problem,
}

impl Explain for ReadError {
    fn next_step(&self) -> Cow<'static, str> {
        self.problem.next_step()
    }
}

/// Where in a file something is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// The header as a whole.
    Header,
    /// A line of text, counted from 1.
    Line(u64),
    /// A byte, counted from 0.
    Byte(u64),
    /// The n-th record of its kind, counted from 0.
    Record {
        /// "face", for instance.
        kind: String,
        /// Which one.
        index: u64,
    },
    /// A named part of a container, a scan inside an E57 file for instance.
    Part(String),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::Header => f.write_str("in the header"),
            Place::Line(number) => write!(f, "in line {number}"),
            Place::Byte(offset) => write!(f, "at byte {offset}"),
            Place::Record { kind, index } => write!(f, "in {kind} {index}"),
            Place::Part(name) => write!(f, "in {name}"),
        }
    }
}

/// What can be wrong with a scan file.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Problem {
    /// The disk, the network or the system refused to give the bytes.
    #[error("the file could not be read: {source}")]
    Io {
        /// What the system said.
        #[from]
        source: io::Error,
    },
    /// Not one byte.
    #[error("the file is empty")]
    Empty,
    /// Neither content nor ending belong to a format we read.
    #[error("this is not a scan file Stringline can read: {evidence}")]
    UnknownFormat {
        /// What was found instead.
        evidence: String,
    },
    /// The file announces more than it holds.
    #[error(
        "the {format} file is cut short or damaged: it announces {announced}, \
         which takes at least {needed} bytes, and has {found}"
    )]
    Truncated {
        /// Which format.
        format: FileFormat,
        /// "12 facets", for instance.
        announced: String,
        /// Bytes that would take.
        needed: u64,
        /// Bytes there are.
        found: u64,
    },
    /// Something at a known place breaks the format's rules.
    #[error("damaged {format}: {problem} {place}")]
    Malformed {
        /// Which format.
        format: FileFormat,
        /// Where.
        place: Place,
        /// What.
        problem: String,
    },
    /// A facet names a vertex that does not exist.
    #[error("facet {facet} refers to vertex {index}, but the file has {vertices} vertices (counted from 0)")]
    IndexOutOfRange {
        /// The facet, in the order of the file, polygons split into triangles.
        facet: u64,
        /// The index it names.
        index: i64,
        /// How many vertices there are.
        vertices: u64,
    },
    /// More than half of the coordinates cannot be positions.
    #[error(
        "{unusable} of {total} {what} have coordinates that cannot be positions (not a number, infinite, or absurdly large or small)"
    )]
    MostlyUnusable {
        /// How many are unusable.
        unusable: u64,
        /// Of how many.
        total: u64,
        /// "points" or "facets".
        what: &'static str,
    },
    /// The file is sound and holds nothing to measure.
    #[error("the file holds no usable points or facets ({found})")]
    NothingUsable {
        /// What was found and left out.
        found: String,
    },
    /// More than the settings allow.
    #[error("the file announces {count} {what}, more than the limit of {limit}")]
    TooMany {
        /// How many.
        count: u64,
        /// "points" or "facets".
        what: &'static str,
        /// The limit from the settings.
        limit: u64,
    },
    /// A sound file that uses something we do not read.
    #[error("{format}: {feature} is not supported")]
    Unsupported {
        /// Which format.
        format: FileFormat,
        /// What it uses.
        feature: String,
    },
}

impl Explain for Problem {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            Problem::Io { .. } => {
                "Check that the path names a file (not a folder), that it still exists and that you may read it."
            }
            Problem::Empty => "Export or copy the scan again: the copy probably failed.",
            Problem::UnknownFormat { .. } => {
                "Export the scan as STL, PLY, OBJ, E57, 3MF or as text points (XYZ, ASC, CSV)."
            }
            Problem::Truncated { .. } => "Copy the file again, or export it again from the scanner's software.",
            Problem::Malformed { .. } => {
                "Copy the file again; if that does not help, export it again, best as binary PLY."
            }
            Problem::IndexOutOfRange { .. } => {
                "Export the scan again: the file is damaged, or its header names the wrong byte order."
            }
            Problem::MostlyUnusable { .. } => {
                "Export the scan again: the file is damaged, or its header names the wrong byte order or number type."
            }
            Problem::NothingUsable { .. } => {
                "Check in the scanner's software that the scan is not empty, and export it again."
            }
            Problem::TooMany { .. } => "Thin the scan out before exporting it, or export it in several parts.",
            Problem::Unsupported { .. } => "Export the scan again as binary PLY or binary STL.",
        }
        .into()
    }
}
