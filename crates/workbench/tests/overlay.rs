//! One scan over another without a display: two balls, one within the other and off its middle, so that every gap and
//! every section is known in closed form.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod hand;

use egui::{Key, Modifiers};
use hand::*;
use std::path::Path;
use stringline_clearance::gap_map;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_job::{History, Job, read_scan};
use stringline_scan::Mesh;
use stringline_scan::read::ReadSettings;
use stringline_scan::write::{Precision, ply_coloured};
use stringline_workbench::face::Bench;
use stringline_workbench::shown::{Eye, LineMark, LookAt, Pointer};

/// Radii of the ball about the origin and of the one round it, and how far that one's middle lies along x, mm.
const BALLS: [f64; 3] = [50.0, 52.0, 1.0];
/// Rows of facets: the chords of the balls leave them by r·(1 − cos(π/2·rows)), 2.5 µm.
const ROWS: u32 = 160;
/// What facets and rounding to a thousandth may change of a gap, mm.
const CLOSE: f64 = 0.008;

/// A window with the outer ball coloured by its gap to the inner one.
fn overlaid<'a>(folder: &Path) -> Window<'a> {
    let mut history = History::new(Job::default());
    let [inner, outer, off] = BALLS;
    add(&mut history, folder, "inner", ball(inner, 0.0, ROWS));
    add(&mut history, folder, "outer", ball(outer, off, ROWS));
    let mut window = window(folder, Some(laid_out(folder, &history)), 900.0);
    until(&mut window, "the scans are there", |window| has(window, "Scans: 2 scans"));
    press(&mut window, Modifiers::NONE, Key::Num3);
    // The larger one second by name: colour it, against the other.
    press(&mut window, Modifiers::NONE, Key::E);
    until(&mut window, "the map is there", |window| has(window, "points lie within 50 mm"));
    if has(&window, "inner off outer, mm") {
        choose(&mut window, "Colour", "outer");
        choose(&mut window, "against", "inner");
        press(&mut window, Modifiers::NONE, Key::E);
        until(&mut window, "the map is there", |window| has(window, "outer off inner, mm"));
        until(&mut window, "its extremes are there", |window| has(window, "smallest +"));
    }
    window
}

fn choose(window: &mut Window, combo: &str, wanted: &str) {
    use egui_kittest::kittest::Queryable;
    window.get_by_label(combo).scroll_to_me();
    window.run_steps(2);
    let all: Vec<_> = window.query_all_by_label(combo).map(|node| node.rect()).collect();
    let box_of = all.into_iter().max_by(|a, b| a.left().total_cmp(&b.left())).unwrap();
    click_at(window, box_of.center());
    let entry = window.query_all_by_label(wanted).map(|node| node.rect()).max_by(|a, b| a.top().total_cmp(&b.top()));
    click_at(window, entry.unwrap().center());
}

fn click_at(window: &mut Window, pos: egui::Pos2) {
    use egui::{Event, PointerButton};
    let button =
        |pressed| Event::PointerButton { pos, button: PointerButton::Primary, pressed, modifiers: Modifiers::NONE };
    for event in [Event::PointerMoved(pos), button(true), button(false)] {
        window.event(event);
        window.run_steps(1);
    }
    window.run_steps(2);
}

/// The gap of a point of the outer ball in a direction from its middle.
fn truth(direction: Vec3) -> f64 {
    let [inner, outer, off] = BALLS;
    (Vec3::new(off, 0.0, 0.0) + direction * outer).norm() - inner
}

fn on_outer(direction: Vec3) -> Point3 {
    Point3::new(BALLS[2], 0.0, 0.0) + direction * BALLS[1]
}

/// Which of the scans shown is the outer ball.
fn outer(window: &mut Window) -> usize {
    let shown = window.state_mut().bench.shown();
    let reach =
        |mesh: &stringline_workbench::shown::ShownScan| mesh.scan.points().iter().map(|p| p.z).fold(0.0, f64::max);
    shown.scans.iter().position(|scan| reach(scan) > 51.0).unwrap()
}

