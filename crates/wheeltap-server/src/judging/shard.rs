//! One thread that judges some of the units: live batches first, late work behind them.

use super::ledger::{Documents, LedgerError};
use super::memory::{Basis, HORIZON_MS, Left, UnitMemory, Whose, write_checkpoint, write_judged};
use super::outcome::{
    Found, add_checkpoints, last_of_each, plan_again, plan_live, replace_checkpoints, tell_all,
};
use super::ranges::Judged;
use super::rejudge::Rejudge;
use super::rulebook::{Over, RuleBooks};
use super::{Inner, JudgeJob};
use crate::status;
use std::collections::{BTreeSet, HashMap, VecDeque};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError};
use std::time::{Duration, Instant};
use tokio::sync::oneshot;
use wheeltap_followup::{Planner, Terms, UPDATED_BY_TELEMETRY};
use wheeltap_judge::{Judgement, Occurrence, UnitJudge};
use wheeltap_model::{Batch, EventTime, ServerTime, UnitId};
use wheeltap_store::Epoch;

/// Batches taken into one commit at most.
const JOBS_AT_ONCE: usize = 512;
/// Samples taken into one commit at most, unless one batch has more.
const SAMPLES_AT_ONCE: usize = 400_000;
/// Late work gets this part of the time that live work takes, while there is both.
const LATE_SHARE: u32 = 3;
/// How often a thread without work looks at the clock.
pub const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How long announcing waits for late work, server time.
pub const WITHHOLD_MS: i64 = 120_000;

/// What a shard is told, in order.
pub enum Message {
    Job(JudgeJob),
    /// A batch with nothing to be judged: it is in quarantine.
    SetAside(UnitId, Epoch, u64),
    /// Rules, or what is known of one unit, changed: judge again what rests on something else.
    Revalidate(Option<UnitId>),
    /// Answered once nothing is left to do.
    Idle(oneshot::Sender<()>),
    Stop,
}

/// No instant in particular: the newest checkpoint that is of use.
pub const NOTHING_LATE: EventTime = EventTime::from_unix_ms(i64::MAX);
/// Nobody knows what is late: all within the horizon.
const ANYTHING_LATE: EventTime = EventTime::from_unix_ms(i64::MIN);

struct Live {
    judge: UnitJudge,
    basis: Arc<Basis>,
    /// Versions that it does not judge any more.
    over: Option<Over>,
}

impl Live {
    /// Feeds a batch; gives the instant from which it is late.
    fn feed(&mut self, batch: &Batch) -> Option<EventTime> {
        let late = self.judge.feed(batch).late_from;
        let over = self.over.as_ref().and_then(|over| over.late_from(batch));
        late.into_iter().chain(over).min()
    }
}

/// What the last finished late work took in, for batches that were stored before it began and
/// are offered after it.
struct Covered {
    taken: Judged,
    base: Option<EventTime>,
}

#[derive(Default)]
struct UnitState {
    /// `None` until the first late work, which restores what was known, is done.
    live: Option<Live>,
    memory: UnitMemory,
    /// What was stored when the service started, until it is judged.
    stored_at_start: Judged,
    newest: Option<EventTime>,
    /// Late work to be begun: from this event time.
    dirty: Option<EventTime>,
    /// Late work begun.
    work: Option<Box<Rejudge>>,
    /// Whether the work begun takes in everything that was stored at the start, known or not.
    work_is_whole: bool,
    covered: Option<Covered>,
    /// Since when late work is pending.
    late_since: Option<ServerTime>,
}

impl UnitState {
    const fn is_late(&self) -> bool {
        self.dirty.is_some() || self.work.is_some()
    }

    fn terms(&self, now: ServerTime) -> Terms {
        let withhold = self.is_late()
            && self
                .late_since
                .is_none_or(|since| now.unix_ms() - since.unix_ms() < WITHHOLD_MS);
        Terms {
            withhold,
            complete_through: self.memory.complete_through,
            watermark: self.newest,
        }
    }

