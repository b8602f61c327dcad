//! The smallest distance of a body of revolution from facets, without facets of its own.
//!
//! The distance of a point from a body of revolution is that of its place (r, y) in the half plane of
//! radius and axis from the outline there. r is a convex function of the point. So the places of a triangle
//! lie between two flat triangles: on the axis's side of that of its corners' places (the *secant* one),
//! and beyond the one seen along any one radius u, with u·p for r (a *tangent* one). If the way from the outline
//! to the tangent triangle leads outwards its length is a lower bound for the triangle, and likewise that to the
//! secant one where it leads inwards; the true distance of the point found is an upper bound. Where
//! they differ the triangle is halved round the axis, which quarters the difference. Boxes are treated
//! alike: they reach beyond their tangent image by at most t²/2r, t how far they reach round the axis. Both
//! trees, of facets and of outline, are walked down together.

use crate::body::Body;
use crate::distance::Closest;
use crate::inside::encloses;
use crate::profile::{Piece, Place, Step};
use crate::tree::Obb;
use crate::triangle::{Triangle, normal};
use crate::wheel::Wheel;
use nalgebra::Matrix3;
use stringline_core::{Point3, RigidTransform, Vec3};

/// Bounds nearer to each other than this are not told apart, mm.
const CLOSE: f64 = 1e-7;

/// Triangles are halved up to so many times.
const DEEPEST: u32 = 60;

/// The smallest distance of a wheel from `b`, up to `limit` (mm); `None` if they are farther apart.
///
/// `b_from_wheel` takes coordinates of the wheel (y along its axis) to the frame of `b`. The wheel is
/// the exact body of revolution of its outline; the gap is right to 1e-7 mm, below which it counts as 0. It
/// is 0 where the surfaces cross, where a connected part of `b` lies inside the wheel's material, or the
/// wheel inside what `b` encloses. A part in the rim's hollow is not inside the material.
///
/// [`Closest::on_a`] is on the wheel, in its frame. `hint`, the answer at a neighbouring pose, makes it
/// faster.
pub fn wheel_distance(
    wheel: &Wheel,
    b: &Body,
    b_from_wheel: &RigidTransform,
    limit: f64,
    hint: Option<&Closest>,
) -> Option<Closest> {
    let wheel_from_b = b_from_wheel.inverse();
    let mut search = Search::new(wheel, b, wheel_from_b);
    search.distance = (limit + b.skin()).max(2.0 * CLOSE);
    if let Some(place) = hint.and_then(|h| h.facet_b).and_then(|id| b.place(id)) {
        let t = search.placed(place);
        search.try_facet(place, &t, 1);
    }
    let placed = search.place_box(&b.root());
    if search.apart(&placed, 1) < search.distance {
        search.walk(1, &placed, 1);
    }
    let (distance, found) = (search.distance, search.found);
    if found.is_none_or(|_| distance > b.skin())
        && let Some(within) = enclosed(wheel, b, b_from_wheel, &wheel_from_b)
    {
        return Some(within);
    }
    let (place, on_b, foot) = found?;
    // On the wheel at the same angle round the axis.
    let out = Vec3::new(on_b.x, 0.0, on_b.z).try_normalize(0.0).unwrap_or_else(Vec3::x);
    let on_a = out * foot.x + Vec3::y() * foot.y;
    let way = (on_a - on_b).try_normalize(0.0).unwrap_or_else(Vec3::zeros);
    Some(Closest {
        gap: if distance - b.skin() > CLOSE { distance - b.skin() } else { 0.0 },
        on_a: Point3::from(on_a),
        on_b: b_from_wheel * Point3::from(on_b + way * b.skin().min(distance)),
        facet_a: None,
        facet_b: Some(b.id(place)),
    })
}

/// A place of one that lies inside the other, of two whose surfaces do not cross.
fn enclosed(wheel: &Wheel, b: &Body, b_from_wheel: &RigidTransform, wheel_from_b: &RigidTransform) -> Option<Closest> {
    let closest = |on_a: Point3, on_b: Point3| Closest { gap: 0.0, on_a, on_b, facet_a: None, facet_b: None };
    for shell in &b.shells().all {
        let p = b.vertices()[shell.vertex as usize];
        let in_wheel = wheel_from_b * p;
        if wheel.profile().holds(&flatten(&in_wheel.coords)) {
            return Some(closest(in_wheel, p));
        }
    }
    let piece = wheel.profile().pieces[0];
    let p = Point3::new(piece.from.x, piece.from.y, 0.0);
    let in_b = b_from_wheel * p;
    encloses(b, &in_b.coords).then(|| closest(p, in_b))
}

/// The distance from the axis. A fifth of all time went into `hypot`, whose care for sizes beyond a car's is not needed.
fn away(p: &Vec3) -> f64 {
    (p.x * p.x + p.z * p.z).sqrt()
}

/// The place in the half plane.
pub(crate) fn flatten(p: &Vec3) -> Place {
    Place::new(away(p), p.y)
}

