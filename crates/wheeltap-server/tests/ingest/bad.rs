//! What is bad is answered by name, kept aside, and harms nothing else.

use super::*;

#[tokio::test]
async fn each_bad_batch_is_quarantined_by_name_and_the_stream_lives_on() {
    let served = Served::start(Settings::default()).await;
    let (mut gateway, _) = ready(&served).await;
    let schema = schema(&[
        ("engine.oil.temperature", "[degF]", &[]),
        ("brake.pipe.pressure", "", &[]),
        ("wheel.slip", "", &["duration", "axle"]),
        ("engine.whistle.pitch", "", &[]),
        ("brake.pipe.pressure", "Cel", &[]),
        ("wheel.slip", "", &["depth"]),
        // Computed here.
        ("brake.pipe.charging_time", "", &[]),
    ]);
    gateway.ask(Asked::Schema(schema.clone())).await;
    let plain = |payload: &v1::TelemetryPayload| batch_of(&schema, 0, payload);
    let sample = |channel, ms, value| plain(&column(channel, ms, 0, &[value]));
    let edit = |edit: &dyn Fn(&mut v1::TelemetryPayload)| {
        let mut payload = column(1, PAST_MS, 1_000, &[500.0, 501.0]);
        edit(&mut payload);
        plain(&payload)
    };
    let bytes = |encoding: v1::Encoding, payload: Vec<u8>| v1::TelemetryBatch {
        encoding: encoding.into(),
        crc32c: crc32c::crc32c(&payload),
        payload: payload.into(),
        ..sample(1, PAST_MS, 1.0)
    };
    let columns = v1::Encoding::Columns;
    let event = |channel, fields: &[Option<f64>]| {
        plain(&v1::TelemetryPayload {
            events: vec![v1::EventRow {
                channel,
                time_unix_ms: PAST_MS,
                fields: fields
                    .iter()
                    .map(|value| v1::EventField { value: *value })
                    .collect(),
            }],
            ..Default::default()
        })
    };
    let damaged = v1::TelemetryBatch {
        crc32c: 1,
        ..sample(1, PAST_MS, 1.0)
    };
    let truncated = {
        let whole = column(1, PAST_MS, 1_000, &[500.0, 501.0]).encode_to_vec();
        bytes(columns, whole[..whole.len() - 3].to_vec())
    };
    let promise = v1::TelemetryBatch {
        complete_through_unix_ms: Some(NOW_MS + 300_001),
        ..sample(1, PAST_MS, 1.0)
    };
    let step_back = 5_000_u64.wrapping_neg();
    let cases = [
        ("UNKNOWN_CHANNEL", sample(3, PAST_MS, 1.0), Some((0, None))),
        ("UNKNOWN_CHANNEL", sample(6, PAST_MS, 1.0), Some((0, None))),
        ("WRONG_UNIT", sample(4, PAST_MS, 1.0), Some((0, None))),
        ("UNKNOWN_FIELD", event(5, &[Some(1.0)]), Some((0, None))),
        (
            "NON_FINITE",
            plain(&column(1, PAST_MS, 1, &[1.0, f64::NAN])),
            Some((0, Some(1))),
        ),
        (
            "NON_FINITE",
            sample(0, PAST_MS, f64::INFINITY),
            Some((0, Some(0))),
        ),
        (
            "NON_FINITE",
            sample(0, PAST_MS, f64::NEG_INFINITY),
            Some((0, Some(0))),
        ),
        (
            "NON_FINITE",
            event(2, &[Some(f64::NAN), None]),
            Some((0, Some(0))),
        ),
        (
            "AHEAD_OF_CLOCK",
            sample(1, NOW_MS + 300_001, 1.0),
            Some((0, Some(0))),
        ),
        (
            "AHEAD_OF_CLOCK",
            sample(1, i64::MAX, 1.0),
            Some((0, Some(0))),
        ),
        ("AHEAD_OF_CLOCK", promise, None),
        (
            "BEFORE_COMMISSIONING",
            sample(1, 1_577_836_799_999, 1.0),
            Some((0, Some(0))),
        ),
        (
            "BEFORE_COMMISSIONING",
            sample(1, -1, 1.0),
            Some((0, Some(0))),
        ),
        (
            "BEFORE_COMMISSIONING",
            sample(1, i64::MIN, 1.0),
            Some((0, Some(0))),
        ),
        (
            "UNSORTED",
            edit(&|payload| {
                payload.axes[0].count = 0;
                payload.axes[0].step_ms = 0;
                payload.axes[0].deltas_ms = vec![step_back];
            }),
            None,
        ),
        ("EMPTY", plain(&v1::TelemetryPayload::default()), None),
        (
            "TOO_LONG",
            plain(&column(1, PAST_MS - 90_000_000, 86_400_001, &[1.0, 2.0])),
            None,
        ),
        ("TOO_LARGE", bytes(columns, vec![0; (1 << 20) + 1]), None),
        (
            "TOO_LARGE",
            plain(&column(1, PAST_MS - 70_000, 1, &vec![1.0; 65_537])),
            None,
        ),
        (
            "TOO_LARGE",
            edit(&|payload| payload.axes[0].count = u32::MAX),
            None,
        ),
        // Empty parts are two bytes on the wire and many in memory.
        ("TOO_LARGE", bytes(columns, [0x0a, 0].repeat(70_000)), None),
        ("BAD_CHECKSUM", damaged, None),
        ("MALFORMED_PAYLOAD", truncated, None),
        ("MALFORMED_PAYLOAD", bytes(columns, vec![0xff; 40]), None),
        (
            "MALFORMED_PAYLOAD",
            bytes(v1::Encoding::ColumnsZstd, vec![7; 40]),
            None,
        ),
        (
            "MALFORMED_PAYLOAD",
            edit(&|payload| payload.columns[0].axis = 1),
            Some((0, None)),
        ),
        (
            "MALFORMED_PAYLOAD",
            edit(&|payload| payload.columns[0].channel = 9),
            Some((0, None)),
        ),
        (
            "MALFORMED_PAYLOAD",
            edit(&|payload| payload.columns[0].channel = 2),
            Some((0, None)),
        ),
        (
            "MALFORMED_PAYLOAD",
            edit(&|payload| payload.axes[0].count = 3),
            Some((0, None)),
        ),
        (
            "MALFORMED_PAYLOAD",
            edit(&|payload| payload.axes[0].deltas_ms = vec![1]),
            None,
        ),
        (
            "MALFORMED_PAYLOAD",
            edit(&|payload| payload.columns[0].qualities = vec![3, 4].into()),
            Some((0, Some(1))),
        ),
        (
            "MALFORMED_PAYLOAD",
            edit(&|payload| payload.columns.push(payload.columns[0].clone())),
            Some((1, None)),
        ),
        ("MALFORMED_PAYLOAD", event(1, &[]), Some((0, None))),
        ("MALFORMED_PAYLOAD", event(2, &[None]), Some((0, None))),
        (
            "UNKNOWN_ENCODING",
            bytes(v1::Encoding::Unspecified, vec![1]),
            None,
        ),
    ];
    let n_cases = u64::try_from(cases.len()).unwrap();
    for (sequence, (reason, batch, place)) in (1..).zip(cases) {
        let batch = v1::TelemetryBatch { sequence, ..batch };
        let mut outcome = gateway.send(batch.clone()).await;
        if reason == "BAD_CHECKSUM" {
            // It may have been damaged on the way, until it comes again alike.
            assert_eq!(outcome.reason, reason, "{outcome:?}");
            assert_eq!(outcome.outcome(), Outcome::Retry);
            outcome = gateway.send(batch).await;
        }
        assert_eq!(outcome.reason, reason, "{outcome:?}");
        assert_eq!(outcome.outcome(), Outcome::Quarantined);
        assert!(outcome.message.len() > 20, "{outcome:?}");
        let (column, sample) =
            place.map_or((None, None), |(column, sample)| (Some(column), sample));
        assert_eq!(outcome.column, column, "{outcome:?}");
        assert_eq!(outcome.sample, sample, "{outcome:?}");
    }
    // Sent again, it is settled already and kept once.
    let again = v1::TelemetryBatch {
        sequence: 1,
        ..sample(3, PAST_MS, 1.0)
    };
    assert_eq!(gateway.send(again).await.outcome(), Outcome::Duplicate);
    gateway.ask(Asked::Batch(good(&schema, n_cases + 1))).await;
    let last = gateway.acknowledgement().await;
    assert_eq!(last.outcomes[0].outcome(), Outcome::Stored);
    assert_eq!(last.durable, [range(1, n_cases + 1)]);
    assert_eq!(stored(&served, "brake.pipe.pressure").len(), 2);
    assert_eq!(
        served.store.quarantined(None, 1_000).unwrap().len() as u64,
        n_cases
    );
    let store = Arc::clone(&served.store);
    served.stop().await;
    // And counts as judged, so that the next start does not look for what was not.
    let key = DocumentKey {
        kind: "judged",
        key: unit(1).as_str().as_bytes().to_vec(),
    };
    let judged = store.document(&key).unwrap().unwrap();
    let judged: serde_json::Value = serde_json::from_slice(&judged).unwrap();
    assert_eq!(
        judged["sources"][0][1],
        serde_json::json!([[1, n_cases + 1]])
    );
}

