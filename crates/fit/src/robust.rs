//! Which of the painted points belong to the shape.
//!
//! A dab always spills over an edge. The scale of the noise comes from the data, redescending
//! weights (Tukey's biweight) settle the shape while far points lose their pull, then points
//! further than [`CUTOFF`] standard deviations are left out. What spills onto a fillet leaves
//! the surface gradually, too little at each point to be seen there. So the points are put in order
//! of their distance from what is clearly off, in strips all along the edge: a strip whose mean residual
//! leans to the side of the edge, against the scatter of the strips far from it, is left out too.

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
            in_margin = margin(points, &r, sigma);
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
fn margin(points: &[Vec3], residuals: &[f64], sigma: f64) -> Vec<bool> {
    let mut marked = vec![false; points.len()];
    let clear: Vec<usize> = (0..points.len()).filter(|&i| residuals[i].abs() > CUTOFF * sigma).collect();
    if clear.len() < EDGE_LEAST {
        return marked;
    }
    let clear: Vec<usize> = spread_sample(clear.len(), EDGE_SAMPLE).into_iter().map(|k| clear[k]).collect();
    let spots: Vec<[f32; 3]> = clear.iter().map(|&i| single(&points[i])).collect();
    let Ok(tree) = Tree::new_from_slice(&spots) else { return marked };
    // Mean distance to a few clear points (one alone may be a stray), and the residual counted towards their side.
    let mut near: Vec<(f32, u32, f64)> = (0..points.len())
        .filter(|&i| residuals[i].abs() <= CUTOFF * sigma)
        .map(|i| {
            let hits = tree.query(&single(&points[i])).nearest_n::<SquaredEuclidean<f32>>(EDGE_NEIGHBOURS).execute();
            let distance: f32 = hits.iter().map(|h| h.distance.sqrt()).sum();
            let side: f64 = hits.iter().map(|h| residuals[clear[h.item as usize]].signum()).sum();
            (distance, i as u32, residuals[i] * side.signum())
        })
        .collect();
    near.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let strip = (near.len() / 200).max(20);
    let means: Vec<f64> = near.chunks(strip).map(|s| s.iter().map(|x| x.2).sum::<f64>() / s.len() as f64).collect();
    // Far from the edge the means scatter by noise alone, whatever its correlation.
    let mut far: Vec<f64> = means[means.len() / 2..].to_vec();
    let scatter = (MAD_TO_SIGMA * median_absolute(&mut far)).max(sigma / (strip as f64).sqrt());
    // The further in, the slighter the lean: wider runs of strips see it.
    let leans = |from: usize| {
        [1usize, 2, 4, 8].iter().any(|&run| {
            means
                .get(from..from + run)
                .is_some_and(|m| m.iter().sum::<f64>() > EDGE_LEAN * scatter * (run as f64).sqrt())
        })
    };
    let strips = (0..means.len() / 2).take_while(|&b| leans(b)).count();
    for (_, i, _) in near.iter().take(strips * strip) {
        marked[*i as usize] = true;
    }
    marked
}
