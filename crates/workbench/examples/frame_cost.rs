//! What a frame costs: draws a body of so many million facets into an image of 1920 × 1080 while
//! the view turns, while the brush hovers and while nothing happens.
//!
//! `frame_cost [MILLIONS …] [--frames N] [--size WxH]`

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "the example's output")]

#[path = "../tests/support/mod.rs"]
#[allow(dead_code, reason = "shared with the tests, which use all of it")]
mod support;

use std::sync::Arc;
use std::time::{Duration, Instant};
use stringline_workbench::shown::{Look, LookAt, Mark, Tint};
use stringline_workbench::{Headless, HeadlessSettings};
use support::{Double, shown_scan, wavy_ball};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let (mut millions, mut frames, mut size) = (Vec::new(), 60, [1920, 1080]);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--frames" => frames = arguments.next().ok_or("--frames needs a number")?.parse()?,
            "--size" => {
                let text = arguments.next().ok_or("--size needs WxH")?;
                let (w, h) = text.split_once('x').ok_or("--size needs WxH")?;
                size = [w.parse()?, h.parse()?];
            }
            number => millions.push(number.parse::<f64>()?),
        }
    }
    if millions.is_empty() {
        millions = vec![0.2, 1.0, 5.0, 10.0];
    }
    println!(
        "| facets | drawn | turning: ms a frame | card ms | window's thread ms | hovering: ms | thread ms | worst | idle: frames | ready s | first fill s |"
    );
    println!("| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |");
    for million in millions {
        measure((million * 1e6) as usize, frames, size)?;
    }
    Ok(())
}

fn measure(facets: usize, frames: usize, size: [u32; 2]) -> Result<(), Box<dyn std::error::Error>> {
    let scan = Arc::new(wavy_ball(facets));
    let double = Double::default();
    let mut app = Headless::new(HeadlessSettings { size, ..HeadlessSettings::default() }, |_| double.clone())?;
    eprintln!("{} facets, {}", facets, app.graphics().unwrap_or_default());
    app.frame(&[]);
    double.desk().shown.scans = vec![shown_scan(1, scan.clone())];
    let begun = Instant::now();
    app.frame(&[]);
    while app.stage().is_busy() {
        app.frame(&[]);
        std::thread::sleep(Duration::from_millis(5));
    }
    let ready = begun.elapsed();
    let begun = Instant::now();
    if !app.settle(Duration::from_secs(120)) {
        return Err("the app did not come to rest".into());
    }
    double.desk().shown.look = Look { turn: 1, at: LookAt::Fit };
    app.settle(Duration::from_secs(60));
    let first = begun.elapsed();

    // Turning: as with the middle button held.
    let about = nalgebra::Point3::origin();
    let (mut wall, mut own) = (Vec::new(), Vec::new());
    for _ in 0..frames {
        let begun = Instant::now();
        let mut stage = app.stage_mut();
        stage.view.orbit(&about, 0.01, 0.004);
        stage.moves();
        app.frame(&[]);
        own.push(app.clock().last);
        app.wait_for_card();
        wall.push(begun.elapsed());
    }
    let (card, drawn) = app.stage().pace.last();
    app.settle(Duration::from_secs(60));

    // Hovering: the footprint moves over the surface.
    let (mut hover_wall, mut hover_own) = (Vec::new(), Vec::new());
    for i in 0..frames {
        let begun = Instant::now();
        let at = nalgebra::Point3::new(
            90.0 * (f64::from(i as u32) * 0.02).cos(),
            90.0 * (f64::from(i as u32) * 0.02).sin(),
            0.0,
        );
        let marks = scan.within(&at, 8.0).into_iter().map(|p| (p, Mark::Footprint)).collect();
        double.desk().shown.scans[0].tint = Arc::new(Tint { marks, ..Tint::default() });
        app.frame(&[]);
        hover_own.push(app.clock().last);
        app.wait_for_card();
        hover_wall.push(begun.elapsed());
    }
    app.settle(Duration::from_secs(60));
    let pace = app.stage().pace.clone();
    let counts = || [&pace.full, &pace.partial].map(|c| c.load(std::sync::atomic::Ordering::Relaxed));
    let before = counts();
    app.settle(Duration::from_secs(1));
    let redrawn: u64 = counts().iter().zip(before).map(|(after, before)| after - before).sum();
    let worst = own.iter().chain(&hover_own).max().copied().unwrap_or_default();
    println!(
        "| {} | {} | {:.1} | {:.1} | {:.2} | {:.1} | {:.2} | {:.2} | {} | {:.1} | {:.1} |",
        facets,
        drawn,
        median(&mut wall),
        card.as_secs_f64() * 1e3,
        median(&mut own),
        median(&mut hover_wall),
        median(&mut hover_own),
        worst.as_secs_f64() * 1e3,
        redrawn,
        ready.as_secs_f64(),
        first.as_secs_f64(),
    );
    Ok(())
}

fn median(times: &mut [Duration]) -> f64 {
    times.sort_unstable();
    times.get(times.len() / 2).map_or(0.0, Duration::as_secs_f64) * 1e3
}
