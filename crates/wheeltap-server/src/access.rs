//! Who may call what: one table, and the layer that asks it before any handler runs.

use crate::status;
use std::net::SocketAddr;
use std::sync::Arc;
use std::task::{Context, Poll};
use tonic::body::Body;
use tonic::codegen::http;
use tonic::metadata::MetadataMap;
use tonic::transport::server::TcpConnectInfo;
use tower::{Layer, Service};
use wheeltap_model::{Actor, PersonName, Role, UNNAMED};
use wheeltap_proto::PERSON_KEY;

use Role::{Desk, Gateway, Operator, Reliability, ServiceTrack, System};

const EVERYBODY: &[Role] = &[Gateway, Reliability, Desk, ServiceTrack, System, Operator];
const READERS: &[Role] = &[Reliability, Desk, ServiceTrack, System, Operator];

/// Every call with the roles that may make it. A test compares it with the contract.
const TABLE: &[(&str, &[Role])] = &[
    ("wheeltap.v1.IngestService/StreamTelemetry", &[Gateway]),
    (
        "wheeltap.v1.IngestService/ListQuarantinedBatches",
        &[Operator],
    ),
    (
        "wheeltap.v1.IngestService/ReleaseQuarantinedBatch",
        &[Operator],
    ),
    (
        "wheeltap.v1.IngestService/DeleteQuarantinedBatch",
        &[Operator],
    ),
    ("wheeltap.v1.TelemetryService/ListSamples", READERS),
    ("wheeltap.v1.TelemetryService/ListRollups", READERS),
    ("wheeltap.v1.TelemetryService/ListEvents", READERS),
    ("wheeltap.v1.FleetService/ListUnits", EVERYBODY),
    ("wheeltap.v1.FleetService/GetUnit", EVERYBODY),
    ("wheeltap.v1.FleetService/CreateUnit", &[Operator]),
    (
        "wheeltap.v1.FleetService/RecordUnitState",
        &[Operator, Desk],
    ),
    ("wheeltap.v1.FleetService/RecordConsist", &[Operator, Desk]),
    ("wheeltap.v1.FleetService/ListClasses", EVERYBODY),
    ("wheeltap.v1.FleetService/GetClass", EVERYBODY),
    ("wheeltap.v1.FleetService/ListChannels", EVERYBODY),
    ("wheeltap.v1.FleetService/GetChannel", EVERYBODY),
    ("wheeltap.v1.RuleService/ListRules", READERS),
    ("wheeltap.v1.RuleService/GetRule", READERS),
    ("wheeltap.v1.RuleService/VetRule", &[Reliability]),
    ("wheeltap.v1.RuleService/LodgeRule", &[Reliability]),
    ("wheeltap.v1.RuleService/TryRuleCases", &[Reliability]),
    ("wheeltap.v1.RuleService/PromoteRule", &[Reliability]),
    ("wheeltap.v1.RuleService/ListClassBaselines", READERS),
    ("wheeltap.v1.RuleService/ReplayRule", &[Reliability]),
    ("wheeltap.v1.RuleService/SweepRule", &[Reliability]),
    ("wheeltap.v1.RuleService/WalkBack", &[Reliability]),
    ("wheeltap.v1.AlertService/ListAlerts", READERS),
    ("wheeltap.v1.AlertService/GetAlert", READERS),
    ("wheeltap.v1.AlertService/AcknowledgeAlert", &[Desk]),
    ("wheeltap.v1.AlertService/GiveBackAlert", &[Desk]),
    ("wheeltap.v1.AlertService/WatchAlerts", READERS),
    ("wheeltap.v1.DefectService/ListDefects", READERS),
    ("wheeltap.v1.DefectService/GetDefect", READERS),
    (
        "wheeltap.v1.DefectService/ReportDefect",
        &[Desk, ServiceTrack],
    ),
    ("wheeltap.v1.DefectService/TakeDefectOn", &[Desk]),
    (
        "wheeltap.v1.DefectService/LogContact",
        &[Desk, ServiceTrack],
    ),
    (
        "wheeltap.v1.DefectService/KeepPromise",
        &[Desk, ServiceTrack],
    ),
    ("wheeltap.v1.DefectService/SayDisposition", &[Desk]),
    (
        "wheeltap.v1.DefectService/PlanDefect",
        &[Desk, ServiceTrack],
    ),
    ("wheeltap.v1.DefectService/BeginWork", &[ServiceTrack]),
    ("wheeltap.v1.DefectService/RecordFinding", &[ServiceTrack]),
    (
        "wheeltap.v1.DefectService/CloseWithoutFinding",
        &[ServiceTrack],
    ),
    (
        "wheeltap.v1.DefectService/SplitDefect",
        &[Desk, ServiceTrack],
    ),
    (
        "wheeltap.v1.DefectService/MergeDefect",
        &[Desk, ServiceTrack],
    ),
    ("wheeltap.v1.DefectService/ListDefectChanges", READERS),
    ("wheeltap.v1.DeskService/ShelveAlert", &[Desk]),
    (
        "wheeltap.v1.DeskService/TakeOutOfService",
        &[ServiceTrack, Operator],
    ),
    (
        "wheeltap.v1.DeskService/LiftMute",
        &[Desk, ServiceTrack, Operator],
    ),
    ("wheeltap.v1.DeskService/ListMutes", READERS),
    ("wheeltap.v1.DeskService/GetDesk", READERS),
    ("wheeltap.v1.DeskService/HandOver", &[Desk]),
    ("wheeltap.v1.DeskService/ListHandovers", READERS),
    ("wheeltap.v1.DeskService/ListActs", READERS),
    ("wheeltap.v1.ReportService/GetRuleScorecards", READERS),
    ("wheeltap.v1.ReportService/GetDeskLoad", READERS),
    ("wheeltap.v1.ReportService/GetReliability", READERS),
    ("wheeltap.v1.ReportService/GetRailPlaces", READERS),
    ("wheeltap.v1.TurnaroundService/ListServicePoints", READERS),
    ("wheeltap.v1.TurnaroundService/ListArrivals", READERS),
    (
        "wheeltap.v1.TurnaroundService/RecordArrivals",
        &[Desk, ServiceTrack, System],
    ),
    (
        "wheeltap.v1.TurnaroundService/CancelArrival",
        &[Desk, ServiceTrack, System],
    ),
    (
        "wheeltap.v1.TurnaroundService/RestoreArrival",
        &[Desk, ServiceTrack, System],
    ),
    ("wheeltap.v1.TurnaroundService/ListPartStock", READERS),
    (
        "wheeltap.v1.TurnaroundService/RecordPartStock",
        &[ServiceTrack, System],
    ),
    ("wheeltap.v1.TurnaroundService/ListCare", READERS),
    (
        "wheeltap.v1.TurnaroundService/RecordCare",
        &[ServiceTrack, System],
    ),
    ("wheeltap.v1.TurnaroundService/GetSheet", READERS),
    // Standard services: they tell what the service is, not what it holds.
    ("grpc.health.v1.Health/Check", EVERYBODY),
    ("grpc.health.v1.Health/Watch", EVERYBODY),
    ("grpc.health.v1.Health/List", EVERYBODY),
    (
        "grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
        EVERYBODY,
    ),
    (
        "grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo",
        EVERYBODY,
    ),
];

