//! How long a picture of a large scan takes: `cargo bench -p stringline-picture`.

use criterion::{Criterion, criterion_group, criterion_main};
use std::f64::consts::TAU;
use std::hint::black_box;
use stringline_core::{Point3, Vec3};
use stringline_picture::{PictureSettings, ScanLayer, Scene, View, render};
use stringline_scan::{Cloud, Geometry, Mesh};

/// A torus of 2·`around`·`about` facets whose surface ripples like a casting's.
fn torus(around: u32, about: u32) -> Mesh {
    let mut mesh = Mesh::default();
    for i in 0..around {
        let u = TAU * f64::from(i) / f64::from(around);
        for j in 0..about {
            let v = TAU * f64::from(j) / f64::from(about);
            let r = 30.0 + 0.05 * (40.0 * u).sin() * (23.0 * v).sin();
            let ring = Vec3::new(u.cos(), u.sin(), 0.0);
            mesh.vertices.push(Point3::from(ring * (80.0 + r * v.cos()) + Vec3::z() * (r * v.sin())));
        }
    }
    let at = |i: u32, j: u32| (i % around) * about + j % about;
    for i in 0..around {
        for j in 0..about {
            mesh.facets.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
            mesh.facets.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
        }
    }
    mesh
}

fn bench(c: &mut Criterion) {
    let mesh = torus(1600, 625);
    let cloud = Geometry::Cloud(Cloud { points: mesh.vertices.clone(), normals: Vec::new() });
    let mesh = Geometry::Mesh(mesh);
    let mut group = c.benchmark_group("picture");
    group.sample_size(10);
    for (name, geometry) in [("2 M facets", &mesh), ("1 M points", &cloud)] {
        let mut scene = Scene::new(name);
        scene.layers.push(ScanLayer::new(geometry));
        let settings = PictureSettings { view: View::Isometric, ..PictureSettings::default() };
        group.bench_function(name, |b| b.iter(|| render(black_box(&scene), &settings)));
    }
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
