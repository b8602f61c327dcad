//! From a job to a sweep: its bodies at hand, its variants' mechanisms, and what limits the trust in a gap.

use crate::bodies::{BodyShape, BodySpec, ClearanceSpec, JointSpec, Place, WheelSpec};
use crate::document::Job;
use crate::evaluate::Loader;
use crate::name::Name;
use crate::placing::{PlacementResult, placed};
use crate::scans::{LoadError, LoadedScan};
use nalgebra::{Matrix6, Rotation3, UnitQuaternion};
use rayon::prelude::*;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;
use stringline_clearance::{
    Body, BodyError, Closest, Component, EndedBy, Mark, Pair, Part, Poses, RimSettings, Shape, Stop, Sweep, SweepError,
    SweepSettings, SweptState, Touch, TyreSettings, Verdict, Wheel, WheelError, part_gap, placement_part, plate,
    state_at, sweep, swept_mark,
};
use stringline_core::tyre::TyreSize;
use stringline_core::{Explain, Point3, RigidTransform, UnitVec3, Vec3};
use stringline_hardpoints::{HardpointSet, Role, Side};
use stringline_kinematics::{
    AS_FOUND, Axle, AxleGeometry, End, GeometryError, Held, JointKind, JointLimit, Link, Measured, Motion, SolveError,
    TrustError, TrustQuestion, Variant, VariantError, carried_to, spread_of,
};
use stringline_scan::{Geometry, Mesh};

/// While lock is swept the wheel centre's height is what is held.
const HELD: Held = Held::WheelCentre;
/// Facets of a part longer than this are divided for the mark of a wheel, mm.
const MARK_CELL: f64 = 2.0;
/// How far the drawing of a round tube may be off it, mm.
const DRAWN: f64 = 0.1;
/// Between states of a mark, degrees and mm.
const MARK_STEP: (f64, f64) = (1.0, 3.0);

/// Why a sweep cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum ClearanceError {
    /// The job says nothing of it.
    #[error("the job has no bodies to keep clear of each other")]
    NoBodies,
    /// A body rests on something that is not there.
    #[error("the body \"{body}\" needs {what}")]
    Missing {
        /// The body.
        body: Name,
        /// What.
        what: String,
    },
    /// A pair names a body that is not fitted in this variant, or not there.
    #[error("no pair of bodies is fitted in the variant \"{variant}\"")]
    NoPair {
        /// The variant.
        variant: String,
    },
    /// A scan cannot be had.
    #[error(transparent)]
    Scan(#[from] LoadError),
    /// A body cannot be made.
    #[error("the body \"{body}\": {error}")]
    Body {
        /// Which.
        body: Name,
        /// Why.
        error: BodyError,
    },
    /// A wheel cannot be made.
    #[error("the wheel \"{body}\": {error}")]
    Wheel {
        /// Which.
        body: Name,
        /// Why.
        error: WheelError,
    },
    /// The car as found makes no mechanism.
    #[error(transparent)]
    Geometry(#[from] GeometryError),
    /// The variant cannot be made.
    #[error(transparent)]
    Variant(#[from] VariantError),
    /// The sweep refused.
    #[error(transparent)]
    Sweep(#[from] SweepError),
}

impl Explain for ClearanceError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            ClearanceError::NoBodies => "Say which scans and shapes move with which member, and add a wheel.".into(),
            ClearanceError::Missing { .. } => "Add it to the job, or change the body.".into(),
            ClearanceError::NoPair { .. } => "Fit bodies in that variant, or name pairs that it has.".into(),
            ClearanceError::Scan(e) => e.next_step(),
            ClearanceError::Body { error, .. } => error.next_step(),
            ClearanceError::Wheel { error, .. } => error.next_step(),
            ClearanceError::Geometry(e) => e.next_step(),
            ClearanceError::Variant(e) => e.next_step(),
            ClearanceError::Sweep(e) => e.next_step(),
        }
    }
}

/// A body at hand: made once, used by every variant.
struct Ready {
    spec: Arc<BodySpec>,
    shape: Option<Shape>,
    car_from_body: RigidTransform,
    /// Of a scan.
    mesh: Option<Arc<LoadedScan>>,
    noise: Option<f64>,
    placement: Option<Matrix6<f64>>,
}

