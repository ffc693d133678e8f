//! `wheeltap rules sweep`: what a rule's other parameters would have found, and what they would cost.

use super::baselines::ByClass;
use super::replay::{
    JudgedOn, Units, bound_map, classes, judge, read, say_what_is_unknown, say_what_was_read,
    truth_of, would_ring,
};
use super::sweep_plot;
use crate::{
    Outcome, Stop,
    args::SweepArgs,
    files,
    output::{LateBar, Out, count_bar, counted, duration, note, number, rate},
    remote::{answer, block_on, connected},
};
use anyhow::{Context, anyhow};
use serde::Serialize;
use serde_json::{Map, Value};
use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use wheeltap_client::CallError;
use wheeltap_followup::{Tried, Truth, WouldRing, best, forecast, knee};
use wheeltap_judge::{EffectiveRule, NoVerdict};
use wheeltap_model::{EventTime, UnitId};
use wheeltap_proto::v1::sweep_rule_response::Item;
use wheeltap_proto::{v1, words};
use wheeltap_rules::{Environment, Rule, compile};

/// Rows printed where no failure is known and nothing says which are best.
const MOST_ROWS: usize = 40;

/// A sweep that was made, from files or by a service.
pub struct Swept {
    pub rule: String,
    pub params: Vec<Named>,
    pub tried: Vec<Tried>,
    pub best: Vec<usize>,
    pub knee: Option<usize>,
    /// The index of the values as written.
    pub in_force: Option<usize>,
    pub from: EventTime,
    pub until: EventTime,
}

/// A parameter and its unit.
pub struct Named {
    pub name: String,
    pub ucum: String,
}

impl Named {
    /// A value of it with its unit.
    pub fn told(&self, value: f64) -> String {
        match self.ucum.as_str() {
            "1" => number(value),
            "s" => Duration::try_from_secs_f64(value)
                .ok()
                .and_then(|span| i64::try_from(span.as_millis()).ok())
                .map_or_else(|| number(value), duration),
            ucum => format!("{} {ucum}", number(value)),
        }
    }
}

/// One combination as printed by `--json`.
#[derive(Serialize)]
struct Line {
    params: Map<String, Value>,
    alerts: u64,
    per_day: f64,
    flood_s: f64,
    right: Option<u64>,
    wrong: Option<u64>,
    undecided: Option<u64>,
    precision: Option<f64>,
    recall: Option<f64>,
    median_lead_s: Option<f64>,
    /// Units on which no combination had a verdict at any tick, for want of what the rule reads.
    units_blind: u64,
    in_force: bool,
    best: bool,
    knee: bool,
}

impl Swept {
    fn new(rule: &Rule, tried: Vec<Tried>, (from, until): (EventTime, EventTime)) -> Self {
        let in_force: Vec<f64> = rule.params.iter().map(|param| param.value).collect();
        Self {
            rule: rule.reference.name.to_string(),
            params: rule
                .params
                .iter()
                .map(|param| Named {
                    name: param.name.clone(),
                    ucum: param.ucum.clone(),
                })
                .collect(),
            best: best(&tried),
            knee: knee(&tried),
            in_force: tried.iter().position(|tried| tried.values == in_force),
            tried,
            from,
            until,
        }
    }

    /// What is to be said of a combination besides its figures.
    pub fn marks(&self, idx: usize) -> Vec<&'static str> {
        let mut marks = Vec::new();
        if self.in_force == Some(idx) {
            marks.push("as written");
        }
        if self.knee == Some(idx) {
            marks.push("knee");
        }
        marks
    }

    /// The head of the table.
    pub fn head(&self) -> Vec<String> {
        let params = self.params.iter().map(|param| param.name.clone());
        let figures = [
            "alerts",
            "a day",
            "right",
            "wrong",
            "undecided",
            "found",
            "ahead",
            "",
        ];
        params.chain(figures.map(ToOwned::to_owned)).collect()
    }

    /// One row of the table.
    pub fn row(&self, idx: usize) -> Vec<String> {
        let Tried { values, forecast } = &self.tried[idx];
        let params = self.params.iter().zip(values);
        let mut row: Vec<String> = params.map(|(param, value)| param.told(*value)).collect();
        row.push(forecast.n_alerts.to_string());
        row.push(rate(forecast.per_day));
        match &forecast.score {
            Some(score) => {
                let alerts = [score.n_right, score.n_wrong, score.n_undecided];
                row.extend(alerts.map(|n| n.to_string()));
                row.push(match score.n_found + score.n_missed {
                    0 => "-".to_owned(),
                    all => format!("{} of {all}", score.n_found),
                });
                row.push(match score.median_lead_ms {
                    Some(lead) if lead >= 0 => duration(lead),
                    Some(lead) => format!("{} late", duration(-lead)),
                    None => "-".to_owned(),
                });
            }
            None => row.extend(["-"; 5].map(ToOwned::to_owned)),
        }
        row.push(self.marks(idx).join(", "));
        row
    }

    /// The combinations to print: those that none beats and that as written, or all where nothing is
    /// known of right and wrong.
    pub fn shown(&self, all: bool) -> Vec<usize> {
        if all || self.best.is_empty() {
            return (0..self.tried.len()).collect();
        }
        let mut shown = self.best.clone();
        if let Some(in_force) = self.in_force
            && !shown.contains(&in_force)
        {
            shown.push(in_force);
        }
        shown
    }

    fn line(&self, idx: usize) -> Line {
        let Tried { values, forecast } = &self.tried[idx];
        let score = forecast.score.as_ref();
        let seconds = |ms: i64| ms as f64 / 1_000.0;
        Line {
            params: self
                .params
                .iter()
                .zip(values)
                .map(|(param, value)| (param.name.clone(), Value::from(*value)))
                .collect(),
            alerts: forecast.n_alerts,
            per_day: forecast.per_day,
            flood_s: seconds(forecast.flood_ms),
            right: score.map(|score| score.n_right),
            wrong: score.map(|score| score.n_wrong),
            undecided: score.map(|score| score.n_undecided),
            precision: score.and_then(|score| score.precision),
            recall: score.and_then(|score| score.recall),
            median_lead_s: score.and_then(|score| score.median_lead_ms).map(seconds),
            units_blind: forecast.blind.as_ref().map_or(0, |blind| blind.n_units),
            in_force: self.in_force == Some(idx),
            best: self.best.contains(&idx),
            knee: self.knee == Some(idx),
        }
    }
}

