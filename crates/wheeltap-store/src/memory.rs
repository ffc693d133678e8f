//! The store in memory: the same promises less durability, for tests and for replay of files.

use crate::identity::new_store_id;
use crate::merge::{
    QUARANTINE_BYTES, check_commit, check_size, has_room, quarantine_size, roll_up, sort_events,
};
use crate::ranges::Ranges;
use crate::{
    Appended, Commit, DocumentKey, Done, Epoch, Figures, Incoming, PayloadDigest, QuarantineId,
    Quarantined, Rollup, SourceRanges, Store, StoreError, StoreId, Tier, Upkeep,
};
use std::collections::{BTreeMap, HashMap};
use std::sync::{Mutex, MutexGuard, PoisonError};
use wheeltap_model::{
    ChannelId, ChannelName, Event, EventTime, Sample, Series, ServerTime, UnitId,
};

/// A [`Store`] that forgets everything when dropped and keeps everything until then: there is no
/// retention, and payload digests live as long as the store.
///
/// ```
/// use wheeltap_store::{MemoryStore, Store};
/// use wheeltap_model::ChannelName;
/// let store = MemoryStore::new();
/// let oil = ChannelName::new("engine.oil.temperature")?;
/// assert_eq!(store.channel_ids(&[oil.clone()])?, store.channel_ids(&[oil])?);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct MemoryStore {
    id: StoreId,
    inner: Mutex<Inner>,
}

#[derive(Debug, Default)]
struct Inner {
    channels: HashMap<ChannelName, ChannelId>,
    units: HashMap<UnitId, UnitData>,
    quarantine: BTreeMap<u64, Quarantined>,
    quarantine_bytes: usize,
    last_quarantine: u64,
    ledger: Vec<Vec<u8>>,
    documents: BTreeMap<DocumentKey, Vec<u8>>,
    samples_stored: u64,
    commits: u64,
}

#[derive(Debug, Default)]
struct UnitData {
    /// Most recently used last.
    sources: Vec<Source>,
    channels: HashMap<ChannelId, ChannelData>,
    events: HashMap<ChannelId, Vec<Event>>,
    extent: Option<(EventTime, EventTime)>,
}

#[derive(Debug)]
struct Source {
    epoch: Epoch,
    ranges: Ranges,
    digests: HashMap<u64, PayloadDigest>,
}

/// Samples mostly come in order, so the ordered ones cost a push; the rest go to a tree.
#[derive(Debug, Default)]
struct ChannelData {
    ordered: Vec<Sample>,
    late: BTreeMap<i64, Sample>,
}

impl ChannelData {
    fn insert(&mut self, sample: Sample) {
        match self.ordered.last_mut() {
            Some(last) if last.time == sample.time => *last = last.join(sample),
            Some(last) if last.time > sample.time => {
                self.late
                    .entry(sample.time.unix_ms())
                    .and_modify(|held| *held = held.join(sample))
                    .or_insert(sample);
            }
            _ => self.ordered.push(sample),
        }
    }

    fn range(&self, from: EventTime, to: EventTime, limit: usize) -> Series {
        if from > to {
            return Series::default();
        }
        let first = self.ordered.partition_point(|sample| sample.time < from);
        let ordered = self.ordered[first..]
            .iter()
            .take_while(|sample| sample.time <= to)
            .take(limit);
        let late = self
            .late
            .range(from.unix_ms()..=to.unix_ms())
            .take(limit)
            .map(|(_, sample)| sample);
        // The oldest `limit` of the join are among the oldest `limit` of each part.
        let mut series = Series::from_samples(ordered.chain(late).copied().collect());
        truncate(&mut series, limit);
        series
    }

    fn newest_before(&self, before: EventTime) -> Option<Sample> {
        let after = self.ordered.partition_point(|sample| sample.time < before);
        let ordered = after.checked_sub(1).map(|idx| self.ordered[idx]);
        let late = self.late.range(..before.unix_ms()).next_back();
        match (ordered, late.map(|(_, sample)| *sample)) {
            (Some(a), Some(b)) if a.time == b.time => Some(a.join(b)),
            (Some(a), Some(b)) => Some(if a.time > b.time { a } else { b }),
            (a, b) => a.or(b),
        }
    }
}

