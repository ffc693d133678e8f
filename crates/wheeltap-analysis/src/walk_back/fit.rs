//! Least squares on many features, little moved by rows that do not belong.

/// Times that rows are weighed anew.
const ROUNDS: usize = 4;
/// Rows farther off than so many spreads lose weight (Huber 1964, 95 % efficient on normal errors).
const HUBER: f64 = 1.345;
/// Of each feature's own square, added so that features that say the same do no harm.
const RIDGE: f64 = 1e-4;

/// A fitted model; features it does not know count as their mean.
#[derive(Clone, Debug)]
pub(super) struct Model {
    level: f64,
    /// Mean, one over standard deviation, slope; a slope of 0 leaves the feature out.
    features: Vec<(f64, f64, f64)>,
}

impl Model {
    /// Fits to (features, value); `None` when nothing is there.
    pub(super) fn fit<'a>(
        rows: impl Iterator<Item = (&'a [f64], f64)>,
        n_features: usize,
        without: &[usize],
    ) -> Option<Self> {
        let rows: Vec<(&[f64], f64)> = rows.collect();
        if rows.is_empty() {
            return None;
        }
        let scales: Vec<(f64, f64)> = (0..n_features)
            .map(|feature| {
                if without.contains(&feature) {
                    (0.0, 0.0)
                } else {
                    scale(rows.iter().map(|(row, _)| row[feature]))
                }
            })
            .collect();
        let used: Vec<usize> = (0..n_features)
            .filter(|feature| scales[*feature].1 > 0.0)
            .collect();
        let standard = |row: &[f64]| -> Vec<f64> {
            let of = |feature: &usize| {
                let (mean, by) = scales[*feature];
                let value = (row[*feature] - mean) * by;
                if value.is_finite() { value } else { 0.0 }
            };
            used.iter().map(of).collect()
        };
        let x: Vec<Vec<f64>> = rows.iter().map(|(row, _)| standard(row)).collect();
        let mut weights = vec![1.0; rows.len()];
        let mut answer = (0.0, vec![0.0; used.len()]);
        for _ in 0..ROUNDS {
            answer = solve(&x, &rows, &weights, RIDGE);
            let off: Vec<f64> = x
                .iter()
                .zip(&rows)
                .map(|(x, (_, y))| (y - answer.0 - dot(x, &answer.1)).abs())
                .collect();
            let spread = 1.4826 * super::median(&mut off.clone());
            let limit = HUBER * spread;
            if limit <= 0.0 {
                break;
            }
            for (weight, off) in weights.iter_mut().zip(&off) {
                *weight = if *off > limit { limit / off } else { 1.0 };
            }
        }
        let mut features = vec![(0.0, 0.0, 0.0); n_features];
        for (place, feature) in used.iter().enumerate() {
            let (mean, by) = scales[*feature];
            features[*feature] = (mean, by, answer.1[place]);
        }
        Some(Self {
            level: answer.0,
            features,
        })
    }

