//! The left lower arm: a forging with two bushing eyes on one axis, a flange that a ball
//! joint bolts to, and a hole for the anti-roll bar's link.

use crate::kestrel::hardpoints as h;
use crate::kestrel::model::{Construction, PartModel, Region, SMALL, TrueFeature, TrueHardpoint};
use crate::kestrel::solid::{Solid, block, plate, rod, union};
use crate::noise_field::SmoothField;
use std::sync::Arc;
use stringline_core::{Point3, UnitVec3};
use stringline_fit::feature::Side;

/// A bushing eye: bore, half length between its faced ends, outer radius.
struct Eye {
    bore: f64,
    half: f64,
    outer: f64,
}

const FRONT_EYE: Eye = Eye { bore: 20.0, half: 22.0, outer: 27.0 };
const REAR_EYE: Eye = Eye { bore: 23.0, half: 25.0, outer: 30.5 };
/// The joint's flange: face below the ball, thickness, bore, and its three M10 clearance holes.
const FLANGE_BELOW_BALL: f64 = 14.0;
const FLANGE_THICKNESS: f64 = 11.0;
const JOINT_BORE: f64 = 19.0;
const JOINT_BOLT_CIRCLE: f64 = 31.0;
const JOINT_BOLT_HOLE: f64 = 5.25;
/// The link's hole (M12, 13 mm: ISO 273 fine) and half the distance between its faces.
const LINK_HOLE: f64 = 6.5;
const LINK_HALF: f64 = 11.0;

