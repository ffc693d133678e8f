//! Reports over the wire: scorecards, load of the desk, reliability, and what is refused.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::alerting::{HOT, START, Sender, reason};
use common::{NOW_MS, Served};
use std::sync::Arc;
use tonic::transport::Channel;
use tonic::{Code, Response, Status};
use wheeltap_model::{Actor, Role};
use wheeltap_proto::v1;
use wheeltap_proto::v1::alert_service_client::AlertServiceClient;
use wheeltap_proto::v1::defect_service_client::DefectServiceClient;
use wheeltap_proto::v1::desk_metric::Kind;
use wheeltap_proto::v1::fleet_service_client::FleetServiceClient;
use wheeltap_proto::v1::report_service_client::ReportServiceClient;
use wheeltap_proto::v1::watch_alerts_response::Item;
use wheeltap_server::{Access, Settings};
use wheeltap_store::MemoryStore;

const DAY: i64 = 86_400_000;

/// Judged on three of the units.
fn hot() -> String {
    let applies = "applies: #{ unit: [\"ZVR 1\", \"ZVR 2\", \"ZVR 3\"] },\n    tick:";
    HOT.replacen("tick:", applies, 1)
}

/// Sends one value a second from `START` on.
async fn send(served: &Served, number: u32, values: &[f64]) {
    let mut sender = Sender::new(served, number).await;
    sender.send(START, values).await;
}

/// Ready when an alert was raised.
async fn raised(served: &Served) {
    let mut alerts = AlertServiceClient::new(served.channel().await);
    let watch = alerts.watch_alerts(v1::WatchAlertsRequest::default()).await;
    let mut changes = watch.unwrap().into_inner();
    loop {
        let said = changes.message().await.unwrap().expect("the watch goes on");
        if matches!(said.item, Some(Item::Change(_))) {
            return;
        }
    }
}

struct Desk(DefectServiceClient<Channel>);

impl Desk {
    async fn report(&mut self, number: u32, component: &str, first_sign_unix_ms: i64) -> String {
        let reported = self.try_report(number, component, first_sign_unix_ms);
        reported.await.unwrap().name
    }

    async fn try_report(
        &mut self,
        number: u32,
        component: &str,
        first_sign_unix_ms: i64,
    ) -> Result<v1::Defect, Status> {
        let request = v1::ReportDefectRequest {
            defect: Some(v1::Defect {
                unit: format!("units/ZVR {number}"),
                system: "engine / lubrication".to_owned(),
                component: component.to_owned(),
                origin: v1::DefectOrigin::RoadFailure.into(),
                title: "stopped".to_owned(),
                priority: v1::Priority::High.into(),
                first_sign_unix_ms,
                ..v1::Defect::default()
            }),
            request_id: String::new(),
        };
        self.0
            .report_defect(request)
            .await
            .map(Response::into_inner)
    }

    async fn find(&mut self, name: &str, kind: v1::FindingKind, repaired_unix_ms: i64) {
        let request = v1::RecordFindingRequest {
            name: name.to_owned(),
            finding: Some(v1::Finding {
                kind: kind.into(),
                repaired_unix_ms,
                ..v1::Finding::default()
            }),
            ..v1::RecordFindingRequest::default()
        };
        self.0.record_finding(request).await.unwrap();
    }
}

