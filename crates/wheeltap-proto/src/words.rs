//! Reports, sheets and the desk in the words that tables and pages share.

use crate::convert::name_tail;
use crate::v1;
use std::collections::BTreeSet;
use wheeltap_model::{gauge_words, rate_words, span_words};

/// `mile 88.0 to 88.9`, or `mile 88.4` where both are one.
pub fn miles(from: f64, until: f64) -> String {
    let (from, until) = (format!("{from:.1}"), format!("{until:.1}"));
    if from == until {
        format!("mile {from}")
    } else {
        format!("mile {from} to {until}")
    }
}

/// What rail places are of: `27 slips, of 2 the mile is not known; a place is at most 2 mi where 3 units of 2
/// trains slipped`.
pub fn slips_said(found: &v1::RailPlaces) -> String {
    let n_slips = match found.n_slips {
        1 => "1 slip".to_owned(),
        n => format!("{n} slips"),
    };
    let unplaced = match found.n_unplaced {
        0 => String::new(),
        n => format!(", of {n} the mile is not known"),
    };
    let units = match (found.least_units, found.least_trains) {
        (1, 1) => "a unit".to_owned(),
        (n, 1) => format!("{n} units"),
        (n, trains) => format!("{n} units of {trains} trains"),
    };
    let stretch = found.stretch_miles;
    format!("{n_slips}{unplaced}; a place is at most {stretch} mi where {units} slipped")
}

/// `1 unit`, `3 units`.
pub fn units(n: u64) -> String {
    match n {
        1 => "1 unit".to_owned(),
        n => format!("{n} units"),
    }
}

/// What a rule without a verdict never knew; where no input alone is to blame, all at once.
pub fn never_known<'a>(inputs: impl IntoIterator<Item = &'a String>) -> String {
    let inputs: Vec<&str> = inputs.into_iter().map(String::as_str).collect();
    match inputs.as_slice() {
        [] => "what it reads, all at once".to_owned(),
        inputs => inputs.join(", "),
    }
}

/// On which units a rule had no verdict, and why: `on 3 units at any tick, as it never knew oil`.
pub fn no_verdict<'a>(n_units: u64, inputs: impl IntoIterator<Item = &'a String>) -> String {
    let on = units(n_units);
    format!(
        "on {on} at any tick, as it never knew {}",
        never_known(inputs)
    )
}

/// Whether a rule had a verdict on none of the units that it was tried on, so that its silence says nothing.
pub const fn is_blind(made: &v1::RuleForecast) -> bool {
    made.n_units_blind > 0 && made.n_units_blind >= made.n_units
}

/// How many alerts a day a rule would have rung: `0.4`, with the units on which it had no verdict; of a rule that
/// had none anywhere no number.
pub fn rings_a_day(made: &v1::RuleForecast) -> String {
    let rate = rate_words(made.per_day);
    match made.n_units_blind {
        0 => rate,
        _ if is_blind(made) => "never knew what it reads".to_owned(),
        n => format!(
            "{rate}, never knew what it reads on {n} of {}",
            units(made.n_units)
        ),
    }
}

/// A number with three digits that say something.
pub fn rounded(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    if value.abs() >= 100.0 {
        return format!("{value:.0}");
    }
    let rounded: f64 = format!("{value:.2e}").parse().unwrap_or(value);
    format!("{rounded}")
}

/// `75 %`; below one per cent with its first digit that says something.
pub fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent.abs() >= 1.0 || percent == 0.0 {
        format!("{percent:.0} %")
    } else {
        let rounded: f64 = format!("{percent:.0e}").parse().unwrap_or(percent);
        format!("{rounded} %")
    }
}

/// `3 of 4, 75 % (36 to 94)`; `-` of nothing.
pub fn share(share: Option<&v1::Share>) -> String {
    let Some(v1::Share {
        n,
        of,
        share: Some(bounds),
    }) = share
    else {
        return "-".to_owned();
    };
    let Some(value) = bounds.value else {
        return "-".to_owned();
    };
    format!(
        "{n} of {of}, {} ({:.0} to {:.0})",
        percent(value),
        100.0 * bounds.lower,
        100.0 * bounds.upper.unwrap_or(1.0)
    )
}

/// `412 (260 to 702)`; `over 434` where only a lower bound is known; `-` for nothing.
pub fn bounded(bounded: Option<&v1::Bounded>) -> String {
    let Some(v1::Bounded {
        value,
        lower,
        upper,
    }) = bounded
    else {
        return "-".to_owned();
    };
    match (value, upper) {
        (Some(value), Some(upper)) => format!(
            "{} ({} to {})",
            rounded(*value),
            rounded(*lower),
            rounded(*upper)
        ),
        (Some(value), None) => rounded(*value),
        (None, _) => format!("over {}", rounded(*lower)),
    }
}

