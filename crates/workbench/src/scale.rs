//! The scale of signed values for egui, and the colours of variants.

use egui::Color32;

pub use stringline_core::colour::{Rgb, batlow, vik};

/// The colour of a value from −1 to 1.
pub fn diverging(value: f32) -> Color32 {
    let [r, g, b] = stringline_core::colour::diverging(value);
    Color32::from_rgb(r, g, b)
}

/// The colour of a magnitude from 0 to 1.
pub fn magnitude(value: f32) -> Color32 {
    let [r, g, b] = stringline_core::colour::sequential(f64::from(value));
    Color32::from_rgb(r, g, b)
}

/// The colours of variants after the car as found, which is drawn in ink: M. Okabe and K. Ito, *Color Universal Design*
/// (2008), vermilion, blue, bluish green, reddish purple, orange, sky blue; they stay apart with every kind of colour
/// blindness. On light ground darkened, on dark ground lightened, until names in them can be read (WCAG 2.1, 1.4.3).
const VARIANTS: [[Rgb; 2]; 6] = [
    [[186, 76, 0], [240, 120, 40]],
    [[0, 114, 178], [86, 180, 233]],
    [[0, 126, 92], [30, 178, 138]],
    [[164, 82, 126], [214, 138, 178]],
    [[148, 100, 0], [230, 159, 0]],
    [[28, 118, 164], [140, 206, 245]],
];

/// The colour of a variant by its number, the car as found being 0.
pub fn variant(number: u8, dark: bool) -> Rgb {
    let of_theme = usize::from(dark);
    match usize::from(number).checked_sub(1) {
        None => [[29, 34, 40], [233, 231, 224]][of_theme],
        Some(place) => VARIANTS[place % VARIANTS.len()][of_theme],
    }
}

/// The colours of the car's axes x, y and z, of the same set: vermilion, bluish green, blue.
pub fn axes(dark: bool) -> [Rgb; 3] {
    [[213, 94, 0], [0, 158, 115], if dark { [86, 180, 233] } else { [0, 114, 178] }]
}
