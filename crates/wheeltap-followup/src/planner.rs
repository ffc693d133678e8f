//! Decides which records an event calls for.

mod desk;
mod mutes;
mod refusal;
mod shop;

pub use desk::{Call, Report};
pub use mutes::MuteOrder;
pub use refusal::Refusal;
pub use shop::Verdict;

use crate::record::CasesText;
use crate::train::Told;
use crate::{
    Act, Belongs, Book, Forecast, KeptAlert, LedgerRecord, Occurrence, RuleFacts, Trains, component,
};
use refusal::check_etag;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use wheeltap_model::{
    AlertId, ClassBaseline, Condition, DefectId, DefectOrigin, DefectStatus, EventTime, RuleRef,
    RuleStage, ServerTime, UnitId, WithdrawnReason,
};

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 60 * MINUTE_MS;

/// The terms that the railway sets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Policy {
    /// What comes back so soon after its repair is the same defect, in milliseconds.
    pub reopen_within_ms: i64,
    /// The longest time for which an alert can be shelved, in milliseconds.
    pub shelve_at_most_ms: i64,
}

impl Default for Policy {
    /// 14 days and 3 days: our own defaults.
    fn default() -> Self {
        Self {
            reopen_within_ms: 14 * 24 * HOUR_MS,
            shelve_at_most_ms: 3 * 24 * HOUR_MS,
        }
    }
}

/// What a unit's alerts are written under.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Terms {
    /// Late work is pending: raise, but tell nobody yet, safety excepted.
    pub withhold: bool,
    /// The sender promised that nothing older than this is to come.
    pub complete_through: Option<EventTime>,
    /// Where the unit's data ends.
    pub watermark: Option<EventTime>,
}

/// Plans one commit against a book, as records in order.
///
/// The planner knows what it has planned itself, as far as new ids and defects go; each alert may be
/// planned for once in a commit.
pub struct Planner<'a> {
    pub(crate) book: &'a Book,
    pub(crate) trains: &'a dyn Trains,
    pub(crate) told: Told,
    now: ServerTime,
    by: String,
    records: Vec<LedgerRecord>,
    next_alert: AlertId,
    next_defect: DefectId,
    opened: HashMap<(UnitId, String), DefectId>,
    reopened: HashSet<DefectId>,
    policy: Policy,
}

impl<'a> Planner<'a> {
    /// Starts a commit in which `by` acts at `now`.
    pub fn new(book: &'a Book, now: ServerTime, by: &str) -> Self {
        Self {
            book,
            trains: &(),
            told: Told::default(),
            now,
            by: by.to_owned(),
            records: Vec::new(),
            next_alert: book.next_alert(),
            next_defect: book.next_defect(),
            opened: HashMap::new(),
            reopened: HashSet::new(),
            policy: Policy::default(),
        }
    }

    /// Knows which unit was in which train.
    #[must_use]
    pub const fn with_trains(mut self, trains: &'a dyn Trains) -> Self {
        self.trains = trains;
        self
    }

    /// Follows these terms.
    #[must_use]
    pub const fn with_policy(mut self, policy: Policy) -> Self {
        self.policy = policy;
        self
    }

