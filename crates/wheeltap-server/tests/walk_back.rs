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
use wheeltap_model::{Batch, ChannelId, Column, ServerTime};
use wheeltap_proto::v1;
use wheeltap_proto::v1::defect_service_client::DefectServiceClient;
use wheeltap_proto::v1::rule_service_client::RuleServiceClient;
use wheeltap_proto::v1::walk_back_response::Item;
use wheeltap_server::Settings;
use wheeltap_store::{Epoch, Incoming, PayloadDigest};

const HOUR_MS: i64 = 3_600_000;
const STEP_MS: i64 = 1_000;
const FROM_MS: i64 = NOW_MS - 6 * HOUR_MS;
/// Unit 3 runs hot from here on.
const HOT_MS: i64 = NOW_MS - 2 * HOUR_MS;
/// Where its sensor drifts instead, unit 5 has its engine stopped for this hour.
const STOPPED_MS: i64 = NOW_MS - 5 * HOUR_MS;
const STARTED_MS: i64 = NOW_MS - 4 * HOUR_MS;

/// What befalls the units.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Story {
    /// Unit 3 runs hot.
    Hot,
    /// Unit 3's oil temperature reads low. The oil of unit 5 cools while its engine is stopped, which
    /// nobody else's is, and takes 25 min to warm.
    Low,
}

