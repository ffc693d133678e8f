//! A judging service on a store in memory that can be killed at any commit.

#![allow(dead_code, reason = "each test file takes what it needs")]

#[path = "../common/folder.rs"]
mod folder;

pub use folder::folder;
use proptest::prelude::*;
use std::collections::{BTreeSet, HashMap};
use std::ops::Range;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, mpsc};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{
    Batch, ChannelDef, ChannelId, ChannelKind, ChannelName, ClassName, Column, Condition, Event,
    EventTime, Resolution, Sample, Series, ServerTime, Unit, UnitId,
};
use wheeltap_server::judging::{JudgeJob, Judging};
use wheeltap_server::{
    Access, Fleet, ManualClock, Metrics, Settings, Shared, Shutdown, Turnaround,
};
use wheeltap_store::{
    Appended, Commit, DocumentKey, Done, Epoch, Figures, Incoming, MemoryStore, PayloadDigest,
    QuarantineId, Quarantined, Rollup, SourceRanges, Store, StoreError, StoreId, Tier, Upkeep,
};

/// Where judging threads wait, so that a test can do something meanwhile.
#[derive(Default)]
pub struct Gate {
    shut: Mutex<Shut>,
    changed: Condvar,
}

#[derive(Default)]
struct Shut {
    /// What of the store is not answered for now, from this instant on; nothing while open.
    at: Option<(Answer, EventTime)>,
    is_waited_at: bool,
}

/// What a gate holds back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Samples, by where the stretch begins.
    Samples,
    /// Which sequences are stored; at whatever instant.
    Sources,
}

impl Gate {
    pub fn shut(&self, answer: Answer, from: EventTime) {
        self.shut.lock().unwrap().at = Some((answer, from));
    }

    /// Returns once a judging thread waits.
    pub fn is_reached(&self) {
        let shut = self.shut.lock().unwrap();
        let is_not = |shut: &mut Shut| !shut.is_waited_at;
        drop(self.changed.wait_while(shut, is_not).unwrap());
    }

    pub fn open(&self) {
        *self.shut.lock().unwrap() = Shut::default();
        self.changed.notify_all();
    }

    fn pass(&self, answer: Answer, at: EventTime) {
        if !is_judging() {
            return;
        }
        let mut shut = self.shut.lock().unwrap();
        let is_held = |shut: &mut Shut| {
            shut.at
                .is_some_and(|(held, from)| held == answer && at >= from)
        };
        if is_held(&mut shut) {
            shut.is_waited_at = true;
            self.changed.notify_all();
            drop(self.changed.wait_while(shut, is_held).unwrap());
        }
    }
}

fn is_judging() -> bool {
    let thread = std::thread::current();
    thread.name().is_some_and(|name| name.starts_with("judge-"))
}

/// A store that takes nothing more once it is killed, as a killed process writes nothing more.
pub struct Killable {
    pub inner: Arc<MemoryStore>,
    pub gate: Gate,
    /// From when on judging threads read samples of each unit.
    pub read_from: Mutex<HashMap<UnitId, EventTime>>,
    /// Channels of which judging threads read anything.
    pub channels_read: Mutex<BTreeSet<ChannelId>>,
    pub is_killed: AtomicBool,
    /// Killed for threads whose name this is the beginning of; nobody's where it is empty.
    pub killed_for: Mutex<&'static str>,
}

impl Killable {
    pub fn on(inner: &Arc<MemoryStore>) -> Arc<Self> {
        Arc::new(Self {
            inner: Arc::clone(inner),
            gate: Gate::default(),
            read_from: Mutex::default(),
            channels_read: Mutex::default(),
            is_killed: AtomicBool::new(false),
            killed_for: Mutex::new(""),
        })
    }
}

