//! `stringline run`: replay a job and write all its results.

use crate::args::RunArgs;
use crate::curves::write_files as write_curves;
use crate::export::Written;
use crate::failure::{Failure, Outcome};
use crate::feature_report::{FeatureReport, size};
use crate::fit::file_name;
use crate::pictures;
use crate::table::{Align, Table, position, rounded};
use serde::Serialize;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stringline_core::Explain;
use stringline_core::covariance::two_significant;
use stringline_hardpoints::Hardpoint;
use stringline_job::{
    Evaluator, Job, LoadError, LoadedScan, Name, Results, ScanFile, folder_of, hardpoint_words, load, read_job,
    replace_result, unsaved_steps, write_set,
};
use stringline_kinematics::designed_set;

/// What `run --json` prints, and what it writes as `….results.json`.
#[derive(Serialize)]
pub(crate) struct RunReport {
    pub(crate) job: String,
    pub(crate) complete: bool,
    pub(crate) features: Vec<FeatureReport>,
    pub(crate) hardpoints: Vec<Hardpoint>,
    pub(crate) warnings: Vec<WarningReport>,
    pub(crate) failures: Vec<FailureReport>,
    pub(crate) files: Vec<PathBuf>,
}

#[derive(Serialize)]
pub(crate) struct WarningReport {
    about: String,
    text: String,
}

#[derive(Serialize)]
pub(crate) struct FailureReport {
    what: &'static str,
    name: String,
    error: String,
    next_step: String,
}

/// A job with all that was computed from it.
pub(crate) struct Evaluated {
    pub(crate) job: Job,
    pub(crate) results: Results,
    pub(crate) scans: Vec<(Name, Arc<LoadedScan>)>,
}

/// Evaluates a job whose scans are found from `folder`.
pub(crate) fn evaluate(job: Job, folder: &Path) -> Evaluated {
    let mut evaluator = Evaluator::default();
    let load = |_: &Name, file: &ScanFile| -> Result<Arc<LoadedScan>, LoadError> { Ok(Arc::new(load(file, folder)?)) };
    let results = evaluator.evaluate(&job, &load);
    let scans = evaluator.into_scans();
    Evaluated { job, results, scans }
}

/// Reads and evaluates a job file.
pub(crate) fn evaluate_file(path: &Path) -> Result<(Evaluated, Vec<String>), Failure> {
    let job = read_job(path)?;
    let mut messages = Vec::new();
    let unsaved = unsaved_steps(path);
    if unsaved > 0 {
        messages.push(format!(
            "{}: {unsaved} steps done since the last save are in the recovery log beside it; they are not counted here.",
            path.display()
        ));
    }
    Ok((evaluate(job, folder_of(path)), messages))
}

pub(crate) fn run(args: &RunArgs) -> Result<Outcome, Failure> {
    let (evaluated, messages) = evaluate_file(&args.job)?;
    let folder = args.out.as_deref().unwrap_or_else(|| folder_of(&args.job));
    let job = file_name(&args.job);
    let written = write_results(&evaluated, folder, &job)?;
    let report = report(&evaluated, &job, written.files);
    let mut outcome = if args.json {
        Outcome::json(&report)?
    } else {
        Outcome { text: text(&evaluated, &report), ..Outcome::default() }
    };
    outcome.messages = messages;
    outcome.messages.extend(trouble(&evaluated.results));
    outcome.messages.extend(written.trouble);
    outcome.in_part = !evaluated.results.is_complete();
    if outcome.in_part && report.features.is_empty() && !evaluated.job.features.is_empty() {
        return Err(Failure::new(
            outcome.messages.join("\n"),
            "See to the above: no feature of the job could be computed.",
        ));
    }
    Ok(outcome)
}

/// `kestrel` of `kestrel.job.json`.
pub(crate) fn stem_of(job: &str) -> &str {
    let stem = job.strip_suffix(".json").unwrap_or(job);
    stem.strip_suffix(".job").unwrap_or(stem)
}

pub(crate) fn report(evaluated: &Evaluated, job: &str, files: Vec<PathBuf>) -> RunReport {
    let results = &evaluated.results;
    let features = results.features.iter().map(|(name, result)| {
        let mut report = FeatureReport::new(&result.feature, result.weighed.as_ref());
        report.name = Some(name.to_string());
        report.scan = Some(result.scan.to_string());
        report
    });
    RunReport {
        job: job.to_owned(),
        complete: results.is_complete(),
        features: features.collect(),
        hardpoints: results.set.hardpoints.clone(),
        warnings: results
            .warnings
            .iter()
            .map(|w| WarningReport { about: w.about.clone(), text: w.text.clone() })
            .collect(),
        failures: results
            .failures
            .iter()
            .map(|f| FailureReport {
                what: f.what,
                name: f.name.clone(),
                error: f.error.to_string(),
                next_step: f.error.next_step().into_owned(),
            })
            .collect(),
        files,
    }
}

