//! How a point, an axis or a face follows from features, and doing it.
//!
//! ```
//! use nalgebra::DMatrix;
//! use stringline_core::{Point3, UnitVec3, Vec3};
//! use stringline_fit::{Extent, Feature, Noise, Shape, Side};
//! use stringline_hardpoints::{Construction, Inputs};
//!
//! let feature = |shape: Shape| Feature {
//!     covariance: DMatrix::zeros(shape.parameters().len(), shape.parameters().len()),
//!     shape,
//!     noise: Noise { sigma: 0.03, correlated_share: 0.0, correlation_length: 0.0, degrees_of_freedom: 900.0 },
//!     extent: Extent { along: [-10.0, 10.0], across: 8.0, arc: 6.28 },
//!     side: Side::Internal,
//!     rms: 0.03, form_error: 0.15, used: 905, rejected: 12, left_out: Vec::new(), converged: true, iterations: 5,
//! };
//! let mut inputs = Inputs::default();
//! inputs.add_feature("bore", feature(Shape::Cylinder {
//!     point: Point3::new(1.0, 2.0, 3.0), direction: UnitVec3::new_normalize(Vec3::z()), radius: 8.0,
//! }))?;
//! inputs.add_feature("face", feature(Shape::Plane {
//!     point: Point3::new(0.0, 0.0, 13.0), normal: UnitVec3::new_normalize(Vec3::z()),
//! }))?;
//! let made = inputs.construct(&Construction::AxisMeetsPlane { axis: "bore".into(), plane: "face".into() })?;
//! assert_eq!(made.datum.position(), Point3::new(1.0, 2.0, 13.0));
//! # Ok::<(), stringline_hardpoints::ConstructionError>(())
//! ```

