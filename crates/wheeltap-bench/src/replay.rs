//! How fast history is judged: a rule of three windows over sealed blocks, as `ReplayRule` does it.
//!
//! A store on disk is filled and sealed, then the service's own [`History`] judges it on as many
//! threads as there are cores. Two yardsticks on the same data and as many threads: reading what
//! the rule needs and nothing else, and judging what was read before and nothing else.

use crate::child::own_usage;
use anyhow::Context;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, mpsc};
use std::time::Instant;
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{EffectiveRule, Judgement, UnitContext, UnitJudge, UnitPlan};
use wheeltap_model::{
    Batch, ChannelId, ChannelName, ClassName, Column, EventTime, Series, ServerTime, Unit, UnitId,
};
use wheeltap_rules::{Environment, Rule, compile};
use wheeltap_server::judging::History;
use wheeltap_server::{Settings, Shared, SystemClock};
use wheeltap_store::{Epoch, Incoming, Options, PayloadDigest, SledStore, Store};

/// 1 Hz channels that are stored, with where their values lie and how they are counted.
const CHANNELS: [(&str, f64, f64); 6] = [
    ("engine.speed", 800.0, 0.1),
    ("engine.oil.temperature", 85.0, 0.1),
    ("engine.coolant.temperature", 80.0, 0.1),
    ("engine.oil.pressure", 450.0, 0.1),
    ("traction.power", 2_000.0, 0.1),
    ("fuel.rate", 400.0, 0.1),
];
const CLASS: &str = "Marten";
/// 2026-01-05, a Monday.
const START_MS: i64 = 1_767_571_200_000;
const DAY_MS: i64 = 86_400_000;
/// Event time in a batch while the store is filled.
const BATCH_S: i64 = 3_600;
/// Length of what is read at once by the yardstick.
const READ_MS: i64 = DAY_MS;

const ABOUT: &str = "fn about() { #{ title: \"Bench\", system: \"s\", component: \"c\", priority: \
    \"low\", tick: \"10 s\", on_delay: \"8 min\", off_delay: \"10 min\", cause: \"c\", \
    consequence: \"c\", action: \"a\", respond_within: \"1 d\" } }\n";

/// Rules of three windows; none of them rings much.
const RULES: [(&str, &str); 3] = [
    (
        "three means of 5 min",
        "fn reads() { #{ oil: mean(\"engine.oil.temperature\", \"5 min\"), coolant: \
         mean(\"engine.coolant.temperature\", \"5 min\"), power: mean(\"traction.power\", \"5 min\") } }\n\
         fn tested(seen) { seen.power > 1500.0 && seen.coolant > 70.0 }\n\
         fn raise(seen) { seen.oil - seen.coolant > 18.0 }\n",
    ),
    (
        "mean, slope and quantile of 30 min",
        "fn reads() { #{ oil: quantile(\"engine.oil.temperature\", 0.9, \"30 min\"), coolant: \
         slope(\"engine.coolant.temperature\", \"30 min\"), power: mean(\"traction.power\", \"30 min\") } }\n\
         fn tested(seen) { seen.power > 1500.0 }\n\
         fn raise(seen) { seen.oil > 110.0 && seen.coolant > 0.001 }\n",
    ),
    (
        "means of three lengths of one channel",
        "fn reads() { #{ short: mean(\"engine.oil.temperature\", \"5 min\"), long: \
         mean(\"engine.oil.temperature\", \"1 h\"), day: mean(\"engine.oil.temperature\", \"24 h\") } }\n\
         fn raise(seen) { seen.short - seen.long > 18.0 && seen.short - seen.day > 25.0 }\n",
    ),
];

#[derive(clap::Args)]
pub struct Args {
    /// Units
    #[arg(long, default_value_t = 24)]
    units: usize,
    /// Days of 1 Hz
    #[arg(long, default_value_t = 3)]
    days: i64,
    /// How often each rule is replayed; the median counts
    #[arg(long, default_value_t = 5)]
    rounds: usize,
    /// Only the rule of this place, counted from 1
    #[arg(long)]
    rule: Option<usize>,
}

