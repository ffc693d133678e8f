//! `wheeltap rules vet`: what is wrong with a rule, where, why, and the mend.

use crate::{
    Outcome, Stop,
    args::VetArgs,
    files::{self, Unreadable},
    output::{Out, counted, grouped, note},
};
use serde::Serialize;
use std::{collections::BTreeSet, path::Path, sync::Arc};
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::RuleCost;
use wheeltap_model::format_span;
use wheeltap_rules::{Environment, Problem, Rule, vet};

const DAY_S: f64 = 86_400.0;

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

/// What a rule costs.
#[derive(Clone, Copy, Serialize)]
struct Cost {
    bytes_per_unit: u64,
    bytes_per_fleet: u64,
    readings_per_hour: u64,
    verdicts_per_hour: u64,
    core_ms_per_unit_day: f64,
    cores_per_fleet: f64,
}

impl Cost {
    fn of(rule: &Arc<Rule>, catalogue: &Catalogue, n_units: u64) -> Self {
        let cost = RuleCost::measure(rule, catalogue);
        let core_s = cost.core_per_day.as_secs_f64();
        Self {
            bytes_per_unit: cost.window_bytes,
            bytes_per_fleet: cost.window_bytes.saturating_mul(n_units),
            readings_per_hour: cost.readings_per_hour,
            verdicts_per_hour: cost.verdicts_per_hour,
            core_ms_per_unit_day: core_s * 1_000.0,
            cores_per_fleet: core_s / DAY_S * n_units as f64,
        }
    }
}

/// With the channels that a map declares, where one is given.
fn catalogue(args: &VetArgs) -> Result<Catalogue, Stop> {
    let Some(map) = &args.map else {
        return super::catalogue(&args.catalogue);
    };
    let map = super::replay::bound_map(map, &args.catalogue)?;
    Ok(map.catalogue().clone())
}

pub fn run(args: &VetArgs) -> Result<Outcome, Stop> {
    let catalogue = catalogue(args)?;
    let env = Environment::new(&catalogue);
    let files = files::rule_files_each(&args.paths)?;
    let mut out = Out::new();
    let mut rows = Vec::new();
    let (mut n_problems, mut n_refused, mut n_warnings) = (0, 0, 0);
    let (mut fleet_bytes, mut fleet_cores) = (0, 0.0);
    for file in &files {
        let file = match file {
            Ok(file) => file,
            Err(why) => {
                n_problems += 1;
                n_refused += 1;
                say_unreadable(&mut out, why, args.json)?;
                continue;
            }
        };
        let vetted = vet(&file.name, &file.text, &env);
        n_problems += vetted.problems.len();
        n_refused += usize::from(vetted.rule.is_none());
        n_warnings += vetted.warnings.len();
        let rule = vetted.rule.map(Arc::new);
        let cost = rule
            .as_ref()
            .map(|rule| Cost::of(rule, &catalogue, args.fleet));
        fleet_bytes += cost.map_or(0, |cost| cost.bytes_per_fleet);
        fleet_cores += cost.map_or(0.0, |cost| cost.cores_per_fleet);
        if args.json {
            let rule = rule.as_deref();
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
        if let (Some(rule), Some(cost)) = (&rule, cost) {
            rows.push(row(rule, cost));
        }
    }
    if !rows.is_empty() {
        if n_problems + n_warnings > 0 {
            out.line("")?;
        }
        let head = [
            "rule",
            "priority",
            "tick",
            "on",
            "off",
            "longest",
            "panes",
            "a unit",
            "core a day",
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
            "; {} units take {} of windows and {:.1} % of one core of this machine",
            grouped(args.fleet),
            indicatif::BinaryBytes(bytes),
            fleet_cores * 100.0
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

/// One file that is no text stops no other.
fn say_unreadable(out: &mut Out, why: &Unreadable, as_json: bool) -> anyhow::Result<()> {
    if !as_json {
        return out.line(why.to_string());
    }
    let (Unreadable::Io { name, .. } | Unreadable::NoText { name, .. }) = why;
    let (line, mend) = match why {
        Unreadable::Io { .. } => (1, "name a file that can be read"),
        Unreadable::NoText { line, .. } => (*line, "save the file as UTF-8"),
    };
    let problem = Problem {
        file: name.clone(),
        line,
        column: 1,
        what: "this is no rule's text".to_owned(),
        why: why.to_string(),
        mend: mend.to_owned(),
    };
    out.json(&Report {
        rule: super::stem(Path::new(name)),
        file: name,
        fine: false,
        problems: &[problem],
        warnings: &[],
        version: None,
        title: None,
        priority: None,
        cost: None,
        inputs: Vec::new(),
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
        .filter_map(|input| input.read.pane_ms())
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
        format!("{:.0} ms", cost.core_ms_per_unit_day),
    ]
}

fn inputs(rule: &Rule) -> Vec<InputReport<'_>> {
    rule.inputs
        .iter()
        .map(|input| InputReport {
            input: &input.name,
            of: &input.text,
            ucum: &input.ucum,
            pane: input.read.pane_ms().map(format_span),
        })
        .collect()
}
