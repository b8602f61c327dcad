//! What a dab takes and what it leaves. The surfaces are invented; the expected sets follow
//! from their geometry.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{as_scans, block, bore, wobble};
use proptest::prelude::*;
use std::collections::{BTreeSet, HashSet};
use stringline_core::Explain;
use stringline_scan::{Cloud, Dab, Geometry, Mesh, PaintError, Patch, Point3, Scan, UnitVec3, Vec3};

fn seen(mut dab: Dab, from: [f64; 3]) -> Dab {
    dab.seen_from = Some(UnitVec3::new_normalize(Vec3::from(from)));
    dab
}

fn wiping(mut dab: Dab) -> Dab {
    dab.wipe = true;
    dab
}

fn painted<'a>(scan: &'a Scan, patch: &'a Patch) -> impl Iterator<Item = Point3> + 'a {
    patch.points.iter().map(|&i| scan.points()[i as usize])
}

#[test]
fn a_thin_wall_is_not_painted_through() {
    // A 1 mm wall and a dab of 6 mm; with and without noise, with and without a view.
    for noise in [0.0, 0.03] {
        let mesh = block([40.0, 30.0, 1.0], 0.25, noise);
        for scan in as_scans(&mesh) {
            let dab = Dab::new(Point3::new(20.0, 15.0, 1.0), 6.0);
            for dab in [dab.clone(), seen(dab, [0.3, 0.1, 1.0])] {
                let patch = scan.paint(&[dab]).unwrap();
                assert!(painted(&scan, &patch).all(|p| p.z > 0.5), "it leaked");
                // All of the disc: π·6²/0.25² points, but for those that noise moved over its rim.
                let expected = std::f64::consts::PI * 36.0 / 0.0625;
                let share = patch.points.len() as f64 / expected;
                assert!((0.98..1.02).contains(&share), "{share}");
            }
        }
    }
}

#[test]
fn the_edge_of_a_fin_is_not_crossed() {
    let mesh = block([40.0, 30.0, 1.0], 0.25, 0.02);
    for scan in as_scans(&mesh) {
        // Two millimetres from the edge at x = 40, seen square to the face.
        let dab = seen(Dab::new(Point3::new(38.0, 15.0, 1.0), 6.0), [0.0, 0.0, 1.0]);
        let patch = scan.paint(&[dab]).unwrap();
        // Normals estimated from a neighbourhood round an edge off by up to its size.
        let lowest = if scan.oriented() { 0.9 } else { 0.4 };
        assert!(painted(&scan, &patch).all(|p| p.z > lowest));
        assert!(painted(&scan, &patch).any(|p| p.x > 39.9));
    }
}

#[test]
fn an_edge_is_crossed_where_the_other_side_faces_the_viewer_too() {
    let mesh = block([40.0, 30.0, 10.0], 0.5, 0.02);
    let [scan, cloud, _] = as_scans(&mesh);
    for scan in [scan, cloud] {
        let dab = seen(Dab::new(Point3::new(39.0, 15.0, 10.0), 6.0), [1.0, 0.0, 1.0]);
        let patch = scan.paint(&[dab]).unwrap();
        assert!(painted(&scan, &patch).any(|p| p.z < 6.0));
        assert!(painted(&scan, &patch).any(|p| p.x < 36.0));
    }
}

#[test]
fn a_bore_is_painted_round_from_inside() {
    let mesh = bore(5.0, 20.0, 0.25, 0.02);
    for scan in as_scans(&mesh) {
        // The reach spans the whole bore: what faces away from the touched wall stays out.
        let patch = scan.paint(&[Dab::new(Point3::new(5.0, 0.0, 10.0), 11.0)]).unwrap();
        let turn = |p: &Point3| p.y.atan2(p.x).to_degrees().abs();
        let widest = painted(&scan, &patch).map(|p| turn(&p)).fold(0.0, f64::max);
        assert!((70.0..88.0).contains(&widest), "{widest}");
        // And all of it within 70° is there.
        let expected = mesh.vertices.iter().filter(|p| turn(p) < 70.0);
        let within = expected.filter(|p| (*p - Point3::new(5.0, 0.0, 10.0)).norm() < 10.9);
        let found = painted(&scan, &patch).filter(|p| turn(p) < 70.0);
        let inside = found.filter(|p| (p - Point3::new(5.0, 0.0, 10.0)).norm() < 10.9);
        assert_eq!(inside.count(), within.count());
    }
}

