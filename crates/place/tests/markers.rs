//! Markers found in simulated scans, and matched without numbering. All data are invented.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use nalgebra::UnitQuaternion;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_place::{
    MarkerKind, MarkerNote, MarkerSettings, MatchSettings, find_discs, find_spheres, match_markers,
};
use stringline_scan::{Cloud, Geometry, Mesh, Scan};

struct Layout {
    source: Vec<Point3>,
    target: Vec<Point3>,
    truth: RigidTransform,
    /// True pairs.
    common: Vec<(usize, usize)>,
}

fn vector(rng: &mut ChaCha8Rng, size: f64) -> Vec3 {
    Vec3::from_fn(|_, _| size * (2.0 * rng.random::<f64>() - 1.0))
}

fn scatter(rng: &mut ChaCha8Rng, sigma: f64) -> Vec3 {
    Vec3::from_fn(|_, _| sigma * Distribution::<f64>::sample(&StandardNormal, rng))
}

/// 8 to 40 markers on a part of 300 × 240 × 160 mm; of each set up to 30 % are missing in the other or false.
fn layout(seed: u64) -> Layout {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let n = rng.random_range(8..=40_usize);
    let mut markers: Vec<Point3> = Vec::new();
    while markers.len() < n {
        let v = vector(&mut rng, 1.0);
        let p = Point3::new(150.0 * v.x, 120.0 * v.y, 80.0 * v.z);
        if markers.iter().all(|q| (p - q).norm() > 15.0) {
            markers.push(p);
        }
    }
    let truth = RigidTransform::from_parts(
        vector(&mut rng, 500.0).into(),
        UnitQuaternion::from_scaled_axis(vector(&mut rng, 3.0)),
    );
    // What the target lacks, and what it has instead.
    let wrong = (n as f64 * 0.3 * rng.random::<f64>()).round() as usize;
    let mut target: Vec<(Point3, Option<usize>)> = (wrong..n).map(|i| (truth * markers[i], Some(i))).collect();
    for _ in 0..wrong {
        let v = vector(&mut rng, 1.0);
        target.push((truth * Point3::new(150.0 * v.x, 120.0 * v.y, 80.0 * v.z), None));
    }
    for i in (1..target.len()).rev() {
        target.swap(i, rng.random_range(0..=i));
    }
    let common = target.iter().enumerate().filter_map(|(j, (_, i))| Some(((*i)?, j))).collect();
    Layout {
        source: markers.iter().map(|p| p + scatter(&mut rng, 0.05)).collect(),
        target: target.iter().map(|(p, _)| p + scatter(&mut rng, 0.05)).collect(),
        truth,
        common,
    }
}

#[test]
fn random_layouts_are_matched_and_never_wrongly_without_a_warning() {
    let (mut right, mut warned, mut silently_wrong) = (0, 0, Vec::new());
    for seed in 0..1000 {
        let layout = layout(seed);
        let found = match_markers(&layout.source, &layout.target, &MatchSettings::default());
        let good = found.as_ref().is_ok_and(|m| {
            let true_pairs = m.pairs.iter().filter(|p| layout.common.contains(&(p.source, p.target))).count();
            let off = layout.source.iter().map(|p| (m.fit.target_from_source * p - layout.truth * p).norm());
            true_pairs == m.pairs.len() && off.fold(0.0, f64::max) < 0.5
        });
        let noted = found.as_ref().map_or(true, |m| !m.notes.is_empty());
        right += usize::from(good);
        warned += usize::from(noted);
        if !good && !noted {
            silently_wrong.push(seed);
        }
    }
    println!("{right} right, {warned} with a note, {} wrong without one", silently_wrong.len());
    assert!(right >= 995, "{right}");
    assert!(silently_wrong.is_empty(), "{silently_wrong:?}");
    // A warning at every turn would be worth nothing.
    assert!(warned <= 20, "{warned}");
}

#[test]
fn a_symmetric_layout_is_told() {
    // Six on a ring with one a little off: a turn by 60° matches five of six.
    let ring = |k: usize, r: f64| {
        Point3::new(
            r * (k as f64 * std::f64::consts::FRAC_PI_3).cos(),
            r * (k as f64 * std::f64::consts::FRAC_PI_3).sin(),
            0.0,
        )
    };
    for odd in [100.0, 101.0] {
        let source: Vec<Point3> = (0..6).map(|k| ring(k, if k == 0 { odd } else { 100.0 })).collect();
        let truth = RigidTransform::new(Vec3::new(5.0, 6.0, 7.0), Vec3::new(0.1, 0.2, 2.0));
        let target: Vec<Point3> = source.iter().map(|p| truth * p).collect();
        let found = match_markers(&source, &target, &MatchSettings::default()).unwrap();
        assert!(matches!(found.notes[..], [MarkerNote::Ambiguous { .. }]), "{odd}: {:?}", found.notes);
    }
    // A regular grid: every shift by a step matches most, and it must not take for ever.
    let grid: Vec<Point3> =
        (0..36).map(|i| Point3::new(f64::from(i % 6) * 30.0, f64::from(i / 6) * 30.0, 0.0)).collect();
    let found = match_markers(&grid, &grid, &MatchSettings::default()).unwrap();
    assert!(matches!(found.notes[0], MarkerNote::Ambiguous { .. }));
}

