//! What a ray meets first: the surface under the pointer.
//!
//! The ray is walked in steps as long as nothing can lie nearer, which the index tells from the
//! nearest vertex (J. C. Hart, *Sphere tracing*, The Visual Computer 12 (1996) 527), and near the
//! surface the facets round the vertices are tested (see `facets.rs`).

use crate::geometry::{Geometry, Mesh};
use crate::ray::Ray;
use crate::scan::Scan;
use stringline_core::{Point3, UnitVec3, Vec3};

/// The neighbour of a cloud's point that its disc reaches to. Discs that reach to the eighth leave
/// 0.03 % of a surface bare where points lie at random (e⁻⁸).
const DISC_NEIGHBOUR: usize = 8;

/// Discs met within this many spacings of the first one lie on the same surface.
const SAME_SURFACE: f64 = 1.0;

/// Where a ray meets a scan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hit {
    /// On the surface, mm, in the scan's frame.
    pub at: Point3,
    /// Of the facet met, the corner nearest to `at`; of a cloud, the point whose disc was met.
    pub point: u32,
    /// The facet met; none of a cloud.
    pub facet: Option<u32>,
    /// The unit normal of the facet or the disc, turned against the ray. A facet's is as noisy as
    /// the scan: [`Scan::normals`] at `point` is the smoother one.
    pub normal: UnitVec3,
    /// From the ray's origin, mm.
    pub distance: f64,
}

impl Scan {
    /// The first surface that a ray meets, from either side.
    ///
    /// On a mesh that is exact: the first facet met. A cloud's points stand for discs that reach to
    /// their eighth neighbour, three spacings at most, square to the points' normals; of the discs
    /// met first the one that is met nearest to its centre is given. `None` if nothing is met, or
    /// the origin is not finite.
    ///
    /// ```
    /// use stringline_scan::{Geometry, Mesh, Point3, Scan, UnitVec3, Vec3};
    ///
    /// let vertices = [[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 4.0, 0.0]].map(Point3::from).to_vec();
    /// let scan = Scan::new(Geometry::Mesh(Mesh { vertices, facets: vec![[0, 1, 2]] }));
    /// let down = UnitVec3::new_normalize(-Vec3::z());
    /// let hit = scan.hit(&Point3::new(3.0, 0.5, 7.0), &down).unwrap();
    /// assert_eq!((hit.at, hit.point, hit.distance), (Point3::new(3.0, 0.5, 0.0), 1, 7.0));
    /// assert_eq!(hit.normal.into_inner(), Vec3::z());
    /// ```
    pub fn hit(&self, origin: &Point3, direction: &UnitVec3) -> Option<Hit> {
        self.hit_within(origin, direction, None)
    }

    /// As [`Scan::hit`], with a section plane (a point of it and its normal): what lies on the side
    /// the normal points to is cut away.
    pub fn hit_within(&self, origin: &Point3, direction: &UnitVec3, cut: Option<(&Point3, &UnitVec3)>) -> Option<Hit> {
        if !origin.iter().chain(direction.iter()).all(|c| c.is_finite()) {
            return None;
        }
        let ray = Ray::new(origin, direction);
        let [from, to] = match cut {
            Some((point, normal)) => ray.below(point, normal)?,
            None => [0.0, f64::INFINITY],
        };
        match self.geometry() {
            Geometry::Mesh(mesh) => self.hit_mesh(mesh, &ray, from, to),
            Geometry::Cloud(_) => self.hit_cloud(&ray, from, to),
        }
    }

