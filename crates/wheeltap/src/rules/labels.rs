//! What is known to have been wrong in measurements from files.

use crate::{
    Stop, files,
    output::{counted, note},
};
use anyhow::anyhow;
use csv::StringRecord;
use std::{collections::BTreeSet, path::Path};
use wheeltap_followup::{Known, Truth};
use wheeltap_model::{EventTime, RuleName, UnitId};

/// The columns that a file of labels must have, and those it may have.
const NEEDED: [&str; 3] = ["unit", "from", "until"];
const WANTED: [&str; 2] = ["failed_at", "rule"];

/// One line; columns that are not there are empty.
struct Row<'a> {
    unit: &'a str,
    from: &'a str,
    until: &'a str,
    failed_at: &'a str,
    rule: &'a str,
}

/// Where the columns stand in a file of labels, in the order of [`NEEDED`] and [`WANTED`].
struct Columns([Option<usize>; 5]);

impl Columns {
    /// In any order; further ones are nobody's business.
    fn find(header: &StringRecord) -> Result<Self, String> {
        let at = |wanted: &str| header.iter().position(|cell| cell == wanted);
        let names = || NEEDED.into_iter().chain(WANTED);
        if let Some(twice) =
            names().find(|name| header.iter().filter(|cell| cell == name).count() > 1)
        {
            return Err(format!("the column {twice} is there twice; take one away"));
        }
        let missing: Vec<&str> = NEEDED
            .into_iter()
            .filter(|name| at(name).is_none())
            .collect();
        if !missing.is_empty() {
            let found: Vec<String> = header.iter().map(|cell| format!("\"{cell}\"")).collect();
            return Err(format!(
                "no column {}: the heading must name unit, from and until, and may name failed_at and rule, in any \
                 order, with commas between them; found {}",
                missing.join(" and "),
                found.join(", ")
            ));
        }
        let mut places = names().map(at);
        Ok(Self(std::array::from_fn(|_| places.next().flatten())))
    }

    fn row<'a>(&self, record: &'a StringRecord) -> Row<'a> {
        let cell = |at: Option<usize>| at.and_then(|at| record.get(at)).unwrap_or_default();
        let [unit, from, until, failed_at, rule] = self.0.map(cell);
        Row {
            unit,
            from,
            until,
            failed_at,
            rule,
        }
    }
}

/// Reads a file of failures, after which every other alert is false.
pub fn read(path: &Path) -> Result<Truth, Stop> {
    let file = files::read_text(path)?;
    let name = &file.name;
    if file.text.trim().is_empty() {
        return Err(Stop::Failed(anyhow!(
            "{name} is empty; write the heading unit,from,until and a row for each failure, none where there was \
             none"
        )));
    }
    let text = file.text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(text.as_bytes());
    let header = reader
        .headers()
        .map_err(|error| anyhow!("{name}: {error}"))?;
    let n_columns = header.len();
    let columns = Columns::find(header).map_err(|why| anyhow!("{name}:1: {why}"))?;
    let mut failures: Vec<(usize, Known)> = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| anyhow!("{name}: {error}"))?;
        let line = line_of(text, &record);
        if record.len() != n_columns {
            return Err(Stop::Failed(anyhow!(
                "{name}:{line}: {} where the heading has {n_columns}; complete the line, or quote cells that hold a comma",
                counted(record.len(), "cell")
            )));
        }
        let known = known(&columns.row(&record)).map_err(|why| anyhow!("{name}:{line}: {why}"))?;
        if let Some((same, _)) = failures.iter().find(|(_, other)| *other == known) {
            return Err(Stop::Failed(anyhow!(
                "{name}:{line}: says the same as line {same}, and a failure counts once; take one away"
            )));
        }
        failures.push((line, known));
    }
    Ok(Truth {
        failures: failures.into_iter().map(|(_, known)| known).collect(),
        sound: Vec::new(),
        is_complete: true,
    })
}

/// The line on which a record stands; empty lines before it are none of its own.
fn line_of(text: &str, record: &StringRecord) -> usize {
    let byte = record.position().map_or(0, csv::Position::byte);
    let (before, rest) = text.split_at(usize::try_from(byte).unwrap_or(0).min(text.len()));
    let own = rest.trim_start_matches(['\r', '\n']);
    let empty = &rest[..rest.len() - own.len()];
    1 + before.matches('\n').count() + empty.matches('\n').count()
}

/// Those of which something was measured: a failure outside of the data cannot be called, and is no miss.
pub fn within(mut truth: Truth, (first, last): (EventTime, EventTime)) -> Truth {
    let n_all = truth.failures.len();
    truth
        .failures
        .retain(|known| known.from <= last && known.until >= first);
    let n_outside = n_all - truth.failures.len();
    if n_outside > 0 {
        note(format!(
            "{} outside of the data, {first} to {last}, left out",
            counted(n_outside, "label")
        ));
    }
    truth
}

