//! Ledger bytes: read back as written, refused when unknown or damaged; and what the book keeps.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{Desk, facts, occurred, unit};
use wheeltap_followup::{AlertQuery, Book, LedgerRecord, Limits, RecordError, Terms};
use wheeltap_model::{Condition, Priority};

fn desk() -> Desk {
    Desk::with(&[("oil", facts("oil cooler", Priority::High, false, 1_000))])
}

#[test]
fn an_unknown_version_is_named_before_anything_else() {
    let mut desk = desk();
    desk.raise(occurred("oil", 100, None), Terms::default());
    let text = String::from_utf8(desk.entries.last().unwrap().clone()).unwrap();
    for newer in [
        text.replacen("\"v\":1", "\"v\":2", 1),
        "{\"v\":2,\"something\":\"else\"}".to_owned(),
    ] {
        let refused = LedgerRecord::from_bytes(newer.as_bytes());
        assert!(
            matches!(
                refused,
                Err(RecordError::UnknownVersion { found: 2, known: 1 })
            ),
            "{refused:?}"
        );
    }
}

#[test]
fn damaged_bytes_never_read_as_another_record() {
    let mut desk = desk();
    desk.raise(occurred("oil", 100, Some(200)), Terms::default());
    let bytes = desk.entries.last().unwrap().clone();
    for length in 0..bytes.len() {
        assert!(
            LedgerRecord::from_bytes(&bytes[..length]).is_err(),
            "{length}"
        );
    }
}

#[test]
fn entries_out_of_order_are_refused() {
    let desk = desk();
    let first = LedgerRecord::from_bytes(&desk.entries[0]).unwrap();
    let mut book = Book::default();
    assert!(book.apply(2, &first).is_err());
    book.apply(1, &first).unwrap();
    // Lodged twice.
    assert!(book.apply(2, &first).is_err());
}

#[test]
fn lists_come_latest_raised_first_and_page_without_gaps() {
    let mut desk = desk();
    for idx in 0..30 {
        // Raised in an order that is not that of the numbers; some at the same instant.
        let raised = 1_000 + (idx * 7 % 10) * 100;
        desk.raise(
            occurred("oil", raised, (idx % 3 > 0).then_some(raised + 50)),
            Terms::default(),
        );
    }
    for query in [
        AlertQuery::default(),
        AlertQuery {
            unit: Some(unit()),
            ..AlertQuery::default()
        },
        AlertQuery {
            condition: Some(Condition::Standing),
            ..AlertQuery::default()
        },
        AlertQuery {
            raised_from: Some(common::at(1_300)),
            ..AlertQuery::default()
        },
        AlertQuery {
            raised_from: Some(common::at(1_300)),
            raised_to: Some(common::at(1_700)),
            ..AlertQuery::default()
        },
    ] {
        let whole = desk.book.alerts(&query, None, 1_000);
        assert!(whole.len() >= 10, "{query:?}");
        let order: Vec<_> = whole
            .iter()
            .map(|alert| (alert.raised_at(), alert.id()))
            .collect();
        assert!(order.windows(2).all(|pair| pair[0] > pair[1]));
        let mut paged = Vec::new();
        loop {
            let after = paged.last().copied();
            let page = desk.book.alerts(&query, after, 7);
            if page.is_empty() {
                break;
            }
            paged.extend(page.iter().map(|alert| (alert.raised_at(), alert.id())));
        }
        assert_eq!(paged, order);
    }
    let between = |from: i64, to: i64| {
        let query = AlertQuery {
            raised_from: Some(common::at(from)),
            raised_to: Some(common::at(to)),
            ..AlertQuery::default()
        };
        let found = desk.book.alerts(&query, None, 1_000);
        let mut times: Vec<i64> = found.iter().map(|of| of.raised_at().unix_ms()).collect();
        times.dedup();
        times
    };
    assert_eq!(between(1_300, 1_500), [1_400, 1_300]);
    assert_eq!(between(1_500, 1_300), [0; 0]);
}

#[test]
fn changes_are_kept_up_to_their_bound_and_older_ones_are_refused() {
    let limits = Limits {
        alert_changes: 10,
        ..Limits::default()
    };
    let mut desk = desk();
    desk.book = Book::new(limits);
    let lodged = std::mem::take(&mut desk.entries);
    for bytes in lodged {
        let record = LedgerRecord::from_bytes(&bytes).unwrap();
        desk.entries.push(bytes);
        desk.book.apply(desk.entries.len() as u64, &record).unwrap();
    }
    let start = desk.book.seq();
    for idx in 0..20 {
        desk.raise(occurred("oil", 1_000 + idx, None), Terms::default());
    }
    assert!(desk.book.alert_changes(start, 100).is_err());
    let from = desk.book.seq() - 10;
    assert_eq!(desk.book.alert_changes(from, 100).unwrap().len(), 10);
    assert_eq!(desk.book.n_alert_changes(from + 5), 5);
    assert_eq!(desk.book.alert_changes(desk.book.seq(), 100).unwrap(), []);
}

/// What the documentation says of memory rests on it.
#[test]
fn an_alert_stays_small() {
    let alert = size_of::<wheeltap_followup::KeptAlert>();
    assert!(alert <= 288, "{alert} bytes");
}
