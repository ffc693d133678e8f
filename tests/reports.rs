//! The promise: reports over the demonstration's store find what was planted in it. What was planted is in
//! `demo-data/past.toml`, which the reports know nothing of.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use serde_json::Value;
use std::process::Command;
use tempfile::TempDir;
use wheeltap_sim::PastFile;
use wheeltap_tests::browser::demo_file;
use wheeltap_tests::{Service, wheeltap};

/// Each line of what a command prints.
fn lines(command: &mut Command) -> Vec<Value> {
    let output = command.output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

/// The demonstration played with so many units, and a service over its store.
fn played(units: &str, history: &[&str]) -> (TempDir, Service) {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let mut demo = Command::new(wheeltap());
    demo.args(["demo", "--units", units, "--json"])
        .args(history)
        .arg("--data")
        .arg(&data);
    lines(&mut demo);
    let settings = format!(
        "data = \"data\"\ncatalogue = ['{}']\n",
        demo_file("catalogue.toml").display()
    );
    std::fs::write(folder.path().join("wheeltap.toml"), settings).unwrap();
    let mut serve = Command::new(wheeltap());
    serve
        .args(["serve", "--config", "wheeltap.toml"])
        .args(["--listen", "127.0.0.1:0", "--pages", "127.0.0.1:0"])
        .current_dir(folder.path());
    let service = Service::start(serve).unwrap_or_else(|ended| panic!("{ended:?}"));
    (folder, service)
}

#[test]
fn reports_over_the_demonstration_find_what_was_planted() {
    let (_folder, service) = played("2", &["--history"]);
    let report = |words: &[&str]| {
        let mut report = Command::new(wheeltap());
        let server = ["--json", "--server", service.address()];
        lines(report.arg("report").args(words).args(server))
    };

    // Each rule that the shop looked at was right; each alert of the day is counted.
    let cards = report(&["scorecard"]);
    let looked_at: Vec<&Value> = cards
        .iter()
        .filter(|card| number(&card["precision"]["of"]) > 0.0)
        .collect();
    assert!(!looked_at.is_empty(), "{cards:#?}");
    for card in &looked_at {
        let bounds = &card["precision"]["share"];
        assert!(
            number(&bounds["lower"]) < number(&bounds["value"]),
            "{card:#}"
        );
        assert!(number(&card["alerts"]) > 0.0, "{card:#}");
    }
    let desk = report(&["desk", "--by-event-time"]);
    assert_eq!(
        desk[0]["desk"]["is_long_enough"], false,
        "a day is no month"
    );
    let days: Vec<&Value> = desk.iter().filter(|line| !line["day"].is_null()).collect();
    assert_eq!(days.len(), 1, "{desk:#?}");
    assert_eq!(days[0]["day"]["alerts"], desk[0]["desk"]["alerts"]);

    let failed = report(&["reliability"]);
    assert_eq!(failed[0]["reliability"]["basis"], "working");
    let past = std::fs::read_to_string(demo_file("past.toml")).unwrap();
    let past = PastFile::parse("past.toml", &past).unwrap();
    let total = failed.iter().find(|line| !line["total"].is_null()).unwrap();
    let total = &total["total"];
    // Two or three units over two years, less what they stood.
    let years = number(&total["exposure_days"]) / 365.25 / number(&total["units"]);
    assert!((1.8..2.01).contains(&years), "{years}");
    let n_failures = number(&total["failures"]);
    assert!(n_failures >= 3.0, "{total:#}");
    assert!(
        (number(&total["mtbf_days"]["value"]) * n_failures / number(&total["exposure_days"]) - 1.0)
            .abs()
            < 1e-9
    );
    let planted = |name: &str| {
        past.component
            .iter()
            .any(|component| component.name == name)
    };
    let names = failed
        .iter()
        .filter_map(|line| line["component"]["name"].as_str());
    assert!(names.clone().any(planted), "{failed:#?}");
    let available = failed
        .iter()
        .find(|line| !line["availability"].is_null())
        .unwrap();
    let share = number(&available["availability"]["share"]);
    assert!((0.9..1.0).contains(&share), "{share}");
    let states = available["availability"]["states"].as_array().unwrap();
    assert!(
        states
            .iter()
            .any(|state| state["state"] == "in_shop" && state["counts"] == "lost")
    );
}

/// The railway file says where alders grease the rail: mile 88.0 to 89.6 of the first line.
#[test]
fn the_greasy_cutting_of_the_demonstration_is_its_first_rail_place() {
    let (_folder, service) = played("12", &[]);
    let mut report = Command::new(wheeltap());
    report.args(["report", "rail", "--json", "--server", service.address()]);
    let found = lines(&mut report);
    let first = &found[0];
    assert_eq!(first["line"], 1, "{first:#}");
    let (from, until) = (number(&first["from_mile"]), number(&first["until_mile"]));
    assert!(from > 87.9 && until < 89.8, "{from} to {until}");
    assert!(number(&first["trains"]) > 2.0, "{first:#}");
    let next = found[1]["trains"].as_f64().unwrap_or_default();
    assert!(next < number(&first["trains"]), "{:#}", found[1]);
}
