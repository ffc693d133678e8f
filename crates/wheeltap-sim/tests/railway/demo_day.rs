//! Every planted failure is found by the demonstration's rule book, and nothing else rings.

use crate::common;
use wheeltap_sim::Settings;

#[test]
fn the_rule_book_finds_what_was_planted() {
    let score = common::play(Settings::default(), true);
    let table = common::table(&score);
    assert!(score.outcomes.len() >= 11, "{table}");
    assert_eq!(score.missed(), 0, "{table}");
    assert_eq!(score.false_rings.len(), 0, "{table}");
}
