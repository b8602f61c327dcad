//! How the members of a corner move: from where a member stands at rest to where it stands at a state.
//!
//! A linkage of points decides some members wholly and others but for a turn about their own length:
//!
//! * the **knuckle**, with wheel, brake and a strut's body on it, by the closure;
//! * an **arm** turns about the line of its two inner pivots, so that its ball joint goes where the closure puts it;
//! * a **rod** (tie rod, either member of a two-piece lower arm, a strut's piston rod) goes from joint to joint by the
//!   least rotation, the one about the normal of both its directions. How far a real rod turns about its own length
//!   the joints leave open;
//! * the **rack** slides, the **chassis** stays.
//!
//! A corner has two freedoms, so lock and travel reach every position that it has: a roll of the body is one
//! travel of the left corner and another one of the right.

use crate::axle::Axle;
use crate::corner::{Corner, Held, Solved, contact};
use crate::error::{Along, End, SolveError};
use crate::geometry::{AxleGeometry, CornerGeometry, Upper};
use crate::linkage::{Linkage, Pose};
use crate::measures::CornerMeasures;
use crate::moves::{Change, Variant, VariantError, chain_of, made};
use nalgebra::{Quaternion, Rotation3, Translation3, UnitQuaternion};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_hardpoints::Side;

/// A rigid member of a corner, or what it stands on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Link {
    /// The body and all that is bolted to it.
    Chassis,
    /// The rack, that slides across the car.
    Rack,
    /// The knuckle with hub, wheel, brake and, of a strut, its body.
    Knuckle,
    /// The lower arm in one piece.
    LowerArm,
    /// The front member of a lower arm in two pieces: from its inner joint to the ball joint.
    LowerFront,
    /// The rear member of a lower arm in two pieces, as a radius rod.
    LowerRear,
    /// The upper arm.
    UpperArm,
    /// The tie rod.
    TieRod,
    /// A strut's piston rod, under its top mount.
    StrutRod,
}

impl Link {
    /// All of them.
    pub const ALL: [Link; 9] = [
        Link::Chassis,
        Link::Rack,
        Link::Knuckle,
        Link::LowerArm,
        Link::LowerFront,
        Link::LowerRear,
        Link::UpperArm,
        Link::TieRod,
        Link::StrutRod,
    ];

    /// The name on screen.
    pub fn words(self) -> &'static str {
        match self {
            Link::Chassis => "chassis",
            Link::Rack => "rack",
            Link::Knuckle => "knuckle",
            Link::LowerArm => "lower arm",
            Link::LowerFront => "lower arm's front member",
            Link::LowerRear => "lower arm's rear member",
            Link::UpperArm => "upper arm",
            Link::TieRod => "tie rod",
            Link::StrutRod => "strut rod",
        }
    }
}

/// Where every member of one corner is: takes a point of the member from where it stands at rest, in vehicle axes,
/// to where it is, in the same.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// See [`Link::Chassis`].
    pub car_from_chassis_at_rest: RigidTransform,
    /// See [`Link::Rack`].
    pub car_from_rack_at_rest: RigidTransform,
    /// See [`Link::Knuckle`].
    pub car_from_knuckle_at_rest: RigidTransform,
    /// See [`Link::LowerArm`].
    pub car_from_lower_arm_at_rest: RigidTransform,
    /// See [`Link::LowerFront`].
    pub car_from_lower_front_at_rest: RigidTransform,
    /// See [`Link::LowerRear`].
    pub car_from_lower_rear_at_rest: RigidTransform,
    /// See [`Link::UpperArm`]; `None` of a strut.
    pub car_from_upper_arm_at_rest: Option<RigidTransform>,
    /// See [`Link::TieRod`].
    pub car_from_tie_rod_at_rest: RigidTransform,
    /// See [`Link::StrutRod`]; `None` of a double wishbone.
    pub car_from_strut_rod_at_rest: Option<RigidTransform>,
}

impl Motion {
    /// That of one member; `None` where the corner has none such.
    pub fn of(&self, link: Link) -> Option<RigidTransform> {
        match link {
            Link::Chassis => Some(self.car_from_chassis_at_rest),
            Link::Rack => Some(self.car_from_rack_at_rest),
            Link::Knuckle => Some(self.car_from_knuckle_at_rest),
            Link::LowerArm => Some(self.car_from_lower_arm_at_rest),
            Link::LowerFront => Some(self.car_from_lower_front_at_rest),
            Link::LowerRear => Some(self.car_from_lower_rear_at_rest),
            Link::UpperArm => self.car_from_upper_arm_at_rest,
            Link::TieRod => Some(self.car_from_tie_rod_at_rest),
            Link::StrutRod => self.car_from_strut_rod_at_rest,
        }
    }

