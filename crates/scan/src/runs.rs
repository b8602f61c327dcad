//! Boxes about runs of points in space-filling order, and about runs of such boxes.
//!
//! What lies in a box of a few hundred points is wanted for every few dozen points of a scan. Points in Z-order
//! ([`crate::order`]) are a tree already: a run of them lies close together and in one piece of memory, and so does a run of
//! runs. This hands out whole runs, several times as fast as the spatial index hands out points.

use crate::order;
use rayon::prelude::*;
use std::ops::Range;
use stringline_core::Point3;

/// Points a box, at most.
pub(crate) const LEAF: usize = 16;
/// Boxes a box of the next level.
const FAN: usize = 8;

/// Some points in space-filling order, which the caller keeps, and boxes about them.
pub struct Runs {
    /// Ids in that order; empty where they are in it as they come.
    order: Vec<u32>,
    points: usize,
    /// Of the runs first; the last level has one run of boxes at most.
    levels: Vec<Vec<Bounds>>,
}

/// Smallest and largest coordinates, mm.
type Bounds = (Point3, Point3);

impl Runs {
    /// Over points that are in [`order::z_order`] already.
    pub fn of_ordered(points: &[Point3]) -> Runs {
        Runs::over(points, Vec::new())
    }

    /// Over points in any order.
    pub fn new(points: &[Point3]) -> Runs {
        Runs::over(points, order::z_order(points))
    }

    fn over(points: &[Point3], order: Vec<u32>) -> Runs {
        // What is not a number is smaller and larger than nothing.
        let empty = (Point3::from([f64::INFINITY; 3]), Point3::from([f64::NEG_INFINITY; 3]));
        let around = |(low, high): Bounds, &(l, h): &Bounds| (low.inf(&l), high.sup(&h));
        let mut runs = Runs { order, points: points.len(), levels: Vec::new() };
        let point = |place: usize| points[runs.id(place) as usize];
        let mut level: Vec<Bounds> = (0..points.len().div_ceil(LEAF))
            .into_par_iter()
            .with_min_len(1024)
            .map(|leaf| runs.places(leaf).map(point).fold(empty, |all, p| around(all, &(p, p))))
            .collect();
        let mut levels = Vec::new();
        while level.len() > FAN {
            let next = level.chunks(FAN).map(|boxes| boxes.iter().fold(empty, around)).collect();
            levels.push(std::mem::replace(&mut level, next));
        }
        levels.push(level);
        runs.levels = levels;
        runs
    }

    /// The places in the order of a run.
    fn places(&self, leaf: usize) -> Range<usize> {
        leaf * LEAF..(leaf * LEAF + LEAF).min(self.points)
    }

    /// The id of the point that has a place in the order.
    pub(crate) fn id(&self, place: usize) -> u32 {
        if self.order.is_empty() { place as u32 } else { self.order[place] }
    }

    /// Visits the [places](Runs::id) of all points between `low` and `high` (mm) and of some others near them, until
    /// `visit` answers false.
    pub(crate) fn visit(&self, low: &Point3, high: &Point3, visit: &mut impl FnMut(Range<usize>) -> bool) {
        let top = self.levels.len() - 1;
        self.visit_some(top, 0..self.levels[top].len(), low, high, visit);
    }

    fn visit_some(
        &self,
        level: usize,
        boxes: Range<usize>,
        low: &Point3,
        high: &Point3,
        visit: &mut impl FnMut(Range<usize>) -> bool,
    ) -> bool {
        for at in boxes {
            let (l, h) = &self.levels[level][at];
            let meets = (0..3).fold(true, |meets, k| meets & (l[k] <= high[k]) & (h[k] >= low[k]));
            if !meets {
                continue;
            }
            let go_on = match level {
                0 => visit(self.places(at)),
                _ => {
                    let below = at * FAN..(at * FAN + FAN).min(self.levels[level - 1].len());
                    self.visit_some(level - 1, below, low, high, visit)
                }
            };
            if !go_on {
                return false;
            }
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn all_that_lies_in_a_box_is_visited_once(
            points in prop::collection::vec(prop::array::uniform3(-1.0..1.0f64), 0..2000),
            middle in prop::array::uniform3(-1.0..1.0f64),
            half in 0.0..0.5f64,
        ) {
            let points: Vec<Point3> = points.into_iter().map(Point3::from).collect();
            let (low, high) = (Point3::from(middle.map(|c| c - half)), Point3::from(middle.map(|c| c + half)));
            let mut visited = vec![0; points.len()];
            let runs = Runs::new(&points);
            runs.visit(&low, &high, &mut |places| {
                places.for_each(|place| visited[runs.id(place) as usize] += 1);
                true
            });
            for (p, &times) in points.iter().zip(&visited) {
                prop_assert!(times < 2);
                let inside = (0..3).all(|k| low[k] <= p[k] && p[k] <= high[k]);
                prop_assert!(times == 1 || !inside);
            }
        }
    }

    #[test]
    fn what_is_not_a_number_hides_nothing() {
        let mut points = vec![Point3::new(0.5, 0.25, 0.125); 100];
        points[7].x = f64::NAN;
        points[8] = Point3::from([f64::NAN; 3]);
        let mut count = 0;
        Runs::of_ordered(&points).visit(&Point3::origin(), &Point3::new(1.0, 1.0, 1.0), &mut |places| {
            count += places.len();
            count < 98
        });
        assert!((98..114).contains(&count));
        Runs::new(&[]).visit(&Point3::origin(), &Point3::origin(), &mut |_| unreachable!());
    }
}
