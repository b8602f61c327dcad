//! A mesh of few large facets, made fine enough to be met everywhere.
//!
//! Every edge longer than a limit is halved, in all facets that share it, so that facets still meet along
//! whole edges: a facet with one, two or three halved edges becomes two, three or four.

use std::collections::HashMap;
use stringline_core::{Point3, Vec3};
use stringline_scan::{Geometry, Mesh, Scan};

/// A mesh of fewer vertices than this is made finer.
const FEW: usize = 2000;
/// About so many facets it then has at least.
const FACETS: f64 = 10_000.0;
/// Rounds at most: an edge is a thousandth of what it was.
const ROUNDS: usize = 10;

/// The same surface in smaller facets; `None` where the scan is fine enough, or no mesh.
pub(crate) fn refined(scan: &Scan) -> Option<Scan> {
    let Geometry::Mesh(mesh) = scan.geometry() else { return None };
    if mesh.vertices.len() >= FEW {
        return None;
    }
    let corner = |v: u32| mesh.vertices.get(v as usize).copied();
    let doubled = |&[a, b, c]: &[u32; 3]| -> f64 {
        let (Some(a), Some(b), Some(c)) = (corner(a), corner(b), corner(c)) else { return 0.0 };
        let size = (b - a).cross(&(c - a)).norm();
        if size.is_finite() { size } else { 0.0 }
    };
    let area = 0.5 * mesh.facets.iter().map(doubled).sum::<f64>();
    // An equilateral triangle of side l covers √3/4·l².
    let longest = (area / FACETS * 4.0 / 3.0_f64.sqrt()).sqrt();
    if !(longest > 0.0 && longest.is_finite()) {
        return None;
    }
    let sound = |f: &&[u32; 3]| f.iter().all(|&v| corner(v).is_some_and(|p| p.iter().all(|c| c.is_finite())));
    let facets = mesh.facets.iter().filter(sound).copied().collect();
    let mut fine = Mesh { vertices: mesh.vertices.clone(), facets };
    for _ in 0..ROUNDS {
        if !halve(&mut fine, longest) {
            break;
        }
    }
    Some(Scan::new(Geometry::Mesh(fine)))
}

/// Halves the edges longer than `longest`, mm; whether there were any.
fn halve(mesh: &mut Mesh, longest: f64) -> bool {
    let mut middles: HashMap<[u32; 2], u32> = HashMap::new();
    let vertices = &mut mesh.vertices;
    let mut middle = |a: u32, b: u32| -> Option<u32> {
        let [p, q]: [Point3; 2] = [a, b].map(|v| vertices[v as usize]);
        let edge: Vec3 = q - p;
        (edge.norm() > longest).then(|| {
            *middles.entry([a.min(b), a.max(b)]).or_insert_with(|| {
                vertices.push(nalgebra::center(&p, &q));
                vertices.len() as u32 - 1
            })
        })
    };
    let mut facets = Vec::with_capacity(2 * mesh.facets.len());
    let mut any = false;
    for &[a, b, c] in &mesh.facets {
        let halved = [middle(a, b), middle(b, c), middle(c, a)];
        any |= halved.iter().any(Option::is_some);
        // Turned so that the first edge is halved and the last is not, unless all or none are.
        let turned = |k: usize| {
            let (v, h) = ([a, b, c], halved);
            ([v[k], v[(k + 1) % 3], v[(k + 2) % 3]], [h[k], h[(k + 1) % 3], h[(k + 2) % 3]])
        };
        let (corners, halved) = (0..3).map(turned).find(|(_, h)| h[0].is_some() && h[2].is_none()).unwrap_or(turned(0));
        let [a, b, c] = corners;
        match halved {
            [Some(ab), Some(bc), Some(ca)] => facets.extend([[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]]),
            [Some(ab), Some(bc), None] => facets.extend([[ab, b, bc], [a, ab, bc], [a, bc, c]]),
            [Some(ab), None, None] => facets.extend([[a, ab, c], [ab, b, c]]),
            _ => facets.push([a, b, c]),
        }
    }
    mesh.facets = facets;
    any
}
