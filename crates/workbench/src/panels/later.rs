//! The stops that this version does not have yet.

use super::parts;
use crate::state::Stop;
use egui::Ui;

pub(super) fn sheet(ui: &mut Ui, stop: Stop) {
    let (title, what, until) = match stop {
        Stop::Clearance => (
            "Clearance",
            "What the wheel and the arms come near as the corner moves, with the gap that you want.",
            "At the stop Car frame one scan can be laid over another and the gap between them shown.",
        ),
        _ => (
            "Cut files",
            "Plates, spacers and brackets from the hardpoints, as STEP and DXF with a setup sheet.",
            "Export the hardpoints as STEP or DXF and draw the part around them.",
        ),
    };
    ui.heading(title);
    ui.label("Not in this version yet.");
    ui.add_space(6.0);
    parts::faint(ui, what);
    ui.add_space(6.0);
    parts::faint(ui, format!("Until then: {until}"));
}
