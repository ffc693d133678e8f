//! The board: what needs an answer, ordered by when the answer is due.

use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::{Query, State};
use axum::response::{Html, IntoResponse, Response};
use futures::TryStreamExt;
use serde::Deserialize;
use std::collections::HashMap;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};
use wheeltap_client::CallError;
use wheeltap_proto::v1;

/// Rows shown at once; what is due later is counted.
const MOST_ROWS: usize = 400;
const HOUR_MS: i64 = 3_600_000;

/// What an act said, shown once above the board.
#[derive(Default, Deserialize)]
pub struct Said {
    #[serde(default)]
    said: String,
    #[serde(default)]
    defect: u64,
}

/// One open defect.
pub struct Row {
    pub number: u64,
    pub due: String,
    pub due_iso: String,
    pub is_over: bool,
    pub unit: String,
    pub unit_path: String,
    pub component: String,
    pub title: String,
    pub priority: String,
    pub action: String,
    pub basis_withdrawn: bool,
    pub alerts: Vec<AlertLine>,
    /// Who took it on, and what they wrote.
    pub answer: Option<String>,
}

/// One alert of a defect.
pub struct AlertLine {
    pub number: String,
    pub said: String,
    pub evidence: String,
}

/// Rows that are due in one stretch of time.
pub struct Group {
    pub heading: &'static str,
    pub rows: Vec<Row>,
}

/// All that the board shows.
#[derive(Template)]
#[template(path = "rows.html")]
pub struct Rows {
    pub waiting: Vec<Group>,
    pub taken: Vec<Row>,
    pub n_more: usize,
    pub n_waiting: usize,
    pub generation: u64,
    pub as_of: String,
}

#[derive(Template)]
#[template(path = "board.html")]
struct Page {
    rows: Arc<str>,
    said: String,
}

/// `GET /`.
pub async fn page(State(pages): State<Pages>, Query(said): Query<Said>) -> Response {
    let said = match said.said.as_str() {
        "taken" => format!("Defect {} is yours.", said.defect),
        "others" => format!(
            "Somebody else was faster with defect {}: it says who.",
            said.defect
        ),
        _ => String::new(),
    };
    match rendered(&pages).await {
        Ok(rows) => shown(Page { rows, said }.render()),
        Err(refusal) => refusal,
    }
}

/// The rows, made once for all who look.
async fn rendered(pages: &Pages) -> Result<Arc<str>, Response> {
    let make = async {
        let rows = read(pages).await.map_err(|error| refused(&error))?;
        rows.render().map_err(|error| shown(Err(error)))
    };
    pages.live.rows(make).await
}

/// `GET /board`: the rows alone, for the script.
pub async fn rows(State(pages): State<Pages>) -> Response {
    match rendered(&pages).await {
        Ok(rows) => Html(rows.to_string()).into_response(),
        Err(refusal) => refusal,
    }
}