#[test]
fn a_touch_goes_to_the_nearest_surface_that_faces_the_viewer() {
    let scan = &as_scans(&block([40.0, 30.0, 1.0], 0.25, 0.0))[0];
    // Nearer to the top, but seen from below.
    let dab = Dab::new(Point3::new(20.0, 15.0, 0.9), 3.0);
    let top = scan.paint(std::slice::from_ref(&dab)).unwrap();
    assert!(painted(scan, &top).all(|p| p.z == 1.0));
    let bottom = scan.paint(&[seen(dab, [0.0, 0.0, -1.0])]).unwrap();
    assert!(!bottom.points.is_empty() && painted(scan, &bottom).all(|p| p.z == 0.0));
}

#[test]
fn facets_are_those_with_all_corners_painted() {
    let mesh = block([20.0, 20.0, 5.0], 0.5, 0.02);
    let [scan, ..] = as_scans(&mesh);
    let dabs = [8.0, 11.0].map(|x| Dab::new(Point3::new(x, 10.0, 5.0), 3.0));
    let patch = scan.paint(&dabs).unwrap();
    let points: HashSet<u32> = patch.points.iter().copied().collect();
    let expected: Vec<u32> =
        (0..mesh.facets.len() as u32).filter(|&f| mesh.facets[f as usize].iter().all(|v| points.contains(v))).collect();
    assert!(expected.len() > 100);
    assert_eq!(patch.facets, expected);
}

#[test]
fn dabs_add_up_in_any_order_and_a_later_wipe_wins() {
    for scan in as_scans(&block([40.0, 30.0, 5.0], 0.5, 0.02)) {
        let a = Dab::new(Point3::new(10.0, 15.0, 5.0), 4.0);
        let b = Dab::new(Point3::new(14.0, 15.0, 5.0), 4.0);
        let set = |dabs: &[Dab]| -> BTreeSet<u32> { scan.paint(dabs).unwrap().points.into_iter().collect() };
        let (only_a, only_b) = (set(std::slice::from_ref(&a)), set(std::slice::from_ref(&b)));
        let both: BTreeSet<u32> = &only_a | &only_b;
        assert_eq!(set(&[a.clone(), b.clone()]), both);
        assert_eq!(set(&[b.clone(), a.clone()]), both);
        assert_eq!(set(&[a.clone(), b.clone(), wiping(a.clone())]), &only_b - &only_a);
        assert_eq!(set(&[wiping(a.clone()), b.clone(), a.clone()]), both);
        assert!(set(&[a.clone(), wiping(a)]).is_empty());
        assert!(set(&[]).is_empty());
    }
}

#[test]
fn a_bare_cloud_is_painted_like_its_mesh() {
    let [mesh, cloud, bare] = as_scans(&bore(12.0, 20.0, 0.4, 0.02));
    assert!(mesh.oriented() && cloud.oriented() && !bare.oriented());
    let dab = [Dab::new(Point3::new(0.0, 12.0, 10.0), 6.0)];
    let positions = |scan: &Scan| -> BTreeSet<[u64; 3]> {
        let sample = scan.sample(&scan.paint(&dab).unwrap());
        sample.points.iter().map(|p| [p.x, p.y, p.z].map(f64::to_bits)).collect()
    };
    assert!(positions(&mesh).len() > 500);
    assert_eq!(positions(&mesh), positions(&cloud));
    assert_eq!(positions(&mesh), positions(&bare));
    let sample = bare.sample(&bare.paint(&dab).unwrap());
    assert!(sample.normals.is_empty());
    let sample = mesh.sample(&mesh.paint(&dab).unwrap());
    // The material is outside the bore, so outward is towards the axis.
    for (p, n) in sample.points.iter().zip(&sample.normals) {
        assert!((n.norm() - 1.0).abs() < 1e-12 && n.dot(&Vec3::new(p.x, p.y, 0.0)) < 0.0);
    }
}

