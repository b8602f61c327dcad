//! Writers for files other programs read: STEP (ISO 10303-21) and DXF.
//!
//! They know shapes and names, not what either is for. The same input gives the same bytes:
//! the time stamp is passed in.

pub mod dxf;
pub mod part21;
pub mod step;
