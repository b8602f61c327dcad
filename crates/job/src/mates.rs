//! What ties scans to one another and to the car: the recipe of their placements.

use crate::document::{Extra, matrix_of, rigid};
use crate::name::Name;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_core::RigidTransform;
use stringline_place::{CarAxis, Facing};

/// A mate: how two datums stand to each other, or a datum to the car.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MateSpec {
    /// What it says.
    pub tie: Tie,
    /// How far the parts themselves may be off it, besides what is measured: one standard deviation, mm.
    /// Absent: 0.5 for a pair, else 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub give: Option<f64>,
    /// The same for directions, degrees. Absent: 0.2 for a pair, else 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub give_deg: Option<f64>,
    /// Keep it even where the others say clearly that it does not hold. Pairs alone are left out otherwise.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub keep: bool,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

/// How nearly left and right of a car are mirror images, where nothing better is known: *common practice, no
/// source*.
const PAIR_GIVE: (f64, f64) = (0.5, 0.2);

/// What a mate says. Each text is the name of a feature, or of a datum whose features all lie on one scan; of a scan
/// laid on another it is the scan's.
///
/// A sphere gives a point, a cylinder an axis, a plane a face, a circle its axis with its centre, a cone its axis
/// with the point where it has the radius that the first of the two reports.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "is", rename_all = "snake_case", deny_unknown_fields)]
pub enum Tie {
    /// They meet, each holding what it can: points coincide, a point lies on an axis or a face, axes are one line,
    /// faces one plane, an axis lies in a face.
    Meet {
        /// One.
        first: String,
        /// The other.
        second: String,
        /// Where one is a face (of two the second): how far the other stands from it along its normal, mm.
        #[serde(default, skip_serializing_if = "is_zero")]
        offset: f64,
        /// How two faces look; absent: either way.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        facing: Option<FacingSpec>,
    },
    /// Two points are a known distance apart.
    Distance {
        /// A point.
        first: String,
        /// Another.
        second: String,
        /// mm.
        distance: f64,
    },
    /// Two axes or faces are parallel.
    Parallel {
        /// One.
        first: String,
        /// The other.
        second: String,
    },
    /// Two axes, or the normals of two faces, stand at a known angle.
    Angle {
        /// One.
        first: String,
        /// The other.
        second: String,
        /// Degrees.
        angle_deg: f64,
    },
    /// A face is level: ground, hoist or bench. Its scan's other datums stand above it.
    Ground {
        /// A plane.
        face: String,
        /// Its height in the car's frame, mm; 0 is the ground.
        #[serde(default, skip_serializing_if = "is_zero")]
        height: f64,
    },
    /// Mirror images in the car's plane of symmetry.
    Pair {
        /// On the left.
        left: String,
        /// On the right.
        right: String,
        /// How far apart they should be by the drawing, mm. It moves nothing; where the pair does not
        /// hold, it tells which side is off.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        apart: Option<f64>,
    },
    /// The mean of points has a known coordinate: hub centres over the axle, a hub's height.
    Coordinate {
        /// The points.
        of: Vec<String>,
        /// Which coordinate.
        axis: CarAxisSpec,
        /// mm.
        value: f64,
    },
    /// One scan lies on another as the surface that both saw has it (registration).
    Surface {
        /// The scan that is laid.
        scan: Name,
        /// The scan that it is laid on.
        on: Name,
        /// Only what is painted of these features of the first counts, whatever their shape. Absent: all of it.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        scan_areas: Vec<Name>,
        /// The same of the second.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        on_areas: Vec<Name>,
        /// Where it starts.
        #[serde(default)]
        start: StartSpec,
    },
    /// One scan lies on another as the markers have it that both saw: found by themselves, matched by their distances.
    Markers {
        /// The scan that is laid.
        scan: Name,
        /// The scan that it is laid on.
        on: Name,
        /// What the markers are.
        marker: MarkerSpec,
        /// Least diameter, mm. Absent: 4.
        #[serde(default = "least_diameter")]
        least_diameter: f64,
        /// Largest diameter, mm. Absent: 30.
        #[serde(default = "largest_diameter")]
        largest_diameter: f64,
        /// Standard uncertainty of one coordinate of a marker's centre, mm. Absent: 0.05, *common practice, no source*.
        #[serde(default = "marker_sigma")]
        sigma: f64,
    },
    /// One scan lies on another as three or more points have it that were picked on both.
    Points {
        /// The scan that is laid.
        scan: Name,
        /// The scan that it is laid on.
        on: Name,
        /// The points.
        pairs: Vec<PickedPair>,
        /// Standard uncertainty of one coordinate of a picked point, mm. Absent: 1, *common practice, no source*.
        #[serde(default = "picked_sigma")]
        sigma: f64,
    },
}

