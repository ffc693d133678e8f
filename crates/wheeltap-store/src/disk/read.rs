//! Reading: heads and strips as noted in one moment, then blocks (see [`super::layout`] for why in
//! this order), joined.

use super::Shared;
use super::cold::{Shelf, visit_blocks};
use super::keys;
use super::layout::StripRef;
use crate::block::{block_header, decode_block, decode_rows};
use crate::bytes::Reader;
use crate::codec::{decode_strip, event, unpack};
use crate::engine::Engine;
use crate::memory::truncate;
use crate::merge::{roll_up, row_start, sort_events};
use crate::record::{corrupt, join};
use crate::{Rollup, StoreError, Tier};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::Duration;
use wheeltap_model::{Batch, ChannelId, Column, Event, EventTime, Quality, Sample, Series, UnitId};

const HOUR_MS: i64 = super::HOUR_MS;

/// What was published of one unit at one moment.
pub(super) struct Snapshot {
    pub(super) number: u32,
    pub(super) heads: Vec<Arc<Batch>>,
    /// Ids and strips that reach into the stretch asked for.
    pub(super) strips: Vec<(u64, StripRef)>,
    pub(super) raw_floor: i64,
    pub(super) tier_floors: (i64, i64),
}

/// What one unit has in no block at one moment, unpacked.
struct Unsealed {
    number: u32,
    batches: Vec<Arc<Batch>>,
    raw_floor: i64,
    tier_floors: (i64, i64),
}

impl Unsealed {
    /// Samples of a channel within a stretch, in no order.
    fn samples(&self, channel: ChannelId, (from, to): (i64, i64)) -> Vec<Sample> {
        let columns = self.batches.iter().flat_map(|batch| &batch.columns);
        columns
            .filter(|column| column.channel == channel)
            .flat_map(|column| within(column, from, to))
            .collect()
    }
}

/// A strip goes and the layout says so in one commit, which may wait for the disk: a reader that finds one gone
/// looks again after this long.
const LOOK_AGAIN: Duration = Duration::from_millis(1);
/// So often; a strip that is still missing then is lost.
const MOST_LOOKS: usize = 30_000;

/// The samples of one column within `from..=to`; its times ascend.
fn within(column: &Column, from: i64, to: i64) -> impl Iterator<Item = Sample> + '_ {
    let first = column.times_ms.partition_point(|time| *time < from);
    column
        .samples()
        .skip(first)
        .take_while(move |sample| sample.time.unix_ms() <= to)
}

/// The part of a series within `from..=to`.
fn part(series: &Series, from: i64, to: i64) -> impl Iterator<Item = Sample> + '_ {
    let first = series.times_ms.partition_point(|time| *time < from);
    let last = series.times_ms.partition_point(|time| *time <= to);
    series
        .samples()
        .skip(first)
        .take(last.saturating_sub(first))
}

/// Lays the part of a block within `from..=to` behind a series that ends before it.
fn append(series: &mut Series, block: &Series, from: i64, to: i64) {
    let first = block.times_ms.partition_point(|time| *time < from);
    let last = block.times_ms.partition_point(|time| *time <= to);
    if first >= last {
        return;
    }
    if !(series.qualities.is_empty() && block.qualities.is_empty()) {
        series.qualities.resize(series.len(), Quality::Good);
        let more = block.qualities.get(first..last).unwrap_or_default();
        series.qualities.extend_from_slice(more);
        let n_samples = series.len() + last - first;
        series.qualities.resize(n_samples, Quality::Good);
    }
    series
        .times_ms
        .extend_from_slice(&block.times_ms[first..last]);
    series.values.extend_from_slice(&block.values[first..last]);
}

/// Unpacks a block of events.
pub(super) fn decode_events(body: &[u8], channel: ChannelId) -> Result<Vec<Event>, StoreError> {
    let read = || {
        let raw = unpack(body)?;
        let mut reader = Reader::new(&raw);
        let n = reader.count()?;
        let events: Option<Vec<Event>> = (0..n).map(|_| event(&mut reader, channel)).collect();
        reader.end()?;
        events
    };
    read().ok_or_else(|| corrupt("block of events", "its fields are damaged"))
}

