//! What people do about a defect.

use super::{finding, said, status};
use crate::{
    Outcome, Stop,
    args::{
        CallArgs, CloseArgs, FindArgs, KeptArgs, MergeArgs, NumberArgs, PlanArgs, SayArgs,
        SplitArgs, TakeOnArgs,
    },
    output::note,
    remote::{self, answer, connected, instant, now_ms, priority, tail, word},
};
use wheeltap_proto::{v1, words};

fn name(number: u64) -> String {
    format!("defects/{number}")
}

/// Says what became of a defect.
fn told(defect: &v1::Defect, what: &str) -> Outcome {
    note(format!(
        "defect {} on {} {what}",
        tail(&defect.name),
        tail(&defect.unit)
    ));
    Outcome::Fine
}

/// `1: Ada told the dispatcher at ...; promised: ... (owed)`.
fn call_line(contact: &v1::Contact) -> String {
    let mut line = format!(
        "{} told {} at {}",
        contact.by,
        contact.told,
        instant(contact.at_unix_ms)
    );
    if !contact.answer.is_empty() {
        line += "; answered: ";
        line += &contact.answer;
    }
    if !contact.promise.is_empty() || contact.promised_for_unix_ms.is_some() {
        let by = contact.promised_for_unix_ms.map(instant);
        let by = by.map_or_else(String::new, |by| format!(" by {by}"));
        let kept = if contact.kept_by.is_empty() {
            "owed"
        } else {
            "kept"
        };
        for part in ["; promised: ", &contact.promise, &by, " (", kept, ")"] {
            line += part;
        }
    }
    format!("{}: {line}", contact.number)
}

/// `2026-03-02T14:05:00Z by local: Sand on the rail (crew report, high, first seen 2026-03-02T13:50:00Z)`.
fn report_line(report: &v1::DefectReport) -> String {
    format!(
        "{} by {}: {} ({}, {}, first seen {})",
        instant(report.at_unix_ms),
        report.by,
        report.title,
        word(report.origin().as_str_name(), "DEFECT_ORIGIN_").replace('_', " "),
        priority(report.priority),
        instant(report.first_sign_unix_ms)
    )
}

/// What people said and did, as lines of `show`.
pub fn facts(defect: &v1::Defect) -> Vec<(&'static str, String)> {
    let reports = defect.reports.iter();
    let mut lines: Vec<_> = reports
        .map(|report| ("reported", report_line(report)))
        .collect();
    if let Some(at_ms) = defect.taken_unix_ms {
        let line = format!(
            "by {} at {} {}",
            defect.taken_by,
            instant(at_ms),
            defect.taken_note
        );
        lines.push(("taken on", line.trim_end().to_owned()));
    }
    if let Some(of) = &defect.said {
        let line = format!("{}, by {} at {}", said(of), of.by, instant(of.at_unix_ms));
        lines.push(("until then", line));
    }
    lines.extend(
        defect
            .contacts
            .iter()
            .map(|contact| ("call", call_line(contact))),
    );
    if let Some(plan) = &defect.plan {
        let at = plan.at_unix_ms.map(instant);
        let of = [
            Some(plan.service_point.clone()),
            at,
            Some(plan.craft.clone()),
            (!plan.part.is_empty()).then(|| format!("with {}", plan.part)),
            Some(plan.note.clone()),
        ];
        let of: Vec<String> = of
            .into_iter()
            .flatten()
            .filter(|text| !text.is_empty())
            .collect();
        lines.push(("planned", of.join(", ")));
    }
    if let Some(at_ms) = defect.begun_unix_ms {
        lines.push(("begun", instant(at_ms)));
    }
    if !defect.closed_note.is_empty() {
        lines.push(("no finding", defect.closed_note.clone()));
    }
    let earlier = defect
        .earlier_findings
        .iter()
        .map(|of| ("found before", of));
    let current = defect.finding.iter().map(|of| ("finding", of));
    for (word, found) in earlier.chain(current) {
        lines.push((
            word,
            format!(
                "{}, work done {}, recorded by {} {}",
                finding(found).replace('_', " "),
                instant(found.repaired_unix_ms),
                found.by,
                instant(found.recorded_unix_ms)
            ),
        ));
        lines.push(("note", found.note.clone()));
        lines.push(("cause", found.cause.clone()));
        lines.push(("was", found.component.clone()));
        lines.push(("mode", found.failure_mode.clone()));
        let minutes = found.minutes.map(|minutes| format!("{minutes} min"));
        lines.push(("work", minutes.unwrap_or_default()));
        lines.push(("parts", found.parts.join(", ")));
    }
    if let Some(at_ms) = defect.reopened_unix_ms {
        lines.push(("came back", instant(at_ms)));
    }
    let since = defect.after_repair_unix_ms.map(instant).unwrap_or_default();
    let after = words::after_repair(defect.after_repair(), &since);
    lines.push(("after repair", after));
    if !defect.merged_into.is_empty() {
        let into = tail(&defect.merged_into).to_owned();
        lines.push(("merged into", into));
    }
    lines
}

