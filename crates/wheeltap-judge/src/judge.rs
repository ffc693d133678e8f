//! One unit's judge.

mod asking;
mod channel;

use crate::{
    Change, Checkpoint, FitReport, Judgement, NoVerdict, SlotMemory, UnitContext, UnitPlan,
    baseline::BaselineState,
    class,
    derive::Deriver,
    gate::Gate,
    mates::MateState,
    pending::Columns,
    plan::{PlannedChannel, Source, Speaks, WindowSource},
    slot::{Knew, SeenAt, SlotState, judge_slot},
    statistic,
};
use asking::Ask;
use channel::{ChannelState, Scratch};
use std::{collections::BTreeSet, sync::Arc};
use wheeltap_model::{
    Batch, ChannelId, ClassBaseline, ConsistRole, Event, EventTime, RuleRef, Series, UnitState,
};
use wheeltap_rules::{OfClass, Seen};

const HOUR_MS: i64 = 3_600_000;

/// What became of what was fed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Fed {
    /// Earliest event time that belongs to ticks already judged; that data was not taken, and the
    /// unit must be judged again from a checkpoint before it.
    pub late_from: Option<EventTime>,
}

/// One unit's windows, runs and standing conditions.
#[derive(Debug)]
pub struct UnitJudge {
    plan: Arc<UnitPlan>,
    context: Arc<UnitContext>,
    channels: Vec<ChannelState>,
    /// One for each derived channel of the plan.
    derivers: Vec<Deriver>,
    gates: Vec<Gate>,
    /// Everything up to here was taken into windows.
    folded_to: i64,
    slots: Vec<SlotState>,
    baselines: Vec<BaselineState>,
    /// The class's baselines, for each window that is compared.
    classes: Vec<Arc<[ClassBaseline]>>,
    /// Whether a healthy stretch is still to be taken from what warms the windows, and up to where it
    /// was.
    catching_up: Vec<bool>,
    caught_up_to: Option<i64>,
    /// By the context's mates; none where the plan asks none.
    mates: Vec<MateState>,
    watermark: Option<i64>,
    judged_through: Option<i64>,
    /// Samples up to here warm windows and are not late; set by `resume` until first judged.
    warming_to: Option<i64>,
    /// Latest event time taken into windows.
    newest_folded: i64,
    row: Vec<Seen>,
    scratch: Scratch,
}

impl UnitJudge {
    /// Starts normal, before any data.
    pub fn new(plan: Arc<UnitPlan>, context: Arc<UnitContext>) -> Self {
        let channels = plan.channels.iter().map(ChannelState::new).collect();
        let gates = plan.gates.iter().map(Gate::new).collect();
        let slots = vec![SlotState::default(); plan.slots.len()];
        let baselines = plan.baselines.iter();
        let baselines = baselines
            .map(|(planned, _)| BaselineState::new(planned))
            .collect();
        let catching_up = vec![false; plan.baselines.len()];
        let classes = plan.compared();
        let classes = classes.map(|compared| context.class_baselines.of(&compared.of));
        let classes = classes.collect();
        let mates = MateState::all(plan.mates.as_ref(), &context.mates);
        let derivers = plan.derived.iter();
        let derivers = derivers.map(|planned| Deriver::new(&planned.derivation));
        Self {
            derivers: derivers.collect(),
            plan,
            context,
            channels,
            gates,
            folded_to: i64::MIN / 4,
            slots,
            baselines,
            classes,
            catching_up,
            caught_up_to: None,
            mates,
            watermark: None,
            judged_through: None,
            warming_to: None,
            newest_folded: i64::MIN / 4,
            row: Vec::new(),
            scratch: Scratch::default(),
        }
    }

