//! Small tables that people and other systems bring as CSV: columns by name, every mistake with its place.

use crate::{Stop, files};
use anyhow::anyhow;
use std::{fmt::Write as _, path::Path};

/// Mistakes told of one file at most.
const MOST_TOLD: usize = 20;
/// Mistakes remembered of one file at most.
const MOST_KEPT: usize = 1_000;

/// One mistake.
struct Problem {
    line: u64,
    column: Option<String>,
    text: String,
}

/// What is wrong with a file.
pub struct Problems {
    file: String,
    list: Vec<Problem>,
    n: usize,
}

impl Problems {
    pub const fn of(file: String) -> Self {
        Self {
            file,
            list: Vec::new(),
            n: 0,
        }
    }

    pub const fn is_empty(&self) -> bool {
        self.n == 0
    }

    /// Takes down what the service says of a cell, unless that cell's mistake is known.
    pub fn refuse(&mut self, line: u64, column: &str, why: &str) {
        let is_known = self
            .list
            .iter()
            .any(|known| known.line == line && known.column.as_deref() == Some(column));
        if !is_known {
            self.tell(line, Some(column), format!(" {column}: {why}"));
        }
    }

    fn tell(&mut self, line: u64, column: Option<&str>, text: String) {
        self.n += 1;
        if self.list.len() < MOST_KEPT {
            self.list.push(Problem {
                line,
                column: column.map(ToOwned::to_owned),
                text,
            });
        }
    }

    /// All of it, by line; `recorded` says what became of the file's rows.
    pub fn stop(mut self, recorded: &str) -> Stop {
        self.list.sort_by_key(|problem| problem.line);
        let told = self.list.iter().take(MOST_TOLD);
        let mut text = String::new();
        for problem in told {
            let _ = writeln!(text, "{}:{}:{}", self.file, problem.line, problem.text);
        }
        if self.n > MOST_TOLD {
            let _ = writeln!(text, "and {} more", self.n - MOST_TOLD);
        }
        text.push_str(recorded);
        Stop::Failed(anyhow!(text))
    }
}

/// What became of a file that holds a mistake.
pub const NOTHING_RECORDED: &str = "nothing was recorded";

/// A table with the columns asked for.
pub struct Table {
    /// The columns asked for, as they are called.
    columns: Vec<&'static str>,
    rows: Vec<Row>,
    problems: Problems,
    /// Columns that nobody asked for.
    pub not_read: Vec<String>,
}

/// The line of a row; empty lines before it are passed over only after its position is taken.
fn line_of(text: &str, position: &csv::Position) -> u64 {
    let from = usize::try_from(position.byte()).unwrap_or(usize::MAX);
    let rest = text.as_bytes().get(from..).unwrap_or_default();
    let passed = rest.iter().take_while(|byte| b"\r\n".contains(byte));
    let n_passed = passed.filter(|byte| **byte == b'\n').count();
    position.line() + n_passed as u64
}

/// One row: its line, and by column asked for its place in the row (counted from 1) and text.
struct Row {
    line: u64,
    cells: Vec<Option<(usize, String)>>,
}

/// A heading as it is compared: `Out-Time` is `out time`.
fn plain(heading: &str) -> String {
    heading.trim().to_lowercase().replace(['-', '_'], " ")
}

