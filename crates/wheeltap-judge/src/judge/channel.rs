//! One channel of a unit: its data that waits, and taking it into panes.

use crate::{
    gate::Gate,
    pane::{Ring, Run, steps},
    pending::Pending,
    plan::{PlannedChannel, PlannedRing, Speaks},
};
use std::cmp::Ordering;
use wheeltap_model::{Event, Quality, Sample};

/// Room for what a channel gives to its rings at a tick, kept to be used again.
#[derive(Debug, Default)]
pub(super) struct Scratch {
    pub times_ms: Vec<i64>,
    pub values: Vec<f64>,
    pub steps: Vec<i64>,
}

#[derive(Debug)]
pub(super) struct ChannelState {
    pub pending: Pending,
    pub pending_events: Vec<Event>,
    pub has_sorted_events: bool,
    /// Next pending event to take.
    pub next_event: usize,
    pub rings: Vec<Ring>,
    /// Newest good sample taken.
    pub newest_good: Option<(i64, f64)>,
    pub held: Option<Held>,
}

/// The value a held channel has now.
#[derive(Clone, Copy, Debug)]
pub(super) struct Held {
    pub until_ms: i64,
    /// Its coverage is in the panes up to here.
    pub covered_to_ms: i64,
    pub value: f64,
    pub steps: i64,
}

impl ChannelState {
    pub fn new(planned: &PlannedChannel) -> Self {
        Self {
            pending: Pending::default(),
            pending_events: Vec::new(),
            has_sorted_events: true,
            next_event: 0,
            rings: planned
                .rings
                .iter()
                .map(crate::plan::PlannedRing::start)
                .collect(),
            newest_good: None,
            held: None,
        }
    }

    pub fn sort(&mut self) {
        self.pending.settle();
        if !self.has_sorted_events {
            self.pending_events.sort_by(compare_events);
            self.pending_events
                .dedup_by(|a, b| compare_events(a, b).is_eq());
            self.has_sorted_events = true;
        }
    }

    pub fn next_pending(&self) -> Option<i64> {
        let event = self.pending_events.get(self.next_event);
        self.pending
            .next_ms()
            .or_else(|| event.map(|event| event.time.unix_ms()))
    }

    pub fn drop_taken(&mut self) {
        self.pending.drop_taken();
        let taken = std::mem::take(&mut self.next_event);
        self.pending_events.drain(..taken);
    }

    /// Takes pending data up to and including the tick; returns the newest time taken.
    pub fn fold(
        &mut self,
        planned: &PlannedChannel,
        gates: &[Gate],
        tick_ms: i64,
        scratch: &mut Scratch,
    ) -> Option<i64> {
        match planned.speaks {
            Speaks::Event => self.fold_events(planned, gates, tick_ms),
            Speaks::Sampled { .. } => self.fold_samples(planned, gates, tick_ms, scratch),
            Speaks::Held { .. } => {
                let mut newest = None;
                while let Some(sample) = self.pending.due(tick_ms).get(0) {
                    self.pending.take(1);
                    self.take(planned, gates, sample);
                    newest = Some(sample.time.unix_ms());
                }
                self.cover(planned, gates, tick_ms);
                newest
            }
        }
    }

    fn fold_events(
        &mut self,
        planned: &PlannedChannel,
        gates: &[Gate],
        tick_ms: i64,
    ) -> Option<i64> {
        let mut newest = None;
        while let Some(event) = self.pending_events.get(self.next_event) {
            let time_ms = event.time.unix_ms();
            if time_ms > tick_ms {
                break;
            }
            for (planned, ring) in planned.rings.iter().zip(&mut self.rings) {
                if planned.gate.is_none_or(|gate| gates[gate].is_open(time_ms)) {
                    ring.event(time_ms, &event.fields);
                }
            }
            self.next_event += 1;
            newest = Some(time_ms);
        }
        newest
    }

