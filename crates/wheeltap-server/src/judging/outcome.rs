//! What a judgement means for the ledger and for what a judge remembers; the same for the judge of a
//! unit's own rules and for that of the rules that ask its mates.

use super::ledger::Documents;
use super::memory::{Basis, Stored, write_checkpoint};
use super::rejudge::{Key, key};
use std::collections::BTreeMap;
use wheeltap_followup::{KeptAlert, Planner, Terms};
use wheeltap_judge::{Change, Checkpoint, KnownAlert, Occurrence, Reconciled, reconcile};
use wheeltap_model::{Condition, EventTime, RuleRef, UnitId};
use wheeltap_store::{Store, StoreError};

/// Checkpoints are thinned when one is made in an hour divisible by this.
const THIN_EVERY_HOURS: i64 = 6;

/// What one unit's live judgement adds to a commit.
pub struct Found {
    pub unit: UnitId,
    pub terms: Terms,
    /// Each occurrence once, as it is now, in the order of its first change, with whether it was raised.
    pub occurrences: Vec<(Occurrence, bool)>,
}

/// Announces what need not wait, and settles what was promised to be complete, of the alerts of the judge
/// whose rules these are.
pub fn tell_all(
    planner: &mut Planner<'_>,
    unit: &UnitId,
    terms: Terms,
    is_own: impl Fn(&RuleRef) -> bool,
) {
    let book = planner.book();
    let is_own = |alert: &KeptAlert| is_own(&alert.rule().reference);
    if !terms.withhold {
        let to_announce = book
            .standing_of(unit)
            .filter(|alert| alert.is_to_announce() && is_own(alert));
        to_announce.for_each(|alert| planner.announce(alert));
        if let Some(watermark) = terms.watermark {
            let told = book
                .standing_of(unit)
                .filter(|alert| alert.told_with().0 != 0 && is_own(alert));
            told.for_each(|alert| planner.keep_told(alert, watermark));
        }
    }
    if let Some(through) = terms.complete_through {
        let to_settle = book.to_settle(unit, through).filter(|alert| is_own(alert));
        to_settle.for_each(|alert| planner.settle(alert));
    }
}

/// Puts the checkpoints of ticks judged again, from a base to the newest data, in place of those that were
/// there.
///
/// # Errors
/// A stop.
pub fn replace_checkpoints(
    store: &dyn Store,
    unit: &UnitId,
    (checkpoints, basis): (&[Checkpoint], &Basis),
    (base, newest): (Option<EventTime>, Option<EventTime>),
    documents: &mut Documents,
) -> Result<(), StoreError> {
    let stored = Stored::read(store, unit, basis.whose)?;
    stored.remove_after(base, documents);
    // The newest of these replaces what it has the key of: removals come first.
    for checkpoint in kept(checkpoints, newest) {
        write_checkpoint(unit, checkpoint, basis, documents)?;
    }
    Ok(())
}

/// Adds checkpoints of ticks judged for the first time, and removes old ones from time to time.
///
/// # Errors
/// A stop.
pub fn add_checkpoints(
    store: &dyn Store,
    unit: &UnitId,
    (checkpoints, basis): (&[Checkpoint], &Basis),
    newest: Option<EventTime>,
    documents: &mut Documents,
) -> Result<(), StoreError> {
    for checkpoint in checkpoints {
        write_checkpoint(unit, checkpoint, basis, documents)?;
    }
    if let Some(newest) = newest
        && is_thinning_due(checkpoints)
    {
        Stored::read(store, unit, basis.whose)?.thin(newest, documents);
    }
    Ok(())
}

/// Of one work's checkpoints those that thinning would leave.
fn kept(
    checkpoints: &[Checkpoint],
    newest: Option<EventTime>,
) -> impl Iterator<Item = &Checkpoint> {
    let fine = newest.map(|newest| newest.plus_ms(-24 * 3_600_000));
    checkpoints.iter().filter(move |checkpoint| {
        fine.is_none_or(|fine| checkpoint.at >= fine)
            || is_thinning_due(std::slice::from_ref(*checkpoint))
    })
}

