//! Instants and spans. Event time and server time are different types on purpose.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A unit's clock, and what people tell of, may lie this far ahead of the server's clock, in milliseconds.
pub const CLOCK_SLACK_MS: i64 = 5 * 60_000;

macro_rules! instant {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(i64);

        impl $name {
            /// From whole milliseconds since 1970-01-01T00:00:00Z; negative before it.
            pub const fn from_unix_ms(ms: i64) -> Self {
                Self(ms)
            }

            /// Whole milliseconds since 1970-01-01T00:00:00Z.
            pub const fn unix_ms(self) -> i64 {
                self.0
            }

            /// This instant moved by `ms`, saturating at the ends of `i64`.
            #[must_use]
            pub const fn plus_ms(self, ms: i64) -> Self {
                Self(self.0.saturating_add(ms))
            }

            /// Milliseconds from `earlier` to this instant; negative when `earlier` is later.
            pub const fn ms_since(self, earlier: Self) -> i64 {
                self.0.saturating_sub(earlier.0)
            }
        }

        impl fmt::Display for $name {
            /// RFC 3339 in UTC, milliseconds only where they are not zero.
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write_rfc3339(self.0, f)
            }
        }
    };
}

instant!(
    /// When something happened aboard, by the unit's clock.
    EventTime
);
instant!(
    /// When the server received, announced or recorded something, by the server's clock.
    ServerTime
);

/// Civil date from days since 1970-01-01, proleptic Gregorian: days are counted from
/// 0000-03-01, so that the leap day is the last day of its year, in eras of 400 years.
fn civil(days: i64) -> (i64, i64, i64) {
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let day_of_era = shifted.rem_euclid(146_097);
    let year_of_era =
        (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted_month = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * shifted_month + 2) / 5 + 1;
    let month = if shifted_month < 10 {
        shifted_month + 3
    } else {
        shifted_month - 9
    };
    (year_of_era + era * 400 + i64::from(month <= 2), month, day)
}

fn write_rfc3339(unix_ms: i64, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    let (days, ms_of_day) = (
        unix_ms.div_euclid(86_400_000),
        unix_ms.rem_euclid(86_400_000),
    );
    let (year, month, day) = civil(days);
    let (hour, minute) = (ms_of_day / 3_600_000, ms_of_day / 60_000 % 60);
    let (second, ms) = (ms_of_day / 1_000 % 60, ms_of_day % 1_000);
    write!(
        f,
        "{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}"
    )?;
    if ms != 0 {
        write!(f, ".{ms:03}")?;
    }
    f.write_str("Z")
}

/// Why a span such as `"5 min"` was refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{text}\" is no span: {mend}")]
pub struct InvalidSpan {
    /// The text as given.
    pub text: String,
    /// What to write instead.
    pub mend: String,
}

impl InvalidSpan {
    fn new(text: &str) -> Self {
        let mend = match meant_ms(text) {
            Some(0) => {
                "it must be longer than nothing; leave it out where none is wanted".to_owned()
            }
            Some(span_ms) => format!("write \"{}\"", format_span(span_ms)),
            None => {
                "write a whole number and one of ms, s, min, h, d, such as \"5 min\"".to_owned()
            }
        };
        Self {
            text: text.to_owned(),
            mend,
        }
    }
}

/// What a text that is no span was most likely meant to be, in milliseconds: a fraction, or a unit by another name.
fn meant_ms(text: &str) -> Option<i64> {
    let trimmed = text.trim();
    let digits_end = trimmed.find(|c: char| !c.is_ascii_digit() && c != '.')?;
    let (number, unit) = trimmed.split_at(digits_end);
    let unit = unit.trim().to_ascii_lowercase();
    let (_, factor) = SPAN_UNITS
        .iter()
        .zip(SPAN_HABITS)
        .find_map(|((name, factor), habits)| {
            (*name == unit || habits.contains(&unit.as_str())).then_some((name, factor))
        })?;
    let count: f64 = number.parse().ok()?;
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        reason = "at most a day, and the product is checked"
    )]
    let whole = {
        let span_ms = count * *factor as f64;
        (span_ms.fract() == 0.0 && span_ms < 1e15).then_some(span_ms as i64)
    };
    whole
}

