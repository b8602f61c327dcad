//! The window's panels without a display: real files, real scans, the pointer's events as the scene sends them.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod hand;

use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT, Queryable};
use hand::{PATIENCE, Window, click, give_path, press, until};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_job::{Name, OpenJob, log_of, read_job, unsaved_steps};
use stringline_workbench::Folders;
use stringline_workbench::face::Bench;
use stringline_workbench::shown::{Eye, Mark, Pointer, Touched};

/// A window on folders of its own, 1280×800.
fn window<'a>(folder: &Path, job: Option<PathBuf>) -> Window<'a> {
    hand::window(folder, job, 800.0)
}

/// Whether it stands there: a name or a text, not what a named field holds.
fn has(window: &Window, text: &str) -> bool {
    window.query_all_by_label_contains(text).next().is_some()
}

fn labels(window: &Window) -> Vec<String> {
    let mut found = Vec::new();
    let mut open = vec![window.root()];
    while let Some(node) = open.pop() {
        let access = node.accesskit_node();
        found.extend(access.label().or_else(|| access.value()));
        open.extend(node.children());
    }
    found
}

fn truth() -> Value {
    let knuckle = stringline_sample::SCANS.iter().find(|scan| scan.name == "knuckle").unwrap();
    serde_json::from_slice(knuckle.truth).unwrap()
}

fn vector(value: &Value) -> Vec3 {
    Vec3::from_iterator(value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()))
}

fn feature<'a>(truth: &'a Value, name: &str) -> &'a Value {
    truth["features"].as_array().unwrap().iter().find(|f| f["name"] == name).unwrap()
}

/// The places where a person would touch a feature of the knuckle.
fn touches(window: &mut Window, name: &str) -> Vec<Touched> {
    let shown = window.state_mut().bench.shown();
    // Each scan stands in a frame of its own, so the nearest surface tells which is the knuckle.
    let dabs = feature(&truth(), name)["dabs"].clone();
    let first = Point3::from(vector(&dabs[0]["centre"]));
    let distance = |scan: &stringline_workbench::shown::ShownScan| {
        let nearest = scan.scan.nearest(&first).unwrap();
        (scan.scan.points()[nearest as usize] - first).norm()
    };
    let scan = shown.scans.iter().position(|scan| distance(scan) < 3.0).unwrap();
    let touched = |dab: &Value| Touched {
        scan,
        at: Point3::from(vector(&dab["centre"])),
        seen_from: UnitVec3::new_normalize(vector(&dab["seen_from"])),
    };
    dabs.as_array().unwrap().iter().map(touched).collect()
}

/// The sample, opened with one click and loaded.
fn sample<'a>(folder: &Path) -> Window<'a> {
    let mut window = window(folder, None);
    click(&mut window, "Try it on the Kestrel");
    until(&mut window, "the scans are there", |window| {
        has(window, &format!("Scans: {} scans", stringline_sample::SCANS.len()))
    });
    press(&mut window, Modifiers::NONE, Key::Num2);
    window
}

/// Where [`sample`] keeps its job.
fn sample_job(folder: &Path) -> PathBuf {
    Folders::under(folder).sample().join(stringline_sample::JOB_FILE)
}

fn paint(window: &mut Window, touched: Touched) {
    let bench = &mut window.state_mut().bench;
    bench.pointer(Pointer::Over(touched));
    bench.pointer(Pointer::Press(touched, false));
    bench.pointer(Pointer::Release);
    window.run_steps(1);
}

fn fitted(window: &mut Window) {
    until(window, "it is fitted", |window| !has(window, "fitting …") && has(window, "points, "));
}

/// Paints a feature and lets go of it.
fn painted(window: &mut Window, name: &str) {
    for touched in touches(window, name) {
        paint(window, touched);
    }
    fitted(window);
}

/// The numbers of the first line that begins with a sign: value and ±.
fn read_out(window: &Window, sign: &str) -> (f64, f64) {
    let line = labels(window).into_iter().find(|label| label.starts_with(sign) && label.contains('±')).unwrap();
    let numbers = line.trim_start_matches(sign).trim_end_matches('°');
    let (value, u) = numbers.split_once('±').unwrap();
    (value.trim().parse().unwrap(), u.trim().parse().unwrap())
}

