//! The promise: the layers of DEVELOPERS.md hold. Each crate lists the workspace crates it may
//! depend on, the storage engine and the script engine stay behind one crate each, and rules are
//! judged in one place.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Crate, what it may depend on, and what its own tests may use besides.
const ALLOWED: [(&str, &[&str], &[&str]); 15] = [
    // Pure values: below everything.
    ("wheeltap-model", &[], &[]),
    // Numbers in, numbers out; its tests convert the published units by the catalogue.
    ("wheeltap-analysis", &[], &["wheeltap-catalogue"]),
    // Its derived channels name formulas.
    (
        "wheeltap-catalogue",
        &["wheeltap-model", "wheeltap-analysis"],
        &[],
    ),
    // A verdict is a function of window values: no store, no clock, no wire.
    (
        "wheeltap-rules",
        &["wheeltap-model", "wheeltap-analysis", "wheeltap-catalogue"],
        &[],
    ),
    // Live and replay share it, so it must not know where samples come from.
    (
        "wheeltap-judge",
        &[
            "wheeltap-model",
            "wheeltap-analysis",
            "wheeltap-catalogue",
            "wheeltap-rules",
        ],
        &[],
    ),
    // Its reports are sums over the book and the statistics of analysis.
    (
        "wheeltap-followup",
        &["wheeltap-model", "wheeltap-analysis"],
        &[],
    ),
    ("wheeltap-store", &["wheeltap-model"], &[]),
    ("wheeltap-proto", &["wheeltap-model"], &[]),
    (
        "wheeltap-server",
        &[
            "wheeltap-model",
            "wheeltap-analysis",
            "wheeltap-catalogue",
            "wheeltap-rules",
            "wheeltap-judge",
            "wheeltap-followup",
            "wheeltap-store",
            "wheeltap-proto",
        ],
        &["wheeltap-client"],
    ),
    // Knows the contract only.
    (
        "wheeltap-client",
        &["wheeltap-model", "wheeltap-proto"],
        &[],
    ),
    // The simulator must not know what looks at its output; its tests may.
    (
        "wheeltap-sim",
        &["wheeltap-model", "wheeltap-catalogue"],
        &["wheeltap-rules", "wheeltap-judge"],
    ),
    ("wheeltap-bench", ALL_AND_TESTS, &[]),
    ("wheeltap-tests", ALL, &[]),
    ("wheeltap", ALL, &[]),
    (
        "wheeltap-pages",
        &["wheeltap-client", "wheeltap-proto", "wheeltap-model"],
        &[],
    ),
];

/// The browser of the tests measures pages too.
const ALL_AND_TESTS: &[&str] = &[
    "wheeltap-tests",
    "wheeltap-model",
    "wheeltap-analysis",
    "wheeltap-catalogue",
    "wheeltap-rules",
    "wheeltap-judge",
    "wheeltap-followup",
    "wheeltap-store",
    "wheeltap-proto",
    "wheeltap-server",
    "wheeltap-client",
    "wheeltap-sim",
    "wheeltap-pages",
];

const ALL: &[&str] = &[
    "wheeltap-model",
    "wheeltap-analysis",
    "wheeltap-catalogue",
    "wheeltap-rules",
    "wheeltap-judge",
    "wheeltap-followup",
    "wheeltap-store",
    "wheeltap-proto",
    "wheeltap-server",
    "wheeltap-client",
    "wheeltap-sim",
    "wheeltap-pages",
];

/// Crates from outside that one crate alone may use.
const BEHIND: [(&str, &str); 3] = [
    ("rhai", "wheeltap-rules"),
    ("sled", "wheeltap-store"),
    ("pco", "wheeltap-store"),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .unwrap()
        .to_owned()
}

fn packages() -> Vec<Value> {
    let output = Command::new(env!("CARGO"))
        .args([
            "metadata",
            "--format-version",
            "1",
            "--no-deps",
            "--offline",
        ])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    metadata["packages"].as_array().unwrap().clone()
}

