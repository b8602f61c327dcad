//! Small motions: shift t and turn θ about the origin, six numbers, x ↦ x + t + θ×x.

use nalgebra::{Matrix6, Translation3, UnitQuaternion, Vector6};
use stringline_core::{Point3, RigidTransform, Vec3};

/// Where a scan's motion is counted from, so that shift and turn are of one size and hardly depend on each
/// other: the middle of its datums and their spread.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pivot {
    /// In the car's frame, mm.
    pub(crate) centre: Point3,
    /// mm.
    pub(crate) lever: f64,
}

impl Pivot {
    /// Of points in the car's frame.
    pub(crate) fn of(points: &[Point3]) -> Pivot {
        let n = points.len().max(1) as f64;
        let centre = Point3::from(points.iter().map(|p| p.coords).sum::<Vec3>() / n);
        let spread = (points.iter().map(|p| (p - centre).norm_squared()).sum::<f64>() / n).sqrt();
        // A single ball has no spread; a hand's width is as good as any.
        Pivot { centre, lever: spread.max(50.0) }
    }

    /// Takes shift (mm) and turn times lever (mm) about the pivot to shift and turn about the origin.
    pub(crate) fn to_origin(self) -> Matrix6<f64> {
        let mut m = Matrix6::identity();
        // t = shift − θ×c = shift + c×θ.
        m.fixed_view_mut::<3, 3>(0, 3).copy_from(&(self.centre.coords.cross_matrix() / self.lever));
        m.fixed_view_mut::<3, 3>(3, 3).copy_from(&(nalgebra::Matrix3::identity() / self.lever));
        m
    }

    /// A placement moved by shift and turn times lever about the pivot; the turn is done in full.
    pub(crate) fn moved(self, placement: &RigidTransform, by: &Vector6<f64>) -> RigidTransform {
        let (shift, turn) = (by.fixed_rows::<3>(0).into_owned(), by.fixed_rows::<3>(3) / self.lever);
        let rotation = UnitQuaternion::from_scaled_axis(turn);
        let about = Translation3::from(self.centre.coords + shift) * rotation * Translation3::from(-self.centre.coords);
        let mut moved = about * placement;
        moved.rotation.renormalize();
        moved
    }
}

/// Takes a small motion in a frame to the same motion in the car's: t' = R t + p×(R θ), θ' = R θ.
pub(crate) fn carried(car_from: &RigidTransform) -> Matrix6<f64> {
    let r = *car_from.rotation.to_rotation_matrix().matrix();
    let mut m = Matrix6::zeros();
    m.fixed_view_mut::<3, 3>(0, 0).copy_from(&r);
    m.fixed_view_mut::<3, 3>(3, 3).copy_from(&r);
    m.fixed_view_mut::<3, 3>(0, 3).copy_from(&(car_from.translation.vector.cross_matrix() * r));
    m
}
