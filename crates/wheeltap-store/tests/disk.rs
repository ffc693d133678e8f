//! The folder on disk: nothing loose, retention by folder, damage that stays where it is.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests, which clippy takes for library code"
)]

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, mpsc};
use std::time::Duration;
use wheeltap_model::{Batch, ChannelId, Column, Event, EventTime, ServerTime, UnitId};
use wheeltap_store::{
    Commit, DocumentKey, Epoch, Incoming, Options, PayloadDigest, Quarantined, SledStore, Store,
    StoreError, Tier,
};

/// 2026-01-05T00:00:00Z.
const T0: i64 = 1_767_571_200_000;
const HOUR: i64 = 3_600_000;

fn options() -> Options {
    Options {
        raw_ms: 2 * HOUR,
        minute_ms: 100 * HOUR,
        hour_ms: 10_000 * HOUR,
        period_ms: HOUR,
        block_points: 200,
        strip_ms: 0,
        linger_ms: 0,
        cache_bytes: 16 << 20,
        ..Options::default()
    }
}

fn unit(number: usize) -> UnitId {
    UnitId::new(&format!("ZVR {number}")).unwrap()
}

fn at(ms: i64) -> EventTime {
    EventTime::from_unix_ms(ms)
}

fn batch(number: usize, sequence: u64, channel: u32, times: &[i64], values: Vec<f64>) -> Incoming {
    Incoming {
        unit: unit(number),
        epoch: Epoch([1; 16]),
        sequence,
        digest: PayloadDigest([0; 16]),
        received_at: ServerTime::from_unix_ms(T0),
        batch: Arc::new(Batch {
            columns: vec![Column {
                channel: ChannelId(channel),
                times_ms: times.into(),
                values,
                qualities: Vec::new(),
            }],
            events: vec![Event {
                channel: ChannelId(9),
                time: at(times[0]),
                fields: vec![Some(1.0)],
            }],
            complete_through: None,
        }),
    }
}

fn submit(store: &SledStore, batches: Vec<Incoming>) {
    let (sender, receiver) = mpsc::channel();
    store.submit(batches, Box::new(move |outcome| drop(sender.send(outcome))));
    receiver.recv().unwrap().unwrap();
}

fn all(store: &SledStore, number: usize, channel: u32) -> Result<usize, StoreError> {
    let (from, to) = (at(i64::MIN), at(i64::MAX));
    let series = store.read(&unit(number), ChannelId(channel), from, to, usize::MAX)?;
    Ok(series.len())
}

#[test]
fn no_value_becomes_a_loose_file() {
    let folder = tempfile::tempdir().unwrap();
    let keep = Options {
        raw_ms: i64::MAX / 4,
        minute_ms: i64::MAX / 4,
        hour_ms: i64::MAX / 4,
        block_points: 4_096,
        head_bytes: 4 << 20,
        ..options()
    };
    let mut store = SledStore::open(folder.path(), keep).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let noise = |rng: &mut ChaCha8Rng, n: usize| {
        let mut bytes = vec![0; n];
        rng.fill_bytes(&mut bytes);
        bytes
    };
    let mut n_samples = 0;
    for round in 0_u64..9 {
        // Incompressible values make frames, strips and blocks of many parts.
        let times: Vec<i64> = (0..5_000)
            .map(|idx| T0 + i64::try_from(round).unwrap() * 600_000 + idx * 100)
            .collect();
        let batches = (0..4)
            .map(|number| {
                let values = times
                    .iter()
                    .map(|_| f64::from(rng.next_u32()) / 7.0 + f64::from(rng.next_u32()) * 1e-12)
                    .collect();
                batch(number, round + 1, 1, &times, values)
            })
            .collect();
        submit(&store, batches);
        n_samples += times.len();
        let documents = (0..12_u8)
            .map(|number| {
                let mut key = vec![number; 200];
                key[0] = u8::try_from(rng.next_u32() % 3).unwrap();
                let value = (number % 5 != 0).then(|| noise(&mut rng, 48 * 1024));
                (
                    DocumentKey {
                        kind: "a_kind_of_thirty_two_characters_",
                        key,
                    },
                    value,
                )
            })
            .collect();
        let ledger = vec![noise(&mut rng, 48 * 1024); 3];
        store.commit(Commit { ledger, documents }).unwrap();
        store
            .quarantine(Quarantined {
                unit: "ZVR 1".to_owned(),
                epoch: Epoch([2; 16]),
                sequence: round,
                received_at: ServerTime::from_unix_ms(T0),
                reason: "OVERSIZE".to_owned(),
                message: String::new(),
                bytes: noise(&mut rng, 1 << 20),
            })
            .unwrap();
        let now = ServerTime::from_unix_ms(times[times.len() - 1]);
        store.upkeep(now).unwrap();
        if round % 4 == 3 {
            drop(store);
            store = SledStore::open(folder.path(), keep).unwrap();
        }
    }
    for number in 0..4 {
        assert_eq!(all(&store, number, 1).unwrap(), n_samples);
    }
    store
        .upkeep(ServerTime::from_unix_ms(T0 + 24 * HOUR))
        .unwrap();
    let verified = store.verify().unwrap();
    assert!(verified.bad.is_empty(), "{:?}", verified.bad);
    assert!(verified.blocks >= 40, "blocks were sealed: {verified:?}");
    let figures = store.figures().unwrap();
    assert_eq!(figures.blob_files, 0);
    assert!(figures.disk_bytes > 10_000_000);
}

