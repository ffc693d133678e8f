//! What the judge remembers in the store: checkpoints, and what was judged of each unit.

use super::ledger::Documents;
use super::ranges::{Judged, StoredSource};
use serde::{Deserialize, Serialize};
use wheeltap_judge::{
    BaselineMemory, Checkpoint, EffectiveRule, SlotMemory, UnitContext, UnitPlan,
};
use wheeltap_model::{ClassBaseline, EventTime, UnitId};
use wheeltap_store::{DocumentKey, Store, StoreError};

const CHECKPOINT: &str = "checkpoint";
const JUDGED: &str = "judged";

/// Whose documents of a unit: two judges keep theirs apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// Of the judge of the rules that look at the unit alone.
    Own,
    /// Of the judge of the rules that ask its mates.
    Asking,
}

impl Whose {
    /// By what a plan asks.
    pub const fn of(plan: &UnitPlan) -> Self {
        if plan.reads_mates() {
            Self::Asking
        } else {
            Self::Own
        }
    }

    const fn checkpoint(self) -> &'static str {
        match self {
            Self::Own => CHECKPOINT,
            Self::Asking => "checkpoint_asking",
        }
    }

    const fn judged(self) -> &'static str {
        match self {
            Self::Own => JUDGED,
            Self::Asking => "judged_asking",
        }
    }
}
/// Format of both kinds of document.
const VERSION: u8 = 1;
/// A document's bound is 48 KiB.
const MOST_BYTES: usize = 40 << 10;

const HOUR_MS: i64 = 3_600_000;
/// Data older than the unit's newest by more than this is stored and not judged.
pub const HORIZON_MS: i64 = 14 * 24 * HOUR_MS;
/// Checkpoints younger than this are kept as made, one an hour of event time.
const FINE_MS: i64 = 24 * HOUR_MS;
/// Of older ones, the first of each such stretch is kept.
const COARSE_MS: i64 = 6 * HOUR_MS;

/// What a checkpoint rests on besides telemetry: one that rests on something else is of no use.
#[derive(Clone, Debug)]
pub struct Basis {
    /// Which of the unit's judges rests on it.
    pub whose: Whose,
    rules: Vec<(String, EventTime, Option<EventTime>)>,
    context: UnitContext,
    /// Class baselines that its rules read.
    compared: Vec<ClassBaseline>,
}

impl Basis {
    /// Of the rules that apply to a unit, their plan, and what is known of the unit.
    pub fn new<'a>(
        rules: impl Iterator<Item = &'a EffectiveRule>,
        plan: &UnitPlan,
        context: UnitContext,
    ) -> Self {
        let baselines = &context.class_baselines;
        let compared = plan
            .compared()
            .flat_map(|compared| baselines.of(&compared.of).to_vec())
            .collect();
        let rules = rules.map(|effective| {
            let reference = &effective.rule.reference;
            let name = format!("{} {}", reference.name, reference.version);
            (name, effective.from, effective.until)
        });
        Self {
            whose: Whose::of(plan),
            rules: rules.collect(),
            context,
            compared,
        }
    }

    /// Whether another is the same, of the future too.
    pub fn is_same(&self, other: &Self) -> bool {
        let for_ever = EventTime::from_unix_ms(i64::MAX);
        self.digest(for_ever) == other.digest(for_ever)
    }

    /// Digest of all that held up to an instant.
    fn digest(&self, at: EventTime) -> String {
        let mut hasher = blake3::Hasher::new();
        let mut put = |text: &str| {
            hasher.update(&(text.len() as u64).to_le_bytes());
            hasher.update(text.as_bytes());
        };
        for (name, from, until) in self.rules.iter().filter(|(_, from, _)| *from <= at) {
            put(name);
            put(&from.unix_ms().to_string());
            let until = until.filter(|until| *until <= at);
            put(&until.map_or(String::new(), |until| until.unix_ms().to_string()));
        }
        let UnitContext {
            states,
            consists,
            class_baselines: _,
            mates,
        } = &self.context;
        for dated in states.entries().iter().filter(|dated| dated.from <= at) {
            put(&format!("{} {:?}", dated.from.unix_ms(), dated.value));
        }
        for dated in consists.entries().iter().filter(|dated| dated.from <= at) {
            put(&format!("{} {:?}", dated.from.unix_ms(), dated.value));
        }
        for words in mates.held_until(at) {
            put(&words);
        }
        for baseline in self.compared.iter().filter(|baseline| baseline.from <= at) {
            put(&format!("{baseline:?}"));
        }
        hasher.finalize().to_hex().as_str()[..16].to_owned()
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredCheckpoint {
    v: u8,
    basis: String,
    slots: Vec<SlotMemory>,
    /// Only where a rule reads a healthy stretch.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    baselines: Vec<BaselineMemory>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredJudged {
    v: u8,
    dirty_from: Option<EventTime>,
    complete_through: Option<EventTime>,
    /// Only while rules that ask mates may not have taken all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    asked_from: Option<EventTime>,
    sources: Vec<StoredSource>,
}

/// What was judged of a unit.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct UnitMemory {
    /// Late data from here on was stored, and the unit not judged again yet.
    pub dirty_from: Option<EventTime>,
    /// The sender promised that nothing older is to come.
    pub complete_through: Option<EventTime>,
    /// Rules that ask mates, this unit's or another's, may not have taken batches from here on.
    pub asked_from: Option<EventTime>,
    /// Batches that were judged, or stand behind `dirty_from`.
    pub judged: Judged,
}

