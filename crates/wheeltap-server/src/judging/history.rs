//! Judging what is stored by a rule that is not in force: what it would have done.
//!
//! The same judge as live, begun at the start of the span with warm windows, as a version that goes
//! live then would be. Several threads take a unit each. Nothing is written.

use super::rejudge::Rejudge;
use super::rulebook::RuleBook;
use crate::Shared;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;
use wheeltap_judge::{EffectiveRule, Occurrence};
use wheeltap_model::{EventTime, Part, RuleRef, UnitId};
use wheeltap_rules::Rule;
use wheeltap_store::StoreError;

/// Which of two versions would have raised an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Both, or the only one there is.
    Both,
    /// The version asked for alone.
    More,
    /// The other alone.
    Fewer,
}

/// What is to be judged.
pub struct History {
    /// The rule asked for.
    pub rule: Arc<Rule>,
    /// A version it is compared with.
    pub against: Option<Arc<Rule>>,
    /// The rule with other parameters, judged in the same pass; what all raise is told as of both.
    pub variants: Vec<Arc<Rule>>,
    /// First instant at which it is in force.
    pub from: EventTime,
    /// Last instant.
    pub until: EventTime,
    /// Units to be judged; those the rule is not for are passed over.
    pub units: Vec<UnitId>,
}

/// What one more unit added.
pub struct Progress<'a> {
    /// The unit.
    pub unit: &'a UnitId,
    /// What the rule asked for would have raised on it, or the other alone.
    pub occurrences: &'a [(Occurrence, Side)],
    /// Units done.
    pub n_units_done: usize,
    /// Units there are to do.
    pub n_units: usize,
    /// Samples and events read so far.
    pub n_read: u64,
}

/// What came out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Replay {
    /// Units that had data in the span.
    pub n_units: usize,
    /// It was not ended early.
    pub is_complete: bool,
}

struct Done {
    unit: UnitId,
    occurrences: Vec<(Occurrence, Side)>,
    has_data: bool,
    n_read: u64,
}

impl History {
    /// Judges on several threads; `tell` is called after each unit and ends the work by `false`.
    /// Blocks.
    ///
    /// # Errors
    /// The first stop of the store.
    pub fn run(
        &self,
        shared: &Shared,
        mut tell: impl FnMut(Progress<'_>) -> bool,
    ) -> Result<Replay, StoreError> {
        let effective = |rule: &Arc<Rule>| EffectiveRule {
            rule: Arc::clone(rule),
            from: self.from,
            until: None,
        };
        // Two versions of one rule have two names here, so both are judged.
        let rules = std::iter::once(&self.rule)
            .chain(&self.against)
            .chain(&self.variants);
        let rulebook = RuleBook::of(rules.map(effective).collect());
        let units: Vec<&UnitId> = self
            .units
            .iter()
            .filter(|unit| {
                let record = shared.fleet.get(unit);
                record.is_some_and(|record| rulebook.plan(shared, &record).plan.n_slots() > 0)
            })
            .collect();
        let next = AtomicUsize::new(0);
        let is_ended = AtomicBool::new(false);
        let n_threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        let (sender, results) = sync_channel(n_threads);
        std::thread::scope(|scope| {
            for _ in 0..n_threads.min(units.len()) {
                let sender = sender.clone();
                scope.spawn(|| {
                    let sender = sender;
                    while let Some(unit) = units.get(next.fetch_add(1, Ordering::Relaxed)) {
                        let done = self.judge(shared, &rulebook, unit, &is_ended);
                        if sender.send(done).is_err() || is_ended.load(Ordering::Relaxed) {
                            return;
                        }
                    }
                });
            }
            drop(sender);
            let mut replay = Replay::default();
            let mut n_read = 0;
            for (n_before, done) in results.into_iter().enumerate() {
                let done = done.inspect_err(|_| is_ended.store(true, Ordering::Relaxed))?;
                n_read += done.n_read;
                replay.n_units += usize::from(done.has_data);
                let progress = Progress {
                    unit: &done.unit,
                    occurrences: &done.occurrences,
                    n_units_done: n_before + 1,
                    n_units: units.len(),
                    n_read,
                };
                if !tell(progress) {
                    is_ended.store(true, Ordering::Relaxed);
                    return Ok(replay);
                }
            }
            replay.is_complete = true;
            Ok(replay)
        })
    }

    fn judge(
        &self,
        shared: &Shared,
        rulebook: &RuleBook,
        unit: &UnitId,
        is_ended: &AtomicBool,
    ) -> Result<Done, StoreError> {
        let mut done = Done {
            unit: unit.clone(),
            occurrences: Vec::new(),
            has_data: false,
            n_read: 0,
        };
        let Some(record) = shared.fleet.get(unit) else {
            return Ok(done);
        };
        let planned = rulebook.plan(shared, &record);
        let Some(mut work) = Rejudge::afresh(shared, unit, planned, self.from, self.until)? else {
            return Ok(done);
        };
        done.has_data = true;
        while !work.step(shared, None)? {
            if is_ended.load(Ordering::Relaxed) {
                return Ok(done);
            }
        }
        done.n_read = work.n_read();
        let occurrences: Vec<Occurrence> = work.occurrences.into_values().collect();
        let against = self.against.as_ref().map(|rule| &rule.reference);
        done.occurrences = if self.variants.is_empty() {
            sides(occurrences, &self.rule.reference, against)
        } else {
            let told = |occurrence| (occurrence, Side::Both);
            occurrences.into_iter().map(told).collect()
        };
        Ok(done)
    }
}

/// Sorts what two versions raised on one unit by which of them did, in order of raising.
fn sides(
    occurrences: Vec<Occurrence>,
    rule: &RuleRef,
    against: Option<&RuleRef>,
) -> Vec<(Occurrence, Side)> {
    let (own, other): (Vec<Occurrence>, Vec<Occurrence>) = occurrences
        .into_iter()
        .partition(|occurrence| occurrence.rule == *rule);
    let overlaps = |a: &Occurrence, b: &Occurrence| {
        a.part == b.part
            && a.ended_at.is_none_or(|ended_at| ended_at >= b.raised_at)
            && b.ended_at.is_none_or(|ended_at| ended_at >= a.raised_at)
    };
    // The same text is one version: then all are of both.
    let is_same = against.is_none_or(|against| against == rule);
    let fewer: Vec<(Occurrence, Side)> = other
        .iter()
        .filter(|theirs| !own.iter().any(|ours| overlaps(ours, theirs)))
        .map(|theirs| (theirs.clone(), Side::Fewer))
        .collect();
    let mut sorted: BTreeMap<(EventTime, bool, Option<Part>), (Occurrence, Side)> = BTreeMap::new();
    let ours = own.into_iter().map(|ours| {
        let is_both = is_same || other.iter().any(|theirs| overlaps(&ours, theirs));
        (ours, if is_both { Side::Both } else { Side::More })
    });
    for (occurrence, side) in ours.chain(fewer) {
        let place = (
            occurrence.raised_at,
            side == Side::Fewer,
            occurrence.part.clone(),
        );
        sorted.insert(place, (occurrence, side));
    }
    sorted.into_values().collect()
}
