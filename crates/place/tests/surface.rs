//! Surface registration: what is free, painted areas, meshes against clouds, honesty, bad input.
//! Shapes are invented.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_place::{FreeMotion, SurfaceError, SurfaceFit, SurfaceSettings, register};
use stringline_scan::{Cloud, Geometry, Mesh, Scan};
use stringline_testkit::kestrel::{Noise, ScanSettings};
use stringline_testkit::register::{Twice, honest, square, trial};

/// Even over ±1 and the same every time.
fn wobble(i: usize) -> f64 {
    let mut x = (i as u64).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// Points of a surface over the unit square, scattered by ± 0.03 mm in all directions.
fn cloud(n: usize, seed: usize, surface: impl Fn(f64, f64) -> Vec3) -> Scan {
    let points = (0..n)
        .map(|i| {
            let at = |k: usize| wobble(5 * (i + seed * 7_777_777) + k);
            let error = Vec3::new(at(2), at(3), at(4)) * 0.03;
            Point3::from(surface(0.5 * (at(0) + 1.0), 0.5 * (at(1) + 1.0)) + error)
        })
        .collect();
    Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }))
}

fn near() -> RigidTransform {
    RigidTransform::new(Vec3::new(0.2, -0.1, 0.3), Vec3::new(0.002, -0.003, 0.001))
}

fn placed(surface: impl Fn(f64, f64) -> Vec3 + Copy) -> SurfaceFit {
    let settings =
        SurfaceSettings { try_others: false, start_shift: 2.0, start_turn: 0.02, ..SurfaceSettings::default() };
    register(&cloud(20_000, 1, surface), &cloud(20_000, 2, surface), &near(), &settings, |_| true).unwrap()
}

fn slides(fit: &SurfaceFit) -> Vec<Vec3> {
    fit.free
        .iter()
        .filter_map(|f| if let FreeMotion::Slide { along } = f { Some(along.into_inner()) } else { None })
        .collect()
}

fn turns(fit: &SurfaceFit) -> Vec<(Point3, Vec3, f64)> {
    let turn = |f: &FreeMotion| match f {
        FreeMotion::Turn { about, along, pitch } => Some((*about, along.into_inner(), *pitch)),
        FreeMotion::Slide { .. } => None,
    };
    fit.free.iter().filter_map(turn).collect()
}

#[test]
fn what_a_face_leaves_free() {
    let fit = placed(|u, v| Vec3::new(80.0 * u, 60.0 * v, 10.0));
    let (slides, turns) = (slides(&fit), turns(&fit));
    assert_eq!((slides.len(), turns.len()), (2, 1), "{:?}", fit.free);
    assert!(slides.iter().all(|s| s.z.abs() < 1e-2) && turns[0].1.z > 0.999, "{:?}", fit.free);
    assert!(fit.free[2].to_string().starts_with("free to turn about the axis"));
    // Free motions are stated as unknown, the others well: sliding by a metre, heights by less than a micrometre.
    assert!(fit.covariance[(0, 0)].sqrt() > 500.0);
}

#[test]
fn what_a_bore_leaves_free() {
    let fit = placed(|u, v| {
        let a = std::f64::consts::TAU * u;
        Vec3::new(100.0 + 20.0 * a.cos(), 50.0 + 20.0 * a.sin(), 40.0 * v)
    });
    let (slides, turns) = (slides(&fit), turns(&fit));
    assert_eq!((slides.len(), turns.len()), (1, 1), "{:?}", fit.free);
    let (through, about, pitch) = turns[0];
    assert!(slides[0].z > 0.999 && about.z > 0.999 && pitch == 0.0, "{:?}", fit.free);
    assert!((through.x - 100.0).hypot(through.y - 50.0) < 0.1, "{:?}", fit.free);
}

#[test]
fn what_a_ball_leaves_free() {
    let fit = placed(|u, v| {
        let (z, a) = (2.0 * v - 1.0, std::f64::consts::TAU * u);
        let r = (1.0 - z * z).sqrt();
        Vec3::new(30.0 * r * a.cos(), 30.0 * r * a.sin(), 100.0 + 30.0 * z)
    });
    let turns = turns(&fit);
    assert_eq!((fit.free.len(), turns.len()), (3, 3), "{:?}", fit.free);
    assert!(turns.iter().all(|t| (t.0 - Point3::new(0.0, 0.0, 100.0)).norm() < 0.5), "{:?}", fit.free);
}

/// A trough that is flat along x, and a slab: together nothing is free.
fn bracket(u: f64, v: f64) -> Vec3 {
    if u < 0.5 {
        let a = std::f64::consts::PI * 2.0 * u;
        Vec3::new(60.0 * v, 15.0 * a.cos(), 15.0 * a.sin())
    } else {
        Vec3::new(60.0 + 6.0 * (v * 5.0).sin(), 80.0 * (u - 0.75), 50.0 * v)
    }
}

#[test]
fn the_same_on_any_number_of_cores() {
    let (source, target) = (cloud(30_000, 1, bracket), cloud(30_000, 2, bracket));
    let run = |cores: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(cores).build().unwrap();
        pool.install(|| register(&source, &target, &near(), &SurfaceSettings::default(), |_| true).unwrap())
    };
    let one = run(1);
    assert_eq!(one, run(3));
    assert!(one.free.is_empty() && one.converged, "{one:?}");
    let off = (one.target_from_source.translation.vector.norm(), one.target_from_source.rotation.angle());
    assert!(off.0 < 0.01 && off.1 < 2e-4, "{off:?}");
}

