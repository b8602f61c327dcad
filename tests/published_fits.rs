//! Fits against published and independently computed answers (data in `reference/fit`).

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use serde_json::Value;
use stringline_core::{Point3, Vec3};
use stringline_fit::{FitSettings, Kind, Shape, fit};

const KEEP_ALL: FitSettings = FitSettings { keep_all: true, held_radius: None };

fn reference(name: &str) -> String {
    let path = format!("{}/reference/fit/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

fn point(value: &Value) -> Point3 {
    let mut xyz = numbers(value);
    xyz.resize(3, 0.0);
    Point3::new(xyz[0], xyz[1], xyz[2])
}

fn vector(value: &Value) -> Vec3 {
    point(value).coords
}

/// Angle between two lines, rad, exact for small angles.
fn line_angle(a: &Vec3, b: &Vec3) -> f64 {
    let (a, b) = (a.normalize(), b.normalize());
    a.cross(&b).norm().atan2(a.dot(&b).abs())
}

fn off_axis(p: &Point3, on: &Point3, direction: &Vec3) -> f64 {
    let d = p - on;
    let w = direction.normalize();
    (d - w * w.dot(&d)).norm()
}

/// Point sets whose least-squares answer is exactly known although every point lies off it:
/// null-space residuals, the method of Cox and Forbes, NPL report DITC 211/92 (from memory).
#[test]
fn exact_pairs_are_met_to_rounding() {
    let sets: Value = serde_json::from_str(&reference("exact_pairs.json")).unwrap();
    let sets = sets["sets"].as_array().unwrap();
    assert_eq!(sets.len(), 8);
    for set in sets {
        let file = set["file"].as_str().unwrap();
        let points: Vec<Point3> = reference(file)
            .lines()
            .map(|line| {
                let xyz: Vec<f64> = line.split_whitespace().map(|x| x.parse().unwrap()).collect();
                Point3::new(xyz[0], xyz[1], xyz[2])
            })
            .collect();
        assert_eq!(points.len() as u64, set["n"].as_u64().unwrap());
        let kind: Kind = serde_json::from_value(set["type"].clone()).unwrap();
        let feature = fit(&points, &[], kind, &KEEP_ALL).unwrap();
        assert!(feature.converged, "{file}");
        let exact = &set["exact"];
        let (position, angle, size) = match feature.shape {
            Shape::Cylinder { point: p, direction, radius } => (
                off_axis(&p, &point(&exact["point"]), &vector(&exact["axis"])),
                line_angle(&direction, &vector(&exact["axis"])),
                radius - exact["radius"].as_f64().unwrap(),
            ),
            shape @ Shape::Cone { direction, half_angle, .. } => (
                (shape.apex().unwrap() - point(&exact["apex"])).norm(),
                line_angle(&direction, &vector(&exact["axis"]))
                    .max((half_angle - exact["half_angle_deg"].as_f64().unwrap().to_radians()).abs()),
                0.0,
            ),
            Shape::Sphere { centre, radius } => {
                ((centre - point(&exact["centre"])).norm(), 0.0, radius - exact["radius"].as_f64().unwrap())
            }
            Shape::Plane { point: p, normal } => (
                vector(&exact["normal"]).normalize().dot(&(p - point(&exact["point"]))).abs(),
                line_angle(&normal, &vector(&exact["normal"])),
                0.0,
            ),
            Shape::Circle { .. } => unreachable!("no circle in this set"),
        };
        println!("{file}: position {position:.1e} mm, angle {angle:.1e} rad, size {size:.1e} mm");
        assert!(position < 1e-8, "{file}: position off by {position:e} mm");
        assert!(angle < 1e-9, "{file}: angle off by {angle:e} rad");
        assert!(size.abs() < 1e-8, "{file}: size off by {size:e} mm");
        assert!((feature.rms - set["rms"].as_f64().unwrap()).abs() < 1e-9, "{file}: rms {}", feature.rms);
    }
}

/// Asserts that `got` rounds to every digit given (half a unit in the last place written).
fn every_digit(what: &str, got: f64, given: &Value) {
    let text = given.to_string();
    let value: f64 = text.parse().unwrap();
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((m, e)) => (m.to_owned(), e.parse::<i32>().unwrap()),
        None => (text.clone(), 0),
    };
    let decimals = mantissa.split_once('.').map_or(0, |(_, d)| d.len() as i32) - exponent;
    let half = 0.5 * 10f64.powi(-decimals);
    assert!((got - value).abs() <= half * 1.000_001, "{what}: {got} does not round to {text}");
}

/// The circle of Gander, Golub and Strebel (BIT 34, 1994) with its published answer, and the point
/// sets of a general point-cloud library's unit tests (BSD-3-Clause) with answers recomputed by an
/// independent orthogonal-distance solver.
#[test]
fn published_points_give_every_digit() {
    let sets: Value = serde_json::from_str(&reference("published_points.json")).unwrap();
    let sets = sets["sets"].as_array().unwrap();
    assert_eq!(sets.len(), 5);
    for (index, set) in sets.iter().enumerate() {
        let kind: Kind = serde_json::from_value(set["shape"].clone()).unwrap();
        let n = set["n_use"].as_u64().unwrap() as usize;
        let points: Vec<Point3> = set["points"].as_array().unwrap().iter().take(n).map(point).collect();
        let feature = fit(&points, &[], kind, &KEEP_ALL).unwrap();
        let answer = &set["least_squares"];
        let name = |what: &str| format!("set {index} ({kind}) {what}");
        if let Some(given) = answer.get("centre").and_then(Value::as_array) {
            for (i, value) in given.iter().enumerate() {
                every_digit(&name("centre"), feature.shape.point()[i], value);
            }
        }
        if let Some(given) = answer.get("radius") {
            every_digit(&name("radius"), feature.shape.radius().unwrap(), given);
        }
        if let Some(given) = answer.get("half_angle_deg") {
            every_digit(&name("half angle"), feature.shape.half_angle().unwrap().to_degrees(), given);
        }
        if let Some(given) = answer.get("apex").and_then(Value::as_array) {
            for (i, value) in given.iter().enumerate() {
                every_digit(&name("apex"), feature.shape.apex().unwrap()[i], value);
            }
        }
        if let Some(given) = answer.get("rms") {
            every_digit(&name("rms"), feature.rms, given);
        }
        if let Some(given) = answer.get("sum_of_squares") {
            every_digit(&name("sum of squares"), feature.rms.powi(2) * n as f64, given);
        }
        if let Some(given) = answer.get("direction").and_then(Value::as_array) {
            let direction = feature.shape.direction().unwrap();
            // Written with z scaled to 1.
            for (i, value) in given.iter().enumerate().take(2) {
                every_digit(&name("direction"), direction[i] / direction.z, value);
            }
            let on = point(&answer["point"]);
            let at = feature.shape.point() + direction.into_inner() * ((on.z - feature.shape.point().z) / direction.z);
            for i in 0..2 {
                every_digit(&name("point"), at[i], &answer["point"][i]);
            }
        }
    }
}

/// The unused tenth point of the published sphere lies far off: robust fitting leaves it out by itself.
#[test]
fn a_stray_point_is_left_out() {
    let sets: Value = serde_json::from_str(&reference("published_points.json")).unwrap();
    let set = &sets["sets"][0];
    let points: Vec<Point3> = set["points"].as_array().unwrap().iter().map(point).collect();
    let feature = fit(&points, &[], Kind::Sphere, &FitSettings::default()).unwrap();
    assert!(feature.left_out.contains(&9), "left out {:?}", feature.left_out);
    assert!((feature.shape.radius().unwrap() - 1.0).abs() < 0.01);
}
