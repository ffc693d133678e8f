//! Walking back from a failure: what differed on one of many like machines, and since when.
//!
//! The idea: of everything that is measured, only what the work asked and the weather explain is
//! taken away; the rest is compared, first with the machine's own past, then with its class.
//!
//! 1. Each quantity comes as means over *panes* (equal, aligned pieces of time), for each unit.
//!    A linear model of the *features* (load, speed, weather, what stood some time before) is fitted
//!    to the class without the unit in question, by least squares with Huber's weights; what it leaves
//!    is divided by the class's spread. Shares of a pane spent at each step of load are features, so a
//!    pane with mixed load is compared with a like mixture.
//! 2. For each *condition* (all panes, engine working, ...) the split that parts the unit's
//!    remainders best, by least squares, is a candidate for *since when*; so are the lengths asked for
//!    (hour, day, week, month).
//! 3. At such a split the same two figures are computed for every unit: the mean after it, and that
//!    mean less the one before. How far the unit in question lies from the middle of its class, in
//!    robust standard deviations (1.4826 times the median absolute deviation), is its distance: the
//!    other units say how much such a figure changes when nothing fails. The unit's *score* is the
//!    lesser of the two distances, for a unit that always was unlike its class has changed
//!    nothing, and one that changed with all others is not alone.
//! 4. The same search is made on every other unit of the class as if it had failed. Where nine in ten
//!    of them score more than a search among so many starts does anyway, the quantity is one that
//!    often jumps, and the score is less by as much.
//! 5. Quantities that go together in the class (by what the model leaves) are compared once more as
//!    one for the other: a fan that does not turn *for what is asked of it*.
//!
//! Everything is a pure function of the numbers. Many comparisons are made, and their number is
//! told; what a score of healthy units comes to is for the caller to know.

mod fit;
mod split;

use fit::Model;
use split::Split;

/// Rows of the class to which a model is fitted at most.
const MOST_ROWS: usize = 5_000;
/// A remainder counts for at most so many spreads, so that one wild pane does not make a change.
const MOST_SPREADS: f64 = 12.0;
/// Least panes on each side of a split.
const LEAST_PANES: usize = 3;
/// Least other units whose figures make a distance.
const LEAST_UNITS: usize = 4;
/// Figures of the class are never taken to be closer together than this, in spreads.
const LEAST_SPREAD: f64 = 0.12;
/// What a distance counts where the other one cannot be told.
const ALONE: f64 = 0.7;
/// What the same search finds on this share of the other units is nothing to speak of; the rest may
/// fail too.
const MOST_OTHERS: f64 = 0.9;
/// A search among so many starts finds at least such a score on a healthy unit.
const USUAL: f64 = 3.0;
/// What a score counts that is of a quantity compared for another.
const RELATED: f64 = 0.6;
/// Share of the distance from the class at which another unit shows it today.
const TODAY: f64 = 0.5;
/// Scores end here: beyond, one is as sure as the other.
const MOST_SCORE: f64 = 99.0;
/// Least correlation, without sign, of two quantities that are compared one for the other.
const LEAST_CORRELATION: f64 = 0.6;

/// The units that are compared; the first is the one in question.
#[derive(Clone, Debug)]
pub struct Peers {
    /// Panes of each unit, oldest first.
    pub n_panes: usize,
    /// Features of a pane.
    pub n_features: usize,
    /// For each unit the features of each pane, one pane after the other; NaN where not known.
    pub features: Vec<Vec<f64>>,
    /// Conditions there are, at most 32.
    pub n_conditions: usize,
    /// For each unit and pane: bit `c` is set where the pane belongs to condition `c`.
    pub conditions: Vec<Vec<u32>>,
    /// Which of the units are mates of the first: they pull the same train.
    pub mates: Vec<usize>,
    /// The failure: panes before this one count.
    pub until: usize,
    /// Lengths before the failure that are looked at besides, in panes.
    pub lengths: Vec<usize>,
    /// The last so many panes are *today*.
    pub n_today: usize,
}

