//! Inputs that measure a unit by a stretch in which it was healthy.

use super::arguments::HALF;
use super::window::{difference_ucum, is_filled};
use super::{Arg, Bound, Fits, Placed, Planner, Reader, UnitOf};
use crate::about::{Entries, refuse_kind, span, text};
use crate::problem::{Place, arguments, one_of, suggestion};
use crate::syntax::{Kind, Node};
use crate::units::Measure;
use crate::{Against, Baseline, Healthy, Input, Read, Statistic, pane_ms};
use wheeltap_model::{ChannelDef, format_span};

/// Channels in one baseline of several.
const MOST_CHANNELS: usize = 32;
/// Share of the variance that the kept components hold, unless the rule asks for another.
const KEPT: f64 = 0.9;

const KEYS: [&str; 5] = ["channels", "window", "healthy", "variance", "share"];

/// What the entries of the map say.
#[derive(Default)]
struct Said<'n> {
    channels: Vec<(&'n str, Place)>,
    window: Option<(i64, Place)>,
    healthy: Option<(Healthy, Place)>,
    variance: Option<f64>,
    share: Option<f64>,
}

pub(super) static READERS: [Reader; 4] = [
    Reader {
        name: "usual",
        args: &[Arg::Channel, Arg::Window, Arg::Healthy],
        fits: Fits::Values,
        unit: UnitOf::Channel,
        what: "the mean, over a healthy stretch, of the window's means at each tick; unknown until \
               the stretch is over",
        example: "usual(\"engine.oil.temperature\", \"5 min\", first(\"8 h\"))",
    },
    Reader {
        name: "usual_stdev",
        args: &[Arg::Channel, Arg::Window, Arg::Healthy],
        fits: Fits::Values,
        unit: UnitOf::Difference,
        what: "the sample standard deviation (n - 1) of the same",
        example: "usual_stdev(\"engine.oil.temperature\", \"5 min\", first(\"8 h\"))",
    },
    Reader {
        name: "t_squared",
        args: &[Arg::Baseline],
        fits: Fits::Values,
        unit: UnitOf::Number,
        what: "Hotelling's T-squared: how far the window's means lie from those of the healthy \
               stretch along its principal components, each in units of its own variance",
        example: "t_squared(#{ channels: [\"engine.oil.temperature\", \
                  \"engine.coolant.temperature\"], window: \"5 min\", healthy: first(\"8 h\") })",
    },
    Reader {
        name: "q",
        args: &[Arg::Baseline],
        fits: Fits::Values,
        unit: UnitOf::Number,
        what: "the squared prediction error: how far they lie from every mixture of those \
               components, in standard deviations, squared",
        example: "q(#{ channels: [\"engine.oil.temperature\", \"engine.coolant.temperature\"], \
                  window: \"5 min\", healthy: days(\"2026-01-10\", \"2026-01-16\"), variance: 0.8 })",
    },
];

impl<'a> Planner<'a> {
    /// Plans a `t_squared(..)`, `q(..)`, `usual(..)` or `usual_stdev(..)`.
    pub(super) fn healthy(
        &mut self,
        name: &str,
        place: Place,
        reader: &'static Reader,
        at: Place,
        args: &[Node],
    ) -> Option<Placed> {
        let gives = match reader.name {
            "t_squared" => Against::TSquared,
            "q" => Against::SquaredError,
            "usual" => Against::Usual,
            _ => Against::UsualStdDev,
        };
        let said = if gives.is_of_one() {
            self.arguments(reader, at, args)?
        } else {
            self.entries(reader, at, args)?
        };
        let mut defs: Vec<&'a ChannelDef> = Vec::new();
        for (channel, place) in &said.channels {
            let def = self.channel(channel, *place);
            defs.extend(def.filter(|def| self.fits(reader, def, *place)));
        }
        if defs.len() < said.channels.len() {
            return None;
        }
        let (first, (window_ms, window_place)) = (*defs.first()?, said.window?);
        let tick_ms = self.about.tick_ms.unwrap_or(1_000);
        let most_panes = Statistic::Mean.most_panes();
        let fits = |ms: i64| is_filled(ms, tick_ms, most_panes);
        self.check_retention(window_ms, window_place, fits)?;
        for def in &defs {
            self.check_window((window_ms, most_panes), tick_ms, def, window_place)?;
        }
        let (healthy, healthy_place) = said.healthy?;
        self.check_rows(healthy, window_ms, tick_ms, defs.len(), healthy_place)?;
        let channels: Vec<String> = said.channels.iter().map(|(c, _)| (*c).to_owned()).collect();
        let keeps_all = said.variance.is_some_and(|share| share >= 1.0);
        if keeps_all && matches!(gives, Against::SquaredError) {
            self.findings.warn(
                at,
                "q() that keeps all components",
                "with all of them kept nothing is left over, so it is 0 at every tick",
                "give a variance under 1, such as 0.9, or leave it out",
            );
        }
        let text = format!(
            "{}({}, {}, healthy {healthy})",
            reader.name,
            channels.join(", "),
            format_span(window_ms)
        );
        let (ucum, bounds) = match gives {
            Against::Usual => (first.ucum.clone(), first.range),
            Against::UsualStdDev => (
                difference_ucum(&first.ucum).to_owned(),
                (
                    0.0,
                    (first.range.1 - first.range.0) * std::f64::consts::FRAC_1_SQRT_2,
                ),
            ),
            Against::TSquared | Against::SquaredError => ("1".to_owned(), (0.0, f64::INFINITY)),
        };
        Some(Placed {
            measure: Measure::of(&ucum, gives != Against::Usual),
            input: Input {
                name: name.to_owned(),
                read: Read::Healthy {
                    baseline: Baseline {
                        channels,
                        window_ms,
                        pane_ms: pane_ms(tick_ms, window_ms, most_panes),
                        min_share: said.share.unwrap_or(HALF),
                        healthy,
                        variance: said.variance.unwrap_or(KEPT),
                    },
                    gives,
                },
                text,
                ucum,
            },
            place,
            bounds,
            bound_by: match gives {
                Against::TSquared | Against::SquaredError => Bound::Kind,
                Against::Usual | Against::UsualStdDev => Bound::Range,
            },
            promised: f64::INFINITY,
        })
    }

