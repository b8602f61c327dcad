//! A placement from nothing: no start, any position, part of the surface in common.
//!
//! Both scans become some thousand bits of surface with descriptors ([`descriptor`]). The most
//! telling ones of the source are paired with the nearest of the target, mostly wrongly. Right pairs agree with
//! each other: lengths and angles between them are the same in both scans. How many pairs two
//! agreeing pairs both agree with tells right from wrong far better than agreement alone (Z. Chen,
//! K. Sun, F. Yang and W. Tao, *SC²-PCR: A Second Order Spatial Compatibility for Efficient and Robust Point
//! Cloud Registration*, CVPR 2022, 13221). The best pairs, each with those it shares most with, give placements in
//! closed form; those that put most of the source on the target are settled as [`crate::register`] does coarsely,
//! and the best is taken. Nothing is drawn at random.

mod descriptor;

use crate::pairs::closest;
use crate::surface::start::{Coarse, Led};
use crate::surface::target::Surfel;
use crate::surface::{SurfaceError, SurfaceNote, finer, points_of};
use descriptor::{Descriptor, LENGTH, between, descriptors};
use rayon::prelude::*;
use stringline_core::RigidTransform;
use stringline_scan::Scan;

/// Radius of a descriptor, in distances between the bits of surface.
const RADIUS: f64 = 5.0;
/// Bits of the source that are paired.
const TELLING: usize = 1000;
/// Pairs each of them gets.
const EACH: usize = 4;
/// Lengths that agree differ by less than this many distances between the bits of surface.
const LENGTHS: f64 = 1.0;
/// Pairs nearer together than this tell little.
const APART: f64 = 4.0;
/// Cosines of angles that agree differ by less than this.
const ANGLES: f64 = 0.25;
/// Pairs whose neighbours make a placement.
const SEEDS: usize = 300;
/// Pairs that make one.
const TOGETHER: usize = 16;
/// Placements that are settled.
const SETTLED: usize = 40;

/// How a placement from nothing is looked for.
#[derive(Clone, Debug, PartialEq)]
pub struct RoughSettings {
    /// The least share of the source that must come to lie on the target, 0 to 1. Default: 0.15.
    pub least_share: f64,
    /// Only these points of the source, by id. Default: all.
    pub source_points: Option<Vec<u32>>,
    /// Only these points of the target. Default: all.
    pub target_points: Option<Vec<u32>>,
}

impl Default for RoughSettings {
    fn default() -> Self {
        RoughSettings { least_share: 0.15, source_points: None, target_points: None }
    }
}

/// A rough placement: a start for [`crate::register`].
#[derive(Clone, Debug, PartialEq)]
pub struct RoughFit {
    /// Takes the source's coordinates to the target's; good to about the spacing of the coarse bits of surface, 1 % of the part.
    pub target_from_source: RigidTransform,
    /// Share of the source on the target, 0 to 1.
    pub share: f64,
    /// What to look at, such as another placement that is about as good.
    pub notes: Vec<SurfaceNote>,
}

/// Finds where `source` sits on `target` with no start at all, on all cores.
///
/// Parts that look the same turned or mirrored about themselves have more than one answer: then a
/// [`SurfaceNote::Ambiguous`] names another. `go_on` is told the share done, 0 to 1; once it answers false the
/// work stops.
///
/// # Errors
/// Too few points, no placement that puts `least_share` of the source on the target
/// ([`SurfaceError::Apart`]), or [`SurfaceError::Stopped`].
pub fn place_from_nothing(
    source: &Scan,
    target: &Scan,
    settings: &RoughSettings,
    go_on: impl Fn(f32) -> bool + Sync,
) -> Result<RoughFit, SurfaceError> {
    let finer = finer(target, settings.target_points.as_deref());
    let target = finer.as_ref().unwrap_or(target);
    let source_ids = points_of("source", source, settings.source_points.as_deref())?;
    let target_ids = points_of("target", target, settings.target_points.as_deref())?;
    let watch = |done: f32| if go_on(done) { Ok(()) } else { Err(SurfaceError::Stopped) };
    watch(0.0)?;
    let coarse = Coarse::new(source, &source_ids, target, &target_ids);
    let signed = source.oriented() && target.oriented();
    watch(0.2)?;
    let pairs = likely(&coarse, signed);
    watch(0.4)?;
    let mut placements = agreed(&coarse, &pairs, signed);
    watch(0.7)?;
    // Most on the target first; of those at the same place one.
    placements.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<RigidTransform> = Vec::new();
    for (_, place) in &placements {
        if kept.len() < SETTLED && kept.iter().all(|known| coarse.apart(known, place) > 2.0 * coarse.side) {
            kept.push(*place);
        }
    }
    let led: Vec<Led> = kept.par_iter().map(|place| coarse.lead(place, 4.0 * coarse.side)).collect();
    watch(1.0)?;
    match coarse.choose(&led) {
        Some((best, rival)) if best.share >= settings.least_share => {
            Ok(RoughFit { target_from_source: best.place, share: best.share, notes: rival.into_iter().collect() })
        }
        best => {
            let share = best.map_or(0.0, |(best, _)| best.share);
            Err(SurfaceError::Apart { found: (share * coarse.source.len() as f64) as usize })
        }
    }
}

