//! Load of the desk by the standard's figures.
//!
//! Figures follow ISA-18.2 clause 16 as the trade quotes it (reference values 5.3, second hand). What rings
//! here is an advisory and not an alarm in the standard's strict sense; the figures serve all the same, as the
//! people are the same.

use crate::forecast::{
    DAY_MS, DESK_BUDGET_PER_DAY, FLOOD_ABOVE, HOUR_MS, INTERVAL_MS, MINUTE_MS, WouldRing, begun_at,
    counts, floods, n_chattering, worst,
};
use crate::{Book, KeptAlert};
use std::collections::{BTreeMap, BTreeSet};
use wheeltap_model::{Condition, EventTime, Priority, RuleName, ServerTime, Suppression};

/// The figures need at least so long a record.
pub const LEAST_COVERED_MS: i64 = 30 * DAY_MS;
/// Standing longer than this is stale.
const STALE_MS: i64 = DAY_MS;
/// Fleeting: it ended so soon that nobody could have acted.
const FLEETING_MS: i64 = MINUTE_MS;
/// A day's and an hour's rate need so much covered: seconds say nothing of them. Ours.
const LEAST_FOR_RATES_MS: i64 = HOUR_MS;
/// The most frequent rules that are named.
const TOP: usize = 10;

/// Which instant counts as the one at which an alert came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeskClock {
    /// When people were told, by the server's clock: what the desk lived through.
    Announced,
    /// When it was raised, event time: what it would have lived through without delay of delivery.
    Raised,
}

/// What is asked for; instants are of the chosen clock, Unix milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DeskTerms {
    /// First instant.
    pub from_ms: i64,
    /// First instant after it; not ahead of now.
    pub until_ms: i64,
    /// Since when there is a record; what was before it is not covered.
    pub since_ms: i64,
    /// The clock.
    pub clock: DeskClock,
    /// Desks that share the alerts evenly; at least 1.
    pub n_desks: u32,
}

/// One of the most frequent rules.
#[derive(Clone, Debug, PartialEq)]
pub struct TopRule {
    /// The rule.
    pub rule: RuleName,
    /// Its alerts.
    pub n_alerts: u64,
    /// Of all, 0 to 1.
    pub share: f64,
}

/// One day, from midnight UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DeskDay {
    /// Its first instant.
    pub start_ms: i64,
    /// Alerts of all desks.
    pub n_alerts: u64,
    /// Of its ten-minute intervals the one with the most.
    pub most_in_ten_minutes: u64,
    /// Alerts that stood stale at some time of it.
    pub n_stale: u64,
}

/// What a figure is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MetricKind {
    /// Alerts a day and desk.
    PerDay,
    /// Alerts an hour and desk.
    PerHour,
    /// Alerts in ten minutes and desk.
    PerTenMinutes,
    /// Share of ten-minute intervals with more than ten alerts a desk.
    CrowdedShare,
    /// Most alerts a desk in any ten minutes.
    MostInTenMinutes,
    /// Share of the time in flood.
    FloodShare,
    /// Share of the ten most frequent rules.
    TopTenShare,
    /// Alerts that chatter.
    Chattering,
    /// Alerts that ended within a minute of their raising, event time.
    Fleeting,
    /// Most stale alerts on any day.
    MostStale,
}

/// What the standard says of a figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Very likely acceptable.
    Acceptable,
    /// The most that is manageable.
    Manageable,
    /// More than that.
    TooMuch,
}

/// A figure beside the standard's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Metric {
    /// What it is of.
    pub kind: MetricKind,
    /// What it is.
    pub value: f64,
    /// Very likely acceptable up to here.
    pub acceptable: f64,
    /// At most manageable up to here, where the standard says so.
    pub manageable: Option<f64>,
    /// Which of them it is; `None` while the record is shorter than [`LEAST_COVERED_MS`].
    pub verdict: Option<Verdict>,
}

