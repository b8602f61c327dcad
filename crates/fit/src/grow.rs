//! Growth: from the dabs over the connected surface as far as it still belongs.
//!
//! A point joins when a painted neighbour leads to it, its distance from the shape is within the
//! noise and its normal agrees with the shape's. The shape is fitted again to what was gathered and
//! growth goes on from there. A fillet or chamfer leaves the surface gradually: what crept in there
//! is left out by the fit's own margin, so the grown patch is what the last fit used.

use crate::error::FitError;
use crate::feature::Feature;
use crate::fit::{FitSettings, fit};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_scan::{Patch, Scan};

/// How growth proceeds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct GrowSettings {
    /// A point further from the shape than this many standard deviations of the noise does not belong. Default: 3.5.
    pub reach: f64,
    /// A normal turned further than this from the shape's does not belong, degrees. Default: 25.
    pub turn_deg: f64,
    /// Growth goes no further once the noise exceeds that of what was painted by this factor. Default: 1.5.
    pub most_noise: f64,
    /// At most so many rounds of growing and fitting. Default: 6.
    pub rounds: usize,
}

impl Default for GrowSettings {
    fn default() -> Self {
        GrowSettings { reach: 3.5, turn_deg: 25.0, most_noise: 1.5, rounds: 6 }
    }
}

/// A grown patch and its feature.
#[derive(Clone, Debug, PartialEq)]
pub struct Grown {
    /// The points that belong, in order of id.
    pub patch: Patch,
    /// Fitted to them. Its `rejected` counts the painted points that do not belong; none of the
    /// grown patch is left out.
    pub feature: Feature,
}

/// Grows `patch`, to which `feature` was fitted, over the connected surface of `scan`.
///
/// # Errors
/// As [`fit`], from the fits between rounds.
pub fn grow(
    scan: &Scan,
    patch: &Patch,
    feature: &Feature,
    fit_settings: &FitSettings,
    settings: &GrowSettings,
) -> Result<Grown, FitError> {
    let mut belonging = used(&patch.points, feature);
    let mut feature = feature.clone();
    // What is painted tells the noise. A fit that took in a stretch of another surface would claim
    // more noise, reach further still and run away over the part.
    let most_noise = settings.most_noise * feature.noise.sigma;
    for _ in 0..settings.rounds.max(1) {
        let gathered = gather(scan, &belonging, &feature, settings);
        let sample = scan.sample(&scan.patch(gathered.clone()));
        let grown = fit(&sample.points, &sample.normals, feature.shape.kind(), fit_settings)?;
        if grown.noise.sigma > most_noise {
            break;
        }
        feature = grown;
        let next = used(&gathered, &feature);
        // Once a round adds under half a percent, the edge has been reached.
        let settled = next.len() as f64 <= belonging.len() as f64 * 1.005;
        belonging = next;
        if settled {
            break;
        }
    }
    feature.rejected = patch.points.iter().filter(|id| belonging.binary_search(id).is_err()).count();
    feature.left_out = Vec::new();
    Ok(Grown { patch: scan.patch(belonging), feature })
}

/// The ids that the fit used.
fn used(ids: &[u32], feature: &Feature) -> Vec<u32> {
    let mut out = feature.left_out.iter().peekable();
    ids.iter().enumerate().filter(|(i, _)| out.next_if(|&&o| o as usize == *i).is_none()).map(|(_, &id)| id).collect()
}

/// Everything that hangs together with `from` and belongs to the shape, with the ring of points that do
/// not, by which the next fit finds the margin of the edge; in order of id.
fn gather(scan: &Scan, from: &[u32], feature: &Feature, settings: &GrowSettings) -> Vec<u32> {
    let reach = settings.reach * feature.noise.sigma;
    let least_cosine = settings.turn_deg.to_radians().cos();
    // The shape's normal points away from its axis; a hole's material faces the other way.
    let facing = from
        .iter()
        .filter_map(|&i| {
            let n = feature.shape.normal_at(&scan.points()[i as usize])?;
            Some(n.dot(&scan.normals()[i as usize]))
        })
        .sum::<f64>()
        .signum();
    let belongs = |i: u32| {
        let p = &scan.points()[i as usize];
        if feature.shape.distance(p).abs() > reach {
            return false;
        }
        let (normal, shape) = (scan.normals()[i as usize], feature.shape.normal_at(p));
        let cosine = shape.map_or(0.0, |n| n.dot(&normal));
        if scan.oriented() { cosine * facing > least_cosine } else { cosine.abs() > least_cosine }
    };
    let mut seen = vec![false; scan.points().len()];
    let mut front: Vec<u32> = from.to_vec();
    front.iter().for_each(|&i| seen[i as usize] = true);
    let mut gathered = from.to_vec();
    while let Some(i) = front.pop() {
        for j in scan.neighbours(i) {
            if !seen[j as usize] {
                seen[j as usize] = true;
                gathered.push(j);
                if belongs(j) {
                    front.push(j);
                }
            }
        }
    }
    gathered.sort_unstable();
    gathered
}
