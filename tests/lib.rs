//! Helpers shared by the workspace-level tests.

pub mod kestrel_car;