    /// Resumes after a checkpoint. Before judging, feed stored data later than
    /// [`UnitPlan::warm_from`] (and for held channels the newest sample before that) to warm the
    /// windows; a long stretch in pieces, with [`UnitJudge::warm`] after each.
    pub fn resume(plan: Arc<UnitPlan>, context: Arc<UnitContext>, checkpoint: &Checkpoint) -> Self {
        let mut judge = Self::new(plan, context);
        for memory in &checkpoint.slots {
            // A version may be in force more than once: what it remembers is of the time in which it began.
            let standing = memory.standing.as_ref().map(|standing| standing.raised_at);
            let began = standing.or(memory.run_start).unwrap_or(checkpoint.at);
            let slots = judge.plan.slots.iter().enumerate();
            let own = slots.filter(|(_, slot)| {
                slot.rule.reference == memory.rule && slot.part == memory.part && slot.from <= began
            });
            let found = own.max_by_key(|(_, slot)| slot.from).map(|(idx, _)| idx);
            if let Some(idx) = found {
                judge.slots[idx] = SlotState {
                    run_start: memory.run_start,
                    run_last: memory.run_last,
                    standing: memory.standing.clone(),
                    n_faults: memory.n_faults,
                    knew: Knew::default(),
                };
            }
        }
        let plan = Arc::clone(&judge.plan);
        for (idx, (planned, _)) in plan.baselines.iter().enumerate() {
            let resume = |memory| BaselineState::resume(planned, memory);
            match checkpoint.baselines.iter().find_map(resume) {
                Some(state) => judge.baselines[idx] = state,
                None => judge.catching_up[idx] = true,
            }
        }
        judge.judged_through = Some(checkpoint.at.unix_ms());
        judge.warming_to = judge.judged_through;
        // What came before the windows is not known here, so quiet counts from the checkpoint.
        judge.newest_folded = checkpoint.at.unix_ms();
        judge
    }

    /// Says that the unit was heard at `newest`, through a channel that no rule reads.
    pub fn heard(&mut self, newest: EventTime) {
        self.watermark = self.watermark.max(Some(newest.unix_ms()));
    }

    /// Takes a batch; channels no rule reads only move the watermark.
    pub fn feed(&mut self, batch: &Batch) -> Fed {
        if let Some((_, newest)) = batch.span() {
            self.heard(newest);
        }
        let mut late = Late::default();
        for column in &batch.columns {
            if let Some(idx) = self.plan.index_of(column.channel) {
                let columns = Columns {
                    times_ms: &column.times_ms,
                    values: &column.values,
                    qualities: &column.qualities,
                };
                self.take_samples(idx, columns, &mut late);
            }
        }
        self.take_events(&batch.events, &mut late);
        late.fed()
    }

    /// Takes one channel's stored samples.
    pub fn feed_series(&mut self, channel: ChannelId, series: &Series) -> Fed {
        if let Some(newest) = series.times_ms.last() {
            self.heard(EventTime::from_unix_ms(*newest));
        }
        let mut late = Late::default();
        if let Some(idx) = self.plan.index_of(channel) {
            self.take_samples(idx, Columns::of(series), &mut late);
        }
        late.fed()
    }

    /// Takes stored events.
    pub fn feed_events(&mut self, events: &[Event]) -> Fed {
        if let Some(newest) = events.iter().map(|event| event.time).max() {
            self.heard(newest);
        }
        let mut late = Late::default();
        self.take_events(events, &mut late);
        late.fed()
    }

    fn take_samples(&mut self, idx: usize, columns: Columns<'_>, late: &mut Late) {
        if self.plan.channels[idx].derived {
            return;
        }
        let judged = self.late_before();
        let n_late = match columns.times_ms.first() {
            Some(first) if *first <= judged => {
                late.at(*first);
                columns.times_ms.partition_point(|time| *time <= judged)
            }
            _ => 0,
        };
        self.channels[idx].pending.extend(columns.skip(n_late));
    }

    fn take_events(&mut self, events: &[Event], late: &mut Late) {
        let judged = self.late_before();
        for event in events {
            let Some(idx) = self.plan.index_of(event.channel) else {
                continue;
            };
            if event.time.unix_ms() <= judged {
                late.at(event.time.unix_ms());
                continue;
            }
            let channel = &mut self.channels[idx];
            channel.has_sorted_events = false;
            channel.pending_events.push(event.clone());
        }
    }

    const fn late_before(&self) -> i64 {
        match (self.warming_to, self.judged_through) {
            (None, Some(judged)) => judged,
            _ => i64::MIN,
        }
    }

    /// Newest event time fed; `None` before any data.
    pub fn watermark(&self) -> Option<EventTime> {
        self.watermark.map(EventTime::from_unix_ms)
    }

    /// Every tick up to and including this was judged; `None` before any.
    pub fn judged_through(&self) -> Option<EventTime> {
        self.judged_through.map(EventTime::from_unix_ms)
    }

    /// What is remembered now, for [`UnitJudge::resume`]; `None` before any tick was judged.
    pub fn checkpoint(&self) -> Option<Checkpoint> {
        self.judged_through().map(|at| self.checkpoint_at(at))
    }

