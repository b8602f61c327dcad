//! What the hardpoints' uncertainty does to every curve.
//!
//! Linear propagation (JCGM 100, 5.1; JCGM 102, 6.2): u²(y) = Σ Jₛ·Cₛ·Jₛᵀ over the hardpoints s, which are taken as
//! independent of one another; Jₛ are derivatives of the whole curve by the hardpoint's coordinates, central differences
//! of a closure that is exact to rounding. A making tolerance ±a is a rectangular distribution in each coordinate, u = a/√3
//! (JCGM 100, 4.3.7).
//!
//! What is varied: a measured hardpoint varies the car as found, and with it every link's length; the variant's moves
//! are then made on that car. A tolerance varies a point of the finished variant, with toe set again as on the
//! alignment bench.
//!
//! The same by simulation (JCGM 101): coordinates drawn from their distributions (measured ones normal with their covariance), the curve computed for each, mean and
//! the probabilistically symmetric 95 % interval of the results.

use crate::axle::{Axle, AxleMeasures, State};
use crate::corner::Held;
use crate::error::{GeometryError, SolveError};
use crate::geometry::{AxleGeometry, CornerGeometry, Upper};
use crate::measured::{CORNER, Measured};
use crate::moves::{Variant, VariantError, geometry_of, made_within};
use crate::quantity::Quantity;
use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;
use stringline_core::covariance::coverage_factor;
use stringline_core::{Explain, Point3, Vec3};
use stringline_hardpoints::{Role, Side};

/// Steps of the central differences, mm and (of a direction) one: small against any curvature of a car, large against
/// rounding.
const STEP: [f64; 2] = [1e-3, 1e-6];

/// A making tolerance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    /// The point that is made.
    pub role: Role,
    /// On which side; both where `None`, each on its own.
    pub side: Option<Side>,
    /// ±, mm, in each coordinate.
    pub half_width: f64,
}

/// What is asked: a variant's curves over a sweep of states.
#[derive(Clone, Copy, Debug)]
pub struct TrustQuestion<'a> {
    /// The car as measured, with its covariances.
    pub measured: &'a Measured,
    /// The variants.
    pub variants: &'a [Variant],
    /// The variant asked about.
    pub variant: &'a str,
    /// The states, in the order of a sweep.
    pub states: &'a [State],
    /// The height held.
    pub held: Held,
    /// The curves.
    pub quantities: &'a [(Quantity, Side)],
    /// Making tolerances, each in place of what the variant itself says of that point.
    pub tolerances: &'a [Tolerance],
}

/// A curve with its uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct Band {
    /// What.
    pub quantity: Quantity,
    /// Of which corner.
    pub side: Side,
    /// At each state; `None` where it is undefined.
    pub values: Vec<Option<f64>>,
    /// Standard uncertainty at each state.
    pub standard: Vec<Option<f64>>,
    /// Expanded uncertainty at 95 % at each state, k from Student's t with the effective degrees of freedom
    /// (Welch–Satterthwaite, JCGM 100, G.4.1).
    pub u95: Vec<Option<f64>>,
    /// Which hardpoint's uncertainty matters most, the largest first.
    pub shares: Vec<Share>,
}

/// One source's part in a curve's uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// The hardpoint.
    pub role: Role,
    /// Its side.
    pub side: Side,
    /// Whether it is a making tolerance rather than a measured point's uncertainty.
    pub tolerance: bool,
    /// Part of the variance, summed over the states, 0 to 1.
    pub share: f64,
    /// Root-mean-square standard uncertainty it alone gives the curve.
    pub standard: f64,
}

/// The same by simulation.
#[derive(Clone, Debug, PartialEq)]
pub struct Simulated {
    /// What.
    pub quantity: Quantity,
    /// Of which corner.
    pub side: Side,
    /// Mean at each state.
    pub mean: Vec<Option<f64>>,
    /// Standard deviation at each state.
    pub standard: Vec<Option<f64>>,
    /// Lower and upper end of the 95 % interval at each state.
    pub interval: Vec<Option<[f64; 2]>>,
    /// Draws for which the car could not be put together or solved: left out.
    pub failed: usize,
}

