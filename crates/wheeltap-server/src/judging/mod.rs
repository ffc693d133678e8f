//! Judges what was stored, and keeps alerts and defects.
//!
//! Each unit belongs to one of a few threads, which owns the unit's judge. A batch that is on disk is
//! fed to it; what the judge finds is committed to the ledger together with what the judge
//! remembers, and only then anybody sees it. Data that comes late, what is recorded of a unit, a changed
//! rule book and a restart are all taken in the same way: the unit is judged again from the newest
//! checkpoint that is of use, with what is stored, and the ledger is made to agree (`rejudge`).
//!
//! What a killed service had stored and not judged is told by the sequences: each commit says which
//! were judged. Sequences that are stored at the start and not among them make the unit be judged again
//! over the whole settlement horizon, since nobody knows how late their data is.

mod asking;
mod classes;
mod cursor;
mod history;
mod ledger;
mod memory;
mod outcome;
mod ranges;
mod rejudge;
mod rulebook;
mod shard;
mod untaken;

pub(crate) use cursor::{Cursors, Place, expired, foreign};
pub use history::{FittedClass, History, Progress, Replay, Side};
pub use ledger::{Documents, Ledger, LedgerError};
pub use rulebook::Classes;
use rulebook::classes_of;
pub(crate) use rulebook::{check, facts, vetted};

use crate::threads::start_thread;
use crate::{Shared, StartError, status};
use memory::{Left, Whose};
use rulebook::{Compiled, FolderRule, RuleBooks};
use shard::{Message, Shard};
use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::thread::JoinHandle;
use tokio::sync::{OwnedSemaphorePermit, oneshot};
use untaken::Untaken;
use wheeltap_followup::Book;
use wheeltap_judge::{Checkpoint, FAULTS_TO_REPORT, FaultReport};
use wheeltap_model::{Batch, ClassName, EventTime, Part, RuleRef, RuleStage, ServerTime, UnitId};
use wheeltap_rules::{Rule, health_rules, is_written_from_catalogue};
use wheeltap_store::Epoch;

/// Judging threads: one a core, and at least two, so that one unit's long late work does not hold up
/// every other unit.
fn n_shards() -> usize {
    std::thread::available_parallelism().map_or(2, |n_cores| n_cores.get().max(2))
}

/// The identity under which rules of the settings' folder are lodged.
pub(crate) const BY_SETTINGS: &str = "settings";
/// Why rules go live without a trial that the service writes itself.
const WATCHES_SENSORS: &str = "written by the service from the catalogue; rings nobody";
/// Why such rules are retired.
const NOT_ASKED_FOR: &str = "the catalogue or the settings ask for it no more";
/// Why a new service's rule book is live from the beginning.
const OF_THE_SETTINGS: &str = "in the settings' rule book when the service first started";
/// The identity under which what is due by the clock is written.
pub(crate) const BY_CLOCK: &str = "clock";

/// One stored batch to be judged.
#[derive(Debug)]
pub struct JudgeJob {
    /// Who sent it.
    pub unit: UnitId,
    /// From which spool, and its number there: a restart tells by them what was stored and not judged.
    pub epoch: Epoch,
    /// Counted by the spool from 1.
    pub sequence: u64,
    /// What it sent.
    pub batch: Arc<Batch>,
    /// When the server received it.
    pub received_at: ServerTime,
    /// Its share of the bytes in flight, given back once it is judged and the thread that judges rules which ask
    /// mates has taken note of it: so neither's inbox grows without bound.
    pub permit: Arc<OwnedSemaphorePermit>,
}

/// On how many units a script rule fails, and how.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Faulted {
    /// Units on which it failed at the last ticks.
    pub n_units: usize,
    /// What the engine said last; empty when healthy.
    pub last_fault: String,
}

type Faults = BTreeMap<RuleRef, BTreeMap<(UnitId, Option<Part>), String>>;

struct Inner {
    shared: Arc<Shared>,
    ledger: Arc<Ledger>,
    rulebooks: RwLock<Arc<RuleBooks>>,
    compiled: Mutex<Compiled>,
    faults: Mutex<Faults>,
    untaken: Untaken,
    freezing: Mutex<classes::Tried>,
}

