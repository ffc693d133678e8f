//! How loaded the desk is, and what a shift hands over: views of the book at one instant.
//!
//! Terms and figures after ISA-18.2 / IEC 62682 as open sources quote them (reference values 5.2, 5.3);
//! where a figure is ours, it says so.

use crate::forecast::{
    CHATTER_ALERTS, CHATTER_MS, DAY_MS, HOUR_MS, INTERVAL_MS, MINUTE_MS, begun_at, floods,
};
use crate::{Book, KeptAlert, KeptDefect};
use std::collections::{BTreeMap, BTreeSet};
use wheeltap_model::{
    AlertId, Condition, DefectId, DefectStatus, EventTime, MuteId, Part, Priority, RuleName,
    ServerTime, UnitId,
};

/// An alert that stands for so long since it was first told is *stale*.
const STALE_MS: i64 = DAY_MS;
/// An alert that was over so soon, and did not come again within the same time, was *fleeting*. Site
/// rules seen say 10 s and 60 s; rules here are judged every 10 s, so both are a minute.
const FLEETING_MS: i64 = MINUTE_MS;
/// Alerts of one unit that follow each other this closely are one group, of which one was first. Ours.
const FIRST_OUT_MS: i64 = 10 * MINUTE_MS;
/// What a shift is told of beforehand. Ours.
const AHEAD_MS: i64 = 12 * HOUR_MS;

/// So many defects in hand are listed at most; a shift reads no longer list. Ours.
pub const MOST_IN_HAND: usize = 200;

/// So many defects whose finding is owed are listed at most. Ours.
const MOST_OWED: usize = 200;

/// A rule that comes and goes on one unit or part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Repeating {
    /// Its newest alert.
    pub alert: AlertId,
    /// Alerts in the hour that had most, of the last 24 h.
    pub n_in_an_hour: u64,
    /// Chattering in the strict sense: three or more in a minute.
    pub chattering: bool,
}

/// Alerts of one unit that came close upon each other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FirstOut {
    /// The unit.
    pub unit: UnitId,
    /// The one that was raised first.
    pub first: AlertId,
    /// Those that followed, in order.
    pub others: Vec<AlertId>,
}

/// How loaded the desk is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DeskLoad {
    /// Since when it is flooded.
    pub flood_since: Option<ServerTime>,
    /// Alerts told in the last ten minutes, hour and day.
    pub n_told: [u64; 3],
    /// Alerts that have stood for over 24 h since they were told, by number.
    pub stale: Vec<AlertId>,
    /// What comes and goes, most often first.
    pub repeating: Vec<Repeating>,
    /// Alerts of the last 24 h that were over at once, by number.
    pub fleeting: Vec<AlertId>,
    /// Groups of alerts that stand, by unit and time.
    pub first_out: Vec<FirstOut>,
}

/// A call that is owed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct OwedCall {
    /// When it is due; `None` when no time was named.
    pub due: Option<ServerTime>,
    /// About which defect.
    pub defect: DefectId,
    /// The contact that promised something; 0 when nobody was called yet.
    pub contact: u32,
}

/// What a shift hands over.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HandoverList {
    /// Defects opened, or opened again, since; soonest due first.
    pub new: Vec<DefectId>,
    /// Those that somebody has still to take on, soonest due first.
    pub awaiting: Vec<DefectId>,
    /// Of the new ones those that nobody is asked to take on and nobody has: muted, or for the shop alone.
    pub new_quiet: Vec<DefectId>,
    /// Open ones from before that somebody has in hand (taken on, planned or in work), soonest due first, at
    /// most [`MOST_IN_HAND`].
    pub in_hand: Vec<DefectId>,
    /// How many there are of these.
    pub n_in_hand: u64,
    /// Those that were closed without a finding, longest owed first, at most 200.
    pub finding_owed: Vec<DefectId>,
    /// How many there are of these.
    pub n_finding_owed: u64,
    /// Calls that are owed, soonest due first, those without a time last.
    pub owed: Vec<OwedCall>,
    /// Mutes that end soon, soonest first.
    pub ending: Vec<MuteId>,
    /// The other mutes, which end later or not by themselves, oldest first.
    pub lasting: Vec<MuteId>,
}

type Source<'a> = (&'a UnitId, &'a RuleName, Option<&'a Part>);

fn source(alert: &KeptAlert) -> Source<'_> {
    (alert.unit(), &alert.rule().reference.name, alert.part())
}

