//! The stop Geometry without a display: a strut corner scanned as balls at its hardpoints, moved and changed.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

#[path = "hand/corner.rs"]
mod corner;
mod hand;

use corner::{HUB, POINTS, corner};
use egui::{Event, Key, Modifiers, PointerButton, Pos2};
use egui_kittest::kittest::Queryable;
use hand::*;
use std::path::{Path, PathBuf};
use stringline_core::{Point3, Vec3};
use stringline_hardpoints::{Role, Side};
use stringline_job::{Job, read_job};
use stringline_kinematics::solve_for::bump_steer;
use stringline_kinematics::{
    Axle, AxleGeometry, Car, Change, CornerGeometry, Held, Rack, State as At, Upper, Wheel, geometry_of,
};
use stringline_workbench::face::Bench;
use stringline_workbench::shown::{Eye, LineMark, ShownLine};

/// The same corner in code, for what the window says to be compared with.
fn truth() -> AxleGeometry {
    let at = |role: Role| Point3::from(POINTS.iter().find(|(r, _)| *r == role).unwrap().1);
    let spin = stringline_core::UnitVec3::new_normalize(Point3::from(HUB[1]) - Point3::from(HUB[0]));
    let corner = CornerGeometry {
        side: Side::Left,
        lower_front: at(Role::LowerArmFront),
        lower_rear: at(Role::LowerArmRear),
        lower_ball: at(Role::LowerBallJoint),
        upper: Upper::Strut { top: at(Role::StrutTop), lower: at(Role::StrutLower) },
        tie_rod_inner: at(Role::TieRodInner),
        tie_rod_outer: at(Role::TieRodOuter),
        wheel: Wheel { centre: at(Role::WheelCentre), spin, radius: 300.0 },
        damper: None,
        outer_joint: None,
        inner_joint: None,
    };
    AxleGeometry::symmetric(corner, Rack::default(), Car { wheelbase: Some(2500.0), ..Car::default() })
}

/// A job with that corner in `folder`; without `left_out`.
fn job(folder: &Path, left_out: Option<Role>) -> PathBuf {
    laid_out(folder, &corner(folder, left_out))
}

/// At the stop, with the curves there.
fn at_geometry<'a>(folder: &Path) -> Window<'a> {
    let path = job(folder, None);
    let mut window = window(folder, Some(path), 800.0);
    until(&mut window, "the corner is complete", |window| has(window, "corner complete"));
    press(&mut window, Modifiers::NONE, Key::Num4);
    until(&mut window, "the linkage is there", |window| has(window, "as-found"));
    window
}

fn lines(window: &mut Window) -> Vec<ShownLine> {
    window.state_mut().bench.shown().lines
}

/// Saves, and what is in the file.
fn saved(window: &mut Window, folder: &Path) -> Job {
    press(window, Modifiers::COMMAND, Key::S);
    until(window, "it is saved", |window| has(window, "Saved "));
    read_job(&folder.join("corner.job.json")).unwrap()
}

fn largest_bump(geometry: &AxleGeometry) -> f64 {
    bump_steer(&Axle::new(geometry).unwrap(), [-30.0, 30.0], Held::WheelCentre).unwrap().largest_deg
}

