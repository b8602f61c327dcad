//! The bench: what the window asks for, done. Holds the state, hands long work to workers, takes in what they finish.

use crate::face::{Bench, Wake};
use crate::folders::Folders;
use crate::keep::{Keep, Keeper, Kept};
use crate::keys::Command;
use crate::panels::{self, Action};
use crate::shown::{Eye, Look, LookAt, Pointer, Shown};
use crate::state::{Asking, Message, OpenedJob, Page, Purpose, ScanState, Section, State, Stop, There};
use crate::words::Trouble;
use crate::work::{Done, EvaluateAsk, MapOf, Report, Reports, Task, Workers};
use crate::{files, maps, show, theme};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex, PoisonError};
use stringline_core::{UnitVec3, Vec3, frame_about};
use stringline_fit::{Kind, Relation};
use stringline_job::{
    FitSpec, Job, Joint, LoadError, LoadedScan, Loading, Name, Op, OpenJob, Recovered, Results, ScanFile, Wanted,
    folder_of, io_next_step, load_watched, write_set,
};
use stringline_kinematics::{Variant, designed_set};

/// Most messages on the screen at a time.
const MOST_MESSAGES: usize = 4;
/// A step of the brush's radius.
const BRUSH_STEP: f64 = 1.2;
/// Smallest and largest radius of the brush, mm.
const BRUSH: (f64, f64) = (0.3, 200.0);

/// The bench, as the window drives it.
pub struct Workbench {
    pub(crate) state: State,
    pub(crate) workers: Workers,
    keeper: Option<Keeper>,
    reports: Reports,
    received: Mutex<Receiver<Report>>,
    folders: Folders,
    /// Whether dialogs of the system may be opened.
    dialogs: bool,
    next_id: u64,
    /// Scan files that wait for a job to be there.
    waiting_scans: Vec<PathBuf>,
    stop_evaluating: Arc<AtomicBool>,
    picture: Option<PathBuf>,
    close: bool,
    /// Kept when the window is asked to close while something is being saved.
    close_when_saved: bool,
    styled: Option<(bool, u32)>,
    fonts: bool,
    eye: Option<Eye>,
    news: bool,
    /// How far the tasks were when they were last looked at.
    shares: Vec<(u64, f32)>,
}

impl Workbench {
    /// The bench of the user, with a job to open where one is named.
    pub fn new(job: Option<PathBuf>, wake: Wake) -> Workbench {
        Workbench::with(Folders::of_user(), true, job, wake)
    }

    /// The bench with folders of its own; without `dialogs` of the system paths are typed.
    pub fn with(folders: Folders, dialogs: bool, job: Option<PathBuf>, wake: Wake) -> Workbench {
        let (to, received) = channel();
        let reports = Reports::new(to, wake);
        let mut bench = Workbench {
            state: State::new(folders.remembered(), folders.left_drafts()),
            workers: Workers::new(&reports),
            keeper: None,
            reports,
            received: Mutex::new(received),
            folders,
            dialogs,
            next_id: 0,
            waiting_scans: Vec::new(),
            stop_evaluating: Arc::default(),
            picture: None,
            close: false,
            close_when_saved: false,
            styled: None,
            fonts: false,
            eye: None,
            news: true,
            shares: Vec::new(),
        };
        if let Some(job) = job {
            bench.open(job);
        }
        bench
    }

    pub(crate) fn id(&mut self) -> u64 {
        self.next_id += 1;
        self.next_id
    }

    pub(crate) fn begin(
        &mut self,
        words: String,
        work: impl FnOnce(&crate::work::Progress, &Reports) -> Done + Send + 'static,
    ) -> u64 {
        let id = self.id();
        let task = Task::begin(id, words, &self.reports, work);
        self.state.tasks.push(task);
        id
    }

    /// As [`Workbench::begin`], for what is not worth mentioning while it goes on.
    fn begin_quietly(&mut self, words: &str, work: impl FnOnce() -> Done + Send + 'static) -> u64 {
        let id = self.begin(words.to_owned(), |_, _| work());
        self.state.tasks.iter_mut().filter(|task| task.id == id).for_each(|task| task.shown = false);
        id
    }

    /// Has the window look again: something that it shows is another.
    pub(crate) fn look_again(&mut self) {
        self.news = true;
    }

    /// Says something; of messages that are no trouble only the last one stays.
    pub(crate) fn say(&mut self, text: impl Into<String>) {
        self.state.messages.retain(|message| message.next.is_some());
        let id = self.id();
        self.state.messages.push(Message { id, text: text.into(), next: None });
    }

    pub(crate) fn trouble(&mut self, trouble: Trouble) {
        let known = self.state.messages.iter().any(|message| message.text == trouble.what);
        if !known {
            let id = self.id();
            self.state.messages.push(Message { id, text: trouble.what, next: Some(trouble.next) });
        }
        let over = self.state.messages.len().saturating_sub(MOST_MESSAGES);
        self.state.messages.drain(..over);
    }

    // ── Jobs ────────────────────────────────────────────────────────────────────────────────

    fn open(&mut self, path: PathBuf) {
        if self.state.job.as_ref().is_some_and(|open| open.path == path) {
            self.say(format!("{} is open already", path.display()));
            return;
        }
        // The file is free for another keeper only when this one has let go of it.
        self.begin(format!("Opening {}", path.display()), move |_, _| match OpenJob::open(&path) {
            Ok((open, recovered)) => Done::Opened(Box::new(open), recovered),
            Err(error) => Done::Failed(Trouble::of(&error)),
        });
    }

    fn new_job(&mut self) {
        let folders = self.folders.clone();
        self.begin("Beginning a job".into(), move |_, _| {
            let begun = folders.new_draft().map_err(|cause| {
                Trouble::new(
                    format!("cannot make a folder under {}: {cause}", folders.drafts().display()),
                    io_next_step(&cause, "write"),
                )
            });
            match begun.and_then(|path| OpenJob::create(&path, Default::default()).map_err(|e| Trouble::of(&e))) {
                Ok(open) => Done::Opened(Box::new(open), Default::default()),
                Err(trouble) => Done::Failed(trouble),
            }
        });
    }

