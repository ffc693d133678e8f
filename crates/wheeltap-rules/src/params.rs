//! Reads the literal map that `params()` gives: numbers a rule is tuned by, with the range in which to
//! try them.

use crate::about::{self, literal_map, refuse_kind, span, text};
use crate::problem::{Findings, Place, arguments, suggestion};
use crate::reads::{Bound, MOST_INPUTS, MOST_NAME_BYTES, Placed, is_input_name};
use crate::syntax::{Function, Kind, Node};
use crate::units::Measure;
use crate::vet::version;
use crate::{Input, Read, Rule};
use std::fmt::Write;
use wheeltap_catalogue::Ucum;

/// Most values of one parameter.
const MOST_VALUES: usize = 101;
/// Bytes of a parameter's unit.
const MOST_UNIT_BYTES: usize = 64;
/// Most combinations of values that one sweep tries.
pub const MOST_VARIANTS: usize = 1_000;

/// One number that a rule is tuned by.
#[derive(Clone, Debug, PartialEq)]
pub struct Param {
    /// Its name, that of the input or the delay.
    pub name: String,
    /// What it sets.
    pub sets: Sets,
    /// What it is in this version; seconds for a delay.
    pub value: f64,
    /// Least value to try.
    pub from: f64,
    /// Greatest value to try.
    pub to: f64,
    /// From one value to the next, above 0.
    pub step: f64,
    /// UCUM code of the values.
    pub ucum: String,
}

/// What a parameter sets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sets {
    /// The input of this index in [`Rule::inputs`], a [`Read::Param`].
    Input(usize),
    /// How long the condition must hold.
    OnDelay,
    /// How long it must be clear.
    OffDelay,
}

impl Param {
    /// The values to try, ascending.
    pub fn values(&self) -> Vec<f64> {
        let mut values = Vec::new();
        for idx in 0..MOST_VALUES {
            // Steps such as 0.1 add up to what a person would write.
            let value = ((self.from + idx as f64 * self.step) * 1e9).round() / 1e9;
            if value > self.to + 1e-9 * self.step {
                break;
            }
            values.push(value);
        }
        values
    }
}

/// Why no grid was made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoGrid {
    /// The rule has no `params()`.
    #[error(
        "the rule has no params(): add fn params() {{ #{{ limit: param(18.0, \"K\", #{{ from: 12.0, to: 24.0, step: 1.0 }}) }} }} and read seen.limit"
    )]
    NoParams,
    /// A parameter of this name is not there.
    #[error("the rule has no parameter {name}; it has {}", .known.join(", "))]
    Unknown {
        /// As asked for.
        name: String,
        /// Those that are there.
        known: Vec<String>,
    },
    /// Too many combinations.
    #[error(
        "{n} combinations of values are more than {MOST_VARIANTS}: take wider steps, or fewer parameters at a time"
    )]
    TooMany {
        /// How many there would be.
        n: usize,
    },
}

impl Rule {
    /// Every combination of the values of the parameters named (of all, where none is), the last one
    /// changing fastest; the others keep theirs. One value a parameter, in their order; the values in
    /// force are always among them.
    ///
    /// # Errors
    /// [`NoGrid`].
    pub fn grid(&self, named: &[String]) -> Result<Vec<Vec<f64>>, NoGrid> {
        if self.params.is_empty() {
            return Err(NoGrid::NoParams);
        }
        let is_known = |name: &&String| self.params.iter().any(|param| param.name == **name);
        if let Some(name) = named.iter().find(|name| !is_known(name)) {
            return Err(NoGrid::Unknown {
                name: name.clone(),
                known: self.params.iter().map(|param| param.name.clone()).collect(),
            });
        }
        let tried: Vec<Vec<f64>> = self
            .params
            .iter()
            .map(|param| {
                if named.is_empty() || named.contains(&param.name) {
                    param.values()
                } else {
                    vec![param.value]
                }
            })
            .collect();
        let n = tried
            .iter()
            .fold(1_usize, |n, values| n.saturating_mul(values.len()));
        if n > MOST_VARIANTS {
            return Err(NoGrid::TooMany { n });
        }
        let mut grid = vec![Vec::new()];
        for values in &tried {
            grid = grid
                .iter()
                .flat_map(|row: &Vec<f64>| {
                    values.iter().map(move |value| {
                        let mut row = row.clone();
                        row.push(*value);
                        row
                    })
                })
                .collect();
        }
        let in_force: Vec<f64> = self.params.iter().map(|param| param.value).collect();
        if !grid.contains(&in_force) {
            grid.push(in_force);
        }
        Ok(grid)
    }

