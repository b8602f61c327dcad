//! Where the scene is seen from: turning, moving, zooming, and what each means on the screen.
//!
//! All in world coordinates, mm; the screen is in logical points, y down. The view's own axes are
//! x right, y up, z towards the eye.

use crate::shown::{Eye, LookAt};
use nalgebra::{Matrix4, Rotation3, UnitQuaternion};
use stringline_core::{Point3, UnitVec3, Vec3};

/// Half the angle that the view's height spans, rad. A narrow one, as through a long lens: parts
/// keep their proportions.
const HALF_ANGLE: f64 = 15.0 * std::f64::consts::PI / 180.0;

/// Dragging over the height of the view turns by this much, rad.
const TURN_A_HEIGHT: f64 = std::f64::consts::PI;

/// Heights of the view at its focus, mm, between which it zooms.
const HEIGHTS: [f64; 2] = [0.05, 1e6];

/// Left free round what is fitted into the view, as a share of it.
const FIT_MARGIN: f64 = 1.08;

/// The nearest that is drawn in perspective, as a share of the view's height at its focus.
const NEAREST: f64 = 0.02;

/// A ball that everything visible lies in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ball {
    /// World, mm.
    pub centre: Point3,
    /// mm.
    pub radius: f64,
}

/// Where the scene is seen from.
#[derive(Clone, Debug, PartialEq)]
pub struct View {
    /// In the middle of the screen, at the depth where [`View::height`] holds.
    focus: Point3,
    world_from_view: UnitQuaternion<f64>,
    /// Of the world shown at the focus, mm.
    height: f64,
    /// Orthographic instead of perspective.
    parallel: bool,
}

impl Default for View {
    /// From the front, left and above of a car's axes (ISO 8855), a metre high.
    fn default() -> View {
        let mut view = View {
            focus: Point3::origin(),
            world_from_view: UnitQuaternion::identity(),
            height: 1000.0,
            parallel: false,
        };
        view.turn_to(&Vec3::new(-1.0, -0.8, -0.6), &Vec3::z());
        view
    }
}

impl View {
    /// Orthographic instead of perspective.
    pub fn parallel(&self) -> bool {
        self.parallel
    }

    /// The height of the world shown at the focus, mm.
    pub fn height(&self) -> f64 {
        self.height
    }

    /// From the scene towards the eye.
    pub fn towards_eye(&self) -> UnitVec3 {
        self.world_from_view * Vec3::z_axis()
    }

    /// From world axes to the view's.
    pub fn view_from_world(&self) -> UnitQuaternion<f64> {
        self.world_from_view.inverse()
    }

    /// Where the eye is; for a parallel view, where it would be in perspective.
    pub fn eye(&self) -> Point3 {
        self.focus + self.towards_eye().into_inner() * self.distance()
    }

    /// From the eye to the focus, mm.
    fn distance(&self) -> f64 {
        self.height / 2.0 / HALF_ANGLE.tan()
    }

    /// What a place on the screen looks at: a point before everything visible (`ball`), and the
    /// direction from there into the scene. `area` is left, top, width and height of the view.
    pub fn ray(&self, at: [f32; 2], area: [f32; 4], ball: Option<&Ball>) -> (Point3, UnitVec3) {
        let [left, top, width, height] = area.map(f64::from);
        let scale = self.height / height.max(1.0);
        let right = (f64::from(at[0]) - left - width / 2.0) * scale;
        let up = -(f64::from(at[1]) - top - height / 2.0) * scale;
        let seen = self.focus + self.world_from_view * Vec3::new(right, up, 0.0);
        if self.parallel {
            let back = ball.map_or(self.distance(), |b| (b.centre - self.focus).norm() + b.radius);
            (seen + self.towards_eye().into_inner() * back, -self.towards_eye())
        } else {
            let eye = self.eye();
            (eye, UnitVec3::new_normalize(seen - eye))
        }
    }

    /// The point under a place on the screen that lies as deep as the focus.
    pub fn at_focus(&self, at: [f32; 2], area: [f32; 4]) -> Point3 {
        let (origin, direction) = self.ray(at, area, None);
        let towards = self.towards_eye();
        origin + direction.into_inner() * ((self.focus - origin).dot(&towards) / direction.dot(&towards))
    }