pub fn run(args: &SweepArgs) -> Result<Outcome, Stop> {
    if let Some(plot) = &args.plot {
        sweep_plot::check_name(plot)?;
    }
    let swept = match &args.map {
        Some(map) => of_files(args, map)?,
        None => of_service(args)?,
    };
    print(args, &swept)?;
    if let Some(plot) = &args.plot {
        sweep_plot::write(plot, &swept)?;
        note(format!("drawn in {}", plot.display()));
    }
    Ok(Outcome::Fine)
}

fn print(args: &SweepArgs, swept: &Swept) -> anyhow::Result<()> {
    let mut out = Out::new();
    if args.ask.json {
        for idx in 0..swept.tried.len() {
            out.json(&swept.line(idx))?;
        }
        return out.flush();
    }
    let mut shown = swept.shown(args.all);
    let n_shown = shown.len();
    if !args.all && swept.best.is_empty() {
        shown.truncate(MOST_ROWS);
    }
    let head = swept.head();
    let head: Vec<&str> = head.iter().map(String::as_str).collect();
    out.table(&head, shown.iter().map(|idx| swept.row(*idx)).collect())?;
    out.flush()?;
    note(format!(
        "{}: {} over {} to {}",
        swept.rule,
        counted(swept.tried.len(), "combination"),
        swept.from,
        swept.until
    ));
    // Of all combinations alike.
    let blind = swept
        .tried
        .first()
        .and_then(|tried| tried.forecast.blind.as_ref());
    if let Some(blind) = blind {
        let why = words::no_verdict(blind.n_units, &blind.never_known);
        note(format!("no verdict {why}"));
    }
    if swept.best.is_empty() {
        note("no failure is known in this span, so nothing says which is best");
        if shown.len() < n_shown {
            note(format!("{} more with --all", n_shown - shown.len()));
        }
    } else if shown.len() < swept.tried.len() {
        note(format!(
            "shown are those that no other beats in failures found and alerts a day; {} more with --all",
            swept.tried.len() - shown.len()
        ));
    }
    Ok(())
}

fn of_files(args: &SweepArgs, map: &Path) -> Result<Swept, Stop> {
    let map = bound_map(map, &args.catalogue)?;
    let file = files::read_text(Path::new(&args.rule))?;
    let rule = compile(&file.name, &file.text, &Environment::new(map.catalogue()))
        .map_err(|found| super::problems_in("the rule", found.iter(), found.len()))?;
    let grid = rule
        .grid(&args.param)
        .map_err(|refusal| Stop::Usage(anyhow!("{}: {refusal}", file.name)))?;
    let truth = match &args.labels {
        Some(path) => super::labels::read(path)?,
        None => Truth::default(),
    };
    let (mut units, totals) = read(&args.files, &map)?;
    say_what_was_read(&units, &totals, &map);
    let truth = match totals.span {
        Some(span) => super::labels::within(truth, span),
        None => truth,
    };
    let name = &rule.reference.name;
    super::labels::say_what_is_not_there(&truth, |unit| units.contains_key(unit), &[name]);
    let truth = truth_of(&truth, name);
    let Some(span) = totals.span else {
        return Err(Stop::Failed(anyhow!("the files hold no row")));
    };
    let variants: Vec<EffectiveRule> = grid
        .iter()
        .map(|values| EffectiveRule::always(Arc::new(rule.with_params(values))))
        .collect();
    let in_force = EffectiveRule::always(Arc::new(rule));
    let judged_on = JudgedOn::of(&units, &in_force, map.catalogue());
    if judged_on.n_units() == 0 {
        return Err(Stop::Failed(anyhow!(
            "{} applies to no unit in these files",
            in_force.rule.reference.name
        )));
    }
    say_what_is_unknown(&in_force.rule, &map);
    let classes = classes(&args.class, &units, &variants, &map, span)?;
    super::conflicts::say(&units, &args.files, &map);
    let (alerts, silences) = judge_all(&mut units, &variants, map.catalogue(), &classes);
    // Parameters are known always, so what left one without a verdict left all.
    let first = variants.first().map(|first| &first.rule.reference);
    let blind = first.and_then(|first| judged_on.blind(first, &silences));
    let tried = grid
        .into_iter()
        .zip(&variants)
        .map(|(values, variant)| {
            let version = &variant.rule.reference.version;
            let alerts = alerts.get(version).map_or(&[][..], Vec::as_slice);
            let mut forecast = forecast(alerts, span.0, span.1, judged_on.n_units(), &truth)
                .covering(judged_on.covered_ms);
            forecast.blind.clone_from(&blind);
            Tried { values, forecast }
        })
        .collect();
    Ok(Swept::new(&in_force.rule, tried, span))
}

