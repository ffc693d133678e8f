//! What people and other systems said, in memory and as store documents.

use serde::{Serialize, de::DeserializeOwned};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use wheeltap_model::{Arrival, Cancelled, Care, EventTime, PartStock, PointName, Restored, UnitId};
use wheeltap_store::{Commit, DocumentKey, Store, StoreError};

const ARRIVAL: &str = "arrival";
const STOCK: &str = "part_stock";
const CARE: &str = "care";

/// Arrivals that left longer ago are forgotten.
pub(super) const FORGOTTEN_AFTER_MS: i64 = 60 * 86_400_000;
/// Of an item of a unit so many records are at hand in memory, the newest, about 250 bytes each: a year of daily
/// inspections of a great fleet would not fit. The store keeps all.
const CARE_AT_HAND: usize = 10;
/// How long after arriving one counts as left that says nothing of it.
const LEFT_AFTER_MS: i64 = 86_400_000;

/// Unit, item and when it was done.
type CarePlace = (UnitId, String, EventTime);

type Document = (DocumentKey, Option<Vec<u8>>);

/// What became of an arrival that was recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ArrivalOutcome {
    /// New.
    New,
    /// It was known with other content, or was cancelled and has other content now.
    Changed,
    /// Known with this content; nothing changed.
    Unchanged,
}

/// What became of each arrival that was recorded, in order.
pub type Recorded = Vec<(Arc<Arrival>, ArrivalOutcome)>;

/// What became of an arrival that was to be brought back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Restoring {
    /// There is none of this id.
    Unknown,
    /// Its unit is at another place then.
    Elsewhere(Arc<Arrival>),
    /// It is not cancelled, or not any more.
    Stands(Arc<Arrival>),
}

#[derive(Default)]
struct Kept {
    arrivals: BTreeMap<String, Arc<Arrival>>,
    by_time: BTreeSet<(EventTime, String)>,
    by_unit: BTreeMap<UnitId, BTreeSet<(EventTime, String)>>,
    stock: BTreeMap<PointName, BTreeMap<String, PartStock>>,
    care: BTreeMap<UnitId, BTreeMap<(String, EventTime), Care>>,
}

/// Arrivals, parts and work done. Reads take a short lock; writes go to the store first and block.
pub struct Turnaround {
    store: Arc<dyn Store>,
    kept: RwLock<Kept>,
    /// Held through a write, so that store and memory change in the same order.
    writing: Mutex<()>,
}

/// When an arrival counts as left.
pub(super) fn left_at(arrival: &Arrival) -> EventTime {
    arrival
        .leaves_at
        .unwrap_or_else(|| arrival.arrives_at.plus_ms(LEFT_AFTER_MS))
}

fn same_content(a: &Arrival, b: &Arrival) -> bool {
    (&a.unit, &a.point, a.arrives_at, a.leaves_at) == (&b.unit, &b.point, b.arrives_at, b.leaves_at)
}

fn key(kind: &'static str, parts: &[&[u8]]) -> DocumentKey {
    // A zero byte cannot occur in a name.
    DocumentKey {
        kind,
        key: parts.join(&0),
    }
}

fn time_bytes(at: EventTime) -> [u8; 8] {
    // Flipping the sign bit makes bytes sort like times.
    (at.unix_ms().cast_unsigned() ^ (1 << 63)).to_be_bytes()
}

fn arrival_key(id: &str) -> DocumentKey {
    key(ARRIVAL, &[id.as_bytes()])
}

fn care_key((unit, item, done_at): &CarePlace) -> DocumentKey {
    let parts: [&[u8]; 3] = [
        unit.as_str().as_bytes(),
        item.as_bytes(),
        &time_bytes(*done_at),
    ];
    key(CARE, &parts)
}

fn newest_first(mut care: Vec<Care>) -> Vec<Care> {
    care.sort_by(|a, b| b.done_at.cmp(&a.done_at).then_with(|| a.item.cmp(&b.item)));
    care
}

fn read_all<T: DeserializeOwned>(
    store: &dyn Store,
    kind: &'static str,
    prefix: &[u8],
) -> Result<Vec<T>, StoreError> {
    let documents = store.documents(kind, prefix)?;
    let read = documents.into_iter().map(|(_, bytes)| {
        serde_json::from_slice(&bytes).map_err(|error| StoreError::Corrupt {
            what: kind,
            message: error.to_string(),
        })
    });
    read.collect()
}

