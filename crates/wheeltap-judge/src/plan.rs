//! What is to be judged for a unit: shared by all units of the same class and rules.

mod asked;

use asked::Asked;
pub(crate) use asked::{PlannedMates, Watch};

use crate::baseline::PlannedBaseline;
use crate::class::{ClassBaselines, Compared};
use crate::derive::Derivation;
use crate::mates::Mates;
use crate::outcome::Checkpoint;
use crate::{
    chart::PlannedCusum,
    gate::{PlannedCondition, PlannedGate},
    pane::{Needs, PlannedWindow, Ring, most_bytes, steps},
    tally::Bins,
};
use std::{collections::BTreeMap, sync::Arc};
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{
    ChannelDef, ChannelId, ChannelKind, ClassDef, ClassName, ConsistPosition, ConsistRole,
    EventTime, Part, Timeline, UnitId, UnitState,
};
use wheeltap_rules::{
    Against, Baseline, ClassWindow, Condition, Healthy, MOST_MATES, OfClass, OfMates, Read, Rule,
    Statistic,
};

/// A rule version and the event time in which it is in force.
#[derive(Clone, Debug)]
pub struct EffectiveRule {
    /// The version.
    pub rule: Arc<Rule>,
    /// First instant at which it judges, inclusive; the beginning of time for a replay.
    pub from: EventTime,
    /// First instant at which it does not any more; `None` for ever.
    pub until: Option<EventTime>,
}

impl EffectiveRule {
    /// In force at all times, as for a replay.
    pub const fn always(rule: Arc<Rule>) -> Self {
        Self {
            rule,
            from: EventTime::from_unix_ms(i64::MIN),
            until: None,
        }
    }
}

/// What is known of the unit besides telemetry, effective-dated.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct UnitContext {
    /// What it was doing; before the first entry: unknown.
    pub states: Timeline<UnitState>,
    /// Where it stood in a train; before the first entry: unknown.
    pub consists: Timeline<ConsistPosition>,
    /// What its class does; before the first entry: unknown.
    pub class_baselines: Arc<ClassBaselines>,
    /// Who was with it in its train; of use to rules that ask them alone.
    pub mates: Arc<Mates>,
}

impl UnitContext {
    /// What it was doing at an instant.
    pub fn state_at(&self, at: EventTime) -> UnitState {
        self.states
            .at(at)
            .map_or(UnitState::Unknown, |dated| dated.value)
    }

    /// Its part in the train at an instant.
    pub fn role_at(&self, at: EventTime) -> ConsistRole {
        self.consists
            .at(at)
            .map_or(ConsistRole::Unknown, |dated| dated.value.role)
    }

    /// First instant after `at` from which something else holds.
    pub(crate) fn next_change_after(&self, at: EventTime) -> Option<EventTime> {
        let states = self.states.entries().iter().map(|dated| dated.from);
        let consists = self.consists.entries().iter().map(|dated| dated.from);
        let classes = self.class_baselines.iter().map(|baseline| baseline.from);
        let mates = self.mates.next_change_after(at);
        let changes = states.chain(consists).chain(classes).chain(mates);
        changes.filter(|from| *from > at).min()
    }
}

/// Highest axle number looked for where a class is not known.
const MOST_AXLES: u32 = 12;

/// What is to be judged for a unit.
#[derive(Debug)]
pub struct UnitPlan {
    ids: Vec<ChannelId>,
    pub(crate) channels: Vec<PlannedChannel>,
    /// Channels that are computed, each after those it is computed from.
    pub(crate) derived: Vec<PlannedDerived>,
    pub(crate) gates: Vec<PlannedGate>,
    pub(crate) slots: Vec<PlannedSlot>,
    /// Healthy stretches, each with the windows of its channels.
    pub(crate) baselines: Vec<(PlannedBaseline, Vec<WindowSource>)>,
    /// Windows that are compared with the class's.
    pub(crate) compared: Vec<(Compared, WindowSource)>,
    /// What is asked of mates.
    pub(crate) mates: Option<PlannedMates>,
    /// Distinct ticks, ascending.
    pub(crate) ticks_ms: Vec<i64>,
    reach_ms: i64,
    /// After so long without data or change, every verdict and run stays as it is.
    pub(crate) settle_ms: i64,
}

