//! The store on disk: sled underneath, nothing of it above.

mod cold;
mod decoded;
mod keys;
mod layout;
mod open;
mod read;
#[cfg(test)]
mod tests;
mod upkeep;
mod verify;
mod writer;

use crate::engine::{Engine, panic_text};
use crate::merge::{QUARANTINE_BYTES, check_commit, check_size, quarantine_size};
use crate::record::{corrupt, join, open as open_record};
use crate::{
    Appended, Commit, DocumentKey, Done, Figures, Incoming, QuarantineId, Quarantined, Rollup,
    SourceRanges, Store, StoreError, StoreId, Tier, Upkeep,
};
use cold::Cold;
use decoded::Decoded;
use layout::{Layout, stopped, weight};
use std::collections::VecDeque;
use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{
    Arc, Condvar, Mutex, MutexGuard, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard, mpsc,
};
use std::thread::JoinHandle;
use std::time::Duration;
pub use verify::Verified;
use wheeltap_model::{
    ChannelId, ChannelName, Event, EventTime, Sample, Series, ServerTime, UnitId,
};
use writer::{Book, Group};

/// A batch of more samples than this is refused.
const BATCH_SAMPLES: usize = 4_000_000;
/// Jobs that may wait for the writer before batches have to wait for a place.
const QUEUE_JOBS: usize = 4_096;
/// Bytes of batches that may wait for the writer.
const QUEUE_BYTES: usize = 48 * 1024 * 1024;
/// Bytes of batches that one group takes.
const GROUP_BYTES: usize = 8 * 1024 * 1024;
/// How long a busy writer waits for more before it commits.
const GROUP_WAIT: Duration = Duration::from_millis(5);

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// How a [`SledStore`] keeps its data. All but the retentions suit the machine rather than the fleet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// How long samples and events are kept, in milliseconds of event time before the server's
    /// clock; 30 days by default. It must be at least the settlement horizon, the longest window and
    /// delay together. Whole periods are dropped, so up to `period_ms` more is kept.
    pub raw_ms: i64,
    /// How long rows of a minute are kept; 400 days by default.
    pub minute_ms: i64,
    /// How long rows of an hour are kept; ten years by default.
    pub hour_ms: i64,
    /// Length of a cold folder of samples; whole hours, 7 days by default. Rows of a minute get
    /// folders of 4 such lengths, rows of an hour 52. A folder keeps the length it was made with.
    pub period_ms: i64,
    /// Points of a full block, 1 to 65,536; 4,096 by default.
    pub block_points: usize,
    /// How old the oldest frame may get before strips are cut, by upkeep's clock; 2 minutes by
    /// default.
    pub strip_ms: i64,
    /// How long the leftovers of an ended period wait for late data before they are sealed into
    /// short blocks, by upkeep's clock; 15 minutes by default.
    pub linger_ms: i64,
    /// Bytes of memory that batches which are in no strip yet may take; strips are cut at half of
    /// it, and by the writer itself when it is exceeded; at twice this, batches wait. 96 MiB by
    /// default.
    pub head_bytes: usize,
    /// Page cache of the hot tree in bytes; 128 MiB by default.
    pub cache_bytes: u64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            raw_ms: 30 * DAY_MS,
            minute_ms: 400 * DAY_MS,
            hour_ms: 3_653 * DAY_MS,
            period_ms: 7 * DAY_MS,
            block_points: 4_096,
            strip_ms: 120_000,
            linger_ms: 900_000,
            head_bytes: 96 * 1024 * 1024,
            cache_bytes: 128 * 1024 * 1024,
        }
    }
}

impl Options {
    /// Length of a folder of a tier's rows.
    const fn rows_period_ms(&self, tier: Tier) -> i64 {
        match tier {
            Tier::Minute => self.period_ms.saturating_mul(4),
            Tier::Hour => self.period_ms.saturating_mul(52),
        }
    }
}

