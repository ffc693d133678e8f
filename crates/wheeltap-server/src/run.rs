//! Runs the service on a bound listener until it is told to stop.
//!
//! The order of stopping: refuse what is new, let streams finish what they hold, store and judge
//! what was taken in, end. Streams that do not end by themselves get a deadline.

use crate::access::AccessLayer;
use crate::after_repair::{Outlasting, Repairs};
use crate::alerts::AlertCalls;
use crate::cut::Scissors;
use crate::defects::DefectCalls;
use crate::desk::DeskCalls;
use crate::fleet_calls::FleetCalls;
use crate::ingest::{Ingest, IngestCalls, MAX_MESSAGE};
use crate::judging::{Judging, LedgerError};
use crate::reports::ReportCalls;
use crate::rules::RuleCalls;
use crate::telemetry_calls::TelemetryCalls;
use crate::threads::start_thread;
use crate::turnaround::TurnaroundCalls;
use crate::{Shared, StartError, notify, request_ids, status};
use std::sync::Arc;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio_stream::StreamExt;
use tonic::service::Routes;
use tonic::transport::Server;
use tonic::transport::server::TcpIncoming;
use tonic_health::ServingStatus;
use wheeltap_model::ServerTime;
use wheeltap_proto::v1::alert_service_server::AlertServiceServer;
use wheeltap_proto::v1::defect_service_server::DefectServiceServer;
use wheeltap_proto::v1::desk_service_server::DeskServiceServer;
use wheeltap_proto::v1::fleet_service_server::FleetServiceServer;
use wheeltap_proto::v1::ingest_service_server::IngestServiceServer;
use wheeltap_proto::v1::report_service_server::ReportServiceServer;
use wheeltap_proto::v1::rule_service_server::RuleServiceServer;
use wheeltap_proto::v1::telemetry_service_server::TelemetryServiceServer;
use wheeltap_proto::v1::turnaround_service_server::TurnaroundServiceServer;
use wheeltap_store::StoreError;

/// Why the service ended other than by being told to.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// It did not start.
    #[error("the service could not start")]
    Start {
        /// Why.
        #[source]
        source: StartError,
    },
    /// The listener is open to others.
    #[error(
        "{address} is not a loopback address; listen on 127.0.0.1 or [::1]: this version has no \
         encryption and no tokens, so it serves this machine only"
    )]
    NotLoopback {
        /// Where it listens.
        address: std::net::SocketAddr,
    },
    /// The system refused something.
    #[error("the system refused {doing}")]
    System {
        /// What.
        doing: &'static str,
        /// What it said.
        #[source]
        source: std::io::Error,
    },
    /// The transport failed.
    #[error("the transport failed")]
    Transport {
        /// How.
        #[source]
        source: tonic::transport::Error,
    },
    /// Something failed for good while it ran, such as the store.
    #[error("the service had to stop: {cause}")]
    Failed {
        /// The first failure.
        cause: String,
    },
}

impl From<StartError> for RunError {
    fn from(source: StartError) -> Self {
        Self::Start { source }
    }
}

/// HTTP/2 pings find peers that are gone without a word, as radios are.
const KEEPALIVE: Duration = Duration::from_secs(30);
const KEEPALIVE_TIMEOUT: Duration = Duration::from_secs(20);
/// Room for a batch or two on each stream; more lets one gateway fill memory unread.
const STREAM_WINDOW: u32 = 1 << 20;
const CONNECTION_WINDOW: u32 = 8 << 20;
/// Largest header list; none of ours is near it.
const HEADER_LIST: u32 = 16 * 1_024;

async fn off_thread<T: Send + 'static>(
    doing: &'static str,
    call: impl FnOnce() -> T + Send + 'static,
) -> Result<T, RunError> {
    tokio::task::spawn_blocking(call)
        .await
        .map_err(|error| RunError::System {
            doing,
            source: std::io::Error::other(error),
        })
}

/// Waits for a thread that was told to end. One that panicked has said so itself.
async fn ended(thread: JoinHandle<()>) -> Result<(), RunError> {
    let _ = off_thread("the end of a thread", move || thread.join()).await?;
    Ok(())
}

