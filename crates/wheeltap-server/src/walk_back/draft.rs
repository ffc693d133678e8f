//! A rule drafted from what was found: readable, and to be finished by who knows the component.

use super::quantities::{
    AT_ANY_TIME, Aspect, CONDITIONS, ENGINE_RUNNING, ENGINE_STOPPED, ISOLATED, RUNNING, quantities,
};
use super::walk::{Finding, LEAST_SCORE, Walked};
use std::fmt::Write as _;
use std::rc::Rc;
use wheeltap_model::{
    ChannelDef, ChannelKind, ChannelName, EventTime, UnitId, span_words, unit_words,
};

/// Share of the healthy class's panes that the limit must leave alone, and in words.
const HEALTHY_SHARE: f64 = 0.999;
const HEALTHY_WORDS: &str = "999 of 1,000";
/// Least panes of the unit since the change, and of the class, on which a limit is set.
const LEAST_PANES: usize = 3;
const LEAST_CLASS_PANES: usize = 60;
/// Findings that are tried, the surest first.
const MOST_TRIED: usize = 6;
/// Drafts of one finding, and of all.
const MOST_FORMS: usize = 4;
const MOST_DRAFTS: usize = 12;
/// How much of the way from the class's middle to what was seen lies beyond all healthy panes, at
/// least: under it the limit would ring for healthy units.
const LEAST_APART: f64 = 0.25;
const HOUR_MS: i64 = 3_600_000;
/// An engine that has run for so long is tested: at once, or once what a stop leaves behind is gone.
const RUN_MS: [i64; 2] = [HOUR_MS / 6, HOUR_MS];

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

/// A rule's text and what it was made of.
pub struct Draft<'a> {
    /// What was found.
    pub finding: &'a Finding,
    /// The rule.
    pub text: String,
}

impl Draft<'_> {
    /// The text as it is offered.
    pub fn told(&self, n_others: usize) -> String {
        marked(&self.text, n_others)
    }
}

/// A rule's text whose note says first on how many other units it rings, if on any.
fn marked(text: &str, n_others: usize) -> String {
    let units = match n_others {
        0 => return text.to_owned(),
        1 => "1 other unit".to_owned(),
        n => format!("{n} other units"),
    };
    let mark = format!("{NOTE}Rings on {units}: it needs your hand. ");
    // No text in a rule holds a quotation mark, so this is the field.
    text.replacen(NOTE, &mark, 1)
}

/// How the note begins.
const NOTE: &str = "    note: \"";

/// When a draft is judged: not in what the comparison leaves out.
#[derive(Clone)]
struct Guard {
    /// The engine runs for so long.
    running_ms: Option<i64>,
    /// The unit is not cut off from its train's work.
    is_on_line: bool,
    /// For each unit and pane whether it is so.
    holds: Rc<Vec<Vec<bool>>>,
}

impl Guard {
    fn new(walked: &Walked<'_>, running_ms: Option<i64>) -> Self {
        let is_on_line = sends(walked, ISOLATED);
        let holds = (0..walked.units.len())
            .map(|unit| {
                let mut holds = vec![true; walked.grid.n_panes];
                if is_on_line {
                    let isolated = walked.table.mean(unit, ISOLATED);
                    for (holds, isolated) in holds.iter_mut().zip(isolated) {
                        *holds &= isolated == 0.0;
                    }
                }
                if let Some(running_ms) = running_ms {
                    let mut stopped_at = None;
                    let n_panes = walked.grid.n_of(running_ms);
                    let running = walked.table.mean(unit, RUNNING);
                    for (pane, running) in running.into_iter().enumerate() {
                        // What is not known to run throughout counts as stopped.
                        let runs = running >= 1.0;
                        if !runs {
                            stopped_at = Some(pane);
                        }
                        holds[pane] &= stopped_at.is_none_or(|at| pane > at + n_panes);
                    }
                }
                holds
            })
            .collect();
        Self {
            running_ms,
            is_on_line,
            holds: Rc::new(holds),
        }
    }

