//! The board: what needs an answer, ordered by when the answer is due.

mod parts;

use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::Json;
use axum::extract::Query;
use axum::response::{Html, IntoResponse, Response};
use futures::TryStreamExt;
use parts::Due;
pub use parts::{Board, Sight};
use serde::Deserialize;
use std::collections::HashMap;
use std::time::{SystemTime, UNIX_EPOCH};
use wheeltap_client::CallError;
use wheeltap_proto::v1;

/// Rows shown at once: more than one person answers in an hour. What is due later is counted, and listed with all
/// defects.
pub const MOST_ROWS: usize = 100;
const HOUR_MS: i64 = 3_600_000;

/// What an act said, shown once above the board.
#[derive(Default, Deserialize)]
pub struct Told {
    #[serde(default)]
    said: String,
    #[serde(default)]
    defect: u64,
}

/// One open defect that waits for somebody to take it on.
#[derive(Hash, Template)]
#[template(path = "board_row.html")]
pub struct Row {
    pub number: u64,
    pub due: Due,
    pub unit: String,
    pub unit_path: String,
    pub component: String,
    pub title: String,
    pub priority: String,
    pub action: String,
    /// What else there is to know before one answers.
    pub remarks: Vec<String>,
    pub alerts: Vec<AlertLine>,
    /// The alert whose rule can be shelved; none for what is never muted.
    pub shelvable: Option<String>,
}

/// One alert of a defect.
#[derive(Hash)]
pub struct AlertLine {
    pub number: String,
    pub said: String,
    pub evidence: String,
}

/// One open defect that waits for nobody at the desk.
#[derive(Hash, Template)]
#[template(path = "board_line.html")]
pub struct Line {
    pub number: u64,
    pub due: Due,
    pub unit: String,
    pub unit_path: String,
    pub title: String,
    /// Muted, so that the due time says nothing.
    pub is_muted: bool,
    /// By whom it was taken on, or muted.
    pub by: String,
    /// What was said, promised or planned; of what is muted, until when.
    pub next: String,
}

/// All that the board shows.
pub struct Rows {
    /// Those that wait, with the stretch of time in which they are due; see [`STRETCHES`].
    waiting: [Vec<Row>; STRETCHES.len()],
    taken: Vec<Line>,
    muted: Vec<Line>,
    /// Waiting ones that are due later than those shown.
    n_more: usize,
    n_waiting: usize,
    /// Open ones that ring nobody.
    n_shop: usize,
    /// Open ones whose alerts were taken back.
    n_baseless: usize,
    /// Closed ones whose finding is owed.
    n_finding_owed: u32,
    /// How loaded the desk is, where it is more than usual.
    load: String,
    as_of: String,
}

/// Stretches of time in which answers are due: id in the page, heading, and where it ends in time left.
const STRETCHES: [(&str, &str, i64); 4] = [
    ("over", "Over", 0),
    ("within-1h", "Within the hour", HOUR_MS),
    ("within-12h", "Within 12 h", 12 * HOUR_MS),
    ("later", "Later", i64::MAX),
];

#[derive(Template)]
#[template(path = "board.html")]
struct Page {
    /// How many wait, which the page's title says too.
    waiting: String,
    /// In HTML.
    board: String,
    said: String,
}

/// `GET /`.
pub async fn page(pages: Pages, Query(told): Query<Told>) -> Response {
    let said = match told.said.as_str() {
        "taken" => format!("Defect {} is yours.", told.defect),
        "others" => match crate::defect::answered(&pages, told.defect).await {
            Ok((defect, by)) => crate::defect::taken_already(&defect, by.as_deref()),
            Err(error) => return refused(&error),
        },
        "shelved" => "It is shelved, and comes back by itself.".to_owned(),
        _ => String::new(),
    };
    let page = async {
        let board = pages.live.board(read(&pages)).await?;
        let page = Page {
            waiting: board.waiting().to_owned(),
            board: board.render()?,
            said,
        };
        Ok(page.render()?)
    };
    page.await
        .map_or_else(NoBoard::into_response, |page| Html(page).into_response())
}

