//! `wheeltap report`: scorecards of rules, load of the desk, reliability.

use crate::{
    Outcome, Stop,
    args::{DeskReportArgs, RailArgs, ReliabilityArgs, ReportCommand, ReportSpan, ScorecardArgs},
    output::{Out, counted, note},
    remote::{self, answer, connected, instant, priority, short_instant, tail, word},
};
use serde_json::{Value, json};
use wheeltap_proto::convert::rule_and_version;
use wheeltap_proto::{v1, words};

/// Units and components listed as failing most.
const MOST_ACTORS: usize = 10;

pub fn run(command: &ReportCommand) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            ReportCommand::Scorecard(args) => scorecard(args).await,
            ReportCommand::Desk(args) => desk(args).await,
            ReportCommand::Reliability(args) => reliability(args).await,
            ReportCommand::Rail(args) => rail(args).await,
        }
    })
}

fn from_until(span: &ReportSpan) -> (i64, i64) {
    (span.from.unwrap_or(0), span.until.unwrap_or(0))
}

fn told_span(from_ms: i64, until_ms: i64) -> String {
    format!("{} to {}", short_instant(from_ms), short_instant(until_ms))
}

/// A share and its bounds for programs.
fn share(share: Option<&v1::Share>) -> Value {
    share.map_or(
        Value::Null,
        |share| json!({ "n": share.n, "of": share.of, "share": bounded(share.share.as_ref()) }),
    )
}

fn bounded(bounded: Option<&v1::Bounded>) -> Value {
    bounded.map_or(
        Value::Null,
        |bounded| json!({ "value": bounded.value, "lower": bounded.lower, "upper": bounded.upper }),
    )
}

async fn scorecard(args: &ScorecardArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let (from_unix_ms, until_unix_ms) = from_until(&args.span);
    let request = v1::GetRuleScorecardsRequest {
        rule: args
            .rule
            .as_ref()
            .map_or_else(String::new, |rule| format!("rules/{rule}")),
        from_unix_ms,
        until_unix_ms,
        confidence: args.confidence,
    };
    let report = answer(connection.reports().get_rule_scorecards(request).await)?;
    let mut out = Out::new();
    if args.ask.json {
        for card in &report.scorecards {
            out.json(&card_line(card, &report))?;
        }
        out.flush()?;
        return Ok(Outcome::Fine);
    }
    let is_asked_for = args.rule.is_some() || args.all;
    let says_something = |card: &&v1::RuleScorecard| {
        let findings = card.findings.unwrap_or_default();
        is_asked_for || card.n_alerts + card.n_trial + card.n_reported + decided(&findings) > 0
    };
    let shown: Vec<&v1::RuleScorecard> = report.scorecards.iter().filter(says_something).collect();
    let rows = shown.iter().map(|card| card_row(card)).collect();
    out.table(
        &[
            "rule",
            "version",
            "stage",
            "alerts",
            "a day",
            "right",
            "no fault found",
            "called",
            "lead",
            "owed",
        ],
        rows,
    )?;
    out.flush()?;
    note(format!(
        "\n{}; bounds at {}. Right: as called of all findings that say; called: of the failures of its\n\
         component, unknown while people reported none.",
        told_span(report.from_unix_ms, report.until_unix_ms),
        words::percent(report.confidence),
    ));
    let n_quiet = report.scorecards.len() - shown.len();
    if n_quiet > 0 {
        note(format!(
            "{} with nothing to say; --all shows them.",
            counted(n_quiet, "version")
        ));
    }
    Ok(Outcome::Fine)
}

const fn decided(findings: &v1::FindingCounts) -> u64 {
    findings.as_called
        + findings.another_fault
        + findings.sensor_or_wiring
        + findings.no_fault_found
}

fn card_row(card: &v1::RuleScorecard) -> Vec<String> {
    let (rule, version) = rule_and_version(&card.rule);
    vec![
        rule.to_owned(),
        version.chars().take(8).collect(),
        word(card.stage().as_str_name(), "RULE_STAGE_"),
        match card.n_trial {
            0 => card.n_alerts.to_string(),
            n_trial => format!("{} ({n_trial} on trial)", card.n_alerts),
        },
        card.per_day.map_or_else(|| "-".to_owned(), words::rounded),
        words::share(card.precision.as_ref()),
        words::share(card.no_fault_found.as_ref()),
        words::share(card.recall.as_ref()),
        words::lead(card.lead.as_ref()),
        card.findings.unwrap_or_default().owed.to_string(),
    ]
}

