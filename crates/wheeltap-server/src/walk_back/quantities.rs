//! The work and the weather that explain what a unit sends, and the quantities that are compared.

use super::panes::{Column, Table, UnitPanes};
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;
use wheeltap_analysis::{Compute, Peers, Quantity};
use wheeltap_catalogue::{DerivedArg, DerivedDef, Ucum};
use wheeltap_model::{ChannelDef, ChannelId, ChannelKind, ClassDef};

const HOUR_MS: i64 = 3_600_000;

/// What work and weather are, as far as they are asked of a unit and not its answer to it: channel,
/// the values whose share of a pane is the feature.
const SHARES: [(&str, f64, f64); 17] = [
    ("engine.running", 0.5, 1.0),
    ("engine.notch", 0.5, 1.5),
    ("engine.notch", 1.5, 2.5),
    ("engine.notch", 2.5, 3.5),
    ("engine.notch", 3.5, 4.5),
    ("engine.notch", 4.5, 5.5),
    ("engine.notch", 5.5, 6.5),
    ("engine.notch", 6.5, 7.5),
    ("engine.notch", 7.5, 8.0),
    ("engine.dynamic_brake", 0.5, 8.0),
    ("unit.lead", 0.5, 1.0),
    ("unit.isolated", 0.5, 1.0),
    ("unit.tunnel", 0.5, 1.0),
    ("brake.handle", 0.5, 6.0),
    ("brake.independent", 1.0, 100.0),
    ("brake.feed_cut_out", 0.5, 1.0),
    ("traction.derated", 0.5, 1.0),
];
/// Channels whose mean is a feature.
const MEANS: [&str; 2] = ["unit.speed", "ambient.temperature"];
/// Heat remembers the load for so long: features are the notch, smoothed so.
const MEMORIES_MS: [i64; 2] = [HOUR_MS / 2, 2 * HOUR_MS];

/// What is asked of a unit, and where it is: its value says nothing of how the unit is. A name ends
/// with a dot where all below it are meant.
const ASKED: [&str; 14] = [
    "engine.notch",
    "engine.dynamic_brake",
    "engine.running",
    "engine.hours",
    "unit.lead",
    "unit.direction",
    "unit.isolated",
    "unit.tunnel",
    "unit.odometer",
    "brake.handle",
    "brake.independent",
    "brake.feed_cut_out",
    "place.",
    "ambient.",
];

/// Units on which a pane's like must be seen.
const LEAST_ALIKE: usize = 5;
/// The conditions that say what is asked: all but the last two, which the unit answers with.
const ASKED_CONDITIONS: u32 = (1 << (CONDITIONS.len() - 2)) - 1;

fn is_under(name: &str, word: &str) -> bool {
    name == word || (word.ends_with('.') && name.starts_with(word))
}

/// Whether the engine turns.
pub const RUNNING: &str = "engine.running";
/// Whether the unit is cut off from the train's work.
pub const ISOLATED: &str = "unit.isolated";
/// Its place in [`CONDITIONS`]: at any time.
pub const AT_ANY_TIME: usize = 0;
/// Likewise: the engine runs.
pub const ENGINE_RUNNING: usize = 1;
/// Likewise: the engine stands still.
pub const ENGINE_STOPPED: usize = 2;

/// In what condition panes are compared, with the rule language's words for it.
pub struct Condition {
    /// For people.
    pub words: &'static str,
    /// As `during` in a rule; empty for all the time.
    pub during: &'static str,
    channel: &'static str,
    /// Mean of the pane from here ...
    low: f64,
    /// ... to here.
    high: f64,
}

const fn condition(
    words: &'static str,
    during: &'static str,
    channel: &'static str,
    low: f64,
    high: f64,
) -> Condition {
    Condition {
        words,
        during,
        channel,
        low,
        high,
    }
}

