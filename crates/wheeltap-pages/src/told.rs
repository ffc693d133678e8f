//! Values in the words of a page.

use std::fmt::Write;
use wheeltap_model::EventTime;
use wheeltap_proto::v1;

/// `17` of `alerts/17`, `ZVR 4117` of `units/ZVR 4117`.
pub fn tail(name: &str) -> &str {
    name.split_once('/').map_or(name, |(_, tail)| tail)
}

/// RFC 3339 in UTC.
pub fn instant(unix_ms: i64) -> String {
    EventTime::from_unix_ms(unix_ms).to_string()
}

/// `2026-03-02 14:05`, in UTC.
pub fn minute(unix_ms: i64) -> String {
    let text = instant(unix_ms);
    text.get(..16).unwrap_or(&text).replace('T', " ")
}

/// A wire enum's word: `PRIORITY_HIGH` becomes `high`.
pub fn word(wire_name: &str, prefix: &str) -> String {
    match wire_name.strip_prefix(prefix) {
        None | Some("UNSPECIFIED") => "unknown".to_owned(),
        Some(word) => word.to_lowercase().replace('_', " "),
    }
}

/// A stretch of time in its two greatest units: `3 d 4 h`, `12 min`, `8 s`.
pub fn span(ms: i64) -> String {
    const UNITS: [(i64, &str); 4] = [
        (86_400_000, "d"),
        (3_600_000, "h"),
        (60_000, "min"),
        (1_000, "s"),
    ];
    let mut parts = Vec::new();
    let mut left = ms.max(0);
    for (size, name) in UNITS {
        if left >= size && parts.len() < 2 {
            parts.push(format!("{} {name}", left / size));
            left %= size;
        } else if !parts.is_empty() {
            break;
        }
    }
    if parts.is_empty() {
        "0 s".to_owned()
    } else {
        parts.join(" ")
    }
}

/// A number as a person would write it: five digits, and all of them before the point.
pub fn number(value: f64) -> String {
    if value.abs() >= 10_000.0 {
        return format!("{}", value.round());
    }
    let rounded: f64 = format!("{value:.4e}").parse().unwrap_or(value);
    format!("{rounded}")
}

/// What a rule saw, input by input.
pub fn evidence(evidence: Option<&v1::Evidence>) -> String {
    use v1::evidence_input::Value;
    let inputs = evidence.map_or(&[][..], |evidence| &evidence.inputs);
    let words: Vec<String> = inputs
        .iter()
        .map(|input| {
            let value = match &input.value {
                None => "not known".to_owned(),
                Some(Value::Flag(true)) => "yes".to_owned(),
                Some(Value::Flag(false)) => "no".to_owned(),
                Some(Value::Number(value)) if input.ucum == "1" => number(*value),
                Some(Value::Number(value)) => format!("{} {}", number(*value), input.ucum),
            };
            format!("{} {value}", input.input)
        })
        .collect();
    words.join(", ")
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
        assert_eq!(span(93_784_000), "1 d 2 h");
        assert_eq!(span(59_999), "59 s");
        assert_eq!(span(250), "0 s");
        assert_eq!(minute(1_772_410_000_000), "2026-03-02 00:06");
        assert_eq!(segment("ZVR 4117/a"), "ZVR%204117%2Fa");
        assert_eq!(word("UNIT_STATE_IN_SHOP", "UNIT_STATE_"), "in shop");
        assert_eq!(number(61.230_000_1), "61.23");
    }
}
