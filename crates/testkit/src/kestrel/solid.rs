//! Solids as signed distances: primitives put together with rounded edges.
//!
//! A solid is a function that is negative inside and positive outside. Away from rounded
//! edges it is the exact distance to one primitive, so a point projected on its zero
//! level lies exactly on that primitive's surface. Where two surfaces meet, an edge is
//! rounded by a circle tangent to both (exactly circular where they meet squarely).

use crate::noise_field::SmoothField;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};

/// How much faster than distance a solid's value may change: 1 for a primitive,
/// up to √2 in a rounded edge between nearly parallel surfaces.
pub(crate) const STEEPEST: f64 = 1.42;

/// The value of a solid at a point, mm, and its gradient.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    pub(crate) distance: f64,
    pub(crate) gradient: Vec3,
}

impl Sample {
    fn new(distance: f64, gradient: Vec3) -> Self {
        Self { distance, gradient }
    }

    fn negated(self) -> Self {
        Self::new(-self.distance, -self.gradient)
    }
}

/// A flat outline extruded to both sides of its plane.
#[derive(Clone, Debug)]
pub(crate) struct Plate {
    /// Takes part coordinates to the plate's: the outline in x and y, thickness along z.
    pub(crate) plate_from_part: RigidTransform,
    /// Corners in order, either sense, mm.
    pub(crate) outline: Vec<[f64; 2]>,
    /// Half the thickness, mm.
    pub(crate) half: f64,
    /// The outline is grown by this much, which rounds its corners, mm.
    pub(crate) corner: f64,
    /// Radius between outline and faces, mm.
    pub(crate) edge: f64,
}

/// A solid in part coordinates, mm.
#[derive(Clone, Debug)]
pub(crate) enum Solid {
    /// Everywhere or nowhere.
    Constant { inside: bool },
    /// The side of a plane away from its normal.
    HalfSpace { point: Point3, normal: UnitVec3 },
    /// A ball.
    Sphere { centre: Point3, radius: f64 },
    /// An endless round bar.
    Cylinder { point: Point3, direction: UnitVec3, radius: f64 },
    /// An endless cone that opens along its direction.
    Cone { point: Point3, direction: UnitVec3, radius: f64, half_angle: f64 },
    /// A round bar with rounded ends, thickening from one end to the other.
    Bar { ends: [Point3; 2], radii: [f64; 2] },
    /// A box with rounded edges, centred on its own origin.
    Block { block_from_part: RigidTransform, half: Vec3, round: f64 },
    /// See [`Plate`].
    Plate(Box<Plate>),
    /// All of its parts, with fillets of a radius where they meet.
    Union { parts: Vec<Solid>, fillet: f64 },
    /// What its parts have in common, with edges rounded to a radius.
    Common { parts: Vec<Solid>, round: f64 },
    /// Outside and inside swapped.
    Not(Box<Solid>),
    /// A skin made rough by a smooth random field.
    Rough { solid: Box<Solid>, field: std::sync::Arc<SmoothField>, amplitude: f64 },
}

/// The greater of two samples, with the edge between them rounded.
///
/// Where both lie within `r` below zero, the circle of radius `r` tangent to both
/// zero levels replaces the sharp edge.
fn rounded_max(a: Sample, b: Sample, r: f64) -> Sample {
    let (u, v) = (a.distance + r, b.distance + r);
    if u <= 0.0 || v <= 0.0 || r == 0.0 {
        return if a.distance >= b.distance { a } else { b };
    }
    let length = u.hypot(v);
    Sample::new(length - r, (a.gradient * u + b.gradient * v) / length)
}

/// [`rounded_max`] of values alone.
fn rounded_max_value(a: f64, b: f64, r: f64) -> f64 {
    if a <= -r || b <= -r || r == 0.0 { a.max(b) } else { (a + r).hypot(b + r) - r }
}

