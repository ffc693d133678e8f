//! Reading CSV files by a bound map: rows stream through, and nothing is kept but the row at hand
//! and the last value of columns that repeat it.

mod events;

use crate::map::{BoundColumn, BoundMap, Layout, Source, TimeForm, Whose, named_by};
use csv::ByteRecord;
use flate2::bufread::MultiGzDecoder;
use jiff::civil::{Date, DateTime};
use jiff::fmt::strtime::BrokenDownTime;
use std::collections::BTreeMap;
use std::io::{self, BufRead, BufReader, Read};
use std::ops::ControlFlow;
use wheeltap_model::{
    ChannelId, ClassName, Event, EventTime, Quality, Sample, UnitId, is_offset, read_instant,
    read_instant_at,
};

/// What one row says.
#[derive(Clone, Copy, Debug)]
pub struct RowSamples<'a> {
    /// Line of the file on which the row begins, counted from 1.
    pub line: u64,
    /// Whose it is.
    pub unit: &'a UnitId,
    /// The class that the map gives its units.
    pub class: Option<&'a ClassName>,
    /// When it was true; rows may step back in time and are passed on as they are.
    pub time: EventTime,
    /// Channel, finite value in the catalogue's unit, and *good* or, outside of the channel's range,
    /// *bad*; in the order of the map, without the cells that say nothing. May be empty.
    pub samples: &'a [(ChannelId, f64, Quality)],
    /// What the row says happened, in the order of the map: event channel, and one finite value a
    /// field in the catalogue's order and units, `None` where the row says nothing.
    pub events: &'a [(ChannelId, Vec<Option<f64>>)],
}

/// What rows say of one unit, taken together.
#[derive(Clone, Debug, Default)]
pub struct Measurements {
    /// Samples by channel, in the order of the rows.
    pub samples: BTreeMap<ChannelId, Vec<Sample>>,
    /// Events, in the order of the rows.
    pub events: Vec<Event>,
}

impl Measurements {
    /// Takes what one row says.
    pub fn take(&mut self, row: RowSamples<'_>) {
        for &(channel, value, quality) in row.samples {
            self.samples.entry(channel).or_default().push(Sample {
                time: row.time,
                value,
                quality,
            });
        }
        for (channel, fields) in row.events {
            self.events.push(Event {
                channel: *channel,
                time: row.time,
                fields: fields.clone(),
            });
        }
    }
}

/// What was read of one file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ReadSummary {
    /// Rows read.
    pub rows: u64,
    /// Samples passed on.
    pub samples: u64,
    /// Events passed on.
    pub events: u64,
    /// Samples among them that are out of their channel's range.
    pub out_of_range: u64,
    /// Rows earlier than the row before.
    pub steps_back: u64,
    /// Earliest and latest time, `None` where there was no row.
    pub span: Option<(EventTime, EventTime)>,
    /// The receiver asked to stop before the end.
    pub stopped: bool,
}

/// Why a file could not be read on, with its place and the mend. Rows before it were passed on.
#[derive(Debug, thiserror::Error)]
#[error("{}: {what}; {mend}", place(.file, *.line, *.column))]
pub struct CsvProblem {
    /// The file as named by the caller.
    pub file: String,
    /// Line counted from 1; 0 where the file as a whole is meant.
    pub line: u64,
    /// Cell of the row counted from 1; 0 where the row as a whole is meant.
    pub column: usize,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub mend: String,
    /// What the operating system or the decompressor said.
    #[source]
    pub source: Option<io::Error>,
}

fn place(file: &str, line: u64, column: usize) -> String {
    match (line, column) {
        (0, _) => file.to_owned(),
        (_, 0) => format!("{file}:{line}"),
        _ => format!("{file}:{line}: cell {column}"),
    }
}

