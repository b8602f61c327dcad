//! Reads scans and tells time, memory and what was found; or makes a large one to read.
//!
//! ```text
//! cargo run --release -p stringline-scan --example load -- --make 5000000 big.stl
//! cargo run --release -p stringline-scan --example load -- big.stl
//! ```
//!
//! Run it under `/usr/bin/time -v` for the peak memory.

#![allow(clippy::print_stdout, reason = "an example speaks on the standard output")]

use std::error::Error;
use std::f64::consts::TAU;
use std::fs::File;
use std::time::Instant;

use stringline_scan::read::{ReadSettings, read};
use stringline_scan::write::{self, Precision};
use stringline_scan::{Geometry, Mesh, Point3};

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["--make", facets, path] => make(facets.parse()?, path),
        ref paths => {
            for path in paths {
                let start = Instant::now();
                let scan = read(File::open(path)?, path, &ReadSettings::default())?;
                let seconds = start.elapsed().as_secs_f64();
                println!("{path}: {}, {}, {seconds:.3} s", scan.format, scan.repairs);
                let megabytes = match &scan.geometry {
                    Geometry::Mesh(m) => m.vertices.len() * 24 + m.facets.len() * 12,
                    Geometry::Cloud(c) => (c.points.len() + c.normals.len()) * 24,
                } as f64
                    / 1e6;
                println!("{megabytes:.0} MB of geometry; {}", scan.unit.reason);
                scan.notices.iter().for_each(|n| println!("{n}"));
            }
            Ok(())
        }
    }
}

/// Writes an invented closed surface (a wavy ring), as binary STL or PLY by the ending.
fn make(facets: u32, path: &str) -> Result<(), Box<dyn Error>> {
    let around = (f64::from(facets) / 8.0).sqrt().round() as u32;
    let along = facets / 2 / around;
    let mut mesh = Mesh::default();
    for i in 0..along {
        let u = TAU * f64::from(i) / f64::from(along);
        for j in 0..around {
            let v = TAU * f64::from(j) / f64::from(around);
            let r = 20.0 + 0.5 * (60.0 * u).sin() * (9.0 * v).cos();
            let ring = 80.0 + r * v.cos();
            // Both formats hold the numbers in 32 bits.
            let p = [ring * u.cos(), ring * u.sin(), r * v.sin()].map(|c| f64::from(c as f32));
            mesh.vertices.push(Point3::from(p));
            let at = |di: u32, dj: u32| (i + di) % along * around + (j + dj) % around;
            let quad = [at(0, 0), at(1, 0), at(1, 1), at(0, 1)];
            mesh.facets.push([quad[0], quad[1], quad[2]]);
            mesh.facets.push([quad[0], quad[2], quad[3]]);
        }
    }
    let mut file = File::create(path)?;
    if path.ends_with(".stl") {
        write::stl(&mesh, &mut file)?;
    } else {
        write::ply(&Geometry::Mesh(mesh), Precision::Single, &mut file)?;
    }
    Ok(())
}
