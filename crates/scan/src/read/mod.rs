//! Readers: bytes to geometry in millimetres, with an account of what was found and repaired.
//!
//! ```
//! use stringline_scan::read::{ReadSettings, read};
//!
//! let text = b"x y z\n10 0 0\n0 20.5 0\n0 0 30\n";
//! let scan = read(std::io::Cursor::new(text), "points.xyz", &ReadSettings::default())?;
//! assert_eq!(scan.geometry.points()[1].y, 20.5);
//! assert_eq!(scan.unit.applied.symbol(), "mm");
//! # Ok::<(), stringline_scan::read::ReadError>(())
//! ```
//!
//! The format is decided by the content first and the file's ending second. Every reader streams
//! in blocks and checks what a header announces against the file's real size before it allocates,
//! and one validator runs behind all of them (see [`Repairs`] for what it drops and counts).

mod e57;
mod error;
mod format;
mod obj;
mod ply;
mod polygons;
mod source;
mod stl;
mod threemf;
mod tidy;
mod units;
mod xyz;

use std::fmt;
use std::io::{Read, Seek};

use serde::Serialize;
use stringline_core::units::LengthUnit;

use crate::Geometry;

pub use error::{Place, Problem, ReadError};
pub use format::FileFormat;
pub use units::{UnitBasis, UnitFinding};

use source::{ReadSeek, Source};

/// How to read a scan.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadSettings {
    /// The unit of the file's numbers. `None` (the default): the unit the format declares, or
    /// millimetres where it declares none; a guess is told but never applied.
    pub unit: Option<LengthUnit>,
    /// Whether equal positions become one vertex. Default [`Weld::Auto`].
    pub weld: Weld,
    /// The most points or facets that are read. Default 250 million.
    pub most_elements: u64,
}

impl Default for ReadSettings {
    fn default() -> Self {
        Self { unit: None, weld: Weld::Auto, most_elements: 250_000_000 }
    }
}

/// When equal positions (bit for bit, −0 being 0) become one vertex of a mesh.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weld {
    /// STL always, as it repeats every corner; other formats when they have more than three
    /// vertices for four facets, where a closed mesh has two.
    Auto,
    /// Always.
    Always,
    /// Never, except that STL needs it: without shared vertices there is no surface.
    Never,
}

impl Weld {
    fn applies(self, vertices: usize, facets: usize) -> bool {
        match self {
            Weld::Auto => vertices / 3 > facets / 4,
            Weld::Always => true,
            Weld::Never => false,
        }
    }
}

/// A scan that was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// The mesh or cloud, mm.
    pub geometry: Geometry,
    /// The format the content turned out to be.
    pub format: FileFormat,
    /// The unit and how it was found.
    pub unit: UnitFinding,
    /// What was left out or mended.
    pub repairs: Repairs,
    /// What a person should know, a sentence each.
    pub notices: Vec<String>,
}

/// What the file held and what was left out of it or mended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct Repairs {
    /// Points or vertices in the file; for STL the corners of its facets.
    pub points_in_file: u64,
    /// Facets in the file, after polygons are split into triangles.
    pub facets_in_file: u64,
    /// Points the scanner itself marked as invalid (E57), left out.
    pub invalid_points: u64,
    /// Points of a cloud left out because a coordinate is not a number, infinite or beyond 10¹² mm.
    pub unusable_points: u64,
    /// Facets left out because a corner is such a point.
    pub unusable_facets: u64,
    /// Facets without area left out.
    pub degenerate_facets: u64,
    /// Facets left out that repeat an earlier one with the same three vertices and the same side.
    pub duplicate_facets: u64,
    /// Vertices that became one with an equal earlier one.
    pub welded_vertices: u64,
    /// Vertices no facet uses, left out.
    pub unused_vertices: u64,
    /// Polygons of more than three corners that were split into triangles, fanwise.
    pub split_polygons: u64,
}

