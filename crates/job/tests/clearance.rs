//! From a job to a sweep: parts stand where the mechanism puts them, limits end the lock, and a verdict's parts are right.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;
use stringline_clearance::{EndedBy, Poses, Stop, SweepSettings, part_gap, sweep};
use stringline_core::units::LengthUnit;
use stringline_core::{Explain, Point3, RigidTransform, UnitVec3, Vec3};
use stringline_hardpoints::{
    CoordinateAxes, Datum, DatumKind, Hardpoint, HardpointSet, Role, Side, Suspension, Vehicle,
};
use stringline_job::{
    Bodies, BodyShape, BodySpec, ClearanceError, ClearanceSpec, Job, JointSpec, JointWords, LoadError, LoadedScan,
    Name, Op, PairSpec, Place, Placement, ScanFile, WheelSpec, load, plan, scan_file,
};
use stringline_kinematics::{Axle, Change, Held, Link, Measured, Variant, geometry_of};

fn name(text: &str) -> Name {
    text.parse().unwrap()
}

/// The invented Kestrel's hardpoints as its sheet has them, ± `sigma` mm on every point.
fn set(sigma: f64) -> HardpointSet {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../sample-scans/kestrel.truth.json");
    let file: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let point =
        |v: &Value| Point3::from_slice(&v.as_array().unwrap().iter().map(|c| c.as_f64().unwrap()).collect::<Vec<_>>());
    let mut set = HardpointSet::new(CoordinateAxes::Iso8855);
    set.suspension = Some(Suspension::Strut);
    set.vehicle = Vehicle { tyre_radius: Some(295.0), ..Vehicle::default() };
    for h in file["hardpoints"].as_array().unwrap() {
        let role: Role = h["role"].as_str().unwrap().parse().unwrap();
        let side = if h["side"] == "left" { Side::Left } else { Side::Right };
        let position = point(&h["point"]);
        let direction = h.get("direction").map(|d| UnitVec3::new_normalize(point(d).coords));
        let datum = match (role.kind(), direction) {
            (DatumKind::Point, _) => Datum::Point { position },
            (DatumKind::Axis, Some(direction)) => Datum::Axis { position, direction },
            (DatumKind::Face, Some(normal)) => Datum::Face { position, normal },
            _ => continue,
        };
        let mut hardpoint = Hardpoint::from_datum(role, side, &datum);
        if role.kind() == DatumKind::Point && sigma > 0.0 {
            let row = |i: usize| (0..3).map(|j| if i == j { sigma * sigma } else { 0.0 }).collect();
            hardpoint.covariance = Some((0..3).map(row).collect());
        }
        set.add_hardpoint(hardpoint).unwrap();
    }
    set
}

fn body(shape: BodyShape, moves_with: Link) -> BodySpec {
    BodySpec {
        shape,
        moves_with,
        side: Side::Left,
        variants: Vec::new(),
        drawn_in: None,
        made_within: None,
        extra: Default::default(),
    }
}

fn tube(from: Place, to: Place, diameter: f64) -> BodyShape {
    BodyShape::Tube { from, to, diameter }
}

fn wheel() -> BodyShape {
    BodyShape::Wheel(WheelSpec {
        tyre: Some("205/50R16".into()),
        rim_width: Some(165.1),
        offset: Some(38.0),
        new: true,
        bulge: 0.0,
        section: Vec::new(),
        extra: Default::default(),
    })
}

/// A job with bodies by numbers alone.
fn job(clearance: ClearanceSpec, bodies: Vec<(&str, BodySpec)>) -> Job {
    let moves = vec![Change::DropBallJoint { by: 50.0 }.into(), Change::Align { toe_in_deg: 0.0 }.into()];
    let variant = Variant::new("drop", None, moves);
    let mut ops = vec![Op::SetVariant { variant: Box::new(variant) }];
    ops.extend(bodies.into_iter().map(|(n, b)| Op::SetBody { name: name(n), body: Box::new(b) }));
    ops.push(Op::SetClearance { clearance: Some(Box::new(clearance)) });
    let mut history = stringline_job::History::new(Job::default());
    for op in ops {
        plan(history.job(), &op).unwrap();
        history.apply(&op).unwrap();
    }
    Job::clone(history.job())
}