    fn words(&self) -> String {
        let running = self
            .running_ms
            .map(|ms| format!("engine running for {}", span_words(ms)));
        let on_line = self.is_on_line.then(|| "not isolated".to_owned());
        let words: Vec<String> = running.into_iter().chain(on_line).collect();
        words.join(", ")
    }

    fn reads(&self) -> Vec<String> {
        let running = self
            .running_ms
            .map(|ms| format!("running: min(\"{RUNNING}\", \"{}\")", span_words(ms)));
        let isolated = format!("isolated: max(\"{ISOLATED}\", \"10 min\")");
        let isolated = self.is_on_line.then_some(isolated);
        running.into_iter().chain(isolated).collect()
    }

    fn tested(&self) -> Vec<&'static str> {
        let running = self.running_ms.map(|_| "seen.running > 0.5");
        let on_line = self.is_on_line.then_some("seen.isolated < 0.5");
        running.into_iter().chain(on_line).collect()
    }
}

/// Whether the unit that failed sends a channel.
fn sends(walked: &Walked<'_>, name: &str) -> bool {
    let id = ChannelName::new(name)
        .ok()
        .and_then(|name| walked.table.catalogue.channel(&name));
    id.is_some_and(|(id, _)| walked.table.column(0, id).is_some())
}

/// The guards to be tried, and the one that asks nothing of the engine.
struct Guards {
    running: Vec<Guard>,
    any: Guard,
}

impl Guards {
    fn new(walked: &Walked<'_>) -> Self {
        let running = if sends(walked, RUNNING) {
            RUN_MS.map(|ms| Guard::new(walked, Some(ms))).to_vec()
        } else {
            Vec::new()
        };
        Self {
            running,
            any: Guard::new(walked, None),
        }
    }
}

/// One way to put a finding into numbers.
struct Form<'a> {
    finding: &'a Finding,
    channel: &'a ChannelDef,
    /// Compared for this one: `value - slope * given`.
    given: Option<(&'a ChannelDef, f64)>,
    condition: usize,
    guard: Guard,
    is_high: bool,
    limit: f64,
    /// The middle of the class's panes, and their far side.
    middle: f64,
    healthy: f64,
    seen: f64,
    /// Share of the way from the middle of the class to what was seen that is beyond `healthy`.
    apart: f64,
}

/// Rules for the surest findings that a limit can tell from a healthy class, the best first; none
/// where no limit would leave the class alone.
pub fn drafts<'a>(walked: &'a Walked<'_>, purpose: &Purpose<'_>) -> Vec<Draft<'a>> {
    let guards = Guards::new(walked);
    let mut drafts = Vec::new();
    let tried = walked
        .findings
        .iter()
        .filter(|finding| finding.difference.score >= LEAST_SCORE)
        .take(MOST_TRIED);
    for finding in tried {
        if finding.aspect == Aspect::Heard {
            let guards = std::iter::once(&guards.any).chain(&guards.running);
            drafts.extend(guards.map(|guard| Draft {
                finding,
                text: silent_rule(walked, finding, guard, purpose),
            }));
            continue;
        }
        let forms = forms(walked, finding, &guards);
        drafts.extend(forms.iter().map(|form| Draft {
            finding,
            text: rule(form, walked, purpose),
        }));
    }
    drafts.truncate(MOST_DRAFTS);
    drafts
}

