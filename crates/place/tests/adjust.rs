//! The adjustment against closed forms and simulation.
#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use nalgebra::{DMatrix, Matrix3, Matrix6, Translation3, UnitQuaternion, Vector6};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::StandardNormal;
use std::collections::BTreeMap;
use stringline_core::covariance::{Source, Sources};
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_place::{
    AdjustError, AdjustSettings, Adjusted, Anchor, CarAxis, Facing, Hold, Mate, MateFit, On, Relation, adjust,
    asymmetry, average,
};

fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    rng.sample(StandardNormal)
}

fn triple(rng: &mut ChaCha8Rng) -> Vec3 {
    Vec3::new(normal(rng), normal(rng), normal(rng))
}

fn pose(seed: u64) -> RigidTransform {
    let mut r = rng(seed ^ 0x505f);
    let turn = UnitQuaternion::from_quaternion(nalgebra::Quaternion::from(std::array::from_fn::<f64, 4, _>(|_| {
        normal(&mut r)
    })));
    RigidTransform::from_parts((triple(&mut r) * 300.0).into(), turn)
}

fn unit(x: f64, y: f64, z: f64) -> UnitVec3 {
    UnitVec3::new_normalize(Vec3::new(x, y, z))
}

/// A datum as it truly is in the car.
#[derive(Clone, Copy)]
struct True {
    hold: Hold,
    p: Point3,
    d: Option<UnitVec3>,
}

fn point(x: f64, y: f64, z: f64) -> True {
    True { hold: Hold::Point, p: Point3::new(x, y, z), d: None }
}

fn axis(p: [f64; 3], d: UnitVec3) -> True {
    True { hold: Hold::Axis, p: p.into(), d: Some(d) }
}

fn face(p: [f64; 3], d: UnitVec3) -> True {
    True { hold: Hold::Face, p: p.into(), d: Some(d) }
}

/// Standard deviations of what is measured, mm and rad.
const SIGMA: [f64; 2] = [0.02, 0.0004];

/// The datum as a scan has it: in the scan's frame, off by noise of its own covariance.
fn measured(scan: &str, name: &str, truth: &True, car_from_scan: &RigidTransform, r: &mut Option<ChaCha8Rng>) -> On {
    let mut position = car_from_scan.inverse_transform_point(&truth.p);
    let direction = truth.d.map(|d| car_from_scan.inverse_transform_unit_vector(&d));
    let (place, tilt) = match (truth.hold, direction) {
        (Hold::Axis, Some(d)) => {
            let across = Matrix3::identity() - d.as_ref() * d.transpose();
            (across, across)
        }
        (Hold::Face, Some(d)) => {
            let along = d.as_ref() * d.transpose();
            (along, Matrix3::identity() - along)
        }
        _ => (Matrix3::identity(), Matrix3::zeros()),
    };
    let mut noisy = direction;
    if let Some(r) = r {
        position += place * triple(r) * SIGMA[0];
        noisy = direction.map(|d| UnitVec3::new_normalize(d.into_inner() + tilt * triple(r) * SIGMA[1]));
    }
    let n = if direction.is_some() { 6 } else { 3 };
    let mut covariance = DMatrix::zeros(n, n);
    covariance.view_mut((0, 0), (3, 3)).copy_from(&(place * SIGMA[0] * SIGMA[0]));
    if n == 6 {
        covariance.view_mut((3, 3), (3, 3)).copy_from(&(tilt * SIGMA[1] * SIGMA[1]));
    }
    let source = Source { jacobian: DMatrix::identity(n, n), covariance, degrees_of_freedom: f64::INFINITY };
    let sources = Sources::from([(format!("{scan} {name}"), source)]);
    let anchor = Anchor { name: name.into(), hold: truth.hold, position, direction: noisy, sources };
    On { scan: Some(scan.into()), anchor }
}

fn in_car(anchor: Anchor) -> On {
    On { scan: None, anchor }
}

fn mate(name: &str, relation: Relation) -> Mate {
    Mate { name: name.into(), relation, give: 0.0, give_angle: 0.0, may_fail: false }
}

