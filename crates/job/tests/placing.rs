//! Scans placed by mates, and what that does to the hardpoints, on scans whose truth is known.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::f64::consts::TAU;
use std::sync::Arc;
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_hardpoints::{Construction, Role, Side};
use stringline_job::{
    EvaluateError, FacingSpec, FitSpec, HardpointSpec, History, Job, LoadError, LoadedScan, MateSpec, Name, Op,
    OpError, Placement, Results, ScanFile, Tie, Wanted, evaluate,
};
use stringline_place::AdjustError;
use stringline_scan::{Cloud, Dab, Geometry, Scan};

/// A repeatable stand-in for noise, uniform in ±`width`.
struct Noise(u64);

impl Noise {
    fn next(&mut self, width: f64) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        width * ((self.0 >> 33) as f64 / (1_u64 << 30) as f64 - 1.0)
    }
}

/// Bores along z of radius 10 at the origin and 8 at (90, 0), and a face z = 40, in the frame that `scan_from_part` says.
fn part(seed: u64, scan_from_part: &RigidTransform) -> Arc<LoadedScan> {
    let mut noise = Noise(seed);
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    let mut add = |p: Point3, n: Vec3| {
        points.push(scan_from_part * p);
        normals.push(scan_from_part * n);
    };
    for (radius, x) in [(10.0, 0.0), (8.0, 90.0)] {
        for i in 0..40 {
            for j in 0..120 {
                let (sin, cos) = (TAU * f64::from(j) / 120.0).sin_cos();
                let r: f64 = radius + noise.next(0.02);
                add(Point3::new(x + r * cos, r * sin, 0.5 * f64::from(i)), Vec3::new(-cos, -sin, 0.0));
            }
        }
    }
    for i in 0..60 {
        for j in 0..60 {
            let at = Point3::new(20.0 + 0.5 * f64::from(i), 0.5 * f64::from(j), 40.0 + noise.next(0.02));
            add(at, Vec3::z());
        }
    }
    Arc::new(LoadedScan {
        scan: Arc::new(Scan::new(Geometry::Cloud(Cloud { points, normals }))),
        sha256: "0".repeat(64),
    })
}

fn name(text: &str) -> Name {
    text.parse().unwrap()
}

fn car_from_part() -> RigidTransform {
    RigidTransform::new(Vec3::new(5.0, 600.0, 300.0), Vec3::x() * (TAU / 4.0))
}

fn twin_from_part() -> RigidTransform {
    RigidTransform::new(Vec3::new(-40.0, 12.0, 77.0), Vec3::new(1.1, -0.4, 2.0))
}

/// The same part scanned twice: the first placed, the twin not.
fn job(covariance: Option<[[f64; 6]; 6]>) -> History {
    let mut history = History::new(Job::default());
    for (scan, frame) in [("part", RigidTransform::identity()), ("twin", twin_from_part())] {
        let file = ScanFile {
            file: format!("{scan}.ply"),
            size: 1,
            sha256: "0".repeat(64),
            unit: LengthUnit::Millimetre,
            extra: Default::default(),
        };
        history.apply(&Op::AddScan { name: name(scan), scan: file }).unwrap();
        let bore = |x: f64, r: f64| {
            [0.0, 1.0, 2.0].map(|k| {
                let (sin, cos) = (k * TAU / 3.0).sin_cos();
                [x + r * cos, r * sin, 10.0]
            })
        };
        let features = [
            ("bore", Wanted::Cylinder, bore(0.0, 10.0).to_vec()),
            ("second", Wanted::Cylinder, bore(90.0, 8.0).to_vec()),
            ("face", Wanted::Plane, vec![[30.0, 10.0, 40.0], [40.0, 20.0, 40.0]]),
        ];
        for (feature, shape, dabs) in features {
            let called = name(&format!("{scan} {feature}"));
            let fit = FitSpec { shape, ..FitSpec::default() };
            history.apply(&Op::AddFeature { name: called.clone(), scan: name(scan), fit }).unwrap();
            let dabs = dabs.iter().map(|&at| Dab::new(frame * Point3::from(at), 6.0)).collect();
            history.apply(&Op::Paint { feature: called, dabs }).unwrap();
        }
    }
    let mut placement = Placement::typed(&car_from_part(), "typed");
    placement.covariance = covariance;
    history.apply(&Op::PlaceScan { name: name("part"), placement: Box::new(placement) }).unwrap();
    history
}