/// Serves on `listener` until `shutdown` is ready or something fails for good.
///
/// # Errors
/// [`RunError`]; whatever it is, everything that was acknowledged is on disk.
pub async fn run(
    listener: TcpListener,
    shared: Arc<Shared>,
    shutdown: impl Future<Output = ()>,
) -> Result<(), RunError> {
    let system = |doing: &'static str| move |source| RunError::System { doing, source };
    let address = listener.local_addr().map_err(system("its address"))?;
    if !address.ip().is_loopback() {
        return Err(RunError::NotLoopback { address });
    }
    let starting = Arc::clone(&shared);
    let (judging, ingest, intake_thread) = off_thread("the start", move || {
        let judging = Arc::new(Judging::start(Arc::clone(&starting))?);
        let (ingest, thread) = Ingest::start(starting, Arc::clone(&judging))?;
        Ok::<_, StartError>((judging, ingest, thread))
    })
    .await??;
    let (upkeep, upkeep_thread) = start_upkeep(&shared).map_err(system("a thread"))?;
    let chores = start_chores(&shared, &judging).map_err(system("a thread"))?;
    let tellers = notify::start(&shared, judging.ledger())?;

    let (health, health_service) = tonic_health::server::health_reporter();
    set_health(&health, ServingStatus::Serving).await;
    let streams_most = shared.settings.limits.streams.saturating_add(1_024);
    let router = Server::builder()
        .layer(AccessLayer::new(Arc::clone(&shared)))
        .http2_keepalive_interval(Some(KEEPALIVE))
        .http2_keepalive_timeout(Some(KEEPALIVE_TIMEOUT))
        .initial_stream_window_size(STREAM_WINDOW)
        .initial_connection_window_size(CONNECTION_WINDOW)
        // Above our own bound on streams, so that one too many is answered and not left waiting.
        .max_concurrent_streams(streams_most)
        .http2_max_header_list_size(HEADER_LIST)
        .add_routes(services(&shared, &judging, &ingest))
        .add_service(health_service)
        .add_service(reflection_v1()?)
        .add_service(reflection_v1alpha()?);
    tracing::info!(%address, store = ?shared.store.id(), units = shared.fleet.len(), "serving");

    let scissors = Scissors::new();
    let incoming = TcpIncoming::from(listener)
        .with_nodelay(Some(true))
        .map(|accepted| accepted.map(|io| scissors.connection(io)));
    let stopping = Arc::clone(&shared);
    let told = async {
        tokio::select! {
            () = shutdown => {}
            () = stopping.shutdown.wait() => {}
        }
        stopping.shutdown.begin();
        set_health(&health, ServingStatus::NotServing).await;
        tracing::info!("stopping");
    };
    let deadline = async {
        shared.shutdown.wait().await;
        tokio::time::sleep(shared.settings.limits.drain.duration()).await;
    };
    let mut serving = std::pin::pin!(router.serve_with_incoming_shutdown(incoming, told));
    let served = tokio::select! {
        served = &mut serving => served,
        () = deadline => {
            tracing::warn!("connections that stayed open are cut");
            scissors.cut();
            serving.await
        }
    };
    shared.shutdown.begin();
    ingest.stop().await;
    tellers.ended().await;
    ended(intake_thread).await?;
    for (alive, thread) in chores {
        drop(alive);
        ended(thread).await?;
    }
    off_thread("the end of judging", move || judging.stop()).await?;
    drop(upkeep);
    ended(upkeep_thread).await?;
    tracing::info!("stopped");
    served.map_err(|source| RunError::Transport { source })?;
    match shared.shutdown.cause() {
        Some(cause) => Err(RunError::Failed {
            cause: cause.to_owned(),
        }),
        None => Ok(()),
    }
}

/// The services of the contract.
fn services(shared: &Arc<Shared>, judging: &Arc<Judging>, ingest: &Arc<Ingest>) -> Routes {
    let (shared, judging) = (|| Arc::clone(shared), || Arc::clone(judging));
    let repairs = Arc::new(Repairs::new(shared(), judging()));
    let ingest = IngestServiceServer::new(IngestCalls(Arc::clone(ingest)));
    Routes::new(ingest.max_decoding_message_size(MAX_MESSAGE))
        .add_service(TelemetryServiceServer::new(TelemetryCalls::new(shared())))
        .add_service(FleetServiceServer::new(FleetCalls::new(
            shared(),
            judging(),
        )))
        .add_service(RuleServiceServer::new(RuleCalls::new(shared(), judging())))
        .add_service(AlertServiceServer::new(AlertCalls::new(
            shared(),
            judging(),
        )))
        .add_service(DefectServiceServer::new(DefectCalls::new(
            shared(),
            judging(),
            Arc::clone(&repairs),
        )))
        .add_service(DeskServiceServer::new(DeskCalls::new(shared(), judging())))
        .add_service(ReportServiceServer::new(ReportCalls::new(
            shared(),
            judging(),
        )))
        .add_service(TurnaroundServiceServer::new(TurnaroundCalls::new(
            shared(),
            judging(),
            Arc::clone(&repairs),
        )))
}

/// Names under which the health service answers besides the empty one.
const SERVICES: [&str; 9] = [
    "wheeltap.v1.IngestService",
    "wheeltap.v1.TelemetryService",
    "wheeltap.v1.FleetService",
    "wheeltap.v1.RuleService",
    "wheeltap.v1.AlertService",
    "wheeltap.v1.DefectService",
    "wheeltap.v1.DeskService",
    "wheeltap.v1.ReportService",
    "wheeltap.v1.TurnaroundService",
];

async fn set_health(health: &tonic_health::server::HealthReporter, status: ServingStatus) {
    health.set_service_status("", status).await;
    for service in SERVICES {
        health.set_service_status(service, status).await;
    }
}

