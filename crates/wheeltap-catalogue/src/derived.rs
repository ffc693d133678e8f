//! Derived channels: a formula of the trade, its input channels and the class's constants.

use crate::catalogue::{Catalogue, ChannelSays, channel_name};
use crate::doc::{Problems, Section, as_number, is_near};
use crate::ucum::{Conversion, Ucum};
use std::ops::Range;
use toml::Spanned;
use toml::de::DeValue;
use wheeltap_analysis::{Argument, Compute, FORMULAS, Formula};
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName, ClassDef, Resolution};

/// Most channels that one `[[derived]]` may number.
const MAX_COUNT: u32 = 64;

/// How a channel is computed. Its value stands at the times of good samples of the first channel
/// among the arguments; the others give their newest value within hold or silent time.
#[derive(Clone, Debug)]
pub struct DerivedDef {
    /// The formula; what it gives is in the channel's unit.
    pub formula: &'static Formula,
    /// One for each argument of the formula; at least the first channel is one.
    pub args: Vec<DerivedArg>,
    /// Its kind is that of the first channel.
    pub(crate) follows_kind: bool,
    /// Its silent time is that of the first channel.
    pub(crate) follows_silent: bool,
}

impl DerivedDef {
    /// The channels that it reads, in the order of the arguments; one may occur twice.
    pub fn inputs(&self) -> impl Iterator<Item = &ChannelName> {
        self.args.iter().filter_map(|arg| match arg {
            DerivedArg::Channel(name) => Some(name),
            DerivedArg::Number(_) | DerivedArg::Class { .. } => None,
        })
    }
}

/// What stands for one argument of a formula.
#[derive(Clone, Debug, PartialEq)]
pub enum DerivedArg {
    /// A channel; its values are converted to the argument's unit.
    Channel(ChannelName),
    /// A number in the argument's unit.
    Number(f64),
    /// What the unit's class says; the channel says nothing where the class does not.
    Class {
        /// Which of its figures.
        constant: ClassConstant,
        /// From its unit to the argument's.
        conversion: Conversion,
    },
}

/// A figure of a class.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ClassConstant {
    /// Weight on drivers, kg.
    WeightOnDrivers,
    /// Rated power, kW.
    RatedPower,
    /// Motor turns an axle turn.
    GearRatio,
    /// Wheel diameter, mm.
    WheelDiameter,
    /// Fuel tank, L.
    FuelCapacity,
    /// Sand boxes, kg.
    SandCapacity,
    /// Axles that a motor drives.
    PoweredAxles,
    /// One of its limits, taken to be in the argument's unit.
    Limit(String),
}

const CONSTANTS: [(&str, ClassConstant, &str); 7] = [
    ("weight_on_drivers", ClassConstant::WeightOnDrivers, "kg"),
    ("rated_power", ClassConstant::RatedPower, "kW"),
    ("gear_ratio", ClassConstant::GearRatio, "1"),
    ("wheel_diameter", ClassConstant::WheelDiameter, "mm"),
    ("fuel_capacity", ClassConstant::FuelCapacity, "L"),
    ("sand_capacity", ClassConstant::SandCapacity, "kg"),
    ("powered_axles", ClassConstant::PoweredAxles, "1"),
];

impl ClassConstant {
    /// The figure of this class; `None` where it says nothing.
    pub fn of(&self, class: &ClassDef) -> Option<f64> {
        match self {
            Self::WeightOnDrivers => class.weight_on_drivers_kg,
            Self::RatedPower => class.rated_power_kw,
            Self::GearRatio => class.gear_ratio,
            Self::WheelDiameter => class.wheel_diameter_mm,
            Self::FuelCapacity => class.fuel_capacity_l,
            Self::SandCapacity => class.sand_capacity_kg,
            Self::PoweredAxles => {
                let n = class.axles.iter().filter(|axle| axle.powered).count();
                (n > 0).then_some(n as f64)
            }
            Self::Limit(name) => {
                let mut limits = class.limits.iter();
                limits.find(|(own, _)| own == name).map(|(_, value)| *value)
            }
        }
    }
}

