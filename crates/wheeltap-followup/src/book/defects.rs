//! Acts on defects.

use super::{Applied, Book};
use crate::{Act, DefectChangeKind, KeptAlert, KeptDefect, component};
use std::sync::Arc;
use wheeltap_model::{
    AlertChange, AlertId, Contact, Defect, DefectId, DefectOrigin, DefectReport, Finding, Said,
    ServerTime,
};

impl Book {
    #[expect(
        clippy::too_many_lines,
        reason = "one short arm an act reads best in one place"
    )]
    pub(super) fn take_defect(&mut self, at: ServerTime, by: &str, act: &Act) -> Applied {
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
                request_id: _,
            } => {
                if id.0 != self.next_defect().0 {
                    return Err(format!("defect {} is not the next", id.0));
                }
                let is_reported = *origin != DefectOrigin::Alert;
                let report = is_reported.then(|| DefectReport {
                    origin: *origin,
                    title: title.clone(),
                    priority: *priority,
                    first_sign_at: *first_sign_at,
                    by: by.to_owned(),
                    at,
                });
                let defect = Defect {
                    reports: report.into_iter().collect(),
                    system: system.clone(),
                    component: component.clone(),
                    title: title.clone(),
                    priority: *priority,
                    first_sign_at: *first_sign_at,
                    due_at: at.plus_ms(*respond_within_ms),
                    action: action.clone(),
                    ..Defect::opened(*id, unit.clone(), *origin, at)
                };
                self.keep_new_defect(KeptDefect::new(defect, *respond_within_ms));
                Ok(vec![self.defect_notice(at, *id, DefectChangeKind::Opened)])
            }
            Act::DefectReported {
                id,
                title,
                origin,
                priority,
                first_sign_at,
                respond_within_ms,
                request_id: _,
            } => {
                let report = DefectReport {
                    origin: *origin,
                    title: title.clone(),
                    priority: *priority,
                    first_sign_at: *first_sign_at,
                    by: by.to_owned(),
                    at,
                };
                self.on_defect(at, *id, |defect| defect.report(report, *respond_within_ms))
            }
            Act::FindingRecorded {
                id,
                kind,
                note,
                work,
                repaired_at,
                corrects,
                request_id: _,
            } => {
                let finding = Finding {
                    kind: *kind,
                    note: note.clone(),
                    work: work.clone(),
                    by: by.to_owned(),
                    repaired_at: *repaired_at,
                    recorded_at: at,
                };
                self.on_defect(at, *id, |defect| defect.find(finding, *corrects))
            }
            Act::DefectReopened { id, seen_at } => {
                self.on_defect(at, *id, |defect| defect.reopen(at, *seen_at))
            }
            Act::DefectTakenOn {
                id,
                note,
                request_id: _,
            } => {
                let awaiting = self.awaiting(*id);
                self.change_defect(*id, |defect| {
                    defect.take_on(by.to_owned(), at, note.clone());
                })?;
                let mut notices = Vec::new();
                for alert in awaiting {
                    let answer = |kept: &mut KeptAlert| {
                        kept.acknowledge(by.to_owned(), at, note.clone());
                    };
                    self.change_alert(alert, answer)?;
                    notices.push(self.alert_notice(at, alert, AlertChange::Acknowledged));
                }
                let kind = self.derive_defect(*id)?;
                notices.push(self.defect_notice(at, *id, kind));
                Ok(notices)
            }
            Act::DefectPlanned {
                id,
                plan,
                request_id: _,
            } => self.on_defect(at, *id, |defect| {
                defect.plan(plan.clone());
            }),
            Act::WorkBegun { id, request_id: _ } => self.on_defect(at, *id, |defect| {
                defect.begin(by.to_owned(), at);
            }),
            Act::ClosedWithoutFinding {
                id,
                note,
                request_id: _,
            } => self.on_defect(at, *id, |defect| {
                defect.close_without(by.to_owned(), at, note.clone());
            }),
            Act::DispositionSaid {
                id,
                disposition,
                how,
                request_id: _,
            } => {
                let said = Said {
                    disposition: *disposition,
                    how: how.clone(),
                    by: by.to_owned(),
                    at,
                };
                self.on_defect(at, *id, |defect| defect.say(said))
            }
            Act::ContactLogged {
                id,
                alert,
                told,
                answer,
                promise,
                promised_for,
                request_id: _,
            } => {
                let known = self
                    .defect(*id)
                    .map_or(0, |kept| kept.defect().contacts.len());
                let contact = Contact {
                    number: u32::try_from(known).unwrap_or(u32::MAX).saturating_add(1),
                    told: told.clone(),
                    alert: *alert,
                    answer: answer.clone(),
                    promise: promise.clone(),
                    promised_for: *promised_for,
                    by: by.to_owned(),
                    at,
                    kept: None,
                };
                self.on_defect(at, *id, |defect| defect.contact(contact))
            }
            Act::PromiseKept {
                id,
                contact,
                request_id: _,
            } => {
                let mut known = false;
                let notices = self.on_defect(at, *id, |defect| {
                    known = defect.keep_promise(*contact, by.to_owned(), at);
                })?;
                if !known {
                    return Err(format!("defect {} has no contact {contact}", id.0));
                }
                Ok(notices)
            }
            Act::DefectSplit { .. } | Act::DefectMerged { .. } => self.take_regrouping(at, act),
            other => Err(format!("{other:?} is no act on a defect")),
        }
    }

    fn take_regrouping(&mut self, at: ServerTime, act: &Act) -> Applied {
        match act {
            Act::DefectSplit {
                id,
                new,
                alerts,
                component,
                title,
                note: _,
                request_id: _,
            } => {
                if new.0 != self.next_defect().0 {
                    return Err(format!("defect {} is not the next", new.0));
                }
                let from = self
                    .defect(*id)
                    .ok_or_else(|| format!("there is no defect {}", id.0))?;
                let from = from.defect();
                let defect = Defect {
                    system: from.system.clone(),
                    component: component.clone(),
                    title: title.clone(),
                    priority: from.priority,
                    first_sign_at: from.first_sign_at,
                    due_at: from.due_at,
                    alerts: alerts.clone(),
                    touched: true,
                    action: from.action.clone(),
                    revision: 0,
                    ..Defect::opened(*new, from.unit.clone(), DefectOrigin::Alert, at)
                };
                self.keep_new_defect(KeptDefect::new(defect, 0));
                let mut notices = Vec::new();
                for alert in alerts {
                    self.change_defect(*id, |defect| defect.leave(*alert))?;
                    self.change_alert(*alert, |kept| kept.defect = *new)?;
                    notices.push(self.alert_notice(at, *alert, AlertChange::Revised));
                }
                let kind = self.derive_defect(*id)?;
                notices.push(self.defect_notice(at, *id, kind));
                self.derive_defect(*new)?;
                notices.push(self.defect_notice(at, *new, DefectChangeKind::Opened));
                Ok(notices)
            }
            Act::DefectMerged {
                id,
                into,
                note: _,
                request_id: _,
            } => {
                let from = self
                    .defect(*id)
                    .map(Arc::clone)
                    .ok_or_else(|| format!("there is no defect {}", id.0))?;
                let mut notices = Vec::new();
                for alert in &from.defect().alerts {
                    self.change_alert(*alert, |kept| kept.defect = *into)?;
                    self.join_defect(*into, *alert)?;
                    notices.push(self.alert_notice(at, *alert, AlertChange::Revised));
                }
                self.change_defect(*id, |defect| defect.merge_into(*into))?;
                self.change_defect(*into, |defect| defect.take_over(&from))?;
                for defect in [*id, *into] {
                    let kind = self.derive_defect(defect)?;
                    notices.push(self.defect_notice(at, defect, kind));
                }
                Ok(notices)
            }
            other => Err(format!("{other:?} regroups nothing")),
        }
    }

    fn keep_new_defect(&mut self, kept: KeptDefect) {
        let defect = kept.defect();
        self.by_due.insert((defect.due_at, defect.id));
        let components = self.by_component.entry(defect.unit.clone()).or_default();
        let component = component::key(&defect.component);
        components.entry(component).or_default().push(defect.id);
        self.defects.push(Arc::new(kept));
    }

    fn on_defect(
        &mut self,
        at: ServerTime,
        id: DefectId,
        change: impl FnOnce(&mut KeptDefect),
    ) -> Applied {
        self.change_defect(id, change)?;
        let kind = self.derive_defect(id)?;
        Ok(vec![self.defect_notice(at, id, kind)])
    }

    /// A defect's alerts that nobody has taken on; none of one that is closed.
    pub(crate) fn awaiting(&self, id: DefectId) -> Vec<AlertId> {
        let alerts = self.defect(id).map(|kept| &kept.defect().alerts);
        alerts
            .into_iter()
            .flatten()
            .filter_map(|alert| self.alert(*alert))
            .filter(|alert| self.alert_awaits_answer(alert))
            .map(|alert| alert.id())
            .collect()
    }
}
