//! Reads the literal map that `reads()` gives and plans each input's window.

mod healthy;

use crate::about::{self, Dialect, Entries, literal_map, refuse_kind, span, text};
use crate::problem::{Findings, Place, one_of, suggestion};
use crate::syntax::{Function, Kind, Node};
use crate::units::Measure;
use crate::{Environment, Input, Read, Statistic, pane_ms};
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName, ConsistRole, UnitState, format_span};

/// What an argument of a statistic is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Arg {
    Channel,
    Window,
    OptionalWindow,
    Limit,
    Field,
    States,
    Role,
    /// `first("400 s")` or `days(..)`.
    Healthy,
    /// A map of channels, window and healthy stretch.
    Baseline,
}

/// What an input's unit is, given the channel's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum UnitOf {
    Channel,
    Difference,
    PerSecond,
    Seconds,
    Count,
    Field,
    Flag,
    Number,
}

/// Which channels a statistic fits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fits {
    Values,
    Events,
    All,
    NoChannel,
}

/// One thing that `reads()` may ask for.
pub(crate) struct Reader {
    pub name: &'static str,
    pub args: &'static [Arg],
    pub fits: Fits,
    pub unit: UnitOf,
    pub what: &'static str,
    pub example: &'static str,
}

use Arg::{Channel, Field, Limit, OptionalWindow, Role, States, Window};

/// Statistics of one channel, and what is read of the unit.
static WINDOWS: [Reader; 15] = [
    Reader {
        name: "last",
        args: &[Channel, OptionalWindow],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the newest value: of a sampled channel when not older than the window (its silent \
               time by default), of a held one while it holds",
        example: "last(\"engine.oil.temperature\")",
    },
    Reader {
        name: "mean",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the mean: arithmetic of sampled channels, time-weighted of held ones",
        example: "mean(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "min",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the least value",
        example: "min(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "max",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the greatest value",
        example: "max(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "range",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "the greatest value less the least",
        example: "range(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "stdev",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "the sample standard deviation (n - 1)",
        example: "stdev(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "slope",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::PerSecond,
        what: "the slope of the least-squares line",
        example: "slope(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "rate",
        args: &[Channel, Window],
        fits: Fits::Values,
        unit: UnitOf::PerSecond,
        what: "last less first value by the time between them",
        example: "rate(\"engine.oil.temperature\", \"5 min\")",
    },
    Reader {
        name: "time_above",
        args: &[Channel, Limit, Window],
        fits: Fits::Values,
        unit: UnitOf::Seconds,
        what: "seconds above the limit",
        example: "time_above(\"engine.oil.temperature\", 110, \"1 h\")",
    },
    Reader {
        name: "time_below",
        args: &[Channel, Limit, Window],
        fits: Fits::Values,
        unit: UnitOf::Seconds,
        what: "seconds below the limit",
        example: "time_below(\"engine.oil.temperature\", 60, \"1 h\")",
    },
    Reader {
        name: "count",
        args: &[Channel, Window],
        fits: Fits::All,
        unit: UnitOf::Count,
        what: "how many events (or good samples)",
        example: "count(\"wheel.slip\", \"1 h\")",
    },
    Reader {
        name: "sum",
        args: &[Channel, Field, Window],
        fits: Fits::Events,
        unit: UnitOf::Field,
        what: "the sum of one field over the events; events without it add nothing",
        example: "sum(\"wheel.slip\", \"duration\", \"1 h\")",
    },
    Reader {
        name: "in_state",
        args: &[States],
        fits: Fits::NoChannel,
        unit: UnitOf::Flag,
        what: "whether the unit is in one of these states; unknown when the state is",
        example: "in_state(\"working\", \"isolated\")",
    },
    Reader {
        name: "in_role",
        args: &[Role],
        fits: Fits::NoChannel,
        unit: UnitOf::Flag,
        what: "whether the unit leads, trails or is remote in its consist; unknown when that is",
        example: "in_role(\"lead\")",
    },
    Reader {
        name: "part_number",
        args: &[],
        fits: Fits::NoChannel,
        unit: UnitOf::Number,
        what: "the number of the axle that is judged (for_each: \"axle\")",
        example: "part_number()",
    },
];

