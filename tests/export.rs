//! The promise: exported files hold what the service holds, value by value, and other tools read them.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use parquet::basic::{LogicalType, Type};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::{Field, Row};
use std::fs::File;
use std::path::Path;
use std::process::{Command, Output};
use tokio_stream::StreamExt;
use wheeltap_client::{
    BatchBuilder, Connection, Gateway, GatewayOptions, MemorySpool, Packing, connect,
};
use wheeltap_model::{ChannelName, EventTime};
use wheeltap_proto::v1;
use wheeltap_tests::open_data::Table;
use wheeltap_tests::{Fleet, OIL, PRESSURE, PROBE, Service, Site, unit, wheeltap};

const N_BATCHES: i64 = 10;

/// A service with ten minutes of a unit, alerts, a defect, and a value that no decimal fraction is.
async fn served(site: &Site) -> (Service, Connection) {
    let service = site.serve();
    let connection = connect(service.address()).await.unwrap();
    let fleet = Fleet::two_hours_ago();
    let gateway = Gateway::start(connection.clone(), GatewayOptions::default(), |_| {});
    let source = gateway.add(unit(0), MemorySpool::new(1 << 26)).unwrap();
    let mut batches: Vec<_> = (0..N_BATCHES).map(|batch| fleet.batch(0, batch)).collect();
    let mut builder = BatchBuilder::new(Packing::Plain);
    let speed = ChannelName::new("engine.speed").unwrap();
    let times = [fleet.first_ms(N_BATCHES), fleet.first_ms(N_BATCHES) + 1];
    builder
        .samples(&speed, "", &times, &[0.1 + 0.2, 1e6 / 3.0], &[])
        .unwrap();
    batches.extend(builder.build().unwrap());
    source.append(batches).await.unwrap();
    source.drained().await;
    gateway.stop().await;
    let defect = v1::Defect {
        unit: format!("units/{}", unit(0)),
        component: "cab, \"left\" seat".to_owned(),
        title: "Torn;\nsecond line, \u{e4}\u{2713}".to_owned(),
        origin: v1::DefectOrigin::CrewReport.into(),
        ..v1::Defect::default()
    };
    let report = v1::ReportDefectRequest {
        defect: Some(defect),
        request_id: String::new(),
    };
    connection.defects().report_defect(report).await.unwrap();
    (service, connection)
}

fn export(service: &Service, words: &[&str], to: &Path) -> Output {
    let mut command = Command::new(wheeltap());
    command
        .arg("export")
        .args(words)
        .args(["--server", service.address(), "--to"])
        .arg(to);
    command.output().unwrap()
}

fn exported(service: &Service, words: &[&str], to: &Path) {
    let output = export(service, words, to);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.contains(" in "), "{said}");
}

fn parquet_rows(file: &Path) -> Vec<Row> {
    let reader = SerializedFileReader::new(File::open(file).unwrap()).unwrap();
    let rows = reader.get_row_iter(None).unwrap();
    rows.map(|row| row.unwrap()).collect()
}

fn cell<'r>(row: &'r Row, name: &str) -> &'r Field {
    let mut columns = row.get_column_iter();
    columns.find(|(own, _)| *own == name).unwrap().1
}

/// As text, the way a CSV cell has it.
fn words(field: &Field) -> String {
    match field {
        Field::Null => String::new(),
        Field::Str(text) => text.clone(),
        Field::TimestampMillis(ms) => EventTime::from_unix_ms(*ms).to_string(),
        Field::Double(number) => number.to_string(),
        Field::Long(number) => number.to_string(),
        Field::Bool(flag) => flag.to_string(),
        other => panic!("{other:?}"),
    }
}

/// Both files say the same, cell by cell; gives the CSV.
fn same(csv: &Path, parquet: &Path) -> Table {
    let table = Table::read(csv, b',');
    let rows = parquet_rows(parquet);
    assert_eq!(table.rows.len(), rows.len());
    for (cells, row) in table.rows.iter().zip(&rows) {
        for (name, value) in table.header.iter().zip(cells) {
            assert_eq!(words(cell(row, name)), *value, "{name}");
        }
    }
    table
}