impl Inner {
    fn rulebooks(&self) -> Arc<RuleBooks> {
        Arc::clone(
            &self
                .rulebooks
                .read()
                .unwrap_or_else(PoisonError::into_inner),
        )
    }

    fn faults(&self) -> std::sync::MutexGuard<'_, Faults> {
        self.faults.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn note_faults(&self, unit: &UnitId, reports: Vec<FaultReport>) {
        let mut faults = self.faults();
        for report in reports {
            let FaultReport {
                rule,
                part,
                at,
                n_in_a_row,
                message,
            } = report;
            let key = (unit.clone(), part);
            if n_in_a_row == 0 {
                tracing::info!(rule = %rule.name, unit = %unit, %at, "a rule works again");
                if let Some(units) = faults.get_mut(&rule) {
                    units.remove(&key);
                }
            } else {
                tracing::warn!(rule = %rule.name, unit = %unit, %at, message, "a rule is faulted");
                faults.entry(rule).or_default().insert(key, message);
            }
        }
    }

    fn reset_faults(
        &self,
        unit: &UnitId,
        whose: Whose,
        checkpoint: Option<Checkpoint>,
        reports: Vec<FaultReport>,
    ) {
        let books = self.rulebooks();
        {
            let mut faults = self.faults();
            let own = faults
                .iter_mut()
                .filter(|(rule, _)| books.whose(rule) == whose);
            for (_, units) in own {
                units.retain(|(other, _), _| other != unit);
            }
            for slot in checkpoint.into_iter().flat_map(|kept| kept.slots) {
                if slot.n_faults >= FAULTS_TO_REPORT {
                    let units = faults.entry(slot.rule).or_default();
                    units.insert(
                        (unit.clone(), slot.part),
                        "fails since before the start".into(),
                    );
                }
            }
        }
        self.note_faults(unit, reports);
    }
}

/// The judging half of the service.
pub struct Judging {
    inner: Arc<Inner>,
    shards: Vec<Sender<Message>>,
    asking: Sender<asking::Message>,
    /// The one that asks mates first, as the others write what it has not taken.
    threads: Mutex<Vec<JoinHandle<()>>>,
}

impl Judging {
    /// Recovers what was known, lodges the rules of the settings' folder, and starts judging.
    ///
    /// Rules of the folder are live from the beginning of time when the rule book was empty, so that
    /// what is stored already is judged; later on new texts are lodged as drafts.
    ///
    /// # Errors
    /// A stop of the store, or rules that cannot be read.
    pub fn start(shared: Arc<Shared>) -> Result<Self, StartError> {
        let ledger = Ledger::open(Arc::clone(&shared)).map_err(not_started)?;
        lodge_by_settings(&shared, &ledger)?;
        let mut compiled = Compiled::new();
        let rulebooks = RuleBooks::new(&shared, &ledger.book(), &mut compiled);
        let untaken = Untaken::default();
        let n_shards = n_shards();
        let mut units: Vec<Vec<(UnitId, Left)>> = Vec::new();
        units.resize_with(n_shards, Vec::new);
        for record in shared.fleet.all() {
            let unit = record.unit.id.clone();
            let left = Left::read(shared.store.as_ref(), &unit)
                .map_err(|source| StartError::Store { source })?;
            if rulebooks.ask() {
                untaken.recover(&unit, &left);
            }
            units[shard_of(&unit, n_shards)].push((unit, left));
        }
        let inner = Arc::new(Inner {
            ledger: Arc::new(ledger),
            rulebooks: RwLock::new(Arc::new(rulebooks)),
            compiled: Mutex::new(compiled),
            faults: Mutex::new(Faults::new()),
            untaken,
            freezing: Mutex::default(),
            shared,
        });
        let no_thread = |error: std::io::Error| StartError::Rules {
            message: format!("no thread to judge them on: {error}"),
        };
        let (asking, inbox) = channel();
        let judge = asking::Asking::new(Arc::clone(&inner), inbox);
        let shared = &inner.shared;
        let thread = start_thread(shared, "judge-mates", move || judge.run()).map_err(no_thread)?;
        let mut shards = Vec::new();
        let mut threads = vec![thread];
        for (idx, units) in units.into_iter().enumerate() {
            let (sender, inbox) = channel();
            let judge = Shard::new(Arc::clone(&inner), inbox, units);
            let name = format!("judge-{idx}");
            let thread = start_thread(shared, name, move || judge.run()).map_err(no_thread)?;
            shards.push(sender);
            threads.push(thread);
        }
        Ok(Self {
            inner,
            shards,
            asking,
            threads: Mutex::new(threads),
        })
    }

