//! Moving a rule's version to another stage: what follows is said first, and pressing once more does it.

use crate::rules::{back, forecast_facts, stage};
use crate::{Pages, acts, refused, shown, told};
use askama::Template;
use axum::Form;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use futures::TryStreamExt;
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_proto::v1;
use wheeltap_proto::v1::replay_rule_response::Item;

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

/// `GET /rules/{rule}/stage`: what will happen. Changes nothing.
pub async fn page(
    State(pages): State<Pages>,
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
    let rule = pages.connection.rules().get_rule(asked).await?.into_inner();
    let all: Vec<v1::Rule> = pages.connection.list_rule_versions().try_collect().await?;
    let of_it = format!("rules/{name}/");
    let mut others = all.iter().filter(|other| other.name.starts_with(&of_it));
    let replaced = others.find(|other| other.stage() == to && other.name != rule.name);
    let mut follows = follows(&rule, to, replaced);
    let looks_ahead = to != v1::RuleStage::Retired;
    let forecast = match rule.forecast.clone() {
        Some(made) if looks_ahead => Some(made),
        None if looks_ahead => try_it(pages, &rule.name, false).await?,
        _ => None,
    };
    if looks_ahead && forecast.is_none() {
        follows.push("Nothing is stored to try it on, so there is no forecast.".to_owned());
    }
    Ok(Page {
        path: told::segment(&name),
        name,
        version: version.to_owned(),
        stage: told::word(to.as_str_name(), "RULE_STAGE_"),
        now: stage(&rule),
        etag: rule.etag.clone(),
        follows,
        facts: forecast.as_ref().map(forecast_facts).unwrap_or_default(),
        needs_reason: to == v1::RuleStage::Live && !rule.was_on_trial,
    })
}

/// What will happen, a sentence each.
fn follows(rule: &v1::Rule, to: v1::RuleStage, replaced: Option<&v1::Rule>) -> Vec<String> {
    let mut follows = Vec::new();
    follows.push(match to {
        v1::RuleStage::Live if rule.only_for_shop => {
            "From now on what it finds becomes an item for the shop; the desk is not rung.".to_owned()
        }
        v1::RuleStage::Live => format!(
            "From now on its alerts ring at the desk with {} priority, to be answered within {}, and open defects \
             of {}. So do those of its trial that still stand.",
            told::word(rule.priority().as_str_name(), "PRIORITY_"),
            told::span(rule.respond_within_ms),
            rule.component
        ),
        v1::RuleStage::Trial => {
            "From now on it is judged on live data. Its alerts ring nobody and open no defects.".to_owned()
        }
        _ => "It is judged no more, and its alerts that stand end.".to_owned(),
    });
    if let Some(other) = replaced {
        let (_, version) = told::rule_and_version(&other.name);
        follows.push(format!(
            "Version {version}, which is {} now, is retired, and its alerts that stand end as superseded.",
            stage(other)
        ));
    }
    if rule.safety {
        follows.push("It warns of danger to people: nobody can mute it.".to_owned());
    }
    if to == v1::RuleStage::Live && !rule.was_on_trial {
        follows
            .push("It was never on trial: nobody has seen what it does on live data.".to_owned());
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

/// `POST /rules/{rule}/stage`: moves a version; its forecast is made and kept first.
pub async fn stage_to(
    State(pages): State<Pages>,
    Path(name): Path<String>,
    Form(to): Form<Move>,
) -> Response {
    let stage = match stage_named(&to.stage) {
        Ok(stage) => stage,
        Err(refusal) => return *refusal,
    };
    let version = format!("rules/{name}/versions/{}", to.version);
    let mut has_history = true;
    if stage != v1::RuleStage::Retired {
        match try_it(&pages, &version, true).await {
            Ok(made) => has_history = made.is_some(),
            Err(error) => return refused(&error),
        }
    }
    let request = v1::PromoteRuleRequest {
        name: version,
        stage: stage.into(),
        etag: to.etag,
        without_forecast: !has_history,
        reason: to.reason,
    };
    match pages.connection.rules().promote_rule(request).await {
        Ok(rule) => back(&name, &rule.into_inner(), "moved"),
        Err(status) => refused(&status.into()),
    }
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
