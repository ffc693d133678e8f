//! `wheeltap rules forecast`: what a rule would have done over what the service has stored.

use super::book::version_name;
use crate::{
    Outcome, Stop,
    alert_json::{self, Reads, Values},
    args::ForecastArgs,
    files,
    output::{LateBar, Out, counted, duration, grouped, note, rate},
    remote::{answer, block_on, connected, instant, tail},
};
use anyhow::{Context, anyhow};
use serde::Serialize;
use std::path::Path;
use wheeltap_client::{CallError, Connection};
use wheeltap_followup::{Blind, DESK_BUDGET_PER_DAY, Faulted, Forecast, Score};
use wheeltap_model::{EventTime, UnitId};
use wheeltap_proto::v1::replay_rule_response::Item;
use wheeltap_proto::{v1, words};

const DAY_MS: i64 = 86_400_000;

/// One rule's forecast, from files or from a service.
pub struct Made {
    pub rule: String,
    pub forecast: Forecast,
    /// Of the other live rules; unknown of files.
    pub others_per_day: Option<f64>,
    /// Beside another version, where that was asked for.
    pub against: Option<Against>,
}

/// Alerts beside another version's.
#[derive(Serialize)]
pub struct Against {
    more: usize,
    fewer: usize,
    both: usize,
}

impl Against {
    fn of(alerts: &[v1::ReplayedAlert]) -> Self {
        let count = |side| alerts.iter().filter(|alert| alert.side() == side).count();
        Self {
            more: count(v1::ReplaySide::More),
            fewer: count(v1::ReplaySide::Fewer),
            both: count(v1::ReplaySide::Both),
        }
    }
}

#[derive(Serialize)]
struct Line<'a> {
    forecast: &'a str,
    from: String,
    until: String,
    units: u64,
    alerts: u64,
    standing: u64,
    units_alerting: u64,
    covered_s: f64,
    per_day: f64,
    others_per_day: Option<f64>,
    desk_budget_per_day: u32,
    worst_hour: Option<Peak>,
    worst_ten_minutes: Option<Peak>,
    share_of_ten_minutes_over_ten: f64,
    flood_s: f64,
    chattering: u64,
    busiest: Vec<Busy<'a>>,
    score: Option<ScoreLine>,
    against: Option<&'a Against>,
    /// Its script failed on so many units, and what was said on one.
    units_faulted: u64,
    fault: Option<&'a str>,
    /// It never knew what it reads on so many units, and what that is.
    units_blind: u64,
    never_known: Vec<&'a str>,
}

#[derive(Serialize)]
struct Peak {
    start: String,
    alerts: u64,
}

#[derive(Serialize)]
struct Busy<'a> {
    unit: &'a str,
    alerts: u64,
}

#[derive(Serialize)]
struct ScoreLine {
    right: u64,
    wrong: u64,
    undecided: u64,
    found: u64,
    missed: u64,
    precision: Option<f64>,
    recall: Option<f64>,
    median_lead_s: Option<f64>,
}

/// An alert that would have been, as printed by `--json`.
#[derive(Serialize)]
struct AlertLine {
    rule: String,
    version: String,
    unit: String,
    part: Option<String>,
    /// First known true tick of the run that led here.
    since: String,
    raised_at: String,
    ended_at: Option<String>,
    suppressed_by_design: bool,
    side: &'static str,
    evidence: Values,
    end_evidence: Option<Values>,
    reads: Reads,
}

fn seconds(ms: i64) -> f64 {
    ms as f64 / 1_000.0
}

/// Prints one forecast.
pub fn print(out: &mut Out, made: &Made, as_json: bool) -> anyhow::Result<()> {
    if as_json {
        return out.json(&line(made));
    }
    let Made { rule, forecast, .. } = made;
    out.line(format!(
        "{rule}, {} to {}, {}",
        forecast.from,
        forecast.until,
        counted(forecast.n_units, "unit")
    ))?;
    out.facts(&facts(made))
}

