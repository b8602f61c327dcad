//! Against a formulation that shares nothing with the closure: the knuckle as a free rigid body under constraints.
//!
//! The instant screw is the solution of six linear equations in its Plücker coordinates (each link takes away the
//! velocity along it, the ground demands a rise); integrated from rest by a Runge–Kutta scheme it must arrive where the closure does.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{strut_a, wishbone};
use nalgebra::{Matrix6, Vector6};
use stringline_core::{Point3, Vec3};
use stringline_kinematics::{Axle, AxleGeometry, CornerGeometry, Held, State, Upper};

/// Points carried by the knuckle: lower ball, outer tie-rod joint, wheel centre, a point along the spin axis, strut
/// lower or upper ball joint.
type Carried = [Vec3; 5];

/// One equation: the velocity of the knuckle's point `at` along `along` is `rate`.
fn row(matrix: &mut Matrix6<f64>, rhs: &mut Vector6<f64>, i: usize, at: &Vec3, along: &Vec3, rate: f64) {
    let moment = at.cross(along);
    for j in 0..3 {
        matrix[(i, j)] = along[j];
        matrix[(i, j + 3)] = moment[j];
    }
    rhs[i] = rate;
}

/// Velocities of the carried points for a rise of the wheel centre and a rack speed.
fn velocities(c: &CornerGeometry, p: &Carried, rack: f64, rise: f64, rack_speed: f64) -> Carried {
    let (mut m, mut rhs) = (Matrix6::zeros(), Vector6::zeros());
    row(&mut m, &mut rhs, 0, &p[0], &(p[0] - c.lower_front.coords), 0.0);
    row(&mut m, &mut rhs, 1, &p[0], &(p[0] - c.lower_rear.coords), 0.0);
    match c.upper {
        Upper::Strut { top, .. } => {
            // The material under the mount does not move across the sliding axis.
            let slide = (top.coords - p[4]).normalize();
            let across = slide.cross(&Vec3::x()).normalize();
            row(&mut m, &mut rhs, 2, &top.coords, &across, 0.0);
            row(&mut m, &mut rhs, 3, &top.coords, &slide.cross(&across), 0.0);
        }
        Upper::Arm { front, rear, .. } => {
            row(&mut m, &mut rhs, 2, &p[4], &(p[4] - front.coords), 0.0);
            row(&mut m, &mut rhs, 3, &p[4], &(p[4] - rear.coords), 0.0);
        }
    }
    let rod = p[1] - (c.tie_rod_inner.coords + Vec3::y() * rack);
    row(&mut m, &mut rhs, 4, &p[1], &rod, rod.y * rack_speed);
    row(&mut m, &mut rhs, 5, &p[2], &Vec3::z(), rise);
    let screw = m.lu().solve(&rhs).unwrap();
    let (v, omega) = (Vec3::new(screw[0], screw[1], screw[2]), Vec3::new(screw[3], screw[4], screw[5]));
    p.map(|q| v + omega.cross(&q))
}

fn integrate(c: &CornerGeometry, p: &mut Carried, rack: &mut f64, rise: f64, rack_to: f64, steps: usize) {
    let (dz, ds) = (rise / steps as f64, (rack_to - *rack) / steps as f64);
    let add = |p: &Carried, v: &Carried, by: f64| -> Carried { std::array::from_fn(|i| p[i] + v[i] * by) };
    for _ in 0..steps {
        let k1 = velocities(c, p, *rack, dz, ds);
        let k2 = velocities(c, &add(p, &k1, 0.5), *rack + 0.5 * ds, dz, ds);
        let k3 = velocities(c, &add(p, &k2, 0.5), *rack + 0.5 * ds, dz, ds);
        let k4 = velocities(c, &add(p, &k3, 1.0), *rack + ds, dz, ds);
        for i in 0..5 {
            p[i] += (k1[i] + (k2[i] + k3[i]) * 2.0 + k4[i]) / 6.0;
        }
        *rack += ds;
    }
}

fn arrives(geometry: &AxleGeometry, travel: f64, rack_to: f64) {
    let axle = Axle::new(geometry).unwrap();
    let c = geometry.left;
    let last = match c.upper {
        Upper::Strut { lower, .. } => lower,
        Upper::Arm { ball, .. } => ball,
    };
    let w = c.wheel;
    let at = |p: Point3| p.coords;
    let mut p: Carried =
        [at(c.lower_ball), at(c.tie_rod_outer), at(w.centre), at(w.centre + w.spin.into_inner() * 100.0), at(last)];
    let mut rack = 0.0;
    integrate(&c, &mut p, &mut rack, travel, 0.0, 400);
    integrate(&c, &mut p, &mut rack, 0.0, rack_to, 800);
    let [got, _] = axle.positions(State::level(travel, rack_to), Held::WheelCentre).unwrap();
    let off = |a: Vec3, b: Point3| (a - b.coords).norm();
    assert!(off(p[0], got.lower_ball) < 1e-7, "lower ball {}", off(p[0], got.lower_ball));
    assert!(off(p[1], got.tie_rod_outer) < 1e-7, "outer joint {}", off(p[1], got.tie_rod_outer));
    assert!(off(p[2], got.wheel_centre) < 1e-7, "wheel centre {}", off(p[2], got.wheel_centre));
    assert!(((p[3] - p[2]) * 0.01 - got.spin.into_inner()).norm() < 1e-8);
    // The rates at the end, from the screw there.
    let m = axle.solve(State::level(travel, rack_to), Held::WheelCentre).unwrap().left;
    let v = velocities(&c, &p, rack, 1.0, 0.0);
    let n = (p[3] - p[2]) * 0.01;
    let dn = (v[3] - v[2]) * 0.01;
    let steer = (n.x * dn.y - n.y * dn.x) / (n.x * n.x + n.y * n.y);
    // Per rise of the contact point: the wheel turns about its centre.
    let omega_x_part = (m.contact - m.wheel_centre).normalize();
    let down = |n: &Vec3| (n * n.z - Vec3::z()).normalize();
    let per_contact = 1.0 + w.radius * ((down(&(n + dn * 1e-6)) - down(&(n - dn * 1e-6))).z / 2e-6);
    assert!(omega_x_part.z < 0.0);
    assert!((m.toe_in_per_travel + steer / per_contact).abs() < 1e-9, "{} {}", m.toe_in_per_travel, steer);
    let v = velocities(&c, &p, rack, 0.0, 1.0);
    let dn = (v[3] - v[2]) * 0.01;
    let steer = (n.x * dn.y - n.y * dn.x) / (n.x * n.x + n.y * n.y);
    assert!((m.steer_per_rack - steer).abs() < 1e-9);
}

#[test]
fn the_instant_screw_integrates_to_the_closure() {
    for (travel, rack) in [(60.0, -60.0), (-70.0, 65.0), (45.0, 70.0), (0.0, -72.0)] {
        arrives(&strut_a(), travel, rack);
    }
    for (travel, rack) in [(60.0, -60.0), (-70.0, 65.0), (45.0, 70.0)] {
        arrives(&wishbone(), travel, rack);
    }
}
