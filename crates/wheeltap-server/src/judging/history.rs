//! Judging what is stored by a rule that is not in force: what it would have done.
//!
//! The same judge as live, begun at the start of the span with warm windows, as a version that goes
//! live then would be. Several threads take a unit each. Nothing is written.

use super::classes;
use super::rejudge::Rejudge;
use super::rulebook::{Classes, RuleBook};
use crate::Shared;
use crate::side_by_side::{Ended, side_by_side};
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use wheeltap_followup::{Blind, Faulted, covered_ms};
use wheeltap_judge::{
    ClassBaselines, EffectiveRule, FAULTS_TO_REPORT, Occurrence, Stretch, TooFewUnits,
    share_an_instant,
};
use wheeltap_model::{ChannelId, ClassBaseline, ClassName, EventTime, Part, RuleRef, UnitId};
use wheeltap_rules::Rule;
use wheeltap_store::{StoreError, Tier};

/// Event time judged between two looks where a script may take all the operations it is allowed at each tick.
const SCRIPT_PIECE_MS: i64 = 15 * 60_000;
/// A script that failed at so many ticks in a row will go on failing, and may take all the operations it is allowed
/// at each.
const GIVE_UP_AFTER: u32 = 300;

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
    /// What is known of the classes.
    pub classes: Classes,
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
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Replay {
    /// Units that had data in the span.
    pub n_units: usize,
    /// For how much of the span there is data of them, all of them together, in milliseconds.
    pub covered_ms: i64,
    /// On how many the rule asked for was faulted, and what the engine said on one of them.
    pub faulted: Option<Faulted>,
    /// On how many it never knew what it reads.
    pub blind: Option<Blind>,
    /// It was not ended early.
    pub is_complete: bool,
}

struct Done {
    unit: UnitId,
    occurrences: Vec<(Occurrence, Side)>,
    has_data: bool,
    covered_ms: i64,
    n_read: u64,
    /// What the engine said when the rule asked for was faulted.
    fault: Option<String>,
    /// What the rule asked for never knew, where that left it without a verdict.
    blind: Option<BTreeSet<String>>,
}

/// What a class's units did at the start of the span, where the ledger has no baseline for it.
pub struct FittedClass {
    /// The class.
    pub class: ClassName,
    /// What it is of.
    pub of: String,
    /// What was fitted, or why nothing was.
    pub fitted: Result<ClassBaseline, TooFewUnits>,
}

impl History {
    fn rules(&self) -> Vec<EffectiveRule> {
        let effective = |rule: &Arc<Rule>| EffectiveRule {
            rule: Arc::clone(rule),
            from: self.from,
            until: None,
        };
        // Two versions of one rule have two names here, so both are judged.
        let rules = std::iter::once(&self.rule)
            .chain(&self.against)
            .chain(&self.variants);
        rules.map(effective).collect()
    }

    /// Fits what the rules compare with a class and no baseline is in force for, from a stretch of this
    /// length (at most half of the span) at its start; in force from its end on. Blocks.
    ///
    /// # Errors
    /// A stop.
    pub fn fit_classes(
        &mut self,
        shared: &Shared,
        stretch_ms: i64,
    ) -> Result<Vec<FittedClass>, StoreError> {
        let comparing = RuleBook::of(self.rules(), Classes::new()).comparing();
        if comparing.is_empty() {
            return Ok(Vec::new());
        }
        let comparing = RuleBook::of(comparing, Classes::new());
        let half_ms = self.until.ms_since(self.from) / 2;
        let from = self.from.plus_ms(-1);
        let stretch = Stretch {
            from,
            to: from.plus_ms(stretch_ms.min(half_ms).max(1)),
        };
        let asked: BTreeSet<ClassName> = self
            .units
            .iter()
            .filter_map(|unit| shared.fleet.get(unit))
            .map(|record| record.unit.class.clone())
            .collect();
        let mut all = Vec::new();
        for (class, records) in classes::by_class(shared) {
            if !asked.contains(&class) {
                continue;
            }
            let known = self.classes.get(&class).cloned().unwrap_or_default();
            let missing = |of: &String| known.of(of).iter().all(|own| own.from >= stretch.to);
            let wanted = classes::wanted(shared, &comparing, &records);
            if !wanted.iter().any(missing) {
                continue;
            }
            let mut baselines: Vec<ClassBaseline> = known.iter().cloned().collect();
            let fitted = classes::fit(shared, &comparing, &class, &records, stretch)?;
            for (of, fitted) in fitted.into_iter().filter(|(of, _)| missing(of)) {
                baselines.extend(fitted.as_ref().ok().cloned());
                all.push(FittedClass {
                    class: class.clone(),
                    of,
                    fitted,
                });
            }
            let baselines = Arc::new(ClassBaselines::new(baselines));
            self.classes.insert(class, baselines);
        }
        Ok(all)
    }

