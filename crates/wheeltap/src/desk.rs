//! `wheeltap desk`: load, mutes, handovers, who did what.

use crate::{
    Outcome, Stop,
    args::{
        ActsArgs, DeskArgs, DeskCommand, HandOverArgs, HandoversArgs, LiftArgs, MutesArgs,
        OutOfServiceArgs,
    },
    output::{Out, counted, duration, note},
    remote::{self, answer, connected, instant, priority, short_instant, tail, word},
};
use serde::Serialize;
use std::collections::HashMap;
use wheeltap_client::Connection;
use wheeltap_proto::{v1, words};

pub fn run(show: &DeskArgs, command: Option<&DeskCommand>) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            None => print_desk(show).await,
            Some(DeskCommand::Mutes(args)) => mutes(args).await,
            Some(DeskCommand::OutOfService(args)) => out_of_service(args).await,
            Some(DeskCommand::Lift(args)) => lift(args).await,
            Some(DeskCommand::HandOver(args)) => hand_over(args).await,
            Some(DeskCommand::Handovers(args)) => handovers(args).await,
            Some(DeskCommand::Acts(args)) => acts(args).await,
        }
    })
}

#[derive(Serialize)]
struct DeskLine {
    at: String,
    flood_since: Option<String>,
    told_in_ten_minutes: u32,
    told_in_an_hour: u32,
    told_in_a_day: u32,
    stale: Vec<u64>,
    repeating: Vec<RepeatingLine>,
    fleeting: Vec<u64>,
    first_out: Vec<FirstOutLine>,
    new_since: Option<String>,
    new: Vec<u64>,
    awaiting: Vec<u64>,
    new_quiet: Vec<u64>,
    in_hand: Vec<u64>,
    n_in_hand: u32,
    finding_owed: Vec<u64>,
    n_finding_owed: u32,
    owed: Vec<OwedLine>,
    mutes_ending: Vec<u64>,
    mutes_lasting: Vec<u64>,
    silent: Vec<SilentLine>,
}

#[derive(Serialize)]
struct RepeatingLine {
    rule: String,
    unit: String,
    part: String,
    times_in_an_hour: u32,
    chattering: bool,
}

#[derive(Serialize)]
struct FirstOutLine {
    unit: String,
    first: u64,
    others: Vec<u64>,
}

#[derive(Serialize)]
struct OwedLine {
    defect: u64,
    call: u32,
    due: Option<String>,
}

#[derive(Serialize)]
struct SilentLine {
    unit: String,
    last_heard_at: Option<String>,
    newest_event_at: Option<String>,
    open_priority: Option<String>,
}

fn number(name: &str) -> u64 {
    tail(name).parse().unwrap_or(0)
}

fn numbers(names: &[String]) -> Vec<u64> {
    names.iter().map(|name| number(name)).collect()
}

impl From<&v1::Desk> for DeskLine {
    fn from(desk: &v1::Desk) -> Self {
        Self {
            at: instant(desk.at_unix_ms),
            flood_since: desk.flood_since_unix_ms.map(instant),
            told_in_ten_minutes: desk.n_told_ten_minutes,
            told_in_an_hour: desk.n_told_hour,
            told_in_a_day: desk.n_told_day,
            stale: numbers(&desk.stale),
            repeating: desk
                .repeating
                .iter()
                .map(|of| RepeatingLine {
                    rule: tail(&of.rule).to_owned(),
                    unit: tail(&of.unit).to_owned(),
                    part: of.part.clone(),
                    times_in_an_hour: of.n,
                    chattering: of.chattering,
                })
                .collect(),
            fleeting: numbers(&desk.fleeting),
            first_out: desk
                .first_out
                .iter()
                .map(|group| FirstOutLine {
                    unit: tail(&group.unit).to_owned(),
                    first: number(&group.first),
                    others: numbers(&group.others),
                })
                .collect(),
            new_since: desk.since_unix_ms.map(instant),
            new: numbers(&desk.new_defects),
            awaiting: numbers(&desk.awaiting),
            new_quiet: numbers(&desk.new_quiet),
            in_hand: numbers(&desk.in_hand),
            n_in_hand: desk.n_in_hand,
            finding_owed: numbers(&desk.finding_owed),
            n_finding_owed: desk.n_finding_owed,
            owed: desk
                .owed
                .iter()
                .map(|owed| OwedLine {
                    defect: number(&owed.defect),
                    call: owed.contact,
                    due: owed.due_unix_ms.map(instant),
                })
                .collect(),
            mutes_ending: desk.ending.iter().map(|mute| number(&mute.name)).collect(),
            mutes_lasting: desk.lasting.iter().map(|mute| number(&mute.name)).collect(),
            silent: desk
                .silent
                .iter()
                .map(|unit| SilentLine {
                    unit: tail(&unit.unit).to_owned(),
                    last_heard_at: unit.last_heard_unix_ms.map(instant),
                    newest_event_at: unit.newest_event_unix_ms.map(instant),
                    open_priority: (unit.open_priority != 0).then(|| priority(unit.open_priority)),
                })
                .collect(),
        }
    }
}

