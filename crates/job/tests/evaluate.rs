//! From a job and its scans to features and hardpoints, on scans whose truth is known.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::cell::Cell;
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex};
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_fit::{Kind, Relation};
use stringline_hardpoints::{Construction, Role, Side};
use stringline_job::{
    EvaluateError, Evaluator, FitSpec, HardpointSpec, History, Job, Joint, LoadError, LoadedScan, Loading, Name, Op,
    Placement, ScanFile, Wanted, evaluate, load_watched,
};
use stringline_scan::{Cloud, Dab, Geometry, Scan};

/// A repeatable stand-in for noise, uniform in ±`width`.
struct Noise(u64);

impl Noise {
    fn next(&mut self, width: f64) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        width * ((self.0 >> 33) as f64 / (1_u64 << 30) as f64 - 1.0)
    }
}

const NOISE: f64 = 0.02;

/// Two bores along z, of radius 10 at the origin and 8 a hundred millimetres up, and a face z = 40.
fn part() -> LoadedScan {
    let mut noise = Noise(7);
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    for (radius, low) in [(10.0, 0.0), (8.0, 100.0)] {
        for i in 0..40 {
            for j in 0..120 {
                let (angle, z) = (TAU * f64::from(j) / 120.0, low + 0.5 * f64::from(i));
                let (sin, cos) = angle.sin_cos();
                let r: f64 = radius + noise.next(NOISE);
                points.push(Point3::new(r * cos, r * sin, z));
                normals.push(Vec3::new(-cos, -sin, 0.0));
            }
        }
    }
    for i in 0..60 {
        for j in 0..60 {
            points.push(Point3::new(20.0 + 0.5 * f64::from(i), 0.5 * f64::from(j), 40.0 + noise.next(NOISE)));
            normals.push(Vec3::z());
        }
    }
    LoadedScan { scan: Arc::new(Scan::new(Geometry::Cloud(Cloud { points, normals }))), sha256: "0".repeat(64) }
}

fn name(text: &str) -> Name {
    text.parse().unwrap()
}

fn file(sha: char) -> ScanFile {
    ScanFile {
        file: "part.ply".into(),
        size: 1,
        sha256: sha.to_string().repeat(64),
        unit: LengthUnit::Millimetre,
        extra: Default::default(),
    }
}

/// Turned about x by 90° and shifted: the bore's axis z becomes −y.
fn car_from_scan() -> RigidTransform {
    RigidTransform::new(Vec3::new(5.0, 600.0, 300.0), Vec3::x() * (TAU / 4.0))
}

fn job() -> History {
    let mut history = History::new(Job::default());
    history.apply(&Op::AddScan { name: name("part"), scan: file('0') }).unwrap();
    let mut add = |feature: &str, shape: Wanted, dabs: &[[f64; 3]]| {
        let fit = FitSpec { shape, ..FitSpec::default() };
        history.apply(&Op::AddFeature { name: name(feature), scan: name("part"), fit }).unwrap();
        let dabs = dabs.iter().map(|&at| Dab::new(Point3::from(at), 6.0)).collect();
        history.apply(&Op::Paint { feature: name(feature), dabs }).unwrap();
    };
    add("lower", Wanted::Cylinder, &[[10.0, 0.0, 10.0], [-5.0, 8.66, 10.0], [-5.0, -8.66, 10.0]]);
    add("upper", Wanted::Auto, &[[8.0, 0.0, 110.0], [-4.0, 6.93, 110.0], [-4.0, -6.93, 110.0]]);
    add("face", Wanted::Auto, &[[30.0, 10.0, 40.0], [40.0, 20.0, 40.0]]);
    let placement = Box::new(Placement::typed(&car_from_scan(), "typed"));
    history.apply(&Op::PlaceScan { name: name("part"), placement }).unwrap();
    let hardpoint = hardpoint(Role::LowerBallJoint, "lower", "face");
    history.apply(&Op::SetHardpoint { hardpoint }).unwrap();
    history
}

fn hardpoint(role: Role, axis: &str, plane: &str) -> HardpointSpec {
    HardpointSpec {
        role,
        side: Side::Left,
        construction: Construction::AxisMeetsPlane { axis: axis.into(), plane: plane.into() },
        extra: Default::default(),
    }
}

