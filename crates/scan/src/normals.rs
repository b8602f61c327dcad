//! Point normals: from the facets of a mesh, or from the neighbourhoods of a cloud.

use crate::geometry::Mesh;
use crate::index::Index;
use crate::neighbourhoods;
use crate::rings::Rings;
use nalgebra::Matrix3;
use rayon::prelude::*;
use stringline_core::{Point3, Vec3};

/// Points in the neighbourhood that a cloud's normal is estimated from, itself included.
pub const NEIGHBOURHOOD: usize = 16;

/// A neighbourhood narrower than this share of its length is a line: it has no normal.
const LINE: f64 = 0.02;

/// Unit vertex normals: the sum of the facets' area vectors, so that a sliver counts for
/// little. Zero for a vertex without a facet of any area.
pub(crate) fn of_mesh(mesh: &Mesh, rings: &Rings) -> Vec<Vec3> {
    (0..mesh.vertices.len() as u32)
        .into_par_iter()
        .with_min_len(4096)
        .map(|vertex| {
            let sum: Vec3 = rings.facets_at(vertex).iter().map(|&facet| mesh.area_vector(facet)).sum();
            sum.try_normalize(0.0).unwrap_or_else(Vec3::zeros)
        })
        .collect()
}

/// Unit normals of a cloud: each is the direction in which the nearest
/// [`NEIGHBOURHOOD`] points spread least (H. Hoppe et al., *Surface Reconstruction from
/// Unorganized Points*, SIGGRAPH 1992, §3.1). Their sign is arbitrary. Zero where the
/// neighbourhood is a point or a line. Fast for points in [`crate::order::z_order`].
pub fn of_cloud(points: &[Point3], index: &Index) -> Vec<Vec3> {
    neighbourhoods::map(points, index, NEIGHBOURHOOD, |point, near| {
        let p = points[point as usize];
        least_spread(near.iter().map(|&i| points[i as usize] - p))
    })
}

/// The unit direction in which the offsets spread least; zero if they lie on a line. They should be from
/// a place among them: sums of squares lose what their mean outweighs.
pub(crate) fn least_spread(offsets: impl Iterator<Item = Vec3>) -> Vec3 {
    let (mut count, mut sum, mut squares, mut products) = (0.0, Vec3::zeros(), Vec3::zeros(), Vec3::zeros());
    for d in offsets {
        count += 1.0;
        sum += d;
        squares += d.component_mul(&d);
        products += Vec3::new(d.y * d.z, d.z * d.x, d.x * d.y);
    }
    let mean = sum / f64::max(count, 1.0);
    let [xx, yy, zz] = (squares - sum.component_mul(&mean)).into();
    let [yz, zx, xy] = (products - Vec3::new(sum.y * mean.z, sum.z * mean.x, sum.x * mean.y)).into();
    let scatter = Matrix3::new(xx, xy, zx, xy, yy, yz, zx, yz, zz);
    smallest_eigenvector(&scatter).unwrap_or_else(Vec3::zeros)
}

/// The unit eigenvector of the smallest eigenvalue of a positive semi-definite matrix;
/// `None` if the middle one vanishes beside the largest, so that there is no one direction.
///
/// Closed form for the eigenvalues (O. K. Smith, *Eigenvalues of a symmetric 3 × 3 matrix*,
/// Comm. ACM 4 (1961) 168); the vector is then the largest cross product of two rows of
/// `m − λ·1`, which spans its null space.
pub fn smallest_eigenvector(m: &Matrix3<f64>) -> Option<Vec3> {
    let mean = m.trace() / 3.0;
    if !(mean > 0.0 && mean.is_finite()) {
        return None;
    }
    // Scaled, so that no product can under- or overflow.
    let m = m / mean;
    let deviation = m - Matrix3::identity();
    let p = (deviation.norm_squared() / 6.0).sqrt();
    if p == 0.0 {
        return None;
    }
    let half_det = ((deviation / p).determinant() / 2.0).clamp(-1.0, 1.0);
    let (sine, cosine) = (half_det.acos() / 3.0).sin_cos();
    let largest = 1.0 + 2.0 * p * cosine;
    // The cosine a third of a turn on.
    let smallest = 1.0 - p * (cosine + 3.0_f64.sqrt() * sine);
    let middle = 3.0 - largest - smallest;
    if middle <= LINE * LINE * largest {
        return None;
    }
    let rows = m - Matrix3::identity() * smallest;
    let [a, b, c] = [0, 1, 2].map(|i| rows.row(i).transpose());
    let best = [a.cross(&b), b.cross(&c), c.cross(&a)]
        .into_iter()
        .max_by(|u, v| u.norm_squared().total_cmp(&v.norm_squared()))?;
    best.try_normalize(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn agrees_with_an_iterative_eigensolver(e in prop::array::uniform9(-1.0..1.0f64)) {
            let root = Matrix3::from_row_slice(&e);
            let m = root.transpose() * root;
            let eigen = m.symmetric_eigen();
            let mut order = [0, 1, 2];
            order.sort_by(|&i, &j| eigen.eigenvalues[i].total_cmp(&eigen.eigenvalues[j]));
            let [low, middle, high] = order.map(|i| eigen.eigenvalues[i]);
            // Where two eigenvalues nearly meet there is no one answer.
            prop_assume!(middle > 1e-2 * high && middle - low > 1e-3 * high);
            let ours = smallest_eigenvector(&m).unwrap();
            let theirs = eigen.eigenvectors.column(order[0]).into_owned();
            prop_assert!(ours.cross(&theirs).norm() < 1e-7, "{ours} {theirs}");
        }
    }

    #[test]
    fn lines_and_points_have_no_normal() {
        let line = (0..16).map(|i| Vec3::new(1.0, 2.0, 3.0) * f64::from(i));
        assert_eq!(least_spread(line), Vec3::zeros());
        assert_eq!(least_spread(std::iter::repeat_n(Vec3::x(), 16)), Vec3::zeros());
        assert_eq!(least_spread(std::iter::empty()), Vec3::zeros());
    }
}