impl UnitMemory {
    /// What comes in from an instant on is yet to be judged again.
    pub fn note_dirty(&mut self, from: EventTime) {
        self.dirty_from = Some(self.dirty_from.map_or(from, |known| known.min(from)));
    }
}

/// What the service before this one left of a unit: to be read before anything is taken in, since what is
/// stored later is told to the judge.
#[derive(Default)]
pub struct Left {
    /// As of its last commit.
    pub memory: UnitMemory,
    /// What is on disk.
    pub stored: Judged,
}

impl Left {
    /// Reads it.
    ///
    /// # Errors
    /// A stop.
    pub fn read(store: &dyn Store, unit: &UnitId) -> Result<Self, StoreError> {
        Ok(Self {
            memory: read_judged(store, unit, Whose::Own)?.unwrap_or_default(),
            stored: Judged::of(&store.sources(unit)?),
        })
    }

    /// Whether it had judged all that it had stored, or knew from when on it had not.
    pub fn is_all_judged(&self) -> bool {
        self.memory.judged.contains_all(&self.stored)
    }
}

fn encode<T: Serialize>(what: &'static str, value: &T) -> Result<Vec<u8>, StoreError> {
    serde_json::to_vec(value).map_err(|error| StoreError::Corrupt {
        what,
        message: error.to_string(),
    })
}

fn decode<'a, T: Deserialize<'a>>(what: &'static str, bytes: &'a [u8]) -> Result<T, StoreError> {
    #[derive(Deserialize)]
    struct Version {
        v: u8,
    }
    let corrupt = |error: serde_json::Error| StoreError::Corrupt {
        what,
        message: error.to_string(),
    };
    let Version { v } = serde_json::from_slice(bytes).map_err(corrupt)?;
    if v != VERSION {
        return Err(StoreError::UnknownVersion {
            what,
            found: v,
            known: VERSION,
        });
    }
    serde_json::from_slice(bytes).map_err(corrupt)
}

/// What was judged of a unit, as of the newest commit.
///
/// # Errors
/// A stop.
pub fn read_judged(
    store: &dyn Store,
    unit: &UnitId,
    whose: Whose,
) -> Result<Option<UnitMemory>, StoreError> {
    let Some(bytes) = store.document(&judged_key(unit, whose))? else {
        return Ok(None);
    };
    let stored: StoredJudged = decode(JUDGED, &bytes)?;
    let judged = Judged::from_stored(&stored.sources).ok_or(StoreError::Corrupt {
        what: JUDGED,
        message: "its sources are malformed".to_owned(),
    })?;
    Ok(Some(UnitMemory {
        dirty_from: stored.dirty_from,
        complete_through: stored.complete_through,
        asked_from: stored.asked_from,
        judged,
    }))
}

fn judged_key(unit: &UnitId, whose: Whose) -> DocumentKey {
    DocumentKey {
        kind: whose.judged(),
        key: unit.as_str().as_bytes().to_vec(),
    }
}

