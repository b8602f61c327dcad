//! Cylinder: d = ρ − r with ρ = √(x² + y²) the distance from the axis (Shakarji 1998).

use super::{RADIUS, Row, SHIFT_U, SHIFT_V, SLOTS, TILT_U, TILT_V};

pub(super) fn distance([x, y, _]: [f64; 3], radius: f64) -> f64 {
    (x * x + y * y).sqrt() - radius
}

pub(super) fn row([x, y, z]: [f64; 3], radius: f64) -> Row {
    let rho = (x * x + y * y).sqrt();
    // On the axis itself no direction is outward; such a point pulls on nothing but the radius.
    let (cx, cy) = if rho > 0.0 { (x / rho, y / rho) } else { (0.0, 0.0) };
    let mut by = [0.0; SLOTS];
    by[SHIFT_U] = -cx;
    by[SHIFT_V] = -cy;
    by[TILT_U] = -z * cx;
    by[TILT_V] = -z * cy;
    by[RADIUS] = -1.0;
    Row { residual: rho - radius, by }
}
