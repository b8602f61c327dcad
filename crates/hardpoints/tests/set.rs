//! The hardpoint set: round trip, refusals, the schema, and the exports.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::corner::corner;
use serde_json::{Value, json};
use stringline_core::{Explain, Point3};
use stringline_hardpoints::export::{CAUTION, to_csv, to_dxf, to_step};
use stringline_hardpoints::{
    Construction, CoordinateAxes, Datum, Hardpoint, HardpointSet, Role, SetError, Side, Suspension, hardpoints_schema,
};

fn sample() -> Value {
    serde_json::from_str(&corner().0.to_json().unwrap()).unwrap()
}

fn read(value: &Value) -> Result<HardpointSet, SetError> {
    HardpointSet::from_json(&value.to_string())
}

fn refused(value: &Value, says: &str) {
    let error = read(value).unwrap_err();
    assert!(error.to_string().contains(says), "{error}");
    assert!(error.next_step().ends_with('.'));
}

#[test]
fn every_digit_survives_a_round_trip() {
    let (set, _) = corner();
    let text = set.to_json().unwrap();
    let again = HardpointSet::from_json(&text).unwrap();
    assert_eq!(set, again);
    assert_eq!(text, again.to_json().unwrap());
}

#[test]
fn the_file_opens_with_what_it_is() {
    let text = corner().0.to_json().unwrap();
    let head: Vec<&str> = text.lines().take(7).map(str::trim).collect();
    assert_eq!(
        head,
        [
            "{",
            "\"format\": \"stringline-hardpoints\",",
            "\"version\": 1,",
            "\"name\": \"Invented corner, left\",",
            "\"units\": {",
            "\"length\": \"mm\",",
            "\"angle\": \"rad\"",
        ]
    );
    assert!(text.contains("\"axes\": \"ISO 8855\""));
}

#[test]
fn unknown_fields_are_kept() {
    let mut value = sample();
    value["later"] = json!({"a": [1, 2]});
    value["vehicle"]["colour"] = json!("white");
    value["hardpoints"][0]["bolt"] = json!("M12");
    value["datums"][0]["seen_from"] = json!([0, 0, 1]);
    value["scans"][0]["scanner"] = json!("borrowed");
    let again: Value = serde_json::from_str(&read(&value).unwrap().to_json().unwrap()).unwrap();
    assert_eq!(value, again);
}

#[test]
fn damaged_files_are_refused_with_the_place() {
    for cut in 0..400 {
        let text = sample().to_string();
        assert!(HardpointSet::from_json(&text[..cut]).is_err());
    }
    assert!(matches!(HardpointSet::from_json("{\n  \"format\": oops"), Err(SetError::Json { line: 2, .. })));
    let with = |change: &dyn Fn(&mut Value)| {
        let mut value = sample();
        change(&mut value);
        value
    };
    refused(&with(&|v| v["format"] = json!("stringline-job")), "no hardpoint set");
    refused(&json!({"version": 1}), "format is nothing");
    refused(&with(&|v| v["version"] = json!(2)), "version is 2");
    refused(&with(&|v| v["version"] = json!("1")), "version is \"1\"");
    // A newer version is told as such though everything else in it is strange.
    refused(&json!({"format": "stringline-hardpoints", "version": 7, "hardpoints": "elsewhere"}), "version is 7");
    refused(&with(&|v| v["units"]["length"] = json!("inch")), "unknown variant");
    refused(&with(&|v| v["axes"] = json!("z down")), "unknown variant");
    refused(&with(&|v| v["hardpoints"][0]["role"] = json!("flux_capacitor")), "unknown variant `flux_capacitor`");
    refused(&with(&|v| v["hardpoints"][0]["position"][1] = json!(null)), "invalid type: null");
    refused(&with(&|v| v["hardpoints"][0]["kind"] = json!("axis")), "strut_top left is a datum of kind axis");
    refused(&with(&|v| v["hardpoints"][0]["covariance"][0][0] = json!(-1.0)), "negative variance");
    refused(&with(&|v| v["hardpoints"][0]["covariance"][0][1] = json!(1.0)), "not symmetric");
    refused(&with(&|v| v["hardpoints"][0]["covariance"] = json!([[1.0]])), "must be 3×3");
    refused(
        &with(&|v| {
            let first = v["hardpoints"][0].clone();
            v["hardpoints"].as_array_mut().unwrap().push(first);
        }),
        "is there twice",
    );
    refused(&with(&|v| v["hardpoints"][0]["sources"][0] = json!("gone")), "datum 'gone'");
    refused(&with(&|v| v["datums"][0]["direction"] = json!([0.0, 0.9, 0.0])), "must have length 1");
    refused(&with(&|v| v["datums"][0]["scan"] = json!("x.ply")), "scan 'x.ply'");
    refused(&with(&|v| v["scans"][0]["sha256"] = json!("abc")), "64 digits");
    refused(&with(&|v| v["vehicle"]["track"] = json!(-1)), "vehicle's track");
}

