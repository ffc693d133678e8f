//! `wheeltap defects`: what the mechanical department carries.

use crate::{
    Outcome, Stop,
    args::{ChangesArgs, DefectListArgs, DefectsCommand, FindArgs, ReportArgs, ShowArgs},
    output::{Out, counted, note},
    remote::{self, answer, connected, instant, now_ms, priority, short_instant, tail, word},
};
use futures::StreamExt;
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
    finding: Option<FindingLine>,
}

#[derive(Serialize)]
struct FindingLine {
    kind: String,
    note: String,
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

fn status(defect: &v1::Defect) -> String {
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
            finding: defect.finding.as_ref().map(|found| FindingLine {
                kind: finding(found),
                note: found.note.clone(),
                by: found.by.clone(),
                repaired_at: instant(found.repaired_unix_ms),
                recorded_at: instant(found.recorded_unix_ms),
            }),
        }
    }
}

pub fn run(list: &DefectListArgs, command: Option<&DefectsCommand>) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            None => print_list(list).await,
            Some(DefectsCommand::Show(args)) => show(args).await,
            Some(DefectsCommand::Report(args)) => report(args).await,
            Some(DefectsCommand::Find(args)) => find(args).await,
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
    };
    let connection = connected(&args.server).await?;
    let (defects, more) = remote::first(connection.list_defects(filter), args.limit).await?;
    let mut out = Out::new();
    if args.json {
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
            counted(defects.len(), "defect")
        ));
    } else if !args.json {
        note(counted(defects.len(), "defect"));
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
            None => status(defect),
        },
    ]
}

async fn show(args: &ShowArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::GetDefectRequest {
        name: format!("defects/{}", args.number),
    };
    let defect = answer(connection.defects().get_defect(request).await)?;
    let mut out = Out::new();
    if args.json {
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
        ("status", status(&defect)),
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
    if let Some(found) = &defect.finding {
        lines.push((
            "finding",
            format!(
                "{}, work done {}, recorded by {} {}",
                finding(found).replace('_', " "),
                instant(found.repaired_unix_ms),
                found.by,
                instant(found.recorded_unix_ms)
            ),
        ));
        lines.push(("note", found.note.clone()));
    }
    lines.retain(|(_, text)| !text.is_empty());
    out.facts(&lines)?;
    out.flush()?;
    Ok(Outcome::Fine)
}

async fn report(args: &ReportArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
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
    note(format!(
        "defect {} on {}, due {}",
        tail(&defect.name),
        tail(&defect.unit),
        instant(defect.due_unix_ms)
    ));
    Ok(Outcome::Fine)
}

async fn find(args: &FindArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::RecordFindingRequest {
        name: format!("defects/{}", args.number),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::from(args.finding).into(),
            note: args.note.clone(),
            repaired_unix_ms: args.repaired.unwrap_or_else(now_ms),
            ..Default::default()
        }),
        ..Default::default()
    };
    let defect = answer(connection.defects().record_finding(request).await)?;
    note(format!(
        "defect {} on {} is {}",
        tail(&defect.name),
        tail(&defect.unit),
        status(&defect)
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
