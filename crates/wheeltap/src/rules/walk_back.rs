//! `wheeltap rules walk-back`: what differed before a failure, and a rule drafted from it.

use super::forecast::{self, Made};
use crate::{
    Outcome, Stop,
    args::WalkBackArgs,
    output::{LateBar, Out, counted, grouped, note, number},
    remote::{answer, block_on, connected, instant, short_instant, tail},
};
use anyhow::{Context, anyhow};
use serde::Serialize;
use std::{fmt::Write as _, fs::OpenOptions, io::Write as _, path::Path};
use wheeltap_client::{CallError, Connection};
use wheeltap_model::unit_words;
use wheeltap_proto::v1;
use wheeltap_proto::v1::walk_back_response::Item;

/// Among so many units little can be told.
const FEW_UNITS: u64 = 12;

#[derive(Serialize)]
struct FindingLine<'a> {
    rank: usize,
    channel: &'a str,
    what: String,
    aspect: &'static str,
    given: Vec<&'a str>,
    condition: &'a str,
    score: f64,
    here: f64,
    usually: Option<f64>,
    class: f64,
    ucum: &'a str,
    distance_from_own_past: Option<f64>,
    distance_from_class: Option<f64>,
    distance_from_mates: Option<f64>,
    since: Option<String>,
    gradual: bool,
    difference_last_hour: Option<f64>,
    difference_last_day: Option<f64>,
    difference_last_week: Option<f64>,
    difference_last_month: Option<f64>,
    together: Vec<&'a str>,
    today: Vec<&'a str>,
}

#[derive(Serialize)]
struct Summary<'a> {
    unit: &'a str,
    component: &'a str,
    class: &'a str,
    from: String,
    at: String,
    silent_since: Option<String>,
    units: u64,
    units_heard: u64,
    mates: u64,
    comparisons: u64,
    least_score: f64,
    findings: usize,
    component_unknown: bool,
    near_components: &'a [String],
    draft_rings_on_others: u64,
}

#[derive(Serialize)]
struct SignLine<'a> {
    name: &'a str,
    title: &'a str,
    from: String,
    until: Option<String>,
}

/// `wheeltap rules walk-back`.
pub fn run(args: &WalkBackArgs) -> Result<Outcome, Stop> {
    if let Some(path) = args.draft.as_deref().filter(|path| path.exists()) {
        return Err(Stop::Usage(anyhow!(
            "{} is there already; name another file",
            path.display()
        )));
    }
    if let Some(path) = &args.draft {
        can_be_written(path)?;
    }
    block_on(async {
        let connection = connected(&args.server).await?;
        let mut report = walk(&connection, args).await?;
        let drafted = report.draft_forecast.take();
        let made = match drafted {
            Some(wire) => Some(Made {
                rule: tail(&report.draft_name).to_owned(),
                others_per_day: None,
                against: None,
                forecast: forecast::from_wire(wire)?,
            }),
            None => None,
        };
        warn_of_component(&report);
        let mut out = Out::new();
        if args.json {
            print_json(&mut out, &report, made.as_ref())?;
        } else {
            print(&mut out, &report, made.as_ref(), args.draft.is_some())?;
        }
        out.flush()?;
        if let Some(path) = &args.draft {
            keep_draft(path, &report.draft)?;
        }
        Ok(
            if report.findings.is_empty() && report.silent_since_unix_ms == 0 {
                Outcome::Fine
            } else {
                Outcome::Findings
            },
        )
    })
}

/// A slip of the pen would name a component that nobody looks for.
fn warn_of_component(report: &v1::WalkBackReport) {
    if !report.component_unknown {
        return;
    }
    let near = match report.near_components.as_slice() {
        [] => "none is like it".to_owned(),
        near => format!("did you mean {}?", near.join(", ")),
    };
    note(format!(
        "no rule or defect names the component {}; {near}",
        report.component
    ));
}

async fn walk(connection: &Connection, args: &WalkBackArgs) -> Result<v1::WalkBackReport, Stop> {
    let request = v1::WalkBackRequest {
        unit: format!("units/{}", args.unit),
        component: args.component.clone(),
        at_unix_ms: args.at.unwrap_or_default(),
    };
    let mut answers = answer(connection.rules().walk_back(request).await)?;
    let mut bar = LateBar::new("reading");
    loop {
        let message = answers.message().await.map_err(CallError::from)?;
        let message = message.context("the service ended the walk back without a report")?;
        match message.item {
            Some(Item::Progress(progress)) => bar.units(progress.n_units_read, progress.n_units),
            Some(Item::Report(report)) => {
                drop(bar);
                return Ok(report);
            }
            None => {}
        }
    }
}

/// Whether a file can be made there: a walk takes minutes, and what it found would be lost.
fn can_be_written(path: &Path) -> Result<(), Stop> {
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let tried = tempfile::tempfile_in(folder);
    tried.map(drop).map_err(|error| {
        Stop::Usage(anyhow!(
            "{} cannot be written: {error}; name a file in a folder that is there and can be written to",
            path.display()
        ))
    })
}

