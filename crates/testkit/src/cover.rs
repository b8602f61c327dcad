//! The trial of honesty: how often the stated 95 % regions hold the truth when neighbouring
//! points err together.
//!
//! Each case's points stay in place while the noise changes from seed to seed. The noise has the
//! exact covariance asked for, by a Cholesky factor of it, and goes through the whole fit.

use crate::patches::{Case, Painted, SimulatedPatch, three_dabs};
use crate::stated::{Shown, Stated, Tally, median};
use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use stringline_core::Point3;
use stringline_fit::{FitSettings, Shape, fit};

/// The part of the noise that neighbours have in common.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Common {
    /// None: every point errs by itself.
    Nothing,
    /// Correlation `exp(−d²/2ℓ²)`, ℓ in mm.
    Gaussian(f64),
    /// Correlation `exp(−d/ℓ)`, ℓ in mm.
    Exponential(f64),
}

impl std::fmt::Display for Common {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Common::Nothing => f.write_str("white"),
            Common::Gaussian(l) => write!(f, "gaussian {l}"),
            Common::Exponential(l) => write!(f, "exponential {l}"),
        }
    }
}

/// A patch whose points stay in place.
#[derive(Clone, Debug)]
pub struct Layout {
    /// Its name in the table.
    pub name: String,
    /// What is painted, and σ.
    pub case: Case,
    /// Points without noise, their normals, and the truth.
    pub patch: SimulatedPatch,
}

/// The share of the noise's variance that is common to neighbours.
const SHARE: f64 = 0.5;

impl Layout {
    /// `points` spread evenly at random over what is painted, or `uneven`: up to eleven times denser
    /// in some places than in others.
    pub fn new(name: &str, painted: Painted, points: usize, uneven: bool) -> Layout {
        let case = Case { name: "", painted, points, sigma: 0.03 };
        let spare = if uneven { 6 } else { 1 };
        let mut patch = Case { points: points * spare, sigma: 0.0, ..case.clone() }.simulate(1, None);
        if uneven {
            let mut rng = ChaCha8Rng::seed_from_u64(2);
            let keep: Vec<bool> = patch
                .points
                .iter()
                .map(|p| {
                    let d = p - patch.point;
                    rng.random::<f64>() < (1.2 * ((0.23 * d.x + 0.19 * d.y - 0.21 * d.z).sin() - 1.0)).exp()
                })
                .collect();
            let mut kept = keep.iter();
            patch.points.retain(|_| *kept.next().unwrap_or(&false));
            let mut kept = keep.iter();
            patch.normals.retain(|_| *kept.next().unwrap_or(&false));
            patch.points.truncate(points);
            patch.normals.truncate(points);
            patch.on_shape = patch.points.len();
        }
        Layout { name: name.into(), case, patch }
    }

    /// A lower factor of the common noise's covariance for unit variance; `None` where there is none.
    ///
    /// # Panics
    /// If the covariance is not positive definite.
    pub fn factor(&self, common: Common) -> Option<DMatrix<f64>> {
        let at = &self.patch.points;
        let correlation = |a: &Point3, b: &Point3| match common {
            Common::Nothing => 0.0,
            Common::Gaussian(l) => (-0.5 * (a - b).norm_squared() / (l * l)).exp(),
            Common::Exponential(l) => (-(a - b).norm() / l).exp(),
        };
        (common != Common::Nothing).then(|| {
            DMatrix::from_fn(at.len(), at.len(), |i, j| {
                // The least of white noise keeps a smooth field's matrix definite in rounding.
                correlation(&at[i], &at[j]) + if i == j { 1e-6 } else { 0.0 }
            })
            .cholesky()
            .expect("a correlation with a little white noise is positive definite")
            .unpack()
        })
    }