/// One quantity of all units.
#[derive(Clone, Debug)]
pub struct Quantity {
    /// For each unit the value of each pane; NaN where nothing is known.
    pub values: Vec<Vec<f64>>,
    /// A difference under this is none, in the quantity's unit; above 0.
    pub step: f64,
    /// Features that are made of the quantity itself and explain nothing.
    pub without: Vec<usize>,
    /// What a score counts where the quantity is less than usual, and where it is more; 1 in full.
    pub weights: (f64, f64),
    /// Other quantities may be compared with it, one for the other.
    pub relates: bool,
    /// Quantities with one number are of one sensor and are not compared with each other.
    pub sensor: usize,
}

/// What differs.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// Which quantity, in the order in which they were added.
    pub quantity: usize,
    /// Compared for these quantities, at like values of them.
    pub given: Vec<usize>,
    /// In which condition.
    pub condition: usize,
    /// How sure, in robust standard deviations of the class; above 0.
    pub score: f64,
    /// Distance from the unit's own past, with its sign; `None` without a past.
    pub own: Option<f64>,
    /// Distance from the class, with its sign; `None` where too few units are there.
    pub class: Option<f64>,
    /// The same against the mates.
    pub mates: Option<f64>,
    /// Mean value since, in the quantity's unit.
    pub here: f64,
    /// Mean value that the class has at the same time at like load and weather.
    pub expected: f64,
    /// What the unit's own past would have given: `here` less what changed beyond the class's change;
    /// `None` without a past.
    pub usually: Option<f64>,
    /// First pane of the change; `None` when it was there all along.
    pub since: Option<usize>,
    /// It grew since then, rather than stepped.
    pub is_gradual: bool,
    /// Panes since then in the condition.
    pub n_panes: usize,
    /// Mean difference from the class in each of the lengths; `None` without panes.
    pub lengths: Vec<Option<f64>>,
    /// Other units that show it today as far from the class, with their distance, the farthest first.
    pub today: Vec<(usize, f64)>,
    /// What is left of each pane of the unit by the model, in spreads; NaN where unknown.
    pub remainders: Vec<f64>,
}

/// A comparison under way: quantities are added one by one.
#[derive(Clone, Debug)]
pub struct Walk {
    peers: Peers,
    found: Vec<Difference>,
    n_comparisons: usize,
    kept: Vec<Kept>,
}

/// What is kept of a quantity that others may be compared with.
#[derive(Clone, Debug)]
struct Kept {
    quantity: usize,
    sensor: usize,
    /// For each unit, by pane.
    remainders: Vec<Vec<f64>>,
    spread: f64,
    /// Of the first unit.
    values: Vec<f64>,
    step: f64,
    weights: (f64, f64),
}

impl Walk {
    /// Begins with the units and what is known of their work.
    pub const fn new(peers: Peers) -> Self {
        Self {
            peers,
            found: Vec::new(),
            n_comparisons: 0,
            kept: Vec::new(),
        }
    }

    /// Compares one quantity; it is called by `quantity` in what is found.
    pub fn add(&mut self, quantity: usize, of: &Quantity) {
        let sample = self.sample(&of.values);
        let model = Model::fit(
            sample
                .iter()
                .map(|(unit, pane)| (self.peers.row(*unit, *pane), of.values[*unit][*pane])),
            self.peers.n_features,
            &of.without,
        );
        let Some(model) = model else {
            return;
        };
        let mut remainders: Vec<Vec<f64>> = Vec::with_capacity(of.values.len());
        for (unit, values) in of.values.iter().enumerate() {
            let left = values
                .iter()
                .enumerate()
                .map(|(pane, value)| value - model.at(self.peers.row(unit, pane)));
            remainders.push(left.collect());
        }
        let spread = spread(&remainders, &sample, of.step);
        for unit in &mut remainders {
            for left in unit {
                *left /= spread;
            }
        }
        self.compare(
            quantity,
            &[],
            &remainders,
            &of.values[0],
            spread,
            of.weights,
        );
        if of.relates {
            self.kept.push(Kept {
                quantity,
                sensor: of.sensor,
                remainders,
                spread,
                values: of.values[0].clone(),
                step: of.step,
                weights: of.weights,
            });
        }
    }

