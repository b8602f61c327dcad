//! Work that takes longer than a frame: on threads of its own, with progress and a way to stop.

use crate::clearance::marks::Marked;
use crate::clearance::sweeps::Sweeps;
use crate::geometry::offers::Offer;
use crate::geometry::study::{self, Bands, Study, StudyAsk};
use crate::keep::Kept;
use crate::live::{self, Live, LiveAsk};
use crate::overlay::{Overlaid, Sectioned};
use crate::words::Trouble;
use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use stringline_job::{Evaluator, Job, LoadError, LoadedScan, Name, OpenJob, Recovered, Results, ScanFile, load};
use stringline_scan::{Dab, Scan};

/// What a worker has to say.
pub(crate) enum Done {
    /// A job was opened.
    Opened(Box<OpenJob>, Recovered),
    /// A file was looked at, to be added as a scan.
    Identified(Vec<(PathBuf, ScanFile)>),
    /// A thinned scan, to see something of it at once.
    Coarse(Name, Arc<Scan>),
    /// A scan is there, or is not; without trouble it was stopped.
    Loaded(Name, Arc<ScanFile>, Result<Arc<LoadedScan>, Option<Trouble>>),
    /// What lies under the brush.
    Footprint(Footprint),
    /// The fit of what is being painted.
    Live(Box<Live>),
    /// All that the job of that revision gives.
    Results(u64, Arc<Results>),
    /// Evaluating it was stopped.
    Stopped(u64),
    /// A value a point of a scan.
    Values(Values),
    /// A map was stopped.
    NoMap,
    /// The curves of all variants.
    Studied(Arc<Study>),
    /// Their bands.
    Banded(Arc<Bands>),
    /// Moves that give what was wanted, or why there are none.
    Offered(Box<Result<Offer, Trouble>>),
    /// Lock and travel were swept, or why they were not.
    Swept(Result<Arc<Sweeps>, Trouble>),
    /// Both scans of an overlay were cut open.
    Sectioned(Arc<Sectioned>),
    /// The drawn section of a wheel was read: of which, or of new ones; `[radius, along the axis]`, mm.
    Drawn(Option<Name>, Vec<[f64; 2]>),
    /// What of a body must go.
    Marked(Arc<Marked>),
    /// Files were written.
    Written(Vec<PathBuf>),
    /// A path was chosen in a dialog, or none.
    Chosen(Vec<PathBuf>),
    /// The keeper did something.
    Kept(Kept),
    /// It could not be done.
    Failed(Trouble),
    /// Nothing to say.
    Quiet,
}

/// The points under the brush.
pub(crate) struct Footprint {
    /// Which wish it answers.
    pub(crate) ticket: u64,
    pub(crate) scan: Name,
    /// Ascending.
    pub(crate) points: Arc<[u32]>,
    pub(crate) wipe: bool,
}

/// A value a point of a scan, for the diverging scale.
pub(crate) struct Values {
    /// What it shows.
    pub(crate) of: MapOf,
    pub(crate) scan: Name,
    /// NaN where there is none.
    pub(crate) values: Arc<[f32]>,
    /// The scale runs from minus this to this, mm.
    pub(crate) range: f32,
    /// What else there is to say of it.
    pub(crate) notes: Vec<String>,
    /// Of one scan over another, all that is known.
    pub(crate) overlaid: Option<Arc<Overlaid>>,
}

/// What a map of values shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum MapOf {
    /// How far the points of a feature lie off its shape.
    Residuals(Name),
    /// How far a scan lies off another.
    Gap {
        /// The scan that is coloured.
        of: Name,
        /// The one it is measured against.
        from: Name,
        /// Surfaces farther from each other than this have no gap worth a colour, mm.
        within: u16,
    },
    /// How far a scan lies off the one it was laid on, as it did before or as it does.
    Laid {
        /// The mate that laid it.
        mate: Name,
        after: bool,
        /// mm.
        within: u16,
    },
}

/// Sends reports to the window and has it look.
#[derive(Clone)]
pub(crate) struct Reports {
    to: Sender<Report>,
    wake: Arc<dyn Fn() + Send + Sync>,
}

