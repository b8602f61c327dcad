//! The app ticked without a window and without a graphics driver: what it mirrors, what the
//! pointer finds, when it wants to be drawn.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod support;

use egui::{Event, Modifiers, MouseWheelUnit, PointerButton, Pos2, TouchPhase, pos2, vec2};
use std::sync::Arc;
use std::time::Duration;
use stringline_core::{RigidTransform, UnitVec3, Vec3};
use stringline_scan::{Cloud, Geometry, Point3, Scan};
use stringline_workbench::shown::{Layer, LineMark, Look, LookAt, Mark, Pointer, ShownLine, Tint, Touched};
use stringline_workbench::{Headless, HeadlessSettings};
use support::{Double, shown_scan, wavy_ball};

const LIMIT: Duration = Duration::from_secs(60);

fn open(double: &Double) -> Headless {
    let settings = HeadlessSettings { graphics: false, ..HeadlessSettings::default() };
    let mut app = Headless::new(settings, |_| double.clone()).unwrap();
    assert!(app.settle(LIMIT));
    app
}

/// A ball about the origin, brought into the view.
fn with_ball(double: &Double) -> (Headless, Arc<Scan>) {
    let mut app = open(double);
    let scan = Arc::new(wavy_ball(20_000));
    double.desk().shown.scans = vec![shown_scan(7, scan.clone())];
    assert!(app.settle(LIMIT));
    (app, scan)
}

fn middle(app: &Headless) -> Pos2 {
    app.stage().area.center()
}

fn heard(double: &Double) -> Vec<Pointer> {
    std::mem::take(&mut double.desk().heard)
}

#[test]
fn there_is_a_body_for_each_shown_scan() {
    let double = Double::default();
    let (mut app, scan) = with_ball(&double);
    assert_eq!(app.bodies(), [(0, 7, 0)]);
    double.desk().shown.scans.push(shown_scan(9, scan.clone()));
    app.settle(LIMIT);
    assert_eq!(app.bodies(), [(0, 7, 0), (1, 9, 0)]);
    double.desk().shown.scans.remove(0);
    app.settle(LIMIT);
    assert_eq!(app.bodies(), [(0, 9, 0)]);
    double.desk().shown.scans.clear();
    app.settle(LIMIT);
    assert_eq!(app.bodies(), []);
}