#[tokio::test]
async fn a_rule_s_scorecard_and_the_desk_s_load_follow_from_what_happened() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("hot.rhai"), hot()).unwrap();
    let settings = Settings {
        rules: Some(folder.path().to_owned()),
        ..Settings::default()
    };
    let served = Served::start(settings).await;
    // The first unit rings and is found as called. The second sends telemetry that says nothing and fails;
    // the third sends none; the fourth sends, but the rule is not for it.
    send(&served, 1, &[80.0, 120.0, 120.0, 120.0, 80.0]).await;
    for number in [2, 4] {
        send(&served, number, &[80.0; 60]).await;
    }
    raised(&served).await;
    let mut desk = Desk(DefectServiceClient::new(served.channel().await));
    desk.find("defects/1", v1::FindingKind::AsCalled, START + 60_000)
        .await;
    let mut alerts = AlertServiceClient::new(served.channel().await);
    let waiting = v1::ListAlertsRequest {
        filter: Some(v1::AlertFilter {
            awaits_answer: true,
            ..v1::AlertFilter::default()
        }),
        ..v1::ListAlertsRequest::default()
    };
    let waiting = alerts.list_alerts(waiting).await.unwrap().into_inner();
    assert_eq!(waiting.alerts, [], "its defect is closed");
    let all = alerts.list_alerts(v1::ListAlertsRequest::default());
    let all = all.await.unwrap().into_inner().alerts;
    assert!(all.len() == 1 && !all[0].awaits_answer);
    for number in [2, 3, 4] {
        let missed = desk.report(number, "oil", START + 30_000).await;
        desk.find(&missed, v1::FindingKind::AsCalled, START + 50_000)
            .await;
    }
    let mut reports = ReportServiceClient::new(served.channel().await);
    let request = v1::GetRuleScorecardsRequest {
        rule: "rules/hot".to_owned(),
        ..v1::GetRuleScorecardsRequest::default()
    };
    let answer = reports
        .get_rule_scorecards(request)
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        (answer.from_unix_ms, answer.until_unix_ms),
        (START, START + 59_001)
    );
    assert!((answer.confidence - 0.9).abs() < 1e-12);
    let card = &answer.scorecards[0];
    assert!(card.rule.starts_with("rules/hot/versions/"));
    assert_eq!((card.n_alerts, card.n_told, card.n_units), (1, 1, 1));
    let precision = card.precision.as_ref().unwrap();
    assert_eq!((precision.n, precision.of), (1, 1));
    assert!(
        precision.share.unwrap().lower < 0.5,
        "one finding is not much"
    );
    assert_eq!((card.n_failures, card.n_reported), (2, 1));
    let recall = card.recall.as_ref().unwrap();
    assert_eq!((recall.n, recall.of), (1, 2));
    assert_eq!(card.live_ms, 59_001);

    // By the server's clock the desk was told now.
    served.clock.set(wheeltap_model::ServerTime::from_unix_ms(
        NOW_MS + 10 * 60_000,
    ));
    let load = reports.get_desk_load(v1::GetDeskLoadRequest::default());
    let load = load.await.unwrap().into_inner();
    assert_eq!((load.n_alerts, load.clock()), (1, v1::DeskClock::Announced));
    assert_eq!(load.until_unix_ms - load.from_unix_ms, 10 * 60_000);
    assert!(!load.is_long_enough);
    let ten = load
        .metrics
        .iter()
        .find(|metric| metric.kind() == Kind::PerTenMinutes);
    assert!((ten.unwrap().value - 1.0).abs() < 1e-12);
    assert_eq!(load.priorities[2].n_alerts, 1);
    assert_eq!(load.top_rules[0].rule, "rules/hot");
    // By event time it was six hours ago.
    let request = v1::GetDeskLoadRequest {
        clock: v1::DeskClock::Raised.into(),
        ..v1::GetDeskLoadRequest::default()
    };
    let load = reports.get_desk_load(request).await.unwrap().into_inner();
    assert_eq!(
        (load.n_alerts, load.from_unix_ms, load.until_unix_ms),
        (1, START, START + 59_001)
    );
    served.stop().await;
}