    /// Takes a sampled channel's columns whole.
    fn fold_samples(
        &mut self,
        planned: &PlannedChannel,
        gates: &[Gate],
        tick_ms: i64,
        scratch: &mut Scratch,
    ) -> Option<i64> {
        let due = self.pending.due(tick_ms);
        let newest = *due.times_ms.last()?;
        let Scratch {
            times_ms,
            values,
            steps: counted,
        } = scratch;
        let (good_ms, good) = if due.qualities.is_empty() {
            (due.times_ms, due.values)
        } else {
            times_ms.clear();
            values.clear();
            let good = due.samples().filter(|s| s.quality == Quality::Good);
            for sample in good {
                times_ms.push(sample.time.unix_ms());
                values.push(sample.value);
            }
            (times_ms.as_slice(), values.as_slice())
        };
        if !self.rings.is_empty() {
            counted.clear();
            counted.extend(good.iter().map(|v| steps(*v, planned.num, planned.den)));
            let run = Run {
                times_ms: good_ms,
                values: good,
                steps: counted,
            };
            for (planned, ring) in planned.rings.iter().zip(&mut self.rings) {
                match planned.gate {
                    _ if planned.is_of_conflicts => {
                        if !due.qualities.is_empty() {
                            due.samples().for_each(|sample| {
                                take_conflict(planned, ring, gates, sample);
                            });
                        }
                    }
                    None => ring.samples(run),
                    Some(gate) => {
                        for run in run.split_by(|time_ms| gates[gate].is_open(time_ms)) {
                            ring.samples(run);
                        }
                    }
                }
            }
        }
        if let (Some(time_ms), Some(value)) = (good_ms.last(), good.last()) {
            self.newest_good = Some((*time_ms, *value));
        }
        let n_due = due.len();
        self.pending.take(n_due);
        Some(newest)
    }

    /// Takes one sample of a held channel.
    fn take(&mut self, planned: &PlannedChannel, gates: &[Gate], sample: Sample) {
        let time_ms = sample.time.unix_ms();
        self.cover(planned, gates, time_ms);
        self.held = None;
        for (planned, ring) in planned.rings.iter().zip(&mut self.rings) {
            if planned.is_of_conflicts {
                take_conflict(planned, ring, gates, sample);
            }
        }
        if sample.quality != Quality::Good {
            return;
        }
        let steps = steps(sample.value, planned.num, planned.den);
        for (planned, ring) in planned.rings.iter().zip(&mut self.rings) {
            if planned.is_of_conflicts {
                continue;
            }
            if planned.gate.is_none_or(|gate| gates[gate].is_open(time_ms)) {
                ring.samples(Run {
                    times_ms: &[time_ms],
                    values: &[sample.value],
                    steps: &[steps],
                });
            }
        }
        self.newest_good = Some((time_ms, sample.value));
        if let Speaks::Held { hold_ms } = planned.speaks {
            let until_ms = time_ms.saturating_add(hold_ms);
            self.held = Some(Held {
                until_ms,
                covered_to_ms: time_ms,
                value: sample.value,
                steps,
            });
        }
    }

    fn cover(&mut self, planned: &PlannedChannel, gates: &[Gate], to_ms: i64) {
        let Some(held) = &mut self.held else { return };
        let to_ms = to_ms.min(held.until_ms);
        if to_ms <= held.covered_to_ms {
            return;
        }
        for (planned, ring) in planned.rings.iter().zip(&mut self.rings) {
            match planned.gate {
                _ if planned.is_of_conflicts => {}
                None => ring.cover(held.covered_to_ms, to_ms, held.value, held.steps),
                Some(gate) => {
                    for (from, to) in gates[gate].within(held.covered_to_ms, to_ms) {
                        ring.cover(from, to, held.value, held.steps);
                    }
                }
            }
        }
        held.covered_to_ms = to_ms;
    }

    /// The held value, if it still lasts at an instant.
    pub fn held_at(&self, tick_ms: i64) -> Option<Held> {
        self.held.filter(|held| tick_ms <= held.until_ms)
    }
}

fn take_conflict(planned: &PlannedRing, ring: &mut Ring, gates: &[Gate], sample: Sample) {
    let time_ms = sample.time.unix_ms();
    let is_conflict = sample.quality == Quality::Conflict;
    if is_conflict && planned.gate.is_none_or(|gate| gates[gate].is_open(time_ms)) {
        ring.event(time_ms, &[]);
    }
}

fn compare_events(a: &Event, b: &Event) -> Ordering {
    let key = |field: &Option<f64>| field.map(f64::to_bits);
    a.time
        .cmp(&b.time)
        .then_with(|| a.fields.iter().map(key).cmp(b.fields.iter().map(key)))
}