#[test]
fn what_is_not_finite_is_not_written() {
    let (mut set, _) = corner();
    set.hardpoints[3].position[2] = f64::NAN;
    assert!(matches!(set.to_json(), Err(SetError::Invalid { .. })));
    assert!(to_step(&set, "x", "").is_err() && to_dxf(&set).is_err() && to_csv(&set).is_err());
}

#[test]
fn roles_take_their_kind_and_their_sense() {
    let (set, inputs) = corner();
    let direction = |role| set.find(role, Side::Left).unwrap().direction.unwrap();
    assert!(direction(Role::HubAxis)[1] > 0.9 && direction(Role::DamperAxis)[2] > 0.9);
    let mut right = HardpointSet::new(CoordinateAxes::Iso8855);
    let how = Construction::Axis { axis: "hub bore".into() };
    let made = inputs.construct(&how).unwrap();
    right.add(Role::HubAxis, Side::Right, &made, &how, &inputs).unwrap();
    let turned = &right.hardpoints[0];
    assert!(turned.direction.unwrap()[1] < -0.9);
    // Turning the direction turns the sign of its covariance with the position, and no more.
    let (a, b) = (
        turned.covariance_matrix().unwrap().unwrap(),
        set.find(Role::HubAxis, Side::Left).unwrap().covariance_matrix().unwrap().unwrap(),
    );
    for (i, j) in (0..6).flat_map(|i| (0..6).map(move |j| (i, j))) {
        let sign = if (i < 3) == (j < 3) { 1.0 } else { -1.0 };
        assert!((a[(i, j)] - sign * b[(i, j)]).abs() < 1e-18);
    }
    assert!(matches!(
        right.add(Role::WheelCentre, Side::Right, &made, &how, &inputs),
        Err(SetError::KindOfRole { .. })
    ));
    assert!(matches!(right.add(Role::HubAxis, Side::Right, &made, &how, &inputs), Err(SetError::Duplicate { .. })));
    assert!(set.missing(Suspension::Strut, Side::Left).is_empty());
    assert_eq!(set.missing(Suspension::DoubleWishbone, Side::Left).len(), 3);
}

#[test]
fn coordinates_alone_make_a_set() {
    let mut set = HardpointSet::new(CoordinateAxes::Iso8855);
    let position = Point3::new(-36.0, 787.0, -118.0);
    set.add_hardpoint(Hardpoint::from_datum(Role::LowerBallJoint, Side::Left, &Datum::Point { position })).unwrap();
    let text = set.to_json().unwrap();
    assert!(!text.contains("covariance") && !text.contains("null"));
    assert_eq!(HardpointSet::from_json(&text).unwrap(), set);
    assert!(to_csv(&set).unwrap().contains("lower_ball_joint,left,point,-36,787,-118,,,,,,,,,,,\r\n"));
}

#[test]
fn the_committed_schema_is_up_to_date() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../docs/hardpoints.schema.json");
    let committed = std::fs::read_to_string(path).unwrap_or_default();
    assert!(
        committed == hardpoints_schema(),
        "docs/hardpoints.schema.json is out of date; write it anew with `stringline schema hardpoints`"
    );
}

