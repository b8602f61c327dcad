//! One step of the registration: partners, robust weights, and the small motion that brings them together.
//!
//! For partners x (of the source, moved) and q (of the target) with unit normals m and n the residual is
//!
//! `r = ½(m + n)·(x − q)`
//!
//! (S. Rusinkiewicz, *A Symmetric Objective Function for ICP*, ACM Trans. Graphics 38 (2019) 85). It
//! vanishes wherever both lie on one circular arc, so that curvature does not bias the result when
//! the two scans' points fall in different places, as it does with the target's tangent plane alone.
//!
//! The motion is `x ← x + t + ω×(x − c)`, c the centroid of the partners: a row of the Jacobian
//! is `[½(m+n), (x − c)×½(m+n)]`.

use super::target::{Surfel, Target};
use nalgebra::{Matrix6, Vector6};
use rayon::prelude::*;
use stringline_core::{Point3, RigidTransform, Vec3};

/// Samples worked on at a time.
const SHARE: usize = 2048;

/// Partners.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pair {
    /// Of the source, in the target's frame, mm.
    pub(crate) x: Point3,
    /// The source's normal there.
    pub(crate) m: Vec3,
    /// The target's.
    pub(crate) n: Vec3,
    /// Residual, mm.
    pub(crate) r: f64,
    /// How far the surface bends away between the partners, mm: half their distance times their normals' difference.
    pub(crate) bend: f64,
}

impl Pair {
    pub(crate) fn row(&self, centre: &Point3) -> Vector6<f64> {
        row(&((self.m + self.n) * 0.5), &(self.x - centre))
    }
}

pub(crate) fn row(normal: &Vec3, arm: &Vec3) -> Vector6<f64> {
    let turn = arm.cross(normal);
    Vector6::new(normal.x, normal.y, normal.z, turn.x, turn.y, turn.z)
}

/// The partners of the samples that have one within `limit` (mm) whose normals differ by less than
/// acos(`agree`), in order of the samples.
pub(crate) fn pairs(
    samples: &[Surfel],
    oriented: bool,
    target: &Target,
    place: &RigidTransform,
    limit: f64,
    agree: f64,
) -> Pairs {
    let signed = oriented && target.oriented();
    let one = |s: &Surfel, x: Point3, q: Surfel| {
        let m = place.rotation * s.normal;
        let cosine = m.dot(&q.normal);
        let (n, cosine) = if !signed && cosine < 0.0 { (-q.normal, -cosine) } else { (q.normal, cosine) };
        (cosine >= agree).then(|| {
            let way = x - q.at;
            Pair { x, m, n, r: 0.5 * (m + n).dot(&way), bend: 0.5 * way.norm() * (m - n).norm() }
        })
    };
    let some = |samples: &[Surfel]| -> Vec<Pair> {
        let places: Vec<Point3> = samples.iter().map(|s| place * s.at).collect();
        let partners = target.partners(&places, limit);
        let mut pairs = Vec::with_capacity(samples.len());
        pairs.extend(samples.iter().zip(&places).zip(partners).filter_map(|((s, x), q)| one(s, *x, q?)));
        pairs
    };
    Pairs(samples.par_chunks(SHARE).map(some).collect())
}

/// Partners, in portions that do not depend on the number of cores, so that sums do not either.
#[derive(Clone, Debug)]
pub(crate) struct Pairs(Vec<Vec<Pair>>);

impl Pairs {
    pub(crate) fn len(&self) -> usize {
        self.0.iter().map(Vec::len).sum()
    }

    pub(crate) fn iter(&self) -> impl Iterator<Item = &Pair> {
        self.0.iter().flatten()
    }

    /// How many of them are such.
    pub(crate) fn count(&self, such: impl Fn(&Pair) -> bool + Sync) -> usize {
        self.0.par_iter().map(|part| part.iter().filter(|p| such(p)).count()).sum()
    }

    pub(crate) fn retain(&mut self, keep: impl Fn(&Pair) -> bool + Sync) {
        self.0.par_iter_mut().for_each(|part| part.retain(&keep));
    }

    /// Adds up what `part` finds of each portion.
    pub(crate) fn sum<T: Send>(&self, part: impl Fn(&[Pair]) -> T + Sync + Send, add: impl Fn(T, T) -> T) -> Option<T> {
        let parts: Vec<T> = self.0.par_iter().map(|pairs| part(pairs)).collect();
        parts.into_iter().reduce(add)
    }

    /// Takes the residuals along a small motion.
    pub(crate) fn follow(&mut self, motion: &Vector6<f64>, centre: &Point3) {
        let follow = |pair: &mut Pair| pair.r += pair.row(centre).dot(motion);
        self.0.par_iter_mut().for_each(|part| part.iter_mut().for_each(follow));
    }

