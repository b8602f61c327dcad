//! What the acts of this stop do.

use crate::bench::Workbench;
use crate::clearance::sweeps::{self, SweepAsk};
use crate::clearance::{Frames, rest, view};
use crate::keys::Command;
use crate::state::Stop;
use crate::words::Trouble;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stringline_job::{Name, folder_of};

/// Locks a second while it plays.
const LOCKS_A_SECOND: f64 = 24.0;
/// Frames that are drawn at a lock before its picture is taken: the scene, its colours and words are there by then.
const FRAMES_BEFORE: u32 = 3;

/// What a person wants done at this stop.
#[derive(Clone, Debug)]
pub(crate) enum Act {
    /// Looks at a state, by its places among travels and locks.
    At([usize; 2]),
    StopFrames,
    /// Asks for a drawn section: for a wheel, or for new ones.
    Draw(Option<Name>),
    /// Marks what of a pair's body must go, or puts that mark away.
    Mark(usize),
}

impl Workbench {
    pub(crate) fn clearance_act(&mut self, act: Act) {
        match act {
            Act::At(at) => self.go_to(at),
            Act::Draw(wheel) => self.ask_for_section(wheel),
            Act::Mark(pair) => self.mark(pair),
            Act::StopFrames => self.state.clearance.frames = None,
        }
    }

    fn go_to(&mut self, at: [usize; 2]) {
        if self.state.clearance.at != Some(at) {
            self.state.clearance.at = Some(at);
            self.news_of_clearance();
        }
    }

    /// The state looked at is another.
    fn news_of_clearance(&mut self) {
        self.state.recolour_all();
        self.look_again();
    }

    /// Sweeps all variants, at once or as soon as the hardpoints are worked out.
    pub(crate) fn sweep(&mut self) {
        let Some(job) = self.state.job().cloned() else { return };
        // The hardpoints of the job as it is now come first.
        self.state.clearance.waits = !self.state.up_to_date();
        if self.state.clearance.waits {
            return;
        }
        if let Some(task) = self.state.clearance.task.and_then(|id| self.state.task(id)) {
            task.stop();
        }
        let ready = self.state.scans.iter().filter_map(|(name, scan)| Some((name.clone(), Arc::clone(scan.ready()?))));
        let ask = SweepAsk { job, results: Arc::clone(&self.state.results), scans: ready.collect() };
        let id = self.begin("Sweeping lock and travel".into(), move |progress, _| sweeps::work(&ask, progress));
        self.state.clearance.task = Some(id);
        self.state.clearance.failed = None;
    }

    /// A sweep is done.
    pub(crate) fn swept(&mut self, task: Option<u64>, outcome: Result<Arc<sweeps::Sweeps>, Trouble>) {
        if task != self.state.clearance.task {
            return;
        }
        let clearance = &mut self.state.clearance;
        clearance.task = None;
        match outcome {
            Ok(sweeps) => {
                clearance.sweeps = Some(sweeps);
                clearance.at = None;
                clearance.marked = None;
            }
            Err(trouble) => clearance.failed = Some(trouble),
        }
        self.news_of_clearance();
    }

    /// Does a command of this stop; whether it is one.
    pub(crate) fn clearance_command(&mut self, command: Command) -> bool {
        if command == Command::Sweep {
            self.state.stop = Stop::Clearance;
            self.sweep();
            return true;
        }
        if command == Command::CutHere {
            self.state.stop = Stop::Clearance;
            self.mark_nearest();
            return true;
        }
        if self.state.stop != Stop::Clearance {
            return false;
        }
        let Some((at, last)) = view(&self.state).map(|view| {
            let sweep = &view.swept.sweep;
            (view.at, [sweep.travels.len().saturating_sub(1), sweep.locks.len().saturating_sub(1)])
        }) else {
            return matches!(
                command,
                Command::Rise | Command::Fall | Command::RackLeft | Command::RackRight | Command::Rest | Command::Play
            );
        };
        let [travel, lock] = at;
        match command {
            Command::Rise => self.go_to([(travel + 1).min(last[0]), lock]),
            Command::Fall => self.go_to([travel.saturating_sub(1), lock]),
            // Lock is positive to the left, as the wheel is steered.
            Command::RackLeft => self.go_to([travel, (lock + 1).min(last[1])]),
            Command::RackRight => self.go_to([travel, lock.saturating_sub(1)]),
            Command::Rest => {
                self.state.clearance.playing = None;
                if let Some(at) = view(&self.state).map(|view| rest(view.swept)) {
                    self.go_to(at);
                }
            }
            Command::Play => {
                let clearance = &mut self.state.clearance;
                clearance.plays = clearance.playing.take().is_none();
            }
            Command::Frames => self.begin_frames(),
            _ => return false,
        }
        true
    }