/// NIST/SEMATECH e-Handbook 8.4.5.1: 2 failures in 800, 90 %: 400, between 127 and 2251.
#[tokio::test]
async fn reliability_is_counted_over_what_units_worked() {
    let served = Served::start(Settings::default()).await;
    let mut fleet = FleetServiceClient::new(served.channel().await);
    for number in 1..=8 {
        let request = v1::RecordUnitStateRequest {
            name: format!("units/ZVR {number}"),
            from_unix_ms: NOW_MS - 100 * DAY,
            state: v1::UnitState::Working.into(),
            source: "yard".to_owned(),
        };
        fleet.record_unit_state(request).await.unwrap();
    }
    let mut desk = Desk(DefectServiceClient::new(served.channel().await));
    for (number, component, days) in [(1, "oil cooler", 60), (2, "oil pump", 30)] {
        let failed = desk.report(number, component, NOW_MS - days * DAY).await;
        desk.find(
            &failed,
            v1::FindingKind::AsCalled,
            NOW_MS - (days - 1) * DAY,
        )
        .await;
    }
    let mut reports = ReportServiceClient::new(served.channel().await);
    let asked = v1::GetReliabilityRequest::default();
    let report = reports.get_reliability(asked).await.unwrap().into_inner();
    // What is to come is no exposure.
    let asked = v1::GetReliabilityRequest {
        until_unix_ms: i64::MAX,
        ..v1::GetReliabilityRequest::default()
    };
    let for_ever = reports.get_reliability(asked).await.unwrap().into_inner();
    assert_eq!(for_ever, report);
    // What people remember from before anything was known of the fleet does not begin the record.
    desk.report(3, "sander", NOW_MS - 300 * DAY).await;
    let asked = v1::GetReliabilityRequest::default();
    let again = reports.get_reliability(asked).await.unwrap().into_inner();
    assert_eq!(again, report);
    assert_eq!(report.from_unix_ms, NOW_MS - 100 * DAY);
    assert_eq!(
        (report.until_unix_ms, report.basis()),
        (NOW_MS, v1::reliability::Basis::Working)
    );
    let total = report.total.unwrap();
    assert_eq!(
        (total.n_failures, total.n_road_failures, total.n_units),
        (2, 2, 8)
    );
    let between = total.mtbf_days.unwrap();
    assert!((between.value.unwrap() - 400.0).abs() < 1e-9);
    assert!((between.lower - 127.069_0).abs() < 0.000_05);
    assert!((between.upper.unwrap() - 2_251.228_6).abs() < 0.000_05);
    assert_eq!(total.failed_at_days.len(), 2);
    assert!((total.failed_at_days[0] - 320.0).abs() < 1e-9);
    assert_eq!(total.growth, None, "two failures are too few");
    let names: Vec<&str> = report
        .groups
        .iter()
        .map(|group| group.name.as_str())
        .collect();
    assert_eq!(names, ["oil cooler", "oil pump"]);
    let lives = report.groups[0].lives.as_ref().unwrap();
    // The failed one's first stretch was not seen to begin, nor the seven others'.
    assert_eq!((lives.n_failed, lives.n_good, lives.n_unseen), (0, 1, 8));
    assert_eq!(report.units[0].name, "units/ZVR 1");
    assert_eq!(report.repeats.unwrap().within_days, 30);
    let share = report.availability[0].share;
    assert_eq!(share, Some(1.0));

    let by_class = v1::GetReliabilityRequest {
        grouping: v1::get_reliability_request::Grouping::Class.into(),
        unit_class: "classes/Marten".to_owned(),
        component: "oil pump".to_owned(),
        confidence: 0.5,
        ..v1::GetReliabilityRequest::default()
    };
    let report = reports
        .get_reliability(by_class)
        .await
        .unwrap()
        .into_inner();
    assert_eq!(report.groups.len(), 1);
    assert_eq!(
        (report.groups[0].name.as_str(), report.groups[0].n_failures),
        ("Marten", 1)
    );
    assert!(report.total.unwrap().lives.is_some());
    served.stop().await;
}

