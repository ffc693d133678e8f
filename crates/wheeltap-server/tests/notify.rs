//! The promise: a receiver of events hears of every change at least once and in order, whatever it does,
//! can prove who sent it, and holds up nobody.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, Method, StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use axum::routing::post;
use axum::serve::Listener;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use common::alerting::{HOT, Sender, swings};
use common::{NOW_MS, Served};
use hmac::{Hmac, KeyInit, Mac};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::PrivateKeyDer;
use tokio_rustls::server::TlsStream;
use wheeltap_proto::v1;
use wheeltap_proto::v1::alert_service_client::AlertServiceClient;
use wheeltap_proto::v1::defect_service_client::DefectServiceClient;
use wheeltap_proto::v1::watch_alerts_response::Item;
use wheeltap_server::{RunError, Settings};
use wheeltap_store::MemoryStore;

const SECRET: &str = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef";
/// Nothing here takes a tenth of it.
const PATIENCE: Duration = Duration::from_secs(30);

/// One request as it came.
struct Came {
    method: Method,
    uri: Uri,
    headers: HeaderMap,
    body: Bytes,
}

/// What a receiver does with a request.
#[derive(Clone, Copy, Debug)]
enum Does {
    Takes,
    Fails,
    AsksToWait,
    NeverAnswers,
    TakesAndFails,
}

/// A receiver: its random ways, and all that it took, in the order in which it came.
struct Receiver {
    random: Mutex<StdRng>,
    is_moody: bool,
    took: Mutex<Vec<Came>>,
    n_took: watch::Sender<usize>,
}

impl Receiver {
    fn new(seed: u64, is_moody: bool) -> Arc<Self> {
        Arc::new(Self {
            random: Mutex::new(StdRng::seed_from_u64(seed)),
            is_moody,
            took: Mutex::default(),
            n_took: watch::Sender::new(0),
        })
    }

    fn does(&self) -> Does {
        if !self.is_moody {
            return Does::Takes;
        }
        match self.random.lock().unwrap().random_range(0..10) {
            0 => Does::Fails,
            1 => Does::AsksToWait,
            2 => Does::NeverAnswers,
            3 => Does::TakesAndFails,
            _ => Does::Takes,
        }
    }

    /// Serves until the sender is dropped.
    fn serve<L>(self: &Arc<Self>, listener: L) -> tokio::sync::oneshot::Sender<()>
    where
        L: Listener<Addr: std::fmt::Debug>,
    {
        let (stop, stopped) = tokio::sync::oneshot::channel();
        let router = Router::new()
            .route("/events", post(took))
            .with_state(Arc::clone(self));
        tokio::spawn(async move {
            tokio::select! {
                served = axum::serve(listener, router) => served.unwrap(),
                _ = stopped => {}
            }
        });
        stop
    }

    async fn until(&self, holds: impl Fn(&[Came]) -> bool) {
        let mut n_took = self.n_took.subscribe();
        let wait = async {
            while !holds(&self.took.lock().unwrap()) {
                n_took.changed().await.unwrap();
            }
        };
        let waited = tokio::time::timeout(PATIENCE, wait).await;
        assert!(waited.is_ok(), "{} came", self.took.lock().unwrap().len());
    }
}

/// Takes encrypted connections only, under a certificate of its own making.
struct Encrypted {
    listener: TcpListener,
    acceptor: TlsAcceptor,
    /// The certificate, PEM.
    certificate: String,
}

impl Encrypted {
    /// For an address of this machine: where a certificate of the same name stood before, this is another.
    async fn bind(address: &str) -> Self {
        let own = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
        let key = PrivateKeyDer::try_from(own.signing_key.serialize_der()).unwrap();
        let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_single_cert(vec![own.cert.der().clone()], key)
            .unwrap();
        let listener = loop {
            match TcpListener::bind(address).await {
                Ok(listener) => break listener,
                Err(_) => tokio::task::yield_now().await,
            }
        };
        Self {
            listener,
            acceptor: TlsAcceptor::from(Arc::new(config)),
            certificate: own.cert.pem(),
        }
    }
}

impl Listener for Encrypted {
    type Io = TlsStream<TcpStream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        loop {
            let (stream, from) = self.listener.accept().await.unwrap();
            // A caller that does not trust the certificate goes away.
            if let Ok(stream) = self.acceptor.accept(stream).await {
                return (stream, from);
            }
        }
    }

    fn local_addr(&self) -> std::io::Result<Self::Addr> {
        self.listener.local_addr()
    }
}

