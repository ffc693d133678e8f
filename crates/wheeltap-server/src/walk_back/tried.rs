//! Drafts tried on what is stored: which of them calls the unit that failed, and whom else.

use super::draft::Draft;
use super::walk::{NoWalk, Walked};
use crate::Shared;
use crate::judging::{History, check};
use crate::replays::would_ring;
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;
use wheeltap_followup::{Forecast, Truth, WouldRing, forecast};
use wheeltap_model::{EventTime, RuleName, RuleRef, UnitId};
use wheeltap_rules::Rule;

/// A draft is tried on so much of what is stored, and at least so long before the failure.
const FORECAST_MS: i64 = 30 * 86_400_000;
const BEFORE_MS: i64 = 2 * 86_400_000;
/// A finding counts as weak whose score is under this share of the best one's.
const WEAK_SHARE: f64 = 0.5;
/// A draft that rings on more than this share of the other units is none.
const MOST_OTHERS: f64 = 0.25;

/// A draft that calls the unit that failed.
pub struct Tried {
    /// The rule's text.
    pub text: String,
    /// What it would have done on every unit of its class.
    pub forecast: Forecast,
    /// Other units on which it rings though they do not show the finding today.
    pub n_others: usize,
}

/// A draft that vets.
struct Vetted<'a> {
    draft: &'a Draft<'a>,
    rule: Arc<Rule>,
}

/// The draft that calls the unit that failed and the fewest others that do not show the same; of those
/// alike the first. `None` where each is silent on the unit or rings on too many others.
///
/// # Errors
/// A stop of the store; [`NoWalk::Ended`] once nothing is wanted any more.
pub fn best(
    shared: &Shared,
    walked: &Walked<'_>,
    name: &RuleName,
    drafts: &[Draft<'_>],
    is_wanted: impl Fn() -> bool,
) -> Result<Option<Tried>, NoWalk> {
    let vetted: Vec<Vetted<'_>> = drafts
        .iter()
        .filter_map(|draft| {
            let rule = Arc::new(check(shared, name, &draft.text).ok()?);
            Some(Vetted { draft, rule })
        })
        .collect();
    let Some((first, others)) = vetted.split_first() else {
        return Ok(None);
    };
    let until = walked.grid.end().plus_ms(-1);
    let begin = until
        .plus_ms(-FORECAST_MS)
        .min(walked.at.plus_ms(-BEFORE_MS));
    let history = History {
        rule: Arc::clone(&first.rule),
        against: None,
        // All in one pass over the data.
        variants: others.iter().map(|one| Arc::clone(&one.rule)).collect(),
        from: walked.from.max(begin),
        until,
        // A draft compares with limits, never with what a class does.
        classes: HashMap::new(),
        units: shared
            .fleet
            .all()
            .iter()
            .map(|record| record.unit.id.clone())
            .collect(),
    };
    let mut rung: HashMap<RuleRef, Vec<WouldRing>> = HashMap::new();
    let replay = history.run_while(shared, is_wanted, |progress| {
        for (occurrence, _) in progress.occurrences {
            if occurrence.unsuppressed_at.is_some() {
                let of = rung.entry(occurrence.rule.clone()).or_default();
                of.push(would_ring(progress.unit, occurrence));
            }
        }
        true
    })?;
    if !replay.is_complete {
        return Err(NoWalk::Ended);
    }
    let best = chosen(walked, &vetted, &rung);
    Ok(best.map(|(one, n_others)| {
        let alerts = &rung[&one.rule.reference];
        let n_units = replay.n_units as u64;
        let (from, truth) = (history.from, Truth::default());
        Tried {
            text: one.draft.told(n_others),
            forecast: forecast(alerts, from, until, n_units, &truth)
                .covering(replay.covered_ms_a_unit()),
            n_others,
        }
    }))
}

/// The best of them, and how many others it rings on.
fn chosen<'a, 'b>(
    walked: &Walked<'_>,
    vetted: &'b [Vetted<'a>],
    rung: &HashMap<RuleRef, Vec<WouldRing>>,
) -> Option<(&'b Vetted<'a>, usize)> {
    let (own, others) = walked.units.split_first()?;
    let score = |one: &Vetted<'_>| one.draft.finding.difference.score;
    let top = score(vetted.first()?);
    vetted
        .iter()
        .filter_map(|one| {
            let alerts = rung.get(&one.rule.reference)?;
            let since = one.draft.finding.difference.since;
            let since = since.map_or(walked.from, |pane| walked.grid.start(pane));
            let n_others = calls(alerts, own, since)
                .then(|| strangers(alerts, own, &one.draft.finding.today).len())?;
            let is_weak = score(one) < WEAK_SHARE * top;
            let is_one = n_others as f64 <= MOST_OTHERS * others.len() as f64;
            is_one.then_some((is_weak, n_others, one))
        })
        // Of equal ones the first.
        .min_by_key(|(is_weak, n_others, _)| (*is_weak, *n_others))
        .map(|(_, n_others, one)| (one, n_others))
}

/// Whether it calls the change: more alerts of the unit stood after it than had ended before.
fn calls(alerts: &[WouldRing], unit: &UnitId, since: EventTime) -> bool {
    let own = alerts.iter().filter(|alert| alert.unit == *unit);
    let (before, after): (Vec<&WouldRing>, Vec<&WouldRing>) =
        own.partition(|alert| alert.ended_at.is_some_and(|ended| ended < since));
    after.len() > before.len()
}

/// Units on which it rings, without the one that failed and those that show the finding today.
fn strangers<'a>(
    alerts: &'a [WouldRing],
    own: &UnitId,
    today: &[(UnitId, f64)],
) -> BTreeSet<&'a UnitId> {
    alerts
        .iter()
        .map(|alert| &alert.unit)
        .filter(|unit| *unit != own && !today.iter().any(|(other, _)| other == *unit))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alert(unit: &str, raised_ms: i64, ended_ms: Option<i64>) -> WouldRing {
        WouldRing {
            unit: UnitId::new(unit).unwrap(),
            rule: RuleName::new("drafted").unwrap(),
            part: None,
            raised_at: EventTime::from_unix_ms(raised_ms),
            ended_at: ended_ms.map(EventTime::from_unix_ms),
        }
    }

    #[test]
    fn a_draft_must_call_the_change_and_strangers_are_counted_once() {
        let own = UnitId::new("ZVR 1").unwrap();
        let since = EventTime::from_unix_ms(100);
        let before = alert("ZVR 1", 10, Some(20));
        let after = alert("ZVR 1", 110, None);
        let other = alert("ZVR 2", 110, None);
        let third = alert("ZVR 3", 110, None);
        assert!(!calls(&[], &own, since));
        assert!(!calls(std::slice::from_ref(&other), &own, since));
        assert!(calls(std::slice::from_ref(&after), &own, since));
        // It rang as often when nothing had changed.
        assert!(!calls(&[before, after.clone()], &own, since));
        let today = [(UnitId::new("ZVR 3").unwrap(), 9.0)];
        let alerts = [after, other.clone(), other, third];
        let strangers: Vec<&str> = strangers(&alerts, &own, &today)
            .into_iter()
            .map(UnitId::as_str)
            .collect();
        assert_eq!(strangers, ["ZVR 2"]);
    }
}
