//! The columns of each table, in the words of `--json`.

use super::table::{Cell, Field, Kind};
use crate::alert_json::{Values, condition, inputs, rule_and_version};
use crate::defects::ReportLine;
use crate::remote::{priority, tail, word};
use wheeltap_proto::v1;

use Kind::{Flag, Instant, Number, Text, Whole};

pub const SAMPLE: &[Field] = &[
    ("unit", Text),
    ("channel", Text),
    ("time", Instant),
    ("value", Number),
    ("quality", Text),
];

pub const EVENT: &[Field] = &[
    ("unit", Text),
    ("channel", Text),
    ("time", Instant),
    ("field", Text),
    ("value", Number),
];

pub const ROLLUP: &[Field] = &[
    ("unit", Text),
    ("channel", Text),
    ("start", Instant),
    ("n", Whole),
    ("n_unusable", Whole),
    ("min", Number),
    ("mean", Number),
    ("max", Number),
    ("last", Number),
];

pub const ALERT: &[Field] = &[
    ("alert", Whole),
    ("condition", Text),
    ("rule", Text),
    ("version", Text),
    ("title", Text),
    ("priority", Text),
    ("unit", Text),
    ("part", Text),
    ("since", Instant),
    ("raised_at", Instant),
    ("ended_at", Instant),
    ("ended_because", Text),
    ("safety", Flag),
    ("trial", Flag),
    ("suppressed_by_design", Flag),
    ("announced_at", Instant),
    ("late_news", Flag),
    ("told_with", Whole),
    ("settled", Flag),
    ("withdrawn_because", Text),
    ("acknowledged_by", Text),
    ("acknowledged_at", Instant),
    ("acknowledged_note", Text),
    ("defect", Whole),
    ("revision", Whole),
    ("evidence", Text),
    ("end_evidence", Text),
];

/// What a rule saw, as one JSON object.
fn seen(evidence: Option<&v1::Evidence>) -> anyhow::Result<Cell> {
    Ok(match evidence {
        None => Cell::Empty,
        Some(_) => Cell::text(serde_json::to_string(&Values(inputs(evidence)))?),
    })
}

pub fn alert(alert: &v1::Alert) -> anyhow::Result<[Cell; 27]> {
    let (rule, version) = rule_and_version(&alert.rule);
    let since = alert
        .evidence
        .as_ref()
        .map_or(alert.raised_unix_ms, |seen| seen.since_unix_ms);
    let (by, at, note) = match &alert.acknowledgement {
        None => (Cell::Empty, Cell::Empty, Cell::Empty),
        Some(act) => (
            Cell::text(&act.by),
            Cell::Instant(act.at_unix_ms),
            Cell::text(&act.note),
        ),
    };
    Ok([
        Cell::numbered(&alert.name),
        Cell::text(condition(alert)),
        Cell::text(rule),
        Cell::text(version),
        Cell::text(&alert.title),
        Cell::text(priority(alert.priority)),
        Cell::text(tail(&alert.unit)),
        Cell::text(&alert.part),
        Cell::Instant(since),
        Cell::Instant(alert.raised_unix_ms),
        Cell::instant(alert.ended_unix_ms),
        Cell::text(&alert.ended_because),
        Cell::Flag(alert.safety),
        Cell::Flag(alert.trial),
        Cell::Flag(alert.suppressed_by_design),
        Cell::instant(alert.announced_unix_ms),
        Cell::Flag(alert.late_news),
        Cell::numbered(&alert.told_with),
        Cell::Flag(alert.settled),
        Cell::text(&alert.withdrawn_because),
        by,
        at,
        note,
        Cell::numbered(&alert.defect),
        Cell::Whole(alert.revision.into()),
        seen(alert.evidence.as_ref())?,
        seen(alert.end_evidence.as_ref())?,
    ])
}

pub const DEFECT: &[Field] = &[
    ("defect", Whole),
    ("unit", Text),
    ("system", Text),
    ("component", Text),
    ("title", Text),
    ("priority", Text),
    ("status", Text),
    ("origin", Text),
    ("first_sign_at", Instant),
    ("opened_at", Instant),
    ("due_at", Instant),
    ("alerts", Text),
    ("basis_withdrawn", Flag),
    ("action", Text),
    ("taken_by", Text),
    ("taken_at", Instant),
    ("said", Text),
    ("service_point", Text),
    ("planned_at", Instant),
    ("craft", Text),
    ("part", Text),
    ("plan_note", Text),
    ("begun_at", Instant),
    ("finding", Text),
    ("finding_note", Text),
    ("finding_cause", Text),
    ("finding_component", Text),
    ("failure_mode", Text),
    ("minutes", Whole),
    ("parts_fitted", Text),
    ("found_by", Text),
    ("repaired_at", Instant),
    ("recorded_at", Instant),
    ("n_earlier_findings", Whole),
    ("reopened_at", Instant),
    ("merged_into", Whole),
    ("closed_note", Text),
    ("origins", Text),
    ("n_reports", Whole),
    ("reports", Text),
];

