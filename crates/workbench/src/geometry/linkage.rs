//! The linkage as lines over the scans, and how the scan of the knuckle goes with it.

use crate::geometry::corner_side;
use crate::geometry::study::Path;
use crate::shown::{LineMark, ShownLine};
use crate::state::{State, Stop};
use nalgebra::{Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion};
use std::f64::consts::TAU;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};
use stringline_hardpoints::{Role, Side};
use stringline_job::Name;
use stringline_kinematics::{AS_FOUND, AxleMeasures, Corner, CornerGeometry, Positions, Upper};

/// Corners of a wheel's circle.
const CORNERS: usize = 72;
/// A construction line goes on so far beyond its last point, mm.
const BEYOND: f64 = 60.0;
/// Half the length of the drawn instant axis, mm.
const AXIS: f64 = 350.0;
/// Half the size of a cross, mm.
const CROSS: f64 = 9.0;

/// Where every drawn point of a corner is.
pub(crate) struct Placed {
    pub(crate) geometry: CornerGeometry,
    pub(crate) at: Positions,
    /// From the knuckle's place at rest to where it is.
    pub(crate) knuckle: RigidTransform,
}

impl Placed {
    /// A corner of a variant where everything is now.
    pub(crate) fn new(geometry: &CornerGeometry, rest: &Positions, at: Positions) -> Placed {
        Placed {
            geometry: *geometry,
            knuckle: knuckle(rest).map_or(RigidTransform::identity(), |rest| {
                knuckle(&at).map_or(RigidTransform::identity(), |now| now * rest.inverse())
            }),
            at,
        }
    }

    /// Where a hardpoint is.
    pub(crate) fn point(&self, role: Role) -> Option<Point3> {
        let g = &self.geometry;
        match (role, g.upper) {
            (Role::LowerArmFront, _) => Some(g.lower_front),
            (Role::LowerArmRear, _) => Some(g.lower_rear),
            (Role::LowerBallJoint, _) => Some(self.at.lower_ball),
            (Role::TieRodInner, _) => Some(self.at.tie_rod_inner),
            (Role::TieRodOuter, _) => Some(self.at.tie_rod_outer),
            (Role::WheelCentre, _) => Some(self.at.wheel_centre),
            (Role::StrutTop, Upper::Strut { .. }) => Some(self.at.axis_top),
            (Role::UpperBallJoint, Upper::Arm { .. }) => Some(self.at.axis_top),
            (Role::UpperArmFront, Upper::Arm { front, .. }) => Some(front),
            (Role::UpperArmRear, Upper::Arm { rear, .. }) => Some(rear),
            _ => None,
        }
    }
}

/// A frame in the knuckle: the lower ball joint, the way to the outer tie-rod joint, the spin axis.
fn knuckle(p: &Positions) -> Option<RigidTransform> {
    let along = (p.tie_rod_outer - p.lower_ball).try_normalize(1e-9)?;
    let spin = p.spin.into_inner();
    let across = (spin - along * spin.dot(&along)).try_normalize(1e-9)?;
    let axes = Matrix3::from_columns(&[along, across, along.cross(&across)]);
    let turn = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(axes));
    Some(Isometry3::from_parts(Translation3::from(p.lower_ball.coords), turn))
}

/// Both corners of a variant where everything is now; `None` where there is no such position.
pub(crate) fn placed(state: &State, path: &Path) -> Option<[Placed; 2]> {
    let geometry = &state.geometry;
    let held = geometry.over.held();
    let [left, right] = path.axle.positions(geometry.at(), held).ok()?;
    let one = |side, at| {
        let corner: &Corner = path.axle.corner(side);
        Placed::new(path.axle.geometry().corner(side), &corner.at_rest(), at)
    };
    Some([one(Side::Left, left), one(Side::Right, right)])
}

/// Which colour a variant has: its place among all, as found first.
pub(crate) fn colour_of(state: &State, name: &str) -> u8 {
    let variants = state.job().into_iter().flat_map(|job| &job.variants).map(|v| v.name.as_str());
    let place = std::iter::once(AS_FOUND).chain(variants).position(|known| known == name);
    // One that is only a draft comes last.
    let place = place.unwrap_or_else(|| 1 + state.job().map_or(0, |job| job.variants.len()));
    u8::try_from(place).unwrap_or(u8::MAX)
}