enum Job {
    Append { batches: Vec<Incoming>, done: Done },
    Change(Change),
}

/// Prepares a change; an error leaves the book as it was, and has been answered.
type Change = Box<dyn FnOnce(&mut Book, &mut Group) + Send>;

#[derive(Default)]
struct Queue {
    jobs: VecDeque<(Job, usize)>,
    bytes: usize,
    closed: bool,
}

impl Queue {
    /// Whether batches of this weight may come in. A group over the bound is let in alone, or it would wait
    /// for ever.
    fn has_room(&self, bytes: usize) -> bool {
        self.jobs.len() < QUEUE_JOBS && (self.bytes == 0 || self.bytes + bytes <= QUEUE_BYTES)
    }
}

/// What the store's threads share.
struct Shared {
    path: PathBuf,
    options: Options,
    hot: Engine,
    cold: Cold,
    layout: RwLock<Layout>,
    queue: Mutex<Queue>,
    /// Told when the queue has grown or closed.
    filled: Condvar,
    /// Told when the queue has shrunk or closed.
    drained: Condvar,
    /// The first error, after which nothing more is done.
    stopped: Mutex<Option<String>>,
    /// Strips unpacked lately, for reading.
    decoded: Mutex<Decoded>,
    /// Held by whoever seals or drops. Nobody who takes batches in waits for it.
    upkeep: Mutex<()>,
    /// Held by whoever cuts strips: an upkeep, or the writer when heads have outgrown their bound.
    cutting: Mutex<upkeep::Cutting>,
    samples_stored: AtomicU64,
    commits: AtomicU64,
}

/// A [`Store`] in a folder on disk.
///
/// One process at a time may have the folder open. Dropping the store finishes what is queued.
///
/// # Durability
/// What was reported stored or committed survives the end of the process and a power cut, as far as
/// the disk keeps its promise about `fdatasync`. After an I/O error everything is refused with
/// [`StoreError::Stopped`]; nothing reported before is in doubt.
///
/// ```
/// use wheeltap_store::{Commit, Options, SledStore, Store};
/// let folder = tempfile::tempdir()?;
/// let store = SledStore::open(folder.path(), Options::default())?;
/// store.commit(Commit { ledger: vec![b"rule lodged".to_vec()], ..Commit::default() })?;
/// drop(store);
/// let store = SledStore::open(folder.path(), Options::default())?;
/// assert_eq!(store.ledger(0, 10)?, vec![(1, b"rule lodged".to_vec())]);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub struct SledStore {
    id: StoreId,
    shared: Arc<Shared>,
    writer: Option<JoinHandle<()>>,
    /// Locked while the store is open; its content means nothing.
    _lock: File,
}

impl std::fmt::Debug for SledStore {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SledStore")
            .field("path", &self.shared.path)
            .finish_non_exhaustive()
    }
}

impl SledStore {
    /// Opens a folder, or makes a new store in it.
    ///
    /// # Errors
    /// [`StoreError::Locked`] when another process, or this one, has it open;
    /// [`StoreError::UnknownVersion`] when a newer program wrote it; [`StoreError::Corrupt`] when
    /// the journal or a book fails its check; else what the disk or the engine said.
    pub fn open(path: &Path, options: Options) -> Result<Self, StoreError> {
        let opened = open::open(path, options)?;
        let shared = Arc::new(opened.shared);
        let for_writer = Arc::clone(&shared);
        let book = opened.book;
        let writer = std::thread::Builder::new()
            .name("store-writer".to_owned())
            .spawn(move || run_writer(&for_writer, book))
            .map_err(crate::engine::io_error(path, "opened"))?;
        Ok(Self {
            id: opened.id,
            shared,
            writer: Some(writer),
            _lock: opened.lock,
        })
    }
}

