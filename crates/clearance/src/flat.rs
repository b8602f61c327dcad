//! How far the outlines of two bodies are apart in a section.
//!
//! Of two straight pieces that do not cross the nearest places are an end of one and its foot on the other. Pieces
//! are gathered in runs along their outline; pairs of runs are taken in the order of their boxes' distance until none that
//! is left can be nearer.

use crate::section::Outline;
use nalgebra::{Point2, Vector2};
use rayon::prelude::*;

/// Pieces in a run.
const RUN: usize = 32;

/// Where the outlines of two bodies come nearest in a section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlatGap {
    /// On the first, in the plane, mm.
    pub on_a: Point2<f64>,
    /// On the second.
    pub on_b: Point2<f64>,
    /// mm; 0 where they cross.
    pub distance: f64,
}

type Piece = [Point2<f64>; 2];

/// A run of pieces and the box about it.
struct Run {
    pieces: Vec<Piece>,
    low: Point2<f64>,
    high: Point2<f64>,
}

/// Where outlines come nearest, in their plane; `None` where either has none. Of equally near places those that
/// come first along the outlines.
///
/// ```
/// use nalgebra::Point2;
/// use stringline_clearance::{Outline, nearest_outlines};
///
/// let line = |y: f64| Outline { places: vec![Point2::new(0.0, y), Point2::new(9.0, y)], closed: false };
/// let gap = nearest_outlines(&[line(0.0)], &[line(2.5)]).map(|gap| gap.distance);
/// assert_eq!(gap, Some(2.5));
/// ```
pub fn nearest_outlines(a: &[Outline], b: &[Outline]) -> Option<FlatGap> {
    let (a, b) = (runs(a), runs(b));
    let mut pairs: Vec<(f64, usize, usize)> = (0..a.len())
        .into_par_iter()
        .flat_map_iter(|i| {
            let (a, b) = (&a, &b);
            (0..b.len()).map(move |j| (apart(&a[i], &b[j]), i, j))
        })
        .collect();
    pairs.par_sort_unstable_by(|p, q| p.0.total_cmp(&q.0).then((p.1, p.2).cmp(&(q.1, q.2))));
    let mut best: Option<FlatGap> = None;
    for (least, i, j) in pairs {
        if best.is_some_and(|best| least >= best.distance) {
            break;
        }
        for p in &a[i].pieces {
            for q in &b[j].pieces {
                let found = between(p, q);
                if best.is_none_or(|best| found.distance < best.distance) {
                    best = Some(found);
                }
            }
        }
    }
    best
}

fn runs(outlines: &[Outline]) -> Vec<Run> {
    let mut all = Vec::new();
    for outline in outlines {
        let places: Vec<Point2<f64>> = outline.chain().collect();
        let pieces: Vec<Piece> = places.windows(2).map(|p| [p[0], p[1]]).collect();
        for pieces in pieces.chunks(RUN) {
            let ends = || pieces.iter().flatten();
            let Some(&first) = ends().next() else { continue };
            let low = ends().fold(first, |low, p| low.inf(p));
            let high = ends().fold(first, |high, p| high.sup(p));
            all.push(Run { pieces: pieces.to_vec(), low, high });
        }
    }
    all
}

/// How far two boxes are apart.
fn apart(a: &Run, b: &Run) -> f64 {
    let out = |axis: usize| (a.low[axis] - b.high[axis]).max(b.low[axis] - a.high[axis]).max(0.0);
    out(0).hypot(out(1))
}

fn between(p: &Piece, q: &Piece) -> FlatGap {
    if let Some(at) = crossing(p, q) {
        return FlatGap { on_a: at, on_b: at, distance: 0.0 };
    }
    let foot = |at: &Point2<f64>, [from, to]: &Piece| {
        let along = to - from;
        let share = along.dot(&(at - from)) / along.norm_squared();
        // Of a piece without length the share is no number.
        from + along * if share.is_nan() { 0.0 } else { share.clamp(0.0, 1.0) }
    };
    let gap = |on_a: Point2<f64>, on_b: Point2<f64>| FlatGap { on_a, on_b, distance: (on_b - on_a).norm() };
    let ends =
        [gap(p[0], foot(&p[0], q)), gap(p[1], foot(&p[1], q)), gap(foot(&q[0], p), q[0]), gap(foot(&q[1], p), q[1])];
    ends.into_iter().fold(ends[0], |best, found| if found.distance < best.distance { found } else { best })
}

/// Where two pieces cross.
fn crossing(p: &Piece, q: &Piece) -> Option<Point2<f64>> {
    let (d, e, between): (Vector2<f64>, Vector2<f64>, Vector2<f64>) = (p[1] - p[0], q[1] - q[0], q[0] - p[0]);
    let turn = d.perp(&e);
    let (s, t) = (between.perp(&e) / turn, between.perp(&d) / turn);
    // Alongside each other neither is a number, and their ends tell.
    ((0.0..=1.0).contains(&s) && (0.0..=1.0).contains(&t)).then(|| p[0] + d * s)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn circle(x: f64, y: f64, radius: f64, corners: u32) -> Outline {
        let corner = |i: u32| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / f64::from(corners)).sin_cos();
            Point2::new(x + radius * cos, y + radius * sin)
        };
        Outline { places: (0..corners).map(corner).collect(), closed: true }
    }

    #[test]
    fn circles_are_apart_by_what_their_middles_and_radii_say() {
        // Corners at angle 0 and π face each other, so the polygons are exact there: 30 − 5 − 7.
        let gap = nearest_outlines(&[circle(0.0, 0.0, 5.0, 400)], &[circle(30.0, 0.0, 7.0, 600)]).unwrap();
        assert!((gap.distance - 18.0).abs() < 1e-12, "{gap:?}");
        assert!((gap.on_a - Point2::new(5.0, 0.0)).norm() < 1e-9 && (gap.on_b - Point2::new(23.0, 0.0)).norm() < 1e-9);
        // One within the other, off its middle by 3: 20 − 5 − 3, from a corner to the middle of a chord beside it.
        let gap = nearest_outlines(&[circle(3.0, 0.0, 5.0, 400)], &[circle(0.0, 0.0, 20.0, 400)]).unwrap();
        assert!((gap.distance - 12.0 * (std::f64::consts::PI / 400.0).cos()).abs() < 1e-12, "{gap:?}");
        let crossing = nearest_outlines(&[circle(0.0, 0.0, 5.0, 400)], &[circle(6.0, 1.0, 5.0, 400)]).unwrap();
        assert_eq!((crossing.distance, crossing.on_a), (0.0, crossing.on_b));
        assert_eq!(nearest_outlines(&[circle(0.0, 0.0, 5.0, 40)], &[]), None);
    }

    #[test]
    fn runs_change_nothing() {
        // Waves over each other, the nearest places somewhere along them.
        let wave = |y: f64, turn: f64| Outline {
            places: (0..500).map(|i| f64::from(i) * 0.2).map(|x| Point2::new(x, y + (turn * x).sin())).collect(),
            closed: false,
        };
        let (a, b) = ([wave(0.0, 0.37)], [wave(2.6, 0.53)]);
        let found = nearest_outlines(&a, &b).unwrap();
        let pieces = |o: &Outline| o.places.windows(2).map(|p| [p[0], p[1]]).collect::<Vec<_>>();
        let all =
            pieces(&a[0]).into_iter().flat_map(|p| pieces(&b[0]).into_iter().map(move |q| between(&p, &q).distance));
        let brute = all.fold(f64::INFINITY, f64::min);
        assert!(brute > 0.1 && (found.distance - brute).abs() < 1e-15, "{found:?} {brute}");
    }
}
