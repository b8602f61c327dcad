//! Features made by hand, with covariances that respect their constraints.
#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

pub(crate) mod corner;

use nalgebra::{DMatrix, DVector, Translation3, UnitQuaternion};
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};
use stringline_fit::{Extent, Feature, Noise, Shape, Side};
use stringline_hardpoints::{Construction, Inputs};

pub(crate) fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

pub(crate) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    rng.sample(StandardNormal)
}

/// Any rotation, and up to 2 m along each axis.
pub(crate) fn any_motion() -> impl Strategy<Value = RigidTransform> {
    let shift = prop::array::uniform3(-2000.0f64..2000.0);
    let turn = prop::array::uniform3(-3.0f64..3.0);
    (shift, turn).prop_map(|(t, w)| {
        RigidTransform::from_parts(Translation3::from(t), UnitQuaternion::from_scaled_axis(Vec3::from(w)))
    })
}

pub(crate) fn unit(x: f64, y: f64, z: f64) -> UnitVec3 {
    UnitVec3::new_normalize(Vec3::new(x, y, z))
}

/// The ways the parameters can move: columns span the space their covariance may fill. A reported
/// point moves across its direction (a plane's along its normal), a direction across itself.
pub(crate) fn tangent(shape: &Shape) -> DMatrix<f64> {
    let n = shape.parameters().len();
    let mut columns: Vec<DVector<f64>> = Vec::new();
    let mut push = |at: usize, v: &[f64]| {
        let mut c = DVector::zeros(n);
        c.rows_mut(at, v.len()).copy_from_slice(v);
        columns.push(c);
    };
    match shape.direction() {
        None => (0..3).for_each(|i| push(i, &[1.0])),
        Some(d) => {
            let (u, v) = frame_about(&d);
            match shape {
                Shape::Plane { .. } => push(0, d.as_slice()),
                Shape::Circle { .. } => (0..3).for_each(|i| push(i, &[1.0])),
                _ => [u, v].iter().for_each(|w| push(0, w.as_slice())),
            }
            [u, v].iter().for_each(|w| push(3, w.as_slice()));
        }
    }
    let scalars = shape.radius().iter().count() + shape.half_angle().iter().count();
    (n - scalars..n).for_each(|i| push(i, &[1.0]));
    DMatrix::from_columns(&columns)
}

/// A feature with a random, fully correlated covariance: `size` mm and `size`/10 rad.
pub(crate) fn feature(shape: Shape, size: f64, nu: f64, rng: &mut ChaCha8Rng) -> Feature {
    let t = tangent(&shape);
    let k = t.ncols();
    let mix = DMatrix::from_fn(k, k, |i, j| 0.4 * normal(rng) + if i == j { 1.0 } else { 0.0 });
    let mut root = t * mix * size;
    if shape.direction().is_some() {
        for r in 3..6 {
            root.row_mut(r).scale_mut(0.1);
        }
    }
    if shape.half_angle().is_some() {
        root.row_mut(7).scale_mut(0.1);
    }
    Feature {
        shape,
        covariance: &root * root.transpose(),
        noise: Noise { sigma: 0.03, correlated_share: 0.5, correlation_length: 1.0, degrees_of_freedom: nu },
        extent: Extent { along: [-12.0, 12.0], across: 9.0, arc: 4.0 },
        side: Side::Internal,
        rms: 0.03,
        form_error: 0.16,
        used: 800,
        rejected: 20,
        left_out: Vec::new(),
        converged: true,
        iterations: 6,
    }
}

