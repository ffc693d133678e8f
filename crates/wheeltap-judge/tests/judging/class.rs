//! Class baselines: the fit equals the slow, obvious one on random, gappy data fed in any pieces; a tick
//! sees the newest that is in force, live, in replay and after a resume.

use crate::support::{
    FLIP, HELD, HOLD_MS, SAMPLED, at, catalogue, column, column_of, evidence, number, plan,
    rule_text,
};
use proptest::prelude::*;
use std::sync::Arc;
use wheeltap_judge::{
    ClassBaselines, ClassFit, ClassSurvey, Judgement, LeastOfClass, Stretch, UnitContext,
    UnitJudge, UnitPlan,
};
use wheeltap_model::{Batch, ClassBaseline, Quality, Sample, Series};

const WINDOW_MS: i64 = 60_000;
const TICK_MS: i64 = 10_000;
const STRETCH: (i64, i64) = (30_000, 600_000);
const OF: &str = "mean(sampled, 1 min, share 0.05, during at_least(held, 2.5))";

/// Shows its inputs at every tick: raised at one, ended at the next.
fn probe() -> Arc<UnitPlan> {
    let window = "\"sampled\", \"1 min\", #{ share: 0.05, during: at_least(\"held\", 2.5) }";
    let body = format!(
        "fn reads() {{ #{{ flip: last(\"flip\", \"10 s\"), mean: mean({window}), \
         score: class_score({window}), median: class_median({window}), \
         spread: class_spread({window}) }} }}
        fn raise(seen) {{ seen.flip > 0.5 }}
        fn clear(seen) {{ seen.flip < 0.5 }}"
    );
    let text = rule_text("10 s", "", "", &body);
    // Its panes are longer, its windows the same.
    let other = rule_text(
        "20 s",
        "",
        "",
        &format!(
            "fn reads() {{ #{{ x: class_score({window}) }} }}\nfn raise(seen) {{ seen.x > 9.0 }}"
        ),
    );
    plan(&[("probe", text), ("other", other)], &catalogue())
}

fn stretch() -> Stretch {
    Stretch {
        from: at(STRETCH.0),
        to: at(STRETCH.1),
    }
}

#[derive(Clone, Debug)]
struct UnitSamples {
    sampled: Vec<(i64, f64, Quality)>,
    held: Vec<(i64, f64, Quality)>,
    cuts: Vec<i64>,
}

fn unit() -> impl Strategy<Value = UnitSamples> {
    let quality = || prop_oneof![8 => Just(Quality::Good), 1 => Just(Quality::Bad)];
    let time = || (1_i64..2_600).prop_map(|quarter| quarter * 250);
    let sampled = prop::collection::vec((time(), 7_900_i32..8_200, quality()), 0..500);
    let held = prop::collection::vec((time(), 0_i32..50, quality()), 0..200);
    let cuts = prop::collection::vec(time(), 0..4);
    (sampled, held, cuts).prop_map(|(sampled, held, mut cuts)| {
        let values = |list: Vec<(i64, i32, Quality)>, den: f64| {
            let list = list
                .into_iter()
                .map(|(ms, step, quality)| (ms, f64::from(step) / den, quality));
            let mut list: Vec<_> = list.collect();
            list.sort_by_key(|(ms, ..)| *ms);
            list
        };
        cuts.sort_unstable();
        cuts.push(i64::MAX);
        UnitSamples {
            sampled: values(sampled, 100.0),
            held: values(held, 10.0),
            cuts,
        }
    })
}

fn joined(samples: &[(i64, f64, Quality)]) -> Vec<Sample> {
    let samples = samples.iter().map(|&(ms, value, quality)| Sample {
        time: at(ms),
        value,
        quality,
    });
    Series::from_samples(samples.collect()).samples().collect()
}

/// The mean of the good samples in a window at whose instants the held value was 2.5 or more.
fn slow_mean(unit: &UnitSamples, end_ms: i64) -> Option<f64> {
    let held = joined(&unit.held);
    let holds = |ms: i64| {
        let newest = held.iter().rfind(|sample| sample.time.unix_ms() <= ms);
        newest.is_some_and(|sample| {
            sample.quality == Quality::Good
                && ms - sample.time.unix_ms() < HOLD_MS
                && sample.value >= 2.5
        })
    };
    let values: Vec<f64> = joined(&unit.sampled)
        .into_iter()
        .filter(|sample| sample.quality == Quality::Good)
        .filter(|sample| {
            let ms = sample.time.unix_ms();
            ms > end_ms - WINDOW_MS && ms <= end_ms && holds(ms)
        })
        .map(|sample| sample.value)
        .collect();
    let n = values.len() as f64;
    (n >= 3.0).then(|| values.iter().sum::<f64>() / n)
}

