//! What is known to have been wrong in measurements from files.

use crate::{
    Stop,
    output::{counted, note},
    table::{Cells, Table},
};
use std::{collections::BTreeSet, path::Path};
use wheeltap_followup::{Known, Truth};
use wheeltap_model::{EventTime, InvalidName, RuleName, UnitId};

/// The columns that a file of labels must have, and those it may have.
const NEEDED: [&str; 3] = ["unit", "from", "until"];
const WANTED: [&str; 2] = ["failed_at", "rule"];

/// Reads a file of failures, after which every other alert is false.
pub fn read(path: &Path) -> Result<Truth, Stop> {
    let table = Table::read(path, &NEEDED, &WANTED)?;
    let mut failures: Vec<(u64, Known)> = Vec::new();
    let (_, problems) = table.take_all(|cells| {
        let known = known(cells)?;
        let mut before = failures.iter();
        if let Some((same, _)) = before.find(|(_, other)| *other == known) {
            let what = format!("the row says the same as line {same}, and a failure counts once");
            cells.wrong("unit", &what, "take one away");
            return None;
        }
        failures.push((cells.line(), known));
        Some(())
    });
    if !problems.is_empty() {
        return Err(problems.stop("nothing was judged"));
    }
    Ok(Truth {
        failures: failures.into_iter().map(|(_, known)| known).collect(),
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

fn known(cells: &mut Cells<'_>) -> Option<Known> {
    let unit = cells.needed("unit", "name the unit");
    let unit = unit.and_then(|_| name(cells, "unit", UnitId::new));
    let mut instant = |column: &str| cells.instant(column).map(EventTime::from_unix_ms);
    let (from, until, failed_at) = (instant("from"), instant("until"), instant("failed_at"));
    for column in ["from", "until"] {
        cells.needed(column, "give the time, such as 2026-03-02T14:00:00Z");
    }
    let rule = match cells.text("rule") {
        None => None,
        Some(_) => Some(name(cells, "rule", RuleName::new)?),
    };
    let (from, until) = (from?, until?);
    if until < from {
        cells.wrong(
            "until",
            &format!("until {until} is before from {from}"),
            "swap them",
        );
        return None;
    }
    if let Some(at) = failed_at.filter(|at| *at < from) {
        let what = format!("failed_at {at} is before from {from}");
        cells.wrong(
            "failed_at",
            &what,
            "from is when the failure could first be seen",
        );
        return None;
    }
    if failed_at.is_none() && cells.text("failed_at").is_some() {
        return None;
    }
    Some(Known {
        unit: unit?,
        rule,
        from,
        until,
        failed_at,
    })
}

/// A name, or what is wrong with it.
fn name<T>(
    cells: &mut Cells<'_>,
    column: &str,
    read: impl FnOnce(&str) -> Result<T, InvalidName>,
) -> Option<T> {
    let text = cells.text(column)?;
    match read(&text) {
        Ok(name) => Some(name),
        Err(refusal) => {
            cells.wrong(
                column,
                &format!("\"{}\" is no name", refusal.text),
                refusal.rule,
            );
            None
        }
    }
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
        let noon = row("ZVR 1,noon,2026-03-02T01:00:00Z");
        assert!(
            noon.contains("labels.csv:2: cell 2 (from): \"noon\""),
            "{noon}"
        );
        assert!(noon.ends_with("nothing was judged"), "{noon}");
        assert!(row("ZVR 1,2026-03-02T01:00:00Z,2026-03-02T00:00:00Z").contains("swap them"));
        assert!(row("ZVR 1,,2026-03-02T00:00:00Z").contains("(from): the cell is empty"));
        let named = row("ZVR/1,2026-03-02T01:00:00Z,2026-03-02T02:00:00Z");
        assert!(
            named.contains("cell 1 (unit): \"ZVR/1\" is no name"),
            "{named}"
        );
        let hour = "ZVR 1,2026-03-02T01:00:00Z,2026-03-02T02:00:00Z";
        let twice = read_text(&format!("unit,from,until\n{hour}\n{hour}\n")).unwrap_err();
        assert!(
            twice.contains("labels.csv:3: cell 1 (unit): the row says the same as line 2"),
            "{twice}"
        );
        let early = format!("unit,from,until,failed_at\n{hour},2026-03-01T00:00:00Z\n");
        assert!(read_text(&early).unwrap_err().contains("is before from"));
        let never = format!("unit,from,until,failed_at,rule\n{hour},never,Oil!\n");
        let never = read_text(&never).unwrap_err();
        assert!(never.contains("(failed_at): \"never\"") && never.contains("(rule): \"Oil!\""));
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