/// How loaded the desk is at `now`.
pub fn desk_load(book: &Book, now: ServerTime) -> DeskLoad {
    let day_ago = now.plus_ms(-DAY_MS);
    let mut load = DeskLoad::default();
    let mut tens: BTreeMap<i64, u64> = BTreeMap::new();
    let mut told_at: Vec<ServerTime> = Vec::new();
    let mut by_source: BTreeMap<Source<'_>, BTreeMap<AlertId, &KeptAlert>> = BTreeMap::new();
    for (at, alert) in book.tellings(day_ago).filter(|(at, _)| *at <= now) {
        let ago_ms = now.ms_since(at);
        for (n, span_ms) in load.n_told.iter_mut().zip([INTERVAL_MS, HOUR_MS, DAY_MS]) {
            *n += u64::from(ago_ms < span_ms);
        }
        told_at.push(at);
        let ten = at.unix_ms().div_euclid(INTERVAL_MS) * INTERVAL_MS;
        *tens.entry(ten).or_default() += 1;
        let known = by_source.entry(source(alert)).or_default();
        known.insert(alert.id(), alert);
    }
    load.flood_since = flood_since(&tens, now).map(|since| {
        let told_ms = told_at.iter().map(|at| at.unix_ms());
        ServerTime::from_unix_ms(begun_at(since, told_ms))
    });
    for alerts in by_source.values() {
        let mut raised: Vec<i64> = alerts
            .values()
            .filter(|alert| alert.condition() != Condition::Withdrawn)
            .map(|alert| alert.raised_at().unix_ms())
            .collect();
        raised.sort_unstable();
        let n_in_an_hour = most_within(&raised, HOUR_MS);
        if n_in_an_hour >= CHATTER_ALERTS
            && let Some(newest) = alerts.keys().next_back()
        {
            load.repeating.push(Repeating {
                alert: *newest,
                n_in_an_hour: n_in_an_hour as u64,
                chattering: most_within(&raised, CHATTER_MS) >= CHATTER_ALERTS,
            });
        }
        for alert in alerts.values() {
            let Some(ended_at) = alert.ended_at() else {
                continue;
            };
            let again = raised
                .iter()
                .any(|other| (1..=FLEETING_MS).contains(&(other - ended_at.unix_ms())));
            if alert.condition() == Condition::Ended
                && ended_at.ms_since(alert.raised_at()) < FLEETING_MS
                && !again
            {
                load.fleeting.push(alert.id());
            }
        }
    }
    load.fleeting.sort_unstable();
    load.repeating
        .sort_by_key(|of| (std::cmp::Reverse(of.n_in_an_hour), of.alert));
    load.stale = book
        .standing()
        .filter(|alert| alert.rings() && !alert.is_muted())
        .filter(|alert| {
            alert
                .announced_at()
                .is_some_and(|at| now.ms_since(at) > STALE_MS)
        })
        .map(|alert| alert.id())
        .collect();
    load.first_out = first_out(book);
    load
}

/// Most of these ordered instants that lie within a span.
fn most_within(ordered: &[i64], span_ms: i64) -> usize {
    let ends = ordered.iter().enumerate();
    ends.map(|(last, end)| {
        let first = ordered.partition_point(|start| end - start > span_ms);
        last + 1 - first
    })
    .max()
    .unwrap_or(0)
}

/// Since when a flood lasts that has not ended by `now`, from alerts by the start of their ten minutes.
fn flood_since(tens: &BTreeMap<i64, u64>, now: ServerTime) -> Option<i64> {
    let until = EventTime::from_unix_ms(now.unix_ms());
    let (since, end) = floods(tens, until, 1).pop()?;
    (end > now.unix_ms()).then_some(since)
}

fn first_out(book: &Book) -> Vec<FirstOut> {
    let mut by_unit: BTreeMap<&UnitId, Vec<(EventTime, AlertId)>> = BTreeMap::new();
    let shown = book
        .standing()
        .filter(|alert| alert.rings() && alert.told_with().0 == 0 && !alert.is_muted());
    for alert in shown {
        let raised = (alert.raised_at(), alert.id());
        by_unit.entry(alert.unit()).or_default().push(raised);
    }
    let mut groups = Vec::new();
    for (unit, mut alerts) in by_unit {
        alerts.sort_unstable();
        let close =
            |a: &(EventTime, AlertId), b: &(EventTime, AlertId)| b.0.ms_since(a.0) <= FIRST_OUT_MS;
        for group in alerts.chunk_by(close) {
            if let [first, others @ ..] = group
                && !others.is_empty()
            {
                groups.push(FirstOut {
                    unit: unit.clone(),
                    first: first.1,
                    others: others.iter().map(|(_, id)| *id).collect(),
                });
            }
        }
    }
    groups
}

