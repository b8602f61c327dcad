//! One shape through one patch.

use crate::error::FitError;
use crate::feature::{Extent, Feature, Kind, Noise, Side};
use crate::noise;
use crate::robust::{Settled, settle};
use crate::shapes::{Model, SLOTS, active};
use crate::solve::{Ended, Part, information, solve};
use crate::start::best_start;
use nalgebra::DMatrix;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_core::covariance::propagate;
use stringline_core::{Point3, Vec3};

/// What a fit takes for granted.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct FitSettings {
    /// Plain least squares through every point given, with nothing left out. Default: false.
    pub keep_all: bool,
    /// Hold the radius at this known size, mm; for a cylinder, a sphere or a circle. Default: none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held_radius: Option<f64>,
}

/// The share of a patch that is sure to belong to the shape when a dab may have spilled.
const SURE_SHARE: f64 = 0.7;
/// The last pass stops at steps of this size (points have unit size).
const POLISHED: f64 = 1e-13;
/// Iterations of the last pass.
const MOST_ITERATIONS: usize = 100;
/// Scaled information matrices with eigenvalues further apart than this leave something free.
const SINGULAR: f64 = 1e-15;

/// Points centred at their mean and scaled to unit root-mean-square distance from it.
pub(crate) struct Normalised {
    pub(crate) origin: Point3,
    pub(crate) scale: f64,
    pub(crate) points: Vec<Vec3>,
}

impl Normalised {
    pub(crate) fn of<'a>(points: impl Iterator<Item = &'a Point3> + Clone) -> Normalised {
        let n = points.clone().count().max(1) as f64;
        let origin = Point3::from(points.clone().fold(Vec3::zeros(), |sum, p| sum + p.coords) / n);
        // A second pass takes out what rounding left of the mean of far-away points.
        let rest = points.clone().fold(Vec3::zeros(), |sum, p| sum + (p - origin)) / n;
        let origin = origin + rest;
        let square = points.clone().map(|p| (p - origin).norm_squared()).sum::<f64>() / n;
        let scale = if square > 0.0 { square.sqrt() } else { 1.0 };
        Normalised { origin, scale, points: points.map(|p| (p - origin) / scale).collect() }
    }
}

/// One residual more than parameters; a point of a circle gives two.
fn least_points(kind: Kind) -> usize {
    let residuals = active(kind).len() + 1;
    if kind == Kind::Circle { residuals.div_ceil(2) } else { residuals }
}

/// Checks what every fit needs of its input.
pub(crate) fn check(points: &[Point3], normals: &[Vec3], kind: Kind, settings: &FitSettings) -> Result<(), FitError> {
    let needed = least_points(kind);
    if points.len() < needed {
        return Err(FitError::TooFewPoints { kind, needed, found: points.len() });
    }
    if !normals.is_empty() && normals.len() != points.len() {
        return Err(FitError::NormalsDoNotMatch { points: points.len(), normals: normals.len() });
    }
    if let Some(index) = points.iter().position(|p| !p.iter().all(|x| x.is_finite())) {
        return Err(FitError::NotFinite { index });
    }
    if let Some(index) = normals.iter().position(|n| !n.iter().all(|x| x.is_finite())) {
        return Err(FitError::NotFinite { index });
    }
    if let Some(radius) = settings.held_radius
        && (!(radius.is_finite() && radius > 0.0) || matches!(kind, Kind::Plane | Kind::Cone))
    {
        return Err(FitError::BadHeldRadius { kind, radius });
    }
    Ok(())
}

/// Fits one `kind` of shape to points (mm, any frame), by orthogonal-distance least squares.
///
/// `normals` are the outward unit normals of the scan at the points, or empty where it has none;
/// they help to find a start and tell which side the material is on, but do not enter the residuals.
/// Points that do not belong (a dab that spilled over an edge) are left out unless
/// `settings.keep_all` is set. Deterministic: the same input gives the same feature, bit for bit.
///
/// # Errors
/// [`FitError`] when the input is not usable or leaves the shape undetermined.
pub fn fit(points: &[Point3], normals: &[Vec3], kind: Kind, settings: &FitSettings) -> Result<Feature, FitError> {
    check(points, normals, kind, settings)?;
    let normalised = Normalised::of(points.iter());
    let settled = settle_shape(&normalised, normals, kind, settings)?;
    finish(points, normals, &normalised, settled, settings)
}

