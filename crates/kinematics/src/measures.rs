//! What a corner does at one position, in the words and signs of ISO 8855 (`docs/conventions.md` has the pictures).
//!
//! Signs are those of a left corner; a right one is its mirror image, so toe-in, camber, caster, kingpin inclination,
//! scrub radius and trail mean the same on both sides. Angles are radians, lengths mm. Positions and directions are in
//! vehicle axes.
//!
//! n is the unit vector along the spin axis, outboard; k that along the steering axis, from bottom to top; C the contact
//! point. t and f are the wheel's horizontal directions, outboard and forward: t = (n_x, n_y, 0) made a unit vector,
//! f = t × z.
//!
//! *Rates* are derivatives by the rise of the contact point, the rack held, from the knuckle's velocity (never from differences of
//! two positions). *Per rack* means per millimetre of rack with the wheel centre's height held.

use crate::corner::{Corner, Held, Solved};
use crate::geometry::{JointKind, Upper, mirror_point, mirror_vec};
use stringline_core::{Point3, Vec3};
use stringline_hardpoints::Side;

/// Below this an angular velocity counts as none and the instant centre as infinitely far, rad/mm.
const NO_TURN: f64 = 1e-12;

/// The knuckle's instant axis as the wheel rises with the rack held.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InstantAxis {
    /// Its direction: that of the angular velocity of a rising wheel. Unit length.
    pub direction: Vec3,
    /// The point of the axis nearest to the lower ball joint, mm.
    pub point: Point3,
    /// Advance along the axis per radian about it, mm: ω·v/ω².
    pub pitch: f64,
}

/// Every measure of a corner at one position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CornerMeasures {
    /// Wheel centre, mm.
    pub wheel_centre: Point3,
    /// Contact point C: the wheel's lowest point, a loaded radius from its centre, mm.
    pub contact: Point3,
    /// Steer angle: positive when the wheel is turned to the left, on both sides. Left wheel: atan2(−n_x, n_y).
    pub steer: f64,
    /// Toe-in: positive when the wheel's front stands nearer the car than its rear; −steer of a left wheel.
    pub toe_in: f64,
    /// Change of toe-in since rest: bump steer.
    pub toe_change: f64,
    /// Camber seen from the front, −atan2(n_z, n_y) of a left wheel: positive when the top leans outboard.
    pub camber: f64,
    /// Inclination, the true lean from the vertical, −asin(n_z): positive when the top leans outboard.
    pub inclination: f64,
    /// Caster: atan2(−k_x, k_z), positive when the top of the steering axis lies behind.
    pub caster: f64,
    /// Kingpin inclination: atan2(−k_y, k_z), positive when the top lies inboard.
    pub kingpin_inclination: f64,
    /// Where the steering axis meets the ground (the level of C), mm.
    pub axis_on_ground: Point3,
    /// Scrub radius (steering-axis offset at the ground): from the steering axis on the ground to C along t, positive
    /// when C lies outboard.
    pub scrub_radius: f64,
    /// Mechanical trail (castor offset at the ground): from C to the steering axis on the ground along f, positive when
    /// the axis meets the ground ahead.
    pub mechanical_trail: f64,
    /// Spindle offset (steering-axis offset at the wheel centre): from the steering axis at the wheel centre's level
    /// to the wheel centre along t, positive outboard.
    pub spindle_offset: f64,
    /// Castor offset at the wheel centre: from the wheel centre to the steering axis at its level along f, positive when
    /// the axis passes ahead.
    pub castor_offset_at_centre: f64,
    /// Bump steer: change of toe-in per millimetre of rise, rad/mm.
    pub toe_in_per_travel: f64,
    /// Change of inclination per millimetre of rise, rad/mm.
    pub inclination_per_travel: f64,
    /// Change of caster per millimetre of rise, rad/mm.
    pub caster_per_travel: f64,
    /// How far C's material moves outboard per millimetre of rise.
    pub lateral_per_travel: f64,
    /// How far C's material moves forward per millimetre of rise.
    pub forward_per_travel: f64,
    /// The same of the wheel centre.
    pub centre_forward_per_travel: f64,
    /// Steer (to the left, both sides) per millimetre of rack, the wheel centre's height held, rad/mm.
    pub steer_per_rack: f64,
    /// The instant axis, `None` where the knuckle only slides.
    pub instant_axis: Option<InstantAxis>,
    /// Front-view instant centre: where, in the lateral plane through C, the knuckle has no velocity in that plane;
    /// (y, z), mm. From C's velocity.
    pub front_view_centre: Option<[f64; 2]>,
    /// Side-view instant centre, in the plane through C along the car: (x, z), mm.
    pub side_view_centre: Option<[f64; 2]>,
    /// Roll-centre height above C **from C's own velocity**: the line through C square to its velocity in the lateral
    /// plane, at the plane of symmetry: y_C·v_y/v_z.
    pub roll_centre_by_velocity: f64,
    /// Roll-centre height above C **by the two-plane construction**: the plane of the lower arm meets that of the upper
    /// arm (of a strut: the plane through the top mount square to the *sliding* axis) in a line; where it pierces
    /// the lateral plane through C is the instant centre, and the line from C through it is taken at the plane of
    /// symmetry. Differs a little from the former in three dimensions. `None` where that line stands upright.
    pub roll_centre_by_planes: Option<f64>,
    /// Effective steering arm: from the steering axis to the outer tie-rod joint, square to the axis, mm.
    pub steering_arm: f64,
    /// Angle between the steering arm and the tie rod as seen along the steering axis: 90° is best, 0° and 180° are over
    /// centre.
    pub rod_arm_angle: f64,
    /// Over-centre margin: the smaller of that angle and its supplement.
    pub over_centre_margin: f64,
    /// Change of the rod's direction in the knuckle since rest. Not a misalignment: that needs the bolt's axis.
    pub outer_swing: f64,
    /// Change of the rod's direction in the car since rest.
    pub inner_swing: f64,
    /// Misalignment of the outer joint against its axis, where that is given.
    pub outer_misalignment: Option<f64>,
    /// Misalignment of the inner joint against its axis, where that is given.
    pub inner_misalignment: Option<f64>,
    /// Length of strut or damper between its points, mm.
    pub damper_length: Option<f64>,
    /// Motion ratio: how much the damper shortens per millimetre of rise.
    pub motion_ratio: Option<f64>,
}

