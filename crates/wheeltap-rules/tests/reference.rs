//! The committed reference says what the code does. `WHEELTAP_WRITE=1 cargo test -p wheeltap-rules
//! --test reference` writes it anew.

use std::path::Path;
use wheeltap_catalogue::Catalogue;
use wheeltap_rules::{Environment, compile, reference};

#[test]
fn the_committed_reference_is_the_code_s() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("REFERENCE.md");
    if std::env::var_os("WHEELTAP_WRITE").is_some() {
        std::fs::write(&path, reference()).unwrap();
    }
    let committed = std::fs::read_to_string(&path).unwrap();
    assert_eq!(committed, reference(), "write REFERENCE.md anew");
}

/// Cells of the table rows under `heading`, header row and rule left out.
fn rows(heading: &str) -> Vec<Vec<String>> {
    let text = reference();
    let section = text.split(heading).nth(1).expect("the section is there");
    section
        .lines()
        .skip_while(|line| !line.starts_with('|'))
        .take_while(|line| line.starts_with('|'))
        .skip(2)
        .map(|line| {
            let cells = line.trim_matches('|').split(" | ");
            cells.map(|cell| cell.trim().to_owned()).collect()
        })
        .collect()
}

fn compiles(reads: &str, raise: &str) {
    let about = "fn about() { #{ title: \"T\", system: \"s\", component: \"c\", priority: \"low\",
        tick: \"10 s\", for_each: \"axle\", cause: \"c\", consequence: \"c\", action: \"a\",
        respond_within: \"1 d\" } }";
    let source =
        format!("{about}\nfn reads() {{ #{{ {reads} }} }}\nfn raise(seen) {{ {raise} }}\n");
    let catalogue = Catalogue::builtin();
    if let Err(problems) = compile("example.rhai", &source, &Environment::new(&catalogue)) {
        panic!("{source}{}", problems[0]);
    }
}

#[test]
fn every_statistic_s_example_compiles() {
    let rows = rows("## reads()");
    assert!(rows.len() > 10);
    for row in rows {
        let raise = if row[2] == "true or false" {
            "seen.x"
        } else {
            "seen.x != 1.0"
        };
        compiles(&format!("x: {}", row[4].trim_matches('`')), raise);
    }
}

#[test]
fn every_function_s_example_compiles() {
    for (heading, column) in [("Comparisons are IEEE", 3), ("The trade's formulas", 4)] {
        let rows = rows(heading);
        assert!(rows.len() > 10);
        for row in rows {
            compiles(
                "x: count(\"wheel.slip\", \"1 h\"), y: count(\"wheel.slide\", \"1 h\")",
                row[column].trim_matches('`'),
            );
        }
    }
}

#[test]
fn every_condition_s_example_compiles() {
    let rows = rows("### During");
    assert_eq!(rows.len(), 5);
    for row in rows {
        let condition = row[2].trim_matches('`');
        let reads =
            format!("x: mean(\"engine.oil.temperature\", \"1 h\", #{{ during: {condition} }})");
        compiles(&reads, "seen.x > 3.5");
    }
}