#[tokio::test]
async fn a_batch_damaged_on_the_way_is_stored_when_it_comes_whole() {
    let served = Served::start(Settings::default()).await;
    let (mut gateway, schema) = ready(&served).await;
    // More than are asked for again at a time, one after the other.
    for sequence in 1..=300 {
        let whole = good(&schema, sequence);
        let mut bytes = whole.payload.to_vec();
        let last = bytes.len() - 1;
        bytes[last] ^= 0x10;
        let damaged = v1::TelemetryBatch {
            payload: bytes.into(),
            ..whole.clone()
        };
        gateway.ask(Asked::Batch(damaged)).await;
        let answer = gateway.acknowledgement().await;
        assert_eq!(answer.outcomes[0].outcome(), Outcome::Retry, "{sequence}");
        assert_eq!(answer.outcomes[0].reason, "BAD_CHECKSUM");
        assert_eq!(gateway.send(whole).await.outcome(), Outcome::Stored);
    }
    assert_eq!(stored(&served, "brake.pipe.pressure").len(), 600);
    assert!(served.store.quarantined(None, 10).unwrap().is_empty());
    served.stop().await;
}

#[tokio::test]
async fn a_payload_that_unpacks_without_end_is_refused_before_it_fills_memory() {
    let served = Served::start(Settings::default()).await;
    let (mut gateway, schema) = ready(&served).await;
    let pack = |bytes: &[u8]| zstd::stream::encode_all(bytes, 3).unwrap();
    let send = |sequence, payload: Vec<u8>| v1::TelemetryBatch {
        encoding: v1::Encoding::ColumnsZstd.into(),
        crc32c: crc32c::crc32c(&payload),
        payload: payload.into(),
        ..good(&schema, sequence)
    };
    let bomb = pack(&vec![0; 64 << 20]);
    assert!(bomb.len() < 1 << 16);
    assert_eq!(gateway.send(send(1, bomb)).await.reason, "TOO_LARGE");
    let fair = pack(&column(1, PAST_MS, 1_000, &[500.0; 100]).encode_to_vec());
    assert_eq!(gateway.send(send(2, fair)).await.outcome(), Outcome::Stored);
    assert_eq!(stored(&served, "brake.pipe.pressure").len(), 100);
    served.stop().await;
}

