//! Which unit a file's numbers are in.
//!
//! Nothing is ever rescaled on a guess. A unit is applied only when the user gives it or the
//! format itself declares it (E57 is in metres by its standard, 3MF names its unit); otherwise
//! the numbers are taken as millimetres, and a guess that differs is told.

use serde::Serialize;
use stringline_core::Point3;
use stringline_core::units::LengthUnit;

/// Where the unit that was applied comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum UnitBasis {
    /// The user gave it.
    Given,
    /// The file or its format declares it.
    Declared,
    /// Nothing says, so millimetres were assumed.
    Assumed,
}

/// The unit of a scan and how it was found.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct UnitFinding {
    /// The unit by which the file's numbers were taken; the geometry is in millimetres.
    pub applied: LengthUnit,
    /// Why that one.
    pub basis: UnitBasis,
    /// The unit the file or its format declares, if it does.
    pub declared: Option<LengthUnit>,
    /// What the size suggests, whatever was applied; `None` when no unit makes a plausible part.
    pub guess: Option<LengthUnit>,
    /// The largest dimension in the file's own numbers.
    pub largest_extent: f64,
    /// The finding in a sentence.
    pub reason: String,
}

/// Guesses from the largest dimension `extent`, in the file's numbers.
///
/// Parts and car bodies measure 20 mm to 6 m, so as numbers: millimetres 20–6000, metres 0.02–6,
/// inches 0.8–240. Where they overlap millimetres win (the usual unit of scanners), then metres
/// below 3; what remains, 3 to 20, are small parts in inches. *Common practice, no source.*
fn guess(extent: f64) -> Option<LengthUnit> {
    match extent {
        e if (20.0..=6000.0).contains(&e) => Some(LengthUnit::Millimetre),
        e if (0.02..3.0).contains(&e) => Some(LengthUnit::Metre),
        e if (3.0..20.0).contains(&e) => Some(LengthUnit::Inch),
        _ => None,
    }
}

/// Decides the unit; `bounds` are in the file's numbers. A notice is pushed when a person should
/// look.
pub(super) fn find(
    bounds: Option<(Point3, Point3)>,
    declared: Option<LengthUnit>,
    given: Option<LengthUnit>,
    notices: &mut Vec<String>,
) -> UnitFinding {
    let largest_extent = bounds.map_or(0.0, |(low, high)| (high - low).max());
    let guess = guess(largest_extent);
    let (applied, basis) = match (given, declared) {
        (Some(unit), _) => (unit, UnitBasis::Given),
        (None, Some(unit)) => (unit, UnitBasis::Declared),
        (None, None) => (LengthUnit::Millimetre, UnitBasis::Assumed),
    };
    let size = format!("the scan is {} long in the file's numbers", short(largest_extent));
    let in_mm = |unit: LengthUnit| short(largest_extent * unit.in_millimetres());
    let reason = match (basis, guess) {
        (UnitBasis::Given, _) => match declared {
            Some(d) if d != applied => {
                notices.push(format!("The file declares {d}; {applied} was given and used instead."));
                format!("given as {applied}, although the file declares {d}")
            }
            _ => format!("given as {applied}"),
        },
        (UnitBasis::Declared, _) => format!("the file declares {applied}"),
        (UnitBasis::Assumed, Some(LengthUnit::Millimetre)) => {
            format!("{size}, as parts in mm are; the file does not say")
        }
        (UnitBasis::Assumed, Some(unit)) => {
            notices.push(format!(
                "Taken as millimetres, but {size}, which looks like {unit} ({} mm). \
                 If so, give the unit: --unit {unit}",
                in_mm(unit)
            ));
            format!("mm assumed; {size}, which looks like {unit}")
        }
        (UnitBasis::Assumed, None) => {
            notices.push(format!(
                "Taken as millimetres, but {size}, which is no plausible part in mm, m or in. \
                 If the unit is another, give it: --unit m"
            ));
            format!("mm assumed; {size}, which no unit explains")
        }
    };
    UnitFinding { applied, basis, declared, guess, largest_extent, reason }
}

/// Three significant digits are enough for a size in a sentence.
fn short(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return value.to_string();
    }
    let decimals = (2 - value.abs().log10().floor() as i32).clamp(0, 9) as usize;
    format!("{value:.decimals$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(size: f64, declared: Option<LengthUnit>, given: Option<LengthUnit>) -> (UnitFinding, usize) {
        let mut notices = Vec::new();
        let bounds = Some((Point3::origin(), Point3::new(size, size / 2.0, 0.0)));
        let found = find(bounds, declared, given, &mut notices);
        (found, notices.len())
    }

    #[test]
    fn a_guess_is_told_and_never_applied() {
        for (size, guess, notices) in [
            (250.0, Some(LengthUnit::Millimetre), 0),
            (0.25, Some(LengthUnit::Metre), 1),
            (9.8, Some(LengthUnit::Inch), 1),
            (1e5, None, 1),
            (1e-4, None, 1),
            (0.0, None, 1),
        ] {
            let (found, told) = finding(size, None, None);
            assert_eq!((found.guess, told), (guess, notices), "{size}");
            assert_eq!(found.applied, LengthUnit::Millimetre);
            assert_eq!(found.basis, UnitBasis::Assumed);
        }
    }

    #[test]
    fn given_beats_declared_beats_guess() {
        let (found, told) = finding(0.25, Some(LengthUnit::Metre), None);
        assert_eq!((found.applied, found.basis, told), (LengthUnit::Metre, UnitBasis::Declared, 0));
        let (found, told) = finding(0.25, Some(LengthUnit::Metre), Some(LengthUnit::Inch));
        assert_eq!((found.applied, found.basis, told), (LengthUnit::Inch, UnitBasis::Given, 1));
        let (found, told) = finding(0.25, None, Some(LengthUnit::Metre));
        assert_eq!((found.applied, told), (LengthUnit::Metre, 0));
    }
}
