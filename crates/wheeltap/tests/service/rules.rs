//! Rules by the real binary: forecasts and sweeps say what live said, lodging and promoting, walking back.

use super::*;

/// The same judge over what is stored: the alert that there was, right by the shop's finding.
pub fn forecasts_say_what_live_said(bench: &Bench, service: &Service, live: &Value) {
    let rule = live["rule"].as_str().expect("a name");
    let forecast = |more: &[&str]| {
        let words = [&["rules", "forecast", rule, "--alerts", "--json"], more].concat();
        service.run(bench, &words)
    };
    let made = forecast(&[]).json();
    assert_eq!(made.len(), 2, "{made:#?}");
    for key in ["unit", "raised_at", "ended_at", "evidence"] {
        assert_eq!(made[0][key], live[key], "{key}");
    }
    assert_eq!(made[1]["alerts"], 1);
    assert_eq!(made[1]["units"], 1);
    assert_eq!(made[1]["score"]["right"], 1, "{made:#?}");
    assert_eq!(made[1]["score"]["recall"], 1.0);

    // Begun in the middle it starts normal, with warm windows: true at once, raised after the delay.
    let later = forecast(&["--from", "2026-01-01T00:15:00Z"]).json();
    assert_eq!(later[0]["raised_at"], "2026-01-01T00:16:00Z");
    assert_eq!(later[0]["ended_at"], live["ended_at"]);
    // Before the first telemetry there was nothing to judge, and no day that it could have rung on.
    let early = forecast(&["--from", "2020-01-01T00:00:00Z"]).json();
    assert_eq!(early[1]["from"], "2026-01-01T00:00:00Z");
    assert_eq!(early[1]["per_day"], made[1]["per_day"]);
    let before = forecast(&["--until", "2026-01-01T00:11:00Z"]).json();
    assert_eq!(before[0]["alerts"], 0, "{before:#?}");

    // Another text of the rule, against the one that is live: it would have kept quiet.
    let version = live["version"].as_str().expect("a version");
    bench.write("quiet/oil-warm.rhai", RULE.replace("> 50.0", "> 99.0"));
    let file = [
        "rules",
        "forecast",
        "quiet/oil-warm.rhai",
        "--against",
        version,
        "--alerts",
    ];
    let compared = service.run(bench, &file);
    compared.says(0, &[]);
    holds(
        &compared.stdout,
        &["the other version: 0 more, 1 fewer, 0 of both"],
    );

    forecast(&["--unit", "ZVR 1"]).says(1, &["UNKNOWN_UNIT", "no unit ZVR 1"]);
    forecast(&["--from", "2036-01-01T00:00:00Z"]).says(1, &["BAD_SPAN"]);
    forecast(&["--version", "0000000000000000"]).says(1, &["UNKNOWN_RULE"]);
    bench.write(
        "wrong/oil-warm.rhai",
        RULE.replace("seen.oil >", "seen.coal >"),
    );
    let wrong = service.run(bench, &["rules", "forecast", "wrong/oil-warm.rhai"]);
    wrong.says(1, &["RULE_PROBLEMS", "coal"]);
    // Each problem once.
    assert_eq!(
        wrong.stderr.matches("no input coal").count(),
        1,
        "{}",
        wrong.stderr
    );

    // A sweep judges what is stored in one pass; each combination is what its text would have done.
    let params = "fn params() { #{ limit: param(50.0, \"Cel\", #{ from: 40.0, to: 70.0, step: 15.0 }) } }\nfn raise";
    let swept = |limit: &str| RULE.replace("> 50.0", &format!("> {limit}"));
    bench.write(
        "swept/oil-warm.rhai",
        swept("seen.limit").replacen("fn raise", params, 1),
    );
    let sweep = service.run(bench, &["rules", "sweep", "swept/oil-warm.rhai", "--json"]);
    sweep.says(0, &[]);
    let lines = sweep.json();
    let limits: Vec<&Value> = lines.iter().map(|line| &line["params"]["limit"]).collect();
    assert_eq!(
        limits,
        [40.0, 55.0, 70.0, 50.0],
        "what is in force is tried too"
    );
    for line in &lines {
        let limit = line["params"]["limit"].as_f64().expect("a number");
        bench.write("one/oil-warm.rhai", swept(&format!("{limit:?}")));
        let one = service
            .run(bench, &["rules", "forecast", "one/oil-warm.rhai", "--json"])
            .json();
        assert_eq!(line["alerts"], one[0]["alerts"], "{limit}");
        assert_eq!(line["recall"], one[0]["score"]["recall"], "{limit}");
    }
    // As many found for as many alerts, and the lowest limit calls first.
    assert_eq!(lines[0]["knee"], true, "{lines:#?}");
    assert_eq!(lines[3]["in_force"], true, "{lines:#?}");
    service
        .run(
            bench,
            &["rules", "sweep", "swept/oil-warm.rhai", "--param", "limt"],
        )
        .says(1, &["UNKNOWN_PARAM", "it has limit"]);
    service
        .run(bench, &["rules", "sweep", "oil-warm"])
        .says(1, &["NO_PARAMS"]);

    // Promotion shows it first and keeps it.
    service
        .run(bench, &["rules", "promote", rule, "trial"])
        .says(0, &["is trial from"]);
    let listed = service.run(bench, &["rules", "list", "--json"]).json();
    // What is live is not hidden by what is tried.
    let stages: Vec<&Value> = listed.iter().map(|rule| &rule["stage"]).collect();
    assert!(stages.contains(&&Value::from("trial")), "{listed:#?}");
    let kept = &listed[0]["forecast_per_day"];
    assert_eq!(kept, &made[1]["per_day"], "{listed:#?}");
}