fn document<T: Serialize>(key: DocumentKey, value: &T) -> Result<Document, StoreError> {
    let bytes = serde_json::to_vec(value).map_err(|error| StoreError::Corrupt {
        what: key.kind,
        message: error.to_string(),
    })?;
    Ok((key, Some(bytes)))
}

impl Kept {
    fn put_arrival(&mut self, arrival: Arrival) {
        self.remove_arrival(&arrival.id);
        let place = (arrival.arrives_at, arrival.id.clone());
        self.by_time.insert(place.clone());
        self.by_unit
            .entry(arrival.unit.clone())
            .or_default()
            .insert(place);
        self.arrivals.insert(arrival.id.clone(), Arc::new(arrival));
    }

    fn remove_arrival(&mut self, id: &str) {
        let Some(old) = self.arrivals.remove(id) else {
            return;
        };
        let place = (old.arrives_at, old.id.clone());
        self.by_time.remove(&place);
        if let Some(of_unit) = self.by_unit.get_mut(&old.unit) {
            of_unit.remove(&place);
        }
    }

    fn put_stock(&mut self, stock: PartStock) {
        self.stock
            .entry(stock.point.clone())
            .or_default()
            .insert(stock.part.clone(), stock);
    }

    fn put_care(&mut self, care: Care) {
        let item = care.item.clone();
        let of_unit = self.care.entry(care.unit.clone()).or_default();
        of_unit.insert((item.clone(), care.done_at), care);
        let first = (item.clone(), EventTime::from_unix_ms(i64::MIN));
        let last = (item, EventTime::from_unix_ms(i64::MAX));
        let of_item = of_unit.range(first..=last);
        if of_item.clone().count() > CARE_AT_HAND
            && let Some((oldest, _)) = of_item.min_by_key(|((_, done_at), _)| *done_at)
        {
            let oldest = oldest.clone();
            of_unit.remove(&oldest);
        }
    }
}

impl Turnaround {
    /// Reads what is kept in the store's documents.
    ///
    /// # Errors
    /// A stop of the store, or a document that cannot be read.
    pub fn load(store: Arc<dyn Store>) -> Result<Self, StoreError> {
        let mut kept = Kept::default();
        for arrival in read_all(store.as_ref(), ARRIVAL, b"")? {
            kept.put_arrival(arrival);
        }
        for stock in read_all(store.as_ref(), STOCK, b"")? {
            kept.put_stock(stock);
        }
        for care in read_all(store.as_ref(), CARE, b"")? {
            kept.put_care(care);
        }
        Ok(Self {
            store,
            kept: RwLock::new(kept),
            writing: Mutex::new(()),
        })
    }

    fn read(&self) -> std::sync::RwLockReadGuard<'_, Kept> {
        self.kept.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn commit(&self, documents: Vec<Document>) -> Result<(), StoreError> {
        if documents.is_empty() {
            return Ok(());
        }
        self.store.commit(Commit {
            ledger: Vec::new(),
            documents,
        })?;
        Ok(())
    }

    /// One arrival.
    pub fn arrival(&self, id: &str) -> Option<Arc<Arrival>> {
        self.read().arrivals.get(id).cloned()
    }

    /// At most `limit` arrivals after a place, by time then id, that are wanted.
    pub fn arrivals(
        &self,
        after: Option<(EventTime, String)>,
        limit: usize,
        mut wanted: impl FnMut(&Arrival) -> bool,
    ) -> Vec<Arc<Arrival>> {
        use std::ops::Bound::{Excluded, Unbounded};
        let kept = self.read();
        let from = after.map_or(Unbounded, Excluded);
        kept.by_time
            .range((from, Unbounded))
            .filter_map(|(_, id)| kept.arrivals.get(id))
            .filter(|arrival| wanted(arrival))
            .take(limit)
            .map(Arc::clone)
            .collect()
    }

    /// A unit's first arrival that is wanted and not cancelled.
    pub fn next_of(
        &self,
        unit: &UnitId,
        mut wanted: impl FnMut(&Arrival) -> bool,
    ) -> Option<Arc<Arrival>> {
        let kept = self.read();
        let found = kept
            .by_unit
            .get(unit)?
            .iter()
            .filter_map(|(_, id)| kept.arrivals.get(id))
            .find(|arrival| arrival.cancelled.is_none() && wanted(arrival));
        found.cloned()
    }

