//! Who may import whom, and where `unsafe` may stand.

use std::collections::{BTreeMap, BTreeSet};

use cargo_metadata::{DependencyKind, MetadataCommand};

use crate::bench::root;

/// The workspace crates each crate may depend on (normal and build dependencies).
fn allowed(name: &str) -> Option<&'static [&'static str]> {
    Some(match name {
        "restrike-abi" | "restrike-model" | "restrike-synth" => &[],
        "restrike-ops" | "restrike-report" => &["restrike-model"],
        "restrike-stage" | "restrike-host" => &["restrike-abi", "restrike-model"],
        "restrike-engine" => &["restrike-host", "restrike-model"],
        "restrike" => &[
            "restrike-engine",
            "restrike-host",
            "restrike-model",
            // `restrike pair` has no stage: two scans, no config.
            "restrike-ops",
            "restrike-report",
            // Listed so that they are built; never used.
            "restrike-deskew",
            "restrike-colour-separation",
            "restrike-comparison",
            "restrike-drift",
            "restrike-edge-wear",
            "restrike-grading",
            "restrike-registration",
            "restrike-scan-check",
        ],
        "restrike-deskew"
        | "restrike-colour-separation"
        | "restrike-comparison"
        | "restrike-drift"
        | "restrike-grading"
        | "restrike-edge-wear"
        | "restrike-scan-check"
        | "restrike-registration" => &["restrike-ops", "restrike-stage"],
        "restrike-unruly" => &["restrike-stage"],
        // Measures the whole tool: may use any part.
        "restrike-tests" => return None,
        other => panic!("{other} is not in the list of who may import whom: add it"),
    })
}

#[test]
fn crates_import_only_what_they_may() {
    let metadata = MetadataCommand::new()
        .manifest_path(root().join("Cargo.toml"))
        .no_deps()
        .other_options(["--offline".to_owned()])
        .exec()
        .unwrap();
    let names: BTreeSet<&str> = metadata.packages.iter().map(|p| p.name.as_str()).collect();
    let mut wrong = BTreeMap::new();
    for p in &metadata.packages {
        let Some(may) = allowed(p.name.as_str()) else {
            continue;
        };
        let over: Vec<&str> = p
            .dependencies
            .iter()
            .filter(|d| d.kind != DependencyKind::Development)
            .map(|d| d.name.as_str())
            .filter(|d| names.contains(d) && !may.contains(d))
            .collect();
        if !over.is_empty() {
            wrong.insert(p.name.to_string(), over.join(", "));
        }
    }
    assert!(wrong.is_empty(), "these imports are not allowed: {wrong:?}");
}

fn sources() -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders: Vec<_> = ["pipeline", "plugins", "tests"]
        .iter()
        .map(|f| root().join(f))
        .collect();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                if !path.ends_with("outside/data") {
                    folders.push(path);
                }
            } else if path.extension().is_some_and(|e| e == "rs") {
                let name = path
                    .strip_prefix(root())
                    .unwrap()
                    .to_string_lossy()
                    .into_owned();
                found.push((name, std::fs::read_to_string(&path).unwrap()));
            }
        }
    }
    found
}

#[test]
fn unsafe_code_stands_only_at_the_boundary() {
    let may = ["pipeline/abi/", "pipeline/stage/", "pipeline/host/"];
    let word = ["uns", "afe"].concat();
    for (name, text) in sources() {
        if may.iter().any(|m| name.starts_with(m)) {
            continue;
        }
        for (n, line) in text.lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            assert!(
                !code
                    .split(|c: char| !c.is_alphanumeric() && c != '_')
                    .any(|w| w == word),
                "{name}:{}: {line}",
                n + 1
            );
        }
    }
}

#[test]
fn files_keep_to_one_idea() {
    for (name, text) in sources() {
        let lines = text.lines().count();
        assert!(
            lines <= 600,
            "{name} has {lines} lines: it holds more than one idea"
        );
    }
}
