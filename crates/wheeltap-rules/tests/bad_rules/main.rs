//! A rule that cannot be right is refused at the place of the mistake, with why and the mend, and
//! everything wrong in it is said at once.

use wheeltap_catalogue::Catalogue;
use wheeltap_rules::{Environment, Problem, vet};

const ABOUT: &str = "fn about() { #{ title: \"T\", system: \"s\", component: \"c\", priority: \"low\", tick: \"10 s\", cause: \"c\", consequence: \"c\", action: \"a\", respond_within: \"1 d\" } }\n";
const READS: &str = "fn reads() { #{ oil: mean(\"engine.oil.temperature\", \"5 min\"), coolant: mean(\"engine.coolant.temperature\", \"5 min\"), slips: count(\"wheel.slip\", \"1 h\"), working: in_state(\"working\"), pressure: last(\"engine.oil.pressure\"), trend: slope(\"engine.coolant.temperature\", \"30 min\") } }\n";

fn problems(source: &str) -> Vec<Problem> {
    let catalogue = Catalogue::builtin();
    vet("rule.rhai", source, &Environment::new(&catalogue)).problems
}

/// The only problem of `marked` is where its `^` is, which is taken out first, and says these words.
fn check(marked: &str, words: &str) -> Result<(), String> {
    let at = marked.find('^').expect("a marked place");
    let before = &marked[..at];
    let line = before.matches('\n').count() + 1;
    let column = before
        .rsplit('\n')
        .next()
        .unwrap_or_default()
        .chars()
        .count()
        + 1;
    let found = problems(&marked.replacen('^', "", 1));
    let said: Vec<String> = found.iter().map(ToString::to_string).collect();
    let right = matches!(found.as_slice(), [only] if (only.line, only.column) == (line, column)
        && said[0].contains(words)
        && ![&only.what, &only.why, &only.mend].iter().any(|part| part.is_empty()));
    if right {
        Ok(())
    } else {
        Err(format!(
            "at {line}:{column} \"{words}\" was wanted:\n{marked}\n{said:#?}"
        ))
    }
}

/// All of a table at once, so that one run tells everything.
#[derive(Default)]
struct Table(Vec<String>);

impl Table {
    fn refused(&mut self, marked: &str, words: &str) {
        self.0.extend(check(marked, words).err());
    }

    /// A whole rule with this `raise`.
    fn raise(&mut self, body: &str, words: &str) {
        self.refused(&format!("{ABOUT}{READS}{body}\n"), words);
    }
}

impl Drop for Table {
    fn drop(&mut self) {
        assert!(
            self.0.is_empty() || std::thread::panicking(),
            "{}",
            self.0.join("\n")
        );
    }
}

