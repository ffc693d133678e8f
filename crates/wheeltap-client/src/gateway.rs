//! The gateway half: drives the spools of one or many units over as few streams as the service lets carry them.
//!
//! One task owns each stream. It says Hello for each source, learns from the Welcome what the
//! service holds, sends the rest within the in-flight limit, and lets the spool forget what is
//! acknowledged as on disk. Whatever happens to the stream, it is set up again, for ever: the spool
//! is what must not lose anything, and it does not.

mod driver;
mod session;

use self::driver::Driver;
use crate::spool::{Durability, SendOrder, Spool, SpoolEpoch, SpoolError};
use crate::{CallError, Connection, EncodedBatch};
use std::collections::HashSet;
use std::fmt;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::runtime::Handle;
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;
use wheeltap_model::UnitId;

/// Sources a stream: few enough for any service (one takes 4,096 unless it is set otherwise), many enough
/// that a whole fleet is a handful of streams.
const SOURCES_A_STREAM: usize = 1_000;

/// What a gateway does by itself.
#[derive(Clone, Copy, Debug)]
pub struct GatewayOptions {
    /// Which batch of a unit goes first. Default [`SendOrder::OldestFirst`].
    pub order: SendOrder,
    /// Most unanswered batches on the stream; the service may ask for fewer. Default 1,024.
    pub max_in_flight: usize,
    /// Longest wait before the first try to connect again; doubles with every failure. Default
    /// 200 ms.
    pub first_backoff: Duration,
    /// Longest wait before any try. Default 30 s. Waits are drawn between half of it and all.
    pub longest_backoff: Duration,
    /// A service that owes an answer and gives none for so long is left. Default 60 s.
    pub answer_timeout: Duration,
}

impl Default for GatewayOptions {
    fn default() -> Self {
        Self {
            order: SendOrder::default(),
            max_in_flight: 1_024,
            first_backoff: Duration::from_millis(200),
            longest_backoff: Duration::from_secs(30),
            answer_timeout: Duration::from_mins(1),
        }
    }
}

/// What happened, as told to the function given to [`Gateway::start`].
#[derive(Debug)]
pub enum GatewayEvent {
    /// The service answered a source's Hello.
    Welcomed {
        /// The source.
        unit: UnitId,
        /// The store's identity; another one than before means another store, which gets all
        /// that is left.
        store_id: Vec<u8>,
        /// Batches that the service does not hold yet.
        n_pending: u64,
    },
    /// A batch is on disk at the service.
    Stored {
        /// The source.
        unit: UnitId,
        /// The batch.
        sequence: u64,
        /// It was there before: the first acknowledgement was lost.
        duplicate: bool,
    },
    /// The service set a batch aside; it stays there, and the operator can mend and release it.
    Quarantined {
        /// The source.
        unit: UnitId,
        /// The batch.
        sequence: u64,
        /// Machine-readable, such as `UNKNOWN_CHANNEL`.
        reason: String,
        /// What, where and what to do.
        message: String,
        /// Column at fault, where there is one.
        column: Option<u32>,
        /// Sample in the column, where there is one.
        sample: Option<u32>,
    },
    /// The service did not take a batch now; it is sent again by itself.
    Retrying {
        /// The source.
        unit: UnitId,
        /// The batch.
        sequence: u64,
        /// Machine-readable, such as `OVERLOADED`.
        reason: String,
        /// What the service said.
        message: String,
    },
    /// A sequence turned out to be used with other bytes, so the spool began a new epoch and
    /// everything that waits is sent again under it.
    Renewed {
        /// The source.
        unit: UnitId,
        /// The sequence that collided.
        sequence: u64,
        /// The new epoch.
        epoch: SpoolEpoch,
    },
    /// Another gateway has taken the unit over. This one sends nothing more of it; the spool keeps
    /// what waits.
    Fenced {
        /// The source.
        unit: UnitId,
    },
    /// The service refuses this unit. It is tried again after the longest wait.
    SourceRefused {
        /// The source.
        unit: UnitId,
        /// Why.
        error: CallError,
    },
    /// The stream ended or could not be set up; the next try follows.
    Disconnected {
        /// Why; `None` when the service closed it without an error.
        error: Option<CallError>,
        /// The next try comes after so long.
        retry_in: Duration,
    },
    /// The spool could not read, forget or renew. Other batches go on.
    SpoolFailed {
        /// The source.
        unit: UnitId,
        /// Why.
        error: SpoolError,
    },
}

