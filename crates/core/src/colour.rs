//! The scales of values: diverging of signed ones, sequential of magnitudes.

use std::sync::LazyLock;

/// A colour as sRGB from 0 to 255.
pub type Rgb = [u8; 3];

/// What has no value: a middle grey.
pub const NONE: Rgb = [128, 128, 128];

/// *vik*, a diverging scale from blue over nearly white to brown, uniform to the eye and readable
/// with every kind of colour blindness: F. Crameri, G. E. Shephard and P. J. Heron, *The misuse of
/// colour in science communication*, Nature Communications 11, 5444 (2020); table of 256 colours
/// under the MIT licence, © 2020 Fabio Crameri.
const VIK: &str = include_str!("../assets/vik.txt");

/// *batlow*, a sequential scale from dark blue over green to pale pink, of the same authors and licence.
const BATLOW: &str = include_str!("../assets/batlow.txt");

static TABLE: LazyLock<Vec<Rgb>> = LazyLock::new(|| table(VIK));
static MAGNITUDES: LazyLock<Vec<Rgb>> = LazyLock::new(|| table(BATLOW));

fn table(text: &str) -> Vec<Rgb> {
    let number = |text: &str| text.parse::<f64>().ok().map(|c| (c.clamp(0.0, 1.0) * 255.0).round() as u8);
    let colour = |line: &str| {
        let mut parts = line.split_whitespace().map(number);
        Some([parts.next()??, parts.next()??, parts.next()??])
    };
    text.lines().filter_map(colour).collect()
}

/// The 256 colours of *vik* from the most negative to the most positive value.
pub fn vik() -> &'static [Rgb] {
    &TABLE
}

/// The 256 colours of *batlow* from nothing to the largest magnitude.
pub fn batlow() -> &'static [Rgb] {
    &MAGNITUDES
}

/// The colour of a value from −1 to 1; of what is no number [`NONE`].
pub fn diverging(value: f32) -> Rgb {
    let last = TABLE.len().saturating_sub(1);
    let place = ((value.clamp(-1.0, 1.0) + 1.0) * 0.5 * last as f32).round();
    TABLE.get(place as usize).copied().filter(|_| !value.is_nan()).unwrap_or(NONE)
}

/// The colour of a magnitude from 0 to 1; of what is no number [`NONE`].
pub fn sequential(value: f64) -> Rgb {
    let last = MAGNITUDES.len().saturating_sub(1);
    let place = (value.clamp(0.0, 1.0) * last as f64).round();
    MAGNITUDES.get(place as usize).copied().filter(|_| !value.is_nan()).unwrap_or(NONE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_are_those_of_the_published_table() {
        assert_eq!(TABLE.len(), 256);
        assert_eq!([diverging(-1.0), diverging(9.0), diverging(f32::NAN)], [[0, 18, 97], [89, 0, 8], NONE]);
        assert_eq!(MAGNITUDES.len(), 256);
        assert_eq!([sequential(0.0), sequential(1.0), sequential(f64::NAN)], [[1, 25, 89], [250, 204, 250], NONE]);
    }
}
