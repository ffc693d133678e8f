//! What went wrong with a call, told so that a person can act on it.

use std::fmt;
use tonic::{Code, Status};
use tonic_types::StatusExt;

/// The `domain` of every `google.rpc.ErrorInfo` the service sends.
pub const ERROR_DOMAIN: &str = "wheeltap";

/// What the transport says of an answer that is no gRPC, such as a web page.
const NO_GRPC: [&str; 2] = ["invalid compression flag", "grpc-status header missing"];

/// A refused or failed call.
#[derive(Clone, Debug)]
pub struct CallError {
    /// The gRPC code.
    pub code: Code,
    /// The service's machine-readable reason, such as `UNKNOWN_UNIT`; empty when the error did not
    /// come from the service (a lost connection, for example).
    pub reason: String,
    /// What happened, in the service's words.
    pub message: String,
    /// What to do about it.
    pub mend: String,
    /// Which fields are at fault, with what is wrong with each.
    pub fields: Vec<(String, String)>,
    /// Further facts by name, such as `unit`; sorted by name.
    pub metadata: Vec<(String, String)>,
}

impl CallError {
    /// Reads a status with its details.
    pub fn from_status(status: &Status) -> Self {
        let details = status.get_error_details();
        let info = details
            .error_info()
            .filter(|info| info.domain == ERROR_DOMAIN);
        let mut metadata: Vec<(String, String)> = info
            .map(|info| info.metadata.clone().into_iter().collect())
            .unwrap_or_default();
        metadata.sort();
        let told_mend = metadata
            .iter()
            .position(|(key, _)| key == "mend")
            .map(|idx| metadata.remove(idx).1);
        // Every error of the service has its info; what speaks no gRPC at all cannot have any.
        let is_other = info.is_none() && NO_GRPC.iter().any(|said| status.message().contains(said));
        if is_other {
            return Self {
                code: status.code(),
                reason: String::new(),
                message: "what answers at this address is not the service; it may be its pages"
                    .to_owned(),
                mend: "give the address that the service listens on, such as http://127.0.0.1:7417"
                    .to_owned(),
                fields: Vec::new(),
                metadata: Vec::new(),
            };
        }
        let fields = details
            .bad_request()
            .map(|bad| {
                bad.field_violations
                    .iter()
                    .map(|violation| (violation.field.clone(), violation.description.clone()))
                    .collect()
            })
            .unwrap_or_default();
        Self {
            code: status.code(),
            reason: info.map(|info| info.reason.clone()).unwrap_or_default(),
            message: if status.message().is_empty() {
                status.code().description().to_owned()
            } else {
                status.message().to_owned()
            },
            mend: told_mend.unwrap_or_else(|| mend(status.code()).to_owned()),
            fields,
            metadata,
        }
    }

    /// Whether the same call may well succeed later without anybody changing anything.
    pub fn is_transient(&self) -> bool {
        matches!(self.code, Code::Unavailable | Code::ResourceExhausted)
    }

    /// What happened and which fields are at fault, for a person who does not know the reasons by name.
    pub fn plain_words(&self) -> String {
        let (message, others) = self.told();
        message + &others
    }

    /// The service's message and the faults that it does not hold: each once, as it holds most of them already,
    /// in the names of the wire.
    fn told(&self) -> (String, String) {
        let mut message = self.message.clone();
        let mut others = String::new();
        for (field, why) in &self.fields {
            let wired = format!("{field}: {why}");
            if message.contains(&wired) {
                message = message.replace(&wired, &fault(field, why));
            } else if !message.contains(why) {
                others += "; ";
                others += &fault(field, why);
            }
        }
        (message, others)
    }

    /// One of the further facts.
    pub fn fact(&self, name: &str) -> Option<&str> {
        self.metadata
            .iter()
            .find(|(key, _)| key == name)
            .map(|(_, value)| value.as_str())
    }
}

/// What to do when the service did not say it itself.
fn mend(code: Code) -> &'static str {
    match code {
        // The fault says what to write instead, the message what is the case.
        Code::InvalidArgument | Code::NotFound | Code::FailedPrecondition => "",
        Code::AlreadyExists => "read what exists first",
        Code::PermissionDenied => "ask for the role that this call needs",
        Code::Unauthenticated => "say who you are",
        Code::Aborted => "read it again, then repeat the call",
        Code::OutOfRange => "list again from the start, or ask for less",
        Code::ResourceExhausted => "ask for less, or try again later",
        Code::Unavailable => "check that the service runs at this address, then try again",
        Code::DeadlineExceeded => "try again; look at the service's load if it happens often",
        Code::DataLoss => "call whoever runs the service: stored data fail their check",
        Code::Unimplemented => "use a client and a service of the same version",
        _ => "report it to whoever runs the service",
    }
}

