//! `wheeltap send`: what a unit's gateway does, with CSV files in place of sensors.
//!
//! Rows go into one durable spool a unit, and from there to the service. How far each file was taken
//! into the spools is noted beside them after every few thousand rows; a run that was cut off goes on from
//! the last note. Rows spooled after it are spooled again, which stores nothing twice, as equal
//! samples of one instant are one.

use crate::{
    Outcome, Stop,
    args::SendArgs,
    output::{Out, bytes_bar, count_bar, counted, grouped, note},
    remote::{self, connected},
    rules::problems_in,
    watch::replace,
};
use anyhow::{Context, anyhow};
use indicatif::ProgressBar;
use serde::{Deserialize, Serialize};
use std::{
    collections::BTreeMap,
    fs::{self, File},
    ops::ControlFlow,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, PoisonError},
    time::UNIX_EPOCH,
};
use tokio::sync::Notify;
use wheeltap_catalogue::{BoundMap, CsvMap};
use wheeltap_client::{
    BatchBuilder, DiskSpool, DiskSpoolOptions, EncodedBatch, Gateway, GatewayEvent, GatewayOptions,
    Packing, Source,
};
use wheeltap_model::{ChannelId, ChannelKind, EventTime, Quality, UnitId};

/// Samples gathered before they are cut into batches and spooled with one sync.
const SAMPLES_A_ROUND: usize = 50_000;

/// How far each file was taken into the spools, by its path.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Taken {
    files: BTreeMap<String, TakenFile>,
}

/// Size and time of change tell another file of the same name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct TakenFile {
    bytes: u64,
    changed_unix_ms: u64,
    rows: u64,
}

/// What became of the batches, and why some were not taken.
#[derive(Debug, Default)]
struct Tally {
    stored: u64,
    duplicates: u64,
    /// Batches by unit, reason and message.
    quarantined: BTreeMap<(UnitId, String, String), u64>,
    /// The service refuses a unit for good, or another gateway took it over.
    refused: Option<String>,
}

/// The summary as printed by `--json`.
#[derive(Serialize)]
struct Summary {
    rows: u64,
    samples: u64,
    events: u64,
    units: usize,
    batches_stored: u64,
    batches_stored_before: u64,
    quarantined: Vec<QuarantinedLine>,
}

#[derive(Serialize)]
struct QuarantinedLine {
    unit: String,
    reason: String,
    message: String,
    batches: u64,
}

/// One channel's samples, one time, value and quality each.
#[derive(Default)]
struct Gathering {
    times_ms: Vec<i64>,
    values: Vec<f64>,
    qualities: Vec<Quality>,
}

/// Samples of one unit not cut into batches yet.
#[derive(Default)]
struct Gathered {
    columns: BTreeMap<ChannelId, Gathering>,
    newest: Option<EventTime>,
}

/// One unit on its way.
struct Way {
    source: Source,
    builder: BatchBuilder,
    gathered: Gathered,
    ready: Vec<EncodedBatch>,
}

pub fn run(args: &SendArgs) -> Result<Outcome, Stop> {
    let catalogue = crate::rules::catalogue(&args.catalogue)?;
    let map = CsvMap::load(&args.map)
        .and_then(|map| map.bind(&catalogue))
        .map_err(|problems| problems_in("the map", problems.iter(), problems.len()))?;
    remote::block_on(send(args, &map))
}

async fn send(args: &SendArgs, map: &BoundMap) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    fs::create_dir_all(&args.spool)
        .with_context(|| format!("{} could not be made", args.spool.display()))?;
    let bar = bytes_bar(0, "reading");
    let tally = Arc::new(Mutex::new(Tally::default()));
    let news = Arc::new(Notify::new());
    let (told, telling, on_bar) = (Arc::clone(&tally), Arc::clone(&news), bar.clone());
    let gateway = Gateway::start(connection, GatewayOptions::default(), move |event| {
        let mut tally = told.lock().unwrap_or_else(PoisonError::into_inner);
        tally.take(event, &on_bar);
        telling.notify_one();
    });
    let mut sender = Sender {
        args,
        map,
        gateway,
        ways: BTreeMap::new(),
        taken: Taken::read(&args.spool)?,
        rows: 0,
        samples: 0,
        events: 0,
    };
    sender.take_up()?;
    let ended = tokio::select! {
        ended = sender.all(&bar, &tally, &news) => ended,
        () = crate::serve::stop_signal() => {
            bar.finish_and_clear();
            note("stopped; run the same command again to go on");
            return Ok(Outcome::Findings);
        }
    };
    bar.finish_and_clear();
    ended?;
    let tally = tally.lock().unwrap_or_else(PoisonError::into_inner);
    summary(&sender, &tally)
}

