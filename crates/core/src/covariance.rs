//! Covariances and how they are stated (JCGM 100, the GUM, and JCGM 102).

use crate::{Point3, UnitVec3, Vec3};
use nalgebra::{DMatrix, Matrix3};
use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};
use std::collections::BTreeMap;

/// The coverage probability of every expanded uncertainty we state.
pub const COVERAGE: f64 = 0.95;

/// Law of propagation of uncertainty: `J · C · Jᵀ` (JCGM 102, 6.2.1.3).
///
/// `jacobian` is m×n, `covariance` n×n; the result is m×m and exactly symmetric.
pub fn propagate(jacobian: &DMatrix<f64>, covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let product = jacobian * covariance * jacobian.transpose();
    (&product + product.transpose()) * 0.5
}

/// One independent contribution to the uncertainty of some numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// Derivative of the numbers (rows) by the source's own (columns).
    pub jacobian: DMatrix<f64>,
    /// Covariance of the source's numbers, in mm and rad.
    pub covariance: DMatrix<f64>,
    /// Effective degrees of freedom of that covariance.
    pub degrees_of_freedom: f64,
}

/// The independent contributions by name. What comes in by several ways stands here once, so
/// that its influences add up with their signs.
pub type Sources = BTreeMap<String, Source>;

/// The chain rule: a result's derivative by each source, summed over the inputs it comes in by.
///
/// Each term is the derivative of the result by an input's numbers, and that input's sources.
pub fn chain(terms: &[(DMatrix<f64>, &Sources)]) -> Sources {
    let mut result = Sources::new();
    for (outer, inner) in terms {
        for (name, source) in *inner {
            add_source(&mut result, name, outer * &source.jacobian, source);
        }
    }
    result
}

/// Adds a further influence of a source, which may be there already. The covariance and its
/// degrees of freedom are those of `like`.
pub fn add_source(to: &mut Sources, name: &str, jacobian: DMatrix<f64>, like: &Source) {
    match to.get_mut(name) {
        Some(known) => known.jacobian += jacobian,
        None => {
            let covariance = like.covariance.clone();
            let source = Source { jacobian, covariance, degrees_of_freedom: like.degrees_of_freedom };
            to.insert(name.to_owned(), source);
        }
    }
}

/// How a small motion (shift t, turn θ about the origin) moves a position, t + θ×x, and a
/// direction, θ×d: 3×6, or 6×6 with a direction.
pub fn by_motion(position: &Point3, direction: Option<&UnitVec3>) -> DMatrix<f64> {
    let mut jacobian = DMatrix::zeros(if direction.is_some() { 6 } else { 3 }, 6);
    jacobian.view_mut((0, 0), (3, 3)).copy_from(&Matrix3::identity());
    jacobian.view_mut((0, 3), (3, 3)).copy_from(&-position.coords.cross_matrix());
    if let Some(d) = direction {
        jacobian.view_mut((3, 3), (3, 3)).copy_from(&-d.cross_matrix());
    }
    jacobian
}

/// The covariance `Σ J·C·Jᵀ` over independent sources (JCGM 102, 6.2.1.3), and its effective
/// degrees of freedom.
///
/// Welch–Satterthwaite (JCGM 100, G.4.1) is stated for one number. For three it is taken on the
/// trace of each contribution, which no choice of axes changes; numbers that are a position and
/// a direction have the smaller of the two values.
pub fn combined(dimension: usize, sources: &Sources) -> (DMatrix<f64>, f64) {
    let mut covariance = DMatrix::zeros(dimension, dimension);
    let blocks = dimension / 3;
    let mut sum = vec![0.0; blocks];
    let mut squares = vec![0.0; blocks];
    for source in sources.values() {
        let part = propagate(&source.jacobian, &source.covariance);
        for b in 0..blocks {
            let trace = part.view((3 * b, 3 * b), (3, 3)).trace();
            sum[b] += trace;
            squares[b] += trace * trace / source.degrees_of_freedom;
        }
        covariance += part;
    }
    let nu = sum.iter().zip(&squares).filter(|(_, q)| **q > 0.0).map(|(s, q)| s * s / q).fold(f64::INFINITY, f64::min);
    (covariance, nu)
}

/// The probability that a χ² variable of so many degrees of freedom exceeds `value`; 1 where
/// there are none.
pub fn chi_squared_tail(value: f64, degrees_of_freedom: usize) -> f64 {
    if degrees_of_freedom == 0 {
        return 1.0;
    }
    ChiSquared::new(degrees_of_freedom as f64).map_or(f64::NAN, |chi| chi.sf(value.max(0.0)))
}