/// How a planned channel speaks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Speaks {
    Sampled { interval_ms: i64 },
    Held { hold_ms: i64 },
    Event,
}

/// One channel that is computed, by places in the plan.
#[derive(Debug)]
pub(crate) struct PlannedDerived {
    pub channel: usize,
    pub inputs: Vec<usize>,
    pub derivation: Derivation,
}

#[derive(Debug)]
pub(crate) struct PlannedChannel {
    pub speaks: Speaks,
    /// Computed here; what was sent or stored under its name is not taken.
    pub derived: bool,
    pub num: u32,
    pub den: u32,
    pub bins: Bins,
    pub rings: Vec<PlannedRing>,
}

#[derive(Debug)]
pub(crate) struct PlannedRing {
    pub pane_ms: i64,
    /// Index of the gate that lets instants into it; `None` lets all.
    pub gate: Option<usize>,
    /// It takes instants of conflicts as events, and nothing else.
    pub is_of_conflicts: bool,
    pub needs: Needs,
    pub windows: Vec<PlannedWindow>,
}

impl PlannedRing {
    pub(crate) fn start(&self) -> Ring {
        Ring::new(self.pane_ms, self.needs.clone(), &self.windows)
    }
}

/// One rule version, once for each part.
#[derive(Debug)]
pub(crate) struct PlannedSlot {
    pub rule: Arc<Rule>,
    pub part: Option<Part>,
    pub part_no: Option<u32>,
    pub sources: Vec<Source>,
    pub from: EventTime,
    pub until: Option<EventTime>,
    /// Longest silent time of the channels read.
    pub silent_ms: i64,
}

/// Where an input's value comes from.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Source {
    Last {
        channel: usize,
        window_ms: i64,
    },
    Window(WindowSource),
    InState(Vec<UnitState>),
    InRole(ConsistRole),
    Number(f64),
    /// Against a healthy stretch, by its index.
    Healthy {
        baseline: usize,
        gives: Against,
    },
    /// Against the class, by the window's index.
    Class {
        compared: usize,
        gives: OfClass,
    },
    /// Of the mates, by the place of what they are asked.
    Mates {
        asked: usize,
        gives: OfMates,
        same_class: bool,
    },
    /// The channel is not in the catalogue.
    Nothing,
}

/// The channels of a plan, laid out.
struct Laid {
    ids: Vec<ChannelId>,
    channels: Vec<PlannedChannel>,
    derived: Vec<PlannedDerived>,
}

impl Laid {
    /// Lays out what is read of the unit itself, and says how far back of a value what it is computed
    /// from matters.
    fn out<'a>(
        reads: impl Iterator<Item = (&'a Read, Option<u32>)>,
        class: Option<&ClassDef>,
        catalogue: &Catalogue,
    ) -> (Self, i64) {
        let mut channels = Channels::default();
        for (read, part_no) in reads {
            if matches!(read, Read::Mates { .. }) {
                continue;
            }
            for (id, def) in read_channels(read, part_no, catalogue) {
                channels
                    .by_id
                    .entry(id)
                    .or_insert_with(|| planned_channel(def));
            }
        }
        let (derivations, derived_reach_ms) = channels.add_inputs(class, catalogue);
        let ids: Vec<ChannelId> = channels.by_id.keys().copied().collect();
        let laid = Self {
            derived: planned_derived(derivations, &ids),
            ids,
            channels: channels.by_id.into_values().collect(),
        };
        (laid, derived_reach_ms)
    }

    fn longest_hold_ms(&self) -> i64 {
        let holds = self.channels.iter().map(|channel| match channel.speaks {
            Speaks::Held { hold_ms } => hold_ms,
            _ => 0,
        });
        holds.max().unwrap_or(0)
    }
}

