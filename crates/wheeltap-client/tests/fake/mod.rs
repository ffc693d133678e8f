//! An ingest service in memory that makes trouble as asked. What it has stored survives its kill.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_stream::wrappers::{TcpListenerStream, UnboundedReceiverStream};
use tonic::{Request, Response, Status, Streaming};
use tonic_types::{ErrorDetails, StatusExt};
use wheeltap_model::UnitId;
use wheeltap_proto::v1::batch_outcome::Outcome;
use wheeltap_proto::v1::ingest_service_server::{IngestService, IngestServiceServer};
use wheeltap_proto::v1::{self, stream_telemetry_request, stream_telemetry_response};

/// What goes wrong.
#[derive(Clone, Debug)]
pub struct Trouble {
    pub seed: u64,
    /// A stream ends after about so many messages; 0 is never.
    pub drop_after: u32,
    /// Answers wait until so many batches came.
    pub answer_every: usize,
    /// This sequence is quarantined.
    pub quarantine: Option<u64>,
    /// This sequence is refused, the first time.
    pub refuse_once: Option<u64>,
    /// These sequences are answered *retry* the first time.
    pub retry_once: Vec<(u64, &'static str)>,
    /// There is no such unit.
    pub unknown_unit: Option<String>,
}

impl Trouble {
    pub fn none() -> Self {
        Self {
            seed: 0,
            drop_after: 0,
            answer_every: 1,
            quarantine: None,
            refuse_once: None,
            retry_once: Vec::new(),
            unknown_unit: None,
        }
    }

    pub fn random(seed: u64) -> Self {
        Self {
            seed,
            drop_after: 25,
            answer_every: 4,
            ..Self::none()
        }
    }
}

type SourceKey = (String, Vec<u8>);

#[derive(Default)]
struct State {
    stored: HashMap<SourceKey, BTreeMap<u64, Vec<u8>>>,
    settled: HashMap<SourceKey, BTreeSet<u64>>,
    schemas: HashSet<Vec<u8>>,
    arrivals: Vec<(u64, Option<i64>)>,
    n_streams: u64,
    n_schemas: u64,
    done_once: HashSet<u64>,
    /// Who has a unit now: its stream's number and way back.
    holders: HashMap<String, (u64, u32, mpsc::UnboundedSender<Answer>)>,
}

type Answer = Result<v1::StreamTelemetryResponse, Status>;

#[derive(Clone)]
struct Service {
    trouble: Trouble,
    state: Arc<Mutex<State>>,
}

pub struct Fake {
    service: Service,
    addr: SocketAddr,
    task: JoinHandle<()>,
}

impl Fake {
    pub async fn start(trouble: Trouble) -> Self {
        let service = Service {
            trouble,
            state: Arc::default(),
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let addr = listener.local_addr().unwrap();
        let task = tokio::spawn(serve(service.clone(), listener));
        Self {
            service,
            addr,
            task,
        }
    }

    /// Ends the service and its connections at once; what it has stored stays.
    pub async fn kill(&mut self) {
        self.task.abort();
        let _ = (&mut self.task).await;
        let mut state = self.service.state.lock().unwrap();
        for (_, _, answers) in state.holders.values() {
            // The stream's task belongs to the connection, which outlives the listener's.
            let _ = answers.send(Err(Status::unavailable("killed")));
        }
        state.holders.clear();
    }

    pub async fn restart(&mut self) {
        let listener = TcpListener::bind(self.addr).await.unwrap();
        self.task = tokio::spawn(serve(self.service.clone(), listener));
    }

    pub fn address(&self) -> String {
        format!("http://{}", self.addr)
    }

    pub fn preload(&self, unit: &UnitId, epoch: [u8; 16], sequence: u64, payload: &[u8]) {
        let mut state = self.service.state.lock().unwrap();
        let key = (format!("units/{unit}"), epoch.to_vec());
        let source = state.stored.entry(key.clone()).or_default();
        source.insert(sequence, payload.to_vec());
        state.settled.entry(key).or_default().insert(sequence);
    }

    pub fn stored(&self, unit: &UnitId, epoch: [u8; 16]) -> BTreeMap<u64, Vec<u8>> {
        let state = self.service.state.lock().unwrap();
        let key = (format!("units/{unit}"), epoch.to_vec());
        state.stored.get(&key).cloned().unwrap_or_default()
    }

    pub fn n_streams(&self) -> u64 {
        self.service.state.lock().unwrap().n_streams
    }

    pub fn n_epochs(&self) -> usize {
        self.service.state.lock().unwrap().settled.len()
    }

    pub fn n_schemas(&self) -> u64 {
        self.service.state.lock().unwrap().n_schemas
    }

    pub fn n_received(&self) -> usize {
        self.service.state.lock().unwrap().arrivals.len()
    }

    /// Sequence and promise of each batch, as they came.
    pub fn arrivals(&self) -> Vec<(u64, Option<i64>)> {
        self.service.state.lock().unwrap().arrivals.clone()
    }
}

impl Drop for Fake {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn serve(service: Service, listener: TcpListener) {
    tonic::transport::Server::builder()
        .add_service(IngestServiceServer::new(service))
        .serve_with_incoming(TcpListenerStream::new(listener))
        .await
        .unwrap();
}

fn ranges(settled: &BTreeSet<u64>) -> Vec<v1::SequenceRange> {
    let mut ranges: Vec<v1::SequenceRange> = Vec::new();
    for &sequence in settled {
        match ranges.last_mut() {
            Some(range) if range.last + 1 == sequence => range.last = sequence,
            _ => ranges.push(v1::SequenceRange {
                first: sequence,
                last: sequence,
            }),
        }
    }
    ranges
}

#[expect(
    clippy::unnecessary_wraps,
    reason = "it is sent where errors are sent too"
)]
fn answer(item: stream_telemetry_response::Item) -> Answer {
    Ok(v1::StreamTelemetryResponse { item: Some(item) })
}

/// One stream's own state.
struct Stream {
    number: u64,
    service: Service,
    answers: mpsc::UnboundedSender<Answer>,
    sources: HashMap<u32, SourceKey>,
    waiting: Vec<(u32, v1::BatchOutcome)>,
}

impl Stream {
    fn hello(&mut self, hello: v1::Hello) -> Result<(), Status> {
        let unknown = self.service.trouble.unknown_unit.as_deref();
        let id = hello.unit.strip_prefix("units/").unwrap().to_owned();
        if unknown == Some(id.as_str()) {
            let details = ErrorDetails::with_error_info("UNKNOWN_UNIT", "wheeltap", []);
            return Err(Status::with_error_details(
                tonic::Code::NotFound,
                "no such unit",
                details,
            ));
        }
        let key = (hello.unit.clone(), hello.epoch.to_vec());
        let mut state = self.service.state.lock().unwrap();
        let holder = (self.number, hello.source, self.answers.clone());
        if let Some((number, source, before)) = state.holders.insert(hello.unit, holder)
            && number != self.number
        {
            let fenced = v1::Fenced { source };
            let _ = before.send(answer(stream_telemetry_response::Item::Fenced(fenced)));
        }
        let welcome = v1::Welcome {
            source: hello.source,
            store_id: vec![7; 16].into(),
            durable: ranges(state.settled.entry(key.clone()).or_default()),
            known_schema_digests: state.schemas.iter().map(|d| d.clone().into()).collect(),
            max_in_flight_batches: 16,
        };
        drop(state);
        self.sources.insert(hello.source, key);
        let _ = self
            .answers
            .send(answer(stream_telemetry_response::Item::Welcome(welcome)));
        Ok(())
    }