#[expect(clippy::print_stdout, reason = "the report")]
pub fn run(args: &Args) -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    let options = Options {
        strip_ms: 0,
        linger_ms: 0,
        raw_ms: i64::MAX / 4,
        minute_ms: i64::MAX / 4,
        hour_ms: i64::MAX / 4,
        ..Options::default()
    };
    let store = Arc::new(SledStore::open(&folder.path().join("data"), options)?);
    let shared = Shared::with_catalogue(
        Arc::clone(&store) as Arc<dyn Store>,
        Settings::default(),
        Arc::new(SystemClock),
        catalogue()?,
    )?;
    let units = fill(&shared, args)?;
    let found = store.verify()?;
    let n_threads = std::thread::available_parallelism()?.get();
    println!(
        "{} units, {} days at 1 Hz, {} channels: {} samples in {} blocks, {:.2} bytes a sample; \
         {n_threads} threads",
        args.units,
        args.days,
        CHANNELS.len(),
        found.block_samples,
        found.blocks,
        found.block_bytes as f64 / found.block_samples as f64
    );
    for (place, (name, body)) in (1..).zip(RULES) {
        if args.rule.is_some_and(|only| only != place) {
            continue;
        }
        let rule = compile(
            "bench.rhai",
            &format!("{ABOUT}{body}"),
            &Environment::new(&shared.catalogue),
        );
        let rule = Arc::new(rule.map_err(|all| {
            let all: Vec<String> = all.iter().map(ToString::to_string).collect();
            anyhow::anyhow!("{name}: {}", all.join("\n"))
        })?);
        let used_before = own_usage().cpu_s;
        let (n_samples, n_alerts, replayed) = replay(&shared, &rule, &units, args)?;
        let cpu_s = own_usage().cpu_s - used_before;
        let per_core = (n_samples * args.rounds as u64) as f64 / cpu_s / 1e6;
        let plan = plan(&shared, &rule, &units[0])?;
        let (read, judged) = yardsticks(&shared, &plan, &units, args, n_threads)?;
        println!(
            "{name}: {n_samples} samples, {n_alerts} alerts: {:.1} M samples/s (least {:.1}, most \
             {:.1}), {per_core:.1} for each second of a core; reading alone {read:.1}, judging alone \
             {judged:.1}",
            replayed[replayed.len() / 2],
            replayed[0],
            replayed[replayed.len() - 1],
        );
    }
    Ok(())
}

fn catalogue() -> anyhow::Result<Catalogue> {
    let mut text =
        format!("[[class]]\nname = \"{CLASS}\"\ntitle = \"A class for benches\"\naxles = 6\n");
    for (name, _, _) in CHANNELS {
        write!(text, "[[channel]]\nname = \"{name}\"\ninterval = \"1 s\"\n")?;
    }
    Catalogue::with_files(&[("bench.toml".to_owned(), text)]).map_err(|problems| {
        let problems: Vec<String> = problems.iter().map(ToString::to_string).collect();
        anyhow::anyhow!(problems.join("\n"))
    })
}

/// Stores and seals days of all units.
fn fill(shared: &Shared, args: &Args) -> anyhow::Result<Vec<UnitId>> {
    let store = &shared.store;
    let mut channels = Vec::new();
    for (name, base, step) in CHANNELS {
        let (id, _) = shared
            .catalogue
            .channel(&ChannelName::new(name)?)
            .with_context(|| format!("{name} is in the catalogue"))?;
        channels.push((id, base, step));
    }
    let mut units = Vec::new();
    for number in 0..args.units {
        let id = UnitId::new(&format!("ZVR {number:05}"))?;
        shared.fleet.create(
            Unit {
                id: id.clone(),
                road_number: String::new(),
                class: ClassName::new(CLASS)?,
                commissioned: EventTime::from_unix_ms(0),
            },
            Vec::new(),
        )?;
        units.push(id);
    }
    let mut walks = vec![0_i32; args.units * channels.len()];
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    for hour in 0..args.days * DAY_MS / (BATCH_S * 1_000) {
        let first_ms = START_MS + hour * BATCH_S * 1_000;
        let times_ms: Arc<[i64]> = (0..BATCH_S).map(|s| first_ms + s * 1_000).collect();
        let mut batches = Vec::new();
        for (number, unit) in units.iter().enumerate() {
            let mut columns = Vec::new();
            for (idx, (channel, base, step)) in channels.iter().enumerate() {
                let walk = &mut walks[number * channels.len() + idx];
                let values = times_ms.iter().map(|_| {
                    // xorshift64; most seconds change little, as measurements do.
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    let drawn = i32::try_from(state % 5).unwrap_or(0) - 2;
                    *walk = (*walk + drawn).clamp(-300, 300);
                    ((base / step).round() + f64::from(*walk)) * step
                });
                columns.push(Column {
                    channel: *channel,
                    values: values.collect(),
                    times_ms: Arc::clone(&times_ms),
                    qualities: Vec::new(),
                });
            }
            let sequence = u64::try_from(hour + 1)?;
            batches.push(Incoming {
                unit: unit.clone(),
                epoch: Epoch([1; 16]),
                sequence,
                digest: PayloadDigest((u128::from(sequence) * 0x9e37_79b9_7f4a_7c15).to_be_bytes()),
                received_at: ServerTime::from_unix_ms(first_ms),
                batch: Arc::new(Batch {
                    columns,
                    ..Batch::default()
                }),
            });
        }
        let (sender, receiver) = mpsc::channel();
        store.submit(batches, Box::new(move |outcome| drop(sender.send(outcome))));
        receiver.recv()??;
        store.upkeep(ServerTime::from_unix_ms(first_ms))?;
    }
    // Long after the period has ended the rest is sealed too.
    let much_later = ServerTime::from_unix_ms(START_MS + (args.days + 60) * DAY_MS);
    while store.upkeep(much_later)? != wheeltap_store::Upkeep::default() {}
    Ok(units)
}