type ByVersion = HashMap<String, Vec<WouldRing>>;

/// One pass over the data by all variants: alerts by version, and where the first had no verdict.
fn judge_all(
    units: &mut Units,
    variants: &[EffectiveRule],
    catalogue: &wheeltap_catalogue::Catalogue,
    classes: &ByClass,
) -> (ByVersion, Vec<(UnitId, NoVerdict)>) {
    let mut alerts = ByVersion::new();
    let mut silences = Vec::new();
    let first = variants.first().map(|first| &first.rule.reference);
    let bar = count_bar(units.len() as u64, "judging", "units");
    for (unit, read) in units {
        let judgement = judge(unit, read, variants, catalogue, classes);
        for occurrence in judgement.occurrences() {
            if let Some(alert) = would_ring(unit, &occurrence) {
                let version = occurrence.rule.version;
                alerts.entry(version).or_default().push(alert);
            }
        }
        let silent = judgement.without_verdict.into_iter();
        let silent = silent.filter(|silence| Some(&silence.rule) == first);
        silences.extend(silent.map(|silence| (unit.clone(), silence)));
        bar.inc(1);
    }
    bar.finish_and_clear();
    (alerts, silences)
}

fn of_service(args: &SweepArgs) -> Result<Swept, Stop> {
    let (rule, source) = super::forecast::rule_or_file(&args.rule)?;
    let request = v1::SweepRuleRequest {
        name: format!("rules/{rule}"),
        source,
        params: args.param.clone(),
        from_unix_ms: args.history.from.unwrap_or_default(),
        until_unix_ms: args.history.until.unwrap_or_default(),
        units: args
            .history
            .unit
            .iter()
            .map(|unit| format!("units/{unit}"))
            .collect(),
        span_ms: args.history.days.map_or(0, super::forecast::days_ms),
    };
    block_on(async {
        let connection = connected(&args.ask.server).await?;
        let mut answers = answer(connection.rules().sweep_rule(request).await)?;
        let mut bar = LateBar::new("judging");
        let sweep = loop {
            let message = answers.message().await.map_err(CallError::from)?;
            let message = message.context("the service ended the sweep without a result")?;
            match message.item {
                Some(Item::Progress(progress)) => {
                    bar.units(progress.n_units_done, progress.n_units);
                }
                Some(Item::ClassBaseline(baseline)) => super::baselines::say(&baseline),
                Some(Item::Sweep(sweep)) => break sweep,
                None => {}
            }
        };
        drop(bar);
        Ok(from_wire(rule, sweep)?)
    })
}

fn from_wire(rule: String, sweep: v1::RuleSweep) -> anyhow::Result<Swept> {
    let at = |is: fn(&v1::TriedParams) -> bool| sweep.tried.iter().position(is);
    let (in_force, knee) = (at(|tried| tried.in_force), at(|tried| tried.knee));
    let is_best = |idx: &usize| sweep.tried[*idx].best;
    let mut best: Vec<usize> = (0..sweep.tried.len()).filter(is_best).collect();
    let mut tried = Vec::with_capacity(sweep.tried.len());
    for one in sweep.tried {
        let forecast = one
            .forecast
            .context("the service sent a combination without figures")?;
        tried.push(Tried {
            values: one.values,
            forecast: super::forecast::from_wire(forecast)?,
        });
    }
    let load = |idx: &usize| tried[*idx].forecast.per_day;
    best.sort_by(|a, b| load(a).total_cmp(&load(b)));
    let first = tried.first().context("the service tried no combination")?;
    let (from, until) = (first.forecast.from, first.forecast.until);
    Ok(Swept {
        rule,
        params: sweep
            .params
            .into_iter()
            .map(|param| Named {
                name: param.name,
                ucum: param.ucum,
            })
            .collect(),
        tried,
        best,
        knee,
        in_force,
        from,
        until,
    })
}