/// Writes the hardpoint set in all its forms, the results as JSON, and the pictures. `job_file` is
/// the name of the job's file.
pub(crate) fn write_results(evaluated: &Evaluated, folder: &Path, job_file: &str) -> Result<Written, Failure> {
    let stem = stem_of(job_file);
    let Evaluated { job, results, scans } = evaluated;
    fs::create_dir_all(folder).map_err(|cause| cannot_write(folder, &cause))?;
    let mut written = Written::default();
    let endings = [".hardpoints.json", ".step", ".dxf", ".csv"];
    let usual = || endings.map(|ending| format!("{stem}{ending}")).to_vec();
    let exports = if job.exports.is_empty() { usual() } else { job.exports.clone() };
    if results.set.hardpoints.is_empty() && results.set.datums.is_empty() {
        written.trouble.push("No scan is placed in the car, so there are no hardpoints to write.".into());
    } else {
        for export in exports {
            let path = folder.join(export);
            write_set(&results.set, &path)?;
            written.files.push(path);
        }
    }
    for (name, loaded) in scans {
        let path = folder.join(format!("{stem}-{}.svg", name.as_str().replace(' ', "-")));
        write(&path, &pictures::of_scan(results, name, loaded))?;
        written.files.push(path);
    }
    if let Some(picture) = pictures::of_car(job, results, scans.iter().map(|(name, scan)| (name, scan.as_ref()))) {
        let path = folder.join(format!("{stem}.svg"));
        write(&path, &picture)?;
        written.files.push(path);
    }
    let variants = crate::curves::variants_of(job);
    for variant in &variants {
        let name = variant.name.replace(' ', "-");
        match designed_set(&results.set, &variants, &variant.name) {
            Ok(set) => {
                let path = folder.join(format!("{stem}.{name}.hardpoints.json"));
                write_set(&set, &path)?;
                written.files.push(path);
            }
            Err(error) => written.trouble.push(Failure::from(error).to_string()),
        }
    }
    match crate::curves::of_results(results, &variants) {
        Ok(Some(mut curves)) => {
            let files = ["csv", "svg"].map(|ending| folder.join(format!("{stem}.curves.{ending}")));
            write_curves(&mut curves, &job.title, Some(&files[0]), Some(&files[1]))?;
            written.files.extend(files);
        }
        Ok(None) => {}
        Err(failure) => written.trouble.push(format!("No curves were drawn: {failure}")),
    }
    let path = folder.join(format!("{stem}.results.json"));
    written.files.push(path.clone());
    // By name alone: the same job gives the same file wherever it is run.
    let names = written.files.iter().map(|file| PathBuf::from(file_name(file))).collect();
    write(&path, &Outcome::json(&report(evaluated, job_file, names))?.text)?;
    Ok(written)
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    replace_result(path, text.as_bytes()).map_err(|cause| cannot_write(path, &cause))
}

pub(crate) fn cannot_write(path: &Path, cause: &std::io::Error) -> Failure {
    let what = format!("cannot write {}: {cause}", path.display());
    Failure::new(what, stringline_job::io_next_step(cause, "write"))
}

/// What went wrong and what to look at, in lines for a person.
pub(crate) fn trouble(results: &Results) -> Vec<String> {
    let mut lines = Vec::new();
    let (consequences, causes): (Vec<_>, Vec<_>) =
        results.failures.iter().partition(|failed| failed.error.is_consequence());
    for failed in causes {
        let what = format!("{} \"{}\": {}", failed.what, failed.name, failed.error);
        lines.push(Failure::new(what, failed.error.next_step()).to_string());
    }
    if !consequences.is_empty() {
        let names: Vec<String> = consequences.iter().map(|f| format!("{} \"{}\"", f.what, f.name)).collect();
        lines.push(format!("Not computed because of that: {}.", names.join(", ")));
    }
    for warning in &results.warnings {
        lines.push(format!("Look at \"{}\": {}", warning.about, warning.text));
    }
    lines
}

/// The tables of a job for a person.
pub(crate) fn text(evaluated: &Evaluated, report: &RunReport) -> String {
    let mut parts = Vec::new();
    if !evaluated.job.title.is_empty() {
        parts.push(format!("{}\n", evaluated.job.title));
    }
    parts.push(format!("{}", feature_table(evaluated)));
    let hardpoints = hardpoint_table(&report.hardpoints);
    if !hardpoints.is_empty() {
        parts.push(format!(
            "{hardpoints}Positions in vehicle axes (x forward, y left, z up). ± holds the truth with 95 % probability: \
             for a point in any direction, for an axis across it, for a face along its normal.\n"
        ));
    }
    parts.push(files_text(&report.files));
    parts.join("\n")
}

pub(crate) fn files_text(files: &[PathBuf]) -> String {
    let lines: Vec<String> = files.iter().map(|file| format!("  {}\n", file.display())).collect();
    format!("Written:\n{}", lines.concat())
}

pub(crate) fn feature_table(evaluated: &Evaluated) -> Table {
    let mut table = Table::new(&[
        ("feature", Align::Left),
        ("scan", Align::Left),
        ("shape", Align::Left),
        ("size mm or °", Align::Left),
        ("form error mm", Align::Right),
        ("points", Align::Right),
        ("left out", Align::Right),
    ]);
    for (name, result) in &evaluated.results.features {
        let feature = &result.feature;
        table.row([
            name.to_string(),
            result.scan.to_string(),
            feature.shape.kind().words(feature.side).to_owned(),
            size(feature),
            rounded(feature.form_error, 0.01),
            crate::table::count(feature.used),
            crate::table::count(feature.rejected),
        ]);
    }
    table
}

pub(crate) fn hardpoint_table(hardpoints: &[Hardpoint]) -> Table {
    let mut table = Table::new(&[
        ("hardpoint", Align::Left),
        ("position mm", Align::Left),
        ("± mm", Align::Right),
        ("direction", Align::Left),
        ("± °", Align::Right),
        ("how", Align::Left),
    ]);
    for hardpoint in hardpoints {
        let u_position = hardpoint.u95.map_or(f64::NAN, |u| u.position);
        let u_direction = hardpoint.u95.and_then(|u| u.direction_deg);
        table.row([
            hardpoint_words(hardpoint.role, hardpoint.side),
            position(&hardpoint.position.into(), u_position),
            two_significant(u_position),
            hardpoint.direction.map_or_else(String::new, |d| crate::table::direction(&d.into())),
            u_direction.map_or_else(String::new, two_significant),
            hardpoint.construction.clone().unwrap_or_default(),
        ]);
    }
    table
}
