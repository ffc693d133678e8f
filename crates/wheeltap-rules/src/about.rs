//! Reads the literal map that `about()` gives.

use crate::problem::{Findings, Place, one_of, suggestion};
use crate::syntax::{Block, Function, Kind, Node, Step, kind_words};
use crate::{About, Applies};
use wheeltap_model::{ClassName, Priority, UnitId, format_span, is_hidden, parse_span};

/// How the functions are judged.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Dialect {
    #[default]
    Expression,
    Script,
}

/// One field of `about()`: name, whether it must be there, what it says.
pub(crate) struct Field {
    pub name: &'static str,
    pub required: bool,
    pub what: &'static str,
}

const fn field(name: &'static str, required: bool, what: &'static str) -> Field {
    Field {
        name,
        required,
        what,
    }
}

/// The fields in the order of the reference.
pub(crate) static FIELDS: [Field; 18] = [
    field("title", true, "one line for the desk"),
    field(
        "system",
        true,
        "the system, such as \"engine / lubrication\"",
    ),
    field(
        "component",
        true,
        "the component; joins alerts into defects",
    ),
    field(
        "priority",
        true,
        "\"low\", \"medium\", \"high\" or \"urgent\"",
    ),
    field(
        "safety",
        false,
        "true: never muted by shelving, operating state or data quality; false by default",
    ),
    field(
        "desk",
        false,
        "false: an item for the shop that rings nobody; true by default",
    ),
    field(
        "applies",
        false,
        "#{ class: [\"..\"], unit: [\"..\"] }; every unit by default",
    ),
    field(
        "tick",
        true,
        "time between judgements, such as \"10 s\"; at least 1 s",
    ),
    field(
        "on_delay",
        false,
        "how long the condition must hold, a multiple of tick; none by default",
    ),
    field(
        "off_delay",
        false,
        "how long it must be clear, a multiple of tick; none by default",
    ),
    field("for_each", false, "\"axle\": judged once for each axle"),
    field(
        "once_a",
        false,
        "\"train\": of its alerts that overlap on units of one train one is told; for what units share",
    ),
    field("judge", false, "\"expression\" (by default) or \"script\""),
    field("cause", true, "why it happens"),
    field("consequence", true, "what follows if nobody acts"),
    field("action", true, "what to do"),
    field(
        "respond_within",
        true,
        "how long the answer can wait, such as \"4 h\"",
    ),
    field("note", false, "anything the next author should know"),
];

/// A literal map's entries: key, its place, value.
pub(crate) type Entries<'a> = &'a [(String, Place, Node)];

/// The literal map a function without parameters gives.
pub(crate) fn literal_map<'a>(
    function: &'a Function,
    findings: &mut Findings,
) -> Option<Entries<'a>> {
    if !function.params.is_empty() {
        findings.refuse(
            function.place,
            format!("{}() takes no arguments", function.name),
            "it is read, not run",
            format!("write fn {}() {{ #{{ .. }} }}", function.name),
        );
    }
    let Block { steps, .. } = &function.body;
    if let [Step::Value(node) | Step::Return(Some(node), _)] = steps.as_slice()
        && let Kind::Map(entries) = &node.kind
    {
        return Some(entries);
    }
    findings.refuse(
        function.place,
        format!("{}() is not one literal map", function.name),
        "it is read without being run",
        format!("write fn {}() {{ #{{ name: value, .. }} }}", function.name),
    );
    None
}

pub(crate) fn refuse_kind(node: &Node, field: &str, wanted: &str, findings: &mut Findings) {
    if let Kind::Refused(refused) = &node.kind {
        findings.refuse(
            node.place,
            format!("{} in a literal map", refused.what),
            format!("{field} wants {wanted}, written out"),
            refused.mend,
        );
        return;
    }
    findings.refuse(
        node.place,
        format!("{field} is {}", kind_words(&node.kind)),
        format!("it wants {wanted}, written out"),
        format!("write {wanted}"),
    );
}

pub(crate) fn text<'a>(node: &'a Node, field: &str, findings: &mut Findings) -> Option<&'a str> {
    if let Kind::Text(text) = &node.kind {
        return Some(text);
    }
    refuse_kind(node, field, "a text in quotes", findings);
    None
}

pub(crate) fn span(node: &Node, field: &str, findings: &mut Findings) -> Option<i64> {
    let text = text(node, field, findings)?;
    match parse_span(text) {
        Ok(span_ms) => Some(span_ms),
        Err(refusal) => {
            findings.refuse(
                node.place,
                format!("\"{text}\" is no span of time"),
                "a span is a whole number above zero and one of ms, s, min, h, d",
                refusal.mend,
            );
            None
        }
    }
}

/// The longest time to respond.
const MOST_RESPOND_MS: i64 = 366 * 86_400_000;