/// Everything `reads()` offers, in the order of the reference.
pub(crate) fn readers() -> impl Iterator<Item = &'static Reader> {
    WINDOWS.iter().chain(&healthy::READERS)
}

/// The share of promised samples that makes an input known, unless the rule asks for another.
const HALF: f64 = 0.5;

const ROLES: [(ConsistRole, &str); 3] = [
    (ConsistRole::Lead, "lead"),
    (ConsistRole::Trailing, "trailing"),
    (ConsistRole::Remote, "remote"),
];

/// An input with the place of its name.
pub(crate) struct Placed {
    pub input: Input,
    pub place: Place,
    /// Least and greatest value it can have, where the catalogue tells.
    pub bounds: (f64, f64),
    pub measure: Measure,
}

/// Plans every input; what cannot be right goes to `findings`.
///
/// An input that was refused is still listed by name in the second value, so that its uses are not
/// refused again.
pub(crate) fn read(
    function: &Function,
    about: &about::Read,
    env: &Environment,
    findings: &mut Findings,
) -> (Vec<Placed>, Vec<String>) {
    let Some(entries) = literal_map(function, findings) else {
        return (Vec::new(), Vec::new());
    };
    if entries.is_empty() {
        findings.refuse(
            function.place,
            "reads() names no input",
            "a verdict that reads nothing never changes",
            "add one, such as oil: mean(\"engine.oil.temperature\", \"5 min\")",
        );
    }
    if entries.len() > 64 {
        findings.refuse(
            function.place,
            format!("{} inputs", entries.len()),
            "a rule reads at most 64",
            "split it into several rules",
        );
    }
    let mut plan = Planner {
        about,
        env,
        findings,
        axles: axle_count(about, env),
    };
    let (mut placed, mut refused) = (Vec::new(), Vec::new());
    for (name, place, node) in entries {
        match plan.input(name, *place, node) {
            Some(input) => placed.push(input),
            None => refused.push(name.clone()),
        }
    }
    (placed, refused)
}

/// How many axles the channels must exist for: the most of any class the rule is for.
fn axle_count(about: &about::Read, env: &Environment) -> usize {
    let classes = &about.applies.classes;
    env.catalogue
        .classes()
        .filter(|class| classes.is_empty() || classes.contains(&class.name))
        .map(|class| class.axles.len())
        .max()
        .unwrap_or(0)
        .max(1)
}

struct Planner<'a> {
    about: &'a about::Read,
    env: &'a Environment<'a>,
    findings: &'a mut Findings,
    axles: usize,
}

/// The arguments of one call, taken apart.
#[derive(Default)]
struct Parts<'a> {
    channel: Option<(&'a str, &'a ChannelDef)>,
    window: Option<(i64, Place)>,
    limit: Option<f64>,
    field: Option<(usize, String)>,
}

impl<'a> Planner<'a> {
    fn input(&mut self, name: &str, place: Place, node: &Node) -> Option<Placed> {
        let (reader, args) = self.reader(node)?;
        if !is_input_name(name) {
            self.findings.refuse(
                place,
                format!("\"{name}\" is no name for an input"),
                "it is read as seen.name",
                "use letters, digits and underscores, a letter first",
            );
            return None;
        }
        let make = |read, text, ucum: String, bounds| {
            let difference = !matches!(
                read,
                Read::Window {
                    statistic: Statistic::Last | Statistic::Mean | Statistic::Min | Statistic::Max,
                    ..
                }
            );
            Some(Placed {
                measure: Measure::of(&ucum, difference),
                input: Input {
                    name: name.to_owned(),
                    read,
                    text,
                    ucum,
                },
                place,
                bounds,
            })
        };
        match reader.name {
            "in_state" => {
                let states = self.states(node.place, args)?;
                let text = format!(
                    "in_state({})",
                    states
                        .iter()
                        .map(|state| state.as_str())
                        .collect::<Vec<_>>()
                        .join(", ")
                );
                make(Read::InState(states), text, String::new(), (0.0, 1.0))
            }
            "in_role" => {
                let [arg] = args else {
                    self.refuse_count(reader, node.place, args.len());
                    return None;
                };
                let role = about::word(arg, "in_role", &ROLES, self.findings)?;
                let said = ROLES.iter().find(|(own, _)| *own == role)?.1;
                make(
                    Read::InRole(role),
                    format!("in_role({said})"),
                    String::new(),
                    (0.0, 1.0),
                )
            }
            "part_number" => {
                if !args.is_empty() {
                    self.refuse_count(reader, node.place, args.len());
                    return None;
                }
                if self.about.for_each.is_none() {
                    self.findings.refuse(
                        node.place,
                        "part_number() without for_each",
                        "the rule is judged once for the unit, for no part",
                        "add for_each: \"axle\" to about()",
                    );
                    return None;
                }
                make(
                    Read::PartNumber,
                    "part_number()".to_owned(),
                    "1".to_owned(),
                    (1.0, f64::INFINITY),
                )
            }
            "usual" | "usual_stdev" | "t_squared" | "q" => {
                self.healthy(name, place, reader, node.place, args)
            }
            _ => {
                let (read, text, ucum, bounds) = self.window(reader, node.place, args)?;
                make(read, text, ucum, bounds)
            }
        }
    }

