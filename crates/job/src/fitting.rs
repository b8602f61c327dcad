//! Fits of the features, each remembered with what it follows from.

use crate::document::{FeatureSpec, Job, Joint};
use crate::evaluate::{EvaluateError, FeatureResult, Results};
use crate::name::Name;
use crate::scans::LoadedScan;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use stringline_fit::{
    Feature, FitError, FitSettings, GrowSettings, Grown, JointPart, Verdict, Weighed, fit, fit_auto, fit_joint, grow,
};
use stringline_scan::{Geometry, Patch, Sample, Scan};

/// What was fitted, by the name of the feature or group.
#[derive(Debug, Default)]
pub(crate) struct Fits(BTreeMap<Name, (FitKey, FitOutcome)>);

/// What the fit of a feature, or of a group, follows from.
#[derive(Clone, Debug)]
struct FitKey {
    scan: Arc<LoadedScan>,
    joint: Option<Arc<Joint>>,
    features: Vec<Arc<FeatureSpec>>,
}

impl PartialEq for FitKey {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.scan, &other.scan) && self.joint == other.joint && self.features == other.features
    }
}

type FitOutcome = Result<Vec<Arc<FeatureResult>>, EvaluateError>;

impl Fits {
    /// Fits what changed; how many fits there are, or `None` where it was stopped.
    pub(crate) fn fit_all<'a>(
        &mut self,
        job: &'a Job,
        scans: &BTreeMap<Name, Arc<LoadedScan>>,
        results: &mut Results,
        watch: &(dyn Fn(usize, usize) -> bool + Sync),
    ) -> Option<usize> {
        let joined: BTreeSet<&Name> = job.joints.values().flat_map(|joint| &joint.features).collect();
        let alone = job.features.keys().filter(|name| !joined.contains(name)).map(|name| (name, None));
        let groups = job.joints.iter().map(|(name, joint)| (name, Some(joint)));
        let members_of = |name, joint: Option<&'a Arc<Joint>>| match joint {
            None => std::slice::from_ref(name),
            Some(joint) => joint.features.as_slice(),
        };
        let wanted: Vec<_> = alone.chain(groups).collect();
        let known = &self.0;
        let begun = AtomicUsize::new(0);
        // None for those that are still open when it is stopped.
        let fit_or_recall = |&(name, joint): &(&'a Name, Option<&'a Arc<Joint>>)| {
            watch(begun.fetch_add(1, Ordering::Relaxed), wanted.len()).then(|| {
                let key = fit_key(job, scans, members_of(name, joint), joint)?;
                // A feature and a group may have one name: they are told apart by the key.
                let outcome = match known.get(name) {
                    Some((of, outcome)) if *of == key => outcome.clone(),
                    _ => fit_one(name, &key),
                };
                Ok((key, outcome))
            })
        };
        let outcomes: Vec<Option<Result<_, EvaluateError>>> = wanted.par_iter().map(fit_or_recall).collect();
        let stopped = outcomes.iter().any(Option::is_none);
        let mut fits = BTreeMap::new();
        for (&(name, joint), outcome) in wanted.iter().zip(outcomes) {
            let members = members_of(name, joint);
            let Some(outcome) = outcome else { continue };
            let outcome = outcome.and_then(|(key, outcome)| {
                fits.insert(name.clone(), (key, outcome.clone()));
                outcome
            });
            match outcome {
                Ok(fitted) => {
                    for (member, result) in members.iter().zip(fitted) {
                        results.warn_of(member, &result);
                        results.features.insert(member.clone(), result);
                    }
                }
                Err(error) => match joint {
                    None => results.fail("feature", name, error),
                    Some(_) => {
                        results.fail("group", name, error);
                        for member in members {
                            let on = EvaluateError::RestsOn { what: "group", name: name.to_string() };
                            results.fail("feature", member, on);
                        }
                    }
                },
            }
        }
        if stopped {
            self.0.extend(fits);
        } else {
            self.0 = fits;
        }
        (!stopped).then_some(wanted.len())
    }
}

