//! A channel that is computed is judged as if it had been sent: against a slow evaluator, in any cut of the
//! data, from any checkpoint, and read back.

use crate::support::rule_text;
use proptest::prelude::*;
use std::sync::Arc;
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{
    EffectiveRule, Judgement, Occurrence, UnitContext, UnitData, UnitJudge, UnitPlan,
    derive_series, replay_unit,
};
use wheeltap_model::{
    Batch, ChannelId, ChannelName, ClassName, Column, EventTime, KnownValue, Quality, Sample,
    Series, UnitId,
};
use wheeltap_rules::{Environment, compile};

const CATALOGUE: &str = r#"
[[channel]]
name = "wheel"
kind = "sampled"
interval = "1 s"
silent = "4 s"
ucum = "km/h"
range = [0, 250]
[[channel]]
name = "ground"                          # in another unit than the formula's
kind = "sampled"
interval = "1 s"
silent = "3 s"
ucum = "[mi_i]/h"
range = [0, 150]
[[channel]]
name = "pipe"
kind = "sampled"
interval = "1 s"
ucum = "kPa"
range = [0, 1500]
[[channel]]
name = "rear"
kind = "held"
hold = "7 s"
ucum = "kPa"
range = [0, 1500]
[[derived]]
name = "slip"
formula = "creep"
of = { wheel = "wheel", ground = "ground" }
range = [-1, 3]                          # a creep over 300 % is bad
[[derived]]
name = "gradient"
formula = "pressure_difference"
of = { high = "pipe", low = "rear" }
range = [-1500, 1500]
[[derived]]
name = "twice"                           # of a derived one
formula = "pressure_difference"
of = { high = "gradient", low = "rear" }
range = [-3000, 3000]
[[derived]]
name = "leak"
formula = "fall_rate"
of = { pressure = "pipe", gate = "wheel.braked", settle = "2 s", window = "5 s" }
kind = "held"
hold = "20 s"
range = [0, 100000]
[[derived]]
name = "used"
formula = "adhesion_used"
of = { effort = "traction.effort", weight = "class.weight_on_drivers" }
range = [0, 2]
resolution = "0.0001"
[[class]]
name = "Marten"
weight_on_drivers = "190 t"
"#;

const GATE: &str = "
[[channel]]
name = \"wheel.braked\"
kind = \"held\"
hold = \"9 s\"
ucum = \"1\"
range = [0, 1]
";

/// What a railway that measures these would say.
const MEASURED: &str = r#"
[[channel]]
name = "slip"
[[channel]]
name = "gradient"
[[channel]]
name = "twice"
"#;

fn catalogue(measured: bool) -> Catalogue {
    let mut files = vec![
        ("gate.toml".to_owned(), GATE.to_owned()),
        ("derived.toml".to_owned(), CATALOGUE.to_owned()),
    ];
    if measured {
        files.push(("measured.toml".to_owned(), MEASURED.to_owned()));
    }
    Catalogue::with_files(&files).unwrap_or_else(|problems| panic!("{problems:#?}"))
}

const RULES: [(&str, &str); 5] = [
    (
        "slipping",
        "fn reads() { #{ x: mean(\"slip\", \"20 s\", #{ share: 0.1 }), most: max(\"slip\", \"20 s\", #{ share: 0.1 }) } }
        fn raise(seen) { seen.x > 0.3 || seen.most > 1.0 }",
    ),
    (
        "gradient",
        "fn reads() { #{ x: last(\"gradient\") } }
        fn raise(seen) { seen.x > 40.0 }",
    ),
    (
        "twice",
        "fn reads() { #{ x: mean(\"twice\", \"30 s\", #{ share: 0.1 }) } }
        fn raise(seen) { seen.x < -300.0 }",
    ),
    (
        "leaking",
        "fn reads() { #{ x: last(\"leak\") } }
        fn raise(seen) { seen.x > 10.0 }
        fn clear(seen) { seen.x < 5.0 }",
    ),
    (
        "braked",
        "fn reads() { #{ x: last(\"wheel.braked\") } }
        fn raise(seen) { seen.x > 0.5 }",
    ),
];