fn meet(name: &str, first: On, second: On) -> Mate {
    mate(name, Relation::Meet { first, second, offset: 0.0, facing: None })
}

fn ground(floor: On) -> Mate {
    let car = in_car(Anchor::exact("ground", Hold::Face, Point3::origin(), Vec3::z_axis()));
    mate("ground", Relation::Meet { first: floor, second: car, offset: 0.0, facing: Some(Facing::Same) })
}

fn pair(name: &str, left: On, right: On, give: f64) -> Mate {
    Mate { give, may_fail: true, ..mate(name, Relation::Pair { left, right, apart: None }) }
}

fn solve(mates: &[Mate]) -> Result<Adjusted, AdjustError> {
    adjust(mates, &BTreeMap::new(), &AdjustSettings::default())
}

fn fit<'a>(adjusted: &'a Adjusted, name: &str) -> &'a MateFit {
    adjusted.mates.iter().find(|m| m.name == name).unwrap()
}

/// The small motion that takes the truth to what was found.
fn error(found: &RigidTransform, truth: &RigidTransform) -> Vector6<f64> {
    let off = found * truth.inverse();
    let (t, w) = (off.translation.vector, off.rotation.scaled_axis());
    Vector6::new(t.x, t.y, t.z, w.x, w.y, w.z)
}

/// Points of equal weight: the placement is that of the singular value decomposition (K. S. Arun, T. S. Huang and
/// S. D. Blostein, *Least-squares fitting of two 3-D point sets*, IEEE PAMI 9 (1987) 698), computed here apart;
/// its covariance about the centroid is 2σ²/n for the shift and 2σ²·(Σ|x|²I − xxᵀ)⁻¹ for the turn.
#[test]
fn points_of_equal_weight_have_a_closed_form() {
    let points =
        [[400.0, 20.0, 30.0], [-200.0, 310.0, -40.0], [50.0, -260.0, 120.0], [10.0, 90.0, 380.0], [330.0, 330.0, 0.0]];
    let truth = pose(3);
    let mut noise = Some(rng(11));
    let mut mates = Vec::new();
    let (mut from, mut to) = (Vec::new(), Vec::new());
    for (i, p) in points.iter().enumerate() {
        let t = point(p[0], p[1], p[2]);
        let a = measured("scan", &format!("ball {i}"), &t, &truth, &mut noise);
        let mut b = measured("car", &format!("ball {i}"), &t, &RigidTransform::identity(), &mut noise);
        b.scan = None;
        from.push(a.anchor.position);
        to.push(b.anchor.position);
        mates.push(meet(&format!("ball {i}"), a, b));
    }
    let adjusted = solve(&mates).unwrap();
    let placed = &adjusted.scans["scan"];

    let middle = |of: &[Point3]| of.iter().map(|p| p.coords).sum::<Vec3>() / of.len() as f64;
    let (cf, ct) = (middle(&from), middle(&to));
    let h: Matrix3<f64> = from.iter().zip(&to).map(|(a, b)| (a.coords - cf) * (b.coords - ct).transpose()).sum();
    let svd = h.svd(true, true);
    let (u, v) = (svd.u.unwrap(), svd.v_t.unwrap().transpose());
    let sign = (v * u.transpose()).determinant();
    let rotation = v * Matrix3::from_diagonal(&Vec3::new(1.0, 1.0, sign)) * u.transpose();
    let found = placed.car_from_scan.rotation.to_rotation_matrix();
    assert!((found.matrix() - rotation).amax() < 1e-9, "{}", (found.matrix() - rotation).amax());
    assert!((placed.car_from_scan.translation.vector - (ct - rotation * cf)).norm() < 1e-6);

    // To the centroid: t' = t + θ×c.
    let c = middle(&to);
    let mut shift = Matrix6::<f64>::identity();
    shift.fixed_view_mut::<3, 3>(0, 3).copy_from(&-c.cross_matrix());
    let covariance = shift * placed.covariance * shift.transpose();
    let both = 2.0 * SIGMA[0] * SIGMA[0];
    let t = covariance.fixed_view::<3, 3>(0, 0).into_owned();
    assert!((t / (both / 5.0) - Matrix3::identity()).amax() < 1e-3, "{t}");
    let inertia: Matrix3<f64> =
        to.iter().map(|p| p.coords - c).map(|x| Matrix3::identity() * x.norm_squared() - x * x.transpose()).sum();
    let turn = covariance.fixed_view::<3, 3>(3, 3) * inertia / both;
    assert!((turn - Matrix3::identity()).amax() < 1e-3, "{turn}");
    assert_eq!((adjusted.redundancy, adjusted.free.len()), (9, 0));
}

