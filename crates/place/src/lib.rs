//! How a scan sits in the car, or on another scan, and how far that can be trusted.
//!
//! Every placement is a rigid transform `target_from_source` with the covariance of the small
//! motion by which it may be off: translation (x, y, z, mm), then rotation (about x, y, z, rad),
//! in the target's axes and about the target's origin.

mod adjust;
mod anchor;
mod error;
mod freedom;
mod markers;
mod mate;
mod mirror;
mod motion;
mod pairs;
mod rough;
mod start;
mod surface;
mod system;

pub use adjust::{AdjustSettings, Adjusted, Known, MateFit, Moves, Off, Placed, SideOff, adjust, u95_at};
pub use anchor::{Anchor, Hold};
pub use error::AdjustError;
pub use freedom::{FreeMotion, Freedom};
pub use markers::{
    Marker, MarkerError, MarkerKind, MarkerMatch, MarkerNote, MarkerPair, MarkerSettings, MatchSettings, find_discs,
    find_spheres, match_markers,
};
pub use mate::{CarAxis, Facing, Mate, On, Relation};
pub use mirror::{Asymmetry, asymmetry, average};
pub use pairs::{PairError, PairFit, PairSigmas, PointPair, from_pairs};
pub use rough::{RoughFit, RoughSettings, place_from_nothing};
pub use surface::{SurfaceError, SurfaceFit, SurfaceNote, SurfaceSettings, register};
