//! The ideal shapes as an iteration sees them: a frame, a size, and how the
//! distance of a point changes with each. One file a shape holds its formula.

mod circle;
mod cone;
mod cylinder;
mod plane;
mod sphere;

use crate::feature::{Kind, Shape};
use nalgebra::{Rotation3, SMatrix, SVector};
use stringline_core::{Point3, UnitVec3, Vec3, frame_about};

/// Slots of the local parameter vector, the same for every shape:
/// shifts along `u`, `v`, `w` (the last being the direction), turns about `v`, `−u` and `w`
/// (so that the first two tilt the direction towards `u` and `v`), radius, half angle.
pub(crate) const SLOTS: usize = 8;
pub(crate) const SHIFT_U: usize = 0;
pub(crate) const SHIFT_V: usize = 1;
pub(crate) const SHIFT_W: usize = 2;
pub(crate) const TILT_U: usize = 3;
pub(crate) const TILT_V: usize = 4;
pub(crate) const SPIN: usize = 5;
pub(crate) const RADIUS: usize = 6;
pub(crate) const HALF_ANGLE: usize = 7;

/// Change of the local parameters, or a row of the Jacobian by them.
pub(crate) type Local = SVector<f64, SLOTS>;

/// A shape during iteration, in whatever coordinates its points are in.
#[derive(Clone, Debug)]
pub(crate) struct Model {
    pub(crate) kind: Kind,
    /// On the axis, on the plane, or the centre.
    pub(crate) point: Vec3,
    pub(crate) u: Vec3,
    pub(crate) v: Vec3,
    /// The axis or the normal.
    pub(crate) w: Vec3,
    pub(crate) radius: f64,
    pub(crate) half_angle: f64,
}

/// The slots that a shape's own fit frees.
pub(crate) fn active(kind: Kind) -> &'static [usize] {
    match kind {
        Kind::Plane => &[SHIFT_W, TILT_U, TILT_V],
        Kind::Cylinder => &[SHIFT_U, SHIFT_V, TILT_U, TILT_V, RADIUS],
        Kind::Cone => &[SHIFT_U, SHIFT_V, TILT_U, TILT_V, RADIUS, HALF_ANGLE],
        Kind::Sphere => &[SHIFT_U, SHIFT_V, SHIFT_W, RADIUS],
        Kind::Circle => &[SHIFT_U, SHIFT_V, SHIFT_W, TILT_U, TILT_V, RADIUS],
    }
}

/// One residual and its derivatives by the local parameters.
pub(crate) struct Row {
    pub(crate) residual: f64,
    pub(crate) by: [f64; SLOTS],
}

impl Model {
    pub(crate) fn new(kind: Kind, point: Vec3, direction: Vec3, radius: f64, half_angle: f64) -> Model {
        let w = UnitVec3::new_normalize(direction);
        let (u, v) = frame_about(&w);
        Model { kind, point, u, v, w: w.into_inner(), radius, half_angle }
    }

    /// Coordinates of a point in the shape's own frame.
    #[inline]
    pub(crate) fn local(&self, p: &Vec3) -> [f64; 3] {
        let d = p - self.point;
        [self.u.dot(&d), self.v.dot(&d), self.w.dot(&d)]
    }

    /// Signed distance from the shape; for a circle the distance from the curve.
    #[inline]
    pub(crate) fn distance(&self, p: &Vec3) -> f64 {
        let q = self.local(p);
        match self.kind {
            Kind::Plane => plane::distance(q),
            Kind::Cylinder => cylinder::distance(q, self.radius),
            Kind::Cone => cone::distance(q, self.radius, self.half_angle.sin_cos()),
            Kind::Sphere => sphere::distance(q, self.radius),
            Kind::Circle => circle::distance(q, self.radius),
        }
    }

    /// Hands each residual row of a point to `take`: two for a circle, else one.
    #[inline]
    pub(crate) fn rows(&self, p: &Vec3, mut take: impl FnMut(&Row)) {
        let q = self.local(p);
        match self.kind {
            Kind::Plane => take(&plane::row(q)),
            Kind::Cylinder => take(&cylinder::row(q, self.radius)),
            Kind::Cone => take(&cone::row(q, self.radius, self.half_angle.sin_cos())),
            Kind::Sphere => take(&sphere::row(q, self.radius)),
            Kind::Circle => circle::rows(q, self.radius).iter().for_each(take),
        }
    }

    /// The shape after a change of its local parameters. The turn is an exact rotation,
    /// so shapes that turn together keep their angle to each other.
    pub(crate) fn moved(&self, change: &Local) -> Model {
        let turn = self.v * change[TILT_U] - self.u * change[TILT_V] + self.w * change[SPIN];
        let rotation = Rotation3::new(turn);
        let shift = self.u * change[SHIFT_U] + self.v * change[SHIFT_V] + self.w * change[SHIFT_W];
        let w = UnitVec3::new_normalize(rotation * self.w).into_inner();
        let u = rotation * self.u;
        let u = UnitVec3::new_normalize(u - w * w.dot(&u)).into_inner();
        Model {
            kind: self.kind,
            point: self.point + shift,
            v: w.cross(&u),
            u,
            w,
            radius: self.radius + change[RADIUS],
            half_angle: self.half_angle + change[HALF_ANGLE],
        }
    }

    /// Moves the reference point along the axis to the cross-section through `centroid`
    /// (for a plane: to the foot of `centroid`). The shape itself stays as it is.
    pub(crate) fn referred_to(mut self, centroid: &Vec3) -> Model {
        let d = centroid - self.point;
        match self.kind {
            Kind::Plane => self.point = centroid - self.w * self.w.dot(&d),
            Kind::Cylinder => self.point += self.w * self.w.dot(&d),
            Kind::Cone => {
                let along = self.w.dot(&d);
                self.point += self.w * along;
                self.radius += along * self.half_angle.tan();
            }
            Kind::Sphere | Kind::Circle => {}
        }
        self
    }

