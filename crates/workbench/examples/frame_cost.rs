//! What a frame costs the window's thread and the graphics card, with a body of so many million
//! facets: the window's own bench and scene, driven by pointer events, drawn into an image.
//!
//! `frame_cost [MILLIONS …] [--frames N] [--size WxH]`, or `frame_cost --job JOB …` with a finished job such as the demo's:
//! then the stops with many features, curves and the moving linkage are what is measured.
//!
//! Of each thing one does (turn the view, hover with the brush, paint with the fit live, show a map
//! of deviations, nothing) it prints the frames' cost on the window's thread: what the systems of the
//! app take from the beginning of a frame to its end and the handing over to the drawing thread. Tracing spans
//! say which part the worst frame spent its time on.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "the example's output")]

#[path = "../tests/support/mod.rs"]
#[allow(dead_code, reason = "shared with the tests, which use all of it")]
mod support;

use bevy::log::tracing;
use std::cell::RefCell;
use std::fs;
use std::io::BufWriter;
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use stringline_core::units::LengthUnit;
use stringline_job::{History, Job, Op, OpenJob, log_of, scan_file};
use stringline_scan::{Geometry, Scan, write};
use stringline_workbench::egui::{Event, Key, Modifiers, PointerButton, Pos2, pos2, vec2};
use stringline_workbench::{Folders, Headless, HeadlessSettings, Workbench};
use support::wavy_ball;

/// Loading ten million facets is not what is measured.
const LIMIT: Duration = Duration::from_secs(300);

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let (mut millions, mut frames, mut size, mut job) = (Vec::new(), 120, [1920, 1080], None);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--frames" => frames = arguments.next().ok_or("--frames needs a number")?.parse()?,
            "--size" => {
                let text = arguments.next().ok_or("--size needs WxH")?;
                let (w, h) = text.split_once('x').ok_or("--size needs WxH")?;
                size = [w.parse()?, h.parse()?];
            }
            "--job" => job = Some(std::path::PathBuf::from(arguments.next().ok_or("--job needs a file")?)),
            number => millions.push(number.parse::<f64>()?),
        }
    }
    if millions.is_empty() && job.is_none() {
        millions = vec![0.2, 1.0, 5.0, 10.0];
    }
    tracing::subscriber::set_global_default(Spans)?;
    println!("| facets | what | frames | ms a frame | thread ms: median | worst | most of the worst in |");
    println!("| ---: | --- | ---: | ---: | ---: | ---: | --- |");
    for million in millions {
        measure((million * 1e6) as usize, frames, size)?;
    }
    job.map_or(Ok(()), |job| measure_job(&job, frames, size))
}

/// A job whose one scan is a wavy ball, on disk.
fn job_with_ball(folder: &Path, facets: usize) -> Result<std::path::PathBuf, Box<dyn std::error::Error>> {
    let (ball, path) = (wavy_ball(facets), folder.join("ball.stl"));
    let Geometry::Mesh(mesh) = ball.geometry() else {
        return Err("the ball is no mesh".into());
    };
    write::stl(mesh, &mut BufWriter::new(fs::File::create(&path)?))?;
    let mut history = History::new(Job::default());
    let scan = scan_file(&path, LengthUnit::Millimetre, folder)?;
    history.apply(&Op::AddScan { name: "ball".parse()?, scan })?;
    let job = folder.join("ball.job.json");
    OpenJob::create(&job, Job::clone(history.job()))?;
    Ok(job)
}

