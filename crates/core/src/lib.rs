//! What every Stringline crate shares: geometry aliases, units, covariance,
//! tolerances and the vocabulary of errors.
//!
//! Lengths are millimetres and angles radians, in `f64`, everywhere inside.
//! Degrees appear only on screen, on the command line and in reports, in fields
//! whose names end in `_deg`.

pub mod colour;
pub mod covariance;
pub mod explain;
pub mod tolerance;
pub mod tyre;
pub mod units;
pub mod words;

pub use explain::Explain;

/// A position, mm.
pub type Point3 = nalgebra::Point3<f64>;
/// A displacement (mm) or a direction (unitless).
pub type Vec3 = nalgebra::Vector3<f64>;
/// A direction of unit length.
pub type UnitVec3 = nalgebra::UnitVector3<f64>;
/// A rotation and a translation. Name variables target first: `car_from_scan`.
pub type RigidTransform = nalgebra::Isometry3<f64>;

/// Two unit vectors that complete `direction` to a right-handed frame `(u, v, direction)`.
///
/// The choice is deterministic, so that a replayed job gives the same numbers.
pub fn frame_about(direction: &UnitVec3) -> (Vec3, Vec3) {
    let d = direction.as_ref();
    // The coordinate axis least aligned with `d` keeps the cross product well conditioned.
    let smallest = d.iamin();
    let helper = Vec3::ith(smallest, 1.0);
    let u = helper.cross(d).normalize();
    let v = d.cross(&u);
    (u, v)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frame_is_right_handed_and_orthonormal() {
        for d in [
            Vec3::new(1.0, 0.0, 0.0),
            Vec3::new(0.0, -1.0, 0.0),
            Vec3::new(0.3, -0.4, 0.5),
            Vec3::new(-1e-9, 1e-9, 1.0),
        ] {
            let d = UnitVec3::new_normalize(d);
            let (u, v) = frame_about(&d);
            assert!((u.norm() - 1.0).abs() < 1e-15 && (v.norm() - 1.0).abs() < 1e-15);
            assert!((u.cross(&v) - d.as_ref()).norm() < 1e-15);
        }
    }
}
