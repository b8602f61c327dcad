//! Simulated patches with their truth, and the Cramér–Rao bound of what can be known from them.
//!
//! Independent of the fitting code: shapes are sampled from their own parametric formulas here and
//! the bound comes from finite differences of the distance formulas written out in this file.

use nalgebra::{DMatrix, Rotation3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_fit::Kind;

/// The painted part of an ideal shape, in its own frame: axis or normal along z.
#[derive(Clone, Debug)]
pub enum Painted {
    /// A flat rectangle, mm.
    Plane {
        /// Sides along x and y.
        sides: [f64; 2],
    },
    /// Bands round a cylinder or cone of length `length` centred on z = 0.
    Round {
        /// Radius at z = 0, mm.
        radius: f64,
        /// Half angle, rad; 0 for a cylinder. The radius grows along z.
        half_angle: f64,
        /// Along the axis, mm.
        length: f64,
        /// Start and width of each painted arc, rad.
        arcs: Vec<[f64; 2]>,
    },
    /// A cap about +z.
    Cap {
        /// mm.
        radius: f64,
        /// From the pole to the cap's edge, rad.
        half_width: f64,
    },
}

/// What lies beyond the edge that a dab spilled over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Beyond {
    /// A fillet, tangent at the edge, turning through 90° within the spill.
    Fillet,
    /// A face square to the surface.
    Face,
}

/// A case of the trials.
#[derive(Clone, Debug)]
pub struct Case {
    /// Its name in the table.
    pub name: &'static str,
    /// What is painted.
    pub painted: Painted,
    /// Points on it (those beyond its edge come on top).
    pub points: usize,
    /// Standard deviation of the white noise along the normal, mm.
    pub sigma: f64,
}

/// A simulated patch in a random frame.
#[derive(Clone, Debug)]
pub struct SimulatedPatch {
    /// Noisy points, mm; those beyond the edge last.
    pub points: Vec<Point3>,
    /// True outward unit normals.
    pub normals: Vec<Vec3>,
    /// How many lie on the shape.
    pub on_shape: usize,
    /// The true axis or normal.
    pub direction: UnitVec3,
    /// The true point on the axis at z = 0, on the plane, or the centre, mm.
    pub point: Point3,
}

/// Three arcs of 60°, evenly spread.
pub fn three_dabs() -> Vec<[f64; 2]> {
    (0..3).map(|i| [f64::from(i) * std::f64::consts::TAU / 3.0, std::f64::consts::FRAC_PI_3]).collect()
}

/// The cases that the fit must do at the bound.
pub fn bound_cases() -> Vec<Case> {
    use std::f64::consts::{FRAC_PI_2, PI, TAU};
    let bore = |arcs| Painted::Round { radius: 7.0, half_angle: 0.0, length: 20.0, arcs };
    let taper = |ratio: f64| Painted::Round {
        radius: 8.0,
        half_angle: (0.5 * ratio).atan(),
        length: 20.0,
        arcs: vec![[0.0, TAU / 3.0]],
    };
    let case = |name, painted| Case { name, painted, points: 5000, sigma: 0.03 };
    vec![
        case("full bore", bore(vec![[0.0, TAU]])),
        case("two opposed 90° arcs", bore(vec![[0.0, FRAC_PI_2], [PI, FRAC_PI_2]])),
        case("three 60° dabs", bore(three_dabs())),
        case("one 90° arc", bore(vec![[0.0, FRAC_PI_2]])),
        case(
            "ring, length a tenth of Ø",
            Painted::Round { radius: 20.0, half_angle: 0.0, length: 4.0, arcs: vec![[0.0, TAU]] },
        ),
        case("taper 1:10, a third round", taper(0.1)),
        case("taper 1:8, a third round", taper(0.125)),
        case("plane 40 × 15", Painted::Plane { sides: [40.0, 15.0] }),
        case("spherical cap, 90° wide", Painted::Cap { radius: 10.0, half_width: PI / 4.0 }),
        case("hemisphere", Painted::Cap { radius: 10.0, half_width: FRAC_PI_2 }),
    ]
}

impl Painted {
    /// The kind of shape.
    pub fn kind(&self) -> Kind {
        match self {
            Painted::Plane { .. } => Kind::Plane,
            Painted::Round { half_angle, .. } if *half_angle == 0.0 => Kind::Cylinder,
            Painted::Round { .. } => Kind::Cone,
            Painted::Cap { .. } => Kind::Sphere,
        }
    }

    /// A point and outward normal on the shape, uniform by area (by length along a shallow taper).
    fn on(&self, rng: &mut ChaCha8Rng) -> (Vec3, Vec3) {
        match self {
            Painted::Plane { sides } => (
                Vec3::new((rng.random::<f64>() - 0.5) * sides[0], (rng.random::<f64>() - 0.5) * sides[1], 0.0),
                Vec3::z(),
            ),
            Painted::Round { length, arcs, .. } => {
                let z = (rng.random::<f64>() - 0.5) * length;
                self.round_at(angle_within(arcs, rng), z)
            }
            Painted::Cap { radius, half_width } => {
                let z = 1.0 - rng.random::<f64>() * (1.0 - half_width.cos());
                let a = rng.random::<f64>() * std::f64::consts::TAU;
                let r = (1.0 - z * z).sqrt();
                let n = Vec3::new(r * a.cos(), r * a.sin(), z);
                (n * *radius, n)
            }
        }
    }

