//! Published worked examples, sent as telemetry and judged by rules.

use crate::support::{at, evidence, number, rule_text};
use std::{collections::BTreeMap, sync::Arc};
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{EffectiveRule, Judgement, UnitContext, UnitData, UnitPlan, replay_unit};
use wheeltap_model::{
    ChannelDef, ChannelId, ChannelKind, ChannelName, KnownValue, Quality, Resolution, Series,
    UnitId,
};
use wheeltap_rules::{Environment, compile};

const MINUTE_MS: i64 = 60_000;
/// A whole multiple of every window here.
const START_MS: i64 = 1_764_547_200_000;

/// Judges values sent one a minute, the first a minute after the start, in steps of 1 / `den`. What is no
/// number is sent as bad.
fn judged(values: &[f64], range: (f64, f64), den: u32, body: &str) -> Judgement {
    let channel = |name: &str, range, den| ChannelDef {
        name: ChannelName::new(name).unwrap(),
        title: String::new(),
        kind: ChannelKind::Sampled {
            interval_ms: MINUTE_MS,
        },
        ucum: "1".into(),
        range,
        resolution: Resolution { num: 1, den },
        silent_ms: 5 * MINUTE_MS,
    };
    let catalogue = Catalogue::from_parts(
        vec![channel("x", range, den), channel("flip", (0.0, 1.0), 1)],
        vec![],
    );
    let text = rule_text("1 min", "", "", body);
    let rule = compile("published.rhai", &text, &Environment::new(&catalogue));
    let rule = rule.unwrap_or_else(|problems| panic!("{problems:#?}"));
    let rules = [EffectiveRule::always(Arc::new(rule))];
    let unit = UnitId::new("ZVR 1").unwrap();
    let plan = UnitPlan::new(&rules, &unit, None, None, &catalogue);
    let series = |values: Vec<f64>| Series {
        times_ms: (1..)
            .map(|idx| START_MS + idx * MINUTE_MS)
            .take(values.len())
            .collect(),
        qualities: values
            .iter()
            .map(|value| {
                if value.is_nan() {
                    Quality::Bad
                } else {
                    Quality::Good
                }
            })
            .collect(),
        values: values
            .into_iter()
            .map(|value| if value.is_nan() { 0.0 } else { value })
            .collect(),
    };
    // One more than the values, so that the last tick with a value is judged.
    let flips: Vec<f64> = (0..=values.len())
        .map(|idx| ((idx + 1) % 2) as f64)
        .collect();
    let data = UnitData {
        series: vec![
            (ChannelId(0), series(values.to_vec())),
            (ChannelId(1), series(flips)),
        ],
        events: vec![],
    };
    replay_unit(Arc::new(plan), Arc::new(UnitContext::default()), &data)
}

/// What a rule sees after each value.
fn seen(
    values: &[f64],
    range: (f64, f64),
    den: u32,
    reads: &str,
) -> Vec<BTreeMap<String, KnownValue>> {
    let body = format!(
        "fn reads() {{ #{{ flip: last(\"flip\", \"1 min\"), {reads} }} }}
        fn raise(seen) {{ seen.flip > 0.5 }} fn clear(seen) {{ seen.flip < 0.5 }}"
    );
    let seen: Vec<_> = evidence(&judged(values, range, den, &body))
        .into_values()
        .collect();
    assert_eq!(seen.len(), values.len());
    seen
}

fn close(found: KnownValue, expected: f64, within: f64) {
    let found = number(found).unwrap();
    assert!(
        (found - expected).abs() <= within,
        "{found}, published {expected}"
    );
}

const EWMA: [f64; 20] = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2,
    52.6, 52.4, 53.6, 52.1,
];