/// A script that throws at every tick raises nothing, which is no good news.
pub fn a_script_that_fails_does_not_go_live(bench: &Bench, service: &Service) {
    let script = RULE
        .replace("priority:", "judge: \"script\", priority:")
        .replace(
            "seen.oil > 50.0",
            "if seen.oil > 0.0 { throw \"no such thing\" } false",
        );
    bench.write("broken.rhai", script);
    service
        .run(bench, &["rules", "lodge", "broken.rhai"])
        .says(0, &["broken: version"]);
    let made = service
        .run(bench, &["rules", "forecast", "broken", "--json"])
        .json();
    assert_eq!(
        (&made[0]["alerts"], &made[0]["units_faulted"]),
        (&0.into(), &1.into())
    );
    let fault = made[0]["fault"].as_str().expect("what the engine said");
    assert!(fault.contains("no such thing"), "{fault}");
    let tried = service.run(bench, &["rules", "promote", "broken", "live"]);
    assert!(tried.stdout.contains("fails"), "{}", tried.stdout);
    tried.says(1, &["SCRIPT_FAILS", "on 1 of the units", "no such thing"]);
    let mut knowingly = vec!["rules", "promote", "broken", "live", "--no-forecast"];
    service
        .run(bench, &knowingly)
        .says(1, &["NEVER_ON_TRIAL", "put it on trial first, or say why"]);
    knowingly.extend(["--reason", "the bench showed it"]);
    service
        .run(bench, &knowingly)
        .says(0, &["is live from", ", without a trial"]);
    let versions = service.run(bench, &["rules", "list", "--versions"]);
    assert!(versions.stdout.contains("broken"), "{}", versions.stdout);
    // Why it rings though nobody had seen it is shown with the rule, and with who did what.
    let shown = service.run(bench, &["rules", "show", "broken"]);
    let why = "live, without a trial: the bench showed it";
    assert!(shown.stdout.contains(why), "{}", shown.stdout);
    let acts = ["desk", "acts", "--rule", "broken", "--json"];
    let acts = service.run(bench, &acts).json();
    let what = acts[0]["what"].as_str().expect("what was done");
    assert!(what.ends_with(" live without a trial"), "{acts:#?}");
    assert_eq!(acts[0]["why"], "the bench showed it");
    let (_, page) = service.page("GET /rules/broken", "", "");
    holds(&page, &[why, "the bench showed it</td>"]);
}