    fn batch(&mut self, batch: &v1::TelemetryBatch) {
        let trouble = &self.service.trouble;
        let key = self.sources.get(&batch.source).expect("a Hello came first");
        let mut state = self.service.state.lock().unwrap();
        state
            .arrivals
            .push((batch.sequence, batch.complete_through_unix_ms));
        assert_eq!(crc32c::crc32c(&batch.payload), batch.crc32c);
        let sequence = batch.sequence;
        let retry = trouble.retry_once.iter().find(|(at, _)| *at == sequence);
        let before = state.stored.entry(key.clone()).or_default().get(&sequence);
        let is_same = before.map(|before| *before == batch.payload);
        let (outcome, reason) = if let Some((_, reason)) = retry
            && state.done_once.insert(sequence)
        {
            if *reason == "UNKNOWN_SCHEMA" {
                state.schemas.remove(batch.schema_digest.as_ref());
            }
            (Outcome::Retry, *reason)
        } else if !state.schemas.contains(batch.schema_digest.as_ref()) {
            (Outcome::Retry, "UNKNOWN_SCHEMA")
        } else if trouble.refuse_once == Some(sequence) && state.done_once.insert(sequence) {
            (Outcome::Refused, "SEQUENCE_REUSED")
        } else if trouble.quarantine == Some(sequence) {
            (Outcome::Quarantined, "UNKNOWN_CHANNEL")
        } else {
            match is_same {
                Some(true) => (Outcome::Duplicate, ""),
                Some(false) => (Outcome::Refused, "SEQUENCE_REUSED"),
                None => {
                    let source = state.stored.entry(key.clone()).or_default();
                    source.insert(sequence, batch.payload.to_vec());
                    (Outcome::Stored, "")
                }
            }
        };
        if matches!(
            outcome,
            Outcome::Stored | Outcome::Duplicate | Outcome::Quarantined
        ) {
            let settled = state.settled.entry(key.clone()).or_default();
            settled.insert(sequence);
        }
        drop(state);
        self.waiting.push((
            batch.source,
            v1::BatchOutcome {
                sequence,
                outcome: outcome.into(),
                reason: reason.to_owned(),
                message: String::new(),
                column: None,
                sample: None,
            },
        ));
    }

