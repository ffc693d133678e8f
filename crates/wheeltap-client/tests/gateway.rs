//! The promise: through dropped streams, late answers, restarts of the service and kills of the
//! gateway, every batch reaches the service exactly once, and what the service says about a batch
//! reaches the caller.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

mod fake;

use fake::{Fake, Trouble};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use wheeltap_client::{
    BatchBuilder, DiskSpool, DiskSpoolOptions, EncodedBatch, Gateway, GatewayEvent, GatewayOptions,
    MemorySpool, Packing, SendOrder, Spool, connect_lazy,
};
use wheeltap_model::{ChannelName, EventTime, UnitId};

/// Reconnects at once: these tests break streams hundreds of times.
fn options() -> GatewayOptions {
    GatewayOptions {
        first_backoff: Duration::from_millis(1),
        longest_backoff: Duration::from_millis(5),
        ..GatewayOptions::default()
    }
}

fn batch(number: i64) -> EncodedBatch {
    let mut builder = BatchBuilder::new(Packing::Plain);
    let channel = ["engine.speed", "engine.oil.temperature", "sand.left"]
        [usize::try_from(number % 3).unwrap()];
    builder
        .samples(
            &ChannelName::new(channel).unwrap(),
            "",
            &[number * 1_000],
            &[450.0],
            &[],
        )
        .unwrap()
        .complete_through(EventTime::from_unix_ms(number * 1_000));
    builder.build().unwrap().remove(0)
}

fn unit(number: usize) -> UnitId {
    UnitId::new(&format!("ZVR {number}")).unwrap()
}

fn start(fake: &Fake, options: GatewayOptions) -> (Gateway, mpsc::UnboundedReceiver<GatewayEvent>) {
    let (sender, events) = mpsc::unbounded_channel();
    let gateway = Gateway::start(
        connect_lazy(&fake.address()).unwrap(),
        options,
        move |event| {
            // A test that does not look drops the other end.
            let _ = sender.send(event);
        },
    );
    (gateway, events)
}

/// Waits for an event that `wanted` names.
async fn until<T>(
    events: &mut mpsc::UnboundedReceiver<GatewayEvent>,
    mut wanted: impl FnMut(GatewayEvent) -> Option<T>,
) -> T {
    loop {
        let event = events.recv().await.expect("the gateway runs");
        if let Some(found) = wanted(event) {
            return found;
        }
    }
}

fn payloads(batches: &[EncodedBatch]) -> BTreeMap<u64, Vec<u8>> {
    (1..)
        .zip(batches.iter().map(|batch| batch.payload.to_vec()))
        .collect()
}

#[tokio::test]
async fn every_batch_arrives_once_through_random_trouble() {
    for seed in 0..8 {
        let fake = Fake::start(Trouble::random(seed)).await;
        let (gateway, _events) = start(&fake, options());
        let batches: Vec<EncodedBatch> = (1..=60).map(batch).collect();
        let mut sources = Vec::new();
        for number in 0..5 {
            let source = gateway
                .add(unit(number), MemorySpool::new(1 << 20))
                .unwrap();
            for part in batches.chunks(7) {
                source.append(part.to_vec()).await.unwrap();
            }
            sources.push(source);
        }
        gateway.drained().await;
        for source in &sources {
            let stored = fake.stored(source.unit(), source.spool().epoch().0);
            assert_eq!(stored, payloads(&batches), "seed {seed}");
        }
        assert!(fake.n_streams() > 1, "seed {seed}: nothing ever broke");
        assert_eq!(fake.n_epochs(), 5, "seed {seed}: no epoch was given up");
        gateway.stop().await;
    }
}

