//! Healthy stretches: what a unit's channels did together while it was healthy, and how far they are
//! from it now.
//!
//! Rows are taken tick by tick, so the sums, and with them the fit, depend on the stretch's data alone:
//! the order in which it came, batches and restarts leave no trace. The linear algebra is plain
//! arithmetic and square roots, which IEEE 754 fixes to the bit.

use crate::{FitReport, Usual};
use nalgebra::{DMatrix, SymmetricEigen};
use serde::{Deserialize, Serialize};
use wheeltap_model::EventTime;
use wheeltap_rules::{Against, Baseline, Healthy};

/// Components with less variance than this share of the first one's hold rounding, not behaviour.
const LEAST_SHARE: f64 = 1e-9;

/// What a healthy stretch gave so far: enough to go on with it, or to fit it, without its data.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BaselineMemory {
    /// Channels, window, tick and stretch.
    pub key: String,
    /// Where a stretch named by its length begins; `None` before the first sample.
    pub start: Option<EventTime>,
    /// Rows taken.
    pub n_rows: u64,
    /// The first row, in the channels' units; the sums count from it.
    pub origin: Vec<f64>,
    /// Sum of each channel's difference from `origin`.
    pub sums: Vec<f64>,
    /// Sums of products of two channels' differences, the upper triangle row by row.
    pub products: Vec<f64>,
}

/// A stretch and its channels as planned for a unit.
#[derive(Debug)]
pub(crate) struct PlannedBaseline {
    pub key: String,
    pub names: Vec<String>,
    pub tick_ms: i64,
    pub window_ms: i64,
    pub healthy: Healthy,
    pub variance: f64,
}

impl PlannedBaseline {
    pub(crate) fn new(baseline: &Baseline, names: Vec<String>, tick_ms: i64) -> Self {
        let Baseline {
            window_ms,
            min_share,
            healthy,
            variance,
            ..
        } = *baseline;
        let key = format!(
            "{} over {window_ms} ms, tick {tick_ms} ms, share {min_share}, healthy {healthy}, \
             variance {variance}",
            names.join(", ")
        );
        Self {
            key,
            names,
            tick_ms,
            window_ms,
            healthy,
            variance,
        }
    }

    /// Most bytes that the sums and the fit of one unit take.
    pub(crate) fn most_bytes(&self) -> usize {
        let n = self.names.len();
        (n * (n + 1) / 2 + n * n + 6 * n) * size_of::<f64>() + self.key.len() + 256
    }
}

/// One unit's stretch.
#[derive(Clone, Debug)]
pub(crate) struct BaselineState {
    memory: BaselineMemory,
    fit: Option<Fitted>,
    /// The newest row's distance, when it is known and the stretch is over.
    now: Option<Distance>,
}

/// `None` inside when the stretch does not suffice.
#[derive(Clone, Debug)]
struct Fitted(Option<Fit>);

/// What was usual.
#[derive(Clone, Debug, PartialEq)]
struct Fit {
    means: Vec<f64>,
    stdevs: Vec<f64>,
    /// Variance and direction of each kept component, the greatest first.
    components: Vec<(f64, Vec<f64>)>,
}

/// How far a row is from it.
#[derive(Clone, Debug, PartialEq)]
struct Distance {
    t_squared: f64,
    t_parts: Vec<f64>,
    squared_error: f64,
    error_parts: Vec<f64>,
}

impl BaselineState {
    pub(crate) fn new(planned: &PlannedBaseline) -> Self {
        let n = planned.names.len();
        Self {
            memory: BaselineMemory {
                key: planned.key.clone(),
                start: None,
                n_rows: 0,
                origin: Vec::new(),
                sums: vec![0.0; n],
                products: vec![0.0; n * (n + 1) / 2],
            },
            fit: None,
            now: None,
        }
    }

