//! The desk over the wire: mutes that end by the clock, one winner of two, the way of a defect through the
//! shop, what a shift hands over, and the record of who did what.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::alerting::{HOT, START, Sender, reason, settings, swings};
use common::folder::folder;
use common::{NOW_MS, Served};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tonic::metadata::BinaryMetadataValue;
use tonic::transport::Channel;
use tonic::{Code, Request, Streaming};
use wheeltap_model::{ServerTime, UNNAMED};
use wheeltap_proto::v1::alert_service_client::AlertServiceClient;
use wheeltap_proto::v1::defect_service_client::DefectServiceClient;
use wheeltap_proto::v1::desk_service_client::DeskServiceClient;
use wheeltap_proto::v1::watch_alerts_response::Item;
use wheeltap_proto::{PERSON_KEY, v1};
use wheeltap_store::MemoryStore;

const HOUR_MS: i64 = 3_600_000;
/// Nothing here takes a tenth of it.
const PATIENCE: Duration = Duration::from_secs(20);

/// Oil is hot whatever the unit does, but shows itself only while the engine turns.
const TESTED: &str = r#"
fn about() { #{
    title: "Oil hot under way", system: "engine / lubrication", component: "oil", priority: "high",
    tick: "1 s", on_delay: "1 s", off_delay: "3 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ oil: last("engine.oil.temperature", "2 s") } }
fn tested(seen) { seen.oil > 50.0 }
fn raise(seen) { seen.oil > 100.0 }
fn clear(seen) { seen.oil < 90.0 }
"#;

const SAFETY: &str = r#"
fn about() { #{
    title: "Oil burns", system: "engine / lubrication", component: "fire", priority: "urgent",
    safety: true, tick: "1 s", on_delay: "1 s", off_delay: "1 s",
    cause: "a test", consequence: "none", action: "stop", respond_within: "1 min",
} }
fn reads() { #{ oil: last("engine.oil.temperature", "2 s") } }
fn raise(seen) { seen.oil > 140.0 }
"#;

struct Desk {
    served: Served,
    alerts: AlertServiceClient<Channel>,
    defects: DefectServiceClient<Channel>,
    people: DeskServiceClient<Channel>,
    sender: Sender,
    next_ms: i64,
    /// Opened before anything is sent.
    changes: Streaming<v1::WatchAlertsResponse>,
    /// Alerts as the watch told them last.
    told: BTreeMap<String, v1::Alert>,
    _rules: tempfile::TempDir,
}

impl Desk {
    async fn new(rules: &[(&str, &str)]) -> Self {
        Self::on(Arc::new(MemoryStore::new()), folder(rules)).await
    }

    async fn on(store: Arc<MemoryStore>, rules: tempfile::TempDir) -> Self {
        let served = Served::on(store, settings(rules.path())).await;
        let channel = served.channel().await;
        let mut alerts = AlertServiceClient::new(channel.clone());
        let from_now = v1::WatchAlertsRequest::default();
        let changes = alerts.watch_alerts(from_now).await.unwrap().into_inner();
        Self {
            alerts,
            changes,
            told: BTreeMap::new(),
            defects: DefectServiceClient::new(channel.clone()),
            people: DeskServiceClient::new(channel),
            sender: Sender::new(&served, 1).await,
            next_ms: START,
            served,
            _rules: rules,
        }
    }

    /// Sends one value a second, going on where it left off.
    async fn send(&mut self, values: &[f64]) {
        self.sender.send(self.next_ms, values).await;
        self.next_ms += 1_000 * i64::try_from(values.len()).unwrap();
    }

    async fn alert(&mut self, number: u64) -> v1::Alert {
        let name = format!("alerts/{number}");
        let request = v1::GetAlertRequest { name };
        self.alerts.get_alert(request).await.unwrap().into_inner()
    }

    async fn defect(&mut self, number: u64) -> v1::Defect {
        let name = format!("defects/{number}");
        let request = v1::GetDefectRequest { name };
        self.defects.get_defect(request).await.unwrap().into_inner()
    }

    /// The alert once the watch tells that it is as wanted: the judge and the clock work beside us.
    async fn until(
        &mut self,
        number: u64,
        what: &str,
        wanted: impl Fn(&v1::Alert) -> bool,
    ) -> v1::Alert {
        let name = format!("alerts/{number}");
        loop {
            let told = self.told.get(&name);
            if let Some(alert) = told
                && wanted(alert)
            {
                return alert.clone();
            }
            let Ok(message) = tokio::time::timeout(PATIENCE, self.changes.message()).await else {
                panic!("{name} never {what}: {told:?}");
            };
            match message.unwrap().expect("a watch goes on").item.unwrap() {
                Item::Change(change) => {
                    let alert = change.alert.unwrap();
                    self.told.insert(alert.name.clone(), alert);
                }
                Item::UpToDate(_) => {}
                Item::FellBehind(behind) => panic!("{behind:?}"),
            }
        }
    }

    async fn stop(self) {
        // A stream that is open holds the service up until its patience ends.
        drop((self.changes, self.sender));
        self.served.stop().await;
    }

    async fn shelve(&mut self, number: u64, until_ms: i64) -> Result<v1::Mute, tonic::Status> {
        let request = v1::ShelveAlertRequest {
            alert: format!("alerts/{number}"),
            until_unix_ms: until_ms,
            reason: "the gauge is being changed".to_owned(),
            ..v1::ShelveAlertRequest::default()
        };
        let mute = self.people.shelve_alert(request).await;
        mute.map(tonic::Response::into_inner)
    }
}

fn stands(alert: &v1::Alert) -> bool {
    alert.condition() == v1::Condition::Standing
}

#[tokio::test]
async fn a_shelf_ends_by_the_clock_and_what_stands_is_told_once_more() {
    let mut desk = Desk::new(&[("hot", HOT), ("fire", SAFETY)]).await;
    desk.send(&[80.0, 120.0, 120.0, 120.0]).await;
    let alert = desk.until(1, "stood", stands).await;
    assert!(alert.awaits_answer);
    assert_eq!(alert.state(), v1::AlertState::Unacknowledged);
    let mute = desk.shelve(1, NOW_MS + HOUR_MS).await.unwrap();
    assert_eq!(
        (mute.rule.as_str(), mute.by.as_str()),
        ("rules/hot", "local")
    );
    let shelved = desk.alert(1).await;
    assert_eq!(shelved.state(), v1::AlertState::Shelved);
    assert_eq!(
        (shelved.awaits_answer, shelved.mute),
        (false, mute.name.clone())
    );
    // The answer is due after the shelf's end.
    assert_eq!(desk.defect(1).await.due_unix_ms, NOW_MS + 5 * HOUR_MS);
    assert!(!desk.defect(1).await.awaits_answer);
    let twice = desk.shelve(1, NOW_MS + HOUR_MS).await.unwrap_err();
    assert_eq!(
        (twice.code(), reason(&twice).as_str()),
        (Code::FailedPrecondition, "ALREADY_MUTED")
    );
    let for_ever = desk.shelve(1, 0).await.unwrap_err();
    assert_eq!(reason(&for_ever), "BAD_FIELD");
    // Later alerts of the rule on the unit are shelved too, and nobody is told.
    desk.send(&[80.0, 80.0, 120.0, 120.0, 120.0]).await;
    let second = desk.until(2, "stood", stands).await;
    assert_eq!(second.state(), v1::AlertState::Shelved);
    assert_eq!(second.announced_unix_ms, None);
    // What warns of danger rings all the same, and cannot be shelved.
    desk.send(&[150.0, 150.0, 150.0]).await;
    let fire = desk.until(3, "stood", stands).await;
    assert!(fire.safety && fire.announced_unix_ms.is_some());
    let never = desk.shelve(3, NOW_MS + HOUR_MS).await.unwrap_err();
    assert_eq!(reason(&never), "NEVER_MUTED");
    let ended = desk.alert(1).await;
    assert_eq!(ended.state(), v1::AlertState::Shelved, "it ended meanwhile");
    desk.served
        .clock
        .set(ServerTime::from_unix_ms(NOW_MS + HOUR_MS));
    let told = |alert: &v1::Alert| alert.announced_unix_ms == Some(NOW_MS + HOUR_MS);
    let second = desk.until(2, "was told", told).await;
    assert!(second.awaits_answer);
    assert_eq!(desk.alert(1).await.state(), v1::AlertState::Normal);
    let request = v1::ListMutesRequest {
        show_ended: true,
        ..v1::ListMutesRequest::default()
    };
    let mutes = desk.people.list_mutes(request).await.unwrap().into_inner();
    assert_eq!(mutes.mutes.len(), 1);
    assert_eq!(mutes.mutes[0].ended_unix_ms, Some(NOW_MS + HOUR_MS));
    assert_eq!(mutes.mutes[0].lifted_by, "");
    let in_force = v1::ListMutesRequest::default();
    let mutes = desk.people.list_mutes(in_force).await.unwrap().into_inner();
    assert_eq!(mutes.mutes, []);
    desk.stop().await;
}

#[tokio::test]
async fn of_two_desks_one_takes_a_defect_on_and_the_other_is_told_who() {
    let mut desk = Desk::new(&[("hot", HOT)]).await;
    desk.send(&swings(3)).await;
    desk.until(3, "was over", |alert| !stands(alert)).await;
    assert!(desk.defect(1).await.awaits_answer);
    // All at once, each under a name of its own, but two who say none.
    let names = ["Ada", "Bo", "Zo\u{eb}", "Ines", "Kari", "Omar"].map(Some);
    let race = names.into_iter().chain([None, None]).map(|who| {
        let mut defects = desk.defects.clone();
        let mut request = Request::new(v1::TakeDefectOnRequest {
            name: "defects/1".to_owned(),
            note: format!("by {who:?}"),
            ..v1::TakeDefectOnRequest::default()
        });
        if let Some(who) = who {
            let who = BinaryMetadataValue::from_bytes(who.as_bytes());
            request.metadata_mut().insert_bin(PERSON_KEY, who);
        }
        async move { (who, defects.take_defect_on(request).await) }
    });
    let answers = futures::future::join_all(race).await;
    let mut told_yes = answers.iter().filter(|(_, answer)| answer.is_ok());
    let (who, _) = told_yes.next().expect("one takes it on");
    assert_eq!(told_yes.count(), 0, "{answers:?}");
    let winner = who.unwrap_or(UNNAMED);
    for refused in answers
        .iter()
        .filter_map(|(_, answer)| answer.as_ref().err())
    {
        assert_eq!(reason(refused), "ALREADY_TAKEN");
        assert!(refused.message().ends_with(winner), "{refused:?}");
    }
    for number in 1..=3 {
        let alert = desk.alert(number).await;
        let answer = alert.acknowledgement.as_ref().unwrap();
        assert_eq!(
            (answer.by.as_str(), &answer.note),
            (winner, &format!("by {who:?}"))
        );
        assert_eq!(alert.state(), v1::AlertState::Normal);
    }
    assert!(!desk.defect(1).await.awaits_answer);
    desk.stop().await;
}

/// Two rules raise in one commit, and one mute covers both: each ledger entry changes two defects.
#[tokio::test]
async fn changes_read_one_by_one_are_all_there_each_with_its_own_number() {
    let mut desk = Desk::new(&[("hot", HOT), ("fire", SAFETY)]).await;
    desk.send(&[80.0, 150.0, 150.0, 150.0]).await;
    for number in 1..=2 {
        desk.until(number, "stood", stands).await;
    }
    let shop = v1::TakeOutOfServiceRequest {
        unit: desk.alert(1).await.unit,
        reason: "paint".to_owned(),
        ..v1::TakeOutOfServiceRequest::default()
    };
    desk.people.take_out_of_service(shop).await.unwrap();
    let mut read = async |page_size: i32| {
        let (mut cursor, mut all) = (String::new(), Vec::new());
        loop {
            let request = v1::ListDefectChangesRequest {
                cursor,
                page_size,
                filter: None,
            };
            let page = desk.defects.list_defect_changes(request).await.unwrap();
            let page = page.into_inner();
            all.extend(page.changes.into_iter().map(|change| {
                let defect = change.defect.unwrap();
                let waits = defect.awaits_answer;
                (change.number, defect.name, defect.etag, waits)
            }));
            if !page.more {
                return all;
            }
            cursor = page.cursor;
        }
    };
    let whole = read(1_000).await;
    assert!(whole.len() >= 4, "{whole:?}");
    assert!(
        whole.windows(2).all(|pair| pair[0].0 < pair[1].0),
        "{whole:?}"
    );
    // As it was after each change: both waited, and what warns of danger still does now that all is muted.
    let waits = |name: &str| {
        let of_it = whole.iter().filter(|change| change.1 == name);
        of_it.map(|change| change.3).collect::<Vec<_>>()
    };
    let mut waited = [waits("defects/1"), waits("defects/2")];
    waited.sort();
    assert_eq!(waited, [[false, true, false], [false, true, true]]);
    for page_size in 1..=3 {
        assert_eq!(read(page_size).await, whole, "{page_size} at a time");
    }
    // A cursor that somebody wrote on: it ends all the same.
    let request = |cursor: String| v1::ListDefectChangesRequest {
        cursor,
        page_size: 1,
        filter: None,
    };
    let open = v1::ListDefectChangesRequest {
        filter: Some(v1::DefectFilter {
            open: true,
            ..v1::DefectFilter::default()
        }),
        ..request(String::new())
    };
    let refused = desk.defects.list_defect_changes(open).await.unwrap_err();
    assert_eq!(reason(&refused), "BAD_FILTER");
    let first = desk.defects.list_defect_changes(request(String::new()));
    let cursor = first.await.unwrap().into_inner().cursor;
    let odd = format!("{}ffffffff", &cursor[..cursor.len() - 8]);
    let rest = desk.defects.list_defect_changes(request(odd)).await;
    assert!(rest.unwrap().into_inner().changes.len() <= 1);
    desk.stop().await;
}

/// The alert never ended, so nothing new is raised: the repair is looked at all the same.
#[tokio::test]
async fn a_fault_that_outlasts_its_repair_opens_its_defect_again() {
    let mut desk = Desk::new(&[("hot", TESTED)]).await;
    desk.send(&[80.0, 120.0, 120.0, 120.0]).await;
    desk.until(1, "stood", stands).await;
    let take_on = v1::TakeDefectOnRequest {
        name: "defects/1".to_owned(),
        ..v1::TakeDefectOnRequest::default()
    };
    desk.defects.take_defect_on(take_on).await.unwrap();
    let taken = |alert: &v1::Alert| alert.acknowledgement.is_some();
    desk.until(1, "was taken on", taken).await;
    let finding = v1::RecordFindingRequest {
        name: "defects/1".to_owned(),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::AsCalled.into(),
            repaired_unix_ms: desk.next_ms - 1_000,
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    desk.defects.record_finding(finding).await.unwrap();
    let from = desk.next_ms;
    desk.send(&[120.0; 20]).await;
    desk.until(1, "was told again", |alert| !taken(alert)).await;
    let back = desk.defect(1).await;
    assert_eq!(back.status(), v1::DefectStatus::Suspected);
    assert!(back.awaits_answer, "whoever took it on did so before");
    assert_eq!(back.earlier_findings.len(), 1);
    assert_eq!(back.after_repair(), v1::AfterRepair::NotHeld);
    // It was seen once the windows held nothing from before the repair.
    assert!(back.after_repair_unix_ms > Some(from), "{back:?}");
    // Reopened within seconds: that the finding was wrong can be said all the same.
    let correction = v1::RecordFindingRequest {
        name: "defects/1".to_owned(),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::NoFaultFound.into(),
            note: "another unit's sheet".to_owned(),
            ..v1::Finding::default()
        }),
        corrects: true,
        ..v1::RecordFindingRequest::default()
    };
    let corrected = desk.defects.record_finding(correction).await;
    let corrected = corrected.unwrap().into_inner();
    assert_eq!(corrected.status(), v1::DefectStatus::Suspected);
    let was = &back.earlier_findings[0];
    let [is] = &corrected.earlier_findings[..] else {
        panic!("{corrected:?}");
    };
    assert_eq!(is.kind(), v1::FindingKind::NoFaultFound);
    assert_eq!(is.repaired_unix_ms, was.repaired_unix_ms, "as it was");
    desk.stop().await;
}