use crate::datum::{Constructed, Datum, Gap, Note, Source, Sources};
use crate::formula::{Line, Plane, axis_plane, axis_through, common_normal, cone_gauge, mid_plane};
use crate::measure::{Sort, Thing};
use nalgebra::{DMatrix, Matrix3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use stringline_core::covariance::{add_source, by_motion, chain};
use stringline_core::tolerance::{COINCIDENT, PARALLEL};
use stringline_core::{Explain, Point3, UnitVec3};
use stringline_fit::{Feature, Kind, Shape, Side};

/// Two faces further from parallel than this have no mid-plane in the sense of a bracket or a
/// boss, rad (30°). Chosen wide: it is there to catch a wrong face, not a bad casting.
const MID_PLANE_SPLAY: f64 = std::f64::consts::FRAC_PI_6;

/// How a datum is made. Each text is the name of a feature or of an earlier datum.
///
/// Where an *axis* is asked for, a cylinder, a cone, a circle (its normal through its centre) or
/// an earlier axis will do; for a *plane*, a plane, a circle (its plane) or an earlier face; for a
/// *point*, a sphere's or circle's centre or an earlier point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "how", rename_all = "snake_case", deny_unknown_fields)]
pub enum Construction {
    /// The centre of a sphere.
    SphereCentre {
        /// A sphere.
        sphere: String,
    },
    /// The centre of a circle.
    CircleCentre {
        /// A circle.
        circle: String,
    },
    /// Where an axis meets a plane.
    AxisMeetsPlane {
        /// An axis.
        axis: String,
        /// A plane.
        plane: String,
    },
    /// Where an axis meets the middle of two nearly parallel faces.
    MidPlaneOnAxis {
        /// A plane.
        first: String,
        /// The other plane.
        second: String,
        /// An axis.
        axis: String,
    },
    /// The point of an axis at a distance from a face.
    PointOnAxis {
        /// An axis.
        axis: String,
        /// A plane.
        face: String,
        /// Square to the face, mm; positive along its normal, or towards `towards` where given.
        distance: f64,
        /// A point, or any feature, on the side where the distance is positive.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        towards: Option<String>,
    },
    /// The middle of the common normal of two axes.
    NearestPoints {
        /// An axis.
        first: String,
        /// The other axis.
        second: String,
    },
    /// The point of a cone's axis where its diameter is a given one: where the stud's ball sits.
    ConeAtDiameter {
        /// A cone.
        cone: String,
        /// mm.
        diameter: f64,
    },
    /// The middle of two points.
    MidPoint {
        /// A point.
        first: String,
        /// The other point.
        second: String,
    },
    /// The axis through two points, reported at their middle.
    AxisThrough {
        /// A point.
        from: String,
        /// The point it runs towards.
        to: String,
    },
    /// An axis as it is.
    Axis {
        /// An axis.
        axis: String,
    },
    /// A plane as it is.
    Face {
        /// A plane.
        plane: String,
    },
    /// A point moved along the direction of an axis.
    OffsetAlongAxis {
        /// A point.
        point: String,
        /// An axis.
        axis: String,
        /// mm; positive along the axis, or towards `towards` where given.
        distance: f64,
        /// A point, or any feature, on the side where the distance is positive.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        towards: Option<String>,
    },
    /// The mirror image of a point, an axis or a face in the car's plane of symmetry, y = 0.
    Mirrored {
        /// A point, an axis or a plane.
        of: String,
    },
}

impl Construction {
    /// Whether it speaks of the car's plane of symmetry, so that it has a meaning in the car's frame only.
    pub fn needs_car(&self) -> bool {
        matches!(self, Construction::Mirrored { .. })
    }

    /// The names it rests on, each once, in order of their mention.
    pub fn inputs(&self) -> Vec<&str> {
        use Construction as C;
        let all: Vec<&str> = match self {
            C::SphereCentre { sphere: a }
            | C::CircleCentre { circle: a }
            | C::ConeAtDiameter { cone: a, .. }
            | C::Axis { axis: a }
            | C::Face { plane: a }
            | C::Mirrored { of: a } => vec![a],
            C::AxisMeetsPlane { axis: a, plane: b }
            | C::NearestPoints { first: a, second: b }
            | C::MidPoint { first: a, second: b }
            | C::AxisThrough { from: a, to: b } => vec![a, b],
            C::MidPlaneOnAxis { first, second, axis } => vec![first, second, axis],
            C::PointOnAxis { axis: a, face: b, towards, .. }
            | C::OffsetAlongAxis { point: a, axis: b, towards, .. } => {
                [a, b].into_iter().chain(towards).map(String::as_str).collect()
            }
        };
        let mut seen = BTreeSet::new();
        all.into_iter().filter(|name| seen.insert(*name)).collect()
    }

    /// Lets it rest on the same thing under another name.
    pub fn rename_input(&mut self, from: &str, to: &str) {
        use Construction as C;
        let all: Vec<&mut String> = match self {
            C::SphereCentre { sphere: a }
            | C::CircleCentre { circle: a }
            | C::ConeAtDiameter { cone: a, .. }
            | C::Axis { axis: a }
            | C::Face { plane: a }
            | C::Mirrored { of: a } => vec![a],
            C::AxisMeetsPlane { axis: a, plane: b }
            | C::NearestPoints { first: a, second: b }
            | C::MidPoint { first: a, second: b }
            | C::AxisThrough { from: a, to: b } => vec![a, b],
            C::MidPlaneOnAxis { first, second, axis } => vec![first, second, axis],
            C::PointOnAxis { axis: a, face: b, towards, .. }
            | C::OffsetAlongAxis { point: a, axis: b, towards, .. } => [a, b].into_iter().chain(towards).collect(),
        };
        all.into_iter().filter(|name| *name == from).for_each(|name| to.clone_into(name));
    }

    /// What it is, in words.
    pub fn words(&self) -> String {
        use Construction as C;
        match self {
            C::SphereCentre { sphere } => format!("centre of '{sphere}'"),
            C::CircleCentre { circle } => format!("centre of '{circle}'"),
            C::AxisMeetsPlane { axis, plane } => {
                format!("where the axis of '{axis}' meets '{plane}'")
            }
            C::MidPlaneOnAxis { first, second, axis } => {
                format!("on the axis of '{axis}', midway between '{first}' and '{second}'")
            }
            C::PointOnAxis { axis, face, distance, .. } => {
                format!("on the axis of '{axis}', {distance} mm from '{face}'")
            }
            C::NearestPoints { first, second } => {
                format!("where the axes of '{first}' and '{second}' pass nearest")
            }
            C::ConeAtDiameter { cone, diameter } => {
                format!("on the axis of '{cone}' where its diameter is {diameter} mm")
            }
            C::MidPoint { first, second } => format!("midway between '{first}' and '{second}'"),
            C::AxisThrough { from, to } => format!("axis from '{from}' to '{to}'"),
            C::Axis { axis } => format!("axis of '{axis}'"),
            C::Face { plane } => format!("face '{plane}'"),
            C::OffsetAlongAxis { point, axis, distance, .. } => {
                format!("'{point}' moved {distance} mm along the axis of '{axis}'")
            }
            C::Mirrored { of } => format!("mirror image of '{of}'"),
        }
    }
}

/// Why a construction could not be done.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ConstructionError {
    /// A name stands for nothing.
    #[error("nothing is called '{name}'")]
    UnknownName {
        /// The name.
        name: String,
        /// The names there are.
        known: Vec<String>,
    },
    /// A name is given twice.
    #[error("'{name}' is already the name of another feature or datum")]
    NameTaken {
        /// The name.
        name: String,
    },
    /// The thing named is not of a kind that will do.
    #[error("'{name}' is of kind {found}, and {wanted} is needed here")]
    WrongKind {
        /// The name.
        name: String,
        /// What it is.
        found: &'static str,
        /// What would do.
        wanted: &'static str,
    },
    /// The feature holds a number that is not finite, or a covariance of the wrong size.
    #[error("the feature '{name}' is damaged: {what}")]
    DamagedFeature {
        /// The name.
        name: String,
        /// What is wrong with it.
        what: &'static str,
    },
    /// A distance or a diameter makes no sense.
    #[error("the {what} is {value}, which makes no sense here")]
    BadNumber {
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// The axis runs along the plane.
    #[error(
        "the axis of '{axis}' runs within {angle_deg:.3}° of parallel to '{plane}', so they do not meet at a definite point"
    )]
    AxisParallelToPlane {
        /// The axis.
        axis: String,
        /// The plane.
        plane: String,
        /// Between them, degrees.
        angle_deg: f64,
    },
    /// The axes run side by side.
    #[error(
        "the axes of '{first}' and '{second}' are within {angle_deg:.3}° of parallel, so no place where they pass nearest is definite"
    )]
    ParallelAxes {
        /// One axis.
        first: String,
        /// The other.
        second: String,
        /// Between them, degrees.
        angle_deg: f64,
    },
    /// Two faces stand too steeply to each other to have a middle.
    #[error("'{first}' and '{second}' stand at {angle_deg:.1}° to each other, so they have no middle")]
    FacesNotParallel {
        /// One face.
        first: String,
        /// The other.
        second: String,
        /// Between them, degrees.
        angle_deg: f64,
    },
    /// Two points that should be apart are at one place.
    #[error("'{first}' and '{second}' are at the same place, so no axis runs through them")]
    CoincidentPoints {
        /// One point.
        first: String,
        /// The other.
        second: String,
    },
    /// The thing that says which way is positive lies on neither side.
    #[error("'{towards}' lies on neither side of '{from}', so it does not say which way is positive")]
    NoSide {
        /// What the distance is measured from.
        from: String,
        /// What should say the side.
        towards: String,
    },
}