    /// The noise of each seed, one column a seed, mm.
    pub fn noise(&self, common: Common, seeds: std::ops::Range<u64>) -> DMatrix<f64> {
        let n = self.patch.points.len();
        let draw = |stream: u64| {
            let mut all = DMatrix::zeros(n, seeds.clone().count());
            for (mut column, seed) in all.column_iter_mut().zip(seeds.clone()) {
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                rng.set_stream(stream);
                column.iter_mut().for_each(|x| *x = StandardNormal.sample(&mut rng));
            }
            all
        };
        let own = draw(0) * self.case.sigma;
        match self.factor(common) {
            None => own,
            Some(factor) => own * (1.0 - SHARE).sqrt() + factor * draw(1) * (self.case.sigma * SHARE.sqrt()),
        }
    }
}

/// How often the truth lay within what was stated, and how the stated σ compares with the true one.
#[derive(Clone, Debug, Default)]
pub struct Cover {
    /// Share of seeds whose 95 % region of the axis position across itself (of a plane: along its normal) held the truth.
    pub position: f64,
    /// Of the direction's tilt, two-dimensional.
    pub tilt: f64,
    /// Of the radius; none for a plane.
    pub radius: Option<f64>,
    /// Median stated over true standard deviation, position.
    pub position_ratio: f64,
    /// Likewise for the tilt.
    pub tilt_ratio: f64,
    /// Median effective degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Seeds that gave no fit.
    pub failed: usize,
}

impl Layout {
    /// The shape that is painted, where it truly is.
    fn truth(&self) -> Shape {
        let (point, direction) = (self.patch.point, self.patch.direction);
        match self.case.painted {
            Painted::Plane { .. } => Shape::Plane { point, normal: direction },
            Painted::Cap { radius, .. } => Shape::Sphere { centre: point, radius },
            Painted::Round { radius, half_angle, .. } if half_angle > 0.0 => {
                Shape::Cone { point, direction, radius, half_angle }
            }
            Painted::Round { radius, .. } => Shape::Cylinder { point, direction, radius },
        }
    }

    /// Fits every seed and counts.
    pub fn cover(&self, common: Common, seeds: std::ops::Range<u64>) -> Cover {
        let noise = self.noise(common, seeds);
        let truth = self.truth();
        let mut shown = Vec::new();
        let mut freedom = Vec::new();
        for column in noise.column_iter() {
            let patch = &self.patch;
            let points: Vec<Point3> =
                patch.points.iter().zip(&patch.normals).zip(column.iter()).map(|((p, n), e)| p + n * *e).collect();
            if let Ok(feature) = fit(&points, &[], self.case.painted.kind(), &FitSettings::default()) {
                shown.extend(Stated::of(&truth, &feature));
                freedom.push(feature.noise.degrees_of_freedom);
            }
        }
        let of = |one: fn(&Stated) -> Option<Shown>| Tally::of(shown.iter().filter_map(one));
        let (position, tilt, radius) = (of(|s| Some(s.position)), of(|s| s.tilt), of(|s| s.radius));
        Cover {
            position: position.cover,
            tilt: tilt.cover,
            radius: (radius.count > 0).then_some(radius.cover),
            position_ratio: position.ratio,
            tilt_ratio: tilt.ratio,
            degrees_of_freedom: median(freedom),
            failed: noise.ncols() - shown.len(),
        }
    }
}

