//! What is to be judged for a unit: shared by all units of the same class and rules.

mod asked;
mod draw;
mod layout;

use asked::Asked;
pub(crate) use asked::{PlannedMates, Watch};
use draw::{Drawing, position_or_push};
use layout::{Laid, lasts_ms, read_channels};

use crate::baseline::PlannedBaseline;
use crate::class::{ClassBaselines, Compared};
use crate::derive::Derivation;
use crate::mates::Mates;
use crate::outcome::Checkpoint;
use crate::{
    gate::PlannedGate,
    pane::{Needs, PlannedWindow, Ring, most_bytes},
    tally::Bins,
};
use std::sync::Arc;
use wheeltap_catalogue::{Catalogue, MOST_AXLES};
use wheeltap_model::{
    ChannelId, ClassDef, ClassName, ConsistPosition, ConsistRole, EventTime, Part, Timeline,
    UnitId, UnitState,
};
use wheeltap_rules::{
    Against, ClassWindow, Healthy, MOST_MATES, OfClass, OfMates, Read, Rule, Statistic,
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
