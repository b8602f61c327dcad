//! How far a fit can be trusted when neighbouring points err together.
//!
//! Scan noise is partly common to neighbours, so a thousand points tell less than their number
//! says. Least squares stays unbiased, but its covariance is `G·JᵀVJ·G`, `G = (JᵀJ)⁻¹`, with `V`
//! the covariance of the residuals' errors (the "sandwich"; Forbes, Metrologia 43 (2006) S282;
//! Kermarrec and Lösler, J. Geodesy 95 (2021), 10.1007/s00190-020-01456-7). `V` is not known. It
//! is taken as white noise plus a field correlated over the distance `d` between points,
//!
//! `V = σ²·(I + ρ·K)`, `K = exp(−d²/2ℓ²)` or `exp(−d/ℓ)`,
//!
//! and estimated from the residuals themselves:
//!
//! 1. The points are gathered in about a hundred cells of like size. Parameters move the residuals
//!    smoothly, so the cells' means hold all that matters to `JᵀVJ`; the scatter inside cells,
//!    split at two finer sizes, is kept as sums of squares that tell white from short-ranged noise.
//! 2. The fit has taken out of the residuals whatever a parameter could explain, which biases them
//!    low. Only the contrasts of the cell means that no parameter can explain are judged: restricted
//!    likelihood (Patterson and Thompson, Biometrika 58 (1971) 545, from memory).
//! 3. A patch may hold a dozen independent lumps of noise, far too few to pick one `ℓ` and `ρ`. So
//!    every pair on a grid is weighed by its likelihood, and the inverse covariances are averaged
//!    with those weights. Their spread, `ν = 2·(mean/sd)²` as for a χ² (the thought of
//!    Welch–Satterthwaite, JCGM 100, G.4), is the effective degrees of freedom.
//!
//! With each model a reflection by the parameters' directions and a reduction to tridiagonal form
//! (Golub and Van Loan, *Matrix Computations*, 8.3, from memory) makes every further `ρ` cost a
//! handful of operations a cell.
//!
//! What it cannot see: a field so smooth over the patch that the parameters take it all up. Of that
//! only the prior grid of lengths, which ends at a third of the patch's size, says anything. Form
//! error (an oval bore, facets of a coarse mesh) that is smooth over many points counts as
//! correlated noise, which is honest: it does limit how well the axis is known.

use crate::feature::Noise;
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use std::collections::BinaryHeap;
use stringline_core::Point3;

/// What the estimate of a fit's noise takes for granted.
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseSettings {
    /// Cells whose means are judged; the time goes with the cube of it. Default: 96.
    pub cells: usize,
    /// How much an inner sum of squares counts against independent errors. Cells of a correlated
    /// field are not independent of each other, and no model of it is quite true. Default: 0.5.
    pub inner_weight: f64,
    /// The most degrees of freedom that the inner sums of one size may count for: with many points
    /// they would else decide alone, on detail that no model gets right. Default: 100.
    pub inner_most: f64,
    /// Prior probability that the noise is white. Default: 0.5.
    pub white: f64,
    /// Prior probability, if it is not, that it falls off as `exp(−d/ℓ)` and not as
    /// `exp(−d²/2ℓ²)`. Default: 0.2.
    pub exponential: f64,
}

impl Default for NoiseSettings {
    fn default() -> Self {
        NoiseSettings { cells: 96, inner_weight: 0.5, inner_most: 100.0, white: 0.5, exponential: 0.2 }
    }
}

/// The noise of a fit and the covariance it gives the parameters.
#[derive(Clone, Debug)]
pub struct NoiseEstimate {
    /// What it is like.
    pub noise: Noise,
    /// Of the parameters of the Jacobian's columns, p×p.
    pub covariance: DMatrix<f64>,
}

/// Correlation lengths tried, as multiples of the distance between neighbouring cells: from a
/// tenth, where it cannot be told from white noise, to about a third of the patch's size.
const SHORTEST: f64 = 0.1;
const LENGTH_STEP: f64 = 1.335;
const LENGTHS: usize = 13;
/// How many times the correlated part may outweigh the white part in a cell's mean.
const WEAKEST: f64 = 0.3;
const STRENGTH_STEP: f64 = 2.03;
const STRENGTHS: usize = 14;
/// `exp(−d)` as a mixture of `exp(−d²/2t²)`: (weight, t). Least squares over 0.05 < d < 6, within 0.05.
const EXPONENTIAL: [(f64, f64); 4] = [(0.349, 0.2), (0.431, 0.8), (0.194, 1.6), (0.026, 3.2)];
const GAUSSIAN: [(f64, f64); 1] = [(1.0, 1.0)];
/// Contrasts below which nothing can be said about correlation.
const FEWEST_CONTRASTS: usize = 6;
/// Rows that are worth more than one core.
const MANY: usize = 50_000;
/// Residuals smaller than this share of the patch are rounding, not noise.
const ROUNDING: f64 = 1e-12;
/// Directions of the scaled parameters less determined than this are given this much.
const SINGULAR: f64 = 1e-15;

