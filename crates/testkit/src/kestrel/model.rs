//! A part as it is modelled: its solid, the features a person would measure on it, and
//! what the scanner does not see.

use crate::kestrel::mesher::Zone;
use crate::kestrel::solid::Solid;
use serde::Serialize;
use stringline_core::{Point3, UnitVec3, Vec3, frame_about};
use stringline_fit::feature::{Shape, Side};

/// Cell size on most features, mm. Cells are the finest size times a power of two, so
/// most come out at 1.2 mm, which puts vertices a millimetre apart; some patches are finer.
const USUAL: f64 = 1.56;
/// Cell size on small seats and holes, mm.
pub(crate) const SMALL: f64 = 0.6;

/// One touch of the brush that a person would make, in the frame of its feature.
#[derive(Clone, Debug)]
pub struct TrueDab {
    /// On the nominal surface, mm.
    pub centre: Point3,
    /// mm.
    pub radius: f64,
    /// From the surface towards the viewer: the outward normal of the material.
    pub seen_from: UnitVec3,
}

/// A region round a segment: where a feature is interrupted, or what the scanner misses.
#[derive(Clone, Debug)]
pub(crate) struct Region {
    pub(crate) ends: [Point3; 2],
    pub(crate) radius: f64,
}

impl Region {
    pub(crate) fn ball(centre: Point3, radius: f64) -> Self {
        Self { ends: [centre; 2], radius }
    }

    /// Distance from the region's border, negative inside, mm.
    pub(crate) fn distance(&self, p: &Point3) -> f64 {
        let (w, axis) = (p - self.ends[0], self.ends[1] - self.ends[0]);
        let squared = axis.norm_squared();
        let t = if squared > 0.0 { (w.dot(&axis) / squared).clamp(0.0, 1.0) } else { 0.0 };
        (w - axis * t).norm() - self.radius
    }
}

/// A feature of the model, exact, in the car frame.
#[derive(Clone, Debug)]
pub struct TrueFeature {
    /// snake_case, unique within the part.
    pub name: &'static str,
    /// The role it bears on, if one.
    pub role: Option<&'static str>,
    /// The exact surface. A plane's normal points out of the material.
    pub shape: Shape,
    /// Where the material is.
    pub side: Side,
    /// The direction extents are counted along: the axis, the normal, or for a ball its neck.
    pub along_direction: UnitVec3,
    /// Where the surface is exact: lowest and highest coordinate along that direction from
    /// the shape's point, mm. Edges beyond are rounded.
    pub along: [f64; 2],
    /// Nearest and furthest distance from the line through the point along that direction, mm.
    pub across: [f64; 2],
    /// Suggested dabs.
    pub dabs: Vec<TrueDab>,
    pub(crate) breaks: Vec<Region>,
    /// Wanted cell size of the mesh here, mm.
    pub(crate) cell: f64,
}

impl TrueFeature {
    fn new(name: &'static str, shape: Shape, side: Side, direction: UnitVec3) -> Self {
        Self {
            name,
            role: None,
            shape,
            side,
            along_direction: direction,
            along: [f64::NEG_INFINITY, f64::INFINITY],
            across: [0.0, f64::INFINITY],
            dabs: Vec::new(),
            breaks: Vec::new(),
            cell: USUAL,
        }
    }

    /// A bore, a pin or a bushing.
    pub(crate) fn cylinder(
        name: &'static str,
        point: Point3,
        direction: UnitVec3,
        radius: f64,
        along: [f64; 2],
        side: Side,
    ) -> Self {
        let shape = Shape::Cylinder { point, direction, radius };
        Self { along, ..Self::new(name, shape, side, direction) }
    }

    /// A tapered seat; `along` counts from `point` towards the wide end.
    pub(crate) fn taper(
        name: &'static str,
        point: Point3,
        direction: UnitVec3,
        radius: f64,
        half_angle: f64,
        along: [f64; 2],
    ) -> Self {
        let shape = Shape::Cone { point, direction, radius, half_angle };
        Self { along, ..Self::new(name, shape, Side::Internal, direction) }
    }

    /// A flat ring between two radii round `point`.
    pub(crate) fn face(name: &'static str, point: Point3, normal: UnitVec3, across: [f64; 2]) -> Self {
        Self { across, ..Self::new(name, Shape::Plane { point, normal }, Side::Unknown, normal) }
    }

    /// A ball on a neck: `along` counts along `neck` from its centre.
    pub(crate) fn ball(name: &'static str, centre: Point3, radius: f64, neck: UnitVec3, along: [f64; 2]) -> Self {
        let shape = Shape::Sphere { centre, radius };
        Self { along, ..Self::new(name, shape, Side::External, neck) }
    }

