//! The book: everything the ledger says, as one fold.

use crate::alert::Words;
use crate::record::{Act, LedgerRecord, Occurred};
use crate::rules::RuleShelf;
use crate::{
    AlertQuery, CasesText, DefectChangeKind, DefectQuery, JudgedFrom, KeptAlert, KeptDefect,
    KeptForecast, Known, RuleVersion, StageChange, Truth,
};
use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};
use std::sync::Arc;
use wheeltap_model::{
    AlertChange, AlertId, ClassBaseline, Condition, Defect, DefectId, DefectOrigin, DefectStatus,
    EventTime, Finding, FindingKind, Part, RuleName, RuleRef, ServerTime, Suppression, UnitId,
    WithdrawnReason,
};

/// An alert that was raised so long before a failure was reported still counts as a call of it.
pub const CALLS_FROM_MS: i64 = 14 * 86_400_000;

/// Why a record does not fit the book: the ledger is damaged, or the program has a bug.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("ledger entry {seq} does not fit what came before it: {what}")]
pub struct BookError {
    /// The entry's number.
    pub seq: u64,
    /// How.
    pub what: String,
}

/// Changes older than the book remembers were asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("changes up to ledger entry {forgotten_through} are no longer kept; list again")]
pub struct HistoryGone {
    /// The newest entry whose changes are forgotten.
    pub forgotten_through: u64,
}

/// One change that somebody may be waiting for.
#[derive(Clone, Debug, PartialEq)]
pub enum ChangeNotice {
    /// Of an alert.
    Alert {
        /// Number of the ledger entry.
        seq: u64,
        /// Server time.
        at: ServerTime,
        /// What happened.
        change: AlertChange,
        /// The alert after it.
        alert: Arc<KeptAlert>,
    },
    /// Of a defect.
    Defect {
        /// Number of the ledger entry.
        seq: u64,
        /// Server time.
        at: ServerTime,
        /// What happened.
        kind: DefectChangeKind,
        /// The defect after it.
        defect: Arc<KeptDefect>,
    },
    /// Of the rule book.
    Rule {
        /// Number of the ledger entry.
        seq: u64,
        /// The version.
        rule: RuleRef,
    },
}

impl ChangeNotice {
    /// Number of the ledger entry that made it.
    pub const fn seq(&self) -> u64 {
        match self {
            Self::Alert { seq, .. } | Self::Defect { seq, .. } | Self::Rule { seq, .. } => *seq,
        }
    }
}

/// What a request id was answered with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answered {
    /// An alert.
    Alert(AlertId),
    /// A defect.
    Defect(DefectId),
    /// A rule version.
    Rule(RuleRef),
}

/// How much of the past is kept ready in memory; the ledger keeps all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Alert changes for watchers that come back. About 450 bytes each.
    pub alert_changes: usize,
    /// Bytes of defect changes for systems that pull.
    pub defect_change_bytes: usize,
    /// Request ids that are recognized when sent again. About 150 bytes each.
    pub request_ids: usize,
}

impl Default for Limits {
    /// About 64 MiB in all when full.
    fn default() -> Self {
        Self {
            alert_changes: 65_536,
            defect_change_bytes: 32 << 20,
            request_ids: 10_000,
        }
    }
}

/// Changes of one kind, oldest first, up to a bound.
#[derive(Clone, Debug, Default)]
struct History {
    changes: VecDeque<(ChangeNotice, usize)>,
    weight: usize,
    forgotten_through: u64,
}

impl History {
    fn push(&mut self, notice: ChangeNotice, weight: usize, limit: usize) {
        self.weight += weight;
        self.changes.push_back((notice, weight));
        while self.weight > limit {
            let Some((gone, weight)) = self.changes.pop_front() else {
                break;
            };
            self.weight -= weight;
            self.forgotten_through = gone.seq();
        }
    }

    fn n_after(&self, seq: u64) -> usize {
        let changes = &self.changes;
        changes.len() - changes.partition_point(|(notice, _)| notice.seq() <= seq)
    }

    fn after(&self, seq: u64, limit: usize) -> Result<Vec<ChangeNotice>, HistoryGone> {
        if seq < self.forgotten_through {
            return Err(HistoryGone {
                forgotten_through: self.forgotten_through,
            });
        }
        let start = self
            .changes
            .partition_point(|(notice, _)| notice.seq() <= seq);
        let rest = self.changes.iter().skip(start).take(limit);
        Ok(rest.map(|(notice, _)| notice.clone()).collect())
    }
}

