//! The spatial index: a k-d tree over the points in `f32`, answers checked in `f64`.
//!
//! The tree holds coordinates relative to the scan's middle, where `f32` resolves better
//! than a tenth of a micrometre over a metre. It only proposes candidates, searched a little
//! wider than asked; distances, order and ties (lowest id first) are settled on the exact points.

use kiddo::{Donnelly, KdTree, SquaredEuclidean, leaf_strategy::FlatVec};
use rayon::prelude::*;
use std::num::NonZero;
use stringline_core::{Point3, Vec3};

type Tree = KdTree<f32, u32, Donnelly<3>, FlatVec<f32, u32, 3, 32>, 3, 32>;

/// Nothing lies farther out than this, mm: its square still fits `f32`.
const FARTHEST: f64 = 1e18;

/// An index over points that the caller keeps; every query takes the same slice again.
pub(crate) struct Index {
    /// `None` for no points.
    tree: Option<Tree>,
    middle: Point3,
}

impl Index {
    /// Builds the tree on all cores. At most `u32::MAX` points.
    pub(crate) fn new(points: &[Point3]) -> Index {
        let middle = middle(points);
        let near: Vec<[f32; 3]> = points.par_iter().map(|p| relative(p, &middle)).collect();
        // Building fails only for more points than a u32 can number; a scan holds fewer.
        let tree = if near.is_empty() { None } else { Tree::new_from_slice(&near).ok() };
        Index { tree, middle }
    }

    /// The point nearest to `p`.
    pub(crate) fn nearest(&self, points: &[Point3], p: &Point3) -> Option<u32> {
        self.k_nearest(points, p, 1).first().copied()
    }

    /// The `k` points nearest to `p`, nearest first; all of them if there are fewer.
    pub(crate) fn k_nearest(&self, points: &[Point3], p: &Point3, k: usize) -> Vec<u32> {
        let distance = |i: u32| (points[i as usize] - p).norm_squared();
        let proposed = self.k_nearest_roughly(p, k);
        let reach = proposed.iter().map(|&i| distance(i)).fold(0.0, f64::max);
        // What rounding to f32 pushed out of the k nearest lies within their reach.
        let mut found: Vec<(f64, u32)> = self.candidates(p, reach.sqrt()).map(|i| (distance(i), i)).collect();
        found.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        found.truncate(k);
        found.into_iter().map(|(_, i)| i).collect()
    }

    /// As [`Index::k_nearest`], with distances compared in `f32`: for statistics over
    /// neighbourhoods, where it is twice as fast.
    pub(crate) fn k_nearest_roughly(&self, p: &Point3, k: usize) -> Vec<u32> {
        let (Some(tree), Some(k)) = (&self.tree, NonZero::new(k)) else {
            return Vec::new();
        };
        tree.query(&relative(p, &self.middle))
            .nearest_n::<SquaredEuclidean<f32>>(k)
            .execute()
            .into_iter()
            .map(|hit| hit.item)
            .collect()
    }

    /// Every point within `radius` of `p`, in order of id.
    pub(crate) fn within(&self, points: &[Point3], p: &Point3, radius: f64) -> Vec<u32> {
        let mut found: Vec<u32> = self
            .candidates(p, radius)
            .filter(|&i| (points[i as usize] - p).norm_squared() <= radius * radius)
            .collect();
        found.sort_unstable();
        found
    }

    /// All points within `radius` of `p` and a few just beyond it.
    fn candidates(&self, p: &Point3, radius: f64) -> impl Iterator<Item = u32> {
        let centre = relative(p, &self.middle);
        // More than the rounding of the query, of a point at that distance and of the sum of squares.
        let size = centre.iter().fold(radius, |m, c| m.max(f64::from(c.abs())));
        let reach = radius + 8.0 * f64::from(f32::EPSILON) * size;
        let reach_squared = (reach * reach).min(4.0 * FARTHEST * FARTHEST) as f32;
        self.tree.iter().flat_map(move |tree| {
            tree.query(&centre)
                .within::<SquaredEuclidean<f32>>(reach_squared)
                .unsorted()
                .execute()
                .into_iter()
                .map(|hit| hit.item)
        })
    }
}

