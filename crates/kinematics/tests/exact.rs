//! Cases whose answer is known exactly, and a published suspension.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{strut_a, wishbone};
use stringline_core::{Point3, Vec3};
use stringline_hardpoints::{Role, Side};
use stringline_kinematics::{
    Axle, AxleGeometry, Car, Change, CornerGeometry, Held, Rack, State, Upper, Variant, Wheel, geometry_of,
};

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} against {want}");
}

/// A corner on parallel arms with an equal and parallel tie rod; lengths as given.
fn parallelogram(arm: f64, wheel: Wheel) -> CornerGeometry {
    let out = Vec3::new(0.0, arm, 0.0);
    let (lower, upper, rod) =
        (Point3::new(0.0, 430.0, 200.0), Point3::new(-10.0, 410.0, 420.0), Point3::new(-120.0, 424.0, 260.0));
    let x = Vec3::new(100.0, 0.0, 0.0);
    CornerGeometry {
        side: Side::Left,
        lower_front: lower + x,
        lower_rear: lower - x,
        lower_ball: lower + out,
        upper: Upper::Arm { front: upper + x, rear: upper - x, ball: upper + out },
        tie_rod_inner: rod,
        tie_rod_outer: rod + out,
        wheel,
        damper: None,
        outer_joint: None,
        inner_joint: None,
    }
}

/// Geometry of a parallelogram: the knuckle only shifts, along a circle of the arms' length ℓ, so that the contact
/// point's slope is −dz/√(ℓ² − dz²) and the roll centre's height above it −y_cp·dz/√(ℓ² − dz²). The published figure is
/// that of a wheel with 0.3° of toe-in.
#[test]
fn parallel_arms_change_neither_camber_nor_steer() {
    let wheel = Wheel::aligned(
        Point3::new(0.0, 750.0, 300.0),
        300.0,
        (-1.2_f64).to_radians(),
        0.3_f64.to_radians(),
        Side::Left,
    );
    let geometry = AxleGeometry::symmetric(parallelogram(300.0, wheel), Rack::default(), Car::default());
    let axle = Axle::new(&geometry).unwrap();
    for step in -20..=20 {
        let dz = f64::from(step) * 6.0;
        let m = axle.solve(State::level(dz, 0.0), Held::WheelCentre).unwrap().left;
        near(m.inclination.to_degrees(), -1.2, 1e-9);
        near(m.toe_in.to_degrees(), 0.3, 1e-9);
        near(m.toe_in_per_travel, 0.0, 1e-12);
        let slope = dz / (300.0_f64 * 300.0 - dz * dz).sqrt();
        near(m.roll_centre_by_velocity, -m.contact.y * slope, 1e-9);
        near(m.roll_centre_by_planes.unwrap(), -m.contact.y * slope, 1e-8);
        assert!(m.instant_axis.is_none() || m.instant_axis.unwrap().direction.norm() < 1.0 + 1e-9);
    }
    let m = axle.solve(State::level(60.0, 0.0), Held::WheelCentre).unwrap().left;
    near(m.contact.y, 750.22, 0.005);
    near(m.roll_centre_by_velocity, -153.138303842, 1e-9);
}

/// A steering trapezoid as a planar four-bar: track 1400, arms 140 at 20°. Freudenstein's equation gives the outer
/// angle for each inner one. The left arm's end is put where the inner angle brings it; the right corner hangs
/// on it by the track rod.
#[test]
fn a_steering_trapezoid_follows_freudenstein() {
    let (half, arm, splay) = (700.0, 140.0, 20.0_f64.to_radians());
    let end = |steer: f64| {
        let (sin, cos) = (splay + steer).sin_cos();
        Point3::new(-arm * cos, half - arm * sin, 260.0)
    };
    let mut left =
        parallelogram(300.0, Wheel { centre: Point3::new(0.0, 750.0, 300.0), spin: Vec3::y_axis(), radius: 300.0 });
    // An upright steering axis at half the track.
    let x = Vec3::new(100.0, 0.0, 0.0);
    let at = |y: f64, z: f64| Point3::new(0.0, y, z);
    (left.lower_front, left.lower_rear, left.lower_ball) =
        (at(400.0, 200.0) + x, at(400.0, 200.0) - x, at(half, 200.0));
    left.upper = Upper::Arm { front: at(400.0, 420.0) + x, rear: at(400.0, 420.0) - x, ball: at(half, 420.0) };
    left.tie_rod_outer = end(0.0);
    // As seen from the right corner's mirror image the other arm's end lies across the car.
    left.tie_rod_inner = Point3::new(end(0.0).x, -end(0.0).y, end(0.0).z);
    let geometry = AxleGeometry::symmetric(left, Rack::default(), Car::default());
    for (inner, outer) in [(10.0_f64, 9.352162461), (20.0, 17.468628869), (30.0, 24.316249666), (40.0, 29.748428003)] {
        let by = end(inner.to_radians()) - end(0.0);
        // Given for the left corner and mirrored for the right, whose inner joint is the left arm's end.
        let by = [by.x, -by.y, by.z];
        let turned = Variant::new("turned", None, vec![Change::MoveTieRodInner { by }.into()]);
        let moved = geometry_of(&geometry, &[turned], "turned").unwrap();
        let m = Axle::new(&moved).unwrap().corner(Side::Right).measures_at_rest();
        near(m.steer.to_degrees(), outer, 1e-9);
    }
}

