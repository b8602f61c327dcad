//! A wheel as a body of revolution: against closed forms, against its own fine mesh, and what counts as touching.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use nalgebra::{Translation3, UnitQuaternion};
use proptest::prelude::*;
use std::f64::consts::PI;
use std::sync::LazyLock;
use stringline_clearance::{
    Body, Closest, RimSettings, TyreSettings, Wheel, WheelError, ball, distance, plate, wheel_distance,
};
use stringline_core::{Explain, Point3, RigidTransform, UnitVec3, Vec3};
use stringline_scan::{Geometry, Mesh, Scan};

fn placed(turn: Vec3, x: f64, y: f64, z: f64) -> RigidTransform {
    RigidTransform::from_parts(Translation3::new(x, y, z), UnitQuaternion::from_scaled_axis(turn))
}

fn wheel() -> Wheel {
    Wheel::from_size("205/50R16", 6.5 * 25.4, 35.0, &TyreSettings::NOMINAL, &RimSettings::default()).unwrap()
}

fn gap(wheel: &Wheel, mesh: &Mesh, b_from_wheel: &RigidTransform) -> f64 {
    wheel_distance(wheel, &Body::from_mesh(mesh).unwrap(), b_from_wheel, 1e4, None).unwrap().gap
}

/// What is said must be so: one place on the outline turned, the other on the facet.
fn consistent(wheel: &Wheel, b: &Mesh, b_from_wheel: &RigidTransform, c: &Closest) {
    assert!(((b_from_wheel * c.on_a - c.on_b).norm() - c.gap).abs() < 1e-7, "{c:?}");
    let (r, y) = (c.on_a.x.hypot(c.on_a.z), c.on_a.y);
    let off = |[[a, b], [c, d]]: [[f64; 2]; 2]| {
        let (s, t) = (c - a, d - b);
        let k = ((s * (r - a) + t * (y - b)) / (s * s + t * t)).clamp(0.0, 1.0);
        (a + s * k - r).hypot(b + t * k - y)
    };
    assert!(wheel.outline().map(off).fold(f64::INFINITY, f64::min) < 1e-9, "{c:?}");
    let [p, q, s] = b.corners(c.facet_b.unwrap());
    let n = (q - p).cross(&(s - p)).normalize();
    assert!(n.dot(&(c.on_b - p)).abs() < 1e-9);
}

#[test]
fn a_tyre_has_the_sizes_its_marking_says() {
    let nominal = wheel();
    let width = |w: &Wheel| w.bounds().1.y - w.bounds().0.y;
    assert!((nominal.radius() - 305.7).abs() < 1e-9);
    // 205 on its measuring rim of 6.5 in: 205 + 0.4 (165.1 − 164).
    assert!((width(&nominal) - 205.44).abs() < 1e-9);
    let grown = TyreSettings { bulge: 5.0, ..TyreSettings::default() };
    let wide = Wheel::from_size("205/50R16", 7.0 * 25.4, 35.0, &grown, &RimSettings::default()).unwrap();
    assert!((wide.radius() - (203.2 + 1.04 * 102.5)).abs() < 1e-9);
    assert!((width(&wide) - (1.04 * (205.44 + 5.08) + 10.0)).abs() < 1e-9);
    let rim = RimSettings::default();
    let bad = |marking: &str, width: f64, offset: f64| {
        Wheel::from_size(marking, width, offset, &TyreSettings::default(), &rim).err().unwrap()
    };
    for error in [
        bad("big", 165.0, 35.0),
        bad("205/50R16", 20.0, 35.0),
        bad("205/50R16", 165.0, 135.0),
        Wheel::from_profile(&[[1.0, 0.0], [2.0, 0.0]]).err().unwrap(),
        Wheel::from_profile(&[[1.0, 0.0], [2.0, 0.0], [-1.0, 3.0]]).err().unwrap(),
        Wheel::from_profile(&[[1.0, 0.0], [2.0, 1.0], [2.0, 0.0], [1.0, 3.0]]).err().unwrap(),
    ] {
        assert!(!error.to_string().is_empty() && error.next_step().ends_with('.'));
    }
    assert!(matches!(bad("205/50R16", f64::NAN, 0.0), WheelError::Size { .. }));
}

