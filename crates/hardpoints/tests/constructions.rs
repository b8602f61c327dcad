//! Constructions: values against hand geometry, covariances against finite differences and
//! simulation (JCGM 101), and invariance under rigid motion.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::*;
use nalgebra::{DMatrix, DVector, Matrix6, UnitQuaternion};
use proptest::prelude::*;
use stringline_core::covariance::{Source, Sources, by_motion};
use stringline_core::{Explain, Point3};
use stringline_fit::{Feature, Shape};
use stringline_hardpoints::{Constructed, Construction, ConstructionError, Datum, Inputs, Note, place_feature};

fn numbers(datum: &Datum) -> DVector<f64> {
    let mut v: Vec<f64> = datum.position().iter().copied().collect();
    v.extend(datum.direction().iter().flat_map(|d| d.iter().copied()));
    DVector::from_vec(v)
}

fn assert_near(a: &DMatrix<f64>, b: &DMatrix<f64>, tolerance: f64, what: &str) {
    assert!((a - b).amax() <= tolerance, "{what}: off by {:e}\n{a}{b}", (a - b).amax());
}

fn position(inputs: &Inputs, how: &Construction) -> Point3 {
    inputs.construct(how).unwrap().datum.position()
}

#[test]
fn values_satisfy_what_defines_them() {
    let features = bench(1);
    let inputs = inputs(&features);
    let all = every_construction();
    let shape = |name: &str| inputs.feature(name).unwrap().shape;
    let off_axis = |name: &str, p: &Point3| {
        let s = shape(name);
        s.direction().unwrap().cross(&(p - s.point())).norm()
    };
    let height = |name: &str, p: &Point3| shape(name).distance(p);

    let p = position(&inputs, &all[2]);
    assert!(off_axis("bore", &p) < 1e-12 && height("face", &p).abs() < 1e-12);
    let p = position(&inputs, &all[4]);
    assert!(off_axis("bore", &p) < 1e-12);
    // The normals face away from each other, so between the faces both distances are negative and equal.
    assert!((height("face", &p) - height("back", &p)).abs() < 1e-12);
    // `back` lies below `face`, against its normal, so towards it is the negative side.
    let p = position(&inputs, &all[5]);
    assert!(off_axis("taper", &p) < 1e-12 && (height("face", &p) + 25.0).abs() < 1e-12);
    let p = position(&inputs, &all[6]);
    assert!((height("face", &p) - 25.0).abs() < 1e-12);
    let made = inputs.construct(&all[7]).unwrap();
    let p = made.datum.position();
    let gap = made.gap.unwrap();
    assert!((off_axis("bore", &p) - gap.distance / 2.0).abs() < 1e-12);
    assert!((off_axis("pin", &p) - gap.distance / 2.0).abs() < 1e-12);
    assert!(gap.distance > 1.0);
    let p = position(&inputs, &all[8]);
    assert!(off_axis("taper", &p) < 1e-12);
    let Shape::Cone { half_angle, .. } = shape("taper") else { unreachable!() };
    let apex = shape("taper").apex().unwrap();
    assert!(((p - apex).norm() * half_angle.tan() - 6.5).abs() < 1e-10);
}

/// Central differences on every parameter of every feature, along the ways it can move.
#[test]
fn jacobians_match_finite_differences() {
    for seed in 0..5 {
        let features = bench(seed);
        let now = inputs(&features);
        for how in every_construction() {
            let made = now.construct(&how).unwrap();
            for (k, (name, f)) in features.iter().enumerate() {
                let t = tangent(&f.shape);
                let h = 1e-4;
                let mut numeric = DMatrix::zeros(made.datum.dimension(), t.ncols());
                for c in 0..t.ncols() {
                    let at = |step: f64| {
                        let mut changed = features.clone();
                        changed[k].1 = moved(f, &(t.column(c) * step));
                        numbers(&inputs(&changed).construct(&how).unwrap().datum)
                    };
                    let d = (at(-2.0 * h) - at(-h) * 8.0 + at(h) * 8.0 - at(2.0 * h)) / (12.0 * h);
                    numeric.set_column(c, &d);
                }
                let analytic = match made.sources.get(*name) {
                    Some(s) => &s.jacobian * &t,
                    None => DMatrix::zeros(numeric.nrows(), numeric.ncols()),
                };
                let scale = numeric.amax().max(1.0);
                assert_near(&analytic, &numeric, 1e-8 * scale, &format!("{how:?} by {name}"));
            }
        }
    }
}

