//! Whether a repair has held: what the rules that called a defect have seen of it since.
//!
//! It follows from telemetry, and late data may change it: what was found is kept for minutes at most, and never
//! on disk.

use crate::Shared;
use crate::blocking::blocking;
use crate::judging::{BY_CLOCK, History, Judging, LedgerError, check};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::num::NonZero;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::Semaphore;
use tonic::Status;
use wheeltap_followup::{DefectQuery, KeptDefect};
use wheeltap_model::{
    Condition, DefectId, EventTime, Finding, FindingKind, Part, RuleRef, ServerTime, UnitId,
};
use wheeltap_proto::{convert, v1};
use wheeltap_rules::Rule;
use wheeltap_store::StoreError;

/// A repair that an alert outlasted is looked at again after so much more data: all of it since the repair is
/// judged each time.
const LOOK_AGAIN_MS: i64 = 15 * 60_000;

/// What was found of a repair is good until so much of its span more was heard, as a share: looking judges all
/// of it.
const STALE_SHARE: i64 = 1_000;
/// And for so long by the server's clock, as late data does not show in what was heard last.
const STALE_MS: i64 = 10 * 60_000;
/// Repairs of which is kept what was found.
const MOST_KEPT: usize = 4_096;

/// What telemetry says of a repair.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AfterRepair {
    /// Every rule that had called it was able to see it since, and saw it clear; the last of them then.
    Held(EventTime),
    /// It was seen again first then.
    NotHeld(EventTime),
    /// Some rule has had no chance to see it since.
    NotYetTested,
}

impl AfterRepair {
    /// As the contract has it, with the first instant that showed it.
    pub fn to_wire(since: Option<Self>) -> (v1::AfterRepair, Option<i64>) {
        match since {
            None => (v1::AfterRepair::Unspecified, None),
            Some(Self::Held(at)) => (v1::AfterRepair::Held, Some(at.unix_ms())),
            Some(Self::NotHeld(at)) => (v1::AfterRepair::NotHeld, Some(at.unix_ms())),
            Some(Self::NotYetTested) => (v1::AfterRepair::NotYetTested, None),
        }
    }
}

/// Looks at repairs for whoever asks, as many at a time as there are cores: each takes one.
pub struct Repairs {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
    found: Mutex<HashMap<DefectId, Found>>,
    turn: Arc<Semaphore>,
}

/// What was found of a repair, and of what.
struct Found {
    asked: Asked,
    /// The unit's newest data then.
    until: EventTime,
    at: ServerTime,
    said: AfterRepair,
}

impl Found {
    /// Whether it answers what is asked now.
    fn answers(&self, asked: &Asked, until: EventTime, now: ServerTime) -> bool {
        let span_ms = self.until.ms_since(asked.repaired_at).max(0);
        self.asked == *asked
            && until.ms_since(self.until) <= span_ms / STALE_SHARE
            && now.ms_since(self.at) <= STALE_MS
    }
}

/// What can be said of a repair at once.
enum Known {
    /// All of it.
    Said(Option<AfterRepair>),
    /// Nothing before telemetry up to an instant is looked at.
    Nothing(Asked, EventTime),
}

fn n_cores() -> usize {
    std::thread::available_parallelism().map_or(1, NonZero::get)
}

impl Repairs {
    /// Knows of none yet.
    pub fn new(shared: Arc<Shared>, judging: Arc<Judging>) -> Self {
        Self {
            shared,
            judging,
            found: Mutex::default(),
            turn: Arc::new(Semaphore::new(n_cores())),
        }
    }

    /// What telemetry says of the repair of a defect; `None` if it was not repaired, or no rule had called it.
    ///
    /// # Errors
    /// The status of a stop of the store.
    ///
    /// # Cancel safety
    /// Dropping the future gives up the place in the queue; what is looked at already is finished and kept.
    pub async fn of(self: &Arc<Self>, defect: DefectId) -> Result<Option<AfterRepair>, Status> {
        match self.known(defect) {
            Known::Said(said) => Ok(said),
            Known::Nothing(..) => self.in_turn(move |repairs| repairs.look(defect)).await,
        }
    }

    /// Repairs of one unit since `from`, newest first, at most `most`, each with what telemetry says of it.
    ///
    /// # Errors
    /// As [`Repairs::of`].
    ///
    /// # Cancel safety
    /// As [`Repairs::of`].
    pub async fn since(
        self: &Arc<Self>,
        unit: UnitId,
        from: EventTime,
        most: usize,
    ) -> Result<Vec<v1::SheetRepair>, Status> {
        let mut repaired = repaired_since(&self.judging, &unit, from);
        repaired.truncate(most);
        let mut all = Vec::new();
        for (_, id, repair) in repaired {
            let (said, at) = AfterRepair::to_wire(self.of(id).await?);
            all.push(v1::SheetRepair {
                after_repair: said.into(),
                after_repair_unix_ms: at,
                ..repair
            });
        }
        Ok(all)
    }

