//! What every store promises, as one suite: a schedule of operations judged by maps that know
//! nothing of how stores work.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests, which clippy takes for library code"
)]

use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, mpsc};
use wheeltap_model::{
    Batch, ChannelId, Column, Event, EventTime, Quality, Sample, ServerTime, UnitId,
};
use wheeltap_store::{
    Appended, Commit, DocumentKey, Epoch, Incoming, PayloadDigest, QuarantineId, Quarantined,
    Rollup, Store, StoreError, Tier,
};

/// A store that can be closed and opened again.
pub trait Subject {
    /// The store under test.
    fn store(&self) -> &dyn Store;
    /// Closes and opens it again; a store that cannot outlive its process does nothing.
    fn restart(&mut self);
    /// Whether digests may go before upkeep was called, with frames that had to make room.
    fn forgets_early(&self) -> bool {
        false
    }
}

/// Time and fields of one event.
type SmallEvent = (i64, Vec<Option<f64>>);

/// 2026-01-05T00:00:00Z, a Monday.
pub const T0: i64 = 1_767_571_200_000;

/// One column: channel, first time after `T0`, step, values with qualities.
#[derive(Clone, Debug)]
pub struct SmallColumn {
    pub channel: u32,
    pub start_ms: i64,
    pub step_ms: i64,
    pub values: Vec<(f64, u8)>,
}

/// One batch of a few samples.
#[derive(Clone, Debug)]
pub struct SmallBatch {
    pub unit: usize,
    pub epoch: u8,
    pub sequence: u64,
    pub digest: u8,
    pub columns: Vec<SmallColumn>,
    pub events: Vec<SmallEvent>,
}

#[derive(Clone, Debug)]
pub enum Op {
    Submit(Vec<SmallBatch>),
    Quarantine {
        unit: usize,
        epoch: u8,
        sequence: u64,
        bytes: Vec<u8>,
    },
    Discard(u64),
    Commit {
        ledger: Vec<Vec<u8>>,
        documents: Vec<(u8, Option<Vec<u8>>)>,
    },
    Upkeep(i64),
    Restart,
}

pub const UNITS: [&str; 3] = ["ZVR 4117", "ZVR 4118", "ZVR 52"];
const EVENT_CHANNEL: u32 = 9;

fn small_column() -> impl Strategy<Value = SmallColumn> {
    let value = prop_oneof![
        4 => (-50_i32..50).prop_map(|tenths| f64::from(tenths) / 10.0),
        1 => prop::sample::select(vec![0.0, -0.0, 1.0e300, f64::MIN_POSITIVE, 1.0 / 3.0]),
    ];
    let quality = prop_oneof![6 => Just(2_u8), 1 => 0_u8..4];
    (
        1_u32..4,
        prop_oneof![
            4 => (0_i64..240).prop_map(|minutes| minutes * 60_000),
            1 => 0_i64..20_000_000,
            1 => (0_i64..50).prop_map(|tens| tens * 10),
        ],
        prop::sample::select(vec![0_i64, 1, 1_000, 60_000, 777_777]),
        prop::collection::vec((value, quality), 1..12),
    )
        .prop_map(|(channel, start_ms, step_ms, values)| SmallColumn {
            channel,
            start_ms,
            step_ms,
            values,
        })
}

fn small_batch() -> impl Strategy<Value = SmallBatch> {
    let field = prop_oneof![Just(None), (0_i32..3).prop_map(|n| Some(f64::from(n)))];
    (
        0_usize..UNITS.len(),
        1_u8..3,
        1_u64..12,
        1_u8..3,
        prop::collection::vec(small_column(), 0..4),
        prop::collection::vec(
            (0_i64..10_000_000, prop::collection::vec(field, 0..3)),
            0..3,
        ),
    )
        .prop_map(|(unit, epoch, sequence, digest, mut columns, events)| {
            columns.sort_by_key(|column| column.channel);
            columns.dedup_by_key(|column| column.channel);
            SmallBatch {
                unit,
                epoch,
                sequence,
                digest,
                columns,
                events,
            }
        })
}

