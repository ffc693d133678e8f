//! What is known to have been wrong in measurements from files.

use crate::{
    Stop, files,
    output::{counted, note},
};
use anyhow::anyhow;
use serde::Deserialize;
use std::{collections::BTreeSet, path::Path};
use wheeltap_followup::{Known, Truth};
use wheeltap_model::{EventTime, RuleName, UnitId};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    unit: String,
    from: String,
    until: String,
    #[serde(default)]
    failed_at: String,
    #[serde(default)]
    rule: String,
}

/// Reads a file of failures, after which every other alert is false.
pub fn read(path: &Path) -> Result<Truth, Stop> {
    let file = files::read_text(path)?;
    let name = &file.name;
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_reader(file.text.as_bytes());
    if file.text.trim().is_empty() {
        return Err(Stop::Failed(anyhow!(
            "{name} is empty; write the heading unit,from,until and a row for each failure, none where there was \
             none"
        )));
    }
    let mut failures: Vec<Known> = Vec::new();
    for row in reader.deserialize() {
        let row: Row = row.map_err(|error| {
            anyhow!(
                "{name}: {error}; the columns are unit, from, until and, if wanted, failed_at and rule"
            )
        })?;
        // The heading is line 1.
        let line = failures.len() + 2;
        let known = known(&row).map_err(|why| anyhow!("{name}:{line}: {why}"))?;
        if let Some(same) = failures.iter().position(|other| *other == known) {
            return Err(Stop::Failed(anyhow!(
                "{name}:{line}: says the same as line {}, and a failure counts once; take one away",
                same + 2
            )));
        }
        failures.push(known);
    }
    Ok(Truth {
        failures,
        sound: Vec::new(),
        is_complete: true,
    })
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

fn known(row: &Row) -> Result<Known, String> {
    let instant = |column: &str, text: &str| {
        text.parse::<jiff::Timestamp>()
            .map(|at| EventTime::from_unix_ms(at.as_millisecond()))
            .map_err(|_| {
                format!("{column} \"{text}\" is no time; write it such as 2026-03-02T14:00:00Z")
            })
    };
    let from = instant("from", &row.from)?;
    let until = instant("until", &row.until)?;
    if until < from {
        return Err(format!("until {until} is before from {from}; swap them"));
    }
    let failed_at = match row.failed_at.as_str() {
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
    let rule = match row.rule.as_str() {
        "" => None,
        text => Some(RuleName::new(text).map_err(|error| error.to_string())?),
    };
    let unit = UnitId::new(&row.unit).map_err(|error| error.to_string())?;
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
        assert!(
            read_text("unit,from\nZVR 1,x\n")
                .unwrap_err()
                .contains("until")
        );
    }
}