/// Six hours of oil and coolant temperature of seven units, with noise and a day's drift that all
/// share; unit 8 sent nothing.
fn fill(served: &Served, story: Story) {
    let channel = |name: &str| {
        let name = wheeltap_model::ChannelName::new(name).unwrap();
        served.shared.catalogue.channel(&name).unwrap().0
    };
    let (oil, coolant, running) = (
        channel("engine.oil.temperature"),
        channel("engine.coolant.temperature"),
        channel("engine.running"),
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
        let cold = |ms: i64| {
            let left = match ms {
                STOPPED_MS..STARTED_MS => 1.0,
                _ if ms >= STARTED_MS => (1.0 - (ms - STARTED_MS) as f64 / 1.5e6).max(0.0),
                _ => 0.0,
            };
            -40.0 * left
        };
        let aside = |channel: ChannelId, ms: i64| match (story, number) {
            _ if channel != oil => 0.0,
            (Story::Hot, 3) if ms >= HOT_MS => 12.0,
            (Story::Low, 3) if ms >= HOT_MS => -12.0,
            (Story::Low, 5) => cold(ms),
            _ => 0.0,
        };
        let mut columns = [(oil, 80.0), (coolant, 74.0)]
            .map(|(channel, level)| {
                let value = |ms: &i64| {
                    let value = level + shared(*ms) + noise() + aside(channel, *ms);
                    (value * 100.0).round() / 100.0
                };
                Column {
                    channel,
                    values: times_ms.iter().map(value).collect(),
                    times_ms: Arc::clone(&times_ms),
                    qualities: Vec::new(),
                }
            })
            .to_vec();
        if story == Story::Low {
            let minutes = (0..6 * 60).map(|minute| FROM_MS + minute * 60_000);
            let is_stopped = |ms: i64| number == 5 && (STOPPED_MS..STARTED_MS).contains(&ms);
            columns.push(Column {
                channel: running,
                values: minutes
                    .clone()
                    .map(|ms| if is_stopped(ms) { 0.0 } else { 1.0 })
                    .collect(),
                times_ms: minutes.collect(),
                qualities: Vec::new(),
            });
            columns.sort_by_key(|column| column.channel);
        }
        let incoming = Incoming {
            unit: unit(number),
            epoch: Epoch([1; 16]),
            sequence: 1,
            digest: PayloadDigest([0; 16]),
            received_at: ServerTime::from_unix_ms(NOW_MS),
            batch: Arc::new(Batch {
                columns,
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
    fill(&served, Story::Hot);
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
    assert_eq!((report.n_units_heard, report.weak_findings.len()), (6, 0));
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
    assert_eq!(report.draft_n_others, 0);
    // Its words are a person's, and a fault that stands is one alert.
    for words in [
        "999 of 1,000 panes",
        " h ",
        "fn raise(seen) { seen.value > ",
        "fn clear(seen) { seen.value < ",
    ] {
        assert!(report.draft.contains(words), "{words}: {}", report.draft);
    }
    // Its class has nothing of the kind.
    let sound = walk(&served, "units/ZVR 5", "oil cooler", 0).await.unwrap();
    assert_eq!(sound.findings, [], "{sound:#?}");
    assert!(sound.draft.is_empty() && sound.draft_forecast.is_none());
    // The greatest differences are told all the same, apart.
    let weak = &sound.weak_findings;
    assert!((1..=3).contains(&weak.len()), "{sound:#?}");
    assert!(weak.iter().all(|weak| weak.score < sound.least_score));
    // Before it began there was nothing to see; a later time is said to be after the unit fell silent.
    let before = walk(&served, "units/ZVR 3", "oil cooler", HOT_MS - 600_000).await;
    assert_eq!(before.unwrap().findings, []);
    let later = walk(&served, "units/ZVR 3", "oil cooler", NOW_MS + HOUR_MS).await;
    assert_eq!(later.unwrap().silent_since_unix_ms, NOW_MS - STEP_MS);
    served.stop().await;
}

#[tokio::test]
async fn a_draft_leaves_alone_what_the_comparison_leaves_out() {
    let served = Served::start(Settings::default()).await;
    fill(&served, Story::Low);
    let report = walk(&served, "units/ZVR 3", "oil temperature sensor", NOW_MS)
        .await
        .unwrap();
    assert_eq!(
        report.findings[0].channel,
        "channels/engine.oil.temperature"
    );
    assert!(report.findings[0].today.is_empty(), "{report:#?}");
    // Unit 5 reads lower still, while stopped and until it is warm.
    let draft = &report.draft;
    assert!(
        draft.contains("fn tested(seen) { seen.running > 0.5 }"),
        "{draft}"
    );
    let forecast = report.draft_forecast.unwrap();
    assert_eq!(
        (forecast.n_units_alerting, forecast.n_alerts),
        (1, 1),
        "{draft}"
    );
    assert_eq!(forecast.busiest[0].unit, "units/ZVR 3");
    assert_eq!(report.draft_n_others, 0);
    served.stop().await;
}

#[tokio::test]
async fn what_the_book_knows_of_the_component_is_told() {
    let served = Served::start(Settings::default()).await;
    fill(&served, Story::Hot);
    let mut defects = DefectServiceClient::new(served.channel().await);
    for (unit, component, sign_ms) in [
        ("units/ZVR 3", "oil cooler", HOT_MS),
        ("units/ZVR 3", "oil pump", HOT_MS),
        ("units/ZVR 4", "oil cooler", HOT_MS),
    ] {
        let defect = v1::Defect {
            unit: unit.to_owned(),
            component: component.to_owned(),
            title: "runs hot".to_owned(),
            origin: v1::DefectOrigin::CrewReport.into(),
            first_sign_unix_ms: sign_ms,
            ..v1::Defect::default()
        };
        let report = v1::ReportDefectRequest {
            defect: Some(defect),
            request_id: String::new(),
        };
        defects.report_defect(report).await.unwrap();
    }
    let report = walk(&served, "units/ZVR 3", "Oil cooler", NOW_MS)
        .await
        .unwrap();
    assert!(!report.component_unknown && report.near_components.is_empty());
    assert_eq!(
        report.signs,
        [v1::WalkBackSign {
            name: "defects/1".to_owned(),
            title: "runs hot".to_owned(),
            from_unix_ms: HOT_MS,
            until_unix_ms: 0,
        }]
    );
    // Before the first sign there was none.
    let before = walk(&served, "units/ZVR 3", "oil cooler", HOT_MS - 1).await;
    assert_eq!(before.unwrap().signs, []);
    for (component, near) in [
        ("flux capacitor", &[][..]),
        ("oil coolar", &["oil cooler"][..]),
    ] {
        let report = walk(&served, "units/ZVR 3", component, NOW_MS)
            .await
            .unwrap();
        assert!(report.component_unknown, "{component}");
        let likest = &report.near_components[..near.len().min(report.near_components.len())];
        assert_eq!(likest, near, "{report:#?}");
        assert_eq!(report.near_components.is_empty(), near.is_empty());
    }
    served.stop().await;
}

#[tokio::test]
async fn what_cannot_be_walked_back_from_is_refused_with_the_reason() {
    let served = Served::start(Settings::default()).await;
    fill(&served, Story::Hot);
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
