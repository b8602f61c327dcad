//! A gap map of a million points to a mesh of a million facets, all within 1 mm. Run with
//! `cargo bench -p stringline-clearance`.

use criterion::{Criterion, criterion_group, criterion_main};
use std::f64::consts::TAU;
use std::hint::black_box;
use stringline_clearance::gap_map;
use stringline_core::RigidTransform;
use stringline_scan::{Cloud, Geometry, Mesh, Point3, Scan};

/// Even over ±1 and the same every time.
fn wobble(i: usize) -> f64 {
    let mut x = (i as u64).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// A torus of 77,400 mm², scattered by ± 0.03 mm, moved out of its surface by `off`.
fn torus(around: usize, across: usize, off: f64) -> Mesh {
    let mut mesh = Mesh::default();
    for i in 0..around {
        let u = TAU * i as f64 / around as f64;
        for j in 0..across {
            let v = TAU * j as f64 / across as f64;
            let r = 28.0 + off + 0.03 * wobble(mesh.vertices.len());
            let q = 70.0 + r * v.cos();
            mesh.vertices.push(Point3::new(q * u.cos(), q * u.sin(), r * v.sin()));
        }
    }
    let id = |i: usize, j: usize| ((i % around) * across + j % across) as u32;
    for i in 0..around {
        for j in 0..across {
            let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
            mesh.facets.extend([[a, b, c], [a, c, d]]);
        }
    }
    mesh
}

fn gap(c: &mut Criterion) {
    let mut group = c.benchmark_group("gap");
    group.sample_size(10);
    let against = Scan::new(Geometry::Mesh(torus(1120, 450, 0.0)));
    let same = RigidTransform::identity();
    for off in [0.1, 0.5, 0.9] {
        let points = torus(1500, 667, off).vertices;
        let cloud = Scan::new(Geometry::Cloud(Cloud { normals: vec![], points }));
        group.bench_function(format!("1 M points {off} mm off a mesh of 1 M facets"), |b| {
            b.iter(|| gap_map(&cloud, black_box(&against), &same, 1.0, |_| true).map(|map| map.within));
        });
    }
    group.finish();
}

criterion_group!(benches, gap);
criterion_main!(benches);
