//! Alerts, defects and rules over the wire: watching with resume, acting once, feeds, faults.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::NOW_MS;
use common::Served;
use common::alerting::{HOT, START, Sender, reason, settings, swings};
use common::folder::folder;
use std::collections::BTreeSet;
use std::sync::Arc;
use tonic::transport::Channel;
use tonic::{Code, Streaming};
use tonic_types::StatusExt;
use wheeltap_proto::v1;
use wheeltap_proto::v1::alert_service_client::AlertServiceClient;
use wheeltap_proto::v1::defect_change::Kind;
use wheeltap_proto::v1::defect_service_client::DefectServiceClient;
use wheeltap_proto::v1::rule_service_client::RuleServiceClient;
use wheeltap_proto::v1::watch_alerts_response::Item;
use wheeltap_store::MemoryStore;

/// Throws whenever it is asked.
const BROKEN: &str = r#"
fn about() { #{
    title: "Broken", system: "engine / lubrication", component: "oil", priority: "low",
    tick: "1 s", on_delay: "1 s", off_delay: "1 s", judge: "script",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ oil: last("engine.oil.temperature", "2 s") } }
fn raise(seen) { if seen.oil > 0.0 { throw "no such thing"; } seen.oil > 100.0 }
"#;

type Alerts = AlertServiceClient<Channel>;

async fn alerts(served: &Served) -> Alerts {
    AlertServiceClient::new(served.channel().await)
}

async fn watch(alerts: &mut Alerts, cursor: &str) -> Streaming<v1::WatchAlertsResponse> {
    let request = v1::WatchAlertsRequest {
        cursor: cursor.to_owned(),
        filter: None,
    };
    alerts.watch_alerts(request).await.unwrap().into_inner()
}

async fn next(stream: &mut Streaming<v1::WatchAlertsResponse>) -> (Item, String) {
    let response = stream.message().await.unwrap().unwrap();
    (response.item.unwrap(), response.cursor)
}

/// What a change is told apart by.
fn told(item: &Item) -> Option<(String, i32, u32, String)> {
    match item {
        Item::Change(change) => {
            let alert = change.alert.clone().unwrap();
            Some((alert.name, change.kind, alert.revision, alert.etag))
        }
        _ => None,
    }
}

/// Reads up to the next sign that nothing is left.
async fn until_up_to_date(
    stream: &mut Streaming<v1::WatchAlertsResponse>,
) -> (Vec<(String, i32, u32, String)>, String) {
    let mut changes = Vec::new();
    loop {
        let (item, cursor) = next(stream).await;
        match &item {
            Item::Change(_) => changes.extend(told(&item)),
            Item::UpToDate(_) => return (changes, cursor),
            Item::FellBehind(behind) => panic!("fell behind: {behind:?}"),
        }
    }
}

/// Reads until so many changes came.
async fn read(stream: &mut Streaming<v1::WatchAlertsResponse>, n: usize) {
    let mut n_read = 0;
    while n_read < n {
        if let (Item::Change(_), _) = next(stream).await {
            n_read += 1;
        }
    }
}