impl BoundMap {
    /// Reads one file, gzip or plain by its first bytes, and hands each row to `receive`, which
    /// may ask to stop.
    ///
    /// `file` is the name for messages; a map with `date_from_file` finds the date in it. A UTF-8
    /// byte-order mark is skipped; lines may end in LF, CRLF, CR or a mixture.
    ///
    /// # Errors
    /// [`CsvProblem`] at the first thing that cannot be read; the rows before it were passed on.
    pub fn read(
        &self,
        file: &str,
        reader: impl Read,
        receive: &mut dyn FnMut(RowSamples<'_>) -> ControlFlow<()>,
    ) -> Result<ReadSummary, CsvProblem> {
        let mut raw = BufReader::with_capacity(64 * 1024, reader);
        let magic = raw.fill_buf().map_err(|error| io_problem(file, 0, error))?;
        let gzip = magic.starts_with(&[0x1f, 0x8b]);
        if magic.starts_with(&[0xff, 0xfe]) || magic.starts_with(&[0xfe, 0xff]) {
            return Err(whole_file(
                file,
                "the file is UTF-16 text",
                "save it as UTF-8",
            ));
        }
        if gzip {
            self.read_text(file, MultiGzDecoder::new(raw), receive)
        } else {
            self.read_text(file, raw, receive)
        }
    }

    /// Units that by their names several of these files are of, each with those files; empty where the map does not
    /// take units from names. Rows of such files are taken as one unit's, and only a person knows whether they are.
    ///
    /// # Errors
    /// [`CsvProblem`] of the first file that by its name is of no unit.
    pub fn shared_units<'f>(
        &self,
        files: &'f [String],
    ) -> Result<BTreeMap<UnitId, Vec<&'f str>>, CsvProblem> {
        let mut of_units: BTreeMap<UnitId, Vec<&str>> = BTreeMap::new();
        if let Whose::File(name) = &self.whose {
            for file in files {
                let of_unit = of_units.entry(unit_of_file(name, file)?).or_default();
                of_unit.push(file);
            }
        }
        of_units.retain(|_, files| files.len() > 1);
        Ok(of_units)
    }

    fn read_text(
        &self,
        file: &str,
        text: impl Read,
        receive: &mut dyn FnMut(RowSamples<'_>) -> ControlFlow<()>,
    ) -> Result<ReadSummary, CsvProblem> {
        let mut rows = csv::ReaderBuilder::new()
            .delimiter(self.layout.separator)
            .has_headers(false)
            .flexible(true)
            .buffer_capacity(64 * 1024)
            .from_reader(OneLineEnd::new(text, &self.layout));
        let mut record = ByteRecord::new();
        let mut reading = Reading::new(self, file);
        if self.layout.header {
            if !next(&mut rows, &mut record, file)? {
                return Err(whole_file(
                    file,
                    "the file is empty",
                    "it should begin with a header line",
                ));
            }
            reading.take_header(&record)?;
        }
        while next(&mut rows, &mut record, file)? {
            if reading.row(&record, receive)?.is_break() {
                reading.summary.stopped = true;
                return Ok(reading.summary);
            }
        }
        if reading.summary.rows == 0 {
            return Err(whole_file(
                file,
                "the file has no rows",
                "check that it is the right file and complete",
            ));
        }
        Ok(reading.summary)
    }
}

/// Turns CRLF and a lone CR into LF, so that lines are counted right whatever ends them; the CSV
/// reader would count the LF of a CRLF to the next line. Empties lines that are to be skipped, which the reader
/// passes over and counts: lines as one sees them in the file, whatever quotes and blanks are in them.
struct OneLineEnd<R> {
    inner: R,
    separator: u8,
    /// The last byte was a CR, already passed on as LF.
    after_cr: bool,
    part: Part,
    /// Lines to be emptied after the header.
    skip_after: u32,
}

/// In which part of the file a byte is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Part {
    /// So many lines are still to be emptied before the header.
    Before(u32),
    Header(Cell),
    /// So many lines are still to be emptied after the header.
    After(u32),
    Rows,
}

/// Where in a record a byte is, as CSV has it.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Cell {
    /// Before the record: empty lines belong to none.
    None,
    Begins,
    Plain,
    Quoted,
    /// After a quote in a quoted cell: its end, or the first of two that stand for one.
    QuoteInQuoted,
}

impl<R: Read> OneLineEnd<R> {
    const fn new(inner: R, layout: &Layout) -> Self {
        Self {
            inner,
            separator: layout.separator,
            after_cr: false,
            part: match (layout.skip_before, layout.skip_after) {
                (0, 0) => Part::Rows,
                (0, _) => Part::Header(Cell::None),
                (n, _) => Part::Before(n),
            },
            skip_after: layout.skip_after,
        }
    }