#[test]
fn retention_drops_samples_and_keeps_rows() {
    let folder = tempfile::tempdir().unwrap();
    let store = SledStore::open(folder.path(), options()).unwrap();
    let times: Vec<i64> = (0..6 * 360).map(|idx| T0 + idx * 10_000).collect();
    let values: Vec<f64> = (0..6 * 360).map(f64::from).collect();
    submit(&store, vec![batch(1, 1, 1, &times, values)]);
    let rows = |tier| {
        let (from, to) = (at(0), at(i64::MAX));
        store
            .rollups(&unit(1), ChannelId(1), tier, from, to, usize::MAX)
            .unwrap()
    };
    let (minutes, hours) = (rows(Tier::Minute), rows(Tier::Hour));
    assert_eq!((minutes.len(), hours.len()), (360, 6));
    let sealed = store
        .upkeep(ServerTime::from_unix_ms(T0 + 2 * HOUR))
        .unwrap();
    assert!(sealed.blocks_sealed > 0 && sealed.periods_dropped == 0);
    assert_eq!(all(&store, 1, 1).unwrap(), 2_160);
    assert_eq!(rows(Tier::Minute), minutes);
    // The clock alone drops nothing: retention counts from the newest event time stored.
    let later = ServerTime::from_unix_ms(T0 + 1_000 * HOUR);
    assert_eq!(all(&store, 1, 1).unwrap(), 2_160);
    submit(&store, vec![batch(2, 1, 1, &[T0 + 7 * HOUR], vec![1.0])]);
    // With data at seven hours the first five are over two hours old; rows stay.
    let done = store
        .upkeep(ServerTime::from_unix_ms(T0 + 7 * HOUR))
        .unwrap();
    assert_eq!(done.periods_dropped, 5);
    assert_eq!(store.upkeep(later).unwrap().periods_dropped, 0);
    assert_eq!(all(&store, 1, 1).unwrap(), 360);
    assert_eq!(rows(Tier::Minute), minutes);
    assert_eq!(rows(Tier::Hour), hours);
    let (first, last) = store.extent(&unit(1)).unwrap().unwrap();
    assert_eq!(first, at(T0 + 5 * HOUR));
    assert_eq!(last, at(times[times.len() - 1]));
    // What comes later than retention changes nothing, sealed or not.
    submit(&store, vec![batch(1, 2, 1, &[T0 + 5], vec![9.0e9])]);
    assert_eq!(all(&store, 1, 1).unwrap(), 360);
    assert_eq!(rows(Tier::Hour), hours);
    store
        .upkeep(ServerTime::from_unix_ms(T0 + 7 * HOUR))
        .unwrap();
    assert_eq!(rows(Tier::Hour), hours);
    // Minutes go when theirs is over, hours last longest.
    submit(&store, vec![batch(2, 2, 1, &[T0 + 200 * HOUR], vec![1.0])]);
    let done = store
        .upkeep(ServerTime::from_unix_ms(T0 + 200 * HOUR))
        .unwrap();
    assert!(done.periods_dropped >= 3, "{done:?}");
    assert!(rows(Tier::Minute).is_empty());
    assert_eq!(rows(Tier::Hour), hours);
    assert_eq!(store.extent(&unit(1)).unwrap(), None);
}

