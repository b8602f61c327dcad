//! Gap maps against closed forms and against all facets.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use nalgebra::{Translation3, UnitQuaternion};
use proptest::prelude::*;
use std::f64::consts::TAU;
use std::sync::atomic::{AtomicUsize, Ordering};
use stringline_clearance::{GapError, NoSign, gap_map};
use stringline_core::{Explain, Point3, RigidTransform, Vec3};
use stringline_scan::{Cloud, Geometry, Mesh, Scan};

fn mesh(vertices: Vec<Point3>, facets: Vec<[u32; 3]>) -> Scan {
    Scan::new(Geometry::Mesh(Mesh { vertices, facets }))
}

/// A grid of `n` by `m` squares, closed round the first way if `around`.
fn grid(n: u32, m: u32, around: bool, at: impl Fn(u32, u32) -> Point3) -> Scan {
    let rows = if around { n } else { n + 1 };
    let vertices = (0..rows).flat_map(|i| (0..=m).map(move |j| (i, j))).map(|(i, j)| at(i, j)).collect();
    let id = |i: u32, j: u32| (i % rows) * (m + 1) + j;
    let facets = (0..n).flat_map(|i| (0..m).map(move |j| (i, j))).flat_map(|(i, j)| {
        let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
        [[a, b, c], [a, c, d]]
    });
    mesh(vertices, facets.collect())
}

/// A ball of radius 10 over a plane: the gap of each of its points is its height.
#[test]
fn a_ball_over_a_plane() {
    let plane = grid(300, 300, false, |i, j| Point3::new(0.1 * f64::from(i) - 15.0, 0.1 * f64::from(j) - 15.0, 0.0));
    let ball = grid(200, 100, true, |i, j| {
        let (u, v) = (TAU * f64::from(i) / 200.0, TAU / 2.0 * f64::from(j) / 100.0);
        Point3::from(Vec3::new(v.sin() * u.cos(), v.sin() * u.sin(), v.cos()) * 10.0)
    });
    // Its lowest point is 0.2 mm inside; turned about its middle, which changes nothing.
    let plane_from_ball = RigidTransform::from_parts(
        Translation3::new(1.0, -2.0, 9.8),
        UnitQuaternion::from_scaled_axis(Vec3::new(0.3, 0.2, 0.1)),
    );
    let map = gap_map(&ball, &plane, &plane_from_ball, 3.0, |_| true).unwrap();
    let mut within = 0;
    for (p, gap) in ball.points().iter().zip(&map.gaps) {
        let height = (plane_from_ball * p).z;
        if height > 3.0 {
            assert!(gap.is_nan());
        } else {
            within += 1;
            assert!((f64::from(*gap) - height).abs() < 1e-6, "{gap} {height}");
        }
    }
    assert_eq!(map.within, within);
    assert!(within > 1000 && map.unsigned.is_empty());
    let (smallest, largest) = (map.smallest.unwrap(), map.largest.unwrap());
    assert!((smallest.gap + 0.2).abs() < 0.01 && (largest.gap - 3.0).abs() < 0.2);
    let at = plane_from_ball * ball.points()[smallest.point as usize];
    assert!(smallest.foot.z.abs() < 1e-12 && (smallest.foot - at).norm() - smallest.gap.abs() < 1e-12);
}

/// A shaft in a bore, out of line: the gap round it is R − |e + r·û| in closed form, less what the
/// bore's flats take.
#[test]
fn a_shaft_out_of_line_in_a_bore() {
    let sides = 720u32;
    let tube = |radius: f64, inward: bool, length: f64| {
        grid(sides, 40, true, move |i, j| {
            let turn = TAU * f64::from(i) / f64::from(sides) * if inward { -1.0 } else { 1.0 };
            Point3::new(radius * turn.cos(), radius * turn.sin(), length * (f64::from(j) / 40.0 - 0.5))
        })
    };
    // The facets of a shaft face out, those of a bore in.
    let (shaft, bore) = (tube(9.0, false, 20.0), tube(10.0, true, 60.0));
    let e = Vec3::new(0.5, 0.9, 3.0);
    let map = gap_map(&shaft, &bore, &Translation3::from(e).into(), 5.0, |_| true).unwrap();
    let sagitta = 10.0 * (1.0 - (TAU / 2.0 / f64::from(sides)).cos());
    assert_eq!((map.within, map.unsigned.len()), (shaft.points().len(), 0));
    for (p, gap) in shaft.points().iter().zip(&map.gaps) {
        let expected = 10.0 - (p + e).xy().coords.norm();
        let off = expected - f64::from(*gap);
        assert!((-1e-5..sagitta + 1e-5).contains(&off), "{gap} {expected}");
    }
    let eccentric = 0.5_f64.hypot(0.9);
    assert!((map.smallest.unwrap().gap - (1.0 - eccentric)).abs() < 2e-4, "{:?}", map.smallest);
    assert!((map.largest.unwrap().gap - (1.0 + eccentric)).abs() < 2e-4, "{:?}", map.largest);
}

