//! Holds the documents to what they speak of: links lead somewhere, and every dependency is accounted for.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// README, the guide for developers and everything in `docs`.
fn documents() -> Vec<PathBuf> {
    let in_docs = std::fs::read_dir(root().join("docs")).unwrap().map(|entry| entry.unwrap().path());
    let mut found: Vec<PathBuf> = in_docs.filter(|path| path.extension().is_some_and(|e| e == "md")).collect();
    found.extend(["README.md", "DEVELOPERS.md"].map(|name| root().join(name)));
    found.sort();
    assert!(found.len() > 5);
    found
}

#[test]
fn links_lead_to_files_that_are_there() {
    let mut links = 0;
    for document in documents() {
        let text = std::fs::read_to_string(&document).unwrap();
        for link in text.split("](").skip(1) {
            let target = link.split([')', '#']).next().unwrap();
            if target.is_empty() || target.starts_with("http") {
                continue;
            }
            links += 1;
            let file = document.parent().unwrap().join(target);
            assert!(file.is_file(), "{} links to {target}, which is not there", document.display());
        }
    }
    assert!(links > 10);
}

#[test]
fn every_drawing_is_shown_somewhere() {
    let all: String = documents().iter().map(|d| std::fs::read_to_string(d).unwrap()).collect();
    for entry in std::fs::read_dir(root().join("docs/pictures")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(all.contains(&format!("pictures/{name}")), "no document shows {name}");
    }
}

#[test]
fn every_dependency_has_its_reason() {
    let manifest = std::fs::read_to_string(root().join("Cargo.toml")).unwrap();
    let declared: BTreeSet<&str> = manifest
        .split("[workspace.dependencies]")
        .nth(1)
        .unwrap()
        .lines()
        .take_while(|line| !line.starts_with('['))
        .filter_map(|line| line.split_once(" = "))
        .map(|(name, _)| name)
        .filter(|name| !name.starts_with("stringline"))
        .collect();
    let page = std::fs::read_to_string(root().join("docs/dependencies.md")).unwrap();
    let explained: BTreeSet<&str> = page
        .lines()
        .filter(|line| line.starts_with("| `"))
        .flat_map(|line| line.split('|').nth(1).unwrap().split(','))
        .map(|name| name.trim().trim_matches('`'))
        .collect();
    assert!(declared.len() > 10);
    assert_eq!(declared, explained, "the root Cargo.toml and docs/dependencies.md name different crates");
}
