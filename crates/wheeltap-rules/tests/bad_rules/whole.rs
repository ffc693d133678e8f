//! `about()`, `params()`, functions, and a rule as a whole.

use super::*;

#[test]
fn about_fields() {
    let mut table = Table::default();
    let whole = |about: &str| format!("{about}{READS}fn raise(seen) {{ seen.working }}\n");
    let with = |from: &str, to: &str| whole(&ABOUT.replacen(from, to, 1));
    table.refused(
        &with("title:", "titel:").replace("titel: \"T\"", "^titel: \"T\", title: \"T\""),
        "did you mean title?",
    );
    table.refused(&with("{ #{ title: \"T\", ", "^{ #{ "), "does not say title");
    table.refused(&with("\"low\"", "^\"hihg\""), "did you mean high?");
    table.refused(&with("\"T\"", "^5"), "title is a number");
    table.refused(&with("\"T\"", "^\" \""), "title is empty");
    for hidden in ["\\u001b[31m", "\\u0007", "\\u202e", "\\n", "\\t", "\\u0000"] {
        table.refused(
            &with("\"T\"", &format!("^\"a{hidden}b\"")),
            "a control character or one that turns the text around",
        );
    }
    table.refused(&with("\"1 d\"", "^\"367 d\""), "at most \"366 d\"");
    table.refused(
        &with("title:", "applies: #{ class: ^[] }, title:"),
        "applies.class is an empty list",
    );
    table.refused(&with("\"10 s\"", "^\"10 sec\""), "is no span");
    table.refused(&with("\"10 s\"", "^\"500 ms\""), "at most once a second");
    table.refused(
        &with("\"10 s\"", "\"10 s\", on_delay: ^\"25 s\""),
        "use 20 s or 30 s",
    );
    // 90 d are kept, of which late samples take 14 d; READS looks back an hour.
    table.refused(
        &with(
            "\"10 s\"",
            "\"10 s\", on_delay: \"1 h\", off_delay: ^\"80 d\"",
        ),
        "off_delay of 80 d",
    );
    table.refused(
        &with("\"10 s\"", "\"10 s\", on_delay: ^\"1.5 h\""),
        "write \"90 min\"",
    );
    table.refused(
        &with("\"10 s\"", "\"10 s\", applies: #{ ^clas: [] }"),
        "did you mean class?",
    );
    table.refused(
        &with("\"10 s\"", "\"10 s\", applies: #{ class: [^\"a/b\"] }"),
        "no class name",
    );
    table.refused(&with("\"10 s\"", "\"10 s\", for_each: ^\"wheel\""), "axle");
    table.refused(&with("\"10 s\"", "\"10 s\", safety: ^1"), "true or false");
    table.refused(&with("\"10 s\"", "\"10 s\", desk: ^0"), "true or false");
    let muted = with("\"10 s\"", "\"10 s\", safety: true");
    table.refused(
        &format!("{muted}fn suppress(seen) ^{{ seen.oil > 90.0 }}\n"),
        "suppress() in a safety rule",
    );
    let quiet = with("\"10 s\"", "\"10 s\", safety: true, desk: ^false");
    table.refused(&quiet, "rings nobody");
    table.refused(
        &with("\"10 s\"", "\"10 s\", ^tick: \"5 s\""),
        "keep one tick",
    );
    drop(table);
    // A name given twice hides nothing else.
    let many = "#{ title: \"T\", title: \"T\", tick: \"10 s\", tick: \"5 s\", titel: 1 }";
    let found = problems(&format!(
        "fn about() {{ {many} }}\n{READS}fn raise(seen) {{ seen.oli > 90 }}\n"
    ));
    let said: Vec<String> = found.iter().map(ToString::to_string).collect();
    for words in [
        "keep one title",
        "keep one tick",
        "did you mean title?",
        "does not say cause",
        "did you mean oil?",
    ] {
        assert!(
            said.iter().any(|line| line.contains(words)),
            "{words}: {said:#?}"
        );
    }
    assert!(
        said.iter().any(|line| line.starts_with("rule.rhai:1:29:")),
        "{said:#?}"
    );
}

