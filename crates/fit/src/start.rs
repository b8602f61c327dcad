//! Starts that cannot be fooled.
//!
//! A least-squares iteration is only as good as where it begins: a short ring, a third of a
//! taper or a spill over an edge leads a best-guess start into a false minimum. So many
//! directions are tried on a small sample of the patch: an even spread over the half sphere, the
//! principal directions of the points, and what the normals say (their Gauss image and the cross
//! products of pairs of them). For each the circle or cone is found linearly, its worst points
//! set aside and found again (concentration steps of least trimmed squares, Rousseeuw and Van
//! Driessen 2006); the best few are iterated and judged by their trimmed cost.

use crate::feature::Kind;
use crate::shapes::Model;
use crate::solve::{Part, solve};
use nalgebra::{DMatrix, Matrix3, SMatrix, SVector};
use stringline_core::{UnitVec3, Vec3, frame_about};

/// Points tried at each direction.
const SAMPLE: usize = 160;
/// Points the best starts are iterated on.
const REFINE_SAMPLE: usize = 480;
/// Directions spread over the half sphere: about 13° apart.
const SPREAD: usize = 150;
/// The best of those get a ring of six more round them, this far off (tangent).
const CLOSER: usize = 8;
const CLOSER_TILT: f64 = 0.1;
/// Starts that are iterated.
const KEPT: usize = 8;
/// Two starts closer than this (cosine) count as one.
const SAME: f64 = 0.995;

/// Indices of an even, order-blind sample of at most `most` of `n` items, ascending.
///
/// Steps of the golden ratio visit every part of a sequence alike and never fall into step with its rows.
pub(crate) fn spread_sample(n: usize, most: usize) -> Vec<usize> {
    if n <= most {
        return (0..n).collect();
    }
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let mut picked: Vec<usize> = (0..most).map(|i| ((i as f64 * GOLDEN).fract() * n as f64) as usize).collect();
    picked.sort_unstable();
    picked.dedup();
    picked
}

/// Sum of the `share` smallest squared distances.
pub(crate) fn trimmed_cost(model: &Model, points: &[Vec3], share: f64) -> f64 {
    let mut squares: Vec<f64> = points.iter().map(|p| model.distance(p).powi(2)).collect();
    let keep = kept(points.len(), share);
    if keep < squares.len() {
        squares.select_nth_unstable_by(keep, f64::total_cmp);
    }
    squares[..keep].iter().sum()
}

fn kept(n: usize, share: f64) -> usize {
    ((n as f64 * share).ceil() as usize).clamp(1, n)
}

/// The best start for `kind`, in the points' coordinates (centred, unit size).
///
/// `share` of the points is taken to belong to the shape: 1 when nothing is to be left out.
/// `held_radius` is in the same coordinates.
pub(crate) fn best_start(
    kind: Kind,
    points: &[Vec3],
    normals: &[Vec3],
    share: f64,
    held_radius: Option<f64>,
) -> Option<Model> {
    let picked = spread_sample(points.len(), SAMPLE);
    let few: Vec<Vec3> = picked.iter().map(|&i| points[i]).collect();
    let few_normals: Vec<Vec3> =
        if normals.is_empty() { Vec::new() } else { picked.iter().map(|&i| normals[i]).collect() };
    let mut starts: Vec<(f64, Model)> = match kind {
        Kind::Plane => plane_starts(&few),
        Kind::Sphere => sphere_starts(&few, share),
        Kind::Circle => circle_starts(&few, share),
        Kind::Cylinder => along_directions(&few, &few_normals, share, |w| cylinder_along(&few, w, share)),
        Kind::Cone => along_directions(&few, &few_normals, share, |w| {
            let rank = |m: &Model| trimmed_cost(m, &few, share);
            let either = [cone_along(&few, w, share), cylinder_along(&few, w, share).map(as_cone)];
            either.into_iter().flatten().min_by(|a, b| rank(a).total_cmp(&rank(b)))
        }),
    }
    .into_iter()
    .map(|mut model| {
        if let Some(radius) = held_radius {
            model.radius = radius;
        }
        (trimmed_cost(&model, &few, share), model)
    })
    .filter(|(cost, model)| cost.is_finite() && model.plausible(1.0))
    .collect();
    starts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut chosen: Vec<Model> = Vec::new();
    for (_, model) in starts {
        let same = |other: &Model| match kind {
            Kind::Sphere => (other.point - model.point).norm() < 0.01,
            Kind::Cone => other.w.dot(&model.w).abs() > SAME && (other.half_angle - model.half_angle).abs() < 0.15,
            _ => other.w.dot(&model.w).abs() > SAME,
        };
        if !chosen.iter().any(same) {
            chosen.push(model);
            if chosen.len() == KEPT {
                break;
            }
        }
    }
    let more: Vec<Vec3> = spread_sample(points.len(), REFINE_SAMPLE).into_iter().map(|i| points[i]).collect();
    chosen
        .into_iter()
        .filter_map(|model| {
            let model = concentrate(model, &more, share, held_radius.is_some());
            model.plausible(1.0).then(|| (trimmed_cost(&model, &more, share), model))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, model)| model)
}