/// Samples read, alerts, and millions of samples a second of every round, ascending.
fn replay(
    shared: &Shared,
    rule: &Arc<Rule>,
    units: &[UnitId],
    args: &Args,
) -> anyhow::Result<(u64, usize, Vec<f64>)> {
    let mut rates = Vec::new();
    let (mut n_samples, mut n_alerts) = (0, 0);
    for _ in 0..args.rounds {
        let history = History {
            rule: Arc::clone(rule),
            against: None,
            variants: Vec::new(),
            from: EventTime::from_unix_ms(START_MS),
            until: EventTime::from_unix_ms(START_MS + args.days * DAY_MS),
            classes: wheeltap_server::judging::Classes::new(),
            units: units.to_vec(),
        };
        (n_samples, n_alerts) = (0, 0);
        let began = Instant::now();
        let done = history.run(shared, |progress| {
            n_samples = progress.n_read;
            n_alerts += progress.occurrences.len();
            true
        })?;
        anyhow::ensure!(done.is_complete, "nobody ended it");
        rates.push(n_samples as f64 / began.elapsed().as_secs_f64() / 1e6);
    }
    rates.sort_by(f64::total_cmp);
    Ok((n_samples, n_alerts, rates))
}

fn plan(shared: &Shared, rule: &Arc<Rule>, unit: &UnitId) -> anyhow::Result<Arc<UnitPlan>> {
    let class = ClassName::new(CLASS)?;
    let rules = [EffectiveRule::always(Arc::clone(rule))];
    let catalogue = &shared.catalogue;
    let def = catalogue.class(&class);
    let plan = UnitPlan::new(&rules, unit, Some(&class), def, catalogue);
    Ok(Arc::new(plan))
}

type Days = Vec<(ChannelId, Series)>;

/// Millions of samples a second of reading alone and of judging alone.
fn yardsticks(
    shared: &Shared,
    plan: &Arc<UnitPlan>,
    units: &[UnitId],
    args: &Args,
    n_threads: usize,
) -> anyhow::Result<(f64, f64)> {
    let read = |unit: &UnitId, day: i64| -> anyhow::Result<Days> {
        let from = EventTime::from_unix_ms(START_MS + day * READ_MS);
        let to = from.plus_ms(READ_MS - 1);
        let channels = plan.channels().iter().map(|channel| {
            let series = shared.store.read(unit, *channel, from, to, usize::MAX)?;
            anyhow::Ok((*channel, series))
        });
        channels.collect()
    };
    let days = args.days * DAY_MS / READ_MS;
    let reading = on_threads(n_threads, units.len(), |idx| {
        let mut n_samples = 0;
        for day in 0..days {
            let read = std::hint::black_box(read(&units[idx], day)?);
            n_samples += read
                .iter()
                .map(|(_, series)| series.len() as u64)
                .sum::<u64>();
        }
        Ok(n_samples)
    })?;
    let mut kept = Vec::new();
    for unit in units {
        let days: anyhow::Result<Vec<Days>> = (0..days).map(|day| read(unit, day)).collect();
        kept.push(days?);
    }
    let judging = on_threads(n_threads, units.len(), |idx| {
        let mut judge = UnitJudge::new(Arc::clone(plan), Arc::new(UnitContext::default()));
        let mut judgement = Judgement::default();
        let mut n_samples = 0;
        for day in &kept[idx] {
            for (channel, series) in day {
                judge.feed_series(*channel, series);
                n_samples += series.len() as u64;
            }
            judge.judge(&mut judgement);
        }
        std::hint::black_box(judgement.changes.len());
        Ok(n_samples)
    })?;
    Ok((reading, judging))
}

/// Runs `work` for every index on so many threads; millions of samples a second.
fn on_threads(
    n_threads: usize,
    n_items: usize,
    work: impl Fn(usize) -> anyhow::Result<u64> + Sync,
) -> anyhow::Result<f64> {
    let (next, n_samples) = (AtomicUsize::new(0), AtomicU64::new(0));
    let began = Instant::now();
    std::thread::scope(|scope| {
        let threads: Vec<_> = (0..n_threads)
            .map(|_| {
                scope.spawn(|| {
                    loop {
                        let idx = next.fetch_add(1, Ordering::Relaxed);
                        if idx >= n_items {
                            return anyhow::Ok(());
                        }
                        n_samples.fetch_add(work(idx)?, Ordering::Relaxed);
                    }
                })
            })
            .collect();
        threads.into_iter().try_for_each(|thread| {
            thread
                .join()
                .unwrap_or_else(|_| anyhow::bail!("a thread panicked"))
        })
    })?;
    Ok(n_samples.load(Ordering::Relaxed) as f64 / began.elapsed().as_secs_f64() / 1e6)
}
