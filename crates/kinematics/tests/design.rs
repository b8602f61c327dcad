//! Moves, variants and what is solved for.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{kestrel, strut_a, variant, wishbone, with};
use stringline_core::Explain;
use stringline_hardpoints::{Role, Side};
use stringline_kinematics::solve_for::{
    AckermannGoal, Adjuster, BumpSteerGoal, CasterGoal, Freedom, LockGoal, SolveForError, Stock, ackermann_plate,
    bump_steer, find_lock, least_bump_steer, rack_for_lock, set_caster,
};
use stringline_kinematics::{
    AS_FOUND, Axle, AxleGeometry, Change, CornerMeasures, Held, Move, RodEnd, State, Upper, Variant, VariantError,
    geometry_of,
};

fn rest(g: &AxleGeometry) -> CornerMeasures {
    Axle::new(g).unwrap().corner(Side::Left).measures_at_rest()
}

fn lengths(g: &AxleGeometry) -> [f64; 3] {
    let c = g.left;
    [
        (c.lower_ball - c.lower_front).norm(),
        (c.lower_ball - c.lower_rear).norm(),
        (c.tie_rod_outer - c.tie_rod_inner).norm(),
    ]
}

#[test]
fn a_variant_without_moves_is_its_base() {
    for geometry in [strut_a(), wishbone(), kestrel()] {
        assert_eq!(geometry_of(&geometry, &[], AS_FOUND).unwrap(), geometry);
        let same = with(&geometry, vec![Change::RodLength { by: 0.0 }]);
        for (a, b) in [(geometry.left, same.left), (geometry.right, same.right)] {
            assert!((a.tie_rod_outer - b.tie_rod_outer).norm() < 1e-8);
            assert!((a.wheel.centre - b.wheel.centre).norm() < 1e-8);
        }
    }
}

