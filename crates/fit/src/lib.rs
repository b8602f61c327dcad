//! Associated features: plane, circle, sphere, cylinder and cone, with their uncertainty.

pub mod feature;

pub use feature::{Extent, Feature, Kind, Noise, Shape, Side};
