//! The shift handover, what is muted, and who did what.

use crate::board::{mute_end, now_ms};
use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::Query;
use axum::response::Response;
use futures::TryStreamExt;
use serde::Deserialize;
use std::collections::HashMap;
use wheeltap_client::CallError;
use wheeltap_proto::{v1, words};

/// Arrivals asked for at most.
const MOST_INBOUND: i32 = 1_000;
/// What a shift is told of beforehand.
const AHEAD_MS: i64 = 12 * 3_600_000;
/// Acts on one page.
const ACTS_A_PAGE: i32 = 100;
/// Pages of the ledger asked for at most, so that a page with something on it comes soon.
const MOST_PAGES: usize = 20;

struct Cell {
    text: String,
    /// Where it leads; empty for nowhere.
    path: String,
}

impl Cell {
    fn to(text: impl Into<String>, path: String) -> Self {
        Self {
            text: text.into(),
            path,
        }
    }
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        Self::to(text, String::new())
    }
}

struct List {
    heading: &'static str,
    heads: &'static [&'static str],
    rows: Vec<Vec<Cell>>,
    /// What is not among the rows; empty when nothing is missing.
    more: String,
}

impl List {
    fn of(
        heading: &'static str,
        heads: &'static [&'static str],
        rows: impl IntoIterator<Item = Vec<Cell>>,
    ) -> Self {
        Self {
            heading,
            heads,
            rows: rows.into_iter().collect(),
            more: String::new(),
        }
    }
}

#[derive(Template)]
#[template(path = "handover.html")]
struct HandoverPage {
    since: String,
    lists: Vec<List>,
}

impl HandoverPage {
    /// Headings under which nothing stands: whoever takes over sees that they were looked at.
    fn bare(&self) -> String {
        let bare = self.lists.iter().filter(|list| list.rows.is_empty());
        let bare: Vec<&str> = bare.map(|list| list.heading).collect();
        bare.join("; ")
    }
}

/// `GET /handover`.
pub async fn handover(pages: Pages) -> Response {
    match read_handover(&pages).await {
        Ok(page) => shown(page.render()),
        Err(error) => refused(&error),
    }
}

async fn read_handover(pages: &Pages) -> Result<HandoverPage, CallError> {
    let connection = &pages.connection;
    let request = v1::GetDeskRequest::default();
    let desk = connection.desk().get_desk(request).await?.into_inner();
    let open = v1::DefectFilter {
        open: true,
        ..v1::DefectFilter::default()
    };
    let mut defects = HashMap::new();
    let mut listed = connection.list_defects(open);
    while let Some(defect) = listed.try_next().await? {
        defects.insert(defect.name.clone(), defect);
    }
    let owed = v1::DefectFilter {
        status: v1::DefectStatus::FindingOwed.into(),
        ..v1::DefectFilter::default()
    };
    let mut listed = connection.list_defects(owed);
    while let Some(defect) = listed.try_next().await? {
        defects.insert(defect.name.clone(), defect);
    }
    for name in words::owed_beyond(&desk, |name| defects.contains_key(name)) {
        let request = v1::GetDefectRequest { name };
        let closed = connection.defects().get_defect(request).await?.into_inner();
        defects.insert(closed.name.clone(), closed);
    }
    let inbound = v1::ListArrivalsRequest {
        page_size: MOST_INBOUND,
        ..v1::ListArrivalsRequest::default()
    };
    let inbound = connection.turnaround().list_arrivals(inbound).await?;
    Ok(made(&desk, &defects, &inbound.into_inner()))
}

/// Arrivals of the next 12 h, counted from what the service calls now: of a fleet whose newest data is
/// older than the clock, that data.
fn inbound_rows(listed: &v1::ListArrivalsResponse) -> Vec<Vec<Cell>> {
    let now = listed.as_of_unix_ms;
    let soon = listed.arrivals.iter().filter(|arrival| {
        arrival.cancelled.is_none()
            && (now..=now.saturating_add(AHEAD_MS)).contains(&arrival.arrives_unix_ms)
    });
    soon.map(|arrival| {
        let (unit, point) = (told::tail(&arrival.unit), told::tail(&arrival.point));
        let sheet = format!("/service/{}/{}", told::segment(point), told::segment(unit));
        vec![
            told::minute(arrival.arrives_unix_ms).into(),
            unit_cell(&arrival.unit),
            point.to_owned().into(),
            Cell::to("Turnaround sheet", sheet),
        ]
    })
    .collect()
}

fn unit_cell(name: &str) -> Cell {
    let unit = told::tail(name);
    Cell::to(unit, format!("/units/{}", told::segment(unit)))
}

fn defect_cell(name: &str, title: &str) -> Cell {
    let number = told::tail(name);
    Cell::to(title, format!("/defects/{}", told::segment(number)))
}

