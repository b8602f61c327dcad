//! How a scan sits in the car, or on another scan, and how far that can be trusted.
//!
//! Every placement is a rigid transform `target_from_source` with the covariance of the small
//! motion by which it may be off: translation (x, y, z, mm), then rotation (about x, y, z, rad),
//! in the target's axes and about the target's origin.

mod adjust;
mod anchor;
mod error;
mod freedom;
mod mate;
mod mirror;
mod motion;
mod start;
mod system;

pub use adjust::{AdjustSettings, Adjusted, Known, MateFit, Moves, Off, Placed, SideOff, adjust, u95_at};
pub use anchor::{Anchor, Hold};
pub use error::AdjustError;
pub use freedom::{FreeMotion, Freedom};
pub use mate::{CarAxis, Facing, Mate, On, Relation};
pub use mirror::{Asymmetry, asymmetry, average};
