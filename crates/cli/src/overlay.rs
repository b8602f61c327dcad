//! One placed scan laid over another: gaps, their histogram, a coloured mesh and sections.

use crate::args::GapArgs;
use crate::cut::outline;
use crate::failure::{Failure, Outcome};
use crate::gap::write;
use crate::run::{Evaluated, files_text};
use crate::table::{Align, Table, count, rounded};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stringline_clearance::{Gap, GapMap, Plane, gap_map};
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_job::{LoadedScan, Name, load, placed};
use stringline_picture::{Callout, Dimension, Frame, PictureSettings, Scale, ScanLayer, Scene, render, render_section};
use stringline_scan::Geometry;
use stringline_scan::write::{Precision, ply_coloured};

/// How far away the other surface is looked for where nothing is said, mm.
pub(crate) const LIMIT: f64 = 20.0;
/// Bars of the histogram.
const BARS: usize = 12;
/// Half of what a section shows, mm.
const AROUND: f64 = 120.0;

/// What an overlay finds.
#[derive(Serialize)]
pub(crate) struct OverlayReport {
    of: String,
    against: String,
    /// mm.
    limit: f64,
    points: usize,
    /// Points with a gap within the limit.
    within: usize,
    /// Points whose gap has no sign.
    unsigned: usize,
    /// Why, and how many for each reason.
    why_unsigned: BTreeMap<&'static str, usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    smallest: Option<ExtremeReport>,
    #[serde(skip_serializing_if = "Option::is_none")]
    largest: Option<ExtremeReport>,
    histogram: Vec<BarReport>,
    pub(crate) files: Vec<PathBuf>,
}

#[derive(Serialize)]
struct ExtremeReport {
    gap: f64,
    /// In the car, mm.
    at: [f64; 3],
}

/// How many points have a gap from `from` up to `to`, mm.
#[derive(Serialize)]
struct BarReport {
    from: f64,
    to: f64,
    points: usize,
}

pub(crate) fn overlay(
    evaluated: &Evaluated,
    folder: &Path,
    [of, against]: [&String; 2],
    args: &GapArgs,
    stem: &str,
) -> Result<Outcome, Failure> {
    let out = args.out.as_deref().map(|out| (out, stem));
    let report = work_out(evaluated, folder, [of, against], args.limit.unwrap_or(LIMIT), out)?;
    match args.json {
        true => Outcome::json(&report),
        false => {
            let files =
                if report.files.is_empty() { String::new() } else { format!("\n{}", files_text(&report.files)) };
            Ok(Outcome { text: text(&report) + &files, ..Outcome::default() })
        }
    }
}

/// Measures one scan of a job against another.
pub(crate) fn work_out(
    evaluated: &Evaluated,
    folder: &Path,
    [of, against]: [&str; 2],
    limit: f64,
    out: Option<(&Path, &str)>,
) -> Result<OverlayReport, Failure> {
    let find = |name: &str| -> Result<(Arc<LoadedScan>, RigidTransform), Failure> {
        let known: Vec<&str> = evaluated.job.scans.keys().map(Name::as_str).collect();
        let missing = || {
            let next = format!("Name one of: {}.", known.join(", "));
            Failure::usage(format!("the job has no scan \"{name}\""), next)
        };
        let (name, file) = evaluated.job.scans.iter().find(|(n, _)| n.as_str() == name).ok_or_else(missing)?;
        let (placed, _) = placed(&evaluated.job, &evaluated.results.placements, name).ok_or_else(|| {
            Failure::new(
                format!("the scan \"{name}\" is not placed in the car"),
                "Place it, then lay it over the other.",
            )
        })?;
        let scan = match evaluated.scans.iter().find(|(n, _)| n == name) {
            Some((_, scan)) => Arc::clone(scan),
            None => Arc::new(load(file, folder)?),
        };
        Ok((scan, placed))
    };
    let ((a, car_from_a), (b, car_from_b)) = (find(of)?, find(against)?);
    let map = gap_map(&a.scan, &b.scan, &(car_from_b.inverse() * car_from_a), limit, |_| true)?;
    let at = |gap: &Gap| car_from_a * a.scan.points()[gap.point as usize];
    let extreme = |gap: &Option<Gap>| gap.map(|g| ExtremeReport { gap: g.gap, at: at(&g).coords.into() });
    let histogram = match (&map.smallest, &map.largest) {
        (Some(low), Some(high)) => histogram(&map, low.gap, high.gap),
        _ => Vec::new(),
    };
    let mut files = Vec::new();
    if let Some((folder, stem)) = out {
        let path = folder.join(format!("{stem}.{of} over {against}.ply"));
        let mut bytes = Vec::new();
        ply_coloured(a.scan.geometry(), Precision::Single, &map.colours(limit), &mut bytes)?;
        write(&path, &bytes, &mut files)?;
        let path = folder.join(format!("{stem}.{of} over {against}.svg"));
        write(
            &path,
            map_picture(&format!("{of} over {against}"), &a, &car_from_a, &map, limit).as_bytes(),
            &mut files,
        )?;
        if let (Geometry::Mesh(mesh), Geometry::Mesh(under)) = (a.scan.geometry(), b.scan.geometry()) {
            for (gap, words) in [(map.smallest, "smallest"), (map.largest, "largest")] {
                let Some(gap) = gap else { continue };
                let (place, foot) = (at(&gap), car_from_b * gap.foot);
                let plane = upright(&place, &foot);
                let flat = |p: &Point3| plane.flat(p).coords.into();
                let dimension =
                    Dimension { from: flat(&place), to: flat(&foot), text: format!("{} mm", rounded(gap.gap, 0.015)) };
                let [x, y, z] = [place.x, place.y, place.z].map(|v| format!("{v:.1}").replace('-', "−"));
                let picture = render_section(
                    &format!("{of} over {against}: {words} gap"),
                    &format!(
                        "upright plane through the gap at ({x}, {y}, {z}) in the car, mm; to the right level, up is z"
                    ),
                    &[outline(of, Some(mesh), &car_from_a, &plane), outline(against, Some(under), &car_from_b, &plane)],
                    Some(&dimension),
                    [[-AROUND, AROUND]; 2],
                );
                let path = folder.join(format!("{stem}.{of} over {against}.{words}.svg"));
                write(&path, picture.as_bytes(), &mut files)?;
            }
        }
    }
    Ok(OverlayReport {
        of: of.into(),
        against: against.into(),
        limit,
        points: map.gaps.len(),
        within: map.within,
        unsigned: map.unsigned.len(),
        why_unsigned: map.why_unsigned().into_iter().map(|(why, count)| (why.words(), count)).collect(),
        smallest: extreme(&map.smallest),
        largest: extreme(&map.largest),
        histogram,
        files,
    })
}

