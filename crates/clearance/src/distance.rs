//! The smallest distance of two bodies.
//!
//! Both trees are walked down together, the pair of boxes that can be nearest first, leaving out all
//! pairs that are certainly farther apart than the nearest facets known (branch and bound). What is
//! left is decided by the facets themselves.

use crate::body::Body;
use crate::inside::shell_within;
use crate::tree::Obb;
use crate::triangle::{self, Triangle};
use nalgebra::Matrix3;
use stringline_core::{Point3, RigidTransform, Vec3};

/// Where two bodies come nearest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Closest {
    /// mm; 0 where they touch or cross, or one lies in what the other encloses.
    pub gap: f64,
    /// On the first body, mm, in **its** frame. Where they cross, a place they share.
    pub on_a: Point3,
    /// On the second body, mm, in **its** frame.
    pub on_b: Point3,
    /// The facet of the first body that it lies on (of a cloud, the point); `None` on a body without
    /// facets, or where the place lies inside.
    pub facet_a: Option<u32>,
    /// The facet of the second body, likewise.
    pub facet_b: Option<u32>,
}

/// The smallest distance of `a` and `b`, up to `limit` (mm); `None` if they are farther apart.
///
/// `b_from_a` takes coordinates of `a` to the frame of `b`. Exact to rounding, whichever way facets
/// face, whether surfaces are open or run through themselves. It is 0 where surfaces cross, and where a
/// connected part of one lies in what a closed part of the other [encloses](Body::is_open).
///
/// `hint`, the answer at a neighbouring pose, makes it faster and changes nothing but which of several
/// equally near places is told.
///
/// ```
/// use stringline_clearance::{Body, distance};
/// use stringline_core::{Point3, RigidTransform};
///
/// let bar = |y: f64| Body::capsule(Point3::new(-50.0, y, 0.0), Point3::new(50.0, y, 0.0), 10.0);
/// let turned = RigidTransform::rotation(nalgebra::Vector3::z() * 0.3);
/// let closest = distance(&bar(0.0)?, &bar(0.0)?, &(RigidTransform::translation(0.0, 0.0, 25.0) * turned), 100.0, None);
/// assert!((closest.unwrap().gap - 15.0).abs() < 1e-12);
/// # Ok::<(), stringline_clearance::BodyError>(())
/// ```
pub fn distance(a: &Body, b: &Body, b_from_a: &RigidTransform, limit: f64, hint: Option<&Closest>) -> Option<Closest> {
    let skins = a.skin() + b.skin();
    // Where they touch they are nearer than any limit.
    let reach = (limit + skins).max(f64::MIN_POSITIVE.sqrt());
    let mut search = Search::new(a, b, b_from_a);
    (search.distance, search.squared) = (reach, reach * reach);
    if let Some(hint) = hint
        && let Some(i) = hint.facet_a.and_then(|id| a.place(id))
        && let Some(j) = hint.facet_b.and_then(|id| b.place(id))
    {
        search.try_facets(i, &search.placed(i), j);
    }
    let (box_a, box_b) = (search.place_box(&a.root()), b.root());
    let apart = box_a.apart(&box_b, f64::INFINITY);
    if apart < search.distance {
        search.walk((1, &box_a), (1, &box_b));
    }
    let distance = search.distance;
    let found = search.found;
    let clear = found.is_none_or(|_| distance > skins);
    if clear
        && apart <= 0.0
        && let Some(within) = enclosed(a, b, b_from_a)
    {
        return Some(within);
    }
    let (i, j, on_a, on_b) = found?;
    let gap = (distance - skins).max(0.0);
    // Out to the skins, where the bodies have them.
    let way = (on_b - on_a).try_normalize(0.0).unwrap_or_else(Vec3::zeros);
    let (out_a, out_b) = (a.skin().min(distance), b.skin().min(distance));
    Some(Closest {
        gap,
        on_a: b_from_a.inverse_transform_point(&Point3::from(on_a + way * out_a)),
        on_b: Point3::from(on_b - way * out_b),
        facet_a: Some(a.id(i)),
        facet_b: Some(b.id(j)),
    })
}

