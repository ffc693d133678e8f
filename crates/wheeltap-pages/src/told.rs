//! Values in the words of a page.

use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};
use wheeltap_model::{EventTime, evidence_words, span_words};
use wheeltap_proto::convert;
use wheeltap_proto::v1;

pub use wheeltap_model::{number_words as number, rate_words as rate, unit_words as unit};
pub use wheeltap_proto::convert::{name_tail as tail, rule_and_version};

/// RFC 3339 in UTC.
pub fn instant(unix_ms: i64) -> String {
    EventTime::from_unix_ms(unix_ms).to_string()
}

/// `2026-03-02 14:05`, in UTC.
pub fn minute(unix_ms: i64) -> String {
    let text = instant(unix_ms);
    text.get(..16).unwrap_or(&text).replace('T', " ")
}

/// An id for what a form will ask for: sent twice, it is done once.
pub fn request_id() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    format!("page-{:x}-{number:x}", crate::board::now_ms())
}

/// `2026-03-02 14:05:09`, now and in UTC.
pub fn clock() -> String {
    let text = instant(crate::board::now_ms());
    let text = text.get(..19).unwrap_or_default();
    text.replacen('T', " ", 1)
}

/// A wire enum's word, as on a page: `UNIT_STATE_IN_SHOP` becomes `in shop`.
pub fn word(wire_name: &str, prefix: &str) -> String {
    convert::enum_word(wire_name, prefix).replace('_', " ")
}

/// A stretch of time in its two greatest units, whole seconds: `3 d 4 h`, `12 min`, `8 s`.
pub fn span(ms: i64) -> String {
    match ms {
        1_000.. => span_words(ms),
        _ => "0 s".to_owned(),
    }
}

/// What a rule saw, input by input.
pub fn evidence(evidence: Option<&v1::Evidence>) -> String {
    evidence_words(&convert::evidence_inputs(evidence))
}

/// A path with what it is asked for; what is empty is left out.
pub fn query(path: &str, said: &[(&str, &str)]) -> String {
    let said = said.iter().filter(|(_, value)| !value.is_empty());
    let said = said.map(|(key, value)| format!("{key}={}", segment(value)));
    format!("{path}?{}", said.collect::<Vec<_>>().join("&"))
}

/// A path segment of a URL.
pub fn segment(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            // Writing to a string does not fail.
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_read_easily() {
        assert_eq!(span(59_999), "59 s");
        assert_eq!(span(250), "0 s");
        assert_eq!((clock().len(), clock().matches(':').count()), (19, 2));
        assert_eq!(minute(1_772_410_000_000), "2026-03-02 00:06");
        assert_eq!(segment("ZVR 4117/a"), "ZVR%204117%2Fa");
        assert_eq!(word("UNIT_STATE_IN_SHOP", "UNIT_STATE_"), "in shop");
    }
}
