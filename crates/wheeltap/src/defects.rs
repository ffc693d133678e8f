//! `wheeltap defects`: what the mechanical department carries.

mod people;

use crate::{
    Outcome, Stop,
    args::{ChangesArgs, DefectListArgs, DefectsCommand, ReportArgs, ShowArgs},
    output::{Out, counted, note},
    remote::{self, answer, connected, instant, now_ms, priority, short_instant, tail, word},
};
use futures::{StreamExt, TryStreamExt};
use serde::Serialize;
use wheeltap_proto::v1;

/// One defect as printed by `--json`.
#[derive(Serialize)]
struct Line {
    defect: u64,
    unit: String,
    system: String,
    component: String,
    title: String,
    priority: String,
    status: String,
    origin: String,
    /// Event time.
    first_sign_at: String,
    /// Server time.
    opened_at: String,
    due_at: String,
    alerts: Vec<u64>,
    basis_withdrawn: bool,
    action: String,
    awaits_answer: bool,
    taken_by: Option<String>,
    plan: Option<PlanLine>,
    /// Server time.
    begun_at: Option<String>,
    said: Option<String>,
    contacts: Vec<ContactLine>,
    /// What people reported, oldest first.
    reports: Vec<ReportLine>,
    finding: Option<FindingLine>,
    earlier_findings: Vec<FindingLine>,
    /// Why it was closed without one.
    closed_note: Option<String>,
    /// Server time.
    reopened_at: Option<String>,
    merged_into: Option<u64>,
    /// held, not_held or not_yet_tested; `show` alone says.
    after_repair: Option<String>,
    after_repair_at: Option<String>,
}

#[derive(Serialize)]
struct PlanLine {
    service_point: String,
    at: Option<String>,
    part: String,
    craft: String,
    note: String,
}

#[derive(Serialize)]
struct ContactLine {
    number: u32,
    told: String,
    alert: Option<u64>,
    answer: String,
    promise: String,
    promised_for: Option<String>,
    by: String,
    at: String,
    kept_by: Option<String>,
}

/// What somebody reported.
#[derive(Serialize)]
pub struct ReportLine {
    title: String,
    origin: String,
    priority: String,
    first_sign_at: String,
    by: String,
    at: String,
}

impl From<&v1::DefectReport> for ReportLine {
    fn from(report: &v1::DefectReport) -> Self {
        Self {
            title: report.title.clone(),
            origin: word(report.origin().as_str_name(), "DEFECT_ORIGIN_"),
            priority: priority(report.priority),
            first_sign_at: instant(report.first_sign_unix_ms),
            by: report.by.clone(),
            at: instant(report.at_unix_ms),
        }
    }
}

#[derive(Serialize)]
struct FindingLine {
    kind: String,
    note: String,
    cause: String,
    component: String,
    failure_mode: String,
    minutes: Option<u32>,
    parts: Vec<String>,
    by: String,
    repaired_at: String,
    recorded_at: String,
}

/// One change as printed by `defects changes`.
#[derive(Serialize)]
struct ChangeLine {
    number: u64,
    kind: String,
    /// Server time.
    at: String,
    defect: Line,
}

pub fn status(defect: &v1::Defect) -> String {
    word(defect.status().as_str_name(), "DEFECT_STATUS_")
}

fn origin(defect: &v1::Defect) -> String {
    word(defect.origin().as_str_name(), "DEFECT_ORIGIN_")
}

fn finding(finding: &v1::Finding) -> String {
    word(finding.kind().as_str_name(), "FINDING_KIND_")
}

impl From<&v1::Defect> for Line {
    fn from(defect: &v1::Defect) -> Self {
        Self {
            defect: tail(&defect.name).parse().unwrap_or(0),
            unit: tail(&defect.unit).to_owned(),
            system: defect.system.clone(),
            component: defect.component.clone(),
            title: defect.title.clone(),
            priority: priority(defect.priority),
            status: status(defect),
            origin: origin(defect),
            first_sign_at: instant(defect.first_sign_unix_ms),
            opened_at: instant(defect.opened_unix_ms),
            due_at: instant(defect.due_unix_ms),
            alerts: defect
                .alerts
                .iter()
                .filter_map(|name| tail(name).parse().ok())
                .collect(),
            basis_withdrawn: defect.basis_withdrawn,
            action: defect.action.clone(),
            awaits_answer: defect.awaits_answer,
            taken_by: text(&defect.taken_by),
            plan: defect.plan.as_ref().map(|plan| PlanLine {
                service_point: plan.service_point.clone(),
                at: plan.at_unix_ms.map(instant),
                part: plan.part.clone(),
                craft: plan.craft.clone(),
                note: plan.note.clone(),
            }),
            begun_at: defect.begun_unix_ms.map(instant),
            said: defect.said.as_ref().map(said),
            contacts: defect.contacts.iter().map(Into::into).collect(),
            reports: defect.reports.iter().map(Into::into).collect(),
            finding: defect.finding.as_ref().map(Into::into),
            earlier_findings: defect.earlier_findings.iter().map(Into::into).collect(),
            closed_note: text(&defect.closed_note),
            reopened_at: defect.reopened_unix_ms.map(instant),
            merged_into: tail(&defect.merged_into).parse().ok(),
            after_repair: match defect.after_repair() {
                v1::AfterRepair::Unspecified => None,
                held => Some(word(held.as_str_name(), "AFTER_REPAIR_")),
            },
            after_repair_at: defect.after_repair_unix_ms.map(instant),
        }
    }
}