/// The body's frame from floor, hubs and towers, a part on it by an axis, a face, a taper's point and a ball: one
/// axis stands in two mates. True where the car says.
fn car(seed: Option<u64>, push: Vec3) -> (Vec<Mate>, BTreeMap<&'static str, RigidTransform>) {
    let poses = BTreeMap::from([("body", pose(1)), ("part", pose(2)), ("right", pose(4))]);
    let mut noise = seed.map(rng);
    let mut on = |scan: &'static str, name: &str, truth: True| measured(scan, name, &truth, &poses[scan], &mut noise);
    let strut = unit(-0.07, -0.13, 1.0);
    let tower = |side: f64| point(-31.0, side * 560.0, 842.0);
    let mut right_tower = tower(-1.0);
    right_tower.p += push;
    let balls = [
        point(-150.0, -500.0, 700.0),
        point(120.0, -480.0, 720.0),
        point(0.0, -620.0, 790.0),
        point(20.0, -400.0, 560.0),
    ];
    let hub = axis([90.0, 640.0, 250.0], unit(0.1, 1.0, 0.03));
    let mut mates = vec![
        ground(on("body", "floor", face([200.0, 300.0, 0.0], Vec3::z_axis()))),
        mate(
            "axle",
            Relation::Coordinate {
                of: vec![
                    on("body", "left hub", point(0.0, 740.0, 295.0)),
                    on("body", "right hub", point(0.0, -740.0, 295.0)),
                ],
                axis: CarAxis::X,
                value: 0.0,
            },
        ),
        pair(
            "hubs",
            on("body", "left hub", point(0.0, 740.0, 295.0)),
            on("body", "right hub", point(0.0, -740.0, 295.0)),
            0.0,
        ),
        pair(
            "rack ends",
            on("body", "left end", point(-116.0, 331.0, 255.0)),
            on("body", "right end", point(-116.0, -331.0, 255.0)),
            0.0,
        ),
    ];
    // Noise is drawn once a datum: what the pair of hubs has is what the axle has.
    let Relation::Coordinate { of, .. } = mates[1].relation.clone() else { unreachable!() };
    if let Relation::Pair { left, right, .. } = &mut mates[2].relation {
        (*left, *right) = (of[0].clone(), of[1].clone());
    }
    for (i, ball) in balls.iter().enumerate() {
        let name = format!("ball {i}");
        mates.push(meet(&name, on("body", &name, *ball), on("right", &name, *ball)));
    }
    let mut towers = pair("towers", on("body", "left tower", tower(1.0)), on("right", "right tower", right_tower), 0.1);
    if let Relation::Pair { apart, .. } = &mut towers.relation {
        *apart = Some(1120.0);
    }
    mates.push(towers);
    let bore = on("part", "bore", hub);
    let shaft = on("body", "shaft", hub);
    mates.push(meet("bore on shaft", bore.clone(), shaft.clone()));
    let shoulder = face([95.0, 690.0, 251.5], hub.d.unwrap());
    mates.push(meet("shoulder", on("part", "shoulder", shoulder), on("body", "stop", shoulder)));
    let seat = point(13.0, 690.0, 206.0);
    mates.push(meet("ball joint", on("part", "seat", seat), on("body", "ball", seat)));
    // Square to the bore: the same bore once more.
    mates.push(mate(
        "across",
        Relation::Angle {
            first: bore,
            second: on("body", "arm", axis([0.0, 500.0, 300.0], strut)),
            angle: {
                let d = hub.d.unwrap();
                d.cross(&strut).norm().atan2(d.dot(&strut).abs())
            },
        },
    ));
    (mates, poses)
}

