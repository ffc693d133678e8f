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

/// Who acts where a caller on loopback says no name. It is nobody in particular: two such callers are not taken
/// for one person.
pub const UNNAMED: &str = "local";

/// Who did something. What an identity may do is for the server to establish. On loopback, where whoever reaches
/// the service may do everything, the name is the one that the caller says ([`crate::PersonName`]).
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Actor {
    /// What others read in the audit log, such as `Ada Brook`; [`UNNAMED`] where no name is known.
    pub name: String,
    /// What this identity may do.
    pub roles: Vec<Role>,
}