impl From<&v1::Finding> for FindingLine {
    fn from(found: &v1::Finding) -> Self {
        Self {
            kind: finding(found),
            note: found.note.clone(),
            cause: found.cause.clone(),
            component: found.component.clone(),
            failure_mode: found.failure_mode.clone(),
            minutes: found.minutes,
            parts: found.parts.clone(),
            by: found.by.clone(),
            repaired_at: instant(found.repaired_unix_ms),
            recorded_at: instant(found.recorded_unix_ms),
        }
    }
}

impl From<&v1::Contact> for ContactLine {
    fn from(contact: &v1::Contact) -> Self {
        Self {
            number: contact.number,
            told: contact.told.clone(),
            alert: tail(&contact.alert).parse().ok(),
            answer: contact.answer.clone(),
            promise: contact.promise.clone(),
            promised_for: contact.promised_for_unix_ms.map(instant),
            by: contact.by.clone(),
            at: instant(contact.at_unix_ms),
            kept_by: text(&contact.kept_by),
        }
    }
}

fn text(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

/// `restrict: notch 6 at most`.
pub fn said(said: &v1::SaidDisposition) -> String {
    let what = word(said.disposition().as_str_name(), "DISPOSITION_").replace('_', " ");
    match said.how.as_str() {
        "" => what,
        how => format!("{what}: {how}"),
    }
}

pub fn run(list: &DefectListArgs, command: Option<&DefectsCommand>) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            None => print_list(list).await,
            Some(DefectsCommand::Show(args)) => show(args).await,
            Some(DefectsCommand::Report(args)) => report(args).await,
            Some(DefectsCommand::TakeOn(args)) => people::take_on(args).await,
            Some(DefectsCommand::Call(args)) => people::call(args).await,
            Some(DefectsCommand::Kept(args)) => people::kept(args).await,
            Some(DefectsCommand::Say(args)) => people::say(args).await,
            Some(DefectsCommand::Plan(args)) => people::plan(args).await,
            Some(DefectsCommand::Begin(args)) => people::begin(args).await,
            Some(DefectsCommand::Find(args)) => people::find(args).await,
            Some(DefectsCommand::Close(args)) => people::close(args).await,
            Some(DefectsCommand::Split(args)) => people::split(args).await,
            Some(DefectsCommand::Merge(args)) => people::merge(args).await,
            Some(DefectsCommand::Changes(args)) => changes(args).await,
        }
    })
}

async fn print_list(args: &DefectListArgs) -> Result<Outcome, Stop> {
    let filter = v1::DefectFilter {
        unit: args
            .unit
            .as_ref()
            .map_or(String::new(), |unit| format!("units/{unit}")),
        status: args
            .status
            .map_or(v1::DefectStatus::Unspecified, Into::into)
            .into(),
        least_priority: args
            .priority
            .map_or(v1::Priority::Unspecified, Into::into)
            .into(),
        component: args.component.clone().unwrap_or_default(),
        open: args.status.is_none() && !args.all,
    };
    let one = if filter.open { "open defect" } else { "defect" };
    let connection = connected(&args.ask.server).await?;
    let is_over = matches!(
        filter.status(),
        v1::DefectStatus::Closed | v1::DefectStatus::Void
    );
    let list = if is_over {
        connection.latest_defects(filter)
    } else {
        connection.list_defects(filter)
    };
    let (defects, more) = remote::first(list, args.limit).await?;
    let mut out = Out::new();
    if args.ask.json {
        for defect in &defects {
            out.json(&Line::from(defect))?;
        }
    } else if !defects.is_empty() {
        let head = [
            "no.",
            "due",
            "priority",
            "unit",
            "component",
            "title",
            "alerts",
            "status",
        ];
        out.table(&head, defects.iter().map(row).collect())?;
    }
    out.flush()?;
    if more {
        note(format!(
            "{} shown, the soonest due; there are more: see --limit",
            counted(defects.len(), one)
        ));
    } else if !args.ask.json {
        note(counted(defects.len(), one));
    }
    Ok(Outcome::Fine)
}

