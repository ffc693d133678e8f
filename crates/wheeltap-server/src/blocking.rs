//! Calls to the store, off the async threads.

use crate::status;
use tonic::Status;
use wheeltap_store::StoreError;

/// Runs a call to the store on a blocking thread; a stop becomes its status.
///
/// # Errors
/// The status of the stop.
pub async fn blocking<T: Send + 'static>(
    call: impl FnOnce() -> Result<T, StoreError> + Send + 'static,
) -> Result<T, Status> {
    tokio::task::spawn_blocking(call)
        .await
        .map_err(|_| status::internal("a call to the store was cut off"))?
        .map_err(|error| status::store(&error))
}