    fn mapped(self, f: impl Fn(RigidTransform) -> RigidTransform) -> Motion {
        Motion {
            car_from_chassis_at_rest: f(self.car_from_chassis_at_rest),
            car_from_rack_at_rest: f(self.car_from_rack_at_rest),
            car_from_knuckle_at_rest: f(self.car_from_knuckle_at_rest),
            car_from_lower_arm_at_rest: f(self.car_from_lower_arm_at_rest),
            car_from_lower_front_at_rest: f(self.car_from_lower_front_at_rest),
            car_from_lower_rear_at_rest: f(self.car_from_lower_rear_at_rest),
            car_from_upper_arm_at_rest: self.car_from_upper_arm_at_rest.map(&f),
            car_from_tie_rod_at_rest: f(self.car_from_tie_rod_at_rest),
            car_from_strut_rod_at_rest: self.car_from_strut_rod_at_rest.map(&f),
        }
    }
}

/// A corner held at one wheel travel, ready to be steered.
#[derive(Clone, Debug)]
pub struct AtTravel<'a> {
    corner: &'a Corner,
    travel: f64,
    held: Held,
    level: Solved,
    turn: f64,
    steering_left: [f64; 2],
}

/// A corner at one lock and travel.
#[derive(Clone, Copy, Debug)]
pub struct Steered {
    /// Rack travel, mm, to the left.
    pub rack: f64,
    /// Where the members are.
    pub motion: Motion,
    /// What the corner does there.
    pub measures: CornerMeasures,
}

impl Corner {
    /// Where every member is at a wheel travel from rest (mm, up) and a rack travel (mm, to the left).
    ///
    /// # Errors
    /// [`SolveError`] where the mechanism ends before that.
    pub fn motion(&self, travel: f64, held: Held, rack: f64) -> Result<Motion, SolveError> {
        Ok(self.motion_of(&self.solve_near(&self.rest, travel, held, rack)?.pose))
    }

    fn motion_of(&self, pose: &Pose) -> Motion {
        let motion = self.linkage.motion(pose);
        if self.side == Side::Right { motion.mapped(mirrored) } else { motion }
    }

    /// The corner held at a wheel travel, to be steered to any lock.
    ///
    /// # Errors
    /// [`SolveError`] where there is no position at that travel.
    pub fn at_travel(&self, travel: f64, held: Held) -> Result<AtTravel<'_>, SolveError> {
        let level = self.solve_near(&self.rest, travel, held, 0.0)?;
        Ok(AtTravel {
            corner: self,
            travel,
            held,
            turn: self.linkage.turn_of(&level.pose),
            steering_left: self.steering_left(&level.pose, held),
            level,
        })
    }

    fn steering_left(&self, pose: &Pose, held: Held) -> [f64; 2] {
        self.linkage.steering_left(pose, &held_point(&self.linkage, pose, held))
    }
}

fn held_point(linkage: &Linkage, pose: &Pose, held: Held) -> Point3 {
    match held {
        Held::WheelCentre => pose.wheel_centre,
        Held::Contact => contact(pose, linkage.parts.points.wheel.radius),
    }
}

