//! Finding facets near a place or along a ray, with no tree over all of them.
//!
//! The scan's index knows the vertices. A point of a facet whose longest edge is `L` has one of
//! its corners within `L/√3` (the worst is the centre of an equilateral one), so that facets of
//! usual size are found by their corners. Only the few facets far larger than the rest, for which
//! that would mean to look far around, are kept in a tree of boxes of their own; in a small mesh
//! all are, and the tree is still small.

use crate::geometry::Mesh;
use crate::ray::Ray;
use rayon::prelude::*;
use stringline_core::{Point3, Vec3};

/// A mesh of up to this many facets is all in the tree.
const SMALL: usize = 1 << 16;

/// The shares of the facets that may count as long. A larger one is taken only where it pays.
const LONG_SHARES: [f64; 4] = [1.0 / 64.0, 1.0 / 32.0, 1.0 / 16.0, 1.0 / 8.0];

/// Facets whose edges tell what is usual.
const SAMPLE: usize = 1 << 16;

/// A leaf of the tree holds up to this many facets.
const LEAF: usize = 4;

/// Subtrees of fewer facets are built on one core.
const PARALLEL: usize = 1 << 13;

/// How the facets of one mesh are found.
pub(crate) struct Facets {
    /// Every facet that is not in the tree has a corner within this distance of each of its points,
    /// mm. Zero if all are in the tree.
    pub(crate) reach: f64,
    /// The others.
    pub(crate) long: BoxTree,
}

impl Facets {
    pub(crate) fn new(mesh: &Mesh) -> Facets {
        Facets::with(mesh, SMALL)
    }

    /// With another limit than [`SMALL`].
    pub(crate) fn with(mesh: &Mesh, small: usize) -> Facets {
        let limit = if mesh.facets.len() <= small { 0.0 } else { usual_edge(mesh) };
        let squared = limit * limit;
        let is_long = |facet: &[u32; 3]| {
            let whole = facet.iter().all(|&v| (v as usize) < mesh.vertices.len());
            // Not written `>`: an edge that is not a number makes no facet of usual size.
            whole && !longest_squared(mesh, facet).is_some_and(|l| l <= squared)
        };
        let long: Vec<u32> = mesh
            .facets
            .par_iter()
            .enumerate()
            .with_min_len(1 << 14)
            .filter(|(_, facet)| squared == 0.0 || is_long(facet))
            .map(|(id, _)| id as u32)
            .collect();
        Facets { reach: limit / 3.0_f64.sqrt(), long: BoxTree::new(mesh, long) }
    }
}

/// The square of a facet's longest edge; `None` if it has a corner that is not there.
fn longest_squared(mesh: &Mesh, facet: &[u32; 3]) -> Option<f64> {
    let [a, b, c] = corners(mesh, facet)?;
    Some((a - b).norm_squared().max((b - c).norm_squared()).max((c - a).norm_squared()))
}

/// The corners of a facet whose vertices are all there.
fn corners(mesh: &Mesh, facet: &[u32; 3]) -> Option<[Point3; 3]> {
    let [a, b, c] = facet.map(|v| mesh.vertices.get(v as usize).copied());
    Some([a?, b?, c?])
}

/// The longest edge up to which a facet is of usual size, mm.
///
/// What a search costs grows with the square of it. So of the shares that may be taken for long
/// the one is chosen that has the least product with that square: twice as many facets must at
/// least halve the area looked over.
fn usual_edge(mesh: &Mesh) -> f64 {
    let stride = mesh.facets.len() / SAMPLE + 1;
    let mut edges: Vec<f64> =
        mesh.facets.iter().step_by(stride).filter_map(|f| longest_squared(mesh, f)).filter(|l| l.is_finite()).collect();
    edges.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| {
        let last = edges.len().saturating_sub(1);
        edges.get(last - (share * last as f64) as usize).copied().unwrap_or(0.0)
    };
    let price = |share: &f64| share * at(*share);
    let share = LONG_SHARES.into_iter().min_by(|a, b| price(a).total_cmp(&price(b))).unwrap_or(LONG_SHARES[0]);
    at(share).sqrt()
}

/// A box, mm.
#[derive(Clone, Copy)]
pub(crate) struct Bounds {
    pub(crate) low: Point3,
    pub(crate) high: Point3,
}

impl Bounds {
    const NONE: Bounds = Bounds {
        low: Point3::new(f64::INFINITY, f64::INFINITY, f64::INFINITY),
        high: Point3::new(f64::NEG_INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY),
    };

