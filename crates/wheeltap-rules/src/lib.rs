//! The rule language: one Rhai file in, one checked [`Rule`] out.
//!
//! A rule is judged as a pure function of what it reads at a tick ([`Seen`] values, one an input):
//! it cannot reach the store, a clock, a file or another rule, and nothing non-finite gets in.
//! Windows and delays are planned here and kept by `wheeltap-judge`. This crate alone depends on
//! `rhai`, whose features are subtractive and unify across the graph.
//!
//! Start with [`compile`] and [`Rule`].

mod about;
mod functions;
mod lower;
mod plan;
mod problem;
mod program;
mod reads;
mod reference;
mod script;
mod syntax;
mod units;
mod vet;

pub use plan::{
    About, Applies, Fault, Input, Logic, PANE_LADDER_MS, Read, Rule, Seen, Statistic, Truth,
    pane_ms,
};
pub use problem::Problem;
pub use reference::reference;
pub use vet::{Environment, Vetted, compile, vet};