fn meet(what: &str) -> Op {
    let facing = (what == "face").then_some(FacingSpec::Same);
    let tie = Tie::Meet { first: format!("twin {what}"), second: format!("part {what}"), offset: 0.0, facing };
    Op::SetMate { name: name(what), mate: Box::new(tie.into()) }
}

fn results(job: &Job) -> Results {
    let (first, twin) = (part(7, &RigidTransform::identity()), part(8, &twin_from_part()));
    let load = move |name: &Name, _: &ScanFile| -> Result<Arc<LoadedScan>, LoadError> {
        Ok(Arc::clone(if name.as_str() == "part" { &first } else { &twin }))
    };
    evaluate(job, &load)
}

fn hardpoint(axis: &str, plane: &str) -> Op {
    let construction = Construction::AxisMeetsPlane { axis: axis.into(), plane: plane.into() };
    let hardpoint =
        HardpointSpec { role: Role::LowerBallJoint, side: Side::Left, construction, extra: Default::default() };
    Op::SetHardpoint { hardpoint }
}

#[test]
fn mates_place_a_scan_where_it_belongs() {
    let mut history = job(None);
    for what in ["bore", "face"] {
        history.apply(&meet(what)).unwrap();
    }
    history.apply(&hardpoint("twin bore", "twin face")).unwrap();
    // A bore and a face leave it free to turn: it is not placed, and the hardpoint says why it cannot be had.
    let free = results(history.job());
    let told = free.failures.iter().find(|f| f.name == "twin").unwrap();
    assert!(matches!(&told.error, EvaluateError::Free { how } if how.contains("turn about the axis of")), "{told:?}");
    assert!(free.failures.iter().any(|f| f.what == "hardpoint" && f.error.is_consequence()));

    history.apply(&meet("second")).unwrap();
    // Turned over about the line through both bores at the face's height it would meet all the same, but for how
    // the faces look.
    let mut open = history.clone();
    let either = Tie::Meet { first: "twin face".into(), second: "part face".into(), offset: 0.0, facing: None };
    open.apply(&Op::SetMate { name: name("face"), mate: Box::new(either.into()) }).unwrap();
    let told = results(open.job());
    assert!(told.failures.iter().any(|f| matches!(&f.error, EvaluateError::Adjust(AdjustError::Ambiguous { .. }))));
    let held = results(history.job());
    assert!(held.is_complete(), "{:?}", held.failures);
    let placed = &held.placements["twin"];
    let off = placed.car_from_scan * twin_from_part() * car_from_part().inverse();
    assert!(
        off.rotation.angle() < 1e-3
            && (off * car_from_part() * Point3::origin() - car_from_part() * Point3::origin()).norm() < 0.02
    );
    let found = held.set.find(Role::LowerBallJoint, Side::Left).unwrap();
    let truth = car_from_part() * Point3::new(0.0, 0.0, 40.0);
    assert!((Point3::from(found.position) - truth).norm() < found.u95.unwrap().position);

    // Repainting moves the scan; undo brings it back; the file keeps the recipe.
    let more = Dab::new(twin_from_part() * Point3::new(26.0, 26.0, 40.0), 5.0);
    history.apply(&Op::Paint { feature: name("twin face"), dabs: vec![more] }).unwrap();
    let repainted = results(history.job());
    assert!(repainted.placements["twin"].car_from_scan != placed.car_from_scan);
    history.undo();
    assert!(results(history.job()).placements["twin"].car_from_scan == placed.car_from_scan);
    let again = Job::from_json(&history.job().to_json().unwrap()).unwrap();
    assert!(again.mates == history.job().mates && again.mates.len() == 3);
    // What a mate speaks of stays.
    let gone = history.apply(&Op::RemoveFeature { name: name("twin face") });
    assert!(matches!(gone, Err(OpError::Needed { by_what: "mate", .. })));
    history.apply(&Op::RemoveMate { name: name("face") }).unwrap();
    history.apply(&Op::RemoveMate { name: name("bore") }).unwrap();
}