impl Table {
    /// Reads a file. `needed` columns must be there, `optional` ones may.
    pub fn read(
        path: &Path,
        needed: &[&'static str],
        optional: &[&'static str],
    ) -> Result<Self, Stop> {
        let file = files::read_text(path)?;
        let mut reader = csv::ReaderBuilder::new()
            .trim(csv::Trim::All)
            .flexible(true)
            .from_reader(file.text.as_bytes());
        let name = file.name.clone();
        let wanted = || {
            let optional = match optional {
                [] => String::new(),
                optional => format!(" and, if wanted, {}", optional.join(", ")),
            };
            format!("head the columns {}{optional}", needed.join(","))
        };
        if file.text.trim().is_empty() {
            return Err(Stop::Failed(anyhow!("{name} is empty; {}", wanted())));
        }
        let headings = reader
            .headers()
            .map_err(|error| anyhow!("{name}:1: {error}"))?
            .clone();
        let columns: Vec<&'static str> = needed.iter().chain(optional).copied().collect();
        let place = |column: &str| {
            headings
                .iter()
                .position(|heading| plain(heading) == plain(column))
        };
        let n_headed = |column: &str| {
            let of_it = headings
                .iter()
                .filter(|heading| plain(heading) == plain(column));
            of_it.count()
        };
        if let Some(twice) = columns.iter().find(|column| n_headed(column) > 1) {
            return Err(Stop::Failed(anyhow!(
                "{name}:1: the column {twice} is there twice; take one away"
            )));
        }
        let places: Vec<Option<usize>> = columns.iter().map(|column| place(column)).collect();
        let missing: Vec<&str> = needed
            .iter()
            .copied()
            .filter(|column| place(column).is_none())
            .collect();
        if !missing.is_empty() {
            let found: Vec<String> = headings.iter().map(|cell| format!("\"{cell}\"")).collect();
            return Err(Stop::Failed(anyhow!(
                "{name}:1: there is no column {}; {}, in any order, with commas between them; found {}",
                missing.join(", "),
                wanted(),
                found.join(", ")
            )));
        }
        let not_read = headings
            .iter()
            .enumerate()
            .filter(|(idx, _)| !places.contains(&Some(*idx)))
            .map(|(_, heading)| heading.to_owned())
            .collect();
        let mut table = Self {
            columns,
            rows: Vec::new(),
            problems: Problems::of(name),
            not_read,
        };
        for record in reader.records() {
            let record = match record {
                Ok(record) => record,
                Err(error) => {
                    let line = error.position().map_or(0, csv::Position::line);
                    table.tell(line, None, &error.to_string(), "mend the file there");
                    break;
                }
            };
            let line = record
                .position()
                .map_or(0, |position| line_of(&file.text, position));
            if record.iter().all(str::is_empty) {
                continue;
            }
            if record.len() != headings.len() {
                let what = format!(
                    "the row has {} cells, the heading {}",
                    record.len(),
                    headings.len()
                );
                let mend = "give each column its cell; put one that holds a comma in quotes";
                table.tell(line, None, &what, mend);
                continue;
            }
            let cells = places.iter().map(|place| {
                let text = record.get((*place)?)?;
                Some((place.unwrap_or(0) + 1, text.to_owned()))
            });
            table.rows.push(Row {
                line,
                cells: cells.collect(),
            });
        }
        Ok(table)
    }

    /// Takes down a mistake.
    fn tell(&mut self, line: u64, cell: Option<(usize, &str)>, what: &str, mend: &str) {
        let at = cell.map_or_else(String::new, |(cell, column)| {
            format!(" cell {cell} ({column}):")
        });
        let column = cell.map(|(_, column)| column);
        self.problems
            .tell(line, column, format!("{at} {what}; {mend}"));
    }

    /// Takes every row apart; what cannot be taken is told with line, cell and mend, and then nothing is given.
    pub fn take<T>(
        self,
        take: impl FnMut(&mut Cells<'_>) -> Option<T>,
    ) -> Result<Vec<(u64, T)>, Stop> {
        let (taken, problems) = self.take_all(take);
        if problems.is_empty() {
            return Ok(taken);
        }
        Err(problems.stop(NOTHING_RECORDED))
    }

    /// Takes every row apart, and gives what is wrong with the file beside what could be taken.
    pub fn take_all<T>(
        mut self,
        mut take: impl FnMut(&mut Cells<'_>) -> Option<T>,
    ) -> (Vec<(u64, T)>, Problems) {
        let rows = std::mem::take(&mut self.rows);
        let mut taken = Vec::with_capacity(rows.len());
        for row in &rows {
            let mut cells = Cells {
                row,
                table: &mut self,
            };
            if let Some(value) = take(&mut cells) {
                taken.push((row.line, value));
            }
        }
        (taken, self.problems)
    }
}

/// The cells of one row.
pub struct Cells<'t> {
    row: &'t Row,
    table: &'t mut Table,
}

impl Cells<'_> {
    fn cell(&self, column: &str) -> Option<(usize, &str)> {
        let idx = self.table.columns.iter().position(|name| *name == column)?;
        let (cell, text) = self.row.cells.get(idx)?.as_ref()?;
        Some((*cell, text.as_str()))
    }

    /// The row's line in the file.
    pub const fn line(&self) -> u64 {
        self.row.line
    }

    /// What a cell says; `None` where it is empty or its column is not there.
    pub fn text(&self, column: &str) -> Option<String> {
        let (_, text) = self.cell(column)?;
        (!text.is_empty()).then(|| text.to_owned())
    }

    /// As [`Cells::text`]; an empty cell is a mistake.
    pub fn needed(&mut self, column: &str, mend: &str) -> Option<String> {
        let text = self.text(column);
        if text.is_none() {
            self.wrong(column, "the cell is empty", mend);
        }
        text
    }

    /// Takes down what is wrong with a cell.
    pub fn wrong(&mut self, column: &str, what: &str, mend: &str) {
        let cell = self.cell(column).map(|(cell, _)| (cell, column.to_owned()));
        let cell = cell.as_ref().map(|(cell, column)| (*cell, column.as_str()));
        self.table.tell(self.row.line, cell, what, mend);
    }

    /// Reads a cell that is not empty.
    pub fn read<T>(
        &mut self,
        column: &str,
        mend: &str,
        read: impl FnOnce(&str) -> Option<T>,
    ) -> Option<T> {
        let text = self.text(column)?;
        let value = read(&text);
        if value.is_none() {
            let shown: String = text.chars().take(40).collect();
            self.wrong(column, &format!("\"{shown}\" cannot be read"), mend);
        }
        value
    }

    /// An instant in RFC 3339.
    pub fn instant(&mut self, column: &str) -> Option<i64> {
        let mend =
            "write a time with its offset, such as 2026-03-02T14:00:00Z or 2026-03-02 14:00-06:00";
        self.read(column, mend, wheeltap_model::read_instant)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines with unit and time.
    type Rows = Vec<(u64, (String, Option<i64>))>;

    fn read(text: &str) -> Result<Rows, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("t.csv");
        std::fs::write(&path, text).unwrap();
        let said = |stop| match stop {
            Stop::Usage(error) | Stop::Failed(error) => format!("{error:#}"),
        };
        let table = Table::read(&path, &["unit", "time"], &["out-time"]).map_err(said)?;
        let rows = table.take(|cells| {
            let unit = cells.needed("unit", "name the unit");
            let at = cells.instant("time");
            let _ = cells.instant("out-time");
            Some((unit?, at))
        });
        rows.map_err(said)
            .map_err(|text| text.replace(&folder.path().display().to_string(), ""))
    }

    #[test]
    fn columns_come_in_any_order_and_spelling() {
        let text = "Remark,OUT_TIME,Time,Unit\nx,,1970-01-01T00:00:01Z,ZVR 1\n\nx,,1970-01-01 01:00:00+01:00,ZVR 2\n";
        let rows = read(text).unwrap();
        assert_eq!(
            rows,
            [
                (2, ("ZVR 1".to_owned(), Some(1_000))),
                (4, ("ZVR 2".to_owned(), Some(0)))
            ]
        );
    }

    #[test]
    fn all_mistakes_come_at_once_with_their_places() {
        let text = "unit,time,out-time\nZVR 1,noon,\n,1970-01-01T00:00:00Z,\nZVR 3\nZVR 4,1970-01-01T00:00:00,never\n";
        let said = read(text).unwrap_err();
        let lines: Vec<&str> = said.lines().collect();
        assert_eq!(lines.len(), 6, "{said}");
        assert!(
            lines[0].starts_with("/t.csv:2: cell 2 (time): \"noon\" cannot be read; write a time")
        );
        assert!(lines[1].starts_with("/t.csv:3: cell 1 (unit): the cell is empty; name the unit"));
        assert!(lines[2].starts_with("/t.csv:4: the row has 1 cells, the heading 3; give each"));
        // A time without an offset could be any.
        assert!(lines[3].starts_with("/t.csv:5: cell 2 (time): \"1970-01-01T00:00:00\""));
        assert!(lines[4].starts_with("/t.csv:5: cell 3 (out-time): \"never\""));
        assert_eq!(lines[5], "nothing was recorded");
        let said = read("unit\nZVR 1\n").unwrap_err();
        assert!(
            said.ends_with(
                "t.csv:1: there is no column time; head the columns unit,time and, if wanted, out-time, in any order, \
                 with commas between them; found \"unit\""
            ),
            "{said}"
        );
        let said = read("unit,time,Unit\n").unwrap_err();
        assert!(
            said.ends_with("t.csv:1: the column unit is there twice; take one away"),
            "{said}"
        );
        let said = read(" \n").unwrap_err();
        assert!(
            said.contains("t.csv is empty; head the columns unit,time"),
            "{said}"
        );
        let many = format!("unit,time\n{}", "a,b\n".repeat(30));
        assert!(
            read(&many)
                .unwrap_err()
                .ends_with("and 10 more\nnothing was recorded")
        );
    }
}
