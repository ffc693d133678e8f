//! When an inspection is due: whole calendar days after the last, and days out of use on top.

use wheeltap_model::{EventTime, Inspection, Timeline, UnitState, WorkSettings};

const DAY_MS: i64 = 86_400_000;

/// When an inspection is due again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueDay {
    /// Days since 1970-01-01 of the last local calendar day on which it may be made.
    pub day: i64,
    /// Days of credit in it.
    pub credit_days: i64,
}

/// The local calendar day of an instant, in days since 1970-01-01.
pub fn local_day(at: EventTime, utc_offset_s: i32) -> i64 {
    (at.unix_ms() + i64::from(utc_offset_s) * 1_000).div_euclid(DAY_MS)
}

/// The instant at which a local calendar day ends.
pub fn end_of_day(day: i64, utc_offset_s: i32) -> EventTime {
    EventTime::from_unix_ms((day + 1) * DAY_MS - i64::from(utc_offset_s) * 1_000)
}

/// When an inspection made at `last` is due again, as far as is known at `as_of`.
///
/// The due day is the day of the last plus the interval, and may itself be used. Credit is the whole days
/// of each stretch out of use since then, counted where the stretch is at least so long as the work settings
/// say; a stretch that goes on counts up to `as_of`.
///
/// Source: 49 CFR 229.23 (interval from the last), 229.33 from memory (credit for periods of at least 30
/// consecutive days); both are settings.
pub fn due_day(
    inspection: &Inspection,
    last: EventTime,
    states: &Timeline<UnitState>,
    as_of: EventTime,
    work: &WorkSettings,
) -> DueDay {
    let mut credit_days = 0;
    if inspection.credits_out_of_use {
        for (from, to) in out_of_use(states, last, as_of, work) {
            let days = to.ms_since(from).div_euclid(DAY_MS);
            if days >= i64::from(work.credit_least_days.max(1)) {
                credit_days += days;
            }
        }
    }
    DueDay {
        day: local_day(last, work.utc_offset_s) + i64::from(inspection.every_days) + credit_days,
        credit_days,
    }
}

