//! `rules cases` judges the cases beside rules and says what did not come as they say.

mod common;

use common::Bench;

/// Oil steps from 40 to 60 degC after 10 min and back after 20 min.
const STEP: &str = "min,engine.oil.temperature\n0,40\n10,60\n20,40\n30,40\n";

fn with_cases(cases: &str) -> Bench {
    let bench = Bench::new();
    bench.write("rules/oil-warm.cases.toml", cases);
    bench.write("rules/step.csv", STEP);
    bench
}

fn case(name: &str, alert: &str) -> String {
    format!(
        "[[case]]\nname = \"{name}\"\nclass = \"Marten\"\ncsv = \"step.csv\"\nbetween = \"hold\"\nalert = [{alert}]\n"
    )
}

// By hand: oil comes every 10 s, so a minute holds six samples. With four at 60 degC the mean exceeds
// 50 degC, first at 10 min 30 s, which the delay of a minute makes 11 min 30 s; with one left it is
// under 45 degC, first at 20 min 40 s, and the alert ends at 21 min 40 s.
#[test]
fn a_case_passes_to_the_tick() {
    let bench = with_cases(&case(
        "warms up",
        "{ raised = \"11 min 30 s\", ended = \"21 min 40 s\" }",
    ));
    let ran = bench.run(["rules", "cases", "rules"]);
    ran.says(0, &["1 case passed"]);
    assert!(ran.stdout.contains("passed, 1 alert"), "{}", ran.stdout);
    let json = bench
        .run(["rules", "cases", "rules/oil-warm.rhai", "--json"])
        .json();
    assert_eq!(json[0]["passed"], true);
    assert_eq!(json[0]["alerts"][0]["raised_at"], "2026-01-01T00:11:30Z");
}

// The same step against a mate that stays at 40 degC, with the same limits 40 K lower; the mate's table
// ends before the unit's, so that near the end nobody is there to compare with and the alert stands.
#[test]
fn a_case_names_the_unit_s_mates() {
    let with_mate = case("warmer than its mate", "{ raised = \"11 min 30 s\" }")
        + "mate = [{ csv = \"mate.csv\" }]\n";
    let bench = with_cases(&(with_mate + &case("alone", "")));
    bench.write(
        "rules/mate.csv",
        "min,engine.oil.temperature\n0,40\n19,40\n",
    );
    let rule = common::RULE
        .replace(
            "oil: mean(\"engine.oil.temperature\", \"1 min\")",
            "oil: mean(\"engine.oil.temperature\", \"1 min\"), \
             rest: mates_median(mean(\"engine.oil.temperature\", \"1 min\"))",
        )
        .replace("seen.oil > 50.0", "seen.oil - seen.rest > 10.0")
        .replace("seen.oil < 45.0", "seen.oil - seen.rest < 5.0");
    bench.write("rules/oil-warm.rhai", rule);
    let ran = bench.run(["rules", "cases", "rules"]);
    ran.says(0, &["2 cases passed"]);
}

#[test]
fn a_case_in_which_nothing_was_known_is_no_quiet_one() {
    let bench = with_cases(&case("warms up", ""));
    bench.write(
        "rules/step.csv",
        "min,engine.coolant.temperature\n0,40\n10,60\n30,40\n",
    );
    let ran = bench.run(["rules", "cases", "rules"]);
    ran.says(0, &["1 case passed"]);
    assert!(
        ran.stdout.contains("the rule knew nothing at any tick"),
        "{}",
        ran.stdout
    );
    let known = with_cases(&case("stays cool", "")).run(["rules", "cases", "rules", "--json"]);
    assert_eq!(known.json()[0]["knew_nothing"], false);
}

#[test]
fn a_miss_says_what_came_instead() {
    let early = case(
        "too early",
        "{ raised = \"11 min 20 s\", ended = \"21 min 40 s\" }",
    );
    let quiet = case("quiet", "");
    let more = case(
        "twice",
        "{ raised = \"11 min 30 s\", ended = \"21 min 40 s\" }, { raised = \"25 min\" }",
    );
    let ran = with_cases(&[early, quiet, more].concat()).run(["rules", "cases", "rules", "--json"]);
    ran.says(1, &["3 of 3 cases failed"]);
    let misses: Vec<String> = ran
        .json()
        .iter()
        .map(|line| line["misses"][0].as_str().expect("a miss").to_owned())
        .collect();
    assert_eq!(
        misses,
        [
            "expected raised 2026-01-01T00:11:20Z, ended 2026-01-01T00:21:40Z; \
             came raised 2026-01-01T00:11:30Z, ended 2026-01-01T00:21:40Z",
            "came, and is not in the case: raised 2026-01-01T00:11:30Z, ended 2026-01-01T00:21:40Z",
            "did not come: raised 2026-01-01T00:25:00Z, standing at the end",
        ]
    );
}