#[test]
fn exact_datums_give_exact_placements() {
    let (mates, poses) = car(None, Vec3::zeros());
    let adjusted = solve(&mates).unwrap();
    for (scan, truth) in &poses {
        let off = error(&adjusted.scans[*scan].car_from_scan, truth).amax();
        assert!(off < 1e-7, "{scan}: {off}");
        assert!(adjusted.scans[*scan].held);
    }
    assert!(adjusted.free.is_empty() && adjusted.mates.iter().all(|m| !m.left_out));
}

/// The stated 95 % regions of every placement and of a mate's error hold the truth 93 to 97 times in a hundred, and
/// χ² is as large as its degrees of freedom say.
#[test]
fn covariance_by_simulation() {
    let trials = 600;
    let mut within = [0_u32; 4];
    let mut chi = 0.0;
    let mut redundancy = 0;
    for seed in 0..trials {
        let (mates, poses) = car(Some(seed), Vec3::new(0.0, 0.0, 0.0));
        let adjusted = solve(&mates).unwrap();
        for (k, (scan, truth)) in poses.iter().enumerate() {
            let placed = &adjusted.scans[*scan];
            let e = error(&placed.car_from_scan, truth);
            let d = e.dot(&placed.covariance.cholesky().unwrap().solve(&e));
            // χ² of six degrees of freedom, 95 %: 12.592 (any table).
            within[k] += u32::from(d < 12.592);
        }
        let off = fit(&adjusted, "ball joint").off.as_ref().unwrap();
        within[3] += u32::from(off.probability > 0.05);
        chi += adjusted.chi_squared / f64::from(trials as u32);
        redundancy = adjusted.redundancy;
    }
    for (k, count) in within.iter().enumerate() {
        let share = f64::from(*count) / trials as f64;
        assert!((0.93..=0.97).contains(&share), "{k}: {share}");
    }
    // The towers' give is not used up here, so χ² stays a little below the redundancy.
    assert!((chi / redundancy as f64 - 1.0).abs() < 0.15, "{chi} of {redundancy}");
}

/// A strut tower pushed 6 mm inboard is left out, named, and does not disturb the frame.
#[test]
fn a_pushed_tower_is_named() {
    for seed in 0..20 {
        let (mates, poses) = car(Some(seed), Vec3::new(0.0, 6.0, 0.0));
        let adjusted = solve(&mates).unwrap();
        let towers = fit(&adjusted, "towers");
        assert!(towers.left_out);
        assert!(adjusted.mates.iter().all(|m| m.left_out == (m.name == "towers")), "seed {seed}");
        let off = towers.off.as_ref().unwrap();
        // Left less mirrored right: the right one's mirror image stands 6 mm further inboard.
        assert!((off.shift.y - 6.0).abs() < off.shift_u95 && off.shift.xz().norm() < off.shift_u95, "{off:?}");
        assert!(off.shift_u95 < 0.6 && towers.or_else.is_empty());
        // With the drawing's distance each side can be judged: the left stands where it should.
        let [left, right] = &towers.sides[..] else { panic!("both sides") };
        assert!(left.probability > 1e-4 && left.outboard.abs() < 0.2, "{left:?}");
        assert!(right.probability < 1e-6 && (right.outboard + 6.0).abs() < 0.3, "{right:?}");
        let e = error(&adjusted.scans["body"].car_from_scan, &poses["body"]);
        let d = e.dot(&adjusted.scans["body"].covariance.cholesky().unwrap().solve(&e));
        assert!(d < 30.0, "{d}");
    }
}

