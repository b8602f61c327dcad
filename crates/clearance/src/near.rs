//! The facet of a mesh nearest to a place, far from it too.
//!
//! Close to an even surface its vertices lead to it ([`Scan::foot`](stringline_scan::Scan::foot)); from farther away, or where
//! facets differ in size, many of them are about as near. Here the tree of boxes that lie along the surface is walked down, the nearest
//! first, leaving out what is certainly farther away than the nearest facet known.

use crate::tree::{Four, Tree};
use crate::triangle::{Triangle, on_triangle};
use rayon::prelude::*;
use stringline_core::Point3;
use stringline_scan::Mesh;

/// Facets in a leaf of the tree, at most: more than for pairs of bodies, as a place is soon measured to a facet and half the
/// boxes are soon made.
const LEAF: usize = 4;

/// A mesh with a tree over its facets.
pub(crate) struct Near {
    tree: Tree,
    /// Its boxes.
    fours: Vec<Four>,
    /// The facets' corners, in the order of the tree.
    corners: Vec<Triangle>,
    /// What the facets are called, in the order of the tree.
    ids: Vec<u32>,
}

impl Near {
    /// Facets with a vertex that is not there, or is no number, are left out; `None` where nothing is left.
    pub(crate) fn new(mesh: &Mesh) -> Option<Near> {
        let whole = |v: &u32| mesh.vertices.get(*v as usize).is_some_and(|p| p.iter().all(|c| c.is_finite()));
        let sound: Vec<u32> = (0..mesh.facets.len() as u32)
            .into_par_iter()
            .filter(|&f| mesh.facets[f as usize].iter().all(whole))
            .collect();
        let facets: Vec<[u32; 3]> = sound.par_iter().map(|&f| mesh.facets[f as usize]).collect();
        let first = mesh.vertices[facets.first()?[0] as usize];
        let used = facets.par_iter().flatten_iter().map(|&v| mesh.vertices[v as usize]);
        let (low, high) =
            used.map(|p| (p, p)).reduce(|| (first, first), |(low, high), (l, h)| (low.inf(&l), high.sup(&h)));
        let (tree, order) = Tree::new(&mesh.vertices, &facets, nalgebra::center(&low, &high), LEAF);
        let ids: Vec<u32> = order.into_par_iter().map(|i| sound[i as usize]).collect();
        let corners = ids.par_iter().map(|&f| mesh.corners(f).map(|c| c.coords)).collect();
        Some(Near { fours: tree.fours(), tree, corners, ids })
    }

    /// The facet nearest to `p` of those nearer than `limit` (mm); of equal ones that with the lowest id. Beginning
    /// with `hint`, the answer at a place near by, makes it faster and changes nothing.
    pub(crate) fn facet(&self, p: &Point3, limit: f64, hint: &mut Hint) -> Option<u32> {
        let mut best = Best::within(limit);
        let place = self.tree.place(p);
        let away = |place: usize| (on_triangle(&self.corners[place], &p.coords) - p.coords).norm_squared();
        if let Hint(Some(place)) = *hint {
            best.take(away(place), self.ids[place], place);
        }
        // Two levels at a time: nodes on every second level from the leaves up, of which three wait on each at most.
        let mut pending = [0u64; 3 * 16 + 4];
        let lanes = if self.tree.depth().is_multiple_of(2) { 1..2 } else { 2..4 };
        let top = keys(0, &self.fours[0].away_squared(&place));
        let mut waiting = lanes.len();
        pending[..waiting].copy_from_slice(&top[lanes]);
        while waiting > 0 {
            waiting -= 1;
            let (squared, node) = ((pending[waiting] >> 32) as u32, pending[waiting] as u32 as usize);
            if squared > best.bits {
                continue;
            }
            if self.tree.is_leaf(node) {
                for place in self.tree.run(node) {
                    best.take(away(place), self.ids[place], place);
                }
                continue;
            }
            // The nearest comes last, to be looked at first.
            for key in falling(keys(node, &self.fours[node].away_squared(&place))) {
                pending[waiting] = key;
                waiting += usize::from((key >> 32) as u32 <= best.bits);
            }
        }
        *hint = Hint(best.at);
        best.facet
    }
}

/// Where the answer at a place near by was found, if there was one.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Hint(Option<usize>);

/// Of four nodes each: its square's bits above, its number below. They sort by distance.
fn keys(four: usize, squares: &[f32; 4]) -> [u64; 4] {
    std::array::from_fn(|lane| u64::from(squares[lane].to_bits()) << 32 | (4 * four + lane) as u64)
}

/// Largest first.
fn falling(mut keys: [u64; 4]) -> [u64; 4] {
    for (i, j) in [(0, 1), (2, 3), (0, 2), (1, 3), (1, 2)] {
        (keys[i], keys[j]) = (keys[i].max(keys[j]), keys[i].min(keys[j]));
    }
    keys
}

struct Best {
    squared: f64,
    /// The bits of a single that is no less: of numbers that are not negative they sort as the numbers do.
    bits: u32,
    facet: Option<u32>,
    /// Its place in the order of the tree.
    at: Option<usize>,
}

impl Best {
    fn within(limit: f64) -> Best {
        Best { squared: limit * limit, bits: Best::bits(limit * limit), facet: None, at: None }
    }

    fn bits(squared: f64) -> u32 {
        (squared as f32).next_up().to_bits()
    }

    fn take(&mut self, squared: f64, facet: u32, at: usize) {
        let nearer =
            squared < self.squared || (squared == self.squared && self.facet.is_none_or(|known| facet < known));
        if nearer {
            *self = Best { squared, bits: Best::bits(squared), facet: Some(facet), at: Some(at) };
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
        let mut hint = Hint::default();
        for k in 0..400 {
            let t = f64::from(k);
            let p = Point3::new(20.0 * (0.7 * t).sin(), 20.0 * (1.3 * t).cos(), 12.5 + 12.0 * (0.31 * t).sin());
            let away = |f: u32| {
                let corners = mesh.corners(f).map(|c| c.coords);
                (on_triangle(&corners, &p.coords) - p.coords).norm_squared()
            };
            let least = (0..sound).map(away).fold(f64::INFINITY, f64::min);
            let found = near.facet(&p, 100.0, &mut hint).unwrap();
            let none = || Hint::default();
            assert_eq!((away(found), near.facet(&p, 100.0, &mut none())), (least, Some(found)), "{k}");
            let [here, there] = [scan.foot_on_facet(&p, found), scan.foot(&p, 100.0)].map(Option::unwrap);
            assert!((here.distance - there.distance).abs() < 1e-12 && (here.at - there.at).norm() < 1e-6, "{k}");
            let short = least.sqrt() * 0.999;
            assert_eq!(
                (near.facet(&p, short, &mut none()), near.facet(&p, short, &mut hint.clone())),
                (None, None),
                "{k}"
            );
        }
    }

    #[test]
    fn a_mesh_without_a_sound_facet_has_none() {
        let mesh = Mesh { vertices: vec![Point3::from(Vec3::repeat(f64::NAN))], facets: vec![[0, 0, 0], [0, 1, 2]] };
        assert!(Near::new(&mesh).is_none());
    }
}
