//! The nearest points of every point of a cloud at once.
//!
//! Asked for one point's neighbours after another, a tree finds nearly the same points again
//! and again. In a cloud in space-filling order ([`crate::order`]) a run of points lies close
//! together, so one ball about the run holds the neighbours of them all, and a plain pass over
//! the ball answers each in a third of the time of a walk down the tree.

use crate::index::Index;
use rayon::prelude::*;
use stringline_core::{Point3, Vec3};

/// Points answered from one ball.
const RUN: usize = 32;

/// Points one worker takes at a time.
const SHARE: usize = 64 * RUN;

/// The ball reaches beyond the run by this many times the usual distance of a point's farthest
/// neighbour. Points in sparser spots than that are asked of the tree.
const MARGIN: f64 = 1.3;

/// A point's farthest neighbour is looked for this many times as far as its predecessor's,
/// and farther only if too few lie within.
const GUESS: f32 = 1.15;

/// A run that reaches this many margins from its centre is not in one place: it is halved.
const WIDEST: f64 = 4.0;

/// Distances looked over at once.
const BLOCK: usize = 8;

/// A ball that holds more points than this is no help; coincident points are such a case.
const FULLEST: usize = 32 * RUN;

/// Calls `f` with each point's id and its `k` nearest points (in `f32`), itself or one that
/// coincides with it among them, in no particular order; all points if there are fewer.
/// Returns what `f` returned, in order of id.
pub(crate) fn map<R: Send + Clone + Default>(
    points: &[Point3],
    index: &Index,
    k: usize,
    f: impl Fn(u32, &[u32]) -> R + Sync,
) -> Vec<R> {
    let mut results = vec![R::default(); points.len()];
    results.par_chunks_mut(SHARE).enumerate().for_each(|(share, results)| {
        let mut ball = Ball::default();
        for (run, results) in results.chunks_mut(RUN).enumerate() {
            let first = share * SHARE + run * RUN;
            ball.answer(points, index, k, &f, first, results);
        }
    });
    results
}

/// Storage that serves one run after the other.
#[derive(Default)]
struct Ball {
    ids: Vec<u32>,
    /// Coordinates from the ball's centre, mm.
    x: Vec<f32>,
    y: Vec<f32>,
    z: Vec<f32>,
    /// Squared distances from the point in question, mm².
    distance: Vec<f32>,
    /// A squared distance's bits above, a place in the ball below: sorts by distance.
    keys: Vec<u64>,
    near: Vec<u32>,
    /// How far the farthest neighbour of the last point was, mm, unless it had to be asked of the tree.
    usual: Option<f32>,
}

impl Ball {
    /// Answers the points from id `first` on, one for each of `results`.
    fn answer<R>(
        &mut self,
        points: &[Point3],
        index: &Index,
        k: usize,
        f: &impl Fn(u32, &[u32]) -> R,
        first: usize,
        results: &mut [R],
    ) {
        let run = &points[first..first + results.len()];
        let middle = &run[run.len() / 2];
        // Points that follow one another in the order are about equally far apart.
        let usual = self.usual.map_or_else(
            || index.k_nearest(middle, k).iter().map(|&i| (points[i as usize] - middle).norm()).fold(0.0, f64::max),
            f64::from,
        );
        let margin = MARGIN * usual;
        let (low, high) = run.iter().fold((run[0], run[0]), |(low, high), p| (low.inf(p), high.sup(p)));
        let centre = nalgebra::center(&low, &high);
        let reach = run.iter().map(|p| (p - centre).norm()).fold(0.0, f64::max);
        if reach > WIDEST * margin && run.len() > 1 {
            let (left, right) = results.split_at_mut(results.len() / 2);
            let middle = first + left.len();
            self.answer(points, index, k, f, first, left);
            self.answer(points, index, k, f, middle, right);
            return;
        }

        self.fill(points, index, &centre, &(high - low), reach, margin);
        let useful = k..=FULLEST;
        let mut guess = f32::INFINITY;
        for (i, result) in results.iter_mut().enumerate() {
            let farthest = if margin.is_finite() && useful.contains(&self.ids.len()) {
                self.select(&(run[i] - centre), k, guess)
            } else {
                None
            };
            // What lies within the margin is in the ball.
            let farthest = farthest.filter(|&d| f64::from(d) <= margin);
            *result = match farthest {
                Some(_) => f((first + i) as u32, &self.near),
                None => f((first + i) as u32, &index.k_nearest(&run[i], k)),
            };
            guess = farthest.map_or(f32::INFINITY, |d| d * GUESS);
            self.usual = farthest;
        }
    }

    /// Takes the points within `margin` of a box of that size about `centre`, whose points
    /// lie within `reach` of it.
    fn fill(&mut self, points: &[Point3], index: &Index, centre: &Point3, size: &Vec3, reach: f64, margin: f64) {
        let half = size / 2.0 + Vec3::repeat(margin);
        self.ids.clear();
        self.x.clear();
        self.y.clear();
        self.z.clear();
        index.visit_within_roughly(centre, reach + margin, |id| {
            let d = points[id as usize] - centre;
            if d.abs() <= half {
                self.ids.push(id);
                self.x.push(d.x as f32);
                self.y.push(d.y as f32);
                self.z.push(d.z as f32);
            }
        });
        self.distance.resize(self.ids.len(), 0.0);
        self.keys.resize(self.ids.len(), 0);
    }

