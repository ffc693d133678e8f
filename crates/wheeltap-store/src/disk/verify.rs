//! Checking everything that is stored.

use super::cold::{Shelf, visit_all};
use super::keys;
use super::read::decode_events;
use super::{Shared, SledStore};
use crate::StoreError;
use crate::block::{decode_block, decode_rows};
use crate::codec::{decode_frame, decode_strip};
use crate::engine::Engine;
use crate::record::{corrupt, open as open_record, open_part};
use std::collections::BTreeMap;
use wheeltap_model::ChannelId;

/// What [`SledStore::verify`] found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Verified {
    /// Stored values looked at, in the journal, the books and the cold folders.
    pub records: u64,
    /// Sealed blocks of samples.
    pub blocks: u64,
    /// Samples in them.
    pub block_samples: u64,
    /// Their bytes: headers, columns, checksums and keys.
    pub block_bytes: u64,
    /// What fails its check, one line each, the first 100.
    pub bad: Vec<String>,
}

impl Verified {
    fn note(&mut self, place: &str, outcome: Result<(), StoreError>) {
        if let Err(error) = outcome
            && self.bad.len() < 100
        {
            self.bad.push(format!("{place}: {error}"));
        }
    }
}

impl SledStore {
    /// Reads and checks every stored value, and unpacks frames, strips, blocks and rows.
    ///
    /// It reads the whole folder; other calls go on meanwhile.
    ///
    /// # Errors
    /// A stop. What merely fails its check is listed in the answer.
    pub fn verify(&self) -> Result<Verified, StoreError> {
        self.shared.check_running()?;
        let mut found = Verified::default();
        self.shared.verify_hot(&mut found)?;
        for shelf in Shelf::ALL {
            for start in self.shared.cold.periods(shelf, i64::MIN, i64::MAX, 0) {
                let place = format!("{}@{start}", shelf.name());
                match self.shared.cold.folder(shelf, start, false) {
                    Ok(Some(engine)) => verify_cold(&engine, &place, &mut found)?,
                    Ok(None) => {}
                    Err(error) => found.note(&place, Err(error)),
                }
            }
        }
        Ok(found)
    }
}

impl Shared {
    fn verify_hot(&self, found: &mut Verified) -> Result<(), StoreError> {
        // Records that are kept whole.
        for item in self.hot.prefix(&[]) {
            let (key, record) = item?;
            found.records += 1;
            found.note("hot", open_record("record", &key, &record).map(|_| ()));
        }
        for kind in [keys::FRAME, keys::STRIP] {
            visit_all(&self.hot, kind, |key, body| {
                let (what, sound) = if kind == keys::FRAME {
                    ("journal frame", decode_frame(body).is_some())
                } else {
                    ("strip", decode_strip(body).is_some())
                };
                let checked = if sound {
                    Ok(())
                } else {
                    Err(corrupt(what, format!("{key:02x?} does not unpack")))
                };
                found.note("hot", checked);
            })?;
        }
        Ok(())
    }
}

fn verify_cold(engine: &Engine, place: &str, found: &mut Verified) -> Result<(), StoreError> {
    let mut sizes: BTreeMap<Vec<u8>, u64> = BTreeMap::new();
    for item in engine.prefix(&[]) {
        let (key, record) = item?;
        found.records += 1;
        found.note(place, open_part("record", &key, &record).map(|_| ()));
        if key.first() == Some(&keys::BLOCK) {
            let whole = key.get(..key.len().saturating_sub(2)).unwrap_or_default();
            *sizes.entry(whole.to_vec()).or_default() += (key.len() + record.len()) as u64;
        }
    }
    visit_all(engine, keys::BLOCK, |key, body| {
        let checked = decode_block(body).map(|series| {
            found.blocks += 1;
            found.block_samples += series.len() as u64;
            found.block_bytes += sizes.get(key).copied().unwrap_or_default();
        });
        found.note(place, checked);
    })?;
    visit_all(engine, keys::EVENT_BLOCK, |_, body| {
        found.note(place, decode_events(body, ChannelId(0)).map(|_| ()));
    })?;
    visit_all(engine, keys::ROWS, |_, body| {
        // Starts matter to readers alone, so any chunk and length will do here.
        found.note(place, decode_rows(body, 0, 1).map(|_| ()));
    })
}