    fn join(&self, other: &Bounds) -> Bounds {
        Bounds { low: self.low.inf(&other.low), high: self.high.sup(&other.high) }
    }

    fn of(points: &[Point3]) -> Bounds {
        points.iter().fold(Bounds::NONE, |b, p| b.join(&Bounds { low: *p, high: *p }))
    }

    /// The square of the distance from a point, mm²; 0 inside.
    fn distance_squared(&self, p: &Point3) -> f64 {
        (self.low - p).sup(&(p - self.high)).sup(&Vec3::zeros()).norm_squared()
    }
}

/// A balanced binary tree of boxes over some facets of a mesh.
///
/// Node 1 is the root, the children of node `i` are `2i` and `2i + 1`, and the facets are sorted
/// so that the leaves, all at one depth, hold equal runs of them: nothing but boxes is stored.
pub(crate) struct BoxTree {
    facets: Vec<u32>,
    boxes: Vec<Bounds>,
}

impl BoxTree {
    fn new(mesh: &Mesh, facets: Vec<u32>) -> BoxTree {
        // Three times the centre: it only has to order.
        let centred =
            |id: u32| Some((id, corners(mesh, mesh.facets.get(id as usize)?)?.iter().map(|p| p.coords).sum()));
        let mut centred: Vec<(u32, Vec3)> = facets.into_par_iter().with_min_len(1024).filter_map(centred).collect();
        let leaves = centred.len().div_ceil(LEAF).next_power_of_two();
        let mut boxes = vec![Bounds::NONE; 2 * leaves];
        let count = centred.len();
        let run = |leaf: usize| count * leaf / leaves;
        sort(&mut centred, 0..leaves, &run);
        let facets: Vec<u32> = centred.into_iter().map(|(id, _)| id).collect();
        boxes[leaves..].par_iter_mut().with_min_len(256).enumerate().for_each(|(leaf, bounds)| {
            *bounds = facets[run(leaf)..run(leaf + 1)]
                .iter()
                .fold(Bounds::NONE, |b, &f| b.join(&Bounds::of(&mesh.corners(f))));
        });
        for node in (1..leaves).rev() {
            boxes[node] = boxes[2 * node].join(&boxes[2 * node + 1]);
        }
        BoxTree { facets, boxes }
    }

    /// How many facets it holds.
    #[cfg(test)]
    pub(crate) fn len(&self) -> usize {
        self.facets.len()
    }

    /// Visits the facets whose boxes the ray meets between `from` and the limit, near ones first.
    /// `visit` is given a facet and returns the limit from then on.
    pub(crate) fn along(&self, ray: &Ray, from: f64, limit: f64, visit: impl FnMut(u32) -> f64) {
        self.search(|bounds| ray.enters(&bounds.low, &bounds.high, from), limit, visit);
    }

    /// Visits the facets whose boxes lie within the limit, a squared distance (mm²), of `p`, near
    /// ones first. `visit` is given a facet and returns the limit from then on.
    pub(crate) fn near(&self, p: &Point3, limit: f64, visit: impl FnMut(u32) -> f64) {
        self.search(|bounds| Some(bounds.distance_squared(p)), limit, visit);
    }

    /// Walks down, the child that `key` puts first before the other, leaving out those beyond the limit.
    fn search(&self, key: impl Fn(&Bounds) -> Option<f64>, mut limit: f64, mut visit: impl FnMut(u32) -> f64) {
        let leaves = self.boxes.len() / 2;
        let count = self.facets.len();
        // One pending sibling a level at most, and facets are numbered by a u32.
        let mut pending = [(0usize, 0.0f64); 40];
        let mut depth = 0;
        let mut next = key(&self.boxes[1]).map(|k| (1, k));
        loop {
            let Some((node, k)) = next.take() else {
                if depth == 0 {
                    return;
                }
                depth -= 1;
                next = Some(pending[depth]);
                continue;
            };
            if k > limit {
                continue;
            }
            if node >= leaves {
                let leaf = node - leaves;
                for &facet in &self.facets[count * leaf / leaves..count * (leaf + 1) / leaves] {
                    limit = visit(facet);
                }
                continue;
            }
            let child = |i: usize| key(&self.boxes[i]).map(|k| (i, k));
            next = match (child(2 * node), child(2 * node + 1)) {
                (Some(a), Some(b)) => {
                    let (near, far) = if b.1 < a.1 { (b, a) } else { (a, b) };
                    pending[depth] = far;
                    depth += 1;
                    Some(near)
                }
                (a, b) => a.or(b),
            };
        }
    }
}