impl Drop for SledStore {
    fn drop(&mut self) {
        self.shared.queue().closed = true;
        self.shared.filled.notify_all();
        self.shared.drained.notify_all();
        if let Some(writer) = self.writer.take()
            && writer.join().is_err()
        {
            self.shared.stop("the writer panicked".to_owned());
        }
    }
}

impl Shared {
    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn decoded(&self) -> MutexGuard<'_, Decoded> {
        self.decoded.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn cutting(&self) -> MutexGuard<'_, upkeep::Cutting> {
        self.cutting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn read_layout(&self) -> RwLockReadGuard<'_, Layout> {
        self.layout.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn write_layout(&self) -> RwLockWriteGuard<'_, Layout> {
        self.layout.write().unwrap_or_else(PoisonError::into_inner)
    }

    fn check_running(&self) -> Result<(), StoreError> {
        let cause = self.stopped.lock().unwrap_or_else(PoisonError::into_inner);
        cause.as_deref().map_or(Ok(()), |cause| Err(stopped(cause)))
    }

    fn stop(&self, cause: String) {
        let mut first = self.stopped.lock().unwrap_or_else(PoisonError::into_inner);
        first.get_or_insert(cause);
    }

    /// Queues a job. Batches wait while the queue is full; a change never does: while heads are over
    /// their bound the writer takes changes alone, and whoever makes room by cutting strips makes one. Its
    /// caller waits for its answer, so there are no more changes than callers. Gives the job back
    /// when the store has stopped.
    fn enqueue(&self, job: Job, bytes: usize) -> Result<(), (Job, StoreError)> {
        let mut queue = self.queue();
        loop {
            if let Err(error) = self.check_running() {
                return Err((job, error));
            }
            if queue.closed {
                return Err((job, stopped("it is being closed")));
            }
            if matches!(job, Job::Change(_)) || queue.has_room(bytes) {
                break;
            }
            queue = self
                .drained
                .wait(queue)
                .unwrap_or_else(PoisonError::into_inner);
        }
        queue.bytes += bytes;
        queue.jobs.push_back((job, bytes));
        drop(queue);
        self.filled.notify_one();
        Ok(())
    }

    /// Runs `prepare` on the writer and returns once what it put into the group is durable.
    fn change<T: Send + 'static>(
        &self,
        prepare: impl FnOnce(&mut Book, &mut Group) -> T + Send + 'static,
    ) -> Result<T, StoreError> {
        let (sender, receiver) = mpsc::channel();
        let change: Change = Box::new(move |book, group| {
            let value = prepare(book, group);
            group.replies.push(Box::new(move |outcome| {
                // The caller waits below; if it has gone, nobody needs the answer.
                let _ = sender.send(outcome.map(|()| value));
            }));
        });
        self.enqueue(Job::Change(change), 0)
            .map_err(|(_, error)| error)?;
        if let Ok(outcome) = receiver.recv() {
            return outcome;
        }
        self.check_running()?;
        Err(stopped("its writer has ended"))
    }

    /// Takes changes alone, while batches have to wait for memory; waits a moment for one.
    fn next_changes(&self) -> Vec<Job> {
        let is_change = |(job, _): &(Job, usize)| matches!(job, Job::Change(_));
        let (mut queue, _) = self
            .filled
            .wait_timeout_while(self.queue(), GROUP_WAIT, |queue| {
                !queue.closed && !queue.jobs.iter().any(is_change)
            })
            .unwrap_or_else(PoisonError::into_inner);
        let (changes, batches) = queue.jobs.drain(..).partition(is_change);
        queue.jobs = batches;
        drop(queue);
        self.drained.notify_all();
        let changes: VecDeque<(Job, usize)> = changes;
        changes.into_iter().map(|(job, _)| job).collect()
    }

    /// Takes what makes one group; `None` once the queue is closed and empty.
    fn next_jobs(&self, was_busy: bool) -> Option<Vec<Job>> {
        let mut queue = self.queue();
        // Whoever cuts strips needs the writer to make room, so changes go on.
        let is_over = self.read_layout().head_bytes > self.options.head_bytes.saturating_mul(2);
        if is_over && !queue.closed && self.check_running().is_ok() {
            drop(queue);
            return Some(self.next_changes());
        }
        while queue.jobs.is_empty() {
            if queue.closed {
                return None;
            }
            queue = self
                .filled
                .wait(queue)
                .unwrap_or_else(PoisonError::into_inner);
        }
        // Under load a moment's wait makes fewer and longer frames; a lone caller is not kept.
        if was_busy && queue.bytes < GROUP_BYTES && !queue.closed {
            let (waited, _) = self
                .filled
                .wait_timeout_while(queue, GROUP_WAIT, |queue| {
                    queue.bytes < GROUP_BYTES && !queue.closed
                })
                .unwrap_or_else(PoisonError::into_inner);
            queue = waited;
        }
        let (mut jobs, mut bytes) = (Vec::new(), 0);
        while bytes <= GROUP_BYTES
            && let Some((job, job_bytes)) = queue.jobs.pop_front()
        {
            bytes += job_bytes;
            queue.bytes -= job_bytes;
            jobs.push(job);
        }
        drop(queue);
        self.drained.notify_all();
        Some(jobs)
    }

    /// Writes, syncs, publishes.
    fn commit_group(&self, book: &mut Book, group: &mut Group) -> Result<(), StoreError> {
        self.check_running()?;
        book.close_frames(group)?;
        if group.writes > 0 {
            self.hot.apply(std::mem::take(&mut group.batch))?;
            self.hot.sync()?;
            self.commits.fetch_add(1, Ordering::Relaxed);
        }
        self.samples_stored
            .fetch_add(group.samples, Ordering::Relaxed);
        if !group.publish.is_empty() {
            let mut layout = self.write_layout();
            for publish in group.publish.drain(..) {
                publish(&mut layout);
            }
        }
        Ok(())
    }

    /// Commits a group and answers everyone in it. A panic of the engine counts as an error.
    fn settle(&self, book: &mut Book, mut group: Group) {
        let outcome = catch_unwind(AssertUnwindSafe(|| self.commit_group(book, &mut group)))
            .unwrap_or_else(|panic| {
                Err(StoreError::Engine {
                    doing: "writing",
                    message: panic_text(panic.as_ref()),
                })
            });
        match outcome {
            Ok(()) => {
                for reply in group.replies {
                    reply(Ok(()));
                }
            }
            Err(error) => {
                let cause = match &error {
                    StoreError::Stopped { cause } => cause.clone(),
                    StoreError::Io { source, .. } => format!("{error}: {source}"),
                    _ => error.to_string(),
                };
                self.stop(cause.clone());
                for reply in group.replies {
                    reply(Err(stopped(&cause)));
                }
                self.drained.notify_all();
            }
        }
    }
}

