//! Judging a unit again from stored data: the one way in which late data, a recorded state, a
//! changed rule book and a restart are taken in.

use super::memory::{HORIZON_MS, Stored, Whose};
use super::ranges::Judged;
use super::rulebook::Planned;
use crate::Shared;
use std::collections::BTreeMap;
use std::sync::Arc;
use wheeltap_judge::{
    Checkpoint, ClassSurvey, FaultReport, Judgement, Occurrence, Stretch, UnitJudge,
};
use wheeltap_model::{ChannelId, ChannelKind, Event, EventTime, Part, RuleRef, Series, UnitId};
use wheeltap_store::StoreError;

/// Event time judged in one step, so that live work never waits long.
const PIECE_MS: i64 = 2 * 3_600_000;
/// Event time judged in one step of a replay, which nothing waits for: blocks are unpacked once for each
/// step they reach into, so longer steps unpack less.
const REPLAY_PIECE_MS: i64 = 8 * 3_600_000;
/// Event time read in one step while windows are warmed.
const WARM_MS: i64 = 24 * 3_600_000;
/// Samples read at once of one channel.
const READ_AT_ONCE: usize = 200_000;

/// Identity of an occurrence within one unit's judgement.
pub type Key = (RuleRef, Option<Part>, EventTime);

/// The key of an occurrence.
pub fn key(occurrence: &Occurrence) -> Key {
    let Occurrence {
        rule,
        part,
        raised_at,
        ..
    } = occurrence;
    (rule.clone(), part.clone(), *raised_at)
}

/// One unit being judged again, piece by piece.
pub struct Rejudge {
    unit: UnitId,
    pub planned: Planned,
    pub judge: UnitJudge,
    /// What the store held of each source before the first read: all of it is taken in.
    pub taken: Judged,
    /// Occurrences that ended by here are not its business; `None`: from the beginning.
    pub from: Option<EventTime>,
    /// The checkpoint it began from; later ones are replaced.
    pub base: Option<EventTime>,
    /// All occurrences that stood at the base or were raised later.
    pub occurrences: BTreeMap<Key, Occurrence>,
    pub checkpoints: Vec<Checkpoint>,
    pub faults: Vec<FaultReport>,
    /// Event time judged in one step.
    piece_ms: i64,
    /// Data up to here was read.
    position: EventTime,
    /// Newest event time stored when it began.
    newest: EventTime,
    /// Samples and events read so far.
    n_read: u64,
}

impl Rejudge {
    /// Nothing read yet of what lies after `position` up to `newest`.
    fn reading(
        unit: &UnitId,
        planned: Planned,
        judge: UnitJudge,
        (position, newest): (EventTime, EventTime),
    ) -> Self {
        Self {
            unit: unit.clone(),
            judge,
            planned,
            taken: Judged::default(),
            from: None,
            base: None,
            occurrences: BTreeMap::new(),
            checkpoints: Vec::new(),
            faults: Vec::new(),
            piece_ms: PIECE_MS,
            position,
            newest,
            n_read: 0,
        }
    }

    /// Begins: from the newest usable checkpoint before `from`, or else from the first data.
    /// `None` when nothing is stored.
    ///
    /// # Errors
    /// A stop.
    pub fn begin(
        shared: &Shared,
        unit: &UnitId,
        planned: Planned,
        from: Option<EventTime>,
    ) -> Result<Option<Self>, StoreError> {
        // The sources first: whatever is in them is in all that is read from now on.
        let taken = Judged::of(&shared.store.sources(unit)?);
        let Some((first, newest)) = shared.store.extent(unit)? else {
            return Ok(None);
        };
        let from = from.map(|from| from.max(newest.plus_ms(-HORIZON_MS)));
        let stored = Stored::read(shared.store.as_ref(), unit, Whose::of(&planned.plan))?;
        let mut base = stored.newest(from, &planned.basis)?;
        let mut start = first.plus_ms(-1);
        if planned.plan.reads_mates() {
            // Mates may have sent before the unit did, so it begins with windows that are warm.
            base.get_or_insert_with(|| nothing_at(start));
            start = start.plus_ms(-planned.plan.reach_ms());
        }
        let planned = match &base {
            Some(base) => planned.after(shared, unit, base),
            None => planned,
        };
        let plan = Arc::clone(&planned.plan);
        let context = Arc::clone(&planned.context);
        let judge = match &base {
            Some(base) => UnitJudge::resume(plan, context, base),
            None => UnitJudge::new(plan, context),
        };
        let mut rejudge = Self {
            taken,
            from: Some(start),
            ..Self::reading(unit, planned, judge, (start, newest))
        };
        rejudge.hear_mates(shared, None)?;
        if let Some(base) = base {
            rejudge.take_base(shared, base)?;
        }
        Ok(Some(rejudge))
    }

