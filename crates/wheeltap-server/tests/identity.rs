//! An alert keeps its number through late data: split, merge, withdrawal, reinstatement; and what is
//! told to people waits for late data, but not long.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod judged;

use judged::{LEVEL, MIN, Service, T0, TRIPS, at, batch, folder, level, unit};
use std::collections::HashMap;
use std::sync::Arc;
use wheeltap_followup::RuleFacts;
use wheeltap_model::{
    Alert, Batch, Condition, EventTime, RuleName, RuleRef, ServerTime, WithdrawnReason,
};
use wheeltap_rules::Environment;
use wheeltap_server::judging::History;

fn levels(stretches: &[(i64, i64, f64)]) -> Batch {
    let samples: Vec<(i64, f64)> = stretches
        .iter()
        .flat_map(|(from, to, value)| level(*from..*to, *value))
        .collect();
    batch(&samples, &[], &[])
}

fn alerts(service: &Service) -> Vec<Alert> {
    let book = service.judging.ledger().book();
    book.known(&unit(), None).map(|kept| kept.alert()).collect()
}

/// Lodges a rule's text as its author would.
fn lodge(service: &Service, name: &RuleName, text: &str) -> RuleRef {
    let catalogue = judged::catalogue();
    let file = format!("{name}.rhai");
    let rule = wheeltap_rules::compile(&file, text, &Environment::new(&catalogue)).unwrap();
    let about = &rule.about;
    let facts = RuleFacts {
        title: about.title.clone(),
        system: about.system.clone(),
        component: about.component.clone(),
        priority: about.priority,
        safety: about.safety,
        once_a_train: about.once_a_train,
        desk: true,
        cause: about.cause.clone(),
        consequence: about.consequence.clone(),
        action: about.action.clone(),
        respond_within_ms: about.respond_within_ms,
    };
    let lodged = service
        .judging
        .ledger()
        .write("author", Vec::new(), |planner| {
            planner.lodge(&rule.reference, text, facts, None, "")
        });
    assert_eq!(lodged.unwrap(), Ok(()));
    rule.reference
}

fn summary(service: &Service) -> Vec<(u64, Condition, Option<i64>)> {
    let minute = |ms: i64| (ms - T0) / MIN;
    alerts(service)
        .iter()
        .map(|alert| {
            let ended = alert.ended_at.map(|ended| minute(ended.unix_ms()));
            (alert.id.0, alert.condition(), ended)
        })
        .collect()
}