/// What a shift hands over at `now`, new since `since`.
pub fn handover_list(book: &Book, since: Option<ServerTime>, now: ServerTime) -> HandoverList {
    let mut list = HandoverList::default();
    for kept in book.open_defects() {
        let defect = kept.defect();
        let opened = defect.reopened_at.unwrap_or(defect.opened_at);
        let is_new = since.is_none_or(|since| opened > since);
        let awaits = book.awaits_answer(kept);
        let answered = !awaits && is_answered(book, kept);
        let in_hand = answered || (!awaits && is_at_the_shop(kept));
        if is_new {
            list.new.push(defect.id);
        }
        if awaits {
            list.awaiting.push(defect.id);
        } else if is_new && !in_hand {
            list.new_quiet.push(defect.id);
        } else if in_hand && !is_new {
            list.n_in_hand += 1;
            if list.in_hand.len() < MOST_IN_HAND {
                list.in_hand.push(defect.id);
            }
        }
        if answered && defect.contacts.is_empty() && defect.priority >= Priority::High {
            list.owed.push(OwedCall {
                due: Some(defect.due_at),
                defect: defect.id,
                contact: 0,
            });
        }
    }
    let mut finding_owed: Vec<(ServerTime, DefectId)> = book.finding_owed().collect();
    finding_owed.sort_unstable();
    list.n_finding_owed = finding_owed.len() as u64;
    finding_owed.truncate(MOST_OWED);
    list.finding_owed = finding_owed.into_iter().map(|(_, id)| id).collect();
    list.owed.extend(promises(book));
    list.owed
        .sort_by_key(|owed| (owed.due.is_none(), owed.due, owed.defect, owed.contact));
    let mut ending: BTreeSet<(ServerTime, MuteId)> = BTreeSet::new();
    for mute in book.muting() {
        match mute.until {
            Some(until) if until.ms_since(now) <= AHEAD_MS => {
                ending.insert((until, mute.id));
            }
            _ => list.lasting.push(mute.id),
        }
    }
    list.lasting.sort_unstable();
    list.ending = ending.into_iter().map(|(_, id)| id).collect();
    list
}

/// Promises that were not kept yet. A promise outlives its defect's closing; one that went into another took its
/// promises with it.
fn promises(book: &Book) -> impl Iterator<Item = OwedCall> {
    let defects = book.all_defects().map(|kept| kept.defect());
    let own = defects.filter(|defect| defect.merged_into.is_none());
    own.flat_map(|defect| {
        let owed = defect.contacts.iter().filter(|contact| contact.is_owed());
        owed.map(|contact| OwedCall {
            due: contact.promised_for,
            defect: defect.id,
            contact: contact.number,
        })
    })
}

/// Whether the shop has it: planned, or in work.
const fn is_at_the_shop(kept: &KeptDefect) -> bool {
    matches!(
        kept.defect().status,
        DefectStatus::Planned | DefectStatus::InWork
    )
}

/// Whether somebody has taken it, or an alert of it, on.
fn is_answered(book: &Book, kept: &KeptDefect) -> bool {
    let mut alerts = kept.defect().alerts.iter();
    kept.defect().taken.is_some()
        || alerts.any(|id| {
            let alert = book.alert(*id);
            alert.is_some_and(|alert| alert.acknowledged_by().is_some())
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tens(counts: &[u64]) -> BTreeMap<i64, u64> {
        let starts = (100..).map(|interval| interval * INTERVAL_MS);
        starts.zip(counts.iter().copied()).collect()
    }

    /// The worked example of the reference values, section 5.3: 2, 11, 14, 10, 6, 5, 4, 0 alerts in successive
    /// intervals. A flood begins with the second, and the seventh, once it is whole, has ended it.
    #[test]
    fn a_flood_lasts_as_in_the_worked_example() {
        let counts = [2, 11, 14, 10, 6, 5, 4, 0];
        let at = |interval: i64| ServerTime::from_unix_ms((100 + interval) * INTERVAL_MS + 1);
        for n_seen in 1..=counts.len() {
            let last = i64::try_from(n_seen).unwrap() - 1;
            let seen = flood_since(&tens(&counts[..n_seen]), at(last));
            let expected = (1..=6).contains(&last).then_some(101 * INTERVAL_MS);
            assert_eq!(seen, expected, "in interval {last}");
        }
        assert_eq!(
            flood_since(&tens(&[10, 10]), at(1)),
            None,
            "exactly 10 does not count"
        );
        assert_eq!(flood_since(&tens(&[11]), at(2)), None, "silence ends it");
        assert_eq!(flood_since(&BTreeMap::new(), at(0)), None);
    }

    #[test]
    fn the_most_crowded_stretch_counts() {
        assert_eq!(most_within(&[], 10), 0);
        assert_eq!(most_within(&[0, 10, 20, 21, 30, 100], 10), 3);
        assert_eq!(most_within(&[0, 10, 20, 21, 30, 100], 9), 2);
        assert_eq!(most_within(&[5, 5, 5], 0), 3);
    }
}