/// The stored rows of one chunk.
pub(super) fn stored_rows(
    engine: &Engine,
    unit: u32,
    channel: ChannelId,
    tier: Tier,
    chunk: i64,
) -> Result<Vec<Rollup>, StoreError> {
    let key = keys::rows(unit, channel, chunk);
    join("rollup chunk", &key, |key| engine.get(key))?.map_or(Ok(Vec::new()), |body| {
        decode_rows(&body, chunk, tier.length_ms())
    })
}

pub(super) const fn shelf_of(tier: Tier) -> Shelf {
    match tier {
        Tier::Minute => Shelf::Minute,
        Tier::Hour => Shelf::Hour,
    }
}

impl Shared {
    pub(super) fn snapshot(&self, unit: &UnitId, from: i64, to: i64) -> Option<Snapshot> {
        let layout = self.read_layout();
        let unit = layout.units.get(unit)?;
        Some(Snapshot {
            number: unit.number,
            heads: unit
                .heads
                .iter()
                .map(|(_, batch)| Arc::clone(batch))
                .collect(),
            strips: unit
                .strips
                .iter()
                .filter(|(_, strip)| strip.first_ms <= to && strip.last_ms >= from)
                .map(|((_, id), strip)| (*id, *strip))
                .collect(),
            raw_floor: layout.floors.raw,
            tier_floors: (layout.floors.minute, layout.floors.hour),
        })
    }

    /// A strip; `None` when it went into blocks, and what is left of it into another strip, since the layout
    /// was noted.
    pub(super) fn strip(&self, unit: u32, id: u64) -> Result<Option<Batch>, StoreError> {
        let key = keys::of_unit(keys::STRIP, unit, id);
        let Some(body) = join("strip", &key, |key| self.hot.get(key))? else {
            return Ok(None);
        };
        decode_strip(&body)
            .map(Some)
            .ok_or_else(|| corrupt("strip", "its columns are damaged"))
    }

    /// A strip for reading, unpacked before or now. One that was sealed meanwhile may still be here: its
    /// samples are in blocks too, and equal ones join to one.
    fn unpacked(&self, unit: u32, id: u64) -> Result<Option<Arc<Batch>>, StoreError> {
        let held = self.decoded().get(unit, id);
        if held.is_some() {
            return Ok(held);
        }
        let strip = self.strip(unit, id)?.map(Arc::new);
        if let Some(strip) = &strip {
            self.decoded().put(unit, id, strip);
        }
        Ok(strip)
    }

    /// The strips of a snapshot; `None` when one of them has moved since.
    fn unpacked_all(&self, snapshot: &Snapshot) -> Result<Option<Vec<Arc<Batch>>>, StoreError> {
        let mut batches = Vec::with_capacity(snapshot.strips.len() + snapshot.heads.len());
        for (id, _) in &snapshot.strips {
            match self.unpacked(snapshot.number, *id)? {
                Some(strip) => batches.push(strip),
                None => return Ok(None),
            }
        }
        Ok(Some(batches))
    }

    /// Heads and strips of one moment. A strip that moved meanwhile is in blocks in part only: the rest went
    /// into another strip, so all is noted again.
    fn unsealed(&self, unit: &UnitId, from: i64, to: i64) -> Result<Option<Unsealed>, StoreError> {
        for _ in 0..MOST_LOOKS {
            let Some(snapshot) = self.snapshot(unit, from, to) else {
                return Ok(None);
            };
            if let Some(mut batches) = self.unpacked_all(&snapshot)? {
                batches.extend(snapshot.heads);
                return Ok(Some(Unsealed {
                    number: snapshot.number,
                    batches,
                    raw_floor: snapshot.raw_floor,
                    tier_floors: snapshot.tier_floors,
                }));
            }
            std::thread::park_timeout(LOOK_AGAIN);
        }
        Err(corrupt("strip", "it is missing"))
    }

