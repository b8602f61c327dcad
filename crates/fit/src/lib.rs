//! Associated features: plane, circle, sphere, cylinder and cone, with their uncertainty.
//!
//! ```
//! use stringline_fit::{FitSettings, Kind, fit};
//! use stringline_core::Point3;
//!
//! // A bore of radius 7 mm along z, painted all round.
//! let points: Vec<Point3> = (0..400)
//!     .map(|i| {
//!         let (angle, z) = (i as f64 * 2.4, 0.05 * i as f64);
//!         Point3::new(7.0 * angle.cos(), 7.0 * angle.sin(), z)
//!     })
//!     .collect();
//! let bore = fit(&points, &[], Kind::Cylinder, &FitSettings::default())?;
//! assert!((bore.shape.radius().unwrap() - 7.0).abs() < 1e-9);
//! # Ok::<(), stringline_fit::FitError>(())
//! ```

pub mod advice;
mod choose;
mod error;
pub mod feature;
mod fit;
mod grow;
mod joint;
mod noise;
mod robust;
mod shapes;
mod solve;
mod spread;
mod start;
mod taper;

pub use advice::{Advice, Enough, advice, advice_weighed};
pub use choose::{Candidate, Verdict, Weighed, fit_auto};
pub use error::FitError;
pub use feature::{Extent, Feature, Kind, Noise, Shape, Side};
pub use fit::{FitSettings, fit};
pub use grow::{GrowSettings, Grown, grow};
pub use joint::{JointFit, JointPart, Moved, Relation, fit_joint};
pub use noise::{NoiseEstimate, NoiseSettings, estimate as estimate_noise};
pub use spread::Spread;
pub use taper::{Comparison, STANDARD_TAPERS, StandardTaper, Taper, taper};
