//! The promise: others can speak to the service. The examples of the client crate do what they say, a reader
//! of the change feed that keeps its place takes every change exactly once however often it is killed, and a
//! program made from the contract by stock tools needs nothing of ours.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use tokio_stream::StreamExt;
use wheeltap_client::{Connection, connect};
use wheeltap_proto::v1;
use wheeltap_tests::{Fleet, OIL_HOT, PROBE, Site, example, missing, open_data, unit};

/// Reports a defect, or records what the shop found of one.
async fn act(connection: &Connection, number: usize) {
    if number % 3 == 2 {
        let found = v1::RecordFindingRequest {
            name: format!("defects/{}", number / 3 + 1),
            finding: Some(v1::Finding {
                kind: v1::FindingKind::AsCalled.into(),
                ..v1::Finding::default()
            }),
            ..v1::RecordFindingRequest::default()
        };
        connection.defects().record_finding(found).await.unwrap();
        return;
    }
    let defect = v1::Defect {
        unit: format!("units/{}", unit(0)),
        component: format!("part {number}"),
        title: "Loose".to_owned(),
        origin: v1::DefectOrigin::DailyInspection.into(),
        ..v1::Defect::default()
    };
    let report = v1::ReportDefectRequest {
        defect: Some(defect),
        request_id: String::new(),
    };
    connection.defects().report_defect(report).await.unwrap();
}

/// What a table must hold: by defect its changes and its status.
type Table = BTreeMap<String, (u64, String)>;

async fn whole_feed(connection: &Connection) -> Table {
    let mut table = Table::new();
    let mut pages = connection.list_defect_changes(None, v1::DefectFilter::default());
    while let Some(page) = pages.next().await {
        for change in page.unwrap().changes {
            let defect = change.defect.unwrap();
            let row = table.entry(defect.name.clone()).or_default();
            row.0 += 1;
            row.1 = String::from(defect.status().as_str_name());
        }
    }
    table
}

