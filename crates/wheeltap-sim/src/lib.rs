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
//! Contracts: the same settings, files and catalogue give the same telemetry to the bit; units are
//! independent of each other and may run on any thread; times within a delivery do not descend;
//! values are finite, in the catalogue's units and rounded to its resolution.

mod file;
pub mod physics;
mod railway;
mod random;
mod score;
mod sensor;
mod train;
mod unit;
mod weather;

pub use file::{
    ConsistEntry, Failure, FailureKind, Failures, FileError, Line, Place, RailwayFile, RosterUnit,
    Stop, Stretch, Train,
};
pub use railway::{Delivery, Railway, Settings, SimError, SimUnit};
pub use score::{Outcome, Ring, Score};
pub use weather::{Season, Weather};
