//! What befalls a sound fleet in weeks: radio gaps, diesels stopped by hand, units stored and taken
//! back. None of it is a failure, and nobody should be called for it.

use crate::file::{Failure, FailureKind, RailwayFile, Stop};
use crate::railway::Settings;
use crate::random::Random;
use wheeltap_model::UnitState;

const HOUR_S: i64 = 3_600;
const DAY_S: i64 = 24 * HOUR_S;
/// One unit of so many is stored for some days of a longer run.
const STORED_ONE_OF: i64 = 6;
/// Mean air temperature under which water freezes in hours, degC.
const HARD_FROST_CEL: f64 = -10.0;

/// Adds to a railway what befalls its units in a run without any failure, and hands out the radio gaps,
/// which are planted as failures are. The same file and settings give the same.
///
/// Every working unit is out of radio reach for 20 min to 8 h every few days, never at the end. A unit that does not
/// stop its diesel by itself has it stopped by hand for 30 min to 4 h every few days, in a train or not; in hard frost
/// nobody lets it stand for longer than 40 min. Of runs of five days and more, one unit of six is stored for one to
/// three days, sends nothing then, and starts cold.
pub fn everyday(file: &RailwayFile, settings: &Settings) -> (RailwayFile, Vec<Failure>) {
    let (seed, duration_s) = (settings.seed, settings.duration_s);
    let longest_stop_s = if settings.weather.mean_cel < HARD_FROST_CEL {
        2 * HOUR_S / 3
    } else {
        4 * HOUR_S
    };
    let mut file = file.clone();
    let mut gaps = Vec::new();
    for unit in &mut file.unit {
        if unit.state != UnitState::Working {
            continue;
        }
        let mut random = Random::named(seed, &format!("everyday of {}", unit.id));
        let mut from_s = random.seconds(0, 4 * DAY_S);
        while from_s < duration_s {
            let until_s = from_s + random.seconds(HOUR_S / 3, 8 * HOUR_S);
            if until_s >= duration_s {
                break;
            }
            gaps.push(Failure {
                id: format!("gap of {} at {from_s} s", unit.id),
                unit: unit.id.clone(),
                kind: FailureKind::RadioGap,
                after: from_s * 1_000,
                until: Some(until_s * 1_000),
                severity: 1.0,
                axle: None,
                cylinder: None,
                channel: None,
                component: "radio link".to_owned(),
                also: Vec::new(),
                visible_after: from_s * 1_000,
                finding: "Out of reach.".to_owned(),
                hides: None,
            });
            from_s = until_s + random.seconds(DAY_S, 5 * DAY_S);
        }
        if unit.auto_stop {
            continue;
        }
        let is_stored = duration_s >= 5 * DAY_S && random.seconds(0, STORED_ONE_OF) == 0;
        let stored_from_s = if is_stored {
            random.seconds(DAY_S, duration_s - 4 * DAY_S)
        } else {
            i64::MAX
        };
        unit.stops.clear();
        let mut at_s = random.seconds(2 * HOUR_S, 4 * DAY_S);
        let mut stored = false;
        while at_s < duration_s {
            let (state, from_s, for_s) = if !stored && at_s >= stored_from_s {
                stored = true;
                let for_s = random.seconds(DAY_S, 3 * DAY_S);
                (UnitState::Stored, at_s, for_s)
            } else {
                let for_s = random.seconds(HOUR_S / 2, longest_stop_s);
                (UnitState::StoppedManual, at_s, for_s)
            };
            unit.stops.push(Stop {
                after: from_s * 1_000,
                until: (from_s + for_s) * 1_000,
                state,
            });
            at_s = from_s + for_s + random.seconds(DAY_S, 5 * DAY_S);
        }
    }
    (file, gaps)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_befalls_a_unit_does_not_overlap_and_comes_again_from_its_seed() {
        let text = std::fs::read_to_string(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../demo-data/railway.toml"
        ))
        .unwrap();
        let file = RailwayFile::parse("railway.toml", &text).unwrap();
        let settings = |seed| Settings {
            seed,
            duration_s: 20 * DAY_S,
            ..Settings::default()
        };
        let (changed, gaps) = everyday(&file, &settings(9));
        let mut stored = 0;
        for unit in &changed.unit {
            let apart = |pair: &[Stop]| pair[0].until < pair[1].after;
            assert!(unit.stops.windows(2).all(apart), "{:?}", unit.stops);
            stored += unit
                .stops
                .iter()
                .filter(|stop| stop.state == UnitState::Stored)
                .count();
            let own: Vec<&Failure> = gaps.iter().filter(|gap| gap.unit == unit.id).collect();
            let over = |gap: &&Failure| gap.until.unwrap() < 20 * DAY_S * 1_000;
            assert!(own.iter().all(over), "{own:?}");
            let apart = |pair: &[&Failure]| pair[0].until.unwrap() < pair[1].after;
            assert!(own.windows(2).all(apart), "{own:?}");
            assert_eq!(own.len() > 2, unit.state == UnitState::Working, "{own:?}");
        }
        assert!(stored >= 3, "{stored}");
        assert_ne!(everyday(&file, &settings(10)).1, gaps);
        assert_eq!(everyday(&file, &settings(9)), (changed, gaps));
    }
}
