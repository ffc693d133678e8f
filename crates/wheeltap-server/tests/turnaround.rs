//! The promise: arrivals, parts and work done are kept for good and told back as they were said; a sheet is made
//! of what the service knows, and says where it does not know.

#![expect(
    clippy::unwrap_used,
    clippy::too_many_lines,
    reason = "helpers outside of test functions are test code too, and a sheet is read from top to bottom"
)]

mod common;
#[path = "turnaround/told.rs"]
mod told;

use common::alerting::reason;
use common::{NOW_MS, Served, batch_of, column, schema, unit};
use std::sync::Arc;
use tonic::{Code, Status};
use tonic_types::StatusExt;
use wheeltap_model::{Actor, Arrival, EventTime, Restored, Role, ServerTime};
use wheeltap_proto::v1;
use wheeltap_proto::v1::defect_service_client::DefectServiceClient;
use wheeltap_proto::v1::turnaround_service_client::TurnaroundServiceClient;
use wheeltap_server::{Access, Restoring, Settings, Turnaround};
use wheeltap_store::MemoryStore;

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;

/// The catalogue of these tests has oil temperatures alone: what is filled is "warm oil".
const WORK: &str = r#"
[[point]]
name = "Burbot Yard"
lockout = "5 min"
crew = [{ craft = "machinist", side = "above" }, { craft = "laborer", side = "below" }]
fills = ["warmth"]

[[point]]
name = "Pike Lock"
crew = [{ craft = "laborer", side = "below" }]

[[job]]
component = "oil cooler"
craft = "machinist"
side = "above"
minutes = 35
part = "oil cooler bundle"

[[fill]]
name = "warmth"
level = "engine.oil.temperature"
full = "100 Cel"
keep = 0.5
craft = "laborer"
side = "below"
minutes = 20

[[wear]]
name = "brake shoes"
ucum = "mm"
new = 50
limit = 15
rate = -1.4
per = "d"
craft = "laborer"
side = "below"
minutes = 30
source = "a test"
"#;

type Track = TurnaroundServiceClient<tonic::transport::Channel>;

fn settings(folder: &tempfile::TempDir) -> Settings {
    let path = folder.path().join("work.toml");
    std::fs::write(&path, WORK).unwrap();
    Settings {
        work: vec![path],
        ..Settings::default()
    }
}

async fn served() -> (Served, Track) {
    let folder = tempfile::tempdir().unwrap();
    let served = Served::start(settings(&folder)).await;
    let track = TurnaroundServiceClient::new(served.channel().await);
    (served, track)
}

fn arrival(number: u32, point: &str, in_ms: i64) -> v1::Arrival {
    v1::Arrival {
        unit: format!("units/ZVR {number}"),
        point: format!("points/{point}"),
        arrives_unix_ms: NOW_MS + in_ms,
        ..v1::Arrival::default()
    }
}

async fn record(
    track: &mut Track,
    arrivals: Vec<v1::Arrival>,
) -> Result<v1::RecordArrivalsResponse, Status> {
    let request = v1::RecordArrivalsRequest {
        arrivals,
        ..v1::RecordArrivalsRequest::default()
    };
    Ok(track.record_arrivals(request).await?.into_inner())
}

async fn list(track: &mut Track, request: v1::ListArrivalsRequest) -> v1::ListArrivalsResponse {
    track.list_arrivals(request).await.unwrap().into_inner()
}

async fn sheet_of(track: &mut Track, number: u32) -> Result<v1::Sheet, Status> {
    let request = v1::GetSheetRequest {
        unit: format!("units/ZVR {number}"),
        ..v1::GetSheetRequest::default()
    };
    Ok(track.get_sheet(request).await?.into_inner())
}

fn fields(status: &Status) -> Vec<String> {
    let details = status.get_error_details();
    let violations = &details.bad_request().unwrap().field_violations;
    violations
        .iter()
        .map(|violation| violation.field.clone())
        .collect()
}

