//! The task that owns one stream.

use super::session::{Session, SessionSource};
use super::{GatewayEvent, GatewayOptions, OnEvent, Shared, SourceState, blocking, lock};
use crate::backoff::Backoff;
use crate::spool::SpoolError;
use crate::{CallError, Connection};
use futures::{StreamExt, TryStreamExt, stream};
use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tokio_stream::wrappers::ReceiverStream;
use wheeltap_model::UnitId;
use wheeltap_proto::v1;

/// Messages between the task and HTTP/2; a few, so that flow control is felt at once.
const OUTBOUND_MESSAGES: usize = 16;

/// Why a session ended.
enum Ended {
    Stopped,
    /// A spool began a new epoch; say Hello again.
    Renewed,
    Lost(Option<CallError>),
}

pub(super) struct Driver {
    connection: Connection,
    options: GatewayOptions,
    on_event: OnEvent,
    shared: Arc<Shared>,
    /// Sources that the service refused, with when to try again.
    parked: HashMap<usize, Instant>,
}

impl Driver {
    pub(super) fn new(
        connection: Connection,
        options: GatewayOptions,
        on_event: OnEvent,
        shared: Arc<Shared>,
    ) -> Self {
        Self {
            connection,
            options,
            on_event,
            shared,
            parked: HashMap::new(),
        }
    }

    pub(super) async fn run(mut self, mut stopped: watch::Receiver<bool>) {
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
                put_off: HashMap::new(),
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
            if outcome.outcome() != Outcome::Retry {
                source.put_off.remove(&sequence);
            }
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
                        // One that is put off for long must not take the line from the others.
                        let n_times = source.put_off.entry(sequence).or_insert(1);
                        *n_times = n_times.saturating_add(1);
                        let at = Instant::now() + self.backoff(*n_times);
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
pub(super) fn source_number(idx: usize) -> u32 {
    u32::try_from(idx + 1).unwrap_or(u32::MAX)
}

fn source_idx(number: u32) -> usize {
    usize::try_from(number)
        .unwrap_or(usize::MAX)
        .wrapping_sub(1)
}
