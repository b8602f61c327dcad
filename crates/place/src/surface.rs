//! Surface registration: a scan on a scan by the surface that both saw.
//!
//! From coarse to fine. A thousand bits of surface are brought together from the start with a reach that
//! shrinks; where little of them comes to lie on the target, from other starts round it too. Then
//! ever more points settle at their partners ([`step`]), the last time all of them, with a distance limit that
//! follows the residuals' robust scale; a last plain least squares runs over those within four
//! standard deviations.
//!
//! **Covariance.** Of the converged least squares it is `G·JᵀVJ·G`, V the covariance of the residuals,
//! whose correlation between neighbours is estimated as for a fit
//! ([`stringline_fit::estimate_noise`]). G is not `(JᵀJ)⁻¹` here: normals of a scan err, so that even a
//! plane seems to hinder sliding along itself. The errors of the two scans' normals m and n are
//! independent, so `A = Σ ½(jₘjₙᵀ + jₙjₘᵀ)`, with the Jacobian's row from either normal alone, is free of
//! that (one serves as the other's instrument, as in errors-in-variables regression; from memory),
//! and `G = A⁻¹`. Directions in which A vanishes are free ([`FreeMotion`]).
//!
//! A model with one noise all over cannot know of edges that the facets do not resolve. So the same is
//! asked of the data themselves, by leaving out one block of surface after the other ([`spread`]), and in
//! every direction the larger of the two is stated.

mod freedom;
mod refine;
mod spread;
pub(crate) mod start;
pub(crate) mod step;
pub(crate) mod target;

use crate::freedom::FreeMotion;
pub(crate) use freedom::about_origin;
use nalgebra::{DMatrix, Matrix6, Vector6};
use rayon::prelude::*;
use start::Coarse;
use std::borrow::Cow;
use step::{Normal, Pair, Pairs};
use stringline_core::{Explain, Point3, RigidTransform};
use stringline_fit::{Noise, NoiseSettings, estimate_noise};
use stringline_scan::Scan;
use target::{Surfel, Target};

/// Fewest points of either scan.
const FEWEST: usize = 50;
/// Points on the way from coarse to fine.
const LEVELS: [usize; 2] = [8_000, 50_000];
/// Steps at most on each level.
const STEPS: usize = 30;
/// Residuals beyond this many standard deviations are left out.
const OUTSIDE: f64 = 4.0;
/// Partners between which the surface bends by more than this many standard deviations are left out at the end,
/// but for this share of them.
const BEND: f64 = 1.0;
const KEPT: f64 = 0.6;
/// Normals of partners differ by less than this: cos 45°, and at the end cos 20°.
const AGREE: f64 = std::f64::consts::FRAC_1_SQRT_2;
const AGREE_FINE: f64 = 0.94;
/// Where the next step would be less than this share of the standard error there is none.
const ENOUGH: f64 = 0.1;
/// A direction with less than this share of the pull along the normals is free: a cloud's normals lean by a hundredth
/// of a radian at its borders, in both scans alike.
const FREE: f64 = 1e-4;
/// Nor is one known that has less than this share of what the normals' errors feign.
const FEIGNED: f64 = 0.1;
/// The standard deviation given to a free direction, mm (a turn's at the overlap's radius of gyration).
const FREE_SIGMA: f64 = 1e3;

/// How a surface is placed on another.
#[derive(Clone, Debug, PartialEq)]
pub struct SurfaceSettings {
    /// How far off the start may be, mm. Default: 30.
    pub start_shift: f64,
    /// How far it may be turned, rad. Default: 15°.
    pub start_turn: f64,
    /// Whether other starts, as far off as that, are tried where the given one leads to less than most of
    /// the source on the target. Default: true.
    pub try_others: bool,
    /// Only these points of the source, by id: a painted area. Default: all.
    pub source_points: Option<Vec<u32>>,
    /// Only these points of the target. Default: all.
    pub target_points: Option<Vec<u32>>,
    /// Points of the source used at most; more are thinned evenly. Default: four million.
    pub most_points: usize,
}

impl Default for SurfaceSettings {
    fn default() -> Self {
        SurfaceSettings {
            start_shift: 30.0,
            start_turn: 15.0_f64.to_radians(),
            try_others: true,
            source_points: None,
            target_points: None,
            most_points: 4_000_000,
        }
    }
}