#[test]
fn a_preview_stays_until_the_full_scan_is_ready() {
    let double = Double::default();
    let (mut app, _) = with_ball(&double);
    double.desk().shown.scans = vec![shown_scan(8, Arc::new(wavy_ball(400_000)))];
    let mut seen = Vec::new();
    for _ in 0..10_000 {
        app.frame(&[]);
        let bodies = app.bodies();
        assert_eq!(bodies.len(), 1, "never none and never both");
        if seen.last() != Some(&bodies[0].1) {
            seen.push(bodies[0].1);
        }
        if seen == [7, 8] {
            break;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    assert_eq!(seen, [7, 8]);
}

#[test]
fn an_empty_scan_and_one_that_vanishes_while_made_ready_leave_no_trace() {
    let double = Double::default();
    let mut app = open(&double);
    double.desk().shown.scans = vec![shown_scan(1, Arc::new(Scan::new(Geometry::Cloud(Cloud::default()))))];
    assert!(app.settle(LIMIT));
    assert_eq!(app.bodies(), []);
    double.desk().shown.scans = vec![shown_scan(2, Arc::new(wavy_ball(200_000)))];
    app.frame(&[]);
    double.desk().shown.scans.clear();
    assert!(app.settle(LIMIT));
    assert_eq!(app.bodies(), []);
}

#[test]
fn the_first_parts_are_brought_into_the_view_and_call_outs_follow() {
    let double = Double::default();
    double.desk().panel = 300.0;
    let (app, _) = with_ball(&double);
    let area = app.stage().area;
    assert_eq!((area.left(), area.top(), area.right()), (300.0, 0.0, 1280.0));
    let eye = double.desk().eye.unwrap();
    assert_eq!(eye.view, [300.0, 0.0, 980.0, 800.0]);
    let [x, y] = eye.to_screen(&Point3::origin()).unwrap();
    assert!((pos2(x, y) - area.center()).length() < 8.0, "{x} {y}");
    let [_, top] = eye
        .to_screen(&Point3::from(90.0 * app.stage().view.view_from_world().inverse().transform_vector(&Vec3::y())))
        .unwrap();
    assert!((60.0..250.0).contains(&top), "{top}");
}

#[test]
fn what_is_drawn_over_the_scans_is_brought_into_the_view_too() {
    let double = Double::default();
    let (mut app, _) = with_ball(&double);
    let far = Point3::new(0.0, 700.0, 0.0);
    double.desk().shown.lines = vec![ShownLine { points: vec![Point3::origin(), far], mark: LineMark::Feature }];
    double.desk().shown.look = Look { turn: 1, at: LookAt::Fit };
    assert!(app.settle(LIMIT));
    let [x, y] = double.desk().eye.unwrap().to_screen(&far).unwrap();
    assert!(app.stage().area.contains(pos2(x, y)), "{x} {y}");
}

#[test]
fn hovering_and_pressing_say_where() {
    let double = Double::default();
    let (mut app, scan) = with_ball(&double);
    let at = middle(&app) + vec2(60.0, -40.0);
    app.frame(&[Event::PointerMoved(at)]);
    let [Pointer::Over(Touched { scan: 0, at: point, seen_from })] = heard(&double)[..] else {
        panic!("not over the ball");
    };
    assert!(scan.nearest(&point).is_some_and(|n| (scan.points()[n as usize] - point).norm() < 3.0));
    assert!(seen_from.dot(&point.coords) > 0.0, "seen from within");
    let eye = double.desk().eye.unwrap();
    let [x, y] = eye.to_screen(&point).unwrap();
    assert!((pos2(x, y) - at).length() < 0.1, "{x} {y} is not {at:?}");

    let press =
        |pressed, modifiers| Event::PointerButton { pos: at, button: PointerButton::Primary, pressed, modifiers };
    app.frame(&[press(true, Modifiers::NONE), Event::PointerMoved(at + vec2(4.0, 0.0)), press(false, Modifiers::NONE)]);
    let said = heard(&double);
    assert!(
        matches!(said[..], [Pointer::Press(_, false), Pointer::Drag(_, false), Pointer::Release, Pointer::Over(_)]),
        "{said:?}"
    );
    app.frame(&[Event::PointerMoved(app.stage().area.min + vec2(5.0, 5.0))]);
    assert_eq!(heard(&double), [Pointer::Nowhere]);
}

#[test]
fn a_placed_scan_is_touched_in_its_own_frame() {
    let double = Double::default();
    let (mut app, scan) = with_ball(&double);
    double.desk().shown.scans[0].world_from_scan =
        RigidTransform::new(Vec3::new(500.0, -200.0, 900.0), Vec3::new(0.3, -1.2, 0.7));
    double.desk().shown.look = Look { turn: 1, at: LookAt::Fit };
    assert!(app.settle(LIMIT));
    app.frame(&[Event::PointerMoved(middle(&app))]);
    let [Pointer::Over(touched)] = heard(&double)[..] else {
        panic!("not over the ball");
    };
    let near = scan.nearest(&touched.at).unwrap();
    assert!((scan.points()[near as usize] - touched.at).norm() < 3.0);
    let along = touched.at.coords.normalize();
    assert!(touched.seen_from.dot(&along) > 0.9, "the middle of the ball faces the eye");
}

#[test]
fn a_section_opens_the_ball_and_a_hidden_scan_is_not_touched() {
    let double = Double::default();
    let (mut app, _) = with_ball(&double);
    let towards = app.stage().view.towards_eye();
    double.desk().shown.section = Some((Point3::origin(), towards));
    app.settle(LIMIT);
    app.frame(&[Event::PointerMoved(middle(&app))]);
    let [Pointer::Over(touched)] = heard(&double)[..] else {
        panic!("not over the ball");
    };
    assert!(touched.at.coords.dot(&towards) < -50.0, "the far side from within");
    double.desk().shown.scans[0].opacity = 0.0;
    app.settle(LIMIT);
    app.frame(&[Event::PointerMoved(middle(&app) + vec2(1.0, 0.0))]);
    assert_eq!(heard(&double), [Pointer::Nowhere]);
}

#[test]
fn a_solid_scan_is_touched_before_a_faded_one_in_front_of_it() {
    let double = Double::default();
    let (mut app, scan) = with_ball(&double);
    let mut faded = shown_scan(8, scan);
    faded.opacity = 0.3;
    faded.world_from_scan.translation.vector = app.stage().view.towards_eye().into_inner() * 60.0;
    double.desk().shown.scans.push(faded);
    assert!(app.settle(LIMIT));
    app.frame(&[Event::PointerMoved(middle(&app))]);
    assert!(matches!(heard(&double)[..], [Pointer::Over(Touched { scan: 0, .. })]));
}

#[test]
fn only_changed_colours_wait_for_the_card() {
    let double = Double::default();
    let (mut app, _) = with_ball(&double);
    let tint = Tint { layers: vec![Layer { points: [100].into(), mark: Mark::Footprint }], ..Tint::default() };
    double.desk().shown.scans[0].tint = Arc::new(tint);
    app.frame(&[]);
    // Without a graphics driver nobody takes them.
    assert!((1..20).contains(&app.waiting_colours()), "{}", app.waiting_colours());
}

#[test]
fn wishes_of_the_bench_turn_the_view() {
    let double = Double::default();
    let (mut app, _) = with_ball(&double);
    let mut turn = 0;
    let mut look = |app: &mut Headless, at| {
        turn += 1;
        double.desk().shown.look = Look { turn, at };
        assert!(app.settle(LIMIT));
    };
    look(&mut app, LookAt::Along(-Vec3::z_axis(), Vec3::x_axis()));
    assert!(app.stage().view.towards_eye().angle(&Vec3::z_axis()) < 1e-9);
    look(&mut app, LookAt::Parallel(true));
    assert!(app.stage().view.parallel());
    let normal = UnitVec3::new_normalize(Vec3::new(1.0, 1.0, 0.2));
    look(&mut app, LookAt::SquareOn(Point3::new(40.0, 40.0, 0.0), normal));
    assert!(app.stage().view.towards_eye().angle(&normal) < 1e-9);
    // The same wish is not granted twice.
    let before = app.stage().view.clone();
    app.stage_mut().view.orbit(&Point3::origin(), 0.1, 0.0);
    assert!(app.settle(LIMIT));
    assert_ne!(app.stage().view, before);
}

#[test]
fn nothing_is_drawn_when_nothing_changes() {
    let double = Double::default();
    let (mut app, _) = with_ball(&double);
    assert!(app.settle(LIMIT), "it comes to rest");
    let frames = app.clock().frames;
    // A resting app rests after a single look.
    assert!(app.settle(LIMIT));
    assert_eq!(app.clock().frames, frames + 1);
    let wheel = Event::MouseWheel {
        unit: MouseWheelUnit::Line,
        delta: vec2(0.0, 1.0),
        phase: TouchPhase::Move,
        modifiers: Modifiers::NONE,
    };
    app.frame(&[Event::PointerMoved(middle(&app)), wheel]);
    assert!(app.stage().settles_in().is_some());
    assert!(app.settle(LIMIT), "and again after it was moved");
}

#[test]
fn without_a_driver_a_picture_fails_with_a_sentence() {
    let double = Double::default();
    let (mut app, _) = with_ball(&double);
    assert!(app.save_screen(std::path::Path::new("unwritten.png")).unwrap_err().contains("graphics driver"));
}
