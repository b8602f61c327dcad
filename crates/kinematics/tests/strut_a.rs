//! Against `tests/reference/kinematics/strut_a.json`: an invented strut corner solved by three independent formulations
//! that agree to 1e-11 mm.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::{number, point, strut_a, strut_a_file};
use serde_json::Value;
use stringline_hardpoints::Side;
use stringline_kinematics::{Along, Axle, CornerMeasures, End, Held, SolveError, State};

#[track_caller]
fn near(got: f64, want: &Value, tolerance: f64, what: &str) {
    let want = number(want);
    assert!((got - want).abs() <= tolerance, "{what}: {got} against {want}");
}

fn check(m: &CornerMeasures, row: &Value, what: &str) {
    let tight = 1e-6;
    let loose = 1e-4;
    let deg = f64::to_degrees;
    for (got, key) in [(m.wheel_centre, "wheel_centre"), (m.contact, "contact_point"), (m.axis_on_ground, "kp_ground")]
    {
        let off = (got - point(&row[key])).norm();
        assert!(off <= tight, "{what} {key}: off by {off}");
    }
    for (got, key) in [
        (deg(m.steer), "steer_deg"),
        (deg(m.toe_in), "toe_in_deg"),
        (deg(m.inclination), "camber_deg"),
        (deg(m.camber), "camber_frontview_deg"),
        (deg(m.caster), "caster_deg"),
        (deg(m.kingpin_inclination), "kpi_deg"),
        (m.scrub_radius, "scrub_radius"),
        (m.mechanical_trail, "mech_trail"),
        (m.steering_arm, "steer_arm_len"),
        (deg(m.rod_arm_angle), "tierod_arm_angle_deg"),
        (deg(m.over_centre_margin), "toggle_margin_deg"),
        (deg(m.outer_swing), "tro_swing_knuckle_deg"),
        (deg(m.inner_swing), "tri_swing_rack_deg"),
        (-deg(m.toe_in_per_travel), "dsteer_dz_deg_per_mm"),
        (deg(m.inclination_per_travel), "dcamber_dz_deg_per_mm"),
        (deg(m.steer_per_rack), "dsteer_drack_deg_per_mm"),
        (m.damper_length.unwrap(), "damper_len"),
        (m.motion_ratio.unwrap(), "motion_ratio_ddamper_dwheel"),
    ] {
        near(got, &row[key], tight, &format!("{what} {key}"));
    }
    near(m.roll_centre_by_velocity, &row["roll_centre_height_above_cp"], loose, &format!("{what} roll centre"));
    // An instant centre lies up to 95 m off: there 1e-4 mm is 1e-9 of its distance.
    let far = |v: f64| loose.max(1e-9 * v.abs());
    let ic = m.front_view_centre.unwrap();
    for (i, value) in ic.iter().enumerate() {
        let want = &row["front_view_IC_yz"][i];
        near(*value, want, far(number(want)), &format!("{what} front-view centre"));
    }
    let axis = m.instant_axis.unwrap();
    for i in 0..3 {
        near(axis.direction[i], &row["isa_dir"][i], tight, &format!("{what} instant axis"));
        near(axis.point[i], &row["isa_point"][i], loose, &format!("{what} instant axis"));
    }
    near(axis.pitch, &row["isa_pitch"], loose, &format!("{what} pitch"));
}

#[test]
fn every_position_angle_and_measure_agrees() {
    let file = strut_a_file();
    let axle = Axle::new(&strut_a()).unwrap();
    let corner = axle.corner(Side::Left);
    check(&corner.measures_at_rest(), &file["static"], "rest");
    let mut states = 0;
    for (set, held) in [("bump", Held::WheelCentre), ("steer", Held::Contact), ("grid", Held::WheelCentre)] {
        for row in file[set].as_array().unwrap() {
            let travel = number(row.get("dz").unwrap_or_else(|| &row["dz_cp"]));
            let rack = number(&row["rack"]);
            let what = format!("{set} travel {travel} rack {rack}");
            let m = axle.solve(State::level(travel, rack), held).unwrap();
            check(&m.left, row, &what);
            assert!(corner.residual(travel, held, rack).unwrap() < 1e-9, "{what}");
            states += 1;
        }
    }
    assert_eq!(states, 17 + 15 + 4);
    near(axle.steering_axis_track(), &file["kingpin_track_at_ground"], 1e-6, "track of the steering axes");
}

#[test]
fn left_and_right_agree_on_ackermann() {
    let file = strut_a_file();
    let axle = Axle::new(&strut_a()).unwrap();
    let mut compared = 0;
    for row in file["ackermann"].as_array().unwrap() {
        let rack = number(&row["rack"]);
        let m = axle.solve(State::level(0.0, rack), Held::Contact).unwrap();
        let what = format!("rack {rack}");
        near(m.left.steer.to_degrees(), &row["left"], 1e-6, &what);
        near(m.right.steer.to_degrees(), &row["right"], 1e-6, &what);
        match m.ackermann {
            Some(a) => {
                compared += 1;
                near(a.inner.to_degrees(), &row["inner"], 1e-6, &what);
                near(a.outer.to_degrees(), &row["outer"], 1e-6, &what);
                near(a.ideal_outer.to_degrees(), &row["ideal_outer"], 1e-6, &what);
                near(a.percent, &row["pct_diff"], 1e-6, &what);
                near(a.error.to_degrees(), &row["pct_reimpell_err_deg"], 1e-6, &what);
            }
            // Blank below 5° of the inner wheel.
            None => assert!(number(&row["inner"]) < 5.0, "{what}"),
        }
    }
    assert!(compared >= 12, "{compared}");
}

#[test]
fn beyond_over_centre_the_error_says_where() {
    let axle = Axle::new(&strut_a()).unwrap();
    let error = axle.solve(State::level(0.0, -77.0), Held::Contact).unwrap_err();
    let SolveError::NoPosition { side, end, along, at, .. } = error else { panic!("{error}") };
    assert_eq!((side, end, along), (Side::Left, End::OverCentre, Along::Rack));
    assert!(at < -70.0 && at > -77.0, "{at}");
    let text = error.to_string();
    assert!(text.starts_with("left corner: no position at rack −77.0 mm: the tie rod reaches over centre at −76."));
    // The last position before it exists, the first behind it does not.
    let last = axle.solve(State::level(0.0, at + 1e-4), Held::Contact).unwrap();
    assert!(last.left.over_centre_margin.to_degrees() < 0.2, "{}", last.left.over_centre_margin.to_degrees());
    assert!(axle.solve(State::level(0.0, at - 1e-4), Held::Contact).is_err());
    assert_eq!(axle.over_centre(0.0, Held::Contact).unwrap()[0], at);
    // A grid says the same of the states beyond, and the other side stays whole.
    let grid = axle.grid(&[0.0], &[-80.0, -77.0, -70.0, 70.0], Held::Contact);
    assert!(matches!(grid.states[0], Err(SolveError::NoPosition { rack: -80.0, end: End::OverCentre, .. })));
    assert!(grid.states[2].is_ok() && grid.states[3].is_ok());
    assert!((grid.over_centre[0].unwrap()[0] - at).abs() < 1e-9);
}