    fn checkpoint_at(&self, at: EventTime) -> Checkpoint {
        let slots = self
            .plan
            .slots
            .iter()
            .zip(&self.slots)
            .filter(|(_, state)| {
                state.run_start.is_some() || state.standing.is_some() || state.n_faults > 0
            });
        let slots = slots.map(|(slot, state)| SlotMemory {
            rule: slot.rule.reference.clone(),
            part: slot.part.clone(),
            run_start: state.run_start,
            run_last: state.run_last,
            standing: state.standing.clone(),
            n_faults: state.n_faults,
        });
        let baselines = self.baselines.iter().map(|state| state.memory().clone());
        Checkpoint {
            at,
            slots: slots.collect(),
            baselines: baselines.collect(),
        }
    }

    /// At how many ticks in a row the script that fails longest has failed by now.
    pub fn most_faults(&self) -> u32 {
        let faults = self.slots.iter().map(|state| state.n_faults);
        faults.max().unwrap_or(0)
    }

    /// Rules and parts that had no verdict at any tick so far.
    pub fn without_verdict(&self) -> impl Iterator<Item = NoVerdict> {
        let slots = self.plan.slots.iter().zip(&self.slots);
        slots.filter_map(|(slot, state)| state.knew.silence(slot))
    }

    /// What a rule reads and never knew, where it had no verdict for want of that on any part of the unit; `None`
    /// where it had one, or is not judged.
    pub fn blind(&self, rule: &RuleRef) -> Option<BTreeSet<String>> {
        let slots = self.plan.slots.iter().zip(&self.slots);
        let own = slots.filter(|(slot, _)| slot.rule.reference == *rule);
        let mut silences = own
            .map(|(slot, state)| state.knew.silence(slot).filter(NoVerdict::is_blind))
            .peekable();
        silences.peek()?;
        let silences: Vec<NoVerdict> = silences.collect::<Option<_>>()?;
        let never_known = silences.into_iter().flat_map(|of| of.never_known);
        Some(never_known.collect())
    }

    /// Judges every tick before the newest event time fed.
    pub fn judge(&mut self, out: &mut Judgement) {
        self.judge_until(EventTime::from_unix_ms(i64::MAX), out);
    }

    /// Judges every tick before `watermark`, or before the newest event time if that is earlier;
    /// for feeding a long stretch in pieces.
    pub fn judge_until(&mut self, watermark: EventTime, out: &mut Judgement) {
        let Some(newest) = self.watermark else { return };
        let ready = self
            .ready_through()
            .map_or(newest, |at| at.unix_ms().saturating_add(1));
        let limit = newest.min(watermark.unix_ms()).min(ready);
        self.sort();
        if let Some(warm) = self.warming_to.take() {
            self.catch_up(warm);
            self.catching_up.fill(false);
            self.fold(warm);
        }
        let mut done = match self.judged_through {
            Some(done) => done,
            None => match self.next_pending() {
                // The first tick judged is the first one at or after the first sample.
                Some(first) if first <= limit => first - 1,
                _ => return,
            },
        };
        while let Some(tick) = self.plan.next_tick_after(done).filter(|tick| *tick < limit) {
            let hour = tick.div_euclid(HOUR_MS);
            if self.judged_through.is_some() && done.div_euclid(HOUR_MS) < hour {
                out.checkpoints
                    .push(self.checkpoint_at(EventTime::from_unix_ms(hour * HOUR_MS - 1)));
            }
            self.fold(tick);
            self.judge_tick(tick, out);
            done = self.skip_quiet(tick, limit);
            self.judged_through = Some(done);
        }
        self.drop_taken();
    }

    /// Brings what was fed into order.
    pub(crate) fn sort(&mut self) {
        self.channels.iter_mut().for_each(ChannelState::sort);
        self.mates.iter_mut().for_each(MateState::sort);
    }

    /// Forgets what was taken into windows.
    pub(crate) fn drop_taken(&mut self) {
        self.channels.iter_mut().for_each(ChannelState::drop_taken);
        self.mates.iter_mut().for_each(MateState::drop_taken);
    }

