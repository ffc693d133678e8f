//! Every planted failure is found by the demonstration's rule book, and nothing else rings.

use crate::common;
use wheeltap_sim::{Season, Settings};

#[test]
fn the_rule_book_finds_what_was_planted() {
    let score = common::play(Settings::default(), true);
    let table = common::table(&score);
    assert!(score.outcomes.len() >= 11, "{table}");
    assert_eq!(score.missed(), 0, "{table}");
    assert_eq!(score.false_rings.len(), 0, "{table}");
}

// Days on which a unit was once called for nothing: all of its wheels slip as its diesel is stopped;
// sand runs for hours and the boxes are filled meanwhile; the coolant's reading stands still while oil
// warms up; sand is called for on greasy rail, where no effort can be great.
#[test]
fn days_that_called_a_unit_for_nothing_do_no_longer() {
    for (seed, unit) in [
        (9, "ZVR 4103"),
        (14, "ZVR 1206"),
        (25, "ZVR 3011"),
        (28, "ZVR 4113"),
    ] {
        let settings = Settings {
            seed,
            ..Settings::default()
        };
        let railway = common::railway(settings, true);
        let score = common::judge_all(&railway, |known| known.as_str() == unit);
        let table = common::table(&score);
        assert_eq!(score.false_rings.len(), 0, "seed {seed}: {table}");
    }
}

// Sand is asked for a quarter of an hour in the whole of this dry day.
#[test]
fn a_blocked_sander_is_found_on_a_dry_day() {
    let settings = Settings {
        seed: 17,
        ..Settings::default()
    };
    let railway = common::railway(settings, true);
    let score = common::judge_all(&railway, |known| known.as_str() == "ZVR 4113");
    let found = |outcome: &wheeltap_sim::Outcome| {
        outcome.failure.id == "blocked-sander" && outcome.found_by.is_some()
    };
    assert!(
        score.outcomes.iter().any(found),
        "{}",
        common::table(&score)
    );
}

// Failures that need days of a unit's own past, or were not worth a unit of the demonstration's day.
#[test]
fn the_rule_book_finds_the_rarer_failures_of_two_days() {
    let settings = Settings {
        duration_s: 48 * 3_600,
        ..Settings::default()
    };
    let failures = common::failures("failures-more.toml");
    let railway = common::with_failures(settings, &failures);
    let score = common::judge_all(&railway, |unit| {
        failures.iter().any(|failure| failure.unit == *unit)
    });
    let table = common::table(&score);
    assert!(score.outcomes.len() >= 10, "{table}");
    assert_eq!(score.missed(), 0, "{table}");
    assert_eq!(score.false_rings.len(), 0, "{table}");
}

#[test]
fn a_healthy_fleet_rings_nobody_in_any_season() {
    for (season, word) in Season::ALL {
        let settings = Settings {
            seed: 4,
            duration_s: 8 * 3_600,
            weather: season.weather(),
            ..Settings::default()
        };
        let score = common::play(settings, false);
        let table = common::table(&score);
        assert_eq!(score.false_rings.len(), 0, "{word}: {table}");
    }
}
