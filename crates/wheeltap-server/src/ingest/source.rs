//! Sources on streams: what is settled of each, and which stream of a unit is the newest.

use super::schema::Digest;
use super::stream::Note;
use crate::UnitRecord;
use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::mpsc::WeakUnboundedSender;
use wheeltap_model::UnitId;
use wheeltap_store::Epoch;

/// Sequences settled durably, as inclusive ranges, ascending, not touching.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ranges(Vec<(u64, u64)>);

impl Ranges {
    /// From what the store says.
    pub const fn new(ranges: Vec<(u64, u64)>) -> Self {
        Self(ranges)
    }

    /// Whether a sequence is in it.
    pub fn contains(&self, sequence: u64) -> bool {
        let after = self.0.partition_point(|(first, _)| *first <= sequence);
        after > 0 && self.0[after - 1].1 >= sequence
    }

    /// Adds a sequence.
    pub fn insert(&mut self, sequence: u64) {
        let after = self.0.partition_point(|(first, _)| *first <= sequence);
        if after > 0 && self.0[after - 1].1 >= sequence {
            return;
        }
        let joins_left = after > 0 && self.0[after - 1].1.checked_add(1) == Some(sequence);
        let joins_right = self
            .0
            .get(after)
            .is_some_and(|(first, _)| sequence.checked_add(1) == Some(*first));
        match (joins_left, joins_right) {
            (true, true) => {
                let (_, last) = self.0.remove(after);
                self.0[after - 1].1 = last;
            }
            (true, false) => self.0[after - 1].1 = sequence,
            (false, true) => self.0[after].0 = sequence,
            (false, false) => self.0.insert(after, (sequence, sequence)),
        }
    }

    /// The ranges.
    pub fn as_slice(&self) -> &[(u64, u64)] {
        &self.0
    }
}

/// One opened source of a stream.
#[derive(Debug)]
pub struct Source {
    /// The gateway's number for it on its stream.
    pub number: u32,
    /// The unit as it was when the source was opened.
    pub unit: Arc<UnitRecord>,
    /// The spool.
    pub epoch: Epoch,
    fenced: AtomicBool,
    settled: Mutex<Ranges>,
    damaged: Mutex<Damaged>,
}

/// Batches that are asked for again at a time; any more go to quarantine at once.
const MOST_DAMAGED: usize = 256;

/// Batches of a source whose checksum did not match, by sequence, until they come again.
#[derive(Debug, Default)]
struct Damaged(HashMap<u64, Digest>);

impl Damaged {
    fn may_be_whole(&mut self, sequence: u64, payload: Digest) -> bool {
        if self.0.len() >= MOST_DAMAGED && !self.0.contains_key(&sequence) {
            return false;
        }
        let before = self.0.insert(sequence, payload);
        if before == Some(payload) {
            self.0.remove(&sequence);
            return false;
        }
        true
    }

    fn came_whole(&mut self, sequence: u64) {
        self.0.remove(&sequence);
    }
}

impl Source {
    /// A source of which `settled` is held.
    pub fn new(number: u32, unit: Arc<UnitRecord>, epoch: Epoch, settled: Ranges) -> Self {
        Self {
            number,
            unit,
            epoch,
            fenced: AtomicBool::new(false),
            settled: Mutex::new(settled),
            damaged: Mutex::default(),
        }
    }

    /// Whether a batch whose checksum does not match should be sent again: it may have been damaged on the way, and
    /// the gateway's copy be whole. Once only: what comes again alike was damaged before it was sent.
    pub fn may_be_whole(&self, sequence: u64, payload: Digest) -> bool {
        let mut damaged = self.damaged.lock().unwrap_or_else(PoisonError::into_inner);
        damaged.may_be_whole(sequence, payload)
    }

    /// Takes note of a batch whose checksum matches: another may be asked for again in its place.
    pub fn came_whole(&self, sequence: u64) {
        let mut damaged = self.damaged.lock().unwrap_or_else(PoisonError::into_inner);
        damaged.came_whole(sequence);
    }

    /// Whether a newer stream has taken over.
    pub fn is_fenced(&self) -> bool {
        self.fenced.load(Ordering::Acquire)
    }

    /// What is settled.
    pub fn settled(&self) -> MutexGuard<'_, Ranges> {
        self.settled.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A unit's newest source, and where its stream is told.
type Newest = HashMap<UnitId, (Arc<Source>, WeakUnboundedSender<Note>)>;

/// The newest source of every unit that has a stream.
#[derive(Default)]
pub struct Registry {
    newest: Mutex<Newest>,
}

impl Registry {
    fn newest(&self) -> MutexGuard<'_, Newest> {
        self.newest.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Makes this the unit's source; an older one is fenced and told.
    pub fn take_over(&self, source: &Arc<Source>, notes: WeakUnboundedSender<Note>) {
        let unit = source.unit.unit.id.clone();
        let older = self.newest().insert(unit, (Arc::clone(source), notes));
        if let Some((older, notes)) = older {
            older.fenced.store(true, Ordering::Release);
            tracing::info!(unit = %older.unit.unit.id, "a newer stream takes over");
            if let Some(notes) = notes.upgrade() {
                // A stream that has ended needs no telling.
                let _ = notes.send(Note::Fenced(older.number));
            }
        }
    }

    /// Forgets a source whose stream has ended, unless a newer one has taken over.
    pub fn leave(&self, source: &Arc<Source>) {
        let mut newest = self.newest();
        let unit = &source.unit.unit.id;
        if newest
            .get(unit)
            .is_some_and(|(held, _)| Arc::ptr_eq(held, source))
        {
            newest.remove(unit);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn a_damaged_batch_is_asked_for_again_until_it_comes_alike() {
        let mut damaged = Damaged::default();
        assert!(damaged.may_be_whole(7, [1; 16]));
        assert!(damaged.may_be_whole(7, [2; 16]));
        assert!(damaged.may_be_whole(8, [1; 16]));
        assert!(!damaged.may_be_whole(7, [2; 16]));
        for sequence in 0..2 * MOST_DAMAGED as u64 {
            damaged.may_be_whole(100 + sequence, [3; 16]);
        }
        // There is room for no more until one has come again.
        assert!(!damaged.may_be_whole(9, [1; 16]));
        assert!(!damaged.may_be_whole(8, [1; 16]));
        assert!(damaged.may_be_whole(9, [1; 16]));
        assert!(!damaged.may_be_whole(10, [1; 16]));
        damaged.came_whole(9);
        assert!(damaged.may_be_whole(10, [1; 16]));
    }

    // The law: ranges hold exactly the numbers inserted, ascending and not touching.
    #[test]
    fn ranges_hold_what_was_inserted_in_any_order() {
        let mut state = 12_345_u64;
        for _ in 0..200 {
            let (mut ranges, mut set) = (Ranges::default(), BTreeSet::new());
            for _ in 0..20 {
                // A small linear congruential generator, so that numbers collide and touch.
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                let number = (state >> 33) % 16;
                ranges.insert(number);
                set.insert(number);
                for n in 0..17 {
                    assert_eq!(ranges.contains(n), set.contains(&n), "{ranges:?} {n}");
                }
                let apart = ranges
                    .as_slice()
                    .windows(2)
                    .all(|pair| pair[0].1 + 1 < pair[1].0);
                assert!(apart, "{ranges:?}");
            }
        }
        let mut top = Ranges::default();
        top.insert(u64::MAX);
        top.insert(u64::MAX - 1);
        assert_eq!(top.as_slice(), [(u64::MAX - 1, u64::MAX)]);
    }
}