#[test]
fn parameters() {
    let mut table = Table::default();
    let mut params = |body: &str, words: &str| {
        let raise = "fn raise(seen) { seen.oil - seen.coolant > seen.limit }";
        table.refused(
            &format!("{ABOUT}{READS}fn params() {{ #{{ {body} }} }}\n{raise}\n"),
            words,
        );
    };
    let good = "#{ from: 12.0, to: 24.0, step: 1.0 }";
    params("limit: ^18.0", "a call such as param(18.0");
    params("limit: ^param(18.0)", "with 1 argument is");
    params(
        "limit: ^mean(\"engine.oil.temperature\", \"5 min\", 3)",
        "mean() with 3 arguments is no parameter",
    );
    params(&format!("limit: param(^\"18\", \"K\", {good})"), "a number");
    params(
        &format!("limit: param(18.0, ^\"Kelvin\", {good})"),
        "no UCUM unit",
    );
    params(&format!("limit: param(18.0, ^\"degF\", {good})"), "[degF]");
    params("limit: param(18.0, \"K\", ^5)", "from, to and step");
    params(
        "limit: param(18.0, \"K\", ^#{ from: 12.0, to: 24.0 })",
        "has no step",
    );
    params(
        "limit: param(18.0, \"K\", #{ from: 12.0, to: 24.0, step: 1.0, ^stpe: 1.0 })",
        "did you mean step?",
    );
    params(
        "limit: param(18.0, \"K\", ^#{ from: 12.0, to: 24.0, step: 0.0 })",
        "holds no value",
    );
    params(
        "limit: param(18.0, \"K\", ^#{ from: 24.0, to: 12.0, step: 1.0 })",
        "holds no value",
    );
    params(
        "limit: param(18.0, \"K\", ^#{ from: 12.0, to: 24.0, step: 0.1 })",
        "too many values",
    );
    params(
        "limit: param(^30.0, \"K\", #{ from: 12.0, to: 24.0, step: 1.0 })",
        "outside of its range",
    );
    params(
        &format!("limit: param(18.0, \"K\", {good}), ^oil: param(18.0, \"K\", {good})"),
        "both name oil",
    );
    params(
        &format!(
            "limit: param(18.0, \"K\", {good}), on_delay: #{{ from: ^\"15 s\", to: \"60 s\", step: \"10 s\" }}"
        ),
        "no multiple of the tick",
    );
    // Without a delay in about() it is 0, which is in no range of spans.
    params(
        &format!(
            "limit: param(18.0, \"K\", {good}), off_delay: ^#{{ from: \"10 s\", to: \"60 s\", step: \"10 s\" }}"
        ),
        "off_delay is 0, outside",
    );
    drop(table);
    let mut table = Table::default();
    // Units are followed: a limit in kPa for a difference of temperatures.
    table.refused(
        &format!("{ABOUT}{READS}fn params() {{ #{{ limit: param(18.0, \"kPa\", {good}) }} }}\nfn raise(seen) {{ seen.oil - seen.coolant ^> seen.limit }}\n"),
        "kPa",
    );
}

#[test]
fn everything_wrong_is_said_at_once() {
    let source = "fn about() { #{ title: \"T\" } }\nfn reads() { #{ a: mean(\"no.such\", \"5 min\"), b: maen() } }\nfn raise(seen) { seen.c > 1.0 || seen.a > 2.0 || foo(1) }\n";
    let lines: Vec<usize> = problems(source)
        .iter()
        .map(|problem| problem.line)
        .collect();
    // Eight missing fields, two inputs, one unknown input (a was said already), one function.
    assert_eq!(lines, [1, 1, 1, 1, 1, 1, 1, 1, 2, 2, 3, 3]);
}