// Source: NIST/SEMATECH e-Handbook 6.3.2.4, target 50, sigma 2.0539, weight 0.3: the printed chart
// values to their two digits; no point leaves the limits. The four-digit values and the limits that
// widen from point to point were computed by the page's formulas.
#[test]
fn the_ewma_chart_is_the_handbook_s() {
    let printed = [
        50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52,
        50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ];
    let computed = [
        50.6, 49.52, 50.564, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537, 50.2576, 50.3303,
        50.1112, 49.3578, 49.5205, 50.0543, 49.378, 49.9246, 50.7272, 51.2291, 51.9403, 51.9882,
    ];
    let upper_limits = [
        (1, 51.848_51),
        (2, 52.256_39),
        (3, 52.431_41),
        (5, 52.551_61),
        (10, 52.5874),
    ];
    let reads = "score: ewma_score(\"x\", 0.3, 50, 2.0539, \"1 h\", #{ share: 0.01 })";
    let seen = seen(&EWMA, (0.0, 100.0), 10, reads);
    for (idx, seen) in seen.iter().enumerate() {
        let n = i32::try_from(idx).unwrap() + 1;
        let sigma = 2.0539 * (0.3 / 1.7 * (1.0 - 0.7_f64.powi(2 * n))).sqrt();
        let score = number(seen["score"]).unwrap();
        assert!(score.abs() < 3.0);
        let chart = 50.0 + score * sigma;
        assert!(
            (chart - printed[idx]).abs() < 0.0051,
            "{chart} {}",
            printed[idx]
        );
        assert!(
            (chart - computed[idx]).abs() < 5.1e-5,
            "{chart} {}",
            computed[idx]
        );
        for (_, limit) in upper_limits.iter().filter(|(own, _)| *own == n) {
            // Where the score would be 3.
            assert!((50.0 + 3.0 * sigma - limit).abs() < 5.1e-6);
        }
    }
    // Every value 3 higher: by hand 1.5, 1.05 and 2.535 off the target, the third past 2.43141.
    let shifted: Vec<f64> = EWMA.iter().map(|x| x + 3.0).collect();
    let rings = |values: &[f64]| {
        let body =
            format!("fn reads() {{ #{{ {reads} }} }} fn raise(seen) {{ abs(seen.score) > 3.0 }}");
        let found = judged(values, (0.0, 100.0), 10, &body).occurrences();
        found
            .first()
            .map(|alert| (alert.raised_at.unix_ms() - START_MS) / MINUTE_MS)
    };
    assert_eq!((rings(&EWMA), rings(&shifted)), (None, Some(3)));
}

const CUSUM: [f64; 20] = [
    324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6, 324.625,
    325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
];

// Source: NIST/SEMATECH e-Handbook 6.3.2.3, target 325, k = 0.3175, h = 4.1959: every row of the table,
// and the first signal at observation 14.
#[test]
fn the_cusum_table_is_the_handbook_s() {
    let high = [
        0.0, 0.0, 0.0, 0.0, 0.0325, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3.0075, 4.94, 7.4475, 10.63,
        11.9875, 14.445, 16.0025, 19.035,
    ];
    let low = [
        0.0, 0.0075, 0.0, 0.3325, 0.0, 0.0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, 0.0, 0.0, 0.0,
        0.0, 0.0, 0.0, 0.0, 0.0, 0.0,
    ];
    let reads = "high: cusum_high(\"x\", 325, 0.3175, \"1 h\"), low: cusum_low(\"x\", 325, 0.3175, \"1 h\")";
    for (idx, seen) in seen(&CUSUM, (300.0, 350.0), 1_000, reads)
        .iter()
        .enumerate()
    {
        close(seen["high"], high[idx], 1e-12);
        close(seen["low"], low[idx], 1e-12);
    }
    let body = format!(
        "fn reads() {{ #{{ {reads} }} }} fn raise(seen) {{ max(seen.high, seen.low) > 4.1959 }}"
    );
    let alerts = judged(&CUSUM, (300.0, 350.0), 1_000, &body).occurrences();
    assert_eq!(alerts.len(), 1);
    assert_eq!(alerts[0].raised_at, at(START_MS + 14 * MINUTE_MS));
}

// Source: NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 45.8159 and
// 55.8041 with d2 = 1.128.
#[test]
fn the_individuals_chart_is_the_handbook_s() {
    let values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let reads = "mean: mean(\"x\", \"10 min\"), moved: moving_range(\"x\", \"10 min\")";
    let seen = seen(&values, (0.0, 100.0), 10, reads);
    let last = seen.last().unwrap();
    close(last["mean"], 50.81, 1e-12);
    close(last["moved"], 1.8778, 5e-5);
    let (mean, moved) = (
        number(last["mean"]).unwrap(),
        number(last["moved"]).unwrap(),
    );
    assert!((mean + 3.0 * moved / 1.128 - 55.8041).abs() < 1e-4);
    assert!((mean - 3.0 * moved / 1.128 - 45.8159).abs() < 1e-4);
}

