//! The rule book, and one rule: its text checked as it is written, tried on history, kept, promoted.

use crate::{Pages, refused, reports, shown, told};
use askama::Template;
use axum::Form;
use axum::extract::{Path, Query};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Redirect, Response};
use futures::{Stream, StreamExt, TryStreamExt, stream};
use serde::Deserialize;
use std::convert::Infallible;
use wheeltap_client::CallError;
use wheeltap_proto::v1::replay_rule_response::Item;
use wheeltap_proto::{v1, words};

/// Alerts of a try that are listed.
const MOST_TRIED: usize = 30;

struct ListRow {
    name: String,
    path: String,
    stage: String,
    priority: String,
    title: String,
    component: String,
    per_day: String,
    faulted: String,
}

#[derive(Template)]
#[template(path = "rule_list.html")]
struct ListPage {
    rules: Vec<ListRow>,
    /// That make items for the shop alone.
    for_shop: Vec<ListRow>,
}

#[derive(Template)]
#[template(path = "rule.html")]
struct RulePage {
    name: String,
    path: String,
    version: String,
    stage: String,
    said: String,
    facts: Vec<(&'static str, String)>,
    source: String,
    checked: Checked,
    /// Version, stage, since when and by whom, why, forecast.
    versions: Vec<[String; 5]>,
    stages: Vec<&'static str>,
    /// Its text has a `params()`.
    has_params: bool,
    scorecard: String,
}

/// What the checker and the cases say of a text.
#[derive(Template)]
#[template(path = "rule_checked.html")]
struct Checked {
    problems: Vec<v1::RuleProblem>,
    doubts: Vec<v1::RuleProblem>,
    /// What each kept case says, and whether it passed.
    cases: Vec<(String, bool, String)>,
    cost: String,
}

#[derive(Template)]
#[template(path = "rule_tried.html")]
struct Tried {
    facts: Vec<(&'static str, String)>,
    alerts: Vec<(String, String, String, String)>,
    n_alerts: usize,
}

/// `GET /rules`.
pub async fn list(pages: Pages) -> Response {
    let rules: Result<Vec<v1::Rule>, CallError> = pages.connection.list_rules().try_collect().await;
    match rules {
        Ok(rules) => {
            let (for_shop, rules): (Vec<&v1::Rule>, Vec<&v1::Rule>) =
                rules.iter().partition(|rule| rule.only_for_shop);
            let rows = |rules: Vec<&v1::Rule>| rules.into_iter().map(list_row).collect();
            let page = ListPage {
                rules: rows(rules),
                for_shop: rows(for_shop),
            };
            shown(page.render())
        }
        Err(error) => refused(&error),
    }
}

pub(crate) fn stage(rule: &v1::Rule) -> String {
    told::word(rule.stage().as_str_name(), "RULE_STAGE_")
}

/// `live, without a trial`.
fn stage_and_trial(rule: &v1::Rule) -> String {
    let trial = if rule.without_trial {
        ", without a trial"
    } else {
        ""
    };
    format!("{}{trial}", stage(rule))
}

fn per_day(forecast: Option<&v1::RuleForecast>) -> String {
    forecast.map_or_else(|| "-".to_owned(), words::rings_a_day)
}

fn list_row(rule: &v1::Rule) -> ListRow {
    let (name, _) = told::rule_and_version(&rule.name);
    ListRow {
        path: told::segment(name),
        name: name.to_owned(),
        stage: stage(rule),
        priority: told::word(rule.priority().as_str_name(), "PRIORITY_"),
        title: rule.title.clone(),
        component: rule.component.clone(),
        per_day: per_day(rule.forecast.as_ref()),
        faulted: match rule.n_units_faulted {
            0 => String::new(),
            n => format!("fails on {n}: {}", rule.last_fault),
        },
    }
}

/// What an act said, and which version is meant.
#[derive(Default, Deserialize)]
pub struct Wanted {
    #[serde(default)]
    said: String,
    #[serde(default)]
    version: String,
}

/// `GET /rules/{rule}`.
pub async fn page(
    pages: Pages,
    Path(name): Path<String>,
    Query(wanted): Query<Wanted>,
) -> Response {
    match read(&pages, name, wanted).await {
        Ok(page) => shown(page.render()),
        Err(error) => refused(&error),
    }
}

async fn read(pages: &Pages, name: String, wanted: Wanted) -> Result<RulePage, CallError> {
    let versioned = match wanted.version.as_str() {
        "" => format!("rules/{name}"),
        version => format!("rules/{name}/versions/{version}"),
    };
    let asked = v1::GetRuleRequest { name: versioned };
    let rule = pages.connection.rules().get_rule(asked).await?.into_inner();
    let all = v1::ListRulesRequest {
        all_versions: true,
        page_size: 1_000,
        ..v1::ListRulesRequest::default()
    };
    let all = pages.connection.rules().list_rules(all).await?.into_inner();
    let prefix = format!("rules/{name}/");
    let versions = all
        .rules
        .iter()
        .filter(|other| other.name.starts_with(&prefix));
    let versions = versions.map(|other| {
        let (_, version) = told::rule_and_version(&other.name);
        let since = match other.stage_from_unix_ms {
            i64::MIN..=0 => "the beginning".to_owned(),
            from => told::minute(from),
        };
        [
            version.to_owned(),
            stage_and_trial(other),
            format!("{} from {since}", other.stage_by),
            other.stage_reason.clone(),
            per_day(other.stage_forecast.as_ref()),
        ]
    });
    let versions = versions.collect();
    let checked = check(pages, &name, &rule.source, rule.cases.clone()).await?;
    let (_, version) = told::rule_and_version(&rule.name);
    let version = version.to_owned();
    let stage = stage(&rule);
    let scorecard = reports::of_rule(pages, &name).await?;
    Ok(RulePage {
        scorecard,
        path: told::segment(&name),
        name,
        version,
        said: match wanted.said.as_str() {
            "kept" => "Kept as a draft.".to_owned(),
            "moved" => format!("Moved: it is {stage} now."),
            _ => String::new(),
        },
        stages: ["trial", "live", "retired"]
            .into_iter()
            .filter(|other| *other != stage)
            .collect(),
        stage,
        facts: facts(&rule),
        has_params: rule.source.contains("fn params()"),
        checked,
        source: rule.source,
        versions,
    })
}

fn facts(rule: &v1::Rule) -> Vec<(&'static str, String)> {
    let mut facts = vec![
        ("title", rule.title.clone()),
        ("component", format!("{}, {}", rule.system, rule.component)),
        (
            "priority",
            told::word(rule.priority().as_str_name(), "PRIORITY_"),
        ),
        ("answer within", told::span(rule.respond_within_ms)),
    ];
    if rule.safety {
        facts.push(("safety", "never muted".to_owned()));
    }
    if rule.without_trial {
        let why = format!("{}: {}", stage_and_trial(rule), rule.stage_reason);
        facts.push(("went", why));
    }
    if rule.n_units_faulted > 0 {
        facts.push((
            "fails",
            format!(
                "on {}: {}",
                words::units(rule.n_units_faulted.into()),
                rule.last_fault
            ),
        ));
    }
    facts
}

/// A rule's text as it stands in the page.
#[derive(Deserialize)]
pub struct Text {
    source: String,
}

/// `POST /rules/{rule}/check`: what is wrong with the text, as one writes.
pub async fn checked(
    pages: Pages,
    Path(name): Path<String>,
    Form(Text { source }): Form<Text>,
) -> Response {
    let cases = newest_cases(&pages, &name).await;
    match check(&pages, &name, &unix_lines(&source), cases).await {
        Ok(checked) => shown(checked.render()),
        Err(error) => refused(&error),
    }
}

/// The cases of the newest version; a rule that is not kept yet has none.
async fn newest_cases(pages: &Pages, name: &str) -> Option<v1::RuleCases> {
    let asked = v1::GetRuleRequest {
        name: format!("rules/{name}"),
    };
    let newest = pages.connection.rules().get_rule(asked).await;
    newest.ok()?.into_inner().cases
}

/// Browsers send lines that end in CRLF; a version is a digest of the text.
fn unix_lines(source: &str) -> String {
    source.replace("\r\n", "\n")
}

async fn check(
    pages: &Pages,
    name: &str,
    source: &str,
    cases: Option<v1::RuleCases>,
) -> Result<Checked, CallError> {
    let vet = v1::VetRuleRequest {
        name: format!("rules/{name}"),
        source: source.to_owned(),
    };
    let vetted = pages.connection.rules().vet_rule(vet).await?.into_inner();
    let mut checked = Checked {
        cost: match vetted.bytes_per_unit {
            0 => String::new(),
            bytes => format!(
                "{} kB of windows and {} ms of a core a day for each unit",
                told::number((bytes as f64 / 100.0).round() / 10.0),
                told::number(vetted.core_ms_per_unit_day.round())
            ),
        },
        problems: vetted.problems,
        doubts: vetted.doubts,
        cases: Vec::new(),
    };
    if checked.problems.is_empty() && cases.is_some() {
        let results = try_cases(pages, name, source, cases).await?;
        let told = results.into_iter().map(|result| {
            let says = match (result.misses.is_empty(), result.alerts.len()) {
                (false, _) => result.misses.join("; "),
                (true, 0) if result.knew_nothing => {
                    "quiet: the rule knew nothing at any tick, so this tests nothing".to_owned()
                }
                (true, 0) => "quiet, as it says".to_owned(),
                (true, n) => format!("{n} as it says"),
            };
            (result.name, result.misses.is_empty(), says)
        });
        checked.cases = told.collect();
    }
    Ok(checked)
}

async fn try_cases(
    pages: &Pages,
    name: &str,
    source: &str,
    cases: Option<v1::RuleCases>,
) -> Result<Vec<v1::RuleCaseResult>, CallError> {
    let request = v1::TryRuleCasesRequest {
        name: format!("rules/{name}"),
        source: source.to_owned(),
        cases,
    };
    let tried = pages.connection.rules().try_rule_cases(request).await?;
    Ok(tried.into_inner().results)
}

/// The cases of a version that do not come as they say, and why.
pub(crate) async fn failing_cases(
    pages: &Pages,
    name: &str,
    rule: &v1::Rule,
) -> Result<Vec<(String, String)>, CallError> {
    let tried = try_cases(pages, name, &rule.source, rule.cases.clone()).await?;
    let failing = tried.into_iter().filter(|result| !result.misses.is_empty());
    Ok(failing
        .map(|result| (result.name, result.misses.join("; ")))
        .collect())
}

/// `POST /rules/{rule}/try`: what the text would have done over the last 30 days of history, as
/// server-sent events: `progress` in per cent, then `done` with a part of the page, or `refused`.
pub async fn tried(
    pages: Pages,
    Path(name): Path<String>,
    Form(Text { source }): Form<Text>,
) -> Response {
    let request = v1::ReplayRuleRequest {
        name: format!("rules/{name}"),
        source: unix_lines(&source),
        ..v1::ReplayRuleRequest::default()
    };
    match pages.connection.rules().replay_rule(request).await {
        Ok(answers) => Sse::new(told_of(answers.into_inner())).into_response(),
        Err(status) => {
            let error = CallError::from(status);
            let event = Event::default()
                .event("refused")
                .data(one_line(&error.message));
            let only: Result<Event, Infallible> = Ok(event);
            Sse::new(stream::iter([only])).into_response()
        }
    }
}

fn one_line(text: &str) -> String {
    text.replace('\n', "; ")
}

/// Dropping the stream, when the browser goes, ends the call and so the work.
fn told_of(
    answers: tonic::Streaming<v1::ReplayRuleResponse>,
) -> impl Stream<Item = Result<Event, Infallible>> {
    let state = (Some(answers), Vec::new(), Vec::new());
    stream::unfold(state, |(answers, mut alerts, mut classes)| async move {
        let mut answers = answers?;
        loop {
            let event = match answers.message().await {
                Ok(Some(v1::ReplayRuleResponse { item: Some(item) })) => match item {
                    Item::Alert(alert) => {
                        alerts.push(alert);
                        continue;
                    }
                    Item::Progress(progress) => {
                        let share = progress.n_units_done * 100 / progress.n_units.max(1);
                        Event::default().event("progress").data(share.to_string())
                    }
                    Item::Forecast(forecast) => {
                        let mut part = tried_part(&forecast, &mut alerts);
                        part.facts.append(&mut classes);
                        let part = part.render().unwrap_or_default();
                        let done = Event::default().event("done").data(part);
                        return Some((done, (None, alerts, classes)));
                    }
                    Item::ClassBaseline(baseline) => {
                        classes.push(("class", class_told(&baseline)));
                        continue;
                    }
                },
                Ok(Some(v1::ReplayRuleResponse { item: None })) => continue,
                Ok(None) => return None,
                Err(status) => {
                    let says = one_line(&CallError::from(status).message);
                    let refused = Event::default().event("refused").data(says);
                    return Some((refused, (None, alerts, classes)));
                }
            };
            return Some((event, (Some(answers), alerts, classes)));
        }
    })
    .map(Ok)
}

/// What was taken for a class's usual, for want of a frozen baseline.
fn class_told(baseline: &v1::ClassBaseline) -> String {
    let class = told::tail(&baseline.class);
    let units = words::units(baseline.n_units);
    let (Some(median), Some(spread)) = (baseline.median, baseline.spread) else {
        return format!(
            "{class} has no baseline of {} yet, and only {units} with enough windows: unknown",
            baseline.of
        );
    };
    format!(
        "{class} taken for healthy to {}: {}, median {}, spread {}, {units}; unknown before",
        told::minute(baseline.fitted_to_unix_ms),
        baseline.of,
        told::number(median),
        told::number(spread)
    )
}

fn tried_part(forecast: &v1::RuleForecast, alerts: &mut [v1::ReplayedAlert]) -> Tried {
    let facts = forecast_facts(forecast);
    alerts.sort_by_key(|alert| std::cmp::Reverse(alert.raised_unix_ms));
    let rows = alerts.iter().take(MOST_TRIED).map(|alert| {
        let ended = match alert.ended_unix_ms {
            0 => "stands".to_owned(),
            ended => format!("after {}", told::span(ended - alert.raised_unix_ms)),
        };
        let unit = told::tail(&alert.unit);
        (
            unit.to_owned(),
            told::segment(unit),
            format!("{} {ended}", told::minute(alert.raised_unix_ms)),
            told::evidence(alert.evidence.as_ref()),
        )
    });
    Tried {
        facts,
        alerts: rows.collect(),
        n_alerts: alerts.len(),
    }
}

/// What a forecast says.
pub(crate) fn forecast_facts(forecast: &v1::RuleForecast) -> Vec<(&'static str, String)> {
    let mut facts = vec![
        (
            "over",
            format!(
                "{} to {}, {}",
                told::minute(forecast.from_unix_ms),
                told::minute(forecast.until_unix_ms),
                words::units(forecast.n_units)
            ),
        ),
        (
            "alerts",
            format!(
                "{} on {}, {} a day; {} standing at the end",
                forecast.n_alerts,
                words::units(forecast.n_units_alerting),
                told::rate(forecast.per_day),
                forecast.n_standing
            ),
        ),
        (
            "desk",
            format!(
                "{} a day with the other live rules; one desk handles about {}",
                told::rate(forecast.per_day + forecast.others_per_day),
                forecast.budget_per_day
            ),
        ),
    ];
    if forecast.n_units_faulted > 0 {
        let on = words::units(forecast.n_units_faulted);
        let fails = format!("on {on}, tick after tick: {}", forecast.fault);
        facts.insert(0, ("fails", fails));
    }
    if forecast.n_units_blind > 0 {
        let why = words::no_verdict(forecast.n_units_blind, &forecast.never_known);
        facts.insert(0, ("no verdict", why));
    }
    if forecast.flood_ms > 0 {
        facts.push(("in flood", told::span(forecast.flood_ms)));
    }
    if forecast.n_chattering > 0 {
        facts.push((
            "chattering",
            format!("{} came three or more in a minute", forecast.n_chattering),
        ));
    }
    facts.push((
        "right",
        match &forecast.score {
            None => "not known: no finding decides".to_owned(),
            Some(score) => format!(
                "{} right, {} wrong, {} undecided; {} of {} failures called",
                score.n_right,
                score.n_wrong,
                score.n_undecided,
                score.n_found,
                score.n_found + score.n_missed
            ),
        },
    ));
    facts
}

/// `POST /rules/{rule}/keep`: keeps the text as a draft, with the cases of the newest version.
pub async fn keep(
    pages: Pages,
    Path(name): Path<String>,
    Form(Text { source }): Form<Text>,
) -> Response {
    let request = v1::LodgeRuleRequest {
        name: format!("rules/{name}"),
        source: unix_lines(&source),
        cases: newest_cases(&pages, &name).await,
        ..v1::LodgeRuleRequest::default()
    };
    match pages.connection.rules().lodge_rule(request).await {
        Ok(rule) => back(&name, &rule.into_inner(), "kept"),
        Err(status) => refused(&status.into()),
    }
}

/// Back to a version's page, which says what was done.
pub(crate) fn back(name: &str, rule: &v1::Rule, said: &str) -> Response {
    let (_, version) = told::rule_and_version(&rule.name);
    let name = told::segment(name);
    Redirect::to(&format!("/rules/{name}?said={said}&version={version}")).into_response()
}
