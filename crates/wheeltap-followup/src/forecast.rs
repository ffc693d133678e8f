//! What a rule would have done to the desk: load, floods, chattering, and how often it was right.
//!
//! Figures follow ISA-18.2 clause 16 as the trade quotes it (reference values, second hand): the load
//! of one desk over days, hours and ten-minute intervals, time in flood, chattering. All counts are of
//! alerts at the instants they would have been raised; a forecast assumes no delay of delivery.

use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet, HashSet};
use wheeltap_model::{EventTime, Part, RuleName, UnitId};

pub(crate) const MINUTE_MS: i64 = 60_000;
/// The interval of the load figures, aligned to the Unix epoch.
pub(crate) const INTERVAL_MS: i64 = 10 * MINUTE_MS;
pub(crate) const HOUR_MS: i64 = 60 * MINUTE_MS;
pub(crate) const DAY_MS: i64 = 24 * HOUR_MS;
/// A flood begins with an interval that has more alerts than this ...
pub(crate) const FLOOD_ABOVE: u64 = 10;
/// ... and ends at the start of the first one that has fewer than this.
pub(crate) const FLOOD_ENDS_BELOW: u64 = 5;
/// Chattering: so many alerts of one rule on one unit or part ...
pub(crate) const CHATTER_ALERTS: usize = 3;
/// ... within this time, the longer of the thresholds in use.
pub(crate) const CHATTER_MS: i64 = MINUTE_MS;
/// Units named as the busiest.
const BUSIEST: usize = 5;

/// Alerts a day that one desk can very likely handle, and those it can at most.
pub const DESK_BUDGET_PER_DAY: (u32, u32) = (144, 288);

/// One alert that would have been.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WouldRing {
    /// On which unit.
    pub unit: UnitId,
    /// By which rule.
    pub rule: RuleName,
    /// On which part, of a rule judged once a part.
    pub part: Option<Part>,
    /// When it would have been raised.
    pub raised_at: EventTime,
    /// When it would have ended; `None` while it stands at the end of the span.
    pub ended_at: Option<EventTime>,
}

/// A stretch in which something was known to be wrong, or known to be right.
///
/// An alert is a call of it when it is raised within it. What stands since before told of something else, or of
/// nothing: were it a call, a rule that is always true would find every failure, and its lead would be as long as the
/// record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Known {
    /// On which unit.
    pub unit: UnitId,
    /// Only alerts of this rule count; `None`: of any.
    pub rule: Option<RuleName>,
    /// First instant at which an alert that is raised counts as a call of it; no lead is longer.
    pub from: EventTime,
    /// Last instant.
    pub until: EventTime,
    /// When the unit failed, if it did: lead time counts back from here.
    pub failed_at: Option<EventTime>,
}

/// What is known of the span apart from telemetry.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Truth {
    /// Failures that should have been called.
    pub failures: Vec<Known>,
    /// Stretches in which a call was wrong, such as a finding of no fault.
    pub sound: Vec<Known>,
    /// All failures of the span are known, so that every other alert is false.
    pub is_complete: bool,
}

/// Load of the desk.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Forecast {
    /// First instant.
    pub from: EventTime,
    /// Last instant.
    pub until: EventTime,
    /// Units judged.
    pub n_units: u64,
    /// Alerts raised in the span.
    pub n_alerts: u64,
    /// Of them still standing at its end.
    pub n_standing: u64,
    /// Units with at least one.
    pub n_units_alerting: u64,
    /// For how much of the span there is data of a unit, on average, in milliseconds; 0 in records of versions
    /// that did not ask.
    #[serde(default)]
    pub covered_ms: i64,
    /// Alerts a day of [`Forecast::covered_ms`].
    pub per_day: f64,
    /// The hour with the most: its start and its alerts; `None` without alerts.
    pub worst_hour: Option<(EventTime, u64)>,
    /// The ten minutes with the most.
    pub worst_ten_minutes: Option<(EventTime, u64)>,
    /// Share of the covered ten-minute intervals with more than ten, 0 to 1.
    pub crowded_share: f64,
    /// Milliseconds in flood.
    pub flood_ms: i64,
    /// Share of the covered time in flood, 0 to 1.
    pub flood_share: f64,
    /// Alerts that belong to a chattering stretch.
    pub n_chattering: u64,
    /// The units with the most, most first, at most five.
    pub busiest: Vec<(UnitId, u64)>,
    /// How often it was right; `None` when nothing is known of the span.
    pub score: Option<Score>,
    /// Units on which its script failed, so that no alerts of them mean nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub faulted: Option<Faulted>,
    /// Units on which it never knew what it reads, so that no alerts of them mean nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blind: Option<Blind>,
}

