//! Panes and windows: exact sums over epoch-aligned stretches of one channel.
//!
//! A window (t - w, t] is made of whole panes. A pane keeps integer sums over steps of the channel's
//! resolution, so adding a pane to a window and subtracting it later leaves nothing behind: a
//! window's value depends on the data in it alone, never on what passed through before. Least and
//! greatest values do not subtract; they are kept in monotonic queues. So a sample costs the same
//! whatever the window's length.
//!
//! Ranges that keep the arithmetic exact in `i128`: a step count is at most 2^40 (the catalogue's
//! range over its resolution; clamped here), a window holds at most 2^30 samples.

mod view;

pub(crate) use view::View;

use crate::{
    chart::{Cusum, PlannedCusum, Smooth},
    tally::{Bins, HISTOGRAM_BYTES, Histogram, Tally},
    trend::MannKendall,
};
use std::{cell::OnceCell, collections::VecDeque};

/// Greatest step count either side of zero.
const MAX_STEPS: f64 = 1_099_511_627_776.0;

/// Event fields are counted in steps of a millionth of their unit.
const FIELD_STEPS: f64 = 1e6;

/// A value as a whole number of steps `num / den`, ties away from zero.
pub(crate) fn steps(value: f64, num: u32, den: u32) -> i64 {
    let steps = (value * f64::from(den) / f64::from(num)).clamp(-MAX_STEPS, MAX_STEPS);
    // As `round()`, which is a call on machines whose instructions lack it: towards zero, then one
    // step on where half a step or more was cut off, which is exact this far from 2^52.
    #[expect(clippy::cast_possible_truncation, reason = "clamped to 2^40")]
    let whole = steps as i64;
    let cut_off = steps - whole as f64;
    whole + i64::from(cut_off >= 0.5) - i64::from(cut_off <= -0.5)
}

/// As `value as f64`, which is slow for what does not need so many bits.
pub(crate) fn real(value: i128) -> f64 {
    i64::try_from(value).map_or(value as f64, |value| value as f64)
}

/// What a ring must keep beyond count, sum and ends.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Needs {
    /// Sum of squares.
    pub squares: bool,
    /// Sums over time for slopes.
    pub moments: bool,
    /// Time-weighted sums of held values.
    pub coverage: bool,
    /// Limits to count above and below, in the channel's unit.
    pub limits: Vec<f64>,
    /// Number of event fields to sum.
    pub n_fields: usize,
    /// Steps from sample to sample.
    pub moving: bool,
    /// Counts in these bins.
    pub bins: Option<Bins>,
    /// Weights to smooth with.
    pub weights: Vec<f64>,
    /// Cumulative sums to run.
    pub cusums: Vec<PlannedCusum>,
}

/// One window that is wanted of a ring.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct PlannedWindow {
    /// Length in panes.
    pub n_panes: i64,
    /// It ends with the last pane that is over so many milliseconds before the tick.
    pub lag_ms: i64,
    /// Least and greatest.
    pub extremes: bool,
    /// Counts in bins.
    pub counts: bool,
}

impl Needs {
    const fn anything(&self) -> bool {
        self.squares
            || self.moments
            || self.coverage
            || self.moving
            || !self.limits.is_empty()
            || self.n_fields > 0
    }

    const fn parts(&self) -> bool {
        self.bins.is_some() || !self.weights.is_empty() || self.moving
    }
}

impl PlannedWindow {
    /// The pane after its last one at a tick.
    const fn end(&self, tick_ms: i64, pane_ms: i64) -> i64 {
        (tick_ms - self.lag_ms).div_euclid(pane_ms)
    }
}

/// Sums that only some statistics need.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct More {
    /// Sum of squared steps.
    pub squares: i128,
    /// Sum of times, Unix ms.
    pub times: i128,
    /// Sum of squared times.
    pub times_squared: i128,
    /// Sum of time times steps.
    pub times_steps: i128,
    /// Milliseconds over which a held value was known.
    pub covered_ms: i64,
    /// Sum of steps times milliseconds.
    pub integral: i128,
    /// Sum of the steps from each sample to the one before it, without sign.
    pub moving: i128,
    /// For each limit, samples (or held milliseconds) above, then below; or sums of event fields.
    pub extra: Vec<i128>,
}

