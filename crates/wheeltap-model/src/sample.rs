//! What units send: samples in columns, and events.

use crate::{ChannelId, EventTime};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// How far a value can be trusted, in the order in which two samples of one instant join.
///
/// The words are those of IEC 62541; *conflict* is ours. Only *good* feeds rules.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "lowercase")]
#[repr(u8)]
pub enum Quality {
    /// Outside the channel's range, or the sender says the sensor failed. The value is kept.
    Bad = 0,
    /// The sender doubts it.
    Uncertain = 1,
    /// Usable.
    #[default]
    Good = 2,
    /// Two different good values arrived for one instant: kept, counted, unusable.
    Conflict = 3,
}

impl Quality {
    /// The quality with this stored number.
    pub const fn from_u8(number: u8) -> Option<Self> {
        match number {
            0 => Some(Self::Bad),
            1 => Some(Self::Uncertain),
            2 => Some(Self::Good),
            3 => Some(Self::Conflict),
            _ => None,
        }
    }
}

/// One value of one channel at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// When it was true, by the unit's clock.
    pub time: EventTime,
    /// The value in the catalogue's unit of the channel; finite.
    pub value: f64,
    /// How far it can be trusted.
    pub quality: Quality,
}

impl Sample {
    /// Joins two samples of the same channel and instant; commutative, associative, idempotent.
    ///
    /// The higher rank wins. Equal good values collapse; differing good values give *conflict*,
    /// which carries the greater value so that the result does not depend on arrival. In the lower
    /// ranks, and between conflicts, the greater value stays.
    #[must_use]
    pub fn join(self, other: Self) -> Self {
        debug_assert_eq!(self.time, other.time, "only samples of one instant join");
        let (low, high) = if self.quality <= other.quality {
            (self, other)
        } else {
            (other, self)
        };
        if low.quality < high.quality {
            // A conflict already holds the greatest good value it has seen, so a further good
            // value may still have to raise it.
            return match (low.quality, high.quality) {
                (Quality::Good, Quality::Conflict) => Self {
                    value: greater(low.value, high.value),
                    ..high
                },
                _ => high,
            };
        }
        // Compared by `total_cmp`, so that -0.0 and 0.0 do not depend on which came first.
        let differ = low.value.total_cmp(&high.value).is_ne();
        let value = greater(low.value, high.value);
        match low.quality {
            Quality::Good if differ => Self {
                value,
                quality: Quality::Conflict,
                ..high
            },
            _ => Self { value, ..high },
        }
    }
}

fn greater(a: f64, b: f64) -> f64 {
    if a.total_cmp(&b).is_ge() { a } else { b }
}

/// One channel's part of a batch. Times are shared between columns where they are the same.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// The channel.
    pub channel: ChannelId,
    /// Unix milliseconds, not descending; as many as there are values.
    pub times_ms: Arc<[i64]>,
    /// Values in the catalogue's unit; finite.
    pub values: Vec<f64>,
    /// One quality a value, or empty when all are *good*.
    pub qualities: Vec<Quality>,
}

impl Column {
    /// The samples in order.
    pub fn samples(&self) -> impl Iterator<Item = Sample> + '_ {
        self.times_ms
            .iter()
            .zip(&self.values)
            .enumerate()
            .map(|(idx, (&ms, &value))| Sample {
                time: EventTime::from_unix_ms(ms),
                value,
                quality: self.qualities.get(idx).copied().unwrap_or_default(),
            })
    }
}

/// A dated thing with fields, such as one wheel slip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// The event channel.
    pub channel: ChannelId,
    /// When it began, by the unit's clock.
    pub time: EventTime,
    /// One value a field, in the catalogue's order of the channel's fields; `None` was not sent.
    pub fields: Vec<Option<f64>>,
}

