//! Takes telemetry in: streams, checks, quarantine, and the way to the store.

mod decode;
mod intake;
mod quarantine;
mod schema;
mod source;
mod stream;

use crate::judging::Judging;
use crate::{Shared, status};
use intake::Intake;
pub use intake::IntakeThread;
use quarantine::PutOff;
use schema::Schemas;
use source::Registry;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Request, Response, Status, Streaming};
use wheeltap_model::Batch;
use wheeltap_proto::v1;
use wheeltap_proto::v1::ingest_service_server::IngestService;
use wheeltap_store::StoreError;

/// Bytes of one permit of the bytes in flight.
const PERMIT: usize = 1_024;
/// Permits of one MiB.
const PERMITS_PER_MIB: usize = 1_024;
/// How long streams may take to end after their connections.
const STREAMS_END: Duration = Duration::from_secs(2);
/// Answers that wait for the transport; the rest waits in the notes, bounded by the slots.
const ANSWERS: usize = 4;
/// Largest message of a stream: the largest payload and what surrounds it.
pub const MAX_MESSAGE: usize = decode::MAX_PAYLOAD + 64 * 1_024;

/// The ingest half of the service.
pub struct Ingest {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
    schemas: Schemas,
    registry: Registry,
    intake: Intake,
    streams: Arc<Semaphore>,
    bytes: Arc<Semaphore>,
    put_off: PutOff,
}

/// What a batch weighs in memory, in permits.
fn cost_permits(batch: &Batch) -> u32 {
    let columns: usize = batch
        .columns
        .iter()
        .map(|column| column.values.len() * 17 + 128)
        .sum();
    let events: usize = batch
        .events
        .iter()
        .map(|event| event.fields.len() * 16 + 64)
        .sum();
    u32::try_from((columns + events + 512).div_ceil(PERMIT)).unwrap_or(u32::MAX)
}

impl Ingest {
    /// Reads the schemas and starts the intake thread. Blocks.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn start(
        shared: Arc<Shared>,
        judging: Arc<Judging>,
    ) -> Result<(Arc<Self>, IntakeThread), StoreError> {
        let limits = &shared.settings.limits;
        let count = |limit: u32| usize::try_from(limit).unwrap_or(usize::MAX);
        let schemas = Schemas::load(
            Arc::clone(&shared.store),
            Arc::clone(&shared.catalogue),
            count(limits.schemas),
        )?;
        let streams = Arc::new(Semaphore::new(count(limits.streams)));
        let bytes = Arc::new(Semaphore::new(
            count(limits.in_flight_mib) * PERMITS_PER_MIB,
        ));
        let (intake, thread) =
            Intake::start(&shared, Arc::clone(&judging)).map_err(|source| StoreError::Io {
                path: shared.settings.data.display().to_string(),
                doing: "given a thread",
                source,
            })?;
        let ingest = Self {
            shared,
            judging,
            schemas,
            registry: Registry::default(),
            intake,
            streams,
            bytes,
            put_off: PutOff::default(),
        };
        Ok((Arc::new(ingest), thread))
    }

    /// Waits for the streams to end, stores what was taken in and ends the intake thread.
    pub async fn stop(&self) {
        // Streams end by themselves once the connections have; the bound is for a bug there.
        let all = self
            .streams
            .acquire_many(self.shared.settings.limits.streams);
        if tokio::time::timeout(STREAMS_END, all).await.is_err() {
            tracing::error!("some streams did not end");
        }
        self.intake.stop().await;
    }

    /// What a call or stream is told when the intake takes no more. Before a stop this is a bug, and
    /// a service that cannot store must not go on as if it could.
    fn intake_stopped(&self) -> Status {
        if !self.shared.shutdown.is_stopping() {
            self.shared.shutdown.fail("the intake failed; see the log");
        }
        status::shutting_down()
    }

    fn slots(&self) -> usize {
        usize::try_from(self.shared.settings.limits.batches_in_flight).unwrap_or(1)
    }

    /// Waits for room among the bytes in flight.
    async fn bytes_for(&self, permits: u32) -> Result<OwnedSemaphorePermit, Status> {
        let most = self.shared.settings.limits.in_flight_mib;
        // One batch may be as large as all the room; it then goes alone.
        let permits = permits.min(most.saturating_mul(1_024));
        Arc::clone(&self.bytes)
            .acquire_many_owned(permits)
            .await
            .map_err(|_| status::shutting_down())
    }
}

/// The service of the contract over [`Ingest`].
pub struct IngestCalls(pub Arc<Ingest>);

#[tonic::async_trait]
impl IngestService for IngestCalls {
    type StreamTelemetryStream = ReceiverStream<Result<v1::StreamTelemetryResponse, Status>>;

    async fn stream_telemetry(
        &self,
        request: Request<Streaming<v1::StreamTelemetryRequest>>,
    ) -> Result<Response<Self::StreamTelemetryStream>, Status> {
        let metrics = &self.0.shared.metrics;
        if self.0.shared.shutdown.is_stopping() {
            return Err(status::shutting_down());
        }
        let Ok(open) = Arc::clone(&self.0.streams).try_acquire_owned() else {
            metrics.streams_refused.add(1);
            return Err(status::exhausted(
                "TOO_MANY_STREAMS",
                format!(
                    "{} telemetry streams are open, which is the most; a gateway of many units \
                     sends them all on one stream",
                    self.0.shared.settings.limits.streams
                ),
            ));
        };
        metrics.streams_now.add(1);
        let (answers, answered) = mpsc::channel(ANSWERS);
        let ingest = Arc::clone(&self.0);
        tokio::spawn(async move {
            let shared = Arc::clone(&ingest.shared);
            stream::run(ingest, request.into_inner(), answers).await;
            shared.metrics.streams_now.sub(1);
            drop(shared);
            drop(open);
        });
        Ok(Response::new(ReceiverStream::new(answered)))
    }

    async fn list_quarantined_batches(
        &self,
        request: Request<v1::ListQuarantinedBatchesRequest>,
    ) -> Result<Response<v1::ListQuarantinedBatchesResponse>, Status> {
        self.0
            .list_quarantined(request.into_inner())
            .await
            .map(Response::new)
    }

    async fn release_quarantined_batch(
        &self,
        request: Request<v1::ReleaseQuarantinedBatchRequest>,
    ) -> Result<Response<v1::ReleaseQuarantinedBatchResponse>, Status> {
        self.0
            .release_quarantined(request.into_inner())
            .await
            .map(Response::new)
    }

    async fn delete_quarantined_batch(
        &self,
        request: Request<v1::DeleteQuarantinedBatchRequest>,
    ) -> Result<Response<v1::DeleteQuarantinedBatchResponse>, Status> {
        self.0
            .delete_quarantined(request.into_inner())
            .await
            .map(Response::new)
    }
}
