//! Reads the literal map that `reads()` gives and plans each input's window.

mod healthy;
mod mates;
mod table;

pub(crate) use table::{Arg, Fits, Reader, UnitOf, readers};

use crate::about::{self, Dialect, literal_map, refuse_kind, span, text};
use crate::problem::{Findings, Place, arguments, one_of, suggestion};
use crate::syntax::{Function, Kind, Node};
use crate::units::Measure;
use crate::{
    ClassWindow, Condition, Environment, Input, OfClass, Read, Statistic, conditions, pane_ms,
};
use wheeltap_catalogue::Ucum;
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName, ConsistRole, UnitState, format_span};

use Arg::{
    Channel, Field, Limit, OptionalWindow, Past, Role, Share, Sigma, Slack, States, Target, Weight,
    Window,
};

/// The share of promised samples that makes an input known, unless the rule asks for another.
const HALF: f64 = 0.5;
/// The same where conditions hold only part of the window's time.
const TENTH: f64 = 0.1;

const ROLES: [(ConsistRole, &str); 3] = [
    (ConsistRole::Lead, "lead"),
    (ConsistRole::Trailing, "trailing"),
    (ConsistRole::Remote, "remote"),
];

/// What keeps an input between its bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Bound {
    /// The channel's range in the catalogue.
    Range,
    /// It is a probability.
    Probability,
    /// The window's length, or how many panes it has.
    Window,
    /// What it is: a count is not under 0.
    Kind,
}

/// Least and greatest value of an input, and why.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bounds {
    range: (f64, f64),
    by: Bound,
    promised: f64,
}

impl Bounds {
    const fn new(range: (f64, f64), by: Bound) -> Self {
        Self {
            range,
            by,
            promised: f64::INFINITY,
        }
    }
}

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

pub(crate) struct Planner<'a> {
    about: &'a about::Read,
    env: &'a Environment<'a>,
    pub findings: &'a mut Findings,
    axles: usize,
}

/// The arguments of one call, taken apart.
#[derive(Default)]
struct Parts<'a> {
    channel: Option<(&'a str, &'a ChannelDef)>,
    window: Option<(i64, Place)>,
    past: Option<(i64, Place)>,
    /// Limit, share, weight, target, sigma, slack, in the order of the arguments.
    numbers: Vec<f64>,
    field: Option<(usize, String)>,
}

/// How a window is cut, in milliseconds.
#[derive(Clone, Copy)]
#[expect(clippy::struct_field_names, reason = "names say the unit")]
struct Cut {
    window_ms: i64,
    pane_ms: i64,
    tick_ms: i64,
}

