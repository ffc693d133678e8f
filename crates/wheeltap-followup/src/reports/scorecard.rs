//! How right a rule is: what the shops found where it called, and what failed without a call.

use super::occurrence::{Occurrence, occurrences, of_alert};
use crate::book::CALLS_FROM_MS;
use crate::forecast::{DAY_MS, HOUR_MS, Known, WouldRing, median};
use crate::{Book, KeptAlert, RuleVersion, StageChange, component};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use wheeltap_analysis::reliability::{Proportion, Unfit, proportion};
use wheeltap_model::{
    Condition, DefectId, EventTime, FindingKind, RuleName, RuleRef, RuleStage, Suppression, UnitId,
};

/// What is asked for.
#[derive(Clone, Copy)]
pub struct ScorecardTerms<'a> {
    /// First instant, event time.
    pub from: EventTime,
    /// First instant after it.
    pub until: EventTime,
    /// Of the bounds, 0 to 1.
    pub confidence: f64,
    /// Only this rule.
    pub rule: Option<&'a RuleName>,
    /// Whether a version was judged on a unit at an instant at all: what it never saw it cannot miss.
    pub watches: &'a dyn Fn(&RuleRef, &UnitId, EventTime) -> bool,
}

/// Defects by what was found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Findings {
    /// As the rule called it.
    pub as_called: u64,
    /// Something else.
    pub another_fault: u64,
    /// The sensor or its wiring.
    pub sensor_or_wiring: u64,
    /// Looked, nothing wrong.
    pub no_fault_found: u64,
    /// It could not be tested.
    pub could_not_test: u64,
    /// Nobody looked.
    pub not_looked_at: u64,
    /// No finding yet.
    pub owed: u64,
}

impl Findings {
    fn add(&mut self, kind: Option<FindingKind>) {
        let count = match kind {
            None => &mut self.owed,
            Some(FindingKind::AsCalled) => &mut self.as_called,
            Some(FindingKind::AnotherFault) => &mut self.another_fault,
            Some(FindingKind::SensorOrWiring) => &mut self.sensor_or_wiring,
            Some(FindingKind::NoFaultFound) => &mut self.no_fault_found,
            Some(FindingKind::CouldNotTest) => &mut self.could_not_test,
            Some(FindingKind::NotLookedAt) => &mut self.not_looked_at,
        };
        *count += 1;
    }

    /// Those that say whether the call was right.
    pub const fn decided(&self) -> u64 {
        self.as_called + self.another_fault + self.sensor_or_wiring + self.no_fault_found
    }
}

/// How long before failures the first call came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lead {
    /// Failures that were called, ahead or late.
    pub n: u64,
    /// Of them called before they failed.
    pub n_ahead: u64,
    /// The shortest, milliseconds; below zero when the call came after the failure.
    pub least_ms: i64,
    /// The middle one.
    pub median_ms: i64,
    /// The longest.
    pub most_ms: i64,
}

/// How right one version of a rule is.
#[derive(Clone, Debug, PartialEq)]
pub struct RuleScorecard {
    /// The version.
    pub version: Arc<RuleVersion>,
    /// Its stage at the end of the book.
    pub stage: RuleStage,
    /// Milliseconds of the span in which it was live.
    pub live_ms: i64,
    /// Alerts raised in the span while live and for people: not withdrawn, not suppressed by design,
    /// not told with another of the same train.
    pub n_alerts: u64,
    /// Of them announced to the desk; the others made an item for the shop, or were learned of late.
    pub n_told: u64,
    /// Units with at least one of them.
    pub n_units: u64,
    /// Alerts that later data took back.
    pub n_withdrawn: u64,
    /// Alerts that the operating state explained.
    pub n_by_design: u64,
    /// Alerts told with another of the same train.
    pub n_told_with: u64,
    /// Alerts on trial, which rang nobody.
    pub n_trial: u64,
    /// Alerts a day of the time in which it was live; `None` when that was less than an hour.
    pub per_day: Option<f64>,
    /// Its share of all alerts told in the span; `None` when none were.
    pub load_share: Option<f64>,
    /// Defects that its alerts belong to, by finding; each counts once, and once more when it came back.
    pub findings: Findings,
    /// As called of all that were decided.
    pub precision: Proportion,
    /// Nothing wrong of all that were decided.
    pub no_fault_found: Proportion,
    /// Failures of its component, on units it watches, while it was live: found as called, or as
    /// reported.
    pub n_failures: u64,
    /// Of them that people reported: road failures, shop finds, crew reports, inspections.
    pub n_reported: u64,
    /// Called of all failures. `None` while people reported none: every failure known was called by some
    /// rule then, and the share would say nothing.
    pub recall: Option<Proportion>,
    /// How long before the failures that people reported; `None` when none of them was called.
    pub lead: Option<Lead>,
}