#[test]
#[expect(clippy::too_many_lines, reason = "a table, one line a refusal")]
fn verdicts() {
    let mut table = Table::default();
    table.raise("fn raise(seen) { seen.^oli > 110.0 }", "did you mean oil?");
    table.raise("fn raise(seen) { ^oil > 110.0 }", "write seen.oil");
    table.raise("fn raise(seen) ^{ seen.oil }", "raise() gives a number");
    table.raise("fn raise(seen) { seen.^oil && true }", "a number in &&");
    table.raise(
        "fn raise(seen) { seen.working ^> 1.0 }",
        "true or false in >",
    );
    table.raise(
        "fn raise(seen) { let i = 0; ^while seen.oil > 1.0 { } seen.oil > 110.0 }",
        "a loop",
    );
    table.raise("fn raise(seen) { ^loop { } }", "a loop");
    table.raise(
        "fn raise(seen) { ^for i in 0..3 { } seen.oil > 110.0 }",
        "a loop",
    );
    table.raise(
        "fn raise(seen) { let a = 1.0; a ^= 2.0; seen.oil > a }",
        "an assignment",
    );
    table.raise(
        "fn raise(seen) { ^switch seen.oil { 1 => true, _ => false } }",
        "if .. else if",
    );
    table.raise("fn raise(seen) { ^throw 1; }", "throw");
    table.raise(
        "fn raise(seen) { ^eval(\"1\") > seen.oil }",
        "eval() is not allowed",
    );
    table.raise(
        "fn raise(seen) { ^Fn(\"f\"); seen.oil > 110.0 }",
        "Fn() is not allowed",
    );
    table.raise(
        "fn raise(seen) { let f = |x| x ^> 1.0; seen.oil > 110.0 }",
        "a closure",
    );
    table.raise("fn raise(seen) { ^call(f) }", "call() is not allowed");
    table.raise(
        "fn raise(seen) { ^maximum(seen.oil, seen.coolant) > 110.0 }",
        "no function maximum()",
    );
    table.raise(
        "fn raise(seen) { ^abs(seen.oil, 1.0) > 110.0 }",
        "write abs(x)",
    );
    table.raise("fn raise(seen) ^{ 3.0 > 2.0 }", "raise() is always true");
    table.raise(
        "fn raise(seen) ^{ seen.oil > 110.0 && 1 > 2 }",
        "raise() is always false",
    );
    table.raise(
        "fn raise(seen) ^{ seen.slips > 1.0 / 0.0 }",
        "raise() is always unknown",
    );
    table.raise(
        "fn raise(seen) { if 1 ^> 2 { seen.working } else { seen.oil > 110.0 } }",
        "first branch is never taken",
    );
    table.raise(
        "fn raise(seen) { return seen.working; seen.oil ^> 1.0 }",
        "never reached",
    );
    table.raise(
        "fn raise(seen) { ^if seen.working { seen.oil > 110.0 } }",
        "add else",
    );
    table.raise(
        "fn raise(seen) { ^if seen.working { 1.0 } else { true } }",
        "both branches",
    );
    table.raise("fn raise(seen) { seen.slips > 7 ^/ 2 }", "7.0 / 2.0");
    table.raise("fn raise(seen) { seen.slips > 2 ^** 3 }", "whole numbers");
    table.raise("fn raise(seen) { seen.slips > ^9007199254740993 }", "2^53");
    table.raise(
        "fn raise(seen) { seen.slips > 9007199254740990 ^+ 9 }",
        "2^53",
    );
    table.raise("fn raise(seen) { seen.slips > ^1e999 }", "too large");
    table.raise(
        "fn raise(seen) { seen^[\"oil\"] > 110.0 }",
        "write seen.name",
    );
    table.raise(
        "fn raise(seen) { seen^.oil.round() > 110.0 }",
        "has no parts",
    );
    table.raise(
        "fn raise(seen) { let a = 1.0; ^let a = 2.0; seen.slips > a }",
        "let twice",
    );
    table.raise("fn raise(seen) { seen.^oil; true }", "nothing uses");
    table.raise(
        "fn raise(seen) { ^let a = seen.oil; }",
        "no value at the end",
    );
    table.raise("fn raise() ^{ true }", "write fn raise(seen)");
    table.raise(
        "fn raise(seen) { f(seen) } fn f(s) { ^f(s) }",
        "f() calls itself",
    );
    table.raise("fn raise(seen) { seen.working ^& true }", "write &&");
    table.raise(
        "fn raise(seen) { seen.working == ^\"yes\" }",
        "a text in a verdict",
    );
    table.raise(
        "fn raise(seen) { seen.slips ^in [1, 2] }",
        "compare with ==",
    );
    table.raise(
        "fn raise(seen) { seen.slips > 1 } fn abs(x) ^{ x }",
        "a function of that name",
    );
    table.raise(
        "fn raise(seen) { seen.slips > 1 } ^let x = 1;",
        "outside of any function",
    );
    table.raise("fn raise(seen) { seen.slips > ^; }", "cannot be read past");
    table.raise(
        "^import \"a\" as a; fn raise(seen) { true }",
        "no other file",
    );
    table.raise("fn raise(seen) { let ^öl = 1.0; true }", "ASCII letters");
    table.raise("fn raise(seen) { ^abs() > 1.0 }", "abs() with 0 arguments");
    table.raise(
        "fn raise(seen) { ^max(seen.oil) > 1.0 }",
        "max() with 1 argument;",
    );
    table.refused(
        &format!("{ABOUT}{READS}fn raise(seen) {{ seen.slips > 1\n^"),
        "close every brace",
    );
}

