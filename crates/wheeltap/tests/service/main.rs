//! The commands that speak to a service, against a real one: what is sent is judged as a replay
//! judges it, can be watched, answered and closed, and what is set aside can be seen and deleted.

#[path = "../common/mod.rs"]
mod common;
mod pages;
mod reports;
mod rules;
mod sheet;

use common::{Bench, RULE, Ran, csv};
use serde_json::{Value, json};
use std::{
    io::{BufRead, BufReader, Read as _, Write as _},
    net::TcpStream,
    process::{Child, Command, Stdio},
};

const SETTINGS: &str = r#"
data = "store"
catalogue = ["classes.toml"]
work = ["work.toml"]
roster = "roster.toml"
rules = "rules"
"#;
const CLASSES: &str = r#"
[[class]]
name = "Marten"
title = "Six axles, for lines with long grades"
axles = 6
"#;
const ROSTER: &str = r#"
[[unit]]
id = "ZVR 4117"
class = "Marten"
"#;

/// A running service; killed when dropped.
struct Service {
    child: Child,
    url: String,
    /// Of a watch before anything was sent.
    cursor: String,
    /// Host and port of the web pages.
    pages: String,
}

impl Service {
    fn start(bench: &Bench) -> Self {
        bench.write("wheeltap.toml", SETTINGS);
        bench.write("classes.toml", CLASSES);
        bench.write("work.toml", sheet::WORK);
        bench.write("roster.toml", ROSTER);
        let mut child = wheeltap(bench)
            .args([
                "serve",
                "--config",
                "wheeltap.toml",
                "--listen",
                "127.0.0.1:0",
            ])
            .stderr(Stdio::piped())
            .spawn()
            .expect("the service starts");
        let mut said = BufReader::new(child.stderr.take().expect("stderr is piped"));
        let mut line = String::new();
        said.read_line(&mut line).expect("stderr is text");
        let (_, rest) = line
            .split_once("serving ")
            .unwrap_or_else(|| panic!("{line}"));
        let url = rest.split(',').next().unwrap_or_default().to_owned();
        let (_, pages) = rest
            .split_once("pages at http://")
            .unwrap_or_else(|| panic!("{line}"));
        let pages = pages.split(';').next().unwrap_or_default().to_owned();
        // Kept open: a service that cannot write to stderr would fail for that.
        std::thread::spawn(move || std::io::copy(&mut said, &mut std::io::sink()));
        let mut service = Self {
            child,
            url,
            cursor: String::new(),
            pages,
        };
        let watch = ["watch", "--catch-up", "--cursor-file", "start"];
        service.run(bench, &watch).says(0, &[]);
        service.cursor =
            std::fs::read_to_string(bench.path().join("start")).expect("a cursor was kept");
        service
    }

    /// Sends the bench's day and waits for its alert.
    fn take_day(&self, bench: &Bench) {
        self.run(bench, &["send", "--map", "map.toml", "day.csv"])
            .says(0, &[]);
        self.change(bench, "raised");
    }

    /// One request to the web pages: status line with headers, and the body.
    fn page(&self, request: &str, more: &str, body: &str) -> (String, String) {
        let mut stream = self.ask_page(request, more, body);
        let mut answer = String::new();
        stream
            .read_to_string(&mut answer)
            .expect("the pages answer in UTF-8");
        let (head, body) = answer.split_once("\r\n\r\n").expect("a head");
        (head.to_owned(), body.to_owned())
    }

    fn ask_page(&self, request: &str, more: &str, body: &str) -> TcpStream {
        let mut stream = TcpStream::connect(&self.pages).expect("the pages listen");
        let host = &self.pages;
        let length = body.len();
        let person = if more.contains("Cookie: ") {
            ""
        } else {
            "Cookie: wheeltap-person=Ada%20Brook\r\n"
        };
        write!(
            stream,
            "{request} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {length}\r\n{person}{more}\r\n{body}"
        )
        .expect("the pages read");
        stream
    }

    fn run(&self, bench: &Bench, words: &[&str]) -> Ran {
        let server = ["--server", self.url.as_str()];
        bench.run(words.iter().copied().chain(server))
    }