/// Ways to put a finding into numbers that leave the class alone, the clearest first.
fn forms<'a>(walked: &Walked<'_>, finding: &'a Finding, guards: &Guards) -> Vec<Form<'a>> {
    let values = numbers(walked, &finding.channel, finding.aspect);
    let mut forms = forms_of(walked, finding, guards, None, &values);
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
        forms.extend(forms_of(
            walked,
            finding,
            guards,
            Some((given, slope)),
            &less,
        ));
    }
    forms.retain(|form| form.apart >= LEAST_APART);
    // In the condition in which it was found first: another may part these units as well by chance.
    let found_in = finding.difference.condition;
    forms.sort_by(|a, b| {
        let is_own = |form: &Form<'_>| form.condition == found_in;
        let by_condition = is_own(b).cmp(&is_own(a));
        by_condition.then_with(|| b.apart.total_cmp(&a.apart))
    });
    forms.truncate(MOST_FORMS);
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
    guards: &Guards,
    given: Option<(&'a ChannelDef, f64)>,
    values: &[Vec<f64>],
) -> Vec<Form<'a>> {
    // While the engine must run both are the same.
    let same = if finding.difference.condition == ENGINE_RUNNING {
        AT_ANY_TIME
    } else {
        ENGINE_RUNNING
    };
    let mut forms = Vec::new();
    for condition in 0..CONDITIONS.len() {
        let form = |guard: &Guard| {
            let panes = Panes {
                walked,
                condition,
                guard,
            };
            panes.form(finding, given, values)
        };
        let n_before = forms.len();
        if condition != ENGINE_STOPPED {
            if condition == same && !guards.running.is_empty() {
                continue;
            }
            forms.extend(guards.running.iter().filter_map(form));
        }
        // What shows itself only while the engine stands still.
        if forms.len() == n_before {
            forms.extend(form(&guards.any));
        }
    }
    forms
}

/// The panes on which a draft would be judged, those included that the comparison leaves out.
struct Panes<'a> {
    walked: &'a Walked<'a>,
    condition: usize,
    guard: &'a Guard,
}

impl Panes<'_> {
    fn has(&self, unit: usize, pane: usize) -> bool {
        let conditions = &self.walked.work.all_conditions;
        conditions[unit][pane] >> self.condition & 1 == 1 && self.guard.holds[unit][pane]
    }

    fn form<'a>(
        &self,
        finding: &'a Finding,
        given: Option<(&'a ChannelDef, f64)>,
        values: &[Vec<f64>],
    ) -> Option<Form<'a>> {
        let (own, others) = values.split_first()?;
        let since = finding.difference.since.unwrap_or(0);
        let mut seen: Vec<f64> = (since..self.walked.work.peers.until)
            .filter(|pane| self.has(0, *pane))
            .map(|pane| own[pane])
            .filter(|value| value.is_finite())
            .collect();
        let mut healthy: Vec<f64> = Vec::new();
        for (place, values) in others.iter().enumerate() {
            // Who shows it today is no healthy unit.
            let unit = &self.walked.units[place + 1];
            if finding.today.iter().any(|(other, _)| other == unit) {
                continue;
            }
            healthy.extend(
                values
                    .iter()
                    .enumerate()
                    .filter(|(pane, value)| value.is_finite() && self.has(place + 1, *pane))
                    .map(|(_, value)| *value),
            );
        }
        if seen.len() < LEAST_PANES || healthy.len() < LEAST_CLASS_PANES {
            return None;
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
        Some(Form {
            finding,
            channel: &finding.channel,
            given,
            condition: self.condition,
            guard: self.guard.clone(),
            is_high,
            limit: f64::midpoint(edge, saw),
            middle,
            healthy: edge,
            seen: saw,
            apart: if apart.is_finite() { apart } else { 0.0 },
        })
    }
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

/// A channel of one axle: its number, and the name with the axle left open.
fn axle(name: &str) -> Option<(u32, String)> {
    let rest = name.strip_prefix("traction.axle.")?;
    let (number, rest) = rest.split_once('.')?;
    let number = number.parse().ok()?;
    Some((number, format!("traction.axle.{{axle}}.{rest}")))
}