impl Corner {
    /// All measures at rest.
    pub fn measures_at_rest(&self) -> CornerMeasures {
        self.measures(&self.rest)
    }

    #[inline]
    pub(crate) fn measures(&self, solved: &Solved) -> CornerMeasures {
        let pose = &solved.pose;
        let p = &self.linkage.parts.points;
        let (n, k, c, centre) = (&pose.spin, &pose.axis, &solved.contact, &pose.wheel_centre);
        // Per millimetre of C's rise.
        let rise = solved.rise.scaled(1.0 / solved.height_rate(Held::Contact));
        let level = (n.x * n.x + n.y * n.y).sqrt();
        let t = Vec3::new(n.x / level, n.y / level, 0.0);
        let f = Vec3::new(t.y, -t.x, 0.0);

        let steer_left = (-n.x).atan2(n.y);
        let axis_at = |z: f64| pose.lower_ball + k * ((z - pose.lower_ball.z) / k.z);
        let on_ground = axis_at(c.z);
        let (ground, hub) = (c - on_ground, centre - axis_at(centre.z));

        let dn = rise.omega.cross(n);
        let steer_rate = |dn: &Vec3| (n.x * dn.y - n.y * dn.x) / (level * level);
        let v = rise.at(c);
        let v_top = self.top_velocity(solved, &rise);
        let dk = (v_top - rise.velocity) / pose.axis_length;
        let caster_rate = (k.x * dk.z - k.z * dk.x) / (k.x * k.x + k.z * k.z);
        let per_rack = solved.steer_held(Held::WheelCentre).omega.cross(n);
        let w = &rise.omega;
        let turn = w.norm();

        let rod = pose.tie_rod_inner - pose.tie_rod_outer;
        let lever = pose.tie_rod_outer - pose.lower_ball;
        let arm = lever - k * lever.dot(k);
        let rod_across = rod - k * rod.dot(k);
        let rod_arm = angle(&arm, &rod_across);
        let rod_rest = p.tie_rod_inner - p.tie_rod_outer;
        let rod_in_knuckle = pose.rotation.tr_mul(&rod);
        let misaligned = |kind, axis: &Vec3, rod: &Vec3| {
            let to_axis = angle(axis, rod);
            match kind {
                JointKind::RodEnd => (std::f64::consts::FRAC_PI_2 - to_axis).abs(),
                JointKind::Socket => to_axis.min(std::f64::consts::PI - to_axis),
            }
        };

        let damper = self.linkage.damper(pose, &solved.rise);
        let per_theta = solved.height_rate(Held::Contact);
        let damper = damper.map(|(top, foot, v)| {
            let d = top - foot;
            let length = d.norm();
            (length, d.dot(&v) / (length * per_theta))
        });
        let sign = if self.side == Side::Right { -1.0 } else { 1.0 };
        let place = |q: Point3| if self.side == Side::Right { mirror_point(q) } else { q };

        CornerMeasures {
            wheel_centre: place(*centre),
            contact: place(*c),
            steer: sign * steer_left,
            toe_in: -steer_left,
            toe_change: -steer_left - self.rest_toe,
            camber: -n.z.atan2(n.y),
            inclination: -n.z.asin(),
            caster: (-k.x).atan2(k.z),
            kingpin_inclination: (-k.y).atan2(k.z),
            axis_on_ground: place(on_ground),
            scrub_radius: ground.dot(&t),
            mechanical_trail: -ground.dot(&f),
            spindle_offset: hub.dot(&t),
            castor_offset_at_centre: -hub.dot(&f),
            toe_in_per_travel: -steer_rate(&dn),
            inclination_per_travel: -dn.z / level,
            caster_per_travel: caster_rate,
            lateral_per_travel: v.y,
            forward_per_travel: v.x,
            centre_forward_per_travel: {
                let u = rise.at(centre);
                u.x / u.z
            },
            steer_per_rack: sign * steer_rate(&per_rack),
            instant_axis: (turn > NO_TURN).then(|| {
                let point = pose.lower_ball + w.cross(&rise.velocity) / (turn * turn);
                let direction = w / turn;
                // A mirrored rotation turns the other way: its axis vector is mirrored and reversed.
                let direction = if self.side == Side::Right { -mirror_vec(direction) } else { direction };
                let pitch = sign * w.dot(&rise.velocity) / (turn * turn);
                InstantAxis { direction, point: place(point), pitch }
            }),
            front_view_centre: (w.x.abs() > NO_TURN).then(|| [sign * (c.y - v.z / w.x), c.z + v.y / w.x]),
            side_view_centre: (w.y.abs() > NO_TURN).then(|| [c.x + v.z / w.y, c.z - v.x / w.y]),
            roll_centre_by_velocity: c.y * v.y / v.z,
            roll_centre_by_planes: self.roll_centre_by_planes(solved),
            steering_arm: arm.norm(),
            rod_arm_angle: rod_arm,
            over_centre_margin: rod_arm.min(std::f64::consts::PI - rod_arm),
            outer_swing: angle(&rod_in_knuckle, &rod_rest),
            inner_swing: angle(&rod, &rod_rest),
            outer_misalignment: p.outer_joint.map(|j| misaligned(j.kind, &j.axis, &rod_in_knuckle)),
            inner_misalignment: p.inner_joint.map(|j| misaligned(j.kind, &j.axis, &rod)),
            damper_length: damper.map(|d| d.0),
            motion_ratio: damper.map(|d| d.1),
        }
    }