fn line(made: &Made) -> Line<'_> {
    let Made {
        rule,
        forecast,
        others_per_day,
        against,
    } = made;
    let peak = |peak: Option<(EventTime, u64)>| {
        peak.map(|(start, alerts)| Peak {
            start: start.to_string(),
            alerts,
        })
    };
    Line {
        forecast: rule,
        from: forecast.from.to_string(),
        until: forecast.until.to_string(),
        units: forecast.n_units,
        alerts: forecast.n_alerts,
        standing: forecast.n_standing,
        units_alerting: forecast.n_units_alerting,
        covered_s: seconds(forecast.covered_ms),
        per_day: forecast.per_day,
        others_per_day: *others_per_day,
        desk_budget_per_day: DESK_BUDGET_PER_DAY.0,
        worst_hour: peak(forecast.worst_hour),
        worst_ten_minutes: peak(forecast.worst_ten_minutes),
        share_of_ten_minutes_over_ten: forecast.crowded_share,
        flood_s: seconds(forecast.flood_ms),
        chattering: forecast.n_chattering,
        busiest: forecast
            .busiest
            .iter()
            .map(|(unit, alerts)| Busy {
                unit: unit.as_str(),
                alerts: *alerts,
            })
            .collect(),
        score: forecast.score.as_ref().map(|score| ScoreLine {
            right: score.n_right,
            wrong: score.n_wrong,
            undecided: score.n_undecided,
            found: score.n_found,
            missed: score.n_missed,
            precision: score.precision,
            recall: score.recall,
            median_lead_s: score.median_lead_ms.map(seconds),
        }),
        against: against.as_ref(),
        units_faulted: forecast
            .faulted
            .as_ref()
            .map_or(0, |faulted| faulted.n_units),
        fault: forecast
            .faulted
            .as_ref()
            .map(|faulted| faulted.message.as_str()),
        units_blind: forecast.blind.as_ref().map_or(0, |blind| blind.n_units),
        never_known: forecast
            .blind
            .iter()
            .flat_map(|blind| blind.never_known.iter().map(String::as_str))
            .collect(),
    }
}

fn facts(made: &Made) -> Vec<(&'static str, String)> {
    let Made {
        forecast,
        others_per_day,
        against,
        ..
    } = made;
    let mut facts = Vec::new();
    if let Some(Against { more, fewer, both }) = against {
        facts.push((
            "against",
            format!("the other version: {more} more, {fewer} fewer, {both} of both"),
        ));
    }
    if let Some(faulted) = &forecast.faulted {
        let units = counted(faulted.n_units, "unit");
        facts.push((
            "fails",
            format!("on {units}, tick after tick: {}", faulted.message),
        ));
    }
    if let Some(blind) = &forecast.blind {
        let why = words::no_verdict(blind.n_units, &blind.never_known);
        facts.push(("no verdict", why));
    }
    if forecast.n_units == 0 {
        let none = "none that it is for has data in this span, so nothing was tried";
        facts.push(("units", none.to_owned()));
    }
    let span_ms = forecast.until.ms_since(forecast.from);
    // A tenth less is how far any recording falls short.
    if forecast.covered_ms < span_ms / 10 * 9 {
        facts.push((
            "data",
            format!(
                "of {} a unit on average, which is what \"a day\" counts",
                duration(forecast.covered_ms)
            ),
        ));
    }
    facts.push((
        "alerts",
        format!(
            "{} on {}, {} a day; {} stand at the end",
            grouped(forecast.n_alerts),
            counted(forecast.n_units_alerting, "unit"),
            rate(forecast.per_day),
            grouped(forecast.n_standing)
        ),
    ));
    let (budget, most) = DESK_BUDGET_PER_DAY;
    let desk = match others_per_day {
        Some(others) => format!(
            "with the other live rules {} a day; one desk handles about {budget}, at most {most}",
            rate(forecast.per_day + others)
        ),
        None => format!("one desk handles about {budget} a day of all rules, at most {most}"),
    };
    facts.push(("desk", desk));
    if let (Some((hour, in_hour)), Some((ten, in_ten))) =
        (forecast.worst_hour, forecast.worst_ten_minutes)
    {
        facts.push((
            "at worst",
            format!("{in_hour} in the hour from {hour}, {in_ten} in ten minutes from {ten}"),
        ));
    }
    facts.push(("in flood", {
        if forecast.flood_ms == 0 {
            "never".to_owned()
        } else {
            let share = rate(100.0 * forecast.flood_share);
            format!("{}, {share} % of the time", duration(forecast.flood_ms))
        }
    }));
    facts.push((
        "chattering",
        match forecast.n_chattering {
            0 => "none".to_owned(),
            n => format!("{} came three or more in a minute", grouped(n)),
        },
    ));
    if !forecast.busiest.is_empty() {
        let units: Vec<String> = forecast
            .busiest
            .iter()
            .map(|(unit, n_alerts)| format!("{unit} ({n_alerts})"))
            .collect();
        facts.push(("busiest", units.join(", ")));
    }
    facts.push((
        "right",
        match &forecast.score {
            None => "not known: no finding decides".to_owned(),
            Some(score) => right(score),
        },
    ));
    facts
}

