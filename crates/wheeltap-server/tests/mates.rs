//! Rules that ask a unit's consist mates, through the pipeline. The law: any order across units, any cut, any
//! restart, and whenever it is recorded who stood where, same alerts; and history says the same.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod judged;

use judged::{Answer, Datum, LEVEL, MIN, Service, T0, at, batch, folder, history, level, made};
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::sync::Arc;
use tokio::sync::Semaphore;
use wheeltap_model::{Condition, ConsistPosition, Dated, EventTime, UnitId, UnitState};
use wheeltap_rules::{Environment, compile};
use wheeltap_server::judging::History;

const RULES: [(&str, &str); 4] = [
    ("apart", APART),
    ("level", LEVEL),
    ("others", OTHERS),
    ("alone", ALONE),
];

/// The unit against its mates, with everything that mates can be asked for.
const APART: &str = r#"
fn about() { #{
    title: "Level unlike its mates", system: "test", component: "level", priority: "high",
    tick: "10 s", on_delay: "20 s", off_delay: "20 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{
    level: mean("test.level", "1 min"),
    rest: mates_median(mean("test.level", "1 min")),
    known: mates_count(mean("test.level", "1 min")),
    over: mates_max(max("test.over", "1 min"), #{ same_class: true }),
} }
fn raise(seen) { seen.known >= 1.0 && seen.level - seen.rest > 2.0 }
fn clear(seen) { seen.level - seen.rest < 1.0 }
"#;

