//! Rules of thumb of the trade on the Kestrel's true geometry. Each is common practice and has no source: they
//! hold on an ordinary car and are no laws.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{kestrel, kestrel_set, variant, with};
use stringline_hardpoints::Side;
use stringline_kinematics::solve_for::{
    Adjuster, BumpSteerGoal, CasterGoal, Freedom, bump_steer, least_bump_steer, rack_for_lock, set_caster,
};
use stringline_kinematics::{Axle, AxleGeometry, Change, Held, Measured, RodEnd, State};

const TRAVEL: [f64; 2] = [-40.0, 40.0];

fn slope(geometry: &AxleGeometry) -> f64 {
    Axle::new(geometry).unwrap().corner(Side::Left).measures_at_rest().toe_in_per_travel.to_degrees()
}

#[test]
fn the_car_is_as_its_table_says() {
    let measured = Measured::from_set(&kestrel_set(0.0)).unwrap();
    assert!(measured.notes.iter().any(|n| n.contains("right corner takes the mirror image")), "{:?}", measured.notes);
    let axle = Axle::new(&measured.geometry().unwrap()).unwrap();
    let m = axle.corner(Side::Left).measures_at_rest();
    // The heading of the sample's own table of geometry.
    assert!((m.caster.to_degrees() - 3.96).abs() < 0.01);
    assert!((m.kingpin_inclination.to_degrees() - 11.55).abs() < 0.01);
    assert!((m.scrub_radius - 7.9).abs() < 0.05 && (m.mechanical_trail - 27.3).abs() < 0.05);
    assert!(bump_steer(&axle, TRAVEL, Held::WheelCentre).unwrap().largest_deg < 0.03);
    // The right tower stands off, so the right corner differs.
    let r = axle.corner(Side::Right).measures_at_rest();
    assert!((r.caster - m.caster).abs().to_degrees() > 0.05);
}

/// Bump steer is near neutral where the tie rod's outer end sits as far above the lower ball joint as the rack's inner joint
/// sits above the arm's inner axis. Common practice, no source.
#[test]
fn matching_heights_put_the_neutral_within_three_millimetres() {
    let geometry = kestrel();
    let goal = BumpSteerGoal {
        travel: TRAVEL,
        held: Held::WheelCentre,
        free: vec![Freedom::vertical(RodEnd::Outer, 30.0)],
        stock: None,
    };
    let answer = least_bump_steer(&geometry, &goal).unwrap();
    assert!(answer.converged && answer.after.rms_deg <= answer.before.rms_deg);
    let c = answer.geometry.left;
    let outer = c.tie_rod_outer.z - c.lower_ball.z;
    // The arm's axis level with the ball joint, as the linkage is looked at from the front.
    let part = (c.lower_ball.x - c.lower_rear.x) / (c.lower_front.x - c.lower_rear.x);
    let inner = c.tie_rod_inner.z - (c.lower_rear.z + part * (c.lower_front.z - c.lower_rear.z));
    assert!((outer - inner).abs() < 3.0, "outer {outer} above the ball joint, inner {inner} above the axis");
}