    fn reader<'n>(&mut self, node: &'n Node) -> Option<(&'static Reader, &'n [Node])> {
        let Kind::Call(name, args) = &node.kind else {
            refuse_kind(
                node,
                "an input",
                "a call such as mean(\"channel\", \"5 min\")",
                self.findings,
            );
            return None;
        };
        let found = readers().find(|reader| reader.name == name);
        if found.is_none() {
            let names = || readers().map(|reader| reader.name);
            self.findings.refuse(
                node.place,
                format!("reads() offers no {name}()"),
                "inputs are planned before the rule runs",
                suggestion(name, names(), || format!("use {}", one_of(names()))),
            );
        }
        found.map(|reader| (reader, args.as_slice()))
    }

    fn refuse_count(&mut self, reader: &Reader, place: Place, given: usize) {
        self.findings.refuse(
            place,
            format!("{}() with {given} arguments", reader.name),
            format!("it is {}", signature(reader)),
            format!("write it like {}", reader.example),
        );
    }

    fn states(&mut self, place: Place, args: &[Node]) -> Option<Vec<UnitState>> {
        if args.is_empty() {
            self.findings.refuse(
                place,
                "in_state() without a state",
                "it asks whether the unit is in one of those named",
                "name at least one, such as in_state(\"working\")",
            );
            return None;
        }
        let words: Vec<(UnitState, &str)> = UnitState::ALL
            .into_iter()
            .filter(|(state, _)| *state != UnitState::Unknown)
            .collect();
        let mut states = Vec::new();
        for arg in args {
            if matches!(&arg.kind, Kind::Text(said) if said == "unknown") {
                self.findings.refuse(
                    arg.place,
                    "in_state(\"unknown\")",
                    "an unknown state makes the input unknown",
                    "ask !known(seen.name) instead",
                );
                return None;
            }
            states.push(about::word(arg, "in_state", &words, self.findings)?);
        }
        Some(states)
    }

    fn window(
        &mut self,
        reader: &'static Reader,
        place: Place,
        args: &[Node],
    ) -> Option<(Read, String, String, (f64, f64))> {
        let (args, min_share) = self.options(args)?;
        let most = reader.args.len();
        let least = most - usize::from(reader.args.contains(&OptionalWindow));
        if !(least..=most).contains(&args.len()) {
            self.refuse_count(reader, place, args.len());
            return None;
        }
        // All arguments are looked at, so that each wrong one is reported.
        let mut parts = Parts::default();
        let mut whole = true;
        for (wanted, arg) in reader.args.iter().zip(args) {
            whole &= self.argument(*wanted, arg, &mut parts).is_some();
        }
        let (written, def) = parts.channel?;
        if !whole || !self.fits(reader, def, args.first().map_or(place, |arg| arg.place)) {
            return None;
        }
        let tick_ms = self.about.tick_ms.unwrap_or(1_000);
        let (window_ms, said) = match parts.window {
            Some((window_ms, window_place)) => {
                self.check_window(window_ms, tick_ms, def, window_place)?;
                (window_ms, true)
            }
            None => (default_window(def, tick_ms), false),
        };
        self.check_retention(
            window_ms,
            parts.window.map_or(place, |(_, window_place)| window_place),
        )?;
        let statistic = statistic(reader.name, &parts)?;
        let ucum = input_ucum(reader.unit, def, parts.field.as_ref());
        let mut words = vec![written.to_owned()];
        words.extend(parts.limit.map(|limit| limit.to_string()));
        words.extend(parts.field.as_ref().map(|(_, field)| field.clone()));
        words.extend(said.then(|| format_span(window_ms)));
        let text = format!("{}({})", reader.name, words.join(", "));
        let read = Read::Window {
            channel: written.to_owned(),
            statistic,
            window_ms,
            pane_ms: pane_ms(tick_ms, window_ms),
            min_share,
        };
        Some((read, text, ucum, bounds(reader.unit, statistic, def)))
    }

    /// Takes the trailing option map off.
    fn options<'n>(&mut self, args: &'n [Node]) -> Option<(&'n [Node], f64)> {
        let Some((
            Node {
                kind: Kind::Map(entries),
                ..
            },
            rest,
        )) = args.split_last()
        else {
            return Some((args, HALF));
        };
        self.share(entries).map(|share| (rest, share))
    }

    fn share(&mut self, entries: Entries) -> Option<f64> {
        let mut share = HALF;
        for (key, place, value) in entries {
            if key != "share" {
                self.findings.refuse(
                    *place,
                    format!("no option {key}"),
                    "an input's only option is share",
                    "write #{ share: 0.8 } or leave it out",
                );
                return None;
            }
            match value.kind {
                Kind::Number { value, .. } if value > 0.0 && value <= 1.0 => share = value,
                _ => {
                    self.findings.refuse(
                        value.place,
                        "share is no part of a whole",
                        "it is the share of the promised samples that must be there",
                        "write a number above 0 and up to 1, such as 0.8",
                    );
                    return None;
                }
            }
        }
        Some(share)
    }

    fn argument<'n>(&mut self, wanted: Arg, arg: &'n Node, parts: &mut Parts<'n>) -> Option<()>
    where
        'a: 'n,
    {
        match wanted {
            Channel => {
                let written = text(arg, "the channel", self.findings)?;
                parts.channel = Some((written, self.channel(written, arg.place)?));
            }
            Window | OptionalWindow => {
                parts.window = Some((span(arg, "the window", self.findings)?, arg.place));
            }
            Limit => {
                let Kind::Number { value, .. } = arg.kind else {
                    refuse_kind(arg, "the limit", "a number", self.findings);
                    return None;
                };
                parts.limit = Some(value);
            }
            Field => {
                let named = text(arg, "the field", self.findings)?;
                let (_, def) = parts.channel?;
                // A channel without fields is refused by kind.
                if let ChannelKind::Event { fields } = &def.kind {
                    let Some(idx) = fields.iter().position(|(name, _)| name == named) else {
                        let all = || fields.iter().map(|(name, _)| name.as_str());
                        self.findings.refuse(
                            arg.place,
                            format!("{} has no field {named}", def.name),
                            "the catalogue states an event's fields",
                            suggestion(named, all(), || format!("use {}", one_of(all()))),
                        );
                        return None;
                    };
                    parts.field = Some((idx, named.to_owned()));
                }
            }
            States | Role | Arg::Healthy | Arg::Baseline => {}
        }
        Some(())
    }

    /// The channel of this name, or of axle 1 when it is a pattern whose every axle exists.
    fn channel(&mut self, written: &str, place: Place) -> Option<&'a ChannelDef> {
        if !written.contains("{axle}") {
            return self.existing(written, written, place);
        }
        if self.about.for_each.is_none() {
            self.findings.refuse(
                place,
                format!("\"{written}\" without for_each"),
                "{axle} stands for the axle that is judged",
                "add for_each: \"axle\" to about(), or write the axle's number",
            );
            return None;
        }
        let mut first: Option<&ChannelDef> = None;
        for axle in 1..=self.axles {
            let name = written.replace("{axle}", &axle.to_string());
            let def = self.existing(&name, written, place)?;
            let alike = first.is_none_or(|first| first.ucum == def.ucum && first.kind == def.kind);
            if !alike {
                self.findings.refuse(
                    place,
                    format!("{name} differs in unit or kind from axle 1's"),
                    "one rule judges every axle with the same limits",
                    "make the catalogue's axle channels alike",
                );
                return None;
            }
            first = first.or(Some(def));
        }
        first
    }

    fn existing(&mut self, name: &str, written: &str, place: Place) -> Option<&'a ChannelDef> {
        let env = self.env;
        let found = ChannelName::new(name)
            .ok()
            .and_then(|name| env.catalogue.channel(&name));
        if let Some((_, def)) = found {
            return Some(def);
        }
        let names = env.catalogue.channels().map(|(_, def)| def.name.as_str());
        let shown = if name == written {
            String::new()
        } else {
            format!(" (from \"{written}\")")
        };
        self.findings.refuse(
            place,
            format!("no channel {name}{shown}"),
            "the catalogue does not have it",
            suggestion(name, names, || {
                "add it to the catalogue, or take one that is there".to_owned()
            }),
        );
        None
    }

    fn fits(&mut self, reader: &Reader, def: &ChannelDef, place: Place) -> bool {
        let event = matches!(def.kind, ChannelKind::Event { .. });
        let mend = match (reader.fits, event) {
            (Fits::Values, true) => "use count(..) or sum(.., field, ..)",
            (Fits::Events, false) => "use mean(..) or another statistic of values",
            _ => return true,
        };
        self.findings.refuse(
            place,
            format!("{}() of {}", reader.name, def.name),
            if event {
                "it is an event channel and has no running value"
            } else {
                "it has values, not events with fields"
            },
            mend,
        );
        false
    }

    fn check_window(
        &mut self,
        window_ms: i64,
        tick_ms: i64,
        def: &ChannelDef,
        place: Place,
    ) -> Option<()> {
        let pane = pane_ms(tick_ms, window_ms);
        if window_ms % pane != 0 {
            let below = (1..=window_ms / pane)
                .rev()
                .map(|panes| panes * pane)
                .find(|length| length % pane_ms(tick_ms, *length) == 0);
            let above = (window_ms / pane + 1..window_ms / pane + 400)
                .map(|panes| panes * pane)
                .find(|length| length % pane_ms(tick_ms, *length) == 0);
            let near: Vec<String> = below.into_iter().chain(above).map(format_span).collect();
            self.findings.refuse(
                place,
                format!("a window of {}", format_span(window_ms)),
                format!(
                    "windows are made of panes, here of {}, which do not fill it evenly",
                    format_span(pane)
                ),
                format!("use {}", one_of(near.iter().map(String::as_str))),
            );
            return None;
        }
        if let ChannelKind::Sampled { interval_ms } = def.kind
            && window_ms < interval_ms
        {
            // Only a warning: a map of files may say another spacing.
            self.findings.warn(
                place,
                format!("a window of {}", format_span(window_ms)),
                format!(
                    "{} comes every {}, so the window would mostly be empty",
                    def.name,
                    format_span(interval_ms)
                ),
                format!("use at least {}", format_span(interval_ms)),
            );
        }
        Some(())
    }

    fn check_retention(&mut self, window_ms: i64, place: Place) -> Option<()> {
        let kept = self.env.raw_retention_ms;
        let needed = self
            .env
            .settlement_horizon_ms
            .saturating_add(window_ms)
            .saturating_add(self.about.longest_delay_ms);
        if needed <= kept {
            return Some(());
        }
        let most = kept - self.env.settlement_horizon_ms - self.about.longest_delay_ms;
        self.findings.refuse(
            place,
            format!("a window of {}", format_span(window_ms)),
            format!(
                "samples are kept {}, and late ones are judged for {}, so the window with the \
                 rule's delay would reach past them",
                format_span(kept),
                format_span(self.env.settlement_horizon_ms)
            ),
            if most > 0 {
                format!("use at most {}, or keep samples longer", format_span(most))
            } else {
                "shorten the delays, or keep samples longer".to_owned()
            },
        );
        None
    }
}