const SPAN_UNITS: [(&str, i64); 5] = [
    ("ms", 1),
    ("s", 1_000),
    ("min", 60_000),
    ("h", 3_600_000),
    ("d", 86_400_000),
];

/// What people write instead of each of [`SPAN_UNITS`], in lower case.
const SPAN_HABITS: [&[&str]; 5] = [
    &["msec", "millisecond", "milliseconds"],
    &["sec", "secs", "second", "seconds"],
    &["m", "mins", "minute", "minutes"],
    &["hr", "hrs", "hour", "hours"],
    &["day", "days"],
];

/// Reads a span such as `10 s`, `5 min`, `4 h`, `14 d` or `250 ms` into milliseconds (UCUM codes).
///
/// # Errors
/// [`InvalidSpan`] when the number is not a whole one above zero, the unit is unknown, or the
/// span does not fit.
pub fn parse_span(text: &str) -> Result<i64, InvalidSpan> {
    let refused = || InvalidSpan::new(text);
    let trimmed = text.trim();
    let digits_end = trimmed
        .find(|c: char| !c.is_ascii_digit())
        .ok_or_else(refused)?;
    let (digits, unit) = trimmed.split_at(digits_end);
    let count: i64 = digits.parse().map_err(|_| refused())?;
    let unit = unit.trim();
    let (_, factor) = SPAN_UNITS
        .iter()
        .find(|(name, _)| *name == unit)
        .ok_or_else(refused)?;
    match count.checked_mul(*factor) {
        Some(span_ms) if span_ms > 0 => Ok(span_ms),
        _ => Err(refused()),
    }
}

/// Writes milliseconds as the shortest exact span, the inverse of [`parse_span`].
pub fn format_span(span_ms: i64) -> String {
    let (name, factor) = SPAN_UNITS
        .iter()
        .rev()
        .find(|(_, factor)| span_ms % factor == 0 && span_ms != 0)
        .unwrap_or(&SPAN_UNITS[1]);
    format!("{} {name}", span_ms / factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 3339 section 5.8 examples, from memory (check-values section 9).
    #[test]
    fn instants_print_as_rfc3339() {
        let check = |ms: i64, expected: &str| {
            assert_eq!(EventTime::from_unix_ms(ms).to_string(), expected);
        };
        check(0, "1970-01-01T00:00:00Z");
        check(851_042_397_000, "1996-12-20T00:39:57Z");
        check(482_196_050_520, "1985-04-12T23:20:50.520Z");
        check(-1, "1969-12-31T23:59:59.999Z");
        check(951_782_400_000, "2000-02-29T00:00:00Z");
        check(-62_135_596_800_000, "0001-01-01T00:00:00Z");
        check(253_402_300_799_000, "9999-12-31T23:59:59Z");
    }

    #[test]
    fn spans_are_read_and_written() {
        for (text, ms) in [
            ("10 s", 10_000),
            ("5 min", 300_000),
            ("4h", 14_400_000),
            ("250 ms", 250),
        ] {
            assert_eq!(parse_span(text), Ok(ms));
            assert_eq!(parse_span(&format_span(ms)), Ok(ms));
        }
        for bad in [
            "",
            "5",
            "min",
            "-5 s",
            "0 s",
            "5 m",
            "1.5 h",
            "99999999999999999 d",
        ] {
            assert!(parse_span(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_refused_span_says_what_to_write_instead() {
        for (text, mend) in [
            ("1.5 h", "write \"90 min\""),
            ("0.5 min", "write \"30 s\""),
            ("10 sec", "write \"10 s\""),
            ("2 Hours", "write \"2 h\""),
            ("5m", "write \"5 min\""),
            ("0 s", "leave it out"),
            ("0.0001 s", "write a whole number"),
            ("1.2.3 h", "write a whole number"),
            ("soon", "write a whole number"),
        ] {
            let said = parse_span(text).unwrap_err().to_string();
            assert!(said.contains(mend), "{said}");
        }
    }
}