/// Caster turns the knuckle about the wheel's axis and so moves the outer tie-rod joint up or down, and bump steer with it as a
/// spacer would; builders run 4 to 6 degrees with the same kit and take the difference out with spacers. Common practice, no
/// source. The sense is geometry: more caster tips the top back, so a joint *behind* the axle goes down and one ahead of it goes
/// up. (Told the other way round for a rear-mounted rod, the rule is wrong.)
#[test]
fn caster_changes_bump_steer_as_a_spacer_does() {
    let behind = kestrel();
    // The same car with its rack ahead of the axle.
    let mut ahead = behind;
    for c in [&mut ahead.left, &mut ahead.right] {
        c.tie_rod_outer.x += 230.0;
        c.tie_rod_inner.x += 230.0;
    }
    for (geometry, rises) in [(behind, false), (ahead, true)] {
        let caster = |caster_deg| {
            let goal = CasterGoal { caster_deg, by: Adjuster::StrutTop([1.0, 0.0, 0.0]), travel: TRAVEL };
            set_caster(&geometry, &goal).unwrap()
        };
        let (four, six) = (caster(4.0), caster(6.0));
        assert!((four.after.caster.to_degrees() - 4.0).abs() < 1e-9);
        assert!((six.after.caster.to_degrees() - 6.0).abs() < 1e-9);
        let rise = six.geometry.left.tie_rod_outer.z - four.geometry.left.tie_rod_outer.z;
        assert_eq!(rise > 0.0, rises, "{rise}");
        assert!(rise.abs() > 2.0);
        let by_caster = slope(&six.geometry) - slope(&four.geometry);
        let spaced = with(
            &four.geometry,
            vec![Change::Spacer { under: RodEnd::Outer, thickness: rise }, Change::Align { toe_in_deg: 0.0 }],
        );
        let by_spacer = slope(&spaced) - slope(&four.geometry);
        assert!(by_caster * by_spacer > 0.0 && by_caster.abs() > 1e-4, "{by_caster} {by_spacer}");
        // A spacer of the other sense takes it out again.
        let goal = BumpSteerGoal {
            travel: TRAVEL,
            held: Held::WheelCentre,
            free: vec![Freedom::vertical(RodEnd::Outer, 40.0)],
            stock: None,
        };
        let (at_four, at_six) =
            (least_bump_steer(&four.geometry, &goal).unwrap(), least_bump_steer(&six.geometry, &goal).unwrap());
        assert!((at_six.amounts[0] - at_four.amounts[0]) * rise < 0.0);
        assert!(at_six.after.rms_deg < 0.5 * at_six.before.rms_deg, "{:?} {:?}", at_six.before, at_six.after);
    }
}

/// Moving the outer tie rod inboard along the arm (towards the steering axis) shortens the ratio and adds lock without curing
/// Ackermann; moving it outboard cures it: at big locks what is wanted is little of it. Common practice, no source.
#[test]
fn the_rods_place_along_and_across_the_arm() {
    let geometry = kestrel();
    let at_rest = |g: &AxleGeometry| Axle::new(g).unwrap().corner(Side::Left).measures_at_rest();
    let ackermann = |g: &AxleGeometry| {
        let axle = Axle::new(g).unwrap();
        let rack = rack_for_lock(&axle, Side::Left, 35.0_f64.to_radians(), 0.0).unwrap();
        axle.solve(State::level(0.0, rack), Held::Contact).unwrap().ackermann.unwrap().percent
    };
    let now = at_rest(&geometry);
    let toe = Change::Align { toe_in_deg: now.toe_in.to_degrees() };
    let c = geometry.left;
    let k = (c.axis_top() - c.lower_ball).normalize();
    let lever = c.tie_rod_outer - c.lower_ball;
    let inboard = -(lever - k * lever.dot(&k)).normalize() * 20.0;
    let shorter = with(&geometry, vec![Change::MoveTieRodOuter { by: inboard.into() }, toe.clone()]);
    let then = at_rest(&shorter);
    assert!((then.steering_arm - (now.steering_arm - 20.0)).abs() < 0.2);
    assert!(then.steer_per_rack.abs() > 1.1 * now.steer_per_rack.abs(), "a shorter ratio");
    let lock = |g: &AxleGeometry| {
        Axle::new(g).unwrap().solve(State::level(0.0, -50.0), Held::Contact).unwrap().left.steer.to_degrees()
    };
    assert!(lock(&shorter) > lock(&geometry) + 3.0, "more lock from the same rack");
    let outboard = with(&geometry, vec![Change::MoveTieRodOuter { by: [0.0, 15.0, 0.0] }, toe]);
    let (a, b, c) = (ackermann(&geometry), ackermann(&shorter), ackermann(&outboard));
    assert!(b > a - 1.0, "inboard does not cure it: {a:.1} → {b:.1} %");
    assert!(c.abs() < 0.5 * a, "outboard does: {a:.1} → {c:.1} %");
}

