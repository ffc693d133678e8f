//! `wheeltap serve`: the service until it is told to stop.

use crate::{Outcome, Stop, args::ServeArgs, output::note, pages, remote};
use anyhow::{Context, anyhow};
use std::sync::Arc;
use tokio::net::TcpListener;
use wheeltap_server::{RunError, Settings, Shared, StartError, SystemClock};
use wheeltap_store::{Options, SledStore};

pub fn run(args: &ServeArgs) -> Result<Outcome, Stop> {
    let mut settings = match &args.config {
        Some(path) => Settings::read(path).map_err(|problem| Stop::Usage(problem.into()))?,
        None => Settings::default(),
    };
    if let Some(listen) = args.listen {
        settings.listen = listen;
    }
    if args.pages.is_some() {
        settings.pages = args.pages;
    }
    if let Some(data) = &args.data {
        settings.data.clone_from(data);
    }
    let listens = std::iter::once(settings.listen).chain(settings.pages);
    if let Some(open) = listens
        .into_iter()
        .find(|address| !address.ip().is_loopback())
    {
        return Err(Stop::Usage(anyhow!(
            "{open} is not a loopback address: listen on 127.0.0.1 or [::1], as this version has no encryption \
             and no tokens"
        )));
    }
    remote::block_on(serve(settings))
}

async fn serve(settings: Settings) -> Result<Outcome, Stop> {
    // Bound first: a second server on the port is found out before the store is touched.
    let listener = TcpListener::bind(settings.listen)
        .await
        .with_context(|| format!("{} cannot be listened on", settings.listen))?;
    let address = listener.local_addr()?;
    let page_listener = pages::bind(settings.listen, settings.pages).await?;
    let shared = open(settings).await?;
    let pages = pages::Served::start(page_listener, &format!("http://{address}"))?;
    let (folder, n_units) = (shared.settings.data.display(), shared.fleet.len());
    note(format!(
        "serving http://{address}, {n_units} units, data in {folder}; pages at {}; Ctrl-C stops",
        pages.url
    ));
    let told = async {
        stop_signal().await;
        note("stopping");
    };
    let ended = wheeltap_server::run(listener, shared, told).await;
    pages.stop().await?;
    match ended {
        Ok(()) => Ok(Outcome::Fine),
        Err(RunError::Start { source }) => Err(not_started(source)),
        Err(error) => Err(error.into()),
    }
}

/// What the settings name is the user's to mend, unlike a store that fails.
fn not_started(error: StartError) -> Stop {
    match error {
        StartError::Store { .. } => Stop::Failed(error.into()),
        StartError::Settings { .. }
        | StartError::Catalogue { .. }
        | StartError::Work { .. }
        | StartError::Rules { .. } => Stop::Usage(error.into()),
    }
}

/// Opens the store and all that the service shares; settings that cannot be are usage errors.
pub async fn open(settings: Settings) -> Result<Arc<Shared>, Stop> {
    let opened = tokio::task::spawn_blocking(move || {
        let options = Options {
            raw_ms: settings.retention.raw.ms(),
            minute_ms: settings.retention.minute.ms(),
            hour_ms: settings.retention.hour.ms(),
            ..Options::default()
        };
        let store = SledStore::open(&settings.data, options)?;
        Shared::open(Arc::new(store), settings, Arc::new(SystemClock)).map_err(not_started)
    });
    opened.await?
}

/// Ready at Ctrl-C, and where there is such a thing, at SIGTERM.
pub async fn stop_signal() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = terminate.recv() => {}
            }
            return;
        }
    }
    let _ = tokio::signal::ctrl_c().await;
}
