//! What a book can be asked.

use super::{Book, CALLS_FROM_MS, ChangeNotice, HistoryGone, KeptBaseline, index};
use crate::{
    AlertQuery, CasesText, DefectQuery, JudgedFrom, KeptAlert, KeptDefect, KeptForecast, Known,
    RuleVersion, StageChange, Truth, component,
};
use std::ops::Bound;
use std::sync::Arc;
use wheeltap_model::{
    AlertId, ClassBaseline, Condition, DefectId, DefectOrigin, DefectStatus, EventTime,
    FindingKind, Part, RuleName, RuleRef, ServerTime, UnitId,
};

/// As far as a clock may have been set back between two records.
const CLOCK_STEP_MS: i64 = 3_600_000;

/// Where something that was seen belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Belongs {
    /// To this defect: an open one, or one whose repair came after it.
    To(DefectId),
    /// To this defect, which is closed: it came back.
    AgainTo(DefectId),
    /// To none that is known.
    Nowhere,
}

impl Book {
    /// All class baselines, in the order in which they were frozen.
    pub fn class_baselines(&self) -> &[KeptBaseline] {
        &self.class_baselines
    }

    /// Whether there is one of the same class and window from the same instant on.
    pub(crate) fn has_baseline(&self, baseline: &ClassBaseline) -> bool {
        let key = |of: &ClassBaseline| (of.class.clone(), of.of.clone(), of.from);
        let mut all = self.class_baselines.iter();
        all.any(|kept| key(&kept.baseline) == key(baseline))
    }

    /// The number the next alert will get.
    pub fn next_alert(&self) -> AlertId {
        AlertId(self.alerts.len() as u64 + 1)
    }

    /// The number the next defect will get.
    pub fn next_defect(&self) -> DefectId {
        DefectId(self.defects.len() as u64 + 1)
    }

    /// One alert.
    pub fn alert(&self, id: AlertId) -> Option<&Arc<KeptAlert>> {
        self.alerts.get(index(id.0))
    }

    /// Alerts that match, latest raised first (then the higher number), after the given place.
    pub fn alerts(
        &self,
        query: &AlertQuery,
        after: Option<(EventTime, AlertId)>,
        limit: usize,
    ) -> Vec<Arc<KeptAlert>> {
        let candidates: Option<Box<dyn Iterator<Item = AlertId> + '_>> =
            if let Some(defect) = query.defect {
                let alerts = self.defect(defect).map(|kept| &kept.defect().alerts);
                Some(Box::new(alerts.into_iter().flatten().copied()))
            } else if !query.defects.is_empty() {
                let defects = query.defects.iter().filter_map(|id| self.defect(*id));
                let alerts = defects.flat_map(|kept| &kept.defect().alerts);
                Some(Box::new(alerts.copied()))
            } else if let Some(unit) = &query.unit {
                let unit = self.by_unit.get(unit);
                match query.condition {
                    Some(Condition::Standing) => Some(Box::new(
                        unit.into_iter()
                            .flat_map(|unit| unit.standing.iter().copied()),
                    )),
                    _ => Some(Box::new(
                        unit.into_iter().flat_map(|unit| unit.all.iter().copied()),
                    )),
                }
            } else if query.condition == Some(Condition::Standing) {
                Some(Box::new(self.standing.iter().copied()))
            } else if let Some(rule) = &query.rule {
                let alerts = self.by_rule.get(rule);
                Some(Box::new(alerts.into_iter().flatten().copied()))
            } else {
                None
            };
        let is_asked = |alert: &&Arc<KeptAlert>| {
            self.lists(query, alert)
                && after.is_none_or(|after| (alert.raised_at(), alert.id()) < after)
        };
        if let Some(candidates) = candidates {
            let mut found: Vec<&Arc<KeptAlert>> = candidates
                .filter_map(|id| self.alert(id))
                .filter(is_asked)
                .collect();
            found.sort_unstable_by_key(|alert| std::cmp::Reverse((alert.raised_at(), alert.id())));
            return found.into_iter().take(limit).map(Arc::clone).collect();
        }
        let first = |time: EventTime| (time, AlertId(0));
        let from = first(
            query
                .raised_from
                .unwrap_or(EventTime::from_unix_ms(i64::MIN)),
        );
        let end_of_time = (EventTime::from_unix_ms(i64::MAX), AlertId(u64::MAX));
        let end = query.raised_to.map(first).into_iter().chain(after).min();
        // A page after the oldest asked for, or a span that ends before it begins, is empty.
        let end = end.unwrap_or(end_of_time).max(from);
        self.by_raised
            .range(from..end)
            .rev()
            .filter_map(|(_, id)| self.alert(*id))
            .filter(is_asked)
            .take(limit)
            .map(Arc::clone)
            .collect()
    }