impl fmt::Display for Repairs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} points", self.points_in_file)?;
        for (count, what) in [
            (self.facets_in_file, "facets"),
            (self.invalid_points, "points invalid"),
            (self.unusable_points, "points unusable"),
            (self.unusable_facets, "facets unusable"),
            (self.degenerate_facets, "facets without area"),
            (self.duplicate_facets, "facets repeated"),
            (self.welded_vertices, "vertices welded"),
            (self.unused_vertices, "vertices unused"),
            (self.split_polygons, "polygons split"),
        ] {
            if count > 0 {
                write!(f, ", {count} {what}")?;
            }
        }
        Ok(())
    }
}

/// What a format's reader hands to the validator, in the file's own unit.
struct Draft {
    geometry: Geometry,
    /// Vertices are shared already as well as they can be.
    welded: bool,
    declared_unit: Option<LengthUnit>,
    repairs: Repairs,
    notices: Vec<String>,
}

impl Draft {
    fn new(geometry: Geometry, repairs: Repairs) -> Self {
        Self { geometry, welded: false, declared_unit: None, repairs, notices: Vec::new() }
    }
}

/// Reads a scan. `file_name` is used for its ending, where the content leaves a doubt, and in
/// messages; nothing is opened.
///
/// The geometry comes in millimetres, f64, with no digit of the file lost. What the file repeats
/// or damages within reason is left out and counted in [`Reading::repairs`].
///
/// # Errors
/// [`ReadError`] names the file, what is wrong, where, and (through
/// [`Explain`](stringline_core::Explain)) what to do. An index out of range, a file shorter than
/// it announces and a file of which more than half is unusable are errors; single bad points or
/// facets are repairs.
pub fn read<R: Read + Seek>(mut source: R, file_name: &str, settings: &ReadSettings) -> Result<Reading, ReadError> {
    read_any(&mut source, file_name, settings).map_err(|problem| ReadError { file: file_name.to_owned(), problem })
}

fn read_any(source: &mut dyn ReadSeek, file_name: &str, settings: &ReadSettings) -> Result<Reading, Problem> {
    let mut source = Source::new(source)?;
    let format = format::detect(&mut source, file_name)?;
    let mut draft = match format {
        FileFormat::StlBinary => stl::binary(&mut source, settings),
        FileFormat::StlText => stl::text(&mut source, settings),
        FileFormat::Ply => ply::read(&mut source, settings),
        FileFormat::Obj => obj::read(&mut source, settings),
        FileFormat::TextPoints => xyz::read(&mut source, settings),
        FileFormat::E57 => e57::read(source, settings),
        FileFormat::ThreeMf => threemf::read(source, settings),
    }?;
    format::notice_ending(format, file_name, &mut draft.notices);
    finish(draft, format, settings)
}

/// Validates, finds the unit and scales to millimetres.
fn finish(draft: Draft, format: FileFormat, settings: &ReadSettings) -> Result<Reading, Problem> {
    let Draft { mut geometry, welded, declared_unit, mut repairs, mut notices } = draft;
    match &mut geometry {
        Geometry::Mesh(mesh) => {
            let weld = !welded && settings.weld.applies(mesh.vertices.len(), mesh.facets.len());
            tidy::mesh(mesh, weld, &mut repairs)?;
        }
        Geometry::Cloud(cloud) => tidy::cloud(cloud, &mut repairs, &mut notices)?,
    }
    let unit = units::find(geometry.bounds(), declared_unit, settings.unit, &mut notices);
    let scale = unit.applied.in_millimetres();
    if scale != 1.0 {
        let points = match &mut geometry {
            Geometry::Mesh(mesh) => &mut mesh.vertices,
            Geometry::Cloud(cloud) => &mut cloud.points,
        };
        for p in points {
            p.coords *= scale;
        }
    }
    Ok(Reading { geometry, format, unit, repairs, notices })
}

/// Said of a text file without a final line break, as its last number may have lost digits.
const LAST_LINE: &str = "The last line has no line break at its end; \
    if the file was cut short, the last number may be wrong.";

/// Refuses more elements than the settings allow or 32-bit indices can name.
fn within_limit(count: u64, what: &'static str, settings: &ReadSettings) -> Result<(), Problem> {
    // Three corners a facet must be countable too.
    let limit = settings.most_elements.min(crate::weld::MOST_VERTICES as u64 / 3);
    if count > limit {
        return Err(Problem::TooMany { count, what, limit });
    }
    Ok(())
}
