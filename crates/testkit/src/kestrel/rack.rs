//! The steering rack behind the axle: housing tubes on the rack's axis, a ball on either
//! end of the bar, and two feet that stand on the cross-member.

use crate::kestrel::hardpoints as h;
use crate::kestrel::model::{Construction, PartModel, Region, SMALL, TrueFeature, TrueHardpoint};
use crate::kestrel::solid::{Solid, bar, block, plate, rod, union};
use crate::kestrel::targets::{TARGET_HEIGHT, target_features, with_targets};
use crate::noise_field::SmoothField;
use std::sync::Arc;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_fit::feature::Side;

const TUBE: f64 = 23.0;
const BAR: f64 = 13.0;
const NECK: f64 = 7.0;
const BALL: f64 = 15.0;
/// The housing ends this far from the middle.
const HOUSING: f64 = 222.0;
/// The feet: where along the rack, how far behind its axis the bolts stand, how far below it the faces.
const FEET: [f64; 2] = [88.0, -160.0];
const FOOT_BEHIND: f64 = 44.0;
const FOOT_BELOW: f64 = 20.0;
const FOOT_THICKNESS: f64 = 16.0;
const FOOT_HOLE: f64 = 6.5;
/// The pinion's housing crosses the rack on the driver's side, which is the left.
const PINION: f64 = 168.0;

/// The magnetic balls' places on its steel collars, a port's cap and the damper plug: they stay on the rack from the
/// scan of the whole car to that on the bench. Each with the way from its centre to what it stands on.
pub(crate) fn targets() -> [(Point3, UnitVec3); 4] {
    let at = |along: f64| h::rack_middle() + Vec3::y() * along;
    let stand = |from: Point3, out: UnitVec3, reach: f64| (from + out.into_inner() * (reach + TARGET_HEIGHT), -out);
    let port = UnitVec3::new_normalize(Vec3::z() + Vec3::x() * 0.5);
    let plug = UnitVec3::new_normalize(Vec3::x() + Vec3::z() * 0.25);
    [
        stand(at(17.0 - HOUSING), Vec3::z_axis(), 27.0),
        stand(at(HOUSING - 17.0), -Vec3::x_axis(), 27.0),
        stand(at(-140.0), port, 35.0),
        stand(at(PINION), plug, 52.0),
    ]
}

/// Builds the model.
pub(crate) fn model() -> PartModel {
    let y = Vec3::y_axis();
    let middle = h::rack_middle();
    let at = |along: f64| middle + Vec3::y() * along;
    let down = -Vec3::z_axis();
    let pinion = h::direction([-0.30, -0.22, 0.93]);
    let feet = FEET.map(|along| at(along) - Vec3::x() * FOOT_BEHIND - Vec3::z() * FOOT_BELOW);

    let cast = Solid::Rough {
        solid: Box::new(housing(pinion, &feet)),
        field: Arc::new(SmoothField::new(0x4b03, 2.4, 20)),
        amplitude: 0.06,
    };
    // The tubes are drawn, not cast: their skin is smooth. They are machined proud of the casting.
    let mut solid = union(3.0, vec![cast, rod(middle, y, [-HOUSING + 8.0, HOUSING - 8.0], TUBE, 1.0)]);
    for foot in feet {
        solid = solid.minus(rod(foot, down, [0.0, 30.0], 20.0, 0.0), 0.7);
        solid = solid.minus(rod(foot, down, [-40.0, -FOOT_THICKNESS], 12.5, 1.0), 0.7);
        solid = solid.minus(rod(foot, down, [-60.0, 30.0], FOOT_HOLE, 0.0), 0.6);
    }
    // The bar: ground, through the housing, with a neck and a ball at either end.
    let reach = h::TIE_ROD_INNER[1];
    solid = union(
        1.2,
        vec![
            solid,
            rod(middle, y, [-reach + 34.0, reach - 34.0], BAR, 1.0),
            union(
                1.5,
                vec![
                    rod(middle, y, [-reach, reach], NECK, 0.0),
                    Solid::Sphere { centre: at(reach), radius: BALL },
                    Solid::Sphere { centre: at(-reach), radius: BALL },
                ],
            ),
        ],
    );

    let solid = with_targets(solid, targets());

    let tube = |name, from: f64, to: f64| {
        let half = 0.5 * (to - from);
        TrueFeature::cylinder(name, at(0.5 * (from + to)), y, TUBE, [-half, half], Side::External)
            .role("rack_axis")
            .dabs(3, &[-half * 0.6, half * 0.6], 0.05, 7.0)
    };
    let ball = |name, side: f64| {
        TrueFeature::ball(name, at(side * reach), BALL, UnitVec3::new_unchecked(Vec3::y() * -side), [-BALL, 9.5])
            .role("tie_rod_inner")
            .dabs(4, &[-7.0, 4.0], 0.06, 4.0)
    };
    let rod_of_bar = |name, from: f64, to: f64| {
        let half = 0.5 * (to - from);
        TrueFeature::cylinder(name, at(0.5 * (from + to)), y, BAR, [-half, half], Side::External)
            .role("rack_axis")
            .dabs(3, &[-half * 0.5, half * 0.5], 0.1, 5.0)
    };
    let foot_face =
        |name, foot| TrueFeature::face(name, foot, down, [FOOT_HOLE + 1.0, 14.5]).dabs(5, &[10.8], 0.02, 3.0);
    let foot_hole = |name, foot: Point3| {
        let half = 0.5 * FOOT_THICKNESS;
        TrueFeature::cylinder(
            name,
            foot - down.into_inner() * half,
            down,
            FOOT_HOLE,
            [-half + 1.2, half - 1.0],
            Side::Internal,
        )
        .cell(SMALL)
        .dabs(3, &[-4.4, 4.4], 0.0, 2.6)
    };
    let mut features = vec![
        tube("tube_right", -120.0, -28.0),
        tube("tube_left", 11.0, 52.0),
        rod_of_bar("bar_left", HOUSING + 14.0, reach - 36.0),
        rod_of_bar("bar_right", -reach + 36.0, -HOUSING - 14.0),
        ball("ball_left", 1.0),
        ball("ball_right", -1.0),
        foot_face("foot_face_1", feet[0]),
        foot_hole("foot_hole_1", feet[0]),
        foot_face("foot_face_2", feet[1]),
        foot_hole("foot_hole_2", feet[1]),
    ];
    features.extend(target_features(["target_1", "target_2", "target_3", "target_4"], targets()));
    let hardpoints = vec![
        TrueHardpoint {
            role: "tie_rod_inner",
            side: "left",
            construction: Construction::SphereCentre { feature: "ball_left" },
        },
        TrueHardpoint {
            role: "tie_rod_inner",
            side: "right",
            construction: Construction::SphereCentre { feature: "ball_right" },
        },
        TrueHardpoint {
            role: "rack_axis",
            side: "left",
            construction: Construction::AxisThroughCentres { features: ["ball_right", "ball_left"] },
        },
    ];
    PartModel {
        features,
        hardpoints,
        solid,
        window: Solid::Constant { inside: true },
        bounds: [[-200.0, -355.0, 180.0], [-25.0, 355.0, 360.0]],
        coarse: 4.0,
        edges: 1.2,
        zones: Vec::new(),
        unseen: vec![
            // Its underside lay on the bench.
            Region { ends: [at(-110.0) - Vec3::z() * 27.0, at(-60.0) - Vec3::z() * 27.0], radius: 9.0 },
            Region::ball(at(30.0) - Vec3::z() * 22.0, 9.0),
            Region::ball(at(-reach) - Vec3::z() * 14.0, 6.0),
            Region { ends: [feet[1] + Vec3::z() * 7.0, feet[1] + Vec3::z() * 9.0], radius: 6.7 },
        ],
    }
}

