//! A rule that rings once a train, through the pipeline: three units of one train, two trains, a consist that
//! changes, late data, restarts.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod judged;

use judged::{Service, T0, at, batch, folder};
use wheeltap_model::{
    AlertId, Condition, ConsistPosition, ConsistRole, Dated, EventTime, Facing, UnitId,
};

const PIPE: &str = r#"
fn about() { #{
    title: "Pipe leaks", system: "test", component: "pipe", priority: "high", once_a: "train",
    tick: "10 s", on_delay: "20 s", off_delay: "20 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ level: mean("test.level", "1 min") } }
fn raise(seen) { seen.level > 10.0 }
fn clear(seen) { seen.level < 8.0 }
"#;

const MINUTE_MS: i64 = 60_000;

struct Yard {
    service: Service,
    _rules: tempfile::TempDir,
}

fn unit(n: usize) -> UnitId {
    UnitId::new(&format!("ZVR {n}")).unwrap()
}

/// Units 1 to 5, of which 1 to 3 are in train M1 and 4 in M2 from the beginning on.
fn yard() -> Yard {
    let rules = folder(&[("pipe", PIPE)]);
    let service = Service::new(Some(rules.path().to_owned()));
    let yard = Yard {
        service,
        _rules: rules,
    };
    for n in 1..=5 {
        yard.service.create(&unit(n));
    }
    for (n, train) in [(1, "M1"), (2, "M1"), (3, "M1"), (4, "M2")] {
        yard.put(n, train, 0);
    }
    yard
}

impl Yard {
    fn put(&self, n: usize, train: &str, from_ms: i64) {
        let dated = Dated {
            from: at(from_ms),
            value: ConsistPosition {
                train: Some(train.to_owned()),
                order: 0,
                facing: Facing::Unknown,
                role: ConsistRole::Trailing,
            },
            source: "yard".to_owned(),
        };
        let shared = &self.service.shared;
        shared.fleet.record_consist(&unit(n), dated).unwrap();
        self.service.judging.unit_changed(&unit(n), at(from_ms));
    }

    /// A level every 10 s over minutes of the day.
    fn send(&mut self, n: usize, minutes: std::ops::Range<i64>, level: f64) {
        let samples: Vec<(i64, f64)> = (minutes.start * 6..minutes.end * 6)
            .map(|idx| (T0 + idx * 10_000, level))
            .collect();
        self.service
            .send_of(&unit(n), batch(&samples, &[], &[]), true);
        self.service.idle();
    }

    /// Units and the number each alert was told with, of those that stand; 0 rang itself.
    fn standing(&self) -> Vec<(String, u64)> {
        let book = self.service.judging.ledger().book();
        let standing = book.standing();
        standing
            .map(|alert| {
                let rang = alert.announced_at().is_some();
                assert_ne!(rang, alert.told_with().0 != 0, "{alert:?}");
                (alert.unit().to_string(), alert.told_with().0)
            })
            .collect()
    }

    fn defects(&self) -> Vec<u64> {
        let book = self.service.judging.ledger().book();
        let defects: std::collections::BTreeSet<u64> =
            book.standing().map(|alert| alert.defect().0).collect();
        defects.into_iter().collect()
    }
}

fn rang(units: &[(&str, u64)]) -> Vec<(String, u64)> {
    units
        .iter()
        .map(|(unit, with)| ((*unit).to_owned(), *with))
        .collect()
}

#[test]
fn one_pipe_rings_once_and_a_restart_changes_nothing() {
    let mut yard = yard();
    for n in [1, 2, 3, 4, 5] {
        yard.send(n, 0..10, 14.0);
    }
    let expected = rang(&[
        ("ZVR 1", 0),
        ("ZVR 2", 1),
        ("ZVR 3", 1),
        ("ZVR 4", 0),
        ("ZVR 5", 0),
    ]);
    assert_eq!(yard.standing(), expected);
    assert_eq!(
        yard.defects().len(),
        3,
        "one a train, and one of the unit alone"
    );
    let book = yard.service.judging.ledger().book();
    let none = wheeltap_model::RuleName::new("none").unwrap();
    assert_eq!(book.n_rung(at(T0), at(T0 + 60 * MINUTE_MS), &none), 3);
    drop(book);
    yard.service = yard.service.restarted(true);
    yard.service.idle();
    assert_eq!(yard.standing(), expected);
    yard.send(2, 10..12, 14.0);
    assert_eq!(yard.standing(), expected);
    yard.service.judging.stop();
}

#[test]
fn late_data_that_takes_the_first_back_passes_it_on() {
    let mut yard = yard();
    // The first unit's mean is over the limit only for want of what comes late.
    let every_other = |offset: i64, level: f64| -> Vec<(i64, f64)> {
        (0..30)
            .map(|idx| (T0 + idx * 20_000 + offset, level))
            .collect()
    };
    let send = |yard: &mut Yard, samples: &[(i64, f64)]| {
        let batch = batch(samples, &[], &[]);
        yard.service.send_of(&unit(1), batch, true);
        yard.service.idle();
    };
    send(&mut yard, &every_other(0, 14.0));
    yard.send(2, 1..10, 14.0);
    yard.send(3, 2..10, 14.0);
    assert_eq!(
        yard.standing(),
        rang(&[("ZVR 1", 0), ("ZVR 2", 1), ("ZVR 3", 1)])
    );
    let defect = yard.defects();
    assert_eq!(defect.len(), 1);
    send(&mut yard, &every_other(10_000, 0.0));
    let book = yard.service.judging.ledger().book();
    let first = book.alert(AlertId(1)).unwrap();
    assert_eq!(first.condition(), Condition::Withdrawn);
    drop(book);
    assert_eq!(yard.standing(), rang(&[("ZVR 2", 0), ("ZVR 3", 2)]));
    assert_eq!(yard.defects(), defect);
    yard.service = yard.service.restarted(false);
    yard.service.idle();
    assert_eq!(yard.standing(), rang(&[("ZVR 2", 0), ("ZVR 3", 2)]));
    yard.service.judging.stop();
}

#[test]
fn a_unit_that_is_set_out_rings_alone() {
    let mut yard = yard();
    for n in [1, 2, 3] {
        yard.send(n, 0..10, 14.0);
    }
    assert_eq!(
        yard.standing(),
        rang(&[("ZVR 1", 0), ("ZVR 2", 1), ("ZVR 3", 1)])
    );
    yard.put(2, "M7", T0 + 12 * MINUTE_MS);
    yard.send(2, 10..14, 14.0);
    yard.send(3, 10..14, 14.0);
    assert_eq!(
        yard.standing(),
        rang(&[("ZVR 1", 0), ("ZVR 2", 0), ("ZVR 3", 1)])
    );
    yard.service.judging.stop();
}

#[test]
fn the_first_that_ends_leaves_the_others_told_a_while() {
    let mut yard = yard();
    for n in [1, 2] {
        yard.send(n, 0..10, 14.0);
    }
    yard.send(1, 10..20, 5.0);
    yard.send(2, 10..18, 14.0);
    assert_eq!(yard.standing(), rang(&[("ZVR 2", 1)]));
    let ended: Option<EventTime> = {
        let book = yard.service.judging.ledger().book();
        book.alert(AlertId(1)).unwrap().ended_at()
    };
    assert!(ended.is_some_and(|ended| ended < at(T0 + 12 * MINUTE_MS)));
    yard.send(2, 18..24, 14.0);
    assert_eq!(yard.standing(), rang(&[("ZVR 2", 0)]));
    yard.service.judging.stop();
}
