//! Units with what they were doing and where they stood, kept in memory and as store documents.

use serde::{Serialize, de::DeserializeOwned};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Bound;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use wheeltap_followup::Trains;
use wheeltap_model::{
    ConsistPosition, Dated, EventTime, ServerTime, Timeline, Unit, UnitId, UnitState,
};
use wheeltap_store::{Commit, DocumentKey, Store, StoreError};

const UNIT: &str = "unit";
const STATE: &str = "unit_state";
const CONSIST: &str = "unit_consist";

/// What was heard of a unit: the only part of it that changes on the hot path.
#[derive(Debug)]
pub struct Heard {
    newest_event_ms: AtomicI64,
    last_heard_ms: AtomicI64,
}

impl Heard {
    const NOTHING: i64 = i64::MIN;

    fn new(newest_event: Option<EventTime>) -> Self {
        Self {
            newest_event_ms: AtomicI64::new(newest_event.map_or(Self::NOTHING, EventTime::unix_ms)),
            last_heard_ms: AtomicI64::new(Self::NOTHING),
        }
    }

    /// Newest event time stored; `None` when nothing was.
    pub fn newest_event(&self) -> Option<EventTime> {
        let ms = self.newest_event_ms.load(Ordering::Relaxed);
        (ms != Self::NOTHING).then(|| EventTime::from_unix_ms(ms))
    }

    /// When the server last received something since it started.
    pub fn last_heard(&self) -> Option<ServerTime> {
        let ms = self.last_heard_ms.load(Ordering::Relaxed);
        (ms != Self::NOTHING).then(|| ServerTime::from_unix_ms(ms))
    }

    /// Notes a batch that was stored.
    pub fn note(&self, newest_event: EventTime, received_at: ServerTime) {
        self.newest_event_ms
            .fetch_max(newest_event.unix_ms(), Ordering::Relaxed);
        self.last_heard_ms
            .fetch_max(received_at.unix_ms(), Ordering::Relaxed);
    }
}

/// All that is known of one unit besides telemetry.
#[derive(Clone, Debug)]
pub struct UnitRecord {
    /// The unit.
    pub unit: Unit,
    /// What it was doing, effective-dated.
    pub states: Timeline<UnitState>,
    /// Where it stood in a train, effective-dated.
    pub consists: Timeline<ConsistPosition>,
    /// What was heard of it; shared by all copies of the record.
    pub heard: Arc<Heard>,
}

/// What became of a unit that was to be created.
#[derive(Debug)]
pub enum Created {
    /// New.
    New(Arc<UnitRecord>),
    /// There is one of that id already; nothing changed.
    Existing(Arc<UnitRecord>),
}

/// The fleet. Reads take a short lock; writes go to the store first and block.
pub struct Fleet {
    store: Arc<dyn Store>,
    units: RwLock<BTreeMap<UnitId, Arc<UnitRecord>>>,
    /// Who ever stood in a train, by its symbol.
    trains: RwLock<HashMap<String, BTreeSet<UnitId>>>,
    /// Held through a write, so that store and memory change in the same order.
    writing: Mutex<()>,
}

impl Trains for Fleet {
    fn train_at(&self, unit: &UnitId, at: EventTime) -> Option<String> {
        let record = self.get(unit)?;
        record.consists.at(at)?.value.train.clone()
    }
}

fn dated_key(kind: &'static str, unit: &UnitId, from: EventTime) -> DocumentKey {
    // A zero byte cannot occur in a unit id; flipping the sign bit makes bytes sort like times.
    let mut key = unit.as_str().as_bytes().to_vec();
    key.push(0);
    key.extend_from_slice(&(from.unix_ms().cast_unsigned() ^ (1 << 63)).to_be_bytes());
    DocumentKey { kind, key }
}

fn unit_of_key(key: &DocumentKey) -> Option<UnitId> {
    let end = key.key.iter().position(|byte| *byte == 0)?;
    UnitId::new(std::str::from_utf8(&key.key[..end]).ok()?).ok()
}

fn decode<T: DeserializeOwned>(what: &'static str, bytes: &[u8]) -> Result<T, StoreError> {
    serde_json::from_slice(bytes).map_err(|error| StoreError::Corrupt {
        what,
        message: error.to_string(),
    })
}

fn encode<T: Serialize>(what: &'static str, value: &T) -> Result<Vec<u8>, StoreError> {
    serde_json::to_vec(value).map_err(|error| StoreError::Corrupt {
        what,
        message: error.to_string(),
    })
}

impl Fleet {
    /// Reads the fleet from the store's documents.
    ///
    /// # Errors
    /// A stop of the store, or a document that cannot be read.
    pub fn load(store: Arc<dyn Store>) -> Result<Self, StoreError> {
        let mut units = BTreeMap::new();
        for (_, bytes) in store.documents(UNIT, b"")? {
            let unit: Unit = decode("unit", &bytes)?;
            let newest_event = store.extent(&unit.id)?.map(|(_, newest)| newest);
            units.insert(
                unit.id.clone(),
                UnitRecord {
                    unit,
                    states: Timeline::default(),
                    consists: Timeline::default(),
                    heard: Arc::new(Heard::new(newest_event)),
                },
            );
        }
        for (key, bytes) in store.documents(STATE, b"")? {
            if let Some(record) = unit_of_key(&key).and_then(|unit| units.get_mut(&unit)) {
                record.states.set(decode("unit state", &bytes)?);
            }
        }
        for (key, bytes) in store.documents(CONSIST, b"")? {
            if let Some(record) = unit_of_key(&key).and_then(|unit| units.get_mut(&unit)) {
                record.consists.set(decode("consist", &bytes)?);
            }
        }
        let units = units
            .into_iter()
            .map(|(id, record)| (id, Arc::new(record)))
            .collect();
        let fleet = Self {
            store,
            units: RwLock::new(units),
            trains: RwLock::default(),
            writing: Mutex::new(()),
        };
        for record in fleet.all() {
            fleet.note_trains(&record);
        }
        Ok(fleet)
    }

