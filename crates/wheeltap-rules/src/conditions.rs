//! Reads what must hold for an instant to count in a window: `#{ during: at_least("engine.notch", 6) }`.

use crate::about::{refuse_kind, text};
use crate::problem::{Place, arguments, one_of, suggestion};
use crate::reads::Planner;
use crate::syntax::{Kind, Node};
use crate::{Condition, Test};
use wheeltap_catalogue::Ucum;
use wheeltap_model::{ChannelDef, ChannelKind};

/// Most conditions of one input.
const MOST: usize = 4;

/// One test: its name, how many limits it takes, what it asks.
pub(crate) struct Kept {
    pub name: &'static str,
    n_limits: usize,
    pub what: &'static str,
    pub example: &'static str,
    make: fn(f64, f64) -> Test,
}

/// The tests in the order of the reference.
pub(crate) static TESTS: [Kept; 5] = [
    Kept {
        name: "at_least",
        n_limits: 1,
        what: "not under the limit",
        example: "at_least(\"engine.notch\", 6)",
        make: |limit, _| Test::AtLeast(limit),
    },
    Kept {
        name: "at_most",
        n_limits: 1,
        what: "not over the limit",
        example: "at_most(\"engine.notch\", 1)",
        make: |limit, _| Test::AtMost(limit),
    },
    Kept {
        name: "above",
        n_limits: 1,
        what: "over the limit",
        example: "above(\"engine.coolant.temperature\", 70)",
        make: |limit, _| Test::Above(limit),
    },
    Kept {
        name: "below",
        n_limits: 1,
        what: "under the limit",
        example: "below(\"ambient.temperature\", \"32 [degF]\")",
        make: |limit, _| Test::Below(limit),
    },
    Kept {
        name: "between",
        n_limits: 2,
        what: "from the first limit to the second, both included",
        example: "between(\"engine.speed\", 900, 1100)",
        make: Test::Between,
    },
];

/// How a test is written, such as `at_least(channel, limit)`.
pub(crate) fn signature(kept: &Kept) -> String {
    let limits = if kept.n_limits == 1 {
        "limit"
    } else {
        "low, high"
    };
    format!("{}(channel, {limits})", kept.name)
}

/// One condition or a list of them; `None` when refused, which is then in the findings.
pub(crate) fn read(node: &Node, plan: &mut Planner) -> Option<Vec<Condition>> {
    let nodes = match &node.kind {
        Kind::List(nodes) => nodes.as_slice(),
        _ => std::slice::from_ref(node),
    };
    if nodes.is_empty() || nodes.len() > MOST {
        plan.findings.refuse(
            node.place,
            format!("{} conditions", nodes.len()),
            format!("1 to {MOST} may be asked, and all of them must hold"),
            "write one, such as at_least(\"engine.notch\", 6)",
        );
        return None;
    }
    // All are looked at, so that each wrong one is reported.
    let read: Vec<_> = nodes.iter().map(|node| condition(node, plan)).collect();
    let read: Vec<Condition> = read.into_iter().collect::<Option<_>>()?;
    for (idx, later) in read.iter().enumerate() {
        let apart = |earlier: &&Condition| {
            earlier.channel == later.channel && !meet(earlier.test, later.test)
        };
        if let Some(earlier) = read[..idx].iter().find(apart) {
            plan.findings.refuse(
                nodes[idx].place,
                format!("{} and {} never hold together", word(earlier), word(later)),
                "an instant counts only where all of them hold, so none ever would",
                "let their limits overlap, or leave one out",
            );
            return None;
        }
    }
    Some(read)
}

/// Whether some value passes both tests.
fn meet(a: Test, b: Test) -> bool {
    let span = |test| match test {
        Test::AtLeast(limit) => (limit, f64::INFINITY),
        Test::AtMost(limit) => (f64::NEG_INFINITY, limit),
        Test::Above(limit) => (limit.next_up(), f64::INFINITY),
        Test::Below(limit) => (f64::NEG_INFINITY, limit.next_down()),
        Test::Between(low, high) => (low, high),
    };
    let (a, b) = (span(a), span(b));
    a.0 <= b.1 && b.0 <= a.1
}