    /// Another stop of the unit at the same time, kept or `before` it in a request, which replaces what is kept of
    /// the same ids.
    pub fn elsewhere(&self, arrival: &Arrival, before: &[Arrival]) -> Option<Arc<Arrival>> {
        // Of one that says no time of leaving only the arrival itself is sure.
        let stay = |of: &Arrival| of.leaves_at.unwrap_or_else(|| of.arrives_at.plus_ms(1));
        let overlaps = |other: &Arrival| {
            other.id != arrival.id
                && other.unit == arrival.unit
                && other.cancelled.is_none()
                && other.arrives_at < stay(arrival)
                && arrival.arrives_at < stay(other)
        };
        if let Some(other) = before.iter().find(|other| overlaps(other)) {
            return Some(Arc::new(other.clone()));
        }
        let is_replaced = |id: &str| before.iter().any(|other| other.id == id);
        self.next_of(&arrival.unit, |other| {
            overlaps(other) && !is_replaced(&other.id)
        })
    }

    /// Keeps arrivals durably, all or none, and forgets those that left long before `as_of`. Blocks. Where the unit of
    /// one is at another place then, none: its place in the list, and the other.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn record_arrivals(
        &self,
        arrivals: Vec<Arrival>,
        as_of: EventTime,
    ) -> Result<Result<Recorded, (usize, Arc<Arrival>)>, StoreError> {
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        for (idx, arrival) in arrivals.iter().enumerate() {
            if let Some(other) = self.elsewhere(arrival, &arrivals[..idx]) {
                return Ok(Err((idx, other)));
            }
        }
        let mut documents = Vec::new();
        let mut outcomes = Vec::with_capacity(arrivals.len());
        // Of several of one id in a request the first is new, and the others repeat it.
        let mut fresh: BTreeMap<String, Arc<Arrival>> = BTreeMap::new();
        for arrival in arrivals {
            let known = fresh
                .get(&arrival.id)
                .cloned()
                .or_else(|| self.arrival(&arrival.id));
            match known {
                Some(known) if same_content(&known, &arrival) => {
                    outcomes.push((known, ArrivalOutcome::Unchanged));
                }
                known => {
                    documents.push(document(arrival_key(&arrival.id), &arrival)?);
                    let arrival = Arc::new(arrival);
                    fresh.insert(arrival.id.clone(), Arc::clone(&arrival));
                    let outcome = match known {
                        Some(_) => ArrivalOutcome::Changed,
                        None => ArrivalOutcome::New,
                    };
                    outcomes.push((arrival, outcome));
                }
            }
        }
        let oldest = as_of.plus_ms(-FORGOTTEN_AFTER_MS);
        let forgotten: Vec<String> = {
            let kept = self.read();
            let old = kept
                .arrivals
                .values()
                .filter(|arrival| left_at(arrival) < oldest && !fresh.contains_key(&arrival.id));
            old.map(|arrival| arrival.id.clone()).collect()
        };
        documents.extend(forgotten.iter().map(|id| (arrival_key(id), None)));
        self.commit(documents)?;
        let mut kept = self.kept.write().unwrap_or_else(PoisonError::into_inner);
        for arrival in fresh.into_values() {
            kept.put_arrival(Arrival::clone(&arrival));
        }
        for id in forgotten {
            kept.remove_arrival(&id);
        }
        Ok(Ok(outcomes))
    }

    /// Cancels an arrival durably; one that is cancelled stays as it is. Blocks. `None`: no such arrival.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn cancel(
        &self,
        id: &str,
        cancelled: Cancelled,
    ) -> Result<Option<Arc<Arrival>>, StoreError> {
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        match self.arrival(id) {
            Some(known) if known.cancelled.is_none() => {
                let changed = Arrival {
                    cancelled: Some(cancelled),
                    restored: None,
                    ..Arrival::clone(&known)
                };
                self.keep_arrival(changed).map(Some)
            }
            known => Ok(known),
        }
    }

    /// Brings a cancelled arrival back durably; one that is not cancelled stays as it is, and one whose unit is at
    /// another place then stays cancelled. Blocks.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn restore(&self, id: &str, restored: Restored) -> Result<Restoring, StoreError> {
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(known) = self.arrival(id) else {
            return Ok(Restoring::Unknown);
        };
        if known.cancelled.is_none() {
            return Ok(Restoring::Stands(known));
        }
        if let Some(other) = self.elsewhere(&known, &[]) {
            return Ok(Restoring::Elsewhere(other));
        }
        let changed = Arrival {
            cancelled: None,
            restored: Some(restored),
            ..Arrival::clone(&known)
        };
        self.keep_arrival(changed).map(Restoring::Stands)
    }

    /// Keeps what an arrival became; the caller holds the lock of writing.
    fn keep_arrival(&self, arrival: Arrival) -> Result<Arc<Arrival>, StoreError> {
        self.commit(vec![document(arrival_key(&arrival.id), &arrival)?])?;
        let mut kept = self.kept.write().unwrap_or_else(PoisonError::into_inner);
        kept.put_arrival(arrival.clone());
        Ok(Arc::new(arrival))
    }

    /// What was said of parts at a point, by part.
    pub fn stock(&self, point: &PointName) -> Vec<PartStock> {
        let kept = self.read();
        let stock = kept.stock.get(point);
        stock.map_or_else(Vec::new, |stock| stock.values().cloned().collect())
    }

    /// Keeps what was said of parts, all or none; of a part what was so last counts. Gives how many changed
    /// something. Blocks.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn record_stock(&self, said: Vec<PartStock>) -> Result<usize, StoreError> {
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let mut fresh: BTreeMap<(PointName, String), PartStock> = BTreeMap::new();
        let mut n_changed = 0;
        for stock in said {
            let place = (stock.point.clone(), stock.part.clone());
            let known = fresh.get(&place).cloned().or_else(|| {
                let kept = self.read();
                kept.stock.get(&place.0)?.get(&place.1).cloned()
            });
            let counts = known.is_none_or(|known| {
                stock.as_of > known.as_of
                    || (stock.as_of == known.as_of && stock.on_hand != known.on_hand)
            });
            if counts {
                n_changed += 1;
                fresh.insert(place, stock);
            }
        }
        let documents: Result<Vec<Document>, StoreError> = fresh
            .iter()
            .map(|((point, part), stock)| {
                let key = key(STOCK, &[point.as_str().as_bytes(), part.as_bytes()]);
                document(key, stock)
            })
            .collect();
        self.commit(documents?)?;
        let mut kept = self.kept.write().unwrap_or_else(PoisonError::into_inner);
        for stock in fresh.into_values() {
            kept.put_stock(stock);
        }
        Ok(n_changed)
    }

    /// What was done to a unit lately, newest first: of each item the last ten.
    pub fn care(&self, unit: &UnitId) -> Vec<Care> {
        let kept = self.read();
        let care = kept.care.get(unit);
        newest_first(care.map_or_else(Vec::new, |care| care.values().cloned().collect()))
    }

    /// All that was ever done to a unit, newest first. Blocks.
    ///
    /// # Errors
    /// A stop of the store, or a document that cannot be read.
    pub fn all_care(&self, unit: &UnitId) -> Result<Vec<Care>, StoreError> {
        let of_unit = key(CARE, &[unit.as_str().as_bytes(), b""]);
        read_all(self.store.as_ref(), CARE, &of_unit.key).map(newest_first)
    }

    fn kept_care(&self, place: &CarePlace) -> Result<Option<Care>, StoreError> {
        let Some(bytes) = self.store.document(&care_key(place))? else {
            return Ok(None);
        };
        serde_json::from_slice(&bytes)
            .map(Some)
            .map_err(|error| StoreError::Corrupt {
                what: CARE,
                message: error.to_string(),
            })
    }

    /// Keeps what was done, all or none. Gives how many changed something. Blocks.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn record_care(&self, said: Vec<Care>) -> Result<usize, StoreError> {
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let mut fresh: BTreeMap<CarePlace, Care> = BTreeMap::new();
        let mut n_changed = 0;
        for care in said {
            let place = (care.unit.clone(), care.item.clone(), care.done_at);
            let known = match fresh.get(&place) {
                Some(known) => Some(known.clone()),
                None => self.kept_care(&place)?,
            };
            let is_same = known.is_some_and(|known| match (known.value, care.value) {
                (Some(a), Some(b)) => a.to_bits() == b.to_bits(),
                (a, b) => a.is_none() && b.is_none(),
            });
            if !is_same {
                n_changed += 1;
                fresh.insert(place, care);
            }
        }
        let mut documents = Vec::with_capacity(fresh.len());
        for (place, care) in &fresh {
            documents.push(document(care_key(place), care)?);
        }
        self.commit(documents)?;
        let mut kept = self.kept.write().unwrap_or_else(PoisonError::into_inner);
        for care in fresh.into_values() {
            kept.put_care(care);
        }
        Ok(n_changed)
    }
}
