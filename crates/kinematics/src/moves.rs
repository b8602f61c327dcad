//! Design moves and variants.
//!
//! A variant is a name and a list of moves on top of another variant, or of the car as found. Each move changes points of
//! the chassis, points of the knuckle in the knuckle's own frame, or the length of a link; all
//! other links keep their length. Then the corner is assembled again with its tyre on the ground and the rack where it
//! was: the ball joint settles on its arm, the knuckle leans as it must, and toe becomes what the rod's length makes
//! of it, until [`Change::Align`] sets it.

use crate::corner::{Corner, Held, Solved};
use crate::error::GeometryError;
use crate::geometry::{AxleGeometry, CornerGeometry, Damper, JointLimit, Member, Upper, Wheel};
use crate::linkage::{Linkage, Parts};
use crate::motion::mirrored_if;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::BTreeMap;
use stringline_core::tyre::TyreSize;
use stringline_core::{Explain, Point3, RigidTransform, UnitVec3, Vec3};
use stringline_hardpoints::{Role, Side};

/// The variant that has no moves.
pub const AS_FOUND: &str = "as-found";

/// A rod's end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RodEnd {
    /// At the steering arm.
    Outer,
    /// At the rack.
    Inner,
}

/// One design change. Vectors are vehicle axes at rest (x forward, y left, z up) for the left corner, and mirrored
/// for the right one; mm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "move", rename_all = "snake_case")]
pub enum Change {
    /// The lower ball joint is lowered in the knuckle: a drop knuckle.
    DropBallJoint {
        /// mm, downwards.
        by: f64,
    },
    /// A ball joint is put elsewhere on the knuckle.
    MoveBallJoint {
        /// Lower or upper.
        role: Role,
        /// mm.
        by: [f64; 3],
    },
    /// The outer tie-rod joint is put elsewhere on the knuckle.
    MoveTieRodOuter {
        /// mm.
        by: [f64; 3],
    },
    /// The outer tie-rod joint goes into a hole of a plate on the steering arm.
    PlatePosition {
        /// From the joint's present place to the first hole, mm.
        first: [f64; 3],
        /// From one hole to the next, mm.
        step: [f64; 3],
        /// Which hole, from 1.
        position: u32,
        /// How many there are.
        of: u32,
    },
    /// Spacers under a rod end, along its bolt (straight up where no bolt axis is given).
    Spacer {
        /// Which end.
        under: RodEnd,
        /// mm; positive raises the rod's end, negative lowers it.
        thickness: f64,
    },
    /// The rod end goes to the other face of the steering arm.
    FlipRodEnd {
        /// From the old place of its centre to the new one, along the bolt, mm; positive upwards.
        by: f64,
    },
    /// The inner tie-rod joint is put elsewhere on the rack.
    MoveTieRodInner {
        /// mm.
        by: [f64; 3],
    },
    /// The tie rod is made longer.
    RodLength {
        /// mm.
        by: f64,
    },
    /// Toe is set by the tie rod's length.
    Align {
        /// Toe-in at rest, degrees.
        toe_in_deg: f64,
    },
    /// The lower arm is made longer, square to its axis and in its plane.
    ArmLength {
        /// mm, outwards.
        by: f64,
    },
    /// Both legs of an adjustable lower arm (or arm and radius rod) are set.
    ArmLegs {
        /// Front member longer by, mm.
        front: f64,
        /// Rear member longer by, mm.
        rear: f64,
    },
    /// Both legs of an adjustable upper arm are set.
    UpperArmLegs {
        /// Front member longer by, mm.
        front: f64,
        /// Rear member longer by, mm.
        rear: f64,
    },
    /// An inner pivot of an arm is moved on the chassis.
    MovePivot {
        /// Which pivot.
        role: Role,
        /// mm.
        by: [f64; 3],
    },
    /// The strut's top mount is moved.
    MoveStrutTop {
        /// mm.
        by: [f64; 3],
    },
    /// The rack is raised, moved or set off, with both its joints. In the car's own axes for both sides.
    MoveRack {
        /// mm.
        by: [f64; 3],
    },
    /// The rack gets other stops.
    RackStroke {
        /// Lowest and highest travel, mm.
        stroke: [f64; 2],
    },
    /// Another wheel or tyre.
    Wheel {
        /// The tyre's marking, as 205/50R16: its free radius is taken.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        tyre: Option<String>,
        /// Loaded radius, mm; goes before the marking.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        radius: Option<f64>,
        /// How much further out the wheel's middle plane stands (less offset, spacers), mm.
        #[serde(default)]
        outboard: f64,
    },
    /// The body is raised.
    RideHeight {
        /// mm, upwards.
        by: f64,
    },
}

