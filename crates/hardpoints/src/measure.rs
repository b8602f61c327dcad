//! Distance and angle between any two features or datums, with what is known of them.
//!
//! What a distance is taken between depends on what the two are, and is always said: see
//! [`Between`]. In each case it is the length of a vector `g` between two feet, so that
//! `u²(|g|) = ĝᵀ·J·C·Jᵀ·ĝ` with `J` the derivative of `g` by the numbers of both (law of
//! propagation, JCGM 102, 6.2.1.3). `J` is taken by differences of the fourth order on the formulas
//! as they stand, which is exact to nine digits, and carried to the features the two rest on: what
//! they have in common counts once, with its sign.
//!
//! A length is never negative, so near zero it is not distributed evenly about the truth. Where it
//! lies within the joint region of `g`, that region's largest half-axis is stated as its ±.

use crate::construction::{ConstructionError, Inputs};
use crate::datum::{Note, Source, Sources};
use nalgebra::{DMatrix, Matrix3, SMatrix};
use stringline_core::covariance::{chain, coverage_factor};
use stringline_core::{Point3, UnitVec3, Vec3};

/// Axes and faces closer than this to parallel are measured side by side, rad (5°). Their common
/// normal, or where they meet, would lie more than ten times their distance away.
const SIDE_BY_SIDE: f64 = std::f64::consts::PI / 36.0;

/// Steps of the differences: mm, and rad of a direction.
const STEPS: [f64; 2] = [1e-3, 1e-4];

/// Vectors shorter than this (mm, rad) have no direction.
const NO_LENGTH: f64 = 1e-12;

/// What a distance is measured between.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Between {
    /// Two points.
    Points,
    /// A point and an axis, square to the axis.
    PointAndAxis,
    /// A point and a face, square to the face.
    PointAndFace,
    /// Two axes, along their common normal.
    AxesCommonNormal,
    /// Two axes within 5° of parallel, across their mean direction, level with the middle of their
    /// reported points.
    AxesSideBySide,
    /// An axis and a face within 5° of parallel, from the axis' reported point square to the face.
    AxisAndFace,
    /// Two faces within 5° of parallel: the mean of the distances of each one's reported point
    /// from the other, along their mean normal.
    FacesSideBySide,
    /// An axis that crosses a face: only the angle says anything.
    AxisCrossesFace,
    /// Two faces that cross: only the angle says anything.
    FacesCross,
}

impl Between {
    /// In words, to stand after "distance" or, where there is none, alone.
    pub fn words(self) -> &'static str {
        match self {
            Between::Points => "from point to point",
            Between::PointAndAxis => "from the point square to the axis",
            Between::PointAndFace => "from the point square to the face",
            Between::AxesCommonNormal => "between the axes where they pass nearest",
            Between::AxesSideBySide => "between the axes, side by side, midway along",
            Between::AxisAndFace => "from the middle of the axis square to the face",
            Between::FacesSideBySide => "between the faces, on average",
            Between::AxisCrossesFace => "the axis crosses the face",
            Between::FacesCross => "the faces cross",
        }
    }
}

/// A number with its uncertainty, in mm or rad.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantity {
    /// mm or rad.
    pub value: f64,
    /// One standard deviation, by linear propagation.
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom (Welch–Satterthwaite, JCGM 100, G.4.1), `f64::INFINITY` if exact.
    pub degrees_of_freedom: f64,
    /// Expanded uncertainty at 95 % coverage. The value is told from zero only if it is larger.
    pub u95: f64,
}

impl Quantity {
    /// Whether the value differs from zero by more than its ± explains.
    pub fn is_clear_of_zero(&self) -> bool {
        self.value.abs() > self.u95
    }
}

/// What was measured between two things, from the first to the second.
#[derive(Clone, Debug, PartialEq)]
pub struct Measurement {
    /// What the distance is taken between.
    pub between: Between,
    /// mm, not negative; none where the two cross.
    pub distance: Option<Quantity>,
    /// The distance along x, y and z: in the car forward, left and up. Signed from the first to the
    /// second, mm.
    pub components: Option<[Quantity; 3]>,
    /// Between directions, 0 to π/2, rad: of two axes or two faces 0 where they are parallel, of an
    /// axis and a face 0 where the axis lies along the face. None where one is a mere point.
    pub angle: Option<Quantity>,
    /// Where the distance is taken on the first and on the second, mm. Where they cross at a
    /// definite point both are that point; of two faces that cross, their reported points.
    pub feet: [Point3; 2],
    /// What the user should look at.
    pub notes: Vec<Note>,
}

