//! `wheeltap alerts`: what rang, and taking it on.

use crate::{
    Outcome, Stop,
    alert_json::{Served, condition, inputs, rule_and_version, told},
    args::{
        AcknowledgeArgs, AlertFilterArgs, AlertListArgs, AlertsCommand, GiveBackArgs,
        PastAlertArgs, ShelveArgs, ShowArgs,
    },
    output::{Out, counted, duration, note},
    remote::{self, answer, connected, instant, priority, short_instant, tail, word},
};
use wheeltap_proto::v1;

pub fn run(list: &AlertListArgs, command: Option<&AlertsCommand>) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            None => print_list(list).await,
            Some(AlertsCommand::Show(args)) => show(args).await,
            Some(AlertsCommand::Acknowledge(args)) => acknowledge(args).await,
            Some(AlertsCommand::GiveBack(args)) => give_back(args).await,
            Some(AlertsCommand::Shelve(args)) => shelve(args).await,
        }
    })
}

/// The filter that the options ask for.
pub fn filter(args: &AlertFilterArgs) -> v1::AlertFilter {
    let named = |kind: &str, name: &Option<String>| {
        name.as_ref()
            .map_or(String::new(), |name| format!("{kind}/{name}"))
    };
    v1::AlertFilter {
        unit: named("units", &args.unit),
        rule: named("rules", &args.rule),
        condition: args
            .condition
            .map_or(v1::Condition::Unspecified, Into::into)
            .into(),
        least_priority: args
            .priority
            .map_or(v1::Priority::Unspecified, Into::into)
            .into(),
        show_trial: args.trial,
        ..Default::default()
    }
}

/// The filter that the options ask for, over a span.
pub fn of_the_past(args: &PastAlertArgs) -> v1::AlertFilter {
    let mut filter = filter(&args.filter);
    filter.raised_from_unix_ms = args.since;
    filter.raised_to_unix_ms = args.until;
    filter.show_withdrawn = args.withdrawn || filter.condition() == v1::Condition::Withdrawn;
    filter
}

async fn print_list(args: &AlertListArgs) -> Result<Outcome, Stop> {
    let mut filter = of_the_past(&args.past);
    filter.awaits_answer = args.awaiting;
    let connection = connected(&args.ask.server).await?;
    let (alerts, more) = remote::first(connection.list_alerts(filter), args.limit).await?;
    let mut out = Out::new();
    if args.ask.json {
        for alert in &alerts {
            out.json(&Served::from(alert))?;
        }
    } else if !alerts.is_empty() {
        let head = [
            "no.", "raised", "ended", "priority", "unit", "title", "evidence", "answer",
        ];
        out.table(&head, alerts.iter().map(row).collect())?;
    }
    out.flush()?;
    if more {
        note(format!(
            "{} shown, the newest; there are more: see --limit",
            counted(alerts.len(), "alert")
        ));
    } else if !args.ask.json {
        note(counted(alerts.len(), "alert"));
    }
    Ok(Outcome::Fine)
}

/// The unit, and the part where there is one.
pub fn whose(alert: &v1::Alert) -> String {
    match alert.part.as_str() {
        "" => tail(&alert.unit).to_owned(),
        part => format!("{}, {part}", tail(&alert.unit)),
    }
}

/// How long it stood, or that it stands.
pub fn ended(alert: &v1::Alert) -> String {
    match (alert.condition(), alert.ended_unix_ms) {
        (v1::Condition::Withdrawn, _) => "withdrawn".to_owned(),
        (_, Some(ended_ms)) => format!("after {}", duration(ended_ms - alert.raised_unix_ms)),
        (_, None) => "stands".to_owned(),
    }
}

fn is_muted(alert: &v1::Alert) -> bool {
    use v1::AlertState::{OutOfService, Shelved, SuppressedByDesign};
    matches!(alert.state(), Shelved | SuppressedByDesign | OutOfService)
}

fn state(alert: &v1::Alert) -> String {
    word(alert.state().as_str_name(), "ALERT_STATE_").replace('_', " ")
}

fn row(alert: &v1::Alert) -> Vec<String> {
    let answered = match &alert.acknowledgement {
        _ if is_muted(alert) => state(alert),
        Some(act) => act.by.clone(),
        None if !alert.told_with.is_empty() => format!("told with {}", tail(&alert.told_with)),
        // Its defect is closed, or it is for the shop or the engineer alone.
        None if !alert.awaits_answer => "not asked".to_owned(),
        None => "-".to_owned(),
    };
    vec![
        tail(&alert.name).to_owned(),
        short_instant(alert.raised_unix_ms),
        ended(alert),
        priority(alert.priority),
        whose(alert),
        if alert.trial {
            format!("{} (on trial)", alert.title)
        } else {
            alert.title.clone()
        },
        told(&inputs(alert.evidence.as_ref())),
        answered,
    ]
}

