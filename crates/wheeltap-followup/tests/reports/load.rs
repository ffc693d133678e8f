//! The desk's load.

use super::*;

fn load(desk: &Desk, from: i64, until: i64, n_desks: u32) -> DeskLoad {
    let terms = DeskTerms {
        from_ms: from,
        until_ms: until,
        since_ms: 0,
        clock: DeskClock::Announced,
        n_desks,
    };
    desk_load(&desk.rebuilt(), &terms)
}

fn value(load: &DeskLoad, kind: MetricKind) -> (f64, Option<Verdict>) {
    let metric = load.metric(kind).unwrap();
    (metric.value, metric.verdict)
}

/// The worked example of the reference values, section 5.3: counts in eight successive ten-minute
/// intervals 2, 11, 14, 10, 6, 5, 4, 0. Flood from the second to the start of the seventh: 50 min, peak 14;
/// above ten 2 of 8, 25 %; on average 52 in 80 min, 6.5 in ten.
#[test]
fn the_desk_s_figures_are_those_of_the_worked_example() {
    let mut desk = desk();
    for (interval, n_alerts) in (0_i64..).zip([2, 11, 14, 10, 6, 5, 4, 0]) {
        for number in 0..n_alerts {
            let start = interval * 10 * MINUTE + number * 1_000;
            let unit = format!("U{interval}-{number}");
            let name = if number == 0 { "fan" } else { "oil" };
            ring(&mut desk, name, &unit, start, Some(2 * MINUTE));
        }
    }
    let seen = load(&desk, 0, 80 * MINUTE, 1);
    assert_eq!(seen.n_alerts, 52);
    assert_eq!(seen.floods, [(10 * MINUTE, 60 * MINUTE)]);
    assert_eq!(seen.worst_ten_minutes, Some((20 * MINUTE, 14)));
    assert_eq!(seen.worst_hour, Some((0, 48)));
    let (ten, verdict) = value(&seen, MetricKind::PerTenMinutes);
    near(ten, 6.5);
    assert_eq!(verdict, None, "80 minutes say nothing of a month");
    near(value(&seen, MetricKind::PerHour).0, 39.0);
    near(value(&seen, MetricKind::CrowdedShare).0, 0.25);
    near(value(&seen, MetricKind::FloodShare).0, 50.0 / 80.0);
    near(value(&seen, MetricKind::TopTenShare).0, 1.0);
    near(value(&seen, MetricKind::Chattering).0, 0.0);
    assert_eq!(seen.priorities, [7, 45, 0, 0]);
    assert_eq!(seen.top[0].n_alerts, 45);
    assert!(!seen.is_long_enough(), "80 minutes are no 30 days");
    // Two desks share them evenly: 7 each at the peak is no flood.
    let shared = load(&desk, 0, 80 * MINUTE, 2);
    assert_eq!(shared.floods, []);
    near(value(&shared, MetricKind::PerTenMinutes).0, 3.25);
    near(value(&shared, MetricKind::MostInTenMinutes).0, 7.0);
    // The span cuts.
    assert_eq!(load(&desk, 20 * MINUTE, 30 * MINUTE, 1).n_alerts, 14);
    let nothing = load(&desk, DAY, DAY, 1);
    assert_eq!((nothing.n_alerts, nothing.metrics.len()), (0, 0));
}

/// Check values 5.3: 150 a day is 1.042 in ten minutes, 300 a day 2.083; 144 and 288 are the round ones.
#[test]
fn a_month_at_the_standard_s_rate_is_acceptable() {
    let mut desk = desk();
    for hour in 0..30 * 24 {
        for number in 0..6 {
            let at = hour * HOUR + number * 10 * MINUTE;
            ring(
                &mut desk,
                "oil",
                &format!("U{hour}-{number}"),
                at,
                Some(HOUR),
            );
        }
    }
    let seen = load(&desk, 0, 30 * DAY, 1);
    assert!(seen.is_long_enough());
    for kind in [
        MetricKind::PerDay,
        MetricKind::PerHour,
        MetricKind::PerTenMinutes,
        MetricKind::CrowdedShare,
        MetricKind::MostInTenMinutes,
        MetricKind::FloodShare,
    ] {
        assert_eq!(value(&seen, kind).1, Some(Verdict::Acceptable), "{kind:?}");
    }
    near(value(&seen, MetricKind::PerDay).0, 144.0);
    assert_eq!(seen.days.len(), 30);
    assert!(seen.days.iter().all(|day| day.n_alerts == 144));
    // The one rule is all of the load.
    assert_eq!(
        value(&seen, MetricKind::TopTenShare).1,
        Some(Verdict::TooMuch)
    );
    let shorter = DeskTerms {
        from_ms: 0,
        until_ms: 15 * DAY,
        since_ms: 0,
        clock: DeskClock::Raised,
        n_desks: 1,
    };
    let seen = desk_load(&desk.book, &shorter);
    assert!(!seen.is_long_enough());
    near(value(&seen, MetricKind::PerDay).0, 144.0);
}