    fn round_at(&self, angle: f64, z: f64) -> (Vec3, Vec3) {
        let Painted::Round { radius, half_angle, .. } = self else { unreachable!("only round shapes have a side") };
        let r = radius + z * half_angle.tan();
        let (sin, cos) = half_angle.sin_cos();
        (Vec3::new(r * angle.cos(), r * angle.sin(), z), Vec3::new(angle.cos() * cos, angle.sin() * cos, -sin))
    }

    /// A point beyond the shape's edge: the upper end of a round shape, the +x side of a plane, the rim of a cap.
    fn beyond(&self, what: Beyond, share: f64, rng: &mut ChaCha8Rng) -> (Vec3, Vec3) {
        // The spill is as wide as gives it its share of the area at the same density.
        let (edge, normal, onward, width) = match self {
            Painted::Plane { sides } => {
                let y = (rng.random::<f64>() - 0.5) * sides[1];
                (Vec3::new(0.5 * sides[0], y, 0.0), Vec3::z(), Vec3::x(), sides[0] * share)
            }
            Painted::Round { length, arcs, .. } => {
                let (edge, normal) = self.round_at(angle_within(arcs, rng), 0.5 * length);
                let around = Vec3::new(-edge.y, edge.x, 0.0).normalize();
                (edge, normal, normal.cross(&-around).normalize(), length * share)
            }
            Painted::Cap { radius, half_width } => {
                let a = rng.random::<f64>() * std::f64::consts::TAU;
                let (s, c) = half_width.sin_cos();
                let n = Vec3::new(s * a.cos(), s * a.sin(), c);
                let down = Vec3::new(c * a.cos(), c * a.sin(), -s);
                (n * *radius, n, down, radius * (1.0 - c) / s.max(0.2) * share)
            }
        };
        let t = rng.random::<f64>() * width;
        match what {
            // Away from the axis or the material's outside: a bore flares, a face falls off.
            Beyond::Face => (edge + normal * t, -onward),
            Beyond::Fillet => {
                let r = width / std::f64::consts::FRAC_PI_2;
                let a = t / r;
                (edge + onward * (r * a.sin()) + normal * (r * (1.0 - a.cos())), normal * a.cos() - onward * a.sin())
            }
        }
    }
}

fn angle_within(arcs: &[[f64; 2]], rng: &mut ChaCha8Rng) -> f64 {
    let total: f64 = arcs.iter().map(|a| a[1]).sum();
    let mut t = rng.random::<f64>() * total;
    for [start, width] in arcs {
        if t <= *width {
            return start + t;
        }
        t -= width;
    }
    arcs[0][0]
}

/// A random rotation, uniform over all.
pub fn random_rotation(rng: &mut ChaCha8Rng) -> Rotation3<f64> {
    let q: [f64; 4] = std::array::from_fn(|_| StandardNormal.sample(rng));
    let q = nalgebra::UnitQuaternion::new_normalize(nalgebra::Quaternion::new(q[0], q[1], q[2], q[3]));
    q.to_rotation_matrix()
}

impl Case {
    /// The patch of a seed, with `spill` (say 0.2) of all its points beyond the edge.
    pub fn simulate(&self, seed: u64, spill: Option<(Beyond, f64)>) -> SimulatedPatch {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let rotation = random_rotation(&mut rng);
        let offset = Vec3::from_fn(|_, _| 400.0 * (rng.random::<f64>() - 0.5));
        let mut local: Vec<(Vec3, Vec3)> = (0..self.points).map(|_| self.painted.on(&mut rng)).collect();
        if let Some((what, share)) = spill {
            let beside = share / (1.0 - share);
            let extra = (self.points as f64 * beside).round() as usize;
            local.extend((0..extra).map(|_| self.painted.beyond(what, beside, &mut rng)));
        }
        let points = local
            .iter()
            .map(|(p, n)| {
                let noise: f64 = StandardNormal.sample(&mut rng);
                Point3::from(rotation * (p + n * (noise * self.sigma)) + offset)
            })
            .collect();
        SimulatedPatch {
            points,
            normals: local.iter().map(|(_, n)| rotation * n).collect(),
            on_shape: self.points,
            direction: UnitVec3::new_normalize(rotation * Vec3::z()),
            point: Point3::from(offset),
        }
    }

    /// Signed distance from the ideal shape after a small change of its parameters:
    /// shift (3), tilt towards x and y (2), radius, half angle.
    fn distance(&self, p: &Vec3, change: &[f64; 7]) -> f64 {
        let axis = Vec3::new(change[3], change[4], 1.0).normalize();
        let d = p - Vec3::new(change[0], change[1], change[2]);
        let along = axis.dot(&d);
        let off = (d - axis * along).norm();
        match &self.painted {
            Painted::Plane { .. } => along,
            Painted::Round { radius, half_angle, .. } => {
                let psi = half_angle + change[6];
                (off - radius - change[5]) * psi.cos() - along * psi.sin()
            }
            Painted::Cap { radius, .. } => d.norm() - radius - change[5],
        }
    }

