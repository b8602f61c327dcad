//! Gaps of moving parts over lock and wheel travel, with no contact missed in between.
//!
//! At every state of a grid the smallest gap of every pair of parts is exact; what lies between states is bounded
//! (`reach.rs`).

use crate::distance::Closest;
use crate::part::{Part, part_gap};
use crate::reach::{Half, Work};
use rayon::prelude::*;
use std::borrow::Cow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use stringline_core::{Explain, Point3, RigidTransform};

/// Why a mechanism has no state at a lock and travel, or must not go there.
#[derive(Clone, Debug, PartialEq)]
pub enum Stop {
    /// The rack is at its stop.
    RackStop,
    /// The tie rod, of this or the other wheel, comes in line with its arm.
    OverCentre,
    /// The outer tie-rod joint is at its permissible tilt.
    OuterJoint,
    /// The inner tie-rod joint is at its permissible tilt.
    InnerJoint,
    /// Another member ends; in words.
    Other(String),
}

impl std::fmt::Display for Stop {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Stop::RackStop => f.write_str("rack stop"),
            Stop::OverCentre => f.write_str("over centre"),
            Stop::OuterJoint => f.write_str("tilt of the outer tie-rod joint"),
            Stop::InnerJoint => f.write_str("tilt of the inner tie-rod joint"),
            Stop::Other(what) => f.write_str(what),
        }
    }
}

/// How the parts move.
pub trait Poses: Sync {
    /// Where every part is at a lock (rad, positive to the left) and a wheel travel (mm, up): `car_from_part` of each, in
    /// their order. Called from many threads; must give the same for the same.
    ///
    /// # Errors
    /// Where there is no such state.
    fn at(&self, lock: f64, travel: f64) -> Result<Vec<RigidTransform>, Stop>;
}

impl<F: Fn(f64, f64) -> Result<Vec<RigidTransform>, Stop> + Sync> Poses for F {
    fn at(&self, lock: f64, travel: f64) -> Result<Vec<RigidTransform>, Stop> {
        self(lock, travel)
    }
}

/// Two parts whose gap matters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pair {
    /// The first, by its place among the parts.
    pub a: usize,
    /// The second.
    pub b: usize,
    /// The gap wanted, mm.
    pub wanted: f64,
}

/// What is swept.
#[derive(Clone, Debug, PartialEq)]
pub struct SweepSettings {
    /// Locks, rad, ascending; straight ahead is among them.
    pub locks: Vec<f64>,
    /// Wheel travels, mm, ascending.
    pub travels: Vec<f64>,
    /// Gaps are told up to this beyond the one wanted, mm.
    pub beyond: f64,
}

impl SweepSettings {
    /// Locks from `-lock_deg` to `lock_deg` by `step_deg`, travels evenly over a range.
    pub fn grid(lock_deg: f64, step_deg: f64, travel: [f64; 2], travels: usize) -> SweepSettings {
        let steps = (lock_deg / step_deg).floor().clamp(0.0, 1e4) as i32;
        let last = travels.max(2) - 1;
        SweepSettings {
            locks: (-steps..=steps).map(|i| (f64::from(i) * step_deg).to_radians()).collect(),
            travels: (0..=last).map(|i| travel[0] + (travel[1] - travel[0]) * i as f64 / last as f64).collect(),
            beyond: 30.0,
        }
    }
}

/// Why there is no sweep.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SweepError {
    /// Nothing to compare.
    #[error("there is no pair of parts to measure between")]
    NoPair,
    /// A pair that cannot be.
    #[error("a pair names part {part}, and there are {count}")]
    NoPart {
        /// Its place.
        part: usize,
        /// How many there are.
        count: usize,
    },
    /// Two wheels, or a part with itself.
    #[error("the gap of {a} from {b} cannot be measured")]
    Pair {
        /// A part.
        a: String,
        /// The other.
        b: String,
    },
    /// Numbers that make no grid.
    #[error("{what}")]
    Grid {
        /// What is wrong.
        what: &'static str,
    },
    /// Whoever asked for it stopped it.
    #[error("the sweep was stopped before it was done")]
    Stopped,
}

impl Explain for SweepError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            SweepError::NoPair | SweepError::NoPart { .. } => {
                "Say which bodies there are and which pairs of them are to keep clear."
            }
            SweepError::Pair { .. } => "Pair a wheel with a body, or two different bodies.",
            SweepError::Grid { .. } => "Give locks and travels from low to high, and a gap of 0 mm or more.",
            SweepError::Stopped => "Start it again when you need it.",
        }
        .into()
    }
}

/// A state of the grid.
#[derive(Clone, Debug, PartialEq)]
pub struct SweptState {
    /// Lock, rad, positive to the left.
    pub lock: f64,
    /// Travel, mm.
    pub travel: f64,
    /// `car_from_part` of every part, or why there is none.
    pub poses: Result<Arc<[RigidTransform]>, Stop>,
    /// Of every pair where they come nearest; `None` where they are further apart than was looked for, or there is no state.
    pub closest: Vec<Option<Closest>>,
}