fn fit_key(
    job: &Job,
    scans: &BTreeMap<Name, Arc<LoadedScan>>,
    members: &[Name],
    joint: Option<&Arc<Joint>>,
) -> Result<FitKey, EvaluateError> {
    let missing = |what, name: &Name| EvaluateError::Missing { what, name: name.to_string() };
    let find = |name: &Name| job.features.get(name).cloned().ok_or_else(|| missing("feature", name));
    let features = members.iter().map(find).collect::<Result<Vec<_>, _>>()?;
    let Some(first) = features.first() else {
        return Err(EvaluateError::NotPainted);
    };
    let scan = match scans.get(&first.scan) {
        Some(scan) => Arc::clone(scan),
        None if job.scans.contains_key(&first.scan) => {
            return Err(EvaluateError::RestsOn { what: "scan", name: first.scan.to_string() });
        }
        None => return Err(missing("scan", &first.scan)),
    };
    Ok(FitKey { scan, joint: joint.cloned(), features })
}

/// A feature fitted alone, with what a group needs to fit it again.
struct Alone {
    patch: Patch,
    sample: Sample,
    feature: Feature,
    weighed: Option<Weighed>,
    settings: FitSettings,
}

/// Fits one feature, or the features of one group.
fn fit_one(name: &Name, key: &FitKey) -> FitOutcome {
    let alone: Vec<Alone> = key.features.iter().map(|spec| fit_alone(&key.scan, spec)).collect::<Result<_, _>>()?;
    let joined = match &key.joint {
        None => None,
        Some(joint) => {
            let parts: Vec<JointPart> = alone.iter().map(Alone::part).collect();
            Some(fit_joint(&parts, joint.relation)?)
        }
    };
    let together = |index: usize| joined.as_ref().and_then(|joint| joint.features.get(index).cloned());
    let moved = |index: usize| joined.as_ref().and_then(|joint| joint.moved.get(index).copied());
    let results = key.features.iter().zip(alone).enumerate().map(|(index, (spec, alone))| {
        Arc::new(FeatureResult {
            scan: spec.scan.clone(),
            feature: together(index).unwrap_or(alone.feature),
            patch: alone.patch,
            weighed: alone.weighed,
            joint: moved(index).map(|moved| (name.clone(), moved)),
        })
    });
    Ok(results.collect())
}

impl Alone {
    fn part(&self) -> JointPart<'_> {
        JointPart {
            points: &self.sample.points,
            normals: &self.sample.normals,
            kind: self.feature.shape.kind(),
            settings: &self.settings,
        }
    }
}

fn fit_alone(loaded: &LoadedScan, spec: &FeatureSpec) -> Result<Alone, EvaluateError> {
    let scan = &loaded.scan;
    let settings = FitSettings { keep_all: spec.fit.keep_all, held_radius: spec.fit.held_radius };
    let mut patch = painted(scan, spec)?;
    let mut sample = scan.sample(&patch);
    let (mut feature, mut weighed) = fit_or_weigh(&sample, spec, &settings)?;
    if spec.fit.grow && !spec.fit.whole_scan {
        let grown = grow_likeliest(scan, &patch, &feature, weighed.as_ref(), &settings)?;
        (patch, feature) = (grown.patch, grown.feature);
        sample = scan.sample(&patch);
        if weighed.is_some() {
            // More of the surface is better evidence.
            let spilled = feature.rejected;
            (feature, weighed) = fit_or_weigh(&sample, spec, &settings)?;
            feature.rejected += spilled;
        }
    }
    Ok(Alone { patch, sample, feature, weighed, settings })
}

/// What is painted of a feature, before it grows.
pub(crate) fn painted(scan: &Scan, spec: &FeatureSpec) -> Result<Patch, EvaluateError> {
    if spec.fit.whole_scan {
        return Ok(whole(scan));
    }
    if spec.dabs.is_empty() { Err(EvaluateError::NotPainted) } else { Ok(scan.paint(&spec.painted())?) }
}

/// Grows from the likeliest shape that grows: a few dabs may look like a ball that more of the surface rules out.
fn grow_likeliest(
    scan: &Scan,
    patch: &Patch,
    feature: &Feature,
    weighed: Option<&Weighed>,
    settings: &FitSettings,
) -> Result<Grown, FitError> {
    let others = weighed.into_iter().flat_map(|weighed| weighed.candidates.iter().skip(1).map(|c| &c.feature));
    let grow = |feature: &Feature| grow(scan, patch, feature, settings, &GrowSettings::default());
    grow(feature).or_else(|error| others.map(grow).find_map(Result::ok).ok_or(error))
}

