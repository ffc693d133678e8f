//! A spool that lives in memory: for demonstrations and benches.

use super::{Durability, SendOrder, Spool, SpoolEpoch, SpoolError, check_collision, next_key};
use crate::EncodedBatch;
use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// A volatile spool: a kill or a power cut loses what the service had not acknowledged.
#[derive(Debug)]
pub struct MemorySpool {
    limit_bytes: u64,
    inner: Mutex<Inner>,
}

#[derive(Debug)]
struct Inner {
    epoch: SpoolEpoch,
    next_sequence: u64,
    held_bytes: u64,
    /// With whether it may have been sent.
    pending: BTreeMap<u64, (EncodedBatch, bool)>,
}

fn cost(batch: &EncodedBatch) -> u64 {
    batch.payload.len() as u64 + 64
}

impl MemorySpool {
    /// A new, empty spool that holds at most `limit_bytes` of payload.
    pub fn new(limit_bytes: u64) -> Self {
        Self {
            limit_bytes,
            inner: Mutex::new(Inner {
                epoch: SpoolEpoch::random(),
                next_sequence: 1,
                held_bytes: 0,
                pending: BTreeMap::new(),
            }),
        }
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        // No call panics half way through a change.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Spool for MemorySpool {
    fn epoch(&self) -> SpoolEpoch {
        self.inner().epoch
    }

    fn durability(&self) -> Durability {
        Durability::Volatile
    }

    fn append(&self, batches: &[EncodedBatch]) -> Result<u64, SpoolError> {
        let asked_bytes: u64 = batches.iter().map(cost).sum();
        if asked_bytes > self.limit_bytes {
            return Err(SpoolError::TooLarge {
                asked_bytes,
                limit_bytes: self.limit_bytes,
            });
        }
        let mut inner = self.inner();
        if inner.held_bytes + asked_bytes > self.limit_bytes {
            return Err(SpoolError::Full {
                held_bytes: inner.held_bytes,
                asked_bytes,
                limit_bytes: self.limit_bytes,
            });
        }
        let first = inner.next_sequence;
        for (sequence, batch) in (first..).zip(batches) {
            inner.pending.insert(sequence, (batch.clone(), false));
            inner.next_sequence = sequence + 1;
        }
        inner.held_bytes += asked_bytes;
        Ok(first)
    }

    fn next(&self, order: SendOrder, skip: &dyn Fn(u64) -> bool) -> Option<u64> {
        next_key(&self.inner().pending, order, skip)
    }

    fn read(&self, sequence: u64) -> Result<Option<EncodedBatch>, SpoolError> {
        Ok(self
            .inner()
            .pending
            .get_mut(&sequence)
            .map(|(batch, handed_out)| {
                *handed_out = true;
                batch.clone()
            }))
    }

    fn acknowledge(&self, durable: &[(u64, u64)]) -> Result<(), SpoolError> {
        let mut inner = self.inner();
        check_collision(&inner.pending, durable, |(_, handed_out)| *handed_out)?;
        for &(first, last) in durable {
            if first > last {
                continue;
            }
            let settled: Vec<u64> = inner
                .pending
                .range(first..=last)
                .map(|(key, _)| *key)
                .collect();
            for sequence in settled {
                if let Some((batch, _)) = inner.pending.remove(&sequence) {
                    inner.held_bytes -= cost(&batch);
                }
            }
            inner.next_sequence = inner.next_sequence.max(last.saturating_add(1));
        }
        Ok(())
    }

    fn renew(&self) -> Result<SpoolEpoch, SpoolError> {
        let mut inner = self.inner();
        inner.epoch = SpoolEpoch::random();
        let waiting = std::mem::take(&mut inner.pending);
        inner.next_sequence = waiting.len() as u64 + 1;
        inner.pending = (1..)
            .zip(waiting.into_values().map(|(batch, _)| (batch, false)))
            .collect();
        Ok(inner.epoch)
    }

    fn n_pending(&self) -> u64 {
        self.inner().pending.len() as u64
    }

    fn held_bytes(&self) -> u64 {
        self.inner().held_bytes
    }
}