#[test]
fn the_empty_window_teaches_how_to_begin() {
    let folder = tempfile::tempdir().unwrap();
    let window = window(folder.path(), None);
    for text in ["drop the file", "Paint a bore", "Say what it is for", "Export the hardpoints"] {
        assert!(has(&window, text), "{text}");
    }
    for button in ["Try it on the Kestrel", "Add scans", "Open", "Keys"] {
        assert!(window.query_by_label(button).is_some(), "{button}");
    }
}

#[test]
fn a_large_scan_is_seen_coarse_before_it_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("floor.xyz");
    let (across, along) = (700_u32, 500_u32);
    let mut text = String::new();
    for i in 0..across * along {
        let (x, y) = (f64::from(i % across), f64::from(i / across));
        text += &format!("{x} {y} {:.3}\n", (x * 0.05).sin() * (y * 0.04).cos());
    }
    std::fs::write(&path, text).unwrap();

    let mut window = window(folder.path(), None);
    press(&mut window, Modifiers::NONE, Key::A);
    give_path(&mut window, &path, "Add this file");
    let mut seen = Vec::new();
    let whole = (across * along) as usize;
    let begun = Instant::now();
    while seen.last() != Some(&whole) {
        assert!(begun.elapsed() < PATIENCE, "seen: {seen:?} points");
        let bench = &mut window.state_mut().bench;
        bench.poll();
        seen.extend(bench.shown().scans.first().map(|scan| scan.scan.points().len()));
        seen.dedup();
        std::thread::sleep(Duration::from_millis(1));
    }
    let [coarse, _] = seen[..] else { panic!("seen: {seen:?} points") };
    assert!((20_000..100_000).contains(&coarse), "{coarse}");
}

