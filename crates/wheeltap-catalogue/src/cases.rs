//! Rule cases: measurements written down beside a rule, and the alerts they must give.
//! FORMATS.md describes the file.

mod fill;
#[cfg(test)]
mod tests;

use crate::catalogue::{Catalogue, CatalogueProblem};
use crate::csv_reader::Measurements;
use crate::doc::{At, Problems, Section, as_number};
use crate::map::{BoundMap, CsvMap, read_role, read_state};
use fill::Between;
use std::fmt::Write;
use std::ops::{ControlFlow, Range};
use wheeltap_model::{
    ClassName, ConsistPosition, Dated, EventTime, Timeline, UnitId, UnitState, parse_span,
    read_instant,
};

/// What a file of cases ends in, after the rule's name.
pub const CASES_ENDING: &str = ".cases.toml";

/// The unit of a case that names none.
pub const ANY_CASE_UNIT: &str = "case";

/// One rule case, ready to be judged.
#[derive(Clone, Debug)]
pub struct RuleCase {
    /// What it shows.
    pub name: String,
    /// Line of the file on which it begins.
    pub line: usize,
    /// Whose measurements they are.
    pub unit: UnitId,
    /// Its class; `None`: a class that the rule is for.
    pub class: Option<ClassName>,
    /// The catalogue in force: the given one with what the case's map adds.
    pub catalogue: Catalogue,
    /// What was measured, in order of time.
    pub measured: Measurements,
    /// What the unit was doing.
    pub states: Timeline<UnitState>,
    /// Where it stood in its train.
    pub consists: Timeline<ConsistPosition>,
    /// Units that are with it in its train, and work, all the time.
    pub mates: Vec<CaseMate>,
    /// What its class does, from before the case begins.
    pub baselines: Vec<CaseBaseline>,
    /// All alerts it must give, and no others.
    pub alerts: Vec<ExpectedAlert>,
}

/// A consist mate of a case's unit.
#[derive(Clone, Debug)]
pub struct CaseMate {
    /// Its name, unlike the unit's and other mates'.
    pub unit: UnitId,
    /// Its class; `None`: the unit's.
    pub class: Option<ClassName>,
    /// What was measured, in order of time; channels as in the case's catalogue.
    pub measured: Measurements,
}

/// What the class of a case's unit does.
#[derive(Clone, Debug, PartialEq)]
pub struct CaseBaseline {
    /// The rule's input whose window it is of, by the name in `reads()`.
    pub input: String,
    /// The class's median, in the channel's unit.
    pub median: f64,
    /// Its spread, in the same; above 0.
    pub spread: f64,
}

/// One alert that a case must give.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExpectedAlert {
    /// The part, such as `axle 3`.
    pub part: Option<String>,
    /// The tick at which it is raised.
    pub raised_at: EventTime,
    /// The tick at which it ends; `None`: it stands at the end.
    pub ended_at: Option<EventTime>,
}

/// Reads the cases of one rule: their file, and through `neighbour` the tables and maps beside it.
///
/// # Errors
/// Every problem of the file, and the first of each table.
pub fn read_cases(
    file: &str,
    text: &str,
    catalogue: &Catalogue,
    mut neighbour: impl FnMut(&str) -> Result<String, String>,
) -> Result<Vec<RuleCase>, Vec<CatalogueProblem>> {
    let mut problems = Problems::new(file, text);
    let document = problems.parse();
    if !problems.is_empty() {
        return Err(problems.into_list());
    }
    let mut root = Section::new(document.get_ref(), document.span(), "a file of cases");
    let mut cases: Vec<RuleCase> = Vec::new();
    let mut foreign = Vec::new();
    for mut section in root.tables("case", "[[case]]", &mut problems) {
        let mut reader = CaseReader {
            catalogue,
            neighbour: &mut neighbour,
            problems: &mut problems,
            foreign: &mut foreign,
        };
        let Some(case) = reader.case(&mut section) else {
            continue;
        };
        if cases.iter().any(|old| old.name == case.name) {
            problems.add(
                &section.span,
                format!("a case \"{}\" is there already", case.name),
                "say what this one shows",
            );
        }
        cases.push(case);
    }
    if cases.is_empty() && problems.is_empty() && foreign.is_empty() {
        problems.add(
            &root.span,
            "the file has no case",
            "add a table [[case]] with name, csv and alert",
        );
    }
    root.refuse_unknown(&mut problems);
    let mut found = problems.into_list();
    found.extend(foreign);
    if found.is_empty() {
        Ok(cases)
    } else {
        Err(found)
    }
}

