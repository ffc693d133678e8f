//! `wheeltap rules replay`: measurements from files, judged exactly as the service would have.

use super::baselines::{self, ByClass, OfUnit};
use crate::{
    Outcome, Stop,
    alert_json::{self, Reads, Values},
    args::{CatalogueArgs, ClassArgs, ReplayArgs},
    files,
    output::{Out, bytes_bar, count_bar, counted, duration, grouped, note},
};
use anyhow::{Context, anyhow};
use std::{
    collections::{BTreeMap, BTreeSet, HashSet},
    fs::File,
    ops::ControlFlow,
    path::{Path, PathBuf},
    sync::Arc,
};
use wheeltap_catalogue::{BoundMap, Catalogue, CsvMap, Does, Measurements};
use wheeltap_followup::{Blind, Truth, WouldRing, forecast};
use wheeltap_judge::{
    EffectiveRule, FAULTS_TO_REPORT, FaultReport, FitReport, Judgement, NoVerdict, Occurrence,
    UnitContext, UnitData, UnitPlan, replay_unit,
};
use wheeltap_model::{
    ChannelId, ClassName, ConsistPosition, EventTime, Quality, RuleName, RuleRef, Series, Timeline,
    UnitId, format_span,
};
use wheeltap_proto::words;
use wheeltap_rules::{Environment, Rule, compile};

const HOUR_MS: i64 = 3_600_000;

/// What was read of one unit.
#[derive(Default)]
pub(super) struct UnitRead {
    class: Option<ClassName>,
    does: Does,
    measured: Measurements,
    /// All of it, once it is read.
    data: UnitData,
}

impl UnitRead {
    fn keep(&mut self) {
        self.data = std::mem::take(&mut self.measured).into();
    }

    /// What was kept of it, by channel.
    pub(super) fn series(&self) -> &[(ChannelId, Series)] {
        &self.data.series
    }

    /// For how long there is data of these channels.
    fn covered_ms(&self, channels: &[ChannelId]) -> i64 {
        let Some(extent) = self.data.extent() else {
            return 0;
        };
        let read = self.data.series.iter();
        let read = read.filter(|(channel, _)| channels.contains(channel));
        let times = read.flat_map(|(_, series)| series.times_ms.iter());
        let hours: HashSet<i64> = times.map(|ms| ms.div_euclid(HOUR_MS) * HOUR_MS).collect();
        wheeltap_followup::covered_ms(extent, &hours)
    }
}

/// The units of some files that a rule is judged on.
pub(super) struct JudgedOn {
    /// On how many parts of each; 1 where it is judged on the unit.
    parts: BTreeMap<UnitId, usize>,
    /// For how long there is data of what it reads, a unit on average.
    pub(super) covered_ms: i64,
}

impl JudgedOn {
    /// To be asked before [`judge`], which takes the data.
    pub(super) fn of(units: &Units, rule: &EffectiveRule, catalogue: &Catalogue) -> Self {
        let mut parts = BTreeMap::new();
        let mut covered_ms = 0;
        for (unit, read) in units {
            let plan = plan(unit, read, std::slice::from_ref(rule), catalogue);
            if plan.n_slots() > 0 {
                parts.insert(unit.clone(), plan.n_slots());
                covered_ms += read.covered_ms(plan.channels());
            }
        }
        Self {
            covered_ms: covered_ms / i64::try_from(parts.len()).unwrap_or(i64::MAX).max(1),
            parts,
        }
    }

    pub(super) fn n_units(&self) -> u64 {
        self.parts.len() as u64
    }

    /// Where the rule never knew what it reads, by what had no verdict.
    pub(super) fn blind(&self, rule: &RuleRef, silences: &[(UnitId, NoVerdict)]) -> Option<Blind> {
        let mut blind = Blind::default();
        for (unit, n_parts) in &self.parts {
            let own = silences
                .iter()
                .filter(|(of, silence)| of == unit && silence.rule == *rule && silence.is_blind());
            if own.clone().count() == *n_parts {
                blind.n_units += 1;
                let never_known = own.flat_map(|(_, silence)| silence.never_known.iter().cloned());
                blind.never_known.extend(never_known);
            }
        }
        (blind.n_units > 0).then_some(blind)
    }
}

