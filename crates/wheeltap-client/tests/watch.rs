//! The promise: a watch tells each change once whatever happens to the connection, says when it had
//! to start over, and ends only where trying again would not help; a list gives every item once.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use futures::StreamExt;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;
use tokio_stream::wrappers::TcpListenerStream;
use tonic::{Request, Response, Status};
use wheeltap_client::{Connection, WatchItem, connect, watch_alerts};
use wheeltap_proto::v1::alert_service_server::{AlertService, AlertServiceServer};
use wheeltap_proto::v1::{self, watch_alerts_response::Item};

type Answer = Result<v1::WatchAlertsResponse, Status>;
type Messages = Vec<Answer>;

/// Answers each watch with the next script, then leaves it open if told so.
#[derive(Clone, Default)]
struct Scripted {
    watches: Arc<Mutex<VecDeque<Result<Messages, Status>>>>,
    cursors: Arc<Mutex<Vec<String>>>,
    pages: Arc<Mutex<VecDeque<Result<v1::ListAlertsResponse, Status>>>>,
    tokens: Arc<Mutex<Vec<String>>>,
}

#[tonic::async_trait]
impl AlertService for Scripted {
    type WatchAlertsStream = futures::stream::BoxStream<'static, Answer>;

    async fn watch_alerts(
        &self,
        request: Request<v1::WatchAlertsRequest>,
    ) -> Result<Response<Self::WatchAlertsStream>, Status> {
        self.cursors
            .lock()
            .unwrap()
            .push(request.into_inner().cursor);
        let script = self.watches.lock().unwrap().pop_front();
        let messages = script.ok_or_else(|| Status::permission_denied("the script ends"))??;
        Ok(Response::new(futures::stream::iter(messages).boxed()))
    }

    async fn list_alerts(
        &self,
        request: Request<v1::ListAlertsRequest>,
    ) -> Result<Response<v1::ListAlertsResponse>, Status> {
        self.tokens
            .lock()
            .unwrap()
            .push(request.into_inner().page_token);
        let page = self.pages.lock().unwrap().pop_front().unwrap();
        page.map(Response::new)
    }

    async fn get_alert(
        &self,
        _: Request<v1::GetAlertRequest>,
    ) -> Result<Response<v1::Alert>, Status> {
        Err(Status::unimplemented("not part of these tests"))
    }

    async fn acknowledge_alert(
        &self,
        _: Request<v1::AcknowledgeAlertRequest>,
    ) -> Result<Response<v1::Alert>, Status> {
        Err(Status::unimplemented("not part of these tests"))
    }

    async fn give_back_alert(
        &self,
        _: Request<v1::GiveBackAlertRequest>,
    ) -> Result<Response<v1::Alert>, Status> {
        Err(Status::unimplemented("not part of these tests"))
    }
}

async fn start(service: Scripted) -> Connection {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let addr = listener.local_addr().unwrap();
    tokio::spawn(
        tonic::transport::Server::builder()
            .add_service(AlertServiceServer::new(service))
            .serve_with_incoming(TcpListenerStream::new(listener)),
    );
    connect(&format!("http://{addr}")).await.unwrap()
}

#[expect(
    clippy::unnecessary_wraps,
    reason = "it stands in scripts beside errors"
)]
fn message(item: Item, cursor: &str) -> Answer {
    Ok(v1::WatchAlertsResponse {
        item: Some(item),
        cursor: cursor.to_owned(),
    })
}

fn raised(number: u64, cursor: &str) -> Answer {
    let change = v1::AlertChange {
        kind: v1::alert_change::Kind::Raised.into(),
        alert: Some(alert(number)),
    };
    message(Item::Change(change), cursor)
}

fn alert(number: u64) -> v1::Alert {
    v1::Alert {
        name: format!("alerts/{number}"),
        ..v1::Alert::default()
    }
}

/// What was told, in short words.
async fn told(service: &Scripted, cursor: Option<&str>) -> Vec<String> {
    let connection = start(service.clone()).await;
    watch_alerts(
        &connection,
        v1::AlertFilter::default(),
        cursor.map(str::to_owned),
    )
    .map(|item| match item {
        Ok(WatchItem::Change { alert, .. }) => alert.name,
        Ok(WatchItem::UpToDate { at_unix_ms, .. }) => format!("up to date at {at_unix_ms}"),
        Ok(WatchItem::Relisted { reason }) => format!("relisted: {reason}"),
        Ok(WatchItem::FellBehind { n_missed }) => format!("fell behind by {n_missed}"),
        Ok(WatchItem::Disconnected { error, .. }) => {
            format!(
                "disconnected: {}",
                error.map_or(String::new(), |e| e.message)
            )
        }
        Err(error) => format!("ended: {}", error.message),
    })
    .collect()
    .await
}