    /// The first change of this kind since the start, however long it takes.
    fn change(&self, bench: &Bench, kind: &str) -> Value {
        let mut watch = wheeltap(bench)
            .args([
                "watch",
                "--json",
                "--server",
                &self.url,
                "--cursor",
                &self.cursor,
            ])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the watch starts");
        let lines = BufReader::new(watch.stdout.take().expect("stdout is piped")).lines();
        let found = lines
            .map(|line| serde_json::from_str::<Value>(&line.expect("text")).expect("JSON"))
            .find(|change| change["change"] == kind);
        watch.kill().expect("the watch still runs");
        watch.wait().expect("it ends");
        found.expect("the watch goes on until it is found")
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Asserts that a text holds all of these.
#[track_caller]
fn holds(text: &str, words: &[&str]) {
    for word in words {
        assert!(text.contains(word), "no {word:?} in {text}");
    }
}

fn wheeltap(bench: &Bench) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wheeltap"));
    command
        .current_dir(bench.path())
        .env_remove("WHEELTAP_LOG")
        .env("WHEELTAP_PERSON", "Ada Brook");
    command
}

#[test]
fn a_day_that_is_sent_is_judged_as_replayed_answered_and_closed() {
    let bench = Bench::new();
    let service = Service::start(&bench);
    let send = ["send", "--map", "map.toml", "--json", "day.csv"];
    let first = service.run(&bench, &send);
    first.says(0, &[]);
    assert_eq!(first.json()[0]["samples"], 1_800);
    assert_eq!(first.json()[0]["quarantined"], json!([]));
    let again = service.run(&bench, &send);
    again.says(
        0,
        &["day.csv: 1,800 rows were taken before and are not sent again"],
    );
    assert_eq!(again.json()[0]["samples"], 0);

    service.change(&bench, "raised");
    let live = service.run(&bench, &["alerts", "--json"]).json();
    let replay = [
        "rules", "replay", "--json", "--rules", "rules", "--map", "map.toml", "day.csv",
    ];
    let replayed = bench.run(replay).json();
    assert_eq!((live.len(), replayed.len()), (1, 1), "{live:#?}");
    for (key, value) in replayed[0].as_object().expect("an object") {
        assert_eq!(&live[0][key], value, "{key}");
    }
    let alert = live[0]["alert"].to_string();
    let defect = live[0]["defect"].to_string();

    let shown = service.run(&bench, &["alerts", "show", &alert]);
    shown.says(0, &[]);
    holds(
        &shown.stdout,
        &[
            "Oil warm",
            "Check the cooler at the next stop.",
            "oil 60 °C",
            "4 h",
        ],
    );
    service
        .run(
            &bench,
            &["alerts", "acknowledge", &alert, "--note", "crew told"],
        )
        .says(0, &["is taken on by Ada Brook"]);
    let listed = service.run(&bench, &["defects"]);
    holds(&listed.stdout, &["ZVR 4117", "oil cooler", "suspected"]);
    listed.says(0, &["1 open defect"]);
    what_was_done_before_is_said(&bench, &service, &alert);
    let answered = service
        .run(&bench, &["alerts", "show", &alert, "--json"])
        .json();
    assert_eq!(answered[0]["acknowledged"]["note"], "crew told");
    names_of_nothing_are_refused(&bench, &service);
    service
        .run(
            &bench,
            &[
                "defects",
                "find",
                &defect,
                "as-called",
                "--note",
                "tubes silted up",
            ],
        )
        .says(0, &["on ZVR 4117 is closed"]);
    service
        .run(&bench, &["defects", "find", &defect, "as-called"])
        .says(1, &["ALREADY_CLOSED"]);
    let listed = |words: &[&str]| service.run(&bench, words).json().len();
    assert_eq!(
        listed(&["defects", "--json"]),
        1,
        "the closed one is not open"
    );
    assert_eq!(listed(&["defects", "--all", "--json"]), 2);
    let changes = service.run(&bench, &["defects", "changes"]).json();
    let kinds: Vec<&str> = changes
        .iter()
        .filter_map(|line| line["kind"].as_str())
        .collect();
    assert_eq!(kinds.first(), Some(&"opened"), "{changes:#?}");
    assert_eq!(kinds.last(), Some(&"closed"), "{changes:#?}");
    let cursor = changes.last().expect("a cursor")["cursor"]
        .as_str()
        .expect("text");
    let rest = service
        .run(&bench, &["defects", "changes", "--cursor", cursor])
        .json();
    assert_eq!(rest.len(), 1, "a cursor and no change: {rest:#?}");
    rules::forecasts_say_what_live_said(&bench, &service, &live[0]);
    rules::a_script_that_fails_does_not_go_live(&bench, &service);
    rules::a_rule_that_never_knew_does_not_go_live(&bench, &service);
}

/// A report of what is known, a second taker and a promise of nothing.
fn what_was_done_before_is_said(bench: &Bench, service: &Service, alert: &str) {
    let taken_on = [
        "is already taken on by Ada Brook at 20",
        "; the note was not kept",
    ];
    service
        .run(bench, &["alerts", "acknowledge", alert, "--note", "again"])
        .says(1, &taken_on);
    let report = [
        "defects",
        "report",
        "ZVR 4117",
        "Oil smells",
        "--component",
        "oil cooler",
    ];
    service.run(bench, &report).says(
        0,
        &["joined the open defect 1 on ZVR 4117, \"Oil warm\", due 20"],
    );
    let report = [
        "defects",
        "report",
        "ZVR 4117",
        "Horn dumb",
        "--component",
        "horn",
    ];
    service
        .run(bench, &report)
        .says(0, &["defect 2 on ZVR 4117, due"]);
    let takes = ["defects", "take-on", "2", "--note", "mine"];
    service
        .run(bench, &takes)
        .says(0, &["defect 2 on ZVR 4117 is taken on by Ada Brook"]);
    service.run(bench, &takes).says(1, &taken_on);
    let call = ["defects", "call", "2", "dispatcher", "--by", "1 h"];
    service.run(bench, &call).says(1, &["promise is empty"]);
}

/// An empty answer would read as "nothing is wrong"; a watch would wait for ever.
#[test]
fn a_name_that_is_not_known_is_told_the_nearest() {
    let (bench, service) = with_a_day();
    for (words, near) in [
        (&["units", "show", "zvr 4117"][..], "did you mean ZVR 4117?"),
        (
            &["defects", "report", "4117", "weak", "--component", "horn"],
            "did you mean ZVR 4117?",
        ),
        (&["alerts", "--rule", "oil-warn"], "did you mean oil-warm?"),
        (&["rules", "show", "Oil-Warm"], "did you mean oil-warm?"),
        (
            &["report", "scorecard", "oilwarm"],
            "did you mean oil-warm?",
        ),
        (
            &["desk", "acts", "--rule", "OIL-WARM"],
            "did you mean oil-warm?",
        ),
        (
            &["defects", "plan", "1", "--at", "burbot yard"],
            "did you mean Burbot Yard?",
        ),
        (
            &["report", "reliability", "--class", "martin"],
            "did you mean Marten?",
        ),
        (
            &["report", "reliability", "--component", "oil coolers"],
            "did you mean oil cooler?",
        ),
    ] {
        let ran = service.run(&bench, words);
        assert_eq!(ran.code, 1, "{words:?}: {ran:#?}");
        assert!(ran.stderr.contains(near), "{words:?}: {}", ran.stderr);
    }
}

fn names_of_nothing_are_refused(bench: &Bench, service: &Service) {
    for (words, reason) in [
        (&["alerts", "--rule", "nope"][..], "UNKNOWN_RULE"),
        (&["alerts", "--unit", "ZVR 1"], "UNKNOWN_UNIT"),
        (&["watch", "--unit", "ZVR 1"], "UNKNOWN_UNIT"),
        (&["defects", "--unit", "ZVR 1"], "UNKNOWN_UNIT"),
        (&["units", "--class", "Nope"], "UNKNOWN_CLASS"),
        (
            &["report", "reliability", "--component", "nope"],
            "UNKNOWN_COMPONENT",
        ),
        (
            &["report", "reliability", "--system", "nope"],
            "UNKNOWN_SYSTEM",
        ),
        (&["sheet", "arrivals", "--unit", "ZVR 1"], "UNKNOWN_UNIT"),
        (&["desk", "acts", "--defect", "9999"], "UNKNOWN_DEFECT"),
        (&["desk", "acts", "--alert", "9999"], "UNKNOWN_ALERT"),
        (&["desk", "acts", "--rule", "nope"], "UNKNOWN_RULE"),
        (
            &["alerts", "--since", "24 h", "--until", "48 h"],
            "raised to is 20",
        ),
    ] {
        service.run(bench, words).says(1, &[reason]);
    }
}

#[test]
fn events_that_are_sent_are_judged_as_replayed() {
    let bench = Bench::new();
    bench.add_slips();
    let service = Service::start(&bench);
    let sent = service.run(&bench, &["send", "--map", "map.toml", "--json", "day.csv"]);
    sent.says(0, &[]);
    assert_eq!(sent.json()[0]["events"], 3);
    service.change(&bench, "raised");
    let listed = ["alerts", "--json", "--rule", "slips"];
    let live = service.run(&bench, &listed).json();
    let replay = [
        "rules", "replay", "--json", "--rules", "rules", "--rule", "slips", "--map", "map.toml",
        "day.csv",
    ];
    let replayed = bench.run(replay).json();
    assert_eq!((live.len(), replayed.len()), (1, 1), "{live:#?}");
    for (key, value) in replayed[0].as_object().expect("an object") {
        assert_eq!(&live[0][key], value, "{key}");
    }
    // Their fields can be had, to work out what a rule counted and summed.
    let slips = service.run(
        &bench,
        &["export", "events", "ZVR 4117", "--channel", "wheel.slip"],
    );
    slips.says(0, &[]);
    let durations: Vec<&str> = slips
        .stdout
        .lines()
        .filter(|line| line.contains(",duration,"))
        .collect();
    assert_eq!(durations.len(), 3, "{}", slips.stdout);
    assert!(
        durations.iter().all(|line| line.ends_with(",0.5")),
        "{durations:?}"
    );
}

#[test]
fn a_watch_resumes_from_its_cursor_file() {
    let bench = Bench::new();
    bench.write("early.csv", csv(0..900));
    bench.write("late.csv", csv(900..1_800));
    let service = Service::start(&bench);
    let watch = ["watch", "--catch-up", "--json", "--cursor-file", "cursor"];
    service
        .run(&bench, &["send", "--map", "map.toml", "early.csv"])
        .says(0, &[]);
    service.change(&bench, "raised");
    let first = service.run(&bench, &watch);
    assert_eq!(first.json().len(), 1, "{first:#?}");
    service
        .run(&bench, &["send", "--map", "map.toml", "late.csv"])
        .says(0, &[]);
    service.change(&bench, "ended");
    let second = service.run(&bench, &watch).json();
    assert!(
        second.iter().all(|line| line["change"] != "standing"),
        "{second:#?}"
    );
    assert!(
        second.iter().any(|line| line["change"] == "ended"),
        "{second:#?}"
    );
    assert_eq!(service.run(&bench, &watch).stdout, "");
}

#[test]
fn what_is_set_aside_is_told_listed_and_deleted() {
    let bench = Bench::new();
    let service = Service::start(&bench);
    bench.write("map.toml", common::MAP.replace("2026-01-01", "2096-01-01"));
    let ran = service.run(&bench, &["send", "--map", "map.toml", "day.csv"]);
    ran.says(
        1,
        &[
            "ZVR 4117: 1 batch set aside, AHEAD_OF_CLOCK",
            "wheeltap quarantine list",
        ],
    );
    let listed = service
        .run(&bench, &["quarantine", "list", "--json"])
        .json();
    assert_eq!(listed.len(), 1);
    assert_eq!(listed[0]["reason"], "AHEAD_OF_CLOCK");
    let number = listed[0]["batch"].to_string();
    service
        .run(&bench, &["quarantine", "release", &number])
        .says(1, &["AHEAD_OF_CLOCK"]);
    service
        .run(&bench, &["quarantine", "delete", &number])
        .says(0, &["is deleted"]);
    service
        .run(&bench, &["quarantine", "delete", &number])
        .says(1, &["batch "]);
    assert_eq!(
        service
            .run(&bench, &["quarantine", "list", "--json"])
            .stdout,
        ""
    );
}

#[test]
fn an_unknown_unit_is_refused_with_the_mend() {
    let bench = Bench::new();
    let service = Service::start(&bench);
    bench.write("map.toml", common::MAP.replace("ZVR 4117", "ZVR 9999"));
    let send = ["send", "--map", "map.toml", "day.csv"];
    service
        .run(&bench, &send)
        .says(1, &["wheeltap units add \"ZVR 9999\" --class CLASS"]);
    service
        .run(&bench, &["units", "add", "ZVR 9999", "--class", "Stoat"])
        .says(
            1,
            &["the catalogue has no class Stoat; there are ", "Marten"],
        );
    service
        .run(&bench, &["units", "add", "ZVR 9999", "--class", "Marten"])
        .says(0, &["unit ZVR 9999 is in the fleet"]);
    // What the first run left in the spool is sent now.
    service.run(&bench, &send).says(
        0,
        &["taken before", "read 0 rows, 0 samples; 1 batch stored"],
    );
    let shown = service
        .run(&bench, &["units", "show", "ZVR 9999", "--json"])
        .json();
    assert_eq!(shown[0]["newest_at"], "2026-01-01T00:29:59Z");
    service
        .run(
            &bench,
            &[
                "units",
                "state",
                "ZVR 9999",
                "in-shop",
                "--from",
                "2026-01-01T01:00:00Z",
            ],
        )
        .says(0, &["is in shop since 2026-01-01T01:00:00Z"]);
}

#[test]
fn a_second_service_on_the_same_folder_is_refused() {
    let bench = Bench::new();
    let _service = Service::start(&bench);
    bench
        .run([
            "serve",
            "--config",
            "wheeltap.toml",
            "--listen",
            "127.0.0.1:0",
        ])
        .says(1, &["is in use by another server"]);
}

#[test]
fn wrong_settings_are_usage_errors() {
    let bench = Bench::new();
    bench.write("wheeltap.toml", "[limits]\nstreems = 3\n");
    bench
        .run(["serve", "--config", "wheeltap.toml"])
        .says(2, &["wheeltap.toml:2:1: ", "streems"]);
    bench
        .run(["serve", "--listen", "0.0.0.0:0"])
        .says(2, &["loopback"]);
    bench
        .run(["alerts", "--server", "http://127.0.0.1:1"])
        .says(1, &["no service answers at http://127.0.0.1:1"]);
}

// A logger appends to its file: what is sent a second time stores nothing twice.
#[test]
fn a_file_that_has_grown_is_read_again_and_gives_the_same_alert() {
    let bench = Bench::new();
    let service = Service::start(&bench);
    let send = ["send", "--map", "map.toml", "--json", "day.csv"];
    bench.write("day.csv", csv(0..900));
    assert_eq!(service.run(&bench, &send).json()[0]["samples"], 900);
    bench.write("day.csv", csv(0..1_800));
    assert_eq!(service.run(&bench, &send).json()[0]["samples"], 1_800);
    let ended = service.change(&bench, "ended");
    assert_eq!(ended["raised_at"], "2026-01-01T00:11:30Z");
    assert_eq!(ended["ended_at"], "2026-01-01T00:21:50Z");
    assert_eq!(
        service
            .run(&bench, &["alerts", "--withdrawn", "--json"])
            .json()
            .len(),
        1
    );
}

/// A service that was sent the bench's day and has raised its alert.
fn with_a_day() -> (Bench, Service) {
    let bench = Bench::new();
    let service = Service::start(&bench);
    service.take_day(&bench);
    (bench, service)
}
