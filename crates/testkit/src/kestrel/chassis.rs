//! The chassis pick-ups: strut towers left and right, and the left lower arm's brackets.
//!
//! Seen from inside the engine bay and from below, as far as a scanner gets.

use crate::kestrel::hardpoints as h;
use crate::kestrel::model::{Construction, PartModel, Region, SMALL, TrueFeature, TrueHardpoint};
use crate::kestrel::solid::{Solid, bar, block, frustum, half_space, plate, rod, union};
use crate::kestrel::targets::{TARGET_HEIGHT, target_features, with_targets};
use crate::noise_field::SmoothField;
use std::sync::Arc;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_fit::feature::Side;

const TOWER: f64 = 90.0;
const TOWER_HOLE: f64 = 32.0;
const TOWER_PLATE: f64 = 12.0;
const STUD_CIRCLE: f64 = 62.0;
const STUD_HOLE: f64 = 5.25;
/// Brackets: half the gap that takes the bushing, plate thickness, bolt hole (M14, 15 mm: ISO 273 fine).
const BRACKET_GAP: [f64; 2] = [23.0, 26.0];
const BRACKET_PLATE: f64 = 8.0;
const BRACKET_HOLE: f64 = 7.5;
/// The inner wing leans out with height: its normal's z for each y.
const PANEL_LEAN: f64 = -0.32;

/// One side of the car: its mirror sign, and how far it is off the drawing.
#[derive(Clone, Copy)]
struct CarSide {
    sign: f64,
    offset: Vec3,
}

impl CarSide {
    fn point(self, x: f64, y: f64, z: f64) -> Point3 {
        Point3::new(x, self.sign * y, z) + self.offset
    }

    fn vector(self, x: f64, y: f64, z: f64) -> Vec3 {
        Vec3::new(x, self.sign * y, z)
    }

    fn direction(self, x: f64, y: f64, z: f64) -> UnitVec3 {
        UnitVec3::new_normalize(self.vector(x, y, z))
    }

    fn top(self) -> Point3 {
        let [x, y, z] = h::STRUT_TOP;
        self.point(x, y, z)
    }

    fn strut(self) -> UnitVec3 {
        let d = h::damper_axis();
        self.direction(d.x, d.y, d.z)
    }

    fn studs(self) -> [Point3; 3] {
        let strut = self.strut();
        let ahead = UnitVec3::new_normalize(Vec3::x() - strut.into_inner() * strut.x);
        let outboard = strut.cross(&ahead) * self.sign;
        std::array::from_fn(|i| {
            let (sin, cos) = (i as f64 * 120.0 + 40.0).to_radians().sin_cos();
            self.top() + (ahead.into_inner() * cos + outboard * sin) * STUD_CIRCLE
        })
    }
}

/// The magnetic balls that stay on the body from the scan of the whole car to those of its sides: on the inner
/// wing, the leg, the shelf and the rail. Each with the way from its centre to what it stands on.
fn targets(side: CarSide) -> [(Point3, UnitVec3); 4] {
    let up = |x: f64, y: f64, z: f64| (side.point(x, y, z + TARGET_HEIGHT), -Vec3::z_axis());
    // The inner wing's skin on the engine's side, by height.
    let panel = |x: f64, z: f64| {
        let outboard = side.direction(0.0, 1.0, PANEL_LEAN);
        let middle = side.point(x, 512.0 - (z - 620.0) * PANEL_LEAN, z);
        (middle - outboard.into_inner() * (14.0 + TARGET_HEIGHT), outboard)
    };
    if side.sign > 0.0 {
        [panel(190.0, 680.0), panel(215.0, 500.0), up(-110.0, 405.0, 454.0), up(175.0, 605.0, 820.0)]
    } else {
        [up(94.0, 605.0, 820.0), up(-148.0, 600.0, 820.0), panel(98.0, 738.0), up(-20.0, 672.0, 828.0)]
    }
}

/// The targets on the left and on the right, as they stand.
pub(crate) fn all_targets() -> [[(Point3, UnitVec3); 4]; 2] {
    [left_side(), right_side()].map(targets)
}

