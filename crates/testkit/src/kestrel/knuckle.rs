//! The left front knuckle: an iron casting with machined bores, seats and faces.

use crate::kestrel::hardpoints as h;
use crate::kestrel::mesher::Zone;
use crate::kestrel::model::{Construction, PartModel, Region, SMALL, TrueFeature, TrueHardpoint};
use crate::kestrel::solid::{Solid, bar, block, frustum, half_space, plate, rod, union};
use crate::noise_field::SmoothField;
use std::sync::Arc;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_fit::feature::Side;

/// Bearing bore and hub face.
const HUB_BORE: f64 = 39.0;
const HUB_BORE_DEPTH: f64 = 25.0;
const HUB_SHOULDER_BORE: f64 = 32.0;
const HUB_DEPTH: f64 = 34.0;
const HUB_BOLT_CIRCLE: f64 = 54.0;
const HUB_BOLT_HOLE: f64 = 6.25;
/// Strut clamp: bore for a 50 mm tube, slit and pinch bolt.
const CLAMP_BORE: f64 = 25.0;
const CLAMP_HALF: f64 = 32.0;
const CLAMP_WALL: f64 = 36.5;
const SLIT: f64 = 2.0;
/// Ball-joint seat: taper 1:8, from 20 mm above the ball where it is 17.5 mm wide.
const BALL_SEAT_ABOVE: f64 = 20.0;
const BALL_SEAT_LENGTH: f64 = 20.0;
const BALL_SEAT_RADIUS: f64 = 8.75;
const BALL_SEAT_TAPER: f64 = 8.0;
/// Tie-rod seat: taper 1:10, from 16 mm above the ball where it is 13.4 mm wide.
const ROD_SEAT_ABOVE: f64 = 16.0;
const ROD_SEAT_LENGTH: f64 = 18.0;
const ROD_SEAT_RADIUS: f64 = 6.7;
const ROD_SEAT_TAPER: f64 = 10.0;
/// Brake ears: M12 clearance holes (13 mm, ISO 273 fine) in spot-faced ears.
const EAR_THICKNESS: f64 = 15.0;
const EAR_HOLE: f64 = 6.5;
const EAR_FACE: f64 = 13.0;

