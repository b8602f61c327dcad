//! Scans laid on one another by surfaces, markers and picked points, as recipes of a job. The shapes are invented.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use stringline_core::covariance::coverage_factor;
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_job::{
    EvaluateError, Evaluator, FitSpec, History, How, Job, LoadError, LoadedScan, MarkerSpec, MateSpec, Name, Op,
    OpError, PickedPair, Placement, Results, ScanFile, StartSpec, Tie, Wanted, before_after,
};
use stringline_place::{AdjustError, SurfaceError};
use stringline_scan::{Cloud, Dab, Geometry, Scan};

fn name(text: &str) -> Name {
    text.parse().unwrap()
}

/// Even over ±1 and the same every time (the finaliser of SplitMix64).
fn wobble(i: usize) -> f64 {
    let mut x = (i as u64).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// Points of a surface over the unit square, scattered by ± 0.03 mm, in the frame that `scan_from_part` says.
fn cloud(
    n: usize,
    seed: usize,
    scan_from_part: &RigidTransform,
    surface: impl Fn(f64, f64) -> Vec3,
) -> Arc<LoadedScan> {
    let points = (0..n)
        .map(|i| {
            let at = |k: usize| wobble(5 * (i + seed * 7_777_777) + k);
            let error = Vec3::new(at(2), at(3), at(4)) * 0.03;
            scan_from_part * Point3::from(surface(0.5 * (at(0) + 1.0), 0.5 * (at(1) + 1.0)) + error)
        })
        .collect();
    let scan = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
    Arc::new(LoadedScan { scan: Arc::new(scan), sha256: "0".repeat(64) })
}

/// A trough that is round about x, a wavy slab across its end, and a ball of radius 9: nothing is free, nothing alike.
fn bracket(u: f64, v: f64) -> Vec3 {
    if u < 0.4 {
        let a = std::f64::consts::PI * 2.5 * u;
        Vec3::new(60.0 * v, 15.0 * a.cos(), 15.0 * a.sin())
    } else if u < 0.8 {
        Vec3::new(60.0 + 6.0 * (v * 5.0).sin(), 200.0 * (u - 0.6), 50.0 * v)
    } else {
        let (z, a) = (2.0 * v - 1.0, TAU * 5.0 * (u - 0.8));
        let r = (1.0 - z * z).sqrt();
        Vec3::new(20.0 + 9.0 * r * a.cos(), -32.0 + 9.0 * r * a.sin(), 12.0 + 9.0 * z)
    }
}

/// The trough alone: free along x and about its axis.
fn trough(u: f64, v: f64) -> Vec3 {
    bracket(0.4 * u, v)
}

fn car_from_part() -> RigidTransform {
    RigidTransform::new(Vec3::new(5.0, 600.0, 300.0), Vec3::x() * (TAU / 4.0))
}

fn twin_from_part() -> RigidTransform {
    RigidTransform::new(Vec3::new(-40.0, 12.0, 77.0), Vec3::new(1.1, -0.4, 2.0))
}

struct Bench {
    history: History,
    scans: BTreeMap<Name, Arc<LoadedScan>>,
    evaluator: Evaluator,
}

impl Bench {
    /// "part" is placed exactly, "twin" not.
    fn new(part: Arc<LoadedScan>, twin: Arc<LoadedScan>) -> Bench {
        let mut history = History::new(Job::default());
        for scan in ["part", "twin"] {
            let file = ScanFile {
                file: format!("{scan}.ply"),
                size: 1,
                sha256: "0".repeat(64),
                unit: LengthUnit::Millimetre,
                extra: Default::default(),
            };
            history.apply(&Op::AddScan { name: name(scan), scan: file }).unwrap();
        }
        let placement = Box::new(Placement::typed(&car_from_part(), "typed"));
        history.apply(&Op::PlaceScan { name: name("part"), placement }).unwrap();
        let scans = BTreeMap::from([(name("part"), part), (name("twin"), twin)]);
        Bench { history, scans, evaluator: Evaluator::default() }
    }

    fn of(surface: impl Fn(f64, f64) -> Vec3 + Copy) -> Bench {
        let n = 12_000;
        Bench::new(cloud(n, 1, &RigidTransform::identity(), surface), cloud(n, 2, &twin_from_part(), surface))
    }

    fn mate(&mut self, called: &str, tie: Tie) -> Result<(), OpError> {
        self.history.apply(&Op::SetMate { name: name(called), mate: Box::new(tie.into()) })
    }

    fn paint(&mut self, feature: &str, scan: &str, shape: Wanted, at: &RigidTransform, dabs: &[([f64; 3], f64)]) {
        let fit = FitSpec { shape, ..FitSpec::default() };
        self.history.apply(&Op::AddFeature { name: name(feature), scan: name(scan), fit }).unwrap();
        let dabs = dabs.iter().map(|&(centre, radius)| Dab::new(at * Point3::from(centre), radius)).collect();
        self.history.apply(&Op::Paint { feature: name(feature), dabs }).unwrap();
    }

    fn watched(&mut self, watch: &(dyn Fn(usize, usize) -> bool + Sync)) -> Option<Results> {
        let scans = &self.scans;
        let load = |name: &Name, _: &ScanFile| -> Result<Arc<LoadedScan>, LoadError> { Ok(Arc::clone(&scans[name])) };
        self.evaluator.evaluate_watched(self.history.job(), &load, watch)
    }

    fn results(&mut self) -> Results {
        self.watched(&|_, _| true).unwrap()
    }
}

fn surface(start: StartSpec) -> Tie {
    Tie::Surface { scan: name("twin"), on: name("part"), scan_areas: vec![], on_areas: vec![], start }
}

/// Places on the part as they are picked on both scans, each off by `off` times a fixed vector.
fn picks(off: f64) -> Vec<PickedPair> {
    let places = [[0.0, 15.0, 0.0], [60.0, 0.0, 15.0], [62.0, -35.0, 25.0], [20.0, -32.0, 21.0]];
    let one = |(i, place): (usize, &[f64; 3])| {
        let wrong = Vec3::new(wobble(3 * i), wobble(3 * i + 1), wobble(3 * i + 2)) * off;
        PickedPair { scan: (twin_from_part() * (Point3::from(*place) + wrong)).into(), on: *place }
    };
    places.iter().enumerate().map(one).collect()
}

/// How far the twin is placed off the truth over the part, mm.
fn off(results: &Results) -> f64 {
    let placed = &results.placements[&name("twin")];
    let truth = car_from_part() * twin_from_part().inverse();
    let corners = [[0.0, 0.0, 15.0], [60.0, 40.0, 50.0], [20.0, -40.0, 10.0]].map(Point3::from);
    let at = corners.map(|p| twin_from_part() * p);
    at.iter().map(|p| (placed.car_from_scan * p - truth * p).norm()).fold(0.0, f64::max)
}

#[test]
fn a_scan_is_laid_by_its_surface_from_wherever_it_starts() {
    let truth = twin_from_part().inverse();
    let near = RigidTransform::new(Vec3::new(4.0, -3.0, 5.0), Vec3::new(0.05, -0.08, 0.04)) * truth;
    for start in [StartSpec::Nothing, StartSpec::stand(&near), StartSpec::Points { pairs: picks(2.0) }] {
        let mut bench = Bench::of(bracket);
        bench.mate("laid", surface(start.clone())).unwrap();
        let results = bench.results();
        assert!(results.is_complete(), "{start:?}: {:?}", results.failures);
        assert!(off(&results) < 0.01, "{start:?}: {}", off(&results));
        // What is stated is of the size of the error: 24,000 points of ± 0.03 mm.
        let covariance = results.placements[&name("twin")].covariance.unwrap();
        let laid = &results.laid[&name("laid")];
        assert!(covariance.iter().all(|v| v.is_finite()) && laid.covariance[(3, 3)] > 0.0);
        let How::Surface { fit, .. } = &laid.how else { panic!("{laid:?}") };
        assert!(fit.overlap > 0.9 && fit.free.is_empty(), "{fit:?}");
        // Before and after, as a picture shows it: the gaps shrink to the noise of two scans.
        let [of, against] = ["twin", "part"].map(|s| Arc::clone(&bench.scans[&name(s)].scan));
        let maps =
            before_after(&of, &against, [laid.before().unwrap(), &laid.after(&results)], 20.0, |_| true).unwrap();
        let [before, after] = [&maps.before, &maps.after].map(|map| map.spread().unwrap());
        assert!(after.rms < 0.1 && after.count > 11_000, "{after:?}");
        if start != StartSpec::Nothing {
            assert!(before.within_95 > 10.0 * after.within_95, "{before:?} {after:?}");
        }
    }
}

#[test]
fn what_is_unrelated_registers_nothing_again() {
    let mut bench = Bench::of(bracket);
    bench.mate("laid", surface(StartSpec::Points { pairs: picks(2.0) })).unwrap();
    let first = bench.results();
    bench.history.apply(&Op::SetTitle { title: "another".into() }).unwrap();
    let placement = RigidTransform::translation(1.0, 2.0, 3.0) * car_from_part();
    let placement = Box::new(Placement::typed(&placement, "elsewhere"));
    bench.history.apply(&Op::PlaceScan { name: name("part"), placement }).unwrap();
    let second = bench.results();
    let laid = name("laid");
    assert!(Arc::ptr_eq(&first.laid[&laid], &second.laid[&laid]));
    let moved = |results: &Results| results.placements[&name("twin")].car_from_scan.translation.vector;
    assert!((moved(&second) - moved(&first) - Vec3::new(1.0, 2.0, 3.0)).norm() < 1e-6);
    // Its own words do.
    bench.mate("laid", surface(StartSpec::Points { pairs: picks(1.0) })).unwrap();
    assert!(!Arc::ptr_eq(&first.laid[&laid], &bench.results().laid[&laid]));
    // And undone it is as it was.
    bench.history.undo();
    assert_eq!(*bench.results().laid[&laid], *first.laid[&laid]);
}

#[test]
fn a_registration_can_be_stopped_and_begun_again() {
    let mut bench = Bench::of(bracket);
    bench.mate("a", surface(StartSpec::Points { pairs: picks(2.0) })).unwrap();
    bench.mate("b", Tie::Points { scan: name("twin"), on: name("part"), pairs: picks(0.0), sigma: 1.0 }).unwrap();
    bench.paint("ball", "part", Wanted::Sphere, &RigidTransform::identity(), &[([20.0, -32.0, 21.0], 8.0)]);
    let asked = AtomicUsize::new(0);
    let seen = |begun: usize, of: usize| {
        // One fit and two to be laid.
        assert!(of == 3 && begun < 3, "{begun} of {of}");
        asked.fetch_add(1, Ordering::Relaxed) < 3
    };
    assert!(bench.watched(&seen).is_none());
    // The fit, the registration, and within that once more, on one core or several.
    assert!(asked.into_inner() >= 4);
    let results = bench.results();
    assert!(results.is_complete() && results.laid.len() == 2, "{:?}", results.failures);
}

#[test]
fn picked_points_give_the_closed_form_and_say_when_they_do_not_agree() {
    let mut bench = Bench::of(bracket);
    let tie = Tie::Points { scan: name("twin"), on: name("part"), pairs: picks(0.0), sigma: 0.5 };
    bench.mate("picked", tie).unwrap();
    let results = bench.results();
    assert!(results.is_complete() && results.warnings.is_empty(), "{:?} {:?}", results.failures, results.warnings);
    assert!(off(&results) < 1e-9);
    // Of n points of equal weight the shift of their middle has covariance 2σ²/n (K. S. Arun et al. 1987; see
    // `stringline_place::from_pairs`), in the car too.
    let laid = &results.laid[&name("picked")];
    let covariance = results.placements[&name("twin")].covariance.unwrap();
    let middle = car_from_part() * laid.middle;
    let by = stringline_core::covariance::by_motion(&middle, None);
    let of_middle = &by * nalgebra::DMatrix::from_column_slice(6, 6, covariance.as_slice()) * by.transpose();
    let expected = nalgebra::DMatrix::<f64>::identity(3, 3) * (2.0 * 0.25 / 4.0);
    assert!((of_middle - expected).amax() < 1e-6);
    // Picks that are far off more than they claim are told, and the places are at hand to be drawn.
    let bad = Tie::Points { scan: name("twin"), on: name("part"), pairs: picks(8.0), sigma: 0.5 };
    bench.mate("picked", bad).unwrap();
    let results = bench.results();
    assert!(results.warnings.iter().any(|w| w.about == "picked" && w.text.contains("mm apart")));
    let residuals = results.laid[&name("picked")].residuals();
    assert!(residuals.len() == 4 && residuals.iter().any(|(_, r)| r.norm() > 1.0));
}

/// A plate with balls of radius 6 at these places.
fn with_balls(seed: usize, frame: &RigidTransform, balls: &[[f64; 2]]) -> Arc<LoadedScan> {
    let count = balls.len() as f64;
    cloud(40_000, seed, frame, |u, v| {
        if u < 0.5 {
            return Vec3::new(400.0 * u, 200.0 * v, 0.0);
        }
        let which = (((u - 0.5) * 2.0 * count) as usize).min(balls.len() - 1);
        let (z, a) = (1.6 * v - 0.6, TAU * ((u - 0.5) * 2.0 * count).fract());
        let r = (1.0_f64 - z * z).max(0.0).sqrt();
        Vec3::new(balls[which][0] + 6.0 * r * a.cos(), balls[which][1] + 6.0 * r * a.sin(), 8.0 + 6.0 * z)
    })
}

#[test]
fn markers_lay_a_scan_and_a_symmetric_layout_is_told() {
    let balls = [[20.0, 20.0], [170.0, 35.0], [60.0, 150.0], [120.0, 90.0], [30.0, 100.0]];
    let tie = Tie::Markers {
        scan: name("twin"),
        on: name("part"),
        marker: MarkerSpec::Sphere,
        least_diameter: 8.0,
        largest_diameter: 16.0,
        sigma: 0.05,
    };
    let (id, twin) = (RigidTransform::identity(), twin_from_part());
    // The twin does not see the last one.
    let mut bench = Bench::new(with_balls(1, &id, &balls), with_balls(2, &twin, &balls[..4]));
    bench.mate("balls", tie.clone()).unwrap();
    let results = bench.results();
    assert!(results.is_complete() && results.warnings.is_empty(), "{:?} {:?}", results.failures, results.warnings);
    assert!(off(&results) < 0.05, "{}", off(&results));
    let How::Markers { scan, on, matched } = &results.laid[&name("balls")].how else { panic!() };
    assert_eq!((scan.len(), on.len(), matched.pairs.len(), matched.target_alone.len()), (4, 5, 4, 1));
    // A rectangle looks the same turned half round.
    let rectangle = [[20.0, 20.0], [180.0, 20.0], [180.0, 120.0], [20.0, 120.0]];
    let mut bench = Bench::new(with_balls(1, &id, &rectangle), with_balls(2, &twin, &rectangle));
    bench.mate("balls", tie).unwrap();
    let results = bench.results();
    let told = |w: &stringline_job::Warning| w.about == "balls" && w.text.contains("nearly symmetric");
    assert!(results.warnings.iter().any(told), "{:?}", results.warnings);
}

/// The trough holds all but a slide and a turn, which a ball's centre and a point hold: adjusted together.
#[test]
fn what_a_surface_leaves_free_the_mates_hold() {
    let mut bench = Bench::of(bracket);
    for (scan, frame) in [("part", RigidTransform::identity()), ("twin", twin_from_part())] {
        bench.paint(&format!("{scan} ball"), scan, Wanted::Sphere, &frame, &[([20.0, -32.0, 12.0], 12.0)]);
        let along = [10.0, 25.0, 40.0].map(|x| ([x, 0.0, 15.0], 9.0));
        bench.paint(&format!("{scan} trough"), scan, Wanted::Cylinder, &frame, &along);
    }
    let areas = |scan: &str| vec![name(&format!("{scan} trough"))];
    let by_trough = |start| Tie::Surface {
        scan: name("twin"),
        on: name("part"),
        scan_areas: areas("twin"),
        on_areas: areas("part"),
        start,
    };
    bench.mate("trough", by_trough(StartSpec::Points { pairs: picks(1.0) })).unwrap();
    let alone = bench.results();
    let free = |f: &stringline_job::Failed| f.name == "twin" && matches!(f.error, EvaluateError::Free { .. });
    assert!(alone.failures.iter().any(free), "{:?}", alone.failures);
    assert_eq!(alone.adjusted.unwrap().free.len(), 2);
    let meet = Tie::Meet { first: "twin ball".into(), second: "part ball".into(), offset: 0.0, facing: None };
    bench.mate("ball", meet).unwrap();
    let together = bench.results();
    assert!(together.is_complete(), "{:?}", together.failures);
    assert!(off(&together) < 0.05, "{}", off(&together));
    // The ball has three equations, two of them for what was free: one checks the trough.
    let ball = &together.adjusted.as_ref().unwrap().mates[0];
    assert!(ball.name == "ball" && ball.off.as_ref().is_some_and(|off| off.equations == 1), "{ball:?}");
    assert!((ball.at - car_from_part() * Point3::new(20.0, -32.0, 12.0)).norm() < 0.1);
    assert!(ball.standardised().unwrap() < coverage_factor(3, 30.0));
    // An area of the other scan is no area of this one.
    let wrong = Tie::Surface {
        scan: name("twin"),
        on: name("part"),
        scan_areas: areas("part"),
        on_areas: vec![],
        start: StartSpec::Nothing,
    };
    bench.mate("trough", wrong).unwrap();
    let results = bench.results();
    let elsewhere = |f: &stringline_job::Failed| matches!(f.error, EvaluateError::AreaElsewhere { .. });
    assert!(results.failures.iter().any(elsewhere), "{:?}", results.failures);
    // The mate that holds does its part all the same.
    assert!(results.adjusted.is_some());
}

#[test]
fn a_registration_starts_from_where_the_mates_put_it() {
    let mut bench = Bench::of(bracket);
    bench.mate("laid", surface(StartSpec::Mates)).unwrap();
    let nowhere = bench.results();
    let no_start = |f: &stringline_job::Failed| f.name == "laid" && matches!(f.error, EvaluateError::NoStart { .. });
    assert!(nowhere.failures.iter().any(no_start), "{:?}", nowhere.failures);
    bench.mate("picked", Tie::Points { scan: name("twin"), on: name("part"), pairs: picks(1.0), sigma: 1.0 }).unwrap();
    let results = bench.results();
    assert!(results.is_complete() && off(&results) < 0.01, "{:?} {}", results.failures, off(&results));
    let How::Surface { start, .. } = &results.laid[&name("laid")].how else { panic!() };
    let picked = results.laid[&name("picked")].on_from_scan;
    assert!((start.to_homogeneous() - picked.to_homogeneous()).amax() < 1e-6);
}

/// A placement that is typed moves by no mate; the mate says how far it is off.
#[test]
fn a_typed_placement_is_checked() {
    let mut bench = Bench::of(trough);
    let typed = RigidTransform::translation(0.0, 3.0, 0.0) * car_from_part() * twin_from_part().inverse();
    let placement = Box::new(Placement::typed(&typed, "typed"));
    bench.history.apply(&Op::PlaceScan { name: name("twin"), placement }).unwrap();
    bench.mate("picked", Tie::Points { scan: name("twin"), on: name("part"), pairs: picks(0.0), sigma: 0.1 }).unwrap();
    let results = bench.results();
    assert!(results.is_complete(), "{:?}", results.failures);
    let mate = &results.adjusted.as_ref().unwrap().mates[0];
    assert!((mate.residual - Vec3::y() * 3.0).norm() < 1e-6, "{mate:?}");
    // Four pairs, each of both picks: √(2/4)·0.1 mm.
    assert!((mate.sigma.unwrap() - 0.1 * 0.5_f64.sqrt()).abs() < 1e-6, "{mate:?}");
    assert!(results.warnings.iter().any(|w| w.about == "picked"), "{:?}", results.warnings);
}

#[test]
fn what_cannot_be_laid_says_why_and_costs_the_others_nothing() {
    let mut bench = Bench::of(trough);
    let file = ScanFile { file: "third.ply".into(), ..ScanFile::clone(&bench.history.job().scans[&name("twin")]) };
    bench.history.apply(&Op::AddScan { name: name("third"), scan: file }).unwrap();
    let far = cloud(2000, 3, &RigidTransform::identity(), |u, v| Vec3::new(500.0 * u, 400.0 * v, 0.0));
    bench.scans.insert(name("third"), Arc::clone(&far));
    bench.mate("picked", Tie::Points { scan: name("twin"), on: name("part"), pairs: picks(0.0), sigma: 1.0 }).unwrap();
    let away = RigidTransform::translation(0.0, 0.0, 4000.0);
    let lost = Tie::Surface {
        scan: name("third"),
        on: name("part"),
        scan_areas: vec![],
        on_areas: vec![],
        start: StartSpec::stand(&away),
    };
    bench.mate("lost", lost).unwrap();
    let results = bench.results();
    assert!(
        matches!(&results.failures[..], [f] if f.name == "lost"
        && matches!(f.error, EvaluateError::Surface(SurfaceError::Apart { .. }))),
        "{:?}",
        results.failures
    );
    assert!(off(&results) < 1e-6);
    // Two scans that are tied to each other and not to the car.
    bench
        .history
        .apply(&Op::AddScan { name: name("fourth"), scan: ScanFile::clone(&bench.history.job().scans[&name("third")]) })
        .unwrap();
    bench.scans.insert(name("fourth"), far);
    bench.history.apply(&Op::RemoveMate { name: name("lost") }).unwrap();
    bench
        .mate("loose", Tie::Points { scan: name("third"), on: name("fourth"), pairs: picks(0.0), sigma: 1.0 })
        .unwrap();
    let results = bench.results();
    let not_tied = |f: &&stringline_job::Failed| matches!(f.error, EvaluateError::Adjust(AdjustError::NotTied { .. }));
    assert_eq!(results.failures.iter().filter(not_tied).count(), 2, "{:?}", results.failures);
    assert!(off(&results) < 1e-6);
}

#[test]
fn recipes_that_cannot_be_are_refused() {
    let mut bench = Bench::of(trough);
    let missing = Tie::Points { scan: name("twin"), on: name("no such"), pairs: picks(0.0), sigma: 1.0 };
    assert!(matches!(bench.mate("a", missing), Err(OpError::Missing { what: "scan", .. })));
    let points =
        |on: &str, pairs: Vec<PickedPair>, sigma: f64| Tie::Points { scan: name("twin"), on: name(on), pairs, sigma };
    let bad = [
        points("twin", picks(0.0), 1.0),
        points("part", picks(0.0)[..2].to_vec(), 1.0),
        points("part", picks(0.0), 0.0),
        points("part", vec![PickedPair { scan: [f64::NAN; 3], on: [0.0; 3] }; 3], 1.0),
        surface(StartSpec::Points { pairs: vec![] }),
        surface(StartSpec::Stand { on_from_scan: [[1.0; 4]; 4] }),
    ];
    for tie in bad {
        assert!(matches!(bench.mate("a", tie.clone()), Err(OpError::BadMate { .. })), "{tie:?}");
    }
    bench.mate("a", surface(StartSpec::Nothing)).unwrap();
    let removed = bench.history.apply(&Op::RemoveScan { name: name("twin") });
    assert!(matches!(removed, Err(OpError::Needed { by_what: "mate", .. })), "{removed:?}");
    // What limits it is needed as well.
    bench.paint("area", "twin", Wanted::Auto, &twin_from_part(), &[([10.0, 0.0, 15.0], 9.0)]);
    let limited = Tie::Surface {
        scan: name("twin"),
        on: name("part"),
        scan_areas: vec![name("area")],
        on_areas: vec![],
        start: StartSpec::Nothing,
    };
    bench.mate("a", limited).unwrap();
    let removed = bench.history.apply(&Op::RemoveFeature { name: name("area") });
    assert!(matches!(removed, Err(OpError::Needed { by_what: "mate", .. })), "{removed:?}");
}

#[test]
fn recipes_are_kept_in_the_job() {
    let mut bench = Bench::of(trough);
    bench.mate("a", surface(StartSpec::stand(&car_from_part()))).unwrap();
    bench.mate("b", Tie::Points { scan: name("twin"), on: name("part"), pairs: picks(0.0), sigma: 0.3 }).unwrap();
    let job = bench.history.job();
    let read = Job::from_json(&job.to_json().unwrap()).unwrap();
    assert_eq!(read.mates, job.mates);
    // What is left out has the values that the format's description names.
    let short: MateSpec = serde_json::from_value(serde_json::json!({
        "tie": {"is": "surface", "scan": "twin", "on": "part"}
    }))
    .unwrap();
    assert_eq!(short.tie, surface(StartSpec::Nothing));
    let short: MateSpec = serde_json::from_value(serde_json::json!({
        "tie": {"is": "markers", "scan": "twin", "on": "part", "marker": "disc"}
    }))
    .unwrap();
    let Tie::Markers { least_diameter, largest_diameter, sigma, .. } = short.tie else { panic!() };
    assert_eq!([least_diameter, largest_diameter, sigma], [4.0, 30.0, 0.05]);
}