/// Why there is no band.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TrustError {
    /// The car as found makes no mechanism.
    #[error(transparent)]
    Geometry(#[from] GeometryError),
    /// The variant cannot be made.
    #[error(transparent)]
    Variant(#[from] VariantError),
    /// A state of the sweep cannot be reached.
    #[error(transparent)]
    Solve(#[from] SolveError),
    /// No hardpoint has a covariance and no tolerance is given.
    #[error("no hardpoint has an uncertainty and no making tolerance is given")]
    NothingKnown,
    /// A tolerance makes no sense.
    #[error("a tolerance of ±{half_width} mm on {} cannot be used", .role.words())]
    BadTolerance {
        /// The point.
        role: Role,
        /// mm.
        half_width: f64,
    },
}

impl Explain for TrustError {
    fn next_step(&self) -> std::borrow::Cow<'static, str> {
        match self {
            TrustError::Geometry(e) => e.next_step(),
            TrustError::Variant(e) => e.next_step(),
            TrustError::Solve(e) => e.next_step(),
            TrustError::NothingKnown => "Fit the hardpoints from scans, or give a tolerance.".into(),
            TrustError::BadTolerance { .. } => "Give a length over zero, on a point that the corner is made of.".into(),
        }
    }
}

/// One independent cause of uncertainty.
struct Source {
    role: Role,
    side: Side,
    /// Index among the measured points, or a tolerance.
    point: Option<usize>,
    covariance: DMatrix<f64>,
    /// Square root of the covariance; for a tolerance the half width.
    root: DMatrix<f64>,
    degrees_of_freedom: f64,
}

/// The bands of every curve asked for, by linear propagation.
///
/// # Errors
/// [`TrustError`].
pub fn bands(question: &TrustQuestion<'_>) -> Result<Vec<Band>, TrustError> {
    let sources = sources(question)?;
    let nominal = perturbed(question, &[])?;
    let (count, states) = (question.quantities.len(), question.states.len());
    // Derivatives by every coordinate of every source, column by column, on all cores in a fixed order.
    let columns: Vec<(usize, usize)> = sources
        .iter()
        .enumerate()
        .flat_map(|(s, source)| (0..source.covariance.nrows()).map(move |i| (s, i)))
        .collect();
    let derivatives = columns
        .par_iter()
        .map(|&(s, i)| {
            let step = if i < 3 { STEP[0] } else { STEP[1] };
            let at = |by: f64| {
                let mut delta = vec![0.0; sources[s].covariance.nrows()];
                delta[i] = by;
                perturbed(question, &[(&sources[s], &delta)])
            };
            let (up, down) = (at(step)?, at(-step)?);
            let difference = |(a, b): (&Option<f64>, &Option<f64>)| Some(((*a)? - (*b)?) / (2.0 * step));
            Ok(up.iter().zip(&down).map(difference).collect::<Vec<Option<f64>>>())
        })
        .collect::<Result<Vec<_>, TrustError>>()?;
    let mut bands = Vec::with_capacity(count);
    for (q, &(quantity, side)) in question.quantities.iter().enumerate() {
        let values: Vec<Option<f64>> = nominal[q * states..(q + 1) * states].to_vec();
        let mut variances = vec![vec![0.0_f64; states]; sources.len()];
        let mut known = vec![true; states];
        for (s, source) in sources.iter().enumerate() {
            let mine: Vec<&Vec<Option<f64>>> =
                columns.iter().zip(&derivatives).filter(|((of, _), _)| *of == s).map(|(_, d)| d).collect();
            for state in 0..states {
                let row: Option<Vec<f64>> = mine.iter().map(|d| d[q * states + state]).collect();
                match row {
                    Some(row) => {
                        let j = DMatrix::from_row_slice(1, row.len(), &row);
                        variances[s][state] = (&j * &source.covariance * j.transpose())[(0, 0)].max(0.0);
                    }
                    None => known[state] = false,
                }
            }
        }
        let total: Vec<f64> = (0..states).map(|i| variances.iter().map(|v| v[i]).sum()).collect();
        let standard: Vec<Option<f64>> =
            (0..states).map(|i| (known[i] && values[i].is_some()).then(|| total[i].sqrt())).collect();
        let u95 = (0..states)
            .map(|i| {
                let squares: f64 =
                    variances.iter().zip(&sources).map(|(v, s)| v[i] * v[i] / s.degrees_of_freedom).sum();
                let nu = if squares > 0.0 { total[i] * total[i] / squares } else { f64::INFINITY };
                standard[i].map(|u| u * coverage_factor(1, nu))
            })
            .collect();
        let all: f64 = total.iter().sum();
        let mut shares: Vec<Share> = sources
            .iter()
            .zip(&variances)
            .map(|(s, v)| {
                let sum: f64 = v.iter().sum();
                Share {
                    role: s.role,
                    side: s.side,
                    tolerance: s.point.is_none(),
                    share: if all > 0.0 { sum / all } else { 0.0 },
                    standard: (sum / states.max(1) as f64).sqrt(),
                }
            })
            .collect();
        shares.sort_by(|a, b| b.share.total_cmp(&a.share));
        bands.push(Band { quantity, side, values, standard, u95, shares });
    }
    Ok(bands)
}

/// A number of the car with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Standard uncertainty, in the number's unit.
    pub standard: f64,
    /// Effective degrees of freedom (Welch–Satterthwaite, JCGM 100, G.4.1).
    pub degrees_of_freedom: f64,
}

