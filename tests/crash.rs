//! The promise: whatever kills the service, nothing acknowledged is lost, nothing is stored twice, no
//! alert rings twice or is forgotten.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::timeout;
use tokio_stream::StreamExt;
use wheeltap_client::{
    Connection, DiskSpool, DiskSpoolOptions, Gateway, GatewayEvent, GatewayOptions, MemorySpool,
    WatchItem, connect, connect_lazy, watch_alerts,
};
use wheeltap_model::{ChannelName, EventTime, Sample};
use wheeltap_proto::v1;
use wheeltap_tests::{BATCH_MS, Fleet, OIL, OIL_HOT, PRESSURE, PROBE, Service, Site, unit};

const N_UNITS: usize = 3;
/// Nothing here takes a tenth of it.
const PATIENCE: Duration = Duration::from_mins(2);

fn quick() -> GatewayOptions {
    GatewayOptions {
        first_backoff: Duration::from_millis(5),
        longest_backoff: Duration::from_millis(100),
        ..GatewayOptions::default()
    }
}

/// A watcher that has begun and goes on through everything; gives (rule, unit, raised at) of each
/// *raised*.
async fn watch_raises(connection: &Connection) -> mpsc::UnboundedReceiver<(String, String, i64)> {
    let (sender, receiver) = mpsc::unbounded_channel();
    let mut items = watch_alerts(connection, v1::AlertFilter::default(), None);
    let began = timeout(PATIENCE, items.next()).await.unwrap();
    assert!(matches!(began, Some(Ok(WatchItem::UpToDate { .. }))));
    tokio::spawn(async move {
        while let Some(item) = items.next().await {
            if let WatchItem::Change { kind, alert, .. } = item.unwrap()
                && kind == v1::alert_change::Kind::Raised
            {
                let rule = alert.rule.split('/').nth(1).unwrap().to_owned();
                let raised = (rule, alert.unit.clone(), alert.raised_unix_ms);
                if sender.send(raised).is_err() {
                    return;
                }
            }
        }
    });
    receiver
}

/// Every alert that is not withdrawn: rule, unit, raised, ended, evidence.
async fn alerts(connection: &Connection) -> Vec<(String, String, i64, Option<i64>, String)> {
    let mut found = Vec::new();
    let mut list = connection.list_alerts(v1::AlertFilter::default());
    while let Some(alert) = list.next().await {
        let alert = alert.unwrap();
        found.push((
            alert.rule,
            alert.unit,
            alert.raised_unix_ms,
            alert.ended_unix_ms,
            format!("{:?}", alert.evidence),
        ));
    }
    found.sort_by(|a, b| (&a.0, &a.1, a.2).cmp(&(&b.0, &b.1, b.2)));
    found
}

async fn samples(connection: &Connection, number: usize, channel: &str) -> Vec<Sample> {
    let channel = ChannelName::new(channel).unwrap();
    let (from, to) = (
        EventTime::from_unix_ms(0),
        EventTime::from_unix_ms(i64::MAX),
    );
    let mut list = connection.list_samples(&unit(number), &channel, from, to);
    let mut found = Vec::new();
    while let Some(sample) = list.next().await {
        found.push(sample.unwrap());
    }
    found
}

/// All that was sent is there once, as it was sent.
async fn check_samples(connection: &Connection, fleet: &Fleet, n_batches: i64) {
    for number in 0..N_UNITS {
        for (channel, step_ms) in [(PRESSURE, 1_000), (OIL, 10_000)] {
            let found = samples(connection, number, channel).await;
            let times = (fleet.first_ms(0)..fleet.first_ms(n_batches)).step_by(step_ms);
            let expected: Vec<(i64, f64)> = times
                .map(|ms| {
                    let value = match channel {
                        PRESSURE => fleet.pressure(number, ms),
                        _ => fleet.oil(number, ms),
                    };
                    (ms, value)
                })
                .collect();
            let found: Vec<(i64, f64)> = found
                .iter()
                .map(|sample| (sample.time.unix_ms(), sample.value))
                .collect();
            assert_eq!(found.len(), expected.len(), "unit {number}, {channel}");
            assert!(
                found == expected,
                "unit {number}, {channel}: a value differs"
            );
        }
        // A minute stored twice would count its samples twice.
        let mut rows = connection.list_rollups(
            &unit(number),
            &ChannelName::new(PRESSURE).unwrap(),
            v1::RollupTier::Minute,
            EventTime::from_unix_ms(fleet.first_ms(0)),
            EventTime::from_unix_ms(fleet.first_ms(n_batches)),
        );
        let mut n_rows = 0;
        while let Some(row) = rows.next().await {
            assert_eq!(row.unwrap().n, 60);
            n_rows += 1;
        }
        assert_eq!(n_rows, n_batches);
    }
}

