//! What the targets share: reading, and looking at what was read.

use std::io::Cursor;

use stringline_scan::Geometry;
use stringline_scan::read::{self, ReadSettings};

/// Reads `data` and checks what the validator promises of anything that comes out.
pub fn read(data: &[u8], name: &str) {
    let Ok(scan) = read::read(Cursor::new(data), name, &ReadSettings::default()) else {
        return;
    };
    let points = scan.geometry.points();
    assert!(!points.is_empty());
    assert!(points.iter().flat_map(|p| p.iter()).all(|c| c.is_finite()));
    match &scan.geometry {
        Geometry::Mesh(mesh) => {
            let mut used = vec![false; points.len()];
            for facet in 0..mesh.facets.len() as u32 {
                let [a, b, c] = mesh.facets[facet as usize];
                assert!(a != b && b != c && a != c);
                for v in [a, b, c] {
                    used[v as usize] = true;
                }
            }
            assert!(used.iter().all(|u| *u));
        }
        Geometry::Cloud(cloud) => {
            assert!(cloud.normals.is_empty() || cloud.normals.len() == points.len());
            assert!(cloud.normals.iter().all(|n| (n.norm() - 1.0).abs() < 1e-9));
        }
    }
}
