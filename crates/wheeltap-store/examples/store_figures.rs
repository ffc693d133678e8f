//! What the store costs: bytes a sample in sealed blocks, samples a second with every commit
//! synced, memory, and the time to open a folder again.
//!
//! `cargo run --release -p wheeltap-store --example store_figures -- TELEMETRY.csv.gz MILLIONS [noise]`
//!
//! The file is a table with a row a second whose columns are channels; those named in `COLUMNS` are
//! taken (the hydraulic rig of the open data has them). MILLIONS of samples are then
//! appended from 2,000 units with 10 channels each; `noise` makes their values incompressible.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use std::error::Error;
use std::fs::File;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};
use wheeltap_model::{Batch, ChannelId, ChannelName, Column, EventTime, ServerTime, UnitId};
use wheeltap_store::{Epoch, Incoming, Options, PayloadDigest, SledStore, Store};

const COLUMNS: [&str; 8] = ["TS1", "TS2", "TS3", "TS4", "VS1", "CE", "CP", "SE"];
const UNITS: u32 = 2_000;
const CHANNELS: u32 = 10;
/// Samples of one channel in one batch; a batch is a second of a unit.
const PER_BATCH: i64 = 25;
const SEED: u64 = 7;
const T0: i64 = 1_767_571_200_000;

type Failure = Box<dyn Error + Send + Sync>;

fn submit_and_wait(store: &SledStore, batches: Vec<Incoming>) -> Result<(), Failure> {
    let (sender, receiver) = mpsc::channel();
    store.submit(batches, Box::new(move |outcome| drop(sender.send(outcome))));
    receiver.recv()??;
    Ok(())
}

fn incoming(unit: &UnitId, sequence: u64, columns: Vec<Column>) -> Incoming {
    Incoming {
        unit: unit.clone(),
        epoch: Epoch([1; 16]),
        sequence,
        digest: PayloadDigest((u128::from(sequence) * 0x9e37_79b9_7f4a_7c15).to_be_bytes()),
        received_at: ServerTime::from_unix_ms(T0),
        batch: Arc::new(Batch {
            columns,
            ..Batch::default()
        }),
    }
}

fn sealed_size(table: &Path) -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let options = Options {
        strip_ms: 0,
        linger_ms: 0,
        raw_ms: i64::MAX / 4,
        minute_ms: i64::MAX / 4,
        hour_ms: i64::MAX / 4,
        ..Options::default()
    };
    let store = SledStore::open(folder.path(), options)?;
    let mut reader =
        csv::Reader::from_reader(flate2::read::MultiGzDecoder::new(File::open(table)?));
    let headers = reader.headers()?.clone();
    let wanted: Vec<usize> = COLUMNS
        .iter()
        .map(|name| {
            headers
                .iter()
                .position(|header| header == *name)
                .ok_or_else(|| format!("{} has no column {name}", table.display()))
        })
        .collect::<Result<_, _>>()?;
    let mut columns: Vec<Vec<f64>> = vec![Vec::new(); wanted.len()];
    for record in reader.records() {
        let record = record?;
        for (column, idx) in columns.iter_mut().zip(&wanted) {
            column.push(record.get(*idx).unwrap_or_default().trim().parse()?);
        }
    }
    let n_rows = columns[0].len();
    let names: Vec<ChannelName> = COLUMNS
        .iter()
        .map(|name| ChannelName::new(&name.to_lowercase()))
        .collect::<Result<_, _>>()?;
    let ids = store.channel_ids(&names)?;
    let unit = UnitId::new("ZVR 4117")?;
    let mut second = T0;
    for (sequence, start) in (1..).zip((0..n_rows).step_by(600)) {
        let end = n_rows.min(start + 600);
        let times: Arc<[i64]> = (start..end)
            .map(|_| {
                second += 1_000;
                second
            })
            .collect();
        let batch = ids
            .iter()
            .zip(&columns)
            .map(|(id, values)| Column {
                channel: *id,
                times_ms: Arc::clone(&times),
                values: values[start..end].to_vec(),
                qualities: Vec::new(),
            })
            .collect();
        submit_and_wait(&store, vec![incoming(&unit, sequence, batch)])?;
        store.upkeep(ServerTime::from_unix_ms(second))?;
    }
    // Long after the period has ended the rest is sealed too.
    store.upkeep(ServerTime::from_unix_ms(second + 30 * 86_400_000))?;
    let found = store.verify()?;
    assert!(found.bad.is_empty(), "{:?}", found.bad);
    let per_sample = found.block_bytes as f64 / found.block_samples as f64;
    println!(
        "sealed blocks, {} columns at 1 Hz: {} samples in {} blocks, {} bytes: {per_sample:.3} bytes a sample",
        COLUMNS.len(),
        found.block_samples,
        found.blocks,
        found.block_bytes
    );
    Ok(())
}

fn resident_peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM"));
    let kib = line.and_then(|line| line.split_whitespace().nth(1)?.parse::<u64>().ok());
    kib.unwrap_or_default() / 1024
}