/// Names of what is read and of what it is compared for, and whether the axle in them is left open: only
/// where it is one and the same.
fn names(own: &str, given: Option<&str>) -> (bool, String, Option<String>) {
    match (axle(own), given.and_then(axle)) {
        (Some((_, own)), None) => (true, own, given.map(str::to_owned)),
        (Some((axle, own)), Some((other, given))) if axle == other => (true, own, Some(given)),
        _ => (false, own.to_owned(), given.map(str::to_owned)),
    }
}

/// `value` less so many of what it is compared for.
fn less(value: &str, slope: f64) -> String {
    let sign = if slope < 0.0 { '+' } else { '-' };
    format!("{value} {sign} {} * seen.given", number(slope.abs()))
}

struct Text<'a> {
    title: String,
    for_each: bool,
    on_delay: &'a str,
    note: String,
    reads: Vec<String>,
    tested: Vec<&'a str>,
    raise: String,
    clear: Option<String>,
}

/// What a form reads, how its window is called, and the expression of it.
fn read(form: &Form<'_>, channel: &str, during: &str) -> (String, &'static str, &'static str) {
    let (statistic, window, value) = match form.finding.aspect {
        Aspect::Rate => ("slope", "2 h", "seen.value * 3600.0"),
        // The comparison is of the root of the movement in steps.
        Aspect::Swing => ("range", "20 min", "seen.value"),
        Aspect::Events => ("count", "1 h", "seen.value"),
        Aspect::Level | Aspect::Heard => ("mean", "10 min", "seen.value"),
    };
    let read = format!("value: {statistic}(\"{channel}\", \"{window}\"{during})");
    (read, window, value)
}

fn rule(form: &Form<'_>, walked: &Walked<'_>, purpose: &Purpose<'_>) -> String {
    let guard = &form.guard;
    let condition = match (form.condition, guard.running_ms) {
        (AT_ANY_TIME, Some(_)) => &CONDITIONS[ENGINE_RUNNING],
        (condition, _) => &CONDITIONS[condition],
    };
    // The guard says it already.
    let is_said = condition.words == CONDITIONS[ENGINE_RUNNING].words && guard.running_ms.is_some();
    let during = if condition.during.is_empty() || is_said {
        String::new()
    } else {
        format!(", #{{ during: {} }}", condition.during)
    };
    let given = form.given.map(|(given, _)| given.name.as_str());
    let (for_each, channel, given) = names(form.channel.name.as_str(), given);
    let (read, window, value) = read(form, &channel, &during);
    let step = f64::from(form.channel.resolution.num) / f64::from(form.channel.resolution.den);
    let per_hour = HOUR_MS as f64 / walked.grid.pane_ms as f64;
    let as_read = |value: f64| match form.finding.aspect {
        Aspect::Swing => value * value * step,
        Aspect::Events => value * per_hour,
        _ => value,
    };
    let mut reads = vec![read];
    let left = match (form.given, given) {
        (Some((_, slope)), Some(given)) => {
            reads.push(format!("given: mean(\"{given}\", \"{window}\"{during})"));
            less(value, slope)
        }
        _ => value.to_owned(),
    };
    reads.extend(guard.reads());
    let (sign, back) = if form.is_high { (">", "<") } else { ("<", ">") };
    let limit = as_read(form.limit);
    // Half-way back to what the class has, so that one fault that stands is one alert.
    let clear = as_read(f64::midpoint(form.limit, form.middle));
    let what = if form.is_high { "high" } else { "low" };
    let unit = match form.finding.aspect {
        Aspect::Events => "an hour".to_owned(),
        Aspect::Rate => unit_words(&format!("{}/h", form.channel.ucum)),
        _ => unit_words(&form.channel.ucum),
    };
    let judged = match guard.words() {
        words if words.is_empty() => String::new(),
        words => format!(" ({words})"),
    };
    let note = format!(
        "Drafted. {HEALTHY_WORDS} panes of {} min of the units that do not show it{judged} lie within \
         {}; the failed unit had {} {unit}",
        walked.grid.pane_ms / 60_000,
        number(as_read(form.healthy)),
        number(as_read(form.seen)),
    );
    rule_text(
        purpose,
        walked,
        form.finding,
        &Text {
            title: format!("{}: {what}, {}", form.channel.title, condition.words),
            for_each,
            on_delay: "10 min",
            note: format!("{}.", note.trim_end()),
            reads,
            tested: guard.tested(),
            raise: format!("{left} {sign} {}", number(limit)),
            clear: Some(format!("{left} {back} {}", number(clear))),
        },
    )
}