/// Without a verdict at any tick, for want of what it reads.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Blind {
    /// On so many units.
    pub n_units: u64,
    /// What was never known there, as the rule writes it; empty where all was, and never at once.
    pub never_known: BTreeSet<String>,
}

/// A script that failed so many ticks in a row that live calls it faulted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Faulted {
    /// On so many units.
    pub n_units: u64,
    /// What the engine said on one of them.
    pub message: String,
}

/// How often it was right.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Score {
    /// Alerts that called a known failure.
    pub n_right: u64,
    /// Alerts where nothing was wrong.
    pub n_wrong: u64,
    /// Alerts of which nobody knows.
    pub n_undecided: u64,
    /// Failures called at least once.
    pub n_found: u64,
    /// Failures never called.
    pub n_missed: u64,
    /// Right of those decided; `None` when none is.
    pub precision: Option<f64>,
    /// Found of all failures; `None` when there is none.
    pub recall: Option<f64>,
    /// Median time from the first call to the failure, in milliseconds, over failures with a known
    /// instant that were called; negative when called afterwards.
    pub median_lead_ms: Option<i64>,
}

impl Known {
    pub(crate) fn is_called_by(&self, alert: &WouldRing) -> bool {
        self.unit == alert.unit
            && self.rule.as_ref().is_none_or(|rule| *rule == alert.rule)
            && (self.from..=self.until).contains(&alert.raised_at)
    }
}

/// Sums up what would have rung in `from..=until` on `n_units` units.
///
/// ```
/// use wheeltap_followup::{Truth, forecast};
/// use wheeltap_model::EventTime;
/// let day = EventTime::from_unix_ms(86_400_000);
/// let quiet = forecast(&[], EventTime::from_unix_ms(0), day, 60, &Truth::default());
/// assert_eq!((quiet.per_day, quiet.worst_hour), (0.0, None));
/// ```
pub fn forecast(
    alerts: &[WouldRing],
    from: EventTime,
    until: EventTime,
    n_units: u64,
    truth: &Truth,
) -> Forecast {
    let span_ms = until.ms_since(from).max(1);
    let mut by_unit: BTreeMap<&UnitId, u64> = BTreeMap::new();
    for alert in alerts {
        *by_unit.entry(&alert.unit).or_default() += 1;
    }
    let mut busiest: Vec<(UnitId, u64)> = by_unit
        .iter()
        .map(|(unit, n_alerts)| ((*unit).clone(), *n_alerts))
        .collect();
    busiest.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    busiest.truncate(BUSIEST);
    let tens = counts(alerts, INTERVAL_MS);
    let n_intervals =
        until.unix_ms().div_euclid(INTERVAL_MS) - from.unix_ms().div_euclid(INTERVAL_MS) + 1;
    let n_crowded = tens.values().filter(|n| **n > FLOOD_ABOVE).count() as u64;
    let floods = floods(&tens, until, 1);
    let flood_ms = floods.iter().map(|(start, end)| end - start).sum();
    Forecast {
        from,
        until,
        n_units,
        n_alerts: alerts.len() as u64,
        n_standing: alerts
            .iter()
            .filter(|alert| alert.ended_at.is_none())
            .count() as u64,
        n_units_alerting: by_unit.len() as u64,
        covered_ms: span_ms,
        per_day: ratio(alerts.len() as u64 * DAY_MS.cast_unsigned(), span_ms),
        worst_hour: worst(&counts(alerts, HOUR_MS)),
        worst_ten_minutes: worst(&tens),
        crowded_share: ratio(n_crowded, n_intervals),
        flood_ms,
        flood_share: ratio(flood_ms.cast_unsigned(), span_ms).min(1.0),
        n_chattering: n_chattering(alerts),
        busiest,
        score: score(alerts, truth),
        faulted: None,
        blind: None,
    }
}

impl Forecast {
    /// On every unit it was tried on it never knew what it reads: its silence is no answer at all.
    pub fn is_blind(&self) -> bool {
        let n_blind = self.blind.as_ref().map_or(0, |blind| blind.n_units);
        n_blind > 0 && n_blind >= self.n_units
    }

