//! One unit's judge.

use crate::{Checkpoint, Judgement, UnitContext, UnitPlan};
use std::sync::Arc;
use wheeltap_model::{Batch, ChannelId, Event, EventTime, Series};

/// What became of what was fed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Fed {
    /// Earliest event time that belongs to ticks already judged; that data was not taken, and the
    /// unit must be judged again from a checkpoint before it.
    pub late_from: Option<EventTime>,
}

/// One unit's windows, runs and standing conditions.
#[derive(Debug)]
pub struct UnitJudge {}

impl UnitJudge {
    /// Starts normal, before any data.
    pub fn new(plan: Arc<UnitPlan>, context: Arc<UnitContext>) -> Self {
        let _ = (plan, context);
        Self {}
    }

    /// Resumes after a checkpoint. Feed stored data later than `checkpoint.at - plan.reach_ms()`
    /// (and for held channels the newest sample before that) to warm the windows.
    pub fn resume(plan: Arc<UnitPlan>, context: Arc<UnitContext>, checkpoint: &Checkpoint) -> Self {
        let _ = (plan, context, checkpoint);
        Self {}
    }

    /// Takes a batch; channels no rule reads only move the watermark.
    pub fn feed(&mut self, batch: &Batch) -> Fed {
        let _ = batch;
        Fed::default()
    }

    /// Takes one channel's stored samples.
    pub fn feed_series(&mut self, channel: ChannelId, series: &Series) -> Fed {
        let _ = (channel, series);
        Fed::default()
    }

    /// Takes stored events.
    pub fn feed_events(&mut self, events: &[Event]) -> Fed {
        let _ = events;
        Fed::default()
    }

    /// Judges every tick before the newest event time fed.
    pub fn judge(&mut self, out: &mut Judgement) {
        let _ = out;
    }

    /// Judges every tick before `watermark`, or before the newest event time if that is earlier;
    /// for feeding a long stretch in pieces.
    pub fn judge_until(&mut self, watermark: EventTime, out: &mut Judgement) {
        let _ = (watermark, out);
    }

    /// Newest event time fed; `None` before any data.
    pub fn watermark(&self) -> Option<EventTime> {
        None
    }

    /// Every tick up to and including this was judged; `None` before any.
    pub fn judged_through(&self) -> Option<EventTime> {
        None
    }

    /// What is remembered now, for [`UnitJudge::resume`]; `None` before any tick was judged.
    pub fn checkpoint(&self) -> Option<Checkpoint> {
        None
    }
}