fn fit_or_weigh(
    sample: &Sample,
    spec: &FeatureSpec,
    settings: &FitSettings,
) -> Result<(Feature, Option<Weighed>), EvaluateError> {
    let Sample { points, normals } = sample;
    match spec.fit.shape.kind() {
        Some(kind) => Ok((fit(points, normals, kind, settings)?, None)),
        None => {
            let weighed = fit_auto(points, normals, settings)?;
            let best = weighed.candidates.first().map(|candidate| candidate.feature.clone());
            Ok((best.ok_or(EvaluateError::NotPainted)?, Some(weighed)))
        }
    }
}

/// A patch of all there is.
fn whole(scan: &Scan) -> Patch {
    let facets = match scan.geometry() {
        Geometry::Mesh(mesh) => mesh.facets.len(),
        Geometry::Cloud(_) => 0,
    };
    Patch { points: (0..scan.points().len() as u32).collect(), facets: (0..facets as u32).collect() }
}

impl Results {
    fn warn_of(&mut self, name: &Name, result: &FeatureResult) {
        if let Some(Verdict::CannotTell(kinds)) = result.weighed.as_ref().map(|w| &w.verdict) {
            let words: Vec<&str> = kinds.iter().map(|kind| kind.word()).collect();
            let taken = result.feature.shape.kind();
            self.warn(
                name,
                format!(
                    "the evidence does not tell which of {} it is; taken as a {taken}: paint more of it, or say which",
                    words.join(", ")
                ),
            );
        }
        if let Some((joint, moved)) = &result.joint {
            // A form error that grows by a tenth is more than chance takes from a relation that holds.
            if result.feature.rms > 1.1 * moved.rms_alone {
                self.warn(
                    name,
                    format!(
                        "the group {joint} turned it by {:.3}° and shifted it by {:.3} mm, and its points lie further \
                         off than alone: see whether the parts really hold that relation",
                        moved.turn.to_degrees(),
                        moved.shift
                    ),
                );
            }
        }
        if !result.feature.converged {
            self.warn(name, "the fit did not converge: paint more of it before trusting it");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stringline_core::{Point3, Vec3};
    use stringline_fit::Kind;
    use stringline_scan::{Cloud, Dab};

    /// A face of 40 by 40 mm with a noise of 0.03 mm.
    fn face(seed: u64) -> Scan {
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(1);
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            0.03 * ((state >> 33) as f64 / (1_u64 << 30) as f64 - 1.0)
        };
        let points: Vec<Point3> =
            (0..6400).map(|i| Point3::new(f64::from(i % 80) * 0.5, f64::from(i / 80) * 0.5, noise())).collect();
        let normals = vec![Vec3::z(); points.len()];
        Scan::new(Geometry::Cloud(Cloud { points, normals }))
    }

    /// A dab on a face may look like a ball or a tube by chance, which no more of the face can be: the face then grows.
    #[test]
    fn a_shape_that_does_not_grow_leaves_the_choice_to_the_others() {
        let settings = FitSettings::default();
        let mut refused = 0;
        for seed in 0..20 {
            if refused > 0 {
                break;
            }
            let scan = face(seed);
            let patch = scan.paint(&[Dab::new(Point3::new(20.0, 20.0, 0.0), 2.0)]).unwrap_or_default();
            let sample = scan.sample(&patch);
            let Ok(weighed) = fit_auto(&sample.points, &sample.normals, &settings) else { continue };
            for chance in weighed.candidates.iter().filter(|c| c.feature.shape.kind() != Kind::Plane) {
                let alone = grow(&scan, &patch, &chance.feature, &settings, &GrowSettings::default());
                let mut others = weighed.clone();
                others.candidates.retain(|c| c.feature.shape.kind() == Kind::Plane);
                others.candidates.insert(0, chance.clone());
                let grown = grow_likeliest(&scan, &patch, &chance.feature, Some(&others), &settings);
                if alone.is_err() {
                    refused += 1;
                    assert!(grown.is_ok_and(|g| g.feature.shape.kind() == Kind::Plane && g.patch.points.len() > 6000));
                }
            }
        }
        assert!(refused > 0, "nothing was tried");
    }
}
