//! The keeper: a thread that owns the open job's file, so that the disk never holds up the window.
//!
//! The window does each operation on its own copy of the history at once and hands it on here,
//! where it goes to the recovery log. Both see the same operations in the same order, so
//! their revisions agree.

use crate::words::Trouble;
use crate::work::{Done, Reports};
use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use stringline_job::{FileError, History, Op, OpenJob};

/// What the keeper is to do.
pub(crate) enum Keep {
    Op(Box<Op>),
    Undo,
    Redo,
    Save,
    SaveAs(PathBuf),
}

/// What the keeper did.
pub(crate) enum Kept {
    /// The file holds the job as of this revision.
    Saved { revision: u64 },
    /// The job is in another file now; its scans are named from there.
    Moved { path: PathBuf, history: Box<History> },
    /// It could not be done.
    Failed { trouble: Trouble },
}

pub(crate) struct Keeper {
    wishes: Option<Sender<Keep>>,
    thread: Option<JoinHandle<()>>,
}

impl Keeper {
    pub(crate) fn new(open: OpenJob, reports: Reports) -> Keeper {
        let (wishes, received) = channel();
        let thread = std::thread::spawn(move || run(open, &received, &reports));
        Keeper { wishes: Some(wishes), thread: Some(thread) }
    }

    pub(crate) fn tell(&self, keep: Keep) {
        if let Some(wishes) = &self.wishes {
            // The thread ends only after this sender does.
            let _ = wishes.send(keep);
        }
    }
}

impl Drop for Keeper {
    /// Waits until all is on the disk.
    fn drop(&mut self) {
        self.wishes.take();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn run(mut open: OpenJob, wishes: &Receiver<Keep>, reports: &Reports) {
    // What the disk refused is tried again before anything that came after it.
    let mut waiting: VecDeque<Keep> = VecDeque::new();
    while let Ok(keep) = wishes.recv() {
        waiting.push_back(keep);
        while let Some(next) = waiting.front() {
            match done(&mut open, next) {
                Ok(None) => {}
                Ok(Some(kept)) => reports.send(Done::Kept(kept)),
                Err(error) => {
                    let again =
                        matches!(&error, FileError::Io { .. }) && matches!(next, Keep::Op(_) | Keep::Undo | Keep::Redo);
                    let mut trouble = Trouble::of(&error);
                    if again {
                        trouble.next.push_str(" The step is in the window, and is tried again with the next one.");
                    }
                    reports.send(Done::Kept(Kept::Failed { trouble }));
                    if again {
                        break;
                    }
                }
            }
            waiting.pop_front();
        }
    }
    open.close();
}

fn done(open: &mut OpenJob, keep: &Keep) -> Result<Option<Kept>, FileError> {
    match keep {
        Keep::Op(op) => open.apply(op)?,
        Keep::Undo => drop(open.undo()?),
        Keep::Redo => drop(open.redo()?),
        Keep::Save => {
            open.save()?;
            return Ok(Some(Kept::Saved { revision: open.job().revision() }));
        }
        Keep::SaveAs(path) => {
            open.save_as(path)?;
            return Ok(Some(Kept::Moved { path: path.clone(), history: Box::new(open.history().clone()) }));
        }
    }
    Ok(None)
}