/// A schedule in which collisions are common.
pub fn ops() -> impl Strategy<Value = Vec<Op>> {
    let bytes = || prop::collection::vec(any::<u8>(), 0..40);
    let op = prop_oneof![
        8 => prop::collection::vec(small_batch(), 1..4).prop_map(Op::Submit),
        1 => (0_usize..3, 1_u8..3, 1_u64..12, bytes()).prop_map(
            |(unit, epoch, sequence, bytes)| Op::Quarantine { unit, epoch, sequence, bytes }
        ),
        1 => (1_u64..6).prop_map(Op::Discard),
        2 => (
            prop::collection::vec(bytes(), 0..3),
            prop::collection::vec((0_u8..6, prop::option::of(bytes())), 0..3),
        )
            .prop_map(|(ledger, documents)| Op::Commit { ledger, documents }),
        4 => (0_i64..7_200_000).prop_map(Op::Upkeep),
        1 => Just(Op::Restart),
    ];
    prop::collection::vec(op, 1..24)
}

pub fn unit(idx: usize) -> UnitId {
    UnitId::new(UNITS[idx]).unwrap()
}

pub fn incoming(small: &SmallBatch) -> Incoming {
    let columns = small.columns.iter().map(|column| {
        let times: Vec<i64> = (0_i64..)
            .take(column.values.len())
            .map(|idx| T0 + column.start_ms + idx * column.step_ms)
            .collect();
        let qualities: Vec<Quality> = column
            .values
            .iter()
            .map(|(_, quality)| Quality::from_u8(*quality).unwrap())
            .collect();
        Column {
            channel: ChannelId(column.channel),
            times_ms: times.into(),
            values: column.values.iter().map(|(value, _)| *value).collect(),
            qualities: if qualities.iter().all(|quality| *quality == Quality::Good) {
                Vec::new()
            } else {
                qualities
            },
        }
    });
    let events = small.events.iter().map(|(ms, fields)| Event {
        channel: ChannelId(EVENT_CHANNEL),
        time: EventTime::from_unix_ms(T0 + ms),
        fields: fields.clone(),
    });
    Incoming {
        unit: unit(small.unit),
        epoch: Epoch([small.epoch; 16]),
        sequence: small.sequence,
        digest: PayloadDigest([small.digest; 16]),
        received_at: ServerTime::from_unix_ms(T0),
        batch: Arc::new(Batch {
            columns: columns.collect(),
            events: events.collect(),
            complete_through: None,
        }),
    }
}

/// Submits and waits until it is durable.
pub fn submit(store: &dyn Store, batches: Vec<Incoming>) -> Result<Vec<Appended>, StoreError> {
    let (sender, receiver) = mpsc::channel();
    store.submit(
        batches,
        Box::new(move |outcome| {
            let _ = sender.send(outcome);
        }),
    );
    receiver.recv().expect("the store answers every submit")
}

/// The slow, obvious store.
#[derive(Default)]
pub struct Oracle {
    samples: BTreeMap<(usize, u32), BTreeMap<i64, Sample>>,
    events: BTreeMap<usize, Vec<SmallEvent>>,
    /// Sequences settled, with the digest where a digest was given.
    settled: BTreeMap<(usize, u8), BTreeMap<u64, Option<u8>>>,
    ledger: Vec<Vec<u8>>,
    documents: BTreeMap<Vec<u8>, Vec<u8>>,
    quarantine: BTreeMap<u64, Quarantined>,
    quarantined: u64,
    /// Frames, and the digests with them, may be gone.
    upkept: bool,
    now_ms: i64,
}

