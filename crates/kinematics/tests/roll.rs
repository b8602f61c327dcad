//! Body roll against what it must be, worked out without the code under test.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{kestrel, strut_a, wishbone};
use stringline_core::{Point3, Vec3};
use stringline_hardpoints::Side;
use stringline_kinematics::{Axle, AxleGeometry, Car, CornerGeometry, Held, Rack, State, Upper, Wheel};

/// Arms and tie rod of one length, parallel: the knuckle only shifts in the body's lateral planes.
fn parallelograms() -> AxleGeometry {
    let p = Point3::new;
    let corner = CornerGeometry {
        side: Side::Left,
        lower_front: p(120.0, 400.0, 200.0),
        lower_rear: p(-120.0, 400.0, 200.0),
        lower_ball: p(0.0, 700.0, 200.0),
        upper: Upper::Arm {
            front: p(100.0, 400.0, 430.0),
            rear: p(-140.0, 400.0, 430.0),
            ball: p(-20.0, 700.0, 430.0),
        },
        tie_rod_inner: p(-110.0, 400.0, 260.0),
        tie_rod_outer: p(-110.0, 700.0, 260.0),
        wheel: Wheel { centre: p(0.0, 750.0, 300.0), spin: Vec3::y_axis(), radius: 300.0 },
        damper: None,
        outer_joint: None,
        inner_joint: None,
    };
    AxleGeometry::symmetric(corner, Rack::default(), Car::default())
}

/// With parallelograms the wheels lean with the body, degree for degree, and do not steer (closed form: a
/// parallelogram's coupler does not turn against its frame).
#[test]
fn on_parallelograms_the_wheels_lean_as_the_body_does() {
    let axle = Axle::new(&parallelograms()).unwrap();
    for degrees in [-4.0_f64, -0.5, 1.0, 3.0, 5.0] {
        let rolled = axle.roll(degrees.to_radians(), 0.0).unwrap();
        // The left side rises: the left wheel's top leans inboard, the right one's outboard.
        assert!(
            (rolled.left.inclination.to_degrees() + degrees).abs() < 1e-9,
            "{}",
            rolled.left.inclination.to_degrees()
        );
        assert!((rolled.right.inclination.to_degrees() - degrees).abs() < 1e-9);
        assert!(rolled.left.toe_change.abs() < 1e-9 && rolled.right.toe_change.abs() < 1e-9);
        // Both tyres on the ground they stood on.
        assert!(rolled.left.contact.z.abs() < 1e-8 && rolled.right.contact.z.abs() < 1e-8);
        // The knuckle keeps its place along the body's arms: worked out in the body's own plane. A wheel centre at
        // (y, z) in the body comes to the ground's height, cos φ·(radius) below it, by the parallelogram's angle θ.
        let (sin, cos) = degrees.to_radians().sin_cos();
        let height = |theta: f64| {
            let (y, z) = (400.0 + 300.0 * theta.cos() + 50.0, 300.0 + 300.0 * theta.sin());
            y * sin + z * cos - 300.0 * cos
        };
        let (mut low, mut high) = (-1.0, 1.0);
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if height(middle) < 0.0 { low = middle } else { high = middle }
        }
        let (y, z) = (450.0 + 300.0 * f64::cos(low), 300.0 + 300.0 * f64::sin(low));
        let centre = [y * cos - z * sin, y * sin + z * cos];
        let at = rolled.left.wheel_centre;
        assert!((at.y - centre[0]).abs() < 1e-8 && (at.z - centre[1]).abs() < 1e-8, "{at:?} is not {centre:?}");
    }
}

/// Camber gain in roll is one less half the track over the front-view swing arm's length (W. F. and D. L. Milliken,
/// *Race Car Vehicle Dynamics*, 1995, on suspension geometry, *from memory*); exact at rest.
#[test]
fn camber_in_roll_follows_from_the_swing_arm() {
    for (name, geometry) in [("strut", strut_a()), ("double wishbone", wishbone()), ("kestrel", kestrel())] {
        let axle = Axle::new(&geometry).unwrap();
        let rest = axle.solve(State::default(), Held::Contact).unwrap();
        let step = 1e-4;
        let (up, down) = (axle.roll(step, 0.0).unwrap(), axle.roll(-step, 0.0).unwrap());
        for (side, at, plus, minus, sign) in
            [("left", &rest.left, &up.left, &down.left, -1.0), ("right", &rest.right, &up.right, &down.right, 1.0)]
        {
            let [ic, _] = at.front_view_centre.unwrap();
            let arm = at.contact.y.abs() - ic * at.contact.y.signum();
            let expected = sign * (1.0 - at.contact.y.abs() / arm);
            let lean = |c: &stringline_kinematics::CornerMeasures| c.camber;
            let found = (lean(plus) - lean(minus)) / (2.0 * step);
            // The swing arm is a lateral plane's: caster and toe turn a little of the lean out of it.
            assert!((found - expected).abs() < 0.01, "{name} {side}: {found} is not {expected}");
        }
    }
}