type OnEvent = Arc<dyn Fn(GatewayEvent) + Send + Sync>;

/// A running gateway. Dropping it stops it; what waits stays in the spools.
pub struct Gateway {
    connection: Connection,
    options: GatewayOptions,
    on_event: OnEvent,
    runtime: Handle,
    sources: Mutex<Sources>,
    stop: watch::Sender<bool>,
}

#[derive(Default)]
struct Sources {
    units: HashSet<UnitId>,
    streams: Vec<OneStream>,
}

/// A stream's sources, and the task that drives it.
struct OneStream {
    shared: Arc<Shared>,
    task: JoinHandle<()>,
}

/// One unit's place in a gateway: where its batches go in. Clones are the same source.
#[derive(Clone)]
pub struct Source {
    state: Arc<SourceState>,
    shared: Arc<Shared>,
}

struct SourceState {
    idx: usize,
    unit: UnitId,
    spool: Arc<dyn Spool>,
    fenced: AtomicBool,
    /// Stands in `Shared::dirty`.
    dirty: AtomicBool,
    /// Told after every acknowledgement.
    settled: Notify,
}

#[derive(Default)]
struct Shared {
    sources: Mutex<Vec<Arc<SourceState>>>,
    /// Sources that are new or have new batches.
    dirty: Mutex<Vec<usize>>,
    wake: Notify,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // No holder panics half way through a change.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Shared {
    fn mark(&self, state: &SourceState) {
        if !state.dirty.swap(true, Ordering::AcqRel) {
            lock(&self.dirty).push(state.idx);
            self.wake.notify_one();
        }
    }
}

impl fmt::Debug for Gateway {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Gateway")
            .field("n_sources", &lock(&self.sources).units.len())
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Source")
            .field("unit", &self.state.unit)
            .finish_non_exhaustive()
    }
}

/// Why a unit could not be added.
#[derive(Debug, thiserror::Error)]
#[error("{unit} is already a source of this gateway; use the one there is")]
pub struct AlreadyASource {
    /// The unit.
    pub unit: UnitId,
}

impl Gateway {
    /// Starts a gateway without sources on the running Tokio runtime. `on_event` is called on its
    /// tasks for everything that happens, and must not block.
    pub fn start(
        connection: Connection,
        options: GatewayOptions,
        on_event: impl Fn(GatewayEvent) + Send + Sync + 'static,
    ) -> Self {
        let (stop, _) = watch::channel(false);
        Self {
            connection,
            options,
            on_event: Arc::new(on_event),
            runtime: Handle::current(),
            sources: Mutex::default(),
            stop,
        }
    }

    /// Adds a unit with its spool; what waits there is sent.
    ///
    /// # Errors
    /// [`AlreadyASource`]: two sources of one unit would fence each other.
    pub fn add(&self, unit: UnitId, spool: impl Spool) -> Result<Source, AlreadyASource> {
        let mut sources = lock(&self.sources);
        if !sources.units.insert(unit.clone()) {
            return Err(AlreadyASource { unit });
        }
        let shared = match sources.streams.last() {
            Some(stream) if lock(&stream.shared.sources).len() < SOURCES_A_STREAM => {
                Arc::clone(&stream.shared)
            }
            _ => {
                let stream = self.start_stream();
                let shared = Arc::clone(&stream.shared);
                sources.streams.push(stream);
                shared
            }
        };
        drop(sources);
        let mut of_stream = lock(&shared.sources);
        let state = Arc::new(SourceState {
            idx: of_stream.len(),
            unit,
            spool: Arc::new(spool),
            fenced: AtomicBool::new(false),
            dirty: AtomicBool::new(false),
            settled: Notify::new(),
        });
        of_stream.push(Arc::clone(&state));
        drop(of_stream);
        shared.mark(&state);
        Ok(Source { state, shared })
    }

