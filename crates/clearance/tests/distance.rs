//! Smallest distances against closed forms and against libraries that are not ours.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use nalgebra::{Quaternion, Translation3, UnitQuaternion};
use proptest::prelude::*;
use std::f64::consts::{PI, TAU};
use stringline_clearance::{Body, BodyError, Closest, ball, distance, plate, tube};
use stringline_core::{Explain, Point3, RigidTransform, UnitVec3, Vec3};
use stringline_scan::{Cloud, Geometry, Mesh, Scan};

fn body(mesh: &Mesh) -> Body {
    Body::from_mesh(mesh).unwrap()
}

fn placed(turn: Vec3, x: f64, y: f64, z: f64) -> RigidTransform {
    RigidTransform::from_parts(Translation3::new(x, y, z), UnitQuaternion::from_scaled_axis(turn))
}

/// What is said must be so: both places on the bodies' facets and the gap between them.
fn consistent(a: &Mesh, b: &Mesh, b_from_a: &RigidTransform, c: &Closest) {
    assert!(((b_from_a * c.on_a - c.on_b).norm() - c.gap).abs() < 1e-9, "{c:?}");
    for (mesh, facet, p) in [(a, c.facet_a, c.on_a), (b, c.facet_b, c.on_b)] {
        let off = by_hand(&mesh.corners(facet.unwrap()), &[p; 3]);
        assert!(off < 1e-6, "{c:?} {off}");
    }
}

/// A torus about z, `inner` the radius of its tube.
fn torus(outer: f64, inner: f64, n: u32, m: u32) -> Mesh {
    let mut mesh = Mesh::default();
    for (i, j) in (0..n).flat_map(|i| (0..m).map(move |j| (i, j))) {
        let (u, v) = (TAU * f64::from(i) / f64::from(n), TAU * f64::from(j) / f64::from(m));
        let q = outer + inner * v.cos();
        mesh.vertices.push(Point3::new(q * u.cos(), q * u.sin(), inner * v.sin()));
    }
    for (i, j) in (0..n).flat_map(|i| (0..m).map(move |j| (i, j))) {
        let id = |i: u32, j: u32| (i % n) * m + j % m;
        let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
        mesh.facets.extend([[a, b, c], [a, c, d]]);
    }
    mesh
}

fn slab(size: f64) -> Mesh {
    let corners = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
    plate(&corners.map(|[x, y]| Point3::new(x * size, y * size, -0.5)), 1.0).unwrap()
}

#[test]
fn a_sphere_over_a_plane() {
    let (sphere, plane) = (ball(Point3::origin(), 40.0, 0.001).unwrap(), slab(80.0));
    let (a, b) = (body(&sphere), body(&plane));
    for (turn, height) in [(Vec3::zeros(), 25.0), (Vec3::new(0.4, -1.0, 0.3), 20.5), (Vec3::new(2.0, 0.1, 0.0), 130.0)]
    {
        let b_from_a = placed(turn, 3.0, -7.0, height);
        let c = distance(&a, &b, &b_from_a, 1e3, None).unwrap();
        // Facets touch the true sphere from outside by up to what was asked.
        assert!((-0.001..=1e-9).contains(&(c.gap - (height - 20.0))), "{c:?}");
        consistent(&sphere, &plane, &b_from_a, &c);
    }
    assert_eq!(distance(&a, &b, &placed(Vec3::zeros(), 0.0, 0.0, 30.0), 9.99, None), None);
    assert!(distance(&a, &b, &placed(Vec3::zeros(), 0.0, 0.0, 30.0), 10.0, None).is_some());
}

#[test]
fn two_cylinders_crossed() {
    let bar = |d: f64| tube(Point3::new(-60.0, 0.0, 0.0), Point3::new(60.0, 0.0, 0.0), d, 0.0005).unwrap();
    let (thick, thin) = (bar(30.0), bar(10.0));
    // Axes that cross at any angle at a height: the gap is the height less both radii.
    for angle in [0.1, 0.3, 1.0, 0.5 * PI, 2.0] {
        let b_from_a = placed(Vec3::z() * angle, 4.0, -3.0, 27.5);
        let c = distance(&body(&thick), &body(&thin), &b_from_a, 100.0, None).unwrap();
        assert!((-0.001..=1e-9).contains(&(c.gap - 7.5)), "{angle} {c:?}");
        consistent(&thick, &thin, &b_from_a, &c);
    }
}