impl Store for Killable {
    fn id(&self) -> StoreId {
        self.inner.id()
    }
    fn channel_ids(&self, names: &[ChannelName]) -> Result<Vec<ChannelId>, StoreError> {
        self.inner.channel_ids(names)
    }
    fn submit(&self, batches: Vec<Incoming>, done: Done) {
        self.inner.submit(batches, done);
    }
    fn sources(&self, unit: &UnitId) -> Result<Vec<SourceRanges>, StoreError> {
        let sources = self.inner.sources(unit);
        self.gate.pass(Answer::Sources, at(0));
        sources
    }
    fn quarantine(&self, batch: Quarantined) -> Result<Option<QuarantineId>, StoreError> {
        self.inner.quarantine(batch)
    }
    fn quarantined(
        &self,
        after: Option<QuarantineId>,
        limit: usize,
    ) -> Result<Vec<(QuarantineId, Quarantined)>, StoreError> {
        self.inner.quarantined(after, limit)
    }
    fn discard_quarantined(&self, id: QuarantineId) -> Result<bool, StoreError> {
        self.inner.discard_quarantined(id)
    }
    fn read(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Series, StoreError> {
        if is_judging() {
            let mut read_from = self.read_from.lock().unwrap();
            let earliest = read_from.entry(unit.clone()).or_insert(from);
            *earliest = from.min(*earliest);
            self.channels_read.lock().unwrap().insert(channel);
        }
        let series = self.inner.read(unit, channel, from, to, limit);
        self.gate.pass(Answer::Samples, from);
        series
    }
    fn newest_before(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        before: EventTime,
    ) -> Result<Option<Sample>, StoreError> {
        self.inner.newest_before(unit, channel, before)
    }
    fn read_events(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Vec<Event>, StoreError> {
        if is_judging() {
            self.channels_read.lock().unwrap().insert(channel);
        }
        self.inner.read_events(unit, channel, from, to, limit)
    }
    fn rollups(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        tier: Tier,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Vec<Rollup>, StoreError> {
        self.inner.rollups(unit, channel, tier, from, to, limit)
    }
    fn extent(&self, unit: &UnitId) -> Result<Option<(EventTime, EventTime)>, StoreError> {
        self.inner.extent(unit)
    }
    fn commit(&self, commit: Commit) -> Result<u64, StoreError> {
        let killed_for = *self.killed_for.lock().unwrap();
        let thread = std::thread::current();
        let is_killed_for =
            !killed_for.is_empty() && thread.name().is_some_and(|n| n.starts_with(killed_for));
        if self.is_killed.load(Ordering::SeqCst) || is_killed_for {
            return Err(StoreError::Stopped {
                cause: "killed".into(),
            });
        }
        self.inner.commit(commit)
    }
    fn ledger(&self, after: u64, limit: usize) -> Result<Vec<(u64, Vec<u8>)>, StoreError> {
        self.inner.ledger(after, limit)
    }
    fn document(&self, key: &DocumentKey) -> Result<Option<Vec<u8>>, StoreError> {
        self.inner.document(key)
    }
    fn documents(
        &self,
        kind: &'static str,
        prefix: &[u8],
    ) -> Result<Vec<(DocumentKey, Vec<u8>)>, StoreError> {
        self.inner.documents(kind, prefix)
    }
    fn upkeep(&self, now: ServerTime) -> Result<Upkeep, StoreError> {
        self.inner.upkeep(now)
    }
    fn figures(&self) -> Result<Figures, StoreError> {
        self.inner.figures()
    }
}

/// 2026-01-01T00:00:00Z.
pub const T0: i64 = 1_767_225_600_000;

pub fn at(ms: i64) -> EventTime {
    EventTime::from_unix_ms(ms)
}

fn channel(name: &str, kind: ChannelKind) -> ChannelDef {
    ChannelDef {
        name: ChannelName::new(name).unwrap(),
        title: name.to_owned(),
        kind,
        ucum: "kPa".to_owned(),
        range: (-1e6, 1e6),
        resolution: Resolution { num: 1, den: 10 },
        silent_ms: 60_000,
    }
}

/// Channels 0: `test.level` sampled each 10 s, 1: `test.mode` held, 2: `test.trip` events, 3:
/// `test.over`, computed as level less mode.
pub fn catalogue() -> Catalogue {
    catalogue_without(None)
}

fn catalogue_without(left_out: Option<&str>) -> Catalogue {
    let sampled = ChannelKind::Sampled {
        interval_ms: 10_000,
    };
    let held = ChannelKind::Held { hold_ms: 600_000 };
    let event = ChannelKind::Event {
        fields: vec![("size".to_owned(), "1".to_owned())],
    };
    let mut channels = vec![
        channel("test.level", sampled),
        channel("test.mode", held),
        channel("test.trip", event),
    ];
    channels.retain(|def| Some(def.name.as_str()) != left_out);
    let mut catalogue = Catalogue::from_parts(channels, vec![]);
    let derived = r#"
        [[derived]]
        name = "test.over"
        formula = "pressure_difference"
        of = { high = "test.level", low = "test.mode" }
        range = [-1000, 1000]
        [[health]]
        channel = "test.level"
        stuck_after = "2 min"
        fastest = 0.3
    "#;
    catalogue.extend("derived.toml", derived).unwrap();
    catalogue
}

/// Reads the derived channel alone; the mode, 0 or 1, decides between levels 11 and 10.
pub const OVER: &str = r#"
fn about() { #{
    title: "Level over mode", system: "test", component: "level", priority: "high",
    tick: "10 s", on_delay: "10 s", off_delay: "10 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ over: mean("test.over", "1 min"), most: max("test.over", "30 s") } }
fn raise(seen) { seen.over > 10.5 || seen.most > 13.5 }
"#;

pub const LEVEL: &str = r#"
fn about() { #{
    title: "Level too high", system: "test", component: "level", priority: "high",
    tick: "10 s", on_delay: "20 s", off_delay: "20 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ level: mean("test.level", "1 min") } }
fn raise(seen) { seen.level > 10.0 }
fn clear(seen) { seen.level < 8.0 }
"#;

pub const TRIPS: &str = r#"
fn about() { #{
    title: "Trips in mode 1", system: "test", component: "trip", priority: "medium",
    tick: "1 min", on_delay: "1 min", off_delay: "1 min",
    cause: "a test", consequence: "none", action: "look", respond_within: "1 d",
} }
fn reads() { #{
    mode: last("test.mode", "10 min"),
    trips: count("test.trip", "5 min"),
    level: max("test.level", "5 min"),
} }
fn tested(seen) { seen.mode > 0.5 }
fn raise(seen) { seen.trips >= 2.0 }
fn suppress(seen) { seen.level > 12.0 }
"#;

/// Level and mode against their own first hour.
pub const UNLIKE: &str = r#"
fn about() { #{
    title: "Unlike itself", system: "test", component: "level", priority: "low",
    tick: "1 min", on_delay: "2 min", off_delay: "1 min",
    cause: "a test", consequence: "none", action: "look", respond_within: "1 d",
} }
fn reads() { #{
    level: mean("test.level", "2 min"),
    usual: usual("test.level", "2 min", first("1 h")),
    far: t_squared(#{ channels: ["test.level", "test.mode"], window: "2 min", healthy: first("1 h") }),
    odd: q(#{ channels: ["test.level", "test.mode"], window: "2 min", healthy: first("1 h"), variance: 0.4 }),
} }
fn raise(seen) { seen.far > 2.0 || seen.odd > 1.0 || seen.level > seen.usual + 3.0 }
"#;

/// The parts of one service, and the store that outlives it.
pub struct Service {
    pub store: Arc<MemoryStore>,
    pub killable: Arc<Killable>,
    pub shared: Arc<Shared>,
    pub judging: Arc<Judging>,
    pub clock: Arc<ManualClock>,
    runtime: tokio::runtime::Runtime,
    /// As the next service has them.
    pub settings: Settings,
    /// A channel that the next service's catalogue does not have.
    pub left_out: Option<&'static str>,
    next_sequence: u64,
}

pub fn unit() -> UnitId {
    UnitId::new("ZVR 4117").unwrap()
}

impl Service {
    /// A service on an empty store, with the rules of a folder and no others.
    pub fn new(rules: Option<PathBuf>) -> Self {
        Self::with(Settings {
            rules,
            channel_health: false,
            ..Settings::default()
        })
    }

    /// A service on an empty store that has an item for the shop for each sensor that fails, too.
    pub fn that_minds_sensors(rules: Option<PathBuf>) -> Self {
        Self::with(Settings {
            rules,
            channel_health: true,
            ..Settings::default()
        })
    }

    fn with(settings: Settings) -> Self {
        let clock = Arc::new(ManualClock::new(ServerTime::from_unix_ms(T0)));
        let store = Killable::on(&Arc::new(MemoryStore::new()));
        Self::on(store, (settings, None), clock, 1)
    }

    fn on(
        killable: Arc<Killable>,
        (settings, left_out): (Settings, Option<&'static str>),
        clock: Arc<ManualClock>,
        next_sequence: u64,
    ) -> Self {
        let store = Arc::clone(&killable.inner);
        let mut catalogue = catalogue_without(left_out);
        let names: Vec<ChannelName> = catalogue
            .channels()
            .map(|(_, def)| def.name.clone())
            .collect();
        let ids = store.channel_ids(&names).unwrap();
        catalogue.renumber(|name| ids[names.iter().position(|known| known == name).unwrap()]);
        let fleet = Fleet::load(Arc::clone(&killable) as Arc<dyn Store>).unwrap();
        let created = Unit {
            id: unit(),
            road_number: "4117".to_owned(),
            class: ClassName::new("Marten").unwrap(),
            commissioned: at(0),
        };
        fleet.create(created, Vec::new()).unwrap();
        let shared = Arc::new(Shared {
            store: Arc::clone(&killable) as Arc<dyn Store>,
            catalogue: Arc::new(catalogue),
            fleet,
            work: Arc::default(),
            turnaround: Turnaround::load(Arc::clone(&killable) as Arc<dyn Store>).unwrap(),
            clock: Arc::clone(&clock) as Arc<dyn wheeltap_server::Clock>,
            settings: settings.clone(),
            access: Access::default(),
            metrics: Metrics::default(),
            shutdown: Shutdown::default(),
        });
        let judging = Arc::new(Judging::start(Arc::clone(&shared)).unwrap());
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        Self {
            store,
            killable,
            shared,
            judging,
            clock,
            runtime,
            settings,
            left_out,
            next_sequence,
        }
    }

    /// The next service on the same store; `kill` ends this one without a word.
    pub fn restarted(self, kill: bool) -> Self {
        let store = Killable::on(&self.store);
        self.restarted_on(kill, store)
    }

    /// The next service, whose judging waits for this until the gate is opened.
    pub fn restarted_before(self, kill: bool, answer: Answer) -> Self {
        let store = Killable::on(&self.store);
        store.gate.shut(answer, at(0));
        self.restarted_on(kill, store)
    }

    fn restarted_on(self, kill: bool, store: Arc<Killable>) -> Self {
        if kill {
            self.killable.is_killed.store(true, Ordering::SeqCst);
        }
        self.judging.stop();
        let settings = (self.settings, self.left_out);
        Self::on(store, settings, self.clock, self.next_sequence)
    }

    /// Puts a batch of a unit into quarantine, as ingest does.
    pub fn set_aside(&mut self, unit: &UnitId) {
        let (epoch, sequence) = (Epoch([7; 16]), self.next_sequence);
        self.next_sequence += 1;
        let bad = Quarantined {
            unit: unit.to_string(),
            epoch,
            sequence,
            received_at: ServerTime::from_unix_ms(T0),
            reason: "A_TEST".into(),
            message: String::new(),
            bytes: vec![],
        };
        self.shared.store.quarantine(bad).unwrap();
        self.judging.set_aside(unit, epoch, sequence);
    }

    /// Stores a batch of the one unit; `offer` hands it to the judge too.
    pub fn send(&mut self, batch: Batch, offer: bool) {
        self.send_of(&unit(), batch, offer);
    }

    /// Another unit of the class.
    pub fn create(&self, unit: &UnitId) {
        let created = Unit {
            id: unit.clone(),
            road_number: String::new(),
            class: ClassName::new("Marten").unwrap(),
            commissioned: at(0),
        };
        self.shared.fleet.create(created, Vec::new()).unwrap();
    }

    /// Stores a batch of a unit; `offer` hands it to the judge too.
    pub fn send_of(&mut self, unit: &UnitId, batch: Batch, offer: bool) {
        let permit = Arc::new(Semaphore::new(1)).try_acquire_owned().unwrap();
        self.send_with(unit, batch, offer.then_some(permit));
    }

    /// Stores a batch of a unit, and hands it to the judge with its share of the bytes in flight.
    pub fn send_with(
        &mut self,
        unit: &UnitId,
        mut batch: Batch,
        permit: Option<OwnedSemaphorePermit>,
    ) {
        // Tests number channels as the catalogue lists them; the store has its own numbers.
        let ids: Vec<ChannelId> = self.shared.catalogue.channels().map(|(id, _)| id).collect();
        let known = |id: ChannelId| ids[usize::try_from(id.0).unwrap()];
        for column in &mut batch.columns {
            column.channel = known(column.channel);
        }
        for event in &mut batch.events {
            event.channel = known(event.channel);
        }
        let (epoch, sequence) = (Epoch([7; 16]), self.next_sequence);
        self.next_sequence += 1;
        let mut digest = [0; 16];
        digest[..8].copy_from_slice(&sequence.to_be_bytes());
        let batch = Arc::new(batch);
        let incoming = Incoming {
            unit: unit.clone(),
            epoch,
            sequence,
            digest: PayloadDigest(digest),
            received_at: ServerTime::from_unix_ms(T0),
            batch: Arc::clone(&batch),
        };
        let (tell, told) = mpsc::channel();
        let done = move |appended: Result<Vec<Appended>, StoreError>| {
            tell.send(appended.unwrap()).unwrap();
        };
        self.store.submit(vec![incoming], Box::new(done));
        assert_eq!(told.recv().unwrap(), [Appended::Stored]);
        if let Some(permit) = permit {
            self.judging.offer(JudgeJob {
                unit: unit.clone(),
                epoch,
                sequence,
                batch,
                received_at: ServerTime::from_unix_ms(T0),
                permit: Arc::new(permit),
            });
        }
    }

    pub fn idle(&self) {
        self.runtime.block_on(self.judging.idle());
        assert_eq!(self.shared.shutdown.cause(), None);
    }

    pub fn block_on<F: Future>(&self, future: F) -> F::Output {
        self.runtime.block_on(future)
    }

    /// What the law binds: version, part, times and evidence of all alerts not withdrawn.
    pub fn law(&self) -> BTreeSet<String> {
        self.law_of(&unit())
    }

    /// The same of a unit.
    pub fn law_of(&self, unit: &UnitId) -> BTreeSet<String> {
        let book = self.judging.ledger().book();
        book.known(unit, None)
            .filter(|alert| alert.condition() != Condition::Withdrawn)
            .map(|alert| {
                let alert = alert.alert();
                format!(
                    "{} {:?} {} {:?} {:?} {:?}",
                    alert.rule.name,
                    alert.part,
                    alert.raised_at,
                    alert.ended_at.map(|ended| ended.to_string()),
                    alert.evidence,
                    alert.end_evidence
                )
            })
            .collect()
    }
}

pub const MIN: i64 = 60_000;

/// A steady level each 10 s over so many minutes.
pub fn level(minutes: Range<i64>, value: f64) -> Vec<(i64, f64)> {
    (minutes.start * 6..minutes.end * 6)
        .map(|idx| (T0 + idx * 10_000, value))
        .collect()
}

/// Samples and events in any order, as one batch.
pub fn batch(levels: &[(i64, f64)], modes: &[(i64, f64)], trips: &[i64]) -> Batch {
    let column = |channel: u32, samples: &[(i64, f64)]| {
        let mut samples = samples.to_vec();
        samples.sort_by_key(|(ms, _)| *ms);
        Column {
            channel: ChannelId(channel),
            times_ms: samples.iter().map(|(ms, _)| *ms).collect(),
            values: samples.iter().map(|(_, value)| *value).collect(),
            qualities: vec![],
        }
    };
    let mut columns = Vec::new();
    if !levels.is_empty() {
        columns.push(column(0, levels));
    }
    if !modes.is_empty() {
        columns.push(column(1, modes));
    }
    Batch {
        columns,
        events: trips
            .iter()
            .map(|ms| Event {
                channel: ChannelId(2),
                time: at(*ms),
                fields: vec![Some(1.0)],
            })
            .collect(),
        complete_through: None,
    }
}

/// One thing that is measured.
#[derive(Clone, Copy, Debug)]
pub enum Datum {
    Level(i64, f64),
    Mode(i64, f64),
    Trip(i64),
}

impl Datum {
    pub const fn ms(self) -> i64 {
        match self {
            Self::Level(ms, _) | Self::Mode(ms, _) | Self::Trip(ms) => ms,
        }
    }
}

pub fn made(data: &[Datum]) -> Batch {
    let (mut levels, mut modes, mut trips) = (vec![], vec![], vec![]);
    for datum in data {
        match datum {
            Datum::Level(ms, value) => levels.push((*ms, *value)),
            Datum::Mode(ms, value) => modes.push((*ms, *value)),
            Datum::Trip(ms) => trips.push(*ms),
        }
    }
    batch(&levels, &modes, &trips)
}

/// So many stretches, of ten minutes or so, of a steady level from one of these minutes on, with gaps, modes
/// and trips: about as many alerts as stretches, and windows, delays and checkpoints all cross batches.
pub fn history(begins: Range<i64>, n_stretches: Range<usize>) -> impl Strategy<Value = Vec<Datum>> {
    let stretch = (
        1_i64..12,
        prop::sample::select(vec![None, Some(5.0), Some(9.0), Some(11.0), Some(14.0)]),
        prop::option::of(0_u8..2),
        prop::collection::vec(0_i64..300_000, 0..3),
    );
    let stretches = prop::collection::vec(stretch, n_stretches);
    (begins, stretches).prop_map(|(begins, stretches)| {
        let mut data = Vec::new();
        let mut ms = T0 + begins * 60_000 + 3_000;
        for (n, level, mode, trips) in stretches {
            let n = n * 6;
            if let Some(mode) = mode {
                data.push(Datum::Mode(ms + 1, f64::from(mode)));
            }
            data.extend(trips.into_iter().map(|offset| Datum::Trip(ms + offset)));
            for idx in 0..n {
                if let Some(level) = level {
                    data.push(Datum::Level(ms + idx * 10_000, level));
                }
            }
            ms += n * 10_000;
        }
        data.push(Datum::Level(ms, 0.0));
        data.sort_by_key(|datum| datum.ms());
        data
    })
}
