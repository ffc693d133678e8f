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

use std::collections::VecDeque;

/// Greatest step count either side of zero.
const MAX_STEPS: f64 = 1_099_511_627_776.0;

/// Event fields are counted in steps of a millionth of their unit.
const FIELD_STEPS: f64 = 1e6;

/// A value as a whole number of steps `num / den`, ties away from zero.
pub(crate) fn steps(value: f64, num: u32, den: u32) -> i64 {
    let steps = (value * f64::from(den) / f64::from(num)).round();
    #[expect(clippy::cast_possible_truncation, reason = "clamped to 2^40 and whole")]
    let whole = steps.clamp(-MAX_STEPS, MAX_STEPS) as i64;
    whole
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
}

impl Needs {
    const fn anything(&self) -> bool {
        self.squares
            || self.moments
            || self.coverage
            || !self.limits.is_empty()
            || self.n_fields > 0
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

/// Most bytes that panes of a ring with these needs can take, windows of `windows` included.
pub(crate) fn most_bytes(needs: &Needs, windows: &[(i64, bool)]) -> usize {
    let longest = windows
        .iter()
        .map(|(n_panes, _)| *n_panes)
        .max()
        .unwrap_or(0);
    let longest = usize::try_from(longest).unwrap_or(usize::MAX);
    let extra = (needs.limits.len() * 2 + needs.n_fields) * size_of::<i128>();
    let more = if needs.anything() {
        size_of::<More>() + extra
    } else {
        0
    };
    let extremes = windows
        .iter()
        .filter(|(_, extremes)| *extremes)
        .map(|(n_panes, _)| {
            usize::try_from(*n_panes)
                .unwrap_or(usize::MAX)
                .saturating_mul(2 * size_of::<(i64, f64)>())
        });
    // One pane more than the longest window is open.
    longest
        .saturating_add(1)
        .saturating_mul(size_of::<Pane>() + more)
        .saturating_add(windows.len() * (size_of::<Window>() + extra))
        .saturating_add(extremes.fold(0, usize::saturating_add))
}

/// One window over a ring.
#[derive(Clone, Debug, Default)]
struct Window {
    n_panes: i64,
    /// Absolute position of the next pane to take in.
    head: u64,
    /// Absolute position of the oldest pane inside.
    tail: u64,
    n: i64,
    sum: i128,
    more: More,
    wants_extremes: bool,
    least: VecDeque<(i64, f64)>,
    greatest: VecDeque<(i64, f64)>,
}

/// Panes of one length over one channel, and the windows made of them.
#[derive(Clone, Debug)]
pub(crate) struct Ring {
    pane_ms: i64,
    needs: Needs,
    current: Option<Pane>,
    panes: VecDeque<Pane>,
    /// Absolute position of the first pane in `panes`.
    dropped: u64,
    windows: Vec<Window>,
}

impl Ring {
    /// `windows` are lengths in panes and whether least and greatest are wanted.
    pub(crate) fn new(pane_ms: i64, needs: Needs, windows: &[(i64, bool)]) -> Self {
        let windows = windows
            .iter()
            .map(|&(n_panes, wants_extremes)| Window {
                n_panes,
                wants_extremes,
                ..Window::default()
            })
            .collect();
        Self {
            pane_ms,
            needs,
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
        });
        (pane, needs)
    }

    fn complete(&mut self) {
        let Some(pane) = self.current.take() else {
            return;
        };
        let end = pane.index + 1;
        self.panes.push_back(pane);
        for idx in 0..self.windows.len() {
            self.slide(idx, end);
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

    /// Moves a window so that it ends with pane `end - 1`.
    fn slide(&mut self, idx: usize, end: i64) {
        let window = &mut self.windows[idx];
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
            if let (true, Some(ends)) = (window.wants_extremes, &pane.ends) {
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
        let first = end - window.n_panes;
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

    /// Takes one good sample; times must not descend.
    pub(crate) fn sample(&mut self, time_ms: i64, value: f64, steps: i64) {
        let (pane, needs) = self.open((time_ms - 1).div_euclid(self.pane_ms));
        pane.n += 1;
        pane.sum += i128::from(steps);
        pane.touch(time_ms, value, true);
        if let Some(more) = &mut pane.more {
            let (time, steps) = (i128::from(time_ms), i128::from(steps));
            if needs.squares {
                more.squares += steps * steps;
            }
            if needs.moments {
                more.times += time;
                more.times_squared += time * time;
                more.times_steps += time * steps;
            }
            if !needs.coverage {
                more.count(&needs.limits, value, 1);
            }
        }
    }

    /// A held value that lasted from `from_ms` to `to_ms`; stretches must not go back.
    pub(crate) fn cover(&mut self, from_ms: i64, to_ms: i64, value: f64, steps: i64) {
        let mut from = from_ms;
        while from < to_ms {
            let index = from.div_euclid(self.pane_ms);
            let to = to_ms.min((index + 1) * self.pane_ms);
            let (pane, needs) = self.open(index);
            pane.touch(to, value, false);
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
        self.slide(idx, end);
        let window = &self.windows[idx];
        View {
            ring: self,
            window,
            start_ms: (end - window.n_panes) * self.pane_ms,
        }
    }
}

impl Pane {
    fn touch(&mut self, time_ms: i64, value: f64, sampled: bool) {
        match &mut self.ends {
            Some(ends) => {
                ends.min = ends.min.min(value);
                ends.max = ends.max.max(value);
                if sampled {
                    if !ends.sampled {
                        (ends.first_ms, ends.first, ends.sampled) = (time_ms, value, true);
                    }
                    (ends.last_ms, ends.last) = (time_ms, value);
                }
            }
            None => {
                self.ends = Some(Ends {
                    first_ms: time_ms,
                    first: value,
                    last_ms: time_ms,
                    last: value,
                    min: value,
                    max: value,
                    sampled,
                });
            }
        }
    }
}

impl More {
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

/// One window at a tick.
pub(crate) struct View<'a> {
    ring: &'a Ring,
    window: &'a Window,
    start_ms: i64,
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

    fn inside(&self) -> impl DoubleEndedIterator<Item = &Ends> {
        let place = |position: u64| usize::try_from(position - self.ring.dropped).unwrap_or(0);
        self.ring
            .panes
            .range(place(self.window.tail)..place(self.window.head))
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
        Some(numerator as f64 / (n * (n - 1)) as f64)
    }

    /// Least-squares slope in steps per millisecond.
    pub(crate) fn slope_steps_per_ms(&self) -> Option<f64> {
        let n = i128::from(self.window.n);
        if n < 2 {
            return None;
        }
        let (more, start) = (&self.window.more, i128::from(self.start_ms));
        // Times counted from the window's start keep the products inside i128.
        let times = more.times - n * start;
        let squared = more.times_squared - 2 * start * more.times + n * start * start;
        let product = more.times_steps - start * self.window.sum;
        let denominator = n * squared - times * times;
        (denominator != 0)
            .then(|| (n * product - times * self.window.sum) as f64 / denominator as f64)
    }

    /// Sum of an event field.
    pub(crate) fn field_sum(&self, field: usize) -> f64 {
        self.window
            .more
            .extra
            .get(field)
            .map_or(0.0, |sum| *sum as f64 / FIELD_STEPS)
    }
}
