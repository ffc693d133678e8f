//! What reads of every store share: the order of events, and rollups by definition.

use crate::{Rollup, StoreError, Tier};
use std::cmp::Ordering;
use wheeltap_model::{Event, EventTime, Quality, Sample};

/// A ledger entry's, document's or other single record's greatest length.
pub(crate) const RECORD_LIMIT: usize = 48 * 1024;
/// A document key's greatest length.
pub(crate) const KEY_LIMIT: usize = 200;
/// A document kind's greatest length.
pub(crate) const KIND_LIMIT: usize = 32;
/// How many quarantined batches are kept.
const QUARANTINE_BATCHES: usize = 1_000;
/// How many bytes of quarantined batches are kept.
pub(crate) const QUARANTINE_BYTES: usize = 64 * 1024 * 1024;

/// Orders events of one channel by time, then by fields; a field that was not sent comes first.
pub(crate) fn event_order(a: &Event, b: &Event) -> Ordering {
    a.time.cmp(&b.time).then_with(|| {
        let mut pairs = a.fields.iter().zip(&b.fields);
        pairs
            .find_map(|pair| {
                let order = match pair {
                    (None, None) => Ordering::Equal,
                    (None, Some(_)) => Ordering::Less,
                    (Some(_), None) => Ordering::Greater,
                    (Some(x), Some(y)) => x.total_cmp(y),
                };
                order.is_ne().then_some(order)
            })
            .unwrap_or_else(|| a.fields.len().cmp(&b.fields.len()))
    })
}

/// Sorts events of one channel and collapses repeats.
pub(crate) fn sort_events(events: &mut Vec<Event>) {
    events.sort_by(event_order);
    events.dedup_by(|a, b| event_order(a, b).is_eq());
}

/// First instant of the row that holds `time_ms`.
pub(crate) fn row_start(time_ms: i64, length_ms: i64) -> i64 {
    time_ms
        .checked_sub(time_ms.rem_euclid(length_ms))
        .unwrap_or(i64::MIN)
}

/// Rolls joined samples up, by definition: one row a stretch that has samples, sums in time order.
pub(crate) fn roll_up(samples: impl Iterator<Item = Sample>, tier: Tier) -> Vec<Rollup> {
    let mut rows: Vec<Rollup> = Vec::new();
    for sample in samples {
        let start = EventTime::from_unix_ms(row_start(sample.time.unix_ms(), tier.length_ms()));
        if rows.last().is_none_or(|row| row.start != start) {
            rows.push(Rollup {
                start,
                n: 0,
                n_unusable: 0,
                min: 0.0,
                max: 0.0,
                sum: 0.0,
                last: 0.0,
            });
        }
        let Some(row) = rows.last_mut() else { continue };
        if sample.quality != Quality::Good {
            row.n_unusable += 1;
            continue;
        }
        if row.n == 0 {
            (row.min, row.max) = (sample.value, sample.value);
        }
        row.n += 1;
        row.min = row.min.min(sample.value);
        row.max = row.max.max(sample.value);
        row.sum += sample.value;
        row.last = sample.value;
    }
    rows
}

/// Refuses what is over its bound.
pub(crate) fn check_size(what: &'static str, size: usize, limit: usize) -> Result<(), StoreError> {
    if size > limit {
        return Err(StoreError::TooLarge { what, size, limit });
    }
    Ok(())
}

/// Refuses a commit with a record over its bound, before anything is written.
pub(crate) fn check_commit(commit: &crate::Commit) -> Result<(), StoreError> {
    for entry in &commit.ledger {
        check_size("a ledger entry", entry.len(), RECORD_LIMIT)?;
    }
    for (key, value) in &commit.documents {
        check_size("a document kind", key.kind.len(), KIND_LIMIT)?;
        check_size("a document key", key.key.len(), KEY_LIMIT)?;
        debug_assert!(
            !key.kind.is_empty()
                && key
                    .kind
                    .bytes()
                    .all(|b| b.is_ascii_lowercase() || b == b'_'),
            "document kinds are words of a-z_"
        );
        if let Some(value) = value {
            check_size("a document", value.len(), RECORD_LIMIT)?;
        }
    }
    Ok(())
}

/// Whether quarantine has room for a batch of this size beside what it holds.
pub(crate) const fn has_room(n_batches: usize, bytes: usize, size: usize) -> bool {
    n_batches < QUARANTINE_BATCHES && bytes + size <= QUARANTINE_BYTES
}

/// What a quarantined batch counts towards the bound.
pub(crate) fn quarantine_size(batch: &crate::Quarantined) -> usize {
    batch.bytes.len() + batch.unit.len() + batch.reason.len() + batch.message.len()
}