    /// Goes on by one byte, and says whether the reader is to see it.
    fn step(&mut self, byte: u8) -> bool {
        let is_end = byte == b'\n';
        match self.part {
            Part::Rows => return true,
            Part::Header(cell) => {
                self.part = match (cell, byte) {
                    // An empty line, and the mark at the head of a file.
                    (Cell::None, b'\n' | 0xef | 0xbb | 0xbf) => Part::Header(Cell::None),
                    (Cell::Quoted, b'"') => Part::Header(Cell::QuoteInQuoted),
                    (Cell::Quoted, _) | (Cell::None | Cell::Begins | Cell::QuoteInQuoted, b'"') => {
                        Part::Header(Cell::Quoted)
                    }
                    (_, b'\n') => Part::After(self.skip_after),
                    _ if byte == self.separator => Part::Header(Cell::Begins),
                    _ => Part::Header(Cell::Plain),
                };
                return true;
            }
            _ if !is_end => {}
            Part::Before(1) if self.skip_after > 0 => self.part = Part::Header(Cell::None),
            Part::Before(1) | Part::After(1) => self.part = Part::Rows,
            Part::Before(n) => self.part = Part::Before(n - 1),
            Part::After(n) => self.part = Part::After(n - 1),
        }
        is_end
    }
}

impl<R: Read> Read for OneLineEnd<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        loop {
            let n_read = self.inner.read(into)?;
            let is_plain = !self.after_cr && self.part == Part::Rows;
            if n_read == 0 || (is_plain && !into[..n_read].contains(&b'\r')) {
                return Ok(n_read);
            }
            let mut n_kept = 0;
            for at in 0..n_read {
                let byte = into[at];
                let half = self.after_cr && byte == b'\n';
                self.after_cr = byte == b'\r';
                let byte = if self.after_cr { b'\n' } else { byte };
                if !half && self.step(byte) {
                    into[n_kept] = byte;
                    n_kept += 1;
                }
            }
            // Nothing kept is no end of file.
            if n_kept > 0 {
                return Ok(n_kept);
            }
        }
    }
}

fn next<R: Read>(
    rows: &mut csv::Reader<R>,
    record: &mut ByteRecord,
    file: &str,
) -> Result<bool, CsvProblem> {
    rows.read_byte_record(record).map_err(|error| {
        let line = rows.position().line();
        match error.into_kind() {
            csv::ErrorKind::Io(error) => io_problem(file, line, error),
            // The reader is flexible and does not decode, so that it has nothing else to refuse.
            other => CsvProblem {
                line,
                ..whole_file(
                    file,
                    &format!("the line is no CSV: {other:?}"),
                    "mend the line",
                )
            },
        }
    })
}

fn whole_file(file: &str, what: &str, mend: &str) -> CsvProblem {
    CsvProblem {
        file: file.to_owned(),
        line: 0,
        column: 0,
        what: what.to_owned(),
        mend: mend.to_owned(),
        source: None,
    }
}

fn io_problem(file: &str, line: u64, error: io::Error) -> CsvProblem {
    let (what, mend) = match error.kind() {
        io::ErrorKind::UnexpectedEof => (
            "the compressed file ends before its end mark",
            "it was cut off while being written or copied: fetch it again",
        ),
        io::ErrorKind::InvalidInput | io::ErrorKind::InvalidData => {
            ("the compressed file is damaged", "fetch it again")
        }
        _ => ("the file cannot be read", "check the disk and the rights"),
    };
    CsvProblem {
        line,
        source: Some(error),
        ..whole_file(file, what, mend)
    }
}

/// One file being read.
struct Reading<'a> {
    map: &'a BoundMap,
    file: &'a str,
    time_at: Vec<usize>,
    unit_at: Option<usize>,
    /// Where each mapped column stands, in the order of the map; `None` where this file lacks an
    /// optional one.
    column_at: Vec<Option<usize>>,
    header: Vec<String>,
    n_cells: Option<usize>,
    clock: Clock,
    /// The unit of the last row, so that its name is checked once.
    unit: Option<UnitId>,
    /// Per unit, the last value taken of each column that repeats, and when.
    taken: BTreeMap<UnitId, Vec<Option<(f64, i64)>>>,
    samples: Vec<(ChannelId, f64, Quality)>,
    /// Where each event's columns stand, in the order of the map.
    event_at: Vec<events::Places>,
    /// Per unit, whether its last row meant each event.
    meant: BTreeMap<UnitId, Vec<bool>>,
    events: Vec<events::Found>,
    last_ms: Option<i64>,
    summary: ReadSummary,
}

