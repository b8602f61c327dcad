//! What of a part a swept wheel takes away: where to cut, and by how much.
//!
//! Of every vertex of the part's surface the smallest signed distance from the wheel over all states: for a body of
//! revolution that of the place (r, y) from the outline, negative inside it. Large facets are divided first, so that
//! the mark is as fine on a design of few facets as on a scan. Vertices are gathered in lumps; a lump is passed over at
//! a state when its ball is further from the wheel than what is known of all its vertices already.

use crate::field::Field;
use crate::wheel::Wheel;
use rayon::prelude::*;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use stringline_core::covariance::rounded;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_scan::Mesh;

/// Vertices or facets in a lump.
const LUMP: usize = 128;
/// Lumps are gathered from cubes of this, mm.
const LUMP_SIZE: f64 = 10.0;
/// Distances beyond the limit that are told apart, mm: a lump's ball may be that large before it is asked needlessly.
const REACH: f64 = 40.0;
/// Facets are not divided into more than this altogether.
const MOST: f64 = 4e6;

/// The mark of a swept wheel on a part.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// The part's surface, large facets divided; in the part's frame.
    pub mesh: Mesh,
    /// One a vertex, mm: the smallest gap over all states, negative where the wheel goes through; NaN beyond the limit.
    pub gaps: Vec<f32>,
    /// The facet each facet of `mesh` is a part of.
    pub facet_of: Vec<u32>,
    /// The vertex that the wheel goes deepest into, or comes nearest to.
    pub deepest: Option<u32>,
    /// Surface nearer than the gap wanted, mm²: what must go.
    pub area: f64,
    /// By how much it must go, mm: the gap wanted less the smallest gap; 0 where nothing must.
    pub depth: f64,
}

impl Mark {
    /// What must go, in words: of which body, for which wheel.
    pub fn sentence(&self, body: &str, wheel: &str) -> String {
        if self.depth <= 0.0 {
            return format!("nothing of {body} is in the way of {wheel}");
        }
        format!(
            "{} cm² of {body} within the gap wanted of {wheel}, {} mm must go at the deepest place",
            rounded(self.area / 100.0, 0.15),
            rounded(self.depth, 0.15),
        )
    }
}

/// What a wheel takes away from a part over states.
///
/// `wheel_from_part` has a transform a state; states between which the wheel moves by more than a few millimetres leave
/// ridges between them that are not marked. Facets longer than `cell` (mm) are divided. `go_on` stops the work with false.
///
/// `None` where it was stopped.
pub fn swept_mark(
    mesh: &Mesh,
    wheel: &Wheel,
    wheel_from_part: &[RigidTransform],
    wanted: f64,
    limit: f64,
    cell: f64,
    go_on: impl Fn(f32) -> bool + Sync,
) -> Option<Mark> {
    // What is near the wheel at some state; the ball of a lump may reach far.
    let field = Field::new(wheel.profile(), limit + REACH);
    let by_place = |p: &Point3| [p.x, p.y, p.z].map(|c| (c / LUMP_SIZE).floor() as i64);
    let sorted = |count: usize, place: &(dyn Fn(u32) -> Point3 + Sync)| {
        let mut order: Vec<u32> = (0..count as u32).collect();
        order.par_sort_by_cached_key(|&id| (by_place(&place(id)), id));
        order
    };
    let middle = |f: u32| Point3::from(mesh.corners(f).iter().map(|p| p.coords).sum::<Vec3>() / 3.0);
    let order = sorted(mesh.facets.len(), &middle);
    let near: Vec<u32> = order
        .par_chunks(LUMP)
        .filter(|lump| {
            let points: Vec<Point3> = lump.iter().flat_map(|&f| mesh.corners(f)).collect();
            let ball = Ball::about(&points);
            wheel_from_part.iter().any(|t| field.signed(&(t * ball.centre)) - ball.radius < limit)
        })
        .flatten_iter()
        .copied()
        .collect();
    let (mesh, facet_of) = divided(mesh, &near, cell);
    let order = sorted(mesh.vertices.len(), &|v| mesh.vertices[v as usize]);
    let (stopped, done) = (AtomicBool::new(false), AtomicUsize::new(0));
    let lumps: Vec<Vec<f32>> = order
        .par_chunks(LUMP)
        .map(|lump| {
            if stopped.load(Ordering::Relaxed) {
                return Vec::new();
            }
            let points: Vec<Point3> = lump.iter().map(|&v| mesh.vertices[v as usize]).collect();
            let gaps = least(&points, &field, wheel_from_part, limit);
            let done = done.fetch_add(lump.len(), Ordering::Relaxed) + lump.len();
            if !go_on(done as f32 / order.len() as f32) {
                stopped.store(true, Ordering::Relaxed);
            }
            gaps
        })
        .collect();
    if stopped.into_inner() {
        return None;
    }
    let mut gaps = vec![f32::NAN; mesh.vertices.len()];
    for (&v, gap) in order.iter().zip(lumps.into_iter().flatten()) {
        gaps[v as usize] = gap;
    }
    let known = gaps.iter().enumerate().filter(|(_, g)| !g.is_nan());
    let deepest = known.min_by(|a, b| a.1.total_cmp(b.1)).map(|(v, _)| v as u32);
    let smallest = deepest.map_or(f64::INFINITY, |v| f64::from(gaps[v as usize]));
    let tight = |f: &usize| mesh.facets[*f].iter().any(|&v| f64::from(gaps[v as usize]) < wanted);
    let area = (0..mesh.facets.len()).filter(tight).map(|f| 0.5 * mesh.area_vector(f as u32).norm()).sum();
    Some(Mark { gaps, facet_of, deepest, area, depth: (wanted - smallest).max(0.0), mesh })
}