#[test]
fn places_on_a_wheel_have_names() {
    let wheel = wheel();
    for (r, y, words) in [
        (305.7, 10.0, "the tyre's tread"),
        (290.0, -97.0, "the tyre's inside shoulder"),
        (250.0, -102.0, "the tyre's inside wall"),
        (230.0, 100.0, "the tyre's outside wall"),
        (220.0, -94.0, "the rim's inside flange"),
        (178.2, -40.0, "the rim's barrel from within"),
        (100.0, 35.0, "the rim's disc"),
    ] {
        assert_eq!(wheel.whereabouts(&Point3::new(r * 0.6, y, -r * 0.8)), words);
    }
}

/// A disc on its edge over a plane, leant over: the lowest place of a cylinder of radius R and width 2h leant by t lies
/// R cos t + h sin t below its centre.
#[test]
fn a_cylinder_over_a_plane() {
    let (r, h) = (300.0, 100.0);
    let cylinder = Wheel::from_profile(&[[0.0, -h], [r, -h], [r, h], [0.0, h]]).unwrap();
    let corners =
        [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]].map(|[x, y]| Point3::new(x * 900.0, y * 900.0, -0.5));
    let ground = plate(&corners, 1.0).unwrap();
    for lean in [0.0, 1e-6, 0.03, 0.5, 1.2, 0.5 * PI] {
        let b_from_wheel = placed(Vec3::x() * lean, 12.0, -31.0, 420.0);
        let c = wheel_distance(&cylinder, &Body::from_mesh(&ground).unwrap(), &b_from_wheel, 1e3, None).unwrap();
        let expected = 420.0 - r * lean.cos() - h * lean.sin();
        assert!((c.gap - expected).abs() < 2e-7, "{lean} {c:?} {expected}");
        consistent(&cylinder, &ground, &b_from_wheel, &c);
    }
}

/// A point of a needle in the rim's hollow: the least of its distances from barrel and disc.
#[test]
fn the_hollow_of_the_rim_is_open() {
    let wheel = wheel();
    let inside = 203.2 - 25.0;
    let at =
        |x: f64, y: f64| gap(&wheel, &ball(Point3::origin(), 20.0, 1e-3).unwrap(), &placed(Vec3::zeros(), -x, -y, 0.0));
    // Facets of the ball reach out by up to 1e-3.
    for (x, y, expected) in
        [(120.0, -40.0, inside - 120.0 - 10.0), (60.0, 0.0, 35.0 - 10.0), (0.0, -40.0, 75.0_f64.hypot(30.0) - 10.0)]
    {
        assert!((-1e-3..1e-6).contains(&(at(x, y) - expected)), "{x} {y} {} {expected}", at(x, y));
    }
    assert_eq!(at(175.0, -40.0), 0.0, "in the barrel");
    assert_eq!(at(260.0, 0.0), 0.0, "in the tyre, touching nothing");
    assert_eq!(at(100.0, 60.0), 0.0, "in the disc");
    assert!(at(260.0, -130.0) > 5.0, "beside the tyre");
    // Within a closed box.
    let corners =
        [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]].map(|[x, y]| Point3::new(x * 900.0, y * 900.0, 0.0));
    assert_eq!(gap(&wheel, &plate(&corners, 900.0).unwrap(), &RigidTransform::identity()), 0.0);
}

