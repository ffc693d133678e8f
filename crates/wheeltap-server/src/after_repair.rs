//! Whether a repair has held: what the rules that called a defect have seen of it since.
//!
//! Nothing is kept of it: it follows from telemetry, and late data may change it.

use crate::Shared;
use crate::judging::{History, Judging, check};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use wheeltap_followup::{DefectQuery, KeptDefect};
use wheeltap_model::{Condition, DefectId, EventTime, Part, RuleRef, UnitId};
use wheeltap_proto::{convert, v1};
use wheeltap_rules::Rule;
use wheeltap_store::StoreError;

/// What telemetry says of a repair.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AfterRepair {
    /// Every rule that had called it was able to see it since, and saw it clear; the last of them then.
    Held(EventTime),
    /// It was seen again first then.
    NotHeld(EventTime),
    /// Some rule has had no chance to see it since.
    NotYetTested,
}

impl AfterRepair {
    /// As the contract has it, with the first instant that showed it.
    pub fn to_wire(since: Option<Self>) -> (v1::AfterRepair, Option<i64>) {
        match since {
            None => (v1::AfterRepair::Unspecified, None),
            Some(Self::Held(at)) => (v1::AfterRepair::Held, Some(at.unix_ms())),
            Some(Self::NotHeld(at)) => (v1::AfterRepair::NotHeld, Some(at.unix_ms())),
            Some(Self::NotYetTested) => (v1::AfterRepair::NotYetTested, None),
        }
    }
}

/// Repairs of one unit since `from`, newest first, at most `most`, each with what telemetry says of it. Reads
/// stored telemetry, so it belongs on a blocking thread.
///
/// # Errors
/// A stop of the store.
pub fn repairs_since(
    shared: &Shared,
    judging: &Judging,
    unit: &UnitId,
    from: EventTime,
    most: usize,
) -> Result<Vec<v1::SheetRepair>, StoreError> {
    let query = DefectQuery {
        unit: Some(unit.clone()),
        status: None,
        least_priority: None,
        component: None,
        open: false,
    };
    let mut repaired: Vec<(EventTime, DefectId, v1::SheetRepair)> = {
        let book = judging.ledger().book();
        let defects = book.defects(&query, None, usize::MAX).into_iter();
        defects
            .filter_map(|kept| {
                let defect = kept.defect();
                let at = repaired_at(&kept).filter(|at| *at > from)?;
                let repair = v1::SheetRepair {
                    defect: convert::defect_name(defect.id),
                    component: defect.component.clone(),
                    title: defect.title.clone(),
                    repaired_unix_ms: at.unix_ms(),
                    after_repair: v1::AfterRepair::Unspecified.into(),
                    after_repair_unix_ms: None,
                };
                Some((at, defect.id, repair))
            })
            .collect()
    };
    repaired.sort_unstable_by_key(|(at, id, _)| Reverse((*at, *id)));
    repaired.truncate(most);
    repaired
        .into_iter()
        .map(|(_, id, repair)| {
            let (said, at) = AfterRepair::to_wire(after_repair(shared, judging, id)?);
            Ok(v1::SheetRepair {
                after_repair: said.into(),
                after_repair_unix_ms: at,
                ..repair
            })
        })
        .collect()
}

/// What is asked of the book, taken out at once so that no lock is held while telemetry is read.
struct Asked {
    unit: UnitId,
    repaired_at: EventTime,
    /// Rules and the parts that they called.
    called: BTreeMap<RuleRef, BTreeSet<Option<Part>>>,
    again_at: Option<EventTime>,
}

/// Looks at a defect that was repaired; `None` for one that was not, or that no rule had called. Reads
/// stored telemetry, so it belongs on a blocking thread.
///
/// # Errors
/// A stop of the store.
pub fn after_repair(
    shared: &Shared,
    judging: &Judging,
    defect: DefectId,
) -> Result<Option<AfterRepair>, StoreError> {
    let Some(asked) = ask(judging, defect) else {
        return Ok(None);
    };
    if let Some(again_at) = asked.again_at {
        return Ok(Some(AfterRepair::NotHeld(again_at)));
    }
    let from = asked.repaired_at.plus_ms(1);
    let newest = shared
        .fleet
        .get(&asked.unit)
        .and_then(|record| record.heard.newest_event());
    let Some(until) = newest.filter(|newest| *newest > from) else {
        return Ok(Some(AfterRepair::NotYetTested));
    };
    let mut seen_clear = Vec::new();
    for (reference, parts) in &asked.called {
        let Some(rule) = compiled(shared, judging, reference) else {
            return Ok(Some(AfterRepair::NotYetTested));
        };
        let history = History {
            rule: Arc::new(rule.absence()),
            against: None,
            variants: Vec::new(),
            from,
            until,
            classes: judging.class_baselines(),
            units: vec![asked.unit.clone()],
        };
        let mut first: BTreeMap<Option<Part>, EventTime> = BTreeMap::new();
        history.run(shared, |progress| {
            for (occurrence, _) in progress.occurrences {
                let seen = first.entry(occurrence.part.clone());
                let at = seen.or_insert(occurrence.raised_at);
                *at = (*at).min(occurrence.raised_at);
            }
            true
        })?;
        for part in parts {
            match first.get(part) {
                Some(at) => seen_clear.push(*at),
                None => return Ok(Some(AfterRepair::NotYetTested)),
            }
        }
    }
    let last = seen_clear.into_iter().max();
    Ok(Some(
        last.map_or(AfterRepair::NotYetTested, AfterRepair::Held),
    ))
}

fn ask(judging: &Judging, defect: DefectId) -> Option<Asked> {
    let book = judging.ledger().book();
    let kept = book.defect(defect)?;
    let defect = kept.defect();
    let repaired_at = repaired_at(kept)?;
    let mut asked = Asked {
        unit: defect.unit.clone(),
        repaired_at,
        called: BTreeMap::new(),
        again_at: None,
    };
    for alert in defect.alerts.iter().filter_map(|id| book.alert(*id)) {
        if alert.condition() == Condition::Withdrawn {
            continue;
        }
        if alert.raised_at() > repaired_at {
            let first = asked.again_at.unwrap_or(alert.raised_at());
            asked.again_at = Some(first.min(alert.raised_at()));
        }
        let parts = asked
            .called
            .entry(alert.rule().reference.clone())
            .or_default();
        parts.insert(alert.part().cloned());
    }
    (!asked.called.is_empty()).then_some(asked)
}

/// When it was repaired last; one that came back was repaired all the same.
fn repaired_at(kept: &KeptDefect) -> Option<EventTime> {
    let earlier = kept.defect().earlier_findings.last();
    kept.repaired_at()
        .or(earlier.map(|finding| finding.repaired_at))
}

fn compiled(shared: &Shared, judging: &Judging, reference: &RuleRef) -> Option<Rule> {
    let source = {
        let book = judging.ledger().book();
        book.rule_version(reference)?.source.clone()
    };
    // A version that no longer fits the catalogue cannot say anything.
    check(shared, &reference.name, &source).ok()
}
