//! A defect that came back after a repair is one item for the shop, and several events to count.

use crate::{Book, KeptAlert, KeptDefect, ReportedAs};
use wheeltap_model::{Defect, DefectId, DefectStatus, EventTime, Finding};

/// One time that a defect was there, up to its finding.
#[derive(Clone, Copy)]
pub(super) struct Occurrence<'a> {
    pub defect: &'a Defect,
    /// Of the defect's, counted from 0.
    pub idx: usize,
    /// Event time.
    pub first_sign_at: EventTime,
    /// What people reported of it; `None` where alerts are all there is.
    pub reported: Option<ReportedAs>,
    /// `None` while it is owed.
    pub finding: Option<&'a Finding>,
}

fn findings(defect: &Defect) -> impl Iterator<Item = &Finding> {
    defect.earlier_findings.iter().chain(&defect.finding)
}

/// Every time that each defect was there. Void ones never were; merged ones are counted where they went.
pub(super) fn occurrences(book: &Book) -> impl Iterator<Item = Occurrence<'_>> {
    let counted = book.all_defects().filter(|kept| {
        let status = kept.defect().status;
        !matches!(status, DefectStatus::Void | DefectStatus::Merged)
    });
    counted.flat_map(|kept| of_defect(book, kept))
}

fn of_defect<'a>(book: &'a Book, kept: &'a KeptDefect) -> Vec<Occurrence<'a>> {
    let defect = kept.defect();
    let found = findings(defect).map(Some);
    // The last time may have no finding yet.
    let found = found.chain(defect.finding.is_none().then_some(None));
    let mut repaired_before: Option<EventTime> = None;
    let mut times = Vec::with_capacity(defect.earlier_findings.len() + 1);
    for ((idx, finding), reported) in found.enumerate().zip(kept.reported()) {
        let repaired_at = finding.map(|finding| finding.repaired_at);
        let first_sign_at = match repaired_before {
            // The defect keeps that of its first time.
            None => defect.first_sign_at,
            Some(before) => sign_after(book, defect, before, repaired_at, reported),
        };
        times.push(Occurrence {
            defect,
            idx,
            first_sign_at,
            reported,
            finding,
        });
        repaired_before = repaired_at;
    }
    times
}

/// The first sign of a later time: its first alert or report, else the repair before it.
fn sign_after(
    book: &Book,
    defect: &Defect,
    before: EventTime,
    repaired_at: Option<EventTime>,
    reported: Option<ReportedAs>,
) -> EventTime {
    let alerts = defect.alerts.iter().filter_map(|id| book.alert(*id));
    let raised = alerts.map(|alert| alert.raised_at());
    let of_it = raised.filter(|at| *at > before && repaired_at.is_none_or(|until| *at <= until));
    let reported = reported.map(|said| said.first_sign_at.max(before));
    of_it.chain(reported).min().unwrap_or(before)
}

/// Which time of which defect an alert belongs to, and its finding.
pub(super) fn of_alert<'a>(
    book: &'a Book,
    alert: &KeptAlert,
) -> Option<(DefectId, usize, Option<&'a Finding>)> {
    let mut defect = book.defect(alert.defect())?.defect();
    while let Some(into) = defect.merged_into {
        defect = book.defect(into)?.defect();
    }
    let mut all = findings(defect).enumerate();
    match all.find(|(_, finding)| finding.repaired_at >= alert.raised_at()) {
        Some((idx, finding)) => Some((defect.id, idx, Some(finding))),
        None => Some((defect.id, findings(defect).count(), None)),
    }
}
