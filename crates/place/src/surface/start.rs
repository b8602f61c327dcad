//! The coarse part: from a start a few thousand bits of surface are brought together with a shrinking
//! reach, and where that leads nowhere from other starts round it.

use super::step::{self, Normal, Pair};
use super::target::{self, Surfel, Target};
use super::{SurfaceError, SurfaceNote, SurfaceSettings};
use rayon::prelude::*;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_scan::Scan;

/// Bits of the target's surface.
const TARGET: usize = 8000;
/// Points of a scan that the bits are made from, at most.
const POINTS: usize = 32 * TARGET;
/// Bits of the source's surface that are moved.
const SOURCE: usize = 1500;
/// Where more of the source than this comes to lie on the target no other start is tried.
const CLEAR: f64 = 0.8;
/// Other starts.
const STARTS: usize = 64;
/// A placement that puts this share of the best one's surface on the target is another answer.
const RIVAL: f64 = 0.9;
/// The reach shrinks by this from step to step.
const SHRINK: f64 = 0.85;
const STEPS: usize = 60;
/// Normals of partners differ by less than cos 60° while coarse, cos 25° where counted.
const AGREE: f64 = 0.5;
const AGREE_COUNTED: f64 = 0.906;

/// Both scans as bits of surface.
pub(crate) struct Coarse {
    /// A sample of it.
    pub(crate) source: Vec<Surfel>,
    /// All of the source.
    pub(crate) whole: Vec<Surfel>,
    pub(crate) oriented: bool,
    pub(crate) on_target: Vec<Surfel>,
    pub(crate) target: Target<'static>,
    /// How far apart the bits lie, mm.
    pub(crate) side: f64,
    /// Of the source, mm.
    pub(crate) middle: Point3,
    pub(crate) arm: f64,
}

/// Where a coarse start led.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Led {
    pub(crate) place: RigidTransform,
    /// Share of the source's bits on the target.
    pub(crate) share: f64,
    /// Robust standard deviation of the residuals, mm.
    pub(crate) scale: f64,
    pub(crate) iterations: usize,
}

/// Where the fine part begins.
pub(crate) struct Begun {
    pub(crate) place: RigidTransform,
    pub(crate) scale: f64,
    pub(crate) iterations: usize,
    pub(crate) notes: Vec<SurfaceNote>,
}

impl Coarse {
    pub(crate) fn new(source: &Scan, source_ids: &[u32], target: &Scan, target_ids: &[u32]) -> Coarse {
        let area = |scan: &Scan, ids: &[u32]| ids.len() as f64 * scan.spacing().powi(2);
        // More points than this say nothing more about so large bits.
        let some = |ids: &[u32]| ids.iter().copied().step_by(ids.len() / POINTS + 1).collect::<Vec<u32>>();
        let mut side = (area(target, target_ids).max(area(source, source_ids)) / TARGET as f64).sqrt();
        let (source_some, target_some) = (some(source_ids), some(target_ids));
        let both = |side: f64| {
            rayon::join(|| target::surfels(target, &target_some, side), || target::surfels(source, &source_some, side))
        };
        let (mut on_target, mut whole) = both(side);
        // Uneven density misleads about the area.
        for _ in 0..3 {
            let off = on_target.len() as f64 / TARGET as f64;
            if off < 1.6 && (off > 0.6 || on_target.len() * 2 > target_ids.len()) {
                break;
            }
            side *= off.sqrt();
            (on_target, whole) = both(side);
        }
        let bits: Vec<Surfel> = whole.iter().step_by(whole.len().div_ceil(SOURCE).max(1)).copied().collect();
        let n = bits.len().max(1) as f64;
        let middle = Point3::from(bits.iter().map(|s| s.at.coords).sum::<Vec3>() / n);
        let arm = (bits.iter().map(|s| (s.at - middle).norm_squared()).sum::<f64>() / n).sqrt();
        Coarse {
            oriented: source.oriented(),
            target: Target::of_surfels(&on_target, side, target.oriented()),
            on_target,
            source: bits,
            whole,
            side,
            middle,
            arm,
        }
    }

    /// Brings the surfaces together from one start. `reach` is how far apart they may be, mm.
    pub(crate) fn lead(&self, start: &RigidTransform, reach: f64) -> Led {
        let mut place = *start;
        let least = 1.5 * self.side;
        let mut limit = reach.max(least);
        let mut iterations = 0;
        for _ in 0..STEPS {
            let pairs = step::pairs(&self.source, self.oriented, &self.target, &place, limit, AGREE);
            if pairs.len() < 12 {
                break;
            }
            iterations += 1;
            let (centre, arm) = pairs.middle();
            let scale = pairs.robust_scale().max(0.02 * self.side);
            // Geman and McClure's weight (from memory): far pairs pull little but never nothing.
            let weight = |p: &Pair| (1.0 + (p.r / (2.0 * scale)).powi(2)).powi(-2);
            let motion = Normal::of(&pairs, &centre, weight).solve(arm, 1e-9, 1e-4);
            place = step::moved(&place, &motion, &centre);
            if limit <= least && super::length(&motion, arm) < 1e-3 * self.side {
                break;
            }
            limit = (limit * SHRINK).max(least);
        }
        let (share, scale) = self.judge(&place);
        Led { place, share, scale, iterations }
    }

