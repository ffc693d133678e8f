//! The rules that watch over the sensors themselves, written from the catalogue.
//!
//! They are rules like any other, texts in the same language, so that live, replay, late data and
//! evidence need nothing of their own. None of them rings the desk: each makes one item for the shop,
//! joined by the sensor as its component.

use crate::{Statistic, pane_ms};
use std::fmt::Write as _;
use wheeltap_catalogue::{Catalogue, Health, Stuck};
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName, RuleName};

/// Rules of slow things are judged once a minute.
const MINUTE_MS: i64 = 60_000;
/// Jumps are looked for this often, in milliseconds.
const JUMP_TICK_MS: i64 = 10_000;
/// Most other channels that tell that a channel's part of the unit is heard; a unit has not all of them.
const MOST_WITNESSES: usize = 12;
/// A channel not heard for so long is taken for one that the unit does not have, or has lost before.
const HEARD_BEFORE_MS: i64 = 3_600_000;
/// In how much time conflicts are counted, and how many of them are one too many.
const CONFLICTS: (&str, u32) = ("1 h", 3);

/// The rules for the sampled channels of a catalogue that units send, by name.
///
/// `silent-..`: nothing came for the channel's silent time, while another channel of the same kind (the
/// first word of its name; any channel where there is none) was heard in the latter half of it, and the
/// channel itself within the hour before. `stuck-..`, `jump-..`: as the catalogue's
/// `[[health]]` says. `conflict-..`: three instants or more in an hour with two good values that differ.
pub fn health_rules(catalogue: &Catalogue) -> Vec<(RuleName, String)> {
    let mut rules = Vec::new();
    let sampled = catalogue
        .channels()
        .map(|(_, def)| def)
        .filter(|def| catalogue.derived(&def.name).is_none());
    for def in sampled {
        let ChannelKind::Sampled { interval_ms } = def.kind else {
            continue;
        };
        let health = catalogue.health(&def.name);
        let Health {
            is_watched,
            stuck,
            fastest,
        } = health;
        if is_watched {
            rules.extend(silent(def, catalogue));
            rules.push(conflict(def));
        }
        rules.extend(stuck.map(|stuck| stuck_at(def, &stuck)));
        rules.extend(fastest.and_then(|fastest| jump(def, interval_ms, fastest)));
    }
    let named = rules.into_iter().filter_map(|(kind, def, text)| {
        // Names of rules are shorter than a very long channel name; such a one is not watched.
        let name = format!("{kind}-{}", def.name.as_str().replace('.', "-"));
        Some((RuleName::new(&name).ok()?, text))
    });
    named.collect()
}

/// How their texts begin.
const WRITTEN: &str = "// Written from the catalogue.";

/// Whether a text is one of [`health_rules`].
pub fn is_written_from_catalogue(source: &str) -> bool {
    source.starts_with(WRITTEN)
}

type Made<'a> = (&'static str, &'a ChannelDef, String);

/// A span as rules write it.
fn span(ms: i64) -> String {
    if ms % MINUTE_MS == 0 {
        format!("{} min", ms / MINUTE_MS)
    } else {
        format!("{} s", ms / 1_000)
    }
}

fn up_to_whole(ms: i64, tick_ms: i64) -> i64 {
    ((ms + tick_ms - 1) / tick_ms).max(1) * tick_ms
}

/// A span that panes of a rule judged once a minute fill.
fn whole_panes(ms: i64) -> i64 {
    let minutes = up_to_whole(ms, MINUTE_MS);
    let pane = pane_ms(MINUTE_MS, minutes, Statistic::Mean.most_panes());
    up_to_whole(minutes, pane)
}

struct Page<'a> {
    title: &'a str,
    tick: &'a str,
    delays: &'a str,
    cause: &'a str,
    functions: &'a str,
}

fn text(def: &ChannelDef, page: &Page<'_>) -> String {
    let Page {
        title,
        tick,
        delays,
        cause,
        functions,
    } = page;
    let name = &def.name;
    format!(
        "{WRITTEN}\n\
         fn about() {{ #{{\n    title: \"{name} {title}\",\n    system: \"instruments\", component: \
         \"{name} sensor\",\n    priority: \"low\", desk: false,\n    tick: \"{tick}\", {delays},\n    \
         cause: \"{cause}\",\n    consequence: \"Rules that read it see nothing, or what is not so.\",\n    \
         action: \"Check connector and wiring, then the sensor, at the next shop visit.\",\n    \
         respond_within: \"7 d\",\n}} }}\n{functions}"
    )
}

