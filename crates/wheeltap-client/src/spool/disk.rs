//! A spool on disk.
//!
//! A folder holds `lock`, `epoch` and segment files named `<epoch>-<first sequence>.seg`. A segment
//! is a header and then records, each `marker, length, crc32c, kind, body`. A record is a schema
//! or a batch; a segment repeats the schemas its batches use, so that it can be removed whole once
//! all of its batches are acknowledged. Which batches those are is not written down: the service
//! knows, and says so in its Welcome. A batch that it holds already is never sent again, and a
//! service with another store gets everything that is left.
//!
//! Appending writes whole records at the end of the newest segment and syncs once a call. A cut in
//! the middle of a write leaves a torn tail, which nobody was promised; opening cuts it off. A
//! record that fails its check with good records behind it is no torn tail: it is reported as
//! [`Damage`] and its file is kept.
//!
//! We assume of the disk that synced bytes stay, and that a rename within a folder is atomic.

mod record;

use self::record::{
    BATCH_HEAD_BYTES, HEADER_BYTES, KIND_BATCH, KIND_SCHEMA, MAX_BODY_BYTES, RECORD_HEAD_BYTES,
    array, batch_body, batch_head, good_record, header, put_record, scan,
};
use super::{Durability, SendOrder, Spool, SpoolEpoch, SpoolError, check_collision, next_key};
use crate::{EncodedBatch, Schema};
use bytes::Bytes;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// How a [`DiskSpool`] is kept.
#[derive(Clone, Copy, Debug)]
pub struct DiskSpoolOptions {
    /// Most bytes of all segments together. Default 1 GiB.
    pub limit_bytes: u64,
    /// A segment is closed beyond this size or a quarter of the limit. Default 8 MiB. Room is made
    /// a segment at a time.
    pub segment_bytes: u64,
}

impl Default for DiskSpoolOptions {
    fn default() -> Self {
        Self {
            limit_bytes: 1024 * 1024 * 1024,
            segment_bytes: 8 * 1024 * 1024,
        }
    }
}

/// A stretch of a segment that fails its check and is no torn tail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// The file; it is kept, with `.damaged` added to its name once nothing in it waits.
    pub path: PathBuf,
    /// First damaged byte.
    pub from: u64,
    /// First good byte behind it.
    pub to: u64,
}

/// A durable spool in a folder of its own.
///
/// ```
/// use wheeltap_client::{BatchBuilder, DiskSpool, DiskSpoolOptions, Packing, Spool};
/// use wheeltap_model::ChannelName;
/// # let folder = tempfile::tempdir()?;
/// # let folder = folder.path();
/// let spool = DiskSpool::open(folder, DiskSpoolOptions::default())?;
/// let mut builder = BatchBuilder::new(Packing::Plain);
/// builder.samples(&ChannelName::new("engine.speed")?, "", &[1_000], &[450.0], &[])?;
/// spool.append(&builder.build()?)?;
/// drop(spool);
/// // It is still there after a restart.
/// assert_eq!(DiskSpool::open(folder, DiskSpoolOptions::default())?.n_pending(), 1);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct DiskSpool {
    folder: PathBuf,
    options: DiskSpoolOptions,
    /// Held while a call appends, syncs or renews; never taken by the sending side.
    writer: Mutex<Writer>,
    /// Held briefly. Taken after `writer` where both are.
    index: Mutex<Index>,
    stopped: AtomicBool,
    torn_bytes: u64,
    damage: Vec<Damage>,
    /// Locked for as long as the spool is open.
    _lock: File,
}

#[derive(Debug)]
struct Writer {
    file: Arc<File>,
    segment: u64,
    end: u64,
    /// Schemas that the newest segment holds.
    schemas: HashSet<[u8; 16]>,
}

#[derive(Debug)]
struct Index {
    epoch: SpoolEpoch,
    next_sequence: u64,
    pending: BTreeMap<u64, Place>,
    /// By first sequence, which names the file.
    segments: BTreeMap<u64, Segment>,
    schemas: HashMap<[u8; 16], Arc<Schema>>,
}

#[derive(Clone, Copy, Debug)]
struct Place {
    segment: u64,
    offset: u64,
    body_bytes: u32,
    /// Whether it may have been sent: it was read, or was here at opening.
    handed_out: bool,
}