/// A rule of a channel that no unit sends raises nothing, which is no good news either.
pub fn a_rule_that_never_knew_does_not_go_live(bench: &Bench, service: &Service) {
    let rule = RULE
        .replace("engine.oil.temperature", "engine.coolant.temperature")
        .replace("fn raise", "fn tested(seen) { seen.oil > 0.0 }\nfn raise");
    bench.write("unsent.rhai", rule);
    service
        .run(bench, &["rules", "lodge", "unsent.rhai"])
        .says(0, &["unsent: version"]);
    let input = "mean(engine.coolant.temperature, 1 min)";
    let made = service
        .run(bench, &["rules", "forecast", "unsent", "--json"])
        .json();
    assert_eq!(made[0]["alerts"], 0);
    assert_eq!(made[0]["units_blind"], made[0]["units"]);
    assert_eq!(made[0]["never_known"], serde_json::json!([input]));
    let tried = service.run(bench, &["rules", "promote", "unsent", "live"]);
    assert!(tried.stdout.contains("no verdict"), "{}", tried.stdout);
    tried.says(1, &["NOTHING_KNOWN", input]);
    service
        .run(bench, &["rules", "promote", "unsent", "trial"])
        .says(0, &["is trial from"]);
    let versions = service.run(bench, &["rules", "list", "--versions"]);
    let mut rows = versions.stdout.lines();
    let row = rows.find(|row| row.starts_with("unsent"));
    let row = row.expect("a version");
    assert!(row.contains("never knew what it reads"), "{row}");
}

#[test]
fn rules_are_lodged_and_promoted() {
    let bench = Bench::new();
    let service = Service::start(&bench);
    bench.write("new.rhai", RULE.replace("Oil warm", "Oil warmer"));
    service
        .run(&bench, &["rules", "lodge", "new.rhai"])
        .says(0, &["is kept as draft"]);
    bench.write(
        "bad.rhai",
        RULE.replace("priority:", "colour: \"red\", priority:"),
    );
    service
        .run(&bench, &["rules", "lodge", "bad.rhai"])
        .says(1, &["bad.rhai", "colour"]);
    // With a case that it does not pass it rings nobody; with a right one it may.
    let case = |alert: &str| {
        format!(
            "[[case]]\nname = \"hot\"\ncsv = \"hot.csv\"\nbetween = \"hold\"\nalert = [{alert}]\n"
        )
    };
    bench.write("hot.csv", "min,engine.oil.temperature\n0,60\n10,60\n");
    bench.write("new.cases.toml", case(""));
    service
        .run(&bench, &["rules", "lodge", "new.rhai"])
        .says(0, &[]);
    service
        .run(&bench, &["rules", "promote", "new", "trial"])
        .says(
            1,
            &["CASES_FAILED", "case \"hot\": came, and is not in the case"],
        );
    // Half a minute of samples makes the mean known.
    bench.write("new.cases.toml", case("{ raised = \"1 min 20 s\" }"));
    service
        .run(&bench, &["rules", "lodge", "new.rhai"])
        .says(0, &[]);
    service
        .run(&bench, &["rules", "promote", "new", "trial"])
        .says(0, &["new: version ", " is trial from "]);
    let rules = service.run(&bench, &["rules", "list", "--json"]).json();
    let stages: Vec<(&str, &str)> = rules
        .iter()
        .filter_map(|rule| Some((rule["rule"].as_str()?, rule["stage"].as_str()?)))
        .collect();
    assert_eq!(stages, [("new", "trial"), ("oil-warm", "live")]);
    // Its text and cases can be read, and the beginning of a version is enough.
    let version = rules[0]["version"].as_str().expect("a version");
    let show = ["rules", "show", "new", "--version", &version[..6]];
    let shown = service.run(&bench, &show);
    shown.says(0, &[]);
    holds(
        &shown.stdout,
        &[
            &format!("// new, version {version}, trial"),
            "fn raise(seen)",
            "# new.cases.toml",
            "# hot.csv",
        ],
    );
    let json = service
        .run(&bench, &["rules", "show", "new", "--json"])
        .json();
    assert!(json[0]["cases"]["files"]["hot.csv"].is_string());
    service
        .run(&bench, &["rules", "show", "new", "--version", "zz"])
        .says(1, &[]);
    let live = ["rules", "promote", "new", "live", "--no-forecast", "--json"];
    let live = service.run(&bench, &live).json();
    assert_eq!(
        (&live[0]["rule"], &live[0]["stage"]),
        (&"new".into(), &"live".into())
    );
    assert_eq!(live[0]["without_trial"], false);
    // One file that is no text holds up no other.
    bench.write("more/latin.rhai", b"// \xe9t\xe9\n");
    bench.write("more/warm.rhai", RULE);
    let ran = service.run(&bench, &["rules", "lodge", "more", "--json"]);
    ran.says(1, &["latin.rhai:1: this is no UTF-8 text"]);
    assert_eq!(ran.json()[0]["stage"], "draft");
}