/// Looks at mates alone, at other ticks, over a longer window.
const OTHERS: &str = r#"
fn about() { #{
    title: "Mates trip", system: "test", component: "trip", priority: "low",
    tick: "1 min", on_delay: "1 min", off_delay: "1 min",
    cause: "a test", consequence: "none", action: "look", respond_within: "1 d",
} }
fn reads() { #{
    trips: mates_max(count("test.trip", "5 min")),
    busy: mates_mean(mean("test.level", "10 min", #{ during: at_least("test.mode", 1) })),
    least: mates_min(last("test.mode", "10 min")),
} }
fn raise(seen) { seen.trips >= 2.0 || seen.busy > 11.0 }
"#;

/// Looks at what nobody is there for to say.
const ALONE: &str = r#"
fn about() { #{
    title: "Level of a unit alone", system: "test", component: "level", priority: "low",
    tick: "30 s", on_delay: "1 min", off_delay: "30 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "1 d",
} }
fn reads() { #{ level: mean("test.level", "2 min"), rest: mates_max(mean("test.level", "2 min")) } }
fn raise(seen) { seen.level > 8.0 && !known(seen.rest) }
"#;

fn unit(n: usize) -> UnitId {
    UnitId::new(&format!("ZVR {n}")).unwrap()
}

/// Something that is recorded of a unit: from a minute on it stood in a train, or did something.
#[derive(Clone, Copy, Debug)]
enum Record {
    Train(i64, Option<u8>),
    Works(i64, bool),
}

fn records() -> impl Strategy<Value = Vec<Record>> {
    let record = prop_oneof![
        3 => (0_i64..90, prop::option::weighted(0.85, 0_u8..2)).prop_map(|(m, t)| Record::Train(m, t)),
        1 => (0_i64..90, prop::bool::weighted(0.7)).prop_map(|(m, w)| Record::Works(m, w)),
    ];
    prop::collection::vec(record, 0..4).prop_map(|more| {
        // From the beginning all are together and work.
        let mut all = vec![Record::Train(-60, Some(0)), Record::Works(-60, true)];
        all.extend(more);
        // One entry an instant: which of two holds would hang on the order of recording.
        let mut seen = BTreeSet::new();
        all.retain(|record| match record {
            Record::Train(minute, _) => seen.insert((*minute, true)),
            Record::Works(minute, _) => seen.insert((*minute, false)),
        });
        all
    })
}

fn record(service: &Service, n: usize, record: Record) {
    let fleet = &service.shared.fleet;
    let from = |minute: i64| at(T0 + minute * MIN);
    let source = || "yard".to_owned();
    let minute = match record {
        Record::Train(minute, train) => {
            let value = ConsistPosition {
                train: train.map(|train| format!("M{train}")),
                ..ConsistPosition::default()
            };
            let dated = Dated {
                from: from(minute),
                value,
                source: source(),
            };
            fleet.record_consist(&unit(n), dated).unwrap();
            minute
        }
        Record::Works(minute, works) => {
            let value = if works {
                UnitState::Working
            } else {
                UnitState::Isolated
            };
            let dated = Dated {
                from: from(minute),
                value,
                source: source(),
            };
            fleet.record_state(&unit(n), dated).unwrap();
            minute
        }
    };
    service.judging.unit_changed(&unit(n), from(minute));
}

/// What happens between two steps.
#[derive(Clone, Copy, Debug)]
enum Between {
    Nothing,
    Idle,
    Restart,
    Kill,
    /// The batch is stored, and the service is killed before the judge gets it.
    KillBeforeOffer,
    /// The same, and in between it did all else that there was to do.
    KillUnoffered,
    /// It is killed when one of its judging threads has committed what it makes of the batch and another,
    /// of this name, has not.
    KillHalfway(&'static str),
}

fn between() -> impl Strategy<Value = Between> {
    prop_oneof![
        6 => Just(Between::Nothing),
        4 => Just(Between::Idle),
        1 => Just(Between::Restart),
        1 => Just(Between::Kill),
        1 => Just(Between::KillBeforeOffer),
        1 => Just(Between::KillUnoffered),
        1 => Just(Between::KillHalfway("judge-mates")),
        1 => prop::sample::select(vec!["judge-0", "judge-1"]).prop_map(Between::KillHalfway),
    ]
}

/// One thing that is done to the service.
#[derive(Clone, Debug)]
enum Step {
    Send(usize, Vec<Datum>),
    Record(usize, Record),
}

fn cut(n: usize, data: &[Datum], lengths: &[usize]) -> Vec<Step> {
    let mut rest = data;
    let mut cut = Vec::new();
    for length in lengths.iter().cycle() {
        if rest.is_empty() {
            break;
        }
        let (head, tail) = rest.split_at((*length).min(rest.len()));
        cut.push(Step::Send(n, head.to_vec()));
        rest = tail;
    }
    cut
}

fn service(rules: &tempfile::TempDir, n_units: usize) -> Service {
    let service = Service::new(Some(rules.path().to_owned()));
    for n in 0..n_units {
        service.create(&unit(n));
    }
    service
}

/// What the law binds of all units.
fn law(service: &Service, n_units: usize) -> Vec<BTreeSet<String>> {
    (0..n_units).map(|n| service.law_of(&unit(n))).collect()
}

/// What history says of the same rule, as the law words it.
fn history_says(
    service: &Service,
    name: &str,
    text: &str,
    n_units: usize,
) -> Vec<BTreeSet<String>> {
    let shared = &service.shared;
    let rule = compile(
        &format!("{name}.rhai"),
        text,
        &Environment::new(&shared.catalogue),
    );
    let history = History {
        rule: Arc::new(rule.unwrap()),
        against: None,
        variants: vec![],
        from: at(T0 - 3_600_000),
        until: EventTime::from_unix_ms(T0 + 86_400_000),
        classes: service.judging.class_baselines(),
        units: (0..n_units).map(unit).collect(),
    };
    let mut said = vec![BTreeSet::new(); n_units];
    let replay = history.run(shared, |progress| {
        let n = (0..n_units).find(|n| unit(*n) == *progress.unit).unwrap();
        for (found, _) in progress.occurrences {
            let ended = found.ended_at.map(|ended| ended.to_string());
            said[n].insert(format!(
                "{} {:?} {} {:?} {:?} {:?}",
                found.rule.name,
                found.part,
                found.raised_at,
                ended,
                found.evidence,
                found.end_evidence
            ));
        }
        true
    });
    assert!(replay.unwrap().is_complete);
    said
}

fn of_rule(law: &[BTreeSet<String>], rule: &str) -> Vec<BTreeSet<String>> {
    let begins = format!("{rule} ");
    law.iter()
        .map(|unit| {
            unit.iter()
                .filter(|line| line.starts_with(&begins))
                .cloned()
                .collect()
        })
        .collect()
}

// Or what is waiting for it would fill memory, while gateways send on.
#[test]
fn a_batch_weighs_in_flight_until_who_asks_mates_has_taken_note_of_it() {
    let rules = folder(&RULES);
    let mut service = service(&rules, 2);
    for n in 0..2 {
        record(&service, n, Record::Train(-60, Some(0)));
        record(&service, n, Record::Works(-60, true));
        service.send_of(&unit(n), batch(&level(0..10, 5.0), &[], &[]), true);
    }
    service.idle();
    let gate = &service.killable.clone().gate;
    gate.shut(Answer::Samples, at(T0));
    for n in 0..2 {
        service.send_of(&unit(n), batch(&level(10..20, 5.0), &[], &[]), true);
    }
    // Only that thread reads what is judged for the first time.
    gate.is_reached();
    let in_flight = Arc::new(Semaphore::new(1));
    let permit = Arc::clone(&in_flight).try_acquire_owned().unwrap();
    let next = batch(&level(20..30, 5.0), &[], &[]);
    service.send_with(&unit(0), next, Some(permit));
    while service.shared.metrics.batches_judged.get() < 5 {
        std::thread::yield_now();
    }
    assert_eq!(in_flight.available_permits(), 0);
    gate.open();
    service.idle();
    assert_eq!(in_flight.available_permits(), 1);
    service.judging.stop();
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        cases: ProptestConfig::default().cases / if cfg!(debug_assertions) { 4 } else { 1 },
        ..ProptestConfig::default()
    })]

    // The law: whatever the order across units, the cut, repetition, restarts, and whenever consists and
    // states are recorded, once late work is drained the alerts that are not withdrawn are those of
    // in-order delivery, and those that history finds.
    #[test]
    fn any_order_across_units_gives_the_same_alerts(
        data in prop::collection::vec((history(0..20, 6..14), records()), 2..=4),
        lengths in prop::collection::vec(20_usize..200, 1..6),
        keys in prop::collection::vec(0_usize..1000, 60),
        newest_first in any::<bool>(),
        twice in prop::collection::vec(prop::bool::weighted(0.3), 8),
        between in prop::collection::vec(between(), 16),
    ) {
        let rules = folder(&RULES);
        let n_units = data.len();

        let mut in_order = service(&rules, n_units);
        let mut steps = Vec::new();
        for (n, (data, records)) in data.iter().enumerate() {
            for kept in records {
                record(&in_order, n, *kept);
            }
            steps.extend(cut(n, data, &[11]));
        }
        steps.sort_by_key(|step| match step {
            Step::Send(n, data) => (data[0].ms(), *n),
            Step::Record(n, _) => (0, *n),
        });
        for step in &steps {
            if let Step::Send(n, data) = step {
                in_order.send_of(&unit(*n), made(data), true);
            }
        }
        in_order.idle();
        let expected = law(&in_order, n_units);
        for (name, text) in [("apart", APART), ("others", OTHERS), ("alone", ALONE)] {
            let said = history_says(&in_order, name, text, n_units);
            prop_assert_eq!(of_rule(&expected, name), said, "history of {}", name);
        }
        in_order.judging.stop();

        let mut steps = Vec::new();
        for (n, (data, records)) in data.iter().enumerate() {
            steps.extend(cut(n, data, &lengths));
            steps.extend(records.iter().map(|record| Step::Record(n, *record)));
        }
        let mut keyed: Vec<_> = steps.into_iter().zip(keys.iter().cycle()).collect();
        keyed.sort_by_key(|(step, key)| match step {
            Step::Send(_, data) if newest_first => (-data[0].ms(), **key),
            _ => (0, **key),
        });
        let mut service = service(&rules, n_units);
        for (idx, (step, _)) in keyed.iter().enumerate() {
            let between = between[idx % between.len()];
            if let Between::KillHalfway(thread) = between {
                // What came before is judged by all.
                service.idle();
                *service.killable.killed_for.lock().unwrap() = thread;
            }
            match step {
                Step::Send(n, data) => {
                    let offer = !matches!(between, Between::KillBeforeOffer | Between::KillUnoffered);
                    service.send_of(&unit(*n), made(data), offer);
                    if twice[idx % twice.len()] {
                        service.send_of(&unit(*n), made(data), offer);
                    }
                }
                Step::Record(n, kept) => record(&service, *n, *kept),
            }
            match between {
                Between::Nothing => {}
                Between::Idle => service.idle(),
                Between::Restart => service = service.restarted(false),
                Between::Kill | Between::KillBeforeOffer => service = service.restarted(true),
                Between::KillUnoffered | Between::KillHalfway(_) => {
                    service.block_on(service.judging.idle());
                    service = service.restarted(true);
                }
            }
        }
        service.idle();
        prop_assert_eq!(law(&service, n_units), expected);
        // And everything that is known comes back: nothing is raised twice or forgotten.
        let before = service.judging.ledger().book().counts();
        let service = service.restarted(false);
        service.idle();
        prop_assert_eq!(service.judging.ledger().book().counts(), before);
        service.judging.stop();
    }
}

