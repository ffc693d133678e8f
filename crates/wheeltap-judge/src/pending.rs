//! Samples of one channel that wait for their tick, in columns: what is fed whole is taken whole.

use wheeltap_model::{EventTime, Quality, Sample, Series};

/// Samples not yet taken into windows. Once settled, times strictly ascend.
#[derive(Debug, Default)]
pub(crate) struct Pending {
    times_ms: Vec<i64>,
    values: Vec<f64>,
    /// One a sample, or empty while all are good.
    qualities: Vec<Quality>,
    /// The first one not taken.
    next: usize,
    /// Some time is not later than the one before it.
    is_mixed: bool,
}

/// A stretch of samples of one channel.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Columns<'a> {
    pub times_ms: &'a [i64],
    pub values: &'a [f64],
    /// One a sample, or empty when all are good.
    pub qualities: &'a [Quality],
}

impl Pending {
    /// Adds samples whose times do not descend.
    pub(crate) fn extend(&mut self, more: Columns<'_>) {
        let Some(first) = more.times_ms.first() else {
            return;
        };
        let goes_on = self.times_ms.last().is_none_or(|last| last < first);
        self.is_mixed |= !goes_on || more.times_ms.windows(2).any(|pair| pair[0] >= pair[1]);
        if !more.qualities.is_empty() || !self.qualities.is_empty() {
            self.qualities.resize(self.times_ms.len(), Quality::Good);
            self.qualities.extend_from_slice(more.qualities);
            let n_samples = self.times_ms.len() + more.times_ms.len();
            self.qualities.resize(n_samples, Quality::Good);
        }
        self.times_ms.extend_from_slice(more.times_ms);
        self.values.extend_from_slice(more.values);
    }

    /// Adds one sample later than all others.
    pub(crate) fn push(&mut self, sample: Sample) {
        self.extend(Columns {
            times_ms: &[sample.time.unix_ms()],
            values: &[sample.value],
            qualities: match sample.quality {
                Quality::Good => &[],
                Quality::Bad => &[Quality::Bad],
                Quality::Uncertain => &[Quality::Uncertain],
                Quality::Conflict => &[Quality::Conflict],
            },
        });
    }

    /// Brings what is not taken into order; samples of one instant join.
    pub(crate) fn settle(&mut self) {
        if !std::mem::take(&mut self.is_mixed) {
            return;
        }
        let rest = self.columns(self.times_ms.len()).samples().collect();
        let Series {
            times_ms,
            values,
            qualities,
        } = Series::from_samples(rest);
        *self = Self {
            times_ms,
            values,
            qualities,
            next: 0,
            is_mixed: false,
        };
    }

    fn columns(&self, to: usize) -> Columns<'_> {
        Columns {
            times_ms: &self.times_ms[self.next..to],
            values: &self.values[self.next..to],
            qualities: self.qualities.get(self.next..to).unwrap_or_default(),
        }
    }

    /// What is not taken, up to and including an instant.
    pub(crate) fn due(&self, to_ms: i64) -> Columns<'_> {
        let rest = &self.times_ms[self.next..];
        // Most often a few of very many are due: looked for from the near end, in growing steps.
        let (mut low, mut step) = (0, 16);
        while rest.get(low + step).is_some_and(|time| *time <= to_ms) {
            low += step;
            step *= 2;
        }
        let high = rest.len().min(low + step);
        let n_due = low + rest[low..high].partition_point(|time| *time <= to_ms);
        self.columns(self.next + n_due)
    }

    /// Takes so many.
    pub(crate) const fn take(&mut self, n_samples: usize) {
        self.next += n_samples;
    }

    /// Time of the first one not taken.
    pub(crate) fn next_ms(&self) -> Option<i64> {
        self.times_ms.get(self.next).copied()
    }

    /// Forgets what was taken.
    pub(crate) fn drop_taken(&mut self) {
        let taken = std::mem::take(&mut self.next);
        if taken == 0 {
            return;
        }
        self.times_ms.drain(..taken);
        self.values.drain(..taken);
        if self.times_ms.is_empty() {
            self.qualities.clear();
        } else if !self.qualities.is_empty() {
            self.qualities.drain(..taken);
        }
    }
}

impl<'a> Columns<'a> {
    /// Of a joined series.
    pub(crate) fn of(series: &'a Series) -> Self {
        Self {
            times_ms: &series.times_ms,
            values: &series.values,
            qualities: &series.qualities,
        }
    }

    pub(crate) const fn len(&self) -> usize {
        self.times_ms.len()
    }

    /// Without the first so many.
    pub(crate) fn skip(self, n_samples: usize) -> Self {
        Self {
            times_ms: &self.times_ms[n_samples..],
            values: &self.values[n_samples..],
            qualities: self.qualities.get(n_samples..).unwrap_or_default(),
        }
    }

    pub(crate) fn get(&self, idx: usize) -> Option<Sample> {
        Some(Sample {
            time: EventTime::from_unix_ms(*self.times_ms.get(idx)?),
            value: *self.values.get(idx)?,
            quality: self.qualities.get(idx).copied().unwrap_or_default(),
        })
    }

    /// In order of time.
    pub(crate) fn samples(self) -> impl Iterator<Item = Sample> + 'a {
        (0..self.len()).filter_map(move |idx| self.get(idx))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sample(ms: i64, value: f64, quality: Quality) -> Sample {
        Sample {
            time: EventTime::from_unix_ms(ms),
            value,
            quality,
        }
    }

    proptest! {
        // The law: what is due is what was fed up to the instant, joined, whatever the pieces and
        // however often some of it was taken before.
        #[test]
        fn what_is_due_is_what_was_fed_joined(
            fed in prop::collection::vec((0_i64..60, 0_u8..3, 0_u8..4), 0..80),
            pieces in prop::collection::vec(1_usize..9, 1..6),
            ticks in prop::collection::vec(0_i64..70, 0..4),
        ) {
            let all: Vec<Sample> = fed
                .iter()
                .map(|(ms, value, quality)| {
                    sample(*ms, f64::from(*value), Quality::from_u8(*quality).unwrap())
                })
                .collect();
            let mut pending = Pending::default();
            let (mut rest, mut sizes) = (all.as_slice(), pieces.iter().cycle());
            while !rest.is_empty() {
                let (piece, others) = rest.split_at((*sizes.next().unwrap()).min(rest.len()));
                rest = others;
                let mut piece = piece.to_vec();
                piece.sort_by_key(|sample| sample.time);
                let times: Vec<i64> = piece.iter().map(|s| s.time.unix_ms()).collect();
                let values: Vec<f64> = piece.iter().map(|s| s.value).collect();
                let qualities: Vec<Quality> = piece.iter().map(|s| s.quality).collect();
                let is_good = qualities.iter().all(|quality| *quality == Quality::Good);
                pending.extend(Columns {
                    times_ms: &times,
                    values: &values,
                    qualities: if is_good { &[] } else { &qualities },
                });
            }
            pending.settle();
            let expected = Series::from_samples(all);
            let mut ticks = ticks;
            ticks.sort_unstable();
            ticks.push(i64::MAX);
            let mut found = Vec::new();
            for tick in ticks {
                let due = pending.due(tick);
                prop_assert!(due.times_ms.iter().all(|time| *time <= tick));
                found.extend(due.samples());
                let n_due = due.len();
                pending.take(n_due);
                prop_assert!(pending.next_ms().is_none_or(|next| next > tick));
                pending.drop_taken();
            }
            prop_assert!(found.into_iter().eq(expected.samples()));
        }
    }
}
