//! Which of the painted points belong to the shape.
//!
//! A dab always spills over an edge. The scale of the noise comes from the data, redescending
//! weights (Tukey's biweight) settle the shape while far points lose their pull, then points
//! further than [`CUTOFF`] standard deviations are left out. What spills onto a fillet leaves
//! the surface gradually, too little at each point to be seen there: so residuals are averaged
//! over small cells, and cells whose mean stands out against the spread of all cells' means are left
//! out with their neighbours of the same sign.

use crate::shapes::Model;
use crate::solve::{Part, solve};
use crate::start::spread_sample;
use std::collections::BTreeMap;
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
/// Points wanted in a cell.
const CELL_POINTS: f64 = 16.0;
/// Fewer than this and a cell says nothing.
const CELL_LEAST: usize = 4;
/// A cell whose mean is this many standard deviations off starts an edge.
const CELL_OFF: f64 = 4.5;
/// A neighbour of the same sign this far off goes on with it.
const CELL_FOLLOWS: f64 = 2.0;
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
    let mut cells_off = vec![false; points.len()];
    for round in 0..12 {
        let r = residuals(&model, points);
        sigma = scale_within(&r, sigma).max(PERFECT);
        if (2..6).contains(&round) {
            cells_off = off_cells(points, &r, sigma);
        }
        let next: Vec<bool> = r.iter().zip(&cells_off).map(|(r, off)| r.abs() <= CUTOFF * sigma && !off).collect();
        let stable = round > 2 && next == belongs;
        belongs = next;
        if stable {
            break;
        }
        let kept = select(points, &belongs);
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

/// The points whose flag is set.
pub(crate) fn select(points: &[Vec3], chosen: &[bool]) -> Vec<Vec3> {
    points.iter().zip(chosen).filter(|(_, c)| **c).map(|(p, _)| *p).collect()
}

type Cell = (i32, i32, i32);

fn cell_of(p: &Vec3, side: f64) -> Cell {
    ((p.x / side).floor() as i32, (p.y / side).floor() as i32, (p.z / side).floor() as i32)
}

/// Marks the points in cells whose mean residual stands out.
fn off_cells(points: &[Vec3], residuals: &[f64], sigma: f64) -> Vec<bool> {
    let mut off = vec![false; points.len()];
    // The occupied cells of a coarse grid tell the area, so the side that holds CELL_POINTS each.
    let coarse = 0.1;
    let mut seen: Vec<Cell> = points.iter().map(|p| cell_of(p, coarse)).collect();
    seen.sort_unstable();
    seen.dedup();
    let area = seen.len() as f64 * coarse * coarse;
    let side = (CELL_POINTS * area / points.len() as f64).sqrt();
    let mut order: Vec<(Cell, u32)> = points.iter().enumerate().map(|(i, p)| (cell_of(p, side), i as u32)).collect();
    order.sort_unstable();
    // One entry a cell: the members and the scaled mean of their clipped residuals.
    let mut cells: BTreeMap<Cell, (std::ops::Range<usize>, f64)> = BTreeMap::new();
    let mut from = 0;
    for group in order.chunk_by(|a, b| a.0 == b.0) {
        let to = from + group.len();
        if group.len() >= CELL_LEAST {
            let sum: f64 =
                group.iter().map(|&(_, i)| residuals[i as usize].clamp(-CUTOFF * sigma, CUTOFF * sigma)).sum();
            cells.insert(group[0].0, (from..to, sum / (group.len() as f64).sqrt()));
        }
        from = to;
    }
    if cells.len() < 12 {
        return off;
    }
    let mut spread: Vec<f64> = cells.values().map(|(_, z)| *z).collect();
    let cell_sigma = (MAD_TO_SIGMA * median_absolute(&mut spread)).max(sigma);
    let mut marked: BTreeMap<Cell, f64> = BTreeMap::new();
    let mut front: Vec<Cell> = Vec::new();
    for (cell, (_, z)) in &cells {
        if z.abs() > CELL_OFF * cell_sigma {
            marked.insert(*cell, z.signum());
            front.push(*cell);
        }
    }
    while let Some((x, y, z)) = front.pop() {
        let sign = marked[&(x, y, z)];
        for dx in -1..=1 {
            for dy in -1..=1 {
                for dz in -1..=1 {
                    let neighbour = (x + dx, y + dy, z + dz);
                    if let Some((_, value)) = cells.get(&neighbour)
                        && value * sign > CELL_FOLLOWS * cell_sigma
                        && !marked.contains_key(&neighbour)
                    {
                        marked.insert(neighbour, sign);
                        front.push(neighbour);
                    }
                }
            }
        }
    }
    for cell in marked.keys() {
        for &(_, i) in &order[cells[cell].0.clone()] {
            off[i as usize] = true;
        }
    }
    off
}
