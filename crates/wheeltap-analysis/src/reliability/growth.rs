//! Reliability growth and wear as a power of time: N(t) = a t^b. b under 1 improves, over 1 worsens.

use super::search::root_from;
use super::{
    Ended, Estimate, Unfit, checked_confidence, checked_times, chi_squared, normal_quantile,
    positive,
};
use statrs::distribution::ContinuousCDF;

/// A power law fitted to the times of failures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PowerLaw {
    /// Failures.
    pub n_failures: u64,
    /// The end of the watching.
    pub end: f64,
    /// b by maximum likelihood.
    pub exponent: f64,
    /// a by maximum likelihood: failures = a t^b.
    pub scale: f64,
    /// Failures a unit of time at the end, by maximum likelihood.
    pub intensity: f64,
    /// Mean time between failures at the end, by maximum likelihood.
    pub mtbf: f64,
    /// b without its bias. With few failures this one, and what follows from it, is the better.
    pub unbiased_exponent: f64,
    /// a that goes with it.
    pub unbiased_scale: f64,
    /// Mean time between failures at the end, from the unbiased b. Bounds only where a time ended
    /// the watching and failures are enough for the approximation.
    pub unbiased_mtbf: f64,
    /// Its bounds.
    pub unbiased_mtbf_bounds: Option<Estimate>,
    /// Cramer-von Mises statistic: how far the failures are from the law.
    pub cramer_von_mises: f64,
    /// What that statistic exceeds in one of ten cases where the law holds.
    pub cramer_von_mises_tenth: f64,
}

impl PowerLaw {
    /// Whether the failures do not speak against the law (10 %).
    pub fn fits(&self) -> bool {
        self.cramer_von_mises <= self.cramer_von_mises_tenth
    }

    /// Failures expected until `time` by maximum likelihood.
    pub fn expected(&self, time: f64) -> f64 {
        self.scale * time.powf(self.exponent)
    }
}

/// Values that the Cramer-von Mises statistic exceeds in one of ten cases, by the number of failures
/// that count: MIL-HDBK-189 (1981) appendix C and IEC 61164 table 1 (from memory; a test draws the
/// distribution).
const TENTHS: [(f64, f64); 14] = [
    (2.0, 0.162),
    (3.0, 0.154),
    (4.0, 0.155),
    (5.0, 0.160),
    (6.0, 0.162),
    (7.0, 0.165),
    (8.0, 0.165),
    (9.0, 0.167),
    (10.0, 0.167),
    (11.0, 0.169),
    (16.0, 0.171),
    (20.0, 0.172),
    (60.0, 0.173),
    (f64::INFINITY, 0.173),
];

fn tenth(n: f64) -> f64 {
    let reached = TENTHS.iter().take_while(|(least, _)| *least <= n);
    reached.last().map_or(TENTHS[0].1, |(_, value)| *value)
}

/// Fits a power law to failures at `times`, counted from the start and watched until `end`; bounds hold
/// `confidence` between them. Times may be tied. When the last failure ended the watching, `end` is not used.
///
/// Source: MIL-HDBK-189 (1981) appendix C (Crow); bounds from the NIST/SEMATECH e-Handbook 8.4.5.2, an
/// approximation that needs some eight failures (both from memory).
///
/// # Errors
/// [`Unfit`] with fewer than three failures, for times that are not above zero, and for a failure after
/// the end; [`Unfit::NoShape`] when all failures are at the end.
pub fn power_law(
    times: &[f64],
    end: f64,
    ended: Ended,
    confidence: f64,
) -> Result<PowerLaw, Unfit> {
    let z = normal_quantile(f64::midpoint(checked_confidence(confidence)?, 1.0));
    let found = times.len() as u64;
    if found < 3 {
        return Err(Unfit::TooFew { needed: 3, found });
    }
    let (times, end) = checked_times(times, end, ended)?;
    let n = found as f64;
    let logs: f64 = times.iter().map(|time| (end / time).ln()).sum();
    if logs <= 0.0 {
        return Err(Unfit::NoShape);
    }
    let exponent = n / logs;
    let scale = n / end.powf(exponent);
    let intensity = n * exponent / end;
    // (n - 1)/n of it where a time ended it, (n - 2)/n where a failure did.
    let unbiased = match ended {
        Ended::AtTime => (n - 1.0) / logs,
        Ended::AtFailure => (n - 2.0) / logs,
    };
    let unbiased_mtbf = end / (n * unbiased);
    let bounds = (ended == Ended::AtTime && n - z * (n / 2.0).sqrt() > 0.0).then(|| {
        let above = n + z * z / 4.0 + (n * z * z / 2.0 + z.powi(4) / 16.0).sqrt();
        let below = n - z * (n / 2.0).sqrt();
        let factor = n * (n - 1.0);
        Estimate {
            value: unbiased_mtbf,
            lower: unbiased_mtbf * factor / (above * above),
            upper: unbiased_mtbf * factor / (below * below),
        }
    });
    let counted = times.len() as f64;
    let misses = (0_u32..).zip(&times).map(|(idx, time)| {
        let share = (2.0 * f64::from(idx) + 1.0) / (2.0 * counted);
        ((time / end).powf(unbiased) - share).powi(2)
    });
    Ok(PowerLaw {
        n_failures: found,
        end,
        exponent,
        scale,
        intensity,
        mtbf: 1.0 / intensity,
        unbiased_exponent: unbiased,
        unbiased_scale: n / end.powf(unbiased),
        unbiased_mtbf,
        unbiased_mtbf_bounds: bounds,
        cramer_von_mises: 1.0 / (12.0 * counted) + misses.sum::<f64>(),
        cramer_von_mises_tenth: tenth(counted),
    })
}

