//! The thread that judges rules which ask a unit's mates.
//!
//! Such a rule looks at several units, whose data comes in several streams, so it is judged apart from the
//! units' other rules, which do not wait. It reads what is stored: told that a batch is on disk, it looks
//! which units' ticks can be judged now, reads what they need of the unit and its mates, and judges. So
//! nothing is held between store and judge, and what comes for ticks already judged is taken in as
//! everywhere: the unit is judged again from a checkpoint (`rejudge`).

use super::Inner;
use super::ledger::{Documents, LedgerError};
use super::memory::{HORIZON_MS, UnitMemory, Whose, read_judged, write_checkpoint, write_judged};
use super::outcome::{
    Found, add_checkpoints, plan_again, plan_live, replace_checkpoints, tell_all,
};
use super::rejudge::Rejudge;
use super::rulebook::{Planned, RuleBooks};
use super::shard::{LOOK_EVERY, NOTHING_LATE, WITHHOLD_MS};
use crate::{UnitRecord, status};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet, VecDeque};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError};
use tokio::sync::{OwnedSemaphorePermit, oneshot};
use wheeltap_followup::{Terms, UPDATED_BY_TELEMETRY};
use wheeltap_judge::Occurrence;
use wheeltap_model::{EventTime, ServerTime, UnitId};
use wheeltap_store::{Epoch, StoreError};

/// Messages taken before a piece of work is done.
const MESSAGES_AT_ONCE: usize = 4_096;
/// Documents in one commit at most.
const DOCUMENTS_AT_ONCE: usize = 512;

/// What the thread is told, in order.
pub enum Message {
    /// A batch is on disk.
    Stored(Stored),
    /// Rules, or what is known of one unit, changed.
    Revalidate(Option<UnitId>),
    /// Answered once nothing is left to do.
    Idle(oneshot::Sender<()>),
    Stop,
}

/// A batch that is on disk.
pub struct Stored {
    pub unit: UnitId,
    pub epoch: Epoch,
    pub sequence: u64,
    /// First and last event time; `None` when it is empty.
    pub span: Option<(EventTime, EventTime)>,
    pub complete_through: Option<EventTime>,
    /// Kept until it is taken note of, so that batches wait at the gateways when there are too many.
    pub permit: Arc<OwnedSemaphorePermit>,
}

/// A unit whose rules ask mates.
struct Subject {
    planned: Planned,
    /// What judges it; `None` until first begun, and while nothing of it is stored.
    work: Option<Box<Rejudge>>,
    /// The work goes over ticks that were judged before, and the ledger does not agree with it yet.
    is_again: bool,
    /// To be judged again from this event time; the end of time: from the newest checkpoint of use.
    dirty: Option<EventTime>,
    /// As it stands in the store.
    marked: Option<EventTime>,
    newest: Option<EventTime>,
    /// Ticks up to here are judged and in the ledger.
    written_to: Option<EventTime>,
    late_since: Option<ServerTime>,
    is_queued: bool,
}

impl Subject {
    const fn is_late(&self) -> bool {
        self.is_again || self.dirty.is_some()
    }

    fn withholds(&self, now: ServerTime) -> bool {
        self.is_late()
            && self
                .late_since
                .is_none_or(|since| now.unix_ms() - since.unix_ms() < WITHHOLD_MS)
    }

    /// Takes note of a batch of the unit itself; gives the instant from which it is late.
    fn hear_own(&mut self, (first, last): (EventTime, EventTime)) -> Option<EventTime> {
        let newest = self.newest.map_or(last, |newest| newest.max(last));
        self.newest = Some(newest);
        let Some(work) = &mut self.work else {
            // A checkpoint may be later than it.
            return Some(first);
        };
        work.judge.heard(last);
        let is_late = first <= work.position() && last >= newest.plus_ms(-HORIZON_MS);
        is_late.then_some(first)
    }

