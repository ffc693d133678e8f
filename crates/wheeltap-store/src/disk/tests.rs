//! What shows only from within: who waits for whom, and what is written together.

use super::*;
use std::sync::mpsc::Receiver;
use wheeltap_model::{Batch, Column};

/// Longer than anything here takes that is not stuck.
const PATIENCE: Duration = Duration::from_mins(1);

fn unit(number: usize) -> UnitId {
    UnitId::new(&format!("ZVR {number}")).unwrap()
}

/// A batch of some channels on one time axis of seconds.
fn batch(n_channels: u32, n_samples: usize) -> Arc<Batch> {
    batch_from(0, n_channels, n_samples)
}

fn batch_from(second: i64, n_channels: u32, n_samples: usize) -> Arc<Batch> {
    let seconds = (second..).take(n_samples);
    let times_ms: Arc<[i64]> = seconds.map(|second| second * 1_000).collect();
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
        unit: unit(1),
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
    let cutting = store.shared.cutting();
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

#[test]
fn batches_are_taken_in_while_an_upkeep_seals() {
    let folder = tempfile::tempdir().unwrap();
    let one = batch(1, 1_000);
    let options = Options {
        head_bytes: 2 * weight(&one),
        ..Options::default()
    };
    let store = SledStore::open(folder.path(), options).unwrap();
    let sealing = store.shared.upkeep.lock().unwrap();
    // Far more than twice the bound: the writer has to cut strips.
    let are_stored = (1..=20).all(|sequence| {
        let answer = submit(&store, vec![incoming(sequence, &one)]);
        matches!(answer.recv_timeout(PATIENCE), Ok(Ok(_)))
    });
    drop(sealing);
    assert!(are_stored);
    assert!(store.shared.read_layout().head_bytes <= options.head_bytes);
}

/// Samples of what is sealed together, read from the disk.
fn stored_samples(store: &SledStore, step: &[upkeep::Due]) -> usize {
    let strip = |number, id| store.shared.strip(number, id).unwrap().unwrap().len();
    step.iter()
        .flat_map(|due| due.strips.iter().map(|((_, id), _)| strip(due.number, *id)))
        .sum()
}

#[test]
fn a_step_of_sealing_is_bounded_by_the_samples_of_all_channels() {
    const CHANNELS: u32 = 50;
    const SAMPLES: usize = 4_500;
    const STRIPS: usize = 5;
    let folder = tempfile::tempdir().unwrap();
    let store = SledStore::open(folder.path(), Options::default()).unwrap();
    // One unit with several strips of an hour and more, and units with one each.
    let now_ms = i64::try_from(STRIPS * SAMPLES).unwrap() * 1_000;
    for idx in 0..STRIPS {
        let second = i64::try_from(idx * SAMPLES).unwrap();
        let sent = batch_from(second, CHANNELS, SAMPLES);
        let of_one = incoming(u64::try_from(idx).unwrap() + 1, &sent);
        let mut of_others = of_one.clone();
        of_others.unit = unit(2 + idx);
        let answer = submit(&store, vec![of_one, of_others]);
        answer.recv_timeout(PATIENCE).unwrap().unwrap();
        store.shared.cut(now_ms).unwrap();
    }
    let mut due = store.shared.due(now_ms, i64::MIN);
    let (mut n_steps, mut n_samples) = (0, 0);
    while !due.is_empty() {
        let step = upkeep::next_step(&mut due);
        let in_step = stored_samples(&store, &step);
        assert!((1..=upkeep::STEP_SAMPLES).contains(&in_step), "{in_step}");
        n_steps += 1;
        n_samples += in_step;
    }
    assert_eq!(n_samples, 2 * STRIPS * SAMPLES * CHANNELS as usize);
    assert_eq!(n_steps, 3);

    // Sealed in these steps, everything is there, and blocks follow one another.
    store.upkeep(ServerTime::from_unix_ms(now_ms)).unwrap();
    let snapshot = store.shared.snapshot(&unit(1), 0, now_ms).unwrap();
    let left: Vec<usize> = snapshot
        .strips
        .iter()
        .map(|(_, s)| s.most as usize)
        .collect();
    assert_eq!(left, [STRIPS * SAMPLES % Options::default().block_points]);
    let cold = store.shared.cold.folder(cold::Shelf::Raw, 0, false);
    let mut last_ms = -1;
    let of = (snapshot.number, ChannelId(1));
    let _ = cold::visit_blocks(
        &cold.unwrap().unwrap(),
        keys::BLOCK,
        of,
        (0, now_ms),
        |span, _| {
            assert!(span.0 > last_ms, "{span:?} after {last_ms}");
            last_ms = span.1;
            Ok(std::ops::ControlFlow::Continue(()))
        },
    )
    .unwrap();
    assert!(last_ms > 0);
    for (number, n) in [(1, STRIPS * SAMPLES), (2, SAMPLES), (6, SAMPLES)] {
        let all = (EventTime::from_unix_ms(0), EventTime::from_unix_ms(now_ms));
        let read = store.read(&unit(number), ChannelId(CHANNELS), all.0, all.1, usize::MAX);
        assert_eq!(read.unwrap().len(), n);
    }
}

/// Everything is sealed at once, in periods of an hour.
fn at_once() -> Options {
    Options {
        period_ms: HOUR_MS,
        block_points: 100,
        strip_ms: 0,
        linger_ms: 0,
        ..Options::default()
    }
}

#[test]
fn retention_does_not_wait_for_what_is_newer() {
    let folder = tempfile::tempdir().unwrap();
    let store = SledStore::open(folder.path(), at_once()).unwrap();
    for (sequence, hour) in [(1, 0), (2, 5)] {
        let sent = batch_from(hour * 3_600, 2, 1_000);
        let answer = submit(&store, vec![incoming(sequence, &sent)]);
        answer.recv_timeout(PATIENCE).unwrap().unwrap();
    }
    let now_ms = 7 * HOUR_MS;
    store.shared.cut(now_ms).unwrap();
    assert_eq!(store.shared.due(now_ms, HOUR_MS).len(), 2);
    // One step, and it is the older one.
    let sealed = store.shared.seal_due(now_ms, HOUR_MS, 1).unwrap();
    assert!(sealed.is_old_done);
    assert_eq!(store.shared.due(now_ms, HOUR_MS).len(), 1);
    let sealed = store.shared.seal_due(now_ms, 6 * HOUR_MS, 0).unwrap();
    assert!(!sealed.is_old_done, "the later one is old by then too");
}