#[test]
fn clouds_without_normals_have_gaps_without_sign() {
    let points = || (0..2500).map(|i| Point3::new(f64::from(i % 50), f64::from(i / 50), 0.0)).collect::<Vec<_>>();
    let bare = Scan::new(Geometry::Cloud(Cloud { points: points(), normals: vec![] }));
    let own = Scan::new(Geometry::Cloud(Cloud { points: points(), normals: vec![Vec3::z(); 2500] }));
    let below: RigidTransform = Translation3::new(0.3, 0.2, -0.5).into();
    let map = gap_map(&bare, &own, &below, 2.0, |_| true).unwrap();
    assert!(map.unsigned.is_empty() && map.gaps.iter().all(|g| (g + 0.5).abs() < 1e-6));
    let map = gap_map(&own, &bare, &below, 2.0, |_| true).unwrap();
    assert_eq!(map.unsigned.len(), 2500);
    assert!(map.gaps.iter().all(|g| (g - 0.5).abs() < 1e-5));
}

#[test]
fn it_reports_stops_and_refuses() {
    let plane = grid(200, 200, false, |i, j| Point3::new(f64::from(i), f64::from(j), 0.0));
    let same = RigidTransform::identity();
    let calls = AtomicUsize::new(0);
    let map = gap_map(&plane, &plane, &same, 1.0, |share| {
        assert!((0.0..=1.0).contains(&share));
        calls.fetch_add(1, Ordering::Relaxed);
        true
    });
    assert!(calls.into_inner() >= 9);
    let map = map.unwrap();
    assert!(map.gaps.iter().all(|&g| g == 0.0));
    // The same, to the last bit, each time.
    assert_eq!(map, gap_map(&plane, &plane, &same, 1.0, |_| true).unwrap());
    let empty = Scan::new(Geometry::Mesh(Mesh::default()));
    let nowhere: RigidTransform = Translation3::new(f64::NAN, 0.0, 0.0).into();
    let refused = [
        (gap_map(&plane, &plane, &same, 1.0, |_| false), GapError::Stopped),
        (gap_map(&plane, &plane, &same, 0.0, |_| true), GapError::Limit { limit: 0.0 }),
        (gap_map(&plane, &plane, &nowhere, 1.0, |_| true), GapError::Placement),
        (gap_map(&plane, &empty, &same, 1.0, |_| true), GapError::Empty),
    ];
    for (result, expected) in refused {
        assert!(!expected.to_string().is_empty() && expected.next_step().ends_with('.'));
        assert_eq!(result, Err(expected));
    }
    assert_eq!(gap_map(&empty, &plane, &same, 1.0, |_| true).unwrap().smallest, None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Random facets, far larger and smaller ones among them, against the nearest of all by hand.
    #[test]
    fn gaps_are_those_of_all_facets(
        facets in prop::collection::vec((prop::array::uniform3(-1.0..1.0f64), prop::array::uniform9(-1.0..1.0f64), -2.0..0.5f64), 1..50),
        points in prop::collection::vec(prop::array::uniform3(-2.0..2.0f64), 1..50),
        turn in prop::array::uniform3(-3.0..3.0f64),
        limit in 0.1..2.0f64,
    ) {
        let mut vertices = Vec::new();
        for (at, c, size) in &facets {
            let size = 10f64.powf(*size);
            vertices.extend(c.chunks(3).map(|v| Point3::from(Vec3::from(*at) + Vec3::new(v[0], v[1], v[2]) * size)));
        }
        let count = facets.len() as u32;
        let against = mesh(vertices.clone(), (0..count).map(|f| [3 * f, 3 * f + 1, 3 * f + 2]).collect());
        let of = Scan::new(Geometry::Cloud(Cloud { points: points.into_iter().map(Point3::from).collect(), normals: vec![] }));
        let against_from_of = RigidTransform::new(Vec3::new(0.1, 0.2, 0.3), Vec3::from(turn));
        let map = gap_map(&of, &against, &against_from_of, limit, |_| true).unwrap();
        for (p, gap) in of.points().iter().zip(&map.gaps) {
            let p = against_from_of * p;
            let nearest = vertices.chunks(3).map(|t| by_hand(t, &p)).fold(f64::INFINITY, f64::min);
            if gap.is_nan() {
                prop_assert!(nearest > limit - 1e-6);
            } else {
                prop_assert!((f64::from(gap.abs()) - nearest).abs() < 1e-6, "{gap} {nearest}");
            }
        }
    }
}

/// The least distance to a triangle by shrinking the search over its two shares: no cases at all.
fn by_hand(t: &[Point3], p: &Point3) -> f64 {
    let at = |u: f64, v: f64| {
        let v = v * (1.0 - u);
        (t[0] + (t[1] - t[0]) * u + (t[2] - t[0]) * v - p).norm()
    };
    // The square of the distance is convex in u for the best v, and in v for each u.
    let best_v = |u: f64| golden(|v| at(u, v));
    golden(best_v)
}

/// The least value of a convex function over 0 to 1.
fn golden(f: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let (a, b) = (high - (high - low) * 0.618_033_988_75, low + (high - low) * 0.618_033_988_75);
        if f(a) <= f(b) { high = b } else { low = a }
    }
    f(0.5 * (low + high)).min(f(0.0)).min(f(1.0))
}