/// Each forbidden edge in words; empty when the layers hold.
fn forbidden(packages: &[Value]) -> Vec<String> {
    let allowed: BTreeMap<&str, (&[&str], &[&str])> = ALLOWED
        .iter()
        .map(|(name, depends, tests)| (*name, (*depends, *tests)))
        .collect();
    let names: BTreeSet<&str> = packages
        .iter()
        .map(|package| package["name"].as_str().unwrap())
        .collect();
    let mut found = Vec::new();
    for package in packages {
        let name = package["name"].as_str().unwrap();
        let Some((depends, tests)) = allowed.get(name) else {
            found.push(format!(
                "{name} has no layer: add it to this test and DEVELOPERS.md"
            ));
            continue;
        };
        for dependency in package["dependencies"].as_array().unwrap() {
            let on = dependency["name"].as_str().unwrap();
            let is_dev = dependency["kind"].as_str() == Some("dev");
            if names.contains(on) {
                let may = depends.contains(&on) || (is_dev && tests.contains(&on));
                if !may {
                    let kind = if is_dev { "tests of " } else { "" };
                    found.push(format!("{kind}{name} must not depend on {on}"));
                }
            }
            for (outside, owner) in BEHIND {
                if on == outside && name != owner {
                    found.push(format!("{name} uses {outside}, which is behind {owner}"));
                }
            }
        }
    }
    found
}

#[test]
fn every_crate_keeps_to_its_layer() {
    let packages = packages();
    assert!(packages.len() >= 14, "the workspace was read");
    assert_eq!(forbidden(&packages), [] as [String; 0]);
}

#[test]
fn a_forbidden_edge_is_found() {
    let mut packages = packages();
    let judge = packages
        .iter_mut()
        .find(|package| package["name"] == "wheeltap-judge")
        .unwrap();
    let dependencies = judge["dependencies"].as_array_mut().unwrap();
    for name in ["wheeltap-store", "sled"] {
        dependencies.push(serde_json::json!({ "name": name, "kind": null }));
    }
    dependencies.push(serde_json::json!({ "name": "wheeltap-sim", "kind": "dev" }));
    assert_eq!(
        forbidden(&packages),
        [
            "wheeltap-judge must not depend on wheeltap-store",
            "wheeltap-judge uses sled, which is behind wheeltap-store",
            "tests of wheeltap-judge must not depend on wheeltap-sim",
        ]
    );
}

/// Rust sources below a folder.
fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

/// Code without comments; enough for looking up a call.
fn code(text: &str) -> impl Iterator<Item = &str> {
    text.lines()
        .map(|line| line.split("//").next().unwrap_or(""))
}

/// Whether the file asks a rule's logic for a verdict.
fn judges_logic(text: &str) -> bool {
    let fields = ["raise", "clear", "tested", "suppress"];
    code(text).any(|line| {
        line.contains("Logic::judge")
            || (line.contains(".judge(") && fields.iter().any(|field| line.contains(field)))
    }) || (code(text).any(|line| line.contains("Logic"))
        && code(text).any(|line| line.contains(".judge(")))
}

#[test]
fn rules_are_evaluated_in_one_place() {
    let mut files = Vec::new();
    sources(&root().join("crates"), &mut files);
    let judging: BTreeSet<String> = files
        .iter()
        .filter(|path| path.components().any(|part| part.as_os_str() == "src"))
        .filter(|path| judges_logic(&fs::read_to_string(path).unwrap()))
        .map(|path| {
            let inside = path.strip_prefix(root().join("crates")).unwrap();
            let name = inside.components().next().unwrap().as_os_str();
            name.to_str().unwrap().to_owned()
        })
        .collect();
    let expected = ["wheeltap-judge", "wheeltap-rules"].map(str::to_owned);
    assert_eq!(judging, BTreeSet::from(expected));
}
