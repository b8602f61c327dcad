//! Where the adjustment starts: placements that fit roughly, found from nothing.
//!
//! The scans are placed one after the other, each time the one that most equations tie to what is placed
//! already. A scan is tried in the 24 turns that take a cube to itself, each settled by Levenberg–Marquardt
//! with plain weights (lengths in mm, angles times a hand's length). What fits is kept, as several if
//! several do: an arm that still swings about its bushes is in many places until its ball joint
//! is tied. In the end all scans are settled together, and the placements that fit best are the start.

use crate::error::AdjustError;
use crate::mate::{Mate, Relation, looks_right};
use crate::motion::Pivot;
use crate::system::System;
use nalgebra::{DMatrix, DVector, UnitQuaternion, Vector6};
use rayon::prelude::*;
use std::f64::consts::FRAC_PI_2;
use stringline_core::{Point3, RigidTransform, Vec3};

/// Angles are weighed at this distance, mm.
const LEVER: f64 = 200.0;
/// Placements kept from one scan to the next.
const KEPT: usize = 24;
/// Placements nearer than this are one, rad and mm.
const ALIKE: [f64; 2] = [0.05, 3.0];

/// A try: where the scans stand, and the sum of squares, mm².
#[derive(Clone, Debug)]
pub(crate) struct Try {
    pub(crate) poses: Vec<Option<RigidTransform>>,
    pub(crate) cost: f64,
    /// Mates whose directions look the wrong way.
    pub(crate) wrong: usize,
}

impl Try {
    fn rank(&self) -> f64 {
        self.cost + 1e9 * self.wrong as f64
    }
}

/// The turns that take a cube to itself.
fn cube_turns() -> Vec<UnitQuaternion<f64>> {
    let about = |axis: &nalgebra::UnitVector3<f64>, quarter: i32| {
        UnitQuaternion::from_axis_angle(axis, FRAC_PI_2 * f64::from(quarter))
    };
    let (x, y, z) = (Vec3::x_axis(), Vec3::y_axis(), Vec3::z_axis());
    let tops = (0..4).map(|k| about(&x, k)).chain([about(&y, 1), about(&y, 3)]);
    tops.flat_map(|top| (0..4).map(move |k| top * about(&z, k))).collect()
}

/// The tries that fit best, best first.
pub(crate) fn starts(system: &System<'_>) -> Result<Vec<Try>, AdjustError> {
    let n = system.scans.len();
    let mut tries = vec![Try { poses: vec![None; n], cost: 0.0, wrong: 0 }];
    for _ in 0..n {
        let Some(first) = tries.first() else { break };
        let open: Vec<usize> = (0..n).filter(|&s| first.poses[s].is_none()).collect();
        // How many equations would tie it.
        let ties = |&s: &usize| {
            let mut poses = first.poses.clone();
            poses[s] = Some(RigidTransform::identity());
            usable(system, &poses, &[s]).iter().map(|mate| system.equations(mate, &poses).len()).sum::<usize>()
        };
        let most = open.iter().map(|s| (ties(s), *s)).max_by_key(|&(count, s)| (count, std::cmp::Reverse(s)));
        let next = match most {
            Some((count, next)) if count > 0 => next,
            _ => {
                let scans = open.iter().map(|&s| system.scans[s].clone()).collect();
                return Err(AdjustError::NotTied { scans });
            }
        };
        let all: Vec<(usize, usize)> = (0..tries.len()).flat_map(|t| (0..24).map(move |k| (t, k))).collect();
        let turns = cube_turns();
        let told: Vec<Try> = tries.iter().filter_map(|from| told(system, from, next)).collect();
        let turned = all.par_iter().map(|&(t, k)| placed(system, &tries[t], next, &turns[k]));
        let found: Vec<Try> = turned.collect::<Vec<_>>().into_iter().chain(told).collect();
        tries = best_of(system, found);
    }
    Ok(tries)
}

/// The mates that can be weighed and speak of one of these scans.
fn usable<'a>(system: &System<'a>, poses: &[Option<RigidTransform>], of: &[usize]) -> Vec<&'a Mate> {
    let speaks = |mate: &Mate| mate.relation.scans().iter().any(|s| system.index(s).is_some_and(|i| of.contains(&i)));
    system.mates.iter().filter(|mate| !system.is_open(mate, poses) && speaks(mate)).copied().collect()
}

/// Places one more scan as one of the mates says outright, where one does.
fn told(system: &System<'_>, from: &Try, next: usize) -> Option<Try> {
    let pose = system.mates.iter().find_map(|mate| {
        let Relation::Relative { scan, on, placement, .. } = &mate.relation else { return None };
        if system.index(scan) == Some(next) {
            return Some(system.pose(on.as_deref(), &from.poses)? * placement);
        }
        let is_next = system.index(on.as_deref()?) == Some(next);
        is_next.then(|| Some(system.pose(Some(scan), &from.poses)? * placement.inverse()))?
    })?;
    let mut poses = from.poses.clone();
    poses[next] = Some(pose);
    Some(settled(system, poses, next))
}

