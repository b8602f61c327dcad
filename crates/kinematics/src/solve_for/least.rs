//! Least squares of a few unknowns within limits: Levenberg–Marquardt (K. Levenberg 1944, D. Marquardt 1963) with
//! Marquardt's scaling and central differences.
//!
//! Our own because the maintained crate is tied to another version of the linear algebra, and what is asked here is two or
//! three unknowns of a smooth function.

use nalgebra::{DMatrix, DVector};

/// Where the iteration ended.
#[derive(Clone, Debug)]
pub(super) struct Least {
    pub(super) x: Vec<f64>,
    pub(super) iterations: usize,
    pub(super) converged: bool,
}

/// Steps of the differences, mm.
const STEP: f64 = 1e-3;

/// Minimises the sum of squares of `residuals` from `start`, each unknown within its limits. `None` from `residuals` is a
/// place that cannot be.
pub(super) fn minimise(
    start: &[f64],
    limits: &[[f64; 2]],
    residuals: impl Fn(&[f64]) -> Option<Vec<f64>>,
) -> Option<Least> {
    let n = start.len();
    let held = |x: &mut [f64]| {
        for (v, [low, high]) in x.iter_mut().zip(limits) {
            *v = v.clamp(*low, *high);
        }
    };
    let mut x = start.to_vec();
    held(&mut x);
    let mut r = DVector::from_vec(residuals(&x)?);
    let mut damping = 1e-3;
    let mut iterations = 0;
    let mut converged = false;
    while iterations < 100 {
        iterations += 1;
        let mut jacobian = DMatrix::zeros(r.len(), n);
        for i in 0..n {
            let at = |by: f64| {
                let mut moved = x.clone();
                moved[i] += by;
                residuals(&moved)
            };
            let (up, down) = (at(STEP)?, at(-STEP)?);
            for (j, (a, b)) in up.iter().zip(&down).enumerate() {
                jacobian[(j, i)] = (a - b) / (2.0 * STEP);
            }
        }
        let gradient = jacobian.tr_mul(&r);
        let normal = jacobian.tr_mul(&jacobian);
        // An unknown at its limit that wants beyond it stays there.
        let stuck: Vec<bool> = (0..n)
            .map(|i| (x[i] <= limits[i][0] && gradient[i] > 0.0) || (x[i] >= limits[i][1] && gradient[i] < 0.0))
            .collect();
        let mut better = false;
        for _ in 0..20 {
            let mut lhs = normal.clone();
            let mut rhs = -&gradient;
            for i in 0..n {
                lhs[(i, i)] *= 1.0 + damping;
                if stuck[i] || lhs[(i, i)] == 0.0 {
                    lhs.row_mut(i).fill(0.0);
                    lhs.column_mut(i).fill(0.0);
                    lhs[(i, i)] = 1.0;
                    rhs[i] = 0.0;
                }
            }
            let step = lhs.cholesky()?.solve(&rhs);
            let mut next: Vec<f64> = x.iter().zip(step.iter()).map(|(a, b)| a + b).collect();
            held(&mut next);
            let moved = next.iter().zip(&x).fold(0.0_f64, |m, (a, b)| m.max((a - b).abs()));
            if moved < 1e-9 {
                converged = true;
                break;
            }
            match residuals(&next).map(DVector::from_vec) {
                Some(tried) if tried.norm_squared() < r.norm_squared() => {
                    let gain = 1.0 - tried.norm_squared() / r.norm_squared();
                    (x, r) = (next, tried);
                    damping = (damping * 0.2).max(1e-12);
                    better = true;
                    converged = gain < 1e-12;
                    break;
                }
                _ => damping *= 5.0,
            }
        }
        if converged || !better {
            break;
        }
    }
    Some(Least { x, iterations, converged })
}
