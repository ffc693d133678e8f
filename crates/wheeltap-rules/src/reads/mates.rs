//! Plans what is asked of the unit's consist mates.

use super::bounds::{Bound, Bounds};
use super::table::{Arg, Fits, Reader, UnitOf};
use super::{Placed, Planner};
use crate::problem::{Place, suggestion};
use crate::syntax::{Kind, Node};
use crate::units::Measure;
use crate::{Input, MOST_MATES, OfMates, Read};

const ARGS: &[Arg] = &[Arg::Statistic, Arg::OfMates];

pub(super) static READERS: [Reader; 5] = [
    Reader {
        name: "mates_mean",
        args: ARGS,
        fits: Fits::All,
        unit: UnitOf::Statistic,
        what: "the mean of the mates' values of that statistic",
        example: "mates_mean(mean(\"engine.oil.temperature\", \"5 min\"))",
    },
    Reader {
        name: "mates_median",
        args: ARGS,
        fits: Fits::All,
        unit: UnitOf::Statistic,
        what: "their median",
        example: "mates_median(mean(\"engine.oil.temperature\", \"5 min\"), #{ same_class: true })",
    },
    Reader {
        name: "mates_min",
        args: ARGS,
        fits: Fits::All,
        unit: UnitOf::Statistic,
        what: "the least of them",
        example: "mates_min(mean(\"engine.oil.temperature\", \"5 min\"))",
    },
    Reader {
        name: "mates_max",
        args: ARGS,
        fits: Fits::All,
        unit: UnitOf::Statistic,
        what: "the greatest of them",
        example: "mates_max(count(\"wheel.slip\", \"2 min\"))",
    },
    Reader {
        name: "mates_count",
        args: ARGS,
        fits: Fits::All,
        unit: UnitOf::Count,
        what: "how many mates' values are known; 0 in a known train without any",
        example: "mates_count(mean(\"engine.oil.temperature\", \"5 min\"))",
    },
];

fn gives(name: &str) -> OfMates {
    match name {
        "mates_mean" => OfMates::Mean,
        "mates_median" => OfMates::Median,
        "mates_min" => OfMates::Min,
        "mates_max" => OfMates::Max,
        _ => OfMates::Count,
    }
}

impl Planner<'_> {
    /// Plans one of the five.
    pub(super) fn mates(
        &mut self,
        name: &str,
        place: Place,
        reader: &'static Reader,
        at: Place,
        args: &[Node],
    ) -> Option<Placed> {
        let (asked, options) = match args {
            [asked] => (asked, None),
            [asked, options] => (asked, Some(options)),
            _ => {
                self.refuse_count(reader, at, args.len());
                return None;
            }
        };
        if matches!(asked.kind, Kind::Text(_)) {
            self.findings.refuse(
                asked.place,
                format!("{}() of a channel", reader.name),
                "mates are asked for a statistic of a channel over a window",
                format!("write it like {}", reader.example),
            );
            return None;
        }
        let same_class = match options {
            Some(options) => self.same_class(options)?,
            None => false,
        };
        let (inner, inner_args) = self.reader(asked)?;
        if !is_statistic(inner) {
            self.findings.refuse(
                asked.place,
                format!("{}({}(..))", reader.name, inner.name),
                "mates are asked for a statistic of one of their channels over a window",
                format!("write it like {}", reader.example),
            );
            return None;
        }
        if self.about.about.as_ref().is_some_and(|about| about.safety) {
            self.findings.refuse(
                at,
                format!("{}() in a safety rule", reader.name),
                "what mates send is waited for, up to 10 min, and a safety rule must not wait",
                "leave it out, or make a rule of its own of it that is not safety",
            );
            return None;
        }
        let (window, inner_text, inner_ucum, inner_bounds) =
            self.window(inner, asked.place, inner_args)?;
        let gives = gives(reader.name);
        let class = if same_class { ", same class" } else { "" };
        let text = format!("{}({inner_text}{class})", reader.name);
        let (ucum, is_difference, bounds) = match gives {
            OfMates::Count => {
                let most = Bounds::new((0.0, MOST_MATES as f64), Bound::Kind);
                ("1".to_owned(), true, most)
            }
            _ => (inner_ucum, inner.unit != UnitOf::Channel, inner_bounds),
        };
        Some(Placed {
            measure: Measure::of(&ucum, is_difference),
            input: Input {
                name: name.to_owned(),
                read: Read::Mates {
                    window: Box::new(window),
                    gives,
                    same_class,
                },
                text,
                ucum,
            },
            place,
            bounds: bounds.range,
            bound_by: bounds.by,
            promised: bounds.promised,
        })
    }

    fn same_class(&mut self, options: &Node) -> Option<bool> {
        let mend = "write #{ same_class: true }, or leave it out; share and during belong to the \
                    statistic";
        let Kind::Map(entries) = &options.kind else {
            self.findings.refuse(
                options.place,
                "a second argument that is no map",
                "mates are asked for one statistic",
                mend,
            );
            return None;
        };
        let mut same_class = false;
        for (key, place, value) in entries {
            match (key.as_str(), &value.kind) {
                ("same_class", Kind::Flag(flag)) => same_class = *flag,
                ("same_class", _) => {
                    self.findings.refuse(
                        value.place,
                        "same_class is neither true nor false",
                        "it says whether mates of other classes are left out",
                        "write #{ same_class: true }",
                    );
                    return None;
                }
                _ => {
                    self.findings.refuse(
                        *place,
                        format!("no option {key}"),
                        "the option of mates is same_class",
                        suggestion(key, ["same_class"], || mend.to_owned()),
                    );
                    return None;
                }
            }
        }
        Some(same_class)
    }
}

/// Whether it is a statistic of one channel over a window.
fn is_statistic(reader: &Reader) -> bool {
    reader.args.first() == Some(&Arg::Channel)
        && !reader.args.contains(&Arg::Healthy)
        && !reader.name.starts_with("class_")
}