async fn took(
    State(receiver): State<Arc<Receiver>>,
    method: Method,
    uri: Uri,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let does = receiver.does();
    if matches!(does, Does::Takes | Does::TakesAndFails) {
        receiver.took.lock().unwrap().push(Came {
            method,
            uri,
            headers,
            body,
        });
        receiver.n_took.send_modify(|n| *n += 1);
    }
    match does {
        Does::Takes => StatusCode::NO_CONTENT.into_response(),
        Does::Fails | Does::TakesAndFails => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
        Does::AsksToWait => {
            (StatusCode::SERVICE_UNAVAILABLE, [("retry-after", "0")]).into_response()
        }
        Does::NeverAnswers => std::future::pending().await,
    }
}

/// Checks the signature as RFC 9421 tells a receiver to, from what came alone.
fn check_signature(came: &Came, origin: &str) {
    let header = |name: &str| came.headers[name].to_str().unwrap();
    let digest = STANDARD.encode(Sha256::digest(&came.body));
    assert_eq!(header("content-digest"), format!("sha-256=:{digest}:"));
    let parameters = header("signature-input").strip_prefix("wheeltap=").unwrap();
    let (names, rest) = parameters
        .strip_prefix('(')
        .unwrap()
        .split_once(')')
        .unwrap();
    assert_eq!(
        rest,
        format!(
            ";created={};keyid=\"tests\";alg=\"hmac-sha256\"",
            NOW_MS / 1_000
        )
    );
    let covered = names.split(' ').map(|name| {
        let name = name.trim_matches('"');
        let value = match name {
            "@method" => came.method.to_string(),
            "@target-uri" => format!("{origin}{}", came.uri),
            other => header(other).to_owned(),
        };
        format!("\"{name}\": {value}\n")
    });
    let base = covered.collect::<String>() + "\"@signature-params\": " + parameters;
    for needed in ["@method", "@target-uri", "content-type", "content-digest"] {
        assert!(names.contains(needed), "{names}");
    }
    let mut mac = Hmac::<Sha256>::new_from_slice(SECRET.as_bytes()).unwrap();
    mac.update(base.as_bytes());
    let signature = header("signature")
        .strip_prefix("wheeltap=:")
        .and_then(|rest| rest.strip_suffix(':'))
        .unwrap();
    mac.verify_slice(&STANDARD.decode(signature).unwrap())
        .unwrap();
}

/// Checks an event against CloudEvents 1.0 (specification and JSON format): required attributes are
/// there and not empty, names are lower-case letters and digits, the time is RFC 3339.
fn check_event(came: &Came) -> Value {
    let kind = came.headers["content-type"].to_str().unwrap();
    assert!(kind.starts_with("application/cloudevents+json"), "{kind}");
    let event: Value = serde_json::from_slice(&came.body).unwrap();
    assert_eq!(event["specversion"], "1.0");
    for required in ["id", "source", "type"] {
        assert!(!event[required].as_str().unwrap().is_empty(), "{event}");
    }
    for name in event.as_object().unwrap().keys() {
        let is_fine = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit();
        assert!(name.len() <= 20 && name.bytes().all(is_fine), "{name}");
    }
    assert!(event["source"].as_str().unwrap().parse::<Uri>().is_ok());
    let time: jiff::Timestamp = event["time"].as_str().unwrap().parse().unwrap();
    assert_eq!(time.as_millisecond(), NOW_MS);
    assert_eq!(event["subject"], event["data"]["name"]);
    assert_eq!(event["datacontenttype"], "application/json");
    event
}

/// Events by id in the order in which they first came; the same id is the same event.
fn distinct(took: &[Came]) -> Vec<Value> {
    let mut known: BTreeMap<String, Bytes> = BTreeMap::new();
    let mut events = Vec::new();
    for came in took {
        let event: Value = serde_json::from_slice(&came.body).unwrap();
        let id = event["id"].as_str().unwrap().to_owned();
        if let Some(body) = known.get(&id) {
            assert_eq!(*body, came.body, "{id} came twice, not the same");
        } else {
            known.insert(id, came.body.clone());
            events.push(event);
        }
    }
    events
}

