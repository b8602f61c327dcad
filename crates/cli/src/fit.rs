//! `stringline fit`: paint and fit one feature, without a job file.

use crate::args::FitArgs;
use crate::failure::{Failure, Outcome};
use crate::feature_report::FeatureReport;
use std::path::Path;
use std::sync::Arc;
use stringline_core::units::LengthUnit;
use stringline_core::{Explain, Point3};
use stringline_job::{FitSpec, History, Job, LoadError, LoadedScan, Name, Op, ScanFile, evaluate, read_scan};
use stringline_scan::read::ReadSettings;
use stringline_scan::{Dab, Scan};

pub(crate) fn fit(args: &FitArgs) -> Result<Outcome, Failure> {
    let settings = ReadSettings { unit: args.unit.map(LengthUnit::from), ..ReadSettings::default() };
    let reading = read_scan(&args.scan, &settings)?;
    let loaded = Arc::new(LoadedScan { scan: Arc::new(Scan::new(reading.geometry)), sha256: String::new() });

    // The same operations as in a job, on a job that lives only here.
    let [scan_name, feature_name] = ["scan", "feature"].map(|name| name.parse::<Name>());
    let (scan_name, feature_name) = (scan_name?, feature_name?);
    let mut history = History::new(Job::default());
    for op in operations(args, &scan_name, &feature_name, reading.unit.applied) {
        history.apply(&op)?;
    }
    let load = |_: &Name, _: &ScanFile| Ok::<_, LoadError>(Arc::clone(&loaded));
    let results = evaluate(history.job(), &load);
    if let Some(failed) = results.failures.first() {
        let what = format!("{}: {}", args.scan.display(), failed.error);
        return Err(Failure::new(what, failed.error.next_step()));
    }
    let Some(result) = results.features.get(&feature_name) else {
        return Err(Failure::new("there is no result", "Report this as a fault of the program."));
    };

    let mut report = FeatureReport::new(&result.feature, result.weighed.as_ref());
    report.scan = Some(file_name(&args.scan));
    let mut outcome = if args.json {
        Outcome::json(&report)?
    } else {
        let text = format!("{} on {}\n{}", capital(report.words()), file_name(&args.scan), report.text());
        Outcome { text, ..Outcome::default() }
    };
    outcome.messages = reading.notices;
    outcome.messages.extend(results.warnings.into_iter().map(|warning| warning.text));
    // The shape was to be decided, and was not.
    outcome.in_part = report.decided == Some(false);
    Ok(outcome)
}

fn operations(args: &FitArgs, scan: &Name, feature: &Name, unit: LengthUnit) -> Vec<Op> {
    let file = ScanFile {
        file: file_name(&args.scan),
        size: 0,
        // Of nothing: the scan is in memory and not looked for again.
        sha256: "0".repeat(64),
        unit,
        extra: serde_json::Map::new(),
    };
    let fit = FitSpec {
        shape: args.shape.into(),
        whole_scan: args.all,
        grow: args.grow,
        keep_all: args.keep_all,
        held_radius: args.radius,
        extra: serde_json::Map::new(),
    };
    let dabs = args.dabs.iter().map(|dab| Dab::new(Point3::from(dab.centre), dab.radius)).collect();
    vec![
        Op::AddScan { name: scan.clone(), scan: file },
        Op::AddFeature { name: feature.clone(), scan: scan.clone(), fit },
        Op::Paint { feature: feature.clone(), dabs },
    ]
}

pub(crate) fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