/// All conditions; a channel that says nothing leaves its own out.
pub const CONDITIONS: [Condition; 10] = [
    condition("at any time", "", "", 0.0, 0.0),
    condition(
        "engine running",
        "at_least(\"engine.running\", 1)",
        "engine.running",
        0.9,
        1.0,
    ),
    condition(
        "engine stopped",
        "at_most(\"engine.running\", 0)",
        "engine.running",
        0.0,
        0.1,
    ),
    condition(
        "notch 6 or more",
        "at_least(\"engine.notch\", 6)",
        "engine.notch",
        5.5,
        8.0,
    ),
    condition(
        "notch 1 to 5",
        "between(\"engine.notch\", 1, 5)",
        "engine.notch",
        0.9,
        5.5,
    ),
    condition(
        "at idle",
        "at_most(\"engine.notch\", 0)",
        "engine.notch",
        0.0,
        0.1,
    ),
    condition(
        "in dynamic brake",
        "at_least(\"engine.dynamic_brake\", 1)",
        "engine.dynamic_brake",
        1.0,
        8.0,
    ),
    condition(
        "above 10 km/h",
        "above(\"unit.speed\", 10)",
        "unit.speed",
        10.0,
        1e9,
    ),
    condition(
        "sand asked for",
        "at_least(\"sand.command\", 1)",
        "sand.command",
        0.3,
        1.0,
    ),
    condition(
        "fans asked for",
        "above(\"engine.fan.command\", 0)",
        "engine.fan.command",
        20.0,
        100.0,
    ),
];

/// Features and conditions of all units, and which features come of which channel.
#[derive(Clone, Debug)]
pub struct Work {
    /// For the analysis.
    pub peers: Peers,
    /// Conditions as `peers` has them, with the panes that the comparison leaves out.
    pub all_conditions: Vec<Vec<u32>>,
    /// Channel of each feature; a smoothed one has that of what is smoothed.
    sources: Vec<&'static str>,
}

/// What work was asked of the units, in what weather. `mates` are places of units.
pub fn work(table: &Table<'_>, mates: Vec<usize>, until: usize, lengths_ms: &[i64]) -> Work {
    let grid = table.grid;
    let mut sources: Vec<&'static str> = SHARES.iter().map(|(channel, ..)| *channel).collect();
    sources.extend(MEANS);
    sources.extend(MEMORIES_MS.map(|_| "engine.notch"));
    // Pull falls with speed.
    sources.extend(["engine.notch", "unit.speed"]);
    let n_features = sources.len();
    let (mut features, mut all_conditions) = (Vec::new(), Vec::new());
    for unit in 0..table.units.len() {
        let mut columns: Vec<Vec<f64>> = SHARES
            .iter()
            .map(|(name, low, high)| table.share(unit, name, (*low, *high)))
            .collect();
        columns.extend(MEANS.map(|name| table.mean(unit, name)));
        let notch = table.mean(unit, "engine.notch");
        columns.extend(
            MEMORIES_MS.map(|memory_ms| smoothed(&notch, grid.pane_ms as f64 / memory_ms as f64)),
        );
        let speed = table.mean(unit, "unit.speed");
        let both = || notch.iter().zip(&speed);
        columns.push(
            both()
                .map(|(notch, speed)| notch / (speed + 12.0))
                .collect(),
        );
        columns.push(both().map(|(notch, speed)| notch * speed).collect());
        features.push(
            (0..grid.n_panes)
                .flat_map(|pane| columns.iter().map(move |column| column[pane]))
                .collect(),
        );
        all_conditions.push(in_conditions(table, unit));
    }
    let mut conditions = all_conditions.clone();
    leave_isolated(table, &mut conditions);
    leave_rare(&mut conditions);
    Work {
        peers: Peers {
            n_panes: grid.n_panes,
            n_features,
            features,
            n_conditions: CONDITIONS.len(),
            conditions,
            mates,
            until,
            lengths: lengths_ms.iter().map(|length| grid.n_of(*length)).collect(),
            n_today: grid.n_of(24 * HOUR_MS),
        },
        all_conditions,
        sources,
    }
}

