//! One stream while it lasts: whose turn it is, what is under way.

use super::SourceState;
use super::driver::source_number;
use crate::spool::SendOrder;
use crate::{EncodedBatch, Packing};
use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::Arc;
use tokio::time::Instant;
use wheeltap_model::EventTime;
use wheeltap_proto::v1;

/// What is known of one stream while it lasts.
pub(super) struct Session {
    pub(super) sources: HashMap<usize, SessionSource>,
    /// In the order of their Hellos.
    pub(super) hellos: Vec<usize>,
    pub(super) outbox: VecDeque<v1::StreamTelemetryRequest>,
    /// Sources that may have something to send, taken in turn.
    pub(super) ready: VecDeque<usize>,
    /// Held back until then: source and sequence.
    pub(super) delays: Vec<(Instant, usize, u64)>,
    /// Digests that the service knows on this stream.
    pub(super) schemas: HashSet<[u8; 16]>,
    pub(super) n_in_flight: usize,
    pub(super) n_unwelcomed: usize,
    pub(super) limit: usize,
    pub(super) welcomed: bool,
    pub(super) last_answer: Instant,
}

pub(super) struct SessionSource {
    pub(super) state: Arc<SourceState>,
    pub(super) welcomed: bool,
    /// Stands in `Session::ready`.
    pub(super) queued: bool,
    /// Unanswered sequences, each with its schema's digest.
    pub(super) in_flight: HashMap<u64, [u8; 16]>,
    /// Sequences to be sent again later.
    pub(super) delayed: HashSet<u64>,
    /// How often the service did not take a sequence for want of room or time.
    pub(super) put_off: HashMap<u64, u32>,
    /// A promise that could not be made yet, since older batches were still to be sent.
    pub(super) promise: Option<EventTime>,
}

impl Session {
    pub(super) fn new(limit: usize) -> Self {
        Self {
            sources: HashMap::new(),
            hellos: Vec::new(),
            outbox: VecDeque::new(),
            ready: VecDeque::new(),
            delays: Vec::new(),
            schemas: HashSet::new(),
            n_in_flight: 0,
            n_unwelcomed: 0,
            limit: limit.max(1),
            welcomed: false,
            last_answer: Instant::now(),
        }
    }

    pub(super) fn has_work(&self) -> bool {
        !self.outbox.is_empty() || (self.n_in_flight < self.limit && !self.ready.is_empty())
    }

    pub(super) fn owes_answer(&self) -> bool {
        self.n_in_flight > 0 || self.n_unwelcomed > 0
    }

    /// The source whose Hello the service did not take: it reads them in order, answers each, and
    /// ends the stream at the first that it refuses.
    pub(super) fn first_unwelcomed(&self) -> Option<Arc<SourceState>> {
        self.hellos
            .iter()
            .filter_map(|idx| self.sources.get(idx))
            .find(|source| !source.welcomed)
            .map(|source| Arc::clone(&source.state))
    }

    pub(super) fn queue(&mut self, idx: usize) {
        if let Some(source) = self.sources.get_mut(&idx)
            && source.welcomed
            && !source.queued
        {
            source.queued = true;
            self.ready.push_back(idx);
        }
    }

    /// Makes the message for a batch; its schema goes first where the service lacks it.
    pub(super) fn send(
        &mut self,
        idx: usize,
        sequence: u64,
        batch: EncodedBatch,
        order: SendOrder,
    ) -> v1::StreamTelemetryRequest {
        use v1::stream_telemetry_request::Item;
        if !self.owes_answer() {
            self.last_answer = Instant::now();
        }
        let digest = batch.schema.digest();
        let mut complete_through = batch.complete_through;
        if let Some(source) = self.sources.get_mut(&idx) {
            source.in_flight.insert(sequence, digest);
            let is_out = |sequence| source.in_flight.contains_key(&sequence);
            // The promise says that nothing older is to come, so it goes with the last batch of a
            // backlog that is sent in another order, or around one that is held back.
            let must_wait = match order {
                SendOrder::NewestFirst => source.state.spool.next(order, &is_out).is_some(),
                SendOrder::OldestFirst => !source.delayed.is_empty(),
            };
            let promise = source.promise.max(complete_through);
            (source.promise, complete_through) = if must_wait {
                (promise, None)
            } else {
                (None, promise)
            };
        }
        self.n_in_flight += 1;
        let message = v1::TelemetryBatch {
            source: source_number(idx),
            sequence,
            schema_digest: digest.to_vec().into(),
            encoding: match batch.packing {
                Packing::Plain => v1::Encoding::Columns,
                Packing::Zstd => v1::Encoding::ColumnsZstd,
            } as i32,
            crc32c: crc32c::crc32c(&batch.payload),
            payload: batch.payload,
            complete_through_unix_ms: complete_through.map(EventTime::unix_ms),
        };
        let message = v1::StreamTelemetryRequest {
            item: Some(Item::Batch(message)),
        };
        self.queue(idx);
        if self.schemas.insert(digest) {
            self.outbox.push_back(message);
            return v1::StreamTelemetryRequest {
                item: Some(Item::Schema(v1::Schema {
                    digest: digest.to_vec().into(),
                    definition: batch.schema.definition().clone(),
                })),
            };
        }
        message
    }
}
