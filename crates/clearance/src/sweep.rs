//! Gaps of moving parts over lock and wheel travel, with no contact missed in between.
//!
//! At every state of a grid the smallest gap of every pair of parts is exact. Between states it is *bounded*: on the way
//! from one state to another no point of a part goes further, seen from the other part, than
//!
//! > ℓ = 1.1·(D₁ + D₂) + 0.01 mm,
//!
//! D₁ and D₂ being the largest displacements of any of its points from either end to the state half way
//! ([`Part::displacement`], proven for rigid motions). A path is longer than its chord; the tenth covers any path whose
//! halves are arcs of up to 87°, and the hundredth one that turns back. That the paths of corners are such is shown
//! by a test of the kinematics, up to over centre. The gap changes by no more than the parts move: with
//! gaps g₁ and g₂ at the ends it is nowhere on the way less than
//!
//! > (g₁ + g₂ − ℓ)/2
//!
//! (conservative advancement from both ends; B. Mirtich, *Impulse-based Dynamic Simulation of Rigid Body Systems*, thesis,
//! Berkeley 1996, from memory). Where that is below the gap wanted the way is halved, until it is settled or a state
//! with less than the gap wanted is found. In a cell of lock and travel the same holds along a way of two legs, and the
//! bound is that of opposite corners, ℓ being the sum of both legs' bounds.

use crate::distance::Closest;
use crate::part::{Part, part_gap};
use rayon::prelude::*;
use std::borrow::Cow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use stringline_core::{Explain, Point3, RigidTransform};

/// Path over chord, of half a step.
const PATH: f64 = 1.1;
/// What a path may wander without a chord, mm.
const WANDER: f64 = 1e-2;
/// A gap counts as kept when it is kept within this, mm.
const KEPT: f64 = 0.02;
/// A limit of lock is located within this, rad (0.05°).
const LOCATED: f64 = 0.05 * std::f64::consts::PI / 180.0;
/// A part of travel within which a limit is not divided further, mm.
const LEAST_TRAVEL: f64 = 0.05;

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
            beyond: 50.0,
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
    fn nothing() -> Reach {
        Reach { lock: Some(0.0), by: EndedBy::Nothing, touch: None }
    }

    /// How far it goes either way, rad; below zero where it does not even begin.
    fn far(&self) -> f64 {
        self.lock.map_or(-1.0, f64::abs)
    }
}

/// The one that goes less far; of equal ones the first.
fn shorter<'r>(first: Option<&'r Reach>, second: &'r Reach) -> Option<&'r Reach> {
    match first {
        Some(first) if first.far() <= second.far() => Some(first),
        _ => Some(second),
    }
}

struct Work<'w, P> {
    parts: &'w [Part],
    pairs: &'w [Pair],
    poses: &'w P,
    settings: &'w SweepSettings,
    stopped: AtomicBool,
}

/// One half of a row, from straight ahead outwards.
struct Half {
    states: Vec<SweptState>,
    all: Reach,
    pairs: Vec<Reach>,
}

/// A pair at a state.
#[derive(Clone)]
struct Known {
    lock: f64,
    poses: Arc<[RigidTransform]>,
    /// `None`: further apart than was looked for.
    closest: Option<Closest>,
    /// A lower bound of the gap.
    gap: f64,
}

/// What ended a way.
enum Bad {
    Touch(Touch),
    Stop(Stop),
}