#[test]
fn each_move_does_what_it_says_and_leaves_the_links_alone() {
    let g = strut_a();
    let before = lengths(&g);
    let same = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
    let legs = lengths(&with(&g, vec![Change::ArmLegs { front: 3.0, rear: -2.0 }]));
    same(legs[0], before[0] + 3.0);
    same(legs[1], before[1] - 2.0);
    same(legs[2], before[2]);
    same(lengths(&with(&g, vec![Change::RodLength { by: 1.5 }]))[2], before[2] + 1.5);
    let longer = with(&g, vec![Change::ArmLength { by: 10.0 }]);
    assert!(longer.left.lower_ball.y > g.left.lower_ball.y + 9.0 && rest(&longer).camber > rest(&g).camber - 0.2);
    // The foot of the arm's circle does not move along its axis.
    let axis = (g.left.lower_front - g.left.lower_rear).normalize();
    same(axis.dot(&(longer.left.lower_ball - g.left.lower_rear)), axis.dot(&(g.left.lower_ball - g.left.lower_rear)));
    // Moving the ball joint down in the knuckle is dropping it; a strut has no upper one.
    let lower = |by| Change::MoveBallJoint { role: Role::LowerBallJoint, by };
    let dropped = with(&g, vec![Change::DropBallJoint { by: 20.0 }]);
    assert_eq!(with(&g, vec![lower([0.0, 0.0, -20.0])]), dropped);
    let forward = with(&g, vec![lower([5.0, 0.0, 0.0])]);
    let back = rest(&g).wheel_centre.x - rest(&forward).wheel_centre.x;
    assert!((4.0..6.0).contains(&back), "the arm holds the joint, so the wheel goes back: {back}");
    let upper = Change::MoveBallJoint { role: Role::UpperBallJoint, by: [0.0, 5.0, 0.0] };
    let no_strut = Variant::new("upper", None, vec![upper.clone().into()]);
    let error = geometry_of(&g, std::slice::from_ref(&no_strut), "upper").unwrap_err();
    assert!(error.to_string().contains("no upper ball joint"), "{error}");
    let w = wishbone();
    let out = with(&w, vec![upper]);
    assert!(rest(&out).camber < rest(&w).camber - 1e-3, "the arm holds the joint, so the knuckle leans in");
    // Toe is set by the rod alone.
    let aligned = with(&g, vec![Change::Align { toe_in_deg: 0.25 }]);
    same(rest(&aligned).toe_in.to_degrees(), 0.25);
    same(lengths(&aligned)[0], before[0]);
    // A raised body: every pivot up, the tyre where it was.
    let raised = with(&g, vec![Change::RideHeight { by: 20.0 }]);
    same(raised.left.lower_front.z, g.left.lower_front.z + 20.0);
    same(rest(&raised).contact.z, rest(&g).contact.z);
    same(lengths(&raised)[2], before[2]);
    // The same as that much rebound of the car as found, in the body's axes.
    let body = Axle::new(&g).unwrap().solve(State::level(-20.0, 0.0), Held::Contact).unwrap().left;
    same(rest(&raised).camber, body.camber);
    same(rest(&raised).toe_in, body.toe_in);
    let moved = with(&g, vec![Change::MoveRack { by: [0.0, 0.0, 5.0] }]);
    same(moved.left.tie_rod_inner.z - g.left.tie_rod_inner.z, 5.0);
    let set_off = with(&g, vec![Change::MoveRack { by: [0.0, 4.0, 0.0] }]);
    same(set_off.left.tie_rod_inner.y - g.left.tie_rod_inner.y, 4.0);
    same(set_off.right.tie_rod_inner.y - g.right.tie_rod_inner.y, 4.0);
    let top = with(&g, vec![Change::MoveStrutTop { by: [0.0, -10.0, 0.0] }]);
    assert!(rest(&top).camber < rest(&g).camber - 0.5_f64.to_radians());
    let stroke = with(&g, vec![Change::RackStroke { stroke: [-60.0, 60.0] }]);
    let error = Axle::new(&stroke).unwrap().solve(State::level(0.0, -61.0), Held::Contact).unwrap_err();
    assert!(error.to_string().contains("stop is at −60.0 mm"), "{error}");
    let wheel = with(&g, vec![Change::Wheel { tyre: None, radius: Some(310.0), outboard: 20.0 }]);
    assert!((rest(&wheel).scrub_radius - rest(&g).scrub_radius - 20.0).abs() < 3.0);
    assert!(wheel.left.lower_front.z == g.left.lower_front.z);
    // Holes of a plate, from one side on.
    let plate = |position| Change::PlatePosition { first: [0.0; 3], step: [0.0, -6.0, 0.0], position, of: 3 };
    let one = with(&g, vec![plate(1)]);
    assert!((one.left.tie_rod_outer - g.left.tie_rod_outer).norm() < 1e-8);
    let three = with(&g, vec![plate(3), Change::Align { toe_in_deg: 0.1 }]);
    assert!((three.left.tie_rod_outer.y - g.left.tie_rod_outer.y + 12.0).abs() < 1e-6);
}

#[test]
fn variants_stand_on_one_another_and_errors_say_which() {
    let g = wishbone();
    let raise =
        |name: &str, base: Option<&str>, by: f64| Variant::new(name, base, vec![Change::RodLength { by }.into()]);
    let all = [
        raise("one", None, 1.0),
        raise("two", Some("one"), 2.0),
        raise("a", Some("b"), 0.0),
        raise("b", Some("a"), 0.0),
    ];
    assert!((lengths(&geometry_of(&g, &all, "two").unwrap())[2] - lengths(&g)[2] - 3.0).abs() < 1e-9);
    let error = geometry_of(&g, &all, "three").unwrap_err();
    assert!(error.next_step().contains("as-found, one, two"), "{}", error.next_step());
    assert!(matches!(geometry_of(&g, &all, "a"), Err(VariantError::Circle { .. })));
    let far = variant("far", vec![Change::ArmLegs { front: -2000.0, rear: 0.0 }]);
    assert!(geometry_of(&g, &[far], "far").unwrap_err().to_string().starts_with("'far': with these moves"));
    for bad in [
        Change::MoveStrutTop { by: [1.0; 3] },
        Change::DropBallJoint { by: f64::NAN },
        Change::PlatePosition { first: [0.0; 3], step: [0.0; 3], position: 4, of: 3 },
        Change::MovePivot { role: Role::TieRodInner, by: [0.0; 3] },
        Change::Wheel { tyre: Some("round".into()), radius: None, outboard: 0.0 },
        Change::Align { toe_in_deg: f64::INFINITY },
    ] {
        let bad = variant("bad", vec![bad]);
        assert!(matches!(geometry_of(&g, &[bad], "bad"), Err(VariantError::BadMove { .. })));
    }
    // One side alone.
    let moves = vec![Move { side: Some(Side::Left), change: Change::RodLength { by: 1.0 } }];
    let one_side = Variant::new("left", None, moves);
    let moved = geometry_of(&g, &[one_side], "left").unwrap();
    assert_eq!(moved.right, g.right);
    assert_ne!(moved.left, g.left);
}

