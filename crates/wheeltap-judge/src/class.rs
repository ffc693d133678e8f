//! Class baselines: what the units of a class do over like load.
//!
//! A baseline is fitted once, from the means of each unit's windows side by side over one stretch, and
//! is handed to judges as a dated record: a judge never makes one, so a tick sees the same one
//! whenever and however often it is judged.

use crate::{UnitJudge, UnitPlan};
use std::{collections::BTreeMap, sync::Arc};
use wheeltap_model::{ClassBaseline, ClassName, EventTime};

/// Makes the median absolute deviation of a normal distribution its standard deviation.
const NORMAL: f64 = 1.4826;
/// Most windows of a unit that a baseline takes.
const MOST_WINDOWS: i64 = 1_000;

/// A class's baselines by what they are of, each list ascending by the instant from which they hold.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClassBaselines(BTreeMap<String, Arc<[ClassBaseline]>>);

impl ClassBaselines {
    /// Sorts baselines of one class; of two of one instant the later in the list holds.
    pub fn new(baselines: impl IntoIterator<Item = ClassBaseline>) -> Self {
        let mut by_of: BTreeMap<String, BTreeMap<EventTime, ClassBaseline>> = BTreeMap::new();
        for baseline in baselines {
            let dated = by_of.entry(baseline.of.clone()).or_default();
            dated.insert(baseline.from, baseline);
        }
        let lists = by_of
            .into_iter()
            .map(|(of, dated)| (of, dated.into_values().collect()));
        Self(lists.collect())
    }

    /// Those of one window, ascending; empty when there are none.
    pub fn of(&self, of: &str) -> Arc<[ClassBaseline]> {
        self.0.get(of).map_or_else(|| Arc::from([]), Arc::clone)
    }

    /// All, by what they are of and then by instant.
    pub fn iter(&self) -> impl Iterator<Item = &ClassBaseline> {
        self.0.values().flat_map(|dated| dated.iter())
    }
}

/// The newest that holds at an instant.
pub(crate) fn at(dated: &[ClassBaseline], tick_ms: i64) -> Option<&ClassBaseline> {
    let after = dated.partition_point(|baseline| baseline.from.unix_ms() <= tick_ms);
    after.checked_sub(1).map(|idx| &dated[idx])
}

/// A baseline for the evidence, such as `median 81.2500, spread 1.9274 of 14 units, since
/// 2026-01-05T00:00:00Z`.
pub(crate) fn told(baseline: &ClassBaseline) -> String {
    let ClassBaseline {
        median,
        spread,
        n_units,
        from,
        ..
    } = baseline;
    format!("median {median:.4}, spread {spread:.4} of {n_units} units, since {from}")
}

/// A window that is compared with the class's, as planned for a unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Compared {
    /// What its baseline is of.
    pub of: String,
    /// UCUM code of the channel.
    pub ucum: String,
    /// Its length in milliseconds.
    pub window_ms: i64,
    /// A step of the channel's resolution, in its unit.
    pub step: f64,
}

/// The stretch a baseline is fitted from: (from, to].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Exclusive.
    pub from: EventTime,
    /// Inclusive.
    pub to: EventTime,
}

impl Stretch {
    /// How far apart the ends of the windows are that a baseline takes: one window, or as many as it
    /// takes to have no more than 1,000.
    fn apart_ms(self, window_ms: i64) -> i64 {
        let most = window_ms.saturating_mul(MOST_WINDOWS).max(1);
        let span_ms = self.to.ms_since(self.from).max(1);
        window_ms.saturating_mul((span_ms - 1) / most + 1)
    }
}

/// One unit's means over a stretch, taken from a judge that is fed its data.
#[derive(Debug)]
pub struct ClassSurvey {
    stretch: Stretch,
    /// The newest window's end taken.
    done_ms: i64,
    /// By the plan's [`UnitPlan::compared`].
    means: Vec<Vec<f64>>,
}

impl ClassSurvey {
    /// Nothing taken yet, of a unit with this plan.
    pub fn new(plan: &UnitPlan, stretch: Stretch) -> Self {
        Self {
            stretch,
            done_ms: stretch.from.unix_ms(),
            means: vec![Vec::new(); plan.compared().count()],
        }
    }

    /// Takes the windows that end up to `through`. All data up to there must have been fed to the
    /// judge, which was made with the plan and judges nothing.
    pub fn take(&mut self, judge: &mut UnitJudge, through: EventTime) {
        let (from_ms, to_ms) = (self.stretch.from.unix_ms(), self.stretch.to.unix_ms());
        let compared: Vec<(i64, i64)> = judge
            .plan()
            .compared()
            .map(|compared| {
                (
                    compared.window_ms,
                    self.stretch.apart_ms(compared.window_ms),
                )
            })
            .collect();
        let means = &mut self.means;
        judge.visit(
            self.done_ms,
            through.unix_ms().min(to_ms),
            |done_ms| {
                let next = |(_, apart): &(i64, i64)| (done_ms.div_euclid(*apart) + 1) * apart;
                compared.iter().map(next).min()
            },
            |end_ms, mean| {
                for (idx, (window_ms, apart_ms)) in compared.iter().enumerate() {
                    let is_end = end_ms.rem_euclid(*apart_ms) == 0 && end_ms - window_ms >= from_ms;
                    if let Some(value) = is_end.then(|| mean(idx)).flatten() {
                        means[idx].push(value);
                    }
                }
            },
        );
        self.done_ms = self.done_ms.max(through.unix_ms().min(to_ms));
    }

    /// The means of the windows that were known, by [`UnitPlan::compared`].
    pub fn means(self) -> Vec<Vec<f64>> {
        self.means
    }
}

