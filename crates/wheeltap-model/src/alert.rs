//! Alerts: one occurrence of a rule's condition on one unit or part.
//!
//! *Alert* is the advisory to the desk, not an alarm in the strict sense of ISA-18.2 / IEC 62682,
//! which demands an immediate operator act. It has three axes that do not mix: the *condition*
//! is derived from telemetry, the *response* is a person's act, the *suppression* mutes.

use crate::{DefectId, EventTime, Mute, MuteKind, Part, Priority, RuleRef, ServerTime, UnitId};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// An alert's number in one store, counted from 1; never reused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct AlertId(pub u64);

/// A number, flag or *unknown* as a rule saw it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum KnownValue {
    /// A yes or no.
    Flag(bool),
    /// A number in the input's unit.
    Number(f64),
    /// Not known at that tick.
    Unknown(()),
}

/// One input of the rule at the tick of raising or ending.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EvidenceItem {
    /// The name in the rule's `reads()`.
    pub input: String,
    /// How it was computed, such as `mean(engine.oil.temperature, 5 min)`.
    pub of: String,
    /// UCUM code of the value; empty for flags.
    pub ucum: String,
    /// What it was.
    pub value: KnownValue,
}

/// What a rule saw at one tick.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// The tick.
    pub at: EventTime,
    /// First known true tick of the run that led here.
    pub since: EventTime,
    /// Every input, in the order of `reads()`.
    pub inputs: Vec<EvidenceItem>,
}

/// One occurrence of a rule's condition, as far as the data fed tells.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Occurrence {
    /// The version that raised it.
    pub rule: RuleRef,
    /// The part, for a rule judged once a part.
    pub part: Option<Part>,
    /// First known true tick after the on-delay.
    pub raised_at: EventTime,
    /// First known clear tick after the off-delay; `None` while standing.
    pub ended_at: Option<EventTime>,
    /// It ended because another version took over, not by a clear tick.
    pub superseded: bool,
    /// What the rule saw when it raised.
    pub evidence: Evidence,
    /// What the rule saw when it ended by a clear tick.
    pub end_evidence: Option<Evidence>,
    /// First tick, at or after raising, at which `suppress` did not hold; `None` while suppressed
    /// by design ever since. Until then it is announced to nobody.
    pub unsuppressed_at: Option<EventTime>,
}

/// The axis derived from telemetry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// It holds, as far as is known.
    Standing,
    /// It was seen to have ended.
    Ended,
    /// Later data showed that it never was.
    Withdrawn,
}

/// The axis of what people did.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Response {
    /// Nobody answered.
    #[default]
    None,
    /// Somebody took it on.
    Acknowledged {
        /// Who.
        by: String,
        /// When, by the server's clock.
        at: ServerTime,
        /// What they wrote, if anything.
        note: String,
    },
}

/// The axis that mutes. Of several that hold, the one under administrative control is shown, then the
/// shelf, then the rule's own.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Suppression {
    /// Nothing mutes it.
    #[default]
    None,
    /// The rule's own `suppress` says that the operating state explains it.
    ByDesign,
    /// A person muted it for a time, or took it out of service.
    Muted(Arc<Mute>),
}

/// Why an alert was withdrawn.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WithdrawnReason {
    /// Late data showed that the condition did not hold.
    LateData,
    /// Late data joined it with an earlier alert.
    MergedInto(AlertId),
}

