//! Input that a fit must refuse in words, or cope with.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use stringline_core::{Explain, Point3, Vec3};
use stringline_fit::{FitError, FitSettings, Kind, Shape, fit, fit_auto};

const KINDS: [Kind; 5] = [Kind::Plane, Kind::Cylinder, Kind::Cone, Kind::Sphere, Kind::Circle];

#[test]
fn too_few_or_degenerate_points_are_refused_in_words() {
    let line: Vec<Point3> = (0..50).map(|i| Point3::new(f64::from(i), 0.0, 0.0)).collect();
    let spot = vec![Point3::new(1.0, 2.0, 3.0); 50];
    for kind in KINDS {
        for points in [&[][..], &line[..2], &spot] {
            let error = fit(points, &[], kind, &FitSettings::default()).unwrap_err();
            assert!(!error.to_string().is_empty() && error.next_step().ends_with('.'));
        }
        // Three collinear points fix no plane; a line of them nothing at all.
        assert!(fit(&line, &[], kind, &FitSettings::default()).is_err(), "{kind} through a line");
    }
    assert!(fit_auto(&[], &[], &FitSettings::default()).is_err());
    assert!(fit_auto(&spot, &[], &FitSettings::default()).is_err());
}

#[test]
fn numbers_that_are_none_are_refused() {
    let mut points: Vec<Point3> = (0..50).map(|i| Point3::new(f64::from(i), f64::from(i * i), 1.0)).collect();
    points[7].y = f64::NAN;
    assert_eq!(fit(&points, &[], Kind::Plane, &FitSettings::default()), Err(FitError::NotFinite { index: 7 }));
    points[7].y = f64::INFINITY;
    assert_eq!(fit(&points, &[], Kind::Plane, &FitSettings::default()), Err(FitError::NotFinite { index: 7 }));
    points[7].y = 0.0;
    let normals = vec![Vec3::z(); 3];
    assert_eq!(
        fit(&points, &normals, Kind::Plane, &FitSettings::default()),
        Err(FitError::NormalsDoNotMatch { points: 50, normals: 3 })
    );
}

fn arc(radius: f64) -> Vec<Point3> {
    (0..300)
        .map(|i| {
            let (a, z) = (f64::from(i % 20) * 0.05, f64::from(i / 20));
            Point3::new(radius * a.cos(), radius * a.sin(), z)
        })
        .collect()
}

#[test]
fn a_held_radius_is_held() {
    let held = FitSettings { held_radius: Some(7.1), ..FitSettings::default() };
    let feature = fit(&arc(7.0), &[], Kind::Cylinder, &held).unwrap();
    assert_eq!(feature.shape.radius(), Some(7.1));
    assert_eq!(feature.covariance[(6, 6)], 0.0, "a held radius is known");
    for kind in [Kind::Plane, Kind::Cone] {
        assert!(matches!(fit(&arc(7.0), &[], kind, &held), Err(FitError::BadHeldRadius { .. })));
    }
    let negative = FitSettings { held_radius: Some(-1.0), ..FitSettings::default() };
    assert!(matches!(fit(&arc(7.0), &[], Kind::Cylinder, &negative), Err(FitError::BadHeldRadius { .. })));
}

/// Exact data have no noise to divide by.
#[test]
fn exact_data_are_fitted_exactly() {
    let feature = fit(&arc(7.0), &[], Kind::Cylinder, &FitSettings::default()).unwrap();
    let Shape::Cylinder { radius, direction, .. } = feature.shape else { panic!("a cylinder") };
    assert!((radius - 7.0).abs() < 1e-9 && direction.z > 1.0 - 1e-12);
    assert_eq!(feature.rejected, 0);
    assert!(feature.covariance.iter().all(|c| c.is_finite()));
}

#[test]
fn the_same_points_give_the_same_bits() {
    let points: Vec<Point3> = arc(7.0).iter().enumerate().map(|(i, p)| p * (1.0 + 1e-3 * (i as f64).sin())).collect();
    for kind in KINDS {
        let (a, b) = [0, 1].map(|_| fit(&points, &[], kind, &FitSettings::default())).into();
        assert_eq!(a, b, "{kind}");
    }
}
