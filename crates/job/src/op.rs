//! Operations: all that can be done to a job.
//!
//! [`plan`] is pure and may run on any thread; [`History::commit`](crate::History::commit)
//! makes its result the job. The window and the command line build the same operations.

use crate::bodies::{self, BodySpec, ClearanceSpec};
use crate::check::{
    check_dab, check_export, check_fit, check_joint, check_mate, check_placement, check_scan, check_variants, feature,
    free, input_known, inputs_known, known, rests_on_itself, unneeded,
};
use crate::document::{
    Extra, FeatureSpec, FitSpec, HardpointSpec, Job, Joint, Placement, ScanFile, Touch, hardpoint_words,
};
use crate::mates::MateSpec;
use crate::name::Name;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::sync::Arc;
use stringline_core::Explain;
use stringline_hardpoints::{Construction, Role, Side, Suspension, Vehicle};
use stringline_kinematics::{AS_FOUND, Variant};
use stringline_scan::Dab;

/// One thing done to a job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "snake_case")]
pub enum Op {
    /// Names the job.
    SetTitle {
        /// Free text.
        title: String,
    },
    /// Describes the car.
    SetVehicle {
        /// The car.
        vehicle: Box<Vehicle>,
        /// The kind of suspension, where it is known.
        suspension: Option<Suspension>,
    },
    /// Takes a scan file into the job.
    AddScan {
        /// What to call it; not yet taken.
        name: Name,
        /// The file.
        scan: ScanFile,
    },
    /// Lets a scan be another file: it moved, or it changed on purpose.
    ReplaceScan {
        /// Which.
        name: Name,
        /// The file.
        scan: ScanFile,
    },
    /// Takes a scan and its placement out; refused while a feature lies on it.
    RemoveScan {
        /// Which.
        name: Name,
    },
    /// Puts a scan in the car.
    PlaceScan {
        /// Which.
        name: Name,
        /// How it sits.
        placement: Box<Placement>,
    },
    /// Forgets how a scan sits in the car.
    UnplaceScan {
        /// Which.
        name: Name,
    },
    /// Says how two datums stand to each other, a datum to the car, or a scan to another, in place of what was said before.
    SetMate {
        /// What to call it.
        name: Name,
        /// What it says.
        mate: Box<MateSpec>,
    },
    /// Takes a mate out.
    RemoveMate {
        /// Which.
        name: Name,
    },
    /// Begins a feature on a scan.
    AddFeature {
        /// What to call it; not yet taken.
        name: Name,
        /// The scan it lies on.
        scan: Name,
        /// How to fit it.
        fit: FitSpec,
    },
    /// Changes how a feature is fitted.
    SetFit {
        /// Which.
        name: Name,
        /// How to fit it.
        fit: FitSpec,
    },
    /// Calls a feature something else, here and wherever it is spoken of.
    RenameFeature {
        /// Which.
        name: Name,
        /// What to call it; not yet taken.
        to: Name,
    },
    /// Takes a feature out; refused while a group or a hardpoint needs it.
    RemoveFeature {
        /// Which.
        name: Name,
    },
    /// Touches with the brush.
    Paint {
        /// The feature painted.
        feature: Name,
        /// The touches, in order.
        dabs: Vec<Dab>,
    },
    /// Wipes a dab.
    Wipe {
        /// The feature.
        feature: Name,
        /// Which dab, counted from 0.
        dab: usize,
    },
    /// Lets features be fitted together.
    Join {
        /// What to call the group; not yet taken.
        name: Name,
        /// Which features, and what they share.
        joint: Joint,
    },
    /// Lets the features of a group be fitted each alone again.
    Part {
        /// The group.
        name: Name,
    },
    /// Says how a point, axis or face in between is constructed, in place of what was said before.
    SetDatum {
        /// What to call it; no feature's name.
        name: Name,
        /// How.
        construction: Construction,
    },
    /// Takes a datum out; refused while something is constructed from it.
    RemoveDatum {
        /// Which.
        name: Name,
    },
    /// Says how a hardpoint is constructed, in place of what was said before.
    SetHardpoint {
        /// Which, and how.
        hardpoint: HardpointSpec,
    },
    /// Takes a hardpoint out.
    RemoveHardpoint {
        /// What it does.
        role: Role,
        /// Where it is.
        side: Side,
    },
    /// Says what a variant is, in place of what was said before.
    SetVariant {
        /// Its name, base and moves.
        variant: Box<Variant>,
    },
    /// Takes a variant out; refused while another rests on it.
    RemoveVariant {
        /// Which.
        name: String,
    },
    /// Says what a body is, in place of what was said before.
    SetBody {
        /// What to call it.
        name: Name,
        /// Its shape, and what it moves with.
        body: Box<BodySpec>,
    },
    /// Takes a body out; refused while a pair names it.
    RemoveBody {
        /// Which.
        name: Name,
    },
    /// Says what is to be kept clear, in place of what was said before.
    SetClearance {
        /// The gap wanted, the states and the pairs; `None` forgets them.
        clearance: Option<Box<ClearanceSpec>>,
    },
    /// Says which files evaluating the job writes.
    SetExports {
        /// File names; their endings say in which format.
        exports: Vec<String>,
    },
}

