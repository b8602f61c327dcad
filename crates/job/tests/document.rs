//! The job file: what it keeps, what it refuses, and its schema.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use serde_json::{Value, json};
use stringline_core::Explain;
use stringline_job::{History, Job, JobError, Op};

fn name(text: &str) -> stringline_job::Name {
    text.parse().unwrap()
}

/// A job with something at every level.
fn full() -> Value {
    json!({
        "format": "stringline-job",
        "version": 1,
        "title": "left front",
        "vehicle": { "name": "invented", "wheelbase": 2520.0 },
        "suspension": "strut",
        "scans": { "knuckle": {
            "file": "scans/knuckle.ply", "size": 1234, "sha256": "ab".repeat(32), "unit": "millimetre"
        } },
        "placements": { "knuckle": {
            "car_from_scan": [[0.0, -1.0, 0.0, 10.0], [1.0, 0.0, 0.0, 20.0], [0.0, 0.0, 1.0, 30.0], [0.0, 0.0, 0.0, 1.0]],
            "found": "typed"
        } },
        "features": {
            "bore": { "scan": "knuckle", "dabs": [{ "centre": [0.1, 0.2, 0.3], "radius": 4.0 }, { "centre": [0.1, 0.2, 9.3], "radius": 4.0 }], "fit": { "shape": "cylinder", "grow": true } },
            "face": { "scan": "knuckle", "dabs": [{ "centre": [1.0, 2.0, 3.0], "radius": 4.0, "seen_from": [0.0, 0.0, 1.0] }], "fit": { "shape": "auto" } }
        },
        "mates": { "level": { "tie": { "is": "ground", "face": "face", "height": 120.0 }, "give": 0.2 } },
        "joints": { "pair": { "features": ["bore", "face"], "relation": "square" } },
        "datums": { "middle": { "how": "axis_meets_plane", "axis": "bore", "plane": "face" } },
        "hardpoints": [{ "role": "lower_ball_joint", "side": "left", "construction": { "how": "axis_meets_plane", "axis": "bore", "plane": "face" } }],
        "bodies": {
            "arm": { "shape": { "is": "scan", "scan": "knuckle" }, "moves_with": "lower_arm", "side": "left", "variants": ["drop"], "drawn_in": "drop", "made_within": 0.5 },
            "bar": { "shape": { "is": "tube", "from": { "hardpoint": "tie_rod_inner" }, "to": { "at": [1.0, 2.0, 3.0] }, "diameter": 22.0 }, "moves_with": "tie_rod", "side": "left" },
            "guard": { "shape": { "is": "plate", "outline": [[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [0.0, 9.0, 0.0]], "thickness": 3.0 }, "moves_with": "chassis", "side": "centre" },
            "wheel": { "shape": { "is": "wheel", "tyre": "205/50R16", "rim_width": 165.1, "offset": 38.0, "new": true, "bulge": 4.0 }, "moves_with": "knuckle", "side": "left" }
        },
        "clearance": {
            "wanted": 6.0, "side": "left", "lock_deg": 55.0, "lock_step_deg": 1.0, "travel": [-50.0, 60.0], "travels": 12,
            "pairs": [{ "a": "wheel", "b": "arm", "wanted": 8.0 }],
            "outer_joint": { "kind": "rod_end", "axis": [0.0, 0.1, 1.0], "tilt_deg": 14.0 }
        },
        "variants": [{ "name": "drop", "moves": [{ "move": "drop_ball_joint", "by": 50.0 }] }],
        "exports": ["left.step"]
    })
}

fn read(value: &Value) -> Result<Job, JobError> {
    Job::from_json(value.to_string().as_bytes())
}

#[test]
fn a_job_reads_back_as_it_was() {
    let job = read(&full()).unwrap();
    let bytes = job.to_json().unwrap();
    assert_eq!(Job::from_json(&bytes).unwrap(), job);
    let again: Value = serde_json::from_slice(&bytes).unwrap();
    assert_eq!(again, full());
}

#[test]
fn fields_of_a_newer_program_are_kept_at_every_level() {
    let mut value = full();
    let places = [
        "",
        "/vehicle",
        "/scans/knuckle",
        "/placements/knuckle",
        "/mates/level",
        "/features/bore",
        "/features/bore/dabs/0",
        "/features/bore/fit",
        "/joints/pair",
        "/hardpoints/0",
        "/bodies/arm",
        "/bodies/wheel/shape",
        "/clearance",
        "/clearance/pairs/0",
        "/clearance/outer_joint",
    ];
    for place in places {
        let object = value.pointer_mut(place).unwrap().as_object_mut().unwrap();
        object.insert("from_the_future".into(), json!({ "deep": [1, 2.5, null, "text"] }));
    }
    // An operation in between must not lose them either.
    let mut history = History::new(read(&value).unwrap());
    history.apply(&Op::Wipe { feature: name("bore"), dab: 1 }).unwrap();
    let saved: Value = serde_json::from_slice(&history.job().to_json().unwrap()).unwrap();
    for place in places {
        let kept = saved.pointer(&format!("{place}/from_the_future"));
        assert_eq!(kept, Some(&json!({ "deep": [1, 2.5, null, "text"] })), "at {place:?}");
    }
}

#[test]
fn a_newer_version_is_refused_by_name_whatever_else_it_changed() {
    let mut value = full();
    value["version"] = json!(2);
    value["scans"] = json!("stored elsewhere now");
    let error = read(&value).unwrap_err();
    assert!(matches!(&error, JobError::NewerVersion { found } if found == "2"), "{error}");
    assert!(error.next_step().contains("Update"), "{}", error.next_step());
}

#[test]
fn other_files_are_told_from_jobs() {
    let other = read(&json!({ "format": "stringline-hardpoints", "version": 1 })).unwrap_err();
    assert!(matches!(other, JobError::OtherFormat { .. }), "{other}");
    assert!(matches!(read(&json!({})).unwrap_err(), JobError::OtherFormat { .. }));
    for bytes in [&b""[..], b"ply\nformat ascii 1.0\n", b"\xff\xfe\x00", b"[1, 2, 3]", b"null"] {
        let error = Job::from_json(bytes).unwrap_err();
        assert!(matches!(error, JobError::Unreadable { .. }), "{error}");
    }
}

#[test]
fn a_job_cut_short_anywhere_is_an_error_with_its_place() {
    let bytes = read(&full()).unwrap().to_json().unwrap();
    // The last byte is the line end after the closing brace.
    for length in 0..bytes.len() - 1 {
        let error = Job::from_json(&bytes[..length]).unwrap_err();
        assert!(error.to_string().contains("line"), "{length}: {error}");
    }
}

#[test]
fn a_wrong_field_is_named_with_its_line() {
    let text = serde_json::to_string_pretty(&full()).unwrap();
    let wrong = text.replace("\"size\": 1234", "\"size\": \"big\"");
    let line = wrong.lines().position(|line| line.contains("\"big\"")).unwrap() + 1;
    let error = Job::from_json(wrong.as_bytes()).unwrap_err();
    assert!(error.to_string().contains(&format!("line {line},")), "{error}");
}

#[test]
fn what_cannot_be_is_refused() {
    let changes = [
        ("/scans/knuckle/sha256", json!("short")),
        ("/scans/knuckle/file", json!("")),
        ("/features/bore/dabs/0/radius", json!(0.0)),
        ("/features/bore/dabs/0/radius", json!(-1.0)),
        ("/features/bore/fit/held_radius", json!(-7.0)),
        ("/placements/knuckle/car_from_scan/0/1", json!(-1.1)),
        ("/placements/knuckle/car_from_scan/3/3", json!(2.0)),
        ("/placements/knuckle/covariance", json!([[1.0; 6]; 6].map(|row: [f64; 6]| row.map(|v| -v)))),
        ("/bodies/bar/shape/diameter", json!(-22.0)),
        ("/bodies/guard/shape/outline", json!([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]])),
        ("/bodies/wheel/moves_with", json!("lower_arm")),
        ("/clearance/wanted", json!(-1.0)),
        ("/clearance/lock_deg", json!(0.0)),
        ("/clearance/outer_joint/tilt_deg", json!(90.0)),
        ("/exports/0", json!("../elsewhere.step")),
        ("/exports/0", json!("/etc/left.step")),
    ];
    for (place, wrong) in changes {
        let mut value = full();
        let (parent, last) = place.rsplit_once('/').unwrap();
        match value.pointer_mut(parent).unwrap() {
            Value::Object(object) => drop(object.insert(last.into(), wrong.clone())),
            Value::Array(array) => array[last.parse::<usize>().unwrap()] = wrong.clone(),
            _ => unreachable!(),
        }
        let error = read(&value).unwrap_err();
        assert!(matches!(error, JobError::Inconsistent(_)), "{place} = {wrong}: {error}");
    }
    // 1e999 is no f64, and a mirror is no rotation.
    let text = full().to_string().replace("0.1,", "1e999,");
    assert!(Job::from_json(text.as_bytes()).is_err());
    let mut mirrored = full();
    mirrored["placements"]["knuckle"]["car_from_scan"][2][2] = json!(-1.0);
    assert!(matches!(read(&mirrored).unwrap_err(), JobError::Inconsistent(_)));
}

