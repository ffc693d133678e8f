//! Nothing acknowledged is lost and nothing is stored twice, wherever the process is killed: while
//! it takes batches in, seals, or opens; nor when the disk is full or the tail of the log is lost.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests, which clippy takes for library code"
)]

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};
use wheeltap_model::{
    Batch, ChannelId, Column, Event, EventTime, Quality, Sample, ServerTime, UnitId,
};
use wheeltap_store::{
    Appended, Commit, Epoch, Incoming, Options, PayloadDigest, SledStore, Store, StoreError, Tier,
};

/// 2026-01-05T00:00:00Z.
const T0: i64 = 1_767_571_200_000;
const FOLDER: &str = "WHEELTAP_STORE_TEST_FOLDER";
const EPOCH: Epoch = Epoch([3; 16]);
const PER_BATCH: i64 = 20;
const ROUNDS: u64 = 8;

fn options() -> Options {
    Options {
        raw_ms: i64::MAX / 4,
        minute_ms: i64::MAX / 4,
        hour_ms: i64::MAX / 4,
        period_ms: 3_600_000,
        block_points: 100,
        strip_ms: 0,
        linger_ms: 0,
        head_bytes: 100_000,
        cache_bytes: 16 << 20,
    }
}

fn submit(store: &dyn Store, batches: Vec<Incoming>) -> Result<Vec<Appended>, StoreError> {
    let (sender, receiver) = mpsc::channel();
    store.submit(batches, Box::new(move |outcome| drop(sender.send(outcome))));
    receiver.recv().expect("the store answers every submit")
}

fn unit() -> UnitId {
    UnitId::new("ZVR 4117").unwrap()
}

fn value(sequence: u64, idx: i64, channel: u32) -> f64 {
    f64::from(channel) + sequence as f64 / 8.0 + idx as f64 / 1024.0
}

fn start_ms(sequence: u64) -> i64 {
    T0 + i64::try_from(sequence).unwrap() * 20_000
}

fn batch(sequence: u64) -> Incoming {
    let times: Arc<[i64]> = (0..PER_BATCH)
        .map(|idx| start_ms(sequence) + idx * 1_000)
        .collect();
    let columns = (1..3)
        .map(|channel| Column {
            channel: ChannelId(channel),
            times_ms: Arc::clone(&times),
            values: (0..PER_BATCH)
                .map(|idx| value(sequence, idx, channel))
                .collect(),
            qualities: Vec::new(),
        })
        .collect();
    Incoming {
        unit: unit(),
        epoch: EPOCH,
        sequence,
        digest: PayloadDigest([1; 16]),
        received_at: ServerTime::from_unix_ms(T0),
        batch: Arc::new(Batch {
            columns,
            events: vec![Event {
                channel: ChannelId(9),
                time: EventTime::from_unix_ms(start_ms(sequence)),
                fields: vec![Some(sequence as f64), None],
            }],
            complete_through: None,
        }),
    }
}

fn held(store: &dyn Store) -> BTreeSet<u64> {
    let sources = store.sources(&unit()).unwrap();
    sources
        .iter()
        .flat_map(|source| source.ranges.iter().flat_map(|&(a, b)| a..=b))
        .collect()
}

/// Everything held can be read, exactly once.
fn check(store: &SledStore, acked: &BTreeSet<u64>, ledger_acked: u64) {
    let held = held(store);
    assert!(held.is_superset(acked), "lost: {:?}", acked - &held);
    let (min, max) = (
        EventTime::from_unix_ms(0),
        EventTime::from_unix_ms(i64::MAX),
    );
    for channel in 1..3 {
        let expected: Vec<Sample> = held
            .iter()
            .flat_map(|&sequence| {
                (0..PER_BATCH).map(move |idx| Sample {
                    time: EventTime::from_unix_ms(start_ms(sequence) + idx * 1_000),
                    value: value(sequence, idx, channel),
                    quality: Quality::Good,
                })
            })
            .collect();
        let id = ChannelId(channel);
        let read = store.read(&unit(), id, min, max, usize::MAX).unwrap();
        assert!(read.samples().eq(expected.iter().copied()));
        for tier in [Tier::Minute, Tier::Hour] {
            let rows = store
                .rollups(&unit(), id, tier, min, max, usize::MAX)
                .unwrap();
            let n: usize = rows.iter().map(|row| row.n as usize).sum();
            assert_eq!(n, expected.len(), "a rollup counts each sample once");
        }
    }
    let events = store
        .read_events(&unit(), ChannelId(9), min, max, usize::MAX)
        .unwrap();
    let of_events: Vec<f64> = events.iter().filter_map(|event| event.fields[0]).collect();
    let expected: Vec<f64> = held.iter().map(|sequence| *sequence as f64).collect();
    assert_eq!(of_events, expected);
    let ledger = store.ledger(0, usize::MAX).unwrap();
    assert!(ledger.len() as u64 >= ledger_acked);
    for (number, entry) in ledger {
        assert_eq!(entry, number.to_be_bytes());
    }
    let verified = store.verify().unwrap();
    assert!(verified.bad.is_empty(), "{:?}", verified.bad);
    assert_eq!(store.figures().unwrap().blob_files, 0);
}

