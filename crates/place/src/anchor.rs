//! What a placement holds on to: a point, an axis or a face of a scan, with its uncertainty.

use nalgebra::{DMatrix, Matrix3};
use stringline_core::covariance::{Source, Sources, chain};
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_fit::{Feature, Shape};

/// What a datum can hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hold {
    /// A position: three freedoms.
    Point,
    /// A line: four.
    Axis,
    /// A plane: three.
    Face,
    /// A line and a position on it, as a taper has with its gauge point and a rim with its centre: five.
    Seat,
}

impl Hold {
    /// The word on screen.
    pub fn word(self) -> &'static str {
        match self {
            Hold::Point => "point",
            Hold::Axis => "axis",
            Hold::Face => "face",
            Hold::Seat => "axis with a point",
        }
    }

    pub(crate) fn has_point(self) -> bool {
        matches!(self, Hold::Point | Hold::Seat)
    }
}

/// A datum as a placement uses it, in the frame of its scan.
///
/// As numbers it is its position, followed by its unit direction where it has one: three or six
/// of them, the rows of its sources' Jacobians.
#[derive(Clone, Debug, PartialEq)]
pub struct Anchor {
    /// What it is called.
    pub name: String,
    /// What it can hold.
    pub hold: Hold,
    /// mm.
    pub position: Point3,
    /// Along an axis, or a face's normal; a point has none.
    pub direction: Option<UnitVec3>,
    /// Where its uncertainty comes from; empty where it is exact.
    pub sources: Sources,
}

impl Anchor {
    /// A position known exactly.
    pub fn exact_point(name: impl Into<String>, position: Point3) -> Anchor {
        Anchor { name: name.into(), hold: Hold::Point, position, direction: None, sources: Sources::new() }
    }

    /// An axis or a face known exactly.
    pub fn exact(name: impl Into<String>, hold: Hold, position: Point3, direction: UnitVec3) -> Anchor {
        Anchor { name: name.into(), hold, position, direction: Some(direction), sources: Sources::new() }
    }

    /// What a fitted feature holds: a sphere its centre, a cylinder its axis, a plane its face, a cone and a
    /// circle an axis with a point. The point of a cone is where it has the radius `gauge` (mm), or its
    /// reported one: the same taper on two scans needs the same gauge.
    pub fn of_feature(name: impl Into<String>, feature: &Feature, gauge: Option<f64>) -> Anchor {
        let name = name.into();
        let (hold, position, direction, jacobian) = match feature.shape {
            Shape::Sphere { centre, .. } => (Hold::Point, centre, None, identity(3, 4)),
            Shape::Plane { point, normal } => (Hold::Face, point, Some(normal), identity(6, 6)),
            Shape::Cylinder { point, direction, .. } => (Hold::Axis, point, Some(direction), identity(6, 7)),
            Shape::Circle { centre, normal, .. } => (Hold::Seat, centre, Some(normal), identity(6, 7)),
            Shape::Cone { point, direction, radius, half_angle } => {
                // p + d·s with s = (gauge − radius)/tan ψ.
                let tan = half_angle.tan();
                let along = gauge.map_or(0.0, |gauge| (gauge - radius) / tan);
                let mut jacobian = identity(6, 8);
                if gauge.is_some() {
                    let d: Vec3 = direction.into_inner();
                    jacobian.view_mut((0, 3), (3, 3)).copy_from(&(Matrix3::identity() * along));
                    jacobian.view_mut((0, 6), (3, 1)).copy_from(&(d * (-1.0 / tan)));
                    jacobian
                        .view_mut((0, 7), (3, 1))
                        .copy_from(&(d * (-along / (half_angle.sin() * half_angle.cos()))));
                }
                (Hold::Seat, point + direction.into_inner() * along, Some(direction), jacobian)
            }
        };
        let source = Source {
            jacobian,
            covariance: feature.covariance.clone(),
            degrees_of_freedom: feature.noise.degrees_of_freedom,
        };
        Anchor { sources: Sources::from([(name.clone(), source)]), name, hold, position, direction }
    }

    /// The same datum with its direction turned round.
    pub fn turned(mut self) -> Anchor {
        if let Some(d) = &mut self.direction {
            *d = -*d;
            for source in self.sources.values_mut() {
                source.jacobian.rows_mut(3, 3).neg_mut();
            }
        }
        self
    }

    /// Its mirror image in y = 0; it must be in the car's frame.
    pub fn mirrored(&self) -> Anchor {
        let n = self.numbers();
        let mirror = DMatrix::from_fn(n, n, |i, j| if i != j { 0.0 } else { MIRROR[i % 3] });
        Anchor {
            name: self.name.clone(),
            hold: self.hold,
            position: Point3::new(self.position.x, -self.position.y, self.position.z),
            direction: self.direction.map(|d| UnitVec3::new_unchecked(Vec3::new(d.x, -d.y, d.z))),
            sources: chain(&[(mirror, &self.sources)]),
        }
    }

    /// How many numbers it is: 3 or 6.
    pub fn numbers(&self) -> usize {
        if self.direction.is_some() { 6 } else { 3 }
    }
}

/// The mirror in y = 0 as a diagonal.
pub(crate) const MIRROR: [f64; 3] = [1.0, -1.0, 1.0];

fn identity(rows: usize, columns: usize) -> DMatrix<f64> {
    DMatrix::identity(rows, columns)
}
