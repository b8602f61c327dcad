//! The Kestrel's sample scans, as part of the program: a job to try everything on.
//!
//! [`begin`] writes the scans to a folder and makes a job in which nothing is painted yet; how
//! the scans stand in the car is on the sample's sheet. [`begin_raw`] leaves that out too, and [`work`] does what a
//! person would: paints, mates the scans to one another and to the car, and constructs the hardpoints. What is true of
//! the parts is beside each scan, for whoever wants to [`compare`].
//!
//! ```
//! let folder = tempfile::tempdir()?;
//! let job = stringline_sample::begin(folder.path())?;
//! assert_eq!(job.scans.len(), stringline_sample::SCANS.len());
//! assert!(job.features.is_empty());
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod new_arm;
mod truth;
mod work;

pub use new_arm::new_arm;
pub use truth::{Compared, TrueFeature, TrueHardpoint, Truth, compare};
pub use work::{feature_name, second_name, work};

use serde::Deserialize;
use std::borrow::Cow;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use stringline_core::Explain;
use stringline_core::units::LengthUnit;
use stringline_hardpoints::{Suspension, Vehicle};
use stringline_job::{
    History, Job, LoadError, NameError, Op, OpError, Placement, io_next_step, replace_result, scan_file,
};

/// A sample scan with its truth.
#[derive(Clone, Copy, Debug)]
pub struct SampleScan {
    /// What it is called in the job.
    pub name: &'static str,
    /// The name of its file.
    pub file: &'static str,
    /// The bytes of its file.
    pub scan: &'static [u8],
    /// What is true of it: a JSON object, described in `sample-scans/README.md`.
    pub truth: &'static [u8],
}

macro_rules! sample {
    ($name:literal, $file:literal) => {
        SampleScan {
            name: $name,
            file: $file,
            scan: include_bytes!(concat!("../../../sample-scans/", $file)),
            truth: include_bytes!(concat!("../../../sample-scans/", $name, ".truth.json")),
        }
    };
}

/// The Kestrel's sample scans.
pub static SCANS: &[SampleScan] = &[
    sample!("knuckle", "knuckle.ply"),
    sample!("lower-arm", "lower-arm.ply"),
    sample!("chassis-left", "chassis-left.ply"),
    sample!("chassis-right", "chassis-right.stl"),
    sample!("rack", "rack.xyz"),
    sample!("stance", "stance.ply"),
];

/// What is true of the car as a whole.
static CAR: &[u8] = include_bytes!("../../../sample-scans/kestrel.truth.json");

/// The name of the file of the arm's new design.
pub const NEW_ARM_FILE: &str = "new-arm.ply";

/// The name of the sample job's file.
pub const JOB_FILE: &str = "kestrel.job.json";

/// Why the sample job cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum SampleError {
    /// The file system refused.
    #[error("cannot write {}: {cause}", path.display())]
    Io {
        /// Which file or folder.
        path: PathBuf,
        /// What the system says.
        cause: io::Error,
    },
    /// A scan just written cannot be read.
    #[error(transparent)]
    Scan(#[from] LoadError),
    /// A sheet inside the program cannot be read.
    #[error("a sheet inside the program cannot be read: {0}")]
    Sheet(#[from] serde_json::Error),
    /// A name inside the program is none.
    #[error(transparent)]
    Name(#[from] NameError),
    /// An operation was refused.
    #[error(transparent)]
    Op(#[from] OpError),
}

impl Explain for SampleError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            SampleError::Io { cause, .. } => io_next_step(cause, "write"),
            SampleError::Scan(error) => error.next_step(),
            SampleError::Sheet(_) => "Report this as a fault of the program.".into(),
            SampleError::Name(error) => error.next_step(),
            SampleError::Op(error) => error.next_step(),
        }
    }
}

/// Of a scan's sheet, how it stands in the car.
#[derive(Deserialize)]
struct Sheet {
    car_from_scan: [[f64; 4]; 4],
}