/// The bodies of a job, read and indexed. Cheap to clone.
#[derive(Clone)]
pub struct Bodies {
    ready: Arc<BTreeMap<Name, Ready>>,
    clearance: ClearanceSpec,
    measured: Measured,
    variants: Vec<Variant>,
    tyre: Option<String>,
    offset: Option<f64>,
    set: BTreeMap<(Role, Side), Point3>,
}

impl Bodies {
    /// Reads the scans that bodies are made of and indexes them. `set` and `placements` are what evaluating the job gave.
    ///
    /// # Errors
    /// [`ClearanceError`].
    pub fn new(
        job: &Job,
        set: &HardpointSet,
        placements: &BTreeMap<Name, PlacementResult>,
        load: &Loader<'_>,
    ) -> Result<Bodies, ClearanceError> {
        if job.bodies.is_empty() {
            return Err(ClearanceError::NoBodies);
        }
        let mut scans: BTreeMap<&Name, (Arc<LoadedScan>, Option<Shape>)> = BTreeMap::new();
        let mut ready = BTreeMap::new();
        for (name, spec) in &job.bodies {
            let missing = |what: String| ClearanceError::Missing { body: name.clone(), what };
            let made = |error| ClearanceError::Body { body: name.clone(), error };
            let plain = |shape| Ready {
                spec: Arc::clone(spec),
                shape,
                car_from_body: RigidTransform::identity(),
                mesh: None,
                noise: None,
                placement: None,
            };
            let entry = match &spec.shape {
                BodyShape::Scan { scan } | BodyShape::TurnedScan { scan, .. } => {
                    let file = job.scans.get(scan).ok_or_else(|| missing(format!("the scan \"{scan}\"")))?;
                    let (car_from_scan, placement) = placed(job, placements, scan)
                        .ok_or_else(|| missing(format!("the scan \"{scan}\" placed in the car")))?;
                    if !scans.contains_key(scan) {
                        scans.insert(scan, (load(scan, file)?, None));
                    }
                    let Some((loaded, indexed)) = scans.get_mut(scan) else { continue };
                    let noise = spec.made_within.is_none().then(|| loaded.scan.survey().noise).flatten();
                    let of_scan = Ready { noise, placement, ..plain(None) };
                    match &spec.shape {
                        BodyShape::TurnedScan { cell, .. } => {
                            let turned = |error| ClearanceError::Wheel { body: name.clone(), error };
                            let moulded = Wheel::from_scan(&loaded.scan, *cell).map_err(turned)?;
                            Ready {
                                shape: Some(Shape::Wheel(Arc::new(moulded.wheel))),
                                car_from_body: car_from_scan * moulded.wheel_from_scan.inverse(),
                                ..of_scan
                            }
                        }
                        _ => {
                            let shape = match indexed {
                                Some(shape) => shape,
                                None => indexed.insert(Shape::Body(Body::from_scan(&loaded.scan).map_err(made)?)),
                            };
                            Ready {
                                shape: Some(shape.clone()),
                                car_from_body: car_from_scan,
                                mesh: Some(Arc::clone(loaded)),
                                ..of_scan
                            }
                        }
                    }
                }
                BodyShape::Plate { outline, thickness } => {
                    let outline: Vec<Point3> = outline.iter().map(|p| Point3::from(*p)).collect();
                    let mesh = plate(&outline, *thickness).map_err(made)?;
                    plain(Some(Shape::Body(Body::from_mesh(&mesh).map_err(made)?)))
                }
                // These follow the variant's own points.
                BodyShape::Tube { .. } | BodyShape::Wheel(_) => plain(None),
            };
            ready.insert(name.clone(), entry);
        }
        Ok(Bodies {
            ready: Arc::new(ready),
            clearance: job.clearance.as_ref().map(|c| ClearanceSpec::clone(c)).unwrap_or_default(),
            measured: Measured::from_set(set)?,
            variants: job.variants.iter().map(|v| Variant::clone(v)).collect(),
            tyre: job.vehicle.tyre.clone(),
            offset: job.vehicle.rim_offset,
            set: set.hardpoints.iter().map(|h| ((h.role, h.side), Point3::from(h.position))).collect(),
        })
    }

    /// What is to be kept clear.
    pub fn clearance(&self) -> &ClearanceSpec {
        &self.clearance
    }

