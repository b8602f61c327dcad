//! What a fit returns: an associated feature with its form error and uncertainty
//! (ISO 5459 and ISO 14405 sense).

use nalgebra::{DMatrix, DVector};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_core::{Point3, UnitVec3, Vec3};

/// The kinds of feature that can be fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A flat face.
    Plane,
    /// A bore, a pin or a bushing.
    Cylinder,
    /// A taper seat or a chamfer.
    Cone,
    /// A ball or a cup.
    Sphere,
    /// The rim of a hole: points along a circle.
    Circle,
}

impl Kind {
    /// The word on screen and on the command line.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Plane => "plane",
            Kind::Cylinder => "cylinder",
            Kind::Cone => "cone",
            Kind::Sphere => "sphere",
            Kind::Circle => "circle",
        }
    }

    /// The word of the trade for one whose material is on that side.
    pub fn words(self, side: Side) -> &'static str {
        match (self, side) {
            (Kind::Plane, _) => "plane",
            (Kind::Circle, _) => "circle",
            (Kind::Cylinder, Side::Internal) => "bore (cylinder)",
            (Kind::Cylinder, Side::External) => "pin (cylinder)",
            (Kind::Cylinder, Side::Unknown) => "cylinder",
            (Kind::Cone, Side::Internal) => "taper seat (cone)",
            (Kind::Cone, Side::External) => "taper (cone)",
            (Kind::Cone, Side::Unknown) => "cone",
            (Kind::Sphere, Side::Internal) => "cup (sphere)",
            (Kind::Sphere, Side::External) => "ball (sphere)",
            (Kind::Sphere, Side::Unknown) => "sphere",
        }
    }
}

impl std::fmt::Display for Kind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}

/// An ideal surface or curve, mm and rad, in the frame of the points it was fitted to.
///
/// Its parameter vector (see [`Shape::parameters`]) lists the fields in their order:
/// three numbers for a point or a direction, one for a radius or an angle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// Parameters: point, normal (6).
    Plane {
        /// The data centroid projected on the plane.
        point: Point3,
        /// Out of the material where that is known.
        normal: UnitVec3,
    },
    /// Parameters: point, direction, radius (7).
    Cylinder {
        /// On the axis, in the cross-section through the data centroid.
        point: Point3,
        /// Along the axis; of its two senses the one whose largest component is positive.
        direction: UnitVec3,
        /// mm.
        radius: f64,
    },
    /// Parameters: point, direction, radius at the point, half angle (8).
    Cone {
        /// On the axis, in the cross-section through the data centroid.
        point: Point3,
        /// Along the axis, from the apex towards the wide end.
        direction: UnitVec3,
        /// Radius of the cross-section through `point`, mm.
        radius: f64,
        /// Half the included angle, rad, in (0, π/2).
        half_angle: f64,
    },
    /// Parameters: centre, radius (4).
    Sphere {
        /// mm.
        centre: Point3,
        /// mm.
        radius: f64,
    },
    /// Parameters: centre, normal, radius (7).
    Circle {
        /// mm.
        centre: Point3,
        /// Square to the circle's plane.
        normal: UnitVec3,
        /// mm.
        radius: f64,
    },
}

impl Shape {
    /// Which kind it is.
    pub fn kind(&self) -> Kind {
        match self {
            Shape::Plane { .. } => Kind::Plane,
            Shape::Cylinder { .. } => Kind::Cylinder,
            Shape::Cone { .. } => Kind::Cone,
            Shape::Sphere { .. } => Kind::Sphere,
            Shape::Circle { .. } => Kind::Circle,
        }
    }

    /// The reported point: on the plane, on the axis, or the centre, mm.
    pub fn point(&self) -> Point3 {
        match *self {
            Shape::Plane { point, .. } | Shape::Cylinder { point, .. } | Shape::Cone { point, .. } => point,
            Shape::Sphere { centre, .. } | Shape::Circle { centre, .. } => centre,
        }
    }

    /// The axis direction or the plane's normal; a sphere has none.
    pub fn direction(&self) -> Option<UnitVec3> {
        match *self {
            Shape::Plane { normal, .. } | Shape::Circle { normal, .. } => Some(normal),
            Shape::Cylinder { direction, .. } | Shape::Cone { direction, .. } => Some(direction),
            Shape::Sphere { .. } => None,
        }
    }

    /// Radius, mm (for a cone, at its point); a plane has none.
    pub fn radius(&self) -> Option<f64> {
        match *self {
            Shape::Plane { .. } => None,
            Shape::Cylinder { radius, .. }
            | Shape::Cone { radius, .. }
            | Shape::Sphere { radius, .. }
            | Shape::Circle { radius, .. } => Some(radius),
        }
    }

    /// Half the included angle of a cone, rad.
    pub fn half_angle(&self) -> Option<f64> {
        match *self {
            Shape::Cone { half_angle, .. } => Some(half_angle),
            _ => None,
        }
    }

