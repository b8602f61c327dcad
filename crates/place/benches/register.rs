//! A knuckle scanned twice, a million points each, brought together from 3° and 5 mm off, as bare points
//! and as meshes; and forty markers matched. Run with `cargo bench -p stringline-place`.

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use nalgebra::UnitQuaternion;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_place::{MatchSettings, SurfaceSettings, match_markers, register};
use stringline_scan::{Cloud, Geometry, Mesh, Scan};
use stringline_testkit::kestrel::{Noise, Part, ScanSettings, scan};

/// In the car's axes; the second one turned by 3° about its middle and shifted by 5 mm.
fn twice() -> [Geometry; 2] {
    let model = Part::Knuckle.model();
    let noise = Noise { sigma: 0.03, correlated_share: 0.0, correlation_length: 1.0 };
    [1, 2].map(|seed| {
        let scan = scan(Part::Knuckle, &model, &ScanSettings { seed, noise, triangles: Some(2_000_000) });
        let off = if seed == 1 {
            RigidTransform::identity()
        } else {
            let points = scan.geometry.points();
            let sum: Vec3 = points.iter().map(|p| (scan.car_from_scan * p).coords).sum();
            let middle = Point3::from(sum / points.len() as f64);
            let turn = UnitQuaternion::from_scaled_axis(Vec3::new(1.0, 2.0, -1.5).normalize() * 3.0_f64.to_radians());
            RigidTransform::from_parts((middle - turn * middle + Vec3::new(3.0, -3.0, 2.646)).into(), turn)
        };
        let place = off * scan.car_from_scan;
        let points = scan.geometry.points().iter().map(|p| place * p).collect();
        match scan.geometry {
            Geometry::Mesh(mesh) => Geometry::Mesh(Mesh { vertices: points, facets: mesh.facets }),
            Geometry::Cloud(_) => Geometry::Cloud(Cloud { points, normals: Vec::new() }),
        }
    })
}

fn bare(geometry: &Geometry) -> Geometry {
    Geometry::Cloud(Cloud { points: geometry.points().to_vec(), normals: Vec::new() })
}

fn place(source: &Scan, target: &Scan) -> f64 {
    let fit = register(source, target, &RigidTransform::identity(), &SurfaceSettings::default(), |_| true);
    fit.map_or(f64::NAN, |fit| fit.rms)
}

fn registration(c: &mut Criterion) {
    let mut group = c.benchmark_group("register");
    group.sample_size(10);
    let [target, source] = twice();
    let made = || [bare(&source), bare(&target)];
    group.bench_function("1 M on 1 M points, from bare points", |b| {
        b.iter_batched(made, |[source, target]| place(&Scan::new(source), &Scan::new(target)), BatchSize::PerIteration);
    });
    let (clouds, meshes) = (made().map(Scan::new), [source, target].map(Scan::new));
    group.bench_function("1 M on 1 M points, scans ready", |b| b.iter(|| place(&clouds[0], &clouds[1])));
    group.bench_function("meshes of 2 M facets, scans ready", |b| b.iter(|| place(&meshes[0], &meshes[1])));
    group.finish();
}

fn markers(c: &mut Criterion) {
    // Forty markers without pattern on a part of 300 mm.
    let at = |i: u32, k: f64| (f64::from(i) * k).fract();
    let places: Vec<Point3> = (1..=40)
        .map(|i| Point3::new(300.0 * at(i, 0.819_172), 240.0 * at(i, 0.671_044), 160.0 * at(i, 0.549_700)))
        .collect();
    let place = RigidTransform::new(Vec3::new(9.0, 8.0, 7.0), Vec3::new(0.5, 1.0, 2.0));
    let turned: Vec<Point3> = places.iter().rev().map(|p| place * p).collect();
    c.bench_function("match 40 markers", |b| b.iter(|| match_markers(&places, &turned, &MatchSettings::default())));
}

criterion_group!(benches, registration, markers);
criterion_main!(benches);
