//! Schemas: what the columns of a batch mean, sent once and known by their digest.

use super::decode::Fault;
use bytes::Bytes;
use prost::Message;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use wheeltap_catalogue::{Catalogue, Conversion, Ucum};
use wheeltap_model::{ChannelId, ChannelKind, ChannelName};
use wheeltap_proto::v1;
use wheeltap_store::{Commit, DocumentKey, Store, StoreError};

/// Most channels of a schema.
const MAX_CHANNELS: usize = 4_096;
/// Largest definition: names of 96 characters with unit codes for every channel fit.
const MAX_DEFINITION: usize = 768 * 1_024;
/// A definition is kept in documents of this size, below the store's bound.
const PIECE: usize = 40 * 1_024;

const KIND: &str = "schema";

/// First 16 bytes of the BLAKE3 digest of a definition.
pub type Digest = [u8; 16];

/// The digest of some bytes, as the contract cuts it.
pub fn digest_of(bytes: &[u8]) -> Digest {
    let mut digest = [0; 16];
    digest.copy_from_slice(&blake3::hash(bytes).as_bytes()[..16]);
    digest
}

/// What one column or event of a batch turns into.
#[derive(Clone, Debug)]
pub enum SchemaEntry {
    /// Samples of a channel.
    Samples {
        /// The channel.
        id: ChannelId,
        /// Its name, for messages.
        name: ChannelName,
        /// From the unit sent to the catalogue's; `None` when they are the same.
        conversion: Option<Conversion>,
        /// Least and greatest believable value.
        range: (f64, f64),
    },
    /// Events of a channel.
    Events {
        /// The channel.
        id: ChannelId,
        /// Its name, for messages.
        name: ChannelName,
        /// For each field sent, its place in the catalogue's order.
        places: Vec<usize>,
        /// How many fields the catalogue has.
        n_fields: usize,
    },
    /// Whatever uses it is quarantined for this.
    Unusable(Fault),
}

/// What decoding needs of a schema.
pub trait SchemaView {
    /// The entry at an index.
    fn entry(&self, idx: usize) -> Option<&SchemaEntry>;
    /// How many entries there are.
    fn len(&self) -> usize;
}

/// A schema looked up in the catalogue.
#[derive(Debug)]
pub struct Schema {
    entries: Vec<SchemaEntry>,
    /// As sent.
    pub definition: Bytes,
}

impl SchemaView for Schema {
    fn entry(&self, idx: usize) -> Option<&SchemaEntry> {
        self.entries.get(idx)
    }

    fn len(&self) -> usize {
        self.entries.len()
    }
}

impl Schema {
    /// Reads a definition. Channels or units that are not known make the batches that use them
    /// faulty, not the schema.
    ///
    /// # Errors
    /// Why the definition is none at all.
    pub fn read(definition: Bytes, catalogue: &Catalogue) -> Result<Self, String> {
        if definition.len() > MAX_DEFINITION {
            return Err(format!(
                "a schema of {} bytes is over the limit of {MAX_DEFINITION}",
                definition.len()
            ));
        }
        let v1::SchemaDefinition { channels } = v1::SchemaDefinition::decode(definition.clone())
            .map_err(|error| format!("a schema is no SchemaDefinition message: {error}"))?;
        if channels.len() > MAX_CHANNELS {
            return Err(format!(
                "a schema of {} channels is over the limit of {MAX_CHANNELS}",
                channels.len()
            ));
        }
        let entries = channels
            .iter()
            .map(|channel| entry(channel, catalogue).unwrap_or_else(SchemaEntry::Unusable))
            .collect();
        Ok(Self {
            entries,
            definition,
        })
    }
}

fn entry(channel: &v1::SchemaChannel, catalogue: &Catalogue) -> Result<SchemaEntry, Fault> {
    let v1::SchemaChannel { name, ucum, fields } = channel;
    let unknown = |why: String| Fault::new("UNKNOWN_CHANNEL", why);
    let name = ChannelName::new(name).map_err(|error| unknown(error.to_string()))?;
    let (id, def) = catalogue.channel(&name).ok_or_else(|| {
        unknown(format!(
            "the catalogue has no channel {name}; add it to a catalogue file, or correct the name"
        ))
    })?;
    if catalogue.derived(&name).is_some() {
        return Err(unknown(format!(
            "{name} is computed here from other channels; send those, or describe it with [[channel]] in a catalogue file"
        )));
    }
    let ChannelKind::Event { fields: known } = &def.kind else {
        return Ok(SchemaEntry::Samples {
            id,
            conversion: conversion(&name, ucum, &def.ucum)?,
            name,
            range: def.range,
        });
    };
    let places = fields
        .iter()
        .map(|field| {
            known
                .iter()
                .position(|(name, _)| name == field)
                .ok_or_else(|| {
                    let names: Vec<&str> = known.iter().map(|(name, _)| name.as_str()).collect();
                    Fault::new(
                        "UNKNOWN_FIELD",
                        format!(
                            "events of {name} have no field \"{}\"; their fields are: {}",
                            field.escape_default(),
                            names.join(", ")
                        ),
                    )
                })
        })
        .collect::<Result<Vec<_>, _>>()?;
    let mut sorted = places.clone();
    sorted.sort_unstable();
    sorted.dedup();
    if sorted.len() != places.len() {
        return Err(Fault::new(
            "UNKNOWN_FIELD",
            format!("the schema names a field of {name} twice; name each once"),
        ));
    }
    Ok(SchemaEntry::Events {
        id,
        name,
        places,
        n_fields: known.len(),
    })
}