// Source: US EPA QA/G-9S (2006), page 109: S = 22, Z = 1.685, one-sided p = 0.046. The median of the
// 55 slopes, 1 a step, was computed.
#[test]
fn the_trend_is_the_epa_s() {
    let values = [
        10.0, 10.0, 10.0, 5.0, 10.0, 20.0, 18.0, 17.0, 15.0, 24.0, 15.0,
    ];
    let reads = "s: trend_s(\"x\", \"11 min\"), z: trend_z(\"x\", \"11 min\"), p: trend_p(\"x\", \"11 min\"), slope: robust_slope(\"x\", \"11 min\")";
    let seen = seen(&values, (0.0, 100.0), 1, reads);
    let last = seen.last().unwrap();
    close(last["s"], 22.0, 0.0);
    close(last["z"], 1.685, 5e-4);
    close(last["p"], 2.0 * 0.046, 1e-3);
    close(last["slope"], 1.0 / 60.0, 1e-15);
}

struct Certified {
    values: Vec<f64>,
    range: (f64, f64),
    /// Steps a unit.
    den: u32,
    mean: f64,
    stdev: f64,
    least: f64,
    greatest: f64,
    median: Option<f64>,
}

// Source: NIST StRD, univariate summary statistics: certified means and standard deviations. Medians,
// least and greatest values were taken from the data.
#[test]
#[expect(clippy::too_many_lines, reason = "a table of data sets")]
fn means_and_deviations_are_the_certified_ones() {
    let numacc = |first: f64, rest: [f64; 2]| {
        let pairs = (0..1_000).map(move |idx| rest[idx % 2]);
        std::iter::once(first).chain(pairs).collect::<Vec<f64>>()
    };
    let sets = [
        Certified {
            values: LEW.to_vec(),
            range: (-600.0, 400.0),
            den: 1,
            mean: -177.435,
            stdev: 277.332_168_044_316,
            least: -579.0,
            greatest: 300.0,
            median: Some(-162.0),
        },
        Certified {
            values: LOTTERY.to_vec(),
            range: (0.0, 999.0),
            den: 1,
            mean: 518.958_715_596_330,
            stdev: 291.699_727_470_969,
            least: 4.0,
            greatest: 999.0,
            median: None,
        },
        Certified {
            values: MAVRO.to_vec(),
            range: (2.0, 2.01),
            den: 100_000,
            mean: 2.001_856,
            stdev: 0.000_429_123_454_003_053,
            least: 2.0013,
            greatest: 2.0027,
            median: Some(2.0018),
        },
        Certified {
            values: MICHELSON.to_vec(),
            range: (290.0, 310.0),
            den: 100,
            mean: 299.8524,
            stdev: 0.079_010_547_819_051_8,
            least: 299.62,
            greatest: 300.07,
            median: None,
        },
        Certified {
            values: vec![10_000_001.0, 10_000_003.0, 10_000_002.0],
            range: (0.0, 2e7),
            den: 1,
            mean: 10_000_002.0,
            stdev: 1.0,
            least: 10_000_001.0,
            greatest: 10_000_003.0,
            median: None,
        },
        Certified {
            values: numacc(1.2, [1.1, 1.3]),
            range: (0.0, 10.0),
            den: 10,
            mean: 1.2,
            stdev: 0.1,
            least: 1.1,
            greatest: 1.3,
            median: Some(1.2),
        },
        Certified {
            values: numacc(1_000_000.2, [1_000_000.1, 1_000_000.3]),
            range: (0.0, 2e6),
            den: 10,
            mean: 1_000_000.2,
            stdev: 0.1,
            least: 1_000_000.1,
            greatest: 1_000_000.3,
            median: None,
        },
        Certified {
            values: numacc(10_000_000.2, [10_000_000.1, 10_000_000.3]),
            range: (0.0, 2e7),
            den: 10,
            mean: 10_000_000.2,
            stdev: 0.1,
            least: 10_000_000.1,
            greatest: 10_000_000.3,
            median: None,
        },
    ];
    for set in sets {
        let n = set.values.len();
        // Panes longer than a tick need a window that they fill; what is before the data is empty.
        let window = if n > 360 { 1_080 } else { n };
        let of = |name: &str| format!("{name}: {name}(\"x\", \"{window} min\")");
        let reads = ["mean", "stdev", "min", "max", "median"].map(of).join(", ");
        let last = seen_at_last(&set, &reads);
        let relative = |name: &str, expected: f64, within: f64| {
            close(last[name], expected, within * expected.abs());
        };
        relative("mean", set.mean, 1e-15);
        relative("stdev", set.stdev, 1e-14);
        relative("min", set.least, 0.0);
        relative("max", set.greatest, 0.0);
        if let Some(median) = set.median {
            relative("median", median, 1e-15);
        }
    }
}

