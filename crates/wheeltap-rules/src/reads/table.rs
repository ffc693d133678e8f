//! Everything that `reads()` may ask for, as the reference prints it.

use super::{healthy, mates};

/// What an argument of a statistic is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Arg {
    Channel,
    Window,
    OptionalWindow,
    Limit,
    /// A share of the values, both ends left out.
    Share,
    /// A weight of exponential smoothing.
    Weight,
    Target,
    Sigma,
    Slack,
    /// A span before the window.
    Past,
    Field,
    States,
    Role,
    /// `first("400 s")` or `days(..)`.
    Healthy,
    /// A map of channels, window and healthy stretch.
    Baseline,
    /// A statistic of one channel, asked of the mates.
    Statistic,
    /// A map that says which mates; may be left out.
    OfMates,
}

/// What an input's unit is, given the channel's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum UnitOf {
    Channel,
    Difference,
    PerSecond,
    TimesSecond,
    Seconds,
    Count,
    Field,
    Flag,
    Number,
    /// That of the statistic inside.
    Statistic,
}

/// Which channels a statistic fits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fits {
    Values,
    Events,
    All,
    NoChannel,
}

/// One thing that `reads()` may ask for.
pub(crate) struct Reader {
    pub name: &'static str,
    pub args: &'static [Arg],
    pub fits: Fits,
    pub unit: UnitOf,
    pub what: &'static str,
    pub example: &'static str,
}

use Arg::{
    Channel, Field, Limit, OptionalWindow, Past, Role, Share, Sigma, Slack, States, Target, Weight,
    Window,
};

