//! What the judge hands out.

use crate::BaselineMemory;
use serde::{Deserialize, Serialize};
use wheeltap_model::{EventTime, Occurrence, Part, RuleRef};

/// One thing that happened at a tick.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// A condition was raised.
    Raised(Occurrence),
    /// A standing one ended; the occurrence is complete.
    Ended(Occurrence),
    /// A standing one is no longer suppressed by design.
    Unsuppressed(Occurrence),
}

impl Change {
    /// The occurrence as it is after the change.
    pub const fn occurrence(&self) -> &Occurrence {
        match self {
            Self::Raised(occurrence) | Self::Ended(occurrence) | Self::Unsuppressed(occurrence) => {
                occurrence
            }
        }
    }
}

/// What one rule and part remembers between ticks. Rules that remember nothing are left out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SlotMemory {
    /// The version.
    pub rule: RuleRef,
    /// The part.
    pub part: Option<Part>,
    /// First known true tick of the running run (of clear ticks, while standing).
    pub run_start: Option<EventTime>,
    /// Last known tick of that run.
    pub run_last: Option<EventTime>,
    /// What stands.
    pub standing: Option<Occurrence>,
    /// Ticks in a row at which the script failed.
    pub n_faults: u32,
}

/// Everything the judge remembers at a tick, but for windows, which are warmed from stored data.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Checkpoint {
    /// Every tick up to and including this instant was judged.
    pub at: EventTime,
    /// By rule and part.
    pub slots: Vec<SlotMemory>,
    /// What the healthy stretches gave so far.
    pub baselines: Vec<BaselineMemory>,
}

/// A script rule that failed or ran over its budget.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultReport {
    /// The version.
    pub rule: RuleRef,
    /// The part.
    pub part: Option<Part>,
    /// The tick.
    pub at: EventTime,
    /// Ticks in a row so far; 0 reports that it works again.
    pub n_in_a_row: u32,
    /// What the engine said; empty when it works again.
    pub message: String,
}

/// A healthy stretch is over, and what is usual stands from here on.
#[derive(Clone, Debug, PartialEq)]
pub struct FitReport {
    /// The first tick after the stretch.
    pub at: EventTime,
    /// Its first instant, exclusive.
    pub from: EventTime,
    /// Its last instant, inclusive.
    pub to: EventTime,
    /// Names of the channels.
    pub channels: Vec<String>,
    /// Length of the windows whose means are the rows, in milliseconds.
    pub window_ms: i64,
    /// Rows in it.
    pub n_rows: u64,
    /// What is usual; `None` when there were too few rows or a channel never moved.
    pub usual: Option<Usual>,
}

/// What was usual in a healthy stretch.
#[derive(Clone, Debug, PartialEq)]
pub struct Usual {
    /// Mean of each channel's rows, in its unit.
    pub means: Vec<f64>,
    /// Their sample standard deviations (n - 1).
    pub stdevs: Vec<f64>,
    /// Variances of the principal components of the standardized channels that are kept, the
    /// greatest first; one for one channel.
    pub variances: Vec<f64>,
}

/// What one round of judging found, in order of ticks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Judgement {
    /// Raised, ended, unsuppressed.
    pub changes: Vec<Change>,
    /// One for each whole hour of event time passed.
    pub checkpoints: Vec<Checkpoint>,
    /// First fault of a row, the one that makes the rule *faulted*, and recovery.
    pub faults: Vec<FaultReport>,
    /// Healthy stretches that were over; again after a resume.
    pub fits: Vec<FitReport>,
    /// Of history judged as a whole: see [`crate::UnitJudge::without_verdict`].
    pub without_verdict: Vec<NoVerdict>,
}

/// A rule that was neither true nor false at any tick on a unit or part: its silence says nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoVerdict {
    /// The rule.
    pub rule: RuleRef,
    /// The part, of a rule judged once a part.
    pub part: Option<Part>,
    /// What it reads and never knew, as the rule writes it.
    pub never_known: Vec<String>,
    /// At some tick it was known that its condition could not show itself.
    pub was_untested: bool,
}

impl NoVerdict {
    /// For want of what it reads, and not because its condition never could show itself.
    pub fn is_blind(&self) -> bool {
        !self.was_untested || !self.never_known.is_empty()
    }
}