    fn open_sample(&mut self) {
        let folder = self.folders.sample();
        let path = folder.join(stringline_sample::JOB_FILE);
        if self.state.job.as_ref().is_some_and(|open| open.path == path) {
            self.say("The Kestrel is open already");
            return;
        }
        self.begin("Laying out the Kestrel's scans".into(), move |_, _| {
            if path.exists() {
                // What was done to it before is worth more than a fresh one.
                return match OpenJob::open(&path) {
                    Ok((open, recovered)) => Done::Opened(Box::new(open), recovered),
                    Err(error) => Done::Failed(Trouble::of(&error)),
                };
            }
            match stringline_sample::begin(&folder) {
                Ok(job) => match OpenJob::create(&path, job) {
                    Ok(open) => Done::Opened(Box::new(open), Default::default()),
                    Err(error) => Done::Failed(Trouble::of(&error)),
                },
                Err(error) => Done::Failed(Trouble::of(&error)),
            }
        });
    }

    fn opened(&mut self, open: OpenJob, recovered: Recovered) {
        // The one before is let go of, all its steps on the disk.
        self.keeper = None;
        let path = open.path().to_owned();
        let draft = self.folders.is_draft(&path);
        let saved = open.is_saved().then(|| open.job().revision());
        let history = open.history().clone();
        let (remembered, drafts) = (self.state.remembered.clone(), self.folders.left_drafts());
        let (messages, tasks) = (std::mem::take(&mut self.state.messages), std::mem::take(&mut self.state.tasks));
        let turn = self.state.look.turn;
        self.state = State { messages, tasks, ..State::new(remembered, drafts) };
        self.state.look.turn = turn;
        self.state.job = Some(OpenedJob { path: path.clone(), draft, history, saved, moving: false });
        self.keeper = Some(Keeper::new(open, self.reports.clone()));
        if !draft {
            self.state.remembered.opened(&path);
            self.remember();
        }
        let steps = recovered.steps.len();
        if let Some(trouble) = recovered.trouble {
            self.trouble(Trouble::new(
                trouble,
                "Look the job over before you go on; save it when it is as it should be.",
            ));
        }
        if steps > 0 {
            self.say(format!(
                "{} not saved last time {} done again: Undo takes them back one by one, Save keeps them",
                crate::words::plural(steps, "step"),
                if steps == 1 { "was" } else { "were" }
            ));
        }
        self.look(LookAt::Fit);
        let has_features = self.state.job().is_some_and(|job| !job.features.is_empty());
        self.state.stop = if has_features { Stop::Features } else { Stop::Scans };
        self.changed();
        let waiting = std::mem::take(&mut self.waiting_scans);
        if !waiting.is_empty() {
            self.add_scans(waiting);
        }
    }

    fn remember(&mut self) {
        let (folders, remembered) = (self.folders.clone(), self.state.remembered.clone());
        self.begin_quietly("Keeping the settings", move || match folders.remember(&remembered) {
            Ok(()) => Done::Quiet,
            Err(cause) => Done::Failed(Trouble::new(
                format!("cannot keep the settings in {}: {cause}", folders.config.display()),
                io_next_step(&cause, "write"),
            )),
        });
    }

    /// Does operations, one after the other, up to the first that is refused. Whether all were done.
    pub(crate) fn apply(&mut self, ops: Vec<Op>) -> bool {
        let mut done = true;
        for op in ops {
            let Some(open) = self.state.job.as_mut().filter(|open| !open.moving) else {
                self.trouble(Trouble::new(
                    "there is no job to do this to",
                    "Open a job, or begin one, and do it again.",
                ));
                return false;
            };
            if let Err(error) = open.history.apply(&op) {
                self.trouble(Trouble::of(&error));
                done = false;
                break;
            }
            if let Some(keeper) = &self.keeper {
                keeper.tell(Keep::Op(Box::new(op)));
            }
        }
        self.changed();
        done
    }

    fn travel(&mut self, back: bool) {
        let Some(open) = self.state.job.as_mut().filter(|open| !open.moving) else {
            return;
        };
        let mut went = None;
        loop {
            let step = if back { open.history.undo() } else { open.history.redo() }.map(str::to_owned);
            let Some(step) = step else { break };
            if let Some(keeper) = &self.keeper {
                keeper.tell(if back { Keep::Undo } else { Keep::Redo });
            }
            // A feature comes and goes with its first stroke.
            let next = if back {
                open.history.done().last().map(str::to_owned)
            } else {
                open.history.undone().next().map(str::to_owned)
            };
            let pair = |first: &str, second: &str| {
                let begun = first.strip_prefix("Add feature ");
                begun.is_some() && begun == second.strip_prefix("Paint ")
            };
            let also = next.as_deref().is_some_and(|next| if back { pair(next, &step) } else { pair(&step, next) });
            went.get_or_insert(step);
            if !also {
                break;
            }
        }
        let painted =
            self.state.job.as_ref().and_then(|open| open.history.done().last()?.strip_prefix("Paint ")?.parse().ok());
        if !back && painted.is_some() {
            self.state.chosen = painted;
        }
        match went {
            Some(step) => self.say(format!("{}: {step}", if back { "Undone" } else { "Done again" })),
            None => self.say(if back { "There is nothing to undo" } else { "There is nothing to do again" }),
        }
        self.changed();
    }

    fn save(&mut self) {
        match &self.state.job {
            None => self.say("There is no job to save"),
            Some(open) if open.draft => self.act(Action::Ask(Purpose::SaveAs)),
            Some(_) => {
                if let Some(keeper) = &self.keeper {
                    keeper.tell(Keep::Save);
                }
            }
        }
    }

    fn save_as(&mut self, path: PathBuf) {
        if let (Some(open), Some(keeper)) = (&mut self.state.job, &self.keeper) {
            open.moving = true;
            keeper.tell(Keep::SaveAs(path));
        }
    }