struct Sender<'a> {
    args: &'a SendArgs,
    map: &'a BoundMap,
    gateway: Gateway,
    ways: BTreeMap<UnitId, Way>,
    taken: Taken,
    rows: u64,
    samples: u64,
    events: u64,
}

/// One row, owned: the reader runs on a thread of its own.
struct Row {
    unit: UnitId,
    time: EventTime,
    samples: Vec<(ChannelId, f64, Quality)>,
    /// Event channel and one value a field.
    events: Vec<(ChannelId, Vec<Option<f64>>)>,
}

impl Sender<'_> {
    /// Opens the spools of earlier runs, so that what waits in them is sent whatever the files hold.
    fn take_up(&mut self) -> Result<(), Stop> {
        let folder = &self.args.spool;
        let entries =
            fs::read_dir(folder).with_context(|| format!("{} could not be read", folder.display()));
        for entry in entries? {
            let entry = entry.with_context(|| format!("{} could not be read", folder.display()))?;
            let unit = UnitId::new(&entry.file_name().to_string_lossy());
            if let (Ok(unit), true) = (unit, entry.path().is_dir()) {
                let way = self.way(&unit)?;
                self.ways.insert(unit, way);
            }
        }
        Ok(())
    }

    async fn all(
        &mut self,
        bar: &ProgressBar,
        tally: &Mutex<Tally>,
        news: &Notify,
    ) -> Result<(), Stop> {
        crate::files::say_shared_units(&self.args.files, self.map)?;
        for path in &self.args.files {
            bar.inc_length(fs::metadata(path).map_or(0, |about| about.len()));
        }
        for path in &self.args.files {
            self.file(path, bar).await?;
        }
        bar.finish_and_clear();
        let n_waiting = |sender: &Self| -> u64 {
            let ways = sender.ways.values();
            ways.map(|way| way.source.spool().n_pending()).sum()
        };
        let bar = count_bar(n_waiting(self), "sending", "batches");
        loop {
            let refused = {
                let tally = tally.lock().unwrap_or_else(PoisonError::into_inner);
                tally.refused.clone()
            };
            if let Some(refused) = refused {
                bar.finish_and_clear();
                return Err(Stop::Failed(anyhow!("{refused}")));
            }
            let waiting = n_waiting(self);
            bar.set_position(bar.length().unwrap_or(0).saturating_sub(waiting));
            if waiting == 0 {
                bar.finish_and_clear();
                return Ok(());
            }
            tokio::select! {
                () = news.notified() => {}
                () = self.gateway.drained() => {}
            }
        }
    }

    /// Takes one file into the spools, from where an earlier run left off.
    async fn file(&mut self, path: &Path, bar: &ProgressBar) -> Result<(), Stop> {
        let name = path.display().to_string();
        let file = File::open(path).with_context(|| format!("{name} could not be read"))?;
        let key = fs::canonicalize(path)
            .unwrap_or_else(|_| path.to_owned())
            .display()
            .to_string();
        let mut about = TakenFile::of(&file);
        if let Some(before) = self.taken.files.get(&key)
            && (before.bytes, before.changed_unix_ms) == (about.bytes, about.changed_unix_ms)
        {
            about.rows = before.rows;
        }
        let skipped = about.rows;
        if skipped > 0 {
            bar.suspend(|| {
                note(format!(
                    "{name}: {} rows were taken before and are not sent again",
                    grouped(skipped)
                ));
            });
        }
        let (rows, mut inbox) = tokio::sync::mpsc::channel::<Vec<Row>>(4);
        let (map, reader) = (self.map.clone(), bar.wrap_read(file));
        let reading =
            tokio::task::spawn_blocking(move || read(&map, &name, reader, skipped, &rows));
        let mut waiting = 0;
        while let Some(rows) = inbox.recv().await {
            for row in rows {
                about.rows += 1;
                self.rows += 1;
                waiting += row.samples.len() + row.events.len();
                self.row(&row)?;
            }
            if waiting >= SAMPLES_A_ROUND {
                waiting = 0;
                self.spool().await?;
                self.taken.note(&self.args.spool, &key, &about)?;
            }
        }
        // What was read before a bad row is sent all the same: nothing is lost.
        self.spool().await?;
        self.taken.note(&self.args.spool, &key, &about)?;
        reading.await??;
        Ok(())
    }

    fn row(&mut self, row: &Row) -> Result<(), Stop> {
        if !self.ways.contains_key(&row.unit) {
            let way = self.way(&row.unit)?;
            self.ways.insert(row.unit.clone(), way);
        }
        let Some(way) = self.ways.get_mut(&row.unit) else {
            return Ok(());
        };
        self.samples += row.samples.len() as u64;
        self.events += row.events.len() as u64;
        way.row(row, self.map)?;
        Ok(())
    }

    fn way(&self, unit: &UnitId) -> Result<Way, Stop> {
        let folder = self.args.spool.join(unit.as_str());
        let spool = DiskSpool::open(&folder, DiskSpoolOptions::default())?;
        for damage in spool.damage() {
            note(format!(
                "{} is damaged from byte {} to {}; what it held there was not sent",
                damage.path.display(),
                damage.from,
                damage.to
            ));
        }
        Ok(Way {
            source: self.gateway.add(unit.clone(), spool)?,
            builder: BatchBuilder::new(Packing::Zstd),
            gathered: Gathered::default(),
            ready: Vec::new(),
        })
    }

    /// Spools what was gathered; waits while a spool is full.
    async fn spool(&mut self) -> Result<(), Stop> {
        for way in self.ways.values_mut() {
            way.cut(self.map)?;
            let ready = std::mem::take(&mut way.ready);
            if !ready.is_empty() {
                way.source.append(ready).await?;
            }
        }
        Ok(())
    }
}