fn row(defect: &v1::Defect) -> Vec<String> {
    vec![
        tail(&defect.name).to_owned(),
        short_instant(defect.due_unix_ms),
        priority(defect.priority),
        tail(&defect.unit).to_owned(),
        defect.component.clone(),
        defect.title.clone(),
        defect.alerts.len().to_string(),
        match &defect.finding {
            Some(found) => finding(found).replace('_', " "),
            None => status(defect).replace('_', " "),
        },
    ]
}

async fn show(args: &ShowArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let request = v1::GetDefectRequest {
        name: format!("defects/{}", args.number),
    };
    let defect = answer(connection.defects().get_defect(request).await)?;
    let mut out = Out::new();
    if args.ask.json {
        out.json(&Line::from(&defect))?;
        out.flush()?;
        return Ok(Outcome::Fine);
    }
    let alerts: Vec<&str> = defect.alerts.iter().map(|name| tail(name)).collect();
    let mut lines = vec![
        ("defect", format!("{} {}", tail(&defect.name), defect.title)),
        ("unit", tail(&defect.unit).to_owned()),
        (
            "component",
            match defect.system.as_str() {
                "" => defect.component.clone(),
                system => format!("{} ({system})", defect.component),
            },
        ),
        ("priority", priority(defect.priority)),
        ("status", status(&defect).replace('_', " ")),
        ("opened by", origin(&defect).replace('_', " ")),
        ("first sign", instant(defect.first_sign_unix_ms)),
        ("opened", instant(defect.opened_unix_ms)),
        ("due", instant(defect.due_unix_ms)),
        ("alerts", alerts.join(", ")),
        ("action", defect.action.clone()),
    ];
    if defect.basis_withdrawn {
        lines.push((
            "basis",
            "late data took back every alert behind it".to_owned(),
        ));
    }
    lines.extend(people::facts(&defect));
    lines.retain(|(_, text)| !text.is_empty());
    out.facts(&lines)?;
    out.flush()?;
    Ok(Outcome::Fine)
}

fn is_open(defect: &v1::Defect) -> bool {
    use v1::DefectStatus::{InWork, Planned, Suspected};
    matches!(defect.status(), Suspected | Planned | InWork)
}

async fn report(args: &ReportArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    // What there was before tells one that is joined or opened again from a new one.
    let of_unit = v1::DefectFilter {
        unit: format!("units/{}", args.unit),
        ..Default::default()
    };
    let before: Vec<v1::Defect> = connection.list_defects(of_unit).try_collect().await?;
    let request = v1::ReportDefectRequest {
        defect: Some(v1::Defect {
            unit: format!("units/{}", args.unit),
            system: args.system.clone(),
            component: args.component.clone(),
            origin: v1::DefectOrigin::from(args.origin).into(),
            title: args.title.clone(),
            priority: v1::Priority::from(args.priority).into(),
            first_sign_unix_ms: args.first_sign.unwrap_or_else(now_ms),
            ..Default::default()
        }),
        ..Default::default()
    };
    let defect = answer(connection.defects().report_defect(request).await)?;
    let what = match before.iter().find(|known| known.name == defect.name) {
        None => "defect",
        Some(known) if is_open(known) => "joined the open defect",
        Some(_) => "it came back: opened again, defect",
    };
    let title = match what {
        "defect" => String::new(),
        _ => format!(", \"{}\"", defect.title),
    };
    note(format!(
        "{what} {} on {}{title}, due {}",
        tail(&defect.name),
        tail(&defect.unit),
        instant(defect.due_unix_ms)
    ));
    Ok(Outcome::Fine)
}

async fn changes(args: &ChangesArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let mut pages =
        connection.list_defect_changes(args.cursor.clone(), v1::DefectFilter::default());
    let mut out = Out::new();
    while let Some(page) = pages.next().await {
        let page = page?;
        for change in &page.changes {
            let kind = word(change.kind().as_str_name(), "KIND_");
            out.json(&ChangeLine {
                number: change.number,
                kind,
                at: instant(change.at_unix_ms),
                defect: Line::from(&change.defect.clone().unwrap_or_default()),
            })?;
        }
        out.json(&serde_json::json!({ "cursor": page.cursor }))?;
    }
    out.flush()?;
    Ok(Outcome::Fine)
}