    /// The rule with other values, one a parameter in their order, under a version of its own.
    #[must_use]
    pub fn with_params(&self, values: &[f64]) -> Self {
        let mut rule = self.clone();
        let mut said = self.source.clone();
        for (param, &value) in rule.params.iter_mut().zip(values) {
            param.value = value;
            match param.sets {
                Sets::Input(idx) => {
                    if let Some(input) = rule.inputs.get_mut(idx) {
                        input.read = Read::Param(value);
                        input.text = told(value, &param.ucum);
                    }
                }
                Sets::OnDelay => rule.about.on_delay_ms = whole_ms(value),
                Sets::OffDelay => rule.about.off_delay_ms = whole_ms(value),
            }
            // Writing to a string does not fail.
            let _ = write!(said, "\n// {} = {value}", param.name);
        }
        rule.reference.version = version(&said);
        rule
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "a delay of some days is far from the ends of i64"
)]
fn whole_ms(seconds: f64) -> i64 {
    (seconds * 1_000.0).round() as i64
}

fn told(value: f64, ucum: &str) -> String {
    format!("param({value}, {ucum})")
}

/// The lines of the reference.
pub(crate) const REFERENCE: [&str; 12] = [
    "## params()",
    "",
    "A rule may name the numbers it is tuned by, so that `wheeltap rules sweep` can try others on history:",
    "",
    "| entry | what | example |",
    "|---|---|---|",
    "| `name: param(value, ucum, range)` | read in verdicts as `seen.name`, known always | `limit: param(18.0, \"K\", #{ from: 12.0, to: 24.0, step: 1.0 })` |",
    "| `on_delay: range` | tries other delays than `about()` says, multiples of the tick | `on_delay: #{ from: \"4 min\", to: \"20 min\", step: \"2 min\" }` |",
    "| `off_delay: range` | as above | `off_delay: #{ from: \"5 min\", to: \"15 min\", step: \"5 min\" }` |",
    "",
    "A range has `from`, `to` and `step`, and at most 101 values; a sweep tries at most 1,000 combinations.",
    "",
];

/// Reads the parameters; those that are inputs are added to `placed`, refused ones to `refused`.
pub(crate) fn read(
    function: &Function,
    about: &about::Read,
    (placed, refused): (&mut Vec<Placed>, &mut Vec<String>),
    findings: &mut Findings,
) -> Vec<Param> {
    let mut params = Vec::new();
    for (name, place, node) in literal_map(function, findings).unwrap_or_default() {
        let taken =
            placed.iter().any(|placed| placed.input.name == *name) || refused.contains(name);
        if taken {
            findings.refuse(
                *place,
                format!("params() and reads() both name {name}"),
                "both are read as seen.name",
                "rename one of them",
            );
            continue;
        }
        let sets = match name.as_str() {
            "on_delay" => Some((
                Sets::OnDelay,
                about.about.as_ref().map(|about| about.on_delay_ms),
            )),
            "off_delay" => Some((
                Sets::OffDelay,
                about.about.as_ref().map(|about| about.off_delay_ms),
            )),
            _ => None,
        };
        let made = match sets {
            Some((sets, delay_ms)) => delay(name, sets, delay_ms, about, node, findings),
            None => number(name, *place, node, placed, findings),
        };
        match made {
            Some(param) => params.push(param),
            None if sets.is_none() => refused.push(name.clone()),
            None => {}
        }
    }
    let n_params = params.len();
    if placed.len() > MOST_INPUTS && placed.len() - n_params <= MOST_INPUTS {
        findings.refuse(
            function.place,
            format!("{} inputs with {n_params} parameters", placed.len()),
            format!("a rule reads at most {MOST_INPUTS}, and a parameter counts as one"),
            "write numbers that are never tuned into the verdicts, or split the rule",
        );
    }
    params
}

fn number(
    name: &str,
    place: Place,
    node: &Node,
    placed: &mut Vec<Placed>,
    findings: &mut Findings,
) -> Option<Param> {
    const EXAMPLE: &str = "param(18.0, \"K\", #{ from: 12.0, to: 24.0, step: 1.0 })";
    if !is_input_name(name) {
        findings.refuse(
            place,
            format!("\"{name}\" is no name for a parameter"),
            "it is read as seen.name",
            format!(
                "use letters, digits and underscores, a letter first, at most {MOST_NAME_BYTES}"
            ),
        );
        return None;
    }
    let Kind::Call(called, args) = &node.kind else {
        refuse_kind(
            node,
            "a parameter",
            &format!("a call such as {EXAMPLE}"),
            findings,
        );
        return None;
    };
    let ([value, ucum, range], "param") = (args.as_slice(), called.as_str()) else {
        findings.refuse(
            node.place,
            format!("{called}() with {} is no parameter", arguments(args.len())),
            "it is param(value, ucum, range)",
            format!("write it like {EXAMPLE}"),
        );
        return None;
    };
    let given = finite(value, "the value", findings);
    let code = text(ucum, "the unit", findings)?;
    if code.len() > MOST_UNIT_BYTES {
        findings.refuse(
            ucum.place,
            format!("a unit of {} characters", code.len()),
            format!("every alert shows it, and a code has at most {MOST_UNIT_BYTES}"),
            "write a shorter code, such as \"K\", \"Cel\", \"kPa\" or \"1\"",
        );
        return None;
    }
    let unit = match Ucum::parse(code) {
        Ok(unit) => unit,
        Err(refusal) => {
            findings.refuse(
                ucum.place,
                format!("\"{code}\" is no UCUM unit"),
                refusal.why,
                "write a code such as \"K\", \"Cel\", \"kPa\" or \"1\"",
            );
            return None;
        }
    };
    let [from, to, step] = bounds(range, findings, |node, what, findings| {
        finite(node, what, findings)
    })?;
    let value_is = given?;
    let param = Param {
        name: name.to_owned(),
        sets: Sets::Input(placed.len()),
        value: value_is,
        from,
        to,
        step,
        ucum: code.to_owned(),
    };
    check_range(&param, range.place, value.place, findings)?;
    placed.push(Placed {
        input: Input {
            name: name.to_owned(),
            read: Read::Param(value_is),
            text: told(value_is, code),
            ucum: code.to_owned(),
        },
        place,
        bounds: (from.min(value_is), to.max(value_is)),
        bound_by: Bound::Kind,
        promised: f64::INFINITY,
        measure: Measure::of(code, !unit.is_special()),
    });
    Some(param)
}