/// What of a thing is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Sort {
    /// A point; a circle's centre, with the circle's normal for angles.
    Point,
    /// An axis.
    Axis,
    /// A face.
    Face,
}

/// Something to measure from or to, and what its numbers rest on.
pub(crate) struct Thing {
    pub(crate) sort: Sort,
    pub(crate) at: Point3,
    pub(crate) direction: Option<UnitVec3>,
    /// Three rows, or six with a direction.
    pub(crate) sources: Sources,
}

/// Position and direction (zero where there is none).
#[derive(Clone, Copy)]
struct Place {
    at: Point3,
    along: Vec3,
}

impl Place {
    fn of(thing: &Thing) -> Place {
        Place { at: thing.at, along: thing.direction.map_or_else(Vec3::zeros, UnitVec3::into_inner) }
    }

    /// With one of its six numbers changed.
    fn moved(mut self, number: usize, step: f64) -> Place {
        match number {
            0..3 => self.at[number] += step,
            _ => {
                self.along[number - 3] += step;
                self.along.normalize_mut();
            }
        }
        self
    }
}

/// Derivatives of a vector by the six numbers of the first and the six of the second.
type Jacobian = SMatrix<f64, 3, 12>;

impl Inputs {
    /// Measures from one feature or datum to another, both in the frame of these inputs.
    ///
    /// A plane is taken as a face, a cylinder or cone as its axis, a sphere as its centre, and a
    /// circle as its centre that knows the direction of its axis.
    ///
    /// ```
    /// # use nalgebra::DMatrix;
    /// # use stringline_core::Point3;
    /// # use stringline_hardpoints::{Constructed, Datum, Inputs};
    /// # use std::collections::BTreeMap;
    /// let at = |x: f64, y: f64| Constructed::new(Datum::Point { position: Point3::new(x, y, 0.0) }, BTreeMap::new());
    /// let mut inputs = Inputs::default();
    /// inputs.add_constructed("ball joint", at(0.0, 700.0))?;
    /// inputs.add_constructed("tie rod", at(-120.0, 610.0))?;
    /// let measured = inputs.measure("ball joint", "tie rod")?;
    /// assert_eq!(measured.distance.map(|d| d.value), Some(150.0));
    /// assert_eq!(measured.components.map(|c| c.map(|c| c.value)), Some([-120.0, -90.0, 0.0]));
    /// # Ok::<(), stringline_hardpoints::ConstructionError>(())
    /// ```
    ///
    /// # Errors
    /// [`ConstructionError::UnknownName`].
    pub fn measure(&self, first: &str, second: &str) -> Result<Measurement, ConstructionError> {
        let things = [self.thing(first)?, self.thing(second)?];
        let mut measured = measure(&things);
        measured.notes = self.notes_on([first, second], &measured.feet);
        Ok(measured)
    }
}

