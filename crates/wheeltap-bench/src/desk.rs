//! How long people wait at the desk: until the board shows with thousands of standing alerts, until
//! hundreds of watchers have each heard of an alert, until a page shows what was sent just now, and until a
//! unit's page shows a year.
//!
//! Alerts are raised by telemetry of simulated gateways, at a fixed rate; delays count from when a batch was
//! due to be sent. Pages are measured in Chromium, from the browser's own clock.

use crate::child::{Serving, own_usage};
use crate::fleet;
use anyhow::Context;
use futures::StreamExt;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tokio::sync::Barrier;
use wheeltap_client::{
    BatchBuilder, Gateway, GatewayOptions, MemorySpool, Packing, Source, WatchItem, connect,
    watch_alerts,
};
use wheeltap_model::{Batch, ChannelName, Column, ServerTime};
use wheeltap_proto::v1;
use wheeltap_server::{Settings, Shared, SystemClock};
use wheeltap_store::{Epoch, Incoming, Options, PayloadDigest, SledStore, Upkeep};
use wheeltap_tests::browser::{Browser, Tab};

/// Asked for.
const FIRST_PAINT: Duration = Duration::from_secs(1);
const NEWS_P99: Duration = Duration::from_secs(1);
const YEAR_PAGE: Duration = Duration::from_millis(500);

const SLOW_CHANNEL: &str = "engine.crankcase.pressure";
const SOON_CHANNEL: &str = "fuel.pressure";
/// Seconds of event time in a batch, one sample a second.
const BATCH_S: i64 = 10;
const CONNECTIONS: usize = 5;
/// An alert that comes later after the one before it is lost.
const LONGEST_WAIT: Duration = Duration::from_mins(1);
const DAY_MS: i64 = 86_400_000;
/// Channels of the year, with where their values lie.
const YEAR: [(&str, f64); 3] = [
    ("engine.coolant.temperature", 80.0),
    ("engine.oil.temperature", 85.0),
    ("traction.power", 2_000.0),
];

#[derive(clap::Args)]
pub struct Args {
    /// Alerts that are to stand; 0 leaves board and watchers out
    #[arg(long, default_value_t = 5_000)]
    alerts: usize,
    /// Alerts raised a second
    #[arg(long, default_value_t = 100)]
    rate: u32,
    /// Watchers, each of all alerts
    #[arg(long, default_value_t = 500)]
    watchers: usize,
    /// Alerts that must show on the open board, five a second
    #[arg(long, default_value_t = 100)]
    news: usize,
    /// Days of 1 Hz of the unit whose page is opened; 0 leaves it out
    #[arg(long, default_value_t = 365)]
    days: i64,
}

#[expect(clippy::print_stdout, reason = "the report")]
pub async fn run(args: Args) -> anyhow::Result<bool> {
    let browser = tokio::task::spawn_blocking(Browser::start).await?;
    let Some(browser) = browser.map(Arc::new) else {
        println!("pages cannot be measured: there is no Chromium");
        return Ok(false);
    };
    let mut holds = true;
    if args.alerts > 0 {
        let folder = tempfile::tempdir()?;
        let config = config(folder.path(), &args)?;
        let serving = Serving::start(&["serve", "--config", &config]).await?;
        holds &= watched(&serving, &args).await?;
        holds &= board(&serving, &browser, &args).await?;
        println!("service: {} MiB at most", serving.usage().peak_bytes >> 20);
        serving.kill().await?;
    }
    if args.days > 0 {
        holds &= year(&browser, args.days).await?;
    }
    Ok(holds)
}

fn rule(title: &str, channel: &str, limit: f64, within: &str) -> String {
    format!(
        "fn about() {{ #{{ title: \"{title}\", system: \"engine\", component: \"{title}\", priority: \
         \"medium\", tick: \"1 s\", cause: \"A bench.\", consequence: \"None.\", action: \"None.\", \
         respond_within: \"{within}\" }} }}\nfn reads() {{ #{{ x: last(\"{channel}\", \"5 s\") }} }}\n\
         fn raise(seen) {{ seen.x > {limit:?} }}\n"
    )
}