#[test]
fn the_gap_under_the_pointer_is_told_and_a_click_keeps_it() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = overlaid(folder.path());
    // Seen from the left, 1 mm a point.
    let view = window.state().view;
    let (sx, sy) = (2.0 / f64::from(view.width()), 2.0 / f64::from(view.height()));
    let clip_from_world = [[-sx, 0.0, 0.0, 0.0], [0.0, 0.0, sy, 0.0], [0.0, 1e-3, 0.0, 0.5], [0.0, 0.0, 0.0, 1.0]];
    window.state_mut().eye =
        Some(Eye { clip_from_world, view: [view.left(), view.top(), view.width(), view.height()] });
    assert!(has(&window, "Point at outer to read the gap there"));
    let scan = outer(&mut window);
    for direction in [Vec3::y(), Vec3::new(0.6, 0.8, 0.0), Vec3::new(-0.48, 0.6, 0.64)] {
        over(&mut window, scan, on_outer(direction));
        let told = label(&window, "here +");
        assert!((number(told.trim_start_matches("here ")) - truth(direction)).abs() < CLOSE, "{told}");
        assert!(told.ends_with("mm, outside inner"), "{told}");
        // And at the place itself.
        let callout = label(&window, &told[5..told.find(" mm").unwrap()]);
        assert!(callout.ends_with(" mm"), "{callout}");
    }
    // On the other scan the nearest place of the measured one is what is told: out from that one's middle.
    let below = Point3::new(0.0, BALLS[0], 0.0);
    over(&mut window, 1 - scan, below);
    let out = (below - Point3::new(BALLS[2], 0.0, 0.0)).normalize();
    assert!((number_after(&window, "here ") - truth(out)).abs() < CLOSE, "{}", label(&window, "here "));
    // Off everything it is gone, once kept it stays.
    nowhere(&mut window);
    assert!(!has(&window, "outside inner"));
    let touched = over(&mut window, scan, on_outer(Vec3::y()));
    window.state_mut().bench.pointer(Pointer::Press(touched, false));
    window.state_mut().bench.pointer(Pointer::Release);
    nowhere(&mut window);
    assert!((number_after(&window, "here ") - truth(Vec3::y())).abs() < CLOSE);
    // It is measured out in the view.
    let lines = window.state_mut().bench.shown().lines;
    let measured = lines.iter().find(|line| line.mark == LineMark::Measure).unwrap();
    assert!(((measured.points[1] - measured.points[0]).norm() - truth(Vec3::y())).abs() < CLOSE);
    press(&mut window, Modifiers::NONE, Key::Escape);
    assert!(!has(&window, "outside inner"));
}

#[test]
fn a_gap_without_a_sign_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::new(Job::default());
    let square = |half: f64, z: f64| Mesh {
        vertices: [[-half, -half, z], [half, -half, z], [half, half, z], [-half, half, z]].map(Point3::from).to_vec(),
        facets: vec![[0, 1, 2], [0, 2, 3]],
    };
    add(&mut history, folder.path(), "plate", square(40.0, 3.0));
    add(&mut history, folder.path(), "table", square(30.0, 0.0));
    let path = laid_out(folder.path(), &history);
    let mut window = window(folder.path(), Some(path), 900.0);
    until(&mut window, "the scans are there", |window| has(window, "Scans: 2 scans"));
    press(&mut window, Modifiers::NONE, Key::Num3);
    press(&mut window, Modifiers::NONE, Key::E);
    until(&mut window, "the map is there", |window| has(window, "plate off table, mm"));
    until(&mut window, "it is told", |window| has(window, "4 points without a sign"));
    over(&mut window, 0, Point3::new(10.0, -5.0, 3.0));
    assert!(has(&window, "here +3.000 mm, outside table"), "{:?}", labels(&window));
    // Beside the table: 3 down and 4 in, from a place that is nearest to its border.
    over(&mut window, 0, Point3::new(34.0, 0.0, 3.0));
    assert!(has(&window, "here 5.000 mm, no sign, counts as plus: nearest to a border"), "{:?}", labels(&window));
}

#[test]
fn smallest_and_largest_lead_the_view_there() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = overlaid(folder.path());
    for (words, along) in [("smallest", -Vec3::x()), ("largest", Vec3::x())] {
        let button = label(&window, &format!("{words} +"));
        assert!((number_after(&window, &format!("{words} ")) - truth(along)).abs() < CLOSE, "{button}");
        click(&mut window, &button);
        let LookAt::SquareOn(at, facing) = window.state_mut().bench.shown().look.at else {
            panic!("it looks elsewhere")
        };
        assert!((at - on_outer(along)).norm() < 1e-6, "{at}");
        assert!(facing.dot(&along) > 0.99, "{facing:?}");
        assert!((number_after(&window, "here ") - truth(along)).abs() < CLOSE);
    }
}

#[test]
fn the_histogram_counts_every_point_with_a_gap() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = overlaid(folder.path());
    press(&mut window, Modifiers::NONE, Key::D);
    let bars: Vec<(f64, f64, usize)> = labels(&window)
        .iter()
        .filter(|label| label.ends_with(" points") && label.contains(" mm: "))
        .map(|label| {
            let (range, points) = label.split_once(" mm: ").unwrap();
            let (from, to) = range.split_once(" to ").unwrap();
            let points: String = points.chars().filter(char::is_ascii_digit).collect();
            (number(from), number(to), points.parse().unwrap())
        })
        .collect();
    assert_eq!(bars.len(), 12, "{bars:?}");
    let points = ball(BALLS[1], BALLS[2], ROWS).vertices;
    assert_eq!(bars.iter().map(|bar| bar.2).sum::<usize>(), points.len());
    // The larger half, as the closed form has it; only those right at the edge may fall to the other side.
    let mut upper = bars.clone();
    upper.retain(|bar| bar.0 > 1.95);
    let gap = |p: &Point3| p.coords.norm() - BALLS[0];
    let expected = points.iter().filter(|p| gap(p) > 2.0).count();
    let at_the_edge = points.iter().filter(|p| (gap(p) - 2.0).abs() < CLOSE).count();
    let found: usize = upper.iter().map(|bar| bar.2).sum();
    assert_eq!(upper.len(), 6);
    assert!(found.abs_diff(expected) <= at_the_edge, "{found} {expected} ± {at_the_edge}");
}

