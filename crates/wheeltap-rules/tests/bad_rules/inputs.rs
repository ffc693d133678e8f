//! What `reads()` asks for.

use super::*;

#[test]
fn inputs() {
    let mut table = Table::default();
    let with = |reads: &str| {
        format!(
            "{ABOUT}fn reads() {{ #{{ x: {reads}, y: in_state(\"working\") }} }}\nfn raise(seen) {{ seen.y && seen.x > 3.5 }}\n"
        )
    };
    table.refused(
        &with("mean(^\"engine.oil.temprature\", \"5 min\")"),
        "did you mean engine.oil.temperature",
    );
    table.refused(
        &with("^maen(\"engine.oil.temperature\", \"5 min\")"),
        "did you mean mean",
    );
    table.refused(&with("mean(^\"wheel.slip\", \"5 min\")"), "use count(..)");
    table.refused(
        &with("sum(^\"engine.oil.temperature\", \"a\", \"5 min\")"),
        "use mean(..)",
    );
    table.refused(
        &with("sum(\"wheel.slip\", ^\"duratoin\", \"1 h\")"),
        "did you mean duration?",
    );
    table.refused(
        &with("^mean(\"engine.oil.temperature\")"),
        "mean(channel, window)",
    );
    table.refused(
        &with("mean(\"engine.oil.temperature\", ^300)"),
        "a text in quotes",
    );
    table.refused(
        &with("mean(\"engine.oil.temperature\", ^\"5 m\")"),
        "is no span",
    );
    table.refused(
        &with("mean(\"engine.oil.temperature\", ^\"25 s\")"),
        "use 20 s or 30 s",
    );
    table.refused(
        &with("mean(\"engine.oil.temperature\", ^\"80 d\")"),
        "use at most 76 d",
    );
    table.refused(
        &with("mean(\"engine.oil.temperature\", \"5 min\", #{ share: ^2.0 })"),
        "up to 1",
    );
    table.refused(
        &with("mean(\"engine.oil.temperature\", \"5 min\", #{ ^shrae: 0.5 })"),
        "no option shrae",
    );
    table.refused(
        &with("quantile(\"engine.oil.temperature\", ^95, \"1 h\")"),
        "above 0 and below 1",
    );
    table.refused(
        &with("ewma(\"engine.oil.temperature\", ^0, \"1 h\")"),
        "the weight is 0",
    );
    table.refused(
        &with("ewma_score(\"engine.oil.temperature\", 0.3, 85, ^-1, \"1 h\")"),
        "the sigma is -1",
    );
    table.refused(
        &with("cusum_high(\"engine.oil.temperature\", 85, ^-0.5, \"8 h\")"),
        "the slack is -0.5",
    );
    table.refused(
        &with("^cusum_low(\"engine.oil.temperature\", 85, \"8 h\")"),
        "cusum_low(channel, target, slack, window)",
    );
    table.refused(
        &with("integral(^\"engine.oil.temperature\", \"1 h\")"),
        "use mean(..)",
    );
    table.refused(&with("integral(^\"cab.noise\", \"1 h\")"), "in dB[SPL]");
    table.refused(&with("trend_z(^\"wheel.slip\", \"1 h\")"), "use count(..)");
    table.refused(
        &with("robust_score(\"engine.oil.temperature\", \"10 min\", ^\"451 min\")"),
        "here of 2 min",
    );
    table.refused(
        &with("robust_score(\"engine.oil.temperature\", \"10 min\", ^\"80 d\")"),
        "use at most",
    );
    table.refused(
        &with("time_above(\"engine.oil.temperature\", ^\"1\", \"5 min\")"),
        "a number",
    );
    table.refused(
        &with("mean(^\"traction.axle.{axle}.speed\", \"5 min\")"),
        "for_each",
    );
    table.refused(&with("^part_number()"), "for_each");
}

