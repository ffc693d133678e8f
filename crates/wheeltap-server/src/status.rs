//! The one maker of [`Status`]: each code and reason is chosen here, once.
//!
//! Every status carries one google.rpc.ErrorInfo (domain `wheeltap`) and, where fields are at fault,
//! a google.rpc.BadRequest (AIP-193).

use crate::access::Denied;
use crate::judging::LedgerError;
use rand::TryRngCore;
use std::time::Duration;
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, StatusExt};
use wheeltap_followup::Refusal;
use wheeltap_store::StoreError;

/// The domain of every reason.
pub const DOMAIN: &str = "wheeltap";

fn with_reason(code: Code, reason: &str, message: impl Into<String>) -> Status {
    let details = ErrorDetails::with_error_info(reason, DOMAIN, []);
    Status::with_error_details(code, message, details)
}

fn with_retry(code: Code, reason: &str, message: impl Into<String>, after: Duration) -> Status {
    let mut details = ErrorDetails::with_error_info(reason, DOMAIN, []);
    details.set_retry_info(Some(after));
    Status::with_error_details(code, message, details)
}

/// INVALID_ARGUMENT: a field of the request is at fault; `why` says what to write instead.
pub fn bad_field(reason: &str, field: &str, why: impl Into<String>) -> Status {
    let why = why.into();
    bad_fields(reason, format!("{field}: {why}"), [(field.to_owned(), why)])
}

/// INVALID_ARGUMENT with several violations, each a field and what to do about it.
pub fn bad_fields(
    reason: &str,
    message: impl Into<String>,
    violations: impl IntoIterator<Item = (String, String)>,
) -> Status {
    let mut details = ErrorDetails::with_error_info(reason, DOMAIN, []);
    for (field, why) in violations {
        details.add_bad_request_violation(field, why);
    }
    Status::with_error_details(Code::InvalidArgument, message, details)
}

/// INVALID_ARGUMENT without a field, such as a broken message.
pub fn invalid(reason: &str, message: impl Into<String>) -> Status {
    with_reason(Code::InvalidArgument, reason, message)
}

/// NOT_FOUND.
pub fn not_found(reason: &str, message: impl Into<String>) -> Status {
    with_reason(Code::NotFound, reason, message)
}

/// ALREADY_EXISTS: created twice with different content.
pub fn already_exists(message: impl Into<String>) -> Status {
    with_reason(Code::AlreadyExists, "ALREADY_EXISTS", message)
}

/// FAILED_PRECONDITION: not allowed in this state.
pub fn precondition(reason: &str, message: impl Into<String>) -> Status {
    with_reason(Code::FailedPrecondition, reason, message)
}

/// ABORTED: changed meanwhile by another writer.
pub fn stale_etag(message: impl Into<String>) -> Status {
    with_reason(Code::Aborted, "STALE_ETAG", message)
}

/// OUT_OF_RANGE: well formed, but beyond what is kept.
pub fn out_of_range(reason: &str, message: impl Into<String>) -> Status {
    with_reason(Code::OutOfRange, reason, message)
}

/// RESOURCE_EXHAUSTED: a bound is reached; ask less or later.
pub fn exhausted(reason: &str, message: impl Into<String>) -> Status {
    with_retry(
        Code::ResourceExhausted,
        reason,
        message,
        Duration::from_secs(10),
    )
}

/// UNAVAILABLE: retry with jitter.
pub fn unavailable(reason: &str, message: impl Into<String>) -> Status {
    with_retry(Code::Unavailable, reason, message, Duration::from_secs(2))
}

/// UNAVAILABLE: the service is stopping.
pub fn shutting_down() -> Status {
    unavailable("SHUTTING_DOWN", "the service is stopping; connect again")
}

/// INTERNAL: a bug. The caller gets an id to report; what happened is in the log under it.
pub fn internal(what: &str) -> Status {
    let id = rand::rngs::OsRng.try_next_u64().unwrap_or_default();
    let id = format!("{id:016x}");
    tracing::error!(id, what, "internal error");
    with_reason(
        Code::Internal,
        "INTERNAL",
        format!("something went wrong here; report the id {id}"),
    )
}

/// An error with its causes, each said once.
pub fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        text.push_str(": ");
        text.push_str(&error.to_string());
        cause = error.source();
    }
    text
}

/// What a stop of the store is on the wire; the whole chain is logged here, once.
pub fn store(error: &StoreError) -> Status {
    tracing::error!(error = chain(error), "the store failed");
    match error {
        StoreError::Corrupt { .. } | StoreError::UnknownVersion { .. } => with_reason(
            Code::DataLoss,
            "STORE_CORRUPT",
            format!("{error}; call the operator of the service"),
        ),
        StoreError::TooLarge { .. } => {
            with_reason(Code::InvalidArgument, "TOO_LARGE", error.to_string())
        }
        StoreError::Io { .. }
        | StoreError::Engine { .. }
        | StoreError::Locked { .. }
        | StoreError::Stopped { .. } => unavailable(
            "STORE_STOPPED",
            "the store takes no more work; the operator of the service must look",
        ),
    }
}

