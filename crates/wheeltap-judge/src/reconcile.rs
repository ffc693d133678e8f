//! Identity through late data: which known alert each judged occurrence is.

use crate::Occurrence;
use std::collections::BTreeMap;
use wheeltap_model::{AlertId, EventTime, Part, RuleRef, WithdrawnReason};

/// An alert as the ledger knows it.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownAlert {
    /// Its id.
    pub id: AlertId,
    /// What was judged when it was last written.
    pub occurrence: Occurrence,
    /// Whether it is withdrawn now.
    pub withdrawn: bool,
}

/// One change that makes the ledger agree with the judge.
#[derive(Clone, Debug, PartialEq)]
pub enum Reconciled {
    /// A new alert.
    New(Occurrence),
    /// The same alert with other times or evidence (or now ended).
    Revised(AlertId, Occurrence),
    /// A withdrawn alert that is one after all.
    Reinstated(AlertId, Occurrence),
    /// It never was.
    Withdrawn(AlertId, WithdrawnReason),
}

type Key<'a> = (&'a RuleRef, &'a Option<Part>);

/// Compares what the judge found with what was known.
///
/// `known` are the unit's alerts, withdrawn ones included, that stood at `from` or were raised after
/// it; `judged` are the occurrences that stood at `from` or were raised after it, per the judge
/// (`None`: from the beginning). Those that had ended by `from` are passed over on both sides.
///
/// A judged occurrence takes the id of the earliest known one of the same rule version and part
/// that it overlaps in event time, withdrawn ones included. On a split the earliest part keeps the
/// id; on a merge the earliest alert stays and the others are withdrawn as merged; unmatched ones
/// are withdrawn. Alerts already as judged are not mentioned.
pub fn reconcile(
    known: &[KnownAlert],
    judged: &[Occurrence],
    from: Option<EventTime>,
) -> Vec<Reconciled> {
    let over = |occurrence: &Occurrence| {
        from.is_some_and(|from| occurrence.ended_at.is_some_and(|ended| ended <= from))
    };
    let mut groups: BTreeMap<Key<'_>, (Vec<&KnownAlert>, Vec<&Occurrence>)> = BTreeMap::new();
    for alert in known.iter().filter(|alert| !over(&alert.occurrence)) {
        let key = (&alert.occurrence.rule, &alert.occurrence.part);
        groups.entry(key).or_default().0.push(alert);
    }
    for occurrence in judged.iter().filter(|occurrence| !over(occurrence)) {
        groups
            .entry((&occurrence.rule, &occurrence.part))
            .or_default()
            .1
            .push(occurrence);
    }
    let mut out = Vec::new();
    for (mut known, mut judged) in groups.into_values() {
        known.sort_by_key(|alert| (alert.occurrence.raised_at, alert.id));
        judged.sort_by_key(|occurrence| occurrence.raised_at);
        reconcile_one(&known, &judged, &mut out);
    }
    out
}

fn reconcile_one(known: &[&KnownAlert], judged: &[&Occurrence], out: &mut Vec<Reconciled>) {
    let mut taken: Vec<Option<&Occurrence>> = vec![None; known.len()];
    for occurrence in judged {
        let found = known
            .iter()
            .zip(&taken)
            .position(|(alert, taken)| taken.is_none() && overlap(&alert.occurrence, occurrence));
        let Some(idx) = found else {
            out.push(Reconciled::New((*occurrence).clone()));
            continue;
        };
        taken[idx] = Some(occurrence);
        let alert = known[idx];
        if alert.withdrawn {
            out.push(Reconciled::Reinstated(alert.id, (*occurrence).clone()));
        } else if alert.occurrence != **occurrence {
            out.push(Reconciled::Revised(alert.id, (*occurrence).clone()));
        }
    }
    for (alert, _) in known
        .iter()
        .zip(&taken)
        .filter(|(alert, t)| t.is_none() && !alert.withdrawn)
    {
        let into = known.iter().zip(&taken).find_map(|(other, occurrence)| {
            let occurrence = (*occurrence)?;
            overlap(&alert.occurrence, occurrence).then_some(other.id)
        });
        let reason = into.map_or(WithdrawnReason::LateData, WithdrawnReason::MergedInto);
        out.push(Reconciled::Withdrawn(alert.id, reason));
    }
}