/// Statistics of one channel, and what is read of the unit.
static WINDOWS: [Reader; 33] = [
    Reader {
        name: "last",
        args: &[Channel, OptionalWindow],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the newest value: of a sampled channel when not older than the window (its silent \
               time by default), of a held one while it holds",
        example: "last(\"engine.oil.temperature\")",
    },
    Reader {
        name: "mean",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the mean: arithmetic of sampled channels, time-weighted of held ones",
        example: "mean(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "min",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the least value",
        example: "min(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "max",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the greatest value",
        example: "max(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "median",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the mean of the two middle values (the middle one of an odd count), from \
               counts in bins; of held channels by time",
        example: "median(\"engine.oil.temperature\", \"1 h\")",
    },
    Reader {
        name: "quantile",
        args: &[Channel, Share, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the value that this share of the values does not exceed (type 1, the inverse \
               of the empirical distribution), from counts in bins; of held channels by time",
        example: "quantile(\"engine.oil.temperature\", 0.95, \"1 h\")",
    },
    Reader {
        name: "range",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "the greatest value less the least",
        example: "range(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "stdev",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "the sample standard deviation (n - 1)",
        example: "stdev(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "slope",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::PerSecond,
        what: "the slope of the least-squares line",
        example: "slope(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "slope_error",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::PerSecond,
        what: "the standard error of that slope; unknown under three samples",
        example: "slope_error(\"engine.oil.temperature\", \"1 h\")",
    },
    Reader {
        name: "robust_slope",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::PerSecond,
        what: "the median of the slopes between each two pane means (Theil-Sen), at most 72 \
               panes",
        example: "robust_slope(\"engine.oil.temperature\", \"1 d\")",
    },
    Reader {
        name: "trend_s",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Number,
        what: "Mann-Kendall S over pane means, at most 72: later and greater pairs less later \
               and lesser ones",
        example: "trend_s(\"engine.oil.temperature\", \"1 d\")",
    },
    Reader {
        name: "trend_z",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Number,
        what: "S in standard deviations, ties and continuity corrected (US EPA QA/G-9S); \
               unknown under 4 panes or when all are equal",
        example: "trend_z(\"engine.oil.temperature\", \"1 d\")",
    },
    Reader {
        name: "trend_p",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Number,
        what: "two-sided probability of such a Z where there is no trend",
        example: "trend_p(\"engine.oil.temperature\", \"1 d\")",
    },
    Reader {
        name: "rate",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::PerSecond,
        what: "last less first value by the time between them",
        example: "rate(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "time_above",
        args: &[Channel, Limit, Window],
        fits: Fits::Values,
        unit: UnitOf::Seconds,
        what: "seconds above the limit",
        example: "time_above(\"engine.oil.temperature\", 110, \"1 h\")",
    },
    Reader {
        name: "time_below",
        args: &[Channel, Limit, Window],
        fits: Fits::Values,
        unit: UnitOf::Seconds,
        what: "seconds below the limit",
        example: "time_below(\"engine.oil.temperature\", 60, \"1 h\")",
    },
    Reader {
        name: "integral",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::TimesSecond,
        what: "the integral over time: of sampled channels each sample lasts one nominal \
               interval, so gaps add nothing; of held ones exact",
        example: "integral(\"traction.power\", \"1 h\")",
    },
    Reader {
        name: "moving_range",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "the mean step from a sample to the next, without sign; over 1.128 it is the \
               sigma of an individuals chart (NIST/SEMATECH e-Handbook 6.3.2.2)",
        example: "moving_range(\"engine.oil.temperature\", \"1 h\")",
    },
    Reader {
        name: "ewma",
        args: &[Channel, Weight, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the exponentially weighted mean: the newest sample weighs 1, each earlier one \
               1 - weight times its follower, none before the window",
        example: "ewma(\"engine.oil.temperature\", 0.1, \"10 min\")",
    },
    Reader {
        name: "ewma_score",
        args: &[Channel, Weight, Target, Sigma, Window],
        fits: Fits::Values,
        unit: UnitOf::Number,
        what: "the EWMA that starts from the target at the window's start, less the target, \
               over its own standard deviation for samples of that sigma; beyond 3 it is \
               outside the chart's limits (NIST/SEMATECH e-Handbook 6.3.2.4)",
        example: "ewma_score(\"engine.oil.temperature\", 0.3, 85, 2.5, \"1 h\")",
    },
    Reader {
        name: "cusum_high",
        args: &[Channel, Target, Slack, Window],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "the tabular cumulative sum above target + slack; starts from 0 at every whole \
               multiple of the window since 1970 (NIST/SEMATECH e-Handbook 6.3.2.3)",
        example: "cusum_high(\"engine.oil.temperature\", 85, 1.5, \"8 h\")",
    },
    Reader {
        name: "cusum_low",
        args: &[Channel, Target, Slack, Window],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "as cusum_high, below target - slack; both are 0 or more",
        example: "cusum_low(\"engine.oil.temperature\", 85, 1.5, \"8 h\")",
    },
    Reader {
        name: "robust_score",
        args: &[Channel, Window, Past],
        fits: Fits::Values,
        unit: UnitOf::Number,
        what: "the window's mean less the median of the past before the window, over 1.4826 \
               times that past's median absolute deviation (at least half a bin)",
        example: "robust_score(\"engine.oil.temperature\", \"10 min\", \"7 d\")",
    },
    Reader {
        name: "class_score",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Number,
        what: "the window's mean less the class's median, over the class's spread; unknown before \
               the class has a baseline",
        example: "class_score(\"engine.oil.temperature\", \"5 min\", #{ during: \
                  at_least(\"engine.notch\", 6) })",
    },
    Reader {
        name: "class_median",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the class's median of that mean",
        example: "class_median(\"engine.oil.temperature\", \"5 min\", #{ during: \
                  at_least(\"engine.notch\", 6) })",
    },
    Reader {
        name: "class_spread",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "the class's spread of it, 1.4826 times a median absolute deviation",
        example: "class_spread(\"engine.oil.temperature\", \"5 min\", #{ during: \
                  at_least(\"engine.notch\", 6) })",
    },
    Reader {
        name: "count",
        args: &[Channel, Window],
        fits: Fits::All,
        unit: UnitOf::Count,
        what: "how many events (or good samples)",
        example: "count(\"wheel.slip\", \"1 h\")",
    },
    Reader {
        name: "conflicts",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Count,
        what: "how many instants for which differing good values came, which feed nothing else",
        example: "conflicts(\"engine.oil.temperature\", \"1 h\")",
    },
    Reader {
        name: "sum",
        args: &[Channel, Field, Window],
        fits: Fits::Events,
        unit: UnitOf::Field,
        what: "the sum of one field over the events; events without it add nothing",
        example: "sum(\"wheel.slip\", \"duration\", \"1 h\")",
    },
    Reader {
        name: "in_state",
        args: &[States],
        fits: Fits::NoChannel,
        unit: UnitOf::Flag,
        what: "whether the unit is in one of these states; unknown when the state is",
        example: "in_state(\"working\", \"isolated\")",
    },
    Reader {
        name: "in_role",
        args: &[Role],
        fits: Fits::NoChannel,
        unit: UnitOf::Flag,
        what: "whether the unit leads, trails or is remote in its consist; unknown when that is",
        example: "in_role(\"lead\")",
    },
    Reader {
        name: "part_number",
        args: &[],
        fits: Fits::NoChannel,
        unit: UnitOf::Number,
        what: "the number of the axle that is judged (for_each: \"axle\")",
        example: "part_number()",
    },
];

/// Everything `reads()` offers, in the order of the reference.
pub(crate) fn readers() -> impl Iterator<Item = &'static Reader> {
    WINDOWS
        .iter()
        .chain(&healthy::READERS)
        .chain(&mates::READERS)
}
