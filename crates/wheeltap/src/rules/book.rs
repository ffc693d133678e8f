//! `wheeltap rules list`, `lodge`, `promote`: the service's rule book.

use crate::{
    Outcome, Stop,
    alert_json::rule_and_version,
    args::{LodgeArgs, PromoteArgs, RuleListArgs, RuleShowArgs},
    files,
    output::{Out, counted, note},
    remote::{self, answer, connected, instant, priority, word},
};
use anyhow::anyhow;
use futures::TryStreamExt;
use serde::Serialize;
use std::collections::BTreeMap;
use wheeltap_client::{CallError, Connection};
use wheeltap_proto::{v1, words};

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
    stage_reason: &'a str,
    /// It went live without ever having been on trial.
    without_trial: bool,
    /// Alerts a day by the forecast known when it was moved to its stage.
    forecast_per_day: Option<f64>,
    /// Units on which it never knew what it reads in that forecast.
    forecast_units_blind: Option<u64>,
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
        stage_reason: &rule.stage_reason,
        without_trial: rule.without_trial,
        forecast_per_day: rule.stage_forecast.as_ref().map(|made| made.per_day),
        forecast_units_blind: rule.stage_forecast.as_ref().map(|made| made.n_units_blind),
        units_faulted: rule.n_units_faulted,
        last_fault: &rule.last_fault,
    }
}

fn stage(rule: &v1::Rule) -> String {
    word(rule.stage().as_str_name(), "RULE_STAGE_")
}

/// `live, without a trial: the winter is too short for one`.
fn stage_and_why(rule: &v1::Rule) -> String {
    let without = if rule.without_trial {
        ", without a trial"
    } else {
        ""
    };
    let why = match rule.stage_reason.as_str() {
        "" => String::new(),
        reason => format!(": {reason}"),
    };
    format!("{}{without}{why}", stage(rule))
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
                let head = [
                    "rule",
                    "version",
                    "stage",
                    "since",
                    "by",
                    "forecast, alerts a day",
                ];
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
    let forecast = rule.stage_forecast.as_ref();
    let forecast = forecast.map_or_else(|| "-".to_owned(), words::rings_a_day);
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

/// A rule with its texts as printed by `--json`.
#[derive(Serialize)]
struct Shown<'a> {
    #[serde(flatten)]
    line: Line<'a>,
    source: &'a str,
    /// The file of cases and the tables it names; null where there is none.
    cases: Option<ShownCases<'a>>,
}

#[derive(Serialize)]
struct ShownCases<'a> {
    toml: &'a str,
    files: BTreeMap<&'a str, &'a str>,
}

/// Digits of a version.
const WHOLE_VERSION: usize = 16;

/// The name of a rule's version, of which its beginning is enough; of the newest without one.
pub async fn version_name(
    connection: &Connection,
    rule: &str,
    version: Option<&str>,
) -> Result<String, Stop> {
    let name = format!("rules/{rule}");
    let Some(begin) = version else {
        return Ok(name);
    };
    if begin.len() >= WHOLE_VERSION {
        return Ok(format!("{name}/versions/{begin}"));
    }
    let list = connection.list_rule_versions();
    let all: Vec<v1::Rule> = list.try_collect().await?;
    let own = format!("{name}/versions/");
    let versions = all
        .iter()
        .filter_map(|known| known.name.strip_prefix(own.as_str()));
    let fitting: Vec<&str> = versions
        .filter(|known| !begin.is_empty() && known.starts_with(begin))
        .collect();
    match fitting.as_slice() {
        [version] => Ok(format!("{own}{version}")),
        // The service says what there is not.
        [] => Ok(format!("{own}{begin}")),
        several => Err(Stop::Usage(anyhow!(
            "--version {begin} is the beginning of {}; write more of it",
            several.join(" and ")
        ))),
    }
}

pub fn show(args: &RuleShowArgs) -> Result<Outcome, Stop> {
    remote::block_on(async {
        let connection = connected(&args.ask.server).await?;
        let name = version_name(&connection, &args.rule, args.version.as_deref()).await?;
        let request = v1::GetRuleRequest { name };
        let rule = answer(connection.rules().get_rule(request).await)?;
        let mut out = Out::new();
        if args.ask.json {
            let cases = rule.cases.as_ref().map(|cases| ShownCases {
                toml: &cases.toml,
                files: cases
                    .files
                    .iter()
                    .map(|(name, text)| (name.as_str(), text.as_str()))
                    .collect(),
            });
            out.json(&Shown {
                line: line(&rule),
                source: &rule.source,
                cases,
            })?;
        } else {
            let (name, version) = rule_and_version(&rule.name);
            out.line(format!(
                "// {name}, version {version}, {}",
                stage_and_why(&rule)
            ))?;
            out.line(rule.source.trim_end())?;
            if let Some(cases) = &rule.cases {
                out.line(format!("\n# {name}.cases.toml"))?;
                out.line(cases.toml.trim_end())?;
                let files: BTreeMap<&String, &String> = cases.files.iter().collect();
                for (file, text) in files {
                    out.line(format!("\n# {file}"))?;
                    out.line(text.trim_end())?;
                }
            }
        }
        out.flush()?;
        Ok(Outcome::Fine)
    })
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
        let name = version_name(&connection, &args.rule, args.version.as_deref()).await?;
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
            reason: args.reason.clone(),
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
            "{name}: version {version} is {} from {} on{}",
            stage(&rule),
            instant(rule.stage_from_unix_ms),
            if rule.without_trial {
                ", without a trial"
            } else {
                ""
            }
        ));
        Ok(Outcome::Fine)
    })
}
