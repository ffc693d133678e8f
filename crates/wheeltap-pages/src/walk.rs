//! Walking back from a failure: what differed before it, since when, who shows it, and a drafted rule.

use crate::acts::when_from;
use crate::board::now_ms;
use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::Query;
use axum::response::Response;
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_model::gauge_words;
use wheeltap_proto::v1::walk_back_response::Item;
use wheeltap_proto::{v1, words};

/// Which failure.
#[derive(Default, Deserialize)]
pub struct Wanted {
    #[serde(default)]
    unit: String,
    #[serde(default)]
    component: String,
    /// Event time, as forms take it or in Unix milliseconds; empty or 0 for the unit's newest data.
    #[serde(default)]
    at: String,
}

struct Row {
    rank: usize,
    what: String,
    channel: String,
    score: String,
    here: String,
    usually: String,
    class: String,
    since: String,
    /// Other units that show it today.
    today: Vec<String>,
}

#[derive(Template)]
#[template(path = "walk.html")]
struct Page {
    unit: String,
    unit_path: String,
    component: String,
    /// As it was asked.
    at: String,
    said: String,
    /// Nothing was asked yet.
    is_blank: bool,
    rows: Vec<Row>,
    /// What is said where there are no rows.
    nothing: &'static str,
    least: String,
    draft: String,
    draft_path: String,
    draft_load: String,
}

/// `GET /walk-back`: without a unit, the question alone.
pub async fn page(pages: Pages, Query(wanted): Query<Wanted>) -> Response {
    let blank = Page {
        unit: wanted.unit.clone(),
        unit_path: told::segment(&wanted.unit),
        component: wanted.component.clone(),
        at: wanted.at.clone(),
        said: String::new(),
        is_blank: true,
        rows: Vec::new(),
        nothing: "",
        least: String::new(),
        draft: String::new(),
        draft_path: String::new(),
        draft_load: String::new(),
    };
    if wanted.unit.trim().is_empty() || wanted.component.trim().is_empty() {
        return shown(blank.render());
    }
    let at = match at(&wanted.at, now_ms()) {
        Ok(at) => at,
        Err(refusal) => return *refusal,
    };
    match walked(&pages, &wanted, at).await {
        Ok(report) => {
            let page = Page {
                at: match at {
                    0 => String::new(),
                    at if at % 60_000 == 0 => told::minute(at),
                    at => told::instant(at),
                },
                ..made(&report)
            };
            shown(page.render())
        }
        Err(error) => refused(&error),
    }
}

/// Unix milliseconds of what was asked for, a span counted back from now; 0 for the newest data.
fn at(text: &str, now_ms: i64) -> Result<i64, Box<Response>> {
    // As in addresses that were kept.
    if let Ok(unix_ms) = text.trim().parse() {
        return Ok(unix_ms);
    }
    when_from(text, now_ms, -1).map(Option::unwrap_or_default)
}

async fn walked(pages: &Pages, wanted: &Wanted, at: i64) -> Result<v1::WalkBackReport, CallError> {
    let request = v1::WalkBackRequest {
        unit: format!("units/{}", wanted.unit.trim()),
        component: wanted.component.trim().to_owned(),
        at_unix_ms: at,
    };
    let answers = pages.connection.rules().walk_back(request).await;
    let mut answers = answers.map_err(CallError::from)?.into_inner();
    while let Some(message) = answers.message().await.map_err(CallError::from)? {
        if let Some(Item::Report(report)) = message.item {
            return Ok(report);
        }
    }
    Err(tonic::Status::unavailable("the service ended the walk back without a report").into())
}