/// Whoever saw it: what opened it, and who else reported it, each once.
fn origins(defect: &v1::Defect) -> String {
    let of_reports = defect.reports.iter().map(v1::DefectReport::origin);
    let mut origins: Vec<String> = Vec::new();
    for origin in std::iter::once(defect.origin()).chain(of_reports) {
        let origin = word(origin.as_str_name(), "DEFECT_ORIGIN_");
        if !origins.contains(&origin) {
            origins.push(origin);
        }
    }
    origins.join(" ")
}

pub fn defect(defect: &v1::Defect) -> anyhow::Result<[Cell; 40]> {
    let alerts: Vec<&str> = defect.alerts.iter().map(|name| tail(name)).collect();
    let reports: Vec<ReportLine> = defect.reports.iter().map(Into::into).collect();
    let said = defect.said.as_ref().map(v1::SaidDisposition::disposition);
    let plan = defect.plan.clone().unwrap_or_default();
    let [
        finding,
        note,
        cause,
        component,
        failure_mode,
        minutes,
        parts,
        by,
        repaired_at,
        recorded_at,
    ] = match &defect.finding {
        None => [const { Cell::Empty }; 10],
        Some(found) => [
            Cell::text(word(found.kind().as_str_name(), "FINDING_KIND_")),
            Cell::text(&found.note),
            Cell::text(&found.cause),
            Cell::text(&found.component),
            Cell::text(&found.failure_mode),
            found
                .minutes
                .map_or(Cell::Empty, |minutes| Cell::Whole(minutes.into())),
            Cell::text(found.parts.join("; ")),
            Cell::text(&found.by),
            Cell::Instant(found.repaired_unix_ms),
            Cell::Instant(found.recorded_unix_ms),
        ],
    };
    Ok([
        Cell::numbered(&defect.name),
        Cell::text(tail(&defect.unit)),
        Cell::text(&defect.system),
        Cell::text(&defect.component),
        Cell::text(&defect.title),
        Cell::text(priority(defect.priority)),
        Cell::text(word(defect.status().as_str_name(), "DEFECT_STATUS_")),
        Cell::text(word(defect.origin().as_str_name(), "DEFECT_ORIGIN_")),
        Cell::Instant(defect.first_sign_unix_ms),
        Cell::Instant(defect.opened_unix_ms),
        Cell::Instant(defect.due_unix_ms),
        Cell::text(alerts.join(" ")),
        Cell::Flag(defect.basis_withdrawn),
        Cell::text(&defect.action),
        Cell::text(&defect.taken_by),
        Cell::instant(defect.taken_unix_ms),
        said.map_or(Cell::Empty, |said| {
            Cell::text(word(said.as_str_name(), "DISPOSITION_"))
        }),
        Cell::text(plan.service_point),
        Cell::instant(plan.at_unix_ms),
        Cell::text(plan.craft),
        Cell::text(plan.part),
        Cell::text(plan.note),
        Cell::instant(defect.begun_unix_ms),
        finding,
        note,
        cause,
        component,
        failure_mode,
        minutes,
        parts,
        by,
        repaired_at,
        recorded_at,
        Cell::Whole(i64::try_from(defect.earlier_findings.len()).unwrap_or(i64::MAX)),
        Cell::instant(defect.reopened_unix_ms),
        Cell::numbered(&defect.merged_into),
        Cell::text(&defect.closed_note),
        Cell::text(origins(defect)),
        Cell::Whole(i64::try_from(reports.len()).unwrap_or(i64::MAX)),
        match reports.as_slice() {
            [] => Cell::Empty,
            reports => Cell::text(serde_json::to_string(reports)?),
        },
    ])
}

pub const PLANNED: &[Field] = &[
    ("defect", Whole),
    ("unit", Text),
    ("component", Text),
    ("title", Text),
    ("priority", Text),
    ("status", Text),
    ("due_at", Instant),
    ("service_point", Text),
    ("planned_at", Instant),
    ("craft", Text),
    ("part", Text),
    ("plan_note", Text),
    ("action", Text),
];

pub fn planned(defect: &v1::Defect) -> [Cell; 13] {
    let plan = defect.plan.clone().unwrap_or_default();
    [
        Cell::numbered(&defect.name),
        Cell::text(tail(&defect.unit)),
        Cell::text(&defect.component),
        Cell::text(&defect.title),
        Cell::text(priority(defect.priority)),
        Cell::text(word(defect.status().as_str_name(), "DEFECT_STATUS_")),
        Cell::Instant(defect.due_unix_ms),
        Cell::text(plan.service_point),
        Cell::instant(plan.at_unix_ms),
        Cell::text(plan.craft),
        Cell::text(plan.part),
        Cell::text(plan.note),
        Cell::text(&defect.action),
    ]
}