/// Estimates the noise of a converged least-squares fit and the covariance of its parameters.
///
/// `points` are those used (mm); `residuals` hold k of each point in turn, k = 1 but for a circle
/// (k = 2, which err independently); `jacobian` has a row a residual and a column a parameter.
/// Too few residuals to judge, or none that differ from zero, give the plain covariance with
/// n − p degrees of freedom. A direction that the points leave free gets a huge variance, never NaN.
pub fn estimate(
    points: &[Point3],
    residuals: &[f64],
    jacobian: &DMatrix<f64>,
    settings: &NoiseSettings,
) -> NoiseEstimate {
    let (n, p) = jacobian.shape();
    let wanted = settings.cells.max(2 * p + FEWEST_CONTRASTS);
    let channels = if points.is_empty() { 0 } else { n / points.len() };
    let judged = channels > 0 && channels * points.len() == n && residuals.len() == n && n >= p + FEWEST_CONTRASTS;
    let (factor, cells) = rayon::join(
        || root_of_inverse(jacobian),
        || judged.then(|| Cells::gather(points, residuals, jacobian, channels, wanted)),
    );
    let square: f64 = residuals.iter().map(|r| r * r).sum();
    let free = n.saturating_sub(p).max(1) as f64;
    let plain = || {
        let sigma = (square / free).sqrt();
        NoiseEstimate {
            noise: Noise { sigma, correlated_share: 0.0, correlation_length: 0.0, degrees_of_freedom: free },
            covariance: &factor * factor.transpose() * (sigma * sigma),
        }
    };
    let Some(cells) = cells else { return plain() };
    let size = cells.size.max(points.iter().map(|q| q.coords.amax()).fold(0.0, f64::max) * 1e-3);
    if cells.means.len() < p + FEWEST_CONTRASTS || (square / n as f64).sqrt() <= ROUNDING * size {
        return plain();
    }
    weigh(&cells, &factor, free, settings).unwrap_or_else(plain)
}

/// `F` with `F·Fᵀ = (JᵀJ)⁻¹`, p×p.
fn root_of_inverse(jacobian: &DMatrix<f64>) -> DMatrix<f64> {
    let p = jacobian.ncols();
    let scale = DVector::from_fn(p, |j, _| match jacobian.column(j).norm() {
        norm if norm > 0.0 && norm.is_finite() => 1.0 / norm,
        _ => 1.0,
    });
    let mut normal = jacobian.tr_mul(jacobian);
    for j in 0..p {
        for i in 0..p {
            normal[(i, j)] *= scale[i] * scale[j];
        }
    }
    let eigen = normal.symmetric_eigen();
    let mut root = eigen.eigenvectors;
    for (j, &value) in eigen.eigenvalues.iter().enumerate() {
        root.column_mut(j).scale_mut(1.0 / value.max(SINGULAR).sqrt());
    }
    for i in 0..p {
        root.row_mut(i).scale_mut(scale[i]);
    }
    root
}

/// A run of rows close together, and where to cut it.
struct Run {
    from: usize,
    to: usize,
    extent: f64,
    axis: usize,
    middle: f64,
}

impl Run {
    fn new(from: usize, rows: &[(Point3, usize)]) -> Run {
        let mut low = [f64::INFINITY; 3];
        let mut high = [f64::NEG_INFINITY; 3];
        for (point, _) in rows {
            for (k, &x) in point.iter().enumerate() {
                low[k] = low[k].min(x);
                high[k] = high[k].max(x);
            }
        }
        let mut axis = 0;
        for k in 1..3 {
            if high[k] - low[k] > high[axis] - low[axis] {
                axis = k;
            }
        }
        let extent = high[axis] - low[axis];
        Run { from, to: from + rows.len(), extent, axis, middle: 0.5 * (low[axis] + high[axis]) }
    }
}

