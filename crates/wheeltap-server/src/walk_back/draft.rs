//! A rule drafted from what was found: readable, and to be finished by who knows the component.

use super::quantities::{Aspect, CONDITIONS, quantities};
use super::walk::{Finding, LEAST_SCORE, Walked};
use std::fmt::Write as _;
use wheeltap_model::{ChannelDef, ChannelKind, EventTime, UnitId, format_span};

/// Share of the healthy class's panes that the limit must leave alone.
const HEALTHY_SHARE: f64 = 0.999;
/// Least panes of the unit since the change, and of the class, on which a limit is set.
const LEAST_PANES: usize = 3;
const LEAST_CLASS_PANES: usize = 60;
/// Findings that are tried, the surest first.
const MOST_TRIED: usize = 6;
/// How much of the way from the class's middle to what was seen lies beyond all healthy panes, at
/// least: under it the limit would ring for healthy units.
const LEAST_APART: f64 = 0.25;
const HOUR_MS: i64 = 3_600_000;

/// What the draft is for.
pub struct Purpose<'a> {
    /// The unit that failed.
    pub unit: &'a UnitId,
    /// Its class.
    pub class: &'a str,
    /// The component that failed, in the rule book's words.
    pub component: &'a str,
    /// When it failed.
    pub at: EventTime,
}

/// One way to put a finding into numbers.
struct Form<'a> {
    finding: &'a Finding,
    channel: &'a ChannelDef,
    /// Compared for this one: `value - slope * given`.
    given: Option<(&'a ChannelDef, f64)>,
    condition: usize,
    is_high: bool,
    limit: f64,
    /// The far side of the class's panes.
    healthy: f64,
    seen: f64,
    /// Share of the way from the middle of the class to what was seen that is beyond `healthy`.
    apart: f64,
}

/// Texts of rules for the surest findings that a rule can tell from a healthy class, the best first;
/// none where no limit would leave the class alone.
pub fn drafts(walked: &Walked<'_>, purpose: &Purpose<'_>) -> Vec<String> {
    let mut drafts = Vec::new();
    let tried = walked
        .findings
        .iter()
        .filter(|finding| finding.difference.score >= LEAST_SCORE)
        .take(MOST_TRIED);
    for finding in tried {
        if finding.aspect == Aspect::Heard {
            drafts.push(silent_rule(walked, finding, purpose));
            continue;
        }
        let forms = forms(walked, finding);
        drafts.extend(forms.iter().map(|form| rule(form, walked, purpose)));
    }
    drafts
}

/// Ways to put a finding into numbers that leave the class alone, the clearest first.
fn forms<'a>(walked: &Walked<'_>, finding: &'a Finding) -> Vec<Form<'a>> {
    let values = numbers(walked, &finding.channel, finding.aspect);
    let mut forms = forms_of(walked, finding, None, &values);
    for given in finding.given.iter().take(1) {
        let by = numbers(walked, given, Aspect::Level);
        let slope = slope(&values, &by);
        let less: Vec<Vec<f64>> = values
            .iter()
            .zip(&by)
            .map(|(values, by)| {
                let pairs = values.iter().zip(by);
                pairs.map(|(value, by)| value - slope * by).collect()
            })
            .collect();
        forms.extend(forms_of(walked, finding, Some((given, slope)), &less));
    }
    forms.retain(|form| form.apart >= LEAST_APART);
    // In the condition in which it was found first: another may part these units as well by chance.
    let found_in = finding.difference.condition;
    forms.sort_by(|a, b| {
        let is_own = |form: &Form<'_>| form.condition == found_in;
        let by_condition = is_own(b).cmp(&is_own(a));
        by_condition.then_with(|| b.apart.total_cmp(&a.apart))
    });
    forms
}

/// The quantity's numbers for all units, as the comparison had them.
fn numbers(walked: &Walked<'_>, channel: &ChannelDef, aspect: Aspect) -> Vec<Vec<f64>> {
    let catalogue = walked.table.catalogue;
    let class = walked.class.as_ref();
    let class = class.and_then(|class| catalogue.class(class));
    let Some(own) = catalogue.channel(&channel.name) else {
        return Vec::new();
    };
    let silent = vec![vec![false; walked.grid.n_panes]; walked.units.len()];
    let found = quantities(&walked.table, &walked.work, &silent, own, class);
    let of = found.into_iter().find(|named| named.aspect == aspect);
    of.map(|named| named.quantity.values).unwrap_or_default()
}

