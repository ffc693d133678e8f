//! The fast window equals the slow, obvious one, and both equal a reference library.

use crate::support::{
    EVENT, FLIP, HELD, HOLD_MS, SAMPLED, at, column, column_of, judge, rule_text,
};
use proptest::prelude::*;
use std::{collections::BTreeMap, path::Path};
use wheeltap_judge::Judgement;
use wheeltap_model::{Batch, Event, Evidence, KnownValue, Quality, Sample, Series};

const TICK_MS: i64 = 10_000;
const WINDOW_MS: i64 = 60_000;

/// A rule that shows what it saw at every tick: raised at one, ended at the next.
fn probe() -> String {
    let reads = "fn reads() { #{
        flip: last(\"flip\", \"10 s\"),
        last: last(\"sampled\", \"10 s\"), mean: mean(\"sampled\", \"1 min\"),
        min: min(\"sampled\", \"1 min\"), max: max(\"sampled\", \"1 min\"),
        range: range(\"sampled\", \"1 min\"), stdev: stdev(\"sampled\", \"1 min\"),
        slope: slope(\"sampled\", \"1 min\"), rate: rate(\"sampled\", \"1 min\"),
        above: time_above(\"sampled\", 80.5, \"1 min\"),
        below: time_below(\"sampled\", 80.5, \"1 min\"),
        count: count(\"sampled\", \"1 min\"),
        held: last(\"held\"), held_mean: mean(\"held\", \"1 min\"),
        held_min: min(\"held\", \"1 min\"), held_max: max(\"held\", \"1 min\"),
        held_above: time_above(\"held\", 2.0, \"1 min\"),
        held_below: time_below(\"held\", 2.0, \"1 min\"),
        events: count(\"event\", \"1 min\"), size: sum(\"event\", \"size\", \"1 min\"),
    } }";
    let body = format!(
        "{reads}\nfn raise(seen) {{ seen.flip > 0.5 }}\nfn clear(seen) {{ seen.flip < 0.5 }}"
    );
    rule_text("10 s", "", "", &body)
}

/// Alternating 1 and 0 at every tick in a stretch, starting with 1.
fn flips(first_tick_ms: i64, last_tick_ms: i64) -> Vec<(i64, f64)> {
    let n_ticks = (last_tick_ms - first_tick_ms) / TICK_MS + 1;
    let value = |idx: i64| if idx % 2 == 0 { 1.0 } else { 0.0 };
    (0..n_ticks)
        .map(|idx| (first_tick_ms + idx * TICK_MS, value(idx)))
        .collect()
}

fn evidence(judgement: &Judgement) -> BTreeMap<i64, BTreeMap<String, KnownValue>> {
    let mut by_tick = BTreeMap::new();
    for change in &judgement.changes {
        let occurrence = change.occurrence();
        let shown: &Evidence = occurrence
            .end_evidence
            .as_ref()
            .unwrap_or(&occurrence.evidence);
        let inputs = shown
            .inputs
            .iter()
            .map(|item| (item.input.clone(), item.value))
            .collect();
        by_tick.insert(shown.at.unix_ms(), inputs);
    }
    by_tick
}

fn number(value: KnownValue) -> Option<f64> {
    match value {
        KnownValue::Number(number) => Some(number),
        _ => None,
    }
}

fn close(found: f64, expected: f64, tolerance: f64) -> bool {
    (found - expected).abs() <= tolerance * expected.abs().max(1e-3)
}

// Source: numpy and scipy, versions in the file, by tests/reference/windows.py.
#[test]
fn windows_equal_numpy_and_scipy() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/windows.json");
    let reference: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let numbers = |key: &str| -> Vec<f64> {
        reference[key]
            .as_array()
            .unwrap()
            .iter()
            .map(|n| n.as_f64().unwrap())
            .collect()
    };
    let times: Vec<i64> = reference["times_ms"]
        .as_array()
        .unwrap()
        .iter()
        .map(|n| n.as_i64().unwrap())
        .collect();
    let samples: Vec<(i64, f64)> = times.iter().copied().zip(numbers("values")).collect();
    let windows = reference["windows"].as_array().unwrap();
    let tick = |row: &serde_json::Value| row["tick_ms"].as_i64().unwrap();
    let flips = flips(tick(&windows[0]), tick(windows.last().unwrap()) + TICK_MS);
    let mut judge = judge(&[("probe", probe())]);
    let batch = Batch {
        columns: vec![column(SAMPLED, &samples), column(FLIP, &flips)],
        ..Batch::default()
    };
    assert_eq!(judge.feed(&batch).late_from, None);
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    let shown = evidence(&judgement);
    let mut n_compared = 0;
    for row in windows {
        let seen = &shown[&tick(row)];
        let n = row["n"].as_i64().unwrap();
        assert_eq!(number(seen["count"]), Some(n as f64), "at {}", tick(row));
        for name in [
            "mean", "min", "max", "range", "stdev", "slope", "rate", "above", "below",
        ] {
            let key = if name == "above" || name == "below" {
                format!("time_{name}")
            } else {
                name.to_owned()
            };
            // Known: at least half of the 60 samples promised.
            if n >= 30 {
                let expected = row[&key].as_f64().unwrap();
                let found = number(seen[name]).unwrap();
                assert!(
                    close(found, expected, 1e-9),
                    "{name} at {}: {found} {expected}",
                    tick(row)
                );
                n_compared += 1;
            } else {
                assert_eq!(number(seen[name]), None, "{name} at {}", tick(row));
            }
        }
    }
    assert!(n_compared > 400, "{n_compared}");
}

#[derive(Clone, Debug)]
struct Data {
    sampled: Vec<(i64, f64, Quality)>,
    held: Vec<(i64, f64, Quality)>,
    events: Vec<(i64, Option<f64>)>,
    cuts: Vec<i64>,
}

const STRETCH_MS: i64 = 240_000;

fn quality() -> impl Strategy<Value = Quality> {
    prop_oneof![
        8 => Just(Quality::Good),
        1 => Just(Quality::Bad),
        1 => Just(Quality::Uncertain),
    ]
}

fn data() -> impl Strategy<Value = Data> {
    // Times in quarters of a second, so that samples fall on ticks and on each other.
    let time = || (1_i64..STRETCH_MS / 250).prop_map(|quarter| quarter * 250);
    let sampled = prop::collection::vec((time(), 7_900_i32..8_200, quality()), 0..400);
    let held = prop::collection::vec((time(), 0_i32..50, quality()), 0..60);
    let events = prop::collection::vec((time(), prop::option::of(0_i32..9)), 0..20);
    let cuts = prop::collection::vec(time(), 0..6);
    (sampled, held, events, cuts).prop_map(|(sampled, held, events, mut cuts)| {
        let values = |list: Vec<(i64, i32, Quality)>, den: f64| {
            let mut list: Vec<_> = list
                .into_iter()
                .map(|(ms, step, q)| (ms, f64::from(step) / den, q))
                .collect();
            list.sort_by_key(|(ms, ..)| *ms);
            list
        };
        let mut events: Vec<_> = events
            .into_iter()
            .map(|(ms, size)| (ms, size.map(f64::from)))
            .collect();
        events.sort_by_key(|(ms, _)| *ms);
        cuts.sort_unstable();
        cuts.push(i64::MAX);
        Data {
            sampled: values(sampled, 100.0),
            held: values(held, 10.0),
            events,
            cuts,
        }
    })
}

fn joined(samples: &[(i64, f64, Quality)]) -> Vec<Sample> {
    let samples = samples
        .iter()
        .map(|&(ms, value, quality)| Sample {
            time: at(ms),
            value,
            quality,
        })
        .collect();
    Series::from_samples(samples).samples().collect()
}

fn good(samples: &[Sample], tick: i64) -> Vec<(i64, f64)> {
    samples
        .iter()
        .filter(|s| s.quality == Quality::Good)
        .map(|s| (s.time.unix_ms(), s.value))
        .filter(|(ms, _)| *ms > tick - WINDOW_MS && *ms <= tick)
        .collect()
}

/// The slow, obvious evaluator.
fn oracle(data: &Data, tick: i64) -> BTreeMap<&'static str, Option<f64>> {
    let mut out = BTreeMap::new();
    let sampled = joined(&data.sampled);
    let x = good(&sampled, tick);
    let n = x.len() as f64;
    let known = |value: f64| (x.len() >= 30).then_some(value);
    let sum: f64 = x.iter().map(|(_, v)| v).sum();
    let mean = sum / n;
    let fold = |f: fn(f64, f64) -> f64, start: f64| x.iter().map(|(_, v)| *v).fold(start, f);
    let (min, max) = (
        fold(f64::min, f64::INFINITY),
        fold(f64::max, f64::NEG_INFINITY),
    );
    out.insert("count", Some(n));
    out.insert("mean", known(mean));
    out.insert("min", known(min));
    out.insert("max", known(max));
    out.insert("range", known(max - min));
    let squares: f64 = x.iter().map(|(_, v)| (v - mean).powi(2)).sum();
    out.insert("stdev", known((squares / (n - 1.0)).sqrt()));
    let mean_time = x.iter().map(|(ms, _)| (*ms - tick) as f64).sum::<f64>() / n;
    let (mut top, mut bottom) = (0.0, 0.0);
    for (ms, v) in &x {
        let dt = (*ms - tick) as f64 - mean_time;
        top += dt * (v - mean);
        bottom += dt * dt;
    }
    out.insert("slope", known(top / bottom * 1_000.0));
    let ends = x.first().zip(x.last());
    out.insert(
        "rate",
        ends.and_then(|(a, b)| known((b.1 - a.1) / ((b.0 - a.0) as f64 / 1_000.0))),
    );
    out.insert(
        "above",
        known(x.iter().filter(|(_, v)| *v > 80.5).count() as f64),
    );
    out.insert(
        "below",
        known(x.iter().filter(|(_, v)| *v < 80.5).count() as f64),
    );
    let newest = x
        .last()
        .filter(|(ms, _)| *ms > tick - TICK_MS)
        .map(|(_, v)| *v);
    out.insert("last", newest);

    let held = joined(&data.held);
    let mut now = None;
    let (mut covered, mut integral, mut above, mut below) = (0_i64, 0.0, 0_i64, 0_i64);
    let (mut least, mut greatest) = (f64::INFINITY, f64::NEG_INFINITY);
    for (idx, sample) in held.iter().enumerate() {
        let from = sample.time.unix_ms();
        if sample.quality != Quality::Good || from > tick {
            continue;
        }
        let next = held
            .get(idx + 1)
            .map_or(i64::MAX, |next| next.time.unix_ms());
        let to = (from + HOLD_MS).min(next);
        if (next > tick) && tick <= from + HOLD_MS {
            now = Some(sample.value);
        }
        let (inside_from, inside_to) = (from.max(tick - WINDOW_MS), to.min(tick));
        let lasted = (inside_to - inside_from).max(0);
        if lasted > 0 || from > tick - WINDOW_MS {
            least = least.min(sample.value);
            greatest = greatest.max(sample.value);
        }
        covered += lasted;
        integral += sample.value * lasted as f64;
        above += if sample.value > 2.0 { lasted } else { 0 };
        below += if sample.value < 2.0 { lasted } else { 0 };
    }
    let held_known = |value: f64| now.map(|_| value);
    out.insert("held", now);
    let mean = if covered == 0 {
        now.unwrap_or(0.0)
    } else {
        integral / covered as f64
    };
    out.insert("held_mean", held_known(mean));
    out.insert("held_min", held_known(least));
    out.insert("held_max", held_known(greatest));
    out.insert("held_above", held_known(above as f64 / 1_000.0));
    out.insert("held_below", held_known(below as f64 / 1_000.0));

    let mut events = data.events.clone();
    events.retain(|(ms, _)| *ms > tick - WINDOW_MS && *ms <= tick);
    events.dedup();
    let mut distinct: Vec<(i64, Option<f64>)> = Vec::new();
    for event in events {
        if !distinct.contains(&event) {
            distinct.push(event);
        }
    }
    out.insert("events", Some(distinct.len() as f64));
    out.insert(
        "size",
        Some(distinct.iter().filter_map(|(_, size)| *size).sum()),
    );
    out
}

/// Feeds the data cut at the given times; all channels up to a cut go together.
fn run(data: &Data, cuts: &[i64]) -> Judgement {
    let mut judge = judge(&[("probe", probe())]);
    let mut judgement = Judgement::default();
    let mut from = i64::MIN;
    let flips: Vec<(i64, f64, Quality)> = flips(TICK_MS, STRETCH_MS + TICK_MS)
        .into_iter()
        .map(|(ms, value)| (ms, value, Quality::Good))
        .collect();
    for &cut in cuts {
        let part = |list: &[(i64, f64, Quality)]| -> Vec<(i64, f64, Quality)> {
            list.iter()
                .filter(|(ms, ..)| *ms > from && *ms <= cut)
                .copied()
                .collect()
        };
        let events = data
            .events
            .iter()
            .filter(|(ms, _)| *ms > from && *ms <= cut);
        let batch = Batch {
            columns: [(SAMPLED, &data.sampled), (HELD, &data.held), (FLIP, &flips)]
                .into_iter()
                .map(|(channel, list)| column_of(channel, &part(list)))
                .collect(),
            events: events
                .map(|(ms, size)| Event {
                    channel: EVENT,
                    time: at(*ms),
                    fields: vec![*size],
                })
                .collect(),
            complete_through: None,
        };
        assert_eq!(judge.feed(&batch).late_from, None);
        judge.judge(&mut judgement);
        from = cut;
    }
    judgement
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(if cfg!(debug_assertions) { 60 } else { 600 }))]

    // The law: at every tick, every statistic is what the obvious evaluator says.
    #[test]
    fn every_statistic_equals_the_oracle(data in data()) {
        let judgement = run(&data, &[i64::MAX]);
        let shown = evidence(&judgement);
        prop_assert_eq!(i64::try_from(shown.len()), Ok(STRETCH_MS / TICK_MS));
        for (tick, seen) in &shown {
            for (name, expected) in oracle(&data, *tick) {
                let found = number(seen[name]);
                let same = match (found, expected.filter(|value| value.is_finite())) {
                    (Some(found), Some(expected)) => close(found, expected, 1e-9),
                    (None, None) => true,
                    _ => false,
                };
                prop_assert!(same, "{} at {}: {:?}, the oracle says {:?}", name, tick, found, expected);
            }
        }
    }

    // The law: how the data was cut into batches changes nothing, to the bit.
    #[test]
    fn cuts_change_nothing(data in data()) {
        prop_assert_eq!(run(&data, &data.cuts).changes, run(&data, &[i64::MAX]).changes);
    }
}