fn plan(catalogue: &Catalogue, class: Option<&str>, rules: &[(&str, &str)]) -> Arc<UnitPlan> {
    let rules: Vec<EffectiveRule> = rules
        .iter()
        .map(|(name, body)| {
            let text = rule_text("10 s", "", "", body);
            let env = Environment::new(catalogue);
            let rule = compile(&format!("{name}.rhai"), &text, &env);
            EffectiveRule::always(Arc::new(rule.unwrap_or_else(|found| panic!("{found:#?}"))))
        })
        .collect();
    let unit = UnitId::new("ZVR 1").unwrap();
    let class = class.map(|class| ClassName::new(class).unwrap());
    let def = class.as_ref().and_then(|class| catalogue.class(class));
    Arc::new(UnitPlan::new(&rules, &unit, class.as_ref(), def, catalogue))
}

fn id(catalogue: &Catalogue, name: &str) -> ChannelId {
    catalogue
        .channel(&ChannelName::new(name).unwrap())
        .unwrap()
        .0
}

const SENT: [&str; 5] = ["wheel", "ground", "pipe", "rear", "wheel.braked"];

/// Samples of each channel that is sent, some of them bad; the times differ between channels.
type Sent = Vec<Vec<Sample>>;

fn channel_course(values: &'static [f64]) -> impl Strategy<Value = Vec<Sample>> {
    let sample = (1_i64..5, prop::sample::select(values), 0_u8..12);
    let stretch = (0_i64..120_000, prop::collection::vec(sample, 1..60));
    prop::collection::vec(stretch, 1..5).prop_map(|stretches| {
        let mut at_ms = 1_000_000_000;
        let mut samples = Vec::new();
        for (gap_ms, stretch) in stretches {
            at_ms += gap_ms;
            for (halves, value, luck) in stretch {
                at_ms += halves * 500;
                samples.push(Sample {
                    time: EventTime::from_unix_ms(at_ms),
                    value,
                    quality: if luck == 0 {
                        Quality::Bad
                    } else {
                        Quality::Good
                    },
                });
            }
        }
        samples
    })
}

fn sent() -> impl Strategy<Value = Sent> {
    (
        channel_course(&[0.0, 10.0, 20.0, 60.0]),
        channel_course(&[0.0, 2.0, 6.0, 12.0, 30.0]),
        channel_course(&[600.0, 598.0, 590.0, 500.0]),
        channel_course(&[600.0, 550.0, 400.0]),
        channel_course(&[0.0, 1.0, 1.0, 1.0]),
    )
        .prop_map(|(a, b, c, d, e)| vec![a, b, c, d, e])
}

/// The newest good value at an instant; a held channel forgets at a bad sample.
fn standing(samples: &[Sample], at: EventTime, most_ms: i64, held: bool) -> Option<f64> {
    let good = |sample: &&Sample| sample.quality == Quality::Good;
    let mut before = samples.iter().rev().filter(|sample| sample.time <= at);
    let newest = if held {
        before.next().filter(good)
    } else {
        before.find(good)
    };
    newest
        .filter(|sample| at.ms_since(sample.time) <= most_ms)
        .map(|sample| sample.value)
}

/// One value at each good sample of `first`.
fn slow(
    first: &[Sample],
    value: impl Fn(&Sample) -> Option<f64>,
    range: (f64, f64),
) -> Vec<Sample> {
    let good = first
        .iter()
        .filter(|sample| sample.quality == Quality::Good);
    good.filter_map(|sample| {
        let value = value(sample)?;
        let inside = range.0 <= value && value <= range.1;
        Some(Sample {
            value,
            quality: if inside { Quality::Good } else { Quality::Bad },
            ..*sample
        })
    })
    .collect()
}

