//! Where a scene is seen from, and the orthographic projection of it.

use crate::Frame;
use stringline_core::{Point3, UnitVec3, Vec3, frame_about};

/// Where a scene is seen from. The names are those of the car frame; in a scan's own frame
/// they mean the same directions of its axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum View {
    /// From the front, looking along −x; the car's left is on the right.
    Front,
    /// From behind, looking along +x.
    Rear,
    /// From the car's left, looking along −y; forward is on the left.
    Left,
    /// From the car's right, looking along +y.
    Right,
    /// From above, looking along −z; forward is up.
    Top,
    /// From below, looking along +z; forward is up.
    Bottom,
    /// From the front, the left and above, all three axes foreshortened alike.
    Isometric,
    /// From any side.
    From {
        /// From the scene to the viewer.
        direction: UnitVec3,
        /// What is up on the picture, as nearly as the direction allows.
        up: UnitVec3,
    },
}

impl View {
    /// What the picture says about it.
    pub fn caption(self, frame: Frame) -> &'static str {
        match (self, frame) {
            (View::Front, Frame::Car) => "Seen from the front",
            (View::Rear, Frame::Car) => "Seen from behind",
            (View::Left, Frame::Car) => "Seen from the left",
            (View::Right, Frame::Car) => "Seen from the right",
            (View::Top, Frame::Car) => "Seen from above",
            (View::Bottom, Frame::Car) => "Seen from below",
            (View::Isometric, Frame::Car) => "Isometric, from the front left",
            (View::Front, Frame::Scan) => "Seen along −x",
            (View::Rear, Frame::Scan) => "Seen along +x",
            (View::Left, Frame::Scan) => "Seen along −y",
            (View::Right, Frame::Scan) => "Seen along +y",
            (View::Top, Frame::Scan) => "Seen along −z",
            (View::Bottom, Frame::Scan) => "Seen along +z",
            (View::Isometric, Frame::Scan) => "Isometric",
            (View::From { .. }, _) => "Oblique view",
        }
    }

    /// Unit vectors of the scene that point right, up and to the viewer.
    pub(crate) fn basis(self) -> [Vec3; 3] {
        let (x, y, z) = (Vec3::x(), Vec3::y(), Vec3::z());
        let (to_viewer, up) = match self {
            View::Front => (x, z),
            View::Rear => (-x, z),
            View::Left => (y, z),
            View::Right => (-y, z),
            View::Top => (z, x),
            View::Bottom => (-z, x),
            View::Isometric => (Vec3::new(1.0, 1.0, 1.0).normalize(), z),
            View::From { direction, up } => (direction.into_inner(), up.into_inner()),
        };
        let right = match up.cross(&to_viewer).try_normalize(1e-6) {
            Some(right) => right,
            // Looking straight along "up": any turn about the line of sight is as good.
            None => frame_about(&UnitVec3::new_normalize(to_viewer)).0,
        };
        [right, to_viewer.cross(&right), to_viewer]
    }
}

/// An orthographic projection onto the sheet.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Projection {
    /// Right, up and to the viewer, in the scene.
    pub(crate) basis: [Vec3; 3],
    /// The scene point shown at `origin`.
    pub(crate) centre: Point3,
    /// Where `centre` stands on the sheet, px, y down.
    pub(crate) origin: [f64; 2],
    /// px a mm.
    pub(crate) scale: f64,
}

impl Projection {
    /// Sheet position (px, y down) and height towards the viewer (mm over `centre`).
    pub(crate) fn project(&self, p: &Point3) -> [f64; 3] {
        let w = p - self.centre;
        let [right, up, back] = &self.basis;
        [self.origin[0] + self.scale * right.dot(&w), self.origin[1] - self.scale * up.dot(&w), back.dot(&w)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bases_are_right_handed() {
        for view in [
            View::Front,
            View::Rear,
            View::Left,
            View::Right,
            View::Top,
            View::Bottom,
            View::Isometric,
            View::From { direction: Vec3::z_axis(), up: Vec3::z_axis() },
        ] {
            let [right, up, back] = view.basis();
            assert!((right.cross(&up) - back).norm() < 1e-12, "{view:?}");
        }
    }

    #[test]
    fn seen_from_the_front_the_cars_left_is_on_the_right() {
        let [right, up, _] = View::Front.basis();
        assert!((right - Vec3::y()).norm() < 1e-12 && (up - Vec3::z()).norm() < 1e-12);
        let [right, up, _] = View::Top.basis();
        assert!((right + Vec3::y()).norm() < 1e-12 && (up - Vec3::x()).norm() < 1e-12);
    }
}
