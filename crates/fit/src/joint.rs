//! Features that hold a relation exactly: bores on one axis, faces or axes parallel or square.
//!
//! Each feature is first fitted alone, which settles its points. Then all are fitted at once with
//! the shared directions (and for a common axis the shared position) as shared parameters, so
//! the relation holds to rounding. The covariance is that of the joint least squares,
//! `N⁻¹·(Σ AᵢᵀMᵢAᵢ)·N⁻¹` with `N = Σ AᵢᵀJᵢᵀJᵢAᵢ`, `Aᵢ` the way part i hangs on the shared
//! parameters and `Mᵢ = JᵢᵀVᵢJᵢ` from that part's own noise.

use crate::error::FitError;
use crate::feature::{Feature, Kind};
use crate::fit::{FitSettings, Normalised, check, chosen, describe, determined, fit, oriented, rows_of};
use crate::noise;
use crate::shapes::{HALF_ANGLE, Local, Model, RADIUS, SHIFT_U, SHIFT_V, SHIFT_W, SLOTS, SPIN, TILT_U, TILT_V};
use crate::solve::{Part, own_parameters, solve};
use nalgebra::{DMatrix, DVector};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_core::{Point3, Vec3};

/// A relation that joint features hold exactly.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Relation {
    /// Two or more cylinders or cones on one axis: both bushings of an arm.
    CommonAxis,
    /// Two or more faces with parallel normals, or axes parallel to each other.
    Parallel,
    /// Two features with directions at right angles: two faces, or a bore along a face.
    Square,
}

impl Relation {
    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Relation::CommonAxis => "a common axis",
            Relation::Parallel => "being parallel",
            Relation::Square => "being square",
        }
    }
}

/// One of the features to fit together.
#[derive(Clone, Copy, Debug)]
pub struct JointPart<'a> {
    /// mm, all parts in one frame.
    pub points: &'a [Point3],
    /// Outward unit normals, or empty.
    pub normals: &'a [Vec3],
    /// Which shape.
    pub kind: Kind,
    /// As for [`fit`].
    pub settings: &'a FitSettings,
}

/// What the relation did to one feature, against its fit alone.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Moved {
    /// Turn of its direction, rad.
    pub turn: f64,
    /// Shift of its reported point across its direction (along it, for a plane), mm.
    pub shift: f64,
    /// Root mean square distance alone, mm; compare the joint feature's.
    pub rms_alone: f64,
}

/// Features that hold a relation, in the order given.
#[derive(Clone, Debug, PartialEq)]
pub struct JointFit {
    /// One a part.
    pub features: Vec<Feature>,
    /// How far each had to move: large values beside the features' own uncertainties say
    /// that the parts do not really hold the relation.
    pub moved: Vec<Moved>,
}