impl Way {
    fn row(&mut self, row: &Row, map: &BoundMap) -> anyhow::Result<()> {
        if self.gathered.newest.is_some_and(|newest| row.time < newest) {
            // A batch goes forward in time; where the file steps back, a new one begins.
            self.cut(map)?;
        }
        self.gathered.newest = Some(row.time);
        for (channel, fields) in &row.events {
            self.event(*channel, row.time, fields, map)?;
        }
        for &(channel, value, quality) in &row.samples {
            let gathering = self.gathered.columns.entry(channel).or_default();
            gathering.times_ms.push(row.time.unix_ms());
            gathering.values.push(value);
            gathering.qualities.push(quality);
        }
        Ok(())
    }

    fn event(
        &mut self,
        channel: ChannelId,
        time: EventTime,
        fields: &[Option<f64>],
        map: &BoundMap,
    ) -> anyhow::Result<()> {
        let def = map
            .catalogue()
            .by_id(channel)
            .context("a mapped event is in the catalogue")?;
        let names: &[(String, String)] = match &def.kind {
            ChannelKind::Event { fields } => fields,
            _ => &[],
        };
        let said: Vec<(&str, f64)> = names
            .iter()
            .zip(fields)
            .filter_map(|((name, _), value)| Some((name.as_str(), (*value)?)))
            .collect();
        self.builder.event(&def.name, time, &said)?;
        Ok(())
    }

    /// Cuts what was gathered into batches.
    fn cut(&mut self, map: &BoundMap) -> anyhow::Result<()> {
        let gathered = std::mem::take(&mut self.gathered);
        for (channel, gathering) in gathered.columns {
            let Gathering {
                times_ms,
                values,
                qualities,
            } = gathering;
            let def = map
                .catalogue()
                .by_id(channel)
                .context("a mapped channel is in the catalogue")?;
            self.builder
                .samples(&def.name, &def.ucum, &times_ms, &values, &qualities)?;
        }
        if !self.builder.is_empty() {
            self.ready.extend(self.builder.build()?);
        }
        Ok(())
    }
}

/// Reads a file and hands its rows on, some hundreds at a time, all but the first `skipped`.
fn read(
    map: &BoundMap,
    name: &str,
    reader: impl std::io::Read,
    skipped: u64,
    rows: &tokio::sync::mpsc::Sender<Vec<Row>>,
) -> anyhow::Result<()> {
    const ROWS_A_MESSAGE: usize = 512;
    let mut n_rows = 0;
    let mut message = Vec::with_capacity(ROWS_A_MESSAGE);
    let summary = map.read(name, reader, &mut |row| {
        n_rows += 1;
        if n_rows <= skipped {
            return ControlFlow::Continue(());
        }
        message.push(Row {
            unit: row.unit.clone(),
            time: row.time,
            samples: row.samples.to_vec(),
            events: row.events.to_vec(),
        });
        if message.len() == ROWS_A_MESSAGE
            && rows.blocking_send(std::mem::take(&mut message)).is_err()
        {
            return ControlFlow::Break(());
        }
        ControlFlow::Continue(())
    });
    if !message.is_empty() {
        // Nobody takes it only when the command is about to end.
        let _ = rows.blocking_send(message);
    }
    summary?;
    Ok(())
}

impl TakenFile {
    fn of(file: &File) -> Self {
        let about = file.metadata().ok();
        let changed = about
            .as_ref()
            .and_then(|about| about.modified().ok())
            .and_then(|at| at.duration_since(UNIX_EPOCH).ok());
        Self {
            bytes: about.map_or(0, |about| about.len()),
            changed_unix_ms: changed
                .and_then(|since| u64::try_from(since.as_millis()).ok())
                .unwrap_or(0),
            rows: 0,
        }
    }
}