/// How far back of a tick an input's data can matter, its held values not counted.
fn back_ms(read: &Read, part_no: Option<u32>, catalogue: &Catalogue) -> i64 {
    match read {
        Read::Window { during, .. }
        | Read::Class {
            window: ClassWindow { during, .. },
            ..
        } => {
            // A condition at the window's start still looks back for its value.
            let lasts = during.iter().filter_map(|condition| {
                let name = condition.channel_for(part_no)?;
                let (_, def) = catalogue.channel(&name)?;
                Some(lasts_ms(def))
            });
            read.reach_ms() + lasts.max().unwrap_or(0)
        }
        Read::Healthy { .. } => read.reach_ms(),
        _ => 0,
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct WindowSource {
    pub channel: usize,
    pub ring: usize,
    pub window: usize,
    pub statistic: Statistic,
    pub window_ms: i64,
    pub min_share: f64,
    /// Index of the limit of time above and below, the smoothing weight or the cumulative sum.
    pub detail: usize,
    /// Ring and window of the past before the window.
    pub past: Option<(usize, usize)>,
    /// Whether conditions let only some instants in.
    pub gated: bool,
}

impl UnitPlan {
    /// Plans the rules that apply to a unit. `class` is enough for `applies`; the definition is
    /// needed for rules judged once an axle (without it: the axles the catalogue has channels for).
    pub fn new(
        rules: &[EffectiveRule],
        unit: &UnitId,
        class: Option<&ClassName>,
        class_def: Option<&ClassDef>,
        catalogue: &Catalogue,
    ) -> Self {
        let applicable = rules
            .iter()
            .filter(|effective| applies(&effective.rule, unit, class));
        let mut drafts = Vec::new();
        for effective in applicable {
            for part_no in parts(&effective.rule, class_def, catalogue) {
                drafts.push((effective, part_no));
            }
        }
        let inputs = drafts.iter().flat_map(|(effective, part_no)| {
            let inputs = effective.rule.inputs.iter();
            inputs.map(move |input| (&input.read, *part_no))
        });
        let mut asked: Vec<Asked> = Vec::new();
        for (read, part_no) in inputs.clone() {
            if let Read::Mates { window, .. } = read {
                position_or_push(&mut asked, (Read::clone(window), part_no));
            }
        }
        let mates = (!asked.is_empty()).then(|| PlannedMates::new(&asked, class, catalogue));
        let mates_reach_ms = mates.as_ref().map_or(0, PlannedMates::reach_ms);
        let (mut laid, derived_reach_ms) = Laid::out(inputs, class_def, catalogue);
        let mut reach_ms = 0;
        let mut settle_ms = 0;
        let mut slots = Vec::new();
        let mut drawing = Drawing::new(catalogue, &mut laid, &asked);
        for (effective, part_no) in drafts {
            let slot = drawing.slot(effective, part_no);
            let about = &slot.rule.about;
            let back = slot.rule.inputs.iter().map(|input| match &input.read {
                Read::Mates { .. } => mates_reach_ms,
                read => back_ms(read, part_no, catalogue),
            });
            let back = back.max().unwrap_or(0);
            reach_ms = reach_ms.max(back + about.tick_ms);
            let delay = about.on_delay_ms.max(about.off_delay_ms);
            let quiet_ms = (back + delay + 2 * about.tick_ms).saturating_add(slot.silent_ms);
            settle_ms = settle_ms.max(quiet_ms);
            slots.push(slot);
        }
        let (gates, baselines) = (drawing.gates, drawing.baselines);
        let compared = drawing.compared;
        let longest_hold = laid.longest_hold_ms();
        let mut ticks_ms: Vec<i64> = slots.iter().map(|slot| slot.rule.about.tick_ms).collect();
        ticks_ms.sort_unstable();
        ticks_ms.dedup();
        Self {
            ids: laid.ids,
            channels: laid.channels,
            derived: laid.derived,
            gates,
            slots,
            baselines,
            compared,
            mates,
            ticks_ms,
            reach_ms: reach_ms + longest_hold + derived_reach_ms,
            settle_ms: settle_ms + longest_hold,
        }
    }

    /// Channels that some rule reads, and those that they are computed from, ascending.
    pub fn channels(&self) -> &[ChannelId] {
        &self.ids
    }

    /// The windows that its rules compare with the class's, each once.
    pub fn compared(&self) -> impl Iterator<Item = &Compared> {
        self.compared.iter().map(|(compared, _)| compared)
    }

    /// How far back a judgement can look, in milliseconds: longest window and hold.
    pub const fn reach_ms(&self) -> i64 {
        self.reach_ms
    }

    /// From when on stored data is needed to warm a judge that resumes after a checkpoint: the reach
    /// before it, or the beginning of a healthy stretch of which the checkpoint remembers nothing (a
    /// rule that came later). The beginning of time where the stretch is named by its length.
    pub fn warm_from(&self, checkpoint: &Checkpoint) -> EventTime {
        let mut from = checkpoint.at.plus_ms(-self.reach_ms);
        for (planned, _) in &self.baselines {
            let known = |memory: &crate::BaselineMemory| memory.key == planned.key;
            if checkpoint.baselines.iter().any(known) {
                continue;
            }
            let start = match planned.healthy {
                Healthy::First { .. } => i64::MIN,
                Healthy::Days { from_ms, .. } => from_ms - self.reach_ms,
            };
            from = from.min(EventTime::from_unix_ms(start));
        }
        from
    }

    /// Most bytes of window state that a unit with this plan keeps when every pane is filled, those of as
    /// many mates as a consist has among them; what waits between two ticks comes on top.
    pub fn window_bytes(&self) -> usize {
        let baselines = self.baselines.iter();
        let of_mate = self.mates.iter().flat_map(PlannedMates::watches);
        let of_mate = of_mate.map(Self::window_bytes).max().unwrap_or(0);
        let rings = self.channels.iter().flat_map(|channel| {
            // How often a held value changes is not promised; once a second is taken for much.
            let apart_ms = match channel.speaks {
                Speaks::Sampled { interval_ms } => interval_ms.max(1),
                _ => 1_000,
            };
            channel.rings.iter().map(move |ring| (ring, apart_ms))
        });
        rings
            .map(|(ring, apart_ms)| {
                let n_samples = usize::try_from(ring.pane_ms / apart_ms + 1).unwrap_or(usize::MAX);
                most_bytes((ring.pane_ms, n_samples), &ring.needs, &ring.windows)
            })
            .chain(baselines.map(|(planned, _)| planned.most_bytes()))
            .chain([of_mate.saturating_mul(MOST_MATES)])
            .fold(0, usize::saturating_add)
    }

    /// How many rules, counted once for each part, are judged.
    pub const fn n_slots(&self) -> usize {
        self.slots.len()
    }

    pub(crate) fn index_of(&self, id: ChannelId) -> Option<usize> {
        self.ids.binary_search(&id).ok()
    }

    /// First tick of any rule after an instant.
    pub(crate) fn next_tick_after(&self, after_ms: i64) -> Option<i64> {
        self.ticks_ms
            .iter()
            .map(|tick| (after_ms.div_euclid(*tick) + 1) * tick)
            .min()
    }

    /// First instant after `at` at which a version begins or stops to be in force.
    pub(crate) fn next_boundary_after(&self, at: EventTime) -> Option<EventTime> {
        let bounds = self
            .slots
            .iter()
            .flat_map(|slot| [Some(slot.from), slot.until]);
        bounds.flatten().filter(|bound| *bound > at).min()
    }
}

#[derive(Default)]
struct Channels {
    by_id: BTreeMap<ChannelId, PlannedChannel>,
}

impl Channels {
    /// Adds what the derived channels among these are computed from. Gives their derivations, each
    /// after its inputs', and how far back of a value its inputs matter.
    fn add_inputs(
        &mut self,
        class: Option<&ClassDef>,
        catalogue: &Catalogue,
    ) -> (Vec<(ChannelId, Derivation)>, i64) {
        let mut found = Vec::new();
        let wanted: Vec<ChannelId> = self.by_id.keys().copied().collect();
        let reach = wanted
            .into_iter()
            .map(|id| self.add_inputs_of(id, class, catalogue, &mut found));
        let reach = reach.max().unwrap_or(0);
        (found, reach)
    }

    /// The catalogue has no circles, so this ends.
    fn add_inputs_of(
        &mut self,
        id: ChannelId,
        class: Option<&ClassDef>,
        catalogue: &Catalogue,
        found: &mut Vec<(ChannelId, Derivation)>,
    ) -> i64 {
        let Some(def) = catalogue.by_id(id) else {
            return 0;
        };
        let channel = self.by_id.entry(id).or_insert_with(|| planned_channel(def));
        let Some(derived) = catalogue.derived(&def.name) else {
            return 0;
        };
        channel.derived = true;
        let Some(derivation) = Derivation::plan(def, derived, class, catalogue) else {
            return 0;
        };
        let below = derivation
            .inputs()
            .map(|input| self.add_inputs_of(input, class, catalogue, found))
            .max()
            .unwrap_or(0);
        let reach_ms = below.saturating_add(derivation.reach_ms());
        if !found.iter().any(|(known, _)| *known == id) {
            found.push((id, derivation));
        }
        reach_ms
    }
}

/// With places in the plan in place of ids; every id is in it.
fn planned_derived(
    derivations: Vec<(ChannelId, Derivation)>,
    ids: &[ChannelId],
) -> Vec<PlannedDerived> {
    let place = |id: ChannelId| ids.binary_search(&id).ok();
    let planned = derivations.into_iter().filter_map(|(id, derivation)| {
        let inputs: Option<Vec<usize>> = derivation.inputs().map(place).collect();
        Some(PlannedDerived {
            channel: place(id)?,
            inputs: inputs?,
            derivation,
        })
    });
    planned.collect()
}

fn applies(rule: &Rule, unit: &UnitId, class: Option<&ClassName>) -> bool {
    let scope = &rule.about.applies;
    (scope.classes.is_empty() || class.is_some_and(|class| scope.classes.contains(class)))
        && (scope.units.is_empty() || scope.units.contains(unit))
}

/// Parts to judge a rule for; one `None` for a rule of the whole unit.
fn parts(rule: &Rule, class: Option<&ClassDef>, catalogue: &Catalogue) -> Vec<Option<u32>> {
    if rule.about.for_each.is_none() {
        return vec![None];
    }
    let n_axles = class.map_or(MOST_AXLES, |class| {
        u32::try_from(class.axles.len()).unwrap_or(MOST_AXLES)
    });
    let complete = |part_no: &u32| {
        rule.inputs.iter().all(|input| {
            let there = read_channels(&input.read, Some(*part_no), catalogue).len();
            there == input.read.channels().len()
        })
    };
    (1..=n_axles).filter(complete).map(Some).collect()
}

/// The channels that an input reads for a part, as far as the catalogue has them.
fn read_channels<'a>(
    read: &Read,
    part_no: Option<u32>,
    catalogue: &'a Catalogue,
) -> Vec<(ChannelId, &'a ChannelDef)> {
    let names = match read {
        Read::Healthy { baseline, .. } => baseline.channels_for(part_no).unwrap_or_default(),
        Read::Class { window, .. } => return read_channels(&window.own(), part_no, catalogue),
        Read::Mates { window, .. } => return read_channels(window, part_no, catalogue),
        Read::Window { during, .. } => {
            let measured = read.channel_for(part_no);
            let asked = during.iter();
            let asked = asked.filter_map(|condition| condition.channel_for(part_no));
            measured.into_iter().chain(asked).collect()
        }
        Read::InState(_) | Read::InRole(_) | Read::PartNumber | Read::Param(_) => Vec::new(),
    };
    let found = names.iter().filter_map(|name| catalogue.channel(name));
    found.collect()
}

/// How long a condition's value lasts without another.
const fn lasts_ms(def: &ChannelDef) -> i64 {
    match def.kind {
        ChannelKind::Held { hold_ms } => hold_ms,
        ChannelKind::Sampled { .. } | ChannelKind::Event { .. } => def.silent_ms,
    }
}

fn planned_channel(def: &ChannelDef) -> PlannedChannel {
    let speaks = match &def.kind {
        ChannelKind::Sampled { interval_ms } => Speaks::Sampled {
            interval_ms: *interval_ms,
        },
        ChannelKind::Held { hold_ms } => Speaks::Held { hold_ms: *hold_ms },
        ChannelKind::Event { .. } => Speaks::Event,
    };
    let (num, den) = (def.resolution.num, def.resolution.den);
    PlannedChannel {
        speaks,
        derived: false,
        num,
        den,
        bins: Bins::new(steps(def.range.0, num, den), steps(def.range.1, num, den)),
        rings: Vec::new(),
    }
}

/// The plan of a unit while it is drawn.
struct Drawing<'a> {
    catalogue: &'a Catalogue,
    ids: &'a [ChannelId],
    channels: &'a mut [PlannedChannel],
    gates: Vec<PlannedGate>,
    baselines: Vec<(PlannedBaseline, Vec<WindowSource>)>,
    compared: Vec<(Compared, WindowSource)>,
    asked: &'a [Asked],
}