#[test]
fn a_section_draws_both_outlines_with_their_smallest_distance() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = overlaid(folder.path());
    press(&mut window, Modifiers::NONE, Key::D);
    assert!(has(&window, "Choose where to cut both open"));
    // Level through both middles: circles of 50 and 52, 1 apart at the left of x.
    click(&mut window, "across z");
    until(&mut window, "it is cut", |window| has(window, "smallest distance in this section"));
    let smallest = |window: &Window| {
        let words = "smallest distance in this section ";
        if has(window, words) { number_after(window, words) } else { f64::NAN }
    };
    enter(&mut window, "cut at", "0");
    until(&mut window, "it is cut there", |window| (smallest(window) - 1.0).abs() < CLOSE);
    assert!(has(&window, "seen from above") && has(&window, "outer: line; inner: dashes"));
    assert!(has(&window, "Section across z: outer and inner"));
    // Both stand in the view too, in that plane.
    let drawn = |window: &mut Window| window.state_mut().bench.shown().lines;
    let outlines: Vec<_> = drawn(&mut window).into_iter().filter(|line| line.points.len() > 40).collect();
    assert_eq!(outlines.len(), 2);
    assert!(outlines.iter().flat_map(|line| &line.points).all(|p| p.z.abs() < 1e-9));
    // Across x through the origin the larger one is cut off its middle.
    click(&mut window, "across x");
    enter(&mut window, "cut at", "0");
    let expected = (BALLS[1] * BALLS[1] - 1.0).sqrt() - BALLS[0];
    until(&mut window, "it is cut there", |window| (smallest(window) - expected).abs() < CLOSE);
    // Where only one of them reaches.
    enter(&mut window, "cut at", "51,5");
    until(&mut window, "it is told", |window| has(window, "the plane does not meet inner"));
    // Through a place that is pointed at, by its key; then along the gap there, which is seen in full.
    let scan = outer(&mut window);
    let direction = Vec3::new(0.0, 0.6, 0.8);
    over(&mut window, scan, on_outer(direction));
    press(&mut window, Modifiers::SHIFT, Key::X);
    nowhere(&mut window);
    until(&mut window, "it goes through it", |window| has(window, "gap at the probed place +"));
    let (at, inner) = (on_outer(direction).x, BALLS[0]);
    let expected = BALLS[1] - (inner * inner - at * at).sqrt();
    until(&mut window, "it is cut there", |window| (smallest(window) - expected).abs() < CLOSE);
    click(&mut window, "along the gap");
    until(&mut window, "it is cut along it", |window| has(window, "upright, along the gap"));
    assert!((number_after(&window, "gap at the probed place ") - truth(direction)).abs() < CLOSE);
    assert!(smallest(&window) <= truth(direction) + CLOSE);
    click(&mut window, "Close up");
    click(&mut window, "No section");
    assert!(drawn(&mut window).iter().all(|line| line.points.len() < 40));
}

#[test]
fn the_map_leaves_as_a_coloured_mesh_and_as_a_picture() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = overlaid(folder.path());
    click(&mut window, "Write as PLY");
    assert!(has(&window, "corner.outer over inner.ply"), "{:?}", labels(&window));
    let mesh = folder.path().join("map.ply");
    give_path(&mut window, &mesh, "Write this mesh");
    until(&mut window, "it is written", |window| has(window, "Wrote "));
    // The same bytes as the libraries give for it.
    let scan = |name: &str| read_scan(&folder.path().join(name), &ReadSettings::default()).unwrap().geometry;
    let (of, against) = (scan("outer.ply"), scan("inner.ply"));
    let against = stringline_scan::Scan::new(against);
    let map = gap_map(&stringline_scan::Scan::new(of.clone()), &against, &RigidTransform::identity(), 50.0, |_| true)
        .unwrap();
    let shown = window.state_mut().bench.shown();
    let range = shown.scans.iter().map(|scan| scan.tint.range).fold(0.0, f32::max);
    let mut expected = Vec::new();
    ply_coloured(&of, Precision::Single, &map.colours(f64::from(range)), &mut expected).unwrap();
    assert_eq!(std::fs::read(&mesh).unwrap(), expected);
    click(&mut window, "Write as picture");
    let picture = folder.path().join("map");
    give_path(&mut window, &picture, "Write this picture");
    until(&mut window, "it is written", |window| has(window, "map.svg"));
    let text = std::fs::read_to_string(folder.path().join("map.svg")).unwrap();
    assert!(text.starts_with("<svg") && text.contains("outer over inner") && text.contains("smallest"));
}
