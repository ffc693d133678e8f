//! What every part of the service shares.

use crate::{Access, Clock, Fleet, Metrics, Settings, Shutdown};
use std::sync::Arc;
use wheeltap_catalogue::Catalogue;
use wheeltap_store::Store;

/// What every part of the service shares; made once by [`Shared::open`].
pub struct Shared {
    /// Telemetry, ledger and documents. Its calls block: not on an async thread.
    pub store: Arc<dyn Store>,
    /// Channels and classes, numbered by the store's book of names.
    pub catalogue: Arc<Catalogue>,
    /// Units and what is known of them.
    pub fleet: Fleet,
    /// The server's time.
    pub clock: Arc<dyn Clock>,
    /// As read from the settings file.
    pub settings: Settings,
    /// Who may call what.
    pub access: Access,
    /// Counters.
    pub metrics: Metrics,
    /// The signal to stop.
    pub shutdown: Shutdown,
}