fn made(
    desk: &v1::Desk,
    defects: &HashMap<String, v1::Defect>,
    inbound: &v1::ListArrivalsResponse,
) -> HandoverPage {
    let now = now_ms();
    let row = |name: &String| {
        let defect = defects.get(name)?;
        Some(vec![
            crate::board::left(defect.due_unix_ms - now).into(),
            unit_cell(&defect.unit),
            defect_cell(name, &defect.title),
            crate::board::next_step(defect).into(),
        ])
    };
    let list = |heading, names: &[String]| {
        let heads = &["Due", "Unit", "What", "Next"];
        List::of(heading, heads, names.iter().filter_map(row))
    };
    let owed = desk.owed.iter().filter_map(|owed| {
        let defect = defects.get(&owed.defect)?;
        let of = |contact: &&v1::Contact| contact.number == owed.contact;
        let what = defect.contacts.iter().find(of).map_or_else(
            || "nobody was called yet".to_owned(),
            |contact| format!("{}: {}", contact.told, contact.promise),
        );
        let due = owed.due_unix_ms.map(|due| crate::board::left(due - now));
        Some(vec![
            due.unwrap_or_else(|| "no time named".to_owned()).into(),
            unit_cell(&defect.unit),
            defect_cell(&owed.defect, &defect.title),
            what.into(),
        ])
    });
    let mutes = |heading, mutes: &[v1::Mute]| {
        let heads = &["Until", "Unit", "Rule", "By and why"];
        List::of(heading, heads, mutes.iter().map(mute_cells))
    };
    let finding_owed = |name: &String| {
        let defect = defects.get(name)?;
        Some(vec![
            defect
                .closed_unix_ms
                .map(told::minute)
                .unwrap_or_default()
                .into(),
            unit_cell(&defect.unit),
            defect_cell(name, &defect.title),
            defect.closed_note.clone().into(),
        ])
    };
    let in_hand = desk.in_hand.iter().filter_map(|name| {
        let mut cells = row(name)?;
        cells.insert(3, status_words(defects.get(name)?).into());
        Some(cells)
    });
    let new = words::new_and_taken_on(desk);
    HandoverPage {
        since: since_words(desk.last_handover.as_ref()),
        lists: vec![
            list("Waits for an answer", &desk.awaiting),
            list("New, and taken on already", &new),
            list("New, and muted or for the shop alone", &desk.new_quiet),
            List {
                more: words::more_in_hand(desk),
                ..List::of(
                    "Taken on in earlier shifts",
                    &["Due", "Unit", "What", "Status", "Next"],
                    in_hand,
                )
            },
            List {
                more: words::more_owed(desk),
                ..List::of(
                    "Closed, and the finding is owed",
                    &["Closed", "Unit", "What", "Why"],
                    desk.finding_owed.iter().filter_map(finding_owed),
                )
            },
            List::of("Calls owed", &["Due", "Unit", "What", "Owed"], owed),
            mutes("Muted, ending within 12 h", &desk.ending),
            mutes("Muted for longer", &desk.lasting),
            List::of(
                "Silent units",
                &["Unit", "Last heard", "Open"],
                desk.silent.iter().map(silent_cells),
            ),
            List::of(
                "Inbound within 12 h",
                &["Arrives", "Unit", "Where", "Sheet"],
                inbound_rows(inbound),
            ),
        ],
    }
}

/// Such as `in work`.
fn status_words(defect: &v1::Defect) -> String {
    told::word(defect.status().as_str_name(), "DEFECT_STATUS_")
}

fn mute_cells(mute: &v1::Mute) -> Vec<Cell> {
    vec![
        mute_end(mute).into(),
        unit_cell(&mute.unit),
        rule_words(mute).into(),
        format!("{}: {}", mute.by, mute.reason).into(),
    ]
}

fn silent_cells(unit: &v1::desk::SilentUnit) -> Vec<Cell> {
    let heard = unit.last_heard_unix_ms.or(unit.newest_event_unix_ms);
    let open = match unit.open_priority() {
        v1::Priority::Unspecified => "nothing open".to_owned(),
        priority => {
            let word = told::word(priority.as_str_name(), "PRIORITY_");
            format!("{word} priority open")
        }
    };
    vec![
        unit_cell(&unit.unit),
        heard
            .map_or_else(|| "never".to_owned(), told::minute)
            .into(),
        open.into(),
    ]
}

/// From when on something is new.
fn since_words(handover: Option<&v1::Handover>) -> String {
    match handover {
        None => "The desk was never handed over: everything is new.".to_owned(),
        Some(handover) => {
            let note = match handover.note.as_str() {
                "" => String::new(),
                note => format!(": {note}"),
            };
            format!(
                "Since {}, when {} handed over to {}{note}",
                told::minute(handover.at_unix_ms),
                handover.from,
                handover.to
            )
        }
    }
}

fn rule_words(mute: &v1::Mute) -> String {
    let rule = match told::tail(&mute.rule) {
        "" => "all rules",
        rule => rule,
    };
    match mute.part.as_str() {
        "" => rule.to_owned(),
        part => format!("{rule}, {part}"),
    }
}

struct MuteRow {
    number: String,
    until: String,
    unit: String,
    rule: String,
    kind: String,
    why: String,
}

#[derive(Template)]
#[template(path = "mutes.html")]
struct MutesPage {
    mutes: Vec<MuteRow>,
}