/// The patches of the full trial.
pub fn layouts() -> Vec<Layout> {
    use std::f64::consts::{FRAC_PI_2, PI, TAU};
    let bore = |arcs| Painted::Round { radius: 7.0, half_angle: 0.0, length: 20.0, arcs };
    let paired = || vec![[0.0, FRAC_PI_2], [PI, FRAC_PI_2]];
    let taper = || Painted::Round {
        radius: 8.0,
        half_angle: (0.5 * 0.125_f64).atan(),
        length: 20.0,
        arcs: vec![[0.0, TAU / 3.0]],
    };
    let plane = || Painted::Plane { sides: [22.0, 20.0] };
    vec![
        Layout::new("full bore", bore(vec![[0.0, TAU]]), 2000, false),
        Layout::new("two opposed 90° arcs", bore(paired()), 2000, false),
        Layout::new("two opposed 90° arcs, uneven", bore(paired()), 2000, true),
        Layout::new("two opposed 90° arcs, dense", bore(paired()), 4000, false),
        Layout::new("three 60° dabs", bore(three_dabs()), 2000, false),
        Layout::new("one 90° arc", bore(vec![[0.0, FRAC_PI_2]]), 2000, false),
        Layout::new("taper 1:8, a third round", taper(), 2000, false),
        Layout::new("plane 22 × 20", plane(), 2000, false),
        Layout::new("plane 22 × 20, uneven", plane(), 2000, true),
    ]
}

/// The noises of the full trial.
pub fn noises() -> Vec<Common> {
    let lengths = [0.5, 1.0, 2.0];
    std::iter::once(Common::Nothing)
        .chain(lengths.map(Common::Gaussian))
        .chain(lengths.map(Common::Exponential))
        .collect()
}

/// Prints the table of every patch with `only` in its name under every noise.
pub fn print_table(seeds: u64, only: &str, out: &mut impl std::io::Write) -> std::io::Result<()> {
    writeln!(
        out,
        "cover of the stated 95 % regions, {seeds} seeds a row (± {:.1} % by chance); half the variance common over ℓ mm",
        100.0 * (0.95 * 0.05 / seeds.max(1) as f64).sqrt()
    )?;
    writeln!(
        out,
        "{:<30} {:<16} {:>9} {:>7} {:>7} {:>16} {:>7} {:>6}",
        "patch", "noise, ℓ", "position", "tilt", "radius", "stated σ / true", "ν", "failed"
    )?;
    writeln!(out, "{:<30} {:<16} {:>9} {:>7} {:>7} {:>16}", "", "", "%", "%", "%", "position  tilt")?;
    for layout in layouts().into_iter().filter(|layout| layout.name.contains(only)) {
        for common in noises() {
            let c = layout.cover(common, 0..seeds);
            writeln!(
                out,
                "{:<30} {:<16} {:>9.1} {:>7.1} {:>7} {:>9.2} {:>6.2} {:>7.0} {:>6}",
                layout.name,
                common.to_string(),
                100.0 * c.position,
                100.0 * c.tilt,
                c.radius.map_or("–".into(), |r| format!("{:.1}", 100.0 * r)),
                c.position_ratio,
                c.tilt_ratio,
                c.degrees_of_freedom,
                c.failed
            )?;
            out.flush()?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The full trial is `trials cover`; here 200 seeds of one row. By chance alone the count scatters
    /// by 1.5 %, so 93–97 % may show as 88.4–100 % (three standard deviations). Without an estimate of
    /// the correlation the same regions hold the truth in about a third of seeds.
    #[test]
    fn stated_regions_hold_the_truth_when_neighbours_err_together() {
        let layout = &layouts()[1];
        let cover = layout.cover(Common::Gaussian(1.0), 0..200);
        assert_eq!(cover.failed, 0);
        assert!(cover.position >= 0.884, "{cover:?}");
        assert!(cover.tilt >= 0.884, "{cover:?}");
        // Nor by stating regions that are far too wide: the true σ, ± 20 %.
        assert!((0.8..1.2).contains(&cover.position_ratio), "{cover:?}");
        assert!((0.8..1.2).contains(&cover.tilt_ratio), "{cover:?}");
    }

    #[test]
    fn white_noise_keeps_its_plain_region() {
        let cover = layouts()[1].cover(Common::Nothing, 0..200);
        assert!(cover.tilt >= 0.884 && cover.position >= 0.884, "{cover:?}");
        assert!((0.85..1.15).contains(&cover.tilt_ratio), "{cover:?}");
    }
}