    /// Feeds a batch to the live judge; gives the instant from which it is late to that one or to the
    /// work begun, which is to take the live judge's place.
    fn hear(
        &mut self,
        batch: &Batch,
        (epoch, sequence): (Epoch, u64),
        first: EventTime,
    ) -> Option<EventTime> {
        let is_passed = |work: &Rejudge| first <= work.position();
        let late = match (&mut self.live, &self.work) {
            (Some(live), _) => live.feed(batch),
            // Being restored, or not yet: a checkpoint may be later than it.
            (None, work) => {
                self.memory.note_dirty(first);
                work.as_deref().is_none_or(is_passed).then_some(first)
            }
        };
        if let Some(work) = &self.work
            && is_passed(work)
            && !work.taken.contains(epoch, sequence)
        {
            // Stored after the work had read so far, whatever the live judge says, whose last tick is
            // another and whose rules may be older.
            return Some(late.map_or(first, |late| late.min(first)));
        }
        let from = late?;
        if !self.is_covered(epoch, sequence, from) {
            return Some(from);
        }
        if self.work.is_some() {
            // Were the service killed now, the next one would have to know.
            self.memory.note_dirty(from);
        }
        None
    }

    /// Whether late work begun or done has taken in what a batch holds from `from` on.
    fn is_covered(&self, epoch: Epoch, sequence: u64, from: EventTime) -> bool {
        let after = |base: Option<EventTime>| base.is_none_or(|base| from > base);
        let by_work = self.work.as_ref().is_some_and(|work| {
            after(work.base) && (work.taken.contains(epoch, sequence) || from > work.position())
        });
        by_work
            || (self.work.is_none()
                && self.covered.as_ref().is_some_and(|covered| {
                    after(covered.base) && covered.taken.contains(epoch, sequence)
                }))
    }
}

/// One judging thread's state.
pub struct Shard {
    inner: Arc<Inner>,
    inbox: Receiver<Message>,
    units: HashMap<UnitId, UnitState>,
    /// Units with late work, each once; the first is being worked on.
    late: VecDeque<UnitId>,
    waiting: Vec<oneshot::Sender<()>>,
    failed: bool,
}

impl Shard {
    /// Begins with these units, each to be restored behind live work.
    pub fn new(inner: Arc<Inner>, inbox: Receiver<Message>, units: Vec<(UnitId, Left)>) -> Self {
        let mut shard = Self {
            inner,
            inbox,
            units: HashMap::new(),
            late: VecDeque::new(),
            waiting: Vec::new(),
            failed: false,
        };
        for (unit, left) in units {
            let from = if left.is_all_judged() {
                left.memory.dirty_from.unwrap_or(NOTHING_LATE)
            } else {
                ANYTHING_LATE
            };
            let Left { memory, stored } = left;
            let state = UnitState {
                memory,
                stored_at_start: stored,
                ..UnitState::default()
            };
            shard.units.insert(unit.clone(), state);
            shard.mark_late(&unit, from);
        }
        shard
    }

    /// Runs until told to stop.
    pub fn run(mut self) {
        loop {
            let next = if self.late.is_empty() {
                match self.inbox.recv_timeout(LOOK_EVERY) {
                    Ok(message) => Some(message),
                    Err(RecvTimeoutError::Timeout) => None,
                    Err(RecvTimeoutError::Disconnected) => return,
                }
            } else {
                match self.inbox.try_recv() {
                    Ok(message) => Some(message),
                    Err(TryRecvError::Empty) => None,
                    Err(TryRecvError::Disconnected) => return,
                }
            };
            let began = Instant::now();
            let is_stopping = self.take_messages(next);
            if is_stopping {
                self.attempt(Self::write_all);
                return;
            }
            let live_took = began.elapsed();
            self.work_late_after(live_took);
            self.attempt(Self::announce_overdue);
            if self.late.is_empty() || self.failed {
                for waiting in self.waiting.drain(..) {
                    // Whoever asked may have gone.
                    let _ = waiting.send(());
                }
            }
        }
    }

    /// Late work follows each live commit, one piece at least and for a share of the time that the
    /// commit took: so neither holds up the other, however much of both there is. How much is done
    /// at once changes when something is found, never what.
    fn work_late_after(&mut self, live_took: Duration) {
        let began = Instant::now();
        loop {
            self.attempt(Self::work_late);
            if self.late.is_empty() || self.failed || began.elapsed() >= live_took / LATE_SHARE {
                return;
            }
        }
    }

