//! Sweeps against closed forms, and a contact that is there only between two states.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::sync::atomic::{AtomicUsize, Ordering};
use stringline_clearance::{
    Body, EndedBy, Pair, Part, Shape, Stop, Sweep, SweepError, SweepSettings, Wheel, part_gap, sweep, swept_mark,
};
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_scan::Mesh;

/// An upright bar that turns about z at 300 mm as the lock changes, and rises with travel.
fn turning(lock: f64, travel: f64) -> RigidTransform {
    RigidTransform::translation(0.0, 0.0, travel) * RigidTransform::rotation(Vec3::z() * lock)
}

fn ball(at: Point3, diameter: f64) -> Part {
    Part::new("ball", Shape::Body(Body::capsule(at, at, diameter).unwrap()))
}

fn run(parts: &[Part], wanted: f64, settings: &SweepSettings) -> Sweep {
    let poses = |lock: f64, travel: f64| Ok(vec![turning(lock, travel), RigidTransform::identity()]);
    sweep(parts, &[Pair { a: 0, b: 1, wanted }], &poses, settings, |_| true).unwrap()
}

fn settings() -> SweepSettings {
    SweepSettings { beyond: 50.0, ..SweepSettings::grid(60.0, 5.0, [-40.0, 40.0], 5) }
}

/// Closed form: a ball on a circle of 300 mm about z and a fixed ball on the same circle at φ: at rest travel they are
/// 600·sin((φ − lock)/2) apart between their centres.
#[test]
fn the_lock_ends_where_the_closed_form_has_it() {
    let phi = 37.3_f64.to_radians();
    let fixed = Point3::new(300.0 * phi.cos(), 300.0 * phi.sin(), 0.0);
    let parts = [ball(Point3::new(300.0, 0.0, 0.0), 20.0), ball(fixed, 30.0)];
    let found = run(&parts, 5.0, &settings());
    let ends = |travel: f64| {
        // Distance of centres 30 mm: the chord, and the travel across.
        let chord = (30.0_f64 * 30.0 - travel * travel).max(0.0).sqrt();
        (phi - 2.0 * (chord / 600.0).asin()).to_degrees()
    };
    for (row, &travel) in found.travels.iter().enumerate() {
        let [right, left] = &found.rows[row];
        assert_eq!((right.lock, &right.by), (Some(-60.0_f64.to_radians()), &EndedBy::Nothing));
        if travel.abs() < 30.0 {
            let lock = left.lock.unwrap().to_degrees();
            assert!(lock <= ends(travel) && ends(travel) - lock <= 0.05, "{lock} {}", ends(travel));
            assert_eq!(left.by, EndedBy::Pair(0));
            let touch = left.touch.as_ref().unwrap();
            assert!(touch.closest.gap < 5.0 && touch.lock.to_degrees() - lock <= 0.05);
        } else {
            assert_eq!(left.by, EndedBy::Nothing, "at {travel} the balls pass by");
        }
        for (column, &lock) in found.locks.iter().enumerate() {
            let state = found.at(row, column).unwrap();
            assert_eq!((state.lock, state.travel), (lock, travel));
            let exact = (600.0 * (0.5 * (phi - lock)).sin()).hypot(travel) - 25.0;
            let gap = state.closest[0].map_or(55.0, |c| c.gap);
            assert!((gap - exact.clamp(0.0, 55.0)).abs() < 1e-9, "{gap} {exact}");
        }
    }
    // The travel at which it is least is among the rows.
    assert_eq!(found.all_travel[1].by, EndedBy::Pair(0));
    assert!((found.all_travel[1].lock.unwrap().to_degrees() - ends(0.0)).abs() <= 0.06);
}

/// A thin tab on the way, 0.4 mm thick, between the states at 10° and 15°: clear of the ball at every state of the grid.
#[test]
fn a_tab_between_two_states_is_not_missed() {
    let phi = 12.5_f64.to_radians();
    let at = |r: f64, z: f64| Point3::new(r * phi.cos(), r * phi.sin(), z);
    // From outside into the ball's way.
    let tab = Body::capsule(at(304.0, 0.0), at(340.0, 0.0), 0.4).unwrap();
    let parts = [ball(Point3::new(300.0, 0.0, 0.0), 10.0), Part::new("tab", Shape::Body(tab))];
    let found = run(&parts, 1.0, &settings());
    let row = found.travels.iter().position(|t| *t == 0.0).unwrap();
    let states = (0..found.locks.len()).map(|i| found.at(row, i).unwrap());
    assert!(states.clone().all(|s| s.closest[0].is_none_or(|c| c.gap > 1.0)), "no state of the grid is touched");
    let left = &found.rows[row][1];
    assert_eq!(left.by, EndedBy::Pair(0));
    let lock = left.lock.unwrap().to_degrees();
    assert!(lock > 10.0 && lock < 12.5, "{lock}");
    // Followed finely, it is found at the same place.
    let poses = |deg: f64| [turning(deg.to_radians(), 0.0), RigidTransform::identity()];
    let gap = |deg: f64| {
        let [a, b] = poses(deg);
        part_gap(&parts[0], &a, &parts[1], &b, 50.0, None).map_or(50.0, |c| c.gap)
    };
    let first = (0..60_000).map(|i| f64::from(i) * 1e-3).find(|deg| gap(*deg) < 1.0).unwrap();
    assert!(first - lock <= 0.05 && first > lock, "{first} {lock}");
}