fn left_side() -> CarSide {
    CarSide { sign: 1.0, offset: Vec3::zeros() }
}

fn right_side() -> CarSide {
    CarSide { sign: -1.0, offset: Vec3::from(h::RIGHT_TOWER_OFFSET) }
}

/// Pressed sheet: gently wavy, as spot-welded panels are.
fn sheet(solid: Solid, seed: u64) -> Solid {
    Solid::Rough { solid: Box::new(solid), field: Arc::new(SmoothField::new(seed, 14.0, 20)), amplitude: 0.16 }
}

/// The tower with its top plate, the panel it stands in, and the rails above and below.
fn upper(side: CarSide) -> Solid {
    let top = side.top();
    let strut = side.strut();
    let mut parts = vec![
        frustum(top, -strut, [0.0, 330.0], TOWER, 2.5_f64.to_radians()),
        // The wing's rail, outboard, and the chassis leg, below.
        block(side.point(30.0, 688.0, 806.0), side.direction(0.0, 0.0, 1.0), Vec3::x(), [320.0, 42.0, 22.0], 7.0),
        block(side.point(30.0, 425.0, 402.0), side.direction(0.0, 0.0, 1.0), Vec3::x(), [320.0, 36.0, 52.0], 9.0),
        // The inner wing leans out from leg to rail.
        block(
            side.point(30.0, 512.0, 620.0),
            side.direction(0.0, 1.0, PANEL_LEAN),
            Vec3::x(),
            [320.0, 210.0, 14.0],
            3.0,
        ),
        // A shelf from the inner wing and the tower to the rail.
        block(side.point(30.0, 625.0, 812.0), side.direction(0.0, 0.0, 1.0), Vec3::x(), [320.0, 75.0, 8.0], 3.0),
    ];
    // Beads pressed into the panel, and a gusset either side of the tower.
    for (x, z) in [(170.0, 560.0), (170.0, 640.0), (170.0, 720.0)] {
        let on_panel = |x: f64| side.point(x, 499.0 - (z - 620.0) * PANEL_LEAN, z);
        parts.push(bar(on_panel(x - 40.0), on_panel(x + 60.0), 9.0, 9.0));
    }
    for x in [-140.0, 78.0] {
        parts.push(bar(side.point(x, 470.0, 480.0), side.point(x * 0.8 - 6.0, 528.0, 800.0), 16.0, 12.0));
    }
    let mut solid = sheet(union(9.0, parts), 0x4b04);
    // Plugs' holes in the panel and the leg.
    for (x, y, z, r) in [(120.0, 480.0, 500.0, 14.0), (200.0, 390.0, 400.0, 11.0)] {
        let into = side.direction(0.0, 1.0, 0.0);
        solid = solid.minus(rod(side.point(x, y, z), into, [-70.0, 25.0], r, 0.0), 1.5);
    }
    // The top plate is thick and flat: a pressed ring, pierced in one stroke.
    solid = solid.minus(rod(top, strut, [-1.5, 40.0], TOWER + 8.0, 1.0), 2.0);
    solid = union(1.5, vec![solid, rod(top, strut, [-TOWER_PLATE, 0.0], TOWER - 6.0, 1.5)]);
    solid = solid.minus(rod(top, strut, [-60.0, 20.0], TOWER_HOLE, 0.0), 0.8);
    // Below the plate the tower is hollow.
    solid = solid.minus(rod(top, strut, [-60.0, -TOWER_PLATE], TOWER - 14.0, 6.0), 0.5);
    for stud in side.studs() {
        solid = solid.minus(rod(stud, strut, [-60.0, 20.0], STUD_HOLE, 0.0), 0.6);
    }
    solid
}

