//! Counts in fixed bins of a channel's range: what quantiles are read from.
//!
//! Bins are fixed by the catalogue alone, so counts add and subtract exactly and a quantile does not
//! depend on arrival. A window's counts are kept in blocks that exist only while they hold
//! something; adding is O(1), asking looks at one number a block and one a bin of one block.

use std::collections::BTreeMap;

/// Most bins of a channel.
pub(crate) const MOST_BINS: i64 = 4_096;
/// Bins a block, and blocks a histogram.
const BLOCK: usize = 64;

/// How a channel's steps fall into bins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Bins {
    /// Steps at the low end of the first bin.
    low: i64,
    /// Steps a bin, 1 or more.
    width: i64,
    n: i64,
}

impl Bins {
    /// Over the range from `low` to `high` steps, both included.
    pub(crate) fn new(low: i64, high: i64) -> Self {
        let n_steps = (high - low + 1).max(1);
        let width = (n_steps + MOST_BINS - 1) / MOST_BINS;
        Self {
            low,
            width,
            n: (n_steps + width - 1) / width,
        }
    }

    /// The bin of a value; what is out of range goes to the ends.
    pub(crate) fn of(&self, steps: i64) -> u16 {
        let bin = (steps - self.low).div_euclid(self.width);
        u16::try_from(bin.clamp(0, self.n - 1)).unwrap_or(0)
    }

    /// A place in half bins (twice the bin) in half steps: the middle of the bin's steps.
    pub(crate) const fn half_steps(&self, half_bins: i64) -> i64 {
        2 * self.low + half_bins * self.width + self.width - 1
    }

    /// Steps a bin.
    pub(crate) const fn width(&self) -> i64 {
        self.width
    }

    pub(crate) const fn n(&self) -> i64 {
        self.n
    }
}

/// Counts of one pane: bins with their weights, merged now and then.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Tally {
    entries: Vec<(u16, u32)>,
    /// How many of them were left by the last merge.
    n_merged: usize,
}

impl Tally {
    pub(crate) fn add(&mut self, bin: u16, weight: u32) {
        match self.entries.last_mut() {
            Some(last) if last.0 == bin => last.1 += weight,
            _ => self.entries.push((bin, weight)),
        }
        if self.entries.len() > 2 * self.n_merged + 64 {
            self.merge();
        }
    }

    /// One entry a bin, ascending.
    pub(crate) fn merge(&mut self) {
        self.entries.sort_unstable_by_key(|(bin, _)| *bin);
        self.entries.dedup_by(|later, kept| {
            let same = later.0 == kept.0;
            if same {
                kept.1 += later.1;
            }
            same
        });
        self.entries.shrink_to_fit();
        self.n_merged = self.entries.len();
    }

    pub(crate) fn entries(&self) -> &[(u16, u32)] {
        &self.entries
    }
}

/// Counts of a window.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Histogram {
    total: i64,
    blocks: BTreeMap<u8, Block>,
}

#[derive(Clone, Debug, PartialEq)]
struct Block {
    total: i64,
    bins: Box<[i64; BLOCK]>,
}

/// Most bytes of a window's counts.
pub(crate) const HISTOGRAM_BYTES: usize =
    BLOCK * (size_of::<Block>() + size_of::<[i64; BLOCK]>() + 8);

impl Histogram {
    pub(crate) fn add(&mut self, tally: &Tally, sign: i64) {
        for &(bin, weight) in tally.entries() {
            let weight = sign * i64::from(weight);
            let key = u8::try_from(usize::from(bin) / BLOCK).unwrap_or(u8::MAX);
            let block = self.blocks.entry(key).or_insert_with(|| Block {
                total: 0,
                bins: Box::new([0; BLOCK]),
            });
            block.bins[usize::from(bin) % BLOCK] += weight;
            block.total += weight;
            self.total += weight;
            if block.total == 0 {
                // Weights are never under 0 in sum, so all of its bins are empty.
                self.blocks.remove(&key);
            }
        }
    }

    /// The first bin up to which the counts satisfy `enough`, which must stay satisfied once it is.
    fn first(&self, enough: impl Fn(i64) -> bool) -> Option<i64> {
        let mut before = 0;
        for (key, block) in &self.blocks {
            if !enough(before + block.total) {
                before += block.total;
                continue;
            }
            for (idx, weight) in block.bins.iter().enumerate() {
                before += weight;
                if *weight > 0 && enough(before) {
                    return i64::try_from(usize::from(*key) * BLOCK + idx).ok();
                }
            }
        }
        None
    }

