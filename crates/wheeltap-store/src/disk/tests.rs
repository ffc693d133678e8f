//! What shows only from within: who waits for whom, and what is written together.

use super::*;
use std::sync::mpsc::Receiver;
use wheeltap_model::{Batch, Column};

/// Longer than anything here takes that is not stuck.
const PATIENCE: Duration = Duration::from_mins(1);

fn unit() -> UnitId {
    UnitId::new("ZVR 1").unwrap()
}

/// A batch of some channels on one time axis of seconds.
fn batch(n_channels: u32, n_samples: usize) -> Arc<Batch> {
    let times_ms: Arc<[i64]> = (0..).map(|idx| idx * 1_000).take(n_samples).collect();
    let column = |channel| Column {
        channel: ChannelId(channel),
        times_ms: Arc::clone(&times_ms),
        values: vec![f64::from(channel); n_samples],
        qualities: Vec::new(),
    };
    Arc::new(Batch {
        columns: (1..=n_channels).map(column).collect(),
        events: Vec::new(),
        complete_through: None,
    })
}

fn incoming(sequence: u64, batch: &Arc<Batch>) -> Incoming {
    Incoming {
        unit: unit(),
        epoch: crate::Epoch([1; 16]),
        sequence,
        digest: crate::PayloadDigest([0; 16]),
        received_at: ServerTime::from_unix_ms(0),
        batch: Arc::clone(batch),
    }
}

type Answer = Receiver<Result<Vec<Appended>, StoreError>>;

/// Queues batches; who wants to know waits for the answer.
fn submit(store: &SledStore, batches: Vec<Incoming>) -> Answer {
    let (sender, answer) = mpsc::channel();
    store.submit(batches, Box::new(move |outcome| drop(sender.send(outcome))));
    answer
}

/// Fills the heads past where batches wait, has `queue` queue what is too much, and makes a change
/// as an upkeep does that cuts strips: with its lock held.
fn change_gets_through(queue: impl FnOnce(&SledStore) -> Vec<Answer>) {
    let folder = tempfile::tempdir().unwrap();
    let options = Options {
        head_bytes: 1,
        ..Options::default()
    };
    let store = SledStore::open(folder.path(), options).unwrap();
    let cutting = store.shared.upkeep.lock().unwrap();
    let first = submit(&store, vec![incoming(1, &batch(1, 10))]);
    first.recv_timeout(PATIENCE).unwrap().unwrap();
    assert!(store.shared.read_layout().head_bytes > 2 * options.head_bytes);
    let queued = queue(&store);
    let (sender, changed) = mpsc::channel();
    let shared = Arc::clone(&store.shared);
    std::thread::spawn(move || drop(sender.send(shared.change(|_, _| ()))));
    let outcome = changed.recv_timeout(PATIENCE);
    assert!(
        queued.iter().all(|answer| answer.try_recv().is_err()),
        "the batches waited meanwhile"
    );
    drop(cutting);
    outcome.expect("the change got through").unwrap();
    for answer in queued {
        answer.recv_timeout(PATIENCE).unwrap().unwrap();
    }
}

#[test]
fn a_change_passes_a_group_larger_than_the_queue() {
    let large = batch(1, 65_536);
    let n = QUEUE_BYTES / weight(&large) + 1;
    change_gets_through(|store| {
        let group = (2..).take(n).map(|sequence| incoming(sequence, &large));
        vec![submit(store, group.collect())]
    });
}

#[test]
fn a_change_passes_a_queue_with_no_place_left() {
    change_gets_through(|store| {
        let places = 0..QUEUE_JOBS;
        places.map(|_| submit(store, Vec::new())).collect()
    });
}
