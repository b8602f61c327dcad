//! The whole car as it stands, before it is taken apart: one quick scan of what ties all the others to the car.
//!
//! The car stands at ride height on a flat floor, on set-up stands bolted to the front hubs in place of the wheels,
//! the engine out. The scan holds four patches of floor, the stands' pins (turned on the hubs' axes, their ends a known
//! length outboard of the hub faces), and magnetic balls on the body and on the rack, which stay where they are when
//! the parts come off. Left and right are exact mirror images here but for the balls. Nothing else was scanned.

use crate::kestrel::chassis::all_targets;
use crate::kestrel::hardpoints as h;
use crate::kestrel::model::{PartModel, TrueFeature};
use crate::kestrel::rack;
use crate::kestrel::solid::{Solid, half_space, rod, union};
use crate::kestrel::targets::{TARGET, target, target_features};
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_fit::feature::Side;

/// Pins of the set-up stands: radius, and where they begin and end, outboard of the hub face.
const PIN: f64 = 20.0;
const PIN_FROM: f64 = 30.0;
/// See [`PIN`].
pub(crate) const PIN_END: f64 = 80.0;
/// Floor patches: where, and how large.
const FLOOR: [[f64; 2]; 4] = [[330.0, 560.0], [330.0, -560.0], [-760.0, 610.0], [-760.0, -610.0]];
const FLOOR_RADIUS: f64 = 40.0;

/// The scan reaches this far beyond what it is taken of, so that its ragged border does not cost any of it, mm.
const MARGIN: f64 = 5.0;

/// Builds the model.
pub(crate) fn model() -> PartModel {
    let up = Vec3::z_axis();
    let floor = FLOOR.map(|[x, y]| Point3::new(x, y, 0.0));
    let left = (h::hub_face(), h::hub_axis());
    let right = (h::mirrored(left.0), UnitVec3::new_unchecked(Vec3::new(left.1.x, -left.1.y, left.1.z)));
    let [on_left, on_right] = all_targets();
    let on_rack = rack::targets();
    let balls = || on_left.iter().chain(&on_right).chain(&on_rack);

    let mut solids = vec![half_space(Point3::origin(), up)];
    let mut windows: Vec<Solid> = floor.iter().map(|p| rod(*p, up, [-5.0, 5.0], FLOOR_RADIUS + MARGIN, 0.0)).collect();
    for (face, out) in [left, right] {
        solids.push(rod(face, out, [PIN_FROM, PIN_END], PIN, 0.8));
        windows.push(rod(face, out, [PIN_FROM + 3.0, PIN_END + MARGIN], PIN + MARGIN, 0.0));
    }
    for (centre, neck) in balls() {
        solids.push(target(*centre, *neck));
        windows.push(Solid::Sphere { centre: *centre, radius: TARGET + MARGIN });
    }

    let mut features: Vec<TrueFeature> = ["floor_1", "floor_2", "floor_3", "floor_4"]
        .into_iter()
        .zip(floor)
        .map(|(name, at)| TrueFeature::face(name, at, up, [0.0, FLOOR_RADIUS]).cell(3.1).dabs(4, &[22.0], 0.0, 9.0))
        .collect();
    let pins = [("left_pin", "left_pin_end", left), ("right_pin", "right_pin_end", right)];
    for (pin, end, (face, out)) in pins {
        let at = |along: f64| face + out.into_inner() * along;
        let half = 0.5 * (PIN_END - PIN_FROM) - 5.0;
        let middle = at(0.5 * (PIN_END + PIN_FROM) + 2.0);
        features.push(TrueFeature::cylinder(pin, middle, out, PIN, [-half, half], Side::External).dabs(
            4,
            &[-12.0, 12.0],
            0.0,
            6.0,
        ));
        features.push(TrueFeature::face(end, at(PIN_END), out, [0.0, PIN - 1.5]).dabs(4, &[10.0], 0.0, 5.0));
    }
    features.extend(target_features(["left_target_1", "left_target_2", "left_target_3", "left_target_4"], on_left));
    features
        .extend(target_features(["right_target_1", "right_target_2", "right_target_3", "right_target_4"], on_right));
    features.extend(target_features(["rack_target_1", "rack_target_2", "rack_target_3", "rack_target_4"], on_rack));
    PartModel {
        features,
        hardpoints: Vec::new(),
        solid: union(1.0, solids),
        window: union(0.5, windows),
        bounds: [[-815.0, -840.0, -10.0], [390.0, 840.0, 880.0]],
        coarse: 6.0,
        edges: 1.2,
        zones: Vec::new(),
        unseen: Vec::new(),
    }
}
