//! How long it takes to index a scan and to paint on it: 2.5 million points, 5 million facets
//! on a torus of 77,400 mm² with 0.03 mm of noise. Run with
//! `cargo bench -p stringline-scan --bench surface`.

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use rayon::prelude::*;
use std::hint::black_box;
use stringline_scan::index::Index;
use stringline_scan::order::z_order;
use stringline_scan::{Cloud, Dab, Geometry, Mesh, Point3, Scan, UnitVec3, Vec3, normals};

/// The torus' radii, mm: its area is 4π²·70·28.
const RADII: [f64; 2] = [70.0, 28.0];

/// Even over ±1 and the same every time.
fn wobble(i: usize) -> f64 {
    let mut x = (i as u64).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// An invented closed surface.
fn torus() -> Mesh {
    let (around, across) = (2500, 1000);
    let mut mesh = Mesh::default();
    for i in 0..around {
        let u = std::f64::consts::TAU * f64::from(i) / f64::from(around);
        for j in 0..across {
            let v = std::f64::consts::TAU * f64::from(j) / f64::from(across);
            let n = mesh.vertices.len();
            // Three even numbers make a bell of standard deviation 1.
            let r = RADII[1] + 0.03 * (wobble(3 * n) + wobble(3 * n + 1) + wobble(3 * n + 2));
            let q = RADII[0] + r * v.cos();
            mesh.vertices.push(Point3::new(q * u.cos(), q * u.sin(), r * v.sin()));
        }
    }
    let id = |i: i32, j: i32| ((i % around) * across + j % across) as u32;
    for i in 0..around {
        for j in 0..across {
            let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
            mesh.facets.extend([[a, b, c], [a, c, d]]);
        }
    }
    mesh
}

fn shuffled<T: Copy>(items: &[T]) -> Vec<T> {
    let mut order: Vec<usize> = (0..items.len()).collect();
    order.par_sort_unstable_by(|&a, &b| wobble(a).total_cmp(&wobble(b)));
    order.into_iter().map(|i| items[i]).collect()
}

fn surface(c: &mut Criterion) {
    let mut group = c.benchmark_group("surface");
    group.sample_size(10);
    let mesh = torus();
    let random = shuffled(&mesh.vertices);

    group.bench_function("index/build 2.5 M, mesh order", |b| {
        b.iter(|| Index::new(black_box(&mesh.vertices)));
    });
    group.bench_function("index/build 2.5 M, random order", |b| {
        b.iter(|| Index::new(black_box(&random)));
    });
    let index = Index::new(&mesh.vertices);
    group.bench_function("index/1 M × 16 nearest of 2.5 M, random order", |b| {
        b.iter(|| {
            random[..1_000_000].par_iter().with_min_len(1024).map(|p| index.k_nearest(p, 16).len()).sum::<usize>()
        });
    });
    drop(index);
    // A scan puts a cloud in this order before it estimates normals.
    group.bench_function("order/2.5 M points in random order", |b| {
        b.iter(|| z_order(black_box(&random)));
    });
    let ordered: Vec<Point3> = z_order(&random).iter().map(|&i| random[i as usize]).collect();
    let index = Index::new(&ordered);
    group.bench_function("normals/2.5 M points, 16 nearest", |b| {
        b.iter(|| normals::of_cloud(&ordered, &index));
    });
    drop(index);

    let ready = |geometry: Geometry| move || geometry.clone();
    let whole = Geometry::Mesh(mesh);
    group.bench_function("scan/new, mesh of 5 M facets", |b| {
        b.iter_batched(ready(whole.clone()), Scan::new, BatchSize::PerIteration);
    });
    let cloud = |normals| Geometry::Cloud(Cloud { points: random.clone(), normals });
    group.bench_function("scan/new, bare cloud of 2.5 M in random order", |b| {
        b.iter_batched(ready(cloud(vec![])), Scan::new, BatchSize::PerIteration);
    });

    let on_top = Point3::new(RADII[0], 0.0, RADII[1]);
    for (name, geometry) in [("mesh of 5 M facets", whole), ("bare cloud of 2.5 M", cloud(vec![]))] {
        let scan = Scan::new(geometry);
        let hits = scan.within(&on_top, 6.0).len();
        group.bench_function(format!("ball/6 mm ({hits} hits), {name}"), |b| {
            b.iter(|| scan.within(black_box(&on_top), 6.0));
        });
        let dab = [Dab::new(on_top, 6.0)];
        group.bench_function(format!("dab/6 mm ({hits} hits), {name}"), |b| {
            b.iter(|| scan.paint(black_box(&dab)));
        });
        group.bench_function(format!("pieces/of 65,000, {name}"), |b| b.iter(|| scan.pieces(65_000).len()));
        group.bench_function(format!("coarse/400,000 and 50,000, {name}"), |b| {
            b.iter(|| scan.coarse(&[400_000, 50_000]).len());
        });
        // From afar on to the whole torus, and along its top where the ray stays near the surface.
        let rays: Vec<(Point3, UnitVec3)> = (0..400)
            .map(|i| {
                let eye = Point3::new(300.0 * wobble(3 * i), 300.0 * wobble(3 * i + 1), 400.0);
                let aim = Point3::new(90.0 * wobble(3 * i + 2), 90.0 * wobble(7 * i), 0.0);
                (eye, UnitVec3::new_normalize(aim - eye))
            })
            .collect();
        let skim = (Point3::new(-400.0, 75.0, RADII[1] - 0.25), UnitVec3::new_normalize(Vec3::x()));
        group.bench_function(format!("hit/400 rays from afar, {name}"), |b| {
            b.iter(|| black_box(&rays).iter().filter(|(o, d)| scan.hit(o, d).is_some()).count());
        });
        group.bench_function(format!("hit/one ray that skims the surface, {name}"), |b| {
            b.iter(|| scan.hit(black_box(&skim.0), &skim.1));
        });
    }
    group.finish();
}

criterion_group!(benches, surface);
criterion_main!(benches);
