//! The catalogue: which channels and classes exist, in which units, and how a CSV column becomes a
//! channel.
//!
//! It reads TOML and hands out checked values; it never touches the network, a clock or the store,
//! and knows nothing of rules. Files are read by [`CsvMap::load`] alone.
//!
//! Start with [`Catalogue`]; [`Ucum`] converts between units; a [`CsvMap`] bound to a catalogue
//! reads CSV files. FORMATS.md beside this crate's manifest describes the files for their authors.
//!
//! ```
//! use std::ops::ControlFlow;
//! use wheeltap_catalogue::{Catalogue, CsvMap};
//! let map = CsvMap::parse("map.toml", r#"
//!     time = { column = "t", counts = "s" }
//!     unit = { name = "ZVR 4117" }
//!     [[channel]]
//!     column = "oil"
//!     name = "engine.oil.temperature"
//!     ucum = "[degF]"
//! "#).unwrap();
//! let bound = map.bind(&Catalogue::builtin()).unwrap();
//! let mut values = Vec::new();
//! bound.read("run.csv", &b"t,oil\n0,185\n"[..], &mut |row| {
//!     values.extend(row.samples.iter().map(|(_, value, _)| *value));
//!     ControlFlow::Continue(())
//! }).unwrap();
//! assert_eq!(values, [85.0]);
//! ```
//!
//! Contracts that hold throughout: every problem has its place and the mend; values handed out are
//! finite and in the channel's stored unit; a conversion to the same unit keeps the bits.

mod cases;
mod catalogue;
mod csv_reader;
mod derived;
mod doc;
mod exact;
mod health;
mod map;
mod ucum;
mod work;

pub use cases::{ANY_CASE_UNIT, CASES_ENDING, CaseBaseline, ExpectedAlert, RuleCase, read_cases};
pub use catalogue::{Catalogue, CatalogueProblem, MOST_AXLES};
pub use csv_reader::{CsvProblem, Measurements, ReadSummary, RowSamples};
pub use derived::{ClassConstant, DerivedArg, DerivedDef};
pub use health::{Health, Stuck};
pub use map::{BoundMap, CsvMap, Does};
pub use ucum::{Conversion, Dimension, InvalidUcum, Ucum};
pub use work::read_work;