#[derive(Deserialize)]
struct Car {
    vehicle: CarSheet,
}

#[derive(Deserialize)]
struct CarSheet {
    name: String,
    wheelbase: f64,
    front_track: f64,
    tyre: String,
    tyre_loaded_radius: f64,
}

/// Writes the scan files to a folder, which is made where it is not there.
///
/// # Errors
/// [`SampleError::Io`].
pub fn write_scans(folder: &Path) -> Result<Vec<PathBuf>, SampleError> {
    let failed = |path: &Path, cause| SampleError::Io { path: path.to_owned(), cause };
    fs::create_dir_all(folder).map_err(|cause| failed(folder, cause))?;
    let write = |sample: &SampleScan| {
        let path = folder.join(sample.file);
        replace_result(&path, sample.scan).map_err(|cause| failed(&path, cause))?;
        Ok(path)
    };
    SCANS.iter().map(write).collect()
}

/// Writes the new arm's design to a folder: a mesh in the car's axes.
///
/// # Errors
/// [`SampleError::Io`].
pub fn write_new_arm(folder: &Path) -> Result<PathBuf, SampleError> {
    let path = folder.join(NEW_ARM_FILE);
    let failed = |cause| SampleError::Io { path: path.clone(), cause };
    let mut bytes = Vec::new();
    stringline_scan::write::ply(
        &stringline_scan::Geometry::Mesh(new_arm()),
        stringline_scan::write::Precision::Double,
        &mut bytes,
    )
    .map_err(|error| failed(io::Error::other(error)))?;
    replace_result(&path, &bytes).map_err(failed)?;
    Ok(path)
}

/// Writes the scans to a folder and makes the job that they are placed in, with nothing painted.
///
/// # Errors
/// See [`SampleError`].
pub fn begin(folder: &Path) -> Result<Job, SampleError> {
    let mut history = History::new(begin_raw(folder)?);
    for sample in SCANS {
        let placement = Box::new(Placement {
            car_from_scan: serde_json::from_slice::<Sheet>(sample.truth)?.car_from_scan,
            found: "typed from the sample's sheet".into(),
            covariance: None,
            extra: serde_json::Map::new(),
        });
        history.apply(&Op::PlaceScan { name: sample.name.parse()?, placement })?;
    }
    Ok(Job::clone(history.job()))
}

/// Writes the scans to a folder and makes a job of them, each in its own frame as it came from the scanner.
///
/// # Errors
/// See [`SampleError`].
pub fn begin_raw(folder: &Path) -> Result<Job, SampleError> {
    write_scans(folder)?;
    raw(folder, &SCANS.iter().map(|sample| (sample.name, sample.file)).collect::<Vec<_>>())
}

/// A job of scan files by name in a folder, each in its own frame, on the sample's car.
///
/// # Errors
/// See [`SampleError`].
pub fn raw(folder: &Path, scans: &[(&str, &str)]) -> Result<Job, SampleError> {
    let car = serde_json::from_slice::<Car>(CAR)?.vehicle;
    let title = format!("{}, front corner", car.name);
    let vehicle = Vehicle {
        name: Some(car.name),
        wheelbase: Some(car.wheelbase),
        track: Some(car.front_track),
        tyre_radius: Some(car.tyre_loaded_radius),
        tyre: Some(car.tyre),
        ..Vehicle::default()
    };
    let mut history = History::new(Job::default());
    history.apply(&Op::SetTitle { title })?;
    history.apply(&Op::SetVehicle { vehicle: Box::new(vehicle), suspension: Some(Suspension::Strut) })?;
    for (name, file) in scans {
        let scan = scan_file(&folder.join(file), LengthUnit::Millimetre, folder)?;
        history.apply(&Op::AddScan { name: name.parse()?, scan })?;
    }
    Ok(Job::clone(history.job()))
}