    /// As [`History::run_while`], wanted by somebody to the end.
    ///
    /// # Errors
    /// The first stop of the store.
    pub fn run(
        &self,
        shared: &Shared,
        tell: impl FnMut(Progress<'_>) -> bool,
    ) -> Result<Replay, StoreError> {
        self.run_while(shared, || true, tell)
    }

    /// Judges on several threads; `tell` is called after each unit and ends the work by `false`. The work
    /// ends soon, in the middle of a unit too, when nobody wants it any more or the service shuts down.
    /// Blocks.
    ///
    /// # Errors
    /// The first stop of the store.
    pub fn run_while(
        &self,
        shared: &Shared,
        is_wanted: impl Fn() -> bool,
        mut tell: impl FnMut(Progress<'_>) -> bool,
    ) -> Result<Replay, StoreError> {
        let rulebook = RuleBook::of(self.rules(), self.classes.clone());
        let units: Vec<&UnitId> = self
            .units
            .iter()
            .filter(|unit| {
                let record = shared.fleet.get(unit);
                record.is_some_and(|record| rulebook.plan(shared, &record).plan.n_slots() > 0)
            })
            .collect();
        let mut replay = Replay::default();
        let mut n_read = 0;
        let mut n_units_done = 0;
        let ended = side_by_side(
            &units,
            || is_wanted() && !shared.shutdown.is_stopping(),
            |unit, is_ended| self.judge(shared, &rulebook, unit, is_ended),
            |_, done| {
                let done = match done {
                    Ok(done) => done,
                    Err(error) => return ControlFlow::Break(Some(error)),
                };
                n_read += done.n_read;
                n_units_done += 1;
                replay.add(&done);
                let progress = Progress {
                    unit: &done.unit,
                    occurrences: &done.occurrences,
                    n_units_done,
                    n_units: units.len(),
                    n_read,
                };
                if tell(progress) {
                    ControlFlow::Continue(())
                } else {
                    ControlFlow::Break(None)
                }
            },
        );
        match ended {
            Ok(()) => replay.is_complete = true,
            Err(Ended::Unwanted | Ended::Enough(None)) => {}
            Err(Ended::Enough(Some(error))) => return Err(error),
        }
        Ok(replay)
    }

    /// For how much of the span something came of these channels.
    fn covered_ms(
        &self,
        shared: &Shared,
        unit: &UnitId,
        channels: &[ChannelId],
    ) -> Result<i64, StoreError> {
        let Some((first, last)) = shared.store.extent(unit)? else {
            return Ok(0);
        };
        let (from, until) = (first.max(self.from), last.min(self.until));
        let mut hours: HashSet<i64> = HashSet::new();
        // Rows are found by their start, which may be before the span's.
        let hour_ms = Tier::Hour.length_ms();
        let first_row = EventTime::from_unix_ms(from.unix_ms().div_euclid(hour_ms) * hour_ms);
        for channel in channels {
            let (of, to) = (*channel, until.plus_ms(1));
            let rows = shared
                .store
                .rollups(unit, of, Tier::Hour, first_row, to, usize::MAX)?;
            hours.extend(rows.iter().map(|row| row.start.unix_ms()));
            if !hours.is_empty() && covered_ms((from, until), &hours) >= until.ms_since(from) {
                break;
            }
        }
        Ok(covered_ms((from, until), &hours))
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
            covered_ms: 0,
            n_read: 0,
            fault: None,
            blind: None,
        };
        let Some(record) = shared.fleet.get(unit) else {
            return Ok(done);
        };
        let planned = rulebook.plan(shared, &record);
        let plan = Arc::clone(&planned.plan);
        let Some(mut work) = Rejudge::afresh(shared, unit, planned, self.from, self.until)? else {
            return Ok(done);
        };
        done.has_data = true;
        if rulebook.has_scripts() {
            work.in_pieces_of(SCRIPT_PIECE_MS);
        }
        while !work.step(shared, None)? {
            if is_ended.load(Ordering::Relaxed) {
                return Ok(done);
            }
            if work.judge.most_faults() >= GIVE_UP_AFTER {
                break;
            }
        }
        done.n_read = work.n_read();
        done.covered_ms = self.covered_ms(shared, unit, plan.channels())?;
        let mut faults = work.faults.drain(..);
        done.fault = faults
            .find(|fault| fault.rule == self.rule.reference && fault.n_in_a_row >= FAULTS_TO_REPORT)
            .map(|fault| fault.message);
        drop(faults);
        done.blind = work.judge.blind(&self.rule.reference);
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

impl Replay {
    fn add(&mut self, done: &Done) {
        self.n_units += usize::from(done.has_data);
        self.covered_ms += done.covered_ms;
        if let Some(message) = &done.fault {
            let faulted = self.faulted.get_or_insert_with(|| Faulted {
                n_units: 0,
                message: message.clone(),
            });
            faulted.n_units += 1;
        }
        if let Some(never_known) = &done.blind {
            let blind = self.blind.get_or_insert_default();
            blind.n_units += 1;
            blind.never_known.extend(never_known.iter().cloned());
        }
    }

    /// For how much of the span there is data of a unit, on average.
    pub fn covered_ms_a_unit(&self) -> i64 {
        self.covered_ms / i64::try_from(self.n_units).unwrap_or(i64::MAX).max(1)
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
        let span = |of: &Occurrence| (of.raised_at, of.ended_at);
        a.part == b.part && share_an_instant(span(a), span(b))
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

#[cfg(test)]
mod tests {
    use super::*;
    use wheeltap_model::{Evidence, RuleName};

    fn occurrence(version: &str, raised: i64, ended: i64) -> Occurrence {
        let at = EventTime::from_unix_ms;
        Occurrence {
            rule: RuleRef {
                name: RuleName::new("rule").unwrap(),
                version: version.to_owned(),
            },
            part: None,
            raised_at: at(raised),
            ended_at: Some(at(ended)),
            superseded: false,
            evidence: Evidence {
                at: at(raised),
                since: at(raised),
                inputs: vec![],
            },
            end_evidence: None,
            unsuppressed_at: Some(at(raised)),
        }
    }

    #[test]
    fn alerts_that_only_touch_are_not_of_both_versions() {
        let (own, other) = (occurrence("1", 10, 20), occurrence("2", 20, 30));
        let (rule, against) = (own.rule.clone(), other.rule.clone());
        let found = sides(vec![own, other], &rule, Some(&against));
        let found: Vec<Side> = found.into_iter().map(|(_, side)| side).collect();
        assert_eq!(found, [Side::More, Side::Fewer]);
        let (own, other) = (occurrence("1", 10, 21), occurrence("2", 20, 30));
        let found = sides(vec![own, other], &rule, Some(&against));
        let found: Vec<Side> = found.into_iter().map(|(_, side)| side).collect();
        assert_eq!(found, [Side::Both]);
    }
}
