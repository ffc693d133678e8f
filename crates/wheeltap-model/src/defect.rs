//! Defects: what the mechanical department carries until the shop's finding says what it was.

use crate::{AlertId, EventTime, Priority, ServerTime, UnitId};
use serde::{Deserialize, Serialize};

/// A defect's number in one store, counted from 1; 0 is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DefectId(pub u64);

/// Who or what opened it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DefectOrigin {
    /// A rule's alert.
    Alert,
    /// The train crew reported it.
    CrewReport,
    /// The daily inspection.
    DailyInspection,
    /// The shop found it while doing something else.
    ShopFind,
    /// The unit failed on the road.
    RoadFailure,
}

/// Where it stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DefectStatus {
    /// Open; what it is has not been seen yet.
    Suspected,
    /// Open, with a place and a time for the work.
    Planned,
    /// Open; the shop is at it.
    InWork,
    /// Closed with a finding.
    Closed,
    /// Closed without a finding, which the shop still owes.
    FindingOwed,
    /// Every alert behind it was withdrawn and nobody had touched it.
    Void,
    /// All of it went into another defect.
    Merged,
}

impl DefectStatus {
    /// Whether somebody has still to do something about it.
    pub const fn is_open(self) -> bool {
        matches!(self, Self::Suspected | Self::Planned | Self::InWork)
    }
}

/// Where and when the work is to be done.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// Name of the service point or shop.
    pub service_point: String,
    /// When the work is to begin; not set when it is not known yet.
    pub at: Option<EventTime>,
    /// The part that is needed; empty for none.
    pub part: String,
    /// The craft that does it, such as `electrical`; empty when not known.
    pub craft: String,
    /// Anything else.
    pub note: String,
}

/// What the desk says of the unit until the work is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Disposition {
    /// It goes on as it is.
    RunOn,
    /// It goes on under a restriction, which is written beside it.
    Restrict,
    /// It is isolated.
    Isolate,
    /// A traction motor, the dynamic brake or a sander is cut out; which is written beside it.
    CutOut,
    /// Another unit of the consist leads.
    SwapLead,
    /// Other power is arranged.
    ArrangePower,
    /// It waits for its next service stop.
    NextServiceStop,
    /// It is set out.
    SetOut,
}

impl Disposition {
    /// As it is said, such as `swap the lead`.
    pub const fn words(self) -> &'static str {
        match self {
            Self::RunOn => "run on",
            Self::Restrict => "restrict",
            Self::Isolate => "isolate",
            Self::CutOut => "cut out",
            Self::SwapLead => "swap the lead",
            Self::ArrangePower => "arrange power",
            Self::NextServiceStop => "at the next service stop",
            Self::SetOut => "set out",
        }
    }
}

/// A disposition as it was said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    /// What.
    pub disposition: Disposition,
    /// How: which restriction, what is cut out.
    pub how: String,
    /// Who said it.
    pub by: String,
    /// Server time.
    pub at: ServerTime,
}

/// Somebody took a defect on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Taken {
    /// Who.
    pub by: String,
    /// When, server time.
    pub at: ServerTime,
    /// What they wrote.
    pub note: String,
}

/// One call about a defect: who was told, what they answered and promised.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contact {
    /// Counted from 1 in its defect.
    pub number: u32,
    /// Who was told, such as `dispatcher`.
    pub told: String,
    /// The alert that it was about; `None` for the defect as a whole.
    pub alert: Option<AlertId>,
    /// What they answered.
    pub answer: String,
    /// What they promised; empty for nothing.
    pub promise: String,
    /// When the promise is due, server time.
    pub promised_for: Option<ServerTime>,
    /// Who called.
    pub by: String,
    /// When, server time.
    pub at: ServerTime,
    /// Who saw the promise kept, and when.
    pub kept: Option<(String, ServerTime)>,
}

impl Contact {
    /// Whether something was promised that nobody has seen kept.
    pub fn is_owed(&self) -> bool {
        (!self.promise.is_empty() || self.promised_for.is_some()) && self.kept.is_none()
    }
}

/// What the shop found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FindingKind {
    /// As the rule called it.
    AsCalled,
    /// Something else.
    AnotherFault,
    /// The sensor or its wiring.
    SensorOrWiring,
    /// Looked, nothing wrong.
    NoFaultFound,
    /// It could not be tested.
    CouldNotTest,
    /// Nobody looked.
    NotLookedAt,
}

/// What the shop did and found, apart from its verdict.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Work {
    /// The cause, in the shop's words.
    pub cause: String,
    /// The component that it was, in the words of the component list; empty: as called.
    pub component: String,
    /// How it failed: a code of three letters after ISO 14224, such as `OHE` for overheating.
    pub failure_mode: String,
    /// Working time in minutes; `None` when not known.
    pub minutes: Option<u32>,
    /// Parts that were fitted.
    pub parts: Vec<String>,
}

