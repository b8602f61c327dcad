//! From fitted features and mates to the scans' placements.

use crate::document::Job;
use crate::evaluate::{EvaluateError, Results};
use crate::mates::{MateSpec, Tie};
use crate::name::Name;
use nalgebra::Matrix6;
use std::collections::{BTreeMap, BTreeSet};
use stringline_core::covariance::{Source, Sources};
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_fit::Shape;
use stringline_hardpoints::{Constructed, Construction, Datum, Inputs, block_rotation, place_feature};
use stringline_place::{
    AdjustError, AdjustSettings, Adjusted, Anchor, Asymmetry, Facing, Hold, Known, Mate, On, Relation, adjust,
    asymmetry,
};

/// How a scan sits in the car, as computed.
#[derive(Clone, Debug)]
pub struct PlacementResult {
    /// Takes scan coordinates to the car's.
    pub car_from_scan: RigidTransform,
    /// How it was found, in words.
    pub found: String,
    /// Covariance of the small motion by which it may be off, in the car's axes about its origin; `None`
    /// where it counts as exact.
    pub covariance: Option<Matrix6<f64>>,
    /// Where that comes from: derivatives of the motion's six numbers. Features stand under their names, with
    /// their parameters as placed in the car.
    pub sources: Sources,
}

/// Where a scan stands in the car, and the covariance of that ([`PlacementResult::covariance`]): as evaluated, or as
/// typed since.
pub fn placed(
    job: &Job,
    placements: &BTreeMap<Name, PlacementResult>,
    scan: &Name,
) -> Option<(RigidTransform, Option<Matrix6<f64>>)> {
    let evaluated = placements.get(scan).map(|placed| (placed.car_from_scan, placed.covariance));
    evaluated.or_else(|| {
        let typed = job.placements.get(scan)?;
        let covariance = typed.covariance.map(|c| Matrix6::from_fn(|row, column| c[row][column]));
        Some((typed.car_from_scan()?, covariance))
    })
}

/// Places the scans: those with a typed placement so, the others by the job's mates.
pub(crate) fn place_all(job: &Job, results: &mut Results) {
    let known = typed(job);
    for (name, placement) in &job.placements {
        let Some(Known { car_from_scan, covariance }) = known.get(name.as_str()).cloned() else { continue };
        let sources = Known { car_from_scan, covariance }.sources(name.as_str());
        let found = placement.found.clone();
        results.placements.insert(name.clone(), PlacementResult { car_from_scan, found, covariance, sources });
    }
    let mut mates = Vec::new();
    for (name, spec) in &job.mates {
        match resolve(job, results, name, spec) {
            Ok(mate) => mates.extend(mate),
            Err(error) => results.fail("mate", name, error),
        }
    }
    let adjusted = loop {
        if mates.is_empty() {
            return;
        }
        match adjust(&mates, &known, &AdjustSettings::default()) {
            Ok(adjusted) => break adjusted,
            // The rest may well be placed.
            Err(AdjustError::NotTied { scans }) => {
                for scan in &scans {
                    let alone = AdjustError::NotTied { scans: vec![scan.clone()] };
                    results.fail("placement", scan, EvaluateError::Adjust(alone));
                }
                mates.retain(|mate| !scans.iter().any(|scan| speaks_of(mate, scan)));
            }
            Err(error) => return results.fail("placement", "by mates", EvaluateError::Adjust(error)),
        }
    };
    let frames: BTreeMap<&str, RigidTransform> = adjusted
        .scans
        .iter()
        .map(|(scan, placed)| (scan.as_str(), placed.car_from_scan))
        .chain(known.iter().map(|(scan, known)| (scan.as_str(), known.car_from_scan)))
        .collect();
    for (scan, placed) in &adjusted.scans {
        let Ok(name) = scan.parse::<Name>() else { continue };
        if !placed.held {
            let how = adjusted.free.iter().filter(|f| f.moves(scan)).map(ToString::to_string).collect::<Vec<_>>();
            results.fail("placement", scan, EvaluateError::Free { how: how.join("; ") });
            continue;
        }
        let sources = placed.sources.iter().map(|(source, by)| (source.clone(), in_car(source, by, &frames, results)));
        let sources = sources.collect();
        let ties = mates.iter().filter(|mate| speaks_of(mate, scan)).count();
        let found = format!("adjusted by {}", stringline_core::words::plural(ties, "mate"));
        let covariance = Some(placed.covariance);
        let car_from_scan = placed.car_from_scan;
        results.placements.insert(name, PlacementResult { car_from_scan, found, covariance, sources });
    }
    warn(&adjusted, results);
    results.adjusted = Some(adjusted);
}