fn silent<'a>(def: &'a ChannelDef, catalogue: &Catalogue) -> Option<Made<'a>> {
    let window_ms = whole_panes(def.silent_ms);
    let witnesses = witnesses(def, window_ms, catalogue);
    if witnesses.is_empty() {
        return None;
    }
    let lately = span(whole_panes(window_ms / 2));
    // After a stop a slow channel may be heard long after a quick one.
    let delay = span(window_ms.max(10 * MINUTE_MS));
    let (window, before) = (
        span(window_ms),
        span(whole_panes(HEARD_BEFORE_MS.max(6 * window_ms))),
    );
    let mut reads = String::new();
    let mut heard = Vec::new();
    for (idx, witness) in witnesses.iter().enumerate() {
        // Writing to a string cannot fail.
        let _ = writeln!(reads, "    other_{idx}: last(\"{witness}\", \"{lately}\"),");
        heard.push(format!("known(seen.other_{idx})"));
    }
    let functions = format!(
        "fn reads() {{ #{{\n    now: last(\"{name}\", \"{window}\"),\n    before: last(\"{name}\", \
         \"{before}\"),\n{reads}}} }}\nfn tested(seen) {{ known(seen.before) && ({heard}) }}\n\
         fn raise(seen) {{ !known(seen.now) }}\n",
        name = def.name,
        heard = heard.join(" || "),
    );
    let page = Page {
        title: "is silent",
        tick: "1 min",
        delays: &format!("on_delay: \"{delay}\", off_delay: \"10 min\""),
        cause: "Sensor, wiring or converter failed: others of its kind are heard.",
        functions: &functions,
    };
    Some(("silent", def, text(def, &page)))
}

/// Other channels that are sent at least twice in a window: those of the same kind first looked for, the
/// quickest first.
fn witnesses<'a>(
    def: &ChannelDef,
    window_ms: i64,
    catalogue: &'a Catalogue,
) -> Vec<&'a ChannelName> {
    let kind = |name: &ChannelName| {
        let text = name.as_str();
        text.split_once('.')
            .map_or(text, |(kind, _)| kind)
            .to_owned()
    };
    let own = kind(&def.name);
    let mut others: Vec<(i64, &ChannelName)> = catalogue
        .channels()
        .filter_map(|(_, other)| match other.kind {
            ChannelKind::Sampled { interval_ms } => Some((interval_ms, &other.name)),
            _ => None,
        })
        .filter(|(interval_ms, name)| {
            **name != def.name && 2 * interval_ms <= window_ms && catalogue.derived(name).is_none()
        })
        .collect();
    others.sort();
    let alike = others.iter().filter(|(_, name)| kind(name) == own);
    let alike: Vec<&ChannelName> = alike.map(|(_, name)| *name).take(MOST_WITNESSES).collect();
    if alike.is_empty() {
        return others
            .into_iter()
            .map(|(_, name)| name)
            .take(MOST_WITNESSES)
            .collect();
    }
    alike
}

fn stuck_at<'a>(def: &'a ChannelDef, stuck: &Stuck) -> Made<'a> {
    let window = span(whole_panes(stuck.after_ms));
    let step = f64::from(def.resolution.num) / f64::from(def.resolution.den);
    let (read, tested) = match &stuck.moves_while {
        Some((channel, above)) => (
            format!("    works: min(\"{channel}\", \"{window}\"),\n"),
            format!("fn tested(seen) {{ seen.works > {above:?} }}\n"),
        ),
        None => Default::default(),
    };
    let functions = format!(
        "fn reads() {{ #{{\n    moved: range(\"{name}\", \"{window}\"),\n{read}}} }}\n{tested}\
         fn raise(seen) {{ seen.moved < {limit:?} }}\n",
        name = def.name,
        limit = step / 2.0,
    );
    let page = Page {
        title: "is stuck",
        tick: "1 min",
        delays: "on_delay: \"10 min\", off_delay: \"10 min\"",
        cause: "Sensor or converter repeats one value: what it measures moves all the time.",
        functions: &functions,
    };
    ("stuck", def, text(def, &page))
}

fn jump(def: &ChannelDef, interval_ms: i64, fastest: f64) -> Option<Made<'_>> {
    // Two samples are in it, whenever it is asked.
    let window_ms = up_to_whole(2 * interval_ms, JUMP_TICK_MS);
    let most = fastest * window_ms as f64 / 1_000.0;
    if most >= def.range.1 - def.range.0 {
        return None;
    }
    let functions = format!(
        "fn reads() {{ #{{ moved: range(\"{}\", \"{}\") }} }}\nfn raise(seen) {{ seen.moved > {most:?} \
         }}\n",
        def.name,
        span(window_ms),
    );
    let page = Page {
        title: "jumps",
        tick: "10 s",
        delays: "off_delay: \"1 h\"",
        cause: "A loose contact or a broken sensor: what it measures cannot move so fast.",
        functions: &functions,
    };
    Some(("jump", def, text(def, &page)))
}

fn conflict(def: &ChannelDef) -> Made<'_> {
    let (window, most) = CONFLICTS;
    let functions = format!(
        "fn reads() {{ #{{ twice: conflicts(\"{}\", \"{window}\") }} }}\nfn raise(seen) {{ seen.twice >= \
         {most}.0 }}\n",
        def.name,
    );
    let page = Page {
        title: "is told twice, differently",
        tick: "1 min",
        delays: "off_delay: \"1 h\"",
        cause: "Two devices send under one name, or a device sends the same instant again with another \
                value.",
        functions: &functions,
    };
    ("conflict", def, text(def, &page))
}
