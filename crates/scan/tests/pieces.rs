//! Pieces and coarse copies against the scan they are of.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use proptest::prelude::*;
use std::f64::consts::TAU;
use stringline_scan::pieces::{Coarse, Piece};
use stringline_scan::{Cloud, Geometry, Mesh, Point3, Scan, Vec3};

const RADII: [f64; 2] = [30.0, 10.0];

/// A closed torus, its facets in a scattered order.
fn torus(around: u32, across: u32) -> Mesh {
    let id = |i: u32, j: u32| (i % around) * across + j % across;
    let mut mesh = Mesh::default();
    for (i, j) in (0..around).flat_map(|i| (0..across).map(move |j| (i, j))) {
        let (u, v) = (TAU * f64::from(i) / f64::from(around), TAU * f64::from(j) / f64::from(across));
        let q = RADII[0] + RADII[1] * v.cos();
        mesh.vertices.push(Point3::new(1e4 + q * u.cos(), q * u.sin(), RADII[1] * v.sin()));
        let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
        mesh.facets.extend([[a, b, c], [a, c, d]]);
    }
    mesh.facets.sort_by_key(|f| f.map(|v| v.wrapping_mul(2_654_435_761)));
    mesh
}

fn bounds_hold(scan: &Scan, piece: &Piece) {
    let mut ids = piece.points.clone();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), piece.points.len(), "a point stands twice in a piece");
    let mut seen = (Vec3::repeat(f64::INFINITY), Vec3::repeat(f64::NEG_INFINITY));
    for &id in &piece.points {
        let p = scan.points()[id as usize].coords;
        seen = (seen.0.inf(&p), seen.1.sup(&p));
    }
    assert_eq!((Point3::from(seen.0), Point3::from(seen.1)), piece.bounds);
}

/// The facets of pieces by the ids of the scan.
fn named(pieces: &[Piece]) -> Vec<[u32; 3]> {
    pieces.iter().flat_map(|p| p.facets.iter().map(|f| f.map(|v| p.points[v as usize]))).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn every_facet_is_in_one_piece(around in 3u32..60, across in 3u32..40, most in 1usize..600) {
        let mut mesh = torus(around, across);
        mesh.vertices.push(Point3::origin());
        let scan = Scan::new(Geometry::Mesh(mesh.clone()));
        let pieces = scan.pieces(most);
        for piece in &pieces {
            bounds_hold(&scan, piece);
            prop_assert!(piece.facets.len() <= most && 2 * piece.facets.len() >= most.min(mesh.facets.len()));
        }
        let mut found = named(&pieces);
        found.sort_unstable();
        mesh.facets.sort_unstable();
        prop_assert_eq!(found, mesh.facets);
    }

    #[test]
    fn every_point_of_a_cloud_is_in_one_piece(n in 0usize..3000, most in 1usize..600) {
        let points = (0..n).map(|i| {
            let (s, c) = (2.4 * i as f64).sin_cos();
            Point3::new(c * i as f64, s * i as f64, 0.0)
        });
        let scan = Scan::new(Geometry::Cloud(Cloud { points: points.collect(), normals: vec![] }));
        let pieces = scan.pieces(most);
        pieces.iter().for_each(|piece| bounds_hold(&scan, piece));
        let mut found: Vec<u32> = pieces.iter().flat_map(|p| p.points.iter().copied()).collect();
        found.sort_unstable();
        prop_assert_eq!(found, (0..n as u32).collect::<Vec<u32>>());
    }
}

/// Pieces halve the surface: together their boxes are not much larger than the torus' own sheet.
#[test]
fn pieces_are_compact() {
    let scan = Scan::new(Geometry::Mesh(torus(400, 200)));
    let pieces = scan.pieces(2500);
    assert_eq!(pieces.len(), 64);
    let area = TAU * TAU * RADII[0] * RADII[1];
    for piece in &pieces {
        let side = (piece.bounds.1 - piece.bounds.0).max();
        // A square of a 64th of the area has a side of 13.6 mm.
        assert!(side < 3.0 * (area / 64.0).sqrt(), "{side}");
    }
}

