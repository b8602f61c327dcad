//! The Kestrel: an invented coupé whose front corner is scanned part by part.
//!
//! Every part is a parametric model ([`model::PartModel`]) in the car's axes, from the one
//! table of [`hardpoints`]. The scanner's frame, noise, gaps and stray points are added
//! afterwards, so the truth is known exactly. Nothing here is measured on a real car.

mod chassis;
pub mod hardpoints;
mod knuckle;
mod lower_arm;
mod mesher;
pub mod model;
mod rack;
mod scanner;
mod solid;
mod stance;
mod targets;
pub mod trial;
pub mod truth;

#[cfg(test)]
mod tests;

use model::PartModel;
use serde::Serialize;
use stringline_core::{Point3, RigidTransform};
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
            noise: Noise { sigma: 0.03, correlated_share: 0.5, correlation_length: 1.0 },
            triangles: None,
        }
    }
}

/// The parts that are scanned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The left front knuckle.
    Knuckle,
    /// The left lower arm.
    LowerArm,
    /// The chassis on the left: strut tower and lower arm's brackets.
    ChassisLeft,
    /// The right strut tower.
    ChassisRight,
    /// The steering rack.
    Rack,
    /// The whole car as it stands: floor, hubs and targets.
    Stance,
}

impl Part {
    /// All parts in the order they are written.
    pub const ALL: [Part; 6] =
        [Part::Knuckle, Part::LowerArm, Part::ChassisLeft, Part::ChassisRight, Part::Rack, Part::Stance];

    /// The scan's name, without ending.
    pub fn name(self) -> &'static str {
        match self {
            Part::Knuckle => "knuckle",
            Part::LowerArm => "lower-arm",
            Part::ChassisLeft => "chassis-left",
            Part::ChassisRight => "chassis-right",
            Part::Rack => "rack",
            Part::Stance => "stance",
        }
    }

    /// The scan's file name. The formats differ so that more than one reader is at work.
    pub fn file_name(self) -> &'static str {
        match self {
            Part::Knuckle => "knuckle.ply",
            Part::LowerArm => "lower-arm.ply",
            Part::ChassisLeft => "chassis-left.ply",
            Part::ChassisRight => "chassis-right.stl",
            Part::Rack => "rack.xyz",
            Part::Stance => "stance.ply",
        }
    }

    /// Whether the scan holds points alone, without normals.
    pub fn is_cloud(self) -> bool {
        self == Part::Rack
    }

    /// The part as modelled, in the car frame.
    pub fn model(self) -> PartModel {
        match self {
            Part::Knuckle => knuckle::model(),
            Part::LowerArm => lower_arm::model(),
            Part::ChassisLeft => chassis::left(),
            Part::ChassisRight => chassis_right(hardpoints::RIGHT_TOWER_OFFSET),
            Part::Rack => rack::model(),
            Part::Stance => stance::model(),
        }
    }

    fn seed(self, seed: u64) -> u64 {
        // Each part draws from its own stream, so that one alone comes out as among all.
        seed.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(self as u64 + 1)
    }
}

/// The right strut tower off the mirror image of the left one by so much, mm; inboard is +y.
pub fn chassis_right(offset: [f64; 3]) -> PartModel {
    chassis::right(offset.into())
}

/// A scan and where it stands.
pub struct Scan {
    /// In the scan frame, mm.
    pub geometry: Geometry,
    /// Takes scan coordinates to the car's.
    pub car_from_scan: RigidTransform,
    /// This many points, the last ones, belong to no surface.
    pub strays: usize,
}

/// Scans a part: the same settings give the same scan.
pub fn scan(part: Part, model: &PartModel, settings: &ScanSettings) -> Scan {
    let scanned = scanner::scan(model, part.seed(settings.seed), settings);
    let geometry = if part.is_cloud() {
        Geometry::Cloud(Cloud { points: scanned.mesh.vertices, normals: Vec::new() })
    } else {
        Geometry::Mesh(scanned.mesh)
    };
    Scan { geometry, car_from_scan: scanned.car_from_scan, strays: scanned.strays }
}

impl Part {
    /// Writes a scan as this part's file.
    ///
    /// # Errors
    /// Whatever the destination refuses.
    pub fn write(self, geometry: &Geometry, out: &mut dyn std::io::Write) -> Result<(), WriteError> {
        match (self, geometry) {
            (Part::ChassisRight, Geometry::Mesh(mesh)) => write::stl(mesh, out),
            (Part::Rack, _) => {
                // A text file from a scanner has a few decimals, not seventeen digits.
                let rounded = |p: &Point3| Point3::from(p.coords.map(|c| (c * 1e3).round() / 1e3));
                let points = geometry.points().iter().map(rounded).collect();
                let cloud = Cloud { points, normals: Vec::new() };
                write::xyz(&Geometry::Cloud(cloud), out)
            }
            _ => write::ply(geometry, Precision::Single, out),
        }
    }
}

/// How many points and facets there are, in words.
pub fn describe(geometry: &Geometry) -> String {
    match geometry {
        Geometry::Mesh(mesh) => format!("{} facets, {} vertices", mesh.facets.len(), mesh.vertices.len()),
        Geometry::Cloud(cloud) => format!("{} points", cloud.points.len()),
    }
}
