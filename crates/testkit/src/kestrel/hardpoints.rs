//! The one table of the Kestrel's geometry: an invented car, left front corner.
//!
//! ISO 8855 vehicle axes: x forward, y left, z up, origin on the ground under the front
//! axle centre; mm. The right side is the mirror image, but for [`RIGHT_TOWER_OFFSET`].
//!
//! How the values hang together (all from the geometry below, at rest):
//! - caster 3.96°, kingpin inclination 11.55°, scrub radius 7.9 mm, trail 27.3 mm;
//! - the strut leans 7.5° inboard, so that it clears a 205 mm tyre, and 4.1° back;
//! - bump steer is near neutral: the tie rod's outer ball lies 40 mm above the lower ball
//!   joint and its inner one 36 mm above the arm's axis, and the rod is about as long as
//!   the arm; toe changes by under 0.03° over ±40 mm of wheel travel (solved as a closed
//!   linkage; common practice asks for 0.1° or better, no source).

use stringline_core::{Point3, UnitVec3, Vec3};

/// Wheelbase, mm.
pub const WHEELBASE: f64 = 2520.0;
/// Front track between the tyres' contact centres, mm.
pub const FRONT_TRACK: f64 = 1480.0;
/// The tyre's size, as on its wall: width 205 mm, side wall half of that, rim 16 inches.
pub const TYRE: &str = "205/50R16";
/// Free radius of that tyre: 16 · 25.4 / 2 + 0.5 · 205, mm.
pub const TYRE_FREE_RADIUS: f64 = 305.7;
/// Loaded radius, wheel centre to contact centre, mm.
pub const TYRE_LOADED_RADIUS: f64 = 295.0;
/// Static camber: the wheel's top leans inboard, degrees.
pub const STATIC_CAMBER_DEG: f64 = -1.0;
/// The wheel centre lies this far outboard of the knuckle's hub face (hub unit 44, rim inset 38), mm.
pub const WHEEL_CENTRE_FROM_HUB_FACE: f64 = 6.0;

/// Upper pivot: centre of the strut tower's top face.
pub const STRUT_TOP: [f64; 3] = [-31.0, 560.0, 842.0];
/// On the strut's sliding axis, middle of the knuckle's clamp.
pub const STRUT_LOWER: [f64; 3] = [1.0, 618.0, 400.0];
/// The spring's lower seat, this far above [`STRUT_LOWER`] along the sliding axis, mm. On no scan.
pub const SPRING_SEAT_ABOVE_CLAMP: f64 = 205.0;
/// Centre of the ball between lower arm and knuckle.
pub const LOWER_BALL_JOINT: [f64; 3] = [13.0, 690.0, 206.0];
/// Middle of the arm's front bushing.
pub const LOWER_ARM_FRONT: [f64; 3] = [186.0, 366.0, 214.0];
/// Middle of the arm's rear bushing: both share one axis.
pub const LOWER_ARM_REAR: [f64; 3] = [-56.0, 352.0, 220.0];
/// Centre of the ball at the steering arm, behind the axle.
pub const TIE_ROD_OUTER: [f64; 3] = [-109.0, 668.0, 246.0];
/// Centre of the ball at the rack's end; the rack's axis runs through it, along y.
pub const TIE_ROD_INNER: [f64; 3] = [-116.0, 331.0, 255.0];
/// Middle of the anti-roll bar link's hole in the lower arm.
pub const ANTI_ROLL_LINK: [f64; 3] = [64.0, 588.0, 199.0];
/// The ball joint's stud at rest leans a little towards the steering axis.
pub const BALL_STUD: [f64; 3] = [-0.035, -0.1, 1.0];
/// The tie rod's stud at rest.
pub const TIE_ROD_STUD: [f64; 3] = [0.0, -0.06, 1.0];

/// Brake ears: forward of the hub axis and above it, square to it; the face's distance
/// from the hub face along the hub axis (inboard is negative), mm.
pub const BRAKE_MOUNT_FORWARD: f64 = 90.0;
/// See [`BRAKE_MOUNT_FORWARD`]: mount 1 this far above the hub axis, mount 2 as far below.
pub const BRAKE_MOUNT_UP: f64 = 68.0;
/// See [`BRAKE_MOUNT_FORWARD`].
pub const BRAKE_MOUNT_FACE: f64 = -16.0;