/// The ball about the middle of some points that holds them.
struct Ball {
    centre: Point3,
    radius: f64,
}

impl Ball {
    fn about(points: &[Point3]) -> Ball {
        let sum = points.iter().fold(Vec3::zeros(), |s, p| s + p.coords);
        let centre = Point3::from(sum / points.len().max(1) as f64);
        Ball { centre, radius: points.iter().map(|p| (p - centre).norm()).fold(0.0, f64::max) }
    }
}

/// The smallest distance of each point over all states, NaN beyond the limit.
fn least(points: &[Point3], field: &Field<'_>, wheel_from_part: &[RigidTransform], limit: f64) -> Vec<f32> {
    let Ball { centre, radius } = Ball::about(points);
    let ways: Vec<f64> = points.iter().map(|p| (p - centre).norm()).collect();
    let mut found = vec![limit; points.len()];
    let mut states: Vec<(f64, &RigidTransform)> =
        wheel_from_part.iter().map(|t| (field.signed(&(t * centre)), t)).filter(|(d, _)| d - radius < limit).collect();
    states.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (distance, t) in states {
        // Of all points what is known already is less than any can have here, and in all states to come.
        let worst = found.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if distance - radius >= worst {
            break;
        }
        for ((p, away), least) in points.iter().zip(&ways).zip(&mut found) {
            // The distance changes by no more than the way from the centre.
            if distance - away < *least {
                *least = least.min(field.signed(&(t * p)));
            }
        }
    }
    found.into_iter().map(|d| if d < limit { d as f32 } else { f32::NAN }).collect()
}

/// The mesh with those of the named facets that are longer than `cell` divided evenly, and which facet each came from.
fn divided(mesh: &Mesh, near: &[u32], cell: f64) -> (Mesh, Vec<u32>) {
    let mut divide = vec![false; mesh.facets.len()];
    near.iter().for_each(|&f| divide[f as usize] = true);
    let longest = |f: &[u32; 3]| {
        let p = f.map(|v| mesh.vertices[v as usize]);
        (0..3).map(|i| (p[i] - p[(i + 1) % 3]).norm()).fold(0.0, f64::max)
    };
    let parts = |cell: f64| {
        let wanted = mesh.facets.iter().zip(&divide);
        wanted.map(move |(f, &near)| if near { (longest(f) / cell).ceil().max(1.0) } else { 1.0 })
    };
    let mut cell = cell.max(1e-3);
    while parts(cell).map(|k| k * k).sum::<f64>() > MOST.max(4.0 * mesh.facets.len() as f64) {
        cell *= 1.5;
    }
    let mut out = Mesh { vertices: mesh.vertices.clone(), facets: Vec::with_capacity(mesh.facets.len()) };
    let mut facet_of = Vec::with_capacity(mesh.facets.len());
    for (id, (facet, k)) in mesh.facets.iter().zip(parts(cell)).enumerate() {
        let k = k as u32;
        if k == 1 {
            out.facets.push(*facet);
            facet_of.push(id as u32);
            continue;
        }
        let first = out.vertices.len() as u32;
        let [a, b, c] = facet.map(|v| mesh.vertices[v as usize]);
        for i in 0..=k {
            for j in 0..=k - i {
                let (s, t) = (f64::from(i) / f64::from(k), f64::from(j) / f64::from(k));
                out.vertices.push(a + (b - a) * s + (c - a) * t);
            }
        }
        // The place of (i, j): rows of k + 1, k, k − 1 …
        let at = |i: u32, j: u32| first + i * (k + 1) - i * i.saturating_sub(1) / 2 + j;
        for i in 0..k {
            for j in 0..k - i {
                out.facets.push([at(i, j), at(i + 1, j), at(i, j + 1)]);
                if j + 1 < k - i {
                    out.facets.push([at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)]);
                }
            }
        }
        facet_of.resize(out.facets.len(), id as u32);
    }
    (out, facet_of)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_facet_is_divided_without_loss() {
        let p = Point3::new;
        let mesh = Mesh {
            vertices: vec![p(0.0, 0.0, 0.0), p(10.0, 0.0, 0.0), p(0.0, 7.0, 1.0), p(0.3, 0.0, 0.0)],
            facets: vec![[0, 1, 2], [0, 3, 2]],
        };
        let (fine, of) = divided(&mesh, &[0, 1], 1.1);
        assert_eq!(fine.facets.len(), of.len());
        for id in [0, 1] {
            let area = |m: &Mesh, f: usize| 0.5 * m.area_vector(f as u32).norm();
            let sum: f64 = of.iter().enumerate().filter(|(_, o)| **o == id).map(|(f, _)| area(&fine, f)).sum();
            assert!((sum - area(&mesh, id as usize)).abs() < 1e-9);
            let n = mesh.area_vector(id);
            assert!(
                of.iter().enumerate().filter(|(_, o)| **o == id).all(|(f, _)| fine.area_vector(f as u32).dot(&n) > 0.0)
            );
        }
    }
}
