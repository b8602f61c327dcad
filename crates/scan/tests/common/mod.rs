//! Surfaces for the tests. All invented.

use std::collections::HashMap;
use stringline_scan::{Cloud, Geometry, Mesh, Point3, Scan};

/// A deterministic stand-in for scanner noise: even over ±1.
pub(crate) fn wobble(i: usize) -> f64 {
    let mut x = (i as u64).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// A closed box from the origin to `size` with square facets of `step`, vertices shared, each
/// vertex moved by up to `noise` along each axis.
pub(crate) fn block(size: [f64; 3], step: f64, noise: f64) -> Mesh {
    let cells = size.map(|s| (s / step).round() as i64);
    let mut ids: HashMap<[i64; 3], u32> = HashMap::new();
    let mut mesh = Mesh::default();
    for axis in 0..3 {
        let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
        for (side, out) in [(0, false), (cells[axis], true)] {
            for i in 0..cells[u] {
                for j in 0..cells[v] {
                    let corner = [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)].map(|(i, j)| {
                        let mut at = [0; 3];
                        (at[axis], at[u], at[v]) = (side, i, j);
                        *ids.entry(at).or_insert_with(|| {
                            let p = [0, 1, 2].map(|k| at[k] as f64 * size[k] / cells[k] as f64);
                            mesh.vertices.push(Point3::from(p));
                            mesh.vertices.len() as u32 - 1
                        })
                    });
                    let [a, b, c, d] = corner;
                    // u × v is along `axis`: that way round is outward on the far side.
                    let two = if out { [[a, b, c], [a, c, d]] } else { [[a, c, b], [a, d, c]] };
                    mesh.facets.extend(two);
                }
            }
        }
    }
    for (i, p) in mesh.vertices.iter_mut().enumerate() {
        for k in 0..3 {
            p[k] += noise * wobble(3 * i + k);
        }
    }
    mesh
}

/// The wall of a bore along z, material outside, as an open tube.
pub(crate) fn bore(radius: f64, length: f64, step: f64, noise: f64) -> Mesh {
    let round = (std::f64::consts::TAU * radius / step).ceil() as usize;
    let rows = (length / step).ceil() as usize;
    let mut mesh = Mesh::default();
    for row in 0..=rows {
        for i in 0..round {
            let angle = std::f64::consts::TAU * i as f64 / round as f64;
            let r = radius + noise * wobble(mesh.vertices.len());
            let z = length * row as f64 / rows as f64;
            mesh.vertices.push(Point3::new(r * angle.cos(), r * angle.sin(), z));
        }
    }
    let id = |row: usize, i: usize| (row * round + i % round) as u32;
    for row in 0..rows {
        for i in 0..round {
            let (a, b) = (id(row, i), id(row, i + 1));
            let (c, d) = (id(row + 1, i + 1), id(row + 1, i));
            mesh.facets.extend([[a, c, b], [a, d, c]]);
        }
    }
    mesh
}

/// The three ways a surface can come in: as a mesh, as a cloud with normals, as a bare cloud.
pub(crate) fn as_scans(mesh: &Mesh) -> [Scan; 3] {
    let whole = Scan::new(Geometry::Mesh(mesh.clone()));
    let normals = whole.normals().to_vec();
    let points = mesh.vertices.clone();
    let cloud = |normals| Scan::new(Geometry::Cloud(Cloud { points: points.clone(), normals }));
    [whole, cloud(normals), cloud(vec![])]
}
