//! The adjustment: all scans' placements at once from all mates, by weighted least squares.
//!
//! The equations r(T, ℓ) = 0 tie the placements T to what is independent: the features' parameters ℓ, of
//! covariance C, and each mate's own give. Near T they are r + J·ξ + D·δℓ = 0, ξ being six small motions a
//! scan. Their covariance is Σ = D·C·Dᵀ + give², one feature in two mates included, and
//!
//! ξ = −G·r,  G = Q·JᵀΣ⁻¹,  Q = (JᵀΣ⁻¹J)⁻¹
//!
//! is iterated to rest (generalised least squares; the condition equations with unknowns of the theory of
//! adjustment: E. M. Mikhail, *Observations and Least Squares*, 1976, from memory). Q is the placements'
//! covariance; −G·D says how each placement follows from each feature, which is what is carried on, so that a
//! hardpoint that rests on the same feature as its scan's placement has the right ±.
//!
//! Each mate is also predicted by all the others: the equations without it give ξ₋, and what it is off by is
//! e = r + J·ξ₋ with its covariance. eᵀ·cov(e)⁻¹·e is by how much χ² falls without it, which is the
//! test for a gross error (W. Baarda, *A testing procedure for use in geodetic networks*, 1968; from memory).
//! A mate that may fail is left out, the worst first, while that test says one in a thousand.

mod judge;

use crate::error::AdjustError;
use crate::freedom::{Freedom, freedoms};
use crate::mate::{CarAxis, Mate, On, Relation};
use crate::motion::Pivot;
use crate::start::{alike, starts};
use crate::system::{Linear, System, mate_name, placement_name};
use judge::{Judged, unit};
use nalgebra::{DMatrix, DVector, Dyn, Matrix6, SymmetricEigen, Vector6};
use std::collections::BTreeMap;
use stringline_core::covariance::{
    Source, Sources, chi_squared_tail, combined, coverage_factor, largest_sigma, propagate,
};
use stringline_core::{Point3, RigidTransform, Vec3};

/// How the adjustment is done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AdjustSettings {
    /// A motion that nothing holds better than this (one standard deviation, mm, at the datums) counts as
    /// free. Default 5 mm.
    pub held_within: f64,
    /// A mate that may fail is left out where chance alone would put it so far off less often than this.
    /// Default 0.001.
    pub fails_below: f64,
}

impl Default for AdjustSettings {
    fn default() -> Self {
        AdjustSettings { held_within: 5.0, fails_below: 1e-3 }
    }
}

/// Against what a singular value is held: equations turned to mm, motions to mm at the datums.
const FREE: f64 = 2e-3;
/// Angles as lengths, where equations are judged without weights, mm.
const LEVER: f64 = 100.0;

/// A placement that is known beforehand.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    /// Takes scan coordinates to the car's.
    pub car_from_scan: RigidTransform,
    /// Of the small motion by which it may be off, in the car's axes about its origin; `None`: exact.
    pub covariance: Option<Matrix6<f64>>,
}

impl Known {
    /// The motion by which it may be off as a source of six numbers.
    pub fn motion(&self) -> Option<Source> {
        self.covariance.map(|covariance| Source {
            jacobian: DMatrix::identity(6, 6),
            covariance: DMatrix::from_column_slice(6, 6, covariance.as_slice()),
            degrees_of_freedom: f64::INFINITY,
        })
    }

    /// The sources of its motion, under a name of their own.
    pub fn sources(&self, scan: &str) -> Sources {
        self.motion().map(|motion| (placement_name(scan), motion)).into_iter().collect()
    }
}

/// A scan as placed.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// Takes scan coordinates to the car's.
    pub car_from_scan: RigidTransform,
    /// What the placement follows from: the small motion's (six numbers, car axes, about the origin)
    /// derivative by each source. Features stand under their anchors' sources' names.
    pub sources: Sources,
    /// The small motion's covariance, Σ over those sources.
    pub covariance: Matrix6<f64>,
    /// Effective degrees of freedom of that.
    pub degrees_of_freedom: f64,
    /// Whether something holds it in every direction.
    pub held: bool,
}

