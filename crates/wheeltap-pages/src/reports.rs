//! Reports: how right rules are, what the desk has to bear, how often things fail.

use crate::charts::{self, Whisker};
use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::Query;
use axum::response::Response;
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_proto::v1::desk_metric::{Kind, Verdict};
use wheeltap_proto::v1::get_reliability_request::Grouping;
use wheeltap_proto::{v1, words};

/// Units and repeats listed.
const MOST_LISTED: usize = 12;
/// By what failures can be put together, as written in the address.
const BY: [(&str, Grouping); 3] = [
    ("component", Grouping::Component),
    ("system", Grouping::System),
    ("class", Grouping::Class),
];

/// What is asked for.
#[derive(Default, Deserialize)]
pub struct Wanted {
    #[serde(default)]
    by: String,
    #[serde(default)]
    class: String,
    #[serde(default)]
    component: String,
    #[serde(default)]
    clock: String,
}

struct Card {
    rule: String,
    path: String,
    facts: CardFacts,
}

/// What a scorecard says, in the order of its table.
struct CardFacts {
    version: String,
    stage: String,
    alerts: String,
    per_day: String,
    right: String,
    no_fault_found: String,
    called: String,
    lead: String,
    owed: u64,
}

struct Figure {
    name: &'static str,
    is: String,
    should_be: String,
    which_is: &'static str,
    is_over: bool,
}

#[derive(Template)]
#[template(path = "reports.html")]
struct Page {
    scorecards: Scorecards,
    desk: Desk,
    reliability: Reliability,
}

struct Scorecards {
    said: String,
    chart: String,
    cards: Vec<Card>,
    n_quiet: usize,
}

struct Desk {
    said: String,
    short: bool,
    by_event_time: bool,
    chart: String,
    figures: Vec<Figure>,
    priorities: Vec<[String; 4]>,
    top: Vec<[String; 4]>,
}

struct Reliability {
    said: String,
    by: &'static str,
    choices: Vec<&'static str>,
    class: String,
    classes: Vec<String>,
    component: String,
    components: Vec<String>,
    pareto: String,
    times: String,
    growth: String,
    lives: String,
    groups: Vec<[String; 8]>,
    units: Vec<[String; 5]>,
    repeats_said: String,
    repeats: Vec<[String; 5]>,
    available: String,
    states: Vec<[String; 3]>,
}

/// `GET /reports`.
pub async fn page(pages: Pages, Query(wanted): Query<Wanted>) -> Response {
    match read(&pages, &wanted).await {
        Ok(page) => shown(page.render()),
        Err(error) => refused(&error),
    }
}

async fn read(pages: &Pages, wanted: &Wanted) -> Result<Page, CallError> {
    let mut calls = pages.connection.reports();
    let asked = v1::GetRuleScorecardsRequest::default();
    let cards = calls.get_rule_scorecards(asked).await?.into_inner();
    let clock = if wanted.clock == "raised" {
        v1::DeskClock::Raised
    } else {
        v1::DeskClock::Announced
    };
    let asked = v1::GetDeskLoadRequest {
        clock: clock.into(),
        ..v1::GetDeskLoadRequest::default()
    };
    let load = calls.get_desk_load(asked).await?.into_inner();
    let (by, grouping) = BY
        .into_iter()
        .find(|(by, _)| *by == wanted.by)
        .unwrap_or(BY[0]);
    let asked = v1::GetReliabilityRequest {
        grouping: grouping.into(),
        unit_class: match wanted.class.as_str() {
            "" => String::new(),
            class => format!("classes/{class}"),
        },
        component: wanted.component.clone(),
        ..v1::GetReliabilityRequest::default()
    };
    let failures = calls.get_reliability(asked).await?.into_inner();
    // What can be chosen is what there is without a choice.
    let all = calls
        .get_reliability(v1::GetReliabilityRequest::default())
        .await?
        .into_inner();
    Ok(Page {
        scorecards: scorecards(&cards),
        desk: desk(&load),
        reliability: reliability(&failures, &all, by, wanted),
    })
}

