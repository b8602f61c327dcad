//! Orthogonal-distance least squares by Levenberg–Marquardt, for one shape or for several
//! that share parameters.
//!
//! Works on centred, scaled coordinates. The normal equations are accumulated point by point:
//! with minimal parametrisations they are well conditioned, memory stays constant, and the
//! answer is the stationary point to rounding because the gradient is exact.

use crate::shapes::{Local, Model, SLOTS, active};
use nalgebra::{DMatrix, DVector, SMatrix};
use stringline_core::Vec3;

/// One shape and its points, with the way it hangs on the problem's parameters.
pub(crate) struct Part<'a> {
    pub(crate) points: &'a [Vec3],
    /// One weight a point, or empty for all equal.
    pub(crate) weights: &'a [f64],
    pub(crate) model: Model,
    /// SLOTS × p: the change of the shape's local parameters for a change of the problem's.
    pub(crate) map: DMatrix<f64>,
}

impl<'a> Part<'a> {
    /// A shape on its own; a held radius is not among its parameters.
    pub(crate) fn alone(points: &'a [Vec3], weights: &'a [f64], model: Model, radius_held: bool) -> Part<'a> {
        let map = own_parameters(&model, radius_held);
        Part { points, weights, model, map }
    }
}

/// The map of a shape that shares nothing.
pub(crate) fn own_parameters(model: &Model, radius_held: bool) -> DMatrix<f64> {
    let slots: Vec<usize> =
        active(model.kind).iter().copied().filter(|&s| !(radius_held && s == crate::shapes::RADIUS)).collect();
    let mut map = DMatrix::zeros(SLOTS, slots.len());
    for (column, &slot) in slots.iter().enumerate() {
        map[(slot, column)] = 1.0;
    }
    map
}

/// How an iteration ended.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ended {
    pub(crate) converged: bool,
    pub(crate) iterations: usize,
}

fn cost(part: &Part, model: &Model) -> f64 {
    let mut sum = 0.0;
    if part.weights.is_empty() {
        for p in part.points {
            let d = model.distance(p);
            sum += d * d;
        }
    } else {
        for (p, &weight) in part.points.iter().zip(part.weights) {
            let d = model.distance(p);
            sum += weight * d * d;
        }
    }
    sum
}

/// JᵀWJ and JᵀWr of one part in its local parameters, and its cost.
fn normal_equations(part: &Part) -> (SMatrix<f64, SLOTS, SLOTS>, Local, f64) {
    let slots = active(part.model.kind);
    let mut a = [[0.0; SLOTS]; SLOTS];
    let mut g = [0.0; SLOTS];
    let mut sum = 0.0;
    for (i, p) in part.points.iter().enumerate() {
        let weight = part.weights.get(i).copied().unwrap_or(1.0);
        if weight == 0.0 {
            continue;
        }
        part.model.rows(p, |row| {
            let r = weight * row.residual;
            sum += r * row.residual;
            for (k, &i) in slots.iter().enumerate() {
                let wi = weight * row.by[i];
                g[i] += row.by[i] * r;
                for &j in &slots[k..] {
                    a[i][j] += wi * row.by[j];
                }
            }
        });
    }
    let mut matrix = SMatrix::zeros();
    for i in 0..SLOTS {
        for j in i..SLOTS {
            matrix[(i, j)] = a[i][j];
            matrix[(j, i)] = a[i][j];
        }
    }
    (matrix, Local::from(g), sum)
}

/// JᵀWJ in the problem's parameters.
pub(crate) fn information(parts: &[Part]) -> DMatrix<f64> {
    let p = parts[0].map.ncols();
    parts.iter().fold(DMatrix::zeros(p, p), |sum, part| {
        let (a, _, _) = normal_equations(part);
        sum + part.map.transpose() * DMatrix::from_column_slice(SLOTS, SLOTS, a.as_slice()) * &part.map
    })
}

fn step(part: &Part, change: &DVector<f64>) -> Model {
    let local = &part.map * change;
    part.model.moved(&Local::from_column_slice(local.as_slice()))
}

/// Iterates until the step is at rounding level, or `most` iterations are spent.
///
/// `settle` is the step (in scaled coordinates, where the points have unit size) below which
/// the iteration stops; polishing to rounding level costs two or three more steps than a coarse stop.
pub(crate) fn solve(parts: &mut [Part], settle: f64, most: usize) -> Ended {
    let p = parts[0].map.ncols();
    let mut damping = 1e-4;
    let mut iterations = 0;
    let mut now = parts.iter().map(|part| cost(part, &part.model)).sum::<f64>();
    let mut converged = p == 0;
    while !converged && iterations < most {
        let mut a = DMatrix::zeros(p, p);
        let mut g = DVector::zeros(p);
        for part in parts.iter() {
            let (local, gradient, _) = normal_equations(part);
            let local = DMatrix::from_column_slice(SLOTS, SLOTS, local.as_slice());
            a += part.map.transpose() * local * &part.map;
            g += part.map.transpose() * DVector::from_column_slice(gradient.as_slice());
        }
        // An inner loop raises the damping until a step is no worse.
        loop {
            iterations += 1;
            let mut damped = a.clone();
            for i in 0..p {
                damped[(i, i)] += damping * a[(i, i)].max(1e-12 * a.trace());
            }
            let change = match damped.cholesky() {
                Some(factor) => -factor.solve(&g),
                None => {
                    damping = (damping * 10.0).max(1e-8);
                    if damping > 1e10 || iterations >= most {
                        return Ended { converged: false, iterations };
                    }
                    continue;
                }
            };
            let moved: Vec<Model> = parts.iter().map(|part| step(part, &change)).collect();
            let then = parts.iter().zip(&moved).map(|(part, model)| cost(part, model)).sum::<f64>();
            let size = change.amax();
            // At rounding level the cost cannot tell better from worse: a small step is taken on trust.
            let level = size < 1e-6 && then <= now * (1.0 + 1e-12) + f64::MIN_POSITIVE;
            if then.is_finite() && (then <= now || level) {
                for (part, model) in parts.iter_mut().zip(moved) {
                    part.model = model;
                }
                now = then;
                damping = if damping < 1e-9 { 0.0 } else { damping * 0.1 };
                converged = size < settle;
                break;
            }
            if size < settle {
                converged = true;
                break;
            }
            damping = (damping * 10.0).max(1e-8);
            if damping > 1e12 || iterations >= most {
                return Ended { converged: false, iterations };
            }
        }
    }
    Ended { converged, iterations }
}
