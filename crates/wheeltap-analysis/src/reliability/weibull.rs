//! Lives of items that wear: Weibull's distribution, with items that had not failed yet.

use super::search::{root, root_from};
use super::{Estimate, Unfit, checked_confidence, chi_squared, chi_squared_quantile, positive};
use statrs::distribution::ContinuousCDF;
use statrs::function::gamma::gamma;

/// One item's life as far as it was watched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Life {
    /// Time or use from new, above zero.
    pub time: f64,
    /// It failed then; otherwise it was still good (right-censored).
    pub failed: bool,
}

/// Weibull's distribution fitted to lives: surviving(t) = exp(-(t/scale)^shape).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weibull {
    /// Lives that ended in failure.
    pub n_failures: u64,
    /// Lives still good when last seen.
    pub n_censored: u64,
    /// Under 1 items fail early, near 1 by chance, over 1 by wear.
    pub shape: Estimate,
    /// The life that 63.2 % do not reach.
    pub scale: Estimate,
    /// Of the fit.
    pub log_likelihood: f64,
    /// How likely it is that a constant rate looks so unlike one by chance (likelihood ratio).
    pub p_constant: f64,
}

impl Weibull {
    /// Share that reaches `time`.
    pub fn surviving(&self, time: f64) -> f64 {
        (-(time / self.scale.value).powf(self.shape.value)).exp()
    }

    /// The life at which `share` of the items has failed; NaN unless it lies between 0 and 1.
    pub fn life(&self, share: f64) -> f64 {
        self.scale.value * (-(-share).ln_1p()).powf(1.0 / self.shape.value)
    }

    /// Mean life.
    pub fn mean(&self) -> f64 {
        self.scale.value * gamma(1.0 + 1.0 / self.shape.value)
    }

    /// Akaike's criterion.
    pub fn aic(&self) -> f64 {
        4.0 - 2.0 * self.log_likelihood
    }
}

/// Lives as parts of the longest, so that powers stay small.
struct Lives {
    longest: f64,
    /// Logarithms of the shares.
    logs: Vec<f64>,
    n_failures: f64,
    /// Sum of the logarithms of the failures' shares.
    failed_logs: f64,
}

impl Lives {
    fn new(lives: &[Life]) -> Result<Self, Unfit> {
        let mut longest = 0.0_f64;
        for life in lives {
            longest = longest.max(positive("a life", life.time)?);
        }
        let failed = lives.iter().filter(|life| life.failed);
        Ok(Self {
            longest,
            logs: lives
                .iter()
                .map(|life| (life.time / longest).ln())
                .collect(),
            n_failures: failed.clone().count() as f64,
            failed_logs: failed.map(|life| (life.time / longest).ln()).sum(),
        })
    }

    /// Sum of share^shape: all that the likelihood needs of the lives for one shape.
    fn powers(&self, shape: f64) -> f64 {
        self.logs.iter().map(|log| (shape * log).exp()).sum()
    }

    /// Whether the likelihood rises with the shape, at the best scale for it.
    fn is_short(&self, shape: f64) -> bool {
        let (plain, with) = self.logs.iter().fold((0.0, 0.0), |(plain, with), log| {
            let power = (shape * log).exp();
            (plain + power, with + power * log)
        });
        with / plain - 1.0 / shape - self.failed_logs / self.n_failures < 0.0
    }

    /// Of the times, not the shares.
    fn log_likelihood(&self, shape: f64, scale_share: f64, powers: f64) -> f64 {
        let r = self.n_failures;
        r * (shape.ln() - shape * scale_share.ln() - self.longest.ln())
            + (shape - 1.0) * self.failed_logs
            - powers / scale_share.powf(shape)
    }

    /// The best scale for a shape.
    fn scale(&self, shape: f64, powers: f64) -> f64 {
        (powers / self.n_failures).powf(1.0 / shape)
    }

    fn best_for(&self, shape: f64) -> f64 {
        let powers = self.powers(shape);
        self.log_likelihood(shape, self.scale(shape, powers), powers)
    }

    /// The least and greatest scales that are not too unlikely for a shape; the best one twice where all are.
    fn scales(&self, shape: f64, least: f64) -> (f64, f64) {
        let powers = self.powers(shape);
        let best = self.scale(shape, powers);
        let is_unlikely = |scale: f64| self.log_likelihood(shape, scale, powers) < least;
        if is_unlikely(best) {
            (best, best)
        } else {
            around(best, is_unlikely)
        }
    }
}

