//! Where a line meets the mid-plane of two faces.
//!
//! The mid-plane holds the points equally far from both planes and between them. With the
//! second normal turned to agree with the first (`n₂ := ±n₂`) it is
//! `n₁·(x − q₁) + n₂·(x − q₂) = 0`; the line is met and differentiated as in `axis_plane`.

use super::{Jacobian3x6, Line, Plane, beside};
use nalgebra::Matrix3;
use stringline_core::Point3;

pub(crate) struct Middle {
    pub(crate) point: Point3,
    pub(crate) by_line: Jacobian3x6,
    pub(crate) by_first: Jacobian3x6,
    pub(crate) by_second: Jacobian3x6,
}

/// The caller has seen to it that the faces are not square to each other and the line is not
/// parallel to them.
pub(crate) fn middle(line: &Line, first: &Plane, second: &Plane) -> Middle {
    let (p, d) = (line.point, line.direction.into_inner());
    let n1 = first.normal.into_inner();
    let sign = n1.dot(&second.normal).signum();
    let n2 = second.normal.into_inner() * sign;
    let m = n1 + n2;
    let slope = m.dot(&d);
    let t = -(n1.dot(&(p - first.point)) + n2.dot(&(p - second.point))) / slope;
    let x = p + d * t;
    let hold = Matrix3::identity() - d * m.transpose() / slope;
    let by_face = |face: &Plane, n: nalgebra::Vector3<f64>, sign: f64| {
        beside(d * n.transpose() / slope, -d * (x - face.point).transpose() * (sign / slope))
    };
    Middle {
        point: x,
        by_line: beside(hold, hold * t),
        by_first: by_face(first, n1, 1.0),
        by_second: by_face(second, n2, sign),
    }
}
