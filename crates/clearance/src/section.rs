//! The outline in which a plane cuts a mesh.
//!
//! A corner on the plane counts as above it, so that every facet that is cut is cut across exactly two of
//! its edges and an outline runs from edge to edge without a case of its own for corners. Each point is that
//! of its edge, computed once from its two ends in a fixed order: exact to rounding.

use nalgebra::Point2;
use rayon::prelude::*;
use std::collections::HashMap;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};
use stringline_scan::Mesh;

/// Where a plane lies, with axes in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plane {
    /// A point of it, the origin of coordinates in it, mm.
    pub point: Point3,
    /// Its first axis.
    pub u: Vec3,
    /// Its second axis; u × v is the normal.
    pub v: Vec3,
}

impl Plane {
    /// The plane through a point square to a direction, its axes chosen by the direction alone.
    pub fn new(point: Point3, normal: UnitVec3) -> Plane {
        let (u, v) = frame_about(&normal);
        Plane { point, u, v }
    }

    /// The unit normal.
    pub fn normal(&self) -> Vec3 {
        self.u.cross(&self.v)
    }

    /// The place in the plane of a point's foot on it, mm.
    pub fn flat(&self, p: &Point3) -> Point2<f64> {
        let d = p - self.point;
        Point2::new(self.u.dot(&d), self.v.dot(&d))
    }

    /// The same plane in another frame.
    pub fn moved(&self, t: &RigidTransform) -> Plane {
        Plane { point: t * self.point, u: t * self.u, v: t * self.v }
    }

    /// The upright plane through a gap: level along it, then up (z). Of a gap that is upright itself the level axis is y.
    pub fn upright(place: &Point3, foot: &Point3) -> Plane {
        let along = foot - place;
        let level = Vec3::new(along.x, along.y, 0.0).try_normalize(1e-9).unwrap_or_else(Vec3::y);
        Plane { point: nalgebra::center(place, foot), u: level, v: Vec3::z() }
    }

    /// The point at a place in the plane.
    pub fn at(&self, place: &Point2<f64>) -> Point3 {
        self.point + self.u * place.x + self.v * place.y
    }
}

/// One line of a section.
#[derive(Clone, Debug, PartialEq)]
pub struct Outline {
    /// Places in the plane, mm, in order; of a closed one the first is not repeated.
    pub places: Vec<Point2<f64>>,
    /// Whether it comes back to its start: where the surface has a border it does not.
    pub closed: bool,
}

impl Outline {
    /// The places in order; a closed one comes back to its first.
    pub fn chain(&self) -> impl Iterator<Item = Point2<f64>> + '_ {
        self.places.iter().chain(self.places.first().filter(|_| self.closed)).copied()
    }
}

/// The outlines in which a plane cuts a mesh, in the mesh's frame.
///
/// Seen against the plane's normal the material lies left of each outline, where the facets face out of it.
/// The longest chain comes in the order of its lowest facet, so that the same mesh gives the same outlines.
/// Facets that lie in the plane are not drawn but by the ones beside them that rise from it.
pub fn section(mesh: &Mesh, plane: &Plane) -> Vec<Outline> {
    let normal = plane.normal();
    let heights: Vec<f64> = mesh.vertices.par_iter().map(|p| normal.dot(&(p - plane.point))).collect();
    let above = |v: u32| heights.get(v as usize).map(|h| *h >= 0.0);
    // Of each cut facet the edge it is entered by and the one it is left by.
    let cuts: Vec<[(u32, u32); 2]> = mesh
        .facets
        .par_iter()
        .with_min_len(4096)
        .filter_map(|f| {
            let [a, b, c] = [above(f[0])?, above(f[1])?, above(f[2])?];
            // The corner that is alone on its side.
            let i = if a == b && b == c {
                return None;
            } else if b == c {
                0
            } else if a == c {
                1
            } else {
                2
            };
            let edge = |from: usize, to: usize| (f[from].min(f[to]), f[from].max(f[to]));
            let (next, last) = (edge(i, (i + 1) % 3), edge((i + 2) % 3, i));
            Some(if [a, b, c][i] { [next, last] } else { [last, next] })
        })
        .collect();
    let place = |&(low, high): &(u32, u32)| {
        let (p, q) = (mesh.vertices[low as usize], mesh.vertices[high as usize]);
        let (h, k) = (heights[low as usize], heights[high as usize]);
        plane.flat(&(p + (q - p) * (h / (h - k))))
    };
    // Cuts by the edge they begin at; where several do, the last that came is taken first.
    let mut starts: HashMap<(u32, u32), Vec<u32>> = HashMap::with_capacity(cuts.len());
    let mut ends: HashMap<(u32, u32), u32> = HashMap::with_capacity(cuts.len());
    for (i, cut) in cuts.iter().enumerate().rev() {
        starts.entry(cut[0]).or_default().push(i as u32);
        *ends.entry(cut[1]).or_default() += 1;
    }
    let mut used = vec![false; cuts.len()];
    let mut outlines = Vec::new();
    // Those that begin at a border first, else they would be met in their middle.
    let begins: Vec<usize> = (0..cuts.len()).filter(|&i| !ends.contains_key(&cuts[i][0])).collect();
    for first in begins.into_iter().chain(0..cuts.len()) {
        if used[first] {
            continue;
        }
        let mut edges = vec![cuts[first][0]];
        let mut next = Some(first);
        while let Some(i) = next {
            used[i] = true;
            edges.push(cuts[i][1]);
            let going_on = starts.get_mut(&cuts[i][1]);
            next = going_on.and_then(|list| {
                while list.last().is_some_and(|&j| used[j as usize]) {
                    list.pop();
                }
                list.pop().map(|j| j as usize)
            });
        }
        let closed = edges.len() > 2 && edges.first() == edges.last();
        if closed {
            edges.pop();
        }
        let mut places: Vec<Point2<f64>> = edges.iter().map(place).collect();
        // Through a corner the same place comes once for each facet there.
        places.dedup();
        if closed && places.len() > 1 && places.first() == places.last() {
            places.pop();
        }
        if places.len() > 1 {
            outlines.push(Outline { places, closed });
        }
    }
    outlines
}