#[test]
fn a_torus_over_a_plane() {
    let (ring, plane) = (torus(100.0, 20.0, 900, 240), slab(300.0));
    let (a, b) = (body(&ring), body(&plane));
    for tilt in [0.0, 0.2, 0.9, 0.5 * PI] {
        let b_from_a = placed(Vec3::x() * tilt, 1.0, 2.0, 150.0);
        let c = distance(&a, &b, &b_from_a, 1e3, None).unwrap();
        // The lowest point of a torus tilted by t: R sin t + r below its centre.
        let expected = 150.0 - 100.0 * tilt.sin() - 20.0;
        // Its facets cut inside by at most the sum of both sagittas.
        let sagitta = 120.0 * (1.0 - (PI / 900.0).cos()) + 20.0 * (1.0 - (PI / 240.0).cos());
        assert!((-1e-9..sagitta).contains(&(c.gap - expected)), "{tilt} {c:?} {expected}");
        consistent(&ring, &plane, &b_from_a, &c);
    }
}

#[derive(Debug)]
struct Reference {
    a: String,
    b: String,
    b_from_a: RigidTransform,
    coal: f64,
    fcl: f64,
    crosses: bool,
}

/// Origin in the file's own first line.
fn reference() -> (std::collections::BTreeMap<String, Mesh>, Vec<Reference>) {
    let file: serde_json::Value = serde_json::from_str(include_str!("reference/pairs.json")).unwrap();
    let numbers = |v: &serde_json::Value| v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect::<Vec<_>>();
    let meshes = file["meshes"].as_object().unwrap().iter().map(|(name, m)| {
        let vertices = m["vertices"].as_array().unwrap().iter().map(numbers).map(|p| Point3::new(p[0], p[1], p[2]));
        let facets =
            m["facets"].as_array().unwrap().iter().map(numbers).map(|f| [f[0] as u32, f[1] as u32, f[2] as u32]);
        (name.clone(), Mesh { vertices: vertices.collect(), facets: facets.collect() })
    });
    let pairs = file["pairs"].as_array().unwrap().iter().map(|p| {
        let (q, t) = (numbers(&p["quaternion_wxyz"]), numbers(&p["translation"]));
        let q = UnitQuaternion::from_quaternion(Quaternion::new(q[0], q[1], q[2], q[3]));
        Reference {
            a: p["a"].as_str().unwrap().into(),
            b: p["b"].as_str().unwrap().into(),
            b_from_a: RigidTransform::from_parts(Translation3::new(t[0], t[1], t[2]), q),
            coal: p["coal"].as_f64().unwrap(),
            fcl: p["fcl"].as_f64().unwrap(),
            crosses: p["crosses"].as_bool().unwrap(),
        }
    });
    (meshes.collect(), pairs.collect())
}

#[test]
fn distances_are_those_of_two_general_libraries() {
    let (meshes, pairs) = reference();
    assert_eq!((pairs.len(), pairs.iter().filter(|p| p.crosses).count()), (60, 19));
    for pair in &pairs {
        let (a, b) = (&meshes[&pair.a], &meshes[&pair.b]);
        let c = distance(&body(a), &body(b), &pair.b_from_a, 1e4, None).unwrap();
        assert!((c.gap - pair.coal).abs() < 1e-6 && (c.gap - pair.fcl).abs() < 1e-6, "{c:?} {pair:?}");
        assert_eq!(c.gap == 0.0, pair.crosses);
        if c.facet_a.is_some() {
            consistent(a, b, &pair.b_from_a, &c);
        }
        // From the other side, and told where to begin.
        let back = pair.b_from_a.inverse();
        let d = distance(&body(b), &body(a), &back, 1e4, None).unwrap();
        assert!((c.gap - d.gap).abs() < 1e-9);
        let e = distance(&body(a), &body(b), &pair.b_from_a, 1e4, Some(&c)).unwrap();
        assert!((c.gap - e.gap).abs() < 1e-12);
    }
}