    /// Positive radius, a half angle in (0, π/2) with the direction from the apex to the wide end.
    pub(crate) fn tidied(mut self) -> Model {
        if self.kind == Kind::Cone && self.half_angle < 0.0 {
            self.half_angle = -self.half_angle;
            self.w = -self.w;
            self.v = -self.v;
        }
        if self.radius < 0.0 && matches!(self.kind, Kind::Cylinder | Kind::Sphere | Kind::Circle) {
            self.radius = -self.radius;
        }
        self
    }

    /// Whether a cone's data, at coordinates `along` its axis, lies on one side of its apex and
    /// any size is finite and sensible beside `reach`, the size of the point set.
    pub(crate) fn plausible(&self, reach: f64) -> bool {
        let finite = self.point.iter().chain(self.w.iter()).all(|x| x.is_finite())
            && self.radius.is_finite()
            && self.half_angle.is_finite();
        let size = match self.kind {
            Kind::Plane => true,
            Kind::Cone => self.half_angle.abs() < 1.55 && self.radius > 0.0 && self.radius < LARGEST_RADIUS * reach,
            _ => self.radius > 0.0 && self.radius < LARGEST_RADIUS * reach,
        };
        finite && size
    }

    /// The shape in the frame of the original points: `origin + scale · x`.
    pub(crate) fn to_shape(&self, origin: &Point3, scale: f64) -> Shape {
        let point = origin + self.point * scale;
        let direction = UnitVec3::new_normalize(self.w);
        let radius = self.radius * scale;
        match self.kind {
            Kind::Plane => Shape::Plane { point, normal: direction },
            Kind::Cylinder => Shape::Cylinder { point, direction, radius },
            Kind::Cone => Shape::Cone { point, direction, radius, half_angle: self.half_angle },
            Kind::Sphere => Shape::Sphere { centre: point, radius },
            Kind::Circle => Shape::Circle { centre: point, normal: direction, radius },
        }
    }

    /// The same shape in coordinates `scale` times larger.
    pub(crate) fn scaled(&self, scale: f64) -> Model {
        Model { point: self.point * scale, radius: self.radius * scale, ..self.clone() }
    }

    /// Derivative of [`Shape::parameters`] by the local parameters (rows: the shape's
    /// parameters; columns: the local slots).
    pub(crate) fn ambient_jacobian(&self) -> nalgebra::DMatrix<f64> {
        let mut full = SMatrix::<f64, 8, SLOTS>::zeros();
        for i in 0..3 {
            full[(i, SHIFT_U)] = self.u[i];
            full[(i, SHIFT_V)] = self.v[i];
            full[(i, SHIFT_W)] = self.w[i];
            full[(i + 3, TILT_U)] = self.u[i];
            full[(i + 3, TILT_V)] = self.v[i];
        }
        full[(6, RADIUS)] = 1.0;
        full[(7, HALF_ANGLE)] = 1.0;
        let rows: &[usize] = match self.kind {
            Kind::Plane => &[0, 1, 2, 3, 4, 5],
            Kind::Cylinder | Kind::Circle => &[0, 1, 2, 3, 4, 5, 6],
            Kind::Cone => &[0, 1, 2, 3, 4, 5, 6, 7],
            Kind::Sphere => &[0, 1, 2, 6],
        };
        nalgebra::DMatrix::from_fn(rows.len(), SLOTS, |i, j| full[(rows[i], j)])
    }
}

/// A round shape larger than this many times its painted patch is a plane for any purpose.
const LARGEST_RADIUS: f64 = 1000.0;

#[cfg(test)]
mod tests {
    use super::*;

    /// Every analytic derivative against a central difference, every shape.
    #[test]
    fn rows_match_finite_differences() {
        for kind in [Kind::Plane, Kind::Cylinder, Kind::Cone, Kind::Sphere, Kind::Circle] {
            let model = Model::new(kind, Vec3::new(0.3, -0.2, 0.5), Vec3::new(0.4, 0.5, 0.8), 1.3, 0.31);
            let p = Vec3::new(1.4, 0.6, 1.1);
            let mut rows = Vec::new();
            model.rows(&p, |r| rows.push((r.residual, r.by)));
            for slot in 0..SLOTS {
                let h = 1e-6;
                let mut step = Local::zeros();
                step[slot] = h;
                let mut ends = [Vec::new(), Vec::new()];
                for (end, sign) in ends.iter_mut().zip([1.0, -1.0]) {
                    model.moved(&(step * sign)).rows(&p, |r| end.push(r.residual));
                }
                for (i, (_, by)) in rows.iter().enumerate() {
                    let numeric = (ends[0][i] - ends[1][i]) / (2.0 * h);
                    assert!((numeric - by[slot]).abs() < 1e-8, "{kind} slot {slot}: {numeric} against {}", by[slot]);
                }
            }
        }
    }

    #[test]
    fn model_distance_is_the_shapes_distance() {
        for kind in [Kind::Plane, Kind::Cylinder, Kind::Cone, Kind::Sphere, Kind::Circle] {
            let model = Model::new(kind, Vec3::new(0.3, -0.2, 0.5), Vec3::new(0.4, 0.5, 0.8), 1.3, 0.31);
            let shape = model.to_shape(&Point3::origin(), 1.0);
            for p in [Vec3::new(1.4, 0.6, 1.1), Vec3::new(-2.0, 0.1, 3.0)] {
                assert!((model.distance(&p) - shape.distance(&Point3::from(p))).abs() < 1e-14);
            }
        }
    }
}
