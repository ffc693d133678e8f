//! Upkeep: strips are cut from the journal for every unit, so that none pins frames; blocks are
//! sealed from strips into cold folders, with the rows of the hours they touch; folders past
//! retention are dropped. Each step may be cut short anywhere and repeated.

use super::Shared;
use super::cold::{NewBlocks, Shelf, visit_blocks};
use super::keys;
use super::layout::{Floors, Strip, period_of};
use super::read::{at, shelf_of, stored_rows};
use super::writer::{Book, Group, NewStrip, Restrip};
use crate::block::{decode_block, encode_block, encode_rows};
use crate::bytes::put_varint;
use crate::codec::{encode_strip, pack, put_event};
use crate::engine::Engine;
use crate::merge::{roll_up, row_start, sort_events};
use crate::record::{COLD_PART, split};
use crate::{Rollup, StoreError, Tier, Upkeep};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::ops::ControlFlow;
use std::sync::{Arc, PoisonError, TryLockError};
use wheeltap_model::{Batch, ChannelId, Column, Event, Quality, Sample, Series, UnitId};

/// Strips of one unit and period that are merged into one.
const MERGE_STRIPS: usize = 32;
/// Samples cut or sealed before what was done is committed.
pub(super) const STEP_SAMPLES: usize = 1_000_000;
/// Samples sealed in one call, so that a call stays short.
const CALL_SAMPLES: usize = 8_000_000;
/// Events of one channel that make a full block of events.
const EVENT_BLOCK: usize = 512;
const HOUR_MS: i64 = super::HOUR_MS;

/// What is remembered between cuts.
#[derive(Debug, Default)]
pub(super) struct Cutting {
    /// When the oldest frame was first seen.
    frames_since: Option<i64>,
    /// The clock at the last upkeep.
    now_ms: i64,
}

/// Samples by channel and events by channel of some stretch.
#[derive(Default)]
struct Pile {
    samples: BTreeMap<ChannelId, Vec<Sample>>,
    events: BTreeMap<ChannelId, Vec<Event>>,
}

impl Pile {
    fn add(&mut self, batch: &Batch, floor: i64) {
        for column in &batch.columns {
            let samples = self.samples.entry(column.channel).or_default();
            samples.extend(column.samples().filter(|s| s.time.unix_ms() >= floor));
        }
        for event in &batch.events {
            if event.time.unix_ms() >= floor {
                let events = self.events.entry(event.channel).or_default();
                events.push(event.clone());
            }
        }
    }
}

/// Joined samples and sorted events of one unit in one period.
#[derive(Default)]
struct Sheaf {
    series: Vec<(ChannelId, Series)>,
    events: Vec<(ChannelId, Vec<Event>)>,
}

fn slice(series: &Series, from: usize, to: usize) -> Series {
    let mut out = Series {
        times_ms: series.times_ms[from..to].to_vec(),
        values: series.values[from..to].to_vec(),
        qualities: Vec::new(),
    };
    let qualities = series.qualities.get(from..to).unwrap_or_default();
    if qualities.iter().any(|quality| *quality != Quality::Good) {
        out.qualities = qualities.to_vec();
    }
    out
}

/// Joins a pile and splits it by period.
fn sheaves(pile: Pile, period_ms: i64) -> BTreeMap<i64, Sheaf> {
    let mut out: BTreeMap<i64, Sheaf> = BTreeMap::new();
    for (channel, samples) in pile.samples {
        let series = Series::from_samples(samples);
        let mut start = 0;
        while start < series.len() {
            let period = period_of(series.times_ms[start], period_ms);
            let next = period.saturating_add(period_ms);
            let end = series
                .times_ms
                .partition_point(|time| *time < next)
                .max(start + 1);
            let sheaf = out.entry(period).or_default();
            sheaf.series.push((channel, slice(&series, start, end)));
            start = end;
        }
    }
    for (channel, mut events) in pile.events {
        sort_events(&mut events);
        for event in events {
            let period = period_of(event.time.unix_ms(), period_ms);
            let sheaf = out.entry(period).or_default();
            match sheaf.events.last_mut() {
                Some((held, events)) if *held == channel => events.push(event),
                _ => sheaf.events.push((channel, vec![event])),
            }
        }
    }
    out
}