#[tokio::test]
async fn a_sequence_of_zero_is_refused_and_an_unknown_schema_is_put_off() {
    let served = Served::start(Settings::default()).await;
    let mut gateway = served.stream().await;
    gateway.hello(1, &unit(1), 7).await;
    let schema = usual_schema();
    let early = gateway.send(good(&schema, 1)).await;
    assert_eq!(
        (early.outcome(), &*early.reason),
        (Outcome::Retry, "UNKNOWN_SCHEMA")
    );
    gateway.ask(Asked::Schema(schema.clone())).await;
    assert_eq!(
        gateway.send(good(&schema, 1)).await.outcome(),
        Outcome::Stored
    );
    let zero = gateway.send(good(&schema, 0)).await;
    assert_eq!(
        (zero.outcome(), &*zero.reason),
        (Outcome::Refused, "ZERO_SEQUENCE")
    );
    served.stop().await;
}

#[tokio::test]
async fn broken_messages_end_the_stream_with_their_reason() {
    let served = Served::start(Settings::default()).await;
    let hello = |source, unit: &str, epoch: usize| {
        Asked::Hello(v1::Hello {
            source,
            unit: unit.to_owned(),
            epoch: vec![1; epoch].into(),
        })
    };
    let schema = usual_schema();
    let wrong_digest = v1::Schema {
        digest: vec![0; 16].into(),
        ..schema.clone()
    };
    let no_definition = v1::Schema {
        digest: common::digest(&[0xff; 9]).into(),
        definition: vec![0xff; 9].into(),
    };
    let fine = hello(1, "units/ZVR 1", 16);
    let invalid = Code::InvalidArgument;
    let cases: [(&str, Code, Vec<Asked>); 10] = [
        ("NO_HELLO", invalid, vec![Asked::Batch(good(&schema, 1))]),
        ("NO_HELLO", invalid, vec![Asked::Schema(schema.clone())]),
        ("HELLO_TWICE", invalid, vec![fine.clone(), fine.clone()]),
        (
            "MALFORMED_MESSAGE",
            invalid,
            vec![hello(0, "units/ZVR 1", 16)],
        ),
        ("MALFORMED_MESSAGE", invalid, vec![hello(1, "ZVR 1", 16)]),
        (
            "MALFORMED_MESSAGE",
            invalid,
            vec![hello(1, "units/a/b", 16)],
        ),
        (
            "MALFORMED_MESSAGE",
            invalid,
            vec![hello(1, "units/ZVR 1", 15)],
        ),
        (
            "MALFORMED_MESSAGE",
            invalid,
            vec![fine.clone(), Asked::Schema(wrong_digest)],
        ),
        (
            "MALFORMED_MESSAGE",
            invalid,
            vec![fine.clone(), Asked::Schema(no_definition)],
        ),
        (
            "UNKNOWN_UNIT",
            Code::NotFound,
            vec![hello(1, "units/ZVR 99", 16)],
        ),
    ];
    for (expected, code, asks) in cases {
        let gateway = served.stream().await;
        for ask in asks {
            gateway.ask(ask).await;
        }
        let status = gateway.end().await.expect("the stream ends with a status");
        assert_eq!(
            (&*reason(&status), status.code()),
            (expected, code),
            "{status:?}"
        );
    }
    served.stop().await;
}

