//! One placed scan laid over another: gaps, their histogram, a coloured mesh and sections.

use crate::args::GapArgs;
use crate::cut::drawn_outline;
use crate::failure::{Failure, Outcome};
use crate::gap::write;
use crate::run::{Evaluated, files_text};
use crate::table::{Align, Table, count, rounded};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stringline_clearance::{Bar, Gap, Plane};
use stringline_core::Point3;
use stringline_job::{Laying, Name, Overlay, load, placed};
use stringline_picture::{Dimension, GapPicture, render_gaps, render_section};
use stringline_scan::Geometry;

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
    let find = |name: &str| -> Result<Laying, Failure> {
        let known: Vec<&str> = evaluated.job.scans.keys().map(Name::as_str).collect();
        let missing = || {
            let next = format!("Name one of: {}.", known.join(", "));
            Failure::usage(format!("the job has no scan \"{name}\""), next)
        };
        let (name, file) = evaluated.job.scans.iter().find(|(n, _)| n.as_str() == name).ok_or_else(missing)?;
        let (car_from_scan, _) = placed(&evaluated.job, &evaluated.results.placements, name).ok_or_else(|| {
            Failure::new(
                format!("the scan \"{name}\" is not placed in the car"),
                "Place it, then lay it over the other.",
            )
        })?;
        let scan = match evaluated.scans.iter().find(|(n, _)| n == name) {
            Some((_, scan)) => Arc::clone(scan),
            None => Arc::new(load(file, folder)?),
        };
        Ok(Laying { name: name.clone(), scan, car_from_scan })
    };
    let overlay = Overlay::new(find(of)?, find(against)?, limit, |_| true)?;
    let map = &overlay.map;
    let extreme = |gap: &Option<Gap>| gap.map(|g| ExtremeReport { gap: g.gap, at: overlay.ends(&g)[0].coords.into() });
    let bar = |bar: Bar| BarReport { from: bar.from, to: bar.to, points: bar.points };
    let histogram = map.bars(BARS).into_iter().map(bar).collect();
    let mut files = Vec::new();
    if let Some((folder, stem)) = out {
        let path = |ending: &str| folder.join(format!("{stem}.{of} over {against}.{ending}"));
        write(&path("ply"), &overlay.ply(limit)?, &mut files)?;
        let picture = render_gaps(&GapPicture {
            title: &overlay.title(),
            scan: &overlay.of.scan.scan,
            car_from_scan: &overlay.of.car_from_scan,
            gaps: &map.gaps,
            full: limit,
            told: &overlay.extremes(),
        });
        write(&path("svg"), picture.as_bytes(), &mut files)?;
        for (gap, words) in [(&map.smallest, "smallest"), (&map.largest, "largest")] {
            let meshes = [&overlay.of, &overlay.against].map(|l| matches!(l.scan.scan.geometry(), Geometry::Mesh(_)));
            let Some(gap) = gap.as_ref().filter(|_| meshes == [true; 2]) else { continue };
            let [place, foot] = overlay.ends(gap);
            let cut = overlay.section(&Plane::upright(&place, &foot));
            let flat = |p: &Point3| cut.plane.flat(p).coords.into();
            let dimension =
                Dimension { from: flat(&place), to: flat(&foot), text: format!("{} mm", rounded(gap.gap, 0.015)) };
            let [x, y, z] = [place.x, place.y, place.z].map(|v| format!("{v:.1}").replace('-', "−"));
            let picture = render_section(
                &format!("{}: {words} gap", overlay.title()),
                &format!(
                    "upright plane through the gap at ({x}, {y}, {z}) in the car, mm; to the right level, up is z"
                ),
                &[drawn_outline(of, &cut.outlines[0]), drawn_outline(against, &cut.outlines[1])],
                Some(&dimension),
                [[-AROUND, AROUND]; 2],
            );
            write(&path(&format!("{words}.svg")), picture.as_bytes(), &mut files)?;
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