fn noise(rng: &mut ChaCha8Rng) -> f64 {
    0.03 * Distribution::<f64>::sample(&StandardNormal, rng)
}

/// A wavy sheet of 160 × 120 mm with balls of radius 6 on it, as a cloud without normals.
fn with_balls(centres: &[[f64; 2]]) -> (Scan, Vec<Point3>) {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let height = |x: f64, y: f64| 3.0 * (x / 25.0).sin() + 2.0 * (y / 30.0).cos();
    let truth: Vec<Point3> = centres.iter().map(|&[x, y]| Point3::new(x, y, height(x, y) + 5.0)).collect();
    let mut points = Vec::new();
    for i in 0..320 {
        for j in 0..240 {
            let (x, y) = (0.5 * f64::from(i), 0.5 * f64::from(j));
            let p = Point3::new(x, y, height(x, y) + noise(&mut rng));
            if truth.iter().all(|c| (p - c).norm() > 6.0) {
                points.push(p);
            }
        }
    }
    for c in &truth {
        for k in 0..2000 {
            let (z, a) = (1.0 - 2.0 * (f64::from(k) + 0.5) / 2000.0, f64::from(k) * 2.399_963);
            let r = (1.0 - z * z).sqrt();
            let d = Vec3::new(r * a.cos(), r * a.sin(), z);
            let p = c + d * (6.0 + noise(&mut rng));
            if p.z > height(p.x, p.y) + 0.3 {
                points.push(p);
            }
        }
    }
    (Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] })), truth)
}

#[test]
fn balls_on_a_wavy_sheet_are_found() {
    let (scan, truth) = with_balls(&[[20.0, 20.0], [130.0, 30.0], [70.0, 95.0], [140.0, 100.0], [60.0, 40.0]]);
    let found = find_spheres(&scan, &MarkerSettings { least_radius: 3.0, ..MarkerSettings::default() });
    assert_eq!(found.len(), truth.len(), "{found:?}");
    for marker in &found {
        let off = truth.iter().map(|c| (marker.centre - c).norm()).fold(f64::INFINITY, f64::min);
        assert!(off < 0.02 && (marker.radius - 6.0).abs() < 0.02, "{off} {marker:?}");
        assert_eq!(marker.kind, MarkerKind::Sphere);
        assert!(off < 5.0 * marker.sigma(), "{off} {}", marker.sigma());
    }
}

/// A sheet with discs of radius 5 that stand out by 1 mm, or lie 1 mm deeper, and a hole ringed by a step, which is none.
#[test]
fn discs_that_stand_out_or_lie_deeper_are_found() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let discs = [([20.0, 20.0], 1.0), ([75.0, 22.0], -1.0), ([48.0, 60.0], 1.0)];
    let step = 0.4;
    let (nx, ny) = (250, 200);
    let mut mesh = Mesh::default();
    for i in 0..=nx {
        for j in 0..=ny {
            let (x, y) = (step * f64::from(i), step * f64::from(j));
            let mut z = 0.02 * x;
            for ([cx, cy], lift) in discs {
                // A flank of 0.3 mm.
                let inside = ((5.0 - (x - cx).hypot(y - cy)) / 0.3).clamp(0.0, 1.0);
                z += lift * inside;
            }
            let ring = (x - 80.0).hypot(y - 62.0);
            z += ((5.0 - ring) / 0.3).clamp(0.0, 1.0) - 1.5 * ((2.5 - ring) / 0.3).clamp(0.0, 1.0);
            mesh.vertices.push(Point3::new(x, y, z + 0.3 * noise(&mut rng)));
        }
    }
    let id = |i: u32, j: u32| i * (ny as u32 + 1) + j;
    for i in 0..nx as u32 {
        for j in 0..ny as u32 {
            mesh.facets
                .extend([[id(i, j), id(i + 1, j), id(i + 1, j + 1)], [id(i, j), id(i + 1, j + 1), id(i, j + 1)]]);
        }
    }
    let scan = Scan::new(Geometry::Mesh(mesh));
    let found =
        find_discs(&scan, &MarkerSettings { least_radius: 3.0, largest_radius: 8.0, ..MarkerSettings::default() });
    assert_eq!(found.len(), 3, "{found:#?}");
    for marker in &found {
        let off = discs
            .iter()
            .map(|([x, y], _)| (marker.centre.x - x).hypot(marker.centre.y - y))
            .fold(f64::INFINITY, f64::min);
        assert!(off < 0.15 && marker.kind == MarkerKind::Disc, "{off} {marker:?}");
        assert!((marker.radius - 5.0).abs() < 0.7, "{marker:?}");
    }
}