#[derive(Clone, Debug, Default)]
struct UnitAlerts {
    all: Vec<AlertId>,
    standing: BTreeSet<AlertId>,
    unsettled: BTreeSet<AlertId>,
}

/// Everything the ledger says: rule book, alerts, defects.
///
/// # Memory
/// An alert stays for as long as its ledger entry. Measured with four inputs, both evidences, its
/// places in the lists and a defect to every fifteen alerts: 670 bytes, so 300,000 alerts take 200 MB.
/// What a change looked like is kept for [`Limits`] only. Rebuilding takes about 13 us an entry.
#[derive(Clone, Debug, Default)]
pub struct Book {
    limits: Limits,
    seq: u64,
    rules: RuleShelf,
    /// In the order in which they were frozen.
    class_baselines: Vec<KeptBaseline>,
    words: Words,
    /// Alert n is at n - 1.
    alerts: Vec<Arc<KeptAlert>>,
    by_raised: BTreeSet<(EventTime, AlertId)>,
    by_rule: HashMap<RuleName, Vec<AlertId>>,
    by_unit: HashMap<UnitId, UnitAlerts>,
    standing: BTreeSet<AlertId>,
    /// Defect n is at n - 1.
    defects: Vec<Arc<KeptDefect>>,
    by_due: BTreeSet<(ServerTime, DefectId)>,
    by_component: HashMap<UnitId, BTreeMap<String, Vec<DefectId>>>,
    requests: HashMap<(String, String), Answered>,
    request_order: VecDeque<(String, String)>,
    alert_history: History,
    defect_history: History,
}

/// A class baseline of the ledger.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptBaseline {
    /// What was fitted.
    pub baseline: ClassBaseline,
    /// When it was frozen, server time.
    pub frozen_at: ServerTime,
}

type Applied = Result<Vec<ChangeNotice>, String>;

impl Book {
    /// An empty book that keeps this much of the past ready.
    pub fn new(limits: Limits) -> Self {
        Self {
            limits,
            ..Self::default()
        }
    }

    /// Number of the newest ledger entry applied; 0 before any.
    pub const fn seq(&self) -> u64 {
        self.seq
    }

    /// Takes one ledger entry; entries come in order, each once.
    ///
    /// # Errors
    /// [`BookError`] when the entry does not fit; the book is then not to be used any more.
    pub fn apply(
        &mut self,
        seq: u64,
        record: &LedgerRecord,
    ) -> Result<Vec<ChangeNotice>, BookError> {
        let misfit = |what| BookError { seq, what };
        if seq != self.seq + 1 {
            return Err(misfit(format!("the entry before it was {}", self.seq)));
        }
        self.seq = seq;
        let notices = self.take(record).map_err(misfit)?;
        for notice in &notices {
            match notice {
                ChangeNotice::Alert { .. } => {
                    let limit = self.limits.alert_changes;
                    self.alert_history.push(notice.clone(), 1, limit);
                }
                ChangeNotice::Defect { defect, .. } => {
                    let weight = 600 + 8 * defect.defect().alerts.len();
                    let limit = self.limits.defect_change_bytes;
                    self.defect_history.push(notice.clone(), weight, limit);
                }
                ChangeNotice::Rule { .. } => {}
            }
        }
        Ok(notices)
    }

