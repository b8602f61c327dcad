//! A placement from three or more pairs of points, in closed form, with its covariance.
//!
//! Minimised is `Σ |R·aᵢ + t − bᵢ|²/σᵢ²`. With the weighted centroids taken out, `H = Σ wᵢ(bᵢ−b̄)(aᵢ−ā)ᵀ =
//! U·S·Vᵀ` gives `R = U·diag(1, 1, det UVᵀ)·Vᵀ` and `t = b̄ − R·ā` (K. S. Arun, T. S. Huang and S. D.
//! Blostein, *Least-Squares Fitting of Two 3-D Point Sets*, IEEE Trans. PAMI 9 (1987) 698; the
//! sign by S. Umeyama, IEEE Trans. PAMI 13 (1991) 376). To first order the residual changes by
//! `δt + ω×b`, so that the covariance is `(Σ JᵢᵀJᵢ/σᵢ²)⁻¹` with `Jᵢ = [I, −[bᵢ]×]`, times the variance factor
//! `Σ|rᵢ|²/σᵢ² / (3n − 6)` where only the ratios of the σᵢ are known.

use nalgebra::{Matrix3, Matrix6, SMatrix, UnitQuaternion};
use std::borrow::Cow;
use stringline_core::{Explain, Point3, RigidTransform, Vec3};

/// A point in both frames.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointPair {
    /// In the source's frame, mm.
    pub source: Point3,
    /// In the target's frame, mm.
    pub target: Point3,
    /// Standard uncertainty of one coordinate of their difference, mm.
    pub sigma: f64,
}

/// What the uncertainties of the pairs are worth.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PairSigmas {
    /// They are what they say.
    Known,
    /// Only their ratios are known; the residuals tell the rest.
    #[default]
    Ratios,
}

/// A placement by point pairs.
#[derive(Clone, Debug, PartialEq)]
pub struct PairFit {
    /// Takes the source's coordinates to the target's.
    pub target_from_source: RigidTransform,
    /// Of the small motion by which it may be off, in the target's axes about the target's origin:
    /// translation (mm), then rotation (rad).
    pub covariance: Matrix6<f64>,
    /// Of that covariance: 3n − 6, infinite for known σ.
    pub degrees_of_freedom: f64,
    /// Source moved less target, mm, for each pair.
    pub residuals: Vec<Vec3>,
    /// Root mean square of the residuals' lengths, mm.
    pub rms: f64,
}

/// Why point pairs give no placement.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PairError {
    /// Fewer than three.
    #[error("{found} point pairs do not place a scan; three or more do")]
    TooFew {
        /// How many there are.
        found: usize,
    },
    /// A coordinate that is not finite, or a σ that is not positive.
    #[error("pair {index} has a coordinate or an uncertainty that is not usable")]
    BadPair {
        /// Its place among the pairs.
        index: usize,
    },
    /// The points lie on a line.
    #[error("the points lie on one line, about which the scan is free to turn")]
    OnALine,
}

impl Explain for PairError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            PairError::TooFew { .. } => "Pick at least three points that can be found on both scans.",
            PairError::BadPair { .. } => "Pick that pair again.",
            PairError::OnALine => "Pick another pair well away from that line.",
        }
        .into()
    }
}

/// Points are on a line where their spread across it is less than this share of that along it.
const LINE: f64 = 1e-6;

