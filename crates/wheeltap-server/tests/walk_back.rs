//! The promise: walking back from a failure over the wire names what differed, since when and who
//! else, and drafts a rule that vets and calls the failed unit alone; what cannot be walked back from is
//! refused with the reason.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{NOW_MS, Served, unit};
use std::sync::Arc;
use tonic::{Code, Status};
use wheeltap_model::{Batch, Column, ServerTime};
use wheeltap_proto::v1;
use wheeltap_proto::v1::rule_service_client::RuleServiceClient;
use wheeltap_proto::v1::walk_back_response::Item;
use wheeltap_server::Settings;
use wheeltap_store::{Epoch, Incoming, PayloadDigest};

const HOUR_MS: i64 = 3_600_000;
const STEP_MS: i64 = 1_000;
const FROM_MS: i64 = NOW_MS - 6 * HOUR_MS;
/// Unit 3 runs hot from here on.
const HOT_MS: i64 = NOW_MS - 2 * HOUR_MS;

/// Six hours of oil and coolant temperature of seven units, with noise and a day's drift that all
/// share; unit 8 sent nothing.
fn fill(served: &Served) {
    let channel = |name: &str| {
        let name = wheeltap_model::ChannelName::new(name).unwrap();
        served.shared.catalogue.channel(&name).unwrap().0
    };
    let (oil, coolant) = (
        channel("engine.oil.temperature"),
        channel("engine.coolant.temperature"),
    );
    for number in 1..=7 {
        let times_ms: Arc<[i64]> = (0..6 * HOUR_MS / STEP_MS)
            .map(|step| FROM_MS + step * STEP_MS)
            .collect();
        let mut state = u64::from(number);
        let mut noise = move || {
            // Knuth's MMIX generator; the upper bits are as good as noise.
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            f64::from((state >> 40) as u32 & 0xffff) / 65_536.0 - 0.5
        };
        let shared = |ms: i64| 4.0 * ((ms - FROM_MS) as f64 / 6e6).sin();
        let columns = [(oil, 80.0), (coolant, 74.0)].map(|(channel, level)| {
            let hot = |ms: i64| number == 3 && channel == oil && ms >= HOT_MS;
            let value = |ms: &i64| {
                let value = level + shared(*ms) + noise() + if hot(*ms) { 12.0 } else { 0.0 };
                (value * 100.0).round() / 100.0
            };
            Column {
                channel,
                values: times_ms.iter().map(value).collect(),
                times_ms: Arc::clone(&times_ms),
                qualities: Vec::new(),
            }
        });
        let incoming = Incoming {
            unit: unit(number),
            epoch: Epoch([1; 16]),
            sequence: 1,
            digest: PayloadDigest([0; 16]),
            received_at: ServerTime::from_unix_ms(NOW_MS),
            batch: Arc::new(Batch {
                columns: columns.to_vec(),
                events: Vec::new(),
                complete_through: None,
            }),
        };
        served.store.submit(vec![incoming], Box::new(|_| {}));
    }
}

async fn walk(
    served: &Served,
    unit: &str,
    component: &str,
    at_unix_ms: i64,
) -> Result<v1::WalkBackReport, Status> {
    let mut rules = RuleServiceClient::new(served.channel().await);
    let request = v1::WalkBackRequest {
        unit: unit.to_owned(),
        component: component.to_owned(),
        at_unix_ms,
    };
    let mut answers = rules.walk_back(request).await?.into_inner();
    let mut n_read = 0;
    loop {
        match answers.message().await?.unwrap().item.unwrap() {
            Item::Progress(progress) => {
                assert_eq!(progress.n_units_read, n_read + 1);
                n_read = progress.n_units_read;
            }
            Item::Report(report) => {
                assert_eq!(n_read, 8, "units of the class");
                return Ok(report);
            }
        }
    }
}

#[tokio::test]
async fn what_differs_is_named_with_a_rule_that_calls_it() {
    let served = Served::start(Settings::default()).await;
    fill(&served);
    let report = walk(&served, "units/ZVR 3", "oil cooler", NOW_MS)
        .await
        .unwrap();
    let first = &report.findings[0];
    assert_eq!(first.channel, "channels/engine.oil.temperature");
    assert!(first.score > report.least_score, "{report:#?}");
    assert!(
        (first.here - first.expected - 12.0).abs() < 1.0,
        "{first:#?}"
    );
    assert!(
        (first.since_unix_ms - HOT_MS).abs() <= 600_000,
        "{first:#?}"
    );
    assert!(first.today.is_empty() && !first.gradual, "{first:#?}");
    assert_eq!((report.n_units, report.n_mates), (7, 0));
    // The draft is a rule, and calls this unit alone.
    let mut rules = RuleServiceClient::new(served.channel().await);
    let vetted = rules
        .vet_rule(v1::VetRuleRequest {
            name: report.draft_name.clone(),
            source: report.draft.clone(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(vetted.problems, [], "{}", report.draft);
    assert_eq!(report.draft_name, "rules/walk-back-oil-cooler");
    let forecast = report.draft_forecast.unwrap();
    assert_eq!((forecast.n_units_alerting, forecast.n_alerts), (1, 1));
    assert_eq!(forecast.busiest[0].unit, "units/ZVR 3");
    // Its class has nothing of the kind.
    let sound = walk(&served, "units/ZVR 5", "oil cooler", 0).await.unwrap();
    assert_eq!(sound.findings, [], "{sound:#?}");
    assert!(sound.draft.is_empty() && sound.draft_forecast.is_none());
    // Before it began there was nothing to see; a later time is said to be after the unit fell silent.
    let before = walk(&served, "units/ZVR 3", "oil cooler", HOT_MS - 600_000).await;
    assert_eq!(before.unwrap().findings, []);
    let later = walk(&served, "units/ZVR 3", "oil cooler", NOW_MS + HOUR_MS).await;
    assert_eq!(later.unwrap().silent_since_unix_ms, NOW_MS - STEP_MS);
    served.stop().await;
}

#[tokio::test]
async fn what_cannot_be_walked_back_from_is_refused_with_the_reason() {
    let served = Served::start(Settings::default()).await;
    fill(&served);
    for (unit, component, at_ms, code, says) in [
        ("units/ZVR 99", "oil cooler", 0, Code::NotFound, "ZVR 99"),
        ("ZVR 3", "oil cooler", 0, Code::InvalidArgument, "unit"),
        ("units/ZVR 3", " ", 0, Code::InvalidArgument, "1 to 100"),
        (
            "units/ZVR 8",
            "oil cooler",
            0,
            Code::FailedPrecondition,
            "send telemetry first",
        ),
        (
            "units/ZVR 3",
            "oil cooler",
            FROM_MS - 1,
            Code::FailedPrecondition,
            "begins at",
        ),
    ] {
        let status = walk(&served, unit, component, at_ms).await.unwrap_err();
        assert_eq!(status.code(), code, "{status:?}");
        assert!(status.message().contains(says), "{status:?}");
    }
    served.stop().await;
}
