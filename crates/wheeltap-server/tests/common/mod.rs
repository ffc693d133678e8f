//! A real server on a real listener, over a store in memory and a clock that stands still.
#![allow(
    dead_code,
    clippy::unwrap_used,
    reason = "each test file uses its own part of this harness, and a failed step must fail the test"
)]

pub mod alerting;
pub mod folder;

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;
use tokio_stream::wrappers::ReceiverStream;
use tonic::transport::{Channel, Endpoint};
use tonic::{Status, Streaming};
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{
    Axle, ChannelDef, ChannelId, ChannelKind, ChannelName, ClassDef, ClassName, Event, EventTime,
    Resolution, Sample, Series, ServerTime, Unit, UnitId,
};
use wheeltap_proto::v1;
use wheeltap_proto::v1::ingest_service_client::IngestServiceClient;
use wheeltap_proto::v1::stream_telemetry_request::Item as Asked;
use wheeltap_proto::v1::stream_telemetry_response::Item as Answer;
use wheeltap_server::{Access, ManualClock, RunError, Settings, Shared, run};
use wheeltap_store::{
    Commit, DocumentKey, Done, Figures, Incoming, MemoryStore, QuarantineId, Quarantined, Rollup,
    SourceRanges, Store, StoreError, StoreId, Tier, Upkeep,
};

/// 2026-01-01T00:00:00Z, when the server's clock stands and units send.
pub const NOW_MS: i64 = 1_767_225_600_000;

pub fn catalogue() -> Catalogue {
    let channel = |name: &str, ucum: &str, range, kind| ChannelDef {
        name: ChannelName::new(name).unwrap(),
        title: "A channel of tests".to_owned(),
        kind,
        ucum: ucum.to_owned(),
        range,
        resolution: Resolution { num: 1, den: 100 },
        silent_ms: 60_000,
    };
    let sampled = ChannelKind::Sampled { interval_ms: 1_000 };
    let slip = ChannelKind::Event {
        fields: vec![
            ("axle".to_owned(), "1".to_owned()),
            ("duration".to_owned(), "s".to_owned()),
        ],
    };
    let channels = vec![
        channel(
            "engine.oil.temperature",
            "Cel",
            (-50.0, 150.0),
            sampled.clone(),
        ),
        channel("engine.coolant.temperature", "Cel", (-50.0, 150.0), sampled),
        channel(
            "brake.pipe.pressure",
            "kPa",
            (0.0, 1_100.0),
            ChannelKind::Held { hold_ms: 70_000 },
        ),
        channel("wheel.slip", "1", (0.0, 0.0), slip),
    ];
    let class = ClassDef {
        name: ClassName::new("Marten").unwrap(),
        title: "A class of tests".to_owned(),
        axles: vec![Axle { powered: true }; 6],
        weight_on_drivers_kg: Some(180_000.0),
        rated_power_kw: None,
        gear_ratio: None,
        wheel_diameter_mm: None,
        fuel_capacity_l: None,
        sand_capacity_kg: None,
        oil_capacity_l: None,
        water_capacity_l: None,
        limits: vec![("coolant_hot_cel".to_owned(), 96.0)],
    };
    let mut catalogue = Catalogue::from_parts(channels, vec![class]);
    let derived = r#"
        [[derived]]
        name = "brake.pipe.charging_time"
        formula = "charging_time"
        of = { pressure = "brake.pipe.pressure", from = "70 [psi]", to = "87 [psi]", most = "1 h" }
        range = [0, 60]
        [[channel]]
        name = "place.mile"
        title = "Mile on the line"
        kind = "sampled"
        ucum = "[mi_i]"
        range = [0, 1000]
        resolution = "0.001"
        interval = "10 s"
        [[channel]]
        name = "place.line"
        title = "Number of the line"
        kind = "held"
        ucum = "1"
        range = [0, 100]
        resolution = "1"
        hold = "1 h"
        [[channel]]
        name = "engine.running"
        title = "The engine turns by itself (1) or not (0)"
        kind = "held"
        ucum = "1"
        range = [0, 1]
        resolution = "1"
        hold = "10 min"
    "#;
    catalogue.extend("derived.toml", derived).unwrap();
    catalogue
}

pub fn unit(number: u32) -> UnitId {
    UnitId::new(&format!("ZVR {number}")).unwrap()
}

/// A running server.
pub struct Served {
    pub shared: Arc<Shared>,
    pub clock: Arc<ManualClock>,
    pub store: Arc<dyn Store>,
    pub address: String,
    stop: Option<oneshot::Sender<()>>,
    running: JoinHandle<Result<(), RunError>>,
}

impl Served {
    /// Units `ZVR 1` to `ZVR 8`, commissioned in 2020.
    pub async fn start(settings: Settings) -> Self {
        Self::on(Arc::new(MemoryStore::new()), settings).await
    }

