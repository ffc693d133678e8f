//! Random identities from the system.

use crate::{StoreError, StoreId};
use rand::TryRngCore;

/// A new store's identity.
pub(crate) fn new_store_id() -> Result<StoreId, StoreError> {
    let mut id = [0; 16];
    rand::rngs::OsRng
        .try_fill_bytes(&mut id)
        .map_err(|error| StoreError::Engine {
            doing: "drawing an identity",
            message: error.to_string(),
        })?;
    Ok(StoreId(id))
}
