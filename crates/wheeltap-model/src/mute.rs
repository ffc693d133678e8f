//! Mutes: what people set so that an alert does not ring, by wall time.

use crate::{Part, RuleName, ServerTime, UnitId};

/// A mute's number in one store, counted from 1.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(transparent)]
pub struct MuteId(pub u64);

/// Which kind of suppression of ISA-18.2 / IEC 62682 it is.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum MuteKind {
    /// For a time, by whoever answers: one rule on one unit or part.
    Shelved,
    /// For maintenance, under administrative control: a unit, or a rule on it.
    OutOfService,
}

/// What a mute covers.
#[derive(Clone, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MuteScope {
    /// The unit.
    pub unit: UnitId,
    /// Every version of this rule; `None`: all rules.
    pub rule: Option<RuleName>,
    /// This part; `None`: the unit and all of its parts.
    pub part: Option<Part>,
}

impl MuteScope {
    /// Whether an alert of this rule and part is covered. `safety` rules never are; that is for the
    /// caller to know.
    pub fn covers(&self, unit: &UnitId, rule: &RuleName, part: Option<&Part>) -> bool {
        self.unit == *unit
            && self.rule.as_ref().is_none_or(|of| of == rule)
            && self.part.as_ref().is_none_or(|of| Some(of) == part)
    }
}

/// One mute.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mute {
    /// Assigned by the server.
    pub id: MuteId,
    /// Shelved or out of service.
    pub kind: MuteKind,
    /// What it covers.
    pub scope: MuteScope,
    /// Why.
    pub reason: String,
    /// Who set it.
    pub by: String,
    /// Server time.
    pub begun_at: ServerTime,
    /// When it ends by itself, server time; a shelf always has an end.
    pub until: Option<ServerTime>,
    /// How it ended.
    pub ended: Option<MuteEnd>,
}

/// How a mute ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MuteEnd {
    /// Server time.
    pub at: ServerTime,
    /// Who lifted it; `None` when its time was over.
    pub lifted_by: Option<String>,
    /// What they wrote.
    pub note: String,
}
