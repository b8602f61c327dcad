//! Cars for the tests.
#![allow(dead_code, reason = "each test file uses some")]
#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use serde_json::Value;
use stringline_core::{Point3, Vec3};
use stringline_hardpoints::Side;
use stringline_kinematics::{AxleGeometry, Car, CornerGeometry, Rack, Upper, Wheel};

/// `tests/reference/kinematics/strut_a.json`.
pub(crate) fn strut_a_file() -> Value {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/kinematics/strut_a.json");
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

pub(crate) fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("{v} is no number"))
}

pub(crate) fn point(v: &Value) -> Point3 {
    let xyz: Vec<f64> = v.as_array().unwrap().iter().map(number).collect();
    Point3::from_slice(&xyz)
}

pub(crate) fn strut_a_corner(file: &Value) -> CornerGeometry {
    let h = &file["hardpoints"];
    CornerGeometry {
        side: Side::Left,
        lower_front: point(&h["LF"]),
        lower_rear: point(&h["LR"]),
        lower_ball: point(&h["LBJ"]),
        upper: Upper::Strut { top: point(&h["TOP"]), lower: point(&h["SL"]) },
        tie_rod_inner: point(&h["TRI"]),
        tie_rod_outer: point(&h["TRO"]),
        wheel: Wheel::aligned(
            point(&h["WC"]),
            number(&h["R"]),
            number(&h["camber"]).to_radians(),
            number(&h["toe"]).to_radians(),
            Side::Left,
        ),
        damper: None,
        outer_joint: None,
        inner_joint: None,
    }
}

pub(crate) fn strut_a() -> AxleGeometry {
    let file = strut_a_file();
    let car = Car { wheelbase: Some(number(&file["hardpoints"]["wheelbase"])), ..Car::default() };
    AxleGeometry::symmetric(strut_a_corner(&file), Rack::default(), car)
}

/// Project Chrono's HMMWV front (BSD-3-Clause data), mm; the ground a tyre radius of 470 below the wheel centre.
pub(crate) fn wishbone() -> AxleGeometry {
    let up = 496.0;
    let p = |x: f64, y: f64, z: f64| Point3::new(x, y, z + up);
    let corner = CornerGeometry {
        side: Side::Left,
        lower_front: p(223.0, 307.0, 0.0),
        lower_rear: p(-223.0, 307.0, 0.0),
        lower_ball: p(-36.0, 787.0, -118.0),
        upper: Upper::Arm {
            front: p(-48.0, 446.0, 245.0),
            rear: p(-268.0, 478.0, 196.0),
            ball: p(-53.0, 716.0, 215.0),
        },
        tie_rod_inner: p(-250.0, 448.0, 54.0),
        tie_rod_outer: p(-176.0, 821.0, -16.0),
        wheel: Wheel { centre: p(-40.0, 910.0, -26.0), spin: Vec3::y_axis(), radius: 470.0 },
        damper: None,
        outer_joint: None,
        inner_joint: None,
    };
    AxleGeometry::symmetric(corner, Rack::default(), Car { wheelbase: Some(3302.0), ..Car::default() })
}

/// The Kestrel's hardpoints as its truth file has them, with an uncertainty of `sigma` (mm) on every point.
pub(crate) fn kestrel_set(sigma: f64) -> stringline_hardpoints::HardpointSet {
    use stringline_hardpoints::{CoordinateAxes, Datum, DatumKind, Hardpoint, HardpointSet, Role, Suspension, Vehicle};
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../sample-scans/kestrel.truth.json");
    let file: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let mut set = HardpointSet::new(CoordinateAxes::Iso8855);
    set.suspension = Some(Suspension::Strut);
    set.vehicle = Vehicle {
        wheelbase: Some(number(&file["vehicle"]["wheelbase"])),
        track: Some(number(&file["vehicle"]["front_track"])),
        tyre_radius: Some(number(&file["vehicle"]["tyre_loaded_radius"])),
        ..Vehicle::default()
    };
    for h in file["hardpoints"].as_array().unwrap() {
        let role: Role = h["role"].as_str().unwrap().parse().unwrap();
        let side = if h["side"] == "left" { Side::Left } else { Side::Right };
        let position = point(&h["point"]);
        let direction = h.get("direction").map(|d| stringline_core::UnitVec3::new_normalize(point(d).coords));
        let datum = match (role.kind(), direction) {
            (DatumKind::Point, _) => Datum::Point { position },
            (DatumKind::Axis, Some(direction)) => Datum::Axis { position, direction },
            (DatumKind::Face, Some(normal)) => Datum::Face { position, normal },
            // A bolt hole that the truth states as a point: of no matter here.
            _ => continue,
        };
        let mut hardpoint = Hardpoint::from_datum(role, side, &datum);
        if role.kind() == DatumKind::Point && sigma > 0.0 {
            let s2 = sigma * sigma;
            hardpoint.covariance =
                Some((0..3).map(|i| (0..3).map(|j| if i == j { s2 } else { 0.0 }).collect()).collect());
            hardpoint.degrees_of_freedom = Some(60.0);
        }
        set.add_hardpoint(hardpoint).unwrap();
    }
    set
}

pub(crate) fn kestrel() -> AxleGeometry {
    stringline_kinematics::Measured::from_set(&kestrel_set(0.0)).unwrap().geometry().unwrap()
}

/// A variant of moves on both sides.
pub(crate) fn variant(name: &str, moves: Vec<stringline_kinematics::Change>) -> stringline_kinematics::Variant {
    let moves = moves.into_iter().map(Into::into).collect();
    stringline_kinematics::Variant::new(name, None, moves)
}

pub(crate) fn with(geometry: &AxleGeometry, moves: Vec<stringline_kinematics::Change>) -> AxleGeometry {
    stringline_kinematics::geometry_of(geometry, &[variant("v", moves)], "v").unwrap()
}
