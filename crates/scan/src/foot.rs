//! The nearest place on a scan's surface, and on which side of it one is.
//!
//! A mesh is searched exactly. The facets round the nearest vertex give a distance `d`. From a foot
//! inside a facet or on an edge its nearest corner lies square to the way there, and within the
//! reach `r` of a facet (see `facets.rs`): so whatever is nearer than `d` has a corner within
//! `√(d² + r²)`. The side is
//! told by the pseudo-normal of what the foot lies on: the facet's normal, the sum of two facets'
//! unit normals on an edge, the sum weighted by the facets' angles at a vertex (J. A. Bærentzen and
//! H. Aanæs, *Signed Distance Computation Using the Angle Weighted Pseudonormal*, IEEE Trans.
//! Visualization and Computer Graphics 11 (2005) 243). At a border, or where facets do not fit
//! together, there is no telling.

use crate::geometry::{Geometry, Mesh};
use crate::rings::Rings;
use crate::scan::Scan;
use stringline_core::{Point3, Vec3};

/// A facet thinner than this share of its length is treated as its edges: its plane is not known.
const SLIVER: f64 = 1e-9;

/// A point of a cloud stands for the surface this many spacings around it.
const AROUND: f64 = 1.5;

/// The nearest place on a surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Foot {
    /// On the surface, mm, in the scan's frame.
    pub at: Point3,
    /// From the point asked for, mm.
    pub distance: f64,
    /// The way out of the material there (not of unit length), by which the side is told, or why it cannot be.
    pub outward: Result<Vec3, Sideless>,
}

/// Why the side of a surface cannot be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sideless {
    /// The surface ends there.
    Border,
    /// Facets do not fit together: they disagree on which side is out, or more than two meet.
    Facing,
    /// A cloud without normals of its own.
    NoNormals,
}

impl Foot {
    /// The distance of `p`, for which the foot was asked: positive outside the material, negative
    /// inside.
    ///
    /// # Errors
    /// Why the side cannot be told.
    pub fn signed(&self, p: &Point3) -> Result<f64, Sideless> {
        let side = self.outward?.dot(&(p - self.at));
        Ok(if side < 0.0 { -self.distance } else { self.distance })
    }
}

impl Scan {
    /// The nearest place on the surface within `limit` (mm) of `p`; `None` if there is none.
    ///
    /// On a mesh exact: of all facets. A cloud's nearest point stands for its tangent plane, up to
    /// one and a half spacings around it; beyond, it is a border.
    ///
    /// ```
    /// use stringline_scan::{Geometry, Mesh, Point3, Scan, Sideless};
    ///
    /// let vertices = [[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 4.0, 0.0]].map(Point3::from).to_vec();
    /// let scan = Scan::new(Geometry::Mesh(Mesh { vertices, facets: vec![[0, 1, 2]] }));
    /// let below = Point3::new(1.0, 1.0, -2.0);
    /// assert_eq!(scan.foot(&below, 5.0).and_then(|foot| foot.signed(&below).ok()), Some(-2.0));
    /// let beside = Point3::new(-3.0, 1.0, 0.0);
    /// assert_eq!(scan.foot(&beside, 5.0).map(|foot| (foot.distance, foot.outward)), Some((3.0, Err(Sideless::Border))));
    /// assert_eq!(scan.foot(&beside, 2.0), None);
    /// ```
    pub fn foot(&self, p: &Point3, limit: f64) -> Option<Foot> {
        if !(p.iter().all(|c| c.is_finite()) && limit >= 0.0) {
            return None;
        }
        match (self.geometry(), self.rings()) {
            (Geometry::Mesh(mesh), Some(rings)) => self.foot_on_mesh(mesh, rings, p, limit),
            _ => self.foot_on_cloud(p, limit),
        }
    }

