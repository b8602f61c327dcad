//! Joint features: the relation holds exactly, and knowing more makes less uncertain.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use stringline_core::{Point3, Vec3};
use stringline_fit::{FitError, FitSettings, JointPart, Kind, Relation, Shape, fit, fit_joint};
use stringline_testkit::patches::{Case, Painted, SimulatedPatch};

const SETTINGS: FitSettings = FitSettings { keep_all: false, held_radius: None };

fn bore(radius: f64, half_angle: f64) -> Case {
    Case {
        name: "bore",
        painted: Painted::Round { radius, half_angle, length: 20.0, arcs: vec![[0.0, std::f64::consts::TAU]] },
        points: 2000,
        sigma: 0.03,
    }
}

/// A patch moved into the frame `x, y, z` at `to` (columns: images of the shape's own axes).
fn placed(case: &Case, seed: u64, axes: [Vec3; 3], to: Vec3) -> SimulatedPatch {
    let patch = case.simulate(seed, None);
    // Undo the random frame of the simulation, then place.
    let back = nalgebra::Rotation3::rotation_between(&patch.direction, &Vec3::z()).unwrap();
    let m = nalgebra::Matrix3::from_columns(&axes);
    SimulatedPatch {
        points: patch.points.iter().map(|p| Point3::from(m * (back * (p - patch.point)) + to)).collect(),
        normals: patch.normals.iter().map(|n| m * (back * n)).collect(),
        ..patch
    }
}

fn part<'a>(patch: &'a SimulatedPatch, kind: Kind) -> JointPart<'a> {
    JointPart { points: &patch.points, normals: &patch.normals, kind, settings: &SETTINGS }
}

fn x_axis() -> [Vec3; 3] {
    [Vec3::y(), Vec3::z(), Vec3::x()]
}

/// Both bushings of an arm, 240 mm apart: the direction is known some ten times better together than from
/// either alone, and the truth lies within what is stated.
#[test]
fn bushings_on_a_common_axis() {
    let mut outside = 0;
    for seed in 0..20 {
        let a = placed(&bore(16.0, 0.0), 2 * seed, x_axis(), Vec3::new(-120.0, 5.0, 7.0));
        let b = placed(&bore(14.0, 0.0), 2 * seed + 1, x_axis(), Vec3::new(120.0, 5.0, 7.0));
        let joint = fit_joint(&[part(&a, Kind::Cylinder), part(&b, Kind::Cylinder)], Relation::CommonAxis).unwrap();
        let [f, g] = joint.features.as_slice() else { panic!("two features") };
        let (d, e) = (f.shape.direction().unwrap(), g.shape.direction().unwrap());
        assert!(d.cross(&e).norm() < 1e-14, "one direction");
        let between = g.shape.point() - f.shape.point();
        assert!(between.cross(&d).norm() < 1e-10, "one axis: off by {:e} mm", between.cross(&d).norm());
        let alone = fit(&a.points, &a.normals, Kind::Cylinder, &SETTINGS).unwrap();
        let tilt = |c: &nalgebra::DMatrix<f64>| (c[(4, 4)] + c[(5, 5)]).sqrt();
        assert!(tilt(&f.covariance) < 0.15 * tilt(&alone.covariance));
        assert!((f.shape.radius().unwrap() - 16.0).abs() < 0.005 && (g.shape.radius().unwrap() - 14.0).abs() < 0.005);
        let off = (f.shape.point().coords - Vec3::new(-120.0, 5.0, 7.0)).yz();
        let c = f.covariance.fixed_view::<2, 2>(1, 1).into_owned();
        let k = stringline_core::covariance::coverage_factor(2, f.noise.degrees_of_freedom);
        if off.dot(&(c.try_inverse().unwrap() * off)).sqrt() > k {
            outside += 1;
        }
    }
    // One in twenty is expected outside; five or more happen once in 400.
    assert!(outside < 5, "{outside} of 20 outside the stated 95 % region");
}

