//! `stringline survey`: what scan files hold.

use crate::args::SurveyArgs;
use crate::failure::{Failure, Outcome};
use crate::table::{count, plural, rounded};
use serde::Serialize;
use std::fmt::Write;
use std::path::Path;
use stringline_core::Explain;
use stringline_core::units::LengthUnit;
use stringline_job::{LoadError, read_scan};
use stringline_scan::read::{ReadSettings, Repairs, UnitFinding};
use stringline_scan::{Edges, Geometry, Scan, Survey};

/// What `survey --json` prints.
#[derive(Serialize)]
struct Report {
    scans: Vec<ScanReport>,
    failures: Vec<FailureReport>,
}

#[derive(Serialize)]
struct ScanReport {
    file: String,
    format: String,
    kind: &'static str,
    unit: UnitFinding,
    #[serde(flatten)]
    survey: Survey,
    /// Absent for a cloud.
    #[serde(skip_serializing_if = "Option::is_none")]
    closed: Option<bool>,
    repairs: Repairs,
    notices: Vec<String>,
}

#[derive(Serialize)]
struct FailureReport {
    file: String,
    error: String,
    next_step: String,
}

pub(crate) fn survey(args: &SurveyArgs) -> Result<Outcome, Failure> {
    let settings = ReadSettings { unit: args.unit.map(LengthUnit::from), ..ReadSettings::default() };
    let mut report = Report { scans: Vec::new(), failures: Vec::new() };
    for path in &args.scans {
        match survey_one(path, &settings) {
            Ok(scan) => report.scans.push(scan),
            Err(error) => report.failures.push(FailureReport {
                file: path.display().to_string(),
                error: error.to_string(),
                next_step: error.next_step().into_owned(),
            }),
        }
    }
    let messages: Vec<String> =
        report.failures.iter().map(|f| Failure::new(f.error.as_str(), f.next_step.as_str()).to_string()).collect();
    if report.scans.is_empty()
        && let Some(first) = report.failures.first()
    {
        let next_step = first.next_step.clone();
        let all: Vec<&str> = report.failures.iter().map(|f| f.error.as_str()).collect();
        return Err(Failure::new(all.join("\n"), next_step));
    }
    let mut outcome = if args.json {
        Outcome::json(&report)?
    } else {
        let blocks: Vec<String> = report.scans.iter().map(text).collect();
        Outcome { text: blocks.join("\n"), ..Outcome::default() }
    };
    outcome.in_part = !messages.is_empty();
    outcome.messages = messages;
    Ok(outcome)
}

fn survey_one(path: &Path, settings: &ReadSettings) -> Result<ScanReport, LoadError> {
    let reading = read_scan(path, settings)?;
    let kind = match reading.geometry {
        Geometry::Mesh(_) => "mesh",
        Geometry::Cloud(_) => "cloud",
    };
    let survey = Scan::new(reading.geometry).survey();
    Ok(ScanReport {
        file: path.display().to_string(),
        format: reading.format.to_string(),
        kind,
        unit: reading.unit,
        closed: survey.edges.map(|edges| edges.closed()),
        survey,
        repairs: reading.repairs,
        notices: reading.notices,
    })
}

fn text(scan: &ScanReport) -> String {
    let mut text = format!("{}\n", scan.file);
    let mut line = |label: &str, value: String| {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "  {label:<10}{value}");
    };
    let survey = &scan.survey;
    let facets = if survey.facets > 0 { format!(", {}", plural(survey.facets, "facet")) } else { String::new() };
    line("holds", format!("a {} of {}{facets} ({})", scan.kind, plural(survey.points, "point"), scan.format));
    if let Some([low, high]) = survey.bounds {
        let [x, y, z] = [0, 1, 2].map(|k| rounded(high[k] - low[k], 1.0));
        line("size", format!("{x} × {y} × {z} mm"));
        let range = |k: usize| format!("{} to {}", rounded(low[k], 1.0), rounded(high[k], 1.0));
        line("extents", format!("x {}, y {}, z {} mm", range(0), range(1), range(2)));
    }
    line("unit", format!("{}: {}", scan.unit.applied, scan.unit.reason));
    line("spacing", format!("{} mm between neighbouring points", rounded(survey.spacing, 0.1)));
    match survey.edges {
        Some(edges) => line("surface", surface(&edges)),
        None if survey.oriented => line("surface", "points with normals".into()),
        None => line("surface", "points without normals: inside and outside are not told apart".into()),
    }
    line(
        "noise",
        match survey.noise {
            Some(noise) => {
                format!("σ about {} mm, as far as neighbouring points do not share it", rounded(noise, 0.01))
            }
            None => "cannot be judged: too few points on smooth surface".into(),
        },
    );
    line("in file", scan.repairs.to_string());
    for notice in &scan.notices {
        line("look", notice.clone());
    }
    text
}

fn surface(edges: &Edges) -> String {
    let mut parts = Vec::new();
    for (number, what) in [
        (edges.open, "edges are open (rims of holes)"),
        (edges.crowded, "edges are shared by more than two facets"),
        (edges.flipped, "edges join facets that face opposite ways"),
    ] {
        if number > 0 {
            parts.push(format!("{} {what}", count(number as usize)));
        }
    }
    if parts.is_empty() { "closed".into() } else { format!("not closed: {}", parts.join(", ")) }
}
