//! `wheeltap demo`: the whole service on loopback with an invented railway, and at the end a score.
//!
//! Nothing here is a shortcut: units are simulated, their batches go through the real gateway over
//! gRPC into the real store, and what rings is read from a real watch. Only the spools are in memory.

mod shops;

use crate::{
    Outcome, Stop,
    alert_json::{Served, rule_and_version},
    args::DemoArgs,
    output::{Out, counted, duration, fitted, grouped, note, share_bar},
    pages,
    remote::{self, answer, tail},
    serve, sheet, watch,
};
use anyhow::{Context, anyhow};
use futures::{StreamExt, TryStreamExt};
use include_dir::{Dir, include_dir};
use indicatif::ProgressBar;
use serde::Serialize;
use std::{
    cmp::Reverse,
    collections::{BTreeMap, BinaryHeap, HashSet},
    net::SocketAddr,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, MutexGuard, PoisonError, mpsc},
    time::{Duration, Instant},
};
use tokio::{net::TcpListener, sync::oneshot};
use wheeltap_catalogue::Catalogue;
use wheeltap_client::{
    BatchBuilder, Connection, EncodedBatch, Gateway, GatewayEvent, GatewayOptions, MemorySpool,
    Packing, WatchItem, connect, watch_alerts,
};
use wheeltap_model::{ChannelKind, EventTime, PersonName, UnitId};
use wheeltap_proto::{convert, v1};
use wheeltap_server::{Settings, Shared};
use wheeltap_sim::{
    Delivery, Failure, Failures, Outcome as Found, Railway, RailwayFile, Ring, Score,
    Settings as SimSettings, Train,
};

static DATA: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/../../demo-data");

/// Seconds of telemetry in one batch: two minutes, as a gateway on a slow radio would.
const BATCH_S: i64 = 120;
/// Deliveries a unit's simulation may run ahead.
const AHEAD: usize = 8;
/// Bytes a unit's spool may hold: beyond it the simulation waits for the service.
const SPOOL_BYTES: u64 = 1 << 20;
/// How often the end of judging is looked for.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// How long the screen may take to show the last alerts.
const PATIENCE: Duration = Duration::from_secs(5);

pub fn run(args: &DemoArgs) -> Result<Outcome, Stop> {
    remote::block_on(demo(args))
}

async fn demo(args: &DemoArgs) -> Result<Outcome, Stop> {
    let began = Instant::now();
    let (name, railway, catalogue) = railway(args)?;
    let scratch = tempfile::tempdir().context("no temporary folder could be made")?;
    let folder = args
        .data
        .clone()
        .unwrap_or_else(|| scratch.path().join("data"));
    let settings = settings(scratch.path(), folder, args.listen)?;

    let listener = TcpListener::bind(settings.listen)
        .await
        .with_context(|| format!("{} cannot be listened on", settings.listen))?;
    let address = format!("http://{}", listener.local_addr()?);
    let page_listener = pages::bind(settings.listen, settings.pages).await?;
    let shared = serve::open(settings).await?;
    let pages = pages::Served::start(page_listener, &address)?;
    let (stop, stopped) = oneshot::channel::<()>();
    let server = tokio::spawn(wheeltap_server::run(listener, Arc::clone(&shared), async {
        // A dropped sender stops the service as well.
        let _ = stopped.await;
    }));

    let connection = connect(&address)
        .await
        .map_err(|error| anyhow!("{error}"))?
        .acting_as(&PersonName::new("demonstration").map_err(|error| anyhow!("{error}"))?);
    tell_fleet(&connection, &railway).await?;
    if !args.json {
        heading(&name, &railway, &address, &pages.url);
    }
    if args.history {
        shops::hand_over_past(&connection, &railway).await?;
    }
    let day = Day {
        args,
        railway: Arc::new(railway),
        catalogue: Arc::new(catalogue),
        began,
    };
    let played = day.play(&connection, &shared).await?;
    tell_service_track(&connection, &day.railway, scratch.path()).await?;
    let score = day.score(&connection).await?;
    if args.history {
        shops::find(&connection, &day.railway).await?;
    }
    let summary = Summary::of(&shared, &connection, &score, &played).await?;
    print(args, &score, &summary)?;
    print_stops(args, &connection).await?;
    if args.stay {
        stay(&address, &pages.url).await;
    }
    pages.stop().await?;
    drop(stop);
    server.await.map_err(anyhow::Error::from)??;
    Ok(if score.missed() == 0 {
        Outcome::Fine
    } else {
        Outcome::Findings
    })
}