#[test]
fn the_wheel_is_swept_past_the_tie_rod() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_geometry(folder.path());
    press(&mut window, Modifiers::NONE, Key::Num5);
    assert!(has(&window, "Say which scan moves with what"));
    click(&mut window, "+ wheel");
    click(&mut window, "+ tie rods");
    press(&mut window, Modifiers::NONE, Key::Z);
    until(&mut window, "it is swept", |window| has(window, "Largest lock"));
    assert!(
        has(&window, "wheel left and tie rod left") && has(&window, "check the real car")
            || has(&window, "lock to lock")
    );
    // The wheel and the rod are drawn beside the scan, where the state has them.
    let wheel = |window: &mut Window| {
        let shown = window.state_mut().bench.shown();
        assert_eq!(shown.scans.len(), 3);
        shown.scans.iter().max_by(|a, b| a.scan.points().len().cmp(&b.scan.points().len())).unwrap().clone()
    };
    let spin = |window: &mut Window| wheel(window).world_from_scan.rotation * Vec3::y();
    let straight = spin(&mut window);
    for _ in 0..20 {
        press(&mut window, Modifiers::NONE, Key::ArrowLeft);
    }
    let turned = spin(&mut window);
    let steered = (straight.xy().normalize().perp(&turned.xy().normalize())).asin().to_degrees();
    assert!((steered - 20.0).abs() < 0.1, "{steered}");
    assert!(has(&window, "+20.0°"));
    // What comes nearest is measured out in the view, as long as it says.
    let gap = number_after(&window, "wheel left and tie rod left: ");
    let measured = lines(&mut window).into_iter().find(|line| line.mark == LineMark::Measure).unwrap();
    assert!(((measured.points[1] - measured.points[0]).norm() - gap).abs() < 0.01, "{gap}");
    press(&mut window, Modifiers::NONE, Key::Num0);
    assert!((spin(&mut window) - straight).norm() < 1e-12);
    // The map is a page of the drawer, and leads to a state.
    press(&mut window, Modifiers::NONE, Key::D);
    let map = window.get_by_label_contains("Smallest gap over lock and travel").rect();
    let corner = map.left_top() + egui::vec2(110.0, 20.0);
    for event in [
        Event::PointerMoved(corner),
        Event::PointerButton { pos: corner, button: PointerButton::Primary, pressed: true, modifiers: Modifiers::NONE },
        Event::PointerButton {
            pos: corner,
            button: PointerButton::Primary,
            pressed: false,
            modifiers: Modifiers::NONE,
        },
    ] {
        window.event(event);
        window.run_steps(1);
    }
    window.run_steps(2);
    assert!(has(&window, "+60.0 mm"), "{:?}", labels(&window));
    // A change of the job makes it out of date.
    press(&mut window, Modifiers::COMMAND, Key::Z);
    until(&mut window, "it is out of date", |window| has(window, "sweep again"));
}

#[test]
fn what_a_corner_lacks_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = job(folder.path(), Some(Role::TieRodInner));
    let mut window = window(folder.path(), Some(path), 800.0);
    until(&mut window, "it is fitted", |window| has(window, "1 to go"));
    press(&mut window, Modifiers::NONE, Key::Num4);
    assert!(has(&window, "needs 1 hardpoint"));
    until(&mut window, "it is told", |window| has(window, "no tie rod inner"));
    assert!(has(&window, "◌ tie rod inner") && has(&window, "Construct it from a scan, or type it in."));
    assert!(lines(&mut window).is_empty());
}

#[test]
fn the_linkage_moves_with_keys_and_its_numbers_are_those_of_the_kinematics() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_geometry(folder.path());
    let drawn = lines(&mut window);
    assert!(drawn.iter().any(|line| line.mark == LineMark::Link(0)));
    assert!(drawn.iter().filter(|line| line.points.len() > 40).count() >= 2, "two wheels, the right one mirrored");
    let lowest = |lines: &[ShownLine]| {
        lines.iter().filter(|l| l.points.len() > 40).flat_map(|l| &l.points).map(|p| p.z).fold(f64::INFINITY, f64::min)
    };
    let before = lowest(&drawn);
    for _ in 0..12 {
        press(&mut window, Modifiers::NONE, Key::ArrowUp);
    }
    press(&mut window, Modifiers::NONE, Key::ArrowLeft);
    let after = lowest(&lines(&mut window));
    assert!((after - before - 12.0).abs() < 0.1, "{before} {after}");
    let truth = Axle::new(&truth()).unwrap().solve(At::level(12.0, 1.0), Held::WheelCentre).unwrap();
    let camber = number_after(&window, "camber ");
    assert!((camber - truth.left.camber.to_degrees()).abs() < 0.02, "{camber}");
    // The other corner of a turned car stands otherwise.
    press(&mut window, Modifiers::NONE, Key::S);
    let toe = number_after(&window, "toe-in ");
    assert!((toe - truth.right.toe_in.to_degrees()).abs() < 0.02, "{toe}");
    press(&mut window, Modifiers::NONE, Key::Num0);
    assert!((lowest(&lines(&mut window)) - before).abs() < 1e-9);
}