#[tokio::test]
async fn a_watch_resumed_anywhere_misses_nothing_and_repeats_nothing() {
    // Two rules that raise and end together: both changes are in one ledger entry.
    let too = HOT.replace("\"oil\"", "\"oil pump\"");
    let rules = folder(&[("hot", HOT), ("hot-too", &too)]);
    let served = Served::start(settings(rules.path())).await;
    let mut client = alerts(&served).await;
    let mut live = watch(&mut client, "").await;
    let (changes, begin) = until_up_to_date(&mut live).await;
    assert_eq!(changes, []);
    for number in 1..=3 {
        let mut sender = Sender::new(&served, number).await;
        for idx in 0..4 {
            // Each batch cuts an alert in two: raised in one, ended in the next.
            let values: &[f64] = if idx % 2 == 0 {
                &[80.0, 120.0, 120.0, 120.0]
            } else {
                &[80.0; 4]
            };
            sender.send(START + idx * 4_000, values).await;
            // Each is seen raised before the batch that ends it is sent: judged together they would
            // be one change.
            match idx {
                0 => read(&mut live, 2).await,
                2 => read(&mut live, 4).await,
                _ => {}
            }
        }
        sender.send(START + 16_000, &[120.0; 10]).await;
        // Raised, ended, raised, ended, raised.
        read(&mut live, 4).await;
    }
    // As a whole, from the same cursor.
    let mut whole = watch(&mut client, &begin).await;
    let (expected, _) = until_up_to_date(&mut whole).await;
    assert!(expected.len() >= 24, "{expected:?}");
    let distinct: BTreeSet<_> = expected.iter().collect();
    assert_eq!(distinct.len(), expected.len());
    // In pieces, killed after every number of messages.
    for piece in 1..=5 {
        let mut cursor = begin.clone();
        let mut got = Vec::new();
        'resumed: loop {
            let mut stream = watch(&mut client, &cursor).await;
            for _ in 0..piece {
                let (item, next_cursor) = next(&mut stream).await;
                cursor = next_cursor;
                match told(&item) {
                    Some(change) => got.push(change),
                    None => break 'resumed,
                }
            }
        }
        assert_eq!(got, expected, "in pieces of {piece}");
    }
    // Killed while what stands was being sent.
    let mut cursor = String::new();
    let mut standing = Vec::new();
    loop {
        let mut stream = watch(&mut client, &cursor).await;
        let (item, next_cursor) = next(&mut stream).await;
        cursor = next_cursor;
        match told(&item) {
            Some(change) => standing.push(change.0),
            None => break,
        }
    }
    assert_eq!(standing.len(), 6, "{standing:?}");
    assert_eq!(standing.iter().collect::<BTreeSet<_>>().len(), 6);

    let other_filter = v1::WatchAlertsRequest {
        cursor: begin,
        filter: Some(v1::AlertFilter {
            show_trial: true,
            ..v1::AlertFilter::default()
        }),
    };
    let refused = client.watch_alerts(other_filter).await.unwrap_err();
    assert_eq!(
        (refused.code(), reason(&refused).as_str()),
        (Code::OutOfRange, "CURSOR_OTHER_FILTER")
    );
    drop((live, whole));
    served.stop().await;
}

#[tokio::test]
async fn a_watcher_that_never_reads_falls_behind_and_nobody_waits_for_it() {
    const N_UNITS: u32 = 8;
    // Twice what the transport buffers (2 MiB by default) and what counts as behind, and some.
    const N_EACH: usize = 2_400;
    let rules = folder(&[("hot", HOT)]);
    let served = Served::start(settings(rules.path())).await;
    let mut client = alerts(&served).await;
    let mut slow = watch(&mut client, "").await;
    let (_, begin) = until_up_to_date(&mut slow).await;
    let mut own_connection = alerts(&served).await;
    let mut quick = watch(&mut own_connection, &begin).await;
    until_up_to_date(&mut quick).await;
    for number in 1..=N_UNITS {
        let mut sender = Sender::new(&served, number).await;
        sender.send(START, &swings(N_EACH)).await;
        // The quick one has them all while the slow one has not read a single one.
        read(&mut quick, N_EACH).await;
    }
    let total = usize::try_from(N_UNITS).unwrap() * N_EACH;
    let mut n_read = 0;
    let cursor = loop {
        let (item, cursor) = next(&mut slow).await;
        match item {
            Item::Change(_) => n_read += 1,
            // Until the transport was full it kept up.
            Item::UpToDate(_) => assert!(n_read < total, "it kept up"),
            Item::FellBehind(v1::FellBehind { n_missed }) => {
                assert_eq!(n_read + usize::try_from(n_missed).unwrap(), total);
                break cursor;
            }
        }
    };
    assert!(slow.message().await.unwrap().is_none(), "the stream ends");
    // It comes back and takes up where it was: that is catching up, however much it is.
    let mut back = watch(&mut client, &cursor).await;
    let (rest, _) = until_up_to_date(&mut back).await;
    assert_eq!(n_read + rest.len(), total);
    drop((quick, back));
    served.stop().await;
}