fn condition(node: &Node, plan: &mut Planner) -> Option<Condition> {
    let Kind::Call(name, args) = &node.kind else {
        refuse_kind(
            node,
            "during",
            "a condition such as at_least(\"engine.notch\", 6)",
            plan.findings,
        );
        return None;
    };
    let Some(kept) = TESTS.iter().find(|kept| kept.name == name) else {
        let names = || TESTS.iter().map(|kept| kept.name);
        plan.findings.refuse(
            node.place,
            format!("no condition {name}()"),
            "conditions compare one channel with what is written out",
            suggestion(name, names(), || format!("use {}", one_of(names()))),
        );
        return None;
    };
    let (Some((first, limits)), true) = (args.split_first(), args.len() == kept.n_limits + 1)
    else {
        plan.findings.refuse(
            node.place,
            format!("{name}() with {}", arguments(args.len())),
            format!("it is {}", signature(kept)),
            format!("write it like {}", kept.example),
        );
        return None;
    };
    let channel = text(first, "the channel", plan.findings)?;
    let def = plan.channel(channel, first.place)?;
    if matches!(def.kind, ChannelKind::Event { .. }) {
        plan.findings.refuse(
            first.place,
            format!("{name}() of {}", def.name),
            "it is an event channel and has no running value",
            "name a channel with values",
        );
        return None;
    }
    let limits: Vec<_> = limits.iter().map(|node| limit(node, def, plan)).collect();
    let limits: Vec<f64> = limits.into_iter().collect::<Option<_>>()?;
    let (low, high) = (*limits.first()?, *limits.last()?);
    let test = (kept.make)(low, high);
    if matches!(test, Test::Between(..)) && low > high {
        plan.findings.refuse(
            node.place,
            format!("between {low} and {high}"),
            "the lesser limit comes first",
            "turn the limits round",
        );
        return None;
    }
    let condition = Condition {
        channel: channel.to_owned(),
        test,
    };
    decided(&condition, def, node.place, plan).then_some(condition)
}

/// Refuses a condition that the channel's range decides.
fn decided(condition: &Condition, def: &ChannelDef, place: Place, plan: &mut Planner) -> bool {
    let (low, high) = def.range;
    let holds = |value| condition.test.holds(value);
    let ever = match condition.test {
        Test::Between(from, to) => from <= high && to >= low,
        _ => holds(low) || holds(high),
    };
    let always = holds(low) && holds(high);
    if ever && !always {
        return true;
    }
    plan.findings.refuse(
        place,
        format!(
            "{} {} holds",
            word(condition),
            if always { "always" } else { "never" }
        ),
        format!("{} ranges from {low} to {high} {}", def.name, def.ucum),
        if always {
            "leave it out"
        } else {
            "write a limit inside the range, in the channel's unit"
        },
    );
    false
}

/// A number in the channel's unit, or a text with a number and a unit that is converted to it.
fn limit(node: &Node, def: &ChannelDef, plan: &mut Planner) -> Option<f64> {
    let written = match &node.kind {
        Kind::Number { value, .. } => return Some(*value),
        Kind::Text(written) => written,
        _ => {
            refuse_kind(node, "the limit", "a number", plan.findings);
            return None;
        }
    };
    let own = Ucum::parse(&def.ucum).ok()?;
    let problem = match Ucum::parse_quantity(written) {
        Ok((value, unit)) => match unit.convert(value, &own) {
            Some(value) => return Some(value),
            None => format!("{} is in {}", def.name, def.ucum),
        },
        Err(problem) => problem,
    };
    plan.findings.refuse(
        node.place,
        format!("the limit \"{written}\""),
        problem,
        format!("write a number in {0}, or \"number {0}\"", def.ucum),
    );
    None
}

fn word(condition: &Condition) -> String {
    let channel = &condition.channel;
    match condition.test {
        Test::AtLeast(limit) => format!("at_least({channel}, {limit})"),
        Test::AtMost(limit) => format!("at_most({channel}, {limit})"),
        Test::Above(limit) => format!("above({channel}, {limit})"),
        Test::Below(limit) => format!("below({channel}, {limit})"),
        Test::Between(low, high) => format!("between({channel}, {low}, {high})"),
    }
}

/// How a person would write the conditions; `None` without any.
pub(crate) fn words(during: &[Condition]) -> Option<String> {
    let each: Vec<String> = during.iter().map(word).collect();
    (!each.is_empty()).then(|| format!("during {}", each.join(" and ")))
}
