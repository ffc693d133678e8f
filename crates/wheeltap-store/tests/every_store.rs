//! Every store keeps what was acknowledged, once, and answers as plain maps would.

mod suite;

use proptest::prelude::*;
use suite::Subject;
use wheeltap_store::{MemoryStore, Store};

struct InMemory(MemoryStore);

impl Subject for InMemory {
    fn store(&self) -> &dyn Store {
        &self.0
    }
    fn restart(&mut self) {}
}

proptest! {
    #[test]
    fn memory_store_answers_as_maps_would(ops in suite::ops()) {
        suite::run(&mut InMemory(MemoryStore::new()), &ops);
    }
}

#[test]
fn memory_store_refuses_oversize_records() {
    suite::oversize_records_are_refused(&MemoryStore::new());
}

#[test]
fn memory_store_bounds_the_quarantine() {
    suite::quarantine_is_bounded(&MemoryStore::new());
}

#[test]
fn memory_store_gives_stable_channel_ids() {
    suite::channel_ids_are_stable(&mut InMemory(MemoryStore::new()));
}