#[tokio::test]
async fn an_acknowledgement_survives_a_restart_and_lists_page() {
    let rules = folder(&[("hot", HOT)]);
    let store = Arc::new(MemoryStore::new());
    let served = Served::on(store.clone(), settings(rules.path())).await;
    let mut client = alerts(&served).await;
    let mut stream = watch(&mut client, "").await;
    until_up_to_date(&mut stream).await;
    let mut sender = Sender::new(&served, 1).await;
    let mut values = swings(5);
    values.extend([120.0; 5]);
    sender.send(START, &values).await;
    read(&mut stream, 6).await;
    let unknown = v1::GetAlertRequest {
        name: "alerts/99".to_owned(),
    };
    let unknown = client.get_alert(unknown).await.unwrap_err();
    assert_eq!(
        (unknown.code(), reason(&unknown).as_str()),
        (Code::NotFound, "UNKNOWN_ALERT")
    );
    let get = |name: &str| v1::GetAlertRequest {
        name: name.to_owned(),
    };
    let before = client
        .get_alert(get("alerts/6"))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(before.condition(), v1::Condition::Standing);
    assert_eq!(before.evidence.as_ref().unwrap().inputs[0].input, "oil");
    let request = v1::AcknowledgeAlertRequest {
        name: before.name.clone(),
        note: "crew told".to_owned(),
        etag: before.etag.clone(),
        request_id: "one".to_owned(),
    };
    let answered = client
        .acknowledge_alert(request.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(answered.acknowledgement.as_ref().unwrap().by, "local");
    let repeated = client
        .acknowledge_alert(request.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(repeated, answered);
    let stale = v1::AcknowledgeAlertRequest {
        request_id: String::new(),
        ..request
    };
    let stale = client.acknowledge_alert(stale).await.unwrap_err();
    assert_eq!(
        (stale.code(), reason(&stale).as_str()),
        (Code::Aborted, "STALE_ETAG")
    );
    drop(stream);
    served.stop().await;

    let served = Served::on(store, settings(rules.path())).await;
    let mut client = alerts(&served).await;
    let after = client
        .get_alert(get("alerts/6"))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(after, answered);
    let mut names = Vec::new();
    let mut token = String::new();
    loop {
        let request = v1::ListAlertsRequest {
            page_size: 4,
            page_token: token,
            filter: None,
        };
        let page = client.list_alerts(request).await.unwrap().into_inner();
        names.extend(page.alerts.into_iter().map(|alert| alert.name));
        token = page.next_page_token;
        if token.is_empty() {
            break;
        }
    }
    let newest_first: Vec<String> = (1..=6).rev().map(|n| format!("alerts/{n}")).collect();
    assert_eq!(names, newest_first);
    served.stop().await;
}

/// Pulls all defect changes in pages of three: numbers, what changed, and the last cursor.
async fn pull(
    defects: &mut DefectServiceClient<Channel>,
) -> (Vec<u64>, Vec<(String, Kind)>, String) {
    let mut numbers = Vec::new();
    let mut kinds = Vec::new();
    let mut cursor = String::new();
    loop {
        let request = v1::ListDefectChangesRequest {
            cursor,
            page_size: 3,
            filter: None,
        };
        let page = defects
            .list_defect_changes(request)
            .await
            .unwrap()
            .into_inner();
        assert!(!page.cursor.is_empty());
        cursor = page.cursor;
        for change in page.changes {
            numbers.push(change.number);
            kinds.push((change.defect.as_ref().unwrap().name.clone(), change.kind()));
        }
        if !page.more {
            break;
        }
    }
    (numbers, kinds, cursor)
}

#[tokio::test]
async fn a_system_that_pulls_takes_every_defect_change_once() {
    let rules = folder(&[("hot", HOT)]);
    let served = Served::start(settings(rules.path())).await;
    let mut client = alerts(&served).await;
    let mut stream = watch(&mut client, "").await;
    until_up_to_date(&mut stream).await;
    let mut sender = Sender::new(&served, 1).await;
    sender.send(START, &swings(7)).await;
    read(&mut stream, 7).await;
    let mut defects = DefectServiceClient::new(served.channel().await);
    let report = v1::ReportDefectRequest {
        defect: Some(v1::Defect {
            unit: "units/ZVR 2".to_owned(),
            component: "horn".to_owned(),
            title: "no sound".to_owned(),
            origin: v1::DefectOrigin::CrewReport.into(),
            ..v1::Defect::default()
        }),
        request_id: "r".to_owned(),
    };
    let reported = defects
        .report_defect(report.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(reported.name, "defects/2");
    let again = defects
        .report_defect(report.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(again, reported);
    let mut by_alert = report;
    if let Some(defect) = &mut by_alert.defect {
        defect.origin = v1::DefectOrigin::Alert.into();
    }
    let refused = defects.report_defect(by_alert).await.unwrap_err();
    assert_eq!(reason(&refused), "BAD_ORIGIN");
    let finding = v1::RecordFindingRequest {
        name: "defects/1".to_owned(),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::AsCalled.into(),
            repaired_unix_ms: NOW_MS,
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    let closed = defects
        .record_finding(finding.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(closed.status(), v1::DefectStatus::Closed);
    let twice = defects.record_finding(finding).await.unwrap_err();
    assert_eq!(
        (twice.code(), reason(&twice).as_str()),
        (Code::FailedPrecondition, "ALREADY_CLOSED")
    );
    let (numbers, kinds, cursor) = pull(&mut defects).await;
    assert!(
        numbers.windows(2).all(|pair| pair[0] < pair[1]),
        "{numbers:?}"
    );
    let of = |name: &str, kind: Kind| {
        let wanted = (format!("defects/{name}"), kind);
        kinds.iter().filter(|change| **change == wanted).count()
    };
    assert_eq!((of("1", Kind::Opened), of("2", Kind::Opened)), (1, 1));
    assert_eq!((of("1", Kind::Changed), of("1", Kind::Closed)), (7, 1));
    // Nothing since.
    let request = v1::ListDefectChangesRequest {
        cursor,
        ..v1::ListDefectChangesRequest::default()
    };
    let page = defects
        .list_defect_changes(request)
        .await
        .unwrap()
        .into_inner();
    assert_eq!((page.changes.len(), page.more), (0, false));
    drop(stream);
    served.stop().await;
}

#[tokio::test]
async fn a_rule_that_throws_is_faulted_alone() {
    let rules = folder(&[("hot", HOT), ("broken", BROKEN)]);
    let served = Served::start(settings(rules.path())).await;
    let mut client = alerts(&served).await;
    let mut stream = watch(&mut client, "").await;
    until_up_to_date(&mut stream).await;
    let mut sender = Sender::new(&served, 1).await;
    sender.send(START, &swings(3)).await;
    read(&mut stream, 3).await;
    let mut book = RuleServiceClient::new(served.channel().await);
    let get = |name: &str| v1::GetRuleRequest {
        name: format!("rules/{name}"),
    };
    let broken = book.get_rule(get("broken")).await.unwrap().into_inner();
    assert_eq!(broken.n_units_faulted, 1);
    assert!(
        broken.last_fault.contains("no such thing"),
        "{}",
        broken.last_fault
    );
    let hot = book.get_rule(get("hot")).await.unwrap().into_inner();
    assert_eq!((hot.n_units_faulted, hot.last_fault.as_str()), (0, ""));
    assert_eq!(hot.stage(), v1::RuleStage::Live);
    drop(stream);
    served.stop().await;
}

/// Stages of the versions that are listed when nobody asks for all.
async fn standing(book: &mut RuleServiceClient<Channel>) -> Vec<v1::RuleStage> {
    let listed = book.list_rules(v1::ListRulesRequest::default());
    let rules = listed.await.unwrap().into_inner().rules;
    rules.iter().map(v1::Rule::stage).collect()
}

#[tokio::test]
async fn a_rule_is_vetted_and_a_wrong_one_not_lodged() {
    let rules = folder(&[("hot", HOT)]);
    let served = Served::start(settings(rules.path())).await;
    let mut book = RuleServiceClient::new(served.channel().await);
    let vet = |source: &str| v1::VetRuleRequest {
        name: "rules/hot".to_owned(),
        source: source.to_owned(),
    };
    let good = book.vet_rule(vet(HOT)).await.unwrap().into_inner();
    assert_eq!(good.problems, []);
    assert_eq!(
        (good.readings_per_hour, good.verdicts_per_hour),
        (3_600, 3_600)
    );
    assert!(good.core_ms_per_unit_day > 0.0, "{good:?}");
    let read = &good.inputs[0];
    assert_eq!(
        (read.name.as_str(), read.ucum.as_str(), read.window_ms),
        ("oil", "Cel", 2_000),
        "{read:?}"
    );
    let idle = HOT.replace("fn raise", "fn claer(seen) { true }\nfn raise");
    let doubtful = book.vet_rule(vet(&idle)).await.unwrap().into_inner();
    assert!(doubtful.problems.is_empty());
    assert_eq!(doubtful.doubts[0].what, "claer() is never called");
    let wrong = HOT.replace("engine.oil.temperature", "engine.oil.temprature");
    let bad = book.vet_rule(vet(&wrong)).await.unwrap().into_inner();
    assert_eq!((bad.problems[0].line, bad.bytes_per_unit), (7, 0));
    let lodge = |source: &str| v1::LodgeRuleRequest {
        name: "rules/hot".to_owned(),
        source: source.to_owned(),
        ..v1::LodgeRuleRequest::default()
    };
    let refused = book.lodge_rule(lodge(&wrong)).await.unwrap_err();
    assert_eq!(reason(&refused), "RULE_PROBLEMS");
    let details = refused.get_error_details();
    let field = &details.bad_request().unwrap().field_violations[0].field;
    assert!(field.starts_with("source:7:"), "{field}");

    let option = v1::LodgeRuleRequest {
        name: "rules/-x".to_owned(),
        ..lodge(HOT)
    };
    let refused = book.lodge_rule(option).await.unwrap_err();
    assert_eq!(reason(&refused), "BAD_RULE_NAME");
    served.stop().await;
}

#[tokio::test]
async fn a_rule_is_lodged_and_promoted() {
    let rules = folder(&[("hot", HOT)]);
    let served = Served::start(settings(rules.path())).await;
    let mut book = RuleServiceClient::new(served.channel().await);
    let lodge = |source: &str| v1::LodgeRuleRequest {
        name: "rules/hot".to_owned(),
        source: source.to_owned(),
        ..v1::LodgeRuleRequest::default()
    };
    let changed = HOT.replace("> 100.0", "> 90.0");
    let draft = book.lodge_rule(lodge(&changed)).await.unwrap().into_inner();
    assert_eq!(
        (draft.stage(), draft.stage_by.as_str()),
        (v1::RuleStage::Draft, "local")
    );
    let again = book.lodge_rule(lodge(&changed)).await.unwrap().into_inner();
    assert_eq!(again, draft);
    assert_eq!(
        standing(&mut book).await,
        [v1::RuleStage::Draft, v1::RuleStage::Live],
        "what judges is listed beside what may replace it"
    );
    let promote = |stage: v1::RuleStage, etag: &str| v1::PromoteRuleRequest {
        name: draft.name.clone(),
        stage: stage.into(),
        etag: etag.to_owned(),
        without_forecast: true,
        reason: "the winter is too short for one".to_owned(),
    };
    let unseen = v1::PromoteRuleRequest {
        without_forecast: false,
        ..promote(v1::RuleStage::Live, &draft.etag)
    };
    let unseen = book.promote_rule(unseen).await.unwrap_err();
    assert_eq!(
        (unseen.code(), reason(&unseen).as_str()),
        (Code::FailedPrecondition, "FORECAST_MISSING")
    );
    let untried = v1::PromoteRuleRequest {
        reason: " ".to_owned(),
        ..promote(v1::RuleStage::Live, &draft.etag)
    };
    let untried = book.promote_rule(untried).await.unwrap_err();
    assert_eq!(
        (untried.code(), reason(&untried).as_str()),
        (Code::FailedPrecondition, "NEVER_ON_TRIAL")
    );
    let stale = book
        .promote_rule(promote(v1::RuleStage::Live, "\"x\""))
        .await
        .unwrap_err();
    assert_eq!(reason(&stale), "STALE_ETAG");
    let live = book
        .promote_rule(promote(v1::RuleStage::Live, &draft.etag))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        (live.stage(), live.stage_from_unix_ms),
        (v1::RuleStage::Live, NOW_MS)
    );
    assert_eq!(
        (live.without_trial, live.stage_reason.as_str()),
        (true, "the winter is too short for one")
    );
    let back = book
        .promote_rule(promote(v1::RuleStage::Draft, ""))
        .await
        .unwrap_err();
    assert_eq!(
        (back.code(), reason(&back).as_str()),
        (Code::FailedPrecondition, "BAD_STAGE")
    );
    assert_eq!(standing(&mut book).await, [v1::RuleStage::Live]);
    let all = v1::ListRulesRequest {
        all_versions: true,
        ..v1::ListRulesRequest::default()
    };
    let all = book.list_rules(all).await.unwrap().into_inner().rules;
    let stages: Vec<v1::RuleStage> = all.iter().map(v1::Rule::stage).collect();
    assert_eq!(
        stages,
        [v1::RuleStage::Live, v1::RuleStage::Retired],
        "newest first"
    );
    served.stop().await;
}

/// Oil at 80 degC, from 1 min on at `hot` degC, and what must be raised at 1 min 20 s or not.
fn cases(hot: f64, alert: &str) -> v1::RuleCases {
    v1::RuleCases {
        toml: format!(
            "[[case]]\nname = \"warms up\"\ncsv = \"a.csv\"\nbetween = \"hold\"\nalert = [{alert}]\n"
        ),
        files: [(
            "a.csv".to_owned(),
            format!("min,engine.oil.temperature\n0,80\n1,{hot}\n3,{hot}\n"),
        )]
        .into(),
    }
}

#[tokio::test]
async fn a_version_whose_cases_fail_rings_nobody() {
    let rules = folder(&[("hot", HOT)]);
    let served = Served::start(settings(rules.path())).await;
    let mut book = RuleServiceClient::new(served.channel().await);
    let changed = HOT.replace("> 100.0", "> 95.0");
    let lodge = |cases: Option<v1::RuleCases>| v1::LodgeRuleRequest {
        name: "rules/hot".to_owned(),
        source: changed.clone(),
        cases,
        ..v1::LodgeRuleRequest::default()
    };
    // A case that cannot be read is no case.
    let mut torn = cases(98.0, "");
    torn.files.clear();
    let refused = book.lodge_rule(lodge(Some(torn))).await.unwrap_err();
    assert_eq!(reason(&refused), "CASE_PROBLEMS");
    let details = refused.get_error_details();
    let field = &details.bad_request().unwrap().field_violations[0];
    assert_eq!(field.field, "cases:hot.cases.toml:3:7");
    let mut large = cases(98.0, "");
    large.files.insert("b.csv".to_owned(), "x".repeat(20 << 10));
    let refused = book.lodge_rule(lodge(Some(large))).await.unwrap_err();
    assert_eq!(reason(&refused), "TOO_LARGE");
    let list = v1::ListRulesRequest {
        all_versions: true,
        ..v1::ListRulesRequest::default()
    };
    let kept = book.list_rules(list).await.unwrap().into_inner().rules;
    assert_eq!(kept.len(), 1, "nothing of them was kept");

    // One that says that 98 degC is not hot fails by this version.
    let quiet = cases(98.0, "");
    let draft = book
        .lodge_rule(lodge(Some(quiet.clone())))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(draft.cases.as_ref(), Some(&quiet));
    let tried = v1::TryRuleCasesRequest {
        name: draft.name.clone(),
        ..Default::default()
    };
    let results = book
        .try_rule_cases(tried)
        .await
        .unwrap()
        .into_inner()
        .results;
    assert_eq!((results.len(), results[0].name.as_str()), (1, "warms up"));
    assert!(
        results[0].misses[0].starts_with("came, and is not in the case: raised"),
        "{results:?}"
    );
    let promote = |stage: v1::RuleStage| v1::PromoteRuleRequest {
        name: draft.name.clone(),
        stage: stage.into(),
        without_forecast: true,
        reason: "a test".to_owned(),
        ..v1::PromoteRuleRequest::default()
    };
    for stage in [v1::RuleStage::Trial, v1::RuleStage::Live] {
        let refused = book.promote_rule(promote(stage)).await.unwrap_err();
        assert_eq!(
            (refused.code(), reason(&refused).as_str()),
            (Code::FailedPrecondition, "CASES_FAILED")
        );
        let named = refused.message().contains("case \"warms up\": came");
        assert!(named, "{refused}");
    }
    // Without cases in the request those kept stay; the mended one takes their place.
    let same = book.lodge_rule(lodge(None)).await.unwrap().into_inner();
    assert_eq!(same.cases, Some(quiet));
    let mended = cases(98.0, "{ raised = \"1 min 1 s\" }");
    // The text is tried before it is kept, and nothing is.
    let tried = v1::TryRuleCasesRequest {
        name: "rules/hot".to_owned(),
        source: changed.clone(),
        cases: Some(mended.clone()),
    };
    let results = book
        .try_rule_cases(tried)
        .await
        .unwrap()
        .into_inner()
        .results;
    assert_eq!(results[0].misses, [""; 0]);
    book.lodge_rule(lodge(Some(mended))).await.unwrap();
    let live = book
        .promote_rule(promote(v1::RuleStage::Live))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(live.stage(), v1::RuleStage::Live);
    // Taken away, there is nothing to try.
    let gone = book
        .lodge_rule(lodge(Some(v1::RuleCases::default())))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(gone.cases, None);
    let tried = v1::TryRuleCasesRequest {
        name: draft.name.clone(),
        ..Default::default()
    };
    let refused = book.try_rule_cases(tried).await.unwrap_err();
    assert_eq!(reason(&refused), "NO_CASES");
    served.stop().await;
}

// By hand: the first tick with a hot value is that of 1 min; the delay of 1 s ends at 1 min 1 s.
#[tokio::test]
async fn a_folder_whose_cases_fail_does_not_start() {
    let rules = folder(&[("hot", HOT)]);
    let write = |cases: &v1::RuleCases| {
        std::fs::write(rules.path().join("hot.cases.toml"), &cases.toml).unwrap();
        std::fs::write(rules.path().join("a.csv"), &cases.files["a.csv"]).unwrap();
    };
    for (hot, alert, why) in [
        (
            98.0,
            "{ raised = \"1 min 1 s\" }",
            "did not come: raised 2026-01-01T00:01:01Z",
        ),
        (
            104.0,
            "{ raised = \"1 min 2 s\" }",
            "came raised 2026-01-01T00:01:01Z",
        ),
        (104.0, "{ raised = \"at noon\" }", "no time"),
    ] {
        write(&cases(hot, alert));
        let served = Served::start(settings(rules.path())).await;
        let error = served.ended().await.unwrap_err();
        let source = std::error::Error::source(&error).unwrap().to_string();
        assert!(source.contains(why), "{source}");
    }
    let good = cases(104.0, "{ raised = \"1 min 1 s\" }");
    write(&good);
    let served = Served::start(settings(rules.path())).await;
    let mut book = RuleServiceClient::new(served.channel().await);
    let get = v1::GetRuleRequest {
        name: "rules/hot".to_owned(),
    };
    let rule = book.get_rule(get).await.unwrap().into_inner();
    assert_eq!(
        (rule.stage(), rule.cases),
        (v1::RuleStage::Live, Some(good))
    );
    served.stop().await;
}