/// Places the source on the target by point pairs: weighted least squares in closed form.
///
/// ```
/// use stringline_core::{Point3, RigidTransform, Vec3};
/// use stringline_place::{PairSigmas, PointPair, from_pairs};
///
/// let truth = RigidTransform::new(Vec3::new(10.0, 20.0, 30.0), Vec3::new(0.1, 0.2, 0.3));
/// let pairs: Vec<PointPair> = [[0.0, 0.0, 0.0], [100.0, 0.0, 0.0], [0.0, 80.0, 0.0], [0.0, 0.0, 60.0]]
///     .map(Point3::from)
///     .map(|source| PointPair { source, target: truth * source, sigma: 0.05 })
///     .to_vec();
/// let fit = from_pairs(&pairs, PairSigmas::Known)?;
/// assert!((fit.target_from_source.to_homogeneous() - truth.to_homogeneous()).norm() < 1e-9);
/// # Ok::<(), stringline_place::PairError>(())
/// ```
///
/// # Errors
/// Fewer than three pairs, numbers that make no sense, points on a line.
pub fn from_pairs(pairs: &[PointPair], sigmas: PairSigmas) -> Result<PairFit, PairError> {
    if pairs.len() < 3 {
        return Err(PairError::TooFew { found: pairs.len() });
    }
    let usable = |p: &PointPair| {
        p.source.iter().chain(p.target.iter()).all(|c| c.is_finite()) && p.sigma.is_finite() && p.sigma > 0.0
    };
    if let Some(index) = pairs.iter().position(|p| !usable(p)) {
        return Err(PairError::BadPair { index });
    }
    // Scaled, so that no weight overflows.
    let least = pairs.iter().map(|p| p.sigma).fold(f64::INFINITY, f64::min);
    let weight = |p: &PointPair| (least / p.sigma).powi(2);
    let target_from_source =
        closest(pairs.iter().map(|p| (p.source, p.target, weight(p)))).ok_or(PairError::OnALine)?;
    let residuals: Vec<Vec3> = pairs.iter().map(|p| target_from_source * p.source - p.target).collect();
    // About the centroid the two halves of the normal matrix hardly mix.
    let total: f64 = pairs.iter().map(weight).sum();
    let centre = Point3::from(pairs.iter().map(|p| p.target.coords * weight(p)).sum::<Vec3>() / total);
    let mut normal = Matrix6::zeros();
    for p in pairs {
        let mut jacobian = SMatrix::<f64, 3, 6>::identity();
        let arm = target_from_source * p.source - centre;
        jacobian.fixed_view_mut::<3, 3>(0, 3).copy_from(&-arm.cross_matrix());
        normal += jacobian.transpose() * jacobian / (p.sigma * p.sigma);
    }
    let inverse = normal.try_inverse().ok_or(PairError::OnALine)?;
    let free = (3 * pairs.len() - 6) as f64;
    let (factor, degrees_of_freedom) = match sigmas {
        PairSigmas::Known => (1.0, f64::INFINITY),
        PairSigmas::Ratios => {
            let square: f64 = residuals.iter().zip(pairs).map(|(r, p)| r.norm_squared() / (p.sigma * p.sigma)).sum();
            (square / free, free)
        }
    };
    let rms = (residuals.iter().map(Vec3::norm_squared).sum::<f64>() / pairs.len() as f64).sqrt();
    let covariance = crate::surface::about_origin(&(inverse * factor), &centre);
    Ok(PairFit { target_from_source, covariance, degrees_of_freedom, residuals, rms })
}

/// The rigid transform that brings weighted points (from, to, weight) together best; `None` for points on a line.
pub(crate) fn closest(pairs: impl Iterator<Item = (Point3, Point3, f64)> + Clone) -> Option<RigidTransform> {
    let mut total = 0.0;
    let (mut from, mut to) = (Vec3::zeros(), Vec3::zeros());
    for (a, b, w) in pairs.clone() {
        total += w;
        from += a.coords * w;
        to += b.coords * w;
    }
    let (from, to) = (from / total, to / total);
    let mut cross = Matrix3::zeros();
    for (a, b, w) in pairs {
        cross += (b.coords - to) * (a.coords - from).transpose() * w;
    }
    let svd = cross.svd(true, true);
    let (u, v_t) = (svd.u?, svd.v_t?);
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| svd.singular_values[b].total_cmp(&svd.singular_values[a]));
    let [first, second, third] = order.map(|i| svd.singular_values[i]);
    // The cross-covariance goes with the square of lengths.
    let spread = second > LINE * LINE * first;
    if !spread || !third.is_finite() {
        return None;
    }
    let mut sign = Vec3::repeat(1.0);
    sign[order[2]] = (u * v_t).determinant().signum();
    let rotation = u * Matrix3::from_diagonal(&sign) * v_t;
    let rotation = UnitQuaternion::from_rotation_matrix(&nalgebra::Rotation3::from_matrix_unchecked(rotation));
    Some(RigidTransform::from_parts((to - rotation * from).into(), rotation))
}
