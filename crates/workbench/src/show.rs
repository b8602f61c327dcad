//! What the scene is to show: colours of the scans, lines of the features.

use crate::clearance;
use crate::geometry::linkage;
use crate::live::Live;
use crate::overlay;
use crate::placing;
use crate::shown::{Layer, LineMark, Mark, Shown, ShownLine, ShownScan, Tint};
use crate::state::{State, Stop};
use std::f64::consts::TAU;
use std::sync::Arc;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};
use stringline_fit::{Extent, Feature, Shape};
use stringline_hardpoints::{DatumKind, Hardpoint, place_feature};
use stringline_job::Name;

/// An axis is drawn so far beyond what was measured: this share of its length, and at least so much, mm.
const OVERSHOOT: (f64, f64) = (0.35, 4.0);
/// Corners of a drawn circle.
const CORNERS: usize = 48;
/// Half the size of the cross at a point, mm.
const CROSS: f64 = 6.0;
/// Length of the car's axes, mm.
const CAR_AXES: f64 = 200.0;

/// What is to be shown now.
pub(crate) fn shown(state: &mut State) -> Shown {
    let names: Vec<Name> = state.scans.keys().cloned().collect();
    let tints: Vec<Arc<Tint>> = names.iter().map(|name| tint_of(state, name)).collect();
    let surfaces = state.scans.iter().zip(tints).filter_map(|((name, scan), tint)| {
        let surface = scan.surface()?;
        let at_rest = state.world_from_scan(name);
        let swept = clearance::placed(state, name);
        let world_from_scan = match swept {
            Some((placed, _)) => placed.unwrap_or(at_rest),
            None => match placing::before(state, name) {
                Some(before) => before,
                None => linkage::motion(state, name).map_or(at_rest, |moved| moved * at_rest),
            },
        };
        let opacity = scan.opacity * swept.map_or(1.0, |(_, solid)| solid);
        Some(ShownScan { id: scan.id, scan: Arc::clone(surface), world_from_scan, opacity, tint })
    });
    Shown {
        // Bodies that are no scans come last, so that the scans keep their places.
        scans: surfaces.chain(clearance::drawn(state)).collect(),
        lines: lines(state),
        section: state.section.map(|s| (s.point + s.normal.into_inner() * s.shift, s.normal)),
        dark: state.remembered.dark,
        look: state.look,
    }
}

/// Which scan is at a place of [`Shown::scans`].
pub(crate) fn scan_at(state: &State, place: usize) -> Option<&Name> {
    state.scans.iter().filter(|(_, scan)| scan.surface().is_some()).map(|(name, _)| name).nth(place)
}

/// The colours of a scan; kept until something of what they show changes.
fn tint_of(state: &mut State, scan: &Name) -> Arc<Tint> {
    if let Some(tint) = state.tints.get(scan) {
        return Arc::clone(tint);
    }
    let is_full = state.scans.get(scan).is_some_and(|scan| scan.ready().is_some());
    let tint = Arc::new(if is_full { make_tint(state, scan) } else { Tint::default() });
    state.tints.insert(scan.clone(), Arc::clone(&tint));
    tint
}

fn make_tint(state: &mut State, scan: &Name) -> Tint {
    if state.stop == Stop::Clearance {
        return Tint { layers: clearance::glow(state, scan), ..Tint::default() };
    }
    let map = state.map.clone().filter(|map| map.scan == *scan);
    let live = state.live.as_ref().filter(|live| live.scan == *scan);
    let mut layers = Vec::new();
    for (name, result) in state.results.features.iter().filter(|(_, result)| result.scan == *scan) {
        let chosen = state.chosen.as_ref() == Some(name);
        if map.is_some() && chosen || live.is_some_and(|live| live.feature == *name) {
            continue;
        }
        let known = state.patches.get(name).filter(|(of, _)| Arc::ptr_eq(of, result));
        let points = match known {
            Some((_, points)) => Arc::clone(points),
            None => {
                let points: Arc<[u32]> = result.patch.points.as_slice().into();
                state.patches.insert(name.clone(), (Arc::clone(result), Arc::clone(&points)));
                points
            }
        };
        layers.push(Layer { points, mark: if chosen { Mark::Chosen } else { Mark::Feature } });
    }
    let painted = live.map(|live| Layer { points: Arc::clone(&live.points), mark: Mark::Painted });
    let footprint = state.footprint.as_ref().filter(|footprint| footprint.scan == *scan);
    let brush = footprint.map(|footprint| Layer {
        points: Arc::clone(&footprint.points),
        mark: if footprint.wipe { Mark::Wiping } else { Mark::Footprint },
    });
    // While the brush paints it does not hide what it leaves.
    layers.extend(if state.stroke.is_some() { [brush, painted] } else { [painted, brush] }.into_iter().flatten());
    match map {
        Some(map) => Tint { layers, values: Arc::clone(&map.values), range: map.range, ..Tint::default() },
        None => Tint { layers, ..Tint::default() },
    }
}