impl More {
    fn add(&mut self, other: &Self, sign: i128) {
        self.squares += sign * other.squares;
        self.times += sign * other.times;
        self.times_squared += sign * other.times_squared;
        self.times_steps += sign * other.times_steps;
        self.covered_ms += if sign > 0 {
            other.covered_ms
        } else {
            -other.covered_ms
        };
        self.integral += sign * other.integral;
        self.moving += sign * other.moving;
        if self.extra.len() < other.extra.len() {
            self.extra.resize(other.extra.len(), 0);
        }
        for (sum, term) in self.extra.iter_mut().zip(&other.extra) {
            *sum += sign * term;
        }
    }
}

/// One pane that holds something.
#[derive(Clone, Debug)]
struct Pane {
    /// It covers (index * p, (index + 1) * p].
    index: i64,
    n: i64,
    sum: i128,
    /// `None` while only coverage of nothing was seen.
    ends: Option<Ends>,
    more: Option<Box<More>>,
    parts: Option<Box<Parts>>,
}

/// What some statistics need of a pane and a window does not sum.
#[derive(Clone, Debug, Default)]
struct Parts {
    tally: Tally,
    /// One a weight.
    smooth: Vec<Smooth>,
    /// The part of `More::moving` that leads to the pane's first sample.
    moved_in: i64,
}

/// First and last sample, least and greatest value of a pane.
#[derive(Clone, Copy, Debug)]
struct Ends {
    first_ms: i64,
    first: f64,
    last_ms: i64,
    last: f64,
    min: f64,
    max: f64,
    /// Whether a sample (not only a carried held value) was seen.
    sampled: bool,
}

/// Most bytes that panes of a ring with these needs can take, windows included, with panes so long and
/// so many samples (or changes of a held value) in each.
pub(crate) fn most_bytes(
    (pane_ms, n_samples): (i64, usize),
    needs: &Needs,
    windows: &[PlannedWindow],
) -> usize {
    let longest = windows
        .iter()
        .map(|window| window.n_panes + window.lag_ms / pane_ms)
        .max()
        .unwrap_or(0);
    let longest = usize::try_from(longest).unwrap_or(usize::MAX);
    let extra = (needs.limits.len() * 2 + needs.n_fields) * size_of::<i128>();
    let more = if needs.anything() {
        size_of::<More>() + extra
    } else {
        0
    };
    let bins = needs.bins.map_or(0, |bins| {
        n_samples.min(usize::try_from(bins.n()).unwrap_or(0)) * size_of::<(u16, u32)>()
    });
    let parts = if needs.parts() {
        size_of::<Parts>() + needs.weights.len() * size_of::<Smooth>() + bins
    } else {
        0
    };
    let own = windows.iter().map(|window| {
        let extremes = if window.extremes {
            usize::try_from(window.n_panes)
                .unwrap_or(usize::MAX)
                .saturating_mul(2 * size_of::<(i64, f64)>())
        } else {
            0
        };
        let counts = if window.counts { HISTOGRAM_BYTES } else { 0 };
        extremes
            .saturating_add(counts)
            .saturating_add(size_of::<Window>() + extra)
    });
    // One pane more than the longest window is open.
    longest
        .saturating_add(1)
        .saturating_mul(size_of::<Pane>() + more + parts)
        .saturating_add(needs.cusums.len() * size_of::<Cusum>())
        .saturating_add(own.fold(0, usize::saturating_add))
}

/// One window over a ring.
#[derive(Clone, Debug, Default)]
struct Window {
    planned: PlannedWindow,
    /// Absolute position of the next pane to take in.
    head: u64,
    /// Absolute position of the oldest pane inside.
    tail: u64,
    /// Where it ended when it last moved: all complete panes before it were taken in.
    end: i64,
    n: i64,
    sum: i128,
    more: More,
    least: VecDeque<(i64, f64)>,
    greatest: VecDeque<(i64, f64)>,
    counts: Histogram,
    asked: Asked,
}

/// What was computed of a window since panes last came or went.
#[derive(Clone, Debug, Default)]
struct Asked {
    mann_kendall: OnceCell<MannKendall>,
    theil_sen: OnceCell<Option<f64>>,
    middle: OnceCell<Option<(i64, i64)>>,
}

/// Good samples of one channel, times not descending, with their values in steps.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Run<'a> {
    pub times_ms: &'a [i64],
    pub values: &'a [f64],
    pub steps: &'a [i64],
}

/// Samples taken at once at most, so that sums of steps fit 64 bits.
const RUN_SAMPLES: usize = 1 << 20;

