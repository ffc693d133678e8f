//! What people do: mutes, handovers, defects with their plans, calls and findings.

use super::{
    alert_name, defect_etag, defect_name, defect_origin_to_wire, defect_status_to_wire,
    disposition_to_wire, finding_kind_to_wire, handover_name, mute_kind_to_wire, mute_name,
    priority_to_wire, rule_name, unit_name,
};
use crate::v1;
use wheeltap_model::{
    Contact, Defect, DefectReport, EventTime, Finding, Handover, Mute, Plan, Said, ServerTime, Work,
};

impl From<&Mute> for v1::Mute {
    fn from(mute: &Mute) -> Self {
        let Mute {
            id,
            kind,
            scope,
            reason,
            by,
            begun_at,
            until,
            ended,
        } = mute;
        let part = scope.part.as_ref();
        Self {
            name: mute_name(*id),
            kind: mute_kind_to_wire(*kind).into(),
            unit: unit_name(&scope.unit),
            rule: scope.rule.as_ref().map(rule_name).unwrap_or_default(),
            part: part.map(ToString::to_string).unwrap_or_default(),
            reason: reason.clone(),
            by: by.clone(),
            begun_unix_ms: begun_at.unix_ms(),
            until_unix_ms: until.map(ServerTime::unix_ms),
            ended_unix_ms: ended.as_ref().map(|end| end.at.unix_ms()),
            lifted_by: ended
                .as_ref()
                .and_then(|end| end.lifted_by.clone())
                .unwrap_or_default(),
            lifted_note: ended
                .as_ref()
                .map(|end| end.note.clone())
                .unwrap_or_default(),
        }
    }
}

impl From<&Handover> for v1::Handover {
    fn from(handover: &Handover) -> Self {
        let Handover {
            id,
            from,
            to,
            note,
            at,
        } = handover;
        Self {
            name: handover_name(*id),
            from: from.clone(),
            to: to.clone(),
            note: note.clone(),
            at_unix_ms: at.unix_ms(),
        }
    }
}

impl From<&Plan> for v1::Plan {
    fn from(plan: &Plan) -> Self {
        let Plan {
            service_point,
            at,
            part,
            craft,
            note,
        } = plan;
        Self {
            service_point: service_point.clone(),
            at_unix_ms: at.map(EventTime::unix_ms),
            part: part.clone(),
            craft: craft.clone(),
            note: note.clone(),
        }
    }
}

/// A plan from the wire.
pub fn plan_from_wire(plan: v1::Plan) -> Plan {
    let v1::Plan {
        service_point,
        at_unix_ms,
        part,
        craft,
        note,
    } = plan;
    Plan {
        service_point,
        at: at_unix_ms.map(EventTime::from_unix_ms),
        part,
        craft,
        note,
    }
}

impl From<&Said> for v1::SaidDisposition {
    fn from(said: &Said) -> Self {
        let Said {
            disposition,
            how,
            by,
            at,
        } = said;
        Self {
            disposition: disposition_to_wire(*disposition).into(),
            how: how.clone(),
            by: by.clone(),
            at_unix_ms: at.unix_ms(),
        }
    }
}

impl From<&Contact> for v1::Contact {
    fn from(contact: &Contact) -> Self {
        let Contact {
            number,
            told,
            alert,
            answer,
            promise,
            promised_for,
            by,
            at,
            kept,
        } = contact;
        Self {
            number: *number,
            told: told.clone(),
            alert: alert.map(alert_name).unwrap_or_default(),
            answer: answer.clone(),
            promise: promise.clone(),
            promised_for_unix_ms: promised_for.map(ServerTime::unix_ms),
            by: by.clone(),
            at_unix_ms: at.unix_ms(),
            kept_by: kept.as_ref().map(|(by, _)| by.clone()).unwrap_or_default(),
            kept_unix_ms: kept.as_ref().map(|(_, at)| at.unix_ms()),
        }
    }
}