#[tokio::test]
async fn a_repeated_arrival_changes_nothing_and_survives_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let store = Arc::new(MemoryStore::new());
    let served = Served::on(store.clone(), settings(&folder)).await;
    let mut track = TurnaroundServiceClient::new(served.channel().await);
    let both = vec![
        arrival(1, "Burbot Yard", HOUR),
        arrival(2, "Pike Lock", HOUR / 2),
    ];
    let first = record(&mut track, both.clone()).await.unwrap();
    assert_eq!((first.n_new, first.n_changed, first.n_unchanged), (2, 0, 0));
    assert_eq!(
        first.arrivals[0].name,
        "arrivals/ZVR 1@2026-01-01T01:00:00Z"
    );
    assert_eq!(first.arrivals[0].source, "local");
    let again = record(&mut track, both).await.unwrap();
    assert_eq!((again.n_new, again.n_changed, again.n_unchanged), (0, 0, 2));
    // Told otherwise, it is another stop of the same arrival.
    let later = v1::Arrival {
        leaves_unix_ms: Some(NOW_MS + 3 * HOUR),
        ..arrival(1, "Burbot Yard", HOUR)
    };
    assert_eq!(record(&mut track, vec![later]).await.unwrap().n_changed, 1);
    // One with an id of its own keeps it when it is late.
    let named = |in_ms| v1::Arrival {
        name: "arrivals/VM 11/1".replace("11/1", "11-1"),
        ..arrival(3, "Burbot Yard", in_ms)
    };
    assert_eq!(
        record(&mut track, vec![named(HOUR)]).await.unwrap().n_new,
        1
    );
    assert_eq!(
        record(&mut track, vec![named(2 * HOUR)])
            .await
            .unwrap()
            .n_changed,
        1
    );
    served.stop().await;

    let served = Served::on(store, settings(&folder)).await;
    let mut track = TurnaroundServiceClient::new(served.channel().await);
    let listed = list(&mut track, v1::ListArrivalsRequest::default()).await;
    let units: Vec<&str> = listed
        .arrivals
        .iter()
        .map(|arrival| arrival.unit.as_str())
        .collect();
    assert_eq!(
        units,
        ["units/ZVR 2", "units/ZVR 1", "units/ZVR 3"],
        "by time"
    );
    assert_eq!(listed.arrivals[1].leaves_unix_ms, Some(NOW_MS + 3 * HOUR));
    assert_eq!(listed.arrivals[2].arrives_unix_ms, NOW_MS + 2 * HOUR);
    served.stop().await;
}

#[tokio::test]
async fn entries_that_cannot_be_taken_are_all_named_and_nothing_is_recorded() {
    let (served, mut track) = served().await;
    let bad = vec![
        arrival(1, "Burbot Yard", HOUR),
        arrival(99, "Burbot Yard", HOUR),
        arrival(1, "Nowhere", HOUR),
        v1::Arrival {
            leaves_unix_ms: Some(NOW_MS),
            ..arrival(1, "Burbot Yard", 2 * HOUR)
        },
        v1::Arrival {
            arrives_unix_ms: 0,
            unit: "ZVR 1".to_owned(),
            ..arrival(1, "Burbot Yard", HOUR)
        },
        // The same unit and time elsewhere.
        arrival(1, "Pike Lock", HOUR),
        // Times of another world.
        v1::Arrival {
            arrives_unix_ms: i64::MIN,
            leaves_unix_ms: Some(i64::MAX),
            ..arrival(1, "Burbot Yard", HOUR)
        },
    ];
    let status = record(&mut track, bad).await.unwrap_err();
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::InvalidArgument, "UNKNOWN_UNIT")
    );
    assert_eq!(
        fields(&status),
        [
            "arrivals[1].unit",
            "arrivals[2].point",
            "arrivals[3].leaves_unix_ms",
            "arrivals[4].unit",
            "arrivals[4].arrives_unix_ms",
            "arrivals[5].name",
            "arrivals[6].arrives_unix_ms",
            "arrivals[6].leaves_unix_ms",
        ]
    );
    let message = status.message();
    assert!(
        message.contains("nothing was recorded") && message.contains("and 7 more"),
        "{message}"
    );
    let details = status.get_error_details();
    let said = &details.bad_request().unwrap().field_violations[1].description;
    assert!(said.contains("there are Burbot Yard, Pike Lock"), "{said}");
    let everything = v1::ArrivalFilter {
        leaves_after_unix_ms: Some(0),
        ..v1::ArrivalFilter::default()
    };
    let listed = list(
        &mut track,
        v1::ListArrivalsRequest {
            filter: Some(everything),
            ..Default::default()
        },
    )
    .await;
    assert_eq!(listed.arrivals, []);
    // One unit at two places at once, in one request and against what is kept; a stop that is long over.
    let stay = |point: &str, from: i64, to: i64| v1::Arrival {
        leaves_unix_ms: Some(NOW_MS + to),
        ..arrival(1, point, from)
    };
    let both = vec![
        stay("Burbot Yard", HOUR, 3 * HOUR),
        stay("Pike Lock", 2 * HOUR, 4 * HOUR),
    ];
    let status = record(&mut track, both).await.unwrap_err();
    assert_eq!(
        (reason(&status).as_str(), fields(&status)),
        (
            "UNIT_ELSEWHERE",
            vec!["arrivals[1].arrives_unix_ms".to_owned()]
        )
    );
    let first = vec![stay("Burbot Yard", HOUR, 3 * HOUR)];
    let kept = record(&mut track, first).await.unwrap();
    let later = vec![stay("Pike Lock", 2 * HOUR, 4 * HOUR)];
    let status = record(&mut track, later).await.unwrap_err();
    assert_eq!(reason(&status), "UNIT_ELSEWHERE");
    // The same one with other times, and one right after it.
    let moved = vec![
        v1::Arrival {
            name: kept.arrivals[0].name.clone(),
            ..stay("Burbot Yard", HOUR, 2 * HOUR)
        },
        stay("Pike Lock", 2 * HOUR, 4 * HOUR),
    ];
    let moved = record(&mut track, moved).await.unwrap();
    assert_eq!((moved.n_changed, moved.n_new), (1, 1));
    let old = vec![stay("Burbot Yard", -61 * 24 * HOUR, -61 * 24 * HOUR + 1)];
    let status = record(&mut track, old).await.unwrap_err();
    assert_eq!(reason(&status), "BAD_TIME");
    let many = vec![arrival(1, "Burbot Yard", HOUR); 1_001];
    let status = record(&mut track, many).await.unwrap_err();
    assert_eq!(reason(&status), "TOO_MANY");
    served.stop().await;
}