/// A bore and a taper on one axis, the taper opening the other way.
#[test]
fn a_taper_shares_an_axis_with_a_bore() {
    let a = placed(&bore(16.0, 0.0), 1, x_axis(), Vec3::zeros());
    let b = placed(&bore(8.0, 0.0624), 2, [Vec3::y(), -Vec3::z(), -Vec3::x()], Vec3::new(50.0, 0.0, 0.0));
    let joint = fit_joint(&[part(&a, Kind::Cylinder), part(&b, Kind::Cone)], Relation::CommonAxis).unwrap();
    let Shape::Cone { direction, half_angle, .. } = joint.features[1].shape else { panic!("a cone") };
    assert!((half_angle - 0.0624).abs() < 0.001, "{half_angle}");
    assert!(direction.x < -0.999, "from the apex to the wide end: {direction:?}");
    assert!(joint.features[0].shape.direction().unwrap().cross(&direction).norm() < 1e-14);
    assert!(joint.features.iter().all(|f| f.rms < 0.033));
}

#[test]
fn parallel_and_square_faces() {
    let plane = Case { name: "face", painted: Painted::Plane { sides: [30.0, 20.0] }, points: 1500, sigma: 0.03 };
    let up = [Vec3::x(), Vec3::y(), Vec3::z()];
    let a = placed(&plane, 1, up, Vec3::zeros());
    let b = placed(&plane, 2, up, Vec3::new(3.0, 2.0, 25.0));
    let joint = fit_joint(&[part(&a, Kind::Plane), part(&b, Kind::Plane)], Relation::Parallel).unwrap();
    let [n, m] = [0, 1].map(|i| joint.features[i].shape.direction().unwrap());
    assert!(n.cross(&m).norm() < 1e-14);
    let gap = n.dot(&(joint.features[1].shape.point() - joint.features[0].shape.point())).abs();
    assert!((gap - 25.0).abs() < 0.01, "{gap}");

    let side = placed(&plane, 3, x_axis(), Vec3::new(40.0, 0.0, 0.0));
    let joint = fit_joint(&[part(&a, Kind::Plane), part(&side, Kind::Plane)], Relation::Square).unwrap();
    let [n, m] = [0, 1].map(|i| joint.features[i].shape.direction().unwrap());
    assert!(n.dot(&m).abs() < 1e-13, "{:e}", n.dot(&m));
    assert!(n.z.abs() > 0.99999 && m.x.abs() > 0.99999);
}

/// A relation that the parts do not hold shows: each has to move far beyond its own uncertainty.
#[test]
fn a_false_relation_shows() {
    let a = placed(&bore(16.0, 0.0), 1, x_axis(), Vec3::new(-120.0, 0.0, 0.0));
    let b = placed(&bore(16.0, 0.0), 2, x_axis(), Vec3::new(-90.0, 1.0, 0.0));
    let joint = fit_joint(&[part(&a, Kind::Cylinder), part(&b, Kind::Cylinder)], Relation::CommonAxis).unwrap();
    assert!(joint.moved.iter().all(|m| m.turn > 0.01), "{:?}", joint.moved);
    assert!(joint.features[0].rms > 2.0 * joint.moved[0].rms_alone);
}

#[test]
fn what_cannot_be_joined_is_refused() {
    let a = placed(&bore(16.0, 0.0), 1, x_axis(), Vec3::zeros());
    let one = fit_joint(&[part(&a, Kind::Cylinder)], Relation::CommonAxis);
    assert!(matches!(one, Err(FitError::CannotJoin { .. })));
    let planes = fit_joint(&[part(&a, Kind::Plane), part(&a, Kind::Plane)], Relation::CommonAxis);
    assert!(matches!(planes, Err(FitError::CannotJoin { .. })));
    assert!(matches!(fit_joint(&[], Relation::Parallel), Err(FitError::CannotJoin { .. })));
}