    /// Compares quantities that go together in the class one for the other, each for at most two.
    pub fn relate(&mut self) {
        let kept = std::mem::take(&mut self.kept);
        for (place, target) in kept.iter().enumerate() {
            let sample = self.sample(&target.remainders);
            let mut left: Vec<Vec<f64>> = target.remainders.clone();
            let mut given = Vec::new();
            for _ in 0..2 {
                let best = kept
                    .iter()
                    .enumerate()
                    .filter(|(other, kept)| {
                        *other != place
                            && kept.sensor != target.sensor
                            && !given.contains(&kept.quantity)
                    })
                    .filter_map(|(other, kept)| {
                        let line = fit::line(sample.iter().map(|(unit, pane)| {
                            (
                                clipped(kept.remainders[*unit][*pane]),
                                clipped(left[*unit][*pane]),
                            )
                        }))?;
                        Some((other, line))
                    })
                    .filter(|(_, line)| line.correlation.abs() >= LEAST_CORRELATION)
                    .max_by(|a, b| a.1.correlation.abs().total_cmp(&b.1.correlation.abs()));
                let Some((other, line)) = best else {
                    break;
                };
                for (unit, left) in left.iter_mut().enumerate() {
                    for (left, by) in left.iter_mut().zip(&kept[other].remainders[unit]) {
                        *left -= line.slope * by;
                    }
                }
                given.push(kept[other].quantity);
            }
            if given.is_empty() {
                continue;
            }
            let narrower = spread(&left, &sample, target.step / target.spread);
            for unit in &mut left {
                for left in unit {
                    *left /= narrower;
                }
            }
            self.compare(
                target.quantity,
                &given,
                &left,
                &target.values,
                target.spread * narrower,
                target.weights,
            );
        }
    }

    /// What was found, the surest first, and how many comparisons were made.
    pub fn finish(mut self) -> (Vec<Difference>, usize) {
        self.found.sort_by(|a, b| b.score.total_cmp(&a.score));
        (self.found, self.n_comparisons)
    }

    /// Known panes of the other units, spread evenly over all.
    fn sample(&self, values: &[Vec<f64>]) -> Vec<(usize, usize)> {
        let known = |unit: usize, pane: usize| values[unit][pane].is_finite();
        let mut rows: Vec<(usize, usize)> = Vec::new();
        // A unit that has no like is its own class.
        let first = usize::from(values.len() > LEAST_UNITS);
        for unit in first..values.len() {
            rows.extend(
                (0..self.peers.n_panes)
                    .filter(|pane| known(unit, *pane))
                    .map(|pane| (unit, pane)),
            );
        }
        let every = rows.len().div_ceil(MOST_ROWS).max(1);
        // A step that shares no factor with a day's panes, so that no hour is left out.
        rows.into_iter().step_by(every).collect()
    }

    fn compare(
        &mut self,
        quantity: usize,
        given: &[usize],
        remainders: &[Vec<f64>],
        values: &[f64],
        spread: f64,
        weights: (f64, f64),
    ) {
        let mut best: Option<Difference> = None;
        for condition in 0..self.peers.n_conditions {
            let seen = Seen::of(&self.peers, condition, remainders);
            let Some(found) = seen.difference(condition, values, spread) else {
                continue;
            };
            self.n_comparisons += 1 + self.peers.lengths.len();
            // What is compared for another thing says less plainly what differs.
            let plain = if given.is_empty() { 1.0 } else { RELATED };
            let weight = if found.here < found.expected {
                weights.0
            } else {
                weights.1
            };
            let score = found.score * plain * weight;
            if best.as_ref().is_none_or(|best| score > best.score) {
                best = Some(Difference {
                    quantity,
                    given: given.to_vec(),
                    score,
                    ..found
                });
            }
        }
        self.found.extend(best);
    }
}