fn levels(service: &mut Service, n: usize, minutes: std::ops::Range<i64>, level: f64) {
    let samples: Vec<(i64, f64)> = (minutes.start * 6..minutes.end * 6)
        .map(|idx| (T0 + idx * 10_000, level))
        .collect();
    service.send_of(&unit(n), batch(&samples, &[], &[]), true);
}

fn raised(service: &Service, n: usize, rule: &str) -> Vec<(String, bool)> {
    let book = service.judging.ledger().book();
    let unit = unit(n);
    let known = book.known(&unit, None);
    let of_rule = known.filter(|alert| alert.rule().reference.name.as_str() == rule);
    of_rule
        .map(|alert| {
            let is_withdrawn = alert.condition() == Condition::Withdrawn;
            (alert.raised_at().to_string(), is_withdrawn)
        })
        .collect()
}

fn together(rules: &tempfile::TempDir, n_units: usize) -> Service {
    let service = service(rules, n_units);
    for n in 0..n_units {
        record(&service, n, Record::Train(-60, Some(0)));
        record(&service, n, Record::Works(-60, true));
    }
    service
}

#[test]
fn a_rule_that_asks_waits_for_its_mates_and_others_do_not() {
    let rules = folder(&RULES);
    let mut service = together(&rules, 3);
    levels(&mut service, 0, 0..8, 14.0);
    levels(&mut service, 1, 0..8, 9.0);
    service.idle();
    // Unit 2 has not said a word of these minutes: its mates are waited for, what is the unit's is not.
    assert_eq!(raised(&service, 0, "apart"), []);
    assert_eq!(raised(&service, 0, "level").len(), 1);
    levels(&mut service, 2, 0..8, 9.5);
    service.idle();
    assert_eq!(
        raised(&service, 0, "apart"),
        [("2026-01-01T00:00:40Z".to_owned(), false)]
    );
    let book = service.judging.ledger().book();
    let alert = book
        .known(&unit(0), None)
        .find(|a| a.rule().reference.name.as_str() == "apart");
    let evidence = alert.unwrap().alert().evidence;
    let rest = evidence
        .inputs
        .iter()
        .find(|item| item.input == "rest")
        .unwrap();
    assert_eq!(
        rest.of,
        "mates_median(mean(test.level, 1 min)): ZVR 1 9.0000, ZVR 2 9.5000"
    );
    drop(book);
    service.judging.stop();
}

