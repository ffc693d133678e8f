//! Streams too many, too slow, silent or open at the end; a disk that is full.

use super::*;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn ten_thousand_streams_are_refused_politely_beyond_the_bound() {
    use futures::StreamExt;
    const BOUND: usize = 50;
    let mut settings = Settings::default();
    settings.limits.streams = 50;
    let served = Served::start(settings).await;
    let client = served.ingest().await;
    let mut open = Vec::new();
    let mut n_refused = 0;
    let mut attempts = futures::stream::iter(0..10_000)
        .map(|_| Gateway::open(client.clone()))
        .buffer_unordered(100);
    while let Some(attempt) = attempts.next().await {
        match attempt {
            Ok(gateway) => open.push(gateway),
            Err(status) => {
                assert_eq!(reason(&status), "TOO_MANY_STREAMS");
                assert_eq!(status.code(), Code::ResourceExhausted);
                assert!(status.get_error_details().retry_info().is_some());
                n_refused += 1;
            }
        }
    }
    drop(attempts);
    assert_eq!((open.len(), n_refused), (BOUND, 10_000 - BOUND));
    assert_eq!(served.shared.metrics.streams_refused.get(), 9_950);
    // Those that are open work, and one that ends makes room.
    let mut first = open.remove(0);
    first.hello(1, &unit(1), 7).await;
    let schema = usual_schema();
    first.ask(Asked::Schema(schema.clone())).await;
    assert_eq!(
        first.send(good(&schema, 1)).await.outcome(),
        Outcome::Stored
    );
    let Gateway { asks, mut answers } = first;
    drop(asks);
    assert!(answers.message().await.unwrap().is_none());
    // The place is given back just after the stream's end is told.
    let reopened = loop {
        match Gateway::open(client.clone()).await {
            Ok(gateway) => break gateway,
            Err(status) => assert_eq!(reason(&status), "TOO_MANY_STREAMS"),
        }
    };
    drop((reopened, open));
    served.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_gateway_that_does_not_read_is_held_back_and_harms_nobody() {
    const N: u64 = 600;
    let mut settings = Settings::default();
    settings.limits.batches_in_flight = 4;
    settings.limits.in_flight_mib = 1;
    let served = Served::start(settings).await;
    let (slow, schema) = ready(&served).await;
    let Gateway { asks, mut answers } = slow;
    let sent = schema.clone();
    let sending = tokio::spawn(async move {
        for sequence in 1..=N {
            let first_ms = PAST_MS - 3_600_000 + i64::try_from(sequence).unwrap();
            let batch = batch_of(
                &sent,
                sequence,
                &column(1, first_ms, 1_000, &[500.0; 1_000]),
            );
            let item = Some(Asked::Batch(batch));
            asks.send(v1::StreamTelemetryRequest { item })
                .await
                .unwrap();
        }
    });
    let mut other = served.stream().await;
    other.hello(1, &unit(2), 7).await;
    for sequence in 1..=50 {
        assert_eq!(
            other.send(good(&schema, sequence)).await.outcome(),
            Outcome::Stored
        );
    }
    // Now it reads, and every batch is answered once, none having been lost.
    let mut answered = std::collections::BTreeSet::new();
    while let Some(message) = answers.message().await.unwrap() {
        if let Some(Answer::Acknowledgement(acknowledgement)) = message.item {
            assert!(
                acknowledgement.outcomes.len() <= 4,
                "more than the slots were unanswered"
            );
            for outcome in acknowledgement.outcomes {
                assert_eq!(outcome.outcome(), Outcome::Stored);
                assert!(answered.insert(outcome.sequence));
            }
        }
    }
    sending.await.unwrap();
    assert_eq!(answered.len() as u64, N);
    served.stop().await;
}

#[tokio::test]
async fn a_silent_stream_is_asked_to_come_back() {
    let mut settings = Settings::default();
    settings.limits.first_message = Span::from_ms(20);
    let served = Served::start(settings).await;
    let status = served.stream().await.end().await.expect("a status");
    assert_eq!(
        (&*reason(&status), status.code()),
        ("IDLE_STREAM", Code::Unavailable)
    );
    served.stop().await;
    let mut settings = Settings::default();
    settings.limits.idle = Span::from_ms(20);
    let served = Served::start(settings).await;
    let mut gateway = served.stream().await;
    gateway.hello(1, &unit(1), 7).await;
    let status = gateway.end().await.expect("a status");
    assert_eq!(reason(&status), "IDLE_STREAM");
    served.stop().await;
}

#[tokio::test]
async fn stopping_tells_open_streams_and_keeps_what_was_acknowledged() {
    let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
    let mut served = Served::on(Arc::clone(&store), Settings::default()).await;
    let (mut busy, schema) = ready(&served).await;
    let mut quiet = served.stream().await;
    quiet.hello(1, &unit(2), 7).await;
    assert_eq!(busy.send(good(&schema, 1)).await.outcome(), Outcome::Stored);
    let client = served.ingest().await;
    served.begin_stop();
    for gateway in [busy, quiet] {
        let status = gateway.end().await.expect("a status");
        assert_eq!(
            (&*reason(&status), status.code()),
            ("SHUTTING_DOWN", Code::Unavailable)
        );
    }
    served.ended().await.unwrap();
    assert!(Gateway::open(client).await.is_err());
    assert_eq!(store.sources(&unit(1)).unwrap()[0].ranges, [(1, 1)]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stopping_does_not_wait_for_ever_for_a_gateway_that_does_not_read() {
    let mut settings = Settings::default();
    settings.limits.drain = Span::from_ms(50);
    let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
    let mut served = Served::on(Arc::clone(&store), settings).await;
    let (gateway, schema) = ready(&served).await;
    let Gateway { asks, answers } = gateway;
    let sent = schema.clone();
    // Fills the answers until the server is held up, and never reads one.
    let sending = tokio::spawn(async move {
        for sequence in 1.. {
            let item = Some(Asked::Batch(good(&sent, sequence)));
            if asks
                .send(v1::StreamTelemetryRequest { item })
                .await
                .is_err()
            {
                break;
            }
        }
    });
    let mut other = served.stream().await;
    other.hello(1, &unit(2), 7).await;
    for sequence in 1..=20 {
        assert_eq!(
            other.send(good(&schema, sequence)).await.outcome(),
            Outcome::Stored
        );
    }
    served.begin_stop();
    // Its end is the claim; without the deadline this would wait for the answers to be read.
    served.ended().await.unwrap();
    // Nothing holds on to the store, so that another server can open its folder.
    assert_eq!(Arc::strong_count(&store), 1);
    sending.abort();
    drop(answers);
}

#[tokio::test]
async fn a_full_disk_stops_the_service_and_nothing_more_is_acknowledged() {
    let store = Arc::new(common::FullDisk::after(2));
    let served = Served::on(Arc::clone(&store) as Arc<dyn Store>, Settings::default()).await;
    let (mut gateway, schema) = ready(&served).await;
    for sequence in [1, 2] {
        assert_eq!(
            gateway.send(good(&schema, sequence)).await.outcome(),
            Outcome::Stored
        );
    }
    gateway.ask(Asked::Batch(good(&schema, 3))).await;
    let mut outcomes = Vec::new();
    let status = loop {
        match gateway.answers.message().await {
            Ok(Some(message)) => outcomes.push(message),
            Ok(None) => panic!("the stream ended well"),
            Err(status) => break status,
        }
    };
    assert_eq!(outcomes, []);
    assert_eq!(
        (&*reason(&status), status.code()),
        ("STORE_STOPPED", Code::Unavailable)
    );
    let error = served.ended().await.unwrap_err().to_string();
    assert!(
        error.contains("the service had to stop") && error.contains("no space"),
        "{error}"
    );
    assert_eq!(store.sources(&unit(1)).unwrap()[0].ranges, [(1, 2)]);
}
