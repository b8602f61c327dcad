//! What a patch leaves least known, and what to paint to know it.
//!
//! Of position, direction, radius and half angle the one is named whose ± at 95 % is largest beside
//! what would be good enough ([`Enough`]); where all are good enough there is nothing to say. What
//! helps is read from the covariance:
//!
//! - Painted from one side only, a round shape trades its radius for its place: the two are
//!   correlated, and the covariance of position and radius points to the far side. A cone trades its
//!   half angle for its tilt in the same way.
//! - A tilt known several times worse one way than the other wants surface that faces the way it is
//!   known worst: the sides of a bore, the narrow way of a face. Known alike both ways, it wants length.
//! - What no place would mend is mended by more points.

use crate::choose::{Verdict, Weighed};
use crate::feature::{Feature, Kind, Shape, Side};
use nalgebra::Matrix3;
use stringline_core::covariance::{coverage_factor, sigma_along, two_significant};
use stringline_core::{UnitVec3, Vec3};

/// Correlated more than this, one is traded for the other.
const TRADED: f64 = 0.6;

/// Known this many times worse one way than the other, a tilt is lopsided.
const LOPSIDED: f64 = 1.5;

/// A shape painted over more of its turn than this is painted all round, rad (300°).
const ALL_ROUND: f64 = 5.0 * std::f64::consts::FRAC_PI_3;

/// A bore shorter than this many diameters is short.
const SHORT: f64 = 0.5;

/// A direction known no better than this may be any, rad (30°).
const ANY: f64 = std::f64::consts::FRAC_PI_6;

/// How well a feature must be known to be good, as ± at 95 %.
///
/// The defaults are chosen so that a hardpoint 30 mm from where the feature was painted is good to
/// a tenth of a millimetre: 0.05 mm from the place and 30 mm · 0.1° = 0.05 mm from the tilt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Enough {
    /// Of the position, mm: of an axis across it, of a plane along its normal, of a centre in
    /// space; and of the radius. Default: 0.05.
    pub length: f64,
    /// Of the direction and of a cone's half angle, rad. Default: 0.1°.
    pub angle: f64,
}

impl Default for Enough {
    fn default() -> Self {
        Enough { length: 0.05, angle: 0.1_f64.to_radians() }
    }
}

/// What is least known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unsure {
    /// Which shape it is.
    Shape,
    /// Where it is: of an axis across it, of a plane along its normal, of a centre in space.
    Position,
    /// How it is turned.
    Direction,
    /// Its radius.
    Radius,
    /// A cone's half angle.
    HalfAngle,
}

/// Where painting helps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Across from what is painted.
    FarSide,
    /// A quarter turn to either side.
    Sides,
    /// The rest of the way round.
    Round,
    /// Farther along the axis.
    Along,
    /// Farther over a face, the narrow way of what is painted.
    Across,
    /// Anywhere on it: more points.
    Anywhere,
}

/// What to paint next, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// What is least known.
    pub unsure: Unsure,
    /// Its ± at 95 %, mm or rad; none of [`Unsure::Shape`].
    pub u95: Option<f64>,
    /// Where painting helps most.
    pub place: Place,
    /// The way to there from the feature's reported point, where there is one. Of [`Place::Sides`],
    /// [`Place::Along`] and [`Place::Across`] the opposite way is as good.
    pub towards: Option<UnitVec3>,
    /// What is free, for a person: "the axis is free to tip 0.8°".
    pub free: String,
    /// What to do, for a person: "paint the far side of the bore".
    pub paint: String,
}

impl std::fmt::Display for Advice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.paint, self.free)
    }
}

