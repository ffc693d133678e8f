//! One signal that the service is stopping, and why.

use std::sync::OnceLock;
use tokio::sync::watch;

/// Told once; everybody who waits hears it, however late they ask.
#[derive(Debug)]
pub struct Shutdown {
    told: watch::Sender<bool>,
    /// The first failure that made the service stop; empty for an ordinary stop.
    cause: OnceLock<String>,
}

impl Default for Shutdown {
    fn default() -> Self {
        Self {
            told: watch::Sender::new(false),
            cause: OnceLock::new(),
        }
    }
}

impl Shutdown {
    /// Begins an ordinary stop.
    pub fn begin(&self) {
        self.told.send_replace(true);
    }

    /// Begins a stop because something failed for good, such as the store; the first cause counts.
    pub fn fail(&self, cause: &str) {
        if self.cause.set(cause.to_owned()).is_ok() {
            tracing::error!(cause, "the service stops");
        }
        self.begin();
    }

    /// Whether a stop has begun.
    pub fn is_stopping(&self) -> bool {
        *self.told.borrow()
    }

    /// The first failure, if that is why it stops.
    pub fn cause(&self) -> Option<&str> {
        self.cause.get().map(String::as_str)
    }

    /// Returns once a stop has begun.
    ///
    /// # Cancel safety
    /// Dropping the future loses nothing.
    pub async fn wait(&self) {
        let mut told = self.told.subscribe();
        // The sender lives as long as `self`, so waiting cannot fail.
        let _ = told.wait_for(|stopping| *stopping).await;
    }
}