impl<'a> Reading<'a> {
    fn new(map: &'a BoundMap, file: &'a str) -> Self {
        Self {
            map,
            file,
            time_at: Vec::new(),
            unit_at: None,
            column_at: Vec::new(),
            header: Vec::new(),
            n_cells: None,
            clock: Clock::default(),
            unit: match &map.whose {
                Whose::One(unit) => Some(unit.clone()),
                Whose::File(_) | Whose::Column(_) => None,
            },
            taken: BTreeMap::new(),
            samples: Vec::new(),
            event_at: Vec::new(),
            meant: BTreeMap::new(),
            events: Vec::new(),
            last_ms: None,
            summary: ReadSummary::default(),
        }
    }

    fn take_header(&mut self, record: &ByteRecord) -> Result<(), CsvProblem> {
        self.header = record
            .iter()
            .map(|cell| {
                let text = String::from_utf8_lossy(cell);
                text.trim_start_matches('\u{feff}').trim().to_owned()
            })
            .collect();
        self.n_cells = Some(record.len());
        self.place_columns()
    }

    fn place_columns(&mut self) -> Result<(), CsvProblem> {
        let sources = self.map.time.sources.iter();
        self.time_at = sources
            .map(|source| self.find(source))
            .collect::<Result<_, _>>()?;
        match &self.map.whose {
            Whose::One(_) => {}
            Whose::File(name) => self.unit = Some(unit_of_file(name, self.file)?),
            Whose::Column(source) => self.unit_at = Some(self.find(source)?),
        }
        self.column_at = self
            .map
            .columns
            .iter()
            .map(|column| {
                if column.optional && !self.has(&column.source) {
                    Ok(None)
                } else {
                    self.find(&column.source).map(Some)
                }
            })
            .collect::<Result<_, _>>()?;
        self.event_at = self.place_events()?;
        if self.map.events.is_empty() && self.column_at.iter().all(Option::is_none) {
            let has = self.header.join("\", \"");
            return Err(CsvProblem {
                line: 1,
                ..whole_file(
                    self.file,
                    &format!("none of the map's columns is there; the header has \"{has}\""),
                    "check that map and file belong together",
                )
            });
        }
        if let Some(date) = self.date_from_file() {
            self.clock.date = Some(date?);
        }
        Ok(())
    }

    /// Whether this file has the column; where there is no header, that shows row by row.
    fn has(&self, source: &Source) -> bool {
        match source {
            Source::At(idx) => self.n_cells.is_none_or(|n_cells| *idx < n_cells),
            Source::Named(names) => names.iter().any(|name| self.header.contains(name)),
        }
    }

    fn find(&self, source: &Source) -> Result<usize, CsvProblem> {
        let problem = |what: String, mend: String| CsvProblem {
            line: 1,
            ..whole_file(self.file, &what, &mend)
        };
        match source {
            Source::At(idx) => match self.n_cells {
                Some(n_cells) if *idx >= n_cells => Err(problem(
                    format!("there is no column {}: there are {n_cells}", idx + 1),
                    self.separator_guess()
                        .unwrap_or_else(|| "give another position in the map".to_owned()),
                )),
                _ => Ok(*idx),
            },
            Source::Named(_) if !self.map.layout.header => Err(problem(
                "the map names columns, but says that there is no header".to_owned(),
                "give positions, or remove header = false".to_owned(),
            )),
            Source::Named(names) => {
                for name in names {
                    let mut hits = (0..self.header.len()).filter(|idx| self.header[*idx] == *name);
                    match (hits.next(), hits.next()) {
                        (Some(idx), None) => return Ok(idx),
                        (Some(_), Some(_)) => {
                            return Err(problem(
                                format!("the header has column \"{name}\" twice"),
                                "give its position in the map instead".to_owned(),
                            ));
                        }
                        (None, _) => {}
                    }
                }
                let wanted = names.join("\" or \"");
                let mut has = self.header.join("\", \"");
                if has.len() > 300 {
                    let cut = (0..=300).rev().find(|at| has.is_char_boundary(*at));
                    has.truncate(cut.unwrap_or(0));
                    has.push_str("...");
                }
                Err(problem(
                    format!("there is no column \"{wanted}\"; the header has \"{has}\""),
                    self.separator_guess().unwrap_or_else(|| {
                        "give the name as the header spells it, or the position".to_owned()
                    }),
                ))
            }
        }
    }