async fn print_desk(args: &DeskArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let request = v1::GetDeskRequest {
        since_unix_ms: args.since,
    };
    let desk = answer(connection.desk().get_desk(request).await)?;
    let mut out = Out::new();
    if args.ask.json {
        out.json(&DeskLine::from(&desk))?;
        out.flush()?;
        return Ok(Outcome::Fine);
    }
    let mut facts = vec![(
        "told",
        format!(
            "{} in ten minutes, {} in an hour, {} in a day",
            desk.n_told_ten_minutes, desk.n_told_hour, desk.n_told_day
        ),
    )];
    if let Some(since) = desk.flood_since_unix_ms {
        facts.push(("flood", format!("since {}", short_instant(since))));
    }
    if let Some(handover) = &desk.last_handover {
        facts.push((
            "handover",
            format!(
                "{} to {}, {} {}",
                handover.from,
                handover.to,
                short_instant(handover.at_unix_ms),
                handover.note
            ),
        ));
    }
    let listed = |names: &[String]| {
        let numbers: Vec<&str> = names.iter().map(|name| tail(name)).collect();
        numbers.join(", ")
    };
    if !desk.stale.is_empty() {
        facts.push(("stale alerts", listed(&desk.stale)));
    }
    if !desk.fleeting.is_empty() {
        facts.push(("fleeting", listed(&desk.fleeting)));
    }
    for of in &desk.repeating {
        let word = if of.chattering {
            "chattering"
        } else {
            "comes and goes"
        };
        let line = format!(
            "{} on {}{}, {} times in an hour",
            tail(&of.rule),
            tail(&of.unit),
            if of.part.is_empty() {
                String::new()
            } else {
                format!(", {}", of.part)
            },
            of.n
        );
        facts.push((word, line));
    }
    for group in &desk.first_out {
        let line = format!(
            "{}: alert {}, then {}",
            tail(&group.unit),
            tail(&group.first),
            listed(&group.others)
        );
        facts.push(("first out", line));
    }
    out.facts(&facts)?;
    hand_over_lists(&mut out, &connection, &desk).await?;
    out.flush()?;
    Ok(Outcome::Fine)
}

/// The lists that a shift hands over.
async fn hand_over_lists(
    out: &mut Out,
    connection: &Connection,
    desk: &v1::Desk,
) -> Result<(), Stop> {
    let open = v1::DefectFilter {
        open: true,
        ..v1::DefectFilter::default()
    };
    let (open, _) = remote::first(connection.list_defects(open), usize::MAX).await?;
    let owed = v1::DefectFilter {
        status: v1::DefectStatus::FindingOwed.into(),
        ..v1::DefectFilter::default()
    };
    let (owed, _) = remote::first(connection.list_defects(owed), usize::MAX).await?;
    let mut defects: Defects = open
        .into_iter()
        .chain(owed)
        .map(|defect| (defect.name.clone(), defect))
        .collect();
    for name in words::owed_beyond(desk, |name| defects.contains_key(name)) {
        let request = v1::GetDefectRequest { name };
        let closed = answer(connection.defects().get_defect(request).await)?;
        defects.insert(closed.name.clone(), closed);
    }
    print_defects(out, desk, &defects)?;
    print_findings_owed(out, desk, &defects)?;
    print_owed(out, desk, &defects)?;
    let mutes = desk.ending.iter().chain(&desk.lasting);
    let mutes: Vec<Vec<String>> = mutes.map(mute_row).collect();
    if !mutes.is_empty() {
        out.line("")?;
        out.table(&MUTE_HEAD, mutes)?;
    }
    print_silent(out, desk)?;
    inbound(out, connection).await
}

