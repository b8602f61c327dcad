//! How far a feature may be off, one number for each way.

use crate::feature::{Feature, Kind};
use nalgebra::{DMatrix, Matrix3};
use serde::Serialize;
use stringline_core::covariance::{coverage_factor, largest_sigma, sigma_along};

/// One number for each way a feature may be off: standard deviations, or half-widths at 95 %.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Spread {
    /// Of the point, mm: across the axis, along a plane's normal, in any direction for a
    /// centre; the largest.
    pub position: f64,
    /// Of the direction, the largest.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub direction_deg: Option<f64>,
    /// mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub radius: Option<f64>,
    /// Of half the included angle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub half_angle_deg: Option<f64>,
}

impl Feature {
    /// One standard deviation of each way the feature may be off.
    pub fn sigma(&self) -> Spread {
        standard(self).0
    }

    /// Half-widths of the regions that hold the truth with 95 % probability.
    pub fn u95(&self) -> Spread {
        let (sigma, dimensions) = standard(self);
        let k = |dimensions| coverage_factor(dimensions, self.noise.degrees_of_freedom);
        Spread {
            position: sigma.position * k(dimensions),
            direction_deg: sigma.direction_deg.map(|s| s * k(2)),
            radius: sigma.radius.map(|s| s * k(1)),
            half_angle_deg: sigma.half_angle_deg.map(|s| s * k(1)),
        }
    }
}

/// Standard deviations, and in how many directions the position may be off.
fn standard(feature: &Feature) -> (Spread, usize) {
    let shape = &feature.shape;
    let c = &feature.covariance;
    let block = |at: usize| Matrix3::from_fn(|row, column| c[(at + row, at + column)]);
    let largest = |m: Matrix3<f64>| largest_sigma(&DMatrix::from_column_slice(3, 3, m.as_slice()));
    let (position, dimensions) = match (shape.kind(), shape.direction()) {
        (Kind::Plane, Some(normal)) => (sigma_along(&block(0), &normal), 1),
        (Kind::Cylinder | Kind::Cone, Some(axis)) => {
            let across = Matrix3::identity() - axis.as_ref() * axis.transpose();
            (largest(across * block(0) * across), 2)
        }
        _ => (largest(block(0)), 3),
    };
    let mut next = if shape.direction().is_some() { 6 } else { 3 };
    let mut scalar = |has: bool| {
        has.then(|| {
            next += 1;
            c[(next - 1, next - 1)].max(0.0).sqrt()
        })
    };
    let spread = Spread {
        position,
        direction_deg: shape.direction().map(|_| largest(block(3)).to_degrees()),
        radius: scalar(shape.radius().is_some()),
        half_angle_deg: scalar(shape.half_angle().is_some()).map(f64::to_degrees),
    };
    (spread, dimensions)
}