    fn foot_on_mesh(&self, mesh: &Mesh, rings: &Rings, p: &Point3, limit: f64) -> Option<Foot> {
        let facets = self.facets()?;
        let mut nearest = Nearest { squared: limit * limit, facet: None, foot: (Point3::origin(), On::Inside) };
        let corner = |squared: f64| (squared + facets.reach * facets.reach).sqrt();
        if facets.reach > 0.0
            && let Some((first, clear)) = self.index().nearest_and_clear(&mesh.vertices, p)
            && clear <= corner(nearest.squared)
        {
            rings.facets_at(first).iter().for_each(|&facet| nearest.try_facet(mesh, facet, p));
            self.index().visit_within_roughly(p, corner(nearest.squared), |vertex| {
                if vertex != first {
                    rings.facets_at(vertex).iter().for_each(|&facet| nearest.try_facet(mesh, facet, p));
                }
            });
        }
        facets.long.near(p, nearest.squared, |facet| {
            nearest.try_facet(mesh, facet, p);
            nearest.squared
        });
        Some(foot_of(mesh, rings, nearest.facet?, nearest.foot, p))
    }

    /// As [`Scan::foot`], where it is known which facet of the mesh is nearest to `p`; `None` of a cloud, or if there is no
    /// such facet.
    pub fn foot_on_facet(&self, p: &Point3, facet: u32) -> Option<Foot> {
        let (Geometry::Mesh(mesh), Some(rings)) = (self.geometry(), self.rings()) else { return None };
        let corners = mesh.facets.get(facet as usize)?.map(|v| mesh.vertices.get(v as usize).copied());
        let [a, b, c] = corners;
        Some(foot_of(mesh, rings, facet, on_facet(&[a?, b?, c?], p), p))
    }

    fn foot_on_cloud(&self, p: &Point3, limit: f64) -> Option<Foot> {
        let nearest = self.nearest(p)? as usize;
        let (q, normal) = (self.points()[nearest], self.normals()[nearest]);
        let height = normal.dot(&(p - q));
        let level = p - normal * height;
        let over = normal != Vec3::zeros() && (level - q).norm() <= AROUND * self.spacing();
        let (at, distance) = if over { (level, height.abs()) } else { (q, (p - q).norm()) };
        let outward = match self.oriented() && normal != Vec3::zeros() {
            true if over => Ok(normal),
            true => Err(Sideless::Border),
            false => Err(Sideless::NoNormals),
        };
        (distance <= limit).then_some(Foot { at, distance, outward })
    }
}

/// The nearest place, which lies on this facet, and its side.
fn foot_of(mesh: &Mesh, rings: &Rings, facet: u32, (at, on): (Point3, On), p: &Point3) -> Foot {
    let corner = |i: usize| mesh.facets[facet as usize][i];
    let outward = match on {
        On::Inside => mesh.area_vector(facet).try_normalize(0.0).ok_or(Sideless::Facing),
        On::Edge(i) => edge_normal(mesh, rings, corner(i), corner((i + 1) % 3)),
        On::Vertex(i) => vertex_normal(mesh, rings, corner(i)),
    };
    Foot { at, distance: (at - p).norm(), outward }
}

/// Which part of a facet its nearest place is, by the place of a corner among the three.
#[derive(Clone, Copy, Debug, PartialEq)]
enum On {
    Inside,
    /// From this corner to the next.
    Edge(usize),
    Vertex(usize),
}

struct Nearest {
    squared: f64,
    facet: Option<u32>,
    foot: (Point3, On),
}

impl Nearest {
    fn try_facet(&mut self, mesh: &Mesh, facet: u32, p: &Point3) {
        let foot = on_facet(&mesh.corners(facet), p);
        let squared = (foot.0 - p).norm_squared();
        // Of facets equally near the lowest id, in whatever order they come.
        let nearer =
            squared < self.squared || (squared == self.squared && self.facet.is_none_or(|known| facet < known));
        if nearer {
            *self = Nearest { squared, facet: Some(facet), foot };
        }
    }
}