    /// Warms the windows with what was fed up to `through`, at most to the checkpoint resumed from.
    /// All data up to there must have been fed.
    pub fn warm(&mut self, through: EventTime) {
        let Some(warming_to) = self.warming_to else {
            return;
        };
        self.sort();
        let through = through.unix_ms().min(warming_to);
        self.catch_up(through);
        self.fold(through);
        self.drop_taken();
    }

    pub(crate) fn plan(&self) -> &UnitPlan {
        &self.plan
    }

    /// Visits instants after `done_ms` up to `through_ms`, with the mean of each window that is compared
    /// with the class's as it is then; for a judge that judges nothing.
    pub(crate) fn visit(
        &mut self,
        mut done_ms: i64,
        through_ms: i64,
        next: impl Fn(i64) -> Option<i64>,
        mut look: impl FnMut(i64, &mut dyn FnMut(usize) -> Option<f64>),
    ) {
        let plan = Arc::clone(&self.plan);
        self.sort();
        while let Some(at_ms) = next(done_ms).filter(|at_ms| *at_ms <= through_ms) {
            self.fold(at_ms);
            let channels = &mut self.channels;
            look(at_ms, &mut |compared| {
                window_value(&plan.compared[compared].1, &plan.channels, channels, at_ms)
                    .filter(|value| value.is_finite())
            });
            done_ms = at_ms;
        }
        self.drop_taken();
    }

    /// What a source that needs no more than windows gives, at an instant up to which all was taken.
    pub(crate) fn watched(&mut self, source: &Source, at_ms: i64) -> Option<f64> {
        let unknown = (UnitState::Unknown, ConsistRole::Unknown);
        let seen = read(
            source,
            &self.plan.channels,
            &mut self.channels,
            at_ms,
            unknown,
        );
        match seen {
            Seen::Number(value) => Some(value),
            Seen::Flag(_) | Seen::Unknown => None,
        }
    }

    /// Takes healthy stretches of which the checkpoint knew nothing, tick by tick.
    fn catch_up(&mut self, through_ms: i64) {
        let plan = Arc::clone(&self.plan);
        let wanted = || {
            let baselines = plan.baselines.iter().zip(&self.catching_up);
            baselines.filter(|(_, wanted)| **wanted).map(|(b, _)| &b.0)
        };
        let mut ticks: Vec<i64> = wanted().map(|planned| planned.tick_ms).collect();
        ticks.sort_unstable();
        ticks.dedup();
        let longest = wanted().map(|planned| planned.window_ms + planned.tick_ms);
        let Some(longest_ms) = longest.max() else {
            return;
        };
        let longest_ms = longest_ms.saturating_add(plan.reach_ms());
        let mut done = match (self.caught_up_to, self.next_pending()) {
            (Some(done), _) => done,
            (None, Some(first)) => first - 1,
            (None, None) => return,
        };
        let mut newest = done;
        let next = |done: i64| {
            let ticks = ticks.iter();
            ticks.map(|tick| (done.div_euclid(*tick) + 1) * tick).min()
        };
        while let Some(tick) = next(done).filter(|tick| *tick <= through_ms) {
            newest = newest.max(self.fold(tick).unwrap_or(newest));
            // The stretch may be over; who warms has no use for a report, as the ticks are judged.
            self.take_rows(tick);
            done = tick;
            if tick - newest > longest_ms {
                // The windows are empty until the next datum.
                let until = self.next_pending().unwrap_or(i64::MAX).min(through_ms);
                done = done.max(until - 1);
            }
        }
        self.caught_up_to = Some(done);
    }

    /// Gives the healthy stretches their rows of a tick; while warming, only those that catch up.
    fn take_rows(&mut self, tick_ms: i64) -> Vec<FitReport> {
        let plan = &*self.plan;
        let warming = self.catching_up.contains(&true);
        let mut row = Vec::new();
        let mut reports = Vec::new();
        for (idx, (planned, windows)) in plan.baselines.iter().enumerate() {
            if tick_ms.rem_euclid(planned.tick_ms) != 0 || (warming && !self.catching_up[idx]) {
                continue;
            }
            row.clear();
            let mut heard = false;
            for window in windows {
                let planned = &plan.channels[window.channel];
                let channel = &mut self.channels[window.channel];
                let held = channel.held_at(tick_ms).map(|held| held.value);
                let view = channel.rings[window.ring].window(window.window, tick_ms);
                heard |= view.n() > 0 || held.is_some();
                let value = statistic::value(window, planned, held, &mut channel.rings, tick_ms);
                row.extend(value.filter(|value| value.is_finite()));
            }
            let whole = (row.len() == windows.len()).then_some(row.as_slice());
            reports.extend(self.baselines[idx].tick(planned, tick_ms, heard, whole));
        }
        reports
    }