/// Failure modes after ISO 14224 with what they mean. The first sixteen are quoted by open sources, the
/// last five are from memory; the standard's own text was not seen.
pub const FAILURE_MODES: [(&str, &str); 21] = [
    ("AIR", "abnormal instrument reading"),
    ("BRD", "breakdown"),
    ("ELP", "external leakage of the process medium"),
    ("ELU", "external leakage of a utility medium"),
    ("ERO", "erosion"),
    ("FTS", "failure to start on demand"),
    ("FTF", "failure to function on demand"),
    ("HIO", "high output"),
    ("INL", "internal leakage"),
    ("LOO", "low output"),
    ("NOI", "noise"),
    ("OHE", "overheating"),
    ("PLU", "plugged or choked"),
    ("SER", "minor in-service problems"),
    ("STD", "structural deficiency"),
    ("UST", "spurious stop"),
    ("VIB", "vibration"),
    ("PDE", "parameter deviation"),
    ("STP", "failure to stop on demand"),
    ("UNK", "unknown"),
    ("OTH", "other"),
];

/// The shop's finding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// What was found.
    pub kind: FindingKind,
    /// In the shop's words.
    pub note: String,
    /// What was done.
    pub work: Work,
    /// Who recorded it.
    pub by: String,
    /// When the work was done, event time.
    pub repaired_at: EventTime,
    /// When it was recorded, server time.
    pub recorded_at: ServerTime,
}

/// What a person reported of a defect.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DefectReport {
    /// Who saw it.
    pub origin: DefectOrigin,
    /// In the reporter's words.
    pub title: String,
    /// How soon to look, as reported.
    pub priority: Priority,
    /// When it was seen first, event time.
    pub first_sign_at: EventTime,
    /// Who reported it.
    pub by: String,
    /// When, server time.
    pub at: ServerTime,
}

/// The item the mechanical department carries.
#[derive(Clone, Debug, PartialEq)]
pub struct Defect {
    /// Assigned by the server.
    pub id: DefectId,
    /// The unit.
    pub unit: UnitId,
    /// System, such as `engine / lubrication`.
    pub system: String,
    /// Component, such as `oil cooler`; open defects of one unit are joined by it.
    pub component: String,
    /// Who or what opened it.
    pub origin: DefectOrigin,
    /// Title of the alert that opened it, or the reporter's words.
    pub title: String,
    /// Highest priority of its alerts.
    pub priority: Priority,
    /// Where it stands.
    pub status: DefectStatus,
    /// Event time of the first sign.
    pub first_sign_at: EventTime,
    /// Server time of opening.
    pub opened_at: ServerTime,
    /// When an answer is due: opening plus the shortest time to respond of its alerts.
    pub due_at: ServerTime,
    /// Its alerts, oldest first.
    pub alerts: Vec<AlertId>,
    /// Every alert was withdrawn, though somebody had touched it.
    pub basis_withdrawn: bool,
    /// A person has acted on it or on one of its alerts.
    pub touched: bool,
    /// What to do about it, from the rule.
    pub action: String,
    /// Who took it on as a whole.
    pub taken: Option<Taken>,
    /// When it came back after a repair, or after it was closed without a finding, server time.
    pub reopened_at: Option<ServerTime>,
    /// Where and when the work is to be done.
    pub plan: Option<Plan>,
    /// When the shop began, and who said so; server time.
    pub begun: Option<(String, ServerTime)>,
    /// When it was closed without a finding, by whom and why; server time.
    pub closed_without: Option<(String, ServerTime, String)>,
    /// What the desk said of the unit last.
    pub said: Option<Said>,
    /// Calls about it, oldest first.
    pub contacts: Vec<Contact>,
    /// What people reported of it, oldest first; the first is how it was opened, unless an alert opened it.
    pub reports: Vec<DefectReport>,
    /// The finding that closed it.
    pub finding: Option<Finding>,
    /// Findings after which it came back, oldest first.
    pub earlier_findings: Vec<Finding>,
    /// The defect that it went into.
    pub merged_into: Option<DefectId>,
    /// Counts changes, from 1; the etag covers it.
    pub revision: u32,
}

impl Defect {
    /// One that was just opened: suspected, without alerts or words, and nobody has done anything about it.
    /// The priority is the lowest; first sign and due time are those of the opening.
    pub const fn opened(
        id: DefectId,
        unit: UnitId,
        origin: DefectOrigin,
        opened_at: ServerTime,
    ) -> Self {
        Self {
            id,
            unit,
            system: String::new(),
            component: String::new(),
            origin,
            title: String::new(),
            priority: Priority::Low,
            status: DefectStatus::Suspected,
            first_sign_at: EventTime::from_unix_ms(opened_at.unix_ms()),
            opened_at,
            due_at: opened_at,
            alerts: Vec::new(),
            basis_withdrawn: false,
            touched: !matches!(origin, DefectOrigin::Alert),
            action: String::new(),
            taken: None,
            reopened_at: None,
            plan: None,
            begun: None,
            closed_without: None,
            said: None,
            contacts: Vec::new(),
            reports: Vec::new(),
            finding: None,
            earlier_findings: Vec::new(),
            merged_into: None,
            revision: 1,
        }
    }
}
