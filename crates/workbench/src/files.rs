//! Files by name: what they are called, asking for them, looking at them.

use crate::folders::Folders;
use crate::overlay;
use crate::state::{Purpose, State};
use crate::words::Trouble;
use crate::work::{Done, Progress, Reports};
use std::path::{Path, PathBuf};
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, Vec3};
use stringline_job::{LoadError, Name, NameError, ScanFile, read_scan, scan_file};
use stringline_scan::read::ReadSettings;
use stringline_scan::{Cloud, Geometry, Scan};

/// The endings of scan files.
const SCANS: [&str; 8] = ["ply", "stl", "obj", "xyz", "txt", "csv", "e57", "3mf"];
/// The ending of a job's file.
const JOB: &str = ".job.json";
/// Scans of more points than this are shown coarse while they are made ready.
const COARSE_FROM: usize = 300_000;
/// Points of the coarse copy, about.
const COARSE_POINTS: usize = 60_000;

/// What is written over the question for a path.
pub(crate) fn question(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Open => "Open a job",
        Purpose::AddScan => "Add scans",
        Purpose::SaveAs => "Save the job as",
        Purpose::Picture => "Write a picture of the view",
        Purpose::MapPly => "Write the gap map as a coloured mesh",
        Purpose::MapPicture => "Write the gap map as a picture",
        Purpose::Section => "Take the drawn section of a wheel",
    }
}

/// The path that stands in the field at first.
pub(crate) fn proposed(state: &State, purpose: Purpose) -> String {
    let home = || directories::UserDirs::new().map(|dirs| dirs.home_dir().to_owned()).unwrap_or_default();
    let folder = || match &state.job {
        Some(open) if !open.draft => open.path.parent().map(Path::to_owned).unwrap_or_default(),
        _ => state.remembered.jobs.first().and_then(|job| job.parent()).map_or_else(home, Path::to_owned),
    };
    match purpose {
        Purpose::Open | Purpose::AddScan | Purpose::Section => {
            // With the separator at its end it reads as the folder that it is.
            let mut text = folder().join("").display().to_string();
            if text.is_empty() {
                text.push('/');
            }
            text
        }
        Purpose::SaveAs => match &state.job {
            Some(open) if !open.draft => open.path.display().to_string(),
            _ => folder().join(format!("corner{JOB}")).display().to_string(),
        },
        Purpose::Picture => folder().join("view.png").display().to_string(),
        Purpose::MapPly | Purpose::MapPicture => {
            let ending = if purpose == Purpose::MapPly { "ply" } else { "svg" };
            let name = overlay::proposed(state, ending).unwrap_or_else(|| format!("gap map.{ending}"));
            folder().join(name).display().to_string()
        }
    }
}

/// A job's file name without its ending.
pub(crate) fn stem(name: &str) -> &str {
    name.strip_suffix(JOB).or(name.strip_suffix(".json")).unwrap_or(name)
}

/// Folder and first part of the names of exports: the job's own.
pub(crate) fn export_stem(job: &Path, folders: &Folders) -> String {
    let name = job.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let stem = stem(&name);
    if folders.is_draft(job) {
        let home = directories::UserDirs::new().map(|dirs| dirs.home_dir().to_owned()).unwrap_or_default();
        return home.join("corner").display().to_string();
    }
    job.with_file_name(stem).display().to_string()
}

/// A path with the ending that it was meant to have.
pub(crate) fn completed(purpose: Purpose, path: PathBuf) -> PathBuf {
    let ending = match purpose {
        Purpose::SaveAs => JOB,
        Purpose::Picture => ".png",
        Purpose::MapPly => ".ply",
        Purpose::MapPicture => ".svg",
        Purpose::Open | Purpose::AddScan | Purpose::Section => return path,
    };
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    if name.to_ascii_lowercase().ends_with(ending) || name.is_empty() {
        path
    } else {
        path.with_file_name(name.trim_end_matches(".json").to_owned() + ending)
    }
}

/// Asks in a dialog of the system; nothing where it is cancelled or there is none.
pub(crate) fn dialog(purpose: Purpose, proposed: &Path) -> Vec<PathBuf> {
    let folder = if proposed.is_dir() { Some(proposed) } else { proposed.parent() };
    let mut dialog = rfd::FileDialog::new().set_title(question(purpose));
    if let Some(folder) = folder.filter(|folder| folder.is_dir()) {
        dialog = dialog.set_directory(folder);
    }
    let file = proposed.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    match purpose {
        Purpose::Open => dialog.add_filter("Job", &["json"]).pick_file().into_iter().collect(),
        Purpose::Section => dialog.add_filter("Drawn section", &["csv", "txt"]).pick_file().into_iter().collect(),
        Purpose::AddScan => dialog.add_filter("Scan", &SCANS).pick_files().unwrap_or_default(),
        Purpose::SaveAs => dialog.add_filter("Job", &["json"]).set_file_name(file).save_file().into_iter().collect(),
        Purpose::Picture => {
            dialog.add_filter("Picture", &["png"]).set_file_name(file).save_file().into_iter().collect()
        }
        Purpose::MapPly => {
            dialog.add_filter("Coloured mesh", &["ply"]).set_file_name(file).save_file().into_iter().collect()
        }
        Purpose::MapPicture => {
            dialog.add_filter("Picture", &["svg"]).set_file_name(file).save_file().into_iter().collect()
        }
    }
}

