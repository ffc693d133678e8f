//! Moving a rule's version to another stage: what follows is said first, and pressing once more does it.

use crate::rules::{back, failing_cases, forecast_facts, stage};
use crate::{Pages, acts, refused, shown, told};
use askama::Template;
use axum::Form;
use axum::extract::{Path, Query};
use axum::response::{IntoResponse, Redirect, Response};
use futures::TryStreamExt;
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_proto::v1::replay_rule_response::Item;
use wheeltap_proto::{v1, words};

#[derive(Template)]
#[template(path = "stage.html")]
struct Page {
    name: String,
    path: String,
    version: String,
    stage: String,
    /// Its stage as it is.
    now: String,
    etag: String,
    follows: Vec<String>,
    facts: Vec<(&'static str, String)>,
    /// It was never on trial.
    needs_reason: bool,
}

/// Which version is to go where.
#[derive(Deserialize)]
pub struct Wanted {
    version: String,
    stage: String,
}

fn stage_named(name: &str) -> Result<v1::RuleStage, Box<Response>> {
    match name {
        "trial" => Ok(v1::RuleStage::Trial),
        "live" => Ok(v1::RuleStage::Live),
        "retired" => Ok(v1::RuleStage::Retired),
        _ => Err(Box::new(acts::bad(
            "There is no such stage: choose trial, live or retired.",
        ))),
    }
}

/// `POST /rules/{rule}/forecast`: tries a version on what is stored, keeps what it would have done, and goes on to
/// what will happen. So that is what one saw which goes with the version, and the work is done once.
pub async fn forecast(
    pages: Pages,
    Path(name): Path<String>,
    Form(wanted): Form<Wanted>,
) -> Response {
    let to = match stage_named(&wanted.stage) {
        Ok(to) => to,
        Err(refusal) => return *refusal,
    };
    if looks_ahead(to) {
        let version = format!("rules/{name}/versions/{}", wanted.version);
        if let Err(error) = try_it(&pages, &version, true).await {
            return refused(&error);
        }
    }
    let path = format!("/rules/{}/stage", told::segment(&name));
    let asked = [
        ("version", wanted.version.as_str()),
        ("stage", &wanted.stage),
    ];
    Redirect::to(&told::query(&path, &asked)).into_response()
}

/// Whether a version that goes there is judged from then on.
const fn looks_ahead(to: v1::RuleStage) -> bool {
    !matches!(to, v1::RuleStage::Retired)
}

/// `GET /rules/{rule}/stage`: what will happen. Changes nothing.
pub async fn page(
    pages: Pages,
    Path(name): Path<String>,
    Query(wanted): Query<Wanted>,
) -> Response {
    let to = match stage_named(&wanted.stage) {
        Ok(to) => to,
        Err(refusal) => return *refusal,
    };
    match read(&pages, name, &wanted.version, to).await {
        Ok(page) => shown(page.render()),
        Err(error) => refused(&error),
    }
}

async fn read(
    pages: &Pages,
    name: String,
    version: &str,
    to: v1::RuleStage,
) -> Result<Page, CallError> {
    let asked = v1::GetRuleRequest {
        name: format!("rules/{name}/versions/{version}"),
    };
    let mut rule = pages.connection.rules().get_rule(asked).await?.into_inner();
    let all: Vec<v1::Rule> = pages.connection.list_rule_versions().try_collect().await?;
    let of_it = format!("rules/{name}/");
    let mut others = all.iter().filter(|other| other.name.starts_with(&of_it));
    let replaced = others.find(|other| other.stage() == to && other.name != rule.name);
    if !looks_ahead(to) {
        rule.forecast = None;
    } else if rule.forecast.is_none() {
        // Its button makes one first, so this is an address that somebody kept, or nothing is stored.
        rule.forecast = try_it(pages, &rule.name, false).await?;
    }
    let mut follows = follows(&rule, to, replaced);
    if looks_ahead(to) {
        follows.extend(of_cases(pages, &name, &rule).await?);
    }
    Ok(Page {
        path: told::segment(&name),
        name,
        version: version.to_owned(),
        stage: told::word(to.as_str_name(), "RULE_STAGE_"),
        now: stage(&rule),
        etag: rule.etag.clone(),
        follows,
        facts: rule
            .forecast
            .as_ref()
            .map(forecast_facts)
            .unwrap_or_default(),
        needs_reason: to == v1::RuleStage::Live && !rule.was_on_trial,
    })
}

/// What its author wrote down for it holds it up.
async fn of_cases(pages: &Pages, name: &str, rule: &v1::Rule) -> Result<Vec<String>, CallError> {
    if rule.cases.is_none() {
        let none =
            "It has no cases, so nobody wrote down what it must call and what it must leave alone.";
        return Ok(vec![none.to_owned()]);
    }
    let failing = failing_cases(pages, name, rule).await?;
    if failing.is_empty() {
        return Ok(vec!["All its cases come as they say.".to_owned()]);
    }
    let failing = failing.into_iter();
    let failing = failing
        .map(|(case, why)| format!("Its case \"{case}\" fails, so it will be refused: {why}."));
    Ok(failing.collect())
}

/// What will happen, a sentence each.
fn follows(rule: &v1::Rule, to: v1::RuleStage, replaced: Option<&v1::Rule>) -> Vec<String> {
    use v1::RuleStage::{Draft, Live, Retired, Trial};
    let now = rule.stage();
    if now == to {
        return vec![format!("Nothing: it is {} already.", stage(rule))];
    }
    let mut follows = Vec::new();
    if to == Retired {
        follows.push(match now {
            Draft => "It is kept as it is, and no longer offered as a draft.".to_owned(),
            _ => "It is judged no more, and its alerts that stand end.".to_owned(),
        });
        if rule.safety && now == Live {
            follows.push(
                "It warns of danger to people: from now on this version does not.".to_owned(),
            );
        }
        return follows;
    }
    let made = rule.forecast.as_ref();
    let blind = made.filter(|made| words::is_blind(made));
    if let Some(made) = blind {
        let why = words::no_verdict(made.n_units_blind, &made.never_known);
        let refused = match to {
            Live => ", so it will be refused: see that the units send it",
            _ => ". Until the units send it, it calls nothing",
        };
        follows.push(format!(
            "It had no verdict {why}{refused}. What it would call is not known."
        ));
    }
    match to {
        Live if blind.is_some() => {}
        Live if rule.only_for_shop => follows.push(
            "From now on what it finds becomes an item for the shop; the desk is not rung."
                .to_owned(),
        ),
        Live => follows.push(format!(
            "From now on its alerts ring at the desk with {} priority, to be answered within {}, and open defects of {}.",
            told::word(rule.priority().as_str_name(), "PRIORITY_"),
            told::span(rule.respond_within_ms),
            rule.component
        )),
        _ if now == Live => follows.push(
            "It is judged as before, but from now on its new alerts ring nobody and open no defects."
                .to_owned(),
        ),
        _ => follows.push(
            "From now on it is judged on live data. Its alerts ring nobody and open no defects."
                .to_owned(),
        ),
    }
    if to == Live && now == Trial {
        follows.push("So do those of its trial that still stand.".to_owned());
    }
    if let Some(other) = replaced {
        let (_, version) = told::rule_and_version(&other.name);
        follows.push(format!(
            "Version {version}, which is {} now, is retired, and its alerts that stand end as superseded.",
            stage(other)
        ));
    }
    if rule.safety && to == Live {
        follows.push("It warns of danger to people: nobody can mute it.".to_owned());
    }
    if to == Live && !rule.was_on_trial {
        follows
            .push("It was never on trial: nobody has seen what it does on live data.".to_owned());
    }
    if made.is_none() {
        follows.push("Nothing is stored to try it on, so there is no forecast.".to_owned());
    }
    follows
}

/// Where a version is to go, and why.
#[derive(Deserialize)]
pub struct Move {
    version: String,
    stage: String,
    etag: String,
    #[serde(default)]
    reason: String,
}

/// `POST /rules/{rule}/stage`: moves a version with the forecast that is kept of it; one that has none is tried first.
pub async fn stage_to(pages: Pages, Path(name): Path<String>, Form(to): Form<Move>) -> Response {
    match moved(&pages, &name, to).await {
        Ok(rule) => back(&name, &rule, "moved"),
        Err(refusal) => *refusal,
    }
}

async fn moved(pages: &Pages, name: &str, to: Move) -> Result<v1::Rule, Box<Response>> {
    let stage = stage_named(&to.stage)?;
    let refusal = |error: CallError| Box::new(refused(&error));
    let asked = v1::GetRuleRequest {
        name: format!("rules/{name}/versions/{}", to.version),
    };
    let rule = pages.connection.rules().get_rule(asked).await;
    let rule = rule.map_err(|status| refusal(status.into()))?.into_inner();
    let mut has_forecast = rule.forecast.is_some();
    if looks_ahead(stage) && !has_forecast {
        let made = try_it(pages, &rule.name, true).await.map_err(refusal)?;
        has_forecast = made.is_some();
    }
    let request = v1::PromoteRuleRequest {
        name: rule.name,
        stage: stage.into(),
        etag: to.etag,
        without_forecast: !has_forecast,
        reason: to.reason,
    };
    let moved = pages.connection.rules().promote_rule(request).await;
    Ok(moved.map_err(|status| refusal(status.into()))?.into_inner())
}

/// What the version would have done; `None` where there is nothing to try it on, as in a new service.
async fn try_it(
    pages: &Pages,
    version: &str,
    keep_forecast: bool,
) -> Result<Option<v1::RuleForecast>, CallError> {
    let request = v1::ReplayRuleRequest {
        name: version.to_owned(),
        keep_forecast,
        ..v1::ReplayRuleRequest::default()
    };
    let read = async {
        let mut forecast = None;
        let answers = pages.connection.rules().replay_rule(request).await?;
        let mut answers = answers.into_inner();
        while let Some(answer) = answers.message().await? {
            if let Some(Item::Forecast(made)) = answer.item {
                forecast = Some(made);
            }
        }
        Ok(forecast)
    };
    match read
        .await
        .map_err(|status: tonic::Status| CallError::from(status))
    {
        Err(error) if error.reason == "NOTHING_STORED" => Ok(None),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use v1::RuleStage::{Draft, Live, Retired, Trial};

    fn rule(now: v1::RuleStage) -> v1::Rule {
        v1::Rule {
            name: "rules/oil-warm/versions/2".to_owned(),
            stage: now.into(),
            component: "oil cooler".to_owned(),
            priority: v1::Priority::High.into(),
            respond_within_ms: 14_400_000,
            safety: true,
            was_on_trial: now != Draft,
            forecast: Some(v1::RuleForecast {
                n_units: 3,
                ..v1::RuleForecast::default()
            }),
            ..v1::Rule::default()
        }
    }

    fn said(rule: &v1::Rule, to: v1::RuleStage) -> String {
        follows(rule, to, None).join(" ")
    }

    #[test]
    fn what_is_said_of_a_move_does_not_contradict_itself() {
        let rings = "its alerts ring at the desk with high priority";
        let of_trial = "So do those of its trial";
        let untried = "It was never on trial";
        let danger = "nobody can mute it";
        let from_draft = said(&rule(Draft), Live);
        assert!(from_draft.contains(rings) && from_draft.contains(untried));
        assert!(from_draft.contains(danger) && !from_draft.contains(of_trial));
        let from_trial = said(&rule(Trial), Live);
        assert!(from_trial.contains(of_trial) && !from_trial.contains(untried));
        assert!(!said(&rule(Draft), Trial).contains(danger));
        let retired = said(&rule(Live), Retired);
        assert_eq!(
            retired,
            "It is judged no more, and its alerts that stand end. It warns of danger to people: from now on this \
             version does not."
        );
        assert!(!said(&rule(Draft), Retired).contains("judged no more"));
        assert_eq!(said(&rule(Live), Live), "Nothing: it is live already.");
        let other = v1::Rule {
            name: "rules/oil-warm/versions/1".to_owned(),
            ..rule(Trial)
        };
        let replacing = follows(&rule(Draft), Trial, Some(&other)).join(" ");
        assert!(replacing.contains("Version 1, which is trial now, is retired"));
        let retiring = follows(&rule(Live), Retired, Some(&other)).join(" ");
        assert!(!retiring.contains("Version 1"), "{retiring}");
    }

    #[test]
    fn a_rule_that_knew_nothing_is_not_said_to_ring() {
        let mut blind = rule(Trial);
        blind.forecast = Some(v1::RuleForecast {
            n_units: 3,
            n_units_blind: 3,
            never_known: vec!["oil".to_owned()],
            ..v1::RuleForecast::default()
        });
        let live = said(&blind, Live);
        assert!(
            live.contains("never knew oil, so it will be refused") && !live.contains("ring at"),
            "{live}"
        );
        blind.stage = Draft.into();
        let trial = said(&blind, Trial);
        assert!(
            trial.contains("never knew oil. Until the units send it"),
            "{trial}"
        );
        blind.forecast = None;
        assert!(said(&blind, Trial).contains("there is no forecast"));
    }
}