#[test]
fn three_dabs_in_the_hub_bore_give_its_axis_and_the_job_survives() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = sample(folder.path());
    let touches = touches(&mut window, "hub_bore");

    // Before anything is pressed the brush shows what it would paint.
    window.state_mut().bench.pointer(Pointer::Over(touches[0]));
    until(&mut window, "the footprint shows", |window| {
        let shown = window.state_mut().bench.shown();
        shown.scans[touches[0].scan].tint.layers.iter().any(|layer| layer.mark == Mark::Footprint)
    });
    assert!(!has(&window, "feature 1"));

    // While the button is still down there is a fit.
    window.state_mut().bench.pointer(Pointer::Press(touches[0], false));
    until(&mut window, "the first dab is painted", |window| {
        let shown = window.state_mut().bench.shown();
        shown.scans[touches[0].scan].tint.layers.iter().any(|layer| layer.mark == Mark::Painted)
    });
    window.state_mut().bench.pointer(Pointer::Release);
    paint(&mut window, touches[1]);
    paint(&mut window, touches[2]);
    fitted(&mut window);
    let (three, u_three) = read_out(&window, "⌀");
    assert!((three - 78.0).abs() <= u_three, "{three} ± {u_three}");
    let lines = window.state_mut().bench.shown().lines;
    assert!(lines.iter().any(|line| line.points.len() == 2), "the axis is drawn");

    // More paint, grown: surer.
    for touched in &touches[3..] {
        paint(&mut window, *touched);
    }
    press(&mut window, Modifiers::NONE, Key::G);
    fitted(&mut window);
    let (grown, u_grown) = read_out(&window, "⌀");
    assert!((grown - 78.0).abs() <= u_grown, "{grown} ± {u_grown}");
    assert!(u_grown < u_three, "{u_grown} against {u_three}");

    // A name from plain words.
    click(&mut window, "hub axis");
    until(&mut window, "it has its role", |window| has(window, "✓ hub axis, left"));
    let path = sample_job(folder.path());
    assert!(read_job(&path).unwrap().hardpoints.is_empty(), "nothing is saved yet");
    press(&mut window, Modifiers::COMMAND, Key::S);
    until(&mut window, "it is saved", |window| has(window, "Saved "));
    let job = read_job(&path).unwrap();
    assert_eq!(job.hardpoints.len(), 1);
    assert_eq!(job.features.get("feature 1").unwrap().dabs.len(), touches.len());

    // Undo and redo, by name.
    press(&mut window, Modifiers::COMMAND, Key::Z);
    assert!(has(&window, "Undone: Construct hub axis, left"));
    assert!(!has(&window, "✓ hub axis, left"));
    press(&mut window, Modifiers::COMMAND, Key::Y);
    assert!(has(&window, "✓ hub axis, left"));

    // Cut off during a later edit: nothing is closed, nothing saved.
    until(&mut window, "the steps are in the log", |_| unsaved_steps(&path) == 2);
    paint(&mut window, touches[0]);
    until(&mut window, "the step is in the log", |_| unsaved_steps(&path) == 3);
    // A copy of the folder as a killed program leaves it, so that this window's own end cannot help.
    let crashed = tempfile::tempdir().unwrap();
    copy(&Folders::under(folder.path()).sample(), &Folders::under(crashed.path()).sample());
    drop(window);

    let mut window = self::window(crashed.path(), Some(sample_job(crashed.path())));
    until(&mut window, "it is open", |window| has(window, "done again"));
    assert!(has(&window, "3 steps not saved last time were done again"));
    until(&mut window, "it is fitted", |window| {
        has(window, "Features: ") && !has(window, "fitting …") && has(window, "✓ hub axis, left")
    });
    until(&mut window, "the scans are there", |window| {
        has(window, &format!("Scans: {} scans", stringline_sample::SCANS.len()))
    });

    // Export, all formats; the axis is where the truth has it, within the stated ±.
    press(&mut window, Modifiers::COMMAND, Key::E);
    assert!(has(&window, "Computed geometry is no strength calculation."));
    until(&mut window, "the hardpoints are worked out", |window| !has(window, "still being worked out"));
    click(&mut window, "Write the files");
    until(&mut window, "the files are written", |window| has(window, "Wrote "));
    let stem = Folders::under(crashed.path()).sample().join("kestrel");
    for ending in ["hardpoints.json", "step", "dxf", "csv"] {
        let file = PathBuf::from(format!("{}.{ending}", stem.display()));
        assert!(file.metadata().unwrap().len() > 200, "{}", file.display());
    }
    let set: Value =
        serde_json::from_slice(&std::fs::read(format!("{}.hardpoints.json", stem.display())).unwrap()).unwrap();
    let hardpoint = &set["hardpoints"][0];
    let (at, direction) = (vector(&hardpoint["position"]), vector(&hardpoint["direction"]));
    let truth = truth();
    let car = &feature(&truth, "hub_bore")["car"];
    let off = (at - vector(&car["point"])).cross(&direction).norm();
    assert!(off <= hardpoint["u95"]["position"].as_f64().unwrap(), "{off} mm off");
    let turned = direction.cross(&vector(&car["direction"])).norm().asin().to_degrees();
    assert!(turned <= hardpoint["u95"]["direction_deg"].as_f64().unwrap(), "{turned}° off");
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
    }
}

#[test]
fn a_stroke_is_one_step_and_its_feature_goes_with_the_first() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = sample(folder.path());
    let touches = touches(&mut window, "hub_bore");
    let bench = &mut window.state_mut().bench;
    bench.pointer(Pointer::Press(touches[0], false));
    bench.pointer(Pointer::Drag(touches[1], false));
    bench.pointer(Pointer::Drag(touches[1], false));
    bench.pointer(Pointer::Release);
    fitted(&mut window);
    press(&mut window, Modifiers::NONE, Key::D);
    click(&mut window, "Steps");
    assert!(has(&window, "2. Paint feature 1") && !has(&window, "3. "));
    press(&mut window, Modifiers::COMMAND, Key::Z);
    assert!(has(&window, "Features: paint one"), "{:?}", labels(&window));
    press(&mut window, Modifiers::COMMAND, Key::Y);
    fitted(&mut window);
    assert!(has(&window, "2. Paint feature 1"));
}