/// Totals over all files.
#[derive(Default)]
pub(super) struct Totals {
    rows: u64,
    samples: u64,
    events: u64,
    /// Samples by channel.
    out_of_range: BTreeMap<ChannelId, u64>,
    steps_back: u64,
    pub(super) span: Option<(EventTime, EventTime)>,
}

/// Everything read, by unit.
pub(super) type Units = BTreeMap<UnitId, UnitRead>;

/// One occurrence and whose it is.
pub(super) struct Found {
    pub(super) unit: UnitId,
    pub(super) occurrence: Occurrence,
}

pub fn run(args: &ReplayArgs) -> Result<Outcome, Stop> {
    let map = bound_map(&args.map, &args.catalogue)?;
    let rules = rules(args, map.catalogue())?;
    let truth = match &args.labels {
        Some(path) => Some(super::labels::read(path)?),
        None => None,
    };
    let (mut units, totals) = read(&args.files, &map)?;
    say_what_was_read(&units, &totals, &map);
    let truth = match (truth, totals.span) {
        (Some(truth), Some(span)) => Some(super::labels::within(truth, span)),
        (truth, _) => truth,
    };
    if let Some(truth) = &truth {
        let judged: Vec<&RuleName> = rules.iter().map(|of| &of.rule.reference.name).collect();
        super::labels::say_what_is_not_there(truth, |unit| units.contains_key(unit), &judged);
    }
    let classes = match totals.span {
        Some(span) => classes(&args.class, &units, &rules, &map, span)?,
        None => ByClass::new(),
    };
    super::conflicts::say(&units, &args.files, &map);
    let judged_on: Vec<JudgedOn> = rules
        .iter()
        .map(|rule| JudgedOn::of(&units, rule, map.catalogue()))
        .collect();
    let mut found = Vec::new();
    let (mut faults, mut fits) = (Vec::new(), Vec::new());
    let mut silences = Vec::new();
    let bar = count_bar(units.len() as u64, "judging", "units");
    for (unit, read) in &mut units {
        let judgement = judge(unit, read, &rules, map.catalogue(), &classes);
        let whose = |occurrence| Found {
            unit: unit.clone(),
            occurrence,
        };
        found.extend(judgement.occurrences().into_iter().map(whose));
        for fault in judgement.faults {
            faults.push((unit.clone(), fault));
        }
        fits.extend(judgement.fits.into_iter().map(|fit| (unit.clone(), fit)));
        let silent = judgement.without_verdict.into_iter();
        silences.extend(silent.map(|silence| (unit.clone(), silence)));
        bar.inc(1);
    }
    bar.finish_and_clear();
    say_what_was_usual(&fits);
    found.sort_by(|a, b| key(a).cmp(&key(b)));
    let mut out = Out::new();
    if args.json {
        for found in &found {
            out.json(&line(found, &rules))?;
        }
    } else if !found.is_empty() {
        let head = ["raised", "ended", "unit", "rule", "evidence"];
        out.table(&head, found.iter().map(row).collect())?;
    }
    out.flush()?;
    if args.forecast {
        let truth = truth.unwrap_or_default();
        for (effective, judged_on) in rules.iter().zip(&judged_on) {
            if let Some(span) = totals.span {
                let mut made = forecast_of(&effective.rule, &found, span, judged_on, &truth);
                made.forecast.blind = judged_on.blind(&effective.rule.reference, &silences);
                super::forecast::print(&mut out, &made, args.json)?;
            }
        }
        out.flush()?;
    }
    say_what_had_no_verdict(silences);
    say_what_was_judged(&judged_on, &rules, &map, &found, &faults);
    // What a script that fails would have raised is not known, which is no clean answer.
    let is_faulted = |fault: &(UnitId, FaultReport)| fault.1.n_in_a_row >= FAULTS_TO_REPORT;
    Ok(if faults.iter().any(is_faulted) {
        Outcome::Findings
    } else {
        Outcome::Fine
    })
}