#[test]
fn chattering_fleeting_and_stale_alerts_are_counted() {
    let mut desk = desk();
    // Three within a minute on one unit, each over after ten seconds.
    for number in 0..3 {
        ring(&mut desk, "oil", "A", HOUR + number * 20_000, Some(10_000));
    }
    // Stands from the first day on; stale from the second hour of the second day.
    ring(&mut desk, "fan", "B", 2 * HOUR, None);
    // Ended on the fourth day: stale on the third and fourth.
    ring(&mut desk, "fan", "C", DAY + 3 * HOUR, Some(2 * DAY + HOUR));
    // Over within its first day.
    ring(&mut desk, "fan", "D", 4 * HOUR, Some(23 * HOUR));
    // Taken back: it stands no more.
    let id = ring(&mut desk, "oil", "E", 5 * HOUR, None);
    desk.withdraw(id);
    let seen = load(&desk, 0, 5 * DAY, 1);
    let month = load(&desk, 0, 31 * DAY, 1);
    near(value(&seen, MetricKind::Chattering).0, 3.0);
    assert_eq!(
        value(&month, MetricKind::Fleeting),
        (3.0, Some(Verdict::TooMuch))
    );
    let stale: Vec<u64> = seen.days.iter().map(|day| day.n_stale).collect();
    assert_eq!(stale, [0, 1, 2, 2, 1]);
    assert_eq!(value(&seen, MetricKind::MostStale), (2.0, None));
    assert_eq!(
        value(&month, MetricKind::MostStale),
        (2.0, Some(Verdict::Acceptable))
    );
    assert_eq!(seen.n_stale, 1);
    // What was told and then taken back was still told.
    assert_eq!(seen.n_alerts, 7);
}

#[test]
fn what_is_told_again_has_been_stale_all_the_same() {
    let mut desk = desk();
    let id = ring(&mut desk, "fan", "B", 2 * HOUR, None);
    desk.now = 2 * DAY;
    desk.shelve(named("B"), "fan", 3 * DAY);
    desk.now = 3 * DAY;
    desk.write("clock", |planner| {
        planner.lapse();
    });
    let told_at = desk.book.alert(id).unwrap().told_at();
    assert_eq!(told_at, Some(ServerTime::from_unix_ms(3 * DAY)));
    let seen = load(&desk, 0, 5 * DAY, 1);
    let stale: Vec<u64> = seen.days.iter().map(|day| day.n_stale).collect();
    assert_eq!(stale, [0, 1, 1, 1, 1]);
    // The board says the same of it.
    let now = ServerTime::from_unix_ms(3 * DAY + HOUR);
    assert_eq!(wheeltap_followup::desk_load(&desk.book, now).stale, [id]);
}

#[test]
fn a_rate_is_told_once_enough_is_covered() {
    let mut desk = desk();
    ring(&mut desk, "oil", "A", 1_000, None);
    let told = |ms: i64| {
        let seen = load(&desk, 0, ms, 1);
        [
            MetricKind::PerDay,
            MetricKind::PerHour,
            MetricKind::PerTenMinutes,
            MetricKind::MostInTenMinutes,
        ]
        .map(|kind| seen.metric(kind).map(|metric| metric.value))
    };
    assert_eq!(told(43_000), [None, None, None, Some(1.0)]);
    let ten = told(10 * MINUTE);
    assert_eq!(ten, [None, None, Some(1.0), Some(1.0)]);
    let hour = told(HOUR);
    near(hour[0].unwrap(), 24.0);
    near(hour[1].unwrap(), 1.0);
}

/// What was told late is no shorter for it.
#[test]
fn an_alert_is_fleeting_by_how_long_it_stood() {
    let mut desk = desk();
    // Told two minutes after it was raised, over within half a minute of that.
    desk.now = HOUR + 2 * MINUTE;
    let late = occurred("oil", HOUR, None);
    let id = desk.raise(late, Terms::default());
    desk.end(id, occurred("oil", HOUR, Some(HOUR + 150_000)));
    let seen = load(&desk, 0, DAY, 1);
    assert_eq!(seen.n_alerts, 1);
    near(value(&seen, MetricKind::Fleeting).0, 0.0);
}

#[test]
fn the_record_begins_when_it_begins() {
    let mut desk = desk();
    ring(&mut desk, "oil", "A", 10 * DAY + HOUR, Some(HOUR));
    let terms = DeskTerms {
        from_ms: 0,
        until_ms: 12 * DAY,
        since_ms: 10 * DAY,
        clock: DeskClock::Announced,
        n_desks: 1,
    };
    let seen = desk_load(&desk.book, &terms);
    assert_eq!((seen.from_ms, seen.covered_ms()), (10 * DAY, 2 * DAY));
    near(value(&seen, MetricKind::PerDay).0, 0.5);
}

/// Told again after a mute: both count it, and tell the same flood, from the first alert of its first ten minutes.
#[test]
fn the_board_and_the_report_tell_the_same() {
    let mut desk = desk();
    for number in 0..11 {
        ring(
            &mut desk,
            "oil",
            &format!("U{number}"),
            8 * MINUTE + number,
            None,
        );
    }
    desk.now = 9 * MINUTE;
    desk.shelve(named("U1"), "oil", 12 * MINUTE);
    desk.now = 12 * MINUTE;
    desk.write("clock", |planner| {
        planner.lapse();
    });
    // The ten minutes that run have one alert so far, and end nothing.
    let now = 13 * MINUTE;
    let board = wheeltap_followup::desk_load(&desk.book, ServerTime::from_unix_ms(now));
    let report = load(&desk, 0, now, 1);
    assert_eq!((board.n_told[2], report.n_alerts), (12, 12));
    let since = board.flood_since.map(ServerTime::unix_ms);
    assert_eq!(since, Some(8 * MINUTE));
    assert_eq!(report.floods, [(8 * MINUTE, now)]);
    // Once they are over, there is none.
    let now = 20 * MINUTE;
    let board = wheeltap_followup::desk_load(&desk.book, ServerTime::from_unix_ms(now));
    assert_eq!(board.flood_since, None);
    assert_eq!(load(&desk, 0, now, 1).floods, [(8 * MINUTE, 10 * MINUTE)]);
}