impl From<&DefectReport> for v1::DefectReport {
    fn from(report: &DefectReport) -> Self {
        let DefectReport {
            origin,
            title,
            priority,
            first_sign_at,
            by,
            at,
        } = report;
        Self {
            origin: defect_origin_to_wire(*origin).into(),
            title: title.clone(),
            priority: priority_to_wire(*priority).into(),
            first_sign_unix_ms: first_sign_at.unix_ms(),
            by: by.clone(),
            at_unix_ms: at.unix_ms(),
        }
    }
}

impl From<&Finding> for v1::Finding {
    fn from(finding: &Finding) -> Self {
        let Finding {
            kind,
            note,
            work,
            by,
            repaired_at,
            recorded_at,
        } = finding;
        let Work {
            cause,
            component,
            failure_mode,
            minutes,
            parts,
        } = work;
        Self {
            kind: finding_kind_to_wire(*kind).into(),
            note: note.clone(),
            repaired_unix_ms: repaired_at.unix_ms(),
            by: by.clone(),
            recorded_unix_ms: recorded_at.unix_ms(),
            cause: cause.clone(),
            component: component.clone(),
            failure_mode: failure_mode.clone(),
            minutes: *minutes,
            parts: parts.clone(),
        }
    }
}

impl From<&Defect> for v1::Defect {
    fn from(defect: &Defect) -> Self {
        let Defect {
            id,
            unit,
            system,
            component,
            origin,
            title,
            priority,
            status,
            first_sign_at,
            opened_at,
            due_at,
            alerts,
            basis_withdrawn,
            touched: _,
            action,
            taken,
            reopened_at,
            plan,
            begun,
            closed_without,
            said,
            contacts,
            reports,
            finding,
            earlier_findings,
            merged_into,
            revision: _,
        } = defect;
        Self {
            name: defect_name(*id),
            unit: unit_name(unit),
            system: system.clone(),
            component: component.clone(),
            origin: defect_origin_to_wire(*origin).into(),
            title: title.clone(),
            priority: priority_to_wire(*priority).into(),
            status: defect_status_to_wire(*status).into(),
            first_sign_unix_ms: first_sign_at.unix_ms(),
            opened_unix_ms: opened_at.unix_ms(),
            due_unix_ms: due_at.unix_ms(),
            alerts: alerts.iter().copied().map(alert_name).collect(),
            basis_withdrawn: *basis_withdrawn,
            action: action.clone(),
            finding: finding.as_ref().map(Into::into),
            etag: defect_etag(defect),
            plan: plan.as_ref().map(Into::into),
            begun_unix_ms: begun.as_ref().map(|(_, at)| at.unix_ms()),
            said: said.as_ref().map(Into::into),
            contacts: contacts.iter().map(Into::into).collect(),
            earlier_findings: earlier_findings.iter().map(Into::into).collect(),
            merged_into: merged_into.map(defect_name).unwrap_or_default(),
            taken_by: taken
                .as_ref()
                .map(|taken| taken.by.clone())
                .unwrap_or_default(),
            taken_unix_ms: taken.as_ref().map(|taken| taken.at.unix_ms()),
            taken_note: taken
                .as_ref()
                .map(|taken| taken.note.clone())
                .unwrap_or_default(),
            // It depends on the alerts; the service knows it.
            awaits_answer: false,
            closed_note: closed_without
                .as_ref()
                .map(|(_, _, note)| note.clone())
                .unwrap_or_default(),
            closed_unix_ms: closed_without.as_ref().map(|(_, at, _)| at.unix_ms()),
            reopened_unix_ms: reopened_at.map(ServerTime::unix_ms),
            // They depend on telemetry; GetDefect works them out.
            after_repair: v1::AfterRepair::Unspecified.into(),
            after_repair_unix_ms: None,
            reports: reports.iter().map(Into::into).collect(),
        }
    }
}