impl<'a> Drawing<'a> {
    fn new(catalogue: &'a Catalogue, laid: &'a mut Laid, asked: &'a [Asked]) -> Self {
        Self {
            catalogue,
            ids: &laid.ids,
            channels: &mut laid.channels,
            gates: Vec::new(),
            baselines: Vec::new(),
            compared: Vec::new(),
            asked,
        }
    }

    fn slot(&mut self, effective: &EffectiveRule, part_no: Option<u32>) -> PlannedSlot {
        let rule = &effective.rule;
        let mut silent_ms = 0;
        let mut sources = Vec::with_capacity(rule.inputs.len());
        for input in &rule.inputs {
            for (_, def) in read_channels(&input.read, part_no, self.catalogue) {
                // Events are never due, so they say nothing about silence.
                if !matches!(def.kind, ChannelKind::Event { .. }) {
                    silent_ms = silent_ms.max(def.silent_ms);
                }
            }
            sources.push(match &input.read {
                Read::InState(states) => Source::InState(states.clone()),
                Read::InRole(wanted) => Source::InRole(*wanted),
                Read::PartNumber => part_no.map_or(Source::Nothing, |n| Source::Number(n.into())),
                Read::Param(value) => Source::Number(*value),
                Read::Window { .. } => self.source(&input.read, part_no).unwrap_or(Source::Nothing),
                Read::Class { window, gives } => {
                    let planned = self.compared(window, part_no);
                    planned.map_or(Source::Nothing, |compared| Source::Class {
                        compared,
                        gives: *gives,
                    })
                }
                Read::Mates {
                    window,
                    gives,
                    same_class,
                } => {
                    let is_it = |asked: &Asked| asked.0 == **window && asked.1 == part_no;
                    let found = self.asked.iter().position(is_it);
                    found.map_or(Source::Nothing, |asked| Source::Mates {
                        asked,
                        gives: *gives,
                        same_class: *same_class,
                    })
                }
                Read::Healthy { baseline, gives } => {
                    let found = read_channels(&input.read, part_no, self.catalogue);
                    let planned = self.baseline(baseline, &found, rule.about.tick_ms);
                    planned.map_or(Source::Nothing, |baseline| Source::Healthy {
                        baseline,
                        gives: *gives,
                    })
                }
            });
        }
        PlannedSlot {
            rule: Arc::clone(rule),
            part: part_no.and_then(|n| {
                Part::new(&format!(
                    "{} {n}",
                    rule.about.for_each.as_deref().unwrap_or("part")
                ))
                .ok()
            }),
            part_no,
            sources,
            from: effective.from,
            until: effective.until,
            silent_ms,
        }
    }

