//! The middle of the common normal of two lines, and its length.
//!
//! With `x₁ = p₁ + s·d₁`, `x₂ = p₂ + t·d₂`, `g = x₁ − x₂`, the feet satisfy `d₁·g = 0` and
//! `d₂·g = 0`. Differentiating these with `e = δp₁ + s δd₁ − δp₂ − t δd₂` gives a 2×2 system
//! for `δs, δt`:
//!
//! ```text
//! d₁·d₁ δs − d₁·d₂ δt = −(δd₁·g + d₁·e)
//! d₁·d₂ δs − d₂·d₂ δt = −(δd₂·g + d₂·e)
//! ```
//!
//! The length changes by `ĝ·e`, since moving a foot along its own line does not change it.

use super::{Jacobian3x6, Line, beside};
use nalgebra::{Matrix2, Matrix3, RowVector3, SMatrix};
use stringline_core::{Point3, Vec3};

pub(crate) struct CommonNormal {
    pub(crate) middle: Point3,
    pub(crate) length: f64,
    pub(crate) by_first: Jacobian3x6,
    pub(crate) by_second: Jacobian3x6,
    pub(crate) length_by_first: SMatrix<f64, 1, 6>,
    pub(crate) length_by_second: SMatrix<f64, 1, 6>,
}

/// `None` if the lines are parallel to the last digit.
pub(crate) fn common_normal(first: &Line, second: &Line) -> Option<CommonNormal> {
    let (p1, d1) = (first.point, first.direction.into_inner());
    let (p2, d2) = (second.point, second.direction.into_inner());
    let w: Vec3 = p1 - p2;
    let inverse = Matrix2::new(d1.dot(&d1), -d1.dot(&d2), d1.dot(&d2), -d2.dot(&d2)).try_inverse()?;
    let feet = inverse * nalgebra::Vector2::new(-d1.dot(&w), -d2.dot(&w));
    let (s, t) = (feet.x, feet.y);
    let (x1, x2) = (p1 + d1 * s, p2 + d2 * t);
    let g = x1 - x2;
    let unit = d1.cross(&d2).try_normalize(0.0)?;
    let length = unit.dot(&g);

    // Rows of −(δd₁·g + d₁·e) and −(δd₂·g + d₂·e) by each of the four vectors, then δs and δt.
    let by = |e_scale: f64, own1: f64, own2: f64| -> (RowVector3<f64>, RowVector3<f64>) {
        let r1 = -(d1.transpose() * e_scale + g.transpose() * own1);
        let r2 = -(d2.transpose() * e_scale + g.transpose() * own2);
        (r1 * inverse.m11 + r2 * inverse.m12, r1 * inverse.m21 + r2 * inverse.m22)
    };
    let half = |(ds, dt): (RowVector3<f64>, RowVector3<f64>), direct: f64| -> Matrix3<f64> {
        (Matrix3::identity() * direct + d1 * ds + d2 * dt) * 0.5
    };
    let row = |point: f64, direction: f64| {
        let mut j = SMatrix::<f64, 1, 6>::zeros();
        j.fixed_view_mut::<1, 3>(0, 0).copy_from(&(unit.transpose() * point));
        j.fixed_view_mut::<1, 3>(0, 3).copy_from(&(unit.transpose() * direction));
        j
    };
    let sign = if length < 0.0 { -1.0 } else { 1.0 };
    Some(CommonNormal {
        middle: nalgebra::center(&x1, &x2),
        length: length.abs(),
        by_first: beside(half(by(1.0, 0.0, 0.0), 1.0), half(by(s, 1.0, 0.0), s)),
        by_second: beside(half(by(-1.0, 0.0, 0.0), 1.0), half(by(-t, 0.0, 1.0), t)),
        length_by_first: row(sign, sign * s),
        length_by_second: row(-sign, -sign * t),
    })
}
