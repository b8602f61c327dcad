//! The closure of one corner in closed form, for a left corner.
//!
//! The mechanism has two freedoms once its links are rigid: the lower arm's angle θ and the rack's position s. From
//! them everything follows without iteration, one member after the other:
//!
//! 1. the lower ball joint lies on its circle round the lower arm's axis, at θ;
//! 2. the top of the steering axis: an upper ball joint lies where its circle round the upper arm's axis meets the
//!    sphere of the knuckle's height about the lower one; a strut's top mount stays where it is, and with the ball
//!    joint's constant distance h from the sliding axis the knuckle's own point under the mount is
//!    foot + √(D² − h²)·u, D being the distance from ball joint to mount;
//! 3. the knuckle then only turns about the line of those two points; its outer tie-rod joint lies where its circle
//!    about that line meets the sphere of the rod's length round the inner joint.
//!
//! A circle and a sphere meet in two points, mirror images in the plane of the circle's axis and the sphere's centre.
//! Which of them is the car's is fixed by its rest position and cannot change without passing through
//! that plane, where the members stand in line: the *ends* of the mechanism. So the branch cannot jump.
//!
//! Velocities (the analytic Jacobian) follow in the same order; see [`Linkage::rise`] and [`Linkage::steer`].
//!
//! The formulas are elementary geometry of circles and spheres, derived here; the tests check them against an
//! independent solver and against a constraint formulation that shares no code with this one.

use crate::error::{End, GeometryError};
use crate::geometry::{CornerGeometry, Member, Upper, mirror_unit};
use nalgebra::Matrix3;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_hardpoints::Side;

/// Sine of the angle between two members below which they count as in line at rest.
const IN_LINE: f64 = 1e-6;

/// A corner taken apart, as of the left side: points of the chassis, points of the knuckle in the knuckle's own frame
/// (the car's at the rest it was measured in), and link lengths that no longer follow from them.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Parts {
    pub(crate) points: CornerGeometry,
    pub(crate) rack_direction: UnitVec3,
    /// Lower ball joint to front and rear pivot, mm.
    pub(crate) lower_legs: [f64; 2],
    /// Upper ball joint to front and rear pivot, mm.
    pub(crate) upper_legs: [f64; 2],
    /// mm.
    pub(crate) rod: f64,
    /// Where a strut's top mount is in the car; `points` has it on the sliding axis, in the knuckle.
    pub(crate) mount: Point3,
    upper_branch: f64,
    rod_branch: f64,
}

impl Parts {
    /// Takes a checked corner apart. The rack's direction is that of the car.
    pub(crate) fn new(corner: &CornerGeometry, rack_direction: UnitVec3) -> Result<Parts, GeometryError> {
        corner.check()?;
        let side = corner.side;
        let p = corner.as_left();
        let rack_direction = if side == Side::Right { mirror_unit(rack_direction) } else { rack_direction };
        let (upper_legs, upper_branch) = match p.upper {
            Upper::Strut { .. } => ([0.0; 2], 1.0),
            Upper::Arm { front, rear, ball } => {
                let axis = (front - rear).normalize();
                let branch = side_of(&ball, &front, &axis, &p.lower_ball);
                if branch.abs() < IN_LINE {
                    return Err(GeometryError::AtEnd { side, end: End::UpperArm });
                }
                ([(ball - front).norm(), (ball - rear).norm()], branch.signum())
            }
        };
        let axis = (p.axis_top() - p.lower_ball).normalize();
        let branch = side_of(&p.tie_rod_outer, &p.lower_ball, &axis, &p.tie_rod_inner);
        if branch.abs() < IN_LINE {
            return Err(GeometryError::AtEnd { side, end: End::OverCentre });
        }
        Ok(Parts {
            points: p,
            rack_direction,
            lower_legs: [(p.lower_ball - p.lower_front).norm(), (p.lower_ball - p.lower_rear).norm()],
            upper_legs,
            rod: (p.tie_rod_outer - p.tie_rod_inner).norm(),
            mount: p.axis_top(),
            upper_branch,
            rod_branch: branch.signum(),
        })
    }
}