fn config(folder: &Path, args: &Args) -> anyhow::Result<String> {
    let config = fleet::write_config(folder, "127.0.0.1:0", args.alerts)?;
    let rules = folder.join("rules");
    fs::remove_dir_all(&rules)?;
    fs::create_dir_all(&rules)?;
    fs::write(
        rules.join("slow.rhai"),
        rule("Slow", SLOW_CHANNEL, 1.0, "1 d"),
    )?;
    fs::write(
        rules.join("soon.rhai"),
        rule("Soon", SOON_CHANNEL, 800.0, "10 min"),
    )?;
    let mut text = fs::read_to_string(&config)?;
    writeln!(text, "[limits]\nwatchers = {}", args.watchers + 10)?;
    fs::write(&config, text)?;
    Ok(config.to_string_lossy().into_owned())
}

fn unix_ms() -> anyhow::Result<i64> {
    let now = SystemTime::now().duration_since(UNIX_EPOCH)?;
    Ok(i64::try_from(now.as_millis())?)
}

/// Sends ten seconds in which a channel is high, for one unit after the other; gives when each was due.
async fn send(
    sources: &[Source],
    channel: &str,
    value: f64,
    per_second: u32,
) -> anyhow::Result<Vec<(Instant, i64)>> {
    let channel = ChannelName::new(channel)?;
    let (started, started_ms) = (Instant::now(), unix_ms()?);
    let mut sent = Vec::with_capacity(sources.len());
    let mut builder = BatchBuilder::new(Packing::Plain);
    for (idx, source) in (0_u32..).zip(sources) {
        let after = Duration::from_secs_f64(f64::from(idx) / f64::from(per_second));
        let due = started + after;
        tokio::time::sleep_until(due.into()).await;
        let last_ms = unix_ms()? / 1_000 * 1_000 - 1_000;
        let times: Vec<i64> = (1 - BATCH_S..=0).map(|s| last_ms + s * 1_000).collect();
        let values = vec![value; times.len()];
        builder.samples(&channel, "", &times, &values, &[])?;
        source.append(builder.build()?).await?;
        sent.push((due, started_ms + i64::try_from(after.as_millis())?));
    }
    Ok(sent)
}

/// What one watcher saw: numbers of alerts in the order in which they came, and when.
type Seen = Vec<(u64, usize, Instant)>;

async fn follow(
    connection: wheeltap_client::Connection,
    barrier: Arc<Barrier>,
    n: usize,
) -> anyhow::Result<Seen> {
    let mut items = watch_alerts(&connection, v1::AlertFilter::default(), None);
    let first = items.next().await.context("the watch ended")??;
    anyhow::ensure!(matches!(first, WatchItem::UpToDate { .. }), "{first:?}");
    barrier.wait().await;
    let mut seen: Seen = Vec::with_capacity(n);
    while seen.len() < n {
        let last = seen.last().map_or_else(Instant::now, |(_, _, at)| *at);
        let item = tokio::time::timeout_at((last + LONGEST_WAIT).into(), items.next()).await;
        let item = item.with_context(|| format!("after {} of {n} alerts none came", seen.len()))?;
        let item = item.context("the watch ended")??;
        let WatchItem::Change { kind, alert, .. } = item else {
            anyhow::ensure!(!matches!(item, WatchItem::FellBehind { .. }), "{item:?}");
            continue;
        };
        if kind != v1::alert_change::Kind::Raised {
            continue;
        }
        let number = alert.name.rsplit('/').next().unwrap_or_default().parse()?;
        let unit = alert.unit.rsplit(' ').next().unwrap_or_default().parse()?;
        seen.push((number, unit, Instant::now()));
    }
    Ok(seen)
}

