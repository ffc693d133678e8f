//! Ledger records and their bytes: JSON with a version, so that a person can read a ledger.

use crate::Forecast;
use crate::Occurrence;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use wheeltap_model::{
    AlertId, ClassBaseline, DefectId, DefectOrigin, Disposition, EventTime, FindingKind,
    HandoverId, MuteId, MuteKind, MuteScope, Plan, Priority, RuleRef, RuleStage, ServerTime,
    UnitId, WithdrawnReason, Work,
};

/// The version of the bytes that this program writes; it reads this one only.
pub const FORMAT_VERSION: u32 = 1;

/// The name under which the judge's own records are written.
pub const UPDATED_BY_TELEMETRY: &str = "telemetry";

/// What the desk needs of a rule version: fixed when the version was lodged.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RuleFacts {
    /// One line for the desk.
    pub title: String,
    /// System, such as `engine / lubrication`.
    pub system: String,
    /// Component, such as `oil cooler`; joins alerts into defects.
    pub component: String,
    /// How soon to look.
    pub priority: Priority,
    /// Never muted by shelving, operating state or data quality.
    pub safety: bool,
    /// Of its alerts that overlap on units of one train one is told.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub once_a_train: bool,
    /// Whether it calls the desk; otherwise it makes an item for the shop and nobody is rung.
    #[serde(default = "calls_the_desk")]
    pub desk: bool,
    /// Why it happens.
    pub cause: String,
    /// What follows if nobody acts.
    pub consequence: String,
    /// What to do.
    pub action: String,
    /// How long the answer can wait, in milliseconds.
    pub respond_within_ms: i64,
}

/// Rule cases as their author wrote them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CasesText {
    /// The file of cases (TOML).
    pub toml: String,
    /// The tables and maps that it names, by name.
    pub files: BTreeMap<String, String>,
}

impl CasesText {
    /// Whether there is no case.
    pub const fn is_empty(&self) -> bool {
        self.toml.is_empty()
    }
}

/// As every rule did before there were others.
const fn calls_the_desk() -> bool {
    true
}

/// One entry of the ledger: who did what, and when by the server's clock.
#[derive(Clone, Debug, PartialEq)]
pub struct LedgerRecord {
    /// Server time.
    pub at: ServerTime,
    /// The identity that acted; [`UPDATED_BY_TELEMETRY`] for the judge.
    pub by: String,
    /// What was done.
    pub act: Act,
}

