//! How much the placement depends on which part of the surface was seen: the jackknife over blocks.
//!
//! The overlap is cut into some hundred blocks, far larger than what neighbouring points have in common.
//! Left out, a block b with information A_b and gradient g_b moves the placement by
//! `Δ_b = (A − A_b)⁻¹·g_b`, and `C = (m − 1)/m·Σ Δ_b·Δ_bᵀ` over the m blocks (the delete-a-group jackknife; of a
//! regression with clusters CR3, R. M. Bell and D. F. McCaffrey, *Bias Reduction in Standard Errors
//! for Linear Regression with Multi-Stage Samples*, Survey Methodology 28 (2002) 169; from memory). It
//! assumes nothing of the noise but that blocks err independently.
//!
//! Along their borders they do not. Of noise that is alike over a length ℓ a square of side L loses `c·ℓ/L` of its
//! variance to its neighbours along either axis: `√C(L) = √C∞·(1 − c·ℓ/L)`. Blocks twice as wide tell the rest:
//! `√C∞ = 2·√C(2L) − √C(L)`, of which one number is taken over all directions ([`growth`]).

use super::step::{self, Pair, Pairs};
use nalgebra::{Matrix6, Vector6};
use std::collections::{BTreeMap, BTreeSet};
use stringline_core::Point3;

/// Blocks aimed at, and the fewest that say anything.
const BLOCKS: f64 = 250.0;
const FEWEST: usize = 60;
/// The fewest of twice the width.
const FEWEST_WIDE: usize = 20;

/// What a block of surface says.
#[derive(Clone, Debug)]
pub(crate) struct Block {
    /// `½Σ(jₘjₙᵀ + jₙjₘᵀ)`.
    information: Matrix6<f64>,
    /// `Σ j·r`, mm.
    gradient: Vector6<f64>,
}

impl Block {
    fn empty() -> Block {
        Block { information: Matrix6::zeros(), gradient: Vector6::zeros() }
    }

    fn add(&mut self, other: &Block) {
        self.information += other.information;
        self.gradient += other.gradient;
    }
}

/// Blocks by their place in a grid.
pub(crate) type Blocks = BTreeMap<[i64; 3], Block>;

/// The overlap in blocks, turns counted in mm at `arm`.
pub(crate) fn blocks(pairs: &Pairs, centre: &Point3, arm: f64) -> Blocks {
    let key = |p: &Point3, side: f64| ((p - centre) / side).map(|c| c.floor() as i64).data.0[0];
    let mut side = arm / 8.0;
    // A sample tells how many blocks there are.
    let stride = pairs.len() / 20_000 + 1;
    for _ in 0..4 {
        let count = pairs.iter().step_by(stride).map(|p| key(&p.x, side)).collect::<BTreeSet<_>>().len();
        let off = count as f64 / BLOCKS;
        if !(side > 0.0 && side.is_finite()) || (0.7..1.4).contains(&off) {
            break;
        }
        side *= off.sqrt();
    }
    let scale = step::scale(arm);
    let part = |pairs: &[Pair]| {
        let mut blocks = Blocks::new();
        for p in pairs {
            let way = p.x - centre;
            let (a, b) = (step::row(&p.m, &way), step::row(&p.n, &way));
            let block = blocks.entry(key(&p.x, side)).or_insert_with(Block::empty);
            block.information += a * b.transpose();
            block.gradient += (a + b) * (0.5 * p.r);
        }
        blocks
    };
    let all = pairs.sum(part, |mut all, blocks| {
        for (key, block) in blocks {
            all.entry(key).or_insert_with(Block::empty).add(&block);
        }
        all
    });
    let scaled = |b: Block| Block {
        information: scale * (b.information + b.information.transpose()) * 0.5 * scale,
        gradient: scale * b.gradient,
    };
    all.unwrap_or_default().into_iter().map(|(key, block)| (key, scaled(block))).collect()
}

/// Blocks of twice the width.
fn wider(blocks: &Blocks) -> Blocks {
    let mut wide = Blocks::new();
    for (key, block) in blocks {
        wide.entry(key.map(|c| c.div_euclid(2))).or_insert_with(Block::empty).add(block);
    }
    wide
}

