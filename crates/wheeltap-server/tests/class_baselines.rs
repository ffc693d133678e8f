//! Class baselines are frozen when they are due, never again, and decide from their instant on.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod judged;

use judged::{Service, T0, at, batch, folder, unit};
use std::sync::Arc;
use wheeltap_model::{ClassBaseline, ServerTime, UnitId};
use wheeltap_server::judging::History;

const UNLIKE_CLASS: &str = r#"
fn about() { #{
    title: "Level unlike its class", system: "test", component: "level", priority: "low",
    tick: "10 s", on_delay: "1 min", off_delay: "1 min",
    cause: "a test", consequence: "none", action: "look", respond_within: "1 d",
} }
fn reads() { #{ score: class_score("test.level", "5 min") } }
fn raise(seen) { seen.score > 5.0 }
fn clear(seen) { seen.score < 4.0 }
"#;

const HOUR_MS: i64 = 3_600_000;
/// 2026-01-05T00:00:00Z, a Monday.
const MONDAY_MS: i64 = T0 + 96 * HOUR_MS;

fn other(n: usize) -> UnitId {
    UnitId::new(&format!("ZVR {n}")).unwrap()
}

/// A level every 10 s from one instant to another.
fn levels(from_ms: i64, to_ms: i64, level: f64) -> Vec<(i64, f64)> {
    let n = (to_ms - from_ms) / 10_000;
    (0..n).map(|idx| (from_ms + idx * 10_000, level)).collect()
}

fn service(n_others: usize) -> (Service, tempfile::TempDir) {
    let rules = folder(&[("unlike-class", UNLIKE_CLASS)]);
    let service = Service::new(Some(rules.path().to_owned()));
    (1..=n_others).for_each(|n| service.create(&other(n)));
    (service, rules)
}

fn set_clock(service: &Service, ms: i64) {
    service.clock.set(ServerTime::from_unix_ms(ms));
}

fn frozen(service: &Service) -> Vec<ClassBaseline> {
    let book = service.judging.ledger().book();
    let all = book.class_baselines().iter();
    all.map(|kept| kept.baseline.clone()).collect()
}

// By hand: levels of 10, 11, 12, 13 and 14 by unit: the median is 12, the distances 2, 1, 0, 1, 2, so the
// spread is 1.4826. A level of 22 scores 6.7; over 5 is a mean of more than 19.413, which 30 samples in 5
// min have with 24 of them at 22 and 6 at 10: the 24th comes 230 s after the first. Over a week, windows
// of 5 min are taken every 15 min, so 7 h have 28 of them.
#[test]
fn the_first_comes_with_enough_units_and_decides_from_its_hour_on() {
    let (mut service, _rules) = service(4);
    let seven = T0 + 7 * HOUR_MS;
    for n in 1..=3 {
        let level = 10.0 + f64::from(u32::try_from(n).unwrap());
        service.send_of(&other(n), batch(&levels(T0, seven, level), &[], &[]), true);
    }
    service.send(batch(&levels(T0, seven, 10.0), &[], &[]), true);
    set_clock(&service, seven + 60_000);
    assert_eq!(service.judging.freeze_class_baselines().unwrap(), 0);
    service.send_of(&other(4), batch(&levels(T0, seven, 14.0), &[], &[]), true);
    // It looks again with the next hour, not before.
    assert_eq!(service.judging.freeze_class_baselines().unwrap(), 0);
    let eight = seven + HOUR_MS;
    set_clock(&service, eight + 60_000);
    assert_eq!(service.judging.freeze_class_baselines().unwrap(), 1);
    let all = frozen(&service);
    assert_eq!(all[0].from, at(eight));
    assert_eq!((all[0].n_units, all[0].n_windows), (5, 5 * 28));
    assert!((all[0].median - 12.0).abs() < 1e-9, "{:?}", all[0]);
    assert!((all[0].spread - 1.4826).abs() < 1e-9, "{:?}", all[0]);

    // Odd already before, but nobody knew what the class does.
    service.send(
        batch(&levels(eight - HOUR_MS / 2, eight, 22.0), &[], &[]),
        true,
    );
    service.idle();
    assert!(service.law().is_empty());
    service.send(
        batch(&levels(eight + 300_000, eight + HOUR_MS, 10.0), &[], &[]),
        true,
    );
    service.send(batch(&levels(eight, eight + 300_000, 22.0), &[], &[]), true);
    let later = eight + HOUR_MS;
    service.send(batch(&levels(later, later + HOUR_MS, 22.0), &[], &[]), true);
    service.idle();
    let law = service.law();
    // From the start of its hour on the window of 22 is known as odd, for a minute and more.
    let raised: Vec<bool> = [eight + 60_000, later + 290_000]
        .iter()
        .map(|ms| {
            law.iter()
                .any(|line| line.contains(&format!(" None {} ", at(*ms))))
        })
        .collect();
    assert_eq!(raised, [true, true], "{law:#?}");
    let told = "median 12.0000, spread 1.4826 of 5 units, since 2026-01-01T08:00:00Z";
    assert!(law.iter().all(|line| line.contains(told)), "{law:#?}");

    // What comes late for the stretch changes no baseline, and so no verdict; nor does a restart.
    let late: Vec<(i64, f64)> = levels(T0, seven, 80.0);
    let late: Vec<_> = late
        .into_iter()
        .map(|(ms, level)| (ms + 5_000, level))
        .collect();
    service.send_of(&other(1), batch(&late, &[], &[]), true);
    service.idle();
    let service = service.restarted(false);
    service.idle();
    assert_eq!(service.judging.freeze_class_baselines().unwrap(), 0);
    assert_eq!(frozen(&service), all);
    assert_eq!(service.law(), law);

    // Next Monday another one; what was judged before stays.
    set_clock(&service, MONDAY_MS + 30_000);
    assert_eq!(service.judging.freeze_class_baselines().unwrap(), 1);
    service.idle();
    let all = frozen(&service);
    assert_eq!(all[1].from, at(MONDAY_MS));
    assert!(all[1].median > 12.0, "{:?}", all[1]);
    assert_eq!(service.law(), law);
    service.judging.stop();
}

/// A replay of what the ledger has a baseline for uses it, and is what was live; where it has none it
/// fits one at the start and says so.
#[test]
fn a_replay_takes_what_is_frozen_and_fits_what_is_not() {
    let (mut service, _rules) = service(4);
    let end = T0 + 20 * HOUR_MS;
    for n in 1..=4 {
        let level = 10.0 + f64::from(u32::try_from(n).unwrap());
        service.send_of(&other(n), batch(&levels(T0, end, level), &[], &[]), true);
    }
    let mut own = levels(T0, end, 10.0);
    for (ms, level) in &mut own {
        if *ms >= T0 + 17 * HOUR_MS {
            *level = 22.0;
        }
    }
    service.send(batch(&own, &[], &[]), true);
    service.idle();
    let replayed = |service: &Service, from_ms: i64| {
        let book = service.judging.ledger().book();
        let judged = book.judged_rules().into_iter().next().unwrap();
        let version = Arc::clone(book.rule_version(&judged.rule).unwrap());
        drop(book);
        let env = wheeltap_rules::Environment::new(&service.shared.catalogue);
        let rule = wheeltap_rules::compile("unlike-class.rhai", &version.source, &env).unwrap();
        let mut history = History {
            rule: Arc::new(rule),
            against: None,
            variants: Vec::new(),
            from: at(from_ms),
            until: at(end),
            classes: service.judging.class_baselines(),
            units: vec![unit()],
        };
        let fitted = history.fit_classes(&service.shared, 3 * HOUR_MS).unwrap();
        let mut raised = Vec::new();
        let replay = history.run(&service.shared, |progress| {
            raised.extend(progress.occurrences.iter().map(|(found, _)| found.clone()));
            true
        });
        assert!(replay.unwrap().is_complete);
        (fitted, raised)
    };
    let (fitted, raised) = replayed(&service, T0);
    assert_eq!(fitted.len(), 1);
    let baseline = fitted[0].fitted.as_ref().unwrap();
    assert_eq!(
        (baseline.from, baseline.n_units),
        (at(T0 + 3 * HOUR_MS - 1), 5)
    );
    assert!((baseline.median - 12.0).abs() < 1e-9);
    assert_eq!(raised.len(), 1);
    assert_eq!(raised[0].raised_at, at(T0 + 17 * HOUR_MS + 290_000));

    set_clock(&service, T0 + 8 * HOUR_MS);
    assert_eq!(service.judging.freeze_class_baselines().unwrap(), 1);
    service.idle();
    let (fitted, raised) = replayed(&service, T0 + 9 * HOUR_MS);
    assert!(fitted.is_empty());
    let book = service.judging.ledger().book();
    let live: Vec<_> = book
        .known(&unit(), None)
        .map(|alert| alert.alert())
        .collect();
    assert_eq!((live.len(), raised.len()), (1, 1));
    assert_eq!(live[0].raised_at, raised[0].raised_at);
    assert_eq!(live[0].evidence, raised[0].evidence);
    drop(book);
    service.judging.stop();
}
