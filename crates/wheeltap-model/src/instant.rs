//! Instants written out, as RFC 3339 has them.

use jiff::civil::{DateTime, Time};
use jiff::fmt::temporal::Pieces;
use jiff::tz::Offset;

const DAY_S: i32 = 86_400;

/// Unix milliseconds of an RFC 3339 instant with its offset; a space may stand for the T. Digits beyond are cut off.
///
/// `None` for anything else, an offset of a day or more included: RFC 3339 section 5.6 has hours of 00 to 23.
pub fn read_instant(text: &str) -> Option<i64> {
    read(text, None)
}

/// As [`read_instant`], also of a time or a date alone, whose midnight is meant, at `offset_s` seconds from UTC.
pub fn read_instant_at(text: &str, offset_s: i32) -> Option<i64> {
    read(text, Some(offset_s))
}

fn read(text: &str, offset_s: Option<i32>) -> Option<i64> {
    let pieces = Pieces::parse(text).ok()?;
    let (time, offset) = match (pieces.time(), pieces.to_numeric_offset()) {
        (Some(time), Some(offset)) => (time, offset),
        (time, None) => {
            let offset = Offset::from_seconds(offset_s?).ok()?;
            (time.unwrap_or(Time::midnight()), offset)
        }
        (None, Some(_)) => return None,
    };
    let civil = DateTime::from_parts(pieces.date(), time);
    let instant = offset.to_timestamp(civil).ok()?;
    is_offset(offset.seconds()).then(|| instant.as_millisecond())
}

/// Whether clocks anywhere can be written with this offset, in seconds.
pub const fn is_offset(offset_s: i32) -> bool {
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
            ("1970-01-01T00:00:01.0019Z", Some(1_001)),
            ("1970-01-02T00:00:00+23:59", Some(60_000)),
            ("1969-12-31 00:00:00-23:59", Some(-60_000)),
            ("1970-01-02T00:00:00+24:00", None),
            ("1970-01-02T01:00:00+25:00", None),
            ("1970-01-01T00:00:00-24:00", None),
            ("1970-01-01T00:00:00", None),
            ("1970-01-02", None),
            ("1970-01-32T00:00:00Z", None),
            ("noon", None),
        ] {
            assert_eq!(read_instant(text), expected, "{text}");
            let else_an_hour_on = expected.or(match text {
                "1970-01-01T00:00:00" => Some(-3_600_000),
                "1970-01-02" => Some(82_800_000),
                _ => None,
            });
            assert_eq!(read_instant_at(text, 3_600), else_an_hour_on, "{text}");
        }
    }
}
