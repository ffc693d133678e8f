//! The promise: what a disk spool took is there after any restart, unaltered, until acknowledged;
//! what it cannot keep it refuses or reports.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use proptest::prelude::*;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use wheeltap_client::{
    BatchBuilder, DiskSpool, DiskSpoolOptions, EncodedBatch, MemorySpool, Packing, SendOrder,
    Spool, SpoolError,
};
use wheeltap_model::{ChannelName, EventTime};

/// A batch of its own, about `n_samples` times 9 bytes.
fn batch(number: i64, n_samples: i64) -> EncodedBatch {
    let mut builder = BatchBuilder::new(Packing::Plain);
    let channel = if number % 2 == 0 {
        "engine.speed"
    } else {
        "engine.oil.temperature"
    };
    let times: Vec<i64> = (0..n_samples).map(|idx| number * 1_000 + idx).collect();
    let values: Vec<f64> = times.iter().map(|ms| *ms as f64 / 7.0).collect();
    builder
        .samples(
            &ChannelName::new(channel).unwrap(),
            "",
            &times,
            &values,
            &[],
        )
        .unwrap();
    builder.complete_through(EventTime::from_unix_ms(number));
    let mut batches = builder.build().unwrap();
    assert_eq!(batches.len(), 1);
    batches.remove(0)
}

/// Small, so that segments turn over all the time.
fn small() -> DiskSpoolOptions {
    DiskSpoolOptions {
        limit_bytes: 16 * 1024,
        segment_bytes: 1_024,
    }
}

fn all(spool: &dyn Spool) -> BTreeMap<u64, EncodedBatch> {
    let mut found = BTreeMap::new();
    while let Some(sequence) = spool.next(SendOrder::OldestFirst, &|sequence| {
        found.contains_key(&sequence)
    }) {
        found.insert(sequence, spool.read(sequence).unwrap().unwrap());
    }
    found
}

fn segments(folder: &Path) -> Vec<PathBuf> {
    let mut paths: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "seg"))
        .collect();
    paths.sort();
    paths
}

#[test]
fn batches_survive_reopening_in_both_orders() {
    let folder = tempfile::tempdir().unwrap();
    let spool = DiskSpool::open(folder.path(), small()).unwrap();
    let epoch = spool.epoch();
    let batches: Vec<EncodedBatch> = (1..=20).map(|number| batch(number, 10)).collect();
    assert_eq!(spool.append(&batches[..7]).unwrap(), 1);
    assert_eq!(spool.append(&batches[7..]).unwrap(), 8);
    drop(spool);
    let spool = DiskSpool::open(folder.path(), small()).unwrap();
    assert_eq!(spool.epoch(), epoch);
    assert_eq!(spool.torn_bytes(), 0);
    assert_eq!(spool.damage(), []);
    let expected: BTreeMap<u64, EncodedBatch> = (1..).zip(batches).collect();
    assert_eq!(all(&spool), expected);
    assert_eq!(spool.next(SendOrder::NewestFirst, &|_| false), Some(20));
    assert_eq!(
        spool.next(SendOrder::NewestFirst, &|sequence| sequence > 5),
        Some(5)
    );
}

#[test]
fn a_second_process_is_told_that_the_spool_is_in_use() {
    let folder = tempfile::tempdir().unwrap();
    let _spool = DiskSpool::open(folder.path(), small()).unwrap();
    let refusal = DiskSpool::open(folder.path(), small()).unwrap_err();
    assert!(matches!(refusal, SpoolError::Locked { .. }), "{refusal}");
}

#[test]
fn a_torn_tail_is_cut_at_every_length() {
    let folder = tempfile::tempdir().unwrap();
    let options = DiskSpoolOptions::default();
    let spool = DiskSpool::open(folder.path(), options).unwrap();
    let batches: Vec<EncodedBatch> = (1..=3).map(|number| batch(number, 4)).collect();
    spool.append(&batches).unwrap();
    let held = spool.held_bytes();
    drop(spool);
    let path = segments(folder.path()).remove(0);
    let whole = fs::read(&path).unwrap();
    assert_eq!(whole.len() as u64, held);
    let mut n_kept_before = 3;
    for length in (0..whole.len()).rev() {
        fs::write(&path, &whole[..length]).unwrap();
        let spool = DiskSpool::open(folder.path(), options).unwrap();
        let kept = all(&spool);
        assert!(kept.len() <= n_kept_before, "cut at {length}");
        n_kept_before = kept.len();
        for (sequence, batch) in &kept {
            assert_eq!(batch, &batches[usize::try_from(sequence - 1).unwrap()]);
        }
        assert_eq!(spool.damage(), []);
        // What is appended next takes the next number, and is there after another restart.
        let next = spool.append(&batches[..1]).unwrap();
        assert_eq!(next, kept.len() as u64 + 1);
        drop(spool);
        let spool = DiskSpool::open(folder.path(), options).unwrap();
        assert_eq!(spool.n_pending(), kept.len() as u64 + 1);
        drop(spool);
        for leftover in segments(folder.path()) {
            fs::remove_file(leftover).unwrap();
        }
    }
    assert_eq!(n_kept_before, 0);
}