fn card_line(card: &v1::RuleScorecard, report: &v1::GetRuleScorecardsResponse) -> Value {
    let (rule, version) = rule_and_version(&card.rule);
    let findings = card.findings.unwrap_or_default();
    json!({
        "rule": rule,
        "version": version,
        "title": card.title,
        "component": card.component,
        "priority": priority(card.priority),
        "stage": word(card.stage().as_str_name(), "RULE_STAGE_"),
        "from": instant(report.from_unix_ms),
        "until": instant(report.until_unix_ms),
        "confidence": report.confidence,
        "live_ms": card.live_ms,
        "alerts": card.n_alerts,
        "told": card.n_told,
        "units": card.n_units,
        "withdrawn": card.n_withdrawn,
        "suppressed_by_design": card.n_suppressed_by_design,
        "told_with_another": card.n_told_with_another,
        "on_trial": card.n_trial,
        "per_day": card.per_day,
        "load_share": card.load_share,
        "findings": {
            "as_called": findings.as_called,
            "another_fault": findings.another_fault,
            "sensor_or_wiring": findings.sensor_or_wiring,
            "no_fault_found": findings.no_fault_found,
            "could_not_test": findings.could_not_test,
            "not_looked_at": findings.not_looked_at,
            "owed": findings.owed,
        },
        "precision": share(card.precision.as_ref()),
        "no_fault_found": share(card.no_fault_found.as_ref()),
        "failures": card.n_failures,
        "failures_reported": card.n_reported,
        "recall": share(card.recall.as_ref()),
        "lead": card.lead.map(|lead| json!({
            "called": lead.n_called,
            "ahead": lead.n_ahead,
            "least_ms": lead.least_ms,
            "median_ms": lead.median_ms,
            "most_ms": lead.most_ms,
        })),
    })
}

async fn desk(args: &DeskReportArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let (from_unix_ms, until_unix_ms) = from_until(&args.span);
    let clock = if args.by_event_time {
        v1::DeskClock::Raised
    } else {
        v1::DeskClock::Announced
    };
    let request = v1::GetDeskLoadRequest {
        from_unix_ms,
        until_unix_ms,
        clock: clock.into(),
        n_desks: args.desks.into(),
    };
    let load = answer(connection.reports().get_desk_load(request).await)?;
    let mut out = Out::new();
    if args.ask.json {
        desk_lines(&load, &mut out)?;
        out.flush()?;
        return Ok(Outcome::Fine);
    }
    let metrics = load.metrics.iter().map(|metric| {
        vec![
            words::metric(metric.kind()).to_owned(),
            words::metric_value(metric),
            words::metric_limits(metric),
            words::verdict(metric.verdict()).to_owned(),
        ]
    });
    out.table(
        &["figure", "is", "should be", "which is"],
        metrics.collect(),
    )?;
    if load.n_alerts > 0 {
        out.line("")?;
        let priorities = load.priorities.iter().rev().map(|of| {
            vec![
                priority(of.priority),
                of.n_alerts.to_string(),
                of.share.map_or_else(|| "-".to_owned(), words::percent),
                words::percent(of.aimed_at),
            ]
        });
        out.table(
            &["priority", "alerts", "share", "about"],
            priorities.collect(),
        )?;
        out.line("")?;
        let top = load.top_rules.iter().map(|rule| {
            vec![
                tail(&rule.rule).to_owned(),
                rule.n_alerts.to_string(),
                words::percent(rule.share),
            ]
        });
        out.table(&["most frequent rule", "alerts", "share"], top.collect())?;
    }
    out.flush()?;
    note(desk_note(&load));
    Ok(Outcome::Fine)
}

fn desk_note(load: &v1::DeskLoad) -> String {
    let clock = match load.clock() {
        v1::DeskClock::Raised => "as raised, by event time",
        _ => "as told, by the server's clock",
    };
    let days = (load.until_unix_ms - load.from_unix_ms) as f64 / 86_400_000.0;
    let enough = if load.is_long_enough {
        ""
    } else {
        "; the figures mean something from 30 d on"
    };
    format!(
        "\n{} {clock}, {}: {} d covered{enough}. Figures of ISA-18.2 clause 16.",
        counted(load.n_alerts, "alert"),
        told_span(load.from_unix_ms, load.until_unix_ms),
        words::rounded(days),
    )
}