impl Oracle {
    pub fn apply(&mut self, subject: &mut dyn Subject, op: &Op) {
        match op {
            Op::Submit(batches) => {
                self.upkept |= subject.forgets_early();
                let sent = batches.iter().map(incoming).collect();
                let outcomes = submit(subject.store(), sent).unwrap();
                assert_eq!(outcomes.len(), batches.len());
                for (small, outcome) in batches.iter().zip(outcomes) {
                    self.append(small, &outcome);
                }
            }
            Op::Quarantine {
                unit,
                epoch,
                sequence,
                bytes,
            } => {
                let batch = Quarantined {
                    unit: UNITS[*unit].to_owned(),
                    epoch: Epoch([*epoch; 16]),
                    sequence: *sequence,
                    received_at: ServerTime::from_unix_ms(T0 + 5),
                    reason: "UNKNOWN_CHANNEL".to_owned(),
                    message: "channel 7 is in no catalogue".to_owned(),
                    bytes: bytes.clone(),
                };
                let id = subject.store().quarantine(batch.clone()).unwrap();
                self.quarantined += 1;
                assert_eq!(id, Some(QuarantineId(self.quarantined)));
                self.quarantine.insert(self.quarantined, batch);
                let settled = self.settled.entry((*unit, *epoch)).or_default();
                settled.entry(*sequence).or_insert(None);
            }
            Op::Discard(id) => {
                let was_there = self.quarantine.remove(id).is_some();
                let discarded = subject.store().discard_quarantined(QuarantineId(*id));
                assert_eq!(discarded.unwrap(), was_there);
            }
            Op::Commit { ledger, documents } => {
                let commit = Commit {
                    ledger: ledger.clone(),
                    documents: documents
                        .iter()
                        .map(|(key, value)| (document_key(*key), value.clone()))
                        .collect(),
                };
                let last = subject.store().commit(commit).unwrap();
                self.ledger.extend(ledger.iter().cloned());
                assert_eq!(last, self.ledger.len() as u64);
                for (key, value) in documents {
                    let key = document_key(*key).key;
                    match value {
                        Some(value) => self.documents.insert(key, value.clone()),
                        None => self.documents.remove(&key),
                    };
                }
            }
            Op::Upkeep(ms) => {
                self.now_ms += ms;
                let now = ServerTime::from_unix_ms(T0 + self.now_ms);
                subject.store().upkeep(now).unwrap();
                self.upkept = true;
            }
            Op::Restart => subject.restart(),
        }
    }

    fn append(&mut self, small: &SmallBatch, outcome: &Appended) {
        let settled = self.settled.entry((small.unit, small.epoch)).or_default();
        match settled.get(&small.sequence) {
            Some(Some(digest)) if *digest != small.digest => {
                // Once upkeep has run the frame, and the digest with it, may be gone.
                let gone = self.upkept && *outcome == Appended::Duplicate;
                assert!(*outcome == Appended::Refused || gone, "{outcome:?}");
                return;
            }
            Some(_) => {
                assert_eq!(*outcome, Appended::Duplicate);
                return;
            }
            None => assert_eq!(*outcome, Appended::Stored),
        }
        settled.insert(small.sequence, Some(small.digest));
        for column in &incoming(small).batch.columns {
            let samples = self
                .samples
                .entry((small.unit, column.channel.0))
                .or_default();
            for sample in column.samples() {
                samples
                    .entry(sample.time.unix_ms())
                    .and_modify(|held| *held = held.join(sample))
                    .or_insert(sample);
            }
        }
        for (ms, fields) in &small.events {
            let events = self.events.entry(small.unit).or_default();
            events.push((T0 + ms, fields.clone()));
        }
    }

    /// Compares everything that can be asked.
    pub fn check(&self, store: &dyn Store) {
        self.check_samples(store);
        self.check_rest(store);
    }

    fn check_samples(&self, store: &dyn Store) {
        let none = BTreeMap::new();
        for unit_idx in 0..UNITS.len() {
            let unit = unit(unit_idx);
            let mut times: BTreeSet<i64> = BTreeSet::new();
            for channel in 1..5 {
                let held = self.samples.get(&(unit_idx, channel)).unwrap_or(&none);
                check_reads(store, &unit, ChannelId(channel), held);
                check_rollups(store, &unit, ChannelId(channel), held);
                times.extend(held.keys());
            }
            let mut events = self.events.get(&unit_idx).cloned().unwrap_or_default();
            events.sort_by(|a, b| a.partial_cmp(b).unwrap());
            events.dedup();
            times.extend(events.iter().map(|(ms, _)| ms));
            check_events(store, &unit, &events);
            let stored = store.extent(&unit).unwrap();
            assert_eq!(
                stored.map(|(a, b)| (a.unix_ms(), b.unix_ms())),
                times.first().copied().zip(times.last().copied())
            );
        }
    }

