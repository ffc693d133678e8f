//! Healthy stretches: T-squared and Q equal scikit-learn's, whatever the order of data and restarts.

use crate::support::{plan, rule_text};
use serde::Deserialize;
use std::path::Path;
use std::sync::Arc;
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{
    Checkpoint, Judgement, UnitContext, UnitData, UnitJudge, UnitPlan, replay_unit,
};
use wheeltap_model::{
    ChannelDef, ChannelId, ChannelKind, ChannelName, EventTime, Evidence, KnownValue, Resolution,
    Series,
};

/// Made by `tests/reference/principal_components.py`: the healthy rows are the worked example of
/// principal components in NIST/SEMATECH e-Handbook 6.5.5.2 (from memory; its published eigenvalues
/// are checked there and here), the rest is numpy's and scikit-learn's.
#[derive(Deserialize)]
struct Reference {
    healthy: Vec<[f64; 3]>,
    later: Vec<[f64; 3]>,
    means: Vec<f64>,
    stdevs: Vec<f64>,
    variances: Vec<f64>,
    against: Vec<Against>,
}

#[derive(Deserialize)]
struct Against {
    kept: usize,
    t_squared: Vec<f64>,
    q: Vec<f64>,
    t_parts: Vec<[f64; 3]>,
    q_parts: Vec<[f64; 3]>,
}