impl Explain for ConstructionError {
    fn next_step(&self) -> Cow<'static, str> {
        use ConstructionError as E;
        match self {
            E::UnknownName { known, .. } if known.is_empty() => "Fit a feature first.".into(),
            E::UnknownName { known, .. } => format!("Use one of: {}.", known.join(", ")).into(),
            E::NameTaken { .. } => "Give each feature and each datum a name of its own.".into(),
            E::WrongKind { wanted, .. } => format!("Name {wanted} instead.").into(),
            E::DamagedFeature { .. } => "Fit the feature again.".into(),
            E::BadNumber { .. } => "Give a finite number in millimetres; a diameter must be over zero.".into(),
            E::AxisParallelToPlane { .. } => {
                "Take a face that crosses the axis, or construct from another feature.".into()
            }
            E::ParallelAxes { .. } => {
                "Take two axes that cross, or put a point on one of them at a distance from a face.".into()
            }
            E::FacesNotParallel { .. } => "Take the two faces the part is clamped between, or paint them again.".into(),
            E::CoincidentPoints { .. } => "Take two points that are apart.".into(),
            E::NoSide { .. } => "Name a feature that lies clearly on the wanted side.".into(),
        }
    }
}

/// The features and earlier datums constructions can draw on, in one frame, by name.
#[derive(Clone, Debug, Default)]
pub struct Inputs {
    features: BTreeMap<String, Feature>,
    constructed: BTreeMap<String, Constructed>,
}