impl Run<'_> {
    const fn len(&self) -> usize {
        self.times_ms.len()
    }

    fn split_at(self, idx: usize) -> (Self, Self) {
        let (times, values, steps) = (
            self.times_ms.split_at(idx),
            self.values.split_at(idx),
            self.steps.split_at(idx),
        );
        let run = |times_ms, values, steps| Self {
            times_ms,
            values,
            steps,
        };
        (
            run(times.0, values.0, steps.0),
            run(times.1, values.1, steps.1),
        )
    }

    /// The longest runs of samples whose times all pass.
    pub(crate) fn split_by(self, passes: impl Fn(i64) -> bool) -> impl Iterator<Item = Self> {
        let mut rest = self;
        std::iter::from_fn(move || {
            let from = rest.times_ms.iter().position(|time| passes(*time))?;
            let (_, here) = rest.split_at(from);
            let n_passing = here.times_ms.iter().take_while(|time| passes(**time));
            let (run, after) = here.split_at(n_passing.count());
            rest = after;
            Some(run)
        })
    }

    /// Sum of the products of two columns' numbers, none of them greater than these without sign.
    fn products(
        &self,
        pairs: impl Iterator<Item = (i64, i64)>,
        (a_most, b_most): (u64, u64),
    ) -> i128 {
        let most = a_most
            .checked_mul(b_most)
            .and_then(|most| most.checked_mul(self.len() as u64));
        if most.is_some_and(|most| most < 1 << 63) {
            i128::from(pairs.map(|(a, b)| a * b).sum::<i64>())
        } else {
            pairs.map(|(a, b)| i128::from(a) * i128::from(b)).sum()
        }
    }
}

/// Panes of one length over one channel, and the windows made of them.
#[derive(Clone, Debug)]
pub(crate) struct Ring {
    pane_ms: i64,
    needs: Needs,
    /// Whether some window asks for least and greatest.
    has_extremes: bool,
    current: Option<Pane>,
    panes: VecDeque<Pane>,
    /// Absolute position of the first pane in `panes`.
    dropped: u64,
    windows: Vec<Window>,
    cusums: Vec<Cusum>,
    /// Steps of the newest sample.
    newest: Option<i64>,
}

impl Ring {
    pub(crate) fn new(pane_ms: i64, needs: Needs, windows: &[PlannedWindow]) -> Self {
        let has_extremes = windows.iter().any(|window| window.extremes);
        let windows = windows
            .iter()
            .map(|&planned| Window {
                planned,
                end: i64::MIN,
                ..Window::default()
            })
            .collect();
        Self {
            pane_ms,
            cusums: vec![Cusum::default(); needs.cusums.len()],
            newest: None,
            needs,
            has_extremes,
            current: None,
            panes: VecDeque::new(),
            dropped: 0,
            windows,
        }
    }

    /// Makes pane `index` the open one.
    fn open(&mut self, index: i64) -> (&mut Pane, &Needs) {
        if self
            .current
            .as_ref()
            .is_some_and(|pane| pane.index != index)
        {
            self.complete();
        }
        let needs = &self.needs;
        let pane = self.current.get_or_insert_with(|| Pane {
            index,
            n: 0,
            sum: 0,
            ends: None,
            more: needs.anything().then(Box::default),
            parts: needs.parts().then(|| {
                Box::new(Parts {
                    smooth: vec![Smooth::NOTHING; needs.weights.len()],
                    ..Parts::default()
                })
            }),
        });
        (pane, needs)
    }

    fn complete(&mut self) {
        let Some(mut pane) = self.current.take() else {
            return;
        };
        if let Some(parts) = &mut pane.parts {
            parts.tally.merge();
        }
        let over_ms = (pane.index + 1) * self.pane_ms;
        self.panes.push_back(pane);
        for idx in 0..self.windows.len() {
            self.slide(idx, over_ms);
        }
        self.drop_passed();
    }

    fn drop_passed(&mut self) {
        let passed = self
            .windows
            .iter()
            .map(|window| window.tail)
            .min()
            .unwrap_or(u64::MAX);
        while self.dropped < passed && self.panes.pop_front().is_some() {
            self.dropped += 1;
        }
    }