/// How far a mate is off what all the others say.
#[derive(Clone, Debug, PartialEq)]
pub struct Off {
    /// Its length equations put together, car axes, mm.
    pub shift: Vec3,
    /// Of that, the ± at 95 % in its worst direction, mm.
    pub shift_u95: f64,
    /// Its angle equations put together, rad.
    pub turn: f64,
    /// Of that, rad.
    pub turn_u95: f64,
    /// e·cov⁻¹·e.
    pub chi_squared: f64,
    /// How many of its equations the others predict.
    pub equations: usize,
    /// The probability that chance puts it as far off.
    pub probability: f64,
}

/// One of two datums of a pair against where the drawing has it.
#[derive(Clone, Debug, PartialEq)]
pub struct SideOff {
    /// The datum's name.
    pub datum: String,
    /// Outboard of where it should be, mm; negative: inboard.
    pub outboard: f64,
    /// ± at 95 %, mm.
    pub u95: f64,
    /// The probability that chance puts it as far off.
    pub probability: f64,
}

/// By how much a scan would move without a mate.
#[derive(Clone, Debug, PartialEq)]
pub struct Moves {
    /// The scan.
    pub scan: String,
    /// At the middle of its datums, mm.
    pub shift: f64,
    /// rad.
    pub turn: f64,
}

/// A mate after the adjustment.
#[derive(Clone, Debug, PartialEq)]
pub struct MateFit {
    /// Its name.
    pub name: String,
    /// Left out because it does not hold.
    pub left_out: bool,
    /// How many equations it has.
    pub equations: usize,
    /// Where in the car what is left is told, mm: at the first datum, the middle of several, or the middle of what
    /// two scans share.
    pub at: Point3,
    /// What is left between the placed datums, from the second to the first: its length equations put together,
    /// car axes, mm.
    pub residual: Vec3,
    /// One standard deviation of that along itself, mm, all other mates having had their say; `None` where nothing
    /// checks it, and it is zero by itself.
    pub sigma: Option<f64>,
    /// The angle equations, rad.
    pub residual_turn: f64,
    /// Against all the others; `None` where it alone holds what it holds.
    pub off: Option<Off>,
    /// What its absence would change, the largest first.
    pub moves: Vec<Moves>,
    /// Of a pair with a known distance apart: each side.
    pub sides: Vec<SideOff>,
    /// Other mates whose absence would explain it nearly as well: which of them is wrong cannot be told.
    pub or_else: Vec<String>,
}

impl MateFit {
    /// The residual in its own standard deviations (W. Baarda, 1968; from memory); `None` where nothing checks it.
    pub fn standardised(&self) -> Option<f64> {
        self.sigma.map(|sigma| self.residual.norm() / sigma)
    }
}

/// The placements, and how far they can be trusted.
#[derive(Clone, Debug, PartialEq)]
pub struct Adjusted {
    /// By scan.
    pub scans: BTreeMap<String, Placed>,
    /// In the order given.
    pub mates: Vec<MateFit>,
    /// Motions that nothing holds.
    pub free: Vec<Freedom>,
    /// The sum of squares by its own weights.
    pub chi_squared: f64,
    /// Equations beyond those needed.
    pub redundancy: usize,
    /// The probability that chance alone makes χ² as large.
    pub probability: f64,
    /// Steps of the last iteration.
    pub iterations: usize,
}