#[test]
fn variants_are_plain_json() {
    let text = r#"{"name": "proposed", "base": "drop", "moves": [
        {"move": "drop_ball_joint", "by": 50.0},
        {"side": "left", "move": "spacer", "under": "outer", "thickness": -6.5},
        {"move": "wheel", "tyre": "205/50R16"},
        {"move": "plate_position", "first": [0, 0, 0], "step": [0, -6, 0], "position": 2, "of": 3}]}"#;
    let read: Variant = serde_json::from_str(text).unwrap();
    assert_eq!(read.moves[1].side, Some(Side::Left));
    let again: Variant = serde_json::from_str(&serde_json::to_string(&read).unwrap()).unwrap();
    assert_eq!(read, again);
}

/// The Kestrel on a knuckle dropped by 50 mm: the rod's outer end is left too high.
fn dropped() -> AxleGeometry {
    with(&kestrel(), vec![Change::DropBallJoint { by: 50.0 }, Change::Align { toe_in_deg: 0.0 }])
}

#[test]
fn least_bump_steer_is_a_minimum() {
    let g = dropped();
    let travel = [-30.0, 30.0];
    let goal = BumpSteerGoal {
        travel,
        held: Held::WheelCentre,
        free: vec![Freedom::vertical(RodEnd::Outer, 80.0)],
        stock: None,
    };
    let answer = least_bump_steer(&g, &goal).unwrap();
    assert!(answer.converged && answer.at_limit.is_empty());
    assert!(answer.after.rms_deg < 0.1 * answer.before.rms_deg, "{:?} {:?}", answer.before, answer.after);
    // Moved to either side of it, it is worse: by the moves, not by the solver's own function.
    let rms = |by: f64| {
        let moved = with(&g, vec![Change::MoveTieRodOuter { by: [0.0, 0.0, by] }, Change::Align { toe_in_deg: 0.0 }]);
        bump_steer(&Axle::new(&moved).unwrap(), travel, Held::WheelCentre).unwrap().rms_deg
    };
    let at = answer.amounts[0];
    assert!((rms(at) - answer.after.rms_deg).abs() < 1e-6);
    assert!(rms(at + 0.05) > rms(at) && rms(at - 0.05) > rms(at));
    // A stock of spacers comes near it, made of what there is.
    let stocked = BumpSteerGoal { stock: Some(Stock { pieces: vec![(3.0, 3), (10.0, 5)] }), ..goal.clone() };
    let stack = least_bump_steer(&g, &stocked).unwrap();
    let first = &stack.stacks[0];
    let total: f64 = first.pieces.iter().map(|(t, n)| t * f64::from(*n)).sum();
    assert!((total - first.thickness.abs()).abs() < 1e-9 && (first.thickness - at).abs() <= 1.5, "{first:?} {at}");
    assert!(stack.stacks.iter().all(|s| s.after.rms_deg >= first.after.rms_deg));
    assert_eq!(stack.after, first.after);
    // Both ends free do no worse; a tight limit is reported.
    let both = BumpSteerGoal {
        free: vec![Freedom::vertical(RodEnd::Outer, 80.0), Freedom::vertical(RodEnd::Inner, 20.0)],
        ..goal.clone()
    };
    assert!(least_bump_steer(&g, &both).unwrap().after.rms_deg <= answer.after.rms_deg + 1e-9);
    let tight = BumpSteerGoal { free: vec![Freedom::vertical(RodEnd::Outer, 5.0)], ..goal };
    assert_eq!(least_bump_steer(&g, &tight).unwrap().at_limit, [0]);
}

