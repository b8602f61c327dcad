//! The geometry of each construction with its analytic derivatives, one a file.
//!
//! Every function returns the result's numbers and, for each input, the derivative by that
//! input's numbers (position, then direction). Derivatives treat a direction as three free
//! numbers in the formula as written; a covariance of a unit direction has no part along it, so
//! this changes nothing in `J·C·Jᵀ`.

pub(crate) mod axis_plane;
pub(crate) mod axis_through;
pub(crate) mod common_normal;
pub(crate) mod cone_gauge;
pub(crate) mod mid_plane;

use stringline_core::{Point3, UnitVec3};

/// A line as an input.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    pub(crate) point: Point3,
    pub(crate) direction: UnitVec3,
}

/// A plane as an input.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Plane {
    pub(crate) point: Point3,
    pub(crate) normal: UnitVec3,
}

/// Three numbers by six.
pub(crate) type Jacobian3x6 = nalgebra::SMatrix<f64, 3, 6>;

/// `[a | b]` of two 3×3 blocks.
pub(crate) fn beside(a: nalgebra::Matrix3<f64>, b: nalgebra::Matrix3<f64>) -> Jacobian3x6 {
    let mut j = Jacobian3x6::zeros();
    j.fixed_view_mut::<3, 3>(0, 0).copy_from(&a);
    j.fixed_view_mut::<3, 3>(0, 3).copy_from(&b);
    j
}
