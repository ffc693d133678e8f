//! Between which values an input stays, and why.

use super::table::{Reader, UnitOf};
use crate::Statistic;
use wheeltap_model::{ChannelDef, ChannelKind};

/// What keeps an input between its bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Bound {
    /// The channel's range in the catalogue.
    Range,
    /// It is a probability.
    Probability,
    /// The window's length, or how many panes it has.
    Window,
    /// What it is: a count is not under 0.
    Kind,
}

/// Least and greatest value of an input, and why.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bounds {
    pub(super) range: (f64, f64),
    pub(super) by: Bound,
    pub(super) promised: f64,
}

impl Bounds {
    pub(super) const fn new(range: (f64, f64), by: Bound) -> Self {
        Self {
            range,
            by,
            promised: f64::INFINITY,
        }
    }
}

/// How a window is cut, in milliseconds.
#[derive(Clone, Copy)]
#[expect(clippy::struct_field_names, reason = "names say the unit")]
pub(super) struct Cut {
    pub(super) window_ms: i64,
    pub(super) pane_ms: i64,
    pub(super) tick_ms: i64,
}

/// How many samples a window holds at the channel's own interval.
pub(super) fn promised(window_ms: i64, interval_ms: i64) -> i64 {
    window_ms.div_euclid(interval_ms) + i64::from(window_ms.rem_euclid(interval_ms) > 0)
}

/// Of a statistic of a channel's values over a window.
pub(super) fn bounds(reader: &Reader, statistic: Statistic, def: &ChannelDef, cut: Cut) -> Bounds {
    let (low, high) = def.range;
    let seconds = |ms: i64| ms as f64 / 1_000.0;
    match (reader.unit, statistic) {
        (UnitOf::Channel, _) => Bounds::new((low, high), Bound::Range),
        (UnitOf::Difference, Statistic::Range | Statistic::MovingRange) => {
            Bounds::new((0.0, high - low), Bound::Range)
        }
        // The sample standard deviation of two values at the ends is their distance over root 2.
        (UnitOf::Difference, Statistic::StdDev) => Bounds::new(
            (0.0, (high - low) * std::f64::consts::FRAC_1_SQRT_2),
            Bound::Range,
        ),
        (_, Statistic::TrendP) => Bounds::new((0.0, 1.0), Bound::Probability),
        (_, Statistic::TrendS) => {
            let n = cut.window_ms / cut.pane_ms;
            let pairs = (n * (n - 1) / 2) as f64;
            Bounds::new((-pairs, pairs), Bound::Window)
        }
        (UnitOf::Seconds, _) => match def.kind {
            // Each sample counts for the interval, and more may come than were promised.
            ChannelKind::Sampled { interval_ms } => Bounds {
                promised: seconds(promised(cut.window_ms, interval_ms) * interval_ms),
                ..Bounds::new((0.0, f64::INFINITY), Bound::Kind)
            },
            _ => Bounds::new((0.0, seconds(cut.window_ms)), Bound::Window),
        },
        (UnitOf::Count, Statistic::Count) => {
            let most = match def.kind {
                ChannelKind::Sampled { interval_ms } => promised(cut.window_ms, interval_ms) as f64,
                _ => f64::INFINITY,
            };
            Bounds {
                promised: most,
                ..Bounds::new((0.0, f64::INFINITY), Bound::Kind)
            }
        }
        (_, Statistic::CusumHigh { target, slack }) if target + slack >= high => {
            Bounds::new((0.0, 0.0), Bound::Range)
        }
        (_, Statistic::CusumLow { target, slack }) if target - slack <= low => {
            Bounds::new((0.0, 0.0), Bound::Range)
        }
        (UnitOf::Count | UnitOf::Difference, _) | (_, Statistic::SlopeError) => {
            Bounds::new((0.0, f64::INFINITY), Bound::Kind)
        }
        _ => Bounds::new((f64::NEG_INFINITY, f64::INFINITY), Bound::Kind),
    }
}