struct CaseReader<'a, 'f, N> {
    catalogue: &'a Catalogue,
    neighbour: &'a mut N,
    problems: &'a mut Problems<'f>,
    /// Problems of other files.
    foreign: &'a mut Vec<CatalogueProblem>,
}

impl<N: FnMut(&str) -> Result<String, String>> CaseReader<'_, '_, N> {
    fn case(&mut self, section: &mut Section<'_, '_>) -> Option<RuleCase> {
        let before = self.problems.len() + self.foreign.len();
        let name = section.text("name", self.problems);
        section.missing(
            "name",
            "\"a fouled cooler rings after 8 min\"",
            self.problems,
        );
        let csv = section.text("csv", self.problems);
        section.missing("csv", "\"fouled.csv\"", self.problems);
        // Read before anything is bound, so that `neighbour` learns of every file named.
        let table = csv.as_ref().and_then(|csv| {
            let text = self.beside(csv.value, &csv.span)?;
            Some((csv.value, text))
        });
        let from = self.from(section);
        let between = self.between(section);
        let map = self.map(section, table.as_ref(), from);
        let states = self.states(section, from);
        let consists = self.consists(section);
        let mates = self.mates(section, from, between, map.as_ref());
        let baselines = self.baselines(section);
        let alerts = self.alerts(section, from);
        section.refuse_unknown(self.problems);
        let (name, csv, map, (_, table)) = (name?, csv?, map?, table?);
        if self.problems.len() + self.foreign.len() > before {
            return None;
        }
        let measured = self.measured(&csv, &table, &map, between)?;
        Some(RuleCase {
            name: name.value.to_owned(),
            line: self.problems.line(&section.span),
            unit: map.unit()?.clone(),
            class: map.class().cloned(),
            catalogue: map.catalogue().clone(),
            measured,
            states,
            consists,
            mates,
            baselines,
            alerts,
        })
    }

    fn baselines(&mut self, section: &mut Section<'_, '_>) -> Vec<CaseBaseline> {
        let mut baselines: Vec<CaseBaseline> = Vec::new();
        for mut entry in section.tables("baseline", "[[case.baseline]]", self.problems) {
            let input = entry.text("input", self.problems).map(At::owned);
            entry.missing("input", "\"score\", as reads() names it", self.problems);
            let mut number = |key| {
                let value = entry.value(key)?;
                let number = as_number(value.get_ref());
                if number.is_none() {
                    self.problems.add(
                        &value.span(),
                        format!("`{key}` is no number"),
                        "give it in the channel's unit",
                    );
                }
                number.map(|number| (number, value.span()))
            };
            let (median, spread) = (number("median"), number("spread"));
            entry.missing("median", "84.0, in the channel's unit", self.problems);
            entry.missing("spread", "2.0, in the channel's unit", self.problems);
            entry.refuse_unknown(self.problems);
            let (Some(input), Some((median, _)), Some((spread, at))) = (input, median, spread)
            else {
                continue;
            };
            if spread <= 0.0 {
                self.problems.add(
                    &at,
                    format!("a spread of {spread}"),
                    "give one above 0: units of a class always differ by a little",
                );
            }
            if baselines.iter().any(|known| known.input == input.value) {
                self.problems.add(
                    &input.span,
                    format!("a baseline of {} is there already", input.value),
                    "give each input one",
                );
            }
            baselines.push(CaseBaseline {
                input: input.value,
                median,
                spread,
            });
        }
        baselines
    }

