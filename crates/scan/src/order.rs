//! Space-filling order for clouds.
//!
//! Scanners write points in the order they saw them, and sampled or merged clouds in none.
//! A search that walks from point to point is several times faster when points that lie near
//! each other are stored near each other, so a [`crate::Scan`] sorts a cloud along the
//! Z-order curve (G. M. Morton, *A Computer Oriented Geodetic Data Base and a New Technique
//! in File Sequencing*, IBM, 1966) when it takes it in.

use rayon::prelude::*;
use stringline_core::Point3;

/// Bits a coordinate: three of them fill a 64-bit key.
const BITS: u32 = 21;

/// The indices of `points` in Z-order over their bounding cube; points in the same cell of
/// the curve keep their order.
///
/// The result depends on the points alone. Coordinates that are not finite sort somewhere, without harm.
pub fn z_order(points: &[Point3]) -> Vec<u32> {
    let finite = || points.iter().filter(|p| p.iter().all(|c| c.is_finite()));
    let Some(&first) = finite().next() else {
        return (0..points.len() as u32).collect();
    };
    let (low, high) = finite().fold((first, first), |(low, high), p| (low.inf(p), high.sup(p)));
    let side = (high - low).max();
    // One cell less than the range, so that rounding cannot leave the cube.
    let scale = if side > 0.0 { ((1u64 << BITS) - 1) as f64 / side } else { 0.0 };
    let mut keyed: Vec<(u64, u32)> = points
        .par_iter()
        .enumerate()
        .map(|(i, p)| {
            let cell = (p - low) * scale;
            // `as` saturates, and takes NaN to 0.
            let key = spread(cell.x as u64) | spread(cell.y as u64) << 1 | spread(cell.z as u64) << 2;
            (key, i as u32)
        })
        .collect();
    keyed.par_sort_unstable();
    keyed.into_iter().map(|(_, i)| i).collect()
}

/// Puts two zero bits after each of the lowest [`BITS`] bits.
fn spread(cell: u64) -> u64 {
    let mut x = cell.min((1 << BITS) - 1);
    x = (x | x << 32) & 0x001f_0000_0000_ffff;
    x = (x | x << 16) & 0x001f_0000_ff00_00ff;
    x = (x | x << 8) & 0x100f_00f0_0f00_f00f;
    x = (x | x << 4) & 0x10c3_0c30_c30c_30c3;
    (x | x << 2) & 0x1249_2492_4924_9249
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_are_spread_by_three() {
        for bit in 0..BITS {
            assert_eq!(spread(1 << bit), 1 << (3 * bit));
        }
        assert_eq!(spread(u64::MAX), 0x1249_2492_4924_9249);
    }

    #[test]
    fn a_cube_is_walked_corner_by_corner() {
        // The definition of the curve on a 2×2×2 cube: x fastest, then y, then z.
        let corners: Vec<Point3> =
            (0..8u32).rev().map(|i| Point3::new((i & 1).into(), (i >> 1 & 1).into(), (i >> 2).into())).collect();
        assert_eq!(z_order(&corners), [7, 6, 5, 4, 3, 2, 1, 0]);
    }

    #[test]
    fn odd_input_is_still_a_permutation() {
        let odd = [
            Point3::new(f64::NAN, 0.0, 0.0),
            Point3::new(1.0, f64::INFINITY, 2.0),
            Point3::new(3.0, 2.0, 1.0),
            Point3::new(3.0, 2.0, 1.0),
        ];
        let mut order = z_order(&odd);
        order.sort_unstable();
        assert_eq!(order, [0, 1, 2, 3]);
        assert!(z_order(&[]).is_empty());
    }
}