/// Places one more scan, starting from a turn.
fn placed(system: &System<'_>, from: &Try, next: usize, turn: &UnitQuaternion<f64>) -> Try {
    let mut poses = from.poses.clone();
    // Its datums' middle to the middle of what they meet.
    poses[next] = Some(RigidTransform::from_parts(Vec3::zeros().into(), *turn));
    let mates = usable(system, &poses, &[next]);
    let (mut own, mut others) = (Vec::new(), Vec::new());
    for mate in &mates {
        for (on, here) in mate.relation.datums().iter().zip(system.here(mate, &poses)) {
            let is_own = on.scan.as_deref().is_some_and(|scan| system.index(scan) == Some(next));
            if is_own { own.push(here.p) } else { others.push(here.p) }
        }
    }
    if !own.is_empty() && !others.is_empty() {
        poses[next] = Some(
            nalgebra::Translation3::from(middle(&others) - middle(&own))
                * RigidTransform::from_parts(Vec3::zeros().into(), *turn),
        );
    }
    settled(system, poses, next)
}

/// Settles the scan placed last, then all.
fn settled(system: &System<'_>, mut poses: Vec<Option<RigidTransform>>, last: usize) -> Try {
    let mates = usable(system, &poses, &[last]);
    settle(system, &mut poses, &[last], &mates);
    let movable: Vec<usize> = (0..poses.len()).filter(|&s| poses[s].is_some()).collect();
    let mates = usable(system, &poses, &movable);
    let cost = settle(system, &mut poses, &movable, &mates);
    let wrong = mates.iter().filter(|mate| !looks_right(&mate.relation, &system.here(mate, &poses))).count();
    Try { poses, cost, wrong }
}

fn middle(points: &[Point3]) -> Vec3 {
    points.iter().map(|p| p.coords).sum::<Vec3>() / points.len().max(1) as f64
}

/// Keeps what fits and is not one with a better one.
fn best_of(system: &System<'_>, mut found: Vec<Try>) -> Vec<Try> {
    found.retain(|t| t.cost.is_finite());
    found.sort_by(|a, b| a.rank().total_cmp(&b.rank()));
    let Some(best) = found.first().cloned() else { return found };
    let count: usize = system.mates.iter().map(|mate| system.equations(mate, &best.poses).len()).sum();
    // What fits within a few millimetres an equation may yet turn out to be right.
    let limit = 4.0 * best.rank() + 10.0 * count as f64;
    let mut kept: Vec<Try> = Vec::new();
    for one in found {
        if kept.len() < KEPT && one.rank() <= limit && !kept.iter().any(|k| alike(system, k, &one)) {
            kept.push(one);
        }
    }
    kept
}

/// Whether all scans stand in nearly the same places.
pub(crate) fn alike(system: &System<'_>, a: &Try, b: &Try) -> bool {
    let pivots = system.pivots(&a.poses);
    a.poses.iter().zip(&b.poses).zip(&pivots).all(|((a, b), pivot)| match (a, b) {
        (Some(a), Some(b)) => {
            let at = a.inverse_transform_point(&pivot.centre);
            a.rotation.angle_to(&b.rotation) < ALIKE[0] && (b * at - pivot.centre).norm() < ALIKE[1]
        }
        _ => true,
    })
}

/// Levenberg–Marquardt with plain weights over some scans; the sum of squares, mm².
fn settle(system: &System<'_>, poses: &mut [Option<RigidTransform>], movable: &[usize], mates: &[&Mate]) -> f64 {
    let cost_of = |poses: &[Option<RigidTransform>]| -> f64 {
        let equations = mates.iter().flat_map(|mate| system.equations(mate, poses));
        equations.map(|e| (e.value * if e.along.is_some() { 1.0 } else { LEVER }).powi(2)).sum()
    };
    let mut cost = cost_of(poses);
    let mut damping = 1e-3;
    for _ in 0..60 {
        let pivots: Vec<Pivot> = system.pivots(poses);
        let size = 6 * movable.len();
        let (mut normal, mut slope) = (DMatrix::<f64>::zeros(size, size), DVector::<f64>::zeros(size));
        for equation in mates.iter().flat_map(|mate| system.equations(mate, poses)) {
            let weight = if equation.along.is_some() { 1.0 } else { LEVER };
            let mut row = DVector::<f64>::zeros(size);
            for (scan, by) in &equation.by_scan {
                if let Some(at) = movable.iter().position(|m| m == scan) {
                    let mut part = row.rows_mut(6 * at, 6);
                    part += (by * pivots[*scan].to_origin()).transpose() * weight;
                }
            }
            slope.axpy(equation.value * weight, &row, 1.0);
            normal.ger(1.0, &row, &row, 1.0);
        }
        let mut went_on = false;
        for _ in 0..8 {
            let mut damped = normal.clone();
            for k in 0..size {
                damped[(k, k)] += damping * normal[(k, k)] + 1e-9;
            }
            let Some(cholesky) = damped.cholesky() else {
                damping *= 10.0;
                continue;
            };
            let step = cholesky.solve(&-&slope);
            let mut tried = poses.to_vec();
            for (at, &scan) in movable.iter().enumerate() {
                let by = Vector6::from_iterator(step.rows(6 * at, 6).iter().copied());
                tried[scan] = tried[scan].map(|pose| pivots[scan].moved(&pose, &by));
            }
            let tried_cost = cost_of(&tried);
            if tried_cost < cost {
                // A gain below a millionth is none.
                went_on = cost - tried_cost > 1e-6 * cost + 1e-12;
                cost = tried_cost;
                poses.copy_from_slice(&tried);
                damping = (damping * 0.2).max(1e-9);
                break;
            }
            damping *= 10.0;
        }
        if !went_on {
            break;
        }
    }
    cost
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cube_has_24_turns() {
        let turns = cube_turns();
        assert_eq!(turns.len(), 24);
        for (i, a) in turns.iter().enumerate() {
            assert!(turns[..i].iter().all(|b| a.angle_to(b) > 1.0));
        }
    }
}
