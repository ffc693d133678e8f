//! Where batches wait until the service has them on disk.
//!
//! A [`Spool`] numbers batches, keeps them until they are acknowledged and gives them out again in
//! any order. [`DiskSpool`] survives a kill and a power cut; [`MemorySpool`] does not and says so.

mod disk;
mod memory;

pub use disk::{Damage, DiskSpool, DiskSpoolOptions};
pub use memory::MemorySpool;

use crate::EncodedBatch;
use std::path::PathBuf;

/// The spool's random identity, 16 bytes made with it. A wiped spool makes a new one, so that its
/// fresh sequences are not taken for old ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct SpoolEpoch(pub [u8; 16]);

impl SpoolEpoch {
    fn random() -> Self {
        Self(rand::random())
    }
}

impl std::fmt::Display for SpoolEpoch {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

/// What a spool promises about the batches it took.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Durability {
    /// On disk, synced: it survives a kill and a power cut.
    Disk,
    /// In memory: lost when the process ends.
    Volatile,
}

/// Which waiting batch goes first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SendOrder {
    /// In the order of the past; the service judges with fewest revisions.
    #[default]
    OldestFirst,
    /// What is happening now first, then the backlog; alerts about the present do not wait for it.
    NewestFirst,
}

/// Why a spool could not do its work.
#[derive(Debug, thiserror::Error)]
pub enum SpoolError {
    /// No room. Nothing of the call was kept; acknowledgements make room.
    #[error(
        "the spool is full: {held_bytes} bytes wait and {asked_bytes} more do not fit the limit of \
         {limit_bytes}; wait until the service takes some, or raise the limit"
    )]
    Full {
        /// Bytes that wait.
        held_bytes: u64,
        /// Bytes that did not fit.
        asked_bytes: u64,
        /// The limit.
        limit_bytes: u64,
    },
    /// More than the limit in one go: waiting would not help.
    #[error("{asked_bytes} bytes are more than the whole spool may hold ({limit_bytes})")]
    TooLarge {
        /// Bytes asked for.
        asked_bytes: u64,
        /// The limit.
        limit_bytes: u64,
    },
    /// The disk refused. After a failed write the spool takes no more until it is opened again.
    #[error("the spool file {path} could not be {doing}")]
    Io {
        /// Which file or folder.
        path: PathBuf,
        /// What was being done, as a participle.
        doing: &'static str,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// An earlier write failed, so the end of the file is not known to be on disk.
    #[error("the spool {path} stopped after a failed write; open it again")]
    Stopped {
        /// The folder.
        path: PathBuf,
    },
    /// Another process has it open.
    #[error("the spool {path} is in use by another process; stop it or use another folder")]
    Locked {
        /// The folder.
        path: PathBuf,
    },
    /// The folder does not hold what a spool holds.
    #[error("{path} is no spool of this version: {what}; move the folder away to start a new one")]
    NotASpool {
        /// Which file or folder.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// The service holds a sequence that this spool gave to a batch it never sent: the spool lost
    /// its newest batches, or is a copy. Nothing was acknowledged; [`Spool::renew`] mends it.
    #[error("the service holds sequence {sequence}, which here names a batch never sent; renew")]
    Collision {
        /// Which sequence.
        sequence: u64,
    },
    /// A batch read back fails its check. It is set aside and counted as damaged.
    #[error("batch {sequence} in {path} fails its check and cannot be sent; the file is kept")]
    Damaged {
        /// Which batch.
        sequence: u64,
        /// Which file.
        path: PathBuf,
    },
}

/// A queue of numbered batches of one unit.
///
/// Methods take `&self`, since producers and the gateway work on it at once. [`Spool::append`] may
/// block for a sync of the disk; the others return within a short file read.
pub trait Spool: Send + Sync + 'static {
    /// Its identity; changes with [`Spool::renew`].
    fn epoch(&self) -> SpoolEpoch;

    /// What it promises.
    fn durability(&self) -> Durability;

    /// Takes batches, all or none, and returns the first of their consecutive sequences.
    ///
    /// # Durability
    /// On return they are as safe as [`Spool::durability`] says; one sync covers them all.
    ///
    /// # Errors
    /// [`SpoolError`]; none of the batches was kept.
    fn append(&self, batches: &[EncodedBatch]) -> Result<u64, SpoolError>;

    /// The next batch to send: waiting, and not one that `skip` names.
    fn next(&self, order: SendOrder, skip: &dyn Fn(u64) -> bool) -> Option<u64>;

    /// A waiting batch; `None` when it was acknowledged meanwhile.
    ///
    /// # Errors
    /// [`SpoolError::Io`], or [`SpoolError::Damaged`], after which it does not wait any more.
    fn read(&self, sequence: u64) -> Result<Option<EncodedBatch>, SpoolError>;

    /// The service holds these inclusive ranges on disk: they need not be kept. Sequences up to the
    /// highest are never given out again.
    ///
    /// # Errors
    /// [`SpoolError::Collision`], and nothing was acknowledged; [`SpoolError::Io`] when a file could
    /// not be removed, though the batches count as acknowledged.
    fn acknowledge(&self, durable: &[(u64, u64)]) -> Result<(), SpoolError>;

    /// Starts a new epoch: what waits is numbered again from 1. Needed when the service says that a
    /// sequence was used before with other bytes.
    ///
    /// # Errors
    /// [`SpoolError::Io`]; the old epoch is still in force.
    fn renew(&self) -> Result<SpoolEpoch, SpoolError>;

    /// How many batches wait.
    fn n_pending(&self) -> u64;

    /// How many bytes it holds.
    fn held_bytes(&self) -> u64;
}