fn tower_features(side: CarSide) -> Vec<TrueFeature> {
    let top = side.top();
    let strut = side.strut();
    let studs = side.studs();
    let middle = |p: Point3| p - strut.into_inner() * (0.5 * TOWER_PLATE);
    let half = 0.5 * TOWER_PLATE;
    let mut features = vec![
        TrueFeature::face("tower_top", top, strut, [TOWER_HOLE + 1.2, TOWER - 9.0])
            .role("strut_top")
            .cell(3.1)
            .broken(studs.map(|s| Region::ball(s, STUD_HOLE + 0.9)))
            .dabs(4, &[44.0, 72.0], 0.02, 7.0),
        TrueFeature::cylinder("tower_hole", middle(top), strut, TOWER_HOLE, [-half + 1.0, half - 1.2], Side::Internal)
            .role("strut_top")
            .dabs(6, &[0.0], 0.0, 4.0),
    ];
    let names = ["tower_stud_hole_1", "tower_stud_hole_2", "tower_stud_hole_3"];
    for (name, stud) in names.into_iter().zip(studs) {
        features.push(
            TrueFeature::cylinder(name, middle(stud), strut, STUD_HOLE, [-half + 1.0, half - 1.0], Side::Internal)
                .cell(SMALL)
                .dabs(3, &[0.0], 0.0, 3.0),
        );
    }
    features
}

fn strut_top(side: &'static str) -> TrueHardpoint {
    TrueHardpoint {
        role: "strut_top",
        side,
        construction: Construction::AxisAndPlane { axis: "tower_hole", plane: "tower_top" },
    }
}

/// The right strut tower alone, off the mirror image of the left one by `offset`. The targets stand where they do on
/// the car as found.
pub(crate) fn right(offset: Vec3) -> PartModel {
    let side = CarSide { sign: -1.0, offset };
    let top = side.top();
    let seen = block(side.point(-31.0, 560.0, 800.0), Vec3::z_axis(), Vec3::x(), [150.0, 135.0, 120.0], 30.0);
    let mut features = tower_features(side);
    features.extend(target_features(["target_1", "target_2", "target_3", "target_4"], targets(right_side())));
    PartModel {
        features,
        hardpoints: vec![strut_top("right")],
        solid: with_targets(upper(side), targets(right_side())),
        window: seen.minus(from_the_wheel(side), 5.0),
        bounds: [[-185.0, -700.0, 675.0], [125.0, -420.0, 925.0]],
        coarse: 8.0,
        edges: 2.4,
        zones: Vec::new(),
        unseen: vec![
            Region::ball(top + side.vector(70.0, -60.0, -60.0), 22.0),
            Region::ball(top + side.vector(-46.0, -38.0, 0.0), 9.0),
        ],
    }
}

/// What only shows from the wheel's side: outboard of the inner wing and below its shelf.
fn from_the_wheel(side: CarSide) -> Solid {
    let outboard = side.direction(0.0, 1.0, PANEL_LEAN);
    let panel = side.point(30.0, 512.0, 620.0) + outboard.into_inner() * 3.0;
    Solid::Common {
        parts: vec![half_space(panel, -outboard), half_space(side.point(0.0, 0.0, 800.0), Vec3::z_axis())],
        round: 0.0,
    }
}