/// Fits Weibull's distribution by maximum likelihood; bounds by the likelihood ratio, of which about
/// `confidence` lies between: with few failures nearer to the truth than those from the curvature. The order
/// of the lives does not matter; lives still good are evidence too and must be there.
///
/// Source: textbook, such as Meeker and Escobar 1998 chapter 8; checked against the NIST/SEMATECH e-Handbook
/// 8.4.1.3.
///
/// # Errors
/// [`Unfit`] with fewer than two failures, for lives that are not above zero, and
/// [`Unfit::NoShape`] when all failures are at the longest life.
pub fn weibull(lives: &[Life], confidence: f64) -> Result<Weibull, Unfit> {
    checked_confidence(confidence)?;
    let known = Lives::new(lives)?;
    let n_failures = lives.iter().filter(|life| life.failed).count() as u64;
    if n_failures < 2 {
        return Err(Unfit::TooFew {
            needed: 2,
            found: n_failures,
        });
    }
    let shape = root_from(1.0, |shape| known.is_short(shape)).ok_or(Unfit::NoShape)?;
    let powers = known.powers(shape);
    let scale = known.scale(shape, powers);
    let best = known.log_likelihood(shape, scale, powers);
    let least = best - chi_squared_quantile(confidence, 1.0) / 2.0;
    let (shape_lower, shape_upper) = around(shape, |shape| known.best_for(shape) < least);
    // The bounds of the scale are the ends of what is likely enough with any shape. Lives are summed once a
    // shape, however many scales are tried with it.
    let lowest = greatest(shape_lower, shape_upper, |shape| {
        -known.scales(shape, least).0
    });
    let highest = greatest(shape_lower, shape_upper, |shape| {
        known.scales(shape, least).1
    });
    let (scale_lower, scale_upper) = (-lowest, highest);
    let constant = known.best_for(1.0);
    Ok(Weibull {
        n_failures,
        n_censored: lives.len() as u64 - n_failures,
        shape: Estimate {
            value: shape,
            lower: shape_lower,
            upper: shape_upper,
        },
        scale: Estimate {
            value: scale * known.longest,
            lower: scale_lower * known.longest,
            upper: scale_upper * known.longest,
        },
        log_likelihood: best,
        p_constant: chi_squared(1.0).sf((2.0 * (best - constant)).max(0.0)),
    })
}

/// Where it becomes too unlikely, on either side of the best.
fn around(best: f64, is_unlikely: impl Fn(f64) -> bool) -> (f64, f64) {
    let side = |factor: f64| {
        let (mut near, mut far) = (best, best * factor);
        for _ in 0..60 {
            if is_unlikely(far) {
                break;
            }
            near = far;
            far *= factor;
        }
        root(near, far, |at| !is_unlikely(at))
    };
    (side(0.5), side(2.0))
}

/// The greatest value of a function that rises and then falls between two arguments, by golden section.
fn greatest(mut low: f64, mut high: f64, of: impl Fn(f64) -> f64) -> f64 {
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let mut inner = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let mut values = (of(inner.0), of(inner.1));
    // Each narrows by the golden section; after these the argument is known to eight digits and the value,
    // being flat there, to all.
    for _ in 0..40 {
        if values.0 > values.1 {
            high = inner.1;
            inner = (high - GOLDEN * (high - low), inner.0);
            values = (of(inner.0), values.0);
        } else {
            low = inner.0;
            inner = (inner.1, low + GOLDEN * (high - low));
            values = (values.1, of(inner.1));
        }
    }
    values.0.max(values.1)
}

/// A straight line y = intercept + slope x.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Rise of y with x.
    pub slope: f64,
    /// y at x = 0.
    pub intercept: f64,
}

/// The failures on Weibull paper.
#[derive(Clone, Debug, PartialEq)]
pub struct MedianRanks {
    /// Each failure's life and the share failed by then, by life.
    pub points: Vec<(f64, f64)>,
    /// log10(ln(1/(1 - share))) over log10(life), by least squares; its slope is a quick look at the
    /// shape. `None` when all failures have one life.
    pub line: Option<Line>,
}

/// Places failures on Weibull paper by median ranks, (i - 0.3)/(n + 0.4); lives still good before a
/// failure raise its rank (Johnson's adjusted ranks).
///
/// Source: Benard's approximation; the NIST/SEMATECH e-Handbook 8.2.2.1 (from memory).
///
/// # Errors
/// [`Unfit`] without a failure, and for lives that are not above zero.
pub fn median_ranks(lives: &[Life]) -> Result<MedianRanks, Unfit> {
    for life in lives {
        positive("a life", life.time)?;
    }
    let mut sorted = lives.to_vec();
    // A life still good at the instant of a failure outlived it.
    sorted.sort_by(|a, b| {
        let order = a.time.total_cmp(&b.time);
        order.then_with(|| b.failed.cmp(&a.failed))
    });
    let n = sorted.len() as f64;
    let mut rank = 0.0;
    let mut points = Vec::new();
    for (idx, life) in sorted.iter().enumerate() {
        if life.failed {
            let left = (sorted.len() - idx) as f64;
            rank += (n + 1.0 - rank) / (left + 1.0);
            points.push((life.time, (rank - 0.3) / (n + 0.4)));
        }
    }
    if points.is_empty() {
        return Err(Unfit::TooFew {
            needed: 1,
            found: 0,
        });
    }
    let on_paper = |(life, share): &(f64, f64)| (life.log10(), (-(-share).ln_1p()).log10());
    let line = least_squares(&points.iter().map(on_paper).collect::<Vec<_>>());
    Ok(MedianRanks { points, line })
}

fn least_squares(points: &[(f64, f64)]) -> Option<Line> {
    let n = points.len() as f64;
    let mean_x = points.iter().map(|(x, _)| x).sum::<f64>() / n;
    let mean_y = points.iter().map(|(_, y)| y).sum::<f64>() / n;
    let spread: f64 = points.iter().map(|(x, _)| (x - mean_x).powi(2)).sum();
    let together: f64 = points
        .iter()
        .map(|(x, y)| (x - mean_x) * (y - mean_y))
        .sum();
    (spread > 0.0).then(|| {
        let slope = together / spread;
        Line {
            slope,
            intercept: mean_y - slope * mean_x,
        }
    })
}