    pub(super) fn read_samples(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: i64,
        to: i64,
        limit: usize,
    ) -> Result<Series, StoreError> {
        let Some(unsealed) = self.unsealed(unit, from, to)? else {
            return Ok(Series::default());
        };
        let from = from.max(unsealed.raw_floor);
        if from > to || limit == 0 {
            return Ok(Series::default());
        }
        let mut samples = unsealed.samples(channel, (from, to));
        // Blocks mostly follow one another; while nothing else is there, their columns are laid end to
        // end and no sample is looked at.
        let mut columns = Series::default();
        let mut next_check = samples.len().saturating_add(limit);
        let periods = self
            .cold
            .periods(Shelf::Raw, from, to, self.options.period_ms);
        for period in periods {
            let Some(engine) = self.cold.folder(Shelf::Raw, period, false)? else {
                continue;
            };
            let of = (unsealed.number, channel);
            let flow = visit_blocks(&engine, keys::BLOCK, of, (from, to), |span, body| {
                // Blocks come by first time, so everything before this one's is complete.
                let last = columns.times_ms.last();
                if samples.is_empty() && last.is_none_or(|last| *last < span.0) {
                    if columns.len() >= limit {
                        return Ok(ControlFlow::Break(()));
                    }
                    append(&mut columns, &decode_block(body)?, from, to);
                    return Ok(ControlFlow::Continue(()));
                }
                samples.extend(std::mem::take(&mut columns).samples());
                if samples.len() >= next_check {
                    samples = Series::from_samples(std::mem::take(&mut samples))
                        .samples()
                        .collect();
                    let complete = samples.partition_point(|s| s.time.unix_ms() < span.0);
                    if complete >= limit {
                        return Ok(ControlFlow::Break(()));
                    }
                    next_check = samples.len() + limit.max(4_096);
                }
                samples.extend(part(&decode_block(body)?, from, to));
                Ok(ControlFlow::Continue(()))
            })?;
            if flow.is_break() {
                break;
            }
        }
        let mut series = if samples.is_empty() {
            if columns.qualities.iter().all(|q| *q == Quality::Good) {
                columns.qualities.clear();
            }
            columns
        } else {
            samples.extend(columns.samples());
            Series::from_samples(samples)
        };
        truncate(&mut series, limit);
        Ok(series)
    }

    pub(super) fn newest_before(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        before: i64,
    ) -> Result<Option<Sample>, StoreError> {
        let Some(to) = before.checked_sub(1) else {
            return Ok(None);
        };
        let Some(unsealed) = self.unsealed(unit, i64::MIN, to)? else {
            return Ok(None);
        };
        let floor = unsealed.raw_floor;
        let mut newest: Option<i64> = None;
        let mut offer = |time: i64| {
            if time >= floor {
                newest = Some(newest.map_or(time, |held| held.max(time)));
            }
            newest
        };
        for sample in unsealed.samples(channel, (floor, to)) {
            offer(sample.time.unix_ms());
        }
        let mut best = offer(i64::MIN);
        let length = self.options.period_ms;
        let periods = self.cold.periods(Shelf::Raw, floor, to, length);
        for period in periods.into_iter().rev() {
            if best.is_some_and(|best| best >= period.saturating_add(length)) {
                break;
            }
            let Some(engine) = self.cold.folder(Shelf::Raw, period, false)? else {
                continue;
            };
            let of = (unsealed.number, channel);
            let from = best.map_or(floor, |best| best.max(floor));
            let _ = visit_blocks(&engine, keys::BLOCK, of, (from, to), |span, body| {
                if span.1 <= to {
                    // The header has the check; the key alone could have strayed.
                    best = offer(block_header(body)?.last_ms);
                } else {
                    let series = decode_block(body)?;
                    let after = series.times_ms.partition_point(|time| *time <= to);
                    if let Some(idx) = after.checked_sub(1) {
                        best = offer(series.times_ms[idx]);
                    }
                }
                Ok(ControlFlow::Continue(()))
            })?;
        }
        let Some(time) = best else {
            return Ok(None);
        };
        let found = self.read_samples(unit, channel, time, time, 1)?;
        Ok(found.samples().next())
    }