/// A message whose field 1 holds any bytes, where the contract has a Hello.
#[derive(Clone, PartialEq, prost::Message)]
struct Raw {
    #[prost(bytes = "vec", tag = "1")]
    item: Vec<u8>,
}

#[tokio::test]
async fn a_truncated_message_ends_the_stream_as_malformed() {
    let served = Served::start(Settings::default()).await;
    let mut client = tonic::client::Grpc::new(served.channel().await);
    client.ready().await.unwrap();
    // A field of 80 bytes of which none is there.
    let asks = tokio_stream::iter([Raw {
        item: vec![0x12, 80],
    }]);
    let path = "/wheeltap.v1.IngestService/StreamTelemetry"
        .parse()
        .unwrap();
    let codec = tonic_prost::ProstCodec::<Raw, v1::StreamTelemetryResponse>::default();
    let answers = client
        .streaming(tonic::Request::new(asks), path, codec)
        .await
        .unwrap();
    let status = answers.into_inner().message().await.unwrap_err();
    assert_eq!(reason(&status), "MALFORMED_MESSAGE");
    assert_eq!(status.code(), Code::InvalidArgument);
    served.stop().await;
}

#[tokio::test]
async fn quarantined_batches_are_listed_mended_released_and_deleted() {
    let served = Served::start(Settings::default()).await;
    let (mut gateway, schema) = ready(&served).await;
    for (sequence, ahead_ms) in [(1, 400_000), (2, 500_000), (3, 86_400_000)] {
        let early = column(1, NOW_MS + ahead_ms, 1_000, &[500.0, 501.0]);
        let outcome = gateway.send(batch_of(&schema, sequence, &early)).await;
        assert_eq!(outcome.reason, "AHEAD_OF_CLOCK");
    }
    let mut client = served.ingest().await;
    let list = |page_size, page_token: &str| v1::ListQuarantinedBatchesRequest {
        page_size,
        page_token: page_token.to_owned(),
    };
    let first = client
        .list_quarantined_batches(list(2, ""))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(first.quarantined_batches.len(), 2);
    let token = first.next_page_token;
    let second = client
        .list_quarantined_batches(list(2, &token))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(second.quarantined_batches.len(), 1);
    assert_eq!(second.next_page_token, "");
    let shown = &first.quarantined_batches[0];
    assert_eq!(
        (&*shown.unit, shown.sequence, &*shown.reason),
        ("ZVR 1", 1, "AHEAD_OF_CLOCK")
    );
    assert_eq!(shown.received_unix_ms, NOW_MS);

    let release = |name: &str| v1::ReleaseQuarantinedBatchRequest {
        name: name.to_owned(),
    };
    let early = client
        .release_quarantined_batch(release(&shown.name))
        .await
        .unwrap_err();
    assert_eq!(
        (&*reason(&early), early.code()),
        ("STILL_BAD", Code::FailedPrecondition)
    );
    // The server's clock had been slow; once mended, two of the three are right.
    served
        .clock
        .set(wheeltap_model::ServerTime::from_unix_ms(NOW_MS + 600_000));
    let released = client
        .release_quarantined_batch(release(&shown.name))
        .await
        .unwrap();
    assert_eq!(released.into_inner().n_stored, 2);
    assert_eq!(stored(&served, "brake.pipe.pressure").len(), 2);
    let gone = client
        .release_quarantined_batch(release(&shown.name))
        .await
        .unwrap_err();
    assert_eq!(
        (&*reason(&gone), gone.code()),
        ("NOT_FOUND", Code::NotFound)
    );
    let name = second.quarantined_batches[0].name.clone();
    let delete = v1::DeleteQuarantinedBatchRequest { name };
    client
        .delete_quarantined_batch(delete.clone())
        .await
        .unwrap();
    let gone = client.delete_quarantined_batch(delete).await.unwrap_err();
    assert_eq!(reason(&gone), "NOT_FOUND");
    let bad = client
        .release_quarantined_batch(release("batches/1"))
        .await
        .unwrap_err();
    assert_eq!(reason(&bad), "BAD_NAME");
    let left = client
        .list_quarantined_batches(list(0, ""))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(left.quarantined_batches.len(), 1);
    served.stop().await;
}

