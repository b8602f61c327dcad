//! temporary
use crate::feature::Noise;
use nalgebra::DMatrix;
use stringline_core::Point3;
pub(crate) struct NoiseEstimate {
    pub(crate) noise: Noise,
    pub(crate) covariance: DMatrix<f64>,
}
#[derive(Default)]
pub(crate) struct NoiseSettings {}
pub(crate) fn estimate(_points: &[Point3], r: &[f64], j: &DMatrix<f64>, _s: &NoiseSettings) -> NoiseEstimate {
    let p = j.ncols();
    let dof = (r.len() - p).max(1) as f64;
    let sigma = (r.iter().map(|x| x * x).sum::<f64>() / dof).sqrt();
    let c = (j.transpose() * j).pseudo_inverse(1e-300).unwrap_or(DMatrix::zeros(p, p)) * sigma * sigma;
    NoiseEstimate {
        noise: Noise { sigma, correlated_share: 0.0, correlation_length: 0.0, degrees_of_freedom: dof },
        covariance: c,
    }
}
