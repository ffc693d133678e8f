//! One unit: what it does, what is wrong with it, and how its measurements went.

use crate::defect::found_words;
use crate::series::{self, Shade};
use crate::{Pages, board, refused, shown, told};
use askama::Template;
use axum::extract::{Path, Query};
use axum::response::Response;
use futures::{StreamExt, TryStreamExt};
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_proto::{v1, words};

/// Alerts listed at most.
const MOST_ALERTS: usize = 100;
/// Items for the shop and closed defects listed at most.
const MOST_PAST: usize = 10;
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

/// One defect that is over.
struct Closed {
    number: String,
    what: String,
    /// By the unit's clock, as is the repair; the server may have been told of both long after.
    first_sign: String,
    found: String,
    repaired: String,
}

/// An alert of a rule that only makes items for the shop, or several of channels that fell silent together.
struct Item {
    title: String,
    said: String,
    evidence: String,
    /// Numbers of their defects.
    defects: Vec<String>,
}

/// An open defect, or several of channels that fell silent together.
struct Open {
    numbers: Vec<String>,
    left: String,
    what: String,
    action: String,
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
    defects: Vec<Open>,
    closed: Vec<Closed>,
    /// What was told to the desk.
    alerts: Vec<AlertRow>,
    has_more: bool,
    /// What rang nobody, and is for the shop.
    items: Vec<Item>,
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
pub async fn list(pages: Pages) -> Response {
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
    pages: Pages,
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
    let (alerts, items, has_more) = alerts(pages, &unit.name).await?;
    let open = v1::DefectFilter {
        unit: unit.name.clone(),
        open: true,
        ..v1::DefectFilter::default()
    };
    let defects: Vec<v1::Defect> = connection.list_defects(open).try_collect().await?;
    let closed = closed(pages, &unit.name).await?;
    let mutes: Vec<v1::Mute> = connection.list_mutes(false).try_collect().await?;
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
        facts: facts(&unit, &mutes),
        defects: open_defects(defects),
        closed,
        alerts: alerts.iter().map(alert).collect(),
        items: items_of(items),
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

/// A unit's alerts, newest first: those told to the desk, those for the shop alone, and whether there are more
/// of the former.
async fn alerts(
    pages: &Pages,
    unit: &str,
) -> Result<(Vec<v1::Alert>, Vec<v1::Alert>, bool), CallError> {
    let filter = v1::AlertFilter {
        unit: unit.to_owned(),
        ..v1::AlertFilter::default()
    };
    let with_others = v1::AlertFilter {
        show_trial: true,
        ..filter.clone()
    };
    let newest = |filter| {
        let listed = pages.connection.list_alerts(filter);
        listed.take(MOST_ALERTS + 1).try_collect::<Vec<v1::Alert>>()
    };
    let mut told = newest(filter).await?;
    let mut items = newest(with_others).await?;
    // What is listed only with those on trial and is on none is for the shop.
    items.retain(|item| !item.trial && told.iter().all(|alert| alert.name != item.name));
    let has_more = told.len() > MOST_ALERTS;
    told.truncate(MOST_ALERTS);
    Ok((told, items, has_more))
}

/// The latest defects that are over, those whose finding is owed among them.
async fn closed(pages: &Pages, unit: &str) -> Result<Vec<Closed>, CallError> {
    let mut over = Vec::new();
    for status in [v1::DefectStatus::Closed, v1::DefectStatus::FindingOwed] {
        let request = v1::ListDefectsRequest {
            page_size: i32::try_from(MOST_PAST).unwrap_or(i32::MAX),
            filter: Some(v1::DefectFilter {
                unit: unit.to_owned(),
                status: status.into(),
                ..v1::DefectFilter::default()
            }),
            latest_first: true,
            ..v1::ListDefectsRequest::default()
        };
        let listed = pages.connection.defects().list_defects(request).await?;
        over.extend(listed.into_inner().defects);
    }
    over.sort_by_key(|defect| std::cmp::Reverse(defect.opened_unix_ms));
    over.truncate(MOST_PAST);
    let row = |defect: &v1::Defect| Closed {
        number: told::tail(&defect.name).to_owned(),
        what: format!("{}: {}", defect.component, defect.title),
        first_sign: told::minute(defect.first_sign_unix_ms),
        found: match &defect.finding {
            Some(found) => found_words(found),
            None => format!("owed: {}", defect.closed_note),
        },
        repaired: defect
            .finding
            .as_ref()
            .map_or_else(String::new, |found| told::minute(found.repaired_unix_ms)),
    };
    Ok(over.iter().map(row).collect())
}

/// What several titles say of silent channels, in one; the title of one alone.
fn silent_titles<'a>(titles: impl Iterator<Item = &'a str> + Clone) -> String {
    let channels: Vec<&str> = titles.clone().filter_map(words::silent_channel).collect();
    match channels.as_slice() {
        [] | [_] => titles.collect(),
        channels => words::are_silent(channels),
    }
}

fn items_of(alerts: Vec<v1::Alert>) -> Vec<Item> {
    let stands = |alert: &v1::Alert| alert.condition() == v1::Condition::Standing;
    let since = |alert: &v1::Alert| {
        let seen = alert.evidence.as_ref();
        let since = seen.map_or(alert.raised_unix_ms, |seen| seen.since_unix_ms);
        (stands(alert) && words::silent_channel(&alert.title).is_some()).then_some(since)
    };
    let gaps = words::by_gap(alerts, since).into_iter().take(MOST_PAST);
    let item = |gap: Vec<v1::Alert>| Item {
        title: silent_titles(gap.iter().map(|alert| alert.title.as_str())),
        said: gap.first().map(board::condition).unwrap_or_default(),
        evidence: match gap.as_slice() {
            [one] => told::evidence(one.evidence.as_ref()),
            _ => String::new(),
        },
        defects: gap
            .iter()
            .map(|alert| told::tail(&alert.defect).to_owned())
            .filter(|number| !number.is_empty())
            .collect(),
    };
    gaps.map(item).collect()
}

/// `all rules until somebody lifts it, Ada Brook: at the paint shop`.
fn mute_words(mute: &v1::Mute) -> String {
    let rule = match told::tail(&mute.rule) {
        "" => "all rules",
        rule => rule,
    };
    let part = match mute.part.as_str() {
        "" => String::new(),
        part => format!(", {part}"),
    };
    let end = board::mute_end(mute);
    format!("{rule}{part} until {end}, {}: {}", mute.by, mute.reason)
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

fn facts(unit: &v1::Unit, mutes: &[v1::Mute]) -> Vec<(&'static str, String)> {
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
    for mute in mutes.iter().filter(|mute| mute.unit == unit.name) {
        let how = match mute.kind() {
            v1::MuteKind::OutOfService => "out of service",
            _ => "shelved",
        };
        facts.push((how, mute_words(mute)));
    }
    facts
}

fn open_defects(defects: Vec<v1::Defect>) -> Vec<Open> {
    let since = |defect: &v1::Defect| {
        words::silent_channel(&defect.title).map(|_| defect.first_sign_unix_ms)
    };
    let gaps = words::by_gap(defects, since).into_iter();
    let open = |gap: Vec<v1::Defect>| Open {
        numbers: gap
            .iter()
            .map(|defect| told::tail(&defect.name).to_owned())
            .collect(),
        left: gap.first().map_or_else(String::new, |soonest| {
            board::left(soonest.due_unix_ms - board::now_ms())
        }),
        what: match gap.as_slice() {
            [one] => format!("{}: {}", one.component, one.title),
            gap => silent_titles(gap.iter().map(|defect| defect.title.as_str())),
        },
        action: gap
            .first()
            .map(|one| one.action.clone())
            .unwrap_or_default(),
    };
    gaps.map(open).collect()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_fell_silent_together_is_one_line_with_every_name() {
        let alert = |number: u64, title: &str, since_minute: i64| v1::Alert {
            name: format!("alerts/{number}"),
            title: title.to_owned(),
            defect: format!("defects/{number}"),
            condition: v1::Condition::Standing.into(),
            raised_unix_ms: since_minute * 60_000,
            ..v1::Alert::default()
        };
        let ended = v1::Alert {
            condition: v1::Condition::Ended.into(),
            ..alert(5, "d is silent", 1)
        };
        let items = items_of(vec![
            alert(1, "a is silent", 2),
            alert(2, "Filter clogs", 2),
            alert(3, "b is silent", 1),
            alert(4, "c is silent", 60),
            ended,
        ]);
        let told: Vec<(&str, usize)> = items
            .iter()
            .map(|item| (item.title.as_str(), item.defects.len()))
            .collect();
        assert_eq!(
            told,
            [
                ("a, b are silent", 2),
                ("Filter clogs", 1),
                ("c is silent", 1),
                ("d is silent", 1)
            ]
        );
        let defect = |number: u64, title: &str| v1::Defect {
            name: format!("defects/{number}"),
            title: title.to_owned(),
            component: "horn".to_owned(),
            ..v1::Defect::default()
        };
        let open = open_defects(vec![
            defect(1, "a is silent"),
            defect(2, "weak"),
            defect(3, "b is silent"),
        ]);
        let told: Vec<(&str, &[String])> = open
            .iter()
            .map(|open| (open.what.as_str(), open.numbers.as_slice()))
            .collect();
        let numbers = |numbers: &[&str]| -> Vec<String> {
            numbers.iter().map(|number| (*number).to_owned()).collect()
        };
        assert_eq!(
            told,
            [
                ("a, b are silent", &numbers(&["1", "3"])[..]),
                ("horn: weak", &numbers(&["2"])[..])
            ]
        );
    }
}
