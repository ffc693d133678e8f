//! How many samples a second go through, and how long an alert takes.
//!
//! Batches come at a fixed rate whatever the service does; a delay is counted from when a batch was
//! to be sent, so that a stall counts for all that had to wait behind it. The alert is raised by the
//! batch's 30th second, so the delay covers sending, fsync, judging, the ledger's commit and the
//! watch.

use crate::child::{Serving, own_usage};
use crate::fleet::{self, BATCH_S, BATCH_SAMPLES, LOAD, Maker, PROBE_RULE};
use crate::yardstick;
use anyhow::Context;
use futures::StreamExt;
use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tokio::sync::oneshot;
use wheeltap_client::{
    Connection, Gateway, GatewayEvent, GatewayOptions, MemorySpool, Source, WatchItem, connect,
    watch_alerts,
};
use wheeltap_proto::v1;

/// Payload bytes that a unit's spool holds before its producer waits: about ten batches.
const SPOOL_BYTES: u64 = 64 * 1_024;
/// How long after the last batch alerts are still waited for.
const PATIENCE: Duration = Duration::from_secs(30);
/// How often the rate so far is printed.
const REPORT_EVERY: Duration = Duration::from_secs(10);

#[derive(clap::Args)]
pub struct Args {
    /// How long to send, seconds
    #[arg(long, default_value_t = 60)]
    seconds: u64,
    /// Samples a second that are to be sent; 0 is as fast as they are taken
    #[arg(long, default_value_t = 500_000)]
    rate: u64,
    /// Units
    #[arg(long, default_value_t = 2_000)]
    units: usize,
    /// Gateways, each with a connection and an equal share of the units
    #[arg(long, default_value_t = 4)]
    gateways: usize,
    /// How long the yardstick runs, seconds
    #[arg(long, default_value_t = 5)]
    yardstick_seconds: u64,
}

/// An alert that must come: unit and event time.
type Due = (String, i64);

#[derive(Default)]
struct Delays {
    /// Alerts sent and not seen yet, with when their batch was to be sent.
    waiting: HashMap<Due, Instant>,
    seen: Vec<Duration>,
    n_other: u64,
    /// Longest delay since it was last printed.
    longest_lately: Duration,
}

fn lock(delays: &Mutex<Delays>) -> std::sync::MutexGuard<'_, Delays> {
    delays.lock().unwrap_or_else(PoisonError::into_inner)
}

#[expect(clippy::print_stdout, reason = "the report")]
pub async fn run(args: &Args) -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    let config = fleet::write_config(folder.path(), "127.0.0.1:0", args.units)?;
    let config = config.to_string_lossy().into_owned();
    let serving = Serving::start(&["serve", "--config", &config]).await?;
    let connection = connect(&serving.address).await?;
    let n_live = live_rules(&connection).await?;
    println!(
        "{} units, {LOAD}, {n_live} live rules, {} gateways, {} s at {} samples/s",
        args.units,
        args.gateways,
        args.seconds,
        if args.rate == 0 {
            "most".to_owned()
        } else {
            args.rate.to_string()
        }
    );

    let delays = Arc::new(Mutex::new(Delays::default()));
    let (begin, started_watching) = oneshot::channel();
    let watching = tokio::spawn(watch(connection.clone(), Arc::clone(&delays), begin));
    started_watching.await.context("the watch did not begin")?;
    let senders = Senders::start(&serving.address, args).await?;

    let (own_before, served_before) = (own_usage(), serving.usage());
    let started = Instant::now();
    let length = Duration::from_secs(args.seconds);
    let producers: Vec<_> = senders
        .sources
        .into_iter()
        .map(|mine| {
            let rate = args.rate as f64 / args.gateways as f64 / BATCH_SAMPLES as f64;
            tokio::spawn(produce(mine, rate, started, length, Arc::clone(&delays)))
        })
        .collect();
    let mut reports = tokio::time::interval_at((started + REPORT_EVERY).into(), REPORT_EVERY);
    let mut n_before = 0;
    while started.elapsed() + REPORT_EVERY / 2 < length {
        reports.tick().await;
        let n_now = senders.n_stored.load(Ordering::Relaxed);
        let rate = (n_now - n_before) * BATCH_SAMPLES / REPORT_EVERY.as_secs();
        println!(
            "{:>4} s  {rate:>9} samples/s  {:>5} MiB  longest delay {:>5} ms",
            started.elapsed().as_secs(),
            serving.usage().peak_bytes >> 20,
            std::mem::take(&mut lock(&delays).longest_lately).as_millis()
        );
        n_before = n_now;
    }
    for producer in producers {
        producer.await??;
    }
    let sent_for = started.elapsed();
    let n_in_time = senders.n_stored.load(Ordering::Relaxed);
    for gateway in &senders.gateways {
        gateway.drained().await;
    }
    let patience = Instant::now() + PATIENCE;
    while !lock(&delays).waiting.is_empty() && Instant::now() < patience {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let (own, served) = (own_usage(), serving.usage());
    watching.abort();
    for gateway in senders.gateways {
        gateway.stop().await;
    }

    let rate = (n_in_time * BATCH_SAMPLES) as f64 / sent_for.as_secs_f64();
    println!(
        "acknowledged after fsync: {rate:.0} samples/s over {:.1} s",
        sent_for.as_secs_f64()
    );
    println!(
        "service: {} MiB at most, {:.2} cores; senders: {:.2} cores",
        served.peak_bytes >> 20,
        (served.cpu_s - served_before.cpu_s) / sent_for.as_secs_f64(),
        (own.cpu_s - own_before.cpu_s) / sent_for.as_secs_f64()
    );
    report_delays(&mut lock(&delays));
    let n_troubles = senders.n_troubles.load(Ordering::Relaxed);
    if n_troubles > 0 {
        println!("{n_troubles} batches or streams had trouble");
    }
    serving.kill().await?;

    let bare = yardstick::measure(Duration::from_secs(args.yardstick_seconds)).await?;
    println!("yardstick: {bare:.0} samples/s of the same bytes over one bare stream");
    Ok(())
}