/// One occurrence of a rule's condition.
#[derive(Clone, Debug, PartialEq)]
pub struct Alert {
    /// Assigned by the server.
    pub id: AlertId,
    /// The rule and version that raised it.
    pub rule: RuleRef,
    /// The rule's title when it was raised.
    pub title: String,
    /// The rule's priority when it was raised.
    pub priority: Priority,
    /// Never muted by shelving, operating state or data quality.
    pub safety: bool,
    /// The rule was on trial: for the engineer only.
    pub trial: bool,
    /// The unit.
    pub unit: UnitId,
    /// The part, for a rule judged once a part.
    pub part: Option<Part>,
    /// First known true tick after the on-delay, event time.
    pub raised_at: EventTime,
    /// First known clear tick after the off-delay, event time; `None` while standing.
    pub ended_at: Option<EventTime>,
    /// Why it ended other than by a clear tick, such as `superseded`; empty otherwise.
    pub ended_because: String,
    /// When the server first told anybody; `None` while withheld or for late news.
    pub announced_at: Option<ServerTime>,
    /// It was learned of after it had ended: listed, not rung.
    pub late_news: bool,
    /// The alert that people were told of in its place, as their train shares it; 0 for none.
    pub told_with: AlertId,
    /// Whether the sender has promised that no older data is to come.
    pub settled: bool,
    /// What the rule saw when it raised.
    pub evidence: Evidence,
    /// What the rule saw when it ended.
    pub end_evidence: Option<Evidence>,
    /// Set once withdrawn; cleared when reinstated.
    pub withdrawn: Option<WithdrawnReason>,
    /// What people did.
    pub response: Response,
    /// What mutes it.
    pub suppression: Suppression,
    /// When it was told once more, as it still stood when what muted it ended; server time.
    pub told_again_at: Option<ServerTime>,
    /// It ended while it was muted, and what muted it has ended too: nobody need answer it.
    pub passed_muted: bool,
    /// The defect it belongs to; 0 for a trial alert, which opens none.
    pub defect: DefectId,
    /// Counts changes of telemetry's making (times, evidence, withdrawal), from 1.
    pub revision: u32,
    /// Counts people's acts, from 0; the etag covers this alone.
    pub response_revision: u32,
}

impl Alert {
    /// The condition axis.
    pub const fn condition(&self) -> Condition {
        match (&self.withdrawn, self.ended_at) {
            (Some(_), _) => Condition::Withdrawn,
            (None, Some(_)) => Condition::Ended,
            (None, None) => Condition::Standing,
        }
    }

    /// Whether something mutes it; `safety` alerts are never muted.
    pub fn is_muted(&self) -> bool {
        self.suppression != Suppression::None && !self.safety
    }

    /// The state of ISA-18.2 / IEC 62682 as a view of the three axes.
    pub fn state(&self) -> AlertState {
        let acknowledged = matches!(self.response, Response::Acknowledged { .. });
        let condition = self.condition();
        if condition != Condition::Withdrawn && !self.safety {
            match &self.suppression {
                Suppression::None => {}
                Suppression::ByDesign => return AlertState::SuppressedByDesign,
                Suppression::Muted(mute) => {
                    return match mute.kind {
                        MuteKind::Shelved => AlertState::Shelved,
                        MuteKind::OutOfService => AlertState::OutOfService,
                    };
                }
            }
        }
        match (condition, acknowledged) {
            (Condition::Standing, false) => AlertState::Unacknowledged,
            (Condition::Standing, true) => AlertState::Acknowledged,
            (Condition::Ended, false) if !self.passed_muted => AlertState::ReturnedUnacknowledged,
            (Condition::Ended | Condition::Withdrawn, _) => AlertState::Normal,
        }
    }
}

/// The seven states of ISA-18.2 / IEC 62682, with the standards' letters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AlertState {
    /// A: nothing to do.
    Normal,
    /// B: standing, nobody answered.
    Unacknowledged,
    /// C: standing, somebody took it on.
    Acknowledged,
    /// D: came and went before anybody answered.
    ReturnedUnacknowledged,
    /// E: a person muted it for a time.
    Shelved,
    /// F: the operating state explains it.
    SuppressedByDesign,
    /// G: muted for maintenance under administrative control.
    OutOfService,
}

impl AlertState {
    /// The standards' letter.
    pub const fn letter(self) -> char {
        match self {
            Self::Normal => 'A',
            Self::Unacknowledged => 'B',
            Self::Acknowledged => 'C',
            Self::ReturnedUnacknowledged => 'D',
            Self::Shelved => 'E',
            Self::SuppressedByDesign => 'F',
            Self::OutOfService => 'G',
        }
    }
}

/// What the latest change of an alert was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlertChange {
    /// New.
    Raised,
    /// The condition ended.
    Ended,
    /// Times or evidence changed by late data.
    Revised,
    /// Late data took it back.
    Withdrawn,
    /// Late data brought it back.
    Reinstated,
    /// A person answered.
    Acknowledged,
    /// The answer was taken back.
    GivenBack,
    /// Suppression began or ended.
    Suppression,
    /// Told to people after being withheld.
    Announced,
    /// Not told by itself: its train's was told with another unit's.
    ToldWith,
}
