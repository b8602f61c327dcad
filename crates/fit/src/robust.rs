//! Which of the painted points belong to the shape.
//!
//! A dab always spills over an edge. The scale of the noise comes from the data, redescending
//! weights (Tukey's biweight) settle the shape while far points lose their pull, then points
//! further than [`CUTOFF`] standard deviations are left out. What spills onto a fillet leaves
//! the surface gradually, too little at each point to be seen there. So the points are put in order
//! of their distance from what is clearly off, in strips all along the edge: a strip whose mean residual
//! leans to the side of the edge, against the scatter of the strips far from it, is left out too.

use crate::feature::Kind;
use crate::fit::chosen;
use crate::shapes::Model;
use crate::solve::{Part, solve};
use crate::start::spread_sample;
use kiddo::{Donnelly, KdTree, SquaredEuclidean, leaf_strategy::FlatVec};
use std::num::NonZero;
use stringline_core::Vec3;

/// Points further than this many standard deviations are left out. Cutting a normal
/// distribution here costs 0.1 % of efficiency.
const CUTOFF: f64 = 4.0;
/// Tukey's constant: 95 % efficient on a normal distribution (Holland and Welsch 1977, from memory).
const TUKEY: f64 = 4.685;
/// Median absolute value to standard deviation of a normal distribution.
const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;
/// Points the weights are settled on.
const SETTLE_SAMPLE: usize = 4000;
/// Fewer clear points than this are strays, not an edge.
const EDGE_LEAST: usize = 10;
/// Clear points that stand for the edge.
const EDGE_SAMPLE: usize = 3000;
/// A run of strips leans when its mean is this many standard deviations towards the edge.
const EDGE_LEAN: f64 = 1.7;
/// The share of the clear points that must lie beyond the ends of a bore for its ends to be its edges.
const ENDS_SHARE: f64 = 0.7;
/// Clear points that a point's distance from the edge is averaged over.
const EDGE_NEIGHBOURS: NonZero<usize> = NonZero::new(4).unwrap();
/// Below this residual (points have unit size) data are perfect.
const PERFECT: f64 = 1e-12;

/// The shape settled on the points that belong to it, and which those are.
pub(crate) struct Settled {
    pub(crate) model: Model,
    pub(crate) belongs: Vec<bool>,
}

fn median_absolute(residuals: &mut [f64]) -> f64 {
    residuals.iter_mut().for_each(|r| *r = r.abs());
    let middle = residuals.len() / 2;
    residuals.select_nth_unstable_by(middle, f64::total_cmp);
    residuals[middle]
}

fn residuals(model: &Model, points: &[Vec3]) -> Vec<f64> {
    points.iter().map(|p| model.distance(p)).collect()
}

/// Standard deviation of the residuals within the cutoff of a first guess.
fn scale_within(residuals: &[f64], guess: f64) -> f64 {
    let mut sigma = guess;
    for _ in 0..5 {
        let (sum, count) = residuals
            .iter()
            .filter(|r| r.abs() <= 3.0 * sigma)
            .fold((0.0, 0usize), |(sum, count), r| (sum + r * r, count + 1));
        // A normal distribution cut at three standard deviations keeps this share of its variance.
        const WITHIN_THREE: f64 = 0.973_3;
        let next = (sum / (count.max(1) as f64 * WITHIN_THREE)).sqrt();
        if (next - sigma).abs() < 1e-3 * sigma {
            return next;
        }
        sigma = next;
    }
    sigma
}

/// Settles `start` on the points that belong to it.
pub(crate) fn settle(points: &[Vec3], start: Model, radius_held: bool) -> Settled {
    let some: Vec<Vec3> = spread_sample(points.len(), SETTLE_SAMPLE).into_iter().map(|i| points[i]).collect();
    let mut model = start;
    let mut sigma = f64::INFINITY;
    for _ in 0..12 {
        let r = residuals(&model, &some);
        let guess = MAD_TO_SIGMA * median_absolute(&mut r.clone());
        let next = scale_within(&r, guess).max(PERFECT);
        let settled = (next - sigma).abs() < 2e-3 * next;
        sigma = next;
        let weights: Vec<f64> = r
            .iter()
            .map(|r| {
                let t = r / (TUKEY * sigma);
                if t.abs() < 1.0 { (1.0 - t * t).powi(2) } else { 0.0 }
            })
            .collect();
        let mut parts = [Part::alone(&some, &weights, model.clone(), radius_held)];
        let _ = solve(&mut parts, 1e-8, 6);
        let [part] = parts;
        if !part.model.plausible(1.0) {
            break;
        }
        model = part.model;
        if settled {
            break;
        }
    }
    let mut belongs = vec![true; points.len()];
    let mut in_margin = vec![false; points.len()];
    for round in 0..12 {
        let r = residuals(&model, points);
        sigma = scale_within(&r, sigma).max(PERFECT);
        if (2..6).contains(&round) {
            in_margin = margin(&model, points, &r, sigma);
        }
        let next: Vec<bool> = r.iter().zip(&in_margin).map(|(r, off)| r.abs() <= CUTOFF * sigma && !off).collect();
        let stable = round > 2 && next == belongs;
        belongs = next;
        if stable {
            break;
        }
        let kept = chosen(points, &belongs);
        let mut parts = [Part::alone(&kept, &[], model.clone(), radius_held)];
        let _ = solve(&mut parts, 1e-9, 8);
        let [part] = parts;
        if !part.model.plausible(1.0) {
            break;
        }
        model = part.model;
    }
    Settled { model, belongs }
}