/// Cuts a series to its oldest `limit` samples.
pub(crate) fn truncate(series: &mut Series, limit: usize) {
    series.times_ms.truncate(limit);
    series.values.truncate(limit);
    series.qualities.truncate(limit);
    if series
        .qualities
        .iter()
        .all(|quality| *quality == wheeltap_model::Quality::Good)
    {
        series.qualities.clear();
    }
}

impl UnitData {
    fn source(&mut self, epoch: Epoch) -> &mut Source {
        let source = match self.sources.iter().position(|held| held.epoch == epoch) {
            Some(idx) => self.sources.remove(idx),
            None => Source {
                epoch,
                ranges: Ranges::default(),
                digests: HashMap::new(),
            },
        };
        self.sources.push(source);
        let newest = self.sources.len() - 1;
        &mut self.sources[newest]
    }
}

impl Inner {
    fn append(&mut self, incoming: &Incoming) -> Appended {
        let unit = self.units.entry(incoming.unit.clone()).or_default();
        let source = unit.source(incoming.epoch);
        if source.ranges.contains(incoming.sequence) {
            return match source.digests.get(&incoming.sequence) {
                Some(digest) if *digest != incoming.digest => Appended::Refused,
                _ => Appended::Duplicate,
            };
        }
        source.ranges.insert(incoming.sequence);
        source.digests.insert(incoming.sequence, incoming.digest);
        let batch = &incoming.batch;
        for column in &batch.columns {
            let channel = unit.channels.entry(column.channel).or_default();
            for sample in column.samples() {
                channel.insert(sample);
            }
        }
        for event in &batch.events {
            let events = unit.events.entry(event.channel).or_default();
            events.push(event.clone());
        }
        for channel in batch.events.iter().map(|event| event.channel) {
            if let Some(events) = unit.events.get_mut(&channel) {
                sort_events(events);
            }
        }
        if let Some((first, last)) = batch.span() {
            unit.extent = Some(
                unit.extent
                    .map_or((first, last), |(held_first, held_last)| {
                        (held_first.min(first), held_last.max(last))
                    }),
            );
        }
        self.samples_stored += batch.len() as u64;
        Appended::Stored
    }
}

impl Default for MemoryStore {
    fn default() -> Self {
        Self::new()
    }
}

