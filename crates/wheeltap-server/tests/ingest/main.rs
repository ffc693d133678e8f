//! Promise: what is acknowledged is stored once, whatever the gateway does, and what is bad is
//! answered by name, kept aside, and harms nothing else.
#![expect(
    clippy::unwrap_used,
    clippy::too_many_lines,
    reason = "a failed step must fail the test, and a table of cases is read from top to bottom"
)]

mod bad;
#[path = "../common/mod.rs"]
mod common;
mod held_back;

use common::alerting::reason;
use common::{Gateway, NOW_MS, Served, batch_of, column, schema, unit, usual_schema};
use prost::Message;
use std::sync::Arc;
use tonic::Code;
use tonic_types::StatusExt;
use wheeltap_model::{EventTime, Quality, ServerTime};
use wheeltap_proto::v1;
use wheeltap_proto::v1::batch_outcome::Outcome;
use wheeltap_proto::v1::stream_telemetry_request::Item as Asked;
use wheeltap_proto::v1::stream_telemetry_response::Item as Answer;
use wheeltap_server::{Settings, Span};
use wheeltap_store::{DocumentKey, Epoch, MemoryStore, Quarantined, Store};

const PAST_MS: i64 = NOW_MS - 3_600_000;

fn range(first: u64, last: u64) -> v1::SequenceRange {
    v1::SequenceRange { first, last }
}

/// A stream with source 1 of `ZVR 1` open and the usual schema known.
async fn ready(served: &Served) -> (Gateway, v1::Schema) {
    let mut gateway = served.stream().await;
    gateway.hello(1, &unit(1), 7).await;
    let schema = usual_schema();
    gateway.ask(Asked::Schema(schema.clone())).await;
    (gateway, schema)
}

fn stored(served: &Served, name: &str) -> wheeltap_model::Series {
    let name = wheeltap_model::ChannelName::new(name).unwrap();
    let (channel, _) = served.shared.catalogue.channel(&name).unwrap();
    let (from, to) = (
        EventTime::from_unix_ms(0),
        EventTime::from_unix_ms(i64::MAX),
    );
    served
        .store
        .read(&unit(1), channel, from, to, 100_000)
        .unwrap()
}

#[tokio::test]
async fn a_batch_is_converted_checked_stored_and_acknowledged() {
    let served = Served::start(Settings::default()).await;
    let (mut gateway, schema) = ready(&served).await;
    // UCUM: 212 [degF] is 100 Cel; 32 [degF] is 0 Cel. 392 [degF] is 200 Cel, beyond the range.
    let mut payload = column(0, PAST_MS, 1_000, &[212.0, 32.0, 392.0]);
    payload.columns.push(v1::PayloadColumn {
        channel: 1,
        axis: 0,
        values: vec![500.0, 501.0, 502.0],
        qualities: vec![3, 2, 1].into(),
    });
    payload.events.push(v1::EventRow {
        channel: 2,
        time_unix_ms: PAST_MS + 500,
        fields: vec![
            v1::EventField { value: Some(1.5) },
            v1::EventField { value: Some(4.0) },
        ],
    });
    let outcome = gateway.send(batch_of(&schema, 1, &payload)).await;
    assert_eq!(outcome.outcome(), Outcome::Stored);
    let oil = stored(&served, "engine.oil.temperature");
    assert_eq!(oil.values, [100.0, 0.0, 200.0]);
    assert_eq!(oil.qualities, [Quality::Good, Quality::Good, Quality::Bad]);
    let pipe = stored(&served, "brake.pipe.pressure");
    assert_eq!(pipe.times_ms, [PAST_MS, PAST_MS + 1_000, PAST_MS + 2_000]);
    assert_eq!(
        pipe.qualities,
        [Quality::Good, Quality::Uncertain, Quality::Bad]
    );
    let name = wheeltap_model::ChannelName::new("wheel.slip").unwrap();
    let (slip, _) = served.shared.catalogue.channel(&name).unwrap();
    let from = EventTime::from_unix_ms(PAST_MS);
    let events = served
        .store
        .read_events(&unit(1), slip, from, from.plus_ms(1_000), 10)
        .unwrap();
    // The schema names duration before axle; the catalogue has axle first.
    assert_eq!(events[0].fields, [Some(4.0), Some(1.5)]);
    served.stop().await;
}

