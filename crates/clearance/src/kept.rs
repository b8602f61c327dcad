//! Whether two parts keep a gap on the way from one state to another, place by place.
//!
//! What is said of whole parts (`reach.rs`) holds of any two pieces of them: with lower bounds g₁ and g₂ of their distance at
//! both ends, and ℓ a bound of how far any point of one piece goes, seen from the other part, they are nowhere on the way
//! nearer than
//!
//! > (g₁ + g₂ − ℓ)/2
//!
//! Pieces are boxes of the trees, then facets, then parts of facets. A wheel's tread may go half a metre while what is near its
//! hub hardly moves: taken piece by piece, either is settled in few steps. The displacement of a box's point x from its
//! centre c is no more than that of the centre and |R₁ − R₀|·|x − c|, |R₁ − R₀| being 2 sin(θ/2) for a turn by θ.

use crate::body::Body;
use crate::distance;
use crate::part::{Part, Shape};
use crate::reach::{PATH, WANDER};
use crate::revolve;
use crate::tree::Obb;
use crate::triangle::Triangle;
use crate::wheel::Wheel;
use nalgebra::Matrix3;
use stringline_core::{RigidTransform, Vec3};

/// Pairs of pieces looked at before the way is divided instead.
const MOST: u32 = 3000;
/// Facets are halved so often.
const DEEPEST: u32 = 8;

/// States on a way: the poses of both parts at each, which are its ends, and its legs.
pub(crate) struct Way<'w> {
    /// `car_from_part` of both parts.
    pub(crate) states: &'w [[&'w RigidTransform; 2]],
    /// The states between which the gap is asked about.
    pub(crate) ends: [usize; 2],
    /// The way's length is the sum over these of the largest of the legs in it: from, half way, to.
    pub(crate) legs: &'w [&'w [[usize; 3]]],
    /// Times this.
    pub(crate) factor: f64,
}

/// Whether two parts are nowhere nearer than `gap` (mm) on the way; false also where it cannot be told.
pub(crate) fn keeps(a: &Part, b: &Part, way: &Way<'_>, gap: f64) -> bool {
    match (&a.shape, &b.shape) {
        (Shape::Wheel(wheel), Shape::Body(body)) => wheel_keeps(wheel, body, &Moving::new(way, [1, 0]), gap),
        (Shape::Body(body), Shape::Wheel(wheel)) => wheel_keeps(wheel, body, &Moving::new(way, [0, 1]), gap),
        (Shape::Body(x), Shape::Body(y)) => bodies_keep(x, y, &Moving::new(way, [0, 1]), gap),
        (Shape::Wheel(_), Shape::Wheel(_)) => false,
    }
}

/// A part as the other sees it move.
struct Moving {
    fixed_from_mover: Vec<(Matrix3<f64>, Vec3)>,
    ends: [RigidTransform; 2],
    /// In each sum's term: the states of a leg and |R₁ − R₀| of its halves.
    legs: Vec<Vec<([usize; 3], [f64; 2])>>,
    factor: f64,
}

impl Moving {
    fn new(way: &Way<'_>, [mover, fixed]: [usize; 2]) -> Moving {
        let seen: Vec<RigidTransform> = way.states.iter().map(|s| s[fixed].inverse() * s[mover]).collect();
        let fixed_from_mover: Vec<(Matrix3<f64>, Vec3)> =
            seen.iter().map(|t| (t.rotation.to_rotation_matrix().into_inner(), t.translation.vector)).collect();
        // The Frobenius norm of a difference of rotations is √2 times that.
        let turn = |i: usize, j: usize| {
            (fixed_from_mover[i].0 - fixed_from_mover[j].0).norm() * std::f64::consts::FRAC_1_SQRT_2
        };
        let leg = |l: &[usize; 3]| (*l, [turn(l[0], l[1]), turn(l[1], l[2])]);
        let legs = way.legs.iter().map(|group| group.iter().map(leg).collect()).collect();
        Moving { ends: way.ends.map(|end| seen[end]), fixed_from_mover, legs, factor: way.factor }
    }

