//! The service in a child process.

use anyhow::Context;
use std::path::Path;
use std::sync::Arc;
use tokio::net::TcpListener;
use wheeltap_client::connect_lazy;
use wheeltap_server::{Settings, Shared, SystemClock};
use wheeltap_store::{Options, SledStore};

/// Serves with its web pages until killed; prints both addresses to stdout once it listens.
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
    let page_listener = TcpListener::bind("127.0.0.1:0").await?;
    let pages = page_listener.local_addr()?;
    let connection = connect_lazy(&format!("http://{address}"))?;
    tokio::spawn(async move {
        if let Err(error) =
            wheeltap_pages::serve(page_listener, connection, std::future::pending()).await
        {
            tracing::error!(%error, "no pages");
        }
    });
    crate::child::tell_addresses(address, pages);
    wheeltap_server::run(listener, shared, std::future::pending()).await?;
    Ok(())
}
