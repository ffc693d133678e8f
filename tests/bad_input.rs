//! The promise: bad input that only the whole system can meet gets a clear answer and harms nobody.
//! What one crate can meet alone is tested there.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use std::fs;
use std::time::Duration;
use tokio::time::timeout;
use tokio_stream::StreamExt;
use tonic::transport::Endpoint;
use wheeltap_client::{
    BatchBuilder, EncodedBatch, Gateway, GatewayOptions, MemorySpool, Packing, WatchItem, connect,
    watch_alerts,
};
use wheeltap_model::ChannelName;
use wheeltap_proto::v1;
use wheeltap_proto::v1::alert_service_client::AlertServiceClient;
use wheeltap_proto::v1::watch_alerts_response::Item;
use wheeltap_tests::{Fleet, PRESSURE, PROBE, Service, Site, unit};

const PATIENCE: Duration = Duration::from_mins(2);

/// Starts the service with a line more in its settings, which it must refuse.
fn refused(line: &str) -> String {
    let site = Site::new(1, &[PROBE]);
    let path = site.path("wheeltap.toml");
    let settings = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("{line}\n{settings}")).unwrap();
    let Err(ended) = Service::start(site.command("127.0.0.1:0")) else {
        panic!("served with {line:?}");
    };
    // The exit code of a usage error, so that a supervisor need not try again.
    assert_eq!(ended.status.code(), Some(2), "{}", ended.said);
    assert!(!site.path("data").exists(), "nothing was made");
    ended.said
}

#[test]
fn settings_with_an_unknown_key_are_refused_with_their_place() {
    let said = refused("liten = \"127.0.0.1:1\"");
    assert!(said.contains("wheeltap.toml:1:1"), "{said}");
    assert!(said.contains("liten"), "{said}");
}

#[test]
fn settings_that_would_open_the_service_to_others_are_refused() {
    let site = Site::new(1, &[PROBE]);
    let Err(ended) = Service::start(site.command("0.0.0.0:0")) else {
        panic!("served to everybody");
    };
    assert_eq!(ended.status.code(), Some(2), "{}", ended.said);
    assert!(ended.said.contains("loopback"), "{}", ended.said);
}

#[test]
fn a_rule_file_that_cannot_be_right_stops_the_start_with_its_place() {
    let broken = (
        "broken",
        "fn about() { #{\n    title: \"Broken\",\n    tick: \"10 m\",\n} }\n",
    );
    let site = Site::new(1, &[broken]);
    // Whether it has bound its listener by then is its own affair.
    let ended = match Service::start(site.command("127.0.0.1:0")) {
        Ok(mut service) => service.wait(),
        Err(ended) => ended,
    };
    assert!(!ended.status.success());
    assert!(ended.said.contains("broken.rhai:"), "{}", ended.said);
}

/// A minute in which the pressure jumps every second, so that 30 alerts raise and end.
fn restless(fleet: &Fleet, batch: i64) -> EncodedBatch {
    let times: Vec<i64> = (0..60).map(|s| fleet.first_ms(batch) + s * 1_000).collect();
    let values: Vec<f64> = (0..60).map(|s| f64::from(s % 2) * 2.0).collect();
    let mut builder = BatchBuilder::new(Packing::Plain);
    let channel = ChannelName::new(PRESSURE).unwrap();
    builder.samples(&channel, "", &times, &values, &[]).unwrap();
    builder.build().unwrap().remove(0)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_watcher_that_never_reads_delays_nobody_and_is_told_what_it_missed() {
    /// 30 alerts a batch, a change each at least: more than the service waits for a watcher.
    const N_BATCHES: i64 = 400;
    let site = Site::new(1, &[PROBE]);
    let service = site.serve();
    // A small window, so that the service can push little to a watcher that does not read.
    let channel = Endpoint::from_shared(service.address().to_owned())
        .unwrap()
        .initial_stream_window_size(65_535)
        .initial_connection_window_size(65_535)
        .connect()
        .await
        .unwrap();
    let mut idle = AlertServiceClient::new(channel);
    let mut unread = idle
        .watch_alerts(v1::WatchAlertsRequest::default())
        .await
        .unwrap()
        .into_inner();
    let connection = connect(service.address()).await.unwrap();
    let mut watched = watch_alerts(&connection, v1::AlertFilter::default(), None);
    // The watch has begun once it says so.
    let began = timeout(PATIENCE, watched.next()).await.unwrap();
    assert!(matches!(began, Some(Ok(WatchItem::UpToDate { .. }))));
    let gateway = Gateway::start(connection.clone(), GatewayOptions::default(), |_| {});
    let fleet = Fleet::hours_ago(8);
    let source = gateway.add(unit(0), MemorySpool::new(1 << 26)).unwrap();
    let batches = (0..N_BATCHES)
        .map(|batch| restless(&fleet, batch))
        .collect();
    source.append(batches).await.unwrap();
    timeout(PATIENCE, source.drained()).await.unwrap();
    // The last second's tick is judged when something newer comes.
    let n_raised = usize::try_from(N_BATCHES * 30 - 1).unwrap();
    let mut raised = std::collections::BTreeSet::new();
    while raised.len() < n_raised {
        let item = timeout(PATIENCE, watched.next()).await.unwrap();
        if let WatchItem::Change { alert, .. } = item.unwrap().unwrap() {
            raised.insert(alert.raised_unix_ms);
        }
    }
    // Now the idle one reads: what was sent before it fell behind, then how much it missed and
    // from where to go on; from there nothing is missing.
    let mut seen = std::collections::BTreeSet::new();
    let mut fell_behind = None;
    while let Ok(Some(message)) = timeout(PATIENCE, unread.message()).await.unwrap() {
        match message.item.unwrap() {
            Item::Change(change) => {
                seen.insert(change.alert.unwrap().raised_unix_ms);
            }
            Item::FellBehind(behind) => fell_behind = Some((behind.n_missed, message.cursor)),
            Item::UpToDate(_) => {}
        }
    }
    let (n_missed, cursor) = fell_behind.expect("it was told that it fell behind");
    assert!(n_missed > 0);
    assert!(seen.len() < n_raised, "it never fell behind");
    let mut resumed = watch_alerts(&connection, v1::AlertFilter::default(), Some(cursor));
    while seen.len() < n_raised {
        match timeout(PATIENCE, resumed.next())
            .await
            .unwrap()
            .unwrap()
            .unwrap()
        {
            WatchItem::Change { alert, .. } => {
                seen.insert(alert.raised_unix_ms);
            }
            WatchItem::Relisted { reason } => panic!("the cursor was of no use: {reason}"),
            _ => {}
        }
    }
    assert_eq!(seen, raised);
    assert!(service.peak_bytes() < 1 << 30);
}