    fn kept(&mut self, kept: Kept) {
        let Some(open) = &mut self.state.job else { return };
        match kept {
            Kept::Saved { revision } => {
                open.saved = Some(revision);
                let text = format!("Saved {}", open.path.display());
                self.say(text);
            }
            Kept::Moved { path, history } => {
                let left = std::mem::replace(&mut open.path, path.clone());
                let was_draft = std::mem::replace(&mut open.draft, self.folders.is_draft(&path));
                open.history = *history;
                open.saved = Some(open.history.job().revision());
                open.moving = false;
                if was_draft {
                    // All that was in it is in the new file; a draft that stays is offered again, no more.
                    let _ = left.parent().map(std::fs::remove_dir_all);
                }
                self.state.drafts = self.folders.left_drafts();
                self.state.remembered.opened(&path);
                self.remember();
                self.say(format!("Saved {}", path.display()));
                self.changed();
            }
            Kept::Failed { trouble } => {
                open.moving = false;
                self.close_when_saved = false;
                self.trouble(trouble);
            }
        }
        if self.close_when_saved && self.state.job.as_ref().is_none_or(OpenedJob::is_saved) {
            self.close = true;
        }
    }

    // ── Scans ───────────────────────────────────────────────────────────────────────────────

    fn add_scans(&mut self, paths: Vec<PathBuf>) {
        let Some(open) = &self.state.job else {
            self.waiting_scans.extend(paths);
            self.new_job();
            return;
        };
        let folder = folder_of(&open.path).to_owned();
        let words = match paths.as_slice() {
            [one] => format!("Looking at {}", one.display()),
            many => format!("Looking at {}", crate::words::plural(many.len(), "file")),
        };
        self.begin(words, move |progress, reports| files::identify(paths, &folder, progress, reports));
    }

    fn identified(&mut self, files: Vec<(PathBuf, ScanFile)>) {
        for (path, scan) in files {
            let Some(job) = self.state.job() else { return };
            if let Some((name, _)) = job.scans.iter().find(|(_, known)| known.sha256 == scan.sha256) {
                let text = format!("{} is in the job already, as \"{name}\"", path.display());
                self.say(text);
                continue;
            }
            match files::name_for(&path, |name| job.scans.contains_key(name)) {
                Ok(name) => {
                    self.apply(vec![Op::AddScan { name, scan }]);
                }
                Err(error) => self.trouble(Trouble::of(&error)),
            }
        }
        self.look(LookAt::Fit);
    }

    /// Begins to load what the job names and is not there, and drops what it does not name any more.
    fn follow_scans(&mut self) {
        let Some(job) = self.state.job().cloned() else { return };
        let tasks = &self.state.tasks;
        self.state.scans.retain(|name, scan| {
            let same = job.scans.get(name).is_some_and(|file| {
                file.sha256 == scan.file.sha256
                    && file.unit == scan.file.unit
                    && (scan.file.file == file.file || scan.ready().is_some())
            });
            if !same && let There::Loading(task) | There::Coarse(task, _) = scan.there {
                tasks.iter().filter(|known| known.id == task).for_each(Task::stop);
            }
            same
        });
        for name in job.scans.keys() {
            if !self.state.scans.contains_key(name) {
                self.load(name.clone());
            }
        }
    }

