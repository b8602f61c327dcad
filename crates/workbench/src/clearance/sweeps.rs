//! Sweeping all variants on a thread of its own.

use crate::words::Trouble;
use crate::work::{Done, Progress};
use std::collections::BTreeMap;
use std::sync::Arc;
use stringline_clearance::{Reach, Sweep, Verdict, lock_words};
use stringline_job::{
    Bodies, BodyShape, ClearanceError, ClearanceSpec, Job, LoadError, LoadedScan, Name, Results, ScanFile, Setup,
};
use stringline_scan::{Geometry, Scan};

/// What a sweep is made of.
pub(crate) struct SweepAsk {
    pub(crate) job: Arc<Job>,
    pub(crate) results: Arc<Results>,
    pub(crate) scans: BTreeMap<Name, Arc<LoadedScan>>,
}

/// All variants swept.
pub(crate) struct Sweeps {
    /// Of the job at this revision.
    pub(crate) revision: u64,
    pub(crate) spec: ClearanceSpec,
    pub(crate) of: Vec<Swept>,
    /// Variants that could not be.
    pub(crate) failed: Vec<(String, Trouble)>,
}

/// A variant as it was swept.
pub(crate) struct Swept {
    pub(crate) name: String,
    /// In the order of the poses.
    pub(crate) bodies: Vec<SweptBody>,
    pub(crate) sweep: Sweep,
    /// What it was swept with.
    pub(crate) setup: Arc<Setup>,
    /// The pairs in words.
    pub(crate) pairs: Vec<String>,
    /// To the right and to the left, over all travel.
    pub(crate) limits: [Limit; 2],
    /// Of each pair where it comes nearest: its verdict, and the places of travel and lock; `None` where it stays far.
    pub(crate) nearest: Vec<Option<(Verdict, [usize; 2])>>,
}

/// How far the lock goes to one side.
pub(crate) struct Limit {
    /// Degrees, without sign; `None` where the gap is not kept straight ahead.
    pub(crate) lock_deg: Option<f64>,
    /// Its ± where that is known.
    pub(crate) u95_deg: Option<f64>,
    pub(crate) by: String,
    /// At which travel, mm.
    pub(crate) travel: Option<f64>,
}

impl Limit {
    pub(crate) fn words(&self) -> String {
        lock_words(self.lock_deg, self.u95_deg)
    }
}

/// A body of a variant.
pub(crate) struct SweptBody {
    /// The scan that it is.
    pub(crate) scan: Option<Name>,
    /// Its surface where it is none, and the number that the scene knows it by.
    pub(crate) drawn: Option<(u64, Arc<Scan>)>,
    pub(crate) wheel: bool,
}

/// Numbers of surfaces that are no scans, far above those of scans.
const FIRST_NUMBER: u64 = 1 << 48;

/// Sweeps every variant.
pub(crate) fn work(ask: &SweepAsk, progress: &Progress) -> Done {
    match sweep_all(ask, progress) {
        Ok(Some(sweeps)) => Done::Swept(Ok(Arc::new(sweeps))),
        Ok(None) => Done::Quiet,
        Err(error) => Done::Swept(Err(Trouble::of(&error))),
    }
}

fn sweep_all(ask: &SweepAsk, progress: &Progress) -> Result<Option<Sweeps>, ClearanceError> {
    let load = |name: &Name, file: &ScanFile| -> Result<Arc<LoadedScan>, LoadError> {
        match ask.scans.get(name) {
            Some(loaded) => Ok(Arc::clone(loaded)),
            None => Err(LoadError::Stopped { path: file.file.clone().into() }),
        }
    };
    let results = &ask.results;
    let bodies = Bodies::new(&ask.job, &results.set, &results.placements, &load)?;
    let names = bodies.variants();
    let (mut of, mut failed) = (Vec::new(), Vec::new());
    for (done, name) in names.iter().enumerate() {
        let share = |part: f32| (done as f32 + part) / names.len() as f32;
        if !progress.at(share(0.0)) {
            return Ok(None);
        }
        // What cannot be put together in one variant does not cost the others.
        match swept(ask, &bodies, name, done, |part| progress.at(share(part))) {
            Ok(one) => of.push(one),
            Err(ClearanceError::Sweep(stringline_clearance::SweepError::Stopped)) => return Ok(None),
            Err(error) if names.len() == 1 => return Err(error),
            Err(error) => failed.push((name.clone(), Trouble::of(&error))),
        }
    }
    if of.is_empty()
        && let Some(name) = names.first()
    {
        // Said as the error that it is.
        bodies.set_up(name)?;
    }
    Ok(Some(Sweeps { revision: ask.job.revision(), spec: bodies.clearance().clone(), of, failed }))
}

fn swept(
    ask: &SweepAsk,
    bodies: &Bodies,
    name: &str,
    number: usize,
    go_on: impl Fn(f32) -> bool + Sync,
) -> Result<Swept, ClearanceError> {
    let setup = bodies.set_up(name)?;
    let sweep = setup.sweep(go_on)?;
    let shown = |(part, known): (usize, &stringline_clearance::Part)| {
        let spec = ask.job.bodies.get(known.name.as_str());
        let scan = spec.and_then(|spec| match &spec.shape {
            BodyShape::Scan { scan } => Some(scan.clone()),
            _ => None,
        });
        let mesh = if scan.is_none() { setup.mesh(part) } else { None };
        let drawn = mesh.map(|mesh| {
            let id = FIRST_NUMBER + (ask.job.revision() << 16) + (number as u64 * 256) + part as u64;
            (id, Arc::new(Scan::new(Geometry::Mesh(mesh))))
        });
        SweptBody { scan, drawn, wheel: matches!(known.shape, stringline_clearance::Shape::Wheel(_)) }
    };
    let nearest: Vec<_> = (0..sweep.pairs.len())
        .map(|pair| {
            let (state, closest) = sweep.nearest(pair)?;
            let place = sweep.states.iter().position(|known| std::ptr::eq(known, state))?;
            let at = [place / sweep.locks.len(), place % sweep.locks.len()];
            Some((setup.verdict(pair, state.lock, state.travel, closest), at))
        })
        .collect();
    Ok(Swept {
        name: name.to_owned(),
        bodies: setup.parts.iter().enumerate().map(shown).collect(),
        pairs: (0..sweep.pairs.len()).map(|pair| setup.words(pair)).collect(),
        limits: sweep.all_travel.each_ref().map(|reach| limit(&setup, reach)),
        nearest,
        sweep,
        setup: Arc::new(setup),
    })
}

fn limit(setup: &Setup, reach: &Reach) -> Limit {
    Limit {
        lock_deg: reach.lock.map(|lock| lock.to_degrees().abs()),
        u95_deg: reach.touch.as_ref().and_then(|touch| setup.lock_u95(touch)).map(f64::to_degrees),
        by: setup.ended_by(&reach.by),
        travel: reach.touch.as_ref().map(|touch| touch.travel),
    }
}