/// `GET /mutes`.
pub async fn mutes(pages: Pages) -> Response {
    let mutes: Result<Vec<v1::Mute>, CallError> =
        pages.connection.list_mutes(false).try_collect().await;
    let row = |mute: &v1::Mute| MuteRow {
        number: told::tail(&mute.name).to_owned(),
        until: mute_end(mute),
        unit: told::tail(&mute.unit).to_owned(),
        rule: rule_words(mute),
        kind: told::word(mute.kind().as_str_name(), "MUTE_KIND_"),
        why: format!("{}: {}", mute.by, mute.reason),
    };
    match mutes {
        Ok(mutes) => shown(
            MutesPage {
                mutes: mutes.iter().map(row).collect(),
            }
            .render(),
        ),
        Err(error) => refused(&error),
    }
}

/// Which acts are wanted.
#[derive(Default, Deserialize)]
pub struct WantedActs {
    #[serde(default)]
    about: String,
    #[serde(default)]
    by: String,
    /// Telemetry's too, where it is set.
    #[serde(default)]
    all: String,
    #[serde(default)]
    page: String,
}

struct ActRow {
    number: u64,
    at: String,
    by: String,
    what: String,
    path: String,
    unit: String,
    why: String,
}

#[derive(Template)]
#[template(path = "acts.html")]
struct ActsPage {
    about: String,
    by: String,
    all: bool,
    acts: Vec<ActRow>,
    next: String,
}

/// `GET /acts`.
pub async fn acts(pages: Pages, Query(wanted): Query<WantedActs>) -> Response {
    let mut request = v1::ListActsRequest {
        page_size: ACTS_A_PAGE,
        page_token: wanted.page.clone(),
        show_telemetry: !wanted.all.is_empty(),
        by: wanted.by.trim().to_owned(),
        about: wanted.about.trim().to_owned(),
    };
    let mut acts = Vec::new();
    for _ in 0..MOST_PAGES {
        let page = match pages.connection.desk().list_acts(request.clone()).await {
            Ok(page) => page.into_inner(),
            Err(status) => return refused(&status.into()),
        };
        acts.extend(page.acts);
        request.page_token = page.next_page_token;
        // A page of the ledger that is all telemetry's has none.
        if request.page_token.is_empty() || !acts.is_empty() {
            break;
        }
    }
    let next = if request.page_token.is_empty() {
        String::new()
    } else {
        let said = [
            ("about", request.about.as_str()),
            ("by", &request.by),
            ("all", &wanted.all),
            ("page", &request.page_token),
        ];
        told::query("/acts", &said)
    };
    let row = |act: v1::RecordedAct| ActRow {
        number: act.number,
        at: told::minute(act.at_unix_ms),
        path: if !act.defect.is_empty() {
            format!("/{}", act.defect)
        } else if !act.rule.is_empty() {
            format!("/rules/{}", told::segment(told::tail(&act.rule)))
        } else {
            String::new()
        },
        by: act.by,
        what: act.what,
        unit: told::tail(&act.unit).to_owned(),
        why: act.why,
    };
    shown(
        ActsPage {
            about: request.about,
            by: request.by,
            all: request.show_telemetry,
            acts: acts.into_iter().map(row).collect(),
            next,
        }
        .render(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shift_is_handed_what_is_muted_for_good_in_hand_and_owed_of_closed_defects() {
        let defect = |number: u32, title: &str, status: v1::DefectStatus| v1::Defect {
            name: format!("defects/{number}"),
            unit: "units/ZVR 4117".to_owned(),
            title: title.to_owned(),
            status: status.into(),
            ..v1::Defect::default()
        };
        let mut closed = defect(2, "sander blocked", v1::DefectStatus::Closed);
        closed.contacts.push(v1::Contact {
            number: 1,
            told: "shop".to_owned(),
            promise: "sends the old valve".to_owned(),
            ..v1::Contact::default()
        });
        let in_work = defect(1, "oil cooler fouled", v1::DefectStatus::InWork);
        let defects = [in_work, closed].map(|defect| (defect.name.clone(), defect));
        let desk = v1::Desk {
            in_hand: vec!["defects/1".to_owned()],
            n_in_hand: 4,
            owed: vec![v1::desk::OwedCall {
                defect: "defects/2".to_owned(),
                contact: 1,
                due_unix_ms: None,
            }],
            lasting: vec![v1::Mute {
                unit: "units/ZVR 4117".to_owned(),
                by: "Ada".to_owned(),
                reason: "in the shop".to_owned(),
                ..v1::Mute::default()
            }],
            ..v1::Desk::default()
        };
        let inbound = v1::ListArrivalsResponse::default();
        let page = made(&desk, &HashMap::from(defects), &inbound);
        let page = page.render().unwrap();
        for said in [
            "Taken on in earlier shifts",
            "<td>in work</td>",
            "3 more, due later",
            "shop: sends the old valve",
            "<td>somebody lifts it</td>",
        ] {
            assert!(page.contains(said), "{said} is not on {page}");
        }
    }
}