fn slow_slip(sent: &Sent) -> Vec<Sample> {
    let value = |sample: &Sample| {
        // 1 mile is 1.609344 km.
        let ground = standing(&sent[1], sample.time, 3_000, false)? * 1.609_344;
        (ground >= 3.0 * 1.609_344).then(|| (sample.value - ground) / ground)
    };
    slow(&sent[0], value, (-1.0, 3.0))
}

fn slow_gradient(high: &[Sample], sent: &Sent, range: (f64, f64)) -> Vec<Sample> {
    let value =
        |sample: &Sample| Some(sample.value - standing(&sent[3], sample.time, 7_000, true)?);
    slow(high, value, range)
}

fn data(catalogue: &Catalogue, sent: &Sent) -> UnitData {
    UnitData {
        series: SENT
            .iter()
            .zip(sent)
            .map(|(name, samples)| (id(catalogue, name), Series::from_samples(samples.clone())))
            .collect(),
        events: vec![],
    }
}

fn whole(plan: &Arc<UnitPlan>, data: &UnitData) -> Judgement {
    replay_unit(Arc::clone(plan), Arc::new(UnitContext::default()), data)
}

/// Without what differs between versions of a catalogue alone.
fn of_rules(occurrences: Vec<Occurrence>, rules: &[&str]) -> Vec<Occurrence> {
    let kept = occurrences.into_iter();
    kept.filter(|occurrence| rules.contains(&occurrence.rule.name.as_str()))
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(if cfg!(debug_assertions) { 48 } else { 400 }))]

    // The law: a derived channel is judged as the series of a slow evaluator that was sent; and reading it
    // back gives that series, whole and from any instant on.
    #[test]
    fn a_derived_channel_is_the_slow_evaluator_s(sent in sent(), cut in 0.0_f64..1.0) {
        let derived = catalogue(false);
        let measured = catalogue(true);
        let slip = slow_slip(&sent);
        let gradient = slow_gradient(&sent[2], &sent, (-1_500.0, 1_500.0));
        let twice = slow_gradient(&gradient, &sent, (-3_000.0, 3_000.0));
        let mut with_values = data(&measured, &sent);
        for (name, samples) in [("slip", &slip), ("gradient", &gradient), ("twice", &twice)] {
            let series = Series::from_samples(samples.clone());
            with_values.series.push((id(&measured, name), series));
        }
        let rules = ["slipping", "gradient", "twice", "braked"];
        let found = whole(&plan(&derived, None, &RULES), &data(&derived, &sent)).occurrences();
        let expected = whole(&plan(&measured, None, &RULES), &with_values).occurrences();
        prop_assert_eq!(of_rules(found, &rules), of_rules(expected, &rules));

        let stored = data(&derived, &sent);
        let mut read = |wanted: ChannelId, from: EventTime, to: EventTime| {
            let (_, series) = stored.series.iter().find(|(id, _)| *id == wanted).unwrap();
            let inside = series.samples().filter(|s| from <= s.time && s.time <= to);
            Ok::<_, ()>(Series::from_samples(inside.collect()))
        };
        let last = sent.iter().flatten().map(|sample| sample.time.unix_ms()).max().unwrap_or(0);
        #[expect(clippy::cast_possible_truncation, reason = "a share of it")]
        let from = EventTime::from_unix_ms(1_000_000_000 + ((last - 1_000_000_000) as f64 * cut) as i64);
        let to = EventTime::from_unix_ms(last);
        for (name, samples) in [("slip", &slip), ("gradient", &gradient), ("twice", &twice)] {
            let def = derived.channel(&ChannelName::new(name).unwrap()).unwrap().1;
            let after: Vec<Sample> = samples.iter().filter(|s| s.time >= from).copied().collect();
            let back = derive_series(def, None, &derived, (from, to), &mut read).unwrap();
            prop_assert_eq!(back, Series::from_samples(after), "{}", name);
        }
    }

    // The law: from any checkpoint, warmed by no more than the plan's reach, the rest is judged to the same bits,
    // tests over time included.
    #[test]
    fn any_checkpoint_leads_to_the_same_derived_values(sent in sent()) {
        let catalogue = catalogue(false);
        let plan = plan(&catalogue, None, &RULES);
        let all = data(&catalogue, &sent);
        let whole = whole(&plan, &all);
        let expected = whole.occurrences();
        for checkpoint in &whole.checkpoints {
            let context = Arc::new(UnitContext::default());
            let mut judge = UnitJudge::resume(Arc::clone(&plan), context, checkpoint);
            let warm_from = checkpoint.at.unix_ms() - plan.reach_ms();
            for (channel, series) in &all.series {
                let first = series.times_ms.partition_point(|ms| *ms <= warm_from).saturating_sub(1);
                let rest = series.samples().skip(first).collect();
                prop_assert_eq!(judge.feed_series(*channel, &Series::from_samples(rest)).late_from, None);
            }
            let mut judgement = Judgement::default();
            judge.judge(&mut judgement);
            let known = |o: &&Occurrence| o.raised_at > checkpoint.at;
            let found: Vec<Occurrence> = judgement.occurrences();
            prop_assert_eq!(
                found.iter().filter(known).collect::<Vec<_>>(),
                expected.iter().filter(known).collect::<Vec<_>>()
            );
        }
    }

    // The law: any cut into batches in order of arrival, judged after each, says what one piece says; what comes
    // late for an input is reported, so that nothing derived from it is missed.
    #[test]
    fn batches_say_what_the_whole_says(sent in sent(), size in 1_000_i64..60_000) {
        let catalogue = catalogue(false);
        let plan = plan(&catalogue, None, &RULES);
        let expected = whole(&plan, &data(&catalogue, &sent)).occurrences();
        let mut judge = UnitJudge::new(Arc::clone(&plan), Arc::new(UnitContext::default()));
        let mut judgement = Judgement::default();
        let last = sent.iter().flatten().map(|sample| sample.time.unix_ms()).max().unwrap_or(0);
        let mut from = 1_000_000_000;
        while from <= last {
            let columns = SENT.iter().zip(&sent).map(|(name, samples)| {
                let part = samples.iter().filter(|s| {
                    (from..from + size).contains(&s.time.unix_ms())
                });
                let part: Vec<&Sample> = part.collect();
                Column {
                    channel: id(&catalogue, name),
                    times_ms: part.iter().map(|s| s.time.unix_ms()).collect(),
                    values: part.iter().map(|s| s.value).collect(),
                    qualities: part.iter().map(|s| s.quality).collect(),
                }
            });
            let batch = Batch { columns: columns.collect(), ..Batch::default() };
            prop_assert_eq!(judge.feed(&batch).late_from, None);
            judge.judge(&mut judgement);
            from += size;
        }
        prop_assert_eq!(judgement.occurrences(), expected);
    }
}

