//! Request ids after AIP-155: a repeat returns the earlier success and has no second effect.

use crate::status;
use prost::Message;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;
use tonic::Status;
use wheeltap_model::{Actor, ServerTime};
use wheeltap_store::{Commit, DocumentKey, Store, StoreError};

const KIND: &str = "request";

/// How long a request id is remembered.
const KEPT_MS: i64 = 3 * 86_400_000;

/// A request that carries an id.
#[derive(Clone, Debug)]
pub struct RequestId {
    key: DocumentKey,
    digest: String,
}

/// What is remembered of a success.
#[derive(Serialize, Deserialize)]
struct Remembered {
    /// Of the request's other fields.
    digest: String,
    /// Name of the resource that was made or changed.
    name: String,
    at: ServerTime,
}

impl RequestId {
    /// Reads `request_id`; `arguments` is the request with it cleared. An empty id is `None`.
    ///
    /// # Errors
    /// INVALID_ARGUMENT `BAD_REQUEST_ID` over 36 characters or outside printable ASCII.
    pub fn read(
        call: &'static str,
        actor: &Actor,
        request_id: &str,
        arguments: &impl Message,
    ) -> Result<Option<Self>, Status> {
        if request_id.is_empty() {
            return Ok(None);
        }
        if request_id.len() > 36 || !request_id.bytes().all(|byte| (32..127).contains(&byte)) {
            return Err(status::bad_field(
                "BAD_REQUEST_ID",
                "request_id",
                "is not 1 to 36 printable ASCII characters",
            ));
        }
        // The caller's name may be of any length, the key not.
        let caller = &blake3::hash(actor.name.as_bytes()).to_hex()[..16];
        Ok(Some(Self {
            key: DocumentKey {
                kind: KIND,
                key: format!("{call}/{caller}/{request_id}").into_bytes(),
            },
            digest: blake3::hash(&arguments.encode_to_vec()).to_hex()[..32].to_owned(),
        }))
    }

    /// The name that the earlier success returned, if there was one. Blocks.
    ///
    /// # Errors
    /// A stop of the store; INVALID_ARGUMENT `REQUEST_ID_REUSED` when it was another request.
    pub fn earlier(&self, store: &dyn Store) -> Result<Option<String>, Status> {
        let found = store
            .document(&self.key)
            .map_err(|error| status::store(&error))?;
        let Some(remembered) =
            found.and_then(|bytes| serde_json::from_slice::<Remembered>(&bytes).ok())
        else {
            return Ok(None);
        };
        if remembered.digest != self.digest {
            let mut why = String::from("was used before for another request");
            let _ = write!(why, " ({})", remembered.name);
            return Err(status::bad_field("REQUEST_ID_REUSED", "request_id", why));
        }
        Ok(Some(remembered.name))
    }

    /// The document to be written in the same commit as the effect.
    pub fn document(&self, name: &str, now: ServerTime) -> (DocumentKey, Option<Vec<u8>>) {
        let remembered = Remembered {
            digest: self.digest.clone(),
            name: name.to_owned(),
            at: now,
        };
        (self.key.clone(), serde_json::to_vec(&remembered).ok())
    }
}

/// Forgets request ids older than three days. Blocks.
///
/// # Errors
/// A stop of the store.
pub fn forget_old(store: &dyn Store, now: ServerTime) -> Result<(), StoreError> {
    let old: Vec<_> = store
        .documents(KIND, b"")?
        .into_iter()
        .filter(|(_, bytes)| {
            serde_json::from_slice::<Remembered>(bytes)
                .map_or(true, |remembered| now.ms_since(remembered.at) > KEPT_MS)
        })
        .map(|(key, _)| (key, None))
        .collect();
    if !old.is_empty() {
        store.commit(Commit {
            ledger: Vec::new(),
            documents: old,
        })?;
    }
    Ok(())
}