/// Places all scans that the mates speak of and that are not known.
///
/// # Errors
/// See [`AdjustError`]. A scan that is left free in some direction is no error: see [`Adjusted::free`].
pub fn adjust(
    mates: &[Mate],
    known: &BTreeMap<String, Known>,
    settings: &AdjustSettings,
) -> Result<Adjusted, AdjustError> {
    // Where a pair's drawing is known, each side is looked at as if it were a mate of its own.
    let sides: Vec<(usize, Mate)> = mates.iter().enumerate().flat_map(|(at, mate)| sides_of(at, mate)).collect();
    let system = System::new(mates, known)?;
    let tries = starts(&system)?;
    let Some(best) = tries.first() else {
        return Err(AdjustError::NotConverged);
    };
    let mut poses = best.poses.clone();
    let watched = System { mates: mates.iter().chain(sides.iter().map(|(_, m)| m)).collect(), ..system };
    let mut active: Vec<bool> = (0..watched.mates.len()).map(|i| i < mates.len()).collect();
    let mut left_out: Vec<(usize, Vec<String>)> = Vec::new();
    let (state, iterations) = loop {
        let (state, iterations) = settle(&watched, &mut poses, &active, settings)?;
        let judged: Vec<(usize, Judged)> = (0..mates.len())
            .filter(|&i| active[i])
            .filter_map(|i| Some((i, state.judge(i, settings)?)))
            .filter(|(_, j)| j.off.is_some())
            .collect();
        let fails = |j: &Judged| j.off.as_ref().is_some_and(|off| off.probability < settings.fails_below);
        let chi = |j: &Judged| j.off.as_ref().map_or(0.0, |off| off.chi_squared);
        let worst = judged
            .iter()
            .filter(|(i, j)| watched.mates[*i].may_fail && fails(j))
            .max_by(|a, b| chi(&a.1).total_cmp(&chi(&b.1)));
        let Some((worst, by)) = worst else { break (state, iterations) };
        let as_well = |(i, j): &&(usize, Judged)| i != worst && chi(j) > 0.9 * chi(by);
        let or_else = judged.iter().filter(as_well).map(|(i, _)| watched.mates[*i].name.clone()).collect();
        left_out.push((*worst, or_else));
        active[*worst] = false;
    };
    let free = freedoms(&watched, &poses, &state.solved.free_about_origin(&state.pivots));
    if free.is_empty() {
        let own = System::new(mates, known)?;
        not_ambiguous(&own, &tries)?;
    }
    let fits = (0..mates.len()).map(|i| state.fit(i, &watched, &poses, &sides, &left_out, settings)).collect();
    let mut sources = state.placement_sources();
    state.add_give(&watched, &mut sources);
    let scans = watched.scans.iter().enumerate().filter_map(|(s, name)| {
        let own: Sources = sources.iter().map(|(n, all)| (n.clone(), rows_of(all, s))).collect();
        let (covariance, degrees_of_freedom) = combined(6, &own);
        let placed = Placed {
            car_from_scan: poses[s]?,
            sources: own,
            covariance: Matrix6::from_iterator(covariance.iter().copied()),
            degrees_of_freedom,
            held: !free.iter().any(|f| f.moves(name)),
        };
        Some((name.clone(), placed))
    });
    let scans = scans.collect();
    let redundancy = state.solved.rows.len() - state.solved.rank;
    Ok(Adjusted {
        scans,
        mates: fits,
        free,
        chi_squared: state.solved.chi_squared,
        redundancy,
        probability: chi_squared_tail(state.solved.chi_squared, redundancy),
        iterations,
    })
}

fn rows_of(all: &Source, scan: usize) -> Source {
    Source { jacobian: all.jacobian.rows(6 * scan, 6).into_owned(), ..all.clone() }
}

fn sides_of(at: usize, mate: &Mate) -> Vec<(usize, Mate)> {
    let Relation::Pair { left, right, apart: Some(apart) } = &mate.relation else { return Vec::new() };
    let one = |on: &On, value: f64| {
        let relation = Relation::Coordinate { of: vec![on.clone()], axis: CarAxis::Y, value };
        let name = format!("{}/{}", mate.name, on.anchor.name);
        (at, Mate { name, relation, give: 0.0, give_angle: 0.0, may_fail: false })
    };
    if !left.anchor.hold.has_point() || !right.anchor.hold.has_point() {
        return Vec::new();
    }
    vec![one(left, 0.5 * apart), one(right, -0.5 * apart)]
}

/// An error where a second try fits as well as the first.
fn not_ambiguous(system: &System<'_>, tries: &[crate::start::Try]) -> Result<(), AdjustError> {
    let Some((best, others)) = tries.split_first() else { return Ok(()) };
    // Plain squares, mm²: as good is within a factor of two in length, or a hundredth of a millimetre an equation.
    let count: usize = system.mates.iter().map(|mate| system.equations(mate, &best.poses).len()).sum();
    let limit = 4.0 * best.cost + 1e-4 * count as f64;
    match others.iter().find(|t| t.wrong == best.wrong && t.cost < limit && !alike(system, best, t)) {
        None => Ok(()),
        Some(other) => {
            let turn = |s: usize| match (best.poses[s], other.poses[s]) {
                (Some(a), Some(b)) => a.rotation.angle_to(&b.rotation),
                _ => 0.0,
            };
            let moved: Vec<usize> = (0..system.scans.len()).filter(|&s| turn(s) > 0.05).collect();
            Err(AdjustError::Ambiguous {
                scans: moved.iter().map(|&s| system.scans[s].clone()).collect(),
                turn_deg: moved.iter().map(|&s| turn(s)).fold(0.0, f64::max).to_degrees(),
            })
        }
    }
}

