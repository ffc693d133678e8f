//! A rule that is right no more, or no longer wanted, holds up neither the service nor the other rules.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod judged;

use judged::{LEVEL, MIN, Service, T0, TRIPS, at, batch, folder, level, unit};
use std::collections::BTreeSet;
use wheeltap_model::{EventTime, RuleName, RuleRef, RuleStage};
use wheeltap_server::judging::Faulted;

fn version(service: &Service, name: &str) -> RuleRef {
    let book = service.judging.ledger().book();
    let name = RuleName::new(name).unwrap();
    book.rule_versions(&name).last().unwrap().reference.clone()
}

fn stage(service: &Service, rule: &RuleRef, stage: RuleStage, from: EventTime) {
    let ledger = service.judging.ledger();
    let staged = ledger.write("author", Vec::new(), |planner| {
        planner.stage(rule, stage, from, "a test", "")
    });
    staged.unwrap().unwrap();
    service.judging.rules_changed();
}

fn standing(service: &Service) -> BTreeSet<String> {
    let book = service.judging.ledger().book();
    let unit = unit();
    let standing = book.standing_of(&unit);
    standing
        .map(|alert| alert.rule().reference.name.to_string())
        .collect()
}

/// A trip every half a minute, and the mode said every two.
fn twenty_minutes_of_trips() -> (Vec<i64>, Vec<(i64, f64)>) {
    let trips = (0..40).map(|half| T0 + half * MIN / 2 + 5);
    let modes = (0..10).map(|two| (T0 + two * 2 * MIN, 1.0));
    (trips.collect(), modes.collect())
}

