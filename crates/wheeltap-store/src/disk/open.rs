//! Opening: the lock, the engine, then everything that is kept in memory.

use super::cold::Cold;
use super::keys;
use super::layout::{Floors, Layout, UnitLayout, weight};
use super::writer::{Book, Source, read_source, read_strip_index};
use super::{HOUR_MS, Options, Queue, Shared, upkeep};
use crate::bytes::Reader;
use crate::codec::decode_frame;
use crate::engine::{Engine, create_folder, io_error};
use crate::identity::new_store_id;
use crate::ranges::Ranges;
use crate::record::{corrupt, join, open as open_record, open_part, seal};
use crate::{StoreError, StoreId};
use std::collections::HashMap;
use std::fs::{File, TryLockError};
use std::path::Path;
use std::sync::atomic::AtomicU64;
use std::sync::{Condvar, Mutex, RwLock};
use wheeltap_model::{ChannelId, ChannelName, UnitId};

/// Values in the hot tree stay under 50 KiB with their keys, 20 to a leaf: under a quarter of this.
const SEGMENT_BYTES: usize = 4 * 1024 * 1024;

pub(super) struct Opened {
    pub(super) id: StoreId,
    pub(super) shared: Shared,
    pub(super) book: Book,
    pub(super) lock: File,
}

fn lock(path: &Path) -> Result<File, StoreError> {
    let lock_path = path.join("lock");
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&lock_path)
        .map_err(io_error(&lock_path, "opened"))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::Locked {
            path: path.display().to_string(),
        }),
        Err(TryLockError::Error(error)) => Err(io_error(&lock_path, "locked")(error)),
    }
}

pub(super) fn open(path: &Path, mut options: Options) -> Result<Opened, StoreError> {
    // Rows are recomputed by the hour, so an hour must not cross from one folder to the next.
    options.period_ms = (options.period_ms.max(1) - 1) / HOUR_MS * HOUR_MS + HOUR_MS;
    options.block_points = options.block_points.clamp(1, crate::block::MAX_POINTS);
    create_folder(path)?;
    let lock = lock(path)?;
    let hot = Engine::open(&path.join("hot"), SEGMENT_BYTES, options.cache_bytes)?;
    let cold = Cold::open(path.join("cold"))?;
    let id = identity(&hot, &mut options)?;
    let (mut layout, mut book) = (Layout::default(), Book::default());
    load_books(&hot, &mut layout, &mut book)?;
    let units: HashMap<u32, UnitId> = book
        .units
        .iter()
        .map(|(unit, number)| (*number, unit.clone()))
        .collect();
    load_units(&hot, &units, &mut layout, &mut book)?;
    load_quarantine(&hot, &mut book)?;
    load_frames(&hot, &units, &mut layout, &mut book)?;
    publish_sources(&units, &mut layout, &book);
    Ok(Opened {
        id,
        shared: Shared {
            path: path.to_owned(),
            options,
            hot,
            cold,
            layout: RwLock::new(layout),
            queue: Mutex::new(Queue::default()),
            filled: Condvar::new(),
            drained: Condvar::new(),
            stopped: Mutex::new(None),
            decoded: Mutex::default(),
            upkeep: Mutex::new(()),
            cutting: Mutex::new(upkeep::Cutting::default()),
            samples_stored: AtomicU64::new(0),
            commits: AtomicU64::new(0),
        },
        book,
        lock,
    })
}

/// The store's identity, and the length of its periods; both are made with the folder.
fn identity(hot: &Engine, options: &mut Options) -> Result<StoreId, StoreError> {
    if let Some(record) = hot.get(keys::META_ID)? {
        let body = open_record("store identity", keys::META_ID, &record)?;
        let id = body
            .try_into()
            .map_err(|_| corrupt("store identity", "it is not 16 bytes"))?;
        let what = "length of the periods";
        let record = hot
            .get(keys::META_PERIOD)?
            .ok_or_else(|| corrupt(what, "it is missing"))?;
        options.period_ms = Reader::new(open_record(what, keys::META_PERIOD, &record)?)
            .i64()
            .filter(|period_ms| *period_ms > 0 && period_ms % HOUR_MS == 0)
            .ok_or_else(|| corrupt(what, "it is not in whole hours"))?;
        return Ok(StoreId(id));
    }
    // A folder with data but no identity was not made by this program's first commit.
    if hot.prefix(&[]).next().is_some() {
        return Err(corrupt(
            "store identity",
            "it is missing from a folder with data",
        ));
    }
    let id = new_store_id()?;
    let mut batch = sled::Batch::default();
    batch.insert(keys::META_ID, seal(keys::META_ID, &id.0));
    let period = options.period_ms.to_be_bytes();
    batch.insert(keys::META_PERIOD, seal(keys::META_PERIOD, &period));
    hot.apply(batch)?;
    hot.sync()?;
    Ok(id)
}

