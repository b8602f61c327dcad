//! The facet of a mesh nearest to a place, far from it too.
//!
//! Close to an even surface its vertices lead to it ([`Scan::foot`](stringline_scan::Scan::foot)); from farther away, or where
//! facets differ in size, many of them are about as near. Here the tree of boxes that lie along the surface is walked down, the nearer child
//! first, leaving out what is certainly farther away than the nearest facet known.

use crate::tree::Tree;
use crate::triangle::on_triangle;
use stringline_core::Point3;
use stringline_scan::Mesh;

/// A mesh with a tree over its facets.
pub(crate) struct Near<'m> {
    mesh: &'m Mesh,
    tree: Tree,
    /// What the facets are called, in the order of the tree.
    ids: Vec<u32>,
}

impl<'m> Near<'m> {
    /// Facets with a vertex that is not there, or is no number, are left out; `None` where nothing is left.
    pub(crate) fn new(mesh: &'m Mesh) -> Option<Near<'m>> {
        let whole = |v: &u32| mesh.vertices.get(*v as usize).is_some_and(|p| p.iter().all(|c| c.is_finite()));
        let sound: Vec<u32> =
            (0..mesh.facets.len() as u32).filter(|&f| mesh.facets[f as usize].iter().all(whole)).collect();
        let facets: Vec<[u32; 3]> = sound.iter().map(|&f| mesh.facets[f as usize]).collect();
        let first = mesh.vertices[facets.first()?[0] as usize];
        let used = facets.iter().flatten().map(|&v| mesh.vertices[v as usize]);
        let (low, high) = used.fold((first, first), |(low, high), p| (low.inf(&p), high.sup(&p)));
        let (tree, order) = Tree::new(&mesh.vertices, &facets, nalgebra::center(&low, &high));
        Some(Near { mesh, tree, ids: order.into_iter().map(|i| sound[i as usize]).collect() })
    }

    /// The facet nearest to `p` of those nearer than `limit` (mm); of equal ones that with the lowest id. Beginning
    /// with `hint`, the answer at a place near by, makes it faster and changes nothing.
    pub(crate) fn facet(&self, p: &Point3, limit: f64, hint: Option<u32>) -> Option<u32> {
        let mut best = Best { squared: limit * limit, facet: None };
        let place = self.tree.place(p);
        let away = |facet: u32| {
            let corners = self.mesh.corners(facet).map(|c| c.coords);
            (on_triangle(&corners, &p.coords) - p.coords).norm_squared()
        };
        if let Some(facet) = hint {
            best.take(away(facet), facet);
        }
        // One pending sibling a level at most, and facets are numbered by a u32.
        let mut pending = [(0usize, 0.0f32); 34];
        let mut depth = 0;
        let mut next = Some((1, self.tree.away_squared(1, &place)));
        loop {
            let (node, squared) = match next.take() {
                Some(node) => node,
                None if depth == 0 => return best.facet,
                None => {
                    depth -= 1;
                    pending[depth]
                }
            };
            if f64::from(squared) > best.squared {
                continue;
            }
            if self.tree.is_leaf(node) {
                for &facet in &self.ids[self.tree.run(node)] {
                    best.take(away(facet), facet);
                }
                continue;
            }
            let [a, b] = [2 * node, 2 * node + 1].map(|n| (n, self.tree.away_squared(n, &place)));
            let (near, far) = if b.1 < a.1 { (b, a) } else { (a, b) };
            pending[depth] = far;
            depth += 1;
            next = Some(near);
        }
    }
}

struct Best {
    squared: f64,
    facet: Option<u32>,
}

impl Best {
    fn take(&mut self, squared: f64, facet: u32) {
        let nearer =
            squared < self.squared || (squared == self.squared && self.facet.is_none_or(|known| facet < known));
        if nearer {
            *self = Best { squared, facet: Some(facet) };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stringline_core::Vec3;
    use stringline_scan::{Geometry, Scan};

    /// A rough bowl of uneven facets, with one facet that names a vertex that is not there and one of no number.
    fn bowl() -> Mesh {
        let n = 40u32;
        let mut mesh = Mesh::default();
        for (i, j) in (0..=n).flat_map(|i| (0..=n).map(move |j| (i, j))) {
            let [x, y] = [i, j].map(|k| (f64::from(k) / f64::from(n)).powi(2) * 60.0 - 30.0);
            let rough = 0.05 * (f64::from(i * 31 + j * 17) * 0.77).sin();
            mesh.vertices.push(Point3::new(x, y, 0.02 * (x * x + y * y) + rough));
        }
        let id = |i: u32, j: u32| i * (n + 1) + j;
        for (i, j) in (0..n).flat_map(|i| (0..n).map(move |j| (i, j))) {
            let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
            mesh.facets.extend([[a, b, c], [a, c, d]]);
        }
        mesh.vertices.push(Point3::new(f64::NAN, 0.0, 0.0));
        let last = mesh.vertices.len() as u32;
        mesh.facets.extend([[0, 1, last], [0, 1, last - 1]]);
        mesh
    }

    /// Against every facet one by one, and by the search over the vertices ([`Scan::foot`]); many places lie near the bowl's
    /// focus, from where all of it is about as far away.
    #[test]
    fn the_nearest_of_all_facets_is_found_with_a_hint_and_without() {
        let mesh = bowl();
        let scan = Scan::new(Geometry::Mesh(mesh.clone()));
        let near = Near::new(&mesh).unwrap();
        let sound = mesh.facets.len() as u32 - 2;
        let mut hint = None;
        for k in 0..400 {
            let t = f64::from(k);
            let p = Point3::new(20.0 * (0.7 * t).sin(), 20.0 * (1.3 * t).cos(), 12.5 + 12.0 * (0.31 * t).sin());
            let away = |f: u32| {
                let corners = mesh.corners(f).map(|c| c.coords);
                (on_triangle(&corners, &p.coords) - p.coords).norm_squared()
            };
            let least = (0..sound).map(away).fold(f64::INFINITY, f64::min);
            let found = near.facet(&p, 100.0, hint).unwrap();
            assert_eq!((away(found), near.facet(&p, 100.0, None)), (least, Some(found)), "{k}");
            hint = Some(found);
            let [here, there] = [scan.foot_on_facet(&p, found), scan.foot(&p, 100.0)].map(Option::unwrap);
            assert!((here.distance - there.distance).abs() < 1e-12 && (here.at - there.at).norm() < 1e-6, "{k}");
            let short = least.sqrt() * 0.999;
            assert_eq!((near.facet(&p, short, None), near.facet(&p, short, hint)), (None, None), "{k}");
        }
    }

    #[test]
    fn a_mesh_without_a_sound_facet_has_none() {
        let mesh = Mesh { vertices: vec![Point3::from(Vec3::repeat(f64::NAN))], facets: vec![[0, 0, 0], [0, 1, 2]] };
        assert!(Near::new(&mesh).is_none());
    }
}