/// The placements that are typed.
fn typed(job: &Job) -> BTreeMap<String, Known> {
    let usable = job.placements.iter().filter_map(|(name, placement)| {
        let covariance = placement.covariance.map(|c| Matrix6::from_fn(|row, column| c[row][column]));
        Some((name.to_string(), Known { car_from_scan: placement.car_from_scan()?, covariance }))
    });
    usable.collect()
}

/// Where all mates that can be had so far put the scans, those that they hold.
pub(crate) fn stands(job: &Job, results: &Results) -> BTreeMap<String, RigidTransform> {
    let known = typed(job);
    // What cannot be had is told once, when all is placed.
    let mates: Vec<Mate> =
        job.mates.iter().filter_map(|(name, spec)| resolve(job, results, name, spec).ok()?).collect();
    let typed = known.iter().map(|(scan, known)| (scan.clone(), known.car_from_scan));
    let mut stand: BTreeMap<String, RigidTransform> = typed.collect();
    if let Ok(adjusted) = adjust(&mates, &known, &AdjustSettings::default()) {
        let held = adjusted.scans.into_iter().filter(|(_, placed)| placed.held);
        stand.extend(held.map(|(scan, placed)| (scan, placed.car_from_scan)));
    }
    stand
}

fn speaks_of(mate: &Mate, scan: &str) -> bool {
    let of = |on: &On| on.scan.as_deref() == Some(scan);
    match &mate.relation {
        Relation::Meet { first, second, .. }
        | Relation::Distance { first, second, .. }
        | Relation::Parallel { first, second }
        | Relation::Angle { first, second, .. } => of(first) || of(second),
        Relation::Pair { left, right, .. } => of(left) || of(right),
        Relation::Coordinate { of: points, .. } => points.iter().any(of),
        Relation::Relative { scan: placed, on, .. } => placed == scan || on.as_deref() == Some(scan),
    }
}

/// What a fit's parameters do, told in the car's frame in place of the scan's.
fn in_car(name: &str, by: &Source, frames: &BTreeMap<&str, RigidTransform>, results: &Results) -> Source {
    let Some(result) = results.features.get(name) else { return by.clone() };
    let Some(car_from_scan) = frames.get(result.scan.as_str()) else { return by.clone() };
    let placed = place_feature(&result.feature, car_from_scan);
    let vectors = if placed.shape.direction().is_some() { 2 } else { 1 };
    let scalars = placed.covariance.nrows().saturating_sub(3 * vectors);
    Source {
        jacobian: &by.jacobian * block_rotation(car_from_scan, vectors, scalars).transpose(),
        covariance: placed.covariance,
        degrees_of_freedom: by.degrees_of_freedom,
    }
}