#[test]
fn a_rule_whose_channel_is_gone_is_left_out_told_and_can_be_retired() {
    let rules = folder(&[("level", LEVEL), ("trips", TRIPS)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    let (trips, modes) = twenty_minutes_of_trips();
    service.send(batch(&level(0..20, 5.0), &modes, &trips), true);
    service.idle();
    let trips = version(&service, "trips");
    assert_eq!(standing(&service), BTreeSet::from(["trips".to_owned()]));
    assert_eq!(service.judging.faulted(&trips), Faulted::default());

    service.settings.rules = None;
    service.left_out = Some("test.trip");
    let mut service = service.restarted(false);
    service.send(batch(&level(20..30, 20.0), &[], &[]), true);
    service.idle();
    let told = service.judging.faulted(&trips);
    assert_eq!(told.n_units, 1);
    assert!(
        told.last_fault.contains("trips.rhai:9:") && told.last_fault.contains("test.trip"),
        "{}",
        told.last_fault
    );
    let both = BTreeSet::from(["level".to_owned(), "trips".to_owned()]);
    assert_eq!(standing(&service), both, "what it called stays as it was");

    stage(&service, &trips, RuleStage::Retired, at(T0 + 25 * MIN));
    service.idle();
    assert_eq!(standing(&service), BTreeSet::from(["level".to_owned()]));
    assert_eq!(service.judging.faulted(&trips), Faulted::default());
    let law = service.law();
    assert_eq!(law.len(), 2, "{law:#?}");
    let ended = law.iter().find(|line| line.starts_with("trips "));
    let ended_at_that = ended.is_some_and(|line| line.contains("Some(\"2026-01-01T00:25:00Z\")"));
    assert!(ended_at_that, "{law:#?}");
    // The channel comes back: what was retired is judged as before.
    let mut service = service;
    service.left_out = None;
    let service = service.restarted(false);
    service.idle();
    assert_eq!(service.law(), law);
    service.judging.stop();
}

#[test]
fn what_a_left_out_rule_called_ends_when_the_unit_is_heard_after_it_was_retired() {
    let rules = folder(&[("trips", TRIPS)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    let (trips, modes) = twenty_minutes_of_trips();
    service.send(batch(&level(0..20, 5.0), &modes, &trips), true);
    service.idle();
    let trips = version(&service, "trips");
    service.settings.rules = None;
    service.left_out = Some("test.trip");
    let mut service = service.restarted(false);
    service.idle();

    // From an instant on that the unit was not heard at yet.
    stage(&service, &trips, RuleStage::Retired, at(T0 + 25 * MIN));
    service.idle();
    service.send(batch(&level(20..25, 5.0), &[], &[]), true);
    service.idle();
    assert_eq!(standing(&service), BTreeSet::from(["trips".to_owned()]));
    service.send(batch(&level(25..30, 5.0), &[], &[]), true);
    service.idle();
    assert_eq!(standing(&service), BTreeSet::new());
    let law = service.law();
    let ended_at_that = |line: &String| line.contains("Some(\"2026-01-01T00:25:00Z\")");
    assert!(law.len() == 1 && law.iter().all(ended_at_that), "{law:#?}");
    service.judging.stop();
}

// Its windows are not kept when nothing can come of them, and are there again for what comes from before.
#[test]
fn a_version_that_is_over_costs_nothing_and_still_judges_what_comes_late() {
    let rules = folder(&[("level", LEVEL), ("trips", TRIPS)]);
    let folder = Some(rules.path().to_owned());
    let (trips, modes) = twenty_minutes_of_trips();
    let retire = |service: &Service| {
        let trips = version(service, "trips");
        stage(service, &trips, RuleStage::Retired, at(T0 + 15 * MIN));
    };

    let mut in_order = Service::new(folder.clone());
    retire(&in_order);
    in_order.send(batch(&level(0..20, 20.0), &modes, &trips), true);
    in_order.send(batch(&level(20..230, 5.0), &[], &[]), true);
    in_order.idle();
    let expected = in_order.law();
    assert!(
        expected.iter().any(|line| line.starts_with("trips ")),
        "{expected:#?}"
    );
    in_order.judging.stop();

    let mut service = Service::new(folder);
    service.send(batch(&level(0..20, 20.0), &[], &[]), true);
    service.send(batch(&level(20..230, 5.0), &[], &[]), true);
    service.idle();
    retire(&service);
    service.idle();
    let mut service = service.restarted(false);
    service.idle();
    let of_level = BTreeSet::from([service.shared.catalogue.channels().next().unwrap().0]);
    let read = service.killable.channels_read.lock().unwrap().clone();
    assert_eq!(read, of_level);
    service.send(batch(&[], &modes, &trips), true);
    service.idle();
    assert_eq!(service.law(), expected);
    service.judging.stop();
}

#[test]
fn a_version_that_is_in_force_again_remembers_what_stands_over_a_restart() {
    let rules = folder(&[("level", LEVEL)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    let rule = version(&service, "level");
    stage(&service, &rule, RuleStage::Retired, at(T0 + 10 * MIN));
    stage(&service, &rule, RuleStage::Live, at(T0 + 20 * MIN));
    service.send(batch(&level(0..30, 20.0), &[], &[]), true);
    service.idle();
    let law = service.law();
    assert_eq!(law.len(), 2, "{law:#?}");
    let mut service = service.restarted(false);
    service.send(batch(&level(30..40, 20.0), &[], &[]), true);
    service.idle();
    assert_eq!(service.law(), law);
    assert_eq!(standing(&service), BTreeSet::from(["level".to_owned()]));
    service.judging.stop();
}

fn live_for_sensors(service: &Service) -> Vec<String> {
    let book = service.judging.ledger().book();
    let versions = book.rule_names().flat_map(|name| book.rule_versions(name));
    let is_live = |rule: &RuleRef| {
        let change = book.rule_stage(rule);
        change.is_some_and(|change| change.stage == RuleStage::Live)
    };
    versions
        .filter(|version| is_live(&version.reference))
        .map(|version| version.reference.name.to_string())
        .collect()
}

#[test]
fn rules_that_the_catalogue_asks_for_no_more_are_retired() {
    let mut service = Service::that_minds_sensors(None);
    let asked_for = live_for_sensors(&service);
    assert!(
        asked_for.contains(&"stuck-test-level".to_owned()),
        "{asked_for:?}"
    );
    // A person's word stands.
    let stuck = version(&service, "stuck-test-level");
    stage(&service, &stuck, RuleStage::Retired, at(T0));

    service.settings.channel_health = false;
    let mut service = service.restarted(false);
    assert_eq!(live_for_sensors(&service), Vec::<String>::new());

    service.settings.channel_health = true;
    let service = service.restarted(false);
    let mut left = asked_for;
    left.retain(|name| name != "stuck-test-level");
    assert_eq!(live_for_sensors(&service), left);
    service.judging.stop();
}

/// A rule with as many inputs as may be, of the longest names, each with as much to say of how it is computed as
/// fits beside the others.
fn widest() -> String {
    let between = "between(\"test.level\", -123456.789012345, 123456.789012345)";
    let during = [between; 4].join(", ");
    let inputs: Vec<String> = (0..64)
        .map(|idx| {
            let name = format!("{}{idx:02}", "i".repeat(62));
            format!("{name}: mean(\"test.level\", \"1 min\", #{{ during: [{during}] }}),")
        })
        .collect();
    let level = "level: mean(\"test.level\", \"1 min\")";
    let text = LEVEL.replace(level, &inputs.join("\n"));
    text.replace("seen.level", &format!("seen.{}00", "i".repeat(62)))
}

#[test]
fn an_alert_of_the_widest_rule_that_may_be_is_kept_and_says_what_is_left_out() {
    let rules = folder(&[("widest", &widest())]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    service.send(batch(&level(0..10, 20.0), &[], &[]), true);
    service.send(batch(&level(10..20, 5.0), &[], &[]), true);
    service.idle();
    let book = service.judging.ledger().book();
    let alert = book.known(&unit(), None).next().unwrap().alert();
    assert!(alert.ended_at.is_some());
    for evidence in [Some(&alert.evidence), alert.end_evidence.as_ref()] {
        let inputs = &evidence.unwrap().inputs;
        assert_eq!(inputs.len(), 64);
        let of = &inputs[63].of;
        assert!(
            of.starts_with("mean(test.level, 1 min, ") && of.ends_with(" more characters left out"),
            "{of}"
        );
    }
    drop(book);
    let law = service.law();
    let service = service.restarted(true);
    service.idle();
    assert_eq!(service.law(), law);
    service.judging.stop();
}
