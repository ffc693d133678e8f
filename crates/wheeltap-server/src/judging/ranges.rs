//! Which sequences of which sources were judged.

use super::cursor::hex;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use wheeltap_store::{Epoch, SourceRanges};

/// Sequences by source, as inclusive ranges that do not touch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Judged {
    sources: BTreeMap<Epoch, BTreeMap<u64, u64>>,
}

/// As stored: epoch in hexadecimal digits, then ranges.
#[derive(Debug, Serialize, Deserialize)]
pub struct StoredSource(String, Vec<(u64, u64)>);

impl Judged {
    /// Adds one sequence.
    pub fn insert(&mut self, epoch: Epoch, sequence: u64) {
        self.insert_range(epoch, sequence, sequence);
    }

    fn insert_range(&mut self, epoch: Epoch, mut first: u64, mut last: u64) {
        let ranges = self.sources.entry(epoch).or_default();
        let touches = |range: (&u64, &u64), first: u64| range.1.saturating_add(1) >= first;
        while let Some((&from, &to)) = ranges
            .range(..=last.saturating_add(1))
            .next_back()
            .filter(|range| touches(*range, first))
        {
            first = first.min(from);
            last = last.max(to);
            ranges.remove(&from);
        }
        ranges.insert(first, last);
    }

    /// All that the store holds of these sources.
    pub fn of(sources: &[SourceRanges]) -> Self {
        let mut held = Self::default();
        for source in sources {
            for (first, last) in &source.ranges {
                held.insert_range(source.epoch, *first, *last);
            }
        }
        held
    }

    /// Adds all that is in another.
    pub fn merge(&mut self, other: Self) {
        for (epoch, ranges) in other.sources {
            for (first, last) in ranges {
                self.insert_range(epoch, first, last);
            }
        }
    }

    /// Whether a sequence is in it.
    pub fn contains(&self, epoch: Epoch, sequence: u64) -> bool {
        self.covers(epoch, sequence, sequence)
    }

    fn covers(&self, epoch: Epoch, first: u64, last: u64) -> bool {
        self.sources.get(&epoch).is_some_and(|ranges| {
            ranges
                .range(..=first)
                .next_back()
                .is_some_and(|(_, to)| *to >= last)
        })
    }

    /// Whether all that is in another is in it.
    pub fn contains_all(&self, other: &Self) -> bool {
        other.sources.iter().all(|(epoch, ranges)| {
            let mut ranges = ranges.iter();
            ranges.all(|(first, last)| self.covers(*epoch, *first, *last))
        })
    }

    /// For storing.
    pub fn to_stored(&self) -> Vec<StoredSource> {
        self.sources
            .iter()
            .map(|(epoch, ranges)| {
                let ranges = ranges.iter().map(|(first, last)| (*first, *last)).collect();
                StoredSource(hex(&epoch.0), ranges)
            })
            .collect()
    }

    /// From what was stored; `None` when it is not what [`Judged::to_stored`] writes.
    pub fn from_stored(stored: &[StoredSource]) -> Option<Self> {
        let mut judged = Self::default();
        for StoredSource(digits, ranges) in stored {
            let mut epoch = [0; 16];
            if digits.len() != 32 {
                return None;
            }
            for (idx, byte) in epoch.iter_mut().enumerate() {
                *byte = u8::from_str_radix(digits.get(2 * idx..2 * idx + 2)?, 16).ok()?;
            }
            for (first, last) in ranges {
                if first > last {
                    return None;
                }
                judged.insert_range(Epoch(epoch), *first, *last);
            }
        }
        Some(judged)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_join_and_are_read_back() {
        let epoch = Epoch([0xa7; 16]);
        let mut judged = Judged::default();
        for sequence in [5, 1, 3, 2, 9, 4, 9, u64::MAX] {
            judged.insert(epoch, sequence);
        }
        let ranges = vec![(1, 5), (9, 9), (u64::MAX, u64::MAX)];
        let held = |ranges: Vec<(u64, u64)>| Judged::of(&[SourceRanges { epoch, ranges }]);
        assert!(judged.contains_all(&held(ranges)));
        assert!(!judged.contains_all(&held(vec![(1, 6)])));
        assert!(judged.contains(epoch, 3) && !judged.contains(epoch, 6));
        assert!(!judged.contains(Epoch([0; 16]), 3));
        let stored = serde_json::to_vec(&judged.to_stored()).unwrap();
        let stored: Vec<StoredSource> = serde_json::from_slice(&stored).unwrap();
        assert_eq!(stored[0].1.len(), 3, "touching ranges are one");
        assert_eq!(Judged::from_stored(&stored), Some(judged));
        assert_eq!(
            Judged::from_stored(&[StoredSource("xyz".into(), vec![])]),
            None
        );
    }
}
