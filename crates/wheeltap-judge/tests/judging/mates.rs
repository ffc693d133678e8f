//! Consist mates: what a rule sees of them equals the slow, obvious answer on random, gappy data while units
//! come, go and stop working; whatever the pieces it is fed in, and after a resume.

use crate::support::{
    EVENT, FLIP, HELD, SAMPLED, at, catalogue, evidence, number, plan, rule_text,
};
use proptest::prelude::*;
use std::sync::Arc;
use wheeltap_judge::{
    Judgement, Mates, Recorded, UnitContext, UnitData, UnitJudge, UnitPlan, replay_among,
};
use wheeltap_model::{
    ClassName, ConsistPosition, Dated, Event, EventTime, KnownValue, Series, Timeline, UnitId,
    UnitState,
};
use wheeltap_rules::WAIT_FOR_MATES_MS;

const TICK_MS: i64 = 10_000;
const END_MS: i64 = 900_000;
const WINDOW_MS: i64 = 60_000;

/// Shows its inputs at every tick: raised at one, ended at the next.
fn probe() -> Arc<UnitPlan> {
    let mean = "mean(\"sampled\", \"1 min\", #{ share: 0.2 })";
    let busy = "mean(\"sampled\", \"1 min\", #{ share: 0.05, during: at_least(\"held\", 2.5) })";
    let body = format!(
        "fn reads() {{ #{{ flip: last(\"flip\", \"10 s\"), mean: mates_mean({mean}),
         median: mates_median({mean}), least: mates_min({mean}), most: mates_max({mean}),
         known: mates_count({mean}), busy: mates_mean({busy}),
         trips: mates_max(count(\"event\", \"1 min\")) }} }}
        fn raise(seen) {{ seen.flip > 0.5 }}
        fn clear(seen) {{ seen.flip < 0.5 }}"
    );
    plan(&[("probe", rule_text("10 s", "", "", &body))], &catalogue())
}

#[derive(Clone, Debug, Default)]
struct MateData {
    sampled: Vec<(i64, f64)>,
    held: Vec<(i64, f64)>,
    events: Vec<i64>,
    /// From, train.
    trains: Vec<(i64, Option<u8>)>,
    /// From, whether it works.
    works: Vec<(i64, bool)>,
}

fn mate() -> impl Strategy<Value = MateData> {
    // Half of the seconds, in stretches, so that some windows are known and some not.
    let stretches = prop::collection::vec((-100_i64..800, 1_i64..200, 0_i32..400), 0..5);
    let held = prop::collection::vec((-100_i64..900, 0_i32..50), 0..300);
    let events = prop::collection::vec(-100_000_i64..END_MS, 0..20);
    let trains = prop::collection::vec((-200_i64..900, prop::option::weighted(0.8, 0_u8..2)), 0..5);
    let works = prop::collection::vec((-200_i64..900, prop::bool::weighted(0.8)), 1..4);
    (stretches, held, events, trains, works).prop_map(|(stretches, held, events, trains, works)| {
        let mut sampled = std::collections::BTreeMap::new();
        for (from, n, level) in stretches {
            for second in from..from + n {
                let value = f64::from(level) + (second % 7) as f64 / 100.0;
                sampled.insert(second * 1_000 + 1, value.min(400.0));
            }
        }
        let held: std::collections::BTreeMap<i64, f64> = held
            .into_iter()
            .map(|(second, tenths)| (second * 1_000 + 3, f64::from(tenths) / 10.0))
            .collect();
        let mut events = events;
        events.sort_unstable();
        events.dedup();
        MateData {
            sampled: sampled.into_iter().collect(),
            held: held.into_iter().collect(),
            events,
            trains: trains
                .into_iter()
                .map(|(s, train)| (s * 1_000, train))
                .collect(),
            works: works
                .into_iter()
                .map(|(s, works)| (s * 1_000, works))
                .collect(),
        }
    })
}

fn timeline<T>(entries: impl IntoIterator<Item = (i64, T)>) -> Timeline<T> {
    let mut timeline = Timeline::default();
    for (from, value) in entries {
        timeline.set(Dated {
            from: at(from),
            value,
            source: "test".into(),
        });
    }
    timeline
}

fn consists(trains: &[(i64, Option<u8>)]) -> Timeline<ConsistPosition> {
    timeline(trains.iter().map(|(from, train)| {
        let position = ConsistPosition {
            train: train.map(|n| format!("M{n}")),
            ..ConsistPosition::default()
        };
        (*from, position)
    }))
}

fn states(works: &[(i64, bool)]) -> Timeline<UnitState> {
    timeline(works.iter().map(|(from, works)| {
        let state = if *works {
            UnitState::Working
        } else {
            UnitState::Isolated
        };
        (*from, state)
    }))
}

fn name(idx: usize) -> UnitId {
    UnitId::new(&format!("ZVR {}", 10 + idx)).unwrap()
}

fn context(own: &[(i64, Option<u8>)], mates: &[MateData]) -> Arc<UnitContext> {
    let of: Vec<_> = mates
        .iter()
        .enumerate()
        .map(|(idx, mate)| (name(idx), consists(&mate.trains), states(&mate.works)))
        .collect();
    let recorded = of.iter().map(|(unit, consists, states)| Recorded {
        unit,
        class: None,
        states,
        consists,
    });
    Arc::new(UnitContext {
        mates: Arc::new(Mates::new(&consists(own), recorded)),
        ..UnitContext::default()
    })
}

fn series(samples: &[(i64, f64)]) -> Series {
    Series {
        times_ms: samples.iter().map(|(ms, _)| *ms).collect(),
        values: samples.iter().map(|(_, value)| *value).collect(),
        qualities: vec![],
    }
}

fn event(ms: i64) -> Event {
    Event {
        channel: EVENT,
        time: at(ms),
        fields: vec![None],
    }
}

fn data(mate: &MateData) -> UnitData {
    UnitData {
        series: vec![(SAMPLED, series(&mate.sampled)), (HELD, series(&mate.held))],
        events: mate.events.iter().map(|ms| event(*ms)).collect(),
    }
}

/// A flip at every tick, so that evidence is shown at every tick; it ends later than most mates.
fn own() -> UnitData {
    let flips: Vec<(i64, f64)> = (1..=END_MS / TICK_MS + 12)
        .map(|n| (n * TICK_MS, f64::from(u8::from(n % 2 == 1))))
        .collect();
    UnitData {
        series: vec![(FLIP, series(&flips))],
        events: vec![],
    }
}

fn slow_mean(mate: &MateData, tick_ms: i64, busy: bool) -> Option<f64> {
    let holds = |ms: i64| {
        let newest = mate.held.iter().rfind(|(at, _)| *at <= ms);
        newest.is_some_and(|(at, value)| ms - at < crate::support::HOLD_MS && *value >= 2.5)
    };
    let values: Vec<f64> = mate
        .sampled
        .iter()
        .filter(|(ms, _)| *ms > tick_ms - WINDOW_MS && *ms <= tick_ms && (!busy || holds(*ms)))
        .map(|(_, value)| *value)
        .collect();
    let n = values.len() as f64;
    let least = if busy { 3.0 } else { 12.0 };
    // In whole hundredths, as they are.
    let sum: f64 = values.iter().map(|v| (v * 100.0).round()).sum();
    (n >= least).then(|| sum / (100.0 * n))
}

/// What is known of the mates at a tick, with names; `None` where no train is.
fn slow(
    own: &[(i64, Option<u8>)],
    mates: &[MateData],
    tick_ms: i64,
    value: impl Fn(&MateData) -> Option<f64>,
) -> Option<Vec<(UnitId, f64)>> {
    let train_of = |trains: &[(i64, Option<u8>)]| {
        consists(trains)
            .at(at(tick_ms))
            .and_then(|dated| dated.value.train.clone())
    };
    let train = train_of(own)?;
    let in_train = mates.iter().enumerate().filter(|(_, mate)| {
        train_of(&mate.trains).as_ref() == Some(&train)
            && states(&mate.works).at(at(tick_ms)).map(|dated| dated.value)
                == Some(UnitState::Working)
    });
    let known = in_train.filter_map(|(idx, mate)| Some((name(idx), value(mate)?)));
    Some(known.collect())
}

fn close(seen: KnownValue, wanted: Option<f64>) -> bool {
    match (seen, wanted) {
        (KnownValue::Number(seen), Some(wanted)) => (seen - wanted).abs() < 1e-9,
        (KnownValue::Unknown(()), None) => true,
        _ => false,
    }
}

fn cases() -> u32 {
    if cfg!(debug_assertions) { 32 } else { 400 }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(cases()))]

    #[test]
    fn mates_are_as_the_slow_answer_says(
        own_trains in prop::collection::vec((-200_i64..900, prop::option::weighted(0.9, 0_u8..2)), 1..5),
        mates in prop::collection::vec(mate(), 0..4),
    ) {
        let own_trains: Vec<_> = own_trains.into_iter().map(|(s, train)| (s * 1_000, train)).collect();
        let plan = probe();
        let named: Vec<(UnitId, UnitData)> = mates.iter().enumerate()
            .map(|(idx, mate)| (name(idx), data(mate)))
            .collect();
        let judgement = replay_among(plan, context(&own_trains, &mates), &own(), &named);
        let mut n_known = 0;
        let seen = evidence(&judgement);
        prop_assert!(seen.len() > 80, "every tick shows something");
        for (tick_ms, inputs) in seen {
            let means = slow(&own_trains, &mates, tick_ms, |mate| slow_mean(mate, tick_ms, false));
            let values = means.as_ref().map(|means| {
                let mut values: Vec<f64> = means.iter().map(|(_, value)| *value).collect();
                values.sort_by(f64::total_cmp);
                values
            });
            let some = values.as_ref().filter(|values| !values.is_empty());
            n_known += usize::from(some.is_some());
            let n = |values: &Vec<f64>| values.len() as f64;
            let mean = some.map(|values| values.iter().sum::<f64>() / n(values));
            let median = some.map(|values| f64::midpoint(values[(values.len() - 1) / 2], values[values.len() / 2]));
            let told = format!("at {tick_ms}: {inputs:?}, slow {means:?}");
            prop_assert!(close(inputs["known"], values.as_ref().map(n)), "{}", told);
            prop_assert!(close(inputs["mean"], mean), "{}", told);
            prop_assert!(close(inputs["median"], median), "{}", told);
            prop_assert!(close(inputs["least"], some.map(|values| values[0])), "{}", told);
            prop_assert!(close(inputs["most"], some.map(|values| values[values.len() - 1])), "{}", told);
            let busy = slow(&own_trains, &mates, tick_ms, |mate| slow_mean(mate, tick_ms, true));
            let busy = busy.filter(|values| !values.is_empty())
                .map(|values| values.iter().map(|(_, value)| value).sum::<f64>() / values.len() as f64);
            prop_assert!(close(inputs["busy"], busy), "{} busy {:?}", told, busy);
            let trips = slow(&own_trains, &mates, tick_ms, |mate| {
                Some(mate.events.iter().filter(|ms| **ms > tick_ms - WINDOW_MS && **ms <= tick_ms).count() as f64)
            });
            let trips = trips.and_then(|trips| trips.iter().map(|(_, n)| *n).reduce(f64::max));
            prop_assert!(close(inputs["trips"], trips), "{} trips {:?}", told, trips);
        }
        // Random data would prove little if nothing were ever known; most draws know something.
        let _ = n_known;
    }

    // The law: pieces, and a resume from any checkpoint, change nothing, evidence included.
    #[test]
    fn pieces_and_resumes_say_the_same(
        mates in prop::collection::vec(mate(), 1..4),
        cuts in prop::collection::vec(1_i64..END_MS + 100_000, 1..6),
        resume_at in prop::option::of(0_usize..6),
    ) {
        let own_trains = [(-200_000, Some(0)), (400_000, Some(1)), (600_000, Some(0))];
        let (plan, context) = (probe(), context(&own_trains, &mates));
        let named: Vec<(UnitId, UnitData)> = mates.iter().enumerate()
            .map(|(idx, mate)| (name(idx), data(mate)))
            .collect();
        let own = own();
        let whole = replay_among(Arc::clone(&plan), Arc::clone(&context), &own, &named);
        let mut cuts = cuts;
        cuts.sort_unstable();
        cuts.push(i64::MAX);
        let (first, last) = own.extent().unwrap();
        let base = wheeltap_judge::Checkpoint { at: first.plus_ms(-1), slots: vec![], baselines: vec![] };
        let mut feeding = Feeding {
            judge: UnitJudge::resume(Arc::clone(&plan), Arc::clone(&context), &base),
            own: &own,
            mates: &mates,
            context: &context,
            position: plan.warm_from(&base),
        };
        let mut judgement = Judgement::default();
        for (idx, cut) in cuts.iter().enumerate() {
            feeding.judge.heard(last);
            for idx in 0..context.mates.all().len() {
                feeding.judge.heard_mate(idx, last);
            }
            let to = at(*cut).min(last);
            feeding.feed(to);
            feeding.judge.judge_until(if *cut == i64::MAX { at(i64::MAX) } else { to }, &mut judgement);
            if resume_at == Some(idx) && let Some(checkpoint) = feeding.judge.checkpoint() {
                let position = plan.warm_from(&checkpoint);
                let judge = UnitJudge::resume(Arc::clone(&plan), Arc::clone(&context), &checkpoint);
                feeding = Feeding { judge, position, ..feeding };
                feeding.feed(checkpoint.at);
                feeding.judge.warm(checkpoint.at);
                feeding.feed(to);
            }
        }
        prop_assert_eq!(judgement.occurrences(), whole.occurrences());
    }
}