    /// No point within a ball of the mover goes further.
    fn path(&self, centre: &Vec3, ball: f64) -> f64 {
        let at = |i: usize| self.fixed_from_mover[i].0 * centre + self.fixed_from_mover[i].1;
        let leg = |([i, j, k], [first, second]): &([usize; 3], [f64; 2])| {
            let (from, middle, to) = (at(*i), at(*j), at(*k));
            PATH * ((middle - from).norm() + (to - middle).norm() + (first + second) * ball) + WANDER
        };
        self.factor * self.legs.iter().map(|group| group.iter().map(leg).fold(0.0, f64::max)).sum::<f64>()
    }

    fn path_of(&self, b: &Obb) -> f64 {
        self.path(&b.centre, b.size().sqrt())
    }

    fn path_of_facet(&self, t: &Triangle) -> f64 {
        let centre = (t[0] + t[1] + t[2]) / 3.0;
        self.path(&centre, t.iter().map(|p| (p - centre).norm()).fold(0.0, f64::max))
    }
}

/// A facet halved across its longest edge.
fn halves(t: &Triangle) -> [Triangle; 2] {
    let long = |i: usize| (t[(i + 1) % 3] - t[i]).norm_squared();
    let i = (0..3).max_by(|&i, &j| long(i).total_cmp(&long(j))).unwrap_or(0);
    let (a, b, c) = (t[i], t[(i + 1) % 3], t[(i + 2) % 3]);
    let m = (a + b) * 0.5;
    [[a, m, c], [m, b, c]]
}

fn wheel_keeps(wheel: &Wheel, body: &Body, moving: &Moving, gap: f64) -> bool {
    let need = gap + body.skin();
    let ends = moving.ends.each_ref().map(|end| revolve::Search::new(wheel, body, *end));
    let mut search = WheelWay { wheel, body, moving, ends, need, left: MOST };
    let root = body.root();
    let images = search.ends.each_ref().map(|end| end.place_box(&root));
    search.keeps(1, &images, moving.path_of(&root), 1)
}

struct WheelWay<'s> {
    wheel: &'s Wheel,
    body: &'s Body,
    moving: &'s Moving,
    ends: [revolve::Search<'s>; 2],
    need: f64,
    left: u32,
}

impl WheelWay<'_> {
    /// By how much the bound of a piece exceeds what is needed, mm.
    fn spare(&self, images: &[revolve::Image; 2], path: f64, part: usize) -> f64 {
        let apart = self.ends[0].apart(&images[0], part) + self.ends[1].apart(&images[1], part);
        0.5 * (apart - path) - self.need
    }

    fn keeps(&mut self, node: usize, images: &[revolve::Image; 2], path: f64, part: usize) -> bool {
        if self.left == 0 {
            return false;
        }
        self.left -= 1;
        let (tree, profile) = (self.body.tree(), self.wheel.profile());
        let (leaf, last) = (tree.is_leaf(node), profile.run(part).len() <= 1);
        if leaf && last {
            return tree.run(node).all(|place| {
                let t = self.body.triangle(place);
                profile.run(part).all(|piece| self.facet(place, &t, piece, 0))
            });
        }
        // The nearer one first: it is the one that may fail.
        if !last && (leaf || profile.bounds(part).half.norm() > images[0].ball) {
            let mut parts = [2 * part, 2 * part + 1].map(|p| (self.spare(images, path, p), p));
            parts.sort_by(|a, b| a.0.total_cmp(&b.0));
            parts
                .into_iter()
                .all(|(spare, p)| spare >= 0.0 || profile.run(p).is_empty() || self.keeps(node, images, path, p))
        } else {
            let mut nodes = [2 * node, 2 * node + 1].map(|n| {
                let b = tree.bounds(n);
                let images = self.ends.each_ref().map(|end| end.place_box(&b));
                let path = self.moving.path_of(&b);
                (self.spare(&images, path, part), n, images, path)
            });
            nodes.sort_by(|a, b| a.0.total_cmp(&b.0));
            nodes.into_iter().all(|(spare, n, images, path)| spare >= 0.0 || self.keeps(n, &images, path, part))
        }
    }

    /// A facet, or part of one, against a piece of the outline.
    fn facet(&mut self, place: usize, t: &Triangle, piece: usize, depth: u32) -> bool {
        if self.left == 0 {
            return false;
        }
        self.left -= 1;
        let enough = 2.0 * self.need + self.moving.path_of_facet(t);
        let first = self.ends[0].piece_distance(place, t, piece, enough);
        let second = self.ends[1].piece_distance(place, t, piece, enough);
        first + second >= enough
            || (depth < DEEPEST && halves(t).iter().all(|half| self.facet(place, half, piece, depth + 1)))
    }
}

