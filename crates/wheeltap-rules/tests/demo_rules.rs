//! The demo's rule book passes the checker without a warning, against the demo's own catalogue.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

use std::path::Path;
use wheeltap_catalogue::Catalogue;
use wheeltap_rules::{Environment, health_rules, vet};

#[test]
fn every_demo_rule_is_clean() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-data");
    let text = std::fs::read_to_string(demo.join("catalogue.toml")).unwrap();
    let catalogue = Catalogue::with_files(&[("catalogue.toml".to_owned(), text)]).unwrap();
    let env = Environment::new(&catalogue);
    let mut said = Vec::new();
    let mut rules = 0;
    for entry in std::fs::read_dir(demo.join("rules")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|end| end != "rhai") {
            continue;
        }
        let source = std::fs::read_to_string(&path).unwrap();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let vetted = vet(&name, &source, &env);
        said.extend(
            vetted
                .problems
                .iter()
                .chain(&vetted.warnings)
                .map(ToString::to_string),
        );
        rules += usize::from(vetted.rule.is_some());
    }
    said.sort();
    assert!(said.is_empty(), "{}", said.join("\n"));
    assert!(rules >= 12, "{rules} rules");
}

/// What is said of these rules that a verdict leaves nothing open, or a window too little.
fn said_of_room(rules: &[(String, String)], catalogue: &Catalogue) -> Vec<String> {
    let env = Environment::new(catalogue);
    let mut said = Vec::new();
    for (name, source) in rules {
        let vetted = vet(name, source, &env);
        let warned = vetted.warnings.iter().map(ToString::to_string);
        let words = ["always", "never", "keeps nothing", "unknown unless"];
        said.extend(vetted.problems.iter().map(ToString::to_string));
        said.extend(warned.filter(|line| words.iter().any(|word| line.contains(word))));
    }
    said
}

fn catalogue_of(folder: &Path) -> Catalogue {
    let text = std::fs::read_to_string(folder.join("catalogue.toml")).unwrap();
    Catalogue::with_files(&[("catalogue.toml".to_owned(), text)]).unwrap()
}

// Rules that found what they were written for leave room for it, by the checker too.
#[test]
fn rules_for_open_data_and_sensors_are_left_alone() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let mut said = Vec::new();
    let mut n_rules = 0;
    for entry in std::fs::read_dir(root.join("tests/open-data")).unwrap() {
        let folder = entry.unwrap().path();
        if !folder.is_dir() {
            continue;
        }
        let files = std::fs::read_dir(folder.join("rules")).unwrap();
        let rules: Vec<(String, String)> = files
            .map(|file| {
                let path = file.unwrap().path();
                let name = path.file_name().unwrap().to_string_lossy().into_owned();
                (name, std::fs::read_to_string(&path).unwrap())
            })
            .collect();
        n_rules += rules.len();
        said.extend(said_of_room(&rules, &catalogue_of(&folder)));
    }
    for catalogue in [Catalogue::builtin(), catalogue_of(&root.join("demo-data"))] {
        let rules: Vec<(String, String)> = health_rules(&catalogue)
            .into_iter()
            .map(|(name, text)| (format!("{name}.rhai"), text))
            .collect();
        n_rules += rules.len();
        said.extend(said_of_room(&rules, &catalogue));
    }
    assert!(said.is_empty(), "{}", said.join("\n"));
    assert!(n_rules > 100, "{n_rules} rules");
}
