//! What other programs use to talk to the service: a gateway that loses nothing between a unit and
//! the store, a watch on alerts that resumes by itself, and lists as streams.
//!
//! It decides nothing: it knows neither rules nor storage, only the contract in `proto/wheeltap/v1`.
//!
//! Start with [`connect`]; then [`Gateway`] with a [`DiskSpool`] and a [`BatchBuilder`] sends
//! telemetry,
//! [`watch_alerts`] follows alerts, and [`Connection::list_defects`] and its like list what there is.
//!
//! ```no_run
//! use wheeltap_client::{
//!     BatchBuilder, DiskSpool, DiskSpoolOptions, Gateway, GatewayOptions, Packing, connect_lazy,
//! };
//! use wheeltap_model::{ChannelName, UnitId};
//! # #[tokio::main]
//! # async fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let connection = connect_lazy("http://127.0.0.1:7417")?;
//! let gateway = Gateway::start(connection, GatewayOptions::default(), |event| {
//!     eprintln!("{event:?}");
//! });
//! let spool = DiskSpool::open("spool/ZVR 4117", DiskSpoolOptions::default())?;
//! let source = gateway.add(UnitId::new("ZVR 4117")?, spool)?;
//! let mut builder = BatchBuilder::new(Packing::Zstd);
//! builder.samples(&ChannelName::new("engine.speed")?, "", &[1_000, 2_000], &[450.0, 455.0], &[])?;
//! source.append(builder.build()?).await?; // Safe on disk here, sent when it can be.
//! source.drained().await;
//! # Ok(())
//! # }
//! ```
//!
//! Contracts that hold throughout: times are Unix milliseconds; nothing is dropped silently; every
//! wait is bounded or can be cancelled; errors name what, where and what to do.

mod backoff;
mod batch;
mod connection;
mod error;
mod gateway;
mod pages;
mod spool;
mod watch;

pub use batch::{
    BatchBuilder, BatchError, EncodedBatch, MAX_BATCH_BYTES, MAX_BATCH_SAMPLES, MAX_BATCH_SPAN_MS,
    MAX_SCHEMA_CHANNELS, Packing, Schema,
};
pub use connection::{Connection, Signature, Signed, connect, connect_lazy};
pub use error::{CallError, ConnectError, ERROR_DOMAIN};
pub use gateway::{AlreadyASource, Gateway, GatewayEvent, GatewayOptions, Source};
pub use pages::{DefectChangePage, List};
pub use spool::{
    Damage, DiskSpool, DiskSpoolOptions, Durability, MemorySpool, SendOrder, Spool, SpoolEpoch,
    SpoolError,
};
pub use watch::{WatchItem, watch_alerts};