impl AtTravel<'_> {
    /// The position at which the wheel steers by `steer` (rad, positive to the left on both sides).
    ///
    /// The knuckle's turn about its steering axis is what is sought, by secant steps: unlike the rack it does not turn back
    /// at over centre, so positions are as exact there as anywhere.
    ///
    /// # Errors
    /// [`SolveError::NoPosition`] where rod and arm come in line before that, or another member ends.
    pub fn steered(&self, steer: f64) -> Result<Steered, SolveError> {
        /// rad.
        const MET: f64 = 1e-13;
        let corner = self.corner;
        let linkage = &corner.linkage;
        if !steer.is_finite() {
            return Err(SolveError::NotFinite { travel: self.travel, rack: f64::NAN });
        }
        // As of the left side.
        let wanted = if corner.side == Side::Right { -steer } else { steer };
        let height = self.level.height(self.held);
        let steer_of = |pose: &Pose| (-pose.spin.x).atan2(pose.spin.y);
        let mut theta = self.level.pose.theta;
        let at = |theta: &mut f64, turn: f64| {
            let pose = linkage.turned(*theta, turn, self.held, height)?;
            *theta = pose.theta;
            Ok((pose, steer_of(&pose) - wanted))
        };
        let end = |end: End| self.ended(end, steer);
        let (mut a, mut off_a) = (self.turn, steer_of(&self.level.pose) - wanted);
        let (mut pose, mut b) = (self.level.pose, self.turn - off_a);
        for _ in 0..60 {
            if off_a.abs() <= MET {
                break;
            }
            let (next, off_b) = at(&mut theta, b).map_err(end)?;
            pose = next;
            let step = -off_b * (b - a) / (off_b - off_a);
            (a, off_a) = (b, off_b);
            // A step below rounding: there is nothing nearer.
            if !step.is_finite() || step.abs() < 1e-15 {
                break;
            }
            b += step.clamp(-0.3, 0.3);
        }
        if off_a.abs() > 1e-10 {
            return Err(end(End::OverCentre));
        }
        let left = corner.steering_left(&pose, self.held);
        if !left.iter().zip(self.steering_left).all(|(l, whole)| l / whole > 0.0) {
            return Err(end(End::OverCentre));
        }
        let solved = Solved {
            contact: contact(&pose, linkage.parts.points.wheel.radius),
            rise: linkage.rise(&pose),
            steer: linkage.steer(&pose),
            pose,
        };
        Ok(Steered { rack: pose.rack, motion: corner.motion_of(&pose), measures: corner.measures(&solved) })
    }

    /// How far the rack can go here before the mechanism ends, mm: lowest and highest.
    pub fn rack_limits(&self) -> [f64; 2] {
        self.corner.rack_limits_of(&self.level, self.held)
    }

    fn ended(&self, end: End, steer: f64) -> SolveError {
        let limits = self.rack_limits();
        // To which side the rack goes for that lock.
        let to_left = (steer > 0.0) == (self.corner.measures(&self.level).steer_per_rack > 0.0);
        let at = limits[usize::from(to_left)];
        SolveError::NoPosition { side: self.corner.side, end, travel: self.travel, rack: at, along: Along::Rack, at }
    }
}

impl Axle {
    /// Where every member of both corners is at a state: left, right.
    ///
    /// # Errors
    /// As [`Axle::solve`].
    pub fn motion(&self, state: crate::axle::State, held: Held) -> Result<[Motion; 2], SolveError> {
        self.check_stops(state.rack)?;
        let of = |side, travel| self.corner(side).motion(travel, held, state.rack);
        Ok([of(Side::Left, state.travel[0])?, of(Side::Right, state.travel[1])?])
    }
}

impl Linkage {
    /// As of the left side.
    fn motion(&self, pose: &Pose) -> Motion {
        let p = &self.parts.points;
        let knuckle = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(pose.rotation));
        let along = |rest: [Point3; 2], now: [Point3; 2]| rod(rest, now);
        let ball = pose.lower_ball;
        Motion {
            car_from_chassis_at_rest: RigidTransform::identity(),
            car_from_rack_at_rest: Translation3::from(self.parts.rack_direction.into_inner() * pose.rack).into(),
            car_from_knuckle_at_rest: anchored(&p.lower_ball, knuckle, &ball),
            car_from_lower_arm_at_rest: arm(
                [p.lower_front, p.lower_rear, p.lower_ball],
                [p.lower_front, p.lower_rear, ball],
            ),
            car_from_lower_front_at_rest: along([p.lower_front, p.lower_ball], [p.lower_front, ball]),
            car_from_lower_rear_at_rest: along([p.lower_rear, p.lower_ball], [p.lower_rear, ball]),
            car_from_upper_arm_at_rest: match p.upper {
                Upper::Arm { front, rear, ball } => Some(arm([front, rear, ball], [front, rear, pose.top])),
                Upper::Strut { .. } => None,
            },
            car_from_tie_rod_at_rest: along(
                [p.tie_rod_inner, p.tie_rod_outer],
                [pose.tie_rod_inner, pose.tie_rod_outer],
            ),
            car_from_strut_rod_at_rest: match p.upper {
                Upper::Strut { top, lower } => Some(along([top, lower], [pose.top, self.carried(pose, &lower)])),
                Upper::Arm { .. } => None,
            },
        }
    }
}

/// The rotation, with the point `from` going to `to`.
fn anchored(from: &Point3, rotation: UnitQuaternion<f64>, to: &Point3) -> RigidTransform {
    let moved = rotation * from;
    RigidTransform::from_parts(Translation3::from(to - moved), rotation)
}

/// The first point goes to its place, and the way to the second one turns by the least rotation:
/// the quaternion of a to b (unit) is (1 + a·b, a × b), made unit.
fn rod(rest: [Point3; 2], now: [Point3; 2]) -> RigidTransform {
    let (a, b) = ((rest[1] - rest[0]).normalize(), (now[1] - now[0]).normalize());
    let q = Quaternion::from_parts(1.0 + a.dot(&b), a.cross(&b));
    let rotation = UnitQuaternion::try_new(q, 1e-12).unwrap_or_default();
    anchored(&rest[0], rotation, &now[0])
}