#[test]
fn a_mate_that_stays_silent_is_waited_for_ten_minutes() {
    let rules = folder(&RULES);
    let mut service = together(&rules, 3);
    levels(&mut service, 0, 0..30, 14.0);
    levels(&mut service, 1, 0..30, 9.0);
    service.idle();
    assert_eq!(
        raised(&service, 0, "apart"),
        [("2026-01-01T00:00:40Z".to_owned(), false)]
    );
    // What it then says of those minutes takes the alert back: with it the median is high.
    levels(&mut service, 2, 0..30, 16.0);
    service.idle();
    assert_eq!(
        raised(&service, 0, "apart"),
        [("2026-01-01T00:00:40Z".to_owned(), true)]
    );
    service.judging.stop();
}

#[test]
fn a_consist_that_is_put_right_later_is_judged_again() {
    let rules = folder(&RULES);
    let mut service = together(&rules, 2);
    levels(&mut service, 0, 0..10, 14.0);
    levels(&mut service, 1, 0..10, 9.0);
    service.idle();
    assert_eq!(raised(&service, 0, "apart").len(), 1);
    // It was in another train all the time.
    record(&service, 1, Record::Train(-60, Some(7)));
    service.idle();
    assert_eq!(
        raised(&service, 0, "apart"),
        [("2026-01-01T00:00:40Z".to_owned(), true)]
    );
    // A unit that nobody asked until now.
    record(&service, 1, Record::Train(-60, Some(0)));
    service.idle();
    assert_eq!(
        raised(&service, 0, "apart"),
        [("2026-01-01T00:00:40Z".to_owned(), false)]
    );
    record(&service, 1, Record::Works(-60, false));
    service.idle();
    assert_eq!(
        raised(&service, 0, "apart"),
        [("2026-01-01T00:00:40Z".to_owned(), true)]
    );
    service.judging.stop();
}