#[tokio::test]
async fn a_watch_resumes_behind_the_last_message_it_saw() {
    let service = Scripted::default();
    let up_to_date = Item::UpToDate(v1::UpToDate { at_unix_ms: 9 });
    service.watches.lock().unwrap().extend([
        Ok(vec![
            raised(1, "c1"),
            message(up_to_date, "c2"),
            Err(Status::unavailable("gone")),
        ]),
        Err(Status::unavailable("starting")),
        Ok(vec![raised(2, "c3")]),
        Ok(vec![raised(3, "c4")]),
    ]);
    assert_eq!(
        told(&service, None).await,
        [
            "alerts/1",
            "up to date at 9",
            "disconnected: gone",
            "disconnected: starting",
            "alerts/2",
            "disconnected: ",
            "alerts/3",
            "disconnected: ",
            "ended: the script ends",
        ]
    );
    let cursors = service.cursors.lock().unwrap();
    assert_eq!(*cursors, ["", "c2", "c2", "c3", "c4"]);
}

#[tokio::test]
async fn a_cursor_of_no_use_is_told_and_the_watch_starts_over() {
    let service = Scripted::default();
    service.watches.lock().unwrap().extend([
        Err(Status::out_of_range("expired")),
        Ok(vec![raised(5, "c9")]),
    ]);
    assert_eq!(
        told(&service, Some("old")).await,
        [
            "relisted: ",
            "alerts/5",
            "disconnected: ",
            "ended: the script ends"
        ]
    );
    assert_eq!(*service.cursors.lock().unwrap(), ["old", "", "c9"]);
}

#[tokio::test]
async fn a_watch_that_fell_behind_goes_on_where_it_was() {
    let service = Scripted::default();
    let behind = Item::FellBehind(v1::FellBehind { n_missed: 40 });
    service.watches.lock().unwrap().extend([
        Ok(vec![raised(1, "c1"), message(behind, "c1")]),
        Ok(vec![raised(2, "c2")]),
    ]);
    assert_eq!(
        told(&service, None).await[..3],
        ["alerts/1", "fell behind by 40", "alerts/2"]
    );
    assert_eq!(service.cursors.lock().unwrap()[1], "c1");
}

#[tokio::test]
async fn a_list_gives_every_item_once_over_short_pages_and_hiccups() {
    let service = Scripted::default();
    let page = |numbers: &[u64], next: &str| {
        Ok(v1::ListAlertsResponse {
            alerts: numbers.iter().copied().map(alert).collect(),
            next_page_token: next.to_owned(),
        })
    };
    service.pages.lock().unwrap().extend([
        page(&[1, 2], "t1"),
        Err(Status::unavailable("a hiccup")),
        page(&[], "t2"),
        page(&[3], ""),
    ]);
    let connection = start(service.clone()).await;
    let alerts: Vec<String> = connection
        .list_alerts(v1::AlertFilter::default())
        .map(|alert| alert.unwrap().name)
        .collect()
        .await;
    assert_eq!(alerts, ["alerts/1", "alerts/2", "alerts/3"]);
    assert_eq!(*service.tokens.lock().unwrap(), ["", "t1", "t1", "t2"]);
}

#[tokio::test]
async fn a_list_tells_its_error_last() {
    let service = Scripted::default();
    service.pages.lock().unwrap().extend([
        Ok(v1::ListAlertsResponse {
            alerts: vec![alert(1)],
            next_page_token: "t1".to_owned(),
        }),
        Err(Status::invalid_argument("a token of another list")),
    ]);
    let connection = start(service.clone()).await;
    let alerts: Vec<_> = connection
        .list_alerts(v1::AlertFilter::default())
        .collect()
        .await;
    assert_eq!(alerts.len(), 2);
    assert_eq!(
        alerts[1].as_ref().unwrap_err().message,
        "a token of another list"
    );
}

#[tokio::test]
async fn an_address_that_is_none_and_a_silent_one_are_told_apart() {
    let refusal = connect("not an address").await.unwrap_err().to_string();
    assert!(refusal.contains("write http://HOST:PORT"), "{refusal}");
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let addr = listener.local_addr().unwrap();
    drop(listener);
    let refusal = connect(&format!("http://{addr}")).await.unwrap_err();
    assert!(
        refusal.to_string().contains("no service answers"),
        "{refusal}"
    );
}
