//! The one thread that owns every mutation of the hot tree.
//!
//! It drains the queue into one group, applies it as one atomic batch, syncs, publishes the new
//! layout, and only then answers. Its [`Book`] is what will be true once the group is durable;
//! the [`Layout`] is what is.

use super::keys::{self, SourceKey};
use super::layout::{Floors, Layout, Strip, StripRef, UnitLayout, weight};
use crate::bytes::{Reader, put_signed, put_varint};
use crate::codec::{Framed, encode_frame};
use crate::merge::has_room;
use crate::ranges::Ranges;
use crate::record::{HOT_PART, part_key, seal, split};
use crate::{Appended, Epoch, Incoming, Quarantined, StoreError};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Arc;
use wheeltap_model::{Batch, ChannelId, ChannelName, UnitId};

/// A frame is begun anew when the batches in it pass this weight.
const FRAME_BYTES: usize = 16 * 1024 * 1024;

/// One spool as the writer knows it.
#[derive(Debug)]
pub(crate) struct Source {
    pub(crate) number: u32,
    pub(crate) ranges: Ranges,
    pub(crate) used: u64,
    /// Parts of its record on disk.
    pub(crate) parts: u16,
    /// Of batches whose frame lives.
    pub(crate) digests: HashMap<u64, [u8; 16]>,
}

/// A live frame: its number, its parts, and what is in it.
pub(crate) type Frame = (u64, u16, Vec<(SourceKey, u64)>);

/// What the writer knows.
#[derive(Debug, Default)]
pub(crate) struct Book {
    pub(crate) channels: HashMap<ChannelName, ChannelId>,
    pub(crate) units: HashMap<UnitId, u32>,
    pub(crate) sources: HashMap<SourceKey, Source>,
    pub(crate) source_count: u32,
    pub(crate) uses: u64,
    /// The last number given to a frame or strip.
    pub(crate) last_id: u64,
    pub(crate) ledger_last: u64,
    /// Size and parts by number.
    pub(crate) quarantine: BTreeMap<u64, (usize, u16)>,
    pub(crate) quarantine_bytes: usize,
    pub(crate) quarantine_last: u64,
    /// From the oldest.
    pub(crate) frames: VecDeque<Frame>,
}

type Publish = Box<dyn FnOnce(&mut Layout) + Send>;
type Reply = Box<dyn FnOnce(Result<(), StoreError>) + Send>;

/// What will be written, published and answered together.
#[derive(Default)]
pub(crate) struct Group {
    pub(crate) batch: sled::Batch,
    pub(crate) writes: usize,
    framed: Vec<(UnitId, SourceKey, Framed)>,
    pub(crate) publish: Vec<Publish>,
    pub(crate) replies: Vec<Reply>,
    pub(crate) samples: u64,
}

impl Group {
    pub(crate) fn put(&mut self, key: Vec<u8>, body: &[u8]) {
        let record = seal(&key, body);
        self.batch.insert(key, record);
        self.writes += 1;
    }

    /// Writes a body in as many parts as it needs, and says how many.
    pub(crate) fn put_split(&mut self, key: &[u8], body: &[u8]) -> u16 {
        let parts = split(key, body, HOT_PART);
        let n_parts = u16::try_from(parts.len()).unwrap_or(u16::MAX);
        for (key, record) in parts {
            self.batch.insert(key, record);
            self.writes += 1;
        }
        n_parts
    }

    pub(crate) fn remove(&mut self, key: Vec<u8>) {
        self.batch.remove(key);
        self.writes += 1;
    }

    pub(crate) fn remove_split(&mut self, key: &[u8], n_parts: u16) {
        for part in 0..n_parts {
            self.remove(part_key(key, part));
        }
    }

    pub(crate) fn publish(&mut self, publish: impl FnOnce(&mut Layout) + Send + 'static) {
        self.publish.push(Box::new(publish));
    }
}

/// A source's record: whose it is, then what is settled.
fn source_body(unit: u32, epoch: Epoch, source: &Source) -> Vec<u8> {
    let mut body = Vec::new();
    put_varint(&mut body, u64::from(unit));
    body.extend_from_slice(&epoch.0);
    put_varint(&mut body, source.used);
    put_varint(&mut body, source.ranges.as_slice().len() as u64);
    let mut last = 0;
    for &(from, to) in source.ranges.as_slice() {
        put_varint(&mut body, from - last);
        put_varint(&mut body, to - from);
        last = to;
    }
    body
}

