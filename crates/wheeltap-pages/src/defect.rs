//! One defect with all that people did about it, and the lists of them.

use crate::board::{
    MOST_ROWS, answered_by, condition, disposition, is_owed, left, next_step, now_ms, number,
    plan_words,
};
use crate::service::service_points;
use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::{Path, Query};
use axum::response::Response;
use futures::{StreamExt, TryStreamExt};
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_model::FAILURE_MODES;
use wheeltap_proto::{v1, words};

/// Defects on one page of a list.
const LINES_A_PAGE: i32 = 100;
/// Acts shown with a defect.
const MOST_ACTS: usize = 50;

/// Which list is wanted, and where in it.
#[derive(Default, Deserialize)]
pub struct Which {
    #[serde(default)]
    show: String,
    #[serde(default)]
    unit: String,
    #[serde(default)]
    page: String,
}

/// One defect of a list.
struct ListLine {
    number: u64,
    /// When it is due, or for what is over when it was opened.
    when: String,
    unit: String,
    unit_path: String,
    title: String,
    component: String,
    priority: String,
    status: String,
    next: String,
}

/// What the list can show: as in an address, and on the page.
const TABS: [(&str, &str); 6] = [
    ("", "Open"),
    ("waiting", "Waiting for an answer"),
    ("finding-owed", "Finding owed"),
    ("closed", "Closed"),
    ("merged", "Merged"),
    ("void", "Void"),
];

#[derive(Template)]
#[template(path = "defect_list.html")]
struct ListPage {
    heading: &'static str,
    show: String,
    unit: String,
    /// Whether somebody has still to do something about them, so that they are due.
    is_open: bool,
    /// What can be shown, and in which words.
    tabs: [(&'static str, &'static str); 6],
    lines: Vec<ListLine>,
    /// Where the list goes on, empty at its end.
    next: String,
    is_first: bool,
}

/// `GET /defects`.
pub async fn list(pages: Pages, Query(which): Query<Which>) -> Response {
    let (heading, status) = match which.show.as_str() {
        "" | "open" => ("Open defects", v1::DefectStatus::Unspecified),
        WAITING => ("What waits for an answer", v1::DefectStatus::Unspecified),
        "closed" => ("Closed defects", v1::DefectStatus::Closed),
        "finding-owed" => (
            "Closed, and the finding is owed",
            v1::DefectStatus::FindingOwed,
        ),
        "merged" => ("Went into another defect", v1::DefectStatus::Merged),
        "void" => (
            "Void: later data took back their alerts",
            v1::DefectStatus::Void,
        ),
        other => {
            return crate::acts::bad(&format!(
                "There is no list of defects \"{other}\": choose open, waiting, finding-owed, closed, merged or void."
            ));
        }
    };
    let is_open = status == v1::DefectStatus::Unspecified;
    let unit = which.unit.trim();
    let of_unit = if unit.is_empty() {
        String::new()
    } else {
        format!("units/{unit}")
    };
    let filter = v1::DefectFilter {
        unit: of_unit,
        status: status.into(),
        open: is_open,
        ..v1::DefectFilter::default()
    };
    let listed = if which.show == WAITING {
        let open = pages.connection.list_defects(filter).try_collect().await;
        open.map_err(|error| Box::new(refused(&error)))
            .and_then(|open| waiting(open, &which.page))
    } else {
        let request = v1::ListDefectsRequest {
            page_size: LINES_A_PAGE,
            page_token: which.page.clone(),
            filter: Some(filter),
            // One reads what is over from the latest on; the finding that is owed longest comes first.
            latest_first: !is_open && status != v1::DefectStatus::FindingOwed,
        };
        let listed = pages.connection.defects().list_defects(request).await;
        listed
            .map(tonic::Response::into_inner)
            .map_err(|status| Box::new(refused(&status.into())))
    };
    let listed = match listed {
        Ok(listed) => listed,
        Err(refusal) => return *refusal,
    };
    let now = now_ms();
    let show = match which.show.as_str() {
        "open" => String::new(),
        show => show.to_owned(),
    };
    let next = if listed.next_page_token.is_empty() {
        String::new()
    } else {
        let said = [
            ("show", show.as_str()),
            ("unit", unit),
            ("page", &listed.next_page_token),
        ];
        told::query("/defects", &said)
    };
    shown(
        ListPage {
            heading,
            is_open,
            tabs: TABS,
            lines: listed
                .defects
                .iter()
                .map(|defect| list_line(defect, now))
                .collect(),
            next,
            is_first: which.page.is_empty(),
            unit: unit.to_owned(),
            show,
        }
        .render(),
    )
}

