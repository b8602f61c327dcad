//! A mate held against all the others, and what is left of it.

use super::{AdjustSettings, FREE, LEVER, MateFit, Moves, Off, SideOff, Solved, State};
use crate::mate::{Mate, Relation};
use crate::system::System;
use nalgebra::{DMatrix, DVector};
use std::ops::Range;
use stringline_core::covariance::{chi_squared_tail, coverage_factor, largest_sigma, propagate};
use stringline_core::{Point3, RigidTransform, Vec3};

/// Angles as lengths.
pub(super) fn unit(along: Option<Vec3>) -> f64 {
    if along.is_some() { 1.0 } else { LEVER }
}

/// A mate held against all the others.
pub(super) struct Judged {
    pub(super) off: Option<Off>,
    moves: DVector<f64>,
}

impl State {
    /// Predicts a mate's equations from the active ones without it; `None` where that cannot be solved.
    pub(super) fn judge(&self, mate: usize, settings: &AdjustSettings) -> Option<Judged> {
        self.judge_without(mate, mate, settings)
    }

    fn judge_without(&self, mate: usize, without: usize, settings: &AdjustSettings) -> Option<Judged> {
        let own = self.linear.of[mate].clone();
        let keep: Vec<usize> = (0..self.active.len())
            .filter(|&i| self.active[i] && i != without)
            .flat_map(|i| self.linear.of[i].clone())
            .collect();
        let solved = Solved::of(&self.linear, &self.to_origin, keep, settings)?;
        let (by, rows, covariance) = self.left_over(own, &solved);
        let error = self.linear.value.select_rows(&rows) + &by * &solved.step;
        let along: Vec<Option<Vec3>> = rows.iter().map(|&r| self.linear.along[r]).collect();
        let off = self.off(&error, &covariance, &along, &(&by * &solved.free));
        // What was free before is free without it as well, and counts as no move.
        Some(Judged { off, moves: solved.step })
    }

    /// Some equations' derivatives by the motions, their numbers, and the covariance of what a solution leaves of
    /// them: r − X·(the values it is made from), so that what both share counts.
    fn left_over(&self, own: Range<usize>, solved: &Solved) -> (DMatrix<f64>, Vec<usize>, DMatrix<f64>) {
        let by = self.linear.by_motion.rows(own.start, own.len()) * &self.to_origin;
        let rows: Vec<usize> = own.collect();
        let x = &by * &solved.gain;
        let all = &self.linear.covariance;
        let shared = all.select_rows(&rows).select_columns(&solved.rows);
        let rest = all.select_rows(&solved.rows).select_columns(&solved.rows);
        let cross = &x * shared.transpose();
        let own = all.select_rows(&rows).select_columns(&rows);
        let covariance = own - &cross - cross.transpose() + &x * rest * x.transpose();
        (by, rows, covariance)
    }

    /// One standard deviation of what is left of a mate's lengths, along that, mm; `None` where it is nothing.
    fn sigma(&self, own: Range<usize>, residual: &Vec3) -> Option<f64> {
        let (_, rows, covariance) = self.left_over(own, &self.solved);
        let along = |k: usize| self.linear.along[rows[k]];
        let place = DMatrix::from_fn(3, rows.len(), |i, k| along(k).map_or(0.0, |a| a[i]));
        let (left, alone) = (propagate(&place, &covariance), self.linear.covariance.select_rows(&rows));
        let alone = propagate(&place, &alone.select_columns(&rows));
        let sigma = match residual.try_normalize(1e-12) {
            Some(u) => propagate(&DMatrix::from_row_slice(1, 3, u.as_slice()), &left)[(0, 0)].max(0.0).sqrt(),
            None => largest_sigma(&left),
        };
        // What rounding leaves of a mate that alone holds what it holds.
        (sigma > 1e-4 * largest_sigma(&alone)).then_some(sigma)
    }