pub(crate) struct Search<'s> {
    wheel: &'s Wheel,
    b: &'s Body,
    wheel_from_b: RigidTransform,
    rotation: Matrix3<f64>,
    distance: f64,
    /// Facet's place, where on it in the wheel's frame, where on the outline.
    found: Option<(usize, Vec3, Place)>,
}

/// A box's image in the half plane: a centre, three generators and how much it bulges outwards.
pub(crate) struct Image {
    centre: Place,
    generators: [Step; 3],
    bulge: f64,
    /// Radius of the ball that holds the box.
    pub(crate) ball: f64,
}

impl Image {
    /// How far it reaches from its centre against a unit step.
    fn reach(&self, w: &Step) -> f64 {
        self.generators.iter().map(|g| g.dot(w).abs()).sum::<f64>() + self.bulge * (-w.x).max(0.0)
    }
}

impl<'s> Search<'s> {
    pub(crate) fn new(wheel: &'s Wheel, b: &'s Body, wheel_from_b: RigidTransform) -> Search<'s> {
        let rotation = wheel_from_b.rotation.to_rotation_matrix().into_inner();
        Search { wheel, b, wheel_from_b, rotation, distance: f64::INFINITY, found: None }
    }

    /// The distance of a facet, or part of one, in the frame of `b`, from a piece of the outline; `most` if it is no less.
    pub(crate) fn piece_distance(&mut self, place: usize, t: &Triangle, piece: usize, most: f64) -> f64 {
        let placed = t.map(|p| self.rotation * p + self.wheel_from_b.translation.vector);
        let piece = self.wheel.profile().pieces[piece];
        self.distance = most;
        self.refine(place, &placed, &piece, 0);
        // What is found is above by less than that.
        (self.distance - CLOSE).max(0.0)
    }

    fn placed(&self, place: usize) -> Triangle {
        self.b.triangle(place).map(|p| self.rotation * p + self.wheel_from_b.translation.vector)
    }

    pub(crate) fn place_box(&self, b: &Obb) -> Image {
        let centre = self.rotation * b.centre + self.wheel_from_b.translation.vector;
        let axes = self.rotation * b.axes;
        let r = away(&centre);
        let (x, z) = if r > 0.0 { (centre.x / r, centre.z / r) } else { (1.0, 0.0) };
        let mut generators = [Step::zeros(); 3];
        let (mut outwards, mut round) = (0.0, 0.0);
        for (i, generator) in generators.iter_mut().enumerate() {
            let a = axes.column(i) * b.half[i];
            *generator = Step::new(a.x * x + a.z * z, a.y);
            outwards += generator.x.abs();
            round += (a.z * x - a.x * z).abs();
        }
        let least = r - outwards;
        let bulge = if least > 0.0 { round.min(0.5 * round * round / least) } else { round - 2.0 * least.min(0.0) };
        Image { centre: Place::new(r, centre.y), generators, bulge, ball: b.size().sqrt() }
    }

    /// A distance that a box is certainly away from part of the outline: along the outline's box, or on the way
    /// from it to the image's centre, whichever is more.
    pub(crate) fn apart(&self, image: &Image, part: usize) -> f64 {
        let oblong = self.wheel.profile().bounds(part);
        let (by_axes, way) = oblong.apart(&image.centre, |w| image.reach(w));
        let distance = way.norm();
        if distance == 0.0 {
            return 0.0;
        }
        by_axes.max(distance - image.reach(&(way / distance)).min(image.ball))
    }

    fn walk(&mut self, node: usize, image: &Image, part: usize) {
        let tree = self.b.tree();
        let profile = self.wheel.profile();
        let (leaf, last) = (tree.is_leaf(node), profile.run(part).len() == 1);
        if leaf && last {
            for place in tree.run(node) {
                let t = self.placed(place);
                self.try_facet(place, &t, part);
            }
            return;
        }
        if !last && (leaf || profile.bounds(part).half.norm() > image.ball) {
            let [l, r] = [2 * part, 2 * part + 1].map(|p| (p, self.apart(image, p)));
            let order = if r.1 < l.1 { [r, l] } else { [l, r] };
            for (p, d) in order {
                if d < self.distance - CLOSE && !profile.run(p).is_empty() {
                    self.walk(node, image, p);
                }
            }
        } else {
            let [l, r] = [2 * node, 2 * node + 1].map(|n| {
                let image = self.place_box(&tree.bounds(n));
                let d = self.apart(&image, part);
                (n, image, d)
            });
            let order = if r.2 < l.2 { [r, l] } else { [l, r] };
            for (n, image, d) in order {
                if d < self.distance - CLOSE {
                    self.walk(n, &image, part);
                }
            }
        }
    }

    /// A facet against part of the outline.
    fn try_facet(&mut self, place: usize, t: &Triangle, part: usize) {
        for i in self.wheel.profile().run(part) {
            let piece = self.wheel.profile().pieces[i];
            self.refine(place, t, &piece, 0);
        }
    }

    fn refine(&mut self, place: usize, t: &Triangle, piece: &Piece, depth: u32) {
        let secant = t.map(|p| flatten(&p));
        let (shares, to_secant) = nearest(&secant, piece);
        self.take(place, t, piece, &shares);
        // Along the radius through the middle and round the axis.
        let middle = t[0] + t[1] + t[2];
        let r = away(&middle);
        let (x, z) = if r > 0.0 { (middle.x / r, middle.z / r) } else { (1.0, 0.0) };
        let out = t.map(|p| p.x * x + p.z * z);
        let round = t.map(|p| p.z * x - p.x * z);
        let least = out.iter().copied().fold(f64::INFINITY, f64::min);
        let lower = if least > 0.0 {
            // The images seen along the radius where the facet is square to it, or as near as it gets to that.
            let n = normal(t);
            let slopes = [0, 1, 2].map(|i| round[i] / out[i]);
            let (low, high) = (slopes[0].min(slopes[1]).min(slopes[2]), slopes[0].max(slopes[1]).max(slopes[2]));
            let slope = (n.z * x - n.x * z) / (n.x * x + n.z * z);
            let slope = if slope.is_finite() { slope.clamp(low, high) } else { 0.5 * (low + high) };
            let cos = 1.0 / (slope * slope + 1.0).sqrt();
            let tangent = [0, 1, 2].map(|i| Place::new((out[i] + slope * round[i]) * cos, t[i].y));
            let (shares, to_tangent) = nearest(&tangent, piece);
            self.take(place, t, piece, &shares);
            let inner = if to_secant.x <= 0.0 { to_secant.norm() } else { 0.0 };
            let outer = if to_tangent.x >= 0.0 { to_tangent.norm() } else { 0.0 };
            inner.max(outer)
        } else {
            0.0
        };
        if lower >= self.distance - CLOSE || depth == DEEPEST {
            return;
        }
        // Halved across the edge that reaches farthest round the axis.
        let reach = |i: usize| {
            let e = t[(i + 1) % 3] - t[i];
            if least > 0.0 { (e.z * x - e.x * z).abs() } else { e.norm() }
        };
        let i = (0..3).max_by(|&a, &b| reach(a).total_cmp(&reach(b))).unwrap_or(0);
        let (a, b, c) = (t[i], t[(i + 1) % 3], t[(i + 2) % 3]);
        let m = (a + b) * 0.5;
        for part in [[a, m, c], [m, b, c]] {
            self.refine(place, &part, piece, depth + 1);
        }
    }

    /// Tries the point of a facet at some shares of its corners.
    fn take(&mut self, place: usize, t: &Triangle, piece: &Piece, shares: &[f64; 3]) {
        let at = t[0] * shares[0] + t[1] * shares[1] + t[2] * shares[2];
        let flat = flatten(&at);
        let foot = piece.foot(&flat);
        let distance = (flat - foot).norm();
        if distance < self.distance {
            self.distance = distance;
            self.found = Some((place, at, foot));
        }
    }
}

