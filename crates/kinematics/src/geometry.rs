//! A corner and an axle as coordinates, in vehicle axes (ISO 8855: x forward, y left, z up), mm.
//!
//! The coordinates are those of the car at rest: straight ahead, at its ride height, rack centred. Every length of
//! a link follows from them.

use crate::error::GeometryError;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_hardpoints::{Role, Side};

/// Below this two points of a corner are one, or a lever has no length, mm.
const NO_LENGTH: f64 = 1e-3;
/// Below this a direction has no horizontal (or no vertical) part worth the name, as a sine.
const NO_ANGLE: f64 = 1e-3;

/// What holds the top of the knuckle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Upper {
    /// A strut, clamped to the knuckle and free to slide and turn under its top mount.
    Strut {
        /// Where the top mount pivots; on the sliding axis.
        top: Point3,
        /// Another point of the sliding axis, at its lower end; fixed to the knuckle.
        lower: Point3,
    },
    /// An upper arm.
    Arm {
        /// Front inner pivot.
        front: Point3,
        /// Rear inner pivot.
        rear: Point3,
        /// Centre of the upper ball joint.
        ball: Point3,
    },
}

/// A wheel on its hub.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wheel {
    /// Where the spin axis meets the wheel's middle plane.
    pub centre: Point3,
    /// Along the spin axis, outboard.
    pub spin: UnitVec3,
    /// Loaded radius of the tyre, mm.
    pub radius: f64,
}

impl Wheel {
    /// A wheel from its centre, camber (positive: top outboard) and toe-in, both in radians, for a corner on `side`.
    ///
    /// The camber is the wheel's inclination, −asin n_z.
    pub fn aligned(centre: Point3, radius: f64, inclination: f64, toe_in: f64, side: Side) -> Wheel {
        Wheel { centre, spin: UnitVec3::new_normalize(spin(inclination, toe_in, side)), radius }
    }

    /// A wheel from the face of its hub: the centre lies `offset` inboard of the face (positive offset: the face lies
    /// outboard of the rim's middle plane).
    pub fn on_hub(face: Point3, outboard: UnitVec3, offset: f64, radius: f64) -> Wheel {
        Wheel { centre: face - outboard.into_inner() * offset, spin: outboard, radius }
    }
}

/// Outboard spin axis of given inclination and toe-in.
pub(crate) fn spin(inclination: f64, toe_in: f64, side: Side) -> Vec3 {
    let (sin_i, cos_i) = inclination.sin_cos();
    let (sin_t, cos_t) = toe_in.sin_cos();
    // Left: steer = atan2(−n_x, n_y) = −toe-in, so n_x = sin(toe-in).
    let n = Vec3::new(sin_t * cos_i, cos_t * cos_i, -sin_i);
    if side == Side::Right { mirror_vec(n) } else { n }
}

/// What a rod's end lets it tilt about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum JointKind {
    /// A rod end on a bolt: square to the bolt it has no misalignment.
    RodEnd,
    /// A ball in a socket in line with the rod, as on a rack: along the axis it has none.
    Socket,
}

/// How far a tie rod's end may tilt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JointLimit {
    /// Rod end or socket.
    pub kind: JointKind,
    /// The bolt's or the socket's axis at rest; it moves with the knuckle (outer) or the rack (inner).
    pub axis: UnitVec3,
    /// Permissible tilt, rad.
    pub permissible: f64,
}

/// Which part the damper's foot stands on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Member {
    /// The lower arm.
    LowerArm,
    /// The knuckle.
    Knuckle,
}

/// A spring and damper apart from the linkage (a strut is its own).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Damper {
    /// On the chassis.
    pub top: Point3,
    /// On the moving part.
    pub foot: Point3,
    /// Which part.
    pub on: Member,
}

/// One front corner at rest.
///
/// A lower arm that is one pivot with a separate radius (tension) rod is described in the same way: its front and
/// rear pivots are the inner joint of the arm and the frame joint of the rod. Either way the ball joint
/// keeps its distance from both, and nothing else of the arm matters to the wheel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CornerGeometry {
    /// Left or right.
    pub side: Side,
    /// Front inner pivot of the lower arm, or of its front member.
    pub lower_front: Point3,
    /// Rear inner pivot of the lower arm, or of its rear member.
    pub lower_rear: Point3,
    /// Centre of the lower ball joint.
    pub lower_ball: Point3,
    /// What holds the top of the knuckle.
    pub upper: Upper,
    /// Centre of the joint between rack and tie rod.
    pub tie_rod_inner: Point3,
    /// Centre of the joint between tie rod and steering arm.
    pub tie_rod_outer: Point3,
    /// The wheel.
    pub wheel: Wheel,
    /// Spring and damper of a double wishbone.
    pub damper: Option<Damper>,
    /// Limit of the outer joint.
    pub outer_joint: Option<JointLimit>,
    /// Limit of the inner joint.
    pub inner_joint: Option<JointLimit>,
}