/// Load of the desk; instants are of the chosen clock.
#[derive(Clone, Debug, PartialEq)]
pub struct DeskLoad {
    /// First instant covered.
    pub from_ms: i64,
    /// First instant after it.
    pub until_ms: i64,
    /// The clock.
    pub clock: DeskClock,
    /// Desks.
    pub n_desks: u32,
    /// Alerts of all desks; by the server's clock one counts each time that people were told of it.
    pub n_alerts: u64,
    /// The hour with the most: its start and its alerts; `None` without alerts.
    pub worst_hour: Option<(i64, u64)>,
    /// The ten minutes with the most.
    pub worst_ten_minutes: Option<(i64, u64)>,
    /// Floods: start and end.
    pub floods: Vec<(i64, i64)>,
    /// Alerts by priority: low, medium, high, urgent.
    pub priorities: [u64; 4],
    /// The most frequent rules, at most ten.
    pub top: Vec<TopRule>,
    /// Alerts standing stale at the end.
    pub n_stale: u64,
    /// Days, the first and last perhaps in part.
    pub days: Vec<DeskDay>,
    /// Figures beside the standard's; none without a covered instant. Rates a day and an hour only from an hour
    /// covered on, the rate in ten minutes from ten minutes on.
    pub metrics: Vec<Metric>,
}

impl DeskLoad {
    /// Milliseconds covered.
    pub const fn covered_ms(&self) -> i64 {
        self.until_ms - self.from_ms
    }

    /// Whether the record is long enough for the figures to mean what the standard means.
    pub const fn is_long_enough(&self) -> bool {
        self.covered_ms() >= LEAST_COVERED_MS
    }

    /// One of the figures.
    pub fn metric(&self, kind: MetricKind) -> Option<&Metric> {
        self.metrics.iter().find(|metric| metric.kind == kind)
    }
}

/// One alert on the chosen clock, when people were told of it first, or one time that they were.
#[derive(Clone, Copy)]
struct Told<'a> {
    alert: &'a KeptAlert,
    at_ms: i64,
    /// `None` while it stands.
    ended_ms: Option<i64>,
}

impl Told<'_> {
    /// From when it is stale until when, as far as is known at `until_ms`.
    fn stale(&self, until_ms: i64) -> Option<(i64, i64)> {
        let from = self.at_ms + STALE_MS;
        let until = self.ended_ms.unwrap_or(until_ms).min(until_ms);
        (from < until).then_some((from, until))
    }
}

/// Sums up what rang.
pub fn desk_load(book: &Book, terms: &DeskTerms) -> DeskLoad {
    let until_ms = terms.until_ms.max(terms.from_ms);
    let from_ms = terms.from_ms.max(terms.since_ms).min(until_ms);
    let all: Vec<Told<'_>> = book
        .all_alerts()
        .filter_map(|alert| told(alert, terms.clock))
        .collect();
    let tellings = tellings(book, &all, terms.clock);
    let rang: Vec<&Told<'_>> = tellings
        .iter()
        .filter(|told| (from_ms..until_ms).contains(&told.at_ms))
        .collect();
    let rings: Vec<WouldRing> = rang.iter().map(|told| ring(told)).collect();
    let n_desks = terms.n_desks.max(1);
    let tens = counts(&rings, INTERVAL_MS);
    let mut load = DeskLoad {
        from_ms,
        until_ms,
        clock: terms.clock,
        n_desks,
        n_alerts: rang.len() as u64,
        worst_hour: worst(&counts(&rings, HOUR_MS)).map(plain),
        worst_ten_minutes: worst(&tens).map(plain),
        floods: Vec::new(),
        priorities: [0; 4],
        top: top(&rings),
        n_stale: 0,
        days: days(&all, &tens, from_ms, until_ms),
        metrics: Vec::new(),
    };
    let last = EventTime::from_unix_ms(until_ms.saturating_sub(1));
    let floods = floods(&tens, last, n_desks.into()).into_iter();
    let begun = |start| begun_at(start, rang.iter().map(|told| told.at_ms));
    load.floods = floods.map(|(start, end)| (begun(start), end)).collect();
    for told in &rang {
        load.priorities[told.alert.rule().facts.priority as usize] += 1;
    }
    let is_stale_at_the_end = |told: &&Told<'_>| {
        told.stale(until_ms)
            .is_some_and(|(_, until)| until == until_ms && told.ended_ms.is_none())
    };
    load.n_stale = all.iter().filter(is_stale_at_the_end).count() as u64;
    if load.covered_ms() > 0 {
        load.metrics = metrics(&load, &rang, &rings, &tens);
    }
    load
}

