//! One telemetry stream: a reader that checks and passes on, and a writer that answers.
//!
//! They are separate tasks, so that a gateway that does not read its answers cannot stop the reader
//! inside a message, and answers are gathered: one message a source for all that became durable
//! since the last. A batch holds one of the stream's slots from being read to its answer being taken
//! by the transport; without a free slot nothing is read, and HTTP/2 holds the gateway back.

use super::decode::{self, BAD_CHECKSUM, Fault, Limits};
use super::intake::{Pending, Waiting};
use super::quarantine;
use super::schema::digest_of;
use super::source::{Ranges, Source};
use super::{Ingest, cost_permits};
use crate::status;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tonic::{Status, Streaming};
use wheeltap_model::{ServerTime, UnitId};
use wheeltap_proto::v1;
use wheeltap_proto::v1::batch_outcome::Outcome;
use wheeltap_proto::v1::stream_telemetry_request::Item as Asked;
use wheeltap_proto::v1::stream_telemetry_response::Item as Answer;
use wheeltap_store::{Appended, Epoch, Incoming, PayloadDigest, StoreId};

/// Most notes that one round of answers gathers.
const GATHER: usize = 1_024;
/// Most schema digests named in a Welcome.
const KNOWN_SCHEMAS: usize = 64;

/// What the writer is told.
#[derive(Debug)]
pub enum Note {
    /// A source was opened.
    Welcome(Arc<Source>),
    /// What the store made of a batch.
    Appended {
        /// The source.
        source: Arc<Source>,
        /// The batch.
        sequence: u64,
        /// What became of it.
        appended: Appended,
        /// Given back once the answer is on its way.
        slot: OwnedSemaphorePermit,
    },
    /// A batch that did not get to the store.
    Turned {
        /// The source.
        source: Arc<Source>,
        /// What to answer.
        outcome: v1::BatchOutcome,
        /// Whether it is durable: in quarantine.
        settled: bool,
        /// Given back once the answer is on its way.
        slot: OwnedSemaphorePermit,
    },
    /// A newer stream took over the source of this number.
    Fenced(u32),
    /// The stream ends with this once everything before is answered.
    End(Status),
}

/// Runs one stream to its end.
pub async fn run(
    ingest: Arc<Ingest>,
    incoming: Streaming<v1::StreamTelemetryRequest>,
    answers: mpsc::Sender<Result<v1::StreamTelemetryResponse, Status>>,
) {
    let (notes, inbox) = mpsc::unbounded_channel();
    let writer = tokio::spawn(write(Arc::clone(&ingest), inbox, answers.clone()));
    let mut reader = Reader {
        slots: Arc::new(Semaphore::new(ingest.slots())),
        ingest,
        notes,
        sources: HashMap::new(),
    };
    let end = reader.read(incoming, &answers).await;
    for source in reader.sources.values() {
        reader.ingest.registry.leave(source);
    }
    if let Err(status) = end {
        tracing::debug!(code = ?status.code(), message = status.message(), "a stream ends");
        let _ = reader.notes.send(Note::End(status));
    }
    // With the reader's sender gone the writer ends after the last outstanding answer.
    drop(reader);
    drop(answers);
    if let Err(error) = writer.await {
        tracing::error!(%error, "a stream's writer failed");
    }
}

struct Reader {
    ingest: Arc<Ingest>,
    notes: mpsc::UnboundedSender<Note>,
    slots: Arc<Semaphore>,
    sources: HashMap<u32, Arc<Source>>,
}

fn malformed(message: impl Into<String>) -> Status {
    status::invalid("MALFORMED_MESSAGE", message)
}