#[test]
fn rows_outlive_samples_that_a_long_silence_made_old() {
    // A unit was stored for longer than samples are kept and then sends again: what it sent last was not
    // sealed yet, in frames or in strips.
    for is_cut in [false, true] {
        let folder = tempfile::tempdir().unwrap();
        let store = SledStore::open(folder.path(), options()).unwrap();
        let times: Vec<i64> = (0..90).map(|idx| T0 + idx * 60_000).collect();
        let values: Vec<f64> = (0..90).map(f64::from).collect();
        submit(&store, vec![batch(1, 1, 1, &times, values)]);
        if is_cut {
            store.upkeep(ServerTime::from_unix_ms(T0)).unwrap();
        }
        let rows = |tier| {
            let (from, to) = (at(0), at(T0 + 2 * HOUR));
            store
                .rollups(&unit(1), ChannelId(1), tier, from, to, usize::MAX)
                .unwrap()
        };
        let (minutes, hours) = (rows(Tier::Minute), rows(Tier::Hour));
        assert_eq!((minutes.len(), hours.len()), (90, 2));
        let later = T0 + 50 * HOUR;
        submit(&store, vec![batch(1, 2, 1, &[later], vec![1.0])]);
        store.upkeep(ServerTime::from_unix_ms(later)).unwrap();
        assert_eq!(all(&store, 1, 1).unwrap(), 1, "old samples are gone");
        assert_eq!(rows(Tier::Minute), minutes);
        assert_eq!(rows(Tier::Hour), hours);
    }
}

/// Changes one byte of the first record whose key starts with `kind`, deep in its body.
fn damage(folder: &Path, segment_bytes: usize, kind: u8, place: impl Fn(usize) -> usize) {
    let config = sled::Config::new().path(folder).segment_size(segment_bytes);
    // sled lets go of its lock a moment after the last handle is gone: its own threads hold some.
    let db = (0..100)
        .find_map(|_| {
            let db = config.open();
            if db.is_err() {
                std::thread::park_timeout(Duration::from_millis(50));
            }
            db.ok()
        })
        .expect("the store let go of the folder");
    let (key, value) = db.scan_prefix([kind]).next().unwrap().unwrap();
    let mut bytes = value.to_vec();
    let idx = place(bytes.len());
    bytes[idx] ^= 0x40;
    db.insert(key, bytes).unwrap();
    db.flush().unwrap();
}

#[test]
fn a_damaged_block_stops_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let keep = Options {
        raw_ms: i64::MAX / 4,
        ..options()
    };
    let times: Vec<i64> = (0..360).map(|idx| T0 + idx * 10_000).collect();
    let values: Vec<f64> = (0..360).map(f64::from).collect();
    let store = SledStore::open(folder.path(), keep).unwrap();
    for channel in 1..3 {
        let sent = batch(1, u64::from(channel), channel, &times, values.clone());
        submit(&store, vec![sent]);
    }
    let later = ServerTime::from_unix_ms(T0 + 3 * HOUR);
    assert!(store.upkeep(later).unwrap().blocks_sealed >= 4);
    drop(store);
    let raw = folder.path().join(format!("cold/raw@{T0}"));
    damage(&raw, 2 << 20, b'B', |len| len / 2);
    let store = SledStore::open(folder.path(), keep).unwrap();
    let refused = all(&store, 1, 1).unwrap_err();
    assert!(matches!(refused, StoreError::Corrupt { .. }), "{refused}");
    assert_eq!(all(&store, 1, 2).unwrap(), 360);
    // The second block of the damaged channel is sound.
    let (from, to) = (at(T0 + 2_000_000), at(T0 + HOUR));
    let part = store.read(&unit(1), ChannelId(1), from, to, usize::MAX);
    assert_eq!(part.unwrap().len(), 160);
    assert_eq!(store.verify().unwrap().bad.len(), 1);
    // Late data for the damaged stretch is taken in and sealed all the same.
    submit(&store, vec![batch(1, 9, 1, &[T0 + 5], vec![1.5])]);
    submit(&store, vec![batch(2, 1, 1, &times, values)]);
    assert!(store.upkeep(later).unwrap().blocks_sealed >= 3);
    assert_eq!(all(&store, 2, 1).unwrap(), 360);
}