fn file(name: &str) -> anyhow::Result<&'static str> {
    let file = DATA.get_file(name).and_then(|file| file.contents_utf8());
    file.with_context(|| format!("demo-data/{name} is not in this program"))
}

fn railway(args: &DemoArgs) -> anyhow::Result<(String, Railway, Catalogue)> {
    let catalogue = [(
        "catalogue.toml".to_owned(),
        file("catalogue.toml")?.to_owned(),
    )];
    let catalogue = Catalogue::with_files(&catalogue).map_err(|problems| {
        let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
        anyhow!("{}", lines.join("\n"))
    })?;
    let mut file_of_railway = RailwayFile::parse("railway.toml", file("railway.toml")?)?;
    let mut failures = Failures::parse("failures.toml", file("failures.toml")?)?.failure;
    if let Some(n_units) = args.units {
        keep_trains(&mut file_of_railway, &mut failures, usize::from(n_units));
    }
    let usual = SimSettings::default();
    let settings = SimSettings {
        seed: args.seed,
        start: usual.start.plus_ms(later_ms(args, &usual)),
        batch_s: BATCH_S,
        ..usual
    };
    let railway = Railway::new(settings, &file_of_railway, &failures, &catalogue)?;
    Ok((file_of_railway.name, railway, catalogue))
}

/// By how much the day is played later than the files of the demonstration say, ms: a day that ends
/// now ends with the last whole ten minutes, as windows and ticks do.
fn later_ms(args: &DemoArgs, usual: &SimSettings) -> i64 {
    const WHOLE_MS: i64 = 600_000;
    if !args.today {
        return 0;
    }
    let now_ms = remote::now_ms();
    let ends_ms = usual.start.unix_ms() + 1_000 * usual.duration_s;
    now_ms - now_ms.rem_euclid(WHOLE_MS) - ends_ms
}

/// Keeps whole trains and single units until there are `n_units`, those with failures first: half a
/// consist would be another train, with other work for each unit.
fn keep_trains(file: &mut RailwayFile, failures: &mut Vec<Failure>, n_units: usize) {
    let fails = |unit: &UnitId| failures.iter().any(|failure| failure.unit == *unit);
    let mut groups: Vec<Vec<UnitId>> = Vec::new();
    for unit in &file.unit {
        let train = file.train.iter().find(|train| holds(train, &unit.id));
        let group = train.map_or_else(
            || vec![unit.id.clone()],
            |train| {
                train
                    .consist
                    .iter()
                    .map(|entry| entry.unit.clone())
                    .collect()
            },
        );
        if !groups.contains(&group) {
            groups.push(group);
        }
    }
    // A stable sort: the roster's order stays within each half.
    groups.sort_by_key(|group| !group.iter().any(fails));
    let mut kept = HashSet::new();
    for group in groups {
        if kept.len() >= n_units {
            break;
        }
        kept.extend(group);
    }
    file.unit.retain(|unit| kept.contains(&unit.id));
    file.train
        .retain(|train| train.consist.iter().any(|entry| kept.contains(&entry.unit)));
    failures.retain(|failure| kept.contains(&failure.unit));
}

fn holds(train: &Train, unit: &UnitId) -> bool {
    train.consist.iter().any(|entry| entry.unit == *unit)
}