/// Packs what is in a sheaf as one strip; `None` when it is empty.
fn strip_of(sheaf: Sheaf, period: i64, now_ms: i64) -> Result<Option<NewStrip>, StoreError> {
    let mut axes: Vec<Arc<[i64]>> = Vec::new();
    let mut strip = Batch::default();
    let mut most = 0;
    for (channel, series) in sheaf.series {
        most = most.max(series.len());
        let known = axes.iter().find(|axis| axis[..] == series.times_ms[..]);
        let times_ms = known.map_or_else(|| series.times_ms.into(), Arc::clone);
        axes.push(Arc::clone(&times_ms));
        strip.columns.push(Column {
            channel,
            times_ms,
            values: series.values,
            qualities: series.qualities,
        });
    }
    for (_, events) in sheaf.events {
        most = most.max(events.len());
        strip.events.extend(events);
    }
    let Some((first, last)) = strip.span() else {
        return Ok(None);
    };
    let body = encode_strip(&strip).map_err(|error| StoreError::Engine {
        doing: "packing a strip",
        message: error.to_string(),
    })?;
    Ok(Some(NewStrip {
        period,
        body,
        first_ms: first.unix_ms(),
        last_ms: last.unix_ms(),
        most: u32::try_from(most).unwrap_or(u32::MAX),
        samples: u32::try_from(strip.len()).unwrap_or(u32::MAX),
        cut_at_ms: now_ms,
    }))
}

/// Strips of one unit in one period that are sealed together.
pub(super) struct Due {
    pub(super) unit: UnitId,
    pub(super) number: u32,
    period: i64,
    pub(super) strips: Vec<Strip>,
    /// Everything is to be sealed, however little.
    closed: bool,
}

/// Samples of some strips, all channels.
fn n_samples(strips: &[Strip]) -> usize {
    strips.iter().map(|(_, strip)| strip.samples as usize).sum()
}

/// Samples of the longest channel of some strips, if it is the same in all.
fn most_samples(strips: &[Strip]) -> usize {
    strips.iter().map(|(_, strip)| strip.most as usize).sum()
}

/// Parts what one unit has in one period where it is more than a step takes. A part that others follow
/// holds enough for a full block: sealing less would make a strip of it again and nothing else.
fn in_steps(strips: Vec<Strip>, block_points: usize) -> Vec<Vec<Strip>> {
    let (mut parts, mut part) = (Vec::new(), Vec::new());
    for strip in strips {
        let is_over = n_samples(&part) + strip.1.samples as usize > STEP_SAMPLES;
        if is_over && most_samples(&part) >= block_points {
            parts.push(std::mem::take(&mut part));
        }
        part.push(strip);
    }
    parts.push(part);
    parts
}

/// Takes what is sealed in one step: of one period, and no more samples than a step takes unless it is of one
/// unit.
pub(super) fn next_step(due: &mut VecDeque<Due>) -> Vec<Due> {
    let (mut step, mut in_step): (Vec<Due>, usize) = (Vec::new(), 0);
    while let Some(next) = due.pop_front_if(|next| {
        let fits = in_step + n_samples(&next.strips) <= STEP_SAMPLES;
        step.last()
            .is_none_or(|last| fits && last.period == next.period)
    }) {
        in_step += n_samples(&next.strips);
        step.push(next);
    }
    step
}

/// What one step did.
struct Step {
    n_blocks: u64,
    /// Strips of what was too short for a block.
    left: Vec<(UnitId, Vec<Strip>)>,
}

/// What was sealed in one call.
pub(super) struct Sealed {
    n_blocks: u64,
    /// Nothing is left that ends before where raw samples will be kept from; what cannot be read does not count.
    pub(super) is_old_done: bool,
}

