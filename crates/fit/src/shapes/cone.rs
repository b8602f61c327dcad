//! Cone: d = (ρ − s)·cos ψ − z·sin ψ with ρ the distance from the axis, z the coordinate
//! along it, s the radius at z = 0 and ψ the half angle (Shakarji 1998, his f·cosψ + g·sinψ − s).

use super::{HALF_ANGLE, RADIUS, Row, SHIFT_U, SHIFT_V, SHIFT_W, SLOTS, TILT_U, TILT_V};

pub(super) fn distance([x, y, z]: [f64; 3], radius: f64, (sin, cos): (f64, f64)) -> f64 {
    ((x * x + y * y).sqrt() - radius) * cos - z * sin
}

pub(super) fn row([x, y, z]: [f64; 3], radius: f64, (sin, cos): (f64, f64)) -> Row {
    let rho = (x * x + y * y).sqrt();
    let (cx, cy) = if rho > 0.0 { (x / rho, y / rho) } else { (0.0, 0.0) };
    let mut by = [0.0; SLOTS];
    by[SHIFT_U] = -cx * cos;
    by[SHIFT_V] = -cy * cos;
    // Sliding along the axis does what a larger radius does, so only one of them is freed.
    by[SHIFT_W] = sin;
    by[TILT_U] = -z * cx * cos - x * sin;
    by[TILT_V] = -z * cy * cos - y * sin;
    by[RADIUS] = -cos;
    by[HALF_ANGLE] = -(rho - radius) * sin - z * cos;
    Row { residual: (rho - radius) * cos - z * sin, by }
}