#[tokio::test]
async fn a_gateway_resumes_from_what_is_durable() {
    let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
    let served = Served::on(Arc::clone(&store), Settings::default()).await;
    let (mut gateway, schema) = ready(&served).await;
    for sequence in [1, 2, 5] {
        let first_ms = PAST_MS + 10_000 * i64::try_from(sequence).unwrap();
        let batch = batch_of(
            &schema,
            sequence,
            &column(1, first_ms, 1_000, &[500.0, 501.0]),
        );
        assert_eq!(gateway.send(batch).await.outcome(), Outcome::Stored);
    }
    drop(gateway);
    served.stop().await;

    // Another server on the same store: the ranges and the schema are there.
    let served = Served::on(store, Settings::default()).await;
    let mut gateway = served.stream().await;
    let welcome = gateway.hello(1, &unit(1), 7).await;
    assert_eq!(welcome.durable, [range(1, 2), range(5, 5)]);
    assert_eq!(welcome.store_id, served.store.id().0.as_slice());
    assert!(welcome.known_schema_digests.contains(&schema.digest));
    assert_eq!(welcome.max_in_flight_batches, 64);
    // A duplicate changes nothing, a gap is filled, other bytes are refused by name.
    let again = batch_of(
        &schema,
        2,
        &column(1, PAST_MS + 20_000, 1_000, &[500.0, 501.0]),
    );
    assert_eq!(gateway.send(again).await.outcome(), Outcome::Duplicate);
    let other = batch_of(&schema, 2, &column(1, PAST_MS + 20_000, 1_000, &[7.0]));
    let refused = gateway.send(other).await;
    assert_eq!(refused.outcome(), Outcome::Refused);
    assert_eq!(refused.reason, "SEQUENCE_REUSED");
    gateway
        .ask(Asked::Batch(batch_of(
            &schema,
            3,
            &column(1, PAST_MS, 1_000, &[499.0]),
        )))
        .await;
    assert_eq!(
        gateway.acknowledgement().await.durable,
        [range(1, 3), range(5, 5)]
    );
    assert_eq!(stored(&served, "brake.pipe.pressure").len(), 7);
    // Another epoch is another source, so a wiped spool starts anew.
    let other_epoch = gateway.hello(2, &unit(1), 8).await;
    assert!(other_epoch.durable.is_empty());
    served.stop().await;
}

/// A good batch at a sequence, whose samples are at times of its own.
fn good(schema: &v1::Schema, sequence: u64) -> v1::TelemetryBatch {
    let first_ms = PAST_MS - 1_000_000 + i64::try_from(sequence).unwrap() * 10_000;
    batch_of(
        schema,
        sequence,
        &column(1, first_ms, 1_000, &[500.0, 501.0]),
    )
}

#[tokio::test]
async fn a_newer_stream_of_a_unit_fences_the_older_and_nothing_else() {
    let served = Served::start(Settings::default()).await;
    let (mut older, schema) = ready(&served).await;
    older.hello(2, &unit(2), 7).await;
    let (mut newer, _) = ready(&served).await;
    match older.answer().await {
        Answer::Fenced(fenced) => assert_eq!(fenced.source, 1),
        other => panic!("not fenced but {other:?}"),
    }
    // What the older still sends for the unit goes nowhere; its other unit carries on.
    older.ask(Asked::Batch(good(&schema, 1))).await;
    let other_unit = v1::TelemetryBatch {
        source: 2,
        ..good(&schema, 1)
    };
    older.ask(Asked::Batch(other_unit)).await;
    let acknowledged = older.acknowledgement().await;
    assert_eq!((acknowledged.source, acknowledged.outcomes.len()), (2, 1));
    assert!(stored(&served, "brake.pipe.pressure").is_empty());
    assert_eq!(
        newer.send(good(&schema, 1)).await.outcome(),
        Outcome::Stored
    );
    served.stop().await;
}