/// Sine of the angle, about `axis` through `on`, from the half-plane of `target` to that of `point`.
fn side_of(point: &Point3, on: &Point3, axis: &Vec3, target: &Point3) -> f64 {
    let across = |p: &Point3| {
        let q = p - on;
        q - axis * q.dot(axis)
    };
    let (a, b) = (across(target), across(point));
    axis.dot(&a.cross(&b)) / (a.norm() * b.norm())
}

/// The circle of a point that keeps its distances from two pivots.
#[derive(Clone, Copy, Debug)]
struct Circle {
    centre: Point3,
    axis: Vec3,
    radius: f64,
}

impl Circle {
    fn of_arm(front: &Point3, rear: &Point3, legs: [f64; 2]) -> Option<Circle> {
        let span = front - rear;
        let d = span.norm();
        let along = (legs[1] * legs[1] - legs[0] * legs[0] + d * d) / (2.0 * d);
        let squared = legs[1] * legs[1] - along * along;
        (squared > 0.0).then(|| {
            let axis = span / d;
            Circle { centre: rear + axis * along, axis, radius: squared.sqrt() }
        })
    }

    /// Where it meets the sphere round `target`, on the given side of the plane of axis and target.
    #[inline]
    fn meet(&self, target: &Point3, length: f64, branch: f64) -> Option<Point3> {
        let q = target - self.centre;
        let h = q.dot(&self.axis);
        let across = q - self.axis * h;
        let away = across.norm();
        let cos = (h * h + self.radius * self.radius + away * away - length * length) / (2.0 * self.radius * away);
        let squared = (1.0 - cos) * (1.0 + cos);
        // False for NaN too: the target on the axis.
        if squared >= 0.0 {
            let towards = across / away;
            let sin = branch * squared.sqrt();
            Some(self.centre + (towards * cos + self.axis.cross(&towards) * sin) * self.radius)
        } else {
            None
        }
    }
}

#[derive(Clone, Copy, Debug)]
enum Top {
    /// Top mount; in the knuckle from the lower ball joint: foot of the perpendicular on the sliding axis and the
    /// axis's direction; the foot's distance squared.
    Strut { mount: Point3, foot: Vec3, slide: Vec3, squared: f64 },
    /// Circle of the upper ball joint; height of the knuckle.
    Arm { circle: Circle, height: f64, branch: f64 },
}

/// A corner ready to be solved, as of the left side.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Linkage {
    pub(crate) parts: Parts,
    lower: Circle,
    // Directions from the circle's centre to the ball joint at θ = 0 and at 90°, the latter upwards.
    out: Vec3,
    up: Vec3,
    /// The lower arm's axis in the sense of growing θ.
    turn: Vec3,
    top: Top,
    // In the knuckle, from the lower ball joint.
    arm: Vec3,
    centre: Vec3,
    spin: Vec3,
    strut_lower: Vec3,
    // Where the steering axis is fixed in the knuckle: its frame, worked out once.
    fixed_frame: Matrix3<f64>,
    /// Outer joint along the steering axis and away from it, where that is fixed.
    fixed_lever: [f64; 2],
}

/// What is given besides the lower arm's angle.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Given {
    /// Rack travel, mm.
    Rack(f64),
    /// The angle from the plane through steering axis and rest position of the inner joint to the outer joint, rad;
    /// the rack follows, on the side of the car's rest.
    Turn(f64),
}

/// Positions of one corner, as of the left side, in vehicle axes, mm.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pose {
    pub(crate) theta: f64,
    pub(crate) rack: f64,
    pub(crate) lower_ball: Point3,
    pub(crate) top: Point3,
    /// Unit vector from lower ball joint to top.
    pub(crate) axis: Vec3,
    pub(crate) axis_length: f64,
    pub(crate) tie_rod_inner: Point3,
    pub(crate) tie_rod_outer: Point3,
    pub(crate) wheel_centre: Point3,
    pub(crate) spin: Vec3,
    /// Turns directions of the knuckle at rest to where they are.
    pub(crate) rotation: Matrix3<f64>,
}

/// A motion of the knuckle: the velocity of its lower ball joint and its angular velocity.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Screw {
    pub(crate) origin: Point3,
    pub(crate) velocity: Vec3,
    pub(crate) omega: Vec3,
}

