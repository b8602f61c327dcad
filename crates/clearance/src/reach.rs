//! How far every pair keeps its gap, between the states of a sweep too.
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
//! with less than the gap wanted is found. What that leaves open of whole parts is asked of their pieces (`kept.rs`). In a cell of lock and travel the same holds along a way of two legs, and the
//! bound is that of opposite corners, ℓ being the sum of both legs' bounds.

use crate::distance::Closest;
use crate::kept::{Way, keeps};
use crate::part::{Part, part_gap};
use crate::sweep::{EndedBy, Pair, Poses, Reach, Stop, SweepSettings, SweptState, Touch, shorter};
use rayon::prelude::*;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use stringline_core::RigidTransform;

/// Path over chord, of half a step.
pub(crate) const PATH: f64 = 1.1;
/// What a path may wander without a chord, mm.
pub(crate) const WANDER: f64 = 1e-2;
/// The far side of a cell of lock and travel moves a little faster than its sides say: a hundredth covers that.
const FAR_SIDE: f64 = 1.01;
/// A gap counts as kept when it is kept within this, mm.
const KEPT: f64 = 0.02;
/// A limit of lock is located within this, rad (0.05°).
const LOCATED: f64 = 0.05 * std::f64::consts::PI / 180.0;
/// A part of travel within which a limit is not divided further, mm.
const LEAST_TRAVEL: f64 = 0.05;

pub(crate) struct Work<'w, P> {
    pub(crate) parts: &'w [Part],
    pub(crate) pairs: &'w [Pair],
    pub(crate) poses: &'w P,
    pub(crate) settings: &'w SweepSettings,
    pub(crate) stopped: AtomicBool,
}

/// One half of a row, from straight ahead outwards.
pub(crate) struct Half {
    pub(crate) states: Vec<SweptState>,
    pub(crate) all: Reach,
    pub(crate) pairs: Vec<Reach>,
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

    /// Whether a pair keeps its gap on the way over states, piece by piece.
    fn keeps<const N: usize>(&self, pair: &Pair, states: [&[RigidTransform]; N], way: &Way<'_>) -> bool {
        let states = states.map(|poses| [&poses[pair.a], &poses[pair.b]]);
        let way = Way { states: &states, ..*way };
        keeps(&self.parts[pair.a], &self.parts[pair.b], &way, pair.wanted - KEPT)
    }

    pub(crate) fn half(&self, way: &[f64], travel: f64) -> Half {
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
        if !bad {
            let path = self.path(of, [&last.poses, &middle, &next.poses]);
            let way = Way { ends: [0, 2], legs: &[&[[0, 1, 2]]], factor: 1.0, states: &[] };
            if 0.5 * (last.gap + next.gap - path) >= of.wanted - KEPT
                || self.keeps(of, [&last.poses, &middle, &next.poses], &way)
            {
                return None;
            }
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
    pub(crate) fn band(&self, low: &Reach, high: &Reach, travels: [f64; 2], side: usize) -> Reach {
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
        let diagonals = [from[0].gap + to[1].gap, from[1].gap + to[0].gap];
        if !corners_bad {
            // From corner to corner: along a lock, then along a travel. 0 to 3 are the corners.
            let (ends, opposite) =
                if diagonals[0] >= diagonals[1] { ([0, 3], diagonals[0]) } else { ([1, 2], diagonals[1]) };
            let way =
                Way { ends, legs: &[&[[0, 4, 2], [1, 5, 3]], &[[0, 6, 1], [2, 7, 3]]], factor: FAR_SIDE, states: &[] };
            let states: [&[RigidTransform]; 8] =
                [&from[0].poses, &from[1].poses, &to[0].poses, &to[1].poses, below, above, near, beyond];
            if 0.5 * (opposite - FAR_SIDE * (along + across)) >= wanted - KEPT || work.keeps(self.pair, states, &way) {
                return;
            }
        }
        if depth > 40 || (narrow && travels[1] - travels[0] <= LEAST_TRAVEL) {
            return;
        }
        let split_travel = narrow || !corners_bad && across > along && travels[1] - travels[0] > LEAST_TRAVEL;
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
