//! Speed of what the window and the solvers wait for.

use criterion::{Criterion, criterion_group, criterion_main};
use nalgebra::DMatrix;
use std::hint::black_box;
use std::time::Duration;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_hardpoints::{Role, Side, Suspension};
use stringline_kinematics::solve_for::{
    AckermannGoal, Adjuster, BumpSteerGoal, CasterGoal, Freedom, LockGoal, Stock, ackermann_plate, find_lock,
    least_bump_steer, set_caster,
};
use stringline_kinematics::{
    Axle, AxleGeometry, Car, CornerGeometry, Held, Measured, MeasuredPoint, Quantity, Rack, RodEnd, State,
    TrustQuestion, Upper, Wheel, bands, simulate,
};

/// An invented strut corner.
fn strut() -> CornerGeometry {
    CornerGeometry {
        side: Side::Left,
        lower_front: Point3::new(15.0, 365.0, 200.0),
        lower_rear: Point3::new(-300.0, 390.0, 215.0),
        lower_ball: Point3::new(8.0, 705.0, 205.0),
        upper: Upper::Strut { top: Point3::new(-45.0, 570.0, 845.0), lower: Point3::new(-2.0, 640.0, 420.0) },
        tie_rod_inner: Point3::new(-95.0, 330.0, 232.0),
        tie_rod_outer: Point3::new(-105.0, 672.0, 240.0),
        wheel: Wheel::aligned(
            Point3::new(0.0, 740.0, 300.0),
            300.0,
            -1.0_f64.to_radians(),
            0.1_f64.to_radians(),
            Side::Left,
        ),
        damper: None,
        outer_joint: None,
        inner_joint: None,
    }
}

/// An invented double wishbone.
fn wishbone() -> CornerGeometry {
    CornerGeometry {
        upper: Upper::Arm {
            front: Point3::new(60.0, 450.0, 490.0),
            rear: Point3::new(-160.0, 440.0, 480.0),
            ball: Point3::new(-12.0, 668.0, 505.0),
        },
        ..strut()
    }
}

fn axle(corner: CornerGeometry) -> AxleGeometry {
    let car = Car { wheelbase: Some(2500.0), mass_height: Some(500.0), front_brake_share: Some(0.65) };
    AxleGeometry::symmetric(corner, Rack::default(), car)
}

fn even(low: f64, high: f64, count: usize) -> Vec<f64> {
    (0..count).map(|i| low + (high - low) * i as f64 / (count - 1) as f64).collect()
}

fn grids(c: &mut Criterion) {
    let (travels, racks) = (even(-80.0, 80.0, 101), even(-70.0, 70.0, 101));
    for (name, corner) in [("strut", strut()), ("double wishbone", wishbone())] {
        let Ok(axle) = Axle::new(&axle(corner)) else { continue };
        let grid = axle.grid(&travels, &racks, Held::WheelCentre);
        assert!(grid.states.iter().filter(|s| s.is_ok()).count() > 9_000, "{name}: the grid must be solved");
        c.bench_function(&format!("{name}: full axle, 101 travel × 101 rack, all measures"), |b| {
            b.iter(|| black_box(axle.grid(&travels, &racks, Held::WheelCentre)));
        });
    }
}