fn loader(scan: &Arc<LoadedScan>) -> impl Fn(&Name, &ScanFile) -> Result<Arc<LoadedScan>, LoadError> {
    let scan = Arc::clone(scan);
    move |_, _| Ok(Arc::clone(&scan))
}

#[test]
fn features_and_hardpoints_come_out_where_they_are() {
    let results = evaluate(job().job(), &loader(&Arc::new(part())));
    assert!(results.is_complete(), "{:?}", results.failures);
    let radius = |feature: &str| results.features[feature].feature.shape.radius().unwrap();
    assert!((radius("lower") - 10.0).abs() < 0.01 && (radius("upper") - 8.0).abs() < 0.01);
    assert_eq!(results.features["face"].feature.shape.kind(), Kind::Plane);
    assert_eq!(results.features["upper"].feature.shape.kind(), Kind::Cylinder);
    assert_eq!(results.features["upper"].weighed.as_ref().unwrap().candidates[0].feature.shape.kind(), Kind::Cylinder);

    let found = results.set.find(Role::LowerBallJoint, Side::Left).unwrap();
    let truth = car_from_scan() * Point3::new(0.0, 0.0, 40.0);
    let off = (Point3::from(found.position) - truth).norm();
    assert!(off < 0.02 && off < 3.0 * found.u95.unwrap().position, "{off}");
    assert_eq!(found.sources, ["face", "lower"]);
    assert_eq!(results.set.scans.len(), 1);
    results.set.check().unwrap();
}

#[test]
fn the_same_job_gives_the_same_numbers_bit_for_bit() {
    let bits = || {
        let results = evaluate(job().job(), &loader(&Arc::new(part())));
        let numbers =
            results.features.values().flat_map(|f| f.feature.shape.parameters().iter().copied().collect::<Vec<_>>());
        let covariances =
            results.features.values().flat_map(|f| f.feature.covariance.iter().copied().collect::<Vec<_>>());
        let text = results.set.to_json().unwrap();
        (numbers.chain(covariances).map(f64::to_bits).collect::<Vec<_>>(), text)
    };
    assert_eq!(bits(), bits());
}

#[test]
fn one_bad_feature_does_not_cost_the_others() {
    let mut history = job();
    let far = vec![Dab::new(Point3::new(500.0, 0.0, 0.0), 3.0)];
    let fit = FitSpec::default;
    for (feature, dabs) in [("off the part", far), ("unpainted", vec![])] {
        history.apply(&Op::AddFeature { name: name(feature), scan: name("part"), fit: fit() }).unwrap();
        history.apply(&Op::Paint { feature: name(feature), dabs }).unwrap();
    }
    let hardpoint = hardpoint(Role::TieRodOuter, "off the part", "face");
    history.apply(&Op::SetHardpoint { hardpoint }).unwrap();
    let results = evaluate(history.job(), &loader(&Arc::new(part())));
    assert_eq!(results.features.len(), 3);
    assert!(results.set.find(Role::LowerBallJoint, Side::Left).is_some());
    let failures: Vec<(&str, &str)> = results.failures.iter().map(|f| (f.what, f.name.as_str())).collect();
    assert_eq!(failures, [("feature", "off the part"), ("feature", "unpainted"), ("hardpoint", "tie rod outer, left")]);
    assert!(matches!(results.failures[0].error, EvaluateError::Paint(_)));
    assert!(matches!(results.failures[1].error, EvaluateError::NotPainted));
    assert!(results.failures[2].error.is_consequence());
}

#[test]
fn a_scan_that_cannot_be_had_is_told_once_with_what_rests_on_it() {
    let load = |_: &Name, _: &ScanFile| {
        Err(LoadError::Io { path: "part.ply".into(), cause: std::io::ErrorKind::NotFound.into() })
    };
    let results = evaluate(job().job(), &load);
    let causes: Vec<&str> =
        results.failures.iter().filter(|f| !f.error.is_consequence()).map(|f| f.name.as_str()).collect();
    assert_eq!(causes, ["part"]);
    assert_eq!(results.failures.len(), 1 + 3 + 1);
}