/// What to paint next so that a feature gets good; `None` when it is, by `enough`.
///
/// ```
/// use stringline_core::Point3;
/// use stringline_fit::{Enough, FitSettings, Kind, advice, fit};
///
/// // A sixth of the way round a bore, 27 mm long, scattered by up to 0.05 mm.
/// let points: Vec<Point3> = (0..600)
///     .map(|i| {
///         let (angle, z) = (f64::from(i % 60) / 60.0, 3.0 * f64::from(i / 60));
///         let r = 8.0 + 0.05 * (12.9898 * f64::from(i)).sin();
///         Point3::new(r * angle.cos(), r * angle.sin(), z)
///     })
///     .collect();
/// let bore = fit(&points, &[], Kind::Cylinder, &FitSettings::default())?;
/// let next = advice(&bore, &Enough::default()).unwrap();
/// assert_eq!(next.paint, "paint the far side of the cylinder");
/// # Ok::<(), stringline_fit::FitError>(())
/// ```
pub fn advice(feature: &Feature, enough: &Enough) -> Option<Advice> {
    let known = Known::of(feature);
    let against = |(unsure, u95): (Unsure, f64)| {
        let limit = if matches!(unsure, Unsure::Position | Unsure::Radius) { enough.length } else { enough.angle };
        (unsure, u95, u95 / limit)
    };
    // On a tie the first: where it is comes before what it measures.
    let worst = known.all().map(against).reduce(|best, next| if next.2 > best.2 { next } else { best })?;
    let (unsure, u95, times) = worst;
    if times <= 1.0 {
        return None;
    }
    let (place, towards) = known.remedy(unsure);
    let free = free(feature, unsure, u95);
    let paint = paint(feature, place);
    Some(Advice { unsure, u95: Some(u95), place, towards, free, paint })
}

/// What to paint next so that a patch whose shape was weighed gets good: first what tells its shape.
pub fn advice_weighed(weighed: &Weighed, enough: &Enough) -> Option<Advice> {
    let kinds = match &weighed.verdict {
        Verdict::Decided(_) => return advice(&weighed.candidates.first()?.feature, enough),
        Verdict::CannotTell(kinds) => kinds,
    };
    let may_be = |kind: Kind| kinds.contains(&kind);
    let (place, paint) = match (may_be(Kind::Plane), may_be(Kind::Sphere)) {
        // A flat patch of something round: farther over it, where it bends away.
        (true, _) => (Place::Across, "paint farther over it in both directions"),
        (false, true) => (Place::Round, "paint farther round it and along it"),
        (false, false) => (Place::Along, "paint farther along it"),
    };
    let words: Vec<&str> = kinds.iter().map(|k| k.word()).collect();
    let free = match words.as_slice() {
        [] | [_] => "its shape cannot be told".into(),
        [first @ .., last] => format!("it may be a {} or a {last}", first.join(", a ")),
    };
    Some(Advice { unsure: Unsure::Shape, u95: None, place, towards: None, free, paint: paint.into() })
}

/// A feature's covariance, taken apart.
struct Known<'a> {
    feature: &'a Feature,
    /// The direction; of a sphere none.
    direction: Option<Vec3>,
    /// Where the radius and the half angle stand among the parameters.
    radius: Option<usize>,
    half_angle: Option<usize>,
}