/// A change on one side or both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Move {
    /// Which corner; both where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side: Option<Side>,
    /// What is changed.
    #[serde(flatten)]
    pub change: Change,
}

impl From<Change> for Move {
    fn from(change: Change) -> Move {
        Move { side: None, change }
    }
}

/// A named geometry: moves on top of another.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Variant {
    /// Its name, unlike any other's; not `as-found`.
    pub name: String,
    /// The variant it starts from; the car as found where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base: Option<String>,
    /// In order.
    #[serde(default)]
    pub moves: Vec<Move>,
    /// How closely its points can be made: ±, mm, in each coordinate, on both sides, each on its own. What it
    /// starts from holds for the points that are not here.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub made_within: BTreeMap<Role, f64>,
}

impl Variant {
    /// A variant of these moves, with nothing said of how closely its points can be made.
    pub fn new(name: impl Into<String>, base: Option<&str>, moves: Vec<Move>) -> Variant {
        Variant { name: name.into(), base: base.map(str::to_owned), moves, made_within: BTreeMap::new() }
    }
}

/// Why a variant could not be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum VariantError {
    /// No variant has that name.
    #[error("there is no variant called '{name}'")]
    Unknown {
        /// The name.
        name: String,
        /// The names there are.
        known: Vec<String>,
    },
    /// A variant rests on itself.
    #[error("the variant '{name}' rests on itself")]
    Circle {
        /// The name.
        name: String,
    },
    /// A number of a move makes no sense.
    #[error("'{name}': {what}")]
    BadMove {
        /// The variant.
        name: String,
        /// What is wrong.
        what: String,
    },
    /// With the move made, the corner cannot be put together.
    #[error("'{name}': with these moves {error}")]
    Geometry {
        /// The variant.
        name: String,
        /// Why.
        error: GeometryError,
    },
}

impl Explain for VariantError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            VariantError::Unknown { known, .. } => {
                let names: Vec<&str> = std::iter::once(AS_FOUND).chain(known.iter().map(String::as_str)).collect();
                format!("Use one of: {}.", names.join(", ")).into()
            }
            VariantError::Circle { .. } => "Give it another base.".into(),
            VariantError::BadMove { .. } => "Correct that move.".into(),
            VariantError::Geometry { .. } => "Make the moves smaller, or set the lengths that go with them.".into(),
        }
    }
}

/// The geometry of the variant `name`: `as-found` itself, or its moves on top of its base.
///
/// # Errors
/// [`VariantError`]: an unknown name, a circle, or moves after which the corner cannot be put together.
pub fn geometry_of(as_found: &AxleGeometry, variants: &[Variant], name: &str) -> Result<AxleGeometry, VariantError> {
    let mut geometry = *as_found;
    for variant in chain_of(variants, name)? {
        geometry = apply(&geometry, &variant.moves).map_err(|error| error.of(&variant.name))?;
    }
    Ok(geometry)
}

/// The variants that a name rests on, from the car as found upwards; itself is the last.
pub(crate) fn chain_of<'a>(variants: &'a [Variant], name: &'a str) -> Result<Vec<&'a Variant>, VariantError> {
    let mut chain: Vec<&Variant> = Vec::new();
    let mut next = Some(name);
    while let Some(name) = next.filter(|n| *n != AS_FOUND) {
        let variant = variants.iter().find(|v| v.name == name).ok_or_else(|| VariantError::Unknown {
            name: name.into(),
            known: variants.iter().map(|v| v.name.clone()).collect(),
        })?;
        if chain.iter().any(|v| v.name == variant.name) {
            return Err(VariantError::Circle { name: name.into() });
        }
        chain.push(variant);
        next = variant.base.as_deref();
    }
    chain.reverse();
    Ok(chain)
}

