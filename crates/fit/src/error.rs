//! Why a fit could not be made.

use crate::feature::Kind;
use std::borrow::Cow;
use stringline_core::Explain;

/// Why a fit could not be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Fewer points than the shape has parameters.
    #[error("a {kind} needs at least {needed} points and the patch has {found}")]
    TooFewPoints {
        /// The shape asked for.
        kind: Kind,
        /// The least number of points.
        needed: usize,
        /// Points given.
        found: usize,
    },
    /// A coordinate or a normal is NaN or infinite.
    #[error("point {index} of the patch has a coordinate that is not a number")]
    NotFinite {
        /// Its place in the points given.
        index: usize,
    },
    /// The points do not determine the shape: they lie on a line, on one spot, or leave it free to move.
    #[error("the {found} painted points do not determine a {kind}: {free}")]
    NotDetermined {
        /// The shape asked for.
        kind: Kind,
        /// Points given.
        found: usize,
        /// What stays free, in words.
        free: String,
    },
    /// Normals were given, but not one for each point.
    #[error("{normals} normals were given for {points} points")]
    NormalsDoNotMatch {
        /// Number of points.
        points: usize,
        /// Number of normals.
        normals: usize,
    },
    /// A held radius that is not a positive length, or a shape that has no one radius.
    #[error("a radius of {radius} mm cannot be held on a {kind}")]
    BadHeldRadius {
        /// The shape asked for.
        kind: Kind,
        /// The radius given, mm.
        radius: f64,
    },
    /// Joint features of kinds that the relation does not make sense for.
    #[error("{relation} cannot join {kinds}")]
    CannotJoin {
        /// The relation asked for, in words.
        relation: &'static str,
        /// The kinds given, in words.
        kinds: String,
    },
}

impl Explain for FitError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            FitError::TooFewPoints { .. } => "Paint a larger area, or use a denser scan.".into(),
            FitError::NotFinite { .. } => {
                "Clean the scan: survey it to see which points are bad, and export it again.".into()
            }
            FitError::NotDetermined { kind: Kind::Plane, .. } => "Paint in two directions across the face.".into(),
            FitError::NotDetermined { .. } => {
                "Paint more of the surface: further round it and over more of its length, or choose a simpler shape."
                    .into()
            }
            FitError::NormalsDoNotMatch { .. } => "Give one normal for each point, or none.".into(),
            FitError::BadHeldRadius { .. } => "Hold a radius above zero on a cylinder, a sphere or a circle.".into(),
            FitError::CannotJoin { .. } => {
                "Join bores or tapers on a common axis, and faces or axes as parallel or square.".into()
            }
        }
    }
}