impl Shared {
    pub(super) fn upkeep(&self, now_ms: i64) -> Result<Upkeep, StoreError> {
        // Sealing takes long, and the writer has to be able to cut strips meanwhile. That may be: it adds strips
        // and touches none, while sealing takes strips it has noted, and blocks, which nobody else touches.
        let _alone = self.upkeep.lock().unwrap_or_else(PoisonError::into_inner);
        let mut done = Upkeep {
            frames_stripped: self.cut_due(now_ms)?,
            ..Upkeep::default()
        };
        let floors = self.next_floors(now_ms);
        if floors.raw > self.read_layout().floors.raw {
            done.frames_stripped += self.cut_before(floors.raw, now_ms)?;
        }
        let sealed = self.seal_due(now_ms, floors.raw, CALL_SAMPLES)?;
        done.blocks_sealed = sealed.n_blocks;
        // Rows outlive the samples that they are made from, so these go once all of theirs are made.
        if sealed.is_old_done {
            self.raise_floors(floors, &mut done)?;
        }
        Ok(done)
    }

    /// Cuts strips when the oldest frame has waited long enough, or the heads weigh enough.
    fn cut_due(&self, now_ms: i64) -> Result<u64, StoreError> {
        let mut cutting = self.cutting();
        cutting.now_ms = now_ms;
        let (has_frames, head_bytes) = {
            let layout = self.read_layout();
            (!layout.frames.is_empty(), layout.head_bytes)
        };
        if !has_frames {
            return Ok(0);
        }
        let since = *cutting.frames_since.get_or_insert(now_ms);
        let is_old = now_ms.saturating_sub(since) >= self.options.strip_ms;
        if !is_old && head_bytes <= self.options.head_bytes / 2 {
            return Ok(0);
        }
        let n_dropped = self.cut(now_ms)?;
        cutting.frames_since = None;
        Ok(n_dropped)
    }

    /// Cuts strips if any frame holds something before an instant.
    fn cut_before(&self, floor: i64, now_ms: i64) -> Result<u64, StoreError> {
        let _cutting = self.cutting();
        let is_there = {
            let layout = self.read_layout();
            let mut heads = layout.units.values().flat_map(|unit| &unit.heads);
            heads.any(|(_, batch)| {
                batch
                    .span()
                    .is_some_and(|(first, _)| first.unix_ms() < floor)
            })
        };
        if is_there { self.cut(now_ms) } else { Ok(0) }
    }

    /// Called by the writer after each group: cuts strips at once when heads outgrow their bound
    /// and nobody is about it already.
    pub(super) fn relieve(&self, book: &mut Book) {
        if self.read_layout().head_bytes <= self.options.head_bytes {
            return;
        }
        let mut cutting = match self.cutting.try_lock() {
            Ok(cutting) => cutting,
            Err(TryLockError::Poisoned(poisoned)) => poisoned.into_inner(),
            Err(TryLockError::WouldBlock) => return,
        };
        let now_ms = cutting.now_ms;
        let cut = self.cut_by(now_ms, |change| {
            let mut group = Group::default();
            change(book, &mut group);
            self.settle(book, group);
            self.check_running()
        });
        cutting.frames_since = None;
        if let Err(error) = cut {
            self.stop(error.to_string());
        }
    }

    pub(super) fn cut(&self, now_ms: i64) -> Result<u64, StoreError> {
        let mut n_dropped = 0;
        self.cut_by(now_ms, |change| {
            n_dropped += self.change(change)?;
            Ok(())
        })?;
        Ok(n_dropped)
    }