#[derive(Debug)]
struct Segment {
    path: PathBuf,
    file: Arc<File>,
    bytes: u64,
    n_pending: u64,
    damaged: bool,
}

fn io_error(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> SpoolError {
    let path = path.to_owned();
    move |source| SpoolError::Io {
        path,
        doing,
        source,
    }
}

fn segment_name(epoch: SpoolEpoch, first_sequence: u64) -> String {
    format!("{epoch}-{first_sequence:020}.seg")
}

/// Makes a new, renamed or removed name in the folder durable.
fn sync_folder(folder: &Path) -> Result<(), SpoolError> {
    File::open(folder)
        .and_then(|handle| handle.sync_all())
        .map_err(io_error(folder, "synced"))
}

fn read_at(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<()> {
    #[cfg(unix)]
    {
        std::os::unix::fs::FileExt::read_exact_at(file, buffer, offset)
    }
    #[cfg(windows)]
    {
        let mut done = 0;
        while done < buffer.len() {
            let at = offset + done as u64;
            match std::os::windows::fs::FileExt::seek_read(file, &mut buffer[done..], at)? {
                0 => return Err(io::ErrorKind::UnexpectedEof.into()),
                n => done += n,
            }
        }
        Ok(())
    }
}

impl DiskSpool {
    /// Opens the spool in `folder`, or makes one there.
    ///
    /// # Errors
    /// [`SpoolError::Locked`], [`SpoolError::NotASpool`] or [`SpoolError::Io`].
    pub fn open(folder: impl AsRef<Path>, options: DiskSpoolOptions) -> Result<Self, SpoolError> {
        let folder = folder.as_ref().to_owned();
        fs::create_dir_all(&folder).map_err(io_error(&folder, "made"))?;
        let lock = lock_folder(&folder)?;
        let epoch = read_or_make_epoch(&folder)?;
        let firsts = list_segments(&folder, epoch)?;
        let mut loaded = Loaded {
            index: Index {
                epoch,
                next_sequence: 1,
                pending: BTreeMap::new(),
                segments: BTreeMap::new(),
                schemas: HashMap::new(),
            },
            newest: None,
            torn_bytes: 0,
            damage: Vec::new(),
        };
        for (idx, first) in firsts.iter().copied().enumerate() {
            loaded.take_segment(&folder, first, idx + 1 == firsts.len())?;
        }
        let Loaded {
            mut index,
            newest,
            torn_bytes,
            damage,
        } = loaded;
        let writer = if let Some(writer) = newest {
            writer
        } else {
            // A damaged newest segment may have held sequences that nobody can tell now, and its
            // name may be taken.
            while index.segments.contains_key(&index.next_sequence) {
                index.next_sequence += 1;
            }
            new_segment(&folder, &mut index)?
        };
        Ok(Self {
            folder,
            options,
            writer: Mutex::new(writer),
            index: Mutex::new(index),
            stopped: AtomicBool::new(false),
            torn_bytes,
            damage,
            _lock: lock,
        })
    }

    /// Bytes cut off at opening: a write that no [`Spool::append`] had returned from.
    pub const fn torn_bytes(&self) -> u64 {
        self.torn_bytes
    }

    /// What was found damaged at opening; not sent, not removed.
    pub fn damage(&self) -> &[Damage] {
        &self.damage
    }

    /// Where it lives.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Small enough that acknowledgements free room well before all is acknowledged.
    fn segment_bytes(&self) -> u64 {
        self.options.segment_bytes.min(self.options.limit_bytes / 4)
    }

    fn index(&self) -> MutexGuard<'_, Index> {
        // No call panics half way through a change.
        self.index.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn writer(&self) -> MutexGuard<'_, Writer> {
        self.writer.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Removes segments in which nothing waits, but for the newest.
fn remove_settled(index: &mut Index) -> Result<(), SpoolError> {
    let Some(newest) = index.segments.keys().next_back().copied() else {
        return Ok(());
    };
    let settled: Vec<u64> = index
        .segments
        .iter()
        .filter(|(first, segment)| **first != newest && segment.n_pending == 0)
        .map(|(first, _)| *first)
        .collect();
    for first in settled {
        if let Some(segment) = index.segments.remove(&first) {
            discard(&segment)?;
        }
    }
    Ok(())
}

/// Removes a segment's file, or sets it aside when it is damaged.
fn discard(segment: &Segment) -> Result<(), SpoolError> {
    let path = &segment.path;
    if segment.damaged {
        let mut aside = path.clone().into_os_string();
        aside.push(".damaged");
        fs::rename(path, &aside).map_err(io_error(path, "set aside"))
    } else {
        fs::remove_file(path).map_err(io_error(path, "removed"))
    }
}

fn lock_folder(folder: &Path) -> Result<File, SpoolError> {
    let path = folder.join("lock");
    let lock = OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(false)
        .open(&path)
        .map_err(io_error(&path, "opened"))?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(TryLockError::WouldBlock) => Err(SpoolError::Locked {
            path: folder.to_owned(),
        }),
        Err(TryLockError::Error(source)) => Err(io_error(&path, "locked")(source)),
    }
}

/// First sequences of the epoch's segments, ascending. Segments of another epoch were given up, or
/// belong to a renewal that a kill cut short; what waited is in this epoch's files, so they go.
fn list_segments(folder: &Path, epoch: SpoolEpoch) -> Result<Vec<u64>, SpoolError> {
    let mut firsts = Vec::new();
    let prefix = format!("{epoch}-");
    for entry in fs::read_dir(folder).map_err(io_error(folder, "listed"))? {
        let path = entry.map_err(io_error(folder, "listed"))?.path();
        let name = path
            .file_name()
            .and_then(|name| name.to_str())
            .unwrap_or("");
        let Some(stem) = name.strip_suffix(".seg") else {
            continue;
        };
        let first = stem.strip_prefix(&prefix);
        match first.and_then(|first| first.parse::<u64>().ok()) {
            Some(first) => firsts.push(first),
            None => fs::remove_file(&path).map_err(io_error(&path, "removed"))?,
        }
    }
    firsts.sort_unstable();
    Ok(firsts)
}

/// A spool while its segments are read.
struct Loaded {
    index: Index,
    /// The newest segment, when it can take more.
    newest: Option<Writer>,
    torn_bytes: u64,
    damage: Vec<Damage>,
}

impl Loaded {
    /// Reads a segment; of the last one a torn tail is cut off.
    fn take_segment(&mut self, folder: &Path, first: u64, is_last: bool) -> Result<(), SpoolError> {
        let index = &mut self.index;
        let path = folder.join(segment_name(index.epoch, first));
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .open(&path)
            .map_err(io_error(&path, "opened"))?;
        let mut bytes = Vec::new();
        (&file)
            .read_to_end(&mut bytes)
            .map_err(io_error(&path, "read"))?;
        index.next_sequence = index.next_sequence.max(first);
        let header_end = usize::try_from(HEADER_BYTES).unwrap_or(usize::MAX);
        let expected = header(index.epoch, first);
        if is_last && bytes.len() < header_end {
            // The kill came while the segment was made: it never held anything.
            self.torn_bytes += bytes.len() as u64;
            drop(file);
            return fs::remove_file(&path).map_err(io_error(&path, "removed"));
        }
        let found = scan(first, &bytes);
        let mut damage = found.damage;
        if bytes.get(..header_end) != Some(expected.as_slice()) {
            damage.push((0, HEADER_BYTES));
        }
        let mut length = bytes.len() as u64;
        if found.good_end < length {
            if is_last {
                self.torn_bytes += length - found.good_end;
                file.set_len(found.good_end)
                    .and_then(|()| file.sync_all())
                    .map_err(io_error(&path, "cut back"))?;
                length = found.good_end;
            } else {
                damage.push((found.good_end, length));
            }
        }
        if let Some((last, _)) = found.batches.iter().max_by_key(|(sequence, _)| *sequence) {
            index.next_sequence = index.next_sequence.max(last + 1);
        }
        let file = Arc::new(file);
        if is_last && damage.is_empty() {
            self.newest = Some(Writer {
                file: Arc::clone(&file),
                segment: first,
                end: length,
                schemas: found.schemas.iter().map(|schema| schema.digest()).collect(),
            });
        }
        index.segments.insert(
            first,
            Segment {
                path: path.clone(),
                file,
                bytes: length,
                n_pending: found.batches.len() as u64,
                damaged: !damage.is_empty(),
            },
        );
        index.pending.extend(found.batches);
        for schema in found.schemas {
            index.schemas.insert(schema.digest(), schema);
        }
        self.damage
            .extend(damage.into_iter().map(|(from, to)| Damage {
                path: path.clone(),
                from,
                to,
            }));
        Ok(())
    }
}

fn read_or_make_epoch(folder: &Path) -> Result<SpoolEpoch, SpoolError> {
    let path = folder.join("epoch");
    match fs::read(&path) {
        Ok(bytes) => {
            let epoch: Option<[u8; 16]> = array(&bytes, 0);
            let crc = array(&bytes, 16).map(u32::from_le_bytes);
            match (epoch, crc) {
                (Some(epoch), Some(crc)) if bytes.len() == 20 && crc == crc32c::crc32c(&epoch) => {
                    Ok(SpoolEpoch(epoch))
                }
                _ => Err(SpoolError::NotASpool {
                    path,
                    what: "the epoch file fails its check".to_owned(),
                }),
            }
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let has_segments = fs::read_dir(folder)
                .map_err(io_error(folder, "listed"))?
                .filter_map(Result::ok)
                .any(|entry| entry.path().extension().is_some_and(|ext| ext == "seg"));
            if has_segments {
                return Err(SpoolError::NotASpool {
                    path,
                    what: "there are segments but no epoch file".to_owned(),
                });
            }
            let epoch = SpoolEpoch::random();
            write_epoch(folder, epoch)?;
            Ok(epoch)
        }
        Err(error) => Err(io_error(&path, "read")(error)),
    }
}

/// Replaces the epoch file in one step.
fn write_epoch(folder: &Path, epoch: SpoolEpoch) -> Result<(), SpoolError> {
    let (path, draft) = (folder.join("epoch"), folder.join("epoch.new"));
    let mut bytes = epoch.0.to_vec();
    bytes.extend(crc32c::crc32c(&epoch.0).to_le_bytes());
    let mut file = File::create(&draft).map_err(io_error(&draft, "made"))?;
    file.write_all(&bytes)
        .and_then(|()| file.sync_all())
        .map_err(io_error(&draft, "written"))?;
    fs::rename(&draft, &path).map_err(io_error(&path, "replaced"))?;
    sync_folder(folder)
}

/// Starts a segment at the index's next sequence.
fn new_segment(folder: &Path, index: &mut Index) -> Result<Writer, SpoolError> {
    let first = index.next_sequence;
    let path = folder.join(segment_name(index.epoch, first));
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create_new(true)
        .open(&path)
        .map_err(io_error(&path, "made"))?;
    let made = file
        .write_all(&header(index.epoch, first))
        .and_then(|()| file.sync_all())
        .map_err(io_error(&path, "written"))
        .and_then(|()| sync_folder(folder));
    if let Err(error) = made {
        // Leaves no half-made file in the way of the next try; a failure here shows then.
        let _ = fs::remove_file(&path);
        return Err(error);
    }
    let file = Arc::new(file);
    index.segments.insert(
        first,
        Segment {
            path,
            file: Arc::clone(&file),
            bytes: HEADER_BYTES,
            n_pending: 0,
            damaged: false,
        },
    );
    Ok(Writer {
        file,
        segment: first,
        end: HEADER_BYTES,
        schemas: HashSet::new(),
    })
}

impl Spool for DiskSpool {
    fn epoch(&self) -> SpoolEpoch {
        self.index().epoch
    }

    fn durability(&self) -> Durability {
        Durability::Disk
    }

    fn append(&self, batches: &[EncodedBatch]) -> Result<u64, SpoolError> {
        let mut writer = self.writer();
        if self.stopped.load(Ordering::Acquire) {
            return Err(SpoolError::Stopped {
                path: self.folder.clone(),
            });
        }
        if writer.end >= self.segment_bytes() {
            let mut index = self.index();
            // An empty segment beyond its size cannot be: its name would be taken.
            if index.next_sequence > writer.segment {
                *writer = new_segment(&self.folder, &mut index)?;
                remove_settled(&mut index)?;
            }
        }
        let first = self.index().next_sequence;
        let mut records = Vec::new();
        let mut places = Vec::with_capacity(batches.len());
        let mut new_schemas: HashMap<[u8; 16], Arc<Schema>> = HashMap::new();
        for (sequence, batch) in (first..).zip(batches) {
            let digest = batch.schema.digest();
            if !writer.schemas.contains(&digest) && !new_schemas.contains_key(&digest) {
                put_record(&mut records, KIND_SCHEMA, batch.schema.definition());
                new_schemas.insert(digest, Arc::clone(&batch.schema));
            }
            let body = batch_body(sequence, batch);
            if body.len() > MAX_BODY_BYTES {
                return Err(SpoolError::TooLarge {
                    asked_bytes: body.len() as u64,
                    limit_bytes: MAX_BODY_BYTES as u64,
                });
            }
            places.push((
                sequence,
                Place {
                    segment: writer.segment,
                    offset: writer.end + records.len() as u64,
                    body_bytes: u32::try_from(body.len()).unwrap_or(u32::MAX),
                    handed_out: false,
                },
            ));
            put_record(&mut records, KIND_BATCH, &body);
        }
        let asked_bytes = records.len() as u64;
        let limit_bytes = self.options.limit_bytes;
        if asked_bytes + HEADER_BYTES > limit_bytes {
            return Err(SpoolError::TooLarge {
                asked_bytes,
                limit_bytes,
            });
        }
        let held_bytes = self.held_bytes();
        if held_bytes + asked_bytes > limit_bytes {
            let mut index = self.index();
            // What is settled in the newest segment frees its room only with the segment.
            if index.pending.is_empty() && index.next_sequence > writer.segment {
                *writer = new_segment(&self.folder, &mut index)?;
                remove_settled(&mut index)?;
                drop(index);
                drop(writer);
                return self.append(batches);
            }
            return Err(SpoolError::Full {
                held_bytes,
                asked_bytes,
                limit_bytes,
            });
        }
        let path = self.folder.join(segment_name(self.epoch(), writer.segment));
        let mut file = &*writer.file;
        let written = file
            .seek(SeekFrom::Start(writer.end))
            .and_then(|_| file.write_all(&records))
            .and_then(|()| file.sync_data());
        if let Err(error) = written {
            // What was synced before ends at `writer.end`, so cutting back there leaves a whole
            // file. If even that fails, the end is not known and nothing more may be written.
            let cut_back = file.set_len(writer.end).and_then(|()| file.sync_all());
            if cut_back.is_err() {
                self.stopped.store(true, Ordering::Release);
            }
            return Err(io_error(&path, "written")(error));
        }
        let mut index = self.index();
        if index.next_sequence != first {
            // The service turned out to know these sequences, so they cannot be given out.
            drop(index);
            file.set_len(writer.end)
                .map_err(io_error(&path, "cut back"))?;
            drop(writer);
            return self.append(batches);
        }
        writer.end += asked_bytes;
        writer.schemas.extend(new_schemas.keys());
        let (segment, end) = (writer.segment, writer.end);
        index.schemas.extend(new_schemas);
        if let Some(segment) = index.segments.get_mut(&segment) {
            segment.bytes = end;
            segment.n_pending += places.len() as u64;
        }
        index.next_sequence = first + places.len() as u64;
        index.pending.extend(places);
        Ok(first)
    }

    fn next(&self, order: SendOrder, skip: &dyn Fn(u64) -> bool) -> Option<u64> {
        next_key(&self.index().pending, order, skip)
    }

    fn read(&self, sequence: u64) -> Result<Option<EncodedBatch>, SpoolError> {
        let (place, file, path) = {
            let mut index = self.index();
            let Some(place) = index.pending.get_mut(&sequence) else {
                return Ok(None);
            };
            place.handed_out = true;
            let place = *place;
            let Some(segment) = index.segments.get(&place.segment) else {
                return Ok(None);
            };
            (place, Arc::clone(&segment.file), segment.path.clone())
        };
        let body_bytes = usize::try_from(place.body_bytes).unwrap_or(MAX_BODY_BYTES);
        let mut record = vec![0; RECORD_HEAD_BYTES + body_bytes];
        let read = read_at(&file, &mut record, place.offset);
        match read {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => record.clear(),
            Err(error) => return Err(io_error(&path, "read")(error)),
        }
        let mut index = self.index();
        let whole = good_record(&record)
            .filter(|(kind, _)| *kind == KIND_BATCH)
            .and_then(|(_, body)| batch_head(body))
            .filter(|head| head.sequence == sequence)
            .and_then(|head| Some((index.schemas.get(&head.digest).cloned()?, head)));
        let Some((schema, head)) = whole else {
            index.pending.remove(&sequence);
            if let Some(segment) = index.segments.get_mut(&place.segment) {
                segment.n_pending = segment.n_pending.saturating_sub(1);
                segment.damaged = true;
            }
            return Err(SpoolError::Damaged { sequence, path });
        };
        drop(index);
        let payload = Bytes::from(record).slice(RECORD_HEAD_BYTES + BATCH_HEAD_BYTES..);
        Ok(Some(EncodedBatch {
            schema,
            packing: head.packing,
            payload,
            complete_through: head.complete_through,
            n_samples: head.n_samples,
        }))
    }

    fn acknowledge(&self, durable: &[(u64, u64)]) -> Result<(), SpoolError> {
        let mut index = self.index();
        check_collision(&index.pending, durable, |place| place.handed_out)?;
        for &(first, last) in durable {
            if first > last {
                continue;
            }
            let settled: Vec<(u64, Place)> = index
                .pending
                .range(first..=last)
                .map(|(sequence, place)| (*sequence, *place))
                .collect();
            for (sequence, place) in settled {
                index.pending.remove(&sequence);
                if let Some(segment) = index.segments.get_mut(&place.segment) {
                    segment.n_pending = segment.n_pending.saturating_sub(1);
                }
            }
            index.next_sequence = index.next_sequence.max(last.saturating_add(1));
        }
        remove_settled(&mut index)
    }

    fn renew(&self) -> Result<SpoolEpoch, SpoolError> {
        let mut writer = self.writer();
        let waiting: Vec<u64> = self.index().pending.keys().copied().collect();
        let mut fresh = Index {
            epoch: SpoolEpoch::random(),
            next_sequence: 1,
            pending: BTreeMap::new(),
            segments: BTreeMap::new(),
            schemas: self.index().schemas.clone(),
        };
        let mut fresh_writer = new_segment(&self.folder, &mut fresh)?;
        for sequence in waiting {
            let batch = match self.read(sequence) {
                Ok(Some(batch)) => batch,
                // Acknowledged meanwhile, or damaged and set aside.
                Ok(None) | Err(SpoolError::Damaged { .. }) => continue,
                Err(error) => return Err(error),
            };
            if fresh_writer.end >= self.segment_bytes() {
                sync_segment(&fresh, &fresh_writer)?;
                fresh_writer = new_segment(&self.folder, &mut fresh)?;
            }
            let mut records = Vec::new();
            if fresh_writer.schemas.insert(batch.schema.digest()) {
                put_record(&mut records, KIND_SCHEMA, batch.schema.definition());
            }
            let body = batch_body(fresh.next_sequence, &batch);
            let place = Place {
                segment: fresh_writer.segment,
                offset: fresh_writer.end + records.len() as u64,
                body_bytes: u32::try_from(body.len()).unwrap_or(u32::MAX),
                handed_out: false,
            };
            put_record(&mut records, KIND_BATCH, &body);
            let path = self.folder.join(segment_name(fresh.epoch, place.segment));
            (&*fresh_writer.file)
                .write_all(&records)
                .map_err(io_error(&path, "written"))?;
            fresh_writer.end += records.len() as u64;
            fresh.pending.insert(fresh.next_sequence, place);
            fresh.next_sequence += 1;
            if let Some(segment) = fresh.segments.get_mut(&place.segment) {
                segment.bytes = fresh_writer.end;
                segment.n_pending += 1;
            }
        }
        sync_segment(&fresh, &fresh_writer)?;
        // From here on the new epoch is in force; files of the old one are only litter.
        write_epoch(&self.folder, fresh.epoch)?;
        let epoch = fresh.epoch;
        *writer = fresh_writer;
        let old = std::mem::replace(&mut *self.index(), fresh);
        self.stopped.store(false, Ordering::Release);
        for segment in old.segments.values() {
            discard(segment)?;
        }
        Ok(epoch)
    }

    fn n_pending(&self) -> u64 {
        self.index().pending.len() as u64
    }

    fn held_bytes(&self) -> u64 {
        self.index()
            .segments
            .values()
            .map(|segment| segment.bytes)
            .sum()
    }
}

fn sync_segment(index: &Index, writer: &Writer) -> Result<(), SpoolError> {
    writer.file.sync_data().map_err(|source| SpoolError::Io {
        path: index
            .segments
            .get(&writer.segment)
            .map(|segment| segment.path.clone())
            .unwrap_or_default(),
        doing: "synced",
        source,
    })
}
