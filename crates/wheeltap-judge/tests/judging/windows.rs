//! The fast window equals the slow, obvious one, and both equal a reference library.

use crate::support::{
    BIN_STEPS, EVENT, FLIP, HELD, HOLD_MS, SAMPLED, SILENT_MS, at, column, column_of, evidence,
    judge, number, rule_text,
};
use proptest::prelude::*;
use std::{collections::BTreeMap, path::Path};
use wheeltap_judge::Judgement;
use wheeltap_model::{Batch, Event, Quality, Sample, Series};

const TICK_MS: i64 = 10_000;
const WINDOW_MS: i64 = 60_000;

/// Inputs that count only while something holds.
const DURING: &str = "fn reads() { #{
    flip: last(\"flip\", \"10 s\"),
    mean: mean(\"sampled\", \"1 min\", #{ during: at_least(\"held\", 2.5) }),
    max: max(\"sampled\", \"1 min\", #{ during: at_least(\"held\", 2.5) }),
    last: last(\"sampled\", \"1 min\", #{ during: at_least(\"held\", 2.5) }),
    median: median(\"sampled\", \"1 min\", #{ during: at_least(\"held\", 2.5) }),
    high: cusum_high(\"sampled\", 80.5, 0.25, \"1 min\", #{ during: at_least(\"held\", 2.5) }),
    both: mean(\"sampled\", \"1 min\", #{ share: 0.01, during:
        [between(\"held\", 1, 4), at_most(\"sampled\", \"81 1\")] }),
    held: mean(\"held\", \"1 min\", #{ share: 0.05, during: below(\"sampled\", 80.5) }),
    held_integral: integral(\"held\", \"1 min\", #{ during: below(\"sampled\", 80.5) }),
    held_median: median(\"held\", \"1 min\", #{ during: below(\"sampled\", 80.5) }),
    events: count(\"event\", \"1 min\", #{ during: above(\"held\", 2.5) }),
    size: sum(\"event\", \"size\", \"1 min\", #{ during: above(\"held\", 2.5) }),
} }";

fn shown(reads: &str) -> String {
    let body = format!(
        "{reads}\nfn raise(seen) {{ seen.flip > 0.5 }}\nfn clear(seen) {{ seen.flip < 0.5 }}"
    );
    rule_text("10 s", "", "", &body)
}

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
        held_median: median(\"held\", \"1 min\"), held_q90: quantile(\"held\", 0.9, \"1 min\"),
        held_integral: integral(\"held\", \"1 min\"), held_trend: trend_s(\"held\", \"1 min\"),
        events: count(\"event\", \"1 min\"), size: sum(\"event\", \"size\", \"1 min\"),
        median: median(\"sampled\", \"1 min\"), q90: quantile(\"sampled\", 0.9, \"1 min\"),
        slope_error: slope_error(\"sampled\", \"1 min\"),
        robust_slope: robust_slope(\"sampled\", \"1 min\"),
        trend_s: trend_s(\"sampled\", \"1 min\"), trend_z: trend_z(\"sampled\", \"1 min\"),
        trend_p: trend_p(\"sampled\", \"1 min\"),
        integral: integral(\"sampled\", \"1 min\"),
        moving: moving_range(\"sampled\", \"1 min\"),
        ewma: ewma(\"sampled\", 0.1, \"1 min\"),
        score: ewma_score(\"sampled\", 0.3, 80.5, 0.8, \"1 min\"),
        high: cusum_high(\"sampled\", 80.5, 0.25, \"1 min\"),
        low: cusum_low(\"sampled\", 80.5, 0.25, \"1 min\"),
        robust: robust_score(\"sampled\", \"30 s\", \"1 min\"),
    } }";
    shown(reads)
}

/// Alternating 1 and 0 at every tick in a stretch, starting with 1.
fn flips(first_tick_ms: i64, last_tick_ms: i64) -> Vec<(i64, f64)> {
    let n_ticks = (last_tick_ms - first_tick_ms) / TICK_MS + 1;
    let value = |idx: i64| if idx % 2 == 0 { 1.0 } else { 0.0 };
    (0..n_ticks)
        .map(|idx| (first_tick_ms + idx * TICK_MS, value(idx)))
        .collect()
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
            "mean",
            "min",
            "max",
            "range",
            "stdev",
            "slope",
            "rate",
            "above",
            "below",
            "slope_error",
            "robust_slope",
            "moving",
            "ewma",
            "median",
            "q90",
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
                // Quantiles are known to half a bin of ten steps: the middle of ten is 4.5 from its ends.
                let right = if name == "median" || name == "q90" {
                    (found - expected).abs() < 0.045 + 1e-9
                } else {
                    close(found, expected, 1e-9)
                };
                assert!(right, "{name} at {}: {found} {expected}", tick(row));
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
    good_between(samples, tick - WINDOW_MS, tick)
}

fn good_between(samples: &[Sample], from: i64, to: i64) -> Vec<(i64, f64)> {
    samples
        .iter()
        .filter(|s| s.quality == Quality::Good)
        .map(|s| (s.time.unix_ms(), s.value))
        .filter(|(ms, _)| *ms > from && *ms <= to)
        .collect()
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "the test's values are small"
)]
fn whole(value: f64) -> i64 {
    value.round() as i64
}

/// Values with weights, ascending; what lies in one bin of `bin` steps is the bin's middle.
fn binned(values: &[(f64, i64)], den: f64, bin: i64) -> Vec<(f64, i64)> {
    let mut binned: Vec<(f64, i64)> = values
        .iter()
        .map(|(value, weight)| {
            let steps = whole(value * den);
            let low = steps.div_euclid(bin) * bin;
            ((low as f64 + (bin - 1) as f64 / 2.0) / den, *weight)
        })
        .collect();
    binned.sort_by(|a, b| a.0.total_cmp(&b.0));
    binned
}

/// The least value up to which the weights reach the share (`tenths` of a tenth each), or go past it.
fn reached(sorted: &[(f64, i64)], tenths: i64, past: bool) -> f64 {
    let total: i64 = sorted.iter().map(|(_, weight)| weight).sum();
    let mut sum = 0;
    for (value, weight) in sorted {
        sum += weight;
        if 10 * sum > tenths * total || (!past && 10 * sum == tenths * total) {
            return *value;
        }
    }
    f64::NAN
}

fn median(sorted: &[(f64, i64)]) -> f64 {
    f64::midpoint(reached(sorted, 5, false), reached(sorted, 5, true))
}

fn ones(x: &[(i64, f64)]) -> Vec<(f64, i64)> {
    x.iter().map(|(_, value)| (*value, 1)).collect()
}

/// Mann-Kendall S, Z, p and the median slope of pane means, each by its definition.
fn trend(means: &[(f64, f64)]) -> (f64, f64, f64) {
    let n = means.len();
    let mut slopes = Vec::new();
    let mut s = 0.0_f64;
    for i in 0..n {
        for j in i + 1..n {
            let rise = means[j].1 - means[i].1;
            s += if rise > 0.0 {
                1.0
            } else if rise < 0.0 {
                -1.0
            } else {
                0.0
            };
            slopes.push((rise / (means[j].0 - means[i].0), 1));
        }
    }
    let spread = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let mut variance = spread(n as f64);
    for (i, (_, value)) in means.iter().enumerate() {
        let same = |other: &f64| other.total_cmp(value).is_eq();
        if means[..i].iter().all(|(_, other)| !same(other)) {
            variance -= spread(means.iter().filter(|(_, other)| same(other)).count() as f64);
        }
    }
    slopes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let corrected = if s == 0.0 { 0.0 } else { s - s.signum() };
    let z = if n < 4 {
        f64::NAN
    } else {
        corrected / (variance / 18.0).sqrt()
    };
    (s, z, median(&slopes))
}

/// What the newer statistics say of the samples in the window, and in the 90 s before the tick.
fn further(
    x: &[(i64, f64)],
    longer: &[(i64, f64)],
    tick: i64,
    out: &mut BTreeMap<&'static str, Option<f64>>,
) {
    let n = x.len() as f64;
    let known = |value: f64| (x.len() >= 30).then_some(value);
    let sorted = binned(&ones(x), 100.0, BIN_STEPS);
    out.insert("median", known(median(&sorted)));
    out.insert("q90", known(reached(&sorted, 9, false)));
    out.insert("integral", known(x.iter().map(|(_, v)| v).sum()));
    let moved: f64 = x.windows(2).map(|pair| (pair[1].1 - pair[0].1).abs()).sum();
    out.insert("moving", known(moved / (n - 1.0)));

    let mean = |x: &[(i64, f64)]| x.iter().map(|(_, v)| v).sum::<f64>() / x.len() as f64;
    let times: Vec<f64> = x
        .iter()
        .map(|(ms, _)| (*ms - tick) as f64 / 1_000.0)
        .collect();
    let middle = times.iter().sum::<f64>() / n;
    let spread: f64 = times.iter().map(|t| (t - middle).powi(2)).sum();
    let product: f64 = times
        .iter()
        .zip(x)
        .map(|(t, (_, v))| (t - middle) * (v - mean(x)))
        .sum();
    let slope = product / spread;
    let left: f64 = times
        .iter()
        .zip(x)
        .map(|(t, (_, v))| (v - mean(x) - slope * (t - middle)).powi(2))
        .sum();
    out.insert("slope_error", known((left / (n - 2.0) / spread).sqrt()));

    let panes = (0..WINDOW_MS / TICK_MS).filter_map(|idx| {
        let end = tick - WINDOW_MS + (idx + 1) * TICK_MS;
        let inside: Vec<(i64, f64)> = x
            .iter()
            .filter(|(ms, _)| *ms > end - TICK_MS && *ms <= end)
            .copied()
            .collect();
        // Summed in whole steps, so that equal means are equal.
        let sum: f64 = inside.iter().map(|(_, v)| (v * 100.0).round()).sum();
        (!inside.is_empty()).then(|| ((idx * TICK_MS) as f64 / 1_000.0, sum / inside.len() as f64))
    });
    let (s, z, steps_per_s) = trend(&panes.collect::<Vec<_>>());
    out.insert("trend_s", known(s));
    out.insert("trend_z", known(z));
    out.insert("robust_slope", known(steps_per_s / 100.0));

    let weighted = |keep: f64, of: &dyn Fn(f64) -> f64| {
        let terms = x.iter().rev().zip(0_i32..);
        terms
            .map(|((_, v), age)| keep.powi(age) * of(*v))
            .sum::<f64>()
    };
    out.insert(
        "ewma",
        known(weighted(0.9, &|v| v) / weighted(0.9, &|_| 1.0)),
    );
    let off = 0.3 * weighted(0.7, &|v| v - 80.5);
    let sigma = 0.8 * (0.3 / 1.7 * (1.0 - 0.7_f64.powf(2.0 * n))).sqrt();
    out.insert("score", known(off / sigma));

    let (high, low, n_since) = cusum(longer, tick, |_| true);
    let known_since = |value: f64| {
        let since = (tick - 1).div_euclid(WINDOW_MS) * WINDOW_MS;
        (n_since > 0 && n_since * 1_000 >= (tick - since) / 2).then_some(value)
    };
    out.insert("high", known_since(high));
    out.insert("low", known_since(low));

    let (past, now): (Vec<_>, Vec<_>) = longer.iter().partition(|(ms, _)| *ms <= tick - 30_000);
    let past = binned(&ones(&past), 100.0, BIN_STEPS);
    let mid = median(&past);
    let mut away: Vec<(f64, i64)> = past.iter().map(|(v, w)| ((v - mid).abs(), *w)).collect();
    away.sort_by(|a, b| a.0.total_cmp(&b.0));
    let spread = 1.4826 * median(&away).max(0.05);
    let enough = past.len() >= 30 && now.len() >= 15;
    out.insert("robust", enough.then(|| (mean(&now) - mid) / spread));
}

/// Upper and lower sum since the last whole minute, and of how many samples.
fn cusum(x: &[(i64, f64)], tick: i64, counts: impl Fn(i64) -> bool) -> (f64, f64, i64) {
    let since = (tick - 1).div_euclid(WINDOW_MS) * WINDOW_MS;
    let (mut high, mut low, mut n) = (0.0_f64, 0.0_f64, 0);
    for (_, v) in x
        .iter()
        .filter(|(ms, _)| *ms > since && *ms <= tick && counts(*ms))
    {
        high = (high + v - 80.75).max(0.0);
        low = (low + 80.25 - v).max(0.0);
        n += 1;
    }
    (high, low, n)
}

/// What a channel's value is at an instant, for a condition: held to the next sample, or of the newest
/// good sample.
fn value_at(samples: &[Sample], at: i64, held: bool) -> Option<f64> {
    let lasts = if held { HOLD_MS } else { SILENT_MS };
    samples
        .iter()
        .rfind(|s| s.time.unix_ms() <= at && (held || s.quality == Quality::Good))
        .filter(|s| s.quality == Quality::Good && at < s.time.unix_ms() + lasts)
        .map(|s| s.value)
}

/// All times are whole quarters of a second, so within one nothing changes.
const QUARTER_MS: i64 = 250;

/// The held channel's values over the window's quarters of a second for which `counts` holds.
fn held_quarters(held: &[Sample], tick: i64, counts: impl Fn(i64) -> bool) -> Vec<(f64, i64)> {
    (tick - WINDOW_MS..tick)
        .step_by(250)
        .filter(|from| counts(*from))
        .filter_map(|from| Some((value_at(held, from, true)?, QUARTER_MS)))
        .collect()
}

/// What conditioned windows say, by their definition.
fn during(data: &Data, tick: i64) -> BTreeMap<&'static str, Option<f64>> {
    let mut out = BTreeMap::new();
    let (sampled, held) = (joined(&data.sampled), joined(&data.held));
    let mean = |x: &[(i64, f64)]| x.iter().map(|(_, v)| v).sum::<f64>() / x.len() as f64;
    let high = |at: i64| value_at(&held, at, true).is_some_and(|v| v >= 2.5);
    let mut x = good(&sampled, tick);
    x.retain(|(ms, _)| high(*ms));
    // A tenth of 60 samples.
    let known = |value: f64| (x.len() >= 6).then_some(value);
    out.insert("mean", known(mean(&x)));
    out.insert(
        "max",
        known(x.iter().map(|(_, v)| *v).fold(f64::NAN, f64::max)),
    );
    out.insert("last", known(x.last().map_or(f64::NAN, |(_, v)| *v)));
    out.insert(
        "median",
        known(median(&binned(&ones(&x), 100.0, BIN_STEPS))),
    );
    let (above, _, n) = cusum(&good(&sampled, tick), tick, high);
    let since = (tick - 1).div_euclid(WINDOW_MS) * WINDOW_MS;
    let enough = n > 0 && n * 1_000 * 10 >= tick - since;
    out.insert("high", enough.then_some(above));

    let mut both = good(&sampled, tick);
    both.retain(|(ms, _)| {
        value_at(&held, *ms, true).is_some_and(|v| (1.0..=4.0).contains(&v))
            && value_at(&sampled, *ms, false).is_some_and(|v| v <= 81.0)
    });
    out.insert("both", (!both.is_empty()).then(|| mean(&both)));

    let low = |at: i64| value_at(&sampled, at, false).is_some_and(|v| v < 80.5);
    let quarters = held_quarters(&held, tick, low);
    let covered = QUARTER_MS * i64::try_from(quarters.len()).unwrap();
    let integral: f64 = quarters
        .iter()
        .map(|(v, ms)| v * *ms as f64 / 1_000.0)
        .sum();
    let mean = integral / (covered as f64 / 1_000.0);
    out.insert("held", (covered >= 3_000).then_some(mean));
    out.insert("held_integral", (covered >= 6_000).then_some(integral));
    let sorted = binned(&quarters, 10.0, 1);
    out.insert("held_median", (covered >= 6_000).then(|| median(&sorted)));

    let mut events: Vec<(i64, Option<f64>)> = data.events.clone();
    events.sort_by(|a, b| a.partial_cmp(b).unwrap());
    events.dedup();
    events.retain(|(ms, _)| {
        *ms > tick - WINDOW_MS && *ms <= tick && value_at(&held, *ms, true).is_some_and(|v| v > 2.5)
    });
    out.insert("events", Some(events.len() as f64));
    out.insert(
        "size",
        Some(events.iter().filter_map(|(_, size)| *size).sum()),
    );
    out
}

/// The slow, obvious evaluator.
#[expect(clippy::too_many_lines, reason = "one statistic after the other")]
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
    further(
        &x,
        &good_between(&sampled, tick - 90_000, tick),
        tick,
        &mut out,
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

    let quarters = held_quarters(&held, tick, |_| true);
    let sorted = binned(&quarters, 10.0, 1);
    // A value that came just now has lasted no time.
    let lasted = |value: f64| now.filter(|_| !quarters.is_empty()).map(|_| value);
    out.insert("held_median", lasted(median(&sorted)));
    out.insert("held_q90", lasted(reached(&sorted, 9, false)));
    out.insert("held_integral", held_known(integral / 1_000.0));
    let panes = (0..WINDOW_MS / TICK_MS).filter_map(|idx| {
        let start = tick - WINDOW_MS + idx * TICK_MS;
        let inside: Vec<f64> = (start..start + TICK_MS)
            .step_by(250)
            .filter_map(|from| value_at(&held, from, true))
            .map(|value| (value * 10.0).round())
            .collect();
        (!inside.is_empty()).then(|| (idx as f64, inside.iter().sum::<f64>() / inside.len() as f64))
    });
    out.insert(
        "held_trend",
        held_known(trend(&panes.collect::<Vec<_>>()).0),
    );

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
fn run(rule: String, data: &Data, cuts: &[i64]) -> Judgement {
    let mut judge = judge(&[("probe", rule)]);
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
        equals(&run(probe(), &data, &[i64::MAX]), |tick| oracle(&data, tick))?;
    }

    // The law: a window counts exactly the instants at which its conditions hold.
    #[test]
    fn conditioned_windows_equal_the_oracle(data in data()) {
        equals(&run(shown(DURING), &data, &[i64::MAX]), |tick| during(&data, tick))?;
    }

    // The law: how the data was cut into batches changes nothing, to the bit.
    #[test]
    fn cuts_change_nothing(data in data()) {
        for rule in [probe(), shown(DURING)] {
            let whole = run(rule.clone(), &data, &[i64::MAX]);
            prop_assert_eq!(run(rule, &data, &data.cuts).changes, whole.changes);
        }
    }
}

fn equals(
    judgement: &Judgement,
    oracle: impl Fn(i64) -> BTreeMap<&'static str, Option<f64>>,
) -> Result<(), TestCaseError> {
    let shown = evidence(judgement);
    prop_assert_eq!(i64::try_from(shown.len()), Ok(STRETCH_MS / TICK_MS));
    for (tick, seen) in &shown {
        let expected = oracle(*tick);
        for name in seen
            .keys()
            .filter(|name| !["flip", "trend_p"].contains(&name.as_str()))
        {
            prop_assert!(
                expected.contains_key(name.as_str()),
                "the oracle says nothing of {}",
                name
            );
        }
        for (name, expected) in expected {
            let found = number(seen[name]);
            let same = match (found, expected.filter(|value| value.is_finite())) {
                (Some(found), Some(expected)) => close(found, expected, 1e-9),
                (None, None) => true,
                _ => false,
            };
            prop_assert!(
                same,
                "{} at {}: {:?}, the oracle says {:?}",
                name,
                tick,
                found,
                expected
            );
        }
    }
    Ok(())
}