/// JCGM 101: 100 000 draws through the full formulae, against `J·C·Jᵀ`.
#[test]
fn covariances_match_simulation() {
    let features = bench(7);
    let draws = 100_000;
    let mut r = rng(11);
    let roots: Vec<DMatrix<f64>> = features
        .iter()
        .map(|(_, f)| {
            let e = f.covariance.clone().symmetric_eigen();
            let d = e.eigenvalues.map(|v| v.max(0.0).sqrt());
            e.eigenvectors * DMatrix::from_diagonal(&d)
        })
        .collect();
    let all = every_construction();
    let exact: Vec<Constructed> = {
        let now = inputs(&features);
        all.iter().map(|h| now.construct(h).unwrap()).collect()
    };
    let mut sums: Vec<DMatrix<f64>> =
        exact.iter().map(|m| DMatrix::zeros(m.datum.dimension(), m.datum.dimension())).collect();
    let gap_index = 7;
    let (mut gap_sum, mut gap_square) = (0.0, 0.0);
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
        for (i, how) in all.iter().enumerate() {
            let made = now.construct(how).unwrap();
            let e = numbers(&made.datum) - numbers(&exact[i].datum);
            sums[i].ger(1.0, &e, &e, 1.0);
            if i == gap_index {
                let d = made.gap.unwrap().distance - exact[i].gap.unwrap().distance;
                gap_sum += d;
                gap_square += d * d;
            }
        }
    }
    for (i, how) in all.iter().enumerate() {
        let simulated = &sums[i] / f64::from(draws);
        let stated = &exact[i].covariance;
        // Each entry's sampling deviation is at most √2·σᵢσⱼ/√N = 0.0045 σᵢσⱼ; five of them, on
        // each block's own scale.
        for (a, b) in (0..stated.nrows()).flat_map(|a| (0..stated.ncols()).map(move |b| (a, b))) {
            let scale = |k: usize| stated.view((k / 3 * 3, k / 3 * 3), (3, 3)).trace().sqrt();
            let off = (simulated[(a, b)] - stated[(a, b)]) / (scale(a) * scale(b));
            assert!(off.abs() < 0.0225, "{how:?} [{a},{b}] off by {off}");
        }
    }
    let n = f64::from(draws);
    let deviation = (gap_square / n - (gap_sum / n).powi(2)).sqrt();
    let stated = exact[gap_index].gap.unwrap().standard_uncertainty;
    assert!((deviation / stated - 1.0).abs() < 0.0115, "{deviation} {stated}");
}

#[test]
fn a_feature_used_twice_counts_once() {
    let features = bench(3);
    let mut now = inputs(&features);
    let s = |x: &str| x.to_owned();
    // The middle of a point with itself is that point, and no better known.
    let twice = now.construct(&Construction::MidPoint { first: s("ball"), second: s("ball") }).unwrap();
    let ball = &now.feature("ball").unwrap().covariance;
    assert_near(&twice.covariance, &ball.view((0, 0), (3, 3)).into_owned(), 1e-18, "same point twice");
    assert_eq!(twice.degrees_of_freedom, 90.0);

    // Two points of one axis, 40 mm apart by construction: their distance along it has no error
    // from where the face is, because both share it.
    for (name, distance) in [("near", 0.0), ("far", 40.0)] {
        let made = now
            .construct(&Construction::PointOnAxis { axis: s("bore"), face: s("face"), distance, towards: None })
            .unwrap();
        now.add_constructed(name, made).unwrap();
    }
    let axis = now.construct(&Construction::AxisThrough { from: s("near"), to: s("far") }).unwrap();
    let bore = &now.feature("bore").unwrap().covariance;
    // The axis through them is the bore's own, so its tilt is the bore's.
    assert_near(
        &axis.covariance.view((3, 3), (3, 3)).into_owned(),
        &bore.view((3, 3), (3, 3)).into_owned(),
        1e-16,
        "tilt",
    );
}

