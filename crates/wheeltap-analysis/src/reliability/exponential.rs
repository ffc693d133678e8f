//! Constant failure rate: mean time between failures with its bounds.

use super::{Ended, Unfit, checked_confidence, chi_squared_quantile, positive};

/// Mean time between failures at a constant rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mtbf {
    /// Failures.
    pub n_failures: u64,
    /// Time or use over which they were counted, all items together.
    pub exposure: f64,
    /// Exposure by failures; `None` without a failure.
    pub estimate: Option<f64>,
    /// Lower bound.
    pub lower: f64,
    /// Upper bound; `None` without a failure, as there is none then.
    pub upper: Option<f64>,
}

/// Mean time between failures with bounds of which `confidence` lies between: 2T/chi2(1 - a/2; 2r + 2)
/// and 2T/chi2(a/2; 2r), and 2r degrees for both when the last failure ended it. Without a failure there is
/// but one bound, so all of the doubt lies on its side: T/ln(1/a).
///
/// Source: NIST/SEMATECH e-Handbook 8.4.5.1 (from memory).
///
/// # Errors
/// [`Unfit`] for an exposure that is not above zero, a confidence outside of 0 to 1, or a failure that
/// ended it when there was none.
pub fn mtbf(exposure: f64, n_failures: u64, ended: Ended, confidence: f64) -> Result<Mtbf, Unfit> {
    let doubt = 1.0 - checked_confidence(confidence)?;
    if n_failures == 0 {
        let lower = mtbf_least(exposure, 0, ended, confidence)?;
        return Ok(Mtbf {
            n_failures,
            exposure,
            estimate: None,
            lower,
            upper: None,
        });
    }
    let lower = mtbf_least(exposure, n_failures, ended, 1.0 - doubt / 2.0)?;
    let degrees = 2.0 * n_failures as f64;
    Ok(Mtbf {
        n_failures,
        exposure,
        estimate: Some(exposure / n_failures as f64),
        lower,
        upper: Some(2.0 * exposure / chi_squared_quantile(doubt / 2.0, degrees)),
    })
}

/// The mean time between failures that is reached with at least this confidence (one-sided).
///
/// # Errors
/// As [`mtbf`].
pub fn mtbf_least(
    exposure: f64,
    n_failures: u64,
    ended: Ended,
    confidence: f64,
) -> Result<f64, Unfit> {
    positive("the exposure", exposure)?;
    checked_confidence(confidence)?;
    let degrees = match ended {
        Ended::AtTime => 2.0 * n_failures as f64 + 2.0,
        Ended::AtFailure if n_failures > 0 => 2.0 * n_failures as f64,
        Ended::AtFailure => {
            return Err(Unfit::TooFew {
                needed: 1,
                found: 0,
            });
        }
    };
    Ok(2.0 * exposure / chi_squared_quantile(confidence, degrees))
}
