//! The yardstick: the same bytes over a bare bidirectional stream whose other end counts and
//! answers, and does nothing else.

use crate::child::{Serving, tell_address};
use crate::fleet::{BATCH_SAMPLES, Maker};
use futures::StreamExt;
use std::time::{Duration, Instant};
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio_stream::wrappers::{ReceiverStream, TcpListenerStream};
use tonic::{Request, Response, Status, Streaming};
use wheeltap_client::connect;
use wheeltap_proto::v1;
use wheeltap_proto::v1::ingest_service_server::{IngestService, IngestServiceServer};
use wheeltap_proto::v1::stream_telemetry_request::Item as Asked;
use wheeltap_proto::v1::stream_telemetry_response::Item as Answer;

/// Batches to an answer, about what a group commit gathers.
const ANSWER_EVERY: u64 = 16;
/// Different batches that are sent over and over.
const N_BATCHES: usize = 256;

/// The other end.
pub async fn serve() -> anyhow::Result<()> {
    let listener = TcpListener::bind("127.0.0.1:0").await?;
    tell_address(listener.local_addr()?);
    tonic::transport::Server::builder()
        .initial_stream_window_size(1 << 20)
        .initial_connection_window_size(8 << 20)
        .add_service(IngestServiceServer::new(Bare).max_decoding_message_size(2 << 20))
        .serve_with_incoming(TcpListenerStream::new(listener))
        .await?;
    Ok(())
}

struct Bare;

#[tonic::async_trait]
impl IngestService for Bare {
    type StreamTelemetryStream = ReceiverStream<Result<v1::StreamTelemetryResponse, Status>>;

    async fn stream_telemetry(
        &self,
        request: Request<Streaming<v1::StreamTelemetryRequest>>,
    ) -> Result<Response<Self::StreamTelemetryStream>, Status> {
        let (answers, receiver) = mpsc::channel(16);
        let mut incoming = request.into_inner();
        tokio::spawn(async move {
            let mut n_batches = 0;
            while let Ok(Some(message)) = incoming.message().await {
                let Some(Asked::Batch(batch)) = message.item else {
                    continue;
                };
                n_batches += 1;
                if n_batches % ANSWER_EVERY != 0 {
                    continue;
                }
                let range = v1::SequenceRange {
                    first: 1,
                    last: batch.sequence,
                };
                let answer = v1::StreamTelemetryResponse {
                    item: Some(Answer::Acknowledgement(v1::BatchAcknowledgement {
                        source: batch.source,
                        durable: vec![range],
                        ..Default::default()
                    })),
                };
                if answers.send(Ok(answer)).await.is_err() {
                    return;
                }
            }
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    async fn list_quarantined_batches(
        &self,
        _: Request<v1::ListQuarantinedBatchesRequest>,
    ) -> Result<Response<v1::ListQuarantinedBatchesResponse>, Status> {
        Err(Status::unimplemented("the yardstick has no quarantine"))
    }

    async fn release_quarantined_batch(
        &self,
        _: Request<v1::ReleaseQuarantinedBatchRequest>,
    ) -> Result<Response<v1::ReleaseQuarantinedBatchResponse>, Status> {
        Err(Status::unimplemented("the yardstick has no quarantine"))
    }

    async fn delete_quarantined_batch(
        &self,
        _: Request<v1::DeleteQuarantinedBatchRequest>,
    ) -> Result<Response<v1::DeleteQuarantinedBatchResponse>, Status> {
        Err(Status::unimplemented("the yardstick has no quarantine"))
    }
}

/// Samples a second, as fast as one stream goes, for `length`.
pub async fn measure(length: Duration) -> anyhow::Result<f64> {
    let serving = Serving::start(&["bare"]).await?;
    let mut maker = Maker::new(0, 0)?;
    let mut payloads = Vec::with_capacity(N_BATCHES);
    for _ in 0..N_BATCHES {
        let batch = maker.next()?.batch;
        payloads.push((batch.schema.digest().to_vec(), batch.payload));
    }
    let (asks, asked) = mpsc::channel(16);
    let mut client = connect(&serving.address).await?.ingest();
    let mut answers = client
        .stream_telemetry(ReceiverStream::new(asked))
        .await?
        .into_inner();
    let started = Instant::now();
    let sending = tokio::spawn(async move {
        for (sequence, (digest, payload)) in (1..).zip(payloads.iter().cycle()) {
            if started.elapsed() >= length {
                return;
            }
            let batch = v1::TelemetryBatch {
                source: 1,
                sequence,
                schema_digest: digest.clone().into(),
                encoding: v1::Encoding::Columns.into(),
                payload: payload.clone(),
                crc32c: 0,
                complete_through_unix_ms: None,
            };
            let message = v1::StreamTelemetryRequest {
                item: Some(Asked::Batch(batch)),
            };
            if asks.send(message).await.is_err() {
                return;
            }
        }
    });
    let (mut n_answered, mut answered_after) = (0, started.elapsed());
    while let Some(answer) = answers.next().await {
        if let Some(Answer::Acknowledgement(acknowledgement)) = answer?.item {
            n_answered = acknowledgement.durable.last().map_or(0, |range| range.last);
            answered_after = started.elapsed();
        }
    }
    sending.await?;
    serving.kill().await?;
    Ok((n_answered * BATCH_SAMPLES) as f64 / answered_after.as_secs_f64())
}
