//! Cold folders: one sled a period and tier, opened when asked for and closed again when others
//! are wanted more. Retention removes whole folders, so that sled's slow reclaim never matters.

use super::keys;
use crate::StoreError;
use crate::engine::{Engine, create_folder, io_error, sync_folder};
use crate::record::{COLD_PART, join, open_part, split};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fs;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use wheeltap_model::ChannelId;

/// Values in cold folders stay under 24 KiB with their keys, 20 to a leaf: under a quarter of this.
const SEGMENT_BYTES: usize = 2 * 1024 * 1024;
const CACHE_BYTES: u64 = 16 * 1024 * 1024;
/// Folders kept open; more while readers hold them.
const OPEN_FOLDERS: usize = 8;

/// What a cold folder holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Shelf {
    Raw,
    Minute,
    Hour,
}

impl Shelf {
    pub(crate) const ALL: [Self; 3] = [Self::Raw, Self::Minute, Self::Hour];

    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Minute => "minute",
            Self::Hour => "hour",
        }
    }
}

type Period = (Shelf, i64);

/// All cold folders of one store.
#[derive(Debug)]
pub(crate) struct Cold {
    root: PathBuf,
    inner: Mutex<Inner>,
}

#[derive(Debug, Default)]
struct Inner {
    /// Folders on disk.
    present: BTreeSet<Period>,
    /// Open ones, most recently used last.
    open: VecDeque<(Period, Arc<Engine>)>,
}

impl Cold {
    pub(crate) fn open(root: PathBuf) -> Result<Self, StoreError> {
        create_folder(&root)?;
        let mut present = BTreeSet::new();
        for entry in fs::read_dir(&root).map_err(io_error(&root, "read"))? {
            let entry = entry.map_err(io_error(&root, "read"))?;
            let name = entry.file_name();
            let name = name.to_string_lossy();
            if let Some((tier, start)) = name.split_once('@')
                && let Some(tier) = Shelf::ALL.into_iter().find(|s| s.name() == tier)
                && let Ok(start) = start.parse()
            {
                present.insert((tier, start));
            } else if name.starts_with("dropped-") {
                // Retention was interrupted between taking it out of sight and removing it.
                fs::remove_dir_all(entry.path()).map_err(io_error(&root, "cleaned"))?;
            }
        }
        Ok(Self {
            root,
            inner: Mutex::new(Inner {
                present,
                ..Inner::default()
            }),
        })
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn path(&self, (tier, start): Period) -> PathBuf {
        self.root.join(format!("{}@{start}", tier.name()))
    }

    /// Starts of the periods of a tier on disk that reach into `from..=to`, ascending.
    pub(crate) fn periods(&self, tier: Shelf, from: i64, to: i64, length_ms: i64) -> Vec<i64> {
        self.lock()
            .present
            .range((tier, i64::MIN)..=(tier, to))
            .map(|(_, start)| *start)
            .filter(|start| start.saturating_add(length_ms) > from)
            .collect()
    }

    /// The folder of a period; `None` when it is not there and not to be made.
    pub(crate) fn folder(
        &self,
        tier: Shelf,
        start: i64,
        create: bool,
    ) -> Result<Option<Arc<Engine>>, StoreError> {
        let period = (tier, start);
        let mut inner = self.lock();
        if let Some(idx) = inner.open.iter().position(|(held, _)| *held == period)
            && let Some(entry) = inner.open.remove(idx)
        {
            let engine = Arc::clone(&entry.1);
            inner.open.push_back(entry);
            return Ok(Some(engine));
        }
        if !create && !inner.present.contains(&period) {
            return Ok(None);
        }
        // Closing happens under the lock: sled locks the folder until its last handle is gone, so
        // one that somebody still reads stays open.
        while inner.open.len() >= OPEN_FOLDERS {
            let idle = inner
                .open
                .iter()
                .position(|(_, engine)| Arc::strong_count(engine) == 1);
            match idle {
                Some(idx) => drop(inner.open.remove(idx)),
                None => break,
            }
        }
        let engine = Arc::new(Engine::open(
            &self.path(period),
            SEGMENT_BYTES,
            CACHE_BYTES,
        )?);
        sync_folder(&self.root)?;
        inner.present.insert(period);
        inner.open.push_back((period, Arc::clone(&engine)));
        Ok(Some(engine))
    }

    /// Removes folders of periods that end at or before `floor`; those in use wait for next time.
    pub(crate) fn drop_before(
        &self,
        tier: Shelf,
        floor: i64,
        length_ms: i64,
    ) -> Result<u64, StoreError> {
        let mut inner = self.lock();
        let old: Vec<Period> = inner
            .present
            .range((tier, i64::MIN)..(tier, floor))
            .filter(|(_, start)| start.saturating_add(length_ms) <= floor)
            .copied()
            .collect();
        let mut n_dropped = 0;
        for period in old {
            if let Some(idx) = inner.open.iter().position(|(held, _)| *held == period) {
                if Arc::strong_count(&inner.open[idx].1) > 1 {
                    continue;
                }
                inner.open.remove(idx);
            }
            let path = self.path(period);
            let aside = self
                .root
                .join(format!("dropped-{}@{}", period.0.name(), period.1));
            fs::rename(&path, &aside).map_err(io_error(&path, "dropped"))?;
            fs::remove_dir_all(&aside).map_err(io_error(&aside, "dropped"))?;
            inner.present.remove(&period);
            n_dropped += 1;
        }
        Ok(n_dropped)
    }
}

/// Blocks that are written to one folder together.
pub(crate) struct NewBlocks {
    engine: Arc<Engine>,
    /// By key less the part. What has one key is told apart here as it is on disk: one batch of the
    /// engine keeps the last that was put under a key.
    blocks: BTreeMap<Vec<u8>, Vec<u8>>,
}

impl NewBlocks {
    pub(crate) fn new(engine: Arc<Engine>) -> Self {
        Self {
            engine,
            blocks: BTreeMap::new(),
        }
    }