/// For each pane a bit for each condition that it belongs to.
fn in_conditions(table: &Table<'_>, unit: usize) -> Vec<u32> {
    let mut bits = vec![0_u32; table.grid.n_panes];
    for (place, condition) in CONDITIONS.iter().enumerate() {
        let mean = match condition.channel {
            "" => vec![0.0; table.grid.n_panes],
            name => table.mean(unit, name),
        };
        for (bits, mean) in bits.iter_mut().zip(&mean) {
            if (condition.low..=condition.high).contains(mean) {
                *bits |= 1 << place;
            }
        }
    }
    bits
}

/// Takes panes out of every condition in which a unit was cut off from the train's work: it is like
/// no other then.
fn leave_isolated(table: &Table<'_>, conditions: &mut [Vec<u32>]) {
    for (unit, bits) in conditions.iter_mut().enumerate() {
        for (bits, isolated) in bits.iter_mut().zip(table.mean(unit, ISOLATED)) {
            if isolated > 0.0 {
                *bits = 0;
            }
        }
    }
}

/// Takes panes out of every condition whose like is seen on too few units, such as an engine that is
/// stopped in a train that moves: nothing says what is usual there.
fn leave_rare(conditions: &mut [Vec<u32>]) {
    if conditions.len() <= LEAST_ALIKE {
        return;
    }
    let mut seen: HashMap<u32, BTreeSet<usize>> = HashMap::new();
    for (unit, panes) in conditions.iter().enumerate() {
        for bits in panes {
            seen.entry(bits & ASKED_CONDITIONS)
                .or_default()
                .insert(unit);
        }
    }
    for bits in conditions.iter_mut().flatten() {
        if seen[&(*bits & ASKED_CONDITIONS)].len() < LEAST_ALIKE {
            *bits = 0;
        }
    }
}

impl Work {
    /// Features that are made of a channel.
    fn made_of(&self, channel: &str) -> Vec<usize> {
        let places = self.sources.iter().enumerate();
        places
            .filter(|(_, source)| **source == channel)
            .map(|(place, _)| place)
            .collect()
    }
}

/// Exponentially smoothed, standing still where nothing is known.
fn smoothed(values: &[f64], share: f64) -> Vec<f64> {
    let mut level = f64::NAN;
    values
        .iter()
        .map(|value| {
            if level.is_nan() {
                level = *value;
            } else if value.is_finite() {
                level += share.min(1.0) * (value - level);
            }
            level
        })
        .collect()
}

/// What of a channel is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aspect {
    /// Its mean.
    Level,
    /// How much it moves within a pane.
    Swing,
    /// How fast its mean goes up or down, an hour.
    Rate,
    /// How much of what it promises is heard.
    Heard,
    /// How many events there are in a pane.
    Events,
}

/// A quantity with what it is.
pub struct Named {
    /// Its channel.
    pub def: ChannelDef,
    /// What of it.
    pub aspect: Aspect,
    /// The numbers.
    pub quantity: Quantity,
}

/// Everything to compare of one channel; nothing where the unit in question sent none of it.
/// `silent` says of each unit in which panes nothing at all came from it.
pub fn quantities(
    table: &Table<'_>,
    work: &Work,
    silent: &[Vec<bool>],
    (id, def): (ChannelId, &ChannelDef),
    class: Option<&ClassDef>,
) -> Vec<Named> {
    let channel = Channel {
        id,
        def,
        step: f64::from(def.resolution.num) / f64::from(def.resolution.den),
        without: work.made_of(def.name.as_str()),
    };
    if matches!(def.kind, ChannelKind::Event { .. }) {
        return channel.events(table, silent);
    }
    if let Some(derived) = table.catalogue.derived(&def.name) {
        let units = 0..table.units.len();
        let all: Vec<Vec<f64>> = units
            .map(|unit| derived_means(table, unit, derived, class))
            .collect();
        return if all[0].iter().any(|value| value.is_finite()) {
            vec![channel.named(Aspect::Level, all, channel.step)]
        } else {
            Vec::new()
        };
    }
    channel.columns(table, silent)
}

