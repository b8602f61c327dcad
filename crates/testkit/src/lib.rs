//! Development only: the Kestrel scan generator, simulated patches and known bounds.

pub mod bound;
pub mod cover;
pub mod kestrel;
pub mod noise_field;
pub mod patches;
pub mod register;
pub mod shape;
pub mod stated;