/// A report, and which task is over with it.
pub(crate) struct Report {
    pub(crate) task: Option<u64>,
    pub(crate) done: Done,
}

impl Reports {
    pub(crate) fn new(to: Sender<Report>, wake: Arc<dyn Fn() + Send + Sync>) -> Reports {
        Reports { to, wake }
    }

    pub(crate) fn send(&self, done: Done) {
        self.report(Report { task: None, done });
    }

    fn report(&self, report: Report) {
        // Where the window is gone there is nobody to tell.
        let _ = self.to.send(report);
        (self.wake)();
    }

    fn wake(&self) {
        (self.wake)();
    }
}

/// How far a task has come, and whether it is to stop.
pub(crate) struct Progress {
    permille: AtomicU32,
    stop: AtomicBool,
    reports: Reports,
}

impl Progress {
    /// Says how far it has come, 0 to 1; `false` if it is to stop.
    pub(crate) fn at(&self, share: f32) -> bool {
        let permille = (share.clamp(0.0, 1.0) * 1000.0) as u32;
        if self.permille.swap(permille, Ordering::Relaxed) / 20 != permille / 20 {
            self.reports.wake();
        }
        !self.stop.load(Ordering::Relaxed)
    }
}

/// Something that goes on in the background.
pub(crate) struct Task {
    pub(crate) id: u64,
    /// What, as a person would say it.
    pub(crate) words: String,
    /// Whether it is mentioned while it goes on.
    pub(crate) shown: bool,
    progress: Arc<Progress>,
}

impl Task {
    /// 0 to 1.
    pub(crate) fn share(&self) -> f32 {
        self.progress.permille.load(Ordering::Relaxed) as f32 / 1000.0
    }

    pub(crate) fn stop(&self) {
        self.progress.stop.store(true, Ordering::Relaxed);
    }

    /// Begins one. A panic in it becomes a report.
    pub(crate) fn begin(
        id: u64,
        words: String,
        reports: &Reports,
        work: impl FnOnce(&Progress, &Reports) -> Done + Send + 'static,
    ) -> Task {
        let progress =
            Arc::new(Progress { permille: AtomicU32::new(0), stop: AtomicBool::new(false), reports: reports.clone() });
        let (watched, reports, about) = (Arc::clone(&progress), reports.clone(), words.clone());
        std::thread::spawn(move || {
            let done = catch_unwind(AssertUnwindSafe(|| work(&watched, &reports)));
            let done = done.unwrap_or_else(|_| Done::Failed(fault(&about)));
            reports.report(Report { task: Some(id), done });
        });
        Task { id, words, shown: true, progress }
    }
}

fn fault(about: &str) -> Trouble {
    Trouble::new(
        format!("\"{about}\" met a fault of the program"),
        "What was done before is kept. Save the job, try again, and report what you did.",
    )
}

/// A worker that only ever does the newest of what it was asked.
pub(crate) struct Latest<T> {
    slot: Arc<Slot<T>>,
    thread: Option<JoinHandle<()>>,
}

/// Where the newest wish waits.
pub(crate) struct Slot<T> {
    inner: Mutex<Inner<T>>,
    news: Condvar,
}

struct Inner<T> {
    next: Option<T>,
    closed: bool,
}

impl<T> Slot<T> {
    fn lock(&self) -> MutexGuard<'_, Inner<T>> {
        // A wish is replaced as a whole, so a panic leaves none half made.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether what is being done is out of date.
    pub(crate) fn superseded(&self) -> bool {
        let inner = self.lock();
        inner.closed || inner.next.is_some()
    }

    fn take(&self) -> Option<T> {
        let mut inner = self.lock();
        loop {
            if inner.closed {
                return None;
            }
            match inner.next.take() {
                Some(next) => return Some(next),
                None => inner = self.news.wait(inner).unwrap_or_else(PoisonError::into_inner),
            }
        }
    }
}