/// Runs the writer; should it panic, whoever waits for it learns that the store has stopped.
fn run_writer(shared: &Shared, book: Book) {
    let Err(panic) = catch_unwind(AssertUnwindSafe(|| write_until_closed(shared, book))) else {
        return;
    };
    let cause = format!("the writer ended: {}", panic_text(panic.as_ref()));
    shared.stop(cause.clone());
    let jobs = {
        let mut queue = shared.queue();
        queue.closed = true;
        std::mem::take(&mut queue.jobs)
    };
    shared.drained.notify_all();
    for (job, _) in jobs {
        if let Job::Append { done, .. } = job {
            done(Err(stopped(&cause)));
        }
    }
}

fn write_until_closed(shared: &Shared, mut book: Book) {
    let mut was_busy = false;
    while let Some(jobs) = shared.next_jobs(was_busy) {
        was_busy = jobs.len() > 1;
        let mut group = Group::default();
        for job in jobs {
            match job {
                Job::Append { batches, done } => {
                    let outcomes: Vec<Appended> = batches
                        .into_iter()
                        .map(|incoming| book.append(&mut group, incoming))
                        .collect();
                    group
                        .replies
                        .push(Box::new(move |outcome| done(outcome.map(|()| outcomes))));
                }
                Job::Change(change) => change(&mut book, &mut group),
            }
        }
        shared.settle(&mut book, group);
        shared.relieve(&mut book);
    }
}