/// Something about a placement the user should look at.
#[derive(Clone, Debug, PartialEq)]
pub enum SurfaceNote {
    /// The given start led elsewhere than the best of the others.
    OtherStart {
        /// Share of the source on the target from the start that was given, 0 to 1.
        given: f64,
        /// From the best one.
        best: f64,
    },
    /// Another placement fits about as well.
    Ambiguous {
        /// Share of the source on the target there.
        other: f64,
        /// Here.
        best: f64,
        /// The other placement.
        target_from_source: RigidTransform,
    },
    /// Less than a quarter of the source lies on the target.
    LittleOverlap {
        /// The share, 0 to 1.
        share: f64,
    },
}

impl std::fmt::Display for SurfaceNote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            SurfaceNote::OtherStart { given, best } => write!(
                f,
                "from the given start {:.0} % of the scan came to lie on the other, from another start near it {:.0} %, which is taken; check it",
                100.0 * given,
                100.0 * best
            ),
            SurfaceNote::Ambiguous { other, best, .. } => write!(
                f,
                "another place fits about as well ({:.0} % of the scan against {:.0} %); check it, or give a closer start",
                100.0 * other,
                100.0 * best
            ),
            SurfaceNote::LittleOverlap { share } => {
                write!(f, "only {:.0} % of the scan lies on the other; check it", 100.0 * share)
            }
        }
    }
}

/// A scan placed on another by the surface they share.
#[derive(Clone, Debug, PartialEq)]
pub struct SurfaceFit {
    /// Takes the source's coordinates to the target's.
    pub target_from_source: RigidTransform,
    /// Of the small motion by which it may be off, in the target's axes about the target's origin:
    /// translation (mm), then rotation (rad). 1000 mm (at the overlap's radius of gyration) along free motions.
    pub covariance: Matrix6<f64>,
    /// The middle of what was used, in the target's frame, mm.
    pub middle: Point3,
    /// Of the residuals, with the effective degrees of freedom of the covariance.
    pub noise: Noise,
    /// Root mean square of the residuals used, mm: the noise of both scans.
    pub rms: f64,
    /// Partners used.
    pub used: usize,
    /// Share of the source's points that have one, 0 to 1.
    pub overlap: f64,
    /// Whether the last step was far below the standard error.
    pub converged: bool,
    /// Steps taken, all levels.
    pub iterations: usize,
    /// Motions that the overlap does not hinder: along them the placement is the start's, more or less.
    pub free: Vec<FreeMotion>,
    /// What to look at.
    pub notes: Vec<SurfaceNote>,
}

/// Why a surface could not be placed on another.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SurfaceError {
    /// Too few points with a normal.
    #[error("the {scan} has {found} points with a surface around them; at least {FEWEST} are needed")]
    TooFewPoints {
        /// Source or target.
        scan: &'static str,
        /// How many there are.
        found: usize,
    },
    /// A point that was asked for is not in the scan.
    #[error("the {scan} has no point {id}")]
    NoSuchPoint {
        /// Source or target.
        scan: &'static str,
        /// Its id.
        id: u32,
    },
    /// A start or a setting that is not a number or not positive.
    #[error("{what} is not usable: {value}")]
    BadValue {
        /// Which.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// Too few partners.
    #[error("from this start only {found} points of one scan come near the other's surface")]
    Apart {
        /// How many do.
        found: usize,
    },
    /// Whoever asked for it stopped it.
    #[error("the registration was stopped before it was done")]
    Stopped,
}

impl Explain for SurfaceError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            SurfaceError::TooFewPoints { .. } => "Paint a larger area, or use a denser scan.",
            SurfaceError::NoSuchPoint { .. } => "Paint the area again on this scan.",
            SurfaceError::BadValue { .. } => "Give finite numbers, and how far off the start may be as more than 0.",
            SurfaceError::Apart { .. } => {
                "Pick three or more point pairs for a closer start, or let the scans be placed from nothing."
            }
            SurfaceError::Stopped => "Start it again when you need it.",
        }
        .into()
    }
}

