//! What must hold for any car.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{strut_a, wishbone};
use nalgebra::{Translation3, UnitQuaternion};
use proptest::prelude::*;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_kinematics::{Axle, AxleGeometry, AxleMeasures, Car, CornerGeometry, CornerMeasures, Held, Rack, State};

/// Unequal corners: every coordinate off by up to 15 mm.
fn any_car() -> impl Strategy<Value = AxleGeometry> {
    (any::<bool>(), prop::collection::vec(-15.0..15.0_f64, 48)).prop_map(|(strut, offs)| {
        let base = if strut { strut_a() } else { wishbone() };
        let mut offs = offs.into_iter();
        let mut shift = |c: &CornerGeometry| {
            c.mapped(
                |p| {
                    let mut next = || offs.next().unwrap_or(0.0);
                    p + Vec3::new(next(), next(), next())
                },
                |d| d,
            )
        };
        let mut rack = base.rack;
        rack.per_turn = Some(45.0);
        let car = Car { mass_height: Some(480.0), front_brake_share: Some(0.6), ..base.car };
        AxleGeometry { left: shift(&base.left), right: shift(&base.right), rack, car }
    })
}

/// Numbers of a corner that a mirror leaves alone.
fn unmirrored(m: &CornerMeasures) -> Vec<f64> {
    vec![
        m.toe_in,
        m.toe_change,
        m.camber,
        m.inclination,
        m.caster,
        m.kingpin_inclination,
        m.scrub_radius,
        m.mechanical_trail,
        m.spindle_offset,
        m.castor_offset_at_centre,
        m.toe_in_per_travel,
        m.inclination_per_travel,
        m.caster_per_travel,
        m.roll_centre_by_velocity,
        m.steering_arm,
        m.rod_arm_angle,
        m.motion_ratio.unwrap_or(0.0),
        m.contact.x,
        -m.contact.y.abs(),
        m.contact.z,
    ]
}

fn close(a: &[f64], b: &[f64], tolerance: f64) -> Result<(), TestCaseError> {
    for (i, (x, y)) in a.iter().zip(b).enumerate() {
        prop_assert!((x - y).abs() <= tolerance * (1.0 + x.abs()), "number {i}: {x} against {y}");
    }
    Ok(())
}

/// No number of a result is a NaN or infinite.
fn sound(m: &AxleMeasures) -> Result<(), TestCaseError> {
    let text = format!("{m:?}");
    prop_assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_mirrored_car_gives_mirrored_results(
        car in any_car(), left in -40.0..40.0_f64, right in -40.0..40.0_f64, rack in -40.0..40.0_f64,
    ) {
        let mirrored = AxleGeometry { left: car.right.mirrored(), right: car.left.mirrored(), ..car };
        let (a, b) = (Axle::new(&car).unwrap(), Axle::new(&mirrored).unwrap());
        let one = a.solve(State { travel: [left, right], rack }, Held::Contact);
        let other = b.solve(State { travel: [right, left], rack: -rack }, Held::Contact);
        match (one, other) {
            (Ok(one), Ok(other)) => {
                close(&unmirrored(&one.left), &unmirrored(&other.right), 1e-9)?;
                close(&unmirrored(&one.right), &unmirrored(&other.left), 1e-9)?;
                prop_assert!((one.left.steer + other.right.steer).abs() < 1e-9);
                close(&[one.track], &[other.track], 1e-9)?;
            }
            (one, other) => prop_assert_eq!(one.is_err(), other.is_err()),
        }
    }

    #[test]
    fn a_rigid_motion_changes_nothing_but_the_frame(
        car in any_car(), yaw in -0.5..0.5_f64, x in -500.0..500.0_f64, y in -50.0..50.0_f64, z in -100.0..100.0_f64,
        travel in -40.0..40.0_f64, rack in -40.0..40.0_f64,
    ) {
        // Heights are the one thing that a car's axes must agree on: z stays upright.
        let motion = RigidTransform::from_parts(
            Translation3::new(x, y, z), UnitQuaternion::from_axis_angle(&Vec3::z_axis(), yaw),
        );
        let moved = |c: &CornerGeometry| c.mapped(|p| motion * p, |d| motion.rotation * d);
        let mut rack_there = car.rack;
        rack_there.direction = motion.rotation * rack_there.direction;
        let there = AxleGeometry { left: moved(&car.left), right: moved(&car.right), rack: rack_there, ..car };
        let state = State::level(travel, rack);
        let here = Axle::new(&car).unwrap().positions(state, Held::WheelCentre);
        let there = Axle::new(&there).unwrap().positions(state, Held::WheelCentre);
        match (here, there) {
            (Ok(here), Ok(there)) => {
                for (a, b) in here.iter().zip(&there) {
                    for (p, q) in [
                        (a.lower_ball, b.lower_ball), (a.axis_top, b.axis_top), (a.tie_rod_inner, b.tie_rod_inner),
                        (a.tie_rod_outer, b.tie_rod_outer), (a.wheel_centre, b.wheel_centre), (a.contact, b.contact),
                    ] {
                        prop_assert!((motion * p - q).norm() < 1e-8, "{p} {q}");
                    }
                    prop_assert!((motion.rotation * a.spin.into_inner() - b.spin.into_inner()).norm() < 1e-11);
                }
            }
            (here, there) => prop_assert_eq!(here.is_err(), there.is_err()),
        }
    }

    #[test]
    fn links_keep_their_lengths(car in any_car(), travel in -60.0..60.0_f64, rack in -60.0..60.0_f64) {
        let axle = Axle::new(&car).unwrap();
        for corner in [&car.left, &car.right] {
            let corner = axle.corner(corner.side);
            if let Ok(left) = corner.residual(travel, Held::Contact, rack) {
                prop_assert!(left < 1e-9, "{left}");
            }
        }
    }

    #[test]
    fn rolled_one_way_is_the_mirror_of_rolled_the_other(roll in 0.0..0.06_f64) {
        let axle = Axle::new(&strut_a()).unwrap();
        let (a, b) = (axle.roll(roll, 0.0).unwrap(), axle.roll(-roll, 0.0).unwrap());
        close(&unmirrored(&a.left), &unmirrored(&b.right), 1e-9)?;
        // The left side rises, so its wheel hangs down in the body; both stay on the ground.
        prop_assert!((a.left.contact.z - axle.corner(stringline_hardpoints::Side::Left).at_rest().contact.z).abs() < 1e-9);
        sound(&a)?;
    }
}

