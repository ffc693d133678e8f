//! The pipeline, the gRPC services, access control and configuration.
//!
//! This crate is wiring: what an alert is, how a rule is judged and how bytes are kept is said
//! elsewhere. It is the only maker of gRPC statuses.
//!
//! Start with [`Settings`], [`Shared`] and [`run()`].

mod access;
mod after_repair;
mod alerts;
mod blocking;
mod clock;
mod cut;
mod defects;
mod desk;
mod fleet;
mod fleet_calls;
mod ingest;
pub mod judging;
mod known;
mod metrics;
mod near;
mod notify;
mod paging;
mod replays;
mod reports;
mod request_ids;
mod roster;
mod rule_cases;
mod rules;
mod run;
mod settings;
mod shared;
mod shutdown;
mod side_by_side;
mod start;
mod status;
mod telemetry_calls;
mod threads;
mod turnaround;
pub mod walk_back;

pub use access::{Access, Denied};
pub use clock::{Clock, ManualClock, SystemClock};
pub use fleet::{Created, Fleet, Heard, UnitRecord};
pub use metrics::{Counter, Metrics};
pub use notify::{Of, Receiver, ReceiverName, ReceiverUrl};
pub use run::{RunError, run};
pub use settings::{ClassBaselines, Desk, Limits, Retention, Settings, SettingsProblem, Span};
pub use shared::Shared;
pub use shutdown::Shutdown;
pub use start::StartError;
pub use turnaround::{ArrivalOutcome, Restoring, Turnaround};
