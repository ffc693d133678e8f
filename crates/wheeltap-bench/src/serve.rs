//! The service in a child process.

use anyhow::Context;
use std::path::Path;
use std::sync::Arc;
use tokio::net::TcpListener;
use wheeltap_server::{Settings, Shared, SystemClock};
use wheeltap_store::{Options, SledStore};

/// Serves until killed; prints its address to stdout once it listens.
pub async fn run(config: &Path) -> anyhow::Result<()> {
    tracing_subscriber::fmt()
        .with_env_filter("warn")
        .with_writer(std::io::stderr)
        .init();
    let settings = Settings::read(config)?;
    let listener = TcpListener::bind(settings.listen).await?;
    let address = listener.local_addr()?;
    let shared = tokio::task::spawn_blocking(move || {
        let options = Options {
            raw_ms: settings.retention.raw.ms(),
            minute_ms: settings.retention.minute.ms(),
            hour_ms: settings.retention.hour.ms(),
            ..Options::default()
        };
        let store = SledStore::open(&settings.data, options)?;
        let shared = Shared::open(Arc::new(store), settings, Arc::new(SystemClock))?;
        anyhow::Ok(shared)
    })
    .await?
    .context("the store could not be opened")?;
    crate::child::tell_address(address);
    wheeltap_server::run(listener, shared, std::future::pending()).await?;
    Ok(())
}