    /// The source of a window; `None` when a channel is not in the catalogue.
    fn source(&mut self, read: &Read, part_no: Option<u32>) -> Option<Source> {
        let Read::Window {
            statistic,
            window_ms,
            pane_ms,
            min_share,
            during,
            ..
        } = read
        else {
            return None;
        };
        let (id, def) = self.catalogue.channel(&read.channel_for(part_no)?)?;
        let channel = self.ids.binary_search(&id).ok()?;
        let gate = match during.as_slice() {
            [] => None,
            during => Some(self.gate(during, part_no)?),
        };
        if *statistic == Statistic::Last && gate.is_none() {
            return Some(Source::Last {
                channel,
                window_ms: *window_ms,
            });
        }
        let n_fields = match &def.kind {
            ChannelKind::Event { fields } => fields.len(),
            _ => 0,
        };
        let planned = &mut self.channels[channel];
        let ring = match statistic {
            Statistic::Conflicts => planned.conflict_ring(*pane_ms, gate),
            _ => planned.ring(*pane_ms, gate, n_fields),
        };
        let size = f64::from(planned.num) / f64::from(planned.den);
        let bins = planned.bins;
        let past = match *statistic {
            Statistic::RobustScore {
                past_ms,
                past_pane_ms,
            } => {
                let ring = planned.ring(past_pane_ms, gate, n_fields);
                let own = &mut planned.rings[ring];
                own.needs.bins = Some(bins);
                let window = own.window(past_ms / past_pane_ms, *window_ms);
                own.windows[window].counts = true;
                Some((ring, window))
            }
            _ => None,
        };
        let planned = &mut planned.rings[ring];
        let window = planned.window(window_ms / pane_ms, 0);
        let detail = planned.ask(window, *statistic, (size, bins, *window_ms));
        Some(Source::Window(WindowSource {
            channel,
            ring,
            window,
            statistic: *statistic,
            window_ms: *window_ms,
            min_share: *min_share,
            detail,
            past,
            gated: gate.is_some(),
        }))
    }