#[tokio::test]
async fn a_bad_batch_stays_with_its_gateway_while_quarantine_is_full() {
    let served = Served::start(Settings::default()).await;
    for sequence in 1..=1_000 {
        let kept = Quarantined {
            unit: "ZVR 2".to_owned(),
            epoch: Epoch([9; 16]),
            sequence,
            received_at: ServerTime::from_unix_ms(NOW_MS),
            reason: "UNKNOWN_CHANNEL".to_owned(),
            message: String::new(),
            bytes: vec![1],
        };
        assert!(served.store.quarantine(kept).unwrap().is_some());
    }
    let (mut gateway, schema) = ready(&served).await;
    let list = || v1::ListQuarantinedBatchesRequest::default();
    let mut client = served.ingest().await;
    let listed = client.list_quarantined_batches(list()).await.unwrap();
    assert_eq!(listed.into_inner().put_off_unix_ms, None);
    let early = column(1, NOW_MS + 400_000, 1_000, &[500.0, 501.0]);
    let bad = || batch_of(&schema, 1, &early);
    let outcome = gateway.send(bad()).await;
    assert_eq!(
        (outcome.outcome(), &*outcome.reason),
        (Outcome::Retry, "QUARANTINE_FULL")
    );
    assert!(outcome.message.contains("AHEAD_OF_CLOCK"), "{outcome:?}");
    // Others are stored meanwhile, and what was put off is not settled.
    gateway.ask(Asked::Batch(good(&schema, 2))).await;
    let good = gateway.acknowledgement().await;
    assert_eq!(good.outcomes[0].outcome(), Outcome::Stored);
    assert_eq!(good.durable, [range(2, 2)]);
    let listed = client.list_quarantined_batches(list()).await.unwrap();
    let listed = listed.into_inner();
    assert_eq!(listed.put_off_unix_ms, Some(NOW_MS));
    let oldest = &listed.quarantined_batches[0];
    assert_eq!(
        (&*oldest.unit, oldest.sequence),
        ("ZVR 2", 1),
        "what is kept is kept"
    );
    assert_eq!(served.shared.metrics.batches_put_off.get(), 1);
    // With room it is taken.
    let delete = v1::DeleteQuarantinedBatchRequest {
        name: oldest.name.clone(),
    };
    client.delete_quarantined_batch(delete).await.unwrap();
    gateway.ask(Asked::Batch(bad())).await;
    let kept = gateway.acknowledgement().await;
    assert_eq!(kept.outcomes[0].outcome(), Outcome::Quarantined);
    assert_eq!(kept.durable, [range(1, 2)]);
    served.stop().await;
}