/// Sorts the facets of some leaves so that those of each half of the leaves lie together, and within
/// it those of each half of that half. `run` says at which of all facets a leaf begins.
fn sort(facets: &mut [(u32, Vec3)], leaves: std::ops::Range<usize>, run: &(impl Fn(usize) -> usize + Sync)) {
    if leaves.len() < 2 || facets.len() < 2 {
        return;
    }
    let spread = facets.iter().fold(Bounds::NONE, |b, (_, c)| b.join(&Bounds::of(&[Point3::from(*c)])));
    let axis = (spread.high - spread.low).imax();
    let middle = leaves.start + leaves.len() / 2;
    let half = run(middle) - run(leaves.start);
    if half < facets.len() {
        facets.select_nth_unstable_by(half, |a, b| a.1[axis].total_cmp(&b.1[axis]).then(a.0.cmp(&b.0)));
    }
    let large = facets.len() > PARALLEL;
    let (low, high) = facets.split_at_mut(half);
    if large {
        rayon::join(|| sort(low, leaves.start..middle, run), || sort(high, middle..leaves.end, run));
    } else {
        sort(low, leaves.start..middle, run);
        sort(high, middle..leaves.end, run);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stringline_core::UnitVec3;

    /// A flat sheet of `n`×`n` squares of side 1 in two facets each, with a roof of two long ones above.
    fn sheet(n: u32) -> Mesh {
        let id = |i: u32, j: u32| i * (n + 1) + j;
        let mut mesh = Mesh::default();
        for i in 0..=n {
            mesh.vertices.extend((0..=n).map(|j| Point3::new(f64::from(i), f64::from(j), 0.0)));
        }
        for (i, j) in (0..n).flat_map(|i| (0..n).map(move |j| (i, j))) {
            let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
            mesh.facets.extend([[a, b, c], [a, c, d]]);
        }
        let corners = [id(0, 0), id(n, 0), id(n, n), id(0, n)].map(|v| mesh.vertices[v as usize] + Vec3::z() * 9.0);
        let first = mesh.vertices.len() as u32;
        mesh.vertices.extend(corners);
        mesh.facets.extend([[first, first + 1, first + 2], [first, first + 2, first + 3]]);
        mesh
    }

    #[test]
    fn only_what_is_larger_than_usual_is_in_the_tree() {
        let mesh = sheet(40);
        let facets = Facets::with(&mesh, 0);
        assert_eq!(facets.long.len(), 2);
        assert!((facets.reach - (2.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        let all = Facets::new(&mesh);
        assert_eq!((all.long.len(), all.reach), (mesh.facets.len(), 0.0));
    }

    /// With every facet in it the tree must hand out those that are met, and not many others.
    #[test]
    fn the_tree_hands_out_what_is_met_or_near_and_little_else() {
        let mesh = sheet(40);
        let tree = Facets::new(&mesh).long;
        let down = UnitVec3::new_normalize(-Vec3::z());
        for k in 0..200 {
            let (x, y) = (0.2 * f64::from(k) + 0.013, 40.0 - 0.2 * f64::from(k) - 0.011);
            let ray = Ray::new(&Point3::new(x, y, 20.0), &down);
            let mut met = Vec::new();
            let mut visited = 0;
            tree.along(&ray, 0.0, f64::INFINITY, |f| {
                visited += 1;
                met.extend(ray.meets(&mesh.corners(f)));
                f64::INFINITY
            });
            met.sort_by(f64::total_cmp);
            assert!(met.len() == 2 && (met[0] - 11.0).abs() < 1e-12 && (met[1] - 20.0).abs() < 1e-12, "{k}: {met:?}");
            assert!(visited < 40, "{k}: {visited}");
            let mut close = 0;
            tree.near(&Point3::new(x, y, 0.0), 0.25, |_| {
                close += 1;
                0.25
            });
            assert!((1..60).contains(&close), "{k}: {close}");
        }
    }

    #[test]
    fn facets_without_corners_do_no_harm() {
        let mesh = Mesh { vertices: vec![Point3::origin()], facets: vec![[0, 0, 7], [0, 0, 0]] };
        for facets in [Facets::new(&mesh), Facets::with(&mesh, 0)] {
            assert!(facets.long.len() <= 1);
        }
        assert_eq!(Facets::new(&Mesh::default()).long.len(), 0);
    }
}
