//! Sets of sequence numbers as merged inclusive ranges: what a source has had settled.

/// Ascending inclusive ranges that neither overlap nor touch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Ranges(Vec<(u64, u64)>);

impl Ranges {
    pub(crate) fn as_slice(&self) -> &[(u64, u64)] {
        &self.0
    }

    /// Takes stored ranges; `None` unless they ascend without touching.
    pub(crate) fn from_sorted(ranges: Vec<(u64, u64)>) -> Option<Self> {
        let ordered = ranges.iter().all(|&(first, last)| first <= last)
            && ranges.windows(2).all(|pair| {
                pair[0]
                    .1
                    .checked_add(1)
                    .is_some_and(|next| next < pair[1].0)
            });
        ordered.then_some(Self(ranges))
    }

    pub(crate) fn contains(&self, sequence: u64) -> bool {
        let idx = self.0.partition_point(|&(_, last)| last < sequence);
        self.0.get(idx).is_some_and(|&(first, _)| first <= sequence)
    }

    /// Adds one number; `false` when it was there.
    pub(crate) fn insert(&mut self, sequence: u64) -> bool {
        // The first range that could hold the number or touch it from either side.
        let idx = self
            .0
            .partition_point(|&(_, last)| last.saturating_add(1) < sequence);
        match self.0.get(idx).copied() {
            Some((first, last)) if first <= sequence && sequence <= last => return false,
            Some((first, last)) if last.checked_add(1) == Some(sequence) => {
                self.0[idx] = (first, sequence);
                if let Some(&(next_first, next_last)) = self.0.get(idx + 1)
                    && sequence.checked_add(1) == Some(next_first)
                {
                    self.0[idx] = (first, next_last);
                    self.0.remove(idx + 1);
                }
            }
            Some((first, last)) if sequence.checked_add(1) == Some(first) => {
                self.0[idx] = (sequence, last);
            }
            _ => self.0.insert(idx, (sequence, sequence)),
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    proptest! {
        // The law: the ranges hold exactly the numbers inserted, in the one canonical form.
        #[test]
        fn ranges_are_the_set(numbers in prop::collection::vec(
            prop_oneof![0_u64..40, Just(u64::MAX), Just(u64::MAX - 1)], 0..60)
        ) {
            let (mut ranges, mut set) = (Ranges::default(), BTreeSet::new());
            for number in numbers {
                prop_assert_eq!(ranges.insert(number), set.insert(number));
            }
            for number in (0..42).chain([u64::MAX - 2, u64::MAX - 1, u64::MAX]) {
                prop_assert_eq!(ranges.contains(number), set.contains(&number));
            }
            prop_assert!(Ranges::from_sorted(ranges.as_slice().to_vec()).is_some());
        }
    }
}