    /// The same with other settings.
    pub fn with(mut self, clearance: ClearanceSpec) -> Bodies {
        self.clearance = clearance;
        self
    }

    /// The names of the variants, the car as found first.
    pub fn variants(&self) -> Vec<String> {
        std::iter::once(AS_FOUND.to_owned()).chain(self.variants.iter().map(|v| v.name.clone())).collect()
    }

    /// Everything that a sweep of one variant needs.
    ///
    /// # Errors
    /// [`ClearanceError`].
    pub fn set_up(&self, variant: &str) -> Result<Setup, ClearanceError> {
        let mut found = self.measured.geometry()?;
        let spec = &self.clearance;
        for side in [Side::Left, Side::Right] {
            let corner = found.corner_mut(side);
            let rod = corner.tie_rod_outer - corner.tie_rod_inner;
            corner.outer_joint = spec.outer_joint.as_ref().map(|j| joint(j, rod, side, spec.side));
            corner.inner_joint = spec.inner_joint.as_ref().map(|j| joint(j, rod, side, spec.side));
        }
        let (geometry, carried) = carried_to(&found, &self.variants, variant)?;
        let mut drawn: BTreeMap<&str, [Motion; 2]> = BTreeMap::new();
        let (mut parts, mut names, mut movers, mut drawings) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for (name, ready) in self.ready.iter().filter(|(_, r)| r.spec.is_in(variant)) {
            let body = &ready.spec;
            if body.side != Side::Centre && body.side != spec.side {
                continue;
            }
            let missing = |what: String| ClearanceError::Missing { body: name.clone(), what };
            let side = usize::from(spec.side == Side::Right);
            let from = body.drawn_in.as_deref().unwrap_or(AS_FOUND);
            if !drawn.contains_key(from) {
                drawn.insert(from, carried_to(&found, &self.variants, from)?.1);
            }
            let link = body.moves_with;
            let of = |m: &Motion| m.of(link).ok_or_else(|| missing(format!("a corner with a {}", link.words())));
            let rest_from_drawn = of(&carried[side])? * of(&drawn[from][side])?.inverse();
            let corner = geometry.corner(spec.side);
            let mut drawing = None;
            let (shape, mover) = match &body.shape {
                BodyShape::Wheel(wheel) => {
                    let shape = Shape::Wheel(Arc::new(self.wheel(name, wheel)?));
                    (shape, Mover::Wheel)
                }
                BodyShape::Tube { from, to, diameter } => {
                    let place = |p: &Place| match p {
                        Place::At(p) => Ok(rest_from_drawn * Point3::from(*p)),
                        Place::Hardpoint(role) => corner
                            .point(*role)
                            .or_else(|| Some(rest_from_drawn * *self.set.get(&(*role, spec.side))?))
                            .ok_or_else(|| missing(format!("the hardpoint {}, {}", role.words(), spec.side))),
                    };
                    let made = |error| ClearanceError::Body { body: name.clone(), error };
                    let (from, to) = (place(from)?, place(to)?);
                    let tube = Body::capsule(from, to, *diameter).map_err(made)?;
                    // Both ends at one place are a ball.
                    let drawn = stringline_clearance::tube(from, to, *diameter, DRAWN);
                    drawing = drawn.or_else(|_short| stringline_clearance::ball(from, *diameter, DRAWN)).ok();
                    (Shape::Body(tube), Mover::Rest { link, rest_from_part: RigidTransform::identity() })
                }
                BodyShape::Scan { .. } | BodyShape::TurnedScan { .. } | BodyShape::Plate { .. } => {
                    let Some(shape) = ready.shape.clone() else { continue };
                    drawing = match &body.shape {
                        BodyShape::Plate { outline, thickness } => {
                            let outline: Vec<Point3> = outline.iter().map(|p| Point3::from(*p)).collect();
                            plate(&outline, *thickness).ok()
                        }
                        _ => None,
                    };
                    (shape, Mover::Rest { link, rest_from_part: rest_from_drawn * ready.car_from_body })
                }
            };
            parts.push(Part::new(name.as_str(), shape));
            names.push(name);
            movers.push(mover);
            drawings.push(drawing);
        }
        let pairs = self.pairs(&names, &parts, &movers);
        if pairs.is_empty() {
            return Err(ClearanceError::NoPair { variant: variant.into() });
        }
        let poses = CornerPoses::new(&geometry, spec.side, movers)?;
        let names = names.into_iter().cloned().collect();
        Ok(Setup { bodies: self.clone(), variant: variant.into(), names, parts, drawings, pairs, poses })
    }