/// Why a call was not let through.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Denied {
    /// Nobody knows who calls.
    NoIdentity,
    /// The caller has none of the roles.
    NoRole,
    /// The table has no such call.
    NoSuchCall,
    /// The name it says is none.
    BadPerson {
        /// Why.
        why: String,
    },
}

/// Establishes identities and asks the table.
#[derive(Clone, Debug)]
pub struct Access {
    /// Whoever calls from this machine.
    local: Actor,
}

impl Default for Access {
    fn default() -> Self {
        Self::with_local(Actor {
            name: UNNAMED.to_owned(),
            roles: EVERYBODY.to_vec(),
        })
    }
}

impl Access {
    /// Callers on loopback act as this one, under the name they say; nobody else is known.
    pub const fn with_local(local: Actor) -> Self {
        Self { local }
    }

    /// Who calls from this address.
    fn identify(&self, peer: Option<SocketAddr>) -> Option<&Actor> {
        peer.is_some_and(|addr| addr.ip().to_canonical().is_loopback())
            .then_some(&self.local)
    }

    /// Lets a call through, or says why not. `call` is `package.Service/Method`, `said` who the caller says acts.
    ///
    /// # Errors
    /// See [`Denied`].
    pub fn admit(
        &self,
        peer: Option<SocketAddr>,
        call: &str,
        said: Option<PersonName>,
    ) -> Result<Actor, Denied> {
        let actor = self.identify(peer).ok_or(Denied::NoIdentity)?;
        let (_, roles) = TABLE
            .iter()
            .find(|(name, _)| *name == call)
            .ok_or(Denied::NoSuchCall)?;
        if !actor.roles.iter().any(|role| roles.contains(role)) {
            return Err(Denied::NoRole);
        }
        Ok(Actor {
            name: said.map_or_else(|| actor.name.clone(), String::from),
            roles: actor.roles.clone(),
        })
    }
}