/// All lines of the linkage: the variant in hand, the car as found faintly beside it.
pub(crate) fn lines(state: &State, lines: &mut Vec<ShownLine>) {
    let geometry = &state.geometry;
    if geometry.hand != AS_FOUND
        && !geometry.hidden.contains(AS_FOUND)
        && let Some(Ok(path)) = geometry.path_of(AS_FOUND)
        && let Some(corners) = placed(state, path)
    {
        corners.iter().for_each(|corner| members(corner, LineMark::Ghost, lines));
        rack(&corners, LineMark::Ghost, lines);
    }
    let Some(Ok(path)) = geometry.path() else { return };
    let Some(corners) = placed(state, path) else { return };
    let mark = LineMark::Link(colour_of(state, &geometry.hand));
    let width = state.job().and_then(|job| tyre_width(job.vehicle.tyre.as_deref()?));
    for corner in &corners {
        members(corner, mark, lines);
        wheel(corner, width, lines);
        let top = corner.at.axis_top;
        if let Some(along) = (top - corner.at.lower_ball).try_normalize(1e-9) {
            let ground = corner.at.contact.z;
            let foot = corner.at.lower_ball + along * ((ground - corner.at.lower_ball.z) / along.z);
            lines.push(construction(vec![foot, top + along * BEYOND]));
            cross(&foot, lines);
        }
    }
    rack(&corners, mark, lines);
    if let Ok(now) = geometry.now(path) {
        constructions(&now, corner_side(state.side), lines);
    }
}

fn construction(points: Vec<Point3>) -> ShownLine {
    ShownLine { points, mark: LineMark::Construction }
}

fn cross(at: &Point3, lines: &mut Vec<ShownLine>) {
    for axis in [Vec3::y(), Vec3::z()] {
        lines.push(construction(vec![at - axis * CROSS, at + axis * CROSS]));
    }
}

/// Arms, strut, steering arm and rod.
fn members(p: &Placed, mark: LineMark, lines: &mut Vec<ShownLine>) {
    let (g, at) = (&p.geometry, &p.at);
    let mut add = |points: Vec<Point3>| lines.push(ShownLine { points, mark });
    add(vec![g.lower_front, at.lower_ball, g.lower_rear, g.lower_front]);
    let on_knuckle = match g.upper {
        Upper::Strut { lower, .. } => {
            let lower = p.knuckle * lower;
            add(vec![at.axis_top, lower]);
            lower
        }
        Upper::Arm { front, rear, .. } => {
            add(vec![front, at.axis_top, rear, front]);
            at.axis_top
        }
    };
    add(vec![at.lower_ball, at.wheel_centre, on_knuckle, at.lower_ball]);
    // The steering arm: from the joint square to the steering axis.
    let along = (at.axis_top - at.lower_ball).normalize();
    let foot = at.lower_ball + along * (at.tie_rod_outer - at.lower_ball).dot(&along);
    add(vec![foot, at.tie_rod_outer, at.tie_rod_inner]);
}

fn rack(corners: &[Placed; 2], mark: LineMark, lines: &mut Vec<ShownLine>) {
    let points = corners.iter().map(|corner| corner.at.tie_rod_inner).collect();
    lines.push(ShownLine { points, mark });
}

/// The tyre's middle circle, and its edges where its width is known.
fn wheel(p: &Placed, width: Option<f64>, lines: &mut Vec<ShownLine>) {
    let (at, radius) = (&p.at, p.geometry.wheel.radius);
    let half = width.map(|width| 0.5 * width);
    for (off, radius) in [(Some(0.0), radius), (half, 0.97 * radius), (half.map(|h| -h), 0.97 * radius)] {
        let Some(off) = off else { continue };
        let centre = at.wheel_centre + at.spin.into_inner() * off;
        lines.push(construction(circle(&centre, &at.spin, radius)));
    }
    lines.push(construction(vec![at.wheel_centre, at.contact]));
}

fn circle(centre: &Point3, normal: &UnitVec3, radius: f64) -> Vec<Point3> {
    let (u, v) = frame_about(normal);
    let corner = |i: usize| {
        let (sin, cos) = (TAU * i as f64 / CORNERS as f64).sin_cos();
        centre + (u * cos + v * sin) * radius
    };
    (0..=CORNERS).map(corner).collect()
}