/// The nearest place on a facet (C. Ericson, *Real-Time Collision Detection*, Morgan Kaufmann 2005, 5.1.5).
fn on_facet(corners: &[Point3; 3], p: &Point3) -> (Point3, On) {
    let [a, b, c] = corners;
    let (ab, ac, ap) = (b - a, c - a, p - a);
    let (d1, d2) = (ab.dot(&ap), ac.dot(&ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return (*a, On::Vertex(0));
    }
    let bp = p - b;
    let (d3, d4) = (ab.dot(&bp), ac.dot(&bp));
    if d3 >= 0.0 && d4 <= d3 {
        return (*b, On::Vertex(1));
    }
    let cp = p - c;
    let (d5, d6) = (ab.dot(&cp), ac.dot(&cp));
    if d6 >= 0.0 && d5 <= d6 {
        return (*c, On::Vertex(2));
    }
    let n = ab.cross(&ac);
    let area = n.norm_squared();
    let length = ab.norm_squared().max(ac.norm_squared());
    if area <= SLIVER * SLIVER * length * length {
        return on_edges(corners, p);
    }
    // The signed areas of p with each edge, seen along the normal.
    let (u, v, w) = (n.dot(&bp.cross(&cp)), n.dot(&cp.cross(&ap)), n.dot(&ap.cross(&bp)));
    if w <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        return (a + ab * (d1 / (d1 - d3)), On::Edge(0));
    }
    if v <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        return (a + ac * (d2 / (d2 - d6)), On::Edge(2));
    }
    let (along, left) = (d4 - d3, d5 - d6);
    if u <= 0.0 && along >= 0.0 && left >= 0.0 {
        return (b + (c - b) * (along / (along + left)), On::Edge(1));
    }
    // Down the normal: no product of areas, so that a thin facet costs no accuracy.
    (p - n * (n.dot(&ap) / area), On::Inside)
}

/// The nearest place on the three edges.
fn on_edges(corners: &[Point3; 3], p: &Point3) -> (Point3, On) {
    let mut best = (corners[0], On::Vertex(0));
    let mut least = f64::INFINITY;
    for i in 0..3 {
        let (from, to) = (corners[i], corners[(i + 1) % 3]);
        let edge = to - from;
        let t = edge.dot(&(p - from)) / edge.norm_squared();
        // A length of zero gives no number, and its end.
        let foot = match t {
            t if t >= 1.0 => (to, On::Vertex((i + 1) % 3)),
            t if t > 0.0 => (from + edge * t, On::Edge(i)),
            _ => (from, On::Vertex(i)),
        };
        let squared = (foot.0 - p).norm_squared();
        if squared < least {
            (best, least) = (foot, squared);
        }
    }
    best
}

/// Of the two facets at an edge, if there are two and they run along it in opposite senses.
fn edge_normal(mesh: &Mesh, rings: &Rings, from: u32, to: u32) -> Result<Vec3, Sideless> {
    let (mut sum, mut forth, mut back) = (Vec3::zeros(), 0, 0);
    for &facet in rings.facets_at(from) {
        let corners = mesh.facets[facet as usize];
        let has = |a: u32, b: u32| (0..3).any(|i| corners[i] == a && corners[(i + 1) % 3] == b);
        let (runs, returns) = (has(from, to), has(to, from));
        if runs || returns {
            forth += usize::from(runs);
            back += usize::from(returns);
            sum += mesh.area_vector(facet).try_normalize(0.0).unwrap_or_else(Vec3::zeros);
        }
    }
    match (forth, back) {
        (1, 1) if sum != Vec3::zeros() => Ok(sum),
        (0, 1) | (1, 0) => Err(Sideless::Border),
        _ => Err(Sideless::Facing),
    }
}

