//! The catalogue: which channels and classes exist, in which units, and how a CSV column becomes a
//! channel.
//!
//! It reads TOML and hands out checked values; it never touches the network, a clock or the store.
//! Start with [`Catalogue`]; [`Ucum`] converts between units.

mod catalogue;
mod doc;
mod exact;
mod ucum;

pub use catalogue::{Catalogue, CatalogueProblem};
pub use ucum::{Conversion, Dimension, InvalidUcum, Ucum};