#[test]
fn only_the_painted_area_counts() {
    // The slab stands 0.5 mm further out in the source: a bent part. Placed by the trough alone it is seen as that.
    let bent = |u: f64, v: f64| bracket(u, v) + if u < 0.5 { Vec3::zeros() } else { Vec3::x() * 0.5 };
    let (source, target) = (cloud(30_000, 1, bent), cloud(30_000, 2, bracket));
    let trough = |scan: &Scan| -> Vec<u32> {
        let in_it = |p: &Point3| p.x < 50.0 && p.y.abs() < 16.0;
        scan.points().iter().enumerate().filter(|(_, p)| in_it(p)).map(|(i, _)| i as u32).collect()
    };
    let settings = SurfaceSettings {
        source_points: Some(trough(&source)),
        target_points: Some(trough(&target)),
        start_shift: 2.0,
        start_turn: 0.02,
        ..SurfaceSettings::default()
    };
    let fit = register(&source, &target, &near(), &settings, |_| true).unwrap();
    let (slides, turns) = (slides(&fit), turns(&fit));
    assert_eq!((slides.len(), turns.len()), (1, 1), "{:?}", fit.free);
    assert!(slides[0].x > 0.99 && turns[0].1.x > 0.99, "{:?}", fit.free);
    // The trough's axis is in place.
    for x in [5.0, 45.0] {
        let p = Point3::new(x, 0.0, 0.0);
        let off = fit.target_from_source * p - p;
        assert!(off.y.hypot(off.z) < 0.01, "{off}");
    }
}

/// Large flat facets have no vertex near most of what lies on them.
#[test]
fn a_box_of_twelve_facets_takes_a_cloud() {
    let corner = |i: usize| Point3::new((i & 1) as f64 * 80.0, (i >> 1 & 1) as f64 * 50.0, (i >> 2) as f64 * 30.0);
    let vertices: Vec<Point3> = (0..8).map(corner).collect();
    let sides = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let facets = sides.iter().flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
    let target = Scan::new(Geometry::Mesh(Mesh { vertices, facets }));
    let source = cloud(30_000, 1, |u, v| match (u * 3.0) as usize {
        0 => Vec3::new(80.0 * (3.0 * u), 50.0 * v, 30.0),
        1 => Vec3::new(80.0 * (3.0 * u - 1.0), 0.0, 30.0 * v),
        _ => Vec3::new(80.0, 50.0 * (3.0 * u - 2.0), 30.0 * v),
    });
    let settings =
        SurfaceSettings { try_others: false, start_shift: 1.0, start_turn: 0.01, ..SurfaceSettings::default() };
    let fit = register(&source, &target, &near(), &settings, |_| true).unwrap();
    // Three faces square to each other hold everything. Each holds its own direction by 10,000 points that err by
    // 0.03/√3 mm (the target does not err), so to 0.2 µm; turns by about as much at the faces' edges.
    assert!(fit.free.is_empty() && fit.converged, "{fit:?}");
    let corners = (0..8).map(corner);
    let worst = corners.map(|p| (fit.target_from_source * p - p).norm()).fold(0.0, f64::max);
    assert!(worst < 0.002, "{worst}");
    assert!((0.5..2.0).contains(&(fit.rms * 3.0_f64.sqrt() / 0.03)), "{}", fit.rms);
}

#[test]
fn two_fifths_in_common_are_enough() {
    let twice = Twice::new(60_000, 1).noisy(ScanSettings::default().noise, 1);
    let outcomes: Vec<_> = (0..4).map(|seed| trial(&twice, seed, 0.4, seed % 2 == 0, seed == 3)).collect();
    assert!(outcomes.iter().all(|o| o.right()), "{outcomes:?}");
}

/// The full trial is `trials register-cover`. Here: the error in units of what is stated, mean square over six
/// directions and 12 pairs of scans with half of the variance common over 1 mm: one, but for chance, which scatters
/// 72 squares of normal numbers by √(2/72) = 0.17. Were the correlation left out it would be above 4; were the
/// ± stated twice too large, 0.25.
#[test]
fn the_stated_covariance_is_of_the_right_size() {
    let noise = Noise { sigma: 0.03, correlated_share: 0.5, correlation_length: 1.0 };
    let exact = Twice::new(30_000, 1);
    let seen: Vec<_> = (0..12).map(|seed| honest(&exact, seed, noise, false).unwrap()).collect();
    let mean = seen.iter().map(|(fit, _, off)| square(fit, off).unwrap()).sum::<f64>() / seen.len() as f64;
    assert!((0.5..2.0).contains(&mean), "{mean}");
}

#[test]
fn what_cannot_be_placed_says_why() {
    let (source, target) = (cloud(2000, 1, bracket), cloud(2000, 2, bracket));
    let go = |settings: &SurfaceSettings, start: &RigidTransform| register(&source, &target, start, settings, |_| true);
    let none = Scan::new(Geometry::Cloud(Cloud::default()));
    let default = SurfaceSettings::default();
    assert_eq!(
        register(&none, &target, &near(), &default, |_| true),
        Err(SurfaceError::TooFewPoints { scan: "source", found: 0 })
    );
    let gone = SurfaceSettings { target_points: Some(vec![1, 2000]), ..default.clone() };
    assert_eq!(go(&gone, &near()), Err(SurfaceError::NoSuchPoint { scan: "target", id: 2000 }));
    let bad = SurfaceSettings { start_turn: f64::NAN, ..default.clone() };
    assert!(matches!(go(&bad, &near()), Err(SurfaceError::BadValue { .. })));
    let far = RigidTransform::translation(5000.0, 0.0, 0.0);
    assert!(matches!(go(&default, &far), Err(SurfaceError::Apart { .. })));
    assert_eq!(register(&source, &target, &near(), &default, |_| false), Err(SurfaceError::Stopped));
}
