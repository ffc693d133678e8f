//! The one place that opens, writes and syncs sled, with the care that version 0.34.7 needs.
//!
//! - Its `flush` is no fsync on Linux, so [`Engine::sync`] adds `sync_data` on a handle of our own.
//! - A kill while it opens leaves a `snap.*.generating` file, which the next opening would take for
//!   the newest snapshot and refuse; the leftover is removed first. Nothing but the dead tail of the
//!   log is touched before the rename that would have followed, so nothing is lost by it.
//! - It may panic on damaged files, so opening happens on a thread of its own.

use crate::StoreError;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// One sled folder with the handle that makes its log durable.
#[derive(Debug)]
pub(crate) struct Engine {
    tree: sled::Db,
    log: File,
    path: PathBuf,
}

/// An I/O error with what was being done.
pub(crate) fn io_error(
    path: &Path,
    doing: &'static str,
) -> impl FnOnce(std::io::Error) -> StoreError {
    let path = path.display().to_string();
    move |source| StoreError::Io {
        path,
        doing,
        source,
    }
}

fn engine_error(doing: &'static str) -> impl FnOnce(sled::Error) -> StoreError {
    move |error| StoreError::Engine {
        doing,
        message: error.to_string(),
    }
}

/// Makes names of new files in a folder durable.
pub(crate) fn sync_folder(path: &Path) -> Result<(), StoreError> {
    File::open(path)
        .and_then(|folder| folder.sync_all())
        .map_err(io_error(path, "synced"))
}

/// Creates a folder, durably, with those above it that are missing.
pub(crate) fn create_folder(path: &Path) -> Result<(), StoreError> {
    fs::create_dir_all(path).map_err(io_error(path, "created"))?;
    sync_folder(path)?;
    path.parent()
        .filter(|parent| !parent.as_os_str().is_empty())
        .map_or(Ok(()), sync_folder)
}

fn remove_half_made_snapshots(path: &Path) -> Result<(), StoreError> {
    for entry in fs::read_dir(path).map_err(io_error(path, "read"))? {
        let entry = entry.map_err(io_error(path, "read"))?;
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if name.starts_with("snap.") && name.ends_with(".generating") {
            fs::remove_file(entry.path()).map_err(io_error(path, "cleaned"))?;
        }
    }
    Ok(())
}

/// Opens what this process may have closed a moment ago: threads of sled's own hold the last handles, and
/// with them its lock, a little longer. Another process's lock stops the start before.
fn once_free(config: &sled::Config) -> sled::Result<sled::Db> {
    const TRIES: u32 = 100;
    const PAUSE: Duration = Duration::from_millis(20);
    let is_held = |error: &sled::Error| matches!(error, sled::Error::Io(cause) if cause.to_string().contains("could not acquire lock"));
    for _ in 1..TRIES {
        match config.open() {
            Err(error) if is_held(&error) => std::thread::park_timeout(PAUSE),
            done => return done,
        }
    }
    config.open()
}

impl Engine {
    /// Opens or creates a folder. `segment_bytes` must stay the same for the life of the folder.
    pub(crate) fn open(
        path: &Path,
        segment_bytes: usize,
        cache_bytes: u64,
    ) -> Result<Self, StoreError> {
        create_folder(path)?;
        remove_half_made_snapshots(path)?;
        let config = sled::Config::new()
            .path(path)
            .cache_capacity(cache_bytes)
            .use_compression(false)
            .segment_size(segment_bytes);
        let opening = std::thread::Builder::new()
            .name("store-open".to_owned())
            .spawn(move || once_free(&config))
            .map_err(io_error(path, "opened"))?;
        // A panic over there ends that thread alone, and comes back as an error of joining it.
        let tree = opening
            .join()
            .map_err(|panic| StoreError::Engine {
                doing: "opening",
                message: panic_text(panic.as_ref()),
            })?
            .map_err(engine_error("opening"))?;
        let log_path = path.join("db");
        let log = File::open(&log_path).map_err(io_error(&log_path, "opened"))?;
        sync_folder(path)?;
        Ok(Self {
            tree,
            log,
            path: path.to_owned(),
        })
    }

    /// Applies a batch: after a crash all of it is there, or nothing.
    pub(crate) fn apply(&self, batch: sled::Batch) -> Result<(), StoreError> {
        self.tree
            .apply_batch(batch)
            .map_err(engine_error("writing"))
    }

    /// Returns once everything applied so far is on the disk.
    pub(crate) fn sync(&self) -> Result<(), StoreError> {
        self.tree.flush().map_err(engine_error("flushing"))?;
        self.log.sync_data().map_err(io_error(&self.path, "synced"))
    }

    pub(crate) fn get(&self, key: &[u8]) -> Result<Option<sled::IVec>, StoreError> {
        self.tree.get(key).map_err(engine_error("reading"))
    }

    /// Keys from `from` up to but without `to`, in order.
    pub(crate) fn range(
        &self,
        from: &[u8],
        to: &[u8],
    ) -> impl DoubleEndedIterator<Item = Result<(sled::IVec, sled::IVec), StoreError>> + use<> {
        self.tree
            .range(from.to_vec()..to.to_vec())
            .map(|item| item.map_err(engine_error("reading")))
    }

    /// Keys that start with `prefix`, in order.
    pub(crate) fn prefix(
        &self,
        prefix: &[u8],
    ) -> impl DoubleEndedIterator<Item = Result<(sled::IVec, sled::IVec), StoreError>> + use<> {
        self.tree
            .scan_prefix(prefix)
            .map(|item| item.map_err(engine_error("reading")))
    }
}

/// What a panic said.
pub(crate) fn panic_text(panic: &(dyn std::any::Any + Send)) -> String {
    panic
        .downcast_ref::<String>()
        .map(String::as_str)
        .or_else(|| panic.downcast_ref::<&str>().copied())
        .unwrap_or("it panicked")
        .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_made_snapshot_is_cleared_away() {
        let folder = tempfile::tempdir().unwrap();
        {
            let engine = Engine::open(folder.path(), 1 << 19, 1 << 20).unwrap();
            let mut batch = sled::Batch::default();
            batch.insert(b"k", b"v");
            engine.apply(batch).unwrap();
            engine.sync().unwrap();
        }
        let leftover = folder.path().join("snap.00000000FFFFFFFF.generating");
        fs::write(&leftover, b"half").unwrap();
        let engine = Engine::open(folder.path(), 1 << 19, 1 << 20).unwrap();
        assert_eq!(engine.get(b"k").unwrap().as_deref(), Some(&b"v"[..]));
        assert!(!leftover.exists());
    }

    #[test]
    fn a_folder_that_is_let_go_of_a_moment_later_is_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let held = Engine::open(folder.path(), 1 << 19, 1 << 20).unwrap();
        let holder = std::thread::spawn(move || {
            std::thread::park_timeout(Duration::from_millis(200));
            drop(held);
        });
        Engine::open(folder.path(), 1 << 19, 1 << 20).unwrap();
        holder.join().unwrap();
    }
}
