//! The service track: who comes in where, and the sheet of one stop, which prints on one page.

use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::{Path, Query};
use axum::response::Response;
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_proto::{v1, words};

/// Which stop of a unit, where it comes in more than once.
#[derive(Default, Deserialize)]
pub struct Which {
    #[serde(default)]
    arrival: String,
}

/// One stop that is to come.
pub struct Stop {
    pub unit: String,
    pub path: String,
    /// Of the arrival.
    pub id: String,
    pub in_iso: String,
    pub comes_in: String,
    pub goes_out: String,
    pub minutes: u32,
    pub planned: u32,
    pub work: String,
    pub n_planned: u32,
    pub n_left: u32,
    pub safety: bool,
}

struct Point {
    name: String,
    path: String,
    who: String,
    stops: Vec<Stop>,
}

#[derive(Template)]
#[template(path = "service.html")]
struct ListPage {
    points: Vec<Point>,
    has_more: bool,
}

struct Job {
    what: String,
    action: String,
    remark: String,
    safety: bool,
    due: String,
    /// In words, and whether it is in the longest chain.
    steps: Vec<(String, bool)>,
    part: String,
    why: String,
}

#[derive(Template)]
#[template(path = "sheet.html")]
struct SheetPage {
    unit: String,
    unit_path: String,
    point: String,
    facts: Vec<(&'static str, String)>,
    /// In words, and whether it is about this unit.
    cautions: Vec<(String, bool)>,
    planned: Vec<Job>,
    left: Vec<(&'static str, Vec<Job>)>,
    fills: Vec<[String; 4]>,
    wears: Vec<[String; 4]>,
    /// Title, last, due, whether that calls for something, by whose word.
    inspections: Vec<(String, String, String, bool, String)>,
    /// What, defect, when, and whether it has held.
    repairs: Vec<[String; 4]>,
    owed: String,
}

/// `GET /service`.
pub async fn list(pages: Pages) -> Response {
    match read_list(&pages).await {
        Ok(page) => shown(page.render()),
        Err(error) => refused(&error),
    }
}

/// `GET /service/{point}/{unit}`.
pub async fn page(
    pages: Pages,
    Path((point, unit)): Path<(String, String)>,
    Query(which): Query<Which>,
) -> Response {
    let request = if which.arrival.is_empty() {
        v1::GetSheetRequest {
            unit: format!("units/{unit}"),
            point: format!("points/{point}"),
            ..v1::GetSheetRequest::default()
        }
    } else {
        v1::GetSheetRequest {
            arrival: format!("arrivals/{}", which.arrival),
            ..v1::GetSheetRequest::default()
        }
    };
    match pages.connection.turnaround().get_sheet(request).await {
        Ok(sheet) => shown(sheet_page(&sheet.into_inner()).render()),
        Err(status) => refused(&CallError::from(status)),
    }
}

async fn read_list(pages: &Pages) -> Result<ListPage, CallError> {
    let points = service_points(pages).await?;
    let (arrivals, has_more) = arrivals(pages, v1::ArrivalFilter::default()).await?;
    let point_of = |point: v1::ServicePoint| {
        let here = arrivals
            .iter()
            .filter(|(arrival, _)| arrival.point == point.name);
        let name = told::tail(&point.name).to_owned();
        Point {
            path: told::segment(&name),
            name,
            who: who(&point),
            stops: here
                .map(|(arrival, summary)| stop(arrival, summary))
                .collect(),
        }
    };
    Ok(ListPage {
        points: points.into_iter().map(point_of).collect(),
        has_more,
    })
}

pub async fn service_points(pages: &Pages) -> Result<Vec<v1::ServicePoint>, CallError> {
    let mut track = pages.connection.turnaround();
    let request = v1::ListServicePointsRequest {};
    let points = track.list_service_points(request).await?;
    Ok(points.into_inner().points)
}

/// Who comes in, soonest first, with what the sheet of each says; and whether there are more.
pub async fn arrivals(
    pages: &Pages,
    filter: v1::ArrivalFilter,
) -> Result<(Vec<(v1::Arrival, v1::SheetSummary)>, bool), CallError> {
    let request = v1::ListArrivalsRequest {
        with_summaries: true,
        filter: Some(filter),
        ..v1::ListArrivalsRequest::default()
    };
    let listed = pages.connection.turnaround().list_arrivals(request).await?;
    let listed = listed.into_inner();
    let pairs = listed.arrivals.into_iter().zip(listed.summaries);
    Ok((pairs.collect(), !listed.next_page_token.is_empty()))
}

fn side(side: i32) -> String {
    let side = v1::Side::try_from(side).unwrap_or_default();
    told::word(side.as_str_name(), "SIDE_")
}

/// The crews of a point and what can be filled there.
pub fn who(point: &v1::ServicePoint) -> String {
    let crews: Vec<String> = point
        .crews
        .iter()
        .map(|crew| match crew.crews {
            1 => format!("{} {}", crew.craft, side(crew.side)),
            n => format!("{n} {} {}", crew.craft, side(crew.side)),
        })
        .collect();
    let fills = match point.fills.as_slice() {
        [] => "nothing is filled".to_owned(),
        fills => format!("fills {}", fills.join(", ")),
    };
    format!("{}; {fills}", crews.join(", "))
}

pub fn stop(arrival: &v1::Arrival, summary: &v1::SheetSummary) -> Stop {
    let unit = told::tail(&arrival.unit).to_owned();
    let point = told::segment(told::tail(&arrival.point));
    let id = told::tail(&arrival.name).to_owned();
    Stop {
        path: format!(
            "/service/{point}/{}?arrival={}",
            told::segment(&unit),
            told::segment(&id)
        ),
        id,
        unit,
        in_iso: told::instant(arrival.arrives_unix_ms),
        comes_in: told::minute(arrival.arrives_unix_ms),
        goes_out: arrival
            .leaves_unix_ms
            .map_or_else(|| "not said".to_owned(), told::minute),
        minutes: summary.stop_minutes,
        planned: summary.planned_minutes,
        work: work(
            summary.planned_minutes,
            summary.stop_minutes,
            summary.all_minutes,
        ),
        n_planned: summary.n_planned,
        n_left: summary.n_cannot_wait,
        safety: summary.safety,
    }
}

/// Minutes of work against the stop.
fn work(planned: u32, stop: u32, all: Option<u32>) -> String {
    let planned = match planned {
        0 => format!("none planned in {stop} min"),
        planned => format!("{planned} of {stop} min"),
    };
    match all.filter(|all| *all > stop) {
        Some(all) => format!("{planned}; all would take {all} min"),
        None => planned,
    }
}

/// When something is due: an instant, as a printed sheet is read later than it was made.
fn due(due_unix_ms: Option<i64>, as_of: i64) -> String {
    match due_unix_ms {
        None => "not known".to_owned(),
        Some(due) if due < as_of => format!("overdue since {}", told::minute(due)),
        Some(due) => format!("by {}", told::minute(due)),
    }
}

fn job(task: &v1::SheetTask, sheet: &v1::Sheet) -> Job {
    let step = |step: &v1::SheetStep| {
        let alone = if step.alone {
            ", nobody else there"
        } else {
            ""
        };
        let minutes = match step.from_minute {
            Some(from) => format!("{from} to {}", from + step.minutes),
            None => format!("{} min", step.minutes),
        };
        let text = format!("{} {} {minutes}{alone}", step.craft, side(step.side));
        (text, step.in_longest_chain)
    };
    Job {
        what: if task.component.is_empty() {
            task.title.clone()
        } else {
            let number = told::tail(&task.of);
            format!("{}: {} (defect {number})", task.component, task.title)
        },
        action: task.action.clone(),
        remark: task.remark.clone(),
        safety: task.safety,
        due: due(task.due_unix_ms, words::due_counts_from(task, sheet)),
        steps: task.steps.iter().map(step).collect(),
        part: task.part.as_ref().map_or_else(
            || "not named".to_owned(),
            |part| {
                let known = told::word(part.on_hand().as_str_name(), "ON_HAND_");
                format!("{}: {known}", part.part)
            },
        ),
        why: task.why.clone(),
    }
}

/// When it comes in, and by whose word where somebody had said that it would not.
fn comes_in(arrival: &v1::Arrival) -> String {
    let at = told::minute(arrival.arrives_unix_ms);
    match &arrival.restored {
        Some(restored) => format!("{at}; cancelled, and on the list again by {}", restored.by),
        None => at,
    }
}

fn facts(sheet: &v1::Sheet, arrival: &v1::Arrival) -> Vec<(&'static str, String)> {
    let health = sheet.health.clone().unwrap_or_default();
    let next = told::minute(sheet.next_stop_unix_ms);
    let heard = match health.newest_event_unix_ms {
        None => "never".to_owned(),
        Some(newest) if health.silent => format!("silent since {}", told::minute(newest)),
        Some(newest) => format!("up to {}", told::minute(newest)),
    };
    let mut facts = vec![
        ("class", told::tail(&sheet.unit_class).to_owned()),
        ("in", comes_in(arrival)),
        ("out", told::minute(sheet.leaves_unix_ms)),
        (
            "work",
            work(sheet.planned_minutes, sheet.stop_minutes, sheet.all_minutes),
        ),
        (
            "lockout",
            match sheet.lockout_minutes {
                0 => "no time set for it".to_owned(),
                minutes => format!("{minutes} min of the stop"),
            },
        ),
        (
            "next stop",
            match told::tail(&sheet.next_stop_point) {
                "" => format!("{next}, assumed"),
                point => format!("{next} at {point}"),
            },
        ),
        (
            "state",
            sheet.state.as_ref().map_or_else(
                || "not known".to_owned(),
                |state| {
                    let word = state.state.replace('_', " ");
                    let since = told::minute(state.from_unix_ms);
                    format!("{word} since {since} ({})", state.source)
                },
            ),
        ),
        ("heard", heard),
    ];
    if !health.silent_channels.is_empty() {
        let silent = words::silent_since(&health.silent_channels, told::minute);
        facts.push(("silent", silent));
    }
    facts.push(("as of", told::minute(sheet.as_of_unix_ms)));
    facts
}

fn fill(fill: &v1::SheetFill) -> [String; 4] {
    let level = match (fill.level, fill.silent) {
        (None, _) => "never heard: gauge it".to_owned(),
        (Some(_), true) => {
            format!(
                "silent since {}: gauge it",
                told::minute(fill.level_unix_ms)
            )
        }
        (level, false) => format!(
            "{} of {}",
            words::amount(level, &fill.ucum),
            words::amount(fill.full, &fill.ucum)
        ),
    };
    [
        fill.name.clone(),
        level,
        words::amount(fill.at_next_stop.map(|left| left.max(0.0)), &fill.ucum),
        words::to_fill(fill),
    ]
}

fn wear(wear: &v1::SheetWear, as_of: i64) -> [String; 4] {
    [
        wear.name.clone(),
        words::worn(wear),
        words::amount(Some(wear.limit), &wear.ucum),
        due(wear.due_unix_ms, as_of),
    ]
}

fn inspection(one: &v1::SheetInspection) -> (String, String, String, bool, String) {
    let due = match (one.due_by_unix_ms, one.overdue) {
        (None, _) => "not known".to_owned(),
        (Some(by), true) => format!("overdue since {}", told::minute(by)),
        (Some(by), false) => format!("by {}", told::minute(by)),
    };
    let every = words::every(one);
    (
        one.title.clone(),
        one.last_unix_ms
            .map_or_else(|| "nobody said".to_owned(), told::minute),
        due,
        one.due != Some(false),
        format!("{every}: {}", one.source),
    )
}

fn sheet_page(sheet: &v1::Sheet) -> SheetPage {
    let arrival = sheet.arrival.clone().unwrap_or_default();
    let as_of = sheet.as_of_unix_ms;
    let unit = told::tail(&arrival.unit).to_owned();
    let is_planned = |task: &&v1::SheetTask| task.verdict() == v1::TaskVerdict::Do;
    let groups = [
        (
            "Due before the next stop and not done: ask the desk",
            Some(false),
        ),
        ("Not known whether due: look", None),
        ("Can wait", Some(true)),
    ];
    let left = groups.into_iter().filter_map(|(heading, may_wait)| {
        let tasks = words::left_undone(sheet, may_wait).into_iter();
        let jobs: Vec<Job> = tasks.map(|task| job(task, sheet)).collect();
        (!jobs.is_empty()).then_some((heading, jobs))
    });
    let owed: Vec<&str> = sheet
        .findings_owed
        .iter()
        .map(|name| told::tail(name))
        .collect();
    SheetPage {
        unit_path: told::segment(&unit),
        unit,
        point: told::tail(&arrival.point).to_owned(),
        facts: facts(sheet, &arrival),
        cautions: sheet
            .cautions
            .iter()
            .map(|caution| (caution.text.clone(), caution.of_this_unit))
            .collect(),
        planned: sheet
            .tasks
            .iter()
            .filter(is_planned)
            .map(|task| job(task, sheet))
            .collect(),
        left: left.collect(),
        fills: sheet.fills.iter().map(fill).collect(),
        wears: sheet.wears.iter().map(|row| wear(row, as_of)).collect(),
        inspections: sheet.inspections.iter().map(inspection).collect(),
        repairs: sheet.repairs.iter().map(repair).collect(),
        owed: owed.join(", "),
    }
}

fn repair(repair: &v1::SheetRepair) -> [String; 4] {
    let at = repair
        .after_repair_unix_ms
        .map(told::minute)
        .unwrap_or_default();
    [
        format!("{}: {}", repair.component, repair.title),
        told::tail(&repair.defect).to_owned(),
        told::minute(repair.repaired_unix_ms),
        words::after_repair(repair.after_repair(), &at),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_tells_instants_and_what_it_does_not_know() {
        let gauge = v1::SheetTask {
            kind: v1::TaskKind::Renew.into(),
            of: "brake shoes".to_owned(),
            title: "Gauge brake shoes".to_owned(),
            verdict: v1::TaskVerdict::NotKnown.into(),
            why: "how it stands, or how fast it changes, is not known".to_owned(),
            due_unix_ms: Some(120_000),
            ..v1::SheetTask::default()
        };
        let shoes = |now| v1::Sheet {
            as_of_unix_ms: 60_000,
            wears: vec![v1::SheetWear {
                name: "brake shoes".to_owned(),
                now,
                ..v1::SheetWear::default()
            }],
            ..v1::Sheet::default()
        };
        let known = job(&gauge, &shoes(Some(32.0)));
        assert_eq!(
            (known.due.as_str(), known.part.as_str()),
            ("by 1970-01-01 00:02", "not named")
        );
        assert_eq!(known.why, gauge.why);
        assert_eq!(due(Some(60_000), 120_000), "overdue since 1970-01-01 00:01");
    }
}
