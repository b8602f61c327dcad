//! What a fitted feature states of itself, held against the truth.

use nalgebra::{DMatrix, DVector};
use stringline_core::covariance::coverage_factor;
use stringline_core::{Vec3, frame_about};
use stringline_fit::{Feature, Shape};

/// One quantity of one feature: its squared error, whether the stated 95 % region held the truth,
/// the stated variance.
#[derive(Clone, Copy, Debug)]
pub struct Shown {
    /// mm² or rad².
    pub error: f64,
    /// Whether the region held it.
    pub within: bool,
    /// The sum over the directions of the error, mm² or rad².
    pub variance: f64,
}

/// What a feature shows of each quantity it has.
#[derive(Clone, Copy, Debug)]
pub struct Stated {
    /// Of a plane along its normal, of an axis across itself, of a ball in space.
    pub position: Shown,
    /// Two-dimensional.
    pub tilt: Option<Shown>,
    /// Of a taper: at the stated point.
    pub radius: Option<Shown>,
}

fn show(error: DVector<f64>, covariance: DMatrix<f64>, degrees_of_freedom: f64) -> Shown {
    let k = coverage_factor(error.len(), degrees_of_freedom);
    let variance = covariance.trace();
    let distance =
        covariance.try_inverse().map_or(f64::INFINITY, |inverse| (error.transpose() * inverse * &error)[(0, 0)]);
    Shown { error: error.norm_squared(), within: distance <= k * k, variance }
}

impl Stated {
    /// `truth` in the frame of the feature; `None` where they are of different kinds.
    pub fn of(truth: &Shape, feature: &Feature) -> Option<Stated> {
        let shape = &feature.shape;
        if shape.kind() != truth.kind() {
            return None;
        }
        let nu = feature.noise.degrees_of_freedom;
        let off: Vec3 = shape.point() - truth.point();
        let along = |directions: &[Vec3], from: usize, error: &Vec3| {
            let by = DMatrix::from_columns(
                &directions.iter().map(|d| DVector::from_column_slice(d.as_slice())).collect::<Vec<_>>(),
            );
            let block = feature.covariance.view((from, from), (3, 3));
            show(by.tr_mul(&DVector::from_column_slice(error.as_slice())), by.tr_mul(&block) * &by, nu)
        };
        let Some(axis) = truth.direction() else {
            let radius = shape.radius()? - truth.radius()?;
            return Some(Stated {
                position: along(&[Vec3::x(), Vec3::y(), Vec3::z()], 0, &off),
                tilt: None,
                radius: Some(of_one(radius, feature.covariance[(3, 3)], nu)),
            });
        };
        let (u, v) = frame_about(&axis);
        let axis = axis.into_inner();
        let direction = shape.direction()?.into_inner();
        let tilt = Some(along(&[u, v], 3, &(direction * direction.dot(&axis).signum())));
        let (position, radius) = match (truth.radius(), shape.radius()) {
            (Some(true_radius), Some(radius)) => {
                let here = true_radius + truth.half_angle().map_or(0.0, f64::tan) * axis.dot(&off);
                (along(&[u, v], 0, &off), Some(of_one(radius - here, feature.covariance[(6, 6)], nu)))
            }
            _ => (along(&[axis], 0, &off), None),
        };
        Some(Stated { position, tilt, radius })
    }
}

fn of_one(error: f64, variance: f64, degrees_of_freedom: f64) -> Shown {
    show(DVector::from_element(1, error), DMatrix::from_element(1, 1, variance), degrees_of_freedom)
}

/// A quantity over many features.
#[derive(Clone, Copy, Debug)]
pub struct Tally {
    /// How many.
    pub count: usize,
    /// Share of them whose region held the truth.
    pub cover: f64,
    /// Root-mean-square error, mm or rad.
    pub error: f64,
    /// Median stated standard deviation over that.
    pub ratio: f64,
}

impl Tally {
    /// Counts them.
    pub fn of(shown: impl Iterator<Item = Shown>) -> Tally {
        let all: Vec<Shown> = shown.collect();
        let count = all.len().max(1) as f64;
        let error = (all.iter().map(|s| s.error).sum::<f64>() / count).sqrt();
        Tally {
            count: all.len(),
            cover: all.iter().filter(|s| s.within).count() as f64 / count,
            error,
            ratio: median(all.iter().map(|s| s.variance.sqrt()).collect()) / error,
        }
    }
}

/// The middle of them; NaN of none.
pub fn median(mut of: Vec<f64>) -> f64 {
    of.sort_by(f64::total_cmp);
    of.get(of.len() / 2).copied().unwrap_or(f64::NAN)
}
