//! What a locomotive, a channel, a sample, an alert and a defect are, as plain checked values.
//!
//! Nothing here does I/O, awaits, reads a clock or knows an encoding beyond `serde` derives; this
//! crate depends on no other crate of the workspace, and every other crate depends on it.
//!
//! Start with [`Sample`] and [`Batch`] (what units send), [`Alert`] (one occurrence of a rule's
//! condition) and [`Defect`] (what the mechanical department carries until the shop's finding).
//!
//! ```
//! use wheeltap_model::{EventTime, Quality, Sample};
//! let first = Sample { time: EventTime::from_unix_ms(1_000), value: 82.0, quality: Quality::Good };
//! let second = Sample { value: 83.0, ..first };
//! // Two good values for one instant cannot both be right, so neither feeds a rule.
//! assert_eq!(first.join(second).quality, Quality::Conflict);
//! ```
//!
//! Contracts that hold throughout: times are Unix milliseconds; values are finite; durations are
//! milliseconds and say so in their names.

mod alert;
mod class_baseline;
mod defect;
mod fleet;
mod handover;
mod ids;
mod instant;
mod mute;
mod person;
mod rule;
mod sample;
mod time;
mod words;
mod work;

pub use alert::{
    Alert, AlertChange, AlertId, AlertState, Condition, Evidence, EvidenceItem, KnownValue,
    Occurrence, Response, Suppression, WithdrawnReason,
};
pub use class_baseline::ClassBaseline;
pub use defect::{
    Contact, Defect, DefectId, DefectOrigin, DefectReport, DefectStatus, Disposition,
    FAILURE_MODES, Finding, FindingKind, Plan, Said, Taken, Work,
};
pub use fleet::{
    Axle, ChannelDef, ChannelKind, ClassDef, ConsistPosition, ConsistRole, Dated, Facing,
    Resolution, Timeline, Unit, UnitState,
};
pub use handover::{Handover, HandoverId};
pub use ids::{
    ChannelId, ChannelName, ClassName, InvalidName, Part, PersonName, PointName, RuleName, UnitId,
};
pub use instant::{is_offset, read_instant, read_instant_at};
pub use mute::{Mute, MuteEnd, MuteId, MuteKind, MuteScope};
pub use person::{Actor, Role, UNNAMED};
pub use rule::{Priority, RuleRef, RuleStage};
pub use sample::{Batch, Column, Event, Quality, Sample, Series};
pub use time::{CLOCK_SLACK_MS, EventTime, InvalidSpan, ServerTime, format_span, parse_span};
pub use words::{
    evidence_words, gauge_words, is_hidden, number_words, rate_words, span_words, unit_words,
};
pub use work::{
    Arrival, Cancelled, Care, Crew, Fill, Inspection, Job, PartStock, Restored, ServicePoint, Side,
    Step, Wear, WearBasis, WearBy, WorkSettings,
};
