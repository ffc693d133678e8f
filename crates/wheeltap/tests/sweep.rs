//! `rules sweep` tries every combination of a rule's parameters in one pass, and says which are worth
//! having.

mod common;

use common::{Bench, RULE};
use serde_json::Value;
use std::fmt::Write as _;

/// Oil that failed twice, at 60 and at 55 degC for ten minutes each, and was only warm at 48 degC
/// four times.
fn day() -> String {
    let mut text = "t_s,oil\n".to_owned();
    for second in (0..36_000).step_by(10) {
        let oil = match (second / 600) % 60 {
            5 => 60,
            15 => 55,
            25 | 30 | 35 | 40 => 48,
            _ => 40,
        };
        writeln!(text, "{second},{oil}").expect("a string takes all");
    }
    text
}

const LABELS: &str = "unit,from,until,failed_at\n\
    ZVR 4117,2026-01-01T00:50:00Z,2026-01-01T01:00:00Z,2026-01-01T01:00:00Z\n\
    ZVR 4117,2026-01-01T02:30:00Z,2026-01-01T02:40:00Z,2026-01-01T02:40:00Z\n";

fn text(limit: &str, on_delay: &str) -> String {
    RULE.replace("on_delay: \"1 min\"", &format!("on_delay: \"{on_delay}\""))
        .replace("> 50.0", &format!("> {limit}"))
        .replace("< 45.0", "< 43.0")
}

fn bench() -> Bench {
    let bench = Bench::new();
    let params = "fn params() { #{ limit: param(50.0, \"Cel\", #{ from: 45.0, to: 62.0, step: 0.5 }), \
                  on_delay: #{ from: \"1 min\", to: \"7 min\", step: \"3 min\" } } }\nfn raise";
    bench.write(
        "oil-warm.rhai",
        text("seen.limit", "1 min").replacen("fn raise", params, 1),
    );
    bench.write("day.csv", day());
    bench.write("labels.csv", LABELS);
    bench.write("map.toml", common::MAP.replace("\"1 s\"", "\"10 s\""));
    bench
}

const SWEEP: [&str; 8] = [
    "rules",
    "sweep",
    "oil-warm.rhai",
    "day.csv",
    "--map",
    "map.toml",
    "--labels",
    "labels.csv",
];

fn param(line: &Value, name: &str) -> f64 {
    line["params"][name].as_f64().expect("a number")
}

#[test]
fn one_pass_gives_what_a_replay_of_each_text_gives() {
    let bench = bench();
    let ran = bench.run(SWEEP.into_iter().chain(["--json"]));
    ran.says(0, &["read 3,600 rows"]);
    let lines = ran.json();
    assert_eq!(lines.len(), 35 * 3);
    // A handful each way, some of which ring twice, six times and never.
    for line in lines.iter().step_by(7) {
        let (limit, delay) = (param(line, "limit"), param(line, "on_delay"));
        let rule = text(&format!("{limit:?}"), &format!("{delay} s"));
        bench.write("one/oil-warm.rhai", rule);
        let replayed = bench.run([
            "rules",
            "replay",
            "--rules",
            "one",
            "--map",
            "map.toml",
            "day.csv",
            "--labels",
            "labels.csv",
            "--forecast",
            "--json",
        ]);
        let forecast = replayed.json().pop().expect("a forecast");
        assert_eq!(
            line["alerts"], forecast["alerts"],
            "limit {limit}, delay {delay}"
        );
        for figure in [
            "precision",
            "recall",
            "median_lead_s",
            "right",
            "wrong",
            "undecided",
        ] {
            assert_eq!(
                line[figure], forecast["score"][figure],
                "{figure} at {limit}, {delay}"
            );
        }
    }
}

/// What came in two hours of data a month apart is not thinned out over the month.
#[test]
fn a_day_is_a_day_with_data_in_a_replay_and_in_a_sweep() {
    const MONTH_S: i64 = 30 * 86_400;
    let bench = bench();
    let mut text = "t_s,oil\n".to_owned();
    for start_s in [0, MONTH_S] {
        for second in (0..=3_590).step_by(10) {
            let oil = if second < 1_200 { 60 } else { 40 };
            writeln!(text, "{},{oil}", start_s + second).expect("a string takes all");
        }
    }
    bench.write("day.csv", text);
    let swept = bench
        .run(SWEEP.into_iter().take(6).chain(["--json"]))
        .json();
    let in_force = swept.iter().find(|line| line["in_force"] == true);
    bench.write("one/oil-warm.rhai", RULE);
    let words = [
        "rules", "replay", "--rules", "one", "--map", "map.toml", "day.csv",
    ];
    let replayed = bench.run(words.into_iter().chain(["--forecast", "--json"]));
    let forecast = replayed.json().pop().expect("a forecast");
    assert_eq!(forecast["alerts"], 2);
    // The first hour whole, as more came after it, and 3,590 s of the second.
    assert_eq!(forecast["covered_s"], 7_190.0);
    for line in [&forecast, in_force.expect("as written")] {
        let per_day = line["per_day"].as_f64().expect("a number");
        assert!((per_day - 2.0 * 86_400.0 / 7_190.0).abs() < 1e-9, "{line}");
    }
}

/// No alerts of a rule that saw nothing mean nothing, whatever its limits.
#[test]
fn a_sweep_says_that_a_rule_never_knew_what_it_reads() {
    let bench = bench();
    let swept = || {
        bench
            .run(SWEEP.into_iter().take(6).chain(["--json"]))
            .json()
    };
    assert!(swept().iter().all(|line| line["units_blind"] == 0));
    let text = std::fs::read_to_string(bench.path().join("oil-warm.rhai")).expect("a rule");
    let blind = text.replace("engine.oil.temperature", "engine.coolant.temperature");
    bench.write("oil-warm.rhai", blind);
    let said = "no verdict on 1 unit at any tick, as it never knew mean(engine.coolant.temperature";
    bench.run(SWEEP).says(0, &[said]);
    assert!(swept().iter().all(|line| line["units_blind"] == 1));
}