    fn attempt(&mut self, act: impl FnOnce(&mut Self) -> Result<(), LedgerError>) {
        if self.failed {
            return;
        }
        if let Err(error) = act(self) {
            // From here on batches are let go, so that nobody waits for their permits; all of them
            // are stored and will be judged after the restart.
            self.failed = true;
            self.inner.shared.shutdown.fail(&status::chain(&error));
        }
    }

    /// Takes what is waiting, up to one commit's worth; `true` when told to stop.
    fn take_messages(&mut self, first: Option<Message>) -> bool {
        let (mut jobs, mut set_aside) = (Vec::new(), Vec::new());
        let mut n_samples = 0;
        let mut is_stopping = false;
        let mut next = first;
        while let Some(message) = next {
            match message {
                Message::Job(job) => {
                    n_samples += job.batch.len();
                    jobs.push(job);
                }
                Message::SetAside(unit, epoch, sequence) => {
                    set_aside.push((unit, epoch, sequence));
                }
                Message::Revalidate(Some(unit)) => self.mark_late(&unit, NOTHING_LATE),
                Message::Revalidate(None) => {
                    let units: Vec<UnitId> = self.units.keys().cloned().collect();
                    for unit in units {
                        self.mark_late(&unit, NOTHING_LATE);
                    }
                }
                Message::Idle(waiting) => self.waiting.push(waiting),
                Message::Stop => {
                    is_stopping = true;
                    break;
                }
            }
            if jobs.len() + set_aside.len() >= JOBS_AT_ONCE || n_samples >= SAMPLES_AT_ONCE {
                break;
            }
            next = self.inbox.try_recv().ok();
        }
        if !jobs.is_empty() || !set_aside.is_empty() {
            self.attempt(|shard| shard.judge_live(jobs, set_aside));
        }
        is_stopping
    }

    fn mark_late(&mut self, unit: &UnitId, from: EventTime) {
        let now = self.inner.ledger.now();
        let state = self.units.entry(unit.clone()).or_default();
        if !state.is_late() {
            self.late.push_back(unit.clone());
            self.inner.shared.metrics.units_late_now.add(1);
        }
        state.late_since.get_or_insert(now);
        state.dirty = Some(state.dirty.map_or(from, |dirty| dirty.min(from)));
        if from != NOTHING_LATE {
            state.memory.note_dirty(from);
        }
    }

    fn judge_live(
        &mut self,
        jobs: Vec<JudgeJob>,
        set_aside: Vec<(UnitId, Epoch, u64)>,
    ) -> Result<(), LedgerError> {
        let n_jobs = jobs.len() as u64;
        let mut touched = BTreeSet::new();
        for job in jobs {
            touched.insert(job.unit.clone());
            self.feed(job);
        }
        for (unit, epoch, sequence) in set_aside {
            self.know(&unit);
            if let Some(state) = self.units.get_mut(&unit) {
                state.memory.judged.insert(epoch, sequence);
                touched.insert(unit);
            }
        }
        let now = self.inner.ledger.now();
        let mut documents = Documents::new();
        let mut found = Vec::new();
        let mut faults = Vec::new();
        let mut heard = Vec::new();
        for unit in &touched {
            let Some(state) = self.units.get_mut(unit) else {
                continue;
            };
            let terms = state.terms(now);
            heard.push((unit, terms));
            state.memory.asked_from = self.inner.untaken.first(unit);
            write_judged(unit, Whose::Own, &state.memory, &mut documents)?;
            let Some(live) = &mut state.live else {
                continue;
            };
            let mut judgement = Judgement::default();
            live.judge.judge(&mut judgement);
            let store = self.inner.shared.store.as_ref();
            let made = (judgement.checkpoints.as_slice(), &*live.basis);
            add_checkpoints(store, unit, made, state.newest, &mut documents)?;
            faults.push((unit.clone(), judgement.faults));
            found.push(Found {
                unit: unit.clone(),
                terms,
                occurrences: last_of_each(judgement.changes),
            });
        }
        // First, so that whoever is told of the alerts finds the faults of the same ticks.
        for (unit, faults) in faults {
            self.inner.note_faults(&unit, faults);
        }
        let books = self.inner.rulebooks();
        let n_raised = self
            .inner
            .ledger
            .write(UPDATED_BY_TELEMETRY, documents, |planner| {
                for (unit, terms) in heard {
                    end_left_out(planner, unit, &books, terms);
                }
                found.iter().map(|found| plan_live(planner, found)).sum()
            })?;
        self.inner.shared.metrics.batches_judged.add(n_jobs);
        self.inner.shared.metrics.alerts_raised.add(n_raised);
        self.tell(&touched, now)
    }