    /// The index of a window that is compared with the class's; `None` when a channel is missing.
    fn compared(&mut self, window: &ClassWindow, part_no: Option<u32>) -> Option<usize> {
        let own = window.own();
        let Source::Window(source) = self.source(&own, part_no)? else {
            return None;
        };
        let (_, def) = self.catalogue.channel(&own.channel_for(part_no)?)?;
        let planned = &self.channels[source.channel];
        let compared = Compared {
            of: window.of(part_no),
            ucum: def.ucum.clone(),
            window_ms: window.window_ms,
            step: f64::from(planned.num) / f64::from(planned.den),
        };
        let found = self.compared.iter().position(|(known, of)| {
            // Panes of another length end the same window elsewhere.
            known.of == compared.of && *of == source
        });
        Some(found.unwrap_or_else(|| {
            self.compared.push((compared, source));
            self.compared.len() - 1
        }))
    }

    /// The index of a healthy stretch, which rules of the same tick share; `None` when a channel is
    /// missing.
    fn baseline(
        &mut self,
        baseline: &Baseline,
        found: &[(ChannelId, &ChannelDef)],
        tick_ms: i64,
    ) -> Option<usize> {
        if found.len() < baseline.channels.len() {
            return None;
        }
        let names = found.iter().map(|(_, def)| def.name.to_string()).collect();
        let planned = PlannedBaseline::new(baseline, names, tick_ms);
        let same = |(known, _): &(PlannedBaseline, _)| known.key == planned.key;
        if let Some(idx) = self.baselines.iter().position(same) {
            return Some(idx);
        }
        let mut windows = Vec::new();
        for (id, _) in found {
            let channel = self.ids.binary_search(id).ok()?;
            let own = &mut self.channels[channel];
            let ring = own.ring(baseline.pane_ms, None, 0);
            let window = own.rings[ring].window(baseline.window_ms / baseline.pane_ms, 0);
            windows.push(WindowSource {
                channel,
                ring,
                window,
                statistic: Statistic::Mean,
                window_ms: baseline.window_ms,
                min_share: baseline.min_share,
                detail: 0,
                past: None,
                gated: false,
            });
        }
        self.baselines.push((planned, windows));
        Some(self.baselines.len() - 1)
    }