/// What is seen once every value is in a pane that is over.
fn seen_at_last(set: &Certified, reads: &str) -> BTreeMap<String, KnownValue> {
    let mut values = set.values.clone();
    let n = values.len();
    let pane = if n > 360 { 5 } else { 1 };
    let missing = n.next_multiple_of(pane) - n;
    // Bad values at the end are no values.
    values.extend(std::iter::repeat_n(f64::NAN, missing));
    let seen = seen(&values, set.range, set.den, reads);
    seen.into_iter().next_back().unwrap()
}

const LEW: [f64; 200] = [
    -213.0, -564.0, -35.0, -15.0, 141.0, 115.0, -420.0, -360.0, 203.0, -338.0, -431.0, 194.0,
    -220.0, -513.0, 154.0, -125.0, -559.0, 92.0, -21.0, -579.0, -52.0, 99.0, -543.0, -175.0, 162.0,
    -457.0, -346.0, 204.0, -300.0, -474.0, 164.0, -107.0, -572.0, -8.0, 83.0, -541.0, -224.0,
    180.0, -420.0, -374.0, 201.0, -236.0, -531.0, 83.0, 27.0, -564.0, -112.0, 131.0, -507.0,
    -254.0, 199.0, -311.0, -495.0, 143.0, -46.0, -579.0, -90.0, 136.0, -472.0, -338.0, 202.0,
    -287.0, -477.0, 169.0, -124.0, -568.0, 17.0, 48.0, -568.0, -135.0, 162.0, -430.0, -422.0,
    172.0, -74.0, -577.0, -13.0, 92.0, -534.0, -243.0, 194.0, -355.0, -465.0, 156.0, -81.0, -578.0,
    -64.0, 139.0, -449.0, -384.0, 193.0, -198.0, -538.0, 110.0, -44.0, -577.0, -6.0, 66.0, -552.0,
    -164.0, 161.0, -460.0, -344.0, 205.0, -281.0, -504.0, 134.0, -28.0, -576.0, -118.0, 156.0,
    -437.0, -381.0, 200.0, -220.0, -540.0, 83.0, 11.0, -568.0, -160.0, 172.0, -414.0, -408.0,
    188.0, -125.0, -572.0, -32.0, 139.0, -492.0, -321.0, 205.0, -262.0, -504.0, 142.0, -83.0,
    -574.0, 0.0, 48.0, -571.0, -106.0, 137.0, -501.0, -266.0, 190.0, -391.0, -406.0, 194.0, -186.0,
    -553.0, 83.0, -13.0, -577.0, -49.0, 103.0, -515.0, -280.0, 201.0, 300.0, -506.0, 131.0, -45.0,
    -578.0, -80.0, 138.0, -462.0, -361.0, 201.0, -211.0, -554.0, 32.0, 74.0, -533.0, -235.0, 187.0,
    -372.0, -442.0, 182.0, -147.0, -566.0, 25.0, 68.0, -535.0, -244.0, 194.0, -351.0, -463.0,
    174.0, -125.0, -570.0, 15.0, 72.0, -550.0, -190.0, 172.0, -424.0, -385.0, 198.0, -218.0,
    -536.0, 96.0,
];

