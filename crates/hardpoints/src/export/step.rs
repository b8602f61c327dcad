//! The set as STEP: every hardpoint by role and side, every feature behind them as an analytic
//! face, a product each.

use super::{CAUTION, ExportError, SYSTEM};
use crate::datum::Datum;
use crate::set::{DatumRecord, Hardpoint, HardpointSet};
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_exchange::step::{Assembly, Heading, Part, Piece, write};
use stringline_fit::Shape;

/// Half length of the cross that marks a point, mm.
const CROSS: f64 = 5.0;

/// Half length an axis is drawn with where nothing longer was measured, mm.
const AXIS_HALF_LENGTH: f64 = 25.0;

/// Radius and half length of the short sheet that lets a program pick an axis, mm.
const AXIS_SHEET: (f64, f64) = (1.0, 10.0);

/// Radius a face is drawn with where nothing larger was measured, mm.
const FACE_RADIUS: f64 = 20.0;

/// Half length a round feature is drawn with where its measured length is shorter, mm.
const SHEET_HALF_LENGTH: f64 = 0.5;

/// A cone is drawn no nearer to its apex than this share of its radius.
const CONE_TIP: f64 = 0.05;

/// The set as a STEP file. A point is drawn as a point with a small cross; an axis as a bounded
/// line and as a short cylinder sheet, `… sheet`; a face as a disc; the features as trimmed planes,
/// cylinders, cones and spheres under their own names. `time_stamp` is ISO 8601.
///
/// # Errors
/// [`ExportError`] if the set is not sound.
pub fn to_step(set: &HardpointSet, file_name: &str, time_stamp: &str) -> Result<String, ExportError> {
    set.check()?;
    let mut parts = Vec::new();
    for hardpoint in &set.hardpoints {
        hardpoint_parts(set, hardpoint, &mut parts)?;
    }
    for datum in &set.datums {
        parts.push(datum_part(datum)?);
    }
    let title = super::title(set);
    let assembly = Assembly { name: title, description: format!("{}. {}", set.axes.words(), CAUTION.join(" ")), parts };
    let mut description = vec!["Hardpoints and the features they rest on", set.axes.words()];
    description.extend(CAUTION);
    let heading = Heading { file_name, time_stamp, system: SYSTEM, description };
    Ok(write(&assembly, &heading)?)
}

fn hardpoint_parts(set: &HardpointSet, hardpoint: &Hardpoint, parts: &mut Vec<Part>) -> Result<(), ExportError> {
    let description = hardpoint.construction.clone().unwrap_or_default();
    let mut part = |suffix: &str, pieces: Vec<Piece>| {
        parts.push(Part { name: hardpoint.label() + suffix, description: description.clone(), pieces });
    };
    match hardpoint.datum()? {
        Datum::Point { position } => part("", cross(&position)),
        Datum::Axis { position, direction } => {
            let d = direction.into_inner();
            let half = reach(set, hardpoint, &position, &direction).max(AXIS_HALF_LENGTH);
            part(
                "",
                vec![
                    Piece::Segment { from: position - d * half, to: position + d * half },
                    Piece::Point { at: position },
                ],
            );
            let (radius, half) = AXIS_SHEET;
            let sheet = Piece::Cylinder { start: position - d * half, direction, radius, length: 2.0 * half };
            part(" sheet", vec![sheet]);
        }
        Datum::Face { position, normal } => {
            let across = sources(set, hardpoint).map(|d| d.extent.across);
            let radius = across.fold(FACE_RADIUS, f64::max);
            part("", vec![Piece::Disc { centre: position, normal, radius }]);
        }
    }
    Ok(())
}

/// A point, and three short lines through it that snap and show where a lone point does not.
fn cross(at: &Point3) -> Vec<Piece> {
    let arms = (0..3).map(|i| {
        let arm = Vec3::ith(i, CROSS);
        Piece::Segment { from: at - arm, to: at + arm }
    });
    std::iter::once(Piece::Point { at: *at }).chain(arms).collect()
}

fn sources<'a>(set: &'a HardpointSet, hardpoint: &'a Hardpoint) -> impl Iterator<Item = &'a DatumRecord> {
    set.datums.iter().filter(|d| hardpoint.sources.contains(&d.name))
}

/// How far from `position` the measured parts of the features behind an axis reach along it, mm.
fn reach(set: &HardpointSet, hardpoint: &Hardpoint, position: &Point3, direction: &UnitVec3) -> f64 {
    sources(set, hardpoint)
        .filter_map(|d| Some((Point3::from(d.point), Vec3::from(d.direction?), d.extent.along)))
        .flat_map(|(p, d, along)| along.map(|t| direction.dot(&(p + d * t - position)).abs()))
        .fold(0.0, f64::max)
}

fn datum_part(datum: &DatumRecord) -> Result<Part, ExportError> {
    let [low, high] = datum.extent.along;
    // What was measured, made long enough to be seen.
    let middle = 0.5 * (low + high);
    let half = (0.5 * (high - low)).max(SHEET_HALF_LENGTH);
    let (mut low, high) = (middle - half, middle + half);
    let piece = match datum.shape()? {
        Shape::Plane { point, normal } => Piece::Disc {
            centre: point,
            normal,
            radius: if datum.extent.across > 0.0 { datum.extent.across } else { FACE_RADIUS },
        },
        Shape::Cylinder { point, direction, radius } => {
            Piece::Cylinder { start: point + direction.into_inner() * low, direction, radius, length: high - low }
        }
        Shape::Cone { point, direction, radius, half_angle } => {
            let slope = half_angle.tan();
            let tip = (CONE_TIP - 1.0) * radius / slope;
            low = low.max(tip);
            Piece::Cone {
                start: point + direction.into_inner() * low,
                direction,
                radius: radius + low * slope,
                half_angle,
                length: (high - low).max(SHEET_HALF_LENGTH),
            }
        }
        Shape::Sphere { centre, radius } => Piece::Sphere { centre, radius },
        Shape::Circle { centre, normal, radius } => Piece::Circle { centre, normal, radius },
    };
    Ok(Part {
        name: datum.name.clone(),
        description: format!("{} fitted to a scan, form error {:.3} mm", datum.kind, datum.form_error),
        pieces: vec![piece],
    })
}