// A window that can give no value, and a limit that no value or window can reach.
#[test]
#[expect(
    clippy::too_many_lines,
    reason = "a table of rules and what is said of each"
)]
fn inputs_that_are_never_known_or_never_move() {
    let mut table = Table::default();
    let with = |reads: &str, raise: &str| {
        format!(
            "{ABOUT}fn reads() {{ #{{ x: {reads}, y: in_state(\"working\") }} }}\nfn raise(seen) {{ seen.y && {raise} }}\n"
        )
    };
    let oil = "\"engine.oil.temperature\"";
    for (reads, words) in [
        (
            format!("trend_z({oil}, ^\"20 s\")"),
            "the means of 4 panes at least",
        ),
        (format!("trend_p({oil}, ^\"30 s\")"), "use at least 40 s"),
        (
            format!("robust_slope({oil}, ^\"10 s\")"),
            "use at least 20 s",
        ),
        (
            format!("cusum_high({oil}, ^900, 1.5, \"8 h\")"),
            "the target is 900",
        ),
        (
            format!("ewma_score({oil}, 0.3, ^-100, 2.5, \"1 h\")"),
            "ranges from -60 to 180",
        ),
        (
            format!("time_above({oil}, ^180, \"1 h\")"),
            "no time is ever above 180",
        ),
        (
            format!("time_below({oil}, ^-60, \"1 h\")"),
            "no time is ever below -60",
        ),
        (
            format!(
                "mean({oil}, \"1 h\", #{{ during: [at_least(\"engine.notch\", 6), ^at_most(\"engine.notch\", 3)] }})"
            ),
            "never hold together",
        ),
        (
            format!(
                "mean({oil}, \"1 h\", #{{ during: [above(\"engine.notch\", 5), ^below(\"engine.notch\", 5)] }})"
            ),
            "never hold together",
        ),
    ] {
        table.refused(&with(&reads, "seen.x > 0.5"), words);
    }
    // What the window bounds.
    let held = "time_above(\"sand.command\", 0.5, \"5 min\")";
    table.refused(&with(held, "seen.x ^> 301"), "its window allows no more");
    let trend = format!("trend_s({oil}, \"20 s\")");
    table.refused(&with(&trend, "seen.x ^> 100"), "its window allows no more");
    let probability = format!("trend_p({oil}, \"1 h\")");
    table.refused(
        &with(&probability, "seen.x ^> 1.5"),
        "the right is 1.5; a probability is",
    );
    let cusum = format!("cusum_high({oil}, 179, 1.5, \"8 h\")");
    table.refused(&with(&cusum, "seen.x ^> 4"), "the left side is 0");
    // Samples may come more often than the catalogue says, so these are only doubtful.
    let catalogue = Catalogue::builtin();
    for (reads, raise, words) in [
        (
            format!("stdev({oil}, \"10 s\")"),
            "seen.x > 3",
            "unknown unless more come",
        ),
        (
            format!("slope_error({oil}, \"20 s\")"),
            "seen.x > 3",
            "it needs 3",
        ),
        (
            format!("time_above({oil}, 90, \"5 min\")"),
            "seen.x > 301",
            "than promised",
        ),
        (
            format!("count({oil}, \"5 min\")"),
            "seen.x > 31",
            "than promised",
        ),
        (
            "stdev(\"engine.notch\", \"1 h\")".to_owned(),
            "seen.x > 1",
            "it goes by samples, not by time: engine.notch",
        ),
        (
            "slope(\"engine.notch\", \"1 h\")".to_owned(),
            "seen.x > 1",
            "use rate(), or robust_slope()",
        ),
        (
            "ewma(\"engine.notch\", 0.1, \"1 h\")".to_owned(),
            "seen.x > 1",
            "use mean()",
        ),
    ] {
        let vetted = vet(
            "rule.rhai",
            &with(&reads, raise),
            &Environment::new(&catalogue),
        );
        let said: Vec<String> = vetted.warnings.iter().map(ToString::to_string).collect();
        assert_eq!(vetted.problems, [], "{reads}");
        assert!(
            said.len() == 1 && said[0].contains(words),
            "{reads}: {said:#?}"
        );
    }
    // Enough is enough.
    for (reads, raise) in [
        (format!("trend_z({oil}, \"40 s\")"), "seen.x > 1"),
        (format!("slope_error({oil}, \"30 s\")"), "seen.x > 1"),
        (format!("time_above({oil}, 90, \"5 min\")"), "seen.x > 299"),
        (held.to_owned(), "seen.x > 299"),
        (
            "robust_slope(\"engine.notch\", \"1 h\")".to_owned(),
            "seen.x > 1",
        ),
        (
            format!(
                "mean({oil}, \"1 h\", #{{ during: [at_least(\"engine.notch\", 5), at_most(\"engine.notch\", 5)] }})"
            ),
            "seen.x > 90",
        ),
    ] {
        let vetted = vet(
            "rule.rhai",
            &with(&reads, raise),
            &Environment::new(&catalogue),
        );
        assert!(
            vetted.problems.is_empty() && vetted.warnings.is_empty(),
            "{reads}: {vetted:?}"
        );
    }
}

