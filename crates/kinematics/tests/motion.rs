//! Members are carried to where the closure puts their points.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{strut_a, wishbone};
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_hardpoints::Side;
use stringline_kinematics::{
    AS_FOUND, Axle, AxleGeometry, Change, Corner, CornerGeometry, Held, Link, Motion, Positions, Upper, Variant,
    carried_to, geometry_of,
};

/// Every hardpoint that a member has, with where it must be.
fn pairs(c: &CornerGeometry, now: &Positions) -> Vec<(Link, Point3, Point3)> {
    let mut all = vec![
        (Link::Chassis, c.lower_front, c.lower_front),
        (Link::Rack, c.tie_rod_inner, now.tie_rod_inner),
        (Link::Knuckle, c.lower_ball, now.lower_ball),
        (Link::Knuckle, c.tie_rod_outer, now.tie_rod_outer),
        (Link::Knuckle, c.wheel.centre, now.wheel_centre),
        (Link::Knuckle, c.wheel.centre + c.wheel.spin.into_inner(), now.wheel_centre + now.spin.into_inner()),
        (Link::TieRod, c.tie_rod_inner, now.tie_rod_inner),
        (Link::TieRod, c.tie_rod_outer, now.tie_rod_outer),
    ];
    for arm in [Link::LowerArm, Link::LowerFront, Link::LowerRear] {
        all.push((arm, c.lower_ball, now.lower_ball));
    }
    all.extend([
        (Link::LowerArm, c.lower_front, c.lower_front),
        (Link::LowerArm, c.lower_rear, c.lower_rear),
        (Link::LowerFront, c.lower_front, c.lower_front),
        (Link::LowerRear, c.lower_rear, c.lower_rear),
    ]);
    match c.upper {
        Upper::Arm { front, rear, ball } => all.extend([
            (Link::UpperArm, front, front),
            (Link::UpperArm, rear, rear),
            (Link::UpperArm, ball, now.axis_top),
            (Link::Knuckle, ball, now.axis_top),
        ]),
        Upper::Strut { top, .. } => all.push((Link::StrutRod, top, now.axis_top)),
    }
    all
}

fn check(c: &CornerGeometry, motion: &Motion, now: &Positions) {
    for (link, rest, there) in pairs(c, now) {
        let off = (motion.of(link).unwrap() * rest - there).norm();
        assert!(off < 1e-9, "{link:?} of the {} corner is {off:.2e} mm off", c.side);
    }
}

/// Against the solver's own points, which the tests of the closure check against other programs.
#[test]
fn hardpoints_land_where_the_solver_puts_them() {
    for geometry in [strut_a(), wishbone()] {
        let axle = Axle::new(&geometry).unwrap();
        for side in [Side::Left, Side::Right] {
            let (c, corner) = (geometry.corner(side), axle.corner(side));
            for travel in [-60.0, 0.0, 25.0, 55.0] {
                for rack in [-55.0, -10.0, 0.0, 40.0] {
                    let now = corner.solve(travel, Held::WheelCentre, rack).unwrap();
                    check(c, &corner.motion(travel, Held::WheelCentre, rack).unwrap(), &now);
                }
            }
        }
    }
}

/// A strut's rod stays on the sliding axis, which the body carries.
#[test]
fn a_struts_rod_slides_in_its_body() {
    let geometry = strut_a();
    let corner = Corner::new(&geometry.left, geometry.rack.direction).unwrap();
    let Upper::Strut { top, lower } = geometry.left.upper else { panic!("a strut") };
    let m = corner.motion(40.0, Held::Contact, -50.0).unwrap();
    let (body, rod) = (m.car_from_knuckle_at_rest, m.car_from_strut_rod_at_rest.unwrap());
    let slide = (top - lower).normalize();
    assert!(((body * slide) - (rod * slide)).norm() < 1e-12);
    assert!((rod * top - body * lower).cross(&(rod * slide)).norm() < 1e-9);
}

/// Steered to an angle, the wheel has it, on both sides and up to just before over centre; the rack found gives the
/// same by the other way round.
#[test]
fn a_corner_is_steered_to_an_angle() {
    for geometry in [strut_a(), wishbone()] {
        let axle = Axle::new(&geometry).unwrap();
        for side in [Side::Left, Side::Right] {
            let corner = axle.corner(side);
            for travel in [-50.0, 0.0, 50.0] {
                let row = corner.at_travel(travel, Held::WheelCentre).unwrap();
                for deg in [-38.0_f64, -20.0, 0.0, 0.3, 31.0, 42.0] {
                    let Ok(at) = row.steered(deg.to_radians()) else {
                        let error = row.steered(deg.to_radians()).unwrap_err().to_string();
                        assert!(error.contains("over centre"), "{error}");
                        continue;
                    };
                    assert!((at.measures.steer.to_degrees() - deg).abs() < 1e-9);
                    let now = corner.solve(travel, Held::WheelCentre, at.rack).unwrap();
                    check(geometry.corner(side), &at.motion, &now);
                }
            }
        }
    }
}

