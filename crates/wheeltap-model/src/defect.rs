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
    /// Closed with a finding.
    Closed,
    /// Every alert behind it was withdrawn and nobody had touched it.
    Void,
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

/// The shop's finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// What was found.
    pub kind: FindingKind,
    /// In the shop's words.
    pub note: String,
    /// Who recorded it.
    pub by: String,
    /// When the work was done, event time.
    pub repaired_at: EventTime,
    /// When it was recorded, server time.
    pub recorded_at: ServerTime,
}

/// The item the mechanical department carries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
    /// The finding that closed it.
    pub finding: Option<Finding>,
    /// Counts changes, from 1; the etag covers it.
    pub revision: u32,
}