    /// Moves on while it plays: from lock to lock and back.
    pub(crate) fn play_clearance(&mut self, ctx: &egui::Context) {
        if self.state.stop != Stop::Clearance {
            self.state.clearance.playing = None;
            return;
        }
        let Some((at, last)) = view(&self.state).map(|view| (view.at, view.swept.sweep.locks.len().saturating_sub(1)))
        else {
            return;
        };
        let now = ctx.input(|input| input.time);
        if std::mem::take(&mut self.state.clearance.plays) {
            self.state.clearance.playing = Some((now, at[1]));
        }
        let Some((since, from)) = self.state.clearance.playing else { return };
        let along = from as f64 + (now - since) * LOCKS_A_SECOND;
        let cycle = (2 * last).max(1) as f64;
        let turn = along.rem_euclid(cycle);
        let lock = if turn <= last as f64 { turn } else { cycle - turn };
        self.go_to([at[0], lock.round() as usize]);
        ctx.request_repaint_after(std::time::Duration::from_secs_f64(1.0 / LOCKS_A_SECOND));
    }

    fn begin_frames(&mut self) {
        let (Some(open), Some(view)) = (&self.state.job, view(&self.state)) else {
            self.say("Sweep first: there is nothing to make pictures of");
            return;
        };
        let stem = open.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let stem = stem.trim_end_matches(".json").trim_end_matches(".job").to_owned();
        let folder = folder_of(&open.path).join(format!("{stem}.frames"));
        let travel = view.at[0];
        if let Err(cause) = std::fs::create_dir_all(&folder) {
            self.trouble(Trouble::new(
                format!("cannot make the folder {}: {cause}", folder.display()),
                stringline_job::io_next_step(&cause, "write"),
            ));
            return;
        }
        self.state.clearance.playing = None;
        self.go_to([travel, 0]);
        self.state.clearance.frames = Some(Frames { folder, next: 0, drawn: 0, open: false });
    }

    /// The next picture to be written, once its lock is on the screen.
    pub(crate) fn frame_wanted(&mut self) -> Option<PathBuf> {
        let count = view(&self.state).map_or(0, |view| view.swept.sweep.locks.len());
        let frames = self.state.clearance.frames.as_mut()?;
        if frames.next >= count {
            // The stop was left, or the sweep is another.
            let done = format!("Wrote {} pictures to {}", frames.next, frames.folder.display());
            self.state.clearance.frames = None;
            self.say(done);
            self.look_again();
            return None;
        }
        if frames.open {
            return None;
        }
        frames.drawn += 1;
        if frames.drawn < FRAMES_BEFORE {
            self.look_again();
            return None;
        }
        frames.open = true;
        Some(frames.folder.join(format!("{:04}.png", frames.next)))
    }

    /// A picture is written; whether it was one of these.
    pub(crate) fn frame_done(&mut self, path: &Path, result: &Result<(), String>) -> bool {
        let Some(frames) = self.state.clearance.frames.as_mut().filter(|frames| path.starts_with(&frames.folder))
        else {
            return false;
        };
        if result.is_err() {
            // Said by whoever hears of it; more would fail alike.
            self.state.clearance.frames = None;
            return false;
        }
        frames.next += 1;
        (frames.drawn, frames.open) = (0, false);
        let next = frames.next;
        if let Some([travel, _]) = view(&self.state).map(|view| view.at)
            && view(&self.state).is_some_and(|view| next < view.swept.sweep.locks.len())
        {
            self.go_to([travel, next]);
        }
        self.look_again();
        true
    }
}