fn is_input_name(name: &str) -> bool {
    name.len() <= 64
        && name.starts_with(|first: char| first.is_ascii_alphabetic())
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_')
}

/// Without a window `last` looks back the channel's silent time or hold, in whole panes.
fn default_window(def: &ChannelDef, tick_ms: i64) -> i64 {
    let wanted = match def.kind {
        ChannelKind::Held { hold_ms } => hold_ms,
        ChannelKind::Sampled { .. } | ChannelKind::Event { .. } => def.silent_ms,
    }
    .max(1);
    let mut window_ms = wanted;
    // A longer window may ask for longer panes; each round goes up, and the ladder has an end.
    for _ in 0..64 {
        let pane = pane_ms(tick_ms, window_ms);
        if window_ms % pane == 0 {
            break;
        }
        window_ms = (window_ms / pane + 1) * pane;
    }
    window_ms
}

fn statistic(name: &str, parts: &Parts) -> Option<Statistic> {
    Some(match name {
        "last" => Statistic::Last,
        "mean" => Statistic::Mean,
        "min" => Statistic::Min,
        "max" => Statistic::Max,
        "range" => Statistic::Range,
        "stdev" => Statistic::StdDev,
        "slope" => Statistic::Slope,
        "rate" => Statistic::Rate,
        "time_above" => Statistic::TimeAbove(parts.limit?),
        "time_below" => Statistic::TimeBelow(parts.limit?),
        "count" => Statistic::Count,
        "sum" => Statistic::Sum(parts.field.as_ref()?.0),
        _ => return None,
    })
}

