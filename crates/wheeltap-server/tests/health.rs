//! A sensor that falls silent is an item for the shop: a defect, in no list of the desk and rung to nobody.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{NOW_MS, Served, batch_of, column, schema, unit};
use wheeltap_proto::v1;
use wheeltap_proto::v1::alert_service_client::AlertServiceClient;
use wheeltap_proto::v1::defect_service_client::DefectServiceClient;
use wheeltap_proto::v1::stream_telemetry_request::Item as Asked;
use wheeltap_proto::v1::watch_alerts_response::Item;
use wheeltap_server::Settings;

const START_MS: i64 = NOW_MS - 2 * 3_600_000;

/// Rings after everything else that is sent here.
const HOT: &str = r#"
fn about() { #{
    title: "Oil hot", system: "engine / lubrication", component: "oil", priority: "high", tick: "1 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ oil: last("engine.oil.temperature", "2 s") } }
fn raise(seen) { seen.oil > 100.0 }
"#;

#[tokio::test]
async fn a_silent_sensor_is_one_item_for_the_shop() {
    let rules = tempfile::tempdir().unwrap();
    std::fs::write(rules.path().join("hot.rhai"), HOT).unwrap();
    let served = Served::start(Settings {
        rules: Some(rules.path().to_owned()),
        channel_health: true,
        ..Settings::default()
    })
    .await;
    let mut alerts = AlertServiceClient::new(served.channel().await);
    let mut watch = alerts
        .watch_alerts(v1::WatchAlertsRequest::default())
        .await
        .unwrap()
        .into_inner();
    let mut gateway = served.stream().await;
    gateway.hello(1, &unit(1), 1).await;
    let schema = schema(&[
        ("engine.oil.temperature", "Cel", &[]),
        ("engine.coolant.temperature", "Cel", &[]),
    ]);
    gateway.ask(Asked::Schema(schema.clone())).await;
    // 20 min of both, then 40 min of the coolant alone, then hot oil.
    let mut sequence = 0;
    for (channel, minute, values) in [
        (0, 0, vec![85.0; 1_200]),
        (1, 0, vec![80.0; 3_600]),
        (0, 60, vec![120.0; 5]),
    ] {
        sequence += 1;
        let payload = column(channel, START_MS + minute * 60_000, 1_000, &values);
        let outcome = gateway.send(batch_of(&schema, sequence, &payload)).await;
        assert_eq!(outcome.outcome(), v1::batch_outcome::Outcome::Stored);
    }
    let rung = loop {
        let item = watch.message().await.unwrap().unwrap().item;
        if let Some(Item::Change(change)) = item {
            break change.alert.unwrap();
        }
    };
    assert!(
        rung.rule.starts_with("rules/hot/"),
        "nobody was rung before: {rung:?}"
    );
    let listed = alerts
        .list_alerts(v1::ListAlertsRequest::default())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(listed.alerts.len(), 1, "{listed:?}");

    let mut defects = DefectServiceClient::new(served.channel().await);
    let defects = defects
        .list_defects(v1::ListDefectsRequest::default())
        .await
        .unwrap()
        .into_inner()
        .defects;
    let of_sensors: Vec<&str> = defects
        .iter()
        .filter(|defect| defect.system == "instruments")
        .map(|defect| defect.component.as_str())
        .collect();
    assert_eq!(of_sensors, ["engine.oil.temperature sensor"], "{defects:?}");
    let silent = alerts
        .list_alerts(v1::ListAlertsRequest {
            filter: Some(v1::AlertFilter {
                rule: "rules/silent-engine-oil-temperature".to_owned(),
                ..v1::AlertFilter::default()
            }),
            ..v1::ListAlertsRequest::default()
        })
        .await
        .unwrap()
        .into_inner()
        .alerts;
    assert_eq!(silent.len(), 1);
    // Those that fall silent together are told by their titles.
    assert_eq!(
        wheeltap_proto::words::silent_channel(&silent[0].title),
        Some("engine.oil.temperature")
    );
    // Silent from the 20th minute: a minute of silence, 10 min of delay.
    let minutes = (silent[0].raised_unix_ms - START_MS) / 60_000;
    assert_eq!((minutes, silent[0].announced_unix_ms), (31, None));
    served.stop().await;
}