    /// Goes on from what was remembered, if it is of this plan.
    pub(crate) fn resume(planned: &PlannedBaseline, memory: &BaselineMemory) -> Option<Self> {
        let fresh = Self::new(planned);
        let fits = memory.key == planned.key
            && memory.sums.len() == fresh.memory.sums.len()
            && memory.products.len() == fresh.memory.products.len()
            && (memory.n_rows == 0 || memory.origin.len() == fresh.memory.sums.len());
        fits.then(|| Self {
            memory: memory.clone(),
            ..fresh
        })
    }

    pub(crate) const fn memory(&self) -> &BaselineMemory {
        &self.memory
    }

    /// (from, to] of the stretch, once it is known.
    pub(crate) fn stretch(&self, planned: &PlannedBaseline) -> Option<(i64, i64)> {
        match planned.healthy {
            Healthy::Days { from_ms, to_ms } => Some((from_ms, to_ms)),
            Healthy::First { span_ms } => {
                let from_ms = self.memory.start?.unix_ms();
                Some((from_ms, from_ms.saturating_add(span_ms)))
            }
        }
    }

    /// Takes the row of a tick: whether any channel has a sample in its window, and the means, if all
    /// are known. The first tick after the stretch reports what was fitted.
    pub(crate) fn tick(
        &mut self,
        planned: &PlannedBaseline,
        tick_ms: i64,
        heard: bool,
        row: Option<&[f64]>,
    ) -> Option<FitReport> {
        self.now = None;
        if heard && self.memory.start.is_none() {
            self.memory.start = Some(EventTime::from_unix_ms(tick_ms - planned.tick_ms));
        }
        let (from_ms, to_ms) = self.stretch(planned)?;
        if tick_ms > to_ms {
            let is_new = self.fit.is_none();
            let memory = &self.memory;
            let fit = self
                .fit
                .get_or_insert_with(|| Fitted(Fit::of(memory, planned.variance)));
            if let (Some(fit), Some(row)) = (&fit.0, row) {
                self.now = Some(fit.distance(row));
            }
            return is_new.then(|| FitReport {
                at: EventTime::from_unix_ms(tick_ms),
                from: EventTime::from_unix_ms(from_ms),
                to: EventTime::from_unix_ms(to_ms),
                channels: planned.names.clone(),
                window_ms: planned.window_ms,
                n_rows: memory.n_rows,
                usual: fit.0.as_ref().map(Fit::usual),
            });
        }
        if let Some(row) = row
            && tick_ms - planned.window_ms >= from_ms
        {
            self.memory.take(row);
        }
        None
    }

    /// What a rule reads of it at the tick taken last.
    pub(crate) fn value(&self, gives: Against) -> Option<f64> {
        let fit = self.fit.as_ref()?.0.as_ref()?;
        match gives {
            Against::Usual => fit.means.first().copied(),
            Against::UsualStdDev => fit.stdevs.first().copied(),
            Against::TSquared => Some(self.now.as_ref()?.t_squared),
            Against::SquaredError => Some(self.now.as_ref()?.squared_error),
        }
    }

    /// The channels that contribute most at the tick taken last, such as
    /// `loop.flow 83 %, pump.vibration.1 12 %`; `None` where nothing is to be said.
    pub(crate) fn contributions(
        &self,
        planned: &PlannedBaseline,
        gives: Against,
    ) -> Option<String> {
        let now = self.now.as_ref()?;
        let (whole, parts) = match gives {
            Against::TSquared => (now.t_squared, &now.t_parts),
            Against::SquaredError => (now.squared_error, &now.error_parts),
            Against::Usual | Against::UsualStdDev => return None,
        };
        if whole <= 0.0 {
            return None;
        }
        let mut named: Vec<(f64, &str)> = parts
            .iter()
            .map(|part| part / whole * 100.0)
            .zip(planned.names.iter().map(String::as_str))
            .collect();
        // Stable, so that equal parts stay in the order of the rule.
        named.sort_by(|a, b| b.0.total_cmp(&a.0));
        let told = named.iter().take(3).filter(|(part, _)| *part >= 0.5);
        let told: Vec<String> = told
            .map(|(part, name)| format!("{name} {part:.0} %"))
            .collect();
        (!told.is_empty()).then(|| told.join(", "))
    }
}