impl SweptState {
    /// The smallest gap of all pairs, with the pair; `None` where all are further apart than was looked for.
    pub fn smallest(&self) -> Option<(usize, &Closest)> {
        let known = self.closest.iter().enumerate().filter_map(|(i, c)| Some((i, c.as_ref()?)));
        known.min_by(|a, b| a.1.gap.total_cmp(&b.1.gap))
    }
}

impl SweptState {
    /// Where a pair comes nearest, on its first part and on its second, in the car; `None` where they are further apart than
    /// was looked for. `pairs` are those of the sweep.
    pub fn places(&self, pairs: &[Pair], pair: usize) -> Option<[Point3; 2]> {
        let (of, closest) = (pairs.get(pair)?, self.closest.get(pair)?.as_ref()?);
        let poses = self.poses.as_ref().ok()?;
        Some([poses[of.a] * closest.on_a, poses[of.b] * closest.on_b])
    }
}

/// One state on its own, on all cores: where every part is and how near every pair comes, looked for up to `beyond` (mm)
/// beyond the gap wanted. A state near by, of the same parts and pairs, makes it faster.
pub fn state_at(
    parts: &[Part],
    pairs: &[Pair],
    poses: &impl Poses,
    [lock, travel]: [f64; 2],
    beyond: f64,
    near: Option<&SweptState>,
) -> SweptState {
    let poses: Result<Arc<[RigidTransform]>, Stop> = poses.at(lock, travel).map(Arc::from);
    let gap = |(i, pair): (usize, &Pair)| {
        let poses = poses.as_ref().ok()?;
        let hint = near.and_then(|s| s.closest.get(i)?.as_ref());
        let (a, b) = (parts.get(pair.a)?, parts.get(pair.b)?);
        part_gap(a, &poses[pair.a], b, &poses[pair.b], pair.wanted + beyond, hint)
    };
    let closest = pairs.par_iter().enumerate().map(gap).collect();
    SweptState { lock, travel, poses, closest }
}

/// What ends the lock.
#[derive(Clone, Debug, PartialEq)]
pub enum EndedBy {
    /// A pair keeps less than its gap from there on.
    Pair(usize),
    /// The mechanism.
    Stop(Stop),
    /// Nothing within the locks asked for.
    Nothing,
}

/// How far the lock can go to one side.
#[derive(Clone, Debug, PartialEq)]
pub struct Reach {
    /// The largest lock up to which the gap is kept at every lock from straight ahead on, rad, with its sign, less than
    /// 0.05° short of the end. `None` where it is not kept straight ahead.
    pub lock: Option<f64>,
    /// What ends it.
    pub by: EndedBy,
    /// Just beyond it, where the pair that ends it comes nearest; poses of the parts there.
    pub touch: Option<Touch>,
}

/// The first state at which a gap is not kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Touch {
    /// rad.
    pub lock: f64,
    /// mm.
    pub travel: f64,
    /// The pair.
    pub pair: usize,
    /// Where, in the frames of the parts.
    pub closest: Closest,
    /// `car_from_part` of every part.
    pub poses: Arc<[RigidTransform]>,
}

impl Touch {
    /// The middle between both places, in the car.
    pub fn at(&self, pair: &Pair) -> Point3 {
        nalgebra::center(&(self.poses[pair.a] * self.closest.on_a), &(self.poses[pair.b] * self.closest.on_b))
    }
}

/// All that a sweep finds.
#[derive(Clone, Debug, PartialEq)]
pub struct Sweep {
    /// rad.
    pub locks: Vec<f64>,
    /// mm.
    pub travels: Vec<f64>,
    /// The pairs.
    pub pairs: Vec<Pair>,
    /// Row by row: all locks of the first travel, then of the next.
    pub states: Vec<SweptState>,
    /// At each travel: to the right and to the left, all pairs together and the mechanism's end.
    pub rows: Vec<[Reach; 2]>,
    /// The same of each pair alone, whatever the others: `pair_rows[row][pair]`.
    pub pair_rows: Vec<Vec<[Reach; 2]>>,
    /// Over the whole range of travel, between the rows of the grid too: to the right and to the left.
    pub all_travel: [Reach; 2],
}

impl Sweep {
    /// The state at the indices of its travel and lock.
    pub fn at(&self, travel: usize, lock: usize) -> Option<&SweptState> {
        (lock < self.locks.len()).then(|| self.states.get(travel * self.locks.len() + lock)).flatten()
    }

    /// The state of the grid at which a pair comes nearest; of equal ones the first.
    pub fn nearest(&self, pair: usize) -> Option<(&SweptState, &Closest)> {
        let known = self.states.iter().filter_map(|s| Some((s, s.closest.get(pair)?.as_ref()?)));
        known.min_by(|a, b| a.1.gap.total_cmp(&b.1.gap))
    }
}