/// A hardpoint of the twin's axis, where the twin's own features are what places it: its position is that of the
/// part's axis, as the mates make one of both, so its ± is that of both together and not of three.
#[test]
fn what_places_a_scan_is_not_counted_twice() {
    let mut history = job(None);
    for what in ["bore", "face", "second"] {
        history.apply(&meet(what)).unwrap();
    }
    history.apply(&hardpoint("twin bore", "twin face")).unwrap();
    let by_mates = results(history.job());
    let [of_twin, of_part] = ["twin", "part"].map(|scan| {
        let mut alone = job(None);
        let mut typed = Placement::typed(&(car_from_part() * twin_from_part().inverse()), "typed");
        typed.covariance = None;
        alone.apply(&Op::PlaceScan { name: name("twin"), placement: Box::new(typed) }).unwrap();
        alone.apply(&hardpoint(&format!("{scan} bore"), &format!("{scan} face"))).unwrap();
        results(alone.job()).constructed[&(Role::LowerBallJoint, Side::Left)].covariance.trace()
    });
    let together = by_mates.constructed[&(Role::LowerBallJoint, Side::Left)].covariance.trace();
    // Independent of the placement it would be of_twin + (of_twin + of_part).
    assert!(together < 0.95 * (of_twin + of_part), "{together} {of_twin} {of_part}");
    assert!(together > 0.3 * (of_twin + of_part), "{together} {of_twin} {of_part}");
}

/// Where a hardpoint rests on two scans with typed placements, each adds what it moves: the axis across itself, the
/// face along its normal.
#[test]
fn a_hardpoint_on_two_scans_counts_both_placements() {
    let mut covariance = [[0.0; 6]; 6];
    (0..3).for_each(|k| covariance[k][k] = 0.25);
    let with = |covariance: Option<[[f64; 6]; 6]>| {
        let mut history = job(covariance);
        let mut typed = Placement::typed(&(car_from_part() * twin_from_part().inverse()), "typed");
        typed.covariance = covariance;
        history.apply(&Op::PlaceScan { name: name("twin"), placement: Box::new(typed) }).unwrap();
        history.apply(&hardpoint("part bore", "twin face")).unwrap();
        let results = results(history.job());
        assert!(results.is_complete() && results.warnings.is_empty());
        results.constructed[&(Role::LowerBallJoint, Side::Left)].covariance.clone()
    };
    let added = with(Some(covariance)) - with(None);
    for i in 0..3 {
        for j in 0..3 {
            let expected = if i == j { 0.25 } else { 0.0 };
            assert!((added[(i, j)] - expected).abs() < 1e-3, "{added}");
        }
    }
}

#[test]
fn mates_that_cannot_be_are_refused_or_told() {
    let mut history = job(None);
    let tie = Tie::Ground { face: "nowhere".into(), height: 0.0 };
    let missing = history.apply(&Op::SetMate { name: name("floor"), mate: Box::new(tie.into()) });
    assert!(matches!(missing, Err(OpError::Missing { .. })));
    let tie = Tie::Ground { face: "twin face".into(), height: f64::NAN };
    let bad = history.apply(&Op::SetMate { name: name("floor"), mate: Box::new(tie.into()) });
    assert!(matches!(bad, Err(OpError::BadMate { .. })));
    let mate = MateSpec { give: Some(-1.0), ..Tie::Ground { face: "twin face".into(), height: 0.0 }.into() };
    let bad = history.apply(&Op::SetMate { name: name("floor"), mate: Box::new(mate) });
    assert!(matches!(bad, Err(OpError::BadMate { .. })));
    // A datum across two scans can place neither.
    let construction = Construction::AxisMeetsPlane { axis: "part bore".into(), plane: "twin face".into() };
    history.apply(&Op::SetDatum { name: name("between"), construction }).unwrap();
    let tie = Tie::Meet { first: "between".into(), second: "part bore".into(), offset: 0.0, facing: None };
    history.apply(&Op::SetMate { name: name("odd"), mate: Box::new(tie.into()) }).unwrap();
    let told = results(history.job());
    assert!(told.failures.iter().any(|f| f.what == "mate" && matches!(f.error, EvaluateError::NotOnOneScan { .. })));
}