#[test]
fn healthy_stretches() {
    let mut table = Table::default();
    let with = |reads: &str| {
        format!(
            "{ABOUT}fn reads() {{ #{{ x: {reads}, y: in_state(\"working\") }} }}\nfn raise(seen) {{ seen.y && seen.x > 3.5 }}\n"
        )
    };
    let both = "\"engine.oil.temperature\", \"engine.coolant.temperature\"";
    let map = |rest: &str| format!("t_squared(#{{ channels: [{both}], {rest} }})");
    table.refused(
        &with(&map("window: \"5 min\", healthy: ^last(\"8 h\")")),
        "first(\"400 s\")",
    );
    table.refused(
        &with(&map("window: \"5 min\", healthy: ^\"8 h\"")),
        "first(\"400 s\")",
    );
    table.refused(
        &with(&map("window: \"5 min\", healthy: first(^\"8 hours\")")),
        "is no span",
    );
    table.refused(
        &with(&map(
            "window: \"5 min\", healthy: days(^\"2026-02-30\", \"2026-03-01\")",
        )),
        "is no day",
    );
    table.refused(
        &with(&map(
            "window: \"5 min\", healthy: days(\"2026-03-02\", ^\"2026-03-01\")",
        )),
        "earlier day first",
    );
    table.refused(
        &with(&map("window: \"5 min\", healthy: ^first(\"5 min\")")),
        "at least 390 s",
    );
    table.refused(
        &with(&map(
            "window: \"5 min\", healthy: first(\"8 h\"), variance: ^1.5",
        )),
        "up to 1",
    );
    table.refused(
        &with(&map(
            "window: \"5 min\", healthy: first(\"8 h\"), ^varaince: 0.5",
        )),
        "did you mean variance",
    );
    table.refused(
        &with("t_squared(^#{ window: \"5 min\", healthy: first(\"8 h\") })"),
        "does not say channels",
    );
    table.refused(
        &with("q(#{ channels: ^[\"engine.oil.temperature\"], window: \"5 min\", healthy: first(\"8 h\") })"),
        "usual(..)",
    );
    table.refused(
        &with("q(#{ channels: [\"engine.oil.temperature\", ^\"engine.oil.temperature\"], window: \"5 min\", healthy: first(\"8 h\") })"),
        "name it once",
    );
    table.refused(
        &with("q(#{ channels: [\"engine.oil.temperature\", ^\"wheel.slip\"], window: \"5 min\", healthy: first(\"8 h\") })"),
        "use count(..)",
    );
    table.refused(
        &with("^q(\"engine.oil.temperature\", \"5 min\")"),
        "write it like q(#{",
    );
    table.refused(
        &with("^usual(\"engine.oil.temperature\", \"5 min\")"),
        "usual(channel, window, stretch)",
    );
    table.refused(&with("^5"), "a call such as");
    let flag = |reads: &str| {
        format!("{ABOUT}fn reads() {{ #{{ x: {reads} }} }}\nfn raise(seen) {{ seen.x }}\n")
    };
    table.refused(&flag("in_state(^\"workin\")"), "did you mean working?");
    table.refused(&flag("in_state(^\"unknown\")"), "!known(seen.name)");
    table.refused(&flag("^in_state()"), "name at least one");
    table.refused(&flag("in_role(^\"leader\")"), "did you mean lead");
}

#[test]
fn conditions() {
    let mut table = Table::default();
    let with = |during: &str| {
        format!(
            "{ABOUT}fn reads() {{ #{{ x: mean(\"engine.oil.temperature\", \"1 h\", #{{ {during} }}) }} }}\nfn raise(seen) {{ seen.x > 3.5 }}\n"
        )
    };
    table.refused(
        &with("^durin: at_least(\"engine.notch\", 6)"),
        "did you mean during?",
    );
    table.refused(&with("during: ^6"), "a condition such as at_least");
    table.refused(
        &with("during: ^at_lest(\"engine.notch\", 6)"),
        "did you mean at_least?",
    );
    table.refused(
        &with("during: ^at_least(\"engine.notch\")"),
        "at_least(channel, limit)",
    );
    table.refused(
        &with("during: at_least(^\"engine.noch\", 6)"),
        "did you mean engine.notch?",
    );
    table.refused(
        &with("during: at_least(^\"wheel.slip\", 6)"),
        "no running value",
    );
    table.refused(
        &with("during: at_least(\"engine.notch\", ^true)"),
        "a number",
    );
    table.refused(
        &with("during: above(\"engine.coolant.temperature\", ^\"70 kPa\")"),
        "is in Cel",
    );
    table.refused(
        &with("during: above(\"engine.coolant.temperature\", ^\"70 Cell\")"),
        "the limit",
    );
    table.refused(
        &with("during: ^at_least(\"engine.notch\", 9)"),
        "never holds",
    );
    table.refused(
        &with("during: ^at_least(\"engine.notch\", 0)"),
        "always holds",
    );
    table.refused(
        &with("during: ^between(\"engine.notch\", 6, 4)"),
        "turn the limits round",
    );
    table.refused(&with("during: ^[]"), "0 conditions");
    table.refused(
        &with("during: [at_least(\"engine.notch\", 6), ^at_most(\"engine.speed\", -4)]"),
        "never holds",
    );
    table.refused(
        &with("during: at_least(^\"traction.axle.{axle}.speed\", 6)"),
        "for_each",
    );
}