fn samples(of: &[(i64, f64)]) -> Series {
    let samples = of.iter().map(|(ms, value)| Sample {
        time: EventTime::from_unix_ms(*ms),
        value: *value,
        quality: Quality::Good,
    });
    Series::from_samples(samples.collect())
}

#[test]
fn late_data_of_an_input_is_late_for_what_is_derived() {
    let catalogue = catalogue(false);
    // The rule reads the slip alone.
    let plan = plan(&catalogue, None, &RULES[..1]);
    let mut judge = UnitJudge::new(plan, Arc::new(UnitContext::default()));
    let times = (1..120).map(|s| s * 1_000);
    let wheel: Vec<(i64, f64)> = times.map(|ms| (ms, 30.0)).collect();
    judge.feed_series(id(&catalogue, "wheel"), &samples(&wheel));
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    assert_eq!(judgement.occurrences(), []);
    // The ground speed of another processor comes when the wheel's was judged.
    let late = judge.feed_series(id(&catalogue, "ground"), &samples(&[(20_500, 12.0)]));
    assert_eq!(late.late_from, Some(EventTime::from_unix_ms(20_500)));
}

#[test]
fn what_was_sent_under_a_derived_name_is_not_taken() {
    let catalogue = catalogue(false);
    let plan = plan(&catalogue, None, &RULES[..1]);
    let mut judge = UnitJudge::new(plan, Arc::new(UnitContext::default()));
    let times = (1..120).map(|s| s * 1_000);
    let slip: Vec<(i64, f64)> = times.map(|ms| (ms, 2.0)).collect();
    judge.feed_series(id(&catalogue, "slip"), &samples(&slip));
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    assert_eq!(judgement.occurrences(), []);
}