    /// Begins afresh at `from`, with warm windows, as a version does that is in force from there on;
    /// what was measured after `until` is not looked at. `None` when nothing is stored in between.
    ///
    /// # Errors
    /// A stop.
    pub fn afresh(
        shared: &Shared,
        unit: &UnitId,
        planned: Planned,
        from: EventTime,
        until: EventTime,
    ) -> Result<Option<Self>, StoreError> {
        let Some((first, newest)) = shared.store.extent(unit)? else {
            return Ok(None);
        };
        if first > until || newest < from {
            return Ok(None);
        }
        let plan = Arc::clone(&planned.plan);
        let context = Arc::clone(&planned.context);
        // Nothing stands and nothing runs just before; all else is warmed as after a restart.
        let mut base = nothing_at(from.plus_ms(-1));
        let mut start = first.plus_ms(-1);
        if plan.reads_mates() {
            base.at = base.at.max(start);
            start = start.plus_ms(-plan.reach_ms());
        }
        let judge = UnitJudge::resume(plan, context, &base);
        let span = (start, newest.min(until));
        let mut rejudge = Self {
            piece_ms: REPLAY_PIECE_MS,
            ..Self::reading(unit, planned, judge, span)
        };
        rejudge.hear_mates(shared, Some(until))?;
        rejudge.take_base(shared, base)?;
        Ok(Some(rejudge))
    }

    /// Judges so much event time in a step.
    pub const fn in_pieces_of(&mut self, piece_ms: i64) {
        self.piece_ms = piece_ms;
    }

    /// What a unit did over a stretch, of the windows that its plan compares with the class's; `None`
    /// when nothing is stored.
    ///
    /// # Errors
    /// A stop.
    pub fn survey(
        shared: &Shared,
        unit: &UnitId,
        planned: Planned,
        stretch: Stretch,
    ) -> Result<Option<Vec<Vec<f64>>>, StoreError> {
        let Some((first, newest)) = shared.store.extent(unit)? else {
            return Ok(None);
        };
        let plan = Arc::clone(&planned.plan);
        let context = Arc::clone(&planned.context);
        // Conditions and held values look back from the first window.
        let position = stretch.from.plus_ms(-plan.reach_ms());
        let judge = UnitJudge::new(Arc::clone(&plan), context);
        let span = (position.max(first.plus_ms(-1)), newest);
        let mut reading = Self::reading(unit, planned, judge, span);
        reading.feed_held(shared, reading.position)?;
        let mut survey = ClassSurvey::new(&plan, stretch);
        let end = stretch.to.min(newest);
        while reading.position < end {
            let to = reading.position.plus_ms(WARM_MS).min(end);
            reading.feed(shared, to)?;
            survey.take(&mut reading.judge, to);
        }
        survey.take(&mut reading.judge, stretch.to);
        Ok(Some(survey.means()))
    }

    /// Says up to where each mate is stored, or at most `until`.
    fn hear_mates(&mut self, shared: &Shared, until: Option<EventTime>) -> Result<(), StoreError> {
        if !self.planned.plan.reads_mates() {
            return Ok(());
        }
        let context = Arc::clone(&self.planned.context);
        for (idx, mate) in context.mates.all().iter().enumerate() {
            if let Some((_, newest)) = shared.store.extent(&mate.unit)? {
                let heard = until.map_or(newest, |until| newest.min(until));
                self.judge.heard_mate(idx, heard);
            }
        }
        Ok(())
    }

    /// Samples and events read so far.
    pub const fn n_read(&self) -> u64 {
        self.n_read
    }

    /// Values of held channels that last into the stretch after `position`.
    fn feed_held(&mut self, shared: &Shared, position: EventTime) -> Result<(), StoreError> {
        for channel in self.planned.plan.channels().to_vec() {
            if is_held(shared, channel)
                && let Some(sample) =
                    shared
                        .store
                        .newest_before(&self.unit, channel, position.plus_ms(1))?
            {
                self.judge
                    .feed_series(channel, &Series::from_samples(vec![sample]));
            }
        }
        Ok(())
    }

    fn take_base(&mut self, shared: &Shared, base: Checkpoint) -> Result<(), StoreError> {
        self.from = Some(base.at);
        self.base = Some(base.at);
        let warm_from = self.planned.plan.warm_from(&base).max(self.position);
        for slot in base.slots {
            if let Some(standing) = slot.standing {
                self.occurrences.insert(key(&standing), standing);
            }
        }
        self.feed_held(shared, warm_from)?;
        self.position = warm_from;
        // Nothing may be judged in between. Most often it is one piece.
        while self.position < base.at {
            let to = self.position.plus_ms(WARM_MS).min(base.at);
            self.feed(shared, to)?;
            self.judge.warm(to);
        }
        Ok(())
    }

