//! The point of a cone's axis where its diameter is a given one.
//!
//! With the cone's point `p`, direction `d` (towards the wide end), radius `r` there and half
//! angle `α`: `t = (D/2 − r)/tan α`, `x = p + t·d`, `δt = −δr/tan α − (D/2 − r)/sin²α δα`.

use nalgebra::{Matrix3, SMatrix};
use stringline_core::{Point3, UnitVec3};

pub(crate) struct Gauge {
    pub(crate) point: Point3,
    /// Distance from the cone's point along its direction, mm.
    pub(crate) along: f64,
    /// By point, direction, radius and half angle.
    pub(crate) by_cone: SMatrix<f64, 3, 8>,
}

pub(crate) fn at_diameter(point: Point3, direction: UnitVec3, radius: f64, half_angle: f64, diameter: f64) -> Gauge {
    let d = direction.into_inner();
    let (sin, cos) = half_angle.sin_cos();
    let rise = 0.5 * diameter - radius;
    let t = rise * cos / sin;
    let mut j = SMatrix::<f64, 3, 8>::zeros();
    j.fixed_view_mut::<3, 3>(0, 0).copy_from(&Matrix3::identity());
    j.fixed_view_mut::<3, 3>(0, 3).copy_from(&(Matrix3::identity() * t));
    j.fixed_view_mut::<3, 1>(0, 6).copy_from(&(-d * cos / sin));
    j.fixed_view_mut::<3, 1>(0, 7).copy_from(&(-d * rise / (sin * sin)));
    Gauge { point: point + d * t, along: t, by_cone: j }
}
