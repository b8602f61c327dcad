//! The scale of signed values, for egui.

use egui::Color32;

pub use stringline_core::colour::{Rgb, vik};

/// The colour of a value from −1 to 1.
pub fn diverging(value: f32) -> Color32 {
    let [r, g, b] = stringline_core::colour::diverging(value);
    Color32::from_rgb(r, g, b)
}
