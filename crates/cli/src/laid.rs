//! What `place` says of scans laid on one another, and their gaps before and after.

use crate::args::PlaceArgs;
use crate::failure::Failure;
use crate::gap::write;
use crate::overlay::LIMIT;
use crate::run::Evaluated;
use crate::table::{Align, Table, count, rounded};
use serde::Serialize;
use std::path::PathBuf;
use stringline_clearance::{GapMap, Spread, gap_map};
use stringline_job::{How, Laid, Name, before_after};
use stringline_scan::Scan;
use stringline_scan::write::{Precision, ply_coloured};

/// How a scan lies on another.
#[derive(Serialize)]
pub(crate) struct LaidReport {
    mate: String,
    scan: String,
    on: String,
    /// `surface`, `markers` or `points`.
    by: &'static str,
    /// By this alone, before all mates are adjusted together.
    on_from_scan: [[f64; 4]; 4],
    /// Of the small motion (mm, rad), axes of `on`, about its origin.
    covariance: [[f64; 6]; 6],
    /// Root mean square of what is left, mm.
    rms: f64,
    /// Partners on the surface, markers, or picked points.
    used: usize,
    /// Of surfaces, the share of the scan that lies on the other, 0 to 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    share: Option<f64>,
    /// Motions that this alone leaves free, in the axes of `on`.
    free: Vec<String>,
    /// Between markers or picked points: the place on `on`, and from there to where the scan has it, mm.
    residuals: Vec<[[f64; 3]; 2]>,
    notes: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    gaps: Option<GapsReport>,
}

/// Gaps of the scan from the other.
#[derive(Serialize)]
struct GapsReport {
    /// mm.
    limit: f64,
    /// From where the registration started.
    #[serde(skip_serializing_if = "Option::is_none")]
    before: Option<SpreadReport>,
    /// All mates adjusted together.
    #[serde(skip_serializing_if = "Option::is_none")]
    after: Option<SpreadReport>,
    files: Vec<PathBuf>,
}

#[derive(Serialize)]
struct SpreadReport {
    points: usize,
    mean: f64,
    rms: f64,
    within_95: f64,
}

impl From<Spread> for SpreadReport {
    fn from(of: Spread) -> SpreadReport {
        SpreadReport { points: of.count, mean: of.mean, rms: of.rms, within_95: of.within_95 }
    }
}

/// What is to be said, and the maps where they are asked for.
pub(crate) fn reports(evaluated: &Evaluated, args: &PlaceArgs, stem: &str) -> Result<Vec<LaidReport>, Failure> {
    let laid = evaluated.results.laid.iter();
    laid.map(|(mate, laid)| {
        let mut report = report(mate, laid);
        if args.gaps {
            report.gaps = gaps(evaluated, mate, laid, args, stem)?;
        }
        Ok(report)
    })
    .collect()
}

fn report(mate: &Name, laid: &Laid) -> LaidReport {
    let (by, rms, used, share, free) = match &laid.how {
        How::Surface { fit, .. } => {
            let free = fit.free.iter().map(ToString::to_string).collect();
            ("surface", fit.rms, fit.used, Some(fit.overlap), free)
        }
        How::Markers { matched, .. } => ("markers", matched.fit.rms, matched.pairs.len(), None, Vec::new()),
        How::Points { pairs, fit } => ("points", fit.rms, pairs.len(), None, Vec::new()),
    };
    let matrix = laid.on_from_scan.to_homogeneous();
    LaidReport {
        mate: mate.to_string(),
        scan: laid.scan.to_string(),
        on: laid.on.to_string(),
        by,
        on_from_scan: std::array::from_fn(|i| std::array::from_fn(|j| matrix[(i, j)])),
        covariance: std::array::from_fn(|i| std::array::from_fn(|j| laid.covariance[(i, j)])),
        rms,
        used,
        share,
        free,
        residuals: laid.residuals().into_iter().map(|(at, residual)| [at.coords.into(), residual.into()]).collect(),
        notes: laid.notes.clone(),
        gaps: None,
    }
}

fn gaps(
    evaluated: &Evaluated,
    mate: &Name,
    laid: &Laid,
    args: &PlaceArgs,
    stem: &str,
) -> Result<Option<GapsReport>, Failure> {
    let loaded = |name: &Name| evaluated.scans.iter().find(|(n, _)| n == name).map(|(_, loaded)| &loaded.scan);
    let (Some(scan), Some(on)) = (loaded(&laid.scan), loaded(&laid.on)) else { return Ok(None) };
    let limit = args.limit.unwrap_or(LIMIT);
    let after = laid.after(&evaluated.results);
    let (before, after) = match laid.before() {
        Some(before) => {
            let maps = before_after(scan, on, [before, &after], limit, |_| true)?;
            (Some(maps.before), maps.after)
        }
        None => (None, gap_map(scan, on, &after, limit, |_| true)?),
    };
    let spread = |map: &GapMap| map.spread().map(SpreadReport::from);
    let mut files = Vec::new();
    if let Some(folder) = &args.out {
        for (map, words) in before.iter().map(|map| (map, "before")).chain([(&after, "after")]) {
            let path = folder.join(format!("{stem}.{mate} {words}.ply"));
            write(&path, &coloured(scan, map, limit)?, &mut files)?;
        }
    }
    Ok(Some(GapsReport { limit, before: before.as_ref().and_then(spread), after: spread(&after), files }))
}

fn coloured(scan: &Scan, map: &GapMap, limit: f64) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    ply_coloured(scan.geometry(), Precision::Single, &map.colours(limit), &mut bytes)?;
    Ok(bytes)
}

/// The tables for a person; nothing where no scan is laid on another.
pub(crate) fn text(reports: &[LaidReport]) -> String {
    let mut laid = Table::new(&[
        ("laid on one another", Align::Left),
        ("by", Align::Left),
        ("of them", Align::Right),
        ("of the scan %", Align::Right),
        ("left over mm rms", Align::Right),
        ("by itself", Align::Left),
    ]);
    for report in reports {
        laid.row([
            format!("{}: {} on {}", report.mate, report.scan, report.on),
            report.by.into(),
            count(report.used),
            report.share.map_or_else(String::new, |share| format!("{:.0}", 100.0 * share)),
            rounded(report.rms, 0.001),
            if report.free.is_empty() { "nothing is free".into() } else { report.free.join("; ") },
        ]);
    }
    let mut gaps = Table::new(&[
        ("gaps", Align::Left),
        ("", Align::Left),
        ("points", Align::Right),
        ("mean mm", Align::Right),
        ("rms mm", Align::Right),
        ("95 % within mm", Align::Right),
    ]);
    for (report, own) in reports.iter().filter_map(|report| Some((report, report.gaps.as_ref()?))) {
        for (spread, words) in [(&own.before, "before"), (&own.after, "after")] {
            let Some(spread) = spread else { continue };
            gaps.row([
                format!("{} on {}, up to {} mm", report.scan, report.on, own.limit),
                words.into(),
                count(spread.points),
                rounded(spread.mean, 0.001),
                rounded(spread.rms, 0.001),
                rounded(spread.within_95, 0.001),
            ]);
        }
    }
    let tables = [laid, gaps].into_iter().filter(|table| !table.is_empty()).map(|table| format!("\n{table}"));
    tables.collect()
}