/// Gateways with their sources, and what they were told.
struct Senders {
    gateways: Vec<Gateway>,
    /// Of each gateway.
    sources: Vec<Vec<(Source, Maker)>>,
    n_stored: Arc<AtomicU64>,
    n_troubles: Arc<AtomicU64>,
}

impl Senders {
    async fn start(address: &str, args: &Args) -> anyhow::Result<Self> {
        let mut senders = Self {
            gateways: Vec::new(),
            sources: Vec::new(),
            n_stored: Arc::default(),
            n_troubles: Arc::default(),
        };
        let now_ms = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis())?;
        // A day back, so that event time, which runs faster here, stays behind the server's clock.
        let minute_ms = BATCH_S * 1_000;
        let start_ms = (now_ms - 86_400_000) / minute_ms * minute_ms;
        for gateway_idx in 0..args.gateways {
            let stored = Arc::clone(&senders.n_stored);
            let troubles = Arc::clone(&senders.n_troubles);
            let on_event = move |event| match event {
                GatewayEvent::Stored { .. } => {
                    stored.fetch_add(1, Ordering::Relaxed);
                }
                GatewayEvent::Welcomed { .. } => {}
                _ => {
                    troubles.fetch_add(1, Ordering::Relaxed);
                }
            };
            let connection = connect(address).await?;
            let gateway = Gateway::start(connection, GatewayOptions::default(), on_event);
            let mut mine = Vec::new();
            for number in (gateway_idx..args.units).step_by(args.gateways) {
                let source = gateway.add(fleet::unit(number), MemorySpool::new(SPOOL_BYTES))?;
                mine.push((source, Maker::new(number, start_ms)?));
            }
            senders.gateways.push(gateway);
            senders.sources.push(mine);
        }
        Ok(senders)
    }
}

async fn live_rules(connection: &Connection) -> anyhow::Result<usize> {
    let mut rules = connection.list_rules();
    let mut n_live = 0;
    while let Some(rule) = rules.next().await {
        n_live += usize::from(rule?.stage() == v1::RuleStage::Live);
    }
    Ok(n_live)
}

/// Notes when alerts come; tells `begin` once the watch has begun.
async fn watch(
    connection: Connection,
    delays: Arc<Mutex<Delays>>,
    begin: oneshot::Sender<()>,
) -> anyhow::Result<()> {
    let filter = v1::AlertFilter {
        rule: format!("rules/{PROBE_RULE}"),
        ..v1::AlertFilter::default()
    };
    let mut items = watch_alerts(&connection, filter, None);
    let first = items.next().await.context("the watch ended")??;
    anyhow::ensure!(matches!(first, WatchItem::UpToDate { .. }), "{first:?}");
    // The other side waits for nothing else.
    let _ = begin.send(());
    while let Some(item) = items.next().await {
        let WatchItem::Change { kind, alert, .. } = item? else {
            continue;
        };
        let now = Instant::now();
        let mut delays = lock(&delays);
        match delays.waiting.remove(&(alert.unit, alert.raised_unix_ms)) {
            Some(sent) => {
                delays.seen.push(now - sent);
                delays.longest_lately = delays.longest_lately.max(now - sent);
            }
            None if kind == v1::alert_change::Kind::Raised => delays.n_other += 1,
            None => {}
        }
    }
    Ok(())
}

/// Sends the units' batches in turn, so many a second, until the time is up.
async fn produce(
    mut sources: Vec<(Source, Maker)>,
    batches_per_s: f64,
    started: Instant,
    length: Duration,
    delays: Arc<Mutex<Delays>>,
) -> anyhow::Result<()> {
    let n_sources = sources.len();
    for n_made in 0_u32.. {
        let due = if batches_per_s > 0.0 {
            started + Duration::from_secs_f64(f64::from(n_made) / batches_per_s)
        } else {
            Instant::now()
        };
        if due >= started + length || Instant::now() >= started + length {
            break;
        }
        tokio::time::sleep_until(due.into()).await;
        let (source, maker) = &mut sources[usize::try_from(n_made)? % n_sources];
        let made = maker.next()?;
        if let Some(at_ms) = made.raises_at_ms {
            let unit = format!("units/{}", source.unit());
            lock(&delays).waiting.insert((unit, at_ms), due);
        }
        source.append(vec![made.batch]).await?;
    }
    Ok(())
}

#[expect(clippy::print_stdout, reason = "the report")]
fn report_delays(delays: &mut Delays) {
    delays.seen.sort_unstable();
    let seen = &delays.seen;
    let at = |share_per_mille: usize| {
        seen.get(seen.len() * share_per_mille / 1_000)
            .or(seen.last())
            .copied()
            .unwrap_or_default()
            .as_millis()
    };
    println!(
        "from intended send to the watcher's alert: p50 {} ms, p99 {} ms, p99.9 {} ms, max {} ms \
         of {} alerts; {} did not come, {} others came",
        at(500),
        at(990),
        at(999),
        at(1_000),
        seen.len(),
        delays.waiting.len(),
        delays.n_other
    );
}