/// Alternates between picking the nearest `share` of the points and fitting to them.
fn concentrate(mut model: Model, points: &[Vec3], share: f64, radius_held: bool) -> Model {
    let rounds = if share < 1.0 { 6 } else { 1 };
    let most = if share < 1.0 { 5 } else { 40 };
    for _ in 0..rounds {
        let near = nearest_share(&model, points, share);
        let mut parts = [Part::alone(&near, &[], model.clone(), radius_held)];
        let _ = solve(&mut parts, 1e-7, most);
        let [part] = parts;
        if !part.model.plausible(1.0) {
            break;
        }
        model = part.model;
    }
    model
}

fn nearest_share(model: &Model, points: &[Vec3], share: f64) -> Vec<Vec3> {
    let keep = kept(points.len(), share);
    if keep == points.len() {
        return points.to_vec();
    }
    let mut by_distance: Vec<(f64, usize)> =
        points.iter().enumerate().map(|(i, p)| (model.distance(p).abs(), i)).collect();
    by_distance.select_nth_unstable_by(keep, |a, b| a.0.total_cmp(&b.0));
    by_distance[..keep].iter().map(|&(_, i)| points[i]).collect()
}

/// Eigenvectors of a symmetric matrix, smallest eigenvalue first.
fn eigenvectors(m: Matrix3<f64>) -> [Vec3; 3] {
    let eigen = m.symmetric_eigen();
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| eigen.eigenvalues[a].total_cmp(&eigen.eigenvalues[b]));
    order.map(|i| eigen.eigenvectors.column(i).into_owned())
}

/// Scatter of vectors about their mean, and the mean.
fn scatter(points: &[Vec3]) -> (Matrix3<f64>, Vec3) {
    let mean = points.iter().sum::<Vec3>() / points.len() as f64;
    let m = points.iter().fold(Matrix3::zeros(), |m, p| {
        let d = p - mean;
        m + d * d.transpose()
    });
    (m, mean)
}

/// Candidate axis directions.
fn directions(points: &[Vec3], normals: &[Vec3]) -> Vec<UnitVec3> {
    let mut found: Vec<Vec3> = eigenvectors(scatter(points).0).to_vec();
    if !normals.is_empty() {
        // Gauss image: the normals of a cylinder lie on a great circle, of a cone on a small one.
        found.push(eigenvectors(normals.iter().fold(Matrix3::zeros(), |m, n| m + n * n.transpose()))[0]);
        found.push(eigenvectors(scatter(normals).0)[0]);
        // Pairs outvote outliers that pull both of those aside.
        for (i, j) in spread_pairs(normals.len(), 40) {
            let cross = normals[i].cross(&normals[j]);
            if cross.norm() > 0.3 {
                found.push(cross);
            }
        }
    }
    const GOLDEN_ANGLE: f64 = 2.399_963_229_728_653;
    for i in 0..SPREAD {
        let z = (i as f64 + 0.5) / SPREAD as f64;
        let (r, a) = ((1.0 - z * z).sqrt(), i as f64 * GOLDEN_ANGLE);
        found.push(Vec3::new(r * a.cos(), r * a.sin(), z));
    }
    found.into_iter().filter_map(|d| UnitVec3::try_new(d, 1e-9)).collect()
}