impl Inputs {
    /// Adds a fitted feature.
    ///
    /// # Errors
    /// [`ConstructionError::NameTaken`]; [`ConstructionError::DamagedFeature`] if it holds a
    /// number that is not finite or its covariance has the wrong size.
    pub fn add_feature(&mut self, name: impl Into<String>, feature: Feature) -> Result<(), ConstructionError> {
        let name = self.free(name.into())?;
        let parameters = feature.shape.parameters();
        let n = parameters.len();
        let damaged = if !parameters.iter().all(|v| v.is_finite()) {
            Some("its shape holds a number that is not finite")
        } else if feature.covariance.shape() != (n, n) {
            Some("its covariance has the wrong size")
        } else if !feature.covariance.iter().all(|v| v.is_finite()) {
            Some("its covariance holds a number that is not finite")
        } else if feature.noise.degrees_of_freedom.is_nan() || feature.noise.degrees_of_freedom <= 0.0 {
            Some("its degrees of freedom are not over zero")
        } else {
            None
        };
        if let Some(what) = damaged {
            return Err(ConstructionError::DamagedFeature { name, what });
        }
        self.features.insert(name, feature);
        Ok(())
    }

    /// Adds an earlier result, so that later constructions can draw on it.
    ///
    /// # Errors
    /// [`ConstructionError::NameTaken`].
    pub fn add_constructed(
        &mut self,
        name: impl Into<String>,
        constructed: Constructed,
    ) -> Result<(), ConstructionError> {
        let name = self.free(name.into())?;
        self.constructed.insert(name, constructed);
        Ok(())
    }

    /// The feature of that name.
    pub fn feature(&self, name: &str) -> Option<&Feature> {
        self.features.get(name)
    }

    /// The earlier result of that name.
    pub fn constructed(&self, name: &str) -> Option<&Constructed> {
        self.constructed.get(name)
    }