#[test]
fn dabs_that_touch_nothing_say_so() {
    let [scan, ..] = as_scans(&bore(5.0, 20.0, 0.5, 0.0));
    let good = Dab::new(Point3::new(5.0, 0.0, 10.0), 3.0);
    let far = Dab::new(Point3::new(25.0, 0.0, 10.0), 6.0);
    let error = scan.paint(&[good.clone(), far]).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the nearest surface is 20.0 mm away from dab 2 at (25.00, 0.00, 10.00), beyond its radius of 6 mm"
    );
    assert!(error.next_step().contains("a larger radius"));

    // The wall of a bore is edge-on along the axis.
    let along = seen(good.clone(), [0.0, 0.0, 1.0]);
    assert!(matches!(scan.paint(&[along]), Err(PaintError::FacesAway { dab: 1, .. })));

    for radius in [0.0, -1.0] {
        let dab = Dab { radius, ..good.clone() };
        assert_eq!(scan.paint(&[dab]), Err(PaintError::Radius { dab: 1, radius }));
    }
    let nan = Dab { radius: f64::NAN, ..good.clone() };
    let infinite = Dab::new(Point3::new(f64::INFINITY, 0.0, 0.0), 1.0);
    let no_view = Dab { seen_from: Some(UnitVec3::new_unchecked(Vec3::zeros())), ..good };
    for dab in [nan, infinite, no_view] {
        assert_eq!(scan.paint(&[dab]), Err(PaintError::NotFinite { dab: 1 }));
    }
}

#[test]
fn scans_of_hardly_any_points_do_not_fail() {
    let at = Point3::new(1.0, 2.0, 3.0);
    let cloud = |points: Vec<Point3>| Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));

    let empty = cloud(vec![]);
    assert_eq!(empty.spacing(), 0.0);
    assert_eq!(empty.nearest(&at), None);
    assert!(empty.k_nearest(&at, 3).is_empty() && empty.neighbours(0).is_empty());
    assert_eq!(empty.paint(&[Dab::new(at, 1.0)]), Err(PaintError::EmptyScan));
    let empty = Scan::new(Geometry::Mesh(Mesh::default()));
    assert_eq!(empty.paint(&[Dab::new(at, 1.0)]), Err(PaintError::EmptyScan));

    let one = cloud(vec![at]);
    assert_eq!(one.paint(&[Dab::new(at, 1.0)]).unwrap().points, [0]);
    assert!(one.neighbours(0).is_empty());

    let same = cloud(vec![at; 100]);
    assert_eq!(same.paint(&[Dab::new(at, 1.0)]).unwrap().points.len(), 100);

    // Points along a line have no normal: distance alone decides.
    let line = cloud((0..50).map(|i| Point3::new(f64::from(i) * 0.5, 0.0, 0.0)).collect());
    let patch = line.paint(&[Dab::new(Point3::new(10.0, 0.0, 0.0), 2.0)]).unwrap();
    assert_eq!(patch.points.len(), 9);

    // A mesh's vertex without a facet is not part of its surface.
    let mut mesh = block([4.0, 4.0, 4.0], 1.0, 0.0);
    mesh.vertices.push(Point3::new(2.0, 2.0, 4.5));
    let stray = mesh.vertices.len() as u32 - 1;
    let scan = Scan::new(Geometry::Mesh(mesh));
    let patch = scan.paint(&[Dab::new(Point3::new(2.0, 2.0, 4.5), 2.0)]).unwrap();
    assert!(!patch.points.is_empty() && !patch.points.contains(&stray));
}