impl Ord for Run {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.extent.total_cmp(&other.extent).then(other.from.cmp(&self.from))
    }
}
impl PartialOrd for Run {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl PartialEq for Run {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}
impl Eq for Run {}

/// Count of rows and their mean-square distance from the cell's centre along each of two directions, mm².
struct Spread {
    count: f64,
    variance: f64,
}

/// What the mean over a cell is worth.
struct Mean {
    spread: Spread,
    centre: Point3,
    channel: usize,
    /// √count × mean residual.
    residual: f64,
    /// √count × mean row of the Jacobian.
    row: Vec<f64>,
}

/// Sums of squares of one size of cell about the next larger.
struct Inner {
    degrees: f64,
    square: f64,
}

struct Cells {
    means: Vec<Mean>,
    /// Cells of each size, the judged ones first, and last the single rows.
    sizes: Vec<Vec<Spread>>,
    /// Between each size and the next finer one.
    inner: Vec<Inner>,
    /// Typical distance between neighbouring cells, mm.
    spacing: f64,
    /// Of the whole patch, mm.
    size: f64,
}

impl Cells {
    /// Halves the longest run until there are `wanted` of them, then on to finer sizes.
    fn gather(points: &[Point3], residuals: &[f64], jacobian: &DMatrix<f64>, channels: usize, wanted: usize) -> Cells {
        let n = residuals.len();
        // The places go with the rows, so that halving reads memory in order.
        let mut order: Vec<(Point3, usize)> = (0..channels)
            .flat_map(|c| points.iter().enumerate().map(move |(i, point)| (*point, i * channels + c)))
            .collect();
        let each = n / channels;
        let mut heap: BinaryHeap<Run> =
            (0..channels).map(|c| Run::new(c * each, &order[c * each..(c + 1) * each])).collect();
        let size = heap.peek().map_or(0.0, |run| run.extent);
        let mut means = Vec::new();
        let mut sizes = Vec::new();
        let mut squares = Vec::new();
        for step in 0..3 {
            let target = wanted << (2 * step);
            if step > 0 && 2 * n < 3 * target {
                break;
            }
            while heap.len() < target {
                let Some(run) = heap.pop() else { break };
                if run.extent <= 0.0 {
                    heap.push(run);
                    break;
                }
                let rows = &mut order[run.from..run.to];
                let mut cut = 0;
                for i in 0..rows.len() {
                    // Swapped always: no branch to guess wrong.
                    rows.swap(i, cut);
                    cut += usize::from(rows[cut].0[run.axis] <= run.middle);
                }
                let (left, right) = rows.split_at(cut);
                if left.is_empty() || right.is_empty() {
                    // The middle fell on an end by rounding: as good as one place.
                    heap.push(Run { extent: 0.0, ..run });
                    continue;
                }
                let (left, right) = (|| Run::new(run.from, left), || Run::new(run.from + cut, right));
                let both = if run.to - run.from < MANY { (left(), right()) } else { rayon::join(left, right) };
                heap.extend([both.0, both.1]);
            }
            let mut runs: Vec<&Run> = heap.iter().collect();
            runs.sort_by_key(|run| run.from);
            let of = |run: &&Run| {
                let rows = &order[run.from..run.to];
                let count = rows.len() as f64;
                let centre = rows.iter().fold(Point3::origin(), |sum, (q, _)| sum + q.coords / count);
                let around: f64 = rows.iter().map(|(q, _)| (q - centre).norm_squared()).sum();
                let spread = || Spread { count, variance: around / (2.0 * count) };
                let residual = rows.iter().map(|&(_, r)| residuals[r]).sum::<f64>() / count.sqrt();
                let mean = (step == 0).then(|| {
                    let row = jacobian
                        .column_iter()
                        .map(|column| rows.iter().map(|&(_, r)| column[r]).sum::<f64>() / count.sqrt())
                        .collect();
                    Mean { spread: spread(), centre, channel: run.from / each, residual, row }
                });
                (spread(), residual, mean)
            };
            let least = if n < MANY { runs.len() } else { 1 };
            let found: Vec<_> = runs.par_iter().with_min_len(least).map(of).collect();
            let mut spreads = Vec::with_capacity(runs.len());
            let mut square = 0.0;
            for (spread, residual, mean) in found {
                square += residual * residual;
                spreads.push(spread);
                means.extend(mean);
            }
            sizes.push(spreads);
            squares.push(square);
        }
        squares.push(residuals.iter().map(|r| r * r).sum());
        let counts = sizes.iter().map(Vec::len).chain([n]).collect::<Vec<_>>();
        let inner = counts
            .windows(2)
            .zip(squares.windows(2))
            .map(|(c, s)| Inner { degrees: (c[1] - c[0]) as f64, square: (s[1] - s[0]).max(0.0) })
            .collect();
        let spacing = spacing(&means);
        Cells { means, sizes, inner, spacing, size }
    }

    /// For each size of cell, the rows' common variance that stays within the means, for a unit
    /// field: Σ nκ̄ over the cells, κ̄ the mean correlation of a cell's pairs (a row with itself too).
    fn held(&self, kernel: &Kernel) -> Vec<f64> {
        let mut held: Vec<f64> = self
            .sizes
            .iter()
            .map(|cells| cells.iter().map(|c| 1.0 + (c.count - 1.0) * kernel.between(0.0, 2.0 * c.variance)).sum())
            .collect();
        held.push(self.sizes[0].iter().map(|c| c.count).sum());
        held
    }
}

/// Mean distance from a cell to the nearest other, mm.
fn spacing(means: &[Mean]) -> f64 {
    let nearest = |a: &Mean| {
        means
            .iter()
            .filter(|b| b.channel == a.channel && !std::ptr::eq(*b, a))
            .map(|b| (b.centre - a.centre).norm_squared())
            .fold(f64::INFINITY, f64::min)
            .sqrt()
    };
    let (sum, count) =
        means.iter().map(nearest).filter(|d| d.is_finite()).fold((0.0, 0.0), |(s, c), d| (s + d, c + 1.0));
    if count > 0.0 { sum / count } else { 0.0 }
}

/// A correlation by distance.
struct Kernel {
    length: f64,
    /// Weight and squared length of each Gaussian it is made of.
    terms: Vec<(f64, f64)>,
}

impl Kernel {
    fn new(length: f64, shape: &[(f64, f64)]) -> Kernel {
        Kernel { length, terms: shape.iter().map(|&(w, t)| (w, (t * length).powi(2))).collect() }
    }

