//! What must hold of a job before an operation makes it the job.

use crate::bodies;
use crate::document::{FeatureSpec, FitSpec, Job, Joint, Placement, ScanFile};
use crate::mates::MateSpec;
use crate::name::Name;
use crate::op::OpError;
use std::collections::BTreeSet;
use std::sync::Arc;
use stringline_hardpoints::Construction;
use stringline_scan::Dab;

impl Job {
    /// Checks what the types cannot hold: the numbers. References to something that is not
    /// in the job are no error here; evaluating reports them, and does the rest.
    pub(crate) fn check(&self) -> Result<(), OpError> {
        for (name, scan) in &self.scans {
            check_scan(name, scan)?;
        }
        for (name, placement) in &self.placements {
            check_placement(name, placement)?;
        }
        for (name, mate) in &self.mates {
            check_mate(name, mate)?;
        }
        for (name, feature) in &self.features {
            check_fit(name, &feature.fit)?;
            feature.dabs.iter().try_for_each(|touch| check_dab(name, &touch.dab))?;
        }
        for pair in self.hardpoints.windows(2) {
            if pair[0].key() == pair[1].key() {
                return Err(OpError::Twice { hardpoint: pair[1].words() });
            }
        }
        check_variants(self)?;
        bodies::check_all(self)?;
        self.exports.iter().try_for_each(|name| check_export(name))
    }
}

/// No two variants share a name, and none rests on itself by however many steps.
pub(crate) fn check_variants(job: &Job) -> Result<(), OpError> {
    let bad = |name: &str, what: &str| Err(OpError::BadVariant { name: name.into(), what: what.into() });
    for (i, variant) in job.variants.iter().enumerate() {
        if job.variants[..i].iter().any(|v| v.name == variant.name) {
            return bad(&variant.name, "there are two of the name");
        }
        if !variant.made_within.values().all(|within| within.is_finite() && *within >= 0.0) {
            return bad(&variant.name, "a point of it is to be made within something that is no length");
        }
        let mut base = variant.base.as_deref();
        for _ in 0..job.variants.len() {
            base = base.and_then(|b| job.variants.iter().find(|v| v.name == b)).and_then(|v| v.base.as_deref());
        }
        // A chain without a circle ends within as many steps as there are variants.
        if base.is_some_and(|b| job.variants.iter().any(|v| v.name == b)) {
            return bad(&variant.name, "it rests on itself");
        }
    }
    Ok(())
}

/// The thing named is there.
pub(crate) fn known(is: bool, what: &'static str, name: impl ToString) -> Result<(), OpError> {
    if is { Ok(()) } else { Err(OpError::Missing { what, name: name.to_string() }) }
}

/// The name is not taken.
pub(crate) fn free(taken: bool, what: &'static str, name: &Name) -> Result<(), OpError> {
    if taken { Err(OpError::Taken { what, name: name.clone() }) } else { Ok(()) }
}

/// Nothing rests on the feature or datum.
pub(crate) fn unneeded(job: &Job, what: &'static str, name: &Name) -> Result<(), OpError> {
    match job.user_of(name.as_str()) {
        Some((by_what, by)) => Err(OpError::Needed { what, name: name.clone(), by_what, by }),
        None => Ok(()),
    }
}

/// All that a construction names is there.
pub(crate) fn inputs_known(job: &Job, construction: &Construction) -> Result<(), OpError> {
    construction.inputs().into_iter().try_for_each(|input| input_known(job, input))
}

/// A feature or datum of the name is there.
pub(crate) fn input_known(job: &Job, input: &str) -> Result<(), OpError> {
    let is = job.features.contains_key(input) || job.datums.contains_key(input);
    known(is, "feature or datum", input)
}

/// Whether a datum is constructed, by however many steps, from itself.
pub(crate) fn rests_on_itself(job: &Job, name: &str) -> bool {
    let mut open: Vec<&str> = vec![name];
    let mut seen = BTreeSet::new();
    while let Some(next) = open.pop() {
        for input in job.datums.get(next).into_iter().flat_map(|how| how.inputs()) {
            if input == name {
                return true;
            }
            if seen.insert(input) {
                open.push(input);
            }
        }
    }
    false
}