impl<P: Poses> Work<'_, P> {
    fn limit(&self, pair: &Pair) -> f64 {
        pair.wanted + self.settings.beyond
    }

    fn gap(&self, pair: &Pair, poses: &[RigidTransform], limit: f64, hint: Option<&Closest>) -> Option<Closest> {
        let (a, b) = (&self.parts[pair.a], &self.parts[pair.b]);
        part_gap(a, &poses[pair.a], b, &poses[pair.b], limit, hint)
    }

    /// How far any point of one part of the pair goes at most, seen from the other, between two states by way of a third.
    fn path(&self, pair: &Pair, poses: [&[RigidTransform]; 3]) -> f64 {
        let moved = poses.map(|p| p[pair.b].inverse() * p[pair.a]);
        let back = poses.map(|p| p[pair.a].inverse() * p[pair.b]);
        let chord =
            |part: &Part, t: &[RigidTransform; 3]| part.displacement(&t[0], &t[1]) + part.displacement(&t[1], &t[2]);
        // Either part may count as the one that moves: the gap is the same.
        let least = chord(&self.parts[pair.a], &moved).min(chord(&self.parts[pair.b], &back));
        PATH * least + WANDER
    }

    fn half(&self, way: &[f64], travel: f64) -> Half {
        let poses: Vec<Result<Arc<[RigidTransform]>, Stop>> =
            way.iter().map(|&lock| self.poses.at(lock, travel).map(Arc::from)).collect();
        let mut states: Vec<SweptState> = way
            .iter()
            .zip(&poses)
            .map(|(&lock, poses)| SweptState {
                lock,
                travel,
                poses: poses.clone(),
                closest: vec![None; self.pairs.len()],
            })
            .collect();
        let reaches: Vec<Reach> = self
            .pairs
            .par_iter()
            .enumerate()
            .map(|(i, pair)| {
                let mut hint: Option<Closest> = None;
                let mut known = Vec::new();
                for (&lock, poses) in way.iter().zip(&poses) {
                    let Ok(poses) = poses else { break };
                    if self.stopped.load(Ordering::Relaxed) {
                        break;
                    }
                    let closest = self.gap(pair, poses, self.limit(pair), hint.as_ref());
                    hint = closest.or(hint);
                    let gap = closest.map_or(self.limit(pair), |c| c.gap);
                    known.push(Known { lock, poses: Arc::clone(poses), closest, gap });
                }
                let reach = self.reach(i, way, travel, &known);
                (reach, known.into_iter().map(|k| k.closest).collect::<Vec<_>>())
            })
            .collect::<Vec<_>>()
            .into_iter()
            .enumerate()
            .map(|(i, (reach, closest))| {
                states.iter_mut().zip(closest).for_each(|(state, c)| state.closest[i] = c);
                reach
            })
            .collect();
        let all = reaches.iter().fold(None, shorter).cloned().unwrap_or_else(Reach::nothing);
        Half { states, all, pairs: reaches }
    }

    /// How far a pair keeps its gap along the known states of a row.
    fn reach(&self, pair: usize, way: &[f64], travel: f64, known: &[Known]) -> Reach {
        let wanted = self.pairs[pair].wanted;
        let Some(first) = known.first() else {
            let by = match self.poses.at(way[0], travel) {
                Err(stop) => EndedBy::Stop(stop),
                Ok(_) => EndedBy::Nothing,
            };
            return Reach { lock: None, by, touch: None };
        };
        if first.gap < wanted {
            return Reach { lock: None, by: EndedBy::Pair(pair), touch: self.touch(pair, travel, first) };
        }
        let mut last = first.clone();
        for next in &known[1..] {
            if let Some(bad) = self.first_bad(pair, travel, &mut last, next) {
                return self.ended(pair, &last, bad);
            }
            last = next.clone();
        }
        match way.get(known.len()) {
            None => Reach { lock: Some(last.lock), by: EndedBy::Nothing, touch: None },
            Some(&beyond) => match self.towards_stop(pair, travel, &mut last, beyond) {
                Some(bad) => self.ended(pair, &last, bad),
                None => Reach { lock: Some(last.lock), by: EndedBy::Nothing, touch: None },
            },
        }
    }

    fn ended(&self, pair: usize, last: &Known, bad: Bad) -> Reach {
        match bad {
            Bad::Touch(touch) => Reach { lock: Some(last.lock), by: EndedBy::Pair(pair), touch: Some(touch) },
            Bad::Stop(stop) => Reach { lock: Some(last.lock), by: EndedBy::Stop(stop), touch: None },
        }
    }

    fn touch(&self, pair: usize, travel: f64, at: &Known) -> Option<Touch> {
        let closest = at.closest?;
        Some(Touch { lock: at.lock, travel, pair, closest, poses: Arc::clone(&at.poses) })
    }

    /// Follows a pair from a good state to another; `last` becomes the last good state before the first bad one.
    fn first_bad(&self, pair: usize, travel: f64, last: &mut Known, next: &Known) -> Option<Bad> {
        if self.stopped.load(Ordering::Relaxed) {
            return None;
        }
        let of = &self.pairs[pair];
        let bad = next.gap < of.wanted;
        if bad && (next.lock - last.lock).abs() <= LOCATED {
            return self.touch(pair, travel, next).map(Bad::Touch);
        }
        let lock = 0.5 * (last.lock + next.lock);
        let middle = match self.poses.at(lock, travel) {
            Ok(poses) => poses,
            Err(stop) => return Some(Bad::Stop(stop)),
        };
        let path = self.path(of, [&last.poses, &middle, &next.poses]);
        if !bad && 0.5 * (last.gap + next.gap - path) >= of.wanted - KEPT {
            return None;
        }
        // Too short a way to be told: rounding, or a mechanism that does not stand still.
        if (next.lock - last.lock).abs() < 1e-7 {
            return bad.then(|| self.touch(pair, travel, next).map(Bad::Touch)).flatten();
        }
        let middle = self.known(of, lock, middle, last.closest.as_ref());
        if middle.gap < of.wanted {
            return self.first_bad(pair, travel, last, &middle);
        }
        if let Some(bad) = self.first_bad(pair, travel, last, &middle) {
            return Some(bad);
        }
        *last = middle;
        self.first_bad(pair, travel, last, next)
    }

    fn known(&self, pair: &Pair, lock: f64, poses: Vec<RigidTransform>, hint: Option<&Closest>) -> Known {
        let closest = self.gap(pair, &poses, self.limit(pair), hint);
        let gap = closest.map_or(self.limit(pair), |c| c.gap);
        Known { lock, poses: poses.into(), closest, gap }
    }

    /// From a good state towards a lock that the mechanism does not have.
    fn towards_stop(&self, pair: usize, travel: f64, last: &mut Known, beyond: f64) -> Option<Bad> {
        let (mut beyond, mut stop) = (beyond, self.poses.at(beyond, travel).err()?);
        while (beyond - last.lock).abs() > LOCATED && !self.stopped.load(Ordering::Relaxed) {
            let lock = 0.5 * (last.lock + beyond);
            match self.poses.at(lock, travel) {
                Err(nearer) => (beyond, stop) = (lock, nearer),
                Ok(poses) => {
                    let next = self.known(&self.pairs[pair], lock, poses, last.closest.as_ref());
                    if let Some(bad) = self.first_bad(pair, travel, last, &next) {
                        return Some(bad);
                    }
                    *last = next;
                }
            }
        }
        Some(Bad::Stop(stop))
    }

    /// How far all pairs keep their gaps between two rows, from those of the rows.
    fn band(&self, low: &Reach, high: &Reach, travels: [f64; 2], side: usize) -> Reach {
        let mut best = if low.far() <= high.far() { low.clone() } else { high.clone() };
        let sign = if side == 0 { -1.0 } else { 1.0 };
        let Some(end) = best.lock.map(f64::abs) else { return best };
        let mut locks: Vec<f64> =
            self.settings.locks.iter().map(|l| l * sign).filter(|l| (0.0..end).contains(l)).collect();
        locks.sort_by(f64::total_cmp);
        locks.push(end);
        for (i, pair) in self.pairs.iter().enumerate() {
            let mut search = Band { work: self, index: i, pair, sign, best: &mut best };
            let mut from = search.edge(0.0, travels, [None; 2]);
            for window in locks.windows(2) {
                if window[0] >= search.far() {
                    break;
                }
                let Some(edge) = from else { break };
                let to = search.edge(window[1], travels, [edge[0].closest, edge[1].closest]);
                match &to {
                    Some(to) => search.cell(&edge, to, travels, 0),
                    // No state at an end that both rows have: the mechanism ends in between.
                    None => search.stop(window[0], Stop::Other("the mechanism's end".into())),
                }
                from = to;
            }
        }
        best
    }
}

