//! What is to be judged for a unit: shared by all units of the same class and rules.

use std::sync::Arc;
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{
    ChannelId, ClassDef, ConsistPosition, EventTime, Timeline, UnitId, UnitState,
};
use wheeltap_rules::Rule;

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

/// What is known of the unit besides telemetry, effective-dated.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct UnitContext {
    /// What it was doing; before the first entry: unknown.
    pub states: Timeline<UnitState>,
    /// Where it stood in a train; before the first entry: unknown.
    pub consists: Timeline<ConsistPosition>,
}

/// What is to be judged for a unit.
#[derive(Debug)]
pub struct UnitPlan {}

impl UnitPlan {
    /// Plans the rules that apply to a unit. `class_name` is enough for `applies`; the definition is
    /// needed for rules judged once an axle (without it: the axles that the catalogue has channels for).
    pub fn new(
        rules: &[EffectiveRule],
        unit: &UnitId,
        class: Option<&wheeltap_model::ClassName>,
        class_def: Option<&ClassDef>,
        catalogue: &Catalogue,
    ) -> Self {
        let _ = (rules, unit, class, class_def, catalogue);
        Self {}
    }

    /// Channels that some rule reads, ascending.
    pub fn channels(&self) -> &[ChannelId] {
        &[]
    }

    /// How far back a judgement can look, in milliseconds: longest window and hold.
    pub fn reach_ms(&self) -> i64 {
        0
    }
}