impl Reader {
    async fn read(
        &mut self,
        mut incoming: Streaming<v1::StreamTelemetryRequest>,
        answers: &mpsc::Sender<Result<v1::StreamTelemetryResponse, Status>>,
    ) -> Result<(), Status> {
        let shared = Arc::clone(&self.ingest.shared);
        let limits = &shared.settings.limits;
        let mut patience = limits.first_message.duration();
        loop {
            let slots = Arc::clone(&self.slots);
            let next = async {
                // Never closed, so an error cannot be; without a slot nothing is read.
                let slot = slots.acquire_owned().await.ok();
                let item = tokio::time::timeout(patience, incoming.message()).await;
                (slot, item)
            };
            let (slot, item) = tokio::select! {
                biased;
                () = shared.shutdown.wait() => return Err(status::shutting_down()),
                () = answers.closed() => return Ok(()),
                next = next => next,
            };
            let (Some(slot), Ok(item)) = (slot, item) else {
                return Err(status::unavailable(
                    "IDLE_STREAM",
                    format!(
                        "nothing came for {} ms; connect again when there is something to send",
                        patience.as_millis()
                    ),
                ));
            };
            patience = limits.idle.duration();
            let message = match item {
                Ok(Some(message)) => message,
                // What tonic makes of a broken message has no reason of ours.
                Err(error) if is_malformed(&error) => {
                    return Err(malformed(format!(
                        "a message could not be decoded: {}; the gateway's encoder is broken",
                        error.message()
                    )));
                }
                // It has sent all it wants to, or it is gone and there is nobody to answer.
                Ok(None) | Err(_) => return Ok(()),
            };
            match message.item {
                Some(Asked::Hello(hello)) => self.hello(hello).await?,
                Some(Asked::Schema(schema)) => self.schema(schema).await?,
                Some(Asked::Batch(batch)) => self.batch(batch, slot).await?,
                None => {
                    return Err(malformed(
                        "a message holds neither a hello, a schema nor a batch that this version \
                         knows",
                    ));
                }
            }
        }
    }

    async fn hello(&mut self, hello: v1::Hello) -> Result<(), Status> {
        let v1::Hello {
            source,
            unit,
            epoch,
        } = hello;
        if source == 0 {
            return Err(malformed("a hello has source 0; number sources from 1"));
        }
        if self.sources.contains_key(&source) {
            return Err(status::invalid(
                "HELLO_TWICE",
                format!("source {source} was opened before on this stream"),
            ));
        }
        let most = self.ingest.shared.settings.limits.sources_per_stream;
        if self.sources.len() >= usize::try_from(most).unwrap_or(usize::MAX) {
            return Err(status::exhausted(
                "TOO_MANY_SOURCES",
                format!("a stream holds at most {most} sources; open another stream"),
            ));
        }
        let epoch = <[u8; 16]>::try_from(epoch.as_ref())
            .map(Epoch)
            .map_err(|_| malformed(format!("the epoch of source {source} is not 16 bytes")))?;
        let id = unit_of(&unit)?;
        let record = self
            .ingest
            .shared
            .fleet
            .get(&id)
            .ok_or_else(|| unknown_unit(&id))?;
        let shared = Arc::clone(&self.ingest.shared);
        let held = tokio::task::spawn_blocking(move || shared.store.sources(&id))
            .await
            .map_err(|_| status::internal("a call to the store was cut off"))?
            .map_err(|error| status::store(&error))?;
        let settled = held
            .into_iter()
            .find(|held| held.epoch == epoch)
            .map(|held| Ranges::new(held.ranges))
            .unwrap_or_default();
        let source = Arc::new(Source::new(source, record, epoch, settled));
        self.ingest
            .registry
            .take_over(&source, self.notes.downgrade());
        self.sources.insert(source.number, Arc::clone(&source));
        self.note(Note::Welcome(source));
        Ok(())
    }

    async fn schema(&mut self, schema: v1::Schema) -> Result<(), Status> {
        let v1::Schema { digest, definition } = schema;
        if self.sources.is_empty() {
            return Err(no_hello("a schema"));
        }
        let found = digest_of(&definition);
        if digest.as_ref() != found.as_slice() {
            return Err(malformed(
                "a schema's digest is not that of its definition: send the first 16 bytes of its \
                 BLAKE3 digest",
            ));
        }
        if self.ingest.schemas.get(&found).is_some() {
            return Ok(());
        }
        let schema = self.ingest.schemas.read(definition).map_err(malformed)?;
        let ingest = Arc::clone(&self.ingest);
        tokio::task::spawn_blocking(move || ingest.schemas.keep(found, Arc::new(schema)))
            .await
            .map_err(|_| status::internal("a call to the store was cut off"))?
            .map_err(|error| status::store(&error))
    }