    /// From where spans count; 2026-01-01 where the case does not say.
    fn from(&mut self, section: &mut Section<'_, '_>) -> EventTime {
        let default = EventTime::from_unix_ms(1_767_225_600_000);
        let Some(from) = section.text("from", self.problems) else {
            return default;
        };
        if let Some(unix_ms) = read_instant(from.value) {
            return EventTime::from_unix_ms(unix_ms);
        }
        self.problems.add(
            &from.span,
            format!("`from` = \"{}\" is no RFC 3339 instant", from.value),
            "write it like from = \"2026-01-01T00:00:00Z\"",
        );
        default
    }

    fn between(&mut self, section: &mut Section<'_, '_>) -> Option<Between> {
        let between = section.text("between", self.problems)?;
        match between.value {
            "line" => Some(Between::Line),
            "hold" => Some(Between::Hold),
            other => {
                self.problems.add(
                    &between.span,
                    format!("`between` = \"{other}\" is neither line nor hold"),
                    "write \"line\" or \"hold\", or leave it out where every row is a sample",
                );
                None
            }
        }
    }

    /// The map that the case names, or one made from the table's header.
    fn map(
        &mut self,
        section: &mut Section<'_, '_>,
        table: Option<&(&str, String)>,
        from: EventTime,
    ) -> Option<BoundMap> {
        let unit = section.text("unit", self.problems).map(At::owned);
        let class = section.text("class", self.problems).map(At::owned);
        let named = section.text("map", self.problems);
        let bound = if let Some(named) = named {
            for (key, given) in [("unit", &unit), ("class", &class)] {
                if let Some(given) = given {
                    self.problems.add(
                        &given.span,
                        format!("the map says the {key}"),
                        "give it there",
                    );
                }
            }
            let text = self.beside(named.value, &named.span)?;
            let bound = CsvMap::parse_with(named.value, &text, &mut *self.neighbour)
                .and_then(|map| map.bind(self.catalogue));
            match bound {
                Ok(bound) => bound,
                Err(found) => {
                    self.foreign.extend(found);
                    return None;
                }
            }
        } else {
            let (csv_name, text) = table?;
            let header = text.lines().next().unwrap_or_default();
            let unit = unit.map_or_else(|| ANY_CASE_UNIT.to_owned(), |unit| unit.value);
            let class = class.map(|class| class.value);
            let whose = (unit.as_str(), class.as_deref());
            self.made_map((csv_name, header), whose, from, self.catalogue)?
        };
        if bound.unit().is_none() {
            self.problems.add(
                &section.span,
                "the map takes the unit from a column",
                "a case is about one unit: give the map's [unit] a name",
            );
            return None;
        }
        Some(bound)
    }

    /// The tables of mates, all with columns named like channels.
    fn mates(
        &mut self,
        section: &mut Section<'_, '_>,
        from: EventTime,
        between: Option<Between>,
        own: Option<&BoundMap>,
    ) -> Vec<CaseMate> {
        let mut mates: Vec<CaseMate> = Vec::new();
        for mut entry in section.tables("mate", "[[case.mate]]", self.problems) {
            let csv = entry.text("csv", self.problems);
            entry.missing("csv", "\"second.csv\"", self.problems);
            let unit = entry.text("unit", self.problems).map(At::owned);
            let class = entry.text("class", self.problems).map(At::owned);
            entry.refuse_unknown(self.problems);
            let Some(csv) = csv else { continue };
            let Some(table) = self.beside(csv.value, &csv.span) else {
                continue;
            };
            let named = unit.map_or_else(|| format!("mate {}", mates.len() + 1), |unit| unit.value);
            let class = class.map(|class| class.value);
            let header = table.lines().next().unwrap_or_default();
            let whose = (named.as_str(), class.as_deref());
            let base = own.map_or(self.catalogue, BoundMap::catalogue);
            let Some(map) = self.made_map((csv.value, header), whose, from, base) else {
                continue;
            };
            let Some(unit) = map.unit().cloned() else {
                continue;
            };
            let is_taken = mates.iter().any(|mate| mate.unit == unit)
                || own.and_then(BoundMap::unit) == Some(&unit);
            if is_taken {
                self.problems.add(
                    &entry.span,
                    format!("a unit {unit} is in the train already"),
                    "give each mate a name of its own",
                );
                continue;
            }
            if let Some(measured) = self.measured(&csv, &table, &map, between) {
                mates.push(CaseMate {
                    unit,
                    class: map.class().cloned(),
                    measured,
                });
            }
        }
        mates
    }

