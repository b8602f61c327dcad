//! From a job and its scans to features and hardpoints.
//!
//! The same job and scans give the same results, number for number. What fails is told and
//! the rest goes on: one bad patch does not cost the other hardpoints.

use crate::constructing::construct_all;
use crate::document::{Job, ScanFile};
use crate::fitting::Fits;
use crate::laying::{Laid, Laying};
use crate::name::Name;
use crate::placing::{PlacementResult, place_all, unlike};
use crate::scans::{LoadError, LoadedScan};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;
use stringline_core::Explain;
use stringline_fit::{Feature, FitError, Moved, Weighed};
use stringline_hardpoints::{Constructed, ConstructionError, CoordinateAxes, HardpointSet, Role, SetError, Side};
use stringline_place::{AdjustError, Adjusted, Asymmetry, MarkerError, PairError, SurfaceError};
use stringline_scan::{PaintError, Patch};

/// All that a job gives.
#[derive(Debug)]
pub struct Results {
    /// The features, each in the frame of its scan.
    pub features: BTreeMap<Name, Arc<FeatureResult>>,
    /// How scans lie on one another by their surfaces, markers or point pairs, by the mates' names.
    pub laid: BTreeMap<Name, Arc<Laid>>,
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
    /// Surfaces give no placement.
    #[error(transparent)]
    Surface(#[from] SurfaceError),
    /// Markers give no placement.
    #[error(transparent)]
    Markers(#[from] MarkerError),
    /// Point pairs give no placement.
    #[error(transparent)]
    Pairs(#[from] PairError),
    /// A registration is to start from where the other mates put its scans, and they do not.
    #[error("the other mates do not hold \"{scan}\" and \"{on}\", so there is nowhere to start from")]
    NoStart {
        /// The scan to place.
        scan: Name,
        /// The scan to place it on.
        on: Name,
    },
    /// A painted area that is to limit a registration lies on another scan.
    #[error("the area \"{area}\" does not lie on the scan \"{scan}\"")]
    AreaElsewhere {
        /// The feature.
        area: Name,
        /// Where it should lie.
        scan: Name,
    },
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
            EvaluateError::Surface(error) => error.next_step(),
            EvaluateError::Markers(error) => error.next_step(),
            EvaluateError::Pairs(error) => error.next_step(),
            EvaluateError::NoStart { .. } => {
                "Mate both with the car, or start from nothing or from three picked point pairs.".into()
            }
            EvaluateError::AreaElsewhere { scan, .. } => format!("Name an area painted on \"{scan}\".").into(),
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
            laid: BTreeMap::new(),
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
    fits: Fits,
    laying: Laying,
}

impl Evaluator {
    /// As [`evaluate`], and remembers what it loaded and fitted.
    pub fn evaluate(&mut self, job: &Job, load: &Loader<'_>) -> Results {
        self.evaluate_watched(job, load, &|_, _| true).unwrap_or_default()
    }

    /// As [`Evaluator::evaluate`]; `watch` is told how many of how many fits and registrations are begun,
    /// before each and now and then in a registration, and `false` stops the work. What was done until then is
    /// remembered. `None` where stopped.
    pub fn evaluate_watched(
        &mut self,
        job: &Job,
        load: &Loader<'_>,
        watch: &(dyn Fn(usize, usize) -> bool + Sync),
    ) -> Option<Results> {
        let mut results = Results::default();
        let scans = self.load_scans(job, load, &mut results);
        let laying = job.mates.values().filter(|mate| mate.tie.scans().is_some()).count();
        let fits = self.fits.fit_all(job, &scans, &mut results, &|begun, of| watch(begun, of + laying))?;
        if !self.laying.lay_all(job, &scans, &mut results, &|begun| watch(fits + begun, fits + laying)) {
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

    /// The scans that features lie on or that are laid on one another; one that cannot be had is a failure of its own.
    fn load_scans(&mut self, job: &Job, load: &Loader<'_>, results: &mut Results) -> BTreeMap<Name, Arc<LoadedScan>> {
        let mut scans = BTreeMap::new();
        for (name, file) in &job.scans {
            let painted = job.features.values().any(|feature| feature.scan == *name);
            if !painted && job.mate_of_scan(name).is_none() {
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
}