    /// Cuts strips of every unit from the frames there are now, then drops these frames.
    fn cut_by(
        &self,
        now_ms: i64,
        mut commit: impl FnMut(super::upkeep::CutStep) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let (up_to, units, floor) = {
            let layout = self.read_layout();
            let Some((up_to, _)) = layout.frames.back().copied() else {
                return Ok(());
            };
            let units: Vec<UnitId> = layout
                .units
                .iter()
                .filter(|(_, unit)| unit.heads.front().is_some_and(|(lsn, _)| *lsn <= up_to))
                .map(|(unit, _)| unit.clone())
                .collect();
            (up_to, units, layout.floors.raw)
        };
        let (mut changes, mut n_samples) = (Vec::new(), 0);
        for unit in units {
            let heads = {
                let layout = self.read_layout();
                let Some(held) = layout.units.get(&unit) else {
                    continue;
                };
                let heads: Vec<Arc<Batch>> = held
                    .heads
                    .iter()
                    .take_while(|(lsn, _)| *lsn <= up_to)
                    .map(|(_, batch)| Arc::clone(batch))
                    .collect();
                (held.number, held.extent, heads)
            };
            let (number, extent, heads) = heads;
            let mut pile = Pile::default();
            for batch in &heads {
                pile.add(batch, floor);
                n_samples += batch.len();
            }
            let mut added = Vec::new();
            for (period, sheaf) in sheaves(pile, self.options.period_ms) {
                added.extend(strip_of(sheaf, period, now_ms)?);
            }
            changes.push(Restrip {
                unit,
                number,
                heads_up_to: up_to,
                extent,
                removed: Vec::new(),
                added,
            });
            if n_samples >= STEP_SAMPLES {
                let step = std::mem::take(&mut changes);
                commit(restrip_step(step))?;
                n_samples = 0;
            }
        }
        commit(Box::new(move |book, group| {
            book.restrip(group, changes);
            book.drop_frames(group, up_to)
        }))
    }

    /// Where retention stands now. It counts back from the newest event time stored, or from the clock if
    /// that is earlier: history that is loaded years later is kept like any other, and a unit whose clock
    /// runs ahead drops nothing.
    fn next_floors(&self, now_ms: i64) -> Floors {
        let options = &self.options;
        let layout = self.read_layout();
        let held = layout.floors;
        let Some(now_ms) = layout.newest().map(|newest| newest.min(now_ms)) else {
            return held;
        };
        let floor =
            |kept_ms: i64, length_ms: i64| period_of(now_ms.saturating_sub(kept_ms), length_ms);
        let rows = |tier: Tier, kept_ms: i64| floor(kept_ms, options.rows_period_ms(tier));
        Floors {
            raw: held.raw.max(floor(options.raw_ms, options.period_ms)),
            minute: held.minute.max(rows(Tier::Minute, options.minute_ms)),
            hour: held.hour.max(rows(Tier::Hour, options.hour_ms)),
        }
    }

    fn raise_floors(&self, floors: Floors, done: &mut Upkeep) -> Result<(), StoreError> {
        let options = &self.options;
        if floors != self.read_layout().floors {
            // Readers stop seeing what will be dropped before anything is.
            self.change(move |_, group| Book::raise_floors(group, floors))?;
        }
        for (shelf, floor, length) in [
            (Shelf::Raw, floors.raw, options.period_ms),
            (
                Shelf::Minute,
                floors.minute,
                options.rows_period_ms(Tier::Minute),
            ),
            (Shelf::Hour, floors.hour, options.rows_period_ms(Tier::Hour)),
        ] {
            done.periods_dropped += self.cold.drop_before(shelf, floor, length)?;
        }
        Ok(())
    }