/// The equations at rest and their solution.
struct State {
    linear: Linear,
    pivots: Vec<Pivot>,
    /// Motions at the pivots to motions about the origin, block by block.
    to_origin: DMatrix<f64>,
    active: Vec<bool>,
    solved: Solved,
}

/// Iterates to rest.
fn settle(
    system: &System<'_>,
    poses: &mut [Option<RigidTransform>],
    active: &[bool],
    settings: &AdjustSettings,
) -> Result<(State, usize), AdjustError> {
    for iteration in 1..=60 {
        let linear = system.linear(poses);
        let pivots = system.pivots(poses);
        let n = 6 * system.scans.len();
        let mut to_origin = DMatrix::zeros(n, n);
        for (s, pivot) in pivots.iter().enumerate() {
            to_origin.view_mut((6 * s, 6 * s), (6, 6)).copy_from(&pivot.to_origin());
        }
        let keep: Vec<usize> =
            linear.of.iter().zip(active).filter(|(_, a)| **a).flat_map(|(range, _)| range.clone()).collect();
        let solved = Solved::of(&linear, &to_origin, keep, settings).ok_or(AdjustError::NotConverged)?;
        let size = solved.step.amax();
        if !size.is_finite() {
            return Err(AdjustError::NotConverged);
        }
        if size < 1e-7 {
            return Ok((State { linear, pivots, to_origin, active: active.to_vec(), solved }, iteration));
        }
        // A step so large that the equations bend is taken in part.
        let share = (100.0 / size).min(1.0);
        for (s, pivot) in pivots.iter().enumerate() {
            let by = Vector6::from_iterator(solved.step.rows(6 * s, 6).iter().map(|v| v * share));
            poses[s] = poses[s].map(|pose| pivot.moved(&pose, &by));
        }
    }
    Err(AdjustError::NotConverged)
}

/// The least-squares solution from some of the equations.
struct Solved {
    rows: Vec<usize>,
    /// Motions at the pivots, mm.
    step: DVector<f64>,
    /// Step = −gain · values of the rows.
    gain: DMatrix<f64>,
    /// What is free, as motions at the pivots, a column each.
    free: DMatrix<f64>,
    chi_squared: f64,
    rank: usize,
}

impl Solved {
    fn of(linear: &Linear, to_origin: &DMatrix<f64>, rows: Vec<usize>, settings: &AdjustSettings) -> Option<Solved> {
        let by = linear.by_motion.select_rows(&rows) * to_origin;
        let value = linear.value.select_rows(&rows);
        if rows.is_empty() {
            let n = by.ncols();
            let (step, gain) = (DVector::zeros(n), DMatrix::zeros(n, 0));
            return Some(Solved { rows, step, gain, free: DMatrix::identity(n, n), chi_squared: 0.0, rank: 0 });
        }
        let covariance = linear.covariance.select_rows(&rows).select_columns(&rows);
        let cholesky = covariance.cholesky()?;
        let lower = cholesky.l();
        let weighed = lower.solve_lower_triangular(&by)?;
        let whitened = lower.solve_lower_triangular(&value)?;
        // What the mates' geometry leaves free, whatever the weights.
        let scale = DVector::from_iterator(rows.len(), rows.iter().map(|&r| unit(linear.along[r])));
        let plain = DMatrix::from_fn(by.nrows(), by.ncols(), |i, j| by[(i, j)] * scale[i]);
        let geometry = eigen(plain.tr_mul(&plain));
        let is_held = |&k: &usize| geometry.eigenvalues[k] > FREE * FREE;
        let (held, loose): (Vec<usize>, Vec<usize>) = (0..by.ncols()).partition(is_held);
        let held = geometry.eigenvectors.select_columns(&held);
        // What is held so badly that it may as well be free.
        let reduced = &weighed * &held;
        let information = eigen(reduced.tr_mul(&reduced));
        let is_good = |&k: &usize| information.eigenvalues[k] * settings.held_within.powi(2) > 1.0;
        let (good, bad): (Vec<usize>, Vec<usize>) = (0..held.ncols()).partition(is_good);
        let directions = &held * information.eigenvectors.select_columns(&good);
        let inverse = DVector::from_iterator(good.len(), good.iter().map(|&k| 1.0 / information.eigenvalues[k]));
        let mut scaled = directions.transpose();
        for (k, mut row) in scaled.row_iter_mut().enumerate() {
            row *= inverse[k];
        }
        let back = lower.transpose().solve_upper_triangular(&weighed)?;
        let gain = &directions * scaled * back.transpose();
        let weak = &held * information.eigenvectors.select_columns(&bad);
        let null = geometry.eigenvectors.select_columns(&loose);
        let free = DMatrix::from_fn(by.ncols(), null.ncols() + weak.ncols(), |i, j| {
            if j < null.ncols() { null[(i, j)] } else { weak[(i, j - null.ncols())] }
        });
        let step = -(&gain * &value);
        let chi_squared = (&whitened + &weighed * &step).norm_squared();
        Some(Solved { rows, step, gain, free, chi_squared, rank: good.len() })
    }