    /// Turns about a point, which stays where it is on the screen, by a movement on the screen as
    /// a share of the view's height.
    pub fn orbit(&mut self, about: &Point3, right: f64, down: f64) {
        let side = self.world_from_view * Vec3::x_axis();
        let up = self.world_from_view * Vec3::y_axis();
        let turn = UnitQuaternion::from_axis_angle(&up, -right * TURN_A_HEIGHT)
            * UnitQuaternion::from_axis_angle(&side, -down * TURN_A_HEIGHT);
        self.focus = about + turn * (self.focus - about);
        self.world_from_view = turn * self.world_from_view;
        // Rounding adds up over thousands of small turns.
        self.world_from_view.renormalize();
    }

    /// Moves sideways so that what was under one place on the screen comes to lie under another;
    /// `grabbed` tells how deep it lies.
    pub fn pan(&mut self, grabbed: &Point3, from: [f32; 2], to: [f32; 2], area: [f32; 4]) {
        let depth = match self.parallel {
            true => 1.0,
            false => (self.eye() - grabbed).dot(&self.towards_eye()).max(0.0) / self.distance(),
        };
        let scale = self.height * depth / f64::from(area[3]).max(1.0);
        let [right, down] = [0, 1].map(|i| f64::from(to[i] - from[i]) * scale);
        self.focus -= self.world_from_view * Vec3::new(right, -down, 0.0);
    }

    /// Shows the world `factor` times as high; `about` stays where it is on the screen.
    pub fn zoom(&mut self, about: &Point3, factor: f64) {
        let height = (self.height * factor).clamp(HEIGHTS[0], HEIGHTS[1]);
        self.focus = about + (self.focus - about) * (height / self.height);
        self.height = height;
    }

    /// Brings all these points into the view, from where it looks. Does nothing for none.
    pub fn fit(&mut self, points: &[Point3], area: [f32; 4]) {
        let inward = self.view_from_world();
        let mut low = Vec3::repeat(f64::INFINITY);
        let mut high = -low;
        for p in points.iter().filter(|p| p.iter().all(|c| c.is_finite())) {
            let p = inward * p.coords;
            (low, high) = (low.inf(&p), high.sup(&p));
        }
        if low.x > high.x {
            return;
        }
        let middle = (low + high) / 2.0;
        let across = f64::from(area[2]).max(1.0) / f64::from(area[3]).max(1.0);
        // In perspective a point to the side that is near needs more room than its offset.
        let nearness = if self.parallel { 0.0 } else { 2.0 * HALF_ANGLE.tan() };
        let needed = |p: &Point3| {
            let p = inward * p.coords - middle;
            (2.0 * p.y.abs()).max(2.0 * p.x.abs() / across) + nearness * p.z
        };
        let height = points.iter().map(needed).filter(|h| h.is_finite()).fold(0.0, f64::max);
        self.focus = Point3::from(self.world_from_view * middle);
        // A single point is shown as if it were a part of a hand's size.
        let height = if height > 0.0 { height } else { 100.0 };
        self.height = (height * FIT_MARGIN).clamp(HEIGHTS[0], HEIGHTS[1]);
    }

    /// Does what is wished; `points` are what everything visible lies between.
    pub fn look(&mut self, at: &LookAt, points: &[Point3], area: [f32; 4]) {
        match at {
            LookAt::Fit => self.fit(points, area),
            LookAt::Along(direction, up) => {
                self.turn_to(direction, up);
                self.fit(points, area);
            }
            LookAt::SquareOn(point, normal) => {
                let up = self.world_from_view * Vec3::y();
                self.turn_to(&-normal.into_inner(), &up);
                self.focus = *point;
            }
            LookAt::Parallel(parallel) => self.parallel = *parallel,
        }
    }