#[test]
fn units_of_measure() {
    let mut table = Table::default();
    table.raise(
        "fn raise(seen) { seen.oil ^> seen.pressure }",
        "Cel > kPa; they measure different things",
    );
    table.raise(
        "fn raise(seen) { seen.oil ^+ seen.pressure > 3.0 }",
        "Cel + kPa",
    );
    table.raise(
        "fn raise(seen) { seen.oil ^+ seen.coolant > 150.0 }",
        "differences, not sums",
    );
    table.raise(
        "fn raise(seen) { seen.oil - seen.coolant ^> seen.oil }",
        "a point on a scale",
    );
    table.raise(
        "fn raise(seen) { (seen.oil - seen.coolant) ^- seen.oil > 1.0 }",
        "turn the sides round",
    );
    table.raise(
        "fn raise(seen) { (seen.oil - seen.coolant) ^> seen.pressure }",
        "K > kPa",
    );
    table.raise(
        "fn raise(seen) { ^max(seen.oil, seen.pressure) > 1.0 }",
        "max()",
    );
    table.raise(
        "fn raise(seen) { ^ln(seen.pressure) > 1.0 }",
        "divide by a reference",
    );
    table.raise(
        "fn raise(seen) { seen.pressure * seen.pressure ^> seen.pressure }",
        "kPa.kPa > kPa",
    );
    table.raise(
        "fn raise(seen) { let a = ^if seen.working { seen.oil } else { seen.pressure }; a > 3.0 }",
        "if .. else",
    );
    table.refused(
        &format!("{ABOUT}fn reads() {{ #{{ a: last(\"engine.hours\"), b: time_above(\"engine.oil.temperature\", 110, \"1 h\") }} }}\nfn raise(seen) {{ seen.a ^> seen.b }}"),
        "multiply the side in s by 0.000277",
    );
    // Products of points and roots of what is no square keep what they measure.
    table.raise(
        "fn raise(seen) { sqrt(seen.pressure) ^> seen.coolant }",
        "sqrt(kPa) > Cel",
    );
    table.raise(
        "fn raise(seen) { sqrt(seen.pressure) ^> seen.pressure }",
        "they measure different things",
    );
    table.raise(
        "fn raise(seen) { seen.pressure * seen.coolant ^> seen.coolant }",
        "kPa.Cel > Cel",
    );
    table.raise(
        "fn raise(seen) { (seen.oil - seen.coolant) ^> seen.oil }",
        "a difference in K > a point in Cel",
    );
    let roots = format!(
        "{ABOUT}{READS}fn raise(seen) {{ let p = seen.pressure; sqrt(p) * sqrt(p) > p && sqrt(p * p + p ** 2) > p && sqrt(p) > 3.0 && sqrt(p) > sqrt(p / 2.0) && seen.oil * 2.0 > seen.coolant && seen.oil * (p / p) > seen.coolant && p * seen.oil > p * (seen.oil - seen.coolant) }}"
    );
    assert_eq!(problems(&roots), []);
    // What fits together is left alone.
    let fine = format!(
        "{ABOUT}{READS}fn raise(seen) {{ let rise = seen.oil - seen.coolant; abs(rise) > 5.0 + 0.1 * rise && seen.coolant + 3600.0 * seen.trend < 4.0 && seen.coolant + rise > 80.0 && seen.oil * 1.8 + 32.0 > 200.0 && seen.pressure / 100.0 > 1.5 && ln(seen.pressure / 100.0 / seen.pressure) < 2.0 && seen.pressure ** 2 < seen.pressure * seen.pressure * 2.0 && max(seen.oil, seen.coolant) > 60 }}"
    );
    assert_eq!(problems(&fine), []);
}

// Integrals take the unit times second, and one per second or hour falls away or stays.
#[test]
fn units_of_integrals() {
    let whole = |raise: &str| {
        format!(
            "{ABOUT}fn reads() {{ #{{ energy: integral(\"traction.power\", \"1 h\"), fuel: integral(\"fuel.rate\", \"1 h\"), path: integral(\"engine.vibration\", \"1 min\"), turns: integral(\"engine.speed\", \"1 h\"), power: last(\"traction.power\"), odd: cusum_high(\"engine.oil.temperature\", 85, 1, \"8 h\"), oil: quantile(\"engine.oil.temperature\", 0.95, \"1 h\"), rise: robust_slope(\"engine.oil.temperature\", \"1 h\"), error: slope_error(\"engine.oil.temperature\", \"1 h\"), p: trend_p(\"engine.oil.temperature\", \"1 h\") }} }}\nfn raise(seen) {{ {raise} }}\n"
        )
    };
    let mut table = Table::default();
    for (raise, words) in [
        ("seen.energy ^> seen.power", "kW.s > kW"),
        ("seen.energy ^> seen.fuel", "they measure different things"),
        ("seen.odd ^> seen.oil", "a point on a scale"),
        ("seen.rise ^> seen.odd", "K/s > K"),
        ("seen.p ^> 1.5", "never holds"),
    ] {
        table.refused(&whole(raise), words);
    }
    let right = "seen.energy > 10.0 * seen.power && seen.path > 0.5 && seen.turns > 3.0 && seen.rise > 3.0 * seen.error && seen.odd > 4.0 && seen.oil > 85.0 && seen.fuel > 100.0 && seen.p < 0.05";
    assert_eq!(problems(&whole(right)), []);
}