/// Nobody repaired anything, so nothing is said of a repair.
#[tokio::test]
async fn what_warns_of_danger_is_not_closed_while_it_stands() {
    let mut desk = Desk::new(&[("fire", SAFETY)]).await;
    desk.send(&[150.0; 4]).await;
    desk.until(1, "stood", stands).await;
    let close = v1::CloseWithoutFindingRequest {
        name: "defects/1".to_owned(),
        note: "later".to_owned(),
        ..v1::CloseWithoutFindingRequest::default()
    };
    let refused = desk.defects.close_without_finding(close).await.unwrap_err();
    let (code, why) = (refused.code(), reason(&refused));
    assert_eq!(
        (code, why.as_str()),
        (Code::FailedPrecondition, "STILL_STANDS")
    );
    let list = v1::GetDeskRequest::default();
    let shift = desk.people.get_desk(list).await.unwrap().into_inner();
    assert_eq!((shift.awaiting.len(), shift.n_finding_owed), (1, 0));
    let finding = v1::RecordFindingRequest {
        name: "defects/1".to_owned(),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::CouldNotTest.into(),
            repaired_unix_ms: desk.next_ms,
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    desk.defects.record_finding(finding).await.unwrap();
    let closed = desk.defect(1).await;
    assert_eq!(closed.status(), v1::DefectStatus::Closed);
    assert_eq!(closed.after_repair(), v1::AfterRepair::Unspecified);
    desk.stop().await;
}

/// What was seen before the repair and is still in a window says nothing of it.
#[tokio::test]
async fn a_window_from_before_the_repair_is_no_proof_that_it_did_not_hold() {
    let slow = TESTED.replace("\"2 s\"", "\"1 min\"");
    let mut desk = Desk::new(&[("hot", &slow)]).await;
    desk.send(&[120.0; 20]).await;
    desk.until(1, "stood", stands).await;
    let finding = v1::RecordFindingRequest {
        name: "defects/1".to_owned(),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::AsCalled.into(),
            repaired_unix_ms: desk.next_ms - 1_000,
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    desk.defects.record_finding(finding).await.unwrap();
    desk.send(&[120.0; 20]).await;
    let seen = desk.defect(1).await;
    assert_eq!(seen.after_repair(), v1::AfterRepair::NotYetTested);
    assert_eq!(seen.status(), v1::DefectStatus::Closed);
    desk.stop().await;
}

#[tokio::test]
async fn what_people_say_is_bounded() {
    let mut desk = Desk::new(&[("hot", TESTED)]).await;
    desk.send(&[80.0, 120.0, 120.0, 120.0]).await;
    desk.until(1, "stood", stands).await;
    let later = v1::GetDeskRequest {
        since_unix_ms: Some(NOW_MS + HOUR_MS),
    };
    let later = desk.people.get_desk(later).await.unwrap_err();
    assert!(later.message().contains("is ahead of now"), "{later:?}");
    let axle = v1::TakeOutOfServiceRequest {
        unit: format!("units/{}", common::unit(1)),
        part: "axle 99".to_owned(),
        reason: "gauge".to_owned(),
        ..v1::TakeOutOfServiceRequest::default()
    };
    let axle = desk.people.take_out_of_service(axle).await.unwrap_err();
    assert!(axle.message().contains("is no part of"), "{axle:?}");
    let call = |told: &str, by: Option<i64>| v1::LogContactRequest {
        name: "defects/1".to_owned(),
        contact: Some(v1::Contact {
            told: told.to_owned(),
            promise: "a fitter".to_owned(),
            promised_for_unix_ms: by,
            ..v1::Contact::default()
        }),
        ..v1::LogContactRequest::default()
    };
    let past = desk
        .defects
        .log_contact(call("dispatcher", Some(NOW_MS - 1)));
    assert!(past.await.unwrap_err().message().contains("is past"));
    let escape = desk.defects.log_contact(call("\u{1b}[31mred", None));
    assert!(
        escape
            .await
            .unwrap_err()
            .message()
            .contains("control character")
    );
    let lines = desk
        .defects
        .log_contact(call("dispatcher\nthen the crew", None));
    assert!(lines.await.is_ok(), "a person's line breaks stay");
    let finding = v1::RecordFindingRequest {
        name: "defects/1".to_owned(),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::AsCalled.into(),
            minutes: Some(99_999_999),
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    let long = desk.defects.record_finding(finding).await.unwrap_err();
    assert!(long.message().contains("a whole year of work"), "{long:?}");
    desk.stop().await;
}

#[tokio::test]
async fn a_defect_goes_through_the_shop_and_its_repair_is_looked_at() {
    let mut desk = Desk::new(&[("hot", TESTED)]).await;
    desk.send(&[80.0, 120.0, 120.0, 120.0]).await;
    desk.until(1, "stood", stands).await;
    assert_eq!(
        desk.defect(1).await.after_repair(),
        v1::AfterRepair::Unspecified
    );
    let plan = v1::PlanDefectRequest {
        name: "defects/1".to_owned(),
        plan: Some(v1::Plan {
            service_point: "Stenmoor".to_owned(),
            at_unix_ms: Some(NOW_MS + HOUR_MS),
            part: "thermostat".to_owned(),
            craft: "mechanical".to_owned(),
            note: String::new(),
        }),
        etag: "\"1-0\"".to_owned(),
        request_id: String::new(),
    };
    let stale = desk.defects.plan_defect(plan.clone()).await.unwrap_err();
    assert_eq!(
        (stale.code(), reason(&stale).as_str()),
        (Code::Aborted, "STALE_ETAG")
    );
    let said = "telemetry raised alert 1";
    assert!(stale.message().contains(said), "{}", stale.message());
    let fresh = v1::PlanDefectRequest {
        etag: desk.defect(1).await.etag,
        ..plan
    };
    let planned = desk.defects.plan_defect(fresh).await.unwrap().into_inner();
    assert_eq!(planned.status(), v1::DefectStatus::Planned);
    assert_eq!(planned.plan.unwrap().part, "thermostat");
    let work = v1::BeginWorkRequest {
        name: "defects/1".to_owned(),
        ..v1::BeginWorkRequest::default()
    };
    let begun = desk.defects.begin_work(work).await.unwrap().into_inner();
    assert_eq!(begun.status(), v1::DefectStatus::InWork);
    let repaired_ms = desk.next_ms - 1_000;
    let mut finding = v1::RecordFindingRequest {
        name: "defects/1".to_owned(),
        finding: Some(v1::Finding {
            kind: v1::FindingKind::AsCalled.into(),
            cause: "thermostat stuck".to_owned(),
            failure_mode: "HOT".to_owned(),
            minutes: Some(40),
            parts: vec!["thermostat".to_owned()],
            repaired_unix_ms: repaired_ms,
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    let bad = desk
        .defects
        .record_finding(finding.clone())
        .await
        .unwrap_err();
    assert_eq!(reason(&bad), "BAD_FIELD");
    assert!(bad.message().contains("OHE"), "{}", bad.message());
    finding.finding.as_mut().unwrap().failure_mode = "OHE".to_owned();
    let closed = desk
        .defects
        .record_finding(finding)
        .await
        .unwrap()
        .into_inner();
    assert_eq!(closed.status(), v1::DefectStatus::Closed);
    assert_eq!(closed.finding.unwrap().minutes, Some(40));
    // Cold: nothing that comes can show whether it holds. It is looked at on asking, in what is stored: no
    // judge has to be waited for.
    desk.send(&[40.0; 30]).await;
    assert_eq!(
        desk.defect(1).await.after_repair(),
        v1::AfterRepair::NotYetTested
    );
    // Warm and clear for the off-delay: it held from then.
    let from = desk.next_ms;
    desk.send(&[80.0; 6]).await;
    let held = desk.defect(1).await;
    assert_eq!(held.after_repair(), v1::AfterRepair::Held);
    assert_eq!(held.after_repair_unix_ms, Some(from + 3_000));
    // It comes back: the same defect, open again, and the repair did not hold.
    desk.send(&[120.0, 120.0, 120.0]).await;
    desk.until(2, "stood", stands).await;
    let back = desk.defect(1).await;
    assert_eq!(back.status(), v1::DefectStatus::Suspected);
    assert_eq!(back.after_repair(), v1::AfterRepair::NotHeld);
    assert_eq!(back.earlier_findings.len(), 1);
    assert_eq!(back.reopened_unix_ms, Some(NOW_MS));
    assert!(back.plan.is_none() && back.awaits_answer);
    desk.stop().await;
}

impl Desk {
    /// Says that a unit works, which it is expected to tell.
    async fn works(&self, number: u32) {
        let state = v1::RecordUnitStateRequest {
            name: format!("units/{}", common::unit(number)),
            state: v1::UnitState::Working.into(),
            from_unix_ms: NOW_MS - HOUR_MS,
            ..v1::RecordUnitStateRequest::default()
        };
        let channel = self.served.channel().await;
        let mut fleet = v1::fleet_service_client::FleetServiceClient::new(channel);
        fleet.record_unit_state(state).await.unwrap();
    }

    async fn look(&mut self) -> v1::Desk {
        let asked = v1::GetDeskRequest::default();
        self.people.get_desk(asked).await.unwrap().into_inner()
    }
}

#[tokio::test]
async fn a_shift_hands_over_and_everything_leaves_a_record() {
    let store = Arc::new(MemoryStore::new());
    let rules = folder(&[("hot", HOT)]);
    let kept = folder(&[("hot", HOT)]);
    let mut desk = Desk::on(Arc::clone(&store), rules).await;
    desk.send(&[80.0, 120.0, 120.0, 120.0]).await;
    desk.until(1, "stood", stands).await;
    desk.works(2).await;
    let contact = v1::LogContactRequest {
        name: "alerts/1".to_owned(),
        contact: Some(v1::Contact {
            told: "dispatcher".to_owned(),
            answer: "swaps the lead at Stenmoor".to_owned(),
            promise: "calls back".to_owned(),
            promised_for_unix_ms: Some(NOW_MS + HOUR_MS),
            ..v1::Contact::default()
        }),
        request_id: "c-1".to_owned(),
    };
    let called = desk
        .defects
        .log_contact(contact.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(called.contacts.len(), 1);
    assert_eq!(called.contacts[0].alert, "alerts/1");
    let again = desk
        .defects
        .log_contact(contact)
        .await
        .unwrap()
        .into_inner();
    assert_eq!(again.contacts.len(), 1, "a repeat of the request");
    let seen = desk.look().await;
    assert_eq!(seen.awaiting, ["defects/1"]);
    assert_eq!(seen.new_defects, ["defects/1"]);
    assert_eq!((seen.owed.len(), seen.owed[0].contact), (1, 1));
    assert_eq!(seen.n_told_ten_minutes, 1);
    // Unit 2 works and was never heard; unit 1's state was never recorded.
    let silent: Vec<&str> = seen.silent.iter().map(|unit| unit.unit.as_str()).collect();
    assert_eq!(silent, ["units/ZVR 2"]);
    let hand = v1::HandOverRequest {
        from: "Ada".to_owned(),
        to: "Bo".to_owned(),
        note: "one call owed".to_owned(),
        ..v1::HandOverRequest::default()
    };
    let alone = v1::HandOverRequest {
        to: String::new(),
        ..hand.clone()
    };
    assert_eq!(
        reason(&desk.people.hand_over(alone).await.unwrap_err()),
        "BAD_FIELD"
    );
    let handed = desk.people.hand_over(hand).await.unwrap().into_inner();
    assert_eq!(handed.name, "handovers/1");
    let promise = v1::KeepPromiseRequest {
        name: "defects/1".to_owned(),
        contact: 1,
        ..v1::KeepPromiseRequest::default()
    };
    desk.defects.keep_promise(promise).await.unwrap();
    // All of it is known after a restart.
    desk.stop().await;
    let mut desk = Desk::on(store, kept).await;
    let seen = desk.look().await;
    assert_eq!(seen.last_handover.unwrap().to, "Bo");
    assert_eq!(
        (seen.new_defects, seen.owed),
        (Vec::<String>::new(), vec![])
    );
    assert_eq!(seen.awaiting, ["defects/1"], "a call is no answer");
    all_acts_are_told(&mut desk).await;
    // Taken on, it is in hand on the next shift; what is muted without an end is told.
    let taken = v1::TakeDefectOnRequest {
        name: "defects/1".to_owned(),
        ..v1::TakeDefectOnRequest::default()
    };
    desk.defects.take_defect_on(taken).await.unwrap();
    let shop = v1::TakeOutOfServiceRequest {
        unit: "units/ZVR 2".to_owned(),
        reason: "in the shop".to_owned(),
        ..v1::TakeOutOfServiceRequest::default()
    };
    desk.people.take_out_of_service(shop).await.unwrap();
    let seen = desk.look().await;
    assert_eq!(
        (seen.awaiting, seen.in_hand, seen.n_in_hand),
        (vec![], vec!["defects/1".to_owned()], 1)
    );
    let lasting: Vec<&str> = seen.lasting.iter().map(|mute| mute.name.as_str()).collect();
    assert_eq!((lasting, seen.ending.len()), (vec!["mutes/1"], 0));
    desk.stop().await;
}

async fn all_acts_are_told(desk: &mut Desk) {
    let mut acts = Vec::new();
    let mut page_token = String::new();
    loop {
        let request = v1::ListActsRequest {
            page_size: 1,
            page_token,
            ..v1::ListActsRequest::default()
        };
        let page = desk.people.list_acts(request).await.unwrap().into_inner();
        assert!(page.acts.len() <= 1);
        acts.extend(page.acts);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    let told: Vec<(&str, &str, &str)> = acts
        .iter()
        .map(|act| (act.by.as_str(), act.what.as_str(), act.why.as_str()))
        .collect();
    assert_eq!(
        told,
        [
            ("local", "saw the promise of call 1 kept, defect 1", ""),
            (
                "local",
                "handed the desk over from Ada to Bo",
                "one call owed"
            ),
            (
                "local",
                "told dispatcher of defect 1",
                "swaps the lead at Stenmoor; promised: calls back"
            ),
        ]
    );
    assert!(acts.iter().all(|act| act.at_unix_ms == NOW_MS));
    let request = v1::ListActsRequest {
        show_telemetry: true,
        about: "alerts/1".to_owned(),
        ..v1::ListActsRequest::default()
    };
    let about = desk.people.list_acts(request).await.unwrap().into_inner();
    let told: Vec<&str> = about.acts.iter().map(|act| act.what.as_str()).collect();
    assert_eq!(told, ["raised alert 1"]);
    let bad = v1::ListActsRequest {
        about: "trains/7".to_owned(),
        ..v1::ListActsRequest::default()
    };
    let bad = desk.people.list_acts(bad).await.unwrap_err();
    assert_eq!(reason(&bad), "BAD_FILTER");
}

#[tokio::test]
async fn pages_of_mutes_and_handovers_go_on_where_they_were_whatever_ends_or_comes() {
    let mut desk = Desk::new(&[("hot", HOT)]).await;
    for number in 1..=3 {
        let request = v1::TakeOutOfServiceRequest {
            unit: format!("units/{}", common::unit(number)),
            // The first is open, the others end in turn.
            until_unix_ms: (number > 1).then(|| NOW_MS + i64::from(number) * HOUR_MS),
            reason: "a wheel is turned".to_owned(),
            ..v1::TakeOutOfServiceRequest::default()
        };
        desk.people.take_out_of_service(request).await.unwrap();
        let hand = v1::HandOverRequest {
            from: format!("desk {number}"),
            to: format!("desk {}", number + 1),
            ..v1::HandOverRequest::default()
        };
        desk.people.hand_over(hand).await.unwrap();
    }
    let page = |page_token: String, show_ended| v1::ListMutesRequest {
        page_size: 1,
        page_token,
        show_ended,
    };
    let first = desk.people.list_mutes(page(String::new(), false)).await;
    let first = first.unwrap().into_inner();
    assert_eq!(first.mutes[0].name, "mutes/2");
    let lift = v1::LiftMuteRequest {
        name: "mutes/2".to_owned(),
        ..v1::LiftMuteRequest::default()
    };
    desk.people.lift_mute(lift).await.unwrap();
    let mut names = Vec::new();
    let mut page_token = first.next_page_token;
    while !page_token.is_empty() {
        let next = desk.people.list_mutes(page(page_token, false)).await;
        let next = next.unwrap().into_inner();
        names.extend(next.mutes.into_iter().map(|mute| mute.name));
        page_token = next.next_page_token;
    }
    assert_eq!(names, ["mutes/3", "mutes/1"]);
    let all = desk.people.list_mutes(page(String::new(), true)).await;
    let all = all.unwrap().into_inner();
    assert_eq!(all.mutes[0].name, "mutes/3");
    let rest = desk
        .people
        .list_mutes(page(all.next_page_token, true))
        .await;
    assert_eq!(rest.unwrap().into_inner().mutes[0].name, "mutes/2");
    // A handover comes between two pages: the older ones are told all the same, each once.
    let older = |page_token: String| v1::ListHandoversRequest {
        page_size: 2,
        page_token,
    };
    let newest = desk.people.list_handovers(older(String::new())).await;
    let newest = newest.unwrap().into_inner();
    let hand = v1::HandOverRequest {
        from: "desk 4".to_owned(),
        to: "desk 5".to_owned(),
        ..v1::HandOverRequest::default()
    };
    desk.people.hand_over(hand).await.unwrap();
    let rest = desk
        .people
        .list_handovers(older(newest.next_page_token))
        .await;
    let rest = rest.unwrap().into_inner();
    let names = |page: &v1::ListHandoversResponse| -> Vec<String> {
        page.handovers.iter().map(|of| of.name.clone()).collect()
    };
    assert_eq!(names(&rest), ["handovers/1"]);
    assert_eq!(rest.next_page_token, "");
    desk.stop().await;
}
