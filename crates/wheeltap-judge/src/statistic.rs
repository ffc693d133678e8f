//! What a window's sums say.

use crate::{
    pane::{Ring, View, real},
    plan::{PlannedChannel, Speaks, WindowSource},
};
use wheeltap_rules::Statistic;

/// Makes the median absolute deviation of a normal distribution its standard deviation.
const NORMAL: f64 = 1.4826;

/// An input's value at a tick up to which everything was taken; `held` is what a held channel has now.
pub(crate) fn value(
    source: &WindowSource,
    planned: &PlannedChannel,
    held: Option<f64>,
    rings: &mut [Ring],
    tick_ms: i64,
) -> Option<f64> {
    let size = f64::from(planned.num) / f64::from(planned.den);
    match source.statistic {
        Statistic::RobustScore { past_ms, .. } => {
            let (past_ring, past_window) = source.past?;
            let past = rings[past_ring].window(past_window, tick_ms);
            if !enough(planned, &past, past_ms, source.min_share) {
                return None;
            }
            let middle = past.middle()?;
            let now = rings[source.ring].window(source.window, tick_ms);
            if !known(source, planned, held, &now) {
                return None;
            }
            Some(robust_score(planned, mean(planned, held, &now)?, middle))
        }
        Statistic::CusumHigh { .. } | Statistic::CusumLow { .. } => {
            let (since_ms, n, high, low) = rings[source.ring].cusum(source.detail, tick_ms);
            let seen = match planned.speaks {
                Speaks::Sampled { interval_ms } => {
                    n as f64 * interval_ms as f64 >= source.min_share * (tick_ms - since_ms) as f64
                }
                _ => true,
            };
            let sum = match source.statistic {
                Statistic::CusumHigh { .. } => high,
                _ => low,
            };
            (n > 0 && seen).then_some(sum * size)
        }
        _ => of_window(
            source,
            planned,
            held,
            &rings[source.ring].window(source.window, tick_ms),
        ),
    }
}

/// Whether a window holds what its channel promises.
fn known(
    source: &WindowSource,
    planned: &PlannedChannel,
    held: Option<f64>,
    view: &View<'_>,
) -> bool {
    match planned.speaks {
        Speaks::Held { .. } if !source.gated => held.is_some(),
        _ => enough(planned, view, source.window_ms, source.min_share),
    }
}

/// Whether at least this share of a stretch was seen.
fn enough(planned: &PlannedChannel, view: &View<'_>, length_ms: i64, share: f64) -> bool {
    match planned.speaks {
        Speaks::Event => false,
        Speaks::Held { .. } => {
            let covered_ms = view.more().covered_ms;
            covered_ms > 0 && covered_ms as f64 >= share * length_ms as f64
        }
        Speaks::Sampled { interval_ms } => {
            let promised = length_ms as f64 / interval_ms as f64;
            view.n() > 0 && view.n() as f64 >= share * promised
        }
    }
}

fn of_window(
    source: &WindowSource,
    planned: &PlannedChannel,
    held: Option<f64>,
    view: &View<'_>,
) -> Option<f64> {
    match source.statistic {
        Statistic::Count | Statistic::Conflicts => return Some(view.n() as f64),
        Statistic::Sum(field) => return Some(view.field_sum(field)),
        _ => {}
    }
    if !known(source, planned, held, view) {
        return None;
    }
    let (num, den) = (i128::from(planned.num), i128::from(planned.den));
    let size = f64::from(planned.num) / f64::from(planned.den);
    let more = view.more();
    match source.statistic {
        Statistic::Last => view.last().map(|(_, value)| value),
        Statistic::Mean => mean(planned, held, view),
        Statistic::Min => view.min(),
        Statistic::Max => view.max(),
        Statistic::Range => Some(view.max()? - view.min()?),
        Statistic::StdDev => Some(view.variance_steps()?.sqrt() * size),
        Statistic::Slope => Some(view.slope_steps_per_ms()? * 1_000.0 * size),
        Statistic::SlopeError => Some(view.slope_error_steps_per_ms()? * 1_000.0 * size),
        Statistic::RobustSlope => Some(view.theil_sen_steps_per_ms()? * 1_000.0 * size),
        Statistic::TrendS => Some(view.mann_kendall().s as f64),
        Statistic::TrendZ => view.mann_kendall().z,
        Statistic::TrendP => view.mann_kendall().p(),
        Statistic::Rate => {
            let ((first_ms, first), (last_ms, last)) = (view.first()?, view.last()?);
            (last_ms > first_ms).then(|| (last - first) / ((last_ms - first_ms) as f64 / 1_000.0))
        }
        Statistic::TimeAbove(_) | Statistic::TimeBelow(_) => {
            let below = usize::from(matches!(source.statistic, Statistic::TimeBelow(_)));
            let counted = more
                .extra
                .get(source.detail * 2 + below)
                .copied()
                .unwrap_or(0);
            let weight_ms = match planned.speaks {
                Speaks::Sampled { interval_ms } => interval_ms,
                _ => 1,
            };
            Some(real(counted * i128::from(weight_ms)) / 1_000.0)
        }
        Statistic::Integral => {
            let step_ms = match planned.speaks {
                Speaks::Sampled { interval_ms } => view.sum() * i128::from(interval_ms),
                _ => more.integral,
            };
            Some(real(step_ms * num) / real(den * 1_000))
        }
        Statistic::MovingRange => Some(view.moving_range_steps()? * size),
        Statistic::Quantile(share) => {
            #[expect(
                clippy::cast_possible_truncation,
                reason = "a share, at most a million"
            )]
            let millionths = (share * 1e6).round() as i64;
            Some(in_units(planned, view.counts().quantile(millionths)?))
        }
        Statistic::Median => Some(in_units(planned, view.counts().median()?)),
        Statistic::Ewma(_) => view.smooth(source.detail).mean(),
        Statistic::EwmaScore {
            weight,
            target,
            sigma,
        } => view.smooth(source.detail).score(weight, target, sigma),
        Statistic::RobustScore { .. }
        | Statistic::CusumHigh { .. }
        | Statistic::CusumLow { .. }
        | Statistic::Count
        | Statistic::Conflicts
        | Statistic::Sum(_) => None,
    }
}

fn mean(planned: &PlannedChannel, held: Option<f64>, view: &View<'_>) -> Option<f64> {
    let (num, den) = (i128::from(planned.num), i128::from(planned.den));
    match planned.speaks {
        Speaks::Held { .. } => {
            let covered_ms = i128::from(view.more().covered_ms);
            if covered_ms == 0 {
                return held;
            }
            Some(real(view.more().integral * num) / real(covered_ms * den))
        }
        _ => Some(real(view.sum() * num) / real(i128::from(view.n()) * den)),
    }
}

/// A place in half bins, in the channel's unit.
fn in_units(planned: &PlannedChannel, half_bins: i64) -> f64 {
    let half_steps = planned.bins.half_steps(half_bins) * i64::from(planned.num);
    half_steps as f64 / (2.0 * f64::from(planned.den))
}

/// The mean now, in robust standard deviations from the past's median (in half bins), with the past's
/// median deviation in quarter bins.
fn robust_score(planned: &PlannedChannel, mean_now: f64, (median, deviation): (i64, i64)) -> f64 {
    // Values are known to half a bin, so their spread is not known to be less.
    let quarter_bins = deviation.max(2) * planned.bins.width() * i64::from(planned.num);
    let spread = quarter_bins as f64 / (4.0 * f64::from(planned.den));
    (mean_now - in_units(planned, median)) / (NORMAL * spread)
}
