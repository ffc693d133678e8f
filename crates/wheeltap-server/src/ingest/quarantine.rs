//! Bad batches on their way into quarantine and out of it.

use super::decode::{self, Fault, Limits};
use super::intake::{Pending, Waiting};
use super::schema::{Schema, digest_of};
use super::source::Source;
use super::{Ingest, cost_permits};
use crate::blocking::blocking;
use crate::paging::{Page, PageRule};
use crate::{known, status};
use bytes::Bytes;
use prost::Message;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::oneshot;
use tonic::Status;
use wheeltap_model::{ServerTime, UnitId};
use wheeltap_proto::v1;
use wheeltap_store::{Appended, Epoch, Incoming, PayloadDigest, QuarantineId, Quarantined, Store};

const PAGES: PageRule = PageRule {
    default: 100,
    most: 1_000,
};

/// What is kept of a bad batch: all that is needed to decode it again.
#[derive(Clone, PartialEq, Message)]
struct Kept {
    #[prost(bytes = "bytes", tag = "1")]
    definition: Bytes,
    #[prost(message, optional, tag = "2")]
    batch: Option<v1::TelemetryBatch>,
}

/// How often the log says that quarantine is full.
const TELL_EVERY_MS: i64 = 60_000;

/// When bad batches were put off for want of room. Their gateways send them again and again.
#[derive(Debug, Default)]
pub struct PutOff(Mutex<PutOffAt>);

#[derive(Debug, Default)]
struct PutOffAt {
    last: Option<ServerTime>,
    told: Option<ServerTime>,
}

impl PutOff {
    fn lock(&self) -> MutexGuard<'_, PutOffAt> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// When one was put off last.
    fn last(&self) -> Option<ServerTime> {
        self.lock().last
    }

    /// Notes one; true when it is time to say so.
    pub fn note(&self, now: ServerTime) -> bool {
        let mut at = self.lock();
        at.last = Some(now);
        let is_due = |told: ServerTime| now.unix_ms() - told.unix_ms() >= TELL_EVERY_MS;
        let tell = at.told.is_none_or(is_due);
        if tell {
            at.told = Some(now);
        }
        tell
    }
}

/// A bad batch as the store keeps it.
pub fn kept(
    source: &Source,
    batch: v1::TelemetryBatch,
    definition: &Bytes,
    fault: &Fault,
    received_at: ServerTime,
) -> Quarantined {
    let sequence = batch.sequence;
    let kept = Kept {
        definition: definition.clone(),
        batch: Some(batch),
    };
    Quarantined {
        unit: source.unit.unit.id.as_str().to_owned(),
        epoch: source.epoch,
        sequence,
        received_at,
        reason: fault.reason.to_owned(),
        message: fault.message.clone(),
        bytes: kept.encode_to_vec(),
    }
}

fn name_of(id: QuarantineId) -> String {
    format!("quarantinedBatches/{}", id.0)
}

fn id_of(name: &str) -> Result<QuarantineId, Status> {
    name.strip_prefix("quarantinedBatches/")
        .and_then(|number| number.parse().ok())
        .filter(|number| *number > 0)
        .map(QuarantineId)
        .ok_or_else(|| {
            status::bad_field(
                "BAD_NAME",
                "name",
                "is not written quarantinedBatches/{number}",
            )
        })
}

fn missing(name: &str) -> Status {
    status::not_found(
        "NOT_FOUND",
        format!(
            "there is no {}; it was released or deleted",
            name.escape_default()
        ),
    )
}

fn find(store: &dyn Store, id: QuarantineId) -> Result<Option<Quarantined>, Status> {
    let before = id.0.checked_sub(1).map(QuarantineId);
    let found = store
        .quarantined(before, 1)
        .map_err(|error| status::store(&error))?;
    Ok(found
        .into_iter()
        .find(|(found, _)| *found == id)
        .map(|(_, batch)| batch))
}

/// Batches released live under an epoch of their own: their sequence is settled in the spool's
/// epoch, so that the gateway may forget it, and a repeat of the release must find it stored.
fn released_epoch(epoch: Epoch) -> Epoch {
    Epoch(digest_of(
        &[b"released from quarantine".as_slice(), &epoch.0].concat(),
    ))
}

