//! From a job and its scans to features and hardpoints.
//!
//! The same job and scans give the same results, number for number. What fails is told and
//! the rest goes on: one bad patch does not cost the other hardpoints.

use crate::document::{FeatureSpec, Job, Joint, ScanFile};
use crate::name::Name;
use crate::placing::{PlacementResult, place_all, unlike};
use crate::scans::{LoadError, LoadedScan};
use rayon::prelude::*;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use stringline_core::Explain;
use stringline_fit::{
    Feature, FitError, FitSettings, GrowSettings, JointPart, Moved, Verdict, Weighed, fit, fit_auto, fit_joint, grow,
};
use stringline_hardpoints::{
    Constructed, Construction, ConstructionError, CoordinateAxes, DatumRecord, HardpointSet, Inputs, Role, SetError,
    Side, place_feature,
};
use stringline_place::{AdjustError, Adjusted, Asymmetry};
use stringline_scan::{Geometry, PaintError, Patch, Sample, Scan};

/// All that a job gives.
#[derive(Debug)]
pub struct Results {
    /// The features, each in the frame of its scan.
    pub features: BTreeMap<Name, Arc<FeatureResult>>,
    /// How the scans sit in the car, those that have a place.
    pub placements: BTreeMap<Name, PlacementResult>,
    /// The adjustment that placed them, where the job has mates.
    pub adjusted: Option<Adjusted>,
    /// The hardpoints as constructed, with all that their uncertainty comes from.
    pub constructed: BTreeMap<(Role, Side), Constructed>,
    /// The points, axes and faces in between, in the car's frame.
    pub datums: BTreeMap<Name, Constructed>,
    /// The hardpoints, in the car's frame, with all features that are placed in it.
    pub set: HardpointSet,
    /// What was computed and should be looked at.
    pub warnings: Vec<Warning>,
    /// What could not be computed, and what could not because of it.
    pub failures: Vec<Failed>,
}

/// A fitted feature.
#[derive(Clone, Debug)]
pub struct FeatureResult {
    /// The scan it lies on.
    pub scan: Name,
    /// The feature, in the scan's frame.
    pub feature: Feature,
    /// The points that it was fitted to.
    pub patch: Patch,
    /// The shapes weighed, where the evidence was to decide.
    pub weighed: Option<Weighed>,
    /// The group that it was fitted in, and how far that moved it.
    pub joint: Option<(Name, Moved)>,
}

/// Something to look at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Warning {
    /// The feature or hardpoint.
    pub about: String,
    /// What, and what to do.
    pub text: String,
}

/// Something that could not be computed.
#[derive(Clone, Debug)]
pub struct Failed {
    /// The word for it: scan, feature, datum, hardpoint.
    pub what: &'static str,
    /// Its name.
    pub name: String,
    /// Why.
    pub error: EvaluateError,
}