pub fn now_ms() -> i64 {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

async fn read(pages: &Pages) -> Result<Rows, CallError> {
    // Asked first: what changes while the lists are read makes a newer generation.
    let generation = pages.live.now().generation;
    let open = v1::DefectFilter {
        status: v1::DefectStatus::Suspected.into(),
        ..v1::DefectFilter::default()
    };
    let mut defects: Vec<v1::Defect> = pages.connection.list_defects(open).try_collect().await?;
    let n_all = defects.len();
    defects.truncate(MOST_ROWS);
    let mut alerts: HashMap<String, Vec<v1::Alert>> = HashMap::new();
    let mut listed = pages.connection.list_alerts(v1::AlertFilter::default());
    let mut n_wanted: usize = defects.iter().map(|defect| defect.alerts.len()).sum();
    let wanted: std::collections::HashSet<&String> =
        defects.iter().flat_map(|defect| &defect.alerts).collect();
    while let Some(alert) = listed.try_next().await? {
        if wanted.contains(&alert.name) {
            alerts.entry(alert.defect.clone()).or_default().push(alert);
            n_wanted -= 1;
        }
        if n_wanted == 0 {
            break;
        }
    }
    Ok(sorted(defects, &mut alerts, n_all, generation, now_ms()))
}

fn sorted(
    defects: Vec<v1::Defect>,
    alerts: &mut HashMap<String, Vec<v1::Alert>>,
    n_all: usize,
    generation: u64,
    now_ms: i64,
) -> Rows {
    let mut waiting = [
        ("Over", i64::MIN..0),
        ("Within the hour", 0..HOUR_MS),
        ("Within 12 h", HOUR_MS..12 * HOUR_MS),
        ("Later", 12 * HOUR_MS..i64::MAX),
    ]
    .map(|(heading, left)| {
        (
            left,
            Group {
                heading,
                rows: Vec::new(),
            },
        )
    });
    let mut taken = Vec::new();
    let n_more = n_all - defects.len();
    for defect in defects {
        let left_ms = defect.due_unix_ms.saturating_sub(now_ms);
        let alerts = alerts.remove(&defect.name).unwrap_or_default();
        let row = row(defect, &alerts, left_ms);
        if row.answer.is_some() {
            taken.push(row);
        } else if let Some((_, group)) =
            waiting.iter_mut().find(|(left, _)| left.contains(&left_ms))
        {
            group.rows.push(row);
        }
    }
    let waiting: Vec<Group> = waiting
        .into_iter()
        .map(|(_, group)| group)
        .filter(|group| !group.rows.is_empty())
        .collect();
    Rows {
        n_waiting: waiting.iter().map(|group| group.rows.len()).sum(),
        waiting,
        taken,
        n_more,
        generation,
        as_of: told::instant(now_ms.div_euclid(1_000) * 1_000),
    }
}

fn row(defect: v1::Defect, alerts: &[v1::Alert], left_ms: i64) -> Row {
    let priority = told::word(defect.priority().as_str_name(), "PRIORITY_");
    let number = told::tail(&defect.name).parse().unwrap_or_default();
    let unit = told::tail(&defect.unit).to_owned();
    let lines = alerts.iter().map(|alert| AlertLine {
        number: told::tail(&alert.name).to_owned(),
        said: condition(alert),
        evidence: told::evidence(alert.evidence.as_ref()),
    });
    Row {
        number,
        due: if left_ms < 0 {
            format!("{} over", told::span(-left_ms))
        } else {
            format!("in {}", told::span(left_ms))
        },
        due_iso: told::instant(defect.due_unix_ms),
        is_over: left_ms < 0,
        unit_path: told::segment(&unit),
        unit,
        component: defect.component,
        title: defect.title,
        priority,
        action: defect.action,
        basis_withdrawn: defect.basis_withdrawn,
        answer: answer(alerts),
        alerts: lines.collect(),
    }
}

/// Who took it on: all that stands of it must have an answer.
fn answer(alerts: &[v1::Alert]) -> Option<String> {
    // What was told with another of the train asks for no answer of its own.
    let counts = |alert: &&v1::Alert| {
        alert.condition() != v1::Condition::Withdrawn && alert.told_with.is_empty()
    };
    if alerts
        .iter()
        .filter(counts)
        .any(|alert| alert.acknowledgement.is_none())
    {
        return None;
    }
    let newest = alerts
        .iter()
        .filter_map(|alert| alert.acknowledgement.as_ref())
        .max_by_key(|answer| answer.at_unix_ms)?;
    let note = match newest.note.as_str() {
        "" => String::new(),
        note => format!(": {note}"),
    };
    Some(format!(
        "{}, {}{note}",
        newest.by,
        told::minute(newest.at_unix_ms)
    ))
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

    fn defect(number: u64, due_unix_ms: i64) -> v1::Defect {
        v1::Defect {
            name: format!("defects/{number}"),
            unit: "units/ZVR 1".to_owned(),
            due_unix_ms,
            ..v1::Defect::default()
        }
    }

    fn alert(acknowledged: bool) -> v1::Alert {
        v1::Alert {
            condition: v1::Condition::Standing.into(),
            acknowledgement: acknowledged.then(|| v1::alert::Acknowledgement {
                by: "desk 1".to_owned(),
                at_unix_ms: 60_000,
                note: "crew told".to_owned(),
            }),
            ..v1::Alert::default()
        }
    }

    #[test]
    fn rows_are_grouped_by_when_the_answer_is_due() {
        let now = 1_000 * HOUR_MS;
        let defects = vec![
            defect(1, now - 1),
            defect(2, now),
            defect(3, now + HOUR_MS),
            defect(4, now + 12 * HOUR_MS),
            defect(5, now + 1),
        ];
        let mut alerts = HashMap::from([
            ("defects/1".to_owned(), vec![alert(true), alert(false)]),
            ("defects/5".to_owned(), vec![alert(true), alert(true)]),
        ]);
        let rows = sorted(defects, &mut alerts, 7, 3, now);
        let groups: Vec<(&str, Vec<u64>)> = rows
            .waiting
            .iter()
            .map(|group| {
                (
                    group.heading,
                    group.rows.iter().map(|row| row.number).collect(),
                )
            })
            .collect();
        assert_eq!(
            groups,
            [
                ("Over", vec![1]),
                ("Within the hour", vec![2]),
                ("Within 12 h", vec![3]),
                ("Later", vec![4])
            ]
        );
        let with = v1::Alert {
            told_with: "alerts/7".to_owned(),
            unit: "units/ZVR 2".to_owned(),
            ..alert(false)
        };
        assert_eq!(answer(&[alert(true), with.clone()]), answer(&[alert(true)]));
        assert!(condition(&with).starts_with("ZVR 2 (told with alert 7), since"));
        // One unanswered alert of two keeps a defect waiting.
        assert_eq!(
            (rows.taken.len(), rows.taken[0].number, rows.n_more),
            (1, 5, 2)
        );
        assert_eq!(
            rows.taken[0].answer.as_deref(),
            Some("desk 1, 1970-01-01 00:01: crew told")
        );
        assert_eq!(rows.waiting[0].rows[0].due, "0 s over");
    }

    #[test]
    fn a_report_without_an_alert_waits() {
        assert_eq!(answer(&[]), None);
    }
}
