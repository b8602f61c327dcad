//! Smallest distances of a wheel from an arm of a million facets and a chassis of two million over 141 locks and
//! 9 travels, and building the bodies. Run with `cargo bench -p stringline-clearance --bench distance`.

use criterion::{Criterion, criterion_group, criterion_main};
use rayon::prelude::*;
use std::f64::consts::TAU;
use std::hint::black_box;
use stringline_clearance::{Body, RimSettings, TyreSettings, Wheel, distance, wheel_distance};
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_scan::Mesh;

/// Even over ±1 and the same every time.
fn wobble(i: usize) -> f64 {
    let mut x = (i as u64).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// A surface of `n` by `m` squares, closed round the first way, scattered by ± 0.03 mm.
fn surface(n: u32, m: u32, at: impl Fn(f64, f64) -> Point3) -> Mesh {
    let mut mesh = Mesh::default();
    for (i, j) in (0..n).flat_map(|i| (0..=m).map(move |j| (i, j))) {
        let k = 3 * mesh.vertices.len();
        let noise = Vec3::new(wobble(k), wobble(k + 1), wobble(k + 2)) * 0.03;
        mesh.vertices.push(at(TAU * f64::from(i) / f64::from(n), f64::from(j) / f64::from(m)) + noise);
    }
    let id = |i: u32, j: u32| (i % n) * (m + 1) + j;
    for (i, j) in (0..n).flat_map(|i| (0..m).map(move |j| (i, j))) {
        let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
        mesh.facets.extend([[a, b, c], [a, c, d]]);
    }
    mesh
}

/// A bent ring inboard of the wheel.
fn arm() -> Mesh {
    surface(1000, 500, |s, v| {
        let r = 20.0 + 3.0 * (5.0 * s).sin();
        let q = 150.0 + r * (TAU * v).cos();
        Point3::new(q * s.cos(), q * s.sin() * 0.8, r * (TAU * v).sin() + 10.0 * (3.0 * s).sin())
    })
}

/// A wheel house round it.
fn chassis() -> Mesh {
    surface(2000, 500, |s, v| {
        let r = 430.0 + 5.0 * (40.0 * s).sin();
        Point3::new(r * s.cos(), (v - 0.5) * 900.0 + 3.0 * (30.0 * v).sin(), r * s.sin())
    })
}

/// The wheel, its centre 300 mm outboard of the arm, steered about an axis 90 mm inboard of that.
fn pose(lock: u32, travel: u32) -> RigidTransform {
    let steer = (f64::from(lock) - 70.0).to_radians();
    RigidTransform::translation(30.0, 300.0, 40.0 + 10.0 * (f64::from(travel) - 4.0))
        * RigidTransform::rotation(Vec3::z() * steer)
        * RigidTransform::translation(0.0, 90.0, 0.0)
}

fn distances(c: &mut Criterion) {
    let rim = RimSettings::default();
    let Ok(wheel) = Wheel::from_size("205/50R16", 6.5 * 25.4, 35.0, &TyreSettings::default(), &rim) else { return };
    let (arm, chassis) = (arm(), chassis());
    let mut group = c.benchmark_group("distance");
    group.sample_size(10);
    group.bench_function("a body of 1 M facets", |b| b.iter(|| Body::from_mesh(black_box(&arm)).map(|b| b.len())));
    let bodies = [Body::from_mesh(&arm), Body::from_mesh(&chassis), Body::from_mesh(&wheel.mesh(3000))];
    let [Ok(arm), Ok(chassis), Ok(faceted)] = bodies else { return };
    group.bench_function("141 poses, wheel as it is, 1 M facets, one core", |b| {
        b.iter(|| {
            let mut last = None;
            (0..141).for_each(|k| last = wheel_distance(&wheel, black_box(&arm), &pose(k, 4), 1e3, last.as_ref()));
            last
        });
    });
    group.bench_function("141 poses, wheel of 0.8 M facets, 1 M facets, one core", |b| {
        b.iter(|| {
            let mut last = None;
            (0..141).for_each(|k| last = distance(&faceted, black_box(&arm), &pose(k, 4), 1e3, last.as_ref()));
            last
        });
    });
    let house = RigidTransform::translation(-30.0, -390.0, -40.0);
    group.bench_function("141 × 9 states, wheel, arm of 1 M and chassis of 2 M facets, all cores", |b| {
        b.iter(|| {
            let rows = (0..9u32).into_par_iter().map(|travel| {
                let (mut near_arm, mut near_house, mut least) = (None, None, f64::INFINITY);
                for lock in 0..141 {
                    let at = pose(lock, travel);
                    near_arm = wheel_distance(&wheel, &arm, &at, 1e3, near_arm.as_ref());
                    near_house = wheel_distance(&wheel, &chassis, &(house * at), 1e3, near_house.as_ref());
                    let gaps = [&near_arm, &near_house].map(|c| c.map_or(f64::INFINITY, |c| c.gap));
                    least = least.min(gaps[0]).min(gaps[1]);
                }
                least
            });
            rows.collect::<Vec<_>>()
        });
    });
    group.finish();
}

criterion_group!(benches, distances);
criterion_main!(benches);
