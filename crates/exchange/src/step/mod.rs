//! STEP files (ISO 10303-21, schema AP214) of named datums: points, bounded lines, circles and
//! analytic trimmed faces.
//!
//! Each [`Part`] becomes a product of its own under one assembly, because that is where readers
//! take names from; its representation items carry the name too. Planes, cylinders, cones and
//! spheres are `PLANE`, `CYLINDRICAL_SURFACE`, `CONICAL_SURFACE` and `SPHERICAL_SURFACE`, so the
//! axis a program shows is the axis that was written, digit for digit.
//!
//! The schema identifier and the product structure follow AP214 edition 1 as general-purpose
//! readers expect it (*from memory*, checked by reading the files back with one).

mod builder;
mod product;

pub use builder::{Builder, Directed, Vertex};

use crate::part21::{Header, Table};
use product::Products;
use std::borrow::Cow;
use stringline_core::{Explain, Point3, UnitVec3};

/// One thing to draw, mm and rad.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Piece {
    /// A point.
    Point {
        /// mm.
        at: Point3,
    },
    /// A bounded line.
    Segment {
        /// mm.
        from: Point3,
        /// mm.
        to: Point3,
    },
    /// A whole circle as a curve.
    Circle {
        /// mm.
        centre: Point3,
        /// Square to its plane.
        normal: UnitVec3,
        /// mm.
        radius: f64,
    },
    /// A round piece of a plane.
    Disc {
        /// mm.
        centre: Point3,
        /// The face's normal.
        normal: UnitVec3,
        /// mm.
        radius: f64,
    },
    /// A length of a cylinder, open at both ends; its normal points away from the axis.
    Cylinder {
        /// Centre of the end it starts at, mm.
        start: Point3,
        /// Along the axis, from the start.
        direction: UnitVec3,
        /// mm.
        radius: f64,
        /// mm.
        length: f64,
    },
    /// A length of a cone, open at both ends; its normal points away from the axis.
    Cone {
        /// Centre of the narrow end, mm.
        start: Point3,
        /// Along the axis, from the narrow end to the wide end.
        direction: UnitVec3,
        /// Radius of the narrow end, over zero, mm.
        radius: f64,
        /// Half the included angle, rad.
        half_angle: f64,
        /// Along the axis, mm.
        length: f64,
    },
    /// A whole sphere.
    Sphere {
        /// mm.
        centre: Point3,
        /// mm.
        radius: f64,
    },
}

/// Pieces under one name.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// The name a reader shows.
    pub name: String,
    /// What it is, for readers that show more than the name.
    pub description: String,
    /// What to draw.
    pub pieces: Vec<Piece>,
}

/// Everything in a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Assembly {
    /// The name of the whole.
    pub name: String,
    /// What it is.
    pub description: String,
    /// In the order of the tree.
    pub parts: Vec<Part>,
}

/// What the file says about itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Heading<'a> {
    /// The file's name.
    pub file_name: &'a str,
    /// ISO 8601, as `2026-01-31T12:00:00Z`.
    pub time_stamp: &'a str,
    /// The program that wrote it, with its version.
    pub system: &'a str,
    /// Lines for whoever opens the file, up to 256 characters each.
    pub description: Vec<&'a str>,
}

/// Why a STEP file could not be written.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum StepError {
    /// A coordinate, a radius or an angle is not finite.
    #[error("'{part}' holds a number that is not finite")]
    NotFinite {
        /// The part.
        part: String,
    },
    /// A size that makes no shape.
    #[error("'{part}' has a {what} of {value}, which makes no shape")]
    BadSize {
        /// The part.
        part: String,
        /// Which size.
        what: &'static str,
        /// mm or rad.
        value: f64,
    },
}

impl Explain for StepError {
    fn next_step(&self) -> Cow<'static, str> {
        "Fit or construct it again, or leave it out of the file.".into()
    }
}

/// Writes an assembly as a STEP file.
///
/// # Errors
/// [`StepError`] for a piece whose numbers make no shape; nothing is written then.
pub fn write(assembly: &Assembly, heading: &Heading<'_>) -> Result<String, StepError> {
    for part in &assembly.parts {
        for piece in &part.pieces {
            check(&part.name, piece)?;
        }
    }
    let mut table = Table::default();
    let mut products = Products::new(&mut table);
    for part in &assembly.parts {
        products.add_part(&mut table, part);
    }
    products.assemble(&mut table, &assembly.name, &assembly.description);
    Ok(table.write(&Header {
        description: heading.description.clone(),
        name: heading.file_name,
        time_stamp: heading.time_stamp,
        system: heading.system,
        schema: product::SCHEMA,
    }))
}

fn check(part: &str, piece: &Piece) -> Result<(), StepError> {
    let (points, sizes): (Vec<&Point3>, Vec<(&'static str, f64)>) = match piece {
        Piece::Point { at } => (vec![at], vec![]),
        Piece::Segment { from, to } => (vec![from, to], vec![("length", (to - from).norm())]),
        Piece::Circle { centre, radius, .. }
        | Piece::Disc { centre, radius, .. }
        | Piece::Sphere { centre, radius } => (vec![centre], vec![("radius", *radius)]),
        Piece::Cylinder { start, radius, length, .. } => (vec![start], vec![("radius", *radius), ("length", *length)]),
        Piece::Cone { start, radius, half_angle, length, .. } => {
            (vec![start], vec![("radius", *radius), ("length", *length), ("half angle", *half_angle)])
        }
    };
    let finite = points.iter().all(|p| p.iter().all(|x| x.is_finite())) && sizes.iter().all(|(_, x)| x.is_finite());
    if !finite {
        return Err(StepError::NotFinite { part: part.into() });
    }
    let bad = |what: &str, value: f64| value <= 0.0 || (what == "half angle" && value >= std::f64::consts::FRAC_PI_2);
    match sizes.into_iter().find(|(what, value)| bad(what, *value)) {
        Some((what, value)) => Err(StepError::BadSize { part: part.into(), what, value }),
        None => Ok(()),
    }
}