/// Signed distance to a closed outline and its gradient, in the plane.
fn outline_distance(outline: &[[f64; 2]], x: f64, y: f64) -> (f64, [f64; 2]) {
    let mut best = (f64::INFINITY, [0.0, 0.0], [1.0, 0.0]);
    let mut inside = false;
    for (i, &[bx, by]) in outline.iter().enumerate() {
        let [ax, ay] = outline[(i + outline.len() - 1) % outline.len()];
        let (ex, ey) = (bx - ax, by - ay);
        let t = ((x - ax) * ex + (y - ay) * ey) / (ex * ex + ey * ey);
        let t = t.clamp(0.0, 1.0);
        let (dx, dy) = (x - ax - t * ex, y - ay - t * ey);
        let squared = dx * dx + dy * dy;
        if squared < best.0 {
            best = (squared, [dx, dy], [ey, -ex]);
        }
        // Crossings of a ray towards +x: an odd number means inside.
        if (ay > y) != (by > y) && x < ax + ex * (y - ay) / ey {
            inside = !inside;
        }
    }
    let distance = best.0.sqrt();
    let sign = if inside { -1.0 } else { 1.0 };
    let [gx, gy] = if distance > 1e-12 {
        best.1.map(|d| d / distance)
    } else {
        let length = best.2[0].hypot(best.2[1]);
        best.2.map(|d| d / length)
    };
    (sign * distance, [sign * gx, sign * gy])
}

impl Solid {
    /// The value and gradient at a point.
    pub(crate) fn at(&self, p: &Point3) -> Sample {
        match self {
            Solid::Constant { inside } => Sample::new(if *inside { -1e6 } else { 1e6 }, Vec3::zeros()),
            Solid::HalfSpace { point, normal } => Sample::new(normal.dot(&(p - point)), normal.into_inner()),
            Solid::Sphere { centre, radius } => {
                let w = p - centre;
                let length = w.norm().max(1e-12);
                Sample::new(length - radius, w / length)
            }
            Solid::Cylinder { point, direction, radius } => {
                let w = p - point;
                let w = w - direction.into_inner() * direction.dot(&w);
                let length = w.norm().max(1e-12);
                Sample::new(length - radius, w / length)
            }
            Solid::Cone { point, direction, radius, half_angle } => {
                let w = p - point;
                let along = direction.dot(&w);
                let w = w - direction.into_inner() * along;
                let off = w.norm().max(1e-12);
                let (sin, cos) = half_angle.sin_cos();
                Sample::new((off - radius) * cos - along * sin, w * (cos / off) - direction.into_inner() * sin)
            }
            Solid::Bar { ends, radii } => {
                let (w, axis) = (p - ends[0], ends[1] - ends[0]);
                let squared = axis.norm_squared();
                let t = w.dot(&axis) / squared;
                let clamped = t.clamp(0.0, 1.0);
                let off = w - axis * clamped;
                let length = off.norm().max(1e-12);
                let growth = radii[1] - radii[0];
                let mut gradient = off / length;
                if t == clamped {
                    gradient -= axis * (growth / squared);
                }
                Sample::new(length - radii[0] - growth * clamped, gradient)
            }
            Solid::Block { block_from_part, half, round } => {
                let q = block_from_part.transform_point(p).coords;
                let excess = q.abs() - half.add_scalar(-round);
                let outside = excess.sup(&Vec3::zeros());
                let length = outside.norm();
                let sign = q.map(|c| if c < 0.0 { -1.0 } else { 1.0 });
                let (distance, gradient) = if length > 0.0 {
                    (length, outside.component_mul(&sign) / length)
                } else {
                    let nearest = excess.imax();
                    (excess[nearest], Vec3::ith(nearest, sign[nearest]))
                };
                Sample::new(distance - round, block_from_part.rotation.inverse() * gradient)
            }
            Solid::Plate(plate) => {
                let q = plate.plate_from_part.transform_point(p);
                let (distance, [gx, gy]) = outline_distance(&plate.outline, q.x, q.y);
                let wall = Sample::new(distance - plate.corner, Vec3::new(gx, gy, 0.0));
                let face = Sample::new(q.z.abs() - plate.half, Vec3::new(0.0, 0.0, if q.z < 0.0 { -1.0 } else { 1.0 }));
                let sample = rounded_max(wall, face, plate.edge);
                Sample::new(sample.distance, plate.plate_from_part.rotation.inverse() * sample.gradient)
            }
            Solid::Union { parts, fillet } => parts
                .iter()
                .map(|part| part.at(p).negated())
                .reduce(|a, b| rounded_max(a, b, *fillet))
                .map_or(Sample::new(1e6, Vec3::zeros()), Sample::negated),
            Solid::Common { parts, round } => parts
                .iter()
                .map(|part| part.at(p))
                .reduce(|a, b| rounded_max(a, b, *round))
                .unwrap_or(Sample::new(-1e6, Vec3::zeros())),
            Solid::Not(solid) => solid.at(p).negated(),
            Solid::Rough { solid, field, amplitude } => {
                let mut sample = solid.at(p);
                // Far from the skin its roughness does not matter, and the field costs time.
                if sample.distance.abs() < 12.0 {
                    let (value, slope) = field.at_with_gradient(p);
                    // Fades out with depth so that the value stays continuous.
                    let fade = 1.0 - (sample.distance / 12.0).powi(2);
                    sample.distance += amplitude * value * fade;
                    sample.gradient += slope * (*amplitude * fade);
                }
                sample
            }
        }
    }

