//! Threads of the service that nobody waits for.

use crate::Shared;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::thread::{Builder, JoinHandle};

/// Starts a thread. If it panics, the service stops and says so: nobody would notice otherwise that what it does is
/// not done any more.
///
/// # Errors
/// The system has no thread to give.
pub fn start_thread(
    shared: &Arc<Shared>,
    name: impl Into<String>,
    body: impl FnOnce() + Send + 'static,
) -> std::io::Result<JoinHandle<()>> {
    let name = name.into();
    let (shared, doing) = (Arc::clone(shared), name.clone());
    Builder::new().name(name).spawn(move || {
        // What it leaves behind is read by nobody who goes on: the service stops.
        if catch_unwind(AssertUnwindSafe(body)).is_err() {
            shared.shutdown.fail(&format!(
                "the thread \"{doing}\" panicked; what it said stands above"
            ));
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{ManualClock, Settings};
    use wheeltap_catalogue::Catalogue;
    use wheeltap_model::ServerTime;
    use wheeltap_store::MemoryStore;

    #[test]
    fn a_thread_that_panics_stops_the_service() {
        let clock = Arc::new(ManualClock::new(ServerTime::from_unix_ms(0)));
        let catalogue = Catalogue::from_parts(Vec::new(), Vec::new());
        let store = Arc::new(MemoryStore::new());
        let shared = Shared::with_catalogue(store, Settings::default(), clock, catalogue).unwrap();
        let shared = Arc::new(shared);
        let calm = start_thread(&shared, "calm", || ()).unwrap();
        calm.join().unwrap();
        assert!(!shared.shutdown.is_stopping());
        let panicking = start_thread(&shared, "judge-7", || panic!("as a test")).unwrap();
        panicking.join().unwrap();
        assert!(shared.shutdown.cause().unwrap().contains("judge-7"));
    }
}