/// One channel whose quantities are made.
struct Channel<'a> {
    id: ChannelId,
    def: &'a ChannelDef,
    /// Its resolution.
    step: f64,
    without: Vec<usize>,
}

impl Channel<'_> {
    fn named(&self, aspect: Aspect, values: Vec<Vec<f64>>, step: f64) -> Named {
        Named {
            def: self.def.clone(),
            aspect,
            quantity: Quantity {
                values,
                step,
                without: self.without.clone(),
                weights: match aspect {
                    Aspect::Level | Aspect::Rate => (1.0, 1.0),
                    // To stand still is a sensor's failure; to move more is mostly the day's work.
                    Aspect::Swing | Aspect::Heard => (1.0, 0.4),
                    Aspect::Events => (0.4, 1.0),
                },
                relates: matches!(aspect, Aspect::Level | Aspect::Rate),
                sensor: usize::try_from(self.id.0).unwrap_or(usize::MAX),
            },
        }
    }

    fn events(&self, table: &Table<'_>, silent: &[Vec<bool>]) -> Vec<Named> {
        let of = |unit: &UnitPanes| unit.events.get(&self.id).cloned();
        let counts: Vec<Option<Vec<f64>>> = table.units.iter().map(of).collect();
        if counts.iter().all(Option::is_none) {
            return Vec::new();
        }
        let counts = counts.into_iter().zip(silent).map(|(counts, silent)| {
            let counts = counts.unwrap_or_else(|| vec![0.0; table.grid.n_panes]);
            unless(counts, silent)
        });
        vec![self.named(Aspect::Events, counts.collect(), 0.2)]
    }

    fn columns(&self, table: &Table<'_>, silent: &[Vec<bool>]) -> Vec<Named> {
        if table.column(0, self.id).is_none() {
            return Vec::new();
        }
        let n_panes = table.grid.n_panes;
        let of = |take: &dyn Fn(&Column) -> Vec<f64>| -> Vec<Vec<f64>> {
            let columns = (0..table.units.len()).map(|unit| table.column(unit, self.id));
            columns
                .map(|column| column.map_or_else(|| vec![f64::NAN; n_panes], take))
                .collect()
        };
        // While the whole unit is silent, no channel is.
        let heard = of(&|column| column.heard.clone());
        let heard = heard.into_iter().zip(silent);
        let heard = heard.map(|(heard, silent)| unless(heard, silent));
        let mut found = vec![self.named(Aspect::Heard, heard.collect(), 0.02)];
        let name = self.def.name.as_str();
        if ASKED.iter().any(|asked| is_under(name, asked)) {
            return found;
        }
        let mean = of(&|column| column.mean.clone());
        found.push(self.named(Aspect::Level, mean, self.step));
        if matches!(self.def.kind, ChannelKind::Sampled { .. }) {
            // The root, so that a great swing at one change of load does not hide that all else
            // stands still.
            let root = |column: &Column| {
                let swings = column.swing.iter();
                swings.map(|swing| (swing / self.step).sqrt()).collect()
            };
            found.push(self.named(Aspect::Swing, of(&root), 0.1));
            if name.rsplit('.').next() == Some("level") {
                let an_hour = HOUR_MS as f64 / table.grid.pane_ms as f64;
                let rate = |column: &Column| rate(&column.mean, an_hour);
                found.push(self.named(Aspect::Rate, of(&rate), self.step));
            }
        }
        found
    }
}

/// How fast means go up or down: half of what lies between the pane before and the one after, so that
/// it is of the pane's own time.
fn rate(mean: &[f64], an_hour: f64) -> Vec<f64> {
    let mut rate = vec![f64::NAN; mean.len()];
    for (around, rate) in mean.windows(3).zip(rate.iter_mut().skip(1)) {
        *rate = (around[2] - around[0]) / 2.0 * an_hour;
    }
    rate
}

/// Values that are not known where something holds.
fn unless(mut values: Vec<f64>, holds: &[bool]) -> Vec<f64> {
    for (value, holds) in values.iter_mut().zip(holds) {
        if *holds {
            *value = f64::NAN;
        }
    }
    values
}