    /// Whether the header looks as if another character separated it.
    fn separator_guess(&self) -> Option<String> {
        let [only] = self.header.as_slice() else {
            return None;
        };
        let (count, likely) = [(';', ";"), ('\t', "\\t"), ('|', "|"), (',', ",")]
            .into_iter()
            .map(|(separator, shown)| (only.matches(separator).count(), shown))
            .max_by_key(|(count, _)| *count)?;
        (count > 0).then(|| format!("write separator = \"{likely}\" under [csv] in the map"))
    }

    fn date_from_file(&self) -> Option<Result<Date, CsvProblem>> {
        let TimeForm::Pattern {
            date_from_file: true,
            ..
        } = self.map.time.form
        else {
            return None;
        };
        let base = self.file.rsplit(['/', '\\']).next().unwrap_or(self.file);
        let date = (0..base.len())
            .filter_map(|at| base.get(at..at + 10))
            .filter(|text| text.as_bytes()[4] == b'-' && text.as_bytes()[7] == b'-')
            .find_map(|text| text.parse::<Date>().ok());
        Some(date.ok_or_else(|| {
            whole_file(
                self.file,
                "the file's name has no date, from which the map takes it",
                "name it with the date of its first row, such as 2026-01-31_trip.csv",
            )
        }))
    }

    fn problem(&self, line: u64, column: usize, what: String, mend: &str) -> CsvProblem {
        let named = match self.header.get(column) {
            Some(name) => format!("column \"{name}\": {what}"),
            None => what,
        };
        CsvProblem {
            line,
            column: column + 1,
            ..whole_file(self.file, &named, mend)
        }
    }

