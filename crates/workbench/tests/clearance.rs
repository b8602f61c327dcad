//! The stop Clearance without a display: wheels from a drawing and from a scan, and what of a body must go for them.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

#[path = "hand/corner.rs"]
mod corner;
mod hand;

use corner::corner;
use egui::{Key, Modifiers};
use egui_kittest::kittest::Queryable;
use hand::*;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stringline_clearance::{Wheel, plate};
use stringline_core::Point3;
use stringline_hardpoints::Side;
use stringline_job::{
    Bodies, BodyShape, ClearanceSpec, Job, LoadError, LoadedScan, Name, Op, ScanFile, evaluate, load, read_job,
};
use stringline_kinematics::Link;
use stringline_workbench::face::Bench;
use stringline_workbench::shown::{Scale, ShownScan};

/// A wheel of 600 by 200 mm, full: along the axis, radius.
const DRAWN: &str = "axial mm, radius mm\n-100, 10\n-100, 300\n100, 300\n100, 10\n";
/// The wheel's middle at rest, as the corner has it.
const MIDDLE: [f64; 3] = [0.0, 740.0, 300.0];
/// The gap wanted, mm.
const WANTED: f64 = 5.0;
/// So far a block on the chassis stands in the tread at rest, mm.
const INTO: f64 = 20.0;

/// A corner whose wheel is turned by no more than 4° at 10 mm of travel either way, with a block before it and a scanned wheel
/// in its place, neither of them a body yet.
fn job(folder: &Path) -> PathBuf {
    let mut history = corner(folder, None);
    let [x, y, z] = MIDDLE;
    // Flat before the tread: 20 mm into it where it reaches furthest.
    let face = x + 300.0 - INTO;
    let outline: Vec<Point3> = [[-40.0, -30.0], [40.0, -30.0], [40.0, 30.0], [-40.0, 30.0]]
        .map(|[v, w]| Point3::new(face, y + v, z + w))
        .into();
    let block = plate(&outline, 0.5).unwrap();
    add(&mut history, folder, "block", block);
    let section: Vec<[f64; 2]> = vec![[60.0, -90.0], [290.0, -90.0], [290.0, 90.0], [60.0, 90.0]];
    let mut scanned = Wheel::from_profile(&section).unwrap().mesh(120);
    scanned.vertices.iter_mut().for_each(|p| *p += Point3::from(MIDDLE).coords);
    add(&mut history, folder, "scanned", scanned);
    let clearance =
        ClearanceSpec { wanted: WANTED, lock_deg: 4.0, travel: [-10.0, 10.0], travels: 3, ..ClearanceSpec::default() };
    history.apply(&Op::SetClearance { clearance: Some(Box::new(clearance)) }).unwrap();
    laid_out(folder, &history)
}

/// At the stop, with the corner worked out.
fn at_clearance<'a>(folder: &Path) -> Window<'a> {
    let mut window = window(folder, Some(job(folder)), 900.0);
    until(&mut window, "the corner is complete", |window| has(window, "corner complete"));
    until(&mut window, "the scans are there", |window| has(window, "Scans: 3 scans"));
    press(&mut window, Modifiers::NONE, Key::Num5);
    window
}

/// With the wheel of the drawing.
fn with_drawn(window: &mut Window, folder: &Path) {
    let path = folder.join("wheel.csv");
    std::fs::write(&path, DRAWN).unwrap();
    click(window, "+ wheel from a drawing");
    give_path(window, &path, "Take this section");
    until(window, "it is a body", |window| !has(window, "+ wheel from a drawing"));
}

fn saved(window: &mut Window, folder: &Path) -> Job {
    press(window, Modifiers::COMMAND, Key::S);
    until(window, "it is saved", |window| labels(window).iter().any(|label| label.starts_with("saved ·")));
    read_job(&folder.join("corner.job.json")).unwrap()
}