/// Who the caller says acts.
fn person(headers: &http::HeaderMap) -> Result<Option<PersonName>, Denied> {
    let bad = |why: &str| Denied::BadPerson {
        why: why.to_owned(),
    };
    let mut said = headers.get_all(PERSON_KEY).iter();
    let Some(value) = said.next() else {
        return Ok(None);
    };
    if said.next().is_some() {
        return Err(bad("is said more than once; say one name"));
    }
    let mut alone = http::HeaderMap::new();
    alone.insert(PERSON_KEY, value.clone());
    let alone = MetadataMap::from_headers(alone);
    let bytes = alone
        .get_bin(PERSON_KEY)
        .and_then(|value| value.to_bytes().ok())
        .ok_or_else(|| bad("is not base64, as binary metadata is sent"))?;
    let name = std::str::from_utf8(&bytes).map_err(|_| bad("is not UTF-8"))?;
    let name = PersonName::new(name).map_err(|error| bad(&error.to_string()))?;
    Ok(Some(name))
}

/// The layer that admits or refuses every call, and hands the [`Actor`] to the handler as a
/// request extension.
#[derive(Clone)]
pub struct AccessLayer {
    shared: Arc<crate::Shared>,
}

impl AccessLayer {
    /// A layer that asks `shared.access`.
    pub const fn new(shared: Arc<crate::Shared>) -> Self {
        Self { shared }
    }
}

impl<S> Layer<S> for AccessLayer {
    type Service = Admitting<S>;
    fn layer(&self, inner: S) -> Admitting<S> {
        Admitting {
            shared: Arc::clone(&self.shared),
            inner,
        }
    }
}

/// A service behind [`AccessLayer`].
#[derive(Clone)]
pub struct Admitting<S> {
    shared: Arc<crate::Shared>,
    inner: S,
}

impl<S> Service<http::Request<Body>> for Admitting<S>
where
    S: Service<http::Request<Body>, Response = http::Response<Body>>,
{
    type Response = S::Response;
    type Error = S::Error;
    type Future = futures::future::Either<
        S::Future,
        std::future::Ready<Result<http::Response<Body>, S::Error>>,
    >;

    fn poll_ready(&mut self, cx: &mut Context<'_>) -> Poll<Result<(), S::Error>> {
        self.inner.poll_ready(cx)
    }

    fn call(&mut self, mut request: http::Request<Body>) -> Self::Future {
        let peer = request
            .extensions()
            .get::<TcpConnectInfo>()
            .and_then(TcpConnectInfo::remote_addr);
        let call = request.uri().path().trim_start_matches('/').to_owned();
        let admitted =
            person(request.headers()).and_then(|said| self.shared.access.admit(peer, &call, said));
        match admitted {
            Ok(actor) => {
                request.extensions_mut().insert(actor);
                futures::future::Either::Left(self.inner.call(request))
            }
            Err(denied) => {
                self.shared.metrics.calls_denied.add(1);
                tracing::warn!(call, ?peer, ?denied, "a call was denied");
                let status = status::denied(&denied, &call);
                futures::future::Either::Right(std::future::ready(Ok(status.into_http())))
            }
        }
    }
}

