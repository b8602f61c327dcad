//! Draws scans into a picture without a window: for looking at the drawing itself.
//!
//! `picture OUT.png SCAN… [--size WxH] [--scale F] [--samples 1|4] [--dark] [--along X,Y,Z] [--up X,Y,Z] [--zoom F] [--parallel]
//! [--cut X,Y,Z,NX,NY,NZ] [--fade F] [--paint X,Y,Z,R] [--footprint X,Y,Z,R] [--wave MM] [--cloud]`

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "the example's output")]

#[path = "../tests/support/mod.rs"]
#[allow(dead_code, reason = "shared with the tests, which use all of it")]
mod support;

use std::fs::File;
use std::sync::Arc;
use std::time::Duration;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_scan::read::{ReadSettings, read};
use stringline_scan::{Cloud, Dab, Geometry, Scan};
use stringline_workbench::shown::{Layer, LineMark, Look, LookAt, Mark, ShownLine, Tint};
use stringline_workbench::{Headless, HeadlessSettings};
use support::{Double, shown_scan};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let out = arguments.next().ok_or("the picture's name is missing")?;
    let mut settings = HeadlessSettings { size: [1280, 800], ..HeadlessSettings::default() };
    let double = Double::default();
    let (mut files, mut along, mut up) = (Vec::new(), Vec3::new(-0.6, -0.5, -0.6), Vec3::z());
    let (mut zoom, mut parallel, mut fade, mut wave, mut as_cloud) = (1.0, false, 1.0, None, false);
    let mut marks: Vec<([f64; 4], Mark)> = Vec::new();
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().ok_or(format!("{argument} needs a value"));
        match argument.as_str() {
            "--size" => {
                let text = value()?;
                let (w, h) = text.split_once('x').ok_or("--size needs WxH")?;
                settings.size = [w.parse()?, h.parse()?];
            }
            "--samples" => settings.samples = Some(value()?.parse()?),
            "--scale" => settings.scale = value()?.parse()?,
            "--dark" => double.desk().shown.dark = true,
            "--along" => along = Vec3::from(numbers(&value()?)?),
            "--up" => up = Vec3::from(numbers(&value()?)?),
            "--zoom" => zoom = value()?.parse()?,
            "--parallel" => parallel = true,
            "--cut" => {
                let [x, y, z, nx, ny, nz] = numbers(&value()?)?;
                let normal = UnitVec3::new_normalize(Vec3::new(nx, ny, nz));
                double.desk().shown.section = Some((Point3::new(x, y, z), normal));
            }
            "--fade" => fade = value()?.parse()?,
            "--paint" => marks.push((numbers(&value()?)?, Mark::Painted)),
            "--footprint" => marks.push((numbers(&value()?)?, Mark::Footprint)),
            "--wave" => wave = Some(value()?.parse::<f64>()?),
            "--cloud" => as_cloud = true,
            file => files.push(file.to_owned()),
        }
    }
    for (id, file) in files.iter().enumerate() {
        let mut scan = Scan::new(read(File::open(file)?, file, &ReadSettings::default())?.geometry);
        if as_cloud {
            let (points, normals) = (scan.points().to_vec(), scan.normals().to_vec());
            scan = Scan::new(Geometry::Cloud(Cloud { points, normals }));
        }
        let mut tint = Tint::default();
        for (dab, mark) in &marks {
            let patch = scan.paint(&[Dab::new(Point3::new(dab[0], dab[1], dab[2]), dab[3])]).unwrap_or_default();
            tint.layers.push(Layer { points: patch.points.into(), mark: *mark });
        }
        if let Some(range) = wave {
            tint.range = range as f32;
            tint.values = scan.points().iter().map(|p| (range * 1.2 * (p.x * 0.05).sin()) as f32).collect();
        }
        let mut shown = shown_scan(id as u64 + 1, Arc::new(scan));
        shown.tint = Arc::new(tint);
        shown.opacity = fade;
        double.desk().shown.scans.push(shown);
    }
    // An axis through each painted place, and a ring about it.
    for (dab, _) in &marks {
        let at = Point3::new(dab[0], dab[1], dab[2]);
        let n = Vec3::new(-0.251, 0.871, 0.423);
        double.desk().shown.lines.push(ShownLine { points: vec![at - n * 60.0, at + n * 60.0], mark: LineMark::Live });
    }
    let mut app = Headless::new(settings, |_| double.clone())?;
    app.frame(&[]);
    app.settle(Duration::from_secs(60));
    for at in [LookAt::Parallel(parallel), LookAt::Along(UnitVec3::new_normalize(along), UnitVec3::new_normalize(up))] {
        let turn = double.desk().shown.look.turn + 1;
        double.desk().shown.look = Look { turn, at };
        app.settle(Duration::from_secs(60));
    }
    if let Some((dab, _)) = marks.first() {
        app.stage_mut().view.zoom(&Point3::new(dab[0], dab[1], dab[2]), 1.0 / zoom);
    } else {
        let area = app.stage().area;
        let sides = [area.left(), area.top(), area.width(), area.height()];
        let middle = app.stage().view.at_focus(area.center().into(), sides);
        app.stage_mut().view.zoom(&middle, 1.0 / zoom);
    }
    app.settle(Duration::from_secs(60));
    let (busy, elements) = app.stage().pace.last();
    println!("{}: {elements} facets in {busy:.1?}", app.graphics().unwrap_or_default());
    app.save_screen(std::path::Path::new(&out))?;
    Ok(())
}

fn numbers<const N: usize>(text: &str) -> Result<[f64; N], Box<dyn std::error::Error>> {
    let list: Vec<f64> = text.split(',').map(str::parse).collect::<Result<_, _>>()?;
    let found = list.len();
    list.try_into().map_err(|_list: Vec<f64>| format!("{text}: {found} numbers and not {N}").into())
}
