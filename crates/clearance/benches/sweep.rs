//! A wheel swept past an arm of a million triangles and a chassis of two million, over 141 locks and 9 travels: the goal is
//! 2 s on two cores.

use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use std::sync::Arc;
use stringline_clearance::{Body, Pair, Part, RimSettings, Shape, Stop, SweepSettings, TyreSettings, Wheel, sweep};
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};
use stringline_scan::Mesh;

/// A bar of `around` × `along` quads, a little wavy so that no two of its facets are alike.
fn bar(mesh: &mut Mesh, from: Point3, to: Point3, radius: f64, around: u32, along: u32) {
    let axis = UnitVec3::new_normalize(to - from);
    let (u, v) = frame_about(&axis);
    let first = mesh.vertices.len() as u32;
    for i in 0..=along {
        let t = f64::from(i) / f64::from(along);
        for j in 0..around {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(j) / f64::from(around)).sin_cos();
            let r = radius + 0.3 * (40.0 * t + 9.0 * sin).sin();
            mesh.vertices.push(from + (to - from) * t + (u * cos + v * sin) * r);
        }
    }
    let at = |i: u32, j: u32| first + i * around + j % around;
    for i in 0..along {
        for j in 0..around {
            mesh.facets
                .extend([[at(i, j), at(i, j + 1), at(i + 1, j + 1)], [at(i, j), at(i + 1, j + 1), at(i + 1, j)]]);
        }
    }
}

/// Like the Kestrel's: two legs from the ball inboard; rails, tower and bar of a chassis round the wheel.
fn parts() -> Vec<Part> {
    let p = Point3::new;
    let (mut arm, mut chassis) = (Mesh::default(), Mesh::default());
    bar(&mut arm, p(13.0, 680.0, 196.0), p(186.0, 366.0, 214.0), 16.0, 360, 695);
    bar(&mut arm, p(8.0, 680.0, 196.0), p(-56.0, 352.0, 220.0), 17.0, 360, 695);
    for (from, to, r) in [
        (p(-500.0, 400.0, 330.0), p(500.0, 400.0, 330.0), 45.0),
        (p(-60.0, 470.0, 350.0), p(-31.0, 560.0, 842.0), 70.0),
        (p(60.0, 470.0, 350.0), p(-31.0, 560.0, 842.0), 70.0),
        (p(-300.0, 100.0, 255.0), p(-116.0, 420.0, 255.0), 30.0),
    ] {
        bar(&mut chassis, from, to, r, 500, 500);
    }
    let wheel =
        Wheel::from_size("205/50R16", 165.1, 38.0, &TyreSettings::default(), &RimSettings::default()).expect("a wheel");
    let body = |mesh: &Mesh| Shape::Body(Body::from_mesh(mesh).expect("a body"));
    vec![
        Part::new("wheel", Shape::Wheel(Arc::new(wheel))),
        Part::new("arm", body(&arm)),
        Part::new("chassis", body(&chassis)),
    ]
}

/// About the steering axis, and up; the arm swings half as far as its end rises.
fn at(lock: f64, travel: f64) -> Result<Vec<RigidTransform>, Stop> {
    let ball = Vec3::new(13.0, 690.0, 206.0);
    let axis = UnitVec3::new_normalize(Vec3::new(-44.0, -130.0, 636.0));
    let about = |point: Vec3, turn: Vec3| {
        RigidTransform::translation(point.x, point.y, point.z)
            * RigidTransform::rotation(turn)
            * RigidTransform::translation(-point.x, -point.y, -point.z)
    };
    let up = RigidTransform::translation(0.0, 0.0, travel);
    let wheel = RigidTransform::translation(0.0, 734.9, 295.0);
    let arm = about(Vec3::new(-56.0, 352.0, 220.0), Vec3::x() * (travel / 340.0));
    Ok(vec![up * about(ball, axis.into_inner() * lock) * wheel, arm, RigidTransform::identity()])
}

fn sweeps(c: &mut Criterion) {
    let parts = parts();
    let pairs = [Pair { a: 0, b: 1, wanted: 8.0 }, Pair { a: 0, b: 2, wanted: 8.0 }];
    let settings = SweepSettings::grid(70.0, 1.0, [-60.0, 60.0], 9);
    let mut group = c.benchmark_group("sweep");
    group.sample_size(10);
    group.bench_function("141 locks, 9 travels, wheel against 1 M and 2 M triangles", |b| {
        b.iter(|| black_box(sweep(&parts, &pairs, &at, &settings, |_| true)).expect("a sweep"));
    });
    group.finish();
}

criterion_group!(benches, sweeps);
criterion_main!(benches);