    #[expect(
        clippy::too_many_lines,
        reason = "one short arm an act reads best in one place"
    )]
    fn take(&mut self, record: &LedgerRecord) -> Applied {
        let LedgerRecord { at, by, act } = record;
        let at = *at;
        match act {
            Act::RuleLodged {
                rule,
                source,
                facts,
                request_id,
            } => {
                let version = RuleVersion {
                    reference: rule.clone(),
                    source: source.clone(),
                    facts: facts.clone(),
                    lodged_at: at,
                    lodged_by: by.clone(),
                };
                if !self.rules.lodge(Arc::new(version)) {
                    return Err(format!("{} {} was lodged before", rule.name, rule.version));
                }
                self.answered(by, request_id, Answered::Rule(rule.clone()));
                Ok(self.rule_notice(rule))
            }
            Act::RuleCases { rule, cases } => {
                if !self.rules.keep_cases(rule, cases.clone()) {
                    return Err(format!("{} {} was never lodged", rule.name, rule.version));
                }
                Ok(self.rule_notice(rule))
            }
            Act::RuleForecast { rule, forecast } => {
                let kept = KeptForecast {
                    forecast: forecast.as_ref().clone(),
                    at,
                    by: by.clone(),
                };
                if !self.rules.keep_forecast(rule, kept) {
                    return Err(format!("{} {} was never lodged", rule.name, rule.version));
                }
                Ok(self.rule_notice(rule))
            }
            Act::RuleStaged { rule, stage, from } => {
                let change = StageChange {
                    stage: *stage,
                    from: *from,
                    at,
                    by: by.clone(),
                    forecast: None,
                };
                if !self.rules.stage_from(rule, change) {
                    return Err(format!("{} {} was never lodged", rule.name, rule.version));
                }
                Ok(self.rule_notice(rule))
            }
            Act::ClassBaselineFrozen { baseline } => {
                if self.has_baseline(baseline) {
                    return Err(format!(
                        "{} was frozen before for {}",
                        baseline.of, baseline.from
                    ));
                }
                self.class_baselines.push(KeptBaseline {
                    baseline: baseline.clone(),
                    frozen_at: at,
                });
                Ok(Vec::new())
            }
            Act::AlertRaised {
                id,
                unit,
                occurred,
                trial,
                defect,
                announced,
                late_news,
                settled,
            } => {
                let mut alert = self.fresh_alert(*id, unit, occurred)?;
                alert.trial = *trial;
                alert.defect = *defect;
                alert.announced_at = announced.then_some(at);
                alert.late_news = *late_news;
                alert.settled = *settled;
                self.keep_new_alert(alert)?;
                self.alert_notices(at, *id, AlertChange::Raised)
            }
            Act::AlertEnded {
                id,
                occurred,
                late_news,
                settled,
            } => {
                self.rejudged(*id, occurred, *late_news, *settled)?;
                self.alert_notices(at, *id, AlertChange::Ended)
            }
            Act::AlertRevised {
                id,
                occurred,
                late_news,
                settled,
            } => {
                self.rejudged(*id, occurred, *late_news, *settled)?;
                self.alert_notices(at, *id, AlertChange::Revised)
            }
            Act::AlertReinstated {
                id,
                occurred,
                late_news,
                settled,
            } => {
                self.rejudged(*id, occurred, *late_news, *settled)?;
                self.alert_notices(at, *id, AlertChange::Reinstated)
            }
            Act::AlertWithdrawn {
                id,
                reason,
                through,
            } => self.withdrawn(at, *id, reason, *through),
            Act::AlertAcknowledged {
                id,
                note,
                request_id,
            } => {
                self.change_alert(*id, |alert| alert.acknowledge(by.clone(), at, note.clone()))?;
                self.answered(by, request_id, Answered::Alert(*id));
                let defect = self.alerts[index(id.0)].defect;
                if defect.0 != 0 {
                    self.change_defect(defect, KeptDefect::touch)?;
                }
                self.alert_notices(at, *id, AlertChange::Acknowledged)
            }
            Act::AlertUnsuppressed {
                id,
                unsuppressed_at,
                announced,
            } => {
                self.change_alert(*id, |alert| {
                    alert.unsuppress(*unsuppressed_at);
                    announce(alert, *announced, at);
                })?;
                self.alert_notices(at, *id, AlertChange::Suppression)
            }
            Act::AlertAnnounced { id } => {
                self.change_alert(*id, |alert| announce(alert, true, at))?;
                self.alert_notices(at, *id, AlertChange::Announced)
            }
            Act::AlertToldWith { id, with } => {
                self.change_alert(*id, |alert| {
                    alert.told_with = *with;
                    alert.revision += 1;
                })?;
                self.alert_notices(at, *id, AlertChange::ToldWith)
            }
            Act::AlertSettled { id } => {
                self.change_alert(*id, |alert| alert.settled = true)?;
                // A defect does not depend on it.
                Ok(vec![self.alert_notice(at, *id, AlertChange::Revised)])
            }
            Act::AlertMadeLive {
                id,
                defect,
                announced,
            } => {
                self.change_alert(*id, |alert| {
                    alert.trial = false;
                    alert.defect = *defect;
                    alert.revision += 1;
                    announce(alert, *announced, at);
                })?;
                self.join_defect(*defect, *id)?;
                self.alert_notices(at, *id, AlertChange::Announced)
            }
            Act::DefectOpened { .. } | Act::DefectReported { .. } | Act::FindingRecorded { .. } => {
                self.take_defect(at, by, act)
            }
        }
    }

    fn take_defect(&mut self, at: ServerTime, by: &str, act: &Act) -> Applied {
        match act {
            Act::DefectOpened {
                id,
                unit,
                system,
                component,
                origin,
                title,
                priority,
                first_sign_at,
                action,
                respond_within_ms,
                request_id,
            } => {
                if id.0 != self.next_defect().0 {
                    return Err(format!("defect {} is not the next", id.0));
                }
                let defect = Defect {
                    id: *id,
                    unit: unit.clone(),
                    system: system.clone(),
                    component: component.clone(),
                    origin: *origin,
                    title: title.clone(),
                    priority: *priority,
                    status: DefectStatus::Suspected,
                    first_sign_at: *first_sign_at,
                    opened_at: at,
                    due_at: at.plus_ms(*respond_within_ms),
                    alerts: Vec::new(),
                    basis_withdrawn: false,
                    touched: *origin != DefectOrigin::Alert,
                    action: action.clone(),
                    finding: None,
                    revision: 1,
                };
                self.by_due.insert((defect.due_at, *id));
                let components = self.by_component.entry(unit.clone()).or_default();
                components.entry(component.clone()).or_default().push(*id);
                self.defects
                    .push(Arc::new(KeptDefect::new(defect, *respond_within_ms)));
                self.answered(by, request_id, Answered::Defect(*id));
                Ok(vec![self.defect_notice(at, *id, DefectChangeKind::Opened)])
            }
            Act::DefectReported {
                id,
                // The defect keeps the words and the origin it was opened with; the ledger keeps these.
                origin: _,
                title: _,
                priority,
                first_sign_at,
                respond_within_ms,
                request_id,
            } => {
                self.change_defect(*id, |defect| {
                    defect.report(at, *priority, *first_sign_at, *respond_within_ms);
                })?;
                self.answered(by, request_id, Answered::Defect(*id));
                let kind = self.derive_defect(*id)?;
                Ok(vec![self.defect_notice(at, *id, kind)])
            }
            Act::FindingRecorded {
                id,
                kind,
                note,
                repaired_at,
                request_id,
            } => {
                let finding = Finding {
                    kind: *kind,
                    note: note.clone(),
                    by: by.to_owned(),
                    repaired_at: *repaired_at,
                    recorded_at: at,
                };
                self.change_defect(*id, |defect| defect.close(finding))?;
                self.answered(by, request_id, Answered::Defect(*id));
                let kind = self.derive_defect(*id)?;
                Ok(vec![self.defect_notice(at, *id, kind)])
            }
            other => Err(format!("{other:?} is no act on a defect")),
        }
    }

    fn withdrawn(
        &mut self,
        at: ServerTime,
        id: AlertId,
        reason: &WithdrawnReason,
        through: EventTime,
    ) -> Applied {
        self.change_alert(id, |alert| alert.withdraw(reason.clone(), through))?;
        self.alert_notices(at, id, AlertChange::Withdrawn)
    }

    fn fresh_alert(
        &mut self,
        id: AlertId,
        unit: &UnitId,
        occurred: &Occurred,
    ) -> Result<KeptAlert, String> {
        if id != self.next_alert() {
            return Err(format!("alert {} is not the next", id.0));
        }
        let rule = &occurred.rule;
        let Some(version) = self.rules.version(rule).map(Arc::clone) else {
            return Err(format!("{} {} was never lodged", rule.name, rule.version));
        };
        // One copy of the unit's name, the one in the index.
        let unit = match self.by_unit.get_key_value(unit) {
            Some((known, _)) => known.clone(),
            None => unit.clone(),
        };
        let words = &mut self.words;
        Ok(KeptAlert::new(
            (id, self.seq),
            unit,
            version,
            occurred,
            words,
        ))
    }

    fn keep_new_alert(&mut self, alert: KeptAlert) -> Result<(), String> {
        let id = alert.id();
        self.by_rule
            .entry(alert.rule().reference.name.clone())
            .or_default()
            .push(id);
        let unit = self.by_unit.entry(alert.unit().clone()).or_default();
        unit.all.push(id);
        let defect = alert.defect;
        self.alerts.push(Arc::new(alert));
        self.index_alert(id);
        self.join_defect(defect, id)
    }

    fn index_alert(&mut self, id: AlertId) {
        let alert = &self.alerts[index(id.0)];
        self.by_raised.insert((alert.raised_at(), id));
        let unit = self.by_unit.entry(alert.unit().clone()).or_default();
        if alert.condition() == Condition::Standing {
            self.standing.insert(id);
            unit.standing.insert(id);
        } else {
            self.standing.remove(&id);
            unit.standing.remove(&id);
        }
        if alert.settled || alert.condition() == Condition::Withdrawn {
            unit.unsettled.remove(&id);
        } else {
            unit.unsettled.insert(id);
        }
    }

    fn change_alert(
        &mut self,
        id: AlertId,
        change: impl FnOnce(&mut KeptAlert),
    ) -> Result<(), String> {
        let kept = self
            .alerts
            .get_mut(index(id.0))
            .ok_or_else(|| format!("there is no alert {}", id.0))?;
        self.by_raised.remove(&(kept.raised_at(), id));
        change(Arc::make_mut(kept));
        self.index_alert(id);
        Ok(())
    }

    fn rejudged(
        &mut self,
        id: AlertId,
        occurred: &Occurred,
        late_news: bool,
        settled: bool,
    ) -> Result<(), String> {
        let mut words = std::mem::take(&mut self.words);
        let changed = self.change_alert(id, |alert| {
            alert.judged(occurred, &mut words);
            alert.late_news = late_news;
            alert.settled = settled;
        });
        self.words = words;
        changed
    }

    fn change_defect(
        &mut self,
        id: DefectId,
        change: impl FnOnce(&mut KeptDefect),
    ) -> Result<(), String> {
        let kept = self
            .defects
            .get_mut(index(id.0))
            .ok_or_else(|| format!("there is no defect {}", id.0))?;
        change(Arc::make_mut(kept));
        Ok(())
    }

    fn join_defect(&mut self, defect: DefectId, alert: AlertId) -> Result<(), String> {
        if defect.0 == 0 {
            return Ok(());
        }
        self.change_defect(defect, |kept| kept.join(alert))
    }

    fn derive_defect(&mut self, id: DefectId) -> Result<DefectChangeKind, String> {
        let kept = self
            .defects
            .get_mut(index(id.0))
            .ok_or_else(|| format!("there is no defect {}", id.0))?;
        let kept = Arc::make_mut(kept);
        let due_before = kept.defect().due_at;
        let alerts: Vec<&KeptAlert> = kept
            .defect()
            .alerts
            .iter()
            .filter_map(|alert| self.alerts.get(index(alert.0)))
            .map(AsRef::as_ref)
            .collect();
        let kind = kept.derive(&alerts);
        let due_at = kept.defect().due_at;
        if due_at != due_before {
            self.by_due.remove(&(due_before, id));
            self.by_due.insert((due_at, id));
        }
        Ok(kind)
    }

    fn alert_notice(&self, at: ServerTime, id: AlertId, change: AlertChange) -> ChangeNotice {
        ChangeNotice::Alert {
            seq: self.seq,
            at,
            change,
            alert: Arc::clone(&self.alerts[index(id.0)]),
        }
    }

    fn defect_notice(&self, at: ServerTime, id: DefectId, kind: DefectChangeKind) -> ChangeNotice {
        ChangeNotice::Defect {
            seq: self.seq,
            at,
            kind,
            defect: Arc::clone(&self.defects[index(id.0)]),
        }
    }

    fn alert_notices(&mut self, at: ServerTime, id: AlertId, change: AlertChange) -> Applied {
        let defect = self.alerts[index(id.0)].defect;
        let mut notices = vec![self.alert_notice(at, id, change)];
        if defect.0 != 0 {
            let kind = self.derive_defect(defect)?;
            notices.push(self.defect_notice(at, defect, kind));
        }
        Ok(notices)
    }

    fn rule_notice(&self, rule: &RuleRef) -> Vec<ChangeNotice> {
        vec![ChangeNotice::Rule {
            seq: self.seq,
            rule: rule.clone(),
        }]
    }

    fn answered(&mut self, by: &str, request_id: &str, answered: Answered) {
        if request_id.is_empty() {
            return;
        }
        let key = (by.to_owned(), request_id.to_owned());
        if self.requests.insert(key.clone(), answered).is_none() {
            self.request_order.push_back(key);
        }
        while self.request_order.len() > self.limits.request_ids {
            if let Some(oldest) = self.request_order.pop_front() {
                self.requests.remove(&oldest);
            }
        }
    }

    /// What this caller's request id was answered with, if it was used before.
    pub fn answer_to(&self, by: &str, request_id: &str) -> Option<&Answered> {
        if request_id.is_empty() {
            return None;
        }
        self.requests.get(&(by.to_owned(), request_id.to_owned()))
    }

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
            query.lists(alert) && after.is_none_or(|after| (alert.raised_at(), alert.id()) < after)
        };
        if let Some(candidates) = candidates {
            let mut found: Vec<&Arc<KeptAlert>> = candidates
                .filter_map(|id| self.alert(id))
                .filter(is_asked)
                .collect();
            found.sort_unstable_by_key(|alert| std::cmp::Reverse((alert.raised_at(), alert.id())));
            return found.into_iter().take(limit).map(Arc::clone).collect();
        }
        let end_of_time = (EventTime::from_unix_ms(i64::MAX), AlertId(u64::MAX));
        self.by_raised
            .range(..after.unwrap_or(end_of_time))
            .rev()
            .filter_map(|(_, id)| self.alert(*id))
            .filter(is_asked)
            .take(limit)
            .map(Arc::clone)
            .collect()
    }

    /// All alerts that stand, by number.
    pub fn standing(&self) -> impl Iterator<Item = &Arc<KeptAlert>> {
        self.standing.iter().filter_map(|id| self.alert(*id))
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
        let first = std::ops::Bound::Excluded(
            after.unwrap_or((ServerTime::from_unix_ms(i64::MIN), DefectId(0))),
        );
        self.by_due
            .range((first, std::ops::Bound::Unbounded))
            .filter_map(|(_, id)| self.defect(*id))
            .filter(|kept| query.lists(kept.defect()))
            .take(limit)
            .map(Arc::clone)
            .collect()
    }

    /// The defect that something seen on a component at `at` belongs to.
    ///
    /// A closed one when it was repaired after `at`, the earliest such repair: what was seen before
    /// a repair was repaired by it. Else the oldest open one.
    pub fn defect_for(&self, unit: &UnitId, component: &str, at: EventTime) -> Option<DefectId> {
        let defects = self.by_component.get(unit)?.get(component)?;
        let kept = || defects.iter().filter_map(|id| self.defect(*id));
        let repaired = kept()
            .filter_map(|kept| {
                let repaired_at = kept.defect().finding.as_ref()?.repaired_at;
                (repaired_at > at).then_some((repaired_at, kept.id()))
            })
            .min();
        repaired
            .map(|(_, id)| id)
            .or_else(|| self.open_defect(unit, component))
    }

    /// The oldest open defect of a unit's component.
    pub fn open_defect(&self, unit: &UnitId, component: &str) -> Option<DefectId> {
        let defects = self.by_component.get(unit)?.get(component)?;
        let mut kept = defects.iter().filter_map(|id| self.defect(*id));
        kept.find(|kept| kept.is_open()).map(|kept| kept.id())
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
                    && alert.suppression() != Suppression::ByDesign
            });
        rung.count() as u64
    }

    /// What findings say of a component between two instants. A failure counts as called from
    /// [`CALLS_FROM_MS`] before it was reported, or opened by an alert, to the repair.
    pub fn truth(&self, component: &str, from: EventTime, until: EventTime) -> Truth {
        let mut truth = Truth::default();
        for kept in &self.defects {
            let defect = kept.defect();
            let Some(finding) = &defect.finding else {
                continue;
            };
            let opened = EventTime::from_unix_ms(defect.opened_at.unix_ms());
            let sign = defect.first_sign_at.min(opened);
            let known = Known {
                unit: defect.unit.clone(),
                rule: None,
                from: sign.plus_ms(-CALLS_FROM_MS),
                until: finding.repaired_at.max(sign),
                failed_at: (defect.origin != DefectOrigin::Alert).then_some(sign),
            };
            if defect.component != component || known.until < from || known.from > until {
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
        truth
    }

    /// How many alerts and defects there are.
    pub fn counts(&self) -> (usize, usize) {
        (self.alerts.len(), self.defects.len())
    }
}

/// Place of number `number` in a list counted from 1; beyond any list for 0.
fn index(number: u64) -> usize {
    usize::try_from(number)
        .unwrap_or(usize::MAX)
        .wrapping_sub(1)
}

fn announce(alert: &mut KeptAlert, announced: bool, at: ServerTime) {
    if announced && alert.announced_at.is_none() {
        alert.announced_at = Some(at);
        alert.told_with = AlertId(0);
    }
}