/// The same between two travels: only the band between the rows knows.
#[test]
fn a_tab_between_two_travels_is_not_missed() {
    let phi = 23.0_f64.to_radians();
    let at = |r: f64, z: f64| Point3::new(r * phi.cos(), r * phi.sin(), z);
    // Rows at −40, −20, 0, 20, 40 mm; the ball of 10 mm passes the tab at 9 to 11 mm of travel only.
    let tab = Body::capsule(at(303.0, 10.0), at(340.0, 10.0), 0.4).unwrap();
    let parts = [ball(Point3::new(300.0, 0.0, 0.0), 10.0), Part::new("tab", Shape::Body(tab))];
    let found = run(&parts, 0.5, &settings());
    assert!(found.rows.iter().flatten().all(|r| r.by == EndedBy::Nothing), "no row is touched");
    let [right, left] = &found.all_travel;
    assert_eq!((right.by.clone(), left.by.clone()), (EndedBy::Nothing, EndedBy::Pair(0)));
    // Closed form: the ball's centre nearest to the tab's end in travel 10: distance of centres 5 + 0.2 + 0.5 at its lock.
    let apart: f64 = 5.7;
    // Ends at radius 303: r² + 303² − 2·300·303·cos δ = apart².
    let delta = ((300.0_f64.powi(2) + 303.0_f64.powi(2) - apart * apart) / (2.0 * 300.0 * 303.0)).acos();
    let first = 23.0 - delta.to_degrees();
    let lock = left.lock.unwrap().to_degrees();
    assert!(lock <= first + 0.01 && first - lock < 0.12, "{lock} {first}");
    let touch = left.touch.as_ref().unwrap();
    assert!((touch.travel - 10.0).abs() < 3.0, "{}", touch.travel);
}

/// The mechanism's end is a limit like any other.
#[test]
fn a_stop_ends_the_lock() {
    let far = ball(Point3::new(0.0, 900.0, 0.0), 10.0);
    let parts = [ball(Point3::new(300.0, 0.0, 0.0), 10.0), far];
    let poses = |lock: f64, travel: f64| match lock.to_degrees() {
        deg if deg > 31.4 + 0.05 * travel => Err(Stop::OuterJoint),
        deg if deg < -47.7 => Err(Stop::RackStop),
        _ => Ok(vec![turning(lock, travel), RigidTransform::identity()]),
    };
    let found = sweep(&parts, &[Pair { a: 0, b: 1, wanted: 5.0 }], &poses, &settings(), |_| true).unwrap();
    for (row, travel) in found.rows.iter().zip(&found.travels) {
        let end = 31.4 + 0.05 * travel;
        let lock = row[1].lock.unwrap().to_degrees();
        assert!(lock <= end && end - lock <= 0.05, "{lock} {end}");
        assert_eq!((&row[1].by, &row[0].by), (&EndedBy::Stop(Stop::OuterJoint), &EndedBy::Stop(Stop::RackStop)));
    }
    let lock = found.all_travel[1].lock.unwrap().to_degrees();
    assert!((lock - 29.4).abs() <= 0.06, "{lock}");
    assert!(found.at(2, found.locks.len() - 1).unwrap().poses.is_err());
}