/// The feature with its parameters moved, directions kept at unit length.
pub(crate) fn moved(f: &Feature, by: &DVector<f64>) -> Feature {
    let v = |at: usize| Vec3::new(by[at], by[at + 1], by[at + 2]);
    let turn = |d: UnitVec3| UnitVec3::new_normalize(d.into_inner() + v(3));
    let shape = match f.shape {
        Shape::Plane { point, normal } => Shape::Plane { point: point + v(0), normal: turn(normal) },
        Shape::Cylinder { point, direction, radius } => {
            Shape::Cylinder { point: point + v(0), direction: turn(direction), radius: radius + by[6] }
        }
        Shape::Cone { point, direction, radius, half_angle } => Shape::Cone {
            point: point + v(0),
            direction: turn(direction),
            radius: radius + by[6],
            half_angle: half_angle + by[7],
        },
        Shape::Sphere { centre, radius } => Shape::Sphere { centre: centre + v(0), radius: radius + by[3] },
        Shape::Circle { centre, normal, radius } => {
            Shape::Circle { centre: centre + v(0), normal: turn(normal), radius: radius + by[6] }
        }
    };
    Feature { shape, ..f.clone() }
}

/// A bench of features in general position, as on a knuckle.
pub(crate) fn bench(seed: u64) -> Vec<(&'static str, Feature)> {
    let mut r = rng(seed);
    let p = |x, y, z| Point3::new(x, y, z);
    let shapes = [
        ("bore", Shape::Cylinder { point: p(10.0, -4.0, 33.0), direction: unit(0.1, -0.2, 0.97), radius: 8.0 }),
        ("pin", Shape::Cylinder { point: p(35.0, 18.0, 60.0), direction: unit(0.9, 0.3, -0.1), radius: 6.0 }),
        (
            "taper",
            Shape::Cone {
                point: p(-20.0, 50.0, 12.0),
                direction: unit(-0.2, 0.5, 0.8),
                radius: 7.0,
                half_angle: 0.0624,
            },
        ),
        ("face", Shape::Plane { point: p(0.0, 3.0, 75.0), normal: unit(0.15, 0.05, 0.95) }),
        ("back", Shape::Plane { point: p(4.0, -3.0, 41.0), normal: unit(-0.05, 0.1, -0.97) }),
        ("ball", Shape::Sphere { centre: p(80.0, -10.0, 5.0), radius: 11.0 }),
        ("rim", Shape::Circle { centre: p(-30.0, -25.0, 40.0), normal: unit(0.3, 0.9, 0.2), radius: 15.0 }),
    ];
    shapes
        .into_iter()
        .enumerate()
        .map(|(i, (name, shape))| (name, feature(shape, 0.01, 40.0 + 10.0 * i as f64, &mut r)))
        .collect()
}

pub(crate) fn inputs(features: &[(&'static str, Feature)]) -> Inputs {
    let mut inputs = Inputs::default();
    for (name, f) in features {
        inputs.add_feature(*name, f.clone()).unwrap();
    }
    inputs
}

/// One of every construction on the bench.
pub(crate) fn every_construction() -> Vec<Construction> {
    use Construction as C;
    let s = |x: &str| x.to_owned();
    vec![
        C::SphereCentre { sphere: s("ball") },
        C::CircleCentre { circle: s("rim") },
        C::AxisMeetsPlane { axis: s("bore"), plane: s("face") },
        C::AxisMeetsPlane { axis: s("rim"), plane: s("face") },
        C::MidPlaneOnAxis { first: s("face"), second: s("back"), axis: s("bore") },
        C::PointOnAxis { axis: s("taper"), face: s("face"), distance: 25.0, towards: Some(s("back")) },
        C::PointOnAxis { axis: s("bore"), face: s("face"), distance: 25.0, towards: None },
        C::NearestPoints { first: s("bore"), second: s("pin") },
        C::ConeAtDiameter { cone: s("taper"), diameter: 13.0 },
        C::MidPoint { first: s("ball"), second: s("rim") },
        C::AxisThrough { from: s("ball"), to: s("rim") },
        C::Axis { axis: s("bore") },
        C::Axis { axis: s("taper") },
        C::Face { plane: s("face") },
        C::OffsetAlongAxis { point: s("ball"), axis: s("pin"), distance: 30.0, towards: Some(s("taper")) },
    ]
}
