//! Stand-in until the scan crate cuts scans into pieces itself.
use std::collections::HashMap;
use stringline_core::Point3;
use stringline_scan::{Geometry, Scan, order};

pub struct Piece {
    pub points: Vec<u32>,
    pub facets: Vec<[u16; 3]>,
}

pub fn levels(scan: &Scan) -> Vec<Vec<Piece>> {
    match scan.geometry() {
        Geometry::Cloud(cloud) => [1, 8, 64]
            .map(|stride| {
                let ids: Vec<u32> = (0..cloud.points.len() as u32).step_by(stride).collect();
                ids.chunks(1 << 16).map(|c| Piece { points: c.to_vec(), facets: Vec::new() }).collect()
            })
            .into(),
        Geometry::Mesh(mesh) => {
            let mut levels = vec![cut(&mesh.vertices, &mesh.facets)];
            for cells in [3.0, 9.0] {
                let size = scan.spacing() * cells;
                let mut first: HashMap<[i64; 3], u32> = HashMap::new();
                let cell = |p: &Point3| [0, 1, 2].map(|i| (p[i] / size).floor() as i64);
                let to: Vec<u32> = (0..mesh.vertices.len())
                    .map(|i| *first.entry(cell(&mesh.vertices[i])).or_insert(i as u32))
                    .collect();
                let mut facets: Vec<[u32; 3]> = mesh
                    .facets
                    .iter()
                    .map(|f| f.map(|v| to[v as usize]))
                    .filter(|[a, b, c]| a != b && b != c && a != c)
                    .collect();
                facets.sort_unstable();
                facets.dedup();
                levels.push(cut(&mesh.vertices, &facets));
            }
            levels
        }
    }
}

fn cut(vertices: &[Point3], facets: &[[u32; 3]]) -> Vec<Piece> {
    let centres: Vec<Point3> = facets
        .iter()
        .map(|f| {
            let [a, b, c] = f.map(|v| vertices[v as usize].coords);
            Point3::from((a + b + c) / 3.0)
        })
        .collect();
    let order = order::z_order(&centres);
    let mut pieces = Vec::new();
    let mut to = vec![u32::MAX; vertices.len()];
    let mut piece = Piece { points: Vec::new(), facets: Vec::new() };
    for i in order {
        if piece.points.len() > 65_532 || piece.facets.len() >= 65_000 {
            for &p in &piece.points {
                to[p as usize] = u32::MAX;
            }
            pieces.push(std::mem::replace(&mut piece, Piece { points: Vec::new(), facets: Vec::new() }));
        }
        piece.facets.push(facets[i as usize].map(|v| {
            let slot = &mut to[v as usize];
            if *slot == u32::MAX {
                *slot = piece.points.len() as u32;
                piece.points.push(v);
            }
            *slot as u16
        }));
    }
    if !piece.points.is_empty() {
        pieces.push(piece);
    }
    pieces
}
