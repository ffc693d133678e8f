//! What a rule costs: window state and time of a core, tried on made measurements.

use crate::{EffectiveRule, Judgement, UnitContext, UnitJudge, UnitPlan};
use std::sync::Arc;
use std::time::{Duration, Instant};
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{
    Batch, ChannelDef, ChannelId, ChannelKind, Column, ConsistPosition, ConsistRole, Event,
    EventTime, Timeline, UnitId, UnitState,
};
use wheeltap_rules::Rule;

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 60 * MINUTE_MS;
const DAY_MINUTES: u32 = 24 * 60;
/// Minutes tried at most, unless the time is up before.
const MOST_MINUTES: u32 = 60;
/// Time tried at most, after the first minute.
const MOST_TIME: Duration = Duration::from_millis(20);

/// What a rule costs on one unit that it is for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RuleCost {
    /// Most bytes of window state, see [`UnitPlan::window_bytes`].
    pub window_bytes: u64,
    /// Samples and events that it takes in an hour, when every channel sends at its nominal interval, held
    /// ones when they must and each kind of event once a minute.
    pub readings_per_hour: u64,
    /// Verdicts in an hour, one for each part.
    pub verdicts_per_hour: u64,
    /// Time of this machine's core for one unit's day, taking in and judging. Measured, so never twice the
    /// same.
    pub core_per_day: Duration,
}

impl RuleCost {
    /// Plans the rule for a unit of the first class that it is for, a working one at the head of its train,
    /// and judges up to an hour of measurements in the middle of their ranges.
    pub fn measure(rule: &Arc<Rule>, catalogue: &Catalogue) -> Self {
        let applies = &rule.about.applies;
        let class = applies.classes.first();
        let class_def = class.and_then(|class| catalogue.class(class));
        let any = || UnitId::new("any").ok();
        let Some(unit) = applies.units.first().cloned().or_else(any) else {
            return Self::default();
        };
        let rules = [EffectiveRule::always(Arc::clone(rule))];
        let plan = UnitPlan::new(&rules, &unit, class, class_def, catalogue);
        let plan = Arc::new(plan);
        let made = Made::of(&plan, catalogue);
        let mut judge = UnitJudge::new(Arc::clone(&plan), working());
        let mut n_minutes = 0;
        let mut took = Duration::ZERO;
        while n_minutes < MOST_MINUTES && (n_minutes == 0 || took < MOST_TIME) {
            let batch = made.minute(i64::from(n_minutes));
            let began = Instant::now();
            judge.feed(&batch);
            judge.judge(&mut Judgement::default());
            took += began.elapsed();
            n_minutes += 1;
        }
        let ticks_per_hour = HOUR_MS / rule.about.tick_ms.max(1);
        Self {
            window_bytes: plan.window_bytes() as u64,
            readings_per_hour: made.per_hour(),
            verdicts_per_hour: ticks_per_hour.unsigned_abs() * plan.n_slots() as u64,
            core_per_day: took * DAY_MINUTES / n_minutes,
        }
    }
}

fn working() -> Arc<UnitContext> {
    Arc::new(UnitContext {
        states: Timeline::always(UnitState::Working, "the case"),
        consists: Timeline::always(
            ConsistPosition {
                role: ConsistRole::Lead,
                ..ConsistPosition::default()
            },
            "the case",
        ),
        ..UnitContext::default()
    })
}

/// Measurements of the channels of a plan that units send.
struct Made<'a> {
    channels: Vec<(ChannelId, &'a ChannelDef)>,
}

impl<'a> Made<'a> {
    fn of(plan: &UnitPlan, catalogue: &'a Catalogue) -> Self {
        let read = catalogue
            .channels()
            .filter(|(id, _)| plan.channels().contains(id));
        Self {
            channels: read
                .filter(|(_, def)| catalogue.derived(&def.name).is_none())
                .collect(),
        }
    }

    /// Milliseconds between readings.
    fn interval_ms(def: &ChannelDef) -> i64 {
        match def.kind {
            ChannelKind::Sampled { interval_ms } => interval_ms.max(1),
            ChannelKind::Held { hold_ms } => hold_ms.max(1),
            ChannelKind::Event { .. } => MINUTE_MS,
        }
    }

    fn per_hour(&self) -> u64 {
        let each = self.channels.iter();
        each.map(|(_, def)| (HOUR_MS / Self::interval_ms(def)).max(1).unsigned_abs())
            .sum()
    }

    fn minute(&self, minute: i64) -> Batch {
        let (from, to) = (minute * MINUTE_MS, (minute + 1) * MINUTE_MS);
        let mut batch = Batch::default();
        for (channel, def) in &self.channels {
            let interval_ms = Self::interval_ms(def);
            if let ChannelKind::Event { fields } = &def.kind {
                batch.events.push(Event {
                    channel: *channel,
                    time: EventTime::from_unix_ms(from),
                    fields: vec![Some(1.0); fields.len()],
                });
                continue;
            }
            let first = from.div_euclid(interval_ms) + i64::from(from % interval_ms != 0);
            let n_past = (to - 1).div_euclid(interval_ms) + 1;
            let times_ms: Vec<i64> = (first..n_past).map(|idx| idx * interval_ms).collect();
            let (low, high) = def.range;
            let step = f64::from(def.resolution.num) / f64::from(def.resolution.den);
            let middle = f64::midpoint(low, high);
            // A few steps up and down, so that windows do not hold one value alone.
            let value = |ms: &i64| middle + (ms / interval_ms % 7 - 3) as f64 * step;
            batch.columns.push(Column {
                channel: *channel,
                values: times_ms.iter().map(value).collect(),
                times_ms: times_ms.into(),
                qualities: Vec::new(),
            });
        }
        batch
    }
}
