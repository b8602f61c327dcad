//! The fit of a patch while it is being painted: quick, on a thinned patch.
//!
//! What it says is replaced by the full fit of all painted points as soon as the brush rests.

use crate::state::State;
use crate::words::Trouble;
use std::sync::Arc;
use stringline_core::Explain;
use stringline_fit::{
    Enough, Feature, FitError, FitSettings, Verdict, Weighed, advice, advice_weighed, fit as fit_one, fit_auto,
};
use stringline_job::{FitSpec, LoadedScan, Name};
use stringline_scan::{Dab, PaintError, Patch};

/// At most so many points are fitted: more would not change what is seen, and take longer than
/// the eye forgives.
const MOST_POINTS: usize = 1200;

/// The wish to have what is painted fitted.
pub(crate) struct LiveAsk {
    /// Counts wishes.
    pub(crate) ticket: u64,
    /// The feature being painted.
    pub(crate) feature: Name,
    pub(crate) scan: Name,
    pub(crate) loaded: Arc<LoadedScan>,
    pub(crate) dabs: Vec<Dab>,
    pub(crate) fit: FitSpec,
}

/// What is painted, and what it looks like so far.
pub(crate) struct Live {
    pub(crate) ticket: u64,
    pub(crate) feature: Name,
    pub(crate) scan: Name,
    /// Ascending.
    pub(crate) points: Arc<[u32]>,
    pub(crate) outcome: Result<LiveFit, Trouble>,
}

/// A fit of what is painted so far.
pub(crate) struct LiveFit {
    pub(crate) shape: Feature,
    /// What the evidence says, where it was asked.
    pub(crate) verdict: Option<Verdict>,
    /// What to paint next.
    pub(crate) advice: Option<String>,
}

/// Fits what is painted.
pub(crate) fn fit(ask: LiveAsk) -> Live {
    let scan = &ask.loaded.scan;
    let (points, outcome): (Vec<u32>, _) = match scan.paint(&ask.dabs) {
        Ok(patch) => {
            let outcome = fit_patch(&ask, &patch).map_err(|error| Trouble::of(&error));
            (patch.points, outcome)
        }
        Err(error) => {
            let next = match error {
                PaintError::FacesAway { .. } => {
                    "Turn the view until you look straight at the surface, then paint.".into()
                }
                _ => error.next_step(),
            };
            (Vec::new(), Err(Trouble::new(error.to_string(), next)))
        }
    };
    Live { ticket: ask.ticket, feature: ask.feature, scan: ask.scan, points: points.into(), outcome }
}

fn fit_patch(ask: &LiveAsk, patch: &Patch) -> Result<LiveFit, FitError> {
    let stride = patch.points.len().div_ceil(MOST_POINTS).max(1);
    let thinned = Patch { points: patch.points.iter().copied().step_by(stride).collect(), facets: Vec::new() };
    let sample = ask.loaded.scan.sample(&thinned);
    let settings = FitSettings { keep_all: ask.fit.keep_all, held_radius: ask.fit.held_radius };
    match ask.fit.shape.kind() {
        Some(kind) => {
            let shape = fit_one(&sample.points, &sample.normals, kind, &settings)?;
            let advice = advice(&shape, &Enough::default()).map(|advice| advice.to_string());
            Ok(LiveFit { shape, verdict: None, advice })
        }
        None => {
            let weighed = fit_auto(&sample.points, &sample.normals, &settings)?;
            let advice = advice_weighed(&weighed, &Enough::default()).map(|advice| advice.to_string());
            let Weighed { verdict, candidates } = weighed;
            match candidates.into_iter().next() {
                Some(best) => Ok(LiveFit { shape: best.feature, verdict: Some(verdict), advice }),
                None => Err(FitError::TooFewPoints {
                    kind: stringline_fit::Kind::Plane,
                    needed: 4,
                    found: sample.points.len(),
                }),
            }
        }
    }
}

/// What would help most to paint next, in words; `None` where it is good enough or nothing is known.
pub(crate) fn advice_for(state: &State, name: &Name) -> Option<String> {
    if let Some(live) = state.live.as_ref().filter(|live| live.feature == *name) {
        return live.outcome.as_ref().ok()?.advice.clone();
    }
    let result = state.results.features.get(name)?;
    let undecided = result.weighed.as_ref().filter(|weighed| matches!(weighed.verdict, Verdict::CannotTell(_)));
    let advice = match undecided {
        Some(weighed) => advice_weighed(weighed, &Enough::default()),
        None => advice(&result.feature, &Enough::default()),
    };
    advice.map(|advice| advice.to_string())
}