/// What was done. Every id was chosen before the record was written.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Act {
    /// A rule version was kept, as a draft.
    RuleLodged {
        /// Name and version.
        rule: RuleRef,
        /// The rule's text.
        source: String,
        /// What the text says of itself.
        facts: RuleFacts,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// Cases were kept with a rule version, in place of those kept before.
    RuleCases {
        /// Name and version.
        rule: RuleRef,
        /// The cases.
        cases: CasesText,
    },
    /// A rule version was tried on what is stored.
    RuleForecast {
        /// Name and version.
        rule: RuleRef,
        /// What it would have done.
        forecast: Box<Forecast>,
    },
    /// A rule version moved to another stage.
    RuleStaged {
        /// Name and version.
        rule: RuleRef,
        /// The stage.
        stage: RuleStage,
        /// From this event time on; later stages said earlier no longer hold.
        from: EventTime,
        /// Why, or empty.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        reason: String,
        /// It went live and had never been on trial.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        without_trial: bool,
    },
    /// What a class does was fitted; it never changes.
    ClassBaselineFrozen {
        /// In force from the instant that it says.
        baseline: ClassBaseline,
    },
    /// A condition was learned of.
    AlertRaised {
        /// The next number.
        id: AlertId,
        /// The unit.
        unit: UnitId,
        /// As judged; it may have ended already.
        occurred: Occurrence,
        /// The rule was on trial.
        trial: bool,
        /// The defect it belongs to; 0 for a trial alert.
        defect: DefectId,
        /// Told to people by this record.
        announced: bool,
        /// Learned of after it had ended.
        late_news: bool,
        /// The sender promised that no older data is to come.
        settled: bool,
    },
    /// The condition ended.
    AlertEnded {
        /// Which.
        id: AlertId,
        /// As judged, complete.
        occurred: Occurrence,
        /// It was never told to anybody.
        late_news: bool,
        /// As above.
        settled: bool,
    },
    /// Later data changed times or evidence.
    AlertRevised {
        /// Which.
        id: AlertId,
        /// As judged now.
        occurred: Occurrence,
        /// It was never told to anybody and has ended.
        late_news: bool,
        /// As above.
        settled: bool,
    },
    /// Later data took it back.
    AlertWithdrawn {
        /// Which.
        id: AlertId,
        /// Why.
        reason: WithdrawnReason,
        /// Until when it was known to stand, if it never ended: where the unit's data ended then.
        through: EventTime,
    },
    /// Later data brought it back.
    AlertReinstated {
        /// Which.
        id: AlertId,
        /// As judged now.
        occurred: Occurrence,
        /// It was never told to anybody and has ended.
        late_news: bool,
        /// As above.
        settled: bool,
    },
    /// A person took it on.
    AlertAcknowledged {
        /// Which.
        id: AlertId,
        /// What they wrote.
        note: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// It is no longer suppressed by design.
    AlertUnsuppressed {
        /// Which.
        id: AlertId,
        /// At this tick.
        unsuppressed_at: EventTime,
        /// Told to people by this record.
        announced: bool,
    },
    /// Told to people after being withheld.
    AlertAnnounced {
        /// Which.
        id: AlertId,
    },
    /// Not told by itself: what its train shares was told with another unit's.
    AlertToldWith {
        /// Which.
        id: AlertId,
        /// The alert that people were told.
        with: AlertId,
    },
    /// The sender promised that no older data is to come.
    AlertSettled {
        /// Which.
        id: AlertId,
    },
    /// It stood when its rule went from trial to live.
    AlertMadeLive {
        /// Which.
        id: AlertId,
        /// The defect it belongs to from now on.
        defect: DefectId,
        /// Told to people by this record.
        announced: bool,
    },
    /// A defect was opened, by an alert that follows or by a person.
    DefectOpened {
        /// The next number.
        id: DefectId,
        /// The unit.
        unit: UnitId,
        /// System.
        system: String,
        /// Component.
        component: String,
        /// Who or what opened it.
        origin: DefectOrigin,
        /// Title of the alert, or the reporter's words.
        title: String,
        /// As reported; that of the rule when opened by an alert.
        priority: Priority,
        /// Event time.
        first_sign_at: EventTime,
        /// What to do, from the rule; empty for a report.
        action: String,
        /// How long the answer can wait, in milliseconds.
        respond_within_ms: i64,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// A person reported what is already an open defect.
    DefectReported {
        /// Which.
        id: DefectId,
        /// Who saw it.
        origin: DefectOrigin,
        /// In the reporter's words.
        title: String,
        /// As reported.
        priority: Priority,
        /// Event time.
        first_sign_at: EventTime,
        /// How long the answer can wait, in milliseconds.
        respond_within_ms: i64,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// The shop's finding, which closes it.
    FindingRecorded {
        /// Which.
        id: DefectId,
        /// What was found.
        kind: FindingKind,
        /// In the shop's words.
        note: String,
        /// What was done.
        #[serde(default)]
        work: Work,
        /// When the work was done, event time.
        repaired_at: EventTime,
        /// It stands in place of the finding that the defect had.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        corrects: bool,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// A person took it on, with all of its alerts that waited for an answer.
    DefectTakenOn {
        /// Which.
        id: DefectId,
        /// What they wrote.
        note: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// What was seen before came back after its repair.
    DefectReopened {
        /// Which.
        id: DefectId,
        /// When it was seen again, event time; unset by older versions.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        seen_at: Option<EventTime>,
    },
    /// The work has a place and a time, or has none any more.
    DefectPlanned {
        /// Which.
        id: DefectId,
        /// Where and when; `None` takes the plan back.
        plan: Option<Plan>,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// The shop is at it.
    WorkBegun {
        /// Which.
        id: DefectId,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// Closed without a finding.
    ClosedWithoutFinding {
        /// Which.
        id: DefectId,
        /// Why.
        note: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// Some of its alerts are another defect.
    DefectSplit {
        /// Which.
        id: DefectId,
        /// The number that the new one gets, the next.
        new: DefectId,
        /// What goes into it.
        alerts: Vec<AlertId>,
        /// Its component.
        component: String,
        /// Its title.
        title: String,
        /// Why.
        note: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// It is the same as another one.
    DefectMerged {
        /// Which.
        id: DefectId,
        /// The one that stays.
        into: DefectId,
        /// Why.
        note: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// What the desk says of the unit until the work is done.
    DispositionSaid {
        /// Which.
        id: DefectId,
        /// What.
        disposition: Disposition,
        /// How.
        how: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// Somebody was called.
    ContactLogged {
        /// About which defect.
        id: DefectId,
        /// About which of its alerts.
        alert: Option<AlertId>,
        /// Who was told.
        told: String,
        /// What they answered.
        answer: String,
        /// What they promised, or empty.
        promise: String,
        /// When the promise is due.
        promised_for: Option<ServerTime>,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// A promise was kept.
    PromiseKept {
        /// Of which defect.
        id: DefectId,
        /// Which contact, counted from 1.
        contact: u32,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// An answer was taken back: somebody else has to take it on.
    AlertGivenBack {
        /// Which.
        id: AlertId,
        /// Why.
        note: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// It still stood when what muted it ended, and people were told once more.
    AlertToldAgain {
        /// Which.
        id: AlertId,
    },
    /// A person muted something.
    Muted {
        /// The next number.
        id: MuteId,
        /// Shelved or out of service.
        kind: MuteKind,
        /// What it covers.
        scope: MuteScope,
        /// When it ends by itself.
        until: Option<ServerTime>,
        /// Why.
        reason: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// A mute ended: its time was over, or a person lifted it.
    MuteEnded {
        /// Which.
        id: MuteId,
        /// A person did it.
        lifted: bool,
        /// What they wrote.
        note: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
    /// The desk went from one person to another.
    HandedOver {
        /// The next number.
        id: HandoverId,
        /// Who leaves.
        from: String,
        /// Who takes over.
        to: String,
        /// What they wrote.
        note: String,
        /// The caller's request id, or empty.
        request_id: String,
    },
}

/// Why stored bytes are no ledger record for this program.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// Written by another version.
    #[error(
        "a ledger record has format version {found}, this program reads version {known}: \
         run the version that wrote it, or newer"
    )]
    UnknownVersion {
        /// The version found.
        found: u32,
        /// The version this program reads.
        known: u32,
    },
    /// Not what this program writes.
    #[error("a ledger record cannot be read")]
    Malformed {
        /// Where and what.
        #[source]
        source: serde_json::Error,
    },
}

#[derive(Serialize)]
struct Written<'a> {
    v: u32,
    at: ServerTime,
    by: &'a str,
    what: &'a Act,
}

#[derive(Deserialize)]
struct Read {
    at: ServerTime,
    by: String,
    what: Act,
}

#[derive(Deserialize)]
struct Version {
    v: u32,
}

impl LedgerRecord {
    /// The bytes to be stored.
    ///
    /// # Panics
    /// Never: no map has a key that JSON cannot write, and numbers are finite by the model's contract
    /// (a number that is not would be written as `null`, *unknown*).
    pub fn to_bytes(&self) -> Vec<u8> {
        let Self { at, by, act } = self;
        let written = Written {
            v: FORMAT_VERSION,
            at: *at,
            by,
            what: act,
        };
        serde_json::to_vec(&written).expect("ledger records have string keys only")
    }

    /// Reads stored bytes.
    ///
    /// # Errors
    /// [`RecordError::UnknownVersion`] before anything else is looked at, so that a record of a newer
    /// version is named as such; [`RecordError::Malformed`] for all else.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, RecordError> {
        let malformed = |source| RecordError::Malformed { source };
        match serde_json::from_slice::<Read>(bytes) {
            // The common case parses once; the version stands at the front of what we write.
            Ok(Read { at, by, what }) if bytes.starts_with(b"{\"v\":1,") => {
                Ok(Self { at, by, act: what })
            }
            other => {
                let Version { v } = serde_json::from_slice(bytes).map_err(malformed)?;
                if v != FORMAT_VERSION {
                    return Err(RecordError::UnknownVersion {
                        found: v,
                        known: FORMAT_VERSION,
                    });
                }
                let Read { at, by, what } = other.map_err(malformed)?;
                Ok(Self { at, by, act: what })
            }
        }
    }
}