/// Stretches out of use between two instants; states that follow one another join.
fn out_of_use(
    states: &Timeline<UnitState>,
    from: EventTime,
    to: EventTime,
    work: &WorkSettings,
) -> Vec<(EventTime, EventTime)> {
    let mut stretches: Vec<(EventTime, EventTime)> = Vec::new();
    let entries = states.entries();
    for (idx, entry) in entries.iter().enumerate() {
        if !work.out_of_use.contains(&entry.value) {
            continue;
        }
        let begin = entry.from.max(from);
        let end = entries.get(idx + 1).map_or(to, |next| next.from.min(to));
        if begin >= end {
            continue;
        }
        match stretches.last_mut() {
            Some(last) if last.1 == begin => last.1 = end,
            _ => stretches.push((begin, end)),
        }
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;
    use UnitState::{Stored, Unknown, Working};
    use wheeltap_model::Dated;

    fn at(text: &str) -> EventTime {
        // Days since 1970-01-01 by the civil calendar, independent of the code under test.
        let number = |range: std::ops::Range<usize>| text[range].parse::<i64>().unwrap();
        let (year, month, day) = (number(0..4), number(5..7), number(8..10));
        let is_leap = |year: i64| (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
        let mut days = 0;
        for past in 1970..year {
            days += if is_leap(past) { 366 } else { 365 };
        }
        let february = if is_leap(year) { 29 } else { 28 };
        let months = [31, february, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
        for past in &months[..usize::try_from(month).unwrap() - 1] {
            days += past;
        }
        days += day - 1;
        let minutes = number(11..13) * 60 + number(14..16);
        EventTime::from_unix_ms(days * DAY_MS + minutes * 60_000)
    }

    fn inspection(every_days: u32, credits_out_of_use: bool) -> Inspection {
        Inspection {
            name: "periodic".to_owned(),
            title: "Periodic inspection".to_owned(),
            class: None,
            every_days,
            credits_out_of_use,
            steps: Vec::new(),
            source: "a test".to_owned(),
        }
    }

    fn work() -> WorkSettings {
        WorkSettings {
            credit_least_days: 30,
            out_of_use: vec![UnitState::Stored],
            ..WorkSettings::default()
        }
    }

    fn timeline(states: &[(&str, UnitState)]) -> Timeline<UnitState> {
        let mut timeline = Timeline::default();
        for (from, value) in states {
            timeline.set(Dated {
                from: at(from),
                value: *value,
                source: "a test".to_owned(),
            });
        }
        timeline
    }

    // 49 CFR 229.23(a) and (b)(1), seen (check-values section 2): 92 days, and 184 where the unit's condition
    // is monitored on board; 229.23(b)(2): 33; 229.27: 368. "Due date = last + 92 days".
    #[test]
    fn an_inspection_is_due_so_many_days_after_the_last() {
        let check = |every, last: &str, due: &str| {
            let day = due_day(
                &inspection(every, true),
                at(last),
                &Timeline::default(),
                at("2026-03-01 00:00"),
                &work(),
            );
            assert_eq!(day.day, local_day(at(due), 0), "{every} days after {last}");
            assert_eq!(day.credit_days, 0);
        };
        check(92, "2026-01-05 13:00", "2026-04-07 00:00");
        check(92, "2023-12-01 23:59", "2024-03-02 00:00");
        check(184, "2026-01-05 13:00", "2026-07-08 00:00");
        check(33, "2026-01-31 06:00", "2026-03-05 00:00");
        check(368, "2025-03-01 08:00", "2026-03-04 00:00");
    }

    // 49 CFR 229.21(a), seen (check-values section 2): once in each calendar day of use, in local time: 23:50
    // one day and 00:10 the next are two days.
    #[test]
    fn a_calendar_day_is_no_stretch_of_24_hours() {
        let work = WorkSettings {
            utc_offset_s: -6 * 3_600,
            ..work()
        };
        let due = |last: &str| {
            let states = Timeline::default();
            due_day(
                &inspection(1, false),
                at(last),
                &states,
                at("2026-03-01 00:00"),
                &work,
            )
            .day
        };
        // 23:50 and 00:10 local time are 05:50 and 06:10 UTC.
        let late = due("2026-03-02 05:50");
        let early = due("2026-03-02 06:10");
        assert_eq!(early, late + 1);
        assert_eq!(end_of_day(late, work.utc_offset_s), at("2026-03-03 06:00"));
    }

    // 49 CFR 229.33 from memory: periods of at least 30 consecutive days out of use extend the interval by
    // their days.
    #[test]
    fn long_stretches_out_of_use_are_credited() {
        let check = |states: &[(&str, UnitState)], as_of: &str, credit: i64| {
            let day = due_day(
                &inspection(92, true),
                at("2026-01-05 13:00"),
                &timeline(states),
                at(as_of),
                &work(),
            );
            assert_eq!(day.credit_days, credit, "{states:?}");
            assert_eq!(day.day, local_day(at("2026-04-07 00:00"), 0) + credit);
        };
        check(
            &[("2026-01-10 00:00", Stored), ("2026-02-19 12:00", Working)],
            "2026-03-01 00:00",
            40,
        );
        // 29 days are none.
        check(
            &[("2026-01-10 00:00", Stored), ("2026-02-08 00:00", Working)],
            "2026-03-01 00:00",
            0,
        );
        // Two stretches of 20 days are none, though together they are 40.
        check(
            &[
                ("2026-01-10 00:00", Stored),
                ("2026-01-30 00:00", Working),
                ("2026-02-01 00:00", Stored),
                ("2026-02-21 00:00", Working),
            ],
            "2026-03-01 00:00",
            0,
        );
        // Told twice, it is still one stretch; it counts from the inspection on, and up to now.
        check(
            &[("2025-12-01 00:00", Stored), ("2026-01-20 00:00", Stored)],
            "2026-03-01 13:00",
            55,
        );
        // What nobody said is no time out of use.
        check(&[("2026-01-10 00:00", Unknown)], "2026-03-01 00:00", 0);
    }
}