impl<S: Spool + ?Sized> Spool for std::sync::Arc<S> {
    fn epoch(&self) -> SpoolEpoch {
        (**self).epoch()
    }
    fn durability(&self) -> Durability {
        (**self).durability()
    }
    fn append(&self, batches: &[EncodedBatch]) -> Result<u64, SpoolError> {
        (**self).append(batches)
    }
    fn next(&self, order: SendOrder, skip: &dyn Fn(u64) -> bool) -> Option<u64> {
        (**self).next(order, skip)
    }
    fn read(&self, sequence: u64) -> Result<Option<EncodedBatch>, SpoolError> {
        (**self).read(sequence)
    }
    fn acknowledge(&self, durable: &[(u64, u64)]) -> Result<(), SpoolError> {
        (**self).acknowledge(durable)
    }
    fn renew(&self) -> Result<SpoolEpoch, SpoolError> {
        (**self).renew()
    }
    fn n_pending(&self) -> u64 {
        (**self).n_pending()
    }
    fn held_bytes(&self) -> u64 {
        (**self).held_bytes()
    }
}

/// The first key in `map` in sending order that `skip` does not name.
fn next_key<V>(
    map: &std::collections::BTreeMap<u64, V>,
    order: SendOrder,
    skip: &dyn Fn(u64) -> bool,
) -> Option<u64> {
    match order {
        SendOrder::OldestFirst => map.keys().copied().find(|sequence| !skip(*sequence)),
        SendOrder::NewestFirst => map.keys().rev().copied().find(|sequence| !skip(*sequence)),
    }
}

/// Refuses ranges that name a batch which was never given out.
fn check_collision<V>(
    pending: &std::collections::BTreeMap<u64, V>,
    durable: &[(u64, u64)],
    handed_out: impl Fn(&V) -> bool,
) -> Result<(), SpoolError> {
    for &(first, last) in durable.iter().filter(|(first, last)| first <= last) {
        let fresh = pending
            .range(first..=last)
            .find(|(_, value)| !handed_out(value));
        if let Some((sequence, _)) = fresh {
            return Err(SpoolError::Collision {
                sequence: *sequence,
            });
        }
    }
    Ok(())
}