    /// The part of the tree that decides the surface within `reach` of `centre`.
    ///
    /// There the result has the same zero level, the same sign everywhere, and bit for bit
    /// the same value wherever that is nearer to zero than every fillet's radius.
    pub(crate) fn near(&self, centre: &Point3, reach: f64) -> Solid {
        let reach = reach * STEEPEST;
        self.pruned(centre, reach, 0.0).0
    }

    /// The pruned tree and the bounds of its value within reach. `margin` is the largest
    /// radius of any operation above: values further from zero than that are all alike.
    fn pruned(&self, centre: &Point3, reach: f64, margin: f64) -> (Solid, f64, f64) {
        match self {
            Solid::Union { parts, fillet } => {
                let margin = margin.max(*fillet);
                let (kept, low, high) = keep(parts, centre, reach, margin, |low, _| low < margin);
                let fold = |values: &[f64]| {
                    -values.iter().map(|v| -v).reduce(|a, b| rounded_max_value(a, b, *fillet)).unwrap_or(-1e6)
                };
                let bounds = (fold(&low), fold(&high));
                let solid = gather(kept, false, |parts| Solid::Union { parts, fillet: *fillet });
                (solid, bounds.0, bounds.1)
            }
            Solid::Common { parts, round } => {
                let margin = margin.max(*round);
                let (kept, low, high) = keep(parts, centre, reach, margin, |_, high| high > -margin);
                let fold = |values: &[f64]| {
                    values.iter().copied().reduce(|a, b| rounded_max_value(a, b, *round)).unwrap_or(-1e6)
                };
                let bounds = (fold(&low), fold(&high));
                let solid = gather(kept, true, |parts| Solid::Common { parts, round: *round });
                (solid, bounds.0, bounds.1)
            }
            Solid::Not(solid) => {
                let (solid, low, high) = solid.pruned(centre, reach, margin);
                (Solid::Not(Box::new(solid)), -high, -low)
            }
            Solid::Rough { solid, field, amplitude } => {
                // A field's value stays within five deviations.
                let swing = 5.0 * amplitude;
                let (solid, low, high) = solid.pruned(centre, reach, margin + swing);
                let rough = if matches!(solid, Solid::Constant { .. }) {
                    solid
                } else {
                    Solid::Rough { solid: Box::new(solid), field: field.clone(), amplitude: *amplitude }
                };
                (rough, low - swing, high + swing)
            }
            primitive => {
                let value = primitive.at(centre).distance;
                (primitive.clone(), value - reach, value + reach)
            }
        }
    }

    /// This solid less `tool`, the new edges rounded.
    pub(crate) fn minus(self, tool: Solid, round: f64) -> Solid {
        Solid::Common { parts: vec![self, Solid::Not(Box::new(tool))], round }
    }
}

