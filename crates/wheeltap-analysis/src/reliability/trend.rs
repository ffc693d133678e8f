//! Whether a repairable system fails more often or less often than it did.

use super::{Ended, Unfit, checked_times, chi_squared, standard_normal};
use statrs::distribution::ContinuousCDF;

/// Fewest failures that a trend is told from. Both statistics have a value from one failure on, but a lone
/// failure near an end of the watching would pass for a sure trend. Ours.
const LEAST_FAILURES: u64 = 4;

/// Two tests against a constant rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Failures that count: without the last one when that ended the watching.
    pub n_failures: u64,
    /// Laplace's statistic, standard normal at a constant rate; above zero is worsening.
    pub laplace: f64,
    /// How likely one so far from zero is by chance, either way.
    pub laplace_p: f64,
    /// 2 sum ln(T/t), chi-square at a constant rate; small is worsening.
    pub military: f64,
    /// Its degrees of freedom.
    pub military_degrees: u64,
    /// How likely one so great is by chance: near 0 when the system improves.
    pub military_p_improving: f64,
    /// How likely one so small is by chance: near 0 when the system worsens.
    pub military_p_worsening: f64,
}

impl Trend {
    /// How likely the second test's value is by chance, either way.
    pub fn military_p(&self) -> f64 {
        let p = self.military_p_improving.min(self.military_p_worsening);
        (2.0 * p).min(1.0)
    }
}

/// Tests whether failures at `times`, counted from the start and watched until `end`, come at a constant
/// rate. Laplace's test sees a rate that grows or falls exponentially best, that of MIL-HDBK-189 one that
/// follows a power of time. Times may be tied. When the last failure ended the watching, `end` is not used.
///
/// Source: Cox and Lewis 1966 for Laplace's; MIL-HDBK-189 (1981) appendix C (from memory).
///
/// # Errors
/// [`Unfit`] with fewer than four failures (five when the last ended the watching), for times that are not
/// above zero, and for a failure after the end.
pub fn trend(times: &[f64], end: f64, ended: Ended) -> Result<Trend, Unfit> {
    let (times, end) = checked_times(times, end, ended)?;
    let n_failures = times.len() as u64;
    if n_failures < LEAST_FAILURES {
        let last = u64::from(ended == Ended::AtFailure);
        return Err(Unfit::TooFew {
            needed: LEAST_FAILURES + last,
            found: n_failures + last,
        });
    }
    let n = times.len() as f64;
    let mean = times.iter().sum::<f64>() / n;
    let laplace = (mean - end / 2.0) / (end * (1.0 / (12.0 * n)).sqrt());
    let military = 2.0 * times.iter().map(|time| (end / time).ln()).sum::<f64>();
    let chance = chi_squared(2.0 * n);
    Ok(Trend {
        n_failures,
        laplace,
        laplace_p: 2.0 * standard_normal().sf(laplace.abs()),
        military,
        military_degrees: 2 * n_failures,
        military_p_improving: chance.sf(military),
        military_p_worsening: chance.cdf(military),
    })
}