/// Finds the shape and the points that belong to it, short of the last pass.
pub(crate) fn settle_shape(
    normalised: &Normalised,
    normals: &[Vec3],
    kind: Kind,
    settings: &FitSettings,
) -> Result<Settled, FitError> {
    let points = &normalised.points;
    let share = if settings.keep_all { 1.0 } else { SURE_SHARE };
    let held = settings.held_radius.map(|r| r / normalised.scale);
    let start = best_start(kind, points, normals, share, held).ok_or_else(|| FitError::NotDetermined {
        kind,
        found: points.len(),
        free: "no such shape of a sensible size passes through them".into(),
    })?;
    Ok(if settings.keep_all {
        Settled { model: start, belongs: vec![true; points.len()] }
    } else {
        settle(points, start, held.is_some())
    })
}

fn finish(
    points: &[Point3],
    normals: &[Vec3],
    normalised: &Normalised,
    settled: Settled,
    settings: &FitSettings,
) -> Result<Feature, FitError> {
    let kind = settled.model.kind;
    let held = settings.held_radius.is_some();
    let kept = chosen(&normalised.points, &settled.belongs);
    let needed = least_points(kind);
    if kept.len() < needed {
        return Err(FitError::TooFewPoints { kind, needed, found: kept.len() });
    }
    let centroid = kept.iter().sum::<Vec3>() / kept.len() as f64;
    let model = settled.model.referred_to(&centroid);
    let mut parts = [Part::alone(&kept, &[], model, held)];
    let ended = solve(&mut parts, POLISHED, MOST_ITERATIONS);
    determined(&information(&parts), kind, points.len())?;
    let [part] = parts;
    let map = part.map;
    let model = part.model.referred_to(&centroid).tidied();
    let mut shown = oriented(model.scaled(normalised.scale), &chosen(normals, &settled.belongs));
    // Scaling there and back costs a held radius its last digit.
    shown.radius = settings.held_radius.unwrap_or(shown.radius);
    let kept = chosen(points, &settled.belongs);
    let (residuals, jacobian) = rows_of(&shown, &kept, &normalised.origin, &map);
    let estimate = noise::estimate(&kept, &residuals, &jacobian, &noise::NoiseSettings::default());
    let covariance = propagate(&(shown.ambient_jacobian() * &map), &estimate.covariance);
    Ok(describe(points, normals, &normalised.origin, &settled.belongs, &shown, covariance, estimate.noise, ended))
}

/// Refuses an information matrix that leaves a combination of parameters free.
pub(crate) fn determined(information: &DMatrix<f64>, kind: Kind, found: usize) -> Result<(), FitError> {
    let eigen = information.clone().symmetric_eigen();
    let largest = eigen.eigenvalues.max();
    let free = |what: &str| Err(FitError::NotDetermined { kind, found, free: what.into() });
    if !largest.is_finite() || largest <= 0.0 {
        return free("they fall on one spot or one line");
    }
    let smallest = eigen.eigenvalues.imin();
    if eigen.eigenvalues[smallest] < SINGULAR * largest {
        return free("it can still turn or slide without leaving them");
    }
    Ok(())
}

/// The items whose flag is set; none of none.
pub(crate) fn chosen<T: Copy>(items: &[T], flags: &[bool]) -> Vec<T> {
    items.iter().zip(flags).filter(|(_, flag)| **flag).map(|(item, _)| *item).collect()
}

/// The feature of a converged model (mm, about `origin`) and the covariance of its parameters.
#[allow(clippy::too_many_arguments, reason = "everything a feature consists of, gathered in one place")]
pub(crate) fn describe(
    points: &[Point3],
    normals: &[Vec3],
    origin: &Point3,
    belongs: &[bool],
    model: &Model,
    covariance: DMatrix<f64>,
    noise: Noise,
    ended: Ended,
) -> Feature {
    let kept = chosen(points, belongs);
    let shape = model.to_shape(origin, 1.0);
    let distances: Vec<f64> = kept.iter().map(|p| shape.distance(p)).collect();
    let (low, high) = distances.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &d| (l.min(d), h.max(d)));
    let square = distances.iter().map(|d| d * d).sum::<f64>();
    Feature {
        shape,
        covariance,
        noise,
        extent: extent(model, &kept, origin),
        side: side(model, &kept, origin, &chosen(normals, belongs)),
        rms: (square / kept.len() as f64).sqrt(),
        form_error: high - low,
        used: kept.len(),
        rejected: points.len() - kept.len(),
        left_out: (0..points.len() as u32).filter(|&i| !belongs[i as usize]).collect(),
        converged: ended.converged,
        iterations: ended.iterations,
    }
}