/// Random histories would prove little if they raised nothing.
#[test]
fn such_histories_raise_end_and_name_mates() {
    let rules = folder(&RULES);
    let mut service = together(&rules, 3);
    for round in 0..6 {
        for n in 0..3 {
            let level = if round % 3 == i64::try_from(n).unwrap() {
                14.0
            } else {
                9.0
            };
            levels(&mut service, n, round * 12..round * 12 + 12, level);
            if round == 2 && n == 1 {
                let trips = [1, 2, 3].map(|s| T0 + round * 12 * MIN + s * 1_000);
                service.send_of(&unit(n), batch(&[], &[], &trips), true);
            }
        }
    }
    service.idle();
    assert_eq!(service.shared.metrics.asking_due_now.get(), 0);
    let said = law(&service, 3);
    for unit in &of_rule(&said, "apart") {
        assert_eq!(unit.len(), 2, "{unit:#?}");
        assert!(unit.iter().all(|line| line.contains(": ZVR ")), "{unit:#?}");
    }
    let others = of_rule(&said, "others");
    assert_eq!(
        others.iter().map(BTreeSet::len).collect::<Vec<_>>(),
        [1, 0, 1]
    );
    assert_eq!(
        history_says(&service, "apart", APART, 3),
        of_rule(&said, "apart")
    );
    service.judging.stop();
}

#[test]
fn a_unit_that_is_created_later_is_judged_too() {
    let rules = folder(&RULES);
    let mut service = together(&rules, 2);
    service.idle();
    service.create(&unit(2));
    levels(&mut service, 2, 0..10, 14.0);
    service.idle();
    assert_eq!(
        raised(&service, 2, "alone"),
        [("2026-01-01T00:02:00Z".to_owned(), false)]
    );
    service.judging.stop();
}

#[test]
fn an_alert_is_settled_when_all_concerned_have_promised() {
    let rules = folder(&RULES);
    let mut service = together(&rules, 2);
    levels(&mut service, 0, 0..8, 14.0);
    levels(&mut service, 1, 0..8, 9.0);
    service.idle();
    let is_settled = |service: &Service, rule: &str| {
        let book = service.judging.ledger().book();
        let unit = unit(0);
        let mut known = book.known(&unit, None);
        let alert = known.find(|alert| alert.rule().reference.name.as_str() == rule);
        alert.unwrap().alert().settled
    };
    let promise = |service: &mut Service, n: usize| {
        let mut batch = batch(&[(T0 + 8 * MIN, 9.0)], &[], &[]);
        batch.complete_through = Some(at(T0 + 8 * MIN));
        service.send_of(&unit(n), batch, true);
        service.idle();
    };
    promise(&mut service, 0);
    assert!(is_settled(&service, "level") && !is_settled(&service, "apart"));
    let mut service = service.restarted(false);
    service.idle();
    assert!(!is_settled(&service, "apart"));
    promise(&mut service, 1);
    assert!(is_settled(&service, "apart"));
    service.judging.stop();
}
