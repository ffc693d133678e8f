//! A defect that came back after a repair is one item for the shop, and several events to count.

use crate::{Book, KeptAlert, KeptDefect, ReportedAs};
use wheeltap_model::{Condition, Defect, DefectId, DefectStatus, EventTime, Finding};

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
    let mut times = Vec::with_capacity(defect.earlier_findings.len() + 1);
    for (stretch, reported) in stretches(kept).zip(kept.reported()) {
        times.push(Occurrence {
            defect,
            idx: stretch.idx,
            // The defect keeps that of its first time.
            first_sign_at: stretch.after.map_or(defect.first_sign_at, |before| {
                sign_after(book, defect, before, &stretch, reported)
            }),
            reported,
            finding: stretch.finding,
        });
    }
    times
}

/// One time that a defect was there, as the shop tells it.
struct Stretch<'a> {
    idx: usize,
    /// The repair before it.
    after: Option<EventTime>,
    /// When it was seen again after that; `None` where nobody wrote that down.
    came_back_at: Option<EventTime>,
    finding: Option<&'a Finding>,
}

impl Stretch<'_> {
    fn repaired_at(&self) -> Option<EventTime> {
        self.finding.map(|finding| finding.repaired_at)
    }

    /// Whether an alert was raised in it, or stood since before when the defect came back.
    fn has(&self, alert: &KeptAlert) -> bool {
        let raised_at = alert.raised_at();
        let outlasted = || match (alert.condition(), self.came_back_at, alert.ended_at()) {
            (Condition::Standing, _, _) => true,
            (Condition::Ended, Some(came_back_at), Some(ended_at)) => ended_at > came_back_at,
            _ => false,
        };
        self.repaired_at().is_none_or(|until| raised_at <= until)
            && (self.after.is_none_or(|after| raised_at > after) || outlasted())
    }
}

fn stretches(kept: &KeptDefect) -> impl Iterator<Item = Stretch<'_>> {
    let defect = kept.defect();
    let found = findings(defect).map(Some);
    // The last time may have no finding yet.
    let found = found.chain(defect.finding.is_none().then_some(None));
    let repaired = findings(defect).map(|finding| Some(finding.repaired_at));
    let came_back = std::iter::once(None).chain(kept.came_back_at());
    found
        .zip(std::iter::once(None).chain(repaired))
        .zip(came_back)
        .enumerate()
        .map(|(idx, ((finding, after), came_back_at))| Stretch {
            idx,
            after,
            came_back_at,
            finding,
        })
}

/// The first sign of a later time: its first alert or report, or when what had never ended was seen again.
fn sign_after(
    book: &Book,
    defect: &Defect,
    before: EventTime,
    stretch: &Stretch<'_>,
    reported: Option<ReportedAs>,
) -> EventTime {
    let alerts = defect.alerts.iter().filter_map(|id| book.alert(*id));
    let raised = alerts.map(|alert| alert.raised_at());
    let repaired_at = stretch.repaired_at();
    let of_it = raised.filter(|at| *at > before && repaired_at.is_none_or(|until| *at <= until));
    let reported = reported.map(|said| said.first_sign_at.max(before));
    let came_back_at = stretch.came_back_at.map(|at| at.max(before));
    let signs = of_it.chain(reported).chain(came_back_at);
    signs.min().unwrap_or(before)
}

/// The times of its defect that an alert belongs to, each with its finding: one that outlasted a repair is of the
/// time after it too. What came after the last repair and opened nothing is of the last.
pub(super) fn of_alert<'a>(
    book: &'a Book,
    alert: &KeptAlert,
) -> Vec<(DefectId, usize, Option<&'a Finding>)> {
    let mut kept = book.defect(alert.defect());
    while let Some(into) = kept.and_then(|kept| kept.defect().merged_into) {
        kept = book.defect(into);
    }
    let Some(kept) = kept else {
        return Vec::new();
    };
    let mut of: Vec<Stretch<'_>> = stretches(kept)
        .filter(|stretch| stretch.has(alert))
        .collect();
    if of.is_empty() {
        of.extend(stretches(kept).last());
    }
    let of = of.into_iter();
    of.map(|stretch| (kept.id(), stretch.idx, stretch.finding))
        .collect()
}