#[test]
fn limits_that_the_range_decides() {
    let mut table = Table::default();
    // The catalogue has oil from -60 to 180 Cel.
    table.raise("fn raise(seen) { seen.oil ^> 250.0 }", "never holds");
    table.raise(
        "fn raise(seen) { seen.oil - seen.coolant ^> 300.0 }",
        "never holds",
    );
    table.raise(
        "fn raise(seen) { 200.0 ^< max(seen.oil, seen.coolant) }",
        "never holds",
    );
    table.raise(
        "fn raise(seen) { seen.slips ^< 0 || seen.working }",
        "never holds",
    );
    let catalogue = Catalogue::builtin();
    let source =
        format!("{ABOUT}{READS}fn raise(seen) {{ seen.slips > -1 && seen.oil > 180.0 - 0.5 }}");
    let vetted = vet("rule.rhai", &source, &Environment::new(&catalogue));
    assert_eq!(vetted.problems, []);
    let said: Vec<String> = vetted.warnings.iter().map(ToString::to_string).collect();
    assert!(
        said.iter().any(|line| line.contains("always holds")),
        "{said:#?}"
    );
}

// What the verdict reads is followed over `&&`, `||`, `!`, `if` and arithmetic, case by case.
#[test]
fn verdicts_that_are_always_the_same() {
    let mut table = Table::default();
    for (body, says) in [
        ("seen.oil > 90 && seen.oil < 80", "false"),
        ("seen.oil > 90 || seen.oil <= 90", "true"),
        ("seen.oil > 90 && !(seen.oil > 90)", "false"),
        ("seen.oil - seen.oil > 1", "false"),
        ("seen.oil != seen.oil", "false"),
        ("if seen.oil > 90 { true } else { true }", "true"),
        ("seen.slips >= 0.0", "true"),
        ("known(seen.oil) || !known(seen.oil)", "true"),
        (
            "seen.oil > seen.coolant && seen.oil < seen.coolant",
            "false",
        ),
        (
            "seen.oil > seen.coolant && seen.coolant > 90 && seen.oil < 80",
            "false",
        ),
        ("seen.oil > 90 && seen.oil - 10 < 70", "false"),
        (
            "seen.working && (if seen.working { false } else { true })",
            "false",
        ),
        ("seen.working == !seen.working", "false"),
        (
            "(if seen.oil > 90 { 1.0 } else { 0.0 }) > 0.5 && seen.oil < 80",
            "false",
        ),
        ("!known(seen.oil) && seen.oil > 90", "false"),
        ("seen.slips / 0.0 > 3.0", "unknown"),
    ] {
        table.raise(
            &format!("fn raise(seen) ^{{ {body} }}"),
            &format!("raise() is always {says}"),
        );
    }
    table.raise(
        "fn raise(seen) { if seen.slips ^>= 0 { seen.working } else { seen.oil > 90.0 } }",
        "a test that is always true",
    );
    for fine in [
        "seen.oil > 90 || seen.oil < 80",
        "seen.oil >= 90 && seen.oil <= 90",
        "!known(seen.oil)",
        "known(seen.oil) && !known(seen.coolant)",
        "seen.oil > 90 && seen.coolant < 80",
        "if seen.oil > 90 { seen.coolant > 80 } else { false }",
        "seen.oil != seen.coolant",
        "seen.working == (seen.oil > 90)",
        "seen.oil - seen.coolant > 20 && seen.oil > 90 && !(seen.pressure < 100.0)",
    ] {
        let source = format!("{ABOUT}{READS}fn raise(seen) {{ {fine} }}");
        assert_eq!(problems(&source), [], "{fine}");
    }
}