impl BaselineMemory {
    fn take(&mut self, row: &[f64]) {
        if self.n_rows == 0 {
            self.origin = row.to_vec();
        }
        self.n_rows += 1;
        let from_origin: Vec<f64> = row.iter().zip(&self.origin).map(|(x, o)| x - o).collect();
        let mut at = 0;
        for (idx, a) in from_origin.iter().enumerate() {
            self.sums[idx] += a;
            for b in &from_origin[idx..] {
                self.products[at] += a * b;
                at += 1;
            }
        }
    }
}

impl Fit {
    /// `None` when there are too few rows, or a channel never moved.
    fn of(memory: &BaselineMemory, variance: f64) -> Option<Self> {
        let n_channels = memory.sums.len();
        if memory.n_rows < Baseline::least_rows(n_channels) {
            return None;
        }
        let n = memory.n_rows as f64;
        let mut covariance = DMatrix::<f64>::zeros(n_channels, n_channels);
        let mut at = 0;
        for i in 0..n_channels {
            for j in i..n_channels {
                let (si, sj) = (memory.sums[i], memory.sums[j]);
                let value = (memory.products[at] - si * sj / n) / (n - 1.0);
                covariance[(i, j)] = value;
                covariance[(j, i)] = value;
                at += 1;
            }
        }
        let means = memory.sums.iter().zip(&memory.origin);
        let means = means.map(|(sum, origin)| origin + sum / n).collect();
        let stdevs: Vec<f64> = (0..n_channels).map(|i| covariance[(i, i)].sqrt()).collect();
        if stdevs
            .iter()
            .any(|stdev| !stdev.is_finite() || *stdev <= 0.0)
        {
            return None;
        }
        let correlation = DMatrix::from_fn(n_channels, n_channels, |i, j| {
            if i == j {
                1.0
            } else {
                covariance[(i, j)] / (stdevs[i] * stdevs[j])
            }
        });
        let eigen = SymmetricEigen::new(correlation);
        let mut components: Vec<(f64, Vec<f64>)> = eigen
            .eigenvalues
            .iter()
            .zip(eigen.eigenvectors.column_iter())
            .map(|(value, vector)| (*value, vector.iter().copied().collect()))
            .collect();
        components.sort_by(|a, b| b.0.total_cmp(&a.0));
        let greatest = components.first()?.0;
        // The variances of standardized channels add up to their number.
        let wanted = variance * n_channels as f64;
        let mut held = 0.0;
        components.retain(|(value, _)| {
            let keep = held < wanted && *value > LEAST_SHARE * greatest;
            held += value;
            keep
        });
        Some(Self {
            means,
            stdevs,
            components,
        })
    }

    fn usual(&self) -> Usual {
        Usual {
            means: self.means.clone(),
            stdevs: self.stdevs.clone(),
            variances: self.components.iter().map(|(value, _)| *value).collect(),
        }
    }

    fn distance(&self, row: &[f64]) -> Distance {
        let scaled: Vec<f64> = row
            .iter()
            .zip(&self.means)
            .zip(&self.stdevs)
            .map(|((x, mean), stdev)| (x - mean) / stdev)
            .collect();
        let mut errors = scaled.clone();
        let mut weights = vec![0.0; scaled.len()];
        for (variance, vector) in &self.components {
            let score: f64 = vector.iter().zip(&scaled).map(|(p, z)| p * z).sum();
            for ((error, weight), p) in errors.iter_mut().zip(&mut weights).zip(vector) {
                *error -= score * p;
                *weight += p * score / variance;
            }
        }
        let t_parts: Vec<f64> = scaled.iter().zip(&weights).map(|(z, w)| z * w).collect();
        let error_parts: Vec<f64> = errors.iter().map(|e| e * e).collect();
        Distance {
            t_squared: t_parts.iter().sum(),
            t_parts,
            squared_error: error_parts.iter().sum(),
            error_parts,
        }
    }
}