fn right(score: &Score) -> String {
    let decided = format!(
        "{} right, {} wrong, {} undecided",
        score.n_right, score.n_wrong, score.n_undecided
    );
    let all = score.n_found + score.n_missed;
    let called = match all {
        0 => String::new(),
        _ => format!("; {} of {all} failures called", score.n_found),
    };
    let ahead = match score.median_lead_ms {
        Some(lead) if lead >= 0 => format!(", {} ahead", duration(lead)),
        Some(lead) => format!(", {} after", duration(-lead)),
        None => String::new(),
    };
    format!("{decided}{called}{ahead}")
}

/// `wheeltap rules forecast`.
pub fn run(args: &ForecastArgs) -> Result<Outcome, Stop> {
    let mut request = request(args)?;
    block_on(async {
        let connection = connected(&args.server).await?;
        // Beginnings of versions are made whole.
        for name in [&mut request.name, &mut request.against] {
            if let (rule, Some(version)) = split_version(name) {
                *name = version_name(&connection, rule, Some(version)).await?;
            }
        }
        let (mut made, alerts) = replay(&connection, request).await?;
        made.against = args.against.is_some().then(|| Against::of(&alerts));
        let mut out = Out::new();
        let is_told = |alert: &&v1::ReplayedAlert| {
            args.alerts && (args.against.is_none() || alert.side() != v1::ReplaySide::Both)
        };
        let told: Vec<&v1::ReplayedAlert> = alerts.iter().filter(is_told).collect();
        if args.json {
            for alert in &told {
                out.json(&alert_line(alert))?;
            }
        } else if !told.is_empty() {
            let mut head = vec!["raised", "ended", "unit", "evidence"];
            let mut rows: Vec<Vec<String>> = told.iter().map(|alert| row(alert)).collect();
            if args.against.is_some() {
                head.insert(0, "which");
                for (row, alert) in rows.iter_mut().zip(&told) {
                    row.insert(0, side_word(alert.side()).to_owned());
                }
            }
            out.table(&head, rows)?;
        }
        print(&mut out, &made, args.json)?;
        out.flush()?;
        Ok(Outcome::Fine)
    })
}

/// The rule and the version of `rules/{rule}/versions/{version}`.
fn split_version(name: &str) -> (&str, Option<&str>) {
    let name = name.strip_prefix("rules/").unwrap_or(name);
    match name.split_once("/versions/") {
        Some((rule, version)) => (rule, Some(version)),
        None => (name, None),
    }
}

