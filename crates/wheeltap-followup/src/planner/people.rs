//! What people do: every act is refused with a reason, or planned once.

use super::Planner;
use crate::{Act, Belongs, KeptDefect};
use wheeltap_model::{
    AlertId, Condition, DefectId, DefectOrigin, DefectStatus, Disposition, EventTime,
    FAILURE_MODES, FindingKind, HandoverId, MuteId, MuteKind, MuteScope, Plan, Priority, RuleRef,
    RuleStage, ServerTime, UnitId, Work,
};

const HOUR_MS: i64 = 3_600_000;

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

/// The shop's verdict on a defect.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// What was found.
    pub kind: FindingKind,
    /// In the shop's words.
    pub note: String,
    /// What was done.
    pub work: Work,
    /// When, event time.
    pub repaired_at: EventTime,
}

/// A call about a defect.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Call {
    /// Who was told.
    pub told: String,
    /// About which of its alerts.
    pub alert: Option<AlertId>,
    /// What they answered.
    pub answer: String,
    /// What they promised, or empty.
    pub promise: String,
    /// When the promise is due.
    pub promised_for: Option<ServerTime>,
}

/// What is to be muted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MuteOrder {
    /// Shelved or out of service.
    pub kind: MuteKind,
    /// What it covers.
    pub scope: MuteScope,
    /// When it ends by itself; a shelf must say so.
    pub until: Option<ServerTime>,
    /// Why.
    pub reason: String,
}

/// What a person reports.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// The unit.
    pub unit: UnitId,
    /// System.
    pub system: String,
    /// Component; joins it to an open defect.
    pub component: String,
    /// Who saw it.
    pub origin: DefectOrigin,
    /// In the reporter's words.
    pub title: String,
    /// As reported.
    pub priority: Priority,
    /// Event time.
    pub first_sign_at: EventTime,
}

/// Why a person's act was refused; nothing was changed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// No such alert.
    #[error("there is no alert {}; list the alerts", id.0)]
    UnknownAlert {
        /// As asked for.
        id: AlertId,
    },
    /// The alert was withdrawn.
    #[error("alert {} was withdrawn by later data; read it again", id.0)]
    Withdrawn {
        /// Which.
        id: AlertId,
    },
    /// Somebody else took it on.
    #[error("alert {} was acknowledged by {by}", id.0)]
    AlreadyAcknowledged {
        /// Which.
        id: AlertId,
        /// By whom.
        by: String,
    },
    /// No such defect.
    #[error("there is no defect {}; list the defects", id.0)]
    UnknownDefect {
        /// As asked for.
        id: DefectId,
    },
    /// It has its finding, is void or went into another.
    #[error("defect {} is {status}; report a new one if it came back", id.0)]
    AlreadyClosed {
        /// Which.
        id: DefectId,
        /// Such as `closed` or `void`.
        status: &'static str,
    },
    /// Somebody else took the defect on.
    #[error("defect {} was taken on by {by}", id.0)]
    AlreadyTaken {
        /// Which.
        id: DefectId,
        /// By whom.
        by: String,
    },
    /// Nobody has taken the alert on.
    #[error("alert {} is nobody's: there is no answer to take back", id.0)]
    NotAcknowledged {
        /// Which.
        id: AlertId,
    },
    /// `safety` is never muted.
    #[error("{what} warns of danger to people and is never muted")]
    NeverMuted {
        /// The rule's title.
        what: String,
    },
    /// The same is muted already.
    #[error("it is muted already, by mute {} of {by}; lift that one first", id.0)]
    AlreadyMuted {
        /// Which.
        id: MuteId,
        /// By whom.
        by: String,
    },
    /// No such mute.
    #[error("there is no mute {}; list the mutes", id.0)]
    UnknownMute {
        /// As asked for.
        id: MuteId,
    },
    /// A field of the request cannot be taken.
    #[error("{field} {why}")]
    BadField {
        /// Which.
        field: &'static str,
        /// What is wrong with it and what to write.
        why: String,
    },
    /// A defect cannot be split or merged so.
    #[error("{why}")]
    CannotRegroup {
        /// Why, and what to do.
        why: String,
    },
    /// A repair in the future would swallow alerts to come.
    #[error("the repair at {repaired_at} is ahead of now, {now}; give the time it was done")]
    RepairAhead {
        /// As given.
        repaired_at: EventTime,
        /// The server's time.
        now: ServerTime,
    },
    /// Changed since the caller read it.
    #[error("changed meanwhile: the etag is now {current}; read it again")]
    StaleEtag {
        /// What it is now.
        current: String,
    },
    /// No such rule version.
    #[error("there is no version {} of rule {}; list the rules", rule.version, rule.name)]
    UnknownRule {
        /// As asked for.
        rule: RuleRef,
    },
    /// A version does not go back to being a draft.
    #[error("a rule that was {from:?} does not become a draft again; lodge a new version")]
    BackToDraft {
        /// Its stage.
        from: RuleStage,
    },
    /// The request id was used by this caller for something else.
    #[error("request id \"{request_id}\" was used before to {before}; make a new one")]
    RequestIdReused {
        /// As given.
        request_id: String,
        /// What for.
        before: String,
    },
}