    fn hit_mesh(&self, mesh: &Mesh, ray: &Ray, from: f64, to: f64) -> Option<Hit> {
        let (facets, rings) = (self.facets()?, self.rings()?);
        let mut best: Option<(f64, u32)> = None;
        let mut test = |facet: u32| {
            if let Some(t) = ray.meets(&mesh.corners(facet))
                && (from..=to).contains(&t)
                // Of facets met at one place the lowest id, in whatever order they come.
                && best.is_none_or(|(b, f)| t < b || (t == b && facet < f))
            {
                best = Some((t, facet));
            }
            best.map_or(to, |(t, _)| t)
        };
        let mut limit = to;
        facets.long.along(ray, from, to, |facet| {
            limit = test(facet);
            limit
        });
        if facets.reach > 0.0 {
            self.trace(ray, from, limit, facets.reach, |centre, radius| {
                self.index().visit_within_roughly(centre, radius, |vertex| {
                    for &facet in rings.facets_at(vertex) {
                        limit = test(facet);
                    }
                });
                limit
            });
        }
        let (distance, facet) = best?;
        let at = ray.at(distance);
        let corners = mesh.facets[facet as usize];
        let away = |v: &u32| (mesh.vertices[*v as usize] - at).norm_squared();
        let point = corners.into_iter().min_by(|a, b| away(a).total_cmp(&away(b)))?;
        // A facet so small that its area vanishes has no normal; its corner may.
        let normal = mesh.area_vector(facet).try_normalize(0.0).unwrap_or(self.normals()[point as usize]);
        Some(Hit { at, point, facet: Some(facet), normal: against(&normal, ray), distance })
    }

    fn hit_cloud(&self, ray: &Ray, from: f64, to: f64) -> Option<Hit> {
        let widest = self.link();
        let same = SAME_SURFACE * self.spacing();
        let disc = |point: u32, radius: f64| {
            let (centre, normal) = (&self.points()[point as usize], &self.normals()[point as usize]);
            let t = ray.meets_disc(centre, normal, radius)?;
            (from..=to).contains(&t).then_some((t, (ray.at(t) - centre).norm()))
        };
        let mut first = to;
        let mut met: Vec<(f64, f64, u32)> = Vec::new();
        self.trace(ray, from, to, widest, |centre, radius| {
            self.index().visit_within_roughly(centre, radius, |point| {
                // The widest disc is tried first: it needs no neighbours.
                let Some((t, off)) = disc(point, widest).filter(|&(t, _)| t <= first + same) else {
                    return;
                };
                let own = self.disc_radius(point).min(widest);
                if off <= own {
                    first = first.min(t);
                    met.push((t, off / own, point));
                }
            });
            first + same
        });
        met.retain(|&(t, ..)| t <= first + same);
        let (distance, _, point) = met.into_iter().min_by(|a, b| a.1.total_cmp(&b.1).then(a.2.cmp(&b.2)))?;
        let normal = against(&self.normals()[point as usize], ray);
        Some(Hit { at: ray.at(distance), point, facet: None, normal, distance })
    }

    /// The distance of a point's eighth neighbour, mm; infinite if there are fewer.
    fn disc_radius(&self, point: u32) -> f64 {
        let p = &self.points()[point as usize];
        match self.k_nearest(p, DISC_NEIGHBOUR + 1).get(DISC_NEIGHBOUR) {
            Some(&far) => (self.points()[far as usize] - p).norm(),
            None => f64::INFINITY,
        }
    }

    /// Walks a ray from `from` to at most `to`. Wherever something that has a point of the scan
    /// within `reach` may be met, `look` is given a ball that holds such a point, and returns how
    /// far to go from then on.
    fn trace(&self, ray: &Ray, from: f64, to: f64, reach: f64, mut look: impl FnMut(&Point3, f64) -> f64) {
        let Some((low, high)) = self.bounds() else {
            return;
        };
        let margin = Vec3::repeat(reach);
        let Some([mut t, mut end]) = ray.within(&(low - margin), &(high + margin), from, to) else {
            return;
        };
        while t <= end && end.is_finite() {
            let Some((_, free)) = self.index().nearest_and_clear(self.points(), &ray.at(t)) else {
                return;
            };
            // A ball of twice the reach holds a point of whatever is met within two reaches. That
            // length costs least where the ray runs along a surface.
            let step = if free > 3.0 * reach {
                free - reach
            } else {
                end = end.min(look(&ray.at(t + reach), 2.0 * reach));
                2.0 * reach
            };
            if t + step <= t {
                return;
            }
            t += step;
        }
    }
}