/// The service reads its catalogue and rules from files, as it always does.
fn settings(scratch: &Path, data: PathBuf, listen: SocketAddr) -> anyhow::Result<Settings> {
    DATA.extract(scratch)
        .context("the demonstration's files could not be written")?;
    Ok(Settings {
        listen,
        data,
        catalogue: vec![scratch.join("catalogue.toml")],
        work: vec![scratch.join("work.toml")],
        rules: Some(scratch.join("rules")),
        ..Settings::default()
    })
}

/// Creates the units and says what is known of each, as a yard system would.
async fn tell_fleet(connection: &Connection, railway: &Railway) -> Result<(), Stop> {
    let mut fleet = connection.fleet();
    for sim_unit in railway.units() {
        let unit = &sim_unit.unit;
        let name = convert::unit_name(&unit.id);
        let created = fleet
            .create_unit(v1::CreateUnitRequest {
                unit_id: unit.id.to_string(),
                unit: Some(v1::Unit {
                    road_number: unit.road_number.clone(),
                    unit_class: convert::class_name(&unit.class),
                    commissioned_unix_ms: unit.commissioned.unix_ms(),
                    ..v1::Unit::default()
                }),
                request_id: String::new(),
            })
            .await;
        match created {
            Err(status) if status.code() == tonic::Code::AlreadyExists => {}
            created => drop(answer(created)?),
        }
        for dated in sim_unit.states.entries() {
            let request = v1::RecordUnitStateRequest {
                name: name.clone(),
                from_unix_ms: dated.from.unix_ms(),
                state: convert::unit_state_to_wire(dated.value).into(),
                source: dated.source.clone(),
            };
            answer(fleet.record_unit_state(request).await)?;
        }
        for dated in sim_unit.consist.entries() {
            let request = v1::RecordConsistRequest {
                name: name.clone(),
                from_unix_ms: dated.from.unix_ms(),
                consist: Some(v1::ConsistPosition::from(&dated.value)),
                source: dated.source.clone(),
            };
            answer(fleet.record_consist(request).await)?;
        }
    }
    Ok(())
}

/// Says who comes in after the day, what parts are on hand and what was done to the units.
async fn tell_service_track(
    connection: &Connection,
    railway: &Railway,
    scratch: &Path,
) -> Result<(), Stop> {
    let plays = |unit: &str| {
        let mut units = railway.units().iter();
        units.any(|known| known.unit.id.as_str() == tail(unit))
    };
    let later_ms = railway
        .settings()
        .start
        .ms_since(SimSettings::default().start);
    let mut track = connection.turnaround();
    let arrivals = sheet::read_arrivals(&scratch.join("arrivals.csv"), "yard system")?;
    let arrivals = arrivals.into_iter().map(|(_, arrival)| v1::Arrival {
        arrives_unix_ms: arrival.arrives_unix_ms + later_ms,
        leaves_unix_ms: arrival.leaves_unix_ms.map(|leaves| leaves + later_ms),
        ..arrival
    });
    let arrivals = arrivals.filter(|arrival| plays(&arrival.unit)).collect();
    answer(
        track
            .record_arrivals(v1::RecordArrivalsRequest {
                arrivals,
                ..Default::default()
            })
            .await,
    )?;
    let stock = sheet::read_stock(&scratch.join("parts.csv"), "stores")?;
    let stock = stock.into_iter().map(|(_, stock)| v1::PartStock {
        as_of_unix_ms: stock.as_of_unix_ms + later_ms,
        ..stock
    });
    let stock = stock.collect();
    answer(
        track
            .record_part_stock(v1::RecordPartStockRequest { stock })
            .await,
    )?;
    let care = sheet::read_done(&scratch.join("done.csv"), "shop records")?;
    let care = care.into_iter().map(|(_, care)| v1::Care {
        done_unix_ms: care.done_unix_ms + later_ms,
        ..care
    });
    let care = care.filter(|care| plays(&care.unit)).collect();
    answer(track.record_care(v1::RecordCareRequest { care }).await)?;
    Ok(())
}