// 190 t on drivers and 560 kN: 560 / (190 x 9.80665) = 0.3005.
#[test]
fn a_figure_of_the_class_is_used_where_the_class_has_it() {
    let catalogue = catalogue(false);
    let rule = [(
        "adhesion",
        "fn reads() { #{ x: mean(\"used\", \"20 s\") } }
        fn raise(seen) { seen.x > 0.3004 && seen.x < 0.3006 }",
    )];
    let times = (1..120).map(|s| s * 1_000);
    let effort: Vec<(i64, f64)> = times.map(|ms| (ms, 560.0)).collect();
    let effort = (id(&catalogue, "traction.effort"), samples(&effort));
    let data = UnitData {
        series: vec![effort],
        events: vec![],
    };
    for (class, n_raised) in [(Some("Marten"), 1), (Some("Badger"), 0), (None, 0)] {
        let plan = plan(&catalogue, class, &rule);
        let found = whole(&plan, &data).occurrences();
        assert_eq!(found.len(), n_raised, "{class:?}");
    }
}

// The constructed example of the leakage test of 49 CFR 232.205(c)(1): 70.0 to 64.6 psi in the minute after
// settling are 5.4 psi a minute and fail; 3.8 pass. By the built-in channel.
#[test]
fn a_leaking_brake_pipe_is_found_by_the_test_procedure() {
    const PSI: f64 = 6.894_757_293_168_361;
    let catalogue = Catalogue::builtin();
    let rule = [(
        "leaking",
        "fn reads() { #{ x: last(\"brake.pipe.leakage\") } }
        fn raise(seen) { seen.x > 34.474 }",
    )];
    let plan = plan(&catalogue, None, &rule);
    for (last_psi, found_psi) in [(64.6, Some(5.4)), (66.2, None)] {
        let pressure = |s: i64| match s {
            ..=60 => 90.0 - s as f64 / 10.0,
            61..=160 => 70.0,
            s => 70.0 + (last_psi - 70.0) * (s - 160) as f64 / 60.0,
        };
        let pipe: Vec<(i64, f64)> = (0..400).map(|s| (s * 1_000, pressure(s) * PSI)).collect();
        let gate = [(0, 0.0), (100_000, 1.0), (300_000, 0.0)];
        let data = UnitData {
            series: vec![
                (id(&catalogue, "brake.pipe.pressure"), samples(&pipe)),
                (id(&catalogue, "brake.feed_cut_out"), samples(&gate)),
            ],
            events: vec![],
        };
        let found = whole(&plan, &data).occurrences();
        assert_eq!(found.len(), usize::from(found_psi.is_some()));
        if let (Some(occurrence), Some(psi)) = (found.first(), found_psi) {
            // Settled at 160 s, read to 220 s.
            assert_eq!(occurrence.raised_at, EventTime::from_unix_ms(220_000));
            let KnownValue::Number(value) = occurrence.evidence.inputs[0].value else {
                panic!("it was known");
            };
            assert!((value / PSI - psi).abs() < 1e-9, "{value}");
        }
    }
}