/// A search for the smallest lock at which a pair does not keep its gap between two travels.
struct Band<'b, 'w, P> {
    work: &'b Work<'w, P>,
    index: usize,
    pair: &'b Pair,
    sign: f64,
    best: &'b mut Reach,
}

impl<P: Poses> Band<'_, '_, P> {
    fn far(&self) -> f64 {
        self.best.far()
    }

    fn state(&self, lock: f64, travel: f64, hint: Option<&Closest>) -> Result<Known, Stop> {
        let poses = self.work.poses.at(self.sign * lock, travel)?;
        Ok(self.work.known(self.pair, self.sign * lock, poses, hint))
    }

    /// The states of a lock at two travels.
    fn edge(&self, lock: f64, travels: [f64; 2], hints: [Option<Closest>; 2]) -> Option<[Known; 2]> {
        let [a, b] = [0, 1].map(|i| self.state(lock, travels[i], hints[i].as_ref()).ok());
        Some([a?, b?])
    }

    fn stop(&mut self, lock: f64, stop: Stop) {
        if lock < self.far() {
            *self.best = Reach { lock: Some(self.sign * lock), by: EndedBy::Stop(stop), touch: None };
        }
    }

    /// Looks into a cell between locks (`from`, `to`) and travels. Its states are at their lock and travel's corner.
    fn cell(&mut self, from: &[Known; 2], to: &[Known; 2], travels: [f64; 2], depth: u32) {
        let work = self.work;
        let locks = [from[0].lock.abs(), to[0].lock.abs()];
        if locks[0] >= self.far() || work.stopped.load(Ordering::Relaxed) {
            return;
        }
        let wanted = self.pair.wanted;
        let bad = |k: &Known| k.gap < wanted;
        let narrow = locks[1] - locks[0] <= LOCATED;
        // Its near edge is bad: so is the lock itself.
        if let Some(i) = from.iter().position(bad) {
            return self.touched(locks[0], travels[i], &from[i]);
        }
        let corners_bad = to.iter().any(bad);
        if corners_bad && narrow {
            for (k, travel) in to.iter().zip(travels).filter(|(k, _)| bad(k)) {
                self.touched(locks[0], travel, k);
            }
            return;
        }
        let (lock, travel) = (0.5 * (locks[0] + locks[1]), 0.5 * (travels[0] + travels[1]));
        let poses = |lock: f64, travel: f64| work.poses.at(self.sign * lock, travel);
        // The state half way along each side of the cell.
        let sides =
            [poses(lock, travels[0]), poses(lock, travels[1]), poses(locks[0], travel), poses(locks[1], travel)];
        let [Ok(below), Ok(above), Ok(near), Ok(beyond)] = &sides else {
            let stop = sides.into_iter().find_map(Result::err).unwrap_or(Stop::OverCentre);
            return self.stop(locks[0], stop);
        };
        let along = work
            .path(self.pair, [&from[0].poses, below, &to[0].poses])
            .max(work.path(self.pair, [&from[1].poses, above, &to[1].poses]));
        let across = work
            .path(self.pair, [&from[0].poses, near, &from[1].poses])
            .max(work.path(self.pair, [&to[0].poses, beyond, &to[1].poses]));
        let opposite = (from[0].gap + to[1].gap).max(from[1].gap + to[0].gap);
        // The far side of a cell moves a little faster than its sides say: a hundredth covers that.
        if !corners_bad && 0.5 * (opposite - 1.01 * (along + across)) >= wanted - KEPT {
            return;
        }
        if depth > 40 || (narrow && travels[1] - travels[0] <= LEAST_TRAVEL) {
            return;
        }
        let split_travel =
            !corners_bad && (across > along || narrow) && travels[1] - travels[0] > LEAST_TRAVEL || narrow;
        if split_travel {
            let hint = [from[0].closest, to[0].closest];
            let at = |poses: &Vec<RigidTransform>, lock: f64, hint: &Option<Closest>| {
                work.known(self.pair, self.sign * lock, poses.clone(), hint.as_ref())
            };
            let (near, beyond) = (at(near, locks[0], &hint[0]), at(beyond, locks[1], &hint[1]));
            let halves = [[&from[0], &near, &to[0], &beyond], [&near, &from[1], &beyond, &to[1]]];
            let parts = [[travels[0], travel], [travel, travels[1]]];
            for ([a, b, c, d], travels) in halves.into_iter().zip(parts) {
                self.cell(&[a.clone(), b.clone()], &[c.clone(), d.clone()], travels, depth + 1);
            }
        } else {
            let at = |poses: &Vec<RigidTransform>, hint: &Option<Closest>| {
                work.known(self.pair, self.sign * lock, poses.clone(), hint.as_ref())
            };
            let middle = [at(below, &from[0].closest), at(above, &from[1].closest)];
            self.cell(from, &middle, travels, depth + 1);
            self.cell(&middle, to, travels, depth + 1);
        }
    }

    fn touched(&mut self, lock: f64, travel: f64, at: &Known) {
        if lock < self.far() {
            *self.best = Reach {
                lock: Some(self.sign * lock),
                by: EndedBy::Pair(self.index),
                touch: self.work.touch(self.index, travel, at),
            };
        }
    }
}