fn delay(
    name: &str,
    sets: Sets,
    delay_ms: Option<i64>,
    about: &about::Read,
    node: &Node,
    findings: &mut Findings,
) -> Option<Param> {
    let tick_ms = about.tick_ms.unwrap_or(1_000);
    let [from, to, step] = bounds(node, findings, |node, what, findings| {
        let span_ms = span(node, what, findings)?;
        if span_ms % tick_ms != 0 {
            findings.refuse(
                node.place,
                format!("{what} is no multiple of the tick"),
                "the rule is judged at ticks only",
                format!("use multiples of {}", wheeltap_model::format_span(tick_ms)),
            );
            return None;
        }
        Some(span_ms as f64 / 1_000.0)
    })?;
    let param = Param {
        name: name.to_owned(),
        sets,
        // Unset only where about() was refused, and then so is the rule.
        value: delay_ms.unwrap_or_default() as f64 / 1_000.0,
        from,
        to,
        step,
        ucum: "s".to_owned(),
    };
    check_range(&param, node.place, node.place, findings)?;
    Some(param)
}

fn finite(node: &Node, what: &str, findings: &mut Findings) -> Option<f64> {
    match node.kind {
        Kind::Number { value, .. } if value.is_finite() => Some(value),
        _ => {
            refuse_kind(node, what, "a number", findings);
            None
        }
    }
}

/// `from`, `to` and `step` of a range.
fn bounds(
    range: &Node,
    findings: &mut Findings,
    mut read: impl FnMut(&Node, &str, &mut Findings) -> Option<f64>,
) -> Option<[f64; 3]> {
    let Kind::Map(entries) = &range.kind else {
        refuse_kind(range, "the range", "a map with from, to and step", findings);
        return None;
    };
    let keys = ["from", "to", "step"];
    for (key, place, _) in entries {
        if !keys.contains(&key.as_str()) {
            findings.refuse(
                *place,
                format!("a range has no {key}"),
                "it says which values are tried",
                suggestion(key, keys, || "give from, to and step".to_owned()),
            );
            return None;
        }
    }
    let mut found = [0.0; 3];
    for (slot, wanted) in found.iter_mut().zip(keys) {
        let Some((_, _, node)) = entries.iter().find(|(key, _, _)| key == wanted) else {
            findings.refuse(
                range.place,
                format!("the range has no {wanted}"),
                "it says which values are tried",
                "give from, to and step",
            );
            return None;
        };
        *slot = read(node, wanted, findings)?;
    }
    Some(found)
}

fn check_range(
    param: &Param,
    place: Place,
    value_place: Place,
    findings: &mut Findings,
) -> Option<()> {
    let Param {
        name,
        value,
        from,
        to,
        step,
        ..
    } = param;
    if *step <= 0.0 || to < from {
        findings.refuse(
            place,
            format!("the range of {name} holds no value"),
            "values go up from `from` by `step` to `to`",
            "make step greater than 0 and `to` not less than `from`",
        );
        return None;
    }
    if (to - from) / step > MOST_VALUES as f64 - 1.0 + 1e-9 {
        findings.refuse(
            place,
            format!("the range of {name} holds too many values"),
            format!("a sweep tries at most {MOST_VALUES} of one parameter"),
            "take wider steps",
        );
        return None;
    }
    if value < from || value > to {
        findings.refuse(
            value_place,
            format!("{name} is {value}, outside of its range"),
            "a sweep is read against the version that is in force",
            format!("let the range hold it: it goes from {from} to {to}"),
        );
        return None;
    }
    Some(())
}