    async fn batch(
        &mut self,
        batch: v1::TelemetryBatch,
        slot: OwnedSemaphorePermit,
    ) -> Result<(), Status> {
        let Some(source) = self.sources.get(&batch.source).map(Arc::clone) else {
            return Err(no_hello("a batch"));
        };
        if source.is_fenced() {
            // The gateway was told, or is about to be: the newer stream carries on.
            return Ok(());
        }
        let sequence = batch.sequence;
        if sequence == 0 {
            self.ingest.shared.metrics.batches_refused.add(1);
            let outcome = v1::BatchOutcome {
                sequence,
                outcome: Outcome::Refused.into(),
                reason: "ZERO_SEQUENCE".to_owned(),
                message: "sequences count from 1; send it again with one".to_owned(),
                column: None,
                sample: None,
            };
            self.turn(source, outcome, false, slot);
            return Ok(());
        }
        let Some(schema) = self.ingest.schemas.get(&batch.schema_digest) else {
            self.ingest.shared.metrics.batches_put_off.add(1);
            let outcome = v1::BatchOutcome {
                sequence,
                outcome: Outcome::Retry.into(),
                reason: "UNKNOWN_SCHEMA".to_owned(),
                message: "its schema is not known here; send the schema, then the batch".to_owned(),
                column: None,
                sample: None,
            };
            self.turn(source, outcome, false, slot);
            return Ok(());
        };
        let received_at = self.ingest.shared.clock.now();
        // Commissioning may have been corrected since the hello.
        let unit = &source.unit.unit;
        let commissioned = self
            .ingest
            .shared
            .fleet
            .get(&unit.id)
            .map_or(unit.commissioned, |record| record.unit.commissioned);
        let limits = Limits {
            commissioned,
            now: received_at,
        };
        let checked = match decode::decode(&batch, schema.as_ref(), limits) {
            Ok(checked) => {
                source.came_whole(sequence);
                checked
            }
            Err(fault) if is_damaged_on_the_way(&source, &batch, &fault) => {
                self.ingest.shared.metrics.batches_put_off.add(1);
                let outcome = v1::BatchOutcome {
                    sequence,
                    outcome: Outcome::Retry.into(),
                    reason: fault.reason.to_owned(),
                    message: format!("{}; send it again", fault.message),
                    column: None,
                    sample: None,
                };
                self.turn(source, outcome, false, slot);
                return Ok(());
            }
            Err(fault) => {
                if fault.reason != BAD_CHECKSUM {
                    source.came_whole(sequence);
                }
                return self
                    .set_aside(source, batch, &schema.definition, fault, slot)
                    .await;
            }
        };
        let permits = cost_permits(&checked);
        let bytes = self.ingest.bytes_for(permits).await?;
        let pending = Pending {
            incoming: Incoming {
                unit: unit.id.clone(),
                epoch: source.epoch,
                sequence,
                digest: PayloadDigest(digest_of(&batch.payload)),
                received_at,
                batch: Arc::new(checked),
            },
            bytes,
            waiting: Waiting::Stream {
                source,
                notes: self.notes.clone(),
                slot,
            },
        };
        self.ingest
            .intake
            .store(pending)
            .await
            .map_err(|_| self.ingest.intake_stopped())
    }