#[test]
fn what_lies_inside_touches() {
    let shell = ball(Point3::origin(), 100.0, 0.1).unwrap();
    let small = ball(Point3::origin(), 10.0, 0.1).unwrap();
    let at = |x: f64| placed(Vec3::new(0.1, 0.2, 0.3), x, 0.0, 0.0);
    let gap = |a: &Mesh, b: &Mesh, x: f64| distance(&body(a), &body(b), &at(x), 500.0, None).unwrap().gap;
    for (a, b) in [(&small, &shell), (&shell, &small)] {
        assert_eq!(gap(a, b, 20.0), 0.0, "inside");
        assert_eq!(gap(a, b, 50.0), 0.0, "across");
        assert!((gap(a, b, 60.0) - 5.0).abs() < 0.2, "outside");
    }
    // One of two parts inside is enough.
    let mut two = small.clone();
    let first = two.vertices.len() as u32;
    two.vertices.extend(small.vertices.iter().map(|p| p + Vec3::x() * 80.0));
    two.facets.extend(small.facets.iter().map(|f| f.map(|v| v + first)));
    assert_eq!(gap(&two, &shell, 0.0), 0.0);
    assert_eq!(gap(&shell, &two, 0.0), 0.0);
    // A hollow one: inside its cavity there is no material.
    let mut hollow = shell.clone();
    let first = hollow.vertices.len() as u32;
    hollow.vertices.extend(shell.vertices.iter().map(|p| Point3::from(p.coords * 0.9)));
    hollow.facets.extend(shell.facets.iter().map(|f| [f[0] + first, f[2] + first, f[1] + first]));
    assert!((gap(&small, &hollow, 0.0) - 40.0).abs() < 0.3);
    assert_eq!(gap(&small, &hollow, 47.0), 0.0);
    // An open one encloses nothing; with facets turned round it still does.
    let mut open = shell.clone();
    open.facets.truncate(shell.facets.len() - 1);
    assert!(body(&open).is_open() && gap(&small, &open, 20.0) > 20.0);
    let mut flipped = shell.clone();
    flipped.facets.iter_mut().step_by(3).for_each(|f| f.swap(0, 1));
    assert!(!body(&flipped).is_open());
    assert_eq!(gap(&small, &flipped, 20.0), 0.0);
    assert!((gap(&small, &flipped, 60.0) - 5.0).abs() < 0.2);
}

#[test]
fn capsules_and_clouds_have_a_skin() {
    let ball = Body::capsule(Point3::origin(), Point3::origin(), 20.0).unwrap();
    let bar = Body::capsule(Point3::new(0.0, 0.0, 0.0), Point3::new(0.0, 0.0, 100.0), 30.0).unwrap();
    let c = distance(&ball, &bar, &placed(Vec3::zeros(), 40.0, 30.0, 50.0), 100.0, None).unwrap();
    // 50 between ball and axis, less both radii; the places lie on the skins.
    assert!((c.gap - 25.0).abs() < 1e-12);
    assert!((c.on_a.coords.norm() - 10.0).abs() < 1e-9 && (c.on_b.xy().coords.norm() - 15.0).abs() < 1e-9);
    let points = (0..10_000).map(|i| Point3::new(f64::from(i % 100), f64::from(i / 100), 0.0)).collect();
    let scan = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
    let cloud = Body::from_scan(&scan).unwrap();
    assert!((cloud.skin() - 0.707 * scan.spacing()).abs() < 1e-3 * scan.spacing());
    // Over the middle of four points: √(5² + ½) from them.
    let c = distance(&ball, &cloud, &placed(Vec3::zeros(), 50.5, 50.5, 15.0), 100.0, None).unwrap();
    assert!((c.gap - (15.0_f64.hypot(0.5_f64.sqrt()) - 10.0 - cloud.skin())).abs() < 1e-9 && c.gap < 5.0);
    assert_eq!(cloud.len(), 10_000);
}

#[test]
fn radii_about_points_and_axes_are_those_of_all_vertices() {
    let mesh = torus(100.0, 20.0, 60, 20);
    let body = body(&mesh);
    for p in [Point3::origin(), Point3::new(30.0, -20.0, 90.0), Point3::new(500.0, 0.0, 0.0)] {
        let all = mesh.vertices.iter().map(|v| (v - p).norm()).fold(0.0, f64::max);
        assert!((body.sphere_about(&p) - all).abs() < 1e-9);
        let d = UnitVec3::new_normalize(Vec3::new(0.3, 0.1, 1.0));
        let all = mesh.vertices.iter().map(|v| d.cross(&(v - p)).norm()).fold(0.0, f64::max);
        assert!((body.cylinder_about(&p, &d) - all).abs() < 1e-9);
    }
}