    /// Begins with a unit that came after the start.
    fn know(&mut self, unit: &UnitId) {
        if !self.units.contains_key(unit) {
            self.mark_late(unit, NOTHING_LATE);
        }
    }

    fn feed(&mut self, job: JudgeJob) {
        let JudgeJob {
            unit,
            epoch,
            sequence,
            batch,
            received_at: _,
            permit,
        } = job;
        self.know(&unit);
        let mut late_from = None;
        if let Some(state) = self.units.get_mut(&unit) {
            if let Some(through) = batch.complete_through {
                let known = state.memory.complete_through;
                state.memory.complete_through =
                    Some(known.map_or(through, |known| known.max(through)));
            }
            if let Some((first, last)) = batch.span() {
                let newest = state.newest.map_or(last, |newest| newest.max(last));
                state.newest = Some(newest);
                if last >= newest.plus_ms(-HORIZON_MS) {
                    late_from = state.hear(&batch, (epoch, sequence), first);
                }
            }
            state.memory.judged.insert(epoch, sequence);
        }
        if let Some(from) = late_from {
            self.mark_late(&unit, from);
        }
        drop(permit);
    }

    /// Announces what need not wait, and settles what was promised to be complete.
    fn tell(&self, units: &BTreeSet<UnitId>, now: ServerTime) -> Result<(), LedgerError> {
        let books = self.inner.rulebooks();
        let ledger = &self.inner.ledger;
        ledger.write(UPDATED_BY_TELEMETRY, Documents::new(), |planner| {
            for unit in units {
                if let Some(state) = self.units.get(unit) {
                    let is_own = |rule: &_| books.whose(rule) == Whose::Own;
                    tell_all(planner, unit, state.terms(now), is_own);
                }
            }
        })
    }

    fn announce_overdue(&mut self) -> Result<(), LedgerError> {
        let now = self.inner.ledger.now();
        let overdue: BTreeSet<UnitId> = self
            .late
            .iter()
            .filter(|unit| {
                self.units
                    .get(*unit)
                    .is_some_and(|state| !state.terms(now).withhold)
            })
            .cloned()
            .collect();
        if overdue.is_empty() {
            return Ok(());
        }
        self.tell(&overdue, now)
    }

    /// One piece of the first unit's late work.
    fn work_late(&mut self) -> Result<(), LedgerError> {
        let Some(unit) = self.late.front().cloned() else {
            return Ok(());
        };
        let inner = Arc::clone(&self.inner);
        let Some(state) = self.units.get_mut(&unit) else {
            self.late.pop_front();
            inner.shared.metrics.units_late_now.sub(1);
            return Ok(());
        };
        if state.work.is_none() {
            let is_begun = begin(&inner, &unit, state)?;
            if !is_begun {
                self.late.pop_front();
                inner.shared.metrics.units_late_now.sub(1);
            }
            return Ok(());
        }
        let Some(work) = &mut state.work else {
            return Ok(());
        };
        if !work.step(&inner.shared, state.newest)? {
            return Ok(());
        }
        let Some(work) = state.work.take() else {
            return Ok(());
        };
        finish(&inner, &unit, state, *work)?;
        let now = inner.ledger.now();
        self.late.pop_front();
        if state.is_late() {
            // Something older came in meanwhile: after the others.
            self.late.push_back(unit.clone());
        } else {
            inner.shared.metrics.units_late_now.sub(1);
        }
        self.tell(&BTreeSet::from([unit]), now)
    }

    /// Writes what every unit's judge remembers, so that the next start has little to do.
    fn write_all(&mut self) -> Result<(), LedgerError> {
        let mut documents = Documents::new();
        for (unit, state) in &self.units {
            if let Some(live) = &state.live
                && let Some(checkpoint) = live.judge.checkpoint()
            {
                write_checkpoint(unit, &checkpoint, &live.basis, &mut documents)?;
            }
            let memory = UnitMemory {
                asked_from: self.inner.untaken.first(unit),
                ..state.memory.clone()
            };
            write_judged(unit, Whose::Own, &memory, &mut documents)?;
            if documents.len() >= JOBS_AT_ONCE {
                let documents = std::mem::take(&mut documents);
                self.inner
                    .ledger
                    .write(UPDATED_BY_TELEMETRY, documents, |_| ())?;
            }
        }
        self.inner
            .ledger
            .write(UPDATED_BY_TELEMETRY, documents, |_| ())
    }
}

