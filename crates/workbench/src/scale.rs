//! The scale of signed values, and the colours of variants.

use egui::Color32;
use std::sync::LazyLock;

/// A colour as sRGB from 0 to 255.
pub type Rgb = [u8; 3];

/// *vik*, a diverging scale from blue over nearly white to brown, uniform to the eye and readable
/// with every kind of colour blindness: F. Crameri, G. E. Shephard and P. J. Heron, *The misuse of
/// colour in science communication*, Nature Communications 11, 5444 (2020); table of 256 colours
/// under the MIT licence, © 2020 Fabio Crameri.
const VIK: &str = include_str!("../assets/vik.txt");

static TABLE: LazyLock<Vec<Rgb>> = LazyLock::new(|| {
    let number = |text: &str| text.parse::<f64>().ok().map(|c| (c.clamp(0.0, 1.0) * 255.0).round() as u8);
    let colour = |line: &str| {
        let mut parts = line.split_whitespace().map(number);
        Some([parts.next()??, parts.next()??, parts.next()??])
    };
    VIK.lines().filter_map(colour).collect()
});

/// The 256 colours of *vik* from the most negative to the most positive value.
pub fn vik() -> &'static [Rgb] {
    &TABLE
}

/// The colour of a value from −1 to 1.
pub fn diverging(value: f32) -> Color32 {
    let last = TABLE.len().saturating_sub(1);
    let place = ((value.clamp(-1.0, 1.0) + 1.0) * 0.5 * last as f32).round() as usize;
    TABLE.get(place).map_or(Color32::GRAY, |&[r, g, b]| Color32::from_rgb(r, g, b))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_are_those_of_the_published_table() {
        assert_eq!(TABLE.len(), 256);
        assert_eq!([diverging(-1.0), diverging(9.0)], [Color32::from_rgb(0, 18, 97), Color32::from_rgb(89, 0, 8)]);
    }
}
