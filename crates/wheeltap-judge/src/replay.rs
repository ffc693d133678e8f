//! Judging history: the same judge, fed from files or the store.

use crate::{
    Change, ClassSurvey, Judgement, Occurrence, Stretch, UnitContext, UnitJudge, UnitPlan,
};
use std::sync::Arc;
use wheeltap_catalogue::Measurements;
use wheeltap_model::{ChannelId, Event, Series};

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

/// Judges one unit's data from the beginning.
pub fn replay_unit(plan: Arc<UnitPlan>, context: Arc<UnitContext>, data: &UnitData) -> Judgement {
    let mut judge = UnitJudge::new(plan, context);
    for (channel, series) in &data.series {
        judge.feed_series(*channel, series);
    }
    judge.feed_events(&data.events);
    let mut judgement = Judgement::default();
    judge.judge(&mut judgement);
    judgement
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
