//! `rules replay` prints what the rules say of measurements from files, whatever shape the files
//! come in, and refuses what it cannot read by file, line and mend.

mod common;

use common::{Bench, MAP, RULE, Ran, csv};
use flate2::{Compression, write::GzEncoder};
use serde_json::json;
use std::fmt::Write as _;
use std::io::Write as _;

/// `rules replay` of these files as JSON.
fn replay(bench: &Bench, files: &[&str]) -> Ran {
    let words = [
        "rules", "replay", "--json", "--rules", "rules", "--map", "map.toml",
    ];
    bench.run(words.into_iter().chain(files.iter().copied()))
}

fn gzip(text: &str) -> Vec<u8> {
    let mut gzip = GzEncoder::new(Vec::new(), Compression::fast());
    gzip.write_all(text.as_bytes()).expect("memory takes all");
    gzip.finish().expect("memory takes all")
}

// By hand: of the 60 samples in (t - 60 s, t], t - 599 s are at 60 degC once t is past 600 s, so the
// mean exceeds 50 from tick 630 s on, and after the delay of 60 s the alert is raised at 690 s. It is
// below 45 from tick 1,250 s on, so it ends at 1,310 s.
#[test]
fn an_alert_is_one_json_object_a_line() {
    let ran = replay(&Bench::new(), &["day.csv"]);
    assert_eq!(ran.code, 0, "{ran:#?}");
    let alerts = ran.json();
    assert_eq!(alerts.len(), 1, "{}", ran.stdout);
    let alert = &alerts[0];
    for (key, value) in [
        ("rule", json!("oil-warm")),
        ("title", json!("Oil warm")),
        ("priority", json!("high")),
        ("unit", json!("ZVR 4117")),
        ("part", json!(null)),
        ("since", json!("2026-01-01T00:10:30Z")),
        ("raised_at", json!("2026-01-01T00:11:30Z")),
        ("ended_at", json!("2026-01-01T00:21:50Z")),
        ("suppressed_by_design", json!(false)),
        ("evidence", json!({"oil": 60.0})),
        ("end_evidence", json!({"oil": 40.0})),
    ] {
        assert_eq!(alert[key], value, "{key}");
    }
    assert_eq!(alert["reads"]["oil"]["ucum"], "Cel");
    ran.says(
        0,
        &[
            "read 1,800 rows, 1,800 samples of 1 channel, 1 unit",
            "judged 1 rule: 1 alert",
        ],
    );
}

#[test]
fn an_alert_that_stands_has_no_end() {
    let bench = Bench::new();
    bench.write("day.csv", csv(0..1_000));
    let ran = replay(&bench, &["day.csv"]);
    assert_eq!(ran.json()[0]["ended_at"], json!(null));
    ran.says(0, &["1 alert, 1 standing at the end"]);
}

#[test]
fn people_get_a_table() {
    let ran = Bench::new().run([
        "rules", "replay", "--rules", "rules", "--map", "map.toml", "day.csv",
    ]);
    let lines: Vec<&str> = ran.stdout.lines().collect();
    assert_eq!(lines.len(), 2, "{}", ran.stdout);
    for word in [
        "2026-01-01T00:11:30Z",
        "after 10 min 20 s",
        "ZVR 4117",
        "oil-warm",
        "oil 60 °C",
    ] {
        assert!(lines[1].contains(word), "{word} in {}", lines[1]);
    }
}

#[test]
fn the_shape_of_the_files_changes_nothing() {
    let bench = Bench::new();
    let expected = replay(&bench, &["day.csv"]).stdout;
    let text = csv(0..1_800);
    bench.write("packed.csv.gz", gzip(&text));
    bench.write("marked.csv", format!("\u{feff}{text}"));
    let mut mixed = String::new();
    for (line, end) in text.lines().zip(["\n", "\r\n"].into_iter().cycle()) {
        mixed.push_str(line);
        mixed.push_str(end);
    }
    bench.write("mixed.csv", mixed);
    bench.write("early.csv", csv(0..700));
    bench.write("late.csv", csv(700..1_800));
    for files in [
        &["packed.csv.gz"][..],
        &["marked.csv"],
        &["mixed.csv"],
        &["early.csv", "late.csv"],
        &["late.csv", "early.csv"],
    ] {
        let ran = replay(&bench, files);
        assert_eq!(ran.stdout, expected, "{files:?}: {}", ran.stderr);
    }
}