    /// Takes everything up to and including a tick into the windows; returns the newest time taken.
    pub(crate) fn fold(&mut self, tick_ms: i64) -> Option<i64> {
        self.derive(tick_ms);
        // Gates first: they look at what the channels they ask are about to take.
        for (planned, gate) in self.plan.gates.iter().zip(&mut self.gates) {
            for (idx, condition) in planned.conditions.iter().enumerate() {
                let due = self.channels[condition.channel].pending.due(tick_ms);
                gate.take(idx, condition, self.folded_to, due.samples());
            }
            gate.join();
        }
        let mut newest = None;
        for (planned, channel) in self.plan.channels.iter().zip(&mut self.channels) {
            newest = newest.max(channel.fold(planned, &self.gates, tick_ms, &mut self.scratch));
        }
        for (mate, state) in self.context.mates.all().iter().zip(&mut self.mates) {
            newest = newest.max(state.fold(mate, tick_ms));
        }
        self.folded_to = self.folded_to.max(tick_ms);
        if let Some(newest) = newest {
            self.newest_folded = self.newest_folded.max(newest);
        }
        newest
    }

    /// Computes derived channels up to and including a tick from what their inputs have not yet
    /// given to the windows.
    fn derive(&mut self, tick_ms: i64) {
        for (planned, deriver) in self.plan.derived.iter().zip(&mut self.derivers) {
            // No channel is computed from itself.
            let mut found = std::mem::take(&mut self.channels[planned.channel].pending);
            let due = |input: &usize| self.channels[*input].pending.due(tick_ms);
            let inputs: Vec<Columns<'_>> = planned.inputs.iter().map(due).collect();
            deriver.run(&planned.derivation, &inputs, |value| found.push(value));
            self.channels[planned.channel].pending = found;
        }
    }

    pub(crate) fn next_pending(&self) -> Option<i64> {
        let own = self.channels.iter().filter_map(ChannelState::next_pending);
        own.chain(self.mates.iter().filter_map(MateState::next_pending))
            .min()
    }

    /// Where nothing can change any more before the next datum, the ticks in between need no look:
    /// windows are empty, held values gone, runs and delays over. Returns the last tick done.
    fn skip_quiet(&self, tick_ms: i64, limit: i64) -> i64 {
        if tick_ms - self.newest_folded <= self.plan.settle_ms {
            return tick_ms;
        }
        let at = EventTime::from_unix_ms(tick_ms);
        let recently = at.plus_ms(-self.plan.settle_ms);
        let soon = [
            self.context.next_change_after(recently),
            self.plan.next_boundary_after(recently),
            self.next_stretch_end_after(recently),
        ];
        let soon = soon.into_iter().flatten().map(EventTime::unix_ms).min();
        if soon.is_some_and(|change| change <= tick_ms) {
            return tick_ms;
        }
        let until = self
            .next_pending()
            .unwrap_or(i64::MAX)
            .min(soon.unwrap_or(i64::MAX))
            .min(limit);
        tick_ms.max(until - 1)
    }

    /// First end after an instant of a healthy stretch, from which on its fit is known.
    fn next_stretch_end_after(&self, after: EventTime) -> Option<EventTime> {
        let both = self.plan.baselines.iter().zip(&self.baselines);
        both.filter_map(|((planned, _), state)| state.stretch(planned))
            .map(|(_, to_ms)| EventTime::from_unix_ms(to_ms))
            .filter(|end| *end > after)
            .min()
    }