/// The list of what waits for an answer.
const WAITING: &str = "waiting";
/// The page of it that goes on where the board ends.
const AFTER_THE_BOARD: &str = "after-the-board";

/// A page of those that wait, of all open ones with the soonest due first. It goes on after a due time and a number,
/// so that what is answered meanwhile moves nothing off it.
fn waiting(open: Vec<v1::Defect>, page: &str) -> Result<v1::ListDefectsResponse, Box<Response>> {
    let place = |defect: &v1::Defect| (defect.due_unix_ms, number(defect));
    let waiting = open.into_iter().filter(|defect| defect.awaits_answer);
    let mut defects: Vec<v1::Defect> = match page {
        "" => waiting.collect(),
        AFTER_THE_BOARD => waiting.skip(MOST_ROWS).collect(),
        _ => {
            let after = page.split_once('.');
            let after =
                after.and_then(|(due, number)| Some((due.parse().ok()?, number.parse().ok()?)));
            let Some(after) = after else {
                let says = format!("\"{page}\" is no place in this list: begin at its first page.");
                return Err(Box::new(crate::acts::bad(&says)));
            };
            waiting.filter(|defect| place(defect) > after).collect()
        }
    };
    let has_more = defects.len() > MOST_ROWS;
    defects.truncate(MOST_ROWS);
    let last = defects.last().filter(|_| has_more).map(place);
    Ok(v1::ListDefectsResponse {
        next_page_token: last.map_or_else(String::new, |(due, number)| format!("{due}.{number}")),
        defects,
    })
}

fn list_line(defect: &v1::Defect, now: i64) -> ListLine {
    let unit = told::tail(&defect.unit).to_owned();
    let next = match &defect.finding {
        Some(found) => told::word(found.kind().as_str_name(), "FINDING_KIND_"),
        None if !defect.closed_note.is_empty() => defect.closed_note.clone(),
        None if !defect.merged_into.is_empty() => {
            format!("defect {}", told::tail(&defect.merged_into))
        }
        None => next_step(defect),
    };
    let when = if is_open(defect) {
        left(defect.due_unix_ms.saturating_sub(now))
    } else {
        told::minute(defect.opened_unix_ms)
    };
    ListLine {
        number: number(defect),
        when,
        unit_path: told::segment(&unit),
        unit,
        title: defect.title.clone(),
        component: defect.component.clone(),
        priority: told::word(defect.priority().as_str_name(), "PRIORITY_"),
        status: told::word(defect.status().as_str_name(), "DEFECT_STATUS_"),
        next,
    }
}

struct AlertRow {
    number: String,
    said: String,
    evidence: String,
    state: String,
    answer: String,
}

struct CallRow {
    number: u32,
    at: String,
    by: String,
    told: String,
    answer: String,
    promise: String,
    kept: String,
    is_owed: bool,
}