#[test]
fn it_plays_and_rests() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_geometry(folder.path());
    let at_rest = lines(&mut window);
    press(&mut window, Modifiers::NONE, Key::K);
    let mut seen = Vec::new();
    for _ in 0..40 {
        window.run_steps(2);
        let wheel = lines(&mut window).into_iter().find(|line| line.points.len() > 40).unwrap();
        seen.push(wheel.points[0].z);
    }
    let (low, high) = seen.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), z| (l.min(*z), h.max(*z)));
    assert!(high - low > 20.0, "{low} {high}");
    press(&mut window, Modifiers::NONE, Key::K);
    press(&mut window, Modifiers::NONE, Key::Num0);
    assert_eq!(lines(&mut window).len(), at_rest.len());
    // At rest nothing asks for a frame.
    window.run_steps(5);
    let settled = window.try_run();
    assert!(settled.is_ok(), "it goes on drawing itself: {settled:?}");
}

#[test]
fn a_typed_move_begins_a_variant_and_is_one_step() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_geometry(folder.path());
    press(&mut window, Modifiers::NONE, Key::U);
    assert!(has(&window, "tie rod outer"));
    for _ in 0..3 {
        press(&mut window, Modifiers::NONE, Key::Period);
    }
    press(&mut window, Modifiers::NONE, Key::Comma);
    until(&mut window, "the variant is studied", |window| has(window, "Draw variant 1"));
    let job = saved(&mut window, folder.path());
    let variant = &job.variants[0];
    assert_eq!(variant.moves[0].change, Change::MoveTieRodOuter { by: [0.0, 0.0, 0.2] });
    assert!(matches!(variant.moves[1].change, Change::Align { .. }), "toe is kept by the rod");
    // Four steps of a tenth, each undone by itself.
    for _ in 0..4 {
        press(&mut window, Modifiers::COMMAND, Key::Z);
    }
    until(&mut window, "it is gone", |window| !has(window, "Draw variant 1"));
}

#[test]
fn a_hardpoint_dragged_in_the_view_moves_along_its_axis_in_tenths() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_geometry(folder.path());
    // Seen from the left of the car, 1 mm a point.
    let view = window.state().view;
    let (sx, sy) = (2.0 / f64::from(view.width()), 2.0 / f64::from(view.height()));
    let at = Vec3::from([-105.0, 672.0, 240.0]);
    let clip_from_world =
        [[-sx, 0.0, 0.0, sx * at.x], [0.0, 0.0, sy, -sy * at.z], [0.0, 1e-3, 0.0, 0.5], [0.0, 0.0, 0.0, 1.0]];
    let eye = Eye { clip_from_world, view: [view.left(), view.top(), view.width(), view.height()] };
    window.state_mut().eye = Some(eye);
    window.run_steps(3);
    click(&mut window, "Hardpoint tie rod outer");
    assert!(window.query_by_label("Drag tie rod outer along y").is_none(), "y points at the eye");
    let tip = window.get_by_label("Drag tie rod outer along z").rect().center();
    let button = |pos: Pos2, pressed| Event::PointerButton {
        pos,
        button: PointerButton::Primary,
        pressed,
        modifiers: Modifiers::NONE,
    };
    let mut send = |event: Event| {
        window.event(event);
        window.run_steps(1);
    };
    send(Event::PointerMoved(tip));
    send(button(tip, true));
    for step in 1..=10 {
        send(Event::PointerMoved(tip - egui::vec2(0.0, 1.23 * step as f32)));
    }
    let draft = {
        until(&mut window, "the draft is studied", |window| has(window, "Draw variant 1"));
        // Before anything is let go the numbers are those of the draft.
        has(&window, "outer tie-rod joint moved on the knuckle")
    };
    assert!(draft);
    window.event(button(tip - egui::vec2(0.0, 12.3), false));
    window.run_steps(3);
    let job = saved(&mut window, folder.path());
    let Change::MoveTieRodOuter { by: [x, y, z] } = job.variants[0].moves[0].change else { panic!("{job:?}") };
    assert_eq!((x, y), (0.0, 0.0));
    assert!((z - 12.3).abs() < 0.25 && (z * 10.0 - (z * 10.0).round()).abs() < 1e-9, "{z}");
    // One drag is one step.
    press(&mut window, Modifiers::COMMAND, Key::Z);
    until(&mut window, "it is gone", |window| !has(window, "Draw variant 1"));
}