    fn judge_tick(&mut self, tick_ms: i64, out: &mut Judgement) {
        let tick = EventTime::from_unix_ms(tick_ms);
        let fits = self.take_rows(tick_ms);
        out.fits.extend(fits);
        let plan = &*self.plan;
        let (state, role) = (self.context.state_at(tick), self.context.role_at(tick));
        for (slot, remembered) in plan.slots.iter().zip(&mut self.slots) {
            let tick_length = slot.rule.about.tick_ms;
            if tick_ms.rem_euclid(tick_length) != 0 {
                continue;
            }
            if tick < slot.from {
                continue;
            }
            if slot.until.is_some_and(|until| tick >= until) {
                if let Some(mut occurrence) = std::mem::take(remembered).standing {
                    occurrence.ended_at = Some(tick);
                    occurrence.superseded = true;
                    out.changes.push(Change::Ended(occurrence));
                }
                continue;
            }
            self.row.clear();
            let mut of_mates = Vec::new();
            for source in &slot.sources {
                let seen = match source {
                    Source::Mates {
                        asked,
                        gives,
                        same_class,
                    } => {
                        let ask = Ask {
                            asked: *asked,
                            same_class: *same_class,
                            own_class: plan.mates.as_ref().and_then(|mates| mates.class.as_ref()),
                        };
                        let values = ask.all(&self.context.mates, &mut self.mates, tick);
                        let seen =
                            number(values.as_deref().and_then(|all| asking::made(*gives, all)));
                        of_mates.resize(self.row.len(), Vec::new());
                        of_mates.push(values.unwrap_or_default());
                        seen
                    }
                    Source::Healthy { baseline, gives } => {
                        number(self.baselines[*baseline].value(*gives))
                    }
                    Source::Class { compared, gives } => {
                        let dated = &self.classes[*compared];
                        let source = &plan.compared[*compared].1;
                        let channels = &mut self.channels;
                        number(class::at(dated, tick_ms).and_then(|baseline| match gives {
                            OfClass::Median => Some(baseline.median),
                            OfClass::Spread => Some(baseline.spread),
                            OfClass::Score => {
                                let mean = window_value(source, &plan.channels, channels, tick_ms)?;
                                Some((mean - baseline.median) / baseline.spread)
                            }
                        }))
                    }
                    _ => read(
                        source,
                        &plan.channels,
                        &mut self.channels,
                        tick_ms,
                        (state, role),
                    ),
                };
                self.row.push(seen);
            }
            let before = self.context.state_at(tick.plus_ms(-tick_length));
            if before != state {
                remembered.run_start = None;
            }
            let seen = SeenAt {
                tick,
                row: &self.row,
                baselines: &self.baselines,
                planned: &plan.baselines,
                classes: &self.classes,
                mates: &self.context.mates,
                of_mates: &of_mates,
            };
            judge_slot(slot, remembered, &seen, out);
        }
    }
}

#[derive(Default)]
struct Late(Option<i64>);

impl Late {
    fn at(&mut self, time_ms: i64) {
        self.0 = Some(self.0.map_or(time_ms, |earliest| earliest.min(time_ms)));
    }

    fn fed(&self) -> Fed {
        Fed {
            late_from: self.0.map(EventTime::from_unix_ms),
        }
    }
}

fn read(
    source: &Source,
    planned: &[PlannedChannel],
    channels: &mut [ChannelState],
    tick_ms: i64,
    (state, role): (UnitState, ConsistRole),
) -> Seen {
    match source {
        Source::Nothing | Source::Healthy { .. } | Source::Class { .. } | Source::Mates { .. } => {
            Seen::Unknown
        }
        Source::Number(number) => Seen::Number(*number),
        Source::InState(_) if state == UnitState::Unknown => Seen::Unknown,
        Source::InState(states) => Seen::Flag(states.contains(&state)),
        Source::InRole(_) if role == ConsistRole::Unknown => Seen::Unknown,
        Source::InRole(wanted) => Seen::Flag(*wanted == role),
        Source::Last { channel, window_ms } => {
            let known = match planned[*channel].speaks {
                Speaks::Held { .. } => channels[*channel].held_at(tick_ms).map(|held| held.value),
                _ => channels[*channel]
                    .newest_good
                    .filter(|(time_ms, _)| tick_ms - time_ms < *window_ms)
                    .map(|(_, value)| value),
            };
            number(known)
        }
        Source::Window(window) => number(window_value(window, planned, channels, tick_ms)),
    }
}

fn window_value(
    window: &WindowSource,
    planned: &[PlannedChannel],
    channels: &mut [ChannelState],
    tick_ms: i64,
) -> Option<f64> {
    let planned = &planned[window.channel];
    let channel = &mut channels[window.channel];
    let held = channel.held_at(tick_ms).map(|held| held.value);
    statistic::value(window, planned, held, &mut channel.rings, tick_ms)
}

fn number(value: Option<f64>) -> Seen {
    value
        .filter(|value| value.is_finite())
        .map_or(Seen::Unknown, Seen::Number)
}