/// Covariance and its effective degrees of freedom; nothing is said along the free directions. `None` for too few blocks.
pub(crate) fn jackknife(blocks: &Blocks, free: &[Vector6<f64>]) -> Option<(Matrix6<f64>, f64)> {
    if blocks.len() < FEWEST {
        return None;
    }
    let (covariance, freedom) = of_blocks(blocks, free)?;
    let wide = wider(blocks);
    let growth = if wide.len() < FEWEST_WIDE { 1.0 } else { growth(&covariance, &of_blocks(&wide, free)?.0, free) };
    Some((covariance * growth, freedom))
}

/// By how much the covariance of blocks is to grow for what they have in common with their neighbours, from that of
/// blocks twice as wide: the mean over the directions that are held; never less than one.
fn growth(narrow: &Matrix6<f64>, wide: &Matrix6<f64>, free: &[Vector6<f64>]) -> f64 {
    let loose = Matrix6::identity() - held(free);
    let size = narrow.trace().max(f64::MIN_POSITIVE);
    let ratio = (narrow + loose * size).try_inverse().map_or(1.0, |inverse| {
        let held = 6.0 - free.len() as f64;
        (inverse * wide).trace() / held
    });
    (2.0 * ratio.max(1.0).sqrt() - 1.0).powi(2)
}

fn of_blocks(blocks: &Blocks, free: &[Vector6<f64>]) -> Option<(Matrix6<f64>, f64)> {
    let m = blocks.len() as f64;
    let held = held(free);
    let mut total = Block::empty();
    blocks.values().for_each(|b| total.add(b));
    // Rounding, and the last step that was not taken, leave a little.
    let rest = total.gradient / m;
    // A free direction gets a pull of its own, so that the rest can be inverted.
    let pinned = |information: Matrix6<f64>| {
        let size = total.information.trace() / 6.0;
        (held * information * held + (Matrix6::identity() - held) * size).try_inverse()
    };
    let moved: Option<Vec<Vector6<f64>>> = blocks
        .values()
        .map(|b| Some(pinned(total.information - b.information)? * (held * (b.gradient - rest))))
        .collect();
    let moved = moved?;
    let covariance = moved.iter().map(|d| d * d.transpose()).sum::<Matrix6<f64>>() * ((m - 1.0) / m);
    // Each block's share in it. Of alike blocks the shares scatter as χ² with as many degrees as directions.
    let d = 6.0 - free.len() as f64;
    let inverse =
        (covariance + (Matrix6::identity() - held) * covariance.trace().max(f64::MIN_POSITIVE)).try_inverse()?;
    let shares = moved.iter().map(|x| x.dot(&(inverse * x)));
    let (sum, square) = shares.fold((0.0, 0.0), |(sum, square), s| (sum + s, square + s * s));
    let freedom = ((1.0 + 2.0 / d) * sum * sum / square - 1.0).max(1.0);
    covariance.iter().all(|c| c.is_finite()).then_some((covariance, freedom))
}

/// The projector on what is not free.
fn held(free: &[Vector6<f64>]) -> Matrix6<f64> {
    free.iter().fold(Matrix6::identity(), |held, d| held - d * d.transpose())
}

/// The larger of two covariances in every direction of the first one's whitened space.
pub(crate) fn larger(first: &Matrix6<f64>, second: &Matrix6<f64>, free: &[Vector6<f64>]) -> Matrix6<f64> {
    let loose = Matrix6::identity() - held(free);
    let size = first.trace().max(f64::MIN_POSITIVE);
    let Some(root) = (first + loose * size).cholesky().map(|c| c.l()) else { return *second };
    let Some(inverse) = root.try_inverse() else { return *second };
    let eigen = (inverse * (second + loose * size) * inverse.transpose()).symmetric_eigen();
    let values = eigen.eigenvalues.map(|v| v.max(1.0));
    let white = eigen.eigenvectors * Matrix6::from_diagonal(&values) * eigen.eigenvectors.transpose();
    root * white * root.transpose() - loose * size
}