/// What is to be looked at.
fn warn(adjusted: &Adjusted, results: &mut Results) {
    for fit in &adjusted.mates {
        let Some(off) = &fit.off else { continue };
        let by = off_words(off.shift, off.shift_u95);
        if fit.left_out {
            let mut text = format!("it does not hold and was left out: off by {by}");
            for side in fit.sides.iter().filter(|side| side.probability < 0.001) {
                let way = if side.outboard < 0.0 { "inboard" } else { "outboard" };
                text.push_str(&format!(
                    "; '{}' stands {:.2} mm {way} of where the drawing has it",
                    side.datum,
                    side.outboard.abs()
                ));
            }
            if fit.sides.is_empty() {
                text.push_str("; which of the two is off the pair alone cannot tell: give the distance by the drawing");
            }
            if !fit.or_else.is_empty() {
                text.push_str(&format!("; it may as well be {} that does not hold", fit.or_else.join(" or ")));
            }
            results.warn(&fit.name, text);
        } else if off.probability < 0.001 {
            results.warn(
                &fit.name,
                format!("it fits badly: all the others put it {by} off; paint its datums again or remove it"),
            );
        }
    }
    if adjusted.probability < 0.001 {
        results.warn(
            "placements",
            format!(
                "the mates contradict one another more than their ± explains (χ² {:.0} for {}): the ± of the \
                 placements is too small",
                adjusted.chi_squared, adjusted.redundancy
            ),
        );
    }
}

/// A shift in words: how much, and which way in the car.
pub fn off_words(shift: Vec3, u95: f64) -> String {
    let parts = [(shift.x, "forward", "rearward"), (shift.y, "left", "right"), (shift.z, "up", "down")];
    let size = shift.norm();
    let ways: Vec<String> = parts
        .iter()
        // What is a tenth of the whole says nothing of the direction.
        .filter(|(v, ..)| v.abs() > 0.1 * size)
        .map(|(v, plus, minus)| format!("{:.2} {}", v.abs(), if *v < 0.0 { minus } else { plus }))
        .collect();
    format!("{} mm ({})", stringline_core::covariance::with_uncertainty(size, u95), ways.join(", "))
}

/// A mate as the adjustment takes it; `None` where a scan could not be laid on another, which is told already.
fn resolve(job: &Job, results: &Results, name: &Name, spec: &MateSpec) -> Result<Option<Mate>, EvaluateError> {
    let on = |input: &str| anchor(job, results, input, None);
    let relation = match &spec.tie {
        Tie::Meet { first, second, offset, facing } => {
            // The same taper on both: at the radius that the first reports.
            let radius = |input: &str| match results.features.get(input).map(|r| r.feature.shape) {
                Some(Shape::Cone { radius, .. }) => Some(radius),
                _ => None,
            };
            let gauge = radius(first).filter(|_| radius(second).is_some());
            Relation::Meet {
                first: on(first)?,
                second: anchor(job, results, second, gauge)?,
                offset: *offset,
                facing: facing.map(Facing::from),
            }
        }
        Tie::Distance { first, second, distance } => {
            Relation::Distance { first: on(first)?, second: on(second)?, distance: *distance }
        }
        Tie::Parallel { first, second } => Relation::Parallel { first: on(first)?, second: on(second)? },
        Tie::Angle { first, second, angle_deg } => {
            Relation::Angle { first: on(first)?, second: on(second)?, angle: angle_deg.to_radians() }
        }
        Tie::Ground { face, height } => {
            let mut first = on(face)?;
            let level = Anchor::exact("the ground", Hold::Face, Point3::new(0.0, 0.0, *height), Vec3::z_axis());
            if below_the_rest(job, results, face, &first) {
                first.anchor = first.anchor.turned();
            }
            let second = On { scan: None, anchor: level };
            Relation::Meet { first, second, offset: 0.0, facing: Some(Facing::Same) }
        }
        Tie::Pair { left, right, apart } => Relation::Pair { left: on(left)?, right: on(right)?, apart: *apart },
        Tie::Coordinate { of, axis, value } => {
            let of = of.iter().map(|input| on(input)).collect::<Result<_, _>>()?;
            Relation::Coordinate { of, axis: (*axis).into(), value: *value }
        }
        Tie::Surface { .. } | Tie::Markers { .. } | Tie::Points { .. } => match results.laid.get(name) {
            Some(laid) => laid.relation(),
            None => return Ok(None),
        },
    };
    let (give, give_deg) = spec.gives();
    let may_fail = !spec.keep && matches!(spec.tie, Tie::Pair { .. });
    Ok(Some(Mate { name: name.to_string(), relation, give, give_angle: give_deg.to_radians(), may_fail }))
}