/// Residuals and Jacobian (rows × p), mm and rad, of a model about `origin`.
pub(crate) fn rows_of(
    model: &Model,
    points: &[Point3],
    origin: &Point3,
    map: &DMatrix<f64>,
) -> (Vec<f64>, DMatrix<f64>) {
    let mut residuals = Vec::with_capacity(points.len());
    let mut local: Vec<[f64; SLOTS]> = Vec::with_capacity(points.len());
    for p in points {
        model.rows(&(p - origin), |row| {
            residuals.push(row.residual);
            local.push(row.by);
        });
    }
    let p = map.ncols();
    // Most maps pick slots, so the few entries that are not zero are enough.
    let entries: Vec<(usize, usize, f64)> = (0..p)
        .flat_map(|j| (0..SLOTS).map(move |i| (i, j)))
        .filter_map(|(i, j)| (map[(i, j)] != 0.0).then_some((i, j, map[(i, j)])))
        .collect();
    let mut jacobian = DMatrix::zeros(local.len(), p);
    for &(i, j, m) in &entries {
        for (r, by) in local.iter().enumerate() {
            jacobian[(r, j)] += by[i] * m;
        }
    }
    (residuals, jacobian)
}

/// Turns the direction to its stated sense, keeping the frame right-handed.
///
/// A plane's normal points out of the material where the scan's normals tell; otherwise, as for
/// axes, its largest component is positive. A cone's direction keeps its sense: apex to wide end.
pub(crate) fn oriented(model: Model, normals: &[Vec3]) -> Model {
    let flip = match model.kind {
        Kind::Cone | Kind::Sphere => false,
        Kind::Plane if !normals.is_empty() => normals.iter().sum::<Vec3>().dot(&model.w) < 0.0,
        _ => model.w[model.w.iamax()] < 0.0,
    };
    if flip { Model { w: -model.w, v: -model.v, ..model } } else { model }
}

fn extent(model: &Model, points: &[Point3], origin: &Point3) -> Extent {
    let mut along = [f64::INFINITY, f64::NEG_INFINITY];
    let mut across = 0.0_f64;
    // Half-degree sectors tell how much of the way round holds points.
    const SECTORS: usize = 720;
    let mut angles: Vec<f64> = Vec::with_capacity(points.len().min(1 << 16));
    for p in points {
        let [x, y, z] = model.local(&(p - origin));
        along = [along[0].min(z), along[1].max(z)];
        across = across.max(x.hypot(y));
        angles.push(y.atan2(x));
    }
    let flat = matches!(model.kind, Kind::Plane | Kind::Sphere);
    let arc = if model.kind == Kind::Plane {
        0.0
    } else {
        let mut filled = vec![false; SECTORS];
        for a in &angles {
            let sector = ((a / std::f64::consts::TAU + 0.5) * SECTORS as f64) as usize;
            filled[sector.min(SECTORS - 1)] = true;
        }
        covered(&filled, points.len())
    };
    Extent { along: if flat { [0.0, 0.0] } else { along }, across, arc }
}

/// The angle round that is covered: sectors, with gaps no wider than chance explains filled in.
fn covered(filled: &[bool], points: usize) -> f64 {
    let n = filled.len();
    let occupied = filled.iter().filter(|f| **f).count();
    if occupied == 0 {
        return 0.0;
    }
    // Few points, or rows of points, leave gaps between them that are not missing surface: 5° at least.
    let gap = ((4.0 * n as f64 / points as f64).ceil() as usize).clamp(n / 72, n / 4);
    let first = filled.iter().position(|f| *f).unwrap_or(0);
    let mut total = 0;
    let mut since = 0;
    for k in 1..=n {
        since += 1;
        if filled[(first + k) % n] {
            total += if since <= gap { since } else { 1 };
            since = 0;
        }
    }
    total as f64 / n as f64 * std::f64::consts::TAU
}

/// Tells a hole from a pin by the scan's normals.
fn side(model: &Model, points: &[Point3], origin: &Point3, normals: &[Vec3]) -> Side {
    match model.kind {
        _ if normals.is_empty() => return Side::Unknown,
        Kind::Circle => return Side::Unknown,
        // Its normal was turned out of the material by the same normals.
        Kind::Plane => return Side::External,
        _ => {}
    }
    let agreement: f64 = points
        .iter()
        .zip(normals)
        .map(|(p, n)| {
            let mut d = (p - origin) - model.point;
            if model.kind != Kind::Sphere {
                d -= model.w * model.w.dot(&d);
            }
            d.try_normalize(1e-12).map_or(0.0, |d| d.dot(n))
        })
        .sum::<f64>()
        / points.len() as f64;
    if agreement > 0.2 {
        Side::External
    } else if agreement < -0.2 {
        Side::Internal
    } else {
        Side::Unknown
    }
}