#[test]
fn a_bore_and_a_face_make_a_point_with_a_role() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = sample(folder.path());
    painted(&mut window, "hub_bore");
    press(&mut window, Modifiers::NONE, Key::Enter);
    painted(&mut window, "hub_face");
    click(&mut window, "Pick feature 1");
    click(&mut window, "Pick feature 2");
    assert!(has(&window, "the axis crosses the face"));
    // An axis square to a face, as the truth has it: 90° within its ±.
    let line = labels(&window).into_iter().find(|label| label.starts_with("angle ")).unwrap();
    let (angle, u) = line
        .trim_start_matches("angle ")
        .trim_end_matches('°')
        .split_once(" ± ")
        .map(|(a, u)| (a.to_owned(), u.to_owned()))
        .unwrap();
    let (angle, u): (f64, f64) = (angle.parse().unwrap(), u.parse().unwrap());
    assert!((angle - 90.0).abs() <= u, "{line}");
    click(&mut window, "point: where the axis of 'feature 1' meets 'feature 2'");
    click(&mut window, "wheel centre");
    until(&mut window, "it is constructed", |window| has(window, "✓ wheel centre, left"));
    let needed = labels(&window).iter().filter(|label| label.starts_with('◌')).count();
    assert_eq!(needed, 8, "a strut corner needs nine things");
}

#[test]
fn errors_say_what_to_do_where_they_happen() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = window(folder.path(), None);
    press(&mut window, Modifiers::COMMAND, Key::O);
    give_path(&mut window, &folder.path().join("nowhere.job.json"), "Open this file");
    assert!(has(&window, "there is no file") && has(&window, "Check the path"));
    let damaged = folder.path().join("damaged.job.json");
    std::fs::write(&damaged, b"{\"format\": \"stringline-job\", \"version\": 1, ").unwrap();
    give_path(&mut window, &damaged, "Open this file");
    until(&mut window, "it says so", |window| has(window, "the job cannot be read"));
    assert!(has(&window, "Open the copy of the last save"));
    let text = labels(&window).into_iter().find(|label| label.starts_with("Put away: ")).unwrap();
    click(&mut window, &text);
    assert!(!has(&window, "the job cannot be read"));
}

#[test]
fn a_dropped_scan_begins_a_job_that_can_be_saved_and_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let scans = folder.path().join("scans");
    stringline_sample::write_scans(&scans).unwrap();
    let mut window = window(folder.path(), None);
    window.state_mut().bench.dropped(vec![scans.join("knuckle.ply")]);
    until(&mut window, "it is there", |window| has(window, "Scans: 1 scan"));
    assert!(has(&window, "not saved"));
    // Closing asks first.
    assert!(!window.state_mut().bench.may_close());
    window.run_steps(2);
    click(&mut window, "Stay");
    press(&mut window, Modifiers::COMMAND, Key::S);
    let path = folder.path().join("jobs").join("left front");
    std::fs::create_dir(folder.path().join("jobs")).unwrap();
    give_path(&mut window, &path, "Save to this file");
    until(&mut window, "it is saved", |window| has(window, "Saved "));
    let path = folder.path().join("jobs").join("left front.job.json");
    let job = read_job(&path).unwrap();
    assert_eq!(job.scans.get("knuckle").unwrap().file, "../scans/knuckle.ply");
    assert!(window.state_mut().bench.may_close());
    assert!(Folders::under(folder.path()).left_drafts().is_empty(), "the draft went to its file");
    // It goes on in the new file: steps, undo and the log are there.
    press(&mut window, Modifiers::NONE, Key::Num2);
    painted(&mut window, "hub_bore");
    until(&mut window, "the steps are in the log", |_| unsaved_steps(&path) > 0);
    drop(window);
    let mut window = self::window(folder.path(), None);
    assert!(has(&window, "left front.job.json"), "it is among the recent jobs");
    click(&mut window, "left front.job.json");
    until(&mut window, "it is open", |window| has(window, "done again"));
}