/// Labels that nothing can be held against, once for each name: a mistyped one counts as a failure missed.
pub fn say_what_is_not_there(
    truth: &Truth,
    is_measured: impl Fn(&UnitId) -> bool,
    judged: &[&RuleName],
) {
    let units: BTreeSet<&UnitId> = truth.failures.iter().map(|known| &known.unit).collect();
    for unit in units.into_iter().filter(|unit| !is_measured(unit)) {
        note(format!(
            "the labels name {unit}, of which these files hold nothing"
        ));
    }
    let rules: BTreeSet<&RuleName> = truth
        .failures
        .iter()
        .filter_map(|known| known.rule.as_ref())
        .collect();
    for rule in rules.into_iter().filter(|rule| !judged.contains(rule)) {
        note(format!(
            "the labels name the rule {rule}, which is not judged here"
        ));
    }
}

fn known(row: &Row<'_>) -> Result<Known, String> {
    let instant = |column: &str, text: &str| {
        wheeltap_model::read_instant(text)
            .map(EventTime::from_unix_ms)
            .ok_or_else(|| {
                format!("{column} \"{text}\" is no time; write it such as 2026-03-02T14:00:00Z")
            })
    };
    let from = instant("from", row.from)?;
    let until = instant("until", row.until)?;
    if until < from {
        return Err(format!("until {until} is before from {from}; swap them"));
    }
    let failed_at = match row.failed_at {
        "" => None,
        text => Some(instant("failed_at", text)?),
    };
    if let Some(failed_at) = failed_at
        && failed_at < from
    {
        return Err(format!(
            "failed_at {failed_at} is before from {from}; from is when the failure could first be seen"
        ));
    }
    let rule = match row.rule {
        "" => None,
        text => Some(RuleName::new(text).map_err(|error| error.to_string())?),
    };
    let unit = UnitId::new(row.unit).map_err(|error| error.to_string())?;
    Ok(Known {
        unit,
        rule,
        from,
        until,
        failed_at,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> Result<Truth, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("labels.csv");
        std::fs::write(&path, text).unwrap();
        read(&path).map_err(|stop| match stop {
            Stop::Usage(error) | Stop::Failed(error) => format!("{error:#}"),
        })
    }

    #[test]
    fn labels_are_read_with_and_without_what_is_optional() {
        let truth = read_text("unit,from,until\nZVR 1,2026-03-02T00:00:00Z,2026-03-02T01:00:00Z\n")
            .unwrap();
        assert_eq!(truth.failures.len(), 1);
        assert!(truth.is_complete);
        let truth = read_text(
            "unit,from,until,failed_at,rule\nZVR 1,2026-03-02T00:00:00Z,2026-03-02T01:00:00Z,2026-03-02T00:30:00Z,oil-hot\n",
        )
        .unwrap();
        let known = &truth.failures[0];
        assert_eq!(known.rule.as_ref().unwrap().as_str(), "oil-hot");
        assert_eq!(known.failed_at.unwrap().ms_since(known.from), 1_800_000);
    }

    #[test]
    fn wrong_labels_are_refused_with_their_line() {
        let row = |row: &str| read_text(&format!("unit,from,until\n{row}\n")).unwrap_err();
        assert!(row("ZVR 1,noon,2026-03-02T01:00:00Z").contains("labels.csv:2: from \"noon\""));
        assert!(row("ZVR 1,2026-03-02T01:00:00Z,2026-03-02T00:00:00Z").contains("swap them"));
        let hour = "ZVR 1,2026-03-02T01:00:00Z,2026-03-02T02:00:00Z";
        let twice = read_text(&format!("unit,from,until\n{hour}\n{hour}\n")).unwrap_err();
        assert!(
            twice.contains("labels.csv:3: says the same as line 2"),
            "{twice}"
        );
        let early = format!("unit,from,until,failed_at\n{hour},2026-03-01T00:00:00Z\n");
        assert!(read_text(&early).unwrap_err().contains("is before from"));
        assert!(read_text("").unwrap_err().contains("is empty"));
        let short = read_text("unit,from,until\n\nZVR 1,2026-03-02T01:00:00Z\n").unwrap_err();
        assert!(
            short.contains("labels.csv:3: 2 cells where the heading has 3"),
            "{short}"
        );
        let missing = read_text("unit;from;until\nZVR 1;x;y\n").unwrap_err();
        for words in [
            "labels.csv:1: no column unit and from and until",
            "may name failed_at and rule",
            "found \"unit;from;until\"",
        ] {
            assert!(missing.contains(words), "{missing}");
        }
        let twice = read_text("unit,from,until,from\n").unwrap_err();
        assert!(
            twice.contains("labels.csv:1: the column from is there twice"),
            "{twice}"
        );
    }

    #[test]
    fn columns_stand_in_any_order_and_others_are_left_alone() {
        let truth = read_text(
            "remark,until,unit,failed_at,from\n\"hot, then stopped\",2026-03-02T01:00:00Z,ZVR 1,,2026-03-02T00:00:00Z\n",
        )
        .unwrap();
        let known = &truth.failures[0];
        assert_eq!(known.unit.as_str(), "ZVR 1");
        assert_eq!(known.until.ms_since(known.from), 3_600_000);
        assert_eq!((known.failed_at, &known.rule), (None, &None));
    }
}
