//! From fitted features to a trusted hardpoint set.
//!
//! A [`Construction`] says how a datum follows from features ("where this bore's axis meets
//! that face"); [`Inputs::construct`] does it and carries the uncertainty through. A datum
//! with a [`Role`] becomes a [`Hardpoint`] of a [`HardpointSet`], the file that leaves for
//! design, which [`export`] turns into STEP, DXF and CSV.
//!
//! [`Inputs::measure`] says how far two of them are apart and how they stand to each other.
//!
//! This crate works on values: it never opens a file.

pub mod construction;
pub mod datum;
pub mod export;
mod formula;
pub mod measure;
pub mod role;
pub mod set;

pub use construction::{Construction, ConstructionError, Inputs};
pub use datum::{Constructed, Datum, DatumKind, Gap, Note, Source, Sources, block_rotation, place_feature};
pub use measure::{Between, Measurement, Quantity};
pub use role::{Role, Side, Suspension};
pub use set::{
    CoordinateAxes, DatumRecord, Hardpoint, HardpointSet, ScanFile, SetError, Units, Vehicle, hardpoints_schema,
};