    async fn in_turn<T: Send + 'static>(
        self: &Arc<Self>,
        look: impl FnOnce(&Self) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, Status> {
        // Never closed, so a turn comes.
        let turn = Arc::clone(&self.turn).acquire_owned().await;
        let repairs = Arc::clone(self);
        blocking(move || {
            let _turn = turn;
            look(&repairs)
        })
        .await
    }

    /// What can be said of a defect without looking at telemetry.
    fn known(&self, defect: DefectId) -> Known {
        let is_repair = {
            let book = self.judging.ledger().book();
            book.defect(defect)
                .is_some_and(|kept| repair(kept).is_some())
        };
        let asked = is_repair.then(|| ask(&self.judging, defect)).flatten();
        let Some(asked) = asked else {
            return Known::Said(None);
        };
        let Some(until) = asked.newest(&self.shared) else {
            return Known::Said(Some(AfterRepair::NotYetTested));
        };
        let now = self.shared.clock.now();
        let found = self.found();
        let kept = found.get(&defect);
        match kept.filter(|found| found.answers(&asked, until, now)) {
            Some(found) => Known::Said(Some(found.said)),
            None => Known::Nothing(asked, until),
        }
    }

    fn found(&self) -> MutexGuard<'_, HashMap<DefectId, Found>> {
        self.found.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn look(&self, defect: DefectId) -> Result<Option<AfterRepair>, StoreError> {
        // Again, as somebody else may have had the turn before.
        let (asked, until) = match self.known(defect) {
            Known::Said(said) => return Ok(said),
            Known::Nothing(asked, until) => (asked, until),
        };
        let now = self.shared.clock.now();
        let said = asked.after_repair(&self.shared, &self.judging, until)?;
        let mut kept = self.found();
        if kept.len() >= MOST_KEPT {
            kept.clear();
        }
        let found = Found {
            asked,
            until,
            at: now,
            said,
        };
        kept.insert(defect, found);
        Ok(Some(said))
    }
}

/// Repairs of one unit since `from`, newest first.
fn repaired_since(
    judging: &Judging,
    unit: &UnitId,
    from: EventTime,
) -> Vec<(EventTime, DefectId, v1::SheetRepair)> {
    let query = DefectQuery {
        unit: Some(unit.clone()),
        status: None,
        least_priority: None,
        component: None,
        open: false,
    };
    let book = judging.ledger().book();
    let defects = book.defects(&query, None, usize::MAX).into_iter();
    let mut repaired: Vec<(EventTime, DefectId, v1::SheetRepair)> = defects
        .filter_map(|kept| {
            let defect = kept.defect();
            let at = repair(&kept)?.repaired_at;
            if at <= from {
                return None;
            }
            let repair = v1::SheetRepair {
                defect: convert::defect_name(defect.id),
                component: defect.component.clone(),
                title: defect.title.clone(),
                repaired_unix_ms: at.unix_ms(),
                after_repair: v1::AfterRepair::Unspecified.into(),
                after_repair_unix_ms: None,
            };
            Some((at, defect.id, repair))
        })
        .collect();
    drop(book);
    repaired.sort_unstable_by_key(|(at, id, _)| Reverse((*at, *id)));
    repaired
}

/// Opens defects again whose alerts outlasted the repair: their rules raise nothing new, as what they raised has
/// not ended.
#[derive(Default)]
pub struct Outlasting {
    /// The unit's newest data when a defect was looked at last.
    looked: Mutex<HashMap<DefectId, EventTime>>,
}

