//! `[time]`: how a row's time is read.

use super::layout::{Source, read_source, texts};
use crate::catalogue::parse_ucum;
use crate::doc::{At, Problems, Section, as_count};
use crate::ucum::Ucum;
use toml::de::DeValue;
use wheeltap_model::{is_offset, read_instant};

/// How a row's time is read.
#[derive(Clone, Debug)]
pub(crate) struct TimeRule {
    /// Where it is written; several cells are read as one text, with a space between them.
    pub(crate) sources: Vec<Source>,
    pub(crate) form: TimeForm,
}

#[derive(Clone, Debug)]
pub(crate) enum TimeForm {
    /// A number of spans of `unit_ms` after `from_ms`.
    Counts { unit_ms: f64, from_ms: i64 },
    /// RFC 3339; `offset_s` is taken where the text has none.
    Rfc3339 { offset_s: Option<i32> },
    /// A strftime pattern.
    Pattern {
        pattern: String,
        offset_s: i32,
        date_from_file: bool,
    },
}

/// As [`read_source`], or `columns` or `positions` where date and time of day have a column each.
fn read_time_sources(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<Vec<Source>> {
    let (columns, positions) = (section.value("columns"), section.value("positions"));
    let (value, sources) = match (columns, positions) {
        (None, None) => return read_source(section, problems).map(|source| vec![source]),
        (Some(value), _) => {
            let names = value
                .get_ref()
                .as_array()
                .and_then(|_| texts(value.get_ref()));
            let one = |name: String| Source::Named(vec![name]);
            (
                value,
                names.map(|names| names.into_iter().map(one).collect()),
            )
        }
        (None, Some(value)) => {
            let counts = value.get_ref().as_array().map(|items| {
                let place = |item: &toml::Spanned<DeValue<'_>>| as_count(item.get_ref());
                items.iter().map(place).collect::<Option<Vec<u32>>>()
            });
            let at = |count: u32| Source::At(count as usize - 1);
            let counts = counts.flatten();
            (
                value,
                counts.map(|counts| counts.into_iter().map(at).collect()),
            )
        }
    };
    let sources: Option<Vec<Source>> = sources;
    let is_alone = [section.has("column"), section.has("position")] == [false; 2]
        && (columns.is_none() || positions.is_none());
    let sources = sources.filter(|sources| sources.len() > 1 && is_alone);
    if sources.is_none() {
        problems.add(
            &value.span(),
            "date and time of day are not in a list of columns",
            "write columns = [\"Date\", \"Time\"] or positions = [1, 2], or give `column` or `position` for one column",
        );
    }
    sources
}

pub(super) fn read_time(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<TimeRule> {
    let sources = read_time_sources(section, problems);
    let counts = section.text("counts", problems).map(At::owned);
    let from = section.text("from", problems);
    let text = section.text("text", problems);
    let zone = section.text("zone", problems);
    let date_from_file = section.flag("date_from_file", problems);
    section.refuse_unknown(problems);
    let offset_s = zone.as_ref().and_then(|zone| read_zone(zone, problems));
    let form = match (counts, text) {
        (Some(counts), None) => {
            if sources.as_ref().is_some_and(|sources| sources.len() > 1) {
                problems.add(
                    &counts.span,
                    "a number stands in one column",
                    "give `text` and the pattern that date and time make with a space between them",
                );
            }
            for (key, foreign) in [
                ("zone", zone.as_ref().map(|at| &at.span)),
                ("date_from_file", date_from_file.as_ref().map(|at| &at.span)),
            ] {
                if let Some(span) = foreign {
                    problems.add(
                        span,
                        format!("`{key}` has no use where time is a number"),
                        "remove it; `from` is written with its own zone",
                    );
                }
            }
            read_counts(&counts, from.as_ref(), problems)
        }
        (None, Some(text)) => {
            if let Some(from) = from {
                problems.add(
                    &from.span,
                    "`from` has no use where time is written out",
                    "remove it, or give `counts` instead of `text`",
                );
            }
            let date_from_file = date_from_file.is_some_and(|flag| flag.value);
            read_pattern(&text, offset_s, zone.is_some(), date_from_file, problems)
        }
        _ => {
            problems.add(
                &section.span,
                "[time] needs either `counts` or `text`",
                "add counts = \"s\" for a number, or text = \"rfc3339\" or a strftime pattern",
            );
            None
        }
    };
    Some(TimeRule {
        sources: sources?,
        form: form?,
    })
}

fn read_zone(zone: &At<&str>, problems: &mut Problems<'_>) -> Option<i32> {
    let offset = if zone.value == "Z" {
        Some(0)
    } else {
        jiff::fmt::strtime::parse("%:z", zone.value)
            .ok()
            .and_then(|parsed| parsed.offset())
            .map(jiff::tz::Offset::seconds)
            .filter(|offset_s| is_offset(*offset_s))
    };
    if offset.is_none() {
        problems.add(
            &zone.span,
            format!("zone \"{}\" is no fixed offset", zone.value),
            "write it like zone = \"+00:00\"; names of places are not understood, since clocks \
             that change twice a year do not say which hour is meant",
        );
    }
    offset
}

fn read_counts(
    counts: &At<String>,
    from: Option<&At<&str>>,
    problems: &mut Problems<'_>,
) -> Option<TimeForm> {
    let unit = parse_ucum(counts, problems)?;
    let millisecond = Ucum::parse("ms").ok()?;
    let Some(unit_ms) = unit.convert(1.0, &millisecond) else {
        problems.add(
            &counts.span,
            format!("`counts` = \"{}\" is no unit of time", counts.value),
            "write s, ms, min, h or d",
        );
        return None;
    };
    let mut from_ms = 0;
    if let Some(from) = from {
        let Some(instant) = read_instant(from.value) else {
            problems.add(
                &from.span,
                format!("`from` = \"{}\" is no RFC 3339 instant", from.value),
                "write it like from = \"2026-01-01T00:00:00Z\"",
            );
            return None;
        };
        from_ms = instant;
    }
    Some(TimeForm::Counts { unit_ms, from_ms })
}

fn read_pattern(
    text: &At<&str>,
    offset_s: Option<i32>,
    has_zone: bool,
    date_from_file: bool,
    problems: &mut Problems<'_>,
) -> Option<TimeForm> {
    if text.value == "rfc3339" {
        if date_from_file {
            problems.add(
                &text.span,
                "RFC 3339 has its own date",
                "remove date_from_file, or give a pattern of the time of day",
            );
        }
        return Some(TimeForm::Rfc3339 { offset_s });
    }
    if !text.value.contains('%') {
        problems.add(
            &text.span,
            format!("`text` = \"{}\" is no pattern", text.value),
            "write \"rfc3339\" or a strftime pattern such as \"%Y-%m-%d %H:%M:%S\"",
        );
        return None;
    }
    // The pattern is tried on an instant written by itself, so that a bad one is found before
    // any file is read.
    let tried = jiff::fmt::strtime::format(text.value, jiff::Timestamp::UNIX_EPOCH)
        .and_then(|written| jiff::fmt::strtime::parse(text.value, written));
    let tried = match tried {
        Ok(tried) => tried,
        Err(error) => {
            problems.add(
                &text.span,
                format!(
                    "`text` = \"{}\" is no pattern that can be read: {error}",
                    text.value
                ),
                "use %Y %m %d %H %M %S, %.f for a fraction, %z for an offset",
            );
            return None;
        }
    };
    let names_zone = tried.offset().is_some() || tried.timestamp().is_some();
    if !names_zone && !has_zone {
        problems.add(
            &text.span,
            "the pattern names no zone",
            "add zone = \"+00:00\" or the offset in which the times are written",
        );
        return None;
    }
    let dated = tried.timestamp().is_some() || tried.to_date().is_ok();
    if dated == date_from_file {
        problems.add(
            &text.span,
            if dated {
                "the pattern has a date of its own"
            } else {
                "the pattern has no date"
            },
            if dated {
                "remove date_from_file"
            } else {
                "add the date to the pattern, or date_from_file = true where file names have it"
            },
        );
        return None;
    }
    Some(TimeForm::Pattern {
        pattern: text.value.to_owned(),
        offset_s: offset_s.unwrap_or(0),
        date_from_file,
    })
}