/// Whether the formula of means is the mean of the formula: no products, no quotients of what varies.
fn is_affine(derived: &DerivedDef) -> bool {
    if matches!(derived.formula.compute, Compute::Over(..)) {
        return false;
    }
    let at = |point: [f64; 3]| {
        let mut channels = 0;
        let values: Vec<f64> = derived
            .args
            .iter()
            .map(|arg| match arg {
                DerivedArg::Number(number) => *number,
                DerivedArg::Class { .. } => 1.0,
                DerivedArg::Channel(_) => {
                    channels += 1;
                    point[channels % point.len()]
                }
            })
            .collect();
        derived.formula.at(&values)
    };
    let (low, high) = ([11.0, 23.0, 47.0], [31.0, 59.0, 73.0]);
    let middle = [21.0, 41.0, 60.0];
    match (at(low), at(high), at(middle)) {
        (Some(low), Some(high), Some(middle)) => (f64::midpoint(low, high) - middle).abs() < 1e-9,
        _ => false,
    }
}

/// A derived channel from the means of its inputs, where that is the mean of it.
fn derived_means(
    table: &Table<'_>,
    unit: usize,
    derived: &Arc<DerivedDef>,
    class: Option<&ClassDef>,
) -> Vec<f64> {
    let n_panes = table.grid.n_panes;
    let input = |arg: &DerivedArg, ucum: &str| match arg {
        DerivedArg::Number(number) => Some(vec![*number; n_panes]),
        DerivedArg::Class {
            constant,
            conversion,
        } => {
            let figure = constant.of(class?)?;
            Some(vec![conversion.apply(figure); n_panes])
        }
        DerivedArg::Channel(name) => {
            let (id, def) = table.catalogue.channel(name)?;
            let (from, to) = (Ucum::parse(&def.ucum).ok()?, Ucum::parse(ucum).ok()?);
            let conversion = from.conversion(&to)?;
            let means = table.column(unit, id)?.mean.iter();
            Some(means.map(|mean| conversion.apply(*mean)).collect())
        }
    };
    let wanted = derived.args.iter().zip(derived.formula.args);
    let inputs: Option<Vec<Vec<f64>>> = wanted
        .map(|(arg, wanted)| input(arg, wanted.ucum))
        .collect();
    let Some(inputs) = inputs.filter(|_| is_affine(derived)) else {
        return vec![f64::NAN; n_panes];
    };
    let at = |pane: usize| {
        let values: Vec<f64> = inputs.iter().map(|input| input[pane]).collect();
        let known = values.iter().all(|value| value.is_finite());
        known
            .then(|| derived.formula.at(&values))
            .flatten()
            .unwrap_or(f64::NAN)
    };
    (0..n_panes).map(at).collect()
}

/// The sampled channels of the unit in question that come most often, at most four.
pub fn quickest(table: &Table<'_>) -> Vec<ChannelId> {
    let mut sampled: Vec<(i64, ChannelId)> = table
        .catalogue
        .channels()
        .filter(|(id, _)| table.column(0, *id).is_some())
        .filter_map(|(id, def)| match def.kind {
            ChannelKind::Sampled { interval_ms } => Some((interval_ms, id)),
            _ => None,
        })
        .collect();
    sampled.sort_unstable();
    sampled.into_iter().take(4).map(|(_, id)| id).collect()
}

/// For each unit the panes in which none of these channels was heard.
pub fn silent(table: &Table<'_>, channels: &[ChannelId]) -> Vec<Vec<bool>> {
    let of = |unit: usize| {
        let mut silent = vec![true; table.grid.n_panes];
        for column in channels.iter().filter_map(|id| table.column(unit, *id)) {
            for (silent, heard) in silent.iter_mut().zip(&column.heard) {
                *silent &= *heard == 0.0;
            }
        }
        silent
    };
    (0..table.units.len()).map(of).collect()
}
