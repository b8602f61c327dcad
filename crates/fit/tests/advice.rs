//! Painting as advised must make what was least known better known, and clearly more so than
//! painting the same place again.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::f64::consts::{FRAC_PI_2, PI, TAU};
use stringline_core::Vec3;
use stringline_fit::advice::{Place, Unsure};
use stringline_fit::{Advice, Enough, Feature, FitSettings, Kind, Verdict, advice, advice_weighed, fit, fit_auto};
use stringline_testkit::patches::{Case, Painted};

const TIGHT: Enough = Enough { length: 1e-3, angle: 1e-5 };

fn round(half_angle: f64, length: f64, arcs: Vec<[f64; 2]>) -> Painted {
    Painted::Round { radius: 9.0, half_angle, length, arcs }
}

/// The feature of a patch, and the mean of its points.
fn fitted(painted: &Painted, points: usize, seed: u64) -> (Feature, Vec3) {
    let case = Case { name: "", painted: painted.clone(), points, sigma: 0.03 };
    let patch = case.simulate(seed, None);
    let mean = patch.points.iter().map(|p| p.coords).sum::<Vec3>() / patch.points.len() as f64;
    (fit(&patch.points, &patch.normals, painted.kind(), &FitSettings::default()).unwrap(), mean)
}

/// The ± at 95 % of what was unsure, as the advice states it.
fn stated(feature: &Feature, unsure: Unsure) -> f64 {
    // Limits so tight for the one and so wide for the other that the advice is on it or there is none.
    let wide = |tight: bool| if tight { 1e-12 } else { 1e12 };
    let is_length = matches!(unsure, Unsure::Position | Unsure::Radius);
    let c = &feature.covariance;
    let nu = feature.noise.degrees_of_freedom;
    let k = |d: usize| stringline_core::covariance::coverage_factor(d, nu);
    let scalars = if feature.shape.direction().is_some() { 6 } else { 3 };
    match unsure {
        Unsure::Radius => k(1) * c[(scalars, scalars)].sqrt(),
        Unsure::HalfAngle => k(1) * c[(scalars + 1, scalars + 1)].sqrt(),
        _ => advice(feature, &Enough { length: wide(is_length), angle: wide(!is_length) })
            .map_or(0.0, |a| a.u95.unwrap()),
    }
}

/// Follows the advice on a patch with another one, of the density of the first, and compares with
/// as many points more on the first.
fn follow(before: &Painted, expected: Unsure, place: Place, after: &Painted, grown: f64, better: f64) -> Advice {
    let points = 400;
    let mut first = None;
    for seed in 0..8 {
        let (feature, _) = fitted(before, points, seed);
        let said = advice(&feature, &TIGHT).unwrap();
        assert_eq!((said.unsure, said.place), (expected, place), "{before:?}: {said}");
        let more = (grown * points as f64) as usize;
        let advised = stated(&fitted(after, more, seed).0, expected);
        let again = stated(&fitted(before, more, seed).0, expected);
        let was = said.u95.unwrap();
        assert!(advised < better * was, "{said}: {was} became {advised}");
        assert!(advised < 0.8 * again, "{said}: {advised}, and {again} without moving");
        first = first.or(Some(said));
    }
    first.unwrap()
}

#[test]
fn a_bore_painted_on_one_side_wants_the_far_side() {
    let near = round(0.0, 20.0, vec![[-PI / 4.0, FRAC_PI_2]]);
    let both = round(0.0, 20.0, vec![[-PI / 4.0, FRAC_PI_2], [0.75 * PI, FRAC_PI_2]]);
    let enough = Enough { length: 1e-3, angle: 1.0 };
    for seed in 0..8 {
        let (feature, mean) = fitted(&near, 400, seed);
        let said = advice(&feature, &enough).unwrap();
        assert_eq!((said.unsure, said.place), (Unsure::Position, Place::FarSide));
        // It points away from what is painted.
        let painted = (mean - feature.shape.point().coords).normalize();
        assert!(said.towards.unwrap().dot(&painted) < -0.95, "{said:?}");
        let after = stated(&fitted(&both, 800, seed).0, Unsure::Position);
        let again = stated(&fitted(&near, 800, seed).0, Unsure::Position);
        assert!(after < 0.4 * said.u95.unwrap() && after < 0.5 * again, "{said}: {after}, {again}");
        assert!(said.paint.contains("far side"));
    }
}

