//! The law: any order, any cut, any restart, same alerts.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod judged;

use judged::{Datum, LEVEL, OVER, Service, T0, TRIPS, UNLIKE, at, folder, history, made};
use proptest::prelude::*;
use wheeltap_model::{ClassBaseline, ClassName, RuleName, RuleStage};

const RULES: [(&str, &str); 6] = [
    ("level", LEVEL),
    ("over", OVER),
    ("trips", TRIPS),
    ("unlike", UNLIKE),
    ("drift", DRIFT),
    ("class", CLASS),
];

/// Against the class, over like load.
const CLASS: &str = r#"
fn about() { #{
    title: "Level unlike its class", system: "test", component: "level", priority: "low",
    tick: "20 s", on_delay: "1 min", off_delay: "1 min",
    cause: "a test", consequence: "none", action: "look", respond_within: "1 d",
} }
fn reads() { #{
    score: class_score("test.level", "5 min", #{ during: at_least("test.mode", 1) }),
    usual: class_median("test.level", "5 min", #{ during: at_least("test.mode", 1) }),
    spread: class_spread("test.level", "5 min", #{ during: at_least("test.mode", 1) }),
} }
fn raise(seen) { seen.score > 2.0 || seen.score < -2.0 }
"#;

/// Two baselines that come into force within the history, frozen while it is delivered.
fn freeze(service: &Service) {
    let baseline = |from_ms: i64, median: f64, spread: f64| ClassBaseline {
        class: Some(ClassName::new("Marten").unwrap()),
        of: "mean(test.level, 5 min, share 0.1, during at_least(test.mode, 1))".into(),
        ucum: "kPa".into(),
        from: at(T0 + from_ms),
        fitted_from: at(T0),
        fitted_to: at(T0 + from_ms),
        median,
        spread,
        n_units: 5,
        n_windows: 100,
    };
    let ledger = service.judging.ledger();
    let frozen = ledger.write("clock", Vec::new(), |planner| {
        planner.freeze(baseline(1_000_000, 9.0, 1.5));
        planner.freeze(baseline(4_000_000, 7.5, 0.5));
    });
    frozen.unwrap();
    service.judging.rules_changed();
}

/// Two versions that are retired within the history, as somebody says while it is delivered: late data may come
/// from before, and checkpoints from after.
fn retire(service: &Service) {
    let ledger = service.judging.ledger();
    for (name, from_ms) in [("trips", 1_500_000), ("drift", 3_000_000)] {
        let name = RuleName::new(name).unwrap();
        let version = ledger.book().rule_versions(&name).last().cloned();
        let rule = version.unwrap().reference.clone();
        let staged = ledger.write("author", Vec::new(), |planner| {
            planner.stage(&rule, RuleStage::Retired, at(T0 + from_ms), "a test", "")
        });
        staged.unwrap().unwrap();
    }
    service.judging.rules_changed();
}

/// Everything with a memory of its own: conditions, restarts, pasts, counts in bins.
const DRIFT: &str = r#"
fn about() { #{
    title: "Level drifts", system: "test", component: "level", priority: "low",
    tick: "30 s", on_delay: "1 min", off_delay: "1 min",
    cause: "a test", consequence: "none", action: "look", respond_within: "1 d",
} }
fn reads() { #{
    busy: mean("test.level", "10 min", #{ during: at_least("test.mode", 1) }),
    trips: count("test.trip", "10 min", #{ during: above("test.level", 8) }),
    high: cusum_high("test.level", 9, 0.5, "30 min"),
    upper: quantile("test.level", 0.9, "20 min"),
    score: robust_score("test.level", "2 min", "30 min"),
    smooth: ewma("test.level", 0.1, "5 min"),
    chart: ewma_score("test.level", 0.2, 9, 2, "5 min"),
    error: slope_error("test.level", "10 min"),
    robust: robust_slope("test.level", "15 min"),
    trend: trend_z("test.level", "15 min"),
    moves: moving_range("test.level", "10 min"),
    total: integral("test.mode", "10 min", #{ during: below("test.level", 12) }),
} }
fn raise(seen) { seen.busy > 10.0 || seen.high > 40.0 || seen.trend > 2.0 || seen.score > 3.0 }
"#;

/// What happens between two batches.
#[derive(Clone, Copy, Debug)]
enum Between {
    Nothing,
    Idle,
    Restart,
    Kill,
    /// The batch is stored, and the service is killed before the judge gets it.
    KillBeforeOffer,
}

fn between() -> impl Strategy<Value = Between> {
    prop_oneof![
        6 => Just(Between::Nothing),
        4 => Just(Between::Idle),
        1 => Just(Between::Restart),
        1 => Just(Between::Kill),
        1 => Just(Between::KillBeforeOffer),
    ]
}

#[derive(Clone, Debug)]
enum Order {
    Shuffled(Vec<usize>),
    NewestFirst,
}

fn cut(data: &[Datum], lengths: &[usize]) -> Vec<Vec<Datum>> {
    let mut rest = data;
    let mut cut = Vec::new();
    for length in lengths.iter().cycle() {
        if rest.is_empty() {
            break;
        }
        let (head, tail) = rest.split_at((*length).min(rest.len()));
        cut.push(head.to_vec());
        rest = tail;
    }
    cut
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    // The law: whatever the order, cut, repetition and restarts, once late work is drained the
    // alerts that are not withdrawn are those of in-order delivery.
    #[test]
    fn any_order_gives_the_same_alerts(
        data in history(0..1, 15..25),
        lengths in prop::collection::vec(20_usize..200, 1..6),
        order in prop_oneof![
            prop::collection::vec(0_usize..1000, 40).prop_map(Order::Shuffled),
            Just(Order::NewestFirst),
        ],
        twice in prop::collection::vec(any::<bool>(), 8),
        between in prop::collection::vec(between(), 12),
        frozen_at in 0_usize..8,
        retired_at in 0_usize..12,
    ) {
        let rules = folder(&RULES);
        let folder = Some(rules.path().to_owned());

        let mut in_order = Service::that_minds_sensors(folder.clone());
        freeze(&in_order);
        retire(&in_order);
        for piece in cut(&data, &[37]) {
            in_order.send(made(&piece), true);
        }
        in_order.idle();
        let expected = in_order.law();
        in_order.judging.stop();

        let mut pieces = cut(&data, &lengths);
        match &order {
            Order::Shuffled(keys) => {
                let mut keyed: Vec<_> = pieces.into_iter().zip(keys.iter().cycle()).collect();
                keyed.sort_by_key(|(_, key)| **key);
                pieces = keyed.into_iter().map(|(piece, _)| piece).collect();
            }
            Order::NewestFirst => pieces.reverse(),
        }
        let mut service = Service::that_minds_sensors(folder);
        let frozen_at = frozen_at.min(pieces.len() - 1);
        let retired_at = retired_at.min(pieces.len() - 1);
        for (idx, piece) in pieces.iter().enumerate() {
            if idx == frozen_at {
                freeze(&service);
            }
            if idx == retired_at {
                retire(&service);
            }
            let between = between[idx % between.len()];
            let offer = !matches!(between, Between::KillBeforeOffer);
            service.send(made(piece), offer);
            if twice[idx % twice.len()] {
                // The same samples in another batch, as from a second spool.
                service.send(made(piece), offer);
            }
            match between {
                Between::Nothing => {}
                Between::Idle => service.idle(),
                Between::Restart => service = service.restarted(false),
                Between::Kill | Between::KillBeforeOffer => service = service.restarted(true),
            }
        }
        service.idle();
        prop_assert_eq!(service.law(), expected);
        // And everything that is known comes back: nothing is raised twice or forgotten.
        let before = service.judging.ledger().book().counts();
        let service = service.restarted(false);
        service.idle();
        prop_assert_eq!(service.judging.ledger().book().counts(), before);
        service.judging.stop();
    }
}

/// Random histories would prove little if they raised nothing.
#[test]
fn the_histories_raise_end_and_suppress() {
    let rules = folder(&RULES);
    let mut service = Service::that_minds_sensors(Some(rules.path().to_owned()));
    let mut data = Vec::new();
    for idx in 0..720 {
        // In between the sensor repeats itself for longer than its item waits.
        let level = match idx {
            500..620 => 9.0,
            _ if idx / 60 % 2 == 1 => 14.0,
            _ => 5.0,
        };
        data.push(Datum::Level(T0 + idx * 10_000, level));
        if idx % 30 == 0 {
            let mode = if idx / 90 % 5 == 2 { 0.0 } else { 1.0 };
            data.push(Datum::Mode(T0 + idx * 10_000, mode));
        }
        if idx % 12 == 0 && idx / 50 % 2 == 1 {
            data.push(Datum::Trip(T0 + idx * 10_000 + 5));
        }
    }
    freeze(&service);
    for piece in cut(&data, &[50]) {
        service.send(made(&piece), true);
    }
    service.idle();
    let law = service.law();
    let of = |rule: &str| law.iter().filter(|line| line.starts_with(rule)).count();
    assert!(
        of("stuck-test-level ") > 0 && of("jump-test-level ") > 0,
        "{law:#?}"
    );
    assert!(
        of("level ") >= 5 && of("over ") >= 5 && of("trips ") >= 3,
        "{law:#?}"
    );
    let by_class = |since: &str| {
        law.iter()
            .any(|line| line.starts_with("class ") && line.contains(since))
    };
    assert!(
        by_class("since 2026-01-01T00:16:40Z") && by_class("since 2026-01-01T01:06:40Z"),
        "{law:#?}"
    );
    let unlike = law.iter().find(|line| line.starts_with("unlike "));
    let told = unlike.is_some_and(|line| line.contains("healthy first 1 h): test."));
    assert!(told, "{law:#?}");
    let book = service.judging.ledger().book();
    assert!(
        book.standing().count() < book.counts().0,
        "some of them ended"
    );
    drop(book);
    service.judging.stop();
}