/// Alerts of a service that nobody disturbs.
async fn undisturbed(
    fleet: &Fleet,
    n_batches: i64,
) -> Vec<(String, String, i64, Option<i64>, String)> {
    let site = Site::new(N_UNITS, &[PROBE, OIL_HOT]);
    let service = site.serve();
    let connection = connect(service.address()).await.unwrap();
    let mut raises = watch_raises(&connection).await;
    let gateway = Gateway::start(connection.clone(), quick(), |_| {});
    for number in 0..N_UNITS {
        let source = gateway
            .add(unit(number), MemorySpool::new(1 << 26))
            .unwrap();
        let batches = (0..n_batches)
            .map(|batch| fleet.batch(number, batch))
            .collect();
        source.append(batches).await.unwrap();
    }
    gateway.drained().await;
    until_all_probes(&mut raises, fleet, n_batches).await;
    alerts(&connection).await
}

/// Waits until every raise of `probe` was told; returns all that was told, as often as it was.
async fn until_all_probes(
    watcher: &mut mpsc::UnboundedReceiver<(String, String, i64)>,
    fleet: &Fleet,
    n_batches: i64,
) -> BTreeMap<(String, String, i64), u32> {
    let mut awaited: BTreeSet<(String, i64)> = (0..N_UNITS)
        .flat_map(|number| {
            let raises = fleet.probe_raises_ms(number, n_batches);
            raises
                .into_iter()
                .map(move |ms| (format!("units/{}", unit(number)), ms))
        })
        .collect();
    assert!(awaited.len() > N_UNITS);
    let mut told = BTreeMap::new();
    while !awaited.is_empty() {
        let raised = timeout(PATIENCE, watcher.recv()).await;
        let raised = raised
            .unwrap_or_else(|_| panic!("never told: {awaited:?}"))
            .unwrap();
        if raised.0 == "probe" {
            awaited.remove(&(raised.1.clone(), raised.2));
        }
        *told.entry(raised).or_insert(0) += 1;
    }
    told
}