/// Reads one `[[derived]]`: the channels it describes, on top of `catalogue`.
pub(crate) fn read(
    section: &mut Section<'_, '_>,
    catalogue: &Catalogue,
    problems: &mut Problems<'_>,
) -> Vec<(ChannelDef, DerivedDef)> {
    let before = problems.len();
    let name = section.text("name", problems);
    let count = section.count("count", MAX_COUNT, problems);
    let formula = read_formula(section, problems);
    let of = section.table("of", "`of`", problems);
    if section.has("ucum") {
        problems.add(
            &section.span,
            "[[derived]] has no use for `ucum`",
            "remove it: the unit is that of the formula's result",
        );
    }
    let says = ChannelSays::read(section, "ucum", "interval", problems);
    section.missing("name", "\"traction.adhesion\"", problems);
    section.missing("of", "{ effort = \"traction.effort\" }", problems);
    section.missing("range", "[0, 1]", problems);
    section.refuse_unknown(problems);
    let (Some(name), Some(formula), Some(of)) = (name, formula, of) else {
        return Vec::new();
    };
    if name.value.contains("{n}") != count.is_some() {
        problems.add(
            &name.span,
            "a numbered channel needs both {n} in its name and `count`",
            "write name = \"traction.axle.{n}.creep\" and count = 6, or neither",
        );
    }
    if problems.len() > before {
        return Vec::new();
    }
    let mut found = Vec::new();
    for number in 1..=count.map_or(1, |count| count.value) {
        let number = number.to_string();
        let Some(name) = channel_name(&name.value.replace("{n}", &number), &name.span, problems)
        else {
            break;
        };
        let one = One {
            formula,
            number: &number,
            catalogue,
        };
        let Some(mut derived) = one.derived(&of, problems) else {
            break;
        };
        let Some(base) = one.base(&name, &derived, &section.span, problems) else {
            break;
        };
        let Some(mut def) = says.channel(&name, Some(&base), problems) else {
            break;
        };
        let (states_kind, states_silent) = says.states();
        (derived.follows_kind, derived.follows_silent) = (!states_kind, !states_silent);
        def.title = def.title.replace("{n}", &number);
        found.push((def, derived));
    }
    found
}

fn read_formula(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<&'static Formula> {
    section.missing("formula", "\"adhesion_used\"", problems);
    let name = section.text("formula", problems)?;
    let formula = wheeltap_analysis::find(name.value);
    let with_units = formula.filter(|formula| formula.args.iter().all(|arg| !arg.ucum.is_empty()));
    if with_units.is_none() {
        let usable = FORMULAS
            .iter()
            .filter(|formula| formula.args.iter().all(|arg| !arg.ucum.is_empty()));
        let mut names = usable.map(|formula| formula.name);
        let mend = match names.clone().find(|known| is_near(known, name.value)) {
            Some(near) => format!("write \"{near}\""),
            None => format!(
                "write one of {}",
                names.by_ref().collect::<Vec<_>>().join(", ")
            ),
        };
        problems.add(
            &name.span,
            match formula {
                Some(_) => format!("\"{}\" has no units of its own", name.value),
                None => format!("there is no formula \"{}\"", name.value),
            },
            mend,
        );
    }
    with_units
}

/// One channel of a numbered `[[derived]]`.
struct One<'a> {
    formula: &'static Formula,
    number: &'a str,
    catalogue: &'a Catalogue,
}