fn lines(state: &State) -> Vec<ShownLine> {
    let mut lines = Vec::new();
    if state.stop == Stop::Geometry {
        linkage::lines(state, &mut lines);
        return lines;
    }
    if state.stop == Stop::Clearance {
        clearance::lines(state, &mut lines);
        return lines;
    }
    let live_name = state.live.as_ref().map(|live| &live.feature);
    for (name, result) in &state.results.features {
        let hidden = state.scans.get(&result.scan).is_none_or(|scan| scan.opacity <= 0.0);
        if hidden || live_name == Some(name) {
            continue;
        }
        let picked = state.picked.iter().any(|picked| picked == name.as_str());
        let mark = if picked || state.chosen.as_ref() == Some(name) { LineMark::Chosen } else { LineMark::Feature };
        draw_feature(&result.feature, &state.world_from_scan(&result.scan), mark, &mut lines);
    }
    if let Some(Live { outcome: Ok(fit), scan, .. }) = &state.live {
        draw_feature(&fit.shape, &state.world_from_scan(scan), LineMark::Live, &mut lines);
    }
    for hardpoint in &state.results.set.hardpoints {
        draw_hardpoint(hardpoint, &mut lines);
    }
    if let Some(between) = crate::measured::line(state) {
        lines.push(ShownLine { points: between, mark: LineMark::Measure });
    }
    overlay::lines(state, &mut lines);
    if state.stop == Stop::Frame {
        placing::lines(state, &mut lines);
        for (number, axis) in [Vec3::x(), Vec3::y(), Vec3::z()].into_iter().enumerate() {
            let points = vec![Point3::origin(), Point3::from(axis * CAR_AXES)];
            lines.push(ShownLine { points, mark: LineMark::Axis(number as u8) });
        }
    }
    lines
}

/// A feature's axis and outline, in the world.
fn draw_feature(feature: &Feature, world_from_scan: &RigidTransform, mark: LineMark, lines: &mut Vec<ShownLine>) {
    let placed = place_feature(feature, world_from_scan);
    let extent = &placed.extent;
    let mut add = |points| lines.push(ShownLine { points, mark });
    match placed.shape {
        Shape::Plane { point, normal } => {
            add(circle(&point, &normal, extent.across));
            let reach = (extent.across * OVERSHOOT.0).max(OVERSHOOT.1);
            add(vec![point, point + normal.into_inner() * reach]);
        }
        Shape::Circle { centre, normal, radius } => {
            add(circle(&centre, &normal, radius));
            let reach = (radius * OVERSHOOT.0).max(OVERSHOOT.1);
            add(vec![centre - normal.into_inner() * reach, centre + normal.into_inner() * reach]);
        }
        Shape::Sphere { centre, radius } => {
            for direction in [Vec3::x_axis(), Vec3::y_axis(), Vec3::z_axis()] {
                add(circle(&centre, &direction, radius));
            }
            cross(&centre, &mut add);
        }
        Shape::Cylinder { point, direction, radius } => {
            let [low, high] = ends(extent);
            add(vec![point + direction.into_inner() * low.1, point + direction.into_inner() * high.1]);
            for along in [low.0, high.0] {
                add(circle(&(point + direction.into_inner() * along), &direction, radius));
            }
        }
        Shape::Cone { point, direction, radius, half_angle } => {
            let [low, high] = ends(extent);
            add(vec![point + direction.into_inner() * low.1, point + direction.into_inner() * high.1]);
            for along in [low.0, high.0] {
                let radius = (radius + along * half_angle.tan()).max(0.0);
                add(circle(&(point + direction.into_inner() * along), &direction, radius));
            }
        }
    }
}

/// Of either end, where the measured surface ends and where the axis is drawn to.
fn ends(extent: &Extent) -> [(f64, f64); 2] {
    let [low, high] = extent.along;
    let over = ((high - low) * OVERSHOOT.0).max(OVERSHOOT.1);
    [(low, low - over), (high, high + over)]
}

fn circle(centre: &Point3, normal: &UnitVec3, radius: f64) -> Vec<Point3> {
    let (u, v) = frame_about(normal);
    let corner = |i: usize| {
        let (sin, cos) = (TAU * i as f64 / CORNERS as f64).sin_cos();
        centre + (u * cos + v * sin) * radius
    };
    (0..=CORNERS).map(corner).collect()
}

fn cross(at: &Point3, add: &mut impl FnMut(Vec<Point3>)) {
    for axis in [Vec3::x(), Vec3::y(), Vec3::z()] {
        add(vec![at - axis * CROSS, at + axis * CROSS]);
    }
}

fn draw_hardpoint(hardpoint: &Hardpoint, lines: &mut Vec<ShownLine>) {
    let at = Point3::from(hardpoint.position);
    let mut add = |points| lines.push(ShownLine { points, mark: LineMark::Hardpoint });
    match (hardpoint.kind, hardpoint.direction) {
        (DatumKind::Axis | DatumKind::Face, Some(direction)) => {
            add(vec![at, at + Vec3::from(direction) * (4.0 * CROSS)]);
        }
        _ => cross(&at, &mut add),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_circle_is_closed_and_square_to_its_normal() {
        let normal = UnitVec3::new_normalize(Vec3::new(0.2, -0.5, 0.9));
        let centre = Point3::new(1.0, 2.0, 3.0);
        let points = circle(&centre, &normal, 7.0);
        assert!((points[0] - points[CORNERS]).norm() < 1e-9);
        for p in points {
            assert!(((p - centre).norm() - 7.0).abs() < 1e-9 && (p - centre).dot(&normal).abs() < 1e-9);
        }
    }
}