    /// Mean correlation of two clouds of points whose centres are √`square` apart and whose
    /// variances in each of the surface's two directions add up to `variance`.
    fn between(&self, square: f64, variance: f64) -> f64 {
        self.terms
            .iter()
            .map(|&(weight, length)| {
                let wide = length + variance;
                weight * length / wide * (-0.5 * square / wide).exp()
            })
            .sum()
    }
}

/// A kernel's covariance of the contrasts, ready for any strength.
struct Reduced {
    diagonal: Vec<f64>,
    off: Vec<f64>,
    /// The contrasts in the same coordinates.
    contrasts: Vec<f64>,
}

impl Reduced {
    /// Log-determinant of `I + ρT` and the contrasts' square by its inverse.
    fn at(&self, rho: f64) -> (f64, f64) {
        let mut log = 0.0;
        let mut square = 0.0;
        let mut carried = 0.0;
        let mut pivot = 1.0;
        for (k, (&d, &z)) in self.diagonal.iter().zip(&self.contrasts).enumerate() {
            let below = if k == 0 { 0.0 } else { rho * self.off[k - 1] };
            let share = below / pivot;
            // T is a covariance up to rounding and the cells' Gaussian outline, so no pivot is really below 1.
            pivot = (1.0 + rho * d - share * below).max(1e-3);
            carried = z - share * carried;
            log += pivot.ln();
            square += carried * carried / pivot;
        }
        (log, square)
    }
}

/// The lower triangle of a symmetric matrix, row by row.
struct Lower {
    order: usize,
    rows: Vec<f64>,
}

impl Lower {
    /// Replaces the block from `from` on by `H·A·H`, `H = I − 2vvᵀ`, `v` a unit vector over that block.
    fn reflect(&mut self, from: usize, v: &[f64], work: &mut [f64]) {
        let m = self.order;
        let work = &mut work[..m - from];
        work.fill(0.0);
        for i in 0..m - from {
            let row = &self.rows[(i + from) * m + from..(i + from) * m + from + i + 1];
            let (own, before) = (row[i], &row[..i]);
            let mut sums = [0.0; 4];
            let mut chunks = before.chunks_exact(4).zip(v.chunks_exact(4)).zip(work.chunks_exact_mut(4));
            for ((a, x), w) in &mut chunks {
                for k in 0..4 {
                    sums[k] += a[k] * x[k];
                    w[k] += a[k] * v[i];
                }
            }
            let mut sum = sums[0] + sums[1] + sums[2] + sums[3] + own * v[i];
            for j in i / 4 * 4..i {
                sum += before[j] * v[j];
                work[j] += before[j] * v[i];
            }
            work[i] += sum;
        }
        let along: f64 = work.iter().zip(v).map(|(w, x)| w * x).sum();
        for (w, x) in work.iter_mut().zip(v) {
            *w = 2.0 * (*w - along * x);
        }
        for i in 0..m - from {
            let (vi, wi) = (v[i], work[i]);
            let row = &mut self.rows[(i + from) * m + from..(i + from) * m + from + i + 1];
            for ((a, x), w) in row.iter_mut().zip(v).zip(work.iter()) {
                *a -= vi * w + wi * x;
            }
        }
    }
}

/// The unit vector whose reflection turns `x` onto the first axis, with the length it gets there;
/// `None` if `x` is already there.
fn reflector(x: &[f64]) -> Option<(Vec<f64>, f64)> {
    let rest: f64 = x.iter().skip(1).map(|a| a * a).sum();
    if rest <= 0.0 || !rest.is_finite() {
        return None;
    }
    let norm = (x[0] * x[0] + rest).sqrt();
    let end = if x[0] > 0.0 { -norm } else { norm };
    let mut v = x.to_vec();
    v[0] -= end;
    let length = (v[0] * v[0] + rest).sqrt();
    v.iter_mut().for_each(|a| *a /= length);
    Some((v, end))
}

fn reflect_vector(x: &mut [f64], v: &[f64]) {
    let along = 2.0 * x.iter().zip(v).map(|(a, b)| a * b).sum::<f64>();
    x.iter_mut().zip(v).for_each(|(a, b)| *a -= along * b);
}

/// The reflections that gather all a parameter can explain in the first p coordinates.
fn explained(cells: &Cells, p: usize) -> Vec<Vec<f64>> {
    let m = cells.means.len();
    let mut columns: Vec<Vec<f64>> = (0..p).map(|j| cells.means.iter().map(|c| c.row[j]).collect()).collect();
    let mut reflections = Vec::with_capacity(p);
    for j in 0..p {
        let v = reflector(&columns[j][j..]).map_or_else(|| vec![0.0; m - j], |(v, _)| v);
        for column in &mut columns[j..] {
            reflect_vector(&mut column[j..], &v);
        }
        reflections.push(v);
    }
    reflections
}

/// Reduces a kernel's covariance of the cell means to its contrasts, tridiagonal.
fn reduce(mut covariance: Lower, reflections: &[Vec<f64>], residuals: &[f64]) -> Reduced {
    let m = covariance.order;
    let p = reflections.len();
    let mut work = vec![0.0; m];
    let mut z = residuals.to_vec();
    for (j, v) in reflections.iter().enumerate() {
        covariance.reflect(j, v, &mut work);
        reflect_vector(&mut z[j..], v);
    }
    let mut diagonal = Vec::with_capacity(m - p);
    let mut off = Vec::with_capacity(m - p);
    for c in p..m {
        diagonal.push(covariance.rows[c * m + c]);
        if c + 1 == m {
            break;
        }
        let column: Vec<f64> = (c + 1..m).map(|i| covariance.rows[i * m + c]).collect();
        match reflector(&column) {
            Some((v, end)) => {
                off.push(end);
                covariance.reflect(c + 1, &v, &mut work);
                reflect_vector(&mut z[c + 1..], &v);
            }
            None => off.push(column[0]),
        }
    }
    Reduced { diagonal, off, contrasts: z.split_off(p) }
}

/// A model of the noise and what speaks for it.
struct Weighed {
    /// Index of its kernel; none for white noise.
    kernel: Option<usize>,
    rho: f64,
    /// White variance, mm².
    white: f64,
    /// Logarithm of the posterior weight, then the weight.
    weight: f64,
}

/// A kernel's share in the covariance, `F·(I + ρM)·Fᵀ`, by the eigenvectors of `M`.
struct Spreading {
    length: f64,
    values: Vec<f64>,
    vectors: DMatrix<f64>,
}

fn weigh(cells: &Cells, factor: &DMatrix<f64>, free: f64, settings: &NoiseSettings) -> Option<NoiseEstimate> {
    let p = factor.nrows();
    let m = cells.means.len();
    let reflections = explained(cells, p);
    let residuals: Vec<f64> = cells.means.iter().map(|c| c.residual).collect();
    let rows = DMatrix::from_fn(m, p, |i, j| cells.means[i].row[j]) * factor;
    // Each inner sum as if it had the degrees of freedom it may count for.
    let inner: Vec<Inner> = cells
        .inner
        .iter()
        .map(|inner| {
            let weight = settings.inner_weight.min(settings.inner_most / inner.degrees.max(1.0));
            Inner { degrees: weight * inner.degrees, square: weight * inner.square }
        })
        .collect();
    let degrees = (m - p) as f64 + inner.iter().map(|i| i.degrees).sum::<f64>();

    let mut models = Vec::with_capacity(1 + 2 * LENGTHS * STRENGTHS);
    let mut kernels = Vec::with_capacity(2 * LENGTHS);
    let white_square = {
        let mut z = residuals.clone();
        for (j, v) in reflections.iter().enumerate() {
            reflect_vector(&mut z[j..], v);
        }
        z[p..].iter().map(|x| x * x).sum::<f64>() + inner.iter().map(|i| i.square).sum::<f64>()
    };
    models.push(Weighed {
        kernel: None,
        rho: 0.0,
        white: white_square / degrees,
        weight: settings.white.ln() - 0.5 * degrees * white_square.ln(),
    });
    let families = [(&GAUSSIAN[..], 1.0 - settings.exponential), (&EXPONENTIAL[..], settings.exponential)];
    for (shape, prior) in families {
        let prior = ((1.0 - settings.white) * prior / (LENGTHS * STRENGTHS) as f64).ln();
        for k in 0..LENGTHS {
            let kernel = Kernel::new(cells.spacing * SHORTEST * LENGTH_STEP.powi(k as i32), shape);
            let covariance = of_means(&cells.means, &kernel);
            kernels.push(spreading(&covariance, &rows, kernel.length));
            let reduced = reduce(covariance, &reflections, &residuals);
            let held = cells.held(&kernel);
            let lost: Vec<f64> = held
                .windows(2)
                .zip(&cells.inner)
                .map(|(h, inner)| if inner.degrees > 0.0 { ((h[1] - h[0]) / inner.degrees).max(0.0) } else { 0.0 })
                .collect();
            // What the correlated part adds to a contrast beside the white part's 1.
            let trace: f64 = reduced.diagonal.iter().sum();
            let norm: f64 = reduced.diagonal.iter().map(|d| d * d).sum::<f64>()
                + 2.0 * reduced.off.iter().map(|e| e * e).sum::<f64>();
            for s in 0..STRENGTHS {
                let rho = WEAKEST * STRENGTH_STEP.powi(s as i32) * trace / norm;
                let (mut log, mut square) = reduced.at(rho);
                for (inner, lost) in inner.iter().zip(&lost) {
                    let variance = 1.0 + rho * lost;
                    log += inner.degrees * variance.ln();
                    square += inner.square / variance;
                }
                models.push(Weighed {
                    kernel: Some(kernels.len() - 1),
                    rho,
                    white: square / degrees,
                    weight: prior - 0.5 * log - 0.5 * degrees * square.ln(),
                });
            }
        }
    }
    models.retain(|model| model.weight.is_finite() && model.white > 0.0 && model.rho.is_finite());
    average(models, &kernels, factor, degrees, free)
}

/// √(nᵢnⱼ) × the mean correlation of each pair of cells.
fn of_means(means: &[Mean], kernel: &Kernel) -> Lower {
    let m = means.len();
    let mut rows = vec![0.0; m * m];
    for (i, a) in means.iter().enumerate() {
        for (j, b) in means[..i].iter().enumerate() {
            if a.channel == b.channel {
                let between =
                    kernel.between((a.centre - b.centre).norm_squared(), a.spread.variance + b.spread.variance);
                rows[i * m + j] = (a.spread.count * b.spread.count).sqrt() * between;
            }
        }
        rows[i * m + i] = 1.0 + (a.spread.count - 1.0) * kernel.between(0.0, 2.0 * a.spread.variance);
    }
    Lower { order: m, rows }
}

/// `M = Fᵀ·J̄ᵀKJ̄·F`, decomposed; `rows` is `J̄F`.
fn spreading(covariance: &Lower, rows: &DMatrix<f64>, length: f64) -> Spreading {
    let (m, p) = rows.shape();
    let mut sum = DMatrix::zeros(p, p);
    let mut half = vec![0.0; p];
    for i in 0..m {
        // The lower triangle with half the diagonal is half of the whole.
        let row = &covariance.rows[i * m..i * m + i + 1];
        for (j, h) in half.iter_mut().enumerate() {
            let column = rows.column(j);
            *h = row[..i].iter().zip(column.iter()).map(|(a, b)| a * b).sum::<f64>() + 0.5 * row[i] * column[i];
        }
        for a in 0..p {
            for b in 0..p {
                sum[(a, b)] += rows[(i, a)] * half[b];
            }
        }
    }
    let eigen = (&sum + sum.transpose()).symmetric_eigen();
    Spreading {
        length,
        values: eigen.eigenvalues.iter().map(|v: &f64| v.max(0.0)).collect(),
        vectors: eigen.eigenvectors,
    }
}

/// The models' inverse covariances, averaged by weight, and how far they agree.
fn average(
    mut models: Vec<Weighed>,
    kernels: &[Spreading],
    factor: &DMatrix<f64>,
    degrees: f64,
    free: f64,
) -> Option<NoiseEstimate> {
    let p = factor.nrows();
    let best = models.iter().map(|m| m.weight).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = models.iter().map(|m| (m.weight - best).exp()).sum();
    models.iter_mut().for_each(|m| m.weight = (m.weight - best).exp() / total);
    // Everything in the coordinates where white noise of unit variance has unit covariance.
    let mut inverse = DMatrix::zeros(p, p);
    let mut by_kernel = vec![vec![0.0; p]; kernels.len()];
    for model in &models {
        let weight = model.weight / model.white;
        match model.kernel {
            None => (0..p).for_each(|i| inverse[(i, i)] += weight),
            Some(k) => {
                for (sum, value) in by_kernel[k].iter_mut().zip(&kernels[k].values) {
                    *sum += weight / (1.0 + model.rho * value);
                }
            }
        }
    }
    for (kernel, sums) in kernels.iter().zip(&by_kernel) {
        let vectors = &kernel.vectors;
        inverse += vectors * DMatrix::from_diagonal(&DVector::from_column_slice(sums)) * vectors.transpose();
    }
    let covariance = inverse.try_inverse()?;
    // Each model's mean precision relative to the average one: mean 1, and its scatter tells ν.
    let inner: Vec<Vec<f64>> = kernels
        .iter()
        .map(|kernel| kernel.vectors.column_iter().map(|v| (v.transpose() * &covariance * v)[(0, 0)]).collect())
        .collect();
    let trace = covariance.trace();
    let mut scatter = 0.0;
    let mut correlated = 0.0;
    let (mut share, mut length, mut precision) = (0.0, 0.0, 0.0);
    for model in &models {
        let relative = match model.kernel {
            None => trace,
            Some(k) => inner[k].iter().zip(&kernels[k].values).map(|(c, value)| c / (1.0 + model.rho * value)).sum(),
        } / (p as f64 * model.white);
        scatter += model.weight * relative * relative;
        let own_share = model.rho / (1.0 + model.rho);
        precision += model.weight / (model.white * (1.0 + model.rho));
        if let Some(k) = model.kernel {
            correlated += model.weight;
            share += model.weight * own_share;
            length += model.weight * own_share * kernels[k].length;
        }
    }
    // A variance estimated with ν degrees of freedom has a precision that scatters by 2/ν of its square.
    let scatter = scatter * (1.0 + 2.0 / degrees) - 1.0;
    let degrees_of_freedom = (2.0 / scatter.max(2.0 / free)).clamp(1.0, free);
    let seen = correlated > 0.5 && share > 0.0;
    let covariance = factor * covariance * factor.transpose();
    let covariance = (&covariance + covariance.transpose()) * 0.5;
    covariance.iter().all(|x| x.is_finite()).then(|| NoiseEstimate {
        noise: Noise {
            sigma: precision.recip().sqrt(),
            correlated_share: if seen { share } else { 0.0 },
            correlation_length: if seen { length / share } else { 0.0 },
            degrees_of_freedom,
        },
        covariance,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Standard normal numbers: a multiplicative congruential generator (Lehmer, 2³¹ − 1, 48271)
    /// and the Box–Muller transform.
    struct Normal(u64);

    impl Normal {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0 * 48271 % 2_147_483_647;
            self.0 as f64 / 2_147_483_647.0
        }
        fn next(&mut self) -> f64 {
            (-2.0 * self.uniform().ln()).sqrt() * (TAU * self.uniform()).cos()
        }
    }

    /// Points over two opposed 90° arcs of a bore R 7, L 20, and the Jacobian of a cylinder there.
    fn bore(n: usize, random: &mut Normal) -> (Vec<Point3>, DMatrix<f64>) {
        let at: Vec<(f64, f64)> = (0..n)
            .map(|i| {
                let angle = TAU / 4.0 * (random.uniform() - 0.5) + if i % 2 == 0 { 0.0 } else { TAU / 2.0 };
                (angle, 20.0 * (random.uniform() - 0.5))
            })
            .collect();
        let points = at.iter().map(|&(a, z)| Point3::new(7.0 * a.cos(), 7.0 * a.sin(), z)).collect();
        let jacobian = DMatrix::from_fn(n, 5, |i, j| {
            let (a, z) = at[i];
            [-a.cos(), -a.sin(), -z * a.cos(), -z * a.sin(), -1.0][j]
        });
        (points, jacobian)
    }

    /// What least squares leaves of errors.
    fn left(jacobian: &DMatrix<f64>, errors: &[f64]) -> Vec<f64> {
        let errors = DVector::from_column_slice(errors);
        let solution = (jacobian.transpose() * jacobian).try_inverse().unwrap() * jacobian.tr_mul(&errors);
        (errors - jacobian * solution).iter().copied().collect()
    }

    #[test]
    fn a_reduced_model_gives_the_restricted_likelihood() {
        let mut random = Normal(7);
        let (points, jacobian) = bore(300, &mut random);
        let residuals = left(&jacobian, &(0..300).map(|_| random.next()).collect::<Vec<_>>());
        let cells = Cells::gather(&points, &residuals, &jacobian, 1, 40);
        let means: Vec<f64> = cells.means.iter().map(|c| c.residual).collect();
        let kernel = Kernel::new(2.0, &EXPONENTIAL);
        let reduced = reduce(of_means(&cells.means, &kernel), &explained(&cells, 5), &means);
        let rho = 0.7;
        let (log, square) = reduced.at(rho);
        // The textbook form: log|V| + log|YᵀV⁻¹Y| − log|YᵀY| and yᵀ(V⁻¹ − V⁻¹Y(YᵀV⁻¹Y)⁻¹YᵀV⁻¹)y.
        let m = means.len();
        let lower = of_means(&cells.means, &kernel);
        let v = DMatrix::from_fn(m, m, |i, j| f64::from(u8::from(i == j)) + rho * lower.rows[i.max(j) * m + i.min(j)]);
        let y = DMatrix::from_fn(m, 5, |i, j| cells.means[i].row[j]);
        let z = DVector::from_vec(means);
        let inverse = v.clone().try_inverse().unwrap();
        let weighted = y.transpose() * &inverse * &y;
        let expected = v.determinant().ln() + weighted.determinant().ln() - (y.transpose() * &y).determinant().ln();
        let carried = y.transpose() * &inverse * &z;
        let rest = (z.transpose() * &inverse * &z)[(0, 0)]
            - (carried.transpose() * weighted.try_inverse().unwrap() * &carried)[(0, 0)];
        assert!((log - expected).abs() < 1e-9 * expected.abs(), "{log} {expected}");
        assert!((square - rest).abs() < 1e-9 * rest, "{square} {rest}");
    }

    #[test]
    fn white_noise_is_left_alone() {
        let mut random = Normal(11);
        let mut ratios = Vec::new();
        for _ in 0..40 {
            let (points, jacobian) = bore(2000, &mut random);
            let residuals = left(&jacobian, &(0..2000).map(|_| 0.03 * random.next()).collect::<Vec<_>>());
            let found = estimate(&points, &residuals, &jacobian, &NoiseSettings::default());
            let plain = (jacobian.transpose() * &jacobian).try_inverse().unwrap() * 0.03_f64.powi(2);
            ratios.push((found.covariance[(2, 2)] / plain[(2, 2)]).sqrt());
            assert!((found.noise.sigma / 0.03 - 1.0).abs() < 0.1, "{:?}", found.noise);
        }
        ratios.sort_by(f64::total_cmp);
        assert!((ratios[20] - 1.0).abs() < 0.06, "{ratios:?}");
        assert!(ratios[35] < 1.4, "{ratios:?}");
    }

    #[test]
    fn a_shared_bump_widens_the_covariance() {
        // Bumps 1 mm wide strewn over the bore: a field correlated over √2 mm.
        let mut random = Normal(3);
        let (points, jacobian) = bore(2000, &mut random);
        let bumps: Vec<(Point3, f64)> = (0..400).map(|i| (points[i * 5], 0.02 * random.next())).collect();
        let errors: Vec<f64> = points
            .iter()
            .map(|q| {
                let shared: f64 = bumps.iter().map(|(c, h)| h * (-0.5 * (q - c).norm_squared()).exp()).sum();
                shared + 0.02 * random.next()
            })
            .collect();
        let found = estimate(&points, &left(&jacobian, &errors), &jacobian, &NoiseSettings::default());
        let plain = (jacobian.transpose() * &jacobian).try_inverse().unwrap() * found.noise.sigma.powi(2);
        assert!(
            found.noise.correlated_share > 0.3 && (0.7..3.0).contains(&found.noise.correlation_length),
            "{:?}",
            found.noise
        );
        assert!(found.covariance[(2, 2)] > 4.0 * plain[(2, 2)]);
        assert!(found.noise.degrees_of_freedom < 200.0, "{:?}", found.noise);
    }

    #[test]
    fn few_points_give_the_plain_covariance() {
        let mut random = Normal(5);
        for n in 6..40 {
            let (points, jacobian) = bore(n, &mut random);
            let residuals = left(&jacobian, &(0..n).map(|_| 0.03 * random.next()).collect::<Vec<_>>());
            let found = estimate(&points, &residuals, &jacobian, &NoiseSettings::default());
            assert!(found.covariance.iter().all(|x| x.is_finite()), "{n}: {found:?}");
            assert!(found.noise.degrees_of_freedom >= 1.0 && found.noise.degrees_of_freedom <= (n - 5) as f64);
            if n < 11 {
                assert_eq!(found.noise.degrees_of_freedom, (n - 5) as f64);
                assert_eq!(found.noise.correlated_share, 0.0);
            }
        }
    }

    #[test]
    fn perfect_data_and_free_directions_stay_finite() {
        let mut random = Normal(9);
        let (points, jacobian) = bore(500, &mut random);
        let perfect = estimate(&points, &vec![0.0; 500], &jacobian, &NoiseSettings::default());
        assert!(perfect.covariance.iter().all(|x| *x == 0.0) && perfect.noise.sigma == 0.0);
        // A column that repeats another leaves their difference free.
        let twice = jacobian.clone().insert_column(5, 0.0);
        let twice = DMatrix::from_fn(500, 6, |i, j| if j == 5 { twice[(i, 0)] } else { twice[(i, j)] });
        let errors: Vec<f64> = (0..500).map(|_| 0.03 * random.next()).collect();
        let free = estimate(&points, &left(&jacobian, &errors), &twice, &NoiseSettings::default());
        assert!(free.covariance.iter().all(|x| x.is_finite()));
        assert!(free.covariance[(0, 0)] > 1.0 && free.covariance[(2, 2)] < 1e-3, "{}", free.covariance);
        // No points, and more parameters than residuals.
        let none = estimate(&[], &[], &DMatrix::zeros(0, 3), &NoiseSettings::default());
        assert!(none.covariance.iter().all(|x| x.is_finite()));
        // All on one spot.
        let spot = vec![Point3::origin(); 500];
        let found = estimate(&spot, &left(&jacobian, &errors), &jacobian, &NoiseSettings::default());
        assert!(found.covariance.iter().all(|x| x.is_finite()) && found.noise.sigma > 0.0);
    }

    #[test]
    fn the_two_residuals_of_a_place_count_apart() {
        // Two fields that err independently at the same places: the variance of a parameter that
        // only one of them tells is that of this one alone.
        let mut random = Normal(13);
        let (points, one) = bore(1000, &mut random);
        let errors: Vec<f64> = points.iter().map(|q| 0.03 * (1.7 * q.z).sin() + 0.02 * random.next()).collect();
        let first = left(&one, &errors);
        let both = DMatrix::from_fn(2000, 5, |i, j| if i % 2 == 0 { one[(i / 2, j)] } else { 0.0 });
        let twice: Vec<f64> = (0..2000).map(|i| first[i / 2]).collect();
        let settings = NoiseSettings { cells: 192, ..NoiseSettings::default() };
        let pair = estimate(&points, &twice, &both, &settings);
        let single = estimate(&points, &first, &one, &NoiseSettings::default());
        let ratio = (pair.covariance[(2, 2)] / single.covariance[(2, 2)]).sqrt();
        assert!((0.8..1.2).contains(&ratio), "{ratio}");
    }

    #[test]
    #[ignore = "a measurement, run by hand: cargo test --release -p stringline-fit -- --ignored --nocapture time_of"]
    fn time_of_an_estimate() {
        for n in [2000, 20_000, 100_000] {
            let mut random = Normal(17);
            let (points, jacobian) = bore(n, &mut random);
            let residuals = left(&jacobian, &(0..n).map(|_| 0.03 * random.next()).collect::<Vec<_>>());
            let mut best = f64::INFINITY;
            for _ in 0..10 {
                let start = std::time::Instant::now();
                std::hint::black_box(estimate(&points, &residuals, &jacobian, &NoiseSettings::default()));
                best = best.min(start.elapsed().as_secs_f64());
            }
            eprintln!("{n} points: {:.2} ms", best * 1e3);
        }
    }
}
