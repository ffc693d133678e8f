//! Runs, delays, deadbands, what is not tested and what is not known.

use crate::support::{FLIP, SAMPLED, at, catalogue, column, judge, plan, rule_text};
use std::sync::Arc;
use wheeltap_judge::{EffectiveRule, Judgement, UnitContext, UnitJudge, UnitPlan};
use wheeltap_model::{Batch, Dated, UnitId, UnitState};
use wheeltap_rules::{Environment, compile};

/// A second within the epoch to start from, so that ticks are whole multiples.
const START: i64 = 1_767_225_600;

fn once_a_second(values: &[f64]) -> Vec<(i64, f64)> {
    (START..)
        .zip(values)
        .map(|(second, value)| (second * 1_000, *value))
        .collect()
}

/// Raised and ended second of each occurrence, counted from the start.
fn spans(judgement: &Judgement) -> Vec<(i64, Option<i64>)> {
    let second = |ms: i64| ms / 1_000 - START;
    judgement
        .occurrences()
        .iter()
        .map(|occurrence| {
            let ended = occurrence.ended_at.map(|ended| second(ended.unix_ms()));
            (second(occurrence.raised_at.unix_ms()), ended)
        })
        .collect()
}

fn run(judge: &mut UnitJudge, columns: Vec<wheeltap_model::Column>) -> Judgement {
    judge.feed(&Batch {
        columns,
        ..Batch::default()
    });
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    judgement
}

// Constructed example of check values 5.2: limit 100, deadband 2, on-delay 3 s, off-delay 2 s.
#[test]
fn on_delay_deadband_and_off_delay() {
    let values = [
        99.0, 101.0, 101.0, 99.0, 101.0, 101.0, 102.0, 101.0, 99.0, 98.5, 97.0, 97.0, 97.0, 97.0,
    ];
    let body = "fn reads() { #{ x: last(\"sampled\") } }
        fn raise(seen) { seen.x > 100.0 }
        fn clear(seen) { seen.x < 98.0 }";
    let mut judge = judge(&[("limit", rule_text("1 s", "3 s", "2 s", body))]);
    let judgement = run(&mut judge, vec![column(SAMPLED, &once_a_second(&values))]);
    assert_eq!(spans(&judgement), [(7, Some(12))]);
    let occurrence = &judgement.occurrences()[0];
    assert_eq!(occurrence.evidence.since, at((START + 4) * 1_000));
    assert_eq!(
        occurrence.end_evidence.as_ref().unwrap().since,
        at((START + 10) * 1_000)
    );
}

const PLAIN: &str = "fn reads() { #{ x: last(\"sampled\", \"1 s\") } }
    fn raise(seen) { seen.x > 100.0 }";

#[test]
fn unknown_ticks_do_not_break_a_run_until_the_channel_is_silent() {
    // The silent time is 5 s. A gap of 4 s is bridged, one of 8 s starts the run anew.
    // Reading an event as well, which is never silent, changes nothing.
    let with_event =
        "fn reads() { #{ x: last(\"sampled\", \"1 s\"), n: count(\"event\", \"1 s\") } }
        fn raise(seen) { seen.x > 100.0 && seen.n < 1.0 }";
    let check = |body: &str, gap: i64, expected: &[(i64, Option<i64>)]| {
        let mut judge = judge(&[("gap", rule_text("1 s", "10 s", "", body))]);
        let mut samples: Vec<(i64, f64)> = (0..4).map(|s| ((START + s) * 1_000, 101.0)).collect();
        samples.extend((4 + gap..40).map(|s| ((START + s) * 1_000, 101.0)));
        assert_eq!(
            spans(&run(&mut judge, vec![column(SAMPLED, &samples)])),
            expected
        );
    };
    for body in [PLAIN, with_event] {
        check(body, 4, &[(10, None)]);
        check(body, 8, &[(22, None)]);
    }
}

#[test]
fn a_raise_waits_for_a_known_true_tick() {
    // The delay runs out inside the gap; the first known true tick after it raises.
    let mut judge = judge(&[("plain", rule_text("1 s", "5 s", "", PLAIN))]);
    let mut samples: Vec<(i64, f64)> = (0..4).map(|s| ((START + s) * 1_000, 101.0)).collect();
    samples.extend((7..10).map(|s| ((START + s) * 1_000, 101.0)));
    assert_eq!(
        spans(&run(&mut judge, vec![column(SAMPLED, &samples)])),
        [(7, None)]
    );
}

