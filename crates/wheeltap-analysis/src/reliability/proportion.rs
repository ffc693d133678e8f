//! Shares with their bounds, and whether a count is more than chance.

use super::{Unfit, checked_confidence, normal_quantile};
use statrs::function::gamma::gamma_lr;

/// A share of trials.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Proportion {
    /// So many ...
    pub n: u64,
    /// ... of so many.
    pub of: u64,
    /// `None` of nothing.
    pub share: Option<f64>,
    /// Lower bound, 0 to 1.
    pub lower: f64,
    /// Upper bound, 0 to 1.
    pub upper: f64,
}

/// A share with Wilson's score bounds, of which about `confidence` lies between. Of nothing it may be
/// anything: 0 to 1.
///
/// Source: Wilson 1927; good for few trials and for shares near 0 and 1 (Newcombe 1998).
///
/// # Errors
/// [`Unfit`] for more successes than trials, or a confidence outside of 0 to 1.
pub fn proportion(n: u64, of: u64, confidence: f64) -> Result<Proportion, Unfit> {
    let z = normal_quantile(f64::midpoint(checked_confidence(confidence)?, 1.0));
    if n > of {
        return Err(Unfit::NoShare { n, of });
    }
    if of == 0 {
        return Ok(Proportion {
            n,
            of,
            share: None,
            lower: 0.0,
            upper: 1.0,
        });
    }
    let (hits, trials) = (n as f64, of as f64);
    let share = hits / trials;
    let middle = (hits + z * z / 2.0) / (trials + z * z);
    let half = z / (trials + z * z) * (hits * (1.0 - share) + z * z / 4.0).sqrt();
    Ok(Proportion {
        n,
        of,
        share: Some(share),
        // At the ends the formula gives them up to rounding.
        lower: if n == 0 { 0.0 } else { middle - half },
        upper: if n == of { 1.0 } else { middle + half },
    })
}

/// Chance of at least `n` events where `expected` are expected (Poisson); 1 for `n` of 0. NaN for an
/// expectation that is no number from 0 up.
pub fn at_least(n: u64, expected: f64) -> f64 {
    if !(expected >= 0.0 && expected.is_finite()) {
        f64::NAN
    } else if n == 0 {
        1.0
    } else if expected > 0.0 {
        gamma_lr(n as f64, expected)
    } else {
        0.0
    }
}