impl Taken {
    fn path(spool: &Path) -> PathBuf {
        spool.join("taken.json")
    }

    fn read(spool: &Path) -> anyhow::Result<Self> {
        let path = Self::path(spool);
        if !path.exists() {
            return Ok(Self::default());
        }
        let text = fs::read_to_string(&path)
            .with_context(|| format!("{} could not be read", path.display()))?;
        serde_json::from_str(&text).with_context(|| {
            format!(
                "{} is no note of what was taken; remove it, and all rows are sent again",
                path.display()
            )
        })
    }

    fn note(&mut self, spool: &Path, key: &str, about: &TakenFile) -> anyhow::Result<()> {
        self.files.insert(key.to_owned(), about.clone());
        replace(&Self::path(spool), &serde_json::to_vec_pretty(self)?)
    }
}

impl Tally {
    fn take(&mut self, event: GatewayEvent, bar: &ProgressBar) {
        let say = |text: String| bar.suspend(|| note(text));
        match event {
            GatewayEvent::Stored { duplicate, .. } => {
                self.stored += u64::from(!duplicate);
                self.duplicates += u64::from(duplicate);
            }
            GatewayEvent::Quarantined {
                unit,
                reason,
                message,
                ..
            } => *self.quarantined.entry((unit, reason, message)).or_default() += 1,
            GatewayEvent::Disconnected { error, retry_in } => {
                let why = error.map_or_else(|| "it was closed".to_owned(), |error| error.message);
                say(format!(
                    "the connection is lost ({why}); next try in {:.1} s",
                    retry_in.as_secs_f64()
                ));
            }
            GatewayEvent::Fenced { unit } => {
                self.refused = Some(format!(
                    "another gateway sends for {unit} now; what is left waits in the spool"
                ));
            }
            GatewayEvent::SourceRefused { unit, error } => {
                self.refused = Some(match error.reason.as_str() {
                    "UNKNOWN_UNIT" => format!(
                        "the fleet has no unit {unit}; add it (wheeltap units add \"{unit}\" --class CLASS), then \
                         run the same command again: what was read waits in the spool"
                    ),
                    _ => format!("{unit}: {error}"),
                });
            }
            GatewayEvent::SpoolFailed { unit, error } => {
                say(format!("the spool of {unit}: {error}"));
            }
            GatewayEvent::Renewed { unit, .. } => say(format!(
                "the service knows other batches of {unit} by the same numbers; all that waits is sent anew"
            )),
            GatewayEvent::Retrying {
                unit,
                reason,
                message,
                ..
            } if reason == "QUARANTINE_FULL" => {
                self.refused = Some(format!(
                    "a batch of {unit} was not taken: {message}. Then run the same command again: what was \
                     read waits in the spool"
                ));
            }
            GatewayEvent::Welcomed { .. } | GatewayEvent::Retrying { .. } => {}
        }
    }
}

fn summary(sender: &Sender<'_>, tally: &Tally) -> Result<Outcome, Stop> {
    if sender.args.json {
        let mut out = Out::new();
        out.json(&Summary {
            rows: sender.rows,
            samples: sender.samples,
            events: sender.events,
            units: sender.ways.len(),
            batches_stored: tally.stored,
            batches_stored_before: tally.duplicates,
            quarantined: tally
                .quarantined
                .iter()
                .map(|((unit, reason, message), batches)| QuarantinedLine {
                    unit: unit.to_string(),
                    reason: reason.clone(),
                    message: message.clone(),
                    batches: *batches,
                })
                .collect(),
        })?;
        out.flush()?;
    } else {
        let events = match usize::try_from(sender.events).unwrap_or(usize::MAX) {
            0 => String::new(),
            n => format!(", {}", counted(n, "event")),
        };
        let n_batches = usize::try_from(tally.stored + tally.duplicates).unwrap_or(usize::MAX);
        note(format!(
            "read {} rows, {} samples{events}; {} stored",
            grouped(sender.rows),
            grouped(sender.samples),
            counted(n_batches, "batch"),
        ));
    }
    for ((unit, reason, message), batches) in &tally.quarantined {
        let batches = counted(*batches, "batch");
        note(format!("{unit}: {batches} set aside, {reason}: {message}"));
    }
    if tally.quarantined.is_empty() {
        return Ok(Outcome::Fine);
    }
    note(
        "they are kept: see `wheeltap quarantine list`; mend the cause, then `wheeltap quarantine release`",
    );
    Ok(Outcome::Findings)
}
