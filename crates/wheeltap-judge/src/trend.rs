//! Trends without a distribution: Mann-Kendall and Theil-Sen over pane means.

/// Fewest points of a Mann-Kendall Z: with fewer even the strongest trend is no sign of one.
const FEWEST: usize = 4;

/// Mann-Kendall over values in order of time, with ties.
///
/// Source: US EPA QA/G-9S, Data Quality Assessment: Statistical Methods for Practitioners (2006),
/// section 4.3.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct MannKendall {
    pub s: i64,
    /// `None` under 4 points and when all are equal.
    pub z: Option<f64>,
}

impl MannKendall {
    pub(crate) fn of(points: &[(i64, f64)]) -> Self {
        let mut s = 0;
        for (idx, (_, earlier)) in points.iter().enumerate() {
            for (_, later) in &points[idx + 1..] {
                s += i64::from(later > earlier) - i64::from(later < earlier);
            }
        }
        let mut values: Vec<f64> = points.iter().map(|(_, value)| *value).collect();
        values.sort_unstable_by(f64::total_cmp);
        let spread = |n: usize| {
            let n = i64::try_from(n).unwrap_or(i64::MAX);
            n * (n - 1) * (2 * n + 5)
        };
        // Values equal by comparison are one group, as in S.
        let ties = values.chunk_by(|a, b| a >= b).map(<[f64]>::len);
        let variance = spread(values.len()) - ties.map(spread).sum::<i64>();
        let z = (values.len() >= FEWEST && variance > 0)
            .then(|| (s - s.signum()) as f64 / (variance as f64 / 18.0).sqrt());
        Self { s, z }
    }

    /// Two-sided probability of so great a Z without a trend.
    pub(crate) fn p(&self) -> Option<f64> {
        self.z
            .map(|z| libm::erfc(z.abs() * std::f64::consts::FRAC_1_SQRT_2))
    }
}

/// The median of the slopes between each two points, value per place; `None` under two points.
///
/// Source: P. K. Sen, Estimates of the regression coefficient based on Kendall's tau (1968).
pub(crate) fn theil_sen(points: &[(i64, f64)]) -> Option<f64> {
    let mut slopes = Vec::with_capacity(points.len() * points.len().saturating_sub(1) / 2);
    for (idx, (from, earlier)) in points.iter().enumerate() {
        let later = points[idx + 1..].iter();
        slopes.extend(later.map(|(to, later)| (later - earlier) / (to - from) as f64));
    }
    if slopes.is_empty() {
        return None;
    }
    let (middle, odd) = (slopes.len() / 2, slopes.len() % 2 == 1);
    let (below, upper, _) = slopes.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    if odd {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(f64::midpoint(lower, upper))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: US EPA QA/G-9S (2006), the worked example with ties on page 109: S = 22, variance 155.33,
    // Z = 1.685, one-sided p = 0.046. The slope of 1 was computed over the 55 pairs.
    #[test]
    fn the_epa_example_agrees() {
        let values = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15];
        let points: Vec<(i64, f64)> = (0..).zip(values.map(f64::from)).collect();
        let found = MannKendall::of(&points);
        assert_eq!(found.s, 22);
        assert!((found.z.unwrap() - 21.0 / (466.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        assert!((found.z.unwrap() - 1.685).abs() < 5e-4);
        assert!((found.p().unwrap() / 2.0 - 0.046).abs() < 5e-4);
        assert!((theil_sen(&points).unwrap() - 1.0).abs() < 1e-12);
    }

    // Var S = n (n - 1) (2 n + 5) / 18 without ties: 165 for n = 11, same source.
    #[test]
    fn a_steady_climb_is_the_greatest_trend() {
        let points: Vec<(i64, f64)> = (0..11_u32)
            .map(|i| (i64::from(i), f64::from(i * i)))
            .collect();
        let found = MannKendall::of(&points);
        assert_eq!(found.s, 55);
        assert!((found.z.unwrap() - 54.0 / 165.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(MannKendall::of(&points[..3]).z, None);
        assert_eq!(
            MannKendall::of(&[(0, 2.0), (1, 2.0), (2, 2.0), (3, 2.0)]).z,
            None
        );
    }
}