#[test]
fn a_flipped_bit_never_passes_for_a_batch() {
    let folder = tempfile::tempdir().unwrap();
    let options = DiskSpoolOptions::default();
    let batches: Vec<EncodedBatch> = (1..=4).map(|number| batch(number, 3)).collect();
    {
        let spool = DiskSpool::open(folder.path(), options).unwrap();
        spool.append(&batches).unwrap();
    }
    let path = segments(folder.path()).remove(0);
    let whole = fs::read(&path).unwrap();
    let mut n_reported = 0;
    for at in 0..whole.len() {
        let mut bytes = whole.clone();
        bytes[at] ^= 1 << (at % 8);
        fs::write(&path, &bytes).unwrap();
        let spool = DiskSpool::open(folder.path(), options).unwrap();
        let mut n_good = 0;
        for sequence in 1..=4_u64 {
            match spool.read(sequence) {
                Ok(Some(read)) => {
                    n_good += 1;
                    assert_eq!(read, batches[usize::try_from(sequence - 1).unwrap()]);
                }
                Ok(None) | Err(SpoolError::Damaged { .. }) => {}
                Err(error) => panic!("byte {at}: {error}"),
            }
        }
        // A damaged schema takes its two batches with it, anything else at most one.
        assert!(n_good >= 2, "byte {at}: {n_good}");
        let is_reported = !spool.damage().is_empty() || spool.torn_bytes() > 0;
        assert!(is_reported, "byte {at}: nothing reported");
        n_reported += usize::from(!spool.damage().is_empty());
        drop(spool);
        for leftover in segments(folder.path()) {
            fs::remove_file(leftover).unwrap();
        }
    }
    assert!(n_reported > whole.len() / 2);
}

#[test]
fn a_damaged_file_is_kept_when_the_rest_is_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let options = DiskSpoolOptions::default();
    {
        let spool = DiskSpool::open(folder.path(), options).unwrap();
        spool
            .append(&[batch(2, 5), batch(4, 5), batch(6, 5)])
            .unwrap();
    }
    let path = segments(folder.path()).remove(0);
    let mut bytes = fs::read(&path).unwrap();
    let middle = bytes.len() / 2 + 20;
    bytes[middle] ^= 0x10;
    fs::write(&path, &bytes).unwrap();
    let spool = DiskSpool::open(folder.path(), options).unwrap();
    assert_eq!(spool.damage().len(), 1);
    assert_eq!(all(&spool).keys().copied().collect::<Vec<_>>(), [1, 3]);
    spool.acknowledge(&[(1, 3)]).unwrap();
    assert_eq!(spool.n_pending(), 0);
    assert!(!path.exists());
    assert!(path.with_extension("seg.damaged").exists());
}

#[test]
fn a_full_spool_refuses_by_name_and_takes_more_after_an_acknowledgement() {
    let folder = tempfile::tempdir().unwrap();
    let disk = DiskSpool::open(folder.path(), small()).unwrap();
    let memory = MemorySpool::new(16 * 1024);
    let spools: [&dyn Spool; 2] = [&disk, &memory];
    for spool in spools {
        let mut n_taken = 0_u64;
        let refusal = loop {
            match spool.append(&[batch(2, 30)]) {
                Ok(sequence) => {
                    n_taken += 1;
                    assert_eq!(sequence, n_taken);
                }
                Err(error) => break error,
            }
        };
        assert!(matches!(refusal, SpoolError::Full { .. }), "{refusal}");
        assert!(n_taken > 10);
        assert_eq!(all(spool).len() as u64, n_taken, "nothing was lost");
        spool.acknowledge(&[(1, n_taken / 2)]).unwrap();
        assert_eq!(spool.append(&[batch(2, 30)]).unwrap(), n_taken + 1);
        let refusal = spool.append(&[batch(2, 5_000)]).unwrap_err();
        assert!(matches!(refusal, SpoolError::TooLarge { .. }), "{refusal}");
    }
    assert!(disk.held_bytes() <= small().limit_bytes);
}