/// A channel that falls silent while another is heard.
fn silent_rule(
    walked: &Walked<'_>,
    finding: &Finding,
    guard: &Guard,
    purpose: &Purpose<'_>,
) -> String {
    let window = match finding.channel.kind {
        ChannelKind::Held { .. } => String::new(),
        _ => ", \"10 min\"".to_owned(),
    };
    let other = walked
        .heard
        .iter()
        .find(|name| **name != finding.channel.name);
    let other = other.map_or("engine.speed", |name| name.as_str());
    let mut reads = vec![
        format!("value: last(\"{}\"{window})", finding.channel.name),
        format!("other: last(\"{other}\", \"10 min\")"),
    ];
    reads.extend(guard.reads());
    let mut tested = vec!["known(seen.other)"];
    tested.extend(guard.tested());
    rule_text(
        purpose,
        walked,
        finding,
        &Text {
            title: format!("{}: nothing is heard", finding.channel.title),
            for_each: false,
            on_delay: "10 min",
            note: "Drafted. Judged while another channel of the unit comes in.".to_owned(),
            reads,
            tested,
            raise: "!known(seen.value)".to_owned(),
            // It is heard again.
            clear: None,
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
                span_words(lead_ms / 60_000 * 60_000)
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
    line(format!("{NOTE}{}\",", quoted(&text.note)));
    line("} }".to_owned());
    line("fn reads() { #{".to_owned());
    for read in &text.reads {
        line(format!("    {read},"));
    }
    line("} }".to_owned());
    if !text.tested.is_empty() {
        line(format!(
            "fn tested(seen) {{ {} }}",
            text.tested.join(" && ")
        ));
    }
    line(format!("fn raise(seen) {{ {} }}", text.raise));
    if let Some(clear) = &text.clear {
        line(format!("fn clear(seen) {{ {clear} }}"));
    }
    rule
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axle_is_left_open_only_where_it_is_one() {
        let check = |own: &str, given: Option<&str>, expected: (bool, &str, Option<&str>)| {
            let (is_open, own, given) = names(own, given);
            assert_eq!((is_open, own.as_str(), given.as_deref()), expected);
        };
        let (first, sixth) = ("traction.axle.1.speed", "traction.axle.6.speed");
        let open = "traction.axle.{axle}.speed";
        check(first, None, (true, open, None));
        check(first, Some("unit.speed"), (true, open, Some("unit.speed")));
        let effort = "traction.axle.{axle}.effort";
        let given = Some("traction.axle.1.effort");
        check(first, given, (true, open, Some(effort)));
        // A rule of one axle against itself would never ring.
        check(first, Some(sixth), (false, first, Some(sixth)));
        check(
            "unit.speed",
            Some(sixth),
            (false, "unit.speed", Some(sixth)),
        );
    }

    #[test]
    fn texts_read_as_a_person_would_write_them() {
        assert_eq!(less("seen.value", -75.4), "seen.value + 75.4 * seen.given");
        assert_eq!(less("seen.value", 1.0), "seen.value - 1.0 * seen.given");
        let text = "    note: \"Drafted.\",";
        assert_eq!(marked(text, 0), text);
        assert_eq!(
            marked(text, 2),
            "    note: \"Rings on 2 other units: it needs your hand. Drafted.\","
        );
    }
}