type Defects = HashMap<String, v1::Defect>;

/// What waits, what is new, and what is in hand from before.
fn print_defects(out: &mut Out, desk: &v1::Desk, defects: &Defects) -> Result<(), Stop> {
    let row = |name: &String| {
        let defect = defects.get(name)?;
        Some(vec![
            tail(name).to_owned(),
            short_instant(defect.due_unix_ms),
            priority(defect.priority),
            tail(&defect.unit).to_owned(),
            defect.title.clone(),
        ])
    };
    let new = words::new_and_taken_on(desk);
    for (title, names) in [
        ("waits for an answer", &desk.awaiting),
        ("new, taken on", &new),
        ("new, muted or for the shop", &desk.new_quiet),
    ] {
        let rows: Vec<Vec<String>> = names.iter().filter_map(row).collect();
        if !rows.is_empty() {
            out.line("")?;
            out.table(&["no.", "due", "priority", "unit", title], rows)?;
        }
    }
    let in_hand = desk.in_hand.iter().filter_map(|name| {
        let defect = defects.get(name)?;
        let mut cells = row(name)?;
        cells.push(crate::defects::status(defect).replace('_', " "));
        let holds = defect.said.as_ref().map(crate::defects::said);
        cells.push(holds.unwrap_or_else(|| "-".to_owned()));
        Some(cells)
    });
    let in_hand: Vec<Vec<String>> = in_hand.collect();
    if !in_hand.is_empty() {
        let title = "taken on in earlier shifts";
        out.line("")?;
        out.table(
            &[
                "no.",
                "due",
                "priority",
                "unit",
                title,
                "status",
                "what holds",
            ],
            in_hand,
        )?;
        let more = words::more_in_hand(desk);
        if !more.is_empty() {
            out.line(&more)?;
        }
    }
    Ok(())
}

/// What was closed without a finding.
fn print_findings_owed(out: &mut Out, desk: &v1::Desk, defects: &Defects) -> Result<(), Stop> {
    let owed = desk.finding_owed.iter().filter_map(|name| {
        let defect = defects.get(name)?;
        Some(vec![
            tail(name).to_owned(),
            defect
                .closed_unix_ms
                .map_or_else(|| "-".to_owned(), short_instant),
            tail(&defect.unit).to_owned(),
            defect.title.clone(),
            defect.closed_note.clone(),
        ])
    });
    let owed: Vec<Vec<String>> = owed.collect();
    if !owed.is_empty() {
        out.line("")?;
        out.table(&["no.", "closed", "unit", "finding owed", "why"], owed)?;
        let more = words::more_owed(desk);
        if !more.is_empty() {
            out.line(&more)?;
        }
    }
    Ok(())
}

/// The calls that are owed, of closed defects too.
fn print_owed(out: &mut Out, desk: &v1::Desk, defects: &Defects) -> Result<(), Stop> {
    let owed = desk.owed.iter().filter_map(|owed| {
        let defect = defects.get(&owed.defect)?;
        let call = defect
            .contacts
            .iter()
            .find(|contact| contact.number == owed.contact);
        Some(vec![
            tail(&owed.defect).to_owned(),
            owed.due_unix_ms
                .map_or_else(|| "-".to_owned(), short_instant),
            tail(&defect.unit).to_owned(),
            match call {
                Some(call) => format!("{}: {}", call.told, call.promise),
                None => "nobody was called yet".to_owned(),
            },
        ])
    });
    let owed: Vec<Vec<String>> = owed.collect();
    if !owed.is_empty() {
        out.line("")?;
        out.table(&["no.", "due", "unit", "call owed"], owed)?;
    }
    Ok(())
}

