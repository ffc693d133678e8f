//! The promise: where several units slip it is the rail, with the defects that this may explain; where one
//! slips alone it is that unit.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::alerting::{START, reason, settings};
use common::{NOW_MS, Served, batch_of, column, schema, unit};
use tonic::Code;
use wheeltap_model::{ConsistPosition, ConsistRole, Dated, EventTime, Facing};
use wheeltap_proto::v1;
use wheeltap_proto::v1::alert_service_client::AlertServiceClient;
use wheeltap_proto::v1::defect_service_client::DefectServiceClient;
use wheeltap_proto::v1::report_service_client::ReportServiceClient;

const MINUTE: i64 = 60_000;
/// Rings on every unit that runs, whatever its wheels do.
const MOVES: &str = r#"
fn about() { #{
    title: "Moves", system: "test", component: "odometer", priority: "low",
    tick: "10 s", on_delay: "10 s", off_delay: "10 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ mile: last("place.mile") } }
fn raise(seen) { seen.mile > 87.0 }
"#;

/// How long it takes to get to a thousandth of a mile.
const fn run_ms(mile: i64) -> i64 {
    (mile - 86_000) * MINUTE / 1_000
}

const SLIPS: &str = r#"
fn about() { #{
    title: "Slips", system: "sand", component: "slip control", priority: "low",
    tick: "10 s", on_delay: "10 s", off_delay: "10 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ slips: count("wheel.slip", "10 min") } }
fn raise(seen) { seen.slips > 1.5 }
"#;

/// A spool of its own for each run.
fn epoch(first_ms: i64) -> u8 {
    u8::try_from((first_ms / MINUTE) % 251).unwrap()
}

/// A unit runs from mile 86 on, a mile a minute for 10 minutes, on a line, and slips at these
/// thousandths of a mile.
async fn runs(served: &Served, number: u32, first_ms: i64, line: Option<f64>, slips: &[i64]) {
    let mut gateway = served.stream().await;
    gateway.hello(1, &unit(number), epoch(first_ms)).await;
    let known = [
        ("place.mile", "[mi_i]", &[] as &[&str]),
        ("place.line", "1", &[]),
        ("wheel.slip", "", &["duration", "axle"]),
    ];
    let schema = schema(&known);
    let asked = v1::stream_telemetry_request::Item::Schema(schema.clone());
    gateway.ask(asked).await;
    let miles: Vec<f64> = (0..=60).map(|idx| 86.0 + f64::from(idx) / 6.0).collect();
    let mut payload = column(0, first_ms, 10_000, &miles);
    if let Some(line) = line {
        payload.axes.push(v1::TimeAxis {
            first_unix_ms: first_ms,
            count: 1,
            ..v1::TimeAxis::default()
        });
        payload.columns.push(v1::PayloadColumn {
            channel: 1,
            axis: 1,
            values: vec![line],
            qualities: Vec::new().into(),
        });
    } else {
        // Where it was is not known.
        payload = v1::TelemetryPayload::default();
    }
    payload.events = slips
        .iter()
        .map(|mile| v1::EventRow {
            channel: 2,
            time_unix_ms: first_ms + run_ms(*mile),
            fields: [3.0, 2.0]
                .map(|value| v1::EventField { value: Some(value) })
                .to_vec(),
        })
        .collect();
    let outcome = gateway.send(batch_of(&schema, 1, &payload)).await;
    assert_eq!(
        outcome.outcome(),
        v1::batch_outcome::Outcome::Stored,
        "{outcome:?}"
    );
}

fn couple(served: &Served, number: u32) {
    let dated = Dated {
        from: EventTime::from_unix_ms(0),
        value: ConsistPosition {
            train: Some("VM 11".to_owned()),
            order: number,
            facing: Facing::Unknown,
            role: ConsistRole::Trailing,
        },
        source: "yard".to_owned(),
    };
    let fleet = &served.shared.fleet;
    fleet.record_consist(&unit(number), dated).unwrap();
}

/// The units of defects, which are all of slips, by id.
async fn with_slips(served: &Served, names: &[String]) -> Vec<String> {
    let mut defects = DefectServiceClient::new(served.channel().await);
    let mut units = Vec::new();
    for name in names.iter().cloned() {
        let asked = v1::GetDefectRequest { name };
        let defect = defects.get_defect(asked).await.unwrap().into_inner();
        assert_eq!(defect.component, "slip control");
        units.push(defect.unit);
    }
    units.sort();
    units
}

/// When a unit sets out.
fn pass(number: u32) -> i64 {
    START + i64::from(number) * 20 * MINUTE
}

async fn seven_units_run(served: &Served) {
    // The first two are in one train.
    for number in 1..=2 {
        couple(served, number);
    }
    for number in 1..=3 {
        runs(served, number, pass(number), Some(1.0), &[88_250, 88_500]).await;
    }
    // One slips there, and on and on where others hold.
    let own = [88_500, 90_000, 91_250, 92_500, 93_750, 95_000];
    runs(served, 4, pass(4), Some(1.0), &own).await;
    // The same mile of another line; and nobody knows where.
    runs(served, 5, pass(5), Some(2.0), &[88_250, 88_500]).await;
    runs(served, 6, pass(6), None, &[88_250]).await;

    // Slips there once, which rings nothing, and rings three hours later on its own.
    runs(served, 7, pass(7), Some(1.0), &[88_250]).await;
    let later = pass(7) + 180 * MINUTE;
    runs(served, 7, later, Some(1.0), &[94_000, 94_250]).await;
}

#[tokio::test]
async fn where_several_units_slip_it_is_the_rail() {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in [("slips", SLIPS), ("moves", MOVES)] {
        std::fs::write(folder.path().join(format!("{name}.rhai")), text).unwrap();
    }
    let served = Served::start(settings(folder.path())).await;
    seven_units_run(&served).await;
    let mut alerts = AlertServiceClient::new(served.channel().await);
    // Ended ones too, which a watch that begins late is not told of.
    let all = v1::ListAlertsRequest::default;
    while alerts
        .list_alerts(all())
        .await
        .unwrap()
        .get_ref()
        .alerts
        .len()
        < 13
    {
        tokio::task::yield_now().await;
    }

    let mut reports = ReportServiceClient::new(served.channel().await);
    let asked = v1::GetRailPlacesRequest {
        stretch_miles: 1.0,
        ..v1::GetRailPlacesRequest::default()
    };
    let found = reports.get_rail_places(asked).await.unwrap().into_inner();
    assert_eq!((found.n_slips, found.n_unplaced), (18, 1));
    assert_eq!(found.until_unix_ms - found.from_unix_ms, 86_400_000);
    let [place] = found.places.as_slice() else {
        panic!("{found:#?}");
    };
    assert_eq!((place.line, place.n_trains), (Some(1), 4));
    assert!((place.from_mile - 88.25).abs() < 1e-3 && (place.until_mile - 88.5).abs() < 1e-3);
    let at = |number: u32, mile: i64| pass(number) + run_ms(mile);
    assert_eq!(place.first_unix_ms, at(1, 88_250));
    assert_eq!(place.last_unix_ms, at(7, 88_250));
    let units: Vec<(&str, u64)> = place
        .units
        .iter()
        .map(|of| (of.unit.as_str(), of.n_slips))
        .collect();
    let expected = [
        ("units/ZVR 1", 2),
        ("units/ZVR 2", 2),
        ("units/ZVR 3", 2),
        ("units/ZVR 4", 1),
        ("units/ZVR 7", 1),
    ];
    assert_eq!(units, expected);
    // What reads slips and rang about then: not the other rule, not hours later, not on the other line.
    let of_place = with_slips(&served, &place.defects).await;
    assert_eq!(of_place, [1, 2, 3, 4].map(|n| format!("units/ZVR {n}")));
    let own: Vec<(&str, u64, u64)> = found
        .units
        .iter()
        .map(|of| (of.unit.as_str(), of.n_slips, of.n_at_places))
        .collect();
    assert_eq!(
        own[..3],
        [
            ("units/ZVR 4", 6, 1),
            ("units/ZVR 5", 2, 0),
            ("units/ZVR 7", 3, 1)
        ]
    );

    // More units or trains are asked for than slipped; and a longer place takes in what lay farther on.
    for (least_units, least_trains) in [(6, 0), (0, 5)] {
        let asked = v1::GetRailPlacesRequest {
            least_units,
            least_trains,
            ..v1::GetRailPlacesRequest::default()
        };
        let none = reports.get_rail_places(asked).await.unwrap().into_inner();
        assert!(none.places.is_empty());
    }
    let asked = v1::GetRailPlacesRequest {
        from_unix_ms: START,
        ..v1::GetRailPlacesRequest::default()
    };
    let longer = reports.get_rail_places(asked).await.unwrap().into_inner();
    assert_eq!(longer.places[0].n_slips, 9);
}

#[tokio::test]
async fn what_cannot_be_asked_is_refused_with_its_field() {
    let served = Served::start(wheeltap_server::Settings::default()).await;
    let mut reports = ReportServiceClient::new(served.channel().await);
    let with = |stretch_miles: f64, days: i64| v1::GetRailPlacesRequest {
        stretch_miles,
        from_unix_ms: NOW_MS - days * 86_400_000,
        ..v1::GetRailPlacesRequest::default()
    };
    for (asked, why, says) in [
        (with(-1.0, 1), "BAD_FIELD", "stretch_miles"),
        (with(f64::NAN, 1), "BAD_FIELD", "stretch_miles"),
        (with(50.5, 1), "BAD_FIELD", "up to 50 miles"),
        (with(1.0, 32), "BAD_SPAN", "ask for a shorter span"),
        (with(1.0, -1), "BAD_SPAN", "from_unix_ms"),
    ] {
        let refused = reports.get_rail_places(asked).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument, "{refused}");
        assert_eq!(reason(&refused), why);
        assert!(refused.message().contains(says), "{refused}");
    }
    let asked = v1::GetRailPlacesRequest {
        span_ms: -1,
        ..v1::GetRailPlacesRequest::default()
    };
    let refused = reports.get_rail_places(asked).await.unwrap_err();
    assert!(refused.message().contains("span_ms"), "{refused}");
    let asked = v1::GetRailPlacesRequest {
        span_ms: 3_600_000,
        ..v1::GetRailPlacesRequest::default()
    };
    let hour = reports.get_rail_places(asked).await.unwrap().into_inner();
    assert_eq!(hour.until_unix_ms - hour.from_unix_ms, 3_600_000);
    let nothing = reports.get_rail_places(with(1.0, 31)).await.unwrap();
    let nothing = nothing.into_inner();
    assert_eq!((nothing.n_slips, nothing.places.len()), (0, 0));
}