#[test]
fn names_and_functions_that_are_missing() {
    let found = problems("fn abuot() { #{ } }\n");
    let said: Vec<String> = found.iter().map(ToString::to_string).collect();
    assert!(
        said.iter().any(|line| line.contains("did you mean abuot?")),
        "{said:#?}"
    );
    assert_eq!(found.len(), 3);
    let catalogue = Catalogue::builtin();
    let source = format!("{ABOUT}{READS}fn raise(seen) {{ seen.working }}\n");
    let vetted = vet("Bad Name.rhai", &source, &Environment::new(&catalogue));
    assert!(vetted.problems[0].to_string().contains("rename the file"));
    // No command takes it for an option; what was kept under such a name is still read.
    let option = vet("-x.rhai", &source, &Environment::new(&catalogue));
    let said = option.problems[0].to_string();
    assert!(said.contains("begins with a letter or a digit"), "{said}");
    let kept = RuleName::new("-x").unwrap();
    let rule = compile_kept(&kept, &source, &Environment::new(&catalogue)).unwrap();
    assert_eq!(rule.reference.name, kept);
    // A byte soup is refused, not a panic.
    assert!(!problems("\u{feff}\u{0}}{ fn fn").is_empty());
    assert!(!problems(&"(".repeat(10_000)).is_empty());
    assert!(!problems(&"a".repeat(100_000)).is_empty());
}

#[test]
fn doubtful_things_are_warned_of() {
    let catalogue = Catalogue::builtin();
    let about = ABOUT.replace("tick:", "applies: #{ class: [\"Martin\"] }, tick:");
    let reads = READS.replace(
        "oil: mean",
        "hours: mean(\"engine.hours\", \"30 s\"), oil: mean",
    );
    let source =
        format!("{about}{reads}fn raise(seen) {{ seen.working }}\nfn claer(seen) {{ true }}\n");
    let vetted = vet("rule.rhai", &source, &Environment::new(&catalogue));
    assert!(vetted.rule.is_some(), "{:?}", vetted.problems);
    let said: Vec<String> = vetted.warnings.iter().map(ToString::to_string).collect();
    for words in [
        "no class Martin",
        "oil decides nothing",
        "use at least 1 min",
        "did you mean clear?",
        "no verdict of the rule calls it",
    ] {
        assert!(
            said.iter().any(|line| line.contains(words)),
            "{words}: {said:#?}"
        );
    }
}

#[test]
fn what_is_left_over_of_all_components_is_doubted() {
    let catalogue = Catalogue::builtin();
    let reads = "fn reads() { #{ left: q(#{ channels: [\"engine.oil.temperature\", \
                 \"engine.coolant.temperature\"], window: \"5 min\", healthy: first(\"8 h\"), variance: 1.0 }) } }";
    let source = format!("{ABOUT}{reads}\nfn raise(seen) {{ seen.left > 10.0 }}\n");
    let vetted = vet("rule.rhai", &source, &Environment::new(&catalogue));
    let said: Vec<String> = vetted.warnings.iter().map(ToString::to_string).collect();
    assert!(
        said.iter()
            .any(|line| line.contains("so it is 0 at every tick")),
        "{said:#?} {:#?}",
        vetted.problems
    );
}

#[test]
fn problems_are_json() {
    let found = problems("fn raise(seen) { true }");
    let json = serde_json::to_string(&found).unwrap();
    let back: Vec<Problem> = serde_json::from_str(&json).unwrap();
    assert_eq!(back, found);
    assert!(json.contains("\"line\":1") && json.contains("\"mend\":"));
}

#[test]
fn texts_without_their_quotes_are_told() {
    let mut table = Table::default();
    let raise = "fn raise(seen) { seen.oil > 110.0 }\n";
    for (window, words) in [
        ("^'5 min'", "write texts in double quotes"),
        ("^\u{201c}5 min\u{201d}", "straight double quotes"),
        ("^\"5 min", "close the text with a double quote"),
        (
            "5 ^min",
            "where a text should stand, put it in double quotes",
        ),
    ] {
        let reads =
            format!("fn reads() {{ #{{ oil: mean(\"engine.oil.temperature\", {window}) }} }}\n");
        table.refused(&format!("{ABOUT}{reads}{raise}"), words);
    }
}
