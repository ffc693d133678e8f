//! Who acts.

use serde::{Deserialize, Serialize};

/// What a caller may do; one table in the server maps roles to calls.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// A unit's gateway: may send telemetry.
    Gateway,
    /// Writes, tries and promotes rules.
    Reliability,
    /// The mechanical desk: answers alerts.
    Desk,
    /// The service track and the shop: records findings.
    ServiceTrack,
    /// Another system: reads alerts and defects.
    System,
    /// Runs the service: configuration, quarantine, everything that can be read.
    Operator,
}

/// Who did something: an identity the server established, never one the caller claimed.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Actor {
    /// A name unique in this installation, such as `local` on loopback.
    pub name: String,
    /// What this identity may do.
    pub roles: Vec<Role>,
}