impl Ingest {
    pub(super) async fn list_quarantined(
        &self,
        request: v1::ListQuarantinedBatchesRequest,
    ) -> Result<v1::ListQuarantinedBatchesResponse, Status> {
        let v1::ListQuarantinedBatchesRequest {
            page_size,
            page_token,
        } = request;
        let store = Arc::clone(&self.shared.store);
        let page = Page::read(
            store.id(),
            "ListQuarantinedBatches",
            page_size,
            &page_token,
            PAGES,
            &(),
        )?;
        let after = page.after_number()?.map(QuarantineId);
        let size = page.size;
        let mut found = blocking(move || store.quarantined(after, size + 1)).await?;
        let more = found.len() > size;
        found.truncate(size);
        let next_page_token = match found.last() {
            Some((id, _)) if more => page.next_token(&id.0.to_be_bytes()),
            _ => String::new(),
        };
        let quarantined_batches = found
            .into_iter()
            .map(|(id, batch)| v1::QuarantinedBatch {
                name: name_of(id),
                unit: batch.unit,
                epoch: batch.epoch.0.to_vec().into(),
                sequence: batch.sequence,
                received_unix_ms: batch.received_at.unix_ms(),
                reason: batch.reason,
                message: batch.message,
                size_bytes: u32::try_from(batch.bytes.len()).unwrap_or(u32::MAX),
            })
            .collect();
        Ok(v1::ListQuarantinedBatchesResponse {
            quarantined_batches,
            next_page_token,
            put_off_unix_ms: self.put_off.last().map(ServerTime::unix_ms),
        })
    }

    pub(super) async fn delete_quarantined(
        &self,
        request: v1::DeleteQuarantinedBatchRequest,
    ) -> Result<v1::DeleteQuarantinedBatchResponse, Status> {
        let v1::DeleteQuarantinedBatchRequest { name } = request;
        let id = id_of(&name)?;
        let store = Arc::clone(&self.shared.store);
        if blocking(move || store.discard_quarantined(id)).await? {
            Ok(v1::DeleteQuarantinedBatchResponse {})
        } else {
            Err(missing(&name))
        }
    }

    pub(super) async fn release_quarantined(
        &self,
        request: v1::ReleaseQuarantinedBatchRequest,
    ) -> Result<v1::ReleaseQuarantinedBatchResponse, Status> {
        let v1::ReleaseQuarantinedBatchRequest { name } = request;
        let id = id_of(&name)?;
        let store = Arc::clone(&self.shared.store);
        let found = tokio::task::spawn_blocking(move || find(store.as_ref(), id))
            .await
            .map_err(|_| status::internal("a call to the store was cut off"))??;
        let quarantined = found.ok_or_else(|| missing(&name))?;
        let incoming = self.decode_again(&quarantined).map_err(|fault| {
            status::precondition("STILL_BAD", format!("{}: {}", fault.reason, fault.message))
        })?;
        let n_stored = u32::try_from(incoming.batch.len()).unwrap_or(u32::MAX);
        let bytes = self.bytes_for(cost_permits(&incoming.batch)).await?;
        let (answer, answered) = oneshot::channel();
        let pending = Pending {
            incoming,
            bytes,
            waiting: Waiting::Call(answer),
        };
        self.intake
            .store(pending)
            .await
            .map_err(|_| self.intake_stopped())?;
        let appended = answered
            .await
            .map_err(|_| self.intake_stopped())?
            .map_err(|error| status::store(&error))?;
        let n_stored = match appended {
            Appended::Stored => n_stored,
            // An earlier release stored it and was cut off before the next line.
            Appended::Duplicate => 0,
            Appended::Refused => {
                return Err(status::precondition(
                    "STILL_BAD",
                    "SEQUENCE_REUSED: another batch of this epoch and sequence was released before",
                ));
            }
        };
        let store = Arc::clone(&self.shared.store);
        blocking(move || store.discard_quarantined(id)).await?;
        tracing::info!(
            unit = quarantined.unit,
            seq = quarantined.sequence,
            "a batch was released"
        );
        Ok(v1::ReleaseQuarantinedBatchResponse { n_stored })
    }

    fn decode_again(&self, quarantined: &Quarantined) -> Result<Incoming, Fault> {
        let damaged = |message: String| Fault::new("MALFORMED_PAYLOAD", message);
        let Kept { definition, batch } = Kept::decode(quarantined.bytes.as_slice())
            .map_err(|error| damaged(format!("what was kept of it cannot be read: {error}")))?;
        let batch = batch.ok_or_else(|| damaged("nothing was kept of it".to_owned()))?;
        let unit = UnitId::new(&quarantined.unit)
            .map_err(|error| Fault::new("UNKNOWN_UNIT", error.to_string()))?;
        let record = self.shared.fleet.get(&unit).ok_or_else(|| {
            let why = known::no_unit(&self.shared, &unit);
            Fault::new("UNKNOWN_UNIT", format!("{why}; create it"))
        })?;
        let schema = Schema::read(definition, &self.shared.catalogue).map_err(damaged)?;
        let now = self.shared.clock.now();
        let limits = Limits {
            commissioned: record.unit.commissioned,
            now,
        };
        let checked = decode::decode(&batch, &schema, limits)?;
        Ok(Incoming {
            unit,
            epoch: released_epoch(quarantined.epoch),
            sequence: quarantined.sequence,
            digest: PayloadDigest(digest_of(&batch.payload)),
            received_at: now,
            batch: Arc::new(checked),
        })
    }
}
