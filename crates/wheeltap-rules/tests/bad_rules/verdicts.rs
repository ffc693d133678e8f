//! What `tested`, `raise`, `clear` and `suppress` say.

use super::*;

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
    // So many degrees and three spreads are a limit for degrees and for a difference; for nothing else.
    let spread = |raise: &str| {
        format!(
            "{ABOUT}fn reads() {{ #{{ oil: mean(\"engine.oil.temperature\", \"10 min\"), spread: stdev(\"engine.oil.temperature\", \"1 h\"), pressure: last(\"engine.oil.pressure\") }} }}\nfn raise(seen) {{ {raise} }}"
        )
    };
    for fine in [
        "seen.oil > 90.0 + 3.0 * seen.spread && seen.pressure > 100.0",
        "seen.oil < seen.spread + 90.0 && seen.pressure > 100.0",
        "seen.oil < 90.0 - seen.spread && seen.pressure > 100.0",
        "seen.spread + 1.0 > 2.0 * seen.spread && seen.oil > 1.0 && seen.pressure > 100.0",
    ] {
        assert_eq!(problems(&spread(fine)), [], "{fine}");
    }
    table.refused(
        &spread("seen.pressure ^> 90.0 + seen.spread && seen.oil > 1.0"),
        "they measure different things",
    );
    // 212 times 5/9 is not 100: the zeros differ too.
    table.refused(
        &format!("{ABOUT}fn reads() {{ #{{ oil: last(\"engine.oil.temperature\") }} }}\nfn params() {{ #{{ limit: param(212.0, \"[degF]\", #{{ from: 200.0, to: 220.0, step: 1.0 }}) }} }}\nfn raise(seen) {{ seen.oil ^> seen.limit }}"),
        "write the side in [degF] in Cel instead",
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
        (
            "fn raise(seen) { seen.oil > 100 } fn clear(seen) { seen.oil > 90 }",
            "clear() is true wherever raise() is",
        ),
        (
            "fn raise(seen) { seen.oil < 60 || seen.pressure < 100 } fn clear(seen) { seen.oil < 70 || seen.pressure < 150 }",
            "goes on standing",
        ),
        (
            "fn tested(seen) { seen.oil > 70 } fn raise(seen) { seen.oil - seen.coolant > 18 } fn clear(seen) { seen.oil > 60 && seen.oil - seen.coolant > 14 }",
            "clear() is true wherever raise() is",
        ),
    ] {
        let said = warned(verdicts);
        assert!(
            said.len() == 1 && said[0].contains(words),
            "{verdicts}: {said:#?}"
        );
    }
    for fine in [
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) { seen.oil < 85 }",
        "fn tested(seen) { seen.oil > 50 } fn raise(seen) { seen.oil > 90 }",
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) { seen.coolant < 95 }",
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) { seen.coolant > 60 && seen.oil < 95 }",
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) { seen.oil > 80 && known(seen.coolant) }",
        "fn raise(seen) { seen.oil > 90 } fn clear(seen) { !known(seen.oil) || seen.oil < 80 }",
    ] {
        assert!(warned(fine).is_empty(), "{fine}: {:#?}", warned(fine));
    }
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
fn a_test_that_those_around_it_decide_is_told() {
    let mut table = Table::default();
    for (body, words) in [
        (
            "if seen.oil > 90.0 { if seen.oil ^< 80.0 { seen.working } else { seen.coolant > 70.0 } } else { false }",
            "always false here",
        ),
        (
            "if seen.oil > 90.0 { false } else { if seen.oil ^<= 95.0 { seen.working } else { true } }",
            "always true here",
        ),
        (
            "if seen.oil > 90.0 { return seen.working; } if seen.oil ^> 95.0 { return true; } seen.coolant > 70.0",
            "the first branch is never taken",
        ),
        (
            "if seen.oil > 90.0 { seen.working } else if seen.oil > 80.0 { true } else if seen.oil ^> 85.0 { seen.working } else { false }",
            "always false here",
        ),
    ] {
        table.raise(&format!("fn raise(seen) {{ {body} }}"), words);
    }
    // What is open yet is a test, and so is one in a helper, which others may call otherwise.
    for body in [
        "if seen.oil > 90.0 { if seen.oil < 95.0 { seen.working } else { true } } else { false }",
        "if seen.oil > 90.0 { seen.working } else if seen.oil > 80.0 { true } else { seen.coolant > 99.0 }",
        "if seen.oil > 90.0 { warm(seen.oil) } else { seen.working && warm(seen.oil) }",
    ] {
        let helper = "fn warm(oil) { if oil > 80.0 { true } else { false } }";
        let source = format!("{ABOUT}{READS}fn raise(seen) {{ {body} }}\n{helper}\n");
        assert_eq!(problems(&source), [], "{body}");
    }
}