#[tokio::test]
async fn a_fleet_too_great_for_one_stream_is_sent_over_several() {
    let fake = Fake::start(Trouble::none()).await;
    let (gateway, _events) = start(&fake, options());
    let sources: Vec<_> = (0..4_097)
        .map(|number| gateway.add(unit(number), MemorySpool::new(1 << 10)))
        .collect::<Result<_, _>>()
        .unwrap();
    assert!(gateway.add(unit(7), MemorySpool::new(1 << 10)).is_err());
    for source in &sources {
        source.append(vec![batch(1)]).await.unwrap();
    }
    gateway.drained().await;
    for source in &sources {
        let stored = fake.stored(source.unit(), source.spool().epoch().0);
        assert_eq!(stored, payloads(&[batch(1)]), "{:?}", source.unit());
    }
    assert_eq!(
        fake.n_streams(),
        5,
        "the service holds 4,096 sources a stream"
    );
    gateway.stop().await;
}

#[tokio::test]
async fn a_restarted_service_gets_only_what_it_lacks() {
    let mut fake = Fake::start(Trouble::none()).await;
    let (gateway, mut events) = start(&fake, options());
    let source = gateway.add(unit(1), MemorySpool::new(1 << 20)).unwrap();
    let batches: Vec<EncodedBatch> = (1..=20).map(batch).collect();
    source.append(batches[..10].to_vec()).await.unwrap();
    source.drained().await;
    fake.kill().await;
    until(&mut events, |event| {
        matches!(event, GatewayEvent::Disconnected { .. }).then_some(())
    })
    .await;
    source.append(batches[10..].to_vec()).await.unwrap();
    fake.restart().await;
    source.drained().await;
    let stored = fake.stored(source.unit(), source.spool().epoch().0);
    assert_eq!(stored, payloads(&batches));
    assert_eq!(fake.n_received(), 20, "nothing was sent twice");
}

#[tokio::test]
async fn a_killed_gateway_goes_on_from_its_disk() {
    let folder = tempfile::tempdir().unwrap();
    let batches: Vec<EncodedBatch> = (1..=40).map(batch).collect();
    // Stores, but its first answers are lost with the stream.
    let fake = Fake::start(Trouble {
        drop_after: 5,
        ..Trouble::random(11)
    })
    .await;
    let options_disk = DiskSpoolOptions {
        segment_bytes: 1_000,
        ..DiskSpoolOptions::default()
    };
    let mut epochs = Vec::new();
    for part in batches.chunks(10) {
        let spool = DiskSpool::open(folder.path(), options_disk).unwrap();
        epochs.push(spool.epoch());
        let (gateway, mut events) = start(&fake, options());
        let source = gateway.add(unit(1), spool).unwrap();
        source.append(part.to_vec()).await.unwrap();
        until(&mut events, |event| {
            matches!(event, GatewayEvent::Stored { .. }).then_some(())
        })
        .await;
        // The task ends in the middle of its work; only the folder is left.
        drop(source);
        gateway.stop().await;
    }
    let (gateway, _events) = start(&fake, options());
    let spool = DiskSpool::open(folder.path(), options_disk).unwrap();
    let source = gateway.add(unit(1), spool).unwrap();
    source.drained().await;
    assert!(epochs.iter().all(|epoch| *epoch == epochs[0]));
    assert_eq!(fake.stored(&unit(1), epochs[0].0), payloads(&batches));
}

#[tokio::test]
async fn a_reused_sequence_begins_a_new_epoch_and_everything_arrives() {
    let fake = Fake::start(Trouble::none()).await;
    let spool = Arc::new(MemorySpool::new(1 << 20));
    let old_epoch = spool.epoch();
    // The same spool was here before, with other batches: a copy, or one that lost its end.
    fake.preload(&unit(1), old_epoch.0, 1, b"other bytes");
    let (gateway, mut events) = start(&fake, options());
    let batches: Vec<EncodedBatch> = (1..=5).map(batch).collect();
    spool.append(&batches).unwrap();
    let source = gateway.add(unit(1), Arc::clone(&spool)).unwrap();
    source.drained().await;
    let new_epoch = until(&mut events, |event| match event {
        GatewayEvent::Renewed {
            sequence: 1, epoch, ..
        } => Some(epoch),
        _ => None,
    })
    .await;
    assert_ne!(new_epoch, old_epoch);
    assert_eq!(fake.stored(&unit(1), new_epoch.0), payloads(&batches));
}