/// Places `source` on `target` by the surface they share, starting near `start`, on all cores.
///
/// `start` and the result take coordinates of the source to those of the target, mm. Meshes and clouds
/// serve alike; the target's borders attract nothing. The same input gives the same numbers on any
/// number of cores. `go_on` is told the share done, 0 to 1; once it answers false the work stops.
///
/// ```
/// use stringline_core::{Point3, RigidTransform, Vec3};
/// use stringline_place::{SurfaceSettings, register};
/// use stringline_scan::{Cloud, Geometry, Scan};
///
/// // An egg, seen twice: the second time turned by 2° and shifted.
/// let egg = |from: usize| -> Vec<Point3> {
///     (from..from + 4000)
///         .map(|i| {
///             let (z, a) = (1.0 - 2.0 * (i as f64 * 0.754_877_7).fract(), i as f64 * 3.580_412);
///             let r = (1.0 - z * z).sqrt();
///             Point3::new(20.0 * r * a.cos(), 30.0 * r * a.sin(), 45.0 * z)
///         })
///         .collect()
/// };
/// let truth = RigidTransform::new(Vec3::new(1.0, -2.0, 0.5), Vec3::new(0.0, 0.035, 0.0));
/// let scan = |points| Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
/// let target = scan(egg(0).iter().map(|p| truth * p).collect());
/// let source = scan(egg(5000));
/// let fit = register(&source, &target, &RigidTransform::identity(), &SurfaceSettings::default(), |_| true)?;
/// let off = fit.target_from_source * Point3::new(20.0, 0.0, 0.0) - truth * Point3::new(20.0, 0.0, 0.0);
/// assert!(fit.converged && fit.free.is_empty() && off.norm() < 0.01, "{off}");
/// # Ok::<(), stringline_place::SurfaceError>(())
/// ```
///
/// # Errors
/// Too few points, values that make no sense, surfaces too far apart, or [`SurfaceError::Stopped`].
pub fn register(
    source: &Scan,
    target: &Scan,
    start: &RigidTransform,
    settings: &SurfaceSettings,
    go_on: impl Fn(f32) -> bool + Sync,
) -> Result<SurfaceFit, SurfaceError> {
    check(start, settings)?;
    let finer = finer(target, settings.target_points.as_deref());
    let target = finer.as_ref().unwrap_or(target);
    let source_ids = points_of("source", source, settings.source_points.as_deref())?;
    let target_ids = points_of("target", target, settings.target_points.as_deref())?;
    let watch = |done: f32| if go_on(done) { Ok(()) } else { Err(SurfaceError::Stopped) };
    watch(0.0)?;
    let coarse = Coarse::new(source, &source_ids, target, &target_ids);
    watch(0.1)?;
    let begun = coarse.best(start, settings, &watch)?;
    watch(0.4)?;
    let limited = settings.target_points.is_some().then_some(target_ids.as_slice());
    let fine = Target::new(target, limited);
    let surfels = |ids: &[u32]| -> Vec<Surfel> {
        let one = |&i: &u32| Surfel { at: source.points()[i as usize], normal: source.normals()[i as usize] };
        ids.par_iter().with_min_len(4096).map(one).collect()
    };
    let area = source_ids.len() as f64 * source.spacing().powi(2);
    let thinned = |ids: &[u32], wanted: usize| target::spread(source, ids, area, wanted);
    let mut levels = vec![if settings.most_points < source_ids.len() {
        thinned(&source_ids, settings.most_points.max(1))
    } else {
        source_ids
    }];
    // Each level's points are some of the next one's.
    for &wanted in LEVELS.iter().rev() {
        match levels.last() {
            Some(finer) if wanted < finer.len() => levels.push(thinned(finer, wanted)),
            _ => {}
        }
    }
    let mut run = Run { place: begun.place, iterations: begun.iterations, scale: begun.scale };
    let mut settled = None;
    while let Some(ids) = levels.pop() {
        let last = levels.is_empty();
        let samples = surfels(&ids);
        let found = run.settle(&samples, source.oriented(), &fine, target.spacing(), last)?;
        settled = Some((samples.len(), found));
        watch(if last { 0.9 } else { 0.5 })?;
    }
    let Some((count, Settled { pairs, near, converged })) = settled else {
        return Err(SurfaceError::Apart { found: 0 });
    };
    let known = known(&pairs);
    let overlap = near as f64 / count.max(1) as f64;
    let mut notes = begun.notes;
    if overlap < 0.25 {
        notes.push(SurfaceNote::LittleOverlap { share: overlap });
    }
    watch(1.0)?;
    Ok(SurfaceFit {
        target_from_source: run.place,
        covariance: known.covariance,
        middle: known.middle,
        rms: known.rms,
        noise: known.noise,
        used: pairs.len(),
        overlap,
        converged,
        iterations: run.iterations,
        free: known.free,
        notes,
    })
}

