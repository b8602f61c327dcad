//! Plane: d = z in the plane's own frame.

use super::{Row, SHIFT_W, SLOTS, TILT_U, TILT_V};

pub(super) fn distance([_, _, z]: [f64; 3]) -> f64 {
    z
}

pub(super) fn row([x, y, z]: [f64; 3]) -> Row {
    let mut by = [0.0; SLOTS];
    by[SHIFT_W] = -1.0;
    by[TILT_U] = x;
    by[TILT_V] = y;
    Row { residual: z, by }
}