/// Once over centre is reached there is no position at any greater angle, and it is reached where the rack turns back.
#[test]
fn beyond_over_centre_there_is_no_lock() {
    let axle = Axle::new(&strut_a()).unwrap();
    let row = axle.corner(Side::Left).at_travel(0.0, Held::Contact).unwrap();
    let [low, high] = row.rack_limits();
    let mut last = 0.0;
    let mut ended = false;
    for deg in 1..=120 {
        match row.steered(f64::from(deg).to_radians()) {
            Ok(at) => {
                assert!(!ended, "no position after the end");
                assert!(at.rack > low && at.rack < high);
                last = at.rack;
            }
            Err(_) => ended = true,
        }
    }
    assert!(ended);
    // The last whole degree lies within a part of the way to the end.
    let end = if last < 0.0 { low } else { high };
    assert!((last / end - 1.0).abs() < 0.02, "{last} of {end}");
}

fn dropped() -> Vec<Variant> {
    vec![
        Variant::new(
            "drop",
            None,
            vec![Change::DropBallJoint { by: 50.0 }.into(), Change::Align { toe_in_deg: 0.1 }.into()],
        ),
        Variant::new(
            "on",
            Some("drop"),
            vec![Change::MoveTieRodOuter { by: [0.0, 0.0, -20.0] }.into(), Change::Align { toe_in_deg: 0.0 }.into()],
        ),
    ]
}

/// Where a variant's knuckle is: its wheel, which stays where it is in the knuckle, says.
#[test]
fn a_variants_members_are_carried_there() {
    for found in [strut_a(), wishbone()] {
        let (geometry, motions) = carried_to(&found, &dropped(), "on").unwrap();
        assert_eq!(geometry, geometry_of(&found, &dropped(), "on").unwrap());
        for (motion, side) in motions.iter().zip([Side::Left, Side::Right]) {
            let (a, b): (&CornerGeometry, &CornerGeometry) = (found.corner(side), geometry.corner(side));
            let knuckle = motion.of(Link::Knuckle).unwrap();
            let off = |t: &RigidTransform, p: Point3, q: Point3| (t * p - q).norm();
            assert!(off(&knuckle, a.wheel.centre, b.wheel.centre) < 1e-9);
            assert!((knuckle * a.wheel.spin.into_inner() - b.wheel.spin.into_inner()).norm() < 1e-12);
            // The ball joint went down in the knuckle.
            let moved = knuckle.inverse() * b.lower_ball - a.lower_ball;
            assert!((moved - Vec3::new(0.0, 0.0, -50.0)).norm() < 1e-9, "{moved}");
            let arm = motion.of(Link::LowerArm).unwrap();
            assert!(off(&arm, a.lower_front, b.lower_front) < 1e-9 && off(&arm, a.lower_ball, b.lower_ball) < 1e-9);
        }
        let (_, still) = carried_to(&found, &dropped(), AS_FOUND).unwrap();
        let id: AxleGeometry = found;
        assert!(
            Link::ALL
                .iter()
                .all(|l| still[0].of(*l).is_none_or(|t| (t * id.left.lower_ball - id.left.lower_ball).norm() < 1e-9))
        );
    }
}

/// The step rule of a swept clearance: within half a degree of lock, or 7.5 mm of travel, no point of a member goes more than
/// a tenth further than the straight line, plus a hundredth of a millimetre for what turns back on the way. Measured here
/// along 64 parts of each half step, up to the very end of the steering.
#[test]
fn paths_are_hardly_longer_than_their_chords() {
    for geometry in [strut_a(), wishbone()] {
        let axle = Axle::new(&geometry).unwrap();
        let corner = axle.corner(Side::Left);
        let far = [Vec3::x(), Vec3::y(), Vec3::z()].map(|v| geometry.left.wheel.centre + v * 320.0);
        let mut longest = 0.0_f64;
        let row = corner.at_travel(20.0, Held::WheelCentre).unwrap();
        let mut compare = |states: Vec<Motion>| {
            for link in Link::ALL {
                let at: Vec<RigidTransform> = states.iter().filter_map(|m| m.of(link)).collect();
                let (Some(first), Some(last)) = (at.first(), at.last()) else { continue };
                for p in far {
                    let path: f64 = at.windows(2).map(|w| (w[1] * p - w[0] * p).norm()).sum();
                    let chord = (last * p - first * p).norm();
                    longest = longest.max(path / (1.1 * chord + 1e-2));
                }
            }
        };
        for half_degree in -80..80 {
            let part = |i: i32| row.steered((0.5 * f64::from(half_degree) + f64::from(i) / 128.0).to_radians());
            if let Ok(states) = (0..=64).map(part).collect::<Result<Vec<_>, _>>() {
                compare(states.iter().map(|s| s.motion).collect());
            }
        }
        for start in -8..8 {
            let part = |i: i32| {
                let row = corner.at_travel(7.5 * f64::from(start) + f64::from(i) * 7.5 / 64.0, Held::WheelCentre)?;
                row.steered(0.4)
            };
            if let Ok(states) = (0..=64).map(part).collect::<Result<Vec<_>, _>>() {
                compare(states.iter().map(|s| s.motion).collect());
            }
        }
        assert!(longest > 0.5 && longest < 1.0, "{longest}");
    }
}