#[test]
fn bad_measurements_are_refused_by_place_and_mend() {
    let bench = Bench::new();
    let check = |file: &str, content: &[u8], words: &[&str]| {
        bench.write(file, content);
        let ran = replay(&bench, &[file]);
        assert_eq!(ran.stdout, "");
        ran.says(1, words);
    };
    check(
        "no-oil.csv",
        b"t_s,water\n0,40\n",
        &["no-oil.csv:1", "oil", "water"],
    );
    check(
        "number.csv",
        b"t_s,oil\n0,40\n1,warm\n",
        &["number.csv:3", "cell 2", "warm"],
    );
    check(
        "time.csv",
        b"t_s,oil\nnoon,40\n",
        &["time.csv:2", "cell 1", "noon"],
    );
    check("empty.csv", b"", &["empty.csv", "empty"]);
    let packed = gzip(&csv(0..1_800));
    check("half.csv.gz", &packed[..packed.len() / 2], &["half.csv.gz"]);
    let ran = replay(&bench, &["gone.csv"]);
    ran.says(1, &["gone.csv could not be read"]);
}

// The same reading twice is one; of differing ones the lines are told, in whichever file they stand.
#[test]
fn readings_that_differ_for_one_instant_are_told_with_their_lines() {
    let bench = Bench::new();
    bench.write("a.csv", "t_s,oil\n0,40\n1,41\n2,42\n2,42\n3,43\n3,44\n");
    bench.write("b.csv", "t_s,oil\n0,40\n1,51\n1,41\n");
    let ran = replay(&bench, &["a.csv", "b.csv"]);
    ran.says(
        0,
        &[
            "engine.oil.temperature: readings that differ for one instant, so that they feed no rule: 2, first of \
             ZVR 4117 at 2026-01-01T00:00:01Z: a.csv:3 and b.csv:3",
        ],
    );
    let alike = replay(&bench, &["day.csv", "day.csv"]);
    alike.says(0, &[]);
    assert!(!alike.stderr.contains("differ"), "{}", alike.stderr);
}

#[test]
fn a_bad_map_is_refused_by_place_and_mend() {
    let bench = Bench::new();
    bench.write("map.toml", common::MAP.replace("spacing", "spaceing"));
    replay(&bench, &["day.csv"]).says(1, &["map.toml:12:1", "spaceing", "1 problem in the map"]);
}

#[test]
fn a_rule_for_others_and_a_channel_that_nobody_fills_are_named() {
    let bench = Bench::new();
    bench.write(
        "rules/other.rhai",
        common::RULE.replace("priority:", "applies: #{ class: [\"Stoat\"] }, priority:"),
    );
    bench.write(
        "rules/water.rhai",
        common::RULE.replace("engine.oil.temperature", "engine.coolant.temperature"),
    );
    let ran = replay(&bench, &["day.csv"]);
    assert_eq!(ran.json().len(), 1);
    ran.says(
        0,
        &[
            "other applies to no unit in these files",
            "water reads engine.coolant.temperature, which the map does not fill",
            "water had no verdict at any tick, as it never knew mean(engine.coolant.temperature, 1 min): ZVR 4117",
        ],
    );
}

/// That the engine stood is no reason why a rule that could never have called is silent.
#[test]
fn a_rule_that_was_not_tested_and_never_knew_its_condition_is_told() {
    let bench = Bench::new();
    let untested = |channel: &str| {
        common::RULE
            .replace("engine.oil.temperature", channel)
            .replace(
                "reads() { #{",
                "reads() { #{ hot: last(\"engine.oil.temperature\"),",
            )
            .replace("fn raise", "fn tested(seen) { seen.hot > 90.0 }\nfn raise")
    };
    bench.write("rules/water.rhai", untested("engine.coolant.temperature"));
    bench.write("rules/idle.rhai", untested("engine.oil.temperature"));
    let words = [
        "rules",
        "replay",
        "--json",
        "--rules",
        "rules",
        "--map",
        "map.toml",
        "--forecast",
        "day.csv",
    ];
    let ran = bench.run(words);
    let made = ran.json();
    let forecast = |rule: &str| {
        let of = made.iter().find(|line| line["forecast"] == rule);
        let of = of.expect("a forecast");
        (of["units_blind"].clone(), of["never_known"].clone())
    };
    let water = json!(["mean(engine.coolant.temperature, 1 min)"]);
    assert_eq!(forecast("water"), (json!(1), water));
    assert_eq!(forecast("idle"), (json!(0), json!([])));
    assert_eq!(forecast("oil-warm"), (json!(0), json!([])));
    ran.says(
        0,
        &[
            "water had no verdict at any tick, as it never knew mean(engine.coolant.temperature, 1 min): ZVR 4117",
            "idle had no verdict at any tick, as its condition could not show itself, as tested() says: ZVR 4117",
        ],
    );
}