#[test]
fn what_is_free_is_said() {
    let truth = pose(5);
    let mut none = None;
    let hub = axis([0.0, 700.0, 300.0], unit(0.0, 1.0, 0.02));
    let stop = face([0.0, 700.0, 300.0], hub.d.unwrap());
    let mut fixed = |name: &str, t: True| {
        let mut on = measured("car", name, &t, &RigidTransform::identity(), &mut none);
        on.scan = None;
        on
    };
    let (pin, end) = (fixed("pin", hub), fixed("end", stop));
    let bore = measured("knuckle", "hub bore", &hub, &truth, &mut None);
    let hub_face = measured("knuckle", "hub face", &stop, &truth, &mut None);
    let coaxial = meet("bore", bore, pin);
    let seated = mate("face", Relation::Meet { first: hub_face, second: end, offset: 0.0, facing: Some(Facing::Same) });
    let both = solve(&[coaxial.clone(), seated]).unwrap();
    assert_eq!(both.free.len(), 1);
    assert_eq!(both.free[0].to_string(), "knuckle is free to turn about the axis of 'hub bore'");
    assert!(!both.scans["knuckle"].held);
    let alone = solve(&[coaxial]).unwrap();
    let words: Vec<String> = alone.free.iter().map(ToString::to_string).collect();
    assert_eq!(words[0], "knuckle is free to slide along the axis of 'hub bore'");
    assert_eq!(words[1], "knuckle is free to turn about the axis of 'hub bore'");
    // Alone, each of its equations is the only one of its kind.
    assert!(alone.mates[0].off.is_none());
}

/// An arm that swings, a knuckle that slides: only the ball joint between them makes one corner of them. With the
/// hub known as well the loop closes with so much to spare that its closure error can be told.
#[test]
fn a_corner_stands_together_and_closes() {
    let poses = BTreeMap::from([("arm", pose(7)), ("knuckle", pose(8))]);
    let mut noise = Some(rng(5));
    let bush = unit(1.0, 0.06, -0.03);
    let strut = unit(-0.07, -0.13, 1.0);
    let ball = point(13.0, 690.0, 206.0);
    let build = |shorter: f64, noise: &mut Option<ChaCha8Rng>| {
        let mut on = |scan: &'static str, name: &str, t: True| measured(scan, name, &t, &poses[scan], noise);
        let mut mates = Vec::new();
        let mut to_car = |name: &str, part: On, t: True| {
            let mut car = measured("car", name, &t, &RigidTransform::identity(), &mut None);
            car.scan = None;
            mates.push(meet(name, part, car));
        };
        for (name, p) in [("front bush", point(186.0, 366.0, 214.0)), ("rear bush", point(-56.0, 352.0, 220.0))] {
            to_car(name, on("arm", name, p), p);
        }
        let clamp = axis([1.0, 618.0, 400.0], strut);
        to_car("strut top", on("knuckle", "clamp", clamp), point(-31.0 + 1.0 * 0.0, 560.0, 842.0));
        let hub = axis([0.0, 736.0, 301.0], unit(0.0, 1.0, 0.0175));
        to_car("hub", on("knuckle", "hub bore", hub), hub);
        let stop = face([0.0, 736.0, 301.0], hub.d.unwrap());
        to_car("hub face", on("knuckle", "hub face", stop), stop);
        let mut end = ball;
        end.p.y -= shorter;
        mates.push(meet("ball joint", on("knuckle", "seat", ball), on("arm", "ball", end)));
        mates
    };
    // The strut top must lie on the clamp's axis for the truth to close.
    let on_axis = |mates: &mut Vec<Mate>| {
        if let Relation::Meet { second, .. } = &mut mates[2].relation {
            second.anchor.position = Point3::new(1.0, 618.0, 400.0) + strut.into_inner() * 442.0;
        }
    };
    let mut closed = build(0.0, &mut noise);
    on_axis(&mut closed);
    let _ = bush;
    let adjusted = solve(&closed).unwrap();
    assert!(adjusted.free.is_empty(), "{:?}", adjusted.free);
    for (scan, truth) in &poses {
        let e = error(&adjusted.scans[*scan].car_from_scan, truth);
        let d = e.dot(&adjusted.scans[*scan].covariance.cholesky().unwrap().solve(&e));
        assert!(d < 22.5, "{scan}: {d}");
    }
    assert!(fit(&adjusted, "ball joint").off.as_ref().unwrap().probability > 1e-3);
    // An arm 2 mm shorter than it should be does not reach.
    let mut open = build(2.0, &mut noise);
    on_axis(&mut open);
    let adjusted = solve(&open).unwrap();
    let off = fit(&adjusted, "ball joint").off.as_ref().unwrap();
    assert!(off.probability < 1e-6);
    // The arm swings, so the gap shows along the arm.
    assert!((off.shift.norm() - 2.0).abs() < 0.2, "{off:?}");
}

