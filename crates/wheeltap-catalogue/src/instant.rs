//! Instants written out, as RFC 3339 has them.

use jiff::Timestamp;

const DAY_S: i32 = 86_400;

/// Unix milliseconds of an RFC 3339 instant with its offset; a space may stand for the T. Digits beyond are cut off.
///
/// `None` for anything else, an offset of a day or more included: RFC 3339 section 5.6 has hours of 00 to 23.
pub fn read_instant(text: &str) -> Option<i64> {
    let instant: Timestamp = text.parse().ok()?;
    let offset = jiff::fmt::temporal::Pieces::parse(text)
        .ok()?
        .to_numeric_offset();
    let fits = offset.is_none_or(|offset| is_offset(offset.seconds()));
    fits.then(|| instant.as_millisecond())
}

/// Whether clocks anywhere can be written with this offset, in seconds.
pub(crate) const fn is_offset(offset_s: i32) -> bool {
    -DAY_S < offset_s && offset_s < DAY_S
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 3339 section 5.6: time-hour is 00 to 23.
    #[test]
    fn offsets_of_a_day_and_more_are_no_offsets() {
        for (text, expected) in [
            ("1970-01-01T00:00:01Z", Some(1_000)),
            ("1970-01-02T00:00:00+23:59", Some(60_000)),
            ("1969-12-31 00:00:00-23:59", Some(-60_000)),
            ("1970-01-02T00:00:00+24:00", None),
            ("1970-01-02T01:00:00+25:00", None),
            ("1970-01-01T00:00:00-24:00", None),
            ("1970-01-01T00:00:00", None),
        ] {
            assert_eq!(read_instant(text), expected, "{text}");
        }
    }
}