/// Reads a source's record.
pub(crate) fn read_source(body: &[u8]) -> Option<(SourceKey, u64, Ranges)> {
    let mut reader = Reader::new(body);
    let key = (reader.number32()?, Epoch(reader.array()?));
    let used = reader.varint()?;
    let n = reader.count()?;
    let mut ranges = Vec::with_capacity(n);
    let mut last = 0_u64;
    for _ in 0..n {
        let from = last.checked_add(reader.varint()?)?;
        let to = from.checked_add(reader.varint()?)?;
        ranges.push((from, to));
        last = to;
    }
    reader.end()?;
    Some((key, used, Ranges::from_sorted(ranges)?))
}

/// A strip's entry in the index.
pub(crate) fn strip_index_body(period: i64, strip: &StripRef) -> Vec<u8> {
    let mut body = Vec::new();
    put_signed(&mut body, period);
    put_varint(&mut body, u64::from(strip.parts));
    put_signed(&mut body, strip.first_ms);
    put_signed(&mut body, strip.last_ms);
    put_varint(&mut body, u64::from(strip.most));
    put_signed(&mut body, strip.cut_at_ms);
    put_varint(&mut body, u64::from(strip.samples));
    body
}

/// Reads a strip's entry. Older ones do not say how many samples there are in all.
pub(crate) fn read_strip_index(body: &[u8]) -> Option<(i64, StripRef)> {
    let mut reader = Reader::new(body);
    let period = reader.signed()?;
    let mut strip = StripRef {
        parts: u16::try_from(reader.varint()?).ok()?,
        first_ms: reader.signed()?,
        last_ms: reader.signed()?,
        most: reader.number32()?,
        cut_at_ms: reader.signed()?,
        samples: 0,
    };
    strip.samples = match reader.left() {
        0 => strip.most,
        _ => reader.number32()?,
    };
    reader.end()?;
    Some((period, strip))
}

/// First and last time as a record's body.
pub(crate) fn span_body((first, last): (i64, i64)) -> Vec<u8> {
    [first.to_be_bytes(), last.to_be_bytes()].concat()
}

/// A strip on its way to disk.
#[derive(Debug)]
pub(crate) struct NewStrip {
    pub(crate) period: i64,
    pub(crate) body: Vec<u8>,
    pub(crate) first_ms: i64,
    pub(crate) last_ms: i64,
    pub(crate) most: u32,
    pub(crate) samples: u32,
    pub(crate) cut_at_ms: i64,
}

/// A change of one unit's strips: what came off the heads, what was sealed or merged.
#[derive(Debug)]
pub(crate) struct Restrip {
    pub(crate) unit: UnitId,
    pub(crate) number: u32,
    /// Heads of frames up to this number are in `added`.
    pub(crate) heads_up_to: u64,
    pub(crate) extent: Option<(i64, i64)>,
    /// By period and id, with parts.
    pub(crate) removed: Vec<((i64, u64), u16)>,
    pub(crate) added: Vec<NewStrip>,
}

impl Book {
    fn unit(&mut self, group: &mut Group, unit: &UnitId) -> u32 {
        if let Some(number) = self.units.get(unit) {
            return *number;
        }
        let number = u32::try_from(self.units.len() + 1).unwrap_or(u32::MAX);
        self.units.insert(unit.clone(), number);
        group.put(keys::numbered(keys::UNIT, number), unit.as_str().as_bytes());
        let name = unit.clone();
        group.publish(move |layout| {
            layout.units.insert(name, UnitLayout::new(number));
        });
        number
    }

    fn source(&mut self, group: &mut Group, key: SourceKey) -> &mut Source {
        self.uses += 1;
        let uses = self.uses;
        let next = self.source_count + 1;
        let mut is_new = false;
        let source = self.sources.entry(key).or_insert_with(|| {
            is_new = true;
            Source {
                number: next,
                ranges: Ranges::default(),
                used: uses,
                parts: 0,
                digests: HashMap::new(),
            }
        });
        source.used = uses;
        if is_new {
            self.source_count = next;
            // Frames name sources by number, so the number must be on disk with the first frame.
            let body = source_body(key.0, key.1, source);
            source.parts = group.put_split(&keys::numbered(keys::SOURCE, next), &body);
        }
        source
    }