/// The name of a rule, and its text where a file was named.
pub fn rule_or_file(rule: &str) -> anyhow::Result<(String, String)> {
    let path = Path::new(rule);
    if path.extension().is_some_and(|ext| ext == "rhai") {
        let file = files::read_text(path)?;
        if file.text.is_empty() {
            return Err(anyhow!("{} is empty; write the rule into it", file.name));
        }
        return Ok((super::rule_name(&file), file.text));
    }
    Ok((rule.to_owned(), String::new()))
}

/// So many days, in milliseconds.
pub fn days_ms(days: u16) -> i64 {
    i64::from(days) * DAY_MS
}

fn request(args: &ForecastArgs) -> Result<v1::ReplayRuleRequest, Stop> {
    let until_unix_ms = args.history.until.unwrap_or_default();
    let (rule, source) = rule_or_file(&args.rule)?;
    if !source.is_empty() && args.version.is_some() {
        return Err(Stop::Usage(anyhow!(
            "a rule file has no versions; leave out --version"
        )));
    }
    let version = |version: &String| format!("rules/{rule}/versions/{version}");
    Ok(v1::ReplayRuleRequest {
        name: args
            .version
            .as_ref()
            .map_or_else(|| format!("rules/{rule}"), version),
        source,
        against: args.against.as_ref().map_or_else(String::new, version),
        from_unix_ms: args.history.from.unwrap_or_default(),
        span_ms: args.history.days.map_or(0, days_ms),
        until_unix_ms,
        units: args
            .history
            .unit
            .iter()
            .map(|unit| format!("units/{unit}"))
            .collect(),
        keep_forecast: false,
        class_stretch_ms: args.class_stretch.unwrap_or_default(),
    })
}

/// Runs a replay to its end, with a bar.
async fn replay(
    connection: &Connection,
    request: v1::ReplayRuleRequest,
) -> anyhow::Result<(Made, Vec<v1::ReplayedAlert>)> {
    let (rule, _) = alert_json::rule_and_version(&request.name);
    let rule = rule.to_owned();
    let mut answers = answer(connection.rules().replay_rule(request).await)?;
    let mut alerts = Vec::new();
    let mut bar = LateBar::new("judging");
    loop {
        let message = answers.message().await.map_err(CallError::from)?;
        let message = message.context("the service ended the replay without a forecast")?;
        match message.item {
            Some(Item::Progress(progress)) => bar.units(progress.n_units_done, progress.n_units),
            Some(Item::Alert(alert)) => alerts.push(alert),
            Some(Item::ClassBaseline(baseline)) => super::baselines::say(&baseline),
            Some(Item::Forecast(forecast)) => {
                drop(bar);
                alerts.sort_by(|a, b| {
                    (a.raised_unix_ms, &a.unit, &a.part).cmp(&(b.raised_unix_ms, &b.unit, &b.part))
                });
                let made = Made {
                    rule,
                    others_per_day: Some(forecast.others_per_day),
                    against: None,
                    forecast: from_wire(forecast)?,
                };
                return Ok((made, alerts));
            }
            None => {}
        }
    }
}