/// Stops listed at the end at most.
const MOST_STOPS: usize = 6;

/// The next units on the service track, each with what its sheet comes to.
async fn print_stops(args: &DemoArgs, connection: &Connection) -> Result<(), Stop> {
    let request = v1::ListArrivalsRequest {
        with_summaries: true,
        ..Default::default()
    };
    let listed = answer(connection.turnaround().list_arrivals(request).await)?;
    let stops: Vec<_> = listed.arrivals.iter().zip(&listed.summaries).collect();
    let mut out = Out::new();
    if args.json {
        for (arrival, summary) in stops {
            out.json(&serde_json::json!({ "stop": sheet::stop_json(arrival, summary) }))?;
        }
        return Ok(out.flush()?);
    }
    out.line("")?;
    let rows = stops.iter().take(MOST_STOPS).map(|(arrival, summary)| {
        vec![
            tail(&arrival.unit).to_owned(),
            tail(&arrival.point).to_owned(),
            remote::short_instant(arrival.arrives_unix_ms),
            format!(
                "{} of {} min",
                summary.planned_minutes, summary.stop_minutes
            ),
            summary.n_planned.to_string(),
            summary.n_cannot_wait.to_string(),
        ]
    });
    out.table(
        &[
            "next in",
            "service point",
            "at",
            "work",
            "jobs",
            "left though due",
        ],
        rows.collect(),
    )?;
    Ok(out.flush()?)
}

fn heading(name: &str, railway: &Railway, address: &str, pages: &str) {
    let settings = railway.settings();
    let hours = settings.duration_s / 3_600;
    note(format!(
        "{}, {} over {hours} h from {}, seed {}; {} planted; service at {address}, pages at {pages}\n",
        name,
        counted(railway.units().len(), "unit"),
        settings.start,
        settings.seed,
        counted(railway.failures().len(), "failure"),
    ));
}

struct Day<'a> {
    args: &'a DemoArgs,
    railway: Arc<Railway>,
    catalogue: Arc<Catalogue>,
    began: Instant,
}

/// One unit's batches, ready to be sent at an instant of the simulated day.
struct Parcel {
    sent_at: EventTime,
    batches: Vec<EncodedBatch>,
}

/// What was seen while the day was played; times count from the start.
struct Played {
    streaming_after: Duration,
    judged_after: Duration,
    shown: BTreeMap<String, Duration>,
}

