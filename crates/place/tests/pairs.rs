//! Placements by point pairs against an independent library, and the honesty of their covariance.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use nalgebra::{Matrix3, UnitQuaternion};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;
use stringline_core::covariance::coverage_factor;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_place::{PairError, PairFit, PairSigmas, PointPair, from_pairs};

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

fn points(v: &Value) -> Vec<Point3> {
    v.as_array().unwrap().iter().map(|p| Point3::from_slice(&numbers(p))).collect()
}

/// The file's `origin` says where the expected values come from.
#[test]
fn agrees_with_an_independent_library() {
    let file: Value = serde_json::from_str(include_str!("reference/align_vectors.json")).unwrap();
    let cases = file["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 5);
    for case in cases {
        let name = &case["name"];
        let (source, target, sigma) = (points(&case["source"]), points(&case["target"]), numbers(&case["sigma"]));
        let pairs: Vec<PointPair> = source
            .iter()
            .zip(&target)
            .zip(&sigma)
            .map(|((&source, &target), &sigma)| PointPair { source, target, sigma })
            .collect();
        let fit = from_pairs(&pairs, PairSigmas::Known).unwrap();
        let rotation = Matrix3::from_fn(|i, j| case["rotation"][i][j].as_f64().unwrap());
        let translation = Vec3::from_vec(numbers(&case["translation"]));
        let ours = fit.target_from_source;
        assert!((ours.rotation.to_rotation_matrix().matrix() - rotation).norm() < 1e-12, "{name}");
        assert!((ours.translation.vector - translation).norm() < 1e-9, "{name}");
        let rssd = fit.residuals.iter().zip(&sigma).map(|(r, s)| r.norm_squared() / (s * s)).sum::<f64>().sqrt();
        let expected = case["weighted_rssd"].as_f64().unwrap();
        // Theirs is a difference of large sums.
        assert!((rssd - expected).abs() < 1e-6 * expected.max(1.0), "{name}: {rssd} {expected}");
    }
}

fn held(fit: &PairFit, truth: &RigidTransform) -> bool {
    let off = fit.target_from_source * truth.inverse();
    let (shift, turn) = (off.translation.vector, off.rotation.scaled_axis());
    let off = nalgebra::Vector6::new(shift.x, shift.y, shift.z, turn.x, turn.y, turn.z);
    let scale = nalgebra::Matrix6::from_diagonal(&nalgebra::Vector6::new(1.0, 1.0, 1.0, 100.0, 100.0, 100.0));
    let square = (scale * off).dot(&(scale * fit.covariance * scale).cholesky().unwrap().solve(&(scale * off)));
    square <= coverage_factor(6, fit.degrees_of_freedom).powi(2)
}

fn vector(rng: &mut ChaCha8Rng, size: f64) -> Vec3 {
    Vec3::from_fn(|_, _| size * (2.0 * rng.random::<f64>() - 1.0))
}

/// 4000 simulations a row: by chance alone the share scatters by 0.35 %.
#[test]
fn stated_regions_hold_the_truth() {
    for (n, sigmas) in [(4, PairSigmas::Known), (4, PairSigmas::Ratios), (8, PairSigmas::Ratios)] {
        let mut rng = ChaCha8Rng::seed_from_u64(n as u64);
        let runs = 4000;
        let mut inside = 0;
        for _ in 0..runs {
            let turn = vector(&mut rng, 3.0);
            let shift = vector(&mut rng, 800.0);
            let truth = RigidTransform::from_parts(shift.into(), UnitQuaternion::from_scaled_axis(turn));
            let at: Vec<Point3> = (0..n).map(|_| Point3::from(vector(&mut rng, 150.0))).collect();
            let pairs: Vec<PointPair> = at
                .iter()
                .enumerate()
                .map(|(i, p)| {
                    let sigma = [0.05, 0.2][i % 2];
                    let error = Vec3::from_fn(|_, _| sigma * Distribution::<f64>::sample(&StandardNormal, &mut rng));
                    // Where only the ratios are known, what is stated is ten times too small.
                    let stated = if sigmas == PairSigmas::Known { sigma } else { 0.1 * sigma };
                    PointPair { source: *p, target: truth * p + error, sigma: stated }
                })
                .collect();
            inside += usize::from(held(&from_pairs(&pairs, sigmas).unwrap(), &truth));
        }
        let share = inside as f64 / f64::from(runs);
        assert!((0.93..=0.97).contains(&share), "{n} {sigmas:?}: {share}");
    }
}

#[test]
fn what_places_nothing_says_so() {
    let pair = |x: f64| PointPair { source: Point3::new(x, 0.0, 0.0), target: Point3::new(x, 1.0, 2.0), sigma: 0.1 };
    assert_eq!(from_pairs(&[pair(0.0), pair(1.0)], PairSigmas::Known), Err(PairError::TooFew { found: 2 }));
    let line: Vec<PointPair> = (0..5).map(|i| pair(f64::from(i))).collect();
    assert_eq!(from_pairs(&line, PairSigmas::Known), Err(PairError::OnALine));
    let mut bad = line.clone();
    bad[3].sigma = 0.0;
    assert_eq!(from_pairs(&bad, PairSigmas::Known), Err(PairError::BadPair { index: 3 }));
}