fn print_silent(out: &mut Out, desk: &v1::Desk) -> Result<(), Stop> {
    let silent = desk.silent.iter().map(|unit| {
        let heard = unit.last_heard_unix_ms.or(unit.newest_event_unix_ms);
        vec![
            tail(&unit.unit).to_owned(),
            heard.map_or_else(
                || "never heard".to_owned(),
                |at| duration(desk.at_unix_ms - at),
            ),
            if unit.open_priority == 0 {
                "-".to_owned()
            } else {
                priority(unit.open_priority)
            },
        ]
    });
    let silent: Vec<Vec<String>> = silent.collect();
    if !silent.is_empty() {
        out.line("")?;
        out.table(&["silent unit", "for", "open priority"], silent)?;
    }
    Ok(())
}

/// Who comes in within 12 h.
async fn inbound(out: &mut Out, connection: &Connection) -> Result<(), Stop> {
    let listed = v1::ListArrivalsRequest {
        page_size: 1_000,
        ..v1::ListArrivalsRequest::default()
    };
    let listed = answer(connection.turnaround().list_arrivals(listed).await)?;
    // A fleet whose newest data is older than the clock has its own now.
    let now = listed.as_of_unix_ms;
    let soon = now..=now.saturating_add(12 * 3_600_000);
    let arriving = listed
        .arrivals
        .iter()
        .filter(|arrival| arrival.cancelled.is_none() && soon.contains(&arrival.arrives_unix_ms));
    let rows = arriving.map(|arrival| {
        vec![
            short_instant(arrival.arrives_unix_ms),
            tail(&arrival.unit).to_owned(),
            tail(&arrival.point).to_owned(),
        ]
    });
    let rows: Vec<Vec<String>> = rows.collect();
    if !rows.is_empty() {
        out.line("")?;
        out.table(&["inbound", "unit", "where"], rows)?;
    }
    Ok(())
}

const MUTE_HEAD: [&str; 8] = [
    "mute", "until", "unit", "rule", "part", "by", "reason", "kind",
];

fn mute_row(mute: &v1::Mute) -> Vec<String> {
    let or_all = |text: &str| if text.is_empty() { "all" } else { text }.to_owned();
    let until = match (mute.ended_unix_ms, mute.until_unix_ms) {
        (Some(ended), _) => format!("ended {}", short_instant(ended)),
        (None, Some(until)) => short_instant(until),
        (None, None) => "until lifted".to_owned(),
    };
    vec![
        tail(&mute.name).to_owned(),
        until,
        tail(&mute.unit).to_owned(),
        or_all(tail(&mute.rule)),
        or_all(&mute.part),
        mute.by.clone(),
        mute.reason.clone(),
        word(mute.kind().as_str_name(), "MUTE_KIND_").replace('_', " "),
    ]
}

#[derive(Serialize)]
struct MuteLine {
    mute: u64,
    kind: String,
    unit: String,
    rule: Option<String>,
    part: Option<String>,
    reason: String,
    by: String,
    begun_at: String,
    until: Option<String>,
    ended_at: Option<String>,
    lifted_by: Option<String>,
}

fn text(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

impl From<&v1::Mute> for MuteLine {
    fn from(mute: &v1::Mute) -> Self {
        Self {
            mute: number(&mute.name),
            kind: word(mute.kind().as_str_name(), "MUTE_KIND_"),
            unit: tail(&mute.unit).to_owned(),
            rule: text(tail(&mute.rule)),
            part: text(&mute.part),
            reason: mute.reason.clone(),
            by: mute.by.clone(),
            begun_at: instant(mute.begun_unix_ms),
            until: mute.until_unix_ms.map(instant),
            ended_at: mute.ended_unix_ms.map(instant),
            lifted_by: text(&mute.lifted_by),
        }
    }
}

async fn mutes(args: &MutesArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let (mutes, _) = remote::first(connection.list_mutes(args.ended), usize::MAX).await?;
    let mut out = Out::new();
    if args.ask.json {
        for mute in &mutes {
            out.json(&MuteLine::from(mute))?;
        }
    } else if !mutes.is_empty() {
        out.table(&MUTE_HEAD, mutes.iter().map(mute_row).collect())?;
    }
    out.flush()?;
    if !args.ask.json {
        note(counted(mutes.len(), "mute"));
    }
    Ok(Outcome::Fine)
}

async fn out_of_service(args: &OutOfServiceArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::TakeOutOfServiceRequest {
        unit: format!("units/{}", args.unit),
        rule: args
            .rule
            .as_ref()
            .map_or_else(String::new, |rule| format!("rules/{rule}")),
        part: args.part.clone(),
        until_unix_ms: args.until,
        reason: args.reason.clone(),
        ..Default::default()
    };
    let mute = answer(connection.desk().take_out_of_service(request).await)?;
    note(format!(
        "{} is out of service, as mute {}",
        tail(&mute.unit),
        tail(&mute.name)
    ));
    Ok(Outcome::Fine)
}

async fn lift(args: &LiftArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.of.server).await?;
    let request = v1::LiftMuteRequest {
        name: format!("mutes/{}", args.of.number),
        note: args.note.clone(),
        ..Default::default()
    };
    let mute = answer(connection.desk().lift_mute(request).await)?;
    note(format!(
        "mute {} on {} has ended",
        tail(&mute.name),
        tail(&mute.unit)
    ));
    Ok(Outcome::Fine)
}