    pub(super) fn read_events(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        from: i64,
        to: i64,
        limit: usize,
    ) -> Result<Vec<Event>, StoreError> {
        let Some(unsealed) = self.unsealed(unit, from, to)? else {
            return Ok(Vec::new());
        };
        let from = from.max(unsealed.raw_floor);
        let events = unsealed.batches.iter().flat_map(|batch| &batch.events);
        let mut events: Vec<Event> = events
            .filter(|event| event.channel == channel)
            .cloned()
            .collect();
        let length = self.options.period_ms;
        for period in self.cold.periods(Shelf::Raw, from, to, length) {
            let Some(engine) = self.cold.folder(Shelf::Raw, period, false)? else {
                continue;
            };
            let of = (unsealed.number, channel);
            let _ = visit_blocks(&engine, keys::EVENT_BLOCK, of, (from, to), |_, body| {
                events.extend(decode_events(body, channel)?);
                Ok(ControlFlow::Continue(()))
            })?;
        }
        events.retain(|event| (from..=to).contains(&event.time.unix_ms()));
        sort_events(&mut events);
        events.truncate(limit);
        Ok(events)
    }

    /// Stored rows where everything is sealed, computed ones for hours that heads or strips reach
    /// into.
    pub(super) fn rollups(
        &self,
        unit: &UnitId,
        channel: ChannelId,
        tier: Tier,
        (from, to): (i64, i64),
        limit: usize,
    ) -> Result<Vec<Rollup>, StoreError> {
        // Samples up to the end of the last hour that a row starts in may matter.
        let reach = to.saturating_add(HOUR_MS);
        let Some(unsealed) = self.unsealed(unit, row_start(from, HOUR_MS), reach)? else {
            return Ok(Vec::new());
        };
        let floor = match tier {
            Tier::Minute => unsealed.tier_floors.0,
            Tier::Hour => unsealed.tier_floors.1,
        };
        let from = from.max(floor);
        if from >= to || limit == 0 {
            return Ok(Vec::new());
        }
        let live: BTreeSet<i64> = unsealed
            .samples(channel, (row_start(from, HOUR_MS), reach))
            .iter()
            .map(|sample| row_start(sample.time.unix_ms(), HOUR_MS))
            // Before the floor the samples are gone and rows alone are left.
            .filter(|hour| *hour >= unsealed.raw_floor && *hour < to)
            .collect();
        let mut rows =
            self.sealed_rows(unsealed.number, channel, tier, (from, to), limit, &live)?;
        // Rows after the last that can still be among the oldest need not be computed.
        let last = match rows.len().checked_sub(limit) {
            Some(_) => rows.keys().nth(limit - 1).copied().unwrap_or(to),
            None => to,
        };
        let mut hours = live.into_iter().filter(|hour| *hour <= last).peekable();
        while let Some(start) = hours.next() {
            let mut end = start.saturating_add(HOUR_MS);
            while hours.next_if(|hour| *hour == end).is_some() {
                end = end.saturating_add(HOUR_MS);
            }
            let series = self.read_samples(unit, channel, start, end - 1, usize::MAX)?;
            for row in roll_up(series.samples(), tier) {
                if (from..to).contains(&row.start.unix_ms()) {
                    rows.insert(row.start.unix_ms(), row);
                }
            }
        }
        Ok(rows.into_values().take(limit).collect())
    }