#[test]
fn the_least_of_a_window_is_never_over_its_greatest() {
    let oil = "\"engine.oil.temperature\"";
    let reads = format!(
        "fn reads() {{ #{{ low: min({oil}, \"5 min\"), high: max({oil}, \"5 min\"), other: max({oil}, \"6 min\"), on: in_state(\"working\") }} }}\n"
    );
    let mut table = Table::default();
    for raise in [
        "seen.low ^> seen.high",
        "seen.high ^< seen.low",
        "seen.on && seen.low ^> seen.high",
    ] {
        let source = format!("{ABOUT}{reads}fn raise(seen) {{ {raise} }}\n");
        table.refused(&source, "a comparison that never holds");
    }
    // By way of a helper it is found in the verdict as a whole.
    table.refused(
        &format!("{ABOUT}{reads}fn raise(seen) ^{{ over(seen.low, seen.high) }}\nfn over(a, b) {{ a > b }}\n"),
        "raise() is always false",
    );
    table.refused(
        &format!("{ABOUT}{reads}fn raise(seen) ^{{ below(seen.low, seen.high) }}\nfn below(a, b) {{ a <= b }}\n"),
        "raise() is always true",
    );
    for raise in [
        "seen.low < seen.high",
        "seen.low >= seen.high",
        "seen.low > seen.other",
        "seen.high - seen.low > 5.0",
    ] {
        let source = format!("{ABOUT}{reads}fn raise(seen) {{ {raise} }}\n");
        assert_eq!(problems(&source), [], "{raise}");
    }
}

#[test]
fn helpers_too_deep_are_told_apart_from_one_that_calls_itself() {
    let mut table = Table::default();
    let helper = |n: usize, body: &str| format!("fn h{n}(x) {{ {body} }}\n");
    let deep = |n: usize| -> String {
        let mut text: String = (0..n - 1)
            .map(|idx| helper(idx, &format!("h{}(x)", idx + 1)))
            .collect();
        text.push_str(&helper(n - 1, "x > 90.0"));
        text
    };
    let whole =
        |helpers: &str| format!("{ABOUT}{READS}fn raise(seen) {{ h0(seen.oil) }}\n{helpers}");
    assert_eq!(problems(&whole(&deep(32))), []);
    table.refused(
        &whole(&deep(33).replace("{ h32(x) }", "{ ^h32(x) }")),
        "h32() within 32 other helpers",
    );
    table.refused(
        &whole(&format!("{}{}", helper(0, "h1(x)"), helper(1, "^h0(x)"))),
        "h0() calls itself",
    );
}

#[test]
fn what_is_hardly_ever_exactly_one_number_is_doubtful() {
    let catalogue = Catalogue::builtin();
    let warned = |raise: &str| -> Vec<String> {
        let source = format!("{ABOUT}{READS}fn raise(seen) {{ {raise} }}\n");
        let vetted = vet("rule.rhai", &source, &Environment::new(&catalogue));
        assert_eq!(vetted.problems, [], "{raise}");
        let all = vetted.warnings.iter().map(ToString::to_string);
        all.filter(|line| !line.contains("decides nothing"))
            .collect()
    };
    for (raise, words) in [
        ("seen.oil == 100.0", "with exactly 100 hardly ever holds"),
        ("100.0 == seen.oil", "abs(seen.oil - 100.0) < 0.5"),
        ("seen.oil != 100.0", "holds nearly always"),
    ] {
        let said = warned(raise);
        assert!(said.len() == 1 && said[0].contains(words), "{said:#?}");
    }
    // Counts and single samples are what they are; without any change a slope is 0.
    for raise in [
        "seen.slips == 3.0",
        "seen.pressure == 100.0",
        "seen.trend == 0.0",
        "seen.oil > 100.0",
    ] {
        assert_eq!(warned(raise), [] as [&str; 0], "{raise}");
    }
}
