//! What ties scans to one another and to the car: the recipe of their placements.

use crate::document::Extra;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
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

/// What a mate says. Each text is the name of a feature, or of a datum whose features all lie on one scan.
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
    /// The names it speaks of, in order.
    pub fn inputs(&self) -> Vec<&str> {
        match self {
            Tie::Meet { first, second, .. }
            | Tie::Distance { first, second, .. }
            | Tie::Parallel { first, second }
            | Tie::Angle { first, second, .. } => vec![first, second],
            Tie::Ground { face, .. } => vec![face],
            Tie::Pair { left, right, .. } => vec![left, right],
            Tie::Coordinate { of, .. } => of.iter().map(String::as_str).collect(),
        }
    }

    /// Lets it speak of the same thing under another name.
    pub(crate) fn rename_input(&mut self, from: &str, to: &str) {
        let all: Vec<&mut String> = match self {
            Tie::Meet { first, second, .. }
            | Tie::Distance { first, second, .. }
            | Tie::Parallel { first, second }
            | Tie::Angle { first, second, .. } => vec![first, second],
            Tie::Ground { face, .. } => vec![face],
            Tie::Pair { left, right, .. } => vec![left, right],
            Tie::Coordinate { of, .. } => of.iter_mut().collect(),
        };
        all.into_iter().filter(|name| *name == from).for_each(|name| to.clone_into(name));
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
        }
    }
}