    fn load(&mut self, name: Name) {
        let Some(open) = &self.state.job else { return };
        let Some(file) = open.history.job().scans.get(&name).cloned() else { return };
        let folder = folder_of(&open.path).to_owned();
        let (loaded_name, loaded_file) = (name.clone(), Arc::clone(&file));
        let task = self.begin(format!("Loading {name}"), move |progress, reports| {
            let watch = |loading: Loading<'_>| match loading {
                Loading::Read(share) => progress.at(0.8 * share),
                Loading::Geometry(geometry) => {
                    if let Some(coarse) = files::coarse(geometry) {
                        reports.send(Done::Coarse(loaded_name.clone(), Arc::new(coarse)));
                    }
                    progress.at(0.85)
                }
            };
            let loaded = load_watched(&loaded_file, &folder, &watch);
            let outcome = match loaded {
                Ok(loaded) => Ok(Arc::new(loaded)),
                Err(LoadError::Stopped { .. }) => Err(None),
                Err(error) => Err(Some(Trouble::of(&error))),
            };
            Done::Loaded(loaded_name, loaded_file, outcome)
        });
        let id = self.id();
        self.state.scans.insert(name, ScanState { file, id, there: There::Loading(task), opacity: 1.0 });
    }

    fn loaded(&mut self, name: Name, file: &ScanFile, outcome: Result<Arc<LoadedScan>, Option<Trouble>>) {
        let id = self.id();
        let Some(scan) = self.state.scans.get_mut(&name).filter(|scan| *scan.file == *file) else {
            return;
        };
        let first = scan.surface().is_none();
        scan.id = id;
        scan.there = match outcome {
            Ok(loaded) => There::Ready(loaded),
            Err(None) => There::Stopped,
            Err(Some(trouble)) => There::Failed(trouble),
        };
        self.state.recolour(&name);
        if first {
            self.look(LookAt::Fit);
        }
        self.evaluate();
        self.refresh_map();
    }

    // ── What follows from the job ───────────────────────────────────────────────────────────

    /// The job is another than before: what follows from it is worked out anew.
    fn changed(&mut self) {
        self.news = true;
        self.follow_scans();
        let job = self.state.job().cloned().unwrap_or_default();
        let state = &mut self.state;
        if state.chosen.as_ref().is_some_and(|name| !job.features.contains_key(name)) {
            state.chosen = None;
            state.live = None;
        }
        let known = |name: &String| job.features.contains_key(name.as_str()) || job.datums.contains_key(name.as_str());
        state.picked.retain(known);
        state.recolour_all();
        self.geometry_changed();
        self.evaluate();
    }

    /// Has the job evaluated, once all scans that it needs are there or known not to be.
    fn evaluate(&mut self) {
        let Some(open) = &self.state.job else { return };
        let job = Arc::clone(open.history.job());
        // A scan that was not there may have come since.
        let waiting = self.state.results.failures.iter().any(|failed| failed.what == "scan");
        if self.state.results_of == Some(job.revision()) && !waiting {
            // Back to a state whose results are the ones there are.
            self.state.evaluating = false;
            return;
        }
        if !self.scans_settled(&job) {
            return;
        }
        let folder = folder_of(&open.path).to_owned();
        let ready = self.state.scans.iter().filter_map(|(name, scan)| Some((name, scan, scan.ready()?)));
        let scans: BTreeMap<_, _> =
            ready.map(|(name, scan, loaded)| (name.clone(), (Arc::clone(&scan.file), Arc::clone(loaded)))).collect();
        let stopped: BTreeSet<Name> = self
            .state
            .scans
            .iter()
            .filter(|(_, scan)| matches!(scan.there, There::Stopped))
            .map(|(name, _)| name.clone())
            .collect();
        self.stop_evaluating = Arc::default();
        let stop = Arc::clone(&self.stop_evaluating);
        self.state.evaluating = true;
        self.workers.evaluate.ask(EvaluateAsk { job, folder, scans, stopped, stop });
    }

    /// Whether no scan that a feature lies on is still being loaded.
    fn scans_settled(&self, job: &Job) -> bool {
        job.features.values().all(|feature| {
            self.state
                .scans
                .get(&feature.scan)
                .is_none_or(|scan| !matches!(scan.there, There::Loading(_) | There::Coarse(..)))
        })
    }

    fn evaluated(&mut self, revision: u64, results: Arc<Results>) {
        if self.state.job().is_none_or(|job| job.revision() != revision) {
            return;
        }
        self.state.results = results;
        self.state.results_of = Some(revision);
        self.state.evaluating = false;
        if self.state.stroke.is_none() {
            // What was painted is now fitted in full.
            self.state.live = None;
        }
        self.state.recolour_all();
        self.refresh_map();
        if self.state.clearance.waits {
            self.sweep();
        }
    }

    /// Works out the map that is wanted.
    fn refresh_map(&mut self) {
        let Some(wanted) = self.state.map_wanted.clone() else {
            if let Some(map) = self.state.map.take() {
                self.state.recolour(&map.scan);
            }
            return;
        };
        match maps::work(&self.state, wanted) {
            Ok(Some((words, work))) => {
                self.begin(words, move |progress, _| work(progress));
            }
            Ok(None) => {}
            Err(trouble) => {
                self.state.map_wanted = None;
                self.state.map = None;
                self.state.recolour_all();
                self.trouble(trouble);
            }
        }
    }

    pub(crate) fn look(&mut self, at: LookAt) {
        self.state.look = Look { turn: self.state.look.turn + 1, at };
    }

    // ── Actions ─────────────────────────────────────────────────────────────────────────────

    fn ask(&mut self, purpose: Purpose) {
        let proposed = files::proposed(&self.state, purpose);
        let dialog = self.dialogs.then(|| self.dialog(purpose, &proposed));
        self.state.asking = Some(Asking::Path { purpose, proposed, dialog, cancelled: false, trouble: None });
    }

    fn dialog(&mut self, purpose: Purpose, proposed: &str) -> u64 {
        let proposed = PathBuf::from(proposed);
        self.begin_quietly("Waiting for the file dialog", move || Done::Chosen(files::dialog(purpose, &proposed)))
    }

    /// A path was typed, chosen or confirmed.
    fn given(&mut self, purpose: Purpose, paths: Vec<PathBuf>, sure: bool) {
        let writes = matches!(purpose, Purpose::SaveAs | Purpose::Picture | Purpose::MapPly | Purpose::MapPicture);
        let mut paths: Vec<PathBuf> = paths.into_iter().map(|path| files::completed(purpose, path)).collect();
        if !writes && let Some(missing) = paths.iter().find(|path| !path.is_file()) {
            let what = if missing.is_dir() {
                format!("{} is a folder", missing.display())
            } else {
                format!("there is no file {}", missing.display())
            };
            let trouble = Trouble::new(what, "Check the path, letter by letter, or look for the file in the dialog.");
            if let Some(Asking::Path { trouble: shown, .. }) = &mut self.state.asking {
                *shown = Some(trouble);
            } else {
                self.trouble(trouble);
            }
            return;
        }
        self.state.asking = None;
        if purpose == Purpose::AddScan {
            self.add_scans(paths);
            return;
        }
        let Some(path) = paths.pop() else { return };
        let own = self.state.job.as_ref().is_some_and(|open| open.path == path);
        if writes && !sure && !own && path.exists() {
            self.state.asking = Some(Asking::Replace(purpose, path));
            return;
        }
        match purpose {
            Purpose::Open => self.open(path),
            Purpose::SaveAs => self.save_as(path),
            Purpose::Picture => self.picture = Some(path),
            Purpose::Section => self.read_drawn(path),
            Purpose::MapPly | Purpose::MapPicture => self.write_map(purpose, path),
            Purpose::AddScan => {}
        }
    }

    fn export(&mut self, targets: Vec<PathBuf>, variant: Option<String>) {
        if !self.state.up_to_date() {
            self.trouble(Trouble::new(
                "the hardpoints are still being worked out",
                "Wait until the scans are loaded and the features fitted, then export again.",
            ));
            return;
        }
        let results = Arc::clone(&self.state.results);
        let variants: Vec<Variant> =
            self.state.job().iter().flat_map(|job| &job.variants).map(|variant| Variant::clone(variant)).collect();
        self.state.asking = None;
        self.begin("Exporting the hardpoints".into(), move |progress, _| {
            let designed = match variant.map(|name| designed_set(&results.set, &variants, &name)).transpose() {
                Ok(designed) => designed,
                Err(error) => return Done::Failed(Trouble::of(&error)),
            };
            let set = designed.as_ref().unwrap_or(&results.set);
            for (done, path) in targets.iter().enumerate() {
                if !progress.at(done as f32 / targets.len() as f32) {
                    return Done::Written(targets[..done].to_vec());
                }
                if let Err(error) = write_set(set, path) {
                    return Done::Failed(Trouble::of(&error));
                }
            }
            Done::Written(targets)
        });
    }

    pub(crate) fn act(&mut self, action: Action) {
        self.news = true;
        match action {
            Action::Do(ops) => {
                self.apply(ops);
            }
            Action::Command(command) => self.command(command),
            Action::Go(stop) => {
                self.state.stop = stop;
                // Curves and gaps are each other's page at the two stops that move.
                self.state.drawer = match (self.state.drawer, stop) {
                    (Some(Page::Curves), Stop::Clearance) => Some(Page::Gaps),
                    (Some(Page::Gaps), Stop::Geometry) => Some(Page::Curves),
                    (page, _) => page,
                };
                self.state.footprint = None;
                self.state.recolour_all();
            }
            Action::Choose(name) => self.choose(name),
            Action::Pick(name) => match self.state.picked.iter().position(|picked| *picked == name) {
                Some(at) => drop(self.state.picked.remove(at)),
                None => self.state.picked.push(name),
            },
            Action::Rename(name, to) => self.rename_feature(&name, &to),
            Action::Side(side) => self.state.side = side,
            Action::Brush(radius) => self.set_brush(radius),
            Action::Ask(purpose) => self.ask(purpose),
            Action::Dialog(purpose) => {
                if self.dialogs {
                    self.ask(purpose);
                } else if let Some(Asking::Path { cancelled, .. }) = &mut self.state.asking {
                    *cancelled = true;
                }
            }
            Action::Given(purpose, path) => self.given(purpose, vec![path], false),
            Action::Sure(purpose, path) => self.given(purpose, vec![path], true),
            Action::Open(path) => self.given(Purpose::Open, vec![path], true),
            Action::Sample => self.open_sample(),
            Action::Forget(path) => {
                self.state.remembered.jobs.retain(|known| *known != path);
                self.remember();
            }
            Action::Export(targets, variant) => self.export(targets, variant),
            Action::Cancel => self.state.asking = None,
            Action::SaveAndClose => {
                self.state.asking = None;
                self.close_when_saved = true;
                self.save();
            }
            Action::CloseAnyway => {
                self.state.asking = None;
                self.close = true;
            }
            Action::Geometry(act) => self.geometry_act(act),
            Action::Clearance(act) => self.clearance_act(act),
            Action::Placing(act) => self.placing_act(act),
            Action::Opacity(name, opacity) => {
                if let Some(scan) = self.state.scans.get_mut(&name) {
                    scan.opacity = opacity;
                }
            }
            Action::LoadAgain(name) => {
                self.state.scans.remove(&name);
                self.follow_scans();
            }
            Action::Section(section) => self.state.section = section,
            Action::Map(map) => {
                self.state.map_wanted = map;
                self.state.map = None;
                self.state.recolour_all();
                self.refresh_map();
            }
            Action::Looking(act) => self.overlay_act(act),
            Action::Overlay(of, from) => self.state.overlay = Some((of, from)),
            Action::GapWithin(within) => {
                self.state.gap_within = within;
                match self.state.map_wanted.clone() {
                    Some(MapOf::Gap { of, from, .. }) => self.act(Action::Map(Some(MapOf::Gap { of, from, within }))),
                    Some(MapOf::Laid { mate, after, .. }) => {
                        self.act(Action::Map(Some(MapOf::Laid { mate, after, within })));
                    }
                    _ => {}
                }
            }
            Action::Fold(name) => {
                if !self.state.fold_other.remove(&name) {
                    self.state.fold_other.insert(name);
                }
            }
            Action::Dismiss(id) => self.state.messages.retain(|message| message.id != id),
            Action::Drawer(page) => self.state.drawer = page,
            Action::StopTask(id) => {
                if let Some(task) = self.state.task(id) {
                    task.stop();
                }
            }
            Action::StopEvaluating => self.stop_evaluating.store(true, Ordering::Relaxed),
            Action::Evaluate => {
                self.state.results_of = None;
                self.evaluate();
            }
            Action::Text(size) => {
                self.state.remembered.text = size;
                self.remember();
            }
            Action::UndoTo(count) => {
                while self.state.job.as_ref().is_some_and(|open| open.history.done().count() > count) {
                    let before = self.state.job.as_ref().map(|open| open.history.done().count());
                    self.travel(true);
                    if before == self.state.job.as_ref().map(|open| open.history.done().count()) {
                        break;
                    }
                }
            }
        }
    }

    fn choose(&mut self, name: Option<Name>) {
        if self.state.chosen != name {
            self.state.live = None;
            self.state.recolour_all();
            if let Some(MapOf::Residuals(_)) = self.state.map_wanted {
                self.state.map_wanted = name.clone().map(MapOf::Residuals);
                self.state.map = None;
                self.state.chosen = name;
                self.refresh_map();
                return;
            }
        }
        self.state.chosen = name;
    }

    /// Calls a feature something else; what is chosen, picked and coloured stays so.
    fn rename_feature(&mut self, name: &Name, to: &str) {
        let to: Name = match to.parse() {
            Ok(to) => to,
            Err(error) => return self.trouble(Trouble::of(&error)),
        };
        let (chosen, mut picked) = (self.state.chosen.clone(), self.state.picked.clone());
        if !self.apply(vec![Op::RenameFeature { name: name.clone(), to: to.clone() }]) {
            return;
        }
        picked.iter_mut().filter(|picked| *picked == name.as_str()).for_each(|picked| *picked = to.to_string());
        self.state.picked = picked;
        if chosen.as_ref() == Some(name) {
            self.state.chosen = Some(to.clone());
        }
        if self.state.map_wanted == Some(MapOf::Residuals(name.clone())) {
            self.state.map_wanted = Some(MapOf::Residuals(to));
        }
    }

    fn command(&mut self, command: Command) {
        match command {
            Command::New => self.new_job(),
            Command::Open => self.ask(Purpose::Open),
            Command::AddScan => self.ask(Purpose::AddScan),
            Command::Save => self.save(),
            Command::SaveAs => match self.state.job {
                Some(_) => self.ask(Purpose::SaveAs),
                None => self.say("There is no job to save"),
            },
            Command::Export => match &self.state.job {
                Some(open) => {
                    let proposed = files::export_stem(&open.path, &self.folders);
                    self.state.asking = Some(Asking::Export { proposed, trouble: None });
                }
                None => self.say("There is no job to export from"),
            },
            Command::Picture => match self.state.scans.is_empty() {
                false => self.ask(Purpose::Picture),
                true => self.say("There is nothing in view to make a picture of"),
            },
            Command::Undo => self.travel(true),
            Command::Redo => self.travel(false),
            Command::Grow => self.change_fit("grow", |fit| fit.grow = !fit.grow),
            Command::Finish => {
                self.state.wiping = false;
                self.choose(None);
            }
            Command::NextShape => self.change_fit("say the shape of", |fit| {
                const ORDER: [Wanted; 6] =
                    [Wanted::Auto, Wanted::Plane, Wanted::Cylinder, Wanted::Cone, Wanted::Sphere, Wanted::Circle];
                let at = ORDER.iter().position(|wanted| *wanted == fit.shape).unwrap_or(0);
                fit.shape = ORDER[(at + 1) % ORDER.len()];
                if matches!(fit.shape, Wanted::Plane | Wanted::Cone) {
                    fit.held_radius = None;
                }
            }),
            Command::Hold => self.hold(),
            Command::Join => self.join(),
            Command::Name => {
                self.state.stop = Stop::Features;
                self.state.naming += 1;
                if self.state.chosen.is_none() && self.state.picked.is_empty() {
                    self.say("Choose a feature first, or pick what to construct from");
                }
            }
            Command::Rename => match self.state.chosen {
                Some(_) => {
                    self.state.stop = Stop::Features;
                    self.state.renaming += 1;
                }
                None => self.say("Choose the feature to rename first"),
            },
            Command::Pick => match &self.state.chosen {
                Some(name) => self.act(Action::Pick(name.to_string())),
                None => self.say("Choose a feature first, in the list or by its call-out"),
            },
            Command::PickNone => {
                if self.state.asking.take().is_none() && self.state.placing.picking.take().is_none() {
                    self.state.picked.clear();
                    self.state.wiping = false;
                    self.state.looking.pinned = None;
                }
            }
            Command::Remove => match self.state.chosen.clone() {
                Some(name) => {
                    self.apply(vec![Op::RemoveFeature { name }]);
                }
                None => self.say("Choose the feature to take out first"),
            },
            Command::Wider => self.set_brush(self.state.remembered.brush * BRUSH_STEP),
            Command::Narrower => self.set_brush(self.state.remembered.brush / BRUSH_STEP),
            Command::Wipe => self.state.wiping = !self.state.wiping,
            Command::Residuals => {
                let wanted = match (&self.state.map_wanted, &self.state.chosen) {
                    (Some(MapOf::Residuals(_)), _) => None,
                    (_, Some(name)) => Some(MapOf::Residuals(name.clone())),
                    (_, None) => {
                        self.say("Choose the feature whose deviations you want to see");
                        return;
                    }
                };
                self.act(Action::Map(wanted));
            }
            Command::GapMap => {
                let wanted = match self.state.overlaid() {
                    Some((of, from)) if of != from => MapOf::Gap { of, from, within: self.state.gap_within },
                    Some(_) => return self.say("Choose two different scans, at the stop Car frame"),
                    None => return self.say("A gap map needs two scans"),
                };
                let shown = self.state.map_wanted.as_ref() == Some(&wanted);
                self.act(Action::Map((!shown).then_some(wanted)));
            }
            Command::Fold => {
                self.state.fold_all = !self.state.fold_all;
                self.state.fold_other.clear();
            }
            Command::Fit => self.look(LookAt::Fit),
            Command::SquareOn => match self.square_on() {
                Some(at) => self.look(at),
                None => self.say("Choose a feature with a direction, or point at a surface"),
            },
            Command::Parallel => {
                self.state.parallel = !self.state.parallel;
                self.look(LookAt::Parallel(self.state.parallel));
            }
            Command::Section => {
                self.state.section = match self.state.section {
                    Some(_) => None,
                    None => self.section(),
                };
            }
            Command::Front => self.along(-Vec3::x(), Vec3::z()),
            Command::Rear => self.along(Vec3::x(), Vec3::z()),
            Command::Left => self.along(-Vec3::y(), Vec3::z()),
            Command::Right => self.along(Vec3::y(), Vec3::z()),
            Command::Top => self.along(-Vec3::z(), Vec3::x()),
            Command::Under => self.along(Vec3::z(), Vec3::x()),
            Command::Theme => {
                self.state.remembered.dark = !self.state.remembered.dark;
                self.remember();
            }
            Command::Drawer => {
                let page = match self.state.stop {
                    Stop::Frame if crate::overlay::shown(&self.state).is_some() => Page::Overlay,
                    Stop::Geometry => Page::Curves,
                    Stop::Clearance => Page::Gaps,
                    _ => Page::Numbers,
                };
                self.state.drawer = if self.state.drawer.is_some() { None } else { Some(page) };
            }
            Command::Keys => self.state.asking = Some(Asking::Keys),
            Command::Settings => self.state.asking = Some(Asking::Settings),
            Command::StopScans => self.act(Action::Go(Stop::Scans)),
            Command::StopFeatures => self.act(Action::Go(Stop::Features)),
            Command::StopFrame => self.act(Action::Go(Stop::Frame)),
            Command::StopGeometry => self.act(Action::Go(Stop::Geometry)),
            Command::StopClearance => self.act(Action::Go(Stop::Clearance)),
            Command::StopCut => self.act(Action::Go(Stop::Cut)),
            other if self.overlay_command(other) || self.clearance_command(other) || self.placing_command(other) => {}
            other => self.geometry_command(other),
        }
    }

    fn set_brush(&mut self, radius: f64) {
        self.state.remembered.brush = (radius.clamp(BRUSH.0, BRUSH.1) * 100.0).round() / 100.0;
        self.ask_footprint();
    }

    fn along(&mut self, direction: Vec3, up: Vec3) {
        self.look(LookAt::Along(UnitVec3::new_normalize(direction), UnitVec3::new_normalize(up)));
    }

    fn change_fit(&mut self, doing: &str, change: impl Fn(&mut FitSpec)) {
        let changed = self.state.chosen.clone().zip(self.state.chosen_fit().cloned());
        match changed {
            Some((name, mut fit)) => {
                change(&mut fit);
                self.apply(vec![Op::SetFit { name, fit }]);
            }
            None => self.say(format!("Choose the feature to {doing} first, or paint one")),
        }
    }

    fn hold(&mut self) {
        let Some(fit) = self.state.chosen_fit() else {
            self.say("Choose a bore, a pin or a ball first");
            return;
        };
        if fit.held_radius.is_some() {
            self.change_fit("hold", |fit| fit.held_radius = None);
            return;
        }
        let shape = self.state.chosen_result().map(|(_, result)| result.feature.shape);
        match shape.and_then(|shape| Some((shape.kind(), shape.radius()?))) {
            Some((Kind::Cylinder | Kind::Sphere | Kind::Circle, radius)) => {
                // Workshops know a size to the hundredth; it can be typed more finely.
                let radius = (radius * 200.0).round() / 200.0;
                self.change_fit("hold", |fit| fit.held_radius = Some(radius));
            }
            _ => self.say("Only a bore, a pin, a ball or a circle has a radius to hold"),
        }
    }

    fn join(&mut self) {
        let Some(job) = self.state.job() else { return };
        let chosen = self.state.chosen.iter().cloned();
        let picked = self.state.picked.iter().filter_map(|name| name.parse::<Name>().ok());
        let mut features: Vec<Name> = Vec::new();
        for name in chosen.chain(picked).filter(|name| job.features.contains_key(name)) {
            if !features.contains(&name) {
                features.push(name);
            }
        }
        // Once more, and each is fitted alone again.
        if let Some(one) = self.state.chosen.as_ref()
            && let Some((group, _)) = job.joint_of(one)
        {
            let name = group.clone();
            self.apply(vec![Op::Part { name }]);
            return;
        }
        if features.len() < 2 {
            self.say("Pick the bores that share an axis: choose one, Space, choose the next, Space, then join");
            return;
        }
        let taken = |name: &Name| job.joints.contains_key(name);
        match files::free_name("common axis", taken) {
            Ok(name) => {
                let joint = Joint { features, relation: Relation::CommonAxis, extra: Default::default() };
                self.apply(vec![Op::Join { name, joint }]);
            }
            Err(error) => self.trouble(Trouble::of(&error)),
        }
    }

    /// Square on to the chosen feature, else to the surface under the pointer.
    fn square_on(&self) -> Option<LookAt> {
        if let Some((_, result)) = self.state.chosen_result()
            && let Some(direction) = result.feature.shape.direction()
        {
            let world_from_scan = self.state.world_from_scan(&result.scan);
            let point = world_from_scan * result.feature.shape.point();
            return Some(LookAt::SquareOn(point, self.towards_eye(world_from_scan.rotation * direction)));
        }
        let (name, touched) = self.state.under.as_ref()?;
        let scan = &self.state.scans.get(name)?.ready()?.scan;
        let nearest = scan.nearest(&touched.at)?;
        let normal = UnitVec3::try_new(*scan.normals().get(nearest as usize)?, 0.5)?;
        let normal = if normal.dot(&touched.seen_from) < 0.0 { -normal } else { normal };
        let world_from_scan = self.state.world_from_scan(name);
        Some(LookAt::SquareOn(world_from_scan * touched.at, world_from_scan.rotation * normal))
    }

    /// Through the chosen feature's axis, open towards the eye; else through the place under the pointer.
    fn section(&mut self) -> Option<Section> {
        if let Some((_, result)) = self.state.chosen_result() {
            let world_from_scan = self.state.world_from_scan(&result.scan);
            let point = world_from_scan * result.feature.shape.point();
            let normal = match result.feature.shape.direction() {
                Some(direction) => {
                    let (u, v) = frame_about(&(world_from_scan.rotation * direction));
                    let to_eye = self.to_eye().unwrap_or(u);
                    // Of the planes through the axis the one that shows most.
                    let across = u * u.dot(&to_eye) + v * v.dot(&to_eye);
                    UnitVec3::try_new(across, 1e-3).unwrap_or(UnitVec3::new_normalize(u))
                }
                None => UnitVec3::new_normalize(self.to_eye().unwrap_or(Vec3::z())),
            };
            return Some(Section { point, normal, shift: 0.0 });
        }
        let Some((name, touched)) = self.state.under.clone() else {
            self.say("Choose a feature to cut through, or point at a place");
            return None;
        };
        let world_from_scan = self.state.world_from_scan(&name);
        let normal = world_from_scan.rotation * touched.seen_from;
        Some(Section { point: world_from_scan * touched.at, normal, shift: 0.0 })
    }

    /// From the scene to the eye, about unit length; `None` before the first frame.
    fn to_eye(&self) -> Option<Vec3> {
        let rows = &self.eye?.clip_from_world;
        // w grows away from the eye in perspective and is constant without it; there depth, reversed, falls.
        let (w, z) = (Vec3::new(rows[3][0], rows[3][1], rows[3][2]), Vec3::new(rows[2][0], rows[2][1], rows[2][2]));
        if w.norm() > 1e-9 { Some(-w.normalize()) } else { z.try_normalize(1e-12) }
    }

    fn towards_eye(&self, direction: UnitVec3) -> UnitVec3 {
        match self.to_eye() {
            Some(eye) if eye.dot(&direction) < 0.0 => -direction,
            _ => direction,
        }
    }

    fn take(&mut self, report: Report) {
        if let Some(id) = report.task {
            self.state.tasks.retain(|task| task.id != id);
        }
        match report.done {
            Done::Opened(open, recovered) => self.opened(*open, recovered),
            Done::Identified(files) => self.identified(files),
            Done::Coarse(name, coarse) => {
                let id = self.id();
                if let Some(scan) = self.state.scans.get_mut(&name)
                    && let There::Loading(task) = scan.there
                {
                    scan.there = There::Coarse(task, coarse);
                    scan.id = id;
                    self.look(LookAt::Fit);
                }
            }
            Done::Loaded(name, file, outcome) => self.loaded(name, &file, outcome),
            Done::Footprint(footprint) => self.take_footprint(footprint),
            Done::Live(live) => self.take_live(*live),
            Done::Results(revision, results) => self.evaluated(revision, results),
            Done::Stopped(revision) => {
                if self.state.job().is_some_and(|job| job.revision() == revision)
                    && self.stop_evaluating.load(Ordering::Relaxed)
                {
                    self.state.evaluating = false;
                }
            }
            Done::Values(values) => {
                if self.state.map_wanted.as_ref() == Some(&values.of) {
                    self.state.map = Some(Arc::new(values));
                    self.state.recolour_all();
                    self.overlay_changed();
                }
            }
            Done::NoMap => self.state.map_wanted = None,
            Done::Studied(study) => self.state.geometry.study = Some(study),
            Done::Banded(bands) => self.state.geometry.bands = Some(bands),
            Done::Sectioned(sectioned) => self.sectioned(report.task, sectioned),
            Done::Drawn(wheel, section) => self.take_drawn(wheel, section),
            Done::Marked(marked) => self.take_mark(report.task, marked),
            Done::Swept(outcome) => self.swept(report.task, outcome),
            Done::Offered(offer) => self.offered(report.task, *offer),
            Done::Written(files) => {
                let names: Vec<String> = files.iter().map(|file| file.display().to_string()).collect();
                self.say(format!("Wrote {}", names.join(", ")));
            }
            Done::Chosen(paths) => {
                let asked = match &mut self.state.asking {
                    Some(Asking::Path { purpose, dialog, cancelled, .. }) if *dialog == report.task => {
                        *dialog = None;
                        *cancelled = paths.is_empty();
                        Some(*purpose)
                    }
                    _ => None,
                };
                if let Some(purpose) = asked
                    && !paths.is_empty()
                {
                    // The dialog has asked already whether to replace a file.
                    self.given(purpose, paths, true);
                }
            }
            Done::Kept(kept) => self.kept(kept),
            Done::Failed(trouble) => self.trouble(trouble),
            Done::Quiet => {}
        }
    }
}