#[tokio::test]
async fn a_cancelled_arrival_is_told_apart_and_comes_back_by_other_content_only() {
    let (served, mut track) = served().await;
    let one = arrival(1, "Burbot Yard", HOUR);
    let name = record(&mut track, vec![one.clone()])
        .await
        .unwrap()
        .arrivals[0]
        .name
        .clone();
    let cancel = v1::CancelArrivalRequest {
        name: name.clone(),
        why: "train annulled".to_owned(),
    };
    let cancelled = track
        .cancel_arrival(cancel.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(cancelled.cancelled.as_ref().unwrap().why, "train annulled");
    assert_eq!(cancelled.cancelled.as_ref().unwrap().by, "local");
    // Cancelling again, and importing the same file again, change nothing.
    assert_eq!(
        track.cancel_arrival(cancel).await.unwrap().into_inner(),
        cancelled
    );
    assert_eq!(
        record(&mut track, vec![one.clone()])
            .await
            .unwrap()
            .n_unchanged,
        1
    );
    assert_eq!(
        list(&mut track, v1::ListArrivalsRequest::default())
            .await
            .arrivals,
        []
    );
    let status = sheet_of(&mut track, 1).await.unwrap_err();
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::NotFound, "NO_ARRIVAL")
    );
    let with_cancelled = v1::ArrivalFilter {
        with_cancelled: true,
        ..v1::ArrivalFilter::default()
    };
    let request = v1::ListArrivalsRequest {
        filter: Some(with_cancelled),
        ..Default::default()
    };
    assert_eq!(list(&mut track, request).await.arrivals, [cancelled]);
    let other = v1::Arrival {
        leaves_unix_ms: Some(NOW_MS + 2 * HOUR),
        ..one
    };
    assert_eq!(record(&mut track, vec![other]).await.unwrap().n_changed, 1);
    assert_eq!(
        list(&mut track, v1::ListArrivalsRequest::default())
            .await
            .arrivals
            .len(),
        1
    );
    let unknown = v1::CancelArrivalRequest {
        name: "arrivals/none".to_owned(),
        why: String::new(),
    };
    let status = track.cancel_arrival(unknown).await.unwrap_err();
    assert_eq!(reason(&status), "UNKNOWN_ARRIVAL");
    served.stop().await;
}

