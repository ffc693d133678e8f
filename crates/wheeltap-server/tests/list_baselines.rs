//! Frozen class baselines are listed by class and window, the newest first, in pages.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::Served;
use std::sync::Arc;
use wheeltap_followup::{Act, LedgerRecord};
use wheeltap_model::{ClassBaseline, ClassName, EventTime, ServerTime};
use wheeltap_proto::v1;
use wheeltap_proto::v1::rule_service_client::RuleServiceClient;
use wheeltap_server::Settings;
use wheeltap_store::{Commit, MemoryStore, Store};

fn frozen(class: &str, of: &str, from_ms: i64, median: f64) -> Vec<u8> {
    let baseline = ClassBaseline {
        class: Some(ClassName::new(class).unwrap()),
        of: of.to_owned(),
        ucum: "Cel".to_owned(),
        from: EventTime::from_unix_ms(from_ms),
        fitted_from: EventTime::from_unix_ms(from_ms - 1_000),
        fitted_to: EventTime::from_unix_ms(from_ms),
        median,
        spread: 0.5,
        n_units: 7,
        n_windows: 70,
    };
    let record = LedgerRecord {
        at: ServerTime::from_unix_ms(from_ms + 60_000),
        by: "clock".to_owned(),
        act: Act::ClassBaselineFrozen { baseline },
    };
    record.to_bytes()
}

#[tokio::test]
async fn baselines_are_listed_in_pages() {
    let store = Arc::new(MemoryStore::new());
    let ledger = vec![
        frozen("Stoat", "mean(b)", 1_000, 1.0),
        frozen("Marten", "mean(b)", 1_000, 2.0),
        frozen("Marten", "mean(a)", 1_000, 3.0),
        frozen("Marten", "mean(a)", 9_000, 4.0),
    ];
    let documents = Vec::new();
    store.commit(Commit { ledger, documents }).unwrap();
    let served = Served::on(store, Settings::default()).await;
    let mut rules = RuleServiceClient::new(served.channel().await);
    let (mut found, mut page_token, mut n_pages) = (Vec::new(), String::new(), 0);
    loop {
        let request = v1::ListClassBaselinesRequest {
            page_size: 3,
            page_token,
            class: String::new(),
        };
        let page = rules
            .list_class_baselines(request)
            .await
            .unwrap()
            .into_inner();
        found.extend(page.class_baselines);
        n_pages += 1;
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    let medians: Vec<f64> = found.iter().filter_map(|one| one.median).collect();
    assert_eq!(
        (medians.as_slice(), n_pages),
        ([4.0, 3.0, 2.0, 1.0].as_slice(), 2)
    );
    let newest = v1::ClassBaseline {
        class: "classes/Marten".to_owned(),
        of: "mean(a)".to_owned(),
        ucum: "Cel".to_owned(),
        median: Some(4.0),
        spread: Some(0.5),
        n_units: 7,
        n_windows: 70,
        from_unix_ms: 9_000,
        fitted_from_unix_ms: 8_000,
        fitted_to_unix_ms: 9_000,
        frozen_unix_ms: 69_000,
    };
    assert_eq!(found[0], newest);
    let of_class = v1::ListClassBaselinesRequest {
        class: "classes/Stoat".to_owned(),
        ..v1::ListClassBaselinesRequest::default()
    };
    let of_class = rules.list_class_baselines(of_class).await.unwrap();
    assert_eq!(of_class.into_inner().class_baselines.len(), 1);
    let wrong = v1::ListClassBaselinesRequest {
        class: "Stoat".to_owned(),
        ..v1::ListClassBaselinesRequest::default()
    };
    let refused = rules.list_class_baselines(wrong).await.unwrap_err();
    assert_eq!(refused.code(), tonic::Code::InvalidArgument);
    assert!(refused.message().contains("class"), "{refused}");
    served.stop().await;
}