#[test]
fn nothing_stands_twice() {
    let text = full().to_string();
    let twice = text.replace("\"features\":{", "\"features\":{\"bore\":{\"scan\":\"knuckle\"},");
    assert_ne!(text, twice);
    let error = Job::from_json(twice.as_bytes()).unwrap_err();
    assert!(error.to_string().contains("twice"), "{error}");
    let mut value = full();
    let again = value["hardpoints"][0].clone();
    value["hardpoints"].as_array_mut().unwrap().push(again);
    assert!(matches!(read(&value).unwrap_err(), JobError::Inconsistent(_)));
}

#[test]
fn deep_nesting_is_an_error_not_a_crash() {
    let deep = format!("{{\"format\":\"stringline-job\",\"version\":1,\"x\":{}", "[".repeat(1_000_000));
    assert!(matches!(Job::from_json(deep.as_bytes()).unwrap_err(), JobError::Unreadable { .. }));
}

#[test]
fn the_committed_schema_is_the_programs() {
    let committed = include_str!("../../../docs/job.schema.json");
    let made = Job::schema();
    if committed != made {
        let difference = committed.lines().zip(made.lines()).find(|(a, b)| a != b);
        panic!(
            "docs/job.schema.json is out of date; write it anew with `cargo run -- schema job > docs/job.schema.json`: {difference:?}"
        );
    }
}

#[test]
fn the_schema_accepts_jobs_and_refuses_others() {
    let schema: Value = serde_json::from_str(&Job::schema()).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let errors: Vec<String> = validator.iter_errors(&full()).map(|error| error.to_string()).collect();
    assert_eq!(errors, Vec::<String>::new());
    let empty: Value = serde_json::from_slice(&Job::default().to_json().unwrap()).unwrap();
    assert!(validator.is_valid(&empty));
    for (place, wrong) in [
        ("/version", json!(2)),
        ("/format", json!("other")),
        ("/scans/knuckle/unit", json!("furlong")),
        ("/features/bore/dabs/0/centre", json!([1, 2])),
        ("/hardpoints/0/role", json!("flux_capacitor")),
    ] {
        let mut value = full();
        *value.pointer_mut(place).unwrap() = wrong;
        assert!(!validator.is_valid(&value), "{place}");
    }
}

#[test]
#[ignore = "writes files: run it before fuzzing the job file"]
fn write_fuzz_seeds() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fuzz/corpus/job");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("full.json"), full().to_string()).unwrap();
    std::fs::write(folder.join("empty.json"), Job::default().to_json().unwrap()).unwrap();
}
