//! Associated features: plane, circle, sphere, cylinder and cone, with their uncertainty.

mod error;
pub mod feature;
mod fit;
mod noise;
mod robust;
mod shapes;
mod solve;
mod start;

pub use error::FitError;
pub use feature::{Extent, Feature, Kind, Noise, Shape, Side};
pub use fit::{FitSettings, fit};