type Tree = KdTree<f32, u32, Donnelly<3>, FlatVec<f32, u32, 3, 32>, 3, 32>;

fn single(p: &Vec3) -> [f32; 3] {
    [p.x as f32, p.y as f32, p.z as f32]
}

/// Marks the points of the margin along an edge: those near points clearly off the shape whose
/// residuals lean, on average, to the side of those.
fn margin(model: &Model, points: &[Vec3], residuals: &[f64], sigma: f64) -> Vec<bool> {
    let mut marked = vec![false; points.len()];
    let (within, clear): (Vec<usize>, Vec<usize>) =
        (0..points.len()).partition(|&i| residuals[i].abs() <= CUTOFF * sigma);
    if clear.len() < EDGE_LEAST || within.len() < EDGE_LEAST {
        return marked;
    }
    let ends = match model.kind {
        Kind::Cylinder | Kind::Cone => from_the_ends(model, points, residuals, &within, &clear),
        _ => Vec::new(),
    };
    let orders = if ends.is_empty() { vec![from_clear(points, residuals, &within, &clear)] } else { ends };
    for mut near in orders {
        near.sort_unstable_by(|a, b| a.from_edge.total_cmp(&b.from_edge).then(a.point.cmp(&b.point)));
        for n in &near[..leaning(&near, sigma)] {
            marked[n.point as usize] = true;
        }
    }
    marked
}

/// A point within the cutoff, as seen from an edge.
struct Near {
    from_edge: f32,
    point: u32,
    /// Its residual, counted towards the side that the edge's clear points lie on.
    towards: f64,
}

/// From the mouths of a bore or seat, where what is clear lies beyond them: along the axis, which
/// orders a margin best. Empty where the clear points lie elsewhere.
fn from_the_ends(
    model: &Model,
    points: &[Vec3],
    residuals: &[f64],
    within: &[usize],
    clear: &[usize],
) -> Vec<Vec<Near>> {
    let along = |i: usize| model.w.dot(&(points[i] - model.point));
    let mut heights: Vec<f64> = within.iter().map(|&i| along(i)).collect();
    heights.sort_unstable_by(f64::total_cmp);
    let quantile = |q: f64| heights[((heights.len() - 1) as f64 * q) as usize];
    let (low, high) = (quantile(0.1), quantile(0.9));
    let beyond: [Vec<usize>; 2] = [
        clear.iter().copied().filter(|&i| along(i) < low).collect(),
        clear.iter().copied().filter(|&i| along(i) > high).collect(),
    ];
    if ((beyond[0].len() + beyond[1].len()) as f64) < ENDS_SHARE * clear.len() as f64 {
        return Vec::new();
    }
    beyond
        .iter()
        .zip([1.0, -1.0])
        .filter(|(end, _)| end.len() >= EDGE_LEAST)
        .map(|(end, sense)| {
            let side = end.iter().map(|&i| residuals[i].signum()).sum::<f64>().signum();
            within
                .iter()
                .map(|&i| Near { from_edge: (sense * along(i)) as f32, point: i as u32, towards: residuals[i] * side })
                .collect()
        })
        .collect()
}

/// From the clear points, wherever they are.
fn from_clear(points: &[Vec3], residuals: &[f64], within: &[usize], clear: &[usize]) -> Vec<Near> {
    let some: Vec<usize> = spread_sample(clear.len(), EDGE_SAMPLE).into_iter().map(|k| clear[k]).collect();
    let spots: Vec<[f32; 3]> = some.iter().map(|&i| single(&points[i])).collect();
    let Ok(tree) = Tree::new_from_slice(&spots) else { return Vec::new() };
    // Mean distance to a few clear points: one alone may be a stray.
    within
        .iter()
        .map(|&i| {
            let hits = tree.query(&single(&points[i])).nearest_n::<SquaredEuclidean<f32>>(EDGE_NEIGHBOURS).execute();
            let side: f64 = hits.iter().map(|h| residuals[some[h.item as usize]].signum()).sum();
            Near {
                from_edge: hits.iter().map(|h| h.distance.sqrt()).sum(),
                point: i as u32,
                towards: residuals[i] * side.signum(),
            }
        })
        .collect()
}

/// How many of the points, in order from the edge, lie in strips that lean towards it.
fn leaning(near: &[Near], sigma: f64) -> usize {
    let strip = (near.len() / 200).max(20);
    let means: Vec<f64> =
        near.chunks(strip).map(|s| s.iter().map(|n| n.towards).sum::<f64>() / s.len() as f64).collect();
    // Far from the edge the means scatter by noise alone, whatever its correlation.
    let mut far: Vec<f64> = means[means.len() / 2..].to_vec();
    if far.is_empty() {
        return 0;
    }
    let scatter = (MAD_TO_SIGMA * median_absolute(&mut far)).max(sigma / (strip as f64).sqrt());
    // The further in, the slighter the lean: wider runs of strips see it.
    let leans = |from: usize| {
        [1usize, 2, 4, 8].iter().any(|&run| {
            means
                .get(from..from + run)
                .is_some_and(|m| m.iter().sum::<f64>() > EDGE_LEAN * scatter * (run as f64).sqrt())
        })
    };
    (0..means.len() / 2).take_while(|&b| leans(b)).count() * strip
}