fn settings(folder: &Path, notify: &str) -> Settings {
    std::fs::create_dir_all(folder.join("rules")).unwrap();
    std::fs::write(folder.join("rules/oil-hot.rhai"), HOT).unwrap();
    std::fs::write(folder.join("secret"), format!("{SECRET}\n")).unwrap();
    let file = folder.join("wheeltap.toml");
    std::fs::write(&file, format!("rules = \"rules\"\n{notify}")).unwrap();
    Settings::read(&file).unwrap()
}

fn table(name: &str, address: &str) -> String {
    format!(
        "[[notify]]\nname = \"{name}\"\nurl = \"http://{address}/events\"\nsecret_file = \"secret\"\n\
         timeout = \"200 ms\"\nfirst_wait = \"1 ms\"\nlongest_wait = \"20 ms\"\n"
    )
}

/// Sends stretches of three hot and three cool seconds: an alert each.
async fn swing(served: &Served, number: u32, first_ms: i64, n: usize) {
    let mut sender = Sender::new(served, number).await;
    sender.send(first_ms, &swings(n)).await;
}

/// Changes of alerts from a cursor on, as a watch tells them, until there were so many.
async fn watched(served: &Served, cursor: &str, n: usize) -> (Vec<(String, String)>, String) {
    let mut client = AlertServiceClient::new(served.channel().await);
    let request = v1::WatchAlertsRequest {
        cursor: cursor.to_owned(),
        filter: None,
    };
    let mut stream = client.watch_alerts(request).await.unwrap().into_inner();
    let (mut changes, mut cursor) = (Vec::new(), cursor.to_owned());
    while changes.len() < n || cursor.is_empty() {
        let message = tokio::time::timeout(PATIENCE, stream.message()).await;
        let Ok(message) = message else {
            panic!("only {changes:?} came");
        };
        let response = message.unwrap().unwrap();
        cursor = response.cursor;
        if let Some(Item::Change(change)) = response.item {
            let kind = change.kind().as_str_name().replace("KIND_", "alert.");
            changes.push((kind.to_lowercase(), change.alert.unwrap().name));
        }
    }
    (changes, cursor)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_moody_receiver_hears_of_every_change_in_order() {
    let seed = std::env::var("WHEELTAP_SEED").map_or_else(
        |_| StdRng::from_os_rng().random(),
        |seed| seed.parse().unwrap(),
    );
    eprintln!("WHEELTAP_SEED={seed}");
    let receiver = Receiver::new(seed, true);
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let authority = listener.local_addr().unwrap().to_string();
    let stop = receiver.serve(listener);
    let folder = tempfile::tempdir().unwrap();
    let settings = settings(folder.path(), &table("tests", &authority));
    let store = Arc::new(MemoryStore::new());
    let served = Served::on(store.clone(), settings.clone()).await;
    let (_, begin) = watched(&served, "", 0).await;

    // An alert is raised and ended, and its defect opened and changed.
    swing(&served, 1, NOW_MS - 600_000, 20).await;
    receiver.until(|took| took.len() > 10).await;
    // The service stops in the middle and goes on where it was.
    served.stop().await;
    let served = Served::on(store.clone(), settings.clone()).await;
    swing(&served, 2, NOW_MS - 600_000, 20).await;
    receiver.until(|took| took.len() > 40).await;
    // The receiver goes away for a while, with connections open.
    drop(stop);
    swing(&served, 3, NOW_MS - 600_000, 20).await;
    let _stop = receiver.serve(loop {
        if let Ok(listener) = TcpListener::bind(&authority).await {
            break listener;
        }
        tokio::task::yield_now().await;
    });
    let mut defects = DefectServiceClient::new(served.channel().await);
    defects
        .report_defect(v1::ReportDefectRequest {
            defect: Some(v1::Defect {
                unit: "units/ZVR 4".to_owned(),
                component: "horn".to_owned(),
                title: "Horn \"weak\"".to_owned(),
                origin: v1::DefectOrigin::CrewReport.into(),
                ..v1::Defect::default()
            }),
            request_id: String::new(),
        })
        .await
        .unwrap();

    // Raised and ended at once, 60 alerts are 60 changes.
    let (expected_alerts, _) = watched(&served, &begin, 60).await;
    let changes = defects
        .list_defect_changes(v1::ListDefectChangesRequest {
            page_size: 1_000,
            ..v1::ListDefectChangesRequest::default()
        })
        .await
        .unwrap()
        .into_inner()
        .changes;
    let expected_defects: Vec<(String, String)> = changes
        .iter()
        .map(|change| {
            let kind = change.kind().as_str_name().replace("KIND_", "defect.");
            (kind.to_lowercase(), change.defect.clone().unwrap().name)
        })
        .collect();
    assert!(expected_defects.len() >= 4);
    let n_all = expected_alerts.len() + expected_defects.len();
    receiver.until(|took| distinct(took).len() >= n_all).await;
    served.stop().await;
    let took = receiver.took.lock().unwrap();
    for came in &*took {
        check_signature(came, &format!("http://{authority}"));
        check_event(came);
    }
    check_all(&took, &expected_alerts, &expected_defects, seed);
}

/// All came, in order, and some of it more than once.
fn check_all(took: &[Came], alerts: &[(String, String)], defects: &[(String, String)], seed: u64) {
    let events = distinct(took);
    let of = |what: &str| -> Vec<(String, String)> {
        let prefix = format!("wheeltap.v1.{what}.");
        events
            .iter()
            .filter(|event| event["type"].as_str().unwrap().starts_with(&prefix))
            .map(|event| {
                let kind = event["type"].as_str().unwrap();
                let subject = event["subject"].as_str().unwrap();
                (kind.replace("wheeltap.v1.", ""), subject.to_owned())
            })
            .collect()
    };
    assert_eq!(of("alert"), alerts, "seed {seed}");
    assert_eq!(of("defect"), defects, "seed {seed}");
    let entries: Vec<u64> = events
        .iter()
        .map(|event| {
            let (entry, _) = event["id"].as_str().unwrap().split_once('.').unwrap();
            entry.parse().unwrap()
        })
        .collect();
    assert!(entries.is_sorted(), "seed {seed}: {entries:?}");
    assert!(
        took.len() > events.len(),
        "nothing came twice: the receiver was not moody"
    );
    let sent: f64 = events
        .iter()
        .filter(|event| event["type"] == "wheeltap.v1.alert.raised")
        .map(|event| {
            event["data"]["evidence"]["inputs"][0]["number"]
                .as_f64()
                .unwrap()
        })
        .sum();
    assert!((sent - 60.0 * 120.0).abs() < 1e-9);
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_waits_for_a_receiver_that_is_away_and_it_misses_nothing() {
    // Nothing listens at one address, and at the other nobody ever answers.
    let away = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let authority = away.local_addr().unwrap().to_string();
    drop(away);
    let deaf = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let folder = tempfile::tempdir().unwrap();
    let tables = [
        table("away", &authority),
        table("deaf", &deaf.local_addr().unwrap().to_string()).replace("200 ms", "1 h"),
    ];
    let settings = settings(folder.path(), &tables.concat());
    let store = Arc::new(MemoryStore::new());
    let served = Served::on(store.clone(), settings.clone()).await;
    let (_, begin) = watched(&served, "", 0).await;
    swing(&served, 1, NOW_MS - 600_000, 50).await;
    let (changes, _) = watched(&served, &begin, 50).await;
    let metrics = &served.shared.metrics;
    let tried = tokio::time::timeout(PATIENCE, async {
        while metrics.events_refused.get() == 0 {
            tokio::task::yield_now().await;
        }
    });
    tried.await.unwrap();
    assert_eq!(served.shared.metrics.events_told.get(), 0);
    let stopping = tokio::time::timeout(PATIENCE / 4, served.stop()).await;
    assert!(stopping.is_ok(), "the service waits for a receiver");

    let receiver = Receiver::new(0, false);
    let _stop = receiver.serve(TcpListener::bind(&authority).await.unwrap());
    let served = Served::on(store, settings).await;
    receiver
        .until(|took| {
            let is_alert = |event: &Value| event["type"].as_str().unwrap().contains(".alert.");
            distinct(took)
                .iter()
                .filter(|event| is_alert(event))
                .count()
                == changes.len()
        })
        .await;
    served.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn only_what_was_asked_for_is_told() {
    let receiver = Receiver::new(0, false);
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let authority = listener.local_addr().unwrap().to_string();
    let _stop = receiver.serve(listener);
    let folder = tempfile::tempdir().unwrap();
    let some = table("tests", &authority) + "of = [\"defects\"]\nleast_priority = \"urgent\"\n";
    let served = Served::start(settings(folder.path(), &some)).await;
    swing(&served, 1, NOW_MS - 600_000, 5).await;
    let mut defects = DefectServiceClient::new(served.channel().await);
    for (component, priority) in [("horn", v1::Priority::Low), ("bell", v1::Priority::Urgent)] {
        let defect = v1::Defect {
            unit: "units/ZVR 4".to_owned(),
            component: component.to_owned(),
            title: "Weak".to_owned(),
            priority: priority.into(),
            origin: v1::DefectOrigin::CrewReport.into(),
            ..v1::Defect::default()
        };
        let request = v1::ReportDefectRequest {
            defect: Some(defect),
            request_id: String::new(),
        };
        defects.report_defect(request).await.unwrap();
    }
    receiver.until(|took| !took.is_empty()).await;
    served.stop().await;
    let took = receiver.took.lock().unwrap();
    let told: Vec<String> = took
        .iter()
        .map(|came| check_event(came)["data"]["component"].to_string())
        .collect();
    assert_eq!(told, ["\"bell\""]);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_encrypted_receiver_is_told_once_its_authority_vouches_for_it() {
    let stranger = Encrypted::bind("127.0.0.1:0").await;
    let address = stranger.local_addr().unwrap().to_string();
    let folder = tempfile::tempdir().unwrap();
    let ours = folder.path().join("ours.pem");
    let encrypted = table("tests", &address).replace("http://", "https://")
        + "authorities_file = \"ours.pem\"\n";
    let settings = settings(folder.path(), &encrypted);

    // Somebody else answers at the address.
    let receiver = Receiver::new(0, false);
    let other = Encrypted::bind("127.0.0.1:0").await;
    std::fs::write(&ours, &other.certificate).unwrap();
    let stop = receiver.serve(stranger);
    let store = Arc::new(MemoryStore::new());
    let served = Served::on(store.clone(), settings.clone()).await;
    swing(&served, 1, NOW_MS - 600_000, 5).await;
    let metrics = &served.shared.metrics;
    let refused = tokio::time::timeout(PATIENCE, async {
        while metrics.events_refused.get() < 3 {
            tokio::task::yield_now().await;
        }
    });
    refused.await.unwrap();
    assert_eq!(metrics.events_told.get(), 0);
    served.stop().await;
    assert!(receiver.took.lock().unwrap().is_empty());

    // It is vouched for: nothing was lost.
    drop(stop);
    let known = Encrypted::bind(&address).await;
    std::fs::write(&ours, &known.certificate).unwrap();
    let _stop = receiver.serve(known);
    let served = Served::on(store, settings).await;
    let raised = |took: &[Came]| {
        let events = took.iter().map(check_event);
        let raised = events.filter(|event| event["type"] == "wheeltap.v1.alert.raised");
        raised.count()
    };
    receiver.until(|took| raised(took) == 5).await;
    served.stop().await;
    for came in &*receiver.took.lock().unwrap() {
        check_signature(came, &format!("https://{address}"));
    }
}

/// Why a service does not start.
async fn not_started(settings: Settings) -> String {
    let served = Served::start(settings).await;
    let error = served.ended().await.unwrap_err();
    let RunError::Start { source } = error else {
        panic!("{error}");
    };
    std::error::Error::source(&source).unwrap().to_string()
}

#[tokio::test(flavor = "multi_thread")]
async fn authorities_that_are_none_are_refused_before_anything_is_served() {
    let folder = tempfile::tempdir().unwrap();
    let encrypted = "[[notify]]\nname = \"tests\"\nurl = \"https://127.0.0.1:9/\"\nauthorities_file = \"ours.pem\"\n";
    let settings = settings(folder.path(), encrypted);
    let broken = "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n";
    for (text, says) in [
        (None, "authorities_file"),
        (Some("no PEM at all\n"), "no certificate in it"),
        (Some(broken), "ours.pem"),
    ] {
        if let Some(text) = text {
            std::fs::write(folder.path().join("ours.pem"), text).unwrap();
        }
        let cause = not_started(settings.clone()).await;
        assert!(cause.contains(says), "{cause}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_weak_secret_is_refused_before_anything_is_served() {
    let folder = tempfile::tempdir().unwrap();
    let settings = settings(folder.path(), &table("tests", "127.0.0.1:9"));
    for (text, says) in [(Some("short\n"), "has 5 bytes"), (None, "secret_file")] {
        let file = folder.path().join("secret");
        match text {
            Some(text) => std::fs::write(&file, text).unwrap(),
            None => std::fs::remove_file(&file).unwrap(),
        }
        let cause = not_started(settings.clone()).await;
        assert!(cause.contains(says), "{cause}");
    }
}
