//! Bodies whose clearance matters: which scan, or what simple shape, moves with which member; and what is to be kept clear.

use crate::document::{Extra, Job};
use crate::name::Name;
use crate::op::OpError;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_hardpoints::{Role, Side};
use stringline_kinematics::{AS_FOUND, JointKind, Link};

/// A body, and the member that it moves with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BodySpec {
    /// What it is.
    pub shape: BodyShape,
    /// The member that it is a part of.
    pub moves_with: Link,
    /// Of which corner.
    pub side: Side,
    /// The variants that it is fitted in; all where none is named.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub variants: Vec<String>,
    /// The variant in which, at rest, it stands where it is placed or drawn; the car as found where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawn_in: Option<String>,
    /// How far off its surface may be made, ±, mm: of a design, in place of a scan's noise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made_within: Option<f64>,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

impl BodySpec {
    /// Whether a variant has it.
    pub fn is_in(&self, variant: &str) -> bool {
        self.variants.is_empty() || self.variants.iter().any(|v| v == variant)
    }
}

/// What a body is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "is", rename_all = "snake_case")]
pub enum BodyShape {
    /// A scan of the job, or a design imported like one, as it is placed in the car.
    Scan {
        /// Which.
        scan: Name,
    },
    /// A round tube with round ends between two places.
    Tube {
        /// One end.
        from: Place,
        /// The other.
        to: Place,
        /// Outside, mm.
        diameter: f64,
    },
    /// A flat plate, its thickness to both sides.
    Plate {
        /// Corners in order, car coordinates, mm; in one plane.
        outline: Vec<[f64; 3]>,
        /// mm.
        thickness: f64,
    },
    /// A wheel with its tyre, on the hub.
    Wheel(WheelSpec),
    /// A scanned wheel, as it is placed in the car: what was scanned, turned about the axis that is found of it.
    TurnedScan {
        /// Which.
        scan: Name,
        /// The fineness of its outline, mm.
        #[serde(default = "usual_cell")]
        cell: f64,
    },
}

impl BodyShape {
    /// A scanned wheel, with the usual fineness.
    pub fn turned(scan: Name) -> BodyShape {
        BodyShape::TurnedScan { scan, cell: usual_cell() }
    }

    /// The scan that it is made of.
    pub fn scan(&self) -> Option<&Name> {
        match self {
            BodyShape::Scan { scan } | BodyShape::TurnedScan { scan, .. } => Some(scan),
            _ => None,
        }
    }
}

fn usual_cell() -> f64 {
    0.5
}

/// A place in the car.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// By its coordinates, mm.
    At([f64; 3]),
    /// At a hardpoint of the body's side.
    Hardpoint(Role),
}

/// A wheel by its sizes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WheelSpec {
    /// The tyre's marking, as 205/50R16; the vehicle's where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tyre: Option<String>,
    /// Between the rim's flanges, mm; the tyre's measuring rim where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rim_width: Option<f64>,
    /// How far the mounting face lies outboard of the rim's middle, mm; the vehicle's where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<f64>,
    /// Taken as new, without the growth in service of the tyre standards.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub new: bool,
    /// How far each side bulges under load, mm.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub bulge: f64,
    /// Points `[radius, along the spin axis outboard]` of a drawn section, mm, in place of the sizes; from a file by
    /// [`stringline_clearance::read_section`].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub section: Vec<[f64; 2]>,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

fn is_zero(v: &f64) -> bool {
    *v == 0.0
}

/// What is to be kept clear, and over which states.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ClearanceSpec {
    /// The gap wanted, mm.
    pub wanted: f64,
    /// Which corner is swept.
    pub side: Side,
    /// Locks to either side, degrees of steer of that corner's wheel.
    pub lock_deg: f64,
    /// Between states, degrees.
    pub lock_step_deg: f64,
    /// Wheel travel, lowest and highest, mm.
    pub travel: [f64; 2],
    /// How many travels.
    pub travels: u32,
    /// Which pairs of bodies; every wheel against every other body that does not move with it where none is named.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pairs: Vec<PairSpec>,
    /// Permissible tilt of the outer tie-rod joint.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outer_joint: Option<JointSpec>,
    /// Permissible tilt of the inner tie-rod joint.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inner_joint: Option<JointSpec>,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