/// How closely the points of a variant can be made, itself before what it rests on.
///
/// # Errors
/// As [`geometry_of`] for the chain of variants.
pub(crate) fn made_within(variants: &[Variant], name: &str) -> Result<BTreeMap<Role, f64>, VariantError> {
    let chain = chain_of(variants, name)?;
    Ok(chain.into_iter().flat_map(|variant| &variant.made_within).map(|(role, within)| (*role, *within)).collect())
}

/// An error of a move before its variant is named.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum MoveError {
    Bad(String),
    Geometry(GeometryError),
}

impl MoveError {
    pub(crate) fn of(self, name: &str) -> VariantError {
        match self {
            MoveError::Bad(what) => VariantError::BadMove { name: name.into(), what },
            MoveError::Geometry(error) => VariantError::Geometry { name: name.into(), error },
        }
    }
}

impl From<GeometryError> for MoveError {
    fn from(error: GeometryError) -> Self {
        MoveError::Geometry(error)
    }
}

impl Move {
    /// Whether it is made on that side.
    pub(crate) fn is_on(&self, side: Side) -> bool {
        self.side.is_none_or(|s| s == side || s == Side::Centre)
    }
}

/// The axle with moves made, in order.
pub(crate) fn apply(geometry: &AxleGeometry, moves: &[Move]) -> Result<AxleGeometry, MoveError> {
    Ok(made(geometry, moves)?.0)
}

/// The same, with how each knuckle came from its old rest to its new one, left and right.
pub(crate) fn made(geometry: &AxleGeometry, moves: &[Move]) -> Result<(AxleGeometry, [RigidTransform; 2]), MoveError> {
    let mut result = *geometry;
    let mut knuckles = [RigidTransform::identity(); 2];
    for m in moves {
        if let Change::RackStroke { stroke } = m.change {
            result.rack.stroke = Some(stroke);
        }
    }
    for (knuckle, side) in knuckles.iter_mut().zip([Side::Left, Side::Right]) {
        let corner = geometry.corner(side);
        let mine = || moves.iter().filter(|m| m.is_on(side));
        if mine().all(|m| matches!(m.change, Change::RackStroke { .. })) {
            continue;
        }
        let parts = Parts::new(corner, geometry.rack.direction)?;
        let level = Corner::of_parts(&parts, side)?.rest.contact.z;
        let mut bench = Bench { parts, side, level };
        for m in mine() {
            bench.make(&m.change)?;
        }
        let (assembled, solved) = bench.assemble()?;
        *result.corner_mut(side) = assembled;
        *knuckle = mirrored_if(side, solved.pose.knuckle_from(&bench.parts.points.lower_ball));
    }
    Ok((result, knuckles))
}

/// A corner taken apart while moves are made.
pub(crate) struct Bench {
    pub(crate) parts: Parts,
    pub(crate) side: Side,
    /// Height the contact point stands at, mm.
    pub(crate) level: f64,
}