impl Screw {
    #[inline]
    pub(crate) fn at(&self, p: &Point3) -> Vec3 {
        self.velocity + self.omega.cross(&(p - self.origin))
    }

    pub(crate) fn scaled(&self, by: f64) -> Screw {
        Screw { origin: self.origin, velocity: self.velocity * by, omega: self.omega * by }
    }

    pub(crate) fn plus(&self, other: &Screw, by: f64) -> Screw {
        Screw {
            origin: self.origin,
            velocity: self.velocity + other.velocity * by,
            omega: self.omega + other.omega * by,
        }
    }
}

impl Linkage {
    pub(crate) fn new(parts: &Parts) -> Result<Linkage, GeometryError> {
        let p = &parts.points;
        let side = p.side;
        let at_end = |end| GeometryError::AtEnd { side, end };
        let lower =
            Circle::of_arm(&p.lower_front, &p.lower_rear, parts.lower_legs).ok_or_else(|| at_end(End::LowerArm))?;
        let towards = p.lower_ball - lower.centre;
        let out = (towards - lower.axis * towards.dot(&lower.axis)).normalize();
        let mut turn = lower.axis;
        let mut up = turn.cross(&out);
        if up.z < 0.0 {
            (turn, up) = (-turn, -up);
        }
        let from_ball = |q: Point3| q - p.lower_ball;
        let arm = from_ball(p.tie_rod_outer);
        let mut fixed_frame = Matrix3::identity();
        let mut fixed_lever = [0.0; 2];
        let (top, strut_lower) = match p.upper {
            Upper::Strut { top, lower } => {
                let slide = (top - lower).normalize();
                let low = from_ball(lower);
                let foot = low - slide * low.dot(&slide);
                (Top::Strut { mount: parts.mount, foot, slide, squared: foot.norm_squared() }, low)
            }
            Upper::Arm { front, rear, ball } => {
                let circle = Circle::of_arm(&front, &rear, parts.upper_legs).ok_or_else(|| at_end(End::UpperArm))?;
                let axis = from_ball(ball);
                let height = axis.norm();
                let (frame, lever) = frame_on(&(axis / height), &arm);
                (fixed_frame, fixed_lever) = (frame, lever);
                (Top::Arm { circle, height, branch: parts.upper_branch }, axis)
            }
        };
        let linkage = Linkage {
            parts: *parts,
            lower,
            out,
            up,
            turn,
            top,
            arm,
            centre: from_ball(p.wheel.centre),
            spin: p.wheel.spin.into_inner(),
            strut_lower,
            fixed_frame,
            fixed_lever,
        };
        if up.z < 1e-3 {
            return Err(GeometryError::ArmUpright { side });
        }
        Ok(linkage)
    }