    /// Where a cone's surface meets its axis, mm.
    pub fn apex(&self) -> Option<Point3> {
        match *self {
            Shape::Cone { point, direction, radius, half_angle } => {
                Some(point - direction.into_inner() * (radius / half_angle.tan()))
            }
            _ => None,
        }
    }

    /// The fields as one vector, in the order given at each variant.
    pub fn parameters(&self) -> DVector<f64> {
        let mut p: Vec<f64> = self.point().iter().copied().collect();
        if let Some(d) = self.direction() {
            p.extend(d.iter());
        }
        p.extend(self.radius());
        p.extend(self.half_angle());
        DVector::from_vec(p)
    }

    /// Signed distance of a point from the surface along its outward side, mm: positive
    /// on the normal's side of a plane and outside a round shape. For a circle the
    /// (unsigned) distance from the curve.
    pub fn distance(&self, p: &Point3) -> f64 {
        match *self {
            Shape::Plane { point, normal } => normal.dot(&(p - point)),
            Shape::Cylinder { point, direction, radius } => {
                let w = p - point;
                (w - direction.into_inner() * direction.dot(&w)).norm() - radius
            }
            Shape::Cone { point, direction, radius, half_angle } => {
                let w = p - point;
                let along = direction.dot(&w);
                let off = (w - direction.into_inner() * along).norm();
                (off - radius) * half_angle.cos() - along * half_angle.sin()
            }
            Shape::Sphere { centre, radius } => (p - centre).norm() - radius,
            Shape::Circle { centre, normal, radius } => {
                let w = p - centre;
                let height = normal.dot(&w);
                let off = (w - normal.into_inner() * height).norm() - radius;
                off.hypot(height)
            }
        }
    }

    /// Unit outward normal of the surface nearest `p`; `None` on an axis or at a centre,
    /// and for a circle, which is a curve.
    pub fn normal_at(&self, p: &Point3) -> Option<Vec3> {
        match *self {
            Shape::Plane { normal, .. } => Some(normal.into_inner()),
            Shape::Cylinder { point, direction, .. } => {
                let w = p - point;
                (w - direction.into_inner() * direction.dot(&w)).try_normalize(1e-12)
            }
            Shape::Cone { point, direction, half_angle, .. } => {
                let w = p - point;
                let radial = (w - direction.into_inner() * direction.dot(&w)).try_normalize(1e-12)?;
                Some(radial * half_angle.cos() - direction.into_inner() * half_angle.sin())
            }
            Shape::Sphere { centre, .. } => (p - centre).try_normalize(1e-12),
            Shape::Circle { .. } => None,
        }
    }
}

/// On which side of the surface the material lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// A hole, a seat, a cup: the material is outside the round shape.
    Internal,
    /// A pin, a boss, a ball: the material is inside the round shape. A face: behind its normal.
    External,
    /// The points carried no normals to tell by.
    Unknown,
}

/// How far over the ideal shape the fitted points reach.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Extent {
    /// Lowest and highest coordinate along the direction from the reported point, mm (0, 0 for a plane and a sphere).
    pub along: [f64; 2],
    /// Largest distance of a used point from the reported point, across the direction, mm.
    pub across: f64,
    /// Angle round the axis that holds points, rad, up to 2π (0 for a plane).
    pub arc: f64,
}

/// How the residuals behave: what the uncertainty rests on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Noise {
    /// Standard deviation of the residuals, degrees of freedom counted, mm.
    pub sigma: f64,
    /// The share of the variance that neighbouring points have in common, 0 to 1.
    pub correlated_share: f64,
    /// The distance over which they have it in common, mm (0 where the share is 0).
    pub correlation_length: f64,
    /// Effective degrees of freedom of the stated uncertainty (JCGM 100, G.4).
    pub degrees_of_freedom: f64,
}

/// An associated feature: the ideal shape that fits the points, and how far it can be trusted.
#[derive(Clone, Debug, PartialEq)]
pub struct Feature {
    /// The ideal shape.
    pub shape: Shape,
    /// Covariance of [`Shape::parameters`], in mm and rad; square, and singular where a
    /// parameter is constrained (a direction has unit length, a reported point stays in its cross-section).
    pub covariance: DMatrix<f64>,
    /// What the covariance rests on.
    pub noise: Noise,
    /// Where the used points lie.
    pub extent: Extent,
    /// Where the material is.
    pub side: Side,
    /// Root mean square distance of the used points, mm.
    pub rms: f64,
    /// Largest less smallest distance of the used points (peak to valley), mm.
    pub form_error: f64,
    /// Points that decided the shape.
    pub used: usize,
    /// Points left out as not belonging to it.
    pub rejected: usize,
    /// Which ones: ascending places in the points given.
    pub left_out: Vec<u32>,
    /// Whether the iteration met its tolerance.
    pub converged: bool,
    /// Iterations of the final least-squares pass.
    pub iterations: usize,
}
