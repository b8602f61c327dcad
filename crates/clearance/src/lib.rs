//! How far two scans are apart.
//!
//! A *gap* is a distance, positive between two bodies that are apart and negative where one has
//! entered the other. [`gap_map`] gives that of every point of one scan from the surface of another.

mod map;

pub use map::{Gap, GapError, GapMap, gap_map};
