//! A wheel with its tyre as a body of revolution.
//!
//! Its frame: y along the spin axis, the origin in the middle of the rim. Of a left wheel y points
//! outboard; a right one is the same wheel turned round by 180° about z.

use crate::profile::{Piece, Place, Profile};
use std::borrow::Cow;
use stringline_core::tyre::{TyreError, TyreSize};
use stringline_core::{Explain, Point3, UnitVec3};
use stringline_scan::Mesh;

/// Straight pieces that stand for each curve of a tyre's side.
const CURVE: usize = 32;

/// How square a tyre's shoulder is: the exponent of the superellipse from its widest place to its crown.
/// *Common practice, no source*: with 4 the edge of a tread 0.8 of the section wide lies 12 % of the upper side
/// wall's height below the crown.
const SHOULDER: f64 = 4.0;

/// Corners of a polygon round a circle of the wheel.
const AROUND: u32 = 180;

/// A rim, its dimensions in mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RimSettings {
    /// Height of the flanges over the nominal diameter: 17.5, that of a J contour (ISO 4000-2, *from memory*).
    pub flange_height: f64,
    /// How far the flanges stand out beyond the rim's width on each side: 12 (*common practice, no source*).
    pub flange_width: f64,
    /// From the nominal radius down to the inside of the barrel at the well: 25, of which the well is 17 to 20
    /// and the rest the wall (*common practice, no source*). Measure it where a brake is close.
    pub barrel_depth: f64,
    /// Diameter of the hole in the middle: 60.
    pub bore: f64,
}

impl Default for RimSettings {
    fn default() -> RimSettings {
        RimSettings { flange_height: 17.5, flange_width: 12.0, barrel_depth: 25.0, bore: 60.0 }
    }
}

/// How much larger a tyre gets than its nominal size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TyreSettings {
    /// Section width in service over that of the new tyre: 1.04 (UN Regulation 30, 6.1.4 and ISO 4000-1, radial
    /// tyres; *from memory*).
    pub width_growth: f64,
    /// Height of the section in service over the nominal one: 1.04 (likewise).
    pub height_growth: f64,
    /// How far each side bulges out further where the tyre bears the car, mm: 0. Taken all round, as if every part of
    /// the tyre stood on the ground.
    pub bulge: f64,
}

impl Default for TyreSettings {
    fn default() -> TyreSettings {
        TyreSettings { width_growth: 1.04, height_growth: 1.04, bulge: 0.0 }
    }
}

impl TyreSettings {
    /// The new tyre as its marking says.
    pub const NOMINAL: TyreSettings = TyreSettings { width_growth: 1.0, height_growth: 1.0, bulge: 0.0 };
}

/// A wheel with its tyre: the body that an outline makes turned about its axis.
#[derive(Clone, Debug)]
pub struct Wheel {
    profile: Profile,
    parts: Option<Parts>,
}

/// Where the parts of a wheel by size begin, mm.
#[derive(Clone, Copy, Debug)]
struct Parts {
    /// Radius of the inside of the barrel.
    inside: f64,
    /// Radius of the flanges.
    flange: f64,
    /// Radius half way up the upper side wall.
    shoulder: f64,
    /// Half the width of the tread.
    tread: f64,
}

/// Why there is no wheel.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum WheelError {
    /// A marking that is not understood.
    #[error(transparent)]
    Marking(#[from] TyreError),
    /// A dimension that no wheel has.
    #[error("{what} of {value} mm fits no such wheel")]
    Size {
        /// Which one.
        what: &'static str,
        /// Its value, mm.
        value: f64,
    },
    /// An outline that encloses nothing.
    #[error("the outline needs three points or more that enclose an area; it has {count}")]
    Outline {
        /// How many points it has.
        count: usize,
    },
    /// An outline that crosses itself.
    #[error("the outline crosses itself: its pieces after points {first} and {second} meet")]
    Crosses {
        /// A point's place in the list, from 0.
        first: usize,
        /// Another's.
        second: usize,
    },
    /// A scan that has no one axis.
    #[error("the {points} points of the scan have no one axis of revolution")]
    Axis {
        /// How many points with a normal decided.
        points: usize,
    },
    /// A place of an outline that cannot be turned about the axis.
    #[error(
        "point {index} of the outline (radius {radius} mm, axis {along} mm) is not a place at a radius of 0 or more"
    )]
    Place {
        /// Its place in the list, from 0.
        index: usize,
        /// mm.
        radius: f64,
        /// mm.
        along: f64,
    },
}

impl Explain for WheelError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            WheelError::Marking(e) => e.next_step(),
            WheelError::Size { .. } => {
                "Measure the rim again: width between the flanges, offset of its mounting face.".into()
            }
            WheelError::Axis { .. } => {
                "Scan tyre and rim from both sides, all round as far as you can, without the parts beside them.".into()
            }
            WheelError::Outline { .. } | WheelError::Place { .. } | WheelError::Crosses { .. } => {
                "Draw the wheel's section as radius and place along the axis, in order round the outline, in mm.".into()
            }
        }
    }
}

