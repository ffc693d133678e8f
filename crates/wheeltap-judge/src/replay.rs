//! Judging history: the same judge, fed from files or the store.

use crate::{
    Change, Checkpoint, ClassSurvey, Judgement, Occurrence, Stretch, UnitContext, UnitJudge,
    UnitPlan,
};
use std::sync::Arc;
use wheeltap_catalogue::Measurements;
use wheeltap_model::{ChannelId, Event, EventTime, Series, UnitId};

/// Everything stored or read of one unit.
#[derive(Clone, Debug, Default)]
pub struct UnitData {
    /// By channel.
    pub series: Vec<(ChannelId, Series)>,
    /// In any order.
    pub events: Vec<Event>,
}

impl From<Measurements> for UnitData {
    fn from(measured: Measurements) -> Self {
        let Measurements { samples, events } = measured;
        let samples = samples.into_iter();
        Self {
            series: samples
                .map(|(channel, samples)| (channel, Series::from_samples(samples)))
                .collect(),
            events,
        }
    }
}

impl UnitData {
    /// First and last instant; `None` of nothing.
    pub fn extent(&self) -> Option<(EventTime, EventTime)> {
        let sampled = self.series.iter().flat_map(|(_, series)| {
            let times_ms = &series.times_ms;
            times_ms.first().into_iter().chain(times_ms.last()).copied()
        });
        let events = self.events.iter().map(|event| event.time.unix_ms());
        let (mut first, mut last) = (i64::MAX, i64::MIN);
        for ms in sampled.chain(events) {
            (first, last) = (first.min(ms), last.max(ms));
        }
        let at = EventTime::from_unix_ms;
        (first <= last).then(|| (at(first), at(last)))
    }
}

/// Judges one unit's data from the beginning.
pub fn replay_unit(plan: Arc<UnitPlan>, context: Arc<UnitContext>, data: &UnitData) -> Judgement {
    replay_among(plan, context, data, &[])
}

/// Judges one unit's data from the beginning; what the plan asks of mates is taken from `mates`.
pub fn replay_among(
    plan: Arc<UnitPlan>,
    context: Arc<UnitContext>,
    data: &UnitData,
    mates: &[(UnitId, UnitData)],
) -> Judgement {
    let Some((first, last)) = data.extent() else {
        return Judgement::default();
    };
    let mut judge = if plan.reads_mates() {
        start_with_mates(plan, &context, (first, last), mates)
    } else {
        UnitJudge::new(plan, context)
    };
    for (channel, series) in &data.series {
        judge.feed_series(*channel, series);
    }
    judge.feed_events(&data.events);
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    judgement.without_verdict = judge.without_verdict().collect();
    judgement
}

/// A judge that begins with the unit's first datum, with its mates' data in it.
fn start_with_mates(
    plan: Arc<UnitPlan>,
    context: &Arc<UnitContext>,
    (first, last): (EventTime, EventTime),
    mates: &[(UnitId, UnitData)],
) -> UnitJudge {
    let base = Checkpoint {
        at: first.plus_ms(-1),
        slots: Vec::new(),
        baselines: Vec::new(),
    };
    let from = plan.warm_from(&base);
    let mut judge = UnitJudge::resume(plan, Arc::clone(context), &base);
    for need in judge.mate_needs(from, last) {
        let Some((_, data)) = mates.iter().find(|(unit, _)| *unit == need.unit) else {
            continue;
        };
        for (channel, series) in &data.series {
            if need.channels.contains(channel) {
                let within = series
                    .samples()
                    .filter(|s| (need.from..=need.to).contains(&s.time));
                let within = Series::from_samples(within.collect());
                judge.feed_mate_series(need.mate, *channel, &within);
            }
        }
        let events = data.events.iter().filter(|event| {
            need.channels.contains(&event.channel) && (need.from..=need.to).contains(&event.time)
        });
        let events: Vec<Event> = events.cloned().collect();
        judge.feed_mate_events(need.mate, &events);
    }
    // All there is was given, so nobody is waited for.
    for idx in 0..context.mates.all().len() {
        judge.heard_mate(idx, last);
    }
    judge
}

/// One unit's means over a stretch, of the windows that its plan compares with the class's.
pub fn survey_unit(plan: Arc<UnitPlan>, data: &UnitData, stretch: Stretch) -> Vec<Vec<f64>> {
    let mut survey = ClassSurvey::new(&plan, stretch);
    let mut judge = UnitJudge::new(plan, Arc::new(UnitContext::default()));
    for (channel, series) in &data.series {
        judge.feed_series(*channel, series);
    }
    judge.feed_events(&data.events);
    survey.take(&mut judge, stretch.to);
    survey.means()
}

impl Judgement {
    /// Every occurrence in its latest form, in order of raising; one that stood already when the
    /// judge was resumed is among them once something changed it.
    pub fn occurrences(&self) -> Vec<Occurrence> {
        let mut latest: Vec<Occurrence> = Vec::new();
        for change in &self.changes {
            let occurrence = change.occurrence();
            let same = latest.iter_mut().rev().find(|old| {
                old.raised_at == occurrence.raised_at
                    && old.rule == occurrence.rule
                    && old.part == occurrence.part
            });
            match (change, same) {
                (Change::Raised(_), _) | (_, None) => latest.push(occurrence.clone()),
                (_, Some(old)) => *old = occurrence.clone(),
            }
        }
        latest
            .sort_by(|a, b| (a.raised_at, &a.rule, &a.part).cmp(&(b.raised_at, &b.rule, &b.part)));
        latest
    }
}
