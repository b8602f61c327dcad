//! A hardpoint set as STEP, DXF and CSV.

mod csv;
mod dxf;
mod step;

pub use csv::to_csv;
pub use dxf::to_dxf;
pub use step::to_step;

use crate::set::{HardpointSet, SetError};
use std::borrow::Cow;
use stringline_core::Explain;
use stringline_exchange::dxf::DxfError;
use stringline_exchange::step::StepError;

/// What every file that could lead to cutting and welding says, a line each.
pub const CAUTION: [&str; 4] = [
    "Computed geometry is no strength calculation.",
    "Have the design and every weld checked by a qualified engineer.",
    "The law on vehicle modifications where you are, and the rules of the event, decide.",
    "Check the real car through full lock and full travel before it moves.",
];

/// The program, as files name it.
const SYSTEM: &str = concat!("Stringline ", env!("CARGO_PKG_VERSION"));

/// Why a set could not be exported.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ExportError {
    /// The set itself is not sound.
    #[error(transparent)]
    Set(#[from] SetError),
    /// STEP would not take it.
    #[error(transparent)]
    Step(#[from] StepError),
    /// DXF would not take it.
    #[error(transparent)]
    Dxf(#[from] DxfError),
}

impl Explain for ExportError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            ExportError::Set(e) => e.next_step(),
            ExportError::Step(e) => e.next_step(),
            ExportError::Dxf(e) => e.next_step(),
        }
    }
}

/// What the set is called, on drawings and in trees.
fn title(set: &HardpointSet) -> String {
    match (&set.name, &set.vehicle.name) {
        (Some(name), _) => name.clone(),
        (None, Some(vehicle)) => format!("{vehicle} hardpoints"),
        (None, None) => "hardpoints".into(),
    }
}