/// The caller, as the access layer established it.
///
/// # Errors
/// INTERNAL when the layer is missing: a bug, but not one that lets anybody in.
pub fn actor_of<T>(request: &tonic::Request<T>) -> Result<Actor, tonic::Status> {
    request
        .extensions()
        .get::<Actor>()
        .cloned()
        .ok_or_else(|| status::internal("a call reached its handler without an identity"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use prost::Message;
    use std::collections::BTreeSet;
    use tonic::metadata::BinaryMetadataValue;

    #[test]
    fn the_table_lists_every_call_of_the_contract() {
        let files = prost_types::FileDescriptorSet::decode(wheeltap_proto::DESCRIPTORS).unwrap();
        let mut declared = BTreeSet::new();
        for file in &files.file {
            for service in &file.service {
                for method in &service.method {
                    declared.insert(format!(
                        "{}.{}/{}",
                        file.package(),
                        service.name(),
                        method.name()
                    ));
                }
            }
        }
        assert!(declared.len() >= 30, "the contract has its services");
        let listed: BTreeSet<String> = TABLE
            .iter()
            .map(|(call, _)| (*call).to_owned())
            .filter(|call| !call.starts_with("grpc."))
            .collect();
        assert_eq!(listed, declared);
        assert!(TABLE.iter().all(|(_, roles)| !roles.is_empty()));
    }

    #[test]
    fn each_role_may_do_its_own_work_only() {
        let peer = Some(SocketAddr::from(([127, 0, 0, 1], 5000)));
        let check = |role: Role, call: &str, expected: Result<(), Denied>| {
            let access = Access::with_local(Actor {
                name: "somebody".to_owned(),
                roles: vec![role],
            });
            let got = access
                .admit(peer, &format!("wheeltap.v1.{call}"), None)
                .map(|_| ());
            assert_eq!(got, expected, "{role:?} {call}");
        };
        check(Gateway, "IngestService/StreamTelemetry", Ok(()));
        check(Gateway, "AlertService/ListAlerts", Err(Denied::NoRole));
        check(Desk, "AlertService/AcknowledgeAlert", Ok(()));
        check(Desk, "IngestService/StreamTelemetry", Err(Denied::NoRole));
        check(Desk, "RuleService/PromoteRule", Err(Denied::NoRole));
        check(System, "DefectService/ListDefectChanges", Ok(()));
        check(System, "DefectService/RecordFinding", Err(Denied::NoRole));
        check(ServiceTrack, "DefectService/RecordFinding", Ok(()));
        check(Reliability, "RuleService/PromoteRule", Ok(()));
        check(Operator, "IngestService/ListQuarantinedBatches", Ok(()));
        check(Operator, "IngestService/Nonsense", Err(Denied::NoSuchCall));
    }

    #[test]
    fn only_loopback_has_an_identity() {
        let access = Access::default();
        let call = "wheeltap.v1.FleetService/ListUnits";
        let from = |text: &str| {
            access
                .admit(Some(text.parse().unwrap()), call, None)
                .map(|actor| actor.name)
        };
        let local = || Ok("local".to_owned());
        assert_eq!(from("127.0.0.1:1"), local());
        assert_eq!(from("[::1]:1"), local());
        assert_eq!(from("[::ffff:127.0.0.1]:1"), local());
        assert_eq!(from("192.0.2.7:1"), Err(Denied::NoIdentity));
        assert_eq!(
            access.admit(None, call, None).map(|_| ()),
            Err(Denied::NoIdentity)
        );
    }

    #[test]
    fn a_caller_says_one_name_that_is_one() {
        let said = |names: &[&[u8]]| {
            let mut headers = http::HeaderMap::new();
            for name in names {
                let value = BinaryMetadataValue::from_bytes(name);
                let value = http::HeaderValue::from_bytes(value.as_encoded_bytes()).unwrap();
                headers.append(PERSON_KEY, value);
            }
            person(&headers).map(|name| name.map(String::from))
        };
        assert_eq!(said(&[]), Ok(None));
        let name = "Zo\u{eb} Brook";
        assert_eq!(said(&[name.as_bytes()]), Ok(Some(name.to_owned())));
        let why = |names: &[&[u8]]| match said(names) {
            Err(Denied::BadPerson { why }) => why,
            other => panic!("{other:?}"),
        };
        assert!(why(&[b"Ada", b"Bo"]).contains("more than once"));
        assert!(why(&[&[0xff]]).contains("UTF-8"));
        for none in ["", " Ada", "A\nda", "Local", "clock", "telemetry"] {
            assert!(
                why(&[none.as_bytes()]).contains("is no name of a person"),
                "{none:?}"
            );
        }
        assert!(why(&["x".repeat(61).as_bytes()]).contains("1 to 60"));
        let mut headers = http::HeaderMap::new();
        headers.insert(PERSON_KEY, http::HeaderValue::from_static("~~"));
        assert!(matches!(person(&headers), Err(Denied::BadPerson { .. })));
    }
}
