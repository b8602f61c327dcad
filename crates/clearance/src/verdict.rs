//! Whether a gap is large enough, as far as can be told.
//!
//! The parts of the uncertainty are kept apart, as a budget (JCGM 100, the GUM, clause 8): each with its standard
//! uncertainty and degrees of freedom. They are independent, so
//!
//! > u² = Σ uᵢ², ν = u⁴ / Σ (uᵢ⁴/νᵢ), U = k·u
//!
//! with k of Student's t at 95 % for ν (JCGM 100, 5.1.2, G.4.1 and G.6.4). A gap *passes* when it exceeds the one wanted by at
//! least U: a guarded decision (JCGM 106, 8.3.2, from memory), in which a gap right at the guard is wrong
//! one time in forty.

use nalgebra::{Matrix6, RowVector6};
use stringline_core::covariance::coverage_factor;
use stringline_core::{Point3, UnitVec3};

/// What every verdict leaves open: said beside it.
pub const CAUTIONS: [&str; 5] = [
    "Tyres grow with speed, bulge under load and differ from maker to maker: measure the one that is fitted.",
    "Bushes, joints and bearings give under load, and no such movement is in these gaps.",
    "Brake and exhaust heat need more room than clearance, and so do hoses, stones and ice.",
    "Wheel travel here is what was asked for: find the real bump stops' and the rack stops' on the car.",
    "Turn the real car lock to lock at full droop and full bump, springs out, and look, before it moves.",
];

/// One part of the uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// What it comes from.
    pub name: String,
    /// Standard uncertainty of the gap from it, mm.
    pub standard: f64,
    /// Degrees of freedom; infinite where exactly known.
    pub degrees_of_freedom: f64,
}

/// How a gap stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The wanted gap is kept, with its uncertainty in hand.
    Passes,
    /// The wanted gap lies within the uncertainty.
    TooCloseToCall,
    /// Clear of each other, but by less than the gap wanted.
    FallsShort,
    /// They touch, or the uncertainty does not rule it out and the gap falls short.
    Touches,
}

impl Outcome {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Outcome::Passes => "passes",
            Outcome::TooCloseToCall => "too close to call",
            Outcome::FallsShort => "falls short",
            Outcome::Touches => "touches",
        }
    }
}

/// A gap with its uncertainty, against the one wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// mm.
    pub gap: f64,
    /// mm.
    pub wanted: f64,
    /// The parts of its uncertainty.
    pub components: Vec<Component>,
    /// Combined standard uncertainty, mm.
    pub standard: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: f64,
    /// At 95 %, mm.
    pub u95: f64,
    /// How it stands.
    pub outcome: Outcome,
}

impl Verdict {
    /// Judges a gap; one of 0 touches, however large its uncertainty.
    ///
    /// ```
    /// use stringline_clearance::{Component, Outcome, Verdict};
    ///
    /// let scan = Component { name: "scan of the arm".into(), standard: 0.4, degrees_of_freedom: f64::INFINITY };
    /// let judged = |gap: f64| Verdict::new(gap, 5.0, vec![scan.clone()]).outcome;
    /// // U = 1.96 · 0.4 mm = 0.78 mm.
    /// assert_eq!([5.8, 5.7, 4.3, 4.2, 0.7].map(judged), [
    ///     Outcome::Passes,
    ///     Outcome::TooCloseToCall,
    ///     Outcome::TooCloseToCall,
    ///     Outcome::FallsShort,
    ///     Outcome::Touches,
    /// ]);
    /// ```
    pub fn new(gap: f64, wanted: f64, components: Vec<Component>) -> Verdict {
        let variance: f64 = components.iter().map(|c| c.standard * c.standard).sum();
        let fourth: f64 = components.iter().map(|c| c.standard.powi(4) / c.degrees_of_freedom).sum();
        let degrees_of_freedom = if fourth > 0.0 { variance * variance / fourth } else { f64::INFINITY };
        let standard = variance.sqrt();
        let u95 = if standard > 0.0 { coverage_factor(1, degrees_of_freedom) * standard } else { 0.0 };
        let outcome = if gap <= 0.0 {
            Outcome::Touches
        } else if gap - wanted >= u95 {
            Outcome::Passes
        } else if wanted - gap <= u95 {
            Outcome::TooCloseToCall
        } else if gap <= u95 {
            Outcome::Touches
        } else {
            Outcome::FallsShort
        };
        Verdict { gap, wanted, components, standard, degrees_of_freedom, u95, outcome }
    }
}

/// Standard uncertainty of a gap from that of a placement, mm: `covariance` is that of a small displacement (mm) and rotation
/// (rad) about the origin, `at` the place where the gap is measured and `along` its direction, all in one frame.
///
/// A point p moves by t + ω × p, so by n·t + (p × n)·ω along n.
pub fn placement_part(covariance: &Matrix6<f64>, at: &Point3, along: &UnitVec3) -> f64 {
    let (n, turn) = (along.as_ref(), at.coords.cross(along));
    let j = RowVector6::new(n.x, n.y, n.z, turn.x, turn.y, turn.z);
    (j * covariance * j.transpose())[(0, 0)].max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100, H.1 (end-gauge calibration, table H.1): u_c = 32 nm of 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2
    /// degrees of freedom; ν = 16.7.
    #[test]
    fn components_combine_as_in_the_gum() {
        let parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)];
        let components =
            parts.map(|(standard, degrees_of_freedom)| Component { name: String::new(), standard, degrees_of_freedom });
        let verdict = Verdict::new(1000.0, 0.0, components.to_vec());
        assert!((verdict.standard - 32.0).abs() < 0.5, "{}", verdict.standard);
        assert!((verdict.degrees_of_freedom - 16.7).abs() < 1.0, "{}", verdict.degrees_of_freedom);
    }

    #[test]
    fn a_turn_counts_by_its_lever() {
        // 1 mrad about z, 300 mm away along x: 0.3 mm along y, none along x.
        let mut covariance = Matrix6::zeros();
        covariance[(5, 5)] = 1e-6;
        let at = Point3::new(300.0, 20.0, -7.0);
        assert!(
            (placement_part(&covariance, &at, &UnitVec3::new_normalize([0.0, 1.0, 0.0].into())) - 0.3).abs() < 1e-12
        );
        assert!(
            (placement_part(&covariance, &at, &UnitVec3::new_normalize([1.0, 0.0, 0.0].into())) - 0.02).abs() < 1e-12
        );
    }

    #[test]
    fn nothing_known_is_no_uncertainty() {
        let verdict = Verdict::new(5.0, 5.0, Vec::new());
        assert_eq!((verdict.u95, verdict.outcome), (0.0, Outcome::Passes));
        assert_eq!(Verdict::new(0.0, 0.0, Vec::new()).outcome, Outcome::Touches);
    }
}