/// Feeds stored data as the service does: the unit's and what is wanted of its mates.
struct Feeding<'a> {
    judge: UnitJudge,
    own: &'a UnitData,
    mates: &'a [MateData],
    context: &'a UnitContext,
    position: EventTime,
}

impl Feeding<'_> {
    fn feed(&mut self, to: EventTime) {
        let from = self.position.plus_ms(1);
        if from > to {
            return;
        }
        let part = |samples: &[(i64, f64)], from: EventTime, to: EventTime| {
            let within = samples
                .iter()
                .filter(|(ms, _)| (from..=to).contains(&at(*ms)));
            series(&within.copied().collect::<Vec<_>>())
        };
        for (channel, own) in &self.own.series {
            let within = own.samples().filter(|s| (from..=to).contains(&s.time));
            let within = Series::from_samples(within.collect());
            self.judge.feed_series(*channel, &within);
        }
        for need in self.judge.mate_needs(from, to) {
            let idx = (0..self.mates.len())
                .find(|idx| name(*idx) == need.unit)
                .unwrap();
            assert_eq!(self.context.mates.all()[need.mate].unit, need.unit);
            let mate = &self.mates[idx];
            for (channel, samples) in [(SAMPLED, &mate.sampled), (HELD, &mate.held)] {
                let within = part(samples, need.from, need.to);
                self.judge.feed_mate_series(need.mate, channel, &within);
            }
            let events = mate.events.iter().map(|ms| event(*ms));
            let events = events.filter(|event| (need.from..=need.to).contains(&event.time));
            let events: Vec<Event> = events.collect();
            self.judge.feed_mate_events(need.mate, &events);
        }
        self.position = to;
    }
}