    fn check_rest(&self, store: &dyn Store) {
        for unit_idx in 0..UNITS.len() {
            let stored: BTreeMap<u8, BTreeSet<u64>> = store
                .sources(&unit(unit_idx))
                .unwrap()
                .into_iter()
                .map(|source| {
                    let touching = source.ranges.windows(2).any(|w| w[0].1 + 1 >= w[1].0);
                    assert!(!touching, "{:?}", source.ranges);
                    let all = source.ranges.iter().flat_map(|&(a, b)| a..=b).collect();
                    (source.epoch.0[0], all)
                })
                .collect();
            let expected: BTreeMap<u8, BTreeSet<u64>> = self
                .settled
                .iter()
                .filter(|((unit, _), _)| *unit == unit_idx)
                .map(|((_, epoch), settled)| (*epoch, settled.keys().copied().collect()))
                .collect();
            assert_eq!(stored, expected);
        }
        let ledger: Vec<(u64, Vec<u8>)> = (1..).zip(self.ledger.iter().cloned()).collect();
        assert_eq!(store.ledger(0, usize::MAX).unwrap(), ledger);
        if ledger.len() > 1 {
            assert_eq!(store.ledger(1, 1).unwrap(), &ledger[1..2]);
        }
        for prefix in [&b""[..], b"a", b"a/1"] {
            let documents: Vec<_> = self
                .documents
                .iter()
                .filter(|(key, _)| key.starts_with(prefix))
                .map(|(key, value)| (key.clone(), value.clone()))
                .collect();
            let stored: Vec<_> = store
                .documents("checkpoint", prefix)
                .unwrap()
                .into_iter()
                .map(|(key, value)| (key.key, value))
                .collect();
            assert_eq!(stored, documents);
        }
        assert!(store.documents("checkpoin", b"").unwrap().is_empty());
        let quarantine: Vec<_> = self
            .quarantine
            .iter()
            .map(|(id, batch)| (QuarantineId(*id), batch.clone()))
            .collect();
        assert_eq!(store.quarantined(None, usize::MAX).unwrap(), quarantine);
        if let Some((id, _)) = quarantine.first() {
            let rest = store.quarantined(Some(*id), 1).unwrap();
            assert_eq!(
                rest,
                quarantine[1..].iter().take(1).cloned().collect::<Vec<_>>()
            );
        }
    }
}

fn at(ms: i64) -> EventTime {
    EventTime::from_unix_ms(ms)
}

fn check_reads(store: &dyn Store, unit: &UnitId, id: ChannelId, held: &BTreeMap<i64, Sample>) {
    let all = store.read(unit, id, at(i64::MIN), at(i64::MAX), usize::MAX);
    let expected: Vec<Sample> = held.values().copied().collect();
    assert_same(&all.unwrap().samples().collect::<Vec<_>>(), &expected);
    let times: Vec<i64> = held.keys().copied().collect();
    let (Some(&first), Some(&last)) = (times.first(), times.last()) else {
        return;
    };
    // A stretch with both ends on samples, and limits that cut it.
    let (a, b) = (times[times.len() / 3], times[times.len() * 2 / 3]);
    for limit in [0, 1, 3, usize::MAX] {
        let part: Vec<Sample> = held.range(a..=b).take(limit).map(|(_, s)| *s).collect();
        let read = store.read(unit, id, at(a), at(b), limit).unwrap();
        assert_same(&read.samples().collect::<Vec<_>>(), &part);
    }
    for before in [first, a, b, last, last + 1] {
        let newest = held.range(..before).next_back().map(|(_, s)| *s);
        let found = store.newest_before(unit, id, at(before)).unwrap();
        assert_same(
            &found.into_iter().collect::<Vec<_>>(),
            &newest.into_iter().collect::<Vec<_>>(),
        );
    }
}