fn overlap(a: &Occurrence, b: &Occurrence) -> bool {
    let span = |of: &Occurrence| (of.raised_at, of.ended_at);
    share_an_instant(span(a), span(b))
}

/// Whether two alerts of one part, each from its raising up to its end, share an instant, which makes them one.
/// One that is raised when the other ends is another.
pub fn share_an_instant(
    (a_raised, a_ended): (EventTime, Option<EventTime>),
    (b_raised, b_ended): (EventTime, Option<EventTime>),
) -> bool {
    b_ended.is_none_or(|ended| a_raised < ended) && a_ended.is_none_or(|ended| b_raised < ended)
}

#[cfg(test)]
mod tests {
    use super::*;
    use wheeltap_model::{Evidence, RuleName};

    fn occurrence(raised: i64, ended: Option<i64>) -> Occurrence {
        let at = EventTime::from_unix_ms;
        Occurrence {
            rule: RuleRef {
                name: RuleName::new("rule").unwrap(),
                version: "1".into(),
            },
            part: None,
            raised_at: at(raised),
            ended_at: ended.map(at),
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

    fn known(id: u64, raised: i64, ended: Option<i64>, withdrawn: bool) -> KnownAlert {
        KnownAlert {
            id: AlertId(id),
            occurrence: occurrence(raised, ended),
            withdrawn,
        }
    }

    fn check(known: &[KnownAlert], judged: &[Occurrence], expected: &[Reconciled]) {
        assert_eq!(reconcile(known, judged, None), expected);
    }

    #[test]
    fn what_is_as_judged_is_not_mentioned() {
        check(
            &[known(1, 10, Some(20), false)],
            &[occurrence(10, Some(20))],
            &[],
        );
        check(&[known(1, 10, Some(20), true)], &[], &[]);
    }

    #[test]
    fn one_that_is_raised_when_another_ends_is_another() {
        let (first, second) = (occurrence(10, Some(20)), occurrence(20, None));
        assert!(!overlap(&first, &second) && !overlap(&second, &first));
        assert!(overlap(&occurrence(10, Some(21)), &second));
        check(
            &[known(1, 10, Some(20), false)],
            &[first, second.clone()],
            &[Reconciled::New(second)],
        );
    }

    #[test]
    fn a_moved_occurrence_keeps_its_id() {
        let judged = occurrence(5, Some(18));
        check(
            &[known(1, 10, Some(20), false)],
            std::slice::from_ref(&judged),
            &[Reconciled::Revised(AlertId(1), judged.clone())],
        );
    }

    #[test]
    fn on_a_split_the_earliest_part_keeps_the_id() {
        let (first, second) = (occurrence(10, Some(20)), occurrence(30, None));
        check(
            &[known(1, 10, None, false)],
            &[second.clone(), first.clone()],
            &[
                Reconciled::Revised(AlertId(1), first),
                Reconciled::New(second),
            ],
        );
    }

    #[test]
    fn on_a_merge_the_earliest_alert_stays() {
        let judged = occurrence(10, None);
        check(
            &[known(2, 30, None, false), known(1, 10, Some(20), false)],
            std::slice::from_ref(&judged),
            &[
                Reconciled::Revised(AlertId(1), judged.clone()),
                Reconciled::Withdrawn(AlertId(2), WithdrawnReason::MergedInto(AlertId(1))),
            ],
        );
    }

    #[test]
    fn unmatched_is_withdrawn_and_comes_back_under_its_id() {
        check(
            &[known(1, 10, Some(20), false)],
            &[occurrence(20, Some(30))],
            &[
                Reconciled::New(occurrence(20, Some(30))),
                Reconciled::Withdrawn(AlertId(1), WithdrawnReason::LateData),
            ],
        );
        check(
            &[known(1, 10, Some(20), true)],
            &[occurrence(12, Some(20))],
            &[Reconciled::Reinstated(AlertId(1), occurrence(12, Some(20)))],
        );
    }

    #[test]
    fn what_had_ended_before_is_passed_over() {
        let from = Some(EventTime::from_unix_ms(20));
        assert_eq!(reconcile(&[known(1, 10, Some(20), false)], &[], from), []);
        assert_eq!(
            reconcile(&[known(1, 10, Some(21), false)], &[], from).len(),
            1
        );
    }
}