fn measure([first, second]: &[Thing; 2]) -> Measurement {
    let places = [Place::of(first), Place::of(second)];
    let lines = lines_angle(&places);
    let between = between([first.sort, second.sort], lines);
    let point_first = first.sort == Sort::Point;
    let axis_first = first.sort == Sort::Axis;
    let span = |places: &[Place; 2]| feet(between, point_first, axis_first, places);
    let feet = span(&places);
    let sources = |j: &Jacobian| carried(j, [first, second]);

    let dimensions = match between {
        Between::AxisCrossesFace | Between::FacesCross => 0,
        Between::Points => 3,
        Between::PointAndAxis | Between::AxesSideBySide => 2,
        _ => 1,
    };
    let vector = |places: &[Place; 2]| {
        let [a, b] = span(places);
        b - a
    };
    let (distance, components) = if dimensions == 0 {
        (None, None)
    } else {
        let g = feet[1] - feet[0];
        let parts = sources(&differentiated(&places, vector));
        // Of axes that meet the common normal still has a direction.
        let square = (between == Between::AxesCommonNormal)
            .then(|| places[0].along.cross(&places[1].along).try_normalize(0.0))
            .flatten();
        let direction = square.map(|s| if s.dot(&g) < 0.0 { -s } else { s });
        (
            Some(length(&g, direction, dimensions, &parts)),
            Some([0, 1, 2].map(|axis| quantity(g[axis], &Vec3::ith(axis, 1.0), &parts))),
        )
    };

    let angle = lines.map(|lines| {
        // As lines they have no sense, and the angle may pass through a right one.
        let [a, b] = places.map(|p| p.along);
        let sense = if a.dot(&b) < 0.0 { -1.0 } else { 1.0 };
        let turn = |places: &[Place; 2]| {
            let [a, b] = [places[0].along, places[1].along * sense];
            let cross = a.cross(&b);
            // The vector of that direction whose length is the angle.
            let sine = cross.norm();
            if sine <= NO_LENGTH { cross } else { cross * (sine.atan2(a.dot(&b)) / sine) }
        };
        let parts = sources(&differentiated(&places, turn));
        let between_lines = length(&turn(&places), None, 2, &parts);
        if (first.sort == Sort::Face) == (second.sort == Sort::Face) {
            between_lines
        } else {
            Quantity { value: std::f64::consts::FRAC_PI_2 - lines, ..between_lines }
        }
    });
    Measurement { between, distance, components, angle, feet, notes: Vec::new() }
}

/// The angle between the two as lines, rad; `None` where one has no direction.
fn lines_angle([a, b]: &[Place; 2]) -> Option<f64> {
    let directed = a.along != Vec3::zeros() && b.along != Vec3::zeros();
    directed.then(|| a.along.cross(&b.along).norm().atan2(a.along.dot(&b.along).abs()))
}

fn between(sorts: [Sort; 2], lines: Option<f64>) -> Between {
    let lines = lines.unwrap_or(0.0);
    let square = std::f64::consts::FRAC_PI_2 - lines;
    match sorts {
        [Sort::Point, Sort::Point] => Between::Points,
        [Sort::Point, Sort::Axis] | [Sort::Axis, Sort::Point] => Between::PointAndAxis,
        [Sort::Point, Sort::Face] | [Sort::Face, Sort::Point] => Between::PointAndFace,
        [Sort::Axis, Sort::Axis] if lines < SIDE_BY_SIDE => Between::AxesSideBySide,
        [Sort::Axis, Sort::Axis] => Between::AxesCommonNormal,
        [Sort::Face, Sort::Face] if lines < SIDE_BY_SIDE => Between::FacesSideBySide,
        [Sort::Face, Sort::Face] => Between::FacesCross,
        _ if square < SIDE_BY_SIDE => Between::AxisAndFace,
        _ => Between::AxisCrossesFace,
    }
}

/// The feet on the first and on the second.
fn feet(between: Between, point_first: bool, axis_first: bool, [a, b]: &[Place; 2]) -> [Point3; 2] {
    // Of two of different sorts the one is put first that stands first in the name of the case.
    let swapped = match between {
        Between::PointAndAxis | Between::PointAndFace => !point_first,
        Between::AxisAndFace | Between::AxisCrossesFace => !axis_first,
        _ => false,
    };
    let (p, q) = if swapped { (b, a) } else { (a, b) };
    let on_q = |x: &Point3| q.at + q.along * q.along.dot(&(x - q.at));
    let [x, y] = match between {
        Between::Points | Between::FacesCross => [p.at, q.at],
        Between::PointAndAxis => [p.at, on_q(&p.at)],
        Between::PointAndFace | Between::AxisAndFace => [p.at, p.at - q.along * q.along.dot(&(p.at - q.at))],
        Between::AxesCommonNormal => {
            // Where d·(x − y) = 0 for both directions; the caller knows that they are not parallel.
            let w = p.at - q.at;
            let c = p.along.dot(&q.along);
            let square = 1.0 - c * c;
            let (d, e) = (p.along.dot(&w), q.along.dot(&w));
            [p.at + p.along * ((c * e - d) / square), q.at + q.along * ((e - c * d) / square)]
        }
        Between::AxesSideBySide => {
            let level = nalgebra::center(&p.at, &q.at);
            let mean = mean_direction(p, q);
            [p, q].map(|l| l.at + l.along * (mean.dot(&(level - l.at)) / mean.dot(&l.along)))
        }
        Between::FacesSideBySide => {
            let mean = mean_direction(p, q);
            let half = mean * (mean.dot(&(q.at - p.at)) / 2.0);
            let middle = nalgebra::center(&p.at, &q.at);
            [middle - half, middle + half]
        }
        Between::AxisCrossesFace => {
            let x = p.at + p.along * (q.along.dot(&(q.at - p.at)) / q.along.dot(&p.along));
            [x, x]
        }
    };
    if swapped { [y, x] } else { [x, y] }
}