/// Two coaxial rings: everywhere the same gap, which is that of the outer one's flats.
#[test]
fn coaxial_rings() {
    let inner = Wheel::from_profile(&[[200.0, -50.0], [300.0, -50.0], [300.0, 50.0], [200.0, 50.0]]).unwrap();
    let sides = 360u32;
    let mut ring = Mesh::default();
    for i in 0..sides {
        let (sin, cos) = (2.0 * PI * f64::from(i) / f64::from(sides)).sin_cos();
        ring.vertices.extend([-40.0, 40.0].map(|y| Point3::new(304.0 * cos, y, 304.0 * sin)));
        let (a, b) = (2 * i, 2 * ((i + 1) % sides));
        ring.facets.extend([[a, b, b + 1], [a, b + 1, a + 1]]);
    }
    let expected = 304.0 * (PI / f64::from(sides)).cos() - 300.0;
    assert!((gap(&inner, &ring, &placed(Vec3::y() * 0.3, 0.0, 3.0, 0.0)) - expected).abs() < 2e-7);
    // And within: the corners of a ring inside a bore are nearest.
    let bore = Wheel::from_profile(&[[310.0, -50.0], [330.0, -50.0], [330.0, 50.0], [310.0, 50.0]]).unwrap();
    assert!((gap(&bore, &ring, &RigidTransform::identity()) - 6.0).abs() < 1e-7);
}

fn crumpled(noise: &[f64], scale: Vec3) -> Mesh {
    let mut mesh = ball(Point3::origin(), 2.0, 0.2).unwrap();
    for (v, n) in mesh.vertices.iter_mut().zip(noise.iter().cycle()) {
        *v = Point3::from(v.coords.component_mul(&scale) * (1.0 + n));
    }
    mesh
}

const FACETS: u32 = 1200;

static FACETED: LazyLock<Body> = LazyLock::new(|| Body::from_mesh(&wheel().mesh(FACETS)).unwrap());

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Against the wheel's own mesh, whose corners lie on the true surface and which deviates from it by its sagitta,
    /// outwards where the surface is hollow.
    #[test]
    fn it_is_that_of_its_own_fine_mesh(
        noise in prop::collection::vec(-0.3..0.3f64, 31), scale in prop::array::uniform3(3.0..250.0f64),
        at in prop::array::uniform3(-400.0..400.0f64), turn in prop::array::uniform3(-3.0..3.0f64),
    ) {
        let wheel = wheel();
        let part = crumpled(&noise, Vec3::from(scale));
        let b_from_wheel = placed(Vec3::from(turn), at[0], at[1], at[2]);
        let b = Body::from_mesh(&part).unwrap();
        let c = wheel_distance(&wheel, &b, &b_from_wheel, 1e4, None).unwrap();
        let meshed = distance(&FACETED, &b, &b_from_wheel, 1e4, None).unwrap();
        let sagitta = 305.7 * (1.0 - (PI / f64::from(FACETS)).cos());
        if c.facet_b.is_some() && c.gap > 0.0 {
            prop_assert!((c.gap - meshed.gap).abs() < sagitta + 1e-6, "{c:?} {meshed:?}");
            consistent(&wheel, &part, &b_from_wheel, &c);
        } else {
            prop_assert!(meshed.gap < sagitta || c.facet_b.is_none());
        }
        // Told where to begin, cut off, and turned about its axis, it is the same.
        let hinted = wheel_distance(&wheel, &b, &b_from_wheel, 1e4, Some(&c)).unwrap();
        prop_assert!((hinted.gap - c.gap).abs() < 2e-7);
        let rolled = wheel_distance(&wheel, &b, &(b_from_wheel * placed(Vec3::y() * 1.3, 0.0, 0.0, 0.0)), 1e4, None).unwrap();
        prop_assert!((rolled.gap - c.gap).abs() < 2e-7);
        if c.gap > 0.1 {
            prop_assert!(wheel_distance(&wheel, &b, &b_from_wheel, c.gap - 0.01, None).is_none());
        }
    }
}

