//! Request ids: what is sent again is answered as before, and an id that was used for anything else is refused.

use super::Book;
use crate::{Act, Refusal, component};
use serde::Serialize;
use std::collections::{HashMap, VecDeque};
use std::fmt;
use std::hash::{DefaultHasher, Hasher};
use wheeltap_model::{AlertId, DefectId, MuteId, MuteKind, RuleRef, UnitId};

/// What a request did, and to what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Done {
    Lodged(RuleRef),
    AlertTakenOn(AlertId),
    AlertGivenBack(AlertId),
    Reported(UnitId),
    TakenOn(DefectId),
    Planned(DefectId),
    Begun(DefectId),
    Found(DefectId),
    ClosedWithoutFinding(DefectId),
    Said(DefectId),
    Called(DefectId),
    PromiseKept(DefectId, u32),
    Split(DefectId),
    Merged { id: DefectId, into: DefectId },
    Muted(MuteKind, UnitId),
    Lifted(MuteId),
    HandedOver,
}

impl fmt::Display for Done {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Lodged(rule) => write!(f, "lodge rule {} {}", rule.name, rule.version),
            Self::AlertTakenOn(id) => write!(f, "take alert {} on", id.0),
            Self::AlertGivenBack(id) => write!(f, "give alert {} back", id.0),
            Self::Reported(unit) => write!(f, "report a defect of {unit}"),
            Self::TakenOn(id) => write!(f, "take defect {} on", id.0),
            Self::Planned(id) => write!(f, "plan defect {}", id.0),
            Self::Begun(id) => write!(f, "begin work on defect {}", id.0),
            Self::Found(id) => write!(f, "record the finding of defect {}", id.0),
            Self::ClosedWithoutFinding(id) => {
                write!(f, "close defect {} without a finding", id.0)
            }
            Self::Said(id) => write!(f, "say what holds until defect {} is repaired", id.0),
            Self::Called(id) => write!(f, "log a call about defect {}", id.0),
            Self::PromiseKept(id, contact) => {
                write!(f, "keep the promise of call {contact}, defect {}", id.0)
            }
            Self::Split(id) => write!(f, "split defect {}", id.0),
            Self::Merged { id, into } => {
                write!(f, "merge defect {} into defect {}", id.0, into.0)
            }
            Self::Muted(MuteKind::Shelved, unit) => write!(f, "shelve alerts of {unit}"),
            Self::Muted(MuteKind::OutOfService, unit) => {
                write!(f, "take alerts of {unit} out of service")
            }
            Self::Lifted(id) => write!(f, "lift mute {}", id.0),
            Self::HandedOver => f.write_str("hand the desk over"),
        }
    }
}

/// A request as the act shows it that it led to.
#[derive(Clone, Debug)]
struct Request {
    done: Done,
    /// Digest of what else the caller said. Etags are no part of it, nor are times that the server fills in.
    words: u64,
    /// Number of the defect, mute or handover that was made or joined; 0 for none.
    made: u64,
}

