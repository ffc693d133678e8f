//! What a window says: the statistics of the panes in it.

use super::{Ends, FIELD_STEPS, More, Pane, Ring, Window, real};
use crate::chart::Smooth;
use crate::tally::Histogram;
use crate::trend::{MannKendall, theil_sen};
use crate::wide;

/// One window at a tick.
pub(crate) struct View<'a> {
    pub(super) ring: &'a Ring,
    pub(super) window: &'a Window,
    pub(super) start_ms: i64,
}

impl View<'_> {
    /// Good samples, or events.
    pub(crate) const fn n(&self) -> i64 {
        self.window.n
    }

    /// Sum of steps.
    pub(crate) const fn sum(&self) -> i128 {
        self.window.sum
    }

    /// Sums that only some statistics need.
    pub(crate) const fn more(&self) -> &More {
        &self.window.more
    }

    /// Least value, carried held values included.
    pub(crate) fn min(&self) -> Option<f64> {
        self.window.least.front().map(|(_, value)| *value)
    }

    /// Greatest value, carried held values included.
    pub(crate) fn max(&self) -> Option<f64> {
        self.window.greatest.front().map(|(_, value)| *value)
    }

    fn panes(&self) -> impl DoubleEndedIterator<Item = &Pane> {
        let place = |position: u64| usize::try_from(position - self.ring.dropped).unwrap_or(0);
        self.ring
            .panes
            .range(place(self.window.tail)..place(self.window.head))
    }

    fn inside(&self) -> impl DoubleEndedIterator<Item = &Ends> {
        self.panes()
            .filter_map(|pane| pane.ends.as_ref().filter(|ends| ends.sampled))
    }

    /// First sample inside.
    pub(crate) fn first(&self) -> Option<(i64, f64)> {
        self.inside().next().map(|ends| (ends.first_ms, ends.first))
    }

    /// Last sample inside.
    pub(crate) fn last(&self) -> Option<(i64, f64)> {
        self.inside()
            .next_back()
            .map(|ends| (ends.last_ms, ends.last))
    }

    /// Sample variance in squared steps as an exact fraction turned to `f64` once.
    pub(crate) fn variance_steps(&self) -> Option<f64> {
        let n = i128::from(self.window.n);
        if n < 2 {
            return None;
        }
        let numerator = n * self.window.more.squares - self.window.sum * self.window.sum;
        Some(real(numerator) / real(n * (n - 1)))
    }

    /// n times the sum of squares of time, the sum of products and the sum of squares of steps, all
    /// about their means.
    fn moments(&self) -> Option<(i128, i128, i128)> {
        let n = i128::from(self.window.n);
        if n < 2 {
            return None;
        }
        let (more, sum, start) = (
            &self.window.more,
            self.window.sum,
            i128::from(self.start_ms),
        );
        // Times counted from the window's start keep the products inside i128.
        let times = more.times - n * start;
        let squared = more.times_squared - 2 * start * more.times + n * start * start;
        let product = more.times_steps - start * sum;
        let of_times = n * squared - times * times;
        (of_times != 0).then(|| {
            (
                of_times,
                n * product - times * sum,
                n * more.squares - sum * sum,
            )
        })
    }

    /// Least-squares slope in steps per millisecond.
    pub(crate) fn slope_steps_per_ms(&self) -> Option<f64> {
        let (of_times, product, _) = self.moments()?;
        Some(real(product) / real(of_times))
    }

    /// Standard error of that slope.
    pub(crate) fn slope_error_steps_per_ms(&self) -> Option<f64> {
        let (of_times, product, of_steps) = self.moments()?;
        let left = wide::product_less_square(of_steps, of_times, product);
        let freedom = (self.window.n - 2) as f64;
        (freedom > 0.0).then(|| (left / freedom).sqrt() / of_times as f64)
    }

    /// Mean step from a sample to the next, in steps of the resolution.
    pub(crate) fn moving_range_steps(&self) -> Option<f64> {
        let first = self
            .panes()
            .find(|pane| pane.ends.as_ref().is_some_and(|ends| ends.sampled))?;
        let moved_in = first.parts.as_ref().map_or(0, |parts| parts.moved_in);
        let moved = self.window.more.moving - i128::from(moved_in);
        (self.window.n > 1).then(|| real(moved) / (self.window.n - 1) as f64)
    }

    /// The exponentially weighted sums for weight `idx`.
    pub(crate) fn smooth(&self, idx: usize) -> Smooth {
        let parts = self.panes().rev().filter_map(|pane| pane.parts.as_ref());
        Smooth::joined(parts.filter_map(|parts| parts.smooth.get(idx)).copied())
    }

    /// Counts in bins.
    pub(crate) const fn counts(&self) -> &Histogram {
        &self.window.counts
    }

    /// The median of the counts in half bins, and the median distance from it in quarter bins.
    pub(crate) fn middle(&self) -> Option<(i64, i64)> {
        let counts = self.counts();
        *self.window.asked.middle.get_or_init(|| {
            let median = counts.median()?;
            let n_bins = self.ring.needs.bins.as_ref()?.n();
            Some((median, counts.deviation(median, n_bins)?))
        })
    }

    /// Places of the panes that hold something and their means in steps.
    fn means(&self) -> Vec<(i64, f64)> {
        let held = self.ring.needs.coverage;
        let mean = |pane: &Pane| match &pane.more {
            Some(more) if held => {
                (more.covered_ms > 0).then(|| real(more.integral) / more.covered_ms as f64)
            }
            _ => (pane.n > 0).then(|| real(pane.sum) / pane.n as f64),
        };
        self.panes()
            .filter_map(|pane| Some((pane.index, mean(pane)?)))
            .collect()
    }

    /// Mann-Kendall over the pane means.
    pub(crate) fn mann_kendall(&self) -> MannKendall {
        let asked = &self.window.asked.mann_kendall;
        *asked.get_or_init(|| MannKendall::of(&self.means()))
    }

    /// Theil-Sen slope over the pane means in steps per millisecond.
    pub(crate) fn theil_sen_steps_per_ms(&self) -> Option<f64> {
        let asked = &self.window.asked.theil_sen;
        asked
            .get_or_init(|| theil_sen(&self.means()))
            .map(|slope| slope / self.ring.pane_ms as f64)
    }

    /// Sum of an event field.
    pub(crate) fn field_sum(&self, field: usize) -> f64 {
        self.window
            .more
            .extra
            .get(field)
            .map_or(0.0, |sum| real(*sum) / FIELD_STEPS)
    }
}