    /// The groups of strips that are full, ended or many, and those that end before where raw samples will
    /// be kept from.
    pub(super) fn due(&self, now_ms: i64, raw_floor: i64) -> VecDeque<Due> {
        let layout = self.read_layout();
        let options = &self.options;
        let mut due = Vec::new();
        for (unit, held) in &layout.units {
            let mut strips = held.strips.iter().peekable();
            while let Some((key, strip)) = strips.next() {
                let period = key.0;
                let mut group = vec![(*key, *strip)];
                while let Some((key, strip)) = strips.next_if(|(key, _)| key.0 == period) {
                    group.push((*key, *strip));
                }
                let most = most_samples(&group);
                let first = group.iter().map(|(_, s)| s.first_ms).min().unwrap_or(0);
                let last = group.iter().map(|(_, s)| s.last_ms).max().unwrap_or(0);
                let cut_at = group.iter().map(|(_, s)| s.cut_at_ms).max().unwrap_or(0);
                let end = period.saturating_add(options.period_ms);
                let has_ended = now_ms >= end || held.extent.is_some_and(|(_, last)| last >= end);
                let closed = end <= raw_floor
                    || (has_ended && now_ms.saturating_sub(cut_at) >= options.linger_ms);
                let many = group.len() >= MERGE_STRIPS;
                let full = most >= options.block_points
                    && (most >= 4 * options.block_points || many || last - first >= HOUR_MS);
                // A lone strip that was merged already holds no full block.
                if closed || (group.len() > 1 && (full || many)) || (full && group.len() == 1) {
                    let parts = in_steps(group, options.block_points);
                    due.extend(parts.into_iter().map(|strips| Due {
                        unit: unit.clone(),
                        number: held.number,
                        period,
                        strips,
                        closed,
                    }));
                }
            }
        }
        // By period, so that few folders are open at once and each is synced once a step.
        due.sort_by(|a, b| (a.period, &a.unit).cmp(&(b.period, &b.unit)));
        due.into()
    }

    /// Seals what is due, oldest first, until `most` samples are passed.
    pub(super) fn seal_due(
        &self,
        now_ms: i64,
        raw_floor: i64,
        most: usize,
    ) -> Result<Sealed, StoreError> {
        let floor = self.read_layout().floors.raw;
        let (mut n_blocks, mut in_call) = (0, 0);
        let mut due = self.due(now_ms, raw_floor);
        while let Some(period) = due.front().map(|due| due.period)
            && in_call < most
        {
            let step = next_step(&mut due);
            in_call += step.iter().map(|due| n_samples(&due.strips)).sum::<usize>();
            let sealed = self.seal_step(period, step, floor, now_ms)?;
            n_blocks += sealed.n_blocks;
            // Left over of a unit's earlier part comes before its later one, so that blocks follow one another.
            if let Some(next) = due.front_mut().filter(|next| next.period == period) {
                let of_unit = sealed
                    .left
                    .into_iter()
                    .filter(|(unit, _)| *unit == next.unit);
                next.strips.extend(of_unit.flat_map(|(_, strips)| strips));
            }
        }
        let ends = |due: &Due| due.period.saturating_add(self.options.period_ms);
        Ok(Sealed {
            n_blocks,
            is_old_done: due.front().is_none_or(|due| ends(due) > raw_floor),
        })
    }