    fn flush(&mut self) {
        let mut by_source: BTreeMap<u32, Vec<v1::BatchOutcome>> = BTreeMap::new();
        for (source, outcome) in self.waiting.drain(..) {
            by_source.entry(source).or_default().push(outcome);
        }
        for (source, outcomes) in by_source {
            let state = self.service.state.lock().unwrap();
            let acknowledgement = v1::BatchAcknowledgement {
                source,
                store_id: vec![7; 16].into(),
                durable: ranges(&state.settled[&self.sources[&source]]),
                outcomes,
            };
            drop(state);
            let _ = self
                .answers
                .send(answer(stream_telemetry_response::Item::Acknowledgement(
                    acknowledgement,
                )));
        }
    }

    async fn run(mut self, mut inbound: Streaming<v1::StreamTelemetryRequest>) {
        let seed = self.service.trouble.seed.wrapping_mul(1_000) + self.number;
        let mut random = StdRng::seed_from_u64(seed);
        loop {
            // Late answers: while more is at hand, it is read first.
            let message = if self.waiting.is_empty() {
                inbound.message().await
            } else {
                tokio::select! {
                    biased;
                    message = inbound.message() => message,
                    () = tokio::task::yield_now() => {
                        self.flush();
                        continue;
                    }
                }
            };
            let Ok(Some(message)) = message else { return };
            let drop_after = self.service.trouble.drop_after;
            let drops = drop_after > 0 && random.random_range(0..drop_after) == 0;
            if drops && random.random() {
                // Before the message has any effect.
                let _ = self.answers.send(Err(Status::unavailable("dropped")));
                return;
            }
            match message.item {
                Some(stream_telemetry_request::Item::Hello(hello)) => {
                    if let Err(status) = self.hello(hello) {
                        let _ = self.answers.send(Err(status));
                        return;
                    }
                }
                Some(stream_telemetry_request::Item::Schema(schema)) => {
                    let mut state = self.service.state.lock().unwrap();
                    state.n_schemas += 1;
                    state.schemas.insert(schema.digest.to_vec());
                }
                Some(stream_telemetry_request::Item::Batch(batch)) => self.batch(&batch),
                None => panic!("an empty message"),
            }
            if drops {
                // After it was stored, before it is answered.
                let _ = self.answers.send(Err(Status::unavailable("dropped")));
                return;
            }
            if self.waiting.len() >= self.service.trouble.answer_every {
                self.flush();
            }
        }
    }
}

#[tonic::async_trait]
impl IngestService for Service {
    type StreamTelemetryStream = UnboundedReceiverStream<Answer>;

    async fn stream_telemetry(
        &self,
        request: Request<Streaming<v1::StreamTelemetryRequest>>,
    ) -> Result<Response<Self::StreamTelemetryStream>, Status> {
        let (answers, receiver) = mpsc::unbounded_channel();
        let number = {
            let mut state = self.state.lock().unwrap();
            state.n_streams += 1;
            state.n_streams
        };
        let stream = Stream {
            number,
            service: self.clone(),
            answers,
            sources: HashMap::new(),
            waiting: Vec::new(),
        };
        tokio::spawn(stream.run(request.into_inner()));
        Ok(Response::new(UnboundedReceiverStream::new(receiver)))
    }

    async fn list_quarantined_batches(
        &self,
        _: Request<v1::ListQuarantinedBatchesRequest>,
    ) -> Result<Response<v1::ListQuarantinedBatchesResponse>, Status> {
        Err(Status::unimplemented("not part of these tests"))
    }

    async fn release_quarantined_batch(
        &self,
        _: Request<v1::ReleaseQuarantinedBatchRequest>,
    ) -> Result<Response<v1::ReleaseQuarantinedBatchResponse>, Status> {
        Err(Status::unimplemented("not part of these tests"))
    }

    async fn delete_quarantined_batch(
        &self,
        _: Request<v1::DeleteQuarantinedBatchRequest>,
    ) -> Result<Response<v1::DeleteQuarantinedBatchResponse>, Status> {
        Err(Status::unimplemented("not part of these tests"))
    }
}
