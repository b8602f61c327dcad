//! What a scan is like as a whole: is it closed, how dense, how noisy.

use crate::geometry::{Geometry, Mesh};
use crate::rings::Rings;
use crate::scan::Scan;
use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;
use stringline_core::{UnitVec3, frame_about};

/// Neighbours a surface is laid through to judge the noise.
const NEIGHBOURS: usize = 30;
/// Points the noise is judged at.
const SAMPLE: usize = 1500;
/// Terms of a quadric over the tangent plane.
const TERMS: usize = 6;
/// The share of the points, those about which the surface is smoothest, that tell the noise: over
/// much of a part edges and a coarse mesh of rough skin look like noise.
const SMOOTHEST: f64 = 0.1;
/// That quantile of χ² over its degrees of freedom, for `NEIGHBOURS − TERMS` of them (computed with
/// a general statistics library, scipy 1.17).
const QUANTILE_OF_VARIANCE: f64 = 0.652_4;

/// What a scan is like as a whole.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Survey {
    /// Vertices of a mesh or points of a cloud.
    pub points: usize,
    /// Facets of a mesh.
    pub facets: usize,
    /// Smallest and largest coordinates, mm; absent for an empty scan.
    pub bounds: Option<[[f64; 3]; 2]>,
    /// Typical distance between neighbouring points, mm.
    pub spacing: f64,
    /// Whether it is known which side of the surface is outside.
    pub oriented: bool,
    /// How the facets of a mesh join; absent for a cloud.
    pub edges: Option<Edges>,
    /// Standard deviation of the points about a smooth surface through their nearest 30
    /// neighbours, mm: the part of the noise that neighbours do not share. Absent where too
    /// few points lie on smooth surface.
    pub noise: Option<f64>,
}

/// How the edges of a mesh join facets.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Edges {
    /// Edges of one facet only: the rims of holes in the scan.
    pub open: u64,
    /// Edges that more than two facets share.
    pub crowded: u64,
    /// Edges whose two facets face opposite ways.
    pub flipped: u64,
}

impl Edges {
    /// Whether the mesh encloses a volume.
    pub fn closed(&self) -> bool {
        *self == Edges::default()
    }

    fn plus(self, other: Edges) -> Edges {
        Edges {
            open: self.open + other.open,
            crowded: self.crowded + other.crowded,
            flipped: self.flipped + other.flipped,
        }
    }
}

impl Scan {
    /// Looks over the whole scan, on all cores.
    pub fn survey(&self) -> Survey {
        let (facets, edges) = match (self.geometry(), self.rings()) {
            (Geometry::Mesh(mesh), Some(rings)) => (mesh.facets.len(), Some(edges(mesh, rings))),
            _ => (0, None),
        };
        Survey {
            points: self.points().len(),
            facets,
            bounds: self.geometry().bounds().map(|(low, high)| [low.coords.into(), high.coords.into()]),
            spacing: self.spacing(),
            oriented: self.oriented(),
            edges,
            noise: self.noise(),
        }
    }

    /// See [`Survey::noise`].
    fn noise(&self) -> Option<f64> {
        let stride = self.points().len() / SAMPLE + 1;
        let sampled: Vec<u32> = (0..self.points().len() as u32).step_by(stride).collect();
        let mut variances: Vec<f64> = sampled.par_iter().filter_map(|&point| self.local_variance(point)).collect();
        if variances.len() < sampled.len().clamp(1, 20) {
            return None;
        }
        variances.sort_unstable_by(f64::total_cmp);
        let smooth = variances.get((SMOOTHEST * variances.len() as f64) as usize)?;
        Some((smooth / QUANTILE_OF_VARIANCE).sqrt())
    }

    /// Variance of a point's neighbours about the quadric through them, mm².
    fn local_variance(&self, point: u32) -> Option<f64> {
        let normal = UnitVec3::try_new(*self.normals().get(point as usize)?, 0.5)?;
        let centre = self.points()[point as usize];
        let near = self.k_nearest(&centre, NEIGHBOURS);
        if near.len() < NEIGHBOURS {
            return None;
        }
        let (u, v) = frame_about(&normal);
        let steps: Vec<_> = near.iter().map(|&i| self.points()[i as usize] - centre).collect();
        let reach = steps.iter().map(|step| step.norm()).fold(0.0, f64::max);
        // Coordinates of unit size keep the normal equations well conditioned.
        let row = |x: f64, y: f64| SVector::<f64, TERMS>::from([1.0, x, y, x * x, x * y, y * y]);
        let mut matrix = SMatrix::<f64, TERMS, TERMS>::zeros();
        let mut right = SVector::<f64, TERMS>::zeros();
        let mut rows = Vec::with_capacity(NEIGHBOURS);
        for step in &steps {
            let (terms, height) = (row(step.dot(&u) / reach, step.dot(&v) / reach), step.dot(&normal));
            matrix += terms * terms.transpose();
            right += terms * height;
            rows.push((terms, height));
        }
        let solution = matrix.cholesky()?.solve(&right);
        let squares: f64 = rows.iter().map(|(terms, height)| (height - terms.dot(&solution)).powi(2)).sum();
        let variance = squares / (NEIGHBOURS - TERMS) as f64;
        variance.is_finite().then_some(variance)
    }
}