fn reference() -> Reference {
    let path = "../../tests/reference/principal_components.json";
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

const NAMES: [&str; 3] = ["a.x", "b.x", "c.x"];

/// Three channels, once a second in ten-thousandths, and `flip`.
fn catalogue() -> Catalogue {
    let channels = NAMES.into_iter().chain(["flip"]).map(|name| ChannelDef {
        name: ChannelName::new(name).unwrap(),
        title: String::new(),
        kind: ChannelKind::Sampled { interval_ms: 1_000 },
        ucum: "1".into(),
        range: (-1e6, 1e6),
        resolution: Resolution {
            num: 1,
            den: 10_000,
        },
        silent_ms: 60_000,
    });
    Catalogue::from_parts(channels.collect(), vec![])
}

/// A row a second from 1 s after `start_ms` on, and a flip that shows evidence at every tick.
fn data(rows: &[[f64; 3]], start_ms: i64) -> UnitData {
    let times: Vec<i64> = (1_i64..)
        .map(|n| start_ms + n * 1_000)
        .take(rows.len())
        .collect();
    let series = |values: Vec<f64>| Series {
        times_ms: times.clone(),
        values,
        qualities: vec![],
    };
    let mut all: Vec<(ChannelId, Series)> = (0_u32..3)
        .map(|id| {
            let column = rows.iter().map(|row| row[id as usize]).collect();
            (ChannelId(id), series(column))
        })
        .collect();
    let flip = (0..rows.len()).map(|n| f64::from(n % 2 == 0)).collect();
    all.push((ChannelId(3), series(flip)));
    // Every tick before the newest event time is judged.
    let last = times[times.len() - 1] + 1_000;
    all.push((
        ChannelId(9),
        Series {
            times_ms: vec![last],
            values: vec![0.0],
            qualities: vec![],
        },
    ));
    UnitData {
        series: all,
        events: vec![],
    }
}

fn text(variance: f64, healthy: &str) -> String {
    let map = format!(
        "#{{ channels: [\"a.x\", \"b.x\", \"c.x\"], window: \"1 s\", healthy: {healthy}, \
         variance: {variance:?} }}"
    );
    let body = format!(
        "fn reads() {{ #{{ t: t_squared({map}), q: q({map}), \
         usual: usual(\"b.x\", \"1 s\", {healthy}), spread: usual_stdev(\"b.x\", \"1 s\", {healthy}), \
         flip: last(\"flip\") }} }}
        fn raise(seen) {{ seen.flip > 0.5 }}"
    );
    rule_text("1 s", "", "", &body)
}

fn judged(plan: &Arc<UnitPlan>, data: &UnitData) -> Judgement {
    replay_unit(Arc::clone(plan), Arc::new(UnitContext::default()), data)
}

/// What was seen at each tick, in order: raised at one, ended at the next.
fn evidence(judgement: &Judgement) -> Vec<Evidence> {
    let changes = judgement.changes.iter().map(|change| {
        let occurrence = change.occurrence();
        occurrence
            .end_evidence
            .as_ref()
            .unwrap_or(&occurrence.evidence)
            .clone()
    });
    changes.collect()
}

fn value(evidence: &Evidence, input: usize) -> Option<f64> {
    match evidence.inputs[input].value {
        KnownValue::Number(number) => Some(number),
        _ => None,
    }
}

#[track_caller]
fn near(got: f64, expected: f64) {
    let tolerance = 1e-9 * expected.abs().max(1.0);
    assert!(
        (got - expected).abs() < tolerance,
        "{got} is not {expected}"
    );
}

#[test]
fn t_squared_and_q_equal_scikit_learn() {
    let reference = reference();
    let rows: Vec<[f64; 3]> = [reference.healthy.clone(), reference.later.clone()].concat();
    // The share of variance that asks for one, two and all components: 59, 90 and 100 %.
    for (against, variance) in reference.against.iter().zip([0.5, 0.8, 1.0]) {
        let texts = [("unlike", text(variance, "first(\"10 s\")"))];
        let judgement = judged(&plan(&texts, &catalogue()), &data(&rows, 0));
        let fit = &judgement.fits[0];
        assert_eq!(
            (fit.n_rows, fit.from.unix_ms(), fit.to.unix_ms()),
            (10, 0, 10_000)
        );
        let usual = fit.usual.as_ref().unwrap();
        assert_eq!(usual.variances.len(), against.kept);
        for (got, expected) in [
            (&usual.means, &reference.means),
            (&usual.stdevs, &reference.stdevs),
            (&usual.variances, &reference.variances),
        ] {
            got.iter()
                .zip(expected)
                .for_each(|(got, expected)| near(*got, *expected));
        }
        let published = [1.769, 0.927, 0.304];
        for (got, published) in usual.variances.iter().zip(published) {
            assert!((got - published).abs() < 0.0005, "{got} is not {published}");
        }
        let seen = evidence(&judgement);
        assert_eq!(seen.len(), 15);
        for early in &seen[..10] {
            assert_eq!(
                [value(early, 0), value(early, 1), value(early, 2)],
                [None; 3]
            );
        }
        for (idx, late) in seen[10..].iter().enumerate() {
            near(value(late, 0).unwrap(), against.t_squared[idx]);
            let q = value(late, 1).unwrap();
            near(q, against.q[idx]);
            near(value(late, 2).unwrap(), reference.means[1]);
            near(value(late, 3).unwrap(), reference.stdevs[1]);
            let mut inputs = vec![(0, &against.t_parts[idx])];
            if against.kept < 3 {
                inputs.push((1, &against.q_parts[idx]));
            }
            for (input, parts) in inputs {
                let whole: f64 = parts.iter().sum();
                let greatest = (0..3)
                    .max_by(|a, b| parts[*a].total_cmp(&parts[*b]))
                    .unwrap();
                let share = parts[greatest] / whole * 100.0;
                let first = format!("healthy first 10 s): {} {share:.0} %", NAMES[greatest]);
                let of = &late.inputs[input].of;
                assert!(of.contains(&first), "{of} does not say {first}");
            }
        }
    }
}

/// Rows that wander, the same for the same seed.
fn wander(n: usize) -> Vec<[f64; 3]> {
    let mut state = 88_172_645_463_325_252_u64;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 40) as f64 / f64::from(1 << 24)
    };
    (0..n)
        .map(|_| {
            let common = next();
            [common + next() / 4.0, next() - common, 3.0 * common]
        })
        .collect()
}

/// Takes a judgement apart as a service does: resumed from a checkpoint, warmed in pieces.
fn resumed(plan: &Arc<UnitPlan>, data: &UnitData, checkpoint: &Checkpoint) -> Judgement {
    let context = Arc::new(UnitContext::default());
    let mut judge = UnitJudge::resume(Arc::clone(plan), context, checkpoint);
    let from = plan.warm_from(checkpoint).unix_ms();
    let mut piece = |from_ms: i64, to_ms: i64, warm: bool| {
        for (id, series) in &data.series {
            let inside = |ms: &i64| from_ms < *ms && *ms <= to_ms;
            let start = series.times_ms.partition_point(|ms| *ms <= from_ms);
            let n = series.times_ms.iter().filter(|ms| inside(ms)).count();
            let series = Series {
                times_ms: series.times_ms[start..start + n].to_vec(),
                values: series.values[start..start + n].to_vec(),
                qualities: vec![],
            };
            assert_eq!(judge.feed_series(*id, &series).late_from, None);
        }
        if warm {
            judge.warm(EventTime::from_unix_ms(to_ms));
        }
    };
    let at = checkpoint.at.unix_ms();
    let third = (at - from.max(0)) / 3;
    piece(from, at - 2 * third, true);
    piece(at - 2 * third, at - third, true);
    piece(at - third, at, true);
    piece(at, i64::MAX, false);
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    judgement
}