#[tokio::test(flavor = "multi_thread")]
async fn telemetry_is_exported_to_the_bit() {
    let site = Site::new(1, &[PROBE]);
    let (service, connection) = served(&site).await;
    let own = unit(0).to_string();
    let all = [
        "telemetry",
        own.as_str(),
        "--channel",
        PRESSURE,
        "--channel",
        OIL,
        "--channel",
        "engine.speed",
    ];
    let (csv, parquet) = (site.path("day.csv"), site.path("day.parquet"));
    exported(&service, &all, &csv);
    exported(&service, &all, &parquet);
    let table = same(&csv, &parquet);
    let mut expected = Vec::new();
    for channel in [PRESSURE, OIL, "engine.speed"] {
        let name = ChannelName::new(channel).unwrap();
        let (from, to) = (
            EventTime::from_unix_ms(0),
            EventTime::from_unix_ms(i64::MAX),
        );
        let mut samples = connection.list_samples(&unit(0), &name, from, to);
        while let Some(sample) = samples.next().await {
            let sample = sample.unwrap();
            expected.push((
                channel.to_owned(),
                sample.time.to_string(),
                sample.value.to_bits(),
            ));
        }
    }
    assert_eq!(expected.len(), 600 + 60 + 2);
    let found: Vec<(String, String, u64)> = table
        .rows
        .iter()
        .map(|row| {
            let value: f64 = row[3].parse().unwrap();
            (row[1].clone(), row[2].clone(), value.to_bits())
        })
        .collect();
    assert_eq!(found, expected);

    // Types that other tools know: an instant is an instant.
    let reader = SerializedFileReader::new(File::open(&parquet).unwrap()).unwrap();
    let schema = reader.metadata().file_metadata().schema_descr();
    let column = |name: &str| {
        let mut all = schema.columns().iter();
        all.find(|column| column.name() == name).unwrap().clone()
    };
    assert_eq!(column("value").physical_type(), Type::DOUBLE);
    assert!(matches!(
        column("time").logical_type_ref(),
        Some(LogicalType::Timestamp { .. })
    ));

    let minutes = [&all[..4], &["--rollup", "minute"]].concat();
    let (csv, parquet) = (site.path("minutes.csv"), site.path("minutes.parquet"));
    exported(&service, &minutes, &csv);
    exported(&service, &minutes, &parquet);
    let table = same(&csv, &parquet);
    assert_eq!(table.column("n").collect::<Vec<_>>(), ["60"; 10]);
}

#[tokio::test(flavor = "multi_thread")]
async fn alerts_and_defects_are_exported_whole() {
    let site = Site::new(1, &[PROBE]);
    let (service, connection) = served(&site).await;
    let (csv, parquet) = (site.path("alerts.csv"), site.path("alerts.parquet"));
    // What was stored is judged a moment later.
    let mut alerts: Vec<v1::Alert> = Vec::new();
    while alerts.len() < 2 {
        let list = connection.list_alerts(v1::AlertFilter::default());
        alerts = list.map(|alert| alert.unwrap()).collect().await;
    }
    exported(&service, &["alerts"], &csv);
    exported(&service, &["alerts"], &parquet);
    let table = same(&csv, &parquet);
    assert_eq!(table.rows.len(), alerts.len());
    let evidence: serde_json::Value =
        serde_json::from_str(table.column("evidence").next().unwrap()).unwrap();
    assert!(evidence["x"].as_f64().unwrap() > 1.0);

    let (csv, parquet) = (site.path("defects.csv"), site.path("defects.parquet"));
    exported(&service, &["defects"], &csv);
    exported(&service, &["defects"], &parquet);
    let table = same(&csv, &parquet);
    let titles: Vec<&str> = table.column("title").collect();
    assert!(
        titles.contains(&"Torn;\nsecond line, \u{e4}\u{2713}"),
        "{titles:?}"
    );
    assert!(
        table
            .column("component")
            .any(|text| text == "cab, \"left\" seat")
    );
}