fn no_scans(_: &Name, _: &ScanFile) -> Result<Arc<LoadedScan>, LoadError> {
    unreachable!("no body is a scan")
}

fn rod() -> BodySpec {
    body(tube(Place::Hardpoint(Role::TieRodInner), Place::Hardpoint(Role::TieRodOuter), 22.0), Link::TieRod)
}

fn pair(a: &str, b: &str) -> PairSpec {
    PairSpec { a: name(a), b: name(b), wanted: None, extra: Default::default() }
}

fn spec() -> ClearanceSpec {
    ClearanceSpec { lock_deg: 40.0, lock_step_deg: 5.0, travel: [-30.0, 30.0], travels: 3, ..ClearanceSpec::default() }
}

/// The distance of a point from a segment.
fn from_segment(p: Point3, a: Point3, b: Point3) -> f64 {
    let t = ((p - a).dot(&(b - a)) / (b - a).norm_squared()).clamp(0.0, 1.0);
    (p - (a + (b - a) * t)).norm()
}

/// A tube along the tie rod against a ball on the chassis: the closed form on the points that the solver gives.
#[test]
fn a_tube_is_where_the_solver_has_its_hardpoints() {
    let at = Point3::new(-160.0, 480.0, 320.0);
    let ball = body(tube(Place::At(at.coords.into()), Place::At(at.coords.into()), 20.0), Link::Chassis);
    let spec = ClearanceSpec { pairs: vec![pair("rod", "ball")], ..spec() };
    let job = job(spec, vec![("rod", rod()), ("ball", ball)]);
    let bodies = Bodies::new(&job, &set(0.0), &BTreeMap::new(), &no_scans).unwrap();
    for variant in ["as-found", "drop"] {
        let setup = bodies.set_up(variant).unwrap();
        let settings = SweepSettings { beyond: 80.0, ..setup.settings() };
        let sweep = sweep(&setup.parts, &setup.pairs, &setup.poses, &settings, |_| true).unwrap();
        let found = Measured::from_set(&set(0.0)).unwrap().geometry().unwrap();
        let variants: Vec<Variant> = job.variants.iter().map(|v| Variant::clone(v)).collect();
        let axle = Axle::new(&geometry_of(&found, &variants, variant).unwrap()).unwrap();
        let mut compared = 0;
        for state in sweep.states.iter().filter(|s| s.poses.is_ok()) {
            let rack = setup.poses.rack(state.lock, state.travel).unwrap();
            let now = axle.corner(Side::Left).solve(state.travel, Held::WheelCentre, rack).unwrap();
            let exact = from_segment(at, now.tie_rod_inner, now.tie_rod_outer) - 11.0 - 10.0;
            let Some(closest) = state.closest[0] else {
                assert!(exact > 84.9);
                continue;
            };
            assert!((closest.gap - exact.max(0.0)).abs() < 1e-6, "{} {exact}", closest.gap);
            compared += 1;
        }
        assert!(compared > 5, "{compared}");
    }
}