#[test]
fn a_scan_that_is_gone_is_told_and_the_rest_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let job = stringline_sample::begin(folder.path()).unwrap();
    let path = folder.path().join("a.job.json");
    OpenJob::create(&path, job).unwrap().close();
    std::fs::remove_file(folder.path().join("rack.xyz")).unwrap();
    let mut window = window(folder.path(), Some(path));
    until(&mut window, "it is told", |window| has(window, "Scans: 1 not there"));
    assert!(has(&window, "cannot read the scan") && has(&window, "the file may have been moved"));
    // Back in its place it is found.
    stringline_sample::write_scans(folder.path()).unwrap();
    click(&mut window, "Try again");
    until(&mut window, "it is there", |window| {
        has(window, &format!("Scans: {} scans", stringline_sample::SCANS.len()))
    });
}

#[test]
fn every_key_is_shown_and_light_becomes_dark() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = window(folder.path(), None);
    press(&mut window, Modifiers::NONE, Key::F1);
    let shown = labels(&window);
    for command in stringline_workbench::keys::Command::ALL {
        for text in [command.words().to_owned(), command.key_words()] {
            assert!(shown.contains(&text), "{text}");
        }
    }
    press(&mut window, Modifiers::NONE, Key::Escape);
    assert!(!has(&window, "Keys and mouse"));
    assert!(!window.state_mut().bench.shown().dark);
    press(&mut window, Modifiers::NONE, Key::L);
    assert!(window.state_mut().bench.shown().dark);
    assert_eq!(window.ctx.theme(), egui::Theme::Dark);
    until(&mut window, "it is remembered", |_| Folders::under(folder.path()).remembered().dark);
}

#[test]
fn placing_by_typed_numbers_moves_a_scan_and_says_how() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = sample(folder.path());
    press(&mut window, Modifiers::NONE, Key::Num3);
    click(&mut window, "✓ knuckle");
    window.get_by_label("up z").focus();
    window.run_steps(1);
    window.key_press_modifiers(Modifiers::COMMAND, Key::A);
    window.get_by_label("up z").type_text("1000");
    window.run_steps(2);
    click(&mut window, "Place knuckle");
    let name: Name = "knuckle".parse().unwrap();
    press(&mut window, Modifiers::COMMAND, Key::S);
    until(&mut window, "it is saved", |window| has(window, "Saved "));
    let job = read_job(&sample_job(folder.path())).unwrap();
    let placement = job.placements.get(&name).unwrap();
    assert_eq!(placement.found, "typed");
    let z = placement.car_from_scan().unwrap().translation.vector.z;
    assert!((z - 1000.0).abs() < 1e-9, "{z}");
}

#[test]
fn deviations_are_shown_on_a_symmetric_scale() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = sample(folder.path());
    painted(&mut window, "hub_bore");
    press(&mut window, Modifiers::NONE, Key::M);
    until(&mut window, "the legend is there", |window| has(window, "off its shape, mm"));
    let shown = window.state_mut().bench.shown();
    let tint = &shown.scans.iter().find(|scan| !scan.tint.values.is_empty()).unwrap().tint;
    assert!(has(&window, &format!("−{0} to 0 to +{0}", tint.range)));
    let known: Vec<f32> = tint.values.iter().copied().filter(|value| !value.is_nan()).collect();
    assert!(known.len() > 300);
    // Noise of σ = 0.03 mm about a round bore: either sign, mean near zero.
    let mean = known.iter().sum::<f32>() / known.len() as f32;
    assert!(mean.abs() < 0.02, "{mean}");
    assert!(known.iter().any(|v| *v > 0.02) && known.iter().any(|v| *v < -0.02));
}

#[test]
fn callouts_stand_at_their_features_and_fold() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = sample(folder.path());
    painted(&mut window, "hub_bore");
    // Seen from the left of the car, 1 mm a point or so.
    let view = window.state().view;
    let at = vector(&feature(&truth(), "hub_bore")["car"]["point"]);
    let (sx, sy) = (2.0 / f64::from(view.width()), 2.0 / f64::from(view.height()));
    let clip_from_world =
        [[-sx, 0.0, 0.0, sx * at.x], [0.0, 0.0, sy, -sy * at.z], [0.0, 1e-3, 0.0, 0.5], [0.0, 0.0, 0.0, 1.0]];
    window.state_mut().eye =
        Some(Eye { clip_from_world, view: [view.left(), view.top(), view.width(), view.height()] });
    window.run_steps(3);
    let callout = window.get_by_label("Call-out feature 1").rect();
    assert!(view.contains_rect(callout));
    assert!((callout.center() - view.center()).length() < 320.0, "{callout:?} in {view:?}");
    let lines = |window: &Window| labels(window).iter().filter(|label| label.starts_with("axis ±")).count();
    let before = lines(&window);
    click(&mut window, "Fold feature 1");
    assert_eq!(lines(&window), before - 1);
}