/// The nearest place of a flat triangle to a piece, as shares of its corners, and the way there from the
/// piece; zero where they cross.
fn nearest(t: &[Place; 3], piece: &Piece) -> ([f64; 3], Step) {
    let mut best = ([1.0, 0.0, 0.0], t[0] - piece.foot(&t[0]));
    let mut least = best.1.norm_squared();
    let mut take = |shares: [f64; 3], way: Step| {
        let squared = way.norm_squared();
        if squared < least {
            (least, best) = (squared, (shares, way));
        }
    };
    for i in 1..3 {
        let mut shares = [0.0; 3];
        shares[i] = 1.0;
        take(shares, t[i] - piece.foot(&t[i]));
    }
    let cross = |a: Step, b: Step| a.x * b.y - a.y * b.x;
    for i in 0..3 {
        let j = (i + 1) % 3;
        let edge = Piece { from: t[i], to: t[j] };
        let d = t[j] - t[i];
        let at = |s: f64| {
            let mut shares = [0.0; 3];
            (shares[i], shares[j]) = (1.0 - s, s);
            shares
        };
        for end in [piece.from, piece.to] {
            let foot = edge.foot(&end);
            let s = d.dot(&(foot - t[i])) / d.norm_squared();
            take(at(if s.is_finite() { s } else { 0.0 }), foot - end);
        }
        // Across the edge.
        let e = piece.to - piece.from;
        let n = cross(d, e);
        let r = piece.from - t[i];
        let (s, u) = (cross(r, e) / n, cross(r, d) / n);
        if (0.0..=1.0).contains(&s) && (0.0..=1.0).contains(&u) {
            take(at(s), Step::zeros());
        }
    }
    // The piece may lie inside altogether.
    let area = cross(t[1] - t[0], t[2] - t[0]);
    let (v, w) = (cross(piece.from - t[0], t[2] - t[0]) / area, cross(t[1] - t[0], piece.from - t[0]) / area);
    if v >= 0.0 && w >= 0.0 && v + w <= 1.0 {
        take([1.0 - v - w, v, w], Step::zeros());
    }
    best
}