    /// Moves a window to where it is at a tick.
    fn slide(&mut self, idx: usize, tick_ms: i64) {
        let window = &mut self.windows[idx];
        let end = window.planned.end(tick_ms, self.pane_ms);
        if end == window.end {
            return;
        }
        window.end = end;
        let before = (window.head, window.tail);
        let at = |position: u64| usize::try_from(position - self.dropped).ok();
        while let Some(pane) = at(window.head).and_then(|place| self.panes.get(place)) {
            if pane.index >= end {
                break;
            }
            window.head += 1;
            window.n += pane.n;
            window.sum += pane.sum;
            if let Some(more) = &pane.more {
                window.more.add(more, 1);
            }
            if let (true, Some(parts)) = (window.planned.counts, &pane.parts) {
                window.counts.add(&parts.tally, 1);
            }
            if let (true, Some(ends)) = (window.planned.extremes, &pane.ends) {
                while window
                    .least
                    .back()
                    .is_some_and(|(_, least)| *least >= ends.min)
                {
                    window.least.pop_back();
                }
                window.least.push_back((pane.index, ends.min));
                while window
                    .greatest
                    .back()
                    .is_some_and(|(_, greatest)| *greatest <= ends.max)
                {
                    window.greatest.pop_back();
                }
                window.greatest.push_back((pane.index, ends.max));
            }
        }
        let first = end - window.planned.n_panes;
        while window.tail < window.head {
            let Some(pane) = at(window.tail).and_then(|place| self.panes.get(place)) else {
                break;
            };
            if pane.index >= first {
                break;
            }
            window.tail += 1;
            window.n -= pane.n;
            window.sum -= pane.sum;
            if let Some(more) = &pane.more {
                window.more.add(more, -1);
            }
            if let (true, Some(parts)) = (window.planned.counts, &pane.parts) {
                window.counts.add(&parts.tally, -1);
            }
        }
        if before != (window.head, window.tail) {
            window.asked = Asked::default();
        }
        while window
            .least
            .front()
            .is_some_and(|(index, _)| *index < first)
        {
            window.least.pop_front();
        }
        while window
            .greatest
            .front()
            .is_some_and(|(index, _)| *index < first)
        {
            window.greatest.pop_front();
        }
    }

    /// Takes good samples later than, or of the time of, those before.
    pub(crate) fn samples(&mut self, run: Run<'_>) {
        let mut rest = run;
        while let Some(first) = rest.times_ms.first() {
            let (from_ms, to_ms) = match &self.current {
                Some(pane) => (pane.index * self.pane_ms, (pane.index + 1) * self.pane_ms),
                None => (0, 0),
            };
            let to_ms = if *first > from_ms && *first <= to_ms {
                to_ms
            } else {
                let index = (first - 1).div_euclid(self.pane_ms);
                self.open(index);
                (index + 1) * self.pane_ms
            };
            let most = &rest.times_ms[..rest.len().min(RUN_SAMPLES)];
            let n_here = match most.last() {
                Some(last) if *last <= to_ms => most.len(),
                _ => most.partition_point(|time| *time <= to_ms),
            };
            let (here, after) = rest.split_at(n_here);
            self.take(here);
            rest = after;
        }
    }

    /// Takes samples that are all in the open pane.
    fn take(&mut self, run: Run<'_>) {
        let (Some(pane), Some(last)) = (&mut self.current, run.steps.last()) else {
            return;
        };
        let needs = &self.needs;
        for (planned, cusum) in needs.cusums.iter().zip(&mut self.cusums) {
            for (time_ms, steps) in run.times_ms.iter().zip(run.steps) {
                cusum.take(planned, *time_ms, *steps);
            }
        }
        let before = self.newest.replace(*last);
        pane.n += i64::try_from(run.len()).unwrap_or(i64::MAX);
        pane.sum += i128::from(run.steps.iter().sum::<i64>());
        let is_first = pane.ends.as_ref().is_none_or(|ends| !ends.sampled);
        pane.touch_run(&run, self.has_extremes);
        if let Some(parts) = &mut pane.parts {
            if let (Some(bins), false) = (&needs.bins, needs.coverage) {
                for steps in run.steps {
                    parts.tally.add(bins.of(*steps), 1);
                }
            }
            for (smooth, weight) in parts.smooth.iter_mut().zip(&needs.weights) {
                for value in run.values {
                    smooth.take(*value, *weight);
                }
            }
            if is_first {
                parts.moved_in = before.map_or(0, |before| (run.steps[0] - before).abs());
            }
        }
        if let Some(more) = &mut pane.more {
            more.take(needs, &run, before);
        }
    }