/// The uncertainty of any number that follows from a variant's geometry, from that of the hardpoints, by linear propagation
/// as in [`bands`]. The question's states and quantities are of no matter.
///
/// # Errors
/// [`TrustError`]; where `value` has no answer, its own.
pub fn spread_of(
    question: &TrustQuestion<'_>,
    value: &(dyn Fn(&AxleGeometry) -> Result<f64, TrustError> + Sync),
) -> Result<Spread, TrustError> {
    let sources = sources(question)?;
    let parts = sources
        .par_iter()
        .map(|source| {
            let n = source.covariance.nrows();
            let slope = |i: usize| {
                let step = if i < 3 { STEP[0] } else { STEP[1] };
                let at = |by: f64| {
                    let mut delta = vec![0.0; n];
                    delta[i] = by;
                    value(&moved_geometry(question, &[(source, &delta)])?)
                };
                Ok((at(step)? - at(-step)?) / (2.0 * step))
            };
            let row = (0..n).map(slope).collect::<Result<Vec<f64>, TrustError>>()?;
            let j = DMatrix::from_row_slice(1, n, &row);
            Ok(((&j * &source.covariance * j.transpose())[(0, 0)].max(0.0), source.degrees_of_freedom))
        })
        .collect::<Result<Vec<(f64, f64)>, TrustError>>()?;
    let total: f64 = parts.iter().map(|p| p.0).sum();
    let fourth: f64 = parts.iter().map(|(v, nu)| v * v / nu).sum();
    let degrees_of_freedom = if fourth > 0.0 { total * total / fourth } else { f64::INFINITY };
    Ok(Spread { standard: total.sqrt(), degrees_of_freedom })
}

/// The same curves by simulation with `samples` draws; a seed gives the same draws on any number of cores.
///
/// # Errors
/// [`TrustError`].
pub fn simulate(question: &TrustQuestion<'_>, samples: usize, seed: u64) -> Result<Vec<Simulated>, TrustError> {
    let sources = sources(question)?;
    perturbed(question, &[])?;
    let drawn: Vec<Option<Vec<Option<f64>>>> = (0..samples)
        .into_par_iter()
        .map(|sample| {
            // A stream of its own for every draw, so that the order of work is of no matter.
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(sample as u64);
            let deltas: Vec<Vec<f64>> = sources
                .iter()
                .map(|s| {
                    let n = s.covariance.nrows();
                    if s.point.is_none() {
                        return (0..n).map(|i| rng.random_range(-1.0..=1.0) * s.root[(i, i)]).collect();
                    }
                    let z = DMatrix::from_fn(n, 1, |_, _| rng.sample::<f64, _>(StandardNormal));
                    (&s.root * z).iter().copied().collect()
                })
                .collect();
            let pairs: Vec<(&Source, &[f64])> = sources.iter().zip(deltas.iter().map(Vec::as_slice)).collect();
            perturbed(question, &pairs).ok()
        })
        .collect();
    let failed = drawn.iter().filter(|d| d.is_none()).count();
    let drawn: Vec<Vec<Option<f64>>> = drawn.into_iter().flatten().collect();
    let states = question.states.len();
    Ok(question
        .quantities
        .iter()
        .enumerate()
        .map(|(q, &(quantity, side))| {
            let mut result =
                Simulated { quantity, side, mean: Vec::new(), standard: Vec::new(), interval: Vec::new(), failed };
            for state in 0..states {
                let mut values: Vec<f64> = drawn.iter().filter_map(|d| d[q * states + state]).collect();
                // Undefined in some draws: no honest figure can be given.
                if values.len() < drawn.len() || values.len() < 2 {
                    result.mean.push(None);
                    result.standard.push(None);
                    result.interval.push(None);
                    continue;
                }
                values.sort_by(f64::total_cmp);
                let n = values.len() as f64;
                let mean = values.iter().sum::<f64>() / n;
                let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0);
                result.mean.push(Some(mean));
                result.standard.push(Some(variance.sqrt()));
                result.interval.push(Some([quantile(&values, 0.025), quantile(&values, 0.975)]));
            }
            result
        })
        .collect())
}

/// A quantile of sorted values, between neighbours in proportion.
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let at = p * (sorted.len() - 1) as f64;
    let low = at.floor() as usize;
    let high = (low + 1).min(sorted.len() - 1);
    sorted[low] + (sorted[high] - sorted[low]) * (at - low as f64)
}

