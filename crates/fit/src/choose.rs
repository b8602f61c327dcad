//! Which shape a patch is: decided by evidence, with the runner-up shown.
//!
//! Plane, cylinder, cone and sphere are all fitted and weighed on the same points by the Bayesian
//! information criterion (Schwarz 1978): `Σ min(d², c²σ²)/(σ²·k²) + p·ln(n/k²)`, with σ the
//! noise of the best of them and k² the number of neighbouring points that err as one, so correlated
//! noise does not pass for shape. Nested shapes (plane ⊂ cylinder ⊂ cone; plane ⊂ sphere) differ by a
//! parameter that can be small, a taper or a curvature: that must stand out by itself.
//! A simpler shape is taken only if the data also rule out a taper or a bend that would matter.

use crate::error::FitError;
use crate::feature::{Feature, Kind, Shape};
use crate::fit::{FitSettings, chosen, fit, rows_of};
use crate::shapes::Model;
use crate::solve::own_parameters;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_core::covariance::coverage_factor;
use stringline_core::{Point3, Vec3};

/// Residuals count no more than this many standard deviations.
const CAP: f64 = 4.0;
/// A score better by less than this (odds of 20 to 1) decides nothing.
const DECIDES: f64 = 6.0;
/// A taper or curvature below this many standard uncertainties is not there; above the other it is.
const ABSENT: f64 = 3.0;
const PRESENT: f64 = 4.5;
/// Brings the largest of the bends in all directions (χ² with three degrees of freedom) to a single one's scale.
const MOST_BENT: f64 = 0.8;
/// A cylinder is only called one if a half angle beyond this is ruled out: half of a 1:20 taper, rad.
const TAPER_THAT_MATTERS: f64 = 0.025;
/// A plane is only called one if a turn of its normal across the patch beyond this is ruled out, rad.
const BEND_THAT_MATTERS: f64 = 0.1;

/// One shape weighed.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// The fitted shape.
    pub feature: Feature,
    /// Information criterion; lower is better, and only differences mean something.
    pub score: f64,
}

/// What the evidence says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// One shape, clearly.
    Decided(Kind),
    /// Any of these, likeliest first (but a cylinder before a cone): the patch is too small or too noisy to tell.
    CannotTell(Vec<Kind>),
}

/// The shapes weighed for one patch.
#[derive(Clone, Debug, PartialEq)]
pub struct Weighed {
    /// What the evidence says.
    pub verdict: Verdict,
    /// Every shape that could be fitted; the one that the verdict names first, then by score.
    pub candidates: Vec<Candidate>,
}

/// Fits a plane, a cylinder, a cone and a sphere and says which the patch is.
///
/// Input as for [`fit`]. A held radius leaves out the shapes that have none.
///
/// # Errors
/// When no shape at all can be fitted, the error of the plane, the simplest.
pub fn fit_auto(points: &[Point3], normals: &[Vec3], settings: &FitSettings) -> Result<Weighed, FitError> {
    let kinds: &[Kind] = match settings.held_radius {
        None => &[Kind::Plane, Kind::Cylinder, Kind::Cone, Kind::Sphere],
        Some(_) => &[Kind::Cylinder, Kind::Sphere],
    };
    let mut features = Vec::new();
    let mut failure = None;
    for &kind in kinds {
        match fit(points, normals, kind, settings) {
            Ok(feature) => features.push(feature),
            Err(error) => failure = failure.or(Some(error)),
        }
    }
    if features.is_empty() {
        return Err(failure.unwrap_or(FitError::TooFewPoints { kind: Kind::Plane, needed: 4, found: points.len() }));
    }
    Ok(weigh(points, features, settings))
}

fn weigh(points: &[Point3], features: Vec<Feature>, settings: &FitSettings) -> Weighed {
    let capped = |feature: &Feature, sigma: f64| {
        points.iter().map(|p| feature.shape.distance(p).powi(2).min((CAP * sigma).powi(2))).sum::<f64>()
    };
    // The noise: of the shape that leaves least, judged by the middle of its distances.
    let middling = |feature: &Feature| {
        let mut d: Vec<f64> = points.iter().map(|p| feature.shape.distance(p).abs()).collect();
        let at = d.len() / 2;
        d.select_nth_unstable_by(at, f64::total_cmp);
        d[at]
    };
    let Some(best) = features.iter().min_by(|a, b| middling(a).total_cmp(&middling(b))) else {
        return Weighed { verdict: Verdict::CannotTell(Vec::new()), candidates: Vec::new() };
    };
    let sigma = best.noise.sigma.max(1e-12);
    let together = neighbours_that_err_together(points, best, settings);
    let effective = (points.len() as f64 / together).max(8.0);
    let mut candidates: Vec<Candidate> = features
        .into_iter()
        .map(|feature| {
            let score = capped(&feature, sigma) / (sigma * sigma * together)
                + parameters(feature.shape.kind()) * effective.ln();
            Candidate { feature, score }
        })
        .collect();
    candidates.sort_by(|a, b| a.score.total_cmp(&b.score));
    let verdict = judge(&mut candidates, effective, &Flatness::of(points, sigma, effective));
    Weighed { verdict, candidates }
}

