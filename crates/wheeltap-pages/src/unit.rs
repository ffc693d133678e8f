//! One unit: what it does, what is wrong with it, and how its measurements went.

use crate::series::{self, Shade};
use crate::{Pages, board, refused, shown, told};
use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use futures::{StreamExt, TryStreamExt};
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_proto::v1;

/// Alerts listed at most.
const MOST_ALERTS: usize = 100;
/// Plots shown when nobody chose.
const MOST_PLOTS: usize = 4;
/// Shown when no alert names a channel.
const USUAL: [&str; 3] = [
    "engine.coolant.temperature",
    "engine.oil.temperature",
    "traction.power",
];

/// Channels to plot, separated by spaces or commas.
#[derive(Default, Deserialize)]
pub struct Wanted {
    #[serde(default)]
    channels: String,
    #[serde(default)]
    add: String,
    /// Days back from the newest measurement; 1 when left out.
    #[serde(default)]
    days: Option<u32>,
}

/// Stretches offered, in days.
const STRETCHES: [(u32, &str); 4] = [(1, "day"), (7, "week"), (30, "month"), (365, "year")];

struct AlertRow {
    number: String,
    title: String,
    said: String,
    evidence: String,
    answer: String,
}

struct Plot {
    channel: String,
    title: String,
    without: String,
}