/// What an operation would make of a job.
#[derive(Clone, Debug)]
pub struct Change {
    pub(crate) op: Op,
    pub(crate) planned_on: u64,
    pub(crate) job: Job,
}

/// Why an operation cannot be done.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum OpError {
    /// It refers to something that the job does not have.
    #[error("there is no {what} \"{name}\" in the job")]
    Missing {
        /// The word for it: scan, feature, group, hardpoint.
        what: &'static str,
        /// The name given.
        name: String,
    },
    /// The name is in use.
    #[error("there is a {what} \"{name}\" in the job already")]
    Taken {
        /// The word for it.
        what: &'static str,
        /// The name given.
        name: Name,
    },
    /// Something else rests on it.
    #[error("the {what} \"{name}\" is needed by the {by_what} \"{by}\"")]
    Needed {
        /// The word for it.
        what: &'static str,
        /// Its name.
        name: Name,
        /// The word for what needs it.
        by_what: &'static str,
        /// The name of what needs it.
        by: String,
    },
    /// A dab to wipe that is not there.
    #[error("the feature \"{feature}\" has {count} dabs; there is no number {dab} (counted from 0)")]
    NoSuchDab {
        /// The feature.
        feature: Name,
        /// The number given.
        dab: usize,
        /// How many it has.
        count: usize,
    },
    /// A dab whose numbers cannot be.
    #[error("a dab of the feature \"{feature}\" has {what}")]
    BadDab {
        /// The feature.
        feature: Name,
        /// What is wrong with it.
        what: &'static str,
    },
    /// A held radius that cannot be.
    #[error("the radius held for the feature \"{feature}\" is {radius} mm, not a length")]
    BadRadius {
        /// The feature.
        feature: Name,
        /// As given, mm.
        radius: f64,
    },
    /// A placement that does more than turn and shift, or a covariance that is none.
    #[error("the placement of the scan \"{scan}\" has {what}")]
    BadPlacement {
        /// The scan.
        scan: Name,
        /// What is wrong with it.
        what: &'static str,
    },
    /// A mate with numbers that cannot be.
    #[error("the mate \"{mate}\" has {what}")]
    BadMate {
        /// The mate.
        mate: Name,
        /// What is wrong with it.
        what: &'static str,
    },
    /// A file of a scan without path or hash.
    #[error("the scan \"{scan}\" has {what}")]
    BadScan {
        /// The scan.
        scan: Name,
        /// What is wrong with it.
        what: &'static str,
    },
    /// A body whose numbers cannot be.
    #[error("the body \"{body}\" has {what}")]
    BadBody {
        /// The body.
        body: Name,
        /// What is wrong with it.
        what: &'static str,
    },
    /// A sweep that cannot be.
    #[error("the clearance asked for cannot be had: {what}")]
    BadClearance {
        /// What is wrong with it.
        what: &'static str,
    },
    /// A group of features that cannot be fitted together.
    #[error("the group \"{joint}\" cannot be: {what}")]
    BadJoint {
        /// The group.
        joint: Name,
        /// Why.
        what: String,
    },
    /// A datum that would be constructed from itself.
    #[error("the datum \"{datum}\" would be constructed from itself")]
    Circular {
        /// The datum.
        datum: Name,
    },
    /// A variant that cannot be.
    #[error("the variant \"{}\" cannot be: {what}", name.escape_debug())]
    BadVariant {
        /// The variant.
        name: String,
        /// Why.
        what: String,
    },
    /// A variant that others rest on.
    #[error("the variant \"{}\" is the base of \"{}\"", name.escape_debug(), by.escape_debug())]
    VariantNeeded {
        /// The variant.
        name: String,
        /// What rests on it.
        by: String,
    },
    /// Two hardpoints of one role and side.
    #[error("the hardpoint \"{hardpoint}\" stands twice")]
    Twice {
        /// The hardpoint, in words.
        hardpoint: String,
    },
    /// An export whose name is not a plain file name.
    #[error("\"{}\" is not a plain file name", name.escape_debug())]
    BadExport {
        /// As given.
        name: String,
    },
    /// The change was planned before another was made.
    #[error("the job changed while \"{step}\" was being worked out")]
    Stale {
        /// What was to be done.
        step: String,
    },
}

