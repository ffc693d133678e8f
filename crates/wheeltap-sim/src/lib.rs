//! The physical simulator of an invented railway.
//!
//! It makes a day of telemetry out of engines that heat and cool, brake pipes that charge and
//! leak, and wheels that hold or slip, and it can break parts of them. It knows neither rules nor
//! the demonstration's rule book: a failure acts on physics, on a sensor or on the radio, and what
//! comes of it is for others to find.
//!
//! Start with [`Railway`], made of a [`RailwayFile`], [`Settings`] and planted [`Failure`]s;
//! [`Railway::run_unit`] delivers one unit's telemetry batch by batch. Formulas with their sources
//! are in [`physics`].
//!
//! ```
//! use wheeltap_catalogue::Catalogue;
//! use wheeltap_sim::{Railway, RailwayFile, Settings};
//!
//! let class = "[[class]]\nname = \"Marten\"\naxles = 6\n".to_owned();
//! let catalogue = Catalogue::with_files(&[("classes.toml".to_owned(), class)]).unwrap();
//! let file = RailwayFile::parse("railway.toml", r#"
//!     name = "Zandervale Railway"
//!     mark = "ZVR"
//!     [[line]]
//!     name = "Vale Main"
//!     length_mi = 186.0
//!     ruling_grade_percent = 1.6
//!     [[train]]
//!     symbol = "VM 11"
//!     line = "Vale Main"
//!     cars = 80
//!     car_mass_t = 92.0
//!     consist = [{ unit = "ZVR 4101", role = "lead", facing = "forward" }]
//!     [[unit]]
//!     id = "ZVR 4101"
//!     road_number = "4101"
//!     class = "Marten"
//!     commissioned = "2014-06-25"
//! "#)?;
//! let settings = Settings { duration_s: 600, ..Settings::default() };
//! let railway = Railway::new(settings, &file, &[], &catalogue)?;
//! let mut n_samples = 0;
//! railway.run_unit(0, &mut |delivery| n_samples += delivery.batch.len());
//! assert!(n_samples > 1_000);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! Contracts: the same settings, files and catalogue give the same telemetry to the bit; units are
//! independent of each other and may run on any thread; times within a delivery do not descend;
//! values are finite, in the catalogue's units and rounded to its resolution.

mod everyday;
mod file;
mod past;
pub mod physics;
mod railway;
mod random;
mod score;
mod sensor;
mod train;
mod unit;
mod weather;

pub use everyday::everyday;
pub use file::{
    ConsistEntry, Failure, FailureKind, Failures, FileError, Line, Place, RailwayFile, RosterUnit,
    Stop, Stretch, Train,
};
pub use past::{FalseReports, Past, PastComponent, PastDefect, PastFile, PastUnit};
pub use railway::{Delivery, Railway, Settings, SimError, SimUnit};
pub use score::{Outcome, Ring, Score};
pub use weather::{Season, Weather};