#[test]
fn degrees_of_freedom_follow_welch_and_satterthwaite() {
    // Two equal contributions of ν = 10 give 20 (JCGM 100, G.4.1); an exact one adds none.
    let mut r = rng(5);
    let centre = |x: f64| Shape::Sphere { centre: Point3::new(x, 0.0, 0.0), radius: 5.0 };
    let mut now = Inputs::default();
    let a = feature(centre(0.0), 0.01, 10.0, &mut r);
    let b = Feature { shape: centre(50.0), ..a.clone() };
    let mut exact = feature(centre(90.0), 0.01, 3.0, &mut r);
    exact.covariance.fill(0.0);
    now.add_feature("a", a).unwrap();
    now.add_feature("b", b).unwrap();
    now.add_feature("exact", exact).unwrap();
    let mid = |first: &str, second: &str| {
        now.construct(&Construction::MidPoint { first: first.into(), second: second.into() })
            .unwrap()
            .degrees_of_freedom
    };
    assert!((mid("a", "b") - 20.0).abs() < 1e-12);
    assert!((mid("a", "exact") - 10.0).abs() < 1e-12);
}

#[test]
fn errors_say_what_where_and_what_next() {
    let mut features = bench(2);
    let Shape::Plane { normal, .. } = features[3].1.shape else { unreachable!() };
    let along = UnitQuaternion::from_axis_angle(&unit(0.3, 0.2, 0.1), 0.0) * normal;
    let mut r = rng(1);
    let beside = stringline_core::frame_about(&along).0;
    features.push((
        "lying",
        feature(
            Shape::Cylinder { point: Point3::origin(), direction: nalgebra::Unit::new_normalize(beside), radius: 4.0 },
            0.01,
            30.0,
            &mut r,
        ),
    ));
    let mut now = inputs(&features);
    let s = |x: &str| x.to_owned();
    let fails = |now: &Inputs, how: Construction| {
        let e = now.construct(&how).unwrap_err();
        assert!(!e.to_string().is_empty() && e.next_step().ends_with('.'));
        e
    };
    use ConstructionError as E;
    let e = fails(&now, Construction::AxisMeetsPlane { axis: s("lying"), plane: s("face") });
    assert!(matches!(e, E::AxisParallelToPlane { angle_deg, .. } if angle_deg < 1e-6));
    assert!(e.to_string().contains("'lying'") && e.to_string().contains("'face'"));
    let e = fails(&now, Construction::NearestPoints { first: s("pin"), second: s("pin") });
    assert!(matches!(e, E::ParallelAxes { .. }));
    let e = fails(&now, Construction::SphereCentre { sphere: s("bore") });
    assert_eq!(e.to_string(), "'bore' is of kind cylinder, and a sphere is needed here");
    let e = fails(&now, Construction::Axis { axis: s("boer") });
    assert!(e.next_step().contains("bore"));
    let e = fails(&now, Construction::MidPlaneOnAxis { first: s("face"), second: s("rim"), axis: s("bore") });
    assert!(matches!(e, E::FacesNotParallel { .. }));
    let e = fails(&now, Construction::AxisThrough { from: s("ball"), to: s("ball") });
    assert!(matches!(e, E::CoincidentPoints { .. }));
    for diameter in [0.0, -3.0, f64::NAN] {
        let cone = s("taper");
        let e = fails(&now, Construction::ConeAtDiameter { cone, diameter });
        assert!(matches!(e, E::BadNumber { .. }));
    }
    let e = fails(
        &now,
        Construction::PointOnAxis { axis: s("bore"), face: s("face"), distance: 4.0, towards: Some(s("face")) },
    );
    assert!(matches!(e, E::NoSide { .. }));
    let again = features[0].1.clone();
    assert!(matches!(now.add_feature("bore", again.clone()), Err(E::NameTaken { .. })));
    let mut broken = again;
    broken.covariance[(0, 0)] = f64::NAN;
    assert!(matches!(now.add_feature("new", broken), Err(E::DamagedFeature { .. })));
}

