//! Growth over a synthetic bore with a filleted mouth and a flat face, as a mesh.

use stringline_core::Point3;
use stringline_fit::{FitSettings, GrowSettings, Kind, fit, grow};
use stringline_scan::{Dab, Geometry, Mesh, Scan};

/// A bore of radius 8 along z from −20 to 0, a fillet of radius 2 at its mouth, then a face at z = 2.
/// Deterministic noise of ±0.02 mm along the normal.
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
    for (row, [r, z, nr, nz]) in profile.iter().enumerate() {
        for k in 0..around {
            let a = std::f64::consts::TAU * k as f64 / around as f64;
            let wave = 0.02 * (12.9898 * row as f64 + 78.233 * k as f64).sin();
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
    assert!(grown.patch.points.len() > 10_000 && grown.feature.extent.arc > 6.2);
    assert!((grown.feature.shape.radius().unwrap() - 8.0).abs() < 0.001);
    assert!(!grown.patch.facets.is_empty());
}