pub async fn take_on(args: &TakeOnArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::GetDefectRequest {
        name: name(args.of.number),
    };
    let before = answer(connection.defects().get_defect(request).await)?;
    if let Some(at_ms) = before.taken_unix_ms
        && !before.awaits_answer
    {
        let what = format!("defect {} on {}", args.of.number, tail(&before.unit));
        let taken = (before.taken_by.as_str(), at_ms);
        return Err(remote::already(&what, taken, &args.note));
    }
    let request = v1::TakeDefectOnRequest {
        name: name(args.of.number),
        note: args.note.clone(),
        ..Default::default()
    };
    let defect = answer(connection.defects().take_defect_on(request).await)?;
    // Nothing was written: each of its alerts was taken on by itself.
    if defect.etag == before.etag {
        let kept = if args.note.is_empty() {
            ""
        } else {
            "; the note was not kept"
        };
        return Err(Stop::Failed(anyhow::anyhow!(
            "every alert of defect {} is already taken on{kept}",
            args.of.number
        )));
    }
    Ok(told(
        &defect,
        &format!("is taken on by {}", defect.taken_by),
    ))
}

pub async fn call(args: &CallArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::LogContactRequest {
        name: name(args.of.number),
        contact: Some(v1::Contact {
            told: args.told.clone(),
            alert: args
                .alert
                .map_or_else(String::new, |alert| format!("alerts/{alert}")),
            answer: args.answer.clone(),
            promise: args.promise.clone(),
            promised_for_unix_ms: args.by,
            ..Default::default()
        }),
        ..Default::default()
    };
    let defect = answer(connection.defects().log_contact(request).await)?;
    let number = defect.contacts.last().map_or(0, |contact| contact.number);
    Ok(told(&defect, &format!("has call {number}")))
}

pub async fn kept(args: &KeptArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::KeepPromiseRequest {
        name: name(args.of.number),
        contact: args.call,
        ..Default::default()
    };
    let defect = answer(connection.defects().keep_promise(request).await)?;
    Ok(told(&defect, &format!("has call {} kept", args.call)))
}

pub async fn say(args: &SayArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::SayDispositionRequest {
        name: name(args.of.number),
        disposition: v1::Disposition::from(args.disposition).into(),
        how: args.how.clone(),
        ..Default::default()
    };
    let defect = answer(connection.defects().say_disposition(request).await)?;
    let what = defect.said.as_ref().map(said).unwrap_or_default();
    Ok(told(&defect, &format!("until then: {what}")))
}

pub async fn plan(args: &PlanArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let plan = args.at.as_ref().map(|service_point| v1::Plan {
        service_point: service_point.clone(),
        at_unix_ms: args.when,
        part: args.part.clone(),
        craft: args.craft.clone(),
        note: args.note.clone(),
    });
    let request = v1::PlanDefectRequest {
        name: name(args.of.number),
        plan,
        ..Default::default()
    };
    let defect = answer(connection.defects().plan_defect(request).await)?;
    let what = match &defect.plan {
        Some(plan) => format!("is planned at {}", plan.service_point),
        None => "has no plan any more".to_owned(),
    };
    Ok(told(&defect, &what))
}

pub async fn begin(args: &NumberArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::BeginWorkRequest {
        name: name(args.number),
        ..Default::default()
    };
    let defect = answer(connection.defects().begin_work(request).await)?;
    Ok(told(&defect, "is in work"))
}

pub async fn find(args: &FindArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::RecordFindingRequest {
        name: name(args.of.number),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::from(args.finding).into(),
            note: args.note.clone(),
            repaired_unix_ms: match args.repaired {
                Some(repaired) => repaired,
                // As it was.
                None if args.correct => 0,
                None => now_ms(),
            },
            cause: args.cause.clone(),
            component: args.component.clone(),
            failure_mode: args.failure_mode.clone(),
            minutes: args.minutes,
            parts: args.part.clone(),
            ..Default::default()
        }),
        corrects: args.correct,
        ..Default::default()
    };
    let defect = answer(connection.defects().record_finding(request).await)?;
    let what = if args.correct {
        "has another finding".to_owned()
    } else {
        format!("is {}", status(&defect))
    };
    Ok(told(&defect, &what))
}

pub async fn close(args: &CloseArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::CloseWithoutFindingRequest {
        name: name(args.of.number),
        note: args.note.clone(),
        ..Default::default()
    };
    let defect = answer(connection.defects().close_without_finding(request).await)?;
    Ok(told(&defect, "is closed; its finding is owed"))
}

pub async fn split(args: &SplitArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::SplitDefectRequest {
        name: name(args.of.number),
        alerts: args
            .alerts
            .iter()
            .map(|alert| format!("alerts/{alert}"))
            .collect(),
        component: args.component.clone(),
        note: args.note.clone(),
        ..Default::default()
    };
    let defect = answer(connection.defects().split_defect(request).await)?;
    Ok(told(
        &defect,
        &format!("is split off defect {}", args.of.number),
    ))
}

pub async fn merge(args: &MergeArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::MergeDefectRequest {
        name: name(args.of.number),
        into: name(args.into),
        note: args.note.clone(),
        ..Default::default()
    };
    let defect = answer(connection.defects().merge_defect(request).await)?;
    Ok(told(
        &defect,
        &format!("has all of defect {}", args.of.number),
    ))
}