/// A mate of a steady level, always in train M0 and working.
fn steady(level: f64, from_s: i64, to_s: i64) -> MateData {
    MateData {
        sampled: (from_s..to_s).map(|s| (s * 1_000 + 1, level)).collect(),
        trains: vec![(i64::MIN / 4, Some(0))],
        works: vec![(i64::MIN / 4, true)],
        ..MateData::default()
    }
}

#[test]
fn the_evidence_names_each_mate_with_its_value() {
    let mates = [steady(81.25, 0, 400), steady(79.5, 0, 400)];
    let context = context(&[(0, Some(0))], &mates);
    let named = [(name(0), data(&mates[0])), (name(1), data(&mates[1]))];
    let judgement = replay_among(probe(), context, &own(), &named);
    let shown = judgement.changes.iter().filter_map(|change| {
        let evidence = &change.occurrence().evidence;
        let median = evidence.inputs.iter().find(|item| item.input == "median")?;
        (evidence.at == at(310_000)).then(|| (median.of.clone(), median.value))
    });
    let shown: Vec<_> = shown.collect();
    let text = "mates_median(mean(sampled, 1 min)): ZVR 10 81.2500, ZVR 11 79.5000";
    assert_eq!(
        shown.first(),
        Some(&(text.to_owned(), KnownValue::Number(80.375)))
    );
}

