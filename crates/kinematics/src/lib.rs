//! Corner and axle kinematics.
#![allow(missing_docs)]

pub mod axle;
pub mod corner;
pub mod error;
pub mod geometry;
mod linkage;
pub mod measures;

pub use axle::{Ackermann, Axle, AxleMeasures, Grid, RollError, State};
pub use corner::{Corner, Held, Positions};
pub use error::{Along, End, GeometryError, SolveError};
pub use geometry::{AxleGeometry, Car, CornerGeometry, Damper, JointKind, JointLimit, Member, Rack, Upper, Wheel};
pub use measures::{CornerMeasures, InstantAxis};