fn housing(pinion: UnitVec3, feet: &[Point3; 2]) -> Solid {
    let y = Vec3::y_axis();
    let middle = h::rack_middle();
    let at = |along: f64| middle + Vec3::y() * along;
    let mut parts = Vec::new();
    // Collars at both ends, with a groove for the bellows' clip.
    for (from, to) in [(-HOUSING, -HOUSING + 34.0), (HOUSING - 34.0, HOUSING)] {
        let collar = rod(middle, y, [from, to], 27.0, 2.0);
        let middle_of = 0.5 * (from + to);
        let groove = rod(middle, y, [middle_of - 3.0, middle_of + 3.0], 60.0, 0.0)
            .minus(rod(middle, y, [-300.0, 300.0], 25.2, 0.0), 0.0);
        parts.push(collar.minus(groove, 0.8));
    }
    // The pinion's tower, its cover, the input shaft, and the damper plug across from it.
    let cross = at(PINION) + Vec3::x() * -12.0;
    parts.push(rod(cross, pinion, [-34.0, 52.0], 24.0, 4.0));
    parts.push(rod(cross, pinion, [44.0, 58.0], 27.0, 2.0));
    parts.push(rod(cross, pinion, [50.0, 92.0], 9.0, 1.5));
    let plug = UnitVec3::new_normalize(Vec3::x() + Vec3::z() * 0.25);
    parts.push(rod(at(PINION), plug, [0.0, 44.0], 21.0, 3.0));
    parts.push(rod(at(PINION), plug, [40.0, 52.0], 12.0, 2.0));
    parts.push(rod(middle, y, [PINION - 42.0, HOUSING - 10.0], 28.0, 5.0));
    // Two ports on the long tube, and the pipe bosses' pads.
    for along in [-8.0, -140.0] {
        let port = UnitVec3::new_normalize(Vec3::z() + Vec3::x() * 0.5);
        parts.push(rod(at(along), port, [0.0, 35.0], 8.5, 1.5));
        parts.push(rod(at(along), y, [-11.0, 11.0], TUBE + 2.0, 2.0));
    }
    // The feet, each a saddle round the tube with a web down to its pad.
    for (foot, along) in feet.iter().zip(FEET) {
        parts.push(rod(at(along), y, [-17.0, 17.0], TUBE + 6.0, 4.0));
        parts.push(rod(*foot, Vec3::z_axis(), [-2.0, FOOT_THICKNESS + 1.0], 16.5, 3.0));
        parts.push(plate(
            at(along),
            y,
            Vec3::x(),
            &[
                [-FOOT_BEHIND, -FOOT_BELOW],
                [10.0, -18.0],
                [6.0, 18.0],
                [-FOOT_BEHIND, -FOOT_BELOW + FOOT_THICKNESS - 3.0],
            ],
            7.0,
            2.0,
            3.0,
        ));
        parts.push(block(foot + Vec3::new(16.0, 0.0, 5.0), Vec3::z_axis(), Vec3::x(), [20.0, 13.0, 6.0], 3.0));
    }
    parts.push(bar(at(86.0), at(PINION - 30.0), TUBE + 0.5, 26.0));
    union(5.0, parts)
}