#[test]
fn what_is_not_tested_neither_raises_nor_ends() {
    let body = "fn reads() { #{ x: last(\"sampled\", \"1 s\"), load: last(\"flip\", \"10 s\") } }
        fn tested(seen) { seen.load > 0.5 }
        fn raise(seen) { seen.x > 100.0 }";
    let mut judge = judge(&[("loaded", rule_text("1 s", "", "", body))]);
    // Hot at idle, hot under load, cool at idle, cool under load.
    let values: Vec<f64> = (0..40).map(|s| if s < 20 { 101.0 } else { 90.0 }).collect();
    let load = [(0, 0.0), (10, 1.0), (20, 0.0), (30, 1.0)];
    let load: Vec<(i64, f64)> = load
        .iter()
        .map(|(s, v)| ((START + s) * 1_000, *v))
        .collect();
    let columns = vec![
        column(SAMPLED, &once_a_second(&values)),
        column(FLIP, &load),
    ];
    assert_eq!(spans(&run(&mut judge, columns)), [(10, Some(30))]);
}

#[test]
fn silence_does_not_end_an_alert() {
    let mut judge = judge(&[("plain", rule_text("1 s", "", "", PLAIN))]);
    let hot = once_a_second(&[101.0, 101.0]);
    let heard = [((START + 90_000) * 1_000, 0.0)];
    let columns = vec![column(SAMPLED, &hot), column(FLIP, &heard)];
    assert_eq!(spans(&run(&mut judge, columns)), [(0, None)]);
}

#[test]
fn a_state_change_starts_the_run_anew() {
    let catalogue = catalogue();
    let mut context = UnitContext::default();
    for (second, value) in [(0, UnitState::Working), (6, UnitState::Isolated)] {
        let from = at((START + second) * 1_000);
        context.states.set(Dated {
            from,
            value,
            source: "test".into(),
        });
    }
    let plan = plan(
        &[("plain", rule_text("1 s", "10 s", "", PLAIN))],
        &catalogue,
    );
    let mut judge = UnitJudge::new(plan, Arc::new(context));
    let samples = once_a_second(&[101.0; 30]);
    assert_eq!(
        spans(&run(&mut judge, vec![column(SAMPLED, &samples)])),
        [(16, None)]
    );
}

#[test]
fn suppression_by_design_is_marked_and_lifted() {
    let body = "fn reads() { #{ x: last(\"sampled\", \"1 s\"), wash: last(\"flip\", \"10 s\") } }
        fn raise(seen) { seen.x > 100.0 }
        fn suppress(seen) { seen.wash > 0.5 }";
    let mut judge = judge(&[("washed", rule_text("1 s", "", "", body))]);
    let wash = [(START * 1_000, 1.0), ((START + 5) * 1_000, 0.0)];
    let columns = vec![
        column(SAMPLED, &once_a_second(&[101.0; 8])),
        column(FLIP, &wash),
    ];
    let judgement = run(&mut judge, columns);
    assert_eq!(judgement.changes[0].occurrence().unsuppressed_at, None);
    assert_eq!(
        judgement.changes[1].occurrence().unsuppressed_at,
        Some(at((START + 5) * 1_000))
    );
    assert_eq!(judgement.changes.len(), 2);
}

#[test]
fn a_version_taken_over_ends_its_alerts_as_superseded() {
    let catalogue = catalogue();
    let compiled = |limit: &str| {
        let text = rule_text("1 s", "", "", &PLAIN.replace("100.0", limit));
        Arc::new(compile("plain.rhai", &text, &Environment::new(&catalogue)).unwrap())
    };
    let switch = at((START + 5) * 1_000);
    let rules = [
        EffectiveRule {
            until: Some(switch),
            ..EffectiveRule::always(compiled("100.0"))
        },
        EffectiveRule {
            rule: compiled("50.0"),
            from: switch,
            until: None,
        },
    ];
    let unit = UnitId::new("ZVR 1").unwrap();
    let plan = Arc::new(UnitPlan::new(&rules, &unit, None, None, &catalogue));
    let mut judge = UnitJudge::new(plan, Arc::new(UnitContext::default()));
    let judgement = run(
        &mut judge,
        vec![column(SAMPLED, &once_a_second(&[101.0; 9]))],
    );
    assert_eq!(spans(&judgement), [(0, Some(5)), (5, None)]);
    assert!(judgement.occurrences()[0].superseded);
}