/// Whether every watcher got every alert, in the order of the numbers that the service gave, in time.
#[expect(clippy::print_stdout, reason = "the report")]
async fn watched(serving: &Serving, args: &Args) -> anyhow::Result<bool> {
    let barrier = Arc::new(Barrier::new(args.watchers + 1));
    let mut connections = Vec::new();
    for _ in 0..CONNECTIONS {
        connections.push(connect(&serving.address).await?);
    }
    let watchers: Vec<_> = (0..args.watchers)
        .map(|idx| {
            let connection = connections[idx % CONNECTIONS].clone();
            tokio::spawn(follow(connection, Arc::clone(&barrier), args.alerts))
        })
        .collect();
    let gateway = Gateway::start(
        connect(&serving.address).await?,
        GatewayOptions::default(),
        |_| {},
    );
    let sources = (0..args.alerts)
        .map(|number| gateway.add(fleet::unit(number), MemorySpool::new(1 << 16)))
        .collect::<Result<Vec<_>, _>>()?;
    barrier.wait().await;
    let (own_before, served_before) = (own_usage(), serving.usage());
    let started = Instant::now();
    let sent = send(&sources, SLOW_CHANNEL, 2.0, args.rate).await?;
    let mut delays = Vec::with_capacity(args.alerts * args.watchers);
    let mut in_order = true;
    let mut first: Option<Vec<u64>> = None;
    for watcher in watchers {
        let seen = watcher.await??;
        let numbers: Vec<u64> = seen.iter().map(|(number, _, _)| *number).collect();
        in_order &= numbers.is_sorted_by(|a, b| a < b);
        in_order &= first.get_or_insert_with(|| numbers.clone()) == &numbers;
        delays.extend(seen.iter().map(|(_, unit, at)| *at - sent[*unit].0));
    }
    let took = started.elapsed();
    let (own, served) = (own_usage(), serving.usage());
    gateway.stop().await;
    delays.sort_unstable();
    let at = |per_mille: usize| delays[(delays.len() - 1) * per_mille / 1_000];
    println!(
        "{} watchers of {} alerts at {} a second: every alert came to all{}; from intended send p50 {} ms, \
         p99 {} ms, most {} ms; service {:.2} cores, watchers and senders {:.2}",
        args.watchers,
        args.alerts,
        args.rate,
        if in_order {
            ", in order"
        } else {
            ", NOT in order"
        },
        at(500).as_millis(),
        at(990).as_millis(),
        at(1_000).as_millis(),
        (served.cpu_s - served_before.cpu_s) / took.as_secs_f64(),
        (own.cpu_s - own_before.cpu_s) / took.as_secs_f64(),
    );
    Ok(in_order && at(990) < NEWS_P99)
}

/// Milliseconds after the start of loading when there was something to see.
const PAINTED: &str = "new Promise((done) => {
    const look = () => {
        const paint = performance.getEntriesByName('first-contentful-paint')[0];
        if (paint) done(paint.startTime); else setTimeout(look, 10);
    };
    look();
})";

/// Notes for each row of the rule that is due soon when it was first there.
const NOTE_ROWS: &str = "(() => {
    window.seenAt = {};
    const look = () => {
        for (const head of document.querySelectorAll('#board h3'))
            if (head.textContent.endsWith('Soon')) seenAt[head.querySelector('a').textContent] ??= Date.now();
    };
    window.busy = [];
    new PerformanceObserver((list) => busy.push(...list.getEntries().map((task) => task.duration)))
        .observe({ type: 'longtask' });
    performance.clearResourceTimings();
    performance.setResourceTimingBufferSize(10000);
    new MutationObserver(look).observe(document.getElementById('board'), { childList: true, subtree: true });
})()";