    /// The same of a mate's.
    fn hear_mate(&mut self, mate: &UnitId, span: (EventTime, EventTime)) -> Option<EventTime> {
        let (first, last) = span;
        let Some(work) = &mut self.work else {
            return Some(first);
        };
        let mates = work.planned.context.mates.all();
        let idx = mates.binary_search_by(|known| known.unit.cmp(mate)).ok()?;
        work.judge.heard_mate(idx, last);
        let since = self.newest.map(|newest| newest.plus_ms(-HORIZON_MS));
        let to = last.min(work.position());
        let is_late =
            since.is_none_or(|since| last >= since) && work.judge.needs_mate(idx, first, to);
        is_late.then_some(first)
    }
}

/// The thread's state.
pub struct Asking {
    inner: Arc<Inner>,
    inbox: Receiver<Message>,
    subjects: HashMap<UnitId, Subject>,
    /// Units of which it is known whether they have such rules.
    looked_at: HashSet<UnitId>,
    /// Who asks a unit.
    askers: HashMap<UnitId, BTreeSet<UnitId>>,
    complete_through: HashMap<UnitId, EventTime>,
    /// From when on a service before this one may not have taken a unit's batches.
    left: HashMap<UnitId, EventTime>,
    /// Subjects with something to do, each once.
    queue: VecDeque<UnitId>,
    waiting: Vec<oneshot::Sender<()>>,
    failed: bool,
}

impl Asking {
    /// Begins with nothing looked at.
    pub fn new(inner: Arc<Inner>, inbox: Receiver<Message>) -> Self {
        Self {
            inner,
            inbox,
            subjects: HashMap::new(),
            looked_at: HashSet::new(),
            askers: HashMap::new(),
            complete_through: HashMap::new(),
            left: HashMap::new(),
            queue: VecDeque::new(),
            waiting: Vec::new(),
            failed: false,
        }
    }

