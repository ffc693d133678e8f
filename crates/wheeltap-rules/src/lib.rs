//! The rule language: one Rhai file in, one checked [`Rule`] out.
//!
//! A rule is judged as a pure function of what it reads at a tick ([`Seen`] values, one an input):
//! it cannot reach the store, a clock, a file or another rule, and nothing non-finite gets in.
//! Windows and delays are planned here and kept by `wheeltap-judge`. This crate alone depends on
//! `rhai`, whose features are subtractive and unify across the graph.
//!
//! Start with [`compile`] and [`Rule`]. What a rule may say is in `REFERENCE.md`, see [`reference()`].
//!
//! ```
//! use wheeltap_catalogue::Catalogue;
//! use wheeltap_rules::{Environment, Seen, Truth, compile};
//!
//! let text = r#"
//!     fn about() { #{
//!         title: "Oil hot", system: "engine / lubrication", component: "oil cooler",
//!         priority: "high", tick: "10 s", on_delay: "3 min",
//!         cause: "Cooler fouled.", consequence: "Bearing wear.", action: "Check the cooler.",
//!         respond_within: "4 h",
//!     } }
//!     fn reads() { #{ oil: mean("engine.oil.temperature", "5 min"), on: in_state("working") } }
//!     fn raise(seen) { seen.on && seen.oil > 110.0 }
//! "#;
//! let catalogue = Catalogue::builtin();
//! let rule = compile("oil-hot.rhai", text, &Environment::new(&catalogue)).map_err(|all| {
//!     all.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
//! })?;
//! // An unknown state does not hide that the oil is cool.
//! let row = [Seen::Number(82.5), Seen::Unknown];
//! assert_eq!(rule.raise.judge(&row), Ok(Truth::False));
//! # Ok::<(), String>(())
//! ```
//!
//! Times are Unix milliseconds, spans milliseconds. A program allocates nothing when it is judged; a
//! script's cost is bounded by the limits in the reference.

mod about;
mod baseline;
mod class;
mod conditions;
mod functions;
mod health;
mod lower;
mod mates;
mod outcomes;
mod params;
mod plan;
mod problem;
mod program;
mod reads;
mod reference;
mod script;
mod syntax;
mod together;
mod units;
mod vet;

pub use baseline::{Against, Baseline, Healthy};
pub use class::{ClassWindow, OfClass};
pub use health::{health_rules, is_written_from_catalogue};
pub use mates::{MOST_MATES, OfMates, WAIT_FOR_MATES_MS};
pub use params::{MOST_VARIANTS, NoGrid, Param, Sets};
pub use plan::{
    About, Applies, Condition, Fault, Input, Logic, PANE_LADDER_MS, Read, Rule, Seen, Statistic,
    Test, Truth, pane_ms,
};
pub use problem::Problem;
pub use reference::reference;
pub use vet::{Environment, Vetted, compile, compile_kept, vet};
