//! Every tolerance that more than one place uses.

/// Two directions closer than this are parallel when a construction needs them to cross, rad.
pub const PARALLEL: f64 = 1e-3;

/// A length below which two positions are the same for a construction, mm.
pub const COINCIDENT: f64 = 1e-9;