fn desk_lines(load: &v1::DeskLoad, out: &mut Out) -> anyhow::Result<()> {
    let peak = |peak: Option<v1::DeskPeak>| {
        peak.map(|peak| json!({ "start": instant(peak.start_unix_ms), "alerts": peak.n_alerts }))
    };
    out.json(&json!({ "desk": {
        "from": instant(load.from_unix_ms),
        "until": instant(load.until_unix_ms),
        "clock": word(load.clock().as_str_name(), "DESK_CLOCK_"),
        "desks": load.n_desks,
        "is_long_enough": load.is_long_enough,
        "alerts": load.n_alerts,
        "worst_hour": peak(load.worst_hour),
        "worst_ten_minutes": peak(load.worst_ten_minutes),
        "stale": load.n_stale,
    } }))?;
    for metric in &load.metrics {
        out.json(&json!({ "figure": {
            "of": word(metric.kind().as_str_name(), "KIND_"),
            "value": metric.value,
            "acceptable": metric.acceptable,
            "manageable": metric.manageable,
            "verdict": word(metric.verdict().as_str_name(), "VERDICT_"),
        } }))?;
    }
    for of in &load.priorities {
        out.json(&json!({ "priority": {
            "priority": priority(of.priority),
            "alerts": of.n_alerts,
            "share": of.share,
            "aimed_at": of.aimed_at,
        } }))?;
    }
    for rule in &load.top_rules {
        out.json(&json!({ "rule": {
            "rule": tail(&rule.rule), "alerts": rule.n_alerts, "share": rule.share,
        } }))?;
    }
    for flood in &load.floods {
        out.json(&json!({ "flood": {
            "start": instant(flood.start_unix_ms), "end": instant(flood.end_unix_ms),
        } }))?;
    }
    for day in &load.days {
        out.json(&json!({ "day": {
            "start": instant(day.start_unix_ms),
            "alerts": day.n_alerts,
            "most_in_ten_minutes": day.most_in_ten_minutes,
            "stale": day.n_stale,
        } }))?;
    }
    Ok(())
}

async fn reliability(args: &ReliabilityArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let (from_unix_ms, until_unix_ms) = from_until(&args.span);
    let request = v1::GetReliabilityRequest {
        from_unix_ms,
        until_unix_ms,
        confidence: args.confidence,
        grouping: v1::get_reliability_request::Grouping::from(args.by).into(),
        repeat_days: args.repeat_days.into(),
        unit_class: args
            .class
            .as_ref()
            .map_or_else(String::new, |class| format!("classes/{class}")),
        system: args.system.clone().unwrap_or_default(),
        component: args.component.clone().unwrap_or_default(),
    };
    let report = answer(connection.reports().get_reliability(request).await)?;
    let mut out = Out::new();
    if args.ask.json {
        reliability_lines(&report, &mut out)?;
    } else {
        reliability_tables(args, &report, &mut out)?;
    }
    out.flush()?;
    Ok(Outcome::Fine)
}

fn group_row(group: &v1::FailureGroup) -> Vec<String> {
    let growth = group.growth.as_ref();
    vec![
        if group.name.is_empty() {
            "all"
        } else {
            &group.name
        }
        .to_owned(),
        group.n_failures.to_string(),
        group.n_road_failures.to_string(),
        words::rounded(group.exposure_days),
        words::bounded(group.mtbf_days.as_ref()),
        words::trend(group.trend.as_ref()),
        growth.map_or_else(|| "-".to_owned(), |growth| words::rounded(growth.exponent)),
        words::lives(group.lives.as_ref()),
    ]
}

fn reliability_tables(
    args: &ReliabilityArgs,
    report: &v1::Reliability,
    out: &mut Out,
) -> anyhow::Result<()> {
    let groups = report.groups.iter().chain(&report.total);
    let by = args.by.to_string();
    out.table(
        &[
            &by,
            "failures",
            "on the road",
            "unit-days",
            "days between",
            "trend",
            "b",
            "lives",
        ],
        groups.map(group_row).collect(),
    )?;
    if !report.units.is_empty() {
        out.line("")?;
        let units = report.units.iter().take(MOST_ACTORS).map(|unit| {
            vec![
                tail(&unit.name).to_owned(),
                unit.n_failures.to_string(),
                unit.expected.map_or_else(|| "-".to_owned(), words::rounded),
                unit.p.map_or_else(|| "-".to_owned(), words::chance),
            ]
        });
        out.table(
            &["fails most", "failures", "expected", "by chance"],
            units.collect(),
        )?;
    }
    if let Some(repeats) = report
        .repeats
        .as_ref()
        .filter(|said| !said.repeats.is_empty())
    {
        out.line("")?;
        let rows = repeats.repeats.iter().map(|repeat| {
            vec![
                tail(&repeat.unit).to_owned(),
                repeat.component.clone(),
                tail(&repeat.first).to_owned(),
                tail(&repeat.again).to_owned(),
                wheeltap_model::span_words(repeat.after_ms),
            ]
        });
        out.table(
            &["came back", "component", "defect", "again", "after"],
            rows.collect(),
        )?;
    }
    if let Some(all) = report.availability.first() {
        out.line("")?;
        let rows = all.states.iter().map(|state| {
            vec![
                word(state.state().as_str_name(), "UNIT_STATE_").replace('_', " "),
                words::rounded(state.unit_days),
                word(state.counts().as_str_name(), "COUNTS_"),
            ]
        });
        out.table(&["state", "unit-days", "counts as"], rows.collect())?;
    }
    note(reliability_note(report));
    Ok(())
}

