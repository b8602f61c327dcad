//! Scans: reading and writing them, indexing them, painting patches on them.
//!
//! Readers take bytes; this crate never opens a file.

pub mod geometry;
pub mod write;

pub use geometry::{Cloud, Geometry, Mesh};