/// A forecast as it came over the wire.
pub fn from_wire(wire: v1::RuleForecast) -> anyhow::Result<Forecast> {
    let peak = |peak: Option<v1::LoadPeak>| {
        peak.map(|peak| (EventTime::from_unix_ms(peak.start_unix_ms), peak.n_alerts))
    };
    let covered_ms = wire.covered_ms.max(1);
    let mut busiest = Vec::new();
    for load in wire.busiest {
        busiest.push((UnitId::new(tail(&load.unit))?, load.n_alerts));
    }
    Ok(Forecast {
        from: EventTime::from_unix_ms(wire.from_unix_ms),
        until: EventTime::from_unix_ms(wire.until_unix_ms),
        n_units: wire.n_units,
        n_alerts: wire.n_alerts,
        n_standing: wire.n_standing,
        n_units_alerting: wire.n_units_alerting,
        covered_ms: wire.covered_ms,
        per_day: wire.per_day,
        worst_hour: peak(wire.worst_hour),
        worst_ten_minutes: peak(wire.worst_ten_minutes),
        crowded_share: wire.crowded_share,
        flood_ms: wire.flood_ms,
        flood_share: (wire.flood_ms as f64 / covered_ms as f64).min(1.0),
        n_chattering: wire.n_chattering,
        busiest,
        score: wire.score.map(|score| Score {
            n_right: score.n_right,
            n_wrong: score.n_wrong,
            n_undecided: score.n_undecided,
            n_found: score.n_found,
            n_missed: score.n_missed,
            precision: score.precision,
            recall: score.recall,
            median_lead_ms: score.median_lead_ms,
        }),
        faulted: (wire.n_units_faulted > 0).then_some(Faulted {
            n_units: wire.n_units_faulted,
            message: wire.fault,
        }),
        blind: (wire.n_units_blind > 0).then(|| Blind {
            n_units: wire.n_units_blind,
            never_known: wire.never_known.into_iter().collect(),
        }),
    })
}

const fn side_word(side: v1::ReplaySide) -> &'static str {
    match side {
        v1::ReplaySide::More => "more",
        v1::ReplaySide::Fewer => "fewer",
        v1::ReplaySide::Both | v1::ReplaySide::Unspecified => "both",
    }
}

fn text(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

fn alert_line(alert: &v1::ReplayedAlert) -> AlertLine {
    let (rule, version) = alert_json::rule_and_version(&alert.rule);
    let evidence = alert.evidence.as_ref();
    let since_ms = evidence.map_or(alert.raised_unix_ms, |evidence| evidence.since_unix_ms);
    let reads = alert_json::inputs(evidence);
    let end_evidence = alert.end_evidence.as_ref();
    AlertLine {
        rule: rule.to_owned(),
        version: version.to_owned(),
        unit: tail(&alert.unit).to_owned(),
        part: text(&alert.part),
        since: instant(since_ms),
        raised_at: instant(alert.raised_unix_ms),
        ended_at: (alert.ended_unix_ms != 0).then(|| instant(alert.ended_unix_ms)),
        suppressed_by_design: alert.suppressed_by_design,
        side: side_word(alert.side()),
        evidence: Values(reads.clone()),
        end_evidence: end_evidence.map(|end| Values(alert_json::inputs(Some(end)))),
        reads: Reads(reads),
    }
}

fn row(alert: &v1::ReplayedAlert) -> Vec<String> {
    let ended = match alert.ended_unix_ms {
        0 => "stands".to_owned(),
        ended => format!("after {}", duration(ended - alert.raised_unix_ms)),
    };
    let unit = tail(&alert.unit);
    let whose = match alert.part.as_str() {
        "" => unit.to_owned(),
        part => format!("{unit}, {part}"),
    };
    let mut evidence = alert_json::told(&alert_json::inputs(alert.evidence.as_ref()));
    if alert.suppressed_by_design {
        evidence.push_str(" (suppressed by design)");
    }
    vec![instant(alert.raised_unix_ms), ended, whose, evidence]
}

/// Shows and keeps the forecast of a version that is about to be judged live.
pub async fn before_promotion(
    connection: &Connection,
    version: &str,
    as_json: bool,
) -> Result<bool, Stop> {
    let request = v1::ReplayRuleRequest {
        name: version.to_owned(),
        keep_forecast: true,
        ..v1::ReplayRuleRequest::default()
    };
    match replay(connection, request).await {
        Ok((made, _)) => {
            let mut out = Out::new();
            print(&mut out, &made, as_json)?;
            out.flush()?;
            Ok(true)
        }
        Err(error) => match error.downcast_ref::<CallError>() {
            Some(call) if call.reason == "NOTHING_STORED" => {
                note("no forecast: nothing is stored yet");
                Ok(false)
            }
            _ => Err(Stop::Failed(error)),
        },
    }
}