/// Sweeps parts over lock and travel, on all cores.
///
/// `go_on` is told now and then which share is done, 0 to 1, from any thread; once it answers false the work stops.
/// The same input gives the same answer on any number of cores.
///
/// # Errors
/// [`SweepError`].
pub fn sweep(
    parts: &[Part],
    pairs: &[Pair],
    poses: &impl Poses,
    settings: &SweepSettings,
    go_on: impl Fn(f32) -> bool + Sync,
) -> Result<Sweep, SweepError> {
    check(parts, pairs, settings)?;
    let work = Work { parts, pairs, poses, settings, stopped: AtomicBool::new(false) };
    let (locks, travels) = (&settings.locks, &settings.travels);
    let middle = locks.partition_point(|&l| l < 0.0);
    let done = AtomicUsize::new(0);
    // Two halves of each row, two ends of each band.
    let all = 2 * travels.len() + 2 * (travels.len() - 1);
    let tell = || {
        let done = done.fetch_add(1, Ordering::Relaxed) + 1;
        if !go_on(done as f32 / all as f32) {
            work.stopped.store(true, Ordering::Relaxed);
        }
    };

    let halves: Vec<(usize, usize)> = (0..travels.len()).flat_map(|row| [(row, 0), (row, 1)]).collect();
    let found: Vec<Half> = halves
        .par_iter()
        .map(|&(row, side)| {
            // Straight ahead belongs to both; the left half keeps it.
            let way: Vec<f64> =
                if side == 0 { locks[..=middle].iter().rev().copied().collect() } else { locks[middle..].to_vec() };
            let half = work.half(&way, travels[row]);
            tell();
            half
        })
        .collect();
    let mut rows = Vec::with_capacity(travels.len());
    let mut pair_rows = Vec::with_capacity(travels.len());
    let mut states = Vec::with_capacity(travels.len() * locks.len());
    let mut found = found.into_iter();
    while let (Some(right), Some(left)) = (found.next(), found.next()) {
        states.extend(right.states.into_iter().skip(1).rev());
        states.extend(left.states);
        rows.push([right.all, left.all]);
        pair_rows.push(right.pairs.into_iter().zip(left.pairs).map(|(r, l)| [r, l]).collect());
    }

    let bands: Vec<(usize, usize)> = (0..travels.len() - 1).flat_map(|band| [(band, 0), (band, 1)]).collect();
    let between: Vec<Reach> = bands
        .par_iter()
        .map(|&(band, side)| {
            let reach = work.band(&rows[band][side], &rows[band + 1][side], [travels[band], travels[band + 1]], side);
            tell();
            reach
        })
        .collect();
    if work.stopped.load(Ordering::Relaxed) {
        return Err(SweepError::Stopped);
    }
    let all_travel = [0, 1].map(|side| {
        let at_rows = rows.iter().map(|row| &row[side]);
        let in_bands = between.iter().skip(side).step_by(2);
        at_rows.chain(in_bands).fold(None, shorter).cloned().unwrap_or_else(Reach::nothing)
    });
    Ok(Sweep {
        locks: locks.clone(),
        travels: travels.clone(),
        pairs: pairs.to_vec(),
        states,
        rows,
        pair_rows,
        all_travel,
    })
}

fn check(parts: &[Part], pairs: &[Pair], settings: &SweepSettings) -> Result<(), SweepError> {
    if pairs.is_empty() {
        return Err(SweepError::NoPair);
    }
    for pair in pairs {
        let part = |i: usize| parts.get(i).ok_or(SweepError::NoPart { part: i, count: parts.len() });
        let (a, b) = (part(pair.a)?, part(pair.b)?);
        let wheels = [a, b].iter().all(|p| matches!(p.shape, crate::part::Shape::Wheel(_)));
        if pair.a == pair.b || wheels {
            return Err(SweepError::Pair { a: a.name.clone(), b: b.name.clone() });
        }
        if !(pair.wanted.is_finite() && pair.wanted >= 0.0) {
            return Err(SweepError::Grid { what: "a wanted gap is not a length in mm" });
        }
    }
    let rising = |v: &[f64]| v.iter().all(|x| x.is_finite()) && v.windows(2).all(|w| w[0] < w[1]);
    if !(rising(&settings.locks) && settings.locks.contains(&0.0)) {
        return Err(SweepError::Grid { what: "the locks do not run from right to left over straight ahead" });
    }
    if !(rising(&settings.travels) && settings.travels.len() >= 2) {
        return Err(SweepError::Grid { what: "the travels do not run from low to high" });
    }
    if !(settings.beyond.is_finite() && settings.beyond > 0.0) {
        return Err(SweepError::Grid { what: "gaps are to be told up to no length beyond the one wanted" });
    }
    Ok(())
}

impl Reach {
    pub(crate) fn nothing() -> Reach {
        Reach { lock: Some(0.0), by: EndedBy::Nothing, touch: None }
    }

    /// How far it goes either way, rad; below zero where it does not even begin.
    pub(crate) fn far(&self) -> f64 {
        self.lock.map_or(-1.0, f64::abs)
    }
}

/// The one that goes less far; of equal ones the first.
pub(crate) fn shorter<'r>(first: Option<&'r Reach>, second: &'r Reach) -> Option<&'r Reach> {
    match first {
        Some(first) if first.far() <= second.far() => Some(first),
        _ => Some(second),
    }
}
