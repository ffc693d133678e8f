//! The recordings of the open data: where they lie, and what replay says of them.
//!
//! They are looked for in the folder that `WHEELTAP_OPEN_DATA` names, else in `../shared/data` beside
//! the repository.

use crate::{missing, wheeltap};
use flate2::read::MultiGzDecoder;
use serde_json::Value;
use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The repository.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap()
}

/// The recordings of one set. Without them it says so and gives `None`; with `CI=true` it fails.
pub fn recordings(set: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("WHEELTAP_OPEN_DATA")
        .map_or_else(|| root().join("../shared/data"), PathBuf::from)
        .join(set);
    if folder.is_dir() {
        return Some(folder);
    }
    missing(&format!("{} is not there", folder.display()));
    None
}

/// A file kept for a set in this repository, such as its map.
pub fn kept(set: &str, name: &str) -> PathBuf {
    root().join("tests/open-data").join(set).join(name)
}

/// Every file below a folder whose name ends so, in order.
pub fn files(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path, ending));
        } else if path.to_string_lossy().ends_with(ending) {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The text of a file, unpacked if its name says so.
pub fn text_of(path: &Path) -> String {
    let mut bytes = Vec::new();
    let mut file = File::open(path).unwrap();
    if path.extension().is_some_and(|ending| ending == "gz") {
        MultiGzDecoder::new(file).read_to_end(&mut bytes).unwrap();
    } else {
        file.read_to_end(&mut bytes).unwrap();
    }
    String::from_utf8(bytes).unwrap()
}

/// One alert as a line of `--json` has it.
#[derive(Clone, Debug, PartialEq)]
pub struct Alert {
    /// Name of the rule.
    pub rule: String,
    /// When.
    pub raised_ms: i64,
    /// `None` while it stands.
    pub ended_ms: Option<i64>,
    /// What was seen, by input, every digit as printed.
    pub evidence: Value,
    /// The same at its end, or null.
    pub end_evidence: Value,
}

impl Alert {
    /// From a line of `rules replay --json` or `alerts --json`.
    pub fn parse(line: &str) -> Self {
        let value: Value = serde_json::from_str(line).unwrap();
        let time = |key: &str| Some(instant_ms(value[key].as_str()?));
        Self {
            rule: value["rule"].as_str().unwrap().to_owned(),
            raised_ms: time("raised_at").unwrap(),
            ended_ms: time("ended_at"),
            evidence: value["evidence"].clone(),
            end_evidence: value["end_evidence"].clone(),
        }
    }
}

/// Unix milliseconds of an RFC 3339 text, or of one without zone (taken as UTC).
pub fn instant_ms(text: &str) -> i64 {
    if let Ok(instant) = text.parse::<jiff::Timestamp>() {
        return instant.as_millisecond();
    }
    let civil: jiff::civil::DateTime = text.parse().unwrap();
    let instant = jiff::tz::Offset::UTC.to_timestamp(civil).unwrap();
    instant.as_millisecond()
}

/// A CSV file with a header, as text cells.
pub struct Table {
    /// Column names.
    pub header: Vec<String>,
    /// Cells by row.
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// Reads a file, plain or gzip.
    pub fn read(path: &Path, separator: u8) -> Self {
        let text = text_of(path);
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(separator)
            .from_reader(text.as_bytes());
        let cells = |record: &csv::StringRecord| record.iter().map(ToOwned::to_owned).collect();
        let header = cells(reader.headers().unwrap());
        let rows = reader.records().map(|record| cells(&record.unwrap()));
        Self {
            header,
            rows: rows.collect(),
        }
    }

    /// One column.
    pub fn column(&self, name: &str) -> impl Iterator<Item = &str> {
        let at = self.header.iter().position(|own| own == name).unwrap();
        self.rows.iter().map(move |row| row[at].as_str())
    }

    /// One column of numbers.
    pub fn numbers(&self, name: &str) -> Vec<f64> {
        let cells = self.column(name);
        cells.map(|cell| cell.parse().unwrap()).collect()
    }

    /// One column of whole numbers.
    pub fn whole(&self, name: &str) -> Vec<i64> {
        let cells = self.column(name);
        cells.map(|cell| cell.parse().unwrap()).collect()
    }

    /// One column of instants without zone.
    pub fn instants(&self, name: &str) -> Vec<i64> {
        self.column(name).map(instant_ms).collect()
    }
}

/// `wheeltap rules replay --json` of some rules of a set (all, if none is named) over files.
pub fn replay(set: &str, map: &str, rules: &[&str], files: &[PathBuf]) -> Vec<Alert> {
    let mut command = Command::new(wheeltap());
    command
        .args(["rules", "replay", "--json", "--rules"])
        .arg(kept(set, "rules"))
        .arg("--map")
        .arg(kept(set, map));
    for rule in rules {
        command.args(["--rule", rule]);
    }
    let output = command.args(files).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{set}: {said}");
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines().map(Alert::parse).collect()
}
