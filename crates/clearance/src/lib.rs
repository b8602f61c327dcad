//! How far bodies are apart.
//!
//! A *gap* is a distance, positive between two bodies that are apart and negative where one has
//! entered the other. [`gap_map`] gives that of every point of one scan from the surface of another,
//! [`distance`] the smallest of two bodies, [`wheel_distance`] that of a wheel from a body.

mod body;
mod design;
mod distance;
mod inside;
mod map;
mod mould;
mod profile;
mod revolve;
mod section;
mod tree;
mod triangle;
mod wheel;

pub use body::{Body, BodyError};
pub use design::{ball, plate, tube};
pub use distance::{Closest, distance};
pub use map::{Gap, GapError, GapMap, Histogram, gap_map};
pub use mould::Moulded;
pub use revolve::wheel_distance;
pub use section::{Outline, Plane, section};
pub use wheel::{RimSettings, TyreSettings, Wheel, WheelError};
