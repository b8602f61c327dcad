//! Distances and angles: values against closed forms, ± against simulation (JCGM 101).

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::*;
use nalgebra::{DMatrix, DVector, Vector3};
use proptest::prelude::*;
use std::f64::consts::FRAC_PI_2;
use stringline_core::Point3;
use stringline_fit::{Feature, Shape};
use stringline_hardpoints::{
    Between, Constructed, Construction, ConstructionError, Datum, Inputs, Measurement, Note, Sources, place_feature,
};

fn exact(named: &[(&str, Datum)]) -> Inputs {
    let mut inputs = Inputs::default();
    for (name, datum) in named {
        inputs.add_constructed(*name, Constructed::new(*datum, Sources::new())).unwrap();
    }
    inputs
}

fn point(x: f64, y: f64, z: f64) -> Datum {
    Datum::Point { position: Point3::new(x, y, z) }
}

fn axis(at: [f64; 3], along: [f64; 3]) -> Datum {
    Datum::Axis { position: at.into(), direction: unit(along[0], along[1], along[2]) }
}

fn face(at: [f64; 3], normal: [f64; 3]) -> Datum {
    Datum::Face { position: at.into(), normal: unit(normal[0], normal[1], normal[2]) }
}

fn components(m: &Measurement) -> Vector3<f64> {
    Vector3::from(m.components.unwrap().map(|c| c.value))
}