impl Known<'_> {
    fn of(feature: &Feature) -> Known<'_> {
        let shape = &feature.shape;
        let vectors = if shape.direction().is_some() { 6 } else { 3 };
        Known {
            feature,
            direction: shape.direction().map(UnitVec3::into_inner),
            radius: shape.radius().map(|_| vectors),
            half_angle: shape.half_angle().map(|_| vectors + 1),
        }
    }

    fn c(&self, row: usize, column: usize) -> f64 {
        self.feature.covariance.get((row, column)).copied().unwrap_or(0.0)
    }

    /// The covariance of three parameters from `first` on.
    fn block(&self, first: usize) -> Matrix3<f64> {
        Matrix3::from_fn(|i, j| self.c(first + i, first + j))
    }

    /// Of the position that matters: an axis across itself, a plane along its normal. With the
    /// number of dimensions that leaves.
    fn position(&self) -> (Matrix3<f64>, usize) {
        let c = self.block(0);
        match (self.feature.shape, self.direction) {
            (Shape::Plane { .. }, Some(n)) => (n * (sigma_along(&c, &n).powi(2)) * n.transpose(), 1),
            (Shape::Cylinder { .. } | Shape::Cone { .. }, Some(d)) => {
                let across = Matrix3::identity() - d * d.transpose();
                (across * c * across, 2)
            }
            _ => (c, 3),
        }
    }

    /// Each quantity the feature has, with its ± at 95 %.
    fn all(&self) -> impl Iterator<Item = (Unsure, f64)> {
        let nu = self.feature.noise.degrees_of_freedom;
        let single = |unsure, at: usize| (unsure, coverage_factor(1, nu) * self.c(at, at).max(0.0).sqrt());
        let (position, dimensions) = self.position();
        let position = (Unsure::Position, coverage_factor(dimensions, nu) * widest(&position).0[0]);
        let direction =
            self.direction.map(|_| (Unsure::Direction, coverage_factor(2, nu) * widest(&self.block(3)).0[0]));
        let radius = self.radius.map(|at| single(Unsure::Radius, at));
        let half_angle = self.half_angle.map(|at| single(Unsure::HalfAngle, at));
        [Some(position), direction, radius, half_angle].into_iter().flatten()
    }

    /// The direction in which a vector (the position or the direction) is traded for a number.
    fn traded(&self, vector: Matrix3<f64>, first: usize, number: Option<usize>) -> Option<UnitVec3> {
        let number = number?;
        let shared = Vec3::from_fn(|i, _| self.c(first + i, number));
        // What the vector cannot do is rounding.
        let shared = if vector.amax() > 0.0 { vector * shared / vector.amax() } else { shared };
        let way = UnitVec3::try_new(shared, 0.0)?;
        let together = Vec3::from_fn(|i, _| self.c(first + i, number)).dot(&way);
        let apart = sigma_along(&vector, &way) * self.c(number, number).max(0.0).sqrt();
        (together > TRADED * apart).then_some(way)
    }

    /// Where painting helps, and which way that is.
    fn remedy(&self, unsure: Unsure) -> (Place, Option<UnitVec3>) {
        let kind = self.feature.shape.kind();
        let round = self.feature.extent.arc < ALL_ROUND;
        let axis = self.direction.map(UnitVec3::new_unchecked);
        let far = match unsure {
            Unsure::Direction | Unsure::HalfAngle => self.traded(self.block(3), 3, self.half_angle),
            _ => self.traded(self.position().0, 0, self.radius),
        };
        let (sigmas, worst) = widest(&self.block(3));
        match (kind, unsure) {
            (Kind::Plane, Unsure::Direction) => (Place::Across, Some(worst)),
            (Kind::Plane, _) => (Place::Anywhere, None),
            _ if far.is_some() => (Place::FarSide, far),
            (Kind::Cylinder | Kind::Cone, Unsure::Direction) if round && sigmas[0] > LOPSIDED * sigmas[1] => {
                (Place::Sides, Some(worst))
            }
            (Kind::Cylinder | Kind::Cone, Unsure::Direction | Unsure::HalfAngle) => (Place::Along, axis),
            (Kind::Sphere, _) => (Place::Anywhere, None),
            _ if round => (Place::Round, None),
            _ => (Place::Anywhere, None),
        }
    }
}

/// The two largest standard deviations, and the direction of the largest.
fn widest(c: &Matrix3<f64>) -> ([f64; 2], UnitVec3) {
    let eigen = c.symmetric_eigen();
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    let sigma = |i: usize| eigen.eigenvalues[order[i]].max(0.0).sqrt();
    ([sigma(0), sigma(1)], UnitVec3::new_normalize(eigen.eigenvectors.column(order[0]).into_owned()))
}

/// What a fabricator calls it.
fn noun(feature: &Feature) -> &'static str {
    match (feature.shape.kind(), feature.side) {
        (Kind::Plane, _) => "face",
        (Kind::Cylinder, Side::Internal) => "bore",
        (Kind::Cylinder, Side::External) => "pin",
        (Kind::Cylinder, Side::Unknown) => "cylinder",
        (Kind::Cone, Side::Internal) => "seat",
        (Kind::Cone, _) => "taper",
        (Kind::Sphere, Side::Internal) => "cup",
        (Kind::Sphere, _) => "ball",
        (Kind::Circle, _) => "rim",
    }
}