    /// Whether an alert as it is now belongs into a list.
    pub fn lists(&self, query: &AlertQuery, alert: &KeptAlert) -> bool {
        query.lists(alert) && (!query.awaits_answer || self.alert_awaits_answer(alert))
    }

    /// All alerts that stand, by number.
    pub fn standing(&self) -> impl Iterator<Item = &Arc<KeptAlert>> {
        self.standing.iter().filter_map(|id| self.alert(*id))
    }

    /// Every time people were told of an alert at or after `from`, newest first. An alert that stood when
    /// what muted it ended was told more than once.
    pub fn tellings(
        &self,
        from: ServerTime,
    ) -> impl Iterator<Item = (ServerTime, &Arc<KeptAlert>)> {
        let newest_first = self.tellings.iter().rev();
        // A clock that was set back may have put some out of order by a little: they are passed over.
        newest_first
            .take_while(move |(at, _)| at.plus_ms(CLOCK_STEP_MS) >= from)
            .filter(move |(at, _)| *at >= from)
            .filter_map(|(at, id)| Some((*at, self.alert(*id)?)))
    }

    /// All alerts of any version of a rule, withdrawn ones included, by number.
    pub fn of_rule(&self, rule: &RuleName) -> impl Iterator<Item = &Arc<KeptAlert>> {
        let ids = self.by_rule.get(rule).into_iter().flatten();
        ids.filter_map(|id| self.alert(*id))
    }

    /// A unit's alerts that stand, by number.
    pub fn standing_of(&self, unit: &UnitId) -> impl Iterator<Item = &Arc<KeptAlert>> {
        let unit = self.by_unit.get(unit);
        let ids = unit.into_iter().flat_map(|unit| &unit.standing);
        ids.filter_map(|id| self.alert(*id))
    }

    /// A unit's standing alert of this rule version, part and instant of raising.
    pub fn standing_as(
        &self,
        unit: &UnitId,
        rule: &RuleRef,
        part: Option<&Part>,
        raised_at: EventTime,
    ) -> Option<&Arc<KeptAlert>> {
        self.standing_of(unit).find(|alert| {
            alert.raised_at() == raised_at
                && alert.part() == part
                && alert.rule().reference == *rule
        })
    }

    /// A unit's alerts, withdrawn ones included, that stood at `from` or were raised after it, by
    /// number: all of them without `from`.
    pub fn known(
        &self,
        unit: &UnitId,
        from: Option<EventTime>,
    ) -> impl Iterator<Item = &Arc<KeptAlert>> {
        let unit = self.by_unit.get(unit);
        let ids = unit.into_iter().flat_map(|unit| &unit.all);
        ids.filter_map(|id| self.alert(*id)).filter(move |alert| {
            from.is_none_or(|from| {
                alert.raised_at() > from || alert.ended_at().is_none_or(|ended| ended > from)
            })
        })
    }

