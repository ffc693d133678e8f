//! A table of named, typed columns, written as CSV or Parquet row by row.

use anyhow::{Context, anyhow};
use bytes::Bytes;
use parquet::basic::{Compression, ZstdLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use wheeltap_model::EventTime;

/// Rows of a row group: what is held in memory at once.
const GROUP_ROWS: usize = 1 << 17;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Text,
    Instant,
    Number,
    Whole,
    Flag,
}

/// A column: its name and what it holds. Any cell may be empty.
pub type Field = (&'static str, Kind);

/// One value.
#[derive(Clone, Debug)]
pub enum Cell {
    Empty,
    /// UTF-8.
    Text(Bytes),
    /// Unix milliseconds.
    Instant(i64),
    Number(f64),
    Whole(i64),
    Flag(bool),
}

impl Cell {
    /// Empty text is an empty cell.
    pub fn text(text: impl Into<String>) -> Self {
        let text = text.into();
        if text.is_empty() {
            Self::Empty
        } else {
            Self::Text(text.into())
        }
    }

    pub fn number(number: Option<f64>) -> Self {
        number.map_or(Self::Empty, Self::Number)
    }

    pub fn instant(unix_ms: Option<i64>) -> Self {
        unix_ms.map_or(Self::Empty, Self::Instant)
    }

    /// The number at the end of a name such as `alerts/7`.
    pub fn numbered(name: &str) -> Self {
        let number = crate::remote::tail(name).parse().ok();
        number.map_or(Self::Empty, Self::Whole)
    }
}

/// A table on its way into a file, or as CSV to stdout.
pub struct Table {
    fields: &'static [Field],
    n_rows: usize,
    into: Format,
    /// Where the file is while it is not whole, and where it goes then.
    place: Option<(PathBuf, PathBuf)>,
}

enum Format {
    Csv(Box<csv::Writer<Box<dyn Write>>>),
    Parquet(Box<ParquetTable>),
}

impl Table {
    /// Begins a file, whose ending says what it is to be; without one, CSV on stdout. A file is there
    /// under its name once it is whole.
    ///
    /// # Errors
    /// An ending that is neither, or a file that cannot be written.
    pub fn begin(to: Option<&Path>, fields: &'static [Field]) -> anyhow::Result<Self> {
        let csv = |to: Box<dyn Write>| -> anyhow::Result<Format> {
            let mut writer = csv::Writer::from_writer(to);
            writer.write_record(fields.iter().map(|(name, _)| name))?;
            Ok(Format::Csv(Box::new(writer)))
        };
        let Some(to) = to else {
            return Ok(Self {
                fields,
                n_rows: 0,
                into: csv(Box::new(io::stdout().lock()))?,
                place: None,
            });
        };
        let ending = to.extension().unwrap_or_default().to_ascii_lowercase();
        let mut part = to.as_os_str().to_owned();
        part.push(".part");
        let part = PathBuf::from(part);
        let create = || File::create(&part).with_context(|| format!("{}", part.display()));
        let into = match ending.to_str() {
            Some("csv") => csv(Box::new(create()?))?,
            Some("parquet") => Format::Parquet(Box::new(ParquetTable::new(create()?, fields)?)),
            _ => {
                return Err(anyhow!(
                    "{}: name a file that ends in .csv or .parquet",
                    to.display()
                ));
            }
        };
        Ok(Self {
            fields,
            n_rows: 0,
            into,
            place: Some((part, to.to_owned())),
        })
    }

    /// Adds a row: a cell for each column.
    pub fn row<const N: usize>(&mut self, cells: [Cell; N]) -> anyhow::Result<()> {
        debug_assert_eq!(N, self.fields.len());
        self.n_rows += 1;
        match &mut self.into {
            Format::Csv(writer) => {
                for cell in cells {
                    match cell {
                        Cell::Empty => writer.write_field("")?,
                        Cell::Text(text) => writer.write_field(&text)?,
                        Cell::Instant(ms) => {
                            writer.write_field(EventTime::from_unix_ms(ms).to_string())?;
                        }
                        // The shortest text that reads back as the same number.
                        Cell::Number(number) => writer.write_field(number.to_string())?,
                        Cell::Whole(number) => writer.write_field(number.to_string())?,
                        Cell::Flag(flag) => writer.write_field(flag.to_string())?,
                    }
                }
                writer.write_record(None::<&[u8]>)?;
                Ok(())
            }
            Format::Parquet(table) => table.row(cells),
        }
    }

    /// Ends the table; gives its number of rows.
    pub fn finish(self) -> anyhow::Result<usize> {
        match self.into {
            Format::Csv(mut writer) => writer.flush()?,
            Format::Parquet(table) => table.finish()?,
        }
        if let Some((part, to)) = self.place {
            fs::rename(&part, &to).with_context(|| format!("{}", to.display()))?;
        }
        Ok(self.n_rows)
    }
}

/// Values of one column in a row group, and for each row whether it has one.
enum Column {
    Text(Vec<ByteArray>, Vec<i16>),
    Long(Vec<i64>, Vec<i16>),
    Number(Vec<f64>, Vec<i16>),
    Flag(Vec<bool>, Vec<i16>),
}

struct ParquetTable {
    writer: SerializedFileWriter<File>,
    columns: Vec<Column>,
    n_rows: usize,
}

impl ParquetTable {
    fn new(file: File, fields: &[Field]) -> anyhow::Result<Self> {
        let mut schema = "message wheeltap {\n".to_owned();
        for (name, kind) in fields {
            let column = match kind {
                Kind::Text => format!("binary {name} (STRING)"),
                Kind::Instant => format!("int64 {name} (TIMESTAMP(MILLIS,true))"),
                Kind::Number => format!("double {name}"),
                Kind::Whole => format!("int64 {name}"),
                Kind::Flag => format!("boolean {name}"),
            };
            writeln!(schema, "optional {column};")?;
        }
        schema.push('}');
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
            .set_created_by(concat!("wheeltap ", env!("CARGO_PKG_VERSION")).to_owned())
            .build();
        let columns = fields.iter().map(|(_, kind)| match kind {
            Kind::Text => Column::Text(Vec::new(), Vec::new()),
            Kind::Instant | Kind::Whole => Column::Long(Vec::new(), Vec::new()),
            Kind::Number => Column::Number(Vec::new(), Vec::new()),
            Kind::Flag => Column::Flag(Vec::new(), Vec::new()),
        });
        Ok(Self {
            writer: SerializedFileWriter::new(
                file,
                Arc::new(parse_message_type(&schema)?),
                Arc::new(properties),
            )?,
            columns: columns.collect(),
            n_rows: 0,
        })
    }

    fn row<const N: usize>(&mut self, cells: [Cell; N]) -> anyhow::Result<()> {
        for (column, cell) in self.columns.iter_mut().zip(cells) {
            let there = i16::from(!matches!(cell, Cell::Empty));
            match (column, cell) {
                (Column::Text(values, levels), cell) => {
                    levels.push(there);
                    match cell {
                        Cell::Text(text) => values.push(ByteArray::from(text)),
                        Cell::Empty => {}
                        other => return Err(anyhow!("{other:?} in a column of text")),
                    }
                }
                (Column::Long(values, levels), cell) => {
                    levels.push(there);
                    match cell {
                        Cell::Instant(long) | Cell::Whole(long) => values.push(long),
                        Cell::Empty => {}
                        other => return Err(anyhow!("{other:?} in a column of whole numbers")),
                    }
                }
                (Column::Number(values, levels), cell) => {
                    levels.push(there);
                    match cell {
                        Cell::Number(number) => values.push(number),
                        Cell::Empty => {}
                        other => return Err(anyhow!("{other:?} in a column of numbers")),
                    }
                }
                (Column::Flag(values, levels), cell) => {
                    levels.push(there);
                    match cell {
                        Cell::Flag(flag) => values.push(flag),
                        Cell::Empty => {}
                        other => return Err(anyhow!("{other:?} in a column of flags")),
                    }
                }
            }
        }
        self.n_rows += 1;
        if self.n_rows == GROUP_ROWS {
            self.write_group()?;
        }
        Ok(())
    }

    fn write_group(&mut self) -> anyhow::Result<()> {
        let mut group = self.writer.next_row_group()?;
        for column in &mut self.columns {
            let mut to = group.next_column()?.context("the schema has this column")?;
            match (to.untyped(), column) {
                (ColumnWriter::ByteArrayColumnWriter(writer), Column::Text(values, levels)) => {
                    writer.write_batch(values, Some(levels), None)?;
                    values.clear();
                    levels.clear();
                }
                (ColumnWriter::Int64ColumnWriter(writer), Column::Long(values, levels)) => {
                    writer.write_batch(values, Some(levels), None)?;
                    values.clear();
                    levels.clear();
                }
                (ColumnWriter::DoubleColumnWriter(writer), Column::Number(values, levels)) => {
                    writer.write_batch(values, Some(levels), None)?;
                    values.clear();
                    levels.clear();
                }
                (ColumnWriter::BoolColumnWriter(writer), Column::Flag(values, levels)) => {
                    writer.write_batch(values, Some(levels), None)?;
                    values.clear();
                    levels.clear();
                }
                _ => return Err(anyhow!("a column is of another kind than its schema says")),
            }
            to.close()?;
        }
        group.close()?;
        self.n_rows = 0;
        Ok(())
    }

    fn finish(mut self) -> anyhow::Result<()> {
        if self.n_rows > 0 {
            self.write_group()?;
        }
        self.writer.close()?;
        Ok(())
    }
}
