//! Sections and maps made into pictures: against closed forms.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::f64::consts::PI;
use stringline_clearance::{Outline, Plane, ball, gap_map, plate, section, tube};
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_scan::{Geometry, Mesh, Scan, write};

fn area(outline: &Outline) -> f64 {
    let p = &outline.places;
    0.5 * (0..p.len()).map(|i| p[i].coords.perp(&p[(i + 1) % p.len()].coords)).sum::<f64>()
}

#[test]
fn a_tube_cut_square_slanting_and_along() {
    let bar = tube(Point3::new(0.0, 0.0, -50.0), Point3::new(0.0, 0.0, 50.0), 20.0, 0.001).unwrap();
    let sides = bar.vertices.len() as f64 / 2.0 - 1.0;
    // The polygon round a circle of radius 10, longer by 1/cos where it is cut aslant.
    let square = sides * 100.0 * (PI / sides).tan();
    for lean in [0.0_f64, 0.3, 0.8] {
        let normal = UnitVec3::new_normalize(Vec3::new(0.0, lean.sin(), lean.cos()));
        let plane = Plane::new(Point3::new(0.3, 0.1, 2.0), normal);
        let cut = section(&bar, &plane);
        assert_eq!(cut.len(), 1);
        assert!(cut[0].closed && (area(&cut[0]) - square / lean.cos()).abs() < 1e-8, "{} {square}", area(&cut[0]));
        for p in &cut[0].places {
            let p = plane.at(p);
            let r = p.x.hypot(p.y);
            assert!((10.0 - 1e-9..10.001 + 1e-9).contains(&r) && plane.normal().dot(&(p - plane.point)).abs() < 1e-12);
        }
    }
    // Along the axis, through corners of the mesh, and in the plane of an end.
    let along = section(&bar, &Plane::new(Point3::origin(), Vec3::y_axis()));
    assert_eq!(along.len(), 1);
    assert!(along[0].closed && (area(&along[0]) - 2000.0).abs() < 0.3);
    let end = section(&bar, &Plane::new(Point3::new(0.0, 0.0, 50.0), Vec3::z_axis()));
    assert!(end.iter().all(|o| o.closed) && (end.iter().map(area).sum::<f64>() - square).abs() < 1e-8);
    assert!(section(&bar, &Plane::new(Point3::new(0.0, 0.0, 50.1), Vec3::z_axis())).is_empty());
}

#[test]
fn two_outlines_a_hole_and_a_border() {
    let mut mesh = ball(Point3::origin(), 20.0, 0.01).unwrap();
    let first = mesh.vertices.len() as u32;
    let inner = ball(Point3::new(1.0, 0.0, 0.0), 10.0, 0.01).unwrap();
    mesh.vertices.extend(&inner.vertices);
    mesh.facets.extend(inner.facets.iter().map(|f| [f[0] + first, f[2] + first, f[1] + first]));
    let plane = Plane::new(Point3::new(0.0, 0.0, 3.0), Vec3::z_axis());
    let cut = section(&mesh, &plane);
    let areas: Vec<f64> = cut.iter().map(area).collect();
    // The wall's outside counts up, its hole down.
    assert_eq!((cut.len(), cut.iter().all(|o| o.closed)), (2, true));
    assert!((areas[0] - PI * 91.0).abs() < 1.0 && (areas[1] + PI * 16.0).abs() < 0.5, "{areas:?}");
    // With a facet less it is an open line that begins and ends at the hole.
    let cut_off: Vec<_> = mesh.facets.clone();
    let gone = (0..cut_off.len() as u32)
        .find(|&f| {
            let z = mesh.corners(f).map(|p| p.z);
            z.iter().any(|z| *z > 3.0) && z.iter().any(|z| *z < 3.0)
        })
        .unwrap();
    let mut open = Mesh { vertices: mesh.vertices.clone(), facets: cut_off };
    open.facets.remove(gone as usize);
    let lines = section(&open, &plane);
    assert_eq!(lines.iter().filter(|o| !o.closed).count(), 1);
    let count = |o: &[Outline]| o.iter().map(|o| o.places.len()).sum::<usize>();
    assert_eq!(count(&lines), count(&cut));
    // The same each time.
    assert_eq!(lines, section(&open, &plane));
}

#[test]
fn maps_are_counted_and_coloured() {
    let square = |size: f64| {
        let corners = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
        let corners = corners.map(|[x, y]| Point3::new(x * size, y * size, 0.0));
        Scan::new(Geometry::Mesh(plate(&corners, 1.0).unwrap()))
    };
    let of = square(5.0);
    // One side of the plate lies 0.25 mm inside, the other 0.25 outside.
    let map = gap_map(&of, &square(8.0), &RigidTransform::translation(0.0, 0.0, 0.25), 0.5, |_| true).unwrap();
    assert_eq!(map.within, 8);
    let histogram = map.histogram(-0.3, 0.3, 6);
    assert_eq!((histogram.below, histogram.above), (0, 0));
    assert_eq!(histogram.counts, [4, 0, 0, 0, 0, 4]);
    let histogram = map.histogram(0.0, 0.25, 1);
    assert_eq!((histogram.below, histogram.counts[0], histogram.above), (4, 0, 4));
    let colours = map.colours(0.25);
    let ends = [stringline_core::colour::diverging(-1.0), stringline_core::colour::diverging(1.0)];
    assert_eq!((colours[0], colours[4]), (ends[0], ends[1]));
    let mut bytes = Vec::new();
    write::ply_coloured(of.geometry(), write::Precision::Single, &colours, &mut bytes).unwrap();
    assert!(bytes.len() > 8 * 15 + 12 * 13);
}