async fn hand_over(args: &HandOverArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::HandOverRequest {
        from: args.from.clone(),
        to: args.to.clone(),
        note: args.note.clone(),
        ..Default::default()
    };
    let handover = answer(connection.desk().hand_over(request).await)?;
    note(format!(
        "the desk went from {} to {} at {}",
        handover.from,
        handover.to,
        instant(handover.at_unix_ms)
    ));
    Ok(Outcome::Fine)
}

#[derive(Serialize)]
struct HandoverLine<'a> {
    handover: u64,
    at: String,
    from: &'a str,
    to: &'a str,
    note: &'a str,
}

async fn handovers(args: &HandoversArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let (handovers, _) = remote::first(connection.list_handovers(), args.limit).await?;
    let mut out = Out::new();
    if args.ask.json {
        for handover in &handovers {
            out.json(&HandoverLine {
                handover: number(&handover.name),
                at: instant(handover.at_unix_ms),
                from: &handover.from,
                to: &handover.to,
                note: &handover.note,
            })?;
        }
    } else if !handovers.is_empty() {
        let rows = handovers.iter().map(|handover| {
            vec![
                tail(&handover.name).to_owned(),
                short_instant(handover.at_unix_ms),
                handover.from.clone(),
                handover.to.clone(),
                handover.note.clone(),
            ]
        });
        out.table(&["no.", "at", "from", "to", "note"], rows.collect())?;
    }
    out.flush()?;
    Ok(Outcome::Fine)
}

#[derive(Serialize)]
struct ActLine<'a> {
    number: u64,
    at: String,
    by: &'a str,
    what: &'a str,
    why: &'a str,
    unit: Option<String>,
    alert: Option<u64>,
    defect: Option<u64>,
    rule: Option<String>,
}

async fn acts(args: &ActsArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let about = [
        args.unit.as_ref().map(|unit| format!("units/{unit}")),
        args.alert.map(|alert| format!("alerts/{alert}")),
        args.defect.map(|defect| format!("defects/{defect}")),
        args.rule.as_ref().map(|rule| format!("rules/{rule}")),
    ];
    let request = v1::ListActsRequest {
        show_telemetry: args.telemetry,
        by: args.by.clone(),
        about: about.into_iter().flatten().next().unwrap_or_default(),
        ..Default::default()
    };
    let (acts, more) = remote::first(connection.list_acts(request), args.limit).await?;
    let mut out = Out::new();
    if args.ask.json {
        for act in &acts {
            out.json(&ActLine {
                number: act.number,
                at: instant(act.at_unix_ms),
                by: &act.by,
                what: &act.what,
                why: &act.why,
                unit: text(tail(&act.unit)),
                alert: tail(&act.alert).parse().ok(),
                defect: tail(&act.defect).parse().ok(),
                rule: text(tail(&act.rule)),
            })?;
        }
    } else if !acts.is_empty() {
        let rows = acts.iter().map(|act| {
            vec![
                short_instant(act.at_unix_ms),
                act.by.clone(),
                act.what.clone(),
                tail(&act.unit).to_owned(),
                act.why.clone(),
            ]
        });
        out.table(&["at", "by", "did", "unit", "why"], rows.collect())?;
    }
    out.flush()?;
    if more {
        note(format!(
            "{} shown, the newest; see --limit",
            counted(acts.len(), "act")
        ));
    }
    Ok(Outcome::Fine)
}