/// Coordinates of every kind, most of them nonsense.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => -1000.0..1000.0_f64,
        3 => prop::sample::select(vec![0.0, 1.0, -1.0, 100.0, 300.0, 700.0]),
        1 => any::<f64>(),
    ]
}

fn any_point() -> impl Strategy<Value = Point3> {
    [any_number(), any_number(), any_number()].prop_map(Point3::from)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 3000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_hardpoints_give_a_nan(
        strut in any::<bool>(),
        points in prop::collection::vec(any_point(), 9),
        replaced in 0_usize..10,
        spin in any_point(),
        state in [any_number(), any_number()],
    ) {
        // Some points of a good car are put anywhere: enough remains right for many to be solved.
        let base = if strut { strut_a() } else { wishbone() };
        let mut index = 0;
        let left = base.left.mapped(|p| {
            index += 1;
            if (index * 7) % 9 < replaced { points[index % 9] } else { p }
        }, |d| if replaced > 6 { UnitVec3::new_normalize(spin.coords) } else { d });
        let car = Car { wheelbase: Some(2500.0), mass_height: Some(500.0), front_brake_share: Some(0.7) };
        let geometry = AxleGeometry::symmetric(left, Rack { per_turn: Some(40.0), ..Rack::default() }, car);
        if let Ok(axle) = Axle::new(&geometry) {
            for held in [Held::WheelCentre, Held::Contact] {
                for state in [State::default(), State::level(state[0] * 0.1, state[1] * 0.1), State::level(0.0, state[1])] {
                    if let Ok(m) = axle.solve(state, held) {
                        sound(&m)?;
                    }
                }
            }
            if let Ok(limits) = axle.over_centre(0.0, Held::WheelCentre) {
                prop_assert!(limits.iter().all(|l| !l.is_nan()));
            }
            if let Ok(m) = axle.roll(0.03, 5.0) {
                sound(&m)?;
            }
        }
    }
}

#[test]
fn degenerate_corners_are_refused_by_name() {
    let good = strut_a();
    let refused = |change: &dyn Fn(&mut CornerGeometry), words: &str| {
        let mut left = good.left;
        change(&mut left);
        let error = Axle::new(&AxleGeometry::symmetric(left, good.rack, good.car)).unwrap_err();
        let text = error.to_string();
        assert!(text.contains(words) && text.contains("left"), "{text}");
        assert!(!stringline_core::Explain::next_step(&error).is_empty());
    };
    refused(&|c| c.lower_rear = c.lower_front, "same place");
    refused(&|c| c.lower_ball = c.lower_front + (c.lower_rear - c.lower_front) * 0.3, "line of the lower arm's pivots");
    refused(&|c| c.tie_rod_outer = c.lower_ball, "line of the steering axis");
    refused(&|c| c.tie_rod_inner.x = f64::NAN, "tie rod inner has no usable coordinates");
    refused(&|c| c.wheel.radius = 0.0, "radius is 0");
    refused(&|c| c.wheel.spin = Vec3::z_axis(), "spin axis stands upright");
    refused(&|c| c.lower_front = c.lower_rear + Vec3::z() * 100.0, "swings level");
    let across = |c: &mut CornerGeometry| {
        let axis = (c.axis_top() - c.lower_ball).normalize();
        let lever = c.tie_rod_outer - c.lower_ball;
        let out = lever - axis * lever.dot(&axis);
        c.tie_rod_inner = c.tie_rod_outer + out * 2.0;
    };
    refused(&across, "over centre at rest");
}