fn told_span(from_ms: i64, until_ms: i64) -> String {
    format!("{} to {}", told::minute(from_ms), told::minute(until_ms))
}

fn says_something(card: &v1::RuleScorecard) -> bool {
    card.n_alerts + card.n_trial + card.n_reported > 0
}

fn scorecards(report: &v1::GetRuleScorecardsResponse) -> Scorecards {
    let said: Vec<&v1::RuleScorecard> = report
        .scorecards
        .iter()
        .filter(|card| says_something(card))
        .collect();
    let whiskers: Vec<Whisker> = said.iter().filter_map(|card| precision(card)).collect();
    Scorecards {
        said: told_span(report.from_unix_ms, report.until_unix_ms),
        chart: charts::shares("right", "Calls that the shop found as called", &whiskers),
        n_quiet: report.scorecards.len() - said.len(),
        cards: said.into_iter().map(card).collect(),
    }
}

fn precision(card: &v1::RuleScorecard) -> Option<Whisker> {
    let share = card.precision.as_ref()?.share?;
    share.value?;
    Some(Whisker {
        name: told::rule_and_version(&card.rule).0.to_owned(),
        value: share.value,
        lower: share.lower,
        upper: share.upper,
    })
}

fn card(card: &v1::RuleScorecard) -> Card {
    let (rule, version) = told::rule_and_version(&card.rule);
    Card {
        path: told::segment(rule),
        rule: rule.to_owned(),
        facts: CardFacts {
            version: version.chars().take(8).collect(),
            stage: told::word(card.stage().as_str_name(), "RULE_STAGE_"),
            alerts: match card.n_trial {
                0 => card.n_alerts.to_string(),
                n_trial => format!("{} ({n_trial} on trial)", card.n_alerts),
            },
            per_day: card.per_day.map_or_else(|| "-".to_owned(), words::rounded),
            right: words::share(card.precision.as_ref()),
            no_fault_found: words::share(card.no_fault_found.as_ref()),
            called: words::share(card.recall.as_ref()),
            lead: words::lead(card.lead.as_ref()),
            owed: card.findings.unwrap_or_default().owed,
        },
    }
}