fn made(report: &v1::WalkBackReport) -> Page {
    let unit = told::tail(&report.unit).to_owned();
    let silent = match report.silent_since_unix_ms {
        0 => String::new(),
        since => format!(
            " Nothing was heard of the unit since {}: look at its radio link first.",
            told::minute(since)
        ),
    };
    let load = report.draft_forecast.as_ref().map(|made| {
        if words::is_blind(made) {
            let why = words::no_verdict(made.n_units_blind, &made.never_known);
            return format!("Over what is stored it had no verdict {why}.");
        }
        let per_day = words::rings_a_day(made);
        format!("Over what is stored it would have rung so often a day: {per_day}.")
    });
    Page {
        unit_path: told::segment(&unit),
        unit,
        component: report.component.clone(),
        at: String::new(),
        said: format!(
            "{} to {}, against {} units of class {}, of them {} in its consist.{silent}",
            told::minute(report.from_unix_ms),
            told::minute(report.at_unix_ms),
            report.n_units,
            told::tail(&report.unit_class),
            report.n_mates
        ),
        is_blank: false,
        rows: report
            .findings
            .iter()
            .enumerate()
            .map(|(idx, finding)| row(idx + 1, finding))
            .collect(),
        nothing: if report.n_comparisons == 0 {
            "Nothing could be compared: there is too little data of the unit itself, or of its past, mates and class."
        } else {
            "Nothing differs."
        },
        least: format!(
            "Score: distance from its own past or its class, whichever is less, in standard deviations. \
             Of {} comparisons those under {} are not told, and some of those told are chance.",
            report.n_comparisons,
            told::number(report.least_score)
        ),
        draft: report.draft.clone(),
        draft_path: told::segment(told::tail(&report.draft_name)),
        draft_load: load.unwrap_or_default(),
    }
}

fn row(rank: usize, finding: &v1::WalkBackFinding) -> Row {
    let channel = told::tail(&finding.channel);
    let aspect = match finding.aspect() {
        v1::WalkBackAspect::Unspecified | v1::WalkBackAspect::Level => "",
        v1::WalkBackAspect::Swing => " moves",
        v1::WalkBackAspect::Rate => " changes",
        v1::WalkBackAspect::Heard => " is heard",
        v1::WalkBackAspect::Events => " counts",
    };
    let given: Vec<&str> = finding.given.iter().map(|name| told::tail(name)).collect();
    let mut what = format!("{}{aspect}", finding.title);
    if !given.is_empty() {
        what = format!("{what} for its {}", given.join(" and "));
    }
    if !finding.condition.is_empty() {
        what = format!("{what}, {}", finding.condition);
    }
    let figure = |value: f64| gauge_words(value, &finding.ucum);
    Row {
        rank,
        what,
        channel: channel.to_owned(),
        score: format!("{:.1}", finding.score),
        here: figure(finding.here),
        usually: finding.usually.map_or_else(|| "-".to_owned(), figure),
        class: figure(finding.expected),
        since: match finding.since_unix_ms {
            0 => "all along".to_owned(),
            since if finding.gradual => format!("{}, growing", told::minute(since)),
            since => told::minute(since),
        },
        today: finding
            .today
            .iter()
            .map(|one| told::tail(&one.unit).to_owned())
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_time_is_asked_for_as_in_other_forms_or_in_milliseconds() {
        let asked = |text| at(text, 7_200_000).unwrap_or(-1);
        assert_eq!((asked(""), asked("0"), asked("60000")), (0, 0, 60_000));
        assert_eq!(
            (asked("1970-01-01 00:01"), asked("1 h")),
            (60_000, 3_600_000)
        );
        assert!(at("noon", 0).is_err());
    }

    #[test]
    fn a_finding_is_told_in_words() {
        let finding = v1::WalkBackFinding {
            channel: "channels/engine.oil.temperature".to_owned(),
            title: "Oil temperature".to_owned(),
            aspect: v1::WalkBackAspect::Rate.into(),
            given: vec!["channels/engine.speed".to_owned()],
            condition: "notch 6 or more".to_owned(),
            score: 12.34,
            here: 103.256,
            expected: 90.0,
            ucum: "Cel".to_owned(),
            since_unix_ms: 60_000,
            gradual: true,
            ..v1::WalkBackFinding::default()
        };
        let row = row(1, &finding);
        assert_eq!(
            row.what,
            "Oil temperature changes for its engine.speed, notch 6 or more"
        );
        assert_eq!((row.here.as_str(), row.usually.as_str()), ("103 °C", "-"));
        assert_eq!(row.since, "1970-01-01 00:01, growing");
    }
}