#[test]
fn a_narrow_strip_along_a_bore_wants_its_sides() {
    let strip = round(0.0, 20.0, vec![[-PI / 8.0, PI / 4.0]]);
    let wide = round(
        0.0,
        20.0,
        vec![[-PI / 8.0 - FRAC_PI_2, PI / 4.0], [-PI / 8.0, PI / 4.0], [-PI / 8.0 + FRAC_PI_2, PI / 4.0]],
    );
    // The strip's direction only: its place wants the far side.
    let enough = Enough { length: 10.0, angle: 1e-5 };
    for seed in 0..8 {
        let (feature, mean) = fitted(&strip, 400, seed);
        let said = advice(&feature, &enough).unwrap();
        assert_eq!((said.unsure, said.place), (Unsure::Direction, Place::Sides), "{said}");
        // Sideways of what is painted, and across the axis.
        let painted = (mean - feature.shape.point().coords).normalize();
        let way = said.towards.unwrap();
        assert!(way.dot(&painted).abs() < 0.2 && way.dot(&feature.shape.direction().unwrap()).abs() < 1e-6);
        let after = stated(&fitted(&wide, 1200, seed).0, Unsure::Direction);
        let again = stated(&fitted(&strip, 1200, seed).0, Unsure::Direction);
        assert!(after < 0.35 * said.u95.unwrap() && after < 0.5 * again, "{said}: {after}, {again}");
    }
}

#[test]
fn a_short_ring_wants_length() {
    let full = || vec![[0.0, TAU]];
    let said = follow(&round(0.0, 4.0, full()), Unsure::Direction, Place::Along, &round(0.0, 12.0, full()), 3.0, 0.3);
    assert!(said.paint.contains("whole length") && said.free.contains("tip"), "{said}");
    let said = follow(&round(0.0, 16.0, full()), Unsure::Direction, Place::Along, &round(0.0, 32.0, full()), 2.0, 0.5);
    assert!(said.paint.starts_with("paint farther along the "), "{said}");
}

#[test]
fn a_taper_painted_on_one_side_wants_the_far_side() {
    let psi = 0.0624;
    follow(
        &round(psi, 16.0, vec![[-0.6, 1.2]]),
        Unsure::Direction,
        Place::FarSide,
        &round(psi, 16.0, vec![[-0.6, 1.2], [PI - 0.6, 1.2]]),
        2.0,
        0.6,
    );
}

#[test]
fn a_strip_of_a_face_wants_width() {
    let strip = Painted::Plane { sides: [40.0, 4.0] };
    let said = follow(&strip, Unsure::Direction, Place::Across, &Painted::Plane { sides: [40.0, 12.0] }, 3.0, 0.3);
    assert!(said.to_string().starts_with("paint farther across the face, the narrow way: the face is free to tip"));
}

#[test]
fn a_cap_of_a_ball_wants_the_far_side() {
    let cap = |half_width: f64| Painted::Cap { radius: 10.0, half_width };
    for seed in 0..8 {
        let (feature, mean) = fitted(&cap(0.5), 400, seed);
        let said = advice(&feature, &TIGHT).unwrap();
        assert_eq!((said.unsure, said.place), (Unsure::Position, Place::FarSide), "{said}");
        let painted = (mean - feature.shape.point().coords).normalize();
        assert!(said.towards.unwrap().dot(&painted) < -0.95);
        // Round to the equator: the area grows by 1/(1 − cos 0.5).
        let after = stated(&fitted(&cap(FRAC_PI_2), 3200, seed).0, Unsure::Position);
        let again = stated(&fitted(&cap(0.5), 3200, seed).0, Unsure::Position);
        assert!(after < 0.25 * again, "{said}: {after}, {again}");
    }
}

#[test]
fn a_well_painted_bore_needs_nothing() {
    let bore = round(0.0, 20.0, vec![[0.0, TAU]]);
    for seed in 0..8 {
        assert_eq!(advice(&fitted(&bore, 3000, seed).0, &Enough::default()), None);
    }
}

#[test]
fn what_cannot_be_told_is_told_first() {
    let ring = Case { name: "", painted: round(0.0, 0.8, vec![[0.0, TAU]]), points: 40, sigma: 0.03 };
    let patch = ring.simulate(3, None);
    let weighed = fit_auto(&patch.points, &[], &FitSettings::default()).unwrap();
    assert!(matches!(weighed.verdict, Verdict::CannotTell(_)));
    let said = advice_weighed(&weighed, &Enough::default()).unwrap();
    assert_eq!((said.unsure, said.u95), (Unsure::Shape, None));
    assert!(said.free.starts_with("it may be a ") && said.free.contains(Kind::Cylinder.word()), "{said}");
    let bore = Case { name: "", painted: round(0.0, 20.0, vec![[0.0, TAU]]), points: 3000, sigma: 0.03 };
    let patch = bore.simulate(3, None);
    let weighed = fit_auto(&patch.points, &[], &FitSettings::default()).unwrap();
    assert_eq!(advice_weighed(&weighed, &Enough::default()), None);
}