    /// `lost` is how the equations change along what is free without the mate.
    fn off(
        &self,
        error: &DVector<f64>,
        covariance: &DMatrix<f64>,
        along: &[Option<Vec3>],
        lost: &DMatrix<f64>,
    ) -> Option<Off> {
        let m = error.len();
        let scale: Vec<f64> = along.iter().map(|a| unit(*a)).collect();
        let scaled_lost = DMatrix::from_fn(m, lost.ncols(), |i, j| lost[(i, j)] * scale[i]);
        let seen = if lost.ncols() == 0 {
            DMatrix::identity(m, m)
        } else {
            let eigen = (&scaled_lost * scaled_lost.transpose()).symmetric_eigen();
            let kept: Vec<usize> = (0..m).filter(|&k| eigen.eigenvalues[k] < FREE * FREE).collect();
            eigen.eigenvectors.select_columns(&kept)
        };
        let equations = seen.ncols();
        if equations == 0 {
            return None;
        }
        // In mm throughout, and only what the others predict.
        let to_seen = DMatrix::from_fn(equations, m, |i, j| seen[(j, i)] * scale[j]);
        let e = &to_seen * error;
        let c = propagate(&to_seen, covariance);
        let chi_squared = e.dot(&c.clone().cholesky()?.solve(&e));
        // Back to the equations, with nothing where the others say nothing.
        let back = DMatrix::from_fn(m, equations, |i, j| seen[(i, j)] / scale[i]);
        let (e, c) = (&back * e, propagate(&back, &c));
        let place = DMatrix::from_fn(3, m, |i, j| along[j].map_or(0.0, |a| a[i]));
        let shift = &place * &e;
        let lengths = along.iter().filter(|a| a.is_some()).count();
        let angles: Vec<usize> = (0..m).filter(|&k| along[k].is_none()).collect();
        let expanded = |dimensions: usize, c: DMatrix<f64>| {
            if dimensions == 0 { 0.0 } else { coverage_factor(dimensions, f64::INFINITY) * largest_sigma(&c) }
        };
        Some(Off {
            shift: Vec3::new(shift[0], shift[1], shift[2]),
            shift_u95: expanded(lengths.min(3), propagate(&place, &c)),
            turn: angles.iter().map(|&k| e[k] * e[k]).sum::<f64>().sqrt(),
            turn_u95: expanded(angles.len(), c.select_rows(&angles).select_columns(&angles)),
            chi_squared,
            equations,
            probability: chi_squared_tail(chi_squared, equations),
        })
    }

    pub(super) fn fit(
        &self,
        index: usize,
        system: &System<'_>,
        poses: &[Option<RigidTransform>],
        sides: &[(usize, Mate)],
        left_out: &[(usize, Vec<String>)],
        settings: &AdjustSettings,
    ) -> MateFit {
        let own = self.linear.of[index].clone();
        let mut residual = Vec3::zeros();
        let mut residual_turn = 0.0_f64;
        for row in own.clone() {
            match self.linear.along[row] {
                Some(along) => residual += along * self.linear.value[row],
                None => residual_turn = residual_turn.hypot(self.linear.value[row]),
            }
        }
        let judged = self.judge(index, settings);
        let mut moves = Vec::new();
        if let Some(judged) = judged.as_ref().filter(|_| self.active[index]) {
            for (s, scan) in system.scans.iter().enumerate() {
                let by = judged.moves.rows(6 * s, 6);
                let (shift, turn) = (by.rows(0, 3).norm(), by.rows(3, 3).norm() / self.pivots[s].lever);
                moves.push(Moves { scan: scan.clone(), shift, turn });
            }
            moves.sort_by(|a, b| b.shift.total_cmp(&a.shift));
        }
        let base = system.mates.len() - sides.len();
        let sides = sides.iter().enumerate().filter(|(_, (of, _))| *of == index).filter_map(|(k, (_, mate))| {
            let off = self.judge_without(base + k, index, settings)?.off?;
            let Relation::Coordinate { of, value, .. } = &mate.relation else { return None };
            // Outboard is away from the plane of symmetry.
            let outboard = off.shift.y * value.signum();
            let datum = of.first()?.anchor.name.clone();
            Some(SideOff { datum, outboard, u95: off.shift_u95, probability: off.probability })
        });
        MateFit {
            name: system.mates[index].name.clone(),
            left_out: !self.active[index],
            equations: own.len(),
            at: middle_of(system, system.mates[index], poses),
            sigma: self.sigma(own, &residual),
            residual,
            residual_turn,
            sides: sides.collect(),
            off: judged.and_then(|j| j.off),
            moves,
            or_else: left_out.iter().find(|(i, _)| *i == index).map(|(_, e)| e.clone()).unwrap_or_default(),
        }
    }
}

/// Where what is left of a mate is told.
fn middle_of(system: &System<'_>, mate: &Mate, poses: &[Option<RigidTransform>]) -> Point3 {
    match &mate.relation {
        Relation::Relative { on, at, .. } => {
            system.pose(on.as_deref(), poses).map_or(*at, |car_from_on| car_from_on * at)
        }
        Relation::Coordinate { .. } => {
            let points = system.here(mate, poses);
            Point3::from(points.iter().map(|h| h.p.coords).sum::<Vec3>() / points.len().max(1) as f64)
        }
        _ => system.here(mate, poses).first().map_or_else(Point3::origin, |first| first.p),
    }
}