#[test]
fn what_cannot_be_is_an_error() {
    let lone = measured("a", "ball", &point(1.0, 2.0, 3.0), &pose(1), &mut None);
    let other = measured("b", "ball", &point(1.0, 2.0, 3.0), &pose(2), &mut None);
    let error = solve(&[meet("balls", lone.clone(), other.clone())]).unwrap_err();
    assert_eq!(error, AdjustError::NotTied { scans: vec!["a".into(), "b".into()] });
    let parallel = mate("p", Relation::Parallel { first: lone.clone(), second: other.clone() });
    assert!(matches!(solve(&[parallel]), Err(AdjustError::CannotMate { .. })));
    let far = mate("d", Relation::Distance { first: lone, second: other, distance: -1.0 });
    assert!(matches!(solve(&[far]), Err(AdjustError::BadNumber { .. })));
    // Two crossing axes can be met with one of them turned end for end.
    let t = pose(3);
    let lines = [axis([0.0, 0.0, 0.0], unit(1.0, 0.0, 0.0)), axis([0.0, 40.0, 0.0], unit(0.0, 0.6, 0.8))];
    let mates: Vec<Mate> = lines
        .iter()
        .enumerate()
        .map(|(i, l)| {
            let mut car = measured("car", "line", l, &RigidTransform::identity(), &mut None);
            car.scan = None;
            meet(&format!("line {i}"), measured("a", "line", l, &t, &mut None), car)
        })
        .collect();
    assert!(matches!(solve(&mates), Err(AdjustError::Ambiguous { .. })), "{:?}", solve(&mates));
}

/// What is left of a mate, and its own standard deviation: two statements of a length that differ by d, with standard
/// deviations a and b, leave d·a²/(a² + b²) and d·b²/(a² + b²), each d/√(a² + b²) standard deviations (C. F. Gauss's
/// weighted mean; a residual's variance is that of the statement less that of the mean).
#[test]
fn residuals_are_told_with_their_own_deviation() {
    let exact = |at: Point3, d: UnitVec3| Anchor::exact("face", Hold::Face, at, d);
    let on_face = |name: &str, at: Point3, d: UnitVec3| {
        let first = On { scan: Some("part".into()), anchor: exact(Point3::origin(), d) };
        let facing = Some(Facing::Same);
        mate(name, Relation::Meet { first, second: in_car(exact(at, d)), offset: 0.0, facing })
    };
    let corner = On { scan: Some("part".into()), anchor: Anchor::exact_point("corner", Point3::new(70.0, -20.0, 5.0)) };
    let coordinate = |name: &str, value, give| Mate {
        give,
        ..mate(name, Relation::Coordinate { of: vec![corner.clone()], axis: CarAxis::X, value })
    };
    let (a, b, d) = (1.0_f64, 2.0_f64, 0.3);
    let mates = [
        on_face("height", Point3::new(0.0, 0.0, 300.0), Vec3::z_axis()),
        on_face("side", Point3::new(0.0, 200.0, 0.0), Vec3::y_axis()),
        coordinate("first", 100.0, a),
        coordinate("second", 100.0 + d, b),
    ];
    let adjusted = solve(&mates).unwrap();
    let near = |x: f64, y: f64| (x - y).abs() < 1e-6;
    let square = a * a + b * b;
    let times = d / square.sqrt();
    for (name, residual, sigma) in
        [("first", d * a * a / square, a * a / square.sqrt()), ("second", -d * b * b / square, b * b / square.sqrt())]
    {
        let of = fit(&adjusted, name);
        assert!(near(of.residual.x, residual) && near(of.sigma.unwrap(), sigma), "{of:?}");
        assert!(near(of.standardised().unwrap(), times));
        assert!((of.at - Point3::new(100.0 + d * a * a / square, 180.0, 305.0)).norm() < 1e-6);
    }
    // Nothing checks the height.
    assert_eq!(fit(&adjusted, "height").sigma, None);
}