    /// Puts the ids of the `k` points of the ball nearest to `p` into `near`, looking first
    /// within `guess`; returns the distance of the farthest, mm. `None` if there are fewer
    /// or `p` is not a number.
    fn select(&mut self, p: &Vec3, k: usize, guess: f32) -> Option<f32> {
        let [px, py, pz] = [p.x, p.y, p.z].map(|c| c as f32);
        let coordinates = self.x.iter().zip(&self.y).zip(&self.z);
        for (distance, ((x, y), z)) in self.distance.iter_mut().zip(coordinates) {
            let (dx, dy, dz) = (x - px, y - py, z - pz);
            *distance = dx * dx + dy * dy + dz * dz;
        }
        let mut count = self.gather(guess * guess);
        if count < k {
            count = self.gather(f32::INFINITY);
        }
        if count < k || k == 0 {
            return None;
        }
        let keys = &mut self.keys[..count];
        let (_, &mut farthest, _) = keys.select_nth_unstable(k - 1);
        let nearest = keys[..k].iter().map(|&key| self.ids[key as u32 as usize]);
        self.near.clear();
        self.near.extend(nearest);
        Some(f32::from_bits((farthest >> 32) as u32).sqrt())
    }

    /// Puts what lies within a squared distance first into `keys`; returns how many.
    fn gather(&mut self, limit: f32) -> usize {
        let mut count = 0;
        for (block, distances) in self.distance.chunks(BLOCK).enumerate() {
            // Most blocks hold nothing near: the tree hands out its leaves one after the other.
            if !distances.iter().fold(false, |any, &d| any | (d <= limit)) {
                continue;
            }
            for (i, &distance) in distances.iter().enumerate() {
                // Written always and kept only if near: no branch to guess wrong.
                self.keys[count] = u64::from(distance.to_bits()) << 32 | (block * BLOCK + i) as u64;
                count += usize::from(distance <= limit);
            }
        }
        count
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The distances of the points found, shortest first.
    fn distances(points: &[Point3], p: &Point3, near: &[u32]) -> Vec<f64> {
        let mut d: Vec<f64> = near.iter().map(|&i| (points[i as usize] - p).norm()).collect();
        d.sort_by(f64::total_cmp);
        d
    }

    proptest! {
        #[test]
        fn finds_what_a_full_search_finds(
            seeds in prop::collection::vec(prop::array::uniform3(-1.0..1.0f64), 1..300),
            dense in 0usize..3,
            k in 0usize..20,
        ) {
            // In three degrees of crowding, in no order at all.
            let scale = [1.0, 0.01, 0.0][dense];
            let points: Vec<Point3> = seeds.iter().enumerate()
                .map(|(i, &s)| Point3::from(if i % 3 == 0 { s } else { s.map(|c| c * scale) }))
                .collect();
            let index = Index::new(&points);
            let found = map(&points, &index, k, |id, near| (id, near.to_vec()));
            let all: Vec<u32> = (0..points.len() as u32).collect();
            for (i, (id, near)) in found.iter().enumerate() {
                prop_assert_eq!(i as u32, *id);
                prop_assert_eq!(near.len(), k.min(points.len()));
                let ours = distances(&points, &points[i], near);
                let all = distances(&points, &points[i], &all);
                for (a, b) in ours.iter().zip(&all) {
                    prop_assert!((a - b).abs() < 1e-6, "{a} {b}");
                }
            }
        }
    }

    #[test]
    fn odd_points_do_no_harm() {
        let mut points = vec![Point3::new(0.5, 0.25, 0.125); 100];
        points[7].x = f64::NAN;
        points[8] = Point3::new(f64::NAN, f64::INFINITY, f64::NEG_INFINITY);
        points[9].z = 1e300;
        let index = Index::new(&points);
        let counts = map(&points, &index, 16, |_, near| near.len());
        assert_eq!(counts, vec![16; 100]);
        assert!(map(&[], &Index::new(&[]), 16, |_, near| near.len()).is_empty());
    }

    #[test]
    fn a_line_far_from_the_origin_is_resolved() {
        let points: Vec<Point3> = (0..200).map(|i| Point3::new(f64::from(i) * 0.1, 1e5, -1e5)).collect();
        let index = Index::new(&points);
        for (i, near) in map(&points, &index, 5, |_, near| near.to_vec()).iter().enumerate() {
            let farthest = distances(&points, &points[i], near)[4];
            let edge = i.min(199 - i);
            let expected = [0.4, 0.3, 0.2][edge.min(2)];
            assert!((farthest - expected).abs() < 1e-9, "{i}: {farthest}");
        }
    }
}