#[test]
fn any_number_of_threads_gives_the_same() {
    // Without noise, so that many points are equally near.
    let mut mesh = bore(20.0, 60.0, 0.3, 0.0);
    // In no order, as a merged cloud comes.
    let mut order: Vec<usize> = (0..mesh.vertices.len()).collect();
    order.sort_by(|&a, &b| wobble(a).total_cmp(&wobble(b)));
    mesh.vertices = order.iter().map(|&i| mesh.vertices[i]).collect();
    let dabs = [Dab::new(Point3::new(20.0, 0.0, 30.0), 6.0), Dab::new(Point3::new(0.0, 20.0, 30.0), 6.0)];
    let result = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let points = mesh.vertices.clone();
            let scan = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
            let patch = scan.paint(&dabs).unwrap();
            (scan.points().to_vec(), scan.normals().to_vec(), scan.spacing(), patch)
        })
    };
    let alone = result(1);
    assert!(alone.3.points.len() > 1000);
    assert_eq!(alone, result(2));
    assert_eq!(alone, result(3));
}

#[test]
fn the_spacing_is_that_of_the_points() {
    // The eighth neighbour on a square lattice of pitch s is at √2·s: √(π·2/8) = 0.886.
    let [mesh, cloud, _] = as_scans(&block([40.0, 30.0, 20.0], 0.5, 0.0));
    for scan in [mesh, cloud] {
        assert!((scan.spacing() - 0.886 * 0.5).abs() < 0.001, "{}", scan.spacing());
    }
}

#[test]
fn a_dab_reads_back_from_a_job_as_it_was_written() {
    let short: Dab = serde_json::from_str(r#"{"centre":[1,2,3],"radius":6}"#).unwrap();
    assert_eq!(short, Dab::new(Point3::new(1.0, 2.0, 3.0), 6.0));
    assert_eq!(serde_json::to_string(&short).unwrap(), r#"{"centre":[1.0,2.0,3.0],"radius":6.0}"#);
    let full = wiping(seen(short, [0.0, 0.0, 2.0]));
    let text = serde_json::to_string(&full).unwrap();
    assert_eq!(text, r#"{"centre":[1.0,2.0,3.0],"radius":6.0,"seen_from":[0.0,0.0,1.0],"wipe":true}"#);
    assert_eq!(serde_json::from_str::<Dab>(&text).unwrap(), full);

    // A hand-written direction need not have unit length.
    let [scan, ..] = as_scans(&block([10.0, 10.0, 5.0], 0.5, 0.0));
    let by_hand = r#"{"centre":[5,5,5],"radius":3,"seen_from":[0,0,7]}"#;
    let dab: Dab = serde_json::from_str(by_hand).unwrap();
    let unit = seen(Dab::new(Point3::new(5.0, 5.0, 5.0), 3.0), [0.0, 0.0, 1.0]);
    assert_eq!(scan.paint(&[dab]), scan.paint(&[unit]));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_dab_takes_exactly_the_connected_facing_surface(
        at in prop::array::uniform3(0.0..1.0f64),
        radius in 0.5..8.0f64,
        view in prop::array::uniform3(-1.0..1.0f64),
        kind in 0usize..2,
    ) {
        prop_assume!(Vec3::from(view).norm() > 0.1);
        let mesh = block([16.0, 12.0, 1.5], 0.5, 0.03);
        let scan = &as_scans(&mesh)[kind];
        let centre = Point3::new(16.0 * at[0], 12.0 * at[1], 1.5 * at[2]);
        let dab = seen(Dab::new(centre, radius), view);
        let direction = dab.seen_from.unwrap();
        // The definition, said again the slow way.
        let candidates: BTreeSet<u32> = (0..scan.points().len() as u32)
            .filter(|&i| (scan.points()[i as usize] - centre).norm_squared() <= radius * radius)
            .filter(|&i| scan.normals()[i as usize].dot(&direction) > 80f64.to_radians().cos())
            .collect();
        let distance = |i: &u32| (scan.points()[*i as usize] - centre).norm();
        let seed = candidates.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)));
        let Some(&seed) = seed else {
            prop_assert!(scan.paint(&[dab]).is_err());
            return Ok(());
        };
        let mut expected = BTreeSet::from([seed]);
        let mut open = vec![seed];
        while let Some(i) = open.pop() {
            for j in scan.neighbours(i) {
                if candidates.contains(&j) && expected.insert(j) {
                    open.push(j);
                }
            }
        }
        let patch = scan.paint(&[dab]).unwrap();
        prop_assert_eq!(patch.points, expected.into_iter().collect::<Vec<u32>>());
    }
}
