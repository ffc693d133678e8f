//! The maps of `tests/open-data` fit the recordings that they are for: every file is read to its
//! end, and rows, defects and a few values are as the recordings' own notes say.
//!
//! The recordings are looked for in the folder that `WHEELTAP_OPEN_DATA` names, else in
//! `../shared/data` beside the repository. Without them the tests say so and pass; with `CI=true`
//! their absence is a failure.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::collections::BTreeMap;
use std::fs::File;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use wheeltap_catalogue::{BoundMap, Catalogue, CsvMap, ReadSummary};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// The recordings of one set, or `None` where there are none on this machine.
fn recordings(set: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("WHEELTAP_OPEN_DATA")
        .map_or_else(|| root().join("../shared/data"), PathBuf::from)
        .join(set);
    if folder.is_dir() {
        return Some(folder);
    }
    let ci = std::env::var("CI").is_ok_and(|value| value == "true");
    assert!(
        !ci,
        "{} is not there, and CI=true demands it",
        folder.display()
    );
    eprintln!("skipped: {} is not there", folder.display());
    None
}

fn bound(set: &str, map: &str) -> BoundMap {
    let path = root().join("tests/open-data").join(set).join(map);
    CsvMap::load(&path)
        .and_then(|map| map.bind(&Catalogue::builtin()))
        .unwrap_or_else(|problems| panic!("{problems:#?}"))
}

/// Least and greatest value of each channel over one file.
type Ends = BTreeMap<String, (f64, f64)>;

fn read(map: &BoundMap, file: &Path) -> (ReadSummary, Ends) {
    let mut ends = Ends::new();
    let name = file.display().to_string();
    let summary = map
        .read(&name, File::open(file).unwrap(), &mut |row| {
            for (id, value, _) in row.samples {
                let channel = map.catalogue().by_id(*id).unwrap().name.to_string();
                let seen = ends.entry(channel).or_insert((*value, *value));
                *seen = (seen.0.min(*value), seen.1.max(*value));
            }
            ControlFlow::Continue(())
        })
        .unwrap_or_else(|problem| panic!("{problem}"));
    (summary, ends)
}

fn files(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(self::files(&path, ending));
        } else if path.to_string_lossy().ends_with(ending) {
            files.push(path);
        }
    }
    files.sort();
    files
}

fn instants(summary: &ReadSummary) -> (String, String) {
    let (first, last) = summary.span.unwrap();
    (first.to_string(), last.to_string())
}

fn near(got: f64, expected: f64) {
    assert!(
        (got - expected).abs() < 1e-9 * expected.abs().max(1.0),
        "{got} is not {expected}"
    );
}

#[test]
fn every_map_binds() {
    let maps: Vec<PathBuf> = files(&root().join("tests/open-data"), ".toml")
        .into_iter()
        .filter(|path| {
            path.file_name()
                .is_some_and(|name| name != "catalogue.toml")
        })
        .collect();
    assert_eq!(maps.len(), 8, "{maps:?}");
    for path in maps {
        let map = CsvMap::load(&path).and_then(|map| map.bind(&Catalogue::builtin()));
        assert!(map.is_ok(), "{}: {:#?}", path.display(), map.err());
    }
}

#[test]
fn the_hydraulic_rig_is_read() {
    let Some(folder) = recordings("hydraulic-rig") else {
        return;
    };
    let map = bound("hydraulic-rig", "map.toml");
    let (telemetry, ends) = read(&map, &folder.join("telemetry_1hz.csv.gz"));
    assert_eq!((telemetry.rows, telemetry.samples), (83_880, 83_880 * 8));
    assert_eq!(telemetry.out_of_range, 0);
    assert!(ends.contains_key("engine.oil.temperature") && !ends.contains_key("rig.flow.1"));
    let (means, ends) = read(&map, &folder.join("pressures_flows_power_1s_means.csv.gz"));
    assert_eq!((means.rows, means.samples), (83_880, 83_880 * 9));
    assert_eq!(telemetry.span, means.span);
    // PS1 runs near 190 bar, EPS1 near 3 kW.
    assert!(
        (18_000.0..20_000.0).contains(&ends["rig.pressure.1"].1),
        "{ends:?}"
    );
    assert!((2.0..3.5).contains(&ends["pump.power"].1), "{ends:?}");
}