fn kept(file: &Path) -> Table {
    let Ok(text) = fs::read(file) else {
        return Table::new();
    };
    let kept: Value = serde_json::from_slice(&text).unwrap();
    let rows = kept["defects"].as_object().unwrap().iter();
    rows.map(|(name, row)| {
        let status = row["status"].as_str().unwrap().to_owned();
        (name.clone(), (row["n_changes"].as_u64().unwrap(), status))
    })
    .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reader_of_changes_that_is_killed_takes_each_exactly_once() {
    const ROUNDS: usize = 20;
    let seed = std::env::var("WHEELTAP_SEED").map_or_else(
        |_| StdRng::from_os_rng().random(),
        |seed| seed.parse().unwrap(),
    );
    eprintln!("WHEELTAP_SEED={seed}");
    let mut random = StdRng::seed_from_u64(seed);
    let reader = example("defects");
    let site = Site::new(1, &[]);
    let mut service = site.serve();
    let address = service.address().to_owned();
    let file = site.path("defects.json");
    let mut number = 0;
    for round in 0..ROUNDS {
        let connection = connect(&address).await.unwrap();
        for _ in 0..random.random_range(1..8) {
            act(&connection, number).await;
            number += 1;
        }
        let mut child = Command::new(&reader)
            .arg(&address)
            .arg(&file)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        // Killed while it applies a page, after it, or while it waits for the next.
        for _ in 0..random.random_range(0..3) {
            lines.next().unwrap().unwrap();
        }
        if random.random_bool(0.5) {
            act(&connection, number).await;
            number += 1;
            let _ = lines.next();
        }
        child.kill().unwrap();
        child.wait().unwrap();
        // The service comes and goes as well.
        if round % 7 == 6 {
            drop(connection);
            service.kill();
            service = site.serve_again(&address);
        }
    }
    let ended = Command::new(&reader)
        .arg(&address)
        .arg(&file)
        .arg("once")
        .status()
        .unwrap();
    assert!(ended.success());
    let expected = whole_feed(&connect(&address).await.unwrap()).await;
    assert!(expected.len() > ROUNDS);
    assert_eq!(kept(&file), expected, "seed {seed}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_examples_send_and_watch() {
    let site = Site::new(1, &[OIL_HOT]);
    let service = site.serve();
    let connection = connect(service.address()).await.unwrap();
    let sent = Command::new(example("ingest"))
        .args([service.address(), unit(0).as_str()])
        .arg(site.path("spool"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&sent.stderr);
    assert!(sent.status.success() && said.contains("Stored"), "{said}");
    let now = wheeltap_model::EventTime::from_unix_ms(i64::MAX);
    let channel = wheeltap_model::ChannelName::new("engine.speed").unwrap();
    let first = wheeltap_model::EventTime::from_unix_ms(0);
    let samples = connection.list_samples(&unit(0), &channel, first, now);
    assert_eq!(samples.collect::<Vec<_>>().await.len(), 60);

    // Two runs of the watch, the second from where the first was.
    let fleet = Fleet::two_hours_ago();
    let watch = || {
        let mut child = Command::new(example("watch"))
            .arg(service.address())
            .arg(site.path("place"))
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let said = BufReader::new(child.stderr.take().unwrap()).lines();
        let told = BufReader::new(child.stdout.take().unwrap()).lines();
        (child, told, said)
    };
    let (mut child, _, mut said) = watch();
    assert!(said.next().unwrap().unwrap().starts_with("up to date"));
    while !site.path("place").exists() {
        tokio::task::yield_now().await;
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let gateway = wheeltap_client::Gateway::start(
        connection.clone(),
        wheeltap_client::GatewayOptions::default(),
        |_| {},
    );
    let source = gateway
        .add(unit(0), wheeltap_client::MemorySpool::new(1 << 26))
        .unwrap();
    source
        .append((0..20).map(|batch| fleet.batch(0, batch)).collect())
        .await
        .unwrap();
    source.drained().await;
    let (mut child, mut told, _said) = watch();
    let line = told.next().unwrap().unwrap();
    assert!(line.starts_with("Raised  alerts/1"), "{line}");
    child.kill().unwrap();
    child.wait().unwrap();
}

/// A Python with stock gRPC tools and the contract compiled by them; `None` with the reason told where
/// they cannot be had.
fn python() -> Option<PathBuf> {
    let own = std::env::current_exe().unwrap();
    let home = own.ancestors().nth(3).unwrap().join("python-client");
    let example = open_data::root().join("crates/wheeltap-client/examples/python");
    let wanted = fs::read_to_string(example.join("requirements.txt")).unwrap();
    let python = home.join("bin/python");
    let run = |command: &mut Command| -> Result<(), String> {
        let output = command.output().map_err(|error| error.to_string())?;
        let said = String::from_utf8_lossy(&output.stderr).trim().to_owned();
        if output.status.success() {
            Ok(())
        } else {
            Err(said)
        }
    };
    let stamp = home.join("installed.txt");
    if fs::read_to_string(&stamp).is_ok_and(|installed| installed == wanted) {
        return Some(python);
    }
    let made = run(Command::new("python3")
        .args(["-m", "venv", "--clear"])
        .arg(&home))
    .and_then(|()| {
        run(Command::new(&python)
            .args([
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
                "--requirement",
            ])
            .arg(example.join("requirements.txt")))
    });
    if let Err(why) = made {
        let last = why.lines().last().unwrap_or_default();
        missing(&format!("Python with gRPC tools cannot be had: {last}"));
        return None;
    }
    fs::write(stamp, wanted).unwrap();
    Some(python)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_program_in_python_made_by_stock_tools_is_understood() {
    let Some(python) = python() else {
        return;
    };
    let site = Site::new(2, &[PROBE]);
    let service = site.serve();
    let connection = connect(service.address()).await.unwrap();
    act(&connection, 0).await;
    let proto = open_data::root().join("proto");
    let code = site.path("code");
    fs::create_dir(&code).unwrap();
    let mut compile = Command::new(&python);
    compile
        .args(["-m", "grpc_tools.protoc", "-I"])
        .arg(&proto)
        .arg(format!("--python_out={}", code.display()))
        .arg(format!("--grpc_python_out={}", code.display()));
    for file in open_data::files(&proto, ".proto") {
        compile.arg(file);
    }
    let compiled = compile.output().unwrap();
    assert!(
        compiled.status.success(),
        "{}",
        String::from_utf8_lossy(&compiled.stderr)
    );
    let script = open_data::root().join("crates/wheeltap-client/examples/python/defects.py");
    let ran = Command::new(&python)
        .arg(script)
        .arg(service.address().strip_prefix("http://").unwrap())
        .arg(unit(1).as_str())
        .env("PYTHONPATH", &code)
        .output()
        .unwrap();
    assert!(
        ran.status.success(),
        "{}",
        String::from_utf8_lossy(&ran.stderr)
    );
    let said = String::from_utf8(ran.stdout).unwrap();
    let lines: Vec<&str> = said.lines().collect();
    assert!(
        lines.contains(&format!("reported\tdefects/2\tunits/{}\tHorn weak", unit(1)).as_str()),
        "{said}"
    );
    let opened = |name: &str| {
        let start = format!("change\t{name}\tKIND_OPENED\t");
        lines.iter().any(|line| line.starts_with(&start))
    };
    assert!(opened("defects/1") && opened("defects/2"), "{said}");
    assert!(
        lines
            .iter()
            .any(|line| line.starts_with("refused\tNOT_FOUND\t")),
        "{said}"
    );
    assert_eq!(whole_feed(&connection).await.len(), 2);
    // It said who acts, and that stands with what it did.
    let of_crew = v1::ListActsRequest {
        by: "crew desk".to_owned(),
        show_telemetry: true,
        ..v1::ListActsRequest::default()
    };
    let acts = connection.desk().list_acts(of_crew).await.unwrap();
    assert!(!acts.into_inner().acts.is_empty());
}