impl Store for SledStore {
    fn id(&self) -> StoreId {
        self.id
    }

    fn channel_ids(&self, names: &[ChannelName]) -> Result<Vec<ChannelId>, StoreError> {
        self.shared.check_running()?;
        let known: Option<Vec<ChannelId>> = {
            let layout = self.shared.read_layout();
            names
                .iter()
                .map(|name| layout.channels.get(name).copied())
                .collect()
        };
        if let Some(ids) = known {
            return Ok(ids);
        }
        let names = names.to_vec();
        self.shared
            .change(move |book, group| book.channel_ids(group, &names))
    }

    fn submit(&self, batches: Vec<Incoming>, done: Done) {
        if let Some(big) = batches.iter().find(|b| b.batch.len() > BATCH_SAMPLES) {
            let refused = check_size("a batch's count of samples", big.batch.len(), BATCH_SAMPLES);
            done(refused.map(|()| Vec::new()));
            return;
        }
        let bytes = batches.iter().map(|incoming| weight(&incoming.batch)).sum();
        if let Err((Job::Append { done, .. }, error)) =
            self.shared.enqueue(Job::Append { batches, done }, bytes)
        {
            done(Err(error));
        }
    }

    fn sources(&self, unit: &UnitId) -> Result<Vec<SourceRanges>, StoreError> {
        self.shared.check_running()?;
        let layout = self.shared.read_layout();
        let sources = layout.units.get(unit).map(|unit| &unit.sources);
        Ok(sources
            .into_iter()
            .flatten()
            .map(|(epoch, ranges)| SourceRanges {
                epoch: *epoch,
                ranges: ranges.as_slice().to_vec(),
            })
            .collect())
    }

    fn quarantine(&self, batch: Quarantined) -> Result<Option<QuarantineId>, StoreError> {
        let size = quarantine_size(&batch);
        check_size("a quarantined batch", size, QUARANTINE_BYTES)?;
        self.shared
            .change(move |book, group| book.quarantine(group, &batch, size).map(QuarantineId))
    }

    fn quarantined(
        &self,
        after: Option<QuarantineId>,
        limit: usize,
    ) -> Result<Vec<(QuarantineId, Quarantined)>, StoreError> {
        self.shared.check_running()?;
        let hot = &self.shared.hot;
        let from = after.map_or(0, |id| id.0).saturating_add(1);
        let start = keys::counted(keys::QUARANTINE_INDEX, from);
        let mut found = Vec::new();
        for item in hot.range(&start, &[keys::QUARANTINE_INDEX + 1]) {
            if found.len() >= limit {
                break;
            }
            let (key, _) = item?;
            let id = keys::number64(&key)
                .ok_or_else(|| corrupt("quarantined batch", "its key is damaged"))?;
            let key = keys::counted(keys::QUARANTINE, id);
            // One that is discarded meanwhile is left out.
            if let Some(body) = join("quarantined batch", &key, |key| hot.get(key))? {
                let batch = writer::read_quarantined(&body)
                    .ok_or_else(|| corrupt("quarantined batch", "its fields are damaged"))?;
                found.push((QuarantineId(id), batch));
            }
        }
        Ok(found)
    }

    fn discard_quarantined(&self, id: QuarantineId) -> Result<bool, StoreError> {
        self.shared
            .change(move |book, group| book.discard(group, id.0))
    }