fn measure(facets: usize, frames: usize, size: [u32; 2]) -> Result<(), Box<dyn std::error::Error>> {
    let folder = tempfile::tempdir()?;
    let job = job_with_ball(folder.path(), facets)?;
    let folders = Folders::under(folder.path());
    let settings = HeadlessSettings { size, ..HeadlessSettings::default() };
    let mut app = Headless::new(settings, |wake| Workbench::with(folders, false, Some(job.clone()), wake))?;
    eprintln!("{facets} facets, {}", app.graphics().unwrap_or_default());
    let mut table = Table { facets, app: &mut app };
    let loading = |app: &Headless| app.stage().shown.scans.iter().all(|s| s.scan.points().len() < facets / 4);
    table.until("loading", |app| !loading(app) && !app.stage().is_busy())?;
    table.rest()?;

    let middle = table.app.stage().area.center();
    let across = table.app.stage().area.height() * 0.3;
    let on_circle = |i: usize| {
        let turn = std::f32::consts::TAU * i as f32 / frames as f32;
        pos2(middle.x + across * turn.cos(), middle.y + across * turn.sin())
    };
    table.does("turning", |app, note| {
        note(app, &[Event::PointerMoved(middle), button(middle, PointerButton::Middle, true)]);
        (0..frames).for_each(|i| note(app, &[Event::PointerMoved(on_circle(i))]));
        note(app, &[button(on_circle(0), PointerButton::Middle, false)]);
    });
    table.rest()?;
    press(table.app, Key::Num2);
    // Turning may have left the ball beside the pointer's way.
    press(table.app, Key::Home);
    table.rest()?;
    table.does("hovering", |app, note| (0..frames).for_each(|i| note(app, &[Event::PointerMoved(on_circle(i))])));
    table.rest()?;
    table.does("painting", |app, note| {
        note(app, &[button(on_circle(0), PointerButton::Primary, true)]);
        (0..frames).for_each(|i| note(app, &[Event::PointerMoved(on_circle(i))]));
        note(app, &[button(on_circle(0), PointerButton::Primary, false)]);
    });
    table.rest()?;
    // The log is written on a thread of its own.
    let begun = Instant::now();
    while !fs::read_to_string(log_of(&job)).is_ok_and(|log| log.contains("add_feature")) {
        if begun.elapsed() > Duration::from_secs(10) {
            return Err("nothing was painted".into());
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    table.does("deviations", |app, note| {
        note(app, &[key(Key::M, true)]);
        note(app, &[key(Key::M, false)]);
        (0..frames).for_each(|i| note(app, &[Event::PointerMoved(on_circle(i))]));
    });
    table.rest()?;

    // The full fit of what was painted may still be under way. From then on a frame comes about only
    // when something asks for one.
    std::thread::sleep(Duration::from_secs(3));
    table.rest()?;
    std::thread::sleep(Duration::from_secs(2));
    println!("| {facets} | nothing, 2 s | {} | | | | |", if table.app.wants_frame() { "wanted" } else { "0" });
    Ok(())
}

/// A finished job: many features with their call-outs, then the moving linkage with its curves.
fn measure_job(job: &Path, frames: usize, size: [u32; 2]) -> Result<(), Box<dyn std::error::Error>> {
    let folder = tempfile::tempdir()?;
    let folders = Folders::under(folder.path());
    let settings = HeadlessSettings { size, ..HeadlessSettings::default() };
    let mut app = Headless::new(settings, |wake| Workbench::with(folders, false, Some(job.to_owned()), wake))?;
    eprintln!("{}, {}", job.display(), app.graphics().unwrap_or_default());
    let mut table = Table { facets: 0, app: &mut app };
    table.until("loading", |app| !app.stage().shown.scans.is_empty() && !app.stage().is_busy())?;
    // Fits of all features follow the scans.
    table.rest()?;
    std::thread::sleep(Duration::from_secs(10));
    table.rest()?;
    table.facets = table.app.stage().shown.scans.iter().map(|s| facets_of(&s.scan)).sum();
    let middle = table.app.stage().area.center();
    press(table.app, Key::Num2);
    table.rest()?;
    table.does("features: turning", |app, note| {
        note(app, &[Event::PointerMoved(middle), button(middle, PointerButton::Middle, true)]);
        (0..frames).for_each(|i| note(app, &[Event::PointerMoved(middle + vec2(3.0 * i as f32, 0.0))]));
        note(app, &[button(middle, PointerButton::Middle, false)]);
    });
    press(table.app, Key::Num4);
    press(table.app, Key::D);
    table.rest()?;
    std::thread::sleep(Duration::from_secs(2));
    table.rest()?;
    table.does("geometry: playing", |app, note| {
        note(app, &[key(Key::K, true)]);
        (0..frames).for_each(|_| note(app, &[]));
        note(app, &[key(Key::K, true)]);
    });
    table.rest()?;
    table.does("geometry: wheels up", |app, note| (0..frames).for_each(|_| note(app, &[key(Key::ArrowUp, true)])));
    table.rest()?;
    press(table.app, Key::U);
    table.does("geometry: a hardpoint moved", |app, note| {
        (0..frames).for_each(|_| note(app, &[key(Key::Period, true)]))
    });
    table.rest()?;
    Ok(())
}

fn facets_of(scan: &Scan) -> usize {
    match scan.geometry() {
        Geometry::Mesh(mesh) => mesh.facets.len(),
        Geometry::Cloud(cloud) => cloud.points.len(),
    }
}

fn button(pos: Pos2, button: PointerButton, pressed: bool) -> Event {
    Event::PointerButton { pos, button, pressed, modifiers: Modifiers::NONE }
}

fn key(key: Key, pressed: bool) -> Event {
    Event::Key { key, physical_key: None, pressed, repeat: false, modifiers: Modifiers::NONE }
}

fn press(app: &mut Headless, which: Key) {
    app.frame(&[key(which, true)]);
    app.frame(&[key(which, false)]);
}

/// Takes note of a frame with events.
type Note<'a> = dyn FnMut(&mut Headless, &[Event]) + 'a;

struct Table<'a> {
    facets: usize,
    app: &'a mut Headless,
}

impl Table<'_> {
    fn until(&mut self, what: &str, mut done: impl FnMut(&mut Headless) -> bool) -> Result<(), String> {
        let begun = Instant::now();
        while !done(self.app) {
            self.app.frame(&[]);
            std::thread::sleep(Duration::from_millis(2));
            if begun.elapsed() > LIMIT {
                return Err(format!("{what} takes too long"));
            }
        }
        Ok(())
    }

    fn rest(&mut self) -> Result<(), String> {
        if self.app.settle(LIMIT) { Ok(()) } else { Err("the app did not come to rest".into()) }
    }

    /// Measures the frames of what is done.
    fn does(&mut self, what: &str, act: impl FnOnce(&mut Headless, &mut Note<'_>)) {
        let (mut wall, mut own, mut worst) = (Vec::new(), Vec::new(), (Duration::ZERO, String::new()));
        act(self.app, &mut |app, events| {
            taken().clear();
            let begun = Instant::now();
            app.frame(events);
            let spans = std::mem::take(&mut *taken());
            let handing_over: Duration = spans.iter().filter(|(name, _)| *name == "extract").map(|(_, d)| *d).sum();
            let cost = app.clock().last + handing_over;
            app.wait_for_card();
            wall.push(begun.elapsed());
            own.push(cost);
            if cost > worst.0 {
                let most = spans
                    .iter()
                    .max_by_key(|(_, d)| *d)
                    .map_or(String::new(), |(name, d)| format!("{name} {:.2}", d.as_secs_f64() * 1e3));
                worst = (cost, most);
            }
        });
        println!(
            "| {} | {what} | {} | {:.1} | {:.2} | {:.2} | {} |",
            self.facets,
            own.len(),
            median(&mut wall),
            median(&mut own),
            worst.0.as_secs_f64() * 1e3,
            worst.1
        );
    }
}

fn median(times: &mut [Duration]) -> f64 {
    times.sort_unstable();
    times.get(times.len() / 2).map_or(0.0, Duration::as_secs_f64) * 1e3
}

/// Times the workbench's own spans.
struct Spans;

/// What spans took since this was last emptied.
static TAKEN: Mutex<Vec<(&'static str, Duration)>> = Mutex::new(Vec::new());
/// The spans' names; a span's number is one more than its name's place here.
static NAMES: Mutex<Vec<&'static str>> = Mutex::new(Vec::new());

thread_local! {
    static OPEN: RefCell<Vec<Instant>> = const { RefCell::new(Vec::new()) };
}

fn taken() -> MutexGuard<'static, Vec<(&'static str, Duration)>> {
    TAKEN.lock().unwrap_or_else(PoisonError::into_inner)
}

impl tracing::Subscriber for Spans {
    fn enabled(&self, metadata: &tracing::Metadata<'_>) -> bool {
        metadata.is_span() && metadata.target().starts_with("stringline")
    }

    fn new_span(&self, span: &tracing::span::Attributes<'_>) -> tracing::span::Id {
        let (name, mut names) = (span.metadata().name(), NAMES.lock().unwrap_or_else(PoisonError::into_inner));
        let place = names.iter().position(|n| *n == name).unwrap_or_else(|| {
            names.push(name);
            names.len() - 1
        });
        tracing::span::Id::from_u64(place as u64 + 1)
    }

    fn record(&self, _: &tracing::span::Id, _: &tracing::span::Record<'_>) {}

    fn record_follows_from(&self, _: &tracing::span::Id, _: &tracing::span::Id) {}

    fn event(&self, _: &tracing::Event<'_>) {}

    fn enter(&self, _: &tracing::span::Id) {
        OPEN.with_borrow_mut(|open| open.push(Instant::now()));
    }

    fn exit(&self, span: &tracing::span::Id) {
        if let Some(begun) = OPEN.with_borrow_mut(Vec::pop) {
            let names = NAMES.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some(name) = names.get(span.into_u64() as usize - 1) {
                taken().push((name, begun.elapsed()));
            }
        }
    }
}