#[derive(Template)]
#[template(path = "unit.html")]
struct Page {
    unit: String,
    unit_path: String,
    facts: Vec<(&'static str, String)>,
    defects: Vec<(String, String, String, String)>,
    alerts: Vec<AlertRow>,
    has_more: bool,
    plots: Vec<Plot>,
    chosen: String,
    /// The chosen channels as part of an address.
    chosen_path: String,
    days: u32,
    stretches: [(u32, &'static str); 4],
    channels: Vec<(String, String)>,
    from: i64,
    to: i64,
    shades: String,
}

#[derive(Template)]
#[template(path = "unit_list.html")]
struct ListPage {
    /// Path, class, state, train, newest data, id.
    units: Vec<[String; 6]>,
}

/// `GET /units`.
pub async fn list(State(pages): State<Pages>) -> Response {
    let units: Result<Vec<v1::Unit>, CallError> =
        pages.connection.list_units(None).try_collect().await;
    let row = |unit: &v1::Unit| {
        let id = told::tail(&unit.name).to_owned();
        let train = unit
            .consist
            .as_ref()
            .map_or("", |consist| consist.train.as_str());
        [
            told::segment(&id),
            told::tail(&unit.unit_class).to_owned(),
            told::word(unit.state().as_str_name(), "UNIT_STATE_"),
            train.to_owned(),
            unit.newest_event_unix_ms
                .map_or_else(|| "none".to_owned(), told::minute),
            id,
        ]
    };
    match units {
        Ok(units) => shown(
            ListPage {
                units: units.iter().map(row).collect(),
            }
            .render(),
        ),
        Err(error) => refused(&error),
    }
}

/// `GET /units/{unit}`.
pub async fn page(
    State(pages): State<Pages>,
    Path(unit): Path<String>,
    Query(wanted): Query<Wanted>,
) -> Response {
    match read(&pages, unit, &wanted).await {
        Ok(page) => shown(page.render()),
        Err(error) => refused(&error),
    }
}

async fn read(pages: &Pages, name: String, wanted: &Wanted) -> Result<Page, CallError> {
    let connection = &pages.connection;
    let request = v1::GetUnitRequest {
        name: format!("units/{name}"),
    };
    let unit = connection.fleet().get_unit(request).await?.into_inner();
    let of_unit = v1::AlertFilter {
        unit: unit.name.clone(),
        ..v1::AlertFilter::default()
    };
    let listed = connection.list_alerts(of_unit).take(MOST_ALERTS + 1);
    let mut alerts: Vec<v1::Alert> = listed.try_collect().await?;
    let has_more = alerts.len() > MOST_ALERTS;
    alerts.truncate(MOST_ALERTS);
    let open = v1::DefectFilter {
        unit: unit.name.clone(),
        open: true,
        ..v1::DefectFilter::default()
    };
    let defects: Vec<v1::Defect> = connection.list_defects(open).try_collect().await?;
    let channels: Vec<v1::Channel> = connection.list_channels().try_collect().await?;
    let channels: Vec<(String, String)> = channels
        .into_iter()
        .filter(|channel| !matches!(channel.kind, Some(v1::channel::Kind::Event(_))))
        .map(|channel| (told::tail(&channel.name).to_owned(), channel.title))
        .collect();
    let chosen = chosen(wanted, &alerts, &channels);
    let days = wanted.days.unwrap_or(1).clamp(1, 3_660);
    let (from, to) = series::last_days(&unit, days);
    let shades: Vec<Shade> = series::shades(&alerts, to);
    let title = |channel: &String| {
        let found = channels.iter().find(|(name, _)| name == channel);
        found.map_or_else(String::new, |(_, title)| title.clone())
    };
    let plots = chosen.iter().map(|channel| Plot {
        title: title(channel),
        without: others(&chosen, channel),
        channel: channel.clone(),
    });
    Ok(Page {
        unit_path: told::segment(&name),
        unit: name,
        facts: facts(&unit),
        defects: defects.iter().map(defect).collect(),
        alerts: alerts.iter().map(alert).collect(),
        has_more,
        plots: plots.collect(),
        chosen: chosen.join(" "),
        chosen_path: told::segment(&chosen.join(" ")),
        days,
        stretches: STRETCHES,
        from,
        to,
        shades: serde_json::to_string(&shades).unwrap_or_default(),
        channels,
    })
}

fn others(chosen: &[String], channel: &str) -> String {
    let rest: Vec<&str> = chosen
        .iter()
        .map(String::as_str)
        .filter(|other| *other != channel)
        .collect();
    told::segment(&rest.join(" "))
}

/// The channels asked for, or those that the newest alerts looked at.
fn chosen(wanted: &Wanted, alerts: &[v1::Alert], known: &[(String, String)]) -> Vec<String> {
    let is_known = |name: &&str| known.iter().any(|(own, _)| own == name);
    let mut chosen: Vec<String> = Vec::new();
    let mut add = |name: &str| {
        if !chosen.iter().any(|old| old == name) {
            chosen.push(name.to_owned());
        }
    };
    let asked = wanted
        .channels
        .split([' ', ','])
        .chain([wanted.add.as_str()]);
    let asked: Vec<&str> = asked.filter(is_known).collect();
    if asked.is_empty() {
        let inputs = alerts.iter().filter_map(|alert| alert.evidence.as_ref());
        let seen = inputs
            .flat_map(|evidence| &evidence.inputs)
            .filter_map(|input| series::channel_of(&input.of));
        for name in seen.filter(is_known).take(MOST_PLOTS * 4) {
            add(name);
        }
        for name in USUAL.iter().copied().filter(is_known) {
            add(name);
        }
        chosen.truncate(MOST_PLOTS);
    } else {
        asked.into_iter().for_each(add);
    }
    chosen
}

fn facts(unit: &v1::Unit) -> Vec<(&'static str, String)> {
    let mut facts = vec![("class", told::tail(&unit.unit_class).to_owned())];
    if unit.road_number != told::tail(&unit.name) {
        facts.push(("road number", unit.road_number.clone()));
    }
    let state = told::word(unit.state().as_str_name(), "UNIT_STATE_");
    facts.push((
        "state",
        match unit.state_from_unix_ms {
            0 => state,
            from => format!(
                "{state} since {} ({})",
                told::minute(from),
                unit.state_source
            ),
        },
    ));
    if let Some(consist) = unit
        .consist
        .as_ref()
        .filter(|consist| !consist.train.is_empty())
    {
        let role = told::word(consist.role().as_str_name(), "CONSIST_ROLE_");
        facts.push((
            "train",
            format!("{}, place {}, {role}", consist.train, consist.order),
        ));
    }
    facts.push((
        "newest data",
        match unit.newest_event_unix_ms {
            Some(newest) => told::minute(newest),
            None => "none".to_owned(),
        },
    ));
    facts.push((
        "last heard",
        match unit.last_heard_unix_ms {
            Some(heard) => format!("{} ago", told::span(board::now_ms() - heard)),
            None => "not since the service started".to_owned(),
        },
    ));
    facts
}

fn defect(defect: &v1::Defect) -> (String, String, String, String) {
    let left_ms = defect.due_unix_ms - board::now_ms();
    let due = if left_ms < 0 {
        format!("{} over", told::span(-left_ms))
    } else {
        format!("in {}", told::span(left_ms))
    };
    (
        told::tail(&defect.name).to_owned(),
        due,
        format!("{}: {}", defect.component, defect.title),
        defect.action.clone(),
    )
}

fn alert(alert: &v1::Alert) -> AlertRow {
    AlertRow {
        number: told::tail(&alert.name).to_owned(),
        title: alert.title.clone(),
        said: board::condition(alert),
        evidence: told::evidence(alert.evidence.as_ref()),
        answer: alert.acknowledgement.as_ref().map_or_else(
            || "nobody".to_owned(),
            |answer| format!("{}, {}", answer.by, told::minute(answer.at_unix_ms)),
        ),
    }
}