/// Front pivot, rear pivot, ball: the frame on the pivots' line under the ball goes to the other such frame.
fn arm(rest: [Point3; 3], now: [Point3; 3]) -> RigidTransform {
    let frame = |[front, rear, ball]: [Point3; 3]| {
        let axis = (front - rear).normalize();
        let foot = rear + axis * axis.dot(&(ball - rear));
        let out = (ball - foot).normalize();
        (foot, Rotation3::from_basis_unchecked(&[axis, out, axis.cross(&out)]))
    };
    let ((foot, before), (to, after)) = (frame(rest), frame(now));
    anchored(&foot, UnitQuaternion::from_rotation_matrix(&(after * before.inverse())), &to)
}

/// The mirror image of a motion in the plane of symmetry: with M the mirror, M·T·M.
fn mirrored(t: RigidTransform) -> RigidTransform {
    let (v, q) = (t.translation.vector, t.rotation.quaternion());
    RigidTransform::from_parts(
        Translation3::new(v.x, -v.y, v.z),
        UnitQuaternion::new_unchecked(Quaternion::new(q.w, -q.i, q.j, -q.k)),
    )
}

/// A variant's geometry, and how its members came from where they stand in the car as found to where they stand in the
/// variant at rest, left and right.
///
/// A member that a variant gives other lengths is another part: then its own points decide, the first joint and the
/// direction from it.
///
/// # Errors
/// As [`geometry_of`](crate::geometry_of).
pub fn carried_to(
    as_found: &AxleGeometry,
    variants: &[Variant],
    name: &str,
) -> Result<(AxleGeometry, [Motion; 2]), VariantError> {
    let chain = chain_of(variants, name)?;
    let mut geometry = *as_found;
    let mut knuckles = [RigidTransform::identity(); 2];
    let mut chassis = [Vec3::zeros(); 2];
    let mut racks = [Vec3::zeros(); 2];
    for variant in chain {
        let (next, turned) = made(&geometry, &variant.moves).map_err(|error| error.of(&variant.name))?;
        geometry = next;
        for (i, side) in [Side::Left, Side::Right].into_iter().enumerate() {
            knuckles[i] = turned[i] * knuckles[i];
            for m in variant.moves.iter().filter(|m| m.is_on(side)) {
                match m.change {
                    Change::RideHeight { by } => chassis[i].z += by,
                    Change::MoveRack { by } => racks[i] += Vec3::from(by),
                    _ => {}
                }
            }
        }
    }
    let motion = |i: usize, side: Side| {
        let (a, b): (&CornerGeometry, &CornerGeometry) = (as_found.corner(side), geometry.corner(side));
        let lower = |c: &CornerGeometry| [c.lower_front, c.lower_rear, c.lower_ball];
        Motion {
            car_from_chassis_at_rest: Translation3::from(chassis[i]).into(),
            car_from_rack_at_rest: Translation3::from(chassis[i] + racks[i]).into(),
            car_from_knuckle_at_rest: knuckles[i],
            car_from_lower_arm_at_rest: arm(lower(a), lower(b)),
            car_from_lower_front_at_rest: rod([a.lower_front, a.lower_ball], [b.lower_front, b.lower_ball]),
            car_from_lower_rear_at_rest: rod([a.lower_rear, a.lower_ball], [b.lower_rear, b.lower_ball]),
            car_from_upper_arm_at_rest: match (a.upper, b.upper) {
                (Upper::Arm { front, rear, ball }, Upper::Arm { front: f, rear: r, ball: l }) => {
                    Some(arm([front, rear, ball], [f, r, l]))
                }
                _ => None,
            },
            car_from_tie_rod_at_rest: rod([a.tie_rod_inner, a.tie_rod_outer], [b.tie_rod_inner, b.tie_rod_outer]),
            car_from_strut_rod_at_rest: match (a.upper, b.upper) {
                (Upper::Strut { top, lower }, Upper::Strut { top: t, lower: l }) => Some(rod([top, lower], [t, l])),
                _ => None,
            },
        }
    };
    Ok((geometry, [motion(0, Side::Left), motion(1, Side::Right)]))
}

pub(crate) fn mirrored_if(side: Side, t: RigidTransform) -> RigidTransform {
    if side == Side::Right { mirrored(t) } else { t }
}

impl Pose {
    /// From the knuckle's place before to where this pose has it, given where its ball joint was; as of the left side.
    pub(crate) fn knuckle_from(&self, ball_before: &Point3) -> RigidTransform {
        let rotation = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(self.rotation));
        anchored(ball_before, rotation, &self.lower_ball)
    }
}
