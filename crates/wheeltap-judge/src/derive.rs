//! Derived channels: computed from other channels of the same unit in order of event time.
//!
//! A derived value is a function of the data alone: of the good samples of its inputs in the last
//! [`Derivation::reach_ms`] before it, whatever their arrival. So a judge warmed from there goes on with the
//! same bits, and late data of any input is late for what is derived from it.

use crate::pending::Columns;
use std::sync::Arc;
use wheeltap_analysis::{Compute, Machine};
use wheeltap_catalogue::{Catalogue, Conversion, DerivedArg, DerivedDef, Ucum};
use wheeltap_model::{
    ChannelDef, ChannelId, ChannelKind, ClassDef, EventTime, Quality, Sample, Series,
};

/// How one derived channel is computed for units of one class.
#[derive(Clone, Debug)]
pub struct Derivation {
    def: Arc<DerivedDef>,
    /// One for each argument.
    args: Vec<Arg>,
    /// Channel and how long its value lasts (ms), in the order of the arguments.
    inputs: Vec<(ChannelId, Lasts)>,
    range: (f64, f64),
    reach_ms: i64,
}

#[derive(Clone, Copy, Debug)]
enum Arg {
    /// The input of this place.
    Input(usize, Conversion),
    Number(f64),
}

/// How long the newest value of an input stands, in milliseconds.
#[derive(Clone, Copy, Debug)]
enum Lasts {
    /// A held one to the next sample of any quality, at most so long.
    Hold(i64),
    /// A sampled one to the next good sample, at most so long.
    Silent(i64),
}

impl Derivation {
    /// Plans the channel `def` for a class; `None` where it cannot say anything: the class lacks a
    /// figure that is needed, or a later catalogue file has made an input something else.
    pub fn plan(
        def: &ChannelDef,
        derived: &Arc<DerivedDef>,
        class: Option<&ClassDef>,
        catalogue: &Catalogue,
    ) -> Option<Self> {
        let mut args = Vec::with_capacity(derived.args.len());
        let mut inputs = Vec::new();
        let mut reach_ms = 0;
        // Of the figures of which a value needs one.
        let mut has_any = false;
        for (arg, wanted) in derived.args.iter().zip(derived.formula.args) {
            args.push(match arg {
                DerivedArg::Number(number) => Arg::Number(*number),
                DerivedArg::Class {
                    constant,
                    conversion,
                } => match constant.of(class?) {
                    Some(figure) => {
                        has_any |= wanted.may_lack;
                        Arg::Number(conversion.apply(figure))
                    }
                    None if wanted.may_lack => Arg::Number(f64::NAN),
                    None => return None,
                },
                DerivedArg::Channel(name) => {
                    let (id, def) = catalogue.channel(name)?;
                    let lasts = match def.kind {
                        ChannelKind::Held { hold_ms } => Lasts::Hold(hold_ms),
                        ChannelKind::Sampled { .. } => Lasts::Silent(def.silent_ms),
                        ChannelKind::Event { .. } => return None,
                    };
                    let (Lasts::Hold(ms) | Lasts::Silent(ms)) = lasts;
                    reach_ms = reach_ms.max(ms);
                    let (from, to) = (Ucum::parse(&def.ucum).ok()?, Ucum::parse(wanted.ucum).ok()?);
                    inputs.push((id, lasts));
                    Arg::Input(inputs.len() - 1, from.conversion(&to)?)
                }
            });
        }
        if !has_any && derived.formula.args.iter().any(|wanted| wanted.may_lack) {
            return None;
        }
        let mut derivation = Self {
            def: Arc::clone(derived),
            args,
            inputs,
            range: def.range,
            reach_ms,
        };
        if let Some(machine) = derivation.machine() {
            derivation.reach_ms = derivation.reach_ms.saturating_add(machine.memory_ms());
        }
        (!derivation.inputs.is_empty()).then_some(derivation)
    }

    /// The channels it reads, in the order of the formula; a value stands at samples of the first.
    pub fn inputs(&self) -> impl Iterator<Item = ChannelId> + '_ {
        self.inputs.iter().map(|(id, _)| *id)
    }

    /// How far back of a value its inputs matter, in milliseconds.
    pub const fn reach_ms(&self) -> i64 {
        self.reach_ms
    }

    fn machine(&self) -> Option<Machine> {
        let Compute::Over(n_inputs, start) = self.def.formula.compute else {
            return None;
        };
        let settings = self.args.iter().skip(n_inputs).map(|arg| match arg {
            Arg::Number(number) => *number,
            Arg::Input(..) => f64::NAN,
        });
        Some(start(&settings.collect::<Vec<_>>()))
    }
}

/// What is remembered between two values of a derived channel.
#[derive(Clone, Debug)]
pub(crate) struct Deriver {
    /// Newest sample of each input.
    newest: Vec<Option<(i64, f64)>>,
    machine: Option<Machine>,
    values: Vec<f64>,
    /// How many samples of each input were taken in one run.
    n_taken: Vec<usize>,
}

impl Deriver {
    /// Starts before any data.
    pub fn new(derivation: &Derivation) -> Self {
        Self {
            newest: vec![None; derivation.inputs.len()],
            machine: derivation.machine(),
            values: Vec::with_capacity(derivation.args.len()),
            n_taken: vec![0; derivation.inputs.len()],
        }
    }