#[tokio::test]
async fn a_refused_batch_is_sent_again_under_a_new_epoch() {
    let fake = Fake::start(Trouble {
        refuse_once: Some(3),
        ..Trouble::none()
    })
    .await;
    let (gateway, mut events) = start(&fake, options());
    let source = gateway.add(unit(1), MemorySpool::new(1 << 20)).unwrap();
    source.append((1..=5).map(batch).collect()).await.unwrap();
    let epoch = until(&mut events, |event| match event {
        GatewayEvent::Renewed {
            sequence: 3, epoch, ..
        } => Some(epoch),
        _ => None,
    })
    .await;
    source.drained().await;
    let stored = fake.stored(&unit(1), epoch.0);
    let third = batch(3).payload.to_vec();
    assert!(stored.values().any(|payload| *payload == third));
}

#[tokio::test]
async fn quarantine_and_retry_reach_the_caller() {
    let fake = Fake::start(Trouble {
        quarantine: Some(2),
        retry_once: vec![(3, "OVERLOADED"), (4, "UNKNOWN_SCHEMA")],
        ..Trouble::none()
    })
    .await;
    let (gateway, mut events) = start(&fake, options());
    let source = gateway.add(unit(1), MemorySpool::new(1 << 20)).unwrap();
    source.append((1..=4).map(batch).collect()).await.unwrap();
    source.drained().await;
    gateway.stop().await;
    let (mut quarantined, mut retried, mut stored) = (Vec::new(), Vec::new(), Vec::new());
    while let Some(event) = events.recv().await {
        match event {
            GatewayEvent::Quarantined {
                sequence, reason, ..
            } => quarantined.push((sequence, reason)),
            GatewayEvent::Retrying {
                sequence, reason, ..
            } => retried.push((sequence, reason)),
            GatewayEvent::Stored {
                sequence,
                duplicate: false,
                ..
            } => stored.push(sequence),
            _ => {}
        }
    }
    stored.sort_unstable();
    assert_eq!(quarantined, [(2, "UNKNOWN_CHANNEL".to_owned())]);
    assert_eq!(
        retried,
        [
            (3, "OVERLOADED".to_owned()),
            (4, "UNKNOWN_SCHEMA".to_owned())
        ]
    );
    assert_eq!(stored, [1, 3, 4]);
    assert!(fake.n_schemas() > 3, "the forgotten schema was sent again");
}

#[tokio::test]
async fn the_newer_gateway_fences_the_older_one() {
    let fake = Fake::start(Trouble::none()).await;
    let (old, mut old_events) = start(&fake, options());
    let old_source = old.add(unit(1), MemorySpool::new(1 << 20)).unwrap();
    old_source.append(vec![batch(1)]).await.unwrap();
    old_source.drained().await;
    let (new, _events) = start(&fake, options());
    let new_source = new.add(unit(1), MemorySpool::new(1 << 20)).unwrap();
    until(&mut old_events, |event| {
        matches!(event, GatewayEvent::Fenced { .. }).then_some(())
    })
    .await;
    assert!(old_source.is_fenced());
    // What comes in behind the fence waits in the spool and is not lost.
    old_source.append(vec![batch(2)]).await.unwrap();
    assert_eq!(old_source.spool().n_pending(), 1);
    new_source.append(vec![batch(3)]).await.unwrap();
    new_source.drained().await;
    assert!(!new_source.is_fenced());
}