    /// Puts a bad batch in quarantine and answers it by name; without room there, its gateway has to keep it.
    async fn set_aside(
        &mut self,
        source: Arc<Source>,
        batch: v1::TelemetryBatch,
        definition: &bytes::Bytes,
        fault: Fault,
        slot: OwnedSemaphorePermit,
    ) -> Result<(), Status> {
        let sequence = batch.sequence;
        if source.settled().contains(sequence) {
            // Sent again although it was answered; it is in quarantine, or was.
            self.ingest.shared.metrics.batches_duplicate.add(1);
            let outcome = v1::BatchOutcome {
                sequence,
                outcome: Outcome::Duplicate.into(),
                reason: String::new(),
                message: String::new(),
                column: None,
                sample: None,
            };
            self.turn(source, outcome, true, slot);
            return Ok(());
        }
        let now = self.ingest.shared.clock.now();
        let kept = quarantine::kept(&source, batch, definition, &fault, now);
        let shared = Arc::clone(&self.ingest.shared);
        let number = tokio::task::spawn_blocking(move || shared.store.quarantine(kept))
            .await
            .map_err(|_| status::internal("a call to the store was cut off"))?
            .map_err(|error| status::store(&error))?;
        if number.is_none() {
            self.put_off(source, sequence, &fault, now, slot);
            return Ok(());
        }
        tracing::info!(
            unit = %source.unit.unit.id, seq = sequence, reason = fault.reason, fault.message,
            "a batch went to quarantine"
        );
        self.ingest.shared.metrics.batches_quarantined.add(1);
        let unit = &source.unit.unit.id;
        self.ingest.judging.set_aside(unit, source.epoch, sequence);
        let outcome = v1::BatchOutcome {
            sequence,
            outcome: Outcome::Quarantined.into(),
            reason: fault.reason.to_owned(),
            message: fault.message,
            column: fault.column,
            sample: fault.sample,
        };
        self.turn(source, outcome, true, slot);
        Ok(())
    }

    /// Has the gateway keep a bad batch that there is no room for, and says so in the log.
    fn put_off(
        &self,
        source: Arc<Source>,
        sequence: u64,
        fault: &Fault,
        now: ServerTime,
        slot: OwnedSemaphorePermit,
    ) {
        self.ingest.shared.metrics.batches_put_off.add(1);
        if self.ingest.put_off.note(now) {
            tracing::warn!(
                unit = %source.unit.unit.id, seq = sequence, reason = fault.reason, fault.message,
                "quarantine is full: bad batches wait at their gateways; release or delete some \
                 (wheeltap quarantine list)"
            );
        }
        let outcome = v1::BatchOutcome {
            sequence,
            outcome: Outcome::Retry.into(),
            reason: "QUARANTINE_FULL".to_owned(),
            message: format!(
                "it is bad ({}: {}) and quarantine is full; keep it and send it again: what is there has to be \
                 released or deleted first (wheeltap quarantine list)",
                fault.reason, fault.message
            ),
            column: fault.column,
            sample: fault.sample,
        };
        self.turn(source, outcome, false, slot);
    }

    fn turn(
        &self,
        source: Arc<Source>,
        outcome: v1::BatchOutcome,
        settled: bool,
        slot: OwnedSemaphorePermit,
    ) {
        self.note(Note::Turned {
            source,
            outcome,
            settled,
            slot,
        });
    }

    fn note(&self, note: Note) {
        // The writer outlives the reader unless the gateway is gone, which the reader hears itself.
        let _ = self.notes.send(note);
    }
}

/// Whether the gateway's own copy may be whole. What is settled already is answered as that.
fn is_damaged_on_the_way(source: &Source, batch: &v1::TelemetryBatch, fault: &Fault) -> bool {
    fault.reason == BAD_CHECKSUM
        && !source.settled().contains(batch.sequence)
        && source.may_be_whole(batch.sequence, digest_of(&batch.payload))
}

/// Whether tonic failed to decode a message, as opposed to losing the connection.
fn is_malformed(error: &Status) -> bool {
    use tonic::Code;
    matches!(
        error.code(),
        Code::Internal | Code::InvalidArgument | Code::OutOfRange | Code::Unimplemented
    ) && std::error::Error::source(error).is_none()
}

fn no_hello(what: &str) -> Status {
    status::invalid(
        "NO_HELLO",
        format!("{what} came before the hello of its source"),
    )
}

/// The unit of a resource name `units/{unit}`.
fn unit_of(name: &str) -> Result<UnitId, Status> {
    let id = name
        .strip_prefix("units/")
        .ok_or_else(|| malformed("a hello's unit is not written units/{unit}"))?;
    UnitId::new(id).map_err(|error| malformed(error.to_string()))
}

fn unknown_unit(unit: &UnitId) -> Status {
    status::not_found(
        "UNKNOWN_UNIT",
        format!("the fleet has no unit {unit}; create it, or correct the gateway's unit"),
    )
}