/// Builds the model.
pub(crate) fn model() -> PartModel {
    let n = h::hub_axis();
    let hub = h::hub_face();
    let up = Vec3::x().cross(&n);
    let strut = h::damper_axis();
    let clamp = h::point(h::STRUT_LOWER);
    let ball_stud = h::direction(h::BALL_STUD);
    let rod_stud = h::direction(h::TIE_ROD_STUD);
    let ball_seat = h::point(h::LOWER_BALL_JOINT) + ball_stud.into_inner() * BALL_SEAT_ABOVE;
    let rod_seat = h::point(h::TIE_ROD_OUTER) + rod_stud.into_inner() * ROD_SEAT_ABOVE;
    let ears =
        [h::BRAKE_MOUNT_UP, -h::BRAKE_MOUNT_UP].map(|up| h::from_hub(h::BRAKE_MOUNT_FACE, h::BRAKE_MOUNT_FORWARD, up));
    // Square to the strut: towards the car's middle, where the clamp is slit, and along the pinch bolt.
    let inboard = UnitVec3::new_normalize(-(Vec3::y() - strut.into_inner() * strut.y));
    let pinch = UnitVec3::new_normalize(strut.cross(&inboard));

    let casting = casting(&Places { n, up, strut, clamp, inboard, ball_stud, ball_seat, rod_stud, rod_seat, ears });
    let mut solid =
        Solid::Rough { solid: Box::new(casting), field: Arc::new(SmoothField::new(0x4b01, 2.2, 20)), amplitude: 0.09 };

    // Machining, in the order a shop would: faces, bores, holes, seats.
    let along = |point: Point3, d: UnitVec3, t: f64| point + d.into_inner() * t;
    solid = solid.minus(rod(hub, n, [0.0, 40.0], 72.0, 0.0), 0.6);
    solid = solid.minus(rod(hub, n, [-HUB_BORE_DEPTH, 40.0], HUB_BORE, 0.0), 0.5);
    solid = solid.minus(frustum(hub, n, [-4.0, 10.0], HUB_BORE + 1.5, 45.0_f64.to_radians()), 0.3);
    solid = solid.minus(rod(hub, n, [-90.0, 0.0], HUB_SHOULDER_BORE, 0.0), 0.8);
    // The inboard face of the ring.
    solid = solid.minus(rod(hub, n, [-90.0, -HUB_DEPTH], 46.0, 3.0), 0.8);
    let bolts: [Point3; 4] = std::array::from_fn(|i| {
        let (sin, cos) = ((i as f64 + 0.5) * 90.0).to_radians().sin_cos();
        h::from_hub(0.0, HUB_BOLT_CIRCLE * cos, HUB_BOLT_CIRCLE * sin)
    });
    for bolt in bolts {
        solid = solid.minus(rod(bolt, n, [-60.0, 10.0], HUB_BOLT_HOLE, 0.0), 0.5);
        solid = solid.minus(rod(bolt, n, [-60.0, -HUB_DEPTH + 2.0], 12.0, 1.0), 0.8);
    }
    // The clamp: ends faced, bored through above a lip, slit, pinch bolt.
    solid = solid.minus(rod(clamp, strut, [CLAMP_HALF, CLAMP_HALF + 20.0], 46.0, 1.0), 0.8);
    solid = solid.minus(rod(clamp, strut, [-CLAMP_HALF + 4.0, 90.0], CLAMP_BORE, 0.0), 0.8);
    solid = solid.minus(rod(clamp, strut, [-90.0, 0.0], CLAMP_BORE - 3.5, 0.0), 0.8);
    let pinch_centre = along(clamp, inboard, 42.0);
    solid = solid.minus(block(along(clamp, inboard, 45.0), strut, inboard.into_inner(), [45.0, SLIT, 90.0], 0.0), 0.6);
    let pinch_holes: [Point3; 2] = [11.0, -13.0].map(|t| along(pinch_centre, strut, t));
    for hole in pinch_holes {
        solid = solid.minus(rod(hole, pinch, [-60.0, 60.0], 5.25, 0.0), 0.5);
        for side in [1.0, -1.0] {
            let out = UnitVec3::new_unchecked(pinch.into_inner() * side);
            solid = solid.minus(rod(hole, out, [17.0, 50.0], 15.0, 0.8), 0.5);
        }
    }
    // Seats: both ends of each boss faced, then reamed.
    let ball_half = (0.5 / BALL_SEAT_TAPER).atan();
    solid = seat(solid, ball_seat, ball_stud, BALL_SEAT_RADIUS, ball_half, BALL_SEAT_LENGTH, 16.5);
    let rod_half = (0.5 / ROD_SEAT_TAPER).atan();
    solid = seat(solid, rod_seat, rod_stud, ROD_SEAT_RADIUS, rod_half, ROD_SEAT_LENGTH, 17.0);
    for ear in ears {
        solid = solid.minus(rod(ear, n, [0.0, 30.0], EAR_FACE + 6.0, 0.0), 0.5);
        solid = solid.minus(rod(ear, n, [-60.0, -EAR_THICKNESS], EAR_FACE + 6.0, 0.0), 0.5);
        solid = solid.minus(rod(ear, n, [-60.0, 30.0], EAR_HOLE, 0.0), 0.5);
    }
    // Wheel-speed sensor: a faced pad and a hole square to the hub axis.
    let sensor = UnitVec3::new_normalize(up * 0.62 - Vec3::x() * 0.78);
    let pad = hub - n.into_inner() * 17.0;
    solid = solid.minus(rod(pad, sensor, [64.0, 100.0], 18.0, 0.0), 0.5);
    solid = solid.minus(rod(pad, sensor, [20.0, 100.0], 8.0, 0.0), 0.5);

    let down = -ball_stud;
    let rod_down = -rod_stud;
    let slit = |from: f64, to: f64| {
        [-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5].map(|t| Region {
            ends: [
                clamp + inboard.into_inner() * from + strut.into_inner() * (t * 30.0),
                clamp + inboard.into_inner() * to + strut.into_inner() * (t * 30.0),
            ],
            radius: 18.0,
        })
    };
    let bolt_breaks = bolts.map(|b| Region::ball(b, HUB_BOLT_HOLE + 0.8));
    let features = vec![
        TrueFeature::cylinder("hub_bore", along(hub, n, -13.5), n, HUB_BORE, [-11.0, 10.5], Side::Internal)
            .role("hub_axis")
            // The speed sensor looks through its wall.
            .broken([Region { ends: [pad, along(pad, sensor, 60.0)], radius: 9.3 }])
            .dabs(3, &[-6.0, 6.0], 0.04, 6.0),
        TrueFeature::face("hub_face", hub, n, [42.0, 57.0]).role("hub_face").broken(bolt_breaks).dabs(
            4,
            &[49.5],
            0.0,
            5.0,
        ),
        TrueFeature::face("hub_shoulder", along(hub, n, -HUB_BORE_DEPTH), n, [HUB_SHOULDER_BORE + 1.2, HUB_BORE - 0.2])
            .dabs(6, &[35.8], 0.08, 3.0),
        TrueFeature::cylinder(
            "strut_clamp_bore",
            clamp,
            strut,
            CLAMP_BORE,
            [-CLAMP_HALF + 4.5, CLAMP_HALF - 1.2],
            Side::Internal,
        )
        .role("damper_axis")
        .broken([Region {
            ends: [
                along(along(clamp, inboard, CLAMP_BORE), strut, -60.0),
                along(along(clamp, inboard, CLAMP_BORE), strut, 60.0),
            ],
            radius: SLIT + 1.5,
        }])
        .dabs(4, &[-17.0, 1.0, 19.0], 0.08, 6.0),
        TrueFeature::face(
            "strut_clamp_top",
            along(clamp, strut, CLAMP_HALF),
            strut,
            [CLAMP_BORE + 1.2, CLAMP_WALL - 1.8],
        )
        .broken(slit(CLAMP_BORE - 8.0, 60.0))
        .dabs(5, &[30.8], 0.05, 4.0),
        TrueFeature::face(
            "strut_clamp_lip",
            along(clamp, strut, -CLAMP_HALF + 4.0),
            strut,
            [CLAMP_BORE - 3.5 + 1.0, CLAMP_BORE - 0.1],
        )
        .broken(slit(CLAMP_BORE - 22.0, 60.0)),
        TrueFeature::taper(
            "ball_joint_seat",
            along(ball_seat, ball_stud, 10.0),
            down,
            BALL_SEAT_RADIUS - 10.0 / (2.0 * BALL_SEAT_TAPER),
            ball_half,
            [-9.2, 9.2],
        )
        .role("lower_ball_joint")
        .cell(SMALL)
        .dabs(3, &[-4.5, 4.5], 0.0, 4.0),
        TrueFeature::face("ball_joint_boss_face", ball_seat, down, [9.6, 13.6]).cell(SMALL).dabs(5, &[11.6], 0.0, 2.2),
        TrueFeature::taper(
            "tie_rod_seat",
            along(rod_seat, rod_stud, 9.0),
            rod_down,
            ROD_SEAT_RADIUS - 9.0 / (2.0 * ROD_SEAT_TAPER),
            rod_half,
            [-8.2, 8.2],
        )
        .role("tie_rod_outer")
        .cell(SMALL)
        .dabs(3, &[-4.0, 4.0], 0.1, 3.5),
        TrueFeature::face("tie_rod_boss_face", rod_seat, rod_down, [7.6, 11.0]).cell(SMALL).dabs(5, &[9.3], 0.0, 2.2),
        ear_hole("brake_mount_1_hole", ears[0], n),
        ear_face("brake_mount_1_face", ears[0], n),
        ear_hole("brake_mount_2_hole", ears[1], n),
        ear_face("brake_mount_2_face", ears[1], n),
    ];
    let left = |role, construction| TrueHardpoint { role, side: "left", construction };
    let hardpoints = vec![
        left("hub_axis", Construction::Axis { feature: "hub_bore" }),
        left("hub_face", Construction::Face { feature: "hub_face", axis: "hub_bore" }),
        left(
            "wheel_centre",
            Construction::AxisFromFace { axis: "hub_bore", face: "hub_face", distance: h::WHEEL_CENTRE_FROM_HUB_FACE },
        ),
        left("damper_axis", Construction::Axis { feature: "strut_clamp_bore" }),
        left(
            "strut_lower",
            Construction::AxisFromFace { axis: "strut_clamp_bore", face: "strut_clamp_top", distance: -CLAMP_HALF },
        ),
        left(
            "lower_ball_joint",
            Construction::GaugePoint {
                feature: "ball_joint_seat",
                gauge_diameter: 2.0 * BALL_SEAT_RADIUS + BALL_SEAT_ABOVE / BALL_SEAT_TAPER,
            },
        ),
        left(
            "tie_rod_outer",
            Construction::GaugePoint {
                feature: "tie_rod_seat",
                gauge_diameter: 2.0 * ROD_SEAT_RADIUS + ROD_SEAT_ABOVE / ROD_SEAT_TAPER,
            },
        ),
        left("brake_mount_1", Construction::AxisAndPlane { axis: "brake_mount_1_hole", plane: "brake_mount_1_face" }),
        left("brake_mount_2", Construction::AxisAndPlane { axis: "brake_mount_2_hole", plane: "brake_mount_2_face" }),
    ];
    PartModel {
        features,
        hardpoints,
        solid,
        window: Solid::Constant { inside: true },
        bounds: [[-150.0, 550.0, 190.0], [130.0, 745.0, 450.0]],
        coarse: 5.0,
        edges: 1.2,
        // The cheeks either side of the slit are thin.
        zones: vec![Zone {
            point: along(clamp, inboard, 42.0),
            direction: inboard,
            along: [-20.0, 12.0],
            across: [0.0, 8.0],
            size: 1.56,
        }],
        unseen: vec![
            // Between the two clamp cheeks, where no light falls.
            Region {
                ends: [
                    along(along(clamp, inboard, 45.0), strut, -12.0),
                    along(along(clamp, inboard, 45.0), strut, 12.0),
                ],
                radius: 9.0,
            },
            // Depths of the sensor hole and of the pinch bolts' holes.
            Region { ends: [along(pad, sensor, 30.0), along(pad, sensor, 50.0)], radius: 9.0 },
            // A sector of the bearing bore low down in shadow, and part of the clamp's.
            Region::ball(h::from_hub(-20.0, -30.0, 26.0), 9.0),
            Region::ball(along(along(clamp, pinch, 25.0), strut, -24.0), 7.0),
            // The turntable's cup under the ring.
            Region::ball(h::from_hub(-24.0, -38.0, -45.0), 12.0),
        ],
    }
}