impl CornerGeometry {
    /// The mirror image in the plane of symmetry, on the other side.
    pub fn mirrored(&self) -> CornerGeometry {
        let side = match self.side {
            Side::Left => Side::Right,
            Side::Right => Side::Left,
            Side::Centre => Side::Centre,
        };
        CornerGeometry { side, ..self.mapped(mirror_point, mirror_unit) }
    }

    /// The same corner with its points and directions put elsewhere: `p` is asked for each point in the order of
    /// the fields, `d` for each direction.
    pub fn mapped(&self, mut p: impl FnMut(Point3) -> Point3, d: impl Fn(UnitVec3) -> UnitVec3) -> CornerGeometry {
        let joint = |j: JointLimit| JointLimit { axis: d(j.axis), ..j };
        CornerGeometry {
            side: self.side,
            lower_front: p(self.lower_front),
            lower_rear: p(self.lower_rear),
            lower_ball: p(self.lower_ball),
            upper: match self.upper {
                Upper::Strut { top, lower } => Upper::Strut { top: p(top), lower: p(lower) },
                Upper::Arm { front, rear, ball } => Upper::Arm { front: p(front), rear: p(rear), ball: p(ball) },
            },
            tie_rod_inner: p(self.tie_rod_inner),
            tie_rod_outer: p(self.tie_rod_outer),
            wheel: Wheel { centre: p(self.wheel.centre), spin: d(self.wheel.spin), ..self.wheel },
            damper: self.damper.map(|m| Damper { top: p(m.top), foot: p(m.foot), ..m }),
            outer_joint: self.outer_joint.map(joint),
            inner_joint: self.inner_joint.map(joint),
        }
    }

    /// This corner as one of the left side: all formulas are written for that.
    pub(crate) fn as_left(&self) -> CornerGeometry {
        if self.side == Side::Right { self.mirrored() } else { *self }
    }

    /// The top of the steering axis: the strut's top mount or the upper ball joint.
    pub fn axis_top(&self) -> Point3 {
        match self.upper {
            Upper::Strut { top, .. } => top,
            Upper::Arm { ball, .. } => ball,
        }
    }

    /// A point by its role; `None` where the corner is not made of it.
    pub fn point(&self, role: Role) -> Option<Point3> {
        match (role, self.upper) {
            (Role::LowerArmFront, _) => Some(self.lower_front),
            (Role::LowerArmRear, _) => Some(self.lower_rear),
            (Role::LowerBallJoint, _) => Some(self.lower_ball),
            (Role::TieRodInner, _) => Some(self.tie_rod_inner),
            (Role::TieRodOuter, _) => Some(self.tie_rod_outer),
            (Role::WheelCentre, _) => Some(self.wheel.centre),
            (Role::StrutTop, Upper::Strut { top, .. }) => Some(top),
            (Role::StrutLower, Upper::Strut { lower, .. }) => Some(lower),
            (Role::UpperArmFront, Upper::Arm { front, .. }) => Some(front),
            (Role::UpperArmRear, Upper::Arm { rear, .. }) => Some(rear),
            (Role::UpperBallJoint, Upper::Arm { ball, .. }) => Some(ball),
            _ => None,
        }
    }

    /// Every point by its name, as errors use it.
    pub(crate) fn points(&self) -> Vec<(&'static str, Point3)> {
        let mut all = vec![
            ("lower arm front", self.lower_front),
            ("lower arm rear", self.lower_rear),
            ("lower ball joint", self.lower_ball),
            ("tie rod inner", self.tie_rod_inner),
            ("tie rod outer", self.tie_rod_outer),
            ("wheel centre", self.wheel.centre),
        ];
        match self.upper {
            Upper::Strut { top, lower } => all.extend([("strut top", top), ("strut lower", lower)]),
            Upper::Arm { front, rear, ball } => {
                all.extend([("upper arm front", front), ("upper arm rear", rear), ("upper ball joint", ball)]);
            }
        }
        if let Some(d) = self.damper {
            all.extend([("damper top", d.top), ("damper foot", d.foot)]);
        }
        all
    }

