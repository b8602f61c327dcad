//! Cars for the tests.
#![allow(dead_code, reason = "each test file uses some")]
#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use serde_json::Value;
use stringline_core::{Point3, Vec3};
use stringline_hardpoints::Side;
use stringline_kinematics::{AxleGeometry, Car, CornerGeometry, Rack, Upper, Wheel};

/// `tests/reference/kinematics/strut_a.json`.
pub fn strut_a_file() -> Value {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/kinematics/strut_a.json");
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

pub fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("{v} is no number"))
}

pub fn point(v: &Value) -> Point3 {
    let xyz: Vec<f64> = v.as_array().unwrap().iter().map(number).collect();
    Point3::from_slice(&xyz)
}

pub fn strut_a_corner(file: &Value) -> CornerGeometry {
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

pub fn strut_a() -> AxleGeometry {
    let file = strut_a_file();
    let car = Car { wheelbase: Some(number(&file["hardpoints"]["wheelbase"])), ..Car::default() };
    AxleGeometry::symmetric(strut_a_corner(&file), Rack::default(), car)
}

/// Project Chrono's HMMWV front (BSD-3-Clause data), mm; the ground a tyre radius of 470 below the wheel centre.
pub fn wishbone() -> AxleGeometry {
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