#[test]
fn verdicts_that_leave_each_other_no_room() {
    let mut table = Table::default();
    table.raise(
        "fn tested(seen) { seen.oil < 80 } fn raise(seen) ^{ seen.oil > 90 }",
        "never true while tested() is",
    );
    table.raise(
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) ^{ seen.oil > 95 }",
        "would never end",
    );
    let catalogue = Catalogue::builtin();
    let warned = |verdicts: &str| -> Vec<String> {
        let source = format!("{ABOUT}{READS}{verdicts}");
        let vetted = vet("rule.rhai", &source, &Environment::new(&catalogue));
        assert_eq!(vetted.problems, [], "{verdicts}");
        let all = vetted.warnings.iter().map(ToString::to_string);
        all.filter(|line| !line.contains("decides nothing"))
            .collect()
    };
    for (verdicts, words) in [
        (
            "fn raise(seen) { seen.oil > 90 } fn clear(seen) { seen.oil < 95 }",
            "no deadband",
        ),
        (
            "fn raise(seen) { seen.oil > 90 } fn suppress(seen) { seen.oil > 80 }",
            "every alert",
        ),
    ] {
        let said = warned(verdicts);
        assert!(said.len() == 1 && said[0].contains(words), "{said:#?}");
    }
    for fine in [
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) { seen.oil < 85 }",
        "fn tested(seen) { seen.oil > 50 } fn raise(seen) { seen.oil > 90 }",
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) { seen.coolant < 95 }",
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) { !known(seen.oil) || seen.oil < 80 }",
    ] {
        assert!(warned(fine).is_empty(), "{fine}: {:#?}", warned(fine));
    }
}

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
    table.refused(&with("\"10 s\"", "^\"10 sec\""), "is no span");
    table.refused(&with("\"10 s\"", "^\"500 ms\""), "at most once a second");
    table.refused(
        &with("\"10 s\"", "\"10 s\", on_delay: ^\"25 s\""),
        "use 20 s or 30 s",
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
        &with("mean(\"engine.oil.temperature\", ^\"20 d\")"),
        "use at most 16 d",
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
        &with("robust_score(\"engine.oil.temperature\", \"10 min\", ^\"20 d\")"),
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
fn problems_are_json() {
    let found = problems("fn raise(seen) { true }");
    let json = serde_json::to_string(&found).unwrap();
    let back: Vec<Problem> = serde_json::from_str(&json).unwrap();
    assert_eq!(back, found);
    assert!(json.contains("\"line\":1") && json.contains("\"mend\":"));
}

#[test]
fn a_formula_of_the_trade_takes_its_own_units() {
    let reads = "fn reads() { #{ power: mean(\"traction.power\", \"1 min\"), speed: mean(\"unit.speed\", \"1 min\"), wheel: mean(\"traction.axle.1.speed\", \"1 min\"), level: last(\"sand.level\"), rate: slope(\"sand.level\", \"6 h\"), oil: last(\"engine.oil.pressure\") } }\n";
    let mut table = Table::default();
    let mut raise = |body: &str, words: &str| {
        table.refused(
            &format!("{ABOUT}{reads}fn raise(seen) {{ {body} }}\n"),
            words,
        );
    };
    raise(
        "^tractive_effort(seen.speed, seen.power, 0.85) > 100.0",
        "as power of tractive_effort() in kW",
    );
    // The result has a unit, too.
    raise(
        "tractive_effort(seen.power, seen.speed, 0.85) ^> seen.oil",
        "they measure different things",
    );
    raise("^creep(seen.wheel) > 0.05", "write creep(wheel, ground)");
    raise(
        "^time_until(seen.level, seen.level, 20.0) < 3600.0",
        "time_until()",
    );
    raise(
        "^time_until(seen.level, seen.rate, seen.speed) < 3600.0",
        "time_until()",
    );
}

#[test]
fn a_formula_of_the_trade_goes_with_its_own_units() {
    let source = format!(
        "{ABOUT}fn reads() {{ #{{ power: mean(\"traction.power\", \"1 min\"), speed: mean(\"unit.speed\", \"1 min\"), wheel: mean(\"traction.axle.1.speed\", \"1 min\"), effort: mean(\"traction.effort\", \"1 min\"), level: last(\"sand.level\"), rate: slope(\"sand.level\", \"6 h\") }} }}
fn raise(seen) {{
    creep(seen.wheel, seen.speed) > 0.05
        || tractive_effort(seen.power, seen.speed, 0.85) - seen.effort > 50.0
        || time_until(seen.level, seen.rate, 20.0) < 3600.0
}}
"
    );
    let found = problems(&source);
    assert!(found.is_empty(), "{found:?}");
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
        "mates_mean(mean(\"engine.oil.temperature\", ^\"25 d\"))",
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