/// Faces both ends of a boss and reams its tapered seat; `along` runs from the wide end up.
fn seat(solid: Solid, wide: Point3, up: UnitVec3, radius: f64, half_angle: f64, length: f64, spot: f64) -> Solid {
    let taper = frustum(wide, -up, [-length - 12.0, 12.0], radius, half_angle);
    solid
        .minus(rod(wide, up, [-40.0, 0.0], spot, 0.0), 0.5)
        .minus(rod(wide, up, [length, length + 10.0], spot, 1.0), 0.5)
        .minus(taper, 0.4)
}

fn ear_hole(name: &'static str, ear: Point3, n: UnitVec3) -> TrueFeature {
    let middle = ear - n.into_inner() * (0.5 * EAR_THICKNESS);
    let half = 0.5 * EAR_THICKNESS - 0.8;
    TrueFeature::cylinder(name, middle, n, EAR_HOLE, [-half, half], Side::Internal).cell(SMALL).dabs(
        3,
        &[-3.0, 3.0],
        0.0,
        3.0,
    )
}

fn ear_face(name: &'static str, ear: Point3, n: UnitVec3) -> TrueFeature {
    TrueFeature::face(name, ear, n, [EAR_HOLE + 0.8, EAR_FACE - 0.2]).dabs(5, &[9.9], 0.0, 2.6)
}