    /// The same where there is data of a unit for only so much of the span on average: what came in one day of
    /// data is not thinned out over a month without any. Does nothing with 0 or less, or more than the span.
    ///
    /// ```
    /// use wheeltap_followup::{Truth, WouldRing, forecast};
    /// use wheeltap_model::{EventTime, RuleName, UnitId};
    /// let at = EventTime::from_unix_ms;
    /// const DAY_MS: i64 = 86_400_000;
    /// let rang = [1_000, 2_000].map(|ms| WouldRing {
    ///     unit: UnitId::new("ZVR 1").unwrap(),
    ///     rule: RuleName::new("oil-hot").unwrap(),
    ///     part: None,
    ///     raised_at: at(ms),
    ///     ended_at: None,
    /// });
    /// let month = forecast(&rang, at(0), at(30 * DAY_MS), 60, &Truth::default());
    /// assert!((month.per_day - 2.0 / 30.0).abs() < 1e-12);
    /// let day = month.covering(DAY_MS);
    /// assert!((day.per_day - 2.0).abs() < 1e-12);
    /// assert_eq!(day.covered_ms, DAY_MS);
    /// assert_eq!(day.clone().covering(0), day);
    /// ```
    #[must_use]
    pub fn covering(self, covered_ms: i64) -> Self {
        if !(1..self.covered_ms).contains(&covered_ms) {
            return self;
        }
        let denser = self.covered_ms as f64 / covered_ms as f64;
        Self {
            covered_ms,
            per_day: self.per_day * denser,
            crowded_share: (self.crowded_share * denser).min(1.0),
            flood_share: (self.flood_share * denser).min(1.0),
            ..self
        }
    }
}

/// For how long there is data of a unit, in milliseconds: the hours of the clock in which there is some of what is
/// asked for (by their starts), as far as they lie between the first and the last instant of anything that it sent.
/// Without such an hour all from the first to the last, as events have none.
///
/// ```
/// use std::collections::HashSet;
/// use wheeltap_followup::covered_ms;
/// use wheeltap_model::EventTime;
/// const MINUTE_MS: i64 = 60_000;
/// let at = |minute: i64| EventTime::from_unix_ms(minute * MINUTE_MS);
/// // From 0:50 to 1:00 and from 5:00 to 5:10.
/// let hours = HashSet::from([0, 300 * MINUTE_MS]);
/// assert_eq!(covered_ms((at(50), at(310)), &hours), 20 * MINUTE_MS);
/// ```
pub fn covered_ms<S>((first, last): (EventTime, EventTime), hours: &HashSet<i64, S>) -> i64 {
    if hours.is_empty() {
        return last.ms_since(first).max(0);
    }
    let within = |start: &i64| {
        let (from, until) = (first.unix_ms(), last.unix_ms());
        ((start + HOUR_MS).min(until) - from.max(*start)).max(0)
    };
    hours.iter().map(within).sum()
}

fn ratio(above: u64, below: i64) -> f64 {
    above as f64 / below as f64
}

/// Alerts by the start of their interval.
pub(crate) fn counts(alerts: &[WouldRing], interval_ms: i64) -> BTreeMap<i64, u64> {
    let mut counts = BTreeMap::new();
    for alert in alerts {
        let start = alert.raised_at.unix_ms().div_euclid(interval_ms) * interval_ms;
        *counts.entry(start).or_default() += 1;
    }
    counts
}

/// The first of the intervals with the most.
pub(crate) fn worst(counts: &BTreeMap<i64, u64>) -> Option<(EventTime, u64)> {
    let most = counts.values().max()?;
    let (start, n_alerts) = counts.iter().find(|(_, n_alerts)| *n_alerts == most)?;
    Some((EventTime::from_unix_ms(*start), *n_alerts))
}

/// A flood begins with the first alert of its first interval, which is the first of these from the interval's start on.
pub(crate) fn begun_at(start_ms: i64, alerts_ms: impl Iterator<Item = i64>) -> i64 {
    let of_it = alerts_ms.filter(|at| *at >= start_ms);
    of_it.min().unwrap_or(start_ms)
}

