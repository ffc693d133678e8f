//! Journal, strips, blocks, rollups and ledger: everything that must outlive a crash.
//!
//! Callers see the [`Store`] trait and model values, never a tree, a key or stored bytes. The store
//! knows nothing of rules, alerts or people: ledger records and documents are bytes to it.
//!
//! Start with [`Store`], `SledStore` for a folder on disk and `MemoryStore` for tests.

mod block;
mod bytes;
mod codec;
mod disk;
mod engine;
mod identity;
mod memory;
mod merge;
mod port;
mod ranges;
mod record;

pub use disk::{Options, SledStore, Verified};
pub use memory::MemoryStore;
pub use port::{
    Appended, Commit, DocumentKey, Done, Epoch, Figures, Incoming, PayloadDigest, QuarantineId,
    Quarantined, Rollup, SourceRanges, Store, StoreError, StoreId, Tier, Upkeep,
};