/// What one rule would have done to the desk; labels of another rule are not its business.
fn forecast_of(
    rule: &Rule,
    found: &[Found],
    (first, last): (EventTime, EventTime),
    judged_on: &JudgedOn,
    truth: &Truth,
) -> super::forecast::Made {
    let name = &rule.reference.name;
    let alerts: Vec<WouldRing> = found
        .iter()
        .filter(|found| found.occurrence.rule == rule.reference)
        .filter_map(|found| would_ring(&found.unit, &found.occurrence))
        .collect();
    super::forecast::Made {
        rule: name.to_string(),
        forecast: forecast(
            &alerts,
            first,
            last,
            judged_on.n_units(),
            &truth_of(truth, name),
        )
        .covering(judged_on.covered_ms),
        others_per_day: None,
        against: None,
    }
}

/// What would have been told to the desk; nothing while the operating state explained it.
pub(super) fn would_ring(unit: &UnitId, occurrence: &Occurrence) -> Option<WouldRing> {
    occurrence.unsuppressed_at?;
    Some(WouldRing {
        unit: unit.clone(),
        rule: occurrence.rule.name.clone(),
        part: occurrence.part.clone(),
        raised_at: occurrence.raised_at,
        ended_at: occurrence.ended_at,
    })
}

/// What is known, without the labels of other rules.
pub(super) fn truth_of(truth: &Truth, rule: &RuleName) -> Truth {
    let mut truth = truth.clone();
    truth
        .failures
        .retain(|known| known.rule.as_ref().is_none_or(|of| of == rule));
    truth
}

fn key(found: &Found) -> impl Ord + '_ {
    let Found { unit, occurrence } = found;
    (
        occurrence.raised_at,
        unit,
        &occurrence.rule,
        &occurrence.part,
    )
}

pub(super) fn bound_map(map: &Path, catalogue: &CatalogueArgs) -> Result<BoundMap, Stop> {
    let catalogue = super::catalogue(catalogue)?;
    CsvMap::load(map)
        .and_then(|map| map.bind(&catalogue))
        .map_err(|problems| super::problems_in("the map", problems.iter(), problems.len()))
}

fn rules(args: &ReplayArgs, catalogue: &Catalogue) -> Result<Vec<EffectiveRule>, Stop> {
    let mut files = files::rule_files(&args.rules)?;
    let names: Vec<String> = files.iter().map(super::rule_name).collect();
    if let Some(unknown) = args.rule.iter().find(|name| !names.contains(name)) {
        return Err(Stop::Usage(anyhow!(
            "there is no rule {unknown}: there are {}",
            names.join(", ")
        )));
    }
    if !args.rule.is_empty() {
        files.retain(|file| args.rule.contains(&super::rule_name(file)));
    }
    let env = Environment::new(catalogue);
    let mut rules = Vec::new();
    let mut problems = Vec::new();
    for file in &files {
        match compile(&file.name, &file.text, &env) {
            Ok(rule) => rules.push(EffectiveRule::always(Arc::new(rule))),
            Err(found) => problems.extend(found),
        }
    }
    if problems.is_empty() {
        Ok(rules)
    } else {
        Err(super::problems_in(
            "the rules",
            problems.iter(),
            problems.len(),
        ))
    }
}