impl Peers {
    fn row(&self, unit: usize, pane: usize) -> &[f64] {
        &self.features[unit][pane * self.n_features..(pane + 1) * self.n_features]
    }
}

/// One quantity in one condition.
struct Seen<'a> {
    peers: &'a Peers,
    remainders: &'a [Vec<f64>],
    /// For each unit: known panes of the condition, and how many there are and their sum up to each.
    units: Vec<Sums>,
}

struct Sums {
    panes: Vec<(usize, f64)>,
    /// Before each pane, and at the end.
    up_to: Vec<(f64, f64)>,
}

impl Sums {
    /// The mean from one pane to before another, where enough is known.
    fn mean(&self, from: usize, until: usize) -> Option<f64> {
        let (n, sum) = (
            self.up_to[until].0 - self.up_to[from].0,
            self.up_to[until].1 - self.up_to[from].1,
        );
        (n >= LEAST_PANES as f64).then(|| sum / n)
    }

    fn until(&self, until: usize) -> &[(usize, f64)] {
        &self.panes[..self.panes.partition_point(|(pane, _)| *pane < until)]
    }

    fn between(&self, from: usize, until: usize) -> &[(usize, f64)] {
        let panes = self.until(until);
        &panes[panes.partition_point(|(pane, _)| *pane < from)..]
    }
}

/// One start, judged.
struct Judged {
    start: usize,
    score: f64,
    own: Option<f64>,
    class: Option<f64>,
    mates: Option<f64>,
    /// Middle and spread of the class's figures.
    class_is: Option<(f64, f64)>,
    /// Middle of the class's changes.
    changes_by: f64,
}

impl<'a> Seen<'a> {
    fn of(peers: &'a Peers, condition: usize, remainders: &'a [Vec<f64>]) -> Self {
        let units = remainders.iter().enumerate().map(|(unit, left)| {
            let mut panes = Vec::new();
            let mut up_to = Vec::with_capacity(peers.n_panes + 1);
            let (mut n, mut sum) = (0.0, 0.0);
            for (pane, left) in left.iter().enumerate() {
                up_to.push((n, sum));
                if peers.conditions[unit][pane] >> condition & 1 == 1 && left.is_finite() {
                    let left = clipped(*left);
                    n += 1.0;
                    sum += left;
                    panes.push((pane, left));
                }
            }
            up_to.push((n, sum));
            Sums { panes, up_to }
        });
        Self {
            peers,
            remainders,
            units: units.collect(),
        }
    }

    /// The surest start of one unit, judged against all others.
    fn surest(&self, unit: usize) -> Option<(Judged, Option<Split>)> {
        let until = self.peers.until;
        let own = self.units[unit].until(until);
        let change = split::best(own);
        let starts = change.iter().map(|split| split.pane);
        let lengths = self.peers.lengths.iter();
        starts
            .chain(lengths.map(|length| until.saturating_sub(*length)))
            .filter_map(|start| self.judge(unit, start))
            .max_by(|a, b| a.score.total_cmp(&b.score))
            .map(|judged| (judged, change))
    }

