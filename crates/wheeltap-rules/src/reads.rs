//! Reads the literal map that `reads()` gives and plans each input's window.

mod arguments;
mod bounds;
mod healthy;
mod mates;
mod table;
mod window;

pub(crate) use bounds::Bound;
use bounds::Bounds;
pub(crate) use table::{Arg, Fits, Reader, UnitOf, readers};

use crate::about::{self, Dialect, literal_map, refuse_kind};
use crate::problem::{Findings, Place, arguments, one_of, suggestion};
use crate::syntax::{Function, Kind, Node};
use crate::units::Measure;
use crate::{Environment, Input, Read};
use wheeltap_catalogue::Ucum;
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName, ConsistRole};

use Arg::{
    Channel, Field, Limit, OptionalWindow, Past, Role, Share, Sigma, Slack, States, Target, Weight,
    Window,
};

/// Most inputs of a rule, its parameters among them: an alert's record holds the value of each, twice.
pub(crate) const MOST_INPUTS: usize = 64;
/// Bytes of an input's name.
pub(crate) const MOST_NAME_BYTES: usize = 64;

/// An input with the place of its name.
pub(crate) struct Placed {
    pub input: Input,
    pub place: Place,
    /// Least and greatest value it can have, where that is known.
    pub bounds: (f64, f64),
    /// Why it has no other.
    pub bound_by: Bound,
    /// The most it is while no more samples come than promised.
    pub promised: f64,
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
    if entries.len() > MOST_INPUTS {
        findings.refuse(
            function.place,
            format!("{} inputs", entries.len()),
            format!("a rule reads at most {MOST_INPUTS}"),
            "split it into several rules",
        );
    }
    let mut plan = Planner {
        about,
        env,
        findings,
        most_axles: most_axles(about, env),
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

/// The most axles of any class the rule is for; `None` where none of them is in the catalogue.
fn most_axles(about: &about::Read, env: &Environment) -> Option<usize> {
    let classes = &about.applies.classes;
    env.catalogue
        .classes()
        .filter(|class| classes.is_empty() || classes.contains(&class.name))
        .map(|class| class.axles.len())
        .max()
}

pub(crate) struct Planner<'a> {
    about: &'a about::Read,
    env: &'a Environment<'a>,
    pub findings: &'a mut Findings,
    most_axles: Option<usize>,
}

impl<'a> Planner<'a> {
    fn input(&mut self, name: &str, place: Place, node: &Node) -> Option<Placed> {
        let (reader, args) = self.reader(node)?;
        if !is_input_name(name) {
            self.findings.refuse(
                place,
                format!("\"{name}\" is no name for an input"),
                "it is read as seen.name",
                format!(
                    "use letters, digits and underscores, a letter first, at most {MOST_NAME_BYTES}"
                ),
            );
            return None;
        }
        let make = |read, text, ucum: String, bounds: Bounds| {
            let difference = reader.unit != UnitOf::Channel;
            Some(Placed {
                measure: Measure::of(&ucum, difference),
                input: Input {
                    name: name.to_owned(),
                    read,
                    text,
                    ucum,
                },
                place,
                bounds: bounds.range,
                bound_by: bounds.by,
                promised: bounds.promised,
            })
        };
        let flag = Bounds::new((0.0, 1.0), Bound::Kind);
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
                make(Read::InState(states), text, String::new(), flag)
            }
            "in_role" => {
                let [arg] = args else {
                    self.refuse_count(reader, node.place, args.len());
                    return None;
                };
                let role = about::word(arg, "in_role", &ConsistRole::ALL, self.findings)?;
                let said = ConsistRole::ALL.iter().find(|(own, _)| *own == role)?.1;
                make(
                    Read::InRole(role),
                    format!("in_role({said})"),
                    String::new(),
                    flag,
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
                    Bounds::new((1.0, f64::INFINITY), Bound::Kind),
                )
            }
            "usual" | "usual_stdev" | "t_squared" | "q" => {
                self.healthy(name, place, reader, node.place, args)
            }
            "mates_mean" | "mates_median" | "mates_min" | "mates_max" | "mates_count" => {
                self.mates(name, place, reader, node.place, args)
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
            format!("{}() with {}", reader.name, arguments(given)),
            format!("it is {}", signature(reader)),
            format!("write it like {}", reader.example),
        );
    }

    /// The channel of this name, or of axle 1 when it is a pattern whose every axle exists.
    pub(crate) fn channel(&mut self, written: &str, place: Place) -> Option<&'a ChannelDef> {
        if !written.contains("{axle}") {
            let found = self.existing(written, written, place)?;
            self.warn_axle(written, place);
            return Some(found);
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
        // Channels must exist for each axle that some unit has.
        for axle in 1..=self.most_axles.unwrap_or(1).max(1) {
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

    /// Of an axle that no unit of the rule has nothing comes.
    fn warn_axle(&mut self, name: &str, place: Place) {
        let words: Vec<&str> = name.split('.').collect();
        let numbers = words.windows(2).filter(|pair| pair[0] == "axle");
        let numbers = numbers.filter_map(|pair| pair[1].parse::<usize>().ok());
        let (Some(axle), Some(most)) = (numbers.max(), self.most_axles) else {
            return;
        };
        if axle > most {
            self.findings.warn(
                place,
                format!("{name} of units with {most} axles"),
                format!("no class that the rule is for has an axle {axle}, so nothing comes of it"),
                "name an axle that is there, or the classes that have it in applies",
            );
        }
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
                "name one that is there, or add it to the catalogue and name that with \
                 --catalogue FILE"
                    .to_owned()
            }),
        );
        None
    }

    fn fits(&mut self, reader: &Reader, def: &ChannelDef, place: Place) -> bool {
        let event = matches!(def.kind, ChannelKind::Event { .. });
        let mend = match (reader.fits, event) {
            (Fits::Values, true) => "use count(..) or sum(.., field, ..)",
            (Fits::Events, false) => "use mean(..) or another statistic of values",
            _ if reader.unit == UnitOf::TimesSecond
                && Ucum::parse(&def.ucum).is_ok_and(|ucum| ucum.is_special()) =>
            {
                self.findings.refuse(
                    place,
                    format!("{}() of {} in {}", reader.name, def.name, def.ucum),
                    "points on a scale with its own zero have differences, not sums",
                    "use mean(..), or time_above(..)",
                );
                return false;
            }
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
}

pub(crate) fn is_input_name(name: &str) -> bool {
    name.len() <= MOST_NAME_BYTES
        && name.starts_with(|first: char| first.is_ascii_alphabetic())
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_')
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
            Share => "share",
            Weight => "weight",
            Target => "target",
            Sigma => "sigma",
            Slack => "slack",
            Past => "past",
            Field => "field",
            States => "state, ..",
            Role => "role",
            Arg::Healthy => "stretch",
            Arg::Baseline => "#{ channels, window, healthy, variance?, share? }",
            Arg::Statistic => "statistic(..)",
            Arg::OfMates => "#{ same_class }?",
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
