//! `wheeltap rules vet`: what is wrong with a rule, where, why, and the mend.

use crate::{
    Outcome, Stop,
    args::VetArgs,
    files,
    output::{Out, counted, grouped, note},
};
use serde::Serialize;
use std::{collections::BTreeSet, sync::Arc};
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{EffectiveRule, UnitPlan};
use wheeltap_model::{UnitId, format_span};
use wheeltap_rules::{Environment, Problem, Read, Rule, vet};

/// One rule as printed by `--json`.
#[derive(Serialize)]
struct Report<'a> {
    rule: String,
    file: &'a str,
    fine: bool,
    problems: &'a [Problem],
    warnings: &'a [Problem],
    #[serde(skip_serializing_if = "Option::is_none")]
    version: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    title: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    priority: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cost: Option<Cost>,
    inputs: Vec<InputReport<'a>>,
}

#[derive(Serialize)]
struct InputReport<'a> {
    input: &'a str,
    of: &'a str,
    ucum: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pane: Option<String>,
}

/// What window state costs.
#[derive(Clone, Copy, Serialize)]
struct Cost {
    bytes_per_unit: u64,
    bytes_per_fleet: u64,
}

pub fn run(args: &VetArgs) -> Result<Outcome, Stop> {
    let catalogue = super::catalogue(&args.catalogue)?;
    let env = Environment::new(&catalogue);
    let files = files::rule_files(&args.paths)?;
    let mut out = Out::new();
    let mut rows = Vec::new();
    let (mut n_problems, mut n_refused, mut n_warnings, mut fleet_bytes) = (0, 0, 0, 0);
    for file in &files {
        let vetted = vet(&file.name, &file.text, &env);
        n_problems += vetted.problems.len();
        n_refused += usize::from(vetted.rule.is_none());
        n_warnings += vetted.warnings.len();
        let cost = vetted
            .rule
            .as_ref()
            .map(|rule| cost(rule, &catalogue, args.fleet));
        fleet_bytes += cost.map_or(0, |cost| cost.bytes_per_fleet);
        if args.json {
            let rule = vetted.rule.as_ref();
            out.json(&Report {
                rule: super::rule_name(file),
                file: &file.name,
                fine: rule.is_some(),
                problems: &vetted.problems,
                warnings: &vetted.warnings,
                version: rule.map(|rule| rule.reference.version.as_str()),
                title: rule.map(|rule| rule.about.title.as_str()),
                priority: rule.map(|rule| rule.about.priority.as_str()),
                cost,
                inputs: rule.map(inputs).unwrap_or_default(),
            })?;
            continue;
        }
        for problem in &vetted.problems {
            out.line(told("", problem))?;
        }
        for warning in &vetted.warnings {
            out.line(told("perhaps not meant: ", warning))?;
        }
        if let (Some(rule), Some(cost)) = (&vetted.rule, cost) {
            rows.push(row(rule, cost));
        }
    }
    if !rows.is_empty() {
        if n_problems + n_warnings > 0 {
            out.line("")?;
        }
        let head = [
            "rule", "priority", "tick", "on", "off", "longest", "panes", "a unit",
        ];
        out.table(&head, rows)?;
    }
    out.flush()?;
    let refused = match n_refused {
        0 => "all fine".to_owned(),
        _ => format!(
            "{} refused with {}",
            counted(n_refused, "rule"),
            counted(n_problems, "problem")
        ),
    };
    let warned = match n_warnings {
        0 => String::new(),
        n => format!(", {}", counted(n, "doubt")),
    };
    let memory = match fleet_bytes {
        0 => String::new(),
        bytes => format!(
            "; windows of {} units take {}",
            grouped(args.fleet),
            indicatif::BinaryBytes(bytes)
        ),
    };
    note(format!(
        "{}: {refused}{warned}{memory}",
        counted(files.len(), "rule")
    ));
    Ok(match n_refused {
        0 => Outcome::Fine,
        _ => Outcome::Findings,
    })
}

fn told(prefix: &str, problem: &Problem) -> String {
    let Problem {
        file,
        line,
        column,
        what,
        why,
        mend,
    } = problem;
    format!("{file}:{line}:{column}: {prefix}{what}\n    why:  {why}\n    mend: {mend}")
}

fn row(rule: &Rule, cost: Cost) -> Vec<String> {
    let about = &rule.about;
    let span = |ms| match ms {
        0 => "-".to_owned(),
        ms => format_span(ms),
    };
    let panes: BTreeSet<i64> = rule
        .inputs
        .iter()
        .filter_map(|input| pane_ms(&input.read))
        .collect();
    let panes: Vec<String> = panes.into_iter().map(format_span).collect();
    vec![
        rule.reference.name.to_string(),
        about.priority.to_string(),
        format_span(about.tick_ms),
        span(about.on_delay_ms),
        span(about.off_delay_ms),
        span(rule.longest_window_ms()),
        panes.join(", "),
        indicatif::BinaryBytes(cost.bytes_per_unit).to_string(),
    ]
}

fn pane_ms(read: &Read) -> Option<i64> {
    match read {
        Read::Window { pane_ms, .. } => Some(*pane_ms),
        Read::Healthy { baseline, .. } => Some(baseline.pane_ms),
        Read::Class { window, .. } => Some(window.pane_ms),
        Read::Mates { window, .. } => pane_ms(window),
        _ => None,
    }
}

fn inputs(rule: &Rule) -> Vec<InputReport<'_>> {
    rule.inputs
        .iter()
        .map(|input| InputReport {
            input: &input.name,
            of: &input.text,
            ucum: &input.ucum,
            pane: pane_ms(&input.read).map(format_span),
        })
        .collect()
}

/// What the rule costs on a unit that it is for.
fn cost(rule: &Rule, catalogue: &Catalogue, n_units: u64) -> Cost {
    let scope = &rule.about.applies;
    let any_unit = || UnitId::new("any").ok();
    let class = scope.classes.first();
    let bytes_per_unit = scope
        .units
        .first()
        .cloned()
        .or_else(any_unit)
        .map_or(0, |unit| {
            let rules = [EffectiveRule::always(Arc::new(rule.clone()))];
            let class_def = class.and_then(|class| catalogue.class(class));
            UnitPlan::new(&rules, &unit, class, class_def, catalogue).window_bytes()
        });
    let bytes_per_unit = bytes_per_unit as u64;
    Cost {
        bytes_per_unit,
        bytes_per_fleet: bytes_per_unit.saturating_mul(n_units),
    }
}
