//! The line from one point to another, reported at their middle.
//!
//! `x = (a + b)/2`, `d = (b − a)/L`, `δd = (1 − d·dᵀ)(δb − δa)/L`.

use nalgebra::{Matrix3, SMatrix};
use stringline_core::{Point3, UnitVec3};

pub(crate) struct Through {
    pub(crate) middle: Point3,
    pub(crate) direction: UnitVec3,
    pub(crate) by_from: SMatrix<f64, 6, 3>,
    pub(crate) by_to: SMatrix<f64, 6, 3>,
}

/// `None` if the points coincide within `tolerance`, mm.
pub(crate) fn through(from: &Point3, to: &Point3, tolerance: f64) -> Option<Through> {
    let (direction, length) = UnitVec3::try_new_and_get(to - from, tolerance)?;
    let across = (Matrix3::identity() - direction.as_ref() * direction.transpose()) / length;
    let jacobian = |sign: f64| {
        let mut j = SMatrix::<f64, 6, 3>::zeros();
        j.fixed_view_mut::<3, 3>(0, 0).copy_from(&(Matrix3::identity() * 0.5));
        j.fixed_view_mut::<3, 3>(3, 0).copy_from(&(across * sign));
        j
    };
    Some(Through { middle: nalgebra::center(from, to), direction, by_from: jacobian(-1.0), by_to: jacobian(1.0) })
}