    fn start_stream(&self) -> OneStream {
        let shared = Arc::new(Shared::default());
        let driver = Driver::new(
            self.connection.clone(),
            self.options,
            Arc::clone(&self.on_event),
            Arc::clone(&shared),
        );
        let task = self.runtime.spawn(driver.run(self.stop.subscribe()));
        OneStream { shared, task }
    }

    /// Waits until no source has anything waiting. Fenced sources are not waited for.
    pub async fn drained(&self) {
        let sources: Vec<_> = lock(&self.sources)
            .streams
            .iter()
            .flat_map(|stream| lock(&stream.shared.sources).clone())
            .collect();
        for state in sources {
            state.drained().await;
        }
    }

    /// Stops and waits for the tasks. Batches that wait stay in the spools.
    pub async fn stop(self) {
        self.stop.send_replace(true);
        let streams = std::mem::take(&mut lock(&self.sources).streams);
        for stream in streams {
            // A task panics only on a bug, which has been printed then.
            let _ = stream.task.await;
        }
    }
}

impl Drop for Gateway {
    fn drop(&mut self) {
        self.stop.send_replace(true);
    }
}

impl SourceState {
    async fn drained(&self) {
        loop {
            let settled = self.settled.notified();
            let mut settled = std::pin::pin!(settled);
            settled.as_mut().enable();
            if self.spool.n_pending() == 0 || self.fenced.load(Ordering::Acquire) {
                return;
            }
            settled.await;
        }
    }
}

impl Source {
    /// The unit.
    pub fn unit(&self) -> &UnitId {
        &self.state.unit
    }

    /// Its spool.
    pub fn spool(&self) -> &dyn Spool {
        self.state.spool.as_ref()
    }

    /// Whether another gateway has taken the unit over.
    pub fn is_fenced(&self) -> bool {
        self.state.fenced.load(Ordering::Acquire)
    }

    /// Puts batches into the spool, all or none, and returns the first sequence. While the spool is
    /// full it waits for room: that is the back-pressure.
    ///
    /// # Durability
    /// As the spool's: with a [`crate::DiskSpool`] the batches are synced to disk on return.
    ///
    /// # Cancel safety
    /// Cancelled, the batches may or may not have been taken.
    ///
    /// # Errors
    /// [`SpoolError`], but not [`SpoolError::Full`]; none of the batches was taken.
    pub async fn append(&self, batches: Vec<EncodedBatch>) -> Result<u64, SpoolError> {
        let batches: Arc<[EncodedBatch]> = batches.into();
        loop {
            let settled = self.state.settled.notified();
            let mut settled = std::pin::pin!(settled);
            settled.as_mut().enable();
            let appended = match self.state.spool.durability() {
                Durability::Volatile => self.state.spool.append(&batches),
                Durability::Disk => {
                    let (spool, batches) = (Arc::clone(&self.state.spool), Arc::clone(&batches));
                    blocking(move || spool.append(&batches)).await
                }
            };
            match appended {
                Err(SpoolError::Full { .. }) => settled.await,
                Ok(first) => {
                    self.shared.mark(&self.state);
                    return Ok(first);
                }
                Err(error) => return Err(error),
            }
        }
    }

    /// As [`Source::append`], but returns [`SpoolError::Full`] instead of waiting. Blocks the
    /// thread for the disk.
    ///
    /// # Errors
    /// [`SpoolError`]; none of the batches was taken.
    pub fn try_append(&self, batches: &[EncodedBatch]) -> Result<u64, SpoolError> {
        let first = self.state.spool.append(batches)?;
        self.shared.mark(&self.state);
        Ok(first)
    }

    /// Waits until nothing waits in the spool, or the source is fenced.
    pub async fn drained(&self) {
        self.state.drained().await;
    }
}

/// Runs `work` where it may block.
async fn blocking<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> T {
    match tokio::task::spawn_blocking(work).await {
        Ok(result) => result,
        Err(error) => std::panic::resume_unwind(error.into_panic()),
    }
}
