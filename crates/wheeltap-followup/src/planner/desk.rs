//! What the desk does: answers, reports, calls, and the handover.

use super::refusal::{check_etag, said};
use super::{HOUR_MS, MINUTE_MS, Planner, Refusal};
use crate::{Act, Belongs};
use wheeltap_model::{
    AlertId, Condition, DefectId, DefectOrigin, Disposition, EventTime, HandoverId, Priority,
    ServerTime, UnitId,
};

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

impl Planner<'_> {
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
            Some(by) if self.is_the_same(by) => return Ok(()),
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
                Some(by) if !self.is_the_same(by) => {
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
    /// A first sign ahead of the clock, a request id used before for something else.
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
        let component = component.trim().to_owned();
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
        if self.is_ahead(first_sign_at) {
            return Err(Refusal::BadField {
                field: "defect.first_sign_unix_ms",
                why: format!(
                    "is {first_sign_at}, ahead of now, {}; give the time it was seen",
                    self.now
                ),
            });
        }
        // What is reported now is there now, whenever it was seen first: only an open defect, or one whose
        // repair has not held, can be it.
        let now = EventTime::from_unix_ms(self.now.unix_ms());
        let within_ms = self.policy.reopen_within_ms;
        let known = match self.book.defect_for(&unit, &component, now, within_ms) {
            Belongs::To(known) => Some(known).filter(|known| self.open(*known).is_ok()),
            Belongs::AgainTo(known) => {
                self.reopen(known, Some(now));
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
    /// Unknown defects, those that went into another, an alert of another defect, nobody told.
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
        if let Some(into) = kept.defect().merged_into {
            return Err(Refusal::WentInto { id, into });
        }
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
}

/// How long the answer to a person's report can wait, in milliseconds, where no rule says so. Our own
/// defaults, after what the words of [`Priority`] promise; at once is as soon as somebody can be reached, as in the
/// demonstration's rules that warn of danger.
const fn default_respond_within_ms(priority: Priority) -> i64 {
    match priority {
        Priority::Low => 7 * 24 * HOUR_MS,
        Priority::Medium => 24 * HOUR_MS,
        Priority::High => 4 * HOUR_MS,
        Priority::Urgent => 10 * MINUTE_MS,
    }
}
