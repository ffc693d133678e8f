//! Why a person's act is refused, and what every act is checked for.

use super::Planner;
use crate::{Act, KeptDefect};
use wheeltap_model::{
    AlertId, CLOCK_SLACK_MS, DefectId, DefectStatus, EventTime, MuteId, RuleName, RuleRef,
    RuleStage, ServerTime, UNNAMED,
};

/// Why a person's act was refused; nothing was changed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// No such alert.
    #[error("there is no alert {}; list the alerts", id.0)]
    UnknownAlert {
        /// As asked for.
        id: AlertId,
    },
    /// The alert was withdrawn.
    #[error("alert {} was withdrawn by later data; read it again", id.0)]
    Withdrawn {
        /// Which.
        id: AlertId,
    },
    /// Somebody else took it on.
    #[error("alert {} was acknowledged by {by}", id.0)]
    AlreadyAcknowledged {
        /// Which.
        id: AlertId,
        /// By whom.
        by: String,
    },
    /// No such defect.
    #[error("there is no defect {}; list the defects", id.0)]
    UnknownDefect {
        /// As asked for.
        id: DefectId,
    },
    /// It has no finding.
    #[error("defect {} has no finding that could be corrected; record one", id.0)]
    NothingToCorrect {
        /// Which.
        id: DefectId,
    },
    /// It has its finding, is void or went into another.
    #[error("defect {} is {status}; report a new one if it came back", id.0)]
    AlreadyClosed {
        /// Which.
        id: DefectId,
        /// Such as `closed` or `void`.
        status: &'static str,
    },
    /// What warns of danger stays before people's eyes while it stands.
    #[error(
        "alert {} warns of danger and stands, so defect {} stays open; record what was found once somebody has looked",
        alert.0, id.0
    )]
    DangerStands {
        /// Which defect.
        id: DefectId,
        /// Its alert.
        alert: AlertId,
    },
    /// What stands is not done with.
    #[error(
        "alert {} of defect {} stands; record what was found, or shelve it or take it out of service and then close",
        alert.0, id.0
    )]
    StillStands {
        /// Which defect.
        id: DefectId,
        /// Its alert.
        alert: AlertId,
    },
    /// Somebody else took the defect on.
    #[error("defect {} was taken on by {by}", id.0)]
    AlreadyTaken {
        /// Which.
        id: DefectId,
        /// By whom.
        by: String,
    },
    /// Nobody has taken the alert on.
    #[error("alert {} is nobody's: there is no answer to take back", id.0)]
    NotAcknowledged {
        /// Which.
        id: AlertId,
    },
    /// `safety` is never muted.
    #[error("{what} warns of danger to people and is never muted")]
    NeverMuted {
        /// The rule's title.
        what: String,
    },
    /// The same is muted already.
    #[error("it is muted already, by mute {} of {by}; lift that one first", id.0)]
    AlreadyMuted {
        /// Which.
        id: MuteId,
        /// By whom.
        by: String,
    },
    /// No such mute.
    #[error("there is no mute {}; list the mutes", id.0)]
    UnknownMute {
        /// As asked for.
        id: MuteId,
    },
    /// A field of the request cannot be taken.
    #[error("{field} {why}")]
    BadField {
        /// Which.
        field: &'static str,
        /// What is wrong with it and what to write.
        why: String,
    },
    /// A defect cannot be split or merged so.
    #[error("{why}")]
    CannotRegroup {
        /// Why, and what to do.
        why: String,
    },
    /// A repair in the future would swallow alerts to come.
    #[error("the repair at {repaired_at} is ahead of now, {now}; give the time it was done")]
    RepairAhead {
        /// As given.
        repaired_at: EventTime,
        /// The server's time.
        now: ServerTime,
    },
    /// Nothing is repaired before it showed.
    #[error(
        "the repair at {repaired_at} is before {sign_at}, when defect {} first showed or came back; give the \
         time it was done",
        id.0
    )]
    RepairBeforeSign {
        /// Which.
        id: DefectId,
        /// As given.
        repaired_at: EventTime,
        /// The first sign, or the repair before that did not hold.
        sign_at: EventTime,
    },
    /// What was seen again later was repaired before.
    #[error(
        "the repair at {repaired_at} is after {again_at}, when defect {} was seen again; the finding corrected is of \
         the time before, so give the time that work was done",
        id.0
    )]
    RepairAfterReturn {
        /// Which.
        id: DefectId,
        /// As given.
        repaired_at: EventTime,
        /// When it was seen again.
        again_at: EventTime,
    },
    /// A call about a defect that went into another would be lost.
    #[error("defect {} went into defect {}; log the call there", id.0, into.0)]
    WentInto {
        /// Which.
        id: DefectId,
        /// Into which.
        into: DefectId,
    },
    /// Changed since the caller read it.
    #[error("changed meanwhile: the etag is now {current}; read it again")]
    StaleEtag {
        /// What it is now.
        current: String,
    },
    /// No such rule version.
    #[error("there is no version {} of rule {}; list the rules", rule.version, rule.name)]
    UnknownRule {
        /// As asked for.
        rule: RuleRef,
    },
    /// A version does not go back to being a draft.
    #[error("a rule that was {from:?} does not become a draft again; lodge a new version")]
    BackToDraft {
        /// Its stage.
        from: RuleStage,
    },
    /// A version goes live after a trial, or for a reason.
    #[error(
        "this version of rule {name} was never on trial, so nobody has seen what it does on live data; put it on \
         trial first, or say why it goes live without (reason)"
    )]
    NeverOnTrial {
        /// Which rule.
        name: RuleName,
    },
    /// The request id was used by this caller for something else.
    #[error("request id \"{request_id}\" was used before to {before}; make a new one")]
    RequestIdReused {
        /// As given.
        request_id: String,
        /// What for.
        before: String,
    },
}