impl Day<'_> {
    /// Streams the day in the order in which the units send, and shows what rings.
    async fn play(&self, connection: &Connection, shared: &Arc<Shared>) -> Result<Played, Stop> {
        let bar = share_bar(self.railway.settings().duration_s.unsigned_abs(), "playing");
        let shown = Shown::default();
        let watcher = tokio::spawn(show(
            connection.clone(),
            bar.clone(),
            self.args.json,
            self.began,
            Arc::clone(&shown),
        ));
        let streaming_after = self.began.elapsed();
        let (refused, mut refusals) = tokio::sync::mpsc::unbounded_channel();
        let gateway = Gateway::start(
            connection.clone(),
            GatewayOptions::default(),
            move |event| {
                let wrong = match event {
                    GatewayEvent::Stored { .. } | GatewayEvent::Welcomed { .. } => return,
                    other => format!("{other:?}"),
                };
                // The demonstration may have ended.
                let _ = refused.send(wrong);
            },
        );
        let mut sources = Vec::with_capacity(self.railway.units().len());
        for sim_unit in self.railway.units() {
            let spool = MemorySpool::new(SPOOL_BYTES);
            sources.push(
                gateway
                    .add(sim_unit.unit.id.clone(), spool)
                    .map_err(|e| anyhow!("{e}"))?,
            );
        }
        let mut parcels = self.simulate();
        let start = self.railway.settings().start;
        while let Some((unit_idx, parcel)) = parcels.recv().await {
            let second = parcel.sent_at.ms_since(start) / 1_000;
            bar.set_position(second.unsigned_abs());
            bar.set_message(remote::short_instant(parcel.sent_at.unix_ms()));
            tokio::select! {
                appended = sources[unit_idx].append(parcel.batches) => {
                    appended.map_err(|error| anyhow!("{error}"))?;
                }
                Some(wrong) = refusals.recv() => {
                    return Err(anyhow!("the service did not take a batch: {wrong}").into());
                }
            }
        }
        bar.set_message("judging");
        gateway.drained().await;
        self.judged(shared).await;
        let judged_after = self.began.elapsed();
        let late_news = all_shown(connection, &shown).await?;
        watcher.abort();
        bar.finish_and_clear();
        for alert in late_news {
            print_alert(v1::alert_change::Kind::Raised, &alert, self.args.json)?;
            locked(&shown).insert(alert.name, judged_after);
        }
        gateway.stop().await;
        let shown = locked(&shown).clone();
        Ok(Played {
            streaming_after,
            judged_after,
            shown,
        })
    }

    /// Ready once everything stored is judged, late work included.
    async fn judged(&self, shared: &Shared) {
        let metrics = &shared.metrics;
        let mut look = tokio::time::interval(LOOK_EVERY);
        loop {
            look.tick().await;
            let n_judged = metrics.batches_judged.get();
            let due = metrics.units_late_now.get() + metrics.asking_due_now.get();
            if n_judged >= metrics.batches_stored.get() && due == 0 {
                return;
            }
        }
    }

    /// Each unit on a thread of its own, merged in the order of sending.
    fn simulate(&self) -> tokio::sync::mpsc::Receiver<(usize, Parcel)> {
        let n_units = self.railway.units().len();
        let mut lanes: Vec<mpsc::Receiver<Parcel>> = Vec::with_capacity(n_units);
        for unit_idx in 0..n_units {
            let (sender, receiver) = mpsc::sync_channel(AHEAD);
            let (railway, catalogue) = (Arc::clone(&self.railway), Arc::clone(&self.catalogue));
            std::thread::spawn(move || run_unit(&railway, &catalogue, unit_idx, &sender));
            lanes.push(receiver);
        }
        let (merged, parcels) = tokio::sync::mpsc::channel(AHEAD * n_units.max(1));
        std::thread::spawn(move || merge(&lanes, &merged));
        parcels
    }

    async fn score(&self, connection: &Connection) -> Result<Score, Stop> {
        let rules: Vec<v1::Rule> = connection.list_rules().try_collect().await?;
        let components: BTreeMap<&str, &str> = rules
            .iter()
            .map(|rule| (rule.name.as_str(), rule.component.as_str()))
            .collect();
        let mut rings = Vec::new();
        // What is an item for the shop alone counts too, as found or as false.
        let mut list = connection.list_alerts(v1::AlertFilter {
            show_trial: true,
            ..v1::AlertFilter::default()
        });
        while let Some(alert) = list.next().await {
            let alert = alert?;
            if alert.suppressed_by_design {
                continue;
            }
            let rule = rule_and_version(&alert.rule).0;
            let component = components.get(alert.rule.as_str());
            rings.push(Ring {
                unit: UnitId::new(tail(&alert.unit))?,
                rule: rule.to_owned(),
                component: component.map_or(String::new(), |word| (*word).to_owned()),
                part: Some(alert.part.clone()).filter(|part| !part.is_empty()),
                raised_at: EventTime::from_unix_ms(alert.raised_unix_ms),
                ended_at: alert.ended_unix_ms.map(EventTime::from_unix_ms),
            });
        }
        let start = self.railway.settings().start;
        Ok(Score::of(self.railway.failures(), start, &rings))
    }
}

