//! The book: everything the ledger says, as one fold.

mod defects;
mod history;
mod mutes;
mod questions;
mod requests;

use crate::Occurrence;
use crate::alert::Words;
use crate::record::{Act, LedgerRecord};
use crate::rules::RuleShelf;
use crate::{DefectChangeKind, KeptAlert, KeptDefect, KeptForecast, RuleVersion, StageChange};
use history::History;
pub use questions::Belongs;
use requests::Requests;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use wheeltap_model::{
    AlertChange, AlertId, ClassBaseline, Condition, DefectId, EventTime, Handover, Mute, MuteId,
    RuleName, RuleRef, ServerTime, UnitId, WithdrawnReason,
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
        /// Whether somebody at the desk had still to take it on after it.
        awaits_answer: bool,
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

/// How much of the past is kept ready in memory; the ledger keeps all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Alert changes for watchers that come back. About 450 bytes each.
    pub alert_changes: usize,
    /// Bytes of defect changes for systems that pull.
    pub defect_change_bytes: usize,
    /// Request ids that are recognized when sent again. About 250 bytes each.
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
    /// Mute n is at n - 1.
    mutes: Vec<Arc<Mute>>,
    /// Those that have not ended.
    muting: HashMap<UnitId, BTreeSet<MuteId>>,
    /// Handover n is at n - 1.
    handovers: Vec<Handover>,
    /// Every time people were told of an alert, in the order of the ledger.
    tellings: Vec<(ServerTime, AlertId)>,
    by_due: BTreeSet<(ServerTime, DefectId)>,
    /// By [`crate::component::key`].
    by_component: HashMap<UnitId, BTreeMap<String, Vec<DefectId>>>,
    requests: Requests,
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
        self.answer(&record.by, &record.act);
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
                request_id: _,
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
            Act::RuleStaged {
                rule,
                stage,
                from,
                reason,
                without_trial,
            } => {
                let change = StageChange {
                    stage: *stage,
                    from: *from,
                    at,
                    by: by.clone(),
                    reason: reason.clone(),
                    without_trial: *without_trial,
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
                let rule = &alert.rule().reference.name;
                alert.set_mute(self.mute_over(alert.unit(), rule, alert.part()));
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
                self.mute_again(*id)?;
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
                request_id: _,
            } => {
                self.change_alert(*id, |alert| alert.acknowledge(by.clone(), at, note.clone()))?;
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
            Act::AlertGivenBack {
                id,
                note: _,
                request_id: _,
            } => {
                self.change_alert(*id, KeptAlert::give_back)?;
                let defect = self.alerts[index(id.0)].defect;
                if defect.0 != 0 {
                    self.change_defect(defect, KeptDefect::give_back)?;
                }
                self.alert_notices(at, *id, AlertChange::GivenBack)
            }
            Act::AlertToldAgain { id } => {
                self.change_alert(*id, |alert| alert.tell_again(at))?;
                self.alert_notices(at, *id, AlertChange::Announced)
            }
            Act::Muted { .. } | Act::MuteEnded { .. } | Act::HandedOver { .. } => {
                self.take_desk(at, by, act)
            }
            Act::DefectOpened { .. }
            | Act::DefectReported { .. }
            | Act::DefectReopened { .. }
            | Act::DefectTakenOn { .. }
            | Act::DefectPlanned { .. }
            | Act::WorkBegun { .. }
            | Act::ClosedWithoutFinding { .. }
            | Act::DefectSplit { .. }
            | Act::DefectMerged { .. }
            | Act::DispositionSaid { .. }
            | Act::ContactLogged { .. }
            | Act::PromiseKept { .. }
            | Act::FindingRecorded { .. } => self.take_defect(at, by, act),
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
        occurred: &Occurrence,
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
        self.tellings.extend(alert.told_at().map(|at| (at, id)));
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
        let told_before = kept.told_at();
        change(Arc::make_mut(kept));
        if let Some(told_at) = kept.told_at()
            && told_before != Some(told_at)
        {
            self.tellings.push((told_at, id));
        }
        self.index_alert(id);
        Ok(())
    }

    fn rejudged(
        &mut self,
        id: AlertId,
        occurred: &Occurrence,
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
            awaits_answer: self.awaits_answer(&self.defects[index(id.0)]),
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
