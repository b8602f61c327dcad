//! The stop that this version does not have yet.

use super::parts;
use egui::Ui;

pub(super) fn sheet(ui: &mut Ui) {
    ui.heading("Cut files");
    ui.label("Not in this version yet.");
    ui.add_space(6.0);
    parts::faint(ui, "Plates, spacers and brackets from the hardpoints, as STEP and DXF with a setup sheet.");
    ui.add_space(6.0);
    parts::faint(ui, "Until then: Export the hardpoints as STEP or DXF and draw the part around them.");
}
