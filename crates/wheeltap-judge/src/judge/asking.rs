//! What a judge does for rules that ask the unit's mates: their data, whom it waits for, their values.

use super::UnitJudge;
use crate::mates::{Mate, MateNeed, MateState, Mates};
use wheeltap_model::{ChannelId, ClassName, Event, EventTime, Series};
use wheeltap_rules::{OfMates, WAIT_FOR_MATES_MS};

impl UnitJudge {
    /// Says that a mate, by its place among the context's mates, was heard at `newest`.
    pub fn heard_mate(&mut self, mate: usize, newest: EventTime) {
        if let Some(state) = self.mates.get_mut(mate) {
            state.heard_ms = state.heard_ms.max(newest.unix_ms());
        }
    }

    /// What is wanted of the mates' data of `from..=to`, by mate and then by time.
    pub fn mate_needs(&self, from: EventTime, to: EventTime) -> Vec<MateNeed> {
        let span = (from.unix_ms(), to.unix_ms());
        let mates = self.context.mates.all().iter().enumerate();
        let both = mates.zip(&self.mates);
        both.flat_map(|(mate, state)| state.needs(mate, span))
            .collect()
    }

    /// Whether any of a mate's data of `from..=to` is wanted.
    pub fn needs_mate(&self, mate: usize, from: EventTime, to: EventTime) -> bool {
        let span = (from.unix_ms(), to.unix_ms());
        let of = self.context.mates.all().get(mate).zip(self.mates.get(mate));
        from <= to && of.is_some_and(|(of, state)| state.needs((mate, of), span).next().is_some())
    }

    /// Takes one channel's stored samples of a mate. All that is wanted of it up to a tick is to be fed
    /// before the tick is judged; what comes later is not looked for.
    pub fn feed_mate_series(&mut self, mate: usize, channel: ChannelId, series: &Series) {
        if let Some(state) = self.mates.get_mut(mate) {
            state.windows().feed_series(channel, series);
        }
    }

    /// Takes stored events of a mate, as above.
    pub fn feed_mate_events(&mut self, mate: usize, events: &[Event]) {
        if let Some(state) = self.mates.get_mut(mate) {
            state.windows().feed_events(events);
        }
    }

    /// The last instant up to which every tick can be judged: the unit was heard after it, and so was each
    /// mate of any instant up to it, or the unit so much later that none is waited for any more. It does
    /// not hang on what the ticks are, so that no rule hangs on what others there are. `None` before any
    /// data.
    pub fn ready_through(&self) -> Option<EventTime> {
        let newest = self.watermark?;
        let not_waited_for = newest.saturating_sub(WAIT_FOR_MATES_MS);
        let mates = self.context.mates.all().iter().zip(&self.mates);
        let missing = mates.filter_map(|(mate, state)| {
            let from_ms = state.heard_ms.max(not_waited_for);
            mate.next_at(EventTime::from_unix_ms(from_ms))
        });
        let missing = missing.map(EventTime::unix_ms).min().unwrap_or(i64::MAX);
        Some(EventTime::from_unix_ms(newest.min(missing) - 1))
    }

    /// Whether some tick can be judged that was not.
    pub fn is_ready(&self) -> bool {
        let Some(through) = self.ready_through() else {
            return false;
        };
        let done = self.judged_through.unwrap_or(i64::MIN);
        let next = self.plan.next_tick_after(done);
        next.is_some_and(|tick| tick <= through.unix_ms())
    }
}

/// One thing asked of the mates of a tick.
pub(super) struct Ask<'a> {
    pub asked: usize,
    pub same_class: bool,
    pub own_class: Option<&'a ClassName>,
}

impl Ask<'_> {
    /// What they know, by their places; `None` where it is not known who they are.
    pub(super) fn all(
        &self,
        mates: &Mates,
        states: &mut [MateState],
        tick: EventTime,
    ) -> Option<Vec<(usize, f64)>> {
        if !mates.are_known(tick) {
            return None;
        }
        let is_asked = |mate: &Mate| {
            let is_alike = self.own_class.is_some() && mate.class.as_ref() == self.own_class;
            mate.is_one_at(tick) && (is_alike || !self.same_class)
        };
        let both = mates.all().iter().zip(states).enumerate();
        let values =
            both.filter(|(_, (mate, _))| is_asked(mate))
                .filter_map(|(idx, (_, state))| {
                    let value = state.value(self.asked, tick.unix_ms())?;
                    Some((idx, value))
                });
        Some(values.collect())
    }
}

/// What comes of values by mate.
pub(super) fn made(gives: OfMates, values: &[(usize, f64)]) -> Option<f64> {
    let values: Vec<f64> = values.iter().map(|(_, value)| *value).collect();
    gives.of(&values)
}