    /// The ledger and its book.
    pub fn ledger(&self) -> &Arc<Ledger> {
        &self.inner.ledger
    }

    fn tell(&self, shard: usize, message: Message) {
        // A shard that has gone was told to stop; what is stored is judged at the next start.
        let _ = self.shards[shard].send(message);
    }

    fn tell_asking(&self, message: asking::Message) {
        // As above.
        let _ = self.asking.send(message);
    }

    /// Takes a batch that is on disk. Never blocks; the permits bound what is waiting.
    pub fn offer(&self, job: JudgeJob) {
        if self.inner.rulebooks().ask() {
            let span = job.batch.span();
            if let Some((first, _)) = span {
                let batch = (job.epoch, job.sequence);
                self.inner.untaken.add(&job.unit, batch, first);
            }
            self.inner.shared.metrics.asking_due_now.add(1);
            self.tell_asking(asking::Message::Stored(asking::Stored {
                unit: job.unit.clone(),
                epoch: job.epoch,
                sequence: job.sequence,
                span,
                complete_through: job.batch.complete_through,
                permit: Arc::clone(&job.permit),
            }));
        }
        self.tell(shard_of(&job.unit, self.shards.len()), Message::Job(job));
    }

    /// Takes note of a batch that is in quarantine: there is nothing in it to be judged.
    pub fn set_aside(&self, unit: &UnitId, epoch: Epoch, sequence: u64) {
        self.tell(
            shard_of(unit, self.shards.len()),
            Message::SetAside(unit.clone(), epoch, sequence),
        );
    }

    /// A unit's state or consist was recorded from `from` on: judged again from there.
    pub fn unit_changed(&self, unit: &UnitId, from: EventTime) {
        // Which checkpoints rest on something else shows in their digests; `from` need not be told.
        let _ = from;
        self.tell(
            shard_of(unit, self.shards.len()),
            Message::Revalidate(Some(unit.clone())),
        );
        self.tell_asking(asking::Message::Revalidate(Some(unit.clone())));
    }

    /// The rule book changed: all units are judged again as far as it matters. Compiles, so it
    /// belongs on a blocking thread.
    ///
    /// A rule that no longer compiles is left out and logged.
    pub fn rules_changed(&self) {
        self.renew_rulebook();
        for shard in 0..self.shards.len() {
            self.tell(shard, Message::Revalidate(None));
        }
        self.tell_asking(asking::Message::Revalidate(None));
    }

    /// Takes rules and class baselines from the book anew.
    fn renew_rulebook(&self) {
        let inner = &self.inner;
        // Held until the new book is in force: of two changes the later one stays.
        let mut compiled = inner
            .compiled
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        let rulebooks = RuleBooks::new(&inner.shared, &inner.ledger.book(), &mut compiled);
        let mut current = inner
            .rulebooks
            .write()
            .unwrap_or_else(PoisonError::into_inner);
        *current = Arc::new(rulebooks);
    }

    /// What the ledger says of every class.
    pub fn class_baselines(&self) -> Classes {
        classes_of(&self.inner.ledger.book())
    }

    /// Freezes the class baselines that are due by the server's clock, and has the units judged again
    /// from where they are in force. Reads stored data, so it belongs on a blocking thread; a second
    /// call waits for the first. Returns how many it froze.
    ///
    /// # Errors
    /// A stop, after which the service stops.
    pub fn freeze_class_baselines(&self) -> Result<usize, LedgerError> {
        let inner = &self.inner;
        let mut tried = inner
            .freezing
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        let frozen = classes::due(
            &inner.shared,
            &inner.ledger,
            &inner.rulebooks().all,
            &mut tried,
        )?;
        if frozen.is_empty() {
            return Ok(0);
        }
        let n_frozen = frozen.len();
        let classes: BTreeSet<ClassName> = frozen
            .iter()
            .filter_map(|baseline| baseline.class.clone())
            .collect();
        inner.ledger.write(BY_CLOCK, Documents::new(), |planner| {
            for baseline in frozen {
                planner.freeze(baseline);
            }
        })?;
        self.renew_rulebook();
        for record in inner.shared.fleet.all() {
            if classes.contains(&record.unit.class) {
                let unit = record.unit.id.clone();
                let shard = shard_of(&unit, self.shards.len());
                self.tell(shard, Message::Revalidate(Some(unit)));
            }
        }
        self.tell_asking(asking::Message::Revalidate(None));
        Ok(n_frozen)
    }