    /// The map of a table whose columns are named like channels.
    fn made_map(
        &mut self,
        (csv_name, header): (&str, &str),
        (unit, class): (&str, Option<&str>),
        from: EventTime,
        catalogue: &Catalogue,
    ) -> Option<BoundMap> {
        let made = match map_of(header, unit, class, from) {
            Ok(made) => made,
            Err((what, mend)) => {
                self.foreign.push(CatalogueProblem {
                    file: csv_name.to_owned(),
                    line: 1,
                    column: 0,
                    what,
                    mend,
                });
                return None;
            }
        };
        // The reader of maps would place its problems in a text that nobody wrote.
        let bound = CsvMap::parse(csv_name, &made)
            .and_then(|map| map.bind(catalogue))
            .map_err(|found| in_header(csv_name, found));
        match bound {
            Ok(bound) => Some(bound),
            Err(found) => {
                self.foreign.extend(found);
                None
            }
        }
    }

    fn beside(&mut self, name: &str, span: &Range<usize>) -> Option<String> {
        match (self.neighbour)(name) {
            Ok(text) => Some(text),
            Err(why) => {
                self.problems.add(
                    span,
                    format!("\"{name}\" cannot be read: {why}"),
                    "put it beside the file of cases",
                );
                None
            }
        }
    }

    fn measured(
        &mut self,
        csv: &At<&str>,
        text: &str,
        map: &BoundMap,
        between: Option<Between>,
    ) -> Option<Measurements> {
        let mut measured = Measurements::default();
        let mut times = Vec::new();
        let read = map.read(csv.value, text.as_bytes(), &mut |row| {
            times.push(row.time);
            measured.take(row);
            ControlFlow::Continue(())
        });
        let summary = match read {
            Ok(summary) => summary,
            Err(problem) => {
                self.foreign.push(CatalogueProblem {
                    file: problem.file,
                    line: usize::try_from(problem.line).unwrap_or(usize::MAX),
                    column: problem.column,
                    what: problem.what,
                    mend: problem.mend,
                });
                return None;
            }
        };
        if summary.steps_back > 0 {
            self.foreign.push(CatalogueProblem {
                file: csv.value.to_owned(),
                line: 0,
                column: 0,
                what: format!(
                    "{} rows are earlier than the row before",
                    summary.steps_back
                ),
                mend: "put the rows in order of time".to_owned(),
            });
            return None;
        }
        if let Some(between) = between {
            let filled = fill::fill(&mut measured.samples, &times, between, map.catalogue());
            if filled.is_err() {
                self.problems.add(
                    &csv.span,
                    "too many samples lie between the rows of the table",
                    "shorten the case to what shows the fault; a case has 2,000,000 samples at most",
                );
                return None;
            }
        }
        Some(measured)
    }

    fn states(&mut self, section: &mut Section<'_, '_>, from: EventTime) -> Timeline<UnitState> {
        let mut states = Timeline::default();
        for mut entry in section.tables("state", "[[case.state]]", self.problems) {
            let at = self.instant(&mut entry, "at", from);
            entry.missing("at", "\"0 s\"", self.problems);
            let is = entry.text("is", self.problems);
            entry.missing("is", "\"working\"", self.problems);
            entry.refuse_unknown(self.problems);
            let (Some(at), Some(is)) = (at, is) else {
                continue;
            };
            if let Some(value) = read_state(&is, self.problems) {
                states.set(Dated {
                    from: at,
                    value,
                    source: "the case".to_owned(),
                });
            }
        }
        states
    }

    fn consists(&mut self, section: &mut Section<'_, '_>) -> Timeline<ConsistPosition> {
        let mut consists = Timeline::default();
        let Some(role) = section.text("role", self.problems) else {
            return consists;
        };
        if let Some(role) = read_role(&role, self.problems) {
            consists.set(Dated {
                from: EventTime::from_unix_ms(i64::MIN),
                value: ConsistPosition {
                    role,
                    ..ConsistPosition::default()
                },
                source: "the case".to_owned(),
            });
        }
        consists
    }