/// Builds the model.
pub(crate) fn model() -> PartModel {
    let axis = h::lower_arm_axis();
    let up = h::lower_arm_normal();
    let out = UnitVec3::new_normalize(up.cross(&axis));
    let front = h::point(h::LOWER_ARM_FRONT);
    let rear = h::point(h::LOWER_ARM_REAR);
    let ball = h::point(h::LOWER_BALL_JOINT);
    let link = h::point(h::ANTI_ROLL_LINK);
    let flange = ball - up.into_inner() * FLANGE_BELOW_BALL;
    let bolts: [Point3; 3] = std::array::from_fn(|i| {
        let (sin, cos) = (i as f64 * 120.0 + 30.0).to_radians().sin_cos();
        flange + (axis.into_inner() * cos + out.into_inner() * sin) * JOINT_BOLT_CIRCLE
    });

    let forging = forging(axis, up, out, flange, &bolts);
    let mut solid =
        Solid::Rough { solid: Box::new(forging), field: Arc::new(SmoothField::new(0x4b02, 3.0, 20)), amplitude: 0.07 };
    for (at, eye) in [(front, &FRONT_EYE), (rear, &REAR_EYE)] {
        for side in [axis, -axis] {
            let faced = rod(at, side, [eye.half, eye.half + 20.0], eye.outer + 1.2, 0.0);
            solid = solid.minus(faced, 0.7);
        }
        solid = solid.minus(rod(at, axis, [-60.0, 60.0], eye.bore, 0.0), 0.8);
    }
    solid = solid.minus(rod(flange, up, [0.0, 40.0], 52.0, 0.0), 0.7);
    solid = solid.minus(rod(flange, up, [-40.0, -FLANGE_THICKNESS], 30.0, 2.0), 0.7);
    solid = solid.minus(rod(flange, up, [-40.0, 40.0], JOINT_BORE, 0.0), 0.7);
    for bolt in bolts {
        solid = solid.minus(rod(bolt, up, [-40.0, 40.0], JOINT_BOLT_HOLE, 0.0), 0.5);
        let seat = rod(bolt, up, [-40.0, -FLANGE_THICKNESS], 10.5, 1.0);
        solid = solid.minus(seat, 0.7);
    }
    for side in [up, -up] {
        let faced = rod(link, side, [LINK_HALF, LINK_HALF + 20.0], 16.0, 1.0);
        solid = solid.minus(faced, 0.7);
    }
    solid = solid.minus(rod(link, up, [-40.0, 40.0], LINK_HOLE, 0.0), 0.6);

    let bolt_breaks = bolts.map(|b| Region::ball(b, JOINT_BOLT_HOLE + 0.8));
    let joint_middle = flange - up.into_inner() * (0.5 * FLANGE_THICKNESS);
    let joint_half = 0.5 * FLANGE_THICKNESS - 1.0;
    let [face_up, face_down] = [up, -up].map(|side| link + side.into_inner() * LINK_HALF);
    let eye_face = |name, at: Point3, side: UnitVec3, eye: &Eye| {
        TrueFeature::face(name, at + side.into_inner() * eye.half, side, [eye.bore + 1.0, eye.outer - 1.6]).dabs(
            5,
            &[0.5 * (eye.bore + eye.outer) - 0.3],
            0.06,
            2.6,
        )
    };
    let eye_bore = |name, role, at, eye: &Eye| {
        let reach = eye.half - 1.2;
        TrueFeature::cylinder(name, at, axis, eye.bore, [-reach, reach], Side::Internal).role(role).dabs(
            3,
            &[-13.0, 13.0],
            0.0,
            5.0,
        )
    };
    let features = vec![
        eye_bore("front_bush_bore", "lower_arm_front", front, &FRONT_EYE),
        eye_face("front_bush_face_1", front, axis, &FRONT_EYE),
        eye_face("front_bush_face_2", front, -axis, &FRONT_EYE),
        eye_bore("rear_bush_bore", "lower_arm_rear", rear, &REAR_EYE),
        eye_face("rear_bush_face_1", rear, axis, &REAR_EYE),
        eye_face("rear_bush_face_2", rear, -axis, &REAR_EYE),
        TrueFeature::face("joint_flange", flange, up, [JOINT_BORE + 1.0, 28.0])
            .role("lower_ball_joint")
            .broken(bolt_breaks)
            .dabs(3, &[24.3], 0.25, 3.8),
        TrueFeature::cylinder("joint_bore", joint_middle, up, JOINT_BORE, [-joint_half, joint_half], Side::Internal)
            .role("lower_ball_joint")
            .dabs(5, &[0.0], 0.0, 3.5),
        TrueFeature::cylinder("link_hole", link, up, LINK_HOLE, [-LINK_HALF + 1.0, LINK_HALF - 1.0], Side::Internal)
            .role("anti_roll_link")
            .cell(SMALL)
            .dabs(3, &[-4.0, 4.0], 0.0, 3.0),
        TrueFeature::face("link_face_1", face_up, up, [LINK_HOLE + 1.0, 12.0]).cell(SMALL).dabs(5, &[9.6], 0.0, 2.2),
        TrueFeature::face("link_face_2", face_down, -up, [LINK_HOLE + 1.0, 12.0]).cell(SMALL).dabs(5, &[9.6], 0.0, 2.2),
    ];
    let left = |role, construction| TrueHardpoint { role, side: "left", construction };
    let hardpoints = vec![
        left(
            "lower_arm_front",
            Construction::AxisAndMidPlane {
                axis: "front_bush_bore",
                faces: ["front_bush_face_1", "front_bush_face_2"],
            },
        ),
        left(
            "lower_arm_rear",
            Construction::AxisAndMidPlane { axis: "rear_bush_bore", faces: ["rear_bush_face_1", "rear_bush_face_2"] },
        ),
        left(
            "lower_ball_joint",
            Construction::AxisFromFace { axis: "joint_bore", face: "joint_flange", distance: FLANGE_BELOW_BALL },
        ),
        left(
            "anti_roll_link",
            Construction::AxisAndMidPlane { axis: "link_hole", faces: ["link_face_1", "link_face_2"] },
        ),
    ];
    PartModel {
        features,
        hardpoints,
        solid,
        window: Solid::Constant { inside: true },
        bounds: [[-110.0, 300.0, 150.0], [240.0, 760.0, 265.0]],
        coarse: 5.0,
        edges: 1.2,
        zones: Vec::new(),
        unseen: vec![
            // It lay on two blocks: under the front leg and under the web.
            Region::ball(Point3::new(130.0, 468.0, 192.0), 17.0),
            Region::ball(Point3::new(-20.0, 520.0, 190.0), 14.0),
            // Deep in the rear eye, on one side.
            Region::ball(rear + up.into_inner() * 21.0, 8.0),
            // The far side of a bolt hole.
            Region::ball(bolts[1] - up.into_inner() * 6.0, 4.0),
        ],
    }
}