    /// Takes a stretch of every input, joined and in order of time; hands out the values in it.
    pub fn run(
        &mut self,
        derivation: &Derivation,
        inputs: &[Columns<'_>],
        mut found: impl FnMut(Sample),
    ) {
        let Some((first, others)) = inputs.split_first() else {
            return;
        };
        self.n_taken.fill(0);
        for sample in first.samples() {
            self.take_others(derivation, others, sample.time.unix_ms());
            if let Some(value) = self.at(derivation, sample) {
                found(value);
            }
        }
        self.take_others(derivation, others, i64::MAX);
    }

    fn take_others(&mut self, derivation: &Derivation, others: &[Columns<'_>], to_ms: i64) {
        for (place, other) in (1..).zip(others) {
            while let Some(sample) = other
                .get(self.n_taken[place])
                .filter(|sample| sample.time.unix_ms() <= to_ms)
            {
                self.take(derivation, place, sample);
                self.n_taken[place] += 1;
            }
        }
    }

    /// Takes a sample of an input but the first, joined and in order of time.
    fn take(&mut self, derivation: &Derivation, input: usize, sample: Sample) {
        let good = sample.quality == Quality::Good;
        match (&mut self.newest[input], derivation.inputs[input].1) {
            (newest, _) if good => *newest = Some((sample.time.unix_ms(), sample.value)),
            (newest, Lasts::Hold(_)) => *newest = None,
            (_, Lasts::Silent(_)) => {}
        }
    }

    /// The value at a sample of the first input, later than the one before; samples of the others up
    /// to and including its time were taken. Out of the channel's range it is bad.
    fn at(&mut self, derivation: &Derivation, sample: Sample) -> Option<Sample> {
        if sample.quality != Quality::Good {
            return None;
        }
        self.take(derivation, 0, sample);
        let time_ms = sample.time.unix_ms();
        self.values.clear();
        for arg in &derivation.args {
            let value = match *arg {
                Arg::Number(number) => Some(number),
                Arg::Input(input, conversion) => {
                    let (Lasts::Hold(ms) | Lasts::Silent(ms)) = derivation.inputs[input].1;
                    self.newest[input]
                        .filter(|(at, _)| time_ms - at <= ms)
                        .map(|(_, value)| conversion.apply(value))
                }
            };
            let Some(value) = value else {
                if let Some(machine) = &mut self.machine {
                    machine.interrupt();
                }
                return None;
            };
            self.values.push(value);
        }
        let formula = derivation.def.formula;
        let value = match &mut self.machine {
            Some(machine) => machine
                .step(time_ms, &self.values[..formula.n_inputs()])
                .filter(|value| value.is_finite()),
            None => formula.at(&self.values),
        }?;
        let (low, high) = derivation.range;
        Some(Sample {
            time: sample.time,
            value,
            quality: if (low..=high).contains(&value) {
                Quality::Good
            } else {
                Quality::Bad
            },
        })
    }
}

/// Computes a derived channel from stored samples, for reading: the values in `from` to `to`, both
/// inclusive. `read` gives the stored samples of a channel in such a range; inputs that are derived
/// themselves are computed. Empty for a channel that is not derived or cannot say anything.
///
/// # Errors
/// Those of `read`.
pub fn derive_series<E>(
    channel: &ChannelDef,
    class: Option<&ClassDef>,
    catalogue: &Catalogue,
    (from, to): (EventTime, EventTime),
    read: &mut impl FnMut(ChannelId, EventTime, EventTime) -> Result<Series, E>,
) -> Result<Series, E> {
    let derivation = catalogue
        .derived(&channel.name)
        .and_then(|derived| Derivation::plan(channel, derived, class, catalogue));
    let Some(derivation) = derivation else {
        return Ok(Series::default());
    };
    let warm_from = from.plus_ms(-derivation.reach_ms);
    let mut inputs = Vec::with_capacity(derivation.inputs.len());
    for id in derivation.inputs() {
        let def = catalogue.by_id(id);
        let series = match def.filter(|def| catalogue.derived(&def.name).is_some()) {
            Some(def) => derive_series(def, class, catalogue, (warm_from, to), read)?,
            None => read(id, warm_from, to)?,
        };
        inputs.push(series);
    }
    let mut deriver = Deriver::new(&derivation);
    let mut found = Vec::new();
    let columns: Vec<Columns<'_>> = inputs.iter().map(Columns::of).collect();
    deriver.run(&derivation, &columns, |value| {
        if value.time >= from {
            found.push(value);
        }
    });
    Ok(Series::from_samples(found))
}

#[cfg(test)]
mod tests {
    use super::*;
    use wheeltap_model::ChannelName;

    fn share_of_power(limits: &str) -> Option<Derivation> {
        let text = format!(
            "[[class]]\nname = \"Marten\"\naxles = 6\nrated_power = \"3000 kW\"\n[class.limits]\n{limits}"
        );
        let catalogue = Catalogue::with_files(&[("classes.toml".to_owned(), text)]).unwrap();
        let name = ChannelName::new("traction.power_of_class").unwrap();
        let (_, def) = catalogue.channel(&name).unwrap();
        let derived = catalogue.derived(&name).unwrap();
        Derivation::plan(def, derived, catalogue.classes().next(), &catalogue)
    }

    // Figures of notches that a class lacks leave those that it has.
    #[test]
    fn a_share_of_a_notch_needs_the_figure_of_that_notch_alone() {
        let some = share_of_power("power_notch_8_kw = 3000").unwrap();
        let share = |notch: f64| {
            let args = some.args.iter().map(|arg| match arg {
                Arg::Number(figure) => *figure,
                Arg::Input(0, _) => 1_500.0,
                Arg::Input(..) => notch,
            });
            let Compute::Many(compute) = some.def.formula.compute else {
                panic!("it takes figures of nine notches");
            };
            compute(&args.collect::<Vec<_>>())
        };
        assert!((share(8.0) - 0.5).abs() < 1e-12);
        assert!(share(7.0).is_nan());
        assert!(share_of_power("cylinders = 12").is_none());
    }
}