/// Why there is no board.
enum NoBoard {
    Refused(CallError),
    Page(askama::Error),
}

impl From<CallError> for NoBoard {
    fn from(error: CallError) -> Self {
        Self::Refused(error)
    }
}

impl From<askama::Error> for NoBoard {
    fn from(error: askama::Error) -> Self {
        Self::Page(error)
    }
}

impl IntoResponse for NoBoard {
    fn into_response(self) -> Response {
        match self {
            Self::Refused(error) => refused(&error),
            Self::Page(error) => shown(Err(error)),
        }
    }
}

/// What a browser already shows.
#[derive(Deserialize)]
pub struct Shown {
    /// The rendering; 0 for none.
    #[serde(default)]
    since: u64,
}

/// `GET /board`: what changed since a rendering, for the script.
pub async fn changes(pages: Pages, Query(shown): Query<Shown>) -> Response {
    match pages.live.board(read(&pages)).await {
        Ok(board) => Json(board.since(shown.since)).into_response(),
        Err(error) => NoBoard::into_response(error),
    }
}

pub fn now_ms() -> i64 {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

/// What is known of all open defects.
#[derive(Default)]
struct Known {
    /// Soonest due first.
    defects: Vec<v1::Defect>,
    /// Of those shown, by defect, oldest first.
    alerts: HashMap<String, Vec<v1::Alert>>,
    mutes: HashMap<String, v1::Mute>,
    desk: v1::Desk,
}

async fn read(pages: &Pages) -> Result<Rows, NoBoard> {
    let connection = &pages.connection;
    let open = v1::DefectFilter {
        open: true,
        ..v1::DefectFilter::default()
    };
    let desk = v1::GetDeskRequest::default();
    let mut known = Known {
        defects: connection.list_defects(open).try_collect().await?,
        desk: connection
            .desk()
            .get_desk(desk)
            .await
            .map_err(CallError::from)?
            .into_inner(),
        ..Known::default()
    };
    let awaiting = known.defects.iter().filter(|defect| defect.awaits_answer);
    let others = known.defects.iter().filter(|defect| !defect.awaits_answer);
    let wanted = awaiting.take(MOST_ROWS).chain(others.take(MOST_ROWS));
    let of_them = v1::AlertFilter {
        defects: wanted.map(|defect| defect.name.clone()).collect(),
        ..v1::AlertFilter::default()
    };
    if !of_them.defects.is_empty() {
        let mut listed = connection.list_alerts(of_them);
        while let Some(alert) = listed.try_next().await? {
            let of = known.alerts.entry(alert.defect.clone()).or_default();
            of.insert(0, alert);
        }
    }
    let mut mutes = connection.list_mutes(false);
    while let Some(mute) = mutes.try_next().await? {
        known.mutes.insert(mute.name.clone(), mute);
    }
    Ok(sorted(&known, now_ms()))
}

fn sorted(known: &Known, now_ms: i64) -> Rows {
    let mut waiting = STRETCHES.map(|_| Vec::new());
    let (mut taken, mut muted) = (Vec::new(), Vec::new());
    let (mut n_waiting, mut n_shown, mut n_shop, mut n_baseless) = (0, 0, 0, 0);
    for defect in &known.defects {
        let left_ms = defect.due_unix_ms.saturating_sub(now_ms);
        let alerts = known
            .alerts
            .get(&defect.name)
            .map_or(&[][..], Vec::as_slice);
        if defect.awaits_answer {
            n_waiting += 1;
            if n_shown < MOST_ROWS {
                n_shown += 1;
                let of = STRETCHES.partition_point(|(_, _, end)| *end <= left_ms);
                waiting[of.min(STRETCHES.len() - 1)].push(row(defect, alerts, known, left_ms));
            }
        } else if let Some(by) = answered_by(defect, alerts) {
            if taken.len() < MOST_ROWS {
                taken.push(line(defect, by, next_step(defect), left_ms, false));
            }
        } else if let Some(mute) = alerts.iter().find_map(|alert| known.mutes.get(&alert.mute)) {
            if muted.len() < MOST_ROWS {
                let by = format!("{}: {}", mute.by, mute.reason);
                muted.push(line(defect, by, mute_end(mute), left_ms, true));
            }
        } else if defect.basis_withdrawn {
            n_baseless += 1;
        } else {
            n_shop += 1;
        }
    }
    Rows {
        waiting,
        taken,
        muted,
        n_more: n_waiting - n_shown,
        n_waiting,
        n_shop,
        n_baseless,
        n_finding_owed: known.desk.n_finding_owed,
        load: load(&known.desk),
        as_of: told::instant(now_ms.div_euclid(1_000) * 1_000),
    }
}

/// Said only when there is something to do about it: a flood of ISA-18.2, or alerts that stand for days.
fn load(desk: &v1::Desk) -> String {
    let mut said = String::new();
    if let Some(since) = desk.flood_since_unix_ms {
        said = format!(
            "More alerts than one person can answer since {}: {} in ten minutes, {} in an hour. Shortest time first.",
            told::minute(since),
            desk.n_told_ten_minutes,
            desk.n_told_hour
        );
    }
    said
}

/// Until when: `2026-03-02 14:05`.
pub fn mute_end(mute: &v1::Mute) -> String {
    mute.until_unix_ms
        .map_or_else(|| "somebody lifts it".to_owned(), told::minute)
}

fn row(defect: &v1::Defect, alerts: &[v1::Alert], known: &Known, left_ms: i64) -> Row {
    let priority = told::word(defect.priority().as_str_name(), "PRIORITY_");
    let unit = told::tail(&defect.unit).to_owned();
    let lines = alerts.iter().map(|alert| AlertLine {
        number: told::tail(&alert.name).to_owned(),
        said: condition(alert),
        evidence: told::evidence(alert.evidence.as_ref()),
    });
    let newest = alerts.iter().rev().find(|alert| alert.awaits_answer);
    Row {
        number: number(defect),
        due: Due::of(defect, left_ms),
        unit_path: told::segment(&unit),
        unit,
        component: defect.component.clone(),
        title: defect.title.clone(),
        priority,
        action: defect.action.clone(),
        remarks: remarks(defect, alerts, &known.desk),
        alerts: lines.collect(),
        shelvable: newest
            .filter(|alert| !alert.safety)
            .map(|alert| told::tail(&alert.name).to_owned()),
    }
}

pub fn number(defect: &v1::Defect) -> u64 {
    told::tail(&defect.name).parse().unwrap_or_default()
}

/// `in 2 h 5 min`, `3 min over`.
pub fn left(left_ms: i64) -> String {
    // Seconds say nothing where minutes are left.
    let left_ms = if left_ms.abs() < 120_000 {
        left_ms
    } else {
        left_ms / 60_000 * 60_000
    };
    if left_ms < 0 {
        format!("{} over", told::span(-left_ms))
    } else {
        format!("in {}", told::span(left_ms))
    }
}

fn remarks(defect: &v1::Defect, alerts: &[v1::Alert], desk: &v1::Desk) -> Vec<String> {
    let mut remarks = Vec::new();
    let own = |name: &String| alerts.iter().any(|alert| alert.name == *name);
    if let Some(at) = defect.reopened_unix_ms {
        let after = match defect.earlier_findings.last().map(v1::Finding::kind) {
            None => "it was closed without a finding",
            Some(v1::FindingKind::NoFaultFound) => "no fault was found",
            Some(v1::FindingKind::CouldNotTest | v1::FindingKind::NotLookedAt) => {
                "it was closed without being looked at or tested"
            }
            Some(_) => "its repair",
        };
        remarks.push(format!("came back after {after}, {}", told::minute(at)));
    }
    for group in &desk.first_out {
        let others: Vec<&str> = group.others.iter().map(|name| told::tail(name)).collect();
        if own(&group.first) {
            remarks.push(format!(
                "was first on this unit; alert {} followed",
                others.join(", ")
            ));
        } else if group.others.iter().any(own) {
            let first = told::tail(&group.first);
            remarks.push(format!("followed alert {first} on this unit"));
        }
    }
    for of in desk.repeating.iter().filter(|of| own(&of.alert)) {
        let word = if of.chattering {
            "chatters"
        } else {
            "comes and goes"
        };
        remarks.push(format!("{word}, {} times in an hour", of.n));
    }
    if desk.stale.iter().any(own) {
        remarks.push("has stood for over a day".to_owned());
    }
    let silent = desk.silent.iter().find(|unit| unit.unit == defect.unit);
    if let Some(silent) = silent {
        let since = silent.last_heard_unix_ms.or(silent.newest_event_unix_ms);
        remarks.push(since.map_or_else(
            || "the unit was never heard".to_owned(),
            |since| format!("the unit is silent since {}", told::minute(since)),
        ));
    }
    if defect.basis_withdrawn {
        remarks.push("its alerts were taken back".to_owned());
    }
    remarks
}

fn line(defect: &v1::Defect, by: String, next: String, left_ms: i64, is_muted: bool) -> Line {
    let unit = told::tail(&defect.unit).to_owned();
    Line {
        number: number(defect),
        due: Due::of(defect, left_ms),
        unit_path: told::segment(&unit),
        unit,
        title: defect.title.clone(),
        is_muted,
        by,
        next,
    }
}

/// Who took it on, when, and what they wrote: the newest answer counts.
pub fn answered_by(defect: &v1::Defect, alerts: &[v1::Alert]) -> Option<String> {
    let newest = alerts
        .iter()
        .filter_map(|alert| alert.acknowledgement.as_ref())
        .map(|answer| (answer.at_unix_ms, answer.by.as_str(), answer.note.as_str()));
    let whole = defect.taken_unix_ms.map(|at| {
        let (by, note) = (defect.taken_by.as_str(), defect.taken_note.as_str());
        (at, by, note)
    });
    let (at, by, note) = newest.chain(whole).max()?;
    let note = match note {
        "" => String::new(),
        note => format!(": {note}"),
    };
    Some(format!("{by}, {}{note}", told::minute(at)))
}

/// What was said, promised or planned last.
pub fn next_step(defect: &v1::Defect) -> String {
    let mut steps = Vec::new();
    if let Some(said) = &defect.said {
        steps.push(disposition(said));
    }
    for contact in defect.contacts.iter().filter(|contact| is_owed(contact)) {
        let by = contact.promised_for_unix_ms.map(told::minute);
        let by = by.map_or_else(String::new, |by| format!(" by {by}"));
        steps.push(format!("{} owes: {}{by}", contact.told, contact.promise));
    }
    match (defect.status(), &defect.plan) {
        (v1::DefectStatus::InWork, _) => steps.push("in work".to_owned()),
        (_, Some(plan)) => steps.push(plan_words(plan)),
        _ => {}
    }
    steps.join("; ")
}

/// `planned at Stenmoor, 2026-03-02 14:05`.
pub fn plan_words(plan: &v1::Plan) -> String {
    let at = plan.at_unix_ms.map(told::minute);
    let at = at.map_or_else(String::new, |at| format!(", {at}"));
    format!("planned at {}{at}", plan.service_point)
}

/// `restrict: notch 6 at most`.
pub fn disposition(said: &v1::SaidDisposition) -> String {
    let what = told::word(said.disposition().as_str_name(), "DISPOSITION_");
    match said.how.as_str() {
        "" => what,
        how => format!("{what}: {how}"),
    }
}

/// Whether something was promised that nobody has seen kept.
pub fn is_owed(contact: &v1::Contact) -> bool {
    (!contact.promise.is_empty() || contact.promised_for_unix_ms.is_some())
        && contact.kept_by.is_empty()
}

/// `since 2026-03-02 04:25, stands`.
pub fn condition(alert: &v1::Alert) -> String {
    let since = alert
        .evidence
        .as_ref()
        .map_or(alert.raised_unix_ms, |seen| seen.since_unix_ms);
    let part = match alert.part.as_str() {
        "" => String::new(),
        part => format!("{part}, "),
    };
    let since = told::minute(since);
    let part = match alert.told_with.as_str() {
        "" => part,
        with => {
            let unit = told::tail(&alert.unit);
            format!("{unit} (told with alert {}), {part}", told::tail(with))
        }
    };
    match alert.condition() {
        v1::Condition::Withdrawn => format!("{part}taken back by later data"),
        v1::Condition::Ended => {
            let ended = alert.ended_unix_ms.unwrap_or_default();
            format!("{part}since {since}, ended {}", told::minute(ended))
        }
        _ => format!("{part}since {since}, stands"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn defect(number: u64, due_unix_ms: i64, awaits_answer: bool) -> v1::Defect {
        v1::Defect {
            name: format!("defects/{number}"),
            unit: "units/ZVR 1".to_owned(),
            due_unix_ms,
            awaits_answer,
            ..v1::Defect::default()
        }
    }

    fn alert(number: u64, acknowledged: bool) -> v1::Alert {
        v1::Alert {
            name: format!("alerts/{number}"),
            unit: "units/ZVR 1".to_owned(),
            condition: v1::Condition::Standing.into(),
            acknowledgement: acknowledged.then(|| v1::alert::Acknowledgement {
                by: "desk 1".to_owned(),
                at_unix_ms: 60_000,
                note: "crew told".to_owned(),
            }),
            awaits_answer: !acknowledged,
            ..v1::Alert::default()
        }
    }

    #[test]
    fn rows_are_grouped_by_when_the_answer_is_due() {
        let now = 1_000 * HOUR_MS;
        let shelved = v1::Alert {
            mute: "mutes/1".to_owned(),
            awaits_answer: false,
            ..alert(9, false)
        };
        let mute = v1::Mute {
            name: "mutes/1".to_owned(),
            by: "desk 2".to_owned(),
            reason: "gauge".to_owned(),
            until_unix_ms: Some(60_000),
            ..v1::Mute::default()
        };
        let known = Known {
            defects: vec![
                defect(1, now - 1, true),
                defect(2, now, true),
                defect(3, now + HOUR_MS, true),
                defect(4, now + 12 * HOUR_MS, true),
                defect(5, now + 1, false),
                defect(6, now + 1, false),
                defect(7, now + 1, false),
            ],
            alerts: HashMap::from([
                (
                    "defects/1".to_owned(),
                    vec![alert(1, true), alert(2, false)],
                ),
                ("defects/5".to_owned(), vec![alert(3, true), alert(4, true)]),
                ("defects/6".to_owned(), vec![shelved]),
            ]),
            mutes: HashMap::from([("mutes/1".to_owned(), mute)]),
            desk: v1::Desk {
                first_out: vec![v1::desk::FirstOut {
                    unit: "units/ZVR 1".to_owned(),
                    first: "alerts/2".to_owned(),
                    others: vec!["alerts/3".to_owned()],
                }],
                ..v1::Desk::default()
            },
        };
        let rows = sorted(&known, now);
        let numbers = rows
            .waiting
            .each_ref()
            .map(|rows| rows.iter().map(|row| row.number).collect::<Vec<_>>());
        assert_eq!(numbers, [[1], [2], [3], [4]]);
        let first = &rows.waiting[0][0];
        assert_eq!(first.due.left(), "0 s over");
        assert_eq!(first.remarks, ["was first on this unit; alert 3 followed"]);
        assert_eq!(first.shelvable.as_deref(), Some("2"));
        let (taken, muted) = (&rows.taken[0], &rows.muted[0]);
        assert_eq!(
            (taken.number, taken.by.as_str()),
            (5, "desk 1, 1970-01-01 00:01: crew told")
        );
        assert_eq!((muted.number, muted.by.as_str()), (6, "desk 2: gauge"));
        assert_eq!(muted.next, "1970-01-01 00:01");
        assert_eq!((rows.n_waiting, rows.n_more, rows.n_shop), (4, 0, 1));
    }

    #[test]
    fn what_has_no_alert_any_more_is_no_item_for_the_shop() {
        let baseless = v1::Defect {
            basis_withdrawn: true,
            ..defect(1, 0, false)
        };
        let known = Known {
            defects: vec![baseless, defect(2, 0, false)],
            ..Known::default()
        };
        let rows = sorted(&known, 0);
        assert_eq!((rows.n_baseless, rows.n_shop), (1, 1));
    }

    #[test]
    fn what_is_due_later_than_the_rows_shown_is_counted() {
        let n_defects = u64::try_from(MOST_ROWS).unwrap() + 7;
        let known = Known {
            defects: (1..=n_defects)
                .map(|number| defect(number, 0, true))
                .collect(),
            ..Known::default()
        };
        let rows = sorted(&known, 0);
        assert_eq!((rows.n_more, rows.waiting[1].len()), (7, MOST_ROWS));
    }

    #[test]
    fn what_came_back_is_said_to_be_repaired_only_where_it_was() {
        let came_back = |found: Option<v1::FindingKind>| {
            let earlier = found.map(|kind| v1::Finding {
                kind: kind.into(),
                ..v1::Finding::default()
            });
            let defect = v1::Defect {
                reopened_unix_ms: Some(60_000),
                earlier_findings: earlier.into_iter().collect(),
                ..defect(1, 0, true)
            };
            remarks(&defect, &[], &v1::Desk::default()).concat()
        };
        for (found, expected) in [
            (None, "it was closed without a finding"),
            (Some(v1::FindingKind::AsCalled), "its repair"),
            (Some(v1::FindingKind::NoFaultFound), "no fault was found"),
            (
                Some(v1::FindingKind::NotLookedAt),
                "it was closed without being looked at or tested",
            ),
        ] {
            assert_eq!(
                came_back(found),
                format!("came back after {expected}, 1970-01-01 00:01")
            );
        }
    }

    #[test]
    fn what_warns_of_danger_cannot_be_shelved() {
        let safety = v1::Alert {
            safety: true,
            ..alert(1, false)
        };
        let row = row(&defect(1, 0, true), &[safety], &Known::default(), 0);
        assert_eq!(row.shelvable, None);
    }

    #[test]
    fn an_alert_told_with_another_says_so() {
        let with = v1::Alert {
            told_with: "alerts/7".to_owned(),
            unit: "units/ZVR 2".to_owned(),
            ..alert(8, false)
        };
        assert!(condition(&with).starts_with("ZVR 2 (told with alert 7), since"));
    }

    #[test]
    fn the_newest_answer_and_the_next_step_are_told() {
        let mut taken = defect(1, 0, false);
        assert_eq!(answered_by(&taken, &[]), None);
        taken.taken_by = "desk 2".to_owned();
        taken.taken_unix_ms = Some(120_000);
        assert_eq!(
            answered_by(&taken, &[alert(1, true)]).as_deref(),
            Some("desk 2, 1970-01-01 00:02")
        );
        taken.said = Some(v1::SaidDisposition {
            disposition: v1::Disposition::CutOut.into(),
            how: "motor 3".to_owned(),
            ..v1::SaidDisposition::default()
        });
        taken.contacts = vec![v1::Contact {
            told: "dispatcher".to_owned(),
            promise: "swaps the lead".to_owned(),
            promised_for_unix_ms: Some(60_000),
            ..v1::Contact::default()
        }];
        taken.plan = Some(v1::Plan {
            service_point: "Stenmoor".to_owned(),
            ..v1::Plan::default()
        });
        assert_eq!(
            next_step(&taken),
            "cut out: motor 3; dispatcher owes: swaps the lead by 1970-01-01 00:01; planned at Stenmoor"
        );
    }
}