    /// Ends the mutes whose time is over by the server's clock; what then stands unmuted is told. Opens again what
    /// was closed without a finding though it stands. Blocks.
    ///
    /// # Errors
    /// A stop, after which the service stops.
    pub fn lapse_mutes(&self) -> Result<(), LedgerError> {
        let ledger = &self.inner.ledger;
        let now = ledger.now();
        let is_due = {
            let book = ledger.book();
            book.muting()
                .any(|mute| mute.until.is_some_and(|until| until <= now))
        };
        if is_due {
            ledger.write(BY_CLOCK, Documents::new(), |planner| {
                planner.lapse();
            })?;
        }
        let is_hidden = ledger.book().closed_though_standing().next().is_some();
        if is_hidden {
            ledger.write(BY_CLOCK, Documents::new(), |planner| {
                planner.reopen_what_stands();
            })?;
        }
        Ok(())
    }

    /// On how many units a version fails; on all of them when it is left out.
    pub fn faulted(&self, rule: &RuleRef) -> Faulted {
        if let Some(problems) = self.inner.rulebooks().left_out(rule) {
            return Faulted {
                n_units: self.inner.shared.fleet.all().len(),
                last_fault: format!("it is not judged: {problems}"),
            };
        }
        let faults = self.inner.faults();
        let Some(units) = faults.get(rule) else {
            return Faulted::default();
        };
        let mut names: Vec<&UnitId> = units.keys().map(|(unit, _)| unit).collect();
        names.dedup();
        Faulted {
            n_units: names.len(),
            last_fault: units.values().next_back().cloned().unwrap_or_default(),
        }
    }

    /// Returns once everything offered is judged, late work included.
    ///
    /// # Cancel safety
    /// Dropping the future loses nothing.
    pub async fn idle(&self) {
        let mut answers = Vec::new();
        for shard in 0..self.shards.len() {
            let (asked, answer) = oneshot::channel();
            self.tell(shard, Message::Idle(asked));
            answers.push(answer);
        }
        let (asked, answer) = oneshot::channel();
        self.tell_asking(asking::Message::Idle(asked));
        answers.push(answer);
        for answer in answers {
            // An error means that the shard has ended: nothing more will be judged.
            let _ = answer.await;
        }
    }

    /// Finishes what was offered, writes its state and ends. Late work goes on at the next start.
    pub fn stop(&self) {
        let mut threads = self.threads.lock().unwrap_or_else(PoisonError::into_inner);
        self.tell_asking(asking::Message::Stop);
        for (idx, thread) in threads.drain(..).enumerate() {
            if idx == 1 {
                for shard in 0..self.shards.len() {
                    self.tell(shard, Message::Stop);
                }
            }
            // One that panicked has said so itself.
            let _ = thread.join();
        }
    }
}

fn shard_of(unit: &UnitId, n_shards: usize) -> usize {
    let mut hasher = DefaultHasher::new();
    unit.hash(&mut hasher);
    usize::try_from(hasher.finish() % n_shards as u64).unwrap_or(0)
}

fn not_started(error: LedgerError) -> StartError {
    match error {
        LedgerError::Store { source } => StartError::Store { source },
        other => StartError::Rules {
            message: status::chain(&other),
        },
    }
}