#[test]
fn damaged_or_newer_books_are_refused_by_name() {
    let check = |kind: u8, place: fn(usize) -> usize, expected: &str| {
        let folder = tempfile::tempdir().unwrap();
        let store = SledStore::open(folder.path(), options()).unwrap();
        submit(&store, vec![batch(1, 1, 1, &[T0], vec![1.0])]);
        drop(store);
        damage(&folder.path().join("hot"), 4 << 20, kind, place);
        let refused = SledStore::open(folder.path(), options()).unwrap_err();
        assert!(refused.to_string().contains(expected), "{refused}");
    };
    check(b'J', |len| len - 1, "journal frame fails its check");
    check(b'J', |_| 0, "journal frame has format version 65");
    check(b'n', |len| len - 1, "unit's name fails its check");
    check(b's', |_| 3, "source's record fails its check");
    check(b'm', |_| 0, "run the version that wrote it, or newer");
}

#[test]
fn a_folder_keeps_the_period_it_was_made_with() {
    let folder = tempfile::tempdir().unwrap();
    let times: Vec<i64> = (0..360).map(|idx| T0 + idx * 10_000).collect();
    let values: Vec<f64> = (0..360).map(f64::from).collect();
    let later = ServerTime::from_unix_ms(T0 + 2 * HOUR);
    let store = SledStore::open(folder.path(), options()).unwrap();
    submit(&store, vec![batch(1, 1, 1, &times, values.clone())]);
    assert!(store.upkeep(later).unwrap().blocks_sealed > 0);
    drop(store);
    let other = Options {
        period_ms: 5 * HOUR,
        ..options()
    };
    let store = SledStore::open(folder.path(), other).unwrap();
    submit(&store, vec![batch(1, 2, 2, &times, values)]);
    store.upkeep(later).unwrap();
    assert_eq!(all(&store, 1, 1).unwrap(), 360);
    assert_eq!(all(&store, 1, 2).unwrap(), 360);
    let n_raw = std::fs::read_dir(folder.path().join("cold"))
        .unwrap()
        .filter(|entry| {
            let name = entry.as_ref().unwrap().file_name();
            name.to_string_lossy().starts_with("raw@")
        })
        .count();
    assert_eq!(n_raw, 1, "both channels went to the folder of that hour");
}

#[test]
fn a_caller_that_panics_stops_the_store_and_hangs_nobody() {
    let folder = tempfile::tempdir().unwrap();
    let store = SledStore::open(folder.path(), options()).unwrap();
    submit(&store, vec![batch(1, 1, 1, &[T0], vec![1.0])]);
    store.submit(Vec::new(), Box::new(|_| panic!("a broken caller")));
    // Whichever comes first, the panic or this commit, it is answered.
    let answers = [0, 1].map(|_| store.commit(Commit::default()));
    assert!(
        matches!(&answers[1], Err(StoreError::Stopped { cause }) if cause.contains("a broken caller"))
    );
    drop(store);
    let store = SledStore::open(folder.path(), options()).unwrap();
    assert_eq!(all(&store, 1, 1).unwrap(), 1);
}