    /// Data up to here was read.
    pub const fn position(&self) -> EventTime {
        self.position
    }

    fn feed(&mut self, shared: &Shared, to: EventTime) -> Result<(), StoreError> {
        let first = self.position.plus_ms(1);
        if first > to {
            return Ok(());
        }
        let plan = Arc::clone(&self.planned.plan);
        let judge = &mut self.judge;
        for channel in plan.channels() {
            let of = (&self.unit, *channel);
            self.n_read += read(shared, of, (first, to), |found| match found {
                Found::Events(events) => {
                    judge.feed_events(events);
                }
                Found::Series(series) => {
                    judge.feed_series(*channel, series);
                }
            })?;
        }
        for need in judge.mate_needs(first, to) {
            for channel in need.channels {
                let of = (&need.unit, channel);
                self.n_read += read(shared, of, (need.from, need.to), |found| match found {
                    Found::Events(events) => judge.feed_mate_events(need.mate, events),
                    Found::Series(series) => judge.feed_mate_series(need.mate, channel, series),
                })?;
            }
        }
        self.position = to;
        Ok(())
    }

    /// Judges one more piece; `true` once all is judged up to `newest`, which may be later than what was
    /// stored when it began, or as far as mates are not waited for.
    ///
    /// # Errors
    /// A stop.
    pub fn step(&mut self, shared: &Shared, newest: Option<EventTime>) -> Result<bool, StoreError> {
        let mut goal = newest.map_or(self.newest, |newest| newest.max(self.newest));
        self.judge.heard(goal);
        if self.planned.plan.reads_mates() {
            // Not read further than it is judged: what mates send for the ticks after it is not late.
            let ready = self.judge.ready_through();
            goal = ready
                .map_or(goal, |ready| ready.min(goal))
                .max(self.position);
        }
        let to = self.position.plus_ms(self.piece_ms).min(goal);
        self.feed(shared, to)?;
        let mut judgement = Judgement::default();
        if to < goal {
            self.judge.judge_until(to, &mut judgement);
        } else {
            self.judge.judge(&mut judgement);
        }
        for change in &judgement.changes {
            let occurrence = change.occurrence();
            self.occurrences.insert(key(occurrence), occurrence.clone());
        }
        self.checkpoints.extend(judgement.checkpoints);
        self.faults.extend(judgement.faults);
        Ok(to >= goal)
    }
}

/// Nothing stands and nothing runs.
const fn nothing_at(at: EventTime) -> Checkpoint {
    Checkpoint {
        at,
        slots: Vec::new(),
        baselines: Vec::new(),
    }
}

/// What is stored of one channel.
enum Found<'a> {
    Events(&'a [Event]),
    Series(&'a Series),
}

/// Reads all that is stored of one unit's channel in `from..=to`, in pieces; returns how much it was.
fn read(
    shared: &Shared,
    (unit, channel): (&UnitId, ChannelId),
    (mut from, to): (EventTime, EventTime),
    mut take: impl FnMut(Found<'_>),
) -> Result<u64, StoreError> {
    let store = &shared.store;
    let mut n_read = 0;
    loop {
        let last = if is_event(shared, channel) {
            let events = store.read_events(unit, channel, from, to, READ_AT_ONCE)?;
            take(Found::Events(&events));
            n_read += events.len() as u64;
            (events.len() >= READ_AT_ONCE)
                .then(|| events.last().map(|event| event.time))
                .flatten()
        } else {
            let series = store.read(unit, channel, from, to, READ_AT_ONCE)?;
            take(Found::Series(&series));
            n_read += series.len() as u64;
            (series.len() >= READ_AT_ONCE)
                .then(|| series.times_ms.last())
                .flatten()
                .map(|ms| EventTime::from_unix_ms(*ms))
        };
        match last {
            // Events of one instant may be cut; they are read again, and repeats collapse.
            Some(last) if is_event(shared, channel) && last > from => from = last,
            Some(last) => from = last.plus_ms(1),
            None => return Ok(n_read),
        }
    }
}

fn is_event(shared: &Shared, channel: ChannelId) -> bool {
    let def = shared.catalogue.by_id(channel);
    def.is_some_and(|def| matches!(def.kind, ChannelKind::Event { .. }))
}

fn is_held(shared: &Shared, channel: ChannelId) -> bool {
    let def = shared.catalogue.by_id(channel);
    def.is_some_and(|def| matches!(def.kind, ChannelKind::Held { .. }))
}
