//! The port: what every store does, whatever it is made of.

use std::sync::Arc;
use wheeltap_model::{Batch, ChannelId, ChannelName, Event, EventTime, Series, ServerTime, UnitId};

/// A store's random identity, made when it is created; cursors and acks carry it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct StoreId(pub [u8; 16]);

/// A spool's random identity: a wiped spool makes a new one and locks nobody out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Epoch(pub [u8; 16]);

/// Digest of a batch's payload bytes as sent: the first 16 bytes of BLAKE3.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct PayloadDigest(pub [u8; 16]);

/// One checked batch on its way in.
#[derive(Clone, Debug)]
pub struct Incoming {
    /// Who sent it.
    pub unit: UnitId,
    /// From which spool.
    pub epoch: Epoch,
    /// Counted by the spool from 1.
    pub sequence: u64,
    /// Of the payload as sent; tells a repeat from a reuse.
    pub digest: PayloadDigest,
    /// When the server received it.
    pub received_at: ServerTime,
    /// The samples and events.
    pub batch: Arc<Batch>,
}

/// What became of one batch. All but `Refused` are durable when reported.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Appended {
    /// On disk, for the first time.
    Stored,
    /// Was already on disk; nothing changed.
    Duplicate,
    /// The sequence is on disk with other bytes; nothing changed.
    Refused,
}

/// What the store holds durably of one source.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceRanges {
    /// The spool.
    pub epoch: Epoch,
    /// Sequences held or settled, as inclusive ranges, ascending, not touching.
    pub ranges: Vec<(u64, u64)>,
}

/// Which telemetry tier.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Tier {
    /// One row a minute.
    Minute,
    /// One row an hour.
    Hour,
}

impl Tier {
    /// Length of a row in milliseconds; rows are aligned to the epoch.
    pub const fn length_ms(self) -> i64 {
        match self {
            Self::Minute => 60_000,
            Self::Hour => 3_600_000,
        }
    }
}

/// One rolled-up row over [start, start + length): good samples only, but for `n_unusable`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rollup {
    /// First instant of the row.
    pub start: EventTime,
    /// Good samples.
    pub n: u32,
    /// Samples of another quality.
    pub n_unusable: u32,
    /// Least good value; 0 when `n` is 0.
    pub min: f64,
    /// Greatest good value; 0 when `n` is 0.
    pub max: f64,
    /// Sum of the good values.
    pub sum: f64,
    /// Newest good value; 0 when `n` is 0.
    pub last: f64,
}

/// A batch that was refused, kept so that it can be mended and released.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quarantined {
    /// Who sent it, as text: the unit may be unknown.
    pub unit: String,
    /// From which spool.
    pub epoch: Epoch,
    /// Its sequence.
    pub sequence: u64,
    /// When it was received.
    pub received_at: ServerTime,
    /// Machine-readable reason, such as `UNKNOWN_CHANNEL`.
    pub reason: String,
    /// What, where and what to do, for people.
    pub message: String,
    /// The whole batch message as sent, schema included, for the server to decode again.
    pub bytes: Vec<u8>,
}

/// A quarantined batch's number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct QuarantineId(pub u64);

/// Key of a small document: a kind and a key, such as (`rule`, `oil-above-coolant@3f…`) or
/// (`checkpoint`, unit and time). Listing goes by kind and key prefix, in byte order.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DocumentKey {
    /// 1 to 32 bytes of `a-z_`.
    pub kind: &'static str,
    /// Up to 200 bytes.
    pub key: Vec<u8>,
}

/// One atomic commit of ledger entries and documents.
#[derive(Clone, Debug, Default)]
pub struct Commit {
    /// Appended in order; the store numbers them.
    pub ledger: Vec<Vec<u8>>,
    /// Written, or removed where `None`.
    pub documents: Vec<(DocumentKey, Option<Vec<u8>>)>,
}

/// What one upkeep pass did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Upkeep {
    /// Journal frames moved into strips.
    pub frames_stripped: u64,
    /// Blocks sealed.
    pub blocks_sealed: u64,
    /// Cold periods dropped by retention.
    pub periods_dropped: u64,
}

/// Figures for metrics and for `verify`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Figures {
    /// Bytes on disk.
    pub disk_bytes: u64,
    /// Loose blob files; anything but 0 is a bug in value sizing.
    pub blob_files: u64,
    /// Samples stored since opening.
    pub samples_stored: u64,
    /// Commits since opening.
    pub commits: u64,
}

/// A stop: I/O, corruption, or the store has stopped. Refusals and outcomes are values.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The disk refused.
    #[error("the store at {path} could not be {doing}")]
    Io {
        /// The folder.
        path: String,
        /// What was being done, as a participle.
        doing: &'static str,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// The engine refused.
    #[error("the storage engine failed while {doing}: {message}")]
    Engine {
        /// What was being done.
        doing: &'static str,
        /// What it said.
        message: String,
    },
    /// Another process holds the folder.
    #[error("the folder {path} is in use by another server; stop it or name another folder")]
    Locked {
        /// The folder.
        path: String,
    },
    /// Stored bytes fail their check.
    #[error("a stored {what} fails its check: {message}")]
    Corrupt {
        /// Which kind of record.
        what: &'static str,
        /// How.
        message: String,
    },
    /// Stored by a newer version.
    #[error(
        "a stored {what} has format version {found}, this program reads up to {known}: \
         run the version that wrote it, or newer"
    )]
    UnknownVersion {
        /// Which kind of record.
        what: &'static str,
        /// The version found.
        found: u8,
        /// The newest known.
        known: u8,
    },
    /// A caller broke a bound, such as a document over its size limit.
    #[error("{what} is {size} bytes, over the limit of {limit}")]
    TooLarge {
        /// Which kind of record.
        what: &'static str,
        /// Its size.
        size: usize,
        /// The limit.
        limit: usize,
    },
    /// The store stopped after an earlier error and takes no more work.
    #[error("the store has stopped: {cause}; restart the service")]
    Stopped {
        /// The first error.
        cause: String,
    },
}