    /// Looks along a direction with another one up, as far as it is square to the first.
    fn turn_to(&mut self, direction: &Vec3, up: &Vec3) {
        let Some(z) = (-direction).try_normalize(1e-9) else {
            return;
        };
        // What is up now, then what is right now, stands in for an up that lies along the view.
        let spare = [self.world_from_view * Vec3::y(), self.world_from_view * Vec3::x()];
        let square = |v: &Vec3| (v - z * v.dot(&z)).try_normalize(1e-6);
        let Some(y) = std::iter::once(up).chain(&spare).find_map(square) else {
            return;
        };
        let axes = nalgebra::Matrix3::from_columns(&[y.cross(&z), y, z]);
        self.world_from_view = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(axes));
    }

    /// Maps the world to clip space, depth from 1 (near) to 0 (far), x and y from −1 to 1 over the
    /// view. Depth has most digits far away that way (E. Lapidous and G. Jiao, *Optimal depth
    /// buffer for low-cost graphics hardware*, 1999).
    pub fn clip_from_world(&self, area: [f32; 4], ball: Option<&Ball>) -> Matrix4<f64> {
        let across = f64::from(area[2]).max(1.0) / f64::from(area[3]).max(1.0);
        let view_from_world =
            |origin: &Point3| self.view_from_world().to_homogeneous() * Matrix4::new_translation(&-origin.coords);
        let mut clip_from_view = Matrix4::zeros();
        if self.parallel {
            let deep = ball.map_or(self.distance(), |b| (b.centre - self.focus).norm() + b.radius).max(1e-6);
            clip_from_view[(0, 0)] = 2.0 / (self.height * across);
            clip_from_view[(1, 1)] = 2.0 / self.height;
            clip_from_view[(2, 2)] = 0.5 / deep;
            clip_from_view[(2, 3)] = 0.5;
            clip_from_view[(3, 3)] = 1.0;
            clip_from_view * view_from_world(&self.focus)
        } else {
            let slope = HALF_ANGLE.tan();
            clip_from_view[(0, 0)] = 1.0 / (slope * across);
            clip_from_view[(1, 1)] = 1.0 / slope;
            clip_from_view[(2, 3)] = NEAREST * self.height;
            clip_from_view[(3, 2)] = -1.0;
            clip_from_view * view_from_world(&self.eye())
        }
    }

    /// The same for panels.
    pub fn to_eye(&self, area: [f32; 4], ball: Option<&Ball>) -> Eye {
        let m = self.clip_from_world(area, ball);
        Eye { clip_from_world: std::array::from_fn(|r| std::array::from_fn(|c| m[(r, c)])), view: area }
    }
}

