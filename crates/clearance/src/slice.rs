//! The outline in which a plane cuts a mesh.

use rayon::prelude::*;
use stringline_core::{Point3, RigidTransform};
use stringline_scan::Mesh;

/// Where the plane z = 0 of a section's frame cuts a mesh: straight pieces in its x and y, mm, one a facet, in the
/// order of the facets. A facet that only touches the plane gives none.
pub fn slice(mesh: &Mesh, section_from_mesh: &RigidTransform) -> Vec<[[f64; 2]; 2]> {
    let placed: Vec<Point3> = mesh.vertices.par_iter().map(|p| section_from_mesh * p).collect();
    let cut = |facet: &[u32; 3]| {
        let p = facet.map(|v| placed[v as usize]);
        let mut ends = (0..3).filter_map(|i| {
            let (a, b) = (p[i], p[(i + 1) % 3]);
            // On the plane counts as above it, so that a corner in the plane is met once.
            ((a.z >= 0.0) != (b.z >= 0.0)).then(|| {
                let at = a + (b - a) * (a.z / (a.z - b.z));
                [at.x, at.y]
            })
        });
        Some([ends.next()?, ends.next()?])
    };
    mesh.facets.par_iter().filter_map(cut).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wheel::Wheel;

    /// A disc of radius 100 and width 40, cut 60 mm off its axis: a rectangle 40 wide and 2·80 long.
    #[test]
    fn a_disc_is_cut_in_its_chord() {
        let disc = Wheel::from_profile(&[[0.0, -20.0], [100.0, -20.0], [100.0, 20.0], [0.0, 20.0]]).unwrap();
        let mesh = disc.mesh(2000);
        let pieces = slice(&mesh, &RigidTransform::translation(0.0, 0.0, 60.0));
        let ends = || pieces.iter().flatten();
        let span = |i: usize| ends().map(|p| p[i].abs()).fold(0.0, f64::max);
        assert!((span(0) - 80.0).abs() < 1e-3 && (span(1) - 20.0).abs() < 1e-9);
        let length: f64 = pieces.iter().map(|[a, b]| (a[0] - b[0]).hypot(a[1] - b[1])).sum();
        assert!((length - 2.0 * 160.0 - 2.0 * 40.0).abs() < 0.01, "{length}");
        assert!(slice(&mesh, &RigidTransform::translation(0.0, 0.0, 100.1)).is_empty());
    }
}