    pub(crate) fn role(mut self, role: &'static str) -> Self {
        self.role = Some(role);
        self
    }

    pub(crate) fn cell(mut self, cell: f64) -> Self {
        self.cell = cell;
        self
    }

    /// Leaves out where another cut interrupts the surface.
    pub(crate) fn broken(mut self, breaks: impl IntoIterator<Item = Region>) -> Self {
        self.breaks.extend(breaks);
        self
    }

    /// Spreads dabs evenly round the axis: `count` of them at each of the coordinates
    /// `along` (for a face: at each of the distances from its centre), the first one
    /// `phase` turns on. Those that would touch an interruption are left out.
    pub(crate) fn dabs(mut self, count: usize, at: &[f64], phase: f64, radius: f64) -> Self {
        let axis = self.along_direction;
        let (u, v) = frame_about(&axis);
        for (row, &at) in at.iter().enumerate() {
            for i in 0..count {
                let turn = phase + (i as f64 + 0.5 * (row % 2) as f64) / count as f64;
                let (sin, cos) = (turn * std::f64::consts::TAU).sin_cos();
                let out = u * cos + v * sin;
                let point = self.shape.point();
                let (centre, outward) = match self.shape {
                    Shape::Plane { normal, .. } => (point + out * at, normal.into_inner()),
                    Shape::Cylinder { radius, .. } => (point + axis.into_inner() * at + out * radius, out),
                    Shape::Cone { radius, half_angle, .. } => (
                        point + axis.into_inner() * at + out * (radius + at * half_angle.tan()),
                        out * half_angle.cos() - axis.into_inner() * half_angle.sin(),
                    ),
                    Shape::Sphere { radius, .. } => {
                        let level = (radius * radius - at * at).max(0.0).sqrt();
                        let outward = (axis.into_inner() * at + out * level) / radius;
                        (point + outward * radius, outward)
                    }
                    Shape::Circle { .. } => continue,
                };
                let outward = match self.side {
                    Side::Internal => -outward,
                    _ => outward,
                };
                if self.breaks.iter().all(|b| b.distance(&centre) > radius) {
                    self.dabs.push(TrueDab { centre, radius, seen_from: UnitVec3::new_normalize(outward) });
                }
            }
        }
        self
    }

    /// Whether a point near the surface lies where the surface is exact and uninterrupted.
    pub fn covers(&self, p: &Point3) -> bool {
        let w = p - self.shape.point();
        let along = self.along_direction.dot(&w);
        let across = (w - self.along_direction.into_inner() * along).norm();
        (matches!(self.shape, Shape::Plane { .. }) || (self.along[0]..=self.along[1]).contains(&along))
            && (self.across[0]..=self.across[1]).contains(&across)
            && self.breaks.iter().all(|b| b.distance(p) > 0.0)
    }

    /// Where the mesh must be fine for this feature.
    pub(crate) fn zone(&self) -> Zone {
        let (along, across) = match self.shape {
            Shape::Plane { .. } | Shape::Circle { .. } => ([0.0, 0.0], self.across),
            Shape::Sphere { radius, .. } => (self.along, [0.0, radius]),
            Shape::Cylinder { radius, .. } => (self.along, [radius, radius]),
            Shape::Cone { radius, half_angle, .. } => (self.along, self.along.map(|a| radius + a * half_angle.tan())),
        };
        Zone { point: self.shape.point(), direction: self.along_direction, along, across, size: self.cell }
    }
}