/// Where the browser's time went: answers that it waited for, and tasks of more than 50 ms.
const SPENT: &str = "(() => {
    const sorted = (list) => list.sort((a, b) => a - b);
    const asked = sorted(performance.getEntriesByType('resource').map((entry) => entry.duration));
    const at = (list, share) => Math.round(list[Math.floor((list.length - 1) * share)] ?? 0);
    sorted(busy);
    return `${asked.length} answers, p50 ${at(asked, .5)} ms, p99 ${at(asked, .99)} ms; ` +
        `${busy.length} tasks over 50 ms, the longest ${at(busy, 1)} ms`;
})()";

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// The board with all alerts standing: how long it takes to load, and how long what is new takes to show.
#[expect(clippy::print_stdout, reason = "the report")]
async fn board(serving: &Serving, browser: &Arc<Browser>, args: &Args) -> anyhow::Result<bool> {
    let pages = serving.pages.clone();
    let (opened, opening) = (Arc::clone(browser), pages.clone());
    let paints = tokio::task::spawn_blocking(move || {
        let tab = opened.tab(1_280, 900);
        let mut paints = Vec::new();
        for _ in 0..5 {
            tab.open(&opening);
            paints.push((
                tab.number(PAINTED),
                tab.number("performance.getEntriesByType('navigation')[0].responseEnd"),
            ));
            // Rows are kept for so long.
            tab.value("new Promise((done) => setTimeout(done, 11000))");
        }
        tab.picture("bench-board");
        paints
    })
    .await?;
    let first = paints[0].0;
    let paint = median(paints.iter().map(|(paint, _)| *paint).collect());
    let answer = median(paints.iter().map(|(_, answer)| *answer).collect());
    println!(
        "board with {} standing alerts, rows made anew: first paint {paint:.0} ms (median of {}; the very first \
         {first:.0}), the answer whole after {answer:.0} ms",
        args.alerts,
        paints.len()
    );
    let (ready, is_ready) = tokio::sync::oneshot::channel();
    let (finish, is_finished) = std::sync::mpsc::channel::<usize>();
    let looking = Arc::clone(browser);
    let looked = tokio::task::spawn_blocking(move || {
        let tab: Tab<'_> = looking.tab(1_280, 900);
        tab.open(&pages);
        tab.value(NOTE_ROWS);
        // The other side waits for nothing else.
        let _ = ready.send(());
        let n = is_finished.recv().unwrap_or(0);
        tab.until(&format!("Object.keys(seenAt).length >= {n}"));
        println!("  of it: {}", tab.text(SPENT));
        tab.value("seenAt")
    });
    is_ready.await?;
    let gateway = Gateway::start(
        connect(&serving.address).await?,
        GatewayOptions::default(),
        |_| {},
    );
    let sources = (0..args.news)
        .map(|number| gateway.add(fleet::unit(number), MemorySpool::new(1 << 16)))
        .collect::<Result<Vec<_>, _>>()?;
    let sent = send(&sources, SOON_CHANNEL, 900.0, 5).await?;
    finish.send(args.news)?;
    let seen = looked.await?;
    gateway.stop().await;
    let mut delays = Vec::new();
    for (number, (_, sent_ms)) in sent.iter().enumerate() {
        let unit = fleet::unit(number).to_string();
        let at_ms = seen[&unit]
            .as_i64()
            .with_context(|| format!("{unit} never showed"))?;
        delays.push(at_ms - sent_ms);
    }
    delays.sort_unstable();
    let at = |per_cent: usize| delays[(delays.len() - 1) * per_cent / 100];
    println!(
        "from intended send to the open board, {} alerts at 5 a second: p50 {} ms, p99 {} ms, most {} ms",
        delays.len(),
        at(50),
        at(99),
        at(100)
    );
    Ok(paint < FIRST_PAINT.as_secs_f64() * 1_000.0
        && u128::try_from(at(99)).is_ok_and(|ms| ms < NEWS_P99.as_millis()))
}

/// Opens a unit's page over a year.
#[expect(clippy::print_stdout, reason = "the report")]
async fn year(browser: &Arc<Browser>, days: i64) -> anyhow::Result<bool> {
    let folder = tempfile::tempdir()?;
    let config = fleet::write_config(folder.path(), "127.0.0.1:0", 1)?;
    fs::remove_dir_all(folder.path().join("rules"))?;
    fs::create_dir_all(folder.path().join("rules"))?;
    let mut text = fs::read_to_string(&config)?;
    writeln!(
        text,
        "[retention]\nraw = \"{0} d\"\nminute = \"{0} d\"\nhour = \"{0} d\"",
        days + 40
    )?;
    fs::write(&config, text)?;
    let (started, path) = (Instant::now(), config.clone());
    let n_samples = tokio::task::spawn_blocking(move || fill_year(&path, days)).await??;
    println!(
        "{days} days of 1 Hz, {} channels: {n_samples} samples stored and sealed in {:.0} s",
        YEAR.len(),
        started.elapsed().as_secs_f64()
    );
    let config = config.to_string_lossy().into_owned();
    let serving = Serving::start(&["serve", "--config", &config]).await?;
    let channels: Vec<&str> = YEAR.iter().map(|(name, _)| *name).collect();
    let url = format!(
        "{}/units/{}?days={days}&channels={}",
        serving.pages,
        fleet::unit(0).to_string().replace(' ', "%20"),
        channels.join(",")
    );
    let opened = Arc::clone(browser);
    let loads = tokio::task::spawn_blocking(move || {
        let tab = opened.tab(1_280, 900);
        let mut loads = Vec::new();
        for _ in 0..7 {
            tab.open(&url);
            loads.push((tab.number(PAINTED), tab.number(DRAWN)));
        }
        tab.picture("bench-year");
        loads
    })
    .await?;
    serving.kill().await?;
    let paint = median(loads.iter().map(|(paint, _)| *paint).collect());
    let drawn = median(loads.iter().map(|(_, drawn)| *drawn).collect());
    println!(
        "unit page over it: first paint {paint:.0} ms, the points of all plots there after {drawn:.0} ms (medians of {}; the very \
         first {:.0} and {:.0})",
        loads.len(),
        loads[0].0,
        loads[0].1
    );
    Ok(drawn < YEAR_PAGE.as_secs_f64() * 1_000.0)
}

