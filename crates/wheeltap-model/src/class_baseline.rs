//! What was usual in a class, frozen.

use crate::{ClassName, EventTime};
use serde::{Deserialize, Serialize};

/// What the units of a class did over one stretch: fitted once, kept for good.
///
/// Each unit of the class gives the means of one channel over windows of one length, side by side
/// over the stretch. `median` is the median of the units' medians, so that a unit counts once however
/// long it ran; `spread` is 1.4826 times the median over the units of their median distances from
/// it. Both bear nearly half of the units being out of order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClassBaseline {
    /// The class; `None` for units of which no class is known (of files only).
    pub class: Option<ClassName>,
    /// Channel, window, share and conditions, as a rule's inputs are told.
    pub of: String,
    /// UCUM code of the median; the spread is a difference in it.
    pub ucum: String,
    /// First instant at which it is in force, inclusive; until the next one of the same class and
    /// `of`.
    pub from: EventTime,
    /// The stretch it was fitted from, exclusive.
    pub fitted_from: EventTime,
    /// The same, inclusive.
    pub fitted_to: EventTime,
    /// Median of the units' medians.
    pub median: f64,
    /// As above; above 0.
    pub spread: f64,
    /// Units that had enough windows.
    pub n_units: u64,
    /// Windows of all of them.
    pub n_windows: u64,
}
