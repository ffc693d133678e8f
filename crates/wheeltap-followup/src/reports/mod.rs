//! What the book says of rules, of the desk and of the fleet, summed up.
//!
//! Pure folds over a [`crate::Book`] and what the caller knows of units: no clock, no telemetry. Every share
//! and rate has its bounds, and what the record is too short or too thin for is `None`.

mod desk;
mod occurrence;
mod reliability;
mod scorecard;

pub use desk::{DeskClock, DeskDay, DeskLoad, DeskTerms, Metric, MetricKind, TopRule, Verdict};
pub use desk::{LEAST_COVERED_MS, desk_load};
pub use reliability::{
    Availability, BadActor, Basis, FleetUnit, Group, Grouping, Lives, ReliabilityReport,
    ReliabilityTerms, Repeat, Repeats, is_able, is_lost, reliability,
};
pub use reliability::{NO_SYSTEM, SENSOR, SENSORS};
pub use scorecard::{Findings, Lead, RuleScorecard, ScorecardTerms, scorecards};
