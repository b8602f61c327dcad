//! Where a line meets a plane, or the plane's parallel at a height above it.
//!
//! With the line `x = p + t·d` and the plane `n·(x − q) = h`:
//! `t = (h − n·(p − q)) / (n·d)`. Differentiating `n·(x − q) = h` gives
//! `n·d δt = −δn·(x − q) − n·(δp + t δd − δq)` and `δx = δp + t δd + d δt`.

use super::{Jacobian3x6, Line, Plane, beside};
use nalgebra::Matrix3;
use stringline_core::Point3;

pub(crate) struct Meeting {
    pub(crate) point: Point3,
    pub(crate) by_line: Jacobian3x6,
    pub(crate) by_plane: Jacobian3x6,
}

/// The caller has seen to it that the line is not parallel to the plane.
pub(crate) fn meet(line: &Line, plane: &Plane, height: f64) -> Meeting {
    let (p, d) = (line.point, line.direction.into_inner());
    let (q, n) = (plane.point, plane.normal.into_inner());
    let slope = n.dot(&d);
    let t = (height - n.dot(&(p - q))) / slope;
    let x = p + d * t;
    // d·nᵀ/(n·d): what shifts the meeting point along the line.
    let slide = d * n.transpose() / slope;
    let hold = Matrix3::identity() - slide;
    Meeting { point: x, by_line: beside(hold, hold * t), by_plane: beside(slide, -d * (x - q).transpose() / slope) }
}