impl Bench {
    fn make(&mut self, change: &Change) -> Result<(), MoveError> {
        let finite = |numbers: &[f64], what: &str| {
            if numbers.iter().all(|v| v.is_finite() && v.abs() < 1e5) {
                Ok(())
            } else {
                Err(MoveError::Bad(format!("the {what} is not a length in mm")))
            }
        };
        let p = &mut self.parts.points;
        match change {
            Change::DropBallJoint { by } => {
                finite(&[*by], "drop")?;
                p.lower_ball.z -= by;
            }
            Change::MoveBallJoint { role, by } => {
                finite(by, "move")?;
                match (role, &mut p.upper) {
                    (Role::LowerBallJoint, _) => p.lower_ball += Vec3::from(*by),
                    (Role::UpperBallJoint, Upper::Arm { ball, .. }) => *ball += Vec3::from(*by),
                    _ => return Err(MoveError::Bad(format!("this corner has no {} to move", role.words()))),
                }
            }
            Change::MoveTieRodOuter { by } => {
                finite(by, "move")?;
                p.tie_rod_outer += Vec3::from(*by);
            }
            Change::PlatePosition { first, step, position, of } => {
                finite(first, "first hole")?;
                finite(step, "hole spacing")?;
                if *position == 0 || position > of {
                    return Err(MoveError::Bad(format!("plate position {position} of {of} does not exist")));
                }
                p.tie_rod_outer += Vec3::from(*first) + Vec3::from(*step) * f64::from(position - 1);
            }
            Change::Spacer { under: RodEnd::Outer, thickness: by } | Change::FlipRodEnd { by } => {
                finite(&[*by], "thickness")?;
                let bolt = p.outer_joint.map_or(Vec3::z_axis(), |j| j.axis);
                let up = if bolt.z < 0.0 { -bolt } else { bolt };
                p.tie_rod_outer += up.into_inner() * *by;
            }
            Change::Spacer { under: RodEnd::Inner, thickness } => {
                finite(&[*thickness], "thickness")?;
                p.tie_rod_inner.z += thickness;
            }
            Change::MoveTieRodInner { by } => {
                finite(by, "move")?;
                p.tie_rod_inner += Vec3::from(*by);
            }
            Change::RodLength { by } => {
                finite(&[*by], "length")?;
                self.parts.rod += by;
            }
            Change::Align { toe_in_deg } => {
                if toe_in_deg.is_nan() || toe_in_deg.abs() > 45.0 {
                    return Err(MoveError::Bad(format!("a toe-in of {toe_in_deg}° cannot be set")));
                }
                self.align(toe_in_deg.to_radians())?;
            }
            Change::ArmLength { by } => {
                finite(&[*by], "length")?;
                let axis = (p.lower_front - p.lower_rear).normalize();
                let out = p.lower_ball - p.lower_rear;
                let out = (out - axis * out.dot(&axis)).normalize();
                let ball = p.lower_ball + out * *by;
                // By how much the legs grow; they may be set off already.
                for (leg, pivot) in self.parts.lower_legs.iter_mut().zip([p.lower_front, p.lower_rear]) {
                    *leg += (ball - pivot).norm() - (p.lower_ball - pivot).norm();
                }
            }
            Change::ArmLegs { front, rear } => {
                finite(&[*front, *rear], "length")?;
                self.parts.lower_legs[0] += front;
                self.parts.lower_legs[1] += rear;
            }
            Change::UpperArmLegs { front, rear } => {
                finite(&[*front, *rear], "length")?;
                if !matches!(p.upper, Upper::Arm { .. }) {
                    return Err(MoveError::Bad("a strut has no upper arm".into()));
                }
                self.parts.upper_legs[0] += front;
                self.parts.upper_legs[1] += rear;
            }
            Change::MovePivot { role, by } => {
                finite(by, "move")?;
                let by = Vec3::from(*by);
                match (role, &mut p.upper) {
                    (Role::LowerArmFront, _) => p.lower_front += by,
                    (Role::LowerArmRear, _) => p.lower_rear += by,
                    (Role::UpperArmFront, Upper::Arm { front, .. }) => *front += by,
                    (Role::UpperArmRear, Upper::Arm { rear, .. }) => *rear += by,
                    _ => {
                        let what = format!("{} is no inner pivot of an arm of this corner", role.words());
                        return Err(MoveError::Bad(what));
                    }
                }
            }
            Change::MoveStrutTop { by } => {
                finite(by, "move")?;
                let Upper::Strut { .. } = p.upper else {
                    return Err(MoveError::Bad("a double wishbone has no strut".into()));
                };
                self.parts.mount += Vec3::from(*by);
            }
            Change::MoveRack { by } => {
                finite(by, "move")?;
                let [x, y, z] = *by;
                p.tie_rod_inner += Vec3::new(x, if self.side == Side::Right { -y } else { y }, z);
            }
            Change::RackStroke { .. } => {}
            Change::Wheel { tyre, radius, outboard } => {
                finite(&[*outboard], "offset")?;
                let size = tyre.as_deref().map(TyreSize::parse).transpose();
                let size = size.map_err(|e| MoveError::Bad(format!("{e} such as 205/50R16")))?;
                let marked = size.map(|size| size.free_radius());
                if let Some(radius) = radius.or(marked) {
                    if !(radius > 0.0 && radius < 5000.0) {
                        return Err(MoveError::Bad(format!("a wheel radius of {radius} mm cannot be")));
                    }
                    p.wheel.radius = radius;
                }
                p.wheel.centre += p.wheel.spin.into_inner() * *outboard;
            }
            Change::RideHeight { by } => {
                finite(&[*by], "height")?;
                // The ground stays at its height: the body goes up with everything on it.
                let up = Vec3::new(0.0, 0.0, *by);
                p.lower_front += up;
                p.lower_rear += up;
                p.tie_rod_inner += up;
                match &mut p.upper {
                    Upper::Strut { .. } => self.parts.mount += up,
                    Upper::Arm { front, rear, .. } => {
                        *front += up;
                        *rear += up;
                    }
                }
                if let Some(damper) = &mut p.damper {
                    damper.top += up;
                }
            }
        }
        Ok(())
    }

