//! Sphere: d = √(x² + y² + z²) − r.

use super::{RADIUS, Row, SHIFT_U, SHIFT_V, SHIFT_W, SLOTS};

pub(super) fn distance([x, y, z]: [f64; 3], radius: f64) -> f64 {
    (x * x + y * y + z * z).sqrt() - radius
}

pub(super) fn row([x, y, z]: [f64; 3], radius: f64) -> Row {
    let rho = (x * x + y * y + z * z).sqrt();
    let mut by = [0.0; SLOTS];
    if rho > 0.0 {
        by[SHIFT_U] = -x / rho;
        by[SHIFT_V] = -y / rho;
        by[SHIFT_W] = -z / rho;
    }
    by[RADIUS] = -1.0;
    Row { residual: rho - radius, by }
}