#[test]
fn a_scan_without_a_place_gives_features_and_no_hardpoints() {
    let mut history = job();
    history.apply(&Op::UnplaceScan { name: name("part") }).unwrap();
    let results = evaluate(history.job(), &loader(&Arc::new(part())));
    assert_eq!(results.features.len(), 3);
    assert!(results.set.hardpoints.is_empty() && results.set.datums.is_empty());
    assert!(matches!(results.failures[0].error, EvaluateError::NotPlaced { .. }), "{:?}", results.failures);
}

#[test]
fn bores_that_are_joined_share_an_axis_to_rounding() {
    let mut history = job();
    let joint = Joint {
        features: vec![name("lower"), name("upper")],
        relation: Relation::CommonAxis,
        extra: Default::default(),
    };
    history.apply(&Op::Join { name: name("pair"), joint }).unwrap();
    let results = evaluate(history.job(), &loader(&Arc::new(part())));
    assert!(results.is_complete(), "{:?}", results.failures);
    let [lower, upper] = ["lower", "upper"].map(|f| &results.features[f]);
    let (a, b) = (lower.feature.shape.direction().unwrap(), upper.feature.shape.direction().unwrap());
    assert!(a.cross(&b).norm() < 1e-12);
    let step = upper.feature.shape.point() - lower.feature.shape.point();
    assert!(step.cross(&a).norm() < 1e-9);
    assert_eq!(lower.joint.as_ref().unwrap().0.as_str(), "pair");
    // A hundred millimetres apart they hold the axis far better than either alone.
    let alone = evaluate(job().job(), &loader(&Arc::new(part())));
    let tilt = |f: &stringline_fit::Feature| f.covariance.view((3, 3), (3, 3)).trace();
    assert!(tilt(&lower.feature) < 0.1 * tilt(&alone.features["lower"].feature));
}

#[test]
fn datums_in_between_are_made_after_what_they_rest_on() {
    let mut history = job();
    // The names are against the order in which they must be made.
    let steps = [
        ("z", Construction::AxisMeetsPlane { axis: "lower".into(), plane: "face".into() }),
        ("y", Construction::AxisMeetsPlane { axis: "upper".into(), plane: "face".into() }),
        ("a", Construction::MidPoint { first: "z".into(), second: "y".into() }),
    ];
    for (datum, construction) in steps {
        history.apply(&Op::SetDatum { name: name(datum), construction }).unwrap();
    }
    let results = evaluate(history.job(), &loader(&Arc::new(part())));
    assert!(results.is_complete(), "{:?}", results.failures);
    let truth = car_from_scan() * Point3::new(0.0, 0.0, 40.0);
    assert!((results.datums["a"].datum.position() - truth).norm() < 0.05);

    // A file may hold what no operation makes: datums that rest on each other.
    let mut text: serde_json::Value = serde_json::from_slice(&history.job().to_json().unwrap()).unwrap();
    text["datums"]["z"] = serde_json::json!({ "how": "mid_point", "first": "a", "second": "y" });
    let job = Job::from_json(text.to_string().as_bytes()).unwrap();
    let results = evaluate(&job, &loader(&Arc::new(part())));
    let circular = results.failures.iter().filter(|f| matches!(f.error, EvaluateError::Circular)).count();
    assert_eq!((circular, results.datums.len()), (2, 1));
}

#[test]
fn a_job_that_names_what_is_not_there_fails_in_part() {
    let mut text: serde_json::Value = serde_json::from_slice(&job().job().to_json().unwrap()).unwrap();
    text["features"]["face"]["scan"] = serde_json::json!("elsewhere");
    text["joints"] = serde_json::json!({ "pair": { "features": ["lower", "nobody"], "relation": "parallel" } });
    let job = Job::from_json(text.to_string().as_bytes()).unwrap();
    let results = evaluate(&job, &loader(&Arc::new(part())));
    assert_eq!(results.features.keys().map(Name::as_str).collect::<Vec<_>>(), ["upper"]);
    let missing = results.failures.iter().filter(|f| matches!(f.error, EvaluateError::Missing { .. })).count();
    assert_eq!(missing, 2, "{:?}", results.failures);
}

