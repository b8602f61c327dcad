//! Simple bodies by number, as meshes, where there is no design yet.
//!
//! Round ones have facets that touch the true surface from outside: a mesh is nowhere smaller than the body, and
//! larger by no more than the deviation asked for.

use crate::body::BodyError;
use nalgebra::Point2;
use std::f64::consts::{PI, TAU};
use stringline_core::{Point3, UnitVec3, Vec3, frame_about};
use stringline_scan::Mesh;

/// Facets round a body that deviate by no more than `deviation` (mm): 1/cos(π/n) − 1 of the radius.
fn around(radius: f64, deviation: f64) -> u32 {
    let n = PI / (radius / (radius + deviation)).acos();
    // At least a hexagon, at most what still can be told apart.
    n.ceil().clamp(6.0, 4096.0) as u32
}

fn length(what: &'static str, value: f64) -> Result<f64, BodyError> {
    (value.is_finite() && value > 0.0).then_some(value).ok_or(BodyError::Size { what, value })
}

/// A round tube or bar with flat ends between two points, closed, its outer diameter in mm.
///
/// # Errors
/// A diameter or a deviation that is not a positive length, two points in one place.
pub fn tube(from: Point3, to: Point3, diameter: f64, deviation: f64) -> Result<Mesh, BodyError> {
    let radius = 0.5 * length("a diameter", diameter)?;
    let n = around(radius, length("a deviation", deviation)?);
    let axis = to - from;
    length("a length", axis.norm())?;
    let (u, v) = frame_about(&UnitVec3::new_normalize(axis));
    let mut mesh = Mesh { vertices: vec![from, to], facets: Vec::new() };
    let corner = radius / (PI / f64::from(n)).cos();
    for i in 0..n {
        let (sin, cos) = (TAU * f64::from(i) / f64::from(n)).sin_cos();
        let out = (u * cos + v * sin) * corner;
        mesh.vertices.extend([from + out, to + out]);
    }
    for i in 0..n {
        let (a, b) = (2 + 2 * i, 2 + 2 * ((i + 1) % n));
        mesh.facets.extend([[a, b, b + 1], [a, b + 1, a + 1], [0, b, a], [1, a + 1, b + 1]]);
    }
    Ok(mesh)
}

/// A ball, closed, its diameter in mm: rings of facets between two poles.
///
/// # Errors
/// A diameter or a deviation that is not a positive length.
pub fn ball(centre: Point3, diameter: f64, deviation: f64) -> Result<Mesh, BodyError> {
    let radius = 0.5 * length("a diameter", diameter)?;
    // Both ways it is faceted, so that each may take half.
    let n = around(radius, 0.4 * length("a deviation", deviation)?);
    let rings = n.div_ceil(2);
    let share = (PI / f64::from(n)).cos() * (0.5 * PI / f64::from(rings)).cos();
    let out = radius / share;
    let mut mesh = Mesh { vertices: vec![centre - Vec3::z() * out, centre + Vec3::z() * out], facets: Vec::new() };
    for ring in 1..rings {
        let (height, wide) = (PI * f64::from(ring) / f64::from(rings)).sin_cos();
        for i in 0..n {
            let (sin, cos) = (TAU * f64::from(i) / f64::from(n)).sin_cos();
            mesh.vertices.push(centre + Vec3::new(cos * height, sin * height, -wide) * out);
        }
    }
    let id = |ring: u32, i: u32| 2 + (ring - 1) * n + i % n;
    for i in 0..n {
        mesh.facets.extend([[0, id(1, i + 1), id(1, i)], [1, id(rings - 1, i), id(rings - 1, i + 1)]]);
        for ring in 1..rings - 1 {
            let (a, b, c, d) = (id(ring, i), id(ring, i + 1), id(ring + 1, i + 1), id(ring + 1, i));
            mesh.facets.extend([[a, b, c], [a, c, d]]);
        }
    }
    Ok(mesh)
}

/// A plate: a flat outline, thickened by half of `thickness` (mm) to both sides, closed.
///
/// Corners that lie out of the outline's mean plane are put on it.
///
/// # Errors
/// A thickness that is not a positive length; an outline of fewer than three points, without area or that crosses
/// itself.
pub fn plate(outline: &[Point3], thickness: f64) -> Result<Mesh, BodyError> {
    let half = 0.5 * length("a thickness", thickness)?;
    let count = outline.len();
    let bad = || BodyError::Outline { count };
    let n = count as u32;
    let next = |i: usize| (i + 1) % count;
    let centre = outline.iter().map(|p| p.coords).sum::<Vec3>() / count.max(1) as f64;
    // Twice the area, by Newell's sum.
    let area: Vec3 = (0..count).map(|i| (outline[i].coords - centre).cross(&(outline[next(i)].coords - centre))).sum();
    let normal = UnitVec3::try_new(area, 1e-9).filter(|n| n.iter().all(|c| c.is_finite())).ok_or_else(bad)?;
    let (u, v) = frame_about(&normal);
    let flat: Vec<Point2<f64>> =
        outline.iter().map(|p| Point2::new(u.dot(&(p.coords - centre)), v.dot(&(p.coords - centre)))).collect();
    let caps = ears(&flat).ok_or_else(bad)?;
    let side = |h: f64| flat.iter().map(move |p| Point3::from(centre + u * p.x + v * p.y + normal.into_inner() * h));
    let mut mesh = Mesh { vertices: side(-half).chain(side(half)).collect(), facets: Vec::new() };
    for [a, b, c] in caps {
        mesh.facets.extend([[a, c, b], [n + a, n + b, n + c]]);
    }
    for i in 0..n {
        let j = (i + 1) % n;
        mesh.facets.extend([[i, j, n + j], [i, n + j, n + i]]);
    }
    Ok(mesh)
}

/// Triangles of a counter-clockwise outline, an ear at a time (G. H. Meisters, *Polygons Have Ears*, American
/// Mathematical Monthly 82 (1975) 648); `None` where none is left although it is not done: it crosses itself.
fn ears(outline: &[Point2<f64>]) -> Option<Vec<[u32; 3]>> {
    let turn = |a: u32, b: u32, c: u32| {
        let (a, b, c) = (outline[a as usize], outline[b as usize], outline[c as usize]);
        (b - a).perp(&(c - a))
    };
    let mut left: Vec<u32> = (0..outline.len() as u32).collect();
    let mut triangles = Vec::new();
    while left.len() > 3 {
        let m = left.len();
        let ear = (0..m).find(|&i| {
            let (a, b, c) = (left[(i + m - 1) % m], left[i], left[(i + 1) % m]);
            let within = |&p: &u32| {
                p != a && p != b && p != c && turn(a, b, p) >= 0.0 && turn(b, c, p) >= 0.0 && turn(c, a, p) >= 0.0
            };
            turn(a, b, c) > 0.0 && !left.iter().any(within)
        });
        // A corner on a straight edge bounds nothing.
        let straight = || (0..m).find(|&i| turn(left[(i + m - 1) % m], left[i], left[(i + 1) % m]) == 0.0);
        let i = ear.or_else(straight)?;
        triangles.push([left[(i + m - 1) % m], left[i], left[(i + 1) % m]]);
        left.remove(i);
    }
    let [a, b, c] = left[..] else { return None };
    triangles.push([a, b, c]);
    (turn(a, b, c) >= 0.0).then_some(triangles)
}