fn check(start: &RigidTransform, settings: &SurfaceSettings) -> Result<(), SurfaceError> {
    let numbers = start.translation.vector.iter().chain(start.rotation.coords.iter());
    if let Some(&value) = numbers.clone().find(|c| !c.is_finite()) {
        return Err(SurfaceError::BadValue { what: "the start", value });
    }
    let limits =
        [("how far off the start may be", settings.start_shift), ("how far it may be turned", settings.start_turn)];
    match limits.into_iter().find(|(_, v)| !(v.is_finite() && *v > 0.0)) {
        Some((what, value)) => Err(SurfaceError::BadValue { what, value }),
        None => Ok(()),
    }
}

/// The target in smaller facets where it has few large ones; painted areas are told by its own vertices.
pub(crate) fn finer(target: &Scan, only: Option<&[u32]>) -> Option<Scan> {
    if only.is_some() { None } else { refine::refined(target) }
}

pub(crate) fn points_of(name: &'static str, scan: &Scan, only: Option<&[u32]>) -> Result<Vec<u32>, SurfaceError> {
    if let Some(&id) = only.and_then(|ids| ids.iter().find(|&&i| i as usize >= scan.points().len())) {
        return Err(SurfaceError::NoSuchPoint { scan: name, id });
    }
    let ids = target::usable(scan, only);
    if ids.len() < FEWEST { Err(SurfaceError::TooFewPoints { scan: name, found: ids.len() }) } else { Ok(ids) }
}

struct Run {
    place: RigidTransform,
    iterations: usize,
    /// Robust standard deviation of the residuals, mm.
    scale: f64,
}

struct Settled {
    /// Those used.
    pairs: Pairs,
    /// How many samples lie on the target, those left out for the bend of the surface among them.
    near: usize,
    converged: bool,
}

impl Run {
    /// Steps until they no longer matter.
    fn settle(
        &mut self,
        samples: &[Surfel],
        oriented: bool,
        target: &Target,
        spacing: f64,
        last: bool,
    ) -> Result<Settled, SurfaceError> {
        let agree = if last { AGREE_FINE } else { AGREE };
        for step in 0.. {
            // A partner is up to a spacing aside, whatever the residual.
            let limit = OUTSIDE * self.scale + 2.5 * spacing;
            let mut pairs = step::pairs(samples, oriented, target, &self.place, limit, agree);
            self.scale = pairs.robust_scale();
            let (centre, arm) = pairs.middle();
            // Below rounding nothing is a stray.
            let scale = self.scale.max(1e-12 * (arm + centre.coords.norm()));
            // Where the surface bends by more than the noise between two partners, the scans do not resolve it,
            // and its edges would pull. Most of a scan is kept whatever it bends.
            let bend = if last { (BEND * scale).max(pairs.quantile(KEPT, |p| p.bend)) } else { f64::INFINITY };
            let near = |p: &Pair| p.r.abs() <= OUTSIDE * scale;
            let used = |p: &Pair| near(p) && p.bend <= bend;
            let found = pairs.count(used);
            if found < FEWEST {
                return Err(SurfaceError::Apart { found });
            }
            let square = (OUTSIDE * scale).powi(2);
            let weight = |p: &Pair| match used(p) {
                true if last => 1.0,
                true => (1.0 - p.r * p.r / square).powi(2),
                false => 0.0,
            };
            let normal = Normal::of(&pairs, &centre, weight);
            let motion = normal.solve(arm, 1e-7, 0.0);
            let size = length(&motion, arm);
            // In standard errors, root mean square over the directions.
            let errors = (motion.dot(&(normal.matrix * motion)) / 6.0).max(0.0).sqrt() / scale;
            // With the same partners the next step would be none; it comes from those that change, and
            // their share is about this step's share of the way to the next point.
            let next = errors * (size / spacing).min(1.0);
            let converged = next <= ENOUGH || size <= 1e-10 * arm;
            let done = converged || step + 1 >= STEPS;
            self.iterations += 1;
            self.place = step::moved(&self.place, &motion, &centre);
            if done {
                let near = pairs.count(near);
                pairs.retain(used);
                pairs.follow(&motion, &centre);
                return Ok(Settled { pairs, near, converged });
            }
        }
        unreachable!("the loop ends at the most steps")
    }
}