/// A feature, to change.
pub(crate) fn feature<'a>(job: &'a mut Job, name: &Name) -> Result<&'a mut FeatureSpec, OpError> {
    match job.features.get_mut(name) {
        Some(feature) => Ok(Arc::make_mut(feature)),
        None => Err(OpError::Missing { what: "feature", name: name.to_string() }),
    }
}

pub(crate) fn check_scan(name: &Name, scan: &ScanFile) -> Result<(), OpError> {
    let bad = |what| Err(OpError::BadScan { scan: name.clone(), what });
    if scan.file.is_empty() || scan.file.contains('\0') {
        return bad("no path of a file");
    }
    if scan.sha256.len() != 64 || !scan.sha256.bytes().all(|b| b.is_ascii_hexdigit()) {
        return bad("no SHA-256 of 64 hexadecimal digits");
    }
    Ok(())
}

pub(crate) fn check_placement(name: &Name, placement: &Placement) -> Result<(), OpError> {
    let bad = |what| Err(OpError::BadPlacement { scan: name.clone(), what });
    if placement.car_from_scan().is_none() {
        return bad("a matrix that does more than turn and shift");
    }
    if let Some(covariance) = &placement.covariance {
        let matrix = nalgebra::Matrix6::from_fn(|row, column| covariance[row][column]);
        let scale = matrix.amax();
        let symmetric = (matrix - matrix.transpose()).amax() <= 1e-9 * scale;
        if !scale.is_finite() || !symmetric || matrix.symmetric_eigenvalues().min() < -1e-9 * scale {
            return bad("a covariance that is none");
        }
    }
    Ok(())
}

pub(crate) fn check_mate(name: &Name, mate: &MateSpec) -> Result<(), OpError> {
    let (give, give_deg) = mate.gives();
    let bad = |what| Err(OpError::BadMate { mate: name.clone(), what });
    if !(give >= 0.0 && give_deg >= 0.0 && give.is_finite() && give_deg.is_finite()) {
        return bad("a give that cannot be");
    }
    mate.tie.fault().map_or(Ok(()), bad)
}

pub(crate) fn check_dab(feature: &Name, dab: &Dab) -> Result<(), OpError> {
    let bad = |what| Err(OpError::BadDab { feature: feature.clone(), what });
    let direction = dab.seen_from.iter().flat_map(|direction| direction.iter());
    if !dab.centre.iter().chain(direction).all(|v| v.is_finite()) {
        return bad("a coordinate that is not a finite number");
    }
    if !(dab.radius.is_finite() && dab.radius > 0.0) {
        return bad("a radius that is not above zero");
    }
    Ok(())
}

pub(crate) fn check_fit(name: &Name, fit: &FitSpec) -> Result<(), OpError> {
    match fit.held_radius {
        Some(radius) if !(radius.is_finite() && radius > 0.0) => {
            Err(OpError::BadRadius { feature: name.clone(), radius })
        }
        _ => Ok(()),
    }
}

pub(crate) fn check_joint(job: &Job, name: &Name, joint: &Joint) -> Result<(), OpError> {
    let bad = |what: String| Err(OpError::BadJoint { joint: name.clone(), what });
    let Some(first) = joint.features.first() else {
        return bad("it has no features".into());
    };
    if joint.features.len() < 2 {
        return bad(format!("\"{first}\" is alone in it"));
    }
    let mut scan = None;
    for (index, member) in joint.features.iter().enumerate() {
        let Some(feature) = job.features.get(member) else {
            return Err(OpError::Missing { what: "feature", name: member.to_string() });
        };
        if joint.features[..index].contains(member) {
            return bad(format!("\"{member}\" is in it twice"));
        }
        if let Some((other, _)) = job.joint_of(member) {
            return bad(format!("\"{member}\" is in the group \"{other}\" already"));
        }
        if *scan.get_or_insert(&feature.scan) != &feature.scan {
            return bad(format!("\"{member}\" lies on another scan than \"{first}\""));
        }
    }
    Ok(())
}

pub(crate) fn check_export(name: &str) -> Result<(), OpError> {
    // Evaluating a job from elsewhere must not write outside the folder that it was given.
    let plain = name.parse::<Name>().is_ok();
    if plain { Ok(()) } else { Err(OpError::BadExport { name: name.to_owned() }) }
}