/// The outer joint's permissible tilt ends the lock where the measure reaches it.
#[test]
fn a_joints_tilt_ends_the_lock() {
    let joint = |tilt_deg| JointSpec { kind: JointWords::Socket, axis: None, tilt_deg, extra: Default::default() };
    let far = body(tube(Place::At([0.0, 0.0, 2000.0]), Place::At([9.0, 0.0, 2000.0]), 5.0), Link::Chassis);
    let spec =
        ClearanceSpec { lock_deg: 50.0, inner_joint: Some(joint(7.0)), pairs: vec![pair("rod", "far")], ..spec() };
    let job = job(spec, vec![("rod", rod()), ("far", far)]);
    let bodies = Bodies::new(&job, &set(0.0), &BTreeMap::new(), &no_scans).unwrap();
    let setup = bodies.set_up("as-found").unwrap();
    let sweep = setup.sweep(|_| true).unwrap();
    let tilts = |lock: f64| {
        let corner = setup.poses.axle().corner(Side::Left);
        corner.at_travel(30.0, Held::WheelCentre).unwrap().steered(lock).unwrap().measures.inner_misalignment.unwrap()
    };
    // At full bump the rod stands at an angle to the rack already.
    let left = &sweep.rows[2][1];
    assert_eq!(left.by, EndedBy::Stop(Stop::InnerJoint));
    let lock = left.lock.unwrap();
    assert!(tilts(lock) <= 7.0_f64.to_radians() && tilts(lock + 0.05_f64.to_radians()) > 7.0_f64.to_radians());
    // Without the limit it goes on, to over centre or all the way.
    let free = Bodies::new(&job, &set(0.0), &BTreeMap::new(), &no_scans).unwrap();
    let free = free.with(ClearanceSpec { inner_joint: None, ..bodies.clearance().clone() });
    let free = free.set_up("as-found").unwrap().sweep(|_| true).unwrap();
    assert!(free.rows[2][1].lock.unwrap() > lock + 0.01);
    assert!(free.states.iter().any(|s| s.poses == Err(Stop::OverCentre)), "the rod reaches over centre before 50°");
}

/// The hardpoints' part of a gap's uncertainty against a simulation (JCGM 101): every point off by its own draw, the gap
/// measured anew.
#[test]
fn the_mechanisms_part_is_that_of_a_simulation() {
    let at = Point3::new(-150.0, 470.0, 300.0);
    let ball = body(tube(Place::At(at.coords.into()), Place::At(at.coords.into()), 20.0), Link::Chassis);
    // A bar that stays in the knuckle, so that its surface is not that of a hardpoint.
    let (a, b) = ([-100.0, 668.0, 246.0], [-160.0, 600.0, 250.0]);
    let lug = body(tube(Place::At(a), Place::At(b), 16.0), Link::Knuckle);
    let spec = ClearanceSpec { pairs: vec![pair("lug", "ball")], ..spec() };
    let job = job(spec, vec![("lug", lug), ("ball", ball)]);
    let sigma = 0.2;
    let bodies = Bodies::new(&job, &set(sigma), &BTreeMap::new(), &no_scans).unwrap();
    let setup = bodies.set_up("as-found").unwrap();
    let (lock, travel) = (22.0_f64.to_radians(), 25.0);
    let gap_of = |bodies: &Bodies| {
        let setup = bodies.set_up("as-found").unwrap();
        let poses = setup.poses.at(lock, travel).unwrap();
        let of = setup.pairs[0];
        part_gap(&setup.parts[of.a], &poses[of.a], &setup.parts[of.b], &poses[of.b], 500.0, None).unwrap()
    };
    let closest = gap_of(&bodies);
    let verdict = setup.verdict(0, lock, travel, &closest);
    let part = verdict.components.iter().find(|c| c.name.contains("hardpoints")).unwrap();
    // Sums of twelve even numbers: near enough normal.
    let mut seed = 11_u64;
    let mut normal = || {
        let mut even = || {
            seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (seed >> 11) as f64 / (1_u64 << 53) as f64
        };
        (0..12).map(|_| even()).sum::<f64>() - 6.0
    };
    let draws: Vec<f64> = (0..600)
        .map(|_| {
            let mut set = set(sigma);
            for h in set.hardpoints.iter_mut().filter(|h| h.covariance.is_some()) {
                h.position.iter_mut().for_each(|c| *c += sigma * normal());
            }
            gap_of(&Bodies::new(&job, &set, &BTreeMap::new(), &no_scans).unwrap()).gap
        })
        .collect();
    let mean = draws.iter().sum::<f64>() / draws.len() as f64;
    let simulated = (draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (draws.len() - 1) as f64).sqrt();
    // 600 draws tell a standard deviation to 3 %.
    assert!((part.standard / simulated - 1.0).abs() < 0.09, "{} {simulated}", part.standard);
    assert!((verdict.u95 / part.standard - 1.96).abs() < 0.01);
}