fn merge(lanes: &[mpsc::Receiver<Parcel>], merged: &tokio::sync::mpsc::Sender<(usize, Parcel)>) {
    let mut heads: Vec<Option<Parcel>> = lanes.iter().map(|lane| lane.recv().ok()).collect();
    let order =
        |idx: usize, head: &Option<Parcel>| head.as_ref().map(|p| Reverse((p.sent_at, idx)));
    let mut next: BinaryHeap<_> = heads
        .iter()
        .enumerate()
        .filter_map(|(idx, head)| order(idx, head))
        .collect();
    while let Some(Reverse((_, idx))) = next.pop() {
        let Some(parcel) = heads[idx].take() else {
            continue;
        };
        if merged.blocking_send((idx, parcel)).is_err() {
            return;
        }
        heads[idx] = lanes[idx].recv().ok();
        next.extend(order(idx, &heads[idx]));
    }
}

/// Simulates one unit and packs what it sends.
fn run_unit(
    railway: &Railway,
    catalogue: &Catalogue,
    unit_idx: usize,
    sender: &mpsc::SyncSender<Parcel>,
) {
    let mut complete = Complete {
        through: railway.settings().start,
        ahead: BTreeMap::new(),
    };
    let mut builder = BatchBuilder::new(Packing::Plain);
    railway.run_unit(unit_idx, &mut |delivery| {
        let through = complete.take(delivery.from, delivery.until);
        match pack(&mut builder, catalogue, &delivery, through) {
            Ok(batches) if batches.is_empty() => {}
            // The receiver is gone when the demonstration was interrupted.
            Ok(batches) => drop(sender.send(Parcel {
                sent_at: delivery.sent_at,
                batches,
            })),
            Err(error) => note(format!("a batch could not be packed: {error:#}")),
        }
    });
}

/// Up to where a unit has sent everything, for its promise that nothing older is to come.
struct Complete {
    through: EventTime,
    /// Stretches sent ahead of an older backlog, by their start.
    ahead: BTreeMap<EventTime, EventTime>,
}

impl Complete {
    fn take(&mut self, from: EventTime, until: EventTime) -> EventTime {
        self.ahead.insert(from, until);
        while let Some(entry) = self.ahead.first_entry() {
            if *entry.key() > self.through {
                break;
            }
            self.through = self.through.max(entry.remove());
        }
        self.through.plus_ms(-1)
    }
}

fn pack(
    builder: &mut BatchBuilder,
    catalogue: &Catalogue,
    delivery: &Delivery,
    complete_through: EventTime,
) -> anyhow::Result<Vec<EncodedBatch>> {
    let known = |id| {
        catalogue
            .by_id(id)
            .context("a channel is not in the catalogue")
    };
    for column in &delivery.batch.columns {
        let name = &known(column.channel)?.name;
        builder.samples(
            name,
            "",
            &column.times_ms,
            &column.values,
            &column.qualities,
        )?;
    }
    for event in &delivery.batch.events {
        let def = known(event.channel)?;
        let ChannelKind::Event { fields } = &def.kind else {
            continue;
        };
        let named: Vec<(&str, f64)> = fields
            .iter()
            .zip(&event.fields)
            .filter_map(|((name, _), value)| Some((name.as_str(), (*value)?)))
            .collect();
        builder.event(&def.name, event.time, &named)?;
    }
    if builder.is_empty() {
        return Ok(Vec::new());
    }
    builder.complete_through(complete_through);
    Ok(builder.build()?)
}

