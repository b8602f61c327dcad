//! Loading five million triangles: binary STL (welded) and binary PLY, from a file the system has
//! in memory. The goals and the peers' figures stand in `docs/performance.md`.

#![allow(clippy::unwrap_used, reason = "a bench that cannot write its file must stop")]

use std::f64::consts::TAU;
use std::fs::File;
use std::path::Path;

use criterion::{Criterion, criterion_group, criterion_main};
use stringline_scan::read::{ReadSettings, read};
use stringline_scan::write::{self, Precision};
use stringline_scan::{Geometry, Mesh, Point3};

/// An invented closed surface, a wavy ring, its rows one after another as meshing leaves them.
fn wavy_ring(along: u32, around: u32) -> Mesh {
    let mut mesh = Mesh::default();
    for i in 0..along {
        let u = TAU * f64::from(i) / f64::from(along);
        for j in 0..around {
            let v = TAU * f64::from(j) / f64::from(around);
            let r = 20.0 + 0.5 * (60.0 * u).sin() * (9.0 * v).cos();
            let ring = 80.0 + r * v.cos();
            mesh.vertices.push(Point3::new(ring * u.cos(), ring * u.sin(), r * v.sin()));
            let at = |di: u32, dj: u32| (i + di) % along * around + (j + dj) % around;
            let quad = [at(0, 0), at(1, 0), at(1, 1), at(0, 1)];
            mesh.facets.push([quad[0], quad[1], quad[2]]);
            mesh.facets.push([quad[0], quad[2], quad[3]]);
        }
    }
    mesh
}

fn load(path: &Path) -> usize {
    let name = path.to_string_lossy();
    let scan = read(File::open(path).unwrap(), &name, &ReadSettings::default()).unwrap();
    assert_eq!(scan.repairs.degenerate_facets + scan.repairs.duplicate_facets, 0);
    scan.geometry.points().len()
}

fn bench(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().unwrap();
    let (stl, ply) = (folder.path().join("ring.stl"), folder.path().join("ring.ply"));
    let mesh = wavy_ring(2500, 1000);
    write::stl(&mesh, &mut File::create(&stl).unwrap()).unwrap();
    let vertices = mesh.vertices.len();
    let geometry = Geometry::Mesh(mesh);
    write::ply(&geometry, Precision::Single, &mut File::create(&ply).unwrap()).unwrap();
    drop(geometry);

    let mut group = criterion.benchmark_group("load 5 M triangles");
    group.sample_size(10);
    group.bench_function("binary STL, welded", |b| b.iter(|| assert_eq!(load(&stl), vertices)));
    group.bench_function("binary PLY", |b| b.iter(|| assert_eq!(load(&ply), vertices)));
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
