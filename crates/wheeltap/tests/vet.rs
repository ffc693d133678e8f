//! `rules vet` names every problem with file, line, column, reason and mend; `completions` and the
//! exit codes are what they say.

mod common;

use common::{Bench, RULE};

#[test]
fn a_good_rule_is_fine() {
    let ran = Bench::new().run(["rules", "vet", "rules"]);
    ran.says(0, &["1 rule: all fine", "; 1,000 units take "]);
    assert!(ran.stdout.contains("oil-warm"), "{}", ran.stdout);
    assert!(ran.stdout.contains("10 s  "), "{}", ran.stdout);
}

/// What a replay takes, a check takes too.
#[test]
fn channels_that_a_map_declares_are_known() {
    let bench = Bench::new();
    let own = "[[channel]]\ncolumn = \"oil\"\nname = \"rig.heat\"\nkind = \"sampled\"\nspacing = \"1 s\"\n\
               ucum = \"Cel\"\nrange = [0, 100]\nresolution = \"0.1\"\n";
    let (head, _) = common::MAP.split_once("[[channel]]").expect("a channel");
    bench.write("map.toml", [head, own].concat());
    bench.write(
        "rules/oil-warm.rhai",
        RULE.replace("engine.oil.temperature", "rig.heat"),
    );
    let vet = ["rules", "vet", "rules"];
    bench.run(vet).says(1, &["1 rule refused"]);
    bench
        .run(vet.into_iter().chain(["--map", "map.toml"]))
        .says(0, &["1 rule: all fine"]);
}

#[test]
fn problems_have_a_place_a_reason_and_a_mend() {
    let bench = Bench::new();
    bench.write(
        "rules/bad.rhai",
        RULE.replace("    priority:", "    colour: \"red\", priority:")
            .replace("engine.oil.temperature", "engine.oil.temprature"),
    );
    let ran = bench.run(["rules", "vet", "rules/bad.rhai"]);
    ran.says(1, &["1 rule: 1 rule refused with 2 problems"]);
    for word in [
        "rules/bad.rhai:4:5: ",
        "colour",
        "rules/bad.rhai:8:",
        "did you mean engine.oil.temperature?",
        "    why:  ",
        "    mend: ",
    ] {
        assert!(ran.stdout.contains(word), "no {word:?} in {}", ran.stdout);
    }
    let ran = bench.run(["rules", "vet", "rules", "--json"]);
    assert_eq!(ran.code, 1);
    let reports = ran.json();
    assert_eq!(reports[0]["rule"], "bad");
    assert_eq!(reports[0]["fine"], false);
    assert_eq!(reports[0]["problems"][0]["line"], 4);
    assert_eq!(reports[1]["rule"], "oil-warm");
    assert_eq!(reports[1]["fine"], true);
    assert_eq!(reports[1]["inputs"][0]["pane"], "10 s");
    let cost = &reports[1]["cost"];
    assert_eq!(cost["readings_per_hour"], 360);
    assert_eq!(cost["verdicts_per_hour"], 360);
    assert!(cost["core_ms_per_unit_day"].as_f64() > Some(0.0), "{cost}");
}

#[test]
fn a_file_that_is_no_text_stops_no_other() {
    let bench = Bench::new();
    bench.write("rules/latin.rhai", b"// first\n// \xe9t\xe9\n");
    let ran = bench.run(["rules", "vet", "rules"]);
    ran.says(1, &["2 rules: 1 rule refused with 1 problem"]);
    assert!(
        ran.stdout
            .contains("latin.rhai:2: this is no UTF-8 text; save the file as UTF-8"),
        "{}",
        ran.stdout
    );
    assert!(ran.stdout.contains("oil-warm"), "{}", ran.stdout);
    let reports = bench.run(["rules", "vet", "rules", "--json"]).json();
    assert_eq!(reports[0]["rule"], "latin");
    assert_eq!(reports[0]["problems"][0]["line"], 2);
    assert_eq!(reports[1]["fine"], true);
}

#[test]
fn the_users_catalogue_counts() {
    let bench = Bench::new();
    bench.write(
        "rules/oil-warm.rhai",
        RULE.replace("engine.oil.temperature", "rig.oil"),
    );
    bench.run(["rules", "vet", "rules"]).says(1, &[]);
    bench.write(
        "mine.toml",
        "[[channel]]\nname = \"rig.oil\"\ntitle = \"Oil of the rig\"\nkind = \"sampled\"\n\
         interval = \"1 s\"\nucum = \"Cel\"\nrange = [-40, 160]\nresolution = 0.1\n",
    );
    bench
        .run(["rules", "vet", "rules", "--catalogue", "mine.toml"])
        .says(0, &["all fine"]);
    bench.write("mine.toml", "[[channel]]\nnaem = \"rig.oil\"\n");
    bench
        .run(["rules", "vet", "rules", "--catalogue", "mine.toml"])
        .says(1, &["mine.toml:2:1", "naem", "in the catalogue"]);
}

#[test]
fn a_wrong_command_line_is_told_from_a_finding() {
    let bench = Bench::new();
    bench.run(["rules", "vet"]).says(2, &["<PATH>"]);
    bench.run(["rules", "wet", "rules"]).says(2, &["wet"]);
    bench
        .run(["--log", "a=b=c", "rules", "vet", "rules"])
        .says(2, &["--log"]);
    std::fs::create_dir(bench.path().join("none")).unwrap();
    bench
        .run(["rules", "vet", "none"])
        .says(2, &["none holds no rule"]);
    bench.write("twin.rhai", RULE);
    std::fs::create_dir(bench.path().join("more")).unwrap();
    bench.write("more/twin.rhai", RULE);
    bench
        .run(["rules", "vet", "twin.rhai", "more"])
        .says(2, &["two rules of one name"]);
}

#[test]
fn completions_know_the_commands() {
    let bench = Bench::new();
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let ran = bench.run(["completions", shell]);
        ran.says(0, &[]);
        assert!(ran.stdout.contains("replay"), "{shell}");
    }
    bench.run(["completions", "csh"]).says(2, &["bash"]);
}