    /// Which share of the source lies on the target, and the residuals' robust scale.
    pub(crate) fn judge(&self, place: &RigidTransform) -> (f64, f64) {
        let pairs = step::pairs(&self.source, self.oriented, &self.target, place, 1.5 * self.side, AGREE_COUNTED);
        let near = pairs.iter().filter(|p| p.r.abs() < 0.1 * self.side).count();
        (near as f64 / self.source.len().max(1) as f64, pairs.robust_scale())
    }

    /// Which share of the source lies within a few distances of the target, as a rough placement is judged.
    pub(crate) fn judge_loosely(&self, place: &RigidTransform) -> f64 {
        let pairs = step::pairs(&self.source, self.oriented, &self.target, place, 2.0 * self.side, AGREE_COUNTED);
        let near = pairs.iter().filter(|p| p.r.abs() < 0.5 * self.side).count();
        near as f64 / self.source.len().max(1) as f64
    }

    /// From the given start, and where little of the source comes to lie on the target from others round it.
    pub(crate) fn best(
        &self,
        start: &RigidTransform,
        settings: &SurfaceSettings,
        watch: &(impl Fn(f32) -> Result<(), SurfaceError> + Sync),
    ) -> Result<Begun, SurfaceError> {
        let reach = settings.start_shift + settings.start_turn * self.arm;
        let first = self.lead(start, reach);
        if first.share >= CLEAR || !settings.try_others {
            return Ok(Begun {
                place: first.place,
                scale: first.scale,
                iterations: first.iterations,
                notes: Vec::new(),
            });
        }
        watch(0.2)?;
        let starts: Vec<RigidTransform> = (0..STARTS).map(|k| self.beside(start, settings, k)).collect();
        let led: Vec<Led> = std::iter::once(first)
            .chain(starts.par_iter().map(|other| self.lead(other, 0.6 * reach)).collect::<Vec<_>>())
            .collect();
        let (best, rival) = self.choose(&led).unwrap_or((first, None));
        let mut notes = Vec::new();
        if self.apart(&first.place, &best.place) > self.side && first.share < RIVAL * best.share {
            notes.push(SurfaceNote::OtherStart { given: first.share, best: best.share });
        }
        notes.extend(rival);
        Ok(Begun { place: best.place, scale: best.scale, iterations: best.iterations, notes })
    }

    /// The best of all; and another one elsewhere that is about as good, if there is any.
    pub(crate) fn choose(&self, led: &[Led]) -> Option<(Led, Option<SurfaceNote>)> {
        // Of equal ones the first.
        let better = |a: Led, b: &Led| if b.share > a.share { *b } else { a };
        let best = led.iter().copied().reduce(|a, b| better(a, &b))?;
        let elsewhere = led.iter().filter(|led| self.apart(&led.place, &best.place) > self.side);
        let rival = elsewhere.copied().reduce(|a, b| better(a, &b)).filter(|rival| rival.share >= RIVAL * best.share);
        let note = rival.map(|rival| SurfaceNote::Ambiguous {
            other: rival.share,
            best: best.share,
            target_from_source: rival.place,
        });
        Some((best, note))
    }

    /// How far two placements put the source from each other, mm: root mean square over it.
    pub(crate) fn apart(&self, a: &RigidTransform, b: &RigidTransform) -> f64 {
        let n = self.source.len().max(1) as f64;
        (self.source.iter().map(|s| (a * s.at - b * s.at).norm_squared()).sum::<f64>() / n).sqrt()
    }

    /// The k-th start beside the given one: turned about the source's middle and shifted, evenly spread by an
    /// additive sequence in six dimensions (M. Roberts, *The Unreasonable Effectiveness of
    /// Quasirandom Sequences*, 2018; from memory).
    fn beside(&self, start: &RigidTransform, settings: &SurfaceSettings, k: usize) -> RigidTransform {
        // The root of x⁷ = x + 1.
        const ROOT: f64 = 1.112_775_684_278_705_5;
        let at = |d: i32| 2.0 * (0.5 + (k + 1) as f64 * ROOT.powi(-d)).fract() - 1.0;
        // From the cube to the ball along its rays.
        let ball = |v: Vec3| if v.norm() > 0.0 { v * (v.amax() / v.norm()) } else { v };
        let turn = ball(Vec3::new(at(1), at(2), at(3))) * settings.start_turn;
        let shift = ball(Vec3::new(at(4), at(5), at(6))) * settings.start_shift;
        let centre = start * self.middle;
        let motion = nalgebra::Vector6::new(shift.x, shift.y, shift.z, turn.x, turn.y, turn.z);
        step::moved(start, &motion, &centre)
    }
}