    /// What is expected with these features.
    pub(super) fn at(&self, row: &[f64]) -> f64 {
        let part = |(value, (mean, by, slope)): (&f64, &(f64, f64, f64))| {
            let scaled = (value - mean) * by * slope;
            if scaled.is_finite() { scaled } else { 0.0 }
        };
        self.level + row.iter().zip(&self.features).map(part).sum::<f64>()
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Mean and one over the standard deviation; (0, 0) for what does not vary.
fn scale(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let known: Vec<f64> = values.filter(|value| value.is_finite()).collect();
    if known.is_empty() {
        return (0.0, 0.0);
    }
    let n = known.len() as f64;
    let mean = known.iter().sum::<f64>() / n;
    let square = known
        .iter()
        .map(|value| (value - mean) * (value - mean))
        .sum::<f64>()
        / n;
    let deviation = libm::sqrt(square);
    if deviation > 1e-9 * (1.0 + mean.abs()) {
        (mean, 1.0 / deviation)
    } else {
        (0.0, 0.0)
    }
}

/// Weighted ridge: level and slopes.
fn solve(x: &[Vec<f64>], rows: &[(&[f64], f64)], weights: &[f64], ridge: f64) -> (f64, Vec<f64>) {
    let n_slopes = x.first().map_or(0, Vec::len);
    let total: f64 = weights.iter().sum();
    let mut means = vec![0.0; n_slopes];
    let mut level = 0.0;
    for ((x, (_, y)), weight) in x.iter().zip(rows).zip(weights) {
        level += weight * y;
        for (mean, x) in means.iter_mut().zip(x) {
            *mean += weight * x;
        }
    }
    level /= total;
    for mean in &mut means {
        *mean /= total;
    }
    let mut square = vec![vec![0.0; n_slopes]; n_slopes];
    let mut with_y = vec![0.0; n_slopes];
    let mut centred = vec![0.0; n_slopes];
    for ((x, (_, y)), weight) in x.iter().zip(rows).zip(weights) {
        for (place, centred) in centred.iter_mut().enumerate() {
            *centred = x[place] - means[place];
        }
        for (place, first) in centred.iter().enumerate() {
            let weighed = weight * first;
            with_y[place] += weighed * (y - level);
            for (sum, second) in square[place].iter_mut().zip(&centred).take(place + 1) {
                *sum += weighed * second;
            }
        }
    }
    for (place, row) in square.iter_mut().enumerate() {
        row[place] += ridge * total;
    }
    let slopes = cholesky(square, with_y);
    (level - dot(&slopes, &means), slopes)
}

/// Solves a symmetric positive system of which the lower triangle is given.
fn cholesky(mut square: Vec<Vec<f64>>, mut with: Vec<f64>) -> Vec<f64> {
    let n = with.len();
    for row in 0..n {
        for column in 0..=row {
            let sum: f64 = (0..column)
                .map(|place| square[row][place] * square[column][place])
                .sum();
            let left = square[row][column] - sum;
            square[row][column] = if row == column {
                libm::sqrt(left.max(f64::MIN_POSITIVE))
            } else {
                left / square[column][column]
            };
        }
    }
    for row in 0..n {
        let sum: f64 = (0..row).map(|place| square[row][place] * with[place]).sum();
        with[row] = (with[row] - sum) / square[row][row];
    }
    for row in (0..n).rev() {
        let sum: f64 = (row + 1..n)
            .map(|place| square[place][row] * with[place])
            .sum();
        with[row] = (with[row] - sum) / square[row][row];
    }
    with
}

/// A line through pairs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    pub(super) slope: f64,
    pub(super) correlation: f64,
}

/// Least squares through pairs where both are known; `None` where either does not vary.
pub(super) fn line(pairs: impl Iterator<Item = (f64, f64)>) -> Option<Line> {
    let (mut n, mut x1, mut y1, mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (x, y) in pairs.filter(|(x, y)| x.is_finite() && y.is_finite()) {
        n += 1.0;
        x1 += x;
        y1 += y;
        xx += x * x;
        xy += x * y;
        yy += y * y;
    }
    let (xx, xy, yy) = (xx - x1 * x1 / n, xy - x1 * y1 / n, yy - y1 * y1 / n);
    (n > 10.0 && xx > 1e-9 && yy > 1e-9).then(|| Line {
        slope: xy / xx,
        correlation: xy / libm::sqrt(xx * yy),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST StRD, Longley: employed; deflator, product, unemployed, armed forces, population, year.
    const LONGLEY: [(f64, [f64; 6]); 16] = [
        (
            60_323.0,
            [83.0, 234_289.0, 2356.0, 1590.0, 107_608.0, 1947.0],
        ),
        (
            61_122.0,
            [88.5, 259_426.0, 2325.0, 1456.0, 108_632.0, 1948.0],
        ),
        (
            60_171.0,
            [88.2, 258_054.0, 3682.0, 1616.0, 109_773.0, 1949.0],
        ),
        (
            61_187.0,
            [89.5, 284_599.0, 3351.0, 1650.0, 110_929.0, 1950.0],
        ),
        (
            63_221.0,
            [96.2, 328_975.0, 2099.0, 3099.0, 112_075.0, 1951.0],
        ),
        (
            63_639.0,
            [98.1, 346_999.0, 1932.0, 3594.0, 113_270.0, 1952.0],
        ),
        (
            64_989.0,
            [99.0, 365_385.0, 1870.0, 3547.0, 115_094.0, 1953.0],
        ),
        (
            63_761.0,
            [100.0, 363_112.0, 3578.0, 3350.0, 116_219.0, 1954.0],
        ),
        (
            66_019.0,
            [101.2, 397_469.0, 2904.0, 3048.0, 117_388.0, 1955.0],
        ),
        (
            67_857.0,
            [104.6, 419_180.0, 2822.0, 2857.0, 118_734.0, 1956.0],
        ),
        (
            68_169.0,
            [108.4, 442_769.0, 2936.0, 2798.0, 120_445.0, 1957.0],
        ),
        (
            66_513.0,
            [110.8, 444_546.0, 4681.0, 2637.0, 121_950.0, 1958.0],
        ),
        (
            68_655.0,
            [112.6, 482_704.0, 3813.0, 2552.0, 123_366.0, 1959.0],
        ),
        (
            69_564.0,
            [114.2, 502_601.0, 3931.0, 2514.0, 125_368.0, 1960.0],
        ),
        (
            69_331.0,
            [115.7, 518_173.0, 4806.0, 2572.0, 127_852.0, 1961.0],
        ),
        (
            70_551.0,
            [116.9, 554_894.0, 4007.0, 2827.0, 130_081.0, 1962.0],
        ),
    ];
    /// Certified: intercept, then the slopes in the order above, and the residual standard deviation.
    const CERTIFIED: [f64; 7] = [
        -3_482_258.634_595_82,
        15.061_872_271_373_3,
        -0.035_819_179_292_591_0,
        -2.020_229_803_816_83,
        -1.033_226_867_173_59,
        -0.051_104_105_653_580_7,
        1_829.151_464_613_55,
    ];
    const RESIDUAL_SD: f64 = 304.854_073_561_965;

    #[test]
    fn longley_comes_out_to_nine_digits_without_the_ridge() {
        let rows: Vec<(&[f64], f64)> = LONGLEY.iter().map(|(y, x)| (x.as_slice(), *y)).collect();
        let scales: Vec<(f64, f64)> = (0..6)
            .map(|feature| scale(rows.iter().map(|(row, _)| row[feature])))
            .collect();
        let standard = |(row, _): &(&[f64], f64)| -> Vec<f64> {
            let pairs = row.iter().zip(&scales);
            pairs
                .map(|(value, (mean, by))| (value - mean) * by)
                .collect()
        };
        let x: Vec<Vec<f64>> = rows.iter().map(standard).collect();
        let (level, slopes) = solve(&x, &rows, &[1.0; 16], 0.0);
        let slopes: Vec<f64> = slopes
            .iter()
            .zip(&scales)
            .map(|(slope, (_, by))| slope * by)
            .collect();
        let means: Vec<f64> = scales.iter().map(|(mean, _)| *mean).collect();
        let found = std::iter::once(level - dot(&slopes, &means)).chain(slopes.iter().copied());
        for (found, certified) in found.zip(CERTIFIED) {
            let off = ((found - certified) / certified).abs();
            assert!(off < 1e-9, "{found} is not {certified}: {off}");
        }
        let squares: f64 = rows
            .iter()
            .map(|(row, y)| y - level - dot(&slopes, row) + dot(&slopes, &means))
            .map(|off| off * off)
            .sum();
        let deviation = libm::sqrt(squares / 9.0);
        assert!((deviation / RESIDUAL_SD - 1.0).abs() < 1e-9, "{deviation}");
    }
}
