//! Corner and axle kinematics.
#![allow(missing_docs)]

pub mod axle;
pub mod corner;
pub mod error;
pub mod geometry;
mod linkage;
pub mod measured;
pub mod measures;
pub mod moves;
pub mod quantity;
pub mod solve_for;
pub mod trust;

pub use axle::{Ackermann, Axle, AxleMeasures, Grid, RollError, State};
pub use corner::{Corner, Held, Positions};
pub use error::{Along, End, GeometryError, SolveError};
pub use geometry::{AxleGeometry, Car, CornerGeometry, Damper, JointKind, JointLimit, Member, Rack, Upper, Wheel};
pub use measured::{Measured, MeasuredPoint, free_radius};
pub use measures::{CornerMeasures, InstantAxis};
pub use moves::{AS_FOUND, Change, Move, RodEnd, Variant, VariantError, geometry_of};
pub use quantity::Quantity;
pub use trust::{Band, Share, Simulated, Tolerance, TrustError, TrustQuestion, bands, simulate};