#[test]
fn a_feature_is_renamed_where_its_name_stands() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = sample(folder.path());
    painted(&mut window, "hub_bore");
    click(&mut window, "hub axis");
    press(&mut window, Modifiers::SHIFT, Key::N);
    // The old name is chosen whole, so that typing takes its place.
    window.get_by_label("Name").type_text("bearing bore");
    window.run_steps(2);
    assert!(has(&window, "Enter renames it"));
    press(&mut window, Modifiers::NONE, Key::Enter);
    until(&mut window, "it is fitted under its name", |window| {
        !has(window, "fitting …") && has(window, "points, ") && has(window, "✓ hub axis, left")
    });
    assert!(window.query_by_label("bearing bore").is_some() && !has(&window, "feature 1"));
    // Esc leaves it.
    press(&mut window, Modifiers::SHIFT, Key::N);
    window.get_by_label("Name").type_text("x");
    press(&mut window, Modifiers::NONE, Key::Escape);
    press(&mut window, Modifiers::COMMAND, Key::S);
    let path = sample_job(folder.path());
    until(&mut window, "it is saved", |_| read_job(&path).is_ok_and(|job| job.features.contains_key("bearing bore")));
    let job = read_job(&path).unwrap();
    assert_eq!(job.features.len(), 1);
    assert_eq!(job.hardpoints[0].construction.inputs(), ["bearing bore"]);
}

#[test]
fn a_job_that_is_closed_saved_leaves_no_log() {
    let folder = tempfile::tempdir().unwrap();
    let window = sample(folder.path());
    drop(window);
    assert!(!log_of(&sample_job(folder.path())).exists());
}

#[test]
fn a_scan_is_laid_on_another_by_picked_points_and_their_surface() {
    let folder = tempfile::tempdir().unwrap();
    let path = twins(folder.path());
    let mut window = window(folder.path(), Some(path.clone()));
    until(&mut window, "the scans are there", |window| has(window, "Scans: 2 scans"));
    press(&mut window, Modifiers::SHIFT, Key::D);
    assert!(has(&window, "Click a place on a twin"));
    // Far apart, each a millimetre or so off on the other.
    let shown = window.state_mut().bench.shown();
    let (low, high) = shown.scans[0].scan.bounds().unwrap();
    let places = [low, high, Point3::new(low.x, high.y, high.z), Point3::new(high.x, low.y, low.z)];
    for (number, place) in places.iter().enumerate() {
        for scan in [0, 1] {
            let surface = &shown.scans[scan].scan;
            let near = surface.k_nearest(place, 8)[scan * number.min(3)];
            let at = surface.points()[near as usize];
            let touched = Touched { scan, at, seen_from: Vec3::z_axis() };
            window.state_mut().bench.pointer(Pointer::Press(touched, false));
            window.state_mut().bench.pointer(Pointer::Release);
            window.run_steps(1);
        }
    }
    assert!(has(&window, "4 pairs picked"));
    // One too many on the wrong scan is told, and not taken.
    let wrong = Touched { scan: 1, at: shown.scans[1].scan.points()[0], seen_from: Vec3::z_axis() };
    window.state_mut().bench.pointer(Pointer::Press(wrong, false));
    window.run_steps(2);
    assert!(has(&window, "the next point is to be on a twin") && has(&window, "4 pairs picked"));
    click(&mut window, "Then by the surface");
    until(&mut window, "it is laid", |window| has(window, "Laid: a twin on knuckle"));
    assert!(has(&window, "points on the surface"));
    let off = |window: &mut Window| {
        let shown = window.state_mut().bench.shown();
        let [twin, knuckle] = [0, 1].map(|scan| shown.scans[scan].world_from_scan);
        places.iter().map(|p| (twin * p - knuckle * p).norm()).fold(0.0, f64::max)
    };
    assert!(off(&mut window) < 0.01, "{}", off(&mut window));
    // Before and after, in colours.
    click(&mut window, "Gaps after");
    until(&mut window, "the legend is there", |window| has(window, "a twin on knuckle, after, mm"));
    until(&mut window, "the gaps are there", |window| has(window, "rms 0.0"));
    click(&mut window, "Gaps before");
    until(&mut window, "the legend is there", |window| has(window, "a twin on knuckle, before, mm"));
    // As it stood before it was laid the scan is shown, with those colours.
    assert!(off(&mut window) > 0.1);
    click(&mut window, "Keep it");
    press(&mut window, Modifiers::COMMAND, Key::S);
    until(&mut window, "it is saved", |window| has(window, "Saved "));
    let job = read_job(&path).unwrap();
    assert!(job.mates.contains_key("a twin on knuckle") && !job.placements.contains_key("a twin"));
}