const NO_DRAFT: &str = "no rule was drafted: none would call this unit and leave its class alone";

fn keep_draft(path: &Path, draft: &str) -> Result<(), Stop> {
    if draft.is_empty() {
        note(NO_DRAFT);
        return Ok(());
    }
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .with_context(|| format!("{} cannot be written", path.display()))?;
    file.write_all(draft.as_bytes())
        .with_context(|| format!("{} cannot be written", path.display()))?;
    note(format!(
        "drafted {}: finish its texts, then vet, forecast and lodge it",
        path.display()
    ));
    Ok(())
}

const fn aspect_word(aspect: v1::WalkBackAspect) -> &'static str {
    match aspect {
        v1::WalkBackAspect::Unspecified | v1::WalkBackAspect::Level => "level",
        v1::WalkBackAspect::Swing => "movement",
        v1::WalkBackAspect::Rate => "rate",
        v1::WalkBackAspect::Heard => "heard",
        v1::WalkBackAspect::Events => "count",
    }
}

/// What differs, in words.
fn what(finding: &v1::WalkBackFinding) -> String {
    let channel = tail(&finding.channel);
    let mut words = match finding.aspect() {
        v1::WalkBackAspect::Unspecified | v1::WalkBackAspect::Level => channel.to_owned(),
        aspect => format!("{channel} ({})", aspect_word(aspect)),
    };
    let given: Vec<&str> = finding.given.iter().map(|name| tail(name)).collect();
    if !given.is_empty() {
        words.push_str(" for its ");
        words.push_str(&given.join(" and "));
    }
    words
}

fn short(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1}"))
}

/// Figures that a person can take in.
fn figure(value: f64) -> String {
    let rounded: f64 = format!("{value:.2e}").parse().unwrap_or(value);
    number(rounded)
}

fn print(
    out: &mut Out,
    report: &v1::WalkBackReport,
    made: Option<&Made>,
    is_kept: bool,
) -> anyhow::Result<()> {
    print_head(out, report)?;
    if report.findings.is_empty() {
        return print_weak(out, report);
    }
    print_findings(out, &report.findings)?;
    out.line(format!(
        "own, class, mates: distance from each in standard deviations of the class. {} comparisons; \
         scores under {} are not told, and some of those told are chance",
        grouped(report.n_comparisons),
        number(report.least_score)
    ))?;
    let Some(made) = made else {
        return out.line(NO_DRAFT);
    };
    out.line("")?;
    if !is_kept {
        out.line(report.draft.trim_end())?;
        out.line("")?;
    }
    if report.draft_n_others > 0 {
        out.line(format!(
            "the draft rings on {} that do not show it today: it needs your hand",
            counted(report.draft_n_others, "other unit")
        ))?;
    }
    forecast::print(out, made, false)
}

/// What was compared with what, and what was known already.
fn print_head(out: &mut Out, report: &v1::WalkBackReport) -> anyhow::Result<()> {
    out.line(format!(
        "{}, {}: {} to {}, against {} of class {}, {}",
        tail(&report.unit),
        report.component,
        instant(report.from_unix_ms),
        instant(report.at_unix_ms),
        counted(report.n_units, "unit"),
        tail(&report.unit_class),
        counted(report.n_mates, "mate"),
    ))?;
    if report.n_units_heard < FEW_UNITS {
        out.line(format!(
            "it rests on {} with data in this span: so few can miss a fault and can show one that is none",
            counted(report.n_units_heard, "other unit")
        ))?;
    }
    if report.silent_since_unix_ms != 0 {
        out.line(format!(
            "nothing was heard of the unit since {}: look at its radio link first",
            instant(report.silent_since_unix_ms)
        ))?;
    }
    for sign in &report.signs {
        out.line(format!(
            "known then: {} {}, {}",
            sign_name(sign),
            sign.title,
            match sign.until_unix_ms {
                0 => format!("since {}", instant(sign.from_unix_ms)),
                until => format!("{} to {}", instant(sign.from_unix_ms), instant(until)),
            }
        ))?;
    }
    Ok(())
}

/// `alert 7`, `defect 3`.
fn sign_name(sign: &v1::WalkBackSign) -> String {
    let kind = if sign.name.starts_with("defects/") {
        "defect"
    } else {
        "alert"
    };
    format!("{kind} {}", tail(&sign.name))
}

/// What differs most where nothing differs enough.
fn print_weak(out: &mut Out, report: &v1::WalkBackReport) -> anyhow::Result<()> {
    if report.n_comparisons == 0 {
        return out.line(
            "nothing could be compared: in the span there is too little data of the unit itself, or of what it is \
             compared with (its own past, mates, class)",
        );
    }
    out.line(format!(
        "nothing differs: of {} comparisons none scores {} or more",
        grouped(report.n_comparisons),
        number(report.least_score)
    ))?;
    if report.weak_findings.is_empty() {
        return Ok(());
    }
    out.line("weak, and may be chance; the greatest differences were:")?;
    print_findings(out, &report.weak_findings)
}