fn slow_median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    f64::midpoint(values[(n - 1) / 2], values[n / 2])
}

fn survey(plan: &Arc<UnitPlan>, unit: &UnitSamples) -> Vec<Vec<f64>> {
    let mut judge = UnitJudge::new(Arc::clone(plan), Arc::new(UnitContext::default()));
    let mut survey = ClassSurvey::new(plan, stretch());
    let mut from = i64::MIN;
    for cut in &unit.cuts {
        let part = |samples: &[(i64, f64, Quality)]| -> Vec<_> {
            let part = samples.iter().filter(|(ms, ..)| *ms > from && ms <= cut);
            part.copied().collect()
        };
        judge.feed(&Batch {
            columns: vec![
                column_of(SAMPLED, &part(&unit.sampled)),
                column_of(HELD, &part(&unit.held)),
            ],
            ..Batch::default()
        });
        survey.take(&mut judge, at(*cut));
        from = *cut;
    }
    survey.means()
}

const LEAST: LeastOfClass = LeastOfClass {
    units: 2,
    windows: 3,
};

/// The baseline by its definition; `None` where too few units have enough windows.
fn slow_fit(units: &[UnitSamples]) -> Option<(f64, f64, usize)> {
    let ends = (1..=10).map(|n| n * WINDOW_MS);
    let ends: Vec<i64> = ends
        .filter(|end| end - WINDOW_MS >= STRETCH.0 && *end <= STRETCH.1)
        .collect();
    let of_units: Vec<Vec<f64>> = units
        .iter()
        .map(|unit| {
            ends.iter()
                .filter_map(|end| slow_mean(unit, *end))
                .collect()
        })
        .filter(|means: &Vec<f64>| means.len() >= LEAST.windows)
        .collect();
    if of_units.len() < LEAST.units {
        return None;
    }
    let middle = slow_median(
        of_units
            .iter()
            .map(|means| slow_median(means.clone()))
            .collect(),
    );
    let distance =
        |means: &Vec<f64>| slow_median(means.iter().map(|mean| (mean - middle).abs()).collect());
    let spread = slow_median(of_units.iter().map(distance).collect());
    Some((middle, 1.4826 * spread.max(0.005), of_units.len()))
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9 * b.abs().max(1.0)
}

proptest! {
    #[test]
    fn the_fit_is_the_slow_one(units in prop::collection::vec(unit(), 1..6)) {
        let plan = probe();
        let mut fit = ClassFit::new(stretch(), LEAST);
        for unit in &units {
            fit.add(&plan, survey(&plan, unit));
        }
        let fitted: Vec<_> = fit.finish(None).collect();
        // Two rules, one baseline.
        prop_assert_eq!(fitted.len(), 1);
        prop_assert_eq!(&fitted[0].0, OF);
        match (&fitted[0].1, slow_fit(&units)) {
            (Ok(baseline), Some((median, spread, n_units))) => {
                prop_assert!(near(baseline.median, median), "{} {median}", baseline.median);
                prop_assert!(near(baseline.spread, spread), "{} {spread}", baseline.spread);
                prop_assert_eq!(baseline.n_units, n_units as u64);
                prop_assert_eq!(baseline.from, stretch().to);
            }
            (Err(few), None) => prop_assert!(few.n_units < LEAST.units),
            (fast, slow) => prop_assert!(false, "{fast:?} {slow:?}"),
        }
    }

    /// Whatever the pieces it came in, each tick's score is the slow mean against the baseline that
    /// was in force.
    #[test]
    fn the_score_is_the_slow_one(unit in unit()) {
        let baselines = [baseline(200_000, 80.0, 0.5), baseline(400_000, 80.5, 0.25)];
        let shown = judged(&unit, &baselines);
        prop_assert!(shown.len() > 50);
        for (tick, seen) in &shown {
            let mean = slow_mean(&unit, *tick);
            let held = baselines.iter().rfind(|baseline| baseline.from.unix_ms() <= *tick);
            prop_assert_eq!(number(seen["median"]), held.map(|baseline| baseline.median));
            prop_assert_eq!(number(seen["spread"]), held.map(|baseline| baseline.spread));
            let score = mean.zip(held).map(|(mean, held)| (mean - held.median) / held.spread);
            match (number(seen["score"]), score) {
                (Some(fast), Some(slow)) => prop_assert!(near(fast, slow), "{fast} {slow} at {tick}"),
                (fast, slow) => prop_assert_eq!(fast, slow, "at {}", tick),
            }
        }
    }
}