impl Wheel {
    /// A wheel from the tyre's marking, the rim's width between its flanges and its offset, mm: how far the
    /// mounting face lies outboard of the rim's middle.
    ///
    /// The tyre's section follows [`TyreSize`] for its height and its width on this rim, then grows as
    /// `tyre` says; between its widest place, half way up, and the crown it is a superellipse, down to
    /// the flange an ellipse. The rim is hollow from the inboard side to the mounting face; outboard
    /// of that it counts as solid.
    ///
    /// # Errors
    /// A marking that is not understood, a rim that no such tyre fits.
    pub fn from_size(
        marking: &str,
        rim_width: f64,
        offset: f64,
        tyre: &TyreSettings,
        rim: &RimSettings,
    ) -> Result<Wheel, WheelError> {
        let size = TyreSize::parse(marking)?;
        let check = |what: &'static str, value: f64, good: bool| match good && value.is_finite() {
            true => Ok(()),
            false => Err(WheelError::Size { what, value }),
        };
        let seat = 0.5 * size.rim_diameter;
        let (edge, inside) = (0.5 * rim_width, seat - rim.barrel_depth);
        let flange = seat + rim.flange_height;
        let outer = edge + rim.flange_width;
        let crown = seat + size.section_height() * tyre.height_growth;
        let widest = 0.5 * size.section_width(rim_width) * tyre.width_growth + tyre.bulge;
        let waist = seat + 0.5 * size.section_height() * tyre.height_growth;
        check("a rim width", rim_width, rim_width > 0.3 * size.width && rim_width < 1.5 * size.width)?;
        check("an offset", offset, offset.abs() < outer)?;
        check("a barrel depth", rim.barrel_depth, rim.barrel_depth > 0.0 && inside > 0.5 * rim.bore)?;
        check("a bore", rim.bore, rim.bore >= 0.0)?;
        check("a flange height", rim.flange_height, rim.flange_height > 0.0 && flange < waist)?;
        check("a flange width", rim.flange_width, rim.flange_width > 0.0)?;
        check("a bulge", tyre.bulge, widest > edge && crown > waist)?;
        // The outboard side from the flange to the crown; the inboard one is its mirror image.
        let mut side = Vec::with_capacity(2 * CURVE + 1);
        let turn = |i: usize| i as f64 / CURVE as f64 * std::f64::consts::FRAC_PI_2;
        for i in 0..CURVE {
            let (sin, cos) = turn(i).sin_cos();
            side.push([waist - (waist - flange) * cos, edge + (widest - edge) * sin]);
        }
        for i in 0..=CURVE {
            let (sin, cos) = turn(i).sin_cos();
            side.push([waist + (crown - waist) * sin.powf(2.0 / SHOULDER), widest * cos.max(0.0).powf(2.0 / SHOULDER)]);
        }
        let bore = 0.5 * rim.bore;
        let mut outline = vec![[bore, offset], [inside, offset], [inside, -outer], [flange, -outer]];
        outline.extend(side.iter().map(|&[r, y]| [r, -y]));
        outline.extend(side.iter().rev().skip(1));
        outline.extend([[flange, outer], [bore, outer]]);
        let parts = Parts { inside, flange, shoulder: 0.5 * (waist + crown), tread: 0.8 * widest };
        Ok(Wheel { parts: Some(parts), ..Wheel::from_profile(&outline)? })
    }

    /// The body that a closed outline makes: places `[radius, along the axis]` in mm, in order; the last is joined
    /// to the first.
    ///
    /// # Errors
    /// Fewer than three places, one that is not a number or at a negative radius, an outline that crosses itself.
    pub fn from_profile(outline: &[[f64; 2]]) -> Result<Wheel, WheelError> {
        let bad = |p: &[f64; 2]| !(p[0].is_finite() && p[1].is_finite() && p[0] >= 0.0);
        if let Some(index) = outline.iter().position(bad) {
            let [radius, along] = outline[index];
            return Err(WheelError::Place { index, radius, along });
        }
        let mut places: Vec<Place> = outline.iter().map(|&p| Place::from(p)).collect();
        places.dedup();
        if places.len() > 1 && places.first() == places.last() {
            places.pop();
        }
        let next = |i: usize| places[(i + 1) % places.len()];
        let area: f64 = (0..places.len()).map(|i| places[i].x * next(i).y - next(i).x * places[i].y).sum();
        if places.len() < 3 || area == 0.0 {
            return Err(WheelError::Outline { count: places.len() });
        }
        let turn = |a: Place, b: Place, c: Place| (b - a).perp(&(c - a));
        for second in 0..places.len() {
            let (c, d) = (places[second], next(second));
            let crosses = |&first: &usize| {
                let (a, b) = (places[first], next(first));
                turn(a, b, c) * turn(a, b, d) < 0.0 && turn(c, d, a) * turn(c, d, b) < 0.0
            };
            if let Some(first) = (0..second).find(crosses) {
                return Err(WheelError::Crosses { first, second });
            }
        }
        let pieces = (0..places.len()).map(|i| Piece { from: places[i], to: next(i) });
        // What runs along the axis bounds nothing.
        let pieces = pieces.filter(|p| p.from.x > 0.0 || p.to.x > 0.0).collect();
        Ok(Wheel::of(Profile::new(pieces)))
    }

    /// Of an outline of its own.
    pub(crate) fn of(profile: Profile) -> Wheel {
        Wheel { profile, parts: None }
    }

    /// Which part of the wheel a place on its surface belongs to, in words, as "the tyre's inside shoulder": *inside* is
    /// towards the car. Of a drawn or scanned wheel only the side is known.
    pub fn whereabouts(&self, place: &Point3) -> &'static str {
        let (r, y) = (place.x.hypot(place.z), place.y);
        let pick = |inside: &'static str, outside: &'static str| if y < 0.0 { inside } else { outside };
        match self.parts {
            None => pick("the wheel's inside", "the wheel's outside"),
            Some(p) if r > p.shoulder && y.abs() <= p.tread => "the tyre's tread",
            Some(p) if r > p.shoulder => pick("the tyre's inside shoulder", "the tyre's outside shoulder"),
            Some(p) if r > p.flange + 0.5 => pick("the tyre's inside wall", "the tyre's outside wall"),
            Some(p) if r > p.inside + 0.5 => pick("the rim's inside flange", "the rim's outside flange"),
            Some(p) if r > p.inside - 0.5 => "the rim's barrel from within",
            Some(_) => "the rim's disc",
        }
    }

    /// The straight pieces of the outline, each from and to `[radius, along the axis]`, mm.
    pub fn outline(&self) -> impl Iterator<Item = [[f64; 2]; 2]> + '_ {
        self.profile.pieces.iter().map(|p| [[p.from.x, p.from.y], [p.to.x, p.to.y]])
    }

    /// The largest radius, mm.
    pub fn radius(&self) -> f64 {
        self.places().map(|p| p.x).fold(0.0, f64::max)
    }

    /// Smallest and largest coordinates in the wheel's frame, mm.
    pub fn bounds(&self) -> (Point3, Point3) {
        let r = self.radius();
        let low = self.places().map(|p| p.y).fold(f64::INFINITY, f64::min);
        let high = self.places().map(|p| p.y).fold(f64::NEG_INFINITY, f64::max);
        (Point3::new(-r, low, -r), Point3::new(r, high, r))
    }

    /// The radius about a point (in the wheel's frame) of the ball that just holds the wheel, mm.
    pub fn sphere_about(&self, point: &Point3) -> f64 {
        let (r, y) = (point.x.hypot(point.z), point.y);
        self.places().map(|p| (p.x + r).hypot(p.y - y)).fold(0.0, f64::max)
    }

    /// The radius about an axis (in the wheel's frame) of the cylinder that just holds the wheel, mm, rounded up by
    /// less than 0.02 % of the wheel's radius.
    pub fn cylinder_about(&self, point: &Point3, direction: &UnitVec3) -> f64 {
        // Round each circle a polygon that holds it; of a polygon a corner is farthest from any axis.
        let turns = (0..AROUND).map(|i| (std::f64::consts::TAU * f64::from(i) / f64::from(AROUND)).sin_cos());
        let grown = 1.0 / (std::f64::consts::PI / f64::from(AROUND)).cos();
        turns
            .flat_map(|(sin, cos)| self.places().map(move |p| Point3::new(p.x * grown * cos, p.y, p.x * grown * sin)))
            .map(|p| direction.cross(&(p - point)).norm())
            .fold(0.0, f64::max)
    }

    /// The wheel as facets, `around` of them about the axis, with their corners on the true surface: to be drawn, and
    /// to check distances with.
    pub fn mesh(&self, around: u32) -> Mesh {
        let mut mesh = Mesh::default();
        for piece in &self.profile.pieces {
            let first = mesh.vertices.len() as u32;
            for i in 0..around {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / f64::from(around)).sin_cos();
                let at = |p: &Place| Point3::new(p.x * cos, p.y, p.x * sin);
                mesh.vertices.extend([at(&piece.from), at(&piece.to)]);
            }
            for i in 0..around {
                let (a, b) = (first + 2 * i, first + 2 * ((i + 1) % around));
                mesh.facets.extend([[a, a + 1, b + 1], [a, b + 1, b]]);
            }
        }
        mesh
    }

    pub(crate) fn profile(&self) -> &Profile {
        &self.profile
    }

    fn places(&self) -> impl Iterator<Item = &Place> {
        self.profile.pieces.iter().flat_map(|p| [&p.from, &p.to])
    }
}