fn forms_of<'a>(
    walked: &Walked<'_>,
    finding: &'a Finding,
    given: Option<(&'a ChannelDef, f64)>,
    values: &[Vec<f64>],
) -> Vec<Form<'a>> {
    let Some((own, others)) = values.split_first() else {
        return Vec::new();
    };
    let peers = &walked.work.peers;
    let since = finding.difference.since.unwrap_or(0);
    let in_condition = |unit: usize, pane: usize, condition: usize| {
        peers.conditions[unit][pane] >> condition & 1 == 1
    };
    let mut forms = Vec::new();
    for condition in 0..CONDITIONS.len() {
        let mut seen: Vec<f64> = (since..peers.until)
            .filter(|pane| in_condition(0, *pane, condition))
            .map(|pane| own[pane])
            .filter(|value| value.is_finite())
            .collect();
        let mut healthy: Vec<f64> = Vec::new();
        for (place, values) in others.iter().enumerate() {
            // Who shows it today is no healthy unit.
            let unit = &walked.units[place + 1];
            if finding.today.iter().any(|(other, _)| other == unit) {
                continue;
            }
            healthy.extend(
                values
                    .iter()
                    .enumerate()
                    .filter(|(pane, _)| in_condition(place + 1, *pane, condition))
                    .map(|(_, value)| *value)
                    .filter(|value| value.is_finite()),
            );
        }
        if seen.len() < LEAST_PANES || healthy.len() < LEAST_CLASS_PANES {
            continue;
        }
        seen.sort_unstable_by(f64::total_cmp);
        healthy.sort_unstable_by(f64::total_cmp);
        let at = |values: &[f64], share: f64| {
            let last = values.len() - 1;
            let place = (0..=last).find(|place| *place as f64 >= share * last as f64);
            values[place.unwrap_or(last)]
        };
        let (middle, saw) = (at(&healthy, 0.5), at(&seen, 0.5));
        let is_high = saw > middle;
        let edge = if is_high {
            at(&healthy, HEALTHY_SHARE)
        } else {
            at(&healthy, 1.0 - HEALTHY_SHARE)
        };
        let apart = (saw - edge) / (saw - middle);
        forms.push(Form {
            finding,
            channel: &finding.channel,
            given,
            condition,
            is_high,
            limit: f64::midpoint(edge, saw),
            healthy: edge,
            seen: saw,
            apart: if apart.is_finite() { apart } else { 0.0 },
        });
    }
    forms
}

/// Least squares of one on the other, over the other units.
fn slope(values: &[Vec<f64>], by: &[Vec<f64>]) -> f64 {
    let pairs = || {
        values
            .iter()
            .zip(by)
            .skip(1)
            .flat_map(|(values, by)| by.iter().zip(values))
            .filter(|(x, y)| x.is_finite() && y.is_finite())
    };
    let n = pairs().count().max(1) as f64;
    let (x1, y1) = pairs().fold((0.0, 0.0), |(x1, y1), (x, y)| (x1 + x / n, y1 + y / n));
    let (xx, xy) = pairs().fold((0.0, 0.0), |(xx, xy), (x, y)| {
        (xx + (x - x1) * (x - x1), xy + (x - x1) * (y - y1))
    });
    if xx > 0.0 { rounded(xy / xx) } else { 0.0 }
}

/// Three figures: a limit is no more exact than that.
fn rounded(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

/// A number as the rule language takes it.
fn number(value: f64) -> String {
    let text = format!("{}", rounded(value));
    if text.contains('.') {
        text
    } else {
        text + ".0"
    }
}

/// Text without what would end a string in a rule.
fn quoted(text: &str) -> String {
    let plain = text.chars().map(|c| match c {
        '"' => '\'',
        '\\' => '/',
        c if c.is_control() => ' ',
        c => c,
    });
    plain.collect()
}

/// A channel of one axle, with the axle left open.
fn for_each_axle(name: &str) -> Option<String> {
    let rest = name.strip_prefix("traction.axle.")?;
    let (number, rest) = rest.split_once('.')?;
    number.parse::<u32>().ok()?;
    Some(format!("traction.axle.{{axle}}.{rest}"))
}

struct Text<'a> {
    title: String,
    for_each: bool,
    on_delay: &'a str,
    note: String,
    reads: Vec<String>,
    tested: Option<String>,
    raise: String,
}