type Kept = (Vec<Solid>, Vec<f64>, Vec<f64>);

/// The parts that matter, and the bounds of all of them.
fn keep(parts: &[Solid], centre: &Point3, reach: f64, margin: f64, matters: impl Fn(f64, f64) -> bool) -> Kept {
    let mut kept: Kept = (Vec::new(), Vec::new(), Vec::new());
    for part in parts {
        let (solid, low, high) = part.pruned(centre, reach, margin);
        kept.1.push(low);
        kept.2.push(high);
        if matters(low, high) {
            kept.0.push(solid);
        }
    }
    kept
}

/// One part stands for itself, none for everything or nothing.
fn gather(mut kept: Vec<Solid>, inside: bool, wrap: impl Fn(Vec<Solid>) -> Solid) -> Solid {
    match kept.len() {
        0 => Solid::Constant { inside },
        1 => kept.remove(0),
        _ => wrap(kept),
    }
}

/// A plane's solid side.
pub(crate) fn half_space(point: Point3, normal: UnitVec3) -> Solid {
    Solid::HalfSpace { point, normal }
}

/// All of the parts, with fillets.
pub(crate) fn union(fillet: f64, parts: Vec<Solid>) -> Solid {
    Solid::Union { parts, fillet }
}

/// A round bar with rounded ends.
pub(crate) fn bar(a: Point3, b: Point3, ra: f64, rb: f64) -> Solid {
    Solid::Bar { ends: [a, b], radii: [ra, rb] }
}

/// A cylinder between two coordinates along its direction, its rims rounded.
pub(crate) fn rod(point: Point3, direction: UnitVec3, along: [f64; 2], radius: f64, round: f64) -> Solid {
    let mut parts = slab(point, direction, along);
    parts.insert(0, Solid::Cylinder { point, direction, radius });
    Solid::Common { parts, round }
}

/// A cone's frustum between two coordinates along its direction, its rims sharp.
pub(crate) fn frustum(point: Point3, direction: UnitVec3, along: [f64; 2], radius: f64, half_angle: f64) -> Solid {
    let mut parts = slab(point, direction, along);
    parts.insert(0, Solid::Cone { point, direction, radius, half_angle });
    Solid::Common { parts, round: 0.0 }
}

fn slab(point: Point3, direction: UnitVec3, along: [f64; 2]) -> Vec<Solid> {
    vec![
        half_space(point + direction.into_inner() * along[1], direction),
        half_space(point + direction.into_inner() * along[0], -direction),
    ]
}

/// A rounded box: `x` and `z` are its own axes (made square), `half` its half lengths along x, y, z.
pub(crate) fn block(centre: Point3, z: UnitVec3, x: Vec3, half: [f64; 3], round: f64) -> Solid {
    Solid::Block { block_from_part: own_frame(centre, z, x), half: Vec3::from(half), round }
}

/// An extruded outline: see [`Plate`]. The outline's x runs along `x` as far as square to `z`.
pub(crate) fn plate(
    origin: Point3,
    z: UnitVec3,
    x: Vec3,
    outline: &[[f64; 2]],
    half: f64,
    corner: f64,
    edge: f64,
) -> Solid {
    Solid::Plate(Box::new(Plate {
        plate_from_part: own_frame(origin, z, x),
        outline: outline.to_vec(),
        half,
        corner,
        edge,
    }))
}

/// Takes part coordinates to a frame at `origin` with the given z and, nearly, x.
pub(crate) fn own_frame(origin: Point3, z: UnitVec3, x: Vec3) -> RigidTransform {
    let x =
        UnitVec3::try_new(x - z.into_inner() * z.dot(&x), 1e-9).map_or_else(|| frame_about(&z).0, UnitVec3::into_inner);
    let y = z.cross(&x);
    let rotation = nalgebra::Rotation3::from_matrix_unchecked(nalgebra::Matrix3::from_columns(&[x, y, z.into_inner()]));
    RigidTransform::from_parts(origin.coords.into(), nalgebra::UnitQuaternion::from_rotation_matrix(&rotation))
        .inverse()
}
