//! What people do about alerts and defects: pure state machines.
//!
//! The ledger is the append-only record of everything that telemetry does not say: rules lodged and
//! promoted, alerts with their ids, answers, findings. A [`LedgerRecord`] is one entry of it; a
//! [`Book`] is the fold over all of them. The same fold runs live and at restart, so that what was
//! known is known again by construction. A [`Planner`] decides which records an event calls for (new
//! ids, which defect an alert joins), so that a fold never decides and never renumbers.
//!
//! Nothing here reads a clock, a store or telemetry, and nothing evaluates a rule.
//!
//! ```
//! use wheeltap_followup::{Act, Book, LedgerRecord};
//! use wheeltap_model::{RuleRef, RuleName, RuleStage, EventTime, ServerTime};
//! let rule = RuleRef { name: RuleName::new("oil-hot")?, version: "0123456789abcdef".into() };
//! let record = LedgerRecord {
//!     at: ServerTime::from_unix_ms(1_000),
//!     by: "local".into(),
//!     act: Act::RuleStaged { rule, stage: RuleStage::Live, from: EventTime::from_unix_ms(0),
//!         reason: String::new(), without_trial: false },
//! };
//! assert_eq!(LedgerRecord::from_bytes(&record.to_bytes())?, record);
//! // A stage for a version that was never lodged does not fit any book.
//! assert!(Book::default().apply(1, &record).is_err());
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod alert;
mod audit;
mod book;
mod component;
mod defect;
mod desk;
mod forecast;
mod planner;
mod record;
pub mod reports;
mod rules;
pub mod sheet;
mod sweep;
mod train;

pub use alert::{AlertQuery, KeptAlert};
pub use audit::{AuditLine, Subject, audit};
pub use book::{
    Belongs, Book, BookError, CALLS_FROM_MS, ChangeNotice, HistoryGone, KeptBaseline, Limits,
};
pub use component::is_same as is_same_component;
pub use defect::{DefectChangeKind, DefectQuery, KeptDefect, ReportedAs};
pub use desk::{
    DeskLoad, FirstOut, HandoverList, MOST_IN_HAND, OwedCall, Repeating, desk_load, handover_list,
};
pub use forecast::{
    Blind, DESK_BUDGET_PER_DAY, Faulted, Forecast, Known, Score, Truth, WouldRing, covered_ms,
    forecast,
};
pub use planner::{Call, MuteOrder, Planner, Policy, Refusal, Report, Terms, Verdict};
pub use record::{
    Act, CasesText, FORMAT_VERSION, LedgerRecord, RecordError, RuleFacts, UPDATED_BY_TELEMETRY,
};
pub use rules::{JudgedFrom, KeptForecast, RuleVersion, StageChange};
pub use sweep::{Tried, best, knee};
pub use train::{Trains, once_a_train};
pub use wheeltap_model::Occurrence;