/// Whether a ground's normal points away from what else is measured on its scan, which stands above it.
fn below_the_rest(job: &Job, results: &Results, face: &str, on: &On) -> bool {
    let (Some(scan), Some(normal)) = (&on.scan, on.anchor.direction) else { return false };
    let used: BTreeSet<&str> = job.mates.values().flat_map(|mate| mate.tie.inputs()).collect();
    let others = results
        .features
        .iter()
        .filter(|(name, result)| result.scan.as_str() == scan && name.as_str() != face && used.contains(name.as_str()));
    let above: f64 = others.map(|(_, result)| normal.dot(&(result.feature.shape.point() - on.anchor.position))).sum();
    above < 0.0
}

/// A datum on its scan, from a feature or a construction.
fn anchor(job: &Job, results: &Results, input: &str, gauge: Option<f64>) -> Result<On, EvaluateError> {
    if let Some(result) = results.features.get(input) {
        let anchor = Anchor::of_feature(input, &result.feature, gauge);
        return Ok(On { scan: Some(result.scan.to_string()), anchor });
    }
    if job.features.keys().any(|name| name.as_str() == input) {
        return Err(EvaluateError::RestsOn { what: "feature", name: input.into() });
    }
    let how = job.datums.iter().find(|(name, _)| name.as_str() == input).map(|(_, how)| how);
    let how = how.ok_or_else(|| EvaluateError::Missing { what: "feature or datum", name: input.into() })?;
    let mut scan = None;
    let mut inputs = Inputs::default();
    gather(job, results, input, how, &mut scan, &mut inputs)?;
    let made = inputs.construct(how)?;
    let scan = scan.ok_or_else(|| EvaluateError::Missing { what: "feature of the datum", name: input.into() })?;
    Ok(On { scan: Some(scan.to_string()), anchor: as_anchor(input, &made) })
}

/// Puts all that a datum is constructed from into the inputs, in the frame of the one scan that it lies on.
fn gather(
    job: &Job,
    results: &Results,
    datum: &str,
    how: &Construction,
    scan: &mut Option<Name>,
    inputs: &mut Inputs,
) -> Result<(), EvaluateError> {
    if how.needs_car() {
        return Err(EvaluateError::NotOnOneScan { datum: datum.into() });
    }
    for input in how.inputs() {
        if inputs.feature(input).is_some() || inputs.constructed(input).is_some() {
            continue;
        }
        if let Some(result) = results.features.get(input) {
            if scan.get_or_insert_with(|| result.scan.clone()) != &result.scan {
                return Err(EvaluateError::NotOnOneScan { datum: datum.into() });
            }
            inputs.add_feature(input, result.feature.clone())?;
        } else if let Some((_, how)) = job.datums.iter().find(|(name, _)| name.as_str() == input) {
            // The job refuses datums that rest on themselves; a file may still hold one.
            if crate::check::rests_on_itself(job, input) {
                return Err(EvaluateError::Circular);
            }
            gather(job, results, datum, how, scan, inputs)?;
            let made = inputs.construct(how)?;
            inputs.add_constructed(input, made)?;
        } else {
            return Err(EvaluateError::RestsOn { what: "feature", name: input.into() });
        }
    }
    Ok(())
}

fn as_anchor(name: &str, made: &Constructed) -> Anchor {
    let hold = match made.datum {
        Datum::Point { .. } => Hold::Point,
        Datum::Axis { .. } => Hold::Axis,
        Datum::Face { .. } => Hold::Face,
    };
    Anchor {
        name: name.into(),
        hold,
        position: made.datum.position(),
        direction: made.datum.direction(),
        sources: made.sources.clone(),
    }
}

/// How far left and right are from mirror images.
pub(crate) fn unlike(left: &Constructed, right: &Constructed) -> Option<Asymmetry> {
    asymmetry(&as_anchor("left", left), &as_anchor("right", right))
}