    fn sealed_rows(
        &self,
        unit: u32,
        channel: ChannelId,
        tier: Tier,
        (from, to): (i64, i64),
        limit: usize,
        live: &BTreeSet<i64>,
    ) -> Result<BTreeMap<i64, Rollup>, StoreError> {
        let mut rows = BTreeMap::new();
        let length = self.options.rows_period_ms(tier);
        for period in self.cold.periods(shelf_of(tier), from, to, length) {
            let Some(engine) = self.cold.folder(shelf_of(tier), period, false)? else {
                continue;
            };
            let chunk_ms = keys::chunk_ms(tier);
            let start = keys::rows(unit, channel, row_start(from, chunk_ms));
            let end = keys::rows(unit, channel, to);
            let mut chunks = Vec::new();
            for item in engine.range(&start, &end) {
                let (key, _) = item?;
                let chunk = key
                    .get(9..17)
                    .and_then(|bytes| bytes.try_into().ok())
                    .map(crate::bytes::key_time)
                    .ok_or_else(|| corrupt("rollup chunk", "its key is damaged"))?;
                if chunks.last() != Some(&chunk) {
                    chunks.push(chunk);
                }
            }
            for chunk in chunks {
                for row in stored_rows(&engine, unit, channel, tier, chunk)? {
                    let start = row.start.unix_ms();
                    if (from..to).contains(&start) && !live.contains(&row_start(start, HOUR_MS)) {
                        rows.insert(start, row);
                    }
                }
                if rows.len() >= limit {
                    return Ok(rows);
                }
            }
        }
        Ok(rows)
    }
}

/// An event time; shorthand for the many conversions of this folder.
pub(super) const fn at(ms: i64) -> EventTime {
    EventTime::from_unix_ms(ms)
}

#[cfg(test)]
mod tests {
    use super::super::decoded::Decoded;
    use super::super::{Options, SledStore};
    use super::*;
    use crate::{Epoch, Incoming, PayloadDigest, Store};
    use std::sync::mpsc;
    use wheeltap_model::ServerTime;

    fn send(store: &SledStore, unit: &UnitId, sequence: u64, times: std::ops::Range<i64>) {
        let times_ms: Vec<i64> = times.map(|second| second * 1_000).collect();
        let column = Column {
            channel: ChannelId(1),
            values: vec![1.0; times_ms.len()],
            times_ms: times_ms.into(),
            qualities: Vec::new(),
        };
        let incoming = Incoming {
            unit: unit.clone(),
            epoch: Epoch([1; 16]),
            sequence,
            digest: PayloadDigest([0; 16]),
            received_at: ServerTime::from_unix_ms(0),
            batch: Arc::new(Batch {
                columns: vec![column],
                ..Batch::default()
            }),
        };
        let (sender, receiver) = mpsc::channel();
        let done = Box::new(move |outcome| drop(sender.send(outcome)));
        store.submit(vec![incoming], done);
        receiver.recv().unwrap().unwrap();
    }

    #[test]
    fn a_strip_that_went_into_another_is_no_empty_one() {
        let folder = tempfile::tempdir().unwrap();
        let options = Options {
            block_points: 100,
            strip_ms: 0,
            linger_ms: 0,
            ..Options::default()
        };
        let store = SledStore::open(folder.path(), options).unwrap();
        let shared = &store.shared;
        let unit = UnitId::new("ZVR 1").unwrap();
        let all = |store: &SledStore| {
            let read = store.read(&unit, ChannelId(1), at(i64::MIN), at(i64::MAX), usize::MAX);
            read.unwrap().len()
        };
        send(&store, &unit, 1, 0..60);
        store.upkeep(ServerTime::from_unix_ms(60_000)).unwrap();
        let before = shared.snapshot(&unit, i64::MIN, i64::MAX).unwrap();
        assert!(!before.strips.is_empty(), "cut and not sealed yet");
        // With these there are four blocks, and what is left goes into a strip of its own.
        send(&store, &unit, 2, 60..450);
        let mut moved = false;
        for minute in 2..5 {
            let now = ServerTime::from_unix_ms(minute * 60_000);
            store.upkeep(now).unwrap();
            *shared.decoded() = Decoded::default();
            moved |= shared.unpacked_all(&before).unwrap().is_none();
            assert_eq!(all(&store), 450);
        }
        assert!(
            moved,
            "a reader that noted the first strip is told that it moved"
        );
        let after = shared.snapshot(&unit, i64::MIN, i64::MAX).unwrap();
        let left = shared.unpacked_all(&after).unwrap().unwrap();
        let n_left: usize = left
            .iter()
            .chain(&after.heads)
            .map(|batch| batch.len())
            .sum();
        assert!(
            n_left > 0,
            "some are in no block, and the first strip's reader would have missed them"
        );
    }
}
