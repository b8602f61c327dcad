//! The spatial index: a k-d tree over the points in `f32`.
//!
//! The tree holds coordinates relative to the scan's middle, where `f32` resolves a tenth of a
//! micrometre over a metre: enough to say which points are near. Where a limit decides what
//! belongs to a patch ([`Index::within`]), the tree only proposes and the exact points decide.

use crate::neighbourhoods;
use crate::runs::Runs;
use kiddo::{ImmutableKdTree, SquaredEuclidean};
use rayon::prelude::*;
use std::num::NonZero;
use stringline_core::{Point3, Vec3};

/// Nothing lies farther out than this, mm: its square still fits `f32`.
const FARTHEST: f64 = 1e18;

/// An index over points that the caller keeps.
pub struct Index {
    /// `None` for no points.
    tree: Option<ImmutableKdTree<f32, 3>>,
    middle: Point3,
}

impl Index {
    /// Builds the tree, on all cores, over at most `u32::MAX` points (mm).
    pub fn new(points: &[Point3]) -> Index {
        let middle = middle(points);
        let near: Vec<[f32; 3]> = points.par_iter().map(|p| relative(p, &middle)).collect();
        // Building fails only for more points than a u32 can number.
        let tree = if near.is_empty() { None } else { ImmutableKdTree::new_from_slice(&near).ok() };
        Index { tree, middle }
    }

    /// The point nearest to `p`, by distances in `f32`; `None` if there are no points.
    pub fn nearest(&self, p: &Point3) -> Option<u32> {
        let query = relative(p, &self.middle);
        let hit = self.tree.as_ref()?.query(&query).nearest_one::<SquaredEuclidean<f32>>();
        Some(hit.execute().item)
    }

    /// The nearest to each of `places` of `points`, which are those the index and the runs were made from, by
    /// distances in `f32`; `None` if there are no points. Several times as fast as one after the other where places that follow
    /// one another lie close together.
    pub fn nearest_to_each(&self, points: &[Point3], runs: &Runs, places: &[Point3]) -> Vec<Option<u32>> {
        neighbourhoods::nearest(points, self, runs, places)
    }

    /// The `k` points nearest to `p`, nearest first by distances in `f32`; all of them if there are fewer.
    pub fn k_nearest(&self, p: &Point3, k: usize) -> Vec<u32> {
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

    /// Every one of `points`, which are those the index was built from, within `radius` (mm)
    /// of `p`, in order of id.
    pub fn within(&self, points: &[Point3], p: &Point3, radius: f64) -> Vec<u32> {
        let mut found = Vec::new();
        self.visit_within_roughly(p, radius, |i| {
            if (points[i as usize] - p).norm_squared() <= radius * radius {
                found.push(i);
            }
        });
        found.sort_unstable();
        found
    }

    /// The middle of the points, far strays aside, mm.
    pub(crate) fn middle(&self) -> Point3 {
        self.middle
    }

    /// The point nearest to `p` of `points`, which are those the index was built from, and a distance
    /// within which there is none: less than its own by no more than rounding to `f32` explains.
    pub(crate) fn nearest_and_clear(&self, points: &[Point3], p: &Point3) -> Option<(u32, f64)> {
        let nearest = self.nearest(p)?;
        let distance = (points[nearest as usize] - p).norm();
        // The nearest point and the one found differ by less than the rounding of either.
        let size = (p - self.middle).norm() + distance;
        Some((nearest, distance - 8.0 * f64::from(f32::EPSILON) * size))
    }

    /// Visits all points within `radius` of `p` and a few just beyond it, in no particular order.
    pub(crate) fn visit_within_roughly(&self, p: &Point3, radius: f64, mut visit: impl FnMut(u32)) {
        let Some(tree) = &self.tree else {
            return;
        };
        let centre = relative(p, &self.middle);
        // More than the rounding of the query, of a point at that distance and of the sum of squares.
        let size = centre.iter().fold(radius, |m, c| m.max(f64::from(c.abs())));
        let reach = radius + 8.0 * f64::from(f32::EPSILON) * size;
        let reach_squared = (reach * reach).min(4.0 * FARTHEST * FARTHEST) as f32;
        tree.query(&centre).within::<SquaredEuclidean<f32>>(reach_squared).unsorted().visit(|hit| visit(hit.item));
    }
}

/// Coordinates from the middle, kept inside what a squared `f32` can hold; NaN becomes 0.
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

    fn cloud() -> impl Strategy<Value = Vec<Point3>> {
        // A coarse lattice makes ties and duplicates; an offset as of a car frame makes f32 round.
        let coordinate = prop_oneof![(-8i32..8).prop_map(|i| f64::from(i) * 0.1), -1.0..1.0];
        let point = prop::array::uniform3(coordinate);
        let offset = prop::sample::select(vec![0.0, 2500.0]);
        (prop::collection::vec(point, 0..200), offset).prop_map(|(points, offset)| {
            let moved = |[x, y, z]: [f64; 3]| Point3::new(x + offset, y - offset, z);
            points.into_iter().map(moved).collect()
        })
    }

    proptest! {
        #[test]
        fn answers_are_those_of_a_full_search(points in cloud(), k in 0usize..20, radius in 0.0..1.5f64) {
            let index = Index::new(&points);
            for p in points.iter().take(5).chain([&Point3::new(0.05, 0.05, 0.0)]) {
                let distance = |i: &u32| (points[*i as usize] - p).norm();
                let mut all: Vec<u32> = (0..points.len() as u32).collect();
                let inside: Vec<u32> = all.iter().copied()
                    .filter(|&i| (points[i as usize] - p).norm_squared() <= radius * radius)
                    .collect();
                prop_assert_eq!(index.within(&points, p, radius), inside);
                all.sort_by(|i, j| distance(i).total_cmp(&distance(j)));
                all.truncate(k);
                let found = index.k_nearest(p, k);
                prop_assert_eq!(found.len(), all.len());
                // Points as near as each other may change places.
                let slack = 1e-6 * points.iter().map(|q| (q - p).norm()).fold(1.0, f64::max);
                for (i, j) in found.iter().zip(&all) {
                    prop_assert!((distance(i) - distance(j)).abs() < slack);
                }
                let mut distinct = found.clone();
                distinct.sort_unstable();
                distinct.dedup();
                prop_assert_eq!(distinct.len(), found.len());
                if let Some(nearest) = index.nearest(p) {
                    prop_assert!((0..points.len() as u32).all(|i| distance(&nearest) <= distance(&i) + slack));
                }
            }
        }
    }

    #[test]
    fn odd_points_do_no_harm() {
        let points = [
            Point3::new(f64::NAN, 0.0, 0.0),
            Point3::new(f64::INFINITY, 0.0, 0.0),
            Point3::new(1e300, 0.0, 0.0),
            Point3::new(2.0, 0.0, 0.0),
        ];
        let index = Index::new(&points);
        assert_eq!(index.within(&points, &Point3::origin(), 10.0), [3]);
        assert!(index.within(&points, &Point3::new(f64::NAN, 0.0, 0.0), 1.0).is_empty());
        assert_eq!(index.k_nearest(&Point3::new(1.9, 0.0, 0.0), 10).len(), 4);
        // As many as asked for, however many coincide: more than a leaf of the tree holds.
        let same = vec![Point3::new(1.0, 2.0, 3.0); 5000];
        let index = Index::new(&same);
        assert_eq!(index.k_nearest(&same[0], 3).len(), 3);
        assert_eq!(index.within(&same, &same[0], 0.0).len(), 5000);
        assert_eq!(Index::new(&[]).nearest(&same[0]), None);
    }
}