fn print_findings(out: &mut Out, findings: &[v1::WalkBackFinding]) -> anyhow::Result<()> {
    let rows = findings.iter().enumerate();
    out.table(
        &[
            "",
            "score",
            "what",
            "in",
            "here",
            "usually",
            "class",
            "unit",
            "own",
            "class",
            "mates",
            "since",
            "others today",
        ],
        rows.map(|(idx, finding)| row(idx + 1, finding)).collect(),
    )?;
    out.line("")?;
    for (idx, finding) in findings.iter().enumerate() {
        if !finding.together.is_empty() {
            let names: Vec<&str> = finding.together.iter().map(|name| tail(name)).collect();
            out.line(format!("{} moved with {}", idx + 1, names.join(", ")))?;
        }
    }
    Ok(())
}

fn row(rank: usize, finding: &v1::WalkBackFinding) -> Vec<String> {
    let since = match finding.since_unix_ms {
        0 => "all along".to_owned(),
        since if finding.gradual => format!("{}, growing", short_instant(since)),
        since => short_instant(since),
    };
    let today: Vec<&str> = finding
        .today
        .iter()
        .take(3)
        .map(|one| tail(&one.unit))
        .collect();
    let more = finding.today.len().saturating_sub(today.len());
    let mut units = today.join(", ");
    if more > 0 {
        // A string takes all.
        let _ = write!(units, " and {more} more");
    }
    vec![
        rank.to_string(),
        format!("{:.1}", finding.score),
        what(finding),
        finding.condition.clone(),
        figure(finding.here),
        finding.usually.map_or_else(|| "-".to_owned(), figure),
        figure(finding.expected),
        unit_words(&finding.ucum),
        short(finding.own),
        short(finding.against_class),
        short(finding.against_mates),
        since,
        if units.is_empty() {
            "none".to_owned()
        } else {
            units
        },
    ]
}

fn finding_line(rank: usize, finding: &v1::WalkBackFinding) -> FindingLine<'_> {
    FindingLine {
        rank,
        channel: tail(&finding.channel),
        what: what(finding),
        aspect: aspect_word(finding.aspect()),
        given: finding.given.iter().map(|name| tail(name)).collect(),
        condition: &finding.condition,
        score: finding.score,
        here: finding.here,
        usually: finding.usually,
        class: finding.expected,
        ucum: &finding.ucum,
        distance_from_own_past: finding.own,
        distance_from_class: finding.against_class,
        distance_from_mates: finding.against_mates,
        since: (finding.since_unix_ms != 0).then(|| instant(finding.since_unix_ms)),
        gradual: finding.gradual,
        difference_last_hour: finding.hour,
        difference_last_day: finding.day,
        difference_last_week: finding.week,
        difference_last_month: finding.month,
        together: finding.together.iter().map(|name| tail(name)).collect(),
        today: finding.today.iter().map(|one| tail(&one.unit)).collect(),
    }
}

fn print_json(
    out: &mut Out,
    report: &v1::WalkBackReport,
    made: Option<&Made>,
) -> anyhow::Result<()> {
    for sign in &report.signs {
        out.json(&serde_json::json!({ "sign": SignLine {
            name: &sign.name,
            title: &sign.title,
            from: instant(sign.from_unix_ms),
            until: (sign.until_unix_ms != 0).then(|| instant(sign.until_unix_ms)),
        } }))?;
    }
    for (idx, finding) in report.findings.iter().enumerate() {
        out.json(&serde_json::json!({ "finding": finding_line(idx + 1, finding) }))?;
    }
    for (idx, finding) in report.weak_findings.iter().enumerate() {
        out.json(&serde_json::json!({ "weak_finding": finding_line(idx + 1, finding) }))?;
    }
    if let Some(made) = made {
        out.json(
            &serde_json::json!({ "draft": tail(&report.draft_name), "source": report.draft }),
        )?;
        forecast::print(out, made, true)?;
    }
    out.json(&serde_json::json!({ "walk_back": Summary {
        unit: tail(&report.unit),
        component: &report.component,
        class: tail(&report.unit_class),
        from: instant(report.from_unix_ms),
        at: instant(report.at_unix_ms),
        silent_since: (report.silent_since_unix_ms != 0)
            .then(|| instant(report.silent_since_unix_ms)),
        units: report.n_units,
        units_heard: report.n_units_heard,
        mates: report.n_mates,
        comparisons: report.n_comparisons,
        least_score: report.least_score,
        findings: report.findings.len(),
        component_unknown: report.component_unknown,
        near_components: &report.near_components,
        draft_rings_on_others: report.draft_n_others,
    } }))
}