fn conversion(name: &ChannelName, sent: &str, stored: &str) -> Result<Option<Conversion>, Fault> {
    if sent.is_empty() || sent == stored {
        return Ok(None);
    }
    let wrong = |why: String| Fault::new("WRONG_UNIT", format!("{name}: {why}"));
    let from = Ucum::parse(sent).map_err(|error| wrong(error.to_string()))?;
    let to = Ucum::parse(stored).map_err(|error| wrong(error.to_string()))?;
    let conversion = from.conversion(&to).ok_or_else(|| {
        wrong(format!(
            "\"{sent}\" does not convert to the catalogue's \"{stored}\"; send that, or a unit of \
             the same kind"
        ))
    })?;
    Ok((!conversion.is_identity()).then_some(conversion))
}

struct Held {
    schema: Arc<Schema>,
    used: u64,
}

#[derive(Default)]
struct Book {
    held: HashMap<Digest, Held>,
    clock: u64,
}

/// All schemas remembered, in memory and in the store's documents.
///
/// Bounded: the least recently used one is forgotten, and its next batch is answered with
/// UNKNOWN_SCHEMA, upon which the gateway sends it again.
pub struct Schemas {
    store: Arc<dyn Store>,
    catalogue: Arc<Catalogue>,
    most: usize,
    book: Mutex<Book>,
}

impl Schemas {
    /// Reads what is remembered. Blocks.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn load(
        store: Arc<dyn Store>,
        catalogue: Arc<Catalogue>,
        most: usize,
    ) -> Result<Self, StoreError> {
        let mut definitions: HashMap<Digest, Vec<u8>> = HashMap::new();
        // Pieces come in the order of their keys, which is digest and place.
        for (key, piece) in store.documents(KIND, b"")? {
            if let Some(digest) = key.key.first_chunk::<16>() {
                definitions.entry(*digest).or_default().extend(piece);
            }
        }
        let mut book = Book::default();
        for (digest, definition) in definitions {
            if digest_of(&definition) != digest {
                tracing::warn!("a kept schema does not match its digest and is forgotten");
                continue;
            }
            if let Ok(schema) = Schema::read(Bytes::from(definition), &catalogue) {
                let schema = Arc::new(schema);
                book.held.insert(digest, Held { schema, used: 0 });
            }
        }
        Ok(Self {
            store,
            catalogue,
            most,
            book: Mutex::new(book),
        })
    }

    fn book(&self) -> std::sync::MutexGuard<'_, Book> {
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The schema of this digest.
    pub fn get(&self, digest: &[u8]) -> Option<Arc<Schema>> {
        let mut book = self.book();
        book.clock += 1;
        let now = book.clock;
        let held = book.held.get_mut(digest)?;
        held.used = now;
        Some(Arc::clone(&held.schema))
    }

    /// Digests of the most recently used schemas, at most `most`.
    pub fn recent(&self, most: usize) -> Vec<Digest> {
        let book = self.book();
        let mut by_use: Vec<(u64, Digest)> = book
            .held
            .iter()
            .map(|(digest, held)| (held.used, *digest))
            .collect();
        by_use.sort_unstable_by(|a, b| b.cmp(a));
        by_use
            .into_iter()
            .take(most)
            .map(|(_, digest)| digest)
            .collect()
    }

    /// Reads a schema without remembering it.
    ///
    /// # Errors
    /// Why it is none.
    pub fn read(&self, definition: Bytes) -> Result<Schema, String> {
        Schema::read(definition, &self.catalogue)
    }

    /// Remembers a schema, durably. Blocks.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn keep(&self, digest: Digest, schema: Arc<Schema>) -> Result<(), StoreError> {
        let key = |digest: &Digest, piece_idx: usize| DocumentKey {
            kind: KIND,
            key: [
                digest.as_slice(),
                &u32::try_from(piece_idx).unwrap_or(u32::MAX).to_be_bytes(),
            ]
            .concat(),
        };
        let mut documents: Vec<_> = schema
            .definition
            .chunks(PIECE)
            .enumerate()
            .map(|(idx, piece)| (key(&digest, idx), Some(piece.to_vec())))
            .collect();
        let forgotten = {
            let mut book = self.book();
            book.clock += 1;
            let used = book.clock;
            book.held.insert(digest, Held { schema, used });
            if book.held.len() > self.most {
                let oldest = book.held.iter().min_by_key(|(_, held)| held.used);
                let oldest = oldest.map(|(digest, _)| *digest);
                oldest.and_then(|digest| Some((digest, book.held.remove(&digest)?)))
            } else {
                None
            }
        };
        if let Some((digest, held)) = forgotten {
            let n_pieces = held.schema.definition.chunks(PIECE).len();
            documents.extend((0..n_pieces).map(|idx| (key(&digest, idx), None)));
        }
        self.store.commit(Commit {
            ledger: Vec::new(),
            documents,
        })?;
        Ok(())
    }
}