fn sources(question: &TrustQuestion<'_>) -> Result<Vec<Source>, TrustError> {
    let mut sources = Vec::new();
    for (index, point) in question.measured.points.iter().enumerate() {
        let Some(covariance) = &point.covariance else { continue };
        if covariance.iter().all(|v| *v == 0.0) || !matters(point.role) {
            continue;
        }
        let eigen = covariance.clone().symmetric_eigen();
        let mut root = eigen.eigenvectors.clone();
        for (i, value) in eigen.eigenvalues.iter().enumerate() {
            root.column_mut(i).scale_mut(value.max(0.0).sqrt());
        }
        sources.push(Source {
            role: point.role,
            side: point.side,
            point: Some(index),
            covariance: covariance.clone(),
            root,
            degrees_of_freedom: point.degrees_of_freedom.max(1.0),
        });
    }
    let said = made_within(question.variants, question.variant)?;
    let said = said.into_iter().map(|(role, half_width)| Tolerance { role, side: None, half_width });
    let given = question.tolerances.iter().copied();
    let tolerances: Vec<Tolerance> =
        given.clone().chain(said.filter(|said| given.clone().all(|given| given.role != said.role))).collect();
    for t in &tolerances {
        if !(t.half_width.is_finite() && t.half_width >= 0.0) {
            return Err(TrustError::BadTolerance { role: t.role, half_width: t.half_width });
        }
        for side in [Side::Left, Side::Right] {
            if t.side.is_none_or(|s| s == side || s == Side::Centre) {
                let half = DMatrix::identity(3, 3) * t.half_width;
                sources.push(Source {
                    role: t.role,
                    side,
                    point: None,
                    covariance: &half * &half / 3.0,
                    root: half,
                    degrees_of_freedom: f64::INFINITY,
                });
            }
        }
    }
    if sources.is_empty() {
        return Err(TrustError::NothingKnown);
    }
    Ok(sources)
}

/// Whether a geometry is made of it.
fn matters(role: Role) -> bool {
    CORNER.contains(&role) || matches!(role, Role::DamperAxis | Role::RackAxis | Role::HubFace)
}

/// The curves with some sources off by their deltas.
fn perturbed(question: &TrustQuestion<'_>, deltas: &[(&Source, &[f64])]) -> Result<Vec<Option<f64>>, TrustError> {
    curves_of(question, &moved_geometry(question, deltas)?)
}

/// The variant's geometry with some sources off by their deltas.
fn moved_geometry(question: &TrustQuestion<'_>, deltas: &[(&Source, &[f64])]) -> Result<AxleGeometry, TrustError> {
    let mut measured = question.measured.clone();
    for (source, delta) in deltas {
        if let Some(point) = source.point.and_then(|i| measured.points.get_mut(i)) {
            point.moved(delta);
        }
    }
    let mut geometry = geometry_of(&measured.geometry()?, question.variants, question.variant)?;
    for (source, delta) in deltas.iter().filter(|(s, _)| s.point.is_none()) {
        match (point_of(geometry.corner_mut(source.side), source.role), delta) {
            (Some(point), [x, y, z]) => *point += Vec3::new(*x, *y, *z),
            _ => return Err(TrustError::BadTolerance { role: source.role, half_width: source.root[(0, 0)] }),
        }
    }
    Ok(geometry)
}

/// A point of a corner by its role.
fn point_of(corner: &mut CornerGeometry, role: Role) -> Option<&mut Point3> {
    match (role, &mut corner.upper) {
        (Role::LowerArmFront, _) => Some(&mut corner.lower_front),
        (Role::LowerArmRear, _) => Some(&mut corner.lower_rear),
        (Role::LowerBallJoint, _) => Some(&mut corner.lower_ball),
        (Role::TieRodInner, _) => Some(&mut corner.tie_rod_inner),
        (Role::TieRodOuter, _) => Some(&mut corner.tie_rod_outer),
        (Role::WheelCentre, _) => Some(&mut corner.wheel.centre),
        (Role::StrutTop, Upper::Strut { top, .. }) => Some(top),
        (Role::StrutLower, Upper::Strut { lower, .. }) => Some(lower),
        (Role::UpperArmFront, Upper::Arm { front, .. }) => Some(front),
        (Role::UpperArmRear, Upper::Arm { rear, .. }) => Some(rear),
        (Role::UpperBallJoint, Upper::Arm { ball, .. }) => Some(ball),
        _ => None,
    }
}

/// Values of every quantity at every state, quantity by quantity.
fn curves_of(question: &TrustQuestion<'_>, geometry: &AxleGeometry) -> Result<Vec<Option<f64>>, TrustError> {
    let swept = Axle::new(geometry)?.sweep(question.states, question.held);
    let swept = swept.into_iter().collect::<Result<Vec<AxleMeasures>, SolveError>>()?;
    let value = |&(quantity, side): &(Quantity, Side)| swept.iter().map(move |m| quantity.of(m, side));
    Ok(question.quantities.iter().flat_map(value).collect())
}
