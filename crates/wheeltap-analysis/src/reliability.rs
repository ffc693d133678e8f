//! Reliability statistics: how often things fail, whether that changes, and how sure one can be.
//!
//! Numbers in, numbers out: times and exposures are in whatever unit the caller uses, the same
//! throughout one call. Distributions come from `statrs`; unlike the trade's formulas these results feed
//! no rule, so they are good to about 1e-9 and not to the bit.
//!
//! ```
//! use wheeltap_analysis::reliability::{Ended, mtbf};
//! // 800 h on test, 2 failures, 90 % between the bounds (NIST/SEMATECH e-Handbook 8.4.5.1).
//! let seen = mtbf(800.0, 2, Ended::AtTime, 0.9)?;
//! assert_eq!(seen.estimate, Some(400.0));
//! assert_eq!((seen.lower.round(), seen.upper.map(f64::round)), (127.0, Some(2251.0)));
//! # Ok::<(), wheeltap_analysis::reliability::Unfit>(())
//! ```
//!
//! Every estimate comes with its bounds, and what cannot be said is an [`Unfit`], never a guess.

mod exponential;
mod growth;
mod proportion;
mod search;
mod trend;
mod weibull;

pub use exponential::{Mtbf, mtbf, mtbf_least};
pub use growth::{GroupedPowerLaw, PowerLaw, power_law, power_law_grouped};
pub use proportion::{Proportion, at_least, proportion};
pub use trend::{Trend, trend};
pub use weibull::{Life, Line, MedianRanks, Weibull, median_ranks, weibull};

use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};

/// Why there is no result.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum Unfit {
    /// A time or an exposure is no number above zero.
    #[error("{what} is {value}; it must be a finite number above zero")]
    NotPositive {
        /// Which.
        what: &'static str,
        /// As given.
        value: f64,
    },
    /// A confidence that is none.
    #[error("a confidence of {confidence} is none; it must lie between 0 and 1, such as 0.9")]
    BadConfidence {
        /// As given.
        confidence: f64,
    },
    /// A failure after the end of what was watched.
    #[error("a failure at {time} lies after the end at {end}")]
    AfterEnd {
        /// The failure.
        time: f64,
        /// The end.
        end: f64,
    },
    /// Not enough to go by.
    #[error("{needed} failures are needed, {found} are there")]
    TooFew {
        /// At least so many.
        needed: u64,
        /// So many are there.
        found: u64,
    },
    /// A count of successes above that of trials.
    #[error("{n} of {of} is no share")]
    NoShare {
        /// As given.
        n: u64,
        /// As given.
        of: u64,
    },
    /// Ends of intervals do not ascend, or are not as many as their counts.
    #[error("the ends of the intervals must ascend, one for each count")]
    BadIntervals,
    /// Every shape fits better than the one before it.
    #[error("the failures lie so close together that no shape fits best")]
    NoShape,
}

/// What ended the watching.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// A time set beforehand, whatever happened.
    AtTime,
    /// The last of the failures.
    AtFailure,
}

/// A value and the bounds within which it lies with the confidence asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Most likely.
    pub value: f64,
    /// Lower bound.
    pub lower: f64,
    /// Upper bound.
    pub upper: f64,
}

fn positive(what: &'static str, value: f64) -> Result<f64, Unfit> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(Unfit::NotPositive { what, value })
    }
}

fn checked_confidence(confidence: f64) -> Result<f64, Unfit> {
    if confidence > 0.0 && confidence < 1.0 {
        Ok(confidence)
    } else {
        Err(Unfit::BadConfidence { confidence })
    }
}

/// Failure times, ascending and checked, with the end of the watching and how many of them count: all
/// when a time ended it, all but the last when that failure did.
fn checked_times(times: &[f64], end: f64, ended: Ended) -> Result<(Vec<f64>, f64), Unfit> {
    let mut sorted = times.to_vec();
    for time in times {
        positive("the time of a failure", *time)?;
    }
    sorted.sort_by(f64::total_cmp);
    let end = match (ended, sorted.last()) {
        (Ended::AtFailure, Some(_)) => sorted.pop().unwrap_or(end),
        _ => positive("the end", end)?,
    };
    match sorted.last() {
        Some(last) if *last > end => Err(Unfit::AfterEnd { time: *last, end }),
        _ => Ok((sorted, end)),
    }
}

fn chi_squared(degrees: f64) -> ChiSquared {
    ChiSquared::new(degrees).expect("degrees of freedom are above zero")
}

fn standard_normal() -> Normal {
    Normal::new(0.0, 1.0).expect("the standard normal distribution exists")
}

/// The value that a standard normal variable does not exceed with probability `share`.
fn normal_quantile(share: f64) -> f64 {
    standard_normal().inverse_cdf(share)
}

/// The value that chi-square with so many degrees does not exceed with probability `share`.
fn chi_squared_quantile(share: f64, degrees: f64) -> f64 {
    chi_squared(degrees).inverse_cdf(share)
}
