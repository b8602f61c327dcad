//! The nearest points of every point of a cloud at once, or of many places.
//!
//! Asked for one point's neighbours after another, a tree finds nearly the same points again
//! and again. In a cloud in space-filling order ([`crate::order`]) a run of points lies close
//! together, so one box about the run and a margin (the *ball*) holds the neighbours of them all, and a plain pass over
//! what lies in it answers each in a third of the time of a walk down the tree. The same holds for
//! places that are not of the cloud but follow one another as closely, as another scan's points do. What lies in the ball is
//! handed out by [`Runs`]; the tree is asked where the margin was too small.

use crate::index::Index;
use crate::runs::{self, Runs};
use rayon::prelude::*;
use stringline_core::{Point3, Vec3};

/// Points answered from one ball.
const RUN: usize = 32;

/// Points one worker takes at a time.
const SHARE: usize = 64 * RUN;

/// The ball reaches beyond the run by this many times the usual distance of a point's farthest
/// neighbour. Points in sparser spots than that are asked of the tree.
const MARGIN: f64 = 1.15;

/// A run of places that are farther from the points than this many times its own reach is asked of the tree.
const FARTHEST: f64 = 2.0;

/// A run of no more places than this is asked of the tree.
const FEWEST: usize = 4;

/// Distances looked over at once.
const BLOCK: usize = 8;

/// A ball that holds more points than this is no help: the run is not in one place, and is halved. Coincident points are
/// another such case.
const FULLEST: usize = 16 * RUN;

/// Calls `f` with each point's id and its `k` nearest points (in `f32`), itself or one that
/// coincides with it among them, in no particular order; all points if there are fewer.
/// Returns what `f` returned, in order of id. The points must be in space-filling order, or it takes long.
pub(crate) fn map<R: Send + Clone + Default>(
    points: &[Point3],
    index: &Index,
    k: usize,
    f: impl Fn(u32, &[u32]) -> R + Sync,
) -> Vec<R> {
    let runs = Runs::of_ordered(points);
    let among = Among { points, index, runs: &runs };
    let mut results = vec![R::default(); points.len()];
    results.par_chunks_mut(SHARE).enumerate().for_each(|(share, results)| {
        let mut ball = Ball::new();
        for (run, results) in results.chunks_mut(RUN).enumerate() {
            let first = share * SHARE + run * RUN;
            ball.answer(&among, k, &f, first, results);
        }
    });
    results
}

/// The nearest of `points` to each of `places`, by distances in `f32`; `None` only if there are no points.
/// Fast where places that follow one another lie close together.
pub(crate) fn nearest(points: &[Point3], index: &Index, runs: &Runs, places: &[Point3]) -> Vec<Option<u32>> {
    let mut found = vec![None; places.len()];
    let mut ball = Ball::new();
    for (places, found) in places.chunks(RUN).zip(found.chunks_mut(RUN)) {
        ball.nearest(&Among { points, index, runs }, places, found);
    }
    found
}

/// What neighbours are looked for among.
struct Among<'a> {
    points: &'a [Point3],
    index: &'a Index,
    runs: &'a Runs,
}

/// Room for the points of a ball and the last run of them.
const ROOM: usize = FULLEST + runs::LEAF;

/// Storage that serves one run after the other.
struct Ball {
    ids: [u32; ROOM],
    /// Coordinates from the ball's centre, mm, an axis each; the last block is filled up with points at infinity.
    at: [[f32; ROOM]; 3],
    /// How many points it holds; what lies behind them in the lists is old.
    count: usize,
    /// A squared distance's bits above, a place in the ball below: sorts by distance.
    keys: [u64; ROOM],
    near: Vec<u32>,
    /// How far away the farthest neighbour of any point of the last run was, mm.
    usual: Option<f32>,
}

impl Ball {
    fn new() -> Ball {
        let (ids, at, keys) = ([0; ROOM], [[0.0; ROOM]; 3], [0; ROOM]);
        Ball { ids, at, count: 0, keys, near: Vec::new(), usual: None }
    }

