//! `stringline export`: a hardpoint set to other files.

use crate::args::ExportArgs;
use crate::failure::{Failure, Outcome};
use crate::fit::file_name;
use crate::run::{cannot_write, evaluate_file, files_text, trouble};
use serde::Serialize;
use std::path::{Path, PathBuf};
use stringline_hardpoints::{HardpointSet, export as formats};
use stringline_job::{io_next_step, read_file, replace_result};
use stringline_kinematics::Variant;

/// What was written, and what was not.
#[derive(Debug, Default)]
pub(crate) struct Written {
    pub(crate) files: Vec<PathBuf>,
    pub(crate) trouble: Vec<String>,
}

#[derive(Serialize)]
struct Report {
    files: Vec<PathBuf>,
}

pub(crate) fn export(args: &ExportArgs) -> Result<Outcome, Failure> {
    // An ending that cannot be is said before anything is written.
    for path in &args.to {
        format_of(path)?;
    }
    let Source { set, messages, in_part, .. } = read(&args.source)?;
    for path in &args.to {
        write_set(&set, path)?;
    }
    let report = Report { files: args.to.clone() };
    let outcome = if args.json {
        Outcome::json(&report)?
    } else {
        Outcome { text: files_text(&report.files), ..Outcome::default() }
    };
    Ok(Outcome { messages, in_part, ..outcome })
}

/// A job's or a file's hardpoints.
pub(crate) struct Source {
    pub(crate) set: HardpointSet,
    /// The job's variants.
    pub(crate) variants: Vec<Variant>,
    /// What to say about it.
    pub(crate) messages: Vec<String>,
    /// Some of it could not be had.
    pub(crate) in_part: bool,
}

/// Reads a job, evaluating it, or a hardpoint-set file.
pub(crate) fn read(source: &Path) -> Result<Source, Failure> {
    /// What kind of file it is.
    #[derive(serde::Deserialize)]
    struct Heading {
        #[serde(default)]
        format: serde_json::Value,
    }
    let failed = |cause: std::io::Error| {
        Failure::new(format!("cannot read {}: {cause}", source.display()), io_next_step(&cause, "read"))
    };
    let text = read_file(source).map_err(failed)?;
    let heading = serde_json::from_slice::<Heading>(&text);
    if heading.is_ok_and(|heading| heading.format == stringline_hardpoints::set::FORMAT) {
        // Valid JSON is valid UTF-8.
        let text = String::from_utf8_lossy(&text);
        let set = HardpointSet::from_json(&text).map_err(|error| {
            let failure = Failure::from(error);
            failure.at(source)
        })?;
        return Ok(Source { set, variants: Vec::new(), messages: Vec::new(), in_part: false });
    }
    let (evaluated, mut messages) = evaluate_file(source)?;
    messages.extend(trouble(&evaluated.results));
    if evaluated.results.set.hardpoints.is_empty() && evaluated.results.set.datums.is_empty() {
        messages.insert(0, format!("{}: the job gives no hardpoint and no placed feature", source.display()));
        return Err(Failure::new(messages.join("\n"), "See to the above, place the scans, and construct hardpoints."));
    }
    let in_part = !evaluated.results.is_complete();
    let variants = evaluated.job.variants.iter().map(|v| Variant::clone(v)).collect();
    Ok(Source { set: evaluated.results.set, variants, messages, in_part })
}

#[derive(Clone, Copy)]
enum Format {
    Json,
    Step,
    Dxf,
    Csv,
}

fn format_of(path: &Path) -> Result<Format, Failure> {
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
    match ending.as_deref() {
        Some("json") => Ok(Format::Json),
        Some("step" | "stp") => Ok(Format::Step),
        Some("dxf") => Ok(Format::Dxf),
        Some("csv") => Ok(Format::Csv),
        _ => Err(Failure::usage(
            format!("{}: the ending does not say in which format", path.display()),
            "End the name in .json, .step, .dxf or .csv.",
        )),
    }
}

/// The time, as ISO 8601 has it.
fn now() -> String {
    humantime::format_rfc3339_seconds(std::time::SystemTime::now()).to_string()
}

/// Writes a set in the format that the file's ending says.
pub(crate) fn write_set(set: &HardpointSet, path: &Path) -> Result<(), Failure> {
    let text = match format_of(path)? {
        Format::Json => set.to_json()?,
        Format::Step => formats::to_step(set, &file_name(path), &now())?,
        Format::Dxf => formats::to_dxf(set)?,
        Format::Csv => formats::to_csv(set)?,
    };
    replace_result(path, text.as_bytes()).map_err(|cause| cannot_write(path, &cause))
}
