//! Real use of the window: the program itself on a virtual display with a software graphics
//! driver, real mouse and keyboard events, a crash in the middle.
//!
//! What is under a place on the screen the test learns from a twin: the same app without a window,
//! given the same events. All that is checked is what the real program wrote to disk.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod screen;

use screen::{Button, RETURN, SIZE, Screen, until};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use stringline_core::{Point3, Vec3};
use stringline_job::{log_of, read_job};
use stringline_workbench::egui::{self, Event, Key, Modifiers, PointerButton, Pos2, Rect, pos2};
use stringline_workbench::{Folders, Headless, HeadlessSettings, Workbench};

const LIMIT: Duration = Duration::from_secs(180);

/// The program, killed when the test ends however it ends.
struct Program(Child);

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn start(screen: &Screen, home: &Path, job: Option<&Path>) -> Program {
    let child = Command::new(env!("CARGO_BIN_EXE_stringline"))
        .args(job)
        .env("DISPLAY", screen.name())
        .env_remove("WAYLAND_DISPLAY")
        // The software driver, whatever else the machine has: a virtual display knows no graphics card.
        .env("VK_LOADER_DRIVERS_SELECT", "*lvp*")
        .env("HOME", home)
        .env("XDG_CONFIG_HOME", home.join("config"))
        .env("XDG_DATA_HOME", home.join("data"))
        // No session bus: no dialog of the system can come up in front.
        .env("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nonexistent")
        .stdin(Stdio::null())
        .spawn()
        .unwrap();
    screen.wait_for_window();
    screen.settled();
    Program(child)
}

/// The same app without a window or graphics, on folders of its own.
struct Twin(Headless);

impl Twin {
    fn start(home: &Path, job: Option<PathBuf>) -> Twin {
        let [width, height] = SIZE.map(u32::from);
        let settings = HeadlessSettings { size: [width, height], graphics: false, ..HeadlessSettings::default() };
        let folders = Folders::under(home);
        let mut twin = Twin(Headless::new(settings, |wake| Workbench::with(folders, false, job, wake)).unwrap());
        twin.settle();
        twin
    }

    fn settle(&mut self) {
        assert!(self.0.settle(LIMIT), "the twin never comes to rest");
    }

    fn frames(&mut self, events: &[Event]) {
        events.iter().for_each(|event| self.0.frame(std::slice::from_ref(event)));
    }

    fn send(&mut self, events: &[Event]) {
        self.frames(events);
        self.settle();
    }

    fn key(&mut self, key: Key, modifiers: Modifiers) {
        let event = |pressed| Event::Key { key, physical_key: None, pressed, repeat: false, modifiers };
        self.send(&[event(true), event(false)]);
    }

    fn button(&mut self, at: Pos2, button: PointerButton, pressed: bool) {
        self.frames(&[
            Event::PointerMoved(at),
            Event::PointerButton { pos: at, button, pressed, modifiers: Modifiers::NONE },
        ]);
        if !pressed {
            self.settle();
        }
    }

    fn click(&mut self, at: Pos2) {
        self.button(at, PointerButton::Primary, true);
        self.button(at, PointerButton::Primary, false);
    }

    /// Where a widget of this name is.
    fn widget(&mut self, name: &str) -> Rect {
        self.settle();
        self.0.widget(name).unwrap_or_else(|| panic!("there is no \"{name}\" on the screen"))
    }
}

/// The program and its twin, doing the same.
struct Both<'a> {
    screen: &'a Screen,
    twin: Twin,
}

impl Both<'_> {
    fn letter(&mut self, letter: char, key: Key) {
        self.screen.after(|| self.screen.letter(letter));
        self.twin.key(key, Modifiers::NONE);
    }

    fn with_control(&mut self, letter: char, key: Key) {
        self.screen.after(|| self.screen.with_control(letter));
        self.twin.key(key, Modifiers::COMMAND);
    }

    /// Types into what has the keyboard, in place of what stands there, and presses Enter.
    fn enter(&mut self, text: &str) {
        self.screen.with_control('a');
        self.screen.after(|| self.screen.write(text));
        self.screen.after(|| self.screen.key(RETURN, false));
        self.twin.key(Key::A, Modifiers::COMMAND);
        self.twin.send(&[Event::Text(text.to_owned())]);
        self.twin.key(Key::Enter, Modifiers::NONE);
    }

    fn click(&mut self, name: &str) {
        let at = self.twin.widget(name).center();
        self.screen.after(|| self.screen.click([at.x, at.y]));
        self.twin.click(at);
    }

    /// A dab, where the twin sees this point of the scan.
    fn dab(&mut self, at: Pos2) {
        self.screen.click([at.x, at.y]);
        self.twin.click(at);
    }
}