fn solvers(c: &mut Criterion) {
    let geometry = axle(strut());
    let goal = BumpSteerGoal {
        travel: [-60.0, 60.0],
        held: Held::WheelCentre,
        free: vec![Freedom::vertical(RodEnd::Outer, 30.0), Freedom::vertical(RodEnd::Inner, 30.0)],
        stock: Some(Stock { pieces: vec![(1.0, 4), (2.0, 4), (5.0, 4), (10.0, 2)] }),
    };
    c.bench_function("least bump steer, two ends and a stock of spacers", |b| {
        b.iter(|| black_box(least_bump_steer(&geometry, &goal)));
    });
    let goal = AckermannGoal {
        percents: vec![90.0, 80.0, 70.0],
        inner_deg: 40.0,
        turn: Side::Left,
        travel: [-60.0, 60.0],
        directions: vec![[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        reach: 60.0,
    };
    assert!(ackermann_plate(&geometry, &goal).is_ok());
    c.bench_function("three Ackermann plate holes, bump steer held", |b| {
        b.iter(|| black_box(ackermann_plate(&geometry, &goal)));
    });
    let goal = CasterGoal { caster_deg: 6.0, by: Adjuster::LegsOpposed, travel: [-60.0, 60.0] };
    assert!(set_caster(&geometry, &goal).is_ok());
    c.bench_function("a wanted caster by the arm's legs", |b| b.iter(|| black_box(set_caster(&geometry, &goal))));
    let goal = LockGoal { inner_deg: 40.0, margin_deg: 15.0, arm: [80.0, 125.0], steps: 46 };
    assert!(find_lock(&geometry, &goal).is_ok());
    c.bench_function("arm and stops for a wanted lock, 46 lengths", |b| {
        b.iter(|| black_box(find_lock(&geometry, &goal)));
    });
}

fn measured() -> Measured {
    let c = strut();
    let Upper::Strut { top, lower } = c.upper else { unreachable!("it is a strut") };
    let mut points: Vec<MeasuredPoint> = [
        (Role::StrutTop, top),
        (Role::StrutLower, lower),
        (Role::LowerArmFront, c.lower_front),
        (Role::LowerArmRear, c.lower_rear),
        (Role::LowerBallJoint, c.lower_ball),
        (Role::TieRodInner, c.tie_rod_inner),
        (Role::TieRodOuter, c.tie_rod_outer),
        (Role::WheelCentre, c.wheel.centre),
    ]
    .into_iter()
    .map(|(role, at)| MeasuredPoint {
        covariance: Some(DMatrix::identity(3, 3) * 0.01),
        degrees_of_freedom: 40.0,
        ..MeasuredPoint::exact(role, Side::Left, at)
    })
    .collect();
    points.push(MeasuredPoint {
        direction: Some(UnitVec3::new_normalize(Vec3::new(0.0, 1.0, 0.0175))),
        ..MeasuredPoint::exact(Role::HubAxis, Side::Left, c.wheel.centre)
    });
    Measured {
        points,
        suspension: Suspension::Strut,
        tyre_radius: 300.0,
        rim_offset: None,
        rack_stroke: None,
        rack_per_turn: Some(45.0),
        car: Car { wheelbase: Some(2500.0), mass_height: Some(500.0), front_brake_share: Some(0.65) },
        notes: Vec::new(),
    }
}

fn trust(c: &mut Criterion) {
    let measured = measured();
    // Every curve of both corners over travel and over rack.
    let quantities: Vec<(Quantity, Side)> =
        Quantity::ALL.iter().flat_map(|q| [(*q, Side::Left), (*q, Side::Right)]).collect();
    let mut states: Vec<State> = even(-60.0, 60.0, 61).into_iter().map(|t| State::level(t, 0.0)).collect();
    states.extend(even(-70.0, 70.0, 71).into_iter().map(|r| State::level(0.0, r)));
    let question = TrustQuestion {
        measured: &measured,
        variants: &[],
        variant: "as-found",
        states: &states,
        held: Held::WheelCentre,
        quantities: &quantities,
        tolerances: &[],
    };
    assert!(bands(&question).is_ok());
    c.bench_function("bands of all curves, 132 states, linear", |b| b.iter(|| black_box(bands(&question))));
    c.bench_function("Monte Carlo of all curves, 132 states, 2,000 draws", |b| {
        b.iter(|| black_box(simulate(&question, 2000, 1)));
    });
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10).measurement_time(Duration::from_secs(5));
    targets = grids, solvers, trust
}
criterion_main!(benches);