    fn put_source(group: &mut Group, key: SourceKey, source: &mut Source) {
        let body = source_body(key.0, key.1, source);
        let record_key = keys::numbered(keys::SOURCE, source.number);
        let n_parts = group.put_split(&record_key, &body);
        for part in n_parts..source.parts {
            group.remove(part_key(&record_key, part));
        }
        source.parts = n_parts;
    }

    pub(crate) fn append(&mut self, group: &mut Group, incoming: Incoming) -> Appended {
        let unit = self.unit(group, &incoming.unit);
        let key = (unit, incoming.epoch);
        let source = self.source(group, key);
        if source.ranges.contains(incoming.sequence) {
            return match source.digests.get(&incoming.sequence) {
                Some(digest) if *digest != incoming.digest.0 => Appended::Refused,
                _ => Appended::Duplicate,
            };
        }
        source.ranges.insert(incoming.sequence);
        source.digests.insert(incoming.sequence, incoming.digest.0);
        group.samples += incoming.batch.len() as u64;
        let framed = Framed {
            source: source.number,
            sequence: incoming.sequence,
            digest: incoming.digest.0,
            received_at_ms: incoming.received_at.unix_ms(),
            batch: incoming.batch,
        };
        group.framed.push((incoming.unit, key, framed));
        Appended::Stored
    }

    /// Packs what was appended into frames, and plans how it is published.
    pub(crate) fn close_frames(&mut self, group: &mut Group) -> Result<(), StoreError> {
        let mut framed = std::mem::take(&mut group.framed);
        while !framed.is_empty() {
            let mut bytes = 0;
            let n = framed
                .iter()
                .take_while(|(_, _, framed)| {
                    let fits = bytes <= FRAME_BYTES;
                    bytes += weight(&framed.batch);
                    fits
                })
                .count();
            let rest = framed.split_off(n);
            self.last_id += 1;
            let lsn = self.last_id;
            let frame: Vec<Framed> = framed.iter().map(|(_, _, framed)| framed.clone()).collect();
            let body = encode_frame(frame.iter()).map_err(|error| StoreError::Engine {
                doing: "packing a frame",
                message: error.to_string(),
            })?;
            let parts = group.put_split(&keys::counted(keys::FRAME, lsn), &body);
            let entries = framed
                .iter()
                .map(|(_, key, framed)| (*key, framed.sequence))
                .collect();
            self.frames.push_back((lsn, parts, entries));
            let mut touched: HashMap<(UnitId, Epoch), Ranges> = HashMap::new();
            for (unit, key, _) in &framed {
                if let Some(source) = self.sources.get(key) {
                    touched
                        .entry((unit.clone(), key.1))
                        .or_insert_with(|| source.ranges.clone());
                }
            }
            let heads: Vec<(UnitId, Arc<Batch>)> = framed
                .into_iter()
                .map(|(unit, _, framed)| (unit, framed.batch))
                .collect();
            group.publish(move |layout| {
                layout.frames.push_back((lsn, parts));
                for (unit, batch) in heads {
                    layout.head_bytes += weight(&batch);
                    if let Some(unit) = layout.units.get_mut(&unit) {
                        unit.push_head(lsn, batch);
                    }
                }
                for ((unit, epoch), ranges) in touched {
                    if let Some(unit) = layout.units.get_mut(&unit) {
                        unit.use_source(epoch, ranges);
                    }
                }
            });
            framed = rest;
        }
        Ok(())
    }