/// Project Chrono's HMMWV front against the US Army's TM 9-2320-387-24-2 (caster) and TM 9-2320-280-34, table 20-3 (shims of
/// 3.05 mm at the upper arm's mounts, taken as pushing them outboard); beside them what an independent solver gave.
#[test]
fn a_published_double_wishbone_agrees() {
    let geometry = wishbone();
    let rest = Axle::new(&geometry).unwrap().corner(Side::Left).measures_at_rest();
    near(rest.caster.to_degrees(), 2.92, 0.005);
    near(rest.caster.to_degrees(), 3.0, 0.1);
    let shim = |roles: &[Role]| {
        let by = [0.0, 3.05, 0.0];
        let moves = roles.iter().map(|role| Change::MovePivot { role: *role, by }.into()).collect();
        let variant = Variant::new("shim", None, moves);
        let m = Axle::new(&geometry_of(&geometry, &[variant], "shim").unwrap()).unwrap();
        let m = m.corner(Side::Left).measures_at_rest();
        ((m.caster - rest.caster).to_degrees(), (m.camber - rest.camber).to_degrees())
    };
    let (front, rear) = (Role::UpperArmFront, Role::UpperArmRear);
    for (roles, published, solver) in [
        (&[front][..], (0.6, 0.5), (0.623, 0.515)),
        (&[rear], (-0.6, 0.0), (-0.560, 0.010)),
        (&[front, rear], (0.0, 0.5), (0.057, 0.529)),
    ] {
        let got = shim(roles);
        near(got.0, published.0, 0.1);
        near(got.1, published.1, 0.1);
        near(got.0, solver.0, 0.001);
        near(got.1, solver.1, 0.001);
    }
}

/// The two constructions of the roll centre differ a little in three dimensions: on strut A 24.20 against 23.97 mm.
#[test]
fn both_roll_centres_are_what_they_say() {
    let m = Axle::new(&strut_a()).unwrap().corner(Side::Left).measures_at_rest();
    near(m.roll_centre_by_planes.unwrap(), 24.20, 0.005);
    near(m.roll_centre_by_velocity, 23.97, 0.005);
}

/// A common error takes the plane through a strut's top mount square to the *steering* axis. It must be the sliding axis:
/// the knuckle's point under the mount can only move along that.
#[test]
fn a_struts_instant_centre_uses_its_sliding_axis() {
    let geometry = strut_a();
    let c = &geometry.left;
    let m = Axle::new(&geometry).unwrap().corner(Side::Left).measures_at_rest();
    let Upper::Strut { top, lower } = c.upper else { panic!("a strut") };
    let roll_centre = |normal: Vec3| {
        let arm = (c.lower_front - c.lower_rear).cross(&(c.lower_ball - c.lower_rear));
        // Both planes with the lateral plane through the contact point, as three equations.
        let planes = nalgebra::Matrix3::from_rows(&[arm.transpose(), normal.transpose(), Vec3::x().transpose()]);
        let d = Vec3::new(arm.dot(&c.lower_rear.coords), normal.dot(&top.coords), m.contact.x);
        let ic = planes.lu().solve(&d).unwrap();
        -m.contact.y * (ic.z - m.contact.z) / (ic.y - m.contact.y)
    };
    near(m.roll_centre_by_planes.unwrap(), roll_centre(top - lower), 1e-9);
    let wrong = roll_centre(top - c.lower_ball);
    assert!((m.roll_centre_by_planes.unwrap() - wrong).abs() > 5.0, "{wrong}");
    // What the mount allows: the material under it moves along the sliding axis and nowhere else.
    let axis = m.instant_axis.unwrap();
    let omega = axis.direction;
    let v = omega * axis.pitch + omega.cross(&(top - axis.point));
    assert!(v.cross(&(top - lower).normalize()).norm() < 1e-9 * v.norm());
}
