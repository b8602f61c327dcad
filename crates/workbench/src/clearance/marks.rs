//! "Cut here": what of a body must go for a wheel to keep the wanted gap over all locks and travels, on the body itself.

use crate::bench::Workbench;
use crate::clearance::sweeps::{Sweeps, Swept};
use crate::clearance::view;
use crate::maps::nice;
use crate::shown::{Scale, ShownScan, Tint};
use crate::state::State;
use crate::work::{Done, Progress};
use std::sync::Arc;
use stringline_core::Point3;
use stringline_job::Setup;
use stringline_scan::{Geometry, Scan};

/// Numbers of marked surfaces, far above those of scans and of other bodies.
const FIRST_NUMBER: u64 = 1 << 56;

/// What of a body must go.
pub(crate) struct Marked {
    /// The sweep that it is of.
    sweeps: Arc<Sweeps>,
    pub(crate) variant: String,
    pub(crate) pair: usize,
    /// The body's place among the variant's.
    part: usize,
    /// What must go and how deep, as the report says it.
    pub(crate) sentence: String,
    /// At most, mm.
    pub(crate) depth: f64,
    /// Where that is, in the body's frame.
    deepest: Option<Point3>,
    /// The body's name.
    pub(crate) body: String,
    /// Its surface, finely divided, and the number that the scene knows it by.
    surface: (u64, Arc<Scan>),
    tint: Arc<Tint>,
}

impl Marked {
    /// The depth at the end of the scale, mm.
    pub(crate) fn range(&self) -> f32 {
        self.tint.range
    }
}

/// The mark that is shown: of the variant that is looked at.
pub(crate) fn shown(state: &State) -> Option<&Arc<Marked>> {
    let view = view(state)?;
    let of_sweep = |marked: &&Arc<Marked>| {
        let same = state.clearance.sweeps.as_ref().is_some_and(|sweeps| Arc::ptr_eq(sweeps, &marked.sweeps));
        same && marked.variant == view.swept.name
    };
    state.clearance.marked.as_ref().filter(of_sweep)
}

/// Whether a body of the variant that is looked at is shown by its mark, in place of its scan.
pub(crate) fn stands_for(state: &State, part: usize) -> bool {
    shown(state).is_some_and(|marked| marked.part == part)
}

/// The marked surface where the state has its body.
pub(crate) fn drawn(state: &State) -> Option<ShownScan> {
    let marked = shown(state)?;
    let poses = view(state)?.state.poses.as_ref().ok()?;
    let (id, surface) = &marked.surface;
    let scan = Arc::clone(surface);
    Some(ShownScan {
        id: *id,
        scan,
        world_from_scan: *poses.get(marked.part)?,
        opacity: 1.0,
        tint: Arc::clone(&marked.tint),
    })
}

/// Where the deepest place is now, in the car.
pub(crate) fn deepest(state: &State) -> Option<(Point3, &Marked)> {
    let marked = shown(state)?;
    let pose = view(state)?.state.poses.as_ref().ok()?.get(marked.part)?;
    Some((pose * marked.deepest.filter(|_| marked.depth > 0.0)?, marked))
}

/// Why a pair cannot be marked; `None` where it can.
pub(crate) fn cannot(swept: &Swept, pair: usize) -> Option<&'static str> {
    match swept.setup.marked_parts(pair) {
        Some(_) => None,
        None => Some(
            "Only a wheel marks, and only what was scanned or designed as a mesh: a tube, a plate or a cloud has no surface to cut.",
        ),
    }
}

impl Workbench {
    /// Marks what of the body of a pair must go, or puts that mark away.
    pub(crate) fn mark(&mut self, pair: usize) {
        let variant = self.state.geometry.hand.clone();
        let Some(sweeps) = self.state.clearance.sweeps.clone() else {
            self.say("Sweep first: what must go follows from all locks and travels");
            return;
        };
        if shown(&self.state).is_some_and(|marked| marked.pair == pair) {
            return self.unmark();
        }
        let Some(swept) = self.state.clearance.swept(&variant) else { return };
        let (name, setup) = (swept.name.clone(), Arc::clone(&swept.setup));
        if let Some(why) = cannot(swept, pair) {
            self.say(why);
            return;
        }
        let locks = [swept.sweep.locks.first(), swept.sweep.locks.last()].map(|lock| lock.copied().unwrap_or(0.0));
        if let Some(task) = self.state.clearance.marking.and_then(|(id, _)| self.state.task(id)) {
            task.stop();
        }
        let number = FIRST_NUMBER + self.id();
        let words = format!("Marking what must go: {}", setup.words(pair));
        let id = self.begin(words, move |progress, _| {
            marked(sweeps, name, &setup, pair, locks, number, progress).map_or(Done::Quiet, Done::Marked)
        });
        self.state.clearance.marking = Some((id, pair));
    }

    /// The pair that comes nearest at the state looked at.
    pub(crate) fn mark_nearest(&mut self) {
        if shown(&self.state).is_some() {
            return self.unmark();
        }
        match view(&self.state).and_then(|view| view.state.smallest()).map(|(pair, _)| pair) {
            Some(pair) => self.mark(pair),
            None => self.say("Sweep first, and go to a state where something comes near"),
        }
    }

    pub(crate) fn unmark(&mut self) {
        self.state.clearance.marked = None;
        self.look_again();
    }

    pub(crate) fn take_mark(&mut self, task: Option<u64>, marked: Arc<Marked>) {
        if task == self.state.clearance.marking.map(|(id, _)| id) {
            self.state.clearance.marking = None;
            self.state.clearance.marked = Some(marked);
        }
    }
}

/// `None` where it was stopped.
fn marked(
    sweeps: Arc<Sweeps>,
    variant: String,
    setup: &Setup,
    pair: usize,
    locks: [f64; 2],
    number: u64,
    progress: &Progress,
) -> Option<Arc<Marked>> {
    let [wheel, part] = setup.marked_parts(pair)?;
    let mark = setup.mark(pair, locks, |share| progress.at(0.9 * share))?;
    let wanted = setup.pairs.get(pair)?.wanted;
    let name = |part: usize| setup.parts.get(part).map_or("", |part| part.name.as_str());
    // What may stay has no colour.
    let depth = |gap: &f32| Some(wanted as f32 - gap).filter(|depth| *depth > 0.0).unwrap_or(f32::NAN);
    let tint = Tint {
        values: mark.gaps.iter().map(depth).collect(),
        range: nice(mark.depth) as f32,
        scale: Scale::Magnitude,
        ..Tint::default()
    };
    let sentence = mark.sentence(name(part), name(wheel));
    let deepest = mark.deepest.and_then(|vertex| mark.mesh.vertices.get(vertex as usize).copied());
    let body = name(part).to_owned();
    let surface = (number, Arc::new(Scan::new(Geometry::Mesh(mark.mesh))));
    let marked = Marked {
        sweeps,
        variant,
        pair,
        part,
        sentence,
        depth: mark.depth,
        deepest,
        body,
        surface,
        tint: Arc::new(tint),
    };
    Some(Arc::new(marked))
}