    /// The Cramér–Rao bound for the noise-free points of a seed: σ²·(JᵀJ)⁻¹.
    pub fn bound(&self, seed: u64) -> Bound {
        let patch = Case { sigma: 0.0, ..self.clone() }.simulate(seed, None);
        // Back into the shape's own frame, about the cross-section through the centroid.
        let to_z = Rotation3::rotation_between(&patch.direction, &Vec3::z()).unwrap_or_else(Rotation3::identity);
        let local: Vec<Vec3> = patch.points.iter().map(|p| to_z * (p - patch.point)).collect();
        let centroid = local.iter().sum::<Vec3>() / local.len() as f64;
        let (free, lift): (&[usize], f64) = match self.painted.kind() {
            Kind::Plane => (&[2, 3, 4], 0.0),
            Kind::Cylinder => (&[0, 1, 3, 4, 5], centroid.z),
            Kind::Cone => (&[0, 1, 3, 4, 5, 6], centroid.z),
            _ => (&[0, 1, 2, 5], 0.0),
        };
        let h = 1e-6;
        let mut j = DMatrix::zeros(local.len(), free.len());
        for (row, p) in local.iter().enumerate() {
            for (column, &k) in free.iter().enumerate() {
                let mut change = [0.0; 7];
                change[k] = h;
                let up = self.distance(p, &change);
                change[k] = -h;
                j[(row, column)] = (up - self.distance(p, &change)) / (2.0 * h);
            }
        }
        let information = j.transpose() * &j;
        let covariance = information.try_inverse().expect("the case determines its shape") * self.sigma.powi(2);
        let at = |k: usize| free.iter().position(|&f| f == k);
        let c = |a: usize, b: usize| match (at(a), at(b)) {
            (Some(a), Some(b)) => covariance[(a, b)],
            _ => 0.0,
        };
        // The axis at the centroid: shift + lift · tilt. A plane at the centroid likewise.
        let moved = |s: usize, t: usize, l: f64| c(s, s) + 2.0 * l * c(s, t) + l * l * c(t, t);
        let position = match self.painted.kind() {
            Kind::Plane => {
                let (x, y) = (centroid.x, centroid.y);
                c(2, 2) + x * x * c(3, 3) + y * y * c(4, 4) - 2.0 * x * c(2, 3) - 2.0 * y * c(2, 4)
                    + 2.0 * x * y * c(3, 4)
            }
            Kind::Sphere => c(0, 0) + c(1, 1) + c(2, 2),
            _ => moved(0, 3, lift) + moved(1, 4, lift),
        };
        let tangent = match &self.painted {
            Painted::Round { half_angle, .. } => half_angle.tan(),
            _ => 0.0,
        };
        // The radius of the cross-section through the centroid.
        let stretch = 1.0 + tangent * tangent;
        let radius = c(5, 5) + (lift * stretch).powi(2) * c(6, 6) + 2.0 * lift * stretch * c(5, 6);
        Bound {
            angle: (c(3, 3) + c(4, 4)).sqrt(),
            position: position.sqrt(),
            radius: radius.sqrt(),
            half_angle: c(6, 6).sqrt(),
        }
    }
}

/// Root-mean-square errors: as bounds, or as found. mm and rad; 0 where a shape has no such thing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Bound {
    /// Of the direction.
    pub angle: f64,
    /// Of the axis across itself (of a plane along its normal, of a centre in space), at the centroid.
    pub position: f64,
    /// Of the radius.
    pub radius: f64,
    /// Of a cone's half angle.
    pub half_angle: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed forms for a cylinder patch (Cramér–Rao bound of a uniform patch), with the figures
    /// quoted for R 7, L 20, n 5000, σ 0.03.
    #[test]
    fn bounds_agree_with_the_closed_forms() {
        let cases = bound_cases();
        let mean = |case: &Case| {
            let mut sum = Bound::default();
            for seed in 0..10 {
                let b = case.bound(seed);
                sum.angle += b.angle / 10.0;
                sum.position += b.position / 10.0;
                sum.radius += b.radius / 10.0;
            }
            sum
        };
        let pair = mean(&cases[1]);
        assert!((pair.angle.to_degrees() / 0.01092 - 1.0).abs() < 0.02, "{pair:?}");
        assert!((pair.position / 1.100e-3 - 1.0).abs() < 0.02, "{pair:?}");
        assert!((pair.radius / 0.424e-3 - 1.0).abs() < 0.02, "{pair:?}");
        let one = mean(&cases[3]);
        assert!((one.angle.to_degrees() / 0.01092 - 1.0).abs() < 0.02, "{one:?}");
        assert!((one.position / 4.93e-3 - 1.0).abs() < 0.03, "{one:?}");
        assert!((one.radius / 4.37e-3 - 1.0).abs() < 0.03, "{one:?}");
    }
}