/// A drop knuckle of 50 mm moves the roll centre up. Common practice, no source.
#[test]
fn a_dropped_ball_joint_raises_the_roll_centre() {
    let geometry = kestrel();
    let dropped = with(&geometry, vec![Change::DropBallJoint { by: 50.0 }]);
    let roll_centre = |g: &AxleGeometry| {
        let m = Axle::new(g).unwrap().solve(State::default(), Held::WheelCentre).unwrap();
        (m.roll_centre_by_velocity.unwrap()[1], m.roll_centre_by_planes.unwrap()[1])
    };
    let (before, after) = (roll_centre(&geometry), roll_centre(&dropped));
    assert!(after.0 > before.0 + 20.0 && after.1 > before.1 + 20.0, "{before:?} {after:?}");
    // The arm keeps its length and the tyre its place on the ground.
    let (a, b) = (geometry.left, dropped.left);
    let leg = |c: stringline_kinematics::CornerGeometry| (c.lower_ball - c.lower_front).norm();
    assert!((leg(a) - leg(b)).abs() < 1e-9);
    assert!((a.lower_ball.z - b.lower_ball.z - 50.0).abs() < 2.0);
}

/// A variant leaves as a hardpoint set that gives the variant's own geometry when it is read again.
#[test]
fn a_designed_set_is_the_variant() {
    use stringline_hardpoints::{HardpointSet, Role, Side};
    use stringline_kinematics::{Measured, designed_set, geometry_of};
    let set = common::kestrel_set(0.05);
    let moves = vec![
        Change::DropBallJoint { by: 50.0 },
        Change::MoveTieRodOuter { by: [0.0, 0.0, -38.5] },
        Change::MoveStrutTop { by: [-8.0, 0.0, 0.0] },
        Change::RackStroke { stroke: [-55.0, 55.0] },
        Change::Align { toe_in_deg: 0.0 },
    ];
    let variants = [variant("proposed", moves)];
    let designed = designed_set(&set, &variants, "proposed").unwrap();
    designed.check().unwrap();
    let found = Measured::from_set(&set).unwrap().geometry().unwrap();
    let wanted = geometry_of(&found, &variants, "proposed").unwrap();
    // Through the file and back.
    let read = HardpointSet::from_json(&designed.to_json().unwrap()).unwrap();
    let read = Measured::from_set(&read).unwrap().geometry().unwrap();
    for side in [Side::Left, Side::Right] {
        let (a, b) = (read.corner(side), wanted.corner(side));
        for (p, q) in [
            (a.lower_ball, b.lower_ball),
            (a.tie_rod_outer, b.tie_rod_outer),
            (a.tie_rod_inner, b.tie_rod_inner),
            (a.axis_top(), b.axis_top()),
            (a.wheel.centre, b.wheel.centre),
        ] {
            assert!((p - q).norm() < 1e-9, "{side}: {p:?} is not {q:?}");
        }
        assert!((a.wheel.spin.into_inner() - b.wheel.spin.into_inner()).norm() < 1e-9);
    }
    assert_eq!(read.rack.stroke, Some([-55.0, 55.0]));
    // Measured points keep what is known of them; designed ones have no ± and say so.
    let of = |role| designed.find(role, Side::Left).unwrap();
    assert!(of(Role::LowerArmFront).covariance.is_some());
    let ball = of(Role::LowerBallJoint);
    assert!(ball.covariance.is_none() && ball.construction.as_deref() == Some("designed: variant 'proposed'"));
    assert!(designed_set(&set, &variants, "nowhere").is_err());
    // To be made within ±0.2 mm: 0.2/√3 in each coordinate, all values there alike (JCGM 100, 4.3.7).
    let mut variants = variants;
    variants[0].made_within.insert(Role::TieRodOuter, 0.2);
    let designed = designed_set(&set, &variants, "proposed").unwrap();
    designed.check().unwrap();
    let joint = designed.find(Role::TieRodOuter, Side::Left).unwrap();
    let covariance = joint.covariance_matrix().unwrap().unwrap();
    assert!((covariance[(1, 1)] - 0.04 / 3.0).abs() < 1e-12 && covariance[(0, 1)] == 0.0);
    // Three standard uncertainties and a little, the region's half-axis at 95 %.
    assert!((0.3..0.35).contains(&joint.u95.unwrap().position), "{:?}", joint.u95);
}