/// What a baseline needs at least.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LeastOfClass {
    /// Units that have enough windows.
    pub units: usize,
    /// Windows of a unit.
    pub windows: usize,
}

/// Too little was measured for a baseline.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "{n_units} units have at least {} known windows there, and {} are needed",
    least.windows,
    least.units
)]
pub struct TooFewUnits {
    /// Units that had enough windows.
    pub n_units: usize,
    /// What was asked.
    pub least: LeastOfClass,
}

/// The means of the units of a class, gathered unit by unit.
#[derive(Debug)]
pub struct ClassFit {
    stretch: Stretch,
    least: LeastOfClass,
    by_of: BTreeMap<String, (Compared, Vec<Vec<f64>>)>,
}

impl ClassFit {
    /// Nothing gathered yet.
    pub const fn new(stretch: Stretch, least: LeastOfClass) -> Self {
        Self {
            stretch,
            least,
            by_of: BTreeMap::new(),
        }
    }

    /// Adds one unit's means. Windows with fewer than are asked of a unit are passed over.
    pub fn add(&mut self, plan: &UnitPlan, means: Vec<Vec<f64>>) {
        let mut taken: Vec<&str> = Vec::new();
        for (compared, means) in plan.compared().zip(means) {
            // Rules with other ticks ask for the same windows by panes of another length.
            if taken.contains(&compared.of.as_str()) {
                continue;
            }
            taken.push(&compared.of);
            let (_, of_units) = self
                .by_of
                .entry(compared.of.clone())
                .or_insert_with(|| (compared.clone(), Vec::new()));
            if means.len() >= self.least.windows.max(1) {
                of_units.push(means);
            }
        }
    }

    /// What the class did, for each window that a plan asked for: a baseline in force from the
    /// stretch's end on, or why there is none.
    pub fn finish(
        self,
        class: Option<&ClassName>,
    ) -> impl Iterator<Item = (String, Result<ClassBaseline, TooFewUnits>)> {
        let Self {
            stretch,
            least,
            by_of,
        } = self;
        by_of.into_iter().map(move |(of, (compared, of_units))| {
            let n_units = of_units.len();
            if n_units < least.units.max(1) {
                return (of, Err(TooFewUnits { n_units, least }));
            }
            let n_windows = of_units.iter().map(Vec::len).sum::<usize>();
            let (median, spread) = middle_and_spread(of_units, compared.step);
            let baseline = ClassBaseline {
                class: class.cloned(),
                of: of.clone(),
                ucum: compared.ucum,
                from: stretch.to,
                fitted_from: stretch.from,
                fitted_to: stretch.to,
                median,
                spread,
                n_units: n_units as u64,
                n_windows: n_windows as u64,
            };
            (of, Ok(baseline))
        })
    }
}

/// The median of the units' medians, and 1.4826 times the median of the units' median distances from
/// it, which counts as half a step at least. Every unit has a value.
fn middle_and_spread(mut of_units: Vec<Vec<f64>>, step: f64) -> (f64, f64) {
    let mut medians: Vec<f64> = of_units.iter_mut().map(|means| median(means)).collect();
    let middle = median(&mut medians);
    let mut distances: Vec<f64> = of_units
        .into_iter()
        .map(|mut means| {
            for mean in &mut means {
                *mean = (*mean - middle).abs();
            }
            median(&mut means)
        })
        .collect();
    (middle, NORMAL * median(&mut distances).max(step / 2.0))
}

/// The middle value, or the mean of the two middle ones; sorts. 0 of none.
fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    match (values.get(half), values.len() % 2) {
        (None, _) => 0.0,
        (Some(upper), 1) => *upper,
        (Some(upper), _) => f64::midpoint(values[half - 1], *upper),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(of_units: &[&[f64]], step: f64, median: f64, spread: f64) {
        let of_units = of_units.iter().map(|means| means.to_vec()).collect();
        let (got_median, got_spread) = middle_and_spread(of_units, step);
        assert!((got_median - median).abs() < 1e-12, "{got_median}");
        assert!((got_spread - spread).abs() < 1e-12, "{got_spread}");
    }

    /// With one window a unit it is the plain median absolute deviation: the worked example 1 1 2 2 4
    /// 6 9 (median 2, deviation 1; Wikipedia, Median absolute deviation).
    #[test]
    fn one_window_a_unit_gives_the_published_median_absolute_deviation() {
        let units = [1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0].map(|value| [value]);
        let units: Vec<&[f64]> = units.iter().map(<[f64; 1]>::as_slice).collect();
        check(&units, 0.1, 2.0, 1.4826);
    }

    #[test]
    fn a_unit_that_ran_most_counts_once() {
        let long = [90.0; 50];
        check(
            &[&[79.0, 80.0, 81.0], &[80.0, 82.0, 84.0], &long],
            0.1,
            82.0,
            1.4826 * 2.0,
        );
    }

    #[test]
    fn alike_to_the_step_is_spread_by_half_a_step() {
        check(&[&[5.0], &[5.0], &[5.0], &[9.0]], 0.5, 5.0, 1.4826 * 0.25);
    }

    #[test]
    fn a_long_stretch_takes_windows_further_apart() {
        let day_ms = 86_400_000;
        let stretch = Stretch {
            from: EventTime::from_unix_ms(0),
            to: EventTime::from_unix_ms(7 * day_ms),
        };
        // 2,016 windows of 5 min: every third.
        assert_eq!(stretch.apart_ms(300_000), 900_000);
        assert_eq!(stretch.apart_ms(3_600_000), 3_600_000);
    }
}