#[test]
fn bad_bodies_are_refused() {
    let p = |x: f64| Point3::new(x, 0.0, 0.0);
    let mesh = |v: Vec<Point3>, f: Vec<[u32; 3]>| Body::from_mesh(&Mesh { vertices: v, facets: f }).err().unwrap();
    let errors = [
        (mesh(vec![p(0.0)], vec![]), BodyError::Empty),
        (mesh(vec![p(0.0), p(1.0)], vec![[0, 1, 2]]), BodyError::NoVertex { facet: 0, vertex: 2, count: 2 }),
        (mesh(vec![p(0.0), p(f64::INFINITY)], vec![[0, 1, 1]]), BodyError::NotFinite { vertex: 1 }),
        (tube(p(0.0), p(1.0), 0.0, 0.1).err().unwrap(), BodyError::Size { what: "a diameter", value: 0.0 }),
        (tube(p(1.0), p(1.0), 5.0, 0.1).err().unwrap(), BodyError::Size { what: "a length", value: 0.0 }),
        (plate(&[p(0.0), p(1.0), p(2.0)], 3.0).err().unwrap(), BodyError::Outline { count: 3 }),
    ];
    for (error, expected) in errors {
        assert_eq!(error, expected);
        assert!(error.next_step().ends_with('.') && !error.to_string().is_empty());
    }
}

#[test]
fn design_bodies_have_the_volume_of_what_they_stand_for() {
    let volume = |m: &Mesh| {
        (0..m.facets.len() as u32)
            .map(|f| m.corners(f).map(|p| p.coords))
            .map(|[a, b, c]| a.dot(&b.cross(&c)) / 6.0)
            .sum::<f64>()
    };
    // An L of 30 × 30 less 20 × 20, 4 thick: with a corner that turns in, and one on a straight edge.
    let l = [[0.0, 0.0], [15.0, 0.0], [30.0, 0.0], [30.0, 10.0], [10.0, 10.0], [10.0, 30.0], [0.0, 30.0]];
    let corners = l.map(|[x, y]| placed(Vec3::new(0.4, 0.5, 0.1), 1.0, 2.0, 3.0) * Point3::new(x, y, 7.0));
    let angle = plate(&corners, 4.0).unwrap();
    assert!((volume(&angle) - 4.0 * 500.0).abs() < 1e-9);
    let backwards: Vec<Point3> = corners.iter().rev().copied().collect();
    assert!((volume(&plate(&backwards, 4.0).unwrap()) - 4.0 * 500.0).abs() < 1e-9);
    let bow = [[0.0, 0.0], [10.0, 10.0], [10.0, 0.0], [0.0, 12.0]].map(|[x, y]| Point3::new(x, y, 0.0));
    assert_eq!(plate(&bow, 1.0).err(), Some(BodyError::Outline { count: 4 }));
    let bar = tube(Point3::origin(), Point3::new(0.0, 30.0, 40.0), 20.0, 0.01).unwrap();
    let true_volume = PI * 100.0 * 50.0;
    assert!((0.0..0.002).contains(&(volume(&bar) / true_volume - 1.0)));
    let sphere = ball(Point3::new(5.0, 6.0, 7.0), 20.0, 0.01).unwrap();
    assert!((0.0..0.003).contains(&(volume(&sphere) / (4.0 / 3.0 * PI * 1000.0) - 1.0)));
    for mesh in [&angle, &bar, &sphere] {
        assert!(!body(mesh).is_open());
    }
    // Nowhere inside the true ball, nowhere farther out than asked: corners and the middles of facets.
    for f in 0..sphere.facets.len() as u32 {
        let corners = sphere.corners(f).map(|p| p - Point3::new(5.0, 6.0, 7.0));
        let n = (corners[1] - corners[0]).cross(&(corners[2] - corners[0])).normalize();
        assert!(n.dot(&corners[0]) >= 10.0 - 1e-9 && corners.iter().all(|c| c.norm() <= 10.01));
    }
}

