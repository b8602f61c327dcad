//! Goals: a cylinder through 20 000 points with 20 % outliers in under 0.03 s, a taper in under 0.05 s, with their ±.
#![allow(missing_docs, reason = "criterion's macros make public items")]

use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use stringline_fit::{FitSettings, fit, fit_auto};
use stringline_testkit::patches::{Beyond, Case, Painted};

fn round(name: &'static str, radius: f64, half_angle: f64, arc_deg: f64) -> Case {
    Case {
        name,
        painted: Painted::Round { radius, half_angle, length: 20.0, arcs: vec![[0.0, arc_deg.to_radians()]] },
        points: 16_000,
        sigma: 0.03,
    }
}

fn fits(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("20k points, 20 % off");
    group.sample_size(10);
    for case in [
        round("cylinder, 120° arc, R 36", 36.0, 0.0, 120.0),
        round("cylinder, 90° arc, R 28", 28.0, 0.0, 90.0),
        round("cylinder, full, R 4.25", 4.25, 0.0, 360.0),
        round("taper 1:7, full, R 8", 8.0, (0.5f64 / 7.0).atan(), 360.0),
    ] {
        let patch = case.simulate(1, Some((Beyond::Face, 0.2)));
        let kind = case.painted.kind();
        group.bench_function(case.name, |b| {
            b.iter(|| fit(black_box(&patch.points), black_box(&patch.normals), kind, &FitSettings::default()));
        });
    }
    let patch = round("bore", 7.0, 0.0, 360.0).simulate(1, Some((Beyond::Fillet, 0.2)));
    group.bench_function("which shape, full bore R 7", |b| {
        b.iter(|| fit_auto(black_box(&patch.points), black_box(&patch.normals), &FitSettings::default()));
    });
    group.finish();
}

criterion_group!(benches, fits);
criterion_main!(benches);
