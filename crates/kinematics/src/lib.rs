//! What a front suspension does, from its coordinates alone.
//!
//! ```
//! use stringline_core::Point3;
//! use stringline_hardpoints::Side;
//! use stringline_kinematics::{Axle, AxleGeometry, Car, CornerGeometry, Held, Rack, State, Upper, Wheel};
//!
//! // A left strut corner at rest, in vehicle axes (x forward, y left, z up), mm; the right one its mirror image.
//! let corner = CornerGeometry {
//!     side: Side::Left,
//!     lower_front: Point3::new(15.0, 365.0, 200.0),
//!     lower_rear: Point3::new(-300.0, 390.0, 215.0),
//!     lower_ball: Point3::new(8.0, 705.0, 205.0),
//!     upper: Upper::Strut { top: Point3::new(-45.0, 570.0, 845.0), lower: Point3::new(-2.0, 640.0, 420.0) },
//!     tie_rod_inner: Point3::new(-95.0, 330.0, 232.0),
//!     tie_rod_outer: Point3::new(-105.0, 672.0, 240.0),
//!     wheel: Wheel::aligned(Point3::new(0.0, 740.0, 300.0), 300.0, -1.0_f64.to_radians(), 0.0, Side::Left),
//!     damper: None,
//!     outer_joint: None,
//!     inner_joint: None,
//! };
//! let car = Car { wheelbase: Some(2500.0), ..Car::default() };
//! let axle = Axle::new(&AxleGeometry::symmetric(corner, Rack::default(), car))?;
//!
//! // Both wheels 30 mm up: bump steer.
//! let bump = axle.solve(State::level(30.0, 0.0), Held::WheelCentre)?;
//! assert!(bump.left.toe_change.to_degrees().abs() < 0.1);
//! // 60 mm of rack to the right turns the car left; the tyres stay on the ground.
//! let turn = axle.solve(State::level(0.0, -60.0), Held::Contact)?;
//! assert!(turn.left.steer > turn.right.steer && turn.right.steer > 0.0);
//! // And the error beyond the end of the mechanism says where that end is.
//! let beyond = axle.solve(State::level(0.0, -77.0), Held::Contact).unwrap_err();
//! assert!(beyond.to_string().contains("the tie rod reaches over centre at −76."));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! From a hardpoint set: [`Measured::from_set`], then [`Measured::geometry`]. Design changes: [`Variant`] and
//! [`geometry_of`]. The other way round, from what is wanted to what to change: [`solve_for`]. How far the curves can be
//! trusted: [`bands`] and [`simulate`].
//!
//! The definitions and signs of all measures stand at [`CornerMeasures`] and [`AxleMeasures`], with pictures in
//! `docs/conventions.md`; what the numbers rest on in `docs/method.md`.

pub mod axle;
pub mod corner;
pub mod designed;
pub mod error;
pub mod geometry;
mod linkage;
pub mod measured;
pub mod measures;
pub mod motion;
pub mod moves;
pub mod overview;
pub mod quantity;
pub mod solve_for;
pub mod trust;

pub use axle::{Ackermann, Axle, AxleMeasures, Grid, RollError, State};
pub use corner::{Corner, Held, Positions};
pub use designed::{DesignError, designed_set};
pub use error::{Along, End, GeometryError, SolveError};
pub use geometry::{AxleGeometry, Car, CornerGeometry, Damper, JointKind, JointLimit, Member, Rack, Upper, Wheel};
pub use measured::{Measured, MeasuredPoint};
pub use measures::{CornerMeasures, InstantAxis};
pub use motion::{AtTravel, Link, Motion, Steered, carried_to};
pub use moves::{AS_FOUND, Change, Move, RodEnd, Variant, VariantError, geometry_of};
pub use overview::{SUMMARY, cautions, even, rack_range};
pub use quantity::Quantity;
pub use trust::{Band, Share, Simulated, Spread, Tolerance, TrustError, TrustQuestion, bands, simulate, spread_of};