/// Puts what was judged of a unit into a commit.
///
/// # Errors
/// None in practice: the value always encodes.
pub fn write_judged(
    unit: &UnitId,
    whose: Whose,
    memory: &UnitMemory,
    documents: &mut Documents,
) -> Result<(), StoreError> {
    let mut stored = StoredJudged {
        v: VERSION,
        dirty_from: memory.dirty_from,
        complete_through: memory.complete_through,
        asked_from: memory.asked_from,
        sources: memory.judged.to_stored(),
    };
    let mut bytes = encode(JUDGED, &stored)?;
    if bytes.len() > MOST_BYTES {
        // Torn into very many ranges: without them the next start judges the whole horizon again,
        // which is slow and right.
        stored.sources.clear();
        bytes = encode(JUDGED, &stored)?;
    }
    documents.push((judged_key(unit, whose), Some(bytes)));
    Ok(())
}

/// Keys of one unit's checkpoints: the unit, a zero byte (which no unit id has), the time so that
/// bytes sort like times, and the number of the part.
fn prefix(unit: &UnitId) -> Vec<u8> {
    let mut key = unit.as_str().as_bytes().to_vec();
    key.push(0);
    key
}

fn checkpoint_key(unit: &UnitId, whose: Whose, at: EventTime, part: u16) -> DocumentKey {
    let mut key = prefix(unit);
    key.extend_from_slice(&(at.unix_ms().cast_unsigned() ^ (1 << 63)).to_be_bytes());
    key.extend_from_slice(&part.to_be_bytes());
    DocumentKey {
        kind: whose.checkpoint(),
        key,
    }
}

fn time_of(key: &DocumentKey) -> Option<EventTime> {
    let end = key.key.len().checked_sub(2)?;
    let bytes = key.key.get(end.checked_sub(8)?..end)?;
    let bits = u64::from_be_bytes(bytes.try_into().ok()?);
    Some(EventTime::from_unix_ms((bits ^ (1 << 63)).cast_signed()))
}

/// One unit's checkpoints as stored, oldest first.
pub struct Stored {
    documents: Vec<(DocumentKey, Vec<u8>)>,
}

impl Stored {
    /// Reads them.
    ///
    /// # Errors
    /// A stop.
    pub fn read(store: &dyn Store, unit: &UnitId, whose: Whose) -> Result<Self, StoreError> {
        let documents = store.documents(whose.checkpoint(), &prefix(unit))?;
        Ok(Self { documents })
    }

    /// The newest before `before` (or of all) that rests on this basis.
    ///
    /// # Errors
    /// A checkpoint that cannot be read.
    pub fn newest(
        &self,
        before: Option<EventTime>,
        basis: &Basis,
    ) -> Result<Option<Checkpoint>, StoreError> {
        let mut end = self.documents.len();
        while let Some(at) = end
            .checked_sub(1)
            .and_then(|idx| time_of(&self.documents[idx].0))
        {
            let is_same = |key: &DocumentKey| time_of(key) == Some(at);
            let start = self.documents[..end]
                .partition_point(|(key, _)| !is_same(key) && time_of(key) < Some(at));
            let parts = &self.documents[start..end];
            end = start;
            if before.is_some_and(|before| at >= before) {
                continue;
            }
            let expected = basis.digest(at);
            let (mut slots, mut baselines) = (Vec::new(), Vec::new());
            let mut fits = true;
            for (_, bytes) in parts {
                let part: StoredCheckpoint = decode(CHECKPOINT, bytes)?;
                fits &= part.basis == expected;
                slots.extend(part.slots);
                baselines.extend(part.baselines);
            }
            if fits {
                return Ok(Some(Checkpoint {
                    at,
                    slots,
                    baselines,
                }));
            }
        }
        Ok(None)
    }

    /// Puts the removal of all after `at` (of all without it) into a commit.
    pub fn remove_after(&self, at: Option<EventTime>, documents: &mut Documents) {
        for (key, _) in &self.documents {
            if at.is_none_or(|at| time_of(key).is_some_and(|time| time > at)) {
                documents.push((key.clone(), None));
            }
        }
    }