/// Fits several features so that they hold `relation` exactly.
///
/// # Errors
/// [`FitError::CannotJoin`] for too few parts or kinds that have no such relation; otherwise as [`fit`].
pub fn fit_joint(parts: &[JointPart], relation: Relation) -> Result<JointFit, FitError> {
    join_makes_sense(parts, relation)?;
    let mut alone = Vec::with_capacity(parts.len());
    for part in parts {
        check(part.points, part.normals, part.kind, part.settings)?;
        alone.push(fit(part.points, part.normals, part.kind, part.settings)?);
    }
    let belongs: Vec<Vec<bool>> = parts
        .iter()
        .zip(&alone)
        .map(|(part, feature)| {
            let mut flags = vec![true; part.points.len()];
            feature.left_out.iter().for_each(|&i| flags[i as usize] = false);
            flags
        })
        .collect();
    let kept: Vec<Vec<Point3>> = parts.iter().zip(&belongs).map(|(part, flags)| chosen(part.points, flags)).collect();
    let Normalised { origin, scale, points: all } = Normalised::of(kept.iter().flatten());
    let mut rest = all.as_slice();
    let scaled: Vec<&[Vec3]> = kept
        .iter()
        .map(|k| {
            let (these, others) = rest.split_at(k.len());
            rest = others;
            these
        })
        .collect();
    let starts: Vec<Model> = alone.iter().map(|feature| model_of(feature, &origin, scale)).collect();
    let models = related(starts, relation, &scaled);
    let maps = maps(&models, parts, relation);
    let mut problem: Vec<Part> = models
        .into_iter()
        .zip(&scaled)
        .zip(&maps)
        .map(|((model, points), map)| Part { points, weights: &[], model, map: map.clone() })
        .collect();
    let ended = solve(&mut problem, 1e-12, 200);
    determined(&crate::solve::information(&problem), parts[0].kind, all.len())?;

    // Covariance of the shared parameters, in mm and rad.
    let models: Vec<Model> = problem.iter().map(|part| part.model.scaled(scale)).collect();
    let p = maps[0].ncols();
    let mut information = DMatrix::zeros(p, p);
    let mut middle = DMatrix::zeros(p, p);
    let mut noises = Vec::with_capacity(parts.len());
    for (((model, map), points), part) in models.iter().zip(&maps).zip(&kept).zip(parts) {
        let own = own_parameters(model, part.settings.held_radius.is_some());
        let (residuals, jacobian) = rows_of(model, points, &origin, &own);
        let estimate = noise::estimate(points, &residuals, &jacobian, &noise::NoiseSettings::default());
        let n = jacobian.tr_mul(&jacobian);
        // Local rows that the part's own parameters stand for, by the shared ones.
        let a = own.transpose() * map;
        information += a.transpose() * &n * &a;
        middle += a.transpose() * (&n * &estimate.covariance * &n) * &a;
        noises.push(estimate.noise);
    }
    let inverse = information.clone().try_inverse().unwrap_or_else(|| DMatrix::zeros(p, p));
    let covariance = &inverse * middle * &inverse;
    // The part with the fewest degrees of freedom limits what can be said of what is shared.
    let degrees_of_freedom = noises.iter().map(|n| n.degrees_of_freedom).fold(f64::INFINITY, f64::min);

    let mut features = Vec::with_capacity(parts.len());
    let mut moved = Vec::with_capacity(parts.len());
    for (i, part) in parts.iter().enumerate() {
        let centroid = kept[i].iter().fold(Vec3::zeros(), |sum, q| sum + (q - origin)) / kept[i].len() as f64;
        let normals = chosen(part.normals, &belongs[i]);
        let shown = |model: &Model| oriented(model.clone().referred_to(&centroid).tidied(), &normals);
        let mut at = shown(&models[i]);
        at.radius = part.settings.held_radius.unwrap_or(at.radius);
        // Through the change of reference point too, hence by differences.
        let lift = by_differences(&models[i], &maps[i], |m| shown(m).to_shape(&origin, 1.0).parameters());
        let mut noise = noises[i];
        noise.degrees_of_freedom = degrees_of_freedom;
        let covariance = stringline_core::covariance::propagate(&lift, &covariance);
        let feature = describe(part.points, part.normals, &origin, &belongs[i], &at, covariance, noise, ended);
        moved.push(movement(&alone[i], &feature));
        features.push(feature);
    }
    Ok(JointFit { features, moved })
}

fn join_makes_sense(parts: &[JointPart], relation: Relation) -> Result<(), FitError> {
    let directed = |kind| matches!(kind, Kind::Plane | Kind::Cylinder | Kind::Cone);
    let round = |kind| matches!(kind, Kind::Cylinder | Kind::Cone);
    let fine = match relation {
        Relation::CommonAxis => parts.len() >= 2 && parts.iter().all(|p| round(p.kind)),
        Relation::Parallel => {
            // An axis parallel to a face has its direction square to the normal: that is `Square`.
            parts.len() >= 2 && (parts.iter().all(|p| p.kind == Kind::Plane) || parts.iter().all(|p| round(p.kind)))
        }
        Relation::Square => parts.len() == 2 && parts.iter().all(|p| directed(p.kind)),
    };
    if fine {
        return Ok(());
    }
    let kinds: Vec<&str> = parts.iter().map(|p| p.kind.word()).collect();
    let kinds = if kinds.is_empty() { "nothing".into() } else { kinds.join(" and ") };
    Err(FitError::CannotJoin { relation: relation.word(), kinds })
}

fn model_of(feature: &Feature, origin: &Point3, scale: f64) -> Model {
    let shape = &feature.shape;
    Model::new(
        shape.kind(),
        (shape.point() - origin) / scale,
        shape.direction().map_or_else(Vec3::z, |d| d.into_inner()),
        shape.radius().unwrap_or(0.0) / scale,
        shape.half_angle().unwrap_or(0.0),
    )
}