fn reliability_note(report: &v1::Reliability) -> String {
    let basis = match report.basis() {
        v1::reliability::Basis::Commissioned => {
            "all unit-days since commissioning count, as too few states of units are known"
        }
        _ => "unit-days in state working count",
    };
    let available = report.availability.first().and_then(|all| all.share);
    let available = available.map_or_else(String::new, |share| {
        format!(" Available: {}.", words::percent(share))
    });
    let repeats = report.repeats.as_ref().map_or_else(String::new, |repeats| {
        format!(
            " Came back within {} d: {}, of repairs so long before the end.",
            repeats.within_days,
            words::share(repeats.share.as_ref())
        )
    });
    let unnamed = match words::unnamed(report) {
        none if none.is_empty() => none,
        said => format!(" {said}"),
    };
    format!(
        "\n{}; bounds at {}; {basis}.{unnamed}{available}{repeats}\n\
         b under 1 improves, over 1 worsens. That a repair makes a component as new is an assumption.",
        told_span(report.from_unix_ms, report.until_unix_ms),
        words::percent(report.confidence),
    )
}

fn group_line(group: &v1::FailureGroup) -> Value {
    json!({
        "name": group.name,
        "units": group.n_units,
        "failures": group.n_failures,
        "road_failures": group.n_road_failures,
        "exposure_days": group.exposure_days,
        "mtbf_days": bounded(group.mtbf_days.as_ref()),
        "trend": group.trend.map(|trend| json!({
            "direction": word(trend.direction().as_str_name(), "DIRECTION_"),
            "laplace": trend.laplace,
            "laplace_p": trend.laplace_p,
            "military": trend.military,
            "military_degrees": trend.military_degrees,
            "military_p": trend.military_p,
        })),
        "growth": group.growth.as_ref().map(|growth| json!({
            "exponent": growth.exponent,
            "scale": growth.scale,
            "mtbf_days": bounded(growth.mtbf_days.as_ref()),
            "exponent_likeliest": growth.exponent_likeliest,
            "scale_likeliest": growth.scale_likeliest,
            "cramer_von_mises": growth.cramer_von_mises,
            "fits": growth.fits,
        })),
        "lives": group.lives.as_ref().map(|lives| json!({
            "failed": lives.n_failed,
            "good": lives.n_good,
            "beginning_unseen": lives.n_unseen,
            "weibull": lives.weibull.as_ref().map(|fit| json!({
                "shape": bounded(fit.shape.as_ref()),
                "scale_days": bounded(fit.scale_days.as_ref()),
                "mean_days": fit.mean_days,
                "tenth_days": fit.tenth_days,
                "p_constant": fit.p_constant,
            })),
        })),
    })
}

fn reliability_lines(report: &v1::Reliability, out: &mut Out) -> anyhow::Result<()> {
    out.json(&json!({ "reliability": {
        "from": instant(report.from_unix_ms),
        "until": instant(report.until_unix_ms),
        "confidence": report.confidence,
        "basis": word(report.basis().as_str_name(), "BASIS_"),
        "unnamed": report.n_unnamed,
    } }))?;
    if let Some(total) = &report.total {
        out.json(&json!({ "total": group_line(total) }))?;
    }
    for group in &report.groups {
        out.json(&json!({ "group": group_line(group) }))?;
    }
    for component in &report.components {
        out.json(&json!({ "component": {
            "name": component.name,
            "failures": component.n_failures,
            "share": component.share,
            "cumulated": component.cumulated,
        } }))?;
    }
    for unit in &report.units {
        out.json(&json!({ "unit": {
            "name": tail(&unit.name),
            "failures": unit.n_failures,
            "share": unit.share,
            "cumulated": unit.cumulated,
            "expected": unit.expected,
            "p": unit.p,
        } }))?;
    }
    if let Some(repeats) = &report.repeats {
        let share = share(repeats.share.as_ref());
        out.json(&json!({ "repeats": { "within_days": repeats.within_days, "share": share } }))?;
        for repeat in &repeats.repeats {
            out.json(&json!({ "repeat": {
                "unit": tail(&repeat.unit),
                "component": repeat.component,
                "first": tail(&repeat.first),
                "again": tail(&repeat.again),
                "after_ms": repeat.after_ms,
            } }))?;
        }
    }
    for available in &report.availability {
        let states = available.states.iter().map(|state| {
            json!({
                "state": word(state.state().as_str_name(), "UNIT_STATE_"),
                "counts": word(state.counts().as_str_name(), "COUNTS_"),
                "unit_days": state.unit_days,
            })
        });
        out.json(&json!({ "availability": {
            "class": tail(&available.unit_class),
            "share": available.share,
            "states": states.collect::<Vec<_>>(),
        } }))?;
    }
    Ok(())
}