#[test]
fn a_split_keeps_the_number_of_the_earliest_part_and_a_merge_that_of_the_earliest_alert() {
    let rules = folder(&[("level", LEVEL)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    // The middle is missing: unknown ends no alert.
    service.send(levels(&[(0, 5, 5.0), (5, 15, 14.0)]), true);
    service.send(levels(&[(25, 40, 14.0)]), true);
    service.idle();
    assert_eq!(summary(&service), [(1, Condition::Standing, None)]);
    let acknowledged = service
        .judging
        .ledger()
        .write("desk", Vec::new(), |planner| {
            planner.acknowledge(wheeltap_model::AlertId(1), "told the crew", "", "")
        });
    assert_eq!(acknowledged.unwrap(), Ok(()));

    // The middle comes late, and was low: two occurrences.
    service.send(levels(&[(15, 25, 5.0)]), true);
    service.idle();
    assert_eq!(
        summary(&service),
        [
            (1, Condition::Ended, Some(16)),
            (2, Condition::Standing, None)
        ]
    );
    assert!(matches!(
        &alerts(&service)[0].response,
        wheeltap_model::Response::Acknowledged { by, .. } if by == "desk"
    ));

    // A second spool says otherwise of the middle: in conflict, so unknown, so one occurrence again.
    service.send(levels(&[(15, 25, 6.0)]), true);
    service.idle();
    assert_eq!(
        summary(&service),
        [
            (1, Condition::Standing, None),
            (2, Condition::Withdrawn, None)
        ]
    );
    let merged = WithdrawnReason::MergedInto(wheeltap_model::AlertId(1));
    assert_eq!(alerts(&service)[1].withdrawn, Some(merged));
    // And a restart knows all of it.
    let before = alerts(&service);
    let service = service.restarted(true);
    service.idle();
    assert_eq!(alerts(&service), before);
    service.judging.stop();
}

#[test]
fn a_withdrawn_alert_comes_back_under_its_number() {
    let rules = folder(&[("trips", TRIPS)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    let trips = [T0 + 5 * MIN, T0 + 5 * MIN + 10];
    service.send(batch(&level(0..8, 5.0), &[(T0, 1.0)], &trips), true);
    service.idle();
    assert_eq!(summary(&service), [(1, Condition::Standing, None)]);
    // It was in another mode by then, so nothing was tested.
    service.send(batch(&[], &[(T0 + MIN, 0.0)], &[]), true);
    service.idle();
    assert_eq!(summary(&service), [(1, Condition::Withdrawn, None)]);
    assert_eq!(
        alerts(&service)[0].withdrawn,
        Some(WithdrawnReason::LateData)
    );
    let defect = alerts(&service)[0].defect;
    let status = |service: &Service| {
        let book = service.judging.ledger().book();
        book.defect(defect).unwrap().defect().status
    };
    assert_eq!(status(&service), wheeltap_model::DefectStatus::Void);
    // For a second only.
    service.send(batch(&[], &[(T0 + MIN + 1_000, 1.0)], &[]), true);
    service.idle();
    assert_eq!(summary(&service), [(1, Condition::Standing, None)]);
    assert_eq!(status(&service), wheeltap_model::DefectStatus::Suspected);
    assert_eq!(alerts(&service)[0].withdrawn, None);
    service.judging.stop();
}

#[test]
fn data_older_than_the_horizon_is_stored_and_not_judged() {
    let rules = folder(&[("level", LEVEL)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    let day = 24 * 60;
    service.send(levels(&[(15 * day, 15 * day + 20, 5.0)]), true);
    service.idle();
    service.send(levels(&[(0, 20, 14.0)]), true);
    service.idle();
    assert_eq!(summary(&service), []);
    // A day younger, it is within fourteen days.
    service.send(levels(&[(day + 60, day + 80, 14.0)]), true);
    service.idle();
    assert_eq!(alerts(&service).len(), 1);
    assert!(alerts(&service)[0].late_news || alerts(&service)[0].ended_at.is_none());
    service.judging.stop();
}

#[test]
fn what_a_promise_covers_is_settled() {
    let rules = folder(&[("level", LEVEL)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    let mut first = levels(&[(0, 5, 5.0), (5, 15, 14.0)]);
    service.send(first.clone(), true);
    service.idle();
    assert!(!alerts(&service)[0].settled);
    first = levels(&[(15, 16, 14.0)]);
    first.complete_through = Some(at(T0 + 15 * MIN));
    service.send(first, true);
    service.idle();
    assert!(alerts(&service)[0].settled);
    service.judging.stop();
}

#[test]
fn a_rule_that_is_replaced_ends_its_alerts_as_superseded() {
    let rules = folder(&[("level", LEVEL)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    service.send(levels(&[(0, 5, 5.0), (5, 15, 14.0)]), true);
    service.idle();
    let old = alerts(&service)[0].rule.clone();
    let changed = LEVEL.replace("> 10.0", "> 11.0");
    let name = old.name.clone();
    let rule = lodge(&service, &name, &changed);
    service.clock.set(ServerTime::from_unix_ms(T0 + 16 * MIN));
    let from = at(T0 + 16 * MIN);
    let staged = service
        .judging
        .ledger()
        .write("author", Vec::new(), |planner| {
            planner.stage(&rule, wheeltap_model::RuleStage::Live, from, "a test", "")
        });
    assert_eq!(staged.unwrap(), Ok(()));
    service.judging.rules_changed();
    service.send(levels(&[(15, 30, 14.0)]), true);
    service.idle();
    let all = alerts(&service);
    assert_eq!(all.len(), 2);
    assert_eq!(
        (all[0].rule.clone(), all[0].ended_because.as_str()),
        (old, "superseded")
    );
    assert_eq!(all[0].ended_at, Some(from));
    // The new version starts normal with warm windows: its on-delay later it raises.
    assert_eq!((&all[1].rule, all[1].ended_at), (&rule, None));
    assert_eq!(all[1].raised_at, from.plus_ms(20_000));
    service.judging.stop();
}

/// Some milliseconds a tick.
const SLOW: &str = r#"
fn about() { #{
    title: "Slow", system: "test", component: "level", priority: "low",
    tick: "10 s", on_delay: "20 s", off_delay: "20 s", judge: "script",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ level: mean("test.level", "1 min") } }
fn raise(seen) {
    let n = 0;
    while n < 5000 { n += 1; }
    seen.level > 10.0
}
"#;

/// The rule over what the service has of its unit, from the first datum on.
fn history(name: &str, text: &str, until: EventTime) -> History {
    let catalogue = judged::catalogue();
    let file = format!("{name}.rhai");
    let rule = wheeltap_rules::compile(&file, text, &Environment::new(&catalogue));
    History {
        rule: Arc::new(rule.unwrap()),
        against: None,
        variants: vec![],
        from: at(T0),
        until,
        classes: HashMap::new(),
        units: vec![unit()],
    }
}

#[test]
fn a_script_that_goes_on_failing_is_given_up_on() {
    let mut service = Service::new(None);
    service.send(levels(&[(0, 12 * 60, 5.0)]), true);
    service.idle();
    let failing = SLOW.replace(
        "let n = 0;",
        "if seen.level == 5.0 { throw \"no\"; } let n = 0;",
    );
    let failing = failing.replace("n < 5000", "n < 5");
    let history = history("failing", &failing, at(T0 + 12 * 60 * MIN));
    let mut n_read = 0;
    let replay = history.run(&service.shared, |progress| {
        n_read = progress.n_read;
        true
    });
    let replay = replay.unwrap();
    assert!(replay.is_complete);
    assert_eq!(replay.faulted.unwrap().n_units, 1);
    // 300 ticks of 10 s are 50 min of the 12 h.
    assert!((300..1_000).contains(&n_read), "{n_read} of 4,320");
    service.judging.stop();
}

#[test]
fn days_without_data_are_not_covered() {
    const DAY: i64 = 24 * 60;
    let mut service = Service::new(None);
    service.send(levels(&[(0, 60, 5.0)]), true);
    service.send(levels(&[(10 * DAY, 10 * DAY + 60, 5.0)]), true);
    service.idle();
    let history = history("level", LEVEL, at(T0 + 20 * DAY * MIN));
    let replay = history.run(&service.shared, |_| true).unwrap();
    // Two hours, the second up to its last sample.
    assert_eq!(replay.covered_ms_a_unit(), 120 * MIN - 10_000);
    service.judging.stop();
}

/// A span that begins within an hour of the clock has what is left of it.
#[test]
fn the_hour_in_which_a_span_begins_is_covered() {
    let mut service = Service::new(None);
    service.send(levels(&[(0, 240, 5.0)]), true);
    service.idle();
    let mut history = history("level", LEVEL, at(T0 + 240 * MIN));
    let (_, last) = service.shared.store.extent(&unit()).unwrap().unwrap();
    for from in [at(T0 + 333), at(T0 + 59 * MIN)] {
        history.from = from;
        let replay = history.run(&service.shared, |_| true).unwrap();
        assert_eq!(replay.covered_ms_a_unit(), last.ms_since(from), "{from}");
    }
    service.judging.stop();
}

#[test]
fn a_replay_that_nobody_waits_for_ends_in_the_middle_of_a_unit() {
    let mut service = Service::new(None);
    service.send(levels(&[(0, 12 * 60, 5.0)]), true);
    service.idle();
    let history = history("slow", SLOW, at(T0 + 12 * 60 * MIN));
    let mut n_told = 0;
    let replay = history.run_while(
        &service.shared,
        || false,
        |_| {
            n_told += 1;
            true
        },
    );
    assert!(!replay.unwrap().is_complete);
    assert_eq!(n_told, 0, "the unit was judged to its end");
    service.judging.stop();
}