#[tokio::test]
async fn a_first_sign_long_past_is_refused() {
    let served = Served::start(Settings::default()).await;
    let mut fleet = FleetServiceClient::new(served.channel().await);
    let young = v1::CreateUnitRequest {
        unit_id: "ZVR 901".to_owned(),
        unit: Some(v1::Unit {
            unit_class: "classes/Marten".to_owned(),
            commissioned_unix_ms: NOW_MS - 100 * DAY,
            ..v1::Unit::default()
        }),
        request_id: String::new(),
    };
    fleet.create_unit(young).await.unwrap();
    let mut desk = Desk(DefectServiceClient::new(served.channel().await));
    for (number, first_sign, why) in [
        (1, NOW_MS - 1_900 * DAY, "more than 5 years before"),
        (
            901,
            NOW_MS - 101 * DAY,
            "before unit ZVR 901 was commissioned",
        ),
    ] {
        let refused = desk.try_report(number, "oil", first_sign).await;
        let refused = refused.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument);
        assert_eq!(reason(&refused), "BAD_FIELD");
        assert!(refused.message().contains(why), "{refused}");
    }
    desk.report(1, "oil", NOW_MS - 4 * 365 * DAY).await;
    desk.report(901, "oil", NOW_MS - 99 * DAY).await;
    // Nor is anything repaired before it showed.
    let defect = desk.report(2, "oil", NOW_MS - DAY).await;
    let request = v1::RecordFindingRequest {
        name: defect,
        finding: Some(v1::Finding {
            kind: v1::FindingKind::AsCalled.into(),
            repaired_unix_ms: NOW_MS - 2 * DAY,
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    let refused = desk.0.record_finding(request).await.unwrap_err();
    assert_eq!(reason(&refused), "BAD_FIELD");
    assert!(refused.message().contains("is before"), "{refused}");
    served.stop().await;
}

#[tokio::test]
async fn what_cannot_be_is_refused_by_name() {
    let served = Served::start(Settings::default()).await;
    let mut reports = ReportServiceClient::new(served.channel().await);
    let said = |refused: Status| (refused.code(), reason(&refused));
    let bad = |what: &str| (Code::InvalidArgument, what.to_owned());

    let card = v1::GetRuleScorecardsRequest::default();
    let asked = v1::GetRuleScorecardsRequest {
        rule: "rules/none".to_owned(),
        ..card.clone()
    };
    let refused = reports.get_rule_scorecards(asked).await.unwrap_err();
    assert_eq!(said(refused), (Code::NotFound, "UNKNOWN_RULE".to_owned()));
    let asked = v1::GetRuleScorecardsRequest {
        rule: "rules/none/versions/0123456789abcdef".to_owned(),
        ..card.clone()
    };
    let refused = reports.get_rule_scorecards(asked).await.unwrap_err();
    assert_eq!(said(refused), bad("BAD_FIELD"));
    for (from, until) in [(5, 4), (-1, 0), (0, -1)] {
        let asked = v1::GetRuleScorecardsRequest {
            from_unix_ms: from,
            until_unix_ms: until,
            ..card.clone()
        };
        let refused = reports.get_rule_scorecards(asked).await.unwrap_err();
        assert_eq!(said(refused), bad("BAD_SPAN"), "{from} {until}");
    }
    for confidence in [-0.1, 1.0, 90.0, f64::NAN] {
        let asked = v1::GetReliabilityRequest {
            confidence,
            ..v1::GetReliabilityRequest::default()
        };
        let refused = reports.get_reliability(asked).await.unwrap_err();
        assert_eq!(said(refused), bad("BAD_FIELD"), "{confidence}");
    }
    let asked = v1::GetReliabilityRequest {
        unit_class: "classes/Weasel".to_owned(),
        ..v1::GetReliabilityRequest::default()
    };
    let refused = reports.get_reliability(asked).await.unwrap_err();
    assert_eq!(said(refused), (Code::NotFound, "UNKNOWN_CLASS".to_owned()));
    for asked in [
        v1::GetReliabilityRequest {
            grouping: 99,
            ..v1::GetReliabilityRequest::default()
        },
        v1::GetReliabilityRequest {
            repeat_days: 100_000,
            ..v1::GetReliabilityRequest::default()
        },
        v1::GetReliabilityRequest {
            component: "x".repeat(129),
            ..v1::GetReliabilityRequest::default()
        },
    ] {
        let refused = reports.get_reliability(asked).await.unwrap_err();
        assert_eq!(said(refused), bad("BAD_FIELD"));
    }
    for (clock, n_desks) in [(99, 1), (0, 1_001)] {
        let asked = v1::GetDeskLoadRequest {
            clock,
            n_desks,
            ..v1::GetDeskLoadRequest::default()
        };
        let refused = reports.get_desk_load(asked).await.unwrap_err();
        assert_eq!(said(refused), bad("BAD_FIELD"), "{clock} {n_desks}");
    }
    let asked = v1::GetDeskLoadRequest {
        until_unix_ms: i64::MIN,
        ..v1::GetDeskLoadRequest::default()
    };
    let refused = reports.get_desk_load(asked).await.unwrap_err();
    assert_eq!(said(refused), bad("BAD_SPAN"));
    // Far ends are spans like others.
    let asked = v1::GetDeskLoadRequest {
        from_unix_ms: 1,
        until_unix_ms: i64::MAX,
        ..v1::GetDeskLoadRequest::default()
    };
    let load = reports.get_desk_load(asked).await.unwrap().into_inner();
    assert_eq!(
        (load.n_alerts, load.metrics.len()),
        (0, 0),
        "nothing was live"
    );
    served.stop().await;
}

#[tokio::test]
async fn a_gateway_reads_no_report() {
    let gateway = Access::with_local(Actor {
        name: "gateway".to_owned(),
        roles: vec![Role::Gateway],
    });
    let served = Served::with(Arc::new(MemoryStore::new()), Settings::default(), gateway).await;
    let mut reports = ReportServiceClient::new(served.channel().await);
    let refused = reports
        .get_desk_load(v1::GetDeskLoadRequest::default())
        .await
        .unwrap_err();
    assert_eq!(
        (refused.code(), reason(&refused).as_str()),
        (Code::PermissionDenied, "NO_ROLE")
    );
    served.stop().await;
}
