//! Development only: the Kestrel scan generator, simulated patches and known bounds.

pub mod bound;
pub mod patches;
pub mod shape;