    /// Gives the strips that were added, by unit.
    pub(crate) fn restrip(
        &mut self,
        group: &mut Group,
        changes: Vec<Restrip>,
    ) -> Vec<(UnitId, Vec<Strip>)> {
        let mut all_added = Vec::with_capacity(changes.len());
        for change in changes {
            for ((_, id), parts) in &change.removed {
                group.remove_split(&keys::of_unit(keys::STRIP, change.number, *id), *parts);
                group.remove(keys::of_unit(keys::STRIP_INDEX, change.number, *id));
            }
            let mut added: Vec<Strip> = Vec::new();
            for strip in change.added {
                self.last_id += 1;
                let id = self.last_id;
                let key = keys::of_unit(keys::STRIP, change.number, id);
                let entry = StripRef {
                    parts: group.put_split(&key, &strip.body),
                    first_ms: strip.first_ms,
                    last_ms: strip.last_ms,
                    most: strip.most,
                    samples: strip.samples,
                    cut_at_ms: strip.cut_at_ms,
                };
                group.put(
                    keys::of_unit(keys::STRIP_INDEX, change.number, id),
                    &strip_index_body(strip.period, &entry),
                );
                added.push(((strip.period, id), entry));
            }
            if let Some(extent) = change.extent {
                group.put(
                    keys::numbered(keys::EXTENT, change.number),
                    &span_body(extent),
                );
            }
            all_added.push((change.unit.clone(), added.clone()));
            let (unit, up_to, removed) = (change.unit, change.heads_up_to, change.removed);
            group.publish(move |layout| {
                let Some(unit) = layout.units.get_mut(&unit) else {
                    return;
                };
                while let Some((lsn, batch)) = unit.heads.front()
                    && *lsn <= up_to
                {
                    layout.head_bytes = layout.head_bytes.saturating_sub(weight(batch));
                    unit.heads.pop_front();
                }
                for (key, _) in removed {
                    unit.strips.remove(&key);
                }
                unit.strips.extend(added);
            });
        }
        all_added
    }

    /// Removes frames up to `lsn`, all of whose batches are in strips. Their sequences move to the
    /// sources' records in the same commit, and their digests go.
    pub(crate) fn drop_frames(&mut self, group: &mut Group, lsn: u64) -> u64 {
        let mut touched = Vec::new();
        let mut n_dropped = 0;
        while let Some((oldest, parts, _)) = self.frames.front()
            && *oldest <= lsn
        {
            group.remove_split(&keys::counted(keys::FRAME, *oldest), *parts);
            if let Some((_, _, entries)) = self.frames.pop_front() {
                for (key, sequence) in entries {
                    if let Some(source) = self.sources.get_mut(&key) {
                        source.digests.remove(&sequence);
                    }
                    touched.push(key);
                }
            }
            n_dropped += 1;
        }
        touched.sort_unstable();
        touched.dedup();
        for key in touched {
            if let Some(source) = self.sources.get_mut(&key) {
                Self::put_source(group, key, source);
            }
        }
        group.publish(move |layout| {
            while layout.frames.front().is_some_and(|(held, _)| *held <= lsn) {
                layout.frames.pop_front();
            }
        });
        n_dropped
    }

    pub(crate) fn channel_ids(
        &mut self,
        group: &mut Group,
        names: &[ChannelName],
    ) -> Vec<ChannelId> {
        let mut ids = Vec::with_capacity(names.len());
        for name in names {
            if let Some(id) = self.channels.get(name) {
                ids.push(*id);
                continue;
            }
            let number = u32::try_from(self.channels.len() + 1).unwrap_or(u32::MAX);
            self.channels.insert(name.clone(), ChannelId(number));
            group.put(
                keys::numbered(keys::CHANNEL, number),
                name.as_str().as_bytes(),
            );
            let name = name.clone();
            group.publish(move |layout| {
                layout.channels.insert(name, ChannelId(number));
            });
            ids.push(ChannelId(number));
        }
        ids
    }

    pub(crate) fn commit(&mut self, group: &mut Group, commit: crate::Commit) -> u64 {
        for entry in commit.ledger {
            self.ledger_last += 1;
            group.put(keys::counted(keys::LEDGER, self.ledger_last), &entry);
        }
        for (key, value) in commit.documents {
            let key = keys::document(key.kind, &key.key);
            match value {
                Some(value) => group.put(key, &value),
                None => group.remove(key),
            }
        }
        let last = self.ledger_last;
        group.publish(move |layout| layout.ledger_last = last);
        last
    }