#[tokio::test]
async fn who_brought_an_arrival_back_is_told_and_a_unit_is_at_one_place_at_a_time() {
    let folder = tempfile::tempdir().unwrap();
    let store = Arc::new(MemoryStore::new());
    let served = Served::on(store.clone(), settings(&folder)).await;
    let mut track = TurnaroundServiceClient::new(served.channel().await);
    let mut names = Vec::new();
    // Two stops at the same time, one after the other planned and cancelled.
    for point in ["Burbot Yard", "Pike Lock"] {
        let stop = v1::Arrival {
            name: format!("arrivals/{point}"),
            leaves_unix_ms: Some(NOW_MS + 2 * HOUR),
            ..arrival(1, point, HOUR)
        };
        let recorded = record(&mut track, vec![stop]).await.unwrap();
        let name = recorded.arrivals[0].name.clone();
        let cancel = v1::CancelArrivalRequest {
            name: name.clone(),
            why: String::new(),
        };
        track.cancel_arrival(cancel).await.unwrap();
        names.push(name);
    }
    let restore = |name: &String| v1::RestoreArrivalRequest { name: name.clone() };
    let back = track.restore_arrival(restore(&names[0])).await;
    let back = back.unwrap().into_inner();
    assert_eq!(back.cancelled, None);
    let restored = back.restored.clone().unwrap();
    assert_eq!(
        (restored.by.as_str(), restored.at_unix_ms),
        ("local", NOW_MS)
    );
    let status = track.restore_arrival(restore(&names[1])).await.unwrap_err();
    assert_eq!(reason(&status), "UNIT_ELSEWHERE");
    assert_eq!(fields(&status), ["name"]);
    served.stop().await;

    // It is not for the caller to look before: of two who bring them back at once one is refused.
    let told = Turnaround::load(store).unwrap();
    let restored = Restored {
        by: "dispatcher".to_owned(),
        at: ServerTime::from_unix_ms(NOW_MS),
    };
    let id = |name: &String| name.trim_start_matches("arrivals/").to_owned();
    let first = told.arrival(&id(&names[0])).unwrap();
    assert_eq!(first.restored.as_ref().unwrap().by, "local");
    let refused = told.restore(&id(&names[1]), restored.clone()).unwrap();
    assert_eq!(refused, Restoring::Elsewhere(Arc::clone(&first)));
    let other = Arrival {
        id: "other".to_owned(),
        cancelled: None,
        ..Arrival::clone(&told.arrival(&id(&names[1])).unwrap())
    };
    let as_of = EventTime::from_unix_ms(NOW_MS);
    let recorded = told.record_arrivals(vec![other], as_of).unwrap();
    assert_eq!(recorded, Err((0, first)));
    assert_eq!(told.restore("none", restored).unwrap(), Restoring::Unknown);
}