    /// All positions at the lower arm's angle `theta` from rest, rad.
    #[inline]
    pub(crate) fn pose(&self, theta: f64, given: Given) -> Result<Pose, End> {
        let (sin, cos) = theta.sin_cos();
        let lower_ball = self.lower.centre + (self.out * cos + self.up * sin) * self.lower.radius;
        let (top, axis, axis_length, frame, lever) = match &self.top {
            Top::Strut { mount, foot, slide, squared } => {
                let w = mount - lower_ball;
                let length = w.norm();
                let past = length * length - squared;
                if past <= 0.0 {
                    return Err(End::Strut);
                }
                let (frame, lever) = frame_on(&((foot + slide * past.sqrt()) / length), &self.arm);
                (*mount, w / length, length, frame, lever)
            }
            Top::Arm { circle, height, branch, .. } => {
                let ball = circle.meet(&lower_ball, *height, *branch).ok_or(End::UpperArm)?;
                (ball, (ball - lower_ball) / *height, *height, self.fixed_frame, self.fixed_lever)
            }
        };
        let circle = Circle { centre: lower_ball + axis * lever[0], axis, radius: lever[1] };
        let inner = self.parts.points.tie_rod_inner;
        let (tie_rod_inner, tie_rod_outer, rack) = match given {
            Given::Rack(rack) => {
                let inner = inner + self.parts.rack_direction.as_ref() * rack;
                let outer = circle.meet(&inner, self.parts.rod, self.parts.rod_branch).ok_or(End::OverCentre)?;
                (inner, outer, rack)
            }
            Given::Turn(turn) => {
                let q = inner - circle.centre;
                let g1 = (q - axis * q.dot(&axis)).normalize();
                let (sin, cos) = turn.sin_cos();
                let outer = circle.centre + (g1 * cos + axis.cross(&g1) * sin) * circle.radius;
                // |outer − inner − s·d| = rod: of the two, the one nearer the rest side of the rack.
                let d = self.parts.rack_direction.as_ref();
                let m = outer - inner;
                let along = m.dot(d);
                let squared = along * along - m.norm_squared() + self.parts.rod * self.parts.rod;
                if squared < 0.0 {
                    return Err(End::OverCentre);
                }
                let rest = (self.parts.points.tie_rod_outer - inner).dot(d);
                let rack = along - squared.sqrt() * rest.signum();
                (inner + d * rack, outer, rack)
            }
        };
        let out = (tie_rod_outer - circle.centre) / circle.radius;
        let rotation = Matrix3::from_columns(&[axis, out, axis.cross(&out)]) * frame;
        Ok(Pose {
            theta,
            rack,
            lower_ball,
            top,
            axis,
            axis_length,
            tie_rod_inner,
            tie_rod_outer,
            wheel_centre: lower_ball + rotation * self.centre,
            spin: rotation * self.spin,
            rotation,
        })
    }

    /// The angle of [`Given::Turn`] that a pose has.
    pub(crate) fn turn_of(&self, pose: &Pose) -> f64 {
        let across = |p: &Point3| {
            let q = p - pose.lower_ball;
            q - pose.axis * q.dot(&pose.axis)
        };
        let (from, to) = (across(&self.parts.points.tie_rod_inner), across(&pose.tie_rod_outer));
        pose.axis.dot(&from.cross(&to)).atan2(from.dot(&to))
    }

    /// The knuckle's motion per radian of the lower arm, the rack held.
    ///
    /// The ball joint moves square to its arm. The top of the steering axis moves along the strut's sliding axis
    /// (a strut: the knuckle's point under the mount) or square to the upper arm, by as much as keeps the distance.
    /// Both together give the angular velocity but for its part along the steering axis; the rod's length gives that.
    #[inline]
    pub(crate) fn rise(&self, pose: &Pose) -> Screw {
        let (without, pull, lever) = self.rise_parts(pose);
        Screw { omega: without.omega - pose.axis * (pull / lever), ..without }
    }

    /// The rise without its turn about the steering axis, how fast it would stretch the rod (times the rod's length), and how
    /// fast a turn of one radian per second does.
    #[inline]
    fn rise_parts(&self, pose: &Pose) -> (Screw, f64, f64) {
        let velocity = self.turn.cross(&(pose.lower_ball - self.lower.centre));
        let along = match &self.top {
            Top::Strut { slide, .. } => pose.rotation * slide,
            Top::Arm { circle, .. } => circle.axis.cross(&(pose.top - circle.centre)),
        };
        let rate = velocity.dot(&pose.axis) / along.dot(&pose.axis);
        let relative = along * rate - velocity;
        let across = pose.axis.cross(&relative) / pose.axis_length;
        let rod = pose.tie_rod_outer - pose.tie_rod_inner;
        let p = pose.tie_rod_outer - pose.lower_ball;
        let pull = (velocity + across.cross(&p)).dot(&rod);
        (Screw { origin: pose.lower_ball, velocity, omega: across }, pull, pose.axis.cross(&p).dot(&rod))
    }

    /// Two numbers that are positive on the car's side of the ends of its steering, as the height of `at` is held: the rod's
    /// lever about the steering axis, zero where rod and arm stand in line; and the determinant of the two equations (rod's
    /// length and height) in the lower arm's angle and the knuckle's turn, zero where the rack turns back.
    pub(crate) fn steering_left(&self, pose: &Pose, at: &Point3) -> [f64; 2] {
        let (without, pull, lever) = self.rise_parts(pose);
        let turn = pose.axis.cross(&(at - pose.lower_ball));
        let determinant = lever * without.at(at).z - pull * turn.z;
        [self.parts.rod_branch * lever, self.parts.rod_branch * determinant]
    }