/// Lodges what the settings name: the folder's rules, and those that the catalogue asks for; those that it
/// asks for no more are retired.
fn lodge_by_settings(shared: &Shared, ledger: &Ledger) -> Result<(), StartError> {
    let is_first = ledger.book().rule_names().next().is_none();
    lodge_folder(shared, ledger, is_first)?;
    let from = if is_first {
        EventTime::from_unix_ms(i64::MIN)
    } else {
        EventTime::from_unix_ms(ledger.now().unix_ms())
    };
    let asked_for = if shared.settings.channel_health {
        health_rules(&shared.catalogue)
    } else {
        Vec::new()
    };
    let mut rules = Vec::new();
    for (name, source) in asked_for {
        let rule = check(shared, &name, &source).map_err(|problems| StartError::Rules {
            message: rulebook::lines(&problems),
        })?;
        rules.push(rule);
    }
    let (stages, fresh) = sensor_stages(&ledger.book(), &rules);
    ledger
        .write(BY_SETTINGS, Documents::new(), |planner| {
            for rule in fresh {
                planner.lodge(&rule.reference, &rule.source, facts(rule), None, "")?;
            }
            Ok(())
        })
        .map_err(not_started)?
        .map_err(|refusal| refused(&refusal))?;
    ledger
        .write(BY_SETTINGS, Documents::new(), |planner| {
            for (rule, stage) in &stages {
                let why = if *stage == RuleStage::Retired {
                    NOT_ASKED_FOR
                } else {
                    WATCHES_SENSORS
                };
                planner.stage(rule, *stage, from, why, "")?;
            }
            Ok(())
        })
        .map_err(not_started)?
        .map_err(|refusal| refused(&refusal))
}

/// Where the versions written from the catalogue are to be moved, and which of those asked for are new. What
/// a person moved stays.
fn sensor_stages<'a>(
    book: &Book,
    asked_for: &'a [Rule],
) -> (Vec<(RuleRef, RuleStage)>, Vec<&'a Rule>) {
    let is_ours = |rule: &RuleRef, stage: RuleStage| {
        let change = book.rule_stage(rule);
        change.is_some_and(|change| change.stage == stage && change.by == BY_SETTINGS)
    };
    let (mut live, mut fresh) = (Vec::new(), Vec::new());
    for rule in asked_for {
        let reference = &rule.reference;
        if book.rule_version(reference).is_none() {
            fresh.push(rule);
            live.push(reference.clone());
        } else if is_ours(reference, RuleStage::Retired) {
            live.push(reference.clone());
        }
    }
    let mut stages = Vec::new();
    for version in book.rule_names().flat_map(|name| book.rule_versions(name)) {
        let reference = &version.reference;
        let is_asked_for = asked_for.iter().any(|rule| rule.reference == *reference);
        // One that goes live retires the one before it.
        let is_replaced = live.iter().any(|other| other.name == reference.name);
        if is_written_from_catalogue(&version.source)
            && is_ours(reference, RuleStage::Live)
            && !is_asked_for
            && !is_replaced
        {
            stages.push((reference.clone(), RuleStage::Retired));
        }
    }
    stages.extend(live.into_iter().map(|rule| (rule, RuleStage::Live)));
    (stages, fresh)
}

fn lodge_folder(shared: &Shared, ledger: &Ledger, is_first: bool) -> Result<(), StartError> {
    let Some(folder) = &shared.settings.rules else {
        return Ok(());
    };
    let rules = rulebook::read_folder(shared, folder)?;
    ledger
        .write(BY_SETTINGS, Documents::new(), |planner| {
            for FolderRule { rule, cases } in &rules {
                let (facts, cases) = (facts(rule), cases.clone());
                planner.lodge(&rule.reference, &rule.source, facts, cases, "")?;
            }
            Ok(())
        })
        .map_err(not_started)?
        .map_err(|refusal| refused(&refusal))?;
    if !is_first {
        return Ok(());
    }
    let from = EventTime::from_unix_ms(i64::MIN);
    ledger
        .write(BY_SETTINGS, Documents::new(), |planner| {
            for FolderRule { rule, .. } in &rules {
                planner.stage(&rule.reference, RuleStage::Live, from, OF_THE_SETTINGS, "")?;
            }
            Ok(())
        })
        .map_err(not_started)?
        .map_err(|refusal| refused(&refusal))
}

fn refused(refusal: &wheeltap_followup::Refusal) -> StartError {
    StartError::Rules {
        message: refusal.to_string(),
    }
}