/// Ready once every alert that was announced is on the screen, or after some seconds. Gives those
/// that were learned of after they had ended, oldest first: while a backlog comes in newest first,
/// many such seem to be and are taken back, so only those that remain are worth a line.
async fn all_shown(connection: &Connection, shown: &Shown) -> Result<Vec<v1::Alert>, Stop> {
    let alerts: Vec<v1::Alert> = connection
        .list_alerts(v1::AlertFilter::default())
        .try_collect()
        .await?;
    let announced = alerts
        .iter()
        .filter(|alert| alert.announced_unix_ms.is_some());
    let names: Vec<&String> = announced.map(|alert| &alert.name).collect();
    let mut look = tokio::time::interval(LOOK_EVERY);
    let patience = Instant::now();
    while patience.elapsed() < PATIENCE {
        look.tick().await;
        let shown = locked(shown);
        if names.iter().all(|name| shown.contains_key(*name)) {
            break;
        }
    }
    let is_late = |alert: &v1::Alert| alert.late_news && alert.announced_unix_ms.is_none();
    let mut late_news: Vec<v1::Alert> = alerts.into_iter().filter(is_late).collect();
    late_news.sort_by_key(|alert| alert.raised_unix_ms);
    Ok(late_news)
}

fn print_alert(kind: v1::alert_change::Kind, alert: &v1::Alert, json: bool) -> anyhow::Result<()> {
    let mut out = Out::new();
    if json {
        out.json(&serde_json::json!({ "alert": Served::from(alert) }))?;
    } else {
        out.line(fitted(watch::line(kind, alert)))?;
    }
    out.flush()
}

/// When each alert was first shown, by name, counted from the start.
type Shown = Arc<Mutex<BTreeMap<String, Duration>>>;

/// Shows alerts as they are announced, until it is aborted or the watch fails for good.
async fn show(
    connection: Connection,
    bar: ProgressBar,
    json: bool,
    began: Instant,
    shown: Shown,
) -> Result<(), Stop> {
    let mut items = watch_alerts(&connection, v1::AlertFilter::default(), None);
    while let Some(item) = items.next().await {
        let WatchItem::Change { kind, alert, .. } = item? else {
            continue;
        };
        let told = alert.announced_unix_ms.is_some();
        let known = locked(&shown).contains_key(&alert.name);
        let kind = match kind {
            _ if told && !known => v1::alert_change::Kind::Raised,
            v1::alert_change::Kind::Withdrawn if known => kind,
            _ => continue,
        };
        bar.suspend(|| print_alert(kind, &alert, json))?;
        locked(&shown)
            .entry(alert.name)
            .or_insert_with(|| began.elapsed());
    }
    Ok(())
}

fn locked(shown: &Shown) -> MutexGuard<'_, BTreeMap<String, Duration>> {
    shown.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The figures under the score.
#[derive(Debug, Serialize)]
struct Summary {
    found: usize,
    planted: usize,
    false_alerts: usize,
    alerts: usize,
    open_defects: usize,
    samples: u64,
    samples_per_second: u64,
    disk_bytes: u64,
    first_alert_s: Option<f64>,
    wall_s: f64,
}

impl Summary {
    async fn of(
        shared: &Arc<Shared>,
        connection: &Connection,
        score: &Score,
        played: &Played,
    ) -> Result<Self, Stop> {
        let defects: Vec<v1::Defect> = connection
            .list_defects(v1::DefectFilter {
                open: true,
                ..v1::DefectFilter::default()
            })
            .try_collect()
            .await?;
        let held = Arc::clone(shared);
        let figures = tokio::task::spawn_blocking(move || held.store.figures()).await??;
        let samples = shared.metrics.samples_stored.get();
        let wall_s = played.judged_after.as_secs_f64();
        let streamed = played
            .judged_after
            .saturating_sub(played.streaming_after)
            .as_millis()
            .max(1);
        let per_second = u128::from(samples) * 1_000 / streamed;
        Ok(Self {
            found: score.found(),
            planted: score.outcomes.len(),
            false_alerts: score.false_rings.len(),
            alerts: played.shown.len(),
            open_defects: defects.len(),
            samples,
            samples_per_second: u64::try_from(per_second).unwrap_or(u64::MAX),
            disk_bytes: figures.disk_bytes,
            first_alert_s: played.shown.values().min().map(Duration::as_secs_f64),
            wall_s,
        })
    }
}