/// Milliseconds after the start of loading when the points of every plot were there; they are drawn in the same
/// turn.
const DRAWN: &str = "new Promise((done) => {
    const look = () => {
        const plots = [...document.querySelectorAll('canvas')];
        const points = performance.getEntriesByType('resource').filter((entry) => entry.name.includes('/series?'));
        if (plots.length > 0 && plots.every((plot) => plot.ariaLabel.includes('mean')))
            done(Math.max(...points.map((entry) => entry.responseEnd)));
        else setTimeout(look, 5);
    };
    look();
})";

/// Stores and seals the year, up to an hour ago.
fn fill_year(config: &Path, days: i64) -> anyhow::Result<i64> {
    let settings = Settings::read(config)?;
    let long = i64::MAX / 4;
    let options = Options {
        strip_ms: 0,
        linger_ms: 0,
        raw_ms: long,
        minute_ms: long,
        hour_ms: long,
        ..Options::default()
    };
    let store = Arc::new(SledStore::open(&settings.data, options)?);
    let shared = Shared::open(
        Arc::clone(&store) as Arc<dyn wheeltap_store::Store>,
        settings,
        Arc::new(SystemClock),
    )?;
    let hour_ms = 3_600_000;
    let last_ms = (unix_ms()? - hour_ms) / hour_ms * hour_ms;
    let mut channels = Vec::new();
    for (name, base) in YEAR {
        let (id, _) = shared
            .catalogue
            .channel(&ChannelName::new(name)?)
            .with_context(|| format!("{name} is in the catalogue"))?;
        channels.push((id, base));
    }
    let (mut state, mut walk) = (0x9E37_79B9_7F4A_7C15_u64, 0_i32);
    let mut n_samples = 0;
    for day in 0..days {
        let day_ms = last_ms - (days - day) * DAY_MS;
        let mut batches = Vec::new();
        for hour in 0..24 {
            let first_ms = day_ms + hour * hour_ms;
            let times_ms: Arc<[i64]> = (0..3_600).map(|s| first_ms + s * 1_000).collect();
            let mut columns = Vec::new();
            for (channel, base) in &channels {
                let values = times_ms.iter().map(|_| {
                    // xorshift64; most seconds change little, as measurements do.
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    let drawn = i32::try_from(state % 5).unwrap_or(0) - 2;
                    walk = (walk + drawn).clamp(-300, 300);
                    base + f64::from(walk) / 100.0
                });
                columns.push(Column {
                    channel: *channel,
                    values: values.collect(),
                    times_ms: Arc::clone(&times_ms),
                    qualities: Vec::new(),
                });
            }
            n_samples += i64::try_from(times_ms.len() * columns.len())?;
            let sequence = u64::try_from(day * 24 + hour + 1)?;
            batches.push(Incoming {
                unit: fleet::unit(0),
                epoch: Epoch([1; 16]),
                sequence,
                digest: PayloadDigest(u128::from(sequence).to_be_bytes()),
                received_at: ServerTime::from_unix_ms(first_ms + hour_ms),
                batch: Arc::new(Batch {
                    columns,
                    ..Batch::default()
                }),
            });
        }
        let (sender, receiver) = std::sync::mpsc::channel();
        let done = move |outcome| drop(sender.send(outcome));
        shared.store.submit(batches, Box::new(done));
        receiver.recv()??;
        shared
            .store
            .upkeep(ServerTime::from_unix_ms(day_ms + DAY_MS))?;
    }
    let later = ServerTime::from_unix_ms(last_ms + 3 * DAY_MS);
    while shared.store.upkeep(later)? != Upkeep::default() {}
    Ok(n_samples)
}
