//! Every store keeps what was acknowledged, once, and answers as plain maps would.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests, which clippy takes for library code"
)]

mod suite;

use proptest::prelude::*;
use suite::Subject;
use tempfile::TempDir;
use wheeltap_store::{MemoryStore, Options, SledStore, Store, StoreError};

struct InMemory(MemoryStore);

impl Subject for InMemory {
    fn store(&self) -> &dyn Store {
        &self.0
    }
    fn restart(&mut self) {}
}

struct OnDisk {
    folder: TempDir,
    options: Options,
    store: Option<SledStore>,
}

impl OnDisk {
    fn new(options: Options) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Some(SledStore::open(folder.path(), options).unwrap());
        Self {
            folder,
            options,
            store,
        }
    }
}

impl Subject for OnDisk {
    fn store(&self) -> &dyn Store {
        self.store.as_ref().unwrap()
    }
    fn restart(&mut self) {
        self.store = None;
        self.store = Some(SledStore::open(self.folder.path(), self.options).unwrap());
    }
    fn forgets_early(&self) -> bool {
        self.options.head_bytes < 1 << 20
    }
}

/// Small numbers, so that sealing, merging, several folders and early cutting are common.
fn small() -> impl Strategy<Value = Options> {
    let lingers = prop::sample::select(vec![0, 3_600_000]);
    let heads = prop::sample::select(vec![0, 2_000, 1 << 20]);
    let strips = prop::sample::select(vec![0, 1_000_000]);
    (lingers, heads, strips, 1_usize..9).prop_map(|(linger_ms, head_bytes, strip_ms, points)| {
        Options {
            raw_ms: 1 << 50,
            minute_ms: 1 << 50,
            hour_ms: 1 << 50,
            period_ms: 3_600_000,
            block_points: points,
            strip_ms,
            linger_ms,
            head_bytes,
            cache_bytes: 8 << 20,
        }
    })
}

proptest! {
    #[test]
    fn memory_store_answers_as_maps_would(ops in suite::ops()) {
        suite::run(&mut InMemory(MemoryStore::new()), &ops);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn sled_store_answers_as_maps_would(options in small(), ops in suite::ops()) {
        suite::run(&mut OnDisk::new(options), &ops);
    }
}

#[test]
fn every_store_refuses_oversize_records() {
    suite::oversize_records_are_refused(&MemoryStore::new());
    suite::oversize_records_are_refused(OnDisk::new(Options::default()).store());
}

#[test]
fn every_store_bounds_the_quarantine() {
    // By bytes, 64 MiB with unit and reason, and by count.
    for (n_bytes, n_most) in [(100_000, 670), (10, 1_000)] {
        let mut memory = InMemory(MemoryStore::new());
        suite::quarantine_is_bounded(&mut memory, n_bytes, n_most);
        let mut disk = OnDisk::new(Options::default());
        suite::quarantine_is_bounded(&mut disk, n_bytes, n_most);
        assert_eq!(disk.store().figures().unwrap().blob_files, 0);
    }
}

#[test]
fn every_store_gives_stable_channel_ids() {
    suite::channel_ids_are_stable(&mut InMemory(MemoryStore::new()));
    suite::channel_ids_are_stable(&mut OnDisk::new(Options::default()));
}

#[test]
fn a_second_server_on_the_folder_is_refused() {
    let disk = OnDisk::new(Options::default());
    let second = SledStore::open(disk.folder.path(), Options::default());
    let refused = second.unwrap_err();
    assert!(matches!(refused, StoreError::Locked { .. }), "{refused}");
    assert!(refused.to_string().contains("in use by another server"));
    // The first is not disturbed.
    assert!(disk.store().ledger(0, 1).unwrap().is_empty());
}