impl Explain for OpError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            OpError::Missing { what, .. } => format!("Check the spelling, or add the {what} first.").into(),
            OpError::Taken { .. } => "Choose another name.".into(),
            OpError::Needed { by_what, by, .. } => format!("Change or remove the {by_what} \"{by}\" first.").into(),
            OpError::NoSuchDab { .. } => "Name one of the dabs that the feature has.".into(),
            OpError::BadDab { .. } => "Give each dab a finite centre and direction, and a radius above zero.".into(),
            OpError::BadRadius { .. } => "Give a radius above zero, in mm, or hold none.".into(),
            OpError::BadPlacement { .. } => {
                "Give four rows of numbers: a rotation, a shift in mm, and 0 0 0 1; a covariance \
                 must be symmetric with no negative variance."
                    .into()
            }
            OpError::BadMate { .. } => {
                "Name its datums or two scans; give finite numbers, lengths above zero and a give of zero or above."
                    .into()
            }
            OpError::BadScan { .. } => "Add the scan file again.".into(),
            OpError::BadJoint { .. } => "Group two or more features of one scan, each in one group only.".into(),
            OpError::Circular { .. } => "Construct it from features, or from other datums.".into(),
            OpError::BadVariant { .. } => {
                "Give it a name of its own, a base that is as-found or another variant, and lengths in mm.".into()
            }
            OpError::VariantNeeded { by, .. } => format!("Give \"{by}\" another base first.").into(),
            OpError::Twice { .. } => "Keep one of the two.".into(),
            OpError::BadExport { .. } => "Give a name without folders, ending in .json, .step, .dxf or .csv.".into(),
            OpError::BadBody { .. } | OpError::BadClearance { .. } => "Correct that number.".into(),
            OpError::Stale { .. } => "Do it again.".into(),
        }
    }
}

impl Op {
    /// What a person calls this step, for the history.
    pub fn step(&self) -> String {
        match self {
            Op::SetTitle { .. } => "Name the job".into(),
            Op::SetVehicle { .. } => "Describe the car".into(),
            Op::AddScan { name, .. } => format!("Add scan {name}"),
            Op::ReplaceScan { name, .. } => format!("Replace scan {name}"),
            Op::RemoveScan { name } => format!("Remove scan {name}"),
            Op::PlaceScan { name, .. } => format!("Place scan {name}"),
            Op::UnplaceScan { name } => format!("Unplace scan {name}"),
            Op::SetMate { name, .. } => format!("Mate {name}"),
            Op::RemoveMate { name } => format!("Remove mate {name}"),
            Op::AddFeature { name, .. } => format!("Add feature {name}"),
            Op::SetFit { name, .. } => format!("Change fit of {name}"),
            Op::RenameFeature { name, to } => format!("Rename {name} to {to}"),
            Op::RemoveFeature { name } => format!("Remove feature {name}"),
            Op::Paint { feature, .. } => format!("Paint {feature}"),
            Op::Wipe { feature, .. } => format!("Wipe {feature}"),
            Op::Join { name, .. } => format!("Join {name}"),
            Op::Part { name } => format!("Part {name}"),
            Op::SetDatum { name, .. } => format!("Construct {name}"),
            Op::RemoveDatum { name } => format!("Remove datum {name}"),
            Op::SetHardpoint { hardpoint } => format!("Construct {}", hardpoint.words()),
            Op::RemoveHardpoint { role, side } => {
                format!("Remove hardpoint {}", hardpoint_words(*role, *side))
            }
            Op::SetVariant { variant } => format!("Design {}", variant.name),
            Op::RemoveVariant { name } => format!("Remove variant {name}"),
            Op::SetBody { name, .. } => format!("Say what {name} is"),
            Op::RemoveBody { name } => format!("Remove body {name}"),
            Op::SetClearance { .. } => "Say what is to be kept clear".into(),
            Op::SetExports { .. } => "Choose exports".into(),
        }
    }
}

