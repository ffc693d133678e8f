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