    /// Puts the removal of those that are not worth keeping, with the unit's data at `newest`, into
    /// a commit: one an hour for a day, then one for six hours, and one from before the horizon.
    pub fn thin(&self, newest: EventTime, documents: &mut Documents) {
        let horizon = newest.plus_ms(-HORIZON_MS);
        let fine = newest.plus_ms(-FINE_MS);
        let times = || self.documents.iter().filter_map(|(key, _)| time_of(key));
        let base = times().filter(|at| *at < horizon).max();
        let mut stretch = None;
        let mut kept = None;
        for (key, _) in &self.documents {
            let Some(at) = time_of(key) else { continue };
            if kept == Some(at) {
                continue;
            }
            let own = at.unix_ms().div_euclid(COARSE_MS);
            let keep = if at < horizon {
                base == Some(at)
            } else {
                at >= fine || stretch != Some(own)
            };
            stretch = Some(own);
            if keep {
                kept = Some(at);
            } else {
                documents.push((key.clone(), None));
            }
        }
    }
}

/// Puts a checkpoint into a commit, in parts that fit.
///
/// # Errors
/// None in practice: the value always encodes.
pub fn write_checkpoint(
    unit: &UnitId,
    checkpoint: &Checkpoint,
    basis: &Basis,
    documents: &mut Documents,
) -> Result<(), StoreError> {
    let digest = basis.digest(checkpoint.at);
    let whose = basis.whose;
    let mut part = 0;
    let mut put = |slots: Vec<SlotMemory>, baselines| -> Result<(), StoreError> {
        let stored = StoredCheckpoint {
            v: VERSION,
            basis: digest.clone(),
            slots,
            baselines,
        };
        let bytes = encode(CHECKPOINT, &stored)?;
        documents.push((
            checkpoint_key(unit, whose, checkpoint.at, part),
            Some(bytes),
        ));
        part += 1;
        Ok(())
    };
    let mut slots: Vec<SlotMemory> = Vec::new();
    let mut size = 0;
    for slot in &checkpoint.slots {
        let bytes = encode(CHECKPOINT, slot)?.len() + 1;
        if size + bytes > MOST_BYTES && !slots.is_empty() {
            put(std::mem::take(&mut slots), Vec::new())?;
            size = 0;
        }
        size += bytes;
        slots.push(slot.clone());
    }
    put(slots, Vec::new())?;
    // One a part: with 32 channels it takes some 14 KB.
    for baseline in &checkpoint.baselines {
        put(Vec::new(), vec![baseline.clone()])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use wheeltap_model::{Evidence, EvidenceItem, KnownValue, RuleName, RuleRef};
    use wheeltap_store::{Commit, MemoryStore};

    fn at(hours: i64) -> EventTime {
        EventTime::from_unix_ms(hours * HOUR_MS - 1)
    }

    fn basis() -> Basis {
        Basis {
            whose: Whose::Own,
            rules: Vec::new(),
            context: UnitContext::default(),
            compared: Vec::new(),
        }
    }

    fn slot(n: usize) -> SlotMemory {
        let item = EvidenceItem {
            input: "oil".into(),
            of: "x".repeat(400),
            ucum: "Cel".into(),
            value: KnownValue::Number(1.5),
        };
        SlotMemory {
            rule: RuleRef {
                name: RuleName::new(&format!("rule-{n}")).unwrap(),
                version: "0".repeat(16),
            },
            part: None,
            run_start: Some(at(1)),
            run_last: None,
            standing: Some(wheeltap_judge::Occurrence {
                rule: RuleRef {
                    name: RuleName::new("r").unwrap(),
                    version: String::new(),
                },
                part: None,
                raised_at: at(1),
                ended_at: None,
                superseded: false,
                evidence: Evidence {
                    at: at(1),
                    since: at(1),
                    inputs: vec![item; 4],
                },
                end_evidence: None,
                unsuppressed_at: None,
            }),
            n_faults: 0,
        }
    }

    fn put(store: &MemoryStore, documents: Documents) {
        store
            .commit(Commit {
                ledger: vec![],
                documents,
            })
            .unwrap();
    }

    /// Of 32 channels, the most there can be, with sums that take every digit.
    fn baseline(n: u32) -> BaselineMemory {
        let value = |idx: u32| (f64::from(idx) + 0.1).powi(7) / f64::from(n + 3);
        BaselineMemory {
            key: format!("stretch {n}"),
            start: Some(at(i64::from(n))),
            n_rows: 400,
            origin: (0..32).map(value).collect(),
            sums: (0..32).map(value).map(|sum| -sum).collect(),
            products: (0..528).map(value).collect(),
        }
    }

    #[test]
    fn a_checkpoint_over_the_size_bound_comes_back_whole() {
        let store = MemoryStore::new();
        let unit = UnitId::new("ZVR 1").unwrap();
        let checkpoint = Checkpoint {
            at: at(5),
            slots: (0..200).map(slot).collect(),
            baselines: (0..3).map(baseline).collect(),
        };
        let mut documents = Documents::new();
        write_checkpoint(&unit, &checkpoint, &basis(), &mut documents).unwrap();
        assert!(documents.len() > 4, "{} parts", documents.len());
        put(&store, documents);
        // A unit whose name begins alike has its own.
        let mut documents = Documents::new();
        let other = UnitId::new("ZVR 11").unwrap();
        let empty = Checkpoint {
            at: at(9),
            slots: vec![],
            baselines: vec![],
        };
        write_checkpoint(&other, &empty, &basis(), &mut documents).unwrap();
        put(&store, documents);
        let stored = Stored::read(&store, &unit, Whose::Own).unwrap();
        assert_eq!(stored.newest(None, &basis()).unwrap(), Some(checkpoint));
        assert_eq!(stored.newest(Some(at(5)), &basis()).unwrap(), None);
    }

    #[test]
    fn a_checkpoint_that_rests_on_something_else_is_passed_over() {
        let store = MemoryStore::new();
        let unit = UnitId::new("ZVR 1").unwrap();
        let plain = basis();
        let mut documents = Documents::new();
        for hours in [3, 5] {
            let checkpoint = Checkpoint {
                at: at(hours),
                slots: vec![],
                baselines: vec![],
            };
            write_checkpoint(&unit, &checkpoint, &plain, &mut documents).unwrap();
        }
        put(&store, documents);
        let stored = Stored::read(&store, &unit, Whose::Own).unwrap();
        let mut changed = basis();
        changed.context.states.set(wheeltap_model::Dated {
            from: at(4),
            value: wheeltap_model::UnitState::InShop,
            source: "yard".into(),
        });
        let newest = |basis: &Basis| stored.newest(None, basis).unwrap().map(|kept| kept.at);
        assert_eq!(newest(&plain), Some(at(5)));
        assert_eq!(newest(&changed), Some(at(3)));
    }

    #[test]
    fn old_checkpoints_are_thinned_and_one_before_the_horizon_stays() {
        let store = MemoryStore::new();
        let unit = UnitId::new("ZVR 1").unwrap();
        let mut documents = Documents::new();
        for hours in 1..=20 * 24 {
            let checkpoint = Checkpoint {
                at: at(hours),
                slots: vec![],
                baselines: vec![],
            };
            write_checkpoint(&unit, &checkpoint, &basis(), &mut documents).unwrap();
        }
        put(&store, documents);
        let newest = at(20 * 24);
        let mut documents = Documents::new();
        Stored::read(&store, &unit, Whose::Own)
            .unwrap()
            .thin(newest, &mut documents);
        put(&store, documents);
        let kept = Stored::read(&store, &unit, Whose::Own).unwrap();
        let times: Vec<EventTime> = kept
            .documents
            .iter()
            .filter_map(|(key, _)| time_of(key))
            .collect();
        let before = |ms: i64| times.iter().filter(|at| **at < newest.plus_ms(-ms)).count();
        assert_eq!(before(HORIZON_MS), 1);
        assert_eq!(times.len() - before(FINE_MS), 25);
        // 13 days of four stretches each.
        assert_eq!(before(FINE_MS) - 1, 13 * 4);
        // Thinning again removes nothing: the first of a stretch stays the first.
        let mut again = Documents::new();
        kept.thin(newest, &mut again);
        assert_eq!(again.len(), 0);
    }
}
