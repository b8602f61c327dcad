//! Gaps and locks with their ± in words, the same wherever they are told.

use stringline_core::covariance::{rounded, two_significant, with_uncertainty};

/// A gap in mm, without its unit: "3.2 ± 0.4", or alone where no ± is known.
pub fn gap_words(gap: f64, u95: f64) -> String {
    let text = match u95 {
        u if u > 0.0 => with_uncertainty(gap, u),
        _ => rounded(gap, 0.015),
    };
    text.replace('-', "−")
}

/// How far a lock goes, by degrees without sign: "31.42 ± 0.35°"; "none" where the gap is not kept straight ahead.
pub fn lock_words(lock_deg: Option<f64>, u95_deg: Option<f64>) -> String {
    match (lock_deg.map(f64::abs), u95_deg) {
        (None, _) => "none".into(),
        // Locks are found to a hundredth of a degree or so.
        (Some(lock), Some(u)) => format!("{} ± {}°", rounded(lock, u.max(0.010)), two_significant(u)),
        (Some(lock), None) => format!("{lock:.2}°"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_has_the_digits_that_its_uncertainty_leaves() {
        assert_eq!(gap_words(-3.2149, 0.43), "−3.21 ± 0.43");
        assert_eq!(gap_words(3.2149, 0.0), "3.215");
        assert_eq!(gap_words(3.2149, f64::INFINITY), "3.2149 ± unknown");
        assert_eq!(lock_words(Some(-31.4159), Some(0.35)), "31.42 ± 0.35°");
        assert_eq!(lock_words(Some(31.4159), Some(0.0001)), "31.416 ± 0.00010°");
        assert_eq!((lock_words(Some(31.4159), None), lock_words(None, None)), ("31.42°".into(), "none".into()));
    }
}
