//! Pictures of a job's scans with its features and hardpoints.

use crate::feature_report::size;
use stringline_core::covariance::two_significant;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_fit::{Feature, Kind};
use stringline_hardpoints::place_feature;
use stringline_job::{FeatureResult, Job, LoadedScan, Name, Results};
use stringline_picture::{Callout, FormSymbol, Frame, PictureSettings, ScanLayer, Scene, TextLine, View, render};
use stringline_scan::{Geometry, Patch};

const NOTE: &str = "mm; ± at 95 %; form error after its symbol";

/// One scan with the features on it, seen from where most of what is painted can be seen.
pub(crate) fn of_scan(results: &Results, name: &Name, loaded: &LoadedScan) -> String {
    let placement = results.placements.get(name).map(|placement| placement.car_from_scan);
    let scene_from_scan = placement.unwrap_or_else(RigidTransform::identity);
    let features: Vec<(&Name, &FeatureResult)> =
        results.features.iter().filter(|(_, f)| f.scan == *name).map(|(n, f)| (n, f.as_ref())).collect();
    let geometry = loaded.scan.geometry();
    let painted: Vec<u32> = features.iter().flat_map(|(_, f)| painted_of(geometry, &f.patch)).copied().collect();

    let mut scene = Scene::new(format!("{name}: features"));
    scene.note = NOTE.into();
    scene.frame = if placement.is_some() { Frame::Car } else { Frame::Scan };
    scene.layers.push(ScanLayer {
        scene_from_scan,
        normals: loaded.scan.oriented().then(|| loaded.scan.normals()),
        painted: &painted,
        ..ScanLayer::new(geometry)
    });
    let normal = |&point: &u32| loaded.scan.normals().get(point as usize).map(|n| scene_from_scan.rotation * n);
    let normals: Vec<Vec<Vec3>> =
        features.iter().map(|(_, f)| f.patch.points.iter().filter_map(normal).collect()).collect();
    let to_viewer = best_view(&normals);
    scene.callouts = features
        .iter()
        .map(|(name, f)| {
            let middle = scene_from_scan * middle(&loaded.scan.sample(&f.patch).points);
            callout(name, &place_feature(&f.feature, &scene_from_scan), &middle, &to_viewer)
        })
        .collect();
    render(&scene, &settings(to_viewer))
}

/// All placed scans with the hardpoints; `None` where nothing is placed.
pub(crate) fn of_car<'a>(
    job: &Job,
    results: &Results,
    scans: impl Iterator<Item = (&'a Name, &'a LoadedScan)>,
) -> Option<String> {
    let mut scene = Scene::new(if job.title.is_empty() { "Hardpoints" } else { &job.title });
    scene.note = NOTE.into();
    scene.frame = Frame::Car;
    for (name, loaded) in scans {
        let Some(car_from_scan) = results.placements.get(name).map(|p| p.car_from_scan) else {
            continue;
        };
        scene.layers.push(ScanLayer {
            scene_from_scan: car_from_scan,
            normals: loaded.scan.oriented().then(|| loaded.scan.normals()),
            ..ScanLayer::new(loaded.scan.geometry())
        });
    }
    if scene.layers.is_empty() || results.set.hardpoints.is_empty() {
        return None;
    }
    for hardpoint in &results.set.hardpoints {
        let at = hardpoint.position.into();
        let mut callout = Callout::hardpoint(at, stringline_job::hardpoint_words(hardpoint.role, hardpoint.side));
        if let Some(u95) = hardpoint.u95 {
            callout = callout.with(format!("± {} mm", two_significant(u95.position)));
        }
        if let Some(direction) = hardpoint.direction {
            let step = Vec3::from(direction) * 40.0;
            callout = callout.along(at - step, at + step);
        }
        scene.callouts.push(callout);
    }
    Some(render(&scene, &PictureSettings::default()))
}

fn settings(to_viewer: UnitVec3) -> PictureSettings {
    let view = View::From { direction: to_viewer, up: Vec3::z_axis() };
    PictureSettings { view, ..PictureSettings::default() }
}

/// The ids that a picture colours: facets of a mesh, points of a cloud.
fn painted_of<'a>(geometry: &Geometry, patch: &'a Patch) -> &'a [u32] {
    match geometry {
        Geometry::Mesh(_) => &patch.facets,
        Geometry::Cloud(_) => &patch.points,
    }
}

/// Of directions all round, none square to an axis, the one to which the features turn most, each
/// feature counting alike; the first of equals. An item holds the normals of a feature's points.
fn best_view(features: &[Vec<Vec3>]) -> UnitVec3 {
    const STEPS: [f64; 4] = [1.0, 0.4, -0.4, -1.0];
    let directions: Vec<UnitVec3> =
        (0..64).map(|i| UnitVec3::new_normalize(Vec3::new(STEPS[i / 16], STEPS[i / 4 % 4], STEPS[i % 4]))).collect();
    let facing = |direction: &UnitVec3| -> f64 {
        let shown = |normals: &Vec<Vec3>| {
            let sum: f64 = normals.iter().map(|normal| direction.dot(normal).max(0.0)).sum();
            sum / normals.len().max(1) as f64
        };
        features.iter().map(shown).sum()
    };
    let scores: Vec<f64> = directions.iter().map(facing).collect();
    let better = |best: usize, next: usize| if scores[next] > scores[best] { next } else { best };
    directions[(0..scores.len()).fold(0, better)]
}

/// The painted point nearest to the middle of them all: on the surface, also where that has a hole.
fn middle(points: &[Point3]) -> Point3 {
    let sum = points.iter().fold(Vec3::zeros(), |sum, p| sum + p.coords);
    let mean = Point3::from(sum / points.len().max(1) as f64);
    let nearer = |a: &&Point3, b: &&Point3| (*a - mean).norm().total_cmp(&(*b - mean).norm());
    points.iter().min_by(nearer).copied().unwrap_or(mean)
}

/// `middle` is a painted point.
fn callout(name: &Name, feature: &Feature, middle: &Point3, to_viewer: &UnitVec3) -> Callout {
    let shape = &feature.shape;
    let (kind, point) = (shape.kind(), shape.point());
    let [low, high] = feature.extent.along;
    let (anchor, axis) = match (kind, shape.direction()) {
        // An axis far off what was painted would draw the part small: a flat face taken as round.
        (Kind::Cylinder | Kind::Cone, Some(direction)) if (point - middle).norm() < 5.0 * (high - low) + 50.0 => {
            let at = |along: f64| point + direction.into_inner() * along;
            let near = if direction.dot(to_viewer) > 0.0 { at(high) } else { at(low) };
            let over = 0.3 * (high - low) + 3.0;
            (near, Some((at(low - over), at(high + over))))
        }
        (Kind::Plane | Kind::Cylinder | Kind::Cone, _) => (*middle, None),
        _ => (point, None),
    };
    let symbol = match kind {
        Kind::Plane => FormSymbol::Flatness,
        Kind::Cylinder => FormSymbol::Cylindricity,
        Kind::Cone | Kind::Sphere => FormSymbol::SurfaceProfile,
        Kind::Circle => FormSymbol::Roundness,
    };
    let mut callout = Callout::feature(anchor, name.to_string());
    if let Some((from, to)) = axis {
        callout = callout.along(from, to);
    }
    let size = size(feature);
    callout = callout.with(if size.is_empty() { kind.words(feature.side).to_owned() } else { size });
    callout.with(TextLine::form(symbol, two_significant(feature.form_error)))
}