/// Random triangles, thin, small and flat ones among them.
fn triangle() -> impl Strategy<Value = [Point3; 3]> {
    let v = || prop::array::uniform3(-1.0..1.0f64);
    (v(), v(), v(), v(), -3.0..0.3f64, 0u8..8).prop_map(|(at, a, b, c, size, kind)| {
        let size = 10f64.powf(size);
        let [a, b, c] = [a, b, c].map(|v| Vec3::from(v) * size);
        let c = match kind {
            0 => a + (b - a) * 0.4 + (c - a) * 1e-5,
            1 => a + (b - a) * 0.4,
            2 => b,
            _ => c,
        };
        [a, b, c].map(|v| Point3::from(Vec3::from(at) + v))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// One facet against one, by a search without cases.
    #[test]
    fn two_facets_against_a_search(a in triangle(), b in triangle(), parallel in 0u8..4) {
        // Often with an edge of one parallel to one of the other.
        let b = if parallel == 0 { [b[0], b[0] + (a[1] - a[0]) * 0.7, b[2]] } else { b };
        let mesh = |t: [Point3; 3]| Mesh { vertices: t.to_vec(), facets: vec![[0, 1, 2]] };
        let c = distance(&body(&mesh(a)), &body(&mesh(b)), &RigidTransform::identity(), 1e3, None).unwrap();
        let expected = by_hand(&a, &b);
        // The search itself is good to the square root of rounding where they cross.
        let slack = if expected < 1e-6 { 1e-7 } else { 1e-9 };
        prop_assert!((c.gap - expected).abs() < slack, "{c:?} {expected}");
        prop_assert!(((c.on_a - c.on_b).norm() - c.gap).abs() < 1e-9);
    }

    /// Soups of facets, far larger and smaller ones among them, against all pairs.
    #[test]
    fn bodies_against_all_pairs_of_facets(
        a in prop::collection::vec(triangle(), 1..40), b in prop::collection::vec(triangle(), 1..40),
        turn in prop::array::uniform3(-3.0..3.0f64), step in prop::array::uniform3(-3.0..3.0f64), limit in 0.05..4.0f64,
    ) {
        let mesh = |t: &[[Point3; 3]]| Mesh {
            vertices: t.concat(),
            facets: (0..t.len() as u32).map(|i| [3 * i, 3 * i + 1, 3 * i + 2]).collect(),
        };
        let b_from_a = placed(Vec3::from(turn), step[0], step[1], step[2]);
        let single = |t: &[Point3; 3]| body(&mesh(&[*t]));
        let mut least = f64::INFINITY;
        for s in &a {
            for t in &b {
                least = distance(&single(s), &single(t), &b_from_a, 100.0, None).map_or(least, |c| least.min(c.gap));
            }
        }
        match distance(&body(&mesh(&a)), &body(&mesh(&b)), &b_from_a, limit, None) {
            Some(c) => prop_assert!((c.gap - least).abs() < 1e-9 && c.gap <= limit, "{c:?} {least}"),
            None => prop_assert!(least >= limit - 1e-9),
        }
    }
}

/// The least distance of two triangles by shrinking the search over the shares of one: that of its point from the
/// other is convex in them.
fn by_hand(a: &[Point3; 3], b: &[Point3; 3]) -> f64 {
    let at = |t: &[Point3; 3], u: f64, v: f64| {
        let v = v * (1.0 - u);
        t[0] + (t[1] - t[0]) * u + (t[2] - t[0]) * v
    };
    golden(|u| golden(|v| nearest(b, &at(a, u, v))))
}

/// From a point to a triangle: its plane where it lies over it, else its edges.
fn nearest(t: &[Point3; 3], p: &Point3) -> f64 {
    let edge = |a: &Point3, b: &Point3| {
        let s = ((b - a).dot(&(p - a)) / (b - a).norm_squared()).clamp(0.0, 1.0);
        (a + (b - a) * if s.is_nan() { 0.0 } else { s } - p).norm()
    };
    let [a, b, c] = t;
    let least = edge(a, b).min(edge(b, c)).min(edge(c, a));
    let Some(n) = (b - a).cross(&(c - a)).try_normalize(0.0) else { return least };
    let over = [(a, b), (b, c), (c, a)].iter().all(|(u, v)| n.cross(&(*v - *u)).dot(&(p - **u)) >= 0.0);
    if over { least.min(n.dot(&(p - a)).abs()) } else { least }
}

/// The least value of a convex function over 0 to 1.
fn golden(f: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..70 {
        let (a, b) = (high - (high - low) * 0.618_033_988_75, low + (high - low) * 0.618_033_988_75);
        if f(a) <= f(b) { high = b } else { low = a }
    }
    f(0.5 * (low + high)).min(f(0.0)).min(f(1.0))
}
