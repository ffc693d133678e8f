//! The web pages beside a running service.

use crate::Stop;
use anyhow::Context;
use std::net::SocketAddr;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use wheeltap_client::connect_lazy;

/// Pages that are served until they are told to stop.
pub struct Served {
    pub url: String,
    stop: oneshot::Sender<()>,
    running: JoinHandle<Result<(), wheeltap_pages::PagesError>>,
}

/// Binds where the settings say, or on the port after the service's.
pub async fn bind(listen: SocketAddr, pages: Option<SocketAddr>) -> Result<TcpListener, Stop> {
    let next = SocketAddr::new(
        listen.ip(),
        match listen.port() {
            0 => 0,
            port => port.saturating_add(1),
        },
    );
    let address = pages.unwrap_or(next);
    let listener = TcpListener::bind(address).await.with_context(|| {
        format!("{address} cannot be listened on for the web pages; name another by --pages")
    })?;
    Ok(listener)
}

impl Served {
    /// Starts to serve pages that speak to the service at `service`.
    pub fn start(listener: TcpListener, service: &str) -> Result<Self, Stop> {
        let url = format!("http://{}", listener.local_addr()?);
        let connection = connect_lazy(service).map_err(anyhow::Error::from)?;
        let (stop, stopped) = oneshot::channel::<()>();
        let running = tokio::spawn(wheeltap_pages::serve(listener, connection, async {
            // A dropped sender stops them as well.
            let _ = stopped.await;
        }));
        Ok(Self { url, stop, running })
    }

    /// Ends them.
    pub async fn stop(self) -> Result<(), Stop> {
        drop(self.stop);
        self.running
            .await
            .map_err(anyhow::Error::from)?
            .map_err(anyhow::Error::from)?;
        Ok(())
    }
}