/// What is usual is taken from each run, not from the first of them all.
#[test]
fn each_file_can_be_a_run_of_its_own() {
    let bench = Bench::new();
    bench.write("map.toml", MAP.replace("ZVR 4117", "rig {folder} {file}"));
    bench.write("a/1.csv", csv(0..1_800));
    bench.write("b/1.csv", csv(0..500));
    bench.write("b/2.csv.gz", gzip(&csv(0..1_800)));
    let ran = replay(&bench, &["a/1.csv", "b/1.csv", "b/2.csv.gz"]);
    let units: Vec<String> = ran
        .json()
        .iter()
        .map(|alert| alert["unit"].to_string())
        .collect();
    assert_eq!(units, ["\"rig a 1\"", "\"rig b 2\""]);
    ran.says(0, &["3 units"]);
    assert!(!ran.stderr.contains("taken together"), "{}", ran.stderr);
    // Whether two days of a unit or two units, only a person knows.
    bench.write("map.toml", MAP.replace("ZVR 4117", "rig {file}"));
    replay(&bench, &["a/1.csv", "b/1.csv", "b/2.csv.gz"]).says(
        0,
        &[
            "2 units",
            "a/1.csv and b/1.csv are of one unit by their names, rig 1, and are taken together",
            "name = \"{folder} {file}\"",
        ],
    );
}

#[test]
fn a_map_says_what_its_units_do_throughout() {
    let bench = Bench::new();
    let states = "reads() { #{ works: in_state(\"working\"), leads: in_role(\"lead\"), ";
    let rule = common::RULE.replace("reads() { #{", states).replace(
        "fn raise",
        "fn tested(seen) { seen.works && seen.leads }\nfn raise",
    );
    bench.write("rules/oil-warm.rhai", rule);
    let ran = replay(&bench, &["day.csv"]);
    assert_eq!(ran.json().len(), 0);
    ran.says(
        0,
        &["oil-warm had no verdict at any tick, as it never knew in_role(lead), in_state(working): ZVR 4117"],
    );
    let said = "class = \"Marten\"\nstate = \"working\"\nrole = \"lead\"\n";
    bench.write("map.toml", MAP.replace("class = \"Marten\"\n", said));
    assert_eq!(replay(&bench, &["day.csv"]).json().len(), 1);
}

#[test]
fn samples_out_of_range_are_told_by_channel() {
    let bench = Bench::new();
    bench.write("day.csv", csv(0..1_800).replace("\n5,40\n", "\n5,9999\n"));
    replay(&bench, &["day.csv"]).says(
        0,
        &["so that they feed no rule: engine.oil.temperature (1 sample)"],
    );
}

#[test]
fn only_the_rules_asked_for_are_judged() {
    let bench = Bench::new();
    bench.write("rules/again.rhai", common::RULE);
    assert_eq!(replay(&bench, &["day.csv"]).json().len(), 2);
    let ran = replay(&bench, &["--rule", "again", "day.csv"]);
    assert_eq!(ran.json()[0]["rule"], "again");
    assert_eq!(ran.json().len(), 1);
    replay(&bench, &["--rule", "agian", "day.csv"])
        .says(2, &["there is no rule agian", "again, oil-warm"]);
}

// By hand: slips at 10, 20 and 30 s; the first tick with three of them in its minute is 30 s.
#[test]
fn events_in_a_file_are_judged() {
    let bench = Bench::new();
    bench.add_slips();
    let ran = replay(&bench, &["--rule", "slips", "day.csv"]);
    ran.says(
        0,
        &["read 200 rows, 200 samples and 3 events of 2 channels"],
    );
    let alerts = ran.json();
    assert_eq!(alerts.len(), 1, "{ran:#?}");
    assert_eq!(alerts[0]["raised_at"], "2026-01-01T00:00:30Z");
    assert_eq!(alerts[0]["ended_at"], "2026-01-01T00:01:10Z");
    assert_eq!(alerts[0]["evidence"], json!({"n": 3.0, "s": 1.5}));
}

// By hand: oil stands 20 K over coolant from 600 s to 1,200 s and 10 K otherwise, so the mean over (t - 60 s, t]
// exceeds 15 K as the mean of the oil alone exceeds 50 degC in the first test: from 630 s on, raised at 690 s.
#[test]
fn a_rule_reads_a_channel_that_is_computed() {
    let bench = Bench::new();
    let rule = common::RULE
        .replace("engine.oil.temperature", "engine.oil.over_coolant")
        .replace("50.0", "15.0")
        .replace("45.0", "12.5");
    bench.write("rules/oil-warm.rhai", rule);
    let coolant = "[[channel]]\ncolumn = \"water\"\nname = \"engine.coolant.temperature\"\nucum = \"[degF]\"\nspacing = \"1 s\"\n";
    bench.write("map.toml", format!("{}{coolant}", common::MAP));
    let rows = (0..1_800).map(|s| {
        let oil = if (600..1_200).contains(&s) { 100 } else { 90 };
        format!("{s},{oil},176\n")
    });
    bench.write(
        "day.csv",
        format!("t_s,oil,water\n{}", rows.collect::<String>()),
    );
    let ran = replay(&bench, &["day.csv"]);
    let alerts = ran.json();
    assert_eq!(alerts.len(), 1, "{ran:#?}");
    assert_eq!(alerts[0]["raised_at"], json!("2026-01-01T00:11:30Z"));
    assert_eq!(alerts[0]["evidence"], json!({"oil": 20.0}));
    assert_eq!(alerts[0]["reads"]["oil"]["ucum"], "K");
    assert!(!ran.stderr.contains("does not fill"), "{}", ran.stderr);
    // Without the other input nothing can be computed, and it is said.
    bench.write("map.toml", common::MAP);
    let ran = replay(&bench, &["day.csv"]);
    assert!(ran.json().is_empty());
    ran.says(
        0,
        &["oil-warm reads engine.oil.over_coolant, which the map does not fill"],
    );
}