fn free(feature: &Feature, unsure: Unsure, u95: f64) -> String {
    let kind = feature.shape.kind();
    let what = match kind {
        Kind::Plane => "the face",
        Kind::Cylinder | Kind::Cone => "the axis",
        Kind::Sphere | Kind::Circle => "the centre",
    };
    match unsure {
        Unsure::Direction => {
            let what = if kind == Kind::Circle { "the plane of the rim" } else { what };
            match u95 < ANY {
                true => format!("{what} is free to tip {}°", two_significant(u95.to_degrees())),
                false => format!("{what} is free to tip over"),
            }
        }
        Unsure::Position => {
            let how = if kind == Kind::Plane { "shift" } else { "move" };
            format!("{what} is free to {how} {} mm", two_significant(u95))
        }
        Unsure::Radius => format!("the diameter is free by {} mm", two_significant(2.0 * u95)),
        Unsure::HalfAngle => format!("the included angle is free by {}°", two_significant(2.0 * u95.to_degrees())),
        Unsure::Shape => "its shape cannot be told".into(),
    }
}

fn paint(feature: &Feature, place: Place) -> String {
    let noun = noun(feature);
    match place {
        Place::FarSide => format!("paint the far side of the {noun}"),
        Place::Sides => format!("paint the {noun} a quarter turn to either side"),
        Place::Round => format!("paint the rest of the way round the {noun}"),
        Place::Across => format!("paint farther across the {noun}, the narrow way"),
        Place::Anywhere => format!("paint more of the {noun}"),
        Place::Along => {
            let [low, high] = feature.extent.along;
            let short = high - low < SHORT * 2.0 * feature.shape.radius().unwrap_or(0.0);
            match short {
                // Where it ends there, no painting helps.
                true => format!("paint the {noun} over its whole length, or join it with another on the same axis"),
                false => format!("paint farther along the {noun}"),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;

    /// A feature known so well, but for what `change` makes of its covariance.
    fn feature(shape: Shape, change: impl Fn(&mut DMatrix<f64>)) -> Feature {
        let n = shape.parameters().len();
        let mut covariance = DMatrix::identity(n, n) * 1e-12;
        change(&mut covariance);
        Feature {
            shape,
            covariance,
            noise: crate::Noise {
                sigma: 0.03,
                correlated_share: 0.0,
                correlation_length: 0.0,
                degrees_of_freedom: 1e9,
            },
            extent: crate::Extent { along: [-10.0, 10.0], across: 8.0, arc: std::f64::consts::TAU },
            side: Side::Internal,
            rms: 0.03,
            form_error: 0.15,
            used: 800,
            rejected: 0,
            left_out: Vec::new(),
            converged: true,
            iterations: 5,
        }
    }

    fn bore() -> Shape {
        Shape::Cylinder { point: Default::default(), direction: UnitVec3::new_normalize(Vec3::z()), radius: 8.0 }
    }

    #[test]
    fn a_good_feature_needs_nothing_and_limits_are_those_stated() {
        let enough = Enough::default();
        assert_eq!(advice(&feature(bore(), |_| ()), &enough), None);
        // The ± of a radius is 1.96 σ.
        for (sigma, good) in [(0.0255, true), (0.0256, false)] {
            let f = feature(bore(), |c| c[(6, 6)] = sigma * sigma);
            assert_eq!(advice(&f, &enough).is_none(), good, "{sigma}");
        }
        // That of a direction is 2.45 σ of the worse way.
        let limit = 0.1_f64.to_radians() / 2.4477;
        for (share, good) in [(0.999, true), (1.001, false)] {
            let f = feature(bore(), |c| c[(3, 3)] = (share * limit).powi(2));
            assert_eq!(advice(&f, &enough).is_none(), good, "{share}");
        }
    }

    #[test]
    fn words_are_those_a_person_reads() {
        let tipping = feature(bore(), |c| {
            let sigma = 0.8_f64.to_radians() / 2.4477;
            (c[(3, 3)], c[(4, 4)]) = (sigma * sigma, sigma * sigma);
        });
        let said = advice(&tipping, &Enough::default()).unwrap();
        assert_eq!(said.to_string(), "paint farther along the bore: the axis is free to tip 0.80°");
        assert_eq!(said.place, Place::Along);
        let one_sided = feature(bore(), |c| {
            // The radius grows as the axis moves along −x: painted on the side of +x.
            (c[(0, 0)], c[(6, 6)], c[(0, 6)], c[(6, 0)]) = (0.01, 0.01, -0.0099, -0.0099);
        });
        let said = advice(&one_sided, &Enough::default()).unwrap();
        assert_eq!(said.to_string(), "paint the far side of the bore: the axis is free to move 0.24 mm");
        assert!(said.towards.unwrap().x < -0.999);
    }
}
