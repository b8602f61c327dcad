//! A real window with a scan in it and no panels, for trying the mouse and for counting frames:
//! prints how many there were each second.
//!
//! `window SCAN [--seconds N]`

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "the example's output")]

#[path = "../tests/support/mod.rs"]
#[allow(dead_code, reason = "shared with the tests, which use all of it")]
mod support;

use std::fs::File;
use std::sync::Arc;
use std::time::Duration;
use stringline_scan::Scan;
use stringline_scan::read::{ReadSettings, read};
use support::{Double, shown_scan};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let file = arguments.next().ok_or("the scan is missing")?;
    let seconds: u32 = match arguments.next().as_deref() {
        Some("--seconds") => arguments.next().ok_or("--seconds needs a number")?.parse()?,
        _ => u32::MAX,
    };
    let scan = Scan::new(read(File::open(&file)?, &file, &ReadSettings::default())?.geometry);
    let double = Double::default();
    double.desk().shown.scans = vec![shown_scan(1, Arc::new(scan))];
    let watched = double.clone();
    stringline_workbench::run("Stringline, bare", |wake| {
        std::thread::spawn(move || {
            for second in 1..=seconds {
                let before = watched.desk().frames;
                std::thread::sleep(Duration::from_secs(1));
                let heard = std::mem::take(&mut watched.desk().heard);
                println!("{second} s: {} frames, {} pointer events", watched.desk().frames - before, heard.len());
            }
            watched.desk().closing = true;
            wake();
        });
        double
    })?;
    Ok(())
}