    /// Sets toe by the rod's length: secant steps.
    pub(crate) fn align(&mut self, toe_in: f64) -> Result<(), GeometryError> {
        let off = |solved: &Solved| solved.pose.spin.x.atan2(solved.pose.spin.y) - toe_in;
        let mut a = self.parts.rod;
        let mut off_a = off(&self.settled()?.1);
        let mut b = a + 0.1;
        for _ in 0..50 {
            if off_a.abs() < 1e-14 {
                self.parts.rod = a;
                return Ok(());
            }
            self.parts.rod = b;
            let off_b = off(&self.settled()?.1);
            if off_b.abs() < 1e-13 || (b - a).abs() < 1e-12 {
                return Ok(());
            }
            let step = -off_b * (b - a) / (off_b - off_a);
            if !step.is_finite() {
                return Ok(());
            }
            (a, off_a) = (b, off_b);
            b += step.clamp(-5.0, 5.0);
        }
        Err(GeometryError::AtEnd { side: self.side, end: crate::error::End::OverCentre })
    }

    /// The corner with its tyre on the ground.
    fn settled(&self) -> Result<(Linkage, Solved), GeometryError> {
        let linkage = Linkage::new(&self.parts)?;
        let mut first = None;
        // From the old place; where that is out of reach, from places round it.
        for start in (0..60).map(|i| 0.02 * f64::from((i + 1) / 2) * if i % 2 == 0 { 1.0 } else { -1.0 }) {
            match linkage.settle(start, Held::Contact, self.level, 0.0) {
                Ok(solved) => return Ok((linkage, solved)),
                Err(end) => {
                    first.get_or_insert(end);
                }
            }
        }
        let end = first.unwrap_or(crate::error::End::LowerArm);
        Err(GeometryError::AtEnd { side: self.side, end })
    }

    /// The coordinates of the corner put together, at rest.
    pub(crate) fn assemble(&self) -> Result<(CornerGeometry, Solved), GeometryError> {
        let (linkage, solved) = self.settled()?;
        let p = &self.parts.points;
        let pose = &solved.pose;
        let carried = |q: &Point3| linkage.carried(pose, q);
        let turned = |d: UnitVec3| UnitVec3::new_normalize(pose.rotation * d.into_inner());
        let upper = match p.upper {
            Upper::Strut { lower, .. } => Upper::Strut { top: self.parts.mount, lower: carried(&lower) },
            Upper::Arm { front, rear, .. } => Upper::Arm { front, rear, ball: pose.top },
        };
        let damper = p.damper.map(|d| {
            let foot = match d.on {
                Member::Knuckle => carried(&d.foot),
                Member::LowerArm => linkage.damper(pose, &solved.rise).map_or(d.foot, |(_, foot, _)| foot),
            };
            Damper { foot, ..d }
        });
        let left = CornerGeometry {
            side: Side::Left,
            lower_ball: pose.lower_ball,
            upper,
            tie_rod_outer: pose.tie_rod_outer,
            wheel: Wheel { centre: pose.wheel_centre, spin: turned(p.wheel.spin), radius: p.wheel.radius },
            damper,
            outer_joint: p.outer_joint.map(|j| JointLimit { axis: turned(j.axis), ..j }),
            ..*p
        };
        let corner = if self.side == Side::Right { left.mirrored() } else { left };
        corner.check()?;
        Ok((corner, solved))
    }
}