#[test]
fn axle_channels_must_exist_for_every_axle() {
    let mut table = Table::default();
    let about = ABOUT.replace("tick:", "for_each: \"axle\", tick:");
    let source = format!(
        "{about}fn reads() {{ #{{ x: last(^\"traction.axel.{{axle}}.speed\") }} }}\nfn raise(seen) {{ seen.x > 3.5 }}\n"
    );
    table.refused(&source, "did you mean traction.axle.1.speed");
}

#[test]
fn mates() {
    let mut table = Table::default();
    let mut reads = |reads: &str, words: &str| {
        table.refused(
            &format!("{ABOUT}fn reads() {{ #{{ x: {reads}, y: in_state(\"working\") }} }}\nfn raise(seen) {{ seen.y && seen.x > 3.5 }}\n"),
            words,
        );
    };
    let oil = "mean(\"engine.oil.temperature\", \"5 min\")";
    reads("^mates_mean()", "mates_mean() with 0 arguments");
    reads("^mates_meen(1)", "did you mean mates_mean");
    reads(
        "mates_mean(^\"engine.oil.temperature\", \"5 min\")",
        "write it like mates_mean(mean(",
    );
    reads(
        "mates_mean(^maen(\"engine.oil.temperature\", \"5 min\"))",
        "did you mean mean",
    );
    reads(
        "mates_mean(mean(^\"engine.oil.temperatur\", \"5 min\"))",
        "did you mean engine.oil.temperature",
    );
    reads(
        "mates_mean(^in_state(\"working\"))",
        "a statistic of one of their channels",
    );
    reads(
        "mates_mean(^class_score(\"engine.oil.temperature\", \"5 min\"))",
        "a statistic of one of their channels",
    );
    reads(
        "mates_mean(^usual(\"engine.oil.temperature\", \"5 min\", first(\"8 h\")))",
        "a statistic of one of their channels",
    );
    reads(
        &format!("mates_mean(^mates_mean({oil}))"),
        "a statistic of one of their channels",
    );
    reads(
        "mates_mean(^mean(\"wheel.slip\", \"5 min\"))"
            .replace("^mean(", "mean(^")
            .as_str(),
        "mean() of wheel.slip",
    );
    reads(
        &format!("mates_mean({oil}, #{{ ^share: 0.8 }})"),
        "no option share",
    );
    reads(&format!("mates_mean({oil}, ^4)"), "no map");
    reads(
        &format!("mates_mean({oil}, #{{ same_class: ^1 }})"),
        "neither true nor false",
    );
    reads(
        "mates_mean(mean(\"engine.oil.temperature\", ^\"85 d\"))",
        "samples are kept",
    );
    let mut raise = |raise: &str, words: &str| {
        table.refused(
            &format!("{ABOUT}fn reads() {{ #{{ oil: {oil}, rest: mates_median({oil}), n: mates_count({oil}), spread: mates_max(range(\"engine.oil.temperature\", \"5 min\")), kpa: mates_mean(mean(\"engine.oil.pressure\", \"5 min\")) }} }}\nfn raise(seen) {{ {raise} }}\n"),
            words,
        );
    };
    // Celsius stay Celsius, differences K, counts numbers.
    raise("seen.oil ^+ seen.rest > 150.0", "differences, not sums");
    raise("seen.oil ^> seen.kpa", "they measure different things");
    raise("seen.oil ^> seen.spread", "a point on a scale");
    raise("seen.oil ^> seen.n", "they measure different things");
    raise("seen.n ^> 20.0 && seen.oil > seen.rest", "never");
    let safety = ABOUT.replace("priority: \"low\"", "priority: \"low\", safety: true");
    table.refused(
        &format!("{safety}fn reads() {{ #{{ x: ^mates_mean({oil}) }} }}\nfn raise(seen) {{ seen.x > 90.0 }}\n"),
        "a safety rule must not wait",
    );
}