/// Counts the edges that are not shared by exactly two facets that face the same way.
fn edges(mesh: &Mesh, rings: &Rings) -> Edges {
    let of_facet = |facet: usize| {
        let [a, b, c] = mesh.facets[facet];
        let mut found = Edges::default();
        for (from, to) in [(a, b), (b, c), (c, a)] {
            let (mut along, mut against, mut lowest) = (0, 0, usize::MAX);
            for &other in rings.facets_at(from) {
                let corners = mesh.facets[other as usize];
                let runs = |p: u32, q: u32| (0..3).any(|i| corners[i] == p && corners[(i + 1) % 3] == q);
                let (with, opposed) = (runs(from, to), runs(to, from));
                along += u32::from(with);
                against += u32::from(opposed);
                if with || opposed {
                    lowest = lowest.min(other as usize);
                }
            }
            // An edge is counted at the first of its facets.
            if lowest == facet {
                match (along, against) {
                    (1, 1) => {}
                    (1, 0) => found.open += 1,
                    (2, 0) => found.flipped += 1,
                    _ => found.crowded += 1,
                }
            }
        }
        found
    };
    (0..mesh.facets.len()).into_par_iter().map(of_facet).reduce(Edges::default, Edges::plus)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Cloud;
    use stringline_core::Point3;

    fn tetrahedron() -> Mesh {
        Mesh {
            vertices: vec![
                Point3::origin(),
                Point3::new(1.0, 0.0, 0.0),
                Point3::new(0.0, 1.0, 0.0),
                Point3::new(0.0, 0.0, 1.0),
            ],
            facets: vec![[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]],
        }
    }

    fn edges_of(mesh: Mesh) -> Edges {
        Scan::new(Geometry::Mesh(mesh)).survey().edges.unwrap()
    }

    #[test]
    fn a_closed_mesh_is_told_from_an_open_one() {
        assert!(edges_of(tetrahedron()).closed());
        let mut open = tetrahedron();
        open.facets.pop();
        assert_eq!(edges_of(open), Edges { open: 3, crowded: 0, flipped: 0 });
        let mut flipped = tetrahedron();
        flipped.facets[3].swap(0, 1);
        assert_eq!(edges_of(flipped), Edges { open: 0, crowded: 0, flipped: 3 });
        let mut crowded = tetrahedron();
        crowded.vertices.push(Point3::new(1.0, 1.0, 1.0));
        crowded.facets.push([0, 1, 4]);
        assert_eq!(edges_of(crowded), Edges { open: 2, crowded: 1, flipped: 0 });
    }

    #[test]
    fn noise_is_found_on_a_curved_surface() {
        // A cylinder of radius 20 with a deterministic stand-in for normal noise: the sum of
        // twelve uniform numbers less six has unit variance.
        let mut seed = 1_u64;
        let mut uniform = move || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 33) as f64 / (1_u64 << 31) as f64
        };
        let sigma = 0.03;
        let points = (0..40_000)
            .map(|i| {
                let noise: f64 = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
                let (angle, height) = (f64::from(i % 200) * 0.01, f64::from(i / 200) * 0.2);
                let radius = 20.0 + sigma * noise;
                Point3::new(radius * angle.cos(), radius * angle.sin(), height)
            })
            .collect();
        let scan = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
        let found = scan.survey().noise.unwrap();
        assert!((found / sigma - 1.0).abs() < 0.05, "{found}");
    }

    #[test]
    fn small_and_empty_scans_have_no_noise_to_tell() {
        assert_eq!(Scan::new(Geometry::Cloud(Cloud::default())).survey().noise, None);
        assert_eq!(Scan::new(Geometry::Mesh(tetrahedron())).survey().noise, None);
    }
}