    /// Motions about the origin, a column each.
    fn free_about_origin(&self, pivots: &[Pivot]) -> DMatrix<f64> {
        let mut all = self.free.clone();
        for (s, pivot) in pivots.iter().enumerate() {
            let block = pivot.to_origin() * self.free.rows(6 * s, 6);
            all.rows_mut(6 * s, 6).copy_from(&block);
        }
        all
    }
}

/// Of a symmetric matrix, which may be empty.
fn eigen(of: DMatrix<f64>) -> SymmetricEigen<f64, Dyn> {
    match of.is_empty() {
        true => SymmetricEigen { eigenvectors: of, eigenvalues: DVector::zeros(0) },
        false => of.symmetric_eigen(),
    }
}

impl State {
    /// How all placements follow from each source: motions about the origin, six rows a scan.
    fn placement_sources(&self) -> Sources {
        let gain = -(&self.to_origin * &self.solved.gain);
        let rows = &self.solved.rows;
        let mut sources = Sources::new();
        for (name, source) in &self.linear.sources {
            let jacobian = &gain * source.jacobian.select_rows(rows);
            if jacobian.amax() > 0.0 {
                sources.insert(name.clone(), Source { jacobian, ..source.clone() });
            }
        }
        sources
    }

    /// Adds the mates' own give, which is independent of every feature.
    fn add_give(&self, system: &System<'_>, sources: &mut Sources) {
        let gain = -(&self.to_origin * &self.solved.gain);
        for (index, mate) in system.mates.iter().enumerate().filter(|(i, _)| self.active[*i]) {
            let own = &self.linear.of[index];
            let give = |row: usize| if self.linear.along[row].is_some() { mate.give } else { mate.give_angle };
            let places: Vec<usize> = (0..self.solved.rows.len())
                .filter(|&k| own.contains(&self.solved.rows[k]) && give(self.solved.rows[k]) > 0.0)
                .collect();
            if places.is_empty() {
                continue;
            }
            let variances = places.iter().map(|&k| give(self.solved.rows[k]).powi(2));
            let variances = DVector::from_iterator(places.len(), variances);
            sources.insert(
                format!("{}/give", mate_name(&mate.name)),
                Source {
                    jacobian: gain.select_columns(&places),
                    covariance: DMatrix::from_diagonal(&variances),
                    degrees_of_freedom: f64::INFINITY,
                },
            );
        }
    }
}

/// The ± at 95 % of a placed scan's place at a point of the car, mm: the largest half-axis of the joint region.
pub fn u95_at(placed: &Placed, point: &Point3) -> f64 {
    let by = stringline_core::covariance::by_motion(point, None);
    let c = propagate(&by, &DMatrix::from_column_slice(6, 6, placed.covariance.as_slice()));
    coverage_factor(3, placed.degrees_of_freedom) * largest_sigma(&c)
}
