//! The ledger and its fold: the one place that writes what people and the judge did.

use crate::{Shared, status};
use std::sync::{Arc, Mutex, PoisonError, RwLock, RwLockReadGuard};
use tokio::sync::watch;
use wheeltap_followup::{Book, BookError, LedgerRecord, Planner, RecordError};
use wheeltap_model::ServerTime;
use wheeltap_store::{Commit, DocumentKey, StoreError};

/// Entries read at once while the book is rebuilt.
const READ_AT_ONCE: usize = 4_096;

/// Why the ledger could not be read or written. The service stops.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The store stopped, or an entry was too large.
    #[error("the ledger could not be written")]
    Store {
        /// Why.
        #[source]
        source: StoreError,
    },
    /// A stored entry is unreadable.
    #[error("ledger entry {seq} is unreadable")]
    Record {
        /// Its number.
        seq: u64,
        /// Why.
        #[source]
        source: RecordError,
    },
    /// A stored entry does not fit.
    #[error("the ledger contradicts itself")]
    Book {
        /// Where.
        #[source]
        source: BookError,
    },
}

impl From<StoreError> for LedgerError {
    fn from(source: StoreError) -> Self {
        Self::Store { source }
    }
}

/// Documents that go into the same commit as ledger entries.
pub type Documents = Vec<(DocumentKey, Option<Vec<u8>>)>;

/// The ledger with its book. Writes block on an fsync, reads take a short lock.
pub struct Ledger {
    shared: Arc<Shared>,
    /// Held through plan, commit and apply, so that the book changes in the order of the ledger.
    writing: Mutex<()>,
    book: RwLock<Book>,
    /// Number of the newest entry applied; watchers wait on it.
    position: watch::Sender<u64>,
}

impl Ledger {
    /// Rebuilds the book from the store.
    ///
    /// # Errors
    /// A stop, or entries that cannot be read.
    pub fn open(shared: Arc<Shared>) -> Result<Self, LedgerError> {
        let mut book = Book::default();
        loop {
            let entries = shared.store.ledger(book.seq(), READ_AT_ONCE)?;
            if entries.is_empty() {
                break;
            }
            for (seq, bytes) in entries {
                let record = LedgerRecord::from_bytes(&bytes)
                    .map_err(|source| LedgerError::Record { seq, source })?;
                book.apply(seq, &record)
                    .map_err(|source| LedgerError::Book { source })?;
            }
        }
        let position = watch::Sender::new(book.seq());
        Ok(Self {
            shared,
            writing: Mutex::new(()),
            book: RwLock::new(book),
            position,
        })
    }

    /// The book as of the newest durable entry.
    pub fn book(&self) -> RwLockReadGuard<'_, Book> {
        self.book.read().unwrap_or_else(PoisonError::into_inner)
    }

    /// Tells the number of the newest entry whenever it rises.
    pub fn position(&self) -> watch::Receiver<u64> {
        self.position.subscribe()
    }

    /// The server's time.
    pub fn now(&self) -> ServerTime {
        self.shared.clock.now()
    }

    /// Plans against the book, commits what was planned together with `documents` in one atomic,
    /// durable commit, and applies it. Only then can anybody see it. A plan that gives an error
    /// writes nothing. Blocks.
    ///
    /// # Errors
    /// A stop, after which the service stops: nothing planned is visible then.
    pub fn write<T>(
        &self,
        by: &str,
        documents: Documents,
        plan: impl FnOnce(&mut Planner<'_>) -> T,
    ) -> Result<T, LedgerError> {
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let (outcome, records) = {
            let book = self.book();
            let mut planner = Planner::new(&book, self.shared.clock.now(), by)
                .with_trains(&self.shared.fleet)
                .with_policy(self.shared.settings.desk.policy());
            let outcome = plan(&mut planner);
            (outcome, planner.finish())
        };
        if records.is_empty() && documents.is_empty() {
            return Ok(outcome);
        }
        let commit = Commit {
            ledger: records.iter().map(LedgerRecord::to_bytes).collect(),
            documents,
        };
        let last = match self.shared.store.commit(commit) {
            Ok(last) => last,
            Err(error @ StoreError::TooLarge { .. }) => return Err(error.into()),
            Err(error) => {
                self.shared.shutdown.fail(&status::chain(&error));
                return Err(error.into());
            }
        };
        if !records.is_empty() {
            let mut book = self.book.write().unwrap_or_else(PoisonError::into_inner);
            let first = last + 1 - records.len() as u64;
            for (seq, record) in (first..).zip(&records) {
                if let Err(source) = book.apply(seq, record) {
                    // What was planned against this very book does not fit it: a bug. Going on would
                    // show people something else than a restart would.
                    self.shared.shutdown.fail(&status::chain(&source));
                    return Err(LedgerError::Book { source });
                }
            }
            drop(book);
            self.position.send_replace(last);
        }
        Ok(outcome)
    }
}