const LOTTERY: [f64; 218] = [
    162.0, 671.0, 933.0, 414.0, 788.0, 730.0, 817.0, 33.0, 536.0, 875.0, 670.0, 236.0, 473.0,
    167.0, 877.0, 980.0, 316.0, 950.0, 456.0, 92.0, 517.0, 557.0, 956.0, 954.0, 104.0, 178.0,
    794.0, 278.0, 147.0, 773.0, 437.0, 435.0, 502.0, 610.0, 582.0, 780.0, 689.0, 562.0, 964.0,
    791.0, 28.0, 97.0, 848.0, 281.0, 858.0, 538.0, 660.0, 972.0, 671.0, 613.0, 867.0, 448.0, 738.0,
    966.0, 139.0, 636.0, 847.0, 659.0, 754.0, 243.0, 122.0, 455.0, 195.0, 968.0, 793.0, 59.0,
    730.0, 361.0, 574.0, 522.0, 97.0, 762.0, 431.0, 158.0, 429.0, 414.0, 22.0, 629.0, 788.0, 999.0,
    187.0, 215.0, 810.0, 782.0, 47.0, 34.0, 108.0, 986.0, 25.0, 644.0, 829.0, 630.0, 315.0, 567.0,
    919.0, 331.0, 207.0, 412.0, 242.0, 607.0, 668.0, 944.0, 749.0, 168.0, 864.0, 442.0, 533.0,
    805.0, 372.0, 63.0, 458.0, 777.0, 416.0, 340.0, 436.0, 140.0, 919.0, 350.0, 510.0, 572.0,
    905.0, 900.0, 85.0, 389.0, 473.0, 758.0, 444.0, 169.0, 625.0, 692.0, 140.0, 897.0, 672.0,
    288.0, 312.0, 860.0, 724.0, 226.0, 884.0, 508.0, 976.0, 741.0, 476.0, 417.0, 831.0, 15.0,
    318.0, 432.0, 241.0, 114.0, 799.0, 955.0, 833.0, 358.0, 935.0, 146.0, 630.0, 830.0, 440.0,
    642.0, 356.0, 373.0, 271.0, 715.0, 367.0, 393.0, 190.0, 669.0, 8.0, 861.0, 108.0, 795.0, 269.0,
    590.0, 326.0, 866.0, 64.0, 523.0, 862.0, 840.0, 219.0, 382.0, 998.0, 4.0, 628.0, 305.0, 747.0,
    247.0, 34.0, 747.0, 729.0, 645.0, 856.0, 974.0, 24.0, 568.0, 24.0, 694.0, 608.0, 480.0, 410.0,
    729.0, 947.0, 293.0, 53.0, 930.0, 223.0, 203.0, 677.0, 227.0, 62.0, 455.0, 387.0, 318.0, 562.0,
    242.0, 428.0, 968.0,
];

const MAVRO: [f64; 50] = [
    2.0018, 2.0017, 2.0018, 2.0019, 2.0018, 2.0017, 2.0015, 2.0014, 2.0015, 2.0015, 2.0017, 2.0018,
    2.0018, 2.0019, 2.0019, 2.0021, 2.002, 2.0016, 2.0014, 2.0013, 2.0013, 2.0015, 2.0015, 2.0016,
    2.0015, 2.0014, 2.0013, 2.0014, 2.0015, 2.0014, 2.0015, 2.0016, 2.0015, 2.0016, 2.0019, 2.002,
    2.002, 2.0021, 2.0022, 2.0023, 2.0024, 2.0025, 2.0027, 2.0026, 2.0026, 2.0026, 2.0027, 2.0026,
    2.0025, 2.0024,
];

const MICHELSON: [f64; 100] = [
    299.85, 299.74, 299.9, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88, 300.0, 299.98,
    299.93, 299.65, 299.76, 299.81, 300.0, 300.0, 299.96, 299.96, 299.96, 299.94, 299.96, 299.94,
    299.88, 299.8, 299.85, 299.88, 299.9, 299.84, 299.83, 299.79, 299.81, 299.88, 299.88, 299.83,
    299.8, 299.79, 299.76, 299.8, 299.88, 299.88, 299.88, 299.86, 299.72, 299.72, 299.62, 299.86,
    299.97, 299.95, 299.88, 299.91, 299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84,
    299.89, 299.81, 299.81, 299.82, 299.8, 299.77, 299.76, 299.74, 299.75, 299.76, 299.91, 299.92,
    299.89, 299.86, 299.88, 299.72, 299.84, 299.85, 299.85, 299.78, 299.89, 299.84, 299.78, 299.81,
    299.76, 299.81, 299.79, 299.81, 299.82, 299.85, 299.87, 299.87, 299.81, 299.74, 299.81, 299.94,
    299.95, 299.8, 299.81, 299.87,
];
