//! Who is told of changes: the `[[notify]]` tables of the settings.

use crate::Span;
use http::Uri;
use http::uri::Scheme;
use serde::Deserialize;
use std::net::IpAddr;
use std::path::PathBuf;
use wheeltap_model::Priority;

/// One receiver of events.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Receiver {
    /// Names it in the log; under it is kept how far it was told.
    pub name: ReceiverName,
    /// Where events are posted.
    pub url: ReceiverUrl,
    /// Changes of what; both unless said otherwise.
    #[serde(default = "both")]
    pub of: Vec<Of>,
    /// At least this priority; all when left out.
    #[serde(default)]
    pub least_priority: Option<Priority>,
    /// File with the secret that signs requests; without it they are not signed.
    #[serde(default)]
    pub secret_file: Option<PathBuf>,
    /// PEM file with the certificates of the authorities that may vouch for an `https` receiver; those that
    /// this machine trusts when left out.
    #[serde(default)]
    pub authorities_file: Option<PathBuf>,
    /// How long an answer may take.
    #[serde(default = "timeout")]
    pub timeout: Span,
    /// Wait after a first failure; it doubles with each further one.
    #[serde(default = "first_wait")]
    pub first_wait: Span,
    /// The longest wait between tries.
    #[serde(default = "longest_wait")]
    pub longest_wait: Span,
}

/// What changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Of {
    /// Alerts.
    Alerts,
    /// Defects.
    Defects,
}

fn both() -> Vec<Of> {
    vec![Of::Alerts, Of::Defects]
}

const fn timeout() -> Span {
    Span::from_ms(10_000)
}

const fn first_wait() -> Span {
    Span::from_ms(1_000)
}

const fn longest_wait() -> Span {
    Span::from_ms(300_000)
}

/// A name of 1 to 64 letters, digits, `-`, `_` and `.`; also the key id of signatures.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Deserialize)]
#[serde(try_from = "String")]
pub struct ReceiverName(String);

impl ReceiverName {
    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl TryFrom<String> for ReceiverName {
    type Error = String;
    fn try_from(text: String) -> Result<Self, Self::Error> {
        let is_fine = |byte: u8| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte);
        if (1..=64).contains(&text.len()) && text.bytes().all(is_fine) {
            Ok(Self(text))
        } else {
            Err(format!(
                "{text:?} is no name: write 1 to 64 letters, digits, \"-\", \"_\" or \".\""
            ))
        }
    }
}

/// `https`, or `http` on this machine: events are not sent over a network in the clear.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct ReceiverUrl(Uri);

impl ReceiverUrl {
    /// The address.
    pub const fn uri(&self) -> &Uri {
        &self.0
    }

    /// Whether what is sent is encrypted.
    pub fn is_encrypted(&self) -> bool {
        self.0.scheme() == Some(&Scheme::HTTPS)
    }
}

impl TryFrom<String> for ReceiverUrl {
    type Error = String;
    fn try_from(text: String) -> Result<Self, Self::Error> {
        let refuse = |why: &str| Err(format!("{text:?} {why}"));
        let url = text.parse::<Uri>().ok().map(Self);
        let Some(url) = url.filter(|url| matches!(url.0.scheme_str(), Some("http" | "https")))
        else {
            return refuse("is no address: write one such as \"https://orders.example/events\"");
        };
        let host = url.0.host().unwrap_or_default();
        let bare = host.trim_start_matches('[').trim_end_matches(']');
        let is_here =
            bare == "localhost" || bare.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback());
        if !is_here && !url.is_encrypted() {
            return refuse(
                "is on another machine, and events would travel in the clear: write \"https://\"",
            );
        }
        Ok(url)
    }
}