fn text(what: &'static str, body: &[u8]) -> Result<String, StoreError> {
    String::from_utf8(body.to_vec()).map_err(|_| corrupt(what, "it is not text"))
}

fn load_books(hot: &Engine, layout: &mut Layout, book: &mut Book) -> Result<(), StoreError> {
    for item in hot.prefix(&[keys::CHANNEL]) {
        let (key, record) = item?;
        let what = "channel's name";
        let name = text(what, open_record(what, &key, &record)?)?;
        let name = ChannelName::new(&name).map_err(|error| corrupt(what, error.to_string()))?;
        let number = keys::number32(&key).ok_or_else(|| corrupt(what, "its key is damaged"))?;
        book.channels.insert(name, ChannelId(number));
    }
    layout.channels.clone_from(&book.channels);
    for item in hot.prefix(&[keys::UNIT]) {
        let (key, record) = item?;
        let what = "unit's name";
        let name = text(what, open_record(what, &key, &record)?)?;
        let name = UnitId::new(&name).map_err(|error| corrupt(what, error.to_string()))?;
        let number = keys::number32(&key).ok_or_else(|| corrupt(what, "its key is damaged"))?;
        layout.units.insert(name.clone(), UnitLayout::new(number));
        book.units.insert(name, number);
    }
    if let Some(item) = hot.prefix(&[keys::LEDGER]).next_back() {
        let (key, _) = item?;
        book.ledger_last =
            keys::number64(&key).ok_or_else(|| corrupt("ledger entry", "its key is damaged"))?;
        layout.ledger_last = book.ledger_last;
    }
    if let Some(record) = hot.get(keys::META_FLOORS)? {
        let what = "record of retention";
        let mut reader = Reader::new(open_record(what, keys::META_FLOORS, &record)?);
        let mut floor = || reader.i64().ok_or_else(|| corrupt(what, "it is short"));
        layout.floors = Floors {
            raw: floor()?,
            minute: floor()?,
            hour: floor()?,
        };
    }
    Ok(())
}

fn load_units(
    hot: &Engine,
    units: &HashMap<u32, UnitId>,
    layout: &mut Layout,
    book: &mut Book,
) -> Result<(), StoreError> {
    let unknown = |what| corrupt(what, "it is of a unit that is in no book");
    for item in hot.prefix(&[keys::EXTENT]) {
        let (key, record) = item?;
        let what = "unit's extent";
        let mut reader = Reader::new(open_record(what, &key, &record)?);
        let span = reader.i64().zip(reader.i64());
        let (first, last) = span.ok_or_else(|| corrupt(what, "it is short"))?;
        keys::number32(&key)
            .and_then(|number| units.get(&number))
            .and_then(|unit| layout.units.get_mut(unit))
            .ok_or_else(|| unknown(what))?
            .widen(first, last);
    }
    for item in hot.prefix(&[keys::STRIP_INDEX]) {
        let (key, record) = item?;
        let what = "strip's entry";
        let (number, id) =
            keys::unit_and_id(&key).ok_or_else(|| corrupt(what, "its key is damaged"))?;
        let (period, strip) = read_strip_index(open_record(what, &key, &record)?)
            .ok_or_else(|| corrupt(what, "its fields are damaged"))?;
        units
            .get(&number)
            .and_then(|unit| layout.units.get_mut(unit))
            .ok_or_else(|| unknown(what))?
            .strips
            .insert((period, id), strip);
        book.last_id = book.last_id.max(id);
    }
    for item in hot.prefix(&[keys::SOURCE]) {
        let (key, record) = item?;
        let what = "source's record";
        let (parts, _) = open_part(what, &key, &record)?;
        let number = keys::number32(&key).ok_or_else(|| corrupt(what, "its key is damaged"))?;
        let first = keys::numbered(keys::SOURCE, number);
        if key[..] != crate::record::part_key(&first, 0)[..] {
            continue;
        }
        let body = join(what, &first, |key| hot.get(key))?;
        let (source, used, ranges) = body
            .as_deref()
            .and_then(read_source)
            .ok_or_else(|| corrupt(what, "its fields are damaged"))?;
        book.source_count = book.source_count.max(number);
        book.uses = book.uses.max(used);
        book.sources.insert(
            source,
            Source {
                number,
                ranges,
                used,
                parts,
                digests: HashMap::new(),
            },
        );
    }
    Ok(())
}