/// Random motions: no point of a part is displaced by more than the bound, and for a turn alone it is no more than a tenth
/// over the truth.
#[test]
fn displacements_are_bounded() {
    let wheel = Wheel::from_size("205/50R16", 165.1, 40.0, &Default::default(), &Default::default()).unwrap();
    let mesh = wheel.mesh(48);
    let part = Part::new("wheel", Shape::Wheel(wheel.into()));
    let mut seed = 7_u64;
    let mut next = || {
        seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (seed >> 11) as f64 / (1_u64 << 53) as f64 * 2.0 - 1.0
    };
    for i in 0..200 {
        let scale = 10.0_f64.powf(-f64::from(i % 8));
        let mut vector = || Vec3::new(next(), next(), next());
        let first = RigidTransform::new(vector() * 300.0, vector());
        let step = RigidTransform::new(vector() * 30.0 * scale, vector() * 0.3 * scale);
        let second = step * first;
        let bound = part.displacement(&first, &second);
        let most = mesh.vertices.iter().map(|p| (second * p - first * p).norm()).fold(0.0, f64::max);
        assert!(most <= bound + 1e-9 && bound < 2.0 * most + 1e-3, "{most} {bound}");
    }
}

/// Any number of cores gives the same, and it can be stopped.
#[test]
fn a_sweep_is_the_same_on_any_cores_and_can_be_stopped() {
    let fixed = Point3::new(260.0, 150.0, 11.0);
    let parts = [ball(Point3::new(300.0, 0.0, 0.0), 20.0), ball(fixed, 30.0)];
    let on = |cores: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(cores).build().unwrap();
        pool.install(|| run(&parts, 5.0, &settings()))
    };
    assert_eq!(on(1), on(4));
    let poses = |lock: f64, travel: f64| Ok(vec![turning(lock, travel), RigidTransform::identity()]);
    let told = AtomicUsize::new(0);
    let stop = |_: f32| told.fetch_add(1, Ordering::Relaxed) < 2;
    let pair = [Pair { a: 0, b: 1, wanted: 5.0 }];
    assert_eq!(sweep(&parts, &pair, &poses, &settings(), stop), Err(SweepError::Stopped));
    for (pair, words) in
        [(Pair { a: 0, b: 7, wanted: 1.0 }, "part 7"), (Pair { a: 1, b: 1, wanted: 1.0 }, "gap of ball")]
    {
        let error = sweep(&parts, &[pair], &poses, &settings(), |_| true).unwrap_err();
        assert!(error.to_string().contains(words), "{error}");
    }
    let backwards = SweepSettings { locks: vec![0.1, 0.0], ..settings() };
    assert!(matches!(sweep(&parts, &pair, &poses, &backwards, |_| true), Err(SweepError::Grid { .. })));
}

/// A disc of radius 100 that comes down on a plate: what it takes away is known in closed form.
#[test]
fn the_mark_of_a_wheel_is_as_deep_as_it_goes() {
    // Its section: radius 100, 40 wide.
    let wheel = Wheel::from_profile(&[[0.0, -20.0], [100.0, -20.0], [100.0, 20.0], [0.0, 20.0]]).unwrap();
    let p = |x: f64, y: f64| Point3::new(x, y, 0.0);
    let plate = Mesh {
        vertices: vec![p(-200.0, -150.0), p(200.0, -150.0), p(200.0, 150.0), p(-200.0, 150.0)],
        facets: vec![[0, 1, 2], [0, 2, 3]],
    };
    // The axis comes down to 97 above the plate: 3 mm deep.
    let states: Vec<RigidTransform> =
        (0..=10).map(|i| RigidTransform::translation(0.0, 0.0, -(107.0 - f64::from(i)))).collect();
    let mark = swept_mark(&plate, &wheel, &states, 5.0, 15.0, 2.0, |_| true).unwrap();
    assert!((mark.depth - 8.0).abs() < 0.02, "{}", mark.depth);
    let at = mark.mesh.vertices[mark.deepest.unwrap() as usize];
    assert!(at.x.abs() < 2.0 && at.y.abs() <= 18.0, "{at}");
    for (v, gap) in mark.mesh.vertices.iter().zip(&mark.gaps) {
        // Distance of a point from the cylinder's solid, below its axis.
        let (r, y) = (v.x.hypot(97.0) - 100.0, v.y.abs() - 20.0);
        let exact = if r < 0.0 && y < 0.0 { r.max(y) } else { r.max(0.0).hypot(y.max(0.0)) };
        if exact < 14.999 {
            assert!((f64::from(*gap) - exact).abs() < 1e-4, "{gap} {exact}");
        } else if exact > 15.001 {
            assert!(gap.is_nan());
        }
    }
    // Nearer than 5 mm: |x| up to √(105² − 97²), y up to 25, less the rounding of the corners.
    let half = (105.0_f64.powi(2) - 97.0_f64.powi(2)).sqrt();
    assert!(mark.area > 4.0 * half * 20.0 && mark.area < 4.0 * (half + 2.0) * 27.0, "{}", mark.area);
    assert!(swept_mark(&plate, &wheel, &states, 5.0, 15.0, 2.0, |_| false).is_none());
}