/// The left side: strut tower, inner wing, leg, and the lower arm's brackets.
pub(crate) fn left() -> PartModel {
    let side = left_side();
    let axis = h::lower_arm_axis();
    let up = h::lower_arm_normal();
    let out = UnitVec3::new_normalize(up.cross(&axis));
    let ends = [h::LOWER_ARM_FRONT, h::LOWER_ARM_REAR].map(h::point);

    let mut welded = vec![
        upper(side),
        // The front frame's side beam, its cross-member, and the post up to the leg.
        block(Point3::new(65.0, 282.0, 214.0), Vec3::z_axis(), axis.into_inner(), [190.0, 27.0, 27.0], 7.0),
        block(Point3::new(60.0, 170.0, 214.0), Vec3::z_axis(), Vec3::x(), [48.0, 130.0, 24.0], 7.0),
        block(Point3::new(66.0, 345.0, 305.0), side.direction(0.0, 0.75, 1.0), Vec3::x(), [46.0, 24.0, 95.0], 8.0),
    ];
    let mut tools = Vec::new();
    for (at, half) in ends.iter().zip(BRACKET_GAP) {
        for sign in [1.0, -1.0] {
            let middle = half + 0.5 * BRACKET_PLATE;
            let origin = at + axis.into_inner() * (sign * middle);
            // Outline in the plate's plane: x outboard, y up (z × x = axis × out = up).
            welded.push(plate(
                origin,
                axis,
                out.into_inner(),
                &[[-62.0, -24.0], [-16.0, -18.0], [4.0, -10.0], [8.0, 0.0], [4.0, 10.0], [-16.0, 24.0], [-62.0, 30.0]],
                0.5 * BRACKET_PLATE + 0.8,
                12.0,
                0.8,
            ));
        }
        // The gap and the outer faces are milled after welding, so that they are flat and square.
        let radius = 34.0;
        tools.push((rod(*at, axis, [-half, half], radius, 0.0), 0.6));
        for sign in [axis, -axis] {
            let outer = half + BRACKET_PLATE;
            tools.push((rod(*at, sign, [outer, outer + 14.0], radius - 5.0, 1.0), 0.6));
        }
        tools.push((rod(*at, axis, [-60.0, 60.0], BRACKET_HOLE, 0.0), 0.6));
    }
    let mut solid = union(5.0, welded);
    for (tool, round) in tools {
        solid = solid.minus(tool, round);
    }

    let solid = with_targets(solid, targets(side));
    let mut features = tower_features(side);
    features.extend(target_features(["target_1", "target_2", "target_3", "target_4"], targets(side)));
    let names = [
        ["front_bracket_hole_1", "front_bracket_hole_2", "front_bracket_face_1", "front_bracket_face_2"],
        ["rear_bracket_hole_1", "rear_bracket_hole_2", "rear_bracket_face_1", "rear_bracket_face_2"],
    ];
    let roles = ["lower_arm_front", "lower_arm_rear"];
    let mut hardpoints = vec![strut_top("left")];
    for (((at, half), names), role) in ends.iter().zip(BRACKET_GAP).zip(names).zip(roles) {
        for (k, sign) in [1.0, -1.0].into_iter().enumerate() {
            let middle = at + axis.into_inner() * (sign * (half + 0.5 * BRACKET_PLATE));
            let reach = 0.5 * BRACKET_PLATE - 1.0;
            features.push(
                TrueFeature::cylinder(names[k], middle, axis, BRACKET_HOLE, [-reach, reach], Side::Internal)
                    .role(role)
                    .cell(SMALL)
                    .dabs(4, &[0.0], 0.0, 3.0),
            );
        }
        for (k, sign) in [1.0, -1.0].into_iter().enumerate() {
            let normal = UnitVec3::new_unchecked(axis.into_inner() * -sign);
            features.push(
                TrueFeature::face(
                    names[k + 2],
                    at + axis.into_inner() * (sign * half),
                    normal,
                    [BRACKET_HOLE + 1.0, 17.0],
                )
                .role(role)
                .dabs(5, &[12.8], 0.03, 3.5),
            );
        }
        hardpoints.push(TrueHardpoint {
            role,
            side: "left",
            construction: Construction::JointAxisAndMidPlane {
                axes: [names[0], names[1]],
                faces: [names[2], names[3]],
            },
        });
    }
    let seen = block(Point3::new(45.0, 460.0, 520.0), Vec3::z_axis(), Vec3::x(), [205.0, 240.0, 380.0], 40.0);
    PartModel {
        features,
        hardpoints,
        solid,
        window: seen.minus(from_the_wheel(side), 5.0),
        bounds: [[-165.0, 215.0, 135.0], [255.0, 705.0, 905.0]],
        coarse: 9.0,
        edges: 2.4,
        zones: Vec::new(),
        unseen: vec![
            // Behind the wiring, behind the post, and a reflection on the tower's side.
            Region::ball(Point3::new(130.0, 470.0, 560.0), 38.0),
            Region::ball(Point3::new(-60.0, 395.0, 350.0), 34.0),
            Region::ball(side.top() + Vec3::new(40.0, -80.0, -90.0), 26.0),
            Region::ball(side.top() + Vec3::new(-46.0, -38.0, 0.0), 9.0),
            Region { ends: [Point3::new(-110.0, 262.0, 186.0), Point3::new(20.0, 262.0, 186.0)], radius: 20.0 },
            Region::ball(ends[1] + axis.into_inner() * 26.0 - out.into_inner() * 29.0, 8.0),
        ],
    }
}