    /// The number given; `None` when there is no room, and then nothing is done.
    pub(crate) fn quarantine(
        &mut self,
        group: &mut Group,
        batch: &Quarantined,
        size: usize,
    ) -> Option<u64> {
        if !has_room(self.quarantine.len(), self.quarantine_bytes, size) {
            return None;
        }
        if let Ok(unit) = UnitId::new(&batch.unit) {
            let number = self.unit(group, &unit);
            let key = (number, batch.epoch);
            self.source(group, key);
            if let Some(source) = self.sources.get_mut(&key) {
                source.ranges.insert(batch.sequence);
                Self::put_source(group, key, source);
                let (epoch, ranges) = (batch.epoch, source.ranges.clone());
                group.publish(move |layout| {
                    if let Some(unit) = layout.units.get_mut(&unit) {
                        unit.use_source(epoch, ranges);
                    }
                });
            }
        }
        self.quarantine_last += 1;
        let id = self.quarantine_last;
        let parts = group.put_split(
            &keys::counted(keys::QUARANTINE, id),
            &quarantine_body(batch),
        );
        let mut index = Vec::new();
        put_varint(&mut index, size as u64);
        put_varint(&mut index, u64::from(parts));
        group.put(keys::counted(keys::QUARANTINE_INDEX, id), &index);
        group.put(keys::META_QUARANTINE.to_vec(), &id.to_be_bytes());
        self.quarantine.insert(id, (size, parts));
        self.quarantine_bytes += size;
        Some(id)
    }

    pub(crate) fn discard(&mut self, group: &mut Group, id: u64) -> bool {
        let Some((size, parts)) = self.quarantine.remove(&id) else {
            return false;
        };
        self.quarantine_bytes -= size;
        group.remove_split(&keys::counted(keys::QUARANTINE, id), parts);
        group.remove(keys::counted(keys::QUARANTINE_INDEX, id));
        true
    }

    pub(crate) fn raise_floors(group: &mut Group, floors: Floors) {
        let mut body = Vec::new();
        for floor in [floors.raw, floors.minute, floors.hour] {
            body.extend_from_slice(&floor.to_be_bytes());
        }
        group.put(keys::META_FLOORS.to_vec(), &body);
        group.publish(move |layout| layout.floors = floors);
    }
}

impl UnitLayout {
    pub(crate) fn push_head(&mut self, lsn: u64, batch: Arc<Batch>) {
        if let Some((first, last)) = batch.span() {
            self.widen(first.unix_ms(), last.unix_ms());
        }
        self.heads.push_back((lsn, batch));
    }
}

fn quarantine_body(batch: &Quarantined) -> Vec<u8> {
    use crate::bytes::put_bytes;
    let mut body = Vec::new();
    put_bytes(&mut body, batch.unit.as_bytes());
    body.extend_from_slice(&batch.epoch.0);
    put_varint(&mut body, batch.sequence);
    put_signed(&mut body, batch.received_at.unix_ms());
    put_bytes(&mut body, batch.reason.as_bytes());
    put_bytes(&mut body, batch.message.as_bytes());
    put_bytes(&mut body, &batch.bytes);
    body
}

/// Reads a quarantined batch.
pub(crate) fn read_quarantined(body: &[u8]) -> Option<Quarantined> {
    let mut reader = Reader::new(body);
    let text = |reader: &mut Reader<'_>| String::from_utf8(reader.bytes()?.to_vec()).ok();
    let batch = Quarantined {
        unit: text(&mut reader)?,
        epoch: Epoch(reader.array()?),
        sequence: reader.varint()?,
        received_at: wheeltap_model::ServerTime::from_unix_ms(reader.signed()?),
        reason: text(&mut reader)?,
        message: text(&mut reader)?,
        bytes: reader.bytes()?.to_vec(),
    };
    reader.end()?;
    Some(batch)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strips_entry_without_a_count_of_samples_is_read() {
        let strip = StripRef {
            parts: 3,
            first_ms: -5,
            last_ms: 1_767_571_200_000,
            most: 4_096,
            samples: 70_000,
            cut_at_ms: 7,
        };
        let body = strip_index_body(-3_600_000, &strip);
        assert_eq!(read_strip_index(&body), Some((-3_600_000, strip)));
        // As entries were written before: a count of 70,000 takes three bytes.
        let older = StripRef {
            samples: strip.most,
            ..strip
        };
        let cut = read_strip_index(&body[..body.len() - 3]);
        assert_eq!(cut, Some((-3_600_000, older)));
        assert_eq!(read_strip_index(&body[..body.len() - 1]), None);
    }
}
