//! The gateway half: drives the spools of one or many units over one stream.
//!
//! One task owns the stream. It says Hello for each source, learns from the Welcome what the
//! service holds, sends the rest within the in-flight limit, and lets the spool forget what is
//! acknowledged as on disk. Whatever happens to the stream, it is set up again, for ever: the spool
//! is what must not lose anything, and it does not.

mod session;

use self::session::{Session, SessionSource};
use crate::backoff::Backoff;
use crate::spool::{Durability, SendOrder, Spool, SpoolEpoch, SpoolError};
use crate::{CallError, Connection, EncodedBatch};
use futures::{StreamExt, TryStreamExt, stream};
use std::collections::{HashMap, HashSet};
use std::fmt;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::{Notify, mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::Instant;
use tokio_stream::wrappers::ReceiverStream;
use wheeltap_model::UnitId;
use wheeltap_proto::v1;

/// Messages between the task and HTTP/2; a few, so that flow control is felt at once.
const OUTBOUND_MESSAGES: usize = 16;

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

type OnEvent = Box<dyn Fn(GatewayEvent) + Send + Sync>;

/// A running gateway. Dropping it stops it; what waits stays in the spools.
pub struct Gateway {
    shared: Arc<Shared>,
    stop: watch::Sender<bool>,
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
            .field("n_sources", &lock(&self.shared.sources).len())
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
    /// task for everything that happens, and must not block.
    pub fn start(
        connection: Connection,
        options: GatewayOptions,
        on_event: impl Fn(GatewayEvent) + Send + Sync + 'static,
    ) -> Self {
        let shared = Arc::new(Shared {
            sources: Mutex::new(Vec::new()),
            dirty: Mutex::new(Vec::new()),
            wake: Notify::new(),
        });
        let (stop, stopped) = watch::channel(false);
        let driver = Driver {
            connection,
            options,
            on_event: Box::new(on_event),
            shared: Arc::clone(&shared),
            parked: HashMap::new(),
        };
        let task = tokio::spawn(driver.run(stopped));
        Self { shared, stop, task }
    }

    /// Adds a unit with its spool; what waits there is sent.
    ///
    /// # Errors
    /// [`AlreadyASource`]: two sources of one unit would fence each other.
    pub fn add(&self, unit: UnitId, spool: impl Spool) -> Result<Source, AlreadyASource> {
        let mut sources = lock(&self.shared.sources);
        if sources.iter().any(|state| state.unit == unit) {
            return Err(AlreadyASource { unit });
        }
        let state = Arc::new(SourceState {
            idx: sources.len(),
            unit,
            spool: Arc::new(spool),
            fenced: AtomicBool::new(false),
            dirty: AtomicBool::new(false),
            settled: Notify::new(),
        });
        sources.push(Arc::clone(&state));
        drop(sources);
        self.shared.mark(&state);
        Ok(Source {
            state,
            shared: Arc::clone(&self.shared),
        })
    }

    /// Waits until no source has anything waiting. Fenced sources are not waited for.
    pub async fn drained(&self) {
        let sources = lock(&self.shared.sources).clone();
        for state in sources {
            state.drained().await;
        }
    }

    /// Stops and waits for the task. Batches that wait stay in the spools.
    pub async fn stop(mut self) {
        self.stop.send_replace(true);
        // The task panics only on a bug, which has been printed then.
        let _ = (&mut self.task).await;
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

/// Why a session ended.
enum Ended {
    Stopped,
    /// A spool began a new epoch; say Hello again.
    Renewed,
    Lost(Option<CallError>),
}

struct Driver {
    connection: Connection,
    options: GatewayOptions,
    on_event: OnEvent,
    shared: Arc<Shared>,
    /// Sources that the service refused, with when to try again.
    parked: HashMap<usize, Instant>,
}

impl Driver {
    async fn run(mut self, mut stopped: watch::Receiver<bool>) {
        let mut n_failures = 0_u32;
        loop {
            // Nothing to say Hello for: wait for a source.
            while !self.has_open_source() {
                let parked = self.parked.values().copied().min();
                tokio::select! {
                    () = self.shared.wake.notified() => {}
                    () = sleep_until(parked) => {}
                    () = stop(&mut stopped) => return,
                }
            }
            let mut session = Session::new(self.options.max_in_flight);
            let ended = self.session(&mut session, &mut stopped).await;
            if session.welcomed {
                n_failures = 0;
            }
            let error = match ended {
                Ended::Stopped => return,
                Ended::Renewed => {
                    // Not at once: a service that refuses every epoch must not be besieged.
                    tokio::select! {
                        () = tokio::time::sleep(self.backoff(0)) => continue,
                        () = stop(&mut stopped) => return,
                    }
                }
                Ended::Lost(error) => error,
            };
            let refused = error
                .as_ref()
                .filter(|error| error.reason == "UNKNOWN_UNIT")
                .and_then(|_| session.first_unwelcomed())
                .and_then(|state| self.park(&state));
            if let (Some(unit), Some(error)) = (refused, &error) {
                (self.on_event)(GatewayEvent::SourceRefused {
                    unit,
                    error: error.clone(),
                });
                continue;
            }
            let retry_in = self.backoff(n_failures);
            n_failures = n_failures.saturating_add(1);
            (self.on_event)(GatewayEvent::Disconnected { error, retry_in });
            tokio::select! {
                () = tokio::time::sleep(retry_in) => {}
                () = stop(&mut stopped) => return,
            }
        }
    }

    /// Whether any source may be sent now.
    fn has_open_source(&mut self) -> bool {
        let now = Instant::now();
        self.parked.retain(|_, until| *until > now);
        lock(&self.shared.sources).iter().any(|state| {
            !state.fenced.load(Ordering::Acquire) && !self.parked.contains_key(&state.idx)
        })
    }

    fn backoff(&self, n_failures: u32) -> Duration {
        Backoff {
            first: self.options.first_backoff,
            longest: self.options.longest_backoff,
        }
        .wait(n_failures)
    }

    /// Leaves a source out for a while; `None` when it is left out already.
    fn park(&mut self, state: &SourceState) -> Option<UnitId> {
        let until = Instant::now() + self.options.longest_backoff;
        self.parked
            .insert(state.idx, until)
            .is_none()
            .then(|| state.unit.clone())
    }

    async fn session(
        &mut self,
        session: &mut Session,
        stopped: &mut watch::Receiver<bool>,
    ) -> Ended {
        let (outbound, receiver) = mpsc::channel(OUTBOUND_MESSAGES);
        let mut client = self.connection.ingest();
        // Answers may begin only after the first Hello, so the call must not be waited for first.
        let opening = async move {
            client
                .stream_telemetry(ReceiverStream::new(receiver))
                .await
                .map(tonic::Response::into_inner)
        };
        let mut inbound = std::pin::pin!(stream::once(opening).try_flatten());
        lock(&self.shared.dirty).clear();
        let sources = lock(&self.shared.sources).clone();
        for state in &sources {
            state.dirty.store(false, Ordering::Release);
        }
        for state in sources {
            self.open(session, &state);
        }
        loop {
            let now = Instant::now();
            self.release(session, now);
            let timer = self.next_timer(session);
            let owes_answer = session.owes_answer();
            let answer_due = session.last_answer + self.options.answer_timeout;
            tokio::select! {
                biased;
                () = stop(stopped) => return Ended::Stopped,
                answer = inbound.next() => {
                    session.last_answer = Instant::now();
                    let renew = match answer {
                        None => return Ended::Lost(None),
                        Some(Err(status)) => return Ended::Lost(Some(status.into())),
                        Some(Ok(answer)) => self.answer(session, answer),
                    };
                    if let Some((idx, sequence)) = renew {
                        return self.renew(session, idx, sequence).await;
                    }
                }
                permit = outbound.reserve(), if session.has_work() => match permit {
                    Ok(permit) => {
                        if let Some(message) = self.next_message(session) {
                            permit.send(message);
                        }
                    }
                    // The other side of the call is gone; its reason comes with the answers.
                    Err(_) => return match inbound.next().await {
                        Some(Err(status)) => Ended::Lost(Some(status.into())),
                        _ => Ended::Lost(None),
                    },
                },
                () = self.shared.wake.notified() => {
                    let dirty = std::mem::take(&mut *lock(&self.shared.dirty));
                    for idx in dirty {
                        let state = Arc::clone(&lock(&self.shared.sources)[idx]);
                        state.dirty.store(false, Ordering::Release);
                        self.open(session, &state);
                        session.queue(idx);
                    }
                }
                () = sleep_until(timer) => {}
                () = tokio::time::sleep_until(answer_due), if owes_answer => {
                    return Ended::Lost(Some(CallError::from(tonic::Status::deadline_exceeded(
                        "the service owes an answer and gives none",
                    ))));
                }
            }
        }
    }

    /// Says Hello for a source that this session does not know yet.
    fn open(&self, session: &mut Session, state: &Arc<SourceState>) {
        let is_known = session.sources.contains_key(&state.idx);
        if is_known || state.fenced.load(Ordering::Acquire) || self.parked.contains_key(&state.idx)
        {
            return;
        }
        session.sources.insert(
            state.idx,
            SessionSource {
                state: Arc::clone(state),
                welcomed: false,
                queued: false,
                in_flight: HashMap::new(),
                delayed: HashSet::new(),
                promise: None,
            },
        );
        session.hellos.push(state.idx);
        session.n_unwelcomed += 1;
        session.outbox.push_back(v1::StreamTelemetryRequest {
            item: Some(v1::stream_telemetry_request::Item::Hello(v1::Hello {
                source: source_number(state.idx),
                unit: format!("units/{}", state.unit),
                epoch: state.spool.epoch().0.to_vec().into(),
            })),
        });
    }

    fn next_timer(&self, session: &Session) -> Option<Instant> {
        let delayed = session.delays.iter().map(|(at, _, _)| *at);
        delayed.chain(self.parked.values().copied()).min()
    }

    /// Lets go what was held back until now.
    fn release(&mut self, session: &mut Session, now: Instant) {
        let (due, later): (Vec<_>, Vec<_>) =
            session.delays.drain(..).partition(|(at, _, _)| *at <= now);
        session.delays = later;
        for (_, idx, sequence) in due {
            if let Some(source) = session.sources.get_mut(&idx) {
                source.delayed.remove(&sequence);
            }
            session.queue(idx);
        }
        let released: Vec<usize> = self
            .parked
            .iter()
            .filter(|(_, until)| **until <= now)
            .map(|(idx, _)| *idx)
            .collect();
        for idx in released {
            self.parked.remove(&idx);
            let state = Arc::clone(&lock(&self.shared.sources)[idx]);
            self.open(session, &state);
        }
    }

    fn next_message(&self, session: &mut Session) -> Option<v1::StreamTelemetryRequest> {
        if let Some(message) = session.outbox.pop_front() {
            return Some(message);
        }
        while session.n_in_flight < session.limit {
            let idx = session.ready.pop_front()?;
            let Some(source) = session.sources.get_mut(&idx) else {
                continue;
            };
            source.queued = false;
            if !source.welcomed || source.state.fenced.load(Ordering::Acquire) {
                continue;
            }
            let spool = Arc::clone(&source.state.spool);
            let is_out = |sequence| {
                source.in_flight.contains_key(&sequence) || source.delayed.contains(&sequence)
            };
            let Some(sequence) = spool.next(self.options.order, &is_out) else {
                continue;
            };
            let batch = match spool.read(sequence) {
                Ok(Some(batch)) => batch,
                Ok(None) => {
                    session.queue(idx);
                    continue;
                }
                Err(error) => {
                    (self.on_event)(GatewayEvent::SpoolFailed {
                        unit: source.state.unit.clone(),
                        error,
                    });
                    if spool.next(self.options.order, &is_out) == Some(sequence) {
                        // Still waiting, so it was not set aside as damaged: the disk may answer
                        // later.
                        let at = Instant::now() + self.options.longest_backoff;
                        source.delayed.insert(sequence);
                        session.delays.push((at, idx, sequence));
                    }
                    source.state.settled.notify_waiters();
                    session.queue(idx);
                    continue;
                }
            };
            return Some(session.send(idx, sequence, batch, self.options.order));
        }
        None
    }

    /// Takes an answer in. Returns the source and sequence that need a new epoch, if any.
    fn answer(
        &self,
        session: &mut Session,
        answer: v1::StreamTelemetryResponse,
    ) -> Option<(usize, u64)> {
        use v1::stream_telemetry_response::Item;
        match answer.item? {
            Item::Welcome(welcome) => {
                let idx = source_idx(welcome.source);
                let source = session.sources.get_mut(&idx)?;
                if !source.welcomed {
                    source.welcomed = true;
                    session.n_unwelcomed -= 1;
                }
                session.welcomed = true;
                if welcome.max_in_flight_batches > 0 {
                    let asked = usize::try_from(welcome.max_in_flight_batches);
                    session.limit = asked.unwrap_or(usize::MAX).min(self.options.max_in_flight);
                }
                session.schemas.extend(
                    welcome
                        .known_schema_digests
                        .iter()
                        .filter_map(|digest| <[u8; 16]>::try_from(digest.as_ref()).ok()),
                );
                let state = Arc::clone(&source.state);
                let collision = self.acknowledge(&state, &welcome.durable);
                session.queue(idx);
                (self.on_event)(GatewayEvent::Welcomed {
                    unit: state.unit.clone(),
                    store_id: welcome.store_id.to_vec(),
                    n_pending: state.spool.n_pending(),
                });
                collision.map(|sequence| (idx, sequence))
            }
            Item::Acknowledgement(acknowledgement) => self.settle(session, &acknowledgement),
            Item::Fenced(fenced) => {
                let idx = source_idx(fenced.source);
                let source = session.sources.get_mut(&idx)?;
                source.state.fenced.store(true, Ordering::Release);
                session.n_in_flight -= source.in_flight.len();
                source.in_flight.clear();
                if !source.welcomed {
                    source.welcomed = true;
                    session.n_unwelcomed -= 1;
                }
                source.state.settled.notify_waiters();
                (self.on_event)(GatewayEvent::Fenced {
                    unit: source.state.unit.clone(),
                });
                None
            }
        }
    }

    fn settle(
        &self,
        session: &mut Session,
        acknowledgement: &v1::BatchAcknowledgement,
    ) -> Option<(usize, u64)> {
        use v1::batch_outcome::Outcome;
        let idx = source_idx(acknowledgement.source);
        let source = session.sources.get_mut(&idx)?;
        let state = Arc::clone(&source.state);
        let mut renew = None;
        for outcome in &acknowledgement.outcomes {
            let sequence = outcome.sequence;
            let digest = source.in_flight.remove(&sequence);
            session.n_in_flight -= usize::from(digest.is_some());
            let unit = state.unit.clone();
            match outcome.outcome() {
                Outcome::Stored | Outcome::Duplicate => {
                    (self.on_event)(GatewayEvent::Stored {
                        unit,
                        sequence,
                        duplicate: outcome.outcome() == Outcome::Duplicate,
                    });
                }
                Outcome::Quarantined => (self.on_event)(GatewayEvent::Quarantined {
                    unit,
                    sequence,
                    reason: outcome.reason.clone(),
                    message: outcome.message.clone(),
                    column: outcome.column,
                    sample: outcome.sample,
                }),
                Outcome::Refused => renew = Some((idx, sequence)),
                Outcome::Retry | Outcome::Unspecified => {
                    // A missing schema is sent with the batch; anything else needs time.
                    if outcome.reason == "UNKNOWN_SCHEMA" {
                        if let Some(digest) = digest {
                            session.schemas.remove(&digest);
                        }
                    } else {
                        let at = Instant::now() + self.backoff(2);
                        source.delayed.insert(sequence);
                        session.delays.push((at, idx, sequence));
                    }
                    (self.on_event)(GatewayEvent::Retrying {
                        unit,
                        sequence,
                        reason: outcome.reason.clone(),
                        message: outcome.message.clone(),
                    });
                }
            }
        }
        let n_before = source.in_flight.len();
        source.in_flight.retain(|sequence, _| {
            !acknowledgement
                .durable
                .iter()
                .any(|range| (range.first..=range.last).contains(sequence))
        });
        session.n_in_flight -= n_before - source.in_flight.len();
        // After a refusal the service's ranges are about other batches of the same numbers.
        let collision = if renew.is_none() {
            self.acknowledge(&state, &acknowledgement.durable)
        } else {
            None
        };
        session.queue(idx);
        renew.or(collision.map(|sequence| (idx, sequence)))
    }

    /// Lets the spool forget; returns a sequence that collides.
    fn acknowledge(&self, state: &SourceState, durable: &[v1::SequenceRange]) -> Option<u64> {
        let ranges: Vec<(u64, u64)> = durable
            .iter()
            .map(|range| (range.first, range.last))
            .collect();
        let acknowledged = state.spool.acknowledge(&ranges);
        state.settled.notify_waiters();
        match acknowledged {
            Ok(()) => None,
            Err(SpoolError::Collision { sequence }) => Some(sequence),
            Err(error) => {
                (self.on_event)(GatewayEvent::SpoolFailed {
                    unit: state.unit.clone(),
                    error,
                });
                None
            }
        }
    }

    async fn renew(&self, session: &Session, idx: usize, sequence: u64) -> Ended {
        let Some(source) = session.sources.get(&idx) else {
            return Ended::Renewed;
        };
        let state = Arc::clone(&source.state);
        let spool = Arc::clone(&state.spool);
        let unit = state.unit.clone();
        match blocking(move || spool.renew()).await {
            Ok(epoch) => {
                (self.on_event)(GatewayEvent::Renewed {
                    unit,
                    sequence,
                    epoch,
                });
                Ended::Renewed
            }
            Err(error) => {
                (self.on_event)(GatewayEvent::SpoolFailed { unit, error });
                Ended::Lost(None)
            }
        }
    }
}

/// Returns when the gateway is to stop, or was dropped.
async fn stop(stopped: &mut watch::Receiver<bool>) {
    // An error means that the sender is gone, which stops the gateway just so.
    let _ = stopped.wait_for(|stop| *stop).await;
}

async fn sleep_until(at: Option<Instant>) {
    match at {
        Some(at) => tokio::time::sleep_until(at).await,
        None => std::future::pending().await,
    }
}

/// Numbers on the wire count from 1.
fn source_number(idx: usize) -> u32 {
    u32::try_from(idx + 1).unwrap_or(u32::MAX)
}

fn source_idx(number: u32) -> usize {
    usize::try_from(number)
        .unwrap_or(usize::MAX)
        .wrapping_sub(1)
}