    /// Runs until told to stop.
    pub fn run(mut self) {
        self.attempt(Self::look_at_all);
        loop {
            let next = if self.queue.is_empty() {
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
            if self.take_messages(next) {
                self.attempt(Self::write_all);
                return;
            }
            self.attempt(Self::work);
            self.attempt(Self::announce_overdue);
            if self.queue.is_empty() || self.failed {
                for waiting in self.waiting.drain(..) {
                    // Whoever asked may have gone.
                    let _ = waiting.send(());
                }
            }
        }
    }

    fn attempt(&mut self, act: impl FnOnce(&mut Self) -> Result<(), LedgerError>) {
        if self.failed {
            return;
        }
        if let Err(error) = act(self) {
            self.failed = true;
            self.inner.shared.shutdown.fail(&status::chain(&error));
        }
    }

    /// Takes what is waiting; `true` when told to stop.
    fn take_messages(&mut self, first: Option<Message>) -> bool {
        let mut stored = Vec::new();
        let mut is_stopping = false;
        let mut next = first;
        while let Some(message) = next {
            match message {
                Message::Stored(batch) => stored.push(batch),
                Message::Revalidate(unit) => {
                    let batches = std::mem::take(&mut stored);
                    self.attempt(|asking| asking.take(batches));
                    self.attempt(|asking| asking.revalidate(unit.as_ref()));
                }
                Message::Idle(waiting) => self.waiting.push(waiting),
                Message::Stop => {
                    is_stopping = true;
                    break;
                }
            }
            if stored.len() >= MESSAGES_AT_ONCE {
                break;
            }
            next = self.inbox.try_recv().ok();
        }
        self.attempt(|asking| asking.take(stored));
        is_stopping
    }

    /// Notes batches: who can go on, and whose judged ticks they concern.
    fn take(&mut self, batches: Vec<Stored>) -> Result<(), LedgerError> {
        let inner = Arc::clone(&self.inner);
        let mut heard = BTreeSet::new();
        for batch in &batches {
            // A unit that came after the start.
            if !self.looked_at.contains(&batch.unit)
                && let Some(record) = inner.shared.fleet.get(&batch.unit)
            {
                self.look_at(&inner.rulebooks(), &record)?;
            }
            if let Some(through) = batch.complete_through {
                let known = self
                    .complete_through
                    .entry(batch.unit.clone())
                    .or_insert(through);
                *known = through.max(*known);
            }
            let Some(span) = batch.span else { continue };
            let mut late = Vec::new();
            if let Some(own) = self.subjects.get_mut(&batch.unit) {
                heard.insert(batch.unit.clone());
                late.extend(own.hear_own(span).map(|from| (batch.unit.clone(), from)));
            }
            for asker in self.askers.get(&batch.unit).into_iter().flatten() {
                if let Some(subject) = self.subjects.get_mut(asker) {
                    heard.insert(asker.clone());
                    let from = subject.hear_mate(&batch.unit, span);
                    late.extend(from.map(|from| (asker.clone(), from)));
                }
            }
            for (unit, from) in late {
                self.mark_late(&unit, from);
            }
        }
        for unit in &heard {
            self.queue_ready(unit);
        }
        self.write_marks(&heard)?;
        for batch in &batches {
            let key = (batch.epoch, batch.sequence);
            self.inner.untaken.take(&batch.unit, key);
        }
        let metrics = &self.inner.shared.metrics;
        metrics.asking_due_now.sub(batches.len() as u64);
        // Promises may settle what stands or has ended.
        let promised: BTreeSet<UnitId> = batches
            .iter()
            .filter(|batch| batch.complete_through.is_some())
            .flat_map(|batch| {
                let askers = self.askers.get(&batch.unit).into_iter().flatten();
                askers
                    .chain([&batch.unit])
                    .cloned()
                    .collect::<Vec<UnitId>>()
            })
            .collect();
        for batch in batches {
            drop(batch.permit);
        }
        self.tell(&promised)
    }

    fn mark_late(&mut self, unit: &UnitId, from: EventTime) {
        let now = self.inner.ledger.now();
        if let Some(subject) = self.subjects.get_mut(unit) {
            subject.late_since.get_or_insert(now);
            subject.dirty = Some(subject.dirty.map_or(from, |dirty| dirty.min(from)));
        }
        self.queue(unit);
    }

    fn queue(&mut self, unit: &UnitId) {
        if let Some(subject) = self.subjects.get_mut(unit)
            && !subject.is_queued
        {
            subject.is_queued = true;
            self.queue.push_back(unit.clone());
            self.inner.shared.metrics.asking_due_now.add(1);
        }
    }

    fn queue_ready(&mut self, unit: &UnitId) {
        let subject = self.subjects.get(unit);
        let is_ready = subject.is_some_and(|subject| {
            subject
                .work
                .as_ref()
                .map_or(subject.newest.is_some(), |work| work.judge.is_ready())
        });
        if is_ready {
            self.queue(unit);
        }
    }

    /// Writes from when on subjects are late, where the store does not say so.
    fn write_marks(&mut self, units: &BTreeSet<UnitId>) -> Result<(), LedgerError> {
        let mut documents = Documents::new();
        for unit in units {
            let Some(subject) = self.subjects.get_mut(unit) else {
                continue;
            };
            let dirty = subject.dirty.filter(|dirty| *dirty != NOTHING_LATE);
            let Some(from) = dirty.filter(|from| subject.marked.is_none_or(|known| known > *from))
            else {
                continue;
            };
            subject.marked = Some(from);
            write_mark(unit, subject.marked, &mut documents)?;
            if documents.len() >= DOCUMENTS_AT_ONCE {
                self.write(std::mem::take(&mut documents))?;
            }
        }
        self.write(documents)
    }

    fn write(&self, documents: Documents) -> Result<(), LedgerError> {
        self.inner
            .ledger
            .write(UPDATED_BY_TELEMETRY, documents, |_| ())
    }

    /// Looks at every unit for the first time.
    fn look_at_all(&mut self) -> Result<(), LedgerError> {
        let inner = Arc::clone(&self.inner);
        let books = inner.rulebooks();
        if books.ask() {
            let records = inner.shared.fleet.all();
            for record in &records {
                let unit = &record.unit.id;
                if let Some(from) = inner.untaken.left(unit) {
                    self.left.insert(unit.clone(), from);
                }
            }
            for record in &records {
                self.look_at(&books, record)?;
            }
        }
        let all: BTreeSet<UnitId> = self.subjects.keys().cloned().collect();
        self.write_marks(&all)?;
        // What was left is marked now.
        for unit in self.left.keys() {
            inner.untaken.take_left(unit);
        }
        Ok(())
    }

    /// Rules, or what is known of one unit, changed: who rests on something else is judged again.
    fn revalidate(&mut self, unit: Option<&UnitId>) -> Result<(), LedgerError> {
        let inner = Arc::clone(&self.inner);
        let books = inner.rulebooks();
        if !books.ask() {
            return Ok(());
        }
        let fleet = &inner.shared.fleet;
        let records: Vec<Arc<UnitRecord>> = match unit {
            None => fleet.all(),
            Some(unit) => {
                let own: Vec<Arc<UnitRecord>> = fleet.get(unit).into_iter().collect();
                let sharing = own.iter().flat_map(|record| fleet.sharing_trains(record));
                // A train that it was in by mistake is still in its record's past askers.
                let askers = self.askers.get(unit).into_iter().flatten();
                let askers = askers.filter_map(|asker| fleet.get(asker));
                let all = own.iter().cloned().chain(sharing).chain(askers);
                let by_unit: BTreeMap<UnitId, Arc<UnitRecord>> =
                    all.map(|record| (record.unit.id.clone(), record)).collect();
                by_unit.into_values().collect()
            }
        };
        for record in records {
            self.look_at(&books, &record)?;
        }
        Ok(())
    }

    /// Looks whether what a unit's rules rest on is still what it was.
    fn look_at(&mut self, books: &RuleBooks, record: &UnitRecord) -> Result<(), LedgerError> {
        let unit = &record.unit.id;
        self.looked_at.insert(unit.clone());
        let planned = books.asking.plan(&self.inner.shared, record);
        let from = match self.subjects.get_mut(unit) {
            Some(subject) => {
                if subject.planned.basis.is_same(&planned.basis) {
                    return Ok(());
                }
                subject.planned = planned.clone();
                NOTHING_LATE
            }
            None if planned.plan.n_slots() == 0 => return Ok(()),
            None => {
                let store = self.inner.shared.store.as_ref();
                let mates = planned.context.mates.all().iter().map(|mate| &mate.unit);
                let asked = mates.chain([unit]);
                for unit in asked.clone() {
                    if !self.complete_through.contains_key(unit)
                        && let Some(known) = read_judged(store, unit, Whose::Own)?
                        && let Some(through) = known.complete_through
                    {
                        self.complete_through.insert(unit.clone(), through);
                    }
                }
                let left = asked.filter_map(|unit| self.left.get(unit));
                let known = read_judged(store, unit, Whose::Asking)?;
                let marked = known.and_then(|known| known.dirty_from);
                let from = left.copied().chain(marked).min().unwrap_or(NOTHING_LATE);
                let subject = Subject {
                    planned: planned.clone(),
                    work: None,
                    is_again: false,
                    dirty: None,
                    marked,
                    newest: None,
                    written_to: None,
                    late_since: None,
                    is_queued: false,
                };
                self.subjects.insert(unit.clone(), subject);
                from
            }
        };
        for mate in planned.context.mates.all() {
            let askers = self.askers.entry(mate.unit.clone()).or_default();
            askers.insert(unit.clone());
        }
        self.mark_late(unit, from);
        Ok(())
    }

    /// One piece of the first subject's work.
    fn work(&mut self) -> Result<(), LedgerError> {
        let Some(unit) = self.queue.pop_front() else {
            return Ok(());
        };
        self.work_on(unit)?;
        // Only now, so that nobody takes what goes on for done.
        self.inner.shared.metrics.asking_due_now.sub(1);
        Ok(())
    }

    fn work_on(&mut self, unit: UnitId) -> Result<(), LedgerError> {
        let inner = Arc::clone(&self.inner);
        let Some(subject) = self.subjects.get_mut(&unit) else {
            return Ok(());
        };
        subject.is_queued = false;
        if !subject.is_again && (subject.dirty.is_some() || subject.work.is_none()) {
            let dirty = subject.dirty.take().unwrap_or(NOTHING_LATE);
            let before = (dirty != NOTHING_LATE).then_some(dirty);
            let planned = subject.planned.clone();
            let begun = Rejudge::begin(&inner.shared, &unit, planned, before)?;
            subject.work = begun.map(Box::new);
            subject.is_again = subject.work.is_some();
            if subject.is_again {
                self.queue(&unit);
            } else {
                subject.late_since = None;
            }
            return Ok(());
        }
        let Some(work) = &mut subject.work else {
            return Ok(());
        };
        let is_done = work.step(&inner.shared, subject.newest)?;
        subject.newest = subject.newest.max(work.judge.watermark());
        if !is_done {
            self.queue(&unit);
            return Ok(());
        }
        if std::mem::take(&mut subject.is_again) {
            self.finish(&unit)?;
        } else {
            self.go_on(&unit)?;
        }
        let subject = self.subjects.get(&unit);
        if subject.is_some_and(|subject| subject.dirty.is_some()) {
            self.queue(&unit);
        }
        self.queue_ready(&unit);
        self.tell(&BTreeSet::from([unit]))
    }

    fn terms(&self, subject: &Subject, unit: &UnitId) -> Terms {
        let since = subject.newest.unwrap_or(NOTHING_LATE).plus_ms(-HORIZON_MS);
        let mates = subject.planned.context.mates.all().iter();
        let concerned = mates.filter(|mate| mate.is_one_after(since));
        let concerned = concerned.map(|mate| &mate.unit).chain([unit]);
        let through: Option<Vec<EventTime>> = concerned
            .map(|unit| self.complete_through.get(unit).copied())
            .collect();
        Terms {
            withhold: subject.withholds(self.inner.ledger.now()),
            complete_through: through.and_then(|through| through.into_iter().min()),
            watermark: subject.newest,
        }
    }

    /// Makes the ledger agree with what was judged again.
    fn finish(&mut self, unit: &UnitId) -> Result<(), LedgerError> {
        let inner = Arc::clone(&self.inner);
        let Some(subject) = self.subjects.get_mut(unit) else {
            return Ok(());
        };
        if subject.dirty.is_none() {
            subject.late_since = None;
        }
        let Some(work) = &mut subject.work else {
            return Ok(());
        };
        let mut documents = Documents::new();
        let checkpoints = std::mem::take(&mut work.checkpoints);
        let basis = Arc::clone(&work.planned.basis);
        let store = inner.shared.store.as_ref();
        let made = (checkpoints.as_slice(), &*basis);
        replace_checkpoints(
            store,
            unit,
            made,
            (work.base, subject.newest),
            &mut documents,
        )?;
        subject.marked = subject.dirty.filter(|dirty| *dirty != NOTHING_LATE);
        write_mark(unit, subject.marked, &mut documents)?;
        let occurrences = std::mem::take(&mut work.occurrences);
        let judged: Vec<Occurrence> = occurrences.into_values().collect();
        let (from, checkpoint) = (work.from, work.judge.checkpoint());
        subject.written_to = work.judge.judged_through();
        let faults = std::mem::take(&mut work.faults);
        inner.reset_faults(unit, Whose::Asking, checkpoint, faults);
        let books = inner.rulebooks();
        let terms = match self.subjects.get(unit) {
            Some(subject) => self.terms(subject, unit),
            None => return Ok(()),
        };
        let n_raised = inner
            .ledger
            .write(UPDATED_BY_TELEMETRY, documents, |planner| {
                let is_own = |rule: &_| books.is_judged_by(rule, Whose::Asking);
                plan_again(planner, unit, &judged, from, terms, is_own)
            })?;
        inner.shared.metrics.alerts_raised.add(n_raised);
        Ok(())
    }

    /// Writes what was found at ticks that were judged for the first time.
    fn go_on(&mut self, unit: &UnitId) -> Result<(), LedgerError> {
        let inner = Arc::clone(&self.inner);
        let Some(subject) = self.subjects.get_mut(unit) else {
            return Ok(());
        };
        let Some(work) = &mut subject.work else {
            return Ok(());
        };
        let checkpoints = std::mem::take(&mut work.checkpoints);
        let mut documents = Documents::new();
        let made = (checkpoints.as_slice(), &*work.planned.basis);
        let store = inner.shared.store.as_ref();
        add_checkpoints(store, unit, made, subject.newest, &mut documents)?;
        let faults = std::mem::take(&mut work.faults);
        let occurrences = std::mem::take(&mut work.occurrences);
        let written_to = std::mem::replace(&mut subject.written_to, work.judge.judged_through());
        let is_raised = |found: &Occurrence| written_to.is_none_or(|to| found.raised_at > to);
        let mut occurrences: Vec<(Occurrence, bool)> = occurrences
            .into_values()
            .map(|found| {
                let is_raised = is_raised(&found);
                (found, is_raised)
            })
            .collect();
        occurrences.sort_by_key(|(found, _)| found.raised_at);
        if documents.is_empty() && occurrences.is_empty() && faults.is_empty() {
            return Ok(());
        }
        inner.note_faults(unit, faults);
        let Some(subject) = self.subjects.get(unit) else {
            return Ok(());
        };
        let found = Found {
            unit: unit.clone(),
            terms: self.terms(subject, unit),
            occurrences,
        };
        let n_raised = inner
            .ledger
            .write(UPDATED_BY_TELEMETRY, documents, |planner| {
                plan_live(planner, &found)
            })?;
        inner.shared.metrics.alerts_raised.add(n_raised);
        Ok(())
    }

    /// Announces what need not wait, and settles what was promised to be complete.
    fn tell(&self, units: &BTreeSet<UnitId>) -> Result<(), LedgerError> {
        if units.is_empty() {
            return Ok(());
        }
        let books = self.inner.rulebooks();
        let ledger = &self.inner.ledger;
        ledger.write(UPDATED_BY_TELEMETRY, Documents::new(), |planner| {
            for unit in units {
                if let Some(subject) = self.subjects.get(unit) {
                    let terms = self.terms(subject, unit);
                    let is_own = |rule: &_| books.whose(rule) == Whose::Asking;
                    tell_all(planner, unit, terms, is_own);
                }
            }
        })
    }

    fn announce_overdue(&mut self) -> Result<(), LedgerError> {
        let now = self.inner.ledger.now();
        let overdue = self.queue.iter().filter(|unit| {
            let subject = self.subjects.get(*unit);
            subject.is_some_and(|subject| subject.is_late() && !subject.withholds(now))
        });
        let overdue: BTreeSet<UnitId> = overdue.cloned().collect();
        self.tell(&overdue)
    }

    /// Writes what every subject's judge remembers, so that the next start has little to do.
    fn write_all(&mut self) -> Result<(), LedgerError> {
        let mut documents = Documents::new();
        for (unit, subject) in &self.subjects {
            let Some(work) = subject.work.as_ref().filter(|_| !subject.is_again) else {
                continue;
            };
            // What is judged and not in the ledger is judged again from an earlier one.
            if let Some(checkpoint) = work.judge.checkpoint()
                && work.judge.judged_through() == subject.written_to
                && subject.dirty.is_none()
            {
                write_checkpoint(unit, &checkpoint, &work.planned.basis, &mut documents)?;
            }
            if documents.len() >= DOCUMENTS_AT_ONCE {
                self.write(std::mem::take(&mut documents))?;
            }
        }
        self.write(documents)
    }
}

fn write_mark(
    unit: &UnitId,
    dirty_from: Option<EventTime>,
    documents: &mut Documents,
) -> Result<(), StoreError> {
    let memory = UnitMemory {
        dirty_from,
        ..UnitMemory::default()
    };
    write_judged(unit, Whose::Asking, &memory, documents)
}
