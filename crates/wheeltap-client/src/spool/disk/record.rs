//! Segments as bytes: a header, then records that can be found again behind a damaged one.

use super::Place;
use crate::spool::SpoolEpoch;
use crate::{EncodedBatch, Packing, Schema};
use bytes::Bytes;
use std::sync::Arc;
use wheeltap_model::EventTime;

const MAGIC: [u8; 8] = *b"WTSPOOL1";
/// Magic, epoch, first sequence, crc32c of those.
pub(super) const HEADER_BYTES: u64 = 8 + 16 + 8 + 4;
/// Lets a reader find the next record behind a damaged one.
const MARKER: [u8; 4] = [0xF5, b'w', b't', 0xA9];
/// Marker, length, crc32c, kind.
pub(super) const RECORD_HEAD_BYTES: usize = 4 + 4 + 4 + 1;
pub(super) const KIND_SCHEMA: u8 = 1;
pub(super) const KIND_BATCH: u8 = 2;
/// No body is longer: a batch is at most 1 MiB, a schema of 4,096 channels less than 1 MiB.
pub(super) const MAX_BODY_BYTES: usize = 2 * 1024 * 1024;
/// Sequence, schema digest, packing, whether a promise follows, promise, samples.
pub(super) const BATCH_HEAD_BYTES: usize = 8 + 16 + 1 + 1 + 8 + 4;

pub(super) fn header(epoch: SpoolEpoch, first_sequence: u64) -> Vec<u8> {
    let mut bytes = MAGIC.to_vec();
    bytes.extend(epoch.0);
    bytes.extend(first_sequence.to_le_bytes());
    bytes.extend(crc32c::crc32c(&bytes).to_le_bytes());
    bytes
}

pub(super) fn put_record(out: &mut Vec<u8>, kind: u8, body: &[u8]) {
    let crc = crc32c::crc32c_append(crc32c::crc32c(&[kind]), body);
    out.extend(MARKER);
    // Bodies are bounded by MAX_BODY_BYTES, checked in `append`.
    out.extend(u32::try_from(body.len()).unwrap_or(u32::MAX).to_le_bytes());
    out.extend(crc.to_le_bytes());
    out.push(kind);
    out.extend(body);
}

pub(super) fn batch_body(sequence: u64, batch: &EncodedBatch) -> Vec<u8> {
    let mut body = Vec::with_capacity(BATCH_HEAD_BYTES + batch.payload.len());
    body.extend(sequence.to_le_bytes());
    body.extend(batch.schema.digest());
    body.push(match batch.packing {
        Packing::Plain => 0,
        Packing::Zstd => 1,
    });
    body.push(u8::from(batch.complete_through.is_some()));
    let through = batch.complete_through.map_or(0, EventTime::unix_ms);
    body.extend(through.to_le_bytes());
    body.extend(batch.n_samples.to_le_bytes());
    body.extend(&batch.payload);
    body
}

pub(super) fn array<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..at + N)?.try_into().ok()
}

pub(super) struct BatchHead {
    pub sequence: u64,
    pub digest: [u8; 16],
    pub packing: Packing,
    pub complete_through: Option<EventTime>,
    pub n_samples: u32,
}

pub(super) fn batch_head(body: &[u8]) -> Option<BatchHead> {
    let packing = match body.get(24)? {
        0 => Packing::Plain,
        1 => Packing::Zstd,
        _ => return None,
    };
    let through = i64::from_le_bytes(array(body, 26)?);
    Some(BatchHead {
        sequence: u64::from_le_bytes(array(body, 0)?),
        digest: array(body, 8)?,
        packing,
        complete_through: (*body.get(25)? != 0).then(|| EventTime::from_unix_ms(through)),
        n_samples: u32::from_le_bytes(array(body, 34)?),
    })
}

/// A record at the start of `bytes` whose check holds: its kind and body.
pub(super) fn good_record(bytes: &[u8]) -> Option<(u8, &[u8])> {
    if bytes.get(..4)? != MARKER {
        return None;
    }
    let body_bytes = usize::try_from(u32::from_le_bytes(array(bytes, 4)?)).ok()?;
    if body_bytes > MAX_BODY_BYTES {
        return None;
    }
    let crc = u32::from_le_bytes(array(bytes, 8)?);
    let kind = *bytes.get(12)?;
    let body = bytes.get(RECORD_HEAD_BYTES..RECORD_HEAD_BYTES + body_bytes)?;
    (crc32c::crc32c_append(crc32c::crc32c(&[kind]), body) == crc).then_some((kind, body))
}

/// What one segment was found to hold.
pub(super) struct Scan {
    pub batches: Vec<(u64, Place)>,
    pub schemas: Vec<Arc<Schema>>,
    /// End of the last good record.
    pub good_end: u64,
    pub damage: Vec<(u64, u64)>,
}

pub(super) fn scan(segment: u64, bytes: &[u8]) -> Scan {
    let mut found = Scan {
        batches: Vec::new(),
        schemas: Vec::new(),
        good_end: HEADER_BYTES,
        damage: Vec::new(),
    };
    let mut at = usize::try_from(HEADER_BYTES).unwrap_or(usize::MAX);
    while let Some(rest) = bytes.get(at..).filter(|rest| !rest.is_empty()) {
        let Some((kind, body)) = good_record(rest) else {
            // Looks for the next good record; without one, all that is left is tail.
            let next = (at + 1..bytes.len())
                .filter(|&next| bytes[next] == MARKER[0])
                .find(|&next| good_record(&bytes[next..]).is_some());
            let Some(next) = next else { break };
            found.damage.push((at as u64, next as u64));
            at = next;
            continue;
        };
        match (kind, batch_head(body)) {
            (KIND_SCHEMA, _) => {
                let schema = Schema::new(Bytes::copy_from_slice(body));
                found.schemas.push(Arc::new(schema));
            }
            (KIND_BATCH, Some(head)) => found.batches.push((
                head.sequence,
                Place {
                    segment,
                    offset: at as u64,
                    body_bytes: u32::try_from(body.len()).unwrap_or(u32::MAX),
                    handed_out: true,
                },
            )),
            // A kind of a later version, with a good check: not ours to drop.
            _ => found
                .damage
                .push((at as u64, (at + RECORD_HEAD_BYTES + body.len()) as u64)),
        }
        at += RECORD_HEAD_BYTES + body.len();
        found.good_end = at as u64;
    }
    found
}