fn is_thinning_due(checkpoints: &[Checkpoint]) -> bool {
    checkpoints.iter().any(|checkpoint| {
        let hour = checkpoint.at.plus_ms(1).unix_ms().div_euclid(3_600_000);
        hour.rem_euclid(THIN_EVERY_HOURS) == 0
    })
}

/// Each occurrence once, as it is now, in the order of its first change, with whether it was raised.
pub fn last_of_each(changes: Vec<Change>) -> Vec<(Occurrence, bool)> {
    let mut places: BTreeMap<Key, usize> = BTreeMap::new();
    let mut last: Vec<(Occurrence, bool)> = Vec::new();
    for change in changes {
        let is_raised = matches!(change, Change::Raised(_));
        let (Change::Raised(occurrence)
        | Change::Ended(occurrence)
        | Change::Unsuppressed(occurrence)) = change;
        if let Some(idx) = places.get(&key(&occurrence)) {
            last[*idx].0 = occurrence;
        } else {
            places.insert(key(&occurrence), last.len());
            last.push((occurrence, is_raised));
        }
    }
    last
}

/// Plans what was found at ticks judged for the first time; gives how many alerts it raised.
pub fn plan_live(planner: &mut Planner<'_>, found: &Found) -> u64 {
    let Found {
        unit,
        terms,
        occurrences,
    } = found;
    let mut n_raised = 0;
    for (occurrence, is_raised) in occurrences {
        let Occurrence {
            rule,
            part,
            raised_at,
            ..
        } = occurrence;
        let known = planner
            .book()
            .standing_as(unit, rule, part.as_ref(), *raised_at);
        match known {
            Some(alert) if occurrence.ended_at.is_some() => {
                planner.end(alert, occurrence.clone(), *terms);
            }
            Some(alert) => {
                if let Some(at) = occurrence.unsuppressed_at
                    && alert.is_by_design()
                {
                    planner.unsuppress(alert, at, *terms);
                }
            }
            None if *is_raised => {
                planner.raise(unit, occurrence.clone(), *terms);
                n_raised += 1;
            }
            // Late work, which is the next to be done, has the last word on it.
            None => {}
        }
    }
    n_raised
}

/// Plans what makes the ledger agree with what was judged again from an instant on, by the judge whose
/// rules these are; gives how many alerts it raised.
pub fn plan_again(
    planner: &mut Planner<'_>,
    unit: &UnitId,
    judged: &[Occurrence],
    from: Option<EventTime>,
    terms: Terms,
    is_own: impl Fn(&RuleRef) -> bool,
) -> u64 {
    let book = planner.book();
    let known: Vec<KnownAlert> = book
        .known(unit, from)
        .filter(|alert| is_own(&alert.rule().reference))
        .map(|alert| known_alert(alert))
        .collect();
    let mut changes = reconcile(&known, judged, from);
    // New ids in the order of event time, whatever the rules are called.
    changes.sort_by_key(|change| match change {
        Reconciled::New(occurrence) => Some(occurrence.raised_at),
        Reconciled::Revised(..) | Reconciled::Reinstated(..) | Reconciled::Withdrawn(..) => None,
    });
    let mut n_raised = 0;
    for change in changes {
        match change {
            Reconciled::New(occurrence) => {
                planner.raise(unit, occurrence, terms);
                n_raised += 1;
            }
            Reconciled::Revised(id, occurrence) => {
                if let Some(alert) = book.alert(id) {
                    planner.revise(alert, occurrence, terms);
                }
            }
            Reconciled::Reinstated(id, occurrence) => {
                if let Some(alert) = book.alert(id) {
                    planner.reinstate(alert, occurrence, terms);
                }
            }
            Reconciled::Withdrawn(id, reason) => {
                if let Some(alert) = book.alert(id) {
                    planner.withdraw(alert, reason, terms);
                }
            }
        }
    }
    n_raised
}

fn known_alert(alert: &KeptAlert) -> KnownAlert {
    KnownAlert {
        id: alert.id(),
        occurrence: alert.occurred(),
        withdrawn: alert.condition() == Condition::Withdrawn,
    }
}