#[test]
fn least_bump_steer_is_offered_taken_and_true() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_geometry(folder.path());
    let before = largest_bump(&truth());
    let told = |label: &String| {
        label.strip_suffix('°').and_then(|n| n.parse::<f64>().ok()).is_some_and(|n| (n - before).abs() < 0.02)
    };
    until(&mut window, "it is summed up", |window| labels(window).iter().any(told));
    press(&mut window, Modifiers::NONE, Key::I);
    until(&mut window, "it is offered", |window| has(window, "bump steer ±30 mm: "));
    press(&mut window, Modifiers::NONE, Key::Y);
    until(&mut window, "it is studied", |window| has(window, "Draw variant 1"));
    let job = saved(&mut window, folder.path());
    let variants: Vec<_> = job.variants.iter().map(|v| v.as_ref().clone()).collect();
    let after = largest_bump(&geometry_of(&truth(), &variants, "variant 1").unwrap());
    assert!(before > 0.1 && after < 0.2 * before, "{before}° → {after}°");
}

#[test]
fn curves_are_read_at_the_cursor_with_their_uncertainty() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_geometry(folder.path());
    press(&mut window, Modifiers::NONE, Key::D);
    assert!(has(&window, "bump steer (toe-in change), °, left corner"));
    for _ in 0..30 {
        press(&mut window, Modifiers::NONE, Key::ArrowDown);
    }
    until(&mut window, "the bands are there", |window| {
        labels(window).iter().any(|label| label.starts_with("as-found ") && label.contains('±'))
    });
    let toe = number_after(&window, "as-found ");
    let truth = Axle::new(&truth()).unwrap().solve(At::level(-30.0, 0.0), Held::WheelCentre).unwrap();
    assert!((toe - truth.left.toe_change.to_degrees()).abs() < 0.02, "{toe}");
    // The next measure, over the rack: where over centre lies is in the caution too.
    press(&mut window, Modifiers::NONE, Key::T);
    click(&mut window, "over-centre margin");
    until(&mut window, "it is over the rack", |window| has(window, "at travel −30.0 mm"));
    assert!(has(&window, "No rack stops are known"));
    click(&mut window, "Compared");
    assert!(has(&window, "kingpin inclination") && has(&window, "roll centre (two planes)"));
}

#[test]
fn moves_are_listed_added_and_taken_out() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_geometry(folder.path());
    press(&mut window, Modifiers::SHIFT, Key::V);
    until(&mut window, "the variant is studied", |window| has(window, "Draw variant 1"));
    window.get_by_value("Add a move …").scroll_to_me();
    window.run_steps(3);
    window.get_by_value("Add a move …").click();
    window.run_steps(3);
    click(&mut window, "Drop the lower ball joint");
    until(&mut window, "it is listed", |window| has(window, "1. lower ball joint lowered in the knuckle"));
    click(&mut window, "Take out: lower ball joint lowered in the knuckle");
    until(&mut window, "it is out", |window| !has(window, "lower ball joint lowered"));
    let job = saved(&mut window, folder.path());
    assert_eq!(job.variants[0].moves.len(), 1);
}