fn bodies_keep(mover: &Body, fixed: &Body, moving: &Moving, gap: f64) -> bool {
    let need = gap + mover.skin() + fixed.skin();
    let ends = moving.ends.each_ref().map(|end| distance::Search::new(mover, fixed, end));
    let mut search = BodyWay { mover, fixed, moving, ends, need, left: MOST };
    let (a, b) = (mover.root(), fixed.root());
    let placed = search.ends.each_ref().map(|end| end.place_box(&a));
    search.keeps((1, &placed, moving.path_of(&a)), (1, &b))
}

struct BodyWay<'s> {
    mover: &'s Body,
    fixed: &'s Body,
    moving: &'s Moving,
    ends: [distance::Search<'s>; 2],
    need: f64,
    left: u32,
}

impl BodyWay<'_> {
    fn spare(&self, placed: &[Obb; 2], path: f64, fixed: &Obb) -> f64 {
        let apart = placed.each_ref().map(|p| p.apart(fixed, f64::INFINITY));
        0.5 * (apart[0] + apart[1] - path) - self.need
    }

    fn keeps(&mut self, (a, placed, path): (usize, &[Obb; 2], f64), (b, fixed): (usize, &Obb)) -> bool {
        if self.left == 0 {
            return false;
        }
        self.left -= 1;
        let (tree_a, tree_b) = (self.mover.tree(), self.fixed.tree());
        let (leaf_a, leaf_b) = (tree_a.is_leaf(a), tree_b.is_leaf(b));
        if leaf_a && leaf_b {
            return tree_a.run(a).all(|i| {
                let t = self.mover.triangle(i);
                tree_b.run(b).all(|j| self.facets(&t, j, 0))
            });
        }
        if leaf_b || (!leaf_a && placed[0].size() > fixed.size()) {
            let mut nodes = [2 * a, 2 * a + 1].map(|n| {
                let bounds = tree_a.bounds(n);
                let placed = self.ends.each_ref().map(|end| end.place_box(&bounds));
                let path = self.moving.path_of(&bounds);
                (self.spare(&placed, path, fixed), n, placed, path)
            });
            nodes.sort_by(|a, b| a.0.total_cmp(&b.0));
            nodes.into_iter().all(|(spare, n, placed, path)| spare >= 0.0 || self.keeps((n, &placed, path), (b, fixed)))
        } else {
            let mut nodes = [2 * b, 2 * b + 1].map(|n| {
                let bounds = tree_b.bounds(n);
                (self.spare(placed, path, &bounds), n, bounds)
            });
            nodes.sort_by(|a, b| a.0.total_cmp(&b.0));
            nodes.into_iter().all(|(spare, n, bounds)| spare >= 0.0 || self.keeps((a, placed, path), (n, &bounds)))
        }
    }

    fn facets(&mut self, t: &Triangle, j: usize, depth: u32) -> bool {
        if self.left == 0 {
            return false;
        }
        self.left -= 1;
        let enough = 2.0 * self.need + self.moving.path_of_facet(t);
        let apart = self.ends.each_ref().map(|end| end.facet_distance(t, j, enough));
        apart[0] + apart[1] >= enough
            || (depth < DEEPEST && halves(t).iter().all(|half| self.facets(half, j, depth + 1)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::{ball, tube};
    use crate::part::part_gap;
    use crate::wheel::{RimSettings, TyreSettings};
    use std::sync::Arc;
    use stringline_core::Point3;
    use stringline_scan::Mesh;

    /// Turns about an upright axis through (0, −90, 0) of the wheel's frame while it rises: as at lock and travel.
    fn posed(lock: f64, travel: f64) -> RigidTransform {
        RigidTransform::translation(0.0, -90.0, travel)
            * RigidTransform::rotation(Vec3::new(0.06, 0.1, 1.0).normalize() * lock)
            * RigidTransform::translation(0.0, 90.0, 0.0)
    }

    /// Where it says that a gap is kept, it is at every one of many states on the way; and it says so unless the gap is nearly
    /// the smallest.
    #[test]
    fn what_is_kept_is_kept_at_every_state() {
        let rim = RimSettings::default();
        let wheel = Wheel::from_size("205/50R16", 165.1, 38.0, &TyreSettings::default(), &rim).unwrap();
        let wheel = Part::new("wheel", Shape::Wheel(Arc::new(wheel)));
        let p = Point3::new;
        let body = |mesh: Mesh| Part::new("body", Shape::Body(Body::from_mesh(&mesh).unwrap()));
        // A rod out of the rim, a bar ahead of the tyre, a ball within the rim, a capsule.
        let others = [
            body(tube(p(20.0, -75.0, -60.0), p(-90.0, -420.0, -40.0), 22.0, 0.05).unwrap()),
            body(tube(p(330.0, -260.0, -100.0), p(360.0, -60.0, 250.0), 40.0, 0.05).unwrap()),
            body(ball(p(0.0, -80.0, -100.0), 40.0, 0.05).unwrap()),
            Part::new(
                "capsule",
                Shape::Body(Body::capsule(p(0.0, -40.0, -90.0), p(0.0, -400.0, -60.0), 20.0).unwrap()),
            ),
        ];
        let own = body(tube(p(0.0, -60.0, 60.0), p(0.0, -60.0, 240.0), 30.0, 0.1).unwrap());
        let still = RigidTransform::identity();
        let (mut said, mut asked) = (0, 0);
        for (mover, other) in others.iter().map(|o| (&wheel, o)).chain(others.iter().map(|o| (&own, o))) {
            for k in (0..40u32).step_by(3) {
                let (lock, travel) = (-0.5 + 0.025 * f64::from(k), 30.0 - 1.5 * f64::from(k));
                let size = [0.02, 0.002][k as usize % 2];
                let at = |s: f64| posed(lock + size * s, travel + 40.0 * size * s);
                let (from, half, to) = (at(0.0), at(0.5), at(1.0));
                let gap = |t: &RigidTransform| part_gap(mover, t, other, &still, 1e3, None).unwrap().gap;
                let least = (0..=40).map(|i| gap(&at(f64::from(i) / 40.0))).fold(f64::INFINITY, f64::min);
                if least == 0.0 {
                    continue;
                }
                let states = [[&from, &still], [&half, &still], [&to, &still]];
                let way = Way { states: &states, ends: [0, 2], legs: &[&[[0, 1, 2]]], factor: 1.0 };
                for short in [-0.001, 0.05, 0.5, 3.0] {
                    let kept = keeps(mover, other, &way, least - short);
                    assert!(!kept || short > 0.0, "{k} {least}");
                    // Of a wheel on a turn of a tenth of a degree, what is 0.5 mm short must be told.
                    if size < 0.01 && short >= 0.5 {
                        asked += 1;
                        said += u32::from(kept);
                    }
                }
            }
        }
        assert!(asked > 60 && said * 10 > asked * 9, "{said} of {asked}");
    }
}