impl Request {
    fn new<'a>(
        request_id: &'a str,
        done: Done,
        made: u64,
        words: &impl Serialize,
    ) -> Option<(&'a str, Self)> {
        if request_id.is_empty() {
            return None;
        }
        let mut hasher = DefaultHasher::new();
        hasher.write(&serde_json::to_vec(words).unwrap_or_default());
        let words = hasher.finish();
        Some((request_id, Self { done, words, made }))
    }

    /// With its id; `None` for an act without one.
    #[expect(
        clippy::too_many_lines,
        reason = "one short arm an act reads best in one place"
    )]
    fn of<'a>(act: &'a Act, book: &Book) -> Option<(&'a str, Self)> {
        match act {
            Act::RuleLodged {
                rule,
                source: _,
                facts: _,
                request_id,
            } => Self::new(request_id, Done::Lodged(rule.clone()), 0, &()),
            Act::AlertAcknowledged {
                id,
                note,
                request_id,
            } => Self::new(request_id, Done::AlertTakenOn(*id), 0, note),
            Act::AlertGivenBack {
                id,
                note,
                request_id,
            } => Self::new(request_id, Done::AlertGivenBack(*id), 0, note),
            Act::DefectOpened {
                id,
                unit,
                system: _,
                component,
                origin,
                title,
                priority,
                first_sign_at: _,
                action: _,
                respond_within_ms: _,
                request_id,
            } => {
                let words = (component::key(component), origin, title, priority);
                Self::new(request_id, Done::Reported(unit.clone()), id.0, &words)
            }
            // The same words as for one that was opened: the caller does not know which it will be.
            Act::DefectReported {
                id,
                origin,
                title,
                priority,
                first_sign_at: _,
                respond_within_ms: _,
                request_id,
            } => {
                let defect = book.defect(*id)?.defect();
                let done = Done::Reported(defect.unit.clone());
                let words = (component::key(&defect.component), origin, title, priority);
                Self::new(request_id, done, id.0, &words)
            }
            Act::FindingRecorded {
                id,
                kind,
                note,
                work,
                repaired_at: _,
                corrects,
                request_id,
            } => Self::new(
                request_id,
                Done::Found(*id),
                0,
                &(kind, note, work, corrects),
            ),
            Act::DefectTakenOn {
                id,
                note,
                request_id,
            } => Self::new(request_id, Done::TakenOn(*id), 0, note),
            Act::DefectPlanned {
                id,
                plan,
                request_id,
            } => Self::new(request_id, Done::Planned(*id), 0, plan),
            Act::WorkBegun { id, request_id } => Self::new(request_id, Done::Begun(*id), 0, &()),
            Act::ClosedWithoutFinding {
                id,
                note,
                request_id,
            } => Self::new(request_id, Done::ClosedWithoutFinding(*id), 0, note),
            Act::DefectSplit {
                id,
                new,
                alerts,
                component,
                title: _,
                note,
                request_id,
            } => {
                let words = (alerts, component, note);
                Self::new(request_id, Done::Split(*id), new.0, &words)
            }
            Act::DefectMerged {
                id,
                into,
                note,
                request_id,
            } => {
                let (id, into) = (*id, *into);
                Self::new(request_id, Done::Merged { id, into }, 0, note)
            }
            Act::DispositionSaid {
                id,
                disposition,
                how,
                request_id,
            } => Self::new(request_id, Done::Said(*id), 0, &(disposition, how)),
            Act::ContactLogged {
                id,
                alert,
                told,
                answer,
                promise,
                promised_for,
                request_id,
            } => {
                let words = (alert, told, answer, promise, promised_for);
                Self::new(request_id, Done::Called(*id), 0, &words)
            }
            Act::PromiseKept {
                id,
                contact,
                request_id,
            } => Self::new(request_id, Done::PromiseKept(*id, *contact), 0, &()),
            Act::Muted {
                id,
                kind,
                scope,
                until,
                reason,
                request_id,
            } => {
                let done = Done::Muted(*kind, scope.unit.clone());
                Self::new(request_id, done, id.0, &(scope, until, reason))
            }
            Act::MuteEnded {
                id,
                lifted: _,
                note,
                request_id,
            } => Self::new(request_id, Done::Lifted(*id), 0, note),
            Act::HandedOver {
                id,
                from,
                to,
                note,
                request_id,
            } => Self::new(request_id, Done::HandedOver, id.0, &(from, to, note)),
            Act::RuleCases { .. }
            | Act::RuleForecast { .. }
            | Act::RuleStaged { .. }
            | Act::ClassBaselineFrozen { .. }
            | Act::AlertRaised { .. }
            | Act::AlertEnded { .. }
            | Act::AlertRevised { .. }
            | Act::AlertWithdrawn { .. }
            | Act::AlertReinstated { .. }
            | Act::AlertUnsuppressed { .. }
            | Act::AlertAnnounced { .. }
            | Act::AlertToldWith { .. }
            | Act::AlertSettled { .. }
            | Act::AlertMadeLive { .. }
            | Act::DefectReopened { .. }
            | Act::AlertToldAgain { .. } => None,
        }
    }
}

/// Requests that were answered, by caller and id, up to a bound.
#[derive(Clone, Debug, Default)]
pub(super) struct Requests {
    answered: HashMap<(String, String), Request>,
    /// The oldest first.
    order: VecDeque<(String, String)>,
}

impl Book {
    /// What was made when this caller's request came first, by number: a defect, a mute, a handover, 0 for
    /// nothing; `None` for a request that comes for the first time.
    ///
    /// # Errors
    /// The same caller's id was used before for another act, on another thing or with other words.
    pub(crate) fn answered_before(&self, by: &str, act: &Act) -> Result<Option<u64>, Refusal> {
        let Some((request_id, asked)) = Request::of(act, self) else {
            return Ok(None);
        };
        let key = (by.to_owned(), request_id.to_owned());
        let Some(before) = self.requests.answered.get(&key) else {
            return Ok(None);
        };
        if before.done == asked.done && before.words == asked.words {
            return Ok(Some(before.made));
        }
        let otherwise = if before.done == asked.done {
            ", in other words"
        } else {
            ""
        };
        Err(Refusal::RequestIdReused {
            request_id: request_id.to_owned(),
            before: format!("{}{otherwise}", before.done),
        })
    }

    /// Remembers what an act answers.
    pub(super) fn answer(&mut self, by: &str, act: &Act) {
        let Some((request_id, answered)) = Request::of(act, self) else {
            return;
        };
        let key = (by.to_owned(), request_id.to_owned());
        let limit = self.limits.request_ids;
        let requests = &mut self.requests;
        if requests.answered.insert(key.clone(), answered).is_none() {
            requests.order.push_back(key);
        }
        while requests.order.len() > limit {
            if let Some(oldest) = requests.order.pop_front() {
                requests.answered.remove(&oldest);
            }
        }
    }
}
