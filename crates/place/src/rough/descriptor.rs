//! What the surface round a bit of it is like: fast point feature histograms.
//!
//! For two bits of surface with normals, u the normal of the one that the line between them leaves more
//! steeply, d that line's direction, v = d×u, w = u×v: α = v·n, φ = u·d, θ = atan2(w·n, u·n). Three
//! histograms of them over the neighbours, then averaged over the neighbours by 1/distance (R. B.
//! Rusu, N. Blodow and M. Beetz, *Fast Point Feature Histograms (FPFH) for 3D Registration*, ICRA 2009, 3212).
//! Where the sign of the normals means nothing the angles are folded so that it does not matter.

use crate::surface::target::Surfel;
use rayon::prelude::*;
use std::f64::consts::{FRAC_PI_2, PI};
use stringline_core::Point3;
use stringline_scan::index::Index;

const BINS: usize = 11;
pub(crate) const LENGTH: usize = 3 * BINS;

/// Its three histograms, each adding up to 1.
pub(crate) type Descriptor = [f32; LENGTH];

/// One a bit of surface, from those within `radius`, mm.
pub(crate) fn descriptors(surfels: &[Surfel], radius: f64, signed: bool) -> Vec<Descriptor> {
    let points: Vec<Point3> = surfels.iter().map(|s| s.at).collect();
    let index = Index::new(&points);
    let near: Vec<Vec<u32>> = points.par_iter().map(|p| index.within(&points, p, radius)).collect();
    let simple: Vec<Descriptor> = near
        .par_iter()
        .enumerate()
        .map(|(i, near)| simple(&surfels[i], near.iter().map(|&j| &surfels[j as usize]), signed))
        .collect();
    near.par_iter()
        .enumerate()
        .map(|(i, near)| {
            let mut sum = simple[i].map(f64::from);
            let others = near.len().max(2) as f64 - 1.0;
            for &j in near {
                let distance = (points[j as usize] - points[i]).norm();
                if distance > 0.0 {
                    // In radii, so that it does not depend on the unit.
                    let weight = 0.25 * radius / distance / others;
                    sum.iter_mut().zip(&simple[j as usize]).for_each(|(s, d)| *s += weight * f64::from(*d));
                }
            }
            normalised(sum)
        })
        .collect()
}

fn normalised(mut sum: [f64; LENGTH]) -> Descriptor {
    for part in sum.chunks_exact_mut(BINS) {
        let total: f64 = part.iter().sum();
        if total > 0.0 {
            part.iter_mut().for_each(|s| *s /= total);
        }
    }
    sum.map(|s| s as f32)
}

fn simple<'a>(at: &Surfel, near: impl Iterator<Item = &'a Surfel>, signed: bool) -> Descriptor {
    let mut sum = [0.0; LENGTH];
    for other in near {
        let line = other.at - at.at;
        let Some(d) = line.try_normalize(1e-9) else { continue };
        let (mut u, mut n, mut d) = (at.normal, other.normal, d);
        if u.dot(&d).abs() < n.dot(&d).abs() {
            (u, n, d) = (n, u, -d);
        }
        let Some(v) = d.cross(&u).try_normalize(1e-9) else { continue };
        let w = u.cross(&v);
        let (alpha, phi) = (v.dot(&n), u.dot(&d));
        let (x, y) = (u.dot(&n), w.dot(&n));
        let shares = if signed {
            [0.5 * (alpha + 1.0), 0.5 * (phi + 1.0), 0.5 * (y.atan2(x) / PI + 1.0)]
        } else {
            [alpha.abs(), phi.abs(), y.abs().atan2(x.abs()) / FRAC_PI_2]
        };
        for (k, share) in shares.into_iter().enumerate() {
            sum[k * BINS + ((share * BINS as f64) as usize).min(BINS - 1)] += 1.0;
        }
    }
    normalised(sum)
}

/// The square of the distance of two.
pub(crate) fn between(a: &Descriptor, b: &Descriptor) -> f32 {
    a.iter().zip(b).map(|(x, y)| (x - y) * (x - y)).sum()
}