    fn wheel(&self, name: &Name, spec: &WheelSpec) -> Result<Wheel, ClearanceError> {
        let failed = |error| ClearanceError::Wheel { body: name.clone(), error };
        if !spec.section.is_empty() {
            return Wheel::from_profile(&spec.section).map_err(failed);
        }
        let missing = |what: &str| ClearanceError::Missing { body: name.clone(), what: what.into() };
        let tyre = spec.tyre.as_ref().or(self.tyre.as_ref()).ok_or_else(|| missing("a tyre's size"))?;
        let size = TyreSize::parse(tyre).map_err(|e| failed(e.into()))?;
        let offset = spec.offset.or(self.offset).ok_or_else(|| missing("the rim's offset"))?;
        let settings = TyreSettings {
            bulge: spec.bulge,
            ..if spec.new { TyreSettings::NOMINAL } else { TyreSettings::default() }
        };
        let rim_width = spec.rim_width.unwrap_or_else(|| size.measuring_rim());
        Wheel::from_size(tyre, rim_width, offset, &settings, &RimSettings::default()).map_err(failed)
    }

    fn pairs(&self, names: &[&Name], parts: &[Part], movers: &[Mover]) -> Vec<Pair> {
        let spec = &self.clearance;
        let place = |name: &Name| names.iter().position(|n| *n == name);
        let link = |m: &Mover| match m {
            Mover::Wheel => Link::Knuckle,
            Mover::Rest { link, .. } => *link,
        };
        if !spec.pairs.is_empty() {
            let pair = |p: &crate::bodies::PairSpec| {
                Some(Pair { a: place(&p.a)?, b: place(&p.b)?, wanted: p.wanted.unwrap_or(spec.wanted) })
            };
            return spec.pairs.iter().filter_map(pair).collect();
        }
        let wheels = parts.iter().enumerate().filter(|(_, p)| matches!(p.shape, Shape::Wheel(_)));
        wheels
            .flat_map(|(a, _)| {
                let others = movers.iter().enumerate().filter(|(_, m)| link(m) != Link::Knuckle);
                others.map(move |(b, _)| Pair { a, b, wanted: spec.wanted })
            })
            .collect()
    }
}

fn joint(spec: &JointSpec, rod: Vec3, side: Side, given_for: Side) -> JointLimit {
    let kind = JointKind::from(spec.kind);
    let axis = spec.axis.map(Vec3::from).map(|a| if side == given_for { a } else { Vec3::new(a.x, -a.y, a.z) });
    let axis = axis.unwrap_or(match kind {
        JointKind::RodEnd => Vec3::z(),
        JointKind::Socket => rod,
    });
    JointLimit { kind, axis: UnitVec3::new_normalize(axis), permissible: spec.tilt_deg.to_radians() }
}

/// How a part moves.
#[derive(Clone, Copy, Debug)]
enum Mover {
    /// On the hub, y along the spin axis outboard.
    Wheel,
    /// With a member, from where the part stands at the variant's rest.
    Rest { link: Link, rest_from_part: RigidTransform },
}

/// The poses of parts on a corner.
#[derive(Clone, Debug)]
pub struct CornerPoses {
    axle: Axle,
    side: Side,
    movers: Vec<Mover>,
}

impl CornerPoses {
    fn new(geometry: &AxleGeometry, side: Side, movers: Vec<Mover>) -> Result<CornerPoses, GeometryError> {
        Ok(CornerPoses { axle: Axle::new(geometry)?, side, movers })
    }

    /// The axle that moves.
    pub fn axle(&self) -> &Axle {
        &self.axle
    }

    /// The part's frame at the variant's rest.
    fn rest_from_part(&self, mover: &Mover) -> RigidTransform {
        match mover {
            Mover::Rest { rest_from_part, .. } => *rest_from_part,
            Mover::Wheel => {
                let wheel = self.axle.geometry().corner(self.side).wheel;
                let y = wheel.spin.into_inner();
                // z as nearly upright as the axis lets it.
                let z = (Vec3::z() - y * y.z).normalize();
                let rotation = Rotation3::from_basis_unchecked(&[y.cross(&z), y, z]);
                RigidTransform::from_parts(wheel.centre.coords.into(), UnitQuaternion::from_rotation_matrix(&rotation))
            }
        }
    }