#[test]
fn radii_about_points_and_axes_hold_its_mesh() {
    let wheel = wheel();
    let mesh = wheel.mesh(3600);
    for p in [Point3::origin(), Point3::new(100.0, 40.0, -20.0)] {
        let all = mesh.vertices.iter().map(|v| (v - p).norm()).fold(0.0, f64::max);
        let sphere = wheel.sphere_about(&p);
        assert!(sphere > all - 1e-9 && sphere < all + 0.01, "{sphere} {all}");
        let d = UnitVec3::new_normalize(Vec3::new(0.1, 0.0, 1.0));
        let all = mesh.vertices.iter().map(|v| d.cross(&(v - p)).norm()).fold(0.0, f64::max);
        let cylinder = wheel.cylinder_about(&p, &d);
        assert!(cylinder > all - 1e-9 && cylinder < all + 0.06, "{cylinder} {all}");
    }
}

/// A scanned wheel: noise, somewhere in space, with five spokes' worth of things that are not round.
#[test]
fn a_wheel_from_its_scan() {
    let true_wheel = wheel();
    let mut mesh = true_wheel.mesh(360);
    for (i, v) in mesh.vertices.iter_mut().enumerate() {
        let noise = |k: f64| ((i as f64 * 12.9898 + k).sin() * 43_758.545_3).fract() * 0.05;
        *v += Vec3::new(noise(0.0), noise(1.0), noise(2.0));
    }
    // Blocks on the outboard face.
    for k in 0..5 {
        let turn = placed(Vec3::y() * (0.4 + 2.0 * PI * f64::from(k) / 5.0), 0.0, 0.0, 0.0);
        let corners = [[60.0, -15.0], [170.0, -15.0], [170.0, 15.0], [60.0, 15.0]];
        let block = plate(&corners.map(|[x, z]| turn * Point3::new(x, 92.0, z)), 10.0).unwrap();
        let first = mesh.vertices.len() as u32;
        mesh.vertices.extend(block.vertices);
        mesh.facets.extend(block.facets.iter().map(|f| f.map(|v| v + first)));
    }
    let scan_from_wheel = placed(Vec3::new(0.3, 0.2, -0.5), 800.0, -300.0, 120.0);
    mesh.vertices.iter_mut().for_each(|p| *p = scan_from_wheel * *p);
    let scan = Scan::new(Geometry::Mesh(mesh));
    let moulded = Wheel::from_scan(&scan, 0.5).unwrap();
    let true_from_found = (moulded.wheel_from_scan * scan_from_wheel).inverse();
    let axis = true_from_found * Vec3::y();
    assert!(axis.x.hypot(axis.z) < 1.5e-4, "{axis}");
    let on_axis = true_from_found * Point3::origin();
    assert!(on_axis.x.hypot(on_axis.z) < 0.03, "{on_axis}");
    // Smaller gaps than to the true wheel, by no more than is said and the noise.
    let small = ball(Point3::origin(), 10.0, 0.01).unwrap();
    for at in [[330.0, 0.0, 0.0], [0.0, -140.0, 270.0], [120.0, -40.0, 0.0], [-20.0, -60.0, 90.0]] {
        let ball_from_wheel = placed(Vec3::zeros(), -at[0], -at[1], -at[2]);
        let expected = gap(&true_wheel, &small, &ball_from_wheel);
        let found = gap(&moulded.wheel, &small, &(ball_from_wheel * true_from_found));
        assert!((-moulded.excess - 0.1..0.1).contains(&(found - expected)), "{at:?} {found} {expected}");
    }
    let sphere = Scan::new(Geometry::Mesh(ball(Point3::origin(), 100.0, 0.01).unwrap()));
    assert!(matches!(Wheel::from_scan(&sphere, 0.5), Err(WheelError::Axis { .. })));
    assert!(matches!(Wheel::from_scan(&scan, 0.0), Err(WheelError::Size { .. })));
    assert!(matches!(Wheel::from_scan(&scan, 1e-4), Err(WheelError::Size { .. })));
}
