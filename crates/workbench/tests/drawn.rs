//! What is really drawn, on whatever Vulkan driver there is, a software one at the least: colours
//! of pixels whose meaning is known, and how much is drawn for which change.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod support;

use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;
use std::time::Duration;
use stringline_core::Vec3;
use stringline_scan::{Cloud, Geometry, Point3, Scan};
use stringline_workbench::scene::colours::palette;
use stringline_workbench::shown::{Layer, LineMark, Look, LookAt, Mark, ShownLine, Tint};
use stringline_workbench::{Headless, HeadlessSettings};
use support::{Double, shown_scan, wavy_ball};

const SIZE: u32 = 320;
const LIMIT: Duration = Duration::from_secs(60);

/// A ball that fills most of the view, seen along −x with z up, in a parallel view.
fn with(scan: Scan, double: &Double) -> Headless {
    with_samples(scan, double, None)
}

fn with_samples(scan: Scan, double: &Double, samples: Option<u32>) -> Headless {
    let settings = HeadlessSettings { size: [SIZE, SIZE], samples, ..HeadlessSettings::default() };
    let mut app = Headless::new(settings, |_| double.clone()).expect("a Vulkan driver, at least a software one");
    double.desk().shown.scans = vec![shown_scan(1, Arc::new(scan))];
    assert!(app.settle(LIMIT));
    for (turn, at) in [(1, LookAt::Parallel(true)), (2, LookAt::Along(-Vec3::x_axis(), Vec3::z_axis()))] {
        double.desk().shown.look = Look { turn, at };
        assert!(app.settle(LIMIT));
    }
    app
}

struct Screen(Vec<u8>);

impl Screen {
    fn of(app: &mut Headless) -> Screen {
        assert!(app.settle(LIMIT));
        Screen(app.screen().unwrap().1)
    }

    /// The mean colour of 9 × 9 pixels about a place, as shares of the view from its middle.
    fn at(&self, right: f32, up: f32) -> [f32; 3] {
        let middle = SIZE as f32 / 2.0;
        let (x, y) = ((middle * (1.0 + right)) as u32, (middle * (1.0 - up)) as u32);
        let mut sum = [0.0; 3];
        for (dx, dy) in (0..81).map(|i| (i % 9, i / 9)) {
            let pixel = (((y + dy - 4) * SIZE + x + dx - 4) * 4) as usize;
            for (s, c) in sum.iter_mut().zip(&self.0[pixel..pixel + 3]) {
                *s += f32::from(*c) / 81.0;
            }
        }
        sum
    }
}

fn near(a: [f32; 3], b: [u8; 3], by: f32) -> bool {
    a.iter().zip(b).all(|(a, b)| (a - f32::from(b)).abs() <= by)
}

#[test]
fn the_part_stands_before_the_background_of_its_theme() {
    let double = Double::default();
    let mut app = with(wavy_ball(20_000), &double);
    for dark in [false, true] {
        double.desk().shown.dark = dark;
        let screen = Screen::of(&mut app);
        assert!(near(screen.at(-0.9, 0.9), palette(dark).background, 1.0), "{:?}", screen.at(-0.9, 0.9));
        let [r, g, b] = screen.at(0.0, 0.0);
        assert!((r - b).abs() < 14.0 && (r - g).abs() < 10.0, "metal is grey: {r} {g} {b}");
        assert!(!near([r, g, b], palette(dark).background, 12.0));
        // Lit from the upper left.
        let (lit, shade) = (screen.at(-0.4, 0.4)[1], screen.at(0.45, -0.45)[1]);
        assert!(lit > shade + 20.0, "{lit} {shade}");
    }
}

#[test]
fn paint_is_blue_where_it_lies_and_only_touched_pieces_are_drawn_for_it() {
    let double = Double::default();
    let mut app = with(wavy_ball(200_000), &double);
    let scan = double.desk().shown.scans[0].scan.clone();
    let pace = app.stage().pace.clone();
    let full = pace.full.load(Relaxed);
    let points = scan.within(&Point3::new(90.0, 0.0, 0.0), 20.0).into();
    let layers = vec![Layer { points, mark: Mark::Painted }];
    double.desk().shown.scans[0].tint = Arc::new(Tint { layers, ..Tint::default() });
    let screen = Screen::of(&mut app);
    let [r, _, b] = screen.at(0.0, 0.0);
    assert!(b > r + 50.0, "blue in the middle: {:?}", screen.at(0.0, 0.0));
    let [r, _, b] = screen.at(0.5, 0.0);
    assert!((r - b).abs() < 14.0, "grey beside it: {:?}", screen.at(0.5, 0.0));
    assert_eq!(pace.full.load(Relaxed), full, "the whole scan was drawn anew");
    assert!(pace.partial.load(Relaxed) > 0);
    // Drawn over, it is the same as drawn anew.
    app.stage_mut().view.zoom(&Point3::origin(), 1.0 + 1e-9);
    let anew = Screen::of(&mut app);
    assert!(pace.full.load(Relaxed) > full);
    let differing = screen.0.iter().zip(&anew.0).filter(|(a, b)| a.abs_diff(**b) > 2).count();
    assert!(differing < 200, "{differing} of {} bytes", anew.0.len());
}