/// Checked by a validator that shares no code with the reader.
#[test]
fn the_schema_takes_what_we_write_and_refuses_what_it_should() {
    let schema: Value = serde_json::from_str(&hardpoints_schema()).unwrap();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let good = sample();
    let errors: Vec<String> = validator.iter_errors(&good).map(|e| e.to_string()).collect();
    assert!(errors.is_empty(), "{errors:?}");
    let bad: [(&str, Value); 8] = [
        ("/format", json!("stringline-job")),
        ("/version", json!(2)),
        ("/units/length", json!("inch")),
        ("/axes", json!("z down")),
        ("/hardpoints/0/role", json!("flux_capacitor")),
        ("/hardpoints/0/position", json!([1.0, 2.0])),
        ("/hardpoints/0/covariance", json!("none")),
        ("/scans/0/sha256", json!("abc")),
    ];
    for (pointer, value) in bad {
        let mut changed = good.clone();
        *changed.pointer_mut(pointer).unwrap() = value;
        assert!(!validator.is_valid(&changed), "{pointer}");
    }
    for field in ["format", "version", "units", "axes", "hardpoints"] {
        let mut changed = good.clone();
        changed.as_object_mut().unwrap().remove(field);
        assert!(!validator.is_valid(&changed), "without {field}");
    }
}

#[test]
fn csv_has_a_row_for_each_hardpoint() {
    let (set, _) = corner();
    let csv = to_csv(&set).unwrap();
    let lines: Vec<&str> = csv.split_terminator("\r\n").collect();
    assert!(lines[0].starts_with("\"# Invented corner, left\""));
    for caution in CAUTION {
        assert!(csv.contains(caution));
    }
    let header = lines.iter().position(|l| l.starts_with("role,")).unwrap();
    assert_eq!(lines.len() - header - 1, set.hardpoints.len());
    let rear = lines.iter().find(|l| l.starts_with("lower_arm_rear")).unwrap();
    assert!(rear.starts_with("lower_arm_rear,left,point,-180,352,205,,,,"));
    assert!(rear.ends_with(",centre of 'rear ball Ø22',rear ball Ø22,"));
    let front = lines.iter().find(|l| l.starts_with("lower_arm_front")).unwrap();
    assert!(front.contains("\"front bracket, aft; front bracket, fore; front bushing\""));
}

#[test]
fn csv_cells_are_no_formulae() {
    let (mut set, _) = corner();
    set.hardpoints[0].notes = vec!["=HYPERLINK(\"x\")".into()];
    assert!(to_csv(&set).unwrap().contains("\"'=HYPERLINK(\"\"x\"\")\""));
}

#[test]
fn exports_repeat_byte_for_byte_and_carry_the_caution() {
    let (set, _) = corner();
    let step = || to_step(&set, "corner.step", "2026-01-31T12:00:00Z").unwrap();
    assert_eq!(step(), step());
    assert_eq!(to_dxf(&set).unwrap(), to_dxf(&set).unwrap());
    for caution in CAUTION {
        assert!(step().contains(caution) && to_dxf(&set).unwrap().contains(caution));
    }
}

/// The numbers of a STEP axis are the set's own, digit for digit.
#[test]
fn step_faces_stand_on_the_datums_axes() {
    let (set, _) = corner();
    let step = to_step(&set, "corner.step", "2026-01-31T12:00:00Z").unwrap();
    let bore = &set.datums[0];
    let [x, y, z] = bore.direction.unwrap();
    assert!(step.contains(&format!("DIRECTION('',({x:?},{y:?},{z:?}))")));
    for (keyword, count) in [
        // Three axes have a sheet each.
        ("=CYLINDRICAL_SURFACE('", 3 + 3),
        ("=CONICAL_SURFACE('", 2),
        // The hub face as a role and as a feature.
        ("=PLANE('", 4 + 1),
        ("=SPHERICAL_SURFACE('", 2),
        ("=PRODUCT('", 1 + 11 + 3 + 12),
    ] {
        assert_eq!(step.matches(keyword).count(), count, "{keyword}");
    }
    assert!(step.contains("=PRODUCT('lower_ball_joint left',"));
    assert!(step.contains("=PRODUCT('rear ball \\X2\\00D8\\X0\\22',"));
}
