//! What the shop does, and what is done to defects by hand: plans, work, findings, splitting and merging.

use super::refusal::{check_etag, said};
use super::{Planner, Refusal};
use crate::{Act, KeptAlert, KeptDefect};
use wheeltap_model::{
    AlertId, DefectId, DefectStatus, EventTime, FAILURE_MODES, FindingKind, Plan, Work,
};

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

impl Planner<'_> {
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

    /// Records the shop's finding and closes the defect; one that was closed without a finding gets it.
    ///
    /// # Errors
    /// Unknown or closed defects, a repair ahead of the clock or before the defect's first sign, a failure mode
    /// that is none, nobody having looked while an alert stands that warns of danger, a stale etag, a reused
    /// request id.
    pub fn record_finding(
        &mut self,
        id: DefectId,
        verdict: Verdict,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        self.find(id, verdict, false, (etag, request_id))
    }

    /// Puts another finding in place of the one that was given last, also where the defect came back since, as it
    /// then stays open; the note says what was wrong. Whoever counts findings counts the last.
    ///
    /// # Errors
    /// As [`Planner::record_finding`], of a danger where the defect stays closed; a defect that was never found or
    /// went into another, work done after it was seen again, an empty note.
    pub fn correct_finding(
        &mut self,
        id: DefectId,
        verdict: Verdict,
        etag: &str,
        request_id: &str,
    ) -> Result<(), Refusal> {
        self.find(id, verdict, true, (etag, request_id))
    }

    fn find(
        &mut self,
        id: DefectId,
        verdict: Verdict,
        corrects: bool,
        (etag, request_id): (&str, &str),
    ) -> Result<(), Refusal> {
        let Verdict {
            kind,
            note,
            work,
            repaired_at,
        } = verdict;
        let (mode, words) = (work.failure_mode.clone(), note.clone());
        let act = Act::FindingRecorded {
            id,
            kind,
            note,
            work,
            repaired_at,
            corrects,
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let kept = self.book.defect(id).ok_or(Refusal::UnknownDefect { id })?;
        check_etag(etag, &kept.etag())?;
        let (sign_at, again_at) = if corrects {
            if kept.last_finding().is_none() || kept.defect().status == DefectStatus::Merged {
                return Err(Refusal::NothingToCorrect { id });
            }
            said("finding.note", &words)?;
            kept.last_repairable()
        } else {
            if kept.defect().status != DefectStatus::FindingOwed {
                self.open(id)?;
            }
            (kept.repairable_from(), None)
        };
        if self.is_ahead(repaired_at) {
            return Err(Refusal::RepairAhead {
                repaired_at,
                now: self.now,
            });
        }
        if let Some(again_at) = again_at.filter(|again_at| repaired_at > *again_at) {
            return Err(Refusal::RepairAfterReturn {
                id,
                repaired_at,
                again_at,
            });
        }
        if repaired_at < sign_at {
            return Err(Refusal::RepairBeforeSign {
                id,
                repaired_at,
                sign_at,
            });
        }
        if !mode.is_empty() && !FAILURE_MODES.iter().any(|(code, _)| *code == mode) {
            let codes: Vec<&str> = FAILURE_MODES.iter().map(|(code, _)| *code).collect();
            return Err(Refusal::BadField {
                field: "finding.failure_mode",
                why: format!("is none of {}", codes.join(", ")),
            });
        }
        // One that came back stays open, whatever its last finding is said to be now.
        let stays_open = corrects && kept.is_open();
        if kind == FindingKind::NotLookedAt && !stays_open {
            self.check_nothing_stands(kept, |alert| alert.rule().facts.safety)?;
        }
        self.push(act);
        Ok(())
    }

    /// Closes a defect without a finding, which is owed from then on.
    ///
    /// # Errors
    /// Unknown or closed defects, one of which an alert stands that nothing mutes, no reason, a stale etag.
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
        let kept = self.open(id)?;
        check_etag(etag, &kept.etag())?;
        said("note", note)?;
        self.check_nothing_stands(kept, |_| true)?;
        self.push(act);
        Ok(())
    }

    /// Refuses to let what stands unmuted pass as done with; those that warn of danger are named first.
    fn check_nothing_stands(
        &self,
        kept: &KeptDefect,
        is_meant: impl Fn(&KeptAlert) -> bool,
    ) -> Result<(), Refusal> {
        let alerts = kept.defect().alerts.iter();
        let alerts = alerts.filter_map(|alert| self.book.alert(*alert));
        let stands = alerts.filter(|alert| alert.is_shown() && is_meant(alert));
        match stands.max_by_key(|alert| alert.rule().facts.safety) {
            None => Ok(()),
            Some(alert) if alert.rule().facts.safety => Err(Refusal::DangerStands {
                id: kept.id(),
                alert: alert.id(),
            }),
            Some(alert) => Err(Refusal::StillStands {
                id: kept.id(),
                alert: alert.id(),
            }),
        }
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
        let component = match component.trim() {
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
}