/// A point picked on two scans.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PickedPair {
    /// In the coordinates of the scan that is laid, mm.
    pub scan: [f64; 3],
    /// In those of the scan that it is laid on, mm.
    pub on: [f64; 3],
}

/// Where a registration starts.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "from", rename_all = "snake_case", deny_unknown_fields)]
pub enum StartSpec {
    /// From nothing: any position may be the right one.
    #[default]
    Nothing,
    /// From where the typed placements and the other mates put the two scans.
    Mates,
    /// From where it stood when this was asked for.
    Stand {
        /// Scan coordinates to those of the scan it is laid on: four rows of a homogeneous matrix, mm; the last is
        /// `[0, 0, 0, 1]`.
        on_from_scan: [[f64; 4]; 4],
    },
    /// From three or more picked points.
    Points {
        /// The points.
        pairs: Vec<PickedPair>,
    },
}

/// What markers are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MarkerSpec {
    /// Balls, as on magnets.
    Sphere,
    /// Flat round discs that stand out or lie deeper than what is round them.
    Disc,
}

fn least_diameter() -> f64 {
    4.0
}

fn largest_diameter() -> f64 {
    30.0
}

fn marker_sigma() -> f64 {
    0.05
}

fn picked_sigma() -> f64 {
    1.0
}

/// How two faces look.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FacingSpec {
    /// The same way: one face seen on two scans.
    Same,
    /// Against each other: two faces in contact.
    Opposed,
}

impl From<FacingSpec> for Facing {
    fn from(facing: FacingSpec) -> Facing {
        match facing {
            FacingSpec::Same => Facing::Same,
            FacingSpec::Opposed => Facing::Opposed,
        }
    }
}

/// An axis of the car.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CarAxisSpec {
    /// Forward.
    X,
    /// To the left.
    Y,
    /// Up.
    Z,
}

impl From<CarAxisSpec> for CarAxis {
    fn from(axis: CarAxisSpec) -> CarAxis {
        match axis {
            CarAxisSpec::X => CarAxis::X,
            CarAxisSpec::Y => CarAxis::Y,
            CarAxisSpec::Z => CarAxis::Z,
        }
    }
}

fn is_zero(value: &f64) -> bool {
    *value == 0.0
}

impl StartSpec {
    /// From where the scan stands now.
    pub fn stand(on_from_scan: &RigidTransform) -> StartSpec {
        StartSpec::Stand { on_from_scan: matrix_of(on_from_scan) }
    }
}

impl From<Tie> for MateSpec {
    fn from(tie: Tie) -> Self {
        MateSpec { tie, give: None, give_deg: None, keep: false, extra: Extra::new() }
    }
}

impl MateSpec {
    /// How far the parts may be off it, mm and degrees.
    pub fn gives(&self) -> (f64, f64) {
        let (give, give_deg) = if matches!(self.tie, Tie::Pair { .. }) { PAIR_GIVE } else { (0.0, 0.0) };
        (self.give.unwrap_or(give), self.give_deg.unwrap_or(give_deg))
    }
}