#[test]
fn what_is_no_case_is_refused_with_its_place() {
    let ran = with_cases("[[case]]\nname = \"n\"\ncsv = \"gone.csv\"\nalert = []\n")
        .run(["rules", "cases", "rules"]);
    ran.says(
        1,
        &[
            "oil-warm.cases.toml:3:7: \"gone.csv\" cannot be read",
            "put it beside",
        ],
    );
    Bench::new()
        .run(["rules", "cases", "rules"])
        .says(2, &["no rule here has cases", "NAME.cases.toml"]);
    let bench = Bench::new();
    let rule = common::RULE.replace("reads() { #{", "reads() { #{ x: in_role(\"lead\"),");
    bench.write(
        "rules/oil-warm.rhai",
        rule.replace("engine.oil.temperature", "engine.oil.temprature"),
    );
    bench
        .run(["rules", "cases", "rules"])
        .says(1, &["engine.oil.temprature"]);
}

/// A rule that is not for the case's class is not judged, which is no silence.
#[test]
fn a_case_of_another_class_does_not_pass() {
    let bench = with_cases(&case("quiet", "").replace("Marten", "Stoat"));
    let rule = common::RULE.replace("priority:", "applies: #{ class: [\"Marten\"] }, priority:");
    bench.write("rules/oil-warm.rhai", rule);
    let ran = bench.run(["rules", "cases", "rules"]);
    ran.says(1, &["1 of 1 case failed"]);
    assert!(
        ran.stdout.contains("the rule is not for case, a Stoat"),
        "{}",
        ran.stdout
    );
}

#[test]
fn a_script_that_throws_fails_its_case() {
    let bench = with_cases(&case("quiet", ""));
    let (head, _) = common::RULE.split_once("fn raise").expect("it raises");
    let head = head.replace("priority:", "judge: \"script\", priority:");
    bench.write(
        "rules/oil-warm.rhai",
        format!("{head}fn raise(seen) {{ if seen.oil > 55.0 {{ throw \"no such thing\"; }} seen.oil > 70.0 }}\n"),
    );
    let ran = bench.run(["rules", "cases", "rules"]);
    ran.says(1, &[]);
    assert!(ran.stdout.contains("no such thing"), "{}", ran.stdout);
}

// The class does 40 degC give or take 2 K: at 60 degC the unit is 10 spreads away, beyond 5, and the times are those
// of the rule with a limit of 50 degC. Without a baseline nothing is known, and one of another input is refused.
#[test]
fn a_case_says_what_the_class_does() {
    let given =
        |input: &str| format!("baseline = [{{ input = \"{input}\", median = 40, spread = 2 }}]\n");
    let rings = case("unlike its class", "{ raised = \"11 min 30 s\" }");
    let alone = case("no class known", "");
    let bench = with_cases(&(rings + &given("score") + &alone));
    let rule = common::RULE
        .replace(
            "oil: mean(\"engine.oil.temperature\", \"1 min\")",
            "score: class_score(\"engine.oil.temperature\", \"1 min\")",
        )
        .replace("seen.oil > 50.0", "seen.score > 5.0")
        .replace("seen.oil < 45.0", "seen.score < -5.0");
    bench.write("rules/oil-warm.rhai", rule);
    let ran = bench.run(["rules", "cases", "rules"]);
    ran.says(0, &["2 cases passed"]);
    assert!(
        ran.stdout.contains("the rule knew nothing at any tick"),
        "{}",
        ran.stdout
    );
    bench.write(
        "rules/oil-warm.cases.toml",
        case("other", "") + &given("oil"),
    );
    let ran = bench.run(["rules", "cases", "rules"]);
    ran.says(1, &[]);
    assert!(
        ran.stdout
            .contains("which does not ask the class; name score"),
        "{}",
        ran.stdout
    );
}

/// The cases of the demonstration's own rules hold.
#[test]
fn the_demos_rules_pass_their_cases() {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-data");
    let (rules, catalogue) = (demo.join("rules"), demo.join("catalogue.toml"));
    let words = [
        "rules",
        "cases",
        rules.to_str().expect("UTF-8"),
        "--catalogue",
        catalogue.to_str().expect("UTF-8"),
        "--json",
    ];
    let ran = Bench::new().run(words);
    ran.says(0, &["passed"]);
    assert!(ran.json().len() >= 9, "{}", ran.stdout);
}