/// Every time that people were told, as the board counts them: what still stood when a mute ended or a repair had not
/// held was told again. By event time each alert came once.
fn tellings<'a>(book: &'a Book, all: &[Told<'a>], clock: DeskClock) -> Vec<Told<'a>> {
    match clock {
        DeskClock::Raised => all.to_vec(),
        DeskClock::Announced => {
            let told = book.tellings(ServerTime::from_unix_ms(i64::MIN));
            let mut told: Vec<Told<'_>> = told
                .map(|(at, alert)| Told {
                    alert,
                    at_ms: at.unix_ms(),
                    ended_ms: ended_ms(alert, at.unix_ms()),
                })
                .collect();
            told.reverse();
            told
        }
    }
}

const fn plain((start, n_alerts): (EventTime, u64)) -> (i64, u64) {
    (start.unix_ms(), n_alerts)
}

/// An alert that people were told of, on the chosen clock; by event time also one that they would have
/// been told of.
fn told(alert: &KeptAlert, clock: DeskClock) -> Option<Told<'_>> {
    if !alert.rings() {
        return None;
    }
    let at_ms = match clock {
        DeskClock::Announced => alert.announced_at().map(ServerTime::unix_ms)?,
        DeskClock::Raised => {
            let is_for_people = alert.condition() != Condition::Withdrawn
                && alert.suppression() != Suppression::ByDesign
                && alert.told_with().0 == 0;
            is_for_people.then(|| alert.raised_at().unix_ms())?
        }
    };
    Some(Told {
        alert,
        at_ms,
        ended_ms: ended_ms(alert, at_ms),
    })
}

/// When an alert that people were told of then was over; `None` while it stands.
fn ended_ms(alert: &KeptAlert, at_ms: i64) -> Option<i64> {
    match alert.condition() {
        Condition::Standing => None,
        // It no longer stands; when it was taken back is not kept, so it is not stale.
        Condition::Withdrawn => Some(at_ms),
        Condition::Ended => alert.ended_at().map(|ended| ended.unix_ms().max(at_ms)),
    }
}

fn ring(told: &Told<'_>) -> WouldRing {
    WouldRing {
        unit: told.alert.unit().clone(),
        rule: told.alert.rule().reference.name.clone(),
        part: told.alert.part().cloned(),
        raised_at: EventTime::from_unix_ms(told.at_ms),
        ended_at: told.ended_ms.map(EventTime::from_unix_ms),
    }
}

fn top(rings: &[WouldRing]) -> Vec<TopRule> {
    let mut by_rule: BTreeMap<&RuleName, u64> = BTreeMap::new();
    for ring in rings {
        *by_rule.entry(&ring.rule).or_default() += 1;
    }
    let mut top: Vec<TopRule> = by_rule
        .into_iter()
        .map(|(rule, n_alerts)| TopRule {
            rule: rule.clone(),
            n_alerts,
            share: n_alerts as f64 / rings.len() as f64,
        })
        .collect();
    // Stable: equal ones stay by name.
    top.sort_by_key(|rule| std::cmp::Reverse(rule.n_alerts));
    top.truncate(TOP);
    top
}

