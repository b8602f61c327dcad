//! Numbers and shapes in words, as they stand on call-outs and sheets.

use stringline_core::covariance::{rounded, two_significant, with_uncertainty};
pub use stringline_core::words::{count, plural};
use stringline_core::{Explain, Point3};
use stringline_fit::{Feature, Kind, Verdict};
use stringline_hardpoints::{DatumKind, Hardpoint};

/// Something that went wrong: what, and what to do about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trouble {
    /// What is wrong and where.
    pub what: String,
    /// What to do, as a sentence.
    pub next: String,
}

impl Trouble {
    /// Of any error of ours.
    pub fn of(error: &dyn Explain) -> Trouble {
        Trouble { what: error.to_string(), next: error.next_step().into_owned() }
    }

    /// In one's own words.
    pub fn new(what: impl Into<String>, next: impl Into<String>) -> Trouble {
        Trouble { what: what.into(), next: next.into() }
    }
}

/// The symbol of ISO 1101 for the form of a kind of feature.
pub fn form_symbol(kind: Kind) -> &'static str {
    match kind {
        Kind::Plane => "⏥",
        Kind::Circle => "○",
        Kind::Cylinder => "⌭",
        Kind::Cone | Kind::Sphere => "⌓",
    }
}

/// What [`form_symbol`] says, for tooltips.
pub fn form_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Plane => "flatness",
        Kind::Circle => "roundness",
        Kind::Cylinder => "cylindricity",
        Kind::Cone | Kind::Sphere => "profile of the surface",
    }
}

/// The lines of a feature's call-out: size, form error, how well its place and direction are known.
pub fn feature_lines(feature: &Feature) -> Vec<String> {
    let (shape, u) = (&feature.shape, feature.u95());
    let kind = shape.kind();
    let mut lines = Vec::new();
    if let (Some(half), Some(u_half)) = (shape.half_angle(), u.half_angle_deg) {
        lines.push(format!("∠ {}°", with_uncertainty(2.0 * half.to_degrees(), 2.0 * u_half)));
    }
    if let (Some(radius), Some(u_radius)) = (shape.radius(), u.radius) {
        // A held radius has no uncertainty of its own.
        lines.push(if u_radius > 0.0 {
            format!("⌀ {}", with_uncertainty(2.0 * radius, 2.0 * u_radius))
        } else {
            format!("⌀ {} held", rounded(2.0 * radius, 0.001))
        });
    }
    lines.push(format!("{} {}", form_symbol(kind), rounded(feature.form_error, 0.01)));
    let place = match kind {
        Kind::Cylinder | Kind::Cone => "axis",
        Kind::Plane => "face",
        Kind::Sphere | Kind::Circle => "centre",
    };
    let mut line = format!("{place} ± {}", two_significant(u.position));
    if let Some(tilt) = u.direction_deg {
        line.push_str(&format!("  ± {}°", two_significant(tilt)));
    }
    lines.push(line);
    lines
}

/// The size that a person looks for first, with its ±; empty for a plane.
pub fn size(feature: &Feature) -> String {
    match feature_lines(feature).into_iter().next() {
        Some(line) if feature.shape.kind() != Kind::Plane => line,
        _ => String::new(),
    }
}

/// What the evidence says of which shape it is, where it does not decide.
pub fn undecided(verdict: &Verdict) -> Option<String> {
    match verdict {
        Verdict::Decided(_) => None,
        Verdict::CannotTell(kinds) => {
            let words: Vec<&str> = kinds.iter().map(|kind| kind.word()).collect();
            Some(format!("may be {}", words.join(" or ")))
        }
    }
}

/// A position with one ± for all its coordinates.
pub fn position(point: &Point3, u: f64) -> String {
    let [x, y, z] = [point.x, point.y, point.z].map(|v| rounded(v, u));
    format!("x {x}  y {y}  z {z}")
}

/// The lines of a hardpoint's call-out.
pub fn hardpoint_lines(hardpoint: &Hardpoint) -> Vec<String> {
    let u = hardpoint.u95.map_or(0.0, |u| u.position);
    let mut lines = vec![position(&Point3::from(hardpoint.position), u)];
    let tilt = hardpoint.u95.and_then(|u| u.direction_deg);
    let of = match hardpoint.kind {
        DatumKind::Point => "",
        DatumKind::Axis => "across ",
        DatumKind::Face => "along its normal ",
    };
    let mut line = format!("{of}± {}", two_significant(u));
    if let Some(tilt) = tilt {
        line.push_str(&format!("  ± {}°", two_significant(tilt)));
    }
    lines.push(line);
    lines
}

/// A typed number, mm or degrees; commas count as points. `None` while it is no finite number.
pub(crate) fn number(text: &str) -> Option<f64> {
    text.trim().replace(',', ".").replace('−', "-").parse().ok().filter(|value: &f64| value.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_people_type_them() {
        assert_eq!(number(" 12,5 "), Some(12.5));
        assert_eq!(number("−3"), Some(-3.0));
        assert_eq!(number("inf"), None);
        assert_eq!(number("12 mm"), None);
    }
}
