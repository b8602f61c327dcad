//! The Kestrel: an invented coupé whose front corner is scanned part by part.
//!
//! Every part is a parametric model ([`model::PartModel`]) in the car's axes, from the one
//! table of [`hardpoints`]. The scanner's frame, noise, gaps and stray points are added
//! afterwards, so the truth is known exactly. Nothing here is measured on a real car.

pub mod hardpoints;
mod knuckle;
mod mesher;
pub mod model;
mod scanner;
mod solid;
pub mod truth;

#[cfg(test)]
mod tests;

use model::PartModel;
use serde::Serialize;
use stringline_core::RigidTransform;
use stringline_scan::write::{self, Precision, WriteError};
use stringline_scan::{Cloud, Geometry};

/// Scanner noise along the normal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Noise {
    /// Standard deviation, mm.
    pub sigma: f64,
    /// Share of the variance that is a smooth field over space.
    pub correlated_share: f64,
    /// Correlation length ℓ of that field, `exp(−r²/(2ℓ²))`, mm.
    pub correlation_length: f64,
}

/// What a set of scans depends on.
#[derive(Clone, Copy, Debug)]
pub struct ScanSettings {
    /// Decides frames, noise, gaps and strays; default 2520.
    pub seed: u64,
    /// Default 0.03 mm, half of the variance correlated over 1 mm.
    pub noise: Noise,
    /// About how many facets a scan has; by default as many as the committed scans.
    pub triangles: Option<usize>,
}

impl Default for ScanSettings {
    fn default() -> Self {
        Self {
            seed: 2520,
            noise: Noise {
                sigma: 0.03,
                correlated_share: 0.5,
                correlation_length: 1.0,
            },
            triangles: None,
        }
    }
}

/// The parts that are scanned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The left front knuckle.
    Knuckle,
}

impl Part {
    /// All parts in the order they are written.
    pub const ALL: [Part; 1] = [Part::Knuckle];

    /// The scan's name, without ending.
    pub fn name(self) -> &'static str {
        match self {
            Part::Knuckle => "knuckle",
        }
    }

    /// The scan's file name.
    pub fn file_name(self) -> &'static str {
        match self {
            Part::Knuckle => "knuckle.ply",
        }
    }

    /// Whether the scan holds points alone.
    pub fn is_cloud(self) -> bool {
        false
    }

    /// The part as modelled, in the car frame.
    pub fn model(self) -> PartModel {
        match self {
            Part::Knuckle => knuckle::model(),
        }
    }

    fn seed(self, seed: u64) -> u64 {
        // Each part draws from its own stream, so that one alone comes out as among all.
        seed.wrapping_mul(0x9e37_79b9_7f4a_7c15)
            .wrapping_add(self as u64 + 1)
    }
}

/// A scan and where it stands.
pub struct Scan {
    /// In the scan frame, mm.
    pub geometry: Geometry,
    /// Takes scan coordinates to the car's.
    pub car_from_scan: RigidTransform,
}

/// Scans a part: the same settings give the same scan.
pub fn scan(part: Part, model: &PartModel, settings: &ScanSettings) -> Scan {
    let scanned = scanner::scan(model, part.seed(settings.seed), settings);
    let geometry = if part.is_cloud() {
        Geometry::Cloud(Cloud {
            points: scanned.mesh.vertices,
            normals: Vec::new(),
        })
    } else {
        Geometry::Mesh(scanned.mesh)
    };
    Scan {
        geometry,
        car_from_scan: scanned.car_from_scan,
    }
}

impl Part {
    /// Writes a scan as this part's file.
    ///
    /// # Errors
    /// Whatever the destination refuses.
    pub fn write(
        self,
        geometry: &Geometry,
        out: &mut dyn std::io::Write,
    ) -> Result<(), WriteError> {
        write::ply(geometry, Precision::Single, out)
    }
}

/// How many points and facets there are, in words.
pub fn describe(geometry: &Geometry) -> String {
    match geometry {
        Geometry::Mesh(mesh) => format!(
            "{} facets, {} vertices",
            mesh.facets.len(),
            mesh.vertices.len()
        ),
        Geometry::Cloud(cloud) => format!("{} points", cloud.points.len()),
    }
}