fn shown(window: &mut Window) -> Vec<ShownScan> {
    window.state_mut().bench.shown().scans
}

#[test]
fn a_wheel_comes_from_a_drawn_section() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_clearance(folder.path());
    // What is no section is told, with the line; what makes no wheel too.
    for (text, told) in [("1,2\n3\n", "line 2 is not two numbers"), ("0,100\n1,200\n", "that enclose an area")] {
        let path = folder.path().join("bad.csv");
        std::fs::write(&path, text).unwrap();
        click(&mut window, "+ wheel from a drawing");
        give_path(&mut window, &path, "Take this section");
        until(&mut window, "it is told", |window| {
            labels(window).iter().any(|l| l.contains("bad.csv: ") && l.contains(told))
        });
        assert!(has(&window, "+ wheel from a drawing"), "nothing was taken");
    }
    with_drawn(&mut window, folder.path());
    let job = saved(&mut window, folder.path());
    for side in [Side::Left, Side::Right] {
        let body = &job.bodies[format!("wheel {}", side.name()).as_str()];
        let BodyShape::Wheel(wheel) = &body.shape else { panic!("{body:?}") };
        assert_eq!(wheel.section, [[10.0, -100.0], [300.0, -100.0], [300.0, 100.0], [10.0, 100.0]]);
        assert_eq!((body.side, body.moves_with), (side, Link::Knuckle));
    }
    // It is listed, and can be let go of for the sizes.
    click(&mut window, "wheel left");
    assert!(has(&window, "drawn section of 4 points, radius 300 mm"));
    click(&mut window, "Back to its sizes");
    let job = saved(&mut window, folder.path());
    let BodyShape::Wheel(wheel) = &job.bodies["wheel left"].shape else { panic!() };
    assert!(wheel.section.is_empty());
    // And be taken again, by this wheel alone.
    click(&mut window, "Take a drawn section");
    give_path(&mut window, &folder.path().join("wheel.csv"), "Take this section");
    until(&mut window, "it is taken", |window| has(window, "drawn section of 4 points"));
}

#[test]
fn a_scanned_wheel_is_turned_about_its_axis_and_not_offered_twice() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_clearance(folder.path());
    assert!(window.query_by_label("+ scanned").is_some() && window.query_by_label("+ block").is_some());
    click(&mut window, "scanned is a wheel");
    assert!(window.query_by_label("+ scanned").is_none() && window.query_by_label("scanned is a wheel").is_none());
    assert!(window.query_by_label("+ block").is_some());
    click(&mut window, "+ block");
    let job = saved(&mut window, folder.path());
    let body = &job.bodies["scanned"];
    let scan: Name = "scanned".parse().unwrap();
    assert_eq!(body.shape, BodyShape::turned(scan));
    assert_eq!((body.side, body.moves_with), (Side::Left, Link::Knuckle));
    // As it was scanned, and back.
    click(&mut window, "scanned");
    assert!(has(&window, "fineness"));
    click(&mut window, "As it was scanned");
    assert!(!has(&window, "fineness"));
    click(&mut window, "It is a wheel");
    enter(&mut window, "fineness", "1");
    let job = saved(&mut window, folder.path());
    assert!(matches!(job.bodies["scanned"].shape, BodyShape::TurnedScan { cell, .. } if cell == 1.0));
    press(&mut window, Modifiers::NONE, Key::Z);
    until(&mut window, "it is swept", |window| has(window, "Largest lock"));
    assert!(has(&window, "scanned and block"));
    // The wheel stands where it was scanned, in place of the scan.
    let shown = shown(&mut window);
    let reach = |scan: &ShownScan| {
        let places = scan.scan.points().iter().map(|p| scan.world_from_scan * p);
        places.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], p| [low.min(p.x), high.max(p.x)])
    };
    let wheels: Vec<&ShownScan> = shown.iter().filter(|scan| reach(scan)[1] - reach(scan)[0] > 560.0).collect();
    let [scan, wheel] = wheels[..] else { panic!("{} wheels", wheels.len()) };
    assert_eq!((scan.opacity, wheel.opacity > 0.5), (0.0, true));
    // Outside what was scanned by up to 3.4 cells.
    let [low, high] = reach(wheel);
    assert!((-294.0..=-289.9).contains(&low) && (289.9..=294.0).contains(&high), "{low} {high}");
}