/// The right tower stands off the mirror image of the left one: an old knock, mm.
pub const RIGHT_TOWER_OFFSET: [f64; 3] = [-0.8, 1.6, 0.5];

/// A table entry as a point.
pub fn point(p: [f64; 3]) -> Point3 {
    Point3::from(p)
}

/// A table entry as a direction.
pub fn direction(d: [f64; 3]) -> UnitVec3 {
    UnitVec3::new_normalize(Vec3::from(d))
}

/// The wheel's spin axis, outboard: camber tips it up (inclination = −asin n_z, ISO 8855).
pub fn hub_axis() -> UnitVec3 {
    let (sin, cos) = (-STATIC_CAMBER_DEG.to_radians()).sin_cos();
    UnitVec3::new_unchecked(Vec3::new(0.0, cos, sin))
}

/// From the contact centre, half the track out, up the wheel's plane.
pub fn wheel_centre() -> Point3 {
    let (sin, cos) = (-STATIC_CAMBER_DEG.to_radians()).sin_cos();
    Point3::new(0.0, 0.5 * FRONT_TRACK - TYRE_LOADED_RADIUS * sin, TYRE_LOADED_RADIUS * cos)
}

/// Centre of the knuckle's hub face.
pub fn hub_face() -> Point3 {
    wheel_centre() - hub_axis().into_inner() * WHEEL_CENTRE_FROM_HUB_FACE
}

/// The strut's sliding axis, upwards.
pub fn damper_axis() -> UnitVec3 {
    UnitVec3::new_normalize(point(STRUT_TOP) - point(STRUT_LOWER))
}

/// The lower arm's axis, forwards.
pub fn lower_arm_axis() -> UnitVec3 {
    UnitVec3::new_normalize(point(LOWER_ARM_FRONT) - point(LOWER_ARM_REAR))
}

/// The lower arm's plane normal, upwards: square to its axis and to the line to the ball.
pub fn lower_arm_normal() -> UnitVec3 {
    let out = point(LOWER_BALL_JOINT) - point(LOWER_ARM_REAR);
    UnitVec3::new_normalize(lower_arm_axis().cross(&out))
}

/// Where the hub face's plane and the brake ears are measured: `along` the hub axis from
/// the hub face (outboard), `forward` and `up` square to it.
pub fn from_hub(along: f64, forward: f64, up: f64) -> Point3 {
    let n = hub_axis();
    hub_face() + n.into_inner() * along + Vec3::x() * forward + Vec3::x().cross(&n) * up
}

/// On the rack's axis, in the car's plane of symmetry.
pub fn rack_middle() -> Point3 {
    Point3::new(TIE_ROD_INNER[0], 0.0, TIE_ROD_INNER[2])
}

/// The right strut tower's pivot, as found.
pub fn right_strut_top() -> Point3 {
    mirrored(point(STRUT_TOP)) + Vec3::from(RIGHT_TOWER_OFFSET)
}

/// The mirror image in the car's plane of symmetry.
pub fn mirrored(p: Point3) -> Point3 {
    Point3::new(p.x, -p.y, p.z)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_steering_axis_is_as_described() {
        // ISO 8855 signs (see the reference list): caster = atan2(−k_x, k_z), kingpin = atan2(−k_y, k_z).
        let k = point(STRUT_TOP) - point(LOWER_BALL_JOINT);
        assert!(((-k.x).atan2(k.z).to_degrees() - 3.96).abs() < 0.01);
        assert!(((-k.y).atan2(k.z).to_degrees() - 11.55).abs() < 0.01);
        let ground = point(LOWER_BALL_JOINT) - k * (LOWER_BALL_JOINT[2] / k.z);
        assert!((0.5 * FRONT_TRACK - ground.y - 7.9).abs() < 0.05);
        assert!((ground.x - 27.3).abs() < 0.05);
    }

    #[test]
    fn the_wheel_stands_on_its_track() {
        // The contact centre lies a loaded radius down the wheel's plane, on the ground.
        let down = hub_axis().cross(&Vec3::x());
        let contact = wheel_centre() + down * TYRE_LOADED_RADIUS;
        assert!((contact - Point3::new(0.0, 740.0, 0.0)).norm() < 1e-9);
    }
}