/// A start along each candidate direction, and along a closer ring of directions round the best few.
fn along_directions(
    points: &[Vec3],
    normals: &[Vec3],
    share: f64,
    find: impl Fn(&UnitVec3) -> Option<Model>,
) -> Vec<Model> {
    let mut found: Vec<Model> = directions(points, normals).iter().filter_map(&find).collect();
    // Bit patterns of numbers that are not negative sort as the numbers do.
    found.sort_by_cached_key(|m| trimmed_cost(m, points, share).to_bits());
    let best: Vec<Model> = found.iter().take(CLOSER).cloned().collect();
    for model in best {
        for k in 0..6 {
            let a = f64::from(k) * std::f64::consts::FRAC_PI_3;
            let w = model.w + (model.u * a.cos() + model.v * a.sin()) * CLOSER_TILT;
            found.extend(find(&UnitVec3::new_normalize(w)));
        }
    }
    found
}

/// Deterministic pairs of different indices, spread over all.
fn spread_pairs(n: usize, count: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..count).filter_map(move |k| {
        let at = |x: f64| ((x.fract() * n as f64) as usize).min(n - 1);
        // The plastic number's powers spread points evenly over the square.
        let (i, j) = (at(k as f64 * 0.754_877_666_246_693), at(0.5 + k as f64 * 0.569_840_290_998_053));
        (i != j).then_some((i, j))
    })
}

/// Deterministic triples of different indices, spread over all.
fn spread_triples(n: usize, count: usize) -> impl Iterator<Item = [usize; 3]> {
    (0..count).filter_map(move |k| {
        let at = |x: f64| ((x.fract() * n as f64) as usize).min(n - 1);
        let k = k as f64;
        let t =
            [at(k * 0.819_172_513_396_164), at(0.3 + k * 0.671_043_606_703_789), at(0.6 + k * 0.549_700_477_901_970)];
        (t[0] != t[1] && t[1] != t[2] && t[0] != t[2]).then_some(t)
    })
}

/// A linear least-squares answer; a ridge at rounding level keeps a thin patch solvable.
fn linear<const N: usize>(rows: impl Iterator<Item = (SVector<f64, N>, f64)>) -> Option<SVector<f64, N>> {
    let mut a = SMatrix::<f64, N, N>::zeros();
    let mut b = SVector::<f64, N>::zeros();
    for (row, value) in rows {
        a += row * row.transpose();
        b += row * value;
    }
    let ridge = 1e-11 * a.trace();
    for i in 0..N {
        a[(i, i)] += ridge;
    }
    let a = DMatrix::from_column_slice(N, N, a.as_slice());
    let solution = a.cholesky()?.solve(&nalgebra::DVector::from_column_slice(b.as_slice()));
    Some(SVector::from_column_slice(solution.as_slice()))
}

/// Finds a model linearly, drops its worst points and finds it again, twice.
fn with_concentration(points: &[Vec3], share: f64, find: impl Fn(&[Vec3]) -> Option<Model>) -> Option<Model> {
    let mut model = find(points)?;
    if share < 1.0 {
        for _ in 0..3 {
            let near = nearest_share(&model, points, share);
            model = find(&near)?;
        }
    }
    Some(model)
}

/// Circle of the projection along `w`, by the linear equation x² + y² = 2ax + 2by + c.
fn cylinder_along(points: &[Vec3], w: &UnitVec3, share: f64) -> Option<Model> {
    let (u, v) = frame_about(w);
    with_concentration(points, share, |points| {
        let answer = linear(points.iter().map(|p| {
            let (x, y) = (u.dot(p), v.dot(p));
            (SVector::from([x, y, 1.0]), x * x + y * y)
        }))?;
        let (a, b) = (0.5 * answer[0], 0.5 * answer[1]);
        let square = answer[2] + a * a + b * b;
        (square > 0.0).then(|| Model::new(Kind::Cylinder, u * a + v * b, w.into_inner(), square.sqrt(), 0.0))
    })
}