    fn note_trains(&self, record: &UnitRecord) {
        let mut trains = self.trains.write().unwrap_or_else(PoisonError::into_inner);
        for dated in record.consists.entries() {
            if let Some(train) = &dated.value.train {
                let units = trains.entry(train.clone()).or_default();
                units.insert(record.unit.id.clone());
            }
        }
    }

    /// The other units that ever stood in a train of a symbol that this one stood in, by id.
    pub fn sharing_trains(&self, record: &UnitRecord) -> Vec<Arc<UnitRecord>> {
        let mut others: BTreeSet<UnitId> = BTreeSet::new();
        {
            let trains = self.trains.read().unwrap_or_else(PoisonError::into_inner);
            let entries = record.consists.entries().iter();
            let own: BTreeSet<&String> = entries.filter_map(|d| d.value.train.as_ref()).collect();
            for units in own.into_iter().filter_map(|train| trains.get(train)) {
                others.extend(units.iter().cloned());
            }
        }
        others.remove(&record.unit.id);
        others.iter().filter_map(|unit| self.get(unit)).collect()
    }

    fn read(&self) -> std::sync::RwLockReadGuard<'_, BTreeMap<UnitId, Arc<UnitRecord>>> {
        self.units.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn put(&self, record: Arc<UnitRecord>) {
        self.units
            .write()
            .unwrap_or_else(PoisonError::into_inner)
            .insert(record.unit.id.clone(), record);
    }

    /// One unit.
    pub fn get(&self, unit: &UnitId) -> Option<Arc<UnitRecord>> {
        self.read().get(unit).cloned()
    }

    /// All units by id.
    pub fn all(&self) -> Vec<Arc<UnitRecord>> {
        self.read().values().cloned().collect()
    }

    /// At most `limit` units after `after`, by id.
    pub fn page(&self, after: Option<&UnitId>, limit: usize) -> Vec<Arc<UnitRecord>> {
        let from = after.map_or(Bound::Unbounded, Bound::Excluded);
        self.read()
            .range::<UnitId, _>((from, Bound::Unbounded))
            .take(limit)
            .map(|(_, record)| Arc::clone(record))
            .collect()
    }

    /// How many units there are.
    pub fn len(&self) -> usize {
        self.read().len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.read().is_empty()
    }

    /// Keeps a new unit, durably, together with `more` documents in the same commit. Blocks.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn create(
        &self,
        unit: Unit,
        more: Vec<(DocumentKey, Option<Vec<u8>>)>,
    ) -> Result<Created, StoreError> {
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(existing) = self.get(&unit.id) {
            return Ok(Created::Existing(existing));
        }
        let key = DocumentKey {
            kind: UNIT,
            key: unit.id.as_str().as_bytes().to_vec(),
        };
        let mut documents = vec![(key, Some(encode("unit", &unit)?))];
        documents.extend(more);
        self.store.commit(Commit {
            ledger: Vec::new(),
            documents,
        })?;
        let newest_event = self.store.extent(&unit.id)?.map(|(_, newest)| newest);
        let record = Arc::new(UnitRecord {
            unit,
            states: Timeline::default(),
            consists: Timeline::default(),
            heard: Arc::new(Heard::new(newest_event)),
        });
        self.put(Arc::clone(&record));
        Ok(Created::New(record))
    }

    /// Records what a unit was doing from an instant on, durably. Blocks. `None`: no such unit.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn record_state(
        &self,
        unit: &UnitId,
        dated: Dated<UnitState>,
    ) -> Result<Option<Arc<UnitRecord>>, StoreError> {
        self.record(STATE, unit, dated, |record| &mut record.states)
    }

    /// Records where a unit stood from an instant on, durably. Blocks. `None`: no such unit.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn record_consist(
        &self,
        unit: &UnitId,
        dated: Dated<ConsistPosition>,
    ) -> Result<Option<Arc<UnitRecord>>, StoreError> {
        self.record(CONSIST, unit, dated, |record| &mut record.consists)
    }

    fn record<T: Serialize>(
        &self,
        kind: &'static str,
        unit: &UnitId,
        dated: Dated<T>,
        timeline: impl Fn(&mut UnitRecord) -> &mut Timeline<T>,
    ) -> Result<Option<Arc<UnitRecord>>, StoreError> {
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(old) = self.get(unit) else {
            return Ok(None);
        };
        self.store.commit(Commit {
            ledger: Vec::new(),
            documents: vec![(
                dated_key(kind, unit, dated.from),
                Some(encode("fleet record", &dated)?),
            )],
        })?;
        let mut record = UnitRecord::clone(&old);
        timeline(&mut record).set(dated);
        let record = Arc::new(record);
        self.note_trains(&record);
        self.put(Arc::clone(&record));
        Ok(Some(record))
    }
}