/// Why something could not be computed.
#[derive(Clone, Debug, thiserror::Error)]
pub enum EvaluateError {
    /// The scan cannot be had.
    #[error(transparent)]
    Scan(Arc<LoadError>),
    /// A dab touches nothing.
    #[error(transparent)]
    Paint(#[from] PaintError),
    /// Neither painted nor the whole scan.
    #[error("nothing is painted yet")]
    NotPainted,
    /// The fit refused.
    #[error(transparent)]
    Fit(#[from] FitError),
    /// The construction refused.
    #[error(transparent)]
    Construction(#[from] ConstructionError),
    /// The set refused.
    #[error(transparent)]
    Set(#[from] SetError),
    /// It names something that the job does not have.
    #[error("it names the {what} \"{name}\", which is not in the job")]
    Missing {
        /// The word for it.
        what: &'static str,
        /// The name.
        name: String,
    },
    /// Its feature's scan has no place in the car.
    #[error("the scan \"{scan}\" is not placed in the car")]
    NotPlaced {
        /// The scan.
        scan: Name,
    },
    /// A datum is constructed, by however many steps, from itself.
    #[error("it is constructed from itself")]
    Circular,
    /// The mates give no placements.
    #[error(transparent)]
    Adjust(#[from] AdjustError),
    /// The mates leave a scan free.
    #[error("the mates do not hold it: {how}")]
    Free {
        /// What is free, in words.
        how: String,
    },
    /// A mate's datum lies on several scans.
    #[error("the datum \"{datum}\" does not lie on one scan alone, so it cannot place one")]
    NotOnOneScan {
        /// The datum.
        datum: String,
    },
    /// It rests on something that failed.
    #[error("it rests on the {what} \"{name}\", which could not be had")]
    RestsOn {
        /// The word for it.
        what: &'static str,
        /// The name.
        name: String,
    },
}

impl Explain for EvaluateError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            EvaluateError::Scan(error) => error.next_step(),
            EvaluateError::Paint(error) => error.next_step(),
            EvaluateError::NotPainted => "Paint some dabs, or take the whole scan.".into(),
            EvaluateError::Fit(error) => error.next_step(),
            EvaluateError::Construction(error) => error.next_step(),
            EvaluateError::Set(error) => error.next_step(),
            EvaluateError::Missing { what, .. } => format!("Add the {what}, or name another.").into(),
            EvaluateError::NotPlaced { .. } => {
                "Give the scan a placement; one that changes nothing takes the scan's frame as the car's.".into()
            }
            EvaluateError::Circular => "Construct it from features, or from other datums.".into(),
            EvaluateError::Adjust(error) => error.next_step(),
            EvaluateError::Free { .. } => "Add a mate that holds it there.".into(),
            EvaluateError::NotOnOneScan { .. } => "Mate a datum whose features lie on one scan.".into(),
            EvaluateError::RestsOn { what, .. } => format!("Mend that {what} first.").into(),
        }
    }
}

impl Default for Results {
    /// Those of an empty job.
    fn default() -> Self {
        Results {
            features: BTreeMap::new(),
            placements: BTreeMap::new(),
            adjusted: None,
            constructed: BTreeMap::new(),
            datums: BTreeMap::new(),
            set: HardpointSet::new(CoordinateAxes::Iso8855),
            warnings: Vec::new(),
            failures: Vec::new(),
        }
    }
}

impl EvaluateError {
    /// Whether the cause is told elsewhere among the failures.
    pub fn is_consequence(&self) -> bool {
        matches!(self, EvaluateError::RestsOn { .. })
    }
}

impl Results {
    /// Whether all that the job asks for was computed.
    pub fn is_complete(&self) -> bool {
        self.failures.is_empty()
    }
}

/// Loads a scan by its name and what the job says of it.
pub type Loader<'a> = dyn Fn(&Name, &ScanFile) -> Result<Arc<LoadedScan>, LoadError> + 'a;

/// Computes all that a job gives.
///
/// Pure, given what `load` returns.
pub fn evaluate(job: &Job, load: &Loader<'_>) -> Results {
    Evaluator::default().evaluate(job, load)
}

/// Evaluates a job again and again, and computes only what changed in between.
#[derive(Debug, Default)]
pub struct Evaluator {
    scans: BTreeMap<Name, (Arc<ScanFile>, Arc<LoadedScan>)>,
    fits: BTreeMap<Name, (FitKey, FitOutcome)>,
}

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

impl Evaluator {
    /// As [`evaluate`], and remembers what it loaded and fitted.
    pub fn evaluate(&mut self, job: &Job, load: &Loader<'_>) -> Results {
        self.evaluate_watched(job, load, &|_, _| true).unwrap_or_default()
    }

    /// As [`Evaluator::evaluate`]; `watch` is told before each fit how many of how many are begun,
    /// and `false` stops the work. What was fitted until then is remembered. `None` where stopped.
    pub fn evaluate_watched(
        &mut self,
        job: &Job,
        load: &Loader<'_>,
        watch: &(dyn Fn(usize, usize) -> bool + Sync),
    ) -> Option<Results> {
        let mut results = Results::default();
        let scans = self.load_scans(job, load, &mut results);
        if !self.fit_all(job, &scans, &mut results, watch) {
            return None;
        }
        place_all(job, &mut results);
        construct_all(job, &mut results);
        Some(results)
    }

    /// The scans that were loaded, by name.
    pub fn into_scans(self) -> Vec<(Name, Arc<LoadedScan>)> {
        self.scans.into_iter().map(|(name, (_, scan))| (name, scan)).collect()
    }

    /// The scans that features lie on; one that cannot be had is a failure of its own.
    fn load_scans(&mut self, job: &Job, load: &Loader<'_>, results: &mut Results) -> BTreeMap<Name, Arc<LoadedScan>> {
        let mut scans = BTreeMap::new();
        for (name, file) in &job.scans {
            if !job.features.values().any(|feature| feature.scan == *name) {
                continue;
            }
            let known = self.scans.get(name).filter(|(of, _)| of == file).map(|(_, scan)| Ok(Arc::clone(scan)));
            match known.unwrap_or_else(|| load(name, file)) {
                Ok(scan) => {
                    self.scans.insert(name.clone(), (Arc::clone(file), Arc::clone(&scan)));
                    scans.insert(name.clone(), scan);
                }
                Err(error) => {
                    self.scans.remove(name);
                    results.fail("scan", name, EvaluateError::Scan(Arc::new(error)));
                }
            }
        }
        self.scans.retain(|name, _| job.scans.contains_key(name));
        scans
    }

    /// Whether it came to the end.
    fn fit_all<'a>(
        &mut self,
        job: &'a Job,
        scans: &BTreeMap<Name, Arc<LoadedScan>>,
        results: &mut Results,
        watch: &(dyn Fn(usize, usize) -> bool + Sync),
    ) -> bool {
        let joined: BTreeSet<&Name> = job.joints.values().flat_map(|joint| &joint.features).collect();
        let alone = job.features.keys().filter(|name| !joined.contains(name)).map(|name| (name, None));
        let groups = job.joints.iter().map(|(name, joint)| (name, Some(joint)));
        let members_of = |name, joint: Option<&'a Arc<Joint>>| match joint {
            None => std::slice::from_ref(name),
            Some(joint) => joint.features.as_slice(),
        };
        let wanted: Vec<_> = alone.chain(groups).collect();
        let known = &self.fits;
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
            self.fits.extend(fits);
        } else {
            self.fits = fits;
        }
        !stopped
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
    let mut patch = if spec.fit.whole_scan {
        whole(scan)
    } else if spec.dabs.is_empty() {
        return Err(EvaluateError::NotPainted);
    } else {
        scan.paint(&spec.painted())?
    };
    let mut sample = scan.sample(&patch);
    let (mut feature, mut weighed) = fit_or_weigh(&sample, spec, &settings)?;
    if spec.fit.grow && !spec.fit.whole_scan {
        let grown = grow(scan, &patch, &feature, &settings, &GrowSettings::default())?;
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
    /// How unlike left and right are, by role, where both sides have the hardpoint.
    pub fn asymmetries(&self) -> Vec<(Role, Asymmetry)> {
        let left = self.constructed.iter().filter(|((_, side), _)| *side == Side::Left);
        left.filter_map(|((role, _), left)| {
            let right = self.constructed.get(&(*role, Side::Right))?;
            Some((*role, unlike(left, right)?))
        })
        .collect()
    }

    pub(crate) fn fail(&mut self, what: &'static str, name: impl ToString, error: EvaluateError) {
        self.failures.push(Failed { what, name: name.to_string(), error });
    }

    pub(crate) fn warn(&mut self, about: impl ToString, text: impl Into<String>) {
        self.warnings.push(Warning { about: about.to_string(), text: text.into() });
    }

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

/// A feature's placement; why not, where it has none.
fn placement_of<'a>(job: &Job, scan: &Name, results: &'a Results) -> Result<&'a PlacementResult, EvaluateError> {
    let by_mates = || {
        let on_it = |input: &str| job.features.get(input).is_some_and(|feature| feature.scan == *scan);
        job.mates.values().any(|mate| mate.tie.inputs().into_iter().any(on_it))
    };
    results.placements.get(scan).ok_or_else(|| match by_mates() {
        true => EvaluateError::RestsOn { what: "placement of the scan", name: scan.to_string() },
        false => EvaluateError::NotPlaced { scan: scan.clone() },
    })
}

