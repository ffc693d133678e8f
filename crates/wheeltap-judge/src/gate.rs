//! When the conditions of a window hold: stretches of time, exact to the millisecond.

use wheeltap_model::{Quality, Sample};
use wheeltap_rules::Test;

/// Conditions that must all hold, shared by every window that asks for the same.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct PlannedGate {
    pub conditions: Vec<PlannedCondition>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PlannedCondition {
    /// Index of the channel asked.
    pub channel: usize,
    pub test: Test,
    /// How long a value lasts without another.
    pub lasts_ms: i64,
    /// Whether a sample that is not good ends the value before it.
    pub held: bool,
}

/// When a gate is open.
///
/// A stretch [from, to) lets instants from <= t < to pass. What is known reaches up to the tick
/// folded to; a stretch that still lasts there says for how long it would.
#[derive(Clone, Debug)]
pub(crate) struct Gate {
    conditions: Vec<Holding>,
    open: Vec<(i64, i64)>,
}

#[derive(Clone, Debug, Default)]
struct Holding {
    over: Vec<(i64, i64)>,
    lasting: Option<(i64, i64)>,
}

impl Gate {
    pub(crate) fn new(planned: &PlannedGate) -> Self {
        Self {
            conditions: vec![Holding::default(); planned.conditions.len()],
            open: Vec::new(),
        }
    }

    /// Takes what condition `idx`'s channel says from after the tick `folded_ms` on; one sample a
    /// time, times ascending.
    pub(crate) fn take(
        &mut self,
        idx: usize,
        planned: &PlannedCondition,
        folded_ms: i64,
        samples: impl Iterator<Item = Sample>,
    ) {
        let holding = &mut self.conditions[idx];
        // What has passed is never asked for again.
        holding.over.retain(|(_, to)| *to > folded_ms);
        for sample in samples {
            let good = sample.quality == Quality::Good;
            if good || planned.held {
                let holds = good && planned.test.holds(sample.value);
                holding.turn(sample.time.unix_ms(), holds, planned.lasts_ms);
            }
        }
    }

    /// To be called once every condition was given its samples.
    pub(crate) fn join(&mut self) {
        self.open.clear();
        let Some((first, others)) = self.conditions.split_first() else {
            return;
        };
        self.open.extend(first.stretches());
        for other in others {
            let others: Vec<(i64, i64)> = other.stretches().collect();
            self.open = intersect(&self.open, &others);
        }
    }

    /// Whether an instant passes.
    pub(crate) fn is_open(&self, at_ms: i64) -> bool {
        let idx = self.open.partition_point(|(_, to)| *to <= at_ms);
        self.open.get(idx).is_some_and(|(from, _)| *from <= at_ms)
    }

    /// The parts of (from, to] that pass, ascending.
    pub(crate) fn within(&self, from_ms: i64, to_ms: i64) -> impl Iterator<Item = (i64, i64)> {
        let idx = self.open.partition_point(|(_, to)| *to <= from_ms);
        self.open[idx..]
            .iter()
            .map(move |(from, to)| (from_ms.max(*from), to_ms.min(*to)))
            .take_while(|(from, to)| from < to)
    }
}

impl Holding {
    fn turn(&mut self, at_ms: i64, holds: bool, lasts_ms: i64) {
        if let Some((from, to)) = self.lasting {
            let goes_on = holds && to >= at_ms;
            if !goes_on {
                self.over.push((from, to.min(at_ms)));
                self.lasting = None;
            }
        }
        if holds {
            let from = self.lasting.map_or(at_ms, |(from, _)| from);
            self.lasting = Some((from, at_ms.saturating_add(lasts_ms)));
        }
    }

    fn stretches(&self) -> impl Iterator<Item = (i64, i64)> {
        self.over.iter().copied().chain(self.lasting)
    }
}

/// What is in both of two lists of stretches, each ascending.
pub(crate) fn intersect(a: &[(i64, i64)], b: &[(i64, i64)]) -> Vec<(i64, i64)> {
    let (mut i, mut j, mut both) = (0, 0, Vec::new());
    while let (Some(x), Some(y)) = (a.get(i), b.get(j)) {
        let (from, to) = (x.0.max(y.0), x.1.min(y.1));
        if from < to {
            both.push((from, to));
        }
        if x.1 <= y.1 {
            i += 1;
        } else {
            j += 1;
        }
    }
    both
}