#[tokio::test]
async fn arrivals_are_paged_and_filtered() {
    let (served, mut track) = served().await;
    let many = (1..=8_u32).map(|number| {
        let point = if number.is_multiple_of(2) {
            "Pike Lock"
        } else {
            "Burbot Yard"
        };
        // Two share each instant.
        arrival(number, point, i64::from(number / 2) * HOUR)
    });
    record(&mut track, many.collect()).await.unwrap();
    let mut found = Vec::new();
    let mut page_token = String::new();
    loop {
        let request = v1::ListArrivalsRequest {
            page_size: 3,
            page_token,
            ..Default::default()
        };
        let page = list(&mut track, request).await;
        assert!(page.arrivals.len() <= 3);
        found.extend(page.arrivals.into_iter().map(|arrival| arrival.unit));
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    let expected: Vec<String> = (1..=8)
        .map(|number| format!("units/ZVR {number}"))
        .collect();
    assert_eq!(found, expected);
    let filter = v1::ArrivalFilter {
        point: "points/Pike Lock".to_owned(),
        arrives_before_unix_ms: Some(NOW_MS + 3 * HOUR),
        ..v1::ArrivalFilter::default()
    };
    let request = v1::ListArrivalsRequest {
        filter: Some(filter),
        ..Default::default()
    };
    let units: Vec<String> = list(&mut track, request)
        .await
        .arrivals
        .into_iter()
        .map(|one| one.unit)
        .collect();
    assert_eq!(units, ["units/ZVR 2", "units/ZVR 4"]);
    // Those that left are listed only when asked for.
    served
        .clock
        .set(wheeltap_model::ServerTime::from_unix_ms(NOW_MS + 26 * HOUR));
    let left = list(&mut track, v1::ListArrivalsRequest::default()).await;
    assert_eq!(left.as_of_unix_ms, NOW_MS + 26 * HOUR);
    assert_eq!(
        left.arrivals.len(),
        3,
        "a day after arriving they count as left"
    );
    served.stop().await;
}

/// Says what is wrong with the oil cooler, and gives the defect's due time.
async fn report(served: &Served, number: u32, component: &str) -> v1::Defect {
    report_seen(served, number, component, 0).await
}

async fn report_seen(
    served: &Served,
    number: u32,
    component: &str,
    first_sign_unix_ms: i64,
) -> v1::Defect {
    let mut defects = DefectServiceClient::new(served.channel().await);
    let request = v1::ReportDefectRequest {
        defect: Some(v1::Defect {
            unit: format!("units/ZVR {number}"),
            system: "engine".to_owned(),
            component: component.to_owned(),
            origin: v1::DefectOrigin::CrewReport.into(),
            title: "Oil runs warm".to_owned(),
            priority: v1::Priority::High.into(),
            first_sign_unix_ms,
            ..v1::Defect::default()
        }),
        request_id: String::new(),
    };
    defects.report_defect(request).await.unwrap().into_inner()
}

/// Sends oil temperatures that fall by 2 K an hour, each minute of the last 20 h up to now.
async fn send_levels(served: &Served, number: u32, end_ms: i64) {
    let schema = schema(&[("engine.oil.temperature", "Cel", &[])]);
    let mut gateway = served.stream().await;
    gateway.hello(1, &unit(number), 1).await;
    let minutes = 20 * 60;
    let values: Vec<f64> = (0..=minutes)
        .map(|minute| 100.0 - f64::from(minute) / 30.0)
        .collect();
    let first_ms = end_ms - i64::from(minutes) * 60_000;
    gateway
        .ask(v1::stream_telemetry_request::Item::Schema(schema.clone()))
        .await;
    let payload = column(0, first_ms, 60_000, &values);
    let outcome = gateway.send(batch_of(&schema, 1, &payload)).await;
    assert_eq!(outcome.outcome(), v1::batch_outcome::Outcome::Stored);
}

#[tokio::test]
async fn a_sheet_is_made_of_what_is_known() {
    let (served, mut track) = served().await;
    send_levels(&served, 1, NOW_MS - HOUR / 60).await;
    let due_ms = report(&served, 1, "oil cooler").await.due_unix_ms;
    record(
        &mut track,
        vec![
            arrival(1, "Burbot Yard", HOUR),
            arrival(1, "Pike Lock", 11 * HOUR),
        ],
    )
    .await
    .unwrap();
    let part = v1::PartStock {
        point: "points/Burbot Yard".to_owned(),
        part: "oil cooler bundle".to_owned(),
        on_hand: v1::OnHand::Yes.into(),
        as_of_unix_ms: NOW_MS - 2 * HOUR,
        ..v1::PartStock::default()
    };
    let request = v1::RecordPartStockRequest { stock: vec![part] };
    assert_eq!(
        track
            .record_part_stock(request.clone())
            .await
            .unwrap()
            .into_inner()
            .n_changed,
        1
    );
    assert_eq!(
        track
            .record_part_stock(request)
            .await
            .unwrap()
            .into_inner()
            .n_changed,
        0
    );
    let done = |item: &str, days: i64, value| v1::Care {
        unit: "units/ZVR 1".to_owned(),
        item: item.to_owned(),
        done_unix_ms: NOW_MS - days * DAY,
        value,
        ..v1::Care::default()
    };
    let care = vec![
        done("periodic", 95, None),
        done("annual", 10, None),
        done("brake shoes", 10, Some(28.0)),
        done("brake shoes", 30, None),
    ];
    let request = v1::RecordCareRequest { care };
    assert_eq!(
        track
            .record_care(request)
            .await
            .unwrap()
            .into_inner()
            .n_changed,
        4
    );

    let sheet = sheet_of(&mut track, 1).await.unwrap();
    let as_of = NOW_MS - HOUR / 60;
    assert_eq!(sheet.as_of_unix_ms, as_of, "the newest of the fleet");
    assert_eq!((sheet.stop_minutes, sheet.lockout_minutes), (60, 5));
    assert_eq!(sheet.leaves_unix_ms, NOW_MS + 2 * HOUR);
    assert_eq!(sheet.next_stop_point, "points/Pike Lock");
    assert!(sheet.cautions[0].text.contains("blue signal"));
    assert_eq!(sheet.unit_class, "classes/Marten");

    // 35 min above beside 20 of filling and 30 for the shoes below: 50, and the lockout.
    assert_eq!(sheet.planned_minutes, 55);
    let job = sheet
        .tasks
        .iter()
        .find(|task| task.component == "oil cooler")
        .unwrap();
    assert_eq!(job.verdict(), v1::TaskVerdict::Do);
    assert_eq!(job.of, "defects/1");
    assert_eq!(job.part.as_ref().unwrap().on_hand(), v1::OnHand::Yes);
    assert_eq!(
        job.part.as_ref().unwrap().as_of_unix_ms,
        Some(NOW_MS - 2 * HOUR)
    );
    assert_eq!(job.due_unix_ms, Some(due_ms));
    assert_eq!(job.steps[0].from_minute, Some(0));
    assert!(!job.steps[0].in_longest_chain, "below takes longer");

    // 60 at the end, falling by 2 an hour: at the next stop in 11 h there are 38 of the 50 to keep.
    let fill = &sheet.fills[0];
    assert!((fill.level.unwrap() - 60.0).abs() < 0.1);
    assert!(
        fill.own_use && (fill.use_per_hour.unwrap() - 2.0).abs() < 0.05,
        "{fill:?}"
    );
    assert!((fill.at_next_stop.unwrap() - 38.0).abs() < 1.0, "{fill:?}");
    assert_eq!(fill.needed, Some(true));

    // 28 mm ten days ago at 1.4 mm a day is the limit and below.
    let shoes = &sheet.wears[0];
    assert!(
        (shoes.now.unwrap() - 14.0).abs() < 0.1 && shoes.due == Some(true),
        "{shoes:?}"
    );
    assert_eq!(
        shoes.last_unix_ms,
        Some(NOW_MS - 10 * DAY),
        "the newest record counts"
    );

    // 49 CFR 229.23(a): 92 days, so this one is three days over; 229.27: 368.
    let one = |name: &str| {
        sheet
            .inspections
            .iter()
            .find(|one| one.name == name)
            .unwrap()
    };
    assert!(one("periodic").overdue && one("periodic").source.starts_with("49 CFR 229.23(a)"));
    assert_eq!(one("annual").due, Some(false));
    assert_eq!(one("biennial").due, None, "nobody said when it was made");
    let overdue = sheet
        .tasks
        .iter()
        .find(|task| task.of == "periodic")
        .unwrap();
    assert_eq!(overdue.verdict(), v1::TaskVerdict::NoJob);
    assert_eq!(overdue.may_wait, Some(false));

    // The list sums up the same.
    let request = v1::ListArrivalsRequest {
        with_summaries: true,
        ..Default::default()
    };
    let listed = list(&mut track, request).await;
    assert_eq!(listed.summaries.len(), 2);
    assert_eq!(listed.summaries[0].planned_minutes, 55);
    assert_eq!(listed.summaries[0].n_planned, 3);
    assert_eq!(
        listed.summaries[0].n_cannot_wait, 2,
        "periodic and daily inspection"
    );
    let second = track
        .get_sheet(v1::GetSheetRequest {
            arrival: listed.arrivals[1].name.clone(),
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(second.next_stop_point, "", "none is planned after it");
    let no_crew = second
        .tasks
        .iter()
        .find(|task| task.component == "oil cooler")
        .unwrap();
    assert_eq!(no_crew.why, "no machinist works above here");
    served.stop().await;
}

#[tokio::test]
async fn what_was_repaired_in_the_last_thirty_days_is_told_newest_first() {
    let (served, mut track) = served().await;
    record(&mut track, vec![arrival(1, "Burbot Yard", HOUR)])
        .await
        .unwrap();
    let mut defects = DefectServiceClient::new(served.channel().await);
    let mut repair = async |component: &str, unit: u32, days_ago: i64| {
        let showed_ms = NOW_MS - 40 * 24 * HOUR;
        let reported = report_seen(&served, unit, component, showed_ms).await;
        let finding = v1::RecordFindingRequest {
            name: reported.name,
            finding: Some(v1::Finding {
                kind: v1::FindingKind::AsCalled.into(),
                repaired_unix_ms: NOW_MS - days_ago * 24 * HOUR,
                ..v1::Finding::default()
            }),
            ..v1::RecordFindingRequest::default()
        };
        defects.record_finding(finding).await.unwrap();
    };
    repair("part 31", 1, 31).await;
    repair("part 2", 1, 2).await;
    repair("part 29", 1, 29).await;
    repair("another unit's", 2, 1).await;
    report(&served, 1, "not repaired").await;
    let told = |sheet: v1::Sheet| -> Vec<String> {
        let repairs = sheet.repairs.into_iter();
        repairs.map(|repair| repair.component).collect()
    };
    let sheet = sheet_of(&mut track, 1).await.unwrap();
    assert_eq!(sheet.repairs[0].defect, "defects/2");
    assert_eq!(told(sheet), ["part 2", "part 29"]);
    for days_ago in 10..18 {
        repair(&format!("part {days_ago}"), 1, days_ago).await;
    }
    let sheet = told(sheet_of(&mut track, 1).await.unwrap());
    let newest = [2, 10, 11, 12, 13, 14, 15, 16].map(|days_ago| format!("part {days_ago}"));
    assert_eq!(sheet, newest, "at most eight");
}

#[tokio::test]
async fn a_level_that_went_silent_is_said_and_not_guessed() {
    let (served, mut track) = served().await;
    record(
        &mut track,
        vec![
            arrival(2, "Burbot Yard", HOUR),
            arrival(3, "Burbot Yard", HOUR),
        ],
    )
    .await
    .unwrap();
    // Oil was last heard two hours before the brake pipe.
    send_levels(&served, 2, NOW_MS - 2 * HOUR).await;
    let schema = schema(&[("brake.pipe.pressure", "kPa", &[])]);
    let mut gateway = served.stream().await;
    gateway.hello(1, &unit(2), 2).await;
    gateway
        .ask(v1::stream_telemetry_request::Item::Schema(schema.clone()))
        .await;
    gateway
        .send(batch_of(
            &schema,
            1,
            &column(0, NOW_MS - 1_000, 1_000, &[600.0]),
        ))
        .await;
    let sheet = sheet_of(&mut track, 2).await.unwrap();
    let fill = &sheet.fills[0];
    assert!(fill.silent && fill.level.is_some(), "{fill:?}");
    assert_eq!(
        (fill.needed, fill.at_next_stop, fill.to_fill),
        (None, None, None)
    );
    let health = sheet.health.unwrap();
    assert!(!health.silent, "the unit is heard");
    // Nothing was ever heard of the third.
    let sheet = sheet_of(&mut track, 3).await.unwrap();
    assert!(sheet.health.unwrap().silent);
    assert_eq!((sheet.fills[0].level, sheet.fills[0].silent), (None, true));
    served.stop().await;
}

#[tokio::test]
async fn the_gateway_sees_nothing_and_reliability_says_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let with = |role| {
        Access::with_local(Actor {
            name: "somebody".to_owned(),
            roles: vec![role],
        })
    };
    for (role, may_read, may_say) in [
        (Role::Gateway, false, false),
        (Role::Reliability, true, false),
        (Role::System, true, true),
    ] {
        let served =
            Served::with(Arc::new(MemoryStore::new()), settings(&folder), with(role)).await;
        let mut track = TurnaroundServiceClient::new(served.channel().await);
        let read = track
            .list_service_points(v1::ListServicePointsRequest {})
            .await;
        assert_eq!(read.is_ok(), may_read, "{role:?}");
        let said = record(&mut track, vec![arrival(1, "Burbot Yard", HOUR)]).await;
        assert_eq!(said.is_ok(), may_say, "{role:?}");
        if let Err(status) = said {
            assert_eq!(status.code(), Code::PermissionDenied);
        }
        served.stop().await;
    }
}