fn as_cone(cylinder: Model) -> Model {
    Model { kind: Kind::Cone, ..cylinder }
}

/// Cone about `w`: its centre line by x² + y² = 2ax + 2by + c + dz + ez², then radius against height.
fn cone_along(points: &[Vec3], w: &UnitVec3, share: f64) -> Option<Model> {
    let (u, v) = frame_about(w);
    with_concentration(points, share, |points| {
        let answer = linear(points.iter().map(|p| {
            let (x, y, z) = (u.dot(p), v.dot(p), w.dot(p));
            (SVector::from([x, y, 1.0, z, z * z]), x * x + y * y)
        }))?;
        let centre = u * (0.5 * answer[0]) + v * (0.5 * answer[1]);
        let line = linear(points.iter().map(|p| {
            let d = p - centre;
            let z = w.dot(&d);
            (SVector::from([1.0, z]), (d - w.into_inner() * z).norm())
        }))?;
        Some(Model::new(Kind::Cone, centre, w.into_inner(), line[0], line[1].atan()))
    })
}

fn plane_starts(points: &[Vec3]) -> Vec<Model> {
    let (m, mean) = scatter(points);
    let mut found = vec![Model::new(Kind::Plane, mean, eigenvectors(m)[0], 0.0, 0.0)];
    for [i, j, k] in spread_triples(points.len(), 60) {
        let normal = (points[j] - points[i]).cross(&(points[k] - points[i]));
        if normal.norm() > 1e-3 {
            found.push(Model::new(Kind::Plane, points[i], normal, 0.0, 0.0));
        }
    }
    found
}

/// Sphere by the linear equation |x|² = 2c·x + d.
fn sphere_of(points: &[Vec3]) -> Option<Model> {
    let answer = linear(points.iter().map(|p| (SVector::from([p.x, p.y, p.z, 1.0]), p.norm_squared())))?;
    let centre = Vec3::new(answer[0], answer[1], answer[2]) * 0.5;
    let square = answer[3] + centre.norm_squared();
    (square > 0.0).then(|| Model::new(Kind::Sphere, centre, Vec3::z(), square.sqrt(), 0.0))
}

fn sphere_starts(points: &[Vec3], share: f64) -> Vec<Model> {
    let mut found: Vec<Model> = with_concentration(points, share, sphere_of).into_iter().collect();
    if share < 1.0 {
        // Small subsets: one without outliers is enough.
        for t in spread_triples(points.len(), 60) {
            for extra in [(t[0] + t[1]) % points.len(), (t[1] + 2 * t[2]) % points.len()] {
                found.extend(sphere_of(&[points[t[0]], points[t[1]], points[t[2]], points[extra]]));
            }
        }
    }
    found
}

fn circle_starts(points: &[Vec3], share: f64) -> Vec<Model> {
    let (m, _) = scatter(points);
    let mut normals: Vec<Vec3> = eigenvectors(m).to_vec();
    normals.extend(
        spread_triples(points.len(), 60).map(|[i, j, k]| (points[j] - points[i]).cross(&(points[k] - points[i]))),
    );
    normals
        .into_iter()
        .filter_map(|n| UnitVec3::try_new(n, 1e-9))
        .filter_map(|w| {
            let cylinder = cylinder_along(points, &w, share)?;
            let mut heights: Vec<f64> = points.iter().map(|p| w.dot(p)).collect();
            let middle = heights.len() / 2;
            heights.select_nth_unstable_by(middle, f64::total_cmp);
            Some(Model { kind: Kind::Circle, point: cylinder.point + w.into_inner() * heights[middle], ..cylinder })
        })
        .collect()
}