    /// A held value that lasted from `from_ms` to `to_ms`; stretches must not go back.
    pub(crate) fn cover(&mut self, from_ms: i64, to_ms: i64, value: f64, steps: i64) {
        let mut from = from_ms;
        while from < to_ms {
            let index = from.div_euclid(self.pane_ms);
            let to = to_ms.min((index + 1) * self.pane_ms);
            let (pane, needs) = self.open(index);
            pane.touch(to, value);
            if let (Some(parts), Some(bins)) = (&mut pane.parts, &needs.bins) {
                // A pane is a day at most, which fits.
                let lasted = u32::try_from(to - from).unwrap_or(u32::MAX);
                parts.tally.add(bins.of(steps), lasted);
            }
            if let Some(more) = &mut pane.more {
                more.covered_ms += to - from;
                more.integral += i128::from(steps) * i128::from(to - from);
                more.count(&needs.limits, value, i128::from(to - from));
            }
            from = to;
        }
    }

    /// Takes one event.
    pub(crate) fn event(&mut self, time_ms: i64, fields: &[Option<f64>]) {
        let (pane, needs) = self.open((time_ms - 1).div_euclid(self.pane_ms));
        pane.n += 1;
        if let Some(more) = &mut pane.more {
            more.extra.resize(needs.n_fields, 0);
            for (sum, field) in more.extra.iter_mut().zip(fields) {
                if let Some(value) = field {
                    let scaled = (value * FIELD_STEPS).round().clamp(-1e30, 1e30);
                    #[expect(clippy::cast_possible_truncation, reason = "clamped, whole")]
                    let whole = scaled as i128;
                    *sum += whole;
                }
            }
        }
    }

    /// Closes what ends at or before `tick_ms` and moves window `idx` there.
    pub(crate) fn window(&mut self, idx: usize, tick_ms: i64) -> View<'_> {
        let end = tick_ms.div_euclid(self.pane_ms);
        if self.current.as_ref().is_some_and(|pane| pane.index < end) {
            self.complete();
        }
        self.slide(idx, tick_ms);
        let window = &self.windows[idx];
        let first = window.planned.end(tick_ms, self.pane_ms) - window.planned.n_panes;
        View {
            ring: self,
            window,
            start_ms: first * self.pane_ms,
        }
    }

    /// Cumulative sum `idx` at a tick up to which everything was taken: since when it runs, how many
    /// samples it took, the upper and the lower sum in steps.
    pub(crate) fn cusum(&self, idx: usize, tick_ms: i64) -> (i64, i64, f64, f64) {
        self.cusums[idx].at(&self.needs.cusums[idx], tick_ms)
    }
}

impl Pane {
    /// A held value that lasted up to an instant.
    fn touch(&mut self, time_ms: i64, value: f64) {
        let ends = self.ends.get_or_insert(Ends::new(time_ms, value, false));
        ends.reach(value);
    }

    fn touch_run(&mut self, run: &Run<'_>, has_extremes: bool) {
        let ([first_ms, ..], [first, ..]) = (run.times_ms, run.values) else {
            return;
        };
        let ends = self.ends.get_or_insert(Ends::new(*first_ms, *first, true));
        if !ends.sampled {
            (ends.first_ms, ends.first, ends.sampled) = (*first_ms, *first, true);
        }
        if let (Some(last_ms), Some(last)) = (run.times_ms.last(), run.values.last()) {
            (ends.last_ms, ends.last) = (*last_ms, *last);
        }
        if has_extremes {
            for value in run.values {
                ends.reach(*value);
            }
        }
    }
}

impl Ends {
    const fn new(time_ms: i64, value: f64, sampled: bool) -> Self {
        Self {
            first_ms: time_ms,
            first: value,
            last_ms: time_ms,
            last: value,
            min: value,
            max: value,
            sampled,
        }
    }

    /// Of equal ones, -0.0 and 0.0 included, the first stays: so pieces do not matter.
    fn reach(&mut self, value: f64) {
        if value < self.min {
            self.min = value;
        }
        if value > self.max {
            self.max = value;
        }
    }
}