#[test]
fn a_rule_that_comes_later_knows_the_stretch_before_it() {
    // Two hours and a bit, so that there are checkpoints at both hours, in and after the stretch.
    let rows = wander(7_500);
    for healthy in ["first(\"90 min\")", "days(\"1970-01-01\", \"1970-01-01\")"] {
        let start_ms = if healthy.starts_with('f') {
            0
        } else {
            86_400_000 - 5_400_000
        };
        let data = data(&rows, start_ms);
        let texts = [("unlike", text(0.8, healthy))];
        let plan = plan(&texts, &catalogue());
        let whole = judged(&plan, &data);
        assert_eq!(whole.fits.len(), 2, "principal components, and one channel");
        assert!(whole.fits.iter().all(|fit| fit.usual.is_some()));
        assert_eq!(whole.checkpoints.len(), 2);
        for checkpoint in &whole.checkpoints {
            let later = |judgement: &Judgement| -> Vec<Evidence> {
                let all = evidence(judgement).into_iter();
                all.filter(|seen| seen.at > checkpoint.at).collect()
            };
            let expected = later(&whole);
            assert!(value(expected.last().unwrap(), 0).is_some());
            assert_eq!(later(&resumed(&plan, &data, checkpoint)), expected);
            let unknowing = Checkpoint {
                baselines: vec![],
                ..checkpoint.clone()
            };
            assert!(plan.warm_from(&unknowing).unix_ms() <= start_ms);
            assert_eq!(later(&resumed(&plan, &data, &unknowing)), expected);
        }
    }
}

#[test]
fn order_and_cuts_leave_no_trace() {
    let rows = wander(300);
    let texts = [("unlike", text(0.8, "first(\"2 min\")"))];
    let plan = plan(&texts, &catalogue());
    let data = data(&rows, 50_000);
    let expected = judged(&plan, &data);
    assert!(expected.fits.iter().all(|fit| fit.usual.is_some()));
    let mut judge = UnitJudge::new(Arc::clone(&plan), Arc::new(UnitContext::default()));
    let mut judgement = Judgement::default();
    // Forty seconds at a time, newest channel and newest sample first.
    for cut in 0..9_usize {
        for (id, series) in data.series.iter().rev().filter(|(id, _)| id.0 < 4) {
            let n = series.times_ms.len();
            let (from, to) = ((cut * 40).min(n), (cut * 40 + 40).min(n));
            for at in (from..to).rev() {
                let one = Series {
                    times_ms: vec![series.times_ms[at]],
                    values: vec![series.values[at]],
                    qualities: vec![],
                };
                assert_eq!(judge.feed_series(*id, &one).late_from, None);
            }
        }
        judge.judge(&mut judgement);
    }
    for (id, series) in &data.series {
        if id.0 == 9 {
            judge.feed_series(*id, series);
        }
    }
    judge.judge(&mut judgement);
    assert_eq!(judgement, expected);
}

#[test]
fn a_stretch_that_says_nothing_leaves_the_input_unknown() {
    // The third channel never moves.
    let still: Vec<[f64; 3]> = wander(40).iter().map(|row| [row[0], row[1], 1.0]).collect();
    let texts = [("unlike", text(0.8, "first(\"20 s\")"))];
    let judgement = judged(&plan(&texts, &catalogue()), &data(&still, 0));
    let of_all = judgement
        .fits
        .iter()
        .find(|fit| fit.channels.len() == 3)
        .unwrap();
    assert_eq!((of_all.n_rows, &of_all.usual), (20, &None));
    let seen = evidence(&judgement);
    let last = seen.last().unwrap();
    assert_eq!([value(last, 0), value(last, 1)], [None; 2]);
    assert!(value(last, 2).is_some(), "one channel has its usual value");
}
