//! What the book of rules, alerts and defects knows of the component that failed.

use crate::near::nearest;
use std::collections::BTreeSet;
use wheeltap_followup::{Book, is_same_component};
use wheeltap_model::{Condition, EventTime, UnitId};
use wheeltap_proto::convert;
use wheeltap_proto::v1;

/// Signs told at most.
const MOST_SIGNS: usize = 20;

/// Alerts and defects of a unit's component that stood between two instants, oldest first.
pub fn signs(
    book: &Book,
    unit: &UnitId,
    component: &str,
    (from, until): (EventTime, EventTime),
) -> Vec<v1::WalkBackSign> {
    let stood = |began: EventTime, ended: Option<EventTime>| {
        began <= until && ended.is_none_or(|ended| ended >= from)
    };
    let sign =
        |name: String, title: &str, began: EventTime, ended: Option<EventTime>| v1::WalkBackSign {
            name,
            title: title.to_owned(),
            from_unix_ms: began.unix_ms(),
            until_unix_ms: ended.map_or(0, EventTime::unix_ms),
        };
    let alerts = book
        .all_alerts()
        .filter(|alert| alert.unit() == unit)
        .filter(|alert| is_same_component(&alert.rule().facts.component, component))
        .filter(|alert| alert.condition() != Condition::Withdrawn)
        .filter(|alert| stood(alert.raised_at(), alert.ended_at()))
        .map(|alert| {
            let (name, title) = (convert::alert_name(alert.id()), &alert.rule().facts.title);
            sign(name, title, alert.raised_at(), alert.ended_at())
        });
    let defects = book
        .all_defects()
        .map(|kept| (kept.defect(), kept.repaired_at()))
        .filter(|(defect, _)| defect.unit == *unit && defect.merged_into.is_none())
        .filter(|(defect, _)| is_same_component(&defect.component, component))
        .filter(|(defect, ended)| stood(defect.first_sign_at, *ended))
        .map(|(defect, ended)| {
            let name = convert::defect_name(defect.id);
            sign(name, &defect.title, defect.first_sign_at, ended)
        });
    let mut signs: Vec<v1::WalkBackSign> = alerts.chain(defects).collect();
    signs.sort_by_key(|sign| sign.from_unix_ms);
    // The newest are the nearest to the failure.
    let n_older = signs.len().saturating_sub(MOST_SIGNS);
    signs.split_off(n_older)
}

/// Whether nothing names the component though others are named, and which of those are like it.
pub fn unknown_component(book: &Book, component: &str) -> Option<Vec<String>> {
    let newest = book
        .rule_names()
        .filter_map(|name| book.rule_versions(name).last());
    let mut named: BTreeSet<&str> = newest.map(|rule| rule.facts.component.as_str()).collect();
    named.extend(
        book.all_defects()
            .map(|kept| kept.defect().component.as_str()),
    );
    if named.is_empty()
        || named
            .iter()
            .any(|named| is_same_component(named, component))
    {
        return None;
    }
    let near = nearest(component, named);
    Some(near.into_iter().map(str::to_owned).collect())
}
