//! The service track: arrivals, parts and work done, and the sheets made of them.
//!
//! What is kept here is a schedule and statements of other systems and people, replaced as they learn better.
//! No verdict of a rule rests on it, so it stands in the store's documents and not in the ledger; each
//! document says who said it and when, and records of work done are kept for good.

mod calls;
mod gather;
mod told;
mod wire;

pub use calls::TurnaroundCalls;
pub use gather::as_of;
pub use told::{ArrivalOutcome, Restoring, Turnaround};
