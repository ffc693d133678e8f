//! Control charts: exponentially weighted means by pane, and cumulative sums that run from a restart.

/// Millionths of a step: targets and slacks are rounded to them, so that sums are whole.
const PARTS: f64 = 1e6;

/// After a decay to this little, what came before changes nothing.
const NOTHING_LEFT: f64 = 1e-20;

/// What one stretch of samples adds to an exponentially weighted mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Smooth {
    /// What is left of the weight of all that came before.
    pub decay: f64,
    /// Sum of weight times value; the newest weighs 1.
    pub sum: f64,
    /// Sum of weights.
    pub total: f64,
}

impl Smooth {
    pub(crate) const NOTHING: Self = Self {
        decay: 1.0,
        sum: 0.0,
        total: 0.0,
    };

    pub(crate) fn take(&mut self, value: f64, weight: f64) {
        let keep = 1.0 - weight;
        self.decay *= keep;
        self.sum = keep * self.sum + value;
        self.total = keep * self.total + 1.0;
    }

    /// Puts stretches together, the newest first. Always from the newest back, so that the same
    /// stretches give the same bits.
    pub(crate) fn joined(newest_first: impl Iterator<Item = Self>) -> Self {
        let mut whole = Self::NOTHING;
        for part in newest_first {
            whole.sum += whole.decay * part.sum;
            whole.total += whole.decay * part.total;
            whole.decay *= part.decay;
            if whole.decay < NOTHING_LEFT {
                break;
            }
        }
        whole
    }

    /// The weighted mean; `None` without a sample.
    pub(crate) fn mean(&self) -> Option<f64> {
        (self.total > 0.0).then(|| self.sum / self.total)
    }

    /// The chart that starts from the target, in its own standard deviations.
    pub(crate) fn score(&self, weight: f64, target: f64, sigma: f64) -> Option<f64> {
        let off = weight * (self.sum - target * self.total);
        let spread = weight / (2.0 - weight) * (1.0 - self.decay * self.decay);
        (self.total > 0.0).then(|| off / (sigma * spread.sqrt()))
    }
}

/// A cumulative sum that a ring keeps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PlannedCusum {
    high: i128,
    low: i128,
    pub restart_ms: i64,
}

impl PlannedCusum {
    /// Over a channel in steps of `size` of its unit.
    pub(crate) fn new(target: f64, slack: f64, size: f64, restart_ms: i64) -> Self {
        let parts = |value: f64| {
            let parts = (value / size * PARTS).round().clamp(-1e30, 1e30);
            #[expect(clippy::cast_possible_truncation, reason = "clamped, whole")]
            let whole = parts as i128;
            whole
        };
        Self {
            high: parts(target + slack),
            low: parts(target - slack),
            restart_ms,
        }
    }
}

/// A cumulative sum since its restart.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Cusum {
    /// It runs over (period * restart, (period + 1) * restart].
    period: i64,
    n: i64,
    high: i128,
    low: i128,
}

impl Cusum {
    pub(crate) fn take(&mut self, planned: &PlannedCusum, time_ms: i64, steps: i64) {
        let period = (time_ms - 1).div_euclid(planned.restart_ms);
        if self.period != period {
            *self = Self {
                period,
                ..Self::default()
            };
        }
        #[expect(clippy::cast_possible_truncation, reason = "a million")]
        let value = i128::from(steps) * PARTS as i128;
        self.n += 1;
        self.high = (self.high + value - planned.high).max(0);
        self.low = (self.low + planned.low - value).max(0);
    }

    /// At a tick: since when it runs, how many samples it took, the upper and the lower sum in steps.
    pub(crate) fn at(&self, planned: &PlannedCusum, tick_ms: i64) -> (i64, i64, f64, f64) {
        let period = (tick_ms - 1).div_euclid(planned.restart_ms);
        let own = if period == self.period {
            *self
        } else {
            Self::default()
        };
        (
            period * planned.restart_ms,
            own.n,
            own.high as f64 / PARTS,
            own.low as f64 / PARTS,
        )
    }
}