/// The mapped scan coloured by its gaps, seen from where most of it can be seen.
fn map_picture(title: &str, of: &LoadedScan, car_from_scan: &RigidTransform, map: &GapMap, limit: f64) -> String {
    let values: Vec<f32> = map.gaps.iter().map(|gap| gap / limit as f32).collect();
    let mut scene = Scene::new(title);
    scene.frame = Frame::Car;
    scene.note = "gaps of the drawn surface from the other; negative within its material".into();
    scene.layers.push(ScanLayer {
        scene_from_scan: *car_from_scan,
        normals: of.scan.oriented().then(|| of.scan.normals()),
        values: Some(&values),
        ..ScanLayer::new(of.scan.geometry())
    });
    scene.scale = Some(Scale {
        title: "gap, mm".into(),
        marks: [format!("−{limit}"), "0".into(), format!("{limit}")],
        none: "farther away".into(),
    });
    for (gap, words) in [(&map.smallest, "smallest"), (&map.largest, "largest")] {
        let Some(gap) = gap else { continue };
        let at = car_from_scan * of.scan.points()[gap.point as usize];
        scene.callouts.push(Callout::feature(at, words).with(format!("{} mm", rounded(gap.gap, 0.015))));
    }
    render(&scene, &PictureSettings::default())
}

/// The upright plane through a gap: level along it, then up.
fn upright(place: &Point3, foot: &Point3) -> Plane {
    let along = foot - place;
    let level = Vec3::new(along.x, along.y, 0.0).try_normalize(1e-9).unwrap_or_else(Vec3::y);
    Plane { point: nalgebra::center(place, foot), u: level, v: Vec3::z() }
}

fn histogram(map: &GapMap, low: f64, high: f64) -> Vec<BarReport> {
    let width = ((high - low) / BARS as f64).max(1e-9);
    let found = map.histogram(low, low + width * BARS as f64, BARS);
    let bar = |(i, points)| {
        let from = low + width * i as f64;
        // What is at the very ends may round to just beyond.
        let beyond = [if i == 0 { found.below } else { 0 }, if i + 1 == BARS { found.above } else { 0 }];
        BarReport { from, to: from + width, points: points + beyond[0] + beyond[1] }
    };
    found.counts.iter().copied().enumerate().map(bar).collect()
}

/// The report as text.
pub(crate) fn text(report: &OverlayReport) -> String {
    let mut text = format!(
        "{} over {}: {} of {} points within {} mm{}\n",
        report.of,
        report.against,
        count(report.within),
        count(report.points),
        report.limit,
        match report.unsigned {
            0 => String::new(),
            n => format!(
                "; of {} the side cannot be told and their gaps count as positive ({})",
                count(n),
                report
                    .why_unsigned
                    .iter()
                    .map(|(why, n)| format!("{}: {why}", count(*n)))
                    .collect::<Vec<_>>()
                    .join("; ")
            ),
        }
    );
    for (extreme, words) in [(&report.smallest, "smallest"), (&report.largest, "largest")] {
        if let Some(e) = extreme {
            let [x, y, z] = e.at.map(|v| rounded(v, 0.15));
            text.push_str(&format!("  {words} gap {} mm at ({x}, {y}, {z}) in the car\n", rounded(e.gap, 0.015)));
        }
    }
    let mut table =
        Table::new(&[("gap mm from", Align::Right), ("to", Align::Right), ("points", Align::Right), ("", Align::Left)]);
    let most = report.histogram.iter().map(|b| b.points).max().unwrap_or(0).max(1);
    for bar in &report.histogram {
        let length = (30 * bar.points).div_ceil(most);
        table.row([rounded(bar.from, 0.15), rounded(bar.to, 0.15), count(bar.points), "▪".repeat(length)]);
    }
    if !table.is_empty() {
        text.push_str(&format!("\n{table}"));
    }
    text
}