#[tokio::test]
async fn an_unknown_unit_does_not_hold_up_the_others() {
    let fake = Fake::start(Trouble {
        unknown_unit: Some("ZVR 2".to_owned()),
        ..Trouble::none()
    })
    .await;
    let (gateway, mut events) = start(
        &fake,
        GatewayOptions {
            longest_backoff: Duration::from_mins(10),
            ..options()
        },
    );
    let sources: Vec<_> = (1..=3)
        .map(|number| {
            gateway
                .add(unit(number), MemorySpool::new(1 << 20))
                .unwrap()
        })
        .collect();
    for source in &sources {
        source.append(vec![batch(1)]).await.unwrap();
    }
    let refused = until(&mut events, |event| match event {
        GatewayEvent::SourceRefused { unit, error } => Some((unit, error.reason)),
        _ => None,
    })
    .await;
    assert_eq!(refused, (unit(2), "UNKNOWN_UNIT".to_owned()));
    sources[0].drained().await;
    sources[2].drained().await;
    assert_eq!(sources[1].spool().n_pending(), 1);
}

#[tokio::test]
async fn newest_first_sends_the_present_first_and_keeps_its_promise_to_the_end() {
    let fake = Fake::start(Trouble::none()).await;
    let (gateway, _events) = start(
        &fake,
        GatewayOptions {
            order: SendOrder::NewestFirst,
            ..options()
        },
    );
    let spool = MemorySpool::new(1 << 20);
    let batches: Vec<EncodedBatch> = (1..=6).map(batch).collect();
    spool.append(&batches).unwrap();
    let source = gateway.add(unit(1), spool).unwrap();
    source.drained().await;
    let arrived = fake.arrivals();
    let order: Vec<u64> = arrived.iter().map(|(sequence, _)| *sequence).collect();
    assert_eq!(order, [6, 5, 4, 3, 2, 1]);
    let promises: Vec<Option<i64>> = arrived.iter().map(|(_, promise)| *promise).collect();
    assert_eq!(promises[..5], [None; 5], "older batches were still to come");
    assert_eq!(promises[5], Some(6_000));
}

#[tokio::test]
async fn a_full_spool_holds_the_producer_back_until_the_service_takes_some() {
    let folder = tempfile::tempdir().unwrap();
    let mut fake = Fake::start(Trouble::none()).await;
    fake.kill().await;
    let (gateway, mut events) = start(&fake, options());
    let spool = DiskSpool::open(
        folder.path(),
        DiskSpoolOptions {
            limit_bytes: 8 * 1024,
            segment_bytes: 1_024,
        },
    )
    .unwrap();
    let epoch = spool.epoch();
    let source = gateway.add(unit(1), spool).unwrap();
    let batches: Vec<EncodedBatch> = (1..=200).map(batch).collect();
    let (producer, all) = (source.clone(), batches.clone());
    let mut producing = tokio::spawn(async move {
        for batch in all {
            producer.append(vec![batch]).await.unwrap();
        }
    });
    // A dead service: the gateway tries again and again, the producer stands.
    for _ in 0..20 {
        until(&mut events, |event| {
            matches!(event, GatewayEvent::Disconnected { .. }).then_some(())
        })
        .await;
    }
    assert!(
        tokio::time::timeout(Duration::ZERO, &mut producing)
            .await
            .is_err(),
        "200 batches do not fit"
    );
    assert!(source.spool().held_bytes() <= 8 * 1024);
    fake.restart().await;
    producing.await.unwrap();
    source.drained().await;
    assert_eq!(fake.stored(&unit(1), epoch.0), payloads(&batches));
}

#[tokio::test]
async fn a_unit_cannot_be_added_twice() {
    let fake = Fake::start(Trouble::none()).await;
    let (gateway, _events) = start(&fake, options());
    gateway.add(unit(1), MemorySpool::new(1 << 20)).unwrap();
    let refusal = gateway.add(unit(1), MemorySpool::new(1 << 20)).unwrap_err();
    assert_eq!(refusal.unit, unit(1));
}