    /// Does a construction.
    ///
    /// The result's covariance is carried from the features', which are taken as independent of
    /// one another; a feature that comes in by several ways counts once, with the sum of its influences.
    ///
    /// # Errors
    /// A [`ConstructionError`] that says which input does not do and why.
    pub fn construct(&self, how: &Construction) -> Result<Constructed, ConstructionError> {
        use Construction as C;
        let mut notes = Vec::new();
        let mut gap = None;
        let (datum, sources) = match how {
            C::SphereCentre { sphere } => {
                let point = self.point_of(sphere, "a sphere", |s| matches!(s, Shape::Sphere { .. }))?;
                (Datum::Point { position: point.at }, point.sources)
            }
            C::CircleCentre { circle } => {
                let point = self.point_of(circle, "a circle", |s| matches!(s, Shape::Circle { .. }))?;
                (Datum::Point { position: point.at }, point.sources)
            }
            C::AxisMeetsPlane { axis, plane } => self.on_axis(axis, plane, 0.0)?,
            C::PointOnAxis { axis, face, distance, towards } => {
                let distance = finite("distance", *distance)?;
                let plane = self.plane(face)?;
                let sense = self.sense(face, &plane.at.point, &plane.at.normal, towards, &mut notes)?;
                self.on_axis(axis, face, distance * sense)?
            }
            C::MidPlaneOnAxis { first, second, axis } => {
                let (a, b, line) = (self.plane(first)?, self.plane(second)?, self.line(axis)?);
                let splay = angle_of_lines(&a.at.normal, &b.at.normal);
                if splay > MID_PLANE_SPLAY {
                    return Err(ConstructionError::FacesNotParallel {
                        first: first.clone(),
                        second: second.clone(),
                        angle_deg: splay.to_degrees(),
                    });
                }
                for (name, face) in [(first, &a), (second, &b)] {
                    crossing(axis, &line.at, name, &face.at)?;
                }
                let m = mid_plane::middle(&line.at, &a.at, &b.at);
                let sources = chain(&[
                    (dynamic(&m.by_line), &line.sources),
                    (dynamic(&m.by_first), &a.sources),
                    (dynamic(&m.by_second), &b.sources),
                ]);
                (Datum::Point { position: m.point }, sources)
            }
            C::NearestPoints { first, second } => {
                let (a, b) = (self.line(first)?, self.line(second)?);
                let angle = angle_of_lines(&a.at.direction, &b.at.direction);
                let parallel = || ConstructionError::ParallelAxes {
                    first: first.clone(),
                    second: second.clone(),
                    angle_deg: angle.to_degrees(),
                };
                if angle < PARALLEL {
                    return Err(parallel());
                }
                let n = common_normal::common_normal(&a.at, &b.at).ok_or_else(parallel)?;
                let length =
                    chain(&[(dynamic(&n.length_by_first), &a.sources), (dynamic(&n.length_by_second), &b.sources)]);
                let variance: f64 =
                    length.values().map(|s| (&s.jacobian * &s.covariance * s.jacobian.transpose()).trace()).sum();
                gap = Some(Gap { distance: n.length, standard_uncertainty: variance.max(0.0).sqrt() });
                let sources = chain(&[(dynamic(&n.by_first), &a.sources), (dynamic(&n.by_second), &b.sources)]);
                (Datum::Point { position: n.middle }, sources)
            }
            C::ConeAtDiameter { cone, diameter } => self.cone_at_diameter(cone, *diameter, &mut notes)?,
            C::MidPoint { first, second } => {
                let (a, b) = (self.point(first)?, self.point(second)?);
                let half = DMatrix::from_diagonal_element(3, 3, 0.5);
                let sources = chain(&[(half.clone(), &a.sources), (half, &b.sources)]);
                let position = nalgebra::center(&a.at, &b.at);
                (Datum::Point { position }, sources)
            }
            C::AxisThrough { from, to } => {
                let (a, b) = (self.point(from)?, self.point(to)?);
                let t = axis_through::through(&a.at, &b.at, COINCIDENT)
                    .ok_or_else(|| ConstructionError::CoincidentPoints { first: from.clone(), second: to.clone() })?;
                let sources = chain(&[(dynamic(&t.by_from), &a.sources), (dynamic(&t.by_to), &b.sources)]);
                let datum = Datum::Axis { position: t.middle, direction: t.direction };
                (datum, sources)
            }
            C::Axis { axis } => {
                let line = self.line(axis)?;
                let datum = Datum::Axis { position: line.at.point, direction: line.at.direction };
                (datum, line.sources)
            }
            C::Face { plane } => {
                let face = self.plane(plane)?;
                let datum = Datum::Face { position: face.at.point, normal: face.at.normal };
                (datum, face.sources)
            }
            C::OffsetAlongAxis { point, axis, distance, towards } => {
                let distance = finite("distance", *distance)?;
                let (from, line) = (self.point(point)?, self.line(axis)?);
                let sense = self.sense(point, &from.at, &line.at.direction, towards, &mut notes)?;
                let step = distance * sense;
                let mut by_line = DMatrix::zeros(3, 6);
                by_line.view_mut((0, 3), (3, 3)).copy_from(&(Matrix3::identity() * step));
                let sources = chain(&[(DMatrix::identity(3, 3), &from.sources), (by_line, &line.sources)]);
                let position = from.at + line.at.direction.into_inner() * step;
                (Datum::Point { position }, sources)
            }
            C::Mirrored { of } => {
                let thing = self.thing(of)?;
                let position = Point3::new(thing.at.x, -thing.at.y, thing.at.z);
                let turned = thing.direction.map(|d| UnitVec3::new_unchecked(nalgebra::Vector3::new(d.x, -d.y, d.z)));
                let datum = match (thing.sort, turned) {
                    (Sort::Axis, Some(direction)) => Datum::Axis { position, direction },
                    (Sort::Face, Some(normal)) => Datum::Face { position, normal },
                    _ => Datum::Point { position },
                };
                let rows = datum.dimension();
                let mut mirror =
                    DMatrix::zeros(rows, thing.sources.values().next().map_or(rows, |s| s.jacobian.nrows()));
                for row in 0..rows {
                    mirror[(row, row)] = if row % 3 == 1 { -1.0 } else { 1.0 };
                }
                (datum, chain(&[(mirror, &thing.sources)]))
            }
        };
        let mut result = Constructed::new(datum, sources);
        result.gap = gap;
        for name in how.inputs() {
            if self.features.get(name).is_some_and(|f| !f.converged) {
                notes.push(Note::NotConverged { feature: name.into() });
            }
            for note in self.constructed.get(name).into_iter().flat_map(|c| &c.notes) {
                if !notes.contains(note) {
                    notes.push(note.clone());
                }
            }
        }
        result.notes = notes;
        Ok(result)
    }

