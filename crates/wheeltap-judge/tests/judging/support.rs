//! A small catalogue and the way from a rule's text to a judge.

use std::{collections::BTreeMap, sync::Arc};
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{EffectiveRule, Judgement, UnitContext, UnitJudge, UnitPlan};
use wheeltap_model::{
    ChannelDef, ChannelId, ChannelKind, ChannelName, Column, EventTime, Evidence, KnownValue,
    Quality, Resolution, UnitId,
};
use wheeltap_rules::{Environment, compile};

/// Sampled once a second in hundredths.
pub const SAMPLED: ChannelId = ChannelId(0);
/// Held for 7 s at most, in tenths.
pub const HELD: ChannelId = ChannelId(1);
/// Events with one field.
pub const EVENT: ChannelId = ChannelId(2);
/// 1 and 0 in turn at every tick, so that a rule on it shows evidence at every tick.
pub const FLIP: ChannelId = ChannelId(3);

pub const HOLD_MS: i64 = 7_000;

/// How long a sampled channel's value lasts for a condition.
pub const SILENT_MS: i64 = 5_000;

/// Steps of the sampled channel that one bin holds: 40,001 steps in at most 4,096 bins.
pub const BIN_STEPS: i64 = 10;

fn channel(name: &str, kind: ChannelKind, den: u32) -> ChannelDef {
    ChannelDef {
        name: ChannelName::new(name).unwrap(),
        title: String::new(),
        kind,
        ucum: "1".into(),
        range: (0.0, 400.0),
        resolution: Resolution { num: 1, den },
        silent_ms: SILENT_MS,
    }
}

pub fn catalogue() -> Catalogue {
    let mut channels = vec![
        channel("sampled", ChannelKind::Sampled { interval_ms: 1_000 }, 100),
        channel("held", ChannelKind::Held { hold_ms: HOLD_MS }, 10),
        channel(
            "event",
            ChannelKind::Event {
                fields: vec![("size".into(), "1".into())],
            },
            1,
        ),
        channel(
            "flip",
            ChannelKind::Sampled {
                interval_ms: 10_000,
            },
            1,
        ),
    ];
    // What a catalogue file gives an event channel: it is never due, so it is never silent.
    channels[2].silent_ms = i64::MAX;
    Catalogue::from_parts(channels, vec![])
}

/// The text of a rule with this body.
pub fn rule_text(tick: &str, on_delay: &str, off_delay: &str, body: &str) -> String {
    let delay = |name: &str, span: &str| {
        if span.is_empty() {
            String::new()
        } else {
            format!("{name}: \"{span}\",")
        }
    };
    format!(
        "fn about() {{ #{{ title: \"T\", system: \"s\", component: \"c\", priority: \"low\", \
         tick: \"{tick}\", {} {} cause: \"c\", consequence: \"c\", action: \"a\", \
         respond_within: \"1 d\" }} }}\n{body}",
        delay("on_delay", on_delay),
        delay("off_delay", off_delay),
    )
}

pub fn plan(texts: &[(&str, String)], catalogue: &Catalogue) -> Arc<UnitPlan> {
    let rules: Vec<EffectiveRule> = texts
        .iter()
        .map(|(name, text)| {
            let rule = compile(&format!("{name}.rhai"), text, &Environment::new(catalogue));
            EffectiveRule::always(Arc::new(
                rule.unwrap_or_else(|problems| panic!("{problems:#?}")),
            ))
        })
        .collect();
    let unit = UnitId::new("ZVR 1").unwrap();
    Arc::new(UnitPlan::new(&rules, &unit, None, None, catalogue))
}

pub fn judge(texts: &[(&str, String)]) -> UnitJudge {
    UnitJudge::new(plan(texts, &catalogue()), Arc::new(UnitContext::default()))
}

pub fn column(channel: ChannelId, samples: &[(i64, f64)]) -> Column {
    Column {
        channel,
        times_ms: samples.iter().map(|(ms, _)| *ms).collect(),
        values: samples.iter().map(|(_, value)| *value).collect(),
        qualities: vec![],
    }
}

pub fn column_of(channel: ChannelId, samples: &[(i64, f64, Quality)]) -> Column {
    Column {
        channel,
        times_ms: samples.iter().map(|(ms, ..)| *ms).collect(),
        values: samples.iter().map(|(_, value, _)| *value).collect(),
        qualities: samples.iter().map(|(.., quality)| *quality).collect(),
    }
}

pub fn at(ms: i64) -> EventTime {
    EventTime::from_unix_ms(ms)
}

/// What was seen at each tick at which something was raised or ended.
pub fn evidence(judgement: &Judgement) -> BTreeMap<i64, BTreeMap<String, KnownValue>> {
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

pub fn number(value: KnownValue) -> Option<f64> {
    match value {
        KnownValue::Number(number) => Some(number),
        _ => None,
    }
}