    /// Their mean place, and their root-mean-square distance from it, mm.
    pub(crate) fn middle(&self) -> (Point3, f64) {
        // From a place among them, so that no digits are lost to where the frame's origin lies.
        let Some(from) = self.iter().next().map(|p| p.x) else { return (Point3::origin(), 0.0) };
        let of = |pairs: &[Pair]| {
            let steps = pairs.iter().map(|p| p.x - from);
            steps.fold((Vec3::zeros(), 0.0), |(sum, square), step| (sum + step, square + step.norm_squared()))
        };
        let (sum, square) = self.sum(of, |a, b| (a.0 + b.0, a.1 + b.1)).unwrap_or_default();
        let mean = sum / self.len() as f64;
        (from + mean, (square / self.len() as f64 - mean.norm_squared()).max(0.0).sqrt())
    }

    /// The median of the residuals' sizes, scaled to the standard deviation of a normal distribution.
    pub(crate) fn robust_scale(&self) -> f64 {
        1.4826 * self.quantile(0.5, |p| p.r.abs())
    }

    /// The value that the share `at` of the pairs stay below; 0 of none.
    pub(crate) fn quantile(&self, at: f64, value: impl Fn(&Pair) -> f64 + Sync) -> f64 {
        // Every so many suffice: a hundred thousand tell the median to half a percent.
        let stride = self.len() / 100_000 + 1;
        let some = |part: &Vec<Pair>| part.iter().step_by(stride).map(&value).collect::<Vec<f64>>();
        let mut values = self.0.par_iter().map(some).collect::<Vec<_>>().concat();
        let place = (at * values.len() as f64) as usize;
        if place < values.len() { *values.select_nth_unstable_by(place, f64::total_cmp).1 } else { 0.0 }
    }
}

/// Normal equations of the weighted residuals.
#[derive(Clone, Debug)]
pub(crate) struct Normal {
    /// `JᵀWJ`.
    pub(crate) matrix: Matrix6<f64>,
    /// `JᵀWr`.
    pub(crate) gradient: Vector6<f64>,
}

impl Normal {
    /// Pairs with a weight of 0 or less are left out.
    pub(crate) fn of(pairs: &Pairs, centre: &Point3, weight: impl Fn(&Pair) -> f64 + Sync) -> Normal {
        let empty = || Normal { matrix: Matrix6::zeros(), gradient: Vector6::zeros() };
        let part = |pairs: &[Pair]| {
            let mut sum = empty();
            for pair in pairs {
                let w = weight(pair);
                if w > 0.0 {
                    let j = pair.row(centre);
                    let wj = j * w;
                    // Column by column, the lower triangle only.
                    for c in 0..6 {
                        for r in c..6 {
                            sum.matrix[(r, c)] += wj[r] * j[c];
                        }
                    }
                    sum.gradient += wj * pair.r;
                }
            }
            sum
        };
        let mut all = pairs
            .sum(part, |a, b| Normal { matrix: a.matrix + b.matrix, gradient: a.gradient + b.gradient })
            .unwrap_or_else(empty);
        all.matrix.fill_upper_triangle_with_lower_triangle();
        all
    }

    /// The motion `[t, ω]` that brings the residuals down, `arm` (mm) making turns and shifts
    /// comparable. Directions with less than `least` of the largest pull are left alone; `damping`
    /// is a share of the largest.
    pub(crate) fn solve(&self, arm: f64, least: f64, damping: f64) -> Vector6<f64> {
        let scale = scale(arm);
        let matrix = scale * self.matrix * scale;
        let eigen = matrix.symmetric_eigen();
        let largest = eigen.eigenvalues.amax();
        let gradient = eigen.eigenvectors.transpose() * (scale * self.gradient);
        let along = Vector6::from_fn(|i, _| {
            let value = eigen.eigenvalues[i];
            if value > least * largest { -gradient[i] / (value + damping * largest) } else { 0.0 }
        });
        scale * (eigen.eigenvectors * along)
    }
}

/// Takes turns counted in mm at `arm` to radians.
pub(crate) fn scale(arm: f64) -> Matrix6<f64> {
    let turn = 1.0 / arm;
    Matrix6::from_diagonal(&Vector6::new(1.0, 1.0, 1.0, turn, turn, turn))
}

/// The placement after the motion `[t, ω]` about `centre`.
pub(crate) fn moved(place: &RigidTransform, motion: &Vector6<f64>, centre: &Point3) -> RigidTransform {
    let (t, turn) = (Vec3::new(motion[0], motion[1], motion[2]), Vec3::new(motion[3], motion[4], motion[5]));
    let rotation = nalgebra::UnitQuaternion::from_scaled_axis(turn);
    let about = centre.coords - rotation * centre.coords;
    let mut next = RigidTransform::from_parts((about + t).into(), rotation) * place;
    // Rounding must not add up over many steps.
    next.rotation.renormalize();
    next
}