    fn read(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Series, StoreError> {
        self.shared.check_running()?;
        self.shared
            .read_samples(unit, channel, from.unix_ms(), to.unix_ms(), limit)
    }

    fn newest_before(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        before: EventTime,
    ) -> Result<Option<Sample>, StoreError> {
        self.shared.check_running()?;
        self.shared.newest_before(unit, channel, before.unix_ms())
    }

    fn read_events(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Vec<Event>, StoreError> {
        self.shared.check_running()?;
        self.shared
            .read_events(unit, channel, from.unix_ms(), to.unix_ms(), limit)
    }

    fn rollups(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        tier: Tier,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Vec<Rollup>, StoreError> {
        self.shared.check_running()?;
        self.shared
            .rollups(unit, channel, tier, (from.unix_ms(), to.unix_ms()), limit)
    }

    fn extent(&self, unit: &UnitId) -> Result<Option<(EventTime, EventTime)>, StoreError> {
        self.shared.check_running()?;
        let layout = self.shared.read_layout();
        let extent = layout.units.get(unit).and_then(|unit| unit.extent);
        let floor = layout.floors.raw;
        Ok(extent
            .filter(|(_, last)| *last >= floor)
            .map(|(first, last)| {
                (
                    EventTime::from_unix_ms(first.max(floor)),
                    EventTime::from_unix_ms(last),
                )
            }))
    }

    fn commit(&self, commit: Commit) -> Result<u64, StoreError> {
        check_commit(&commit)?;
        self.shared
            .change(move |book, group| book.commit(group, commit))
    }

    fn ledger(&self, after: u64, limit: usize) -> Result<Vec<(u64, Vec<u8>)>, StoreError> {
        self.shared.check_running()?;
        let last = self.shared.read_layout().ledger_last;
        let mut found = Vec::new();
        if after >= last {
            return Ok(found);
        }
        let start = keys::counted(keys::LEDGER, after + 1);
        // What is applied but not yet synced is not shown.
        let end = keys::counted(keys::LEDGER, last.saturating_add(1));
        for item in self.shared.hot.range(&start, &end).take(limit) {
            let (key, record) = item?;
            let number = keys::number64(&key)
                .ok_or_else(|| corrupt("ledger entry", "its key is damaged"))?;
            let expected = after + 1 + found.len() as u64;
            if number != expected {
                return Err(corrupt(
                    "ledger entry",
                    format!("entry {expected} is missing"),
                ));
            }
            let entry = open_record("ledger entry", &key, &record)?;
            found.push((number, entry.to_vec()));
        }
        Ok(found)
    }

    fn document(&self, key: &DocumentKey) -> Result<Option<Vec<u8>>, StoreError> {
        self.shared.check_running()?;
        let key = keys::document(key.kind, &key.key);
        let Some(record) = self.shared.hot.get(&key)? else {
            return Ok(None);
        };
        Ok(Some(open_record("document", &key, &record)?.to_vec()))
    }

    fn documents(
        &self,
        kind: &'static str,
        prefix: &[u8],
    ) -> Result<Vec<(DocumentKey, Vec<u8>)>, StoreError> {
        self.shared.check_running()?;
        let before_key = keys::document(kind, b"").len();
        self.shared
            .hot
            .prefix(&keys::document(kind, prefix))
            .map(|item| {
                let (key, record) = item?;
                let body = open_record("document", &key, &record)?.to_vec();
                let key = key[before_key..].to_vec();
                Ok((DocumentKey { kind, key }, body))
            })
            .collect()
    }

    fn upkeep(&self, now: ServerTime) -> Result<Upkeep, StoreError> {
        self.shared.check_running()?;
        self.shared.upkeep(now.unix_ms())
    }

    fn figures(&self) -> Result<Figures, StoreError> {
        self.shared.check_running()?;
        let (disk_bytes, blob_files) = cold::disk_use(&self.shared.path)?;
        Ok(Figures {
            disk_bytes,
            blob_files,
            samples_stored: self.shared.samples_stored.load(Ordering::Relaxed),
            commits: self.shared.commits.load(Ordering::Relaxed),
        })
    }
}