impl Bench for Workbench {
    fn poll(&mut self) -> bool {
        let reports: Vec<Report> = {
            let received = self.received.lock().unwrap_or_else(PoisonError::into_inner);
            received.try_iter().collect()
        };
        self.news |= !reports.is_empty();
        for report in reports {
            self.take(report);
        }
        let shares: Vec<(u64, f32)> = self.state.tasks.iter().map(|task| (task.id, task.share())).collect();
        self.news |= shares != self.shares;
        self.shares = shares;
        std::mem::take(&mut self.news)
    }

    fn ui(&mut self, ui: &mut egui::Ui, eye: Option<&Eye>) -> egui::Rect {
        if !std::mem::replace(&mut self.fonts, true) {
            theme::install_fonts(ui.ctx());
            // They are there from the next pass on.
            ui.ctx().request_repaint();
        }
        let style = (self.state.remembered.dark, self.state.remembered.text.to_bits());
        if self.styled != Some(style) {
            self.styled = Some(style);
            theme::apply(ui.ctx(), self.state.remembered.dark, self.state.remembered.text);
            ui.set_style(ui.ctx().global_style());
        }
        self.eye = eye.copied();
        if let Some(command) = Command::pressed(ui.ctx())
            && (self.state.asking.is_none() || command == Command::PickNone)
        {
            self.act(Action::Command(command));
        }
        self.play(ui.ctx());
        self.play_clearance(ui.ctx());
        let (rect, actions) = panels::all(ui, &self.state, eye);
        for action in actions {
            self.act(action);
        }
        self.follow_geometry();
        rect
    }