/// What one unit sent in one piece, checked: known channels, finite values, times in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Batch {
    /// Sampled and held channels; a channel may occur once.
    pub columns: Vec<Column>,
    /// Events in any order.
    pub events: Vec<Event>,
    /// The sender promises that nothing older than this is still to come.
    pub complete_through: Option<EventTime>,
}

impl Batch {
    /// How many samples and events it holds.
    pub fn len(&self) -> usize {
        self.columns
            .iter()
            .map(|column| column.values.len())
            .sum::<usize>()
            + self.events.len()
    }

    /// Whether it holds nothing.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// First and last event time in it, or `None` when it is empty.
    pub fn span(&self) -> Option<(EventTime, EventTime)> {
        let columns = self.columns.iter().flat_map(|column| {
            [
                column.times_ms.first().copied(),
                column.times_ms.last().copied(),
            ]
            .into_iter()
            .flatten()
        });
        let events = self.events.iter().map(|event| event.time.unix_ms());
        let (mut first, mut last) = (i64::MAX, i64::MIN);
        for ms in columns.chain(events) {
            first = first.min(ms);
            last = last.max(ms);
        }
        (first <= last).then(|| {
            (
                EventTime::from_unix_ms(first),
                EventTime::from_unix_ms(last),
            )
        })
    }
}

/// One channel's samples over a stretch of time, joined: times strictly ascending.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    /// Unix milliseconds, strictly ascending.
    pub times_ms: Vec<i64>,
    /// One value a time.
    pub values: Vec<f64>,
    /// One quality a time, or empty when all are *good*.
    pub qualities: Vec<Quality>,
}

impl Series {
    /// How many samples it holds.
    pub fn len(&self) -> usize {
        self.times_ms.len()
    }

    /// Whether it holds none.
    pub fn is_empty(&self) -> bool {
        self.times_ms.is_empty()
    }

    /// The samples in order.
    pub fn samples(&self) -> impl Iterator<Item = Sample> + '_ {
        self.times_ms
            .iter()
            .zip(&self.values)
            .enumerate()
            .map(|(idx, (&ms, &value))| Sample {
                time: EventTime::from_unix_ms(ms),
                value,
                quality: self.qualities.get(idx).copied().unwrap_or_default(),
            })
    }

    /// Sorts samples by time and joins those of one instant.
    pub fn from_samples(mut samples: Vec<Sample>) -> Self {
        // A stable sort keeps an already ordered stretch cheap; the join makes order irrelevant.
        samples.sort_by_key(|sample| sample.time);
        let mut joined: Vec<Sample> = Vec::with_capacity(samples.len());
        for sample in samples {
            match joined.last_mut() {
                Some(last) if last.time == sample.time => *last = last.join(sample),
                _ => joined.push(sample),
            }
        }
        let all_good = joined.iter().all(|sample| sample.quality == Quality::Good);
        Self {
            times_ms: joined.iter().map(|sample| sample.time.unix_ms()).collect(),
            values: joined.iter().map(|sample| sample.value).collect(),
            qualities: if all_good {
                Vec::new()
            } else {
                joined.iter().map(|sample| sample.quality).collect()
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sample() -> impl Strategy<Value = Sample> {
        (0_u8..4, prop::sample::select(vec![-1.0, -0.0, 0.0, 2.5])).prop_map(|(quality, value)| {
            let quality = Quality::from_u8(quality).unwrap();
            Sample {
                time: EventTime::from_unix_ms(0),
                value,
                quality,
            }
        })
    }

    proptest! {
        // The law: any order and any repetition of arrivals joins to the same sample.
        #[test]
        fn join_is_a_semilattice(a in sample(), b in sample(), c in sample()) {
            let bits = |s: Sample| (s.value.to_bits(), s.quality);
            prop_assert_eq!(bits(a.join(b)), bits(b.join(a)));
            prop_assert_eq!(bits(a.join(b).join(c)), bits(a.join(b.join(c))));
            prop_assert_eq!(bits(a.join(a)), bits(a));
        }
    }
}