    fn row(
        &mut self,
        record: &ByteRecord,
        receive: &mut dyn FnMut(RowSamples<'_>) -> ControlFlow<()>,
    ) -> Result<ControlFlow<()>, CsvProblem> {
        let line = record.position().map_or(0, csv::Position::line);
        if self.n_cells.is_none() {
            // Without a header, the first row says how many columns there are.
            self.n_cells = Some(record.len());
            self.place_columns()?;
        }
        let n_cells = self.n_cells.unwrap_or_default();
        if record.len() != n_cells {
            let than = if self.map.layout.header {
                "the header"
            } else {
                "the first row"
            };
            return Err(CsvProblem {
                line,
                ..whole_file(
                    self.file,
                    &format!("the row has {} cells, {than} has {n_cells}", record.len()),
                    "complete the line, or quote cells that hold the separator; a last line cut \
                     off means that the file is still being written",
                )
            });
        }
        let time_ms = self.time(record, line)?;
        let time = EventTime::from_unix_ms(time_ms);
        self.take_unit(record, line)?;
        let Some(unit) = self.unit.clone() else {
            // `take_unit` has refused the row already.
            return Ok(ControlFlow::Continue(()));
        };
        self.samples.clear();
        let mut taken = self.taken.remove(&unit);
        for (idx, column) in self.map.columns.iter().enumerate() {
            let Some(at) = self.column_at[idx] else {
                continue;
            };
            let Some(value) = self.value(record, at, column, line)? else {
                continue;
            };
            if let Some(repeats_ms) = column.repeats_ms {
                let n_columns = self.map.columns.len();
                let last = &mut taken.get_or_insert_with(|| vec![None; n_columns])[idx];
                let repeated = last.is_some_and(|(old, at_ms): (f64, i64)| {
                    old.total_cmp(&value).is_eq()
                        && (0..repeats_ms).contains(&time_ms.saturating_sub(at_ms))
                });
                if repeated {
                    continue;
                }
                *last = Some((value, time_ms));
            }
            let inside = (column.range.0..=column.range.1).contains(&value);
            let quality = if inside { Quality::Good } else { Quality::Bad };
            self.summary.out_of_range += u64::from(!inside);
            self.samples.push((column.id, value, quality));
        }
        if let Some(taken) = taken {
            self.taken.insert(unit.clone(), taken);
        }
        self.take_events(record, &unit, line)?;
        self.summary.rows += 1;
        self.summary.events += self.events.len() as u64;
        self.summary.samples += self.samples.len() as u64;
        self.summary.steps_back += u64::from(self.last_ms.is_some_and(|last| time_ms < last));
        self.last_ms = Some(time_ms);
        self.summary.span = Some(match self.summary.span {
            None => (time, time),
            Some((first, last)) => (first.min(time), last.max(time)),
        });
        Ok(receive(RowSamples {
            line,
            unit: &unit,
            class: self.map.class.as_ref(),
            time,
            samples: &self.samples,
            events: &self.events,
        }))
    }

    fn take_unit(&mut self, record: &ByteRecord, line: u64) -> Result<(), CsvProblem> {
        let Some(at) = self.unit_at else {
            return Ok(());
        };
        let cell = trimmed(record.get(at).unwrap_or_default());
        if self
            .unit
            .as_ref()
            .is_some_and(|unit| unit.as_str().as_bytes() == cell)
        {
            return Ok(());
        }
        let text = String::from_utf8_lossy(cell);
        self.unit = Some(UnitId::new(&text).map_err(|refusal| {
            let what = format!("\"{}\" is no unit id", refusal.text);
            self.problem(line, at, what, refusal.rule)
        })?);
        Ok(())
    }

    fn value(
        &self,
        record: &ByteRecord,
        at: usize,
        column: &BoundColumn,
        line: u64,
    ) -> Result<Option<f64>, CsvProblem> {
        let cell = trimmed(record.get(at).unwrap_or_default());
        if self.map.layout.is_missing(cell) {
            return Ok(None);
        }
        let Some(number) = read_number(cell, column, self.map.layout.decimal_comma) else {
            let shown: String = String::from_utf8_lossy(cell).chars().take(40).collect();
            return Err(self.problem(
                line,
                at,
                format!("\"{shown}\" is no number"),
                "mend the cell, leave it empty, or list the word under `missing` or `words` in the map",
            ));
        };
        let value = column.conversion.apply(number);
        if !value.is_finite() {
            let shown: String = String::from_utf8_lossy(cell).chars().take(40).collect();
            return Err(self.problem(
                line,
                at,
                format!("\"{shown}\" is not finite"),
                "leave the cell empty where nothing was measured, or list the word under `missing` in the map",
            ));
        }
        Ok(Some(value))
    }

    fn time(&mut self, record: &ByteRecord, line: u64) -> Result<i64, CsvProblem> {
        let cells = self.time_at.iter();
        let mut cells = cells.map(|at| trimmed(record.get(*at).unwrap_or_default()));
        let joined;
        let cell = if self.time_at.len() > 1 {
            let cells: Vec<&[u8]> = cells.collect();
            joined = cells.join(&b' ');
            joined.as_slice()
        } else {
            cells.next().unwrap_or_default()
        };
        let text = std::str::from_utf8(cell).unwrap_or_default();
        let read = self
            .clock
            .read(text, &self.map.time.form, self.map.layout.decimal_comma);
        let at = self.time_at.first().copied().unwrap_or_default();
        read.ok_or_else(|| {
            let shown: String = String::from_utf8_lossy(cell).chars().take(40).collect();
            let wanted = match &self.map.time.form {
                TimeForm::Counts { .. } => "a number that fits",
                TimeForm::Rfc3339 { offset_s: None } => "an RFC 3339 instant with its zone",
                TimeForm::Rfc3339 { .. } => "an RFC 3339 instant",
                TimeForm::Pattern { .. } => "written as the map's pattern says",
            };
            self.problem(
                line,
                at,
                format!("time \"{shown}\" is not {wanted}"),
                "mend the cell, or [time] in the map",
            )
        })
    }
}

/// Whose a file is by its name and that of the folder it lies in.
fn unit_of_file(name: &str, file: &str) -> Result<UnitId, CsvProblem> {
    let mut parts = file.rsplit(['/', '\\']);
    let base = parts.next().unwrap_or_default();
    let base = base.strip_suffix(".gz").unwrap_or(base);
    let stem = base.rsplit_once('.').map_or(base, |(stem, _)| stem);
    let folder = parts.next().unwrap_or_default();
    if name.contains("{folder}") && matches!(folder, "" | "." | "..") {
        return Err(whole_file(
            file,
            "the map takes the unit from {folder}, and the file is named without the folder it lies in",
            "give the file's path with its folder, such as valve1/7.csv, or take {folder} out of `name` in the map",
        ));
    }
    let named = named_by(name, stem, folder);
    UnitId::new(&named).map_err(|refusal| {
        whole_file(
            file,
            &format!("by its name it is of the unit \"{named}\", which is no unit id"),
            &format!("rename the file: a unit has {}", refusal.rule),
        )
    })
}

impl Layout {
    fn is_missing(&self, cell: &[u8]) -> bool {
        cell.is_empty() || self.missing.iter().any(|word| word.as_bytes() == cell)
    }
}

fn trimmed(cell: &[u8]) -> &[u8] {
    cell.trim_ascii()
}

/// A number, one of the map's words, or for plain numbers `true` and `false`; may be non-finite.
fn read_number(cell: &[u8], column: &BoundColumn, decimal_comma: bool) -> Option<f64> {
    let text = std::str::from_utf8(cell).ok()?;
    if let Some((_, number)) = column.words.iter().find(|(word, _)| word == text) {
        return Some(*number);
    }
    if column.plain_number {
        if text.eq_ignore_ascii_case("true") {
            return Some(1.0);
        }
        if text.eq_ignore_ascii_case("false") {
            return Some(0.0);
        }
    }
    read_decimal(text, decimal_comma)
}

fn read_decimal(text: &str, decimal_comma: bool) -> Option<f64> {
    if decimal_comma {
        // A point would be a thousands mark, which nobody can tell from a decimal point.
        if text.contains('.') {
            return None;
        }
        text.replace(',', ".").parse().ok()
    } else {
        text.parse().ok()
    }
}

/// Reads instants; remembers what a time of day needs.
#[derive(Default)]
struct Clock {
    /// The date in force for a time of day.
    date: Option<Date>,
    last_of_day_ms: Option<i64>,
}

const DAY_MS: i64 = 86_400_000;

impl Clock {
    /// Unix milliseconds; digits beyond are cut off.
    fn read(&mut self, text: &str, form: &TimeForm, decimal_comma: bool) -> Option<i64> {
        match form {
            TimeForm::Counts { unit_ms, from_ms } => {
                let counted = read_decimal(text, decimal_comma)? * unit_ms;
                from_ms.checked_add(whole_ms(counted)?)
            }
            TimeForm::Rfc3339 { offset_s: None } => read_instant(text),
            TimeForm::Rfc3339 {
                offset_s: Some(offset_s),
            } => read_instant_at(text, *offset_s),
            TimeForm::Pattern {
                pattern,
                offset_s,
                date_from_file,
            } => {
                let parsed = BrokenDownTime::parse(pattern, text).ok()?;
                if !parsed.offset().is_none_or(|own| is_offset(own.seconds())) {
                    return None;
                }
                if *date_from_file {
                    let offset_s = parsed.offset().map_or(*offset_s, jiff::tz::Offset::seconds);
                    return civil_ms(self.dated(&parsed)?, offset_s);
                }
                match parsed.to_timestamp() {
                    Ok(instant) => Some(instant.as_millisecond()),
                    Err(_) => civil_ms(parsed.to_datetime().ok()?, *offset_s),
                }
            }
        }
    }