/// Halfway between two directions whose senses mean nothing.
fn mean_direction(p: &Place, q: &Place) -> Vec3 {
    let other = if p.along.dot(&q.along) < 0.0 { -q.along } else { q.along };
    (p.along + other).normalize()
}

/// Differences of the fourth order.
fn differentiated(places: &[Place; 2], f: impl Fn(&[Place; 2]) -> Vec3) -> Jacobian {
    let mut j = Jacobian::zeros();
    for (column, (thing, number)) in (0..2).flat_map(|t| (0..6).map(move |n| (t, n))).enumerate() {
        if number >= 3 && places[thing].along == Vec3::zeros() {
            continue;
        }
        let step = STEPS[number / 3];
        let at = |steps: f64| {
            let mut moved = *places;
            moved[thing] = moved[thing].moved(number, steps * step);
            f(&moved)
        };
        j.set_column(column, &((at(-2.0) - at(-1.0) * 8.0 + at(1.0) * 8.0 - at(2.0)) / (12.0 * step)));
    }
    j
}

/// One source's part in the covariance of a vector, and its degrees of freedom.
type Parts = Vec<(Matrix3<f64>, f64)>;

/// The vector's covariance by source.
fn carried(j: &Jacobian, things: [&Thing; 2]) -> Parts {
    let terms = [0, 1].map(|i| {
        let columns = if things[i].direction.is_some() { 6 } else { 3 };
        let block = DMatrix::from_fn(3, columns, |r, c| j[(r, 6 * i + c)]);
        (block, &things[i].sources)
    });
    let part = |source: &Source| {
        let c = stringline_core::covariance::propagate(&source.jacobian, &source.covariance);
        (Matrix3::from_fn(|r, k| c[(r, k)]), source.degrees_of_freedom)
    };
    chain(&terms).values().map(part).collect()
}

/// A number whose derivative by the vector is `by`.
fn quantity(value: f64, by: &Vec3, parts: &Parts) -> Quantity {
    let variances = || parts.iter().map(|(c, nu)| ((by.transpose() * c * by)[(0, 0)].max(0.0), *nu));
    let variance: f64 = variances().map(|(v, _)| v).sum();
    let squares: f64 = variances().map(|(v, nu)| v * v / nu).sum();
    let degrees_of_freedom = if squares > 0.0 { variance * variance / squares } else { f64::INFINITY };
    let standard_uncertainty = variance.sqrt();
    let u95 = coverage_factor(1, degrees_of_freedom) * standard_uncertainty;
    Quantity { value, standard_uncertainty, degrees_of_freedom, u95 }
}

/// The length of a vector that is free in so many dimensions. `direction` is its direction where
/// that is known apart from the vector.
fn length(g: &Vec3, direction: Option<Vec3>, dimensions: usize, parts: &Parts) -> Quantity {
    let total: Matrix3<f64> = parts.iter().map(|(c, _)| c).sum();
    let eigen = total.symmetric_eigen();
    let worst = eigen.eigenvectors.column(eigen.eigenvalues.imax()).into_owned();
    let value = g.norm();
    let along = direction.or_else(|| g.try_normalize(NO_LENGTH)).unwrap_or(worst);
    let linear = quantity(value, &along, parts);
    if dimensions == 1 {
        return linear;
    }
    let widest = quantity(value, &worst, parts);
    let region = coverage_factor(dimensions, widest.degrees_of_freedom) * widest.standard_uncertainty;
    if value > region { linear } else { Quantity { u95: region, ..widest } }
}