    /// Adds a block under the first number that its stretch has free, unless it is there already.
    pub(crate) fn put(
        &mut self,
        kind: u8,
        (unit, channel): (u32, ChannelId),
        span: (i64, i64),
        body: Vec<u8>,
    ) -> Result<(), StoreError> {
        for id in 0..=u16::MAX {
            let key = keys::block(kind, unit, channel, span, id);
            match self.blocks.get(&key) {
                Some(held) if *held == body => return Ok(()),
                Some(_) => continue,
                None => {}
            }
            match join("block", &key, |key| self.engine.get(key)) {
                Ok(Some(held)) if held == body => return Ok(()),
                // Another block, or a damaged one, has this number.
                Ok(Some(_))
                | Err(StoreError::Corrupt { .. } | StoreError::UnknownVersion { .. }) => {}
                Ok(None) => {
                    self.blocks.insert(key, body);
                    return Ok(());
                }
                Err(error) => return Err(error),
            }
        }
        Err(crate::record::corrupt(
            "block",
            "one stretch has 65,536 blocks",
        ))
    }

    /// Returns once all of them are on the disk, with the folder.
    pub(crate) fn write(self) -> Result<Arc<Engine>, StoreError> {
        let mut batch = sled::Batch::default();
        for (key, body) in &self.blocks {
            for (key, record) in split(key, body, COLD_PART) {
                batch.insert(key, record);
            }
        }
        self.engine.apply(batch)?;
        self.engine.sync()?;
        Ok(self.engine)
    }
}

/// Visits the blocks of a channel that reach into `from..=to`, by first time; the visitor gets the
/// span from the key and the body.
pub(crate) fn visit_blocks(
    engine: &Engine,
    kind: u8,
    (unit, channel): (u32, ChannelId),
    (from, to): (i64, i64),
    mut visit: impl FnMut((i64, i64), &[u8]) -> Result<ControlFlow<()>, StoreError>,
) -> Result<ControlFlow<()>, StoreError> {
    let start = keys::of_channel(kind, unit, channel);
    let mut end = start.clone();
    end.extend_from_slice(&crate::bytes::time_key(to));
    end.extend_from_slice(&[0xff; 12]);
    let mut body = Vec::new();
    for item in engine.range(&start, &end) {
        let (key, record) = item?;
        let Some(span) = keys::block_span(&key) else {
            return Err(crate::record::corrupt("block", "its key is damaged"));
        };
        if span.1 < from || span.0 > to {
            continue;
        }
        let (n_parts, bytes) = open_part("block", &key, &record)?;
        if n_parts == 1 {
            if visit(span, bytes)?.is_break() {
                return Ok(ControlFlow::Break(()));
            }
            continue;
        }
        let part = u16::from_be_bytes([key[key.len() - 2], key[key.len() - 1]]);
        if part == 0 {
            body.clear();
        }
        body.extend_from_slice(bytes);
        if part + 1 == n_parts {
            // A part that is missing shows as damaged columns.
            if visit(span, &body)?.is_break() {
                return Ok(ControlFlow::Break(()));
            }
        }
    }
    Ok(ControlFlow::Continue(()))
}

/// Bytes and loose blob files below a folder.
pub(crate) fn disk_use(path: &Path) -> Result<(u64, u64), StoreError> {
    let (mut bytes, mut blobs) = (0, 0);
    let entries = match fs::read_dir(path) {
        Ok(entries) => entries,
        // A folder that retention or the engine removed meanwhile uses nothing.
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok((0, 0)),
        Err(error) => return Err(io_error(path, "measured")(error)),
    };
    let in_blobs = path.file_name().is_some_and(|name| name == "blobs");
    for entry in entries {
        let entry = entry.map_err(io_error(path, "measured"))?;
        match entry.metadata() {
            Ok(meta) if meta.is_dir() => {
                let (more, more_blobs) = disk_use(&entry.path())?;
                bytes += more;
                blobs += more_blobs;
            }
            Ok(meta) => {
                bytes += meta.len();
                blobs += u64::from(in_blobs);
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => return Err(io_error(path, "measured")(error)),
        }
    }
    Ok((bytes, blobs))
}

/// Visits every sound split value of a kind, put together again, with its key less the part.
/// Values that fail their check are passed over: the caller has met them part by part.
pub(crate) fn visit_all(
    engine: &Engine,
    kind: u8,
    mut visit: impl FnMut(&[u8], &[u8]),
) -> Result<(), StoreError> {
    let mut body = Vec::new();
    let mut expected = 0;
    for item in engine.prefix(&[kind]) {
        let (key, record) = item?;
        let Some((whole, part)) = key.split_at_checked(key.len().saturating_sub(2)) else {
            continue;
        };
        let part = part.iter().fold(0_u16, |n, byte| n << 8 | u16::from(*byte));
        let Ok((n_parts, bytes)) = open_part("record", &key, &record) else {
            expected = u16::MAX;
            continue;
        };
        if part == 0 {
            body.clear();
            expected = 0;
        }
        if part != expected {
            continue;
        }
        body.extend_from_slice(bytes);
        expected += 1;
        // Parts past the count are leftovers of a longer value that was there before.
        if expected == n_parts {
            visit(whole, &body);
        }
    }
    Ok(())
}