/// An I-section from one end to the other: a tapered plate, hollowed on both sides.
fn leg(from: Point3, to: Point3, up: UnitVec3, widths: [f64; 2], ends: [f64; 2]) -> Solid {
    let reach = to - from;
    let length = reach.norm();
    let z = UnitVec3::new_normalize(up.into_inner() - reach * (up.dot(&reach) / (length * length)));
    let [wide, narrow] = widths;
    let outline = [[0.0, -wide], [length, -narrow], [length, narrow], [0.0, wide]];
    let mut leg = plate(from, z, reach, &outline, 11.0, 3.0, 4.0);
    for side in [1.0, -1.0] {
        let at = |t: f64| {
            let width = wide + (narrow - wide) * t / length;
            width - 8.0
        };
        let hollow = plate(
            from + z.into_inner() * (side * 13.5),
            z,
            reach,
            &[
                [ends[0], -at(ends[0])],
                [length - ends[1], -at(length - ends[1])],
                [length - ends[1], at(length - ends[1])],
                [ends[0], at(ends[0])],
            ],
            9.5,
            3.0,
            3.5,
        );
        leg = leg.minus(hollow, 2.0);
    }
    leg
}

fn forging(axis: UnitVec3, up: UnitVec3, out: UnitVec3, flange: Point3, bolts: &[Point3; 3]) -> Solid {
    let front = h::point(h::LOWER_ARM_FRONT);
    let rear = h::point(h::LOWER_ARM_REAR);
    let link = h::point(h::ANTI_ROLL_LINK);
    let down = -up.into_inner();
    let eye = |at: Point3, eye: &Eye| rod(at, axis, [-eye.half - 2.0, eye.half + 2.0], eye.outer, 3.0);
    let hub = flange + down * (0.5 * FLANGE_THICKNESS);
    // The legs leave the eyes at the height of their axis and dip to the flange.
    let legs = [
        leg(front, hub - out.into_inner() * 16.0, up, [20.0, 17.0], [40.0, 92.0]),
        leg(rear, hub - out.into_inner() * 16.0, up, [23.0, 19.0], [44.0, 66.0]),
    ];
    // A thin web closes the fork where the legs meet.
    let fork = |at: Point3, share: f64| at + (hub - at) * share;
    let corner = |p: Point3| {
        let w = p - hub;
        [axis.dot(&w), out.dot(&w)]
    };
    let web = plate(
        hub + down * -3.0,
        up,
        axis.into_inner(),
        &[corner(fork(rear, 0.62)), corner(fork(front, 0.66)), [0.0, -10.0]],
        4.0,
        2.0,
        2.0,
    );
    let lobes: Vec<Solid> = bolts
        .iter()
        .map(|&bolt| rod(bolt, up, [-FLANGE_THICKNESS - 2.0, 2.0], 12.5, 3.0))
        .chain([rod(flange, up, [-FLANGE_THICKNESS - 2.0, 2.0], 29.5, 3.0)])
        .collect();
    let boss = rod(link, up, [-LINK_HALF - 1.5, LINK_HALF + 1.5], 14.5, 2.0);
    // A short horn under the front leg, where the forging was held.
    let grip = block(front + (hub - front) * 0.4 + down * 10.0, up, hub - front, [11.0, 6.0, 8.0], 3.0);
    let mut parts = vec![eye(front, &FRONT_EYE), eye(rear, &REAR_EYE), union(8.0, lobes), web, boss, grip];
    parts.extend(legs);
    union(7.0, parts)
}
