//! The one thread that hands checked batches to the store, many at a time.
//!
//! Streams send here instead of calling the store themselves: its queue blocks when it is full, and
//! an async thread must not. What has gathered while the last call blocked goes in one call.

use super::source::Source;
use super::stream::Note;
use crate::judging::{JudgeJob, Judging};
use crate::threads::start_thread;
use crate::{Shared, status};
use std::sync::Arc;
use std::thread::JoinHandle;
use tokio::sync::{OwnedSemaphorePermit, mpsc, oneshot};
use wheeltap_store::{Appended, Incoming, StoreError};

/// Most batches of one call to the store.
const GROUP: usize = 512;

/// Who waits for what becomes of a batch.
pub enum Waiting {
    /// A stream.
    Stream {
        /// The source it came from.
        source: Arc<Source>,
        /// Where to tell.
        notes: mpsc::UnboundedSender<Note>,
        /// Its place among the stream's unanswered batches.
        slot: OwnedSemaphorePermit,
    },
    /// A call that releases a batch from quarantine.
    Call(oneshot::Sender<Result<Appended, StoreError>>),
}

/// One checked batch on its way to the store.
pub struct Pending {
    /// For the store.
    pub incoming: Incoming,
    /// Its share of the bytes in flight, which goes on to the judge.
    pub bytes: OwnedSemaphorePermit,
    /// Who waits.
    pub waiting: Waiting,
}

enum Order {
    Store(Box<Pending>),
    Stop,
}

/// The way to the intake thread.
#[derive(Clone)]
pub struct Intake {
    orders: mpsc::Sender<Order>,
}

/// The thread, to be joined after [`Intake::stop`].
pub type IntakeThread = JoinHandle<()>;

impl Intake {
    /// Starts the thread.
    ///
    /// # Errors
    /// The system gave no thread.
    pub fn start(
        shared: &Arc<Shared>,
        judging: Arc<Judging>,
    ) -> std::io::Result<(Self, IntakeThread)> {
        let (orders, receiver) = mpsc::channel(2 * GROUP);
        let taking = Arc::clone(shared);
        let thread = start_thread(shared, "intake", move || run(receiver, &taking, &judging))?;
        Ok((Self { orders }, thread))
    }

    /// Queues a batch; waits while the queue is full. Gives it back when the intake has stopped.
    pub async fn store(&self, pending: Pending) -> Result<(), Stopped> {
        let order = Order::Store(Box::new(pending));
        self.orders.send(order).await.map_err(|_| Stopped)
    }

    /// Stores what is queued and ends the thread, even while streams hold on to it.
    pub async fn stop(&self) {
        // Already stopped is stopped.
        let _ = self.orders.send(Order::Stop).await;
    }
}

/// The intake has stopped; nothing of the batch was stored.
#[derive(Clone, Copy, Debug)]
pub struct Stopped;

fn run(mut orders: mpsc::Receiver<Order>, shared: &Arc<Shared>, judging: &Arc<Judging>) {
    while let Some(order) = orders.blocking_recv() {
        let mut group = Vec::new();
        let mut next = Some(order);
        while let Some(order) = next.take() {
            match order {
                Order::Store(pending) => group.push(*pending),
                Order::Stop => orders.close(),
            }
            if group.len() < GROUP {
                next = orders.try_recv().ok();
            }
        }
        if !group.is_empty() {
            submit(group, shared, judging);
        }
    }
}

fn submit(group: Vec<Pending>, shared: &Arc<Shared>, judging: &Arc<Judging>) {
    let incoming = group
        .iter()
        .map(|pending| pending.incoming.clone())
        .collect();
    let (told, judging) = (Arc::clone(shared), Arc::clone(judging));
    let done = move |outcome: Result<Vec<Appended>, StoreError>| match outcome {
        Ok(appended) => {
            for (pending, appended) in group.into_iter().zip(appended) {
                settle(pending, appended, &told, &judging);
            }
        }
        Err(error) => {
            let status = status::store(&error);
            for pending in group {
                match pending.waiting {
                    Waiting::Stream { notes, .. } => {
                        let _ = notes.send(Note::End(status.clone()));
                    }
                    Waiting::Call(answer) => {
                        let cause = error.to_string();
                        let _ = answer.send(Err(StoreError::Stopped { cause }));
                    }
                }
            }
            // After the streams were told, so that they end with this and not with the stop.
            told.shutdown.fail(&status::chain(&error));
        }
    };
    shared.store.submit(incoming, Box::new(done));
}

fn settle(pending: Pending, appended: Appended, shared: &Shared, judging: &Judging) {
    let Pending {
        incoming,
        bytes,
        waiting,
    } = pending;
    let metrics = &shared.metrics;
    match appended {
        Appended::Stored => {
            metrics.batches_stored.add(1);
            metrics.samples_stored.add(incoming.batch.len() as u64);
            if let (Some(unit), Some((_, newest))) =
                (shared.fleet.get(&incoming.unit), incoming.batch.span())
            {
                unit.heard.note(newest, incoming.received_at);
            }
        }
        Appended::Duplicate => metrics.batches_duplicate.add(1),
        Appended::Refused => metrics.batches_refused.add(1),
    }
    let stored = appended == Appended::Stored;
    tracing::debug!(
        unit = %incoming.unit, seq = incoming.sequence, n = incoming.batch.len(), ?appended,
        "a batch is settled"
    );
    // Nobody may be left to tell, which changes nothing.
    match waiting {
        Waiting::Stream {
            source,
            notes,
            slot,
        } => {
            let _ = notes.send(Note::Appended {
                source,
                sequence: incoming.sequence,
                appended,
                slot,
            });
        }
        Waiting::Call(answer) => {
            let _ = answer.send(Ok(appended));
        }
    }
    if stored {
        judging.offer(JudgeJob {
            unit: incoming.unit,
            epoch: incoming.epoch,
            sequence: incoming.sequence,
            batch: incoming.batch,
            received_at: incoming.received_at,
            permit: Arc::new(bytes),
        });
    }
}