pub(super) fn read(files: &[PathBuf], map: &BoundMap) -> Result<(Units, Totals), Stop> {
    files::say_shared_units(files, map)?;
    let mut opened = Vec::new();
    let mut total_bytes = 0;
    for path in files {
        let name = path.display().to_string();
        let file = File::open(path).with_context(|| format!("{name} could not be read"))?;
        total_bytes += file.metadata().map_or(0, |about| about.len());
        opened.push((name, file));
    }
    let bar = bytes_bar(total_bytes, "reading");
    let mut units = Units::new();
    let mut totals = Totals::default();
    for (name, file) in opened {
        let summary = map.read(&name, bar.wrap_read(file), &mut |row| {
            let bad = row.samples.iter();
            for (channel, ..) in bad.filter(|(_, _, quality)| *quality == Quality::Bad) {
                *totals.out_of_range.entry(*channel).or_default() += 1;
            }
            if !units.contains_key(row.unit) {
                let read = UnitRead {
                    does: map.does(),
                    ..UnitRead::default()
                };
                units.insert(row.unit.clone(), read);
            }
            if let Some(unit) = units.get_mut(row.unit) {
                if unit.class.is_none() {
                    unit.class = row.class.cloned();
                }
                unit.measured.take(row);
            }
            ControlFlow::Continue(())
        })?;
        totals.events += summary.events;
        totals.rows += summary.rows;
        totals.samples += summary.samples;
        totals.steps_back += summary.steps_back;
        totals.span = match (totals.span, summary.span) {
            (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
            (a, b) => a.or(b),
        };
    }
    bar.finish_and_clear();
    units.values_mut().for_each(UnitRead::keep);
    Ok((units, totals))
}

fn plan(
    unit: &UnitId,
    read: &UnitRead,
    rules: &[EffectiveRule],
    catalogue: &Catalogue,
) -> UnitPlan {
    let class_def = read.class.as_ref().and_then(|class| catalogue.class(class));
    UnitPlan::new(rules, unit, read.class.as_ref(), class_def, catalogue)
}

/// What classes do, for the rules that ask.
pub(super) fn classes(
    args: &ClassArgs,
    units: &Units,
    rules: &[EffectiveRule],
    map: &BoundMap,
    span: (EventTime, EventTime),
) -> Result<ByClass, Stop> {
    let of_units = units.iter().map(|(unit, read)| OfUnit {
        unit,
        class: read.class.as_ref(),
        data: &read.data,
    });
    let of_units: Vec<OfUnit<'_>> = of_units.collect();
    baselines::for_files(args, rules, &of_units, map.catalogue(), span)
}

/// Takes the data out of what was read: the judge keeps its own.
pub(super) fn judge(
    unit: &UnitId,
    read: &mut UnitRead,
    rules: &[EffectiveRule],
    catalogue: &Catalogue,
    classes: &ByClass,
) -> Judgement {
    let plan = plan(unit, read, rules, catalogue);
    let data = std::mem::take(&mut read.data);
    let context = UnitContext {
        states: Timeline::always(read.does.state, "the map"),
        consists: Timeline::always(
            ConsistPosition {
                role: read.does.role,
                ..ConsistPosition::default()
            },
            "the map",
        ),
        class_baselines: classes.get(&read.class).cloned().unwrap_or_default(),
        ..UnitContext::default()
    };
    replay_unit(Arc::new(plan), Arc::new(context), &data)
}

fn line(found: &Found, rules: &[EffectiveRule]) -> alert_json::Core {
    let Found { unit, occurrence } = found;
    let about = rules
        .iter()
        .map(|effective| &effective.rule)
        .find(|rule| rule.reference == occurrence.rule)
        .map(|rule| &rule.about);
    let evidence = &occurrence.evidence;
    alert_json::Core {
        rule: occurrence.rule.name.to_string(),
        version: occurrence.rule.version.clone(),
        title: about.map_or(String::new(), |about| about.title.clone()),
        priority: about.map_or(String::new(), |about| about.priority.to_string()),
        unit: unit.to_string(),
        part: occurrence.part.as_ref().map(ToString::to_string),
        since: evidence.since.to_string(),
        raised_at: occurrence.raised_at.to_string(),
        ended_at: occurrence.ended_at.map(|at| at.to_string()),
        suppressed_by_design: occurrence.unsuppressed_at.is_none(),
        evidence: Values(evidence.inputs.clone()),
        end_evidence: occurrence
            .end_evidence
            .as_ref()
            .map(|evidence| Values(evidence.inputs.clone())),
        reads: Reads(evidence.inputs.clone()),
    }
}

fn row(found: &Found) -> Vec<String> {
    let Found { unit, occurrence } = found;
    let ended = match occurrence.ended_at {
        Some(at) => format!("after {}", duration(at.ms_since(occurrence.raised_at))),
        None => "stands".to_owned(),
    };
    let whose = match &occurrence.part {
        Some(part) => format!("{unit}, {part}"),
        None => unit.to_string(),
    };
    let mut evidence = alert_json::told(&occurrence.evidence.inputs);
    if occurrence.unsuppressed_at.is_none() {
        evidence.push_str(" (suppressed by design)");
    }
    vec![
        occurrence.raised_at.to_string(),
        ended,
        whose,
        occurrence.rule.name.to_string(),
        evidence,
    ]
}

pub(super) fn say_what_was_read(units: &Units, totals: &Totals, map: &BoundMap) {
    let channels: BTreeSet<ChannelId> = units
        .values()
        .flat_map(|unit| {
            let events = unit.data.events.iter().map(|event| event.channel);
            let sampled = unit.data.series.iter().map(|(channel, _)| *channel);
            sampled.chain(events)
        })
        .collect();
    let events = match totals.events {
        0 => String::new(),
        n => format!(" and {}", counted(n, "event")),
    };
    let span = totals
        .span
        .map_or_else(String::new, |(first, last)| format!(", {first} to {last}"));
    note(format!(
        "read {} rows, {} samples{events} of {}, {}{span}",
        grouped(totals.rows),
        grouped(totals.samples),
        counted(channels.len(), "channel"),
        counted(units.len(), "unit"),
    ));
    if !totals.out_of_range.is_empty() {
        let of_channel = |(channel, n): (&ChannelId, &u64)| {
            let def = map.catalogue().by_id(*channel);
            let name = def.map_or_else(String::new, |def| def.name.to_string());
            format!("{name} ({})", counted(*n, "sample"))
        };
        let channels: Vec<String> = totals.out_of_range.iter().map(of_channel).collect();
        note(format!(
            "out of their channel's range, so that they feed no rule: {}",
            channels.join(", ")
        ));
    }
    if totals.steps_back > 0 {
        note(format!(
            "earlier than the row before, and judged in order of time: {} rows",
            grouped(totals.steps_back)
        ));
    }
}

fn say_what_was_usual(fits: &[(UnitId, FitReport)]) {
    for (unit, fit) in fits {
        let channels = fit.channels.join(", ");
        let window = format_span(fit.window_ms);
        let what = match &fit.usual {
            None => "too few rows, or a channel that never moved: nothing is compared".to_owned(),
            Some(usual) if fit.channels.len() > 1 => format!(
                "{} of {} components kept",
                usual.variances.len(),
                counted(fit.channels.len(), "channel")
            ),
            Some(usual) => {
                let value = |values: &[f64]| values.first().copied().unwrap_or_default();
                let (mean, stdev) = (value(&usual.means), value(&usual.stdevs));
                format!("mean {mean:.4}, standard deviation {stdev:.4}")
            }
        };
        note(format!(
            "{unit} was healthy by the rules from {} to {}: {channels} over {window}, {} rows, {what}",
            fit.from,
            fit.to,
            grouped(fit.n_rows)
        ));
    }
}

/// What a rule asks for and files cannot answer.
pub(super) fn say_what_is_unknown(rule: &Rule, map: &BoundMap) {
    let name = &rule.reference.name;
    if rule.reads_mates() {
        note(format!(
            "{name} asks consist mates: files know no trains, so what it asks of them is unknown"
        ));
    }
    let missing = missing_channels(rule, map);
    if !missing.is_empty() {
        note(format!(
            "{name} reads {}, which the map does not fill",
            missing.join(" and ")
        ));
    }
}

/// Units told by name at most.
const MOST_NAMED: usize = 3;

/// Why a rule was silent, where that is no good news.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum Why {
    Blind(BTreeSet<String>),
    Untested,
}

