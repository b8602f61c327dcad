//! Undo and redo: cheap snapshots, so that no operation needs an inverse.

use crate::{Change, Job, Op, OpError, plan};
use std::sync::Arc;

/// A job with its past.
#[derive(Clone, Debug)]
pub struct History {
    /// What was done, each with the job as it then was; those from `done` on are undone.
    steps: Vec<Step>,
    done: usize,
    start: Arc<Job>,
    latest_revision: u64,
}

#[derive(Clone, Debug)]
struct Step {
    name: String,
    job: Arc<Job>,
}

impl History {
    /// Begins with a job as it was opened.
    pub fn new(mut job: Job) -> Self {
        job.revision = 0;
        History { steps: Vec::new(), done: 0, start: Arc::new(job), latest_revision: 0 }
    }

    /// The job as it is now.
    pub fn job(&self) -> &Arc<Job> {
        match self.done.checked_sub(1) {
            Some(last) => &self.steps[last].job,
            None => &self.start,
        }
    }

    /// Makes a planned change the job; what was undone before is forgotten.
    ///
    /// # Errors
    /// [`OpError::Stale`] for a change that was planned on another state of the job.
    pub fn commit(&mut self, change: Change) -> Result<(), OpError> {
        self.accepts(&change)?;
        self.push(change.op.step(), change.job);
        Ok(())
    }

    /// Whether [`History::commit`] would take a change.
    ///
    /// # Errors
    /// [`OpError::Stale`] if not.
    pub fn accepts(&self, change: &Change) -> Result<(), OpError> {
        if change.planned_on == self.job().revision { Ok(()) } else { Err(OpError::Stale { step: change.op.step() }) }
    }

    /// Plans and commits.
    ///
    /// # Errors
    /// See [`OpError`].
    pub fn apply(&mut self, op: &Op) -> Result<(), OpError> {
        self.commit(plan(self.job(), op)?)
    }

    /// Makes `job` the job, as a step of its own.
    pub(crate) fn push(&mut self, name: String, mut job: Job) {
        // Numbers are never used twice, so a change planned before an undo cannot pass for
        // one planned on what was done instead.
        self.latest_revision += 1;
        job.revision = self.latest_revision;
        self.steps.truncate(self.done);
        self.steps.push(Step { name, job: Arc::new(job) });
        self.done = self.steps.len();
    }

    /// Rewrites the job of every step, its revision kept.
    pub(crate) fn rewrite(&mut self, rewritten: impl Fn(&Job) -> Job) {
        for job in self.steps.iter_mut().map(|step| &mut step.job).chain([&mut self.start]) {
            let mut next = rewritten(job);
            next.revision = job.revision;
            *job = Arc::new(next);
        }
    }

    /// Goes back one step; its name, or `None` at the beginning.
    pub fn undo(&mut self) -> Option<&str> {
        self.done = self.done.checked_sub(1)?;
        Some(&self.steps[self.done].name)
    }

    /// Does the undone step again; its name, or `None` where nothing is undone.
    pub fn redo(&mut self) -> Option<&str> {
        let step = self.steps.get(self.done)?;
        self.done += 1;
        Some(&step.name)
    }

    /// The names of the steps done, oldest first.
    pub fn done(&self) -> impl Iterator<Item = &str> {
        self.steps[..self.done].iter().map(|step| step.name.as_str())
    }

    /// The names of the steps that can be done again, next first.
    pub fn undone(&self) -> impl Iterator<Item = &str> {
        self.steps[self.done..].iter().map(|step| step.name.as_str())
    }
}