    /// The same datum with what the placements of the scans add to its uncertainty.
    ///
    /// `motion_of` gives, for a feature by name, the sources of the small motion by which its scan may
    /// be off: six numbers, a shift (mm) and a turn (rad) in these axes about their origin. A motion
    /// moves the feature, the feature moves the datum; where a placement rests on a feature that
    /// the datum rests on too, both influences add up with their signs.
    pub fn with_placements<'a>(
        &self,
        made: &Constructed,
        motion_of: impl Fn(&str) -> Option<&'a Sources>,
    ) -> Constructed {
        let mut sources = made.sources.clone();
        for (name, source) in &made.sources {
            let (Some(feature), Some(motion)) = (self.features.get(name), motion_of(name)) else { continue };
            let direction = feature.shape.direction();
            let moved = by_motion(&feature.shape.point(), direction.as_ref());
            // Radii and angles, which come after, do not move.
            let of_motion = source.jacobian.columns(0, moved.nrows()) * moved;
            for (name, part) in motion {
                add_source(&mut sources, name, &of_motion * &part.jacobian, part);
            }
        }
        let bare = Constructed::new(made.datum, sources);
        Constructed { gap: made.gap, notes: made.notes.clone(), ..bare }
    }

    /// What a name stands for, to be measured from or to.
    pub(crate) fn thing(&self, name: &str) -> Result<Thing, ConstructionError> {
        if let Some(made) = self.constructed.get(name) {
            let sort = match made.datum {
                Datum::Point { .. } => Sort::Point,
                Datum::Axis { .. } => Sort::Axis,
                Datum::Face { .. } => Sort::Face,
            };
            let (at, direction) = (made.datum.position(), made.datum.direction());
            return Ok(Thing { sort, at, direction, sources: made.sources.clone() });
        }
        let feature = self.features.get(name).ok_or_else(|| self.unknown(name))?;
        let sort = match feature.shape {
            Shape::Sphere { .. } | Shape::Circle { .. } => Sort::Point,
            Shape::Cylinder { .. } | Shape::Cone { .. } => Sort::Axis,
            Shape::Plane { .. } => Sort::Face,
        };
        let direction = feature.shape.direction();
        let rows = if direction.is_some() { 6 } else { 3 };
        let sources = source_of(name, feature, leading(rows, feature));
        Ok(Thing { sort, at: feature.shape.point(), direction, sources })
    }

    /// What is to be noted of two things that were measured at these feet.
    pub(crate) fn notes_on(&self, names: [&str; 2], feet: &[Point3; 2]) -> Vec<Note> {
        let mut notes = Vec::new();
        for (name, foot) in names.into_iter().zip(feet) {
            notes.extend(self.constructed.get(name).into_iter().flat_map(|c| c.notes.iter().cloned()));
            let Some(feature) = self.features.get(name) else { continue };
            if !feature.converged {
                notes.push(Note::NotConverged { feature: name.into() });
            }
            if let Shape::Cylinder { point, direction, .. } | Shape::Cone { point, direction, .. } = feature.shape {
                notes.extend(extrapolated(name, feature, direction.dot(&(foot - point))));
            }
        }
        // The same note by way of both stands once.
        let mut once: Vec<Note> = Vec::new();
        for note in notes {
            if !once.contains(&note) {
                once.push(note);
            }
        }
        once
    }

    fn free(&self, name: String) -> Result<String, ConstructionError> {
        if self.features.contains_key(&name) || self.constructed.contains_key(&name) {
            return Err(ConstructionError::NameTaken { name });
        }
        Ok(name)
    }

    fn on_axis(&self, axis: &str, plane: &str, height: f64) -> Result<(Datum, Sources), ConstructionError> {
        let (line, face) = (self.line(axis)?, self.plane(plane)?);
        crossing(axis, &line.at, plane, &face.at)?;
        let m = axis_plane::meet(&line.at, &face.at, height);
        let sources = chain(&[(dynamic(&m.by_line), &line.sources), (dynamic(&m.by_plane), &face.sources)]);
        Ok((Datum::Point { position: m.point }, sources))
    }

    fn cone_at_diameter(
        &self,
        name: &str,
        diameter: f64,
        notes: &mut Vec<Note>,
    ) -> Result<(Datum, Sources), ConstructionError> {
        let diameter = finite("gauge diameter", diameter)?;
        if diameter <= 0.0 {
            return Err(ConstructionError::BadNumber { what: "gauge diameter", value: diameter });
        }
        let wanted = "a cone";
        let feature = self.find_feature(name, wanted)?;
        let Shape::Cone { point, direction, radius, half_angle } = feature.shape else {
            return Err(wrong(name, feature.shape.kind().word(), wanted));
        };
        let gauge = cone_gauge::at_diameter(point, direction, radius, half_angle, diameter);
        if !gauge.along.is_finite() {
            return Err(ConstructionError::DamagedFeature { name: name.into(), what: "its half angle is zero" });
        }
        notes.extend(extrapolated(name, feature, gauge.along));
        let datum = Datum::Point { position: gauge.point };
        Ok((datum, source_of(name, feature, dynamic(&gauge.by_cone))))
    }

    /// +1 if `towards` lies on the side `direction` points to, −1 if on the other. Without it the
    /// direction is followed, and a note says so where that is a fit's own choice.
    fn sense(
        &self,
        from: &str,
        origin: &Point3,
        direction: &UnitVec3,
        towards: &Option<String>,
        notes: &mut Vec<Note>,
    ) -> Result<f64, ConstructionError> {
        let Some(towards) = towards else {
            // A face that knows its material has its normal out of it, which is no choice of the fit's.
            let tells = |f: &Feature| f.shape.kind() == Kind::Plane && f.side != Side::Unknown;
            if !self.features.get(from).is_some_and(tells) {
                notes.push(Note::SenseFromFit { feature: from.into() });
            }
            return Ok(1.0);
        };
        let at = match (self.features.get(towards), self.constructed.get(towards)) {
            (Some(f), _) => f.shape.point(),
            (None, Some(c)) => c.datum.position(),
            (None, None) => return Err(self.unknown(towards)),
        };
        let side = direction.dot(&(at - origin));
        if side.abs() <= COINCIDENT {
            return Err(ConstructionError::NoSide { from: from.into(), towards: towards.clone() });
        }
        Ok(side.signum())
    }

    fn line(&self, name: &str) -> Result<Known<Line>, ConstructionError> {
        let wanted = "a cylinder, a cone, a circle or an axis";
        if let Some(made) = self.constructed.get(name) {
            let Datum::Axis { position: point, direction } = made.datum else {
                return Err(wrong(name, made.datum.kind().word(), wanted));
            };
            return Ok(Known { at: Line { point, direction }, sources: made.sources.clone() });
        }
        let feature = self.find_feature(name, wanted)?;
        let (point, direction) = match feature.shape {
            Shape::Cylinder { point, direction, .. } | Shape::Cone { point, direction, .. } => (point, direction),
            Shape::Circle { centre, normal, .. } => (centre, normal),
            Shape::Plane { .. } | Shape::Sphere { .. } => {
                return Err(wrong(name, feature.shape.kind().word(), wanted));
            }
        };
        Ok(Known { at: Line { point, direction }, sources: source_of(name, feature, leading(6, feature)) })
    }

    fn plane(&self, name: &str) -> Result<Known<Plane>, ConstructionError> {
        let wanted = "a plane, a circle or a face";
        if let Some(made) = self.constructed.get(name) {
            let Datum::Face { position: point, normal } = made.datum else {
                return Err(wrong(name, made.datum.kind().word(), wanted));
            };
            return Ok(Known { at: Plane { point, normal }, sources: made.sources.clone() });
        }
        let feature = self.find_feature(name, wanted)?;
        let (point, normal) = match feature.shape {
            Shape::Plane { point, normal } => (point, normal),
            Shape::Circle { centre, normal, .. } => (centre, normal),
            _ => return Err(wrong(name, feature.shape.kind().word(), wanted)),
        };
        Ok(Known { at: Plane { point, normal }, sources: source_of(name, feature, leading(6, feature)) })
    }

    fn point(&self, name: &str) -> Result<Known<Point3>, ConstructionError> {
        let wanted = "a sphere, a circle or a point";
        if let Some(made) = self.constructed.get(name) {
            let Datum::Point { position } = made.datum else {
                return Err(wrong(name, made.datum.kind().word(), wanted));
            };
            return Ok(Known { at: position, sources: made.sources.clone() });
        }
        self.point_of(name, wanted, |s| matches!(s, Shape::Sphere { .. } | Shape::Circle { .. }))
    }

    fn point_of(
        &self,
        name: &str,
        wanted: &'static str,
        fits: impl Fn(&Shape) -> bool,
    ) -> Result<Known<Point3>, ConstructionError> {
        let feature = self.find_feature(name, wanted)?;
        if !fits(&feature.shape) {
            return Err(wrong(name, feature.shape.kind().word(), wanted));
        }
        Ok(Known { at: feature.shape.point(), sources: source_of(name, feature, leading(3, feature)) })
    }

    fn find_feature(&self, name: &str, wanted: &'static str) -> Result<&Feature, ConstructionError> {
        if let Some(made) = self.constructed.get(name) {
            return Err(wrong(name, made.datum.kind().word(), wanted));
        }
        self.features.get(name).ok_or_else(|| self.unknown(name))
    }

    fn unknown(&self, name: &str) -> ConstructionError {
        ConstructionError::UnknownName {
            name: name.into(),
            known: self.features.keys().chain(self.constructed.keys()).cloned().collect(),
        }
    }
}