fn check_rollups(store: &dyn Store, unit: &UnitId, id: ChannelId, held: &BTreeMap<i64, Sample>) {
    let times: Vec<i64> = held.keys().copied().collect();
    let (Some(a), Some(b)) = (times.get(times.len() / 3), times.get(times.len() * 2 / 3)) else {
        return;
    };
    let hour = a - a.rem_euclid(3_600_000);
    for (tier, from, to) in [
        (Tier::Minute, T0 - 1, T0 + 86_400_000),
        (Tier::Hour, T0 - 1, T0 + 86_400_000),
        (Tier::Minute, *a, *b),
        (Tier::Hour, hour, *b),
        (Tier::Hour, hour + 1, b + 1),
    ] {
        let expected = brute_rows(held, tier.length_ms(), from, to);
        for limit in [2, usize::MAX] {
            let rows = store.rollups(unit, id, tier, at(from), at(to), limit);
            // Values compare by `==`: which zero is the least of -0.0 and 0.0 is left open.
            assert_eq!(rows.unwrap(), &expected[..expected.len().min(limit)]);
        }
    }
}

fn check_events(store: &dyn Store, unit: &UnitId, events: &[SmallEvent]) {
    let read = |from, to, limit| -> Vec<SmallEvent> {
        store
            .read_events(unit, ChannelId(EVENT_CHANNEL), at(from), at(to), limit)
            .unwrap()
            .into_iter()
            .map(|event| (event.time.unix_ms(), event.fields))
            .collect()
    };
    assert_eq!(read(i64::MIN, i64::MAX, usize::MAX), events);
    if let (Some((first, _)), Some((last, _))) = (events.first(), events.last()) {
        let (from, to) = (first + 1, last - 1);
        let part: Vec<_> = events
            .iter()
            .filter(|event| from <= event.0 && event.0 <= to)
            .take(2)
            .cloned()
            .collect();
        assert_eq!(read(from, to, 2), part);
    }
}

fn document_key(number: u8) -> DocumentKey {
    let keys: [&[u8]; 6] = [b"", b"a", b"a/1", b"a/1\x00", b"a/2", b"\xff"];
    DocumentKey {
        kind: "checkpoint",
        key: keys[usize::from(number)].to_vec(),
    }
}

/// Rows by definition, written apart from the store's own.
fn brute_rows(held: &BTreeMap<i64, Sample>, length_ms: i64, from: i64, to: i64) -> Vec<Rollup> {
    let starts: BTreeSet<i64> = held
        .keys()
        .map(|ms| ms - ms.rem_euclid(length_ms))
        .collect();
    let rows = starts.range(from..to.max(from)).map(|&start| {
        let all: Vec<Sample> = held
            .range(start..start + length_ms)
            .map(|(_, s)| *s)
            .collect();
        let good: Vec<f64> = all
            .iter()
            .filter(|sample| sample.quality == Quality::Good)
            .map(|sample| sample.value)
            .collect();
        let n = u32::try_from(good.len()).unwrap();
        Rollup {
            start: EventTime::from_unix_ms(start),
            n,
            n_unusable: u32::try_from(all.len()).unwrap() - n,
            min: good.iter().copied().reduce(f64::min).unwrap_or(0.0),
            max: good.iter().copied().reduce(f64::max).unwrap_or(0.0),
            sum: good.iter().fold(0.0, |sum, value| sum + value),
            last: good.last().copied().unwrap_or(0.0),
        }
    });
    rows.collect()
}

fn assert_same(found: &[Sample], expected: &[Sample]) {
    let bits = |samples: &[Sample]| -> Vec<(i64, u64, Quality)> {
        samples
            .iter()
            .map(|s| (s.time.unix_ms(), s.value.to_bits(), s.quality))
            .collect()
    };
    assert_eq!(bits(found), bits(expected));
}

/// The law: a schedule of any operations leaves what plain maps hold, at every step.
pub fn run(subject: &mut dyn Subject, ops: &[Op]) {
    let mut oracle = Oracle::default();
    for op in ops {
        oracle.apply(subject, op);
        if matches!(op, Op::Upkeep(_) | Op::Restart) {
            oracle.check(subject.store());
        }
    }
    oracle.check(subject.store());
    subject.restart();
    oracle.check(subject.store());
}