/// Works out what `op` makes of `job`. Pure: the job stays as it is.
///
/// # Errors
/// See [`OpError`].
pub fn plan(job: &Job, op: &Op) -> Result<Change, OpError> {
    let mut next = job.clone();
    apply(&mut next, op)?;
    Ok(Change { op: op.clone(), planned_on: job.revision, job: next })
}

fn apply(job: &mut Job, op: &Op) -> Result<(), OpError> {
    match op {
        Op::SetTitle { title } => job.title.clone_from(title),
        Op::SetVehicle { vehicle, suspension } => {
            job.vehicle = Arc::new(Vehicle::clone(vehicle));
            job.suspension = *suspension;
        }
        Op::AddScan { name, scan } => {
            free(job.scans.contains_key(name), "scan", name)?;
            check_scan(name, scan)?;
            job.scans.insert(name.clone(), Arc::new(scan.clone()));
        }
        Op::ReplaceScan { name, scan } => {
            known(job.scans.contains_key(name), "scan", name)?;
            check_scan(name, scan)?;
            job.scans.insert(name.clone(), Arc::new(scan.clone()));
        }
        Op::RemoveScan { name } => {
            known(job.scans.contains_key(name), "scan", name)?;
            if let Some((by, _)) = job.features.iter().find(|(_, f)| f.scan == *name) {
                return Err(OpError::Needed {
                    what: "scan",
                    name: name.clone(),
                    by_what: "feature",
                    by: by.to_string(),
                });
            }
            if let Some(by) = job.mate_of_scan(name) {
                let by = by.to_string();
                return Err(OpError::Needed { what: "scan", name: name.clone(), by_what: "mate", by });
            }
            if let Some(by) = bodies::body_of_scan(job, name) {
                let by = by.to_string();
                return Err(OpError::Needed { what: "scan", name: name.clone(), by_what: "body", by });
            }
            job.scans.remove(name);
            job.placements.remove(name);
        }
        Op::PlaceScan { name, placement } => {
            known(job.scans.contains_key(name), "scan", name)?;
            check_placement(name, placement)?;
            job.placements.insert(name.clone(), Arc::new(Placement::clone(placement)));
        }
        Op::UnplaceScan { name } => {
            known(job.placements.remove(name).is_some(), "placement of the scan", name)?;
        }
        Op::SetMate { name, mate } => {
            check_mate(name, mate)?;
            mate.tie.inputs().into_iter().try_for_each(|input| input_known(job, input))?;
            mate.tie.scans().into_iter().flatten().try_for_each(|s| known(job.scans.contains_key(s), "scan", s))?;
            job.mates.insert(name.clone(), Arc::new(MateSpec::clone(mate)));
        }
        Op::RemoveMate { name } => known(job.mates.remove(name).is_some(), "mate", name)?,
        Op::AddFeature { name, scan, fit } => {
            free(job.features.contains_key(name), "feature", name)?;
            free(job.datums.contains_key(name), "datum", name)?;
            known(job.scans.contains_key(scan), "scan", scan)?;
            check_fit(name, fit)?;
            let feature = FeatureSpec { scan: scan.clone(), dabs: Vec::new(), fit: fit.clone(), extra: Extra::new() };
            job.features.insert(name.clone(), Arc::new(feature));
        }
        Op::SetFit { name, fit } => {
            check_fit(name, fit)?;
            feature(job, name)?.fit = fit.clone();
        }
        Op::RenameFeature { name, to } => rename_feature(job, name, to)?,
        Op::RemoveFeature { name } => {
            known(job.features.contains_key(name), "feature", name)?;
            unneeded(job, "feature", name)?;
            job.features.remove(name);
        }
        Op::Paint { feature: name, dabs } => {
            dabs.iter().try_for_each(|dab| check_dab(name, dab))?;
            feature(job, name)?.dabs.extend(dabs.iter().cloned().map(Touch::from));
        }
        Op::Wipe { feature: name, dab } => {
            let dabs = &mut feature(job, name)?.dabs;
            if *dab >= dabs.len() {
                return Err(OpError::NoSuchDab { feature: name.clone(), dab: *dab, count: dabs.len() });
            }
            dabs.remove(*dab);
        }
        Op::Join { name, joint } => {
            free(job.joints.contains_key(name), "group", name)?;
            check_joint(job, name, joint)?;
            job.joints.insert(name.clone(), Arc::new(joint.clone()));
        }
        Op::Part { name } => known(job.joints.remove(name).is_some(), "group", name)?,
        Op::SetDatum { name, construction } => {
            free(job.features.contains_key(name), "feature", name)?;
            inputs_known(job, construction)?;
            job.datums.insert(name.clone(), Arc::new(construction.clone()));
            if rests_on_itself(job, name.as_str()) {
                return Err(OpError::Circular { datum: name.clone() });
            }
        }
        Op::RemoveDatum { name } => {
            known(job.datums.contains_key(name), "datum", name)?;
            unneeded(job, "datum", name)?;
            job.datums.remove(name);
        }
        Op::SetHardpoint { hardpoint } => {
            inputs_known(job, &hardpoint.construction)?;
            let hardpoint = Arc::new(hardpoint.clone());
            match job.hardpoints.binary_search_by_key(&hardpoint.key(), |h| h.key()) {
                Ok(at) => job.hardpoints[at] = hardpoint,
                Err(at) => job.hardpoints.insert(at, hardpoint),
            }
        }
        Op::RemoveHardpoint { role, side } => {
            let at = job.hardpoints.iter().position(|h| h.key() == (*role, *side));
            known(at.is_some(), "hardpoint", hardpoint_words(*role, *side))?;
            job.hardpoints.retain(|h| h.key() != (*role, *side));
        }
        Op::SetVariant { variant } => {
            let bad = |what: &str| OpError::BadVariant { name: variant.name.clone(), what: what.into() };
            if variant.name.parse::<Name>().is_err() || variant.name == AS_FOUND {
                return Err(bad("its name is not a plain one, or that of the car as found"));
            }
            match variant.base.as_deref() {
                Some(base) if base == variant.name => return Err(bad("it rests on itself")),
                Some(base) if base != AS_FOUND => {
                    known(job.variants.iter().any(|v| v.name == base), "variant", base)?;
                }
                _ => {}
            }
            let variant = Arc::new(Variant::clone(variant));
            match job.variants.iter_mut().find(|v| v.name == variant.name) {
                Some(place) => *place = variant.clone(),
                None => job.variants.push(variant.clone()),
            }
            check_variants(job)?;
        }
        Op::RemoveVariant { name } => {
            known(job.variants.iter().any(|v| v.name == *name), "variant", name)?;
            if let Some(by) = job.variants.iter().find(|v| v.base.as_ref() == Some(name)) {
                return Err(OpError::VariantNeeded { name: name.clone(), by: by.name.clone() });
            }
            if let Some((by, _)) =
                job.bodies.iter().find(|(_, b)| b.variants.iter().chain(&b.drawn_in).any(|v| v == name))
            {
                return Err(OpError::Needed {
                    what: "variant",
                    name: name
                        .parse()
                        .map_err(|_unnameable| OpError::Missing { what: "variant", name: name.clone() })?,
                    by_what: "body",
                    by: by.to_string(),
                });
            }
            job.variants.retain(|v| v.name != *name);
        }
        Op::SetBody { name, body } => bodies::set_body(job, name, body)?,
        Op::RemoveBody { name } => bodies::remove_body(job, name)?,
        Op::SetClearance { clearance } => bodies::set_clearance(job, clearance.as_deref())?,
        Op::SetExports { exports } => {
            exports.iter().try_for_each(|name| check_export(name))?;
            job.exports.clone_from(exports);
        }
    }
    Ok(())
}

fn rename_feature(job: &mut Job, name: &Name, to: &Name) -> Result<(), OpError> {
    free(job.features.contains_key(to), "feature", to)?;
    free(job.datums.contains_key(to), "datum", to)?;
    let Some(feature) = job.features.remove(name) else {
        return Err(OpError::Missing { what: "feature", name: name.to_string() });
    };
    job.features.insert(to.clone(), feature);
    let (from, to_text) = (name.as_str(), to.as_str());
    for joint in job.joints.values_mut().filter(|joint| joint.features.contains(name)) {
        let members = &mut Arc::make_mut(joint).features;
        members.iter_mut().filter(|member| *member == name).for_each(|member| *member = to.clone());
    }
    for datum in job.datums.values_mut().filter(|datum| datum.inputs().contains(&from)) {
        Arc::make_mut(datum).rename_input(from, to_text);
    }
    for hardpoint in job.hardpoints.iter_mut().filter(|h| h.construction.inputs().contains(&from)) {
        Arc::make_mut(hardpoint).construction.rename_input(from, to_text);
    }
    for mate in job.mates.values_mut().filter(|mate| mate.tie.inputs().contains(&from)) {
        Arc::make_mut(mate).tie.rename_input(from, to);
    }
    Ok(())
}