#[test]
fn plate_holes_meet_their_ackermann_and_hold_bump_steer() {
    let g = kestrel();
    let goal = AckermannGoal {
        percents: vec![75.0, 65.0, 55.0],
        inner_deg: 35.0,
        turn: Side::Left,
        travel: [-30.0, 30.0],
        directions: vec![[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        reach: 40.0,
    };
    let holes = ackermann_plate(&g, &goal).unwrap();
    for (hole, wanted) in holes.iter().zip(&goal.percents) {
        assert!(hole.met, "{} for {wanted}", hole.ackermann.percent);
        // Checked by the moves themselves.
        let moved = with(&g, hole.moves.iter().map(|m| m.change.clone()).collect());
        let axle = Axle::new(&moved).unwrap();
        let rack = rack_for_lock(&axle, Side::Left, 35.0_f64.to_radians(), 0.0).unwrap();
        let m = axle.solve(State::level(0.0, rack), Held::Contact).unwrap();
        assert!((m.ackermann.unwrap().percent - wanted).abs() < 0.1);
        assert!((m.left.steer.to_degrees() - 35.0).abs() < 1e-9);
        assert!(hole.bump_steer.largest_deg < 0.05, "{:?}", hole.bump_steer);
    }
    // With the rod behind the axle, less Ackermann lies outboard.
    assert!(holes[0].by[1] < holes[1].by[1] && holes[1].by[1] < holes[2].by[1]);
}

#[test]
fn caster_is_met_and_its_side_effects_are_told() {
    let g = kestrel();
    for by in [Adjuster::FrontLeg, Adjuster::RearLeg, Adjuster::LegsOpposed, Adjuster::StrutTop([-1.0, 0.0, 0.0])] {
        let goal = CasterGoal { caster_deg: 5.0, by, travel: [-30.0, 30.0] };
        let answer = set_caster(&g, &goal).unwrap();
        assert!((rest(&answer.geometry).caster.to_degrees() - 5.0).abs() < 1e-9, "{by:?}");
        assert!((answer.after.toe_in - answer.before.toe_in).abs() < 1e-9);
        assert!((answer.turned.toe_in - answer.before.toe_in).abs() > 1e-6);
    }
    let goal = CasterGoal { caster_deg: 44.0, by: Adjuster::RearLeg, travel: [-30.0, 30.0] };
    assert!(matches!(set_caster(&g, &goal), Err(SolveForError::OutOfReach { .. } | SolveForError::Geometry(_))));
    let g = wishbone();
    let Upper::Arm { .. } = g.left.upper else { panic!("double wishbone") };
    let goal = CasterGoal { caster_deg: 4.0, by: Adjuster::UpperLegsOpposed, travel: [-30.0, 30.0] };
    assert!((set_caster(&g, &goal).unwrap().after.caster.to_degrees() - 4.0).abs() < 1e-9);
}

#[test]
fn lock_is_reached_with_the_margin_or_said_to_fall_short() {
    let g = kestrel();
    let goal = LockGoal { inner_deg: 50.0, margin_deg: 15.0, arm: [80.0, 125.0], steps: 10 };
    let answer = find_lock(&g, &goal).unwrap();
    let chosen = &answer.chosen;
    assert!(chosen.keeps_margin && chosen.margin.to_degrees() >= 15.0);
    assert!(answer.options.iter().filter(|o| o.keeps_margin).all(|o| o.stroke >= chosen.stroke));
    let axle = Axle::new(&chosen.geometry).unwrap();
    let m = axle.solve(State::level(0.0, -chosen.stroke), Held::Contact).unwrap();
    assert!(m.left.steer.to_degrees() > 49.9, "{}", m.left.steer.to_degrees());
    assert!(chosen.rack_left > 0.0);
    // A shorter arm needs less rack for the same lock.
    assert!(answer.options.windows(2).all(|w| w[0].stroke < w[1].stroke));
    let too_much = LockGoal { margin_deg: 60.0, ..goal };
    assert!(!find_lock(&g, &too_much).unwrap().chosen.keeps_margin);
    let beyond = LockGoal { inner_deg: 85.0, ..goal };
    let error = find_lock(&g, &beyond).unwrap_err();
    assert!(error.to_string().contains("over centre comes at"), "{error}");
}
