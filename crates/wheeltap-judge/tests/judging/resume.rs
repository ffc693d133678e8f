//! Resuming from any checkpoint and feeding the stored data again says the same, to the bit.

use crate::support::{FLIP, HELD, SAMPLED, catalogue, column, plan, rule_text};
use proptest::prelude::*;
use std::sync::Arc;
use wheeltap_judge::{Judgement, Occurrence, UnitContext, UnitData, UnitJudge, replay_unit};
use wheeltap_model::{ChannelId, EventTime, Series};

const RULES: [(&str, &str, &str, &str); 8] = [
    (
        "hot",
        "30 s",
        "1 min",
        "fn reads() { #{ x: mean(\"sampled\", \"1 min\") } }
        fn raise(seen) { seen.x > 3.0 } fn clear(seen) { seen.x < 2.0 }",
    ),
    (
        "stuck",
        "2 min",
        "",
        "fn reads() { #{ x: range(\"sampled\", \"5 min\"), h: last(\"held\") } }
        fn tested(seen) { seen.h > 0.5 } fn raise(seen) { seen.x < 4.0 }",
    ),
    (
        "silent",
        "10 min",
        "",
        "fn reads() { #{ x: last(\"sampled\") } }
        fn raise(seen) { !known(seen.x) }",
    ),
    (
        "steep",
        "",
        "30 s",
        "fn reads() { #{ x: slope(\"sampled\", \"2 min\"), m: max(\"held\", \"1 min\") } }
        fn raise(seen) { seen.x > 0.02 || seen.m > 3.5 }",
    ),
    (
        "unlike",
        "",
        "30 s",
        "fn reads() { #{
            t: t_squared(#{ channels: [\"sampled\", \"held\"], window: \"1 min\",
                healthy: first(\"2 h\"), share: 0.1 }),
            q: q(#{ channels: [\"sampled\", \"held\"], window: \"1 min\",
                healthy: first(\"2 h\"), variance: 0.3, share: 0.1 }),
        } }
        fn raise(seen) { seen.t > 1.0 || seen.q > 1.0 }",
    ),
    (
        "unusual",
        "",
        "",
        "fn reads() { #{ x: mean(\"sampled\", \"1 min\"),
            usual: usual(\"sampled\", \"30 s\", days(\"1970-01-01\", \"1970-01-01\")) } }
        fn raise(seen) { seen.x > seen.usual }",
    ),
    (
        "charted",
        "",
        "30 s",
        "fn reads() { #{
            sum: cusum_high(\"sampled\", 2, 0.5, \"10 min\"),
            score: robust_score(\"sampled\", \"1 min\", \"10 min\"),
            trend: trend_z(\"sampled\", \"5 min\"), slope: robust_slope(\"sampled\", \"5 min\"),
            smooth: ewma(\"sampled\", 0.05, \"5 min\"), moves: moving_range(\"sampled\", \"2 min\"),
            upper: quantile(\"sampled\", 0.9, \"5 min\"), error: slope_error(\"sampled\", \"2 min\"),
        } }
        fn raise(seen) { seen.sum > 200.0 || seen.score > 2.0 || seen.trend > 2.0 }",
    ),
    (
        "while-held",
        "20 s",
        "",
        "fn reads() { #{
            x: mean(\"sampled\", \"2 min\", #{ during: between(\"held\", 1, 4) }),
            h: integral(\"held\", \"2 min\", #{ during: [at_least(\"sampled\", 2), below(\"held\", 5)] }),
        } }
        fn raise(seen) { seen.x > 2.5 || seen.h > 200.0 }",
    ),
];

/// Stretches of samples with gaps between, in seconds and whole steps.
fn stretches() -> impl Strategy<Value = Vec<(i64, f64)>> {
    prop::collection::vec((1_i64..4_000, 1_usize..600, 0_i32..6), 1..8).prop_map(|stretches| {
        let (mut second, mut samples) = (0, Vec::new());
        for (gap, n, level) in stretches {
            second += gap;
            for _ in 0..n {
                second += 1;
                let wobble = f64::from(u8::try_from(second % 7).unwrap()) / 10.0;
                samples.push((second * 1_000, f64::from(level) + wobble));
            }
        }
        samples
    })
}

fn series(samples: &[(i64, f64)]) -> Series {
    Series {
        times_ms: samples.iter().map(|(ms, _)| *ms).collect(),
        values: samples.iter().map(|(_, value)| *value).collect(),
        qualities: vec![],
    }
}

/// What stood at the checkpoint or was raised later.
fn after(occurrences: &[Occurrence], at: EventTime) -> Vec<Occurrence> {
    occurrences
        .iter()
        .filter(|o| o.ended_at.is_none_or(|ended| ended > at))
        .cloned()
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(if cfg!(debug_assertions) { 24 } else { 200 }))]

    #[test]
    fn any_checkpoint_leads_to_the_same_occurrences(
        sampled in stretches(), held in stretches(), flip in stretches(),
    ) {
        let texts: Vec<(&str, String)> = RULES
            .iter()
            .map(|(name, on, off, body)| (*name, rule_text("10 s", on, off, body)))
            .collect();
        let plan = plan(&texts, &catalogue());
        let context = Arc::new(UnitContext::default());
        let channels: [(ChannelId, &[(i64, f64)]); 3] =
            [(SAMPLED, &sampled), (HELD, &held), (FLIP, &flip)];
        let data = UnitData {
            series: channels.iter().map(|(id, samples)| (*id, series(samples))).collect(),
            events: vec![],
        };
        let whole = replay_unit(Arc::clone(&plan), Arc::clone(&context), &data);
        let expected = whole.occurrences();
        for checkpoint in &whole.checkpoints {
            let mut judge = UnitJudge::resume(Arc::clone(&plan), Arc::clone(&context), checkpoint);
            let warm_from = plan.warm_from(checkpoint).unix_ms();
            for (id, samples) in &channels {
                // The newest sample before the reach carries a held value in.
                let first = samples.partition_point(|(ms, _)| *ms <= warm_from).saturating_sub(1);
                let fed = judge.feed_series(*id, &series(&samples[first..]));
                prop_assert_eq!(fed.late_from, None);
            }
            let mut judgement = Judgement::default();
            judge.judge(&mut judgement);
            let mut found = judgement.occurrences();
            // What stood at the checkpoint and still stands is in the judge's memory alone.
            for memory in judge.checkpoint().unwrap().slots {
                if let Some(standing) = memory.standing
                    && !found.iter().any(|o| o.rule == standing.rule && o.raised_at == standing.raised_at)
                {
                    found.push(standing);
                }
            }
            found.sort_by(|a, b| (a.raised_at, &a.rule).cmp(&(b.raised_at, &b.rule)));
            prop_assert_eq!(found, after(&expected, checkpoint.at));
        }
    }
}

#[test]
fn late_data_is_reported_and_not_taken() {
    let text = rule_text(
        "10 s",
        "",
        "",
        "fn reads() { #{ x: mean(\"sampled\", \"1 min\") } }
        fn raise(seen) { seen.x > 3.0 }",
    );
    let mut judge = UnitJudge::new(
        plan(&[("hot", text)], &catalogue()),
        Arc::new(UnitContext::default()),
    );
    let samples: Vec<(i64, f64)> = (1..120).map(|s| (s * 1_000, 1.0)).collect();
    judge.feed_series(SAMPLED, &series(&samples));
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    assert_eq!(
        judge.judged_through(),
        Some(EventTime::from_unix_ms(110_000))
    );
    let batch = wheeltap_model::Batch {
        columns: vec![column(SAMPLED, &[(50_500, 9.0), (119_500, 1.0)])],
        ..Default::default()
    };
    assert_eq!(
        judge.feed(&batch).late_from,
        Some(EventTime::from_unix_ms(50_500))
    );
}