    /// How far the rack is to the left at a lock (rad) and travel (mm), mm.
    ///
    /// # Errors
    /// [`Stop`].
    pub fn rack(&self, lock: f64, travel: f64) -> Result<f64, Stop> {
        Ok(self.steered(lock, travel)?.0)
    }

    fn steered(&self, lock: f64, travel: f64) -> Result<(f64, Motion), Stop> {
        let geometry = self.axle.geometry();
        let corner = geometry.corner(self.side);
        let at_travel = self.axle.corner(self.side).at_travel(travel, HELD).map_err(|e| stop_of(&e))?;
        let at = at_travel.steered(lock).map_err(|e| stop_of(&e))?;
        if geometry.rack.stroke.is_some_and(|[low, high]| at.rack < low || at.rack > high) {
            return Err(Stop::RackStop);
        }
        let tilted = |tilt: Option<f64>, limit: Option<JointLimit>| {
            tilt.zip(limit).is_some_and(|(tilt, limit)| tilt > limit.permissible)
        };
        if tilted(at.measures.outer_misalignment, corner.outer_joint) {
            return Err(Stop::OuterJoint);
        }
        if tilted(at.measures.inner_misalignment, corner.inner_joint) {
            return Err(Stop::InnerJoint);
        }
        // The other wheel hangs on the same rack.
        let other = if self.side == Side::Left { Side::Right } else { Side::Left };
        self.axle.corner(other).solve(travel, HELD, at.rack).map_err(|e| stop_of(&e))?;
        Ok((at.rack, at.motion))
    }
}

impl Poses for CornerPoses {
    fn at(&self, lock: f64, travel: f64) -> Result<Vec<RigidTransform>, Stop> {
        let (_, motion) = self.steered(lock, travel)?;
        let pose = |mover: &Mover| {
            let link = match mover {
                Mover::Wheel => Link::Knuckle,
                Mover::Rest { link, .. } => *link,
            };
            let moved = motion.of(link).ok_or_else(|| Stop::Other(format!("no {}", link.words())))?;
            Ok(moved * self.rest_from_part(mover))
        };
        self.movers.iter().map(pose).collect()
    }
}

fn stop_of(error: &SolveError) -> Stop {
    match error {
        SolveError::RackStop { .. } => Stop::RackStop,
        SolveError::NoPosition { end: End::OverCentre, .. } => Stop::OverCentre,
        SolveError::NoPosition { end, .. } => Stop::Other(end.to_string()),
        SolveError::NotFinite { .. } => Stop::Other("no such position".into()),
    }
}

/// A variant ready to be swept.
pub struct Setup {
    bodies: Bodies,
    /// Its name.
    pub variant: String,
    names: Vec<Name>,
    /// The bodies fitted in it.
    pub parts: Vec<Part>,
    /// Surfaces of the tubes and plates among them.
    drawings: Vec<Option<Mesh>>,
    /// The pairs, by the places of their parts.
    pub pairs: Vec<Pair>,
    /// How they move.
    pub poses: CornerPoses,
}

impl Setup {
    /// Locks and travels as the job asks for them.
    pub fn settings(&self) -> SweepSettings {
        let c = &self.bodies.clearance;
        SweepSettings::grid(c.lock_deg, c.lock_step_deg, c.travel, c.travels as usize)
    }

    /// Sweeps it, on all cores; `go_on` is told which share is done, and stops it with false.
    ///
    /// # Errors
    /// [`SweepError`].
    pub fn sweep(&self, go_on: impl Fn(f32) -> bool + Sync) -> Result<Sweep, SweepError> {
        sweep(&self.parts, &self.pairs, &self.poses, &self.settings(), go_on)
    }

    /// One state on its own: where every body is, how near every pair comes and where. `near`, a state close by, makes it
    /// faster.
    pub fn state(&self, lock: f64, travel: f64, near: Option<&SweptState>) -> SweptState {
        state_at(&self.parts, &self.pairs, &self.poses, [lock, travel], self.settings().beyond, near)
    }

