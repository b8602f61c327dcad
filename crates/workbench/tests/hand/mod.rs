//! A window without a display, and what a person does in it.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]
#![allow(dead_code, reason = "not every test needs every hand")]

use egui::{Key, Modifiers};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, RigidTransform, UnitVec3};
use stringline_job::{History, Job, Name, Op, OpenJob, Placement, scan_file};
use stringline_scan::write::{Precision, ply};
use stringline_scan::{Geometry, Mesh};
use stringline_workbench::face::Bench;
use stringline_workbench::shown::{Eye, Pointer, Touched};
use stringline_workbench::{Folders, Workbench};

/// Long enough for the slowest machine that runs these; a test that waits so long has failed.
pub(crate) const PATIENCE: Duration = Duration::from_secs(120);

pub(crate) struct App {
    pub(crate) bench: Workbench,
    pub(crate) eye: Option<Eye>,
    pub(crate) view: egui::Rect,
}

pub(crate) type Window<'a> = Harness<'a, App>;

/// A window on folders of its own, 1280 points wide.
pub(crate) fn window<'a>(folder: &Path, job: Option<PathBuf>, height: f32) -> Window<'a> {
    let bench = Workbench::with(Folders::under(folder), false, job, Arc::new(|| {}));
    let app = App { bench, eye: None, view: egui::Rect::NOTHING };
    let draw = |ui: &mut egui::Ui, app: &mut App| {
        app.bench.poll();
        app.view = app.bench.ui(ui, app.eye.as_ref());
    };
    let mut window = Harness::builder().with_size([1280.0, height]).with_max_steps(40).build_ui_state(draw, app);
    window.run_steps(3);
    window
}

pub(crate) fn labels(window: &Window) -> Vec<String> {
    let mut found = Vec::new();
    let mut open = vec![window.root()];
    while let Some(node) = open.pop() {
        let access = node.accesskit_node();
        found.extend(access.label());
        found.extend(access.value());
        open.extend(node.children());
    }
    found
}

pub(crate) fn has(window: &Window, text: &str) -> bool {
    labels(window).iter().any(|label| label.contains(text))
}

/// The one label that begins so.
pub(crate) fn label(window: &Window, beginning: &str) -> String {
    let all = labels(window);
    all.iter().find(|label| label.starts_with(beginning)).unwrap_or_else(|| panic!("{beginning} in {all:?}")).clone()
}

/// The number after some words.
pub(crate) fn number_after(window: &Window, words: &str) -> f64 {
    let all = labels(window);
    let line = all.iter().find(|label| label.contains(words)).unwrap_or_else(|| panic!("{words} in {all:?}"));
    number(line.split(words).nth(1).unwrap())
}

/// The number that a text begins with.
pub(crate) fn number(text: &str) -> f64 {
    let text = text.trim_start().replace('−', "-");
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c))).unwrap_or(text.len());
    text[..end].parse().unwrap_or_else(|_| panic!("no number in {text}"))
}

/// Draws and waits for workers until it is so.
pub(crate) fn until(window: &mut Window, what: &str, so: impl Fn(&mut Window) -> bool) {
    let begun = Instant::now();
    while !so(window) {
        if begun.elapsed() > PATIENCE {
            panic!("waited in vain until {what}; on the screen: {}", labels(window).join(" | "));
        }
        std::thread::sleep(Duration::from_millis(5));
        window.run_steps(1);
    }
    window.run_steps(2);
}

pub(crate) fn click(window: &mut Window, label: &str) {
    window.get_by_label(label).scroll_to_me();
    window.run_steps(3);
    window.get_by_label(label).click();
    window.run_steps(3);
}

pub(crate) fn press(window: &mut Window, modifiers: Modifiers, key: Key) {
    window.key_press_modifiers(modifiers, key);
    window.run_steps(3);
}

/// Types into a field in place of what stands there, and Enter.
pub(crate) fn enter(window: &mut Window, field: &str, text: &str) {
    window.get_by_label(field).focus();
    window.run_steps(1);
    window.key_press_modifiers(Modifiers::COMMAND, Key::A);
    window.get_by_label(field).type_text(text);
    window.run_steps(2);
    press(window, Modifiers::NONE, Key::Enter);
}

/// Types a path where one is asked for.
pub(crate) fn give_path(window: &mut Window, path: &Path, button: &str) {
    window.get_by_label("Path of the file").focus();
    window.run_steps(1);
    window.key_press_modifiers(Modifiers::COMMAND, Key::A);
    window.get_by_label("Path of the file").type_text(path.to_str().unwrap());
    window.run_steps(2);
    click(window, button);
}

/// The pointer over a place of a scan, by its place among those shown.
pub(crate) fn over(window: &mut Window, scan: usize, at: Point3) -> Touched {
    let touched = Touched { scan, at, seen_from: UnitVec3::new_normalize(at.coords) };
    window.state_mut().bench.pointer(Pointer::Over(touched));
    window.run_steps(2);
    touched
}

pub(crate) fn nowhere(window: &mut Window) {
    window.state_mut().bench.pointer(Pointer::Nowhere);
    window.run_steps(2);
}

/// A ball of facets about the origin moved by x, its corners on the sphere: rows from pole to pole, twice as many round it.
pub(crate) fn ball(radius: f64, x: f64, rows: u32) -> Mesh {
    let around = 2 * rows;
    let mut vertices = vec![Point3::new(x, 0.0, radius)];
    for i in 1..rows {
        let polar = std::f64::consts::PI * f64::from(i) / f64::from(rows);
        for j in 0..around {
            let turn = std::f64::consts::TAU * f64::from(j) / f64::from(around);
            let (sin, cos) = polar.sin_cos();
            vertices.push(Point3::new(x + radius * sin * turn.cos(), radius * sin * turn.sin(), radius * cos));
        }
    }
    vertices.push(Point3::new(x, 0.0, -radius));
    let last = vertices.len() as u32 - 1;
    let at = |i: u32, j: u32| 1 + (i - 1) * around + j % around;
    let mut facets = Vec::new();
    for j in 0..around {
        facets.push([0, at(1, j), at(1, j + 1)]);
        facets.push([last, at(rows - 1, j + 1), at(rows - 1, j)]);
        for i in 1..rows - 1 {
            facets.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
            facets.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
        }
    }
    Mesh { vertices, facets }
}

/// Writes a mesh into a folder and takes it into a job as it stands there.
pub(crate) fn add(history: &mut History, folder: &Path, name: &str, mesh: Mesh) {
    let mut bytes = Vec::new();
    ply(&Geometry::Mesh(mesh), Precision::Double, &mut bytes).unwrap();
    let path = folder.join(format!("{name}.ply"));
    std::fs::write(&path, bytes).unwrap();
    let scan = scan_file(&path, LengthUnit::Millimetre, folder).unwrap();
    let name: Name = name.parse().unwrap();
    let placement = Box::new(Placement::typed(&RigidTransform::identity(), "typed"));
    for op in [Op::AddScan { name: name.clone(), scan }, Op::PlaceScan { name, placement }] {
        history.apply(&op).unwrap();
    }
}

/// The job in a file of its own.
pub(crate) fn laid_out(folder: &Path, history: &History) -> PathBuf {
    let path = folder.join("corner.job.json");
    OpenJob::create(&path, Job::clone(history.job())).unwrap().close();
    path
}