fn days(all: &[Told<'_>], tens: &BTreeMap<i64, u64>, from_ms: i64, until_ms: i64) -> Vec<DeskDay> {
    let day_of = |ms: i64| ms.div_euclid(DAY_MS) * DAY_MS;
    let mut days: BTreeMap<i64, DeskDay> = BTreeMap::new();
    let mut start_ms = day_of(from_ms);
    while start_ms < until_ms && from_ms < until_ms {
        let day = DeskDay {
            start_ms,
            n_alerts: 0,
            most_in_ten_minutes: 0,
            n_stale: 0,
        };
        days.insert(start_ms, day);
        start_ms += DAY_MS;
    }
    for (ten, n_alerts) in tens {
        if let Some(day) = days.get_mut(&day_of(*ten)) {
            day.n_alerts += n_alerts;
            day.most_in_ten_minutes = day.most_in_ten_minutes.max(*n_alerts);
        }
    }
    for (from, until) in all.iter().filter_map(|told| told.stale(until_ms)) {
        for (_, day) in days.range_mut(day_of(from.max(from_ms))..until.max(from_ms)) {
            day.n_stale += 1;
        }
    }
    days.into_values().collect()
}

fn metrics(
    load: &DeskLoad,
    rang: &[&Told<'_>],
    rings: &[WouldRing],
    tens: &BTreeMap<i64, u64>,
) -> Vec<Metric> {
    let desks = f64::from(load.n_desks);
    let covered_ms = load.covered_ms() as f64;
    let per = |ms: i64| load.n_alerts as f64 * ms as f64 / covered_ms / desks;
    // Aligned to the epoch, those at the ends in part.
    let n_intervals =
        (load.until_ms - 1).div_euclid(INTERVAL_MS) - load.from_ms.div_euclid(INTERVAL_MS) + 1;
    let above = FLOOD_ABOVE * u64::from(load.n_desks);
    let n_crowded = tens.values().filter(|n| **n > above).count() as f64;
    let flood_ms: i64 = load
        .floods
        .iter()
        .map(|(start, end)| end.min(&load.until_ms) - start.max(&load.from_ms))
        .sum();
    let most = load.worst_ten_minutes.map_or(0, |(_, n)| n) as f64 / desks;
    // However often it was told, an alert is one here.
    let mut once = BTreeSet::new();
    let (rang, rings): (Vec<&Told<'_>>, Vec<WouldRing>) = rang
        .iter()
        .zip(rings)
        .filter(|(told, _)| once.insert(told.alert.id()))
        .map(|(told, ring)| (*told, ring.clone()))
        .unzip();
    let n_fleeting = rang.iter().filter(|told| is_fleeting(told.alert));
    let stale = load.days.iter().map(|day| day.n_stale).max().unwrap_or(0);
    let (day_low, day_most) = DESK_BUDGET_PER_DAY;
    let (day_low, day_most) = (f64::from(day_low), f64::from(day_most));
    let up_to = |kind, value: f64, acceptable: f64, manageable: Option<f64>| Metric {
        kind,
        value,
        acceptable,
        manageable,
        verdict: load.is_long_enough().then_some(if value <= acceptable {
            Verdict::Acceptable
        } else if manageable.is_some_and(|most| value <= most) {
            Verdict::Manageable
        } else {
            Verdict::TooMuch
        }),
    };
    // "Under 1 %" does not hold at 1 %.
    let under = |kind, value: f64, limit: f64| Metric {
        verdict: load.is_long_enough().then_some(if value < limit {
            Verdict::Acceptable
        } else {
            Verdict::TooMuch
        }),
        ..up_to(kind, value, limit, None)
    };
    let mut metrics = vec![
        up_to(MetricKind::PerDay, per(DAY_MS), day_low, Some(day_most)),
        up_to(
            MetricKind::PerHour,
            per(HOUR_MS),
            day_low / 24.0,
            Some(day_most / 24.0),
        ),
        up_to(
            MetricKind::PerTenMinutes,
            per(INTERVAL_MS),
            day_low / 144.0,
            Some(day_most / 144.0),
        ),
        under(
            MetricKind::CrowdedShare,
            n_crowded / n_intervals as f64,
            0.01,
        ),
        up_to(MetricKind::MostInTenMinutes, most, FLOOD_ABOVE as f64, None),
        under(MetricKind::FloodShare, flood_ms as f64 / covered_ms, 0.01),
        up_to(
            MetricKind::TopTenShare,
            load.top.iter().map(|rule| rule.share).sum(),
            0.05,
            None,
        ),
        up_to(
            MetricKind::Chattering,
            n_chattering(&rings) as f64,
            0.0,
            None,
        ),
        up_to(MetricKind::Fleeting, n_fleeting.count() as f64, 0.0, None),
        under(MetricKind::MostStale, stale as f64, 5.0),
    ];
    metrics.retain(|metric| load.covered_ms() >= least_covered_ms(metric.kind));
    metrics
}

/// How much must be covered for a figure to be told at all.
const fn least_covered_ms(kind: MetricKind) -> i64 {
    match kind {
        MetricKind::PerDay | MetricKind::PerHour => LEAST_FOR_RATES_MS,
        MetricKind::PerTenMinutes => INTERVAL_MS,
        _ => 0,
    }
}

/// Whether it was over at once, by event time on any clock: when people were told says nothing of how long it
/// stood.
fn is_fleeting(alert: &KeptAlert) -> bool {
    let stood_ms = alert
        .ended_at()
        .map(|ended| ended.ms_since(alert.raised_at()));
    alert.condition() == Condition::Ended && stood_ms.is_some_and(|ms| ms < FLEETING_MS)
}

/// The standard's shares by priority, in the order of [`DeskLoad::priorities`]: about 80, 15 and 5 %, and
/// under 1 % in a fourth, the highest.
impl DeskLoad {
    /// What a priority's share of the alerts should be about.
    pub const fn share_aimed_at(priority: Priority) -> f64 {
        match priority {
            Priority::Low => 0.80,
            Priority::Medium => 0.15,
            Priority::High => 0.05,
            Priority::Urgent => 0.01,
        }
    }
}