/// A job with the knuckle a second time, half a millimetre higher.
fn twins(folder: &Path) -> PathBuf {
    let mut job = stringline_sample::begin(folder).unwrap();
    let (name, twin): (Name, Name) = ("knuckle".parse().unwrap(), "a twin".parse().unwrap());
    job.scans.retain(|scan, _| *scan == name);
    job.scans.insert(twin.clone(), job.scans[&name].clone());
    let mut raised = job.placements[&name].as_ref().clone();
    raised.car_from_scan[2][3] += 0.5;
    job.placements.retain(|scan, _| *scan == name);
    job.placements.insert(twin, Arc::new(raised));
    let path = folder.join("twins.job.json");
    OpenJob::create(&path, job).unwrap().close();
    path
}

#[test]
fn the_gap_between_two_scans_is_signed() {
    let folder = tempfile::tempdir().unwrap();
    let path = twins(folder.path());
    let mut window = window(folder.path(), Some(path));
    until(&mut window, "the scans are there", |window| has(window, "Scans: 2 scans"));
    press(&mut window, Modifiers::NONE, Key::Num3);
    click(&mut window, "Gap map");
    until(&mut window, "the legend is there", |window| has(window, "a twin off knuckle, mm"));
    let shown = window.state_mut().bench.shown();
    let twin = shown.scans.iter().find(|scan| !scan.tint.values.is_empty()).unwrap();
    assert!(twin.tint.range >= 0.1 && twin.tint.range <= 0.5);
    // What faces up lies half a millimetre outside, what faces down as much inside.
    let up = |least: f64, most: f64| {
        let normals = twin.scan.normals().iter().map(|n| (twin.world_from_scan.rotation * n).z);
        let facing =
            twin.tint.values.iter().zip(normals).filter(move |(v, z)| !v.is_nan() && (least..=most).contains(z));
        let mut values: Vec<f32> = facing.map(|(v, _)| *v).collect();
        values.sort_by(f32::total_cmp);
        assert!(values.len() > 100);
        values[values.len() / 2]
    };
    let (above, below) = (up(0.99, 1.0), up(-1.0, -0.99));
    assert!((above - 0.5).abs() < 0.02 && (below + 0.5).abs() < 0.02, "{above} {below}");
}

#[test]
fn a_word_and_enter_say_what_a_feature_is_for() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = sample(folder.path());
    painted(&mut window, "brake_mount_1_hole");
    // As a bore, whatever so few points speak for.
    press(&mut window, Modifiers::NONE, Key::N);
    press(&mut window, Modifiers::NONE, Key::N);
    fitted(&mut window);
    press(&mut window, Modifiers::NONE, Key::R);
    let field = window.get_by_label("Which axis is it?");
    assert!(field.is_focused());
    field.type_text("brake 1");
    window.run_steps(2);
    press(&mut window, Modifiers::NONE, Key::Enter);
    until(&mut window, "it has its role", |window| has(window, "✓ brake mount 1, left"));
}
