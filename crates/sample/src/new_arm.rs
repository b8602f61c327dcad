//! A design for the Kestrel to try clearance on: a lower arm welded of tube, invented like the car itself.
//!
//! It has the pick-ups of the arm that was scanned, so it fits the same car; but its front leg runs straight inboard out of
//! the wheel before it turns forward, which leaves the tyre more room at lock. Its bars run into one another as
//! they would be modelled before anybody cut them to fit. No strength was computed: it is a shape to measure gaps with.

use stringline_core::{Point3, Vec3, frame_about};
use stringline_scan::Mesh;

/// Facets round a bar.
const ROUND: u32 = 48;
/// Rings of a bar's rounded end.
const RINGS: u32 = 8;

/// A bar with round ends.
struct Bar {
    from: [f64; 3],
    to: [f64; 3],
    diameter: f64,
}

/// The sample's sheet has the pick-ups: front bush (186, 366, 214), rear bush (−56, 352, 220), ball (13, 690, 206).
const BARS: [Bar; 6] = [
    // Bush housings, along the axis of both.
    Bar { from: [168.0, 365.0, 214.4], to: [204.0, 367.0, 213.6], diameter: 52.0 },
    Bar { from: [-76.0, 351.0, 220.4], to: [-36.0, 353.0, 219.6], diameter: 58.0 },
    // Rear leg, front leg in two lengths.
    Bar { from: [-56.0, 352.0, 220.0], to: [8.0, 670.0, 199.0], diameter: 30.0 },
    Bar { from: [186.0, 366.0, 214.0], to: [60.0, 430.0, 211.0], diameter: 28.0 },
    Bar { from: [60.0, 430.0, 211.0], to: [18.0, 668.0, 199.0], diameter: 28.0 },
    // What the ball joint bolts to: small enough for the rim of the car on its dropped knuckle.
    Bar { from: [9.0, 680.0, 197.0], to: [17.0, 694.0, 197.0], diameter: 30.0 },
];

/// The arm in the car's axes, where it stands at rest in the car as found.
pub fn new_arm() -> Mesh {
    let mut mesh = Mesh::default();
    for bar in &BARS {
        add(&mut mesh, bar);
    }
    mesh
}

/// Adds a closed bar: rings from pole to pole.
fn add(mesh: &mut Mesh, bar: &Bar) {
    let (from, to) = (Point3::from(bar.from), Point3::from(bar.to));
    let along = stringline_core::UnitVec3::new_normalize(to - from);
    let (u, v) = frame_about(&along);
    let radius = 0.5 * bar.diameter;
    let first = mesh.vertices.len() as u32;
    let pole = |end: Point3, sign: f64| end + along.into_inner() * (sign * radius);
    let ring = |mesh: &mut Mesh, centre: Point3, lift: f64, r: f64| {
        for i in 0..ROUND {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / f64::from(ROUND)).sin_cos();
            let out: Vec3 = (u * cos + v * sin) * r;
            mesh.vertices.push(centre + along.into_inner() * lift + out);
        }
    };
    mesh.vertices.push(pole(from, -1.0));
    for k in 1..=RINGS {
        let (sin, cos) = (std::f64::consts::FRAC_PI_2 * f64::from(k) / f64::from(RINGS)).sin_cos();
        ring(mesh, from, -radius * cos, radius * sin);
    }
    for k in (1..=RINGS).rev() {
        let (sin, cos) = (std::f64::consts::FRAC_PI_2 * f64::from(k) / f64::from(RINGS)).sin_cos();
        ring(mesh, to, radius * cos, radius * sin);
    }
    mesh.vertices.push(pole(to, 1.0));
    let at = |ring: u32, i: u32| first + 1 + ring * ROUND + i % ROUND;
    let last = first + 1 + 2 * RINGS * ROUND;
    for i in 0..ROUND {
        mesh.facets.push([first, at(0, i + 1), at(0, i)]);
        for k in 0..2 * RINGS - 1 {
            let (a, b, c, d) = (at(k, i), at(k, i + 1), at(k + 1, i), at(k + 1, i + 1));
            mesh.facets.extend([[a, b, d], [a, d, c]]);
        }
        mesh.facets.push([last, at(2 * RINGS - 1, i), at(2 * RINGS - 1, i + 1)]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed, outward: the volume by the divergence theorem is that of the bars, to the facets' own error.
    #[test]
    fn its_bars_are_closed_and_face_outwards() {
        let mesh = new_arm();
        let sixth = |f: &[u32; 3]| {
            let [a, b, c] = f.map(|v| mesh.vertices[v as usize].coords);
            a.dot(&b.cross(&c)) / 6.0
        };
        let volume: f64 = mesh.facets.iter().map(sixth).sum();
        let exact: f64 = BARS
            .iter()
            .map(|b| {
                let r = 0.5 * b.diameter;
                let length = (Point3::from(b.to) - Point3::from(b.from)).norm();
                std::f64::consts::PI * r * r * (length + 4.0 / 3.0 * r)
            })
            .sum();
        assert!((volume / exact - 1.0).abs() < 0.01, "{volume} {exact}");
    }
}
