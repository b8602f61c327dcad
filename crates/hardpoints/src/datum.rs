//! A constructed point, axis or face, and what its uncertainty comes from.

use nalgebra::{DMatrix, Matrix3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
pub use stringline_core::covariance::{Source, Sources};
use stringline_core::covariance::{chain, combined, coverage_factor, largest_sigma, propagate};
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_fit::{Feature, Shape};

/// The kinds of datum a role can be played by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DatumKind {
    /// A position.
    Point,
    /// A line: a position on it and a direction.
    Axis,
    /// A plane: a position on it and its normal.
    Face,
}

impl DatumKind {
    /// The word on screen.
    pub fn word(self) -> &'static str {
        match self {
            DatumKind::Point => "point",
            DatumKind::Axis => "axis",
            DatumKind::Face => "face",
        }
    }
}

impl std::fmt::Display for DatumKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}

/// A constructed point, axis or face, mm.
///
/// As numbers it is its position, followed for an axis or a face by its unit direction:
/// three or six of them, the order of every covariance and Jacobian here.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Datum {
    /// A position.
    Point {
        /// mm.
        position: Point3,
    },
    /// A line.
    Axis {
        /// On the line, mm.
        position: Point3,
        /// Along the line.
        direction: UnitVec3,
    },
    /// A plane.
    Face {
        /// On the plane, mm.
        position: Point3,
        /// Square to the plane.
        normal: UnitVec3,
    },
}

impl Datum {
    /// Point, axis or face.
    pub fn kind(&self) -> DatumKind {
        match self {
            Datum::Point { .. } => DatumKind::Point,
            Datum::Axis { .. } => DatumKind::Axis,
            Datum::Face { .. } => DatumKind::Face,
        }
    }

    /// The position, mm.
    pub fn position(&self) -> Point3 {
        match *self {
            Datum::Point { position } | Datum::Axis { position, .. } | Datum::Face { position, .. } => position,
        }
    }

    /// The direction of an axis or the normal of a face.
    pub fn direction(&self) -> Option<UnitVec3> {
        match *self {
            Datum::Point { .. } => None,
            Datum::Axis { direction, .. } => Some(direction),
            Datum::Face { normal, .. } => Some(normal),
        }
    }

    /// The same datum in another frame.
    pub fn placed(&self, car_from_scan: &RigidTransform) -> Datum {
        let turn = |d: UnitVec3| car_from_scan.rotation * d;
        match *self {
            Datum::Point { position } => Datum::Point { position: car_from_scan * position },
            Datum::Axis { position, direction } => {
                Datum::Axis { position: car_from_scan * position, direction: turn(direction) }
            }
            Datum::Face { position, normal } => {
                Datum::Face { position: car_from_scan * position, normal: turn(normal) }
            }
        }
    }

    /// How many numbers describe it: 3 or 6.
    pub fn dimension(&self) -> usize {
        match self {
            Datum::Point { .. } => 3,
            Datum::Axis { .. } | Datum::Face { .. } => 6,
        }
    }
}

/// Something about a construction the user should look at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "note", rename_all = "snake_case")]
pub enum Note {
    /// The result lies beyond the measured part of a feature by more than that part is long.
    Extrapolated {
        /// The feature.
        feature: String,
        /// How far beyond its measured part, mm.
        beyond: f64,
        /// Length of the measured part, mm.
        measured: f64,
    },
    /// A fit this rests on did not meet its tolerance.
    NotConverged {
        /// The feature.
        feature: String,
    },
    /// The sense of a distance follows the direction a fit happened to report.
    SenseFromFit {
        /// The feature or datum whose direction was followed.
        feature: String,
    },
}

impl std::fmt::Display for Note {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Note::Extrapolated { feature, beyond, measured } => write!(
                f,
                "lies {beyond:.1} mm beyond the {measured:.1} mm of '{feature}' that were measured; paint more of it"
            ),
            Note::NotConverged { feature } => {
                write!(f, "the fit of '{feature}' did not converge; paint more of it")
            }
            Note::SenseFromFit { feature } => write!(
                f,
                "the distance runs along the reported direction of '{feature}'; name a point it runs towards to be sure"
            ),
        }
    }
}

/// The distance between two axes where they pass nearest.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Gap {
    /// mm.
    pub distance: f64,
    /// Standard uncertainty of the distance, mm.
    pub standard_uncertainty: f64,
}

/// A datum with its uncertainty, and where that comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct Constructed {
    /// The point, axis or face.
    pub datum: Datum,
    /// Covariance of the datum's numbers, 3×3 or 6×6, in mm and rad; singular along a unit direction.
    pub covariance: DMatrix<f64>,
    /// Effective degrees of freedom (Welch–Satterthwaite), `f64::INFINITY` if exact.
    pub degrees_of_freedom: f64,
    /// Where two axes were brought together, how far apart they pass.
    pub gap: Option<Gap>,
    /// What the user should look at.
    pub notes: Vec<Note>,
    /// The independent contributions the covariance is made of.
    pub sources: Sources,
}

