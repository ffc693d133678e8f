//! Shift handovers.

use crate::ServerTime;

/// A handover's number in one store, counted from 1.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(transparent)]
pub struct HandoverId(pub u64);

/// The desk went from one person to another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Handover {
    /// Assigned by the server.
    pub id: HandoverId,
    /// Who leaves.
    pub from: String,
    /// Who takes over.
    pub to: String,
    /// What they wrote.
    pub note: String,
    /// Server time.
    pub at: ServerTime,
}