impl Planner<'_> {
    /// Whether what is told of is still to come.
    pub(super) fn is_ahead(&self, at: EventTime) -> bool {
        at.ms_since(EventTime::from_unix_ms(self.now.unix_ms())) > CLOCK_SLACK_MS
    }

    /// What was made when this request came first, by number; see [`crate::Book`]'s own.
    pub(super) fn made_before(&self, act: &Act) -> Result<Option<u64>, Refusal> {
        self.book.answered_before(&self.by, act)
    }

    /// Whether this request was answered before.
    pub(super) fn is_repeat(&self, act: &Act) -> Result<bool, Refusal> {
        Ok(self.made_before(act)?.is_some())
    }

    /// Whether this is who acts. Two who say no name are not one.
    pub(super) fn is_the_same(&self, by: &str) -> bool {
        by == self.by && by != UNNAMED
    }

    pub(super) fn open(&self, id: DefectId) -> Result<&'_ KeptDefect, Refusal> {
        let kept = self.book.defect(id).ok_or(Refusal::UnknownDefect { id })?;
        let status = match kept.defect().status {
            DefectStatus::Suspected | DefectStatus::Planned | DefectStatus::InWork => {
                return Ok(kept);
            }
            DefectStatus::Closed => "closed",
            DefectStatus::FindingOwed => "closed, and its finding is owed",
            DefectStatus::Void => "void",
            DefectStatus::Merged => "part of another one",
        };
        Err(Refusal::AlreadyClosed { id, status })
    }
}

/// Refuses what was left empty.
pub(super) fn said(field: &'static str, text: &str) -> Result<(), Refusal> {
    if text.trim().is_empty() {
        return Err(Refusal::BadField {
            field,
            why: "is empty; say it".to_owned(),
        });
    }
    Ok(())
}

pub(super) fn check_etag(given: &str, current: &str) -> Result<(), Refusal> {
    if given.is_empty() || given == current {
        return Ok(());
    }
    Err(Refusal::StaleEtag {
        current: current.to_owned(),
    })
}
