//! The server's clock, passed in, so that tests and the demo can set the time.

use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{SystemTime, UNIX_EPOCH};
use wheeltap_model::ServerTime;

/// Tells the server's time.
pub trait Clock: Send + Sync + 'static {
    /// Now.
    fn now(&self) -> ServerTime;
}

/// The machine's clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> ServerTime {
        // A clock set before 1970 reads as 1970: everything is then ahead of it and quarantined,
        // which says so in words, rather than a panic.
        let since_epoch = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .unwrap_or_default();
        ServerTime::from_unix_ms(i64::try_from(since_epoch.as_millis()).unwrap_or(i64::MAX))
    }
}

/// A clock that stands still until it is set; for tests and for simulated days.
#[derive(Debug)]
pub struct ManualClock(AtomicI64);

impl ManualClock {
    /// Stands at `now`.
    pub const fn new(now: ServerTime) -> Self {
        Self(AtomicI64::new(now.unix_ms()))
    }

    /// Moves to `now`.
    pub fn set(&self, now: ServerTime) {
        self.0.store(now.unix_ms(), Ordering::Relaxed);
    }
}

impl Clock for ManualClock {
    fn now(&self) -> ServerTime {
        ServerTime::from_unix_ms(self.0.load(Ordering::Relaxed))
    }
}