impl Constructed {
    /// Sums the contributions: `Σ J·C·Jᵀ` over independent sources (JCGM 102, 6.2.1.3).
    pub fn new(datum: Datum, sources: Sources) -> Constructed {
        let (covariance, degrees_of_freedom) = combined(datum.dimension(), &sources);
        Constructed { datum, covariance, degrees_of_freedom, gap: None, notes: Vec::new(), sources }
    }

    /// The same datum in another frame. How that frame may be off is added by
    /// [`Inputs::with_placements`](crate::Inputs::with_placements).
    pub fn placed(&self, car_from_scan: &RigidTransform) -> Constructed {
        let datum = self.datum.placed(car_from_scan);
        let turn = block_rotation(car_from_scan, datum.dimension() / 3, 0);
        let (covariance, degrees_of_freedom) = (propagate(&turn, &self.covariance), self.degrees_of_freedom);
        let sources = chain(&[(turn, &self.sources)]);
        Constructed { datum, covariance, degrees_of_freedom, gap: self.gap, notes: self.notes.clone(), sources }
    }

    /// Turns the direction round if it points against `sense`. A point stays as it is.
    pub fn pointing(mut self, sense: &Vec3) -> Constructed {
        let against = self.datum.direction().is_some_and(|d| d.dot(sense) < 0.0);
        if against {
            match &mut self.datum {
                Datum::Point { .. } => {}
                Datum::Axis { direction: d, .. } | Datum::Face { normal: d, .. } => *d = -*d,
            }
            for source in self.sources.values_mut() {
                source.jacobian.rows_mut(3, 3).neg_mut();
            }
            let n = self.datum.dimension();
            (self.covariance, self.degrees_of_freedom) = combined(n, &self.sources);
        }
        self
    }

    /// Expanded uncertainty of the position at 95 % coverage, mm: the largest half-axis of the
    /// joint region. For a point in three dimensions, for an axis across it, for a face along its normal.
    pub fn position_u95(&self) -> f64 {
        position_u95(&self.datum, &self.covariance, self.degrees_of_freedom)
    }

    /// Expanded uncertainty of the direction at 95 % coverage (joint, two dimensions), rad.
    pub fn direction_u95(&self) -> Option<f64> {
        direction_u95(&self.datum, &self.covariance, self.degrees_of_freedom)
    }
}

/// See [`Constructed::position_u95`].
pub(crate) fn position_u95(datum: &Datum, covariance: &DMatrix<f64>, nu: f64) -> f64 {
    let c: Matrix3<f64> = covariance.fixed_view::<3, 3>(0, 0).into_owned();
    match (datum.kind(), datum.direction()) {
        (DatumKind::Axis, Some(d)) => {
            let across = Matrix3::identity() - d.as_ref() * d.transpose();
            coverage_factor(2, nu) * largest(&(across * c * across))
        }
        (DatumKind::Face, Some(d)) => coverage_factor(1, nu) * stringline_core::covariance::sigma_along(&c, &d),
        _ => coverage_factor(3, nu) * largest(&c),
    }
}

/// See [`Constructed::direction_u95`].
pub(crate) fn direction_u95(datum: &Datum, covariance: &DMatrix<f64>, nu: f64) -> Option<f64> {
    datum.direction()?;
    let c: Matrix3<f64> = covariance.fixed_view::<3, 3>(3, 3).into_owned();
    Some(coverage_factor(2, nu) * largest(&c))
}

fn largest(c: &Matrix3<f64>) -> f64 {
    largest_sigma(&DMatrix::from_column_slice(3, 3, c.as_slice()))
}

/// Rotation of stacked vectors, identity on `scalars` numbers after them: what a change of frame
/// makes of a feature's parameters, but for the shift.
pub fn block_rotation(t: &RigidTransform, vectors: usize, scalars: usize) -> DMatrix<f64> {
    let n = 3 * vectors + scalars;
    let r = t.rotation.to_rotation_matrix();
    let mut m = DMatrix::identity(n, n);
    for i in 0..vectors {
        m.view_mut((3 * i, 3 * i), (3, 3)).copy_from(r.matrix());
    }
    m
}

/// The same feature in another frame, its covariance turned with it.
///
/// A direction keeps its sense, so in the new frame its largest component may be negative.
pub fn place_feature(feature: &Feature, car_from_scan: &RigidTransform) -> Feature {
    let t = car_from_scan;
    let shape = match feature.shape {
        Shape::Plane { point, normal } => Shape::Plane { point: t * point, normal: t.rotation * normal },
        Shape::Cylinder { point, direction, radius } => {
            Shape::Cylinder { point: t * point, direction: t.rotation * direction, radius }
        }
        Shape::Cone { point, direction, radius, half_angle } => {
            Shape::Cone { point: t * point, direction: t.rotation * direction, radius, half_angle }
        }
        Shape::Sphere { centre, radius } => Shape::Sphere { centre: t * centre, radius },
        Shape::Circle { centre, normal, radius } => {
            Shape::Circle { centre: t * centre, normal: t.rotation * normal, radius }
        }
    };
    let vectors = if shape.direction().is_some() { 2 } else { 1 };
    let n = feature.covariance.nrows();
    let turn = block_rotation(t, vectors, n.saturating_sub(3 * vectors));
    Feature { shape, covariance: stringline_core::covariance::propagate(&turn, &feature.covariance), ..feature.clone() }
}