/// A power law fitted to counts of failures in intervals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroupedPowerLaw {
    /// Failures.
    pub n_failures: u64,
    /// b.
    pub exponent: f64,
    /// a.
    pub scale: f64,
    /// Failures a unit of time at the end.
    pub intensity: f64,
    /// Mean time between failures at the end.
    pub mtbf: f64,
    /// Mean time between failures over the last interval, as fitted.
    pub last_mtbf: f64,
    /// How likely counts so far from the law are by chance where it holds (chi-square, intervals less two
    /// degrees); `None` with fewer than three intervals or with less than five expected in one.
    pub p: Option<f64>,
}

/// Fits a power law to the failures counted in intervals that end at `ends`, the first from 0 on.
///
/// Source: MIL-HDBK-189 (1981) appendix C, grouped data (from memory).
///
/// # Errors
/// [`Unfit`] for ends that do not ascend or are not as many as the counts, with fewer than three
/// failures, and [`Unfit::NoShape`] when all failures are in the last
/// interval, or all in the first.
pub fn power_law_grouped(ends: &[f64], counts: &[u64]) -> Result<GroupedPowerLaw, Unfit> {
    let ascends = ends.windows(2).all(|pair| pair[0] < pair[1]);
    let (Some(first), Some(last)) = (ends.first(), ends.last()) else {
        return Err(Unfit::BadIntervals);
    };
    positive("the end of an interval", *first)?;
    positive("the end of an interval", *last)?;
    if !ascends || ends.len() != counts.len() {
        return Err(Unfit::BadIntervals);
    }
    let found: u64 = counts.iter().sum();
    if found < 3 {
        return Err(Unfit::TooFew { needed: 3, found });
    }
    if counts[..counts.len() - 1].iter().all(|count| *count == 0) {
        return Err(Unfit::NoShape);
    }
    // In parts of the end, so that powers stay small.
    let starts = std::iter::once(0.0).chain(ends.iter().map(|end| end / last));
    let intervals: Vec<(f64, f64, f64)> = starts
        .zip(ends)
        .zip(counts)
        .map(|((start, end), count)| (start, end / last, *count as f64))
        .collect();
    // The slope of the likelihood in b falls from above to below zero.
    let slope = |b: f64| -> f64 {
        let terms = intervals.iter().map(|(start, end, count)| {
            let weighed = |at: f64| if at > 0.0 { at.powf(b) * at.ln() } else { 0.0 };
            let width = end.powf(b) - start.powf(b);
            if width > 0.0 {
                count * (weighed(*end) - weighed(*start)) / width
            } else {
                0.0
            }
        });
        terms.sum()
    };
    let exponent = root_from(1.0, |b| slope(b) > 0.0).ok_or(Unfit::NoShape)?;
    let n = found as f64;
    let intensity = n * exponent / last;
    let expected = |start: f64, end: f64| n * (end.powf(exponent) - start.powf(exponent));
    let (start, end, _) = intervals[intervals.len() - 1];
    let is_testable = intervals.len() > 2
        && intervals
            .iter()
            .all(|(start, end, _)| expected(*start, *end) >= 5.0);
    let distance = intervals.iter().map(|(start, end, count)| {
        let expected = expected(*start, *end);
        (count - expected).powi(2) / expected
    });
    let p =
        is_testable.then(|| chi_squared((intervals.len() - 2) as f64).sf(distance.sum::<f64>()));
    Ok(GroupedPowerLaw {
        n_failures: found,
        exponent,
        scale: n / last.powf(exponent),
        intensity,
        mtbf: 1.0 / intensity,
        last_mtbf: (end - start) * last / expected(start, end),
        p,
    })
}