/// What a failure of the ledger is on the wire.
pub fn ledger(error: &LedgerError) -> Status {
    match error {
        LedgerError::Store { source } => store(source),
        LedgerError::Record { .. } | LedgerError::Book { .. } => {
            tracing::error!(error = chain(error), "the ledger failed");
            with_reason(
                Code::DataLoss,
                "STORE_CORRUPT",
                format!("{error}; call the operator of the service"),
            )
        }
    }
}

/// Why a person's act was refused, on the wire.
pub fn refusal(refusal: &Refusal) -> Status {
    let message = refusal.to_string();
    match refusal {
        Refusal::UnknownAlert { .. } => not_found("UNKNOWN_ALERT", message),
        Refusal::UnknownDefect { .. } => not_found("UNKNOWN_DEFECT", message),
        Refusal::UnknownRule { .. } => not_found("UNKNOWN_RULE", message),
        Refusal::Withdrawn { .. } => precondition("WITHDRAWN", message),
        Refusal::AlreadyAcknowledged { .. } => precondition("ALREADY_ACKNOWLEDGED", message),
        Refusal::AlreadyClosed { .. } | Refusal::WentInto { .. } => {
            precondition("ALREADY_CLOSED", message)
        }
        Refusal::DangerStands { .. } | Refusal::StillStands { .. } => {
            precondition("STILL_STANDS", message)
        }
        Refusal::NothingToCorrect { .. } => precondition("NOTHING_TO_CORRECT", message),
        Refusal::AlreadyTaken { .. } => precondition("ALREADY_TAKEN", message),
        Refusal::NotAcknowledged { .. } => precondition("NOT_ACKNOWLEDGED", message),
        Refusal::NeverMuted { .. } => precondition("NEVER_MUTED", message),
        Refusal::AlreadyMuted { .. } => precondition("ALREADY_MUTED", message),
        Refusal::UnknownMute { .. } => not_found("UNKNOWN_MUTE", message),
        Refusal::CannotRegroup { .. } => precondition("CANNOT_REGROUP", message),
        Refusal::BadField { field, why } => bad_field("BAD_FIELD", field, why.clone()),
        Refusal::BackToDraft { .. } => precondition("BAD_STAGE", message),
        Refusal::NeverOnTrial { .. } => precondition("NEVER_ON_TRIAL", message),
        Refusal::StaleEtag { .. } => stale_etag(message),
        Refusal::RepairAhead { .. }
        | Refusal::RepairBeforeSign { .. }
        | Refusal::RepairAfterReturn { .. } => {
            bad_field("BAD_FIELD", "finding.repaired_unix_ms", message)
        }
        Refusal::RequestIdReused { .. } => bad_field("REQUEST_ID_REUSED", "request_id", message),
    }
}

/// A call that the access table refused. Permission comes before existence, so it says no more.
pub fn denied(denied: &Denied, call: &str) -> Status {
    match denied {
        Denied::NoIdentity => with_reason(
            Code::Unauthenticated,
            "NO_IDENTITY",
            "nobody knows who calls: this version serves the machine it runs on only",
        ),
        Denied::NoRole => with_reason(
            Code::PermissionDenied,
            "NO_ROLE",
            format!("you have no role that may call {call}"),
        ),
        Denied::NoSuchCall => with_reason(
            Code::Unimplemented,
            "NO_SUCH_CALL",
            "there is no such call in this version",
        ),
        Denied::BadPerson { why } => {
            bad_field("BAD_PERSON", wheeltap_proto::PERSON_KEY, why.clone())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // AIP-193 as in check-values section 9: one ErrorInfo, its domain, the form of its reason.
    #[test]
    fn every_status_has_one_error_info_with_a_well_formed_reason() {
        let stopped = StoreError::Stopped {
            cause: "the disk is full".to_owned(),
        };
        for status in [
            bad_field("BAD_RANGE", "to_unix_ms", "is before from_unix_ms"),
            invalid("MALFORMED_MESSAGE", "no item"),
            not_found("UNKNOWN_UNIT", "no such unit"),
            already_exists("there is one"),
            precondition("WITHDRAWN", "it was withdrawn"),
            stale_etag("read it again"),
            out_of_range("CURSOR_EXPIRED", "list again"),
            exhausted("TOO_MANY_STREAMS", "too many"),
            shutting_down(),
            internal("a test"),
            store(&stopped),
            denied(&Denied::NoIdentity, "x"),
            denied(&Denied::NoRole, "x"),
            denied(&Denied::NoSuchCall, "x"),
        ] {
            let details = status.get_error_details();
            let info = details.error_info().expect("an ErrorInfo");
            assert_eq!(info.domain, "wheeltap");
            let reason = info.reason.as_bytes();
            assert!((3..=63).contains(&reason.len()), "{}", info.reason);
            assert!(reason[0].is_ascii_uppercase() && reason.last() != Some(&b'_'));
            assert!(
                reason
                    .iter()
                    .all(|b| b.is_ascii_uppercase() || b.is_ascii_digit() || *b == b'_')
            );
            assert_eq!(
                details.retry_info().is_some(),
                matches!(status.code(), Code::Unavailable | Code::ResourceExhausted)
            );
        }
        let field = bad_field("BAD_RANGE", "to_unix_ms", "is before from_unix_ms");
        let details = field.get_error_details();
        let violations = &details.bad_request().expect("violations").field_violations;
        assert_eq!(violations[0].field, "to_unix_ms");
    }
}