#[test]
fn no_rule_has_more_inputs_than_an_alert_has_room_for() {
    let mut table = Table::default();
    let input = "mean(\"engine.oil.temperature\", \"5 min\")";
    let raise = "fn raise(seen) { seen.i0 > 110.0 }\n";
    let reads = |n: usize| {
        let inputs: Vec<String> = (0..n).map(|idx| format!("i{idx}: {input}")).collect();
        format!("#{{ {} }}", inputs.join(", "))
    };
    let params = |n: usize| {
        let param = "param(1.0, \"K\", #{ from: 0.0, to: 2.0, step: 1.0 })";
        let params: Vec<String> = (0..n).map(|idx| format!("p{idx}: {param}")).collect();
        format!("#{{ {} }}", params.join(", "))
    };
    table.refused(
        &format!("{ABOUT}fn reads() ^{{ {} }}\n{raise}", reads(65)),
        "a rule reads at most 64",
    );
    table.refused(
        &format!(
            "{ABOUT}fn reads() {{ {} }}\nfn params() ^{{ {} }}\n{raise}",
            reads(40),
            params(25)
        ),
        "65 inputs with 25 parameters",
    );
    let most = format!(
        "{ABOUT}fn reads() {{ {} }}\nfn params() {{ {} }}\n{raise}",
        reads(40),
        params(24)
    );
    assert_eq!(problems(&most), []);
    let long = vec!["m"; 40].join(".");
    table.refused(
        &format!(
            "{ABOUT}fn reads() {{ {} }}\nfn params() {{ #{{ p: param(1.0, ^\"{long}\", #{{ from: 0.0, to: 2.0, step: 1.0 }}) }} }}\n{raise}",
            reads(1)
        ),
        "a unit of 79 characters",
    );
    table.refused(
        &format!(
            "{ABOUT}fn reads() {{ #{{ i0: {input}, ^{}: {input} }} }}\n{raise}",
            "i".repeat(65)
        ),
        "at most 64",
    );
}

// What is offered in place of a window is one that the rule can have.
#[test]
fn a_mend_of_a_window_is_a_window() {
    let with = |statistic: &str, window: &str| {
        format!(
            "{ABOUT}fn reads() {{ #{{ x: {statistic}(\"engine.oil.temperature\", \"{window}\") }} }}\nfn raise(seen) {{ seen.x > 0.001 }}\n"
        )
    };
    for statistic in ["mean", "robust_slope"] {
        for window in [
            "400 d", "1000 d", "76 d", "1819 h", "1825 h", "4567 min", "100001 s",
        ] {
            let found = problems(&with(statistic, window));
            let [problem] = found.as_slice() else {
                assert_eq!(found, [], "{statistic} {window}");
                continue;
            };
            let mend = problem
                .mend
                .trim_start_matches("use ")
                .trim_start_matches("at most ");
            let offered = mend.split(", or keep").next().unwrap_or_default();
            for offered in offered.split(" or ") {
                assert_eq!(problems(&with(statistic, offered)), [], "{problem}");
            }
        }
    }
}

#[test]
fn an_axle_that_no_unit_has_is_doubtful() {
    let classes = |text: &str| {
        let mut catalogue = Catalogue::builtin();
        catalogue.extend("classes.toml", text).unwrap();
        catalogue
    };
    let warned = |catalogue: &Catalogue, applies: &str| -> Vec<String> {
        let about = ABOUT.replacen("title:", &format!("{applies}title:"), 1);
        let source = format!(
            "{about}fn reads() {{ #{{ x: mean(\"traction.axle.7.speed\", \"5 min\") }} }}\nfn raise(seen) {{ seen.x > 3.0 }}\n"
        );
        let vetted = vet("rule.rhai", &source, &Environment::new(catalogue));
        assert_eq!(vetted.problems, []);
        vetted.warnings.iter().map(ToString::to_string).collect()
    };
    let both = classes(
        "[[class]]\nname = \"Marten\"\naxles = 6\n[[class]]\nname = \"Otter\"\naxles = 8\n",
    );
    let said = warned(&both, "applies: #{ class: [\"Marten\"] }, ");
    assert!(
        said.len() == 1 && said[0].contains("traction.axle.7.speed of units with 6 axles"),
        "{said:#?}"
    );
    assert_eq!(warned(&both, ""), [] as [&str; 0]);
    // Where no class is known, nothing is known of axles.
    assert_eq!(warned(&Catalogue::builtin(), ""), [] as [&str; 0]);
}