fn truth() -> Value {
    let knuckle = stringline_sample::SCANS.iter().find(|scan| scan.name == "knuckle").unwrap();
    serde_json::from_slice(knuckle.truth).unwrap()
}

fn vector(value: &Value) -> Vec3 {
    Vec3::from_iterator(value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()))
}

fn hub_bore() -> Value {
    truth()["features"].as_array().unwrap().iter().find(|f| f["name"] == "hub_bore").unwrap().clone()
}

/// Places on the screen where the wall of the hub bore is seen, well inside it, spread round its axis.
fn on_the_bore(twin: &Twin, view: &stringline_workbench::view::View) -> Vec<Pos2> {
    let bore = hub_bore();
    let (point, axis) = (Point3::from(vector(&bore["scan"]["point"])), vector(&bore["scan"]["direction"]));
    let radius = bore["radius"].as_f64().unwrap();
    let end = |i: usize| bore["extent"]["along"][i].as_f64().unwrap();
    let middle = point + axis * (0.5 * (end(0) + end(1)));
    let (u, v) = stringline_core::frame_about(&stringline_core::UnitVec3::new_normalize(axis));
    let stage = twin.0.stage();
    let eye = stage.eye_of(view);
    let mut found: Vec<Pos2> = Vec::new();
    let mut last = f64::NEG_INFINITY;
    for step in 0..72 {
        let angle = f64::from(step) * std::f64::consts::TAU / 72.0;
        let outward = u * angle.cos() + v * angle.sin();
        let target = middle + outward * radius;
        let Some([x, y]) = eye.to_screen(&target) else { continue };
        let at = pos2(x.round(), y.round());
        let seen = stage.area.shrink(20.0).contains(at)
            // Not aslant: a brush does not paint what it barely sees.
            && stage.find(view, at).is_some_and(|found| {
                (found.world - target).norm() < 2.0 && found.touched.seen_from.dot(&-outward) > 0.35
            });
        // Twenty degrees apart, so that three of them settle an axis.
        if seen && angle - last > 0.35 {
            found.push(at);
            last = angle;
        }
    }
    found
}

/// How often a step of a kind is in the recovery log.
fn logged(log: &Path, what: &str) -> usize {
    fs::read_to_string(log).map_or(0, |text| text.matches(what).count())
}