    /// A pair in words: "wheel and lower arm".
    pub fn words(&self, pair: usize) -> String {
        let name = |part: usize| self.parts.get(part).map_or("", |p| p.name.as_str());
        self.pairs.get(pair).map_or_else(String::new, |p| format!("{} and {}", name(p.a), name(p.b)))
    }

    /// What is said where nothing ends it.
    pub const NOTHING: &str = "nothing within the locks asked for";

    /// What ends a lock, in words.
    pub fn ended_by(&self, by: &EndedBy) -> String {
        match by {
            EndedBy::Pair(pair) => self.words(*pair),
            EndedBy::Stop(stop) => stop.to_string(),
            EndedBy::Nothing => Self::NOTHING.into(),
        }
    }

    /// A gap at a state, with its uncertainty: of the scans or the making of either body, of their placements, and of the
    /// hardpoints by way of the mechanism.
    ///
    /// The parts are those to first order, with the places where the bodies come nearest held: at a smallest
    /// distance they may slide along the surfaces without changing it.
    pub fn verdict(&self, pair: usize, lock: f64, travel: f64, closest: &Closest) -> Verdict {
        let Some(of) = self.pairs.get(pair) else { return Verdict::new(closest.gap, 0.0, Vec::new()) };
        let Ok(poses) = self.poses.at(lock, travel) else {
            return Verdict::new(closest.gap, of.wanted, Vec::new());
        };
        let (at_a, at_b) = (poses[of.a] * closest.on_a, poses[of.b] * closest.on_b);
        let Some(along) = UnitVec3::try_new(at_b - at_a, 1e-9) else {
            return Verdict::new(closest.gap, of.wanted, Vec::new());
        };
        let mut components = Vec::new();
        let mut add = |name: String, standard: f64, degrees_of_freedom: f64| {
            if standard > 0.0 {
                components.push(Component { name, standard, degrees_of_freedom });
            }
        };
        for (part, at) in [(of.a, at_a), (of.b, at_b)] {
            let Some(ready) = self.names.get(part).and_then(|n| self.bodies.ready.get(n)) else { continue };
            let name = &self.parts[part].name;
            match (ready.spec.made_within, ready.noise) {
                // Anywhere between the limits alike: a/√3 (JCGM 100, 4.3.7).
                (Some(half), _) => add(format!("making of {name}"), half / 3.0_f64.sqrt(), f64::INFINITY),
                (None, Some(noise)) => add(format!("scan of {name}"), noise, f64::INFINITY),
                _ => {}
            }
            if let Some(covariance) = &ready.placement {
                // Back to where the scan was placed.
                let placed_from_car = ready.car_from_body * poses[part].inverse();
                let along = UnitVec3::new_unchecked(placed_from_car * along.into_inner());
                add(
                    format!("placement of {name}"),
                    placement_part(covariance, &(placed_from_car * at), &along),
                    f64::INFINITY,
                );
            }
        }
        let question = TrustQuestion {
            measured: &self.bodies.measured,
            variants: &self.bodies.variants,
            variant: &self.variant,
            states: &[],
            held: HELD,
            quantities: &[],
            tolerances: &[],
        };
        let gap = |geometry: &AxleGeometry| -> Result<f64, TrustError> {
            let moved = CornerPoses::new(geometry, self.poses.side, self.poses.movers.clone())?;
            let corner = moved.axle.corner(moved.side).at_travel(travel, HELD)?;
            let motion = corner.steered(lock)?.motion;
            let place = |part: usize, p: &Point3| {
                let mover = &self.poses.movers[part];
                let link = match mover {
                    Mover::Wheel => Link::Knuckle,
                    Mover::Rest { link, .. } => *link,
                };
                motion.of(link).unwrap_or_default() * moved.rest_from_part(mover) * p
            };
            Ok(along.dot(&(place(of.b, &closest.on_b) - place(of.a, &closest.on_a))))
        };
        match spread_of(&question, &gap) {
            Ok(spread) => add("hardpoints, by the mechanism".into(), spread.standard, spread.degrees_of_freedom),
            Err(TrustError::NothingKnown) => {}
            // A state at the very end of the mechanism has no neighbour: then that part is not known.
            Err(_) => add("hardpoints, by the mechanism".into(), f64::INFINITY, f64::INFINITY),
        }
        Verdict::new(closest.gap, of.wanted, components)
    }