// The engineer's table: what was planned, and what the shop found by it.
#[tokio::test(flavor = "multi_thread")]
async fn a_defect_is_exported_with_its_plan_and_its_finding() {
    let site = Site::new(1, &[]);
    let (service, connection) = served(&site).await;
    let name = "defects/1".to_owned();
    // Somebody else sees it too.
    let again = v1::ReportDefectRequest {
        defect: Some(v1::Defect {
            unit: format!("units/{}", unit(0)),
            component: "cab, \"left\" seat".to_owned(),
            title: "loose".to_owned(),
            origin: v1::DefectOrigin::DailyInspection.into(),
            ..v1::Defect::default()
        }),
        request_id: String::new(),
    };
    connection.defects().report_defect(again).await.unwrap();
    let plan = v1::PlanDefectRequest {
        name: name.clone(),
        plan: Some(v1::Plan {
            service_point: "Burbot Yard".to_owned(),
            at_unix_ms: Some(2_845_461_600_000),
            craft: "mechanical".to_owned(),
            ..v1::Plan::default()
        }),
        ..v1::PlanDefectRequest::default()
    };
    connection.defects().plan_defect(plan).await.unwrap();
    let finding = v1::RecordFindingRequest {
        name,
        finding: Some(v1::Finding {
            kind: v1::FindingKind::AsCalled.into(),
            cause: "stitching worn, \"old\" part".to_owned(),
            component: "seat cover".to_owned(),
            failure_mode: "STD".to_owned(),
            minutes: Some(25),
            parts: vec!["cover, left".to_owned(), "clips".to_owned()],
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    let closed = connection.defects().record_finding(finding).await.unwrap();
    let repaired_ms = closed.into_inner().finding.unwrap().repaired_unix_ms;

    let (csv, parquet) = (site.path("defects.csv"), site.path("defects.parquet"));
    exported(&service, &["defects"], &csv);
    exported(&service, &["defects"], &parquet);
    let table = same(&csv, &parquet);
    for (column, value) in [
        ("service_point", "Burbot Yard"),
        ("planned_at", "2060-03-02T14:00:00Z"),
        ("craft", "mechanical"),
        ("finding", "as_called"),
        ("finding_cause", "stitching worn, \"old\" part"),
        ("finding_component", "seat cover"),
        ("failure_mode", "STD"),
        ("minutes", "25"),
        ("parts_fitted", "cover, left; clips"),
        ("n_earlier_findings", "0"),
        ("reopened_at", ""),
        ("origins", "crew_report daily_inspection"),
        ("n_reports", "2"),
    ] {
        assert_eq!(
            table.column(column).collect::<Vec<_>>(),
            [value],
            "{column}"
        );
    }
    let reports: serde_json::Value =
        serde_json::from_str(table.column("reports").next().unwrap()).unwrap();
    assert_eq!(
        (&reports[1]["title"], &reports[1]["origin"]),
        (&"loose".into(), &"daily_inspection".into())
    );
    let repaired = EventTime::from_unix_ms(repaired_ms).to_string();
    assert_eq!(table.column("repaired_at").collect::<Vec<_>>(), [repaired]);
}

/// Lines of a calendar after RFC 5545: at most 75 octets, ended by CR and LF, folded by a space (3.1).
fn unfolded(text: &str) -> Vec<String> {
    assert!(text.ends_with("\r\n"));
    for line in text.split_terminator("\r\n") {
        assert!(line.len() <= 75 && !line.contains(['\r', '\n']), "{line:?}");
    }
    let whole = text.replace("\r\n ", "");
    whole
        .split_terminator("\r\n")
        .map(ToOwned::to_owned)
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn planned_work_becomes_a_calendar() {
    let site = Site::new(1, &[]);
    let (service, connection) = served(&site).await;
    let at_ms = 2_845_461_600_000;
    let plan = v1::Plan {
        service_point: "Burbot Yard, track 2".to_owned(),
        at_unix_ms: Some(at_ms),
        part: "seat; left".to_owned(),
        craft: "mechanical".to_owned(),
        note: "a long note of which the calendar must not lose a letter \u{2713} at any fold"
            .to_owned(),
    };
    let request = v1::PlanDefectRequest {
        name: "defects/1".to_owned(),
        plan: Some(plan.clone()),
        ..v1::PlanDefectRequest::default()
    };
    connection.defects().plan_defect(request).await.unwrap();

    let file = site.path("work.ics");
    exported(&service, &["planned"], &file);
    let text = std::fs::read_to_string(&file).unwrap();
    let lines = unfolded(&text);
    for line in [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "DTSTART:20600302T140000Z",
        "LOCATION:Burbot Yard\\, track 2",
        "END:VCALENDAR",
    ] {
        assert!(lines.iter().any(|own| own == line), "{line} in {text}");
    }
    // What another's parser makes of it.
    let calendar: icalendar::Calendar = text.parse().unwrap();
    let [icalendar::CalendarComponent::Event(event)] = calendar.components.as_slice() else {
        panic!("{text}");
    };
    let value = |name: &str| icalendar::Component::property_value(event, name).unwrap();
    assert_eq!(value("DTSTART"), "20600302T140000Z");
    // Whatever address it was asked for at.
    let uid = value("UID");
    assert!(
        uid.starts_with("defect-1-") && uid.ends_with("@wheeltap"),
        "{uid}"
    );
    assert!(value("DESCRIPTION").contains("must not lose a letter \u{2713} at any fold"));

    let (csv, parquet) = (site.path("work.csv"), site.path("work.parquet"));
    exported(&service, &["planned"], &csv);
    exported(&service, &["planned"], &parquet);
    let table = same(&csv, &parquet);
    assert_eq!(
        table.column("part").collect::<Vec<_>>(),
        [plan.part.as_str()]
    );
    assert_eq!(
        table.column("planned_at").collect::<Vec<_>>(),
        [EventTime::from_unix_ms(at_ms).to_string()]
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_exported_is_said_and_leaves_no_file() {
    let site = Site::new(1, &[]);
    let service = site.serve();
    for (words, file, says) in [
        (&["defects"][..], "defects.xls", "ends in .csv or .parquet"),
        (&["defects"], "none/defects.csv", "none/defects.csv.part"),
        (
            &["telemetry", "ZVR 9", "--channel", "engine.speed"],
            "day.csv",
            "ZVR 9",
        ),
    ] {
        let to = site.path(file);
        let output = export(&service, words, &to);
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(!output.status.success() && said.contains(says), "{said}");
        assert!(!to.exists());
    }
}