/// Called once with what became of each batch, in order, when the commit is durable.
pub type Done = Box<dyn FnOnce(Result<Vec<Appended>, StoreError>) + Send>;

/// Durable storage of telemetry, ledger and documents.
///
/// Calls block and belong on blocking threads; [`Store::submit`] alone returns at once, or blocks
/// while its bounded queue is full, which is the back-pressure.
pub trait Store: Send + Sync + 'static {
    /// The store's identity.
    fn id(&self) -> StoreId;

    /// Ids for these names; unknown names get new ids, durably.
    ///
    /// # Errors
    /// A stop.
    fn channel_ids(&self, names: &[ChannelName]) -> Result<Vec<ChannelId>, StoreError>;

    /// Queues batches for the next group commit; `done` runs on the store's thread after the fsync,
    /// and must not block. Everything stored is visible to reads before `done` runs.
    fn submit(&self, batches: Vec<Incoming>, done: Done);

    /// What is held of each of a unit's sources, most recently used last.
    ///
    /// # Errors
    /// A stop.
    fn sources(&self, unit: &UnitId) -> Result<Vec<SourceRanges>, StoreError>;

    /// Keeps a refused batch and marks its sequence as settled for the source, durably. `None` when there is no
    /// room for it (1,000 batches and 64 MiB in all): then nothing has changed, and whoever has the batch
    /// must keep it.
    ///
    /// # Errors
    /// A stop, or [`StoreError::TooLarge`] for a batch that no room would be enough for.
    fn quarantine(&self, batch: Quarantined) -> Result<Option<QuarantineId>, StoreError>;

    /// Quarantined batches after `after`, oldest first.
    ///
    /// # Errors
    /// A stop.
    fn quarantined(
        &self,
        after: Option<QuarantineId>,
        limit: usize,
    ) -> Result<Vec<(QuarantineId, Quarantined)>, StoreError>;

    /// Removes a quarantined batch; `false` when there is none.
    ///
    /// # Errors
    /// A stop.
    fn discard_quarantined(&self, id: QuarantineId) -> Result<bool, StoreError>;

    /// A channel's samples with `from <= time <= to`, joined, at most `limit` from the oldest.
    ///
    /// # Errors
    /// A stop.
    fn read(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Series, StoreError>;

    /// The newest sample with `time < before`, for carrying a held value.
    ///
    /// # Errors
    /// A stop.
    fn newest_before(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        before: EventTime,
    ) -> Result<Option<wheeltap_model::Sample>, StoreError>;

    /// Events with `from <= time <= to`, by time then fields, repeats collapsed.
    ///
    /// # Errors
    /// A stop.
    fn read_events(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Vec<Event>, StoreError>;

    /// Rolled-up rows that start in `from..to`, oldest first, computed from what is stored;
    /// rows without samples are left out.
    ///
    /// # Errors
    /// A stop.
    fn rollups(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        tier: Tier,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Vec<Rollup>, StoreError>;

    /// First and last event time stored of a unit.
    ///
    /// # Errors
    /// A stop.
    fn extent(&self, unit: &UnitId) -> Result<Option<(EventTime, EventTime)>, StoreError>;

    /// Writes ledger entries and documents in one atomic, durable commit.
    /// Returns the number of the last ledger entry (numbers count from 1).
    ///
    /// # Errors
    /// A stop, or [`StoreError::TooLarge`] for a record over 48 KiB.
    fn commit(&self, commit: Commit) -> Result<u64, StoreError>;

    /// Ledger entries after number `after`, oldest first.
    ///
    /// # Errors
    /// A stop.
    fn ledger(&self, after: u64, limit: usize) -> Result<Vec<(u64, Vec<u8>)>, StoreError>;

    /// One document.
    ///
    /// # Errors
    /// A stop.
    fn document(&self, key: &DocumentKey) -> Result<Option<Vec<u8>>, StoreError>;

    /// Documents of a kind whose key starts with `prefix`, by key.
    ///
    /// # Errors
    /// A stop.
    fn documents(
        &self,
        kind: &'static str,
        prefix: &[u8],
    ) -> Result<Vec<(DocumentKey, Vec<u8>)>, StoreError>;

    /// Cuts strips, seals blocks and drops what retention allows; called about once a second.
    /// Retention counts back from the newest event time stored, or from `now` if that is earlier.
    ///
    /// # Errors
    /// A stop.
    fn upkeep(&self, now: ServerTime) -> Result<Upkeep, StoreError>;

    /// Figures for metrics.
    ///
    /// # Errors
    /// A stop.
    fn figures(&self) -> Result<Figures, StoreError>;
}
