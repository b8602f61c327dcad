//! Circle in space: d² = (ρ − r)² + z², so each point gives two residuals: a cylinder's
//! in the circle's plane and a plane's square to it.

use super::{Row, cylinder, plane};

pub(super) fn distance([x, y, z]: [f64; 3], radius: f64) -> f64 {
    ((x * x + y * y).sqrt() - radius).hypot(z)
}

pub(super) fn rows(q: [f64; 3], radius: f64) -> [Row; 2] {
    [cylinder::row(q, radius), plane::row(q)]
}