impl Outlasting {
    /// Looks at those of which enough was heard since they were looked at last. Blocks.
    ///
    /// # Errors
    /// A stop, after which the service stops.
    pub fn reopen(&self, shared: &Shared, judging: &Judging) -> Result<(), LedgerError> {
        let ledger = judging.ledger();
        let closed: Vec<DefectId> = {
            let book = ledger.book();
            let stands = |kept: &KeptDefect| {
                let alerts = kept.defect().alerts.iter();
                let mut alerts = alerts.filter_map(|id| book.alert(*id));
                alerts.any(|alert| alert.condition() == Condition::Standing && !alert.is_trial())
            };
            let closed = book.all_defects().filter(|kept| {
                let defect = kept.defect();
                !kept.is_open() && defect.merged_into.is_none() && kept.repaired_at().is_some()
            });
            closed
                .filter(|kept| stands(kept))
                .map(|kept| kept.id())
                .collect()
        };
        let mut looked = self.looked.lock().unwrap_or_else(PoisonError::into_inner);
        looked.retain(|id, _| closed.contains(id));
        for id in closed {
            let Some(asked) = ask(judging, id) else {
                continue;
            };
            let newest = asked.newest(shared);
            let Some(newest) = newest.filter(|newest| *newest > asked.repaired_at) else {
                continue;
            };
            let before = looked.get(&id);
            if before.is_some_and(|before| newest.ms_since(*before) < LOOK_AGAIN_MS) {
                continue;
            }
            looked.insert(id, newest);
            let outlasted = asked.outlasted(shared, judging, newest);
            let outlasted = outlasted.map_err(|source| LedgerError::Store { source })?;
            if let Some(seen_at) = outlasted {
                ledger.write(BY_CLOCK, Vec::new(), |planner| {
                    planner.came_back(id, seen_at);
                })?;
            }
        }
        Ok(())
    }
}

/// What is asked of the book, taken out at once so that no lock is held while telemetry is read.
#[derive(PartialEq)]
struct Asked {
    unit: UnitId,
    repaired_at: EventTime,
    /// Rules and the parts that they called.
    called: BTreeMap<RuleRef, BTreeSet<Option<Part>>>,
    /// Of these, those whose alert has not ended since.
    standing: BTreeMap<RuleRef, BTreeSet<Option<Part>>>,
    again_at: Option<EventTime>,
}

impl Asked {
    /// Of the unit.
    fn newest(&self, shared: &Shared) -> Option<EventTime> {
        let record = shared.fleet.get(&self.unit)?;
        record.heard.newest_event()
    }

    /// When each part first is what `rule` looks for, judged from `from` to `until`.
    fn first_seen(
        &self,
        shared: &Shared,
        judging: &Judging,
        rule: Rule,
        (from, until): (EventTime, EventTime),
    ) -> Result<BTreeMap<Option<Part>, EventTime>, StoreError> {
        let history = History {
            rule: Arc::new(rule),
            against: None,
            variants: Vec::new(),
            from,
            until,
            classes: judging.class_baselines(),
            units: vec![self.unit.clone()],
        };
        let mut first: BTreeMap<Option<Part>, EventTime> = BTreeMap::new();
        history.run(shared, |progress| {
            for (occurrence, _) in progress.occurrences {
                let seen = first.entry(occurrence.part.clone());
                let at = seen.or_insert(occurrence.raised_at);
                *at = (*at).min(occurrence.raised_at);
            }
            true
        })?;
        Ok(first)
    }

    /// When an alert that never ended would have been raised by what came after the repair alone: its rule is
    /// judged once its windows hold nothing from before.
    fn outlasted(
        &self,
        shared: &Shared,
        judging: &Judging,
        until: EventTime,
    ) -> Result<Option<EventTime>, StoreError> {
        let mut outlasted = None;
        for (reference, parts) in &self.standing {
            let Some(rule) = compiled(shared, judging, reference) else {
                continue;
            };
            let reach_ms = rule.inputs.iter().map(|input| input.read.reach_ms()).max();
            let from = self.repaired_at.plus_ms(1 + reach_ms.unwrap_or(0));
            if from >= until {
                continue;
            }
            let first = self.first_seen(shared, judging, rule, (from, until))?;
            let seen = parts.iter().filter_map(|part| first.get(part).copied());
            outlasted = seen.chain(outlasted).min();
        }
        Ok(outlasted)
    }

    /// What telemetry up to `until` says of the repair. Blocks.
    fn after_repair(
        &self,
        shared: &Shared,
        judging: &Judging,
        until: EventTime,
    ) -> Result<AfterRepair, StoreError> {
        if let Some(again_at) = self.again_at {
            return Ok(AfterRepair::NotHeld(again_at));
        }
        let from = self.repaired_at.plus_ms(1);
        if until <= from {
            return Ok(AfterRepair::NotYetTested);
        }
        if let Some(again_at) = self.outlasted(shared, judging, until)? {
            return Ok(AfterRepair::NotHeld(again_at));
        }
        let mut seen_clear = Vec::new();
        for (reference, parts) in &self.called {
            let Some(rule) = compiled(shared, judging, reference) else {
                return Ok(AfterRepair::NotYetTested);
            };
            let first = self.first_seen(shared, judging, rule.absence(), (from, until))?;
            for part in parts {
                match first.get(part) {
                    Some(at) => seen_clear.push(*at),
                    None => return Ok(AfterRepair::NotYetTested),
                }
            }
        }
        let last = seen_clear.into_iter().max();
        Ok(last.map_or(AfterRepair::NotYetTested, AfterRepair::Held))
    }
}