    fn judge(&self, unit: usize, start: usize) -> Option<Judged> {
        let until = self.peers.until;
        let after = self.units[unit].mean(start, until)?;
        let before = self.units[unit].mean(0, start);
        let mut class = Vec::with_capacity(self.units.len());
        let mut changes = Vec::with_capacity(self.units.len());
        let mut mates = Vec::new();
        for (other, sums) in self.units.iter().enumerate() {
            let Some(theirs) = sums.mean(start, until).filter(|_| other != unit) else {
                continue;
            };
            class.push(theirs);
            if self.peers.mates.contains(&other) {
                mates.push(theirs);
            }
            changes.extend(sums.mean(0, start).map(|before| theirs - before));
        }
        let class_is = middle_and_spread(&class);
        let of_class = class_is.map(|(middle, spread)| (after - middle) / spread);
        let change = before.map(|before| after - before);
        let changes_are = middle_and_spread(&changes);
        let of_own = change.and_then(|change| match changes_are {
            Some((middle, spread)) => Some((change - middle) / spread),
            // Nobody to say how much such a figure changes but the past itself.
            None => self.own_spread(unit, start).map(|spread| change / spread),
        });
        let of_mates = match (mates.is_empty(), class_is) {
            (false, Some((_, spread))) => Some((after - median(&mut mates)) / spread),
            _ => None,
        };
        let score = match (of_own, of_class) {
            (Some(own), Some(class)) if own * class > 0.0 => own.abs().min(class.abs()),
            (Some(_), Some(_)) => 0.0,
            (Some(one), None) | (None, Some(one)) => ALONE * one.abs(),
            (None, None) => return None,
        };
        // What lasted is surer than what passes, as a start or a stop does.
        let n_after = self.units[unit].between(start, until).len() as f64;
        let lasting = n_after / (n_after + LEAST_PANES as f64);
        Some(Judged {
            start,
            score: (score * lasting).min(MOST_SCORE),
            own: of_own,
            class: of_class,
            mates: of_mates,
            class_is,
            changes_by: changes_are.map_or(0.0, |(middle, _)| middle),
        })
    }

    /// How much means over as many panes differ from each other in the unit's own past.
    fn own_spread(&self, unit: usize, start: usize) -> Option<f64> {
        let sums = &self.units[unit];
        let n_after = sums.between(start, self.peers.until).len();
        let mut means: Vec<f64> = sums
            .until(start)
            .chunks_exact(n_after.max(1))
            .map(|chunk| chunk.iter().map(|(_, left)| left).sum::<f64>() / chunk.len() as f64)
            .collect();
        if means.len() < LEAST_UNITS {
            return None;
        }
        let middle = median(&mut means);
        let mut off: Vec<f64> = means.iter().map(|mean| (mean - middle).abs()).collect();
        Some(widened(1.4826 * median(&mut off), means.len()))
    }

    fn difference(&self, condition: usize, values: &[f64], spread: f64) -> Option<Difference> {
        let (judged, change) = self.surest(0)?;
        // The same search on every other unit says what it comes to when nothing fails.
        let mut others: Vec<f64> = (1..self.units.len())
            .filter_map(|unit| Some(self.surest(unit)?.0.score))
            .collect();
        let usual = if others.len() < LEAST_UNITS {
            USUAL
        } else {
            quantile(&mut others, MOST_OTHERS).max(USUAL)
        };
        let until = self.peers.until;
        let sums = &self.units[0];
        let change = change.filter(|split| split.pane == judged.start || split.is_clear);
        let start = change.as_ref().map_or(judged.start, |split| split.pane);
        let after = sums.between(start, until);
        let before = sums.until(start);
        let left = &self.remainders[0];
        let mean_of = |panes: &[(usize, f64)], of: &dyn Fn(usize) -> f64| {
            panes.iter().map(|(pane, _)| of(*pane)).sum::<f64>() / panes.len().max(1) as f64
        };
        let off = |pane: usize| left[pane] * spread;
        let here = mean_of(after, &|pane| values[pane]);
        // What all have in common at that time is no difference.
        let middle = judged.class_is.map_or(0.0, |(middle, _)| middle * spread);
        let above = mean_of(after, &off);
        let has_past = before.len() >= LEAST_PANES;
        let changed = above - mean_of(before, &off) - judged.changes_by * spread;
        let lengths = self.peers.lengths.iter().map(|length| {
            let start = until.saturating_sub(*length);
            let class = self.judge(0, start).and_then(|judged| judged.class_is);
            let middle = class.map_or(0.0, |(middle, _)| middle * spread);
            let panes = sums.between(start, until);
            (!panes.is_empty()).then(|| mean_of(panes, &off) - middle)
        });
        Some(Difference {
            quantity: 0,
            given: Vec::new(),
            condition,
            score: judged.score * USUAL / usual,
            own: judged.own,
            class: judged.class,
            mates: judged.mates,
            here,
            expected: here - (above - middle),
            usually: has_past.then_some(here - changed),
            since: has_past.then(|| change.as_ref().map_or(start, |split| split.onset)),
            is_gradual: change.as_ref().is_some_and(|split| split.is_gradual),
            n_panes: after.len(),
            lengths: lengths.collect(),
            today: self.today(&judged),
            remainders: left.clone(),
        })
    }

