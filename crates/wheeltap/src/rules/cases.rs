//! `wheeltap rules cases`: whether rules give the alerts that stand in the cases beside them.

use crate::{
    Outcome, Stop,
    args::CasesArgs,
    files::{self, TextFile},
    output::{Out, counted, note},
};
use anyhow::anyhow;
use serde::Serialize;
use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;
use wheeltap_catalogue::{CASES_ENDING, Catalogue, RuleCase, read_cases};
use wheeltap_judge::{CaseOutcome, run_case};
use wheeltap_proto::v1;
use wheeltap_rules::{Environment, compile};

/// One case as printed by `--json`.
#[derive(Serialize)]
struct Line<'a> {
    rule: &'a str,
    case: &'a str,
    passed: bool,
    misses: Vec<String>,
    alerts: Vec<Came>,
    knew_nothing: bool,
}

#[derive(Serialize)]
struct Came {
    part: Option<String>,
    raised_at: String,
    ended_at: Option<String>,
}

/// Where the cases of a rule are kept.
fn path_of(rule: &TextFile) -> PathBuf {
    let name = format!("{}{CASES_ENDING}", super::rule_name(rule));
    rule.path.with_file_name(name)
}

fn neighbour(rule: &TextFile, name: &str) -> Result<String, String> {
    files::read_text(&rule.path.with_file_name(name))
        .map(|found| found.text)
        .map_err(|error| format!("{error:#}"))
}

/// The cases beside a rule; `None` when it has none.
fn beside(rule: &TextFile, catalogue: &Catalogue) -> Result<Option<Vec<RuleCase>>, Stop> {
    let path = path_of(rule);
    if !path.exists() {
        return Ok(None);
    }
    let file = files::read_text(&path)?;
    read_cases(&file.name, &file.text, catalogue, |name| {
        neighbour(rule, name)
    })
    .map(Some)
    .map_err(|problems| super::problems_in("the cases", problems.iter(), problems.len()))
}

/// The texts of the cases beside a rule, to be sent; the service says what is wrong with them.
pub fn text_beside(rule: &TextFile) -> Result<Option<v1::RuleCases>, Stop> {
    let path = path_of(rule);
    if !path.exists() {
        return Ok(None);
    }
    let toml = files::read_text(&path)?.text;
    let mut named = HashMap::new();
    // Read for the names alone: the service has the catalogue, and refuses what is wrong.
    let _ = read_cases("", &toml, &Catalogue::builtin(), |name| {
        let text = neighbour(rule, name)?;
        named.insert(name.to_owned(), text.clone());
        Ok(text)
    });
    Ok(Some(v1::RuleCases { toml, files: named }))
}

pub fn run(args: &CasesArgs) -> Result<Outcome, Stop> {
    let catalogue = super::catalogue(&args.catalogue)?;
    let env = Environment::new(&catalogue);
    let mut out = Out::new();
    let mut rows = Vec::new();
    let (mut n_cases, mut n_failed) = (0, 0);
    let mut without = Vec::new();
    for file in &files::rule_files(&args.paths)? {
        let name = super::rule_name(file);
        let rule = compile(&file.name, &file.text, &env)
            .map(Arc::new)
            .map_err(|found| super::problems_in("the rule", found.iter(), found.len()))?;
        let Some(cases) = beside(file, &catalogue)? else {
            without.push(name);
            continue;
        };
        for case in &cases {
            let outcome = run_case(&rule, case);
            n_cases += 1;
            n_failed += usize::from(!outcome.passed());
            if args.json {
                out.json(&line(&name, &outcome))?;
            } else {
                rows.push(row(&name, &outcome));
            }
        }
    }
    if n_cases == 0 {
        return Err(Stop::Usage(anyhow!(
            "no rule here has cases: they are kept beside it, in NAME{CASES_ENDING}"
        )));
    }
    if !args.json {
        out.table(&["rule", "case", "result"], rows)?;
    }
    out.flush()?;
    if !without.is_empty() {
        note(format!("without a case: {}", without.join(", ")));
    }
    note(match n_failed {
        0 => format!("{} passed", counted(n_cases, "case")),
        n_failed => format!("{n_failed} of {} failed", counted(n_cases, "case")),
    });
    Ok(match n_failed {
        0 => Outcome::Fine,
        _ => Outcome::Findings,
    })
}

fn line<'a>(rule: &'a str, outcome: &'a CaseOutcome) -> Line<'a> {
    Line {
        rule,
        case: &outcome.name,
        passed: outcome.passed(),
        misses: outcome.misses.iter().map(ToString::to_string).collect(),
        alerts: outcome
            .alerts
            .iter()
            .map(|alert| Came {
                part: alert.part.as_ref().map(ToString::to_string),
                raised_at: alert.raised_at.to_string(),
                ended_at: alert.ended_at.map(|at| at.to_string()),
            })
            .collect(),
        knew_nothing: outcome.knew_nothing,
    }
}

fn row(rule: &str, outcome: &CaseOutcome) -> Vec<String> {
    let result = if outcome.passed() {
        match outcome.alerts.len() {
            0 if outcome.knew_nothing => {
                "passed, quiet: the rule knew nothing at any tick, so this tests nothing".to_owned()
            }
            0 => "passed, quiet".to_owned(),
            n => format!("passed, {}", counted(n, "alert")),
        }
    } else {
        let misses: Vec<String> = outcome.misses.iter().map(ToString::to_string).collect();
        format!("failed: {}", misses.join("; "))
    };
    vec![rule.to_owned(), outcome.name.clone(), result]
}