/// What the job is to say of scan files.
pub(crate) fn identify(paths: Vec<PathBuf>, folder: &Path, progress: &Progress, reports: &Reports) -> Done {
    let mut found = Vec::new();
    let all = paths.len() as f32;
    for (number, path) in paths.into_iter().enumerate() {
        if !progress.at(number as f32 / all) {
            break;
        }
        match identify_one(&path, folder) {
            Ok(scan) => found.push((path, scan)),
            // One bad file does not cost the others.
            Err(error) => reports.send(Done::Failed(Trouble::of(&error))),
        }
    }
    Done::Identified(found)
}

fn identify_one(path: &Path, folder: &Path) -> Result<ScanFile, LoadError> {
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
    // These formats say their unit; all others have none, and count as millimetres until the user says otherwise.
    let unit = match ending.as_deref() {
        Some("e57" | "3mf") => read_scan(path, &ReadSettings::default())?.unit.applied,
        _ => LengthUnit::Millimetre,
    };
    scan_file(path, unit, folder)
}

/// Another unit that a scan is more likely in, by its size; as the readers guess.
pub(crate) fn likelier_unit(scan: &Scan, unit: LengthUnit) -> Option<LengthUnit> {
    let (low, high) = scan.geometry().bounds()?;
    let in_file = (high - low).max() / unit.in_millimetres();
    let plausible = |unit: LengthUnit| (20.0..=6000.0).contains(&(in_file * unit.in_millimetres()));
    if plausible(unit) {
        return None;
    }
    // From 3 on small parts in inches are likelier than large ones in metres.
    let metres = (LengthUnit::Metre, in_file < 3.0);
    let units = [(LengthUnit::Millimetre, true), metres, (LengthUnit::Inch, true)];
    units.into_iter().find(|&(other, likely)| likely && plausible(other)).map(|(other, _)| other)
}

/// A name for a scan: its file's, as far as that is a plain one, and not taken.
pub(crate) fn name_for(path: &Path, taken: impl Fn(&Name) -> bool) -> Result<Name, NameError> {
    let stem = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let plain: String =
        stem.chars().map(|c| if c.is_control() || "/\\:*?\"<>|".contains(c) { '-' } else { c }).take(48).collect();
    let plain = plain.trim_matches([' ', '.']);
    free_name(if plain.is_empty() { "scan" } else { plain }, taken)
}

/// `wanted`, or with the next number that is free: `feature 1`, `feature 2`.
pub(crate) fn free_name(wanted: &str, taken: impl Fn(&Name) -> bool) -> Result<Name, NameError> {
    let first: Name = wanted.parse()?;
    if !taken(&first) {
        return Ok(first);
    }
    let base = wanted.trim_end_matches(|c: char| c.is_ascii_digit()).trim_end();
    let mut number = 2_u64;
    loop {
        let name: Name = format!("{base} {number}").parse()?;
        if !taken(&name) {
            return Ok(name);
        }
        number += 1;
    }
}

/// A thinned cloud of a large scan, to see something of it before it is ready.
pub(crate) fn coarse(geometry: &Geometry) -> Option<Scan> {
    if geometry.points().len() < COARSE_FROM {
        return None;
    }
    let (points, normals): (Vec<Point3>, Vec<Vec3>) = match geometry {
        Geometry::Mesh(mesh) => {
            let stride = mesh.facets.len() / COARSE_POINTS + 1;
            let corner = |facet: &[u32; 3]| {
                let [a, b, c] = facet.map(|v| mesh.vertices.get(v as usize).copied().unwrap_or_default());
                let normal = (b - a).cross(&(c - a)).try_normalize(0.0).unwrap_or_else(Vec3::zeros);
                (a, normal)
            };
            mesh.facets.iter().step_by(stride).map(corner).unzip()
        }
        Geometry::Cloud(cloud) => {
            let stride = cloud.points.len() / COARSE_POINTS + 1;
            let normals = cloud.normals.iter().copied().step_by(stride).collect();
            (cloud.points.iter().copied().step_by(stride).collect(), normals)
        }
    };
    Some(Scan::new(Geometry::Cloud(Cloud { points, normals })))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_plain_and_free() {
        let none = |_: &Name| false;
        assert_eq!(name_for(Path::new("/a/left: knuckle?.ply"), none).unwrap().as_str(), "left- knuckle-");
        assert_eq!(name_for(Path::new("..."), none).unwrap().as_str(), "scan");
        let taken = |name: &Name| ["feature 1", "feature 2"].contains(&name.as_str());
        assert_eq!(free_name("feature 1", taken).unwrap().as_str(), "feature 3");
    }

    #[test]
    fn endings_are_added_where_they_are_missing() {
        let save = |name: &str| completed(Purpose::SaveAs, PathBuf::from(name)).display().to_string();
        assert_eq!(save("/a/corner"), "/a/corner.job.json");
        assert_eq!(save("/a/corner.json"), "/a/corner.job.json");
        assert_eq!(save("/a/corner.job.json"), "/a/corner.job.json");
        assert_eq!(completed(Purpose::Picture, PathBuf::from("v.PNG")), Path::new("v.PNG"));
    }

    #[test]
    fn a_size_that_cannot_be_suggests_another_unit() {
        let scan = |size: f64| {
            let points = (0..4).map(|i| Point3::new(size * f64::from(i) / 3.0, 0.0, 0.0)).collect();
            Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }))
        };
        assert_eq!(likelier_unit(&scan(150.0), LengthUnit::Millimetre), None);
        assert_eq!(likelier_unit(&scan(0.15), LengthUnit::Millimetre), Some(LengthUnit::Metre));
        assert_eq!(likelier_unit(&scan(6.0), LengthUnit::Millimetre), Some(LengthUnit::Inch));
    }
}
