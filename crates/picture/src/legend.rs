//! The scale of coloured values, at the head of a sheet.

use crate::chart::escaped;
use crate::colour::{INK, PAPER_HEX};
use std::fmt::Write as _;
use stringline_core::colour::{NONE, diverging};

/// What the colours of layers with values mean.
#[derive(Clone, Debug, Default)]
pub struct Scale {
    /// What is told, with its unit: "gap, mm".
    pub title: String,
    /// What stands at the values −1, 0 and 1.
    pub marks: [String; 3],
    /// What grey means; empty where everything has a value.
    pub none: String,
}

/// Steps of the bar.
const STEPS: usize = 64;
/// Length of the bar, px.
const LENGTH: f64 = 256.0;

/// The bar with its right end at `right` and its upper edge at `top`, px.
pub(crate) fn draw(scale: &Scale, right: f64, top: f64) -> String {
    let (left, step) = (right - LENGTH, LENGTH / STEPS as f64);
    let mut svg = String::new();
    let hex = |[r, g, b]: [u8; 3]| format!("#{r:02x}{g:02x}{b:02x}");
    for i in 0..STEPS {
        let value = (2.0 * (i as f32 + 0.5) / STEPS as f32) - 1.0;
        let x = left + step * i as f64;
        // A little wider, so that no seams show.
        let _ = write!(
            svg,
            "<rect x=\"{x:.1}\" y=\"{top}\" width=\"{:.1}\" height=\"10\" fill=\"{}\"/>",
            step + if i + 1 < STEPS { 0.5 } else { 0.0 },
            hex(diverging(value))
        );
    }
    let _ = writeln!(
        svg,
        "<rect x=\"{left:.1}\" y=\"{top}\" width=\"{LENGTH}\" height=\"10\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"0.8\"/>"
    );
    let anchors = [(left, "start"), (left + 0.5 * LENGTH, "middle"), (right, "end")];
    for (mark, (x, anchor)) in scale.marks.iter().zip(anchors) {
        let _ = writeln!(
            svg,
            "<text x=\"{x:.1}\" y=\"{}\" text-anchor=\"{anchor}\" font-size=\"12\">{}</text>",
            top + 24.0,
            escaped(mark)
        );
    }
    let _ = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"end\" font-size=\"12\" class=\"n\">{}</text>",
        left - 12.0,
        top + 9.0,
        escaped(&scale.title)
    );
    if !scale.none.is_empty() {
        let x = left - 12.0;
        let _ = writeln!(
            svg,
            "<text x=\"{x:.1}\" y=\"{}\" text-anchor=\"end\" font-size=\"12\">{}</text>\
             <rect x=\"{:.1}\" y=\"{}\" width=\"10\" height=\"10\" fill=\"{}\" stroke=\"{PAPER_HEX}\"/>",
            top + 24.0,
            escaped(&scale.none),
            x - 14.0 - 7.0 * scale.none.chars().count() as f64,
            top + 15.0,
            hex(NONE)
        );
    }
    svg
}