    /// A unit's alerts that a promise of completeness settles, by number.
    pub fn to_settle(
        &self,
        unit: &UnitId,
        complete_through: EventTime,
    ) -> impl Iterator<Item = &Arc<KeptAlert>> {
        let unit = self.by_unit.get(unit);
        let ids = unit.into_iter().flat_map(|unit| &unit.unsettled);
        ids.filter_map(|id| self.alert(*id))
            .filter(move |alert| alert.settles_with(complete_through))
    }

    /// One defect.
    pub fn defect(&self, id: DefectId) -> Option<&Arc<KeptDefect>> {
        self.defects.get(index(id.0))
    }

    /// Defects that match, soonest due first (then the lower number), after the given place.
    pub fn defects(
        &self,
        query: &DefectQuery,
        after: Option<(ServerTime, DefectId)>,
        limit: usize,
    ) -> Vec<Arc<KeptDefect>> {
        let first = after.map_or(Bound::Unbounded, Bound::Excluded);
        let ids = self.by_due.range((first, Bound::Unbounded));
        self.listed(query, ids)
            .take(limit)
            .map(Arc::clone)
            .collect()
    }

    /// Defects that match, latest due first (then the higher number), before the given place.
    pub fn latest_defects(
        &self,
        query: &DefectQuery,
        before: Option<(ServerTime, DefectId)>,
        limit: usize,
    ) -> Vec<Arc<KeptDefect>> {
        let last = before.map_or(Bound::Unbounded, Bound::Excluded);
        let ids = self.by_due.range((Bound::Unbounded, last)).rev();
        self.listed(query, ids)
            .take(limit)
            .map(Arc::clone)
            .collect()
    }

