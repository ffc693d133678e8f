//! `wheeltap rules list`, `lodge`, `promote`: the service's rule book.

use crate::{
    Outcome, Stop,
    alert_json::rule_and_version,
    args::{LodgeArgs, PromoteArgs, RuleListArgs},
    files,
    output::{Out, counted, note, rate},
    remote::{self, answer, connected, instant, priority, word},
};
use futures::TryStreamExt;
use serde::Serialize;
use wheeltap_client::CallError;
use wheeltap_proto::v1;

/// One rule as printed by `--json`.
#[derive(Serialize)]
struct Line<'a> {
    rule: &'a str,
    version: &'a str,
    stage: String,
    title: &'a str,
    system: &'a str,
    component: &'a str,
    priority: String,
    safety: bool,
    only_for_shop: bool,
    /// Null of one that is in force from the beginning of all time.
    stage_from: Option<String>,
    stage_by: &'a str,
    /// Alerts a day by the forecast known when it was moved to its stage.
    forecast_per_day: Option<f64>,
    units_faulted: u32,
    last_fault: &'a str,
}

fn line(rule: &v1::Rule) -> Line<'_> {
    let (name, version) = rule_and_version(&rule.name);
    Line {
        rule: name,
        version,
        stage: stage(rule),
        title: &rule.title,
        system: &rule.system,
        component: &rule.component,
        priority: priority(rule.priority),
        safety: rule.safety,
        only_for_shop: rule.only_for_shop,
        stage_from: stage_from(rule),
        stage_by: &rule.stage_by,
        forecast_per_day: rule.stage_forecast.as_ref().map(|made| made.per_day),
        units_faulted: rule.n_units_faulted,
        last_fault: &rule.last_fault,
    }
}

fn stage(rule: &v1::Rule) -> String {
    word(rule.stage().as_str_name(), "RULE_STAGE_")
}

pub fn list(args: &RuleListArgs) -> Result<Outcome, Stop> {
    remote::block_on(async {
        let connection = connected(&args.ask.server).await?;
        let list = if args.versions {
            connection.list_rule_versions()
        } else {
            connection.list_rules()
        };
        let mut rules: Vec<v1::Rule> = list.try_collect().await?;
        let n_all = rules.len();
        if !args.shop {
            rules.retain(|rule| !rule.only_for_shop);
        }
        let n_hidden = n_all - rules.len();
        let mut out = Out::new();
        if args.ask.json {
            for rule in &rules {
                out.json(&line(rule))?;
            }
        } else if !rules.is_empty() {
            if args.versions {
                let head = ["rule", "version", "stage", "since", "by", "forecast"];
                out.table(&head, rules.iter().map(version_row).collect())?;
            } else {
                let head = [
                    "rule",
                    "version",
                    "stage",
                    "priority",
                    "title",
                    "component",
                    "faulted",
                ];
                out.table(&head, rules.iter().map(row).collect())?;
            }
        }
        out.flush()?;
        if !args.ask.json {
            let more = match n_hidden {
                0 => String::new(),
                n => format!("; {n} more make items for the shop alone, --shop lists them too"),
            };
            note(format!("{}{more}", counted(rules.len(), "rule")));
        }
        Ok(Outcome::Fine)
    })
}

/// Since when its stage holds; empty of one that is in force from the beginning of all time.
fn stage_from(rule: &v1::Rule) -> Option<String> {
    (rule.stage_from_unix_ms > i64::MIN).then(|| instant(rule.stage_from_unix_ms))
}

fn version_row(rule: &v1::Rule) -> Vec<String> {
    let (name, version) = rule_and_version(&rule.name);
    let forecast = rule.stage_forecast.as_ref().map_or_else(
        || "-".to_owned(),
        |made| format!("{} a day", rate(made.per_day)),
    );
    vec![
        name.to_owned(),
        version.to_owned(),
        stage(rule),
        stage_from(rule).unwrap_or_else(|| "always".to_owned()),
        rule.stage_by.clone(),
        forecast,
    ]
}