    /// The book it plans against.
    pub const fn book(&self) -> &'a Book {
        self.book
    }

    /// What was planned, to be committed and applied in this order.
    pub fn finish(self) -> Vec<LedgerRecord> {
        self.records
    }

    /// Whether nothing was planned.
    pub fn is_empty(&self) -> bool {
        self.records.is_empty()
    }

    pub(crate) fn push(&mut self, act: Act) {
        self.records.push(LedgerRecord {
            at: self.now,
            by: self.by.clone(),
            act,
        });
    }

    /// A condition that no alert in the book stands for. A version that was never lodged plans
    /// nothing and has no number.
    pub fn raise(&mut self, unit: &UnitId, occurred: Occurrence, terms: Terms) -> Option<AlertId> {
        let version = Arc::clone(self.book.rule_version(&occurred.rule)?);
        let ended = occurred.ended_at;
        let trial = self
            .book
            .is_trial(&occurred.rule, occurred.raised_at, ended);
        let mute = self
            .book
            .mute_over(unit, &occurred.rule.name, occurred.part.as_ref());
        let muted = (occurred.unsuppressed_at.is_none() || mute.is_some()) && !version.facts.safety;
        let defect = if trial {
            DefectId(0)
        } else {
            let shared = version.facts.once_a_train;
            let shared = shared.then(|| self.train_s_defect(&occurred.rule.name, unit, &occurred));
            let shared = shared.flatten();
            let defect =
                shared.unwrap_or_else(|| self.defect_for(unit, &version.facts, occurred.raised_at));
            // What is muted opens nothing before the mute ends.
            if ended.is_none() && !muted {
                self.reopen_unfound(defect);
            }
            defect
        };
        let id = self.next_alert;
        self.next_alert = AlertId(id.0 + 1);
        let rings = !trial && version.facts.desk;
        let withheld = terms.withhold && !version.facts.safety;
        let announced = ended.is_none() && rings && !muted && !withheld;
        let late_news = ended.is_some() && rings && !muted;
        let with = if version.facts.once_a_train && rings {
            let tells = announced || late_news;
            self.tells_raised(id, unit, &occurred, defect, tells)
        } else {
            None
        };
        self.push(Act::AlertRaised {
            id,
            unit: unit.clone(),
            trial,
            defect,
            announced: announced && with.is_none(),
            late_news,
            settled: settles(&occurred, terms),
            occurred,
        });
        if let Some(with) = with {
            self.push(Act::AlertToldWith { id, with });
        }
        Some(id)
    }

    fn defect_for(&mut self, unit: &UnitId, facts: &RuleFacts, at: EventTime) -> DefectId {
        let within_ms = self.policy.reopen_within_ms;
        match self.book.defect_for(unit, &facts.component, at, within_ms) {
            Belongs::To(known) => return known,
            Belongs::AgainTo(known) => {
                self.reopen(known, Some(at));
                return known;
            }
            Belongs::Nowhere => {}
        }
        let key = (unit.clone(), component::key(&facts.component));
        if let Some(opened) = self.opened.get(&key) {
            return *opened;
        }
        let id = self.next_defect;
        self.next_defect = DefectId(id.0 + 1);
        self.opened.insert(key, id);
        self.push(Act::DefectOpened {
            id,
            unit: unit.clone(),
            system: facts.system.clone(),
            component: facts.component.clone(),
            origin: DefectOrigin::Alert,
            title: facts.title.clone(),
            priority: facts.priority,
            first_sign_at: at,
            action: facts.action.clone(),
            respond_within_ms: facts.respond_within_ms,
            request_id: String::new(),
        });
        id
    }

    /// What stands is no thing of the past, though it was raised before its defect was closed without a finding.
    fn reopen_unfound(&mut self, id: DefectId) {
        let kept = self.book.defect(id);
        if kept.is_some_and(|kept| kept.defect().status == DefectStatus::FindingOwed) {
            self.reopen(id, None);
        }
    }

    /// Opens what was closed without a finding and of which an alert stands that nothing mutes: a mute ended, or
    /// later data says so.
    pub fn reopen_what_stands(&mut self) {
        let hidden: Vec<DefectId> = self.book.closed_though_standing().collect();
        for id in hidden {
            self.reopen_unfound(id);
        }
    }

    /// What was repaired came back, as was seen at `seen_at`; once a commit. What still stands of it is told once
    /// more: whoever took it on did so before the repair.
    fn reopen(&mut self, id: DefectId, seen_at: Option<EventTime>) {
        if !self.reopened.insert(id) {
            return;
        }
        self.push(Act::DefectReopened { id, seen_at });
        let book = self.book;
        let Some(kept) = book.defect(id) else {
            return;
        };
        let alerts = kept.defect().alerts.iter();
        for alert in alerts.filter_map(|alert| book.alert(*alert)) {
            if alert.may_be_told_again() {
                self.push(Act::AlertToldAgain { id: alert.id() });
            }
        }
    }

    /// Telemetry shows at `seen_at` what a repair had closed, by an alert that never ended. Does nothing once it
    /// is open, or later than a defect comes back.
    pub fn came_back(&mut self, id: DefectId, seen_at: EventTime) {
        let Some(kept) = self.book.defect(id) else {
            return;
        };
        let is_closed = kept.defect().status == DefectStatus::Closed;
        let is_soon = kept.repaired_at().is_some_and(|repaired_at| {
            (0..=self.policy.reopen_within_ms).contains(&seen_at.ms_since(repaired_at))
        });
        if is_closed && is_soon {
            self.reopen(id, Some(seen_at));
        }
    }

    /// A standing alert's condition ended.
    pub fn end(&mut self, alert: &KeptAlert, occurred: Occurrence, terms: Terms) {
        self.push(Act::AlertEnded {
            id: alert.id(),
            late_news: is_late_news(alert, &occurred),
            settled: settles(&occurred, terms),
            occurred,
        });
    }

    /// A standing alert is no longer suppressed by design.
    pub fn unsuppress(&mut self, alert: &KeptAlert, unsuppressed_at: EventTime, terms: Terms) {
        let withheld = terms.withhold && !alert.rule().facts.safety;
        let muted = alert.mute().is_some() && !alert.rule().facts.safety;
        let tells = alert.announced_at().is_none() && alert.rings() && !withheld && !muted;
        let with = tells.then(|| self.told_instead(alert)).flatten();
        self.push(Act::AlertUnsuppressed {
            id: alert.id(),
            unsuppressed_at,
            announced: tells && with.is_none(),
        });
        if let Some(with) = with {
            self.push(Act::AlertToldWith {
                id: alert.id(),
                with,
            });
        }
    }

    /// Late data changed an alert's times or evidence, or ended it. An alert that now stands and
    /// was told to nobody is announced by a record of its own.
    pub fn revise(&mut self, alert: &KeptAlert, occurred: Occurrence, terms: Terms) {
        let late_news = is_late_news(alert, &occurred);
        let settled = settles(&occurred, terms);
        let id = alert.id();
        if alert.condition() == Condition::Standing && occurred.ended_at.is_some() {
            self.push(Act::AlertEnded {
                id,
                occurred,
                late_news,
                settled,
            });
        } else {
            self.push(Act::AlertRevised {
                id,
                occurred,
                late_news,
                settled,
            });
        }
    }

    /// Late data brought a withdrawn alert back.
    pub fn reinstate(&mut self, alert: &KeptAlert, occurred: Occurrence, terms: Terms) {
        self.push(Act::AlertReinstated {
            id: alert.id(),
            late_news: is_late_news(alert, &occurred),
            settled: settles(&occurred, terms),
            occurred,
        });
    }

    /// Late data took an alert back. `terms.watermark` says how far it was known to stand.
    pub fn withdraw(&mut self, alert: &KeptAlert, reason: WithdrawnReason, terms: Terms) {
        self.push(Act::AlertWithdrawn {
            id: alert.id(),
            reason,
            through: terms.watermark.unwrap_or(alert.raised_at()),
        });
        self.take_over_from(alert);
    }

    /// Tells people of an alert that was withheld, unless its train's was told already.
    pub fn announce(&mut self, alert: &KeptAlert) {
        let id = alert.id();
        match self.told_instead(alert) {
            Some(with) => self.push(Act::AlertToldWith { id, with }),
            None => self.push(Act::AlertAnnounced { id }),
        }
    }

    /// Settles an alert.
    pub fn settle(&mut self, alert: &KeptAlert) {
        self.push(Act::AlertSettled { id: alert.id() });
    }

    /// Keeps a rule version as a draft, and its cases in place of those kept before, where some are
    /// given; the same texts again change nothing.
    ///
    /// # Errors
    /// A request id used before for something else.
    pub fn lodge(
        &mut self,
        rule: &RuleRef,
        source: &str,
        facts: RuleFacts,
        cases: Option<CasesText>,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let act = Act::RuleLodged {
            rule: rule.clone(),
            source: source.to_owned(),
            facts,
            request_id: request_id.to_owned(),
        };
        let known = self.book.rule_cases(rule);
        let cases =
            cases.filter(|cases| known.map_or(!cases.is_empty(), |known| **known != *cases));
        if self.is_repeat(&act)? {
            return match cases {
                None => Ok(()),
                Some(_) => Err(Refusal::RequestIdReused {
                    request_id: request_id.to_owned(),
                    before: format!("lodge rule {}, with other cases", rule.name),
                }),
            };
        }
        if self.book.rule_version(rule).is_none() {
            self.push(act);
        }
        if let Some(cases) = cases {
            self.push(Act::RuleCases {
                rule: rule.clone(),
                cases,
            });
        }
        Ok(())
    }

    /// Keeps what a lodged version would have done.
    ///
    /// # Errors
    /// Unknown versions.
    pub fn keep_forecast(&mut self, rule: &RuleRef, forecast: Forecast) -> Result<(), Refusal> {
        if self.book.rule_version(rule).is_none() {
            return Err(Refusal::UnknownRule { rule: rule.clone() });
        }
        self.push(Act::RuleForecast {
            rule: rule.clone(),
            forecast: Box::new(forecast),
        });
        Ok(())
    }

    /// Keeps what a class does, for good; one of the same class, window and instant changes nothing.
    pub fn freeze(&mut self, baseline: ClassBaseline) {
        if !self.book.has_baseline(&baseline) {
            self.push(Act::ClassBaselineFrozen { baseline });
        }
    }

    /// Moves a lodged version to a stage from an event time on. The version of the same rule that
    /// held the stage is retired, and what stands of a version that goes live is told to people. One that was
    /// never on trial goes live for a reason alone.
    ///
    /// # Errors
    /// Unknown versions, a stale etag, a way back to draft, and no trial without a reason.
    pub fn stage(
        &mut self,
        rule: &RuleRef,
        stage: RuleStage,
        from: EventTime,
        reason: &str,
        etag: &str,
    ) -> Result<(), Refusal> {
        let reason = reason.trim();
        let unknown = || Refusal::UnknownRule { rule: rule.clone() };
        let current = self.book.rule_stage(rule).ok_or_else(unknown)?.stage;
        check_etag(etag, &self.book.rule_etag(rule))?;
        if current == stage {
            return Ok(());
        }
        if stage == RuleStage::Draft {
            return Err(Refusal::BackToDraft { from: current });
        }
        let without_trial = stage == RuleStage::Live && !self.book.was_on_trial(rule);
        if without_trial && reason.is_empty() {
            return Err(Refusal::NeverOnTrial {
                name: rule.name.clone(),
            });
        }
        if matches!(stage, RuleStage::Trial | RuleStage::Live) {
            let others: Vec<RuleRef> = self
                .book
                .rule_versions(&rule.name)
                .map(|version| version.reference.clone())
                .filter(|other| other != rule)
                .filter(|other| {
                    self.book
                        .rule_stage(other)
                        .is_some_and(|of| of.stage == stage)
                })
                .collect();
            for other in others {
                self.push(Act::RuleStaged {
                    rule: other,
                    stage: RuleStage::Retired,
                    from,
                    reason: String::new(),
                    without_trial: false,
                });
            }
        }
        self.push(Act::RuleStaged {
            rule: rule.clone(),
            stage,
            from,
            reason: reason.to_owned(),
            without_trial,
        });
        if stage == RuleStage::Live {
            self.make_live(rule);
        }
        Ok(())
    }

    fn make_live(&mut self, rule: &RuleRef) {
        let standing: Vec<Arc<KeptAlert>> = self
            .book
            .standing()
            .filter(|alert| alert.is_trial() && alert.rule().reference == *rule)
            .map(Arc::clone)
            .collect();
        for alert in standing {
            let facts = &alert.rule().facts;
            let muted = alert.is_muted();
            let defect = self.defect_for(alert.unit(), facts, alert.raised_at());
            let with = (!muted && facts.desk)
                .then(|| self.told_instead(&alert))
                .flatten();
            self.push(Act::AlertMadeLive {
                id: alert.id(),
                defect,
                announced: !muted && facts.desk && with.is_none(),
            });
            if let Some(with) = with {
                self.push(Act::AlertToldWith {
                    id: alert.id(),
                    with,
                });
            }
        }
    }
}

fn settles(occurred: &Occurrence, terms: Terms) -> bool {
    terms
        .complete_through
        .is_some_and(|through| occurred.ended_at.unwrap_or(occurred.raised_at) <= through)
}

fn is_late_news(alert: &KeptAlert, occurred: &Occurrence) -> bool {
    occurred.ended_at.is_some()
        && alert.announced_at().is_none()
        && alert.told_with().0 == 0
        && alert.rings()
        && ((occurred.unsuppressed_at.is_some() && alert.mute().is_none())
            || alert.rule().facts.safety)
}