    /// Answers the points from id `first` on, one for each of `results`.
    fn answer<R>(&mut self, among: &Among, k: usize, f: &impl Fn(u32, &[u32]) -> R, first: usize, results: &mut [R]) {
        let Among { points, index, .. } = among;
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
        let useful = margin.is_finite() && self.fill(among, &centre, &(high - low), margin);
        if !useful && run.len() > 1 {
            let (left, right) = results.split_at_mut(results.len() / 2);
            let middle = first + left.len();
            self.answer(among, k, f, first, left);
            self.answer(among, k, f, middle, right);
            return;
        }

        let mut widest = 0.0_f32;
        for (i, result) in results.iter_mut().enumerate() {
            // What lies within the margin is in the ball.
            let near = if useful { self.select(&(run[i] - centre), k, margin as f32) } else { None };
            let farthest = near.unwrap_or_else(|| {
                self.near = index.k_nearest(&run[i], k);
                self.near.last().map_or(0.0, |&last| (points[last as usize] - run[i]).norm() as f32)
            });
            widest = widest.max(farthest);
            *result = f((first + i) as u32, &self.near);
        }
        self.usual = Some(widest).filter(|widest| widest.is_finite());
    }

    /// Finds the point nearest to each of the places.
    fn nearest(&mut self, among: &Among, places: &[Point3], found: &mut [Option<u32>]) {
        let Among { points, index, .. } = among;
        let Some(&first) = places.first() else { return };
        let distance = |p: &Point3, i: u32| (points[i as usize] - p).norm();
        let ask = |p: &Point3| index.nearest(p).map(|i| (i, distance(p, i) as f32));
        let Some(usual) = self.usual.or_else(|| ask(&first).map(|(_, d)| d)) else { return };
        let margin = MARGIN * f64::from(usual);
        let (low, high) = places.iter().fold((first, first), |(low, high), p| (low.inf(p), high.sup(p)));
        let centre = nalgebra::center(&low, &high);
        let reach = 0.5 * (high - low).norm();
        // A ball about places that are far from every point holds too much, and a short run is not worth one.
        let worth = margin <= FARTHEST * reach && places.len() > FEWEST;
        let useful = worth && self.fill(among, &centre, &(high - low), margin);
        if worth && !useful {
            let half = places.len() / 2;
            let (left, right) = found.split_at_mut(half);
            self.nearest(among, &places[..half], left);
            self.nearest(among, &places[half..], right);
            return;
        }

        let mut farthest = 0.0_f32;
        for (place, found) in places.iter().zip(found) {
            // What lies within the margin is in the ball.
            let near = if useful { self.first(&(place - centre)) } else { None };
            let near = near.filter(|&(_, d)| f64::from(d) <= margin).or_else(|| ask(place));
            farthest = farthest.max(near.map_or(0.0, |(_, d)| d));
            *found = near.map(|(i, _)| i);
        }
        self.usual = Some(farthest).filter(|d| d.is_finite());
    }