/// The scorecard of each version that was live or on trial in the span or raised something in it, by name, the
/// newest version first.
///
/// # Errors
/// [`Unfit`] for a confidence outside of 0 to 1.
pub fn scorecards(book: &Book, terms: &ScorecardTerms<'_>) -> Result<Vec<RuleScorecard>, Unfit> {
    let mut told: u64 = 0;
    let in_span =
        |alert: &KeptAlert| terms.from <= alert.raised_at() && alert.raised_at() < terms.until;
    for alert in book.all_alerts() {
        told += u64::from(in_span(alert) && counts(alert) && alert.announced_at().is_some());
    }
    let mut cards = Vec::new();
    for name in book.rule_names() {
        if terms.rule.is_some_and(|wanted| wanted != name) {
            continue;
        }
        let alerts: Vec<&Arc<KeptAlert>> =
            book.of_rule(name).filter(|alert| in_span(alert)).collect();
        let mut versions: Vec<&Arc<RuleVersion>> = book.rule_versions(name).collect();
        versions.reverse();
        for version in versions {
            let stages = Stages(book.rule_stages(&version.reference));
            let of_version = |alert: &&&Arc<KeptAlert>| alert.rule().reference == version.reference;
            let own: Vec<&Arc<KeptAlert>> = alerts.iter().filter(of_version).copied().collect();
            if own.is_empty() && stages.judged_ms(terms.from, terms.until) == 0 {
                continue;
            }
            cards.push(card(book, terms, version, stages, &own, told)?);
        }
    }
    Ok(cards)
}

/// Whether it counts as a call.
fn counts(alert: &KeptAlert) -> bool {
    !alert.is_trial()
        && alert.condition() != Condition::Withdrawn
        && alert.suppression() != Suppression::ByDesign
        && alert.told_with().0 == 0
}

#[derive(Clone, Copy)]
struct Stages<'a>(&'a [StageChange]);

impl Stages<'_> {
    fn is_live(self, at: EventTime) -> bool {
        let after = self.0.partition_point(|change| change.from <= at);
        after > 0 && self.0[after - 1].stage == RuleStage::Live
    }

    fn ms(self, from: EventTime, until: EventTime, wanted: impl Fn(RuleStage) -> bool) -> i64 {
        let ends = self.0.iter().skip(1).map(|change| change.from);
        let ends = ends.chain([EventTime::from_unix_ms(i64::MAX)]);
        let stretches = self.0.iter().zip(ends);
        stretches
            .filter(|(change, _)| wanted(change.stage))
            .map(|(change, end)| {
                let (start, end) = (change.from.max(from), end.min(until));
                if start < end { end.ms_since(start) } else { 0 }
            })
            .sum()
    }

    fn live_ms(self, from: EventTime, until: EventTime) -> i64 {
        self.ms(from, until, |stage| stage == RuleStage::Live)
    }

    fn judged_ms(self, from: EventTime, until: EventTime) -> i64 {
        self.ms(from, until, |stage| {
            matches!(stage, RuleStage::Live | RuleStage::Trial)
        })
    }
}

fn card(
    book: &Book,
    terms: &ScorecardTerms<'_>,
    version: &Arc<RuleVersion>,
    stages: Stages<'_>,
    alerts: &[&Arc<KeptAlert>],
    told: u64,
) -> Result<RuleScorecard, Unfit> {
    let count = |wanted: &dyn Fn(&KeptAlert) -> bool| {
        alerts.iter().filter(|alert| wanted(alert)).count() as u64
    };
    let calls: Vec<&&Arc<KeptAlert>> = alerts.iter().filter(|alert| counts(alert)).collect();
    let units: BTreeSet<&UnitId> = calls.iter().map(|alert| alert.unit()).collect();
    // Each time that a defect was there counts once, however many alerts called it.
    let called: BTreeMap<(DefectId, usize), Option<FindingKind>> = calls
        .iter()
        .flat_map(|alert| of_alert(book, alert))
        .map(|(defect, idx, finding)| ((defect, idx), finding.map(|finding| finding.kind)))
        .collect();
    let mut findings = Findings::default();
    for kind in called.into_values() {
        findings.add(kind);
    }
    let n_told = calls
        .iter()
        .filter(|alert| alert.announced_at().is_some())
        .count() as u64;
    let live_ms = stages.live_ms(terms.from, terms.until);
    let decided = findings.decided();
    let missed = missed(book, terms, version, stages, &calls);
    Ok(RuleScorecard {
        stage: book
            .rule_stage(&version.reference)
            .map_or(RuleStage::Draft, |change| change.stage),
        live_ms,
        n_alerts: calls.len() as u64,
        n_told,
        n_units: units.len() as u64,
        n_withdrawn: count(&|alert| !alert.is_trial() && alert.condition() == Condition::Withdrawn),
        n_by_design: count(&|alert| {
            !alert.is_trial()
                && alert.condition() != Condition::Withdrawn
                && alert.suppression() == Suppression::ByDesign
        }),
        n_told_with: count(&|alert| {
            !alert.is_trial()
                && alert.condition() != Condition::Withdrawn
                && alert.suppression() != Suppression::ByDesign
                && alert.told_with().0 != 0
        }),
        n_trial: count(&|alert| alert.is_trial() && alert.condition() != Condition::Withdrawn),
        per_day: (live_ms >= HOUR_MS).then(|| calls.len() as f64 * DAY_MS as f64 / live_ms as f64),
        load_share: (told > 0).then(|| n_told as f64 / told as f64),
        findings,
        precision: proportion(findings.as_called, decided, terms.confidence)?,
        no_fault_found: proportion(findings.no_fault_found, decided, terms.confidence)?,
        n_failures: missed.n_failures,
        n_reported: missed.n_reported,
        recall: (missed.n_reported > 0)
            .then(|| proportion(missed.n_called, missed.n_failures, terms.confidence))
            .transpose()?,
        lead: missed.lead,
        version: Arc::clone(version),
    })
}