impl One<'_> {
    fn derived(&self, of: &Section<'_, '_>, problems: &mut Problems<'_>) -> Option<DerivedDef> {
        let before = problems.len();
        let wanted = || {
            let names = self.formula.args.iter().map(|arg| arg.name);
            names.collect::<Vec<_>>().join(", ")
        };
        for (key, span, _) in of.entries() {
            if !self.formula.args.iter().any(|arg| arg.name == key) {
                problems.add(
                    &span,
                    format!("{} has no argument `{key}`", self.formula.name),
                    format!("it takes {}", wanted()),
                );
            }
        }
        let mut args = Vec::with_capacity(self.formula.args.len());
        for (idx, arg) in self.formula.args.iter().enumerate() {
            let Some((_, _, value)) = of.entries().find(|(key, ..)| *key == arg.name) else {
                problems.add(
                    &of.span,
                    format!("`of` has no `{}`", arg.name),
                    format!("{} takes {}", self.formula.name, wanted()),
                );
                continue;
            };
            let arg = self.arg(arg, value).and_then(|found| {
                let is_channel = matches!(found, DerivedArg::Channel(_));
                let over = matches!(self.formula.compute, Compute::Over(..));
                match idx < self.formula.n_inputs() {
                    false if is_channel => Err((
                        format!("`{}` of {} is a setting", arg.name, self.formula.name),
                        format!("write an amount, such as \"60 {}\"", arg.ucum),
                    )),
                    true if over && !is_channel => Err((
                        format!(
                            "`{}` of {} is watched over time",
                            arg.name, self.formula.name
                        ),
                        "write the name of a channel".to_owned(),
                    )),
                    _ => Ok(found),
                }
            });
            match arg {
                Ok(arg) => args.push(arg),
                Err((what, mend)) => problems.add(&value.span(), what, mend),
            }
        }
        if problems.len() > before {
            return None;
        }
        let derived = DerivedDef {
            formula: self.formula,
            args,
            follows_kind: true,
            follows_silent: true,
        };
        if derived.inputs().next().is_none() {
            problems.add(
                &of.span,
                "no argument is a channel",
                "name a channel, at whose samples the value is computed",
            );
            return None;
        }
        Some(derived)
    }

    fn arg(
        &self,
        arg: &Argument,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<DerivedArg, (String, String)> {
        if let Some(number) = as_number(value.get_ref()) {
            return Ok(DerivedArg::Number(number));
        }
        let usual = || {
            format!(
                "write a channel's name, \"class.weight_on_drivers\" or an amount like \"60 {}\"",
                arg.ucum
            )
        };
        let text = value.get_ref().as_str().ok_or_else(|| {
            let found = value.get_ref().type_str();
            (format!("`{}` is of type {found}", arg.name), usual())
        })?;
        let target = unit(arg.ucum)?;
        let into = |from: &Ucum, what: &str| {
            from.conversion(&target).ok_or_else(|| {
                (
                    format!(
                        "{what} is in {}, and `{}` in {}",
                        from.code(),
                        arg.name,
                        arg.ucum
                    ),
                    format!("take something that converts to {}", arg.ucum),
                )
            })
        };
        if let Some(word) = text.strip_prefix("class.") {
            if let Some(limit) = word.strip_prefix("limits.") {
                return Ok(DerivedArg::Class {
                    constant: ClassConstant::Limit(limit.replace("{n}", self.number)),
                    conversion: Conversion::IDENTITY,
                });
            }
            let known = CONSTANTS.iter().find(|(name, ..)| *name == word);
            let Some((_, constant, code)) = known else {
                let names = CONSTANTS.map(|(name, ..)| name).join(", ");
                return Err((
                    format!("a class has no figure `{word}`"),
                    format!("write class.limits.NAME or one of {names}"),
                ));
            };
            return Ok(DerivedArg::Class {
                constant: constant.clone(),
                conversion: into(&unit(code)?, text)?,
            });
        }
        if text.contains(char::is_whitespace) {
            let (number, from) = Ucum::parse_quantity(text).map_err(|what| (what, usual()))?;
            return Ok(DerivedArg::Number(into(&from, text)?.apply(number)));
        }
        let name = ChannelName::new(&text.replace("{n}", self.number)).map_err(|refused| {
            (
                format!("\"{text}\" is no channel name"),
                refused.rule.to_owned(),
            )
        })?;
        let Some((_, def)) = self.catalogue.channel(&name) else {
            let mend = match self.catalogue.near(&name) {
                Some(near) => format!("write \"{near}\""),
                None => "describe it with [[channel]] above or in an earlier file".to_owned(),
            };
            return Err((format!("no catalogue has a channel {name}"), mend));
        };
        if matches!(def.kind, ChannelKind::Event { .. }) {
            return Err((
                format!("{name} is an event channel"),
                "take a sampled or held one".to_owned(),
            ));
        }
        // Only asked whether there is one: a later file may store the channel in another unit.
        into(&unit(&def.ucum)?, name.as_str())?;
        Ok(DerivedArg::Channel(name))
    }

    /// What the derived channel is where its table says nothing else.
    fn base(
        &self,
        name: &ChannelName,
        derived: &DerivedDef,
        span: &Range<usize>,
        problems: &mut Problems<'_>,
    ) -> Option<ChannelDef> {
        if self.reaches(derived, name) {
            problems.add(
                span,
                format!("{name} would be computed from itself"),
                "give it a name of its own",
            );
            return None;
        }
        let first = derived.inputs().next()?;
        let (_, first) = self.catalogue.channel(first)?;
        Some(ChannelDef {
            name: name.clone(),
            title: format!("{} by the formula {}", name, self.formula.name),
            kind: first.kind.clone(),
            ucum: self.formula.ucum.to_owned(),
            range: (0.0, 1.0),
            resolution: Resolution { num: 1, den: 1000 },
            silent_ms: first.silent_ms,
        })
    }

    /// Whether computing it needs the channel of this name.
    fn reaches(&self, derived: &DerivedDef, name: &ChannelName) -> bool {
        derived.inputs().any(|input| {
            input == name
                || self
                    .catalogue
                    .derived(input)
                    .is_some_and(|below| self.reaches(below, name))
        })
    }
}

fn unit(code: &str) -> Result<Ucum, (String, String)> {
    Ucum::parse(code).map_err(|refused| (refused.to_string(), refused.why))
}