/// Settles nested shapes by their own parameter, then asks whether any other shape is near in score.
fn judge(candidates: &mut Vec<Candidate>, effective: f64, flat: &Flatness) -> Verdict {
    let mut open: Vec<Kind> = Vec::new();
    // From the most general of a nest that may be on top down to the simplest that holds.
    for (general, simple) in [(Kind::Cone, Kind::Cylinder), (Kind::Cylinder, Kind::Plane), (Kind::Sphere, Kind::Plane)]
    {
        let top = candidates[0].feature.shape.kind();
        if top != general && top != simple {
            continue;
        }
        let (Some(g), Some(s)) = (position(candidates, general), position(candidates, simple)) else { continue };
        let fewer = parameters(general) - parameters(simple);
        let gain = candidates[s].score - candidates[g].score + fewer * effective.ln();
        // A cylinder's axis is free to lie along the slightest bend that noise makes of a plane.
        let chosen = if simple == Kind::Plane && general == Kind::Cylinder { MOST_BENT } else { 1.0 };
        let times = gain.max(0.0).sqrt() * chosen;
        let (upper, matters) = upper_departure(&candidates[g].feature, times, flat);
        // The simple shape must be in the running: where it is far worse, this parameter is not the reason.
        let worse = candidates[s].score - candidates[g].score;
        if top == general && (times > PRESENT && worse > DECIDES || worse > 4.0 * DECIDES) {
            continue;
        }
        let at_top = if times <= ABSENT { simple } else { top };
        if times > ABSENT || upper > matters {
            open.push(if at_top == simple { general } else { simple });
        }
        if at_top != top {
            let moved = candidates.remove(s);
            candidates.insert(0, moved);
        }
    }
    let top = candidates[0].feature.shape.kind();
    let contains_top = |kind: Kind| match top {
        Kind::Plane => kind != Kind::Plane,
        Kind::Cylinder => kind == Kind::Cone,
        _ => false,
    };
    let score = candidates[0].score;
    for other in &candidates[1..] {
        let kind = other.feature.shape.kind();
        if !contains_top(kind) && other.score - score < DECIDES && !open.contains(&kind) {
            open.push(kind);
        }
    }
    open.retain(|&kind| kind != top);
    if open.is_empty() {
        return Verdict::Decided(top);
    }
    open.insert(0, top);
    // A taper that is not shown to be there is not to be made: bores are many, seats are few.
    if let (Kind::Cone, Some(s)) = (top, open.iter().position(|&kind| kind == Kind::Cylinder)) {
        open.swap(0, s);
        if let Some(s) = position(candidates, Kind::Cylinder) {
            let moved = candidates.remove(s);
            candidates.insert(0, moved);
        }
    }
    Verdict::CannotTell(open)
}

fn position(candidates: &[Candidate], kind: Kind) -> Option<usize> {
    candidates.iter().position(|c| c.feature.shape.kind() == kind)
}

fn parameters(kind: Kind) -> f64 {
    crate::shapes::active(kind).len() as f64
}

/// The largest half angle or turn of the normal across the patch that the data allow at 95 %, rad, if the
/// best estimate is `times` its own standard uncertainty; and the one that would matter.
fn upper_departure(general: &Feature, times: f64, flat: &Flatness) -> (f64, f64) {
    match general.shape {
        Shape::Cone { half_angle, .. } => {
            let u = general.covariance[(7, 7)].max(0.0).sqrt();
            (half_angle + coverage_factor(1, general.noise.degrees_of_freedom) * u, TAPER_THAT_MATTERS)
        }
        _ => ((times + 1.96) * flat.turn, BEND_THAT_MATTERS),
    }
}

/// How well the patch would show a bend.
struct Flatness {
    /// Standard uncertainty of the turn of the normal across its narrow side, rad: a parabola through n
    /// evenly spread points of width w has u(κ) = σ·√(720/n)/w².
    turn: f64,
}

impl Flatness {
    fn of(points: &[Point3], sigma: f64, effective: f64) -> Flatness {
        let n = points.len() as f64;
        let mean = points.iter().fold(Vec3::zeros(), |sum, p| sum + p.coords) / n;
        let scatter = points.iter().fold(nalgebra::Matrix3::zeros(), |m, p| {
            let d = p.coords - mean;
            m + d * d.transpose() / n
        });
        let mut spread: Vec<f64> = scatter.symmetric_eigenvalues().iter().copied().collect();
        spread.sort_by(f64::total_cmp);
        let narrow = (12.0 * spread[1].max(1e-300)).sqrt();
        Flatness { turn: sigma * (720.0 / effective).sqrt() / narrow }
    }
}

/// How many neighbouring points err as one: the stated variances over those of independent errors.
fn neighbours_that_err_together(points: &[Point3], feature: &Feature, settings: &FitSettings) -> f64 {
    let mut flags = vec![true; points.len()];
    feature.left_out.iter().for_each(|&i| flags[i as usize] = false);
    let kept = chosen(points, &flags);
    let shape = &feature.shape;
    let origin = shape.point();
    let model = Model::new(
        shape.kind(),
        Vec3::zeros(),
        shape.direction().map_or_else(Vec3::z, |d| d.into_inner()),
        shape.radius().unwrap_or(0.0),
        shape.half_angle().unwrap_or(0.0),
    );
    let own = own_parameters(&model, settings.held_radius.is_some());
    let (_, jacobian) = rows_of(&model, &kept, &origin, &own);
    // The lift has orthonormal columns, so its transpose leads back to the minimal parameters.
    let lift = model.ambient_jacobian() * &own;
    let stated = lift.transpose() * &feature.covariance * &lift;
    let information = jacobian.tr_mul(&jacobian);
    let ratio = (information * stated).trace() / (own.ncols() as f64 * feature.noise.sigma.powi(2));
    if ratio.is_finite() { ratio.max(1.0) } else { 1.0 }
}