fn say_what_had_no_verdict(silences: Vec<(UnitId, NoVerdict)>) {
    let mut places: BTreeMap<(RuleName, Why), Vec<String>> = BTreeMap::new();
    for (unit, silence) in silences {
        let place = match &silence.part {
            Some(part) => format!("{unit}, {part}"),
            None => unit.to_string(),
        };
        let why = if silence.is_blind() {
            Why::Blind(silence.never_known.into_iter().collect())
        } else {
            Why::Untested
        };
        let key = (silence.rule.name, why);
        places.entry(key).or_default().push(place);
    }
    for ((rule, why), places) in places {
        let named = places.iter().take(MOST_NAMED);
        let named: Vec<&str> = named.map(String::as_str).collect();
        let more = match places.len().saturating_sub(MOST_NAMED) {
            0 => String::new(),
            n => format!("; and {n} more"),
        };
        let why = match why {
            Why::Untested => "its condition could not show itself, as tested() says".to_owned(),
            Why::Blind(inputs) => format!("it never knew {}", words::never_known(&inputs)),
        };
        note(format!(
            "{rule} had no verdict at any tick, as {why}: {}{more}",
            named.join("; ")
        ));
    }
}

fn say_what_was_judged(
    judged_on: &[JudgedOn],
    rules: &[EffectiveRule],
    map: &BoundMap,
    found: &[Found],
    faults: &[(UnitId, FaultReport)],
) {
    for (effective, judged_on) in rules.iter().zip(judged_on) {
        let rule = &effective.rule;
        let name = &rule.reference.name;
        if judged_on.n_units() == 0 {
            note(format!("{name} applies to no unit in these files"));
            continue;
        }
        say_what_is_unknown(rule, map);
    }
    for (unit, fault) in faults {
        if fault.n_in_a_row > 0 {
            let since = match fault.n_in_a_row {
                n if n >= FAULTS_TO_REPORT => {
                    ", and at the ticks after it: what it would have raised is not known"
                }
                _ => "",
            };
            note(format!(
                "{} failed on {unit} at {}: {}{since}",
                fault.rule.name, fault.at, fault.message
            ));
        }
    }
    let standing = found
        .iter()
        .filter(|found| found.occurrence.ended_at.is_none())
        .count();
    let standing = match standing {
        0 => String::new(),
        n => format!(", {} standing at the end", grouped(n as u64)),
    };
    note(format!(
        "judged {}: {}{standing}",
        counted(rules.len(), "rule"),
        counted(found.len(), "alert"),
    ));
}

