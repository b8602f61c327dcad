//! A ray, and where it meets a facet, a disc or a box.

use stringline_core::{Point3, UnitVec3, Vec3};

/// A half-line, made ready to be asked often.
///
/// The facet test is that of S. Woop, C. Benthin and I. Wald, *Watertight Ray/Triangle
/// Intersection*, Journal of Computer Graphics Techniques 2(1), 2013: a ray through a shared edge
/// or vertex never slips between the facets there.
pub(crate) struct Ray {
    pub(crate) origin: Point3,
    pub(crate) direction: Vec3,
    /// The axis the ray runs along most, last, after the other two.
    axes: [usize; 3],
    /// What turns the ray onto that axis.
    shear: Vec3,
}

impl Ray {
    pub(crate) fn new(origin: &Point3, direction: &UnitVec3) -> Ray {
        let direction = direction.into_inner();
        let z = direction.iamax();
        let (x, y) = ((z + 1) % 3, (z + 2) % 3);
        let shear = Vec3::new(direction[x], direction[y], 1.0) / direction[z];
        Ray { origin: *origin, direction, axes: [x, y, z], shear }
    }

    /// The point at a distance, mm.
    pub(crate) fn at(&self, distance: f64) -> Point3 {
        self.origin + self.direction * distance
    }

    /// How far along (mm, any sign) the line of the ray meets a facet, from either side; `None`
    /// if it misses or lies in the facet's plane.
    pub(crate) fn meets(&self, corners: &[Point3; 3]) -> Option<f64> {
        let [x, y, z] = self.axes;
        let [a, b, c] = corners.map(|p| {
            let d = p - self.origin;
            Vec3::new(d[x] - self.shear.x * d[z], d[y] - self.shear.y * d[z], self.shear.z * d[z])
        });
        // Two facets compute these from the same numbers for a shared edge, with opposite signs.
        let u = c.x * b.y - c.y * b.x;
        let v = a.x * c.y - a.y * c.x;
        let w = b.x * a.y - b.y * a.x;
        if (u < 0.0 || v < 0.0 || w < 0.0) && (u > 0.0 || v > 0.0 || w > 0.0) {
            return None;
        }
        let determinant = u + v + w;
        let t = (u * a.z + v * b.z + w * c.z) / determinant;
        // Not finite where the determinant vanishes.
        t.is_finite().then_some(t)
    }

    /// How far along the line of the ray meets a disc, mm; one without a normal (zero) faces the ray.
    pub(crate) fn meets_disc(&self, centre: &Point3, normal: &Vec3, radius: f64) -> Option<f64> {
        let to = centre - self.origin;
        let normal = if *normal == Vec3::zeros() { &self.direction } else { normal };
        let t = normal.dot(&to) / normal.dot(&self.direction);
        (t.is_finite() && (to - self.direction * t).norm_squared() <= radius * radius).then_some(t)
    }

    /// Where the ray, from `from` on, enters a box; `None` if it misses.
    pub(crate) fn enters(&self, low: &Point3, high: &Point3, from: f64) -> Option<f64> {
        self.within(low, high, from, f64::INFINITY).map(|[enter, _]| enter)
    }

    /// The part of the ray between `from` and `to` that lies in a box; `None` if there is none.
    pub(crate) fn within(&self, low: &Point3, high: &Point3, from: f64, to: f64) -> Option<[f64; 2]> {
        let (mut enter, mut leave) = (from, to);
        for axis in 0..3 {
            let (o, d) = (self.origin[axis], self.direction[axis]);
            if d == 0.0 {
                if o < low[axis] || o > high[axis] {
                    return None;
                }
                continue;
            }
            let (a, b) = ((low[axis] - o) / d, (high[axis] - o) / d);
            enter = enter.max(a.min(b));
            // Rounding must not make a ray along a face or through a corner miss.
            leave = leave.min(a.max(b) + 4.0 * f64::EPSILON * a.abs().max(b.abs()));
        }
        (enter <= leave).then_some([enter, leave])
    }

    /// The part of the ray on the side of a plane that its normal points away from, as distances;
    /// `None` if there is none.
    pub(crate) fn below(&self, point: &Point3, normal: &UnitVec3) -> Option<[f64; 2]> {
        let height = normal.dot(&(self.origin - point));
        let climb = normal.dot(&self.direction);
        if climb == 0.0 {
            return (height <= 0.0).then_some([0.0, f64::INFINITY]);
        }
        let crossing = -height / climb;
        match climb > 0.0 {
            true => (crossing >= 0.0).then_some([0.0, crossing]),
            false => Some([crossing.max(0.0), f64::INFINITY]),
        }
    }
}