    fn shown(&mut self) -> Shown {
        show::shown(&mut self.state)
    }

    fn pointer(&mut self, event: Pointer) {
        self.point(event);
    }

    fn dropped(&mut self, paths: Vec<PathBuf>) {
        let is_job = |path: &Path| path.extension().is_some_and(|ending| ending == "json");
        let (jobs, scans): (Vec<PathBuf>, Vec<PathBuf>) = paths.into_iter().partition(|path| is_job(path));
        if let Some(job) = jobs.into_iter().next() {
            self.open(job);
            // They go to the job that is being opened.
            self.waiting_scans.extend(scans);
        } else if !scans.is_empty() {
            self.add_scans(scans);
        }
    }

    fn picture_wanted(&mut self) -> Option<PathBuf> {
        self.picture.take().or_else(|| self.frame_wanted())
    }

    fn picture_done(&mut self, path: &Path, result: Result<(), String>) {
        if self.frame_done(path, &result) {
            return;
        }
        match result {
            Ok(()) => self.say(format!("Wrote {}", path.display())),
            Err(error) => self.trouble(Trouble::new(
                format!("cannot write the picture {}: {error}", path.display()),
                "Check the path and the disk, then make the picture again.",
            )),
        }
    }

    fn may_close(&mut self) -> bool {
        if self.close || self.state.job.as_ref().is_none_or(OpenedJob::is_saved) {
            return true;
        }
        self.state.asking = Some(Asking::Close);
        self.news = true;
        false
    }

    fn wants_close(&mut self) -> bool {
        self.close
    }
}
