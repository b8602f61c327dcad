//! Writes an invented corner to the standard output: `json`, `step`, `dxf` or `csv`.
#![allow(clippy::unwrap_used, clippy::print_stdout, reason = "an example whose output is the file")]

#[path = "../tests/common/mod.rs"]
mod common;

use stringline_hardpoints::export::{to_csv, to_dxf, to_step};

fn main() {
    let (set, _) = common::corner::corner();
    let text = match std::env::args().nth(1).as_deref() {
        Some("step") => to_step(&set, "corner.step", "2026-01-31T12:00:00Z").unwrap(),
        Some("dxf") => to_dxf(&set).unwrap(),
        Some("csv") => to_csv(&set).unwrap(),
        _ => set.to_json().unwrap(),
    };
    print!("{text}");
}
