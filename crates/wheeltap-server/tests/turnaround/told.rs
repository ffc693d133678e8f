//! What people say was done and is on hand: what cannot be is refused, and what was said is kept.

use super::*;

#[tokio::test]
async fn statements_that_cannot_be_are_refused() {
    let (served, mut track) = served().await;
    let care = |item: &str, in_ms: i64, value| v1::Care {
        unit: "units/ZVR 1".to_owned(),
        item: item.to_owned(),
        done_unix_ms: NOW_MS + in_ms,
        value,
        ..v1::Care::default()
    };
    let request = v1::RecordCareRequest {
        care: vec![
            care("perodic", -DAY, None),
            care("periodic", DAY, None),
            care("periodic", -DAY, Some(3.0)),
            care("brake shoes", -DAY, Some(400.0)),
            // Within reach of the limit, but no length.
            care("brake shoes", -DAY, Some(-5.0)),
            v1::Care {
                done_unix_ms: i64::MIN,
                ..care("brake shoes", 0, None)
            },
        ],
    };
    let status = track.record_care(request).await.unwrap_err();
    assert_eq!(reason(&status), "UNKNOWN_ITEM");
    assert_eq!(
        fields(&status),
        [
            "care[0].item",
            "care[1].done_unix_ms",
            "care[2].value",
            "care[3].value",
            "care[4].value",
            "care[5].done_unix_ms"
        ]
    );
    let unit_1 = v1::ListCareRequest {
        unit: "units/ZVR 1".to_owned(),
    };
    assert_eq!(track.list_care(unit_1).await.unwrap().into_inner().care, []);
    let stock = vec![v1::PartStock {
        point: "points/Burbot Yard".to_owned(),
        part: "whistle".to_owned(),
        as_of_unix_ms: i64::MIN,
        ..v1::PartStock::default()
    }];
    let status = track
        .record_part_stock(v1::RecordPartStockRequest { stock })
        .await
        .unwrap_err();
    assert_eq!(reason(&status), "UNKNOWN_PART");
    assert_eq!(
        fields(&status),
        [
            "stock[0].part",
            "stock[0].on_hand",
            "stock[0].as_of_unix_ms"
        ]
    );
    served.stop().await;
}

#[tokio::test]
async fn every_record_of_what_was_done_is_kept_though_few_are_at_hand() {
    let folder = tempfile::tempdir().unwrap();
    let store = Arc::new(MemoryStore::new());
    let served = Served::on(Arc::clone(&store) as _, settings(&folder)).await;
    let mut track = TurnaroundServiceClient::new(served.channel().await);
    let gauged = |days: i64, value: f64| v1::Care {
        unit: "units/ZVR 1".to_owned(),
        item: "brake shoes".to_owned(),
        done_unix_ms: NOW_MS - days * DAY,
        value: Some(value),
        ..v1::Care::default()
    };
    let thick = v1::RecordCareRequest {
        care: vec![gauged(1, 57.0)],
    };
    let thick = track.record_care(thick).await.unwrap_err();
    assert!(thick.message().contains("not believable"), "{thick:?}");
    // Out of order.
    let care: Vec<v1::Care> = (1..=40).rev().map(|days| gauged(days, 40.0)).collect();
    let record = |care: Vec<v1::Care>| v1::RecordCareRequest { care };
    let first = track.record_care(record(care.clone())).await.unwrap();
    assert_eq!(first.into_inner().n_changed, 40);
    let again = track.record_care(record(care)).await.unwrap();
    assert_eq!(again.into_inner().n_changed, 0, "the oldest are known too");
    track
        .record_care(record(vec![gauged(0, 20.0)]))
        .await
        .unwrap();
    let unit_1 = v1::ListCareRequest {
        unit: "units/ZVR 1".to_owned(),
    };
    let kept = track.list_care(unit_1.clone()).await.unwrap();
    let kept = kept.into_inner().care;
    assert_eq!(kept.len(), 41);
    assert!(kept.is_sorted_by_key(|care| -care.done_unix_ms));
    let at_hand = served.shared.turnaround.care(&unit(1));
    assert_eq!((at_hand.len(), at_hand[0].value), (10, Some(20.0)));
    served.stop().await;
    let served = Served::on(store as _, settings(&folder)).await;
    let mut track = TurnaroundServiceClient::new(served.channel().await);
    let kept = track.list_care(unit_1).await.unwrap().into_inner().care;
    assert_eq!(kept.len(), 41);
    let at_hand = served.shared.turnaround.care(&unit(1));
    assert_eq!((at_hand.len(), at_hand[0].value), (10, Some(20.0)));
    served.stop().await;
}

#[tokio::test]
async fn of_parts_what_was_so_last_counts_whenever_it_is_told() {
    let (served, mut track) = served().await;
    for (on_hand, as_of) in [
        (v1::OnHand::No, NOW_MS - HOUR),
        (v1::OnHand::Yes, NOW_MS - 3 * HOUR),
    ] {
        let stock = vec![v1::PartStock {
            point: "points/Burbot Yard".to_owned(),
            part: "oil cooler bundle".to_owned(),
            on_hand: on_hand.into(),
            as_of_unix_ms: as_of,
            source: "stores".to_owned(),
            ..v1::PartStock::default()
        }];
        track
            .record_part_stock(v1::RecordPartStockRequest { stock })
            .await
            .unwrap();
    }
    let request = v1::ListPartStockRequest {
        point: "points/Burbot Yard".to_owned(),
    };
    let stock = track
        .list_part_stock(request)
        .await
        .unwrap()
        .into_inner()
        .stock;
    assert_eq!(stock.len(), 1);
    assert_eq!(
        (stock[0].on_hand(), stock[0].source.as_str()),
        (v1::OnHand::No, "stores")
    );
    served.stop().await;
}