/// What `about()` says, with the places later checks need.
#[derive(Default)]
pub(crate) struct Read {
    pub about: Option<About>,
    pub dialect: Dialect,
    pub tick_ms: Option<i64>,
    pub longest_delay_ms: i64,
    /// Which delay that is, and where it stands; `None` where there is none.
    pub longest_delay: Option<(&'static str, Place)>,
    pub for_each: Option<Place>,
    pub applies: Applies,
    pub class_places: Vec<(ClassName, Place)>,
}

#[expect(
    clippy::too_many_lines,
    reason = "one arm a field, as the table of fields has it"
)]
pub(crate) fn read(function: &Function, findings: &mut Findings) -> Read {
    let Some(entries) = literal_map(function, findings) else {
        return Read::default();
    };
    let before = findings.problems.len();
    refuse_unknown_and_missing(function, entries, findings);
    let mut read = Read::default();
    let mut texts: [String; 6] = Default::default();
    let [title, system, component, cause, consequence, action] = &mut texts;
    let (mut priority, mut respond_within_ms) = (Priority::Low, 0);
    let (mut safety, mut for_shop) = (false, None);
    let (mut on_delay, mut off_delay) = (None, None);
    let mut once_a_train = false;
    for (key, _, node) in entries {
        let slot = match key.as_str() {
            "title" => &mut *title,
            "system" => &mut *system,
            "component" => &mut *component,
            "cause" => &mut *cause,
            "consequence" => &mut *consequence,
            "action" => &mut *action,
            "priority" => {
                priority = word(node, key, &PRIORITIES, findings).unwrap_or(priority);
                continue;
            }
            "safety" | "desk" => {
                match node.kind {
                    Kind::Flag(flag) if key == "desk" => for_shop = (!flag).then_some(node.place),
                    Kind::Flag(flag) => safety = flag,
                    _ => refuse_kind(node, key, "true or false", findings),
                }
                continue;
            }
            "applies" => {
                applies(node, &mut read, findings);
                continue;
            }
            "tick" => {
                read.tick_ms =
                    span(node, key, findings).filter(|tick| tick_fits(*tick, node, findings));
                continue;
            }
            "on_delay" => {
                on_delay = span(node, key, findings).map(|span_ms| (span_ms, node.place));
                continue;
            }
            "off_delay" => {
                off_delay = span(node, key, findings).map(|span_ms| (span_ms, node.place));
                continue;
            }
            "for_each" => {
                if word(node, key, &[((), "axle")], findings).is_some() {
                    read.for_each = Some(node.place);
                }
                continue;
            }
            "once_a" => {
                once_a_train = word(node, key, &[((), "train")], findings).is_some();
                continue;
            }
            "judge" => {
                let words = [
                    (Dialect::Expression, "expression"),
                    (Dialect::Script, "script"),
                ];
                read.dialect = word(node, key, &words, findings).unwrap_or_default();
                continue;
            }
            "respond_within" => {
                respond_within_ms = span(node, key, findings).unwrap_or(0);
                if respond_within_ms > MOST_RESPOND_MS {
                    findings.refuse(
                        node.place,
                        format!("respond_within is {}", format_span(respond_within_ms)),
                        "what can wait for longer than a year is no alert",
                        "give at most \"366 d\"",
                    );
                }
                continue;
            }
            "note" => {
                text(node, key, findings);
                continue;
            }
            _ => continue,
        };
        if let Some(said) = text(node, key, findings) {
            said.trim().clone_into(slot);
            if said.chars().any(is_hidden) {
                findings.refuse(
                    node.place,
                    format!("{key} holds a control character or one that turns the text around"),
                    "it is one line on screens, terminals and paper",
                    "take it away; write a space for a line break or tab",
                );
            }
            if slot.is_empty() {
                findings.refuse(
                    node.place,
                    format!("{key} is empty"),
                    "every alert shows it",
                    "say it in a few words",
                );
            }
        }
    }
    let tick_ms = read.tick_ms.unwrap_or(1);
    let on_delay_ms = delay(on_delay, "on_delay", tick_ms, findings);
    let off_delay_ms = delay(off_delay, "off_delay", tick_ms, findings);
    read.longest_delay_ms = on_delay_ms.max(off_delay_ms);
    read.longest_delay = if off_delay_ms > on_delay_ms {
        off_delay.map(|(_, place)| ("off_delay", place))
    } else {
        on_delay.map(|(_, place)| ("on_delay", place))
    };
    let [title, system, component, cause, consequence, action] = texts;
    if let (true, Some(place)) = (safety, for_shop) {
        findings.refuse(
            place,
            "a safety rule that rings nobody",
            "what is never muted must reach the desk",
            "leave out desk: false, or safety: true",
        );
    }
    if findings.problems.len() == before {
        read.about = Some(About {
            title,
            system,
            component,
            priority,
            safety,
            desk: for_shop.is_none(),
            applies: read.applies.clone(),
            tick_ms,
            on_delay_ms,
            off_delay_ms,
            for_each: read.for_each.map(|_| "axle".to_owned()),
            once_a_train,
            cause,
            consequence,
            action,
            respond_within_ms,
        });
    }
    read
}