/// The code of a difference: degrees on a scale with its own zero become steps.
fn difference_ucum(code: &str) -> &str {
    if code == "Cel" { "K" } else { code }
}

fn input_ucum(unit: UnitOf, def: &ChannelDef, field: Option<&(usize, String)>) -> String {
    match unit {
        UnitOf::Channel => def.ucum.clone(),
        UnitOf::Difference => difference_ucum(&def.ucum).to_owned(),
        UnitOf::PerSecond => match difference_ucum(&def.ucum) {
            "1" => "/s".to_owned(),
            code => format!("{code}/s"),
        },
        UnitOf::Seconds => "s".to_owned(),
        UnitOf::Count | UnitOf::Number => "1".to_owned(),
        UnitOf::Field => match (&def.kind, field) {
            (ChannelKind::Event { fields }, Some((idx, _))) => fields[*idx].1.clone(),
            _ => String::new(),
        },
        UnitOf::Flag => String::new(),
    }
}

fn bounds(unit: UnitOf, statistic: Statistic, def: &ChannelDef) -> (f64, f64) {
    let (low, high) = def.range;
    match (unit, statistic) {
        (UnitOf::Channel, _) => (low, high),
        (UnitOf::Difference, Statistic::Range) => (0.0, high - low),
        // The sample standard deviation of two values at the ends is their distance over root 2.
        (UnitOf::Difference, _) => (0.0, (high - low) * std::f64::consts::FRAC_1_SQRT_2),
        // More samples than promised count for more than the window's length.
        (UnitOf::Seconds | UnitOf::Count, _) => (0.0, f64::INFINITY),
        _ => (f64::NEG_INFINITY, f64::INFINITY),
    }
}

/// How a reader is written, such as `mean(channel, window)`.
pub(crate) fn signature(reader: &Reader) -> String {
    let args: Vec<&str> = reader
        .args
        .iter()
        .map(|arg| match arg {
            Channel => "channel",
            Window => "window",
            OptionalWindow => "window?",
            Limit => "limit",
            Field => "field",
            States => "state, ..",
            Role => "role",
            Arg::Healthy => "stretch",
            Arg::Baseline => "#{ channels, window, healthy, variance?, share? }",
        })
        .collect();
    format!("{}({})", reader.name, args.join(", "))
}

/// Says so when a script gives up three-valued logic.
pub(crate) fn warn_script(dialect: Dialect, place: Place, findings: &mut Findings) {
    if dialect == Dialect::Script {
        findings.warn(
            place,
            "judged as a script",
            "at a tick where any input it reads is unknown the verdict is unknown, and each tick \
             costs far more than an expression's",
            "leave judge out where let, if and expressions are enough",
        );
    }
}