/// A wheel against what is near it: paired of itself; the wheel is on the hub of the variant.
#[test]
fn wheels_are_paired_with_what_does_not_move_with_them() {
    let on_knuckle = body(tube(Place::At([0.0, 600.0, 400.0]), Place::At([0.0, 600.0, 500.0]), 50.0), Link::Knuckle);
    let rail = body(tube(Place::At([-400.0, 380.0, 300.0]), Place::At([400.0, 380.0, 300.0]), 60.0), Link::Chassis);
    let right = BodySpec { side: Side::Right, ..rail.clone() };
    let later = BodySpec { variants: vec!["drop".into()], ..rail.clone() };
    let bodies = vec![
        ("wheel", body(wheel(), Link::Knuckle)),
        ("strut", on_knuckle),
        ("rail", rail),
        ("other side", right),
        ("later", later),
        ("rod", rod()),
    ];
    let job = job(spec(), bodies);
    let bodies = Bodies::new(&job, &set(0.0), &BTreeMap::new(), &no_scans).unwrap();
    let words = |variant: &str| {
        let setup = bodies.set_up(variant).unwrap();
        (0..setup.pairs.len()).map(|p| setup.words(p)).collect::<Vec<_>>()
    };
    assert_eq!(words("as-found"), ["wheel and rail", "wheel and rod"]);
    assert_eq!(words("drop"), ["wheel and later", "wheel and rail", "wheel and rod"]);
    let setup = bodies.set_up("drop").unwrap();
    let geometry = *setup.poses.axle().geometry();
    let pose = setup.poses.at(0.0, 0.0).unwrap()[setup.pairs[0].a];
    assert!((pose * Point3::origin() - geometry.left.wheel.centre).norm() < 1e-9);
    assert!((pose * Vec3::y() - geometry.left.wheel.spin.into_inner()).norm() < 1e-9);
}

#[test]
fn what_is_missing_is_said() {
    let nothing = Bodies::new(&Job::default(), &set(0.0), &BTreeMap::new(), &no_scans).err().unwrap();
    assert!(matches!(nothing, ClearanceError::NoBodies) && nothing.next_step().contains("wheel"));
    let upper = body(tube(Place::At([0.0; 3]), Place::At([9.0, 0.0, 0.0]), 5.0), Link::UpperArm);
    let one = job(spec(), vec![("arm", upper), ("rod", rod())]);
    let bodies = Bodies::new(&one, &set(0.0), &BTreeMap::new(), &no_scans).unwrap();
    let error = bodies.set_up("as-found").err().unwrap().to_string();
    assert!(error.contains("\"arm\" needs a corner with a upper arm"), "{error}");
    assert!(bodies.set_up("none").err().unwrap().to_string().contains("none"));
    let alone = job(spec(), vec![("rod", rod())]);
    let alone = Bodies::new(&alone, &set(0.0), &BTreeMap::new(), &no_scans).unwrap();
    assert!(matches!(alone.set_up("as-found"), Err(ClearanceError::NoPair { .. })));
    let no_offset = BodyShape::Wheel(WheelSpec {
        offset: None,
        ..match wheel() {
            BodyShape::Wheel(w) => w,
            _ => unreachable!(),
        }
    });
    let lacking = job(spec(), vec![("wheel", body(no_offset, Link::Knuckle)), ("rod", rod())]);
    let lacking = Bodies::new(&lacking, &set(0.0), &BTreeMap::new(), &no_scans).unwrap();
    assert!(lacking.set_up("as-found").err().unwrap().to_string().contains("offset"));
}