impl<T: Send + 'static> Latest<T> {
    pub(crate) fn new(
        about: &'static str,
        reports: Reports,
        mut work: impl FnMut(T, &Slot<T>) -> Done + Send + 'static,
    ) -> Latest<T> {
        let slot = Arc::new(Slot { inner: Mutex::new(Inner { next: None, closed: false }), news: Condvar::new() });
        let own = Arc::clone(&slot);
        let thread = std::thread::spawn(move || {
            while let Some(wish) = own.take() {
                let done = catch_unwind(AssertUnwindSafe(|| work(wish, &own)));
                reports.send(done.unwrap_or_else(|_| Done::Failed(fault(about))));
            }
        });
        Latest { slot, thread: Some(thread) }
    }

    /// Asks for something, in place of what has not been begun.
    pub(crate) fn ask(&self, wish: T) {
        self.slot.lock().next = Some(wish);
        self.slot.news.notify_one();
    }
}

impl<T> Drop for Latest<T> {
    fn drop(&mut self) {
        self.slot.lock().closed = true;
        self.slot.news.notify_one();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// The wish to know what lies under the brush.
pub(crate) struct FootprintAsk {
    pub(crate) ticket: u64,
    pub(crate) scan: Name,
    pub(crate) loaded: Arc<LoadedScan>,
    pub(crate) dab: Dab,
}

/// The wish to have the whole job evaluated.
pub(crate) struct EvaluateAsk {
    pub(crate) job: Arc<Job>,
    pub(crate) folder: PathBuf,
    /// By name, with what the job said of it when it was loaded.
    pub(crate) scans: BTreeMap<Name, (Arc<ScanFile>, Arc<LoadedScan>)>,
    /// Scans that are not to be loaded.
    pub(crate) stopped: BTreeSet<Name>,
    pub(crate) stop: Arc<AtomicBool>,
}

/// The threads that are always there.
pub(crate) struct Workers {
    pub(crate) footprint: Latest<FootprintAsk>,
    pub(crate) live: Latest<LiveAsk>,
    pub(crate) evaluate: Latest<EvaluateAsk>,
    pub(crate) study: Latest<StudyAsk>,
}

impl Workers {
    pub(crate) fn new(reports: &Reports) -> Workers {
        let mut evaluator = Evaluator::default();
        let to_window = reports.clone();
        Workers {
            study: Latest::new("Working out the curves", reports.clone(), move |ask, slot| {
                study::work(ask, slot, &to_window)
            }),
            footprint: Latest::new("What lies under the brush", reports.clone(), |ask: FootprintAsk, _| {
                let wipe = ask.dab.wipe;
                let touched = ask.loaded.scan.paint(&[Dab { wipe: false, ..ask.dab }]);
                // A brush that touches nothing has no footprint.
                let points = touched.map(|patch| patch.points).unwrap_or_default();
                Done::Footprint(Footprint { ticket: ask.ticket, scan: ask.scan, points: points.into(), wipe })
            }),
            live: Latest::new("Fitting what is painted", reports.clone(), |ask, _| {
                Done::Live(Box::new(live::fit(ask)))
            }),
            evaluate: Latest::new("Working out the features", reports.clone(), move |ask: EvaluateAsk, slot| {
                let find = |name: &Name, file: &ScanFile| -> Result<Arc<LoadedScan>, LoadError> {
                    match ask.scans.get(name) {
                        Some((known, scan)) if known.sha256 == file.sha256 && known.unit == file.unit => {
                            Ok(Arc::clone(scan))
                        }
                        _ if ask.stopped.contains(name) => {
                            Err(LoadError::Stopped { path: ask.folder.join(&file.file) })
                        }
                        _ => Ok(Arc::new(load(file, &ask.folder)?)),
                    }
                };
                let go_on = |_, _| !slot.superseded() && !ask.stop.load(Ordering::Relaxed);
                let revision = ask.job.revision();
                match evaluator.evaluate_watched(&ask.job, &find, &go_on) {
                    Some(results) => Done::Results(revision, Arc::new(results)),
                    None => Done::Stopped(revision),
                }
            }),
        }
    }
}