/// Begins a unit's late work; `false` when nothing is to be done.
fn begin(inner: &Inner, unit: &UnitId, state: &mut UnitState) -> Result<bool, LedgerError> {
    let from = state.dirty.take().unwrap_or(NOTHING_LATE);
    let Some(record) = inner.shared.fleet.get(unit) else {
        // Units are never deleted, and ingest takes data of known ones only.
        state.late_since = None;
        return Ok(false);
    };
    state.work_is_whole = from == ANYTHING_LATE;
    let before = (from != NOTHING_LATE).then_some(from);
    let planned = inner.rulebooks().own.plan(&inner.shared, &record);
    let basis = Arc::clone(&planned.basis);
    let (plan, context) = (Arc::clone(&planned.plan), Arc::clone(&planned.context));
    if let Some(work) = Rejudge::begin(&inner.shared, unit, planned, before)? {
        state.work = Some(Box::new(work));
        return Ok(true);
    }
    let judge = UnitJudge::new(plan, context);
    state.live = Some(Live {
        judge,
        basis,
        over: None,
    });
    state.late_since = None;
    Ok(false)
}

/// Ends what stands of versions that are left out and were retired, once the unit was heard after that.
fn end_left_out(planner: &mut Planner<'_>, unit: &UnitId, books: &RuleBooks, terms: Terms) {
    if !books.leave_any_out() {
        return;
    }
    for alert in planner.book().standing_of(unit) {
        let until = books.left_out_until(&alert.rule().reference);
        if let Some(until) = until.filter(|until| terms.watermark > Some(*until)) {
            let ended = Occurrence {
                ended_at: Some(until),
                superseded: true,
                ..alert.occurred()
            };
            planner.end(alert, ended, terms);
        }
    }
}

/// Makes the ledger agree with a finished work, and goes on live with its judge.
fn finish(
    inner: &Inner,
    unit: &UnitId,
    state: &mut UnitState,
    work: Rejudge,
) -> Result<(), LedgerError> {
    let Rejudge {
        planned,
        judge,
        taken,
        from,
        base,
        occurrences,
        checkpoints,
        faults,
        ..
    } = work;
    state.newest = state.newest.max(judge.watermark());
    state.memory.dirty_from = state.dirty.filter(|dirty| *dirty != NOTHING_LATE);
    if state.work_is_whole {
        // No more than that: a batch that is on disk and not told yet stays unknown, so that rules which
        // ask mates do not lose it if the service is killed now.
        let stored_at_start = std::mem::take(&mut state.stored_at_start);
        state.memory.judged.merge(stored_at_start);
    }
    state.covered = Some(Covered { taken, base });
    if state.dirty.is_none() {
        state.late_since = None;
    }
    let mut documents = Documents::new();
    let store = inner.shared.store.as_ref();
    let made = (checkpoints.as_slice(), &*planned.basis);
    replace_checkpoints(store, unit, made, (base, state.newest), &mut documents)?;
    state.memory.asked_from = inner.untaken.first(unit);
    write_judged(unit, Whose::Own, &state.memory, &mut documents)?;
    let terms = state.terms(inner.ledger.now());
    let judged: Vec<Occurrence> = occurrences.into_values().collect();
    inner.reset_faults(unit, Whose::Own, judge.checkpoint(), faults);
    let books = inner.rulebooks();
    let n_raised = inner
        .ledger
        .write(UPDATED_BY_TELEMETRY, documents, |planner| {
            let is_own = |rule: &_| books.is_judged_by(rule, Whose::Own);
            end_left_out(planner, unit, &books, terms);
            plan_again(planner, unit, &judged, from, terms, is_own)
        })?;
    inner.shared.metrics.alerts_raised.add(n_raised);
    state.live = Some(Live {
        judge,
        basis: planned.basis,
        over: planned.over,
    });
    Ok(())
}