/// A probability: `0.03`, `under 0.001`.
pub fn chance(p: f64) -> String {
    if p < 0.001 {
        "under 0.001".to_owned()
    } else {
        format!("{p:.3}")
    }
}

/// What a figure of the desk is of.
pub const fn metric(kind: v1::desk_metric::Kind) -> &'static str {
    use v1::desk_metric::Kind;
    match kind {
        Kind::Unspecified => "",
        Kind::PerDay => "alerts a day and desk",
        Kind::PerHour => "alerts an hour",
        Kind::PerTenMinutes => "alerts in ten minutes",
        Kind::CrowdedShare => "ten-minute intervals with more than ten",
        Kind::MostInTenMinutes => "most in any ten minutes",
        Kind::FloodShare => "time in flood",
        Kind::TopTenShare => "share of the ten most frequent rules",
        Kind::Chattering => "chattering alerts",
        Kind::Fleeting => "fleeting alerts",
        Kind::MostStale => "most stale alerts on any day",
    }
}

const fn is_share(kind: v1::desk_metric::Kind) -> bool {
    use v1::desk_metric::Kind;
    matches!(
        kind,
        Kind::CrowdedShare | Kind::FloodShare | Kind::TopTenShare
    )
}

/// A figure of the desk.
pub fn metric_value(metric: &v1::DeskMetric) -> String {
    if is_share(metric.kind()) {
        percent(metric.value)
    } else {
        rounded(metric.value)
    }
}

/// What the standard says of it: `up to 144, at most 288`.
pub fn metric_limits(metric: &v1::DeskMetric) -> String {
    use v1::desk_metric::Kind;
    let limit = match metric.kind() {
        Kind::CrowdedShare | Kind::FloodShare => {
            return format!("under {}", percent(metric.acceptable));
        }
        Kind::MostStale => return format!("under {}", rounded(metric.acceptable)),
        Kind::Chattering | Kind::Fleeting => return "none".to_owned(),
        kind if is_share(kind) => percent(metric.acceptable),
        _ => rounded(metric.acceptable),
    };
    match metric.manageable {
        Some(most) => format!("up to {limit}, at most {}", rounded(most)),
        None => format!("up to {limit}"),
    }
}

/// What a figure of the desk comes to.
pub const fn verdict(verdict: v1::desk_metric::Verdict) -> &'static str {
    use v1::desk_metric::Verdict;
    match verdict {
        Verdict::Unspecified => "-",
        Verdict::Acceptable => "acceptable",
        Verdict::Manageable => "manageable",
        Verdict::TooMuch => "too much",
    }
}

/// `improving`, `worsening`, or `no trend`, with the chance; `-` without a test.
pub fn trend(trend: Option<&v1::Trend>) -> String {
    use v1::trend::Direction;
    let Some(trend) = trend else {
        return "-".to_owned();
    };
    let p = chance(trend.laplace_p.min(trend.military_p));
    match trend.direction() {
        Direction::Improving => format!("improving (p {p})"),
        Direction::Worsening => format!("worsening (p {p})"),
        Direction::None | Direction::Unspecified => format!("no trend (p {p})"),
    }
}

/// How lives end: `wear, shape 2.1 (1.4 to 3), one in ten by 210 d`; `-` without a fit.
pub fn lives(lives: Option<&v1::Lives>) -> String {
    let Some(fit) = lives.and_then(|lives| lives.weibull.as_ref()) else {
        return "-".to_owned();
    };
    let shape = fit.shape.unwrap_or_default();
    let kind = match (
        shape.lower > 1.0,
        shape.upper.is_some_and(|upper| upper < 1.0),
    ) {
        (true, _) => "wear",
        (_, true) => "early failures",
        _ => "by chance",
    };
    format!(
        "{kind}, shape {}; one in ten by {} d",
        bounded(Some(&shape)),
        rounded(fit.tenth_days)
    )
}

/// `3 of 4 ahead, median 2 d 4 h`; `-` where nothing was called.
pub fn lead(lead: Option<&v1::Lead>) -> String {
    let Some(lead) = lead else {
        return "-".to_owned();
    };
    let median = match lead.median_ms {
        late if late < 0 => format!("{} late", span_words(-late)),
        ahead => span_words(ahead),
    };
    format!(
        "{} of {} ahead, median {median}",
        lead.n_ahead, lead.n_called
    )
}