    /// The point of the ball nearest to `p`, and its distance, mm; `None` if there is none or `p` is not a number.
    fn first(&mut self, p: &Vec3) -> Option<(u32, f32)> {
        let p = [p.x, p.y, p.z].map(|c| c as f32);
        let mut least = [f32::INFINITY; BLOCK];
        let mut place = [0_u32; BLOCK];
        for (block, at) in blocks(&self.at, self.count).enumerate() {
            let distance = squares(at, &p);
            for i in 0..BLOCK {
                let nearer = distance[i] < least[i];
                least[i] = if nearer { distance[i] } else { least[i] };
                place[i] = if nearer { block as u32 } else { place[i] };
            }
        }
        let (lane, &square) = least.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1))?;
        square.is_finite().then(|| (self.ids[place[lane] as usize * BLOCK + lane], square.sqrt()))
    }

    /// Takes the points within `margin` of a box of that size about `centre`; false if they are too many.
    fn fill(&mut self, among: &Among, centre: &Point3, size: &Vec3, margin: f64) -> bool {
        let Among { points, runs, .. } = among;
        let half = size / 2.0 + Vec3::repeat(margin);
        let mut count = 0;
        runs.visit(&(centre - half), &(centre + half), &mut |places| {
            let room = count..count + runs::LEAF;
            let [x, y, z] = self.at.each_mut().map(|axis| &mut axis[room.clone()]);
            let ids = &mut self.ids[room];
            // Written always and kept only if inside: no branch to guess wrong.
            let mut kept = 0;
            for place in places {
                let id = runs.id(place);
                let d = points[id as usize] - centre;
                ids[kept] = id;
                x[kept] = d.x as f32;
                y[kept] = d.y as f32;
                z[kept] = d.z as f32;
                kept += usize::from((d.x.abs() <= half.x) & (d.y.abs() <= half.y) & (d.z.abs() <= half.z));
            }
            count += kept;
            count <= FULLEST
        });
        self.count = count;
        for axis in &mut self.at {
            axis[count..count.next_multiple_of(BLOCK)].fill(f32::INFINITY);
        }
        count <= FULLEST
    }

    /// Puts the ids of the `k` points of the ball nearest to `p` into `near`; returns the distance of the
    /// farthest, mm. `None` if there are fewer within `margin` or `p` is not a number.
    fn select(&mut self, p: &Vec3, k: usize, margin: f32) -> Option<f32> {
        let p = [p.x, p.y, p.z].map(|c| c as f32);
        let count = self.gather(&p, margin * margin);
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

    /// Puts what lies within a squared distance of `p` first into `keys`; returns how many.
    fn gather(&mut self, p: &[f32; 3], limit: f32) -> usize {
        let mut count = 0;
        for (block, at) in blocks(&self.at, self.count).enumerate() {
            let distances = squares(at, p);
            // Most blocks hold nothing near: runs of points come one after the other.
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

/// The first `count` coordinates, block by block.
fn blocks(at: &[[f32; ROOM]; 3], count: usize) -> impl Iterator<Item = [&[f32; BLOCK]; 3]> {
    let [x, y, z] = at.each_ref().map(|axis| axis[..count.next_multiple_of(BLOCK)].as_chunks::<BLOCK>().0);
    x.iter().zip(y).zip(z).map(|((x, y), z)| [x, y, z])
}

/// Squared distances from `p`.
#[inline(always)]
fn squares(at: [&[f32; BLOCK]; 3], p: &[f32; 3]) -> [f32; BLOCK] {
    let mut squares = [0.0; BLOCK];
    for (at, p) in at.into_iter().zip(p) {
        for (square, c) in squares.iter_mut().zip(at) {
            *square += (c - p) * (c - p);
        }
    }
    squares
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

    proptest! {
        #[test]
        fn the_nearest_of_many_places_are_those_of_a_full_search(
            seeds in prop::collection::vec(prop::array::uniform3(-1.0..1.0f64), 1..600),
            steps in prop::collection::vec(prop::array::uniform3(-0.1..0.1f64), 0..200),
            start in prop::array::uniform3(-3.0..3.0f64),
        ) {
            let points: Vec<Point3> = seeds.into_iter().map(Point3::from).collect();
            // A walk, as a scan's points are one, from somewhere near the points or far from them.
            let walk = steps.iter().scan(Point3::from(start), |at, &step| {
                *at += Vec3::from(step);
                Some(*at)
            });
            let places: Vec<Point3> = walk.collect();
            let found = nearest(&points, &Index::new(&points), &Runs::new(&points), &places);
            prop_assert_eq!(found.len(), places.len());
            for (place, found) in places.iter().zip(found) {
                let least = points.iter().map(|q| (q - place).norm()).fold(f64::INFINITY, f64::min);
                let found = (points[found.unwrap() as usize] - place).norm();
                prop_assert!(found - least < 1e-6, "{found} {least}");
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
        let places = [points[0], points[7], points[8], points[9], points[0]];
        let found = nearest(&points, &index, &Runs::new(&points), &places);
        assert!([found[0], found[4]].iter().all(|i| i.is_some_and(|i| points[i as usize] == points[0])), "{found:?}");
        assert_eq!(nearest(&[], &Index::new(&[]), &Runs::new(&[]), &places), [None; 5]);
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