/// How a person makes a hardpoint from features.
#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Construction {
    /// The feature's own axis.
    Axis {
        /// A cylinder or cone.
        feature: &'static str,
    },
    /// The feature's own plane; stated where the named axis meets it.
    Face {
        /// A plane.
        feature: &'static str,
        /// A cylinder.
        axis: &'static str,
    },
    /// The centre of a ball.
    SphereCentre {
        /// A sphere.
        feature: &'static str,
    },
    /// The point of a taper's axis where its diameter is the gauge diameter.
    GaugePoint {
        /// A cone.
        feature: &'static str,
        /// mm.
        gauge_diameter: f64,
    },
    /// Where an axis meets a plane.
    AxisAndPlane {
        /// A cylinder.
        axis: &'static str,
        /// A plane.
        plane: &'static str,
    },
    /// Where an axis meets the plane midway between two faces.
    AxisAndMidPlane {
        /// A cylinder.
        axis: &'static str,
        /// Two planes.
        faces: [&'static str; 2],
    },
    /// Where the common axis of two bores meets the plane midway between two faces.
    JointAxisAndMidPlane {
        /// Two cylinders on one axis.
        axes: [&'static str; 2],
        /// Two planes.
        faces: [&'static str; 2],
    },
    /// On an axis, this far from a face on the side its normal points to (negative: the other side).
    AxisFromFace {
        /// A cylinder.
        axis: &'static str,
        /// A plane.
        face: &'static str,
        /// Along the axis, mm.
        distance: f64,
    },
    /// The axis through the centres of two features.
    AxisThroughCentres {
        /// Two spheres.
        features: [&'static str; 2],
    },
}

/// A hardpoint that can be made from one part's features.
#[derive(Clone, Debug)]
pub struct TrueHardpoint {
    /// A role of the hardpoint set.
    pub role: &'static str,
    /// "left" or "right".
    pub side: &'static str,
    /// How a person would make it.
    pub construction: Construction,
}

impl Construction {
    /// The exact position in the car frame, and the direction of an axis or a face.
    ///
    /// `None` when a named feature is missing or of another kind.
    pub fn solve(&self, features: &[TrueFeature]) -> Option<(Point3, Option<UnitVec3>)> {
        let find = |name: &str| features.iter().find(|f| f.name == name).map(|f| f.shape);
        let axis = |name: &str| {
            let shape = find(name)?;
            Some((shape.point(), shape.direction()?.into_inner()))
        };
        let meet = |(point, along): (Point3, Vec3), (on, normal): (Point3, Vec3)| {
            point + along * (normal.dot(&(on - point)) / normal.dot(&along))
        };
        let mid_plane = |faces: &[&str; 2]| {
            let [(a, na), (b, nb)] = [axis(faces[0])?, axis(faces[1])?];
            let normal = if na.dot(&nb) < 0.0 { na - nb } else { na + nb };
            Some((nalgebra::center(&a, &b), normal))
        };
        match self {
            Construction::Axis { feature } => {
                let shape = find(feature)?;
                Some((shape.point(), shape.direction()))
            }
            Construction::Face { feature, axis: through } => {
                let plane = axis(feature)?;
                Some((meet(axis(through)?, plane), Some(UnitVec3::new_normalize(plane.1))))
            }
            Construction::SphereCentre { feature } => Some((find(feature)?.point(), None)),
            Construction::GaugePoint { feature, gauge_diameter } => {
                let cone = find(feature)?;
                let on_to = (0.5 * gauge_diameter - cone.radius()?) / cone.half_angle()?.tan();
                Some((cone.point() + cone.direction()?.into_inner() * on_to, None))
            }
            Construction::AxisAndPlane { axis: line, plane } => Some((meet(axis(line)?, axis(plane)?), None)),
            Construction::AxisAndMidPlane { axis: line, faces } => Some((meet(axis(line)?, mid_plane(faces)?), None)),
            Construction::JointAxisAndMidPlane { axes, faces } => {
                let [(a, _), (b, _)] = [axis(axes[0])?, axis(axes[1])?];
                Some((meet((a, b - a), mid_plane(faces)?), None))
            }
            Construction::AxisFromFace { axis: line, face, distance } => {
                let (line, face) = (axis(line)?, axis(face)?);
                let along = line.1 * line.1.dot(&face.1).signum();
                Some((meet(line, face) + along * *distance, None))
            }
            Construction::AxisThroughCentres { features } => {
                let [a, b] = [find(features[0])?.point(), find(features[1])?.point()];
                Some((nalgebra::center(&a, &b), UnitVec3::try_new(b - a, 1e-9)))
            }
        }
    }
}

/// A part of the car as modelled, in the car frame.
pub struct PartModel {
    /// What a person measures.
    pub features: Vec<TrueFeature>,
    /// What can be made of it.
    pub hardpoints: Vec<TrueHardpoint>,
    pub(crate) solid: Solid,
    /// Only the skin inside this is scanned.
    pub(crate) window: Solid,
    /// A box that holds the window, mm.
    pub(crate) bounds: [[f64; 3]; 2],
    /// Cell size on blank surfaces, mm.
    pub(crate) coarse: f64,
    /// Cell size where blank surfaces bend sharply, mm.
    pub(crate) edges: f64,
    /// Further places that need a fine mesh (thin walls).
    pub(crate) zones: Vec<Zone>,
    /// What the scanner did not see.
    pub(crate) unseen: Vec<Region>,
}
