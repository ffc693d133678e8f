//! Counters since the start; cheap enough for the hot path.

use std::sync::atomic::{AtomicU64, Ordering};

/// One counter. It only rises, but for those that are gauges by name (`n_..._now`).
#[derive(Debug, Default)]
pub struct Counter(AtomicU64);

impl Counter {
    /// Adds `n`.
    pub fn add(&self, n: u64) {
        self.0.fetch_add(n, Ordering::Relaxed);
    }

    /// Takes `n` off, for gauges.
    pub fn sub(&self, n: u64) {
        self.0.fetch_sub(n, Ordering::Relaxed);
    }

    /// The count.
    pub fn get(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}

/// All counters of the service.
#[derive(Debug, Default)]
pub struct Metrics {
    /// Telemetry streams open now.
    pub streams_now: Counter,
    /// Streams refused because too many were open.
    pub streams_refused: Counter,
    /// Batches stored.
    pub batches_stored: Counter,
    /// Samples and events stored.
    pub samples_stored: Counter,
    /// Batches that were on disk before.
    pub batches_duplicate: Counter,
    /// Batches put in quarantine.
    pub batches_quarantined: Counter,
    /// Batches refused because their sequence was used before.
    pub batches_refused: Counter,
    /// Batches put off: for an unknown schema or a full quarantine.
    pub batches_put_off: Counter,
    /// Calls refused for want of a role or an identity.
    pub calls_denied: Counter,
    /// Alert watchers open now.
    pub watchers_now: Counter,
    /// Ticks of work the judge has done, as batches judged.
    pub batches_judged: Counter,
    /// Units whose late, changed or restored data waits to be judged now.
    pub units_late_now: Counter,
    /// Batches and units that rules which ask mates have still to take or to judge, now.
    pub asking_due_now: Counter,
    /// Events that receivers took.
    pub events_told: Counter,
    /// Tries of an event that failed or were refused.
    pub events_refused: Counter,
    /// Alerts raised.
    pub alerts_raised: Counter,
}