/// Silences that begin no farther apart than this are of one gap: channels are sent up to so far apart.
const ONE_GAP_MS: i64 = 600_000;

/// Puts together what fell silent about the same time, as when a plug is pulled or a gateway stops: one line and not
/// forty. What is not silent, of which `silent_since` is `None`, stays alone. Each group stands where its first stood.
pub fn by_gap<T>(list: Vec<T>, silent_since: impl Fn(&T) -> Option<i64>) -> Vec<Vec<T>> {
    let mut groups: Vec<(Option<i64>, Vec<T>)> = Vec::new();
    for item in list {
        let since = silent_since(&item);
        let is_of_it = |first: Option<i64>| {
            first
                .zip(since)
                .is_some_and(|(first, since)| first.abs_diff(since) <= ONE_GAP_MS.unsigned_abs())
        };
        match groups.iter_mut().find(|(first, _)| is_of_it(*first)) {
            Some((_, group)) => group.push(item),
            None => groups.push((since, vec![item])),
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}

/// The channel of which a defect or an alert says that it is silent, by its title.
pub fn silent_channel(title: &str) -> Option<&str> {
    title.strip_suffix(" is silent")
}

/// `engine.oil.pressure is silent`, `engine.fan.command, engine.oil.pressure are silent`.
pub fn are_silent(channels: &[&str]) -> String {
    let verb = if channels.len() == 1 { "is" } else { "are" };
    format!("{} {verb} silent", channels.join(", "))
}

/// Channels of a unit that are silent while it is heard: `engine.oil.pressure, engine.fan.command since 14:05`.
pub fn silent_since(silent: &[v1::SilentChannel], at: impl Fn(i64) -> String) -> String {
    let mut silent: Vec<(i64, &str)> = silent
        .iter()
        .map(|of| (of.newest_unix_ms, name_tail(&of.channel)))
        .collect();
    silent.sort_unstable();
    let groups = by_gap(silent, |(since, _)| Some(*since)).into_iter();
    let told = groups.map(|group| {
        let names: Vec<&str> = group.iter().map(|(_, name)| *name).collect();
        format!("{} since {}", names.join(", "), at(group[0].0))
    });
    told.collect::<Vec<_>>().join("; ")
}

/// What was gauged with its unit of measure; `not known` where nothing was.
pub fn amount(value: Option<f64>, ucum: &str) -> String {
    value.map_or_else(|| "not known".to_owned(), |value| gauge_words(value, ucum))
}

/// What telemetry says of a repair, with the instant that showed it; empty where nothing is to be said.
pub fn after_repair(said: v1::AfterRepair, at: &str) -> String {
    match said {
        v1::AfterRepair::Unspecified => String::new(),
        v1::AfterRepair::Held => format!("held: seen clear {at}"),
        v1::AfterRepair::NotHeld => format!("not held: back {at}"),
        v1::AfterRepair::NotYetTested => "not yet tested: nothing since could show it".to_owned(),
    }
}

/// Work that is not done at a stop, by whether it may wait: first what people planned for it.
pub fn left_undone(sheet: &v1::Sheet, may_wait: Option<bool>) -> Vec<&v1::SheetTask> {
    let tasks = sheet.tasks.iter();
    let mut left: Vec<&v1::SheetTask> = tasks
        .filter(|task| task.verdict() != v1::TaskVerdict::Do && task.may_wait == may_wait)
        .collect();
    left.sort_by_key(|task| !task.planned_here);
    left
}

/// From when on the due time of a piece of work is counted: a defect's is the server's.
pub fn due_counts_from(task: &v1::SheetTask, sheet: &v1::Sheet) -> i64 {
    match task.kind() {
        v1::TaskKind::Defect => sheet.made_unix_ms,
        _ => sheet.as_of_unix_ms,
    }
}

/// How long until something is due, or since when it is over: `in 2 h`, `3 min over`, `now` within a minute.
pub fn due(due_unix_ms: Option<i64>, as_of_unix_ms: i64) -> String {
    match due_unix_ms.map(|due| due.saturating_sub(as_of_unix_ms)) {
        None => "not known".to_owned(),
        Some(left) if left.unsigned_abs() < 60_000 => "now".to_owned(),
        Some(left) if left < 0 => format!("{} over", span_words(left.saturating_neg())),
        Some(left) => format!("in {}", span_words(left)),
    }
}

/// Whether a store of a sheet is to be filled: `fill 1200 L`, `lasts`, `not known`.
pub fn to_fill(fill: &v1::SheetFill) -> String {
    match fill.needed {
        Some(true) => format!("fill {}", amount(fill.to_fill, &fill.ucum)),
        Some(false) => "lasts".to_owned(),
        None => "not known".to_owned(),
    }
}

/// How far something of a sheet is worn, read or estimated.
pub fn worn(wear: &v1::SheetWear) -> String {
    match (wear.now, wear.is_read) {
        (None, _) => "not known: gauge it".to_owned(),
        (now, true) => amount(now, &wear.ucum),
        (now, false) => format!("about {}", amount(now, &wear.ucum)),
    }
}

/// How often an inspection is made: `92 d`, `92 d and 14 d of credit`.
pub fn every(inspection: &v1::SheetInspection) -> String {
    match inspection.credit_days {
        0 => format!("{} d", inspection.every_days),
        credit => format!("{} d and {credit} d of credit", inspection.every_days),
    }
}

/// Defects of which a call is owed and that are not among those at hand, each once: closed ones.
pub fn owed_beyond(desk: &v1::Desk, is_at_hand: impl Fn(&str) -> bool) -> Vec<String> {
    let owed = desk.owed.iter().map(|owed| owed.defect.as_str());
    let beyond: BTreeSet<&str> = owed.filter(|name| !is_at_hand(name)).collect();
    beyond.into_iter().map(str::to_owned).collect()
}

/// What is not listed of the defects in hand; empty when all are.
pub fn more_in_hand(desk: &v1::Desk) -> String {
    more(desk.n_in_hand, &desk.in_hand, "due later")
}

/// What is not listed of the findings that are owed; empty when all are.
pub fn more_owed(desk: &v1::Desk) -> String {
    more(desk.n_finding_owed, &desk.finding_owed, "closed later")
}

fn more(n: u32, listed: &[String], which: &str) -> String {
    let listed = u32::try_from(listed.len()).unwrap_or(u32::MAX);
    match n.saturating_sub(listed) {
        0 => String::new(),
        more => format!("{more} more, {which}"),
    }
}

/// Defects that are new since the last handover and that somebody has taken on or the shop has.
pub fn new_and_taken_on(desk: &v1::Desk) -> Vec<String> {
    let new = desk.new_defects.iter();
    new.filter(|name| !desk.awaiting.contains(name) && !desk.new_quiet.contains(name))
        .cloned()
        .collect()
}

/// What is in no list of components; empty where all are in one.
pub fn unnamed(report: &v1::Reliability) -> String {
    let (are, they) = match report.n_unnamed {
        0 => return String::new(),
        1 => ("failure is", "it counts"),
        _ => ("failures are", "they count"),
    };
    format!(
        "{} {are} of another component than was called, and the shop named none: {they} in the total alone.",
        report.n_unnamed
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bounds(value: Option<f64>, lower: f64, upper: Option<f64>) -> v1::Bounded {
        v1::Bounded {
            value,
            lower,
            upper,
        }
    }

    #[test]
    fn what_fell_silent_together_is_one_line() {
        let silent = |name: &str, minute: i64| v1::SilentChannel {
            channel: format!("channels/{name}"),
            newest_unix_ms: minute * 60_000,
        };
        let all = [
            silent("oil", 3),
            silent("fan", 0),
            silent("horn", 11),
            silent("air", 30),
        ];
        assert_eq!(
            silent_since(&all, |at| format!("{} min", at / 60_000)),
            "fan, oil since 0 min; horn since 11 min; air since 30 min"
        );
        let list = vec![
            ("a", Some(0)),
            ("b", None),
            ("c", Some(600_000)),
            ("d", None),
        ];
        assert_eq!(
            by_gap(list, |(_, since)| *since)
                .iter()
                .map(|group| group.iter().map(|(name, _)| *name).collect())
                .collect::<Vec<String>>(),
            ["ac", "b", "d"]
        );
        assert_eq!(
            silent_channel("engine.oil.pressure is silent"),
            Some("engine.oil.pressure")
        );
        assert_eq!(silent_channel("Oil warm"), None);
        assert_eq!(are_silent(&["a", "b"]), "a, b are silent");
    }

    #[test]
    fn a_rule_that_knew_nothing_has_no_number() {
        let made = |n_units_blind| v1::RuleForecast {
            n_units: 3,
            n_units_blind,
            per_day: 0.4,
            ..v1::RuleForecast::default()
        };
        assert_eq!(rings_a_day(&made(0)), "0.4");
        assert_eq!(
            rings_a_day(&made(2)),
            "0.4, never knew what it reads on 2 of 3 units"
        );
        assert_eq!(rings_a_day(&made(3)), "never knew what it reads");
        assert!(is_blind(&made(3)) && !is_blind(&made(2)));
        assert!(!is_blind(&v1::RuleForecast::default()));
        assert_eq!(
            no_verdict(1, &["oil".to_owned(), "fan".to_owned()]),
            "on 1 unit at any tick, as it never knew oil, fan"
        );
        assert_eq!(never_known(&[]), "what it reads, all at once");
    }

    #[test]
    fn what_is_handed_over_is_told_apart() {
        let names = |numbers: &[u32]| -> Vec<String> {
            numbers
                .iter()
                .map(|number| format!("defects/{number}"))
                .collect()
        };
        let owed = |number: u32| v1::desk::OwedCall {
            defect: format!("defects/{number}"),
            ..v1::desk::OwedCall::default()
        };
        let mut desk = v1::Desk {
            new_defects: names(&[1, 2, 3]),
            awaiting: names(&[1]),
            new_quiet: names(&[2]),
            in_hand: names(&[4]),
            n_in_hand: 3,
            owed: vec![owed(4), owed(9), owed(9)],
            ..v1::Desk::default()
        };
        assert_eq!(new_and_taken_on(&desk), names(&[3]));
        assert_eq!(owed_beyond(&desk, |name| name == "defects/4"), names(&[9]));
        assert_eq!(more_in_hand(&desk), "2 more, due later");
        desk.n_in_hand = 1;
        assert_eq!(more_in_hand(&desk), "");
    }

    #[test]
    fn what_people_planned_leads_what_is_not_done() {
        use v1::TaskVerdict::{Do, DoesNotFit, NoJob};
        let task = |of: &str, verdict: v1::TaskVerdict, may_wait, planned_here| v1::SheetTask {
            of: of.to_owned(),
            verdict: verdict.into(),
            may_wait,
            planned_here,
            ..v1::SheetTask::default()
        };
        let sheet = v1::Sheet {
            tasks: vec![
                task("1", Do, None, false),
                task("2", NoJob, Some(true), false),
                task("3", DoesNotFit, Some(false), false),
                task("4", DoesNotFit, Some(true), true),
            ],
            ..v1::Sheet::default()
        };
        let left = left_undone(&sheet, Some(true)).into_iter();
        assert_eq!(left.map(|task| &*task.of).collect::<Vec<_>>(), ["4", "2"]);
    }

    #[test]
    fn figures_read_easily() {
        assert_eq!(rounded(0.0), "0");
        assert_eq!(rounded(1_234.56), "1235");
        assert_eq!(rounded(12.345), "12.3");
        assert_eq!(rounded(0.012_345), "0.0123");
        assert_eq!(percent(0.754), "75 %");
        assert_eq!(percent(0.000_42), "0.04 %");
        assert_eq!(chance(0.000_4), "under 0.001");
        assert_eq!(chance(0.25), "0.250");
        let none = bounds(None, 434.294, None);
        assert_eq!(bounded(Some(&none)), "over 434");
        let some = bounds(Some(400.0), 127.07, Some(2_251.2));
        assert_eq!(bounded(Some(&some)), "400 (127 to 2251)");
        assert_eq!(bounded(None), "-");
        let of = |n, of, bounds| v1::Share {
            n,
            of,
            share: Some(bounds),
        };
        let three = of(3, 4, bounds(Some(0.75), 0.36, Some(0.94)));
        assert_eq!(share(Some(&three)), "3 of 4, 75 % (36 to 94)");
        let nothing = of(0, 0, bounds(None, 0.0, Some(1.0)));
        assert_eq!(share(Some(&nothing)), "-");
    }

    #[test]
    fn what_is_due_says_how_long_or_how_long_over() {
        assert_eq!(due(None, 0), "not known");
        assert_eq!(due(Some(59_999), 0), "now");
        assert_eq!(due(Some(0), 59_999), "now");
        assert_eq!(due(Some(7_260_000), 0), "in 2 h 1 min");
        assert_eq!(due(Some(0), 7_260_000), "2 h 1 min over");
        assert!(due(Some(i64::MIN), 1).ends_with("over"));
    }

    #[test]
    fn leads_say_ahead_or_late() {
        let told = |median_ms| {
            lead(Some(&v1::Lead {
                n_called: 4,
                n_ahead: 3,
                least_ms: median_ms,
                median_ms,
                most_ms: median_ms,
            }))
        };
        assert_eq!(told(7_200_000), "3 of 4 ahead, median 2 h");
        assert_eq!(told(-7_200_000), "3 of 4 ahead, median 2 h late");
        assert_eq!(lead(None), "-");
    }
}