async fn show(args: &ShowArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let request = v1::GetAlertRequest {
        name: format!("alerts/{}", args.number),
    };
    let alert = answer(connection.alerts().get_alert(request).await)?;
    let mut out = Out::new();
    if args.ask.json {
        out.json(&Served::from(&alert))?;
        out.flush()?;
        return Ok(Outcome::Fine);
    }
    let (rule, version) = rule_and_version(&alert.rule);
    let rule_request = v1::GetRuleRequest {
        name: alert.rule.clone(),
    };
    let rule_says = answer(connection.rules().get_rule(rule_request).await)?;
    let mut lines = vec![
        ("alert", format!("{} {}", tail(&alert.name), alert.title)),
        ("unit", whose(&alert)),
        ("priority", priority(alert.priority)),
        ("rule", format!("{rule} (version {version})")),
        ("raised", instant(alert.raised_unix_ms)),
    ];
    if let Some(evidence) = &alert.evidence {
        lines.push(("since", instant(evidence.since_unix_ms)));
    }
    lines.push(match alert.ended_unix_ms {
        Some(ended_ms) => ("ended", format!("{}, {}", instant(ended_ms), ended(&alert))),
        None => ("condition", condition(&alert)),
    });
    if !alert.withdrawn_because.is_empty() {
        lines.push(("withdrawn", alert.withdrawn_because.replace('_', " ")));
    }
    if alert.late_news {
        lines.push((
            "late news",
            "it had ended before it was learned of".to_owned(),
        ));
    }
    if !alert.told_with.is_empty() {
        let with = tail(&alert.told_with);
        lines.push(("told with", format!("alert {with}, of the same train")));
    }
    if let Some(announced_ms) = alert.announced_unix_ms {
        lines.push(("announced", instant(announced_ms)));
    }
    lines.push(("state", state(&alert)));
    if !alert.mute.is_empty() {
        lines.push(("mute", tail(&alert.mute).to_owned()));
    }
    if let Some(again_ms) = alert.told_again_unix_ms {
        lines.push(("told again", instant(again_ms)));
    }
    if !alert.defect.is_empty() {
        lines.push(("defect", tail(&alert.defect).to_owned()));
    }
    lines.push(match &alert.acknowledgement {
        Some(act) => (
            "answered",
            format!("by {} at {} {}", act.by, instant(act.at_unix_ms), act.note),
        ),
        None => ("answered", "by nobody".to_owned()),
    });
    lines.extend([
        ("cause", rule_says.cause),
        ("consequence", rule_says.consequence),
        ("action", rule_says.action),
        ("within", duration(rule_says.respond_within_ms)),
    ]);
    out.facts(&lines)?;
    let evidence_rows = |evidence: Option<&v1::Evidence>| -> Vec<Vec<String>> {
        inputs(evidence)
            .iter()
            .map(|item| vec![told(std::slice::from_ref(item)), item.of.clone()])
            .collect()
    };
    out.line("")?;
    out.table(
        &["seen when raised", "of"],
        evidence_rows(alert.evidence.as_ref()),
    )?;
    if alert.end_evidence.is_some() {
        out.line("")?;
        out.table(
            &["seen when ended", "of"],
            evidence_rows(alert.end_evidence.as_ref()),
        )?;
    }
    out.flush()?;
    Ok(Outcome::Fine)
}

async fn acknowledge(args: &AcknowledgeArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let name = format!("alerts/{}", args.of.number);
    let request = v1::GetAlertRequest { name: name.clone() };
    let before = answer(connection.alerts().get_alert(request).await)?;
    if let Some(act) = &before.acknowledgement {
        let what = format!("alert {} on {}", args.of.number, tail(&before.unit));
        let taken = (act.by.as_str(), act.at_unix_ms);
        return Err(remote::already(&what, taken, &args.note));
    }
    let request = v1::AcknowledgeAlertRequest {
        name,
        note: args.note.clone(),
        ..Default::default()
    };
    let alert = answer(connection.alerts().acknowledge_alert(request).await)?;
    let by = alert.acknowledgement.map(|act| act.by).unwrap_or_default();
    note(format!(
        "alert {} on {} is taken on by {by}",
        tail(&alert.name),
        tail(&alert.unit)
    ));
    Ok(Outcome::Fine)
}

async fn give_back(args: &GiveBackArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::GiveBackAlertRequest {
        name: format!("alerts/{}", args.of.number),
        note: args.note.clone(),
        ..Default::default()
    };
    let alert = answer(connection.alerts().give_back_alert(request).await)?;
    let becomes = if alert.awaits_answer {
        "waits for somebody else"
    } else {
        "is nobody's, and nobody is asked to take it on"
    };
    note(format!(
        "alert {} on {} {becomes}",
        tail(&alert.name),
        tail(&alert.unit)
    ));
    Ok(Outcome::Fine)
}

async fn shelve(args: &ShelveArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::ShelveAlertRequest {
        alert: format!("alerts/{}", args.of.number),
        until_unix_ms: args.until,
        reason: args.reason.clone(),
        ..Default::default()
    };
    let mute = answer(connection.desk().shelve_alert(request).await)?;
    note(format!(
        "{} on {} is shelved until {}, as mute {}",
        tail(&mute.rule),
        tail(&mute.unit),
        mute.until_unix_ms.map(instant).unwrap_or_default(),
        tail(&mute.name)
    ));
    Ok(Outcome::Fine)
}
