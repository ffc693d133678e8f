//! The judge: the one place that evaluates rules, live and in replay.
//!
//! One [`UnitJudge`] holds the window state of one unit. It is pure: given a plan, the unit's context
//! and samples, it hands out what was raised and ended, always the same for the same data however
//! the data was cut into batches. It knows no store, no clock, no ids of alerts; [`reconcile()`]
//! compares what it says with what was known and names the changes.
//!
//! Judging is in event time at *ticks*, whole multiples of a rule's tick since the Unix epoch, each
//! once the unit's newest event time is later than the tick. Data that arrives for ticks already
//! judged is not taken but reported as late: the caller starts a fresh judge from an earlier
//! [`Checkpoint`] and feeds it the stored data again.

mod baseline;
mod cases;
mod chart;
mod class;
mod cost;
mod derive;
mod evidence;
mod gate;
mod judge;
mod mates;
mod outcome;
mod pane;
mod pending;
mod plan;
mod reconcile;
mod replay;
mod slot;
mod statistic;
mod tally;
mod trend;
mod wide;

pub use baseline::BaselineMemory;
pub use cases::{CaseMiss, CaseOutcome, run_case};
pub use class::{
    ClassBaselines, ClassFit, ClassSurvey, Compared, LeastOfClass, Stretch, TooFewUnits,
};
pub use cost::RuleCost;
pub use derive::{Derivation, derive_series};
pub use judge::{Fed, UnitJudge};
pub use mates::{Mate, MateNeed, Mates, Recorded};
pub use outcome::{
    Change, Checkpoint, FaultReport, FitReport, Judgement, NoVerdict, SlotMemory, Usual,
};
pub use plan::{EffectiveRule, UnitContext, UnitPlan};
pub use reconcile::{KnownAlert, Reconciled, reconcile, share_an_instant};
pub use replay::{UnitData, replay_among, replay_unit, survey_unit};
pub use slot::FAULTS_TO_REPORT;
pub use wheeltap_model::Occurrence;