fn row(rule: &v1::Rule) -> Vec<String> {
    let (name, version) = rule_and_version(&rule.name);
    vec![
        name.to_owned(),
        version.get(..8).unwrap_or(version).to_owned(),
        stage(rule),
        priority(rule.priority),
        rule.title.clone(),
        rule.component.clone(),
        match rule.n_units_faulted {
            0 => "-".to_owned(),
            n => format!("on {}: {}", counted(n as usize, "unit"), rule.last_fault),
        },
    ]
}

/// Goes on after a refusal, so that one wrong rule does not hold up the others.
pub fn lodge(args: &LodgeArgs) -> Result<Outcome, Stop> {
    let files = files::rule_files_each(&args.paths)?;
    remote::block_on(async {
        let connection = connected(&args.ask.server).await?;
        let mut out = Out::new();
        let mut outcome = Outcome::Fine;
        for file in files {
            let file = match file {
                Ok(file) => file,
                Err(why) => {
                    outcome = Outcome::Findings;
                    note(why.to_string());
                    continue;
                }
            };
            let request = v1::LodgeRuleRequest {
                name: format!("rules/{}", super::rule_name(&file)),
                cases: super::cases::text_beside(&file)?,
                source: file.text,
                ..Default::default()
            };
            match answer(connection.rules().lodge_rule(request).await) {
                Ok(rule) if args.ask.json => out.json(&line(&rule))?,
                Ok(rule) => {
                    let (name, version) = rule_and_version(&rule.name);
                    note(format!(
                        "{name}: version {version} is kept as {}",
                        stage(&rule)
                    ));
                }
                Err(error) => {
                    outcome = Outcome::Findings;
                    refused(&file.name, &error);
                }
            }
        }
        out.flush()?;
        Ok(outcome)
    })
}

fn refused(file: &str, error: &anyhow::Error) {
    // A wrong rule comes with a field for each place in it.
    let places = error
        .downcast_ref::<CallError>()
        .map_or(&[][..], |error| &error.fields);
    if places.is_empty() {
        note(format!("{file}: {error}"));
    }
    for (place, problem) in places {
        // The text came from this file.
        match place.strip_prefix("source") {
            Some(at) => note(format!("{file}{at}: {problem}")),
            None => note(format!("{file}: {place}: {problem}")),
        }
    }
}

pub fn promote(args: &PromoteArgs) -> Result<Outcome, Stop> {
    remote::block_on(async {
        let connection = connected(&args.ask.server).await?;
        let name = match &args.version {
            Some(version) => format!("rules/{}/versions/{version}", args.rule),
            None => format!("rules/{}", args.rule),
        };
        let rule = answer(
            connection
                .rules()
                .get_rule(v1::GetRuleRequest { name })
                .await,
        )?;
        let stage_asked = v1::RuleStage::from(args.stage);
        let looks_ahead = matches!(stage_asked, v1::RuleStage::Trial | v1::RuleStage::Live);
        let mut without_forecast = args.no_forecast;
        if looks_ahead && !without_forecast {
            // Without history there is nothing to try it on.
            without_forecast =
                !super::forecast::before_promotion(&connection, &rule.name, args.ask.json).await?;
        }
        let request = v1::PromoteRuleRequest {
            name: rule.name,
            stage: stage_asked.into(),
            etag: rule.etag,
            without_forecast,
        };
        let rule = answer(connection.rules().promote_rule(request).await)?;
        if args.ask.json {
            let mut out = Out::new();
            out.json(&line(&rule))?;
            out.flush()?;
            return Ok(Outcome::Fine);
        }
        let (name, version) = rule_and_version(&rule.name);
        note(format!(
            "{name}: version {version} is {} from {} on",
            stage(&rule),
            instant(rule.stage_from_unix_ms)
        ));
        Ok(Outcome::Fine)
    })
}