struct Missed {
    n_failures: u64,
    n_reported: u64,
    n_called: u64,
    lead: Option<Lead>,
}

fn missed(
    book: &Book,
    terms: &ScorecardTerms<'_>,
    version: &RuleVersion,
    stages: Stages<'_>,
    calls: &[&&Arc<KeptAlert>],
) -> Missed {
    let rings: Vec<WouldRing> = calls
        .iter()
        .map(|alert| WouldRing {
            unit: alert.unit().clone(),
            rule: version.reference.name.clone(),
            part: alert.part().cloned(),
            raised_at: alert.raised_at(),
            ended_at: alert.ended_at(),
        })
        .collect();
    let (mut n_failures, mut n_reported, mut n_called) = (0, 0, 0);
    let mut leads = Vec::new();
    for (failure, sign) in failures(book, &version.facts.component) {
        if sign < terms.from
            || sign >= terms.until
            || !stages.is_live(sign)
            || !(terms.watches)(&version.reference, &failure.unit, sign)
        {
            continue;
        }
        n_failures += 1;
        n_reported += u64::from(failure.failed_at.is_some());
        let called = rings.iter().filter(|ring| failure.is_called_by(ring));
        if let Some(first) = called.map(|ring| ring.raised_at).min() {
            n_called += 1;
            leads.extend(failure.failed_at.map(|failed_at| failed_at.ms_since(first)));
        }
    }
    leads.sort_unstable();
    let lead = median(&leads).map(|median_ms| Lead {
        n: leads.len() as u64,
        n_ahead: leads.iter().filter(|lead| **lead > 0).count() as u64,
        least_ms: leads[0],
        median_ms,
        most_ms: leads[leads.len() - 1],
    });
    Missed {
        n_failures,
        n_reported,
        n_called,
        lead,
    }
}

/// What was found as called, or as reported, of a component, each with its first sign. An alert counts as a
/// call from [`CALLS_FROM_MS`] before, but not from before a repair in between: that one was answered.
fn failures(book: &Book, component: &str) -> Vec<(Known, EventTime)> {
    let mut by_unit: BTreeMap<&UnitId, Vec<Occurrence<'_>>> = BTreeMap::new();
    let of_component =
        occurrences(book).filter(|of| component::is_same(&of.defect.component, component));
    for occurrence in of_component {
        let unit = &occurrence.defect.unit;
        by_unit.entry(unit).or_default().push(occurrence);
    }
    let mut failures = Vec::new();
    for (unit, mut seen) in by_unit {
        seen.sort_by_key(|occurrence| occurrence.first_sign_at);
        let mut repaired: Option<EventTime> = None;
        for occurrence in seen {
            let Some(finding) = occurrence.finding else {
                continue;
            };
            let sign = occurrence.first_sign_at;
            let earliest = sign.plus_ms(-CALLS_FROM_MS);
            let from = repaired.filter(|repaired| *repaired <= sign);
            let known = Known {
                unit: unit.clone(),
                rule: None,
                from: from.map_or(earliest, |repaired| repaired.plus_ms(1).max(earliest)),
                until: finding.repaired_at.max(sign),
                failed_at: occurrence.reported.map(|said| said.first_sign_at),
            };
            if finding.kind == FindingKind::AsCalled {
                failures.push((known, sign));
                repaired = repaired.max(Some(finding.repaired_at));
            }
        }
    }
    failures
}