#[tokio::test(flavor = "multi_thread")]
async fn kills_during_ingest_lose_nothing_and_ring_nothing_twice() {
    const ROUNDS: i64 = 6;
    const BATCHES_A_ROUND: i64 = 12;
    let fleet = Fleet::two_hours_ago();
    let n_batches = ROUNDS * BATCHES_A_ROUND;
    let site = Site::new(N_UNITS, &[PROBE, OIL_HOT]);
    let mut service = site.serve();
    let address = service.address().to_owned();
    let (sender, mut events) = mpsc::unbounded_channel();
    let gateway = Gateway::start(connect_lazy(&address).unwrap(), quick(), move |event| {
        // The test may have ended.
        let _ = sender.send(event);
    });
    let spools = tempfile::tempdir().unwrap();
    let sources: Vec<_> = (0..N_UNITS)
        .map(|number| {
            let folder = spools.path().join(number.to_string());
            let spool = DiskSpool::open(folder, DiskSpoolOptions::default()).unwrap();
            gateway.add(unit(number), spool).unwrap()
        })
        .collect();
    let connection = connect(&address).await.unwrap();
    let mut raises = watch_raises(&connection).await;
    let mut stored: BTreeSet<(String, u64)> = BTreeSet::new();
    for round in 0..ROUNDS {
        let producer = {
            let sources = sources.clone();
            let batches: Vec<Vec<_>> = (round * BATCHES_A_ROUND..(round + 1) * BATCHES_A_ROUND)
                .map(|batch| {
                    (0..N_UNITS)
                        .map(|number| fleet.batch(number, batch))
                        .collect()
                })
                .collect();
            tokio::spawn(async move {
                for minute in batches {
                    for (source, batch) in sources.iter().zip(minute) {
                        source.append(vec![batch]).await.unwrap();
                    }
                }
            })
        };
        // The kill comes at a different point of every round's acknowledgements.
        let kill_after = usize::try_from(1 + round * 5).unwrap();
        let mut n_now = 0;
        while n_now < kill_after {
            let event = timeout(PATIENCE, events.recv()).await.unwrap().unwrap();
            if let GatewayEvent::Stored {
                unit,
                sequence,
                duplicate,
            } = event
            {
                n_now += 1;
                let is_new = stored.insert((unit.to_string(), sequence));
                assert!(is_new || duplicate, "{unit} {sequence} was stored twice");
            }
        }
        service.kill();
        service = site.serve_again(&address);
        producer.await.unwrap();
    }
    timeout(PATIENCE, gateway.drained()).await.unwrap();
    check_samples(&connection, &fleet, n_batches).await;
    let told = until_all_probes(&mut raises, &fleet, n_batches).await;
    assert!(told.values().all(|n| *n == 1), "told twice: {told:?}");
    assert_eq!(
        alerts(&connection).await,
        undisturbed(&fleet, n_batches).await
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_restart_keeps_alerts_answers_and_windows() {
    const N_BATCHES: i64 = 40;
    let fleet = Fleet::two_hours_ago();
    let site = Site::new(N_UNITS, &[PROBE, OIL_HOT]);
    let mut service = site.serve();
    let address = service.address().to_owned();
    let connection = connect(&address).await.unwrap();
    let mut raises = watch_raises(&connection).await;
    let gateway = Gateway::start(connect_lazy(&address).unwrap(), quick(), |_| {});
    let sources: Vec<_> = (0..N_UNITS)
        .map(|number| {
            gateway
                .add(unit(number), MemorySpool::new(1 << 26))
                .unwrap()
        })
        .collect();
    let mut acknowledged: Option<v1::Alert> = None;
    let mut n_told = 0;
    // Restarted after every third minute: in the middle of windows, delays and standing alerts.
    for batch in 0..N_BATCHES {
        for (number, source) in sources.iter().enumerate() {
            source
                .append(vec![fleet.batch(number, batch)])
                .await
                .unwrap();
        }
        timeout(PATIENCE, gateway.drained()).await.unwrap();
        if acknowledged.is_none() && !fleet.probe_raises_ms(0, batch + 1).is_empty() {
            timeout(PATIENCE, raises.recv()).await.unwrap().unwrap();
            n_told += 1;
            let first = connection
                .list_alerts(v1::AlertFilter::default())
                .next()
                .await
                .unwrap()
                .unwrap();
            let request = v1::AcknowledgeAlertRequest {
                name: first.name.clone(),
                note: "seen".to_owned(),
                etag: first.etag.clone(),
                request_id: String::new(),
            };
            let answer = connection
                .alerts()
                .acknowledge_alert(request)
                .await
                .unwrap();
            acknowledged = Some(answer.into_inner());
        }
        if batch % 3 == 2 {
            let ended = service.terminate();
            assert!(ended.status.success(), "{}", ended.said);
            service = site.serve_again(&address);
        }
    }
    let told = until_all_probes_but(&mut raises, &fleet, N_BATCHES, n_told).await;
    assert!(told.values().all(|n| *n == 1), "told twice: {told:?}");
    let acknowledged = acknowledged.unwrap();
    let now = connection
        .alerts()
        .get_alert(v1::GetAlertRequest {
            name: acknowledged.name.clone(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(now.acknowledgement, acknowledged.acknowledgement);
    assert_eq!(now.acknowledgement.unwrap().note, "seen");
    let expected = undisturbed(&fleet, N_BATCHES).await;
    assert!(expected.iter().any(|alert| alert.0.contains("oil-hot")));
    assert_eq!(alerts(&connection).await, expected);
}

/// As [`until_all_probes`], where some were taken from the watcher before.
async fn until_all_probes_but(
    watcher: &mut mpsc::UnboundedReceiver<(String, String, i64)>,
    fleet: &Fleet,
    n_batches: i64,
    n_before: usize,
) -> BTreeMap<(String, String, i64), u32> {
    let n_awaited: usize = (0..N_UNITS)
        .map(|number| fleet.probe_raises_ms(number, n_batches).len())
        .sum();
    let mut told = BTreeMap::new();
    let mut n_probes = n_before;
    while n_probes < n_awaited {
        let raised = timeout(PATIENCE, watcher.recv()).await.unwrap().unwrap();
        n_probes += usize::from(raised.0 == "probe");
        *told.entry(raised).or_insert(0) += 1;
    }
    told
}

#[tokio::test]
async fn a_second_server_on_the_same_folder_is_refused_and_harms_nothing() {
    let site = Site::new(1, &[PROBE]);
    let service = site.serve();
    let Err(refused) = Service::start(site.command("127.0.0.1:0")) else {
        panic!("two servers on one folder");
    };
    assert!(!refused.status.success());
    assert!(
        refused.said.contains("in use by another server"),
        "{}",
        refused.said
    );
    // The first goes on.
    let connection = connect(service.address()).await.unwrap();
    let gateway = Gateway::start(connection.clone(), quick(), |_| {});
    let fleet = Fleet::two_hours_ago();
    let source = gateway.add(unit(0), MemorySpool::new(1 << 20)).unwrap();
    source.append(vec![fleet.batch(0, 0)]).await.unwrap();
    timeout(PATIENCE, gateway.drained()).await.unwrap();
    assert_eq!(samples(&connection, 0, PRESSURE).await.len(), 60);
}

#[cfg(unix)]
#[tokio::test(flavor = "multi_thread")]
async fn a_full_disk_stops_the_service_by_name_and_loses_nothing_acknowledged() {
    let site = Site::new(N_UNITS, &[PROBE, OIL_HOT]);
    // No file may grow beyond this, and a write that tries gets an error, as on a full disk.
    let mut limited = std::process::Command::new("bash");
    limited
        .args(["-c", "trap '' XFSZ; ulimit -f 12288; exec \"$0\" \"$@\""])
        .arg(wheeltap_tests::wheeltap())
        .arg("serve")
        .arg("--config")
        .arg(site.path("wheeltap.toml"))
        .args(["--listen", "127.0.0.1:0"]);
    let mut service = Service::start(limited).unwrap();
    let address = service.address().to_owned();
    let gateway = Gateway::start(connect_lazy(&address).unwrap(), quick(), |_| {});
    let fleet = Fleet::two_hours_ago();
    let sources: Vec<_> = (0..N_UNITS)
        .map(|number| {
            gateway
                .add(unit(number), MemorySpool::new(1 << 28))
                .unwrap()
        })
        .collect();
    // Fine noise does not compress, so the disk fills soon; the fleet's own minutes lie among it.
    let n_batches = 100;
    for batch in 0..n_batches {
        for (number, source) in sources.iter().enumerate() {
            source
                .append(vec![
                    fleet.batch(number, batch),
                    noise(&fleet, number, batch),
                ])
                .await
                .unwrap();
        }
    }
    let ended = tokio::task::spawn_blocking(move || service.wait())
        .await
        .unwrap();
    assert!(!ended.status.success(), "a full disk is no success");
    assert!(ended.said.contains("store"), "{}", ended.said);
    let n_left: u64 = sources
        .iter()
        .map(|source| source.spool().n_pending())
        .sum();
    assert!(n_left > 0, "the disk never filled");
    // With room again, everything arrives.
    let _service = site.serve_again(&address);
    timeout(PATIENCE, gateway.drained()).await.unwrap();
    let connection = connect(&address).await.unwrap();
    check_samples(&connection, &fleet, n_batches).await;
}

/// A minute of a channel nobody judges, 20,000 samples that do not compress.
fn noise(fleet: &Fleet, number: usize, batch: i64) -> wheeltap_client::EncodedBatch {
    let first_ms = fleet.first_ms(batch);
    let times: Vec<i64> = (0..20_000).map(|idx| first_ms + idx * 3).collect();
    assert!(times.iter().all(|ms| ms - first_ms < BATCH_MS));
    let mut state = u64::try_from(batch).unwrap() * 1_000 + u64::try_from(number).unwrap() + 1;
    let values: Vec<f64> = times
        .iter()
        .map(|_| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1_u64 << 53) as f64 * 1_000.0
        })
        .collect();
    let mut builder = wheeltap_client::BatchBuilder::new(wheeltap_client::Packing::Plain);
    let channel = ChannelName::new("engine.speed").unwrap();
    builder.samples(&channel, "", &times, &values, &[]).unwrap();
    builder.build().unwrap().remove(0)
}