fn print(args: &DemoArgs, score: &Score, summary: &Summary) -> anyhow::Result<()> {
    let mut out = Out::new();
    if args.json {
        for outcome in &score.outcomes {
            out.json(&serde_json::json!({
                "failure": outcome.failure.id,
                "unit": outcome.failure.unit,
                "component": outcome.failure.component,
                "found_by": outcome.found_by.as_ref().map(|ring| &ring.rule),
                "raised_at": outcome.found_by.as_ref().map(|ring| ring.raised_at.to_string()),
                "delay_s": outcome.delay_ms.map(|ms| ms / 1_000),
            }))?;
        }
        for ring in &score.false_rings {
            out.json(&serde_json::json!({
                "false_alert": ring.rule,
                "unit": ring.unit,
                "raised_at": ring.raised_at.to_string(),
            }))?;
        }
        out.json(&serde_json::json!({ "summary": summary }))?;
        return out.flush();
    }
    out.line("")?;
    out.table(
        &["planted failure", "unit", "found by", "after"],
        score.outcomes.iter().map(row).collect(),
    )?;
    out.line("")?;
    for ring in &score.false_rings {
        let at = remote::short_instant(ring.raised_at.unix_ms());
        out.line(format!(
            "false alert: {} on {} at {at}",
            ring.rule, ring.unit
        ))?;
    }
    out.line(format!(
        "{} of {} planted failures found, {}; {} shown, {} open",
        summary.found,
        summary.planted,
        counted(summary.false_alerts, "false alert"),
        counted(summary.alerts, "alert"),
        counted(summary.open_defects, "defect"),
    ))?;
    out.line(format!(
        "{} samples stored and judged in {:.0} s, {} a second; {:.1} MB on disk",
        grouped(summary.samples),
        summary.wall_s,
        grouped(summary.samples_per_second),
        summary.disk_bytes as f64 / 1e6,
    ))?;
    out.flush()
}

fn row(outcome: &Found) -> Vec<String> {
    let failure = &outcome.failure;
    let found = match &outcome.found_by {
        Some(ring) => ring.rule.clone(),
        None => "MISSED".to_owned(),
    };
    let delay = outcome.delay_ms.map_or_else(|| "-".to_owned(), duration);
    vec![failure.id.clone(), failure.unit.to_string(), found, delay]
}

async fn stay(address: &str, pages: &str) {
    note(format!(
        "\nthe service stays up at {address}; Ctrl-C ends it. Open {pages} in a browser; in another terminal:\n\n\
         \x20   export WHEELTAP_SERVER={address}\n\
         \x20   wheeltap defects\n\
         \x20   wheeltap alerts\n\
         \x20   wheeltap units\n\
         \x20   wheeltap sheet --point \"Burbot Yard\""
    ));
    serve::stop_signal().await;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_small_railway_keeps_whole_trains_and_the_units_that_fail() {
        let whole = RailwayFile::parse("railway.toml", file("railway.toml").unwrap()).unwrap();
        let failures = Failures::parse("failures.toml", file("failures.toml").unwrap()).unwrap();
        let (mut small, mut few) = (whole.clone(), failures.failure.clone());
        keep_trains(&mut small, &mut few, 10);
        assert!((10..14).contains(&small.unit.len()), "{}", small.unit.len());
        assert!(few.len() > 2, "{few:#?}");
        let is_there = |unit: &UnitId| small.unit.iter().any(|other| other.id == *unit);
        assert!(few.iter().all(|failure| is_there(&failure.unit)));
        for train in &whole.train {
            let n_there = train
                .consist
                .iter()
                .filter(|entry| is_there(&entry.unit))
                .count();
            assert!(
                n_there == 0 || n_there == train.consist.len(),
                "{}",
                train.symbol
            );
        }
        let (mut all, mut every) = (whole.clone(), failures.failure.clone());
        keep_trains(&mut all, &mut every, usize::MAX);
        assert_eq!(
            (all.unit.len(), every.len()),
            (whole.unit.len(), failures.failure.len())
        );
    }
}
