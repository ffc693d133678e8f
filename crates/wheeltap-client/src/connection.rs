//! One connection to the service, and what is set on it.

use crate::ConnectError;
use std::time::Duration;
use tonic::metadata::{Binary, MetadataValue};
use tonic::service::{Interceptor, interceptor::InterceptedService};
use tonic::transport::{Channel, Endpoint};
use wheeltap_model::PersonName;
use wheeltap_proto::PERSON_KEY;
use wheeltap_proto::v1::{
    alert_service_client::AlertServiceClient, defect_service_client::DefectServiceClient,
    desk_service_client::DeskServiceClient, fleet_service_client::FleetServiceClient,
    ingest_service_client::IngestServiceClient, report_service_client::ReportServiceClient,
    rule_service_client::RuleServiceClient, telemetry_service_client::TelemetryServiceClient,
    turnaround_service_client::TurnaroundServiceClient,
};

/// Largest message taken from the service. A page of 100,000 samples is about 1.7 MB; a page of
/// 1,000 alerts with full evidence can be more than the 4 MiB that is gRPC's habit.
const MAX_MESSAGE_BYTES: usize = 16 * 1024 * 1024;
/// How long to wait for the TCP and HTTP/2 handshake.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
/// A ping this often finds out that the other end is gone: radio links drop without a word.
const KEEPALIVE_INTERVAL: Duration = Duration::from_secs(15);
/// A ping unanswered for so long means that the connection is dead.
const KEEPALIVE_TIMEOUT: Duration = Duration::from_secs(10);

/// A connection to one service. Cloning is cheap and shares the connection, which is set up again
/// by itself after it broke; calls made meanwhile fail with `UNAVAILABLE`.
#[derive(Clone, Debug)]
pub struct Connection {
    channel: Channel,
    signature: Signature,
}

/// Says with each call who acts.
#[derive(Clone, Debug, Default)]
pub struct Signature {
    name: Option<MetadataValue<Binary>>,
}

impl Interceptor for Signature {
    fn call(
        &mut self,
        mut request: tonic::Request<()>,
    ) -> Result<tonic::Request<()>, tonic::Status> {
        if let Some(name) = &self.name {
            request.metadata_mut().insert_bin(PERSON_KEY, name.clone());
        }
        Ok(request)
    }
}

/// What carries the calls of one [`Connection`].
pub type Signed = InterceptedService<Channel, Signature>;

fn endpoint(text: &str) -> Result<Endpoint, ConnectError> {
    let endpoint =
        Endpoint::from_shared(text.to_owned()).map_err(|source| ConnectError::BadEndpoint {
            endpoint: text.to_owned(),
            source,
        })?;
    Ok(endpoint
        .connect_timeout(CONNECT_TIMEOUT)
        .tcp_nodelay(true)
        .tcp_keepalive(Some(KEEPALIVE_INTERVAL))
        .http2_keep_alive_interval(KEEPALIVE_INTERVAL)
        .keep_alive_timeout(KEEPALIVE_TIMEOUT)
        .keep_alive_while_idle(true)
        // Telemetry of many units shares one stream; the default window of 64 KiB would wait for
        // the other end at every batch.
        .initial_stream_window_size(2 * 1024 * 1024)
        .initial_connection_window_size(4 * 1024 * 1024))
}

/// Connects to a service, such as `http://127.0.0.1:7417`.
///
/// # Errors
/// [`ConnectError`] when the text is no address or nobody answers there within 5 s.
pub async fn connect(address: &str) -> Result<Connection, ConnectError> {
    let channel =
        endpoint(address)?
            .connect()
            .await
            .map_err(|source| ConnectError::Unreachable {
                endpoint: address.to_owned(),
                source,
            })?;
    Ok(Connection::from_channel(channel))
}

/// As [`connect`], but does not wait for the service: the first call connects. A gateway starts so,
/// because its spool must take telemetry whether or not the service is up.
///
/// # Errors
/// [`ConnectError::BadEndpoint`] when the text is no address.
pub fn connect_lazy(address: &str) -> Result<Connection, ConnectError> {
    Ok(Connection::from_channel(endpoint(address)?.connect_lazy()))
}

macro_rules! clients {
    ($($(#[$doc:meta])* $name:ident: $client:ident),* $(,)?) => {
        impl Connection {
            $($(#[$doc])*
            pub fn $name(&self) -> $client<Signed> {
                $client::with_interceptor(self.channel.clone(), self.signature.clone())
                    .max_decoding_message_size(MAX_MESSAGE_BYTES)
                    .max_encoding_message_size(MAX_MESSAGE_BYTES)
            })*
        }
    };
}

clients! {
    /// Telemetry in; [`crate::Gateway`] drives it.
    ingest: IngestServiceClient,
    /// Telemetry back out.
    telemetry: TelemetryServiceClient,
    /// Units, classes and channels.
    fleet: FleetServiceClient,
    /// The rule book.
    rules: RuleServiceClient,
    /// Alerts; [`crate::watch_alerts`] follows them.
    alerts: AlertServiceClient,
    /// Defects.
    defects: DefectServiceClient,
    /// The desk: mutes, load, handovers, who did what.
    desk: DeskServiceClient,
    /// Scorecards, load of the desk, reliability.
    reports: ReportServiceClient,
    /// Arrivals, parts, work done and turnaround sheets.
    turnaround: TurnaroundServiceClient,
}

impl Connection {
    /// Wraps a channel set up elsewhere, for example with TLS.
    pub const fn from_channel(channel: Channel) -> Self {
        Self {
            channel,
            signature: Signature { name: None },
        }
    }

    /// The same connection, on which this person acts: the name stands with every act in the audit log. Without
    /// one the service writes `local`, which is nobody in particular.
    #[must_use]
    pub fn acting_as(&self, person: &PersonName) -> Self {
        let name = MetadataValue::from_bytes(person.as_str().as_bytes());
        Self {
            channel: self.channel.clone(),
            signature: Signature { name: Some(name) },
        }
    }
}