/// Width of a tyre from its marking, mm: `205/50R16` gives 205.
fn tyre_width(marking: &str) -> Option<f64> {
    let width = marking.split('/').next()?.trim_start_matches(|c: char| !c.is_ascii_digit());
    width.parse().ok().filter(|width| (50.0..600.0).contains(width))
}

/// The instant axis of the corner looked at, and the axle's roll centre with the lines that make it.
fn constructions(now: &AxleMeasures, side: Side, lines: &mut Vec<ShownLine>) {
    let corner = if side == Side::Right { &now.right } else { &now.left };
    if let Some(axis) = corner.instant_axis {
        // About abreast of the wheel, where one looks for it; far away it would only be a stray line.
        let to_wheel = (corner.wheel_centre - axis.point).dot(&axis.direction);
        let middle = axis.point + axis.direction * to_wheel;
        if (middle - corner.wheel_centre).norm() < 4000.0 {
            lines.push(construction(vec![middle - axis.direction * AXIS, middle + axis.direction * AXIS]));
        }
    }
    let [left, right] = [&now.left, &now.right].map(|c| c.contact);
    if let Some([y, height]) = now.roll_centre_by_velocity
        && y.abs() < 3000.0
        && height.abs() < 2000.0
    {
        let part = (y - right.y) / (left.y - right.y);
        let ground = right + (left - right) * part;
        let centre = ground + Vec3::z() * height;
        lines.push(construction(vec![left, centre, right]));
        cross(&centre, lines);
    }
}

/// How far a scan's part has moved from its place at rest: the knuckle goes with the linkage, all else stays.
pub(crate) fn motion(state: &State, scan: &Name) -> Option<RigidTransform> {
    if state.stop != Stop::Geometry {
        return None;
    }
    let side = knuckle_side(state, scan)?;
    let path = state.geometry.path()?.as_ref().ok()?;
    let [left, right] = placed(state, path)?;
    Some(if side == Side::Right { right.knuckle } else { left.knuckle })
}

/// Of which side a scan is the knuckle: it has what only a knuckle has.
pub(crate) fn knuckle_side(state: &State, scan: &Name) -> Option<Side> {
    let job = state.job()?;
    let on_scan = |name: &str| job.features.get(name).is_some_and(|feature| feature.scan == *scan);
    let knuckle = |role: Role| {
        matches!(role, Role::HubAxis | Role::HubFace | Role::TieRodOuter | Role::BrakeMount1 | Role::BrakeMount2)
    };
    let mut here = job.hardpoints.iter().filter(|h| h.construction.inputs().iter().any(|input| on_scan(input)));
    here.find(|h| knuckle(h.role) && h.side != Side::Centre).map(|h| h.side)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tyre_is_as_wide_as_its_marking_says() {
        assert_eq!(tyre_width("205/50R16"), Some(205.0));
        assert_eq!(tyre_width("P 195/60 R 15"), Some(195.0));
        assert_eq!(tyre_width("wide"), None);
    }

    #[test]
    fn the_knuckles_frame_goes_with_its_points() {
        let rest = Positions {
            lower_ball: Point3::new(8.0, 705.0, 205.0),
            axis_top: Point3::new(-45.0, 570.0, 845.0),
            tie_rod_inner: Point3::new(-95.0, 330.0, 232.0),
            tie_rod_outer: Point3::new(-105.0, 672.0, 240.0),
            wheel_centre: Point3::new(0.0, 740.0, 300.0),
            contact: Point3::new(0.0, 740.0, 0.0),
            spin: Vec3::y_axis(),
        };
        let by = RigidTransform::new(Vec3::new(3.0, -2.0, 40.0), Vec3::new(0.02, -0.1, 0.4));
        let moved = Positions {
            lower_ball: by * rest.lower_ball,
            tie_rod_outer: by * rest.tie_rod_outer,
            wheel_centre: by * rest.wheel_centre,
            spin: by * rest.spin,
            ..rest
        };
        let found = knuckle(&moved).unwrap() * knuckle(&rest).unwrap().inverse();
        assert!((found * rest.wheel_centre - moved.wheel_centre).norm() < 1e-9);
    }
}