/// Ten units of one class, hot oil at 81 to 90 degC by unit, and the last one at 100 from half of the day on.
fn ten_units(bench: &Bench) {
    let map = MAP.replace("name = \"ZVR 4117\"", "column = \"unit\"");
    bench.write("map.toml", map.replace("\"1 s\"", "\"10 s\""));
    let mut text = "t_s,unit,oil\n".to_owned();
    for second in (0..16_200).step_by(10) {
        for unit in 1..=10 {
            let oil = if unit == 10 && second >= 10_000 {
                100
            } else {
                80 + unit
            };
            writeln!(text, "{second},ZVR {unit},{oil}").expect("a string takes all");
        }
    }
    bench.write("day.csv", text);
    let reads = "score: class_score(\"engine.oil.temperature\", \"5 min\")";
    let rule = RULE.replace("oil: mean(\"engine.oil.temperature\", \"1 min\")", reads);
    let rule = rule.replace("seen.oil > 50.0", "seen.score > 3.0");
    bench.write(
        "rules/oil-warm.rhai",
        rule.replace("seen.oil < 45.0", "seen.score < 2.0"),
    );
}

// By hand: the units' medians are 81 to 90, so the class's is 85.5 and the distances 0.5, 0.5, 1.5,
// 1.5 .. 4.5: their median is 2.5, the spread 1.4826 * 2.5 = 3.7065. A unit at 100 scores 3.912, and
// beyond 3 needs a mean of 96.6195: with 30 samples in 5 min, the one at 10,000 s is the first at 100;
// n of them give 90 + 10 n / 30, so n = 20, at 10,190 s, and a minute later it is raised.
#[test]
fn a_unit_is_measured_by_its_class() {
    let bench = Bench::new();
    ten_units(&bench);
    let ran = replay(&bench, &["day.csv"]);
    assert_eq!(ran.code, 0, "{ran:#?}");
    let alerts = ran.json();
    assert_eq!(alerts.len(), 1, "{}", ran.stdout);
    assert_eq!(alerts[0]["unit"], "ZVR 10");
    assert_eq!(alerts[0]["since"], "2026-01-01T02:49:50Z");
    assert_eq!(alerts[0]["raised_at"], "2026-01-01T02:50:50Z");
    let of = alerts[0]["reads"]["score"]["of"].as_str().expect("a text");
    assert!(
        of.contains("median 85.5000, spread 3.7065 of 10 units"),
        "{of}"
    );
    ran.says(
        0,
        &[
            "class Marten was taken for healthy from 2026-01-01T00:00:00Z to 2026-01-01T02:14:55Z: \
           mean(engine.oil.temperature, 5 min, share 0.5), median 85.5000 Cel, spread 3.7065, \
           10 units, 260 windows",
        ],
    );
    // Nobody knows what two units say of a class.
    let few = replay_with(&bench, &["--class-least-units", "11"]);
    assert_eq!(few.stdout, "");
    few.says(0, &["10 units have at least 24 known windows"]);
}

#[test]
fn files_know_no_mates_and_that_is_said() {
    let bench = Bench::new();
    ten_units(&bench);
    let reads = "score: mates_median(mean(\"engine.oil.temperature\", \"5 min\"))";
    let rule = RULE.replace("oil: mean(\"engine.oil.temperature\", \"1 min\")", reads);
    let rule = rule.replace("seen.oil > 50.0", "seen.score > 3.0");
    bench.write(
        "rules/oil-warm.rhai",
        rule.replace("seen.oil < 45.0", "seen.score < 2.0"),
    );
    let ran = replay(&bench, &["day.csv"]);
    assert_eq!(ran.stdout, "");
    ran.says(0, &["oil-warm asks consist mates: files know no trains"]);
}

fn replay_with(bench: &Bench, more: &[&str]) -> Ran {
    let words = [
        "rules", "replay", "--json", "--rules", "rules", "--map", "map.toml", "day.csv",
    ];
    bench.run(words.into_iter().chain(more.iter().copied()))
}