/// Every pair of sorts, by hand, and the other way round.
#[test]
fn values_are_those_of_closed_forms() {
    let slope = 4f64.to_radians();
    let cases = [
        (point(1.0, 2.0, 3.0), point(3.0, 5.0, 9.0), Between::Points, Some([2.0, 3.0, 6.0]), None),
        // The axis runs up at (3, 4): a 3-4-5 triangle.
        (
            point(0.0, 0.0, 7.0),
            axis([3.0, 4.0, -90.0], [0.0, 0.0, 2.0]),
            Between::PointAndAxis,
            Some([3.0, 4.0, 0.0]),
            None,
        ),
        (
            point(5.0, 6.0, 7.0),
            face([0.0, 0.0, -2.0], [0.0, 0.0, -1.0]),
            Between::PointAndFace,
            Some([0.0, 0.0, -9.0]),
            None,
        ),
        // Two edges of a box that share no corner.
        (
            axis([0.0, 0.0, 0.0], [1.0, 0.0, 0.0]),
            axis([4.0, 8.0, 12.0], [0.0, 1.0, 0.0]),
            Between::AxesCommonNormal,
            Some([0.0, 0.0, 12.0]),
            Some(FRAC_PI_2),
        ),
        (
            axis([0.0, 0.0, 0.0], [0.0, 0.0, 1.0]),
            axis([6.0, 8.0, 40.0], [0.0, 0.0, -1.0]),
            Between::AxesSideBySide,
            Some([6.0, 8.0, 0.0]),
            Some(0.0),
        ),
        // Two axes in one plane, splayed by 4° and 60 mm apart halfway between the reported points.
        (
            axis([0.0, -30.0, 0.0], [1.0, -(slope / 2.0).tan(), 0.0]),
            axis([0.0, 30.0, 0.0], [1.0, (slope / 2.0).tan(), 0.0]),
            Between::AxesSideBySide,
            Some([0.0, 60.0, 0.0]),
            Some(slope),
        ),
        (
            axis([1.0, 1.0, 5.0], [1.0, 1.0, 0.0]),
            face([50.0, 0.0, -3.0], [0.0, 0.0, 1.0]),
            Between::AxisAndFace,
            Some([0.0, 0.0, -8.0]),
            Some(0.0),
        ),
        (
            face([0.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
            face([9.0, 21.0, 3.0], [0.0, -1.0, 0.0]),
            Between::FacesSideBySide,
            Some([0.0, 21.0, 0.0]),
            Some(0.0),
        ),
        (
            axis([1.0, 2.0, 3.0], [1.0, 0.0, 1.0]),
            face([0.0, 0.0, 0.0], [0.0, 0.0, 1.0]),
            Between::AxisCrossesFace,
            None,
            Some(FRAC_PI_2 / 2.0),
        ),
        (
            face([0.0, 0.0, 0.0], [1.0, 0.0, 0.0]),
            face([0.0, 0.0, 0.0], [1.0, -3f64.sqrt(), 0.0]),
            Between::FacesCross,
            None,
            Some(FRAC_PI_2 * 2.0 / 3.0),
        ),
    ];
    for (a, b, between, vector, angle) in cases {
        for turned in [false, true] {
            let inputs = if turned { exact(&[("a", b), ("b", a)]) } else { exact(&[("a", a), ("b", b)]) };
            let m = inputs.measure("a", "b").unwrap();
            assert_eq!(m.between, between, "{a:?} {b:?}");
            assert_eq!(m.distance.is_some(), vector.is_some());
            if let Some(v) = vector {
                let v = Vector3::from(v) * if turned { -1.0 } else { 1.0 };
                assert!((components(&m) - v).norm() < 1e-12, "{between:?}: {:?}", m.components);
                assert!((m.distance.unwrap().value - v.norm()).abs() < 1e-12);
                assert!(((m.feet[1] - m.feet[0]) - v).norm() < 1e-12);
            }
            assert_eq!(m.angle.is_some(), angle.is_some());
            if let Some(angle) = angle {
                let found = m.angle.unwrap().value;
                assert!((found - angle).abs() < 1e-12, "{between:?}: {found} {angle}");
            }
            // Nothing is uncertain here.
            assert_eq!(m.distance.map_or(0.0, |d| d.u95) + m.angle.map_or(0.0, |a| a.u95), 0.0);
            assert!(!m.between.words().is_empty());
        }
    }
}

/// The faces of a plank 200 long, wedged by 1°: the mean of the thicknesses at its ends.
#[test]
fn nearly_parallel_faces_are_measured_on_average() {
    let half = 0.5f64.to_radians();
    let (low, high) = (30.0 - 100.0 * half.tan() * 2.0, 30.0 + 100.0 * half.tan() * 2.0);
    for shift in [0.0, 7.0] {
        let inputs = exact(&[
            ("bottom", face([-shift, 0.0, -15.0 + shift * half.tan()], [-half.sin(), 0.0, -half.cos()])),
            ("top", face([shift, 0.0, 15.0 + shift * half.tan()], [-half.sin(), 0.0, half.cos()])),
        ]);
        let m = inputs.measure("bottom", "top").unwrap();
        assert!((m.angle.unwrap().value - 2.0 * half).abs() < 1e-12);
        assert!((m.distance.unwrap().value - 0.5 * (low + high)).abs() < 0.01 + 0.02 * shift, "{:?}", m.distance);
    }
}

fn pairs() -> Vec<(&'static str, &'static str)> {
    let names = ["bore", "pin", "taper", "face", "back", "ball", "rim", "low", "beside", "lying"];
    (0..names.len()).flat_map(|i| (0..i).map(move |j| (names[j], names[i]))).collect()
}

/// The bench, with a face and a bore nearly parallel to others and a bore along a face.
fn wide_bench(seed: u64) -> Vec<(&'static str, Feature)> {
    let mut r = rng(seed + 100);
    let mut all = bench(seed);
    let more = [
        ("low", Shape::Plane { point: Point3::new(9.0, 30.0, 12.0), normal: unit(0.16, 0.03, 0.95) }),
        (
            "beside",
            Shape::Cylinder { point: Point3::new(70.0, 9.0, 20.0), direction: unit(0.12, -0.19, 0.97), radius: 8.0 },
        ),
        (
            "lying",
            Shape::Cylinder { point: Point3::new(-30.0, 9.0, 40.0), direction: unit(0.95, 0.0, -0.16), radius: 8.0 },
        ),
    ];
    all.extend(more.into_iter().map(|(name, shape)| (name, feature(shape, 0.01, 60.0, &mut r))));
    all
}

/// Distance, components and angle of every pair, 20 000 draws through the full formulas.
#[test]
fn uncertainties_match_simulation() {
    let features = wide_bench(7);
    let draws = 20_000;
    let mut r = rng(11);
    let roots: Vec<DMatrix<f64>> = features
        .iter()
        .map(|(_, f)| {
            let e = f.covariance.clone().symmetric_eigen();
            let d = e.eigenvalues.map(|v| v.max(0.0).sqrt());
            e.eigenvectors * DMatrix::from_diagonal(&d)
        })
        .collect();
    let numbers = |m: &Measurement| {
        let mut all: Vec<f64> = m.distance.iter().map(|q| q.value).collect();
        all.extend(m.components.iter().flatten().map(|q| q.value));
        all.extend(m.angle.iter().map(|q| q.value));
        all
    };
    let now = inputs(&features);
    // A pair that stands at the 5° from which on axes and faces count as parallel is now one case, now another.
    let limit =
        |m: &Measurement| m.angle.is_some_and(|a| [5.0, 85.0].iter().any(|l| (a.value.to_degrees() - l).abs() < 0.5));
    let pairs: Vec<_> = pairs().into_iter().filter(|(a, b)| !limit(&now.measure(a, b).unwrap())).collect();
    let stated: Vec<Measurement> = pairs.iter().map(|(a, b)| now.measure(a, b).unwrap()).collect();
    let kinds: std::collections::BTreeSet<String> = stated.iter().map(|m| format!("{:?}", m.between)).collect();
    assert_eq!(kinds.len(), 9, "{kinds:?}");
    let mut squares: Vec<Vec<f64>> = stated.iter().map(|m| vec![0.0; numbers(m).len()]).collect();
    for _ in 0..draws {
        let drawn: Vec<(&'static str, Feature)> = features
            .iter()
            .zip(&roots)
            .map(|((name, f), root)| {
                let z = DVector::from_fn(root.ncols(), |_, _| normal(&mut r));
                (*name, moved(f, &(root * z)))
            })
            .collect();
        let now = inputs(&drawn);
        for (k, (a, b)) in pairs.iter().enumerate() {
            let m = now.measure(a, b).unwrap();
            for (i, (found, stated)) in numbers(&m).iter().zip(numbers(&stated[k])).enumerate() {
                squares[k][i] += (found - stated).powi(2);
            }
        }
    }
    for (k, pair) in pairs.iter().enumerate() {
        let m = &stated[k];
        let mut us: Vec<f64> = m.distance.iter().map(|q| q.standard_uncertainty).collect();
        us.extend(m.components.iter().flatten().map(|q| q.standard_uncertainty));
        us.extend(m.angle.iter().map(|q| q.standard_uncertainty));
        for (i, u) in us.iter().enumerate() {
            let found = (squares[k][i] / f64::from(draws)).sqrt();
            // A standard deviation of so many draws scatters by 1/√(2N) = 0.5 %; five of them.
            assert!((found - u).abs() < 0.025 * found + 1e-9, "{pair:?} {:?} [{i}]: {found} {u}", m.between);
        }
    }
}

/// What two datums have in common moves both, and not what lies between them.
#[test]
fn what_is_common_cancels() {
    let s = |x: &str| x.to_owned();
    let mut now = inputs(&bench(3));
    for (name, distance) in [("near", 0.0), ("far", 40.0)] {
        let how = Construction::PointOnAxis { axis: s("bore"), face: s("face"), distance, towards: None };
        let made = now.construct(&how).unwrap();
        now.add_constructed(name, made).unwrap();
    }
    let m = now.measure("near", "far").unwrap();
    let alone = now.constructed("near").unwrap().position_u95();
    // 40 mm square to the face along an axis tilted to it: only the tilt between them is left.
    let tilt = now.measure("bore", "face").unwrap().angle.unwrap();
    let cosine = tilt.value.sin();
    let expected = 40.0 / cosine.powi(2) * tilt.value.cos() * tilt.standard_uncertainty;
    let distance = m.distance.unwrap();
    assert!((distance.value - 40.0 / cosine).abs() < 1e-9);
    assert!((distance.standard_uncertainty - expected).abs() < 1e-9, "{distance:?} {expected}");
    assert!(distance.u95 < 0.2 * alone, "{distance:?} {alone}");
    // From a thing to itself nothing is uncertain.
    let same = now.measure("bore", "bore").unwrap();
    assert_eq!(same.between, Between::AxesSideBySide);
    let (d, a) = (same.distance.unwrap(), same.angle.unwrap());
    assert!(d.value < 1e-12 && d.u95 < 1e-9 && a.value < 1e-9 && a.u95 < 1e-9, "{d:?} {a:?}");
}

/// Two measured points, axes and directions that truly coincide: the stated ± must hold zero 95 times in 100.
#[test]
fn nothing_is_claimed_of_what_coincides() {
    let mut r = rng(23);
    let bore = Shape::Cylinder { point: Point3::new(3.0, 4.0, 5.0), direction: unit(0.2, 0.1, 0.9), radius: 8.0 };
    let ball = Shape::Sphere { centre: Point3::new(30.0, 0.0, 0.0), radius: 8.0 };
    let draws = 2000;
    let mut held = [0; 3];
    for _ in 0..draws {
        let mut twice = |shape: Shape| {
            // The same shape of covariance each time: the truth, as ν is large.
            let f = feature(shape, 0.01, 1e6, &mut rng(5));
            let e = f.covariance.clone().symmetric_eigen();
            let root = e.eigenvectors * DMatrix::from_diagonal(&e.eigenvalues.map(|v| v.max(0.0).sqrt()));
            [0, 1].map(|_| {
                let z = DVector::from_fn(root.ncols(), |_, _| normal(&mut r));
                moved(&f, &(&root * z))
            })
        };
        let mut now = Inputs::default();
        let ([a, b], [c, d]) = (twice(bore), twice(ball));
        for (name, f) in [("a", a), ("b", b), ("c", c), ("d", d)] {
            now.add_feature(name, f).unwrap();
        }
        let axes = now.measure("a", "b").unwrap();
        let balls = now.measure("c", "d").unwrap();
        for (i, q) in [axes.distance, axes.angle, balls.distance].into_iter().enumerate() {
            held[i] += usize::from(!q.unwrap().is_clear_of_zero());
        }
    }
    for (i, held) in held.iter().enumerate() {
        // The largest half-axis is stated, so no less than 95 %; a deviation of the count is 0.5 %.
        assert!(*held as f64 > 0.935 * f64::from(draws), "{i}: {held}");
    }
}

#[test]
fn notes_and_errors_are_passed_on() {
    let mut features = wide_bench(2);
    features[0].1.converged = false;
    let now = inputs(&features);
    let m = now.measure("bore", "pin").unwrap();
    assert!(m.notes.contains(&Note::NotConverged { feature: "bore".into() }));
    // 'bore' has 24 mm measured; its common normal with 'lying' is farther away than that, or not.
    for note in &m.notes {
        if let Note::Extrapolated { beyond, measured, .. } = note {
            assert!(beyond > measured);
        }
    }
    let e = now.measure("bore", "nothing").unwrap_err();
    assert!(matches!(e, ConstructionError::UnknownName { .. }));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    /// Distance, angle and their ± are the same in any frame; the components turn.
    #[test]
    fn rigid_motion_changes_nothing(
        seed in 0u64..1000,
        motion in any_motion(),
    ) {
        let here = wide_bench(seed);
        let there: Vec<_> = here.iter().map(|(n, f)| (*n, place_feature(f, &motion))).collect();
        let (here, there) = (inputs(&here), inputs(&there));
        for (a, b) in pairs() {
            let (m, n) = (here.measure(a, b).unwrap(), there.measure(a, b).unwrap());
            prop_assert_eq!(m.between, n.between);
            for (q, p) in [(m.distance, n.distance), (m.angle, n.angle)] {
                prop_assert_eq!(q.is_some(), p.is_some());
                if let (Some(q), Some(p)) = (q, p) {
                    prop_assert!((q.value - p.value).abs() < 1e-8, "{a} {b}: {q:?} {p:?}");
                    prop_assert!((q.u95 - p.u95).abs() < 1e-5 * q.u95 + 1e-9, "{a} {b}: {q:?} {p:?}");
                }
            }
            if m.components.is_some() {
                prop_assert!((motion.rotation * components(&m) - components(&n)).norm() < 1e-7);
            }
        }
    }
}