/// Bounds on single records are refused by name, and nothing is written.
pub fn oversize_records_are_refused(store: &dyn Store) {
    let big = vec![0; 48 * 1024 + 1];
    let refused = store.commit(Commit {
        ledger: vec![b"first".to_vec(), big.clone()],
        documents: Vec::new(),
    });
    assert!(matches!(
        refused,
        Err(StoreError::TooLarge { limit: 49_152, .. })
    ));
    assert!(store.ledger(0, 9).unwrap().is_empty());
    let key = DocumentKey {
        kind: "rule",
        key: vec![b'k'; 200],
    };
    let refused = store.commit(Commit {
        ledger: Vec::new(),
        documents: vec![(key.clone(), Some(big.clone()))],
    });
    assert!(matches!(refused, Err(StoreError::TooLarge { .. })));
    let widest = big[1..].to_vec();
    let commit = Commit {
        ledger: vec![widest.clone()],
        documents: vec![(key.clone(), Some(widest.clone()))],
    };
    assert_eq!(store.commit(commit).unwrap(), 1);
    assert_eq!(store.document(&key).unwrap(), Some(widest.clone()));
    assert_eq!(store.ledger(0, 9).unwrap(), vec![(1, widest)]);
    let long_key = DocumentKey {
        kind: "rule",
        key: vec![b'k'; 201],
    };
    let refused = store.commit(Commit {
        ledger: Vec::new(),
        documents: vec![(long_key, None)],
    });
    assert!(matches!(
        refused,
        Err(StoreError::TooLarge { limit: 200, .. })
    ));
}

/// A full quarantine keeps what it has, takes nothing more and settles nothing more, until there is room.
pub fn quarantine_is_bounded(subject: &mut dyn Subject, n_bytes: usize, n_most: u64) {
    let batch = |sequence| Quarantined {
        unit: UNITS[0].to_owned(),
        epoch: Epoch([1; 16]),
        sequence,
        received_at: ServerTime::from_unix_ms(0),
        reason: "UNKNOWN_CHANNEL".to_owned(),
        message: String::new(),
        bytes: vec![7; n_bytes],
    };
    let kept = |store: &dyn Store| -> Vec<u64> {
        let kept = store.quarantined(None, usize::MAX).unwrap();
        kept.iter().map(|(_, batch)| batch.sequence).collect()
    };
    let settled = |store: &dyn Store| store.sources(&unit(0)).unwrap()[0].ranges.clone();
    for sequence in 1..=n_most {
        let id = subject.store().quarantine(batch(sequence)).unwrap();
        assert_eq!(id, Some(QuarantineId(sequence)));
    }
    let all: Vec<u64> = (1..=n_most).collect();
    for _ in 0..2 {
        let store = subject.store();
        assert_eq!(store.quarantine(batch(n_most + 1)).unwrap(), None);
        assert_eq!(kept(store), all, "what was kept stays");
        assert_eq!(settled(store), [(1, n_most)]);
        subject.restart();
    }
    let store = subject.store();
    assert!(store.discard_quarantined(QuarantineId(3)).unwrap());
    let id = store.quarantine(batch(n_most + 1)).unwrap();
    assert_eq!(id, Some(QuarantineId(n_most + 1)));
    assert_eq!(kept(store).len(), all.len());
    assert_eq!(settled(store), [(1, n_most + 1)]);
    let too_big = Quarantined {
        bytes: vec![0; 65 * 1024 * 1024],
        ..batch(n_most + 2)
    };
    assert!(matches!(
        store.quarantine(too_big),
        Err(StoreError::TooLarge { .. })
    ));
}

/// Ids are given once and never change.
pub fn channel_ids_are_stable(subject: &mut dyn Subject) {
    let name = |text: &str| wheeltap_model::ChannelName::new(text).unwrap();
    let asked = [name("a.b"), name("c"), name("a.b")];
    let first = subject.store().channel_ids(&asked).unwrap();
    assert_eq!(first[0], first[2]);
    assert_ne!(first[0], first[1]);
    subject.restart();
    let again = subject
        .store()
        .channel_ids(&[name("d"), name("c"), name("a.b")])
        .unwrap();
    assert_eq!((again[1], again[2]), (first[1], first[0]));
    assert!(!first.contains(&again[0]));
}