/// The coverage factor `k` for a 95 % region in `dimensions` dimensions, for a covariance
/// known with `degrees_of_freedom` effective degrees of freedom (`f64::INFINITY` if exact).
///
/// `k² = d·F(d, ν)`: a covariance whose shape is known and whose scale was estimated, as that of a
/// least-squares fit is (Draper and Smith, *Applied Regression Analysis*, joint confidence regions;
/// from memory). In one dimension it is Student's t (JCGM 100, annex G); its limit is the χ² of
/// JCGM 102, 6.5.2 (2.45 in two dimensions, 2.80 in three). Fewer than one degree of freedom are
/// raised to that: a region can be stated no worse.
pub fn coverage_factor(dimensions: usize, degrees_of_freedom: f64) -> f64 {
    let d = dimensions as f64;
    // Beyond this the quantiles differ from their limits in the fifth digit only.
    let nu = degrees_of_freedom.clamp(1.0, 1e5);
    match FisherSnedecor::new(d, nu) {
        Ok(f) => (d * f.inverse_cdf(COVERAGE)).sqrt(),
        Err(_) => f64::INFINITY,
    }
}

/// The standard deviation along `direction` (unit) of a 3×3 covariance.
pub fn sigma_along(covariance: &Matrix3<f64>, direction: &Vec3) -> f64 {
    (direction.transpose() * covariance * direction)[(0, 0)].max(0.0).sqrt()
}

/// The largest standard deviation in any direction of a symmetric covariance.
pub fn largest_sigma(covariance: &DMatrix<f64>) -> f64 {
    covariance.clone().symmetric_eigen().eigenvalues.iter().fold(0.0_f64, |m, &v| m.max(v)).sqrt()
}

/// An uncertainty as text with two significant digits (JCGM 100, 7.2.6), never rounded down to zero.
pub fn two_significant(u: f64) -> String {
    if !u.is_finite() {
        return "unknown".into();
    }
    if u <= 0.0 {
        return "0".into();
    }
    let decimals = (1 - u.log10().floor() as i32).clamp(0, 9) as usize;
    format!("{u:.decimals$}")
}

/// A value rounded to the digits that its uncertainty leaves it: `12.346`.
///
/// The uncertainty has two significant digits (JCGM 100, 7.2.6). Without a finite one, or
/// with none at all, the value has four decimals.
pub fn rounded(value: f64, uncertainty: f64) -> String {
    let decimals = if uncertainty.is_finite() && uncertainty > 0.0 {
        two_significant(uncertainty).split_once('.').map_or(0, |(_, decimals)| decimals.len())
    } else {
        4
    };
    let text = format!("{value:.decimals$}");
    // A zero has no sign.
    let is_zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    if is_zero { text.trim_start_matches('-').to_owned() } else { text }
}

/// A value with its expanded uncertainty: `12.346 ± 0.012`.
pub fn with_uncertainty(value: f64, uncertainty: f64) -> String {
    format!("{} ± {}", rounded(value, uncertainty), two_significant(uncertainty))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factors_match_the_published_ones() {
        // JCGM 102:2011, 6.5.2: k = 2.45 for two output quantities, 2.80 for three, p = 0.95.
        assert!((coverage_factor(2, f64::INFINITY) - 2.45).abs() < 0.005);
        assert!((coverage_factor(3, f64::INFINITY) - 2.80).abs() < 0.005);
        // JCGM 100:2008, table G.2: t95 = 2.23 for ν = 10, 1.96 for ν → ∞.
        assert!((coverage_factor(1, 10.0) - 2.23).abs() < 0.005);
        assert!((coverage_factor(1, f64::INFINITY) - 1.96).abs() < 0.005);
        // In two dimensions F has a closed form: k² = ν·(0.05^(−2/ν) − 1).
        for nu in [1.0, 3.0, 12.0, 200.0] {
            let k = (nu * (0.05_f64.powf(-2.0 / nu) - 1.0)).sqrt();
            assert!((coverage_factor(2, nu) / k - 1.0).abs() < 1e-6, "{nu}");
        }
    }

    #[test]
    fn chi_squared_matches_the_closed_form() {
        // Of two degrees of freedom the tail is exp(−x/2).
        for x in [0.1, 1.0, 5.99, 20.0] {
            assert!((chi_squared_tail(x, 2) / (-0.5 * x).exp() - 1.0).abs() < 1e-9, "{x}");
        }
        assert_eq!(chi_squared_tail(3.0, 0), 1.0);
    }

    #[test]
    fn two_digits_are_kept() {
        assert_eq!(two_significant(0.01234), "0.012");
        assert_eq!(two_significant(1.26), "1.3");
        assert_eq!(two_significant(0.00012), "0.00012");
        assert_eq!(two_significant(34.6), "35");
        assert_eq!(two_significant(0.0), "0");
    }

    #[test]
    fn values_have_the_digits_that_their_uncertainty_leaves() {
        assert_eq!(with_uncertainty(12.34567, 0.0123), "12.346 ± 0.012");
        assert_eq!(with_uncertainty(1234.567, 34.6), "1235 ± 35");
        assert_eq!(with_uncertainty(-0.00001, 0.02), "0.000 ± 0.020");
        assert_eq!(with_uncertainty(7.0, 0.0), "7.0000 ± 0");
        assert_eq!(with_uncertainty(1.0, f64::INFINITY), "1.0000 ± unknown");
        // The uncertainty rounds up to the next power of ten and keeps its two digits.
        assert_eq!(with_uncertainty(5.5555, 0.0996), "5.556 ± 0.100");
    }
}