#[test]
fn a_service_that_knows_an_unsent_sequence_does_not_settle_it() {
    let folder = tempfile::tempdir().unwrap();
    let disk = DiskSpool::open(folder.path(), small()).unwrap();
    let memory = MemorySpool::new(16 * 1024);
    let spools: [&dyn Spool; 2] = [&disk, &memory];
    for spool in spools {
        let epoch = spool.epoch();
        spool.append(&[batch(1, 1), batch(2, 1)]).unwrap();
        let refusal = spool.acknowledge(&[(1, 9)]).unwrap_err();
        assert!(
            matches!(refusal, SpoolError::Collision { sequence: 1 }),
            "{refusal}"
        );
        assert_eq!(spool.n_pending(), 2);
        assert_ne!(spool.renew().unwrap(), epoch);
        assert_eq!(
            all(spool),
            BTreeMap::from([(1, batch(1, 1)), (2, batch(2, 1))])
        );
        // Sequences known to the service are not given out while nothing waits under them.
        spool.acknowledge(&[(1, 9)]).unwrap();
        assert_eq!(spool.append(&[batch(3, 1)]).unwrap(), 10);
    }
}

#[test]
fn a_foreign_folder_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("epoch"), b"something else").unwrap();
    let refusal = DiskSpool::open(folder.path(), small()).unwrap_err();
    assert!(
        refusal.to_string().contains("move the folder away"),
        "{refusal}"
    );
    assert_eq!(
        fs::read(folder.path().join("epoch")).unwrap(),
        b"something else"
    );
}

#[derive(Clone, Debug)]
enum Act {
    Append(Vec<i64>),
    Acknowledge(u64, u64),
    Reopen,
    Renew,
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        4 => prop::collection::vec(1_i64..40, 1..4).prop_map(Act::Append),
        3 => (1_u64..30, 0_u64..6).prop_map(|(first, n)| Act::Acknowledge(first, first + n)),
        2 => Just(Act::Reopen),
        1 => Just(Act::Renew),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]
    // The law: whatever the order of appends, acknowledgements, restarts and new epochs, what waits
    // is what was appended and not acknowledged, byte for byte.
    #[test]
    fn the_spool_is_a_map_on_disk(acts in prop::collection::vec(act(), 1..40)) {
        let folder = tempfile::tempdir().unwrap();
        let mut spool = DiskSpool::open(folder.path(), small()).unwrap();
        let mut model: BTreeMap<u64, EncodedBatch> = BTreeMap::new();
        let mut unsure: BTreeMap<u64, EncodedBatch> = BTreeMap::new();
        for act in acts {
            match act {
                Act::Append(sizes) => {
                    let batches: Vec<EncodedBatch> =
                        sizes.iter().map(|size| batch(*size, *size)).collect();
                    match spool.append(&batches) {
                        Ok(first) => model.extend((first..).zip(batches)),
                        Err(SpoolError::Full { .. }) => {}
                        Err(error) => return Err(TestCaseError::fail(error.to_string())),
                    }
                    // All was handed out, as if sent.
                    all(&spool);
                }
                Act::Acknowledge(first, last) => {
                    // A service acknowledges only what it was sent.
                    let known = model.keys().next_back().copied().unwrap_or(0);
                    spool.acknowledge(&[(first, last.min(known))]).unwrap();
                    for sequence in first..=last.min(known) {
                        if let Some(batch) = model.remove(&sequence) {
                            unsure.insert(sequence, batch);
                        }
                    }
                }
                Act::Reopen => {
                    drop(spool);
                    spool = DiskSpool::open(folder.path(), small()).unwrap();
                    prop_assert_eq!(spool.damage(), []);
                    // The Welcome tells again what the service holds.
                    for sequence in unsure.keys() {
                        spool.acknowledge(&[(*sequence, *sequence)]).unwrap();
                    }
                }
                Act::Renew => {
                    let before = spool.epoch();
                    prop_assert_ne!(spool.renew().unwrap(), before);
                    model = (1..).zip(std::mem::take(&mut model).into_values()).collect();
                    unsure.clear();
                }
            }
            prop_assert_eq!(&all(&spool), &model);
            prop_assert_eq!(spool.n_pending(), model.len() as u64);
        }
    }
}