#[test]
fn values_have_the_colours_of_the_scale() {
    let double = Double::default();
    let mut app = with(wavy_ball(20_000), &double);
    let scan = double.desk().shown.scans[0].scan.clone();
    let values = scan.points().iter().map(|p| if p.y > 0.0 { 0.9 } else { -0.9 }).collect();
    double.desk().shown.scans[0].tint = Arc::new(Tint { values, range: 1.0, ..Tint::default() });
    let screen = Screen::of(&mut app);
    // Seen along −x with z up, y runs to the right.
    let ([r, _, b], [r2, _, b2]) = (screen.at(-0.4, 0.0), screen.at(0.4, 0.0));
    assert!(b > r + 30.0 && r2 > b2 + 30.0, "blue {r} {b}, brown {r2} {b2}");
}

#[test]
fn a_section_shows_the_inside_and_a_faded_part_lets_the_background_through() {
    let double = Double::default();
    let mut app = with(wavy_ball(20_000), &double);
    let solid = Screen::of(&mut app).at(0.0, 0.0);
    double.desk().shown.section = Some((Point3::origin(), Vec3::x_axis()));
    let opened = Screen::of(&mut app).at(0.0, 0.0);
    let inside = palette(false).inside;
    assert!(near(opened, inside, 16.0) && !near(solid, inside, 10.0), "{opened:?} {solid:?}");
    double.desk().shown.section = None;
    double.desk().shown.scans[0].opacity = 0.0;
    assert!(near(Screen::of(&mut app).at(0.0, 0.0), palette(false).background, 1.0));
}

#[test]
fn a_cloud_closes_up_and_is_lit_like_the_mesh() {
    let double = Double::default();
    let mesh = wavy_ball(60_000);
    let cloud = Scan::new(Geometry::Cloud(Cloud { points: mesh.points().to_vec(), normals: mesh.normals().to_vec() }));
    let mut app = with(mesh, &double);
    let first = Screen::of(&mut app);
    double.desk().shown.scans = vec![shown_scan(2, Arc::new(cloud))];
    let second = Screen::of(&mut app);
    for (right, up) in [(0.0, 0.0), (-0.4, 0.4), (0.45, -0.45), (0.0, 0.6)] {
        let (a, b) = (first.at(right, up), second.at(right, up));
        assert!((a[1] - b[1]).abs() < 26.0, "{a:?} {b:?}");
    }
}

#[test]
fn a_line_is_strong_in_sight_and_faint_behind_a_part() {
    check_line(Some(1));
}

/// As on a graphics card.
#[test]
fn so_it_is_with_several_samples_a_pixel() {
    check_line(Some(4));
}

fn check_line(samples: Option<u32>) {
    let double = Double::default();
    let mut app = with_samples(wavy_ball(20_000), &double, samples);
    let before = Screen::of(&mut app);
    let points = vec![Point3::new(0.0, -150.0, 0.0), Point3::new(0.0, 150.0, 0.0)];
    double.desk().shown.lines = vec![ShownLine { points, mark: LineMark::Hardpoint }];
    let after = Screen::of(&mut app);
    let change = |right: f32| before.at(right, 0.0)[1] - after.at(right, 0.0)[1];
    let (in_sight, hidden) = (change(0.97), change(0.3));
    assert!(in_sight > 20.0 && hidden > 1.0 && hidden < in_sight / 2.0, "{in_sight} {hidden}");
}

#[test]
fn panels_alone_do_not_draw_the_scans_again() {
    let double = Double::default();
    let mut app = with(wavy_ball(20_000), &double);
    let pace = app.stage().pace.clone();
    let counts = || [&pace.full, &pace.partial, &pace.none].map(|c| c.load(Relaxed));
    let before = counts();
    for _ in 0..5 {
        app.frame(&[egui::Event::Text("a".into())]);
    }
    let after = counts();
    assert_eq!([after[0] - before[0], after[1] - before[1]], [0, 0]);
    assert!(after[2] >= before[2] + 5);
}

#[test]
fn pictures_are_cut_to_the_view() {
    let double = Double::default();
    double.desk().panel = 100.0;
    let mut app = with(wavy_ball(2_000), &double);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("view.png");
    double.desk().picture = Some(path.clone());
    assert!(app.settle(LIMIT));
    for _ in 0..500 {
        if !double.desk().pictures_done.is_empty() {
            break;
        }
        app.frame(&[]);
        std::thread::sleep(Duration::from_millis(2));
    }
    assert_eq!(double.desk().pictures_done, [Ok(())]);
    let reader = png::Decoder::new(std::io::BufReader::new(std::fs::File::open(path).unwrap())).read_info().unwrap();
    assert_eq!((reader.info().width, reader.info().height), (SIZE - 100, SIZE));
    double.desk().picture = Some(folder.path().join("no/such/folder.png"));
    for _ in 0..500 {
        app.frame(&[]);
        if double.desk().pictures_done.len() > 1 {
            break;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    assert!(double.desk().pictures_done[1].as_ref().unwrap_err().contains("folder.png"));
}
