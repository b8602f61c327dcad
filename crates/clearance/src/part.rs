//! Bodies and wheels alike, as a sweep moves them, and how far a motion takes them.

use crate::body::Body;
use crate::distance::{Closest, distance};
use crate::revolve::wheel_distance;
use crate::wheel::Wheel;
use std::sync::Arc;
use stringline_core::{Point3, RigidTransform};

/// The shape of a part.
#[derive(Clone, Debug)]
pub enum Shape {
    /// Facets, points or a bar.
    Body(Body),
    /// A body of revolution, y along its axis.
    Wheel(Arc<Wheel>),
}

/// A part of a sweep, in its own frame.
#[derive(Clone, Debug)]
pub struct Part {
    /// What it is called.
    pub name: String,
    /// Its shape.
    pub shape: Shape,
    centre: Point3,
    radius: f64,
    corners: [Point3; 8],
}

impl Part {
    /// A part made ready.
    pub fn new(name: impl Into<String>, shape: Shape) -> Part {
        let (low, high) = match &shape {
            Shape::Body(body) => body.bounds(),
            Shape::Wheel(wheel) => wheel.bounds(),
        };
        let centre = nalgebra::center(&low, &high);
        let radius = match &shape {
            Shape::Body(body) => body.sphere_about(&centre),
            Shape::Wheel(wheel) => wheel.sphere_about(&centre),
        };
        let pick = |bit: usize, low: f64, high: f64| if bit == 0 { low } else { high };
        let corners = std::array::from_fn(|i| {
            Point3::new(pick(i & 1, low.x, high.x), pick(i >> 1 & 1, low.y, high.y), pick(i >> 2 & 1, low.z, high.z))
        });
        Part { name: name.into(), shape, centre, radius, corners }
    }

    /// The most that any point of the part is displaced between two poses, mm: an upper bound.
    ///
    /// The displacement |T₁x − T₀x| is a convex function of x: over a box it is largest at a corner. It is also no more than
    /// that of the centre of a ball and the turn times the ball's radius (a chord is shorter than its arc).
    pub fn displacement(&self, first: &RigidTransform, second: &RigidTransform) -> f64 {
        let of = |p: &Point3| (second * p - first * p).norm();
        let in_box = self.corners.iter().map(of).fold(0.0, f64::max);
        let turn = first.rotation.angle_to(&second.rotation);
        // `angle_to` loses digits of very small turns; the box does not.
        let in_ball = of(&self.centre) + (turn + 1e-7) * self.radius;
        in_box.min(in_ball)
    }

    /// A lower bound of the gap between two parts, mm, from their bounding balls; may be negative.
    fn apart(&self, at: &RigidTransform, other: &Part, other_at: &RigidTransform) -> f64 {
        (at * self.centre - other_at * other.centre).norm() - self.radius - other.radius
    }
}

/// The smallest gap between two parts at their poses, up to `limit` (mm): `None` beyond.
///
/// `on_a` and `on_b` of the answer are in the frames of the parts.
///
/// Two wheels are never told apart: there is `None` for them.
pub fn part_gap(
    a: &Part,
    car_from_a: &RigidTransform,
    b: &Part,
    car_from_b: &RigidTransform,
    limit: f64,
    hint: Option<&Closest>,
) -> Option<Closest> {
    if a.apart(car_from_a, b, car_from_b) > limit {
        return None;
    }
    let b_from_a = || car_from_b.inverse() * car_from_a;
    match (&a.shape, &b.shape) {
        (Shape::Body(x), Shape::Body(y)) => distance(x, y, &b_from_a(), limit, hint),
        (Shape::Wheel(x), Shape::Body(y)) => wheel_distance(x, y, &b_from_a(), limit, hint),
        (Shape::Body(x), Shape::Wheel(y)) => {
            let hint = hint.map(turned_round);
            wheel_distance(y, x, &b_from_a().inverse(), limit, hint.as_ref()).map(|c| turned_round(&c))
        }
        (Shape::Wheel(_), Shape::Wheel(_)) => None,
    }
}

fn turned_round(c: &Closest) -> Closest {
    Closest { gap: c.gap, on_a: c.on_b, on_b: c.on_a, facet_a: c.facet_b, facet_b: c.facet_a }
}