impl Tie {
    /// What is wrong with its numbers.
    pub(crate) fn fault(&self) -> Option<&'static str> {
        let usable = |value: f64| value.is_finite() && value > 0.0;
        let picked = |pairs: &[PickedPair]| match pairs {
            _ if pairs.len() < 3 => Some("fewer than three picked points"),
            _ if !pairs.iter().flat_map(|p| p.scan.iter().chain(&p.on)).all(|v| v.is_finite()) => {
                Some("a picked point that is not finite")
            }
            _ => None,
        };
        let number = match self {
            Tie::Meet { offset: value, .. }
            | Tie::Distance { distance: value, .. }
            | Tie::Angle { angle_deg: value, .. }
            | Tie::Ground { height: value, .. }
            | Tie::Pair { apart: Some(value), .. }
            | Tie::Coordinate { value, .. } => *value,
            _ => 0.0,
        };
        let own = match self {
            Tie::Surface { start: StartSpec::Points { pairs }, .. } => picked(pairs),
            Tie::Surface { start: StartSpec::Stand { on_from_scan }, .. } if rigid(on_from_scan).is_none() => {
                Some("a start that does more than turn and shift")
            }
            Tie::Markers { least_diameter, largest_diameter, sigma, .. }
                if !(usable(*least_diameter)
                    && usable(*sigma)
                    && usable(*largest_diameter)
                    && largest_diameter > least_diameter) =>
            {
                Some("diameters or an uncertainty that cannot be")
            }
            Tie::Points { sigma, .. } if !usable(*sigma) => Some("an uncertainty that is not above zero"),
            Tie::Points { pairs, .. } => picked(pairs),
            Tie::Coordinate { of, .. } if of.is_empty() => Some("no datums"),
            _ => None,
        };
        let itself = self.scans().is_some_and(|[scan, on]| scan == on);
        own.or((!number.is_finite()).then_some("a number that cannot be"))
            .or(itself.then_some("one scan laid on itself"))
    }

    /// The features and datums it speaks of, in order.
    pub fn inputs(&self) -> Vec<&str> {
        match self {
            Tie::Meet { first, second, .. }
            | Tie::Distance { first, second, .. }
            | Tie::Parallel { first, second }
            | Tie::Angle { first, second, .. } => vec![first, second],
            Tie::Ground { face, .. } => vec![face],
            Tie::Pair { left, right, .. } => vec![left, right],
            Tie::Coordinate { of, .. } => of.iter().map(String::as_str).collect(),
            Tie::Surface { scan_areas, on_areas, .. } => scan_areas.iter().chain(on_areas).map(Name::as_str).collect(),
            Tie::Markers { .. } | Tie::Points { .. } => Vec::new(),
        }
    }

    /// Of a scan laid on another the two.
    pub fn scans(&self) -> Option<[&Name; 2]> {
        match self {
            Tie::Surface { scan, on, .. } | Tie::Markers { scan, on, .. } | Tie::Points { scan, on, .. } => {
                Some([scan, on])
            }
            _ => None,
        }
    }

    /// Lets it speak of the same thing under another name.
    pub(crate) fn rename_input(&mut self, from: &str, to: &Name) {
        let all: Vec<&mut String> = match self {
            Tie::Meet { first, second, .. }
            | Tie::Distance { first, second, .. }
            | Tie::Parallel { first, second }
            | Tie::Angle { first, second, .. } => vec![first, second],
            Tie::Ground { face, .. } => vec![face],
            Tie::Pair { left, right, .. } => vec![left, right],
            Tie::Coordinate { of, .. } => of.iter_mut().collect(),
            Tie::Surface { scan_areas, on_areas, .. } => {
                let areas = scan_areas.iter_mut().chain(on_areas).filter(|area| area.as_str() == from);
                areas.for_each(|area| *area = to.clone());
                return;
            }
            Tie::Markers { .. } | Tie::Points { .. } => return,
        };
        all.into_iter().filter(|name| *name == from).for_each(|name| to.as_str().clone_into(name));
    }

    /// What it says, in words.
    pub fn words(&self) -> String {
        match self {
            Tie::Meet { first, second, offset, .. } if *offset != 0.0 => {
                format!("'{first}' stands {offset} mm off '{second}'")
            }
            Tie::Meet { first, second, .. } => format!("'{first}' meets '{second}'"),
            Tie::Distance { first, second, distance } => format!("'{first}' is {distance} mm from '{second}'"),
            Tie::Parallel { first, second } => format!("'{first}' is parallel to '{second}'"),
            Tie::Angle { first, second, angle_deg } => format!("'{first}' stands at {angle_deg}° to '{second}'"),
            Tie::Ground { face, height } if *height != 0.0 => format!("'{face}' is level, {height} mm above ground"),
            Tie::Ground { face, .. } => format!("'{face}' is the ground"),
            Tie::Pair { left, right, .. } => format!("'{left}' mirrors '{right}'"),
            Tie::Coordinate { of, axis, value } => {
                let axis = match axis {
                    CarAxisSpec::X => "x",
                    CarAxisSpec::Y => "y",
                    CarAxisSpec::Z => "z",
                };
                let names: Vec<String> = of.iter().map(|name| format!("'{name}'")).collect();
                let middle = if of.len() > 1 { "the middle of " } else { "" };
                format!("{middle}{} has {axis} = {value} mm", names.join(", "))
            }
            Tie::Surface { scan, on, .. } => format!("{scan} lies on {on} by their surfaces"),
            Tie::Markers { scan, on, .. } => format!("{scan} lies on {on} by markers"),
            Tie::Points { scan, on, pairs, .. } => format!("{scan} lies on {on} by {} picked points", pairs.len()),
        }
    }
}
