//! Sensors that fail are told from the catalogue alone, one item each, whatever order the data came in; a
//! unit that sends nothing rings nothing.

use std::collections::BTreeMap;
use std::sync::Arc;
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{EffectiveRule, Judgement, UnitContext, UnitJudge, UnitPlan};
use wheeltap_model::{Batch, ChannelId, ChannelName, Column, Quality, UnitId};
use wheeltap_rules::{Environment, compile, health_rules};

const CATALOGUE: &str = r#"
[[channel]]
name = "engine.speed"
interval = "10 s"
[[channel]]
name = "engine.oil.pressure"
interval = "10 s"
[[health]]
channel = "engine.oil.pressure"
fastest = 20
[[health]]
channel = "battery.voltage"
stuck_after = "30 min"
"#;

/// Whole hours since the epoch.
const T0: i64 = 1_767_571_200_000;
const STEP_MS: i64 = 10_000;
const MINUTE_MS: i64 = 60_000;
const BATCH_STEPS: i64 = 30;
/// The planted hours, from T0: minutes.
const SILENT_FROM: i64 = 120;
const STUCK_FROM: i64 = 180;
const JUMP_AT: i64 = 240;
const OFF: std::ops::Range<i64> = 300..420;
const TWICE_AT: [i64; 3] = [60, 64, 70];
const END: i64 = 480;

const SENT: [(&str, f64); 5] = [
    ("engine.speed", 800.0),
    ("engine.oil.pressure", 450.0),
    ("engine.oil.temperature", 85.0),
    ("engine.coolant.temperature", 80.0),
    ("battery.voltage", 74.0),
];

fn plan(catalogue: &Catalogue) -> Arc<UnitPlan> {
    let environment = Environment::new(catalogue);
    let rules: Vec<EffectiveRule> = health_rules(catalogue)
        .into_iter()
        .map(|(name, text)| {
            let rule = compile(&format!("{name}.rhai"), &text, &environment);
            EffectiveRule::always(Arc::new(
                rule.unwrap_or_else(|problems| panic!("{problems:#?}\n{text}")),
            ))
        })
        .collect();
    let unit = UnitId::new("ZVR 1").unwrap();
    Arc::new(UnitPlan::new(&rules, &unit, None, None, catalogue))
}

/// The value of a channel at a step, as sent; `None`: nothing was sent.
fn value(name: &str, base: f64, step: i64) -> Option<f64> {
    let minute = step * STEP_MS / MINUTE_MS;
    // Not a healthy reading stands still.
    let wiggle = [0.0, 0.3, 0.1, 0.5, 0.2][usize::try_from(step.rem_euclid(5)).unwrap()];
    match name {
        _ if OFF.contains(&minute) => None,
        "engine.oil.temperature" if minute >= SILENT_FROM => None,
        "engine.coolant.temperature" if minute >= STUCK_FROM => Some(base),
        "engine.oil.pressure" if step == JUMP_AT * MINUTE_MS / STEP_MS => Some(base + 600.0),
        _ => Some(base + wiggle),
    }
}

fn batches(catalogue: &Catalogue) -> Vec<Batch> {
    let id = |name: &str| -> ChannelId {
        catalogue
            .channel(&ChannelName::new(name).unwrap())
            .unwrap()
            .0
    };
    let mut batches = Vec::new();
    let n_steps = END * MINUTE_MS / STEP_MS;
    for first in (0..n_steps).step_by(usize::try_from(BATCH_STEPS).unwrap()) {
        let mut batch = Batch::default();
        for (name, base) in SENT {
            let steps = first..first + BATCH_STEPS;
            let sent = steps.filter_map(|step| Some((step, value(name, base, step)?)));
            let (times, values): (Vec<i64>, Vec<f64>) = sent
                .map(|(step, value)| (T0 + step * STEP_MS, value))
                .unzip();
            batch.columns.push(Column {
                channel: id(name),
                times_ms: times.into(),
                values,
                qualities: Vec::new(),
            });
        }
        batches.push(batch);
    }
    for minute in TWICE_AT {
        batches.push(Batch {
            columns: vec![Column {
                channel: id("engine.speed"),
                times_ms: [T0 + minute * MINUTE_MS].into(),
                values: vec![1_234.0],
                qualities: vec![Quality::Good],
            }],
            ..Batch::default()
        });
    }
    batches
}

fn judge(plan: &Arc<UnitPlan>, batches: &[Batch]) -> Judgement {
    let mut judge = UnitJudge::new(Arc::clone(plan), Arc::new(UnitContext::default()));
    for batch in batches {
        judge.feed(batch);
    }
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    judgement
}

#[test]
fn planted_faults_are_told_once_each_and_nothing_else_in_any_order() {
    let mut catalogue = Catalogue::builtin();
    catalogue.extend("health.toml", CATALOGUE).unwrap();
    let plan = plan(&catalogue);
    let mut batches = batches(&catalogue);
    let expected = judge(&plan, &batches).occurrences();
    let told: BTreeMap<&str, i64> = expected
        .iter()
        .map(|occurrence| {
            let minutes = (occurrence.raised_at.unix_ms() - T0) / MINUTE_MS;
            (occurrence.rule.name.as_str(), minutes)
        })
        .collect();
    assert_eq!(told.len(), expected.len(), "one item each: {expected:#?}");
    // Silent for 100 s as 2 min, stuck for 20 min; then 10 min of delay. The last value of the coolant
    // that moved is 10 s before, and a window must be past it.
    let planted = BTreeMap::from([
        ("conflict-engine-speed", TWICE_AT[2]),
        ("silent-engine-oil-temperature", SILENT_FROM + 2 + 10),
        ("stuck-engine-coolant-temperature", STUCK_FROM + 20 + 10),
        ("jump-engine-oil-pressure", JUMP_AT),
    ]);
    assert_eq!(told, planted);
    // Fisher-Yates with a fixed generator.
    let mut state = 7_u64;
    for _ in 0..5 {
        for last in (1..batches.len()).rev() {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            batches.swap(last, usize::try_from(state >> 33).unwrap() % (last + 1));
        }
        assert_eq!(judge(&plan, &batches).occurrences(), expected);
    }
}

#[test]
fn what_is_judged_as_it_comes_is_the_same() {
    let mut catalogue = Catalogue::builtin();
    catalogue.extend("health.toml", CATALOGUE).unwrap();
    let plan = plan(&catalogue);
    let mut batches = batches(&catalogue);
    let whole = judge(&plan, &batches).occurrences();
    // What was told twice comes with the batch it belongs to.
    let doubles = batches.split_off(batches.len() - TWICE_AT.len());
    let mut live = UnitJudge::new(Arc::clone(&plan), Arc::new(UnitContext::default()));
    let mut judgement = Judgement::default();
    for batch in &batches {
        for double in doubles.iter().chain([batch]) {
            let within = double.span().zip(batch.span());
            if within.is_some_and(|((first, _), (from, to))| first >= from && first <= to) {
                assert_eq!(live.feed(double).late_from, None);
            }
        }
        live.judge(&mut judgement);
    }
    assert_eq!(judgement.occurrences(), whole);
}
