//! Holds the direction of the crates, and what lies at the top of the tree.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Each crate, and which of our crates its code may use. A new crate gets a line here.
const MAY_USE: &[(&str, &[&str])] = &[
    ("stringline-core", &[]),
    ("stringline-scan", &["core"]),
    ("stringline-clearance", &["core", "scan"]),
    ("stringline-place", &["core", "scan", "fit"]),
    ("stringline-exchange", &["core"]),
    ("stringline-fit", &["core", "scan"]),
    ("stringline-picture", &["core", "scan"]),
    ("stringline-hardpoints", &["core", "fit", "exchange"]),
    ("stringline-kinematics", &["core", "hardpoints"]),
    ("stringline-job", &["core", "scan", "fit", "hardpoints", "exchange", "kinematics", "place", "clearance"]),
    ("stringline-sample", &["core", "scan", "fit", "hardpoints", "job"]),
    (
        "stringline-workbench",
        &[
            "core",
            "scan",
            "fit",
            "hardpoints",
            "kinematics",
            "place",
            "clearance",
            "exchange",
            "picture",
            "job",
            "sample",
        ],
    ),
    (
        "stringline",
        &[
            "core",
            "scan",
            "fit",
            "hardpoints",
            "exchange",
            "kinematics",
            "place",
            "clearance",
            "picture",
            "job",
            "sample",
            "workbench",
        ],
    ),
    ("stringline-testkit", &["core", "scan", "fit", "place"]),
    (
        "stringline-tests",
        &[
            "core",
            "scan",
            "fit",
            "hardpoints",
            "exchange",
            "kinematics",
            "place",
            "clearance",
            "picture",
            "job",
            "sample",
            "testkit",
        ],
    ),
];

/// The crates that open files. All others take and give bytes.
const OPEN_FILES: &[&str] = &[
    "stringline",
    "stringline-job",
    "stringline-sample",
    "stringline-workbench",
    "stringline-testkit",
    "stringline-tests",
];

/// What may lie at the top of the tree, besides names that begin with a full stop.
const TOP_LEVEL: &[&str] =
    &["Cargo.toml", "Cargo.lock", "README.md", "DEVELOPERS.md", "crates", "assets", "tests", "sample-scans", "docs"];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn packages() -> Vec<Value> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--no-deps", "--format-version", "1"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    metadata["packages"].as_array().unwrap().clone()
}

/// Names of a package's direct dependencies; `kind` is null, `dev` or `build` in the metadata.
fn dependencies(package: &Value, dev: bool) -> BTreeSet<String> {
    let all = package["dependencies"].as_array().unwrap().iter();
    all.filter(|d| (d["kind"] == "dev") == dev).map(|d| d["name"].as_str().unwrap().to_owned()).collect()
}

fn is_ours(name: &str) -> bool {
    name == "stringline" || name.starts_with("stringline-")
}

#[test]
fn crates_use_only_what_lies_below_them() {
    for package in packages() {
        let name = package["name"].as_str().unwrap();
        let (_, may_use) = MAY_USE
            .iter()
            .find(|(known, _)| *known == name)
            .unwrap_or_else(|| panic!("{name} has no line in MAY_USE: say what it may use"));
        for used in dependencies(&package, false).iter().filter(|d| is_ours(d)) {
            let short = used.trim_start_matches("stringline-");
            assert!(may_use.contains(&short), "{name} must not use {used}");
        }
        for used in dependencies(&package, true).iter().filter(|d| is_ours(d)) {
            // Tests may use the kit, which uses what lies below it in turn.
            let short = used.trim_start_matches("stringline-");
            assert!(short == "testkit" || may_use.contains(&short), "the tests of {name} must not use {used}");
        }
    }
}

#[test]
fn only_the_window_names_its_libraries() {
    for package in packages() {
        let name = package["name"].as_str().unwrap();
        let all = &dependencies(&package, false) | &dependencies(&package, true);
        let window = all.iter().find(|d| ["bevy", "egui", "eframe", "winit", "wgpu"].iter().any(|w| d.starts_with(w)));
        assert!(window.is_none() || name == "stringline-workbench", "{name} must not use {}", window.unwrap());
    }
}

#[test]
fn only_the_upper_crates_open_files() {
    for package in packages() {
        let name = package["name"].as_str().unwrap();
        if OPEN_FILES.contains(&name) {
            continue;
        }
        let manifest = Path::new(package["manifest_path"].as_str().unwrap());
        for file in rust_files(&manifest.parent().unwrap().join("src")) {
            let text = std::fs::read_to_string(&file).unwrap();
            // Tests at the end of a file may read what they like.
            let code = text.split("#[cfg(test)]").next().unwrap();
            for forbidden in ["std::fs", "fs::File", "File::open", "File::create", "std::net"] {
                assert!(!code.contains(forbidden), "{} names {forbidden}", file.display());
            }
        }
    }
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(rust_files(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
    found
}

#[test]
fn the_top_of_the_tree_is_as_agreed() {
    let ignored = std::fs::read_to_string(root().join(".gitignore")).unwrap();
    for entry in std::fs::read_dir(root()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let is_ignored = ignored.lines().any(|line| line.strip_prefix('/') == Some(&name));
        assert!(
            name.starts_with('.') || is_ignored || TOP_LEVEL.contains(&name.as_str()),
            "{name} does not belong at the top of the tree"
        );
    }
}