fn off_torus(p: &Point3) -> f64 {
    let ring = (p.x - 1e4).hypot(p.y) - RADII[0];
    (ring.hypot(p.z) - RADII[1]).abs()
}

fn check_copy(scan: &Scan, copy: &Coarse, wanted: usize) {
    let piece = &copy.piece;
    bounds_hold(scan, piece);
    let count = piece.facets.len();
    assert!(count as f64 > 0.6 * wanted as f64 && (count as f64) < 1.4 * wanted as f64, "{count} of {wanted}");
    let at: Vec<Point3> = piece.points.iter().map(|&id| scan.points()[id as usize]).collect();
    let reach = copy.cell * 3.0_f64.sqrt();
    let mut area = 0.0;
    for facet in &piece.facets {
        let [a, b, c] = facet.map(|v| at[v as usize]);
        area += (b - a).cross(&(c - a)).norm() / 2.0;
        let middle = Point3::from((a.coords + b.coords + c.coords) / 3.0);
        assert!(off_torus(&middle) <= reach);
    }
    // All of the surface is still there, about once.
    let full = TAU * TAU * RADII[0] * RADII[1];
    assert!((area / full - 1.0).abs() < 0.15, "{area} of {full}");
    // Every point of the scan has a vertex of the copy in its cell.
    let kept = Scan::new(Geometry::Cloud(Cloud { points: at.clone(), normals: vec![] }));
    for p in scan.points() {
        let near = kept.points()[kept.nearest(p).unwrap() as usize];
        assert!((near - p).norm() <= reach);
    }
}

#[test]
fn coarse_copies_lie_within_a_cell_of_the_scan() {
    let scan = Scan::new(Geometry::Mesh(torus(700, 350)));
    let copies = scan.coarse(&[3_000, 40_000, 12_000, 10_000_000]);
    for (copy, wanted) in copies.iter().zip([3_000, 40_000, 12_000]) {
        check_copy(&scan, copy, wanted);
    }
    assert_eq!(copies[3].cell, 0.0);
    let mut found = named(std::slice::from_ref(&copies[3].piece));
    let Geometry::Mesh(mesh) = scan.geometry() else { unreachable!() };
    let mut all = mesh.facets.clone();
    found.sort_unstable();
    all.sort_unstable();
    assert_eq!(found, all);
    // Too few to leave anything: as few as there can be.
    let few = scan.coarse(&[1, 20_000]);
    assert_eq!(few.len(), 2);
    assert!((1..500).contains(&few[0].piece.facets.len()), "{}", few[0].piece.facets.len());
    // The same again, on however many cores.
    assert_eq!(copies, scan.coarse(&[3_000, 40_000, 12_000, 10_000_000]));
}

#[test]
fn a_cloud_is_thinned_evenly() {
    let scan = Scan::new(Geometry::Cloud(Cloud { points: torus(700, 350).vertices, normals: vec![] }));
    let copies = scan.coarse(&[5_000]);
    let piece = &copies[0].piece;
    bounds_hold(&scan, piece);
    assert!(piece.facets.is_empty() && (4_000..6_000).contains(&piece.points.len()), "{}", piece.points.len());
}

#[test]
fn nothing_comes_of_nothing_and_odd_scans_do_no_harm() {
    for geometry in [Geometry::Mesh(Mesh::default()), Geometry::Cloud(Cloud::default())] {
        let scan = Scan::new(geometry);
        assert!(scan.pieces(0).is_empty() && scan.coarse(&[10]).is_empty());
    }
    // All in one place, and one stray far away.
    let mut points = vec![Point3::new(1.0, 2.0, 3.0); 500];
    points.push(Point3::new(1e12, -1e12, 0.0));
    let scan = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
    assert_eq!(scan.pieces(100).iter().map(|p| p.points.len()).sum::<usize>(), 501);
    assert_eq!(scan.coarse(&[50])[0].piece.points.len(), 2);
}