const PRIORITIES: [(Priority, &str); 4] = [
    (Priority::Low, "low"),
    (Priority::Medium, "medium"),
    (Priority::High, "high"),
    (Priority::Urgent, "urgent"),
];

fn refuse_unknown_and_missing(function: &Function, entries: Entries, findings: &mut Findings) {
    for (key, place, _) in entries {
        if !FIELDS.iter().any(|field| field.name == key) {
            let names = || FIELDS.iter().map(|field| field.name);
            findings.refuse(
                *place,
                format!("about() has no field {key}"),
                "what is not understood would be left out in silence",
                suggestion(key, names(), || format!("use one of {}", one_of(names()))),
            );
        }
    }
    for field in FIELDS.iter().filter(|field| field.required) {
        if !entries.iter().any(|(key, ..)| key == field.name) {
            findings.refuse(
                function.place,
                format!("about() does not say {}", field.name),
                "a rule is rationalized before it may ring anyone",
                format!("add {}: {}", field.name, field.what),
            );
        }
    }
}

/// One of a few words.
pub(crate) fn word<T: Copy>(
    node: &Node,
    field: &str,
    words: &[(T, &str)],
    findings: &mut Findings,
) -> Option<T> {
    let said = text(node, field, findings)?;
    let found = words.iter().find(|(_, word)| *word == said);
    if found.is_none() {
        let all = || words.iter().map(|(_, word)| *word);
        findings.refuse(
            node.place,
            format!("{field} cannot be \"{said}\""),
            format!("it is {}", one_of(all())),
            suggestion(said, all(), || format!("write {}", one_of(all()))),
        );
    }
    found.map(|(value, _)| *value)
}

fn tick_fits(tick_ms: i64, node: &Node, findings: &mut Findings) -> bool {
    let fits = (1_000..=86_400_000).contains(&tick_ms);
    if !fits {
        findings.refuse(
            node.place,
            format!("a tick of {}", wheeltap_model::format_span(tick_ms)),
            "rules are judged at most once a second and at least once a day",
            "use 1 s to 1 d; 10 s suits most rules",
        );
    }
    fits
}

fn delay(said: Option<(i64, Place)>, field: &str, tick_ms: i64, findings: &mut Findings) -> i64 {
    let Some((span_ms, place)) = said else {
        return 0;
    };
    if span_ms % tick_ms != 0 {
        let span = wheeltap_model::format_span;
        let below = span_ms - span_ms % tick_ms;
        let mend = if below > 0 {
            format!("use {} or {}", span(below), span(below + tick_ms))
        } else {
            format!("use {}, or leave it out", span(tick_ms))
        };
        findings.refuse(
            place,
            format!("{field} of {} is no multiple of the tick", span(span_ms)),
            format!("verdicts come only every {}", span(tick_ms)),
            mend,
        );
    }
    span_ms
}

fn applies(node: &Node, read: &mut Read, findings: &mut Findings) {
    let Kind::Map(entries) = &node.kind else {
        refuse_kind(
            node,
            "applies",
            "a map #{ class: [..], unit: [..] }",
            findings,
        );
        return;
    };
    for (key, place, list) in entries {
        if key != "class" && key != "unit" {
            findings.refuse(
                *place,
                format!("applies has no field {key}"),
                "it holds class and unit",
                suggestion(key, ["class", "unit"], || "use class or unit".to_owned()),
            );
            continue;
        }
        let Kind::List(items) = &list.kind else {
            refuse_kind(list, key, "a list of texts [\"..\"]", findings);
            continue;
        };
        if items.is_empty() {
            findings.refuse(
                list.place,
                format!("applies.{key} is an empty list"),
                "it would leave no unit, or every one",
                format!("name at least one {key}, or leave {key} out for all"),
            );
        }
        for item in items {
            let Some(name) = text(item, key, findings) else {
                continue;
            };
            let refusal = if key == "class" {
                ClassName::new(name)
                    .map(|class| {
                        read.class_places.push((class.clone(), item.place));
                        read.applies.classes.push(class);
                    })
                    .err()
            } else {
                UnitId::new(name)
                    .map(|unit| read.applies.units.push(unit))
                    .err()
            };
            if let Some(refusal) = refusal {
                findings.refuse(
                    item.place,
                    format!("\"{name}\" is no {}", refusal.what),
                    refusal.rule,
                    "write the name as the roster has it",
                );
            }
        }
    }
}