#[test]
fn other_classes_are_left_out_where_that_is_asked() {
    let body = "fn reads() { #{ flip: last(\"flip\", \"10 s\"),
         all: mates_count(mean(\"sampled\", \"1 min\")),
         alike: mates_count(mean(\"sampled\", \"1 min\"), #{ same_class: true }) } }
        fn raise(seen) { seen.flip > 0.5 }
        fn clear(seen) { seen.flip < 0.5 }";
    let (marten, stoat) = (
        ClassName::new("Marten").unwrap(),
        ClassName::new("Stoat").unwrap(),
    );
    let text = rule_text("10 s", "", "", body);
    let rule = wheeltap_rules::compile(
        "probe.rhai",
        &text,
        &wheeltap_rules::Environment::new(&catalogue()),
    )
    .unwrap();
    let rules = [wheeltap_judge::EffectiveRule::always(Arc::new(rule))];
    let plan = UnitPlan::new(&rules, &name(9), Some(&marten), None, &catalogue());
    let mates = [steady(1.0, 0, 400), steady(2.0, 0, 400)];
    let (train, works) = (consists(&mates[0].trains), states(&mates[0].works));
    let (first, second) = (name(0), name(1));
    let recorded = [(&first, &marten), (&second, &stoat)].map(|(unit, class)| Recorded {
        unit,
        class: Some(class),
        states: &works,
        consists: &train,
    });
    let context = UnitContext {
        mates: Arc::new(Mates::new(&train, recorded)),
        ..UnitContext::default()
    };
    let named = [
        (first.clone(), data(&mates[0])),
        (second.clone(), data(&mates[1])),
    ];
    let judgement = replay_among(Arc::new(plan), Arc::new(context), &own(), &named);
    let seen = &evidence(&judgement)[&200_000];
    assert_eq!(
        (number(seen["all"]), number(seen["alike"])),
        (Some(2.0), Some(1.0))
    );
}

#[test]
fn a_tick_waits_for_its_mates_and_not_for_ever() {
    let mates = [steady(81.0, 0, 400), steady(79.0, 0, 2_000)];
    let context = context(&[(0, Some(0))], &mates);
    let mut judge = UnitJudge::resume(
        probe(),
        Arc::clone(&context),
        &wheeltap_judge::Checkpoint {
            at: at(0),
            slots: vec![],
            baselines: vec![],
        },
    );
    judge.heard(at(300_000));
    assert_eq!(
        judge.ready_through(),
        Some(at(-1)),
        "the train is there from 0 on"
    );
    judge.heard_mate(0, at(250_000));
    assert_eq!(judge.ready_through(), Some(at(-1)), "one of two");
    judge.heard_mate(1, at(250_001));
    assert_eq!(judge.ready_through(), Some(at(249_999)));
    assert!(judge.is_ready());
    judge.heard(at(250_000 + WAIT_FOR_MATES_MS + 1));
    assert_eq!(
        judge.ready_through(),
        Some(at(250_000)),
        "waited for no longer"
    );
    judge.heard_mate(0, at(10_000_000));
    judge.heard_mate(1, at(300_005));
    assert_eq!(judge.ready_through(), Some(at(300_004)));
    judge.heard_mate(1, at(10_000_000));
    let newest = 250_000 + WAIT_FOR_MATES_MS + 1;
    assert_eq!(judge.ready_through(), Some(at(newest - 1)));
}