    /// The verdict on what ended the lock.
    pub fn verdict_of(&self, touch: &Touch) -> Verdict {
        self.verdict(touch.pair, touch.lock, touch.travel, &touch.closest)
    }

    /// By how much the lock at which a gap ends may be off, at 95 %, rad: the gap's uncertainty over how fast the gap changes
    /// with lock there. `None` where either is not known.
    pub fn lock_u95(&self, touch: &Touch) -> Option<f64> {
        let verdict = self.verdict_of(touch);
        let step = 0.25_f64.to_radians();
        let of = self.pairs.get(touch.pair)?;
        let poses = self.poses.at(touch.lock - step.copysign(touch.lock), touch.travel).ok()?;
        let (a, b) = (&self.parts[of.a], &self.parts[of.b]);
        let before = part_gap(a, &poses[of.a], b, &poses[of.b], of.wanted + 50.0, Some(&touch.closest))?.gap;
        // mm a degree; less is no end that the gap makes.
        let slope = (before - touch.closest.gap) / step.to_degrees();
        let u95 = (verdict.u95 / slope).to_radians();
        (slope > 1e-3 && u95 > 0.0 && u95.is_finite()).then_some(u95)
    }

    /// The wheel of a pair, and its other body where that is a mesh that can be marked.
    pub fn marked_parts(&self, pair: usize) -> Option<[usize; 2]> {
        let of = self.pairs.get(pair)?;
        let wheel = |part: usize| matches!(self.parts.get(part).map(|p| &p.shape), Some(Shape::Wheel(_)));
        let [wheel, body] = if wheel(of.a) { [of.a, of.b] } else { [of.b, of.a] };
        matches!(self.parts.get(wheel)?.shape, Shape::Wheel(_)).then_some(())?;
        self.scanned(body).map(|_| [wheel, body])
    }

    /// The mesh that a body was scanned or designed as.
    fn scanned(&self, part: usize) -> Option<&Mesh> {
        let loaded = self.bodies.ready.get(self.names.get(part)?)?.mesh.as_ref()?;
        match loaded.scan.geometry() {
            Geometry::Mesh(mesh) => Some(mesh),
            Geometry::Cloud(_) => None,
        }
    }

    /// What the wheel of a pair takes away from its other body between two locks (rad), over all travels; `None` where the
    /// pair has no wheel or no mesh, or it was stopped.
    pub fn mark(&self, pair: usize, locks: [f64; 2], go_on: impl Fn(f32) -> bool + Sync) -> Option<Mark> {
        let of = self.pairs.get(pair)?;
        let [wheel_at, body_at] = self.marked_parts(pair)?;
        let Shape::Wheel(wheel) = &self.parts[wheel_at].shape else { return None };
        let mesh = self.scanned(body_at)?;
        let [low, high] = self.bodies.clearance.travel;
        let steps = ((high - low) / MARK_STEP.1).ceil().max(1.0);
        let turns = ((locks[1] - locks[0]).to_degrees() / MARK_STEP.0).ceil().max(1.0);
        let grid: Vec<(u32, u32)> = (0..=steps as u32).flat_map(|i| (0..=turns as u32).map(move |j| (i, j))).collect();
        let states: Vec<RigidTransform> = grid
            .into_par_iter()
            .filter_map(|(i, j)| {
                let travel = low + (high - low) * f64::from(i) / steps;
                let lock = locks[0] + (locks[1] - locks[0]) * f64::from(j) / turns;
                let poses = self.poses.at(lock, travel).ok()?;
                Some(poses[wheel_at].inverse() * poses[body_at])
            })
            .collect();
        swept_mark(mesh, wheel, &states, of.wanted, of.wanted + 20.0, MARK_CELL, go_on)
    }

    /// The surface of a body of the sweep, to draw it; `None` for a cloud.
    pub fn mesh(&self, part: usize) -> Option<Mesh> {
        match &self.parts.get(part)?.shape {
            Shape::Wheel(wheel) => Some(wheel.mesh(96)),
            Shape::Body(_) if self.drawings.get(part)?.is_some() => self.drawings.get(part)?.clone(),
            Shape::Body(_) => self.scanned(part).cloned(),
        }
    }
}