/// The size of a motion, mm.
fn length(motion: &Vector6<f64>, arm: f64) -> f64 {
    (motion.fixed_rows::<3>(0).norm_squared() + motion.fixed_rows::<3>(3).norm_squared() * arm * arm).sqrt()
}

struct Known {
    covariance: Matrix6<f64>,
    middle: Point3,
    noise: Noise,
    rms: f64,
    free: Vec<FreeMotion>,
}

/// How well the partners hold the placement.
fn known(pairs: &Pairs) -> Known {
    let (centre, arm) = pairs.middle();
    let scale = step::scale(arm);
    let n = pairs.len() as f64;
    let parts = |pairs: &[Pair]| {
        let (mut plain, mut free_of_errors, mut feigned, mut square) = (Matrix6::zeros(), Matrix6::zeros(), 0.0, 0.0);
        for p in pairs {
            let arm = p.x - centre;
            let (a, b) = (step::row(&p.m, &arm), step::row(&p.n, &arm));
            let j = (a + b) * 0.5;
            plain += j * j.transpose();
            free_of_errors += a * b.transpose();
            feigned += (p.m - p.n).norm_squared() / 8.0;
            square += p.r * p.r;
        }
        (plain, free_of_errors, feigned, square)
    };
    let (plain, mixed, feigned, square) = pairs
        .sum(parts, |a, b| (a.0 + b.0, a.1 + b.1, a.2 + b.2, a.3 + b.3))
        .unwrap_or((Matrix6::identity(), Matrix6::identity(), 0.0, 0.0));
    let plain = scale * plain * scale;
    let eigen = (scale * (mixed + mixed.transpose()) * 0.5 * scale).symmetric_eigen();
    let least = (FREE * n).max(FEIGNED * feigned);
    let (mut inverse, mut free) = (Matrix6::zeros(), Vec::new());
    for (value, vector) in eigen.eigenvalues.iter().zip(eigen.eigenvectors.column_iter()) {
        if *value > least {
            inverse += vector * vector.transpose() / *value;
        } else {
            free.push(vector.into_owned());
        }
    }
    let all: Vec<&Pair> = pairs.iter().collect();
    let mut jacobian = DMatrix::zeros(all.len(), 6);
    jacobian.as_mut_slice().par_chunks_mut(all.len()).enumerate().for_each(|(parameter, column)| {
        let entry = |p: &Pair| p.row(&centre)[parameter] * scale[(parameter, parameter)];
        column.iter_mut().zip(&all).for_each(|(column, p)| *column = entry(p));
    });
    let points: Vec<Point3> = all.par_iter().map(|p| p.x).collect();
    let residuals: Vec<f64> = all.par_iter().map(|p| p.r).collect();
    let (estimate, blocks) = rayon::join(
        || estimate_noise(&points, &residuals, &jacobian, &NoiseSettings::default()),
        || spread::blocks(pairs, &centre, arm),
    );
    let stated = Matrix6::from_fn(|i, j| estimate.covariance[(i, j)]);
    let bread = inverse * plain;
    let modelled = bread * stated * bread.transpose();
    let (mut covariance, freedom) = match spread::jackknife(&blocks, &free) {
        Some((jackknife, freedom)) => {
            (spread::larger(&modelled, &jackknife, &free), freedom.min(estimate.noise.degrees_of_freedom))
        }
        None => (modelled, estimate.noise.degrees_of_freedom),
    };
    for direction in &free {
        covariance += direction * direction.transpose() * FREE_SIGMA.powi(2);
    }
    Known {
        covariance: freedom::about_origin(&(scale * covariance * scale), &centre),
        middle: centre,
        noise: Noise { degrees_of_freedom: freedom, ..estimate.noise },
        rms: (square / n.max(1.0)).sqrt(),
        free: freedom::in_words(&free, arm, &centre),
    }
}