/// The most telling bits of the source with those of the target that look most like them.
fn likely(coarse: &Coarse, signed: bool) -> Vec<(Surfel, Surfel)> {
    let radius = RADIUS * coarse.side;
    let of_source = descriptors(&coarse.whole, radius, signed);
    let of_target = descriptors(&coarse.on_target, radius, signed);
    // What differs most from the rest tells most.
    let mut mean = [0.0; LENGTH];
    for d in &of_source {
        mean.iter_mut().zip(d).for_each(|(m, x)| *m += f64::from(*x) / of_source.len() as f64);
    }
    let mean: Descriptor = mean.map(|m| m as f32);
    let mut order: Vec<usize> = (0..of_source.len()).collect();
    order.sort_by(|&a, &b| between(&of_source[b], &mean).total_cmp(&between(&of_source[a], &mean)));
    // Of the upper half every so many, or all would come from one corner.
    let telling = order.len().div_ceil(2);
    let mut chosen: Vec<usize> = order[..telling].to_vec();
    chosen.sort_unstable();
    let chosen: Vec<usize> = chosen.iter().step_by(telling.div_ceil(TELLING).max(1)).copied().collect();
    let nearest = |&i: &usize| {
        let mut best = [(f32::INFINITY, usize::MAX); EACH];
        for (j, d) in of_target.iter().enumerate() {
            let distance = between(&of_source[i], d);
            if distance < best[EACH - 1].0 {
                best[EACH - 1] = (distance, j);
                best.sort_by(|a, b| a.0.total_cmp(&b.0));
            }
        }
        best.into_iter()
            .filter(|b| b.1 != usize::MAX)
            .map(|b| (coarse.whole[i], coarse.on_target[b.1]))
            .collect::<Vec<_>>()
    };
    chosen.par_iter().map(nearest).collect::<Vec<_>>().concat()
}

/// Placements that many pairs agree on, with the share of the source they put on the target.
fn agreed(coarse: &Coarse, pairs: &[(Surfel, Surfel)], signed: bool) -> Vec<(f64, RigidTransform)> {
    let words = pairs.len().div_ceil(64);
    let agree = |a: &(Surfel, Surfel), b: &(Surfel, Surfel)| {
        let (from, to) = (b.0.at - a.0.at, b.1.at - a.1.at);
        let (lf, lt) = (from.norm(), to.norm());
        if (lf - lt).abs() > LENGTHS * coarse.side || lf < APART * coarse.side || lt < APART * coarse.side {
            return false;
        }
        let same = |x: f64, y: f64| {
            let (x, y) = if signed { (x, y) } else { (x.abs(), y.abs()) };
            (x - y).abs() < ANGLES
        };
        same(a.0.normal.dot(&b.0.normal), a.1.normal.dot(&b.1.normal))
            && same(a.0.normal.dot(&from) / lf, a.1.normal.dot(&to) / lt)
            && same(b.0.normal.dot(&from) / lf, b.1.normal.dot(&to) / lt)
    };
    let rows: Vec<Vec<u64>> = pairs
        .par_iter()
        .map(|a| {
            let mut row = vec![0u64; words];
            pairs.iter().enumerate().filter(|(_, b)| agree(a, b)).for_each(|(j, _)| row[j / 64] |= 1 << (j % 64));
            row
        })
        .collect();
    let common = |i: usize, j: usize| rows[i].iter().zip(&rows[j]).map(|(a, b)| (a & b).count_ones()).sum::<u32>();
    let partners =
        |i: usize| (0..pairs.len()).filter(|&j| rows[i][j / 64] >> (j % 64) & 1 == 1).collect::<Vec<usize>>();
    let weight: Vec<u64> =
        (0..pairs.len()).into_par_iter().map(|i| partners(i).iter().map(|&j| u64::from(common(i, j))).sum()).collect();
    let mut seeds: Vec<usize> = (0..pairs.len()).collect();
    seeds.sort_by(|&a, &b| weight[b].cmp(&weight[a]).then(a.cmp(&b)));
    seeds.truncate(SEEDS);
    let placement = |&i: &usize| {
        let mut with: Vec<(u32, usize)> = partners(i).iter().map(|&j| (common(i, j), j)).collect();
        with.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
        with.truncate(TOGETHER);
        let all = std::iter::once(i).chain(with.into_iter().map(|(_, j)| j));
        let place = closest(all.map(|j| (pairs[j].0.at, pairs[j].1.at, 1.0)))?;
        Some((coarse.judge_loosely(&place), place))
    };
    seeds.par_iter().filter_map(placement).collect()
}