    /// On a store that may have served before.
    pub async fn on(store: Arc<dyn Store>, settings: Settings) -> Self {
        Self::with(store, settings, Access::default()).await
    }

    /// With identities of the test's own.
    pub async fn with(store: Arc<dyn Store>, settings: Settings, access: Access) -> Self {
        let clock = Arc::new(ManualClock::new(ServerTime::from_unix_ms(NOW_MS)));
        let mut shared = Shared::with_catalogue(
            Arc::clone(&store),
            settings,
            Arc::clone(&clock) as Arc<dyn wheeltap_server::Clock>,
            catalogue(),
        )
        .unwrap();
        Arc::get_mut(&mut shared).unwrap().access = access;
        for number in 1..=8 {
            let unit = Unit {
                id: unit(number),
                road_number: number.to_string(),
                class: ClassName::new("Marten").unwrap(),
                commissioned: EventTime::from_unix_ms(1_577_836_800_000),
            };
            shared.fleet.create(unit, Vec::new()).unwrap();
        }
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("http://{}", listener.local_addr().unwrap());
        let (stop, stopped) = oneshot::channel();
        let running = tokio::spawn(run(listener, Arc::clone(&shared), async {
            // A dropped sender stops it too, so that a failing test ends.
            let _ = stopped.await;
        }));
        Self {
            shared,
            clock,
            store,
            address,
            stop: Some(stop),
            running,
        }
    }

    pub async fn channel(&self) -> Channel {
        Endpoint::from_shared(self.address.clone())
            .unwrap()
            .connect()
            .await
            .unwrap()
    }

    pub async fn ingest(&self) -> IngestServiceClient<Channel> {
        IngestServiceClient::new(self.channel().await)
    }

    /// Opens a stream on a connection of its own.
    pub async fn stream(&self) -> Gateway {
        Gateway::open(self.ingest().await).await.unwrap()
    }

    /// Begins to stop; `ended` tells when it has.
    pub fn begin_stop(&mut self) {
        drop(self.stop.take());
    }

    pub async fn ended(self) -> Result<(), RunError> {
        self.running.await.unwrap()
    }

    pub async fn stop(mut self) {
        self.begin_stop();
        self.ended().await.unwrap();
    }
}

/// One telemetry stream, driven by hand.
pub struct Gateway {
    pub asks: mpsc::Sender<v1::StreamTelemetryRequest>,
    pub answers: Streaming<v1::StreamTelemetryResponse>,
}

impl Gateway {
    pub async fn open(mut client: IngestServiceClient<Channel>) -> Result<Self, Status> {
        let (asks, asked) = mpsc::channel(16);
        let answers = client
            .stream_telemetry(ReceiverStream::new(asked))
            .await?
            .into_inner();
        Ok(Self { asks, answers })
    }

    pub async fn ask(&self, item: Asked) {
        let request = v1::StreamTelemetryRequest { item: Some(item) };
        self.asks.send(request).await.unwrap();
    }

    pub async fn answer(&mut self) -> Answer {
        self.answers.message().await.unwrap().unwrap().item.unwrap()
    }

    pub async fn hello(&mut self, source: u32, unit: &UnitId, epoch: u8) -> v1::Welcome {
        self.ask(Asked::Hello(v1::Hello {
            source,
            unit: format!("units/{unit}"),
            epoch: vec![epoch; 16].into(),
        }))
        .await;
        match self.answer().await {
            Answer::Welcome(welcome) => welcome,
            other => panic!("no welcome but {other:?}"),
        }
    }

    pub async fn acknowledgement(&mut self) -> v1::BatchAcknowledgement {
        match self.answer().await {
            Answer::Acknowledgement(acknowledgement) => acknowledgement,
            other => panic!("no acknowledgement but {other:?}"),
        }
    }

    /// Sends a batch and waits for its own outcome.
    pub async fn send(&mut self, batch: v1::TelemetryBatch) -> v1::BatchOutcome {
        self.ask(Asked::Batch(batch)).await;
        let mut acknowledgement = self.acknowledgement().await;
        assert_eq!(acknowledgement.outcomes.len(), 1);
        acknowledgement.outcomes.remove(0)
    }

    /// The status with which the server ends the stream, whatever it answers before.
    pub async fn end(mut self) -> Option<Status> {
        loop {
            match self.answers.message().await {
                Ok(Some(_)) => {}
                Ok(None) => return None,
                Err(status) => return Some(status),
            }
        }
    }
}

pub fn digest(bytes: &[u8]) -> Vec<u8> {
    blake3::hash(bytes).as_bytes()[..16].to_vec()
}