    /// A time of day on the date in force. A fall of more than half a day is midnight passed; a
    /// rise of more than half a day is a row from before it.
    fn dated(&mut self, parsed: &BrokenDownTime) -> Option<DateTime> {
        let time = parsed.to_time().ok()?;
        let of_day_ms = DateTime::from_parts(Date::ZERO, time)
            .duration_since(DateTime::from_parts(
                Date::ZERO,
                jiff::civil::Time::midnight(),
            ))
            .as_millis();
        let of_day_ms = i64::try_from(of_day_ms).ok()?;
        let mut date = self.date?;
        if let Some(last) = self.last_of_day_ms {
            if last - of_day_ms > DAY_MS / 2 {
                date = date.tomorrow().ok()?;
            } else if of_day_ms - last > DAY_MS / 2 {
                date = date.yesterday().ok()?;
            }
        }
        self.date = Some(date);
        self.last_of_day_ms = Some(of_day_ms);
        Some(DateTime::from_parts(date, time))
    }
}

fn civil_ms(civil: DateTime, offset_s: i32) -> Option<i64> {
    let offset = jiff::tz::Offset::from_seconds(offset_s).ok()?;
    Some(offset.to_timestamp(civil).ok()?.as_millisecond())
}

/// The nearest whole number of milliseconds, within some 270,000 years.
fn whole_ms(counted: f64) -> Option<i64> {
    let rounded = counted.round();
    #[expect(
        clippy::cast_possible_truncation,
        reason = "rounded, and its size is checked"
    )]
    (rounded.abs() < 8.64e15).then_some(rounded as i64)
}

#[cfg(test)]
mod tests;