#[test]
fn a_walk_back_says_what_it_compared_and_refuses_what_it_cannot() {
    let (bench, service) = with_a_day();
    let walk = |unit: &str, more: &[&str]| {
        let words = ["rules", "walk-back", "--component", "oil cooler", "--unit"];
        let words = words.iter().chain([&unit]).chain(more);
        service.run(&bench, &words.copied().collect::<Vec<_>>())
    };
    // One unit alone in its class, for half an hour: nothing says what is usual.
    let alone = walk("ZVR 4117", &[]);
    alone.says(0, &[]);
    holds(
        &alone.stdout,
        &[
            "2026-01-01T00:00:00Z to 2026-01-01T00:29:59Z",
            "against 0 units of class Marten, 0 mates",
            "it rests on 0 other units with data in this span",
            "nothing could be compared",
        ],
    );
    let lines = walk("ZVR 4117", &["--json"]).json();
    let summary: Vec<&Value> = lines
        .iter()
        .filter_map(|line| line.get("walk_back"))
        .collect();
    assert_eq!(summary.len(), 1, "{lines:#?}");
    assert_eq!(summary[0]["findings"], json!(0));
    // The alert that it had, and the defect of it.
    assert!(
        lines.iter().any(|line| line.get("sign").is_some()),
        "{lines:#?}"
    );
    // An hour later nothing more was heard of it, which is a finding of its own.
    let later = walk("ZVR 4117", &["--at", "2026-01-01T01:00:00Z"]);
    later.says(1, &[]);
    assert!(
        later
            .stdout
            .contains("nothing was heard of the unit since 2026-01-01T00:29:59Z"),
        "{later:#?}"
    );
    walk("ZVR 1", &[]).says(1, &["the fleet has no unit ZVR 1"]);
    walk("ZVR 4117", &["--at", "2025-12-31T00:00:00Z"]).says(1, &["its data begins at"]);
    walk("ZVR 4117", &["--at", "noon"]).says(2, &["24 h"]);
    bench.write("kept.rhai", "// mine");
    walk("ZVR 4117", &["--draft", "kept.rhai"]).says(2, &["kept.rhai is there already"]);
    // Said before anything is read, and whatever the walk would find: no unit is called so.
    walk("ZVR 9999", &["--draft", "nowhere/kept.rhai"]).says(
        2,
        &[
            "nowhere/kept.rhai cannot be written",
            "a folder that is there",
        ],
    );
}