    /// `(channel, window, healthy)` and perhaps `#{ share: .. }`.
    fn arguments<'n>(&mut self, reader: &Reader, at: Place, args: &'n [Node]) -> Option<Said<'n>> {
        let mut said = Said::default();
        let args = match args {
            [
                args @ ..,
                Node {
                    kind: Kind::Map(entries),
                    ..
                },
            ] => {
                self.keys(entries, &["share"], at, &mut said)?;
                args
            }
            _ => args,
        };
        let [channel, window, healthy] = args else {
            self.refuse_count(reader, at, args.len());
            return None;
        };
        let name = text(channel, "the channel", self.findings);
        said.window = span(window, "the window", self.findings).map(|ms| (ms, window.place));
        said.healthy = self.stretch(healthy).map(|found| (found, healthy.place));
        said.channels.push((name?, channel.place));
        Some(said)
    }

    /// One map with everything.
    fn entries<'n>(&mut self, reader: &Reader, at: Place, args: &'n [Node]) -> Option<Said<'n>> {
        let [
            Node {
                kind: Kind::Map(entries),
                place,
            },
        ] = args
        else {
            self.findings.refuse(
                at,
                format!("{}() without its one map", reader.name),
                "it says which channels, over which window, and when the unit was healthy",
                format!("write it like {}", reader.example),
            );
            return None;
        };
        let mut said = Said::default();
        self.keys(entries, &KEYS, *place, &mut said)?;
        let missing = [
            ("channels", said.channels.is_empty()),
            ("window", said.window.is_none()),
            ("healthy", said.healthy.is_none()),
        ];
        let mut whole = true;
        for (key, _) in missing.into_iter().filter(|(_, missing)| *missing) {
            whole = false;
            self.findings.refuse(
                *place,
                format!("{}() does not say {key}", reader.name),
                "nothing of it is guessed",
                format!("write it like {}", reader.example),
            );
        }
        whole.then_some(said)
    }

    fn keys<'n>(
        &mut self,
        entries: Entries<'n>,
        known: &[&'static str],
        _at: Place,
        said: &mut Said<'n>,
    ) -> Option<()> {
        let mut whole = true;
        for (key, place, value) in entries {
            let found = match key.as_str() {
                "share" => {
                    said.share = self.part(value, key);
                    said.share.is_some()
                }
                _ if !known.contains(&key.as_str()) => {
                    let names = || known.iter().copied();
                    self.findings.refuse(
                        *place,
                        format!("no option {key}"),
                        "what is not understood would be left out in silence",
                        suggestion(key, names(), || format!("use {}", one_of(names()))),
                    );
                    false
                }
                "channels" => {
                    let channels = self.names(value);
                    said.channels = channels.unwrap_or_default();
                    !said.channels.is_empty()
                }
                "window" => {
                    said.window =
                        span(value, "the window", self.findings).map(|ms| (ms, value.place));
                    said.window.is_some()
                }
                "healthy" => {
                    said.healthy = self.stretch(value).map(|found| (found, value.place));
                    said.healthy.is_some()
                }
                _ => {
                    said.variance = self.part(value, key);
                    said.variance.is_some()
                }
            };
            whole &= found;
        }
        whole.then_some(())
    }

    /// A share above 0 and up to 1.
    fn part(&mut self, value: &Node, key: &str) -> Option<f64> {
        match value.kind {
            Kind::Number { value, .. } if value > 0.0 && value <= 1.0 => Some(value),
            _ => {
                self.findings.refuse(
                    value.place,
                    format!("{key} is no part of a whole"),
                    if key == "share" {
                        "it is the share of the promised samples that must be there"
                    } else {
                        "it is the share of the variance that the kept components hold"
                    },
                    "write a number above 0 and up to 1, such as 0.8",
                );
                None
            }
        }
    }

    fn names<'n>(&mut self, value: &'n Node) -> Option<Vec<(&'n str, Place)>> {
        let Kind::List(items) = &value.kind else {
            refuse_kind(
                value,
                "channels",
                "a list of channels such as [\"a\", \"b\"]",
                self.findings,
            );
            return None;
        };
        let mut names: Vec<(&str, Place)> = Vec::new();
        let mut whole = true;
        for item in items {
            let Some(name) = text(item, "a channel", self.findings) else {
                whole = false;
                continue;
            };
            if names.iter().any(|(known, _)| *known == name) {
                whole = false;
                self.findings.refuse(
                    item.place,
                    format!("{name} is named twice"),
                    "a channel and itself always agree, which leaves a component with no variance",
                    "name it once",
                );
            }
            names.push((name, item.place));
        }
        if !(2..=MOST_CHANNELS).contains(&items.len()) {
            whole = false;
            self.findings.refuse(
                value.place,
                format!("{} channels", items.len()),
                format!("principal components are of 2 to {MOST_CHANNELS} channels together"),
                "for one channel compare its mean with usual(..)",
            );
        }
        whole.then_some(names)
    }

    /// `first("400 s")` or `days("2026-01-10", "2026-01-16")`.
    fn stretch(&mut self, node: &Node) -> Option<Healthy> {
        let wanted = "first(\"400 s\") or days(\"2026-01-10\", \"2026-01-16\")";
        let Kind::Call(name, args) = &node.kind else {
            refuse_kind(node, "the healthy stretch", wanted, self.findings);
            return None;
        };
        match (name.as_str(), args.as_slice()) {
            ("first", [length]) => {
                let span_ms = span(length, "the healthy stretch", self.findings)?;
                Some(Healthy::First { span_ms })
            }
            ("days", [from, to]) => {
                let (first, last) = (self.day(from), self.day(to));
                let (first_ms, last_ms) = (first?, last?);
                if last_ms < first_ms {
                    self.findings.refuse(
                        to.place,
                        "the last healthy day is before the first",
                        "both days are part of the stretch, and so is all between",
                        "write the earlier day first",
                    );
                    return None;
                }
                Some(Healthy::Days {
                    from_ms: first_ms,
                    to_ms: last_ms + super::window::DAY_MS,
                })
            }
            _ => {
                self.findings.refuse(
                    node.place,
                    format!("{name}() with {}", arguments(args.len())),
                    "the healthy stretch is named by its length from the first sample on, or by days",
                    format!("write {wanted}"),
                );
                None
            }
        }
    }

    /// The Unix milliseconds at which a day begins in UTC.
    fn day(&mut self, node: &Node) -> Option<i64> {
        let said = text(node, "the day", self.findings)?;
        let parsed = said.parse::<jiff::civil::Date>().ok();
        let start = parsed.and_then(|date| {
            let midnight = date.to_datetime(jiff::civil::Time::midnight());
            jiff::tz::Offset::UTC.to_timestamp(midnight).ok()
        });
        if start.is_none() {
            self.findings.refuse(
                node.place,
                format!("\"{said}\" is no day"),
                "days are dates in UTC",
                "write it like \"2026-01-31\"",
            );
        }
        start.map(jiff::Timestamp::as_millisecond)
    }

    /// A stretch too short for its channels would fit noise.
    fn check_rows(
        &mut self,
        healthy: Healthy,
        window_ms: i64,
        tick_ms: i64,
        n_channels: usize,
        place: Place,
    ) -> Option<()> {
        let n_ticks = (healthy.span_ms() - window_ms).div_euclid(tick_ms) + 1;
        let needed = Baseline::least_rows(n_channels);
        if u64::try_from(n_ticks).is_ok_and(|n_ticks| n_ticks >= needed) {
            return Some(());
        }
        let least = i64::try_from(needed).unwrap_or(i64::MAX);
        let least = (least - 1)
            .saturating_mul(tick_ms)
            .saturating_add(window_ms);
        self.findings.refuse(
            place,
            format!("a healthy stretch of {}", format_span(healthy.span_ms())),
            format!(
                "with windows of {} and ticks of {} it gives fewer than the {needed} rows that this \
                 many channels need",
                format_span(window_ms),
                format_span(tick_ms)
            ),
            format!("name a stretch of at least {}", format_span(least)),
        );
        None
    }
}
