//! The demo's rule book passes the checker without a warning, against the demo's own catalogue.

use std::path::Path;
use wheeltap_catalogue::Catalogue;
use wheeltap_rules::{Environment, vet};

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