/// One second of every unit, as jobs of 20 units.
fn second_of_all(
    second: u64,
    noise: bool,
    rng: &mut ChaCha8Rng,
    units: &[UnitId],
) -> Vec<Vec<Incoming>> {
    let start = T0 + i64::try_from(second).unwrap_or_default() * 1_000;
    let batches: Vec<Incoming> = units
        .iter()
        .map(|unit| {
            let times: Arc<[i64]> = (0..PER_BATCH).map(|idx| start + idx * 40).collect();
            let columns = (0..CHANNELS)
                .map(|channel| {
                    let mut level = f64::from(channel) * 20.0 + f64::from(rng.next_u32() % 50);
                    let values = (0..PER_BATCH)
                        .map(|_| {
                            if noise {
                                return f64::from(rng.next_u32()) / 3.0e7
                                    + f64::from(rng.next_u32()) * 1e-12;
                            }
                            level += f64::from(rng.next_u32() % 5) - 2.0;
                            level / 10.0
                        })
                        .collect();
                    Column {
                        channel: ChannelId(channel + 1),
                        times_ms: Arc::clone(&times),
                        values,
                        qualities: Vec::new(),
                    }
                })
                .collect();
            incoming(unit, second + 1, columns)
        })
        .collect();
    let mut jobs = Vec::new();
    let mut batches = batches.into_iter().peekable();
    while batches.peek().is_some() {
        jobs.push(batches.by_ref().take(20).collect());
    }
    jobs
}

fn append(folder: &Path, millions: u64, noise: bool) -> Result<(), Failure> {
    let options = Options {
        raw_ms: i64::MAX / 4,
        minute_ms: i64::MAX / 4,
        hour_ms: i64::MAX / 4,
        ..Options::default()
    };
    let store = Arc::new(SledStore::open(folder, options)?);
    let units: Vec<UnitId> = (0..UNITS)
        .map(|number| UnitId::new(&format!("ZVR {number}")))
        .collect::<Result<_, _>>()?;
    let a_second = u64::from(UNITS * CHANNELS) * PER_BATCH.unsigned_abs();
    let n_seconds = (millions * 1_000_000).div_ceil(a_second);
    // Batches are made beside the timed part, a bounded stretch ahead of it.
    let (sender, receiver) = mpsc::sync_channel::<Vec<Vec<Incoming>>>(2);
    let maker = std::thread::spawn(move || {
        let mut rng = ChaCha8Rng::seed_from_u64(SEED);
        for second in 0..n_seconds {
            if sender
                .send(second_of_all(second, noise, &mut rng, &units))
                .is_err()
            {
                return;
            }
        }
    });
    let second_now = Arc::new(AtomicU64::new(0));
    let ended = Arc::new(AtomicBool::new(false));
    let keeper = {
        let (store, second_now, ended) = (
            Arc::clone(&store),
            Arc::clone(&second_now),
            Arc::clone(&ended),
        );
        std::thread::spawn(move || -> Result<(Duration, u64), Failure> {
            let (mut longest, mut n_sealed) = (Duration::ZERO, 0);
            while !ended.load(Ordering::Relaxed) {
                std::thread::park_timeout(Duration::from_secs(1));
                let now = T0 + i64::try_from(second_now.load(Ordering::Relaxed))? * 1_000;
                let began = Instant::now();
                n_sealed += store.upkeep(ServerTime::from_unix_ms(now))?.blocks_sealed;
                longest = longest.max(began.elapsed());
            }
            Ok((longest, n_sealed))
        })
    };
    let (told, answers) = mpsc::channel();
    let began = Instant::now();
    for (second, jobs) in (0..).zip(receiver) {
        second_now.store(second, Ordering::Relaxed);
        for job in jobs {
            let (sent, told) = (Instant::now(), told.clone());
            store.submit(
                job,
                Box::new(move |outcome| {
                    assert!(outcome.is_ok(), "{outcome:?}");
                    let _ = told.send(sent.elapsed());
                }),
            );
        }
    }
    drop(told);
    // Ends when the last answer has been given.
    let mut latencies: Vec<Duration> = answers.iter().collect();
    let took = began.elapsed();
    ended.store(true, Ordering::Relaxed);
    maker.join().map_err(|_| "the maker panicked")?;
    let (longest, n_sealed) = keeper.join().map_err(|_| "the keeper panicked")??;
    latencies.sort_unstable();
    let figures = store.figures()?;
    println!(
        "append: {} samples in {:.1} s: {:.0} samples/s, {} commits, submit to durable p50 {:.1?} p99 {:.1?}, \
         longest upkeep {longest:.2?}, {n_sealed} blocks sealed, peak memory {} MiB, disk {} MB, blob files {}",
        figures.samples_stored,
        took.as_secs_f64(),
        figures.samples_stored as f64 / took.as_secs_f64(),
        figures.commits,
        latencies[latencies.len() / 2],
        latencies[latencies.len() * 99 / 100],
        resident_peak_mib(),
        figures.disk_bytes / 1_000_000,
        figures.blob_files,
    );
    let began = Instant::now();
    drop(store);
    println!("close: {:.2?}", began.elapsed());
    reopen(folder, options, u64::try_from(PER_BATCH)? * n_seconds)
}

fn reopen(folder: &Path, options: Options, held: u64) -> Result<(), Failure> {
    let began = Instant::now();
    let store = SledStore::open(folder, options)?;
    println!("open: {:.2?}", began.elapsed());
    let began = Instant::now();
    let unit = UnitId::new("ZVR 7")?;
    let all = (
        EventTime::from_unix_ms(0),
        EventTime::from_unix_ms(i64::MAX),
    );
    let series = store.read(&unit, ChannelId(3), all.0, all.1, usize::MAX)?;
    println!(
        "first read: {} samples in {:.2?}",
        series.len(),
        began.elapsed()
    );
    assert_eq!(series.len() as u64, held, "every sample is there");
    Ok(())
}

fn main() -> Result<(), Failure> {
    let mut args = std::env::args().skip(1);
    let usage = "store_figures TELEMETRY.csv.gz MILLIONS [noise] [FOLDER]";
    let table = args.next().ok_or(usage)?;
    let millions = args.next().ok_or(usage)?.parse()?;
    let noise = args.next().is_some_and(|word| word == "noise");
    sealed_size(Path::new(&table))?;
    let folder = tempfile::tempdir()?;
    append(folder.path(), millions, noise)
}
