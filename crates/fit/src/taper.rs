//! Tapers: a cone as included angle and as taper per length, beside the standard ones.

use crate::feature::{Feature, Shape};
use schemars::JsonSchema;
use serde::Serialize;
use stringline_core::covariance::coverage_factor;

/// A standard taper: change of diameter over length.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct StandardTaper {
    /// As the trade writes it.
    pub name: &'static str,
    /// Change of diameter per length along the axis.
    pub per_length: f64,
}

impl StandardTaper {
    /// Half the included angle, rad: atan(t/2).
    pub fn half_angle(&self) -> f64 {
        (0.5 * self.per_length).atan()
    }
}

/// The tapers that steering and suspension ball studs come in. 1:8 and 1:6 are the inch tapers of
/// SAE J491 (title only seen); 1:10 is from the trade. Which makers use which is from memory.
pub const STANDARD_TAPERS: [StandardTaper; 3] = [
    StandardTaper { name: "1:6 (2 in/ft)", per_length: 1.0 / 6.0 },
    StandardTaper { name: "1:8 (1½ in/ft)", per_length: 1.0 / 8.0 },
    StandardTaper { name: "1:10", per_length: 1.0 / 10.0 },
];

/// How a cone compares with a standard taper.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Comparison {
    /// Which.
    pub standard: StandardTaper,
    /// Measured less standard included angle, rad.
    pub difference: f64,
    /// Whether the difference exceeds its expanded uncertainty at 95 %.
    pub significant: bool,
}

/// A cone as a taper.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Taper {
    /// rad.
    pub included_angle: f64,
    /// Expanded uncertainty at 95 % of the included angle, rad.
    pub included_angle_u95: f64,
    /// Change of diameter per length: 0.125 is 1:8.
    pub per_length: f64,
    /// Expanded uncertainty at 95 % of it.
    pub per_length_u95: f64,
    /// The standard tapers, nearest first.
    pub nearest: Vec<Comparison>,
}

/// The taper of a cone; `None` for other shapes.
pub fn taper(feature: &Feature) -> Option<Taper> {
    let Shape::Cone { half_angle, .. } = feature.shape else { return None };
    let last = feature.covariance.nrows().checked_sub(1)?;
    let sigma = feature.covariance[(last, last)].max(0.0).sqrt();
    let u95 = coverage_factor(1, feature.noise.degrees_of_freedom) * sigma;
    let mut nearest: Vec<Comparison> = STANDARD_TAPERS
        .iter()
        .map(|&standard| {
            let difference = 2.0 * (half_angle - standard.half_angle());
            Comparison { standard, difference, significant: difference.abs() > 2.0 * u95 }
        })
        .collect();
    nearest.sort_by(|a, b| a.difference.abs().total_cmp(&b.difference.abs()));
    Some(Taper {
        included_angle: 2.0 * half_angle,
        included_angle_u95: 2.0 * u95,
        per_length: 2.0 * half_angle.tan(),
        per_length_u95: 2.0 * u95 / half_angle.cos().powi(2),
        nearest,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Included angles 2·atan(t/2) of the inch tapers 1:8 and 1:6 and of 1:10, as handbooks give them.
    #[test]
    fn included_angles() {
        let degrees = STANDARD_TAPERS.map(|t| 2.0 * t.half_angle().to_degrees());
        for (got, handbook) in degrees.iter().zip([9.527, 7.153, 5.725]) {
            assert!((got - handbook).abs() < 5e-4, "{got} against {handbook}");
        }
    }
}