/// An input's value and what its numbers depend on.
struct Known<T> {
    at: T,
    sources: Sources,
}

fn wrong(name: &str, found: &'static str, wanted: &'static str) -> ConstructionError {
    ConstructionError::WrongKind { name: name.into(), found, wanted }
}

fn finite(what: &'static str, value: f64) -> Result<f64, ConstructionError> {
    if value.is_finite() { Ok(value) } else { Err(ConstructionError::BadNumber { what, value }) }
}

/// The angle between two lines that have no sense, rad, 0 to π/2; exact for small angles too.
fn angle_of_lines(a: &UnitVec3, b: &UnitVec3) -> f64 {
    a.cross(b).norm().atan2(a.dot(b).abs())
}

fn crossing(axis: &str, line: &Line, plane: &str, face: &Plane) -> Result<(), ConstructionError> {
    let angle = std::f64::consts::FRAC_PI_2 - angle_of_lines(&line.direction, &face.normal);
    if angle < PARALLEL {
        return Err(ConstructionError::AxisParallelToPlane {
            axis: axis.into(),
            plane: plane.into(),
            angle_deg: angle.to_degrees(),
        });
    }
    Ok(())
}

/// The note on a place of a feature's axis that lies farther beyond the measured part than that is long.
fn extrapolated(name: &str, feature: &Feature, along: f64) -> Option<Note> {
    let [low, high] = feature.extent.along;
    let beyond = (low - along).max(along - high);
    (beyond > high - low).then(|| Note::Extrapolated { feature: name.into(), beyond, measured: high - low })
}

/// The Jacobian of a feature's first `rows` parameters.
fn leading(rows: usize, feature: &Feature) -> DMatrix<f64> {
    DMatrix::identity(rows, feature.covariance.ncols())
}

fn source_of(name: &str, feature: &Feature, jacobian: DMatrix<f64>) -> Sources {
    let source = Source {
        jacobian,
        covariance: feature.covariance.clone(),
        degrees_of_freedom: feature.noise.degrees_of_freedom,
    };
    Sources::from([(name.to_owned(), source)])
}

fn dynamic<const R: usize, const C: usize>(m: &nalgebra::SMatrix<f64, R, C>) -> DMatrix<f64> {
    DMatrix::from_column_slice(R, C, m.as_slice())
}