/// A mistyped name would count as a failure that was missed, and nobody would know why.
#[test]
fn labels_of_what_is_not_there_are_told() {
    let bench = bench();
    let more = "ZVR 4117,2030-01-01T01:00:00Z,2030-01-01T02:00:00Z,,\n\
                ZVR 9,2026-01-01T01:00:00Z,2026-01-01T02:00:00Z,,\n\
                ZVR 4117,2026-01-01T01:00:00Z,2026-01-01T02:00:00Z,,oil-worm\n";
    bench.write(
        "labels.csv",
        format!("unit,from,until,failed_at,rule\n{more}"),
    );
    let told = [
        "1 label outside of the data, ",
        "the labels name ZVR 9, of which these files hold nothing",
        "the labels name the rule oil-worm, which is not judged here",
    ];
    bench.run(SWEEP).says(0, &told);
    bench.write("one/oil-warm.rhai", RULE);
    let replay = [
        "rules", "replay", "--rules", "one", "--map", "map.toml", "day.csv",
    ];
    let labels = ["--labels", "labels.csv", "--forecast"];
    bench.run(replay.into_iter().chain(labels)).says(0, &told);
}

#[test]
fn the_knee_finds_both_failures_and_nothing_else() {
    let bench = bench();
    let lines = bench.run(SWEEP.into_iter().chain(["--json"])).json();
    let marked =
        |mark: &str| -> Vec<&Value> { lines.iter().filter(|line| line[mark] == true).collect() };
    let knee = marked("knee");
    assert_eq!(knee.len(), 1);
    assert_eq!(
        (&knee[0]["recall"], &knee[0]["precision"]),
        (&1.0.into(), &1.0.into())
    );
    // The lowest limit above 48 degC and the shortest delay call earliest.
    assert_eq!(
        (param(knee[0], "limit"), param(knee[0], "on_delay")),
        (48.0, 60.0)
    );
    let in_force = marked("in_force");
    assert_eq!((param(in_force[0], "limit"), in_force.len()), (50.0, 1));
    // Those that none beats never cost more to find less.
    let best = marked("best");
    for pair in best.iter().flat_map(|a| best.iter().map(move |b| (a, b))) {
        let figure = |line: &Value, name: &str| line[name].as_f64().expect("a number");
        let (cheaper, finds_more) = (
            figure(pair.0, "per_day") < figure(pair.1, "per_day"),
            figure(pair.0, "recall") > figure(pair.1, "recall"),
        );
        assert!(!(cheaper && finds_more), "{pair:?}");
    }
}

#[test]
fn it_is_drawn_and_printed_for_people() {
    let bench = bench();
    let ran = bench.run(SWEEP.into_iter().chain(["--plot", "sweep.html"]));
    ran.says(
        0,
        &["105 combinations", "no other beats", "drawn in sweep.html"],
    );
    assert!(ran.stdout.contains("48 Cel  1 min"), "{}", ran.stdout);
    assert!(
        ran.stdout.contains("knee") && ran.stdout.contains("as written"),
        "{}",
        ran.stdout
    );
    let page = std::fs::read_to_string(bench.path().join("sweep.html")).expect("a page");
    assert!(
        page.contains("knee: limit 48 Cel, on_delay 1 min"),
        "{page}"
    );
    assert_eq!(page.matches("<tr").count(), 106, "a row each and the head");
    assert!(page.contains("<svg") && !page.contains("http://localhost"));
    // Without labels nothing says which is best, and the load is drawn against the parameter.
    let words = SWEEP
        .into_iter()
        .take(6)
        .chain(["--param", "limit", "--plot", "load.svg"]);
    let ran = bench.run(words);
    ran.says(0, &["35 combinations", "no failure is known"]);
    let plot = std::fs::read_to_string(bench.path().join("load.svg")).expect("a plot");
    assert!(
        plot.starts_with("<svg") && plot.contains("limit, Cel"),
        "{plot}"
    );
}

#[test]
fn what_cannot_be_swept_is_said() {
    let bench = bench();
    let swept = |words: &[&'static str]| bench.run(SWEEP.into_iter().chain(words.iter().copied()));
    swept(&["--param", "limt"]).says(2, &["no parameter limt; it has limit, on_delay"]);
    swept(&["--plot", "sweep.pdf"]).says(2, &["ends in .svg or .html"]);
    bench.write("oil-warm.rhai", RULE);
    swept(&[]).says(2, &["has no params()", "param(18.0"]);
    bench.write("oil-warm.rhai", RULE.replace("> 50.0", "> \"a\""));
    swept(&[]).says(1, &["oil-warm.rhai:"]);
}

#[test]
fn what_files_cannot_answer_is_said() {
    let bench = bench();
    let own = text("seen.limit", "1 min").replacen(
        "reads() { #{ ",
        "reads() { #{ mates: mates_count(last(\"engine.oil.temperature\")), \
         speed: last(\"engine.speed\"), ",
        1,
    );
    let params = "fn params() { #{ limit: param(50.0, \"Cel\", #{ from: 45.0, to: 62.0, step: 0.5 }) } }\nfn raise";
    bench.write("oil-warm.rhai", own.replacen("fn raise", params, 1));
    bench.run(SWEEP).says(
        0,
        &[
            "oil-warm asks consist mates: files know no trains",
            "oil-warm reads engine.speed, which the map does not fill",
        ],
    );
}