/// Where things are.
struct Places {
    n: UnitVec3,
    up: Vec3,
    strut: UnitVec3,
    clamp: Point3,
    inboard: UnitVec3,
    ball_stud: UnitVec3,
    ball_seat: Point3,
    rod_stud: UnitVec3,
    rod_seat: Point3,
    ears: [Point3; 2],
}

/// The rough casting, machining stock included.
fn casting(at: &Places) -> Solid {
    let n = at.n;
    let hub = h::hub_face();
    let along = |point: Point3, d: UnitVec3, t: f64| point + d.into_inner() * t;
    let mid = -0.5 * HUB_DEPTH - 1.0;

    let mut ring = vec![rod(hub, n, [-HUB_DEPTH - 1.0, 2.5], 58.5, 4.0)];
    for i in 0..4 {
        let (sin, cos) = ((f64::from(i) + 0.5) * 90.0).to_radians().sin_cos();
        let lobe = h::from_hub(0.0, HUB_BOLT_CIRCLE * cos, HUB_BOLT_CIRCLE * sin);
        ring.push(rod(lobe, n, [-HUB_DEPTH - 1.0, 2.5], 14.0, 3.0));
    }
    let ring = union(5.0, ring);

    // Neck to the strut clamp: two rails with a web between them.
    let foot = |x: f64| h::from_hub(mid - 2.0, x, 44.0);
    let shoulder =
        |x: f64, t: f64| at.clamp - at.inboard.into_inner() * 26.0 + Vec3::x() * x + at.strut.into_inner() * t;
    let rails = [-1.0, 1.0].map(|side| bar(foot(side * 36.0), shoulder(side * 20.0, -2.0), 10.5, 10.0));
    let rise = UnitVec3::new_normalize(shoulder(0.0, 0.0) - foot(0.0));
    let across = UnitVec3::new_normalize(Vec3::x().cross(&rise));
    let length = (shoulder(0.0, 0.0) - foot(0.0)).norm();
    let web = plate(
        foot(0.0),
        across,
        Vec3::x(),
        &[[-32.0, -10.0], [32.0, -10.0], [18.0, length + 4.0], [-18.0, length + 4.0]],
        4.5,
        2.0,
        2.0,
    );

    // Clamp: a thick tube, and the two ears of its pinch bolts.
    let tube = rod(at.clamp, at.strut, [-CLAMP_HALF - 1.0, CLAMP_HALF + 2.0], CLAMP_WALL, 3.0);
    let ears = block(
        along(along(at.clamp, at.inboard, 36.0), at.strut, -1.0),
        at.strut,
        at.inboard.into_inner(),
        [18.0, 18.5, 26.0],
        6.0,
    );

    // Lower boss for the ball joint, carried by two legs from the ring.
    let ball_boss = rod(at.ball_seat, at.ball_stud, [-2.0, BALL_SEAT_LENGTH + 2.0], 15.5, 3.0);
    let ball_mid = along(at.ball_seat, at.ball_stud, 0.5 * BALL_SEAT_LENGTH);
    let legs = [-34.0, 46.0].map(|x| bar(h::from_hub(mid + 2.0, x, -38.0), ball_mid + Vec3::y() * 3.0, 12.0, 10.0));
    let ball_web = bar(h::from_hub(mid, h::LOWER_BALL_JOINT[0], -46.0), ball_mid + Vec3::y() * 8.0, 11.0, 10.0);

    // Steering arm, behind the axle, an I-section: a deep bar with its sides hollowed.
    let rod_boss = rod(at.rod_seat, at.rod_stud, [-2.0, ROD_SEAT_LENGTH + 2.0], 14.5, 3.0);
    let rod_mid = along(at.rod_seat, at.rod_stud, 0.5 * ROD_SEAT_LENGTH);
    let root = h::from_hub(mid - 3.0, -42.0, -8.0);
    let reach = UnitVec3::new_normalize(rod_mid - root);
    let arm_up = UnitVec3::new_normalize(at.up - reach.into_inner() * reach.dot(&at.up));
    let arm_length = (rod_mid - root).norm();
    let arm_side = UnitVec3::new_normalize(reach.cross(&arm_up));
    let arm = plate(
        root,
        arm_side,
        reach.into_inner(),
        &[[-8.0, -26.0], [arm_length, -5.0], [arm_length, 5.0], [-8.0, 22.0]],
        9.5,
        4.0,
        4.0,
    );
    let mut arm = union(5.0, vec![arm, rod_boss]);
    for side in [1.0, -1.0] {
        let hollow = plate(
            root + arm_side.into_inner() * (side * 12.0),
            arm_side,
            reach.into_inner(),
            &[[16.0, -9.0], [arm_length - 24.0, -2.5], [arm_length - 24.0, 2.5], [16.0, 7.0]],
            7.5,
            2.0,
            3.0,
        );
        arm = arm.minus(hollow, 2.0);
    }

    // Brake ears, in the plane of the ring's inboard half, each a triangular web with a hollow.
    let mut brake = Vec::new();
    for (ear, sign) in at.ears.iter().zip([1.0, -1.0]) {
        let deep = 0.5 * EAR_THICKNESS;
        brake.push(rod(*ear, n, [-EAR_THICKNESS - 2.0, 2.0], 16.5, 3.0));
        let origin = along(hub, n, h::BRAKE_MOUNT_FACE - deep);
        let outline = [
            [18.0, sign * 46.0],
            [h::BRAKE_MOUNT_FORWARD + 2.0, sign * (h::BRAKE_MOUNT_UP + 9.0)],
            [h::BRAKE_MOUNT_FORWARD + 9.0, sign * (h::BRAKE_MOUNT_UP - 6.0)],
            [46.0, sign * 8.0],
        ];
        let web = plate(origin, -n, Vec3::x(), &outline, 7.0, 3.0, 3.0);
        let hollow = |side: f64| {
            plate(
                origin + n.into_inner() * (side * 9.0),
                -n,
                Vec3::x(),
                &[[44.0, sign * 46.0], [74.0, sign * 61.0], [77.0, sign * 54.0], [57.0, sign * 30.0]],
                5.0,
                2.0,
                2.5,
            )
        };
        brake.push(web.minus(hollow(1.0), 1.5).minus(hollow(-1.0), 1.5));
    }
    let brake = union(5.0, brake);

    let sensor_pad = rod(
        hub - n.into_inner() * 17.0,
        UnitVec3::new_normalize(at.up * 0.62 - Vec3::x() * 0.78),
        [30.0, 66.0],
        13.0,
        2.0,
    );

    let mut parts = vec![ring, tube, ears, web, arm, brake, ball_boss, ball_web, sensor_pad];
    parts.extend(rails);
    parts.extend(legs);
    let whole = union(7.0, parts);
    // Nothing stands proud of the ring's machined face.
    Solid::Common { parts: vec![whole, half_space(along(hub, n, 2.5), n)], round: 1.0 }
}