fn load_quarantine(hot: &Engine, book: &mut Book) -> Result<(), StoreError> {
    let what = "quarantined batch's entry";
    for item in hot.prefix(&[keys::QUARANTINE_INDEX]) {
        let (key, record) = item?;
        let mut reader = Reader::new(open_record(what, &key, &record)?);
        let entry = keys::number64(&key)
            .zip(reader.varint().and_then(|size| usize::try_from(size).ok()))
            .zip(reader.varint().and_then(|parts| u16::try_from(parts).ok()));
        let ((id, size), parts) = entry.ok_or_else(|| corrupt(what, "its fields are damaged"))?;
        book.quarantine.insert(id, (size, parts));
        book.quarantine_bytes += size;
    }
    if let Some(record) = hot.get(keys::META_QUARANTINE)? {
        let body = open_record(what, keys::META_QUARANTINE, &record)?;
        book.quarantine_last = Reader::new(body)
            .u64()
            .ok_or_else(|| corrupt(what, "the last number is damaged"))?;
    }
    Ok(())
}

fn load_frames(
    hot: &Engine,
    units: &HashMap<u32, UnitId>,
    layout: &mut Layout,
    book: &mut Book,
) -> Result<(), StoreError> {
    let what = "journal frame";
    let sources: HashMap<u32, keys::SourceKey> = book
        .sources
        .iter()
        .map(|(key, source)| (source.number, *key))
        .collect();
    let (mut body, mut part) = (Vec::new(), 0_u16);
    for item in hot.prefix(&[keys::FRAME]) {
        let (key, record) = item?;
        let lsn = keys::number64(&key).ok_or_else(|| corrupt(what, "its key is damaged"))?;
        if key[..] != crate::record::part_key(&keys::counted(keys::FRAME, lsn), part)[..] {
            return Err(corrupt(
                what,
                format!("part {part} before frame {lsn} is missing"),
            ));
        }
        let (n_parts, bytes) = open_part(what, &key, &record)?;
        body.extend_from_slice(bytes);
        part += 1;
        if part < n_parts {
            continue;
        }
        let framed =
            decode_frame(&body).ok_or_else(|| corrupt(what, format!("frame {lsn} is damaged")))?;
        let mut entries = Vec::with_capacity(framed.len());
        for framed in framed {
            let key = sources
                .get(&framed.source)
                .ok_or_else(|| corrupt(what, format!("frame {lsn} names an unknown source")))?;
            book.uses += 1;
            let uses = book.uses;
            if let Some(source) = book.sources.get_mut(key) {
                source.ranges.insert(framed.sequence);
                source.digests.insert(framed.sequence, framed.digest);
                source.used = uses;
            }
            entries.push((*key, framed.sequence));
            let unit = units
                .get(&key.0)
                .and_then(|unit| layout.units.get_mut(unit))
                .ok_or_else(|| corrupt(what, format!("frame {lsn} names an unknown unit")))?;
            layout.head_bytes += weight(&framed.batch);
            unit.push_head(lsn, framed.batch);
        }
        book.frames.push_back((lsn, n_parts, entries));
        book.last_id = book.last_id.max(lsn);
        layout.frames.push_back((lsn, n_parts));
        (body, part) = (Vec::new(), 0);
    }
    if part > 0 {
        return Err(corrupt(what, "the last frame is cut short"));
    }
    Ok(())
}

fn publish_sources(units: &HashMap<u32, UnitId>, layout: &mut Layout, book: &Book) {
    let mut sources: Vec<(&keys::SourceKey, &Source)> = book.sources.iter().collect();
    sources.sort_by_key(|(_, source)| source.used);
    for ((number, epoch), source) in sources {
        if let Some(unit) = units
            .get(number)
            .and_then(|unit| layout.units.get_mut(unit))
        {
            let ranges: Ranges = source.ranges.clone();
            unit.use_source(*epoch, ranges);
        }
    }
}