fn baseline(from_ms: i64, median: f64, spread: f64) -> ClassBaseline {
    ClassBaseline {
        class: None,
        of: OF.into(),
        ucum: "1".into(),
        from: at(from_ms),
        fitted_from: at(0),
        fitted_to: at(from_ms),
        median,
        spread,
        n_units: 7,
        n_windows: 70,
    }
}

fn context(baselines: &[ClassBaseline]) -> Arc<UnitContext> {
    Arc::new(UnitContext {
        class_baselines: Arc::new(ClassBaselines::new(baselines.to_vec())),
        ..UnitContext::default()
    })
}

fn flips() -> Vec<(i64, f64)> {
    (1..=64)
        .map(|n| (n * TICK_MS, f64::from(n % 2 == 1)))
        .collect()
}

type Shown =
    std::collections::BTreeMap<i64, std::collections::BTreeMap<String, wheeltap_model::KnownValue>>;

/// Judged piece by piece as live data comes, and again resumed from a checkpoint, which must agree.
fn judged(unit: &UnitSamples, baselines: &[ClassBaseline]) -> Shown {
    let plan = probe();
    let batch = Batch {
        columns: vec![
            column_of(SAMPLED, &unit.sampled),
            column_of(HELD, &unit.held),
            column(FLIP, &flips()),
        ],
        ..Batch::default()
    };
    let mut judge = UnitJudge::new(Arc::clone(&plan), context(baselines));
    judge.feed(&batch);
    let mut judgement = Judgement::default();
    for cut in &unit.cuts {
        judge.judge_until(at(*cut), &mut judgement);
    }
    let mut first = UnitJudge::new(Arc::clone(&plan), context(baselines));
    first.feed(&batch);
    let mut resumed = Judgement::default();
    first.judge_until(at(300_000), &mut resumed);
    let checkpoint = first.checkpoint().expect("it judged up to 300 s");
    let mut second = UnitJudge::resume(plan, context(baselines), &checkpoint);
    second.feed(&batch);
    second.judge(&mut resumed);
    assert_eq!(resumed.changes, judgement.changes);
    evidence(&judgement)
}

#[test]
fn evidence_shows_what_the_class_does() {
    let unit = UnitSamples {
        sampled: (1..640).map(|s| (s * 1_000, 81.0, Quality::Good)).collect(),
        held: (1..640).map(|s| (s * 1_000, 3.0, Quality::Good)).collect(),
        cuts: vec![i64::MAX],
    };
    let plan = probe();
    let mut judge = UnitJudge::new(plan, context(&[baseline(200_000, 80.0, 0.5)]));
    judge.feed(&Batch {
        columns: vec![
            column_of(SAMPLED, &unit.sampled),
            column_of(HELD, &unit.held),
            column(FLIP, &flips()),
        ],
        ..Batch::default()
    });
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    let told: Vec<&str> = judgement
        .changes
        .iter()
        .map(|change| change.occurrence().evidence.inputs[2].of.as_str())
        .collect();
    let text = "class_score(sampled, 1 min, during at_least(held, 2.5))";
    assert_eq!(told.first(), Some(&text));
    let with_class =
        format!("{text}: median 80.0000, spread 0.5000 of 7 units, since 1970-01-01T00:03:20Z");
    assert_eq!(told.last(), Some(&with_class.as_str()));
}

/// A baseline that comes into force while nothing is sent counts from its instant on.
#[test]
fn a_baseline_takes_effect_in_silence() {
    let body = "fn reads() { #{ median: class_median(\"sampled\", \"1 min\"), \
                now: last(\"sampled\") } }
        fn raise(seen) { seen.median > 79.0 }";
    let plan = plan(&[("middle", rule_text("10 s", "", "", body))], &catalogue());
    let mut own = baseline(50_000_000, 80.0, 0.5);
    own.of = "mean(sampled, 1 min, share 0.5)".into();
    let mut judge = UnitJudge::new(plan, context(&[own]));
    judge.feed(&Batch {
        columns: vec![column(SAMPLED, &[(1_000, 80.0), (90_000_000, 80.0)])],
        ..Batch::default()
    });
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    let raised = judgement.changes[0].occurrence().raised_at;
    assert_eq!(raised, at(50_000_000));
}