    /// Units whose last day lies as far from the class, on the same side.
    fn today(&self, judged: &Judged) -> Vec<(usize, f64)> {
        let (Some((middle, spread)), Some(class)) = (judged.class_is, judged.class) else {
            return Vec::new();
        };
        let n_panes = self.peers.n_panes;
        let from = n_panes.saturating_sub(self.peers.n_today);
        let mut found: Vec<(usize, f64)> = self
            .units
            .iter()
            .enumerate()
            .skip(1)
            .filter_map(|(unit, sums)| Some((unit, (sums.mean(from, n_panes)? - middle) / spread)))
            .filter(|(_, distance)| distance * class > 0.0 && distance.abs() >= TODAY * class.abs())
            .collect();
        found.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
        found
    }
}

fn clipped(left: f64) -> f64 {
    left.clamp(-MOST_SPREADS, MOST_SPREADS)
}

/// The median; NaN of nothing.
fn median(values: &mut [f64]) -> f64 {
    quantile(values, 0.5)
}

/// The value that a share of the values does not exceed, between neighbours by proportion.
fn quantile(values: &mut [f64], share: f64) -> f64 {
    let Some(last) = values.len().checked_sub(1) else {
        return f64::NAN;
    };
    values.sort_unstable_by(f64::total_cmp);
    let place = share * last as f64;
    let low = (0..=last).rfind(|idx| *idx as f64 <= place).unwrap_or(0);
    let high = (low + 1).min(last);
    values[low] + (values[high] - values[low]) * (place - low as f64)
}

/// A spread from few figures is itself unsure: wider, and never next to nothing.
fn widened(spread: f64, n: usize) -> f64 {
    libm::sqrt(spread * spread + LEAST_SPREAD * LEAST_SPREAD) * (1.0 + 3.0 / n as f64)
}

fn middle_and_spread(figures: &[f64]) -> Option<(f64, f64)> {
    if figures.len() < LEAST_UNITS {
        return None;
    }
    let mut sorted = figures.to_vec();
    let middle = median(&mut sorted);
    let mut off: Vec<f64> = figures
        .iter()
        .map(|figure| (figure - middle).abs())
        .collect();
    Some((middle, widened(1.4826 * median(&mut off), figures.len())))
}

/// The class's spread of remainders: by the middle half, and not under an eighth of what all but one
/// in fifty lie within, so that a quantity that mostly stands still does not look wild.
fn spread(remainders: &[Vec<f64>], sample: &[(usize, usize)], step: f64) -> f64 {
    let mut left: Vec<f64> = sample
        .iter()
        .map(|(unit, pane)| remainders[*unit][*pane])
        .filter(|left| left.is_finite())
        .collect();
    let all = quantile(&mut left, 0.99) - quantile(&mut left, 0.01);
    let middle = median(&mut left);
    let mut off: Vec<f64> = left.iter().map(|left| (left - middle).abs()).collect();
    (1.4826 * median(&mut off)).max(all / 8.0).max(step)
}