#[derive(Template)]
#[template(path = "defect.html")]
struct Page {
    number: u64,
    unit: String,
    unit_path: String,
    component_path: String,
    title: String,
    said: String,
    facts: Vec<(&'static str, String)>,
    action: String,
    alerts: Vec<AlertRow>,
    calls: Vec<CallRow>,
    /// When, by whom, who saw it, when first, how soon to look, words.
    reports: Vec<[String; 6]>,
    is_open: bool,
    awaits: bool,
    is_in_work: bool,
    may_find: bool,
    find_forms: Vec<FindForm>,
    etag: String,
    /// Place, time, part, craft.
    plan: [String; 4],
    /// Service points by name, to choose from.
    points: Vec<String>,
    dispositions: Vec<(i32, &'static str)>,
    findings: Vec<(i32, &'static str)>,
    modes: &'static [(&'static str, &'static str)],
    /// When, who, did, why.
    acts: Vec<[String; 4]>,
}

/// Takes a finding, or another in place of the last one.
struct FindForm {
    corrects: bool,
    /// What stands in it.
    found: v1::Finding,
    /// Of the ids in it, which are once in a page.
    suffix: &'static str,
}

/// One for the finding that is to come, one for the last that was given.
fn find_forms(defect: &v1::Defect, may_find: bool) -> Vec<FindForm> {
    let is_merged = !defect.merged_into.is_empty();
    let last = defect.finding.as_ref().or(defect.earlier_findings.last());
    let last = last.filter(|_| !is_merged).map(|found| FindForm {
        corrects: true,
        found: found.clone(),
        suffix: if may_find { "-last" } else { "" },
    });
    let next = may_find.then(|| FindForm {
        corrects: false,
        found: v1::Finding::default(),
        suffix: "",
    });
    next.into_iter().chain(last).collect()
}

/// What an act said.
#[derive(Default, Deserialize)]
pub struct Said {
    #[serde(default)]
    said: String,
}

/// `GET /defects/{number}`.
pub async fn page(
    pages: Pages,
    Path(number): Path<u64>,
    Query(Said { said }): Query<Said>,
) -> Response {
    match read(&pages, number, &said).await {
        Ok(page) => shown(page.render()),
        Err(error) => refused(&error),
    }
}

/// A defect with its alerts, newest first.
async fn with_alerts(
    pages: &Pages,
    number: u64,
) -> Result<(v1::Defect, Vec<v1::Alert>), CallError> {
    let connection = &pages.connection;
    let name = format!("defects/{number}");
    let request = v1::GetDefectRequest { name: name.clone() };
    let defect = connection.defects().get_defect(request).await?.into_inner();
    let of_it = v1::AlertFilter {
        defect: name,
        show_withdrawn: true,
        ..v1::AlertFilter::default()
    };
    let alerts = connection.list_alerts(of_it).try_collect().await?;
    Ok((defect, alerts))
}

/// A defect, and who took it on, when and with which words.
pub async fn answered(
    pages: &Pages,
    number: u64,
) -> Result<(v1::Defect, Option<String>), CallError> {
    let (defect, alerts) = with_alerts(pages, number).await?;
    let by = answered_by(&defect, &alerts);
    Ok((defect, by))
}

/// Whether somebody has still to do something about it.
pub fn is_open(defect: &v1::Defect) -> bool {
    use v1::DefectStatus::{InWork, Planned, Suspected};
    matches!(defect.status(), Suspected | Planned | InWork)
}

/// What somebody is told who came later.
pub fn taken_already(defect: &v1::Defect, by: Option<&str>) -> String {
    let by = by.unwrap_or("somebody else");
    format!("Defect {} was taken on already by {by}", number(defect))
}

async fn read(pages: &Pages, number: u64, said: &str) -> Result<Page, CallError> {
    let connection = &pages.connection;
    let (defect, alerts) = with_alerts(pages, number).await?;
    let name = defect.name.clone();
    let said = match said {
        "done" => "It is kept.".to_owned(),
        "taken" => format!("Defect {number} is yours."),
        "others" => taken_already(&defect, answered_by(&defect, &alerts).as_deref()),
        _ => String::new(),
    };
    let about = v1::ListActsRequest {
        about: name,
        ..v1::ListActsRequest::default()
    };
    let acts = connection.list_acts(about).take(MOST_ACTS);
    let acts: Vec<v1::RecordedAct> = acts.try_collect().await?;
    let points = service_points(pages).await?;
    let mut page = made(&defect, &alerts, &acts, said);
    page.points = points
        .iter()
        .map(|point| told::tail(&point.name).to_owned())
        .collect();
    Ok(page)
}

fn made(defect: &v1::Defect, alerts: &[v1::Alert], acts: &[v1::RecordedAct], said: String) -> Page {
    use v1::DefectStatus::{FindingOwed, InWork};
    let status = defect.status();
    let is_open = is_open(defect);
    let may_find = is_open || status == FindingOwed;
    let unit = told::tail(&defect.unit).to_owned();
    let plan = defect.plan.as_ref();
    let of_plan = |take: fn(&v1::Plan) -> String| plan.map(take).unwrap_or_default();
    let row = |alert: &v1::Alert| AlertRow {
        number: told::tail(&alert.name).to_owned(),
        said: condition(alert),
        evidence: told::evidence(alert.evidence.as_ref()),
        state: told::word(alert.state().as_str_name(), "ALERT_STATE_"),
        answer: alert.acknowledgement.as_ref().map_or_else(
            || "nobody".to_owned(),
            |answer| format!("{}, {}", answer.by, told::minute(answer.at_unix_ms)),
        ),
    };
    Page {
        number: number(defect),
        unit_path: told::segment(&unit),
        unit,
        component_path: told::segment(&defect.component),
        title: defect.title.clone(),
        said,
        facts: facts(defect, alerts, is_open),
        action: defect.action.clone(),
        alerts: alerts.iter().map(row).collect(),
        calls: defect.contacts.iter().map(call).collect(),
        reports: defect.reports.iter().map(report).collect(),
        is_open,
        awaits: defect.awaits_answer,
        is_in_work: status == InWork,
        may_find,
        find_forms: find_forms(defect, may_find),
        etag: defect.etag.clone(),
        plan: [
            of_plan(|plan| plan.service_point.clone()),
            of_plan(|plan| plan.at_unix_ms.map(told::minute).unwrap_or_default()),
            of_plan(|plan| plan.part.clone()),
            of_plan(|plan| plan.craft.clone()),
        ],
        points: Vec::new(),
        dispositions: vec![
            (v1::Disposition::RunOn.into(), "Run on"),
            (v1::Disposition::Restrict.into(), "Restrict"),
            (v1::Disposition::Isolate.into(), "Isolate"),
            (
                v1::Disposition::CutOut.into(),
                "Cut out a motor, dynamic brake or sander",
            ),
            (v1::Disposition::SwapLead.into(), "Swap the lead"),
            (v1::Disposition::ArrangePower.into(), "Arrange other power"),
            (
                v1::Disposition::NextServiceStop.into(),
                "At the next service stop",
            ),
            (v1::Disposition::SetOut.into(), "Set out"),
        ],
        findings: vec![
            (v1::FindingKind::AsCalled.into(), "As called"),
            (v1::FindingKind::AnotherFault.into(), "Another fault"),
            (
                v1::FindingKind::SensorOrWiring.into(),
                "The sensor or its wiring",
            ),
            (v1::FindingKind::NoFaultFound.into(), "No fault found"),
            (v1::FindingKind::CouldNotTest.into(), "Could not test"),
            (v1::FindingKind::NotLookedAt.into(), "Not looked at"),
        ],
        modes: &FAILURE_MODES,
        acts: acts
            .iter()
            .map(|act| {
                [
                    told::minute(act.at_unix_ms),
                    act.by.clone(),
                    act.what.clone(),
                    act.why.clone(),
                ]
            })
            .collect(),
    }
}

fn facts(defect: &v1::Defect, alerts: &[v1::Alert], is_open: bool) -> Vec<(&'static str, String)> {
    let mut facts = vec![
        (
            "Status",
            told::word(defect.status().as_str_name(), "DEFECT_STATUS_"),
        ),
        (
            "Priority",
            told::word(defect.priority().as_str_name(), "PRIORITY_"),
        ),
        ("Component", defect.component.clone()),
        ("First sign", told::minute(defect.first_sign_unix_ms)),
        ("Opened", told::minute(defect.opened_unix_ms)),
        (
            "Opened by",
            told::word(defect.origin().as_str_name(), "DEFECT_ORIGIN_"),
        ),
    ];
    if is_open {
        facts.push(("Due", left(defect.due_unix_ms - now_ms())));
    }
    if let Some(by) = answered_by(defect, alerts) {
        facts.push(("Taken on by", by));
    }
    if let Some(said) = &defect.said {
        facts.push((
            "Until then",
            format!("{}, said {}", disposition(said), said.by),
        ));
    }
    if let Some(plan) = &defect.plan {
        facts.push(("Plan", plan_words(plan)));
    }
    for found in defect.earlier_findings.iter().chain(&defect.finding) {
        facts.push(("Found", finding_words(found)));
    }
    if !defect.closed_note.is_empty() {
        facts.push(("No finding", defect.closed_note.clone()));
    }
    if let Some(at) = defect.reopened_unix_ms {
        facts.push(("Came back", told::minute(at)));
    }
    let since = defect
        .after_repair_unix_ms
        .map(told::minute)
        .unwrap_or_default();
    let repair = words::after_repair(defect.after_repair(), &since);
    if !repair.is_empty() {
        facts.push(("Repair", repair));
    }
    if !defect.merged_into.is_empty() {
        let into = told::tail(&defect.merged_into);
        facts.push(("Went into", format!("defect {into}")));
    }
    if defect.basis_withdrawn {
        facts.push(("Basis", "later data took back its alerts".to_owned()));
    }
    facts
}

/// `as called: thermostat stuck, 40 min, 2026-03-02 14:05`.
fn finding_words(found: &v1::Finding) -> String {
    let words = found_words(found);
    let between = if words.contains(": ") { ", " } else { ": " };
    format!("{words}{between}{}", told::minute(found.repaired_unix_ms))
}

/// `as called: thermostat stuck, 40 min`.
pub fn found_words(found: &v1::Finding) -> String {
    let words = told::word(found.kind().as_str_name(), "FINDING_KIND_");
    let minutes = found.minutes.map(|minutes| format!("{minutes} min"));
    let said = [
        found.cause.clone(),
        found.component.clone(),
        found.failure_mode.clone(),
        found.note.clone(),
        found.parts.join(", "),
        minutes.unwrap_or_default(),
    ];
    let said: Vec<String> = said.into_iter().filter(|part| !part.is_empty()).collect();
    if said.is_empty() {
        return words;
    }
    format!("{words}: {}", said.join(", "))
}

fn report(report: &v1::DefectReport) -> [String; 6] {
    [
        told::minute(report.at_unix_ms),
        report.by.clone(),
        told::word(report.origin().as_str_name(), "DEFECT_ORIGIN_"),
        told::minute(report.first_sign_unix_ms),
        told::word(report.priority().as_str_name(), "PRIORITY_"),
        report.title.clone(),
    ]
}

fn call(contact: &v1::Contact) -> CallRow {
    let by = contact.promised_for_unix_ms.map(told::minute);
    let by = by.map_or_else(String::new, |by| format!(" by {by}"));
    CallRow {
        number: contact.number,
        at: told::minute(contact.at_unix_ms),
        by: contact.by.clone(),
        told: contact.told.clone(),
        answer: contact.answer.clone(),
        promise: format!("{}{by}", contact.promise),
        kept: match contact.kept_unix_ms {
            Some(at) => format!("{}, {}", contact.kept_by, told::minute(at)),
            None => String::new(),
        },
        is_owed: is_owed(contact),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_board_does_not_show_is_listed_page_by_page() {
        let open = |number: u64| v1::Defect {
            name: format!("defects/{number}"),
            due_unix_ms: 60_000,
            awaits_answer: !number.is_multiple_of(2),
            ..v1::Defect::default()
        };
        // Odd ones wait: 1 to 499.
        let open: Vec<v1::Defect> = (1..=500).map(open).collect();
        let numbers = |page: &str| {
            let listed = waiting(open.clone(), page).expect("a page");
            let numbers: Vec<u64> = listed.defects.iter().map(number).collect();
            (numbers, listed.next_page_token)
        };
        let (first, next) = numbers(AFTER_THE_BOARD);
        assert_eq!((first[0], first[99], first.len()), (201, 399, 100));
        let (second, end) = numbers(&next);
        assert_eq!((second[0], second[49], second.len()), (401, 499, 50));
        assert_eq!(end, "");
        assert_eq!(numbers("").0[0], 1);
        assert!(waiting(open.clone(), "7").is_err());
    }

    #[test]
    fn the_last_finding_of_what_came_back_can_be_corrected_beside_the_next() {
        let found = v1::Finding {
            kind: v1::FindingKind::AsCalled.into(),
            cause: "tubes silted up".to_owned(),
            ..v1::Finding::default()
        };
        let mut defect = v1::Defect {
            name: "defects/1".to_owned(),
            status: v1::DefectStatus::Suspected.into(),
            earlier_findings: vec![found],
            ..v1::Defect::default()
        };
        let page = made(&defect, &[], &[], String::new()).render().unwrap();
        for said in [
            "<button>Record and close</button>",
            "<summary>Correct the last finding</summary>",
            "<input id=\"cause\" name=\"cause\" maxlength=\"500\" value=\"\">",
            "<input id=\"cause-last\" name=\"cause\" maxlength=\"500\" value=\"tubes silted up\">",
        ] {
            assert!(page.contains(said), "{said} is not on {page}");
        }
        defect.merged_into = "defects/2".to_owned();
        defect.status = v1::DefectStatus::Merged.into();
        let page = made(&defect, &[], &[], String::new()).render().unwrap();
        assert!(!page.contains("/defects/1/find"), "{page}");
    }
}