fn rule(form: &Form<'_>, walked: &Walked<'_>, purpose: &Purpose<'_>) -> String {
    let condition = &CONDITIONS[form.condition];
    let during = if condition.during.is_empty() {
        String::new()
    } else {
        format!(", #{{ during: {} }}", condition.during)
    };
    let open = |def: &ChannelDef| for_each_axle(def.name.as_str());
    let for_each = open(form.channel).is_some();
    let name = |def: &ChannelDef| open(def).unwrap_or_else(|| def.name.to_string());
    let channel = name(form.channel);
    let (value, read, window) = match form.finding.aspect {
        Aspect::Rate => (
            "seen.value * 3600.0".to_owned(),
            format!("slope(\"{channel}\", \"2 h\"{during})"),
            "2 h",
        ),
        // The comparison is of the root of the movement in steps.
        Aspect::Swing => (
            "seen.value".to_owned(),
            format!("range(\"{channel}\", \"20 min\"{during})"),
            "20 min",
        ),
        Aspect::Events => (
            "seen.value".to_owned(),
            format!("count(\"{channel}\", \"1 h\"{during})"),
            "1 h",
        ),
        Aspect::Level | Aspect::Heard => (
            "seen.value".to_owned(),
            format!("mean(\"{channel}\", \"10 min\"{during})"),
            "10 min",
        ),
    };
    let step = f64::from(form.channel.resolution.num) / f64::from(form.channel.resolution.den);
    let per_hour = HOUR_MS as f64 / walked.grid.pane_ms as f64;
    let as_read = |value: f64| match form.finding.aspect {
        Aspect::Swing => value * value * step,
        Aspect::Events => value * per_hour,
        _ => value,
    };
    let mut reads = vec![format!("value: {read}")];
    let left = match form.given {
        Some((given, slope)) => {
            reads.push(format!(
                "given: mean(\"{}\", \"{window}\"{during})",
                name(given)
            ));
            format!("{value} - {} * seen.given", number(slope))
        }
        None => value,
    };
    let sign = if form.is_high { ">" } else { "<" };
    let limit = as_read(form.limit);
    let what = if form.is_high { "high" } else { "low" };
    rule_text(
        purpose,
        walked,
        form.finding,
        &Text {
            title: format!("{}: {what}, {}", form.channel.title, condition.words),
            for_each,
            on_delay: "10 min",
            note: format!(
                "Drafted. {} of 1,000 panes of {} min of the class lie within {}; the failed unit \
                 had {} ({}).",
                number(HEALTHY_SHARE * 1_000.0),
                walked.grid.pane_ms / 60_000,
                number(as_read(form.healthy)),
                number(as_read(form.seen)),
                form.channel.ucum,
            ),
            reads,
            tested: None,
            raise: format!("{left} {sign} {}", number(limit)),
        },
    )
}

/// A channel that falls silent while another is heard.
fn silent_rule(walked: &Walked<'_>, finding: &Finding, purpose: &Purpose<'_>) -> String {
    let window = match finding.channel.kind {
        ChannelKind::Held { .. } => String::new(),
        _ => ", \"10 min\"".to_owned(),
    };
    let other = walked
        .heard
        .iter()
        .find(|name| **name != finding.channel.name);
    let other = other.map_or("engine.speed", |name| name.as_str());
    rule_text(
        purpose,
        walked,
        finding,
        &Text {
            title: format!("{}: nothing is heard", finding.channel.title),
            for_each: false,
            on_delay: "10 min",
            note: "Drafted. Judged while another channel of the unit comes in.".to_owned(),
            reads: vec![
                format!("value: last(\"{}\"{window})", finding.channel.name),
                format!("other: last(\"{other}\", \"10 min\")"),
            ],
            tested: Some("known(seen.other)".to_owned()),
            raise: "!known(seen.value)".to_owned(),
        },
    )
}

fn rule_text(
    purpose: &Purpose<'_>,
    walked: &Walked<'_>,
    finding: &Finding,
    text: &Text<'_>,
) -> String {
    let component = quoted(purpose.component);
    let system = finding.channel.name.as_str().split('.').next();
    let since = finding
        .difference
        .since
        .map(|pane| walked.grid.start(pane))
        .filter(|since| *since < purpose.at);
    let lead_ms = since.map_or(0, |since| purpose.at.ms_since(since));
    // Half of the time that there was, in whole hours.
    let hours = (lead_ms / 2 / HOUR_MS).clamp(1, 72);
    let began = since.map_or_else(
        || "It was there as far back as data is stored.".to_owned(),
        |since| {
            format!(
                "It began at {since}, {} before.",
                format_span(lead_ms / 60_000 * 60_000)
            )
        },
    );
    let mut rule = String::new();
    let mut line = |text: String| {
        // A string takes all.
        let _ = writeln!(rule, "{text}");
    };
    line(format!(
        "// {}, as before the failure of {} at {}.",
        quoted(&text.title),
        purpose.unit,
        purpose.at
    ));
    line("fn about() { #{".to_owned());
    line(format!("    title: \"{}\",", quoted(&text.title)));
    line(format!(
        "    system: \"{}\", component: \"{component}\",",
        system.unwrap_or("unit")
    ));
    line("    priority: \"medium\",".to_owned());
    line(format!(
        "    applies: #{{ class: [\"{}\"] }},",
        purpose.class
    ));
    if text.for_each {
        line("    for_each: \"axle\",".to_owned());
    }
    line(format!(
        "    tick: \"1 min\", on_delay: \"{}\", off_delay: \"10 min\",",
        text.on_delay
    ));
    line(format!(
        "    cause: \"The {component} of {} failed at {} after this. Say why such a thing happens.\",",
        purpose.unit, purpose.at
    ));
    line(format!("    consequence: \"{began}\","));
    line(format!(
        "    action: \"Inspect the {component} at the next service stop; say what to look for.\","
    ));
    line(format!("    respond_within: \"{hours} h\","));
    line(format!("    note: \"{}\",", quoted(&text.note)));
    line("} }".to_owned());
    line("fn reads() { #{".to_owned());
    for read in &text.reads {
        line(format!("    {read},"));
    }
    line("} }".to_owned());
    if let Some(tested) = &text.tested {
        line(format!("fn tested(seen) {{ {tested} }}"));
    }
    line(format!("fn raise(seen) {{ {} }}", text.raise));
    rule
}
