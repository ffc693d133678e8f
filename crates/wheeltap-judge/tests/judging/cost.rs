//! What a rule is said to cost.

use crate::support::{catalogue, rule_text};
use std::sync::Arc;
use std::time::Duration;
use wheeltap_judge::RuleCost;
use wheeltap_rules::{Environment, compile};

fn cost(tick: &str, body: &str) -> RuleCost {
    let catalogue = catalogue();
    let mut text = rule_text(tick, "", "", body);
    if body.contains("while") {
        text = text.replacen("priority:", "judge: \"script\", priority:", 1);
    }
    let rule = compile("cost.rhai", &text, &Environment::new(&catalogue));
    RuleCost::measure(&Arc::new(rule.unwrap()), &catalogue)
}

#[test]
fn readings_and_verdicts_are_counted_by_intervals_and_ticks() {
    let all = cost(
        "10 s",
        "fn reads() { #{ a: mean(\"sampled\", \"1 min\"), b: last(\"held\", \"1 min\"), \
         c: count(\"event\", \"1 h\") } }\n\
         fn raise(seen) { seen.a > 1.0 && seen.b > 1.0 && seen.c > 1.0 }",
    );
    // One a second, one each 7 s, one a minute.
    assert_eq!(all.readings_per_hour, 3_600 + 514 + 60);
    assert_eq!(all.verdicts_per_hour, 360);
    assert!(all.core_per_day > Duration::ZERO);
    let longer = cost(
        "10 s",
        "fn reads() { #{ a: mean(\"sampled\", \"1 h\") } }\nfn raise(seen) { seen.a > 1.0 }",
    );
    let shorter = cost(
        "10 s",
        "fn reads() { #{ a: mean(\"sampled\", \"1 min\") } }\nfn raise(seen) { seen.a > 1.0 }",
    );
    assert!(longer.window_bytes > shorter.window_bytes);
}

/// A script that takes all the operations it may is not tried for an hour of its ticks.
#[test]
fn a_slow_script_is_given_up_on_soon_and_counted_for_what_it_takes() {
    let script = |n: u32| {
        format!(
            "fn reads() {{ #{{ a: mean(\"sampled\", \"1 min\") }} }}\n\
             fn raise(seen) {{ let n = 0; while n < {n} {{ n += 1; }} seen.a > 1.0 }}"
        )
    };
    let (slow, fast) = (cost("1 s", &script(5_000)), cost("1 s", &script(10)));
    // Hundreds of times the work, told at least ten times the price.
    assert!(
        slow.core_per_day > fast.core_per_day * 10,
        "{slow:?} {fast:?}"
    );
}
