//! Takes the arguments of one call apart.

use super::Planner;
use super::table::Arg::{
    self, Channel, Field, Limit, OptionalWindow, Past, Role, Share, Sigma, Slack, States, Target,
    Weight, Window,
};
use crate::about::{self, refuse_kind, span, text};
use crate::problem::{Place, one_of, suggestion};
use crate::syntax::{Kind, Node};
use crate::{Condition, conditions};
use wheeltap_model::{ChannelDef, ChannelKind, UnitState};

/// The share of promised samples that makes an input known, unless the rule asks for another.
pub(super) const HALF: f64 = 0.5;
/// The same where conditions hold only part of the window's time.
const TENTH: f64 = 0.1;

/// The arguments of one call, taken apart.
#[derive(Default)]
pub(super) struct Parts<'a> {
    pub(super) channel: Option<(&'a str, &'a ChannelDef)>,
    pub(super) window: Option<(i64, Place)>,
    pub(super) past: Option<(i64, Place)>,
    /// Limit, share, weight, target, sigma, slack, in the order of the arguments.
    pub(super) numbers: Vec<f64>,
    pub(super) field: Option<(usize, String)>,
}

/// The option map of an input, taken apart.
pub(super) struct Options<'n> {
    pub(super) rest: &'n [Node],
    pub(super) min_share: f64,
    pub(super) during: Vec<Condition>,
}

impl<'a> Planner<'a> {
    pub(super) fn states(&mut self, place: Place, args: &[Node]) -> Option<Vec<UnitState>> {
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

    /// Takes the trailing option map off.
    pub(super) fn options<'n>(&mut self, args: &'n [Node]) -> Option<Options<'n>> {
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

    pub(super) fn share(&mut self, value: &Node) -> Option<f64> {
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

    pub(super) fn argument<'n>(
        &mut self,
        wanted: Arg,
        arg: &'n Node,
        parts: &mut Parts<'n>,
    ) -> Option<()>
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
    pub(super) fn number(&mut self, wanted: Arg, arg: &Node) -> Option<f64> {
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
}

/// A share as millionths, where it is a whole number of them between none and all.
fn millionths(share: f64) -> Option<f64> {
    let scaled = (share * 1e6).round();
    let whole = (scaled / 1e6 - share).abs() < 1e-12;
    (whole && scaled > 0.0 && scaled < 1e6).then_some(scaled)
}