fn reflection_builder<'b>() -> tonic_reflection::server::Builder<'b> {
    tonic_reflection::server::Builder::configure()
        .register_encoded_file_descriptor_set(wheeltap_proto::DESCRIPTORS)
        .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
}

fn reflection_error(source: tonic_reflection::server::Error) -> RunError {
    RunError::System {
        doing: "the reflection service",
        source: std::io::Error::other(source),
    }
}

fn reflection_v1() -> Result<
    tonic_reflection::server::v1::ServerReflectionServer<
        impl tonic_reflection::server::v1::ServerReflection,
    >,
    RunError,
> {
    reflection_builder().build_v1().map_err(reflection_error)
}

fn reflection_v1alpha() -> Result<
    tonic_reflection::server::v1alpha::ServerReflectionServer<
        impl tonic_reflection::server::v1alpha::ServerReflection,
    >,
    RunError,
> {
    reflection_builder()
        .build_v1alpha()
        .map_err(reflection_error)
}

const UPKEEP_EVERY: Duration = Duration::from_secs(1);
const FORGET_EVERY_MS: i64 = 3_600_000;

/// Starts the thread that cuts, seals and drops once a second until the sender is dropped.
fn start_upkeep(shared: &Arc<Shared>) -> std::io::Result<(Sender<()>, JoinHandle<()>)> {
    let (alive, ended) = channel();
    let keeping = Arc::clone(shared);
    let thread = start_thread(shared, "upkeep", move || {
        let mut forgotten_at = None;
        while ended.recv_timeout(UPKEEP_EVERY) == Err(RecvTimeoutError::Timeout) {
            if let Err(error) = keep_up(&keeping, &mut forgotten_at) {
                keeping.shutdown.fail(&status::chain(&error));
                return;
            }
        }
    })?;
    Ok((alive, thread))
}

/// A thread, and what keeps it alive until it is dropped.
type Chore = (Sender<()>, JoinHandle<()>);

/// Starts what is done by the clock: class baselines are looked at every 30 s, and one that is being fitted
/// at the end is finished first; mutes whose time is over are ended every second; repairs that an alert outlasted
/// are looked at every 5 s.
fn start_chores(shared: &Arc<Shared>, judging: &Arc<Judging>) -> std::io::Result<[Chore; 3]> {
    let freezing = Arc::clone(judging);
    let lapsing = Arc::clone(judging);
    let (reading, reopening) = (Arc::clone(shared), Arc::clone(judging));
    let outlasting = Outlasting::default();
    Ok([
        start_chore(
            shared,
            "class-baselines",
            Duration::from_secs(30),
            move || freezing.freeze_class_baselines().map(drop),
        )?,
        start_chore(shared, "mutes", Duration::from_secs(1), move || {
            lapsing.lapse_mutes()
        })?,
        start_chore(shared, "repairs", Duration::from_secs(5), move || {
            outlasting.reopen(&reading, &reopening)
        })?,
    ])
}

fn start_chore(
    shared: &Arc<Shared>,
    doing: &'static str,
    every: Duration,
    chore: impl Fn() -> Result<(), LedgerError> + Send + 'static,
) -> std::io::Result<Chore> {
    let (alive, ended) = channel();
    let failing = Arc::clone(shared);
    let thread = start_thread(shared, doing, move || {
        while ended.recv_timeout(every) == Err(RecvTimeoutError::Timeout) {
            // After a stop of the store the service is stopping already; whatever else it is, nobody would
            // notice that this is not done any more.
            if let Err(error) = chore() {
                failing.shutdown.fail(&status::chain(&error));
                return;
            }
        }
    })?;
    Ok((alive, thread))
}

fn keep_up(shared: &Shared, forgotten_at: &mut Option<ServerTime>) -> Result<(), StoreError> {
    let now = shared.clock.now();
    let done = shared.store.upkeep(now)?;
    tracing::trace!(?done, "upkeep");
    if forgotten_at.is_none_or(|at| now.ms_since(at) >= FORGET_EVERY_MS) {
        request_ids::forget_old(shared.store.as_ref(), now)?;
        *forgotten_at = Some(now);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{ManualClock, Settings};
    use wheeltap_catalogue::Catalogue;
    use wheeltap_followup::BookError;
    use wheeltap_store::MemoryStore;

    #[test]
    fn a_chore_that_fails_stops_the_service() {
        let clock = Arc::new(ManualClock::new(ServerTime::from_unix_ms(0)));
        let shared = Shared::with_catalogue(
            Arc::new(MemoryStore::new()),
            Settings::default(),
            clock,
            Catalogue::from_parts(Vec::new(), Vec::new()),
        )
        .unwrap();
        let failing = || {
            let source = BookError {
                seq: 7,
                what: "a test".to_owned(),
            };
            Err(LedgerError::Book { source })
        };
        let (_alive, thread) = start_chore(&shared, "a test", Duration::ZERO, failing).unwrap();
        thread.join().unwrap();
        let cause = shared.shutdown.cause().unwrap();
        assert!(cause.contains("entry 7"), "{cause}");
    }
}