fn construct_all(job: &Job, results: &mut Results) {
    let mut inputs = Inputs::default();
    let set = &mut results.set;
    set.name = Some(job.title.clone()).filter(|title| !title.is_empty());
    set.suspension = job.suspension;
    set.vehicle = job.vehicle.as_ref().clone();
    for (name, result) in &results.features {
        let Some(PlacementResult { car_from_scan, .. }) = results.placements.get(&result.scan) else {
            continue;
        };
        let placed = place_feature(&result.feature, car_from_scan);
        if let Some(scan) = job.scans.get(&result.scan) {
            if !set.scans.iter().any(|known| known.file == scan.file) {
                set.scans.push(stringline_hardpoints::ScanFile {
                    file: scan.file.clone(),
                    sha256: scan.sha256.to_ascii_lowercase(),
                    extra: serde_json::Map::new(),
                });
            }
            set.datums.push(DatumRecord::from_feature(name.as_str(), &placed, Some(&scan.file)));
        }
        if let Err(error) = inputs.add_feature(name.as_str(), placed) {
            results.failures.push(Failed { what: "feature", name: name.to_string(), error: error.into() });
        }
    }
    construct_datums(job, &mut inputs, results);
    for hardpoint in &job.hardpoints {
        let made = construct(job, &hardpoint.construction, &inputs, results).and_then(|made| {
            let made = with_placement(&made, &inputs, results);
            let set = &mut results.set;
            set.add(hardpoint.role, hardpoint.side, &made, &hardpoint.construction, &inputs)?;
            Ok(made)
        });
        match made {
            Ok(made) => {
                for note in &made.notes {
                    results.warn(hardpoint.words(), note.to_string());
                }
                results.constructed.insert(hardpoint.key(), made);
            }
            Err(error) => results.fail("hardpoint", hardpoint.words(), error),
        }
    }
}

