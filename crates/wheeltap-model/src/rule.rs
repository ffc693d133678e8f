//! What the rest of the system says of a rule.

use crate::RuleName;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How soon the desk must look, least first. The words are ours to order, not colours.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Priority {
    /// At the next planned stop.
    Low,
    /// Today.
    Medium,
    /// This trip.
    High,
    /// Now; people may be at risk.
    Urgent,
}

impl Priority {
    /// The word used in rule files and output.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
            Self::Urgent => "urgent",
        }
    }
}

impl fmt::Display for Priority {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// Where a rule stands on its way to ringing people.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RuleStage {
    /// Kept, not judged.
    Draft,
    /// Judged on live data; rings nobody.
    Trial,
    /// Judged and announced.
    Live,
    /// Kept for its past alerts, not judged.
    Retired,
}

/// One version of a rule: what an alert names as its cause.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct RuleRef {
    /// The rule.
    pub name: RuleName,
    /// First 16 hexadecimal digits of the BLAKE3 digest of the rule's text.
    pub version: String,
}