/// A closed tube along a curve that crosses itself: one shell, oriented, running through itself. Where it has a sign that is
/// right (inside is nearer to the curve than the tube's radius); where the nearest surface lies inside another length of
/// tube it has none, and says why.
#[test]
fn a_shell_through_itself_has_no_sign_where_it_cannot_be_known() {
    const RADIUS: f64 = 4.0;
    let curve = |s: f64| Point3::new(30.0 * s.sin(), 12.0 * (2.0 * s).sin(), 0.0);
    let (n, m) = (400u32, 48u32);
    let tube = |flip: bool| {
        let mut made = Mesh::default();
        for (i, j) in (0..n).flat_map(|i| (0..m).map(move |j| (i, j))) {
            let (s, t) = (TAU * f64::from(i) / f64::from(n), TAU * f64::from(j) / f64::from(m));
            let along = (curve(s + 1e-4) - curve(s - 1e-4)).normalize();
            let side = Vec3::z().cross(&along);
            made.vertices.push(curve(s) + (side * t.cos() + Vec3::z() * t.sin()) * RADIUS);
        }
        let id = |i: u32, j: u32| (i % n) * m + j % m;
        for (i, j) in (0..n).flat_map(|i| (0..m).map(move |j| (i, j))) {
            let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
            // A patch of facets turned round, well away from the crossing.
            let turned = flip && (90..110).contains(&i) && j < 12;
            for [p, q, r] in [[a, c, b], [a, d, c]] {
                made.facets.push(if turned { [p, r, q] } else { [p, q, r] });
            }
        }
        Scan::new(Geometry::Mesh(made))
    };
    let steps: Vec<Point3> = (0..20_000).map(|i| curve(TAU * f64::from(i) / 20_000.0)).collect();
    let from_curve = |p: &Point3| steps.iter().map(|q| (p - q).norm_squared()).fold(f64::INFINITY, f64::min).sqrt();
    let mut points = Vec::new();
    for i in 0..12_000u32 {
        // Even over a box (R2 sequence).
        let f = |k: f64| (0.5 + k * f64::from(i)).fract();
        let at = [f(0.819_172_513_396_164), f(0.671_043_606_703_789), f(0.549_700_477_901_97)];
        points.push(Point3::new(70.0 * at[0] - 35.0, 36.0 * at[1] - 18.0, 14.0 * at[2] - 7.0));
    }
    let probe = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
    // In the scan's own order.
    let points = probe.points();
    let identity = RigidTransform::identity();
    for flip in [false, true] {
        let map = gap_map(&probe, &tube(flip), &identity, 50.0, |_| true).unwrap();
        assert_eq!(map.within, points.len());
        let mut unsigned = map.unsigned.iter().peekable();
        let mut inside = 0;
        for (i, (p, gap)) in points.iter().zip(&map.gaps).enumerate() {
            let off = from_curve(p) - RADIUS;
            // What the facets' flats take, and where they meet at the bends.
            if off.abs() < 0.05 {
                continue;
            }
            while unsigned.peek().is_some_and(|u| (u.point as usize) < i) {
                unsigned.next();
            }
            let why = unsigned.peek().filter(|u| u.point as usize == i).map(|u| u.why);
            match why {
                None => assert_eq!(*gap < 0.0, off < 0.0, "{p} {gap} {off}"),
                // All that is hidden lies inside.
                Some(_) if !flip => assert!(off < 0.0, "{p} {gap} {off}"),
                Some(_) => {}
            }
            inside += usize::from(off < 0.0);
        }
        assert!(inside > 500, "{inside}");
        let why = map.why_unsigned();
        assert!(why.len() == 1 && why[0].1 > 20, "{why:?}");
        assert_eq!(why[0].0, if flip { NoSign::Facing } else { NoSign::Crossing });
    }
    // Open: a half of it has borders.
    let Geometry::Mesh(whole) = tube(false).geometry().clone() else { unreachable!("it was made of facets") };
    let facets = whole.facets[..whole.facets.len() / 2].to_vec();
    let half = Scan::new(Geometry::Mesh(Mesh { vertices: whole.vertices, facets }));
    let map = gap_map(&probe, &half, &identity, 50.0, |_| true).unwrap();
    assert!(map.why_unsigned().iter().any(|(why, count)| *why == NoSign::Border && *count > 100));
}