/// A ball round the box of points; `None` for none.
pub fn ball_about(points: &[Point3]) -> Option<Ball> {
    let first = points.first()?;
    let (low, high) = points.iter().fold((*first, *first), |(l, h), p| (l.inf(p), h.sup(p)));
    Some(Ball { centre: nalgebra::center(&low, &high), radius: (high - low).norm() / 2.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The eight corners of a box.
    fn corners(low: &Point3, high: &Point3) -> [Point3; 8] {
        std::array::from_fn(|i| {
            let pick = |bit: usize| if i >> bit & 1 == 0 { low[bit] } else { high[bit] };
            Point3::new(pick(0), pick(1), pick(2))
        })
    }

    const AREA: [f32; 4] = [300.0, 40.0, 900.0, 600.0];

    /// Views of every kind that the functions below are tried on.
    fn views() -> Vec<View> {
        let mut all = Vec::new();
        for i in 0..20 {
            let mut view = View::default();
            let f = f64::from(i);
            view.orbit(&Point3::new(f, -3.0 * f, 40.0), 0.31 * f, -0.17 * f);
            view.zoom(&Point3::new(9.0, f, 1.0), 0.93_f64.powf(f));
            view.parallel = i % 2 == 0;
            all.push(view);
        }
        all
    }

    fn ball() -> Ball {
        Ball { centre: Point3::new(10.0, 20.0, 30.0), radius: 250.0 }
    }

    fn on_screen(view: &View, p: &Point3) -> [f32; 2] {
        view.to_eye(AREA, Some(&ball())).to_screen(p).unwrap()
    }

    fn assert_close(a: [f32; 2], b: [f32; 2], what: &str) {
        assert!((a[0] - b[0]).abs() < 0.02 && (a[1] - b[1]).abs() < 0.02, "{what}: {a:?} is not {b:?}");
    }

    #[test]
    fn a_ray_appears_where_it_was_asked_for() {
        for view in views() {
            for at in [[310.0, 50.0], [750.0, 340.0], [1100.0, 600.0]] {
                let (origin, direction) = view.ray(at, AREA, Some(&ball()));
                for far in [100.0, 700.0] {
                    let p = origin + direction.into_inner() * (far + view.distance());
                    assert_close(on_screen(&view, &p), at, "along the ray");
                }
                assert_close(on_screen(&view, &view.at_focus(at, AREA)), at, "at the focus");
            }
        }
    }

    #[test]
    fn turning_and_zooming_leave_their_centre_on_the_screen() {
        for view in views() {
            let about = view.at_focus([500.0, 200.0], AREA) + view.towards_eye().into_inner() * (view.height() * 0.2);
            let before = on_screen(&view, &about);
            let mut turned = view.clone();
            turned.orbit(&about, 0.2, -0.1);
            assert_close(on_screen(&turned, &about), before, "turned");
            assert!(turned.towards_eye().angle(&view.towards_eye()) > 0.1);
            let mut zoomed = view.clone();
            zoomed.zoom(&about, 0.8);
            assert_close(on_screen(&zoomed, &about), before, "zoomed");
            assert!(zoomed.height() < view.height());
        }
    }

    #[test]
    fn what_was_grabbed_follows_the_pointer() {
        for mut view in views() {
            let grabbed = view.at_focus([500.0, 200.0], AREA) - view.towards_eye().into_inner() * (view.height() * 0.3);
            let from = on_screen(&view, &grabbed);
            let to = [from[0] + 120.0, from[1] - 45.0];
            view.pan(&grabbed, from, to, AREA);
            assert_close(on_screen(&view, &grabbed), to, "panned");
        }
    }

    #[test]
    fn dragging_to_the_right_turns_the_near_side_to_the_right() {
        for mut view in views() {
            let near = view.focus + view.towards_eye().into_inner() * (view.height() * 0.1);
            let before = on_screen(&view, &near);
            view.orbit(&view.focus.clone(), 0.1, 0.05);
            let after = on_screen(&view, &near);
            assert!(after[0] > before[0] + 1.0 && after[1] > before[1] + 1.0, "{before:?} {after:?}");
        }
    }

    #[test]
    fn fitting_shows_everything_and_wastes_little() {
        let points = corners(&Point3::new(-40.0, 200.0, -900.0), &Point3::new(60.0, 260.0, -100.0));
        let ball = ball_about(&points).unwrap();
        for mut view in views() {
            view.fit(&points, AREA);
            let eye = view.to_eye(AREA, Some(&ball));
            let seen = points.map(|p| eye.to_screen(&p).unwrap());
            let reach =
                |i: usize| seen.iter().map(move |s| (s[i] - AREA[i] - AREA[i + 2] / 2.0).abs() / AREA[i + 2] * 2.0);
            let (x, y) = (reach(0).fold(0.0, f32::max), reach(1).fold(0.0, f32::max));
            assert!(x <= 1.0 && y <= 1.0, "out of the view: {x} {y}");
            assert!(x.max(y) > 0.7, "too small: {x} {y}");
        }
    }

    #[test]
    fn views_along_an_axis_have_the_wished_direction_up() {
        let points = corners(&Point3::origin(), &Point3::new(100.0, 50.0, 20.0));
        for mut view in views() {
            // From the left of the car: forward is to the left on the screen.
            view.look(&LookAt::Along(-Vec3::y_axis(), Vec3::z_axis()), &points, AREA);
            let [origin, forward, up] = [Point3::origin(), Point3::new(50.0, 0.0, 0.0), Point3::new(0.0, 0.0, 20.0)]
                .map(|p| on_screen(&view, &p));
            assert!(forward[0] < origin[0] - 10.0 && (forward[1] - origin[1]).abs() < 0.5);
            assert!(up[1] < origin[1] - 10.0 && (up[0] - origin[0]).abs() < 0.5);
        }
    }

    #[test]
    fn square_on_puts_the_point_in_the_middle_and_keeps_the_scale() {
        let (point, normal) = (Point3::new(3.0, 4.0, 5.0), UnitVec3::new_normalize(Vec3::new(1.0, -2.0, 0.5)));
        for mut view in views() {
            let height = view.height();
            view.look(&LookAt::SquareOn(point, normal), &[], AREA);
            assert!(view.towards_eye().angle(&normal) < 1e-9);
            assert_close(on_screen(&view, &point), [750.0, 340.0], "middle");
            assert_eq!(view.height(), height);
        }
    }

    #[test]
    fn changing_the_projection_keeps_the_scale_at_the_focus() {
        for view in views() {
            let side = view.focus + view.world_from_view * Vec3::new(view.height() / 4.0, 0.0, 0.0);
            let mut other = view.clone();
            other.look(&LookAt::Parallel(!view.parallel()), &[], AREA);
            assert_close(on_screen(&other, &side), on_screen(&view, &side), "beside the focus");
        }
    }

    #[test]
    fn nearer_points_have_more_depth() {
        for view in views() {
            let m = view.clip_from_world(AREA, Some(&ball()));
            let depth = |p: &Point3| {
                let c = m * p.to_homogeneous();
                c.z / c.w
            };
            let towards = view.towards_eye().into_inner() * (0.2 * view.height());
            let (near, far) = (depth(&(view.focus + towards)), depth(&(view.focus - towards)));
            assert!(near > far && near < 1.0 && far > 0.0, "{near} {far}");
        }
    }

    #[test]
    fn nothing_to_fit_or_no_direction_changes_nothing() {
        let mut view = View::default();
        view.fit(&[], AREA);
        view.fit(&[Point3::new(f64::NAN, 0.0, 0.0)], AREA);
        view.turn_to(&Vec3::zeros(), &Vec3::z());
        assert_eq!(view, View::default());
    }
}