/// Runs only as the child of the tests below: takes batches and seals until it is killed.
#[test]
fn child_process() {
    let Some(folder) = std::env::var_os(FOLDER) else {
        return;
    };
    let say = |line: String| {
        let mut out = std::io::stdout().lock();
        writeln!(out, "\n{line}")
            .and_then(|()| out.flush())
            .unwrap();
    };
    say("opening".to_owned());
    let store = Arc::new(SledStore::open(Path::new(&folder), options()).unwrap());
    say("open".to_owned());
    let keeper = Arc::clone(&store);
    std::thread::spawn(move || {
        for pass in 0.. {
            if keeper
                .upkeep(ServerTime::from_unix_ms(T0 + pass * 1_000))
                .is_err()
            {
                return;
            }
        }
    });
    let mut sequence = held(store.as_ref()).last().copied().unwrap_or(0);
    let mut last_entry = store.ledger(0, usize::MAX).unwrap().len() as u64;
    loop {
        sequence += 1;
        match submit(store.as_ref(), vec![batch(sequence), batch(sequence)]) {
            Ok(outcomes) => assert_eq!(outcomes, [Appended::Stored, Appended::Duplicate]),
            Err(error) => {
                assert!(matches!(error, StoreError::Stopped { .. }), "{error}");
                let next = store.commit(Commit::default()).unwrap_err();
                say(format!("stopped {next}"));
                return;
            }
        }
        say(format!("acked {sequence}"));
        if sequence % 5 == 0 {
            let entry = (last_entry + 1).to_be_bytes().to_vec();
            let commit = Commit {
                ledger: vec![entry],
                documents: Vec::new(),
            };
            if let Ok(number) = store.commit(commit) {
                last_entry = number;
                say(format!("ledger {number}"));
            }
        }
    }
}

fn spawn(folder: &Path, before: &str) -> Child {
    let program = std::env::current_exe().unwrap();
    Command::new("sh")
        .arg("-c")
        .arg(format!(
            "{before} exec \"$0\" child_process --exact --nocapture"
        ))
        .arg(program)
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// What the parent heard.
#[derive(Default)]
struct Heard {
    acked: BTreeSet<u64>,
    ledger: u64,
    stopped: Option<String>,
}

impl Heard {
    fn take(&mut self, line: &str) {
        if let Some(sequence) = line.strip_prefix("acked ") {
            self.acked.insert(sequence.parse().unwrap());
        } else if let Some(number) = line.strip_prefix("ledger ") {
            self.ledger = number.parse().unwrap();
        } else if let Some(why) = line.strip_prefix("stopped ") {
            self.stopped = Some(why.to_owned());
        }
    }
}

#[test]
fn a_killed_process_loses_nothing_and_stores_nothing_twice() {
    let folder = tempfile::tempdir().unwrap();
    let mut heard = Heard::default();
    for round in 0..ROUNDS {
        let mut child = spawn(folder.path(), "");
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        if round % 3 == 2 {
            // Killed at some moment of opening: the spin is short of, at, or past its end.
            while lines.next().unwrap().unwrap() != "opening" {}
            let began = Instant::now();
            while began.elapsed() < Duration::from_micros(700 * (round * 7 % 11)) {
                std::hint::spin_loop();
            }
        } else {
            let wanted = heard.acked.len() + 40 + usize::try_from(round * 37 % 50).unwrap();
            while heard.acked.len() < wanted {
                heard.take(&lines.next().unwrap().unwrap());
            }
        }
        child.kill().unwrap();
        // What was written before the kill was acknowledged too.
        for line in lines {
            heard.take(&line.unwrap());
        }
        child.wait().unwrap();
        let store = SledStore::open(folder.path(), options()).unwrap();
        check(&store, &heard.acked, heard.ledger);
    }
    assert!(heard.acked.len() > 200, "the child got somewhere");
}

#[test]
fn a_full_disk_stops_the_store_and_loses_nothing_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    // Files may not outgrow some 100 KB: writes fail with EFBIG, as they fail with ENOSPC on a full disk.
    let mut child = spawn(folder.path(), "trap '' XFSZ; ulimit -f 160;");
    let mut heard = Heard::default();
    for line in BufReader::new(child.stdout.take().unwrap()).lines() {
        heard.take(&line.unwrap());
    }
    child.wait().unwrap();
    let stopped = heard
        .stopped
        .expect("the child says that its store has stopped");
    assert!(stopped.contains("the store has stopped"), "{stopped}");
    assert!(stopped.contains("restart the service"), "{stopped}");
    assert!(!heard.acked.is_empty());
    let store = SledStore::open(folder.path(), options()).unwrap();
    check(&store, &heard.acked, heard.ledger);
}

fn copy_folder(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_folder(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

#[test]
fn a_power_cut_after_an_answer_loses_nothing_answered() {
    let folder = tempfile::tempdir().unwrap();
    let quiet = Options {
        head_bytes: 1 << 30,
        ..options()
    };
    let live = folder.path().join("live");
    let store = SledStore::open(&live, quiet).unwrap();
    for sequence in 1..=40 {
        submit(&store, vec![batch(sequence)]).unwrap();
    }
    let log = live.join("hot/db");
    let synced = fs::metadata(&log).unwrap().len();
    for sequence in 41..=60 {
        submit(&store, vec![batch(sequence)]).unwrap();
    }
    assert!(
        fs::metadata(&log).unwrap().len() > synced,
        "the log has grown"
    );
    // The log grows at its end while nothing is reclaimed, so cutting it back is what a disk
    // would show that lost everything after the first forty answers.
    let cut = folder.path().join("cut");
    copy_folder(&live, &cut);
    fs::File::options()
        .write(true)
        .open(cut.join("hot/db"))
        .unwrap()
        .set_len(synced)
        .unwrap();
    let after = SledStore::open(&cut, quiet).unwrap();
    check(&after, &(1..=40).collect(), 0);
    // A copy of the moment has all sixty.
    let whole = folder.path().join("whole");
    copy_folder(&live, &whole);
    let after = SledStore::open(&whole, quiet).unwrap();
    check(&after, &(1..=60).collect(), 0);
}
