//! Where a series changed: the one split, or the one bend, that parts it best.

use super::LEAST_PANES;

/// A change in one series of (pane, value).
#[derive(Clone, Copy, Debug)]
pub(super) struct Split {
    /// First pane after the split into two levels.
    pub(super) pane: usize,
    /// Where the change began: the same for a step, earlier for what grew.
    pub(super) onset: usize,
    /// It grew, rather than stepped.
    pub(super) is_gradual: bool,
    /// The split takes at least half of what the series varies.
    pub(super) is_clear: bool,
}

/// The split into two levels with the least squares left, at least `LEAST_PANES` on each side;
/// `None` for what is too short or does not vary.
pub(super) fn best(series: &[(usize, f64)]) -> Option<Split> {
    let n = series.len();
    if n < 2 * LEAST_PANES {
        return None;
    }
    let total: f64 = series.iter().map(|(_, value)| value).sum();
    let all = n as f64;
    let mut before = 0.0;
    let mut found: Option<(usize, f64)> = None;
    for (place, (_, value)) in series.iter().enumerate() {
        if place >= LEAST_PANES && n - place >= LEAST_PANES {
            let (n_before, n_after) = (place as f64, (n - place) as f64);
            let apart = (total - before) / n_after - before / n_before;
            let gain = apart * apart * n_before * n_after / all;
            if found.is_none_or(|(_, most)| gain > most) {
                found = Some((place, gain));
            }
        }
        before += value;
    }
    let (place, gain) = found?;
    let mean = total / all;
    let varies: f64 = series
        .iter()
        .map(|(_, value)| (value - mean) * (value - mean))
        .sum();
    if gain <= 0.0 {
        return None;
    }
    let bend = bend(series);
    // A bend must leave clearly less than the step to be the better tale.
    let is_gradual = bend.is_some_and(|(_, bent)| varies - bent < 0.8 * (varies - gain));
    let onset = match bend {
        Some((bend, _)) if is_gradual => series[bend].0,
        _ => series[place].0,
    };
    Some(Split {
        pane: series[place].0,
        onset,
        is_gradual,
        is_clear: gain >= 0.5 * varies,
    })
}

/// The place from which a straight rise or fall explains most, and how much: a level, and from the
/// bend on a line that starts from it. Squares are least over both.
fn bend(series: &[(usize, f64)]) -> Option<(usize, f64)> {
    let n = series.len();
    let all = n as f64;
    let last = series.last()?.0 as f64;
    let total: f64 = series.iter().map(|(_, value)| value).sum();
    // Sums over what follows the bend, of time since it: moved along from the end.
    let (mut n_after, mut t1, mut t2, mut y1, mut ty) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut found: Option<(usize, f64)> = None;
    for (place, (pane, value)) in series.iter().enumerate().rev() {
        // Time is counted back from the end, so that sums need no change as the bend moves.
        let back = last - *pane as f64;
        n_after += 1.0;
        t1 += back;
        t2 += back * back;
        y1 += value;
        ty += back * value;
        if n - place < 2 * LEAST_PANES || place < LEAST_PANES {
            continue;
        }
        // With b the bend's own time back, x = b - back after it and 0 before.
        let x1 = n_after * back - t1;
        let xx = n_after * back * back - 2.0 * back * t1 + t2;
        let xy = back * y1 - ty;
        let sxx = xx - x1 * x1 / all;
        let sxy = xy - x1 * total / all;
        if sxx > 1e-9 {
            let gain = sxy * sxy / sxx;
            if found.is_none_or(|(_, most)| gain > most) {
                found = Some((place, gain));
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_and_a_ramp_are_found_where_they_begin() {
        let noise = |pane: usize| if pane * 7919 % 13 < 6 { 0.2 } else { -0.2 };
        let step: Vec<(usize, f64)> = (0..100)
            .map(|pane| (pane, noise(pane) + if pane >= 60 { 3.0 } else { 0.0 }))
            .collect();
        let found = best(&step).unwrap();
        assert_eq!((found.pane, found.onset, found.is_gradual), (60, 60, false));
        assert!(found.is_clear);
        let ramp: Vec<(usize, f64)> = (0..100)
            .map(|pane| (pane, noise(pane) + 0.2 * pane.saturating_sub(40) as f64))
            .collect();
        let found = best(&ramp).unwrap();
        assert!(found.is_gradual);
        assert!(found.onset.abs_diff(40) <= 4, "{found:?}");
        // Nothing to find in what is too short, and nothing clear in noise.
        assert!(best(&step[..5]).is_none());
        let flat: Vec<(usize, f64)> = (0..100).map(|pane| (pane, noise(pane))).collect();
        assert!(!best(&flat).is_some_and(|found| found.is_clear));
    }
}