/// A rule's own scorecard, for its page.
#[derive(Template)]
#[template(path = "rule_scorecard.html")]
pub struct OfRule {
    said: String,
    chart: String,
    cards: Vec<(String, Vec<(&'static str, String)>)>,
}

/// What the shops say of a rule, as a part of its page; empty when it never rang.
pub async fn of_rule(pages: &Pages, name: &str) -> Result<String, CallError> {
    let asked = v1::GetRuleScorecardsRequest {
        rule: format!("rules/{name}"),
        ..v1::GetRuleScorecardsRequest::default()
    };
    let report = pages
        .connection
        .reports()
        .get_rule_scorecards(asked)
        .await?
        .into_inner();
    let said: Vec<&v1::RuleScorecard> = report
        .scorecards
        .iter()
        .filter(|card| says_something(card))
        .collect();
    if said.is_empty() {
        return Ok(String::new());
    }
    let whiskers: Vec<Whisker> = said.iter().flat_map(|card| whiskers_of(card)).collect();
    let part = OfRule {
        said: told_span(report.from_unix_ms, report.until_unix_ms),
        chart: charts::shares("scorecard", "Shares with their bounds", &whiskers),
        cards: said.into_iter().map(facts_of).collect(),
    };
    Ok(part.render().unwrap_or_default())
}

fn whiskers_of(card: &v1::RuleScorecard) -> Vec<Whisker> {
    let (_, version) = told::rule_and_version(&card.rule);
    let version: String = version.chars().take(8).collect();
    let shares = [
        ("as called", card.precision.as_ref()),
        ("no fault found", card.no_fault_found.as_ref()),
        ("failures called", card.recall.as_ref()),
    ];
    let known = shares
        .into_iter()
        .filter_map(|(name, share)| Some((name, share?.share?)));
    known
        .filter(|(_, share)| share.value.is_some())
        .map(|(name, share)| Whisker {
            name: format!("{version}: {name}"),
            value: share.value,
            lower: share.lower,
            upper: share.upper,
        })
        .collect()
}

fn facts_of(card: &v1::RuleScorecard) -> (String, Vec<(&'static str, String)>) {
    let (_, version) = told::rule_and_version(&card.rule);
    let found = card.findings.unwrap_or_default();
    let mut facts = vec![
        (
            "alerts",
            format!("{} on {}", card.n_alerts, words::units(card.n_units)),
        ),
        (
            "a day",
            card.per_day.map_or_else(|| "-".to_owned(), words::rounded),
        ),
        ("as called", words::share(card.precision.as_ref())),
        ("no fault found", words::share(card.no_fault_found.as_ref())),
        ("failures called", words::share(card.recall.as_ref())),
        ("lead", words::lead(card.lead.as_ref())),
    ];
    let others = [
        ("another fault", found.another_fault),
        ("sensor or wiring", found.sensor_or_wiring),
        ("could not test", found.could_not_test),
        ("not looked at", found.not_looked_at),
        ("finding owed", found.owed),
        ("on trial", card.n_trial),
        ("taken back", card.n_withdrawn),
        ("suppressed by design", card.n_suppressed_by_design),
        ("told with another unit's", card.n_told_with_another),
    ];
    facts.extend(
        others
            .into_iter()
            .filter(|(_, n)| *n > 0)
            .map(|(name, n)| (name, n.to_string())),
    );
    facts.retain(|(_, said)| said != "-");
    let stage = told::word(card.stage().as_str_name(), "RULE_STAGE_");
    (format!("{version}, {stage}"), facts)
}

fn desk(load: &v1::DeskLoad) -> Desk {
    let of_desks = f64::from(load.n_desks);
    let day = load
        .metrics
        .iter()
        .find(|metric| metric.kind() == Kind::PerDay);
    let limits = day.map_or((0.0, 0.0), |day| {
        let most = day.manageable.unwrap_or(day.acceptable);
        (day.acceptable * of_desks, most * of_desks)
    });
    let covered_ms = load.until_unix_ms - load.from_unix_ms;
    let alerts = if load.n_alerts == 1 {
        "alert"
    } else {
        "alerts"
    };
    Desk {
        said: format!(
            "{}: {} covered, {} {alerts}",
            told_span(load.from_unix_ms, load.until_unix_ms),
            told::span(covered_ms),
            load.n_alerts,
        ),
        short: !load.is_long_enough,
        by_event_time: load.clock() == v1::DeskClock::Raised,
        chart: charts::days("days", "Alerts a day", load, limits),
        figures: load
            .metrics
            .iter()
            .map(|metric| Figure {
                name: words::metric(metric.kind()),
                is: words::metric_value(metric),
                should_be: words::metric_limits(metric),
                which_is: words::verdict(metric.verdict()),
                is_over: metric.verdict() == Verdict::TooMuch,
            })
            .collect(),
        priorities: load
            .priorities
            .iter()
            .rev()
            .map(|of| {
                [
                    told::word(of.priority().as_str_name(), "PRIORITY_"),
                    of.n_alerts.to_string(),
                    of.share.map_or_else(|| "-".to_owned(), words::percent),
                    words::percent(of.aimed_at),
                ]
            })
            .collect(),
        top: load
            .top_rules
            .iter()
            .map(|rule| {
                let name = told::tail(&rule.rule);
                [
                    told::segment(name),
                    name.to_owned(),
                    rule.n_alerts.to_string(),
                    words::percent(rule.share),
                ]
            })
            .collect(),
    }
}

fn whisker(group: &v1::FailureGroup) -> Option<Whisker> {
    let between = group.mtbf_days?;
    Some(Whisker {
        name: named(group).to_owned(),
        value: between.value,
        lower: between.lower,
        upper: between.upper,
    })
}

fn named(group: &v1::FailureGroup) -> &str {
    if group.name.is_empty() {
        "all"
    } else {
        &group.name
    }
}

fn reliability(
    report: &v1::Reliability,
    all: &v1::Reliability,
    by: &'static str,
    wanted: &Wanted,
) -> Reliability {
    let basis = match report.basis() {
        v1::reliability::Basis::Commissioned => {
            "all unit-days since commissioning, as too few states of units are known"
        }
        _ => "unit-days in state working",
    };
    let whiskers: Vec<Whisker> = report.groups.iter().filter_map(whisker).collect();
    let total = report.total.clone().unwrap_or_default();
    let lives = total.lives.as_ref();
    let repeats = report.repeats.clone().unwrap_or_default();
    let available = report.availability.first();
    Reliability {
        said: format!(
            "{}. Counted over {basis}; bounds at {}. {}",
            told_span(report.from_unix_ms, report.until_unix_ms),
            words::percent(report.confidence),
            words::unnamed(report)
        ),
        by,
        choices: BY.iter().map(|(by, _)| *by).collect(),
        class: wanted.class.clone(),
        classes: all
            .availability
            .iter()
            .map(|of| told::tail(&of.unit_class).to_owned())
            .filter(|class| !class.is_empty())
            .collect(),
        component: wanted.component.clone(),
        components: all.components.iter().map(|of| of.name.clone()).collect(),
        pareto: charts::pareto("pareto", "Failures by component", &report.components),
        times: charts::times("times", "Unit-days between failures", &whiskers),
        growth: charts::growth("growth", "Failures over the fleet's work", &total),
        lives: lives.map_or_else(String::new, |lives| {
            charts::lives("lives", "Still good by age", lives)
        }),
        groups: report
            .groups
            .iter()
            .chain(&report.total)
            .map(group)
            .collect(),
        units: report.units.iter().take(MOST_LISTED).map(unit).collect(),
        repeats_said: format!(
            "Within {} d after a repair: {}, of repairs so long before the end.",
            repeats.within_days,
            words::share(repeats.share.as_ref())
        ),
        repeats: repeats
            .repeats
            .iter()
            .take(MOST_LISTED)
            .map(repeat)
            .collect(),
        available: available
            .and_then(|all| all.share)
            .map_or_else(|| "not known".to_owned(), words::percent),
        states: available.map_or_else(Vec::new, |all| all.states.iter().map(state).collect()),
    }
}

fn group(group: &v1::FailureGroup) -> [String; 8] {
    [
        named(group).to_owned(),
        group.n_failures.to_string(),
        group.n_road_failures.to_string(),
        words::rounded(group.exposure_days),
        words::bounded(group.mtbf_days.as_ref()),
        words::trend(group.trend.as_ref()),
        group
            .growth
            .as_ref()
            .map_or_else(|| "-".to_owned(), |growth| words::rounded(growth.exponent)),
        words::lives(group.lives.as_ref()),
    ]
}

fn unit(unit: &v1::BadActor) -> [String; 5] {
    let name = told::tail(&unit.name);
    [
        told::segment(name),
        name.to_owned(),
        unit.n_failures.to_string(),
        unit.expected.map_or_else(|| "-".to_owned(), words::rounded),
        unit.p.map_or_else(|| "-".to_owned(), words::chance),
    ]
}

fn repeat(repeat: &v1::Repeat) -> [String; 5] {
    let unit = told::tail(&repeat.unit);
    [
        told::segment(unit),
        unit.to_owned(),
        repeat.component.clone(),
        format!(
            "{} and {}",
            told::tail(&repeat.first),
            told::tail(&repeat.again)
        ),
        told::span(repeat.after_ms),
    ]
}

fn state(state: &v1::StateTime) -> [String; 3] {
    [
        told::word(state.state().as_str_name(), "UNIT_STATE_"),
        words::rounded(state.unit_days),
        told::word(state.counts().as_str_name(), "COUNTS_"),
    ]
}