#[test]
fn a_bore_is_painted_named_saved_recovered_and_exported() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let sample = stringline_sample::SCANS.iter().find(|scan| scan.name == "knuckle").unwrap();
    fs::write(path("knuckle.ply"), sample.scan).unwrap();

    let screen = Screen::open();
    let program = start(&screen, &path("home"), None);
    let mut both = Both { screen: &screen, twin: Twin::start(&path("twin"), None) };

    // Add the scan: its path is typed.
    both.letter('a', Key::A);
    both.enter(path("knuckle.ply").to_str().unwrap());
    let log = until("the scan is in a job", || {
        let drafts = path("home").join("data/stringline/drafts");
        let logs = fs::read_dir(drafts).ok()?.flatten().filter_map(|entry| fs::read_dir(entry.path()).ok());
        logs.flatten().flatten().map(|entry| entry.path()).find(|file| logged(file, "add_scan") == 1)
    });
    screen.settled();
    until("the twin has the scan too", || {
        both.twin.settle();
        (!both.twin.0.stage().shown.scans.is_empty()).then_some(())
    });
    both.letter('2', Key::Num2);

    // Turn the view until the bore's wall is seen from inside in at least three places.
    let (area, best) = {
        let stage = both.twin.0.stage();
        let mut best: Option<(usize, Pos2)> = None;
        let middle = stage.area.center();
        for right in -4..=4 {
            for down in -2..=2 {
                let to = middle + egui::vec2(right as f32 * 80.0, down as f32 * 80.0);
                let mut view = stage.view.clone();
                let share = (to - middle) / stage.area.height();
                // The middle of the view must lie on the part: the view turns about the point under the pointer.
                let about = stage.find(&view, middle).expect("the part is in the middle").world;
                view.orbit(&about, f64::from(share.x), f64::from(share.y));
                let seen = on_the_bore(&both.twin, &view).len();
                if best.is_none_or(|(most, _)| seen > most) {
                    best = Some((seen, to));
                }
            }
        }
        (stage.area, best.unwrap())
    };
    let (from, to) = (area.center(), best.1);
    assert!(best.0 >= 3, "the bore is hidden from everywhere: seen in {} places", best.0);
    screen.drag(Button::Middle, [from.x, from.y], [to.x, to.y]);
    both.twin.button(from, PointerButton::Middle, true);
    both.twin.button(to, PointerButton::Middle, false);
    screen.settled();

    // Three dabs in the hub bore.
    let view = both.twin.0.stage().view.clone();
    let places = on_the_bore(&both.twin, &view);
    assert!(places.len() >= 3, "{places:?}");
    let spread = [places[0], places[places.len() / 2], places[places.len() - 1]];
    for (count, at) in spread.into_iter().enumerate() {
        both.dab(at);
        until("the dab is a step of the job", || (logged(&log, "\"paint\"") == count + 1).then_some(()));
    }
    both.letter('g', Key::G);
    until("it is grown", || (logged(&log, "\"grow\":true") >= 1).then_some(()));
    screen.settled();

    // The scan's own frame is the car's here; the bore is the hub axis.
    both.letter('3', Key::Num3);
    both.click("As it is");
    until("the scan is placed", || (logged(&log, "place_scan") >= 1).then_some(()));
    both.letter('2', Key::Num2);
    screen.settled();
    both.letter('r', Key::R);
    both.enter("hub axis");
    until("it has its role", || (logged(&log, "hub_axis") >= 1).then_some(()));

    // Save: a job without a file asks for one.
    let job = path("corner.job.json");
    both.with_control('s', Key::S);
    both.enter(job.to_str().unwrap());
    until("the job is saved", || job.exists().then_some(()));
    screen.settled();
    let saved = read_job(&job).unwrap();
    assert_eq!(saved.features.len(), 1);
    let feature = saved.features.values().next().unwrap();
    assert_eq!((feature.dabs.len(), feature.fit.grow), (3, true));
    // They lie on the wall of the bore.
    let bore = hub_bore();
    let (point, axis) = (Point3::from(vector(&bore["scan"]["point"])), vector(&bore["scan"]["direction"]));
    for touch in &feature.dabs {
        let off = (touch.dab.centre - point).cross(&axis).norm() - bore["radius"].as_f64().unwrap();
        assert!(off.abs() < 0.3, "{off}");
    }

    // A later edit, and the program is gone from one moment to the next.
    let log = log_of(&job);
    both.dab(spread[1]);
    until("the edit is on the disk", || (logged(&log, "\"paint\"") == 1).then_some(()));
    drop(program);

    // It comes back with the edit, and exports.
    let program = start(&screen, &path("home"), Some(&job));
    let mut both = Both { screen: &screen, twin: Twin::start(&path("twin again"), Some(job.clone())) };
    screen.settled();
    both.with_control('e', Key::E);
    both.enter(path("out").to_str().unwrap());
    let exported = until("the set is written", || fs::read(path("out.hardpoints.json")).ok());
    until("all are written", || {
        ["out.step", "out.dxf", "out.csv"].iter().all(|file| path(file).exists()).then_some(())
    });
    both.with_control('s', Key::S);
    until("the recovered step is saved", || {
        let job = read_job(&job).ok()?;
        (job.features.values().next()?.dabs.len() == 4).then_some(())
    });
    drop(program);

    // The exported axis is the true one within what it states.
    let set: Value = serde_json::from_slice(&exported).unwrap();
    let hub = set["hardpoints"].as_array().unwrap().iter().find(|h| h["role"] == "hub_axis").unwrap();
    let (position, direction) = (Point3::from(vector(&hub["position"])), vector(&hub["direction"]));
    let off = (position - point).cross(&axis).norm();
    let tilt = direction.cross(&axis).norm().to_degrees();
    let stated = |field: &str| hub["u95"][field].as_f64().unwrap();
    assert!(off <= stated("position"), "off by {off}, stated {}", stated("position"));
    assert!(tilt <= stated("direction_deg"), "tilted by {tilt}, stated {}", stated("direction_deg"));
    assert!(stated("position") < 0.02 && stated("direction_deg") < 0.1, "the statement says something");
}
