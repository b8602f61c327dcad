//! The sizes of a tyre from its marking.
//!
//! The arithmetic is that of ISO 4000-1 (passenger car tyres, designation and dimensions) and of the ETRTO
//! Standards Manual, which agrees with it. **From memory**: no copy of either was at hand; the constants
//! give the measuring rims and section widths of the sizes in the tests.

use crate::explain::Explain;
use std::borrow::Cow;

/// Millimetres in an inch.
const INCH: f64 = 25.4;

/// By how much the section widens per millimetre of wider rim (ISO 4000-1, K₂; *from memory*). It is the trade's
/// 5 mm per half inch.
const WIDER: f64 = 0.4;

/// Rims come in steps of half an inch.
const RIM_STEP: f64 = 0.5 * INCH;

/// What a size marking such as `205/50R16` says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TyreSize {
    /// Nominal section width S_N, mm.
    pub width: f64,
    /// Nominal aspect ratio H/S, as a share: 0.5 of `205/50R16`.
    pub aspect: f64,
    /// Nominal diameter of the rim, mm.
    pub rim_diameter: f64,
}

/// A marking that is not understood.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{marking}\" is no metric tyre size")]
pub struct TyreError {
    /// What was given.
    pub marking: String,
}

impl Explain for TyreError {
    fn next_step(&self) -> Cow<'static, str> {
        "Give the size as it stands on the side wall: width in mm, aspect ratio, rim in inches, as 205/50R16.".into()
    }
}

impl TyreSize {
    /// Reads a marking: section width in mm, aspect ratio in %, rim diameter in inches. What stands before (`P`)
    /// or after (load and speed) is passed over, and so are the letters between (`R`, `ZR`, `-`).
    ///
    /// ```
    /// use stringline_core::tyre::TyreSize;
    ///
    /// let size = TyreSize::parse("205/50 ZR16 87W")?;
    /// assert_eq!((size.width, size.aspect, size.rim_diameter), (205.0, 0.5, 406.4));
    /// assert!((size.free_radius() - 305.7).abs() < 1e-9);
    /// # Ok::<(), stringline_core::tyre::TyreError>(())
    /// ```
    ///
    /// # Errors
    /// A marking of another form or of no possible size.
    pub fn parse(marking: &str) -> Result<TyreSize, TyreError> {
        read(marking).ok_or_else(|| TyreError { marking: marking.into() })
    }

    /// Height of the section H = S_N · H/S, mm.
    pub fn section_height(&self) -> f64 {
        self.width * self.aspect
    }

    /// Radius of the unloaded new tyre, mm: half the rim's diameter and the section's height. The standard rounds
    /// the rim and the height to whole millimetres first, which can add or take 0.5 mm.
    pub fn free_radius(&self) -> f64 {
        0.5 * self.rim_diameter + self.section_height()
    }

    /// Width of the measuring rim, mm: K₁ · S_N to the nearest half inch (ISO 4000-1; K₁ *from memory*).
    pub fn measuring_rim(&self) -> f64 {
        let theoretical = self.rim_share() * self.width;
        (theoretical / RIM_STEP).round() * RIM_STEP
    }

    /// Section width of the new tyre on a rim of `rim_width` (mm), mm: S_N + 0.4 (rim − K₁ S_N).
    pub fn section_width(&self, rim_width: f64) -> f64 {
        self.width + WIDER * (rim_width - self.rim_share() * self.width)
    }

    /// K₁ of ISO 4000-1, *from memory*: the theoretical rim's share of the nominal width by aspect ratio.
    fn rim_share(&self) -> f64 {
        match self.aspect * 100.0 {
            a if a > 72.5 => 0.70,
            a if a > 57.5 => 0.75,
            a if a > 47.5 => 0.80,
            a if a > 42.5 => 0.85,
            a if a > 27.5 => 0.90,
            _ => 0.92,
        }
    }
}

fn read(marking: &str) -> Option<TyreSize> {
    let text = marking.trim().to_ascii_uppercase();
    let (width, rest) = text.split_once('/')?;
    let width: f64 = width.trim_start_matches(|c: char| !c.is_ascii_digit()).parse().ok()?;
    let split = rest.find(|c: char| !(c.is_ascii_digit() || c == '.'))?;
    let (aspect, rest) = rest.split_at(split);
    let aspect: f64 = aspect.parse().ok()?;
    let rim = rest.trim_start_matches(|c: char| !c.is_ascii_digit());
    let end = rim.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(rim.len());
    let rim: f64 = rim[..end].parse().ok()?;
    let size = TyreSize { width, aspect: aspect / 100.0, rim_diameter: rim * INCH };
    let radius = size.free_radius();
    (radius.is_finite() && size.section_height() > 0.0 && rim > 0.0 && radius < 2000.0).then_some(size)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markings_are_read_and_others_refused() {
        let radius = |marking: &str| TyreSize::parse(marking).map(|s| s.free_radius()).ok();
        assert_eq!(radius("P205/55R16 91V"), Some(203.2 + 112.75));
        assert_eq!(radius(" 195/65-15"), Some(190.5 + 126.75));
        for wrong in ["", "205", "205/50", "/50R16", "205/0R16", "205/50R", "30x9.5-15", "99999/90R16", "x/yRz"] {
            assert!(TyreSize::parse(wrong).is_err(), "{wrong}");
        }
        let error = TyreSize::parse("big").unwrap_err();
        assert_eq!(error.to_string(), "\"big\" is no metric tyre size");
        assert!(error.next_step().ends_with('.'));
    }

    /// Measuring rims of common sizes, in inches, as catalogues state them (*from memory*).
    #[test]
    fn measuring_rims_are_those_of_the_catalogues() {
        for (marking, rim) in [
            ("205/50R16", 6.5),
            ("205/55R16", 6.5),
            ("225/45R17", 7.5),
            ("195/65R15", 6.0),
            ("175/70R13", 5.0),
            ("185/60R14", 5.5),
            ("245/40R18", 8.5),
            ("145/80R13", 4.0),
        ] {
            let size = TyreSize::parse(marking).unwrap();
            assert!((size.measuring_rim() / INCH - rim).abs() < 1e-9, "{marking}");
            // On its measuring rim a tyre is about as wide as it says; half an inch more makes 5 mm.
            let width = size.section_width(rim * INCH);
            assert!((width - size.width).abs() < 3.0, "{marking} {width}");
            assert!((size.section_width((rim + 0.5) * INCH) - width - 5.08).abs() < 1e-9);
        }
    }
}