/// A schema of channels given as (name, unit, event fields).
pub fn schema(channels: &[(&str, &str, &[&str])]) -> v1::Schema {
    use prost::Message;
    let definition = v1::SchemaDefinition {
        channels: channels
            .iter()
            .map(|(name, ucum, fields)| v1::SchemaChannel {
                name: (*name).to_owned(),
                ucum: (*ucum).to_owned(),
                fields: fields.iter().map(|field| (*field).to_owned()).collect(),
            })
            .collect(),
    }
    .encode_to_vec();
    v1::Schema {
        digest: digest(&definition).into(),
        definition: definition.into(),
    }
}

/// Oil in degrees Fahrenheit, brake pipe in the catalogue's unit, slips.
pub fn usual_schema() -> v1::Schema {
    schema(&[
        ("engine.oil.temperature", "[degF]", &[]),
        ("brake.pipe.pressure", "", &[]),
        ("wheel.slip", "", &["duration", "axle"]),
    ])
}

pub fn batch_of(
    schema: &v1::Schema,
    sequence: u64,
    payload: &v1::TelemetryPayload,
) -> v1::TelemetryBatch {
    use prost::Message;
    let payload = payload.encode_to_vec();
    v1::TelemetryBatch {
        source: 1,
        sequence,
        schema_digest: schema.digest.clone(),
        encoding: v1::Encoding::Columns.into(),
        crc32c: crc32c::crc32c(&payload),
        payload: payload.into(),
        complete_through_unix_ms: None,
    }
}

/// One column on one axis.
pub fn column(channel: u32, first_ms: i64, step_ms: u64, values: &[f64]) -> v1::TelemetryPayload {
    v1::TelemetryPayload {
        axes: vec![v1::TimeAxis {
            first_unix_ms: first_ms,
            deltas_ms: Vec::new(),
            step_ms,
            count: u32::try_from(values.len()).unwrap(),
        }],
        columns: vec![v1::PayloadColumn {
            channel,
            axis: 0,
            values: values.to_vec(),
            qualities: Vec::new().into(),
        }],
        events: Vec::new(),
    }
}

/// A store whose disk is full after some batches; all else is a store in memory.
pub struct FullDisk {
    inner: MemoryStore,
    left: AtomicUsize,
}

impl FullDisk {
    pub fn after(n_batches: usize) -> Self {
        Self {
            inner: MemoryStore::new(),
            left: AtomicUsize::new(n_batches),
        }
    }
}

macro_rules! pass_on {
    ($($name:ident($($arg:ident: $ty:ty),*) -> $out:ty;)+) => {
        $(fn $name(&self, $($arg: $ty),*) -> Result<$out, StoreError> {
            self.inner.$name($($arg),*)
        })+
    };
}

impl Store for FullDisk {
    fn id(&self) -> StoreId {
        self.inner.id()
    }

    fn submit(&self, batches: Vec<Incoming>, done: Done) {
        let n_batches = batches.len();
        let take = |left: usize| left.checked_sub(n_batches);
        if self
            .left
            .fetch_update(Ordering::SeqCst, Ordering::SeqCst, take)
            .is_ok()
        {
            self.inner.submit(batches, done);
        } else {
            done(Err(StoreError::Io {
                path: "the folder".to_owned(),
                doing: "written to",
                source: std::io::Error::other("no space left on device"),
            }));
        }
    }

    pass_on! {
        channel_ids(names: &[ChannelName]) -> Vec<ChannelId>;
        sources(unit: &UnitId) -> Vec<SourceRanges>;
        quarantine(batch: Quarantined) -> Option<QuarantineId>;
        quarantined(after: Option<QuarantineId>, limit: usize) -> Vec<(QuarantineId, Quarantined)>;
        discard_quarantined(id: QuarantineId) -> bool;
        read(unit: &UnitId, channel: ChannelId, from: EventTime, to: EventTime, limit: usize)
            -> Series;
        newest_before(unit: &UnitId, channel: ChannelId, before: EventTime) -> Option<Sample>;
        read_events(unit: &UnitId, channel: ChannelId, from: EventTime, to: EventTime, limit: usize)
            -> Vec<Event>;
        rollups(unit: &UnitId, channel: ChannelId, tier: Tier, from: EventTime, to: EventTime, limit: usize)
            -> Vec<Rollup>;
        extent(unit: &UnitId) -> Option<(EventTime, EventTime)>;
        commit(commit: Commit) -> u64;
        ledger(after: u64, limit: usize) -> Vec<(u64, Vec<u8>)>;
        document(key: &DocumentKey) -> Option<Vec<u8>>;
        documents(kind: &'static str, prefix: &[u8]) -> Vec<(DocumentKey, Vec<u8>)>;
        upkeep(now: ServerTime) -> Upkeep;
        figures() -> Figures;
    }
}