/// Floods as starts and ends, of alerts by the start of their interval, which so many desks share evenly. An interval
/// that is not over by `until` ends none, as it may still get its alerts; a flood that lasts ends just after `until`.
pub(crate) fn floods(tens: &BTreeMap<i64, u64>, until: EventTime, n_desks: u64) -> Vec<(i64, i64)> {
    let end = until.unix_ms().saturating_add(1);
    let running = end.div_euclid(INTERVAL_MS) * INTERVAL_MS;
    let mut floods = Vec::new();
    let mut began = None;
    let mut next = 0;
    for (&start, &n_alerts) in tens {
        // An interval without alerts is not listed; it ends a flood.
        if let Some(since) = began
            && start > next
        {
            floods.push((since, next));
            began = None;
        }
        match began {
            None if n_alerts > FLOOD_ABOVE * n_desks => began = Some(start),
            Some(since) if n_alerts < FLOOD_ENDS_BELOW * n_desks && start < running => {
                floods.push((since, start));
                began = None;
            }
            _ => {}
        }
        next = start + INTERVAL_MS;
    }
    if let Some(since) = began {
        let lasts = next >= running;
        floods.push((since, if lasts { end.max(since) } else { next }));
    }
    floods
}

pub(crate) fn n_chattering(alerts: &[WouldRing]) -> u64 {
    let mut raised: BTreeMap<_, Vec<i64>> = BTreeMap::new();
    for alert in alerts {
        let WouldRing {
            unit,
            rule,
            part,
            raised_at,
            ..
        } = alert;
        let times = raised.entry((unit, rule, part)).or_default();
        times.push(raised_at.unix_ms());
    }
    let mut n_chattering = 0;
    for times in raised.values_mut() {
        times.sort_unstable();
        let mut chattering = BTreeSet::new();
        for (first, window) in times.windows(CHATTER_ALERTS).enumerate() {
            if let [earliest, .., latest] = window
                && latest - earliest < CHATTER_MS
            {
                chattering.extend(first..first + CHATTER_ALERTS);
            }
        }
        n_chattering += chattering.len() as u64;
    }
    n_chattering
}

fn score(alerts: &[WouldRing], truth: &Truth) -> Option<Score> {
    let Truth {
        failures,
        sound,
        is_complete,
    } = truth;
    if failures.is_empty() && sound.is_empty() && !is_complete {
        return None;
    }
    let (mut n_right, mut n_wrong, mut n_undecided) = (0, 0, 0);
    for alert in alerts {
        if failures.iter().any(|failure| failure.is_called_by(alert)) {
            n_right += 1;
        } else if *is_complete || sound.iter().any(|sound| sound.is_called_by(alert)) {
            n_wrong += 1;
        } else {
            n_undecided += 1;
        }
    }
    let mut n_found = 0;
    let mut leads = Vec::new();
    for failure in failures {
        let calls = alerts.iter().filter(|alert| failure.is_called_by(alert));
        let Some(first) = calls.map(|alert| alert.raised_at).min() else {
            continue;
        };
        n_found += 1;
        leads.extend(failure.failed_at.map(|failed_at| failed_at.ms_since(first)));
    }
    leads.sort_unstable();
    let share = |of: u64, all: u64| (all > 0).then(|| of as f64 / all as f64);
    let n_failures = failures.len() as u64;
    Some(Score {
        n_right,
        n_wrong,
        n_undecided,
        n_found,
        n_missed: n_failures - n_found,
        precision: share(n_right, n_right + n_wrong),
        recall: share(n_found, n_failures),
        median_lead_ms: median(&leads),
    })
}