    /// Counts up to and with a bin.
    fn up_to(&self, bin: i64) -> i64 {
        let Ok(bin) = usize::try_from(bin) else {
            return 0;
        };
        let (own, place) = (bin / BLOCK, bin % BLOCK);
        let mut sum = 0;
        for (key, block) in &self.blocks {
            match usize::from(*key).cmp(&own) {
                std::cmp::Ordering::Less => sum += block.total,
                std::cmp::Ordering::Equal => sum += block.bins[..=place].iter().sum::<i64>(),
                std::cmp::Ordering::Greater => break,
            }
        }
        sum
    }

    /// The bin of the type 1 quantile at so many millionths, in half bins.
    pub(crate) fn quantile(&self, millionths: i64) -> Option<i64> {
        let wanted = i128::from(millionths) * i128::from(self.total);
        self.first(|upto| i128::from(upto) * 1_000_000 >= wanted)
            .map(|bin| 2 * bin)
    }

    /// The mean of the two middle bins, in half bins.
    pub(crate) fn median(&self) -> Option<i64> {
        let lower = self.first(|upto| 2 * upto >= self.total)?;
        let upper = self.first(|upto| 2 * upto > self.total)?;
        Some(lower + upper)
    }

    /// The median of the distances from a place in half bins: the sum of the two middle ones, so in
    /// quarter bins.
    pub(crate) fn deviation(&self, from: i64, n_bins: i64) -> Option<i64> {
        let within = |distance: i64| {
            // Bins b with |2 b - from| <= distance.
            let (high, low) = (from + distance, from - distance);
            self.up_to(high.div_euclid(2)) - self.up_to((low - 1).div_euclid(2))
        };
        let least = |enough: &dyn Fn(i64) -> bool| {
            let (mut low, mut high) = (0, 2 * n_bins);
            while low < high {
                let middle = i64::midpoint(low, high);
                if enough(within(middle)) {
                    high = middle;
                } else {
                    low = middle + 1;
                }
            }
            low
        };
        if self.total == 0 {
            return None;
        }
        Some(least(&|n| 2 * n >= self.total) + least(&|n| 2 * n > self.total))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn histogram(values: &[u16]) -> Histogram {
        let mut tally = Tally::default();
        for value in values {
            tally.add(*value, 1);
        }
        tally.merge();
        let mut histogram = Histogram::default();
        histogram.add(&tally, 1);
        histogram
    }

    // Values 1 to 10: type 1 quantiles 1, 3, 5, 9, 10 at 10, 25, 50, 90, 95 %; median 5.5. Source:
    // R. J. Hyndman and Y. Fan, Sample quantiles in statistical packages (1996), definition 1.
    #[test]
    fn one_to_ten_has_the_textbook_quantiles() {
        let values: Vec<u16> = (1..=10).collect();
        let found = histogram(&values);
        for (millionths, expected) in [
            (100_000, 1),
            (250_000, 3),
            (500_000, 5),
            (900_000, 9),
            (950_000, 10),
        ] {
            assert_eq!(found.quantile(millionths), Some(2 * expected));
        }
        assert_eq!(found.median(), Some(11));
    }

    // The textbook example of the median absolute deviation: median 2, deviation 1.
    #[test]
    fn the_textbook_deviation_is_one() {
        let found = histogram(&[1, 1, 2, 2, 4, 6, 9]);
        assert_eq!(found.median(), Some(4));
        assert_eq!(found.deviation(4, MOST_BINS), Some(4));
    }

    #[test]
    fn what_is_taken_away_leaves_nothing() {
        let mut tally = Tally::default();
        for idx in 0..5_000_u32 {
            tally.add(u16::try_from(idx * 7919 % 4096).unwrap(), idx % 3 + 1);
        }
        tally.merge();
        let mut window = histogram(&[3, 3, 4_095]);
        let before = window.clone();
        window.add(&tally, 1);
        assert_eq!(window.total, 3 + 9_999);
        window.add(&tally, -1);
        assert_eq!(window, before);
    }

    #[test]
    fn bins_cover_the_range_and_keep_steps_where_they_can() {
        let exact = Bins::new(-600, 2_000);
        assert_eq!((exact.of(-600), exact.half_steps(0)), (0, -1_200));
        assert_eq!(exact.half_steps(2 * i64::from(exact.of(1_234))), 2_468);
        let wide = Bins::new(0, 40_000);
        for steps in [0, 1, 9, 10, 11, 39_999, 40_000] {
            let middle = wide.half_steps(2 * i64::from(wide.of(steps)));
            assert!((middle - 2 * steps).abs() <= 9, "{steps} {middle}");
        }
        assert_eq!(wide.of(99_999), wide.of(40_000));
        assert_eq!(wide.of(-5), 0);
    }
}