/// The normal, turned against the ray; a surface without one faces it.
fn against(normal: &Vec3, ray: &Ray) -> UnitVec3 {
    let towards = if normal.dot(&ray.direction) > 0.0 { -normal } else { *normal };
    UnitVec3::try_new(towards, 0.0).unwrap_or(UnitVec3::new_unchecked(-ray.direction))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facets::Facets;
    use crate::geometry::Cloud;
    use proptest::prelude::*;

    /// The first of all facets, by the plane of each and the areas about the point in it: nothing
    /// of [`Ray::meets`]. With it, whether it lies so near an edge that rounding may decide.
    fn brute(mesh: &Mesh, o: &Point3, d: &Vec3, from: f64, to: f64) -> (Option<f64>, bool) {
        let mut best: Option<f64> = None;
        let mut doubtful = false;
        for corners in (0..mesh.facets.len() as u32).map(|f| mesh.corners(f)) {
            let [a, b, c] = corners;
            let n = (b - a).cross(&(c - a));
            let size = (b - a).norm().max((c - a).norm()).max((c - b).norm());
            let slope = n.dot(d);
            if slope.abs() <= 1e-9 * size * size {
                // Edge-on or without area: counts only if the ray comes near it.
                let off = corners.iter().map(|p| (p - o).cross(d).norm()).fold(f64::INFINITY, f64::min);
                doubtful |= off <= size;
                continue;
            }
            let t = n.dot(&(a - o)) / slope;
            let p = o + d * t;
            let shares = [(b, c), (c, a), (a, b)].map(|(u, v)| (u - p).cross(&(v - p)).dot(&n) / n.norm_squared());
            let least = shares.into_iter().fold(f64::INFINITY, f64::min);
            doubtful |= least.abs() < 1e-9 || (t - from).abs() < 1e-9 || (t - to).abs() < 1e-9;
            if least >= 0.0 && (from..=to).contains(&t) {
                best = Some(best.map_or(t, |b| b.min(t)));
            }
        }
        (best, doubtful)
    }

    /// The scan of a mesh, searched as one of many facets is.
    fn searched(mesh: &Mesh) -> Scan {
        let mut scan = Scan::new(Geometry::Mesh(mesh.clone()));
        scan.set_facets(Facets::with(mesh, 0));
        scan
    }

    /// Facets of sizes from 1 down to a hundredth, slivers among them, and a bent sheet.
    fn mesh() -> impl Strategy<Value = Mesh> {
        let corner = || prop::array::uniform3(-1.0..1.0f64);
        let facet = (corner(), corner(), corner(), corner(), -2.0..0.0f64, 0u8..4);
        (prop::collection::vec(facet, 0..60), 2usize..12, 0.0..0.4f64).prop_map(|(loose, n, bend)| {
            let mut mesh = Mesh::default();
            for (at, a, b, c, size, kind) in loose {
                let size = 10f64.powf(size);
                let [a, b, c] = [a, b, c].map(|v| Vec3::from(v) * size);
                // One in four a sliver, thin by a factor of a thousand.
                let c = if kind == 0 { a + (b - a) * 0.4 + (c - a) * 1e-3 } else { c };
                let first = mesh.vertices.len() as u32;
                mesh.vertices.extend([a, b, c].map(|v| Point3::from(Vec3::from(at) + v)));
                mesh.facets.push([first, first + 1, first + 2]);
            }
            let first = mesh.vertices.len();
            for (i, j) in (0..=n).flat_map(|i| (0..=n).map(move |j| (i, j))) {
                let (x, y) = (i as f64 / n as f64 - 0.5, j as f64 / n as f64 - 0.5);
                mesh.vertices.push(Point3::new(x, y, bend * (9.0 * x).sin()));
            }
            for (i, j) in (0..n).flat_map(|i| (0..n).map(move |j| (i, j))) {
                let [a, b, c, d] =
                    [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)].map(|(i, j)| (first + i * (n + 1) + j) as u32);
                mesh.facets.extend([[a, b, c], [a, c, d]]);
            }
            mesh
        })
    }

    /// From afar, from inside, and along the sheet.
    fn ray() -> impl Strategy<Value = (Point3, UnitVec3)> {
        let v = || prop::array::uniform3(-1.0..1.0f64);
        let size = prop::sample::select(vec![0.2, 1.0, 30.0]);
        (v(), v(), size, prop::bool::ANY).prop_filter_map("a direction", |(o, d, size, flat)| {
            let mut o = Vec3::from(o) * size;
            let mut d = Vec3::from(d) - o / size * (1.0 - 0.2 / size).max(0.0);
            if flat {
                (o.z, d.z) = (0.05 * o.z / size, 1e-3 * d.z);
            }
            UnitVec3::try_new(d, 1e-3).map(|d| (Point3::from(o), d))
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(400))]

        #[test]
        fn the_first_facet_is_that_of_a_full_search(mesh in mesh(), rays in prop::collection::vec(ray(), 8)) {
            for scan in [Scan::new(Geometry::Mesh(mesh.clone())), searched(&mesh)] {
                for (o, d) in &rays {
                    let (expected, doubtful) = brute(&mesh, o, d, 0.0, f64::INFINITY);
                    let hit = scan.hit(o, d);
                    match (hit, expected) {
                        (Some(hit), Some(t)) if (hit.distance - t).abs() <= 1e-9 * (1.0 + t) => {
                            prop_assert!(hit.normal.dot(d) <= 0.0);
                            let corners = mesh.facets[hit.facet.unwrap() as usize];
                            let away = |v: u32| (mesh.vertices[v as usize] - hit.at).norm();
                            prop_assert!(corners.contains(&hit.point));
                            prop_assert!(corners.iter().all(|&v| away(hit.point) <= away(v)));
                        }
                        (None, None) => {}
                        _ => prop_assert!(doubtful, "{hit:?} where {expected:?} was expected"),
                    }
                }
            }
        }

        #[test]
        fn what_is_cut_away_is_not_met(mesh in mesh(), (o, d) in ray(), (p, n) in ray()) {
            // The ray is kept, the mesh is cut: the same as keeping the part of the ray below the plane.
            let scan = searched(&mesh);
            let Some(hit) = scan.hit_within(&o, &d, Some((&p, &n))) else {
                return Ok(());
            };
            prop_assert!(n.dot(&(hit.at - p)) <= 1e-9);
            // Whatever is met before lies on the side cut away.
            let mut from = o;
            for _ in 0..500 {
                let Some(first) = scan.hit(&from, &d) else { break };
                if (first.at - o).norm() >= hit.distance - 1e-9 {
                    break;
                }
                prop_assert!(n.dot(&(first.at - p)) >= -1e-9, "{first:?} hides {hit:?}");
                from = first.at + d.into_inner() * 1e-9;
            }
        }

        #[test]
        fn a_ray_at_a_shared_edge_or_corner_never_slips_through(
            (o, d) in ray(), i in 0usize..11, j in 0usize..11, along in 0.0..1.0f64,
        ) {
            // A closed sheet seen from above, looked at exactly at a vertex or a point of an edge.
            let n = 12;
            let mut mesh = Mesh::default();
            for (x, y) in (0..=n).flat_map(|x| (0..=n).map(move |y| (x, y))) {
                let (x, y) = (x as f64 / n as f64 - 0.5, y as f64 / n as f64 - 0.5);
                mesh.vertices.push(Point3::new(x, y, 0.1 * (7.0 * x + 3.0 * y).sin()));
            }
            let id = |i: usize, j: usize| (i * (n + 1) + j) as u32;
            for (i, j) in (0..n).flat_map(|i| (0..n).map(move |j| (i, j))) {
                let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
                mesh.facets.extend([[a, b, c], [a, c, d]]);
            }
            let (from, to) = (mesh.vertices[id(i + 1, j + 1) as usize], mesh.vertices[id(i, j + 1) as usize]);
            let aim = if (i + j) % 2 == 0 { from } else { from + (to - from) * along };
            let origin = Point3::new(0.1 * o.x.clamp(-1.0, 1.0), 0.1 * d.y, 3.0);
            let scan = searched(&mesh);
            let hit = scan.hit(&origin, &UnitVec3::new_normalize(aim - origin));
            // An aim inside the border; rounding moves it by less than that.
            let inside = aim.x.abs() < 0.499 && aim.y.abs() < 0.499;
            prop_assert!(!inside || hit.is_some_and(|h| (h.at - aim).norm() < 1e-9), "{hit:?} {aim}");
        }
    }

    /// Points of a ball at random, with noise across it: the near side is met, within what the
    /// noise and the flatness of the discs explain; a ray that misses by more than a disc is wide misses.
    #[test]
    fn a_cloud_is_met_on_its_near_side() {
        let golden = std::f64::consts::PI * (3.0 - 5.0_f64.sqrt());
        let n = 20_000;
        let points: Vec<Point3> = (0..n)
            .map(|i| {
                let z = 1.0 - 2.0 * (i as f64 + 0.5) / n as f64;
                let (s, c) = (golden * i as f64).sin_cos();
                let r = (1.0 - z * z).sqrt();
                Point3::from(Vec3::new(r * c, r * s, z) * (10.0 + 0.01 * (12.9898 * i as f64).sin()))
            })
            .collect();
        let scan = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
        for k in 0..300 {
            let (sx, sy) = (f64::from(k % 20) - 9.5, f64::from(k / 20) - 7.0);
            let (x, y) = (sx * 1.2, sy * 1.5);
            let origin = Point3::new(x, y, 50.0);
            let off = x.hypot(y);
            let hit = scan.hit(&origin, &UnitVec3::new_normalize(-Vec3::z()));
            if off < 9.5 {
                let hit = hit.unwrap();
                let truth = (100.0 - off * off).sqrt();
                let slope = off / truth;
                // The discs' noise and half a spacing of tilt by it.
                assert!((hit.at.z - truth).abs() < 0.05 * (1.0 + slope), "{x} {y}: {} {truth}", hit.at.z);
                assert!((scan.points()[hit.point as usize] - hit.at).norm() < 2.0 * scan.spacing());
                assert!(hit.normal.z > 0.0 && hit.normal.dot(&hit.at.coords) > 0.9 * 10.0);
            } else if off > 10.0 + 3.0 * scan.spacing() {
                assert!(hit.is_none(), "{x} {y}");
            }
        }
        // From the middle the inside is met.
        let inside = scan.hit(&Point3::origin(), &UnitVec3::new_normalize(Vec3::new(1.0, 2.0, 3.0))).unwrap();
        assert!((inside.distance - 10.0).abs() < 0.05 && inside.normal.dot(&inside.at.coords) < -9.0);
    }

    #[test]
    fn nothing_is_met_where_there_is_nothing_or_no_ray() {
        let up = UnitVec3::new_normalize(Vec3::z());
        for geometry in [Geometry::Mesh(Mesh::default()), Geometry::Cloud(Cloud::default())] {
            assert_eq!(Scan::new(geometry).hit(&Point3::origin(), &up), None);
        }
        let one = Scan::new(Geometry::Cloud(Cloud { points: vec![Point3::origin()], normals: vec![] }));
        assert_eq!(one.hit(&Point3::new(1.0, 0.0, -1.0), &up), None);
        assert_eq!(one.hit(&Point3::new(f64::NAN, 0.0, 0.0), &up), None);
    }
}