/// Channels that a rule reads and no column fills, as the rule writes them.
fn missing_channels(rule: &Rule, map: &BoundMap) -> Vec<String> {
    let catalogue = map.catalogue();
    let mut filled: BTreeSet<&str> = map
        .channels()
        .filter_map(|id| catalogue.by_id(id))
        .map(|def| def.name.as_str())
        .collect();
    // What is computed of them is filled with them, and so on.
    loop {
        let computed = catalogue.channels().map(|(_, def)| def).filter(|def| {
            !filled.contains(def.name.as_str())
                && catalogue.derived(&def.name).is_some_and(|derived| {
                    derived
                        .inputs()
                        .all(|input| filled.contains(input.as_str()))
                })
        });
        let computed: Vec<&str> = computed.map(|def| def.name.as_str()).collect();
        if computed.is_empty() {
            break;
        }
        filled.extend(computed);
    }
    let mut missing = Vec::new();
    for channel in rule.inputs.iter().flat_map(|input| input.read.channels()) {
        let is_filled = match channel.split_once("{axle}") {
            Some((head, tail)) => filled
                .iter()
                .any(|name| name.starts_with(head) && name.ends_with(tail)),
            None => filled.contains(channel),
        };
        if !is_filled && !missing.iter().any(|known| known == channel) {
            missing.push(channel.to_owned());
        }
    }
    missing
}