#[test]
fn far_extrapolation_is_told() {
    let now = inputs(&bench(2));
    let at =
        |diameter: f64| now.construct(&Construction::ConeAtDiameter { cone: "taper".into(), diameter }).unwrap().notes;
    // 12 mm of axis each way are measured, at 0.125 mm of diameter a millimetre.
    assert!(at(13.0).is_empty());
    let notes = at(20.0);
    assert!(matches!(&notes[..], [Note::Extrapolated { beyond, .. }] if *beyond > 24.0));
}

/// Where all features lie on one scan, the datum moves as the scan does, however it is constructed
/// (closed form: t + θ×x and θ×d); and the same sources twice add up with their signs.
#[test]
fn a_placement_adds_its_own_uncertainty() {
    let now = inputs(&bench(4));
    let mut r = rng(9);
    let root =
        Matrix6::from_fn(|i, j| normal(&mut r) * if i == j { 1.0 } else { 0.3 } * if i < 3 { 1e-2 } else { 1e-5 });
    let covariance = root * root.transpose();
    let source = Source {
        jacobian: DMatrix::identity(6, 6),
        covariance: DMatrix::from_column_slice(6, 6, covariance.as_slice()),
        degrees_of_freedom: 12.0,
    };
    let motion = Sources::from([("placement/knuckle".to_owned(), source)]);
    for how in every_construction() {
        let made = now.construct(&how).unwrap();
        let placed = now.with_placements(&made, |_| Some(&motion));
        assert_eq!(made.datum, placed.datum);
        let by = by_motion(&made.datum.position(), made.datum.direction().as_ref());
        let expected = &by * DMatrix::from_column_slice(6, 6, covariance.as_slice()) * by.transpose();
        let stated = &placed.covariance - &made.covariance;
        assert_near(&stated, &expected, 1e-9 * expected.amax(), &format!("{how:?}"));
    }
    // A placement that rests on the bore itself and takes its shift back leaves the bore where it is.
    let made = now.construct(&Construction::SphereCentre { sphere: "ball".into() }).unwrap();
    let mut back = made.sources.clone();
    let by_ball = back.get_mut("ball").unwrap();
    by_ball.jacobian = DMatrix::from_fn(6, by_ball.jacobian.ncols(), |i, j| if i < 3 && i == j { -1.0 } else { 0.0 });
    let still = now.with_placements(&made, |_| Some(&back));
    assert!(still.covariance.amax() < 1e-15);
}

#[test]
fn a_mirror_image_has_its_y_turned() {
    let now = inputs(&bench(4));
    for of in ["ball", "bore", "face", "rim"] {
        let made = now.construct(&Construction::Mirrored { of: of.into() }).unwrap();
        let p = now.feature(of).unwrap().shape.point();
        assert_eq!(made.datum.position(), Point3::new(p.x, -p.y, p.z));
        let own = &now.feature(of).unwrap().covariance;
        assert_eq!(made.covariance[(1, 1)], own[(1, 1)]);
        assert_eq!(made.covariance[(0, 1)], -own[(0, 1)]);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Constructing and then moving is moving and then constructing, covariance included.
    #[test]
    fn rigid_motion_commutes(
        seed in 0u64..1000,
        motion in any_motion(),
    ) {
        let here = bench(seed);
        let there: Vec<_> = here.iter().map(|(n, f)| (*n, place_feature(f, &motion))).collect();
        let (here, there) = (inputs(&here), inputs(&there));
        for how in every_construction() {
            let a = here.construct(&how).unwrap().placed(&motion);
            let b = there.construct(&how).unwrap();
            prop_assert!((numbers(&a.datum) - numbers(&b.datum)).amax() < 1e-9, "{how:?}");
            let scale = a.covariance.amax();
            prop_assert!((&a.covariance - &b.covariance).amax() < 1e-9 * scale, "{how:?}");
            prop_assert!((a.degrees_of_freedom / b.degrees_of_freedom - 1.0).abs() < 1e-9);
            prop_assert!((a.position_u95() / b.position_u95() - 1.0).abs() < 1e-7);
            prop_assert_eq!(a.notes, b.notes);
        }
    }
}