    /// Velocity of the top of the steering axis (a strut's mount stands still).
    fn top_velocity(&self, solved: &Solved, rise: &crate::linkage::Screw) -> Vec3 {
        match self.linkage.parts.points.upper {
            Upper::Strut { .. } => Vec3::zeros(),
            Upper::Arm { .. } => rise.at(&solved.pose.top),
        }
    }

    fn roll_centre_by_planes(&self, solved: &Solved) -> Option<f64> {
        let p = &self.linkage.parts.points;
        let (pose, c) = (&solved.pose, &solved.contact);
        // Each plane as n·x = d about C, so that no digits are lost.
        let lower = (p.lower_front - p.lower_rear).cross(&(pose.lower_ball - p.lower_rear));
        let lower_d = lower.dot(&(p.lower_rear - c));
        let (upper, upper_d) = match p.upper {
            Upper::Strut { .. } => {
                let slide = self.linkage.sliding(pose)?;
                (slide, slide.dot(&(pose.top - c)))
            }
            Upper::Arm { front, rear, .. } => {
                let normal = (front - rear).cross(&(pose.top - rear));
                (normal, normal.dot(&(rear - c)))
            }
        };
        // In the lateral plane x = x_C the two traces meet at (Y, Z)/W from C: their cross product, so that parallel
        // traces (W = 0) are no exception.
        let y = lower_d * upper.z - upper_d * lower.z;
        let z = lower.y * upper_d - upper.y * lower_d;
        // Height at y = 0: −y_C·Z/Y.
        let height = -c.y * z / y;
        height.is_finite().then_some(height)
    }
}

/// Between two directions, rad, to full precision near 0 and π too.
#[inline]
fn angle(a: &Vec3, b: &Vec3) -> f64 {
    a.cross(b).norm().atan2(a.dot(b))
}