#[test]
fn many_events_of_one_instant_are_all_sealed() {
    let folder = tempfile::tempdir().unwrap();
    let store = SledStore::open(folder.path(), options()).unwrap();
    let events = |from: i32, to: i32| -> Vec<Event> {
        let event = |number| Event {
            channel: ChannelId(9),
            time: at(T0 + 1),
            fields: vec![Some(f64::from(number))],
        };
        (from..to).map(event).collect()
    };
    let read = |store: &SledStore| {
        let (from, to) = (at(i64::MIN), at(i64::MAX));
        store
            .read_events(&unit(1), ChannelId(9), from, to, usize::MAX)
            .unwrap()
    };
    let send = |store: &SledStore, sequence, events| {
        let mut sent = batch(1, sequence, 1, &[T0], vec![1.0]);
        sent.batch = Arc::new(Batch {
            events,
            ..Batch::default()
        });
        submit(store, vec![sent]);
        let later = ServerTime::from_unix_ms(T0 + HOUR);
        store.upkeep(later).unwrap().blocks_sealed
    };
    // Three blocks from the first to the last of these, and all three begin and end at the same time.
    assert_eq!(send(&store, 1, events(0, 1_100)), 3);
    assert_eq!(read(&store), events(0, 1_100));
    // Some that are there already, beside new ones.
    assert_eq!(send(&store, 2, events(1_000, 1_700)), 2);
    drop(store);
    let store = SledStore::open(folder.path(), options()).unwrap();
    assert_eq!(read(&store), events(0, 1_700));
    let verified = store.verify().unwrap();
    assert!(verified.bad.is_empty(), "{:?}", verified.bad);
}

/// Strips are cut, merged and sealed beside a reader, and what fills no block goes into another strip.
fn reader_misses_nothing(head_bytes: usize) {
    const N_BATCHES: i64 = 300;
    const IN_ONE: i64 = 37;
    let folder = tempfile::tempdir().unwrap();
    let keep = Options {
        head_bytes,
        raw_ms: i64::MAX / 4,
        minute_ms: i64::MAX / 4,
        hour_ms: i64::MAX / 4,
        ..options()
    };
    let store = SledStore::open(folder.path(), keep).unwrap();
    let n_sent = AtomicUsize::new(0);
    let is_over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for number in 0..N_BATCHES {
                let times: Vec<i64> = (0..IN_ONE)
                    .map(|idx| T0 + (number * IN_ONE + idx) * 1_000)
                    .collect();
                let values = vec![1.0; times.len()];
                let sequence = u64::try_from(number).unwrap() + 1;
                submit(&store, vec![batch(1, sequence, 1, &times, values)]);
                n_sent.fetch_add(times.len(), Ordering::SeqCst);
            }
            is_over.store(true, Ordering::SeqCst);
        });
        scope.spawn(|| {
            let mut later = T0;
            while !is_over.load(Ordering::SeqCst) {
                later += 60_000;
                store.upkeep(ServerTime::from_unix_ms(later)).unwrap();
            }
        });
        let mut n_reads = 0;
        while !is_over.load(Ordering::SeqCst) {
            let before = n_sent.load(Ordering::SeqCst);
            let samples = all(&store, 1, 1).unwrap();
            assert!(samples >= before, "{samples} of {before} samples");
            let (from, to) = (at(T0), at(T0 + 100 * HOUR));
            let before = n_sent.load(Ordering::SeqCst);
            let rows = store.rollups(&unit(1), ChannelId(1), Tier::Hour, from, to, usize::MAX);
            let n_rolled: usize = rows.unwrap().iter().map(|row| row.n as usize).sum();
            assert!(n_rolled >= before, "{n_rolled} of {before} samples in rows");
            n_reads += 1;
        }
        assert!(n_reads > 10, "{n_reads}");
    });
}

#[test]
fn a_reader_beside_the_upkeep_misses_nothing() {
    reader_misses_nothing(options().head_bytes);
}

#[test]
fn a_reader_beside_an_upkeep_and_a_writer_that_cut_strips_misses_nothing() {
    // Some three batches.
    reader_misses_nothing(2_000);
}