    fn listed<'s>(
        &'s self,
        query: &'s DefectQuery,
        ids: impl Iterator<Item = &'s (ServerTime, DefectId)> + 's,
    ) -> impl Iterator<Item = &'s Arc<KeptDefect>> + 's {
        ids.filter_map(|(_, id)| self.defect(*id))
            .filter(|kept| query.lists(kept.defect()))
    }

    /// All defects, by number.
    pub fn all_defects(&self) -> impl Iterator<Item = &Arc<KeptDefect>> {
        self.defects.iter()
    }

    /// Open defects, soonest due first (then the lower number).
    pub fn open_defects(&self) -> impl Iterator<Item = &Arc<KeptDefect>> {
        let ids = self.by_due.iter();
        ids.filter_map(|(_, id)| self.defect(*id))
            .filter(|kept| kept.is_open())
    }

    /// A unit's open defects, by component.
    pub fn open_defects_of(&self, unit: &UnitId) -> impl Iterator<Item = &Arc<KeptDefect>> {
        let components = self.by_component.get(unit).into_iter();
        let ids = components.flat_map(|of| of.values().flatten());
        ids.filter_map(|id| self.defect(*id))
            .filter(|kept| kept.is_open())
    }

    /// Where something seen on a component at `at` belongs, when what comes back within
    /// `reopen_within_ms` of its repair is the same defect.
    pub fn defect_for(
        &self,
        unit: &UnitId,
        component: &str,
        at: EventTime,
        reopen_within_ms: i64,
    ) -> Belongs {
        let components = self.by_component.get(unit);
        let defects = components.and_then(|of| of.get(&component::key(component)));
        let kept = || {
            let ids = defects.into_iter().flatten();
            ids.filter_map(|id| self.defect(*id))
                .filter(|kept| kept.defect().merged_into.is_none())
        };
        let done_with = kept()
            .filter_map(|kept| Some((kept.done_with_after(at)?, kept.id())))
            .min();
        if let Some((_, id)) = done_with {
            return Belongs::To(id);
        }
        if let Some(open) = kept().find(|kept| kept.is_open()) {
            return Belongs::To(open.id());
        }
        let came_back = kept()
            .filter_map(|kept| Some((kept.done_with_at()?, kept.id())))
            .filter(|(done_with_at, _)| at.ms_since(*done_with_at) <= reopen_within_ms)
            .max();
        came_back.map_or(Belongs::Nowhere, |(_, id)| Belongs::AgainTo(id))
    }

    /// Defects whose finding is owed, each with when it was closed.
    pub fn finding_owed(&self) -> impl Iterator<Item = (ServerTime, DefectId)> {
        let defects = self.all_defects().map(|kept| kept.defect());
        let owed = defects.filter(|defect| defect.status == DefectStatus::FindingOwed);
        owed.filter_map(|defect| {
            let (_, closed_at, _) = defect.closed_without.as_ref()?;
            Some((*closed_at, defect.id))
        })
    }

    /// Defects that were closed without a finding and of which an alert stands that nothing mutes.
    pub fn closed_though_standing(&self) -> impl Iterator<Item = DefectId> {
        let shown = self.standing().filter(|alert| alert.is_shown());
        shown
            .filter_map(|alert| self.defect(alert.defect()))
            .filter(|kept| kept.defect().status == DefectStatus::FindingOwed)
            .map(|kept| kept.id())
    }

    /// Whether somebody at the desk has still to take an alert on: what it says by itself, unless its defect
    /// is closed, as then nothing is left to be answered.
    pub fn alert_awaits_answer(&self, alert: &KeptAlert) -> bool {
        let defect = self.defect(alert.defect());
        alert.awaits_answer() && defect.is_none_or(|kept| kept.is_open())
    }

    /// Whether somebody at the desk has still to take a defect on.
    pub fn awaits_answer(&self, kept: &KeptDefect) -> bool {
        let alerts = kept.defect().alerts.iter();
        kept.awaits_answer(alerts.filter_map(|id| self.alert(*id)).map(AsRef::as_ref))
    }

    /// Changes of alerts by ledger entries after `seq`, oldest first.
    ///
    /// # Errors
    /// [`HistoryGone`] when some of them are no longer kept.
    pub fn alert_changes(&self, seq: u64, limit: usize) -> Result<Vec<ChangeNotice>, HistoryGone> {
        self.alert_history.after(seq, limit)
    }

    /// How many changes of alerts after `seq` are kept.
    pub fn n_alert_changes(&self, seq: u64) -> usize {
        self.alert_history.n_after(seq)
    }

    /// How many changes of defects after `seq` are kept.
    pub fn n_defect_changes(&self, seq: u64) -> usize {
        self.defect_history.n_after(seq)
    }

    /// Changes of defects by ledger entries after `seq`, oldest first.
    ///
    /// # Errors
    /// [`HistoryGone`] when some of them are no longer kept.
    pub fn defect_changes(&self, seq: u64, limit: usize) -> Result<Vec<ChangeNotice>, HistoryGone> {
        self.defect_history.after(seq, limit)
    }

    /// The newest ledger entry whose defect changes are no longer kept; 0 when all are.
    pub const fn defect_changes_kept_after(&self) -> u64 {
        self.defect_history.forgotten_through
    }

    /// Names of all rules.
    pub fn rule_names(&self) -> impl Iterator<Item = &RuleName> {
        self.rules.names()
    }

    /// All versions of a rule, oldest first.
    pub fn rule_versions(&self, name: &RuleName) -> impl Iterator<Item = &Arc<RuleVersion>> {
        self.rules.versions(name)
    }

    /// One version of a rule.
    pub fn rule_version(&self, rule: &RuleRef) -> Option<&Arc<RuleVersion>> {
        self.rules.version(rule)
    }

    /// The stage a version was last moved to; `None` when it was never lodged.
    pub fn rule_stage(&self, rule: &RuleRef) -> Option<&StageChange> {
        self.rules.stage(rule)
    }

    /// All stages a version was moved to, by the event time from which they hold; the first is the draft.
    pub fn rule_stages(&self, rule: &RuleRef) -> &[StageChange] {
        self.rules.stages(rule)
    }

    /// Whether a version was ever on trial.
    pub fn was_on_trial(&self, rule: &RuleRef) -> bool {
        self.rules.was_on_trial(rule)
    }

    /// Every alert, in the order of their numbers.
    pub fn all_alerts(&self) -> impl Iterator<Item = &Arc<KeptAlert>> {
        self.alerts.iter()
    }

    /// The cases kept with a version; empty when it has none, `None` when it was never lodged.
    pub fn rule_cases(&self, rule: &RuleRef) -> Option<&Arc<CasesText>> {
        self.rules.cases(rule)
    }

    /// The newest forecast kept of a version.
    pub fn rule_forecast(&self, rule: &RuleRef) -> Option<&Arc<KeptForecast>> {
        self.rules.forecast(rule)
    }

    /// Quoted, as RFC 9110 has it; changes with the stage.
    pub fn rule_etag(&self, rule: &RuleRef) -> String {
        let stage = self.rule_stage(rule);
        stage.map_or_else(String::new, |change| {
            format!("\"{:?}-{}\"", change.stage, change.at.unix_ms())
        })
    }

    /// All stretches of event time in which some version is judged, by rule.
    pub fn judged_rules(&self) -> Vec<JudgedFrom> {
        self.rules.judged()
    }

    /// Whether an occurrence of a version falls wholly into times in which it was not live.
    pub fn is_trial(
        &self,
        rule: &RuleRef,
        raised_at: EventTime,
        ended_at: Option<EventTime>,
    ) -> bool {
        !self.rules.was_live(rule, raised_at, ended_at)
    }

    /// How many alerts raised in `from..=until` rang or would have: for the desk, not withdrawn, not
    /// suppressed by design, not told with another, and by another rule than `except`.
    pub fn n_rung(&self, from: EventTime, until: EventTime, except: &RuleName) -> u64 {
        let rung = self
            .by_raised
            .range((from, AlertId(0))..=(until, AlertId(u64::MAX)))
            .filter_map(|(_, id)| self.alert(*id))
            .filter(|alert| {
                alert.rule().reference.name != *except
                    && alert.rings()
                    && alert.told_with().0 == 0
                    && alert.condition() != Condition::Withdrawn
                    && !alert.is_by_design()
            });
        rung.count() as u64
    }

    /// What findings say of a component between two instants. A failure counts as called by
    /// what is raised from [`CALLS_FROM_MS`] before it was reported, or opened by an alert, to the repair.
    pub fn truth(&self, component: &str, from: EventTime, until: EventTime) -> Truth {
        let mut truth = Truth::default();
        for kept in &self.defects {
            let defect = kept.defect();
            if !component::is_same(&defect.component, component) {
                continue;
            }
            let opened = EventTime::from_unix_ms(defect.opened_at.unix_ms());
            let mut sign = defect.first_sign_at.min(opened);
            let mut calls_from = sign.plus_ms(-CALLS_FROM_MS);
            for finding in defect.earlier_findings.iter().chain(&defect.finding) {
                let known = Known {
                    unit: defect.unit.clone(),
                    rule: None,
                    from: calls_from,
                    until: finding.repaired_at.max(sign),
                    failed_at: (defect.origin != DefectOrigin::Alert).then_some(sign),
                };
                // What came back was seen after the repair before.
                sign = finding.repaired_at.max(sign);
                calls_from = sign;
                if known.until < from || known.from > until {
                    continue;
                }
                match finding.kind {
                    FindingKind::AsCalled => truth.failures.push(known),
                    FindingKind::AnotherFault
                    | FindingKind::SensorOrWiring
                    | FindingKind::NoFaultFound => truth.sound.push(known),
                    FindingKind::CouldNotTest | FindingKind::NotLookedAt => {}
                }
            }
        }
        truth
    }

    /// How many alerts and defects there are.
    pub fn counts(&self) -> (usize, usize) {
        (self.alerts.len(), self.defects.len())
    }
}