/// A field as a person would call it: `filter.raised_to_unix_ms` is "raised to".
fn plain(field: &str) -> String {
    let last = field.rsplit('.').next().unwrap_or(field);
    last.trim_end_matches("_unix_ms").replace('_', " ")
}

/// `until is 2020-..., which is over`, or `value: -5 mm is not believable`.
fn fault(field: &str, why: &str) -> String {
    let goes_on = ["is ", "has ", "names "];
    let goes_on = goes_on.iter().any(|verb| why.starts_with(verb));
    let between = if goes_on { " " } else { ": " };
    format!("{}{between}{why}", plain(field))
}

impl fmt::Display for CallError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (message, others) = self.told();
        f.write_str(&message)?;
        if !self.reason.is_empty() {
            write!(f, " ({})", self.reason)?;
        }
        f.write_str(&others)?;
        match self.mend.as_str() {
            "" => Ok(()),
            mend => write!(f, "; {mend}"),
        }
    }
}

impl std::error::Error for CallError {}

impl From<Status> for CallError {
    fn from(status: Status) -> Self {
        Self::from_status(&status)
    }
}

/// Why no connection could be set up.
#[derive(Debug, thiserror::Error)]
pub enum ConnectError {
    /// The text is no address.
    #[error("\"{endpoint}\" is no address: write http://HOST:PORT, such as http://127.0.0.1:7417")]
    BadEndpoint {
        /// The text as given.
        endpoint: String,
        /// Why.
        #[source]
        source: tonic::transport::Error,
    },
    /// Nobody answered there.
    #[error("no service answers at {endpoint}: check the address, and that the service runs")]
    Unreachable {
        /// The address as given.
        endpoint: String,
        /// Why.
        #[source]
        source: tonic::transport::Error,
    },
}

#[cfg(test)]
mod tests {
    use super::*;
    use tonic_types::ErrorDetails;

    #[test]
    fn reason_fields_and_mend_are_told() {
        let mut details = ErrorDetails::new();
        details.set_error_info(
            "UNKNOWN_UNIT",
            ERROR_DOMAIN,
            [
                ("unit".to_owned(), "ZVR 9".to_owned()),
                ("mend".to_owned(), "create the unit first".to_owned()),
            ],
        );
        details.add_bad_request_violation("unit", "no such unit");
        let status = Status::with_error_details(Code::NotFound, "there is no unit ZVR 9", details);
        let error = CallError::from_status(&status);
        assert_eq!(error.reason, "UNKNOWN_UNIT");
        assert_eq!(error.fact("unit"), Some("ZVR 9"));
        assert_eq!(
            error.to_string(),
            "there is no unit ZVR 9 (UNKNOWN_UNIT); unit: no such unit; create the unit first"
        );
    }

    #[test]
    fn a_fault_is_told_once_and_in_plain_names() {
        let said = |message: &str, faults: &[(&str, &str)]| {
            let mut details = ErrorDetails::new();
            details.set_error_info("BAD_FIELD", ERROR_DOMAIN, []);
            for (field, why) in faults {
                details.add_bad_request_violation(*field, *why);
            }
            let status = Status::with_error_details(Code::InvalidArgument, message, details);
            CallError::from_status(&status).to_string()
        };
        let over = ("until_unix_ms", "is 2020-01-01T00:00:00Z, which is over");
        assert_eq!(
            said(&format!("{}: {}", over.0, over.1), &[over]),
            "until is 2020-01-01T00:00:00Z, which is over (BAD_FIELD)"
        );
        let worn = ("care[0].value", "-5 mm is not believable");
        let unit = ("care[1].unit", "the fleet has no unit ZVR 9");
        let message = format!("nothing was recorded: {}: {} (and 1 more)", worn.0, worn.1);
        assert_eq!(
            said(&message, &[worn, unit]),
            "nothing was recorded: value: -5 mm is not believable (and 1 more) (BAD_FIELD); \
             unit: the fleet has no unit ZVR 9"
        );
    }

    #[test]
    fn an_answer_that_is_no_grpc_is_told_as_such() {
        let status =
            Status::internal("protocol error: received message with invalid compression flag: 111");
        let said = CallError::from_status(&status).to_string();
        assert!(
            said.contains("is not the service") && said.contains("7417"),
            "{said}"
        );
    }

    #[test]
    fn a_foreign_status_still_reads_well() {
        let error = CallError::from_status(&Status::unavailable("tcp connect error"));
        assert!(error.is_transient());
        assert_eq!(error.reason, "");
        assert!(
            error
                .to_string()
                .starts_with("tcp connect error; check that")
        );
    }
}