/// A wheel made of facets where the hub is, as a scan placed in the car: it turns with the hub as the wheel by its sizes does,
/// nearer by no more than its outline lies beyond the facets.
#[test]
fn a_scanned_wheel_moves_as_the_wheel_does() {
    let rail = body(tube(Place::At([-400.0, 575.0, 300.0]), Place::At([400.0, 575.0, 300.0]), 60.0), Link::Chassis);
    let by_size = job(spec(), vec![("wheel", body(wheel(), Link::Knuckle)), ("rail", rail.clone()), ("rod", rod())]);
    let bodies = Bodies::new(&by_size, &set(0.0), &BTreeMap::new(), &no_scans).unwrap();
    let setup = bodies.set_up("as-found").unwrap();
    let hub = setup.poses.at(0.0, 0.0).unwrap()[setup.pairs[0].a];
    let mut mesh = setup.mesh(setup.pairs[0].a).unwrap();
    mesh.vertices.iter_mut().for_each(|p| *p = hub * *p);

    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wheel.stl");
    stringline_scan::write::stl(&mesh, &mut std::fs::File::create(&path).unwrap()).unwrap();
    let file = scan_file(&path, LengthUnit::Millimetre, folder.path()).unwrap();
    let scanned = BodyShape::TurnedScan { scan: name("wheel-scan"), cell: 0.5 };
    let mut history = stringline_job::History::new(by_size.clone());
    history.apply(&Op::AddScan { name: name("wheel-scan"), scan: file }).unwrap();
    let placement = Placement::typed(&RigidTransform::identity(), "drawn in the car's axes");
    history.apply(&Op::PlaceScan { name: name("wheel-scan"), placement: Box::new(placement) }).unwrap();
    history.apply(&Op::SetBody { name: name("wheel"), body: Box::new(body(scanned, Link::Knuckle)) }).unwrap();
    let load = |_: &Name, file: &ScanFile| Ok(Arc::new(load(file, folder.path())?));
    let turned = Bodies::new(history.job(), &set(0.0), &BTreeMap::new(), &load).unwrap();
    let turned = turned.set_up("as-found").unwrap();
    assert_eq!((turned.words(0), turned.pairs.len()), (setup.words(0), 2));
    let mut compared = 0;
    let (mut near, mut near_turned) = (None, None);
    for step in -8..=8 {
        let (lock, travel) = (f64::from(step).to_radians() * 4.0, 3.0 * f64::from(step));
        let (a, b) = (setup.state(lock, travel, near.as_ref()), turned.state(lock, travel, near_turned.as_ref()));
        for pair in 0..2 {
            let (Some(c), Some(d)) = (&a.closest[pair], &b.closest[pair]) else { continue };
            // 3.4 cells, and what 96 flats round the axis take.
            assert!((-1.9..0.2).contains(&(d.gap - c.gap)) || c.gap == 0.0, "{step} {pair} {} {}", c.gap, d.gap);
            let [on_a, on_b] = a.places(&setup.pairs, pair).unwrap();
            assert!(((on_a - on_b).norm() - c.gap).abs() < 1e-6 || c.gap == 0.0);
            compared += 1;
        }
        (near, near_turned) = (Some(a), Some(b));
    }
    assert!(compared > 10, "{compared}");
    // A state looked at on its own is that of the sweep.
    let sweep = setup.sweep(|_| true).unwrap();
    let of_sweep = sweep.at(1, 10).unwrap();
    let alone = setup.state(of_sweep.lock, of_sweep.travel, None);
    for (x, y) in of_sweep.closest.iter().zip(&alone.closest) {
        assert_eq!(x.is_some(), y.is_some());
        assert!(x.zip(*y).is_none_or(|(x, y)| (x.gap - y.gap).abs() < 2e-7));
    }
}