/// Of sorted numbers; the mean of the middle two of an even count, rounded down.
pub(crate) fn median(sorted: &[i64]) -> Option<i64> {
    let upper = *sorted.get(sorted.len() / 2)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = sorted[sorted.len() / 2 - 1];
    Some(lower + (upper - lower).div_euclid(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> EventTime {
        EventTime::from_unix_ms(ms)
    }

    fn rings(unit: &str, raised: i64, ended: Option<i64>) -> WouldRing {
        WouldRing {
            unit: UnitId::new(unit).unwrap(),
            rule: RuleName::new("oil-hot").unwrap(),
            part: None,
            raised_at: at(raised),
            ended_at: ended.map(at),
        }
    }

    fn in_intervals(counts: &[u64]) -> Vec<WouldRing> {
        let mut alerts = Vec::new();
        for (interval, n_alerts) in (0_i64..).zip(counts) {
            for number in 0..*n_alerts {
                // Units of their own: nothing chatters.
                let start = interval * INTERVAL_MS + number.cast_signed();
                alerts.push(rings(&format!("U{interval}-{number}"), start, Some(start)));
            }
        }
        alerts
    }

    /// The worked example of the reference values, section 5.3: counts in eight successive ten-minute
    /// intervals 2, 11, 14, 10, 6, 5, 4, 0. The flood starts with the second, ends at the start of the
    /// seventh: 50 min, peak 14; above ten 2 of 8; 6.5 per 10 min.
    #[test]
    fn floods_are_counted_as_in_the_worked_example() {
        let alerts = in_intervals(&[2, 11, 14, 10, 6, 5, 4, 0]);
        let made = forecast(
            &alerts,
            at(0),
            at(8 * INTERVAL_MS - 1),
            100,
            &Truth::default(),
        );
        assert_eq!(made.flood_ms, 50 * MINUTE_MS);
        assert!((made.crowded_share - 0.25).abs() < 1e-12);
        assert_eq!(made.worst_ten_minutes, Some((at(2 * INTERVAL_MS), 14)));
        assert_eq!(made.worst_hour, Some((at(0), 48)));
        assert_eq!(made.n_alerts, 52);
        assert!((made.per_day / 144.0 - 6.5).abs() < 1e-5);
        assert_eq!(made.n_chattering, 0);
        assert_eq!(made.score, None);
    }

    /// An interval of exactly ten alerts is no flood (5.3: "exactly 10 does not count").
    #[test]
    fn ten_in_ten_minutes_are_no_flood_and_silence_ends_one() {
        let quiet = in_intervals(&[10, 10]);
        let span = |alerts: &[WouldRing]| {
            forecast(alerts, at(0), at(6 * INTERVAL_MS), 100, &Truth::default())
        };
        assert_eq!(span(&quiet).flood_ms, 0);
        assert!(span(&quiet).crowded_share < 1e-12);
        // 11, nothing at all, then 7: the flood is over after the first.
        assert_eq!(span(&in_intervals(&[11, 0, 7])).flood_ms, INTERVAL_MS);
    }

    #[test]
    fn three_in_a_minute_on_one_unit_chatter() {
        let three = |unit: &str, step: i64| {
            [0, step, 2 * step].map(|raised| rings(unit, raised, Some(raised + 1)))
        };
        let mut alerts = three("A", 20_000).to_vec();
        alerts.extend(three("B", 40_000));
        let made = forecast(&alerts, at(0), at(DAY_MS), 2, &Truth::default());
        assert_eq!(made.n_chattering, 3);
        assert_eq!(made.busiest.len(), 2);
    }

    #[test]
    fn what_is_known_makes_alerts_right_wrong_or_undecided() {
        let known = |unit: &str, from, until, failed: Option<i64>| Known {
            unit: UnitId::new(unit).unwrap(),
            rule: None,
            from: at(from),
            until: at(until),
            failed_at: failed.map(at),
        };
        let alerts = [
            rings("A", 100, Some(200)),
            rings("A", 300, None),
            rings("B", 100, Some(200)),
            rings("C", 100, Some(200)),
        ];
        let mut truth = Truth {
            failures: vec![
                known("A", 50, 1_000, Some(900)),
                known("D", 0, 1_000, Some(500)),
            ],
            sound: vec![known("B", 0, 500, None)],
            is_complete: false,
        };
        let scored = |truth: &Truth| forecast(&alerts, at(0), at(1_000), 4, truth).score.unwrap();
        let partly = scored(&truth);
        assert_eq!(
            (partly.n_right, partly.n_wrong, partly.n_undecided),
            (2, 1, 1)
        );
        assert_eq!((partly.n_found, partly.n_missed), (1, 1));
        assert_eq!(partly.precision, Some(2.0 / 3.0));
        assert_eq!(partly.recall, Some(0.5));
        assert_eq!(partly.median_lead_ms, Some(800));
        truth.is_complete = true;
        assert_eq!(scored(&truth).n_wrong, 2);
        // What stands through it calls neither, the one nor the other.
        let stands = [rings("A", 10, None), rings("B", 900, None)];
        truth.failures.push(known("A", 2_000, 3_000, Some(2_500)));
        let stood = forecast(&stands, at(0), at(3_000), 4, &truth);
        let stood = stood.score.unwrap();
        assert_eq!((stood.n_right, stood.n_wrong, stood.n_found), (0, 2, 0));
        assert_eq!(stood.median_lead_ms, None);
        // A label of one rule does not judge another's alerts.
        truth.failures[0].rule = Some(RuleName::new("another").unwrap());
        assert_eq!(scored(&truth).n_right, 0);
    }
}
