//! Growth over a synthetic bore with a filleted mouth and a flat face, as a mesh.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use stringline_core::Point3;
use stringline_fit::{FitSettings, GrowSettings, Kind, fit, grow};
use stringline_scan::{Dab, Geometry, Mesh, Scan};

/// A bore of radius 8 along z from −20 to 0, a fillet of radius 2 at its mouth, then a face at z = 2.
/// Deterministic noise, even within ±0.02 mm along the normal.
fn filleted_bore() -> Scan {
    let (around, step) = (160usize, 0.25);
    // The profile as (r, z, n_r, n_z), from the bore's bottom outwards over the face.
    let mut profile: Vec<[f64; 4]> = (0..=80).map(|i| [8.0, -20.0 + step * f64::from(i), -1.0, 0.0]).collect();
    for i in 1..=12 {
        let a = std::f64::consts::FRAC_PI_2 * f64::from(i) / 12.0;
        profile.push([8.0 + 2.0 * (1.0 - a.cos()), 2.0 * a.sin(), -a.cos(), a.sin()]);
    }
    profile.extend((1..=40).map(|i| [10.0 + step * f64::from(i), 2.0, 0.0, 1.0]));
    let mut mesh = Mesh::default();
    let mut state = 1u64;
    let mut noise = || {
        // Knuth's MMIX generator.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        0.04 * ((state >> 33) as f64 / (1u64 << 31) as f64 - 0.5)
    };
    for [r, z, nr, nz] in &profile {
        for k in 0..around {
            let a = std::f64::consts::TAU * k as f64 / around as f64;
            let wave = noise();
            let (r, z) = (r + nr * wave, z + nz * wave);
            mesh.vertices.push(Point3::new(r * a.cos(), r * a.sin(), z));
        }
    }
    let id = |row: usize, k: usize| (row * around + k % around) as u32;
    for row in 0..profile.len() - 1 {
        for k in 0..around {
            // Seen from inside the bore, counter-clockwise.
            mesh.facets.push([id(row, k), id(row + 1, k), id(row + 1, k + 1)]);
            mesh.facets.push([id(row, k), id(row + 1, k + 1), id(row, k + 1)]);
        }
    }
    Scan::new(Geometry::Mesh(mesh))
}

#[test]
fn growth_fills_the_bore_and_stops_at_the_fillet() {
    let scan = filleted_bore();
    let dab = Dab::new(Point3::new(8.0, 0.0, -10.0), 4.0);
    let patch = scan.paint(&[dab]).unwrap();
    let sample = scan.sample(&patch);
    let settings = FitSettings::default();
    let first = fit(&sample.points, &sample.normals, Kind::Cylinder, &settings).unwrap();
    let grown = grow(&scan, &patch, &first, &settings, &GrowSettings::default()).unwrap();
    let heights: Vec<f64> = grown.patch.points.iter().map(|&i| scan.points()[i as usize].z).collect();
    let (low, high) = heights.iter().fold((f64::MAX, f64::MIN), |(l, h), &z| (l.min(z), h.max(z)));
    assert!(low < -19.5, "the bottom is reached: {low}");
    // The fillet's first 0.4 mm of height are within 0.04 mm of the bore, twice the noise.
    assert!(high < 0.45, "stopped at the fillet: {high}");
    assert!(grown.patch.points.len() > 12_000, "{} of 12 960 points", grown.patch.points.len());
    assert!(grown.feature.extent.arc > 6.2, "{}", grown.feature.extent.arc);
    assert!((grown.feature.shape.radius().unwrap() - 8.0).abs() < 0.001);
    assert!(!grown.patch.facets.is_empty());
}
