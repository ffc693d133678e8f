//! The published layout: where everything durable is right now.
//!
//! Data moves one way, from heads (what is in the journal, as sent) to strips to blocks, and each
//! move is written at its new place, synced, and published before the old place is emptied. So a
//! reader that notes heads and strips in one moment, then reads the strips, then lists and reads
//! blocks, misses nothing however far the data moves meanwhile; what it meets twice joins to once.
//! What does not fill a block goes from strips into another strip: a reader that finds one of its
//! strips gone notes them again.

use crate::merge::row_start;
use crate::ranges::Ranges;
use crate::{Epoch, StoreError};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Arc;
use wheeltap_model::{Batch, ChannelId, ChannelName, UnitId};

/// Everything that readers need to know.
#[derive(Debug, Default)]
pub(crate) struct Layout {
    pub(crate) channels: HashMap<ChannelName, ChannelId>,
    pub(crate) units: HashMap<UnitId, UnitLayout>,
    /// Journal frames from the oldest: number and parts.
    pub(crate) frames: VecDeque<(u64, u16)>,
    /// What the heads of all units weigh.
    pub(crate) head_bytes: usize,
    pub(crate) ledger_last: u64,
    pub(crate) floors: Floors,
}

/// One unit.
#[derive(Debug)]
pub(crate) struct UnitLayout {
    pub(crate) number: u32,
    /// Most recently used last.
    pub(crate) sources: Vec<(Epoch, Ranges)>,
    /// Batches that are in the journal and in no strip, with the number of their frame.
    pub(crate) heads: VecDeque<(u64, Arc<Batch>)>,
    /// By period and id.
    pub(crate) strips: BTreeMap<(i64, u64), StripRef>,
    pub(crate) extent: Option<(i64, i64)>,
}

impl Layout {
    /// Newest event time stored of any unit, Unix milliseconds.
    pub(crate) fn newest(&self) -> Option<i64> {
        self.units
            .values()
            .filter_map(|unit| unit.extent)
            .map(|(_, last)| last)
            .max()
    }
}

impl UnitLayout {
    pub(crate) const fn new(number: u32) -> Self {
        Self {
            number,
            sources: Vec::new(),
            heads: VecDeque::new(),
            strips: BTreeMap::new(),
            extent: None,
        }
    }

    pub(crate) fn widen(&mut self, first: i64, last: i64) {
        self.extent = Some(
            self.extent
                .map_or((first, last), |(a, b)| (a.min(first), b.max(last))),
        );
    }

    pub(crate) fn use_source(&mut self, epoch: Epoch, ranges: Ranges) {
        self.sources.retain(|(held, _)| *held != epoch);
        self.sources.push((epoch, ranges));
    }
}

/// A strip by period and id.
pub(crate) type Strip = ((i64, u64), StripRef);

/// One strip on disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct StripRef {
    pub(crate) parts: u16,
    pub(crate) first_ms: i64,
    pub(crate) last_ms: i64,
    /// Samples of the channel that has most.
    pub(crate) most: u32,
    /// Samples and events of all channels.
    pub(crate) samples: u32,
    /// When it was cut, by the clock that upkeep was given.
    pub(crate) cut_at_ms: i64,
}

/// Instants in Unix milliseconds before which retention has dropped everything; they only rise.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Floors {
    pub(crate) raw: i64,
    pub(crate) minute: i64,
    pub(crate) hour: i64,
}

impl Default for Floors {
    fn default() -> Self {
        Self {
            raw: i64::MIN,
            minute: i64::MIN,
            hour: i64::MIN,
        }
    }
}

/// What a batch weighs in memory, about.
pub(crate) fn weight(batch: &Batch) -> usize {
    let mut bytes = 128 + batch.events.len() * 96;
    let mut last_axis: Option<&Arc<[i64]>> = None;
    for column in &batch.columns {
        bytes += 96 + column.values.len() * 8 + column.qualities.len();
        if last_axis.is_none_or(|axis| !Arc::ptr_eq(axis, &column.times_ms)) {
            bytes += column.times_ms.len() * 8;
        }
        last_axis = Some(&column.times_ms);
    }
    bytes
}

/// The period that a time falls in.
pub(crate) fn period_of(time_ms: i64, period_ms: i64) -> i64 {
    row_start(time_ms, period_ms)
}

/// An unknown unit has nothing; a known one is looked at under the lock.
pub(crate) fn stopped(cause: &str) -> StoreError {
    StoreError::Stopped {
        cause: cause.to_owned(),
    }
}