    /// The knuckle's motion per millimetre of the rack, the lower arm held: a turn about the steering axis.
    #[inline]
    pub(crate) fn steer(&self, pose: &Pose) -> Screw {
        let rod = pose.tie_rod_outer - pose.tie_rod_inner;
        let p = pose.tie_rod_outer - pose.lower_ball;
        let about = self.parts.rack_direction.dot(&rod) / pose.axis.cross(&p).dot(&rod);
        Screw { origin: pose.lower_ball, velocity: Vec3::zeros(), omega: pose.axis * about }
    }

    /// The strut's sliding axis where it is, or `None` for an upper arm.
    pub(crate) fn sliding(&self, pose: &Pose) -> Option<Vec3> {
        match &self.top {
            Top::Strut { slide, .. } => Some(pose.rotation * slide),
            Top::Arm { .. } => None,
        }
    }

    /// A point of the knuckle, given where it is at rest.
    pub(crate) fn carried(&self, pose: &Pose, at_rest: &Point3) -> Point3 {
        pose.lower_ball + pose.rotation * (at_rest - self.parts.points.lower_ball)
    }

    /// Foot of the damper and its velocity per radian of the lower arm; for a strut, its lower point.
    pub(crate) fn damper(&self, pose: &Pose, rise: &Screw) -> Option<(Point3, Point3, Vec3)> {
        if let Some(damper) = self.parts.points.damper {
            let (foot, velocity) = match damper.on {
                Member::Knuckle => {
                    let foot = self.carried(pose, &damper.foot);
                    (foot, rise.at(&foot))
                }
                Member::LowerArm => {
                    let turned = nalgebra::Rotation3::new(self.turn * pose.theta) * (damper.foot - self.lower.centre);
                    (self.lower.centre + turned, self.turn.cross(&turned))
                }
            };
            return Some((damper.top, foot, velocity));
        }
        matches!(self.top, Top::Strut { .. }).then(|| {
            let foot = pose.lower_ball + pose.rotation * self.strut_lower;
            (pose.top, foot, rise.at(&foot))
        })
    }

    /// The largest error in any link's length, and of a strut's mount from its sliding axis, mm.
    pub(crate) fn residual(&self, pose: &Pose) -> f64 {
        let p = &self.parts.points;
        let off = |a: &Point3, b: &Point3, length: f64| ((a - b).norm() - length).abs();
        let outer = self.carried(pose, &p.tie_rod_outer);
        let mut worst = [
            off(&pose.lower_ball, &p.lower_front, self.parts.lower_legs[0]),
            off(&pose.lower_ball, &p.lower_rear, self.parts.lower_legs[1]),
            off(&outer, &pose.tie_rod_inner, self.parts.rod),
            off(&outer, &pose.tie_rod_outer, 0.0),
            (pose.rotation.transpose() * pose.rotation - Matrix3::identity()).amax() * self.centre.norm(),
        ]
        .into_iter()
        .fold(0.0, f64::max);
        match p.upper {
            Upper::Strut { top, lower } => {
                let on = self.carried(pose, &lower);
                let slide = pose.rotation * (top - lower).normalize();
                worst = worst.max((self.parts.mount - on).cross(&slide).norm());
            }
            Upper::Arm { front, rear, ball } => {
                let at = self.carried(pose, &ball);
                worst = worst.max(off(&at, &front, self.parts.upper_legs[0])).max(off(
                    &at,
                    &rear,
                    self.parts.upper_legs[1],
                ));
            }
        }
        worst
    }
}

/// The transposed frame of axis, lever and their normal in the knuckle, and the outer joint's place along the axis
/// and away from it.
#[inline]
fn frame_on(axis: &Vec3, arm: &Vec3) -> (Matrix3<f64>, [f64; 2]) {
    let along = arm.dot(axis);
    let across = arm - axis * along;
    let away = across.norm();
    let out = across / away;
    (Matrix3::from_rows(&[axis.transpose(), out.transpose(), axis.cross(&out).transpose()]), [along, away])
}