    /// Seals some units' strips of one period: blocks, synced; rows, synced; then the strips go.
    fn seal_step(
        &self,
        period: i64,
        step: Vec<Due>,
        floor: i64,
        now_ms: i64,
    ) -> Result<Step, StoreError> {
        let mut blocks: Option<NewBlocks> = None;
        let mut n_sealed = 0;
        let mut touched: BTreeMap<(u32, ChannelId), BTreeSet<i64>> = BTreeMap::new();
        let mut changes = Vec::new();
        for due in step {
            let mut pile = Pile::default();
            let mut is_whole = true;
            for ((_, id), _) in &due.strips {
                match self.strip(due.number, *id) {
                    Ok(Some(strip)) => pile.add(&strip, floor),
                    Ok(None) => {}
                    Err(
                        error @ (StoreError::Corrupt { .. } | StoreError::UnknownVersion { .. }),
                    ) => {
                        // The others of its unit stay with it: what can be read stays readable.
                        tracing::error!(unit = %due.unit, strip = id, %error, "a strip is not sealed");
                        is_whole = false;
                        break;
                    }
                    Err(error) => return Err(error),
                }
            }
            if !is_whole {
                continue;
            }
            let sheaf = sheaves(pile, self.options.period_ms)
                .remove(&period)
                .unwrap_or_default();
            let (full, rest) = self.part_full(sheaf, due.closed);
            if !(full.series.is_empty() && full.events.is_empty()) {
                let blocks = match &mut blocks {
                    Some(blocks) => blocks,
                    None => blocks.insert(NewBlocks::new(self.cold_folder(Shelf::Raw, period)?)),
                };
                n_sealed += self.put_blocks(blocks, due.number, &full, &mut touched)?;
            }
            let removed: Vec<_> = due.strips.iter().map(|(key, s)| (*key, s.parts)).collect();
            // Leftovers keep the time of their newest strip, or merging would keep them for ever.
            let cut_at = due.strips.iter().map(|(_, s)| s.cut_at_ms).max();
            let added = strip_of(rest, period, cut_at.unwrap_or(now_ms))?;
            changes.push(Restrip {
                unit: due.unit,
                number: due.number,
                heads_up_to: 0,
                extent: None,
                removed,
                added: added.into_iter().collect(),
            });
        }
        if let Some(blocks) = blocks {
            let engine = blocks.write()?;
            for tier in [Tier::Minute, Tier::Hour] {
                self.put_rows(&engine, tier, period, &touched)?;
            }
        }
        let left = self.change(move |book, group| book.restrip(group, changes))?;
        Ok(Step {
            n_blocks: n_sealed,
            left,
        })
    }

    fn cold_folder(&self, of: Shelf, start: i64) -> Result<Arc<Engine>, StoreError> {
        self.cold
            .folder(of, start, true)?
            .ok_or_else(|| StoreError::Engine {
                doing: "making a cold folder",
                message: "it was not made".to_owned(),
            })
    }

    /// Parts what fills blocks from what waits for more.
    fn part_full(&self, sheaf: Sheaf, closed: bool) -> (Sheaf, Sheaf) {
        let points = self.options.block_points;
        let (mut full, mut rest) = (Sheaf::default(), Sheaf::default());
        for (channel, series) in sheaf.series {
            let n = if closed {
                series.len()
            } else {
                series.len() / points * points
            };
            if n > 0 {
                full.series.push((channel, slice(&series, 0, n)));
            }
            if n < series.len() {
                rest.series.push((channel, slice(&series, n, series.len())));
            }
        }
        for (channel, events) in sheaf.events {
            if closed || events.len() >= points.min(EVENT_BLOCK) {
                full.events.push((channel, events));
            } else {
                rest.events.push((channel, events));
            }
        }
        (full, rest)
    }

    fn put_blocks(
        &self,
        blocks: &mut NewBlocks,
        unit: u32,
        full: &Sheaf,
        touched: &mut BTreeMap<(u32, ChannelId), BTreeSet<i64>>,
    ) -> Result<u64, StoreError> {
        let mut n_sealed = 0;
        for (channel, series) in &full.series {
            let hours = touched.entry((unit, *channel)).or_default();
            hours.extend(series.times_ms.iter().map(|time| row_start(*time, HOUR_MS)));
            let mut start = 0;
            while start < series.len() {
                let end = series.len().min(start + self.options.block_points);
                let block = slice(series, start, end);
                let span = (block.times_ms[0], block.times_ms[block.len() - 1]);
                let body = encode_block(&block)?;
                blocks.put(keys::BLOCK, (unit, *channel), span, body)?;
                n_sealed += 1;
                start = end;
            }
        }
        for (channel, events) in &full.events {
            for events in events.chunks(EVENT_BLOCK) {
                let (Some(first), Some(last)) = (events.first(), events.last()) else {
                    continue;
                };
                let mut raw = Vec::new();
                put_varint(&mut raw, events.len() as u64);
                for event in events {
                    put_event(&mut raw, event);
                }
                let body = pack(&raw).map_err(|error| StoreError::Engine {
                    doing: "packing events",
                    message: error.to_string(),
                })?;
                let span = (first.time.unix_ms(), last.time.unix_ms());
                blocks.put(keys::EVENT_BLOCK, (unit, *channel), span, body)?;
                n_sealed += 1;
            }
        }
        Ok(n_sealed)
    }