    /// The gate for these conditions; `None` when one's channel is not in the catalogue.
    fn gate(&mut self, during: &[Condition], part_no: Option<u32>) -> Option<usize> {
        let conditions = during.iter().map(|condition| {
            let (id, def) = self.catalogue.channel(&condition.channel_for(part_no)?)?;
            Some(PlannedCondition {
                channel: self.ids.binary_search(&id).ok()?,
                test: condition.test,
                lasts_ms: lasts_ms(def),
                held: matches!(def.kind, ChannelKind::Held { .. }),
            })
        });
        let wanted = PlannedGate {
            conditions: conditions.collect::<Option<_>>()?,
        };
        Some(position_or_push(&mut self.gates, wanted))
    }
}

impl PlannedChannel {
    /// The ring of these panes and this gate, made when it is not there.
    fn ring(&mut self, pane_ms: i64, gate: Option<usize>, n_fields: usize) -> usize {
        let found = self
            .rings
            .iter()
            .position(|ring| ring.pane_ms == pane_ms && ring.gate == gate && !ring.is_of_conflicts);
        found.unwrap_or_else(|| {
            let needs = Needs {
                coverage: matches!(self.speaks, Speaks::Held { .. }),
                n_fields,
                ..Needs::default()
            };
            self.rings.push(PlannedRing {
                pane_ms,
                gate,
                is_of_conflicts: false,
                needs,
                windows: Vec::new(),
            });
            self.rings.len() - 1
        })
    }