    /// Checks that the points make a mechanism.
    pub(crate) fn check(&self) -> Result<(), GeometryError> {
        let side = self.side;
        if side == Side::Centre {
            return Err(GeometryError::NoSide);
        }
        for (point, at) in self.points() {
            // A car is a few metres long: beyond this digits run out.
            if !at.coords.iter().all(|v| v.is_finite() && v.abs() <= 1e6) {
                return Err(GeometryError::NotFinite { side, point });
            }
        }
        if !(self.wheel.radius.is_finite() && self.wheel.radius > 0.0) {
            return Err(GeometryError::WheelRadius { side, radius: self.wheel.radius });
        }
        for (point, d) in [("the wheel's spin axis", Some(self.wheel.spin))].into_iter().chain(
            [("outer joint", self.outer_joint), ("inner joint", self.inner_joint)].map(|(n, j)| (n, j.map(|j| j.axis))),
        ) {
            if d.is_some_and(|d| !d.iter().all(|v| v.is_finite()) || (d.norm() - 1.0).abs() > 1e-6) {
                return Err(GeometryError::NotFinite { side, point });
            }
        }
        if self.wheel.spin.xy().norm() < NO_ANGLE {
            return Err(GeometryError::WheelFlat { side });
        }
        let mut pairs = vec![
            ("lower arm front", self.lower_front, "lower arm rear", self.lower_rear),
            ("lower ball joint", self.lower_ball, "the top of the steering axis", self.axis_top()),
            ("tie rod inner", self.tie_rod_inner, "tie rod outer", self.tie_rod_outer),
        ];
        match self.upper {
            Upper::Strut { top, lower } => pairs.push(("strut top", top, "strut lower", lower)),
            Upper::Arm { front, rear, .. } => pairs.push(("upper arm front", front, "upper arm rear", rear)),
        }
        for (a, pa, b, pb) in pairs {
            if (pa - pb).norm() < NO_LENGTH {
                return Err(GeometryError::Coincident { side, a, b });
            }
        }
        let axis = self.axis_top() - self.lower_ball;
        let mut levers = vec![
            ("lower ball joint", self.lower_ball, "the lower arm's pivots", self.lower_front, self.lower_rear),
            ("tie rod outer", self.tie_rod_outer, "the steering axis", self.lower_ball, self.axis_top()),
            ("tie rod inner", self.tie_rod_inner, "the steering axis", self.lower_ball, self.axis_top()),
        ];
        if let Upper::Arm { front, rear, ball } = self.upper {
            levers.push(("upper ball joint", ball, "the upper arm's pivots", front, rear));
            levers.push(("lower ball joint", self.lower_ball, "the upper arm's pivots", front, rear));
        }
        for (point, p, line, a, b) in levers {
            let along = (b - a).normalize();
            if (p - a).cross(&along).norm() < NO_LENGTH {
                return Err(GeometryError::OnLine { side, point, line });
            }
        }
        if axis.normalize().z < NO_ANGLE {
            return Err(GeometryError::AxisLies { side });
        }
        if let Upper::Strut { top, lower } = self.upper
            && (top - lower).normalize().dot(&axis.normalize()) < NO_ANGLE
        {
            return Err(GeometryError::StrutAcross { side });
        }
        Ok(())
    }
}

/// A rack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rack {
    /// The way it slides, to the left.
    pub direction: UnitVec3,
    /// Where its stops let it go, mm, positive to the left: lowest and highest.
    pub stroke: Option<[f64; 2]>,
    /// Travel for one turn of the steering wheel, mm.
    pub per_turn: Option<f64>,
}

impl Default for Rack {
    fn default() -> Self {
        Rack { direction: Vec3::y_axis(), stroke: None, per_turn: None }
    }
}

/// What is known of the rest of the car. What is missing leaves blank the measures that need it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Car {
    /// Distance between the axles, mm.
    pub wheelbase: Option<f64>,
    /// Height of the centre of mass, mm.
    pub mass_height: Option<f64>,
    /// The front axle's share of the braking force, 0 to 1.
    pub front_brake_share: Option<f64>,
}

/// A steered axle at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxleGeometry {
    /// Left corner.
    pub left: CornerGeometry,
    /// Right corner; need not be the mirror image.
    pub right: CornerGeometry,
    /// The rack between them.
    pub rack: Rack,
    /// The rest of the car.
    pub car: Car,
}

impl AxleGeometry {
    /// A left corner with its mirror image.
    pub fn symmetric(left: CornerGeometry, rack: Rack, car: Car) -> AxleGeometry {
        AxleGeometry { left, right: left.mirrored(), rack, car }
    }

    /// The corner of a side; [`Side::Centre`] has the left one.
    pub fn corner(&self, side: Side) -> &CornerGeometry {
        if side == Side::Right { &self.right } else { &self.left }
    }

    /// See [`AxleGeometry::corner`].
    pub fn corner_mut(&mut self, side: Side) -> &mut CornerGeometry {
        if side == Side::Right { &mut self.right } else { &mut self.left }
    }
}

pub(crate) fn mirror_point(p: Point3) -> Point3 {
    Point3::new(p.x, -p.y, p.z)
}

pub(crate) fn mirror_vec(v: Vec3) -> Vec3 {
    Vec3::new(v.x, -v.y, v.z)
}

pub(crate) fn mirror_unit(d: UnitVec3) -> UnitVec3 {
    UnitVec3::new_unchecked(mirror_vec(d.into_inner()))
}