    /// Computes the rows of the hours that new blocks touch from all blocks there, and stores them.
    /// Readers compute these hours themselves until the strips that touched them are gone.
    fn put_rows(
        &self,
        raw: &Engine,
        tier: Tier,
        period: i64,
        touched: &BTreeMap<(u32, ChannelId), BTreeSet<i64>>,
    ) -> Result<(), StoreError> {
        let folder = period_of(period, self.options.rows_period_ms(tier));
        let engine = self.cold_folder(shelf_of(tier), folder)?;
        let chunk_ms = keys::chunk_ms(tier);
        let mut batch = sled::Batch::default();
        for (&(unit, channel), hours) in touched {
            let mut chunks: BTreeMap<i64, BTreeSet<i64>> = BTreeMap::new();
            for hour in hours {
                chunks
                    .entry(row_start(*hour, chunk_ms))
                    .or_default()
                    .insert(*hour);
            }
            for (chunk, hours) in chunks {
                let fresh = match Self::rows_of_hours(raw, tier, (unit, channel), &hours) {
                    Ok(rows) => rows,
                    Err(
                        error @ (StoreError::Corrupt { .. } | StoreError::UnknownVersion { .. }),
                    ) => {
                        // Reading these hours says so too; their rows stay as they were.
                        tracing::error!(unit, channel = channel.0, %error, "rows are not renewed");
                        continue;
                    }
                    Err(error) => return Err(error),
                };
                let held = match stored_rows(&engine, unit, channel, tier, chunk) {
                    Ok(rows) => rows,
                    Err(
                        error @ (StoreError::Corrupt { .. } | StoreError::UnknownVersion { .. }),
                    ) => {
                        tracing::error!(unit, channel = channel.0, %error, "rows are replaced");
                        Vec::new()
                    }
                    Err(error) => return Err(error),
                };
                let mut rows: Vec<Rollup> = held
                    .into_iter()
                    .filter(|row| !hours.contains(&row_start(row.start.unix_ms(), HOUR_MS)))
                    .chain(fresh)
                    .collect();
                rows.sort_by_key(|row| row.start);
                let body = encode_rows(&rows, chunk, tier.length_ms())?;
                for (key, record) in split(&keys::rows(unit, channel, chunk), &body, COLD_PART) {
                    batch.insert(key, record);
                }
            }
        }
        engine.apply(batch)?;
        engine.sync()
    }

    fn rows_of_hours(
        raw: &Engine,
        tier: Tier,
        of: (u32, ChannelId),
        hours: &BTreeSet<i64>,
    ) -> Result<Vec<Rollup>, StoreError> {
        let (Some(first), Some(last)) = (hours.first(), hours.last()) else {
            return Ok(Vec::new());
        };
        let span = (*first, last.saturating_add(HOUR_MS - 1));
        let mut samples = Vec::new();
        let _ = visit_blocks(raw, keys::BLOCK, of, span, |_, body| {
            let block = decode_block(body)?;
            samples.extend(
                block
                    .samples()
                    .filter(|s| (at(span.0)..=at(span.1)).contains(&s.time)),
            );
            Ok(ControlFlow::Continue(()))
        })?;
        let mut rows = roll_up(Series::from_samples(samples).samples(), tier);
        rows.retain(|row| hours.contains(&row_start(row.start.unix_ms(), HOUR_MS)));
        Ok(rows)
    }
}

/// One commit of a cut; it gives the number of frames dropped.
type CutStep = Box<dyn FnOnce(&mut Book, &mut Group) -> u64 + Send>;

fn restrip_step(changes: Vec<Restrip>) -> CutStep {
    Box::new(move |book, group| {
        book.restrip(group, changes);
        0
    })
}