/// Constructs the datums in between, each after those that it rests on.
fn construct_datums(job: &Job, inputs: &mut Inputs, results: &mut Results) {
    let mut open: BTreeMap<&Name, &Arc<Construction>> = job.datums.iter().collect();
    while !open.is_empty() {
        let ready: Vec<&Name> = open
            .iter()
            .filter(|(_, how)| !how.inputs().iter().any(|input| open.keys().any(|name| name.as_str() == *input)))
            .map(|(name, _)| *name)
            .collect();
        if ready.is_empty() {
            for name in open.keys() {
                results.fail("datum", name, EvaluateError::Circular);
            }
            return;
        }
        for name in ready {
            let Some(how) = open.remove(name) else {
                continue;
            };
            let made = construct(job, how, inputs, results).and_then(|made| {
                inputs.add_constructed(name.as_str(), made.clone())?;
                Ok(made)
            });
            match made {
                Ok(made) => {
                    let made = with_placement(&made, inputs, results);
                    results.datums.insert(name.clone(), made);
                }
                Err(error) => results.fail("datum", name, error),
            }
        }
    }
}

/// Adds what the placements of its scans in the car add to a datum's uncertainty: what they rest on in common, with
/// each other and with the datum, adds up with its sign.
fn with_placement(made: &Constructed, inputs: &Inputs, results: &Results) -> Constructed {
    inputs.with_placements(made, |feature| {
        let scan = &results.features.get(feature)?.scan;
        Some(&results.placements.get(scan)?.sources)
    })
}

/// Constructs in the car's frame.
fn construct(job: &Job, how: &Construction, inputs: &Inputs, results: &Results) -> Result<Constructed, EvaluateError> {
    for input in how.inputs() {
        if let Some(feature) = results.features.get(input) {
            placement_of(job, &feature.scan, results)?;
        } else if let Some(name) = job.features.get_key_value(input).map(|(name, _)| name) {
            return Err(EvaluateError::RestsOn { what: "feature", name: name.to_string() });
        } else if job.datums.contains_key(input) && !results.datums.contains_key(input) {
            return Err(EvaluateError::RestsOn { what: "datum", name: input.into() });
        }
    }
    Ok(inputs.construct(how)?)
}