#[test]
fn a_placements_own_uncertainty_is_counted() {
    let mut history = job();
    let u = |history: &History| {
        let results = evaluate(history.job(), &loader(&Arc::new(part())));
        results.set.find(Role::LowerBallJoint, Side::Left).unwrap().covariance.clone().unwrap()
    };
    let exact = u(&history);
    let mut placement = Placement::typed(&car_from_scan(), "typed");
    let mut covariance = [[0.0; 6]; 6];
    (0..3).for_each(|k| covariance[k][k] = 0.25);
    placement.covariance = Some(covariance);
    history.apply(&Op::PlaceScan { name: name("part"), placement: Box::new(placement) }).unwrap();
    let placed = u(&history);
    for (row, exact) in exact.iter().enumerate() {
        assert!((placed[row][row] - exact[row] - 0.25).abs() < 1e-9);
    }
}

#[test]
fn only_what_changed_is_computed_again() {
    let mut history = job();
    let scan = Arc::new(part());
    let loads = Cell::new(0);
    let load = |_: &Name, _: &ScanFile| {
        loads.set(loads.get() + 1);
        Ok(Arc::clone(&scan))
    };
    let mut evaluator = Evaluator::default();
    let first = evaluator.evaluate(history.job(), &load);
    let dab = vec![Dab::new(Point3::new(25.0, 25.0, 40.0), 6.0)];
    history.apply(&Op::Paint { feature: name("face"), dabs: dab }).unwrap();
    let second = evaluator.evaluate(history.job(), &load);
    assert_eq!(loads.get(), 1);
    assert!(Arc::ptr_eq(&first.features["lower"], &second.features["lower"]));
    assert!(!Arc::ptr_eq(&first.features["face"], &second.features["face"]));
    assert!(second.features["face"].patch.points.len() > first.features["face"].patch.points.len());
    // And it gives what a fresh evaluation gives.
    let fresh = evaluate(history.job(), &load);
    assert_eq!(fresh.set.to_json().unwrap(), second.set.to_json().unwrap());
    // Another file under the same name is loaded anew.
    history.apply(&Op::ReplaceScan { name: name("part"), scan: file('1') }).unwrap();
    evaluator.evaluate(history.job(), &load);
    assert_eq!(loads.get(), 3);
}

#[test]
fn evaluating_can_be_stopped_and_goes_on_where_it_was() {
    let scan = Arc::new(part());
    let mut evaluator = Evaluator::default();
    // Several are begun at a time; each is told its number once.
    let asked = Mutex::new(Vec::new());
    let once = |begun: usize, all: usize| {
        assert_eq!(all, 3);
        asked.lock().unwrap().push(begun);
        begun < 1
    };
    let job = job();
    assert!(evaluator.evaluate_watched(job.job(), &loader(&scan), &once).is_none());
    let mut asked = asked.into_inner().unwrap();
    asked.sort_unstable();
    assert_eq!(asked, [0, 1, 2]);
    let after = evaluator.evaluate(job.job(), &loader(&scan));
    let fresh = evaluate(job.job(), &loader(&scan));
    assert!(after.is_complete());
    assert_eq!(after.features["face"].feature, fresh.features["face"].feature);
}

#[test]
fn loading_tells_how_far_it_is_and_can_be_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("points.xyz");
    let text: String = (0..20_000).map(|i| format!("{} {} {}\n", i % 100, i / 100, i % 7)).collect();
    std::fs::write(&path, text).unwrap();
    let file = stringline_job::scan_file(&path, LengthUnit::Millimetre, folder.path()).unwrap();
    let shares = std::cell::RefCell::new(Vec::new());
    let watch = |loading: Loading<'_>| {
        match loading {
            Loading::Read(share) => shares.borrow_mut().push(share),
            Loading::Geometry(geometry) => assert_eq!(geometry.points().len(), 20_000),
        }
        true
    };
    load_watched(&file, folder.path(), &watch).unwrap();
    let shares = shares.into_inner();
    assert!(shares.is_sorted() && shares[0] == 0.0 && *shares.last().unwrap() > 0.9, "{shares:?}");
    for stop_at in [0.0, 0.6] {
        let watch = |loading: Loading<'_>| !matches!(loading, Loading::Read(share) if share >= stop_at);
        assert!(matches!(load_watched(&file, folder.path(), &watch), Err(LoadError::Stopped { .. })));
    }
    let at_the_end = |loading: Loading<'_>| matches!(loading, Loading::Read(_));
    assert!(matches!(load_watched(&file, folder.path(), &at_the_end), Err(LoadError::Stopped { .. })));
}