impl Default for ClearanceSpec {
    fn default() -> Self {
        ClearanceSpec {
            wanted: 5.0,
            side: Side::Left,
            lock_deg: 70.0,
            lock_step_deg: 1.0,
            travel: [-60.0, 60.0],
            travels: 9,
            pairs: Vec::new(),
            outer_joint: None,
            inner_joint: None,
            extra: Extra::new(),
        }
    }
}

/// Two bodies to keep apart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairSpec {
    /// One.
    pub a: Name,
    /// The other.
    pub b: Name,
    /// The gap wanted here, mm, in place of the general one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wanted: Option<f64>,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

/// How far a tie rod's end may tilt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JointSpec {
    /// Rod end on a bolt, or ball in a socket in line with the rod.
    pub kind: JointWords,
    /// The bolt's or the socket's axis at rest in car coordinates; straight up for a rod end, along the rod for a socket,
    /// where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub axis: Option<[f64; 3]>,
    /// Permissible tilt either way, degrees, as the joint's maker states it.
    pub tilt_deg: f64,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

/// See [`JointKind`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum JointWords {
    /// A rod end on a bolt.
    RodEnd,
    /// A ball in a socket.
    Socket,
}

impl From<JointWords> for JointKind {
    fn from(words: JointWords) -> JointKind {
        match words {
            JointWords::RodEnd => JointKind::RodEnd,
            JointWords::Socket => JointKind::Socket,
        }
    }
}

/// Whether a body's numbers can be; what it names may be missing.
pub(crate) fn check_body(name: &Name, body: &BodySpec) -> Result<(), OpError> {
    let bad = |what: &'static str| Err(OpError::BadBody { body: name.clone(), what });
    let length = |v: f64| v.is_finite() && v > 0.0;
    let finite = |p: &Place| match p {
        Place::At(p) => p.iter().all(|v| v.is_finite()),
        Place::Hardpoint(_) => true,
    };
    if body.side == Side::Centre && body.moves_with != Link::Chassis && body.moves_with != Link::Rack {
        return bad("no side, and moves with a member of one");
    }
    if body.made_within.is_some_and(|v| !(v.is_finite() && v >= 0.0)) {
        return bad("a making tolerance that is no length");
    }
    match &body.shape {
        BodyShape::Scan { .. } => Ok(()),
        BodyShape::TurnedScan { cell, .. } if !length(*cell) => bad("a fineness that is no length"),
        BodyShape::TurnedScan { .. } => Ok(()),
        BodyShape::Tube { diameter, .. } if !length(*diameter) => bad("a diameter that is no length"),
        BodyShape::Tube { from, to, .. } if !(finite(from) && finite(to)) => bad("an end that is no place"),
        BodyShape::Tube { .. } => Ok(()),
        BodyShape::Plate { thickness, .. } if !length(*thickness) => bad("a thickness that is no length"),
        BodyShape::Plate { outline, .. } if outline.len() < 3 || outline.iter().flatten().any(|v| !v.is_finite()) => {
            bad("an outline of fewer than three places")
        }
        BodyShape::Plate { .. } => Ok(()),
        BodyShape::Wheel(_) if body.moves_with != Link::Knuckle => bad("a wheel that is not on the knuckle"),
        BodyShape::Wheel(wheel) => {
            let numbers = [wheel.rim_width, wheel.offset, Some(wheel.bulge)];
            match numbers.iter().flatten().all(|v| v.is_finite()) {
                true => Ok(()),
                false => bad("a size that is no number"),
            }
        }
    }
}