/// Of the facets round a vertex, if they close up round it.
fn vertex_normal(mesh: &Mesh, rings: &Rings, vertex: u32) -> Result<Vec3, Sideless> {
    let mut sum = Vec3::zeros();
    let (mut out, mut back) = (Vec::new(), Vec::new());
    let at = mesh.vertices[vertex as usize];
    for &facet in rings.facets_at(vertex) {
        let corners = mesh.facets[facet as usize];
        let Some(place) = corners.iter().position(|&v| v == vertex) else { continue };
        let (next, last) = (corners[(place + 1) % 3], corners[(place + 2) % 3]);
        if next == vertex || last == vertex || next == last {
            continue;
        }
        out.push(next);
        back.push(last);
        let (a, b) = (mesh.vertices[next as usize] - at, mesh.vertices[last as usize] - at);
        let cross = a.cross(&b);
        // The facet's angle here; a degenerate facet has none, and no normal.
        if let Some(normal) = cross.try_normalize(0.0) {
            sum += normal * cross.norm().atan2(a.dot(&b));
        }
    }
    out.sort_unstable();
    back.sort_unstable();
    let once = out.windows(2).all(|pair| pair[0] != pair[1]);
    if out == back && once && sum != Vec3::zeros() {
        return Ok(sum);
    }
    out.append(&mut back);
    out.sort_unstable();
    // An edge of one facet only is a border.
    let border = out.chunk_by(|a, b| a == b).any(|same| same.len() == 1);
    Err(if border { Sideless::Border } else { Sideless::Facing })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facets::Facets;
    use crate::geometry::Cloud;
    use proptest::prelude::*;

    /// The distance of a facet by its edges and, where `p` lies over it, its plane.
    fn independent(corners: &[Point3; 3], p: &Point3) -> f64 {
        let edge = |a: &Point3, b: &Point3| {
            let t = ((b - a).dot(&(p - a)) / (b - a).norm_squared()).clamp(0.0, 1.0);
            (a + (b - a) * if t.is_nan() { 0.0 } else { t } - p).norm()
        };
        let [a, b, c] = corners;
        let least = edge(a, b).min(edge(b, c)).min(edge(c, a));
        let Some(n) = (b - a).cross(&(c - a)).try_normalize(0.0) else { return least };
        let over = [(a, b), (b, c), (c, a)].iter().all(|(u, v)| n.cross(&(*v - *u)).dot(&(p - **u)) >= 0.0);
        if over { least.min(n.dot(&(p - a)).abs()) } else { least }
    }

    fn loose() -> impl Strategy<Value = Mesh> {
        let v = || prop::array::uniform3(-1.0..1.0f64);
        prop::collection::vec((v(), v(), v(), v(), -2.0..0.0f64, 0u8..6), 1..80).prop_map(|facets| {
            let mut mesh = Mesh::default();
            for (at, a, b, c, size, kind) in facets {
                let size = 10f64.powf(size);
                let [a, b, c] = [a, b, c].map(|v| Vec3::from(v) * size);
                let c = match kind {
                    0 => a + (b - a) * 0.4 + (c - a) * 1e-4,
                    1 => a + (b - a) * 0.4,
                    2 => b,
                    _ => c,
                };
                let first = mesh.vertices.len() as u32;
                mesh.vertices.extend([a, b, c].map(|v| Point3::from(Vec3::from(at) + v)));
                mesh.facets.push([first, first + 1, first + 2]);
            }
            mesh
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(300))]

        #[test]
        fn the_nearest_place_is_that_of_a_full_search(
            mesh in loose(), points in prop::collection::vec(prop::array::uniform3(-1.5..1.5f64), 8), limit in 0.0..2.0f64,
        ) {
            let mut searched = Scan::new(Geometry::Mesh(mesh.clone()));
            searched.set_facets(Facets::with(&mesh, 0));
            for scan in [Scan::new(Geometry::Mesh(mesh.clone())), searched] {
                for p in points.iter().map(|p| Point3::from(*p)) {
                    let all = (0..mesh.facets.len() as u32).map(|f| independent(&mesh.corners(f), &p));
                    let expected = all.fold(f64::INFINITY, f64::min);
                    match scan.foot(&p, limit) {
                        Some(foot) => {
                            prop_assert!((foot.distance - expected).abs() < 1e-9, "{foot:?} {expected}");
                            prop_assert!(((foot.at - p).norm() - foot.distance).abs() < 1e-12);
                        }
                        None => prop_assert!(expected > limit - 1e-9, "{expected} within {limit}"),
                    }
                }
            }
        }

        /// Inside and outside of a crumpled closed box, told by counting crossings: no normals.
        #[test]
        fn the_side_is_that_which_crossings_tell(
            noise in prop::collection::vec(prop::array::uniform3(-0.3..0.3f64), 8),
            points in prop::collection::vec(prop::array::uniform3(-2.0..2.0f64), 16),
        ) {
            let corner = |i: usize, axis: usize| if i >> axis & 1 == 1 { 1.0 } else { -1.0 };
            let vertices = noise.iter().enumerate()
                .map(|(i, n)| Point3::new(corner(i, 0) + n[0], corner(i, 1) + n[1], corner(i, 2) + n[2]))
                .collect();
            let sides = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
            let facets = sides.iter().flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
            let mesh = Mesh { vertices, facets };
            let mut scan = Scan::new(Geometry::Mesh(mesh.clone()));
            scan.set_facets(Facets::with(&mesh, 0));
            for p in points.iter().map(|p| Point3::from(*p)) {
                let ray = crate::ray::Ray::new(&p, &stringline_core::UnitVec3::new_normalize(Vec3::new(0.3, 0.5, 0.81)));
                let crossings = (0..12).filter(|&f| ray.meets(&mesh.corners(f)).is_some_and(|t| t > 0.0)).count();
                let foot = scan.foot(&p, 10.0).unwrap();
                let signed = foot.signed(&p).unwrap();
                prop_assert!((signed < 0.0) == (crossings % 2 == 1) || foot.distance < 1e-9, "{p} {foot:?}");
            }
        }
    }

    #[test]
    fn borders_and_facets_that_do_not_fit_tell_no_side() {
        let p = |x: f64, y: f64, z: f64| Point3::new(x, y, z);
        let vertices = vec![p(0.0, 0.0, 0.0), p(1.0, 0.0, 0.0), p(1.0, 1.0, 0.0), p(0.0, 1.0, 0.0), p(0.0, 0.0, 5.0)];
        let scan = |facets: &[[u32; 3]]| {
            Scan::new(Geometry::Mesh(Mesh { vertices: vertices.clone(), facets: facets.to_vec() }))
        };
        let square = scan(&[[0, 1, 2], [0, 2, 3]]);
        let tells = |scan: &Scan, at: Point3| scan.foot(&at, 9.0).unwrap().outward.is_ok();
        assert!(tells(&square, p(0.7, 0.2, 0.3)), "over a facet");
        assert!(tells(&square, p(0.5, 0.5, 0.3)), "over the edge between");
        assert!(!tells(&square, p(0.5, -0.2, 0.3)), "beside the border");
        assert!(!tells(&square, p(1.2, 1.2, 0.3)), "beyond a corner");
        let turned = scan(&[[0, 1, 2], [0, 3, 2]]);
        assert!(!tells(&turned, p(0.5, 0.5, 0.3)), "one of the two is turned round");
        let fin = scan(&[[0, 1, 2], [0, 2, 3], [0, 2, 4]]);
        assert!(!tells(&fin, p(0.5, 0.5, -0.3)), "three at one edge");
    }

    #[test]
    fn a_cloud_tells_the_side_by_its_normals() {
        let grid = || (0..400).map(|i| Point3::new(f64::from(i % 20), f64::from(i / 20), 0.0)).collect::<Vec<_>>();
        let with = |normals| Scan::new(Geometry::Cloud(Cloud { points: grid(), normals }));
        let (own, bare) = (with(vec![Vec3::z(); 400]), with(vec![]));
        let below = Point3::new(7.4, 8.3, -2.0);
        assert!((own.foot(&below, 5.0).unwrap().signed(&below).unwrap() + 2.0).abs() < 1e-12);
        let foot = bare.foot(&below, 5.0).unwrap();
        assert!((foot.distance - 2.0).abs() < 1e-6 && foot.outward.is_err());
        let beside = Point3::new(-3.0, 7.0, 0.0);
        let foot = own.foot(&beside, 5.0).unwrap();
        assert!((foot.distance - 3.0).abs() < 1e-12 && foot.outward.is_err());
        assert!(own.foot(&beside, 2.9).is_none() && own.foot(&Point3::new(f64::NAN, 0.0, 0.0), 1.0).is_none());
    }
}