/// The option map of an input, taken apart.
struct Options<'n> {
    rest: &'n [Node],
    min_share: f64,
    during: Vec<Condition>,
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
                let role = about::word(arg, "in_role", &ROLES, self.findings)?;
                let said = ROLES.iter().find(|(own, _)| *own == role)?.1;
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
    ) -> Option<(Read, String, String, Bounds)> {
        let Options {
            rest: args,
            min_share,
            during,
        } = self.options(args)?;
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
        let channel_place = args.first().map_or(place, |arg| arg.place);
        if !whole || !self.fits(reader, def, channel_place) {
            return None;
        }
        let tick_ms = self.about.tick_ms.unwrap_or(1_000);
        let statistic = statistic(reader.name, &parts, tick_ms)?;
        let (window_ms, said) = match parts.window {
            Some((window_ms, _)) => (window_ms, true),
            None => (default_window(def, tick_ms), false),
        };
        let window_place = parts.window.map_or(place, |(_, window_place)| window_place);
        let most_panes = statistic.most_panes();
        if said {
            self.check_window((window_ms, most_panes), tick_ms, def, window_place)?;
        }
        let pane_ms = pane_ms(tick_ms, window_ms, most_panes);
        let cut = Cut {
            window_ms,
            pane_ms,
            tick_ms,
        };
        self.check_enough(reader, statistic, def, cut, window_place)?;
        self.check_limits(reader, statistic, def, args)?;
        if let Some((past_ms, past_place)) = parts.past {
            self.check_window((past_ms, most_panes), tick_ms, def, past_place)?;
        }
        let past_ms = parts.past.map_or(0, |(past_ms, _)| past_ms);
        let furthest_place = parts
            .past
            .map_or(window_place, |(_, past_place)| past_place);
        self.check_retention(window_ms.saturating_add(past_ms), furthest_place)?;
        let ucum = input_ucum(reader.unit, def, parts.field.as_ref());
        let mut words = vec![written.to_owned()];
        words.extend(parts.numbers.iter().map(f64::to_string));
        words.extend(parts.field.as_ref().map(|(_, field)| field.clone()));
        words.extend(said.then(|| format_span(window_ms)));
        words.extend(parts.past.map(|(past_ms, _)| format_span(past_ms)));
        words.extend(conditions::words(&during));
        let text = format!("{}({})", reader.name, words.join(", "));
        let channel = written.to_owned();
        let read = match of_class(reader.name) {
            Some(gives) => Read::Class {
                window: ClassWindow {
                    channel,
                    window_ms,
                    pane_ms,
                    min_share,
                    during,
                },
                gives,
            },
            None => Read::Window {
                channel,
                statistic,
                window_ms,
                pane_ms,
                min_share,
                during,
            },
        };
        Some((read, text, ucum, bounds(reader, statistic, def, cut)))
    }

    /// Takes the trailing option map off.
    fn options<'n>(&mut self, args: &'n [Node]) -> Option<Options<'n>> {
        let mut options = Options {
            rest: args,
            min_share: HALF,
            during: Vec::new(),
        };
        let Some((
            Node {
                kind: Kind::Map(entries),
                ..
            },
            rest,
        )) = args.split_last()
        else {
            return Some(options);
        };
        options.rest = rest;
        let mut share = None;
        for (key, place, value) in entries {
            match key.as_str() {
                "share" => share = Some(self.share(value)?),
                "during" => options.during = conditions::read(value, self)?,
                _ => {
                    self.findings.refuse(
                        *place,
                        format!("no option {key}"),
                        "an input's options are share and during",
                        suggestion(key, ["share", "during"], || {
                            "write #{ share: 0.8 } or #{ during: at_least(\"channel\", 6) }, or \
                             leave it out"
                                .to_owned()
                        }),
                    );
                    return None;
                }
            }
        }
        let usual = if options.during.is_empty() {
            HALF
        } else {
            TENTH
        };
        options.min_share = share.unwrap_or(usual);
        Some(options)
    }

    fn share(&mut self, value: &Node) -> Option<f64> {
        match value.kind {
            Kind::Number { value, .. } if value > 0.0 && value <= 1.0 => Some(value),
            _ => {
                self.findings.refuse(
                    value.place,
                    "share is no part of a whole",
                    "it is the share of the promised samples that must be there",
                    "write a number above 0 and up to 1, such as 0.8",
                );
                None
            }
        }
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
            Past => {
                parts.past = Some((span(arg, "the past", self.findings)?, arg.place));
            }
            Limit | Share | Weight | Target | Sigma | Slack => {
                let value = self.number(wanted, arg)?;
                parts.numbers.push(value);
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
            States | Role | Arg::Healthy | Arg::Baseline | Arg::Statistic | Arg::OfMates => {}
        }
        Some(())
    }

    /// A number written out, in the range that this argument has.
    fn number(&mut self, wanted: Arg, arg: &Node) -> Option<f64> {
        let (name, fits, range): (_, fn(f64) -> bool, _) = match wanted {
            Share => (
                "the share",
                |value| millionths(value).is_some(),
                "above 0 and below 1, with at most six decimals, such as 0.95",
            ),
            Weight => (
                "the weight",
                |value| value > 0.0 && value <= 1.0,
                "above 0 and up to 1, such as 0.3",
            ),
            Sigma => (
                "the sigma",
                |value| value > 0.0,
                "above 0: the standard deviation of a sample while all is well",
            ),
            Slack => (
                "the slack",
                |value| value >= 0.0,
                "not under 0; half the shift to be found is usual",
            ),
            Target => ("the target", f64::is_finite, "finite"),
            _ => ("the limit", f64::is_finite, "finite"),
        };
        let Kind::Number { value, .. } = arg.kind else {
            refuse_kind(arg, name, "a number", self.findings);
            return None;
        };
        if value.is_finite() && fits(value) {
            return Some(value);
        }
        self.findings.refuse(
            arg.place,
            format!("{name} is {value}"),
            format!("it is {range}"),
            format!("write a number {range}"),
        );
        None
    }

    /// The channel of this name, or of axle 1 when it is a pattern whose every axle exists.
    pub(crate) fn channel(&mut self, written: &str, place: Place) -> Option<&'a ChannelDef> {
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

    fn check_window(
        &mut self,
        (window_ms, most_panes): (i64, i64),
        tick_ms: i64,
        def: &ChannelDef,
        place: Place,
    ) -> Option<()> {
        let pane_of = |length| pane_ms(tick_ms, length, most_panes);
        let pane = pane_of(window_ms);
        if window_ms % pane != 0 {
            let below = (1..=window_ms / pane)
                .rev()
                .map(|panes| panes * pane)
                .find(|length| length % pane_of(*length) == 0);
            let above = (window_ms / pane + 1..window_ms / pane + 400)
                .map(|panes| panes * pane)
                .find(|length| length % pane_of(*length) == 0);
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

    /// A statistic that its window can never, or hardly, give enough for.
    fn check_enough(
        &mut self,
        reader: &Reader,
        statistic: Statistic,
        def: &ChannelDef,
        cut: Cut,
        place: Place,
    ) -> Option<()> {
        let (samples, panes) = statistic.least();
        let n_panes = cut.window_ms / cut.pane_ms;
        let what = || format!("{}() over {}", reader.name, format_span(cut.window_ms));
        if n_panes < panes {
            self.findings.refuse(
                place,
                what(),
                format!(
                    "it compares the means of {panes} panes at least; with a tick of {} the window \
                     has {n_panes}",
                    format_span(cut.tick_ms)
                ),
                format!("use at least {}", format_span(panes * cut.tick_ms)),
            );
            return None;
        }
        let ChannelKind::Sampled { interval_ms } = def.kind else {
            return Some(());
        };
        let n_samples = promised(cut.window_ms, interval_ms);
        if n_samples < samples && cut.window_ms >= interval_ms {
            let step_ms = interval_ms.max(cut.tick_ms);
            // Only a warning: a map of files may say another spacing.
            self.findings.warn(
                place,
                what(),
                format!(
                    "{} comes every {}, so {n_samples} in that time, and it needs {samples}: it is \
                     unknown unless more come",
                    def.name,
                    format_span(interval_ms)
                ),
                format!("use at least {}", format_span(samples * step_ms)),
            );
        }
        Some(())
    }

    /// A limit or target that no value can reach.
    fn check_limits(
        &mut self,
        reader: &Reader,
        statistic: Statistic,
        def: &ChannelDef,
        args: &[Node],
    ) -> Option<()> {
        let (low, high) = def.range;
        let place_of = |wanted: Arg| {
            let idx = reader.args.iter().position(|arg| *arg == wanted);
            idx.and_then(|idx| args.get(idx))
                .map_or(Place::START, |arg| arg.place)
        };
        let ranges = format!("{} ranges from {low} to {high} {}", def.name, def.ucum);
        match statistic {
            Statistic::EwmaScore { target, .. }
            | Statistic::CusumHigh { target, .. }
            | Statistic::CusumLow { target, .. }
                if target < low || target > high =>
            {
                self.findings.refuse(
                    place_of(Target),
                    format!("the target is {target}"),
                    ranges,
                    "write where the process belongs, inside the range and in the channel's unit",
                );
                None
            }
            Statistic::TimeAbove(limit) if limit >= high => {
                self.refuse_never(place_of(Limit), "above", limit, ranges);
                None
            }
            Statistic::TimeBelow(limit) if limit <= low => {
                self.refuse_never(place_of(Limit), "below", limit, ranges);
                None
            }
            _ => Some(()),
        }
    }

    fn refuse_never(&mut self, place: Place, side: &str, limit: f64, ranges: String) {
        self.findings.refuse(
            place,
            format!("no time is ever {side} {limit}"),
            ranges,
            "write a limit inside the range, in the channel's unit",
        );
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

pub(crate) fn is_input_name(name: &str) -> bool {
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
        let pane = pane_ms(tick_ms, window_ms, Statistic::Last.most_panes());
        if window_ms % pane == 0 {
            break;
        }
        window_ms = (window_ms / pane + 1) * pane;
    }
    window_ms
}

fn statistic(name: &str, parts: &Parts, tick_ms: i64) -> Option<Statistic> {
    let number = |idx: usize| parts.numbers.get(idx).copied();
    Some(match name {
        "last" => Statistic::Last,
        "mean" | "class_score" | "class_median" | "class_spread" => Statistic::Mean,
        "min" => Statistic::Min,
        "max" => Statistic::Max,
        "median" => Statistic::Median,
        "quantile" => Statistic::Quantile(number(0)?),
        "range" => Statistic::Range,
        "stdev" => Statistic::StdDev,
        "slope" => Statistic::Slope,
        "slope_error" => Statistic::SlopeError,
        "robust_slope" => Statistic::RobustSlope,
        "trend_s" => Statistic::TrendS,
        "trend_z" => Statistic::TrendZ,
        "trend_p" => Statistic::TrendP,
        "rate" => Statistic::Rate,
        "time_above" => Statistic::TimeAbove(number(0)?),
        "time_below" => Statistic::TimeBelow(number(0)?),
        "integral" => Statistic::Integral,
        "moving_range" => Statistic::MovingRange,
        "ewma" => Statistic::Ewma(number(0)?),
        "ewma_score" => Statistic::EwmaScore {
            weight: number(0)?,
            target: number(1)?,
            sigma: number(2)?,
        },
        "cusum_high" => Statistic::CusumHigh {
            target: number(0)?,
            slack: number(1)?,
        },
        "cusum_low" => Statistic::CusumLow {
            target: number(0)?,
            slack: number(1)?,
        },
        "robust_score" => {
            let (past_ms, _) = parts.past?;
            // Its kind alone decides how many panes it may have.
            let most = Statistic::Median.most_panes();
            Statistic::RobustScore {
                past_ms,
                past_pane_ms: pane_ms(tick_ms, past_ms, most),
            }
        }
        "count" => Statistic::Count,
        "conflicts" => Statistic::Conflicts,
        "sum" => Statistic::Sum(parts.field.as_ref()?.0),
        _ => return None,
    })
}

/// What of the class a reader of that name gives.
fn of_class(name: &str) -> Option<OfClass> {
    match name {
        "class_score" => Some(OfClass::Score),
        "class_median" => Some(OfClass::Median),
        "class_spread" => Some(OfClass::Spread),
        _ => None,
    }
}

/// A share as millionths, where it is a whole number of them between none and all.
fn millionths(share: f64) -> Option<f64> {
    let scaled = (share * 1e6).round();
    let whole = (scaled / 1e6 - share).abs() < 1e-12;
    (whole && scaled > 0.0 && scaled < 1e6).then_some(scaled)
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
        UnitOf::TimesSecond => match (def.ucum.as_str(), def.ucum.strip_suffix("/s")) {
            ("1", _) => "s".to_owned(),
            (_, Some("")) => "1".to_owned(),
            (_, Some(code)) => code.to_owned(),
            (code, None) => format!("{code}.s"),
        },
        UnitOf::Seconds => "s".to_owned(),
        UnitOf::Count | UnitOf::Number => "1".to_owned(),
        UnitOf::Field => match (&def.kind, field) {
            (ChannelKind::Event { fields }, Some((idx, _))) => fields[*idx].1.clone(),
            _ => String::new(),
        },
        UnitOf::Flag | UnitOf::Statistic => String::new(),
    }
}

/// How many samples a window holds at the channel's own interval.
fn promised(window_ms: i64, interval_ms: i64) -> i64 {
    window_ms.div_euclid(interval_ms) + i64::from(window_ms.rem_euclid(interval_ms) > 0)
}

fn bounds(reader: &Reader, statistic: Statistic, def: &ChannelDef, cut: Cut) -> Bounds {
    let (low, high) = def.range;
    let seconds = |ms: i64| ms as f64 / 1_000.0;
    match (reader.unit, statistic) {
        (UnitOf::Channel, _) => Bounds::new((low, high), Bound::Range),
        (UnitOf::Difference, Statistic::Range | Statistic::MovingRange) => {
            Bounds::new((0.0, high - low), Bound::Range)
        }
        // The sample standard deviation of two values at the ends is their distance over root 2.
        (UnitOf::Difference, Statistic::StdDev) => Bounds::new(
            (0.0, (high - low) * std::f64::consts::FRAC_1_SQRT_2),
            Bound::Range,
        ),
        (_, Statistic::TrendP) => Bounds::new((0.0, 1.0), Bound::Probability),
        (_, Statistic::TrendS) => {
            let n = cut.window_ms / cut.pane_ms;
            let pairs = (n * (n - 1) / 2) as f64;
            Bounds::new((-pairs, pairs), Bound::Window)
        }
        (UnitOf::Seconds, _) => match def.kind {
            // Each sample counts for the interval, and more may come than were promised.
            ChannelKind::Sampled { interval_ms } => Bounds {
                promised: seconds(promised(cut.window_ms, interval_ms) * interval_ms),
                ..Bounds::new((0.0, f64::INFINITY), Bound::Kind)
            },
            _ => Bounds::new((0.0, seconds(cut.window_ms)), Bound::Window),
        },
        (UnitOf::Count, Statistic::Count) => {
            let most = match def.kind {
                ChannelKind::Sampled { interval_ms } => promised(cut.window_ms, interval_ms) as f64,
                _ => f64::INFINITY,
            };
            Bounds {
                promised: most,
                ..Bounds::new((0.0, f64::INFINITY), Bound::Kind)
            }
        }
        (_, Statistic::CusumHigh { target, slack }) if target + slack >= high => {
            Bounds::new((0.0, 0.0), Bound::Range)
        }
        (_, Statistic::CusumLow { target, slack }) if target - slack <= low => {
            Bounds::new((0.0, 0.0), Bound::Range)
        }
        (UnitOf::Count | UnitOf::Difference, _) | (_, Statistic::SlopeError) => {
            Bounds::new((0.0, f64::INFINITY), Bound::Kind)
        }
        _ => Bounds::new((f64::NEG_INFINITY, f64::INFINITY), Bound::Kind),
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