/// A place of one body that lies in what the other encloses, of two whose surfaces do not cross.
fn enclosed(a: &Body, b: &Body, b_from_a: &RigidTransform) -> Option<Closest> {
    let closest = |on_a: Point3, on_b: Point3| Closest { gap: 0.0, on_a, on_b, facet_a: None, facet_b: None };
    if let Some(v) = shell_within(a, b, |p| b_from_a * p) {
        let p = a.vertices()[v as usize];
        return Some(closest(p, b_from_a * p));
    }
    let v = shell_within(b, a, |p| b_from_a.inverse_transform_point(p))?;
    let p = b.vertices()[v as usize];
    Some(closest(b_from_a.inverse_transform_point(&p), p))
}

pub(crate) struct Search<'s> {
    a: &'s Body,
    b: &'s Body,
    b_from_a: &'s RigidTransform,
    /// That of `b_from_a`.
    rotation: Matrix3<f64>,
    /// Nothing farther apart is of interest, mm.
    distance: f64,
    /// Its square.
    squared: f64,
    /// Places of the facets, and on them, in the frame of `b`.
    found: Option<(usize, usize, Vec3, Vec3)>,
}

impl<'s> Search<'s> {
    pub(crate) fn new(a: &'s Body, b: &'s Body, b_from_a: &'s RigidTransform) -> Search<'s> {
        let rotation = b_from_a.rotation.to_rotation_matrix().into_inner();
        Search { a, b, b_from_a, rotation, distance: f64::INFINITY, squared: f64::INFINITY, found: None }
    }

    /// The distance of a facet of `a`, or part of one, in the frame of `a`, from one of `b`; `most` if it is no less.
    pub(crate) fn facet_distance(&self, t: &Triangle, j: usize, most: f64) -> f64 {
        let placed = t.map(|p| self.rotation * p + self.b_from_a.translation.vector);
        triangle::closest(&placed, &self.b.triangle(j), most * most).map_or(most, |pair| pair.squared.sqrt())
    }

    /// A box of `a` in the frame of `b`.
    pub(crate) fn place_box(&self, b: &Obb) -> Obb {
        Obb {
            centre: self.rotation * b.centre + self.b_from_a.translation.vector,
            axes: self.rotation * b.axes,
            half: b.half,
        }
    }

    /// A facet of `a` in the frame of `b`.
    fn placed(&self, place: usize) -> Triangle {
        self.a.triangle(place).map(|p| self.rotation * p + self.b_from_a.translation.vector)
    }

    fn try_facets(&mut self, i: usize, placed: &Triangle, j: usize) {
        if let Some(pair) = triangle::closest(placed, &self.b.triangle(j), self.squared) {
            (self.squared, self.distance) = (pair.squared, pair.squared.sqrt());
            self.found = Some((i, j, pair.on_a, pair.on_b));
        }
    }

    /// Below a pair of boxes that may hold something nearer.
    fn walk(&mut self, (a, box_a): (usize, &Obb), (b, box_b): (usize, &Obb)) {
        let (tree_a, tree_b) = (self.a.tree(), self.b.tree());
        let (leaf_a, leaf_b) = (tree_a.is_leaf(a), tree_b.is_leaf(b));
        if leaf_a && leaf_b {
            for i in tree_a.run(a) {
                let placed = self.placed(i);
                for j in tree_b.run(b) {
                    self.try_facets(i, &placed, j);
                }
            }
            return;
        }
        // The larger of both is divided.
        if leaf_b || (!leaf_a && box_a.size() > box_b.size()) {
            let [l, r] = [2 * a, 2 * a + 1].map(|n| (n, self.place_box(&tree_a.bounds(n))));
            let (dl, dr) = (l.1.apart(box_b, self.distance), r.1.apart(box_b, self.distance));
            let (near, far) = if dr < dl { ((r, dr), (l, dl)) } else { ((l, dl), (r, dr)) };
            for ((n, placed), d) in [near, far] {
                if d < self.distance {
                    self.walk((n, &placed), (b, box_b));
                }
            }
        } else {
            let [l, r] = [2 * b, 2 * b + 1].map(|n| (n, tree_b.bounds(n)));
            let (dl, dr) = (box_a.apart(&l.1, self.distance), box_a.apart(&r.1, self.distance));
            let (near, far) = if dr < dl { ((r, dr), (l, dl)) } else { ((l, dl), (r, dr)) };
            for ((n, bounds), d) in [near, far] {
                if d < self.distance {
                    self.walk((a, box_a), (n, &bounds));
                }
            }
        }
    }
}
