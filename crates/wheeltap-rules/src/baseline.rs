//! What a rule says of a stretch in which the unit was healthy.

use std::fmt;
use wheeltap_model::{ChannelName, EventTime, format_span};

/// Channels joined into rows, and the stretch whose rows say what is usual.
///
/// A row holds the mean of each channel over the window (t - w, t] at a tick of the rule; it is known
/// when every mean is. Rows whose window lies inside the stretch are the baseline's.
#[derive(Clone, Debug, PartialEq)]
pub struct Baseline {
    /// Channel names; may hold `{axle}`. One, or 2 to 32 for principal components.
    pub channels: Vec<String>,
    /// Window length in milliseconds, a multiple of `pane_ms`.
    pub window_ms: i64,
    /// Pane length in milliseconds; see [`crate::pane_ms`].
    pub pane_ms: i64,
    /// Share of the promised samples that makes a sampled window known, 0 to 1; 0.5 by default.
    pub min_share: f64,
    /// When the unit was healthy.
    pub healthy: Healthy,
    /// The fewest components are kept whose variances make up this share of all, 0 to 1.
    pub variance: f64,
}

impl Baseline {
    /// The channels for part `part_no`, with `{axle}` filled in; `None` when one is no name.
    pub fn channels_for(&self, part_no: Option<u32>) -> Option<Vec<ChannelName>> {
        let filled = self.channels.iter().map(|channel| match part_no {
            Some(number) => channel.replace("{axle}", &number.to_string()),
            None => channel.clone(),
        });
        filled.map(|name| ChannelName::new(&name).ok()).collect()
    }

    /// Rows without which nothing is fitted: three a channel, but at least ten.
    pub fn least_rows(n_channels: usize) -> u64 {
        u64::try_from(n_channels * 3).unwrap_or(u64::MAX).max(10)
    }

    /// Panes kept, over all channels.
    pub(crate) fn panes(&self) -> u64 {
        let each = u64::try_from(self.window_ms / self.pane_ms).unwrap_or(0);
        each * u64::try_from(self.channels.len()).unwrap_or(0)
    }
}

/// A stretch in which the unit was healthy, named in the rule's text, so that each version of a rule
/// has one for good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Healthy {
    /// So long from the tick before the first sample of any of the channels.
    First {
        /// Milliseconds.
        span_ms: i64,
    },
    /// Dated: (from, to].
    Days {
        /// Unix milliseconds.
        from_ms: i64,
        /// Unix milliseconds.
        to_ms: i64,
    },
}

impl Healthy {
    /// Its length in milliseconds.
    pub const fn span_ms(self) -> i64 {
        match self {
            Self::First { span_ms } => span_ms,
            Self::Days { from_ms, to_ms } => to_ms - from_ms,
        }
    }
}

impl fmt::Display for Healthy {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::First { span_ms } => write!(f, "first {}", format_span(*span_ms)),
            Self::Days { from_ms, to_ms } => {
                let [from, to] = [from_ms, to_ms].map(|ms| EventTime::from_unix_ms(*ms));
                write!(f, "{from} to {to}")
            }
        }
    }
}

/// What is read against a baseline.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// Hotelling's T-squared of the kept components.
    TSquared,
    /// The squared prediction error, Q.
    SquaredError,
    /// The mean of the one channel's rows.
    Usual,
    /// Their sample standard deviation (n - 1).
    UsualStdDev,
}

impl Against {
    /// Whether it is of one channel, and of the stretch alone.
    pub const fn is_of_one(self) -> bool {
        matches!(self, Self::Usual | Self::UsualStdDev)
    }
}

/// The reference's text on baselines.
pub(crate) const REFERENCE: [&str; 21] = [
    "### Healthy stretches",
    "",
    "`usual`, `usual_stdev`, `t_squared` and `q` measure a unit by a stretch in which it was healthy. The stretch is named in the rule:",
    "`first(\"400 s\")` is so long from the tick before the first sample of any of the channels; `days(\"2026-01-10\", \"2026-01-16\")`",
    "are whole days in UTC, both included. At each tick whose window lies in it, the means of the channels over the window make a row,",
    "known when each mean is. From the first tick after the stretch on the fit stands and never moves again, unless late data of the",
    "stretch itself arrives; it depends on the data of the stretch alone. Fewer than three rows a channel (or ten) fit nothing, and",
    "neither does a channel that never moved; the input then stays unknown.",
    "",
    "With x a row, m and s mean and sample standard deviation (n - 1) of each channel over the stretch, z = (x - m) / s. The",
    "correlation matrix of the stretch has eigenvalues l and eigenvectors p, the greatest first; the fewest are kept that make up the",
    "share `variance` of all (0.9 if left out), except what is below 1e-9 of the greatest. With scores t = p'z:",
    "",
    "- T-squared = sum of t^2 / l over the kept ones; channel j's part is z_j times the sum of p_j t / l.",
    "- Q = sum of e^2, e = z less the sum of p t over the kept ones; channel j's part is e_j^2. With all kept, Q is 0.",
    "",
    "The evidence names the three channels with the greatest parts, each in per cent of the whole; a part of T-squared can be less than",
    "nothing where channels offset each other. Sources: H. Hotelling, Multivariate quality control (1947); J. E. Jackson and G. S.",
    "Mudholkar, Control procedures for residuals associated with principal component analysis, Technometrics 21 (1979).",
    "With n rows and k components kept, T-squared of a new healthy row with independent, normal rows stays below k (n^2 - 1) / (n (n - k))",
    "F(k, n - k); rows of overlapping windows are not independent, so set limits by replay.",
];