/// Units listed that slip away from such places.
const MOST_SLIPPING: usize = 10;

async fn rail(args: &RailArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let request = v1::GetRailPlacesRequest {
        from_unix_ms: args.from.unwrap_or(0),
        until_unix_ms: args.until.unwrap_or(0),
        stretch_miles: args.stretch,
        least_units: args.units,
        least_trains: args.trains,
        span_ms: 0,
    };
    let found = answer(connection.reports().get_rail_places(request).await)?;
    let mut out = Out::new();
    if args.ask.json {
        for place in found.places.iter().take(args.limit) {
            out.json(&place_line(place))?;
        }
        for unit in &found.units {
            out.json(&json!({
                "unit": tail(&unit.unit), "slips": unit.n_slips, "at_places": unit.n_at_places,
            }))?;
        }
        out.flush()?;
        return Ok(Outcome::Fine);
    }
    let head = [
        "line", "miles", "trains", "units", "slips", "first", "last", "defects",
    ];
    let places = found.places.iter().take(args.limit);
    if !found.places.is_empty() {
        out.table(&head, places.map(place_row).collect())?;
    }
    let own: Vec<&v1::SlippingUnit> = found
        .units
        .iter()
        .filter(|unit| unit.n_slips > unit.n_at_places)
        .collect();
    if !own.is_empty() {
        out.line("")?;
        let rows = own.iter().take(MOST_SLIPPING).map(|unit| {
            vec![
                tail(&unit.unit).to_owned(),
                (unit.n_slips - unit.n_at_places).to_string(),
                unit.n_slips.to_string(),
            ]
        });
        out.table(&["unit", "slips elsewhere", "slips"], rows.collect())?;
    }
    out.flush()?;
    note(format!(
        "\n{}{}{}: {}. Look at the rail first; it says of no unit that it is sound.",
        match found.places.len().saturating_sub(args.limit) {
            0 => String::new(),
            n => format!("{} more with --limit. ", counted(n, "place")),
        },
        more_units(own.len()),
        told_span(found.from_unix_ms, found.until_unix_ms),
        words::slips_said(&found),
    ));
    Ok(Outcome::Fine)
}

/// How many of the units that slip elsewhere are not listed.
fn more_units(n_own: usize) -> String {
    match n_own.saturating_sub(MOST_SLIPPING) {
        0 => String::new(),
        n => format!("{} more with --json. ", counted(n, "unit")),
    }
}

fn place_line(place: &v1::RailPlace) -> Value {
    let units = place.units.iter();
    let defects = place.defects.iter();
    json!({
        "line": place.line,
        "from_mile": place.from_mile,
        "until_mile": place.until_mile,
        "first": instant(place.first_unix_ms),
        "last": instant(place.last_unix_ms),
        "slips": place.n_slips,
        "trains": place.n_trains,
        "units": units
            .map(|of| json!({ "unit": tail(&of.unit), "slips": of.n_slips }))
            .collect::<Vec<_>>(),
        "defects": defects.map(|name| tail(name)).collect::<Vec<_>>(),
    })
}

fn place_row(place: &v1::RailPlace) -> Vec<String> {
    let defects = place.defects.iter().map(|name| tail(name));
    vec![
        place
            .line
            .map_or_else(|| "unknown".to_owned(), |line| line.to_string()),
        words::miles(place.from_mile, place.until_mile),
        place.n_trains.to_string(),
        place.units.len().to_string(),
        place.n_slips.to_string(),
        short_instant(place.first_unix_ms),
        short_instant(place.last_unix_ms),
        defects.collect::<Vec<_>>().join(", "),
    ]
}
