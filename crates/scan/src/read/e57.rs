//! E57 (ASTM E2807) through the `e57` crate: every scan of the file, each in its pose, in metres.
//!
//! The crate checks every page's checksum. What it does not check is checked here before it can
//! cost memory: the length of the XML part, prototypes that take no bits a point, and record
//! counts beyond the file. Columns out of step are caught by a budget on the bytes the crate may
//! read ahead of the points it has delivered.

use std::cell::Cell;
use std::io::{self, Read, Seek, SeekFrom};

use e57::{E57Reader, PointCloud, RecordDataType, RecordName, RecordValue};
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, RigidTransform, Vec3};

use super::error::{Place, Problem};
use super::source::{ReadSeek, Source};
use super::{Draft, FileFormat, ReadSettings, Repairs, within_limit};
use crate::{Cloud, Geometry};

/// The longest XML part that is read: it takes some 30 times its length in memory.
const LONGEST_XML: u64 = 8 << 20;

/// The fewest bits a point is recorded with: three coordinates of a range of 2⁵ steps.
const FEWEST_BITS: u64 = 16;

/// Bytes read ahead of the delivered points beyond a packet's 64 KiB.
const AHEAD: u64 = 256 << 10;

/// A file that stops giving bytes when its budget is spent.
struct Budgeted<'a> {
    inner: &'a mut dyn ReadSeek,
    left: &'a Cell<u64>,
}

impl Read for Budgeted<'_> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(out)?;
        match self.left.get().checked_sub(count as u64) {
            Some(left) => self.left.set(left),
            None => {
                return Err(io::Error::other("the columns of the points are of unequal length"));
            }
        }
        Ok(count)
    }
}

impl Seek for Budgeted<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.inner.seek(to)
    }
}

fn malformed(place: Place, problem: impl Into<String>) -> Problem {
    Problem::Malformed { format: FileFormat::E57, place, problem: problem.into() }
}

/// The crate's errors name what is wrong; only those of the disk are not the file's fault.
fn failed(place: Place, error: &e57::Error) -> Problem {
    let mut said = error.to_string();
    let mut source = std::error::Error::source(error);
    while let Some(cause) = source {
        said = format!("{said}: {cause}");
        source = cause.source();
    }
    malformed(place, said)
}

/// Reads all scans of an E57 file.
pub(super) fn read(source: Source<'_>, settings: &ReadSettings) -> Result<Draft, Problem> {
    let len = source.len();
    let mut source = source;
    let header = source.fill(48)?;
    let xml_length = header.get(32..40).and_then(|b| b.try_into().ok()).map_or(u64::MAX, u64::from_le_bytes);
    if xml_length > LONGEST_XML.min(len) {
        return Err(malformed(
            Place::Header,
            format!("an XML part of {xml_length} bytes, more than the file or any real one has,"),
        ));
    }

    // Reading the XML part may cost its length and a page on either side.
    let budget = Cell::new(2 * xml_length + AHEAD);
    let file = Budgeted { inner: source.into_inner()?, left: &budget };
    let mut reader = E57Reader::new(file).map_err(|e| failed(Place::Header, &e))?;

    let mut cloud = Cloud::default();
    let mut repairs = Repairs::default();
    let mut notices = Vec::new();
    let scans = reader.pointclouds();
    let mut bytes_announced = 0_u64;
    let mut records_announced = 0_u64;
    for (number, scan) in scans.iter().enumerate() {
        let place = Place::Part(format!("scan {number}"));
        let bits = bits_a_point(scan);
        records_announced = records_announced.saturating_add(scan.records);
        bytes_announced = bytes_announced.saturating_add(scan.records.saturating_mul(bits.max(FEWEST_BITS)) / 8);
        if scan.records > 0 && bits < FEWEST_BITS {
            return Err(malformed(place, format!("points of only {bits} bits")));
        }
        // Summed over all scans: two must not share the same bytes either.
        if bytes_announced > len {
            return Err(Problem::Truncated {
                format: FileFormat::E57,
                announced: format!("{records_announced} points"),
                needed: bytes_announced,
                found: len,
            });
        }
    }
    within_limit(records_announced, "points", settings)?;
    if scans.len() > 1 {
        notices
            .push(format!("The file holds {} scans; they were put together by the poses it gives them.", scans.len()));
    }

    for (number, scan) in scans.iter().enumerate() {
        let place = || Place::Part(format!("scan {number}"));
        let layout = Layout::of(scan).ok_or_else(|| malformed(place(), "no Cartesian or spherical coordinates"))?;
        let file_from_scan = pose(scan).ok_or_else(|| malformed(place(), "a pose that is no rotation"))?;
        let bits = bits_a_point(scan);
        cloud.points.reserve(scan.records as usize);
        budget.set(AHEAD);
        let points = reader.pointcloud_raw(scan).map_err(|e| failed(place(), &e))?;
        let mut spare_bits = 0;
        for values in points {
            let values = values.map_err(|e| failed(place(), &e))?;
            repairs.points_in_file += 1;
            match layout.position(&values) {
                Some(p) => cloud.points.push(file_from_scan * p),
                None => repairs.invalid_points += 1,
            }
            // Half as much again as the values alone: checksums, packet headers, index packets.
            spare_bits += bits * 3 / 2;
            budget.set((budget.get() + spare_bits / 8).min(2 * AHEAD));
            spare_bits %= 8;
        }
    }
    if repairs.invalid_points > 0 {
        notices.push(format!(
            "The scanner marked {} of {} points as invalid; they were left out.",
            repairs.invalid_points, repairs.points_in_file
        ));
    }
    Ok(Draft { declared_unit: Some(LengthUnit::Metre), notices, ..Draft::new(Geometry::Cloud(cloud), repairs) })
}