/// A known placement with its own covariance hands it on, and a ready relative placement is a mate among others.
#[test]
fn known_and_relative_placements_add_up() {
    let covariance = Matrix6::from_diagonal(&Vector6::new(0.01, 0.02, 0.03, 1e-8, 2e-8, 3e-8));
    let known = BTreeMap::from([(
        "body".to_owned(),
        stringline_place::Known { car_from_scan: pose(1), covariance: Some(covariance) },
    )]);
    let placement = pose(1).inverse() * pose(2);
    let small = Matrix6::from_diagonal(&Vector6::new(0.001, 0.001, 0.001, 1e-9, 1e-9, 1e-9));
    let relation = Relation::Relative {
        scan: "part".into(),
        on: Some("body".into()),
        placement,
        covariance: Box::new(small),
        degrees_of_freedom: f64::INFINITY,
        // Where what is left is told changes nothing else.
        at: Point3::new(400.0, -70.0, 30.0),
    };
    let adjusted = adjust(&[mate("surface", relation)], &known, &AdjustSettings::default()).unwrap();
    let placed = &adjusted.scans["part"];
    assert!(error(&placed.car_from_scan, &pose(2)).amax() < 1e-7);
    // Closed form: the body's own, and the relative one's carried to the car: t' = R t + p×R θ.
    let r = *pose(1).rotation.to_rotation_matrix().matrix();
    let mut carried = Matrix6::zeros();
    carried.fixed_view_mut::<3, 3>(0, 0).copy_from(&r);
    carried.fixed_view_mut::<3, 3>(3, 3).copy_from(&r);
    carried.fixed_view_mut::<3, 3>(0, 3).copy_from(&(pose(1).translation.vector.cross_matrix() * r));
    let expected = covariance + carried * small * carried.transpose();
    assert!((placed.covariance - expected).amax() < 1e-6 * expected.amax(), "{}{expected}", placed.covariance);
}

#[test]
fn left_and_right_are_compared() {
    let mut none = None;
    let id = RigidTransform::identity();
    let left = measured("car", "left", &point(10.0, 500.0, 200.0), &id, &mut none).anchor;
    let right = measured("car", "right", &point(10.3, -499.0, 200.0), &id, &mut none).anchor;
    let found = asymmetry(&left, &right).unwrap();
    assert!((found.shift - Vec3::new(-0.3, 1.0, 0.0)).norm() < 1e-12);
    // Two independent points of σ: k₃·√2·σ.
    assert!((found.shift_u95 / (2.7955 * 2.0_f64.sqrt() * SIGMA[0]) - 1.0).abs() < 1e-3);
    assert!(found.probability < 1e-9);
    let mean = average(&left, &right).unwrap();
    assert!((mean.position - Point3::new(10.15, 499.5, 200.0)).norm() < 1e-12);
    // The same datum against its own mirror image is no asymmetry at all, whatever its ±.
    let own = asymmetry(&left, &left.mirrored()).unwrap();
    assert!(own.shift.norm() < 1e-12 && own.shift_u95 < 1e-12);
    let lines = [unit(0.02, 1.0, 0.0), unit(0.02, -1.0, 0.01)].map(|d| axis([0.0, 0.0, 300.0], d));
    let [a, b] = [("left hub", lines[0]), ("right hub", lines[1])]
        .map(|(name, l)| measured("car", name, &l, &id, &mut None).anchor);
    let turned = asymmetry(&a, &b).unwrap().turn.unwrap();
    assert!((turned[0] - 0.01).abs() < 1e-5 && turned[2] < 1e-9);
    assert!(asymmetry(&a, &left).is_none());
}

/// The same input gives the same numbers, whatever the number of threads.
#[test]
fn the_same_on_any_number_of_cores() {
    let (mates, _) = car(Some(1), Vec3::zeros());
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap().install(|| solve(&mates).unwrap());
    let three = rayon::ThreadPoolBuilder::new().num_threads(3).build().unwrap().install(|| solve(&mates).unwrap());
    assert!(one == three);
    let _ = Translation3::<f64>::identity();
}