    fn alerts(&mut self, section: &mut Section<'_, '_>, from: EventTime) -> Vec<ExpectedAlert> {
        section.missing(
            "alert",
            "[{ raised = \"20 min\", ended = \"1 h\" }], or [] where it must stay quiet",
            self.problems,
        );
        let mut alerts = Vec::new();
        for mut entry in section.tables("alert", "[[case.alert]]", self.problems) {
            let raised_at = self.instant(&mut entry, "raised", from);
            entry.missing("raised", "\"20 min\"", self.problems);
            let ended_at = self.instant(&mut entry, "ended", from);
            let part = entry.text("part", self.problems).map(At::owned);
            entry.refuse_unknown(self.problems);
            let Some(raised_at) = raised_at else { continue };
            if ended_at.is_some_and(|ended_at| ended_at <= raised_at) {
                self.problems.add(
                    &entry.span,
                    "the alert ends before it is raised",
                    "give instants in their order; both count from the beginning",
                );
            }
            alerts.push(ExpectedAlert {
                part: part.map(|part| part.value),
                raised_at,
                ended_at,
            });
        }
        alerts
    }

    /// An RFC 3339 instant, or spans from the case's beginning, such as `1 h 20 min`.
    fn instant(
        &mut self,
        section: &mut Section<'_, '_>,
        key: &'static str,
        from: EventTime,
    ) -> Option<EventTime> {
        let text = section.text(key, self.problems)?;
        let at = instant(text.value, from);
        if at.is_none() {
            self.problems.add(
                &text.span,
                format!("`{key}` = \"{}\" is no time", text.value),
                "write a span from the beginning, such as \"1 h 20 min\", or an RFC 3339 instant",
            );
        }
        at
    }
}

fn instant(text: &str, from: EventTime) -> Option<EventTime> {
    if let Some(unix_ms) = read_instant(text) {
        return Some(EventTime::from_unix_ms(unix_ms));
    }
    if text.trim() == "0 s" {
        return Some(from);
    }
    let words: Vec<&str> = text.split_whitespace().collect();
    if words.is_empty() {
        return None;
    }
    let mut at = from;
    for pair in words.chunks(2) {
        at = at.plus_ms(parse_span(&pair.join(" ")).ok()?);
    }
    Some(at)
}

/// The text of a map for a table whose header names the time and the channels.
fn map_of(
    header: &str,
    unit: &str,
    class: Option<&str>,
    from: EventTime,
) -> Result<String, (String, String)> {
    let header = header.trim_start_matches('\u{feff}');
    let mut cells = header
        .split(',')
        .map(|cell| cell.trim_matches(['"', ' ', '\r']));
    let quoted = |text: &str| format!("{text:?}");
    let time = cells.next().unwrap_or_default();
    let mut map = match time {
        "time" => "time = { column = \"time\", text = \"rfc3339\" }\n".to_owned(),
        "s" | "min" | "h" => {
            format!("time = {{ column = \"{time}\", counts = \"{time}\", from = \"{from}\" }}\n")
        }
        other => {
            return Err((
                format!("the first column is \"{other}\" and no time"),
                "head it s, min or h (counted from the case's beginning) or time (RFC 3339)"
                    .to_owned(),
            ));
        }
    };
    let class = class.map_or_else(String::new, |class| format!(", class = {}", quoted(class)));
    // Writing to a string does not fail.
    let _ = writeln!(map, "unit = {{ name = {}{class} }}", quoted(unit));
    for cell in cells {
        let (name, ucum) = cell.split_once(' ').unwrap_or((cell, ""));
        let _ = write!(
            map,
            "[[channel]]\ncolumn = {}\nname = {}\n",
            quoted(cell),
            quoted(name)
        );
        if !ucum.trim().is_empty() {
            let _ = writeln!(map, "ucum = {}", quoted(ucum.trim()));
        }
    }
    Ok(map)
}

fn in_header(csv: &str, found: Vec<CatalogueProblem>) -> Vec<CatalogueProblem> {
    found
        .into_iter()
        .map(|problem| CatalogueProblem {
            file: csv.to_owned(),
            line: 1,
            column: 0,
            ..problem
        })
        .collect()
}