    /// As above for conflicts.
    fn conflict_ring(&mut self, pane_ms: i64, gate: Option<usize>) -> usize {
        let found = self
            .rings
            .iter()
            .position(|ring| ring.pane_ms == pane_ms && ring.gate == gate && ring.is_of_conflicts);
        found.unwrap_or_else(|| {
            self.rings.push(PlannedRing {
                pane_ms,
                gate,
                is_of_conflicts: true,
                needs: Needs::default(),
                windows: Vec::new(),
            });
            self.rings.len() - 1
        })
    }
}

impl PlannedRing {
    fn window(&mut self, n_panes: i64, lag_ms: i64) -> usize {
        let found = self
            .windows
            .iter()
            .position(|window| window.n_panes == n_panes && window.lag_ms == lag_ms);
        found.unwrap_or_else(|| {
            self.windows.push(PlannedWindow {
                n_panes,
                lag_ms,
                ..PlannedWindow::default()
            });
            self.windows.len() - 1
        })
    }

    /// Asks for what a statistic needs; returns the index that [`WindowSource::detail`] explains.
    fn ask(
        &mut self,
        window: usize,
        statistic: Statistic,
        (size, bins, window_ms): (f64, Bins, i64),
    ) -> usize {
        let needs = &mut self.needs;
        match statistic {
            Statistic::StdDev => needs.squares = true,
            Statistic::Slope => needs.moments = true,
            Statistic::SlopeError => {
                needs.moments = true;
                needs.squares = true;
            }
            Statistic::MovingRange => needs.moving = true,
            Statistic::Min | Statistic::Max | Statistic::Range => {
                self.windows[window].extremes = true;
            }
            Statistic::Quantile(_) | Statistic::Median => {
                needs.bins = Some(bins);
                self.windows[window].counts = true;
            }
            Statistic::TimeAbove(at) | Statistic::TimeBelow(at) => {
                return position_or_push(&mut needs.limits, at);
            }
            Statistic::Ewma(weight) | Statistic::EwmaScore { weight, .. } => {
                return position_or_push(&mut needs.weights, weight);
            }
            Statistic::CusumHigh { target, slack } | Statistic::CusumLow { target, slack } => {
                let planned = PlannedCusum::new(target, slack, size, window_ms);
                return position_or_push(&mut needs.cusums, planned);
            }
            Statistic::Last
            | Statistic::Mean
            | Statistic::Rate
            | Statistic::Count
            | Statistic::Conflicts
            | Statistic::Sum(_)
            | Statistic::Integral
            | Statistic::RobustScore { .. }
            | Statistic::TrendS
            | Statistic::TrendZ
            | Statistic::TrendP
            | Statistic::RobustSlope => {}
        }
        0
    }
}

fn position_or_push<T: PartialEq>(list: &mut Vec<T>, wanted: T) -> usize {
    if let Some(found) = list.iter().position(|own| *own == wanted) {
        return found;
    }
    list.push(wanted);
    list.len() - 1
}