impl MemoryStore {
    /// An empty store with an identity of its own.
    ///
    /// # Panics
    /// When the system has no randomness to give.
    pub fn new() -> Self {
        Self {
            id: new_store_id().expect("the system gives random bytes"),
            inner: Mutex::default(),
        }
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // Nothing below leaves the state half changed, so a panic elsewhere does not spoil it.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Store for MemoryStore {
    fn id(&self) -> StoreId {
        self.id
    }

    fn channel_ids(&self, names: &[ChannelName]) -> Result<Vec<ChannelId>, StoreError> {
        let mut inner = self.lock();
        Ok(names
            .iter()
            .map(|name| {
                let next = u32::try_from(inner.channels.len() + 1).unwrap_or(u32::MAX);
                *inner
                    .channels
                    .entry(name.clone())
                    .or_insert(ChannelId(next))
            })
            .collect())
    }

    fn submit(&self, batches: Vec<Incoming>, done: Done) {
        let outcomes = {
            let mut inner = self.lock();
            inner.commits += 1;
            batches
                .iter()
                .map(|incoming| inner.append(incoming))
                .collect()
        };
        done(Ok(outcomes));
    }

    fn sources(&self, unit: &UnitId) -> Result<Vec<SourceRanges>, StoreError> {
        let inner = self.lock();
        let sources = inner.units.get(unit).map(|unit| &unit.sources);
        Ok(sources
            .into_iter()
            .flatten()
            .map(|source| SourceRanges {
                epoch: source.epoch,
                ranges: source.ranges.as_slice().to_vec(),
            })
            .collect())
    }

    fn quarantine(&self, batch: Quarantined) -> Result<Option<QuarantineId>, StoreError> {
        let size = quarantine_size(&batch);
        check_size("a quarantined batch", size, QUARANTINE_BYTES)?;
        let mut guard = self.lock();
        let inner = &mut *guard;
        if !has_room(inner.quarantine.len(), inner.quarantine_bytes, size) {
            return Ok(None);
        }
        if let Ok(unit) = UnitId::new(&batch.unit) {
            let unit = inner.units.entry(unit).or_default();
            unit.source(batch.epoch).ranges.insert(batch.sequence);
        }
        inner.last_quarantine += 1;
        inner.quarantine_bytes += size;
        inner.quarantine.insert(inner.last_quarantine, batch);
        inner.commits += 1;
        Ok(Some(QuarantineId(inner.last_quarantine)))
    }

    fn quarantined(
        &self,
        after: Option<QuarantineId>,
        limit: usize,
    ) -> Result<Vec<(QuarantineId, Quarantined)>, StoreError> {
        let after = after.map_or(0, |id| id.0);
        Ok(self
            .lock()
            .quarantine
            .range(after.saturating_add(1)..)
            .take(limit)
            .map(|(id, batch)| (QuarantineId(*id), batch.clone()))
            .collect())
    }

    fn discard_quarantined(&self, id: QuarantineId) -> Result<bool, StoreError> {
        let mut inner = self.lock();
        let Some(dropped) = inner.quarantine.remove(&id.0) else {
            return Ok(false);
        };
        inner.quarantine_bytes -= quarantine_size(&dropped);
        inner.commits += 1;
        Ok(true)
    }

    fn read(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Series, StoreError> {
        let inner = self.lock();
        let data = inner.units.get(unit).and_then(|u| u.channels.get(&channel));
        Ok(data
            .map(|data| data.range(from, to, limit))
            .unwrap_or_default())
    }

    fn newest_before(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        before: EventTime,
    ) -> Result<Option<Sample>, StoreError> {
        let inner = self.lock();
        let data = inner.units.get(unit).and_then(|u| u.channels.get(&channel));
        Ok(data.and_then(|data| data.newest_before(before)))
    }

    fn read_events(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
        limit: usize,
    ) -> Result<Vec<Event>, StoreError> {
        let inner = self.lock();
        let events = inner.units.get(unit).and_then(|u| u.events.get(&channel));
        Ok(events
            .into_iter()
            .flatten()
            .filter(|event| from <= event.time && event.time <= to)
            .take(limit)
            .cloned()
            .collect())
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
        if from >= to {
            return Ok(Vec::new());
        }
        // Rows that start in `from..to`: the samples reach one row beyond the last start.
        let last = to.plus_ms(tier.length_ms() - 1);
        let series = self.read(unit, channel, from, last, usize::MAX)?;
        let mut rows = roll_up(series.samples(), tier);
        rows.retain(|row| from <= row.start && row.start < to);
        rows.truncate(limit);
        Ok(rows)
    }

    fn extent(&self, unit: &UnitId) -> Result<Option<(EventTime, EventTime)>, StoreError> {
        Ok(self.lock().units.get(unit).and_then(|unit| unit.extent))
    }

    fn commit(&self, commit: Commit) -> Result<u64, StoreError> {
        check_commit(&commit)?;
        let mut inner = self.lock();
        inner.ledger.extend(commit.ledger);
        for (key, value) in commit.documents {
            match value {
                Some(value) => inner.documents.insert(key, value),
                None => inner.documents.remove(&key),
            };
        }
        inner.commits += 1;
        Ok(inner.ledger.len() as u64)
    }

    fn ledger(&self, after: u64, limit: usize) -> Result<Vec<(u64, Vec<u8>)>, StoreError> {
        let skipped = usize::try_from(after).unwrap_or(usize::MAX);
        Ok((after.saturating_add(1)..)
            .zip(self.lock().ledger.iter().skip(skipped))
            .take(limit)
            .map(|(number, entry)| (number, entry.clone()))
            .collect())
    }

    fn document(&self, key: &DocumentKey) -> Result<Option<Vec<u8>>, StoreError> {
        Ok(self.lock().documents.get(key).cloned())
    }

    fn documents(
        &self,
        kind: &'static str,
        prefix: &[u8],
    ) -> Result<Vec<(DocumentKey, Vec<u8>)>, StoreError> {
        let start = DocumentKey {
            kind,
            key: prefix.to_vec(),
        };
        Ok(self
            .lock()
            .documents
            .range(start..)
            .take_while(|(key, _)| key.kind == kind && key.key.starts_with(prefix))
            .map(|(key, value)| (key.clone(), value.clone()))
            .collect())
    }

    fn upkeep(&self, _now: ServerTime) -> Result<Upkeep, StoreError> {
        Ok(Upkeep::default())
    }

    fn figures(&self) -> Result<Figures, StoreError> {
        let inner = self.lock();
        Ok(Figures {
            samples_stored: inner.samples_stored,
            commits: inner.commits,
            ..Figures::default()
        })
    }
}
