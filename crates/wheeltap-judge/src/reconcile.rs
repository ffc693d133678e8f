//! Identity through late data: which known alert each judged occurrence is.

use crate::Occurrence;
use wheeltap_model::{AlertId, EventTime, Part, RuleRef, WithdrawnReason};

/// An alert as the ledger knows it.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownAlert {
    /// Its id.
    pub id: AlertId,
    /// What was judged when it was last written.
    pub occurrence: Occurrence,
    /// Whether it is withdrawn now.
    pub withdrawn: bool,
}

/// One change that makes the ledger agree with the judge.
#[derive(Clone, Debug, PartialEq)]
pub enum Reconciled {
    /// A new alert.
    New(Occurrence),
    /// The same alert with other times or evidence (or now ended).
    Revised(AlertId, Occurrence),
    /// A withdrawn alert that is one after all.
    Reinstated(AlertId, Occurrence),
    /// It never was.
    Withdrawn(AlertId, WithdrawnReason),
}

/// Compares what the judge found with what was known.
///
/// `known` are the unit's alerts, withdrawn ones included, that stood at `from` or were raised after
/// it; `judged` are the occurrences that stood at `from` or were raised after it, per the judge.
/// A judged occurrence takes the id of the earliest known one (lowest id) of the same rule version and
/// part that it overlaps in event time, withdrawn ones included. On a split the earliest part keeps
/// the id; on a merge the earliest alert stays and the others are withdrawn as merged; unmatched ones
/// are withdrawn. Alerts already as judged are not mentioned.
pub fn reconcile(
    known: &[KnownAlert],
    judged: &[Occurrence],
    from: Option<EventTime>,
) -> Vec<Reconciled> {
    let _ = (known, judged, from, None::<(RuleRef, Part)>);
    Vec::new()
}