/// Coordinates from the middle, kept inside what a squared `f32` can hold; NaN becomes 0
/// (such a point is never an answer, its exact distance being NaN).
fn relative(p: &Point3, middle: &Point3) -> [f32; 3] {
    let d: Vec3 = p - middle;
    [d.x, d.y, d.z].map(|c| if c.is_nan() { 0.0 } else { c.clamp(-FARTHEST, FARTHEST) as f32 })
}

/// The median coordinates of a thousand of the points: a few far strays do not move it.
fn middle(points: &[Point3]) -> Point3 {
    let stride = points.len() / 1000 + 1;
    let mut middle = Point3::origin();
    for axis in 0..3 {
        let mut values: Vec<f64> = points.iter().step_by(stride).map(|p| p[axis]).filter(|c| c.is_finite()).collect();
        values.sort_unstable_by(f64::total_cmp);
        middle[axis] = values.get(values.len() / 2).copied().unwrap_or(0.0);
    }
    middle
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn brute_force(points: &[Point3], p: &Point3) -> Vec<(f64, u32)> {
        let mut all: Vec<(f64, u32)> =
            points.iter().enumerate().map(|(i, q)| ((q - p).norm_squared(), i as u32)).collect();
        all.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        all
    }

    fn cloud() -> impl Strategy<Value = Vec<Point3>> {
        // A coarse lattice makes ties and duplicates; an offset as of a car frame makes f32 round.
        let coordinate = prop_oneof![(-8i32..8).prop_map(|i| f64::from(i) * 0.1), -1.0..1.0];
        let point = prop::array::uniform3(coordinate);
        (prop::collection::vec(point, 0..200), prop::sample::select(vec![0.0, 2500.0])).prop_map(|(points, offset)| {
            points.into_iter().map(|[x, y, z]| Point3::new(x + offset, y - offset, z)).collect()
        })
    }

    proptest! {
        #[test]
        fn answers_are_those_of_a_full_search(points in cloud(), k in 0usize..20, radius in 0.0..1.5f64) {
            let index = Index::new(&points);
            for p in points.iter().take(5).chain([&Point3::new(0.05, 0.05, 0.0)]) {
                let all = brute_force(&points, p);
                prop_assert_eq!(index.nearest(&points, p), all.first().map(|a| a.1));
                let expected: Vec<u32> = all.iter().take(k).map(|a| a.1).collect();
                prop_assert_eq!(index.k_nearest(&points, p, k), expected);
                let mut expected: Vec<u32> = all.iter()
                    .filter(|a| a.0 <= radius * radius)
                    .map(|a| a.1).collect();
                expected.sort_unstable();
                prop_assert_eq!(index.within(&points, p, radius), expected);
            }
        }
    }

    #[test]
    fn odd_points_do_no_harm() {
        let points = [
            Point3::new(f64::NAN, 0.0, 0.0),
            Point3::new(f64::INFINITY, 0.0, 0.0),
            Point3::new(1e300, 0.0, 0.0),
            Point3::new(1.0, 0.0, 0.0),
        ];
        let index = Index::new(&points);
        assert_eq!(index.within(&points, &Point3::origin(), 10.0), [3]);
        assert_eq!(index.nearest(&points, &Point3::new(0.9, 0.0, 0.0)), Some(3));
        assert!(index.within(&points, &Point3::new(f64::NAN, 0.0, 0.0), 1.0).is_empty());
        // As many as asked for, however many coincide: more than a leaf of the tree holds.
        let same = vec![Point3::new(1.0, 2.0, 3.0); 5000];
        let index = Index::new(&same);
        assert_eq!(index.k_nearest(&same, &same[0], 3), [0, 1, 2]);
        assert_eq!(index.within(&same, &same[0], 0.0).len(), 5000);
    }
}