#[test]
fn the_machine_and_the_office_are_read() {
    let Some(folder) = recordings("machine-temperature") else {
        return;
    };
    let map = bound("machine-temperature", "map.toml");
    let (machine, ends) = read(&map, &folder.join("machine_temperature_system_failure.csv"));
    assert_eq!(
        (machine.rows, machine.steps_back),
        (13_869, 1),
        "the clock steps back once"
    );
    // The least value is 2.084721206 degrees Fahrenheit.
    near(ends["machine.temperature"].0, (2.084_721_206 - 32.0) / 1.8);
    let map = bound("machine-temperature", "ambient.toml");
    let (office, _) = read(&map, &folder.join("ambient_temperature_system_failure.csv"));
    assert_eq!((office.rows, office.steps_back), (5_021, 0));
    assert_eq!(instants(&office).0, "2013-07-04T00:00:00Z");
}

#[test]
fn the_air_unit_is_read() {
    let Some(folder) = recordings("metro-air-unit") else {
        return;
    };
    let check = |map: &str, file: &str, rows: u64, per_row: u64| {
        let (summary, ends) = read(&bound("metro-air-unit", map), &folder.join(file));
        assert_eq!(
            (summary.rows, summary.samples),
            (rows, rows * per_row),
            "{file}"
        );
        assert_eq!(summary.out_of_range, 0, "{file}");
        ends
    };
    check(
        "map.toml",
        "metropt3_2020-02-01_00h_first1000.csv",
        1_000,
        10,
    );
    check("map.toml", "metropt3_2020-02-05_10h_normal.csv", 363, 10);
    let leak = check("map.toml", "metropt3_2020-04-18_12h_air_leak.csv", 363, 10);
    // The compressor is under load without a pause.
    near(leak["compressor.loaded"].0, 1.0);
    check(
        "one-second.toml",
        "metropt_2022-01-01_06h_first1000_1hz.csv",
        1_000,
        11,
    );
    check("daily.toml", "metropt3_daily_means.csv", 119, 2);
}

#[test]
fn the_pump_testbed_is_read() {
    let Some(folder) = recordings("pump-testbed") else {
        return;
    };
    let map = bound("pump-testbed", "map.toml");
    let files = files(&folder, ".csv.gz");
    assert_eq!(files.len(), 18);
    let mut rows = 0;
    for file in files {
        let (summary, _) = read(&map, &file);
        let shown = file.display();
        assert_eq!(summary.samples, summary.rows * 8, "{shown}");
        assert_eq!(
            (summary.out_of_range, summary.steps_back),
            (0, 0),
            "{shown}"
        );
        rows += summary.rows;
    }
    assert_eq!(rows, 27_813);
}

#[test]
fn the_car_trips_are_read() {
    let Some(folder) = recordings("vehicle-obd") else {
        return;
    };
    let map = bound("vehicle-obd", "map.toml");
    let files = files(&folder, ".csv.gz");
    assert_eq!(files.len(), 16);
    let (mut rows, mut back) = (0, Vec::new());
    for file in files {
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        let (summary, ends) = read(&map, &file);
        rows += summary.rows;
        // Ten columns repeat their last values about ten times a second; each is taken about once.
        assert!(summary.samples < 2 * summary.rows, "{name}: {summary:?}");
        assert_eq!(summary.out_of_range, 0, "{name}");
        assert!(ends["engine.speed"].1 > 2_000.0, "{name}");
        let (first, last) = instants(&summary);
        let date = &name[..10];
        assert!(first.starts_with(date) && last.starts_with(date), "{name}");
        if summary.steps_back > 0 {
            assert_eq!(summary.steps_back, 1, "{name}");
            back.push(name);
        }
    }
    assert_eq!(rows, 439_114);
    let steps = [
        "2017-07-11_trip_KA_S_",
        "2017-08-01_trip_KA_KA_",
        "2017-08-02_trip_RT_S_",
    ];
    assert_eq!(back.len(), steps.len(), "{back:?}");
    for (name, start) in back.iter().zip(steps) {
        assert!(name.starts_with(start), "{name}");
    }
}