/// Whether the numbers can be.
pub(crate) fn check_clearance(spec: &ClearanceSpec) -> Result<(), OpError> {
    let bad = |what: &'static str| Err(OpError::BadClearance { what });
    let wanted = std::iter::once(Some(spec.wanted)).chain(spec.pairs.iter().map(|p| p.wanted)).flatten();
    if wanted.into_iter().any(|v| !(v.is_finite() && v >= 0.0)) {
        return bad("a wanted gap is no length");
    }
    if spec.side == Side::Centre {
        return bad("a corner is left or right");
    }
    if !(spec.lock_deg > 0.0 && spec.lock_deg <= 90.0) {
        return bad("locks are looked at up to more than 0° and at most 90°");
    }
    if !(spec.lock_step_deg >= 0.1 && spec.lock_step_deg <= spec.lock_deg) {
        return bad("the step of lock is not between 0.1° and the lock");
    }
    let [low, high] = spec.travel;
    if !(low.is_finite() && high.is_finite() && low < high && (2..=200).contains(&spec.travels)) {
        return bad("the travel is no range from low to high in 2 to 200 steps");
    }
    for joint in [&spec.outer_joint, &spec.inner_joint].into_iter().flatten() {
        let axis = joint.axis.is_none_or(|a| {
            let squared: f64 = a.iter().map(|v| v * v).sum();
            squared.is_finite() && squared > 1e-12
        });
        if !(joint.tilt_deg > 0.0 && joint.tilt_deg < 90.0 && axis) {
            return bad("a joint's tilt is not between 0° and 90°, or its axis has no direction");
        }
    }
    Ok(())
}

/// Sets a body.
pub(crate) fn set_body(job: &mut Job, name: &Name, body: &BodySpec) -> Result<(), OpError> {
    check_body(name, body)?;
    if let Some(scan) = body.shape.scan()
        && !job.scans.contains_key(scan)
    {
        return Err(OpError::Missing { what: "scan", name: scan.to_string() });
    }
    for variant in body.variants.iter().chain(&body.drawn_in) {
        if variant != AS_FOUND && !job.variants.iter().any(|v| v.name == *variant) {
            return Err(OpError::Missing { what: "variant", name: variant.clone() });
        }
    }
    job.bodies.insert(name.clone(), std::sync::Arc::new(body.clone()));
    Ok(())
}

/// Takes a body out; refused while a pair names it.
pub(crate) fn remove_body(job: &mut Job, name: &Name) -> Result<(), OpError> {
    if !job.bodies.contains_key(name) {
        return Err(OpError::Missing { what: "body", name: name.to_string() });
    }
    let pairs = job.clearance.iter().flat_map(|c| &c.pairs);
    if let Some(pair) = pairs.into_iter().find(|p| p.a == *name || p.b == *name) {
        let by = format!("{} against {}", pair.a, pair.b);
        return Err(OpError::Needed { what: "body", name: name.clone(), by_what: "pair", by });
    }
    job.bodies.remove(name);
    Ok(())
}

/// Says what is to be kept clear.
pub(crate) fn set_clearance(job: &mut Job, spec: Option<&ClearanceSpec>) -> Result<(), OpError> {
    if let Some(spec) = spec {
        check_clearance(spec)?;
        for name in spec.pairs.iter().flat_map(|p| [&p.a, &p.b]) {
            if !job.bodies.contains_key(name) {
                return Err(OpError::Missing { what: "body", name: name.to_string() });
            }
        }
    }
    job.clearance = spec.map(|s| std::sync::Arc::new(s.clone()));
    Ok(())
}

/// Checks what a job file says of them.
pub(crate) fn check_all(job: &Job) -> Result<(), OpError> {
    job.bodies.iter().try_for_each(|(name, body)| check_body(name, body))?;
    job.clearance.iter().try_for_each(|spec| check_clearance(spec))
}

/// A body that is made of a scan.
pub(crate) fn body_of_scan<'j>(job: &'j Job, scan: &Name) -> Option<&'j Name> {
    job.bodies.iter().find(|(_, b)| b.shape.scan() == Some(scan)).map(|(name, _)| name)
}