/// A repair may lie this far ahead of the server's clock, as telemetry may.
const CLOCK_SLACK_MS: i64 = 300_000;

impl Planner<'_> {
    /// What was made when this request came first, by number; see [`crate::Book`]'s own.
    fn made_before(&self, act: &Act) -> Result<Option<u64>, Refusal> {
        self.book.answered_before(&self.by, act)
    }

    /// Whether this request was answered before.
    pub(super) fn is_repeat(&self, act: &Act) -> Result<bool, Refusal> {
        Ok(self.made_before(act)?.is_some())
    }

    /// A person takes an alert on. Nothing is written when the same person did so before.
    ///
    /// # Errors
    /// Unknown or withdrawn alerts, ones that somebody else took on, and a stale etag.
    pub fn acknowledge(
        &mut self,
        id: AlertId,
        note: &str,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let act = Act::AlertAcknowledged {
            id,
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let alert = self.book.alert(id).ok_or(Refusal::UnknownAlert { id })?;
        check_etag(etag, &alert.etag())?;
        if alert.condition() == Condition::Withdrawn {
            return Err(Refusal::Withdrawn { id });
        }
        match alert.acknowledged_by() {
            Some(by) if by == self.by => return Ok(()),
            Some(by) => {
                return Err(Refusal::AlreadyAcknowledged {
                    id,
                    by: by.to_owned(),
                });
            }
            None => {}
        }
        self.push(act);
        Ok(())
    }

    /// An answer is taken back, so that somebody else can take the alert on.
    ///
    /// # Errors
    /// Unknown alerts, ones that nobody took on, a stale etag, an empty note.
    pub fn give_back(
        &mut self,
        id: AlertId,
        note: &str,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let act = Act::AlertGivenBack {
            id,
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let alert = self.book.alert(id).ok_or(Refusal::UnknownAlert { id })?;
        check_etag(etag, &alert.etag())?;
        if alert.acknowledged_by().is_none() {
            return Err(Refusal::NotAcknowledged { id });
        }
        said("note", note)?;
        self.push(act);
        Ok(())
    }

    /// A person takes a defect on, with all of its alerts that wait for an answer: one act, so of two
    /// people one does it. Nothing is written when the same person did so before.
    ///
    /// # Errors
    /// Unknown defects, closed ones, and those that somebody else took on.
    pub fn take_on(&mut self, id: DefectId, note: &str, request_id: &str) -> Result<(), Refusal> {
        let act = Act::DefectTakenOn {
            id,
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let kept = self.open(id)?;
        if !self.book.awaits_answer(kept) {
            let alerts = kept.defect().alerts.iter();
            let by = kept
                .defect()
                .taken
                .as_ref()
                .map(|taken| taken.by.as_str())
                .or_else(|| {
                    alerts
                        .filter_map(|alert| self.book.alert(*alert)?.acknowledged_by())
                        .next_back()
                });
            match by {
                Some(by) if by != self.by => {
                    return Err(Refusal::AlreadyTaken {
                        id,
                        by: by.to_owned(),
                    });
                }
                Some(_) => return Ok(()),
                // Muted, or told with another: whoever wants it may have it.
                None => {}
            }
        }
        self.push(act);
        Ok(())
    }

    /// A person reports a defect; joins the open one of the same unit and component, or opens the one again
    /// that was repaired there lately. Returns its number.
    ///
    /// # Errors
    /// A request id used before for something else.
    pub fn report(&mut self, report: Report, request_id: &str) -> Result<DefectId, Refusal> {
        let Report {
            unit,
            system,
            component,
            origin,
            title,
            priority,
            first_sign_at,
        } = report;
        let respond_within_ms = default_respond_within_ms(priority);
        let id = self.next_defect;
        let opened = Act::DefectOpened {
            id,
            unit: unit.clone(),
            system,
            component: component.clone(),
            origin,
            title: title.clone(),
            priority,
            first_sign_at,
            action: String::new(),
            respond_within_ms,
            request_id: request_id.to_owned(),
        };
        if let Some(made) = self.made_before(&opened)? {
            return Ok(DefectId(made));
        }
        // What is reported now is there now, whenever it was seen first: only an open defect, or one whose
        // repair has not held, can be it.
        let now = EventTime::from_unix_ms(self.now.unix_ms());
        let within_ms = self.policy.reopen_within_ms;
        let known = match self.book.defect_for(&unit, &component, now, within_ms) {
            Belongs::To(known) => Some(known).filter(|known| self.open(*known).is_ok()),
            Belongs::AgainTo(known) => {
                self.reopen(known);
                Some(known)
            }
            Belongs::Nowhere => None,
        };
        if let Some(id) = known {
            self.push(Act::DefectReported {
                id,
                origin,
                title,
                priority,
                first_sign_at,
                respond_within_ms,
                request_id: request_id.to_owned(),
            });
            return Ok(id);
        }
        self.next_defect = DefectId(id.0 + 1);
        self.push(opened);
        Ok(id)
    }

    /// Records the shop's finding and closes the defect; one that was closed without a finding gets it.
    ///
    /// # Errors
    /// Unknown or closed defects, a repair ahead of the clock, a failure mode that is none, a stale etag, a
    /// reused request id.
    pub fn record_finding(
        &mut self,
        id: DefectId,
        verdict: Verdict,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let Verdict {
            kind,
            note,
            work,
            repaired_at,
        } = verdict;
        let mode = work.failure_mode.clone();
        let act = Act::FindingRecorded {
            id,
            kind,
            note,
            work,
            repaired_at,
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let kept = self.book.defect(id).ok_or(Refusal::UnknownDefect { id })?;
        check_etag(etag, &kept.etag())?;
        if kept.defect().status != DefectStatus::FindingOwed {
            self.open(id)?;
        }
        if repaired_at.unix_ms() > self.now.unix_ms().saturating_add(CLOCK_SLACK_MS) {
            return Err(Refusal::RepairAhead {
                repaired_at,
                now: self.now,
            });
        }
        if !mode.is_empty() && !FAILURE_MODES.iter().any(|(code, _)| *code == mode) {
            let codes: Vec<&str> = FAILURE_MODES.iter().map(|(code, _)| *code).collect();
            return Err(Refusal::BadField {
                field: "finding.failure_mode",
                why: format!("is none of {}", codes.join(", ")),
            });
        }
        self.push(act);
        Ok(())
    }

    /// Says where and when the work is to be done, or takes that back.
    ///
    /// # Errors
    /// Unknown or closed defects, a plan without a place, a stale etag.
    pub fn plan(
        &mut self,
        id: DefectId,
        plan: Option<Plan>,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let place = plan.as_ref().map(|plan| plan.service_point.as_str());
        let named = place.map_or(Ok(()), |place| said("plan.service_point", place));
        let act = Act::DefectPlanned {
            id,
            plan,
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        check_etag(etag, &self.open(id)?.etag())?;
        named?;
        self.push(act);
        Ok(())
    }

    /// The shop begins.
    ///
    /// # Errors
    /// Unknown or closed defects, a stale etag.
    pub fn begin_work(
        &mut self,
        id: DefectId,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let act = Act::WorkBegun {
            id,
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let kept = self.open(id)?;
        check_etag(etag, &kept.etag())?;
        if kept.defect().status == DefectStatus::InWork {
            return Ok(());
        }
        self.push(act);
        Ok(())
    }

    /// Closes a defect without a finding, which is owed from then on.
    ///
    /// # Errors
    /// Unknown or closed defects, no reason, a stale etag.
    pub fn close_without_finding(
        &mut self,
        id: DefectId,
        note: &str,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let act = Act::ClosedWithoutFinding {
            id,
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        check_etag(etag, &self.open(id)?.etag())?;
        said("note", note)?;
        self.push(act);
        Ok(())
    }

    /// Says what holds for the unit until the work is done.
    ///
    /// # Errors
    /// Unknown or closed defects; a restriction or a cut-out that does not say which.
    pub fn say(
        &mut self,
        id: DefectId,
        disposition: Disposition,
        how: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let act = Act::DispositionSaid {
            id,
            disposition,
            how: how.to_owned(),
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        self.open(id)?;
        if matches!(disposition, Disposition::Restrict | Disposition::CutOut) {
            said("how", how)?;
        }
        self.push(act);
        Ok(())
    }

    /// Keeps that somebody was called.
    ///
    /// # Errors
    /// Unknown defects, an alert of another defect, nobody told.
    pub fn log_contact(
        &mut self,
        id: DefectId,
        call: Call,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let Call {
            told,
            alert,
            answer,
            promise,
            promised_for,
        } = call;
        let named = said("told", &told);
        let act = Act::ContactLogged {
            id,
            alert,
            told,
            answer,
            promise,
            promised_for,
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let kept = self.book.defect(id).ok_or(Refusal::UnknownDefect { id })?;
        named?;
        if let Some(alert) = alert
            && !kept.defect().alerts.contains(&alert)
        {
            return Err(Refusal::BadField {
                field: "alert",
                why: format!("{} is no alert of defect {}", alert.0, id.0),
            });
        }
        self.push(act);
        Ok(())
    }

    /// A promise was kept. Nothing is written when somebody said so before.
    ///
    /// # Errors
    /// Unknown defects and contacts, and those that promised nothing.
    pub fn keep_promise(
        &mut self,
        id: DefectId,
        number: u32,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let act = Act::PromiseKept {
            id,
            contact: number,
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let kept = self.book.defect(id).ok_or(Refusal::UnknownDefect { id })?;
        let mut contacts = kept.defect().contacts.iter();
        let contact = contacts.find(|contact| contact.number == number);
        let promised = contact.filter(|contact| contact.is_owed() || contact.kept.is_some());
        let Some(contact) = promised else {
            return Err(Refusal::BadField {
                field: "contact",
                why: format!("{number} of defect {} promised nothing", id.0),
            });
        };
        if contact.kept.is_none() {
            self.push(act);
        }
        Ok(())
    }

    /// Makes some of a defect's alerts a defect of their own. Returns its number.
    ///
    /// # Errors
    /// Unknown or closed defects, alerts of others, none or all of its alerts, a stale etag.
    pub fn split(
        &mut self,
        id: DefectId,
        mut alerts: Vec<AlertId>,
        component: &str,
        note: &str,
        etag: &str,
        request_id: &str,
    ) -> Result<DefectId, Refusal> {
        alerts.sort_unstable();
        alerts.dedup();
        let kept = self.book.defect(id).ok_or(Refusal::UnknownDefect { id })?;
        let component = match component {
            "" => kept.defect().component.clone(),
            component => component.to_owned(),
        };
        let title = alerts
            .first()
            .and_then(|alert| self.book.alert(*alert))
            .map_or_else(String::new, |alert| alert.rule().facts.title.clone());
        let new = self.next_defect;
        let act = Act::DefectSplit {
            id,
            new,
            alerts: alerts.clone(),
            component,
            title,
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if let Some(made) = self.made_before(&act)? {
            return Ok(DefectId(made));
        }
        check_etag(etag, &self.open(id)?.etag())?;
        let own = &kept.defect().alerts;
        if let Some(other) = alerts.iter().find(|alert| !own.contains(alert)) {
            return Err(Refusal::CannotRegroup {
                why: format!("alert {} is none of defect {}", other.0, id.0),
            });
        }
        if alerts.is_empty() || alerts.len() == own.len() {
            return Err(Refusal::CannotRegroup {
                why: format!(
                    "defect {} has {} alerts; name some of them, not {}",
                    id.0,
                    own.len(),
                    if alerts.is_empty() { "none" } else { "all" }
                ),
            });
        }
        said("note", note)?;
        self.next_defect = DefectId(new.0 + 1);
        self.push(act);
        Ok(new)
    }

    /// Lets a defect go into another of the same unit.
    ///
    /// # Errors
    /// Unknown or closed defects, two units, one into itself, no reason, a stale etag.
    pub fn merge(
        &mut self,
        id: DefectId,
        into: DefectId,
        note: &str,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        let act = Act::DefectMerged {
            id,
            into,
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let from = self.open(id)?;
        check_etag(etag, &from.etag())?;
        let stays = self.open(into)?;
        if id == into || from.defect().unit != stays.defect().unit {
            return Err(Refusal::CannotRegroup {
                why: format!(
                    "defect {} cannot go into defect {}: they must be two defects of one unit",
                    id.0, into.0
                ),
            });
        }
        said("note", note)?;
        self.push(act);
        Ok(())
    }

    /// Mutes what is in its scope, by wall time. Returns its number.
    ///
    /// # Errors
    /// A `safety` rule, no reason, a shelf without an end or with one that is too far, what is muted so
    /// already.
    pub fn mute(&mut self, order: MuteOrder, request_id: &str) -> Result<MuteId, Refusal> {
        let MuteOrder {
            kind,
            scope,
            until,
            reason,
        } = order;
        let id = self.book.next_mute();
        let act = Act::Muted {
            id,
            kind,
            scope: scope.clone(),
            until,
            reason: reason.clone(),
            request_id: request_id.to_owned(),
        };
        if let Some(made) = self.made_before(&act)? {
            return Ok(MuteId(made));
        }
        said("reason", &reason)?;
        if let Some(rule) = &scope.rule {
            let newest = self.book.rule_versions(rule).last();
            let Some(newest) = newest else {
                return Err(Refusal::BadField {
                    field: "rule",
                    why: format!("{rule} is no rule that was ever lodged"),
                });
            };
            if newest.facts.safety {
                return Err(Refusal::NeverMuted {
                    what: newest.facts.title.clone(),
                });
            }
        }
        let latest = self.now.plus_ms(self.policy.shelve_at_most_ms);
        match (kind, until) {
            (MuteKind::Shelved, None) => {
                return Err(Refusal::BadField {
                    field: "until_unix_ms",
                    why: "is not set: a shelf needs an end".to_owned(),
                });
            }
            (_, Some(until)) if until <= self.now => {
                return Err(Refusal::BadField {
                    field: "until_unix_ms",
                    why: format!("is {until}, which is over; it is {} now", self.now),
                });
            }
            (MuteKind::Shelved, Some(until)) if until > latest => {
                return Err(Refusal::BadField {
                    field: "until_unix_ms",
                    why: format!("is {until}; the latest that this railway allows is {latest}"),
                });
            }
            _ => {}
        }
        let same = self
            .book
            .muting()
            .find(|mute| mute.scope == scope && mute.kind == kind);
        if let Some(same) = same {
            return Err(Refusal::AlreadyMuted {
                id: same.id,
                by: same.by.clone(),
            });
        }
        self.push(act);
        Ok(id)
    }

    /// Lifts a mute before its time. Nothing is written when it has ended.
    ///
    /// # Errors
    /// Unknown mutes, a request id used before.
    pub fn lift(&mut self, id: MuteId, note: &str, request_id: &str) -> Result<(), Refusal> {
        let act = Act::MuteEnded {
            id,
            lifted: true,
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let mute = self.book.mute(id).ok_or(Refusal::UnknownMute { id })?;
        if mute.ended.is_none() {
            self.push(act);
            self.tell_unmuted(&[id]);
        }
        Ok(())
    }

    /// Ends all mutes whose time is over.
    pub fn lapse(&mut self) {
        let now = self.now;
        let mut over: Vec<MuteId> = self
            .book
            .muting()
            .filter(|mute| mute.until.is_some_and(|until| until <= now))
            .map(|mute| mute.id)
            .collect();
        over.sort_unstable();
        for id in &over {
            self.push(Act::MuteEnded {
                id: *id,
                lifted: false,
                note: String::new(),
                request_id: String::new(),
            });
        }
        self.tell_unmuted(&over);
    }

    /// What stands unmuted once these have ended is told, or told once more: ISA-18.2 / IEC 62682 lead from
    /// shelved back to unacknowledged, not to acknowledged.
    fn tell_unmuted(&mut self, mutes: &[MuteId]) {
        let book = self.book;
        for alert in mutes.iter().flat_map(|id| book.muted_by(*id)) {
            let still = self.book.muting().any(|mute| {
                let rule = &alert.rule().reference.name;
                !mutes.contains(&mute.id) && mute.scope.covers(alert.unit(), rule, alert.part())
            });
            let tells = alert.condition() == Condition::Standing
                && alert.rings()
                && alert.told_with().0 == 0
                && !alert.is_by_design()
                && !alert.rule().facts.safety;
            if still || !tells {
                continue;
            }
            if alert.announced_at().is_some() {
                self.push(Act::AlertToldAgain { id: alert.id() });
            } else {
                self.announce(alert);
            }
        }
    }

    /// The desk goes from one person to another. Returns the handover's number.
    ///
    /// # Errors
    /// A name that is missing, or twice the same.
    pub fn hand_desk_over(
        &mut self,
        from: &str,
        to: &str,
        note: &str,
        request_id: &str,
    ) -> Result<HandoverId, Refusal> {
        let id = self.book.next_handover();
        let act = Act::HandedOver {
            id,
            from: from.trim().to_owned(),
            to: to.trim().to_owned(),
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if let Some(made) = self.made_before(&act)? {
            return Ok(HandoverId(made));
        }
        said("from", from)?;
        said("to", to)?;
        if from.trim() == to.trim() {
            return Err(Refusal::BadField {
                field: "to",
                why: format!("is {to}, who leaves; name who takes over"),
            });
        }
        self.push(act);
        Ok(id)
    }

    fn open(&self, id: DefectId) -> Result<&'_ KeptDefect, Refusal> {
        let kept = self.book.defect(id).ok_or(Refusal::UnknownDefect { id })?;
        let status = match kept.defect().status {
            DefectStatus::Suspected | DefectStatus::Planned | DefectStatus::InWork => {
                return Ok(kept);
            }
            DefectStatus::Closed => "closed",
            DefectStatus::FindingOwed => "closed, and its finding is owed",
            DefectStatus::Void => "void",
            DefectStatus::Merged => "part of another one",
        };
        Err(Refusal::AlreadyClosed { id, status })
    }
}

/// Refuses what was left empty.
fn said(field: &'static str, text: &str) -> Result<(), Refusal> {
    if text.trim().is_empty() {
        return Err(Refusal::BadField {
            field,
            why: "is empty; say it".to_owned(),
        });
    }
    Ok(())
}

pub(super) fn check_etag(given: &str, current: &str) -> Result<(), Refusal> {
    if given.is_empty() || given == current {
        return Ok(());
    }
    Err(Refusal::StaleEtag {
        current: current.to_owned(),
    })
}

/// How long the answer to a person's report can wait, in milliseconds, where no rule says so. Our own
/// defaults, after what the words of [`Priority`] promise.
const fn default_respond_within_ms(priority: Priority) -> i64 {
    match priority {
        Priority::Low => 7 * 24 * HOUR_MS,
        Priority::Medium => 24 * HOUR_MS,
        Priority::High => 4 * HOUR_MS,
        Priority::Urgent => 0,
    }
}