#[test]
fn what_must_go_is_coloured_by_depth_on_the_body_itself() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = at_clearance(folder.path());
    with_drawn(&mut window, folder.path());
    click(&mut window, "+ block");
    // Before anything is swept there is nothing to follow from.
    press(&mut window, Modifiers::SHIFT, Key::C);
    assert!(has(&window, "Sweep first"));
    press(&mut window, Modifiers::NONE, Key::Z);
    until(&mut window, "it is swept", |window| has(window, "Largest lock"));
    let before = shown(&mut window);
    click(&mut window, "Cut here: wheel left and block");
    until(&mut window, "it is marked", |window| has(window, "block: depth that must go, mm"));
    // The same sentence as the report's, by the libraries alone.
    let job = saved(&mut window, folder.path());
    let find =
        |_: &Name, file: &ScanFile| -> Result<Arc<LoadedScan>, LoadError> { Ok(Arc::new(load(file, folder.path())?)) };
    let results = evaluate(&job, &find);
    let setup = Bodies::new(&job, &results.set, &results.placements, &find).unwrap().set_up("as-found").unwrap();
    let pair = (0..setup.pairs.len()).find(|&pair| setup.words(pair) == "wheel left and block").unwrap();
    let mark = setup.mark(pair, [-4.0_f64, 4.0].map(f64::to_radians), |_| true).unwrap();
    let sentence = mark.sentence("block", "wheel left");
    assert!(has(&window, &sentence), "{sentence}: {:?}", labels(&window));
    assert!(sentence.contains("cm² of block within the gap wanted of wheel left"));
    // At rest the tread stands 20 mm through the middle of the block; lock and travel reach only a little further.
    assert!((WANTED + INTO - 0.5..WANTED + INTO + 8.0).contains(&mark.depth), "{}", mark.depth);
    // The body is drawn with the mark in place of its scan, where that stands.
    let after = shown(&mut window);
    let marked = after.iter().find(|scan| scan.tint.scale == Scale::Magnitude).unwrap();
    assert_eq!(after.len(), before.len() + 1);
    let hidden: Vec<_> = before.iter().zip(&after).filter(|(b, a)| b.opacity > 0.0 && a.opacity == 0.0).collect();
    assert_eq!(hidden.len(), 1);
    assert!((hidden[0].0.world_from_scan.translation.vector - marked.world_from_scan.translation.vector).norm() < 1e-9);
    assert_eq!(marked.tint.values.len(), mark.mesh.vertices.len());
    for (value, gap) in marked.tint.values.iter().zip(&mark.gaps) {
        match f64::from(*gap) < WANTED {
            true => assert!((f64::from(*value) - (WANTED - f64::from(*gap))).abs() < 1e-4, "{value} {gap}"),
            false => assert!(value.is_nan()),
        }
    }
    let deepest = marked.tint.values.iter().copied().fold(0.0, f32::max);
    assert!((f64::from(deepest) - mark.depth).abs() < 1e-4 && marked.tint.range >= deepest);
    // What has no mesh cannot be marked, and the same key puts the mark away.
    press(&mut window, Modifiers::SHIFT, Key::C);
    assert!(!has(&window, "depth that must go"));
    assert_eq!(shown(&mut window).len(), before.len());
    // For the nearest pair the key alone does.
    press(&mut window, Modifiers::SHIFT, Key::C);
    until(&mut window, "it is marked", |window| has(window, "block: depth that must go, mm"));
    click(&mut window, "Put the mark away");
    assert!(!has(&window, "depth that must go"));
}