/// The starts, made to hold the relation.
fn related(starts: Vec<Model>, relation: Relation, points: &[&[Vec3]]) -> Vec<Model> {
    let first = starts[0].w;
    let aligned = |m: &Model| if m.w.dot(&first) < 0.0 { -m.w } else { m.w };
    let about = |m: &Model, point: Vec3, w: Vec3, half_angle: f64| Model::new(m.kind, point, w, m.radius, half_angle);
    match relation {
        Relation::Parallel => {
            let w = starts.iter().zip(points).map(|(m, q)| aligned(m) * q.len() as f64).sum::<Vec3>();
            starts.iter().map(|m| about(m, m.point, w, m.half_angle * m.w.dot(&first).signum())).collect()
        }
        Relation::Square => {
            let (a, b) = (starts[0].w, starts[1].w);
            // Both give way alike: the sum and the difference of two unit vectors are exactly square.
            let (sum, difference) = ((a + b).normalize(), (a - b).normalize());
            vec![
                about(&starts[0], starts[0].point, sum + difference, starts[0].half_angle),
                about(&starts[1], starts[1].point, sum - difference, starts[1].half_angle),
            ]
        }
        Relation::CommonAxis => {
            let middle = starts.iter().map(|m| m.point).sum::<Vec3>() / starts.len() as f64;
            let mean = starts.iter().map(aligned).sum::<Vec3>().normalize();
            let farthest = starts.iter().map(|m| m.point - middle).max_by(|a, b| a.norm().total_cmp(&b.norm()));
            let through = farthest.unwrap_or(mean);
            let through = if through.dot(&first) < 0.0 { -through } else { through };
            // Bores far apart are joined by a line better than they point; concentric ones are not.
            let on_axis = |w: &Vec3| {
                starts
                    .iter()
                    .map(|m| {
                        let d = m.point - middle;
                        (d - w * w.dot(&d)).norm_squared() + (aligned(m) - w).norm_squared()
                    })
                    .sum::<f64>()
            };
            let w = match through.try_normalize(1e-9) {
                Some(t) if on_axis(&t) < on_axis(&mean) => t,
                _ => mean,
            };
            starts
                .iter()
                .map(|m| {
                    let psi = m.half_angle * m.w.dot(&first).signum();
                    // One reference point for all; a cone's radius is referred to it.
                    let along = w.dot(&(m.point - middle));
                    let mut common = about(m, middle, w, psi);
                    common.radius = m.radius - along * psi.tan();
                    common
                })
                .collect()
        }
    }
}

/// How each part hangs on the shared parameters: those first, then each part's own.
fn maps(models: &[Model], parts: &[JointPart], relation: Relation) -> Vec<DMatrix<f64>> {
    let shared: Vec<usize> = match relation {
        Relation::CommonAxis => vec![SHIFT_U, SHIFT_V, TILT_U, TILT_V],
        Relation::Parallel => vec![TILT_U, TILT_V],
        Relation::Square => vec![TILT_U, TILT_V, SPIN],
    };
    let own: Vec<Vec<usize>> = models
        .iter()
        .zip(parts)
        .map(|(m, part)| {
            let mut slots = match (m.kind, relation) {
                (Kind::Plane, _) => vec![SHIFT_W],
                (_, Relation::CommonAxis) => vec![],
                _ => vec![SHIFT_U, SHIFT_V],
            };
            if m.kind != Kind::Plane && part.settings.held_radius.is_none() {
                slots.push(RADIUS);
            }
            if m.kind == Kind::Cone {
                slots.push(HALF_ANGLE);
            }
            slots
        })
        .collect();
    let p = shared.len() + own.iter().map(Vec::len).sum::<usize>();
    let mut next = shared.len();
    models
        .iter()
        .zip(&own)
        .map(|(model, slots)| {
            let mut map = DMatrix::zeros(SLOTS, p);
            if relation == Relation::Square {
                // One turn for both, given in the first part's frame as rotations about v, −u, w.
                let base = &models[0];
                for (column, about) in [base.v, -base.u, base.w].iter().enumerate() {
                    map[(TILT_U, column)] = about.dot(&model.v);
                    map[(TILT_V, column)] = -about.dot(&model.u);
                    map[(SPIN, column)] = about.dot(&model.w);
                }
            } else {
                for (column, &slot) in shared.iter().enumerate() {
                    map[(slot, column)] = 1.0;
                }
            }
            for &slot in slots {
                map[(slot, next)] = 1.0;
                next += 1;
            }
            map
        })
        .collect()
}

/// Jacobian of `values` of a model by the problem's parameters, by central differences.
fn by_differences(model: &Model, map: &DMatrix<f64>, values: impl Fn(&Model) -> DVector<f64>) -> DMatrix<f64> {
    let h = 1e-5;
    let columns: Vec<DVector<f64>> = (0..map.ncols())
        .map(|j| {
            let step = Local::from_iterator(map.column(j).iter().map(|x| x * h));
            (values(&model.moved(&step)) - values(&model.moved(&-step))) / (2.0 * h)
        })
        .collect();
    DMatrix::from_columns(&columns)
}

fn movement(alone: &Feature, joint: &Feature) -> Moved {
    let (Some(a), Some(b)) = (alone.shape.direction(), joint.shape.direction()) else {
        return Moved { turn: 0.0, shift: 0.0, rms_alone: alone.rms };
    };
    let d = joint.shape.point() - alone.shape.point();
    let along = a.dot(&d);
    let shift = if alone.shape.kind() == Kind::Plane { along.abs() } else { (d - a.into_inner() * along).norm() };
    Moved { turn: a.cross(&b).norm().atan2(a.dot(&b).abs()), shift, rms_alone: alone.rms }
}