#[derive(Default)]
struct Round {
    outcomes: BTreeMap<u32, (Arc<Source>, Vec<v1::BatchOutcome>)>,
    slots: Vec<OwnedSemaphorePermit>,
}

impl Round {
    fn add(&mut self, source: Arc<Source>, outcome: v1::BatchOutcome, slot: OwnedSemaphorePermit) {
        self.slots.push(slot);
        self.outcomes
            .entry(source.number)
            .or_insert_with(|| (source, Vec::new()))
            .1
            .push(outcome);
    }

    fn into_answers(self, store: StoreId) -> (Vec<Answer>, Vec<OwnedSemaphorePermit>) {
        let answers = self
            .outcomes
            .into_values()
            .map(|(source, outcomes)| {
                Answer::Acknowledgement(v1::BatchAcknowledgement {
                    source: source.number,
                    store_id: store.0.to_vec().into(),
                    durable: wire_ranges(&source.settled()),
                    outcomes,
                })
            })
            .collect();
        (answers, self.slots)
    }
}

fn wire_ranges(ranges: &Ranges) -> Vec<v1::SequenceRange> {
    ranges
        .as_slice()
        .iter()
        .map(|(first, last)| v1::SequenceRange {
            first: *first,
            last: *last,
        })
        .collect()
}

fn appended_outcome(sequence: u64, appended: &Appended) -> v1::BatchOutcome {
    let (outcome, reason, message) = match appended {
        Appended::Stored => (Outcome::Stored, "", ""),
        Appended::Duplicate => (Outcome::Duplicate, "", ""),
        Appended::Refused => (
            Outcome::Refused,
            "SEQUENCE_REUSED",
            "this sequence was used before with other bytes; start a new epoch and send it there",
        ),
    };
    v1::BatchOutcome {
        sequence,
        outcome: outcome.into(),
        reason: reason.to_owned(),
        message: message.to_owned(),
        column: None,
        sample: None,
    }
}

async fn write(
    ingest: Arc<Ingest>,
    mut notes: mpsc::UnboundedReceiver<Note>,
    answers: mpsc::Sender<Result<v1::StreamTelemetryResponse, Status>>,
) {
    let store = ingest.shared.store.id();
    let mut end = None;
    let mut gathered = Vec::new();
    while notes.recv_many(&mut gathered, GATHER).await > 0 {
        let mut round = Round::default();
        let mut first = Vec::new();
        let mut last = Vec::new();
        for note in gathered.drain(..) {
            match note {
                Note::Welcome(source) => first.push(Answer::Welcome(v1::Welcome {
                    source: source.number,
                    store_id: store.0.to_vec().into(),
                    durable: wire_ranges(&source.settled()),
                    known_schema_digests: ingest
                        .schemas
                        .recent(KNOWN_SCHEMAS)
                        .into_iter()
                        .map(|digest| digest.to_vec().into())
                        .collect(),
                    max_in_flight_batches: ingest.shared.settings.limits.batches_in_flight,
                })),
                Note::Appended {
                    source,
                    sequence,
                    appended,
                    slot,
                } => {
                    if appended != Appended::Refused {
                        source.settled().insert(sequence);
                    }
                    round.add(source, appended_outcome(sequence, &appended), slot);
                }
                Note::Turned {
                    source,
                    outcome,
                    settled,
                    slot,
                } => {
                    if settled {
                        source.settled().insert(outcome.sequence);
                    }
                    round.add(source, outcome, slot);
                }
                Note::Fenced(source) => last.push(Answer::Fenced(v1::Fenced { source })),
                Note::End(status) => end = end.or(Some(status)),
            }
        }
        let (acknowledged, slots) = round.into_answers(store);
        for item in first.into_iter().chain(acknowledged).chain(last) {
            let response = v1::StreamTelemetryResponse { item: Some(item) };
            if answers.send(Ok(response)).await.is_err() {
                // The gateway is gone; it will ask for the durable ranges when it is back.
                return;
            }
        }
        drop(slots);
    }
    if let Some(status) = end {
        let _ = answers.send(Err(status)).await;
    }
}