impl More {
    /// Takes samples of one pane, with the steps of the one before them.
    fn take(&mut self, needs: &Needs, run: &Run<'_>, before: Option<i64>) {
        let most = run.steps.iter().fold(0, |all, s| all | s.unsigned_abs());
        // At most twice the greatest, as all bits of all numbers are in it.
        if needs.squares {
            let squares = run.steps.iter().map(|s| (*s, *s));
            self.squares += run.products(squares, (most, most));
        }
        let (first, last) = (run.times_ms.first(), run.times_ms.last());
        if let (true, Some(first), Some(last)) = (needs.moments, first, last) {
            // Counted from the first one's time, so that numbers stay small.
            let since = |time: &i64| time - first;
            let longest = last.abs_diff(*first);
            let n = run.len() as i128;
            let start = i128::from(*first);
            let times = i128::from(run.times_ms.iter().map(since).sum::<i64>());
            let steps = i128::from(run.steps.iter().sum::<i64>());
            let squared = run.times_ms.iter().map(|time| (since(time), since(time)));
            let squared = run.products(squared, (longest, longest));
            let product = run
                .times_ms
                .iter()
                .map(since)
                .zip(run.steps.iter().copied());
            let product = run.products(product, (longest, most));
            self.times += n * start + times;
            self.times_squared += n * start * start + 2 * start * times + squared;
            self.times_steps += start * steps + product;
        }
        if needs.moving {
            let moves = run.steps.windows(2).map(|pair| (pair[1] - pair[0]).abs());
            let moved_in = before.map_or(0, |before| (run.steps[0] - before).abs());
            self.moving += i128::from(moves.sum::<i64>() + moved_in);
        }
        if !needs.coverage && !needs.limits.is_empty() {
            self.extra.resize(needs.limits.len() * 2, 0);
            for (pair, limit) in self.extra.chunks_exact_mut(2).zip(&needs.limits) {
                let n = |count: usize| i128::try_from(count).unwrap_or(0);
                pair[0] += n(run.values.iter().filter(|value| *value > limit).count());
                pair[1] += n(run.values.iter().filter(|value| *value < limit).count());
            }
        }
    }

    fn count(&mut self, limits: &[f64], value: f64, weight: i128) {
        if self.extra.len() < limits.len() * 2 {
            self.extra.resize(limits.len() * 2, 0);
        }
        for (pair, limit) in self.extra.chunks_exact_mut(2).zip(limits) {
            if value > *limit {
                pair[0] += weight;
            }
            if value < *limit {
                pair[1] += weight;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// x and y.
    const NORRIS: [(f64, f64); 36] = [
        (0.2, 0.1),
        (0.3, 0.3),
        (0.3, 0.6),
        (0.4, 0.3),
        (0.5, 0.2),
        (0.6, 0.1),
        (10.1, 9.2),
        (11.1, 10.2),
        (11.6, 10.8),
        (118.2, 118.1),
        (118.3, 117.6),
        (120.2, 119.6),
        (226.5, 228.1),
        (228.1, 228.3),
        (229.2, 228.9),
        (337.4, 338.8),
        (338.0, 339.3),
        (339.1, 339.3),
        (447.5, 448.9),
        (448.6, 449.1),
        (448.9, 449.2),
        (556.0, 557.7),
        (556.8, 557.6),
        (558.2, 559.2),
        (666.3, 668.5),
        (666.9, 668.8),
        (669.1, 668.4),
        (775.5, 778.1),
        (777.0, 778.9),
        (779.0, 778.9),
        (884.6, 888.0),
        (887.2, 888.0),
        (887.6, 888.8),
        (995.8, 998.0),
        (996.3, 998.5),
        (999.0, 998.5),
    ];

    // Source: NIST StRD, linear regression, Norris: certified slope, its standard deviation and the
    // residual standard deviation. x are seconds here; two points share one.
    #[test]
    #[expect(
        clippy::cast_possible_truncation,
        reason = "whole milliseconds under a thousand seconds"
    )]
    fn the_norris_line_has_its_certified_slope_and_error() {
        let needs = Needs {
            squares: true,
            moments: true,
            ..Needs::default()
        };
        let window = PlannedWindow {
            n_panes: 10,
            ..PlannedWindow::default()
        };
        let mut ring = Ring::new(100_000, needs, &[window]);
        for (x, y) in NORRIS {
            ring.samples(Run {
                times_ms: &[(x * 1_000.0).round() as i64],
                values: &[y],
                steps: &[steps(y, 1, 10)],
            });
        }
        let view = ring.window(0, 1_000_000);
        assert_eq!(view.n(), 36);
        let slope = view.slope_steps_per_ms().unwrap() * 100.0;
        let error = view.slope_error_steps_per_ms().unwrap() * 100.0;
        assert!(
            (slope / 1.002_116_818_020_45 - 1.0).abs() < 1e-14,
            "{slope}"
        );
        assert!(
            (error / 0.000_429_796_848_199_937 - 1.0).abs() < 1e-14,
            "{error}"
        );
    }
}