/// Bits a point takes in the file.
fn bits_a_point(scan: &PointCloud) -> u64 {
    let bits = |kind: &RecordDataType| match kind {
        RecordDataType::Single { .. } => 32,
        RecordDataType::Double { .. } => 64,
        RecordDataType::ScaledInteger { min, max, .. } | RecordDataType::Integer { min, max } => {
            u64::from((i128::from(*max) - i128::from(*min)).max(0).checked_ilog2().map_or(0, |b| b + 1))
        }
    };
    scan.prototype.iter().map(|r| bits(&r.data_type)).sum()
}

/// The pose of a scan, which must be a rotation (its quaternion is brought to unit length) and a
/// finite translation.
fn pose(scan: &PointCloud) -> Option<RigidTransform> {
    let Some(pose) = &scan.transform else {
        return Some(RigidTransform::identity());
    };
    let (q, t) = (&pose.rotation, &pose.translation);
    let quaternion = nalgebra::Quaternion::new(q.w, q.x, q.y, q.z);
    let rotation = nalgebra::UnitQuaternion::try_new(quaternion, 1e-6)?;
    let finite = rotation.coords.iter().all(|c| c.is_finite());
    finite.then(|| RigidTransform::from_parts(Vec3::new(t.x, t.y, t.z).into(), rotation))
}

/// Which values of a record are the coordinates.
struct Layout<'a> {
    scan: &'a PointCloud,
    cartesian: Option<[usize; 3]>,
    cartesian_state: Option<usize>,
    /// Range, azimuth, elevation.
    spherical: Option<[usize; 3]>,
    spherical_state: Option<usize>,
}

impl<'a> Layout<'a> {
    fn of(scan: &'a PointCloud) -> Option<Self> {
        let find = |name: RecordName| scan.prototype.iter().position(|r| r.name == name);
        let all = |names: [RecordName; 3]| {
            let [a, b, c] = names.map(find);
            Some([a?, b?, c?])
        };
        let layout = Self {
            scan,
            cartesian: all([RecordName::CartesianX, RecordName::CartesianY, RecordName::CartesianZ]),
            cartesian_state: find(RecordName::CartesianInvalidState),
            spherical: all([RecordName::SphericalRange, RecordName::SphericalAzimuth, RecordName::SphericalElevation]),
            spherical_state: find(RecordName::SphericalInvalidState),
        };
        (layout.cartesian.is_some() || layout.spherical.is_some()).then_some(layout)
    }

    /// The position in the scan's own frame, m; `None` where the scanner marks it invalid.
    fn position(&self, values: &[RecordValue]) -> Option<Point3> {
        let value = |at: usize| {
            let record = self.scan.prototype.get(at)?;
            values.get(at)?.to_f64(&record.data_type).ok()
        };
        // States: 0 valid, 1 direction only, 2 invalid (ASTM E2807, from memory).
        let valid = |state: Option<usize>| state.is_none_or(|at| value(at) == Some(0.0));
        if let Some([x, y, z]) = self.cartesian
            && valid(self.cartesian_state)
        {
            return Some(Point3::new(value(x)?, value(y)?, value(z)?));
        }
        let [range, azimuth, elevation] = self.spherical?;
        if !valid(self.spherical_state) {
            return None;
        }
        let (range, azimuth, elevation) = (value(range)?, value(azimuth)?, value(elevation)?);
        Some(Point3::new(
            range * elevation.cos() * azimuth.cos(),
            range * elevation.cos() * azimuth.sin(),
            range * elevation.sin(),
        ))
    }
}