fn ask(judging: &Judging, defect: DefectId) -> Option<Asked> {
    let book = judging.ledger().book();
    let kept = book.defect(defect)?;
    let defect = kept.defect();
    let repaired_at = kept.last_finding()?.repaired_at;
    let mut asked = Asked {
        unit: defect.unit.clone(),
        repaired_at,
        called: BTreeMap::new(),
        standing: BTreeMap::new(),
        again_at: None,
    };
    for alert in defect.alerts.iter().filter_map(|id| book.alert(*id)) {
        if alert.condition() == Condition::Withdrawn {
            continue;
        }
        if alert.raised_at() > repaired_at {
            let first = asked.again_at.unwrap_or(alert.raised_at());
            asked.again_at = Some(first.min(alert.raised_at()));
        }
        let called = |of: &mut BTreeMap<RuleRef, BTreeSet<Option<Part>>>| {
            let parts = of.entry(alert.rule().reference.clone()).or_default();
            parts.insert(alert.part().cloned());
        };
        called(&mut asked.called);
        if alert.condition() == Condition::Standing {
            called(&mut asked.standing);
        }
    }
    if kept.is_open() {
        // Somebody reported it since.
        let reported = kept.reported().last().flatten();
        let sign = reported.map(|said| said.first_sign_at);
        let since = sign.filter(|sign| *sign > repaired_at);
        asked.again_at = since.into_iter().chain(asked.again_at).min();
    }
    (!asked.called.is_empty()).then_some(asked)
}

/// The finding that was given last, where it says that something was done: nobody repairs what was not looked at,
/// could not be tested or showed no fault. One that came back was repaired all the same.
fn repair(kept: &KeptDefect) -> Option<&Finding> {
    kept.last_finding().filter(|finding| {
        matches!(
            finding.kind,
            FindingKind::AsCalled | FindingKind::AnotherFault | FindingKind::SensorOrWiring
        )
    })
}

fn compiled(shared: &Shared, judging: &Judging, reference: &RuleRef) -> Option<Rule> {
    let source = {
        let book = judging.ledger().book();
        book.rule_version(reference)?.source.clone()
    };
    // A version that no longer fits the catalogue cannot say anything.
    check(shared, &reference.name, &source).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{ManualClock, Settings};
    use std::time::Duration;
    use wheeltap_catalogue::Catalogue;
    use wheeltap_store::MemoryStore;

    fn asked(repaired_at: EventTime) -> Asked {
        Asked {
            unit: UnitId::new("DW 7").unwrap(),
            repaired_at,
            called: BTreeMap::new(),
            standing: BTreeMap::new(),
            again_at: None,
        }
    }

    #[tokio::test]
    async fn what_is_known_at_once_waits_for_no_turn() {
        let clock = Arc::new(ManualClock::new(ServerTime::from_unix_ms(0)));
        let catalogue = Catalogue::from_parts(Vec::new(), Vec::new());
        let store = Arc::new(MemoryStore::new());
        let shared = Shared::with_catalogue(store, Settings::default(), clock, catalogue).unwrap();
        let judging = Arc::new(Judging::start(Arc::clone(&shared)).unwrap());
        let repairs = Arc::new(Repairs::new(shared, Arc::clone(&judging)));
        let all = u32::try_from(n_cores()).unwrap();
        let busy = repairs.turn.acquire_many(all).await.unwrap();
        let said = tokio::time::timeout(Duration::from_secs(5), repairs.of(DefectId(1))).await;
        assert_eq!(said.expect("an answer").unwrap(), None);
        drop(busy);
        judging.stop();
    }

    #[test]
    fn what_was_found_is_good_while_little_more_was_heard_and_for_ten_minutes() {
        let repaired_at = EventTime::from_unix_ms(0);
        let day = EventTime::from_unix_ms(86_400_000);
        let at = ServerTime::from_unix_ms(0);
        let found = Found {
            asked: asked(repaired_at),
            until: day,
            at,
            said: AfterRepair::Held(day),
        };
        let same = asked(repaired_at);
        assert!(found.answers(&same, day.plus_ms(86_400), at));
        assert!(!found.answers(&same, day.plus_ms(86_401), at));
        let ten_minutes_on = ServerTime::from_unix_ms(STALE_MS);
        assert!(found.answers(&same, day, ten_minutes_on));
        assert!(!found.answers(&same, day, ServerTime::from_unix_ms(STALE_MS + 1)));
        assert!(!found.answers(&asked(repaired_at.plus_ms(1)), day, at));
    }
}
