//! Which batches the thread that judges rules that ask mates has not taken.
//!
//! The shard that judges the sender's own rules writes with its commits from which instant on there are
//! untaken batches; a unit whose data became late by a batch is marked in the store before the batch is
//! taken. So whenever a service is killed, each batch is taken, or behind a mark, or not known to be judged
//! at all, and then everybody who asks its sender is judged again over the whole horizon.

use super::memory::Left;
use std::collections::{BTreeMap, HashMap};
use std::sync::{Mutex, PoisonError};
use wheeltap_model::{EventTime, UnitId};
use wheeltap_store::Epoch;

/// Batches of each unit that the thread was told of, or will be, and has not taken.
#[derive(Default)]
pub struct Untaken {
    by_unit: Mutex<ByUnit>,
}

/// First event times, by source and number.
type Batches = BTreeMap<(Epoch, u64), EventTime>;
type ByUnit = HashMap<UnitId, Batches>;

/// Stands for batches of which nothing is known but that they are stored.
const SOME: (Epoch, u64) = (Epoch([0; 16]), 0);

impl Untaken {
    fn units(&self) -> std::sync::MutexGuard<'_, ByUnit> {
        self.by_unit.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds a batch that is on disk, with its first event time.
    pub fn add(&self, unit: &UnitId, (epoch, sequence): (Epoch, u64), first: EventTime) {
        let mut units = self.units();
        let batches = units.entry(unit.clone()).or_default();
        batches.insert((epoch, sequence), first);
    }

    /// A batch is taken, or what it makes late is marked in the store.
    pub fn take(&self, unit: &UnitId, batch: (Epoch, u64)) {
        let mut units = self.units();
        if let Some(batches) = units.get_mut(unit) {
            batches.remove(&batch);
            if batches.is_empty() {
                units.remove(unit);
            }
        }
    }

    /// The earliest event time of a unit's untaken batches.
    pub fn first(&self, unit: &UnitId) -> Option<EventTime> {
        self.units().get(unit)?.values().min().copied()
    }

    /// From when on the service before this one may not have taken a unit's batches.
    pub fn left(&self, unit: &UnitId) -> Option<EventTime> {
        self.units().get(unit)?.get(&SOME).copied()
    }

    /// What it left is marked in the store.
    pub fn take_left(&self, unit: &UnitId) {
        self.take(unit, SOME);
    }

    /// Adds what the service before this one left of a unit. To be called before any judging begins.
    pub fn recover(&self, unit: &UnitId, left: &Left) {
        let from = if left.is_all_judged() {
            left.memory.asked_from
        } else {
            Some(EventTime::from_unix_ms(i64::MIN))
        };
        if let Some(from) = from {
            self.add(unit, SOME, from);
        }
    }
}
